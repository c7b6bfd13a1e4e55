"""Scores against certified regressions, SciPy, statsmodels and R."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.datasets import longley

from calib.validate.scores import bias_limit, line, per_standard, rmse_interval, score

DATA = Path(__file__).parent / "data"

# NIST StRD, linear regression, data set Norris (NIST, ozone analysers): y, x. Data and certified
# values from memory; the values certified to 15 digits prove the data.
NORRIS_TEXT = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""
NORRIS = np.array(NORRIS_TEXT.split(), dtype=float).reshape(-1, 2)
NORRIS_CERTIFIED = {
    "intercept": -0.262323073774029,
    "slope": 1.00211681802045,
    "intercept_error": 0.232818234301152,
    "slope_error": 0.429796848199937e-03,
    "residual": 0.884796396144373,
}


@pytest.mark.parametrize("name", NORRIS_CERTIFIED)
def test_line_meets_the_certified_values_of_norris(name):
    found = line(NORRIS[:, 1], NORRIS[:, 0])
    # 1e-11: certified data of three to four digits, sums of 36 terms
    assert getattr(found, name) == pytest.approx(NORRIS_CERTIFIED[name], rel=1e-11)


def test_joint_test_of_the_line_is_that_of_statsmodels_on_norris():
    fitted = sm.OLS(NORRIS[:, 0], sm.add_constant(NORRIS[:, 1])).fit()
    expected = float(fitted.f_test("const = 0, x1 = 1").pvalue)
    assert line(NORRIS[:, 1], NORRIS[:, 0]).joint_p == pytest.approx(expected, rel=1e-9)
    slope = float(fitted.t_test("x1 = 1").pvalue)
    assert line(NORRIS[:, 1], NORRIS[:, 0]).slope_p == pytest.approx(slope, rel=1e-9)


def test_joint_test_of_the_line_is_that_of_statsmodels_on_longley():
    table = longley.load_pandas().data  # NIST StRD Longley, as statsmodels ships it
    x, y = table["GNP"].to_numpy(), table["TOTEMP"].to_numpy()
    x = 51000 + (x - x.min()) / 20  # so that slope 1 is not absurd
    fitted = sm.OLS(y, sm.add_constant(x)).fit()
    found = line(x, y)
    assert found.joint_p == pytest.approx(
        float(fitted.f_test("const = 0, x1 = 1").pvalue), rel=1e-7
    )
    assert found.slope == pytest.approx(fitted.params[1], rel=1e-10)


def test_bias_limit_of_independent_samples_is_that_of_scipy():
    """ISO 12099:2017: ± t(n − 1) SEP / √n, the half width of a confidence interval of a mean."""
    errors = np.random.default_rng(2).normal(0.3, 1.0, 17)
    interval = stats.ttest_1samp(errors, 0.0).confidence_interval(0.95)
    found = bias_limit(errors, np.arange(17))
    assert found == pytest.approx((interval.high - interval.low) / 2, rel=1e-12)


def test_bias_limit_of_clustered_samples_is_that_of_statsmodels():
    rng = np.random.default_rng(3)
    groups = np.repeat(np.arange(9), [1, 4, 2, 4, 3, 4, 4, 2, 5])
    errors = rng.normal(size=9)[groups] + 0.3 * rng.normal(size=groups.size)
    fitted = sm.OLS(errors, np.ones(groups.size)).fit(
        cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False}
    )
    expected = fitted.bse[0] * np.sqrt(9 / 8) * stats.t.ppf(0.975, 8)
    assert bias_limit(errors, groups) == pytest.approx(expected, rel=1e-10)


def test_interval_of_the_rmsep_is_that_of_r_boot():
    """R package boot, studentised, 99 999 samples: ``boot_export.R``."""
    table = pd.read_csv(DATA / "boot_errors.csv")
    expected = pd.read_csv(DATA / "boot_interval.csv")["value"].tolist()
    squares, counts = per_standard(table["error"].to_numpy(), table["standard"].to_numpy(str))
    found = rmse_interval(squares, counts, samples=100_000, seed=3)
    # two bootstraps of 1e5 draws: the quantiles differ by a few tenths of a percent
    assert found == pytest.approx(expected, rel=6e-3)


def test_standard_error_of_the_rmsep_is_that_of_a_jackknife():
    rng = np.random.default_rng(4)
    errors = rng.normal(size=(300, 2))
    squares = (errors**2).sum(axis=1)
    roots = np.sqrt((squares.sum() - squares) / (2 * 299))
    jackknife = np.sqrt(299 / 300 * np.sum((roots - roots.mean()) ** 2))
    from calib.validate.scores import rmse_with_error

    _, found = rmse_with_error(squares, np.full(300, 2.0))
    assert found == pytest.approx(jackknife, rel=5e-3)  # equal to first order in 1/300


def test_sep_r2_rpd_and_rpiq_are_those_of_numpy_and_sklearn():
    from sklearn.metrics import r2_score

    rng = np.random.default_rng(5)
    truth = rng.gamma(2.0, 5.0, 40)
    found = score(truth + rng.normal(0.2, 1, 40), truth, np.arange(40))
    rng = np.random.default_rng(5)
    truth = rng.gamma(2.0, 5.0, 40)
    predicted = truth + rng.normal(0.2, 1, 40)
    sep = np.std(predicted - truth, ddof=1)
    assert found.sep == pytest.approx(sep, rel=1e-12)
    assert found.r2 == pytest.approx(r2_score(truth, predicted), rel=1e-12)
    assert found.rpd == pytest.approx(np.std(truth, ddof=1) / sep, rel=1e-12)
    assert found.rpiq == pytest.approx(stats.iqr(truth) / sep, rel=1e-12)
