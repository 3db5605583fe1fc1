"""Gage R&R and limits of agreement against published worked examples."""

import sys

import numpy as np
import pandas as pd
import pytest

from pitmap.compare import gage_anova, gage_average_range

# AIAG, Measurement Systems Analysis, 4th edition (2010), figures III-B 6 and III-B 15: 10 parts,
# 3 appraisers, 3 trials. Data as reprinted in public test files after McNeese (2015).
AIAG = """\
A,1,0.29,-0.56,1.34,0.47,-0.80,0.02,0.59,-0.31,2.26,-1.36
A,2,0.41,-0.68,1.17,0.50,-0.92,-0.11,0.75,-0.20,1.99,-1.25
A,3,0.64,-0.58,1.27,0.64,-0.84,-0.21,0.66,-0.17,2.01,-1.31
B,1,0.08,-0.47,1.19,0.01,-0.56,-0.20,0.47,-0.63,1.80,-1.68
B,2,0.25,-1.22,0.94,1.03,-1.20,0.22,0.55,0.08,2.12,-1.62
B,3,0.07,-0.68,1.34,0.20,-1.28,0.06,0.83,-0.34,2.19,-1.50
C,1,0.04,-1.38,0.88,0.14,-1.46,-0.29,0.02,-0.46,1.77,-1.49
C,2,-0.11,-1.13,1.09,0.20,-1.07,-0.67,0.01,-0.56,1.45,-1.77
C,3,-0.15,-0.96,0.67,0.11,-1.45,-0.49,0.21,-0.49,1.87,-2.16
"""

# Cano, Moguerza and Redchuk, Six Sigma with R (Springer 2012), chapter 5; expected values from the tests of
# the CRAN package SixSigma (ss.data.rr).
SIX_SIGMA = """\
1,1,1.27,0.90,1.09
2,1,1.12,1.09,1.15
3,1,1.73,1.28,1.77
1,2,1.34,1.32,1.27
2,2,1.24,1.00,1.14
3,2,1.64,1.65,1.77
1,3,1.09,1.26,1.09
2,3,1.48,1.15,1.15
3,3,1.64,1.44,1.68
"""


@pytest.fixture
def aiag():
    rows = []
    for line in AIAG.split():
        operator, trial, *values = line.split(",")
        for part, value in enumerate(values, 1):
            rows.append({"part": part, "operator": operator, "trial": int(trial), "value": float(value)})
    return pd.DataFrame(rows)


@pytest.fixture
def six_sigma():
    rows = []
    for line in SIX_SIGMA.split():
        part, operator, *values = line.split(",")
        for trial, value in enumerate(values, 1):
            rows.append({"part": part, "operator": operator, "trial": trial, "value": float(value)})
    return pd.DataFrame(rows)


def test_aiag_anova_table(aiag):
    table = gage_anova(aiag).anova
    assert table["ss"].tolist() == pytest.approx([88.3619, 3.1673, 0.3590, 2.7589, 94.6471], abs=5e-4)
    assert table["ms"].iloc[[0, 1, 3]].tolist() == pytest.approx([9.81799, 1.58363, 0.04598], abs=1e-5)
    assert table["df"].tolist() == [9, 2, 18, 60, 89]
    assert table.loc["interaction", "f"] == pytest.approx(0.434, abs=5e-4)
    assert table.loc["interaction", "p"] == pytest.approx(0.974, abs=5e-4)


def test_aiag_anova_pooled_components(aiag):
    result = gage_anova(aiag)
    assert result.is_pooled
    variance = result.components["variance"]
    assert variance["repeatability"] == pytest.approx(0.0400, abs=5e-5)
    assert variance["reproducibility"] == pytest.approx(0.0515, abs=5e-5)
    assert variance["grr"] == pytest.approx(0.0914, abs=5e-5)
    assert variance["part"] == pytest.approx(1.086, abs=5e-4)
    sd = result.components["sd"]
    # Recomputed with statsmodels' sums of squares.
    assert sd[["repeatability", "reproducibility", "grr", "part", "total"]].tolist() == pytest.approx(
        [0.199933, 0.226838, 0.302372, 1.042327, 1.085300], abs=1e-6
    )
    assert 100 * result.components.loc["grr", "share_study"] == pytest.approx(27.86, abs=0.02)
    assert result.ndc == 4


def test_aiag_anova_without_pooling(aiag):
    result = gage_anova(aiag, alpha=0.99)
    assert not result.is_pooled
    assert result.components.loc["grr", "sd"] == pytest.approx(0.313217, abs=1e-6)
    assert 100 * result.components.loc["grr", "share_study"] == pytest.approx(28.752, abs=1e-3)
    assert result.ndc == 4


def test_aiag_average_and_range(aiag):
    result = gage_average_range(aiag)
    sd = result.components["sd"]
    order = ["repeatability", "reproducibility", "grr", "part", "total"]
    assert sd[order].tolist() == pytest.approx([0.202, 0.230, 0.306, 1.105, 1.146], abs=5e-4)
    assert sd[order].tolist() == pytest.approx([0.20186, 0.22967, 0.30577, 1.10460, 1.14613], abs=5e-5)
    share = 100 * result.components["share_study"]
    assert share[order[:4]].tolist() == pytest.approx([17.61, 20.04, 26.68, 96.37], abs=0.02)
    assert result.ndc == 5


def test_average_and_range_constants_are_those_of_normal_ranges():
    # K1 is 1/d2, the mean range of n normal values; K2 and K3 are 1/d2*, the root mean square of one range of n
    # (Patnaik, Biometrika 37 (1950) 78-87, from memory). Both moments of a range follow from the normal law alone.
    from scipy.special import ndtr

    from pitmap.compare import study

    x = np.linspace(-8.0, 8.0, 1601)
    step, below = x[1] - x[0], ndtr(x)
    upper = np.triu(np.ones((len(x), len(x))), 1) + np.eye(len(x)) / 2  # y over x; the diagonal counts half

    def mean_range(n):
        return float((1 - below**n - (1 - below) ** n).sum() * step)

    def mean_square_range(n):
        inside = np.maximum(below[None, :] - below[:, None], 0.0) ** n
        tail = 1 - below[None, :] ** n - (1 - below[:, None]) ** n + inside
        return 2 * float((tail * upper).sum() * step * step)

    module = sys.modules[study.__module__]
    for n, k in module._K1.items():
        assert k == pytest.approx(1 / mean_range(n), abs=6e-5)
    for n, k in {**module._K2, **module._K3}.items():
        assert k == pytest.approx(1 / np.sqrt(mean_square_range(n)), abs=6e-5)


def test_six_sigma_study(six_sigma):
    result = gage_anova(six_sigma)
    table = result.anova
    assert table["ss"].tolist() == pytest.approx([1.2007, 0.0529, 0.0834, 0.3854, 1.7225], abs=1e-4)
    assert table.loc["parts", "f"] == pytest.approx(28.797, abs=1e-3)
    assert table.loc["operators", "f"] == pytest.approx(1.270, abs=1e-3)
    assert table.loc["interaction", "f"] == pytest.approx(0.974, abs=1e-3)
    assert table.loc["interaction", "p"] == pytest.approx(0.44619, abs=1e-5)
    assert result.is_pooled
    sd = result.components["sd"]
    order = ["grr", "repeatability", "reproducibility", "part", "total"]
    assert sd[order].tolist() == pytest.approx(
        [0.14792656, 0.14597518, 0.02394813, 0.25365123, 0.29363449], abs=1e-8
    )
    variance = result.components["variance"]
    assert variance[order[:4]].tolist() == pytest.approx([0.0219, 0.0213, 0.0006, 0.0643], abs=1e-4)
    assert (100 * result.components["share_variance"])[order[:4]].tolist() == pytest.approx(
        [25.38, 24.71, 0.67, 74.62], abs=0.01
    )
    assert (100 * result.components["share_study"])[order[:4]].tolist() == pytest.approx(
        [50.38, 49.71, 8.16, 86.38], abs=0.01
    )
    assert result.ndc == 2


def test_sums_of_squares_agree_with_statsmodels(six_sigma):
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    model = ols(
        "value ~ C(part) * C(operator)", six_sigma.assign(operator=six_sigma["operator"].astype(str))
    ).fit()
    theirs = anova_lm(model)["sum_sq"]
    ours = gage_anova(six_sigma).anova["ss"].iloc[:4]
    assert ours.tolist() == pytest.approx(theirs.tolist(), rel=1e-9)


def test_limits_of_agreement_published():
    # Bland and Altman, Lancet 1986 i 307-310, peak-flow data of 17 subjects (from memory):
    # mean difference -2.1, SD 38.8, limits (2 SD) -79.7 to 75.5.
    from pitmap.compare import limits_of_agreement

    large = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
    mini = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])
    result = limits_of_agreement(large, mini, factor=2.0)
    assert result.mean == pytest.approx(-2.1, abs=0.05)
    assert result.sd == pytest.approx(38.8, abs=0.05)
    assert (result.low, result.high) == (pytest.approx(-79.7, abs=0.1), pytest.approx(75.5, abs=0.1))
