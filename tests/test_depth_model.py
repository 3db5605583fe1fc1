"""The pit-depth model: likelihood, draws, what is enough, what to read next."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import gumbel_l, norm

from pitmap.classes import Stage
from pitmap.depth import DEPTHS, PARAMETERS, fit_depths, next_readings, readings_from_rows
from pitmap.depth.likelihood import Likelihood
from pitmap.depth.pit_data import collect
from pitmap.depth.pit_words import PitWords
from pitmap.depth.posterior import curvature
from pitmap.depth.predict import draw_depths
from pitmap.depth.scatter import NORMAL, WEIBULL
from pitmap.depth.zones import zones_near
from pitmap.errors import InputError, NotEnoughData
from pitmap.flags import Flag

DIAMETERS = (0.5, 0.8, 1.0, 1.4, 2.0, 2.6, 3.1, 3.6)
DEPTHS_UM = (18.0, 31.0, 24.0, 45.0, 40.0, 61.0, 52.0, 78.0)


def _marks(diameters=DIAMETERS, zone="seal_land"):
    n = len(diameters)
    return pd.DataFrame(
        {
            "mark_id": np.arange(1, n + 1), "x_mm": 10.0 * np.arange(n), "y_mm": 5.0, "zone": zone,
            "eq_diam_mm": np.asarray(diameters, float),
        }
    )  # fmt: skip


def _readings(depths, sd=5.0, first=1, **changes):
    return readings_from_rows(
        {
            "stage": "intake",
            "kind": "pit_depth",
            "mark": i,
            "value": d,
            "unit": "um",
            "uncertainty": sd,
            **changes,
        }
        for i, d in enumerate(depths, first)
    ).table


def _bounds(n, lo, hi, lo_survey=0, hi_survey=1, seen_from=0.0):
    lo, hi = np.broadcast_to(np.asarray(lo, float), n), np.broadcast_to(np.asarray(hi, float), n)
    return pd.DataFrame(
        {
            "pit_id": np.arange(1, n + 1), "deeper_than_um": lo, "deeper_survey": lo_survey,
            "seen_from_um": seen_from, "first_survey": 0, "shallower_than_um": hi,
            "shallower_survey": np.where(np.isfinite(hi), hi_survey, -1),
        }
    )  # fmt: skip


def _rng(seed=1):
    return np.random.default_rng(seed)


def _fit(marks, readings, bounds=None, seed=1, **changes):
    return fit_depths(marks, readings, bounds, rng=_rng(seed), **changes)


def test_likelihood_of_lap_steps_is_the_chance_between():
    data = collect(
        _marks((1.0, 1.0)), _readings([]), _bounds(2, [20, 20], [40, np.inf]), np.array([0.0, 0.0])
    )
    theta = np.array([[math.log(30), 0.5, math.log(0.5)]])
    # Phi(0.575364) - Phi(-0.810930) and 1 - Phi(-0.810930), from a table of the normal law.
    assert Likelihood(data)(theta)[0] == pytest.approx(
        math.log(0.717479 - 0.208703) + math.log(1 - 0.208703), abs=1e-5
    )
    # Weibull with the same mean and spread of log depth; shape pi/(sqrt(6) 0.5) = 2.565099.
    scale = 30 * math.exp(0.5772156649 * 0.5 * math.sqrt(6) / math.pi)
    lower, upper = ((d / scale) ** 2.565099 for d in (20, 40))
    expected = math.log(math.exp(-lower) - math.exp(-upper)) - lower
    assert Likelihood(data, WEIBULL)(theta)[0] == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(
    ("hidden_mm", "seen_from", "deepest", "moved"),
    [
        # a cone of 0.6 mm whose hole is 0.3 mm wide when the map loses it has half of its depth at first sight left: one
        # of 70 um, first seen with 10 off, had 60 left, and has 30 left with 40 off. With 12 and 46 off: (46 - 6) / 0.5
        (0.3, 10.0, 70.0, 80.0),
        # seen from the start: 40 / 0.5, and 46 / 0.5
        (0.3, 0.0, 80.0, 92.0),
        # no hole can be left: the bound is the stock itself
        (0.0, 10.0, 40.0, 46.0),
        # seen with no less off than it was gone after: no cone tells more than the stock
        (0.3, 45.0, 40.0, 46.0),
    ],
)
def test_the_bound_of_a_pit_with_a_hole_left_is_as_far_off_as_the_stock_behind_it_makes_it(
    hidden_mm, seen_from, deepest, moved
):
    """6 um more off when it was gone and 2 um more when it was first seen: three and one standard deviations of 2 um."""
    bounds = _bounds(1, 0, 40, seen_from=seen_from)
    data = collect(_marks((0.6,)), _readings([]), bounds, np.array([2.0, 2.0]), hidden_mm=hidden_mm)
    assert data.hi[0] == pytest.approx(deepest)
    likelihood = Likelihood(data)
    error = {"stock error 0": 1.0, "stock error 1": 3.0}
    theta = np.array([[error.get(name, 0.0) for name in likelihood.names]])
    assert likelihood.bounds(theta, np.array([0]))[1][0, 0] == pytest.approx(moved)


@pytest.mark.parametrize(("reading", "counts"), [(102.0, False), (107.0, True)])
def test_a_reading_over_the_bound_of_a_pit_with_a_hole_left_is_held_against_all_of_its_error(reading, counts):
    """Gone with 40 um off, give or take 3, a cone of 0.6 mm is 80 um deep at most with 0.3 mm of it left, give or take 6.

    Of a gauge that is off by 2 um the reading counts against the map from 4 sqrt(6^2 + 2^2) = 25.3 um over that.
    """
    marks, readings = _marks((0.6,)), _readings([reading], sd=2.0)
    data = collect(marks, readings, _bounds(1, 0, 40), np.array([0.0, 3.0]), np.zeros(1, int), hidden_mm=0.3)
    assert bool(data.flags[0] & Flag.CONTRADICTION) is counts
    assert math.isinf(data.hi[0]) is counts


def test_lap_steps_teach_of_wide_pits_alone_and_take_both_ends_at_one_word():
    """Gone with 40 um off, and there with 20: of pits of 1.2 mm, of which a hole of 0.3 mm hides a quarter of the depth.

    With room for a hole under what is gone and none under what is there, 200 pits looked deep and alike, and the stock for
    the deepest came out too small on two faces of three. Of pits of 0.6 mm, half of whose depth may hide, neither counts.
    """
    theta = np.array([[math.log(30), 0.0, math.log(0.5)]])
    ends = _bounds(2, [0, 20], [40, np.inf])

    def told(*diameters_mm):
        data = collect(_marks(diameters_mm), _readings([]), ends, np.array([0.0, 0.0]), hidden_mm=0.3)
        return Likelihood(data)(theta)[0]

    # P(d <= 40) = 0.717479 and P(d > 20) = 1 - 0.208703 of a log-normal about 30 um with 0.5
    assert told(1.2, 1.2) == pytest.approx(math.log(0.717479) + math.log(1 - 0.208703), abs=1e-5)
    assert told(0.6, 0.6) == 0.0
    assert told(0.6, 1.2) == pytest.approx(math.log(1 - 0.208703), abs=1e-5)


def test_likelihood_of_a_pit_that_came_late_into_sight():
    """Left truncation: of pits first seen after 20 um nobody knows the shallower ones."""
    theta = np.array([[math.log(30), 0.5, math.log(0.5)]])
    late = _bounds(2, [20, 20], [40, np.inf], seen_from=20.0)
    data = collect(_marks((1.0, 1.0)), _readings([]), late, np.array([0.0, 0.0]))
    # P(20 < d <= 40) / P(d > 20), and 1 for the pit that is still there.
    assert Likelihood(data)(theta)[0] == pytest.approx(
        math.log((0.717479 - 0.208703) / (1 - 0.208703)), abs=1e-5
    )
    read = collect(
        _marks((1.0,)), _readings([30.0], sd=0.05), _bounds(1, 20, np.inf, seen_from=20.0), np.zeros(2)
    )
    plain = -math.log(30 * 0.5 * math.sqrt(2 * math.pi))
    assert Likelihood(read)(theta)[0] == pytest.approx(plain - math.log(1 - 0.208703), abs=1e-4)


def test_likelihood_of_a_reading_without_error_is_the_density():
    data = collect(_marks((1.0,)), _readings([30.0], sd=0.05), None, np.empty(0))
    theta = np.array([[math.log(30), 0.5, math.log(0.5)]])
    assert Likelihood(data)(theta)[0] == pytest.approx(-math.log(30 * 0.5 * math.sqrt(2 * math.pi)), abs=1e-4)


def test_likelihood_of_a_needle_that_stuck():
    data = collect(_marks((1.0,)), _readings([20.0], sd=0.05, lower_bound="yes"), None, np.empty(0))
    theta = np.array([[math.log(30), 0.5, math.log(0.5)]])
    assert Likelihood(data)(theta)[0] == pytest.approx(math.log(1 - 0.208703), abs=1e-3)


@pytest.mark.parametrize("law", [NORMAL, WEIBULL])
def test_likelihood_of_a_pit_first_seen_after_stock_came_off_is_never_over_that_of_its_reading(law):
    """One reading with error u can say no more than log of 1 / (u sqrt(2 pi)), however far out in its tail a law is."""
    bounds = _bounds(1, 22, [np.inf]).assign(seen_from_um=22.0, deeper_survey=0, first_survey=0)
    data = collect(_marks((2.0,)), _readings([42.0], sd=8), bounds, np.array([1.5]), np.array([0]))
    rng = np.random.default_rng(3)
    theta = np.column_stack(
        [rng.uniform(0, 5, 400), rng.uniform(-1, 2, 400), rng.uniform(-3, 1, 400), rng.normal(size=400)]
    )
    found = Likelihood(data, law)(theta)
    assert np.isfinite(found).all()
    assert found.max() <= -math.log(8 * math.sqrt(2 * math.pi))
    # Against the integral by quadrature, at places where every number is large enough to be trusted: with the stock as it
    # was said, and with 3 um more of it, by which the step, the first sight and the reading lie deeper together.
    for error in (0.0, 2.0):
        more = 1.5 * error
        at = np.array([[math.log(30), 0.5, math.log(0.4), error]])
        mean, sigma = math.log(30) + 0.5 * math.log(2), 0.4
        depth = np.linspace(22 + more, 90, 400_001)
        z = (np.log(depth) - mean) / sigma
        density = np.diff(np.exp(law.log_chance_between(np.full_like(z, -np.inf), z))) / np.diff(depth)
        middle = (depth[1:] + depth[:-1]) / 2
        reading = np.exp(-0.5 * ((middle - 42 - more) / 8) ** 2) / (8 * math.sqrt(2 * math.pi))
        seen = math.exp(law.log_chance_between(z[:1], np.array([np.inf]))[0])
        wanted = math.log((density * reading).sum() * (depth[1] - depth[0]) / seen)
        assert Likelihood(data, law)(at)[0] == pytest.approx(wanted, abs=2e-3)


@pytest.mark.parametrize("law", [NORMAL, WEIBULL])
def test_scatter_has_mean_0_and_sd_1(law):
    z = law.quantile_between((np.arange(200_000) + 0.5) / 200_000, np.array(-np.inf), np.array(np.inf))
    assert z.mean() == pytest.approx(0, abs=1e-3)
    assert z.std() == pytest.approx(1, abs=1e-3)
    assert law.log_chance_between(np.array(9.0), np.array(9.5)) < math.log(1e-6)
    assert law.quantile_between(np.array(0.5), np.array(2.0), np.array(2.1)) == pytest.approx(2.05, abs=0.02)


@pytest.mark.parametrize(("low", "high"), [(9.0, 9.5), (-9.5, -9.0), (38.0, 39.0), (-39.0, -38.0)])
def test_tails_of_the_normal_law_keep_their_figures(low, high):
    """Against scipy's survival function; a difference of two chances near 1 is nothing from eight on."""
    a, b = sorted(abs(v) for v in (low, high))
    beyond_a, beyond_b = norm.logsf(a), norm.logsf(b)
    chance = beyond_a + math.log1p(-math.exp(beyond_b - beyond_a))
    assert NORMAL.log_chance_between(np.array(low), np.array(high)) == pytest.approx(chance, rel=1e-9)
    if a < 30:
        # half of that chance lies on either side of the median
        median = math.copysign(norm.isf((math.exp(beyond_a) + math.exp(beyond_b)) / 2), low)
        assert NORMAL.quantile_between(np.array(0.5), np.array(low), np.array(high)) == pytest.approx(median)


_EDGES = np.array([-np.inf, -39.0, -38.0, -9.5, -1.0, -0.1, 0.0, 0.2, 0.2, 3.0, 9.0, 9.5, 38.0, np.inf])


@pytest.mark.parametrize(
    ("law", "told"),
    [
        (NORMAL, norm()),
        (WEIBULL, gumbel_l(loc=np.euler_gamma * math.sqrt(6) / math.pi, scale=math.sqrt(6) / math.pi)),
    ],
    ids=["normal", "weibull"],
)
def test_chances_of_cells_are_those_of_scipy(law, told):
    """In both tails, about 0, and of a cell of no width; scipy's logsf and logcdf, from whichever side is the smaller."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        above, below = told.logsf(_EDGES), told.logcdf(_EDGES)
        from_above = above[:-1] + np.log(-np.expm1(above[1:] - above[:-1]))
        from_below = below[1:] + np.log(-np.expm1(below[:-1] - below[1:]))
    wanted = np.where(_EDGES[1:] <= 0, from_below, from_above)
    found = law.log_chance_of_cells(np.stack([_EDGES, _EDGES]))
    assert found.shape == (2, len(_EDGES) - 1)
    certain = wanted > math.log(1e-300) if law is WEIBULL else wanted != -np.inf
    assert found[0][certain] == pytest.approx(wanted[certain], rel=1e-9)
    assert (found[0][~certain] < math.log(1e-299)).all()
    assert (found[0] == found[1]).all()


@pytest.mark.parametrize("law", [NORMAL, WEIBULL])
@pytest.mark.parametrize("basis", ["steps", "read", "at least"])
def test_draws_of_a_depth_have_the_quantiles_of_its_density(law, basis):
    """Between 25 and 60 um by the lap steps; with a reading of 35 um, or a needle that stuck at 45 um, 8 um in doubt.

    Against the density summed over 35,000 cells. 20,000 draws leave each quantile in doubt by 0.4 of 100: 0.3 um.
    """
    readings = {"steps": [], "read": [35.0], "at least": [45.0]}[basis]
    stuck = {"lower_bound": "yes"} if basis == "at least" else {}
    bounds = _bounds(1, 25, [60])
    data = collect(_marks((2.0,)), _readings(readings, sd=8.0, **stuck), bounds, np.array([0.0, 0.0]))
    theta = np.tile([math.log(30), 0.5, math.log(0.4)], (20_000, 1))
    drawn = draw_depths(Likelihood(data, law), theta, _rng())[:, 0]
    edges = np.linspace(25, 60, 35_001)
    z = (np.log(edges) - math.log(30) - 0.5 * math.log(2)) / 0.4
    chance = np.exp(law.log_chance_between(z[:-1], z[1:]))
    middle = (edges[1:] + edges[:-1]) / 2
    if readings:
        off = (middle - readings[0]) / 8
        chance *= norm.cdf(off) if stuck else norm.pdf(off)
    share = np.cumsum(chance) / chance.sum()
    for q in (0.05, 0.25, 0.5, 0.75, 0.95):
        assert np.quantile(drawn, q) == pytest.approx(middle[np.searchsorted(share, q)], abs=0.9)


def test_curvature_is_that_of_a_bowl():
    """-(2 x^2 + 3 x y + 4 y^2) + 5 x at (1, -1): slopes of 4 and 5, curved by -4 and -8, and by -3 between."""

    def bowl(at):
        x, y = at.T
        return -(2 * x**2 + 3 * x * y + 4 * y**2) + 5 * x

    gradient, hessian = curvature(bowl, np.array([1.0, -1.0]), np.array([0.01, 0.02]))
    assert gradient == pytest.approx([4.0, 5.0])
    assert hessian == pytest.approx(np.array([[-4.0, -3.0], [-3.0, -8.0]]))


def test_metal_between_two_planes_is_in_doubt_as_a_uniform_law_is():
    """10 to 22 um below the plane: 16 um more, in doubt by 12 / sqrt 12 = 3.46 um, and by the gauge's 2: 4 in all."""
    data = collect(
        _marks((1.0,)),
        _readings([30.0], sd=2.0),
        None,
        np.zeros(1),
        np.zeros(1, int),
        None,
        np.array([[10.0, 22.0]]),
    )
    assert (data.read_y[0], data.read_u[0]) == pytest.approx((46.0, 4.0))


def test_words_tell_a_depth_as_the_gauge_would_on_the_face_of_that_survey():
    """10 um came off at the first pit and 30 at the second, before the test lap's survey."""
    stages = (Stage("intake"), Stage("test_lap"))
    words = PitWords(
        marks={(1, 0): 7, (1, 1): 4, (2, 0): 9}, stages=stages, stock_um=np.array([[0, 10], [0, 30]])
    )
    assert [words.read(50, pit, 1) for pit in (1, 2)] == ["40 um", "20 um"]
    assert (words.read(50, 2, 0), words.read(20, 2, 1), words.read(50, 1, -1)) == ("50 um", "0 um", "50 um")
    assert words.pit(1, 1) == "pit 4 of the map after the test lap"
    assert words.pit(1, 0) == "pit 4 of the map after the test lap (number 7 at intake)"
    assert words.pit(2, 1) == "pit 9 of the map at intake"
    assert words.pit(3) == "pit 3"


def test_a_pit_wider_or_narrower_than_any_that_is_known_is_flagged():
    model = _fit(
        _marks(), _readings(DEPTHS_UM[:3]).assign(mark_id=[3, 5, 6])
    )  # 1.0, 2.0 and 2.6 mm; 1.4 lies between
    flagged = (model.depths["flags"] & int(Flag.EXTRAPOLATED)).astype(bool)
    assert flagged.tolist() == [True, True, False, False, False, False, True, True]


def test_fit_depths_tables_and_order():
    model = _fit(_marks(), _readings(DEPTHS_UM[:5]))
    assert DEPTHS.check(model.depths) is model.depths
    assert PARAMETERS.check(model.parameters) is model.parameters
    assert model.depths["basis"].tolist() == ["read"] * 5 + ["predicted from its size"] * 3
    assert (model.depths["depth_low_um"] <= model.depths["depth_um"]).all()
    assert model.depths["p_deepest"].sum() == pytest.approx(1)
    assert Flag(model.depths["flags"].iat[7]) == Flag.EXTRAPOLATED
    assert Flag(model.depths["flags"].iat[2]) == Flag.NONE
    assert sum(model.law_weights.values()) == pytest.approx(1)


def test_fit_depths_all_read_is_the_largest_reading():
    model = _fit(_marks(), _readings(DEPTHS_UM, sd=1.0))
    deepest = model.deepest()
    # 78 +- 1.645 and the next deepest far below: the prior moves it by much less than the gauge's error.
    assert deepest.value == pytest.approx(78, abs=0.5)
    assert (deepest.low, deepest.high) == (pytest.approx(76.4, abs=0.5), pytest.approx(79.6, abs=0.5))


def test_fit_depths_keeps_inside_the_steps():
    model = _fit(_marks(), _readings([]), _bounds(8, 20, [35] * 6 + [np.inf] * 2))
    assert (model.draws_um[:, :6] > 20).all()
    assert (model.draws_um[:, :6] <= 35).all()
    assert (model.draws_um[:, 6:] > 20).all()
    assert model.depths["basis"].tolist() == ["lap steps"] * 8


def test_fit_depths_error_of_the_stock_is_common_to_a_step():
    model = _fit(_marks(), _readings([]), _bounds(8, 20, 35), stock_sd_um=[3.0, 3.0])
    upper = model.draws_um.max(axis=1)
    # One draw: all pits lie under one and the same true step.
    assert (upper <= 35 + model.stock_error_um[:, 1] + 1e-3).all()
    assert 2 < model.stock_error_um[:, 0].std() < 3.5


def test_fit_depths_stock_of_a_survey_that_bounds_nothing_keeps_its_error():
    model = _fit(_marks(), _readings(DEPTHS_UM), stock_sd_um=[0.0, 8.0])
    assert model.stock_error_um[:, 0].tolist() == [0.0] * len(model.draws_um)
    # 1,000 draws: the standard deviation is known to 2.2 %.
    assert model.stock_error_um[:, 1].std() == pytest.approx(8.0, rel=0.07)


def test_fit_depths_not_enough_says_how_many():
    model = _fit(_marks(), _readings(DEPTHS_UM[:2]))
    assert "read 1 more" in model.not_enough
    assert not model.deepest().is_known
    assert "not enough readings" in model.deepest().reason
    assert _fit(_marks(), _readings(DEPTHS_UM[:2]), _bounds(8, 0, [np.inf] * 7 + [40])).not_enough == ""
    # Two pits, both read: nothing is left to be predicted.
    assert _fit(_marks((1.0, 2.0)), _readings([20.0, 30.0])).deepest().is_known


def test_fit_depths_needle_deeper_than_a_photo_that_missed_the_pit_counts():
    model = _fit(_marks(), _readings([90.0, 31.0, 24.0, 45.0]), _bounds(8, 0, [35] + [np.inf] * 7))
    assert "pit 1" in model.problems[0]
    assert Flag(int(model.depths["flags"].iat[0])) & Flag.CONTRADICTION
    assert model.draws_um[:, 0].min() > 35
    assert not model.is_bounded[0]


def test_fit_depths_lower_bound_only_lifts():
    free = _fit(_marks(), _readings(DEPTHS_UM[:5]))
    stuck = pd.concat([_readings(DEPTHS_UM[:5]), _readings([70.0], first=8, lower_bound="yes")])
    lifted = _fit(_marks(), stuck.reset_index(drop=True).assign(reading_id=range(1, 7)))
    assert lifted.depths["basis"].iat[7] == "at least"
    assert Flag(int(lifted.depths["flags"].iat[7])) & Flag.DEPTH_LOWER_BOUND
    assert lifted.depths["depth_low_um"].iat[7] > free.depths["depth_low_um"].iat[7]
    assert lifted.draws_um[:, 7].min() > 70 - 5 * 5


def test_fit_depths_free_reading_counts_for_the_deepest():
    free = readings_from_rows(
        [
            {
                "stage": "intake",
                "kind": "pit_depth",
                "x_mm": 1,
                "y_mm": 5,
                "value": 150,
                "unit": "um",
                "uncertainty": 5,
            }
        ]
    ).table
    both = pd.concat([_readings(DEPTHS_UM[:5]), free.assign(reading_id=6)]).reset_index(drop=True)
    model = _fit(_marks(), both)
    assert model.free_zones == (frozenset({"seal_land"}),)
    assert model.deepest("seal_land").value == pytest.approx(150, abs=3)
    assert model.deepest("rim").value == 0
    # of two of them the deeper one
    more = pd.concat([both, free.assign(reading_id=7, value_um=100.0)]).reset_index(drop=True)
    assert _fit(_marks(), more).deepest("seal_land").value == pytest.approx(150, abs=3)


def _free(value, x_mm=1.0, **more):
    row = {
        "stage": "intake",
        "kind": "pit_depth",
        "x_mm": x_mm,
        "y_mm": 5,
        "value": value,
        "unit": "um",
        "uncertainty": 3,
    }
    both = pd.concat([_readings(DEPTHS_UM), readings_from_rows([{**row, **more}]).table])
    return both.reset_index(drop=True).assign(reading_id=range(1, len(both) + 1))


def test_deepest_is_unknown_where_a_needle_stuck_deeper_in_a_pit_that_is_not_on_the_map():
    """Every pit of the map is read, the deepest 78 um; a needle in none of them stuck at 90 um."""
    model = _fit(_marks(), _free(90, lower_bound="yes"))
    for zone in (None, "seal_land"):
        assert model.deepest(zone).reason == (
            "the reading of 90 um under the first face belongs to no pit of the map and says only that the floor lies"
            " deeper: read it to the floor, or name its pit"
        )
    # Near no pit it may be of any zone; one that stuck over a floor that is known says nothing new.
    assert not _fit(_marks(), _free(90, x_mm=-40.0, lower_bound="yes")).deepest("rim").is_known
    assert _fit(_marks(), _free(50, lower_bound="yes")).deepest().value == pytest.approx(78, abs=2)


def test_why_the_deepest_is_unknown_is_told_in_the_units_of_the_plan():
    # 254 um are 10.0 thou and 10 um 0.4; 90 um are 3.54 thou
    sure = _fit(_marks(), _readings(DEPTHS_UM), words=PitWords(system="inch"))
    draws = np.tile(np.float32([[10], [10], [254], [254]]), len(DEPTHS_UM))
    wide = replace(sure, draws_um=draws, free_um=np.empty((4, 0), np.float32))
    assert wide.deepest().reason == (
        "not enough readings: the deepest could be anything from 0.4 thou to 10.0 thou"
    )
    stuck = _fit(_marks(), _free(90, lower_bound="yes"), words=PitWords(system="inch"))
    assert stuck.deepest().reason.startswith("the reading of 3.5 thou under the first face belongs to no pit")


@pytest.mark.parametrize(("x_mm", "zones"), [(3.9, {"seal_land"}), (4.1, set()), (np.nan, set())])
def test_a_reading_may_be_of_a_pit_whose_rim_is_within_two_millimetres(x_mm, zones):
    """A pit 4 mm across reaches 2 mm from its middle."""
    pit = _marks((4.0,)).assign(x_mm=0.0, y_mm=0.0)
    assert zones_near(np.array([x_mm, 0.0]), pit) == zones


def test_deepest_of_a_zone_counts_the_pits_that_reach_into_it():
    """The widest pit, 78 um deep, lies on the running surface for the most part and reaches onto the land."""
    marks = _marks().assign(zone="running_surface", dist_trace_mm=np.nan)
    marks.loc[7, "dist_trace_mm"] = 0.0
    model = _fit(marks, _readings(DEPTHS_UM))
    assert model.deepest("seal_land").value == pytest.approx(78, abs=2)
    assert model.in_zone("seal_land").tolist() == [False] * 7 + [True]


def test_deepest_of_a_zone_without_a_pit_is_nothing_only_where_it_was_seen():
    seen = {"seal_land": 0.0, "running_surface": 0.04, "rim": 0.3}
    model = _fit(_marks(), _readings(DEPTHS_UM), unseen=seen)
    assert model.deepest("running_surface").high == 0
    assert (
        model.deepest("rim").reason == "no pit shows, but 30 % of the zone was not seen: photograph it again"
    )
    assert model.deepest("bore").reason == "the drawing has no such zone"


def test_fit_depths_zone_effect_needs_data():
    two = _marks(DIAMETERS * 2)
    two["zone"] = ["running_surface"] * 8 + ["seal_land"] * 8
    few = _fit(two, _readings(DEPTHS_UM))
    assert few.parameters["name"].tolist() == ["a", "b", "log_sigma"]
    depths = [*DEPTHS_UM, *(2 * d for d in DEPTHS_UM)]
    many = _fit(two, _readings(depths, sd=2.0))
    assert many.parameters["name"].tolist() == ["a", "b", "log_sigma", "zone seal_land"]
    # Every land pit was made twice as deep: the contrast is ln 2 by maximum likelihood.
    assert many.parameters["value"].iat[3] == pytest.approx(math.log(2), abs=0.03)


def _collected(marks, n_read):
    table = _readings(np.full(n_read, 30.0))
    return collect(marks, table, None, np.zeros(1), np.zeros(n_read, int))


@pytest.mark.parametrize(("n_read", "settles"), [(7, False), (8, True)])
def test_two_zones_settle_how_they_differ_from_four_known_depths_each(n_read, settles):
    marks = _marks(DIAMETERS + (1.0, 2.0)).assign(zone=["seal_land"] * 4 + ["running_surface"] * 6)
    assert _collected(marks, n_read).has_zone_effect == settles


def test_contrasts_are_counted_from_the_zone_with_most_known_depths():
    zones = ["rim", "seal_land", "seal_land", "running_surface", "running_surface"]
    data = _collected(_marks(DIAMETERS[:5]).assign(zone=zones), 3)
    assert data.zone_names == ("seal_land", "rim", "running_surface")
    assert data.zone.tolist() == [1, 0, 0, 2, 2]


@pytest.mark.parametrize("read", ["seal_land", "running_surface"])
def test_what_was_read_in_one_zone_says_less_of_another(read):
    """Sixty pits of one zone, read without error, and two that were not, one of them in another zone.

    Pits of one size scatter by 0.4 in the log of the depth, and two zones differ by 0.3 (the prior): in the zone that was
    read the unread pit scatters by 0.4, in the other one by hypot(0.4, 0.3), and the errors of the fit add in both.
    """
    other = {"seal_land": "running_surface", "running_surface": "seal_land"}[read]
    n = 60
    rng = _rng(5)
    diameter = np.exp(rng.uniform(np.log(0.5), np.log(3.0), n + 2))
    diameter[n:] = 1.2
    marks = _marks(diameter).assign(zone=[read] * (n + 1) + [other])
    depths = 25 * diameter[:n] ** 0.6 * np.exp(0.4 * rng.standard_normal(n))
    draws = np.log(_fit(marks, _readings(depths, sd=0.1), n_draws=4000).draws_um[:, n:].astype(float))
    same, across = draws.std(axis=0)
    assert across**2 - same**2 == pytest.approx(0.3**2, abs=0.03)


def test_fit_depths_bad_calls():
    with pytest.raises(NotEnoughData):
        _fit(_marks(()), _readings([]))
    with pytest.raises(InputError, match="pit 9"):
        _fit(_marks(), _readings([20.0], first=9))
    with pytest.raises(InputError, match="twice"):
        _fit(_marks().assign(mark_id=1), _readings([]))
    with pytest.raises(InputError, match="diameter"):
        _fit(_marks((1.0, -1.0)), _readings([]))
    with pytest.raises(InputError, match="level"):
        _fit(_marks(), _readings([]), level=1.0)
    with pytest.raises(InputError, match="same pits"):
        _fit(_marks(), _readings([]), _bounds(3, 0, 20))


def test_fit_depths_ml_has_a_reason_where_it_has_no_value():
    table = _fit(_marks(), _readings(DEPTHS_UM[:2])).parameters
    assert table["value"].isna().all()
    assert table["note"].str.len().min() > 0


def test_next_readings_names_unread_pits_that_shrink_the_deepest():
    model = _fit(_marks(), _readings(DEPTHS_UM[:4]))
    table = next_readings(model, 3, rng=_rng())
    assert table["order"].tolist() == [1, 2, 3]
    assert set(table["mark_id"]) <= {5, 6, 7, 8}
    assert (table["spread_after_um"] < table["spread_before_um"]).all()
    assert len(next_readings(model, 3, rng=_rng(), zone="rim")) == 0
    assert next_readings(model, 3, rng=_rng(), present=np.arange(8) == 5)["mark_id"].tolist() == [6]
    with pytest.raises(InputError):
        next_readings(model, 0, rng=_rng())


def test_next_readings_look_into_a_narrow_pit_where_only_wide_ones_were_read():
    """2.0 to 3.6 mm were read: that those of 0.5 to 1.4 mm are shallow is the model's word, which one reading tests."""
    model = _fit(_marks(), _readings(DEPTHS_UM[4:], first=5))
    table = next_readings(model, 3, rng=_rng())
    assert table["is_narrow"].tolist() == [False, False, True]
    assert table["mark_id"].iat[2] == 2  # the third of four by width
    assert next_readings(model, 1, rng=_rng())["is_narrow"].tolist() == [False]
    # the narrowest was read: nothing is drawn out from wider pits
    known = _fit(_marks(), _readings([DEPTHS_UM[0], *DEPTHS_UM[5:]]).assign(mark_id=[1, 6, 7, 8]))
    assert not next_readings(known, 3, rng=_rng())["is_narrow"].any()


def test_next_readings_for_several_zones_follow_the_deepest_of_all():
    """A pit of 240 um, read to 30 um, settles how deep both zones are, not the one pit of the land that was not read."""
    marks = _marks((*DIAMETERS, 3.0)).assign(zone=["seal_land"] * 4 + ["running_surface"] * 5)
    tables = [
        _readings(DEPTHS_UM[:3]),
        _readings(DEPTHS_UM[4:], first=5),
        _readings([240.0], sd=30.0, first=9),
    ]
    readings = pd.concat(tables, ignore_index=True)
    model = _fit(marks, readings.assign(reading_id=np.arange(1, len(readings) + 1)))
    both = next_readings(model, 1, rng=_rng(), zone=["seal_land", "running_surface"])
    assert both["mark_id"].tolist() == [9]
    assert next_readings(model, 1, rng=_rng(), zone="seal_land")["zone"].tolist() == ["seal_land"]


@settings(max_examples=5, deadline=None)
@given(st.permutations(range(6)))
def test_order_of_readings_changes_nothing(order):
    table = _readings(DEPTHS_UM[:6])
    shuffled = table.iloc[order].reset_index(drop=True)
    a, b = _fit(_marks(), table), _fit(_marks(), shuffled)
    assert np.array_equal(a.draws_um, b.draws_um)


@settings(max_examples=5, deadline=None)
@given(st.sampled_from([("um", 1.0), ("mm", 1e-3), ("thou", 1 / 25.4), ("in", 1 / 25400)]))
def test_unit_of_readings_changes_nothing(unit):
    name, factor = unit
    rows = [
        {"stage": "intake", "kind": "pit_depth", "mark": i, "value": repr(d * factor), "unit": name,
         "uncertainty": repr(5 * factor)}
        for i, d in enumerate(DEPTHS_UM, 1)
    ]  # fmt: skip
    scaled = _fit(_marks(), readings_from_rows(rows).table).deepest()
    plain = _fit(_marks(), _readings(DEPTHS_UM)).deepest()
    assert (scaled.low, scaled.value, scaled.high) == pytest.approx(
        (plain.low, plain.value, plain.high), rel=1e-4
    )


@settings(max_examples=2, deadline=None)
@given(st.integers(0, 10_000), st.integers(3, 6))
def test_more_readings_do_not_widen_on_average(seed, n_first):
    rng = np.random.default_rng(seed)
    widths = []
    for _ in range(5):
        diameter = np.exp(rng.uniform(np.log(0.4), np.log(3.5), 12))
        depth = 20 * diameter**0.6 * np.exp(0.35 * rng.standard_normal(12))
        seen = depth + 4 * rng.standard_normal(12)
        marks = _marks(diameter)
        pair = []
        for n in (n_first, 12):
            model = fit_depths(marks, _readings(np.maximum(seen[:n], 0), sd=4.0), rng=rng, n_draws=300)
            low, high = np.quantile(model.deepest_draws_um(), [0.05, 0.95])
            pair.append(high - low)
        widths.append(pair)
    few, many = np.median(widths, axis=0)
    # Five faces, 300 draws: the median width of either has a sampling error well under a quarter.
    assert many <= 1.25 * few


@pytest.mark.parametrize(
    ("shallow", "deep", "counts"),
    [
        # 168 and 40 um, 6 um each: the needle missed the floor once
        ({}, {}, 168.0),
        # 150 um that the needle did not reach the floor of, beside an exact 40
        ({}, {"lower_bound": "yes"}, None),
    ],
)
def test_of_readings_that_are_not_of_one_floor_the_deepest_counts(shallow, deep, counts):
    table = pd.concat(
        [_readings([40.0], sd=6.0, **shallow), _readings([168.0], sd=6.0, **deep)], ignore_index=True
    )
    table["reading_id"] = [1, 2]
    data = collect(_marks((1.0,)), table, None, np.array([0.0]), np.zeros(2, int))
    (said,) = data.problems
    assert "40 um and" in said and "168 um" in said and "the deepest counts" in said
    assert data.flags[0] & int(Flag.CONTRADICTION)
    if counts is None:
        assert np.isnan(data.y[0]) and data.at_least[0] == 168.0
    else:
        assert (data.y[0], data.u[0]) == (counts, pytest.approx(6.0))


def test_readings_that_agree_are_averaged():
    table = pd.concat([_readings([40.0], sd=6.0), _readings([52.0], sd=6.0)], ignore_index=True)
    table["reading_id"] = [1, 2]
    data = collect(_marks((1.0,)), table, None, np.array([0.0]), np.zeros(2, int))
    assert data.problems == ()
    assert (data.y[0], data.u[0]) == (pytest.approx(46.0), pytest.approx(6.0 / math.sqrt(2)))


def _slipped(which, factor, n=8, **more):
    """Eight pits that were read well, but for one figure; as `fit_depths` takes them."""
    depths = [d * (factor if i == which else 1) for i, d in enumerate(DEPTHS_UM[:n], 1)]
    return _fit(_marks(DIAMETERS[:n]), _readings(depths, **more))


@pytest.mark.parametrize(
    ("which", "factor", "side"), [(4, 10, "deeper"), (8, 10, "deeper"), (7, 0.1, "shallower")]
)
def test_a_reading_far_out_of_the_others_counts_and_is_told(which, factor, side):
    """Depths of 18 to 78 um that rise with the width; 45 um for a pit of 1.4 mm slipped to 450, 78 to 780, 52 to 5."""
    model = _slipped(which, factor, sd=2.0)
    (said,) = model.problems
    read = f"{DEPTHS_UM[which - 1] * factor:.0f} um"
    assert said.startswith(f"pit {which}: the reading of {read} is far {side} than the other readings allow")
    low, high = (float(v) for v in re.search(r"between (\d+) um and (\d+) um", said).groups())
    assert low < DEPTHS_UM[which - 1] < high
    assert said.endswith("it counts all the same, so check its unit and take it again")
    flags = [bool(Flag(int(f)) & Flag.CONTRADICTION) for f in model.depths["flags"]]
    assert flags == [i == which for i in range(1, 9)]
    # not dropped: its pit is as deep as was read
    assert model.draws_um[:, which - 1].mean() == pytest.approx(DEPTHS_UM[which - 1] * factor, abs=6)


@pytest.mark.parametrize("which", [2, 3])
def test_of_three_readings_one_that_slipped_is_told(which):
    """Three readings are enough for a stock: a figure with a nought too many must not settle it without a word."""
    (said,) = _slipped(which, 10, n=3, sd=2.0).problems
    assert said.startswith(f"pit {which}: the reading of {DEPTHS_UM[which - 1] * 10:.0f} um is far deeper")
    # of two that differ nobody knows which is wrong
    assert _slipped(2, 10, n=2, sd=2.0).problems == ()


def test_a_reading_is_given_the_error_of_its_gauge_before_it_is_doubted():
    """450 um for a pit of 1.4 mm, to 200 um: two standard deviations bring it within what the others allow."""
    depths = [d * (10 if i == 4 else 1) for i, d in enumerate(DEPTHS_UM, 1)]
    table = _readings(depths, sd=2.0)
    assert len(_fit(_marks(), table).problems) == 1
    table.loc[3, "uncertainty_um"] = 200.0
    assert _fit(_marks(), table).problems == ()


def test_two_readings_far_out_do_not_vouch_for_each_other():
    depths = [d * (10 if i in (3, 6) else 1) for i, d in enumerate(DEPTHS_UM, 1)]
    said = _fit(_marks(), _readings(depths)).problems
    assert [s.split(":")[0] for s in said] == ["pit 3", "pit 6"]


def test_a_needle_that_stuck_far_out_is_told_and_a_shallow_one_is_not():
    stuck = [_readings(DEPTHS_UM[:7]), _readings([800.0], first=8, lower_bound="yes")]
    table = pd.concat(stuck, ignore_index=True).assign(reading_id=range(1, 9))
    (said,) = _fit(_marks(), table).problems
    assert said.startswith("pit 8: the reading of at least 800 um is far deeper")
    assert _fit(_marks(), table.assign(value_um=table["value_um"].replace(800.0, 3.0))).problems == ()


def test_a_reading_without_a_pit_far_out_is_told():
    (said,) = _fit(_marks(), _free(900)).problems
    assert said.startswith(
        "a place without a pit of the map: the reading of 900 um under the first face is far deeper"
    )
    assert _fit(_marks(), _free(90)).problems == ()


@pytest.mark.parametrize("n_read", [1, 3, 8])
def test_readings_that_go_together_are_not_doubted(n_read):
    assert _slipped(1, 1, n=8).problems == ()
    # three times as deep as usual, and the only one, or one of three: too little to speak against it
    assert _fit(_marks(), _readings([3 * DEPTHS_UM[0], *DEPTHS_UM[1:n_read]])).problems == ()


@pytest.mark.parametrize(("level", "beyond"), [(0.9, 0.05), (0.5, 0.25)])
def test_intervals_leave_as_many_draws_beyond_either_end_as_their_level_says(level, beyond):
    """Of 1000 joint draws of a depth 50 lie under the low end of a 90 % interval and 50 over its high end."""
    model = _fit(_marks(), _readings(DEPTHS_UM), level=level)
    ends = model.depths[["depth_low_um", "depth_high_um"]].to_numpy(float)
    drawn = model.draws_um.astype(float)
    assert (drawn < ends[:, 0]).mean(axis=0) == pytest.approx(beyond, abs=0.002)
    assert (drawn > ends[:, 1]).mean(axis=0) == pytest.approx(beyond, abs=0.002)
    most, deepest = drawn.max(axis=1), model.deepest()
    assert ((most < deepest.low).mean(), (most > deepest.high).mean()) == pytest.approx(
        (beyond, beyond), abs=0.002
    )
    assert deepest.level == level
