"""What the casebook hands out: frozen records, safe to keep after the casebook is closed."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields
from datetime import date, datetime
from functools import cache
from typing import Any, TypeVar, get_origin, get_type_hints

from ..errors import CasebookError
from ..estimate import Estimate

__all__ = [
    "Attachment",
    "AuditEntry",
    "ChecklistItem",
    "Draft",
    "Face",
    "InspectionRef",
    "Job",
    "MapEdit",
    "PhotoRef",
    "Plate",
    "PlateEvent",
    "Reading",
    "SignOff",
    "Survey",
    "to_record",
    "unfolded",
]

R = TypeVar("R")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracked:
    """A record that people edit.

    `version` counts its changes; an update is taken only from somebody who has seen the newest version.
    Times are UTC.
    """

    id: int
    version: int
    created_at: datetime
    changed_at: datetime
    changed_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Job(Tracked):
    """One customer's order: `reference` is the customer's, `state` is ``open`` or ``released``."""

    reference: str
    customer: str
    engine: str
    notes: str
    state: str
    revision: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate(Tracked):
    """One side plate over its whole life; `tag` is unique in the casebook, `drawing` names its drawing."""

    tag: str
    position: str
    drawing: str
    notes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateEvent(Tracked):
    """Something that happened to a plate: stock taken off elsewhere, a reshaped port, a stud, a dowel.

    `removed_um` is NaN where nothing was taken off or the amount is not known; `source` says who says so.
    `withdrawn` says why it was left out, or is empty; a left out one is changed no more, so it was left out at `changed_at`.
    """

    plate_id: int
    kind: str
    face: str
    text: str
    happened_on: date | None
    removed_um: float
    uncertainty_um: float
    source: str
    withdrawn: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Face(Tracked):
    """One machined face of a plate; `drawing` names its drawing, empty for the plate's."""

    plate_id: int
    name: str
    drawing: str
    notes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey(Tracked):
    """One look at one face at one stage; `state` is ``open`` or ``signed``.

    `removed_um` is the stock taken off before it, all steps together. `supersedes_id` is the survey whose
    later revision this is, or None. `withdrawn` says why it was left out, or is empty.
    """

    job_id: int
    plate_id: int
    face_id: int
    stage: str
    surveyed_on: date
    removed_um: Estimate
    notes: str
    state: str
    revision: int
    withdrawn: str
    supersedes_id: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRef(Tracked):
    """A photo of a survey; the bytes are kept once under `sha256`. `withdrawn` says why, or is empty."""

    survey_id: int
    sha256: str
    n_bytes: int
    name: str
    role: str
    withdrawn: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that belongs to a plate, for example its drawing; `face_id` where it is for one face only."""

    id: int
    plate_id: int
    face_id: int | None
    sha256: str
    n_bytes: int
    name: str
    role: str
    created_at: datetime
    created_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionRef(Tracked):
    """A kept inspection (files and a small summary); `edits_version` counts changes of its edit layers."""

    survey_id: int
    summary: dict[str, Any]
    edits_version: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MapEdit:
    """One layer over the machine's map: `state` is ``applied``, ``undone``, ``draft`` or ``discarded``.

    `layer` is its place in the pile from the bottom (1..), None for one that was never laid on it.
    `shape` is in plate millimetres; what is in it is the editor's own business. `accepted_by` laid it on the pile where it
    was a draft; empty for one that its author laid there.
    """

    id: int
    inspection_id: int
    layer: int | None
    action: str
    class_code: int
    shape: dict[str, Any]
    reason: str
    state: str
    seen_version: int
    accepted_by: str
    created_at: datetime
    created_by: str
    changed_at: datetime
    changed_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Tracked):
    """One reading of a survey, as in the `readings` table; NaN for a place or uncertainty not given.

    `as_typed` is what the person typed, with its unit. `withdrawn` says why it no longer counts, or is empty.
    """

    survey_id: int
    kind: str
    x_mm: float
    y_mm: float
    mark_id: int
    value_um: float
    uncertainty_um: float
    is_lower_bound: bool
    instrument: str
    note: str
    as_typed: str
    flags: int
    withdrawn: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecklistItem(Tracked):
    """One thing to do at a step; `state` is ``open``, ``done`` or ``not needed`` (then `note` says why)."""

    job_id: int
    plate_id: int
    step: str
    text: str
    caution: str
    state: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """Who stands for a survey or a job (`kind`), when, and the fingerprint of what was signed."""

    id: int
    kind: str
    record_id: int
    revision: int
    statement: str
    content: dict[str, Any]
    content_sha256: str
    signed_at: datetime
    signed_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A change that came too late and was kept: `state` is ``open``, ``applied`` or ``discarded``."""

    id: int
    kind: str
    record_id: int
    seen_version: int
    changes: dict[str, Any]
    state: str
    created_at: datetime
    created_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEntry:
    """One line of the trail: who did what to which record; `changes` is ``{field: [before, after]}``."""

    id: int
    at: datetime
    who: str
    action: str
    kind: str
    record_id: int
    plate_id: int | None
    job_id: int | None
    changes: dict[str, Any]
    reason: str


@cache
def _ways(kind: Any) -> tuple[tuple[str, str], ...]:
    """Each field with how it is read from a row: ``json``, ``number`` (empty is NaN) or as it ``is``."""
    hints = get_type_hints(kind)

    def way(hint: Any) -> str:
        return "json" if get_origin(hint) is dict else "number" if hint is float else "is"

    return tuple((field.name, way(hints[field.name])) for field in fields(kind))


def unfolded(row: Any, name: str) -> dict[str, Any]:
    """The JSON column ``<name>_json`` of a row as a mapping; :class:`CasebookError` when it is damaged."""
    try:
        value = json.loads(getattr(row, f"{name}_json"))
    except (ValueError, RecursionError):
        value = None
    if not isinstance(value, dict):
        raise CasebookError(f"{row.__tablename__} number {row.id}: its {name} was damaged; restore a backup")
    return value


def to_record(kind: type[R], row: Any) -> R:
    """A row as the frozen record of that kind: ``x_json`` columns parsed, empty numbers as NaN."""
    values: dict[str, Any] = {}
    for name, way in _ways(kind):  # type: ignore[arg-type]
        if way == "json":
            values[name] = unfolded(row, name)
            continue
        value = getattr(row, name)
        values[name] = math.nan if value is None and way == "number" else value
    return kind(**values)
