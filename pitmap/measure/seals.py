"""Marks that are wider than the seal that crosses them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..drawing import fill_mask
from .blobs import Blobs
from .frame import MeasureFrame

__all__ = ["wider_than_seal"]

_BREAKS_SEAL = (SurfaceClass.PIT, SurfaceClass.SCORE)
"""Holes in the face; a seal slides over stain, film and low metal without losing the face under it."""


def wider_than_seal(
    blobs: Blobs, length_mm: NDArray[np.float64], width_mm: NDArray[np.float64], frame: MeasureFrame
) -> NDArray[np.bool_]:
    """Which marks are wider than the seal of a band that they lie on.

    Notes
    -----
    A seal is a strip of width s that may cross a mark in any direction. A pit counts by its short side (then
    the seal is bridged whichever way it lies); a score is long and thin and counts by its length, since lying
    across the seal it joins both sides of it. House choice.
    """
    out = np.zeros(len(blobs), bool)
    if blobs.class_code not in tuple(int(c) for c in _BREAKS_SEAL) or len(blobs) == 0:
        return out
    size = length_mm if blobs.class_code == SurfaceClass.SCORE else width_mm
    col, row = blobs.edge_cr.T
    for band in frame.drawing.bands:
        on_band = fill_mask(band.polygon, frame.grid)[row, col]
        out |= (np.bincount(blobs.edge_owner, weights=on_band, minlength=len(blobs)) > 0) & (
            size > band.seal_width_mm
        )
    return out
