"""Surveys of a face in a row: series, depth from laps, jobs that follow each other, what cannot be compared."""

import math
from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest
from compare_strips import PIT, UNSEEN, make_series, pits, strip, survey

from pitmap.classes import Stage
from pitmap.compare import (
    FATES,
    SERIES,
    SURVEYS,
    TRACKS,
    ZONE_CHANGES,
    Repeatability,
    Rules,
    compare,
)
from pitmap.compare.series import stock_over_jobs
from pitmap.compare.step import Step
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.flags import Flag


@pytest.fixture
def drawing():
    return strip()


def test_deepest_pit_is_bounded_where_the_stock_of_one_survey_is_not_known(drawing):
    """A pit seen with unknown stock off lies under the first face; one gone with unknown stock off is gone at the next."""

    def series(*stocks):
        shown = [(PIT, 10, 10, 2.0)]
        surveys = [
            survey(drawing, shown if k == 0 else [], stage, 0.0, on=date(2025, 5, 1 + 8 * k))
            for k, stage in enumerate(("test_lap", "lap_1", "lap_2")[: len(stocks)])
        ]
        for s, um in zip(surveys, stocks):
            known = Estimate(value=um or 0.0, low=um or 0.0, high=um or 0.0)
            s.removed_um = Estimate.unknown("not entered") if um is None else known
        table = compare(surveys, drawing).series
        rows = table[(table["quantity"] == "deepest_um") & (table["zone"] == "running_surface")]
        return rows[["low", "high"]].iloc[-1].tolist()

    assert series(None, 30.0) == [0.0, 30.0]
    assert series(10.0, None, 30.0) == [10.0, 30.0]
    assert series(10.0, 25.0, 30.0) == [10.0, 25.0]


def test_a_long_pause_names_the_surveys_as_a_sentence_does(drawing):
    a = survey(drawing, [], "test_lap", 10.0, on=date(2024, 5, 1))
    b = survey(drawing, [], "lap_1", 20.0, on=date(2025, 5, 1))
    (said,) = compare([a, b], drawing).problems
    assert said.startswith(
        "the survey after the test lap on 2024-05-01 and that after lap 1 on 2025-05-01 are taken for"
    )


def test_series_bounds_the_depth_of_every_pit(drawing):
    """Stock of 10, 25 and 40 um, 1 um either way: a pit seen at 25 may be 24 um deep, one gone at 40 may have had 41."""
    c = compare(list(reversed(make_series(drawing))), drawing)
    assert c.surveys["stage"].tolist() == ["test_lap", "lap_1", "lap_2"]
    t = c.tracks[c.tracks["class_code"] == PIT].sort_values("y_mm")
    assert t[["depth_low_um", "depth_high_um"]].to_numpy().tolist() == [[24.0, 41.0], [9.0, 26.0]]
    assert t["gone_survey"].tolist() == [3, 2]
    assert t["mark_ids"].tolist()[0].split()[0].startswith("1:")
    s = c.series[c.series["quantity"] == "deepest_um"].set_index(["zone", "survey"])
    assert s.loc[("seal_land", 1), ["low", "high"]].tolist() == [9.0, math.inf]
    assert s.loc[("seal_land", 3), ["low", "high"]].tolist() == [24.0, 41.0]
    uncut = c.series[(c.series["quantity"] == "uncut_share") & (c.series["zone"] == "running_surface")]
    assert uncut["value"].iloc[0] == pytest.approx(25 * math.pi / 1600, rel=0.02)
    assert uncut["value"].iloc[2] == 0.0
    assert (c.overall.before, c.overall.after) == (1, 3) and len(c.pairs) == 2


def test_series_sound_width_is_that_of_all_places(drawing):
    """Another place than the narrowest one may have less behind metal that was not seen."""
    surveys = make_series(drawing)
    lands = pd.DataFrame({"sound_width_mm": [4.0, 4.4], "sound_width_low_mm": [3.5, 1.2]})
    surveys[0].measurement.lands = lands
    surveys[0].measurement.sound_width_mm = Estimate(value=4.0, low=1.2, high=4.5)
    surveys[1].measurement.sound_width_mm = Estimate.unknown("the drawing has no seal land")
    s = compare(surveys, drawing).series
    s = s[s["quantity"] == "sound_width_mm"].set_index("survey")
    assert s.loc[1, ["value", "low", "high", "reason"]].tolist() == [4.0, 1.2, 4.5, ""]
    assert math.isnan(s.loc[2, "value"]) and s.loc[2, "reason"] == "the drawing has no seal land"


def test_series_pit_seen_again_was_not_gone(drawing):
    spot = (PIT, 50, 10, 2.0)
    series = [
        survey(drawing, [spot], "test_lap", 10, date(2025, 5, 2)),
        survey(drawing, [], "lap_1", 25, date(2025, 5, 3)),
        survey(drawing, [spot], "lap_2", 40, date(2025, 5, 4)),
    ]
    c = compare(series, drawing)
    assert c.pairs[0].fates["fate"].tolist() == ["cannot_tell"]
    assert "survey 3 shows it again" in c.pairs[0].fates["why"].iloc[0]
    assert c.pairs[1].fates["fate"].tolist() == ["same"]
    assert len(c.tracks) == 1 and c.tracks["gone_survey"].iloc[0] == -1
    assert c.tracks["flags"].iloc[0] & Flag.CONTRADICTION
    assert c.tracks["depth_low_um"].iloc[0] == 39.0 and math.isinf(c.tracks["depth_high_um"].iloc[0])


def test_series_pit_hidden_once_is_gone_at_the_next_sight(drawing):
    series = [
        survey(drawing, [(PIT, 50, 10, 2.0)], "test_lap", 10, date(2025, 5, 2)),
        survey(drawing, [(UNSEEN, 50, 10, 5.0)], "lap_1", 25, date(2025, 5, 3)),
        survey(drawing, [], "lap_2", 40, date(2025, 5, 4)),
    ]
    t = compare(series, drawing).tracks
    assert t["gone_survey"].tolist() == [3]
    assert t[["depth_low_um", "depth_high_um"]].to_numpy().tolist() == [[9.0, 41.0]]


def test_series_counts_stock_on_over_a_plate_that_comes_back(drawing):
    first = make_series(drawing)
    back = survey(drawing, [], "intake", 0, date(2029, 1, 1))
    c = compare([*first, back], drawing)
    assert c.surveys["removed_um"].tolist() == [10.0, 25.0, 40.0, 40.0]
    assert not c.pairs[-1].step.is_cut


def test_series_zone_that_was_not_seen_has_no_count_of_pits(drawing):
    hidden = survey(drawing, [], "lap_1", 25, date(2025, 5, 3))
    land = hidden.measurement.zones["zone"] == "seal_land"
    hidden.measurement.zones.loc[land, ["share", "share_low", "share_high"]] = math.nan
    c = compare([make_series(drawing)[0], hidden], drawing)
    counts = c.series[c.series["quantity"] == "n_pits"].set_index(["zone", "survey"])
    assert counts["value"]["seal_land", 1] == 2
    assert math.isnan(counts["value"]["seal_land", 2])
    assert counts["reason"]["seal_land", 2] == "nothing of the zone was seen"
    assert counts["value"]["running_surface", 2] == 0


def test_compare_tables_keep_their_schema_when_nothing_is_found(drawing):
    c = compare([survey(drawing, []), survey(drawing, [], "lap_1", 20)], drawing)
    for schema, table in (
        (FATES, c.overall.fates),
        (ZONE_CHANGES, c.overall.zone_changes),
        (SURVEYS, c.surveys),
        (SERIES, c.series),
        (TRACKS, c.tracks),
    ):
        schema.check(table)
    assert len(c.overall.fates) == 0 and len(c.tracks) == 0


def test_compare_refuses_what_cannot_be_compared(drawing):
    a, b = survey(drawing, []), survey(drawing, [])
    with pytest.raises(InputError, match="two or more"):
        compare([a], drawing)
    b.face = "rear"
    with pytest.raises(InputError, match="compare: the surveys differ in face: front, rear"):
        compare([a, b], drawing)
    b.face, b.drawing_name = "front", "Disc"
    with pytest.raises(InputError, match="compare: the surveys differ in drawing: Disc, Strip"):
        compare([a, b], drawing)
    b.drawing_name = "Strip"
    with pytest.raises(InputError, match="alignment_error_mm"):
        compare([a, b], drawing, alignment_error_mm=0.0)
    with pytest.raises(InputError, match=r"Rules\.level"):
        Rules(level=1.0)
    with pytest.raises(InputError, match="common_edge_mm"):
        Repeatability(common_edge_mm=-1)


@pytest.mark.parametrize(
    ("before", "after", "is_cut", "is_same_visit"),
    [
        (("intake", 0, date(2025, 5, 1)), ("test_lap", 10, date(2025, 5, 1)), True, False),
        (("lap_1", 20, date(2025, 5, 1)), ("lap_1", 20, date(2025, 5, 1)), False, True),
        (("lap_1", 20, date(2025, 5, 1)), ("lap_1", 30, date(2025, 5, 1)), True, False),
        (("lap_1", 20, date(2025, 5, 1)), ("final", 20, date(2025, 5, 1)), False, True),
        (("final", 30, date(2025, 5, 1)), ("intake", 0, date(2027, 5, 1)), False, False),
        (("final", 30, None), ("intake", 0, date(2027, 5, 1)), False, True),
        # The next job: its stock starts from nothing, so less of it is a cut all the same.
        (("final", 60, date(2020, 1, 1)), ("final", 30, date(2024, 1, 1)), True, False),
        (("test_lap", 20, date(2020, 1, 1)), ("test_lap", 15, date(2024, 1, 1)), True, False),
        (("final", 60, date(2020, 1, 1)), ("test_lap", 15, date(2024, 1, 1)), True, False),
        (("final", 60, date(2020, 1, 1)), ("test_lap", None, date(2024, 1, 1)), True, False),
        (("lap_1", 35, date(2020, 1, 1)), ("final", 20, date(2024, 1, 1)), True, False),
        (("final", 60, date(2020, 1, 1)), ("intake", None, date(2024, 1, 1)), False, False),
        # One stage and stock that is not known: nobody can say.
        (("final", 30, date(2020, 1, 1)), ("final", None, date(2024, 1, 1)), None, False),
    ],
)
def test_step_between_surveys(before, after, is_cut, is_same_visit):
    step = Step.between(bare(*before), bare(*after))
    assert (step.is_cut, step.is_same_visit) == (is_cut, is_same_visit)


def bare(stage, removed, on):
    """A survey of which only stage, stock (+- 1 um) and day are known."""
    e = Estimate.unknown("not entered")
    if removed is not None:
        e = Estimate(value=removed, low=removed - 1, high=removed + 1)
    return SimpleNamespace(stage=Stage(stage), removed_um=e, surveyed_on=on)


def test_step_over_a_job_that_came_and_went():
    """Of one lap with 20 um off to one of the next job with 20 um off: the ends look alike, and 40 um lie between."""
    day = date(2020, 1, 1)
    jobs = [
        bare("test_lap", 20, day), bare("final", 40, day), bare("intake", 0, date(2024, 1, 1)),
        bare("test_lap", 20, date(2024, 1, 2)),
    ]  # fmt: skip
    assert Step.between(jobs[0], jobs[-1]).is_cut is False
    assert Step.over(jobs).is_cut is True
    # Back at intake the metal of the first job's last cut is off, though the next one has cut nothing.
    assert Step.over(jobs[:3]).is_cut is True
    assert Step.over(jobs[1:3]).is_cut is False


@pytest.mark.parametrize(
    ("stages", "stock", "over_jobs"),
    [
        (["intake", "final", "intake", "test_lap"], [0, 60, None, 15], [0, 60, math.nan, 75]),
        (["test_lap", "final", "test_lap"], [20, 20, 25], [20, 20, 45]),
        (["final", "final"], [60, 30], [60, 90]),
        (["test_lap", "lap_1", "final"], [20, 35, 35], [20, 35, 35]),
        (["final", "intake", "lap_1"], [60, 60, 75], [60, 60, 75]),
        (["final", "intake", "lap_1"], [None, 0, 15], [math.nan] * 3),
    ],
)
def test_stock_is_counted_on_over_jobs(stages, stock, over_jobs):
    surveys = [bare(s, r, date(2020 + k, 1, 1)) for k, (s, r) in enumerate(zip(stages, stock, strict=True))]
    assert [e.value for e in stock_over_jobs(surveys)] == pytest.approx(over_jobs, nan_ok=True)


def test_stock_counted_on_over_jobs_carries_the_errors_of_both():
    """60 +- 1 um and then 15 +- 1 um: 75 um, give or take the root of two."""
    surveys = [bare(s, r, date(2020 + k, 1, 1)) for k, (s, r) in enumerate((("final", 60), ("test_lap", 15)))]
    found = stock_over_jobs(surveys)[1]
    assert (found.value - found.low, found.high - found.value) == pytest.approx((2**0.5, 2**0.5))


@pytest.mark.parametrize(
    ("second", "told"),
    [
        (
            ("test_lap", 35, date(2024, 5, 1)),
            True,
        ),  # the plate of 2020 came back, or lay there for four years
        (("lap_1", 35, date(2024, 5, 1)), True),
        (("test_lap", 35, date(2020, 5, 20)), False),
        (("intake", 0, date(2024, 5, 1)), False),  # stage and stock tell the new job
        (("test_lap", 10, date(2024, 5, 1)), False),
    ],
)
def test_half_a_year_within_one_job_is_told(drawing, second, told):
    first = survey(drawing, [], "test_lap", 20, date(2020, 5, 1))
    problems = compare([first, survey(drawing, [], *second)], drawing).problems
    said = [p for p in problems if p.startswith("the survey after the test lap on 2020-05-01 and ")]
    assert len(said) == told
    assert not told or said[0].endswith("or with the intake of the new job between them.")


def test_compare_cut_of_the_next_job_opens_and_clears(drawing):
    first = survey(drawing, [(PIT, 10, 10, 2.0)], "final", 60, date(2020, 1, 1))
    again = survey(drawing, [(PIT, 30, 10, 2.0)], "final", 30, date(2024, 1, 1))
    f = pits(compare([first, again], drawing))
    assert f["fate"].tolist() == ["gone", "opened_up"]
    assert not (f["flags"] & int(Flag.CONTRADICTION)).any()
