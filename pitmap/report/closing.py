"""Sections of the record that do not depend on figures: checklist, sign-off, method, cautions, sources."""

from __future__ import annotations

from typing import Any

from ..units import format_confidence, format_length
from .model import Facts, Paragraph, RecordInput, Section, Table, ToFill
from .text import Translate, mark

__all__ = ["cautions_section", "checklist_section", "method_section", "sources_section"]

CAUTIONS = (
    mark(
        "Figures from photos support a decision and do not replace measuring; the engine maker's service manual and a"
        " qualified machinist have the last word."
    ),
    mark("A coolant leak can destroy an engine and cause burns or fire."),
    mark(
        "Clean the plate, oil passages included, until a clean glove wiped over the face stays clean: lapping compound left"
        " behind ruins an engine."
    ),
    mark("Lapping slurry and dry abrasive dust need eye and breathing protection."),
    mark(
        "Solvents, acid or alkaline cleaners need ventilation and gloves, as their safety data sheets and local rules say."
    ),
    mark("Plates are heavy and have sharp edges. Cleaned iron flash-rusts within minutes, so oil it."),
)
"""Common practice in the trade, no published source."""

METHOD = (
    mark(
        "The photo was laid on the drawing of the plate by the edges of the metal, straightened, and every piece of metal"
        " was sorted into sound, pit, stain, heat tint, not reached by the lap, score, or not seen."
    ),
    mark(
        "Numbers in brackets are {level} intervals: of a hundred such intervals about so many hold the true value. They"
        " cover how far two photos of the same face differ, how exactly the drawing lies on the metal, and how surely a"
        " mark is read."
    ),
    mark(
        "A mark under three photo pixels across can be missed. A pit is called gone only where the photo shows surely sound"
        " metal; where it does not, the record says that it cannot tell."
    ),
    mark(
        "Shallow scores, and those under {width} wide, mostly go unseen in a photo: that none is shown does"
        " not mean that there is none."
    ),
    mark(
        "Depths come from readings with a gauge and from the stock at which pits vanished; pits that nobody measured get a"
        " range, never a single depth."
    ),
    mark(
        "A limit is judged only if the workshop entered it, with its source. No limit entered is never a pass."
    ),
)

_FINEST_SCORE_MM = 0.35
"""From trials on faces that the classes were not learned from, as the README says."""

_NO_CHECKLIST = mark("No checklist was filled in for this face.")


def checklist_section(t: Translate, record: RecordInput) -> Section:
    """What was checked, and who released the face."""
    blocks: list[Any] = []
    if record.checklist:
        states = {"done": t("\u2713 done"), "not needed": t("\u25cb not needed"), "open": t("\u2013 open")}
        rows = tuple((states[item.state], t(item.text), item.note or "") for item in record.checklist)
        blocks.append(Table(head=(t("state"), t("check"), t("remark")), rows=rows, widths=(0.15, 0.5, 0.35)))
    else:
        blocks.append(Paragraph(text=t(_NO_CHECKLIST)))
    if record.sign_off:
        blocks.append(Facts(rows=tuple((t(str(k)), str(v)) for k, v in record.sign_off.items())))
    else:
        blocks.append(Paragraph(text=t("Not released yet: nobody has signed this record."), kind="warning"))
        blocks.append(ToFill(names=(t("name"), t("date"))))
    return Section(key="checklist", title=t("Checklist and sign-off"), blocks=tuple(blocks))


def method_section(t: Translate, record: RecordInput) -> Section:
    """How the figures came about, in plain words."""
    level = _levels(record)
    width = format_length(_FINEST_SCORE_MM, record.units)
    blocks: list[Any] = [
        Paragraph(text=t(sentence, level=level, width=width), kind="list") for sentence in METHOD
    ]
    if record.comparison is not None:
        source = t(record.comparison.repeatability.source)
        blocks.append(Paragraph(text=t("How far two photos differ: {source}.", source=source), kind="list"))
    return Section(
        key="method", title=t("How this was measured, and how far to trust it"), blocks=tuple(blocks)
    )


def _levels(record: RecordInput) -> str:
    """The level of the intervals in the record; of several, each."""
    levels = {i.measurement.sound_width_mm.level for i in record.inspections}
    if record.plan is not None:
        levels.add(record.plan.level)
    if record.comparison is not None:
        levels.add(record.comparison.rules.level)
    return " / ".join(format_confidence(level) for level in sorted(levels))


def cautions_section(t: Translate, record: RecordInput) -> Section:
    """Cautions of the trade."""
    return Section(
        key="cautions", title=t("Cautions"), blocks=tuple(Paragraph(text=t(c), kind="list") for c in CAUTIONS)
    )


def sources_section(t: Translate, record: RecordInput) -> Section:
    """Which photos and which version of the program the record rests on."""
    rows = []
    for k, inspection in enumerate(record.inspections, 1):
        for photo in inspection.photos:
            rows.append((str(k), str(photo.name), str(photo.sha256)[:16]))
    blocks: list[Any] = []
    if rows:
        head = (t("survey"), t("photo"), t("SHA-256, first 16"))
        blocks.append(Table(head=head, rows=tuple(rows), widths=(0.12, 0.48, 0.4)))
    else:
        blocks.append(Paragraph(text=t("The surveys name no photo files.")))
    versions = ", ".join(f"{name} {version}" for name, version in record.last.versions.items())
    if versions:
        blocks.append(Paragraph(text=t("Made with {versions}.", versions=versions), kind="note"))
    return Section(key="sources", title=t("What this record rests on"), blocks=tuple(blocks))
