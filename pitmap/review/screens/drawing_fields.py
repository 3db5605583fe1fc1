"""Lengths in the fields of the drawing pages: shown and read in the units that the person chose."""

from __future__ import annotations

import math

from ...errors import DrawingError, InputError
from ...units import parse_length
from ..state import unit_word

__all__ = ["in_units", "kept_or_typed_mm", "shown_deg", "shown_mm", "typed_deg", "typed_mm"]


def in_units(value_mm: float) -> float:
    """A length in the unit of a bare number."""
    return value_mm / parse_length(1.0, to="mm", default_unit=unit_word())


def shown_mm(value_mm: float | None) -> str:
    """A length as a field shows it, without its unit; empty for a length that is not known."""
    if value_mm is None or not math.isfinite(value_mm):
        return ""
    text = f"{in_units(value_mm):.{3 if unit_word() == 'mm' else 4}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def shown_deg(value: float) -> str:
    """An angle as a field shows it: 0.001 deg move the end of a trace by a micrometre, to which lengths are shown."""
    return f"{round(value, 3) + 0.0:g}"


def typed_mm(text: str, what: str, *, bare: str | None = None) -> float:
    """A length from a field, in mm; a bare number is in the person's unit, or in `bare` ("" refuses it).

    Raises
    ------
    DrawingError
        Not a length; `what` names the field.
    """
    try:
        return parse_length(str(text).strip(), to="mm", default_unit=unit_word() if bare is None else bare)
    except InputError as error:
        raise DrawingError(f"{what}: {error}") from error


def kept_or_typed_mm(text: str, value_mm: float | None, what: str) -> float:
    """A length from a field that showed `value_mm`: that very length while nobody changed the text, else as typed.

    14 mm are shown as 0.5512 in, which is not 14 mm: read back, the drawing would move with each form that is sent.
    """
    if value_mm is not None and text.strip() and text.strip() == shown_mm(value_mm):
        return value_mm
    return typed_mm(text, what)


def typed_deg(text: str, what: str) -> float:
    """An angle from a field, in degrees.

    Raises
    ------
    DrawingError
        Not a number.
    """
    try:
        value = float(str(text).strip().rstrip("°").replace(",", "."))
    except ValueError as error:
        raise DrawingError(f"{what}: {text!r} is not a number of degrees") from error
    if not math.isfinite(value):
        raise DrawingError(f"{what}: {text!r} is not a number of degrees")
    return value
