"""Which fields of a record a person may set, and the door that each value passes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import date
from functools import partial
from typing import Any

from ..classes import Stage
from ..entered_day import check_day
from ..errors import InputError
from ..estimate import Estimate
from ..units import AS_POSITIVE, in_both
from .clean import (
    clean_bool,
    clean_choice,
    clean_date,
    clean_line,
    clean_number,
    clean_text,
    clean_whole,
)

__all__ = ["CHECK_STATES", "EVENT_KINDS", "FIELDS", "MAX_TAG", "POSITIONS", "READING_KINDS", "clean_entries"]

POSITIONS = ("", "front", "intermediate", "rear", "other")
EVENT_KINDS = ("stock", "reshaped port", "stud", "dowel", "repair", "other")
READING_KINDS = ("pit_depth", "height", "thickness", "wear_step", "straightedge", "hardness")
CHECK_STATES = ("open", "done", "not needed")

MAX_TAG = 100
"""Longest tag of a plate and name of a face, characters."""
_PLACE_MM = 10_000.0
"""Farthest place on a plate taken (house choice: forty times a plate: only slips fall outside)."""

_line = partial(clean_line)
_tag = partial(clean_line, required=True, limit=MAX_TAG)


def _day_or_none(value: object, field: str) -> Any:
    return None if value is None or value == "" else clean_date(value, field)


def _survey_day(value: object, field: str) -> date:
    day = clean_date(value, field)
    check_day(day)
    return day


def _stage(value: object, field: str) -> str:
    if isinstance(value, Stage):
        return value.name
    try:
        return Stage(value).name  # type: ignore[arg-type]
    except InputError as error:
        raise InputError(f"{field}: {ascii(str(error)).strip(chr(39))[:200]}") from None


def _uncertainty(value: object, field: str) -> float | None:
    number = clean_number(value, field, low=0.0, high=1e6, missing_ok=True)
    if number == 0:
        raise InputError(
            f"{field}: expected a number above 0, got 0; no gauge is exact, leave it empty for the usual one of its kind"
        )
    return number


def _removed(value: object, field: str) -> Estimate:
    if value is None:
        return Estimate.unknown("not entered")
    if isinstance(value, Mapping):  # as a draft keeps it
        value = _estimate_from(value, field)
    if not isinstance(value, Estimate):
        raise InputError(f"{field}: expected an Estimate in micrometres, or None for not known")
    ends = (value.value, value.low, value.high)
    if any(math.isinf(v) or abs(v) > 1e6 for v in ends if not math.isnan(v)):
        raise InputError(f"{field}: stock taken off must lie within 1 m either way")
    if value.value < 0:
        raise InputError(f"{field}: {AS_POSITIVE}, got {in_both(value.value, 'um')}")
    return Estimate(
        value=float(value.value),
        low=float(value.low),
        high=float(value.high),
        level=float(value.level),
        reason=clean_line(value.reason, f"{field}.reason", limit=500),
    )


def _estimate_from(kept: Mapping[str, Any], field: str) -> Estimate:
    numbers = {k: math.nan if kept.get(k) is None else kept[k] for k in ("value", "low", "high")}
    try:
        return Estimate(**numbers, level=kept["level"], reason=kept["reason"])
    except (KeyError, TypeError) as error:
        raise InputError(f"{field}: cannot be read as an estimate ({error})") from None


FIELDS: dict[str, dict[str, Callable[[Any, str], Any]]] = {
    "job": {
        "reference": partial(clean_line, required=True),
        "customer": _line,
        "engine": _line,
        "notes": clean_text,
    },
    "plate": {
        "tag": _tag,
        "position": partial(clean_choice, choices=POSITIONS),
        "drawing": _line,
        "notes": clean_text,
    },
    "plate_event": {
        "kind": partial(clean_choice, choices=EVENT_KINDS),
        "face": partial(clean_line, limit=MAX_TAG),
        "text": clean_text,
        "happened_on": _day_or_none,
        "removed_um": partial(clean_number, low=0.0, high=1e5, missing_ok=True),
        "uncertainty_um": partial(clean_number, low=0.0, high=1e5, missing_ok=True),
        "source": _line,
    },
    "face": {"name": _tag, "drawing": _line, "notes": clean_text},
    "survey": {"stage": _stage, "surveyed_on": _survey_day, "removed_um": _removed, "notes": clean_text},
    "photo": {"role": _line},
    "reading": {
        "kind": partial(clean_choice, choices=READING_KINDS),
        "x_mm": partial(clean_number, low=-_PLACE_MM, high=_PLACE_MM, missing_ok=True),
        "y_mm": partial(clean_number, low=-_PLACE_MM, high=_PLACE_MM, missing_ok=True),
        "mark_id": partial(clean_whole, low=-1, high=2**31),
        "value_um": partial(clean_number, low=-1e9, high=1e9),
        "uncertainty_um": _uncertainty,
        "is_lower_bound": clean_bool,
        "instrument": _line,
        "note": clean_text,
        "as_typed": _line,
        "flags": partial(clean_whole, low=0, high=2**31),
    },
    "checklist_item": {
        "state": partial(clean_choice, choices=CHECK_STATES),
        "note": clean_text,
    },
}
"""For each kind of record: field -> its door."""


def clean_entries(kind: str, entries: Mapping[str, object]) -> dict[str, Any]:
    """The entries, each through its door.

    Raises
    ------
    InputError
        A field that this kind of record does not have, or a value that its door does not take.
    """
    doors = FIELDS[kind]
    odd = sorted(set(entries) - set(doors))
    if odd:
        raise InputError(f"{kind}: has no field {ascii(odd[0])[:60]} to set; it has {', '.join(doors)}")
    return {name: doors[name](value, f"{kind}.{name}") for name, value in entries.items()}
