"""The one place where held-out bursts are read, after the models are final."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.artifact.runtime import Model
from calib.experiment.outcome import Floats, Trained, Unseen
from calib.experiment.plan import Plan
from calib.experiment.prepare import Report, acquisition, reduce_bursts
from calib.library import open_library
from calib.validate.honesty import Check, Range, held_out_check
from calib.validate.limits import reported
from calib.validate.scores import Score, rmse, score


def read_held_out(decided: Plan, trained: Trained, model: Model, report: Report) -> Unseen:
    """Predict the held-out bursts with the final models and score them."""
    if decided.held_out.empty:
        nothing = np.empty((0, len(decided.analytes)))
        return Unseen(decided.held_out, nothing, nothing, None, {}, {}, {}, {})
    library = open_library(decided.library.path)  # the view that training had refuses these
    spectra = reduce_bursts(
        library, decided.held_out, decided.chain, report, "held-out bursts", whole=True
    )
    names, asked = spectra.bursts["standard"], list(decided.analytes)
    certified = library.values.loc[names, asked].to_numpy(float)
    uncertainty = library.uncertainty.loc[names, asked].to_numpy(float)
    predictions = model.predict_spectra(
        spectra.counts, distance_m=spectra.bursts["distance_m"].to_numpy(float)
    )
    standards = spectra.bursts["standard"].to_numpy(dtype=str)
    scores = {
        name: score(predictions.value[:, j], certified[:, j], standards)
        for j, name in enumerate(decided.analytes)
    }
    shot = acquisition(decided.library, spectra.bursts)
    curves = {}
    for j, (name, winner) in enumerate(trained.winners.items()):
        if winner.alone is not None and winner.alone.fitted.path is not None:
            chain = trained.variants[winner.variant].chain
            X = chain.spectra(spectra.counts, decided.library.wavelength, shot)
            path = winner.alone.fitted.path
            # of the regression itself, as the curve's RMSECV is: negative wt% are not yet zero
            along = path[:, :1] + path[:, 1:] @ X.T
            curves[name] = [rmse(row, certified[:, j]) for row in along]
    ranges = {
        name: _range(trained.certified[:, j], predictions.value[:, j], certified[:, j], standards)
        for j, name in enumerate(decided.analytes)
    }
    checks = {
        name: _check(decided, trained, name, scores[name], ranges[name])
        for name in decided.analytes
        if scores[name].n_standards
    }
    main = trained.variants[trained.used[0]].chain
    statistics = model.domains[0].statistics(
        main.spectra(spectra.counts, decided.library.wavelength, shot)
    )
    return Unseen(
        spectra.bursts,
        certified,
        uncertainty,
        predictions,
        scores,
        curves,
        checks,
        ranges,
        statistics,
    )


def _range(
    trained_on: Floats, predicted: Floats, certified: Floats, standards: NDArray[np.str_]
) -> Range:
    """Count held-out standards beyond the certified values trained on; score the others."""
    low, high = np.nanmin(trained_on), np.nanmax(trained_on)
    beyond = (certified < low) | (certified > high)
    return Range(np.unique(standards[beyond]).size, rmse(predicted[~beyond], certified[~beyond]))


def _check(decided: Plan, trained: Trained, name: str, found: Score, range_: Range) -> Check:
    """Compare RMSEP with what RMSECV promises for as many standards."""
    unit = decided.library.description.unit(name)
    out_of_fold = reported(trained.winners[name].out_of_fold, unit)
    errors = (out_of_fold - trained.certified[:, decided.analytes.index(name)]).ravel()
    standards = np.tile(trained.standards, len(out_of_fold))
    level = 1 - 0.05 / len(decided.analytes)
    return held_out_check(
        name, found.rmsep, errors, standards, found.n_standards, unit, level=level, range_=range_
    )
