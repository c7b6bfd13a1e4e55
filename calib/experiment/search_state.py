"""What a search knows, on disk: it survives Ctrl-C, kill −9 and a power cut.

    .RUN.search/
      search.json         what is searched: a resumed search must be the same
      lock                held by the process that searches; its death frees it
      journal             Optuna's storage, unless a URL is given
      trials/UNIT/N.npz   out-of-fold predictions of trial N, with settings and curve

One process asks for trials and writes them down, whole, when they are finished: predictions first,
then one record in Optuna's storage. A trial that was on its way when the process died has left no
record and is asked for again, the same. Workers write nothing.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import re
import shutil
import uuid
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import optuna
from optuna.storages import BaseStorage, JournalStorage, RDBStorage
from optuna.storages.journal import JournalFileBackend
from optuna.trial import FrozenTrial, TrialState

from calib._show import plain
from calib.errors import DataError, UsageError
from calib.experiment.run import beside
from calib.experiment.search_proposals import VARIANT, Proposal, distributions, frozen
from calib.experiment.search_trial import Attempt, State, Unit, packed, unpacked
from calib.regress.family import Selection

FINISHED: Mapping[TrialState, State] = {
    TrialState.COMPLETE: "complete", TrialState.PRUNED: "pruned", TrialState.FAIL: "failed",
}  # fmt: skip

INSIDE = "search"
"""Where a finished run keeps the state of its search."""


@dataclass(frozen=True, eq=False)
class Trial:
    """A finished trial.

    Attributes
    ----------
    number : int
        Its place in its unit, from 0.
    variant : str
    settings : dict
        Drawn from the family's space.
    rmsecv, standard_error : float
        In the analyte's unit, NaN if not complete; the error is that of a sample of standards.
    state : {"complete", "pruned", "failed"}
    seconds : float
        Where it ran.
    selection : Selection or None
        Where complete: what the family would take, with its out-of-fold predictions.
    reason : str
        Why it failed.
    """

    number: int
    variant: str
    settings: dict[str, Any]
    rmsecv: float
    standard_error: float
    state: State
    seconds: float
    selection: Selection | None
    reason: str = ""


def take_up(run: Path, identity: Mapping[str, Any], *, resume: bool) -> Path:
    """Make, or find again, the state of the search for a run.

    Parameters
    ----------
    run : Path
        The run folder asked for.
    identity : mapping
        Plain data that decides what is found: settings, seed, digest of the library. What only
        bounds the search (trials, minutes) stays out.
    resume : bool
        Go on with what was begun or, if `run` is whole, with the state it keeps.

    Returns
    -------
    Path
        The state's folder, `beside` the run.

    Raises
    ------
    UsageError
        If there is a search and `resume` is false, or there is none and it is true, or it is of
        another identity.
    """
    state = beside(run)
    if not resume:
        if state.exists():
            raise UsageError(
                f"{state}: a search was interrupted here; go on with --resume, or remove the folder"
            )
    elif not state.exists():
        if not (run / INSIDE / "search.json").is_file():
            raise UsageError(f"{run}: no search to resume was found here, or beside it in {state}")
        _identify(run / INSIDE, identity)  # before anything is copied
        partial = state.with_name(f"{state.name}-{os.getpid()}")
        shutil.rmtree(partial, ignore_errors=True)
        shutil.copytree(run / INSIDE, partial)
        os.replace(partial, state)
    _identify(state, identity)
    return state


def settle(state: Path, run: Path) -> None:
    """Move the state of a search into its run, which is whole now."""
    for lock in ("lock", "journal.held"):
        (state / lock).unlink(missing_ok=True)
    os.replace(state, run / INSIDE)


def _identify(state: Path, identity: Mapping[str, Any]) -> None:
    """Write what is searched, or check that it is the same."""
    file = state / "search.json"
    mine = json.loads(json.dumps(plain(dict(identity))))
    if file.exists():
        try:
            theirs = json.loads(file.read_text(encoding="utf-8"))["identity"]
        except (ValueError, KeyError) as error:
            raise DataError(f"{file}: not the start of a search: {error}") from None
        for key in sorted({*mine, *theirs}):
            if mine.get(key) != theirs.get(key):
                raise UsageError(
                    f"{file}: the search was begun with another {key}: found "
                    f"{_short(theirs.get(key))}, now {_short(mine.get(key))}; begin anew in "
                    "another run folder"
                )
        return
    state.mkdir(parents=True, exist_ok=True)
    _write(file, json.dumps({"identity": mine, "id": uuid.uuid4().hex}, indent=1).encode() + b"\n")


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}…"


class SearchState:
    """The trials of a search, on disk.

    Parameters
    ----------
    where : Path
    storage : optuna.storages.BaseStorage
    name : str
        Told apart by it from other searches in the same storage.
    """

    def __init__(self, where: Path, storage: BaseStorage, name: str) -> None:
        self.where = where
        self._storage = storage
        self._name = name
        self._studies: dict[tuple[str, str], optuna.Study] = {}

    def history(self, unit: Unit, seed: int) -> list[FrozenTrial]:
        """Return the finished trials of a unit in their order, and clear the others.

        Raises
        ------
        UsageError
            If the unit was searched over another space, other data or with another seed.
        """
        study = optuna.create_study(
            storage=self._storage, study_name=f"{self._name}/{unit.analyte}/{unit.family}",
            load_if_exists=True,
        )  # fmt: skip
        self._studies[unit.analyte, unit.family] = study
        definition = _definition(unit, seed)
        known = study.user_attrs.get("definition")
        if known is None:
            study.set_user_attr("definition", definition)
        elif known != definition:
            raise UsageError(
                f"{self.where}: {unit.family} for {unit.analyte} was searched over another space, "
                "other spectra or with another seed (another version of calib?); begin anew in "
                "another run folder"
            )
        mine: dict[int, FrozenTrial] = {}
        for trial in study.get_trials(deepcopy=False):
            if trial.state == TrialState.RUNNING:  # of a worker that is no more
                study.tell(trial.number, state=TrialState.FAIL)
            elif trial.state in FINISHED and "number" in trial.user_attrs:
                mine.setdefault(trial.user_attrs["number"], trial)
        return [mine[n] for n in itertools.takewhile(mine.__contains__, itertools.count())]

    def add(self, unit: Unit, number: int, proposal: Proposal, made: Attempt) -> FrozenTrial:
        """Write a finished trial down: its predictions, then its record."""
        if made.selection is not None:
            self.keep(unit, number, made.selection)
        trial = frozen(unit, number, proposal, made)
        self._studies[unit.analyte, unit.family].add_trial(trial)
        return trial

    def keep(self, unit: Unit, number: int, selection: Selection) -> None:
        """Write what a trial selected."""
        file = self._file(unit, number)
        file.parent.mkdir(parents=True, exist_ok=True)
        partial = file.with_suffix(".partial")
        with partial.open("wb") as stream:
            np.savez(stream, out_of_fold=selection.out_of_fold, about=np.array(packed(selection)))
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(partial, file)

    def selection(self, unit: Unit, number: int) -> Selection | None:
        """Read what a trial selected; None if the file is lost or damaged."""
        try:
            with self._file(unit, number).open("rb") as stream:
                held = np.load(stream, allow_pickle=False)
                out_of_fold, text = held["out_of_fold"], str(held["about"])
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            return None
        if out_of_fold.ndim != 2 or out_of_fold.shape[1] != len(unit.values):
            return None
        settings, curve = unpacked(text)
        return Selection(settings, out_of_fold, curve)

    def _file(self, unit: Unit, number: int) -> Path:
        words = re.sub(r"[^A-Za-z0-9]+", "_", f"{unit.analyte}-{unit.family}")
        digest = hashlib.sha256(f"{unit.analyte}/{unit.family}".encode()).hexdigest()[:8]
        return self.where / "trials" / f"{words}-{digest}" / f"{number:05d}.npz"


def finished_trial(record: FrozenTrial, selection: Selection | None) -> Trial:
    """Turn Optuna's record into a trial."""
    settings = dict(record.params)
    variant = settings.pop(VARIANT)
    complete = record.state == TrialState.COMPLETE
    about, nan = record.user_attrs, float("nan")
    return Trial(
        number=about["number"], variant=variant, settings=settings,
        rmsecv=float(record.values[0]) if complete else nan,
        standard_error=about.get("standard_error", nan), state=FINISHED[record.state],
        seconds=about["seconds"], selection=selection, reason=about.get("reason", ""),
    )  # fmt: skip


@contextmanager
def open_state(where: Path, storage: str | None = None) -> Iterator[SearchState]:
    """Open the state of a search for this process alone.

    Parameters
    ----------
    where : Path
        The state's folder; made if it is not there.
    storage : str, optional
        URL of a database that Optuna knows, or path of a journal file. Default: a journal file in
        `where`.

    Raises
    ------
    UsageError
        If another process searches there, or the storage cannot be opened.
    DataError
        If the journal is damaged elsewhere than at its end.
    """
    if not (where / "search.json").is_file():
        _identify(where, {})
    name = json.loads((where / "search.json").read_text(encoding="utf-8"))["id"]
    place = storage or str(where / "journal")
    with _alone(where / "lock"):
        if "://" in place:
            yield SearchState(where, _database(place), name)
            return
        journal = Path(place)
        if not journal.parent.is_dir():
            raise UsageError(f"--storage {place}: no folder {journal.parent}")
        with _alone(journal.with_name(f"{journal.name}.held")):
            _mend_journal(journal)
            yield SearchState(where, JournalStorage(JournalFileBackend(place)), name)


def _database(place: str) -> BaseStorage:
    try:
        return RDBStorage(place)
    except (ImportError, OSError, ValueError) as error:
        reason = str(error).splitlines()[0]
    except Exception as error:  # SQLAlchemy's own tree, imported only with a URL
        reason = str(error).splitlines()[0]
    raise UsageError(f"--storage {_no_password(place)}: cannot be opened: {reason}")


def _no_password(url: str) -> str:
    return re.sub(r"(?<=://)([^/@:]*):[^/@]*@", r"\1:…@", url)


def _mend_journal(path: Path) -> None:
    """Remove what a dead process left: locks, and a last record that is not whole.

    Optuna waits half a minute for a lock whose holder died, and never reads a journal again once a
    record was appended to half a one. Called by the only process that may use the journal.
    """
    for stale in path.parent.glob(f"{path.name}.lock*"):
        stale.unlink(missing_ok=True)
    if not path.exists():
        return
    text = path.read_bytes()
    whole = 0
    lines = text.splitlines(keepends=True)
    for number, line in enumerate(lines, start=1):
        try:
            json.loads(line)
        except ValueError:
            good = False
        else:
            good = line.endswith(b"\n")
        if not good and number < len(lines):
            raise DataError(
                f"{path}: line {number} of {len(lines)} is damaged, need JSON; begin anew in "
                "another run folder"
            )
        whole += len(line) if good else 0
    if whole < len(text):
        with path.open("r+b") as stream:
            stream.truncate(whole)
            os.fsync(stream.fileno())


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold a lock that the system frees when this process ends, however it ends."""
    with path.open("ab") as held:
        try:
            _lock(held.fileno())
        except OSError:
            raise UsageError(
                f"{path.parent}: another process searches here; wait for it, or end it"
            ) from None
        yield


def _lock(descriptor: int) -> None:
    try:
        import fcntl
    except ModuleNotFoundError:  # no POSIX system: nothing to lock with
        return
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _definition(unit: Unit, seed: int) -> str:
    """Digest of all that a unit's trials follow from, but for the spectra."""
    space = {name: str(each) for name, each in distributions(unit).items()}
    text = json.dumps([seed, space, len(unit.space)], sort_keys=True)
    digest = hashlib.sha256(text.encode())
    digest.update(np.ascontiguousarray(unit.values, dtype="<f8").tobytes())
    digest.update(json.dumps([str(name) for name in unit.standards]).encode())
    return digest.hexdigest()


def _write(file: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    partial = file.with_name(f"{file.name}.partial")
    with partial.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(partial, file)
