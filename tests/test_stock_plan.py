"""The whole way: surveys, readings and limits in, a plan with a verdict out."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stock_fakes import (
    LANDS,
    PITS,
    SCORE,
    STAIN,
    TINT,
    lapped_series,
    limit_sheet,
    need_for,
    needle,
    plan_of,
    surveyed,
    zones_unseen,
)

from pitmap.cli.plan import print_plan, write_plan
from pitmap.depth import READINGS, FaceSurvey, RemovedStock, readings_from_rows
from pitmap.errors import InputError
from pitmap.stock import (
    CAUTION,
    CURVES,
    STEPS,
    plan_stock,
)
from pitmap.workflow import asked_by_plan


def test_plan_lap_about():
    plan = plan_of(lapped_series(), limit_sheet(total_stock=120))
    assert plan.verdict.outcome == "lap"
    # The deepest read pits: 27 um left on the land, 35 on the running surface.
    assert need_for(plan, "seal_land").stock_um.covers(27)
    assert need_for(plan, "running_surface").stock_um.covers(35)
    # Both zones together need a little more than the worse one alone.
    zones = [need_for(plan, z).recommended_um for z in ("seal_land", "running_surface")]
    assert max(zones) <= plan.verdict.stock_um <= max(zones) + 2
    assert 35 < plan.verdict.stock_um < 50
    assert plan.verdict.headline.startswith("Lap about")
    assert plan.verdict.reasons[-1] == CAUTION
    assert plan.removed_um.value == 20
    # The rim has the deepest pit of all: it carries no seal and asks for nothing.
    assert plan.model.deepest("rim").value > 60 or not plan.model.deepest("rim").is_known


def test_plan_curves_and_steps():
    plan = plan_of(
        lapped_series(share=0.1),
        limit_sheet(sound_width_min=7.0, total_stock=120, case_depth=300, stock_removed_before=0),
    )
    assert CURVES.check(plan.curves) is plan.curves
    assert STEPS.check(plan.steps) is plan.steps
    for _, curve in plan.curves.groupby(["zone", "aim"]):
        assert (curve["value_low"] <= curve["value"] + 1e-9).all()
        assert (curve["value"] <= curve["value_high"] + 1e-9).all()
        sign = 1 if curve["aim"].iat[0] == "sound_width" else -1
        assert (sign * np.diff(curve["value"]) >= -1e-9).all()
    pits = plan.curves[(plan.curves["zone"] == "seal_land") & (plan.curves["aim"] == "pits")]
    assert pits["value"].iat[0] == pytest.approx(3, abs=0.15)
    assert pits["p_reached"].iat[-1] > 0.95
    width = need_for(plan, "seal_land", "sound_width")
    # Only the pit of 2.2 mm leaves less than 7 mm of 8; it is the deepest on the land.
    assert width.stock_um.covers(27)
    step = plan.steps[plan.steps["zone"] == "seal_land"].iloc[0]
    assert (step["from_um"], step["to_um"]) == (0, 10)
    assert step["pits_cleared"] > 0
    assert "10 um of stock of 100 um allowed" in step["uses"]
    assert "of 280 um case" in step["uses"]
    assert set(plan.steps["uses"]) == {plan.each_step_uses}


def test_intervals_of_a_survey_are_read_at_its_own_level():
    """5.3 +- 0.6745 mm at 50 % is a standard deviation of 1 mm: 4.3 mm are there with a chance of 84.1 %."""
    width, half = 5.3, 0.67449
    lands = LANDS.assign(
        sound_width_mm=width, sound_width_low_mm=width - half, sound_width_high_mm=width + half
    )
    first, now = lapped_series()
    plan = plan_of([first, replace(now, lands=lands, level=0.5)], limit_sheet(sound_width_min=4.3))
    width = plan.curves[plan.curves["aim"] == "sound_width"].iloc[0]
    assert width["p_reached"] == pytest.approx(0.8413, abs=1e-3)
    (finding,) = [f for f in plan.verdict.findings if f.rule == "sound_width"]
    assert finding.value.level == 0.5


def test_every_interval_of_a_plan_has_the_level_that_was_asked_for():
    """At 50 % a standard deviation of 5 um is 3.37 um to either side: a wear step of 46 +- 5 um passes at 50 um."""
    step = {"stage": "test_lap", "kind": "wear_step", "value": 46, "unit": "um", "uncertainty": 5}
    first, now = lapped_series()
    both = pd.concat([now.readings, readings_from_rows([step]).table], ignore_index=True)
    now = replace(now, readings=both.assign(reading_id=np.arange(1, len(both) + 1)))
    for level, half, status in ((0.5, 0.67449 * 5, "pass"), (0.9, 1.64485 * 5, "watch")):
        plan = plan_of([first, now], limit_sheet(wear_step=50), level=level)
        (found,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
        assert (found.status, found.value.level) == (status, level)
        assert found.value.high == pytest.approx(46 + half, abs=1e-3)
        assert plan.removed_um.level == level
        assert plan.removed_um.high == pytest.approx(20 + half * 1.5 / 5, abs=1e-3)


def test_plan_counts_a_pit_once_that_the_lap_left_in_two_marks():
    """One mark of 3 mm at intake, two of 1 mm in it after the lap: one pit, though the map counts two marks."""
    whole, parts = (
        [(50, 10, 3.0, 60, "seal_land")],
        [(49, 10, 1.0, 60, "seal_land"), (51, 10, 1.0, 60, "seal_land")],
    )
    readings = needle((1, 40), (2, 30))
    surveys = [surveyed("intake", 0, pits=whole), surveyed("test_lap", 20, pits=parts, readings=readings)]
    curves = plan_of(surveys).curves
    now = curves[(curves.zone == "seal_land") & (curves.aim == "pits") & (curves.removal_um == 0)]
    assert now[["value", "value_low", "value_high"]].to_numpy().tolist() == [[1.0, 1.0, 1.0]]


def test_plan_test_lap_first():
    plan = plan_of([surveyed("intake", 0)])
    assert plan.verdict.outcome == "test lap first"
    assert math.isnan(plan.verdict.stock_um)
    with_readings = plan_of(
        [surveyed("intake", 0, readings=needle((1, 12), (3, 26), (5, 47), (7, 28), (9, 55)))]
    )
    assert with_readings.verdict.outcome == "test lap first"
    assert any("may be needed" in r for r in with_readings.verdict.reasons)


def test_plan_not_enough_readings_names_pits_to_read():
    wide = [(20.0 + 7 * i, 10, 0.5 + 0.1 * i, 200.0 + i, "seal_land") for i in range(9)]
    plan = plan_of([surveyed("intake", 0, pits=wide), surveyed("test_lap", 10, pits=wide)])
    assert plan.verdict.outcome == "not enough readings"
    # three that say most of the deepest, and three to see whether narrow pits are shallow
    assert plan.read_next["is_narrow"].tolist() == [False] * 3 + [True] * 3
    first = str(plan.read_next["mark_id"].iat[0])
    # every survey numbers its marks anew
    words = "Read these pits of the map after the test lap next, in this order: "
    assert any(r.startswith(words + first) for r in plan.verdict.reasons)
    assert not need_for(plan, "seal_land").stock_um.is_known


def test_plan_leave_alone_and_polish_only():
    bare = surveyed("intake", 0, pits=[])
    assert plan_of([bare]).verdict.outcome == "leave alone"
    tinted = surveyed("intake", 0, pits=[], others=[(TINT, "seal_land"), (TINT, "running_surface")])
    plan = plan_of([tinted])
    assert (plan.verdict.outcome, plan.verdict.stock_um) == ("leave alone", 0.0)
    assert any("Discoloured" in r for r in plan.verdict.reasons)
    stained = surveyed("intake", 0, pits=[], others=[(STAIN, "seal_land")])
    assert (plan_of([stained]).verdict.outcome, plan_of([stained]).verdict.stock_um) == ("polish only", 0.0)
    cleared = [surveyed("intake", 0), surveyed("test_lap", 60)]
    plan = plan_of(cleared)
    assert plan.verdict.outcome == "polish only"
    assert need_for(plan, "seal_land").recommended_um == 0.0


def test_plan_rim_damage_asks_for_nothing():
    rim = [p for p in PITS if p[4] == "rim"]
    assert plan_of([surveyed("intake", 0, pits=rim)]).verdict.outcome == "leave alone"


def test_plan_scores_are_named():
    plan = plan_of(lapped_series(others=[(SCORE, "running_surface")]))
    assert any(r.startswith("Scores are not in the stock figure") for r in plan.verdict.reasons)
    assert plan.verdict.outcome == "lap"


def test_plan_does_not_call_the_aim_reached_where_only_scores_are_left():
    """No depth of a score is in any figure."""
    plan = plan_of([surveyed("intake", 0), surveyed("test_lap", 60, others=[(SCORE, "seal_land")])])
    assert plan.verdict.outcome == "polish only"
    assert "scores are left: measure how deep they are" in plan.verdict.headline
    assert "aim is reached" not in plan.verdict.headline
    # nor is a job released without a word about them
    assert not plan.verdict.is_done and asked_by_plan(plan) == (plan.verdict.headline,)
    cleared = plan_of([surveyed("intake", 0), surveyed("test_lap", 60)])
    assert cleared.verdict.is_done and asked_by_plan(cleared) == ()


def test_plan_same_seed_same_plan_and_order_of_surveys():
    a, b = plan_of(lapped_series()), plan_of(lapped_series()[::-1])
    assert a.verdict == b.verdict
    pd.testing.assert_frame_equal(a.curves, b.curves)


def test_plan_in_inches():
    plan = plan_of(lapped_series(), limit_sheet(total_stock=120, stock_removed_before=0), system="inch")
    assert "thou" in plan.verdict.headline
    assert " um" not in plan.verdict.headline
    assert plan.steps["uses"].iat[0] == "0.4 thou of stock of 3.9 thou allowed"


def test_plan_bad_calls():
    with pytest.raises(InputError):
        plan_of([])
    with pytest.raises(InputError):
        plan_of(lapped_series(), confidence=1.0)
    with pytest.raises(InputError):
        FaceSurvey(
            stage="later", removed=RemovedStock.of(0, 0), marks=pd.DataFrame(), readings=READINGS.empty()
        )
    with pytest.raises(InputError, match="eq_diam_mm"):
        FaceSurvey(
            stage="intake",
            removed=RemovedStock.of(0, 0),
            marks=pd.DataFrame(columns=["mark_id"]),
            readings=READINGS.empty(),
        )


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 1000), st.floats(5, 30))
def test_more_stock_never_brings_a_pit_back(seed, stock):
    rng = np.random.default_rng(seed)
    depth = 20 * rng.lognormal(0, 0.5, 15)
    pits = [(10.0 * i, 10, 1.0, float(d), "seal_land") for i, d in enumerate(depth)]
    left = []
    for s in (stock, stock + 10):
        plan = plan_stock([surveyed("intake", 0, pits=pits), surveyed("test_lap", s, pits=pits)], rng=rng)
        left.append((plan.bounds.pits["last_survey"] == 1).sum())
        rows = plan.curves[(plan.curves["zone"] == "seal_land") & (plan.curves["aim"] == "pits")]
        assert (np.diff(rows["value"]) <= 1e-9).all()
        assert (np.diff(rows["p_reached"]) >= -1e-9).all()
    assert left[1] <= left[0]


def test_the_plan_is_written_as_plain_values(tmp_path):
    plan = plan_of(
        lapped_series(),
        limit_sheet(total_stock=120, sound_width_min=7.0),
        face_bounds_mm=(0, 0, 150, 80),
        tilt_max_um=20,
    )
    assert any("short of the limit of at least 7.00 mm" in f.sentence for f in plan.verdict.findings)
    assert plan.verdict.reasons[-1] == CAUTION
    assert len(set(plan.verdict.reasons)) == len(plan.verdict.reasons)

    def written(p):
        write_plan(p, tmp_path)
        return json.loads(
            (tmp_path / "plan.json").read_text(),
            parse_constant=lambda word: pytest.fail(f"{word} is no JSON"),
        )

    kept = written(plan)
    assert kept["verdict"]["outcome"] == "lap"
    deepest = pd.read_csv(tmp_path / "cross_checks.csv").set_index("method")
    assert deepest.index[0] == "pit-depth model of the plan" and "Gumbel, maximum likelihood" in deepest.index
    own = deepest.iloc[0]
    assert own["deepest_low_um"] <= own["deepest_um"] <= own["deepest_high_um"]
    assert own["deepest_um"] == pytest.approx(plan.model.deepest().value)
    assert kept["needed"][0]["stock_um"]["low"] < kept["needed"][0]["recommended_um"]
    bare = written(plan_of([surveyed("intake", 0)]))
    assert bare["verdict"]["stock_um"] is None
    assert bare["needed"][0]["stock_um"]["reason"]


def test_what_a_zone_needs_stands_with_how_much_of_it_was_not_seen(tmp_path, capsys):
    """Of a land 60 % of which was not seen the table said what its known pits need, and a chance of clean metal."""
    before, after = lapped_series()
    plan = plan_of([before, replace(after, zones=zones_unseen([0.6, 0.05]))])
    assert need_for(plan, "seal_land").stock_um.is_known
    (said,) = plan.unseen
    assert said.startswith("Seal land: 60 % of it was not seen. Stock needed, pits left and the chance")
    print_plan(plan, "mm")
    table = capsys.readouterr().out.partition("further stock:")[2].partition("what each further step buys")[0]
    assert said in table
    write_plan(plan, tmp_path)
    assert json.loads((tmp_path / "plan.json").read_text())["unseen"] == [said]
    assert plan_of([before, after]).unseen == ()
    # what is not known of a zone says why itself
    assert (
        plan_of([before, replace(after, zones=zones_unseen([0.6, 0.6]), readings=READINGS.empty())]).unseen
        == ()
    )


def test_what_a_step_uses_is_told_once_and_its_table_fits_a_terminal(capsys):
    """The same words stood in every row, in a table 150 letters wide."""
    sheet = limit_sheet(total_stock=120, case_depth=300, stock_removed_before=0)
    print_plan(plan_of(lapped_series(), sheet), "mm")
    steps = capsys.readouterr().out.partition("what each further step buys")[2].partition("limits:")[0]
    assert steps.count("10 um of stock of 100 um allowed") == 1
    _, *table, told, _, _ = steps.split("\n")
    assert told.startswith("  each step uses 10 um of stock") and max(map(len, table)) <= 80


def test_plan_tilted_plane():
    plan = plan_of(lapped_series(), face_bounds_mm=(0, 0, 150, 80), tilt_max_um=30)
    assert plan.plane.parallel_um == pytest.approx(plan.verdict.stock_um, abs=0.5)
    assert plan.plane.mean_um <= plan.plane.parallel_um + 1e-6
    assert plan.plane.saving_um.reason
    assert plan_of(lapped_series()).plane is None


def test_plan_says_that_all_zones_at_once_need_more_than_any_one():
    plan = plan_of(lapped_series())
    alone = max(n.recommended_um for n in plan.needed)
    told = any(r.startswith("That is for all working zones at once") for r in plan.verdict.reasons)
    assert told == (plan.verdict.stock_um > alone + 1.0)
    one = plan_of(
        [
            surveyed("intake", 0, pits=PITS[:5]),
            surveyed("test_lap", 20, pits=PITS[:5], readings=needle((1, 6), (2, 13), (3, 27))),
        ]
    )
    assert one.verdict.outcome == "lap"
    assert not any(r.startswith("That is for all working zones at once") for r in one.verdict.reasons)


def test_plan_pit_that_runs_from_the_rim_onto_the_land_is_damage_of_the_land():
    rim = surveyed("intake", 0, pits=[p for p in PITS if p[4] == "rim"])
    assert plan_of([rim]).verdict.outcome == "leave alone"
    across = replace(rim, marks=rim.marks.assign(dist_trace_mm=0.0, dist_coolant_mm=0.0))
    plan = plan_of([across])
    assert plan.verdict.outcome == "test lap first"
    assert not need_for(plan, "seal_land").stock_um.is_known


def test_plan_pit_that_the_lap_shows_on_the_land_asks_for_stock_there():
    """At intake scale shows 1 mm of it, on the rim; the needle finds 60 um in the 4 mm that the test lap shows."""
    small = surveyed("intake", 0, pits=[(100.0, 10, 1.0, 80, "rim")])
    wide = surveyed("test_lap", 20, pits=[(100.6, 10, 4.0, 80, "seal_land")], readings=needle((1, 60), sd=3))
    plan = plan_of([small, wide])
    assert need_for(plan, "seal_land").stock_um.value == pytest.approx(60, abs=1)
    assert plan.verdict.outcome == "lap"
