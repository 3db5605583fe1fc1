"""How far whole neighbourhoods of openings stand beside their drawn places: a picture bent as no lens bends it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .displaced import Looked, met
from .edges import DrawnEdges

__all__ = ["bend_mm"]

_FEWEST_SAMPLES, _LEAST_MET = 10, 0.6
"""Of an opening's edge: enough of it in the frame, and so much of that met, tells where the opening stands."""
_FEWEST_OPENINGS = 8
"""Of fewer, chance decides what neighbours have in common (house choice)."""
_COARSE_PX, _FINE_PX, _MET_PX = 2.0, 1.5, 1.0
"""An edge is followed within so much on the smaller picture and on the larger one; and counts as met."""
_MOST_LOPSIDED = 8.0
"""Of what the edge in sight says along its best and its worst direction: beyond, it says nothing along the worst."""


def bend_mm(coarse: Looked, fine: Looked, edges: DrawnEdges) -> float:
    """What neighbouring openings have in common of how far they stand beside their drawn places, mm; 0 of too few.

    Parameters
    ----------
    coarse, fine : Looked
        As for :func:`~pitmap.registration.displaced.displaced_openings`.
    edges : DrawnEdges

    Notes
    -----
    Every opening is moved to where its own edge fits best. Of these moves m the root of the mean of m . m', with m' that
    of the nearest opening, is what neighbours share: chance, light and an opening drawn elsewhere differ from one opening
    to the next, while a picture that was stitched, squeezed, taken through a film or of a screen moves neighbours alike.
    """
    n = len(edges.part_names)
    push = np.zeros((n, 2))
    for at, within_px in ((coarse, _COARSE_PX), (coarse, _COARSE_PX), *3 * ((fine, _FINE_PX),)):
        fit = at.fit(edges, push[edges.part])
        good = met(fit, edges, within_px)
        for k in range(1, n):
            mine = good & (edges.part == k)
            normals = edges.normals[mine]
            if mine.sum() < _FEWEST_SAMPLES // 2 or np.linalg.cond(normals.T @ normals) > _MOST_LOPSIDED:
                continue
            push[k] += np.linalg.lstsq(normals, (fit.offset_px / fit.px_per_mm)[mine])[0]
    fit = fine.fit(edges, push[edges.part])
    seen = np.bincount(edges.part[fit.inside & (edges.length_mm > 0)], minlength=n)
    good_of = np.bincount(edges.part[met(fit, edges, _MET_PX)], minlength=n)
    told = (seen >= _FEWEST_SAMPLES) & (good_of >= _LEAST_MET * seen) & (push != 0).all(1)
    if told.sum() < _FEWEST_OPENINGS:
        return 0.0
    middle = np.array([edges.points_mm[edges.part == k].mean(0) for k in np.flatnonzero(told)])
    return shared(middle, push[told])


def shared(places: NDArray[np.float64], moves: NDArray[np.float64]) -> float:
    """Root of the mean product of each move (N, 2) with that of the nearest of the places (N, 2); 0 where it is negative."""
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return math.sqrt(max(float((moves * moves[apart.argmin(1)]).sum(1).mean()), 0.0))
