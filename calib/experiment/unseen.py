"""The one place where held-out bursts are read, after the models are final."""

from __future__ import annotations

import numpy as np

from calib.artifact.runtime import Model
from calib.experiment.outcome import Trained, Unseen
from calib.experiment.plan import Plan
from calib.experiment.prepare import Report, reduce_bursts
from calib.preprocess import Acquisition
from calib.validate.scores import rmse, score


def read_held_out(decided: Plan, trained: Trained, model: Model, report: Report) -> Unseen:
    """Predict the held-out bursts with the final models and score them."""
    if decided.held_out.empty:
        nothing = np.empty((0, len(decided.analytes)))
        return Unseen(decided.held_out, nothing, None, {}, {})
    spectra = reduce_bursts(
        decided.library, decided.held_out, decided.chain, report, "held-out bursts"
    )
    certified = decided.certified(spectra.bursts)
    predictions = model.predict_spectra(spectra.counts)
    standards = spectra.bursts["standard"].to_numpy(dtype=str)
    scores = {
        name: score(predictions.value[:, j], certified[:, j], standards)
        for j, name in enumerate(decided.analytes)
    }
    shot = Acquisition(decided.library.description.slices())
    X = decided.chain.spectra(spectra.counts, decided.library.wavelength, shot)
    curves = {}
    for j, (name, winner) in enumerate(trained.winners.items()):
        if winner.fitted.path is not None:
            along = winner.fitted.path[:, :1] + winner.fitted.path[:, 1:] @ X.T
            curves[name] = [rmse(row, certified[:, j]) for row in along]
    return Unseen(spectra.bursts, certified, predictions, scores, curves)
