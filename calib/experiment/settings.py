"""Experiment files: what may stand in them, checked before anything runs.

Paths in a file are relative to the file.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from calib.errors import CalibError, SettingsError
from calib.experiment.changes import BASE, BUILT_IN, Steps, varied
from calib.preprocess.chain import DEFAULT, Chain
from calib.regress.family import FAMILIES, family
from calib.validate.folds import Extremes


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Preprocess(_Strict):
    """``[preprocess]``: the steps in order, names or tables with ``step`` and settings.

    ``variants`` names changes to them that a search tries beside them, each a list of steps
    (`calib.experiment.changes.varied`); default `calib.experiment.changes.BUILT_IN`, where there
    is more to try than PLS.
    """

    steps: tuple[str | dict[str, Any], ...] = DEFAULT
    variants: dict[str, list[str | dict[str, Any]]] | None = None

    @field_validator("steps", mode="before")
    @classmethod
    def _listed(cls, value: Any) -> Any:
        steps = tuple(value) if isinstance(value, list) else value
        if isinstance(steps, tuple):
            Chain.of(steps)  # refuses unknown steps and settings
        return steps

    @model_validator(mode="after")
    def _variants_fit(self) -> Preprocess:
        """Refuse changes that are no steps, or steps that cannot stand in the chain."""
        base = Chain.of(self.steps)
        for name, changes in (self.variants or {}).items():
            if name == BASE:
                raise SettingsError(
                    f"key 'preprocess.variants' names {BASE!r}, which is the chain itself; need "
                    "another name"
                )
            varied(base, changes)
        return self


class Folds(_Strict):
    """``[folds]``: how cross-validation splits the families of standards.

    ``count`` is a number of folds or ``"leave-one-out"`` (one family a fold); ``repeats`` deals
    anew so many times; ``held_out`` is ``"library"`` (the rows the library marks) or a share of the
    families, chosen before training from the seed; ``extremes`` says whether such a share may hold
    the least and largest values of an analyte (``"spread"``) or leaves them to training
    (``"train"``).
    """

    count: Annotated[int, Field(ge=2)] | Literal["leave-one-out"] = 10
    repeats: Annotated[int, Field(ge=1)] = 5
    held_out: Annotated[float, Field(gt=0, le=0.5)] | Literal["library"] = "library"
    extremes: Extremes = "spread"


class Models(BaseModel):
    """``[models]``: the families to try, and a table of options for each.

    ``total`` says whether predictions of oxides are also reconciled to their total.
    """

    model_config = ConfigDict(extra="allow", frozen=True, strict=True)
    families: Annotated[tuple[str, ...], Field(min_length=1)] = tuple(FAMILIES)
    total: bool = False

    @field_validator("families", mode="before")
    @classmethod
    def _listed(cls, value: Any) -> Any:
        names = tuple(value) if isinstance(value, list) else value
        if isinstance(names, tuple):
            for name in names:
                if isinstance(name, str):
                    family(name)
        return names

    def model_post_init(self, context: Any) -> None:
        """Refuse options of unknown families and unknown options of known ones."""
        for name, options in (self.model_extra or {}).items():
            if name not in FAMILIES:
                raise SettingsError(
                    f"unknown key {name!r}, need 'families', 'total' or a table of options of a "
                    f"family as [models.pls]; families: {', '.join(FAMILIES)}"
                )
            if not isinstance(options, dict):
                raise SettingsError(f"{name} is {options!r}, need a table of options")
            family(name).options(options)

    def options(self, name: str) -> dict[str, Any]:
        """Return the options of one family, defaults filled in."""
        return family(name).options((self.model_extra or {}).get(name, {}))


class Search(_Strict):
    """``[search]``: the budget, and what decides; PLS alone needs none.

    ``trials`` is a number for each analyte and family; ``minutes`` ends the search earlier;
    ``rule`` is ``"one-standard-error"`` (the simplest family whose error is within one standard
    error of the least) or ``"minimum"``; ``stack`` says whether the families may also be joined,
    with weights that are constant or change over the predicted range (``"by-range"``);
    ``cache_gb`` bounds the preprocessed spectra kept on disk from run to run.
    """

    trials: Annotated[int, Field(ge=1)] = 20
    minutes: Annotated[float, Field(gt=0)] | None = None
    rule: Literal["one-standard-error", "minimum"] = "one-standard-error"
    stack: bool | Literal["by-range"] = True
    cache_gb: Annotated[float, Field(ge=0)] = 4.0


class Validation(_Strict):
    """``[validation]``: ``permutations`` is how often values are shuffled among the standards."""

    permutations: Annotated[int, Field(ge=0)] = 200


class Experiment(_Strict):
    """A whole experiment file."""

    library: str
    analytes: Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    seed: Annotated[int, Field(ge=0)] = 1
    preprocess: Preprocess = Preprocess()
    folds: Folds = Folds()
    models: Models = Models()
    search: Search = Search()
    validation: Validation = Validation()

    @property
    def changes(self) -> Mapping[str, Steps]:
        """Variants of the chain to try."""
        if self.preprocess.variants is not None:
            return self.preprocess.variants
        alone = self.models.families == ("pls",) and self.search == Search()
        return {} if alone else BUILT_IN

    @field_validator("analytes", mode="before")
    @classmethod
    def _listed(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value

    @field_validator("analytes")
    @classmethod
    def _each_once(cls, value: tuple[str, ...] | None) -> tuple[str, ...] | None:
        if value is not None and len(set(value)) != len(value):
            twice = next(name for name in value if value.count(name) > 1)
            raise SettingsError(f"key 'analytes' names {twice!r} twice, need each once")
        return value


_SECTIONS: dict[str, type[_Strict]] = {
    "preprocess": Preprocess,
    "folds": Folds,
    "search": Search,
    "validation": Validation,
}


def load_experiment(path: str | os.PathLike[str]) -> tuple[Experiment, Path]:
    """Read and check an experiment file.

    Returns
    -------
    experiment : Experiment
    library : Path
        The library's folder, resolved against the file's.

    Raises
    ------
    SettingsError
        If the file is missing, not TOML, or a key or value is wrong: one line with file, key,
        what was found and what is needed.
    """
    file = Path(path)
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise SettingsError(f"{file}: no such experiment file") from None
    except IsADirectoryError:
        raise SettingsError(f"{file}: is a folder, need a TOML file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{file}: not TOML: {error}") from None
    try:
        experiment = Experiment.model_validate(data)
    except ValidationError as error:
        raise SettingsError(f"{file}: {_first(error)}") from None
    except CalibError as error:
        raise SettingsError(f"{file}: {error}") from None
    return experiment, (file.parent / experiment.library)


def _first(error: ValidationError) -> str:
    """Turn pydantic's first complaint into one line with the key."""
    complaints = error.errors(include_url=False)
    # a misspelt key is more to the point than the key it leaves missing
    first = min(complaints, key=lambda each: each["type"] != "extra_forbidden")
    where, key = _where(first), _key(first)
    if first["type"] == "extra_forbidden":
        model = _SECTIONS.get(where[0], Experiment)
        return f"key {key!r} is unknown, need one of {', '.join(model.model_fields)}"
    if first["type"] == "missing":
        return f"key {key!r} is missing"
    if first["type"] == "value_error":
        return str(first["msg"]).removeprefix("Value error, ")
    same = [c for c in complaints if _key(c) == key]
    needs = " or ".join(dict.fromkeys(_need(str(c["msg"])) for c in same))
    return f"key {key!r} is {first['input']!r}, need {needs}"


def _key(complaint: Any) -> str:
    return ".".join(_where(complaint)) or "file"


def _where(complaint: Any) -> list[str]:
    """Return the keys of pydantic's path, without the branches of a union that end it."""
    where = [str(part) for part in complaint["loc"]]
    if complaint["type"] == "extra_forbidden":
        return where
    return [part for i, part in enumerate(where) if i == 0 or not _is_branch(part)]


def _is_branch(part: str) -> bool:
    """Say whether a part of pydantic's path names a branch of a union, not a key."""
    return part in {"int", "float", "str"} or part.startswith("constrained-") or "[" in part


def _need(message: str) -> str:
    text = message.removeprefix("Input should be ").removeprefix("a valid ")
    return text.replace("tuple", "list")
