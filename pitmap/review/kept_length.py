"""A kept length as a form shows it, in the units of the page, and what stands for it when the form is sent."""

from __future__ import annotations

import math

from ..units import format_entered
from .state import units

__all__ = ["exact_length", "kept_or_typed", "shown_length"]


def exact_length(value: float, unit: str) -> str:
    """A kept length to its last figure; empty for none (NaN)."""
    return "" if math.isnan(value) else f"{value!r} {unit}"


def shown_length(value: float, unit: str) -> str:
    """A kept length, in um or mm, as its field shows it: in the units of the page; empty for none (NaN).

    The name of the field has them in it: else it would go on showing the length in the units that the page had before.
    """
    return "" if math.isnan(value) else format_entered(value, unit, units())


def kept_or_typed(text: str, value: float, unit: str) -> str:
    """What a field that showed a kept length means: that very length while nobody changed the text, else the text.

    22 um are shown as 0.87 thou, which is not 22 um: read back, everything kept would move a little each time a form is
    sent, and count as entered anew.
    """
    if math.isnan(value):
        return text
    return exact_length(value, unit) if text.strip() == shown_length(value, unit) else text
