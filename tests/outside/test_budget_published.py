"""Uncertainty budgets, units and conformity against the GUM, NIST SP 811 and JCGM 106."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from scipy.special import ndtr

from pitmap.depth import removed_from_thickness
from pitmap.estimate import Estimate
from pitmap.stock import Limit, LimitSheet, judge, stock_budget
from pitmap.stock.gap import joint_gap_of_dips
from pitmap.stock.time import LapStep, lap_rate
from pitmap.units import parse_length


def test_gum_h1_root_sum_of_squares_through_the_joint_gap():
    """JCGM 100:2008 H.1: 25, 9.7, 2.9 and 16.6 nm combine to 32 nm (31.66 by GTC 1.5.1).

    The gap that every plan is judged by combines the errors of both dips; it is fed two of them at a time, as nanometres
    in place of micrometres.
    """
    z90 = 1.6448536269514722

    def combine(a, b):
        e = joint_gap_of_dips(Estimate.from_sd(1e6, a), Estimate.from_sd(1e6, b)).gap_um
        return (e.high - e.low) / (2 * z90)

    temperature = combine(2.9, 16.6)
    assert combine(combine(25.0, 9.7), temperature) == pytest.approx(31.66, abs=0.05)
    # d: repeated observations 5.8, comparator random 3.9 and systematic 6.7 nm give its 9.7.
    assert combine(combine(5.8, 3.9), 6.7) == pytest.approx(9.7, abs=0.05)


def test_budget_adds_variances():
    """The same rule in the stock budget: 3 um of thickness error and 4 um of history give 5 um."""
    z90 = 1.6448536269514722
    sheet = LimitSheet(entries={"stock_removed_before": Limit(value=50, source="old record", uncertainty=4)})
    zero = Estimate(value=0, low=0, high=0)
    removed = Estimate(value=20, low=20 - 3 * z90, high=20 + 3 * z90)
    (line,) = stock_budget(sheet, removed, zero)
    assert line.now.value == pytest.approx(70)
    assert (line.now.high - line.now.low) / (2 * z90) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("text", "um"),
    [("1 in", 25400.0), ("1 thou", 25.4), ("1 mil", 25.4), ("1 microinch", 0.0254), ("0.03937 thou", 1.0), ("0.001 mm", 1.0),
     ("0.003 in", 76.2)],
)  # fmt: skip
def test_units_exact(text, um):
    """1 in = 25.4 mm exactly (international inch; NIST SP 811, from memory)."""
    assert parse_length(text, to="um") == pytest.approx(um, rel=1e-5)


@pytest.mark.parametrize(
    ("chance", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_conformity_quantiles(chance, z):
    """JCGM 106:2012 sec. 7.3, Table 1 (from memory): one-sided chance of meeting a limit at z = (limit - value)/u."""
    assert ndtr(z) == pytest.approx(chance, abs=2.5e-3)
    # A value z standard deviations inside, with the interval of that one-sided level, just passes.
    just = Estimate(value=100 - 1.001 * z * 10, low=0, high=100 - 0.001 * z * 10, level=2 * chance - 1)
    assert judge(just, 100.0, is_minimum=False) == "pass"


@pytest.mark.parametrize(
    ("value", "expected"), [(0.070, "pass"), (0.090, "watch"), (0.105, "stop"), (0.130, "stop")]
)
def test_decision_rule_iso_14253(value, expected):
    """ISO 14253-1 (read in part): limit 0.100, U = 0.020. Inside by U proves conformity; between, neither is proven.

    A value beyond the limit is called stop even where U reaches back inside: the safe side (house choice).
    """
    assert (
        judge(Estimate(value=value, low=value - 0.02, high=value + 0.02), 0.100, is_minimum=False) == expected
    )


def test_lap_stock_from_mass():
    """h = mass/(density x area) with Preston's form (F. W. Preston 1927): 10 g off 400 cm2 at 7.2 g/cm3 is 34.7222 um.

    The rate of such a pass is stock over minutes; twice the load cuts twice as fast.
    """
    stock = 10 / (7.2 * 400) * 1e4
    assert stock == pytest.approx(34.7222, abs=1e-4)
    assert lap_rate([LapStep(minutes=10, stock_um=stock, stock_sd_um=1)]).value == pytest.approx(
        3.47222, abs=1e-5
    )
    assert lap_rate([LapStep(minutes=10, stock_um=stock, stock_sd_um=1, load=2)]).value == pytest.approx(
        1.73611, abs=1e-5
    )


def test_mean_of_spots_is_root_n():
    """GUM 4.2.3: the error of a mean of n equal readings is u / sqrt(n)."""
    spots = pd.DataFrame(
        {"x_mm": [0.0, 10.0], "y_mm": 0.0, "value_um": [9000.0, 9000.0], "uncertainty_um": 3.0}
    )
    removed = removed_from_thickness(spots, spots.assign(value_um=8980.0))
    assert float(removed.sd_at((0, 0))) == pytest.approx(3 * math.sqrt(2) / math.sqrt(2))
