"""Freezing a run: what joins runs and artifacts."""

from __future__ import annotations

from calib.artifact import sealing, store
from calib.artifact.runtime import Model
from calib.experiment.run import Run
from calib.report.page import run_page


def freeze(run: Run, reference: str) -> Model:
    """Freeze a run's models under ``NAME@VERSION``.

    Parameters
    ----------
    run : Run
    reference : str
        A name of small letters, digits, ``-`` and ``_``; a version of three numbers.

    Returns
    -------
    Model
        The frozen model, loaded.

    Raises
    ------
    UsageError
        If the reference is not valid, the version exists, or analytes or units differ from an
        earlier version of the same major number.

    Examples
    --------
    >>> import calib
    >>> run = calib.train("experiments/quickstart.toml")  # doctest: +SKIP
    >>> model = calib.freeze(run, "majors@1.0.0")  # doctest: +SKIP
    """
    store.parse_reference(reference)
    card = run_page(run.results, run.evidence(), title=reference)
    return store.load(sealing.freeze(run.path / "model", reference, card))
