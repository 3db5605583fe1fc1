"""A kept length as a form shows it, in the units that it was opened in, and what stands for it when the form is sent."""

from __future__ import annotations

import math

from ..units import UnitSystem, format_entered

__all__ = ["exact_length", "kept_or_typed", "shown_length"]


def exact_length(value: float, unit: str) -> str:
    """A kept length to its last figure; empty for none (NaN)."""
    return "" if math.isnan(value) else f"{value!r} {unit}"


def shown_length(value: float, unit: str, system: UnitSystem) -> str:
    """A kept length, in um or mm, as its field shows it in the units of its form; empty for none (NaN)."""
    return "" if math.isnan(value) else format_entered(value, unit, system)


def kept_or_typed(text: str, value: float, unit: str, system: UnitSystem) -> str:
    """What a field that showed a kept length means: that very length while nobody changed the text, else the text.

    22 um are shown as 0.87 thou, which is not 22 um: read back, everything kept would move a little each time a form is
    sent, and count as entered anew.
    """
    if math.isnan(value):
        return text
    return exact_length(value, unit) if text.strip() == shown_length(value, unit, system) else text
