"""The order of the sections of a record, and nothing else."""

from __future__ import annotations

from .by_hand import by_hand_section
from .changed import change_section, series_section
from .closing import cautions_section, checklist_section, method_section, sources_section
from .found import (
    depth_section,
    face_section,
    found_section,
    narrowest_section,
    pictures_section,
    stock_section,
    unseen_section,
    verdict_section,
)
from .model import Document, RecordInput
from .printable import MISSING
from .text import Translate, translator

__all__ = ["build_document"]

_SECTIONS = (
    face_section,
    verdict_section,
    pictures_section,
    found_section,
    by_hand_section,
    narrowest_section,
    change_section,
    series_section,
    depth_section,
    stock_section,
    unseen_section,
    checklist_section,
    method_section,
    cautions_section,
    sources_section,
)


def build_document(
    record: RecordInput, *, language: str = "en", translate: Translate | None = None
) -> Document:
    """The record as a document of ready text and pictures.

    Parameters
    ----------
    record : RecordInput
    language : str
        ``en`` or the name of a catalogue in the locale folder.
    translate : callable or None
        A translator of your own (for example of a catalogue kept elsewhere).

    Raises
    ------
    InputError
        No such language.
    """
    t = translate or translator(language)
    sections = [section(t, record) for section in _SECTIONS]
    face = str(record.last.face)
    # Most drawings carry the face in their name, and a face without a name takes its drawing's: say each part once.
    parts = dict.fromkeys(f"{record.drawing.name}, {face}".split(", "))
    return Document(
        title=t("Inspection record: {face}", face=face),
        subtitle=record.workshop,
        language=language,
        sections=tuple(s for s in sections if s is not None),
        footer=", ".join(parts),
        page_word=t("page {page} of {pages}", page="{page}", pages="{pages}"),
        unprintable_note=t(
            "Some characters cannot be set in this file and are shown as {square}; the web page of this record shows"
            " them.",
            square=MISSING,
        ),
        as_of=record.last.surveyed_on,
    )
