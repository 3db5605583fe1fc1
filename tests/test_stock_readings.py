"""Readings in a plan: those without a pit of their own, those given twice, those that speak against the map."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from stock_fakes import PITS, UNCUT, lapped_series, limit_sheet, need_for, needle, plan_of, read_at, surveyed

from pitmap.depth import READINGS, FaceSurvey, RemovedStock, readings_from_rows, with_readings
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.grid import Grid


def test_plan_free_reading_of_the_last_survey_counts():
    # Between two land pits: it belongs to one of them, and one of them is that deep.
    row = {
        "stage": "test_lap",
        "kind": "pit_depth",
        "x_mm": 90,
        "y_mm": 10,
        "value": 60,
        "unit": "um",
        "uncertainty": 4,
    }
    surveys = lapped_series()
    free = readings_from_rows([row]).table
    both = pd.concat([surveys[1].readings, free]).reset_index(drop=True).assign(reading_id=range(1, 8))
    plan = plan_of([surveys[0], replace(surveys[1], readings=both)])
    assert need_for(plan, "seal_land").stock_um.value == pytest.approx(60, abs=2)


def test_plan_leaves_a_pit_until_a_reading_without_one_is_reached():
    """200 um where the map shows no pit, and limits that allow 70: neither zone is clean at 70, whatever the map shows."""
    first, now = lapped_series()
    free = readings_from_rows([{"stage": "test_lap", "kind": "pit_depth", **read_at(140, 62, 200)}]).table
    both = pd.concat([now.readings, free]).reset_index(drop=True).assign(reading_id=range(1, 8))
    plan = plan_of([first, replace(now, readings=both)], limit_sheet(total_stock=90, stock_removed_before=0))
    (said,) = [r for r in plan.verdict.reasons if r.startswith("Your limits allow 70 um more")]
    assert "running surface about 1.0 pits left; seal land about 1.0 pits left" in said
    steps = plan.steps.set_index(["zone", "to_um"])
    assert steps.loc[("seal_land", 150.0), ["pits_left", "p_clean_after"]].tolist() == [1.0, 0.0]
    curve = plan.curves.set_index(["zone", "aim", "removal_um"])
    assert curve.loc[("seal_land", "pits", 150.0), ["value", "p_reached"]].tolist() == [1.0, 0.0]


def test_with_readings_attaches_by_stage():
    surveys = [replace(s, readings=READINGS.empty()) for s in lapped_series()]
    sheet = readings_from_rows(
        [
            {"stage": "intake", "kind": "pit_depth", "x_mm": 100.2, "y_mm": 9, "value": 47, "unit": "um"},
            {"stage": "test_lap", "kind": "pit_depth", "x_mm": 100.2, "y_mm": 9, "value": 27, "unit": "um"},
        ]
    )
    found = with_readings(surveys, sheet, position_sd_mm=0.2)
    # The same pit is number 5 of ten at intake and number 3 of six after the test lap.
    assert [s.readings["mark_id"].tolist() for s in found] == [[5], [3]]
    with pytest.raises(InputError, match="lap_3"):
        with_readings(
            surveys,
            readings_from_rows([{"stage": "lap_3", "kind": "hardness", "value": 600}]),
            position_sd_mm=1,
        )


def test_read_next_speaks_of_the_last_map():
    surveys = [surveyed("intake", 0), surveyed("test_lap", 30, readings=needle((1, 3), (3, 9)))]
    plan = plan_of(surveys)
    # Five pits are left of ten; their numbers on the new map run from 1 to 5.
    assert set(plan.read_next["mark_id"]) <= {1, 2, 3, 4, 5}
    deepest = plan.read_next.set_index("mark_id")["depth_um"]
    assert (deepest > 0).all()
    assert deepest.max() < 60


def _lapped(pits, *read, sd=5):
    """The pits at intake and after 20 um; those numbered in `read` were read after the lap, to `sd`."""
    depth = {k: p[3] - 20 for k, p in enumerate(pits, 1)}
    readings = needle(*((k, depth[k]) for k in read), sd=sd)
    return [surveyed("intake", 0, pits=pits), surveyed("test_lap", 20, pits=pits, readings=readings)]


def test_read_next_is_for_what_settles_the_stock_of_the_face():
    """The land is known worst, but the one deep pit of the running surface decides how much must come off."""
    land = [
        (20.0 + 15 * k, 10, d, depth, "seal_land")
        for k, (d, depth) in enumerate([(0.8, 32), (1.0, 38), (1.2, 44), (1.8, 50), (2.2, 52)])
    ]
    running = [
        (30.0 + 20 * k, 60, d, t, "running_surface") for k, (d, t) in enumerate([(0.7, 30), (3.0, 180)])
    ]
    plan = plan_of(_lapped([*land, *running], 1, 2, 3, 6, 7))
    width = {n.zone: n.stock_um.high - n.stock_um.low for n in plan.needed}
    assert width["seal_land"] > width["running_surface"]
    first = plan.read_next.iloc[0]
    assert (first["mark_id"], first["zone"]) == (7, "running_surface")
    # read as 160 um with a standard deviation of 5 um: 8 um either way in nine cases of ten
    depth = [first[name] for name in ("depth_low_um", "depth_um", "depth_high_um")]
    assert depth == pytest.approx([152, 160, 168], abs=4)
    # the error that is told is that of the figure: an interval of 90 % is 3.3 standard deviations wide
    assert first["spread_before_um"] == pytest.approx(width["running_surface"] / 3.29, rel=0.5)


def test_plan_says_which_pits_it_takes_on_trust():
    """The three widest of eight were read: that the five narrow ones are shallow is taken from their widths."""
    widths = (0.5, 0.6, 0.8, 0.9, 1.1, 2.0, 2.6, 3.2)
    pits = [(20.0 + 15 * k, 60, d, 30 + 8 * d, "running_surface") for k, d in enumerate(widths)]
    told = [r for r in plan_of(_lapped(pits, 6, 7, 8)).verdict.reasons if "taken from their widths" in r]
    assert told == [
        "5 of the 8 pits that are still there are narrower than any that was read (1.10 mm or less): how deep they are is"
        " taken from their widths, and one that is far deeper than its width says is in none of these figures. Read some of"
        " them."
    ]
    assert not any("widths" in r for r in plan_of(_lapped(pits, 1, 4, 8)).verdict.reasons)


def test_plan_says_which_pits_are_wider_than_any_that_was_read():
    """The six narrowest of eight were read: what is said of the two wide ones is drawn out from narrow ones."""
    widths = (0.5, 0.6, 0.8, 0.9, 1.1, 1.3, 2.0, 2.6)
    pits = [(20.0 + 15 * k, 60, d, 30 + 8 * d, "running_surface") for k, d in enumerate(widths)]
    said = [r for r in plan_of(_lapped(pits, 1, 2, 3, 4, 5, 6)).verdict.reasons if "wider than" in r]
    assert said == [
        "2 of the 8 pits that are still there are wider than any that was read (2.00 mm or more): their depth is drawn out"
        " from narrower ones, and wide pits are mostly the deepest. Read the widest of them."
    ]
    (one,) = [r for r in plan_of(_lapped(pits, 1, 2, 3, 4, 5, 6, 7)).verdict.reasons if "wider than" in r]
    assert one.startswith(
        "1 of the 8 pits that are still there is wider than any that was read (2.60 mm or more)"
    )
    assert not any("wider than" in r for r in plan_of(_lapped(pits, 1, 4, 8)).verdict.reasons)


def test_plan_says_which_pits_lie_in_metal_that_the_lap_has_not_reached():
    """Of five pits two stand in old finish after 20 um: on a dished plate that may lie 80 um down as well as 20."""
    pits = [
        (20.0 + 15 * k, 60, d, 30 + 8 * d, "running_surface") for k, d in enumerate((0.6, 0.9, 1.2, 1.8, 2.4))
    ]
    series = _lapped(pits, 1, 3, 4, 5)
    last = replace(series[-1], is_reached=lambda xy, radius_mm: np.where(xy[:, 0] < 60, 1.0, 0.0))
    said = [r for r in plan_of([*series[:-1], last]).verdict.reasons if "has not reached" in r]
    assert said == [
        "2 of the 5 pits that are still there lie in metal that the lap has not reached. How far that metal lies under the"
        " lap's plane a photo cannot tell: it is taken for 20 um at most, and on a warped plate it can be more: then more"
        " must come off than is said here. Lap a step, photograph and plan again before you take it all."
    ]
    for told in (1.0, np.nan):
        last = replace(series[-1], is_reached=lambda xy, radius_mm, told=told: np.full(len(xy), told))
        assert not any("has not reached" in r for r in plan_of([*series[:-1], last]).verdict.reasons)


def test_plan_names_a_zone_in_which_no_pit_was_read():
    """The four widest pits of the land were read and none of the running surface: what is given for it is on trust."""
    widths = {"seal_land": (0.6, 0.8, 1.8, 2.0, 2.6, 3.2), "running_surface": (0.7, 0.9, 1.1, 2.0)}
    pits = [
        (20.0 + 15 * k, 10 if zone == "seal_land" else 60, d, 30 + 8 * d, zone)
        for zone, of_zone in widths.items()
        for k, d in enumerate(of_zone)
    ]
    told = [r for r in plan_of(_lapped(pits, 3, 4, 5, 6)).verdict.reasons if "still there" in r]
    assert told[0].startswith("5 of the 10 pits that are still there are narrower than any that was read")
    assert told[1:] == [
        "None of the 4 pits of the running surface that are still there was read: how deep they are is taken from what was"
        " read in other zones, and the pits of one zone can lie deeper than those of another. Read some of them."
    ]
    one_read = plan_of(_lapped(pits, 3, 4, 5, 6, 10)).verdict
    assert one_read.headline.startswith("Lap about") and not any("other zones" in r for r in one_read.reasons)


@pytest.mark.parametrize(("value", "said"), [(0.0, "0"), (-1.0, "-1"), (math.nan, "nan")])
def test_face_survey_takes_no_reading_without_an_uncertainty(value, said):
    survey = surveyed("test_lap", 20, readings=[{"mark": 1, "value": "150 um"}])
    readings = survey.readings.assign(uncertainty_um=value)
    with pytest.raises(InputError, match=f"uncertainty_um: expected a number above 0, got {said}$"):
        replace(survey, readings=readings)


def test_face_survey_from_inspection_knows_where_the_map_shows_sound_metal():
    grid = Grid(x0_mm=0, y1_mm=20, px_per_mm=1, n_rows=20, n_cols=30)
    codes = np.full(grid.shape, 1, np.uint8)
    codes[:, 15:] = 255
    whole = surveyed("test_lap", 20)
    record = SimpleNamespace(
        stage="test_lap",
        removed_um=Estimate(value=20, low=17, high=23),
        measurement=SimpleNamespace(
            marks=whole.marks, zones=None, lands=None, sound_width_mm=Estimate.unknown("no land", level=0.5)
        ),
        readings=whole.readings,
        class_map=SimpleNamespace(codes=codes, grid=grid),
    )
    found = FaceSurvey.from_inspection(record)
    assert found.level == 0.5
    assert float(found.removed.sd_at((0, 0))) == pytest.approx(3 / 1.6448536)
    places = np.array([[5.0, 5.0], [20.0, 5.0], [200.0, 5.0], [13.0, 10.0], [14.5, 10.0]])
    # In the open; not seen; off the map; a disc that just fits; one that is half hidden.
    assert found.is_bare(places, np.full(5, 2.0)).tolist() == [True, False, False, True, False]
    # A spot that reads sound by a close call holds the pit under it open, elsewhere it does not.
    record.class_map.confidence = np.full(grid.shape, 0.95, np.float32)
    record.class_map.confidence[5, 5] = 0.3
    record.photo_px_per_mm = 4.0
    found = FaceSurvey.from_inspection(record)
    assert found.is_bare(np.array([[5.0, 14.0], [5.0, 5.0]]), np.full(2, 2.0)).tolist() == [False, True]
    # Three pixels of 0.25 mm, rounded up.
    assert found.shown_mm == 0.8
    codes[8:12, 3:7] = UNCUT
    assert not FaceSurvey.from_inspection(record).is_bare(np.array([[5.0, 10.0]]), np.array([2.0])).any()


def test_map_of_any_scale_shows_a_disc_as_sound_that_is_so_over_three_quarters():
    """Sound up to x = 15 mm: of a disc of 4 mm about x = 14 a fifth lies beyond, about 14.5 a third."""
    grid = Grid(x0_mm=0, y1_mm=20, px_per_mm=5, n_rows=100, n_cols=150)
    codes = np.full(grid.shape, 1, np.uint8)
    codes[:, 75:] = UNCUT
    whole = surveyed("test_lap", 20)
    record = SimpleNamespace(
        stage="test_lap",
        removed_um=Estimate(value=20, low=17, high=23),
        measurement=SimpleNamespace(
            marks=whole.marks, zones=None, lands=None, sound_width_mm=Estimate.unknown("no land")
        ),
        readings=whole.readings,
        class_map=SimpleNamespace(codes=codes, grid=grid),
    )
    is_bare = FaceSurvey.from_inspection(record).is_bare
    places = np.array([[13.0, 10.0], [14.0, 10.0], [14.5, 10.0], [16.0, 10.0]])
    assert is_bare(places, np.full(4, 2.0)).tolist() == [True, True, False, False]


def test_plan_needle_counts_against_a_map_that_missed_the_pit():
    deep = surveyed("intake", 0, pits=[PITS[4]], readings=needle((1, 150), sd=8))
    plan = plan_of([deep, surveyed("test_lap", 20, pits=[])])
    assert plan.verdict.outcome != "polish only"
    assert need_for(plan, "seal_land").recommended_um > 120
    assert any("the reading counts, look there again" in p for p in plan.problems)


def test_plan_readings_without_a_pit_of_their_own_stay_in_the_plan():
    # the three pits that are left on the land are read; the hole beside them is on no map
    free = [*needle((1, 6), (2, 13), (3, 27)), read_at(100, 13, 150)]
    first = lapped_series()[1]
    there = replace(first, readings=surveyed("test_lap", 20, readings=free).readings)
    # At the survey itself, then 10 um later without reading it again: 140 are left.
    assert need_for(plan_of([lapped_series()[0], there]), "seal_land").stock_um.value == pytest.approx(
        150, abs=3
    )
    later = need_for(plan_of([lapped_series()[0], there, surveyed("lap_1", 30)]), "seal_land")
    assert later.stock_um.value == pytest.approx(140, abs=4)
    # Where the map shows no pit near by, both working zones wait for it; where it shows none at all, too.
    lone = replace(
        surveyed("test_lap", 20, pits=[]),
        readings=surveyed("test_lap", 20, readings=[read_at(70, 40, 90)]).readings,
    )
    plan = plan_of([surveyed("intake", 0, pits=[]), lone])
    assert plan.verdict.outcome == "lap"
    for zone in ("seal_land", "running_surface"):
        assert need_for(plan, zone).recommended_um == pytest.approx(96, abs=3)
    assert any(
        "a reading belongs to no one pit of the map; for the stock it counts all the same: 90 um after the test lap"
        in p
        for p in plan.problems
    )
    # and why it belongs to none
    typed = replace(lone, readings=lone.readings.assign(note="no pit has the number 9999 on this map"))
    plan = plan_of([surveyed("intake", 0, pits=[]), typed])
    assert any(
        "90 um after the test lap (no pit has the number 9999 on this map)" in p for p in plan.problems
    )


def test_plan_free_reading_from_metal_under_the_plane_reaches_as_much_deeper():
    """150 um under metal that 20 um of stock missed and 30 um cut: 150 to 160 from 20 um on, so 145 from 30 um on."""

    def told(survey, reached):
        return replace(survey, is_reached=lambda xy, radius: np.full(len(xy), reached))

    first = replace(
        lapped_series()[1], readings=surveyed("test_lap", 20, readings=[read_at(100, 13, 150)]).readings
    )
    surveys = [lapped_series()[0], told(first, 0.0), told(surveyed("lap_1", 30), 1.0)]
    assert need_for(plan_of(surveys), "seal_land").stock_um.value == pytest.approx(145, abs=2)
    surveys[1] = told(first, 1.0)
    assert need_for(plan_of(surveys), "seal_land").stock_um.value == pytest.approx(140, abs=2)


def test_plan_reading_beside_a_pit_that_runs_onto_the_land_counts_for_the_land():
    """The mark lies mostly on the rim and cuts the land all the same; so may the hole that the needle found beside it."""
    rows = [*needle((1, 20)), read_at(112, 30, 90)]
    rim = surveyed("test_lap", 20, pits=[p for p in PITS if p[4] == "rim"], readings=rows)
    on_rim = plan_of([rim])
    assert need_for(on_rim, "seal_land").recommended_um == 0
    across = replace(rim, marks=rim.marks.assign(dist_trace_mm=0.0, dist_coolant_mm=0.0))
    plan = plan_of([across])
    assert need_for(plan, "seal_land").stock_um.value == pytest.approx(90, abs=1.5)
    assert need_for(plan, "running_surface").recommended_um == 0


def test_plan_place_that_was_read_again_needs_its_first_reading_no_more():
    between = [read_at(63, 10.5, 150)]  # 2.6 mm from the pits on either side: it may be any of them, or none
    first = replace(lapped_series()[1], readings=surveyed("test_lap", 20, readings=between).readings)
    again = [read_at(63.5, 10.5, 28), *needle((1, 1))]
    deep = [read_at(63.5, 10.5, 135)]
    shallow = surveyed("lap_1", 30, readings=again)
    assert any(
        "150 um after the test lap" in p for p in plan_of([lapped_series()[0], first, shallow]).problems
    )
    told = plan_of([lapped_series()[0], first, surveyed("lap_1", 30, readings=deep)]).problems
    assert not any("150 um after the test lap" in p for p in told)
    assert any("135 um after lap 1" in p for p in told)


def test_plan_free_reading_that_only_says_at_least_leaves_the_need_open():
    free = [*needle((1, 6), (2, 13), (3, 27)), read_at(100, 13, 150, lower_bound="yes")]
    there = replace(lapped_series()[1], readings=surveyed("test_lap", 20, readings=free).readings)
    need = need_for(plan_of([lapped_series()[0], there]), "seal_land")
    assert not need.stock_um.is_known
    assert "says only that the floor lies deeper" in need.stock_um.reason


def test_plan_reading_under_the_present_face_does_not_hang_on_the_stock():
    """Four pits read 60 +- 2 um: the deepest is 62 (60.2 to 64.3 by the maximum of four normals), whatever came off."""
    four = [(20.0 * k, 10, 2.0, 80, "seal_land") for k in range(1, 5)]
    read = needle(*[(k, 60) for k in range(1, 5)], sd=2)
    for sd in (0.0, 3.0, 10.0):
        after = replace(surveyed("test_lap", 20, pits=four, readings=read), removed=RemovedStock.of(20, sd))
        need = need_for(plan_of([surveyed("intake", 0, pits=four), after]), "seal_land")
        assert need.stock_um.value == pytest.approx(62.0, abs=1.0)
        assert need.recommended_um == pytest.approx(63.9, abs=1.2)


def test_plan_pit_that_a_lap_cleared_stays_cleared():
    """All of 30 pits are gone after 30 um; 31 +- 5 um off at the next survey, of glare, puts none of them back."""
    pits = [(7.0 * k, 10, 1.0, 29, "seal_land") for k in range(1, 31)]
    glare = replace(surveyed("lap_2", 31, pits=[], sd=5), is_bare=lambda xy, radius: np.zeros(len(xy), bool))
    plan = plan_of([surveyed("intake", 0, pits=pits), surveyed("lap_1", 30, pits=pits), glare])
    assert need_for(plan, "seal_land").recommended_um == 0.0


def test_plan_no_tilted_plane_while_a_reading_without_a_pit_may_lie_under_it():
    """Two pits of 10 and 70 um, and a needle that read 150 um beside them: the plane of the pits would leave it."""
    pits = [(0.0, 10, 2.0, 30, "seal_land"), (200.0, 10, 2.0, 90, "seal_land")]
    wide = {"face_bounds_mm": (0.0, 0.0, 240.0, 150.0), "tilt_max_um": 60.0}

    def planned(*free):
        read = [*needle((1, 10), (2, 70), sd=1), *free]
        return plan_of(
            [surveyed("intake", 0, pits=pits), surveyed("test_lap", 20, pits=pits, readings=read)], **wide
        )

    known = planned()
    assert known.plane is not None and known.plane.least_um < 15 < 70 < known.plane.largest_um
    deep = planned(read_at(100, 13, 150))
    assert deep.verdict.stock_um > 150 and deep.plane is None
    assert any(
        p.startswith("no tilted plane is given: the reading of 150 um after the test lap")
        for p in deep.problems
    )
    # A shallow one may still lie where the tilt takes least.
    assert planned(read_at(100, 13, 40)).plane is None


def test_plan_says_which_readings_no_rule_judges():
    rows = [
        {"kind": "straightedge", "x_mm": 5, "y_mm": 5, "value": 60, "unit": "um"},
        {"kind": "straightedge", "x_mm": 9, "y_mm": 5, "value": 40, "unit": "um"},
        {"kind": "hardness", "x_mm": 5, "y_mm": 5, "value": 450, "unit": "HV"},
    ]
    measured = replace(surveyed("intake", 0, pits=[]), readings=surveyed("intake", 0, readings=rows).readings)
    assert (
        "Judged by no rule: 2 straightedge readings and 1 hardness reading; hold them against the manual yourself."
        in plan_of([measured]).verdict.reasons
    )
    assert not any("no rule" in r for r in plan_of([surveyed("intake", 0, pits=[])]).verdict.reasons)


def _doubled(surveys):
    twice = []
    for s in surveys:
        both = pd.concat([s.readings, s.readings], ignore_index=True)
        twice.append(replace(s, readings=both.assign(reading_id=np.arange(1, len(both) + 1))))
    return twice


def test_a_sheet_pasted_twice_counts_once_and_is_told():
    spots = [
        {"stage": "test_lap", "kind": "thickness", "x_mm": x, "y_mm": 5.0, "value": 11.97, "unit": "mm"}
        for x in (10.0, 90.0)
    ]
    intake, lapped = lapped_series()
    both = pd.concat([lapped.readings, readings_from_rows(spots).table], ignore_index=True)
    lapped = replace(lapped, readings=both.assign(reading_id=np.arange(1, len(both) + 1)))
    once = plan_of([intake, lapped], limit_sheet(thickness_min=11.9))
    twice = plan_of(_doubled([intake, lapped]), limit_sheet(thickness_min=11.9))
    for zone in ("seal_land", "running_surface"):
        assert need_for(twice, zone).stock_um == need_for(once, zone).stock_um
    assert twice.budget == once.budget
    assert twice.problems == (
        "after the test lap: 8 readings repeat others in every entry, as when a sheet is pasted twice; each counts once. "
        "Where a place was truly read again, say so in the note of that reading",
        *once.problems,
    )


def test_like_readings_without_a_place_are_not_taken_for_one():
    lines = [{"stage": "test_lap", "kind": "straightedge", "value": 30, "unit": "um"}] * 2
    first, now = lapped_series()
    plan = plan_of([first, replace(now, readings=readings_from_rows(lines).table)])
    assert plan.problems == ()
    assert any(r.startswith("Judged by no rule: 2 straightedge readings;") for r in plan.verdict.reasons)


@pytest.mark.parametrize(
    "again", [{"value": 28}, {"instrument": "dial"}, {"note": "read again"}, {"uncertainty": 4}]
)
def test_a_reading_that_differs_from_another_in_anything_counts_beside_it(again):
    rows = needle((1, 6), (2, 13), (3, 27), (4, 8), (5, 19), (6, 35))
    plan = plan_of([surveyed("intake", 0), surveyed("test_lap", 20, readings=[*rows, {**rows[2], **again}])])
    assert plan.problems == ()
    alone = plan_of([surveyed("intake", 0), surveyed("test_lap", 20, readings=rows)])
    ends = [need_for(p, "seal_land").stock_um for p in (plan, alone)]
    assert ends[0].high - ends[0].low < 0.9 * (ends[1].high - ends[1].low)


def test_plan_calls_a_pit_by_its_number_on_the_map_and_a_depth_as_it_was_read():
    """Pit 7 of the nine that 14 um leave, read twice, is number 4 of the six that are left after 27 um."""
    twice = [{"mark": 7, "value": v, "unit": "um", "uncertainty": 6} for v in (129, 198)]
    surveys = [surveyed("intake", 0), surveyed("test_lap", 14, readings=twice), surveyed("lap_1", 27)]
    places = [
        surveys[k].marks.set_index("mark_id").loc[n, ["x_mm", "y_mm"]].tolist() for k, n in ((1, 7), (2, 4))
    ]
    assert places == [[70, 64], [70, 64]]
    said = "pit 4 of the map after lap 1 (number 7 after the test lap): readings of 129 um and 198 um after the test lap are"
    assert any(p.startswith(said) for p in plan_of(surveys).problems)
    inch = [
        p for p in plan_of(surveys, system="inch").problems if p.startswith("pit 4 of the map after lap 1")
    ]
    assert "readings of 5.1 thou and 7.8 thou after the test lap are" in inch[0] and " um" not in inch[0]


def test_plan_reading_against_the_steps_is_named_as_it_was_taken():
    low = [{"mark": 2, "value": 3, "unit": "um", "uncertainty": 1}]
    surveys = [surveyed("intake", 0, readings=low), surveyed("test_lap", 14)]
    # pit 2 of the intake (18 um deep) is the first that 14 um leave
    said = (
        "pit 1 of the map after the test lap (number 2 at intake): the reading of 3 um at intake speaks against the lap"
        " steps: "
    )
    assert any(
        p.startswith(said + "with 14 um off the pit was still there;") for p in plan_of(surveys).problems
    )


def test_plan_reading_against_the_later_map_is_named_as_it_was_taken():
    deep = [{"mark": 1, "value": 60, "unit": "um", "uncertainty": 2}]
    surveys = [surveyed("intake", 0), surveyed("test_lap", 10, readings=deep), surveyed("lap_1", 20)]
    said = (
        "pit 1 of the map after the test lap: the reading of 60 um after the test lap speaks against the later map after "
        "lap 1, which no longer shows the pit with 20 um off;"
    )
    assert any(p.startswith(said) for p in plan_of(surveys).problems)


def test_plan_contradicting_surveys_name_pits_of_the_map():
    hidden = [p for p in PITS if p[0] != 90]
    surveys = [surveyed("intake", 0), surveyed("test_lap", 14, pits=hidden), surveyed("lap_1", 30)]
    said = (
        "of the map after lap 1: not seen after the test lap (14 um off), seen again after lap 1 (30 um off);"
    )
    (found,) = (p for p in plan_of(surveys).problems if said in p)
    number = int(found.split()[1])
    assert surveys[2].marks.set_index("mark_id").loc[number, "x_mm"] == 90
    inch = plan_of(surveys, system="inch").problems
    assert any(
        "not seen after the test lap (0.6 thou off), seen again after lap 1 (1.2 thou off)" in p for p in inch
    )


def test_plan_stock_that_falls_is_told_in_the_units_of_the_plan():
    surveys = [surveyed("test_lap", 40), surveyed("lap_1", 20)]
    said = "less stock is said to be off at a later survey: {} after the test lap, {} after lap 1;"
    assert any(p.startswith(said.format("40 um", "20 um")) for p in plan_of(surveys).problems)
    assert any(
        p.startswith(said.format("1.6 thou", "0.8 thou")) for p in plan_of(surveys, system="inch").problems
    )


def test_plan_reading_without_a_place_loses_what_came_off_at_the_middle_of_the_pits():
    """Stock of 10 um more there, tilted by 0.2 um a mm: at the drawing's origin, in a corner, 18 um less came off."""
    first = surveyed("test_lap", 20, readings=[*needle((1, 6), (2, 13), (3, 27)), read_at(100, 13, 150)])
    readings = first.readings.copy()
    readings.loc[3, ["x_mm", "y_mm"]] = math.nan
    first = replace(first, readings=readings)
    x, y = np.mean([(p[0], p[1]) for p in PITS if p[3] > 20], axis=0)
    tilted = RemovedStock(
        coefficients=(30.0 - 0.2 * x - 0.1 * y, 0.2, 0.1), covariance=np.diag([1.0, 0.0, 0.0])
    )
    pits = [p for p in PITS if p[3] > 20]
    surveys = [surveyed("intake", 0, pits=pits), first, replace(surveyed("lap_1", 30), removed=tilted)]
    assert need_for(plan_of(surveys), "seal_land").stock_um.value == pytest.approx(140, abs=2)
