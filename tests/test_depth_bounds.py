"""Lap bounds per pit and per pixel, and the stock behind them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pitmap.classes import Stage, SurfaceClass
from pitmap.depth import (
    PITS,
    READINGS,
    FaceSurvey,
    RemovedStock,
    fit_series,
    in_zone,
    lap_bounds,
    pixel_bounds,
    readings_from_rows,
    readings_under_first_face,
    removed_from_thickness,
    with_measured_stock,
)
from pitmap.depth.gone import shown_mm, sound_floor
from pitmap.depth.reached import below_plane_um, reached_in
from pitmap.errors import InputError, NotEnoughData
from pitmap.estimate import Estimate
from pitmap.flags import Flag
from pitmap.grid import Grid
from pitmap.surface import ClassMap

PLACES = {"A": (10.0, 5.0), "B": (20.0, 5.0), "C": (30.0, -5.0)}


def _survey(stage, removed, pits, *, shift=0.0, readings=None, is_bare=None, sd=1.0):
    marks = pd.DataFrame(
        [
            {
                "mark_id": i, "class_code": 2, "x_mm": PLACES[p][0] + shift, "y_mm": PLACES[p][1], "eq_diam_mm": 1.0,
                "zone": "seal_land",
            }
            for i, p in enumerate(pits, 1)
        ],
        columns=["mark_id", "class_code", "x_mm", "y_mm", "eq_diam_mm", "zone"],
    )  # fmt: skip
    return FaceSurvey(
        stage=stage, removed=RemovedStock.of(removed, sd if removed else 0.0), marks=marks,
        readings=READINGS.empty() if readings is None else readings, is_bare=is_bare,
    )  # fmt: skip


def test_lap_bounds_two_sided():
    found = lap_bounds(
        [_survey("intake", 0, "ABC"), _survey("test_lap", 20, "AB", shift=0.1), _survey("lap_1", 35, "A")]
    )
    assert PITS.check(found.pits) is found.pits
    assert found.pits["deeper_than_um"].tolist() == [35.0, 20.0, 0.0]
    assert found.pits["shallower_than_um"].tolist() == [np.inf, 35.0, 20.0]
    assert found.pits["shallower_survey"].tolist() == [-1, 2, 1]
    assert found.problems == ()
    assert len(found.links) == 6


def test_lap_bounds_a_pit_gone_with_no_stock_off_is_not_of_no_depth():
    """Nothing came off, and how sure that is changes nothing: a map that lost the pit bounds it by no stock."""
    polished = replace(_survey("test_lap", 0, ""), removed=RemovedStock.of(0.0, 3.0))
    found = lap_bounds([_survey("intake", 0, "A"), polished])
    assert found.pits["shallower_than_um"].tolist() == [np.inf]
    assert Flag(int(found.pits["flags"].iat[0])) & Flag.CONTRADICTION
    assert "though no more stock had come off" in found.problems[0]


def test_lap_bounds_order_of_surveys_changes_nothing():
    surveys = [_survey("intake", 0, "ABC"), _survey("test_lap", 20, "AB"), _survey("lap_1", 35, "A")]
    pd.testing.assert_frame_equal(lap_bounds(surveys).pits, lap_bounds(surveys[::-1]).pits)


def test_lap_bounds_pit_under_scale_counts_from_first_sight():
    found = lap_bounds([_survey("intake", 0, "A"), _survey("test_lap", 20, "AB")])
    assert found.pits["first_survey"].tolist() == [0, 1]
    assert found.pits["deeper_than_um"].tolist() == [20.0, 20.0]


def test_lap_bounds_not_seen_is_not_gone():
    hidden = _survey("test_lap", 20, "A", is_bare=lambda xy, radius: xy[:, 0] < 15)
    found = lap_bounds([_survey("intake", 0, "AB"), hidden])
    assert found.pits["shallower_than_um"].tolist() == [np.inf, np.inf]
    assert found.pits["deeper_than_um"].tolist() == [20.0, 0.0]


@pytest.mark.parametrize(
    ("diam_mm", "shown_mm", "gone_um"),
    [(0.45, 0.5, 20.0), (0.45, 1.2, np.inf), (1.5, 1.2, 20.0)],
)
def test_lap_bounds_photo_too_coarse_to_show_a_pit_is_no_upper_bound(diam_mm, shown_mm, gone_um):
    """Photos of 0.5 mm show it; one that shows nothing under 1.2 mm says nothing of a pit of 0.45 mm."""
    first = replace(_survey("intake", 0, "A"), shown_mm=0.5)
    second = replace(_survey("test_lap", 20, ""), shown_mm=shown_mm)
    first.marks["eq_diam_mm"] = diam_mm
    assert lap_bounds([first, second]).pits["shallower_than_um"].tolist() == [gone_um]


def test_lap_bounds_came_back():
    found = lap_bounds([_survey("intake", 0, "AB"), _survey("test_lap", 20, "A"), _survey("lap_1", 35, "AB")])
    row = found.pits.iloc[1]
    assert Flag(row["flags"]) == Flag.CONTRADICTION
    assert "seen again after lap 1" in row["note"]
    assert (row["deeper_than_um"], row["shallower_than_um"]) == (35.0, np.inf)
    assert len(found.problems) == 1


def test_lap_bounds_vanished_without_stock():
    found = lap_bounds([_survey("intake", 0, "AB"), _survey("test_lap", 0, "A")])
    row = found.pits.iloc[1]
    assert Flag(row["flags"]) == Flag.CONTRADICTION
    assert row["shallower_than_um"] == np.inf


def test_lap_bounds_of_surveys_within_the_error_of_the_stock_meet():
    """Still there with 30 um off, gone with 29: two standard errors of 1.5 and 1.5 um are 4.24, so the bounds meet."""

    def both(last):
        surveys = (("intake", 0, "AB"), ("test_lap", 30, "AB"), ("lap_1", last, "A"))
        return lap_bounds([_survey(*s, sd=1.5) for s in surveys]).pits.iloc[1]

    row = both(29)
    assert row["shallower_than_um"] == 29.0
    assert row["deeper_than_um"] == pytest.approx(29 - 2 * np.hypot(1.5, 1.5))
    assert row["flags"] == 0
    # 5 um less are no error of the stock: the two speak against each other
    assert Flag(both(25)["flags"]) == Flag.CONTRADICTION
    assert both(25)["shallower_than_um"] == np.inf


def test_lap_bounds_stock_went_up_is_named():
    found = lap_bounds([_survey("intake", 0, "A"), _survey("test_lap", 30, "A"), _survey("lap_1", 20, "A")])
    assert "less stock is said to be off at a later survey" in found.problems[0]
    assert found.pits["deeper_than_um"].iat[0] == 30.0


def test_lap_bounds_joined_marks_are_both_there():
    first = _survey("intake", 0, "AB")
    first.marks["x_mm"] = [10.0, 11.2]
    second = _survey("test_lap", 20, "A")
    second.marks[["x_mm", "eq_diam_mm"]] = [[10.6, 2.4]]
    assert lap_bounds([first, second]).pits["shallower_than_um"].tolist() == [np.inf, np.inf]


def test_lap_bounds_what_is_left_at_the_end_of_a_streak_is_the_streak():
    """A streak of 5 x 0.8 mm of which 0.6 mm at one end, 2.1 mm from its middle, is left: it is there, not gone."""
    first, second = _survey("intake", 0, "A"), _survey("test_lap", 20, "A", shift=2.1)
    first.marks[["eq_diam_mm", "length_mm"]] = [[2.0, 5.0]]
    second.marks[["eq_diam_mm", "length_mm"]] = [[0.6, 0.6]]
    found = lap_bounds([first, second])
    assert found.links["pit_id"].tolist() == [1, 1]
    row = found.pits.iloc[0]
    assert (row["deeper_than_um"], row["shallower_than_um"], row["last_survey"]) == (20.0, np.inf, 1)


def test_lap_bounds_pit_has_the_extent_that_the_lap_shows():
    """Scale shows 1 mm on the rim; on cut metal it is 4 mm on the land; 1.5 mm of that, 1.6 mm off, are left."""
    scale, cut, later = (
        _survey(stage, removed, "A") for stage, removed in (("intake", 0), ("test_lap", 20), ("lap_1", 35))
    )
    scale.marks["zone"] = "rim"
    cut.marks[["x_mm", "eq_diam_mm", "dist_trace_mm", "dist_coolant_mm"]] = [[10.6, 4.0, 0.3, 0.4]]
    later.marks[["x_mm", "eq_diam_mm", "dist_trace_mm", "dist_coolant_mm"]] = [[12.2, 1.5, 0.2, 1.1]]
    pits = lap_bounds([scale, cut, later]).pits
    assert len(pits) == 1
    row = pits.iloc[0]
    assert (row["zone"], row["zones"], row["x_mm"], row["eq_diam_mm"]) == (
        "seal_land", "rim seal_land", 10.6, 4.0,
    )  # fmt: skip
    assert (row["dist_trace_mm"], row["dist_coolant_mm"]) == (0.2, 0.4)
    assert (row["first_survey"], row["seen_from_um"], row["deeper_than_um"]) == (0, 0.0, 35.0)
    assert [in_zone(pits, z).tolist() for z in ("rim", "seal_land", "running_surface")] == [
        [True], [True], [False],
    ]  # fmt: skip


def test_lap_bounds_nothing_found_and_bad_calls():
    empty = lap_bounds([_survey("intake", 0, "")])
    assert list(empty.pits.columns) == PITS.names
    assert len(empty.pits) == 0
    with pytest.raises(InputError):
        lap_bounds([])
    with pytest.raises(InputError, match="twice"):
        lap_bounds([_survey("intake", 0, "A"), _survey("intake", 0, "A")])


def test_readings_under_first_face_adds_the_stock_and_names_the_survey_of_its_error():
    readings = readings_from_rows(
        [{"stage": "test_lap", "kind": "pit_depth", "mark": 1, "value": 15, "unit": "um", "uncertainty": 4}]
    ).table
    surveys = [_survey("intake", 0, "AB"), _survey("test_lap", 20, "B", readings=readings, sd=3.0)]
    moved, of_survey = readings_under_first_face(surveys, lap_bounds(surveys))
    assert moved[["mark_id", "value_um", "uncertainty_um"]].to_numpy().tolist() == [[2, 35.0, 4.0]]
    assert of_survey.tolist() == [1]


def _told(stage, removed, reached, reading=None):
    """A survey with pit A, whose map tells of the metal about it: reached 1, uncut 0, or nothing."""
    rows = [] if reading is None else [
        {"stage": stage, "kind": "pit_depth", "mark": 1, "value": reading, "unit": "um", "uncertainty": 6}
    ]  # fmt: skip
    survey = _survey(stage, removed, "A", readings=readings_from_rows(rows).table if rows else None)
    return replace(survey, is_reached=lambda xy, radius: np.full(len(xy), reached))


@pytest.mark.parametrize(
    ("series", "least", "most"),
    [
        # metal 26 um under the highest: between the plane of the test lap and that of the lap that cut it
        ([("intake", 0, np.nan), ("test_lap", 24, 0.0), ("lap_1", 44, 1.0)], [24, 0, 0], [44, 20, 0]),
        ([("intake", 0, np.nan), ("test_lap", 20, 1.0)], [0, 0], [20, 0]),
        # stain hides what the test lap did; metal that was cut once needs no second word
        ([("intake", 0, np.nan), ("test_lap", 20, np.nan), ("lap_1", 35, 1.0), ("lap_2", 50, 0.0)], [0, 0, 0, 0],
         [35, 15, 0, 0]),
        # not reached by any lap yet
        ([("intake", 0, np.nan), ("test_lap", 20, 0.0)], [20, 0], [40, 20]),
        # no map tells, and at intake a map cannot
        ([("intake", 0, 0.0), ("test_lap", 20, np.nan)], [0, 0], [0, 0]),
        ([("intake", 0, 0.0)], [0], [0]),
    ],
)  # fmt: skip
def test_metal_that_a_needle_stood_on_lies_between_the_planes_that_missed_and_reached_it(series, least, most):
    surveys = [_told(*one) for one in series]
    found = below_plane_um(surveys, np.array([[10.0, 5.0]]), np.array([0.5]))
    assert found[0, :, 0].tolist() == least
    assert found[0, :, 1].tolist() == most


def test_a_pit_read_from_metal_under_the_plane_is_as_much_deeper():
    """276 um under metal that lay 26 um low: 302 under the first plane, however often it was read before that was cut."""
    told = [("intake", 0, np.nan, 274.0), ("test_lap", 24, 0.0, 269.0), ("lap_1", 44, 1.0, 259.0)]
    for readings in ([0, 1, 2], [0, 1], [0]):
        surveys = [_told(*one[:3], one[3] if k in readings else None) for k, one in enumerate(told)]
        _, model = fit_series(surveys, rng=np.random.default_rng(3))
        pit = model.depths.iloc[0]
        assert pit.depth_low_um <= 302 <= pit.depth_high_um, readings
    # read on cut metal alone, as before
    _, model = fit_series([_told("test_lap", 24, 1.0, 278.0)], rng=np.random.default_rng(3))
    assert model.depths.depth_um.iloc[0] == pytest.approx(302, abs=2)


def test_each_reading_is_of_the_metal_about_its_own_pit():
    """Both read at 100 um at intake; about the first all metal was cut by 20 um, about the second by 50 um only."""
    rows = [
        {"stage": "intake", "kind": "pit_depth", "mark": k, "value": 100, "unit": "um", "uncertainty": 2}
        for k in (1, 2)
    ]

    def reached(at_second):
        return lambda xy, radius: np.where(
            xy[:, 0] == PLACES["B"][0], at_second, np.where(radius == 0.5, 1.0, 0.0)
        )

    surveys = [
        _survey("intake", 0, "AB", readings=readings_from_rows(rows).table),
        replace(_survey("test_lap", 20, "AB"), is_reached=reached(0.0)),
        replace(_survey("lap_1", 50, "AB"), is_reached=reached(1.0)),
    ]
    _, model = fit_series(surveys, rng=np.random.default_rng(3))
    first, second = model.depths.itertuples()
    # 100 and 0 to 20 um more, and 20 to 50 um more
    assert first.depth_low_um < 110 < first.depth_high_um < 125
    assert 117 < second.depth_low_um < 135 < second.depth_high_um


def test_a_needle_on_low_metal_does_not_speak_against_the_lap_steps():
    """A pit of 8 um in a hollow of 34: still there with 36 um off, and nothing is wrong with either."""
    series = [_told("intake", 0, np.nan, 8.0), _told("test_lap", 20, 0.0), _told("lap_1", 36, 1.0)]
    _, model = fit_series(series, rng=np.random.default_rng(3))
    assert not any("speaks against" in p for p in model.problems)
    _, model = fit_series(
        [series[0], replace(series[1], is_reached=None), replace(series[2], is_reached=None)],
        rng=np.random.default_rng(3),
    )
    assert any("speaks against the lap steps" in p for p in model.problems)


def test_a_map_tells_whether_the_lap_has_reached_the_metal_about_a_pit():
    grid = Grid(x0_mm=0, y1_mm=20, px_per_mm=5, n_rows=100, n_cols=200)
    codes = np.full(grid.shape, int(SurfaceClass.SOUND), np.uint8)
    codes[:, 100:] = int(SurfaceClass.UNCUT)
    codes[:, 150:] = int(SurfaceClass.STAIN)
    class_map = ClassMap(
        codes=codes,
        confidence=np.ones(grid.shape, np.float32),
        stage=Stage("test_lap"),
        px_per_mm=5,
        grid=grid,
    )
    # in the sound, the uncut and the stained metal, and half over the edges of the plate
    xy = np.array(
        [[5.0, 10.0], [25.0, 5.0], [36.0, 10.0], [0.0, 10.0], [5.0, 0.2], [25.0, 19.9], [39.9, 10.0]]
    )
    found = reached_in(class_map)(xy, np.full(len(xy), 0.5))
    np.testing.assert_array_equal(found, [1.0, 0.0, np.nan, 1.0, 1.0, 0.0, np.nan])
    assert reached_in(replace(class_map, grid=None)) is None


def test_metal_is_surely_sound_by_the_maps_own_scale_but_never_under_an_even_chance():
    codes = np.full((30, 45), int(SurfaceClass.SOUND), np.uint8)
    codes[:, 30:] = int(SurfaceClass.STAIN)
    smooth = np.where(codes == SurfaceClass.SOUND, 0.9, 0.1).astype(np.float32)
    assert sound_floor(smooth, codes) == pytest.approx(0.9)
    assert sound_floor(smooth - 0.6, codes) == 0.5
    # nothing is sound, so nothing surely is
    assert sound_floor(smooth, np.zeros_like(codes)) == 1.0


@pytest.mark.parametrize(
    ("photo_px_per_mm", "shown"), [(20.0, 0.3), (10.0, 0.3), (9.0, 0.4), (6.0, 0.5), (2.0, 1.5)]
)
def test_a_hole_shows_from_three_photo_pixels_on_and_from_three_tenths(photo_px_per_mm, shown):
    assert shown_mm(photo_px_per_mm) == shown


def _spots(values, sd=3.0):
    return pd.DataFrame(
        {
            "x_mm": [0.0, 200.0, 200.0, 0.0], "y_mm": [0.0, 0.0, 120.0, 120.0], "value_um": values,
            "uncertainty_um": sd,
        }
    )  # fmt: skip


def test_removed_from_thickness_plane():
    before, after = _spots([9000.0] * 4), _spots([8980.0, 8970.0, 8964.0, 8974.0])
    removed = removed_from_thickness(before, after)
    assert removed.at([(0, 0), (200, 0), (100, 60)]).tolist() == pytest.approx([20.0, 30.0, 28.0])
    # Four spots: the middle is their mean, so its error is that of one difference over two.
    assert float(removed.sd_at((100, 60))) == pytest.approx(3 * np.sqrt(2) / 2)
    assert float(removed.sd_at((0, 0))) > float(removed.sd_at((100, 60)))


def test_one_spot_measured_after_stands_for_one_measured_before():
    """Spots of the first round 3 mm apart, one of the second between them: it was taken for both, as two measurements."""
    columns = ["x_mm", "y_mm", "value_um", "uncertainty_um"]
    before = pd.DataFrame([(0.0, 0.0, 9000.0, 3.0), (3.0, 0.0, 9002.0, 3.0)], columns=columns)
    after = pd.DataFrame([(1.2, 0.0, 8980.0, 3.0)], columns=columns)
    removed = removed_from_thickness(before, after)
    assert removed.n_spots == 1
    assert float(removed.at((0, 0))) == pytest.approx(20.0)
    assert float(removed.sd_at((0, 0))) == pytest.approx(3 * np.sqrt(2))


def test_removed_from_thickness_errors_grow_with_what_no_plane_explains():
    """Four corners that come out 6 um over and under in turn: no plane does that, and 3 um a reading do not either.

    Chi-square is 4 36 / 18 = 8 over one spare spot, so the variance of the middle, 18 / 4, grows by 8 to 36.
    """
    before, after = _spots([9000.0] * 4), _spots([8974.0, 8986.0, 8974.0, 8986.0])
    removed = removed_from_thickness(before, after)
    assert removed.at([(0, 0), (100, 60)]).tolist() == pytest.approx([20.0, 20.0])
    assert float(removed.sd_at((100, 60))) == pytest.approx(6.0)
    assert removed.residual_um == pytest.approx(12.0)


def test_removed_from_thickness_spots_in_a_line_give_one_number():
    """Along one line nobody sees which way the plane tilts across it: 18, 20 and 22 um are 20 um."""
    before = _spots([9000.0] * 4).iloc[:3].assign(x_mm=[0.0, 100.0, 200.0], y_mm=[10.0, 11.0, 12.0])
    removed = removed_from_thickness(before, before.assign(value_um=[8982.0, 8980.0, 8978.0]))
    assert removed.coefficients == pytest.approx((20.0, 0.0, 0.0))


def test_removed_from_thickness_fewer_spots():
    before, after = _spots([9000.0] * 4).iloc[:2], _spots([8980.0, 8970.0, 0, 0]).iloc[:2]
    removed = removed_from_thickness(before, after)
    assert removed.coefficients == pytest.approx((25.0, 0.0, 0.0))
    with pytest.raises(NotEnoughData):
        removed_from_thickness(before, after.assign(x_mm=500.0))


def test_removed_from_thickness_averages_repeats():
    """9990 and three times 9970 at one spot: 25 um off on the mean, its error widened by their scatter.

    With 3 um each chi-square is (15^2 + 3 * 5^2) / 9 = 33.3 over 3 spare readings; the mean's variance is 9 / 4 times
    11.1, that of the one reading before is 9.
    """
    spot = {"x_mm": 10.0, "y_mm": 10.0, "uncertainty_um": 3.0}
    before = pd.DataFrame([{**spot, "value_um": 10000.0}])
    after = pd.DataFrame(
        [
            {**spot, "x_mm": x, "value_um": v}
            for x, v in ((10, 9990.0), (10.4, 9970.0), (9.8, 9970.0), (10, 9970.0))
        ]
    )
    removed = removed_from_thickness(before, after)
    assert removed.coefficients == pytest.approx((25.0, 0.0, 0.0))
    assert float(removed.sd_at((10, 10))) == pytest.approx((9 + 9 / 4 * (300 / 9) / 3) ** 0.5)
    # Four alike: half the error of one.
    alike = removed_from_thickness(before, after.assign(value_um=9970.0))
    assert float(alike.sd_at((10, 10))) == pytest.approx((9 + 9 / 4) ** 0.5)


def _thick(stage, removed, value, *more):
    rows = [
        {"stage": stage, "kind": "thickness", "x_mm": x, "y_mm": y, "value": value, "unit": "um"}
        for x, y in ((10, 10), (90, 10), (50, 90))
    ]
    rows += [{"stage": stage, "kind": "thickness", "mark": 7, "value": v, "unit": "um"} for v in more]
    return _survey(stage, removed, "", readings=readings_from_rows(rows).table, sd=2.0)


def test_measured_stock_stands_on_that_of_the_first_survey():
    """8 um were off before the first thickness was read; 15 um more make 23, as was entered."""
    surveys, problems = with_measured_stock([_thick("test_lap", 8, 9992), _thick("lap_1", 23, 9977)])
    assert [float(s.removed.at((50, 50))) for s in surveys] == pytest.approx([8, 23])
    assert problems == []
    between = 4 * (2 / 3) ** 0.5  # three spots, 4 um each reading, at their middle
    assert float(surveys[1].removed.sd_at((50, 110 / 3))) == pytest.approx(np.hypot(between, 2.0))
    _, problems = with_measured_stock([_thick("test_lap", 8, 9992), _thick("lap_1", 60, 9977)])
    assert "thickness says 23 um came off, 60 um was entered" in problems[0]


def test_measured_stock_without_a_place_is_left_out_and_told():
    surveys, problems = with_measured_stock([_thick("intake", 0, 10000), _thick("lap_1", 50, 9970, 9971)])
    assert float(surveys[1].removed.at((50, 50))) == pytest.approx(30)
    assert problems[0] == "after lap 1: 1 thickness reading without x, y cannot be compared; enter the place"
    elsewhere = _thick("lap_1", 50, 9970)
    elsewhere.readings["x_mm"] += 30.0
    surveys, problems = with_measured_stock([_thick("intake", 0, 10000), elsewhere])
    assert float(surveys[1].removed.at((50, 50))) == 50
    assert problems[0].startswith("after lap 1: no thickness spot was measured at intake as well")


def test_removed_stock_refuses_nonsense():
    with pytest.raises(InputError):
        RemovedStock.of(-1.0, 1.0)
    with pytest.raises(InputError):
        RemovedStock.from_estimate(Estimate.unknown("not measured"))
    with pytest.raises(InputError, match="no number with an interval .said by nobody"):
        RemovedStock.from_estimate(Estimate(value=20, low=np.nan, high=np.nan, reason="said by nobody"))
    with pytest.raises(InputError, match="finite 3 x 3 covariance"):
        RemovedStock(coefficients=(20.0, 0.0, 0.0), covariance=np.diag([1.0, np.nan, 1.0]))
    with pytest.raises(InputError, match="value and an uncertainty of 0 or more, got -22"):
        RemovedStock.from_estimate(Estimate(value=-22, low=-25, high=-19))
    e = RemovedStock.from_estimate(Estimate(value=20, low=16.7102, high=23.2898))
    assert float(e.sd_at((0, 0))) == pytest.approx(2.0, abs=1e-4)


def test_pixel_bounds_cut_uncut_and_contradiction():
    grid = Grid(x0_mm=0, y1_mm=3, px_per_mm=1, n_rows=3, n_cols=4)
    s, u, p, x = (
        int(c) for c in (SurfaceClass.SOUND, SurfaceClass.UNCUT, SurfaceClass.PIT, SurfaceClass.UNSEEN)
    )
    first = np.array([[s, s, u, u], [s, p, u, u], [x, s, u, s]], np.uint8)
    second = np.array([[s, s, s, u], [s, p, s, s], [x, s, u, u]], np.uint8)
    found = pixel_bounds(
        [("lap_1", RemovedStock.of(25, 1), second), ("test_lap", RemovedStock.of(10, 1), first)], grid
    )
    assert found.lower_um.tolist() == [[0, 0, 10, 25], [0, 25, 10, 10], [0, 0, 25, 0]]
    assert found.upper_um.tolist() == [
        [10, 10, 25, np.inf],
        [10, np.inf, 25, 25],
        [np.inf, 10, np.inf, np.inf],
    ]
    assert np.argwhere(found.contradicts).tolist() == [[2, 3]]
    with pytest.raises(InputError):
        pixel_bounds([("test_lap", RemovedStock.of(10, 1), first[:2])], grid)


def test_pixel_bounds_what_a_deep_plane_did_not_reach_no_shallower_one_did():
    """A step whose stock was read too small (20 um after 25) takes nothing back of how low the metal lies."""
    grid = Grid(x0_mm=0, y1_mm=2, px_per_mm=1, n_rows=2, n_cols=2)
    codes = np.array([[int(SurfaceClass.UNCUT)] * 2, [int(SurfaceClass.PIT)] * 2], np.uint8)
    steps = [("lap_1", RemovedStock.of(25, 1), codes), ("lap_2", RemovedStock.of(20, 1), codes)]
    assert pixel_bounds(steps, grid).lower_um.tolist() == [[25, 25], [25, 25]]


def test_pixel_bounds_intake_says_nothing():
    grid = Grid(x0_mm=0, y1_mm=2, px_per_mm=1, n_rows=2, n_cols=3)
    found = pixel_bounds([("intake", RemovedStock.of(0, 0), np.ones((2, 3), np.uint8))], grid)
    assert np.isinf(found.upper_um).all()
    assert (found.lower_um == 0).all()


def test_pixel_bounds_edge_is_a_contour_of_the_old_face():
    grid = Grid(x0_mm=0, y1_mm=12, px_per_mm=1, n_rows=12, n_cols=20)
    codes = np.full(grid.shape, int(SurfaceClass.SOUND), np.uint8)
    codes[:, 8:] = int(SurfaceClass.UNCUT)
    found = pixel_bounds([("test_lap", RemovedStock.of(10, 1), codes)], grid)
    ((level, xy),) = found.contours
    assert level == 10.0
    assert xy[:, 0].tolist() == pytest.approx([8.0] * 12)
    assert sorted(xy[[0, -1], 1].tolist()) == pytest.approx([0.5, 11.5])
