"""Every exception calib raises on purpose, and the exit status each one means.

    CalibError                 exit 2   anything the user can mend
    ├── UsageError             exit 2   a command, option or name is wrong
    ├── SettingsError          exit 2   an experiment file is wrong
    ├── DataError              exit 2   a library, table or array is wrong
    ├── ArtifactError          exit 2   a frozen model is missing, damaged or not trusted
    └── CheckError             exit 1   a check ran to its end and said no

A message is one line: which file, which key or row, what was found, what is needed.
``CalibError`` is a ``ValueError`` so that scripts and scikit-learn, which expect bad
values to be ``ValueError``, need not know this tree.
"""

from __future__ import annotations


class CalibError(ValueError):
    """Base of the exceptions a user can act on; the message is one line."""

    exit_code: int = 2


class UsageError(CalibError):
    """A command, option, name or version that cannot be right."""


class SettingsError(CalibError):
    """An experiment file with a key, type or value that cannot be right."""


class DataError(CalibError):
    """A library, table or array with a value that cannot be right."""


class ArtifactError(CalibError):
    """A frozen model that is missing, damaged, unsupported or not trusted."""


class CheckError(CalibError):
    """A check that ran to its end and found a difference."""

    exit_code = 1


class CalibWarning(UserWarning):
    """Something was left out or limited; the work went on without it."""
