"""Limits, budgets, gap, time, lapping plane, sound width, rules: the parts of a stock plan."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rounds import long
from scipy.special import ndtr

from pitmap.errors import InputError, NotEnoughData
from pitmap.estimate import Estimate
from pitmap.stock import (
    LIMIT_TEXT,
    OFFERED,
    Limit,
    LimitSheet,
    disc_sound_width,
    judge,
    read_limits,
    stock_budget,
    write_limits,
)
from pitmap.stock.budget import stock_allowed_um
from pitmap.stock.curves import (
    NOT_MEASURED,
    DrawnNeed,
    needed_for_pits,
    needed_for_width,
    pit_curve,
    width_curve,
)
from pitmap.stock.gap import joint_gap, joint_gap_of_dips
from pitmap.stock.needs import uses_words, why_not
from pitmap.stock.plane import confident_plane, lapping_plane
from pitmap.stock.rules import judge_budget, judge_limit, unguarded_limits
from pitmap.stock.time import LapStep, lap_rate, minutes_to_go
from pitmap.stock.verdict import decide
from pitmap.units import format_entered, format_estimate, format_need

BOX = (0.0, 0.0, 200.0, 100.0)


def _e(value, half=0.0):
    return Estimate(value=value, low=value - half, high=value + half)


def _alone(value):
    return Estimate(value=value, low=math.nan, high=math.nan, reason="read once")


def test_limits_read_write_round_trip(tmp_path):
    entries = {
        "total_stock": Limit(value=101.6, source="own rule"),
        "thickness": Limit(value=50.123, source="micrometer", uncertainty=0.003),
        "squeeze_max": Limit(value=30.0, source="ring catalogue p. 4"),
        "joint_gap": OFFERED["joint_gap"],
    }
    path = tmp_path / "limits.toml"
    write_limits(LimitSheet(entries=entries), path)
    assert dict(read_limits(path).entries) == entries


def test_limits_mixed_units(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text(
        '[limits.total_stock]\nvalue = "4 thou"\nsource = "manual p. 12"\nuncertainty = "0.1 thou"\n'
        '[limits.sound_width_min]\nvalue = "0.2 in"\nsource = "own rule"\n'
        '[limits.squeeze_min]\nvalue = "15 %"\nsource = "ring catalogue"\n'
    )
    sheet = read_limits(path)
    assert sheet.value("total_stock") == pytest.approx(101.6)
    assert sheet.get("total_stock").uncertainty == pytest.approx(2.54)
    assert sheet.value("sound_width_min") == pytest.approx(5.08)
    assert sheet.value("squeeze_min") == 15.0
    assert sheet.get("flatness") is None
    assert math.isnan(sheet.value("flatness"))


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ('[limits.total_stok]\nvalue = "4 thou"\nsource = "x"\n', "total_stok"),
        ("[limits.total_stock]\nvalue = 4\nsource = 'x'\n", "total_stock"),
        ('[limits.total_stock]\nvalue = "4 thou"\n', "source"),
        ("[limits]\ntotal_stock = 3\n", "total_stock"),
        ("limits = 3\n", "limits"),
        ("[limits.squeeze_min]\nvalue = 'much'\nsource = 'x'\n", "squeeze_min"),
        ("not toml", "TOML"),
    ],
)
def test_limits_refuse_by_name(tmp_path, text, word):
    path = tmp_path / "limits.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=word):
        read_limits(path)


def test_limits_missing_file_and_unknown_names(tmp_path):
    with pytest.raises(InputError):
        read_limits(tmp_path / "none.toml")
    with pytest.raises(InputError):
        LimitSheet().get("colour")
    with pytest.raises(InputError):
        LimitSheet(entries={"colour": Limit(value=1, source="x")})
    with pytest.raises(InputError):
        Limit(value=math.nan, source="x")


def test_offered_joint_gap_is_marked_and_not_applied():
    assert OFFERED["joint_gap"].value == pytest.approx(0.003 * 25400)
    assert "no published source" in OFFERED["joint_gap"].source
    assert LimitSheet().get("joint_gap") is None
    assert all(unit in ("um", "mm", "percent") for unit, _ in LIMIT_TEXT.values())


def test_judge_three_ways_and_unjudged():
    assert judge(_e(80, 10), 100, is_minimum=False) == "pass"
    assert judge(_e(95, 10), 100, is_minimum=False) == "watch"
    assert judge(_e(101, 10), 100, is_minimum=False) == "stop"
    assert judge(_e(5.2, 0.1), 5, is_minimum=True) == "pass"
    assert judge(_e(5.05, 0.1), 5, is_minimum=True) == "watch"
    assert judge(_e(80, 10), math.nan, is_minimum=False) == "not judged"
    assert judge(Estimate.unknown("not measured"), 100, is_minimum=False) == "not judged"


@pytest.mark.parametrize(("is_minimum", "inside", "outside"), [(False, 80.0, 101.0), (True, 120.0, 99.0)])
def test_a_value_without_an_interval_never_passes(is_minimum, inside, outside):
    """How far off it is nobody said: inside the limit it is not proven, outside it is outside."""
    alone = [Estimate(value=v, low=math.nan, high=math.nan, reason="read once") for v in (inside, outside)]
    assert [judge(e, 100, is_minimum=is_minimum) for e in alone] == ["watch", "stop"]


@pytest.mark.parametrize(
    ("planned_um", "half_um", "status"), [(10, 1, "not judged"), (70, 15, "not judged"), (90, 1, "stop")]
)
def test_stock_of_a_plate_without_a_history_is_judged_only_where_it_is_too_much_already(
    planned_um, half_um, status
):
    """20 um are off and 100 allowed: 30 would pass and 90 (75 to 105) be watched, were nothing off before; 110 is beyond."""
    sheet = LimitSheet(entries={"total_stock": Limit(value=100, source="own rule")})
    line = stock_budget(sheet, _e(20), _e(planned_um, half_um))[0]
    assert (line.name, judge_budget(line).status) == ("total_stock", status)
    with_history = LimitSheet(
        entries={**sheet.entries, "stock_removed_before": Limit(value=0, source="known from new")}
    )
    line = stock_budget(with_history, _e(20), _e(planned_um, half_um))[0]
    assert judge_budget(line).status == {10: "pass", 70: "watch", 90: "stop"}[planned_um]


@pytest.mark.parametrize(("level", "low", "high"), [(0.9, 5.0, 95.0), (0.5, 25.0, 75.0)])
def test_need_has_the_interval_of_its_draws(level, low, high):
    """Draws of 0, 1 ... 100 um: quantiles are their own numbers; 0.9 x 102 is the 92nd of them, 91 um (Wilks)."""
    need = DrawnNeed.of("seal_land", "pits", np.arange(101.0), 0.9, level).needed
    stock = need.stock_um
    assert (stock.value, stock.low, stock.high, stock.level) == pytest.approx((50.0, low, high, level))
    assert need.recommended_um == 91.0


def test_curve_of_pits_has_the_interval_of_the_counts():
    """The k-th of 101 simulated faces has k pits of 100 um: 0 to 100 pits are left at 10 um, none at 100."""
    left = np.where(np.arange(100) < np.arange(101)[:, None], 100.0, -1.0)
    curve = pit_curve("seal_land", left, left, np.array([10.0, 100.0]), 0.9)
    assert curve[["value", "value_low", "value_high"]].to_numpy().tolist() == [[50, 5, 95], [0, 0, 0]]
    assert curve["p_reached"].tolist() == pytest.approx([1 / 101, 1])


def test_curve_of_a_width_has_the_interval_of_its_draws():
    """The k-th of 40 faces has k pits that take 0.1 mm each of 8: 4.1 to 8.0 mm, of which 5 % of the way in are 0.195."""
    left = np.where(np.arange(39) < np.arange(40)[:, None], 100.0, -1.0)
    curve = width_curve(
        "seal_land", left, np.array([10.0]), 0.9, lambda pits: 8 - 0.1 * pits.sum(), 6.0, NOT_MEASURED
    )
    assert curve[["value_low", "value", "value_high"]].iloc[0].tolist() == pytest.approx([4.295, 6.05, 7.805])
    assert curve["p_reached"].iloc[0] == pytest.approx(21 / 40)  # 0 to 20 pits leave 6 mm and more


def test_judge_takes_the_limit_itself_for_inside():
    # at most 100 is 100 too, and an interval that just reaches the limit proves it (JCGM 106: tolerance limits belong to it)
    assert judge(_e(100, 0), 100, is_minimum=False) == "pass"
    assert judge(_e(95, 5), 100, is_minimum=False) == "pass"
    assert judge(_e(100, 5), 100, is_minimum=False) == "watch"
    assert judge(_e(5.2, 0.2), 5.0, is_minimum=True) == "pass"


@pytest.mark.parametrize(
    ("name", "sheet", "removed", "planned"),
    [
        ("total_stock", {"total_stock": 2.3 * 25.4, "stock_removed_before": 0}, 0.1 * 25.4, 2.2 * 25.4),
        ("thickness", {"thickness": 11.95, "thickness_min": 11.945}, 0.0, 5.0),
        ("thickness", {"thickness": 11.95, "thickness_min": 11.935}, 0.0, 15.0),
    ],
)
def test_budget_that_meets_its_limit_to_the_last_figure_is_inside(name, sheet, removed, planned):
    """0.1 and 2.2 thou against 2.3 thou; 11.95 mm less 5 um against 11.945 mm: equal, whatever the sum of floats says."""
    limits = LimitSheet(entries={k: Limit(value=v, source="own rule") for k, v in sheet.items()})
    lines = stock_budget(limits, _e(removed, 0), _e(planned, 0))
    finding = judge_budget(next(b for b in lines if b.name == name))
    assert finding.status == "pass"
    assert "within the limit" in finding.sentence


def test_judge_limit_sentences():
    sheet = LimitSheet(entries={"flatness": Limit(value=50, source="manual p. 9")})
    found = judge_limit("flatness", "Flatness", _e(60, 5), sheet, "flatness", is_minimum=False)
    assert found.status == "stop"
    assert (
        found.sentence == "Flatness: 60.0 um (55.0 to 65.0), beyond the limit of at most 50 um (manual p. 9)."
    )
    inch = judge_limit(
        "flatness", "Flatness", _e(25.4, 5), sheet, "flatness", is_minimum=False, system="inch"
    )
    assert (
        inch.sentence
        == "Flatness: 1.00 thou (0.80 to 1.20), within the limit of at most 1.97 thou (manual p. 9)."
    )
    unjudged = judge_limit("wear_step", "Wear step", _e(30, 5), sheet, "wear_step", is_minimum=False)
    assert unjudged.status == "not judged"
    assert "no limit entered" in unjudged.sentence


def _sheet(**entries):
    return LimitSheet(entries={k: Limit(value=v, source="own rule") for k, v in entries.items()})


def test_stock_budget_counts_earlier_rebuilds():
    sheet = _sheet(
        total_stock=120,
        stock_removed_before=40,
        case_depth=300,
        case_left_min=150,
        thickness=50.0,
        thickness_min=49.9,
        ring_section=3.0,
        groove_depth=2.3,
        squeeze_max=28,
        groove_width=4.5,
        fill_max=85,
    )
    lines = {line.name: line for line in stock_budget(sheet, _e(20), _e(50))}
    assert (lines["total_stock"].now.value, lines["total_stock"].after.value) == (60, 110)
    assert (lines["case_left"].now.value, lines["case_left"].after.value) == (240, 190)
    assert (lines["thickness"].now.value, lines["thickness"].after.value) == (
        pytest.approx(50),
        pytest.approx(49.95),
    )
    assert lines["squeeze"].after.value == pytest.approx(25.0)
    assert lines["squeeze"].per_10_um == pytest.approx(1 / 3)
    assert lines["fill"].after.value == pytest.approx(100 * math.pi / 4 * 9 / (2.25 * 4.5))
    assert {judge_budget(line).status for line in lines.values()} == {"pass"}
    # Stock 60 um, case 90 um, thickness 100 um, squeeze (28 - 23.33) % of 3 mm = 140 um: stock comes first.
    assert stock_allowed_um(list(lines.values())) == pytest.approx(60)
    assert stock_allowed_um([lines["squeeze"]]) == pytest.approx(140)
    assert stock_allowed_um(stock_budget(LimitSheet(), _e(20), _e(50))) == math.inf
    assert stock_allowed_um(stock_budget(_sheet(total_stock=10), _e(20), _e(50))) == 0


def test_while_earlier_rebuilds_are_open_what_is_used_and_left_are_ends_and_no_amounts():
    """Of 300 um of case 20 went in this job; whoever lapped before took more, so 280 um is the most that can be left."""
    known = {"total_stock": 120, "case_depth": 300, "case_left_min": 150}
    total, case = stock_budget(_sheet(**known), _e(20, 5), _e(50, 5))
    assert judge_budget(total).sentence == (
        "Stock taken off this face over its life, now: at least 20.0 um (15.0 to 25.0). After this work: not judged, the "
        "stock taken off at earlier rebuilds was not entered (0 for none)."
    )
    assert "Hardened case left, now: at most 280.0 um (275.0 to 285.0)." in judge_budget(case).sentence
    # 20 and 150 um are 170, past 120 whatever came off before
    past, _ = (judge_budget(line) for line in stock_budget(_sheet(**known), _e(20), _e(150)))
    assert past.status == "stop"
    assert "over its life: at least 170 um" in past.sentence and "now at least 20 um" in past.sentence
    assert uses_words((total, case), "mm") == "10 um of stock; 10 um of case"
    told = stock_budget(_sheet(**known, stock_removed_before=0), _e(20, 5), _e(50, 5))
    assert uses_words(told, "mm") == "10 um of stock of 100 um allowed; 10 um of 280 um case"
    assert not any("at least 20" in judge_budget(line).sentence for line in told)


def test_stock_through_the_case_is_said_in_words_and_never_as_case_left():
    """Of 100 um of case 40 are gone and 20 more in this job: 72 um further go through it by 32 um."""
    sheet = _sheet(case_depth=100, stock_removed_before=40, case_left_min=20)
    line = next(x for x in stock_budget(sheet, _e(20, 5), _e(72, 5)) if x.name == "case_left")
    # 5 um either way each, in quadrature 7.1
    assert judge_budget(line).status == "stop"
    assert judge_budget(line).sentence == (
        "After this work, hardened case left: none, the planned stock goes through the case by 32.0 um (24.9 to 39.1);"
        " now 40.0 um (35.0 to 45.0), short of the limit of at least 20 um (own rule)."
    )
    assert "by 1.26 thou (0.98 to 1.54)" in judge_budget(line, system="inch").sentence
    gone = stock_budget(
        _sheet(case_depth=100, stock_removed_before=90, total_stock=105), _e(20, 5), _e(72, 5)
    )
    assert "; now none, the stock taken off goes through the case by 10.0 um (5.0 to 15.0)." in (
        judge_budget(next(x for x in gone if x.name == "case_left")).sentence
    )
    assert uses_words(gone, "mm") == (
        "10 um of stock, of which none is allowed any more; 10 um under the case, which is gone"
    )
    # where the interval reaches back into the case it is not through, by no amount under 0
    near = next(x for x in stock_budget(sheet, _e(20, 5), _e(42, 5)) if x.name == "case_left")
    assert "through the case by 2.0 um (0.0 to 9.1)" in judge_budget(near).sentence


def test_stock_budget_without_limits_is_not_judged():
    (line,) = stock_budget(LimitSheet(), _e(20), _e(50))
    assert line.name == "total_stock"
    found = judge_budget(line)
    assert found.status == "not judged"
    assert "no limit entered" in found.sentence


def test_a_budget_without_a_limit_gives_no_figure_for_work_that_is_not_known():
    (line,) = stock_budget(LimitSheet(), _e(48), _e(0), lacking="how much must come off is not known")
    found = judge_budget(line)
    assert found.status == "not judged"
    assert (
        "now: at least 48 um" in found.sentence and found.sentence.count("48") == 3
    )  # the value and its interval
    assert "no limit entered, and " in found.sentence


def test_least_squeeze_above_the_largest_is_refused():
    with pytest.raises(InputError, match=r"squeeze_min \(30 percent\) is more than squeeze_max \(15\)"):
        _sheet(squeeze_min=30, squeeze_max=15)
    _sheet(squeeze_min=15, squeeze_max=15)


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        (
            {"case_left_min": 200, "case_depth": 50},
            r"case_left_min \(200 um\) is more than case_depth \(50\)",
        ),
        ({"stock_removed_before": 30_000}, "got 30 mm = 1.18 in; is the unit right"),
        ({"flatness": 50_800}, "got 50.8 mm = 2 in; is the unit right"),
        ({"groove_depth": 90, "ring_section": 2.6}, "do not go together"),
        (
            {"groove_depth": 0.2, "ring_section": 2.6},
            "groove_depth, 0.2 mm = 0.00787 in, and ring_section, 2.6 mm = 0.102 in, do not",
        ),
    ],
)
def test_limits_that_cannot_be_right_are_refused(entries, said):
    with pytest.raises(InputError, match=said):
        _sheet(**entries)


def test_a_limit_that_nothing_is_held_against_is_told_and_never_dropped():
    sheet = _sheet(case_left_min=150, squeeze_max=28, fill_max=85, thickness_min=11.9)
    budget = stock_budget(sheet, _e(20), _e(50))
    found = {f.rule: f for f in unguarded_limits(sheet, budget)}
    assert set(found) == {"case_left", "squeeze", "fill", "thickness"}
    assert {f.status for f in found.values()} == {"not judged"}
    assert found["thickness"].sentence == (
        "Thickness: not judged, no thickness was measured or entered; the limit of 11.90 mm (own rule) guards nothing."
    )
    measured = stock_budget(sheet, _e(20), _e(50), thickness_mm=_e(12.0, 0.01))
    assert "thickness" not in {f.rule for f in unguarded_limits(sheet, measured)}
    assert unguarded_limits(LimitSheet(), stock_budget(LimitSheet(), _e(20), _e(50))) == []


@pytest.mark.parametrize(
    ("value", "unit", "system", "shown"),
    [
        (50.0, "um", "mm", "50 um"),
        (11.4, "um", "mm", "11.4 um"),
        (11.9445, "mm", "mm", "11.9445 mm"),
        (12.0, "mm", "mm", "12.00 mm"),
        (76.2, "um", "inch", "3.0 thou"),
        # 11.4 / 25.4 = 0.4488...; one digit more than a measured value has
        (11.4, "um", "inch", "0.45 thou"),
        (12.7, "mm", "inch", "0.500 in"),
    ],
)
def test_a_limit_is_shown_as_it_was_entered(value, unit, system, shown):
    assert format_entered(value, unit, system) == shown


def test_budget_on_a_doubted_entry_is_never_passed():
    sheet = LimitSheet(
        entries={
            k: Limit(value=v, source="own rule")
            for k, v in {
                "total_stock": 120, "stock_removed_before": 0, "case_depth": 300, "case_left_min": 150, "thickness": 50.0,
                "thickness_min": 49.9, "ring_section": 3.0, "groove_depth": 2.3, "squeeze_min": 26, "squeeze_max": 28,
                "groove_width": 4.5, "fill_max": 85,
            }.items()
        },
        doubts={"stock_removed_before": "80 um is known", "thickness": "older", "groove_depth": "older"},
    )  # fmt: skip
    lines = {line.name: line for line in stock_budget(sheet, _e(20), _e(50))}
    found = {name: judge_budget(line) for name, line in lines.items()}
    assert {f.status for f in found.values()} == {"not judged"}
    assert (
        found["total_stock"].sentence
        == "Stock taken off this face over its life: not judged, 80 um is known."
    )
    # A micrometer reading of now needs no thickness of the sheet.
    read = stock_budget(sheet, _e(20), _e(50), thickness_mm=_e(50.0, 0.001))
    assert judge_budget(next(x for x in read if x.name == "thickness")).status == "pass"
    # What is too much already stays so, however much came off before.
    over = stock_budget(replace(sheet, entries=_sheet(total_stock=60).entries), _e(20), _e(50))
    assert judge_budget(over[0]).status == "stop"


def _unsure(**entries):
    return LimitSheet(
        entries={k: Limit(value=v, source="own rule", uncertainty=u) for k, (v, u) in entries.items()}
    )


def test_what_is_not_known_of_ring_and_groove_is_in_squeeze_and_fill():
    """A ring of 3.0 +- 0.03 mm in a groove of 2.4 +- 0.02 by 4.5 +- 0.09 mm, standard deviations; z = 1.64485 at 90 %.

    Squeeze 20 %: the ring gives 100 2.4 / 9 0.03 = 0.8 points, the groove 100 / 3 0.02 = 0.667, 40 um of stock that is sure
    to z 6 um another 0.1 / 3 6 = 0.2. Fill 100 pi/4 9 / 10.8 = 65.4 %: 2 %, 0.833 % and 2 % of it.
    """
    z = 1.6448536
    sheet = _unsure(ring_section=(3.0, 0.03), groove_depth=(2.4, 0.02), groove_width=(4.5, 0.09))
    lines = {x.name: x for x in stock_budget(sheet, _e(0, 0), _e(40, 6 * z))}
    squeeze, after = lines["squeeze"].now, lines["squeeze"].after
    assert squeeze.value == pytest.approx(20.0)
    assert squeeze.high - 20.0 == pytest.approx(z * math.hypot(0.8, 2 / 3))
    assert after.value == pytest.approx(20.0 + 4 / 3)
    assert after.value - after.low == pytest.approx(z * math.hypot(0.8, 2 / 3, 0.2))
    fill = lines["fill"].now
    assert fill.value == pytest.approx(65.4498, abs=1e-4)
    assert fill.high - fill.value == pytest.approx(
        z * fill.value * math.hypot(0.02, 0.02 / 2.4, 0.02), rel=1e-6
    )
    # less groove is left as stock comes off: the ends of the stock, 6 z um either way of 40, are in the ends of the fill
    after, own = lines["fill"].after, z * math.hypot(0.02, 0.02 / 2.4, 0.02)
    for end, removed, sign in ((after.low, 40 - 6 * z, -1), (after.high, 40 + 6 * z, 1)):
        of_stock = 100 * math.pi / 4 * 9 / ((2.4 - removed / 1000) * 4.5)
        assert end == pytest.approx(of_stock + sign * own * after.value, rel=1e-6)


def test_the_error_of_the_case_is_in_the_case_that_is_left():
    """300 um of case, 12 um of standard deviation, less 60 (to 75, or to 55): 240, z 12 and 15 down, z 12 and 5 up."""
    z = 1.6448536
    used = Estimate(value=60.0, low=55.0, high=75.0)
    line = next(
        x for x in stock_budget(_unsure(case_depth=(300.0, 12.0)), used, _e(0, 0)) if x.name == "case_left"
    )
    assert line.now.value == 240.0
    assert line.now.low == pytest.approx(240 - math.hypot(12 * z, 15))
    assert line.now.high == pytest.approx(240 + math.hypot(12 * z, 5))


def test_judge_budget_squeeze_has_two_sides():
    for high, low, expected in ((24, 15, "stop"), (30, 26, "stop"), (30, 15, "pass")):
        sheet = _sheet(ring_section=3.0, groove_depth=2.3, squeeze_min=low, squeeze_max=high)
        line = next(x for x in stock_budget(sheet, _e(0), _e(50)) if x.name == "squeeze")
        assert judge_budget(line).status == expected
    sheet = _sheet(ring_section=3.0, groove_depth=2.3, squeeze_min=15)
    line = next(x for x in stock_budget(sheet, _e(0), _e(50)) if x.name == "squeeze")
    assert judge_budget(line).status == "pass"


def test_joint_gap_adds_where_they_meet():
    found = joint_gap([0, 10, 20], [30, 10, 0], [0, 40, 45], plate_sd_um=3, housing_sd_um=4)
    assert (found.gap_um.value, found.along_mm) == (50, 10)
    assert found.gap_um.high - 50 == pytest.approx(1.6448536 * 5)
    both = joint_gap_of_dips(_e(30, 5), _e(45, 5))
    assert both.gap_um.value == 75
    assert both.gap_um.high == pytest.approx(75 + 5 * math.sqrt(2))
    assert math.isnan(both.along_mm)


def test_joint_gap_refuses():
    with pytest.raises(InputError):
        joint_gap([0, 1], [1], [1, 2], plate_sd_um=1, housing_sd_um=1)
    with pytest.raises(InputError):
        joint_gap([0], [-1], [1], plate_sd_um=1, housing_sd_um=1)
    with pytest.raises(InputError):
        joint_gap([0], [math.nan], [1], plate_sd_um=1, housing_sd_um=1)
    with pytest.raises(InputError, match="housing"):
        joint_gap_of_dips(_e(1), Estimate.unknown("not measured"))


def test_lap_rate_and_minutes():
    one = lap_rate([LapStep(minutes=10, stock_um=20, stock_sd_um=3)])
    assert one.value == pytest.approx(2.0)
    assert one.low < 1 < 3.5 < one.high
    # One pass says little, four alike say more.
    four = lap_rate([LapStep(minutes=10, stock_um=20, stock_sd_um=3)] * 4)
    assert four.high / four.low < one.high / one.low
    minutes = minutes_to_go(_e(30, 5), one)
    assert minutes.value == pytest.approx(15)
    assert minutes.low < 10 < 25 < minutes.high
    assert minutes_to_go(_e(0), one).high == 0
    assert not minutes_to_go(Estimate.unknown("not enough readings"), one).is_known
    assert minutes_to_go(_e(30, 5), one, load=2).value == pytest.approx(7.5)


def test_minutes_carry_the_errors_of_stock_and_of_rate():
    """30 um (24 to 36) at 2 um/min (1.6 to 2.5): a fifth and a quarter more, or a fifth and a fifth less."""
    found = minutes_to_go(
        Estimate(value=30.0, low=24.0, high=36.0), Estimate(value=2.0, low=1.6, high=2.5), speed=1.0
    )
    assert found.value == pytest.approx(15.0)
    assert found.high == pytest.approx(15 * (1 + math.hypot(0.2, 0.25)))
    assert found.low == pytest.approx(15 * (1 - math.hypot(0.2, 0.2)))


def test_lap_rate_of_passes_that_scatter():
    """Rates of 1, 2 and 4 um/min without error: logs 0.69 apart, variance 0.4805; the prior of 0.35 squared counts twice.

    Between passes (2 0.1225 + 2 0.4805) / 4 = 0.3015; their mean 0.3015 / 3; one more pass: 0.634 in all, t(2) = 2.920.
    """
    found = lap_rate([LapStep(minutes=10, stock_um=s, stock_sd_um=0) for s in (10, 20, 40)])
    assert found.value == pytest.approx(2.0)
    # two passes alike leave one degree of freedom, and are read with two: 0.35 is no guess of theirs alone
    two = lap_rate([LapStep(minutes=10, stock_um=20, stock_sd_um=0)] * 2)
    assert two.high == pytest.approx(2 * math.exp(2.91999 * 0.35 * math.sqrt(1.5)), rel=1e-3)
    half = 2.91999 * math.sqrt(0.30148 * 4 / 3)
    assert found.high == pytest.approx(2 * math.exp(half), rel=1e-3)
    assert found.low == pytest.approx(2 * math.exp(-half), rel=1e-3)


def test_lap_rate_needs_a_trial_pass():
    for steps in ([], [LapStep(minutes=5, stock_um=0, stock_sd_um=2)]):
        with pytest.raises(NotEnoughData, match="trial pass"):
            lap_rate(steps)
    with pytest.raises(InputError):
        LapStep(minutes=0, stock_um=5, stock_sd_um=2)
    with pytest.raises(InputError):
        minutes_to_go(_e(3), _e(1, 0.5), load=0)


def test_lapping_plane_exact_cases():
    # Depths rise evenly from left to right: the tilted plane follows them, the parallel one pays 40 everywhere.
    x, y = np.array([0.0, 200, 0, 200]), np.array([0.0, 0, 100, 100])
    found = lapping_plane(x, y, [0, 40, 0, 40], BOX, tilt_max_um=50)
    assert (found.mean_um, found.tilt_x_um, found.tilt_y_um) == (
        pytest.approx(20),
        pytest.approx(40),
        pytest.approx(0),
    )
    assert found.saving_um.value == pytest.approx(20)
    assert found.touching == (0, 1, 2, 3)
    # Half the tilt allowed: half the saving.
    half = lapping_plane(x, y, [0, 40, 0, 40], BOX, tilt_max_um=20)
    assert (half.mean_um, half.saving_um.value) == (pytest.approx(30), pytest.approx(10))
    assert lapping_plane(x, y, [0, 40, 0, 40], BOX, tilt_max_um=0).mean_um == 40
    # A deep point in the middle cannot be helped by tilting.
    middle = lapping_plane([100.0], [50.0], [30.0], BOX, tilt_max_um=50)
    assert middle.mean_um == pytest.approx(30)
    assert lapping_plane([100.0], [50.0], [-5.0], BOX, tilt_max_um=50).mean_um == 0


def test_lapping_plane_interval_and_refusals():
    rng = np.random.default_rng(1)
    draws = np.array([0, 40, 0, 40]) + 3 * rng.standard_normal((200, 4))
    x, y = np.array([0.0, 200, 0, 200]), np.array([0.0, 0, 100, 100])
    found = lapping_plane(x, y, [0, 40, 0, 40], BOX, tilt_max_um=50, low_draws_um=draws)
    assert 14 < found.saving_um.low < found.saving_um.high < 24
    assert lapping_plane(x, y, [0, 40, 0, 40], BOX, tilt_max_um=50).saving_um.reason
    with pytest.raises(NotEnoughData):
        lapping_plane([], [], [], BOX, tilt_max_um=5)
    for bad in ({"x_mm": [300.0]}, {"low_um": [math.nan]}, {"low_um": [1.0, 2.0]}, {"tilt_max_um": -1.0}):
        call = {"x_mm": [10.0], "y_mm": [10.0], "low_um": [5.0], "bounds_mm": BOX, "tilt_max_um": 5.0, **bad}
        with pytest.raises(InputError):
            lapping_plane(**call)


@pytest.mark.parametrize("confidence", [0.5, 0.9])
def test_confident_plane_reaches_all_points_as_often_as_it_says(confidence):
    """Pits 20 and 60 um deep at two ends of the face, each to 5 um: of 2,000 faces more, how many does the plane clear?"""
    rng = np.random.default_rng(9)
    x, y, deep = np.array([0.0, 0, 200, 200]), np.array([0.0, 100, 0, 100]), np.array([20.0, 20, 60, 60])
    draws, more = (deep + 5 * rng.standard_normal((n, 4)) for n in (1000, 2000))
    found = confident_plane(x, y, draws, BOX, tilt_max_um=50, confidence=confidence)
    c0, cx, cy = found.coefficients
    # three sampling errors of 1,000 draws and of 2,000 faces together
    slack = 3 * math.sqrt(confidence * (1 - confidence) * (1 / 1000 + 1 / 2000))
    assert (more <= c0 + cx * x + cy * y).all(axis=1).mean() == pytest.approx(confidence, abs=slack)
    assert (more <= found.parallel_um).all(axis=1).mean() == pytest.approx(confidence, abs=slack)
    # the plane follows the slope of 40 um, so it takes about 20 um less on average than the parallel removal
    assert found.tilt_x_um == pytest.approx(40, abs=1)
    assert found.saving_um.value == pytest.approx(found.parallel_um - found.mean_um)
    assert found.saving_um.value == pytest.approx(20, abs=3)
    # largest at one end, where it lies half the tilt under its middle
    assert found.largest_um == pytest.approx(
        found.mean_um + (abs(found.tilt_x_um) + abs(found.tilt_y_um)) / 2
    )


def test_confident_plane_puts_no_metal_on():
    """A pit that lies 40 um deep in six of ten draws and is gone by 10 um in four: of little confidence nothing is asked."""
    draws = np.repeat([40.0, -10.0], [600, 400])[:, None]
    found = confident_plane([100.0], [50.0], draws, BOX, tilt_max_um=0, confidence=0.3)
    assert (found.mean_um, found.least_um, found.parallel_um) == (0.0, 0.0, 0.0)


def test_confident_plane_asks_for_as_much_as_the_pits_do():
    """Of 300 draws 1, 2 ... 300 um the 298th is enough with a chance of 298 / 301 = 0.990, as for the last pit."""
    draws = np.arange(1.0, 301.0)[::-1, None]
    found = confident_plane([100.0], [50.0], draws, BOX, tilt_max_um=0, confidence=0.99)
    asked = needed_for_pits("seal_land", draws, 0.99, 0.9).needed.recommended_um
    assert (found.parallel_um, found.mean_um, asked) == (298.0, 298.0, 298.0)
    with pytest.raises(NotEnoughData, match="300 draws cannot tell what is enough with 99.9 % confidence"):
        confident_plane([100.0], [50.0], draws, BOX, tilt_max_um=0, confidence=0.999)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 200), st.floats(0, 100), st.floats(0, 80)), min_size=1, max_size=12))
def test_lapping_plane_reaches_every_point(points):
    x, y, low = np.array(points).T
    found = lapping_plane(x, y, low, BOX, tilt_max_um=30)
    c0, cx, cy = found.coefficients
    assert (c0 + cx * x + cy * y >= low - 1e-6).all()
    assert max(abs(found.tilt_x_um), abs(found.tilt_y_um)) <= 30 + 1e-6
    assert found.mean_um <= found.parallel_um + 1e-6
    corners = [c0 + cx * a + cy * b for a in (0, 200) for b in (0, 100)]
    assert min(corners) >= -1e-6


def _land(*pits):
    """Pits (along, across, diameter) on a straight land 8 mm wide."""
    along, across, d = np.array(pits, float).reshape(-1, 3).T
    return pd.DataFrame(
        {
            "x_mm": along, "y_mm": across, "eq_diam_mm": d, "dist_trace_mm": across - d / 2,
            "dist_coolant_mm": 8 - across - d / 2,
        }
    )  # fmt: skip


def _all(table):
    return np.ones(len(table), bool)


def test_disc_sound_width_exact_cases():
    one = _land((0, 4, 2))
    assert disc_sound_width(one, 8)(_all(one)) == pytest.approx(6)
    assert disc_sound_width(one, 8)([False]) == 8
    # A chain from edge to edge is a leak path.
    chain = _land((0, 1, 2), (0.5, 3, 2.4), (0, 5, 2.4), (0, 7, 2))
    assert disc_sound_width(chain, 8)(_all(chain)) == 0
    # Two pits side by side along the land do not add; one above the other they do.
    apart, stacked = _land((0, 4, 2), (9, 4, 2)), _land((0, 2, 2), (0, 6, 2))
    assert disc_sound_width(apart, 8)(_all(apart)) == pytest.approx(6)
    assert disc_sound_width(stacked, 8)(_all(stacked)) == pytest.approx(4)
    # Aslant: 1 to the first, sqrt(9 + 16) - 2 between, 1 to the other side.
    slant = _land((0, 2, 2), (3, 6, 2))
    assert disc_sound_width(slant, 8)(_all(slant)) == pytest.approx(1 + 3 + 1)
    assert disc_sound_width(_land(), 8)([]) == 8


def test_disc_sound_width_passes_over_pits_off_the_land():
    table = _land((0, 4, 2), (5, 4, 3))
    table.loc[1, "dist_trace_mm"] = np.nan
    assert disc_sound_width(table, 8)(_all(table)) == pytest.approx(6)
    with pytest.raises(InputError):
        disc_sound_width(table, 0)
    with pytest.raises(InputError):
        disc_sound_width(table, 8)([True])


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_disc_sound_width_never_falls_when_a_pit_goes(seed):
    rng = np.random.default_rng(seed)
    d = rng.uniform(0.3, 2.5, 12)
    table = _land(*np.column_stack([rng.uniform(0, 15, 12), rng.uniform(d / 2, 8 - d / 2), d]))
    width = disc_sound_width(table, 8)
    left = np.ones(12, bool)
    before = width(left)
    for i in rng.permutation(12):
        left[i] = False
        after = width(left)
        assert after >= before - 1e-9
        before = after
    assert before == 8


def test_disc_sound_width_agrees_with_a_raster():
    """Fast marching on a fine raster (skimage MCP with its grid error) about the same discs."""
    from skimage.graph import MCP_Geometric

    rng = np.random.default_rng(4)
    step = 0.05
    for _ in range(3):
        d = rng.uniform(0.5, 2.5, 8)
        pits = np.column_stack([rng.uniform(2, 14, 8), rng.uniform(d / 2, 8 - d / 2), d])
        table = _land(*pits)
        y, x = np.mgrid[step / 2 : 8 : step, 0:16:step]
        cost = np.full(x.shape, step)
        for cx, cy, di in pits:
            cost[np.hypot(x - cx, y - cy) < di / 2] = 1e-6
        found, _ = MCP_Geometric(cost).find_costs([(0, j) for j in range(x.shape[1])])
        # Eight neighbours lengthen a slanting step by up to 8 %.
        exact = disc_sound_width(table, 8)(_all(table))
        assert exact - 0.15 <= found[-1].min() <= 1.09 * exact + 0.15


def test_needed_for_width_the_shallowest_pit_can_be_enough():
    """On 8 mm a pit of 6 mm, 10 um deep, leaves 2 mm; one of 0.5 mm, 100 um deep, leaves 7.5: enough where 7 are asked."""
    width = disc_sound_width(_land((0, 4, 6), (50, 4, 0.5)), 8)
    need = needed_for_width("seal_land", np.tile([10.0, 100.0], (200, 1)), width, 7.0, 0.9, 0.9).needed
    assert (need.stock_um.value, need.recommended_um) == (10.0, 10.0)
    reached = needed_for_width("seal_land", np.tile([-5.0, 100.0], (200, 1)), width, 7.0, 0.9, 0.9).needed
    assert reached.recommended_um == 0.0


@pytest.mark.parametrize(("system", "entered"), [("mm", "12.70 mm"), ("inch", "0.500 in")])
def test_a_width_that_no_stock_reaches_is_told_in_the_units_of_the_plan(system, entered):
    width = disc_sound_width(_land((0, 4, 6)), 8)
    need = needed_for_width("seal_land", np.full((200, 1), 10.0), width, 12.7, 0.9, 0.9, system=system).needed
    assert need.stock_um.reason == f"the land without any pit is narrower than the {entered} that you entered"


@pytest.mark.parametrize(
    "confidence",
    [0.9, long(0.99), long(0.999)],
)
def test_needed_is_enough_as_often_as_it_says(confidence):
    """One pit, its depth log-normal: the chance that the recommended stock is not enough, over 300 tables of draws.

    Within a fifth of what is promised: the mean of 300 chances that each are off by about a third is known to 2 %, and
    by as much as 100 % for the last draw of a thousand, to 6 %.
    """
    rng = np.random.default_rng(3)
    missed = {"pits": [], "sound_width": []}
    for _ in range(300):
        left = 40 * np.exp(0.4 * rng.standard_normal((1000, 1)))
        for need in (
            needed_for_pits("seal_land", left, confidence, 0.9).needed,
            needed_for_width(
                "seal_land", left, lambda there: 8.0 - 6.0 * there[0], 7.0, confidence, 0.9
            ).needed,
        ):
            missed[need.aim].append(ndtr(-np.log(need.recommended_um / 40) / 0.4))
    for share in missed.values():
        assert np.mean(share) == pytest.approx(1 - confidence, rel=0.2)


def test_needed_says_so_where_the_draws_cannot_tell():
    left = np.linspace(1.0, 40.0, 300)[:, None]
    need = needed_for_pits("seal_land", left, 0.999, 0.9).needed
    assert math.isnan(need.recommended_um)
    assert need.stock_um.reason == (
        "300 simulated faces cannot tell what is enough with 99.9 % confidence: ask for 99.6 % at most"
    )
    # Of 300 draws the 271st is enough with a chance of 271 / 301.
    assert needed_for_pits("seal_land", left, 0.9, 0.9).needed.recommended_um == pytest.approx(left[270, 0])


def test_too_few_readings_are_told_in_the_chosen_units() -> None:
    # deepest pit of four draws: 10, 10, 254 and 254 um; nothing is known of it from both sides
    deepest = np.array([10.0, 10.0, 254.0, 254.0])
    said = [
        why_not(deepest[:, None], deepest, "", np.array([False]), 0.9, system) for system in ("mm", "inch")
    ]
    start = "not enough readings: the deepest pit could be anything from"
    assert said == [f"{start} 10 um to 254 um", f"{start} 0.4 thou to 10.0 thou"]


@pytest.mark.parametrize(
    ("system", "said"),
    [
        ("mm", "Lap under 1 um more (what is truly needed lies between 0 um and under 1 um with 90 % confidence)."),
        (
            "inch",
            "Lap under 0.1 thou more (what is truly needed lies between 0.0 thou and under 0.1 thou with 90 % confidence).",
        ),
    ],
)  # fmt: skip
def test_stock_too_small_for_the_digits_is_never_a_lap_of_nothing(system, said):
    verdict = decide(
        stage="lap_1", has_damage=True, has_discoloration=False, is_stained=False, has_score=False,
        is_uncut_unjudged=False, is_film_left=False, is_leaking=False, unseen={}, hidden_crossings=[],
        is_read_deeper=False, need_um=Estimate(value=0.3, low=0.1, high=0.4), recommended_um=0.35, lacking="",
        findings=[], system=system,
    )  # fmt: skip
    assert (verdict.outcome, verdict.headline) == ("lap", said)


@pytest.mark.parametrize(
    ("value_um", "mm", "inch"),
    [
        (0.0, "0 um", "0.0 thou"),
        (0.01, "under 1 um", "under 0.1 thou"),
        (0.6, "about 1 um", "under 0.1 thou"),
        (2.54, "about 3 um", "about 0.1 thou"),
        (math.nan, "not known", "not known"),
    ],
)
def test_what_is_needed_at_all_is_not_shown_as_none(value_um, mm, inch):
    about = "about " if value_um > 0 else ""
    assert (format_need(value_um, "mm", about=about), format_need(value_um, "inch", about=about)) == (
        mm,
        inch,
    )


@pytest.mark.parametrize(
    ("value_um", "mm", "inch"),
    [
        # 181.17 um are 7.1327 thou
        (181.17, "182 um", "7.2 thou"),
        (181.0, "181 um", "7.2 thou"),
        (25.4 * 7.1, "181 um", "7.1 thou"),
        (3 * 0.1 * 10, "3 um", "0.2 thou"),
        (1.4, "2 um", "0.1 thou"),
        (math.inf, "no bound", "no bound"),
        (math.nan, "not known", "not known"),
    ],
)
def test_who_takes_the_stock_that_is_shown_has_taken_enough(value_um, mm, inch):
    """Rounded to the nearest, 7.13 thou that are enough at 90 % were shown as 7.1."""
    assert (format_need(value_um, "mm"), format_need(value_um, "inch")) == (mm, inch)


@pytest.mark.parametrize(
    ("value", "system", "said"),
    [
        # 3.004 mm are 0.11827 in and the limit is 0.11811 in: as 0.118 it stood below the limit that it is inside of
        (3.004, "inch", "0.1183 in (0.0020 to 0.1339), inside, though not for certain, the limit of at least 0.1181 in"),
        (2.98, "mm", "2.98 mm (0.05 to 3.40), short of the limit of at least 3.00 mm"),
        (3.2, "mm", "3.2 mm (0.1 to 3.4), inside, though not for certain, the limit of at least 3.00 mm"),
    ],
)  # fmt: skip
def test_a_value_is_shown_on_its_side_of_the_limit_beside_it(value, system, said):
    sheet = LimitSheet(entries={"sound_width_min": Limit(value=3.0, source="own rule")})
    width = Estimate(value=value, low=0.05, high=3.4)
    judged = judge_limit(
        "sound_width", "Width", width, sheet, "sound_width_min", is_minimum=True, system=system
    )
    assert judged.sentence == f"Width: {said} (own rule)."


def test_thickness_after_the_work_is_off_by_what_the_bench_takes_too_much_or_too_little():
    """12.000 mm to 3 um, less 40 um to 4 um: 11.960 mm to hypot(3, 4) = 5 um."""
    lines = stock_budget(LimitSheet(), _e(0), _e(40, 4), thickness_mm=_e(12.0, 0.003))
    (line,) = [x for x in lines if x.name == "thickness"]
    assert (line.after.low, line.after.value, line.after.high) == pytest.approx((11.955, 11.960, 11.965))


@pytest.mark.parametrize(
    ("limits", "rule", "eased"),
    [
        # a lap makes the groove shallower, so the ring is squeezed more; plate and case it makes thinner
        ({"ring_section": 2.0, "groove_depth": 1.9, "squeeze_min": 20}, "squeeze", True),
        ({"ring_section": 2.0, "groove_depth": 1.4, "squeeze_max": 20}, "squeeze", False),
        ({"thickness": 11.9, "thickness_min": 12.0}, "thickness", False),
        ({"stock_removed_before": 0, "case_depth": 200, "case_left_min": 199}, "case_left", False),
    ],
)
def test_only_a_squeeze_that_is_too_little_is_eased_by_more_stock(limits, rule, eased):
    """What more stock eases does not stop a lap: a plate that is too thin already must."""
    (line,) = [x for x in stock_budget(_sheet(**limits), _e(0), _e(40)) if x.name == rule]
    finding = judge_budget(line)
    assert (finding.status, finding.is_eased) == ("stop", eased)


@pytest.mark.parametrize(
    ("groove_depth", "limits", "said"),
    [
        # (2.00 - 1.4008) / 2.00 = 29.96 %, which was said as "30.0 %, short of the limit of at least 30 %"
        (1.4008, {"squeeze_min": 30}, "29.96"),
        (1.3992, {"squeeze_max": 30}, "30.04"),
        (1.3992, {"squeeze_min": 15, "squeeze_max": 30}, "30.04"),
    ],
)
def test_a_squeeze_is_shown_on_its_side_of_the_limit_beside_it(groove_depth, limits, said):
    sheet = _sheet(ring_section=2.0, groove_depth=groove_depth, **limits)
    (line,) = [x for x in stock_budget(sheet, _e(0), _e(0, 5)) if x.name == "squeeze"]
    finding = judge_budget(line)
    assert finding.status == "stop"
    assert f"ring: {said}" in finding.sentence


@pytest.mark.parametrize(
    ("value", "unit", "limit", "is_minimum", "said"),
    [
        # 100.4 rounded to whole micrometres is the limit itself
        (Estimate(value=60, low=10, high=100.4), "flatness", 100, False, "60.0 um (10.0 to 100.4)"),
        (Estimate(value=60, low=10, high=99.6), "flatness", 100, False, "60.0 um (10.0 to 99.6)"),
        (Estimate(value=4.6, low=3.996, high=6), "sound_width_min", 4, True, "4.600 mm (3.996 to 6.000)"),
        (_alone(100.4), "flatness", 100, False, "100.4 um (no interval"),
        (_alone(99.6), "flatness", 100, False, "99.6 um (no interval"),
        (_alone(3.996), "sound_width_min", 4, True, "3.996 mm (no interval"),
        # a limit far away, or met exactly, asks for no more digits
        (Estimate(value=60, low=10, high=110), "flatness", 200, False, "60 um (10 to 110)"),
        (Estimate(value=60, low=10, high=100), "flatness", 100, False, "60 um (10 to 100)"),
        (Estimate(value=60, low=10, high=math.inf), "flatness", 100, False, "60 um (10 to no upper bound)"),
    ],
)
def test_an_end_and_a_lone_value_are_shown_on_their_side_of_the_limit(value, unit, limit, is_minimum, said):
    """An interval "up to 100 um" beside "at most 100 um" told of a pass where the verdict was another one."""
    sheet = _sheet(**{unit: limit})
    finding = judge_limit("rule", "What was measured", value, sheet, unit, is_minimum=is_minimum)
    assert f"What was measured: {said}" in finding.sentence


def test_what_a_sum_lost_in_its_last_figure_takes_no_digits():
    """0.1 * 3 * 100 is 30.000000000000004, no number of digits shows on which side of 30 that is."""
    value = 0.1 * 3 * 100
    assert value != 30.0
    e = Estimate(value=value, low=value - 5, high=value + 5)
    assert format_estimate(e, "depth", limit=30.0) == format_estimate(e, "depth") == "30.0 um (25.0 to 35.0)"


def test_a_limit_in_percent_is_said_as_it_was_entered():
    """12.25 % was said as 12.2 %, in the sentence alone: the record's table has 12.25 %."""
    sheet = LimitSheet(entries={"squeeze_min": Limit(value=12.25, source="own rule")})
    (finding,) = unguarded_limits(sheet, ())
    assert "the limit of 12.25 % (own rule)" in finding.sentence
