"""How far whole neighbourhoods of openings stand beside their drawn places: a picture bent as no lens bends it."""

from __future__ import annotations

import math

import numpy as np

from .opening_moves import OpeningMoves

__all__ = ["bend_mm"]

_FEWEST_OPENINGS = 8
"""Of fewer, chance decides what neighbours have in common (house choice)."""


def bend_mm(openings: OpeningMoves) -> float:
    """What neighbouring openings have in common of how far they stand beside their drawn places, mm; 0 of too few.

    Notes
    -----
    Of the moves m the root of the mean of m . m', with m' that of the nearest opening, is what neighbours share, where it
    is positive: chance, light and an opening drawn elsewhere differ from one opening to the next, while a picture that was
    stitched, squeezed, taken through a film or of a screen moves neighbours alike.
    """
    places, moves = openings.places_mm, openings.moves_mm
    if len(places) < _FEWEST_OPENINGS:
        return 0.0
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return math.sqrt(max(float((moves * moves[apart.argmin(1)]).sum(1).mean()), 0.0))
