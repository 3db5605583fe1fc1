"""Extreme-value estimates against published worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pitmap.depth.blue import blue_coefficients
from pitmap.depth.extremes import fit_gumbel, fit_pareto, plotting_positions, return_level

# Port Pirie annual maxima (65), R packages ismev, evd, texmex; Coles (2001), example 3.4.1.
PORT_PIRIE = np.array(
    """
    4.03, 3.83, 3.65, 3.88, 4.01, 4.08, 4.18, 3.80, 4.36, 3.96, 3.98, 4.69, 3.85, 3.96, 3.85, 3.93, 3.75,
    3.63, 3.57, 4.25, 3.97, 4.05, 4.24, 4.22, 3.73, 4.37, 4.06, 3.71, 3.96, 4.06, 4.55, 3.79, 3.89, 4.11,
    3.85, 3.86, 3.86, 4.21, 4.01, 4.11, 4.24, 3.96, 4.21, 3.74, 3.85, 3.88, 3.66, 4.11, 3.71, 4.18, 3.90,
    3.78, 3.91, 3.72, 4.00, 3.66, 3.62, 4.33, 4.55, 3.75, 4.08, 3.90, 3.88, 3.94, 4.33
    """.replace(",", " ").split(),
    float,
)

# Great Falls wind maxima, mph (34); Simiu & Scanlan, Wind Effects on Structures (attribution from memory).
GREAT_FALLS = np.array(
    """
    57, 65, 62, 58, 64, 65, 59, 65, 59, 60, 64, 65, 73, 60, 67, 50, 74, 60, 66, 55, 51, 60, 55, 60, 51, 51,
    62, 51, 54, 52, 59, 56, 52, 49
    """.replace(",", " ").split(),
    float,
)

# Daily rain over 30 mm, SW England, 17531 days, R ismev rain; Coles (2001), example 4.4.1.
RAIN = np.array(
    """
    30.2, 30.2, 30.2, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5, 30.5,
    30.7, 31.0, 31.0, 31.0, 31.2, 31.2, 31.2, 31.7, 31.8, 31.8, 31.8, 31.8, 31.8, 31.8, 31.8, 31.8, 31.8,
    31.8, 31.8, 32.0, 32.0, 32.0, 32.3, 32.3, 32.5, 32.5, 32.5, 32.8, 33.0, 33.0, 33.0, 33.0, 33.0, 33.0,
    33.0, 33.3, 33.5, 33.5, 33.5, 33.5, 33.5, 33.5, 33.8, 33.8, 34.0, 34.0, 34.0, 34.3, 34.3, 34.3, 34.3,
    34.3, 34.8, 34.8, 35.1, 35.3, 35.3, 35.3, 35.3, 35.3, 35.6, 35.6, 35.6, 35.6, 35.6, 35.6, 36.1, 36.3,
    36.3, 36.6, 36.6, 36.8, 36.8, 37.1, 37.3, 37.6, 37.6, 37.8, 38.1, 38.1, 38.1, 38.1, 38.1, 38.4, 38.4,
    39.1, 39.4, 39.4, 39.4, 39.4, 39.9, 40.1, 40.6, 40.9, 40.9, 41.9, 41.9, 42.4, 42.7, 42.9, 43.2, 43.4,
    44.2, 44.5, 44.5, 45.2, 45.7, 45.7, 45.7, 47.0, 47.0, 47.0, 47.5, 47.8, 47.8, 48.5, 48.5, 48.8, 51.3,
    51.3, 51.6, 53.3, 54.9, 55.4, 55.9, 55.9, 59.2, 59.4, 59.4, 67.3, 72.4, 76.7, 83.3, 85.3, 86.6
    """.replace(",", " ").split(),
    float,
)


def test_gumbel_ml_port_pirie():
    """Coles sec. 3.4 (from memory): 3.87, 0.195, 4.22; scipy, R evd and pyextremes agree on the digits below."""
    fit = fit_gumbel(PORT_PIRIE, "ml")
    assert (fit.u, fit.b, fit.log_likelihood) == pytest.approx((3.869444, 0.194889, 4.217682), abs=2e-6)
    live = stats.gumbel_r.fit(PORT_PIRIE)
    assert (fit.u, fit.b) == pytest.approx(live, abs=1e-4)


def test_gumbel_moments_and_l_moments_port_pirie():
    """Formulas of Gumbel (1958) and Hosking (1990); lmoments3 gives the same L-moment fit."""
    moments, l_moments = fit_gumbel(PORT_PIRIE, "moments"), fit_gumbel(PORT_PIRIE, "l-moments")
    assert (moments.u, moments.b) == pytest.approx((3.872372, 0.187527), abs=2e-6)
    assert (l_moments.u, l_moments.b) == pytest.approx((3.868491, 0.194251), abs=2e-6)


def test_gumbel_great_falls_levels_and_their_errors():
    """Published: 50-year 76 (error 3.7), 1000-year 91 (error 6.4) mph."""
    fit = fit_gumbel(GREAT_FALLS, "moments")
    assert GREAT_FALLS.mean() == pytest.approx(59.1471, abs=1e-4)
    for period, level, error in ((50, 75.766, 3.703), (1000, 90.788, 6.356)):
        found = return_level(fit, period)
        assert found == pytest.approx((level, error), abs=0.01)
    assert [round(return_level(fit, t)[0]) for t in (50, 1000)] == [76, 91]


@pytest.mark.parametrize(
    ("period", "reduced"),
    [(2, 0.366513), (5, 1.499940), (10, 2.250367), (50, 3.901939), (100, 4.600149), (500, 6.213607)],
)
def test_return_level_is_the_reduced_variate(period, reduced):
    """-ln(-ln(1 - 1/T)), tables of Gumbel (1958)."""
    fit = fit_gumbel([0.0, 1.0, 2.5], "ml")
    assert (return_level(fit, period)[0] - fit.u) / fit.b == pytest.approx(reduced, abs=1e-6)


BLUE = [
    (2, "location", "0.916373 0.083627"),
    (2, "scale", "-0.721348 0.721348"),
    (3, "location", "0.656320 0.255714 0.087966"),
    (3, "scale", "-0.630541 0.255816 0.374725"),
    (4, "location", "0.510998 0.263943 0.153680 0.071380"),
    (4, "scale", "-0.558619 0.085903 0.223919 0.248797"),
    (5, "location", "0.418934 0.246282 0.167609 0.108824 0.058350"),
    (5, "scale", "-0.503127 0.006534 0.130455 0.181656 0.184483"),
    (6, "location", "0.355450 0.225488 0.165620 0.121054 0.083522 0.048867"),
    (6, "scale", "-0.459273 -0.035992 0.073199 0.126724 0.149534 0.145807"),
    (
        10,
        "location",
        "0.222867 0.162308 0.133845 0.112868 0.095636 0.080618 0.066988 0.054193 0.041748 0.028929",
    ),
    (
        10,
        "scale",
        "-0.347830 -0.091158 -0.019210 0.022179 0.048671 0.066065 0.077021 0.082771 0.083552 0.077940",
    ),
]


@pytest.mark.parametrize(("n", "kind", "text"), BLUE)
def test_blue_coefficients_lieblein(n, kind, text):
    """Lieblein, NBSIR 74-602 (1974), recomputed from first principles; n = 10 agrees with the print (from memory)."""
    location, scale, _ = blue_coefficients(n)
    found = location if kind == "location" else scale
    assert found == pytest.approx([float(v) for v in text.split()], abs=2e-6)
    assert found.sum() == pytest.approx(1.0 if kind == "location" else 0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("n", "variances"),
    [
        (2, (0.659547, -0.064322, 0.711857)),
        (5, (0.231395, 0.033991, 0.166647)),
        (10, (0.112973, 0.021976, 0.071573)),
    ],
)
def test_blue_variances_lieblein(n, variances):
    assert blue_coefficients(n)[2] == pytest.approx(variances, abs=2e-6)


def test_gumbel_first_ten_port_pirie_three_ways():
    ten = PORT_PIRIE[:10]
    expected = {"blue": (3.874492, 0.191320), "ml": (3.884138, 0.173530), "moments": (3.886506, 0.158509)}
    for method, values in expected.items():
        fit = fit_gumbel(ten, method)
        assert (fit.u, fit.b) == pytest.approx(values, abs=2e-6)


def test_gumbel_over_patches_is_exact():
    """Max-stability: u + b ln T; u = 10, b = 2, T = 50."""
    fit = fit_gumbel([0.0, 1.0], "ml")
    far = type(fit)(u=10.0, b=2.0, n=2, method="ml", covariance=(0, 0, 0), log_likelihood=0.0).over(50)
    assert (far.u, far.median, far.mean) == pytest.approx((17.824046, 18.557072, 18.978477), abs=1e-6)
    assert float(far.quantile(0.5)) == pytest.approx(far.median)


def test_pareto_rain():
    """Coles (2001) pp. 84-86: scale 7.44, shape 0.184; covariance 0.9188, -0.0655, 0.0102; level 106.34 (65.62, 147.06)."""
    assert len(RAIN) == 152
    fit = fit_pareto(RAIN, 30.0, n_all=17531)
    assert (fit.scale, fit.shape) == pytest.approx((7.440248, 0.184496), abs=2e-4)
    assert fit.log_likelihood == pytest.approx(-485.0937, abs=1e-4)
    assert fit.covariance == pytest.approx((0.9188, -0.0655, 0.0102), rel=0.01)
    level = fit.level(36500)
    assert level.value == pytest.approx(106.34, abs=0.05)
    assert (level.low, level.high) == pytest.approx((65.62, 147.06), abs=0.3)
    c, _, scale = stats.genpareto.fit(RAIN - 30.0, floc=0)
    assert (fit.scale, fit.shape) == pytest.approx((scale, c), abs=2e-3)


@pytest.mark.parametrize("a", [0.0, 0.5, 0.375, 0.4, 0.44, 1 / 3, 0.3])
def test_plotting_positions(a):
    """scipy.stats.mstats.plotting_positions, run live: Weibull, Hazen, Blom, Cunnane, Gringorten, Tukey, Benard."""
    x = np.arange(1.0, 13.0)
    assert plotting_positions(12, a) == pytest.approx(
        np.asarray(stats.mstats.plotting_positions(x, a, a)), abs=1e-12
    )
    assert plotting_positions(12)[0] == pytest.approx(1 / 13)


def test_gumbel_predict_covers_the_deepest():
    """90 % interval of the deepest over 20 patches from 15 readings, 600 trials: two sampling errors are 2.4 %."""
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(600):
        e = fit_gumbel(rng.gumbel(30, 8, 15), "ml").predict(20)
        hits += e.low <= rng.gumbel(30 + 8 * math.log(20), 8) <= e.high
    assert 0.84 <= hits / 600 <= 0.96
