"""The axes of a chart of the plate, labelled in the reader's units."""

from __future__ import annotations

import math
from typing import Any

from ..units import MM_PER_INCH, UnitSystem

__all__ = ["plate_axis"]


def plate_axis(low_mm: float, high_mm: float, units: UnitSystem) -> dict[str, Any]:
    """The unit and the marks of a plotly axis of plate mm: in inch a mark at every inch, and a short one half-way.

    What is drawn, clicked and zoomed stays in mm: only the labels change, so that an outline drawn before the units were
    changed is the same outline after.

    Parameters
    ----------
    low_mm, high_mm : float
        What the chart shows at first; marks go on for as much again to either side.
    units : {"mm", "inch"}
    """
    if units == "mm":
        return {"title": "mm"}
    span = high_mm - low_mm
    first, last = (math.floor(v / MM_PER_INCH) for v in (low_mm - span, high_mm + span))
    inches = range(first, last + 1)
    return {
        "title": "in",
        "tickvals": [MM_PER_INCH * n for n in inches],
        "ticktext": [str(n) for n in inches],
        "minor": {"tick0": 0, "dtick": MM_PER_INCH / 2, "ticks": "outside", "ticklen": 3},
    }
