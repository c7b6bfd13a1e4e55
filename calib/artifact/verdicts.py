"""What a check found, as text, JUnit XML, Markdown and plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree


@dataclass(frozen=True)
class Verdict:
    """One thing that was checked.

    Attributes
    ----------
    name : str
    passed : bool
    detail : str
        What was found, one line.
    """

    name: str
    passed: bool
    detail: str


def lines(verdicts: Sequence[Verdict]) -> list[str]:
    """Write a line a verdict."""
    return [f"{'pass' if v.passed else 'FAIL'}  {v.name}: {v.detail}" for v in verdicts]


def plain(verdicts: Sequence[Verdict]) -> list[dict[str, Any]]:
    """Return verdicts as plain data."""
    return [vars(each) for each in verdicts]


def junit(model: str, verdicts: Sequence[Verdict]) -> str:
    """Write verdicts as JUnit XML (the format CI servers read), one test case each."""
    failures = sum(not each.passed for each in verdicts)
    suite = ElementTree.Element(
        "testsuite", name=f"calib check {model}", tests=str(len(verdicts)), failures=str(failures)
    )
    for each in verdicts:
        case = ElementTree.SubElement(suite, "testcase", classname="calib.check", name=each.name)
        if not each.passed:
            ElementTree.SubElement(case, "failure", message=_printable(each.detail))
    ElementTree.indent(suite)
    return ElementTree.tostring(suite, encoding="unicode", xml_declaration=True) + "\n"


def _printable(text: str) -> str:
    """Drop control characters, which XML 1.0 has no way to write."""
    return "".join(each if each.isprintable() else "?" for each in text)


def markdown(model: str, verdicts: Sequence[Verdict]) -> str:
    """Write verdicts as a Markdown table with the result above it."""
    failures = sum(not each.passed for each in verdicts)
    result = "all checks hold" if not failures else f"{failures} of {len(verdicts)} checks failed"
    rows = [
        f"| {'pass' if v.passed else '**FAIL**'} | {_cell(v.name)} | {_cell(v.detail)} |"
        for v in verdicts
    ]
    head = [f"## calib check {model}: {result}", "", "| | check | found |", "| --- | --- | --- |"]
    return "\n".join([*head, *rows]) + "\n"


def _cell(text: str) -> str:
    return _printable(text).replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")
