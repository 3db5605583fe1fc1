"""What people changed on the maps of a record: for the figures' section, as a section of its own, and as a table."""

from __future__ import annotations

from typing import Any

import pandas as pd

from ..tables import Column, Schema
from ..units import UnitSystem, format_area, format_place
from .model import Paragraph, RecordInput, Section, Table
from .text import Translate
from .words import class_word, stage_word

__all__ = ["HAND_EDITS", "by_hand_section", "corrected_note", "hand_edits"]

HAND_EDITS = Schema(
    "hand_edits",
    (
        Column("survey", "int64", "number of the survey in the record, from 1"),
        Column("stage", "object", "its stage"),
        Column(
            "edit", "int64", "number of the correction in that survey, from 1, in the order they were laid"
        ),
        Column("person", "object", "who made it"),
        Column("accepted_by", "object", "who laid it on the map, where that was somebody else; else empty"),
        Column("made_at_utc", "object", "when, UTC"),
        Column("class_before", "object", "what the map said of this part of the area"),
        Column("class_after", "object", "what the area was called by hand"),
        Column("area_mm2", "float64", "metal of this part"),
        Column("x_mm", "float64", "middle of the whole area"),
        Column("y_mm", "float64", "middle of the whole area"),
        Column("reason", "object", "why, in the person's words"),
    ),
)


def hand_edits(record: RecordInput) -> pd.DataFrame:
    """Every correction of every survey: one row for each class that the area had before."""
    return HAND_EDITS.frame(
        {
            "survey": k,
            "stage": str(inspection.stage),
            "edit": n,
            "person": edit.person,
            "accepted_by": edit.accepted_by,
            "made_at_utc": _moment(edit),
            "class_before": word,
            "class_after": edit.word_after,
            "area_mm2": area,
            "x_mm": edit.x_mm,
            "y_mm": edit.y_mm,
            "reason": edit.reason,
        }
        for k, inspection in enumerate(record.inspections, 1)
        for n, edit in enumerate(inspection.edits, 1)
        for word, area in (edit.area_before_mm2 or {"": 0.0}).items()
    )


def _moment(edit: Any) -> str:
    return f"{edit.made_at:%Y-%m-%d %H:%M}"


def corrected_note(t: Translate, record: RecordInput) -> list[Paragraph]:
    """What the figures of the last survey owe to a person; nothing where nobody changed its map."""
    edits = record.last.edits
    if not edits:
        return []
    people = ", ".join(dict.fromkeys(e.person for e in edits))
    if len(edits) == 1:
        text = t(
            'By hand: one correction of this map, by {people}; these figures hold it. The section "Corrected by hand" tells'
            " it.",
            people=people,
        )
    else:
        text = t(
            'By hand: {n} corrections of this map, by {people}; these figures hold them. The section "Corrected by hand"'
            " names each.",
            n=len(edits),
            people=people,
        )
    return [Paragraph(text=text, kind="warning")]


def by_hand_section(t: Translate, record: RecordInput) -> Section | None:
    """Who changed what on the map of which survey, and why; None where nobody did."""
    blocks: list[Any] = []
    for inspection in record.inspections:
        if not inspection.edits:
            continue
        on = inspection.surveyed_on.isoformat() if inspection.surveyed_on else t("date not given")
        words = {"stage": stage_word(t, inspection.stage), "on": on}
        head = (t("who"), t("when, UTC"), t("the map said"), t("by hand"), t("x, y of its middle"), t("why"))
        rows = tuple(_row(t, edit, record.units) for edit in inspection.edits)
        blocks += [
            Paragraph(text=t("{stage}, {on}", **words), kind="lead"),
            Table(head=head, rows=rows, widths=(0.13, 0.14, 0.23, 0.11, 0.17, 0.22)),
        ]
    if not blocks:
        return None
    note = t("Areas that a person changed on the map that the program had made of the photo.")
    return Section(
        key="by_hand", title=t("Corrected by hand"), blocks=(Paragraph(text=note, kind="note"), *blocks)
    )


def _row(t: Translate, edit: Any, units: UnitSystem) -> tuple[str, ...]:
    before = ", ".join(
        f"{class_word(t, word)} {format_area(area, units)}" for word, area in edit.area_before_mm2.items()
    )
    who = edit.person
    if edit.accepted_by:
        who = t("{who}, accepted by {other}", who=who, other=edit.accepted_by)
    return (
        who,
        _moment(edit),
        before or t("no metal"),
        class_word(t, edit.word_after),
        format_place(edit.x_mm, edit.y_mm, units),
        edit.reason,
    )
