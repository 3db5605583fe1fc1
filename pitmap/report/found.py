"""Sections of the record about the face as it is: verdict, pictures, zones, narrowest places, depth, stock."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from shapely import Point

from ..depth.survey import no_pit_means_little, unseen_shares
from ..drawing import WORKING_ZONES, ZONE_NAMES
from ..errors import NotEnoughData
from ..estimate import Estimate
from ..flags import Flag, flag_words
from ..inspection import notes_in
from ..measure import mark_diameter_mm, marks_counted
from ..stock.budget import past_the_case_um
from ..units import (
    UnitSystem,
    format_confidence,
    format_depth,
    format_entered,
    format_length,
    format_need,
    format_part,
    format_place,
)
from .by_hand import corrected_note
from .draw_mpl import chart_png, draw_bars
from .figures import budget_bars, is_best_case
from .legend import class_entries, legend_png, lines_note
from .model import Facts, Paragraph, Picture, RecordInput, Section, Table
from .overlay import numbered_marks, overlay_picture
from .palette import CLASS_STYLES
from .text import Translate, mark
from .words import (
    aim_word,
    estimate_of,
    number,
    quantity_word,
    stage_word,
    status_word,
    unseen_scores_words,
    zone_word,
)

__all__ = [
    "depth_section",
    "face_section",
    "found_section",
    "narrowest_section",
    "pictures_section",
    "stock_section",
    "unseen_section",
    "verdict_section",
]

_MAX_WIDTH_PX = 1300
_N_READINGS = 10
_KINDS = {
    "pit_depth": mark("pit depth"),
    "height": mark("height"),
    "thickness": mark("thickness"),
    "wear_step": mark("wear step"),
    "straightedge": mark("straightedge"),
    "hardness": mark("hardness"),
}


def face_section(t: Translate, record: RecordInput) -> Section:
    """Plate and job."""
    last = record.last
    on = last.surveyed_on.isoformat() if last.surveyed_on else t("date not given")
    rows = [(t(str(name).replace("_", " ")), str(value)) for name, value in record.job.items()]
    rows += [
        (t("drawing"), record.drawing.name),
        (t("face"), str(last.face)),
        (t("survey"), f"{stage_word(t, last.stage)}, {on}"),
        (t("stock removed so far"), number(t, last.removed_um, "depth", record.units)),
    ]
    blocks: list[Any] = [Facts(rows=tuple(rows))]
    blocks += [Paragraph(text=t(problem), kind="warning") for problem in record.problems]
    lines = [line for line in record.notes.splitlines() if line.strip()]
    if lines:
        blocks.append(Paragraph(text=t("As received, by the shop's notes"), kind="lead"))
        blocks += [Paragraph(text=line) for line in lines]
    return Section(key="face", title=t("Plate and job"), blocks=tuple(blocks))


def verdict_section(t: Translate, record: RecordInput) -> Section:
    """What to do, with reasons; or why there is no verdict."""
    title = t("Verdict")
    if record.plan is None:
        text = t(
            "No verdict: no stock plan was made for this face. The figures below say what the photos show."
        )
        return Section(key="verdict", title=title, blocks=(Paragraph(text=text, kind="lead"),))
    verdict = record.plan.verdict
    blocks: list[Any] = [Paragraph(text=t(verdict.headline), kind="lead")]
    blocks += [Paragraph(text=t(reason), kind="list") for reason in verdict.reasons]
    # What a reason says already is not said twice.
    reasons = " ".join(verdict.reasons).casefold()
    blocks += [
        Paragraph(text=t(problem), kind="warning")
        for problem in record.plan.problems
        if problem.casefold() not in reasons
    ]
    if any(n.stock_um.is_known and n.recommended_um > 0 for n in record.plan.needed):
        text = t(
            "Stock that this record advises is meant to be enough with a chance of {confidence}; where 90 % was meant it was"
            " on 86 to 88 of 100 invented faces whose depths are known.",
            confidence=format_confidence(record.plan.confidence),
        )
        blocks.append(Paragraph(text=text, kind="note"))
    if verdict.findings:
        rows = tuple((status_word(t, f.status), _rule_words(t, f)) for f in verdict.findings)
        blocks.append(Table(head=(t("result"), t("rule")), rows=rows, widths=(0.16, 0.84)))
    return Section(key="verdict", title=title, blocks=tuple(blocks))


def _enough(t: Translate, plan: Any) -> str:
    return t("enough at {confidence}", confidence=format_confidence(plan.confidence))


def _rule_words(t: Translate, finding: Any) -> str:
    """A rule's sentence; most name the source of their limit themselves."""
    said = t(finding.sentence)
    return said if finding.source in said else f"{said} ({finding.source})"


def _jpeg(rgb: NDArray[np.uint8], alt: str, caption: str, width: float) -> Picture:
    if rgb.shape[1] > _MAX_WIDTH_PX:
        height = round(rgb.shape[0] * _MAX_WIDTH_PX / rgb.shape[1])
        rgb = np.asarray(cv2.resize(rgb, (_MAX_WIDTH_PX, height), interpolation=cv2.INTER_AREA), np.uint8)
    data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 85])[
        1
    ].tobytes()
    return Picture(
        data=data, kind="jpeg", alt=alt, caption=caption, width=width, size_px=(rgb.shape[1], rgb.shape[0])
    )


def survey_picture(t: Translate, record: RecordInput, inspection: Any, *, width: float) -> Picture | None:
    """The straightened face of one survey with what was found drawn on it; None when no picture was kept."""
    rgb = getattr(inspection, "picture", None)
    if rgb is None:
        return None
    drawn = overlay_picture(
        rgb,
        inspection.class_map,
        record.drawing,
        inspection.measurement,
        picture=inspection.picture_grid,
        label_share=1 / (75 * width),
        units=record.units,
    )
    on = inspection.surveyed_on.isoformat() if inspection.surveyed_on else t("date not given")
    words = {"stage": stage_word(t, inspection.stage), "on": on}
    alt = t("Straightened photo of the face, {stage}, {on}, with marks, zones and a scale bar", **words)
    return _jpeg(drawn, alt, t("{stage}, {on}", **words), width)


def legend_picture(t: Translate, codes: set[int]) -> Picture:
    """The classes that the pictures show, with colour, pattern and word."""
    entries = class_entries(t, codes)
    data, size = legend_png(entries)
    alt = t("Legend: {words}", words=", ".join(word for _, word in entries))
    return Picture(data=data, kind="png", alt=alt, caption="", width=1.0, size_px=size, is_key=True)


def pictures_section(t: Translate, record: RecordInput) -> Section:
    """Before and after, or the one survey there is."""
    shown = [record.last] if len(record.inspections) == 1 else [record.first, record.last]
    pictures = [survey_picture(t, record, i, width=1 / len(shown)) for i in shown]
    blocks: list[Any] = [p for p in pictures if p is not None]
    if not blocks:
        blocks = [Paragraph(text=t("No picture: the surveys were kept without their straightened photos."))]
        return Section(key="pictures", title=t("Pictures"), blocks=tuple(blocks))
    codes = {int(c) for i in shown for c in np.unique(i.class_map.codes)}
    if codes & {int(c) for c in CLASS_STYLES}:
        blocks.append(legend_picture(t, codes))
    blocks.append(Paragraph(text=lines_note(t, record.drawing), kind="note"))
    return Section(key="pictures", title=t("Pictures"), blocks=tuple(blocks))


def _share(t: Translate, record: RecordInput, zones: Any, zone: str, word: str) -> str:
    at = zones[(zones["zone"] == zone) & (zones["class_word"] == word)]
    if not len(at):
        return t("not measured")
    row = at.iloc[0]
    e = estimate_of(
        float(row["share"]), float(row["share_low"]), float(row["share_high"]), reason="zone not seen"
    )
    return number(t, e, "share", record.units)


def _pit_count(t: Translate, pits: Any) -> str:
    if not len(pits):
        return t("not measured")
    n = marks_counted(pits).iloc[0]
    return t("not known") if pd.isna(n) else str(n)


def found_section(t: Translate, record: RecordInput) -> Section:
    """Zone table and the largest pits."""
    zones, marks = record.last.measurement.zones, record.last.measurement.marks
    unseen = unseen_shares(zones)
    head = (
        t("zone"),
        t("not seen"),
        t("affected"),
        t("pitted"),
        t("stained"),
        t("heat tint"),
        t("not reached"),
        t("pit marks"),
    )
    rows = []
    for zone in [z for z in ZONE_NAMES if (zones["zone"] == z).any()]:
        pits = zones[(zones["zone"] == zone) & (zones["class_word"] == "pit")]
        uncut = t("not lapped yet")
        if record.last.stage.is_lapped:
            uncut = _share(t, record, zones, zone, "uncut")
        rows.append(
            (
                zone_word(t, zone),
                format_part(unseen[zone]),
                *(_share(t, record, zones, zone, word) for word in ("affected", "pit", "stain", "tint")),
                uncut,
                _pit_count(t, pits),
            )
        )
    blocks: list[Any] = [
        *corrected_note(t, record),
        Paragraph(
            text=t(
                "Shares of the metal that the photo shows, with their {level} intervals. Affected is pit, stain, heat tint"
                " and metal that the lap has not reached together; tint is colour alone and no defect by itself.",
                level=format_confidence(record.last.measurement.sound_width_mm.level),
            ),
            kind="note",
        ),
        Table(
            head=head,
            rows=tuple(rows),
            widths=(0.135, 0.085, 0.142, 0.142, 0.142, 0.142, 0.142, 0.07),
            numeric=(1, 7),
        ),
        Paragraph(
            text=t(
                "Pit marks are those of this survey, in every zone that they reach into. Verdict, stock and what became of"
                " the pits count a pit once, though its floor may be left in several marks after a lap."
            ),
            kind="note",
        ),
    ]
    largest = numbered_marks(marks, 6)
    pit_rows: Any = largest.itertuples()
    if len(largest):
        rows = [
            (
                str(row.mark_id),
                zone_word(t, row.zone),
                number(
                    t,
                    mark_diameter_mm(row.area_mm2, row.area_low_mm2, row.area_high_mm2),
                    "length",
                    record.units,
                ),
                flag_words(int(row.flags)) or "\u2013",
            )
            for row in pit_rows
        ]
        title = t("Largest pits of the working zones")
        if not largest["zone"].isin(WORKING_ZONES).all():
            title = t("Largest pits, those of the working zones first")
        blocks.append(Paragraph(text=title, kind="lead"))
        blocks.append(
            Table(
                head=(t("no."), t("zone"), t("diameter of a disc of its area"), t("remark")),
                rows=tuple(rows),
                widths=(0.08, 0.25, 0.29, 0.38),
            )
        )
    else:
        blocks.append(Paragraph(text=t("No pit was found on the metal that the photo shows.")))
    return Section(key="found", title=t("What was found"), blocks=tuple(blocks))


def narrowest_section(t: Translate, record: RecordInput) -> Section:
    """Where the land's sound metal is narrowest."""
    lands = record.last.measurement.lands
    title = t("Narrowest sound metal of the seal land")
    if not len(lands):
        text = t("Not measured: the drawing has no seal land, or none of it was seen.")
        return Section(key="narrowest", title=title, blocks=(Paragraph(text=text),))
    rows = []
    # the place where least may be left is among them, wherever it stands by what is seen
    shown = sorted({*lands.index[:3], lands["sound_width_low_mm"].idxmin()})
    narrowest: Any = lands.loc[shown].itertuples()
    for row in narrowest:
        e = estimate_of(row.sound_width_mm, row.sound_width_low_mm, row.sound_width_high_mm)
        rows.append(
            (
                str(int(row.place)),
                number(t, e, "length", record.units),
                format_length(row.nominal_width_mm, record.units),
                format_place(row.x_mm, row.y_mm, record.units),
                _land_remark(t, row),
            )
        )
    head = (t("place"), t("sound width"), t("width of the land"), t("x, y on the drawing"), t("remark"))
    table = Table(head=head, rows=tuple(rows), widths=(0.08, 0.28, 0.17, 0.23, 0.24))
    note = t(
        "Sound width is the least sound metal that coolant would have to cross on any path over the land."
    )
    fine = unseen_scores_words(t, record.last.photo_px_per_mm, record.units)
    notes = (Paragraph(text=note, kind="note"), Paragraph(text=fine, kind="note"))
    return Section(key="narrowest", title=title, blocks=(table, *notes))


def _land_remark(t: Translate, row: Any) -> str:
    # The flag of a crossing says the same as the leak path.
    doubts = flag_words(int(row.flags) & ~int(Flag.CROSSES_LAND))
    words = [t("no sound metal left across") if row.is_leak_path else "", doubts]
    return "; ".join(word for word in words if word) or "\u2013"


def _deepest(record: RecordInput, zone: str) -> Estimate:
    if record.plan.model is None:
        seen = unseen_shares(record.last.measurement.zones)
        return Estimate.unknown(no_pit_means_little(seen, zone) or "no pit in this zone")
    try:
        return record.plan.model.deepest(zone)
    except NotEnoughData as error:
        return Estimate.unknown(str(error))


def depth_section(t: Translate, record: RecordInput) -> Section:
    """How deep, and the readings that say so."""
    blocks: list[Any] = []
    if record.plan is None:
        blocks.append(Paragraph(text=t("Depths are not estimated: no stock plan was made for this face.")))
    else:
        rows = [
            (zone_word(t, zone), number(t, _deepest(record, zone), "depth", record.units))
            for zone in ("running_surface", "seal_land")
        ]
        blocks.append(
            Table(
                head=(t("zone"), t("deepest pit, from the highest metal of the face as it came in")),
                rows=tuple(rows),
                widths=(0.3, 0.7),
            )
        )
        text = t(
            "A needle measures from the metal about a pit: where that lay low, the pit counts for more than was read."
        )
        blocks.append(Paragraph(text=text, kind="note"))
    readings = record.readings
    if readings is None or not len(readings):
        blocks.append(
            Paragraph(
                text=t("No readings were entered: depths rest on what the laps cleared, or are not known.")
            )
        )
    else:
        shown = []
        first: Any = _pits_before_others(readings).head(_N_READINGS).itertuples()
        for row in first:
            value = format_depth(row.value_um, record.units)
            if row.is_lower_bound:
                value = t("at least {value}", value=value)
            shown.append(
                (
                    t(_KINDS.get(row.kind, row.kind)),
                    stage_word(t, row.stage) if "stage" in readings else "\u2013",
                    _mark_and_zone(t, record, row),
                    value,
                    format_depth(row.uncertainty_um, record.units),
                    str(row.instrument or "\u2013"),
                )
            )
        head = (t("reading"), t("survey"), t("mark"), t("value"), t("uncertainty"), t("instrument"))
        blocks.append(Table(head=head, rows=tuple(shown), widths=(0.13, 0.15, 0.22, 0.14, 0.13, 0.23)))
        text = t("The uncertainty of a reading is one standard deviation, as it was entered.")
        blocks.append(Paragraph(text=text, kind="note"))
        if len(readings) > _N_READINGS:
            text = t("{shown} of {all} readings, the deepest pits first; the others are in the exported tables.",
                     shown=_N_READINGS, all=len(readings))  # fmt: skip
            blocks.append(Paragraph(text=text, kind="note"))
    return Section(key="depth", title=t("Depth and readings"), blocks=tuple(blocks))


def _pits_before_others(readings: pd.DataFrame) -> pd.DataFrame:
    """What the customer asks about first: the pits, the deepest before the others; then the rest as they were entered."""
    is_pit = readings.kind == "pit_depth"
    return pd.concat(
        [readings[is_pit].sort_values("value_um", ascending=False, kind="stable"), readings[~is_pit]]
    )


def _mark_and_zone(t: Translate, record: RecordInput, row: Any) -> str:
    """Which mark was read; of a pit also where it lies, for the depths that decide are those of the working zones."""
    mark_id = str(row.mark_id) if row.mark_id >= 0 else "\u2013"
    if row.kind != "pit_depth":
        return mark_id
    at = Point(row.x_mm, row.y_mm)
    # The zone of a mark is that of most of it, as in the table of marks: the needle may have stood beside the border.
    zones = _zones_of_mark(record, row)
    zones += [name for name, area in record.drawing.zones.items() if area.covers(at)]
    return f"{mark_id} ({zone_word(t, zones[0] if zones else '')})"


def _zones_of_mark(record: RecordInput, row: Any) -> list[str]:
    """Zone of the mark that a reading was taken of, in the survey of its stage; none where that is not known."""
    stage = getattr(row, "stage", "")
    own = [i.measurement.marks for i in record.inspections if str(i.stage) == stage]
    found = [marks.loc[marks["mark_id"] == row.mark_id, "zone"] for marks in own] if len(own) == 1 else []
    return [str(zone) for zones in found for zone in zones]


_UNIT_KINDS = {"um": "depth", "mm": "length", "percent": "percent"}


def _limit_text(t: Translate, line: Any, units: Any) -> str:
    """What a budget is held to, with the digits that it was entered with, as its rule says it."""

    def entered(limit: float) -> str:
        return f"{limit:g} %" if line.unit == "percent" else format_entered(limit, line.unit, units)

    said = []
    if not math.isnan(line.limit):
        limit = entered(line.limit)
        said.append(
            t("at least {limit}", limit=limit) if line.is_minimum else t("at most {limit}", limit=limit)
        )
    if not math.isnan(line.limit_high):
        said.append(t("at most {limit}", limit=entered(line.limit_high)))
    return ", ".join(said) or t("no limit entered")


def stock_section(t: Translate, record: RecordInput) -> Section:
    """Stock needed, taken and left."""
    title = t("Stock taken and budget left")
    taken = number(t, record.last.removed_um, "depth", record.units)
    blocks: list[Any] = [Paragraph(text=t("Taken off this face in this job: {amount}.", amount=taken))]
    if record.plan is None:
        text = t("No budget: no stock plan was made, so case, thickness and ring squeeze were not judged.")
        return Section(key="stock", title=title, blocks=(*blocks, Paragraph(text=text)))
    needed = [
        (zone_word(t, n.zone), aim_word(t, n.aim), number(t, n.stock_um, "depth", record.units),
         format_need(n.recommended_um, record.units))
        for n in record.plan.needed
    ]  # fmt: skip
    if needed:
        head = (t("zone"), t("aim"), t("further stock that it needs"), _enough(t, record.plan))
        blocks.append(Table(head=head, rows=tuple(needed), widths=(0.24, 0.18, 0.4, 0.18)))
        blocks += [Paragraph(text=sentence) for sentence in record.plan.unseen]
    lines = []
    for line in record.plan.budget:
        kind: Any = _UNIT_KINDS.get(line.unit, "percent")
        lines.append(
            (
                quantity_word(t, line.name),
                t("not known") if line.doubt else _amount(t, line, line.now, kind, record.units),
                _after_plan(t, record, line, kind),
                _limit_text(t, line, record.units),
                line.source or "\u2013",
            )
        )
    if lines:
        columns = (t("budget"), t("now"), t("after the plan"), t("limit"), t("source of the limit"))
        blocks.append(Table(head=columns, rows=tuple(lines), widths=(0.2, 0.21, 0.21, 0.16, 0.22)))
        chart = budget_bars(t, record.plan, record.units)
        if chart.bars:
            data, size = chart_png(draw_bars(chart), dpi=150)
            caption = t(
                "Bar: after the plan, with its interval. Thick line: the limit. Tick: now. Hatched: past the limit. A scale"
                " need not start at 0."
            )
            blocks.append(
                Picture(
                    data=data, kind="png", alt=chart.title, caption=caption, size_px=size, is_lettered=True
                )
            )
    else:
        blocks.append(Paragraph(text=t("No budget was judged: no limits were entered.")))
    return Section(key="stock", title=title, blocks=tuple(blocks))


def _after_plan(t: Translate, record: RecordInput, line: Any, kind: Any) -> str:
    if line.doubt:
        return t("not known")
    if is_best_case(record.plan, line):
        # A figure would be that of no work at all, or of a plate that was never lapped before.
        return t("not known: {reason}", reason=t(line.lacking))
    return _amount(t, line, line.after, kind, record.units)


def _amount(t: Translate, line: Any, amount: Estimate, kind: Any, units: UnitSystem) -> str:
    past = past_the_case_um(line, amount)
    if past is None:
        value = number(t, amount, kind, units)
        if not line.is_history_open:
            return value
        return t("at most {value}", value=value) if line.is_minimum else t("at least {value}", value=value)
    return t("none: the stock goes through the case by {amount}", amount=number(t, past, kind, units))


def unseen_section(t: Translate, record: RecordInput) -> Section:
    """What the photos did not show."""
    unseen = unseen_shares(record.last.measurement.zones)
    rows = [(zone_word(t, zone), format_part(unseen[zone])) for zone in ZONE_NAMES if zone in unseen]
    note = t("Metal that was not seen is counted neither as sound nor as damaged.")
    table = Table(head=(t("zone"), t("not seen")), rows=tuple(rows), widths=(0.4, 0.6))
    notes = [Paragraph(text=t(n), kind="list") for n in notes_in(record.last, record.units)]
    return Section(
        key="unseen", title=t("What was not seen"), blocks=(table, Paragraph(text=note, kind="note"), *notes)
    )
