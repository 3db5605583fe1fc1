"""Extremes, nonparametric depths, straightedge, union jack and heights: calls, refusals, small cases."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from pitmap.depth import CROSS_CHECKS, PITS, RemovedStock, cross_checks, pixel_bounds, readings_from_rows
from pitmap.depth.blue import blue_coefficients
from pitmap.depth.extremes import ParetoFit, fit_gumbel, fit_pareto, plotting_positions, return_level
from pitmap.depth.flatness import flatness, minimum_width
from pitmap.depth.heights import HeightData, _estimate, height_data, low_spot_map
from pitmap.depth.straightedge import edge_gap, feeler_gap
from pitmap.depth.turnbull import turnbull, wilson_share
from pitmap.depth.union_jack import LINES, union_jack
from pitmap.errors import InputError, NotEnoughData
from pitmap.estimate import Estimate
from pitmap.grid import Grid


def test_fit_gumbel_refuses():
    for values in ([3.0], [2.0, 2.0]):
        with pytest.raises(NotEnoughData):
            fit_gumbel(values)
    with pytest.raises(InputError):
        fit_gumbel([1.0, math.nan])
    with pytest.raises(InputError):
        fit_gumbel([1.0, 2.0], "best")
    with pytest.raises(InputError):
        fit_gumbel([1.0, 2.0]).over(0)
    with pytest.raises(InputError):
        return_level(fit_gumbel([1.0, 2.0]), 1)
    with pytest.raises(InputError):
        blue_coefficients(1)
    with pytest.raises(InputError):
        plotting_positions(0)


def test_fit_gumbel_scales_with_the_data():
    x = np.array([12.0, 31, 18, 44, 27, 22])
    for method in ("ml", "moments", "l-moments", "blue"):
        a, b = fit_gumbel(x, method), fit_gumbel(10 * x + 3, method)
        assert (b.u, b.b) == pytest.approx((10 * a.u + 3, 10 * a.b), rel=1e-9)
        assert b.covariance == pytest.approx([100 * v for v in a.covariance], rel=1e-6)


def test_fit_pareto_refuses():
    with pytest.raises(NotEnoughData):
        fit_pareto([1.0, 2, 3], 0)
    fit = fit_pareto(np.arange(1.0, 30), 10.0)
    with pytest.raises(InputError):
        fit.level(1.0)


def test_turnbull_refuses():
    with pytest.raises(NotEnoughData):
        turnbull([], [])
    with pytest.raises(InputError, match="interval 2"):
        turnbull([0, 5], [3, 4])
    with pytest.raises(InputError):
        turnbull([0], [3], [0])
    with pytest.raises(InputError):
        wilson_share(3, 2)


def test_turnbull_edges_of_the_share():
    found = turnbull([0, 0, 20], [10, 20, math.inf])
    assert found.share_within([9, 10, 20]).tolist() == pytest.approx([0, 2 / 3, 2 / 3])
    assert found.share_within_upper([9, 10, 20, 21]).tolist() == pytest.approx([2 / 3, 2 / 3, 2 / 3, 1])


def test_flatness_refuses():
    for xy in ([[0, 0], [1, 0], [0, 1]], [[0, 0], [1, 0], [2, 0], [3, 0]]):
        x, y = np.array(xy, float).T
        with pytest.raises(NotEnoughData):
            flatness(x, y, np.zeros(len(x)), 1.0)
    with pytest.raises(InputError):
        flatness([0, 1], [0, 1, 2], [0, 1], 1.0)
    with pytest.raises(InputError):
        flatness([0, 1, 0, 1], [0, 0, 1, 1], [0, 1, 0, 0], [1.0, -1.0, 1.0, 1.0])
    with pytest.raises(InputError):
        flatness([0, 1, 0, 1], [0, 0, 1, 1], [0, 1, 0, 0], [1.0, math.nan, 1.0, 1.0])
    with pytest.raises(InputError):
        minimum_width([[0, 1], [1, 2]])


@pytest.mark.parametrize(
    ("xy", "said"),
    [
        # one bump on a straight line of heights: a plane can be tilted through any heights there
        ([(-90, 60), (10, 60), (30, 60), (60, 60)], "one line"),
        ([(0, 0), (30, 40), (60, 80), (90, 120.1)], "one line"),
        # four heights, one place typed twice
        ([(0, 0), (100, 0), (0, 100), (0, 100)], "at 3 places"),
        ([(0, 0), (2, 0), (2, 2), (0, 2)], "all together"),
    ],
)
def test_flatness_needs_places_over_the_face(xy, said):
    x, y = np.array(xy, float).T
    with pytest.raises(NotEnoughData, match=said):
        flatness(x, y, [5, 5, 90, 5], 6.0)


def test_flatness_interval_follows_the_touching_points():
    # Four corners, one up by 40: zone 20, settled by all four with weights 1/2, 1/2 on either side.
    found = flatness([0, 200, 200, 0], [0, 0, 100, 100], [0, 0, 40, 0], 3.0)
    assert found.minimum_zone_um.value == pytest.approx(20, rel=1e-6)
    assert found.minimum_zone_um.high - 20 == pytest.approx(1.6448536 * 3, rel=1e-3)
    assert found.touching == (0, 1, 2, 3)


def test_flat_face_is_flat():
    found = flatness([0, 200, 200, 0, 100], [0, 0, 100, 100, 50], [5, 5, 5, 5, 5], 2.0)
    assert found.minimum_zone_um.value == pytest.approx(0, abs=1e-9)


def test_union_jack_refuses():
    lines = {name: [5.0] * 4 for name in LINES}
    with pytest.raises(InputError, match="N_S"):
        union_jack({k: v for k, v in lines.items() if k != "N_S"}, 100)
    with pytest.raises(InputError, match="E_W"):
        union_jack({**lines, "E_W": [5.0] * 3}, 100)
    with pytest.raises(InputError):
        union_jack(lines, 0)
    # Equal angles along every line are a plane.
    assert union_jack(lines, 100).flatness_um == pytest.approx(0, abs=1e-9)


def test_edge_gap_refuses():
    with pytest.raises(InputError):
        edge_gap([0, 1, 1], [0, 0, 0])
    with pytest.raises(InputError):
        edge_gap([0], [0])


def test_edge_gap_is_that_under_the_line_over_the_high_points():
    """From 10 um at 100 mm to 40 um at 220 mm the edge rises by a quarter of a micrometre a millimetre."""
    gap = edge_gap([100, 120, 180, 220], [10, 5, 22, 40])
    assert gap.gap_um.tolist() == pytest.approx([0, 10, 8, 0])
    assert (gap.largest_um, gap.rocks) == (pytest.approx(10), False)
    # on a hump of 30 um at 160 mm, 5 over that line, it rests on either side: 10 + 20 / 3 and 30 + 10 / 3
    gap = edge_gap([100, 120, 160, 180, 220], [10, 5, 30, 22, 40])
    assert gap.gap_um.tolist() == pytest.approx([0, 35 / 3, 0, 34 / 3, 0])
    assert (gap.largest_um, gap.rocks) == (pytest.approx(35 / 3), True)


def test_fit_gumbel_l_moments_errors():
    """Hosking (1990): 1.1128, 0.2287 and 0.8046 b^2 / n, of the values 1 to 5 with b = 1 / ln 2 x L2, L2 = 1."""
    fit = fit_gumbel([1.0, 2, 3, 4, 5], "l-moments")
    assert fit.b == pytest.approx(1 / math.log(2))
    assert fit.covariance == pytest.approx([c * fit.b**2 / 5 for c in (1.1128, 0.2287, 0.8046)])


def test_pareto_level_goes_over_into_that_of_an_exponential_tail():
    def level(shape):
        fit = ParetoFit(
            threshold=10.0, scale=5.0, shape=shape, n_over=20, n_all=60, covariance=(2.0, -0.1, 0.04),
            log_likelihood=0.0,
        )  # fmt: skip
        return fit.level(100)

    # the threshold and the scale times the log of the values over it
    assert level(0.0).value == pytest.approx(10 + 5 * math.log(100 / 3))
    for end in ("value", "low", "high"):
        assert getattr(level(0.0), end) == pytest.approx(getattr(level(1e-5), end), rel=1e-3)


def _feelers(*pairs):
    return readings_from_rows(
        {
            "stage": "intake",
            "kind": "straightedge",
            "x_mm": 0,
            "y_mm": 0,
            "value": v,
            "unit": "um",
            "lower_bound": went,
        }
        for v, went in pairs
    ).table


def test_feelers_that_contradict_each_other_are_told_in_the_units_of_the_shop():
    # 50.8 um are 2.0 thou, 30.48 um 1.2
    with pytest.raises(InputError, match=r"a feeler of 2\.0 thou went in but one of 1\.2 thou did not"):
        feeler_gap(_feelers((50.8, "yes"), (30.48, "no")), system="inch")


def test_feeler_gap_between_two_feelers():
    gap = feeler_gap(_feelers((30, "yes"), (40, "yes"), (50, "no"), (80, "no")))
    assert (gap.low, gap.value, gap.high) == (40, 45, 50)
    assert feeler_gap(_feelers((30, "yes"))).high == math.inf
    assert feeler_gap(_feelers((30, "no"))).low == 0
    with pytest.raises(InputError):
        feeler_gap(_feelers((50, "yes"), (30, "no")))
    with pytest.raises(NotEnoughData):
        feeler_gap(_feelers())


BOX = (0.0, 0.0, 240.0, 150.0)


def _dial(f, sd=3.0, seed=1, tilt=0.05):
    rng = np.random.default_rng(seed)
    x, y = (c.ravel() for c in np.meshgrid(np.linspace(10, 230, 9), np.linspace(10, 140, 6)))
    z = -f(x, y) + 40 + tilt * x + sd * rng.standard_normal(len(x))
    return HeightData(dial_xy=np.column_stack([x, y]), dial_um=z, dial_sd_um=np.full(len(x), sd))


def _truth(found, f):
    x, y = (c for c in np.meshgrid(*found.grid.centres_mm()))
    t = f(x, y)
    return t - t.min()


def _dish(x, y):
    return 40 * np.exp(-(((x - 150) / 50) ** 2) - ((y - 60) / 40) ** 2)


def test_low_spot_map_from_dial_alone():
    """A dial cannot see its own tilt: what it shows is the dish up to a plane."""
    found = low_spot_map(_dial(_dish), BOX, rng=np.random.default_rng(2))
    rows, columns = np.unravel_index(np.argmax(found.low_um), found.grid.shape)
    x, y = found.grid.px_to_mm([columns, rows])
    assert (x, y) == (pytest.approx(150, abs=25), pytest.approx(60, abs=25))
    assert (found.low_low_um <= found.low_um).all()
    assert (found.low_um <= found.low_high_um).all()


def test_low_spot_map_contours_settle_the_plane_and_bounds_hold():
    grid = Grid.over_bounds(BOX, 0.25)
    x, y = np.meshgrid(*grid.centres_mm())
    surveys = []
    for stage, stock in (("test_lap", 10.0), ("lap_1", 25.0)):
        codes = np.where(_dish(x, y) <= stock, 1, 5).astype(np.uint8)
        surveys.append((stage, RemovedStock.of(stock, 1.5), codes))
    pixels = pixel_bounds(surveys, grid)
    empty = readings_from_rows([]).table
    data = height_data(empty, pixels, RemovedStock.of(25, 1.5), edge_sd_um=2.0)
    dial = _dial(_dish)
    both = HeightData(
        dial_xy=dial.dial_xy, dial_um=dial.dial_um, dial_sd_um=dial.dial_sd_um, edge_xy=data.edge_xy, edge_um=data.edge_um,
        edge_sd_um=data.edge_sd_um, cut_xy=data.cut_xy, cut_um=data.cut_um, cut_sd_um=data.cut_sd_um,
        uncut_xy=data.uncut_xy, uncut_um=data.uncut_um, uncut_sd_um=data.uncut_sd_um,
    )  # fmt: skip
    found = low_spot_map(both, BOX, rng=np.random.default_rng(2))
    truth = _truth(found, _dish)
    assert np.sqrt(((found.low_um - truth) ** 2).mean()) < 4
    inside = (found.low_low_um - 1 <= truth) & (truth <= found.low_high_um + 1)
    assert inside.mean() > 0.75


def test_floors_of_pits_say_nothing_of_the_form_of_the_face():
    """Forty pits of 2 mm on a face cut everywhere else pulled its form down, so that half of its intervals missed it."""
    grid = Grid.over_bounds(BOX, 1.0)
    x, y = np.meshgrid(*grid.centres_mm())
    codes = np.where(np.hypot(x % 40 - 20, y % 40 - 20) < 1.5, 2, 1).astype(np.uint8)
    codes[x < 10] = 5
    codes[(np.abs(x - 5) < 2) & (np.abs(y - 60) < 2)] = 2
    pixels = pixel_bounds([("test_lap", RemovedStock.of(25, 1), codes)], grid)
    data = height_data(readings_from_rows([]).table, pixels)
    assert len(data.uncut_um) and (data.uncut_xy[:, 0] < 10).all()
    assert not ((np.abs(data.uncut_xy - [5, 60]) < 2).all(axis=1)).any()


def test_low_spot_map_tells_wear_from_warp():
    def band(p):
        return np.abs(p[:, 1] - 75) < 15

    def worn(x, y):
        return _dish(x, y) * 0.5 + 30 * (np.abs(y - 75) < 15)

    found = low_spot_map(
        _dial(worn, sd=2.0),
        BOX,
        rng=np.random.default_rng(3),
        bands={"track": band, "rim": lambda p: p[:, 0] > 500},
    )
    assert found.wear_um["track"].low <= 30 <= found.wear_um["track"].high
    assert found.wear_um["track"].low > 10
    assert not found.wear_um["rim"].is_known


def test_low_spot_map_refuses():
    with pytest.raises(NotEnoughData):
        low_spot_map(HeightData(), BOX, rng=np.random.default_rng(1))
    with pytest.raises(InputError):
        low_spot_map(_dial(_dish), (0, 0, -1, 5), rng=np.random.default_rng(1))
    with pytest.raises(InputError):
        HeightData(dial_xy=np.zeros((2, 2)), dial_um=np.zeros(3), dial_sd_um=np.ones(3))
    assert len(height_data(pd.DataFrame(readings_from_rows([]).table)).dial_um) == 0


def _pits(lo, hi):
    n = len(lo)
    rows = {
        "pit_id": range(1, n + 1), "x_mm": 0.0, "y_mm": 0.0, "zone": "z", "zones": "z", "eq_diam_mm": 1.0,
        "dist_trace_mm": 0.0, "dist_coolant_mm": 0.0, "first_survey": 0, "seen_from_um": 0.0, "last_survey": 0,
        "deeper_than_um": lo,
        "deeper_survey": 0, "shallower_than_um": hi, "shallower_survey": -1, "flags": 0, "note": "",
    }  # fmt: skip
    return pd.DataFrame(rows)[PITS.names].astype({c.name: c.dtype for c in PITS.columns})


def test_turnbull_leaves_room_for_a_hole_too_narrow_for_the_map():
    """1 mm wide and gone with 35 um off: of a cone 0.3 mm may be left, at 35 / (1 - 0.3) = 50 um under the first face."""
    table = cross_checks(readings_from_rows([]).table, _pits([20.0] * 3, [35.0] * 3))
    last = table.iloc[-1]
    assert (last["deepest_low_um"], last["deepest_high_um"]) == pytest.approx((20.0, 50.0))


def test_turnbull_learns_nothing_of_pits_that_the_map_may_have_lost_early():
    """Of a pit of 0.6 mm half of the depth may be left when a hole of 0.3 mm is: there or gone says little of its depth."""
    pits = _pits([20.0] * 3, [35.0] * 3).assign(eq_diam_mm=0.6)
    last = cross_checks(readings_from_rows([]).table, pits).iloc[-1]
    assert math.isnan(last["deepest_um"]) and last["n_used"] == 0 and last["note"]


def test_cross_checks_stand_beside_the_model():
    rows = [
        {"stage": "intake", "kind": "pit_depth", "mark": i, "value": v, "unit": "um"}
        for i, v in enumerate([12.0, 18, 25, 31, 22, 40, 28, 35, 19, 27, 33, 45], 1)
    ]
    pits = _pits([0.0] * 12 + [20.0] * 8, [math.inf] * 12 + [35.0] * 8)
    table = cross_checks(readings_from_rows(rows).table, pits)
    assert CROSS_CHECKS.check(table) is table
    assert table["n_used"].tolist() == [12, 12, 12, 20]
    gumbel = table.iloc[0]
    assert gumbel["deepest_low_um"] < gumbel["deepest_um"] < gumbel["deepest_high_um"]
    # Without a law nothing lies beyond the deepest that was measured.
    assert table["deepest_um"].iat[3] == 45.0
    # a thickness and a needle that stuck are no depths; of pits that nobody read one bound is enough, and no bound none
    more = [
        {"stage": "intake", "kind": "thickness", "x_mm": 1, "y_mm": 1, "value": "12 mm"},
        {"stage": "intake", "kind": "pit_depth", "mark": 13, "value": "90 um", "lower_bound": "yes"},
    ]
    pits = _pits(
        [0.0] * 12 + [20.0] * 8 + [0.0, 30.0, 0.0], [math.inf] * 12 + [35.0] * 8 + [20.0, math.inf, math.inf]
    )
    table = cross_checks(readings_from_rows([*rows, *more]).table, pits)
    assert table["n_used"].tolist() == [12, 12, 12, 22]


def test_cross_checks_of_few_pits_and_many_readings_say_why_not():
    """Two pits, read sixteen times in all, most of them alike: the Pareto level refused the whole table."""
    rows = [
        {"stage": "intake", "kind": "pit_depth", "mark": 1 + i % 2, "value": v, "unit": "um"}
        for i, v in enumerate([20.0] * 11 + [25.0, 30.0, 35.0, 40.0, 45.0])
    ]
    table = cross_checks(
        readings_from_rows(rows).table, _pits([0.0] * 2, [math.inf] * 2), by_model_um=Estimate.from_sd(44, 2)
    ).set_index("method")
    pareto = table.loc["generalised Pareto over the median"]
    assert math.isnan(pareto["deepest_um"]) and "lies under the threshold" in pareto["note"]
    assert table.index[0] == "pit-depth model of the plan"
    assert (table["deepest_um"].iat[0], table["n_used"].iat[0]) == (44.0, 2)


def test_cross_checks_say_why_not():
    table = cross_checks(readings_from_rows([]).table, _pits([0.0], [math.inf]))
    assert table["deepest_um"].isna().all()
    assert (table["note"].str.len() > 0).all()


@pytest.mark.parametrize(("level", "low", "high"), [(0.9, 5.0, 95.0), (0.5, 25.0, 75.0)])
def test_wear_and_warp_have_the_interval_of_their_draws(level, low, high):
    """Draws of 0, 1 ... 100 um: quantiles are their own numbers."""
    found = _estimate(np.arange(101.0), level)
    assert (found.value, found.low, found.high, found.level) == pytest.approx((50.0, low, high, level))
