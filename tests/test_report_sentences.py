"""What the record says of the figures, in words and in its tables."""

import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest
from shapely import Point

from pitmap.classes import Stage
from pitmap.cli.plan import print_plan
from pitmap.compare import compare
from pitmap.estimate import Estimate
from pitmap.flags import Flag
from pitmap.report import (
    budget_bars,
    build_document,
    draw_bars,
    record_html,
    record_json,
    record_tables,
    translator,
)
from pitmap.report.draw_plotly import plot_bars
from pitmap.report.found import stock_section
from pitmap.report.model import Paragraph, Table
from pitmap.report.page_compare import (
    FATES_NOTE,
    cannot_tell_words,
    fates_view,
    tracks_view,
)
from pitmap.report.words import estimate_of, number, stage_word, zone_word
from pitmap.stock import Limit, LimitSheet, stock_budget
from pitmap.stock.rules import judge_budget
from pitmap.workflow import all_readings


def test_aims_are_called_alike_in_the_record_and_on_the_command_line(record, capsys):
    """They were three words for one thing: "land sound enough", "sound width", and on the page "sound width reached"."""
    known = Estimate(value=22.0, low=15.0, high=34.0)
    needed = [
        SimpleNamespace(zone="seal_land", aim=aim, stock_um=known, recommended_um=34.0, confidence=0.9)
        for aim in ("pits", "sound_width", "uncut")
    ]
    plan = SimpleNamespace(
        **{**vars(record.plan), "needed": needed, "steps": pd.DataFrame(), "read_next": pd.DataFrame()}
    )
    print_plan(plan, "mm")
    printed = capsys.readouterr().out
    section = stock_section(translator(), replace(record, plan=plan))
    rows = next(block.rows for block in section.blocks if getattr(block, "rows", None))
    assert [row[1] for row in rows] == ["last pit gone", "sound width reached", "cut all over"]
    assert all(row[1] in printed for row in rows)


def test_why_a_stock_is_not_known_stands_under_the_table_of_needs(record, capsys):
    """In its column the sentence made every row of the table 400 characters wide, which wraps on any screen."""
    why = "the map measures less sound metal than the pits taken as round spots would leave: " * 3
    needed = [
        SimpleNamespace(zone="seal_land", aim=aim, stock_um=stock, recommended_um=34.0, confidence=0.9)
        for aim, stock in (
            ("pits", Estimate(value=22.0, low=15.0, high=34.0)),
            ("sound_width", Estimate.unknown(why)),
        )
    ]
    empty = {"steps": pd.DataFrame(), "read_next": pd.DataFrame()}
    print_plan(SimpleNamespace(**{**vars(record.plan), "needed": needed, **empty}), "mm")
    printed = capsys.readouterr().out.split("further stock:")[1]
    _, head, known, unknown, below = printed.splitlines()[:5]
    assert re.split("  +", known.strip()) == ["seal land", "last pit gone", "22.0 um (15.0 to 34.0)", "34 um"]
    assert re.split("  +", unknown.strip())[:3] == ["seal land", "sound width reached", "not known"]
    assert max(map(len, (head, known, unknown))) < 100
    assert below == f"  seal land, sound width reached: {why}"


def test_checklist_says_not_needed_in_its_own_words(record):
    from pitmap.report import ChecklistItem

    items = [ChecklistItem(text=s, state=s, note="no stud") for s in ("done", "not needed", "open")]
    document = build_document(replace(record, checklist=tuple(items)))
    table = next(s for s in document.sections if s.key == "checklist").blocks[0]
    words = [state.split(" ", 1)[1] for state, *_ in table.rows]
    assert words == ["done", "not needed", "open"]
    told = json.loads(record_json(replace(record, checklist=tuple(items))))["checklist"]
    assert told[1] == {"text": "not needed", "state": "not needed", "note": "no stud"}


def test_readings_show_the_deepest_pits_before_anything_else(record):
    pits = record.readings[record.readings.kind == "pit_depth"]
    heights = pd.concat([pits.head(1).assign(kind="height", value_um=900.0)] * 30)
    table = readings_shown(replace(record, readings=pd.concat([heights, pits], ignore_index=True)))
    kinds = list(table["reading"])
    assert kinds[: len(pits)] == ["pit depth"] * len(pits) and set(kinds[len(pits) :]) == {"height"}
    shown = [float(re.search(r"\d+", value)[0]) for value in table["value"][: len(pits)]]
    assert shown == sorted(shown, reverse=True)
    zones = ("running surface", "seal land", "rim", "outside the zones")
    assert all(mark.endswith(tuple(f"({z})" for z in zones)) for mark in table["mark"][: len(pits)])


def readings_shown(record) -> pd.DataFrame:
    section = next(s for s in build_document(record).sections if s.key == "depth")
    table = next(b for b in section.blocks if getattr(b, "head", ("",))[0] == "reading")
    return pd.DataFrame(table.rows, columns=list(table.head))


def test_depths_say_from_where_they_count_and_why_they_exceed_what_was_read(record):
    """On metal that lay 26 um low a needle reads 274 of a pit whose floor lies 300 under the highest metal."""
    page = record_html(record)
    assert "deepest pit, from the highest metal of the face as it came in" in page
    assert "where that lay low, the pit counts for more than was read" in page


def test_readings_say_at_which_survey_a_mark_had_its_number(record):
    """Marks are numbered anew in every survey: mark 3 of one is not mark 3 of the next."""
    pit = record.readings[record.readings.kind == "pit_depth"].head(1)
    both = [
        SimpleNamespace(stage=Stage(stage), readings=pit.assign(value_um=100.0 - k))
        for k, stage in enumerate(("intake", "lap_2"))
    ]
    table = readings_shown(replace(record, readings=all_readings(both)))
    assert {mark.split()[0] for mark in table["mark"]} == {str(pit.mark_id.iloc[0])}
    assert list(table["survey"]) == ["intake", "after lap 2"]
    assert set(readings_shown(replace(record, readings=pit))["survey"]) == {"\u2013"}


def test_record_tells_pit_marks_of_the_map_from_pits_of_the_plan(record):
    blocks = next(s for s in build_document(record).sections if s.key == "found").blocks
    assert next(b for b in blocks if isinstance(b, Table)).head[-1] == "pit marks"
    assert any("count a pit once" in b.text for b in blocks if isinstance(b, Paragraph))


def test_record_tells_the_notes_of_the_shop_on_its_first_page(record, bare):
    told = replace(record, notes="ran hot\n\n<no> history before 2020")
    blocks = build_document(told).sections[0].blocks
    assert [b.text for b in blocks if isinstance(b, Paragraph)] == [
        "As received, by the shop's notes", "ran hot", "<no> history before 2020",
    ]  # fmt: skip
    assert json.loads(record_json(told))["notes"] == told.notes
    assert not [b for b in build_document(bare).sections[0].blocks if isinstance(b, Paragraph)]


def test_record_says_at_what_confidence_its_stock_is_enough(record):
    plan = SimpleNamespace(**{**vars(record.plan), "confidence": 0.995})
    sections = {s.key: s for s in build_document(replace(record, plan=plan)).sections}
    notes = [b.text for b in sections["verdict"].blocks if isinstance(b, Paragraph) and b.kind == "note"]
    # how often it was where that could be counted is in the README, and from tests/benchmarks/stock_on_faces.py
    assert notes == [
        "Stock that this record advises is meant to be enough with a chance of 99.5 %; where 90 % was meant it was on"
        " 86 to 88 of 100 invented faces whose depths are known."
    ]
    needed = next(b for b in sections["stock"].blocks if isinstance(b, Table))
    assert needed.head[3] == "enough at 99.5 %"


def test_number_never_shows_more_digits_than_its_interval(record):
    t = translator()
    assert number(t, Estimate(value=31.234, low=27.1, high=35.9), "depth", "mm") == "31.2 um (27.1 to 35.9)"
    assert number(t, Estimate(value=310.234, low=201.0, high=400.0), "depth", "mm") == "310 um (201 to 400)"
    assert number(t, Estimate(value=12.0, low=10.0, high=14.0), "percent", "mm").startswith("12.0 %")
    assert number(t, Estimate(value=-0.0002, low=-0.04, high=0.03), "share", "mm") == "0.0 % (-4.0 to 3.0)"
    assert number(t, Estimate.unknown("no photo"), "length", "mm") == "not known: no photo"


def test_estimate_of_keeps_the_interval_or_says_why():
    assert estimate_of(1.0, 0.5, 2.0).covers(0.6)
    assert (
        estimate_of(float("nan"), float("nan"), float("nan"), reason="zone not seen").reason
        == "zone not seen"
    )
    assert not estimate_of(1.0, float("nan"), float("nan"), reason="a count").has_interval


def test_why_fates_cannot_be_told_is_counted():
    fates = pd.DataFrame({
        "fate": ["cannot_tell", "cannot_tell", "gone", "cannot_tell", "cannot_tell"],
        "class_word": ["pit", "pit", "pit", "stain", "pit"],
        "why": ["under 0.8 mm", "the later survey is not sure of this mark", "sound", "x", "under 0.8 mm"],
    })  # fmt: skip
    said = "Cannot tell, 3 pits: under 0.8 mm (2); the later survey is not sure of this mark (1)."
    assert cannot_tell_words(fates) == said
    assert cannot_tell_words(fates, "stain") == "Cannot tell, 1 stain: x (1)."
    assert cannot_tell_words(fates[fates.fate == "gone"]) == ""


def test_followed_marks_are_worded(record):
    view = tracks_view(record.comparison.tracks, "inch")
    assert not any("_" in name for name in view.columns)
    assert set(view["what"]) <= {"pit", "not reached by the lap"}
    assert view["across"].str.endswith(" in").all()
    # 25.4 mm to the inch, as the Map page says places
    assert view["x in"].tolist() == [round(x / 25.4, 3) for x in record.comparison.tracks.x_mm]


def test_area_of_a_mark_whose_place_was_not_seen_is_said_to_be_not_seen(record):
    """ "0.00 mm2" stood there, as of a mark that a lap took away."""
    fates = record.comparison.pairs[-1].fates.head(1).assign(area_after_mm2=math.nan, x_mm=50.8)
    view = fates_view(fates, "inch")
    assert (view["area after"].item(), view["x in"].item()) == ("not seen", 2.0)
    assert view["area before"].item().endswith(" in2")
    assert "have no interval here" in FATES_NOTE


def test_stage_words():
    t = translator()
    assert [stage_word(t, s) for s in ("intake", "test_lap", "lap_2", "final")] == [
        "intake",
        "light test lap",
        "after lap 2",
        "final",
    ]


def section_of(record, key):
    return next(s for s in build_document(record).sections if s.key == key)


def with_measurement(record, **tables):
    """The record with other tables of its last survey."""
    last = record.last
    changed = SimpleNamespace(
        **{**vars(last), "measurement": SimpleNamespace(**{**vars(last.measurement), **tables})}
    )
    return replace(record, inspections=(*record.inspections[:-1], changed))


def test_largest_pits_never_pass_for_pits_of_the_working_zones(record):
    marks = record.last.measurement.marks
    leads = [b.text for b in section_of(record, "found").blocks if getattr(b, "kind", "") == "lead"]
    assert leads == ["Largest pits of the working zones"]
    few = pd.concat(
        [marks[marks.zone == "seal_land"].head(2), marks[marks.zone != "seal_land"].assign(zone="rim")]
    )
    found = section_of(with_measurement(record, marks=few), "found").blocks
    assert [b.text for b in found if getattr(b, "kind", "") == "lead"] == [
        "Largest pits, those of the working zones first"
    ]
    assert [row[1] for row in found[-1].rows] == ["seal land"] * 2 + ["rim"] * 4


def test_narrowest_place_beside_metal_not_seen_says_so(record):
    lands = record.last.measurement.lands
    told = section_of(
        with_measurement(
            record,
            lands=lands.assign(
                is_leak_path=[True, False],
                flags=[int(Flag.CROSSES_LAND | Flag.TOUCHES_UNSEEN), int(Flag.TOUCHES_UNSEEN)],
            ),
        ),
        "narrowest",
    )
    unseen = "runs into metal not seen: there may be more"
    assert [row[-1] for row in told.blocks[0].rows] == [f"no sound metal left across; {unseen}", unseen]
    assert "A score finer than about 0.10 mm, one pixel" in told.blocks[-1].text  # at 10 px per mm


def test_the_place_where_least_may_be_left_is_in_the_table(record):
    """The narrowest by what is seen come first; the low end of the verdict's width must have its place too."""
    one = record.last.measurement.lands.iloc[[0]]
    low, value = (3.0, 3.2, 3.4, 3.6, 0.4), (3.3, 3.5, 3.7, 3.9, 5.8)
    lands = one.loc[one.index.repeat(5)].reset_index(drop=True)
    lands = lands.assign(
        place=range(1, 6), sound_width_mm=value, sound_width_low_mm=low, sound_width_high_mm=6.0
    )
    rows = section_of(with_measurement(record, lands=lands), "narrowest").blocks[0].rows
    assert [row[0] for row in rows] == ["1", "2", "3", "5"]


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "0.0 %"), (0.0004, "under 0.1 %"), (0.0312, "3.1 %"), (0.9996, "over 99.9 %"), (1.0, "100.0 %")],
)
def test_little_that_was_not_seen_is_never_none(record, share, said):
    zones = record.last.measurement.zones.assign(unseen_share=share)
    assert {row[1] for row in section_of(with_measurement(record, zones=zones), "unseen").blocks[0].rows} == {
        said
    }


def test_what_was_not_seen_stands_beside_the_shares_of_the_rest(record):
    """It stood pages away: a land of which a twentieth shows was read as pitted so and so far."""
    zones = record.last.measurement.zones.copy()
    zones.loc[zones["zone"] == "seal_land", "unseen_share"] = 0.95
    table = section_of(with_measurement(record, zones=zones), "found").blocks[1]
    column = table.head.index("not seen")
    assert {row[0]: row[column] for row in table.rows}["seal land"] == "95.0 %"


def test_a_zone_of_which_nothing_was_seen_has_no_count_of_pits(record):
    """ "0" stood in the column of pit marks beside "not known: zone not seen"."""
    zones = record.last.measurement.zones.copy()
    hidden = zones["zone"] == "seal_land"
    zones.loc[hidden, ["share", "share_low", "share_high"]] = float("nan")
    zones.loc[hidden, ["unseen_share", "n_marks"]] = 1.0, 0
    unseen = with_measurement(record, zones=zones)
    table = section_of(unseen, "found").blocks[1]
    counts = {row[0]: row[-1] for row in table.rows}
    assert counts["seal land"] == "not known"
    assert counts["running surface"].isdigit()
    last = record_tables(unseen)["zones"].query(f"survey == {len(record.inspections)}")
    assert last[last["zone"] == "seal_land"]["n_marks"].isna().all()
    assert last[last["zone"] == "running_surface"]["n_marks"].notna().all()
    rows = json.loads(record_json(unseen))["tables"]["zones"]
    of_land = [r for r in rows if r["survey"] == len(record.inspections) and r["zone"] == "seal_land"]
    assert {r["n_marks"] for r in of_land} == {None}


def test_reading_names_the_zone_of_its_mark_and_not_of_the_needle(record):
    """A needle that stood beside the border of its mark's zone: one mark is not in two zones of one record."""
    land = record.first.measurement.marks.query("zone == 'seal_land'").iloc[0]
    pit = record.readings.head(1).assign(mark_id=land.mark_id, x_mm=0.0, y_mm=40.0)
    assert record.drawing.zones["running_surface"].covers(Point(0, 40))
    shown = readings_shown(replace(record, readings=pit.assign(stage="intake")))
    assert shown["mark"].tolist() == [f"{land.mark_id} (seal land)"]
    # without its survey only the place is known
    assert readings_shown(replace(record, readings=pit))["mark"].tolist() == [
        f"{land.mark_id} (running surface)"
    ]


def test_stock_of_the_lap_series_has_its_interval(record):
    """It stood as a bare number between figures that all have theirs."""
    (table,) = [b for b in section_of(record, "series").blocks if getattr(b, "head", ("",))[0] == "survey"]
    rows = record.comparison.surveys
    k = int((rows.removed_high_um > rows.removed_low_um).to_numpy().argmax())
    assert re.fullmatch(r"[\d.]+ um \([\d.]+ to [\d.]+\)", table.rows[k][2])
    unknown = rows.assign(removed_um=math.nan, removed_low_um=math.nan, removed_high_um=math.nan)
    other = replace(record, comparison=replace(record.comparison, surveys=unknown))
    (table,) = [b for b in section_of(other, "series").blocks if getattr(b, "head", ("",))[0] == "survey"]
    assert table.rows[0][2] == "not known: the stock taken off was not entered"


def test_the_seal_land_has_one_name(record):
    """The record called it coolant-seal land, and the page and the plan seal land."""
    text = " ".join(
        b.text for s in build_document(record).sections for b in s.blocks if isinstance(b, Paragraph)
    )
    assert zone_word(translator(), "seal_land") == "seal land" and "coolant-seal land" not in text


def test_lap_series_says_what_cannot_be_told_at_intake(record):
    """The share of an intake has no metal in it that the lap did not reach: it may rise without more damage."""
    said = "Metal that the lap has not reached cannot be told at intake: it is in no figure of that survey, and counts in"
    texts = [b.text for b in section_of(record, "series").blocks if isinstance(b, Paragraph)]
    assert any(text.startswith(said) for text in texts)
    lapped = replace(
        record, inspections=record.inspections[1:], comparison=compare(record.inspections[1:], record.drawing)
    )
    assert not any(getattr(b, "text", "").startswith(said) for b in section_of(lapped, "series").blocks)


def test_change_says_of_which_share_a_note_speaks(record):
    texts = [b.text for b in section_of(record, "change").blocks if isinstance(b, Paragraph)]
    assert "Affected share: without uncut metal, which cannot be told at intake." in texts


@pytest.mark.parametrize(
    "lacking",
    [
        "how much must come off is not known",
        "the stock taken off at earlier rebuilds was not entered (0 for none)",
    ],
)
def test_budget_of_which_nothing_can_be_said_shows_no_figure_after_the_plan(record, lacking):
    """52 um of 100 um allowed would be those of no work at all, in blue beside a rule that says "not judged"."""
    total, *others = record.plan.budget
    is_open = "earlier" in lacking
    best = SimpleNamespace(**{**vars(total), "lacking": lacking, "is_history_open": is_open})
    plan = SimpleNamespace(**{**vars(record.plan), "budget": (best, *others)})
    head, *_ = record.plan.verdict.findings
    plan.verdict = SimpleNamespace(
        **{**vars(plan.verdict), "findings": (SimpleNamespace(**{**vars(head), "status": "not judged"}),)}
    )

    def row():
        tables = [b for b in section_of(replace(record, plan=plan), "stock").blocks if isinstance(b, Table)]
        return next(r for b in tables for r in b.rows if r[0] == "stock taken off this face")

    bound = "at least " if is_open else ""
    assert row()[1:3] == (f"{bound}30.0 um (27.0 to 33.0)", f"not known: {lacking}")
    assert [bar.label for bar in budget_bars(translator(), plan).bars] == ["hardened case left"]
    # what breaks the limit even at its best is known to break it
    plan.verdict.findings[0].status = "stop"
    assert row()[2] == f"{bound}52.0 um (44.0 to 60.0)"
    assert len(budget_bars(translator(), plan).bars) == 2


def test_a_ring_squeezed_past_its_largest_is_shown_past_it(record):
    """A ring of 2.00 mm in a groove of 1.40 mm less 40 um is squeezed by 0.64/2.00 = 32 %: inside 15 %, past 30 %."""

    def ring(**limits):
        entries = {"ring_section": 2.0, "groove_depth": 1.4, **limits}
        sheet = LimitSheet(entries={k: Limit(value=v, source="ring catalogue") for k, v in entries.items()})
        planned = Estimate(value=40.0, low=35.0, high=45.0)
        (line,) = [
            b for b in stock_budget(sheet, Estimate(value=0, low=0, high=0), planned) if b.name == "squeeze"
        ]
        verdict = SimpleNamespace(**{**vars(record.plan.verdict), "findings": (judge_budget(line),)})
        plan = SimpleNamespace(**{**vars(record.plan), "budget": (line,), "verdict": verdict})
        tables = [b for b in section_of(replace(record, plan=plan), "stock").blocks if isinstance(b, Table)]
        chart = budget_bars(translator(), plan)
        return tables[-1].rows[0][3], chart

    said, chart = ring(squeeze_min=15.0, squeeze_max=30.0)
    assert said == "at least 15 %, at most 30 %"
    (bar,) = chart.bars
    assert bar.is_past and bar.limits == (15.0, 30.0)
    assert draw_bars(chart).axes[0].patches[0].get_hatch()
    figure = plot_bars(chart)
    assert figure.data[0].marker.pattern.shape == "/"
    assert [line.x0 for line in figure.layout.shapes] == [15.0, 30.0]
    said, chart = ring(squeeze_max=35.0)
    assert said == "at most 35 %"
    assert [(bar.is_past, bar.limits) for bar in chart.bars] == [(False, (35.0,))]
    said, chart = ring()
    assert said == "no limit entered" and not chart.bars


def test_record_that_advises_no_stock_says_no_chance_of_it(record):
    unknown = SimpleNamespace(
        zone="seal_land",
        aim="pits",
        stock_um=Estimate.unknown("not seen"),
        recommended_um=math.nan,
        confidence=0.9,
    )
    plan = SimpleNamespace(**{**vars(record.plan), "needed": (unknown,)})
    said = "Stock that this record advises is meant to be enough"
    for of, is_said in ((record.plan, True), (plan, False)):
        texts = [getattr(b, "text", "") for b in section_of(replace(record, plan=of), "verdict").blocks]
        assert any(said in text for text in texts) == is_said


@pytest.mark.parametrize(
    ("units", "unit", "limit", "said"),
    [
        ("inch", "mm", 11.85, "at most 0.4665 in"),
        ("inch", "um", 150.0, "at most 5.91 thou"),
        ("mm", "um", 76.2, "at most 76.2 um"),
        ("inch", "um", 76.2, "at most 3.0 thou"),
        ("mm", "mm", 11.85, "at most 11.85 mm"),
        ("mm", "percent", 22.5, "at most 22.5 %"),
    ],
)
def test_limit_in_the_table_has_the_digits_of_its_rule(record, units, unit, limit, said):
    """0.467 in beside 0.4666 in would be a limit on the wrong side of the figure."""
    line = SimpleNamespace(**{**vars(record.plan.budget[0]), "unit": unit, "limit": limit})
    plan = SimpleNamespace(**{**vars(record.plan), "budget": (line,)})
    tables = [
        b
        for b in section_of(replace(record, plan=plan, units=units), "stock").blocks
        if isinstance(b, Table) and b.head[0] == "budget"
    ]
    assert tables[0].rows[0][3] == said


def test_stock_through_the_case_is_no_case_left(record):
    total, case, thickness = record.plan.budget
    through = SimpleNamespace(**{**vars(case), "after": Estimate(value=-32, low=-39, high=-25)})
    plan = SimpleNamespace(**{**vars(record.plan), "budget": (total, through, thickness)})
    tables = [b for b in section_of(replace(record, plan=plan), "stock").blocks if isinstance(b, Table)]
    row = next(r for b in tables for r in b.rows if r[0] == "hardened case left")
    assert row[1:3] == (
        "170 um (150 to 190)",
        "none: the stock goes through the case by 32.0 um (25.0 to 39.0)",
    )
