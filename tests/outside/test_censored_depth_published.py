"""Censored depths against published survival data: a lap step is an inspection, depth stands for time.

Values that no printed source is named for were computed with the library that stands beside them (lifelines 0.30.3,
scipy 1.17.1, R survival 3.5-3, statsmodels 0.15.0) and are kept as constants.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import isotonic_regression

from pitmap.depth import fit_depths, readings_from_rows
from pitmap.depth.likelihood import Likelihood
from pitmap.depth.pit_data import collect
from pitmap.depth.posterior import find_mode
from pitmap.depth.scatter import NORMAL, WEIBULL, Scatter
from pitmap.depth.turnbull import turnbull, wilson_share

INF = math.inf


def _table(text):
    rows = [[float(v) for v in row.split(",")] for row in text.split()]
    return np.array(rows).T


# Freireich 1963, 6-MP group; Klein & Moeschberger, Survival Analysis, Table 1.1 and 4.1A; data in R KMsurv drug6mp.
SIX_MP = ([6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35])


def test_turnbull_is_kaplan_meier_on_exact_and_right_censored_data():
    gone, there = SIX_MP
    # A right-censored value is still there at its time: (t, inf], events at t count before it.
    found = turnbull([*gone, *there], [*gone, *[INF] * len(there)])
    survival = 1 - found.share_within([6, 7, 10, 13, 16, 22, 23])
    assert survival == pytest.approx([0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=1e-4)


RADIOTHERAPY = _table(
    "0,5,1 0,7,1 0,8,1 4,11,1 5,11,1 5,12,1 6,10,1 7,14,1 7,16,1 11,15,1 11,18,1 15,inf,1 17,25,2 17,inf,1 18,inf,1"
    " 19,26,1 19,35,1 22,inf,1 24,inf,2 25,37,1 26,40,1 27,34,1 32,inf,1 33,inf,1 34,inf,1 36,44,1 36,48,1 36,inf,2"
    " 37,44,1 37,inf,3 38,inf,1 40,inf,1 45,inf,1 46,inf,8"
)
BOTH_THERAPIES = _table(
    "0,5,1 0,22,1 4,8,1 4,9,1 5,8,1 8,12,1 8,21,1 10,17,1 10,35,1 11,13,1 11,17,1 11,20,1 11,inf,2 12,20,1 13,39,1"
    " 13,inf,3 14,17,1 14,19,1 15,22,1 16,20,1 16,24,2 16,60,1 17,23,1 17,26,1 17,27,1 18,24,1 18,25,1 19,32,1 21,inf,1"
    " 22,32,1 23,inf,1 24,30,1 24,31,1 30,34,1 30,36,1 31,inf,1 32,inf,1 33,40,1 34,inf,2 35,39,1 35,inf,1 44,48,1"
    " 48,inf,1"
)


def test_turnbull_radiotherapy_group():
    """Finkelstein & Wolfe, Biometrics 41 (1985), Table 4; answer Fay & Shaw, J. Stat. Softw. 36(2) (2010) sec. 4.1."""
    assert RADIOTHERAPY[2].sum() == 46
    found = turnbull(*RADIOTHERAPY)
    assert found.left.tolist() == [4, 6, 7, 11, 24, 33, 38, 46]
    assert found.right.tolist() == [5, 7, 8, 12, 25, 34, 40, 48]
    assert found.probability == pytest.approx(
        [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656], abs=1e-4
    )
    # R npsurv 0.5-0.
    assert found.log_likelihood == pytest.approx(-58.06002, abs=1e-5)


def test_turnbull_radiotherapy_and_chemotherapy_group():
    """Same sources; two touching cells make it the harder case."""
    assert BOTH_THERAPIES[2].sum() == 48
    found = turnbull(*BOTH_THERAPIES)
    assert list(zip(found.left, found.right)) == [
        (4, 5), (5, 8), (11, 12), (16, 17), (18, 19), (19, 20), (24, 25), (30, 31), (35, 36), (44, 48), (48, 60),
    ]  # fmt: skip
    expected = [0.0433, 0.0433, 0.0692, 0.1454, 0.1411, 0.1157, 0.0999, 0.0709, 0.1608, 0.0552, 0.0552]
    assert found.probability == pytest.approx(expected, abs=1e-4)


# Meeker & Escobar, Statistical Methods for Reliability Data (1998), Example 1.5; data in the SMRD repository.
HEAT_EXCHANGER = _table("0,1,1 1,2,2 2,3,2 3,inf,95 0,1,2 1,2,3 2,inf,95 0,1,1 1,inf,99")


def test_turnbull_heat_exchanger_tubes():
    """The closest published twin of pits watched over three passes, some plates stopped early."""
    share = turnbull(*HEAT_EXCHANGER).share_within([1, 2, 3])
    exact = [4 / 300, 1 - (296 / 300) * (192 / 197), 1 - (296 / 300) * (192 / 197) * (95 / 97)]
    assert share == pytest.approx(exact, abs=1e-6)
    # The book prints these (from memory).
    assert share.round(4).tolist() == [0.0133, 0.0384, 0.0582]


# Nelson, Applied Life Data Analysis (1982); data in the SMRD repository and R survival turbine.
TURBINE_HOURS = (4, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46)
TURBINE_CRACKED = (0, 4, 2, 7, 5, 9, 9, 6, 22, 21, 21)
TURBINE_SOUND = (39, 49, 31, 66, 25, 30, 33, 7, 12, 19, 15)


def test_turnbull_one_look_only_is_isotonic_regression():
    """Current status data: the estimate is pool-adjacent-violators (Barlow et al. 1972, from memory)."""
    h = np.array(TURBINE_HOURS, float)
    cracked, sound = np.array(TURBINE_CRACKED), np.array(TURBINE_SOUND)
    left, right = np.concatenate([np.zeros(11), h]), np.concatenate([h, np.full(11, INF)])
    count = np.concatenate([cracked, sound])
    found = turnbull(left[count > 0], right[count > 0], count[count > 0])
    expected = [0, 6 / 86, 6 / 86, 7 / 73, 5 / 30, 18 / 81, 18 / 81, 6 / 13, 43 / 74, 43 / 74, 21 / 36]
    assert found.share_within(h) == pytest.approx(expected, abs=1e-6)
    oracle = isotonic_regression(cracked / (cracked + sound), weights=cracked + sound)
    assert found.share_within(h) == pytest.approx(oracle.x, abs=1e-6)


def _ml(left, right, count, law: Scatter):
    """Maximum likelihood of one law through the model's own likelihood; every pit has the reference size."""
    n = np.repeat(np.arange(len(left)), np.asarray(count, int))
    marks = pd.DataFrame(
        {"mark_id": np.arange(1, len(n) + 1), "x_mm": 0.0, "y_mm": 0.0, "zone": "z", "eq_diam_mm": 1.0}
    )
    right = np.asarray(right, float)[n]
    bounds = pd.DataFrame(
        {
            "pit_id": marks["mark_id"], "deeper_than_um": np.asarray(left, float)[n], "deeper_survey": 0,
            "seen_from_um": 0.0, "first_survey": 0,
            "shallower_than_um": right, "shallower_survey": np.where(np.isfinite(right), 0, -1),
        }
    )  # fmt: skip
    likelihood = Likelihood(collect(marks, readings_from_rows([]).table, bounds, np.zeros(1)), law)

    def level(theta):
        return likelihood(np.column_stack([theta[:, 0], np.zeros(len(theta)), theta[:, 1]]))

    start = np.array([np.log(np.median(right[np.isfinite(right)])), np.log(0.6)])
    best, precision, settled = find_mode(level, start, np.array([1e-3, 1e-3]))
    assert settled
    return best, float(level(best[None])[0]), precision


def _as_weibull(best):
    """Scale and shape from mean and standard deviation of the log depth."""
    sigma = math.exp(best[1])
    shape = math.pi / math.sqrt(6) / sigma
    return math.exp(best[0] + 0.5772156649 / shape), shape


def test_likelihood_heat_exchanger_weibull():
    """R survreg, scipy CensoredData and lifelines agree: scale 23.620, shape 1.34552, log likelihood -54.4147."""
    best, value, _ = _ml(*HEAT_EXCHANGER, WEIBULL)
    assert _as_weibull(best) == pytest.approx((23.620, 1.34552), rel=2e-3)
    assert value == pytest.approx(-54.4147, abs=1e-4)


def test_likelihood_turbine_weibull():
    """R survreg, lifelines, scipy from a start value (its own start runs away): scale 46.777, shape 2.17578."""
    h, zero, inf = np.array(TURBINE_HOURS, float), np.zeros(11), np.full(11, INF)
    count = np.array([*TURBINE_CRACKED, *TURBINE_SOUND])
    left, right = np.concatenate([zero, h]), np.concatenate([h, inf])
    best, value, _ = _ml(left[count > 0], right[count > 0], count[count > 0], WEIBULL)
    assert _as_weibull(best) == pytest.approx((46.777, 2.17578), rel=1e-3)
    assert value == pytest.approx(-189.28719, abs=1e-4)


def test_likelihood_radiotherapy_log_normal_and_lifelines():
    """lifelines LogNormalFitter.fit_interval_censoring, run live: mean, spread, likelihood, standard errors."""
    from lifelines import LogNormalFitter

    left, right, count = RADIOTHERAPY
    best, value, precision = _ml(left, right, count, NORMAL)
    fitter = LogNormalFitter().fit_interval_censoring(left, right, weights=count.astype(int))
    assert best[0] == pytest.approx(fitter.mu_, abs=2e-3)
    assert math.exp(best[1]) == pytest.approx(fitter.sigma_, abs=2e-3)
    assert value == pytest.approx(fitter.log_likelihood_, abs=1e-3)
    se = np.sqrt(np.diag(np.linalg.inv(precision)))
    theirs = np.sqrt(np.diag(fitter.variance_matrix_))
    assert se[0] == pytest.approx(theirs[0], rel=0.01)
    assert se[1] * math.exp(best[1]) == pytest.approx(theirs[1], rel=0.01)


def test_fit_depths_on_exact_readings_is_least_squares_of_statsmodels():
    """Without gauge error maximum likelihood of log depth on log diameter is ordinary least squares."""
    import statsmodels.api as sm

    diameter = np.array([0.5, 0.8, 1.0, 1.4, 2.0, 2.6, 3.1, 3.6])
    depth = np.array([18.0, 31.0, 24.0, 45.0, 40.0, 61.0, 52.0, 78.0])
    marks = pd.DataFrame(
        {"mark_id": np.arange(1, 9), "x_mm": 0.0, "y_mm": 0.0, "zone": "z", "eq_diam_mm": diameter}
    )
    rows = [
        {"stage": "intake", "kind": "pit_depth", "mark": i, "value": d, "unit": "um", "uncertainty": 0.2}
        for i, d in enumerate(depth, 1)
    ]
    table = fit_depths(marks, readings_from_rows(rows).table, rng=np.random.default_rng(1)).parameters
    oracle = sm.OLS(np.log(depth), sm.add_constant(np.log(diameter))).fit()
    sigma_ml = math.sqrt(oracle.ssr / 8)
    assert table["value"].tolist() == pytest.approx([*oracle.params, math.log(sigma_ml)], abs=2e-3)
    # Maximum likelihood divides by n, least squares by n - 2; the log's own error is 1/sqrt(2n).
    errors = [*(oracle.bse * math.sqrt(6 / 8)), 1 / math.sqrt(16)]
    assert table["std_error"].tolist() == pytest.approx(errors, rel=0.02)


def test_one_pass_only():
    """k of n gone after d: F(d) = k/n (arithmetic)."""
    assert turnbull([0, 50], [50, INF], [30, 70]).share_within([50]) == pytest.approx([0.3], abs=1e-9)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        (0, 10, 0, 0.2775),
        (1, 10, 0.0179, 0.4042),
        (5, 10, 0.2366, 0.7634),
        (15, 20, 0.5313, 0.8881),
        (81, 100, 0.7222, 0.8749),
    ],
)
def test_wilson_share_published(k, n, low, high):
    """Published Wilson intervals, 95 %; statsmodels proportion_confint(method="wilson") gives the same."""
    found = wilson_share(k, n, level=0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-4)
