"""Can a reading have been taken where it is said to have been?"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..grid import Grid
from ..units import format_place

__all__ = ["REACH_MM", "off_the_metal"]

REACH_MM = 2.0
"""How far beside the metal a place that is read by eye may lie (house choice: four standard deviations of a hand)."""


def off_the_metal(kind: str, x_mm: float, y_mm: float, grid: Grid, is_metal: NDArray[np.bool_]) -> str:
    """Why a reading of a kind cannot be of this face at this place.

    Parameters
    ----------
    kind : str
        One of :data:`~pitmap.depth.READING_KINDS`.
    x_mm, y_mm : float
        Plate frame; NaN for a reading without a place.
    grid : Grid
    is_metal : (rows, columns) bool array
        True on metal, by the drawing.

    Returns
    -------
    str
        Empty where the place is on metal or within :data:`REACH_MM` of it, where there is none, and for a straightedge,
        whose place may be anywhere along its line.
    """
    if math.isnan(x_mm) or kind == "straightedge":
        return ""
    column, row = grid.mm_to_px([[x_mm, y_mm]])[0]
    reach = REACH_MM * grid.px_per_mm
    rows, columns = np.ogrid[: grid.n_rows, : grid.n_cols]
    if (((columns - column) ** 2 + (rows - row) ** 2 <= reach**2) & is_metal).any():
        return ""
    place = f"x {x_mm:.6g}, y {y_mm:.6g} mm ({format_place(x_mm, y_mm, 'inch')})"
    return f"{place} lies off the plate or inside an opening; correct the place, its sign or its unit"
