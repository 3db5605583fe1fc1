"""Was a picture made over piece by piece (HDR, contrast filters)? Then the metal round its openings shines."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing, fill_mask
from ..grid import Grid
from .openings import FEWEST_OPENINGS, INTO_MM, coarse_picture

__all__ = ["halo"]

_BESIDE_MM, _OFF_MM = (1.0, 2.5), (12.0, 18.0)
"""Metal beside an opening, and metal as far off as such filters hardly reach; house choice."""
_LEAST_CONTRAST = 0.1
"""Of the log of tone between an opening and its metal: with less there is nothing for a halo to grow on."""
_FLOOR_LEVELS = 4.0
"""Added to 8-bit levels before the log, so that noise in black does not count."""
_FEWEST_PX = 30


def halo(grey: NDArray[np.uint8], in_frame: NDArray[np.bool_], drawing: Drawing, grid: Grid) -> float:
    """How much the tone of the metal draws away from that of an opening close beside it, log of tone.

    Median over the openings; light and damage go either way and blur makes it less than 0. NaN of fewer than four
    openings.

    Parameters
    ----------
    grey : (rows, columns) uint8 array
        Straightened picture on `grid`.
    in_frame : (rows, columns) bool array
    drawing : Drawing
    grid : Grid
    """
    small, levels, shown = coarse_picture(grey, in_frame, grid)
    tone = np.log(levels + np.float32(_FLOOR_LEVELS))
    metal = drawing.mask(small)
    away, nearest = cv2.distanceTransformWithLabels(
        metal.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_CCOMP
    )
    away /= small.px_per_mm
    beside, off = (metal & shown & (away > low) & (away <= high) for low, high in (_BESIDE_MM, _OFF_MM))
    found = []
    for opening in drawing.openings:
        inner = fill_mask(opening.polygon.buffer(-INTO_MM), small) & shown & ~metal
        if np.count_nonzero(inner) < _FEWEST_PX:
            continue
        mine = nearest == np.bincount(nearest[inner]).argmax()
        near, far = tone[beside & mine], tone[off & mine]
        if min(near.size, far.size) < _FEWEST_PX:
            continue
        middle = np.median(far)
        contrast = middle - np.median(tone[inner])
        if abs(contrast) >= _LEAST_CONTRAST:
            found.append(math.copysign(1.0, contrast) * (np.median(near) - middle))
    return float(np.median(found)) if len(found) >= FEWEST_OPENINGS else math.nan
