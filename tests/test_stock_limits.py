"""Limits and budgets of a plan: what is judged, what passes, what no limit means."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from stock_fakes import PLATES, lapped_series, limit_sheet, needle, plan_of, surveyed, thickness_spots

from pitmap.depth import RemovedStock, readings_from_rows
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.inspection import limit_problems
from pitmap.stock import (
    LimitSheet,
    read_limits,
)
from pitmap.stock.condition import form_findings, thickness_now


def test_plan_beyond_the_limit_entered():
    plan = plan_of(lapped_series(), limit_sheet(total_stock=40, stock_removed_before=0))
    assert plan.verdict.outcome == "beyond the limit you entered"
    assert any("beyond the limit of at most 40 um (own rule)" in r for r in plan.verdict.reasons)
    # 20 of 40 um are left: the land pit of 27 um stays, and of the running ones that of 35; that of 19 is a toss-up.
    said = next(r for r in plan.verdict.reasons if r.startswith("Your limits allow 20 um more"))
    running, land = (float(v) for v in re.findall(r"about ([\d.]+) pits left", said))
    assert land == pytest.approx(1, abs=0.25)
    assert running == pytest.approx(1.4, abs=0.25)


def test_what_limits_allow_is_the_most_while_earlier_rebuilds_are_open():
    """40 less 20 um are 20, of which somebody may have lapped some before."""
    for earlier, most in (({"stock_removed_before": 0}, ""), ({}, "at most ")):
        reasons = plan_of(lapped_series(), limit_sheet(total_stock=40, **earlier)).verdict.reasons
        assert any(r.startswith(f"Your limits allow {most}20 um more") for r in reasons)


def test_plan_history_counts():
    assert plan_of(lapped_series(), limit_sheet(total_stock=90)).verdict.outcome == "lap"
    aged = limit_sheet(total_stock=90, stock_removed_before=50)
    assert plan_of(lapped_series(), aged).verdict.outcome == "beyond the limit you entered"


def test_plan_without_limits_never_passes():
    plan = plan_of(lapped_series())
    assert {f.status for f in plan.verdict.findings} == {"not judged"}
    assert any(r.startswith("Not judged") for r in plan.verdict.reasons)


def test_plan_broken_form_asks_for_a_lap():
    crooked = Estimate(value=90, low=80, high=100)
    plan = plan_of([surveyed("intake", 0, pits=[])], limit_sheet(flatness=50), flatness_um=crooked)
    assert plan.verdict.outcome == "test lap first"
    assert any("Flatness of the face" in r for r in plan.verdict.reasons)
    fine = plan_of([surveyed("intake", 0, pits=[])], limit_sheet(flatness=150), flatness_um=crooked)
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
    survey = replace(surveyed("intake", 0, pits=[]), readings=readings_from_rows(rows).table)
    gap = Estimate(value=60, low=50, high=70)
    plan = plan_of([survey], limit_sheet(wear_step=50, joint_gap=76.2), joint_gap_um=gap)
    status = {f.rule: f.status for f in plan.verdict.findings}
    assert (status["wear_step"], status["joint_gap"], status["flatness"]) == ("stop", "pass", "not judged")


def test_plan_test_lap_is_not_offered_when_the_stock_is_used_up():
    gone = limit_sheet(total_stock=100, stock_removed_before=130)
    plan = plan_of([surveyed("intake", 0)], gone)
    assert (plan.verdict.outcome, math.isnan(plan.verdict.stock_um)) == ("beyond the limit you entered", True)
    assert any("130 um" in r and "beyond" in r for r in plan.verdict.reasons)
    nearly = plan_of([surveyed("intake", 0)], limit_sheet(total_stock=100, stock_removed_before=96))
    assert nearly.verdict.outcome == "beyond the limit you entered"
    assert nearly.verdict.headline.startswith("Your limits allow 4 um more")


def test_plan_unknown_history_is_not_a_pass():
    plan = plan_of(lapped_series(), limit_sheet(total_stock=100, case_depth=300, case_left_min=150))
    status = {f.rule: (f.status, f.sentence) for f in plan.verdict.findings}
    for rule in ("total_stock", "case_left"):
        assert status[rule][0] == "not judged"
        assert "earlier rebuilds was not entered" in status[rule][1]
    # What is passed even at best is passed.
    spent = plan_of(lapped_series(), limit_sheet(total_stock=30))
    assert spent.verdict.outcome == "beyond the limit you entered"


def test_plan_squeeze_that_lapping_raises_does_not_forbid_lapping():
    loose = limit_sheet(ring_section=2.0, groove_depth=1.85, squeeze_min=12, squeeze_max=30)
    plan = plan_of(lapped_series(), loose)
    assert plan.verdict.outcome == "lap"
    (squeeze,) = [f for f in plan.verdict.findings if f.rule == "squeeze"]
    assert squeeze.status == "stop"
    assert "short of the limit of 12 % to 30 %" in squeeze.sentence
    assert squeeze.sentence in plan.verdict.reasons
    one = plan_of(lapped_series(), limit_sheet(ring_section=2.0, groove_depth=1.85, squeeze_max=30))
    (squeeze,) = [f for f in one.verdict.findings if f.rule == "squeeze"]
    assert squeeze.sentence.endswith("The least squeeze is not judged: no limit entered.")


def test_plan_tilt_that_breaks_a_limit_at_one_corner_is_not_offered():
    pits = [(0.0, 10, 2.0, 30, "seal_land"), (200.0, 10, 2.0, 90, "seal_land")]
    surveys = [
        surveyed("intake", 0, pits=pits),
        surveyed("test_lap", 20, pits=pits, readings=needle((1, 10), (2, 70), sd=1)),
    ]
    wide = {"face_bounds_mm": (0.0, 0.0, 240.0, 150.0), "tilt_max_um": 60.0}
    assert (
        plan_of(surveys, limit_sheet(total_stock=200, stock_removed_before=0), **wide).plane.largest_um > 75
    )
    tight = limit_sheet(total_stock=95, stock_removed_before=0)
    assert plan_of(surveys, tight, **wide).plane is None


def test_plan_stock_from_thickness_is_a_plane():
    surveys = lapped_series()
    before = readings_from_rows(thickness_spots("intake", [9000] * 4)).table
    after = pd.concat(
        [surveys[1].readings, readings_from_rows(thickness_spots("test_lap", [8985, 8975, 8985, 8975])).table]
    )
    after = after.reset_index(drop=True).assign(reading_id=range(1, len(after) + 1))
    tilted = [replace(surveys[0], readings=before), replace(surveys[1], readings=after)]
    plan = plan_of(tilted, stock_from_thickness=True)
    # 15 um came off on the left, 25 on the right; pits at x = 20 and x = 100 have bounds of their own.
    gone = plan.bounds.pits[plan.bounds.pits["x_mm"] == 20.0].iloc[0]
    there = plan.bounds.pits[plan.bounds.pits["x_mm"] == 100.0].iloc[0]
    assert gone["shallower_than_um"] == pytest.approx(15 + 10 * 20 / 150)
    assert there["deeper_than_um"] == pytest.approx(15 + 10 * 100 / 150)
    assert plan.problems == ()
    other = [tilted[0], replace(tilted[1], removed=RemovedStock.of(60, 2))]
    assert "was the other face lapped too" in plan_of(other, stock_from_thickness=True).problems[0]
    assert plan_of(tilted).removed_um.value == 20


@pytest.mark.parametrize(
    ("after_um", "said"),
    [
        (8980, ""),  # as entered
        (8950, ""),  # the other face was lapped too
        (8998, "lost 2 um"),
        (9030, "became 30 um thicker"),
    ],
)
def test_a_plate_cannot_have_lost_less_than_what_came_off_one_face(after_um, said):
    """With 20 um entered, four spots within 2 um each and the stock within 1.5 um, a plate of the same thickness passed
    without a word, and pits were bounded by a lap that took nothing off."""
    tables = [
        readings_from_rows(thickness_spots(stage, [thickness] * 4)).table
        for stage, thickness in (("intake", 9000), ("test_lap", after_um))
    ]
    surveys = [replace(s, readings=t) for s, t in zip(lapped_series(), tables)]
    told = [p for p in plan_of(surveys).problems if "by the micrometer" in p]
    assert len(told) == bool(said)
    if said:
        assert told[0].startswith(
            f"after the test lap: by the micrometer the plate {said} since it was measured at intake"
        )
        assert "20 um was entered as taken off this face alone; measure the same spots again" in told[0]


def test_plan_thickness_is_the_micrometers_where_it_was_used():
    """Two spots after the test lap: 11.960 (mean of two) and 11.950; 20 um came off since the reading at intake."""
    rows = [
        {"kind": "thickness", "x_mm": x, "y_mm": 10, "value": v, "unit": "mm", "uncertainty": 0.003}
        for x, v in ((10, 11.958), (10, 11.962), (90, 11.95))
    ]
    sheet = limit_sheet(thickness=12.0, thickness_min=11.93, stock_removed_before=0)
    now = replace(lapped_series()[1], readings=surveyed("test_lap", 20, readings=rows).readings)
    plan = plan_of([surveyed("intake", 0, pits=[]), replace(now, marks=now.marks.iloc[:0])], sheet)
    (line,) = [b for b in plan.budget if b.name == "thickness"]
    assert line.now.value == pytest.approx(11.95)
    assert line.now.high - line.now.value == pytest.approx(1.645 * 0.003, abs=1e-4)
    assert any("the micrometer counts" in p for p in plan.problems)
    then = replace(surveyed("intake", 0, pits=[]), readings=surveyed("intake", 0, readings=rows).readings)
    plan = plan_of([then, surveyed("test_lap", 20, pits=[])], sheet)
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
    first = replace(surveyed("intake", 0, pits=[]), readings=readings_from_rows([row]).table)
    found, problems = thickness_now(
        [first, surveyed("test_lap", 40, pits=[], sd=4.0)], LimitSheet(), 0.9, "mm"
    )
    assert found.value == pytest.approx(11.960)
    assert found.value - found.low == pytest.approx(1.644854 * 0.005)
    assert found.high - found.value == pytest.approx(1.644854 * 0.005)
    assert problems == []


def test_plan_thickness_that_no_plate_has_passes_no_limit():
    """119.5 mm where 11.95 was meant, on a plate that may have 11.93: ten times too thick is not thick enough."""
    sheet = limit_sheet(thickness_min=11.93, stock_removed_before=0)

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
            replace(surveyed("intake", 0, pits=[]), readings=surveyed("intake", 0, readings=rows).readings)
        ]
        plan = plan_of(surveys, sheet)
        return next(f for f in plan.verdict.findings if f.rule == "thickness"), plan.problems

    assert thickness(11.95)[0].status == "pass"
    finding, problems = thickness(119.5)
    assert finding.status == "not judged"
    assert "more than twice the least that the plate may have; check the unit" in finding.sentence
    # by itself, among the problems, the sentence was "it was given as more than twice ..."
    assert any(problem.startswith("the thickness given is more than twice") for problem in problems)


def test_plan_budget_is_not_passed_while_the_need_is_unknown():
    wide = [(20.0 + 7 * i, 10, 0.5 + 0.1 * i, 200.0 + i, "seal_land") for i in range(9)]
    surveys = [surveyed("intake", 0, pits=wide), surveyed("test_lap", 10, pits=wide)]
    plan = plan_of(
        surveys, limit_sheet(total_stock=150, stock_removed_before=0, thickness=12.0, thickness_min=11.0)
    )
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
    first = replace(surveyed("intake", 0, pits=[]), readings=surveyed("intake", 0, readings=rows).readings)
    plan = plan_of([first, surveyed("test_lap", 20, pits=[])], limit_sheet(wear_step=60))
    (finding,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
    assert finding.status == "not judged"
    assert "30 um at intake, not measured since" in finding.sentence
    plan = plan_of([first, surveyed("test_lap", 20, pits=[])], limit_sheet(wear_step=60), system="inch")
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
        (
            '[limits.total_stock]\nvalue = "150 um"\nsource = "x"\nuncertainty = "4 m"',
            "total_stock: give or take 4 m is more than 150 um itself; is the unit right",
        ),
        (  # every land passed it
            '[limits.sound_width_min]\nvalue = "3 um"\nsource = "x"',
            r"sound_width_min: expected at least 0.1 mm = 0.00394 in, got 0.003 mm = 0.000118 in; is the unit right",
        ),
        (  # "expected finite numbers" was said of it
            '[limits.flatness]\nvalue = "40 um"\nsource = "x"\nuncertainty = "-3 um"',
            "flatness: uncertainty: expected 0 or more, got -3",
        ),
        (
            '[limits.uncut_share_max]\nvalue = "2,500 %"\nsource = "x"',
            "uncut_share_max: expected percent, got '2,500 %'",
        ),
        (  # the second was left out in silence, and the case not judged
            '[limits.total_stock]\nvalue = "5 um"\nsource = "x"\n[case_depth]\nvalue = "300 um"\nsource = "x"',
            r"case_depth: stands beside \[limits\] and would not be read; call it \[limits.case_depth\]",
        ),
    ],
)
def test_limits_that_cannot_be_are_refused(tmp_path, text, wrong):
    (tmp_path / "l.toml").write_text(text)
    with pytest.raises(InputError, match=wrong):
        read_limits(tmp_path / "l.toml")


def test_what_may_be_nothing_may_be_off_by_more_than_itself(tmp_path):
    text = '[limits.stock_removed_before]\nvalue = "0 um"\nsource = "x"\nuncertainty = "5 um"'
    (tmp_path / "l.toml").write_text(text)
    assert read_limits(tmp_path / "l.toml").entries["stock_removed_before"].uncertainty == 5.0


def test_percents_take_a_decimal_comma_as_lengths_do(tmp_path):
    (tmp_path / "l.toml").write_text('[limits.uncut_share_max]\nvalue = "2,5 %"\nsource = "x"')
    assert read_limits(tmp_path / "l.toml").value("uncut_share_max") == 2.5


def test_limits_saved_with_a_byte_order_mark_are_read(tmp_path):
    """As some editors save UTF-8; sheets of readings and drawings were read with one, limits gave "Empty key"."""
    (tmp_path / "l.toml").write_text('[total_stock]\nvalue = "5 um"\nsource = "x"', encoding="utf-8-sig")
    assert read_limits(tmp_path / "l.toml").value("total_stock") == 5


def test_limits_are_read_from_a_drawings_own_file():
    sheet = read_limits(PLATES / "heron40_end.toml")
    assert sheet.value("thickness_min") == 11.85
    assert sheet.value("joint_gap") == 70


def _micrometer(*rows):
    readings = [
        {"stage": "test_lap", "kind": "thickness", "x_mm": x, "y_mm": 10, "value": v, "unit": "mm",
         "uncertainty": u}
        for x, v, u in rows
    ]  # fmt: skip
    first, now = lapped_series()
    both = pd.concat([now.readings, readings_from_rows(readings).table], ignore_index=True)
    plan = plan_of(
        [first, replace(now, readings=both.assign(reading_id=np.arange(1, len(both) + 1)))],
        limit_sheet(thickness_min=11.84),
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
    plan = plan_of(
        [replace(surveyed("intake", 0, pits=[]), readings=readings_from_rows(rows).table)],
        limit_sheet(wear_step=50),
    )
    (found,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
    assert (found.status, found.value.value) == ("watch", 46)
    assert found.value.high == pytest.approx(45 + 16.4485, abs=1e-3)


def test_a_step_down_is_as_large_as_a_step_up():
    """A shop may write a worn track as minus 60 um: the limit of 50 um is for its height."""
    rows = [
        {"stage": "intake", "kind": "wear_step", "value": v, "unit": "um", "uncertainty": 2}
        for v in (-60, 10)
    ]
    plan = plan_of(
        [replace(surveyed("intake", 0, pits=[]), readings=readings_from_rows(rows).table)],
        limit_sheet(wear_step=50),
    )
    (found,) = [f for f in plan.verdict.findings if f.rule == "wear_step"]
    assert (found.status, found.value.value) == ("stop", 60)


@pytest.mark.parametrize(("kind", "truth_um"), [("thickness", 12_000.0), ("wear_step", 30.0)])
def test_the_thinnest_of_many_spots_is_thin_by_chance_too(kind, truth_um):
    """Eight spots that are truly alike, 4 um a reading: the least (or largest) is not to deny what all of them are."""
    rows = [
        {"stage": "intake", "kind": kind, "x_mm": 20 * k, "y_mm": 10, "value": 12_000, "unit": "um", "uncertainty": 4}
        for k in range(8)
    ]  # fmt: skip
    rows = rows if kind == "thickness" else [{**r, "value": 30} for r in rows]
    survey = replace(surveyed("intake", 0, pits=[]), readings=readings_from_rows(rows).table)
    rng = np.random.default_rng(5)
    held = []
    for _ in range(200):
        values = truth_um + 4 * rng.standard_normal(8)
        read = [replace(survey, readings=survey.readings.assign(value_um=values))]
        if kind == "thickness":
            found = thickness_now(read, LimitSheet(), 0.9, "mm")[0]
            held.append(found.low <= truth_um / 1000 <= found.high)
        else:
            (rule,) = [f for f in form_findings(read, LimitSheet(), None, None, 0.9, "mm") if f.rule == kind]
            held.append(rule.value.covers(truth_um))
    # 90 % aimed at, less two standard errors of 200
    assert np.mean(held) > 0.857


def test_budget_counts_the_stock_that_a_later_survey_takes_back():
    """30 um before the test lap, 10 um before the next one: the metal did not come back."""
    surveys = [surveyed("intake", 0), surveyed("test_lap", 30)]
    later = replace(surveyed("lap_1", 35), removed=RemovedStock.of(10, 1.5))
    plan = plan_of([*surveys, later], limit_sheet(total_stock=25, stock_removed_before=0))
    (line,) = [b for b in plan.budget if b.name == "total_stock"]
    assert line.now.value == plan.removed_um.value == 30
    assert any(p.startswith("less stock is said to be off at a later survey") for p in plan.problems)
    # Within the error of the stock the last word counts.
    near = replace(surveyed("lap_1", 35), removed=RemovedStock.of(28, 1.5))
    assert plan_of([*surveys, near]).removed_um.value == 28


def test_a_photo_for_a_limit_sheet_is_told_in_words(tmp_path):
    """It said "'utf-8' codec can't decode byte 0xff in position 0"."""
    photo = tmp_path / "face.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(
        InputError, match=r"face\.jpg: is not UTF-8 text; name a limit sheet \(TOML\), saved in UTF-8$"
    ):
        read_limits(photo)


@pytest.mark.parametrize("entry", ["thickness", "thickness_min"])
@pytest.mark.parametrize(("value_mm", "is_told"), [(10.7, True), (10.9, False), (13.1, False), (13.3, True)])
def test_a_thickness_a_tenth_of_the_plate_away_either_way_is_a_slip(entry, value_mm, is_told):
    """A plate of 12 mm gives up 1.2 mm at most: 1.3 mm beside it, too thin as well as too thick, is another plate's."""
    assert bool(limit_problems(limit_sheet(**{entry: value_mm}), 12.0)) is is_told
