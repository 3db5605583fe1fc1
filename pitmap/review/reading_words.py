"""What a reading is and how much it says, in the words and units of the page."""

from __future__ import annotations

import math

from ..casebook import Reading
from ..units import format_depth, format_entered, format_place
from .state import units

__all__ = ["KIND_WORDS", "reading_amount", "reading_error", "reading_words"]

KIND_WORDS = {
    "pit_depth": "pit depth",
    "height": "height (dial indicator)",
    "thickness": "thickness",
    "wear_step": "step across a wear track",
    "straightedge": "straightedge and feeler",
    "hardness": "hardness",
}
"""Kinds of readings as people name them."""


def reading_amount(reading: Reading) -> str:
    """The value of a reading with its unit."""
    if reading.kind == "hardness":
        return f"{reading.value_um:g} HV"
    if reading.kind == "thickness":
        return format_entered(reading.value_um / 1000.0, "mm", units())
    return ("at least " if reading.is_lower_bound else "") + format_depth(reading.value_um, units())


def reading_error(reading: Reading) -> str:
    """How far off a reading may be, one standard deviation, with its unit; empty where none is kept."""
    if math.isnan(reading.uncertainty_um):
        return ""
    if reading.kind == "hardness":
        return f"{reading.uncertainty_um:g} HV"
    return format_depth(reading.uncertainty_um, units(), digits=1 if units() == "mm" else 2)


def reading_words(reading: Reading) -> str:
    """Kind, value and where, as it was entered: by the mark's number on the map of then, or by its place."""
    mark = f", mark {reading.mark_id}" if reading.mark_id >= 0 else ""
    is_placed = not (math.isnan(reading.x_mm) or math.isnan(reading.y_mm))
    place = f", at {format_place(reading.x_mm, reading.y_mm, units())}" if is_placed else ""
    return f"{KIND_WORDS[reading.kind]} {reading_amount(reading)}{mark}{place}"
