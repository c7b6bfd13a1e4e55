"""Figures that answer a question each; every function draws on an axes and returns it.

Without an axes a figure of one journal column is made. Units and n are labelled; what differs by
colour differs by marker or line too, so that a greyscale print reads the same.
"""

from calib.report.figures.canvas import COLUMN_INCHES, new_figure, page_figure
from calib.report.figures.choice import error_against_setting, families_compared, search_history
from calib.report.figures.composition import composition_pair, pair_plot
from calib.report.figures.domain import t2_against_q
from calib.report.figures.prediction import (
    interval_coverage,
    local_error_curve,
    predicted_against_certified,
    residuals,
    wilson_interval,
)
from calib.report.figures.regression import importance, line_share, regression_vector
from calib.report.figures.spectra import preprocess_step, preprocess_steps, spectrum

__all__ = [
    "COLUMN_INCHES",
    "composition_pair",
    "error_against_setting",
    "families_compared",
    "importance",
    "interval_coverage",
    "line_share",
    "local_error_curve",
    "new_figure",
    "page_figure",
    "pair_plot",
    "predicted_against_certified",
    "preprocess_step",
    "preprocess_steps",
    "regression_vector",
    "residuals",
    "search_history",
    "spectrum",
    "t2_against_q",
    "wilson_interval",
]
