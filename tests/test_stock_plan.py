"""The whole way: surveys, readings and limits in, a plan with a verdict out."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pitmap.drawing
from pitmap.cli.plan import write_plan
from pitmap.depth import READINGS, FaceSurvey, RemovedStock, readings_from_rows, with_readings
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.flags import Flag
from pitmap.grid import Grid
from pitmap.stock import (
    CAUTION,
    CURVES,
    STEPS,
    Aim,
    Limit,
    LimitSheet,
    plan_stock,
    read_limits,
)
from pitmap.stock.condition import thickness_now
from pitmap.stock.uncut import needed_for_uncut, uncut_curve

PLATES = Path(pitmap.drawing.__file__).parent / "plates"
PIT, STAIN, TINT, UNCUT, SCORE = 2, 3, 4, 5, 6
# (x, y, diameter, depth under the first face, zone)
PITS = [
    (20, 10, 0.6, 12, "seal_land"), (40, 12, 0.8, 18, "seal_land"), (60, 11, 1.0, 26, "seal_land"),
    (80, 10, 1.5, 33, "seal_land"), (100, 9, 2.2, 47, "seal_land"), (30, 60, 0.7, 15, "running_surface"),
    (50, 62, 1.2, 28, "running_surface"), (70, 64, 1.8, 39, "running_surface"), (90, 66, 2.6, 55, "running_surface"),
    (110, 30, 3.0, 90, "rim"),
]  # fmt: skip


def _survey(stage, removed, *, pits=PITS, others=(), readings=(), share=None, lands=None, sd=1.5):
    there = [p for p in pits if p[3] > removed]
    rows = [
        {
            "class_code": PIT, "x_mm": float(x), "y_mm": float(y), "eq_diam_mm": d, "zone": zone,
            "dist_trace_mm": (y - 6 - d / 2) if zone == "seal_land" else math.nan,
            "dist_coolant_mm": (14 - y - d / 2) if zone == "seal_land" else math.nan,
        }
        for x, y, d, _, zone in there
    ]  # fmt: skip
    rows += [
        {"class_code": c, "x_mm": 5.0, "y_mm": 5.0, "eq_diam_mm": 4.0, "zone": z, "dist_trace_mm": math.nan,
         "dist_coolant_mm": math.nan}
        for c, z in others
    ]  # fmt: skip
    marks = pd.DataFrame(
        [{"mark_id": i, **r} for i, r in enumerate(rows, 1)],
        columns=[
            "mark_id",
            "class_code",
            "x_mm",
            "y_mm",
            "eq_diam_mm",
            "zone",
            "dist_trace_mm",
            "dist_coolant_mm",
        ],
    )
    zones = None
    if share is not None:
        zones = pd.DataFrame(
            {
                "zone": ["seal_land", "running_surface"], "class_word": "uncut", "share": share,
                "share_low": 0.8 * share, "share_high": 1.2 * share, "unseen_share": 0.0,
            }
        )  # fmt: skip
    table = readings_from_rows({"stage": stage, "kind": "pit_depth", **r} for r in readings).table
    return FaceSurvey(
        stage=stage, removed=RemovedStock.of(removed, sd if removed else 0.0), marks=marks, readings=table, zones=zones,
        lands=lands,
    )  # fmt: skip


def _read(*pairs, sd=5):
    return [{"mark": m, "value": v, "unit": "um", "uncertainty": sd} for m, v in pairs]


LANDS = pd.DataFrame(
    {
        "place": [1], "x_mm": [100.0], "y_mm": [9.0], "sound_width_mm": [5.8], "sound_width_low_mm": [5.6],
        "sound_width_high_mm": [6.0], "nominal_width_mm": [8.0], "is_leak_path": [False], "flags": [0],
    }
)  # fmt: skip


def _lapped(**changes):
    """Intake, 20 um, then readings of every pit that is left (numbers on the map after 20 um)."""
    after = _read((1, 6), (2, 13), (3, 27), (4, 8), (5, 19), (6, 35))
    return [_survey("intake", 0), _survey("test_lap", 20, readings=after, lands=LANDS, **changes)]


def _plan(surveys, limits=None, seed=1, **changes):
    return plan_stock(surveys, limits, rng=np.random.default_rng(seed), **changes)


def _sheet(**entries):
    return LimitSheet(entries={k: Limit(value=v, source="own rule") for k, v in entries.items()})


def _need(plan, zone, aim="pits"):
    return next(n for n in plan.needed if (n.zone, n.aim) == (zone, aim))


def test_plan_lap_about():
    plan = _plan(_lapped(), _sheet(total_stock=120))
    assert plan.verdict.outcome == "lap"
    # The deepest read pits: 27 um left on the land, 35 on the running surface.
    assert _need(plan, "seal_land").stock_um.covers(27)
    assert _need(plan, "running_surface").stock_um.covers(35)
    # Both zones together need a little more than the worse one alone.
    zones = [_need(plan, z).recommended_um for z in ("seal_land", "running_surface")]
    assert max(zones) <= plan.verdict.stock_um <= max(zones) + 2
    assert 35 < plan.verdict.stock_um < 50
    assert plan.verdict.headline.startswith("Lap about")
    assert plan.verdict.reasons[-1] == CAUTION
    assert plan.removed_um.value == 20
    # The rim has the deepest pit of all: it carries no seal and asks for nothing.
    assert plan.model.deepest("rim").value > 60 or not plan.model.deepest("rim").is_known


def test_plan_curves_and_steps():
    plan = _plan(_lapped(share=0.1), _sheet(sound_width_min=7.0, total_stock=120, case_depth=300))
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
    width = _need(plan, "seal_land", "sound_width")
    # Only the pit of 2.2 mm leaves less than 7 mm of 8; it is the deepest on the land.
    assert width.stock_um.covers(27)
    step = plan.steps[plan.steps["zone"] == "seal_land"].iloc[0]
    assert (step["from_um"], step["to_um"]) == (0, 10)
    assert step["pits_cleared"] > 0
    assert "10 um of stock of 100 um allowed" in step["uses"]
    assert "of 280 um case" in step["uses"]


def test_sound_width_at_no_removal_is_the_measured_one():
    # As discs the pits leave 5.8 mm; the map knows their shapes.
    lands = LANDS.assign(sound_width_mm=5.5, sound_width_low_mm=5.1, sound_width_high_mm=5.9)
    after = _read((1, 6), (2, 13), (3, 27), (4, 8), (5, 19), (6, 35))
    surveys = [_survey("intake", 0), _survey("test_lap", 20, readings=after, lands=lands)]
    curves = _plan(surveys, _sheet(sound_width_min=5.5)).curves
    width = curves[curves["aim"] == "sound_width"]
    assert width.iloc[0][["removal_um", "value", "value_low", "value_high", "p_reached"]].tolist() == [
        0, 5.5, 5.1, 5.9, 0.5,
    ]  # fmt: skip
    assert width["value"].iat[1] == pytest.approx(5.8)


def test_intervals_of_a_survey_are_read_at_its_own_level():
    """5.3 +- 0.6745 mm at 50 % is a standard deviation of 1 mm: 4.3 mm are there with a chance of 84.1 %."""
    width, half = 5.3, 0.67449
    lands = LANDS.assign(
        sound_width_mm=width, sound_width_low_mm=width - half, sound_width_high_mm=width + half
    )
    first, now = _lapped()
    plan = _plan([first, replace(now, lands=lands, level=0.5)], _sheet(sound_width_min=4.3))
    width = plan.curves[plan.curves["aim"] == "sound_width"].iloc[0]
    assert width["p_reached"] == pytest.approx(0.8413, abs=1e-3)
    (finding,) = [f for f in plan.verdict.findings if f.rule == "sound_width"]
    assert finding.value.level == 0.5


def test_every_interval_of_a_plan_has_the_level_that_was_asked_for():
    """At 50 % a standard deviation of 5 um is 3.37 um to either side: a wear step of 46 +- 5 um passes at 50 um."""
    step = {"stage": "test_lap", "kind": "wear_step", "value": 46, "unit": "um", "uncertainty": 5}
    first, now = _lapped()
    both = pd.concat([now.readings, readings_from_rows([step]).table], ignore_index=True)
    now = replace(now, readings=both.assign(reading_id=np.arange(1, len(both) + 1)))
    for level, half, status in ((0.5, 0.67449 * 5, "pass"), (0.9, 1.64485 * 5, "watch")):
        plan = _plan([first, now], _sheet(wear_step=50), level=level)
        (found,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
        assert (found.status, found.value.level) == (status, level)
        assert found.value.high == pytest.approx(46 + half, abs=1e-3)
        assert plan.removed_um.level == level
        assert plan.removed_um.high == pytest.approx(20 + half * 1.5 / 5, abs=1e-3)


def test_uncut_share_is_drawn_from_its_interval_at_its_own_level():
    """Logits of 0.3 +- 0.6745 at 50 %: the share itself must scatter by 1 in the logit, not by 0.41."""
    centre = math.log(0.3 / 0.7)
    low, high = (1 / (1 + math.exp(-(centre + side * 0.67449))) for side in (-1, 1))
    zones = _zones(0.0).assign(share=0.3, share_low=low, share_high=high)
    survey = replace(_survey("test_lap", 20, pits=[], sd=0.0), zones=zones, level=0.5)
    curve = uncut_curve("seal_land", [survey], 0.5, rng=np.random.default_rng(3))
    assert curve[["value_low", "value_high"]].iloc[0].tolist() == pytest.approx([low, high], abs=0.03)


def test_plan_sound_width_is_not_said_where_the_discs_contradict_the_map():
    """Two streaks end to end, 80 um deep, leave 0.2 mm of 6 (at most 0.9); as discs they and a wide pit leave 1.4."""
    streaks = [(0.0, 7.45, 1.4, 100, "seal_land"), (0.0, 10.55, 1.4, 100, "seal_land")]
    pits = [*streaks, (40.0, 9, 4.6, 35, "seal_land"), (80.0, 9, 0.5, 25, "seal_land")]
    lands = LANDS.assign(
        sound_width_mm=0.2, sound_width_low_mm=0.0, sound_width_high_mm=0.9, nominal_width_mm=6.0
    )
    read = _read((1, 80), (2, 80), (3, 15), (4, 5), sd=2)
    survey = _survey("test_lap", 20, pits=pits, readings=read, lands=lands)
    edges = {"dist_trace_mm": [0, 3.1, 0.7, 2.7], "dist_coolant_mm": [3.1, 0, 0.7, 2.7]}
    survey = replace(survey, marks=survey.marks.assign(**edges))
    aim = Aim(zones={"seal_land": "sound_width", "running_surface": "pits"})
    plan = _plan([survey], _sheet(sound_width_min=1.5), aim=aim)
    need = _need(plan, "seal_land", "sound_width")
    assert not need.stock_um.is_known
    assert "the pits taken as round spots would leave 1.40 mm" in need.stock_um.reason
    assert plan.verdict.outcome == "not enough readings"
    assert not (plan.curves["aim"] == "sound_width").any()
    assert plan.steps.loc[plan.steps["zone"] == "seal_land", "sound_width_gain_mm"].isna().all()
    assert _need(plan, "seal_land").stock_um.covers(80)


def test_sound_width_is_never_less_after_further_stock():
    lands = LANDS.assign(sound_width_mm=6.4, sound_width_low_mm=6.1, sound_width_high_mm=6.6)
    after = _read((1, 6), (2, 13), (3, 27), (4, 8), (5, 19), (6, 35))
    surveys = [_survey("intake", 0), _survey("test_lap", 20, readings=after, lands=lands)]
    curves = _plan(surveys).curves
    width = curves[curves["aim"] == "sound_width"]
    assert width[["value", "value_low", "value_high"]].iloc[1].tolist() == [6.4, 6.1, 6.6]


def test_plan_beyond_the_limit_entered():
    plan = _plan(_lapped(), _sheet(total_stock=40))
    assert plan.verdict.outcome == "beyond the limit you entered"
    assert any("beyond the limit of at most 40 um (own rule)" in r for r in plan.verdict.reasons)
    # 20 of 40 um are left: the land pit of 27 um stays, and of the running ones that of 35; that of 19 is a toss-up.
    said = next(r for r in plan.verdict.reasons if r.startswith("Your limits allow 20 um more"))
    running, land = (float(v) for v in re.findall(r"about ([\d.]+) pits left", said))
    assert land == pytest.approx(1, abs=0.25)
    assert running == pytest.approx(1.4, abs=0.25)


def test_plan_counts_a_pit_once_that_the_lap_left_in_two_marks():
    """One mark of 3 mm at intake, two of 1 mm in it after the lap: one pit, though the map counts two marks."""
    whole, parts = (
        [(50, 10, 3.0, 60, "seal_land")],
        [(49, 10, 1.0, 60, "seal_land"), (51, 10, 1.0, 60, "seal_land")],
    )
    readings = _read((1, 40), (2, 30))
    surveys = [_survey("intake", 0, pits=whole), _survey("test_lap", 20, pits=parts, readings=readings)]
    curves = _plan(surveys).curves
    now = curves[(curves.zone == "seal_land") & (curves.aim == "pits") & (curves.removal_um == 0)]
    assert now[["value", "value_low", "value_high"]].to_numpy().tolist() == [[1.0, 1.0, 1.0]]


def test_plan_history_counts():
    assert _plan(_lapped(), _sheet(total_stock=90)).verdict.outcome == "lap"
    aged = _sheet(total_stock=90, stock_removed_before=50)
    assert _plan(_lapped(), aged).verdict.outcome == "beyond the limit you entered"


def test_plan_without_limits_never_passes():
    plan = _plan(_lapped())
    assert {f.status for f in plan.verdict.findings} == {"not judged"}
    assert any(r.startswith("Not judged") for r in plan.verdict.reasons)


def test_plan_test_lap_first():
    plan = _plan([_survey("intake", 0)])
    assert plan.verdict.outcome == "test lap first"
    assert math.isnan(plan.verdict.stock_um)
    with_readings = _plan([_survey("intake", 0, readings=_read((1, 12), (3, 26), (5, 47), (7, 28), (9, 55)))])
    assert with_readings.verdict.outcome == "test lap first"
    assert any("may be needed" in r for r in with_readings.verdict.reasons)


def test_plan_not_enough_readings_names_pits_to_read():
    wide = [(20.0 + 7 * i, 10, 0.5 + 0.1 * i, 200.0 + i, "seal_land") for i in range(9)]
    plan = _plan([_survey("intake", 0, pits=wide), _survey("test_lap", 10, pits=wide)])
    assert plan.verdict.outcome == "not enough readings"
    assert len(plan.read_next) == 5
    first = str(plan.read_next["mark_id"].iat[0])
    assert any(r.startswith("Read these pits next") and first in r for r in plan.verdict.reasons)
    assert not _need(plan, "seal_land").stock_um.is_known


def test_plan_leave_alone_and_polish_only():
    bare = _survey("intake", 0, pits=[])
    assert _plan([bare]).verdict.outcome == "leave alone"
    tinted = _survey("intake", 0, pits=[], others=[(TINT, "seal_land"), (TINT, "running_surface")])
    plan = _plan([tinted])
    assert (plan.verdict.outcome, plan.verdict.stock_um) == ("leave alone", 0.0)
    assert any("Discoloured" in r for r in plan.verdict.reasons)
    stained = _survey("intake", 0, pits=[], others=[(STAIN, "seal_land")])
    assert (_plan([stained]).verdict.outcome, _plan([stained]).verdict.stock_um) == ("polish only", 0.0)
    cleared = [_survey("intake", 0), _survey("test_lap", 60)]
    plan = _plan(cleared)
    assert plan.verdict.outcome == "polish only"
    assert _need(plan, "seal_land").recommended_um == 0.0


@settings(max_examples=6, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([STAIN, TINT]), st.sampled_from(["seal_land", "running_surface"])),
        max_size=6,
    )
)
def test_discoloration_never_asks_for_stock(others):
    assert _plan([_survey("intake", 0, pits=[], others=others)]).verdict.stock_um == 0.0
    assert _plan([_survey("test_lap", 10, pits=[], others=others)]).verdict.stock_um == 0.0


def test_plan_rim_damage_asks_for_nothing():
    rim = [p for p in PITS if p[4] == "rim"]
    assert _plan([_survey("intake", 0, pits=rim)]).verdict.outcome == "leave alone"


def test_plan_uncut_metal_without_a_limit_is_not_a_pass():
    surveys = [
        _survey("intake", 0, pits=[]),
        _survey("test_lap", 10, pits=[], others=[(UNCUT, "seal_land")], share=0.4),
    ]
    plan = _plan(surveys)
    assert plan.verdict.outcome == "not enough readings"
    assert "uncut share" in plan.verdict.headline
    with_pits = _lapped(others=[(UNCUT, "seal_land")])
    plan = _plan(with_pits)
    assert plan.verdict.outcome == "lap"
    assert any("Uncut metal is not in this figure" in r for r in plan.verdict.reasons)


def test_two_lapped_surveys_settle_how_uncut_metal_goes():
    """Half uncut at 10 um and a fifth at 20: shape ln(ln 0.2 / ln 0.5) / ln 2 = 1.2153.

    0.05 is reached at 20 (ln 0.05 / ln 0.2)^(1 / 1.2153) = 33.34 um, 13.34 more.
    """

    def lapped(stage, removed, share):
        survey = _survey(stage, removed, pits=[], share=share, sd=0.0)
        sure = {"share_low": share - 1e-4, "share_high": share + 1e-4}
        return replace(survey, zones=survey.zones.assign(**sure))

    surveys = [lapped("test_lap", 10, 0.5), lapped("lap_1", 20, 0.2)]
    need = needed_for_uncut("seal_land", surveys, 0.05, 0.9, 0.9, rng=np.random.default_rng(1)).needed
    assert need.stock_um.value == pytest.approx(13.34, abs=0.05)
    assert need.stock_um.high - need.stock_um.low < 0.2


def test_plan_film_that_a_lap_left_asks_for_no_stock_but_is_told():
    """It says that the metal under it was not cut; flat, sound metal of any colour is left alone all the same."""
    said = "Metal that still shows heat colour after a lap was not cut"
    film = [(TINT, "seal_land")]
    plan = _plan([_survey("test_lap", 10, pits=[], others=film)])
    assert (plan.verdict.outcome, plan.verdict.stock_um) == ("polish only", 0.0)
    assert any(r.startswith(said) and "straightedge" in r for r in plan.verdict.reasons)
    # at intake nothing was cut yet
    assert not any(said in r for r in _plan([_survey("intake", 0, pits=[], others=film)]).verdict.reasons)


def test_plan_scores_are_named():
    plan = _plan(_lapped(others=[(SCORE, "running_surface")]))
    assert any(r.startswith("Scores are not in the stock figure") for r in plan.verdict.reasons)
    assert plan.verdict.outcome == "lap"


def test_plan_broken_form_asks_for_a_lap():
    crooked = Estimate(value=90, low=80, high=100)
    plan = _plan([_survey("intake", 0, pits=[])], _sheet(flatness=50), flatness_um=crooked)
    assert plan.verdict.outcome == "test lap first"
    assert any("Flatness of the face" in r for r in plan.verdict.reasons)
    fine = _plan([_survey("intake", 0, pits=[])], _sheet(flatness=150), flatness_um=crooked)
    assert fine.verdict.outcome == "leave alone"


def test_plan_wear_step_and_gap_are_judged():
    rows = [
        {
            "stage": "intake",
            "kind": "wear_step",
            "x_mm": 1,
            "y_mm": 1,
            "value": "3 thou",
            "uncertainty": "0.1 thou",
        }
    ]
    survey = replace(_survey("intake", 0, pits=[]), readings=readings_from_rows(rows).table)
    gap = Estimate(value=60, low=50, high=70)
    plan = _plan([survey], _sheet(wear_step=50, joint_gap=76.2), joint_gap_um=gap)
    status = {f.rule: f.status for f in plan.verdict.findings}
    assert (status["wear_step"], status["joint_gap"], status["flatness"]) == ("stop", "pass", "not judged")


def test_plan_aim_sound_width():
    aim = Aim(zones={"seal_land": "sound_width"})
    plan = _plan(_lapped(), _sheet(sound_width_min=5.0), aim=aim)
    assert plan.verdict.outcome == "polish only"
    assert "The aim is reached" in plan.verdict.headline
    with pytest.raises(InputError):
        Aim(zones={"rim": "pits"})
    with pytest.raises(InputError):
        Aim(zones={"running_surface": "sound_width"})


def test_plan_aim_sound_width_without_a_limit_is_not_a_pass():
    plan = _plan(_lapped(), aim=Aim(zones={"seal_land": "sound_width"}))
    assert plan.verdict.outcome == "not enough readings"
    assert any("sound width" in r for r in plan.verdict.reasons)


def test_plan_custom_sound_width_is_asked():
    asked = []

    def make(pits):
        def width(left):
            asked.append(len(left))
            return 8.0 - 0.5 * float(np.sum(left))

        return width

    plan = _plan(_lapped(), _sheet(sound_width_min=7.9), sound_width=make)
    assert set(asked) == {5}
    assert _need(plan, "seal_land", "sound_width").stock_um.covers(27)


def test_plan_uncut_share():
    surveys = [
        _survey("intake", 0, pits=[]),
        _survey("test_lap", 10, pits=[], others=[(UNCUT, "seal_land")], share=0.4),
    ]
    rng = np.random.default_rng(1)
    curve = uncut_curve("seal_land", surveys, 0.9, rng=rng, share_max=0.05)
    assert curve["value"].iat[0] == pytest.approx(0.4, abs=0.01)
    assert (np.diff(curve["value"]) < 0).all()
    # exp(-(s/scale)^1.2) through 0.4 at 10 um reaches 0.05 at 26.9 um: 16.9 more.
    need = needed_for_uncut("seal_land", surveys, 0.05, 0.9, 0.9, rng=rng)
    assert need.needed.stock_um.value == pytest.approx(16.9, abs=1.5)
    assert need.needed.stock_um.low < 16.9 < need.needed.recommended_um
    assert needed_for_uncut("seal_land", surveys, math.nan, 0.9, 0.9, rng=rng) is None
    unknown = needed_for_uncut("seal_land", surveys[:1], 0.05, 0.9, 0.9, rng=rng)
    assert "take a test lap" in unknown.needed.stock_um.reason
    plan = _plan(surveys, _sheet(uncut_share_max=5))
    assert plan.verdict.outcome == "lap"


def _width_within(plan):
    (said,) = [r for r in plan.verdict.reasons if r.startswith("Your limits allow")]
    return re.search(r"allow (.+?) more;.*and (.+?) mm of sound width", said).groups()


def test_sound_width_that_no_stock_reaches_is_the_measured_one():
    # 20 um are gone of 20 allowed. The map measured 5.50 mm; the pits as discs on a land of 8 mm leave 5.8.
    lands = LANDS.assign(sound_width_mm=5.5, sound_width_low_mm=5.1, sound_width_high_mm=5.9)
    surveys = [replace(s, lands=lands) for s in _lapped()]
    assert _width_within(_plan(surveys, _sheet(total_stock=20))) == ("0 um", "5.50")
    # further stock never leaves less than what is measured
    wide = LANDS.assign(sound_width_mm=7.9, sound_width_low_mm=7.8, sound_width_high_mm=8.0)
    surveys = [replace(s, lands=wide) for s in _lapped()]
    stock, width = _width_within(_plan(surveys, _sheet(total_stock=25)))
    assert (stock, float(width)) == ("5 um", 7.9)


def test_plan_same_seed_same_plan_and_order_of_surveys():
    a, b = _plan(_lapped()), _plan(_lapped()[::-1])
    assert a.verdict == b.verdict
    pd.testing.assert_frame_equal(a.curves, b.curves)


def test_plan_in_inches():
    plan = _plan(_lapped(), _sheet(total_stock=120), system="inch")
    assert "thou" in plan.verdict.headline
    assert " um" not in plan.verdict.headline
    assert plan.steps["uses"].iat[0] == "0.4 thou of stock of 3.9 thou allowed"


def test_plan_bad_calls():
    with pytest.raises(InputError):
        _plan([])
    with pytest.raises(InputError):
        _plan(_lapped(), confidence=1.0)
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
        plan = plan_stock([_survey("intake", 0, pits=pits), _survey("test_lap", s, pits=pits)], rng=rng)
        left.append((plan.bounds.pits["last_survey"] == 1).sum())
        rows = plan.curves[(plan.curves["zone"] == "seal_land") & (plan.curves["aim"] == "pits")]
        assert (np.diff(rows["value"]) <= 1e-9).all()
        assert (np.diff(rows["p_reached"]) >= -1e-9).all()
    assert left[1] <= left[0]


def test_the_plan_is_written_as_plain_values(tmp_path):
    plan = _plan(
        _lapped(),
        _sheet(total_stock=120, sound_width_min=7.0),
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
    bare = written(_plan([_survey("intake", 0)]))
    assert bare["verdict"]["stock_um"] is None
    assert bare["needed"][0]["stock_um"]["reason"]


def test_plan_tilted_plane():
    plan = _plan(_lapped(), face_bounds_mm=(0, 0, 150, 80), tilt_max_um=30)
    assert plan.plane.parallel_um == pytest.approx(plan.verdict.stock_um, abs=0.5)
    assert plan.plane.mean_um <= plan.plane.parallel_um + 1e-6
    assert plan.plane.saving_um.reason
    assert _plan(_lapped()).plane is None


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
    surveys = _lapped()
    free = readings_from_rows([row]).table
    both = pd.concat([surveys[1].readings, free]).reset_index(drop=True).assign(reading_id=range(1, 8))
    plan = _plan([surveys[0], replace(surveys[1], readings=both)])
    assert _need(plan, "seal_land").stock_um.value == pytest.approx(60, abs=2)


def test_with_readings_attaches_by_stage():
    surveys = [replace(s, readings=READINGS.empty()) for s in _lapped()]
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
    surveys = [_survey("intake", 0), _survey("test_lap", 30, readings=_read((1, 3), (3, 9)))]
    plan = _plan(surveys)
    # Five pits are left of ten; their numbers on the new map run from 1 to 5.
    assert set(plan.read_next["mark_id"]) <= {1, 2, 3, 4, 5}
    deepest = plan.read_next.set_index("mark_id")["depth_um"]
    assert (deepest > 0).all()
    assert deepest.max() < 60


@pytest.mark.parametrize(("value", "said"), [(0.0, "0"), (-1.0, "-1"), (math.nan, "nan")])
def test_face_survey_takes_no_reading_without_an_uncertainty(value, said):
    survey = _survey("test_lap", 20, readings=[{"mark": 1, "value": "150 um"}])
    readings = survey.readings.assign(uncertainty_um=value)
    with pytest.raises(InputError, match=f"uncertainty_um: expected a number above 0, got {said}$"):
        replace(survey, readings=readings)


def test_face_survey_from_inspection_knows_where_the_map_shows_sound_metal():
    grid = Grid(x0_mm=0, y1_mm=20, px_per_mm=1, n_rows=20, n_cols=30)
    codes = np.full(grid.shape, 1, np.uint8)
    codes[:, 15:] = 255
    whole = _survey("test_lap", 20)
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


def _zones(unseen):
    return pd.DataFrame(
        {
            "zone": ["seal_land", "running_surface"], "class_word": "uncut", "share": 0.0,
            "share_low": 0.0, "share_high": 0.0, "unseen_share": unseen,
        }
    )  # fmt: skip


@pytest.mark.parametrize("stage", ["intake", "test_lap"])
def test_plan_face_that_was_not_seen_is_not_sound(stage):
    hidden = replace(_survey(stage, 0, pits=[]), zones=_zones([0.3, 0.0]))
    plan = _plan([hidden])
    assert (plan.verdict.outcome, math.isnan(plan.verdict.stock_um)) == ("photograph again", True)
    assert (
        "30 % of the seal land was not seen; what is there is in none of these figures."
        in plan.verdict.reasons
    )
    glint = replace(_survey(stage, 0, pits=[]), zones=_zones([0.012, 0.0]))
    assert _plan([glint]).verdict.outcome in ("leave alone", "polish only")
    assert any(r.startswith("1.2 % of the seal land was not seen") for r in _plan([glint]).verdict.reasons)


def test_plan_stock_figure_says_what_was_not_seen():
    plan = _plan(_lapped()[:1] + [replace(_lapped()[1], zones=_zones([0.0, 0.2]))])
    assert plan.verdict.outcome == "lap"
    assert any(r.startswith("20 % of the running surface was not seen") for r in plan.verdict.reasons)


HIDDEN = LANDS.assign(sound_width_low_mm=0.0, flags=int(Flag.TOUCHES_UNSEEN))


@pytest.mark.parametrize("stage", ["intake", "test_lap"])
def test_plan_land_not_seen_right_across_is_photographed_again(stage):
    """A shadow over one crossing is 2 % of the land's area and may hide a path for coolant all the same."""
    plan = _plan([replace(_survey(stage, 0, pits=[], lands=HIDDEN), zones=_zones([0.02, 0.0]))])
    assert (plan.verdict.outcome, math.isnan(plan.verdict.stock_um)) == ("photograph again", True)
    assert (
        "Near x 100.00 mm, y 9.00 mm on the drawing the photo does not show the seal land right across: no sound metal"
        " may be left there; photograph that place again." in plan.verdict.reasons
    )
    inch = _plan([_survey(stage, 0, pits=[], lands=HIDDEN)], system="inch")
    assert any("x 3.937 in, y 0.354 in on the drawing" in r for r in inch.verdict.reasons)


def test_plan_land_partly_not_seen_is_held_to_the_limit_entered():
    partly = HIDDEN.assign(sound_width_low_mm=3.5)
    bare = [_survey("intake", 0, pits=[], lands=partly)]
    assert _plan(bare).verdict.outcome == "leave alone"
    assert _plan(bare, _sheet(sound_width_min=3.0)).verdict.outcome == "leave alone"
    plan = _plan(bare, _sheet(sound_width_min=4.0))
    assert plan.verdict.outcome == "photograph again"
    assert any("as little as 3.50 mm of sound metal may be left there" in r for r in plan.verdict.reasons)
    # A low end of the measuring error alone is no place that was not seen.
    seen = [_survey("intake", 0, pits=[], lands=LANDS.assign(sound_width_low_mm=0.0))]
    assert _plan(seen).verdict.outcome == "leave alone"


def test_plan_stock_figure_names_a_crossing_that_was_not_seen():
    plan = _plan([_lapped()[0], replace(_lapped()[1], lands=HIDDEN)])
    assert plan.verdict.outcome == "lap"
    assert any("does not show the seal land right across" in r for r in plan.verdict.reasons)


def test_plan_zone_without_a_pit_that_was_not_seen_has_no_need_of_0():
    running = [p for p in PITS if p[4] == "running_surface"]
    read = _read((1, 8), (2, 19), (3, 35))
    intake, after = _survey("intake", 0, pits=running), _survey("test_lap", 20, pits=running, readings=read)
    plan = _plan([intake, replace(after, zones=_zones([1.0, 0.0]))])
    land = _need(plan, "seal_land")
    assert land.stock_um.reason == "no pit shows, but 100 % of the zone was not seen: photograph it again"
    assert plan.verdict.outcome == "not enough readings"
    # A drawing without a land has none to bring back.
    plan = _plan([intake, replace(after, zones=_zones([0.0, 0.0]).iloc[1:])])
    assert _need(plan, "seal_land").stock_um.reason == "the drawing has no such zone"
    assert plan.verdict.outcome == "lap"


LEAK = LANDS.assign(sound_width_mm=0.0, sound_width_low_mm=0.0, sound_width_high_mm=0.2, is_leak_path=True)


@pytest.mark.parametrize(
    "limits", [None, LimitSheet(entries={"sound_width_min": Limit(value=3.0, source="own rule")})]
)
@pytest.mark.parametrize("others", [[(SCORE, "seal_land")], [(UNCUT, "rim")]])
def test_plan_leaking_land_is_never_polished_only(limits, others):
    """Scores, and uncut metal or pits whose greater part lies off the land, are not in the stock figure."""
    across = _survey("test_lap", 20, pits=[], others=others, lands=LEAK)
    plan = _plan([_survey("intake", 0, pits=[]), across], limits)
    assert plan.verdict.outcome == "not enough readings"
    assert plan.verdict.headline.startswith("The seal land is crossed from edge to edge")
    first = _plan([_survey("intake", 0, pits=[], others=others, lands=LEAK)], limits)
    assert first.verdict.outcome == "test lap first"


def test_plan_says_that_all_zones_at_once_need_more_than_any_one():
    plan = _plan(_lapped())
    alone = max(n.recommended_um for n in plan.needed)
    told = any(r.startswith("That is for all working zones at once") for r in plan.verdict.reasons)
    assert told == (plan.verdict.stock_um > alone + 1.0)
    one = _plan(
        [
            _survey("intake", 0, pits=PITS[:5]),
            _survey("test_lap", 20, pits=PITS[:5], readings=_read((1, 6), (2, 13), (3, 27))),
        ]
    )
    assert one.verdict.outcome == "lap"
    assert not any(r.startswith("That is for all working zones at once") for r in one.verdict.reasons)


def test_plan_short_land_is_not_the_aim_reached():
    short = LANDS.assign(sound_width_mm=2.0, sound_width_low_mm=1.8, sound_width_high_mm=2.2)
    after = _survey("test_lap", 20, pits=[], others=[(SCORE, "seal_land")], lands=short)
    plan = _plan([_survey("intake", 0, pits=[]), after], _sheet(sound_width_min=3.0))
    assert plan.verdict.outcome == "not enough readings"
    assert plan.verdict.headline.startswith("The seal land is narrower than your limit")
    assert any(
        r.startswith("Narrowest sound width of the seal land now: 2.00 mm") for r in plan.verdict.reasons
    )


def test_plan_pit_that_runs_from_the_rim_onto_the_land_is_damage_of_the_land():
    rim = _survey("intake", 0, pits=[p for p in PITS if p[4] == "rim"])
    assert _plan([rim]).verdict.outcome == "leave alone"
    across = replace(rim, marks=rim.marks.assign(dist_trace_mm=0.0, dist_coolant_mm=0.0))
    plan = _plan([across])
    assert plan.verdict.outcome == "test lap first"
    assert not _need(plan, "seal_land").stock_um.is_known


def test_plan_pit_that_the_lap_shows_on_the_land_asks_for_stock_there():
    """At intake scale shows 1 mm of it, on the rim; the needle finds 60 um in the 4 mm that the test lap shows."""
    small = _survey("intake", 0, pits=[(100.0, 10, 1.0, 80, "rim")])
    wide = _survey("test_lap", 20, pits=[(100.6, 10, 4.0, 80, "seal_land")], readings=_read((1, 60), sd=3))
    plan = _plan([small, wide])
    assert _need(plan, "seal_land").stock_um.value == pytest.approx(60, abs=1)
    assert plan.verdict.outcome == "lap"


def test_plan_sound_width_is_held_to_its_least_end_wherever_that_is():
    hidden = LANDS.assign(place=2, sound_width_mm=6.8, sound_width_low_mm=0.0)
    both = pd.concat([LANDS, hidden], ignore_index=True)
    plan = _plan([_survey("intake", 0, lands=both)], _sheet(sound_width_min=4.0))
    (finding,) = [f for f in plan.verdict.findings if f.rule == "sound_width"]
    assert (finding.value.value, finding.value.low, finding.status) == (5.8, 0.0, "watch")


def test_plan_needle_counts_against_a_map_that_missed_the_pit():
    deep = _survey("intake", 0, pits=[PITS[4]], readings=_read((1, 150), sd=8))
    plan = _plan([deep, _survey("test_lap", 20, pits=[])])
    assert plan.verdict.outcome != "polish only"
    assert _need(plan, "seal_land").recommended_um > 120
    assert any("the reading counts, look there again" in p for p in plan.problems)


def _at(x, y, value, **more):
    return {"x_mm": x, "y_mm": y, "value": value, "unit": "um", "uncertainty": 5, **more}


def test_plan_readings_without_a_pit_of_their_own_stay_in_the_plan():
    # the three pits that are left on the land are read; the hole beside them is on no map
    free = [*_read((1, 6), (2, 13), (3, 27)), _at(100, 13, 150)]
    first = _lapped()[1]
    there = replace(first, readings=_survey("test_lap", 20, readings=free).readings)
    # At the survey itself, then 10 um later without reading it again: 140 are left.
    assert _need(_plan([_lapped()[0], there]), "seal_land").stock_um.value == pytest.approx(150, abs=3)
    later = _need(_plan([_lapped()[0], there, _survey("lap_1", 30)]), "seal_land")
    assert later.stock_um.value == pytest.approx(140, abs=4)
    # Where the map shows no pit near by, both working zones wait for it; where it shows none at all, too.
    lone = replace(
        _survey("test_lap", 20, pits=[]),
        readings=_survey("test_lap", 20, readings=[_at(70, 40, 90)]).readings,
    )
    plan = _plan([_survey("intake", 0, pits=[]), lone])
    assert plan.verdict.outcome == "lap"
    for zone in ("seal_land", "running_surface"):
        assert _need(plan, zone).recommended_um == pytest.approx(96, abs=3)
    assert any(
        "a reading belongs to no one pit of the map; for the stock it counts all the same: 90 um after the test lap"
        in p
        for p in plan.problems
    )


def test_plan_free_reading_from_metal_under_the_plane_reaches_as_much_deeper():
    """150 um under metal that 20 um of stock missed and 30 um cut: 150 to 160 from 20 um on, so 145 from 30 um on."""

    def told(survey, reached):
        return replace(survey, is_reached=lambda xy, radius: np.full(len(xy), reached))

    first = replace(_lapped()[1], readings=_survey("test_lap", 20, readings=[_at(100, 13, 150)]).readings)
    surveys = [_lapped()[0], told(first, 0.0), told(_survey("lap_1", 30), 1.0)]
    assert _need(_plan(surveys), "seal_land").stock_um.value == pytest.approx(145, abs=2)
    surveys[1] = told(first, 1.0)
    assert _need(_plan(surveys), "seal_land").stock_um.value == pytest.approx(140, abs=2)


def test_plan_reading_beside_a_pit_that_runs_onto_the_land_counts_for_the_land():
    """The mark lies mostly on the rim and cuts the land all the same; so may the hole that the needle found beside it."""
    rows = [*_read((1, 20)), _at(112, 30, 90)]
    rim = _survey("test_lap", 20, pits=[p for p in PITS if p[4] == "rim"], readings=rows)
    on_rim = _plan([rim])
    assert _need(on_rim, "seal_land").recommended_um == 0
    across = replace(rim, marks=rim.marks.assign(dist_trace_mm=0.0, dist_coolant_mm=0.0))
    plan = _plan([across])
    assert _need(plan, "seal_land").stock_um.value == pytest.approx(90, abs=1.5)
    assert _need(plan, "running_surface").recommended_um == 0


def test_plan_place_that_was_read_again_needs_its_first_reading_no_more():
    between = [_at(63, 10.5, 150)]  # 2.6 mm from the pits on either side: it may be any of them, or none
    first = replace(_lapped()[1], readings=_survey("test_lap", 20, readings=between).readings)
    again = [_at(63.5, 10.5, 28), *_read((1, 1))]
    deep = [_at(63.5, 10.5, 135)]
    shallow = _survey("lap_1", 30, readings=again)
    assert any("150 um after the test lap" in p for p in _plan([_lapped()[0], first, shallow]).problems)
    told = _plan([_lapped()[0], first, _survey("lap_1", 30, readings=deep)]).problems
    assert not any("150 um after the test lap" in p for p in told)
    assert any("135 um after lap 1" in p for p in told)


def test_plan_free_reading_that_only_says_at_least_leaves_the_need_open():
    free = [*_read((1, 6), (2, 13), (3, 27)), _at(100, 13, 150, lower_bound="yes")]
    there = replace(_lapped()[1], readings=_survey("test_lap", 20, readings=free).readings)
    need = _need(_plan([_lapped()[0], there]), "seal_land")
    assert not need.stock_um.is_known
    assert "says only that the floor lies deeper" in need.stock_um.reason


def test_plan_reading_under_the_present_face_does_not_hang_on_the_stock():
    """Four pits read 60 +- 2 um: the deepest is 62 (60.2 to 64.3 by the maximum of four normals), whatever came off."""
    four = [(20.0 * k, 10, 2.0, 80, "seal_land") for k in range(1, 5)]
    read = _read(*[(k, 60) for k in range(1, 5)], sd=2)
    for sd in (0.0, 3.0, 10.0):
        after = replace(_survey("test_lap", 20, pits=four, readings=read), removed=RemovedStock.of(20, sd))
        need = _need(_plan([_survey("intake", 0, pits=four), after]), "seal_land")
        assert need.stock_um.value == pytest.approx(62.0, abs=1.0)
        assert need.recommended_um == pytest.approx(63.9, abs=1.2)


def test_plan_pit_that_a_lap_cleared_stays_cleared():
    """All of 30 pits are gone after 30 um; 31 +- 5 um off at the next survey, of glare, puts none of them back."""
    pits = [(7.0 * k, 10, 1.0, 29, "seal_land") for k in range(1, 31)]
    glare = replace(_survey("lap_2", 31, pits=[], sd=5), is_bare=lambda xy, radius: np.zeros(len(xy), bool))
    plan = _plan([_survey("intake", 0, pits=pits), _survey("lap_1", 30, pits=pits), glare])
    assert _need(plan, "seal_land").recommended_um == 0.0


def test_plan_test_lap_is_not_offered_when_the_stock_is_used_up():
    gone = _sheet(total_stock=100, stock_removed_before=130)
    plan = _plan([_survey("intake", 0)], gone)
    assert (plan.verdict.outcome, math.isnan(plan.verdict.stock_um)) == ("beyond the limit you entered", True)
    assert any("130 um" in r and "beyond" in r for r in plan.verdict.reasons)
    nearly = _plan([_survey("intake", 0)], _sheet(total_stock=100, stock_removed_before=96))
    assert nearly.verdict.outcome == "beyond the limit you entered"
    assert nearly.verdict.headline.startswith("Your limits allow 4 um more")


def test_plan_unknown_history_is_not_a_pass():
    plan = _plan(_lapped(), _sheet(total_stock=100, case_depth=300, case_left_min=150))
    status = {f.rule: (f.status, f.sentence) for f in plan.verdict.findings}
    for rule in ("total_stock", "case_left"):
        assert status[rule][0] == "not judged"
        assert "earlier rebuilds was not entered" in status[rule][1]
    # What is passed even at best is passed.
    spent = _plan(_lapped(), _sheet(total_stock=30))
    assert spent.verdict.outcome == "beyond the limit you entered"


def test_plan_squeeze_that_lapping_raises_does_not_forbid_lapping():
    loose = _sheet(ring_section=2.0, groove_depth=1.85, squeeze_min=12, squeeze_max=30)
    plan = _plan(_lapped(), loose)
    assert plan.verdict.outcome == "lap"
    (squeeze,) = [f for f in plan.verdict.findings if f.rule == "squeeze"]
    assert squeeze.status == "stop"
    assert "short of the limit of 12.0 % to 30.0 %" in squeeze.sentence
    assert squeeze.sentence in plan.verdict.reasons
    one = _plan(_lapped(), _sheet(ring_section=2.0, groove_depth=1.85, squeeze_max=30))
    (squeeze,) = [f for f in one.verdict.findings if f.rule == "squeeze"]
    assert squeeze.sentence.endswith("The least squeeze is not judged: no limit entered.")


def test_plan_tilt_that_breaks_a_limit_at_one_corner_is_not_offered():
    pits = [(0.0, 10, 2.0, 30, "seal_land"), (200.0, 10, 2.0, 90, "seal_land")]
    surveys = [
        _survey("intake", 0, pits=pits),
        _survey("test_lap", 20, pits=pits, readings=_read((1, 10), (2, 70), sd=1)),
    ]
    wide = {"face_bounds_mm": (0.0, 0.0, 240.0, 150.0), "tilt_max_um": 60.0}
    assert _plan(surveys, _sheet(total_stock=200, stock_removed_before=0), **wide).plane.largest_um > 75
    tight = _sheet(total_stock=95, stock_removed_before=0)
    assert _plan(surveys, tight, **wide).plane is None


def test_plan_no_tilted_plane_while_a_reading_without_a_pit_may_lie_under_it():
    """Two pits of 10 and 70 um, and a needle that read 150 um beside them: the plane of the pits would leave it."""
    pits = [(0.0, 10, 2.0, 30, "seal_land"), (200.0, 10, 2.0, 90, "seal_land")]
    wide = {"face_bounds_mm": (0.0, 0.0, 240.0, 150.0), "tilt_max_um": 60.0}

    def planned(*free):
        read = [*_read((1, 10), (2, 70), sd=1), *free]
        return _plan(
            [_survey("intake", 0, pits=pits), _survey("test_lap", 20, pits=pits, readings=read)], **wide
        )

    known = planned()
    assert known.plane is not None and known.plane.least_um < 15 < 70 < known.plane.largest_um
    deep = planned(_at(100, 13, 150))
    assert deep.verdict.stock_um > 150 and deep.plane is None
    assert any(
        p.startswith("no tilted plane is given: the reading of 150 um after the test lap")
        for p in deep.problems
    )
    # A shallow one may still lie where the tilt takes least.
    assert planned(_at(100, 13, 40)).plane is None


def _spots(stage, thickness):
    return [
        {
            "stage": stage,
            "kind": "thickness",
            "x_mm": x,
            "y_mm": y,
            "value": t,
            "unit": "um",
            "uncertainty": 2,
        }
        for (x, y), t in zip([(0, 0), (150, 0), (0, 80), (150, 80)], thickness)
    ]


def test_plan_stock_from_thickness_is_a_plane():
    surveys = _lapped()
    before = readings_from_rows(_spots("intake", [9000] * 4)).table
    after = pd.concat(
        [surveys[1].readings, readings_from_rows(_spots("test_lap", [8985, 8975, 8985, 8975])).table]
    )
    after = after.reset_index(drop=True).assign(reading_id=range(1, len(after) + 1))
    tilted = [replace(surveys[0], readings=before), replace(surveys[1], readings=after)]
    plan = _plan(tilted, stock_from_thickness=True)
    # 15 um came off on the left, 25 on the right; pits at x = 20 and x = 100 have bounds of their own.
    gone = plan.bounds.pits[plan.bounds.pits["x_mm"] == 20.0].iloc[0]
    there = plan.bounds.pits[plan.bounds.pits["x_mm"] == 100.0].iloc[0]
    assert gone["shallower_than_um"] == pytest.approx(15 + 10 * 20 / 150)
    assert there["deeper_than_um"] == pytest.approx(15 + 10 * 100 / 150)
    assert plan.problems == ()
    other = [tilted[0], replace(tilted[1], removed=RemovedStock.of(60, 2))]
    assert "was the other face lapped too" in _plan(other, stock_from_thickness=True).problems[0]
    assert _plan(tilted).removed_um.value == 20


def test_plan_thickness_is_the_micrometers_where_it_was_used():
    """Two spots after the test lap: 11.960 (mean of two) and 11.950; 20 um came off since the reading at intake."""
    rows = [
        {"kind": "thickness", "x_mm": x, "y_mm": 10, "value": v, "unit": "mm", "uncertainty": 0.003}
        for x, v in ((10, 11.958), (10, 11.962), (90, 11.95))
    ]
    sheet = _sheet(thickness=12.0, thickness_min=11.93, stock_removed_before=0)
    now = replace(_lapped()[1], readings=_survey("test_lap", 20, readings=rows).readings)
    plan = _plan([_survey("intake", 0, pits=[]), replace(now, marks=now.marks.iloc[:0])], sheet)
    (line,) = [b for b in plan.budget if b.name == "thickness"]
    assert line.now.value == pytest.approx(11.95)
    assert line.now.high - line.now.value == pytest.approx(1.645 * 0.003, abs=1e-4)
    assert any("the micrometer counts" in p for p in plan.problems)
    then = replace(_survey("intake", 0, pits=[]), readings=_survey("intake", 0, readings=rows).readings)
    plan = _plan([then, _survey("test_lap", 20, pits=[])], sheet)
    (line,) = [b for b in plan.budget if b.name == "thickness"]
    assert line.now.value == pytest.approx(11.93)


def test_thickness_measured_before_a_lap_carries_the_error_of_what_came_off():
    """12.000 mm, 3 um a reading, then 40 um off to 4 um: 11.960 mm to hypot(3, 4) = 5 um, 1.64485 times that at 90 %."""
    row = {
        "stage": "intake",
        "kind": "thickness",
        "x_mm": 1,
        "y_mm": 1,
        "value": "12 mm",
        "uncertainty": "3 um",
    }
    first = replace(_survey("intake", 0, pits=[]), readings=readings_from_rows([row]).table)
    found, problems = thickness_now(
        [first, _survey("test_lap", 40, pits=[], sd=4.0)], LimitSheet(), 0.9, "mm"
    )
    assert found.value == pytest.approx(11.960)
    assert found.value - found.low == pytest.approx(1.644854 * 0.005)
    assert found.high - found.value == pytest.approx(1.644854 * 0.005)
    assert problems == []


def test_plan_thickness_that_no_plate_has_passes_no_limit():
    """119.5 mm where 11.95 was meant, on a plate that may have 11.93: ten times too thick is not thick enough."""
    sheet = _sheet(thickness_min=11.93, stock_removed_before=0)

    def thickness(value_mm):
        rows = [
            {
                "kind": "thickness",
                "x_mm": 10,
                "y_mm": 10,
                "value": value_mm,
                "unit": "mm",
                "uncertainty": 0.003,
            }
        ]
        surveys = [
            replace(_survey("intake", 0, pits=[]), readings=_survey("intake", 0, readings=rows).readings)
        ]
        return next(f for f in _plan(surveys, sheet).verdict.findings if f.rule == "thickness")

    assert thickness(11.95).status == "pass"
    finding = thickness(119.5)
    assert finding.status == "not judged"
    assert "more than twice the least that the plate may have; check the unit" in finding.sentence


def test_plan_says_which_readings_no_rule_judges():
    rows = [
        {"kind": "straightedge", "x_mm": 5, "y_mm": 5, "value": 60, "unit": "um"},
        {"kind": "straightedge", "x_mm": 9, "y_mm": 5, "value": 40, "unit": "um"},
        {"kind": "hardness", "x_mm": 5, "y_mm": 5, "value": 450, "unit": "HV"},
    ]
    measured = replace(_survey("intake", 0, pits=[]), readings=_survey("intake", 0, readings=rows).readings)
    assert (
        "Judged by no rule: 2 straightedge readings and 1 hardness reading; hold them against the manual yourself."
        in _plan([measured]).verdict.reasons
    )
    assert not any("no rule" in r for r in _plan([_survey("intake", 0, pits=[])]).verdict.reasons)


def test_plan_budget_is_not_passed_while_the_need_is_unknown():
    wide = [(20.0 + 7 * i, 10, 0.5 + 0.1 * i, 200.0 + i, "seal_land") for i in range(9)]
    surveys = [_survey("intake", 0, pits=wide), _survey("test_lap", 10, pits=wide)]
    plan = _plan(surveys, _sheet(total_stock=150, stock_removed_before=0, thickness=12.0, thickness_min=11.0))
    assert plan.verdict.outcome == "not enough readings"
    for finding in plan.verdict.findings:
        assert finding.status == "not judged"
    (stock,) = [f for f in plan.verdict.findings if f.rule == "total_stock"]
    assert stock.sentence == (
        "Stock taken off this face over its life, now: 10.0 um (7.5 to 12.5). After this work: not judged, how much"
        " must come off is not known."
    )


def test_plan_wear_step_of_before_the_lap_is_named_and_not_judged():
    rows = [{"kind": "wear_step", "x_mm": 5, "y_mm": 5, "value": 30, "unit": "um"}]
    first = replace(_survey("intake", 0, pits=[]), readings=_survey("intake", 0, readings=rows).readings)
    plan = _plan([first, _survey("test_lap", 20, pits=[])], _sheet(wear_step=60))
    (finding,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
    assert finding.status == "not judged"
    assert "30 um at intake, not measured since" in finding.sentence
    plan = _plan([first, _survey("test_lap", 20, pits=[])], _sheet(wear_step=60), system="inch")
    (finding,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
    assert "1.2 thou at intake, not measured since" in finding.sentence and " um" not in finding.sentence


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        (
            '[limits.total_stock]\nvalue = "-5 um"\nsource = "x"',
            "total_stock: expected more than 0, got -5 um",
        ),
        (
            '[limits.uncut_share_max]\nvalue = 250\nsource = "x"',
            "uncut_share_max: expected at most 100 percent",
        ),
        (
            '[limits.total_stock]\nvalue = "5 um"\nsource = "x"\nuncertanty = "1 um"',
            "unknown field uncertanty",
        ),
    ],
)
def test_limits_that_cannot_be_are_refused(tmp_path, text, wrong):
    (tmp_path / "l.toml").write_text(text)
    with pytest.raises(InputError, match=wrong):
        read_limits(tmp_path / "l.toml")


def test_limits_are_read_from_a_drawings_own_file():
    sheet = read_limits(PLATES / "heron40_end.toml")
    assert sheet.value("thickness_min") == 11.85
    assert sheet.value("joint_gap") == 70


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
    intake, lapped = _lapped()
    both = pd.concat([lapped.readings, readings_from_rows(spots).table], ignore_index=True)
    lapped = replace(lapped, readings=both.assign(reading_id=np.arange(1, len(both) + 1)))
    once = _plan([intake, lapped], _sheet(thickness_min=11.9))
    twice = _plan(_doubled([intake, lapped]), _sheet(thickness_min=11.9))
    for zone in ("seal_land", "running_surface"):
        assert _need(twice, zone).stock_um == _need(once, zone).stock_um
    assert twice.budget == once.budget
    assert twice.problems == (
        "after the test lap: 8 readings repeat others in every entry, as when a sheet is pasted twice; each counts once. "
        "Where a place was truly read again, say so in the note of that reading",
        *once.problems,
    )


def test_like_readings_without_a_place_are_not_taken_for_one():
    lines = [{"stage": "test_lap", "kind": "straightedge", "value": 30, "unit": "um"}] * 2
    first, now = _lapped()
    plan = _plan([first, replace(now, readings=readings_from_rows(lines).table)])
    assert plan.problems == ()
    assert any(r.startswith("Judged by no rule: 2 straightedge readings;") for r in plan.verdict.reasons)


@pytest.mark.parametrize(
    "again", [{"value": 28}, {"instrument": "dial"}, {"note": "read again"}, {"uncertainty": 4}]
)
def test_a_reading_that_differs_from_another_in_anything_counts_beside_it(again):
    rows = _read((1, 6), (2, 13), (3, 27), (4, 8), (5, 19), (6, 35))
    plan = _plan([_survey("intake", 0), _survey("test_lap", 20, readings=[*rows, {**rows[2], **again}])])
    assert plan.problems == ()
    alone = _plan([_survey("intake", 0), _survey("test_lap", 20, readings=rows)])
    ends = [_need(p, "seal_land").stock_um for p in (plan, alone)]
    assert ends[0].high - ends[0].low < 0.9 * (ends[1].high - ends[1].low)


def _micrometer(*rows):
    readings = [
        {"stage": "test_lap", "kind": "thickness", "x_mm": x, "y_mm": 10, "value": v, "unit": "mm",
         "uncertainty": u}
        for x, v, u in rows
    ]  # fmt: skip
    first, now = _lapped()
    both = pd.concat([now.readings, readings_from_rows(readings).table], ignore_index=True)
    plan = _plan(
        [first, replace(now, readings=both.assign(reading_id=np.arange(1, len(both) + 1)))],
        _sheet(thickness_min=11.84),
    )
    return next(b for b in plan.budget if b.name == "thickness").now


@pytest.mark.parametrize(
    ("rows", "value", "low"),
    [
        # Alone: 1.6449 standard deviations of 4 um.
        ([(20, 11.95, 0.004)], 11.95, 11.95 - 0.00658),
        # Two looks at one spot, 80 um apart: 40 um is the error of their mean, not 4 um over the root of 2.
        ([(20, 11.95, 0.004), (21, 11.87, 0.004)], 11.91, 11.91 - 1.64485 * 0.04),
        # The spot that was read worst may be the thinnest.
        ([(20, 11.95, 0.001), (80, 11.96, 0.05)], 11.95, 11.96 - 1.64485 * 0.05),
    ],
)
def test_thickness_is_as_uncertain_as_its_readings_disagree(rows, value, low):
    found = _micrometer(*rows)
    assert (found.value, found.low) == (pytest.approx(value, abs=1e-6), pytest.approx(low, abs=1e-4))


def test_a_wear_step_read_badly_may_be_the_largest():
    """46 +- 1 um and 45 +- 10 um: the second may be 61 um, so a limit of 50 um is not surely kept."""
    rows = [
        {"stage": "intake", "kind": "wear_step", "value": v, "unit": "um", "uncertainty": u}
        for v, u in ((46, 1), (45, 10))
    ]
    plan = _plan(
        [replace(_survey("intake", 0, pits=[]), readings=readings_from_rows(rows).table)],
        _sheet(wear_step=50),
    )
    (found,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
    assert (found.status, found.value.value) == ("watch", 46)
    assert found.value.high == pytest.approx(45 + 16.4485, abs=1e-3)


def test_budget_counts_the_stock_that_a_later_survey_takes_back():
    """30 um before the test lap, 10 um before the next one: the metal did not come back."""
    surveys = [_survey("intake", 0), _survey("test_lap", 30)]
    later = replace(_survey("lap_1", 35), removed=RemovedStock.of(10, 1.5))
    plan = _plan([*surveys, later], _sheet(total_stock=25, stock_removed_before=0))
    (line,) = [b for b in plan.budget if b.name == "total_stock"]
    assert line.now.value == plan.removed_um.value == 30
    assert any(p.startswith("less stock is said to be off at a later survey") for p in plan.problems)
    # Within the error of the stock the last word counts.
    near = replace(_survey("lap_1", 35), removed=RemovedStock.of(28, 1.5))
    assert _plan([*surveys, near]).removed_um.value == 28


def test_plan_calls_a_pit_by_its_number_on_the_map_and_a_depth_as_it_was_read():
    """Pit 7 of the nine that 14 um leave, read twice, is number 4 of the six that are left after 27 um."""
    twice = [{"mark": 7, "value": v, "unit": "um", "uncertainty": 6} for v in (129, 198)]
    surveys = [_survey("intake", 0), _survey("test_lap", 14, readings=twice), _survey("lap_1", 27)]
    places = [
        surveys[k].marks.set_index("mark_id").loc[n, ["x_mm", "y_mm"]].tolist() for k, n in ((1, 7), (2, 4))
    ]
    assert places == [[70, 64], [70, 64]]
    said = "pit 4 of the map after lap 1 (number 7 after the test lap): readings of 129 um and 198 um after the test lap are"
    assert any(p.startswith(said) for p in _plan(surveys).problems)
    inch = [p for p in _plan(surveys, system="inch").problems if p.startswith("pit 4 of the map after lap 1")]
    assert "readings of 5.1 thou and 7.8 thou after the test lap are" in inch[0] and " um" not in inch[0]


def test_plan_reading_against_the_steps_is_named_as_it_was_taken():
    low = [{"mark": 2, "value": 3, "unit": "um", "uncertainty": 1}]
    surveys = [_survey("intake", 0, readings=low), _survey("test_lap", 14)]
    # pit 2 of the intake (18 um deep) is the first that 14 um leave
    said = (
        "pit 1 of the map after the test lap (number 2 at intake): the reading of 3 um at intake speaks against the lap"
        " steps: "
    )
    assert any(
        p.startswith(said + "with 14 um off the pit was still there;") for p in _plan(surveys).problems
    )


def test_plan_reading_against_the_later_map_is_named_as_it_was_taken():
    deep = [{"mark": 1, "value": 60, "unit": "um", "uncertainty": 2}]
    surveys = [_survey("intake", 0), _survey("test_lap", 10, readings=deep), _survey("lap_1", 20)]
    said = (
        "pit 1 of the map after the test lap: the reading of 60 um after the test lap speaks against the later map after "
        "lap 1, which no longer shows the pit with 20 um off;"
    )
    assert any(p.startswith(said) for p in _plan(surveys).problems)


def test_plan_contradicting_surveys_name_pits_of_the_map():
    hidden = [p for p in PITS if p[0] != 90]
    surveys = [_survey("intake", 0), _survey("test_lap", 14, pits=hidden), _survey("lap_1", 30)]
    said = (
        "of the map after lap 1: not seen after the test lap (14 um off), seen again after lap 1 (30 um off);"
    )
    (found,) = (p for p in _plan(surveys).problems if said in p)
    number = int(found.split()[1])
    assert surveys[2].marks.set_index("mark_id").loc[number, "x_mm"] == 90
    inch = _plan(surveys, system="inch").problems
    assert any(
        "not seen after the test lap (0.6 thou off), seen again after lap 1 (1.2 thou off)" in p for p in inch
    )


def test_plan_stock_that_falls_is_told_in_the_units_of_the_plan():
    surveys = [_survey("test_lap", 40), _survey("lap_1", 20)]
    said = "less stock is said to be off at a later survey: {} after the test lap, {} after lap 1;"
    assert any(p.startswith(said.format("40 um", "20 um")) for p in _plan(surveys).problems)
    assert any(
        p.startswith(said.format("1.6 thou", "0.8 thou")) for p in _plan(surveys, system="inch").problems
    )


def test_plan_metal_not_seen_is_not_taken_for_cut():
    """Where 30 % of a zone was not seen, no uncut metal on the rest is no stock of 0 um."""
    hidden = replace(_survey("test_lap", 20, pits=[]), zones=_zones([0.3, 0.0]))
    plan = _plan([hidden], _sheet(uncut_share_max=5))
    land, inside = (_need(plan, zone, "uncut") for zone in ("seal_land", "running_surface"))
    assert (
        land.stock_um.reason == "no uncut metal shows, but 30 % of the zone was not seen: photograph it again"
    )
    assert math.isnan(land.recommended_um)
    assert inside.stock_um.value == 0.0
