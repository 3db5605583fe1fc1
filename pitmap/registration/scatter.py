"""How far the openings lie beside the places that the camera gives them: what no camera of a flat plate can follow."""

from __future__ import annotations

import math

import numpy as np

from .opening_moves import OpeningMoves
from .polish import MODEL_SD_MM, MODEL_SD_PX

__all__ = ["unmodelled_mm2"]

_FEWEST_OPENINGS = 5


def unmodelled_mm2(openings: OpeningMoves) -> float:
    """Mean square of how far openings lie beside their places, less what the edges of a plate scatter anyway, mm2.

    Returns
    -------
    float
        0 for a flat plate as a camera sees it, and where too few openings are in sight to tell.

    Notes
    -----
    A sheet that is bowed or wavy, a picture taken while the phone moved or stitched from several, and a drawing whose
    openings are all a little off leave the openings beside their places. From the middle one of the squares, as for a round
    normal scatter (its median over its mean is ln 2), so that one opening drawn elsewhere does not count for the plate.
    """
    if len(openings.moves_mm) < _FEWEST_OPENINGS:
        return 0.0
    square = float(np.median((openings.moves_mm**2).sum(1))) / math.log(2)
    usual = MODEL_SD_MM**2 + (MODEL_SD_PX / float(np.median(openings.px_per_mm))) ** 2
    return max(square - usual, 0.0)
