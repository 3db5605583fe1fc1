"""What a record is made from, and the plain document that both HTML and PDF are written from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import pandas as pd

from ..drawing import Drawing
from ..errors import InputError
from ..units import UnitSystem

__all__ = [
    "Block",
    "ChecklistItem",
    "Document",
    "Facts",
    "Paragraph",
    "Picture",
    "RecordInput",
    "Section",
    "Table",
    "ToFill",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecklistItem:
    """One line of the checklist; `note` says why where it is not needed."""

    text: str
    state: Literal["open", "done", "not needed"] = "open"
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordInput:
    """Everything that a record of one face may show. What is missing is said to be missing, and why.

    Parameters
    ----------
    job : mapping of str to str
        What the workshop calls the job, in its own words and order: number, customer, engine, plate tag.
    drawing : Drawing
    notes : str
        What the workshop noted of the job and its history as it came in.
    inspections : tuple of pitmap.inspection.Inspection
        Surveys of one face, at least one, in order of time.
    plan : pitmap.stock.StockPlan or None
    comparison : pitmap.compare.Comparison or None
    readings : pandas.DataFrame or None
        Readings of the face, columns as in DEVELOPERS.md, and where it is known `stage`: at which survey each was
        taken, for marks are numbered anew in every survey.
    checklist : tuple of ChecklistItem
    sign_off : mapping of str to str
        Name, date, remark of whoever released the face; empty until then.
    workshop : str
        Whose record it is.
    units : {"mm", "inch"}
    problems : tuple of str
        What is wrong with the surveys themselves, as photos that their map does not show; told on the first page.

    Raises
    ------
    InputError
        No inspection, or inspections of different faces.
    """

    job: Mapping[str, str]
    drawing: Drawing
    inspections: tuple[Any, ...]
    plan: Any = None
    comparison: Any = None
    readings: pd.DataFrame | None = None
    checklist: tuple[ChecklistItem, ...] = ()
    sign_off: Mapping[str, str] = field(default_factory=dict)
    workshop: str = ""
    units: UnitSystem = "mm"
    problems: tuple[str, ...] = ()
    notes: str = ""

    def __post_init__(self) -> None:
        if not self.inspections:
            raise InputError("record: no inspection; map a photo of the face first")
        faces = sorted({str(i.face) for i in self.inspections})
        if len(faces) > 1:
            raise InputError(
                f"record: inspections of different faces: {', '.join(faces)}; write one record per face"
            )
        if self.units not in ("mm", "inch"):
            raise InputError(f"record: units {self.units!r}: expected mm or inch")

    @property
    def first(self) -> Any:
        """The earliest inspection."""
        return self.inspections[0]

    @property
    def last(self) -> Any:
        """The latest inspection: what the record is about."""
        return self.inspections[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text; `kind` sets how much it weighs."""

    text: str
    kind: Literal["plain", "lead", "note", "warning", "list"] = "plain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names and values, side by side."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToFill:
    """Names with a line beside each, to be written on by hand."""

    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of ready text; `widths` are shares of the page, `numeric` the right-aligned columns."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    numeric: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if any(len(row) != len(self.head) for row in self.rows) or len(self.widths) != len(self.head):
            raise InputError(f"record table {self.head}: rows or widths of another length than its head")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """An encoded picture (PNG or JPEG bytes), what it shows in words, and its share of the page width.

    `is_key` says that it explains the pictures above it, which it is never parted from; `is_lettered` that its letters
    are small at the width of a page already: on a phone it is moved sideways, not shrunk.
    """

    data: bytes
    kind: Literal["png", "jpeg"]
    alt: str
    caption: str
    width: float = 1.0
    size_px: tuple[int, int] = (0, 0)
    is_key: bool = False
    is_lettered: bool = False


Block = Paragraph | Facts | ToFill | Table | Picture


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """A heading and what stands under it; pictures that follow each other stand side by side if they fit."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Document:
    """A record ready to be set: title, sections, footer, what to say where a font cannot show all of it, and the day of
    the survey that it is about, where that is known."""

    title: str
    subtitle: str
    language: str
    sections: tuple[Section, ...]
    footer: str
    page_word: str
    unprintable_note: str
    as_of: date | None = None
