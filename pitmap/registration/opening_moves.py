"""How far each opening stands beside the place that the camera gives it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .displaced import Looked, met
from .edges import DrawnEdges

__all__ = ["OpeningMoves", "opening_moves"]

_FEWEST_SAMPLES, _LEAST_MET = 10, 0.6
"""Of an opening's edge: enough of it in the frame, and so much of that met, tells where the opening stands."""
_COARSE_PX, _FINE_PX, _MET_PX = 2.0, 1.5, 1.0
"""An edge is followed within so much on the smaller picture and on the larger one; and counts as met."""
_MOST_LOPSIDED = 8.0
"""Of what the edge in sight says along its best and its worst direction: beyond, it says nothing along the worst."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpeningMoves:
    """Openings of which the photo shows enough, N of them.

    Parameters
    ----------
    places_mm : (N, 2) array
        Their middles as drawn.
    moves_mm : (N, 2) array
        From there to where their own edges fit best.
    px_per_mm : (N,) array
        Scale of the photo there.
    """

    places_mm: NDArray[np.float64]
    moves_mm: NDArray[np.float64]
    px_per_mm: NDArray[np.float64]


def opening_moves(coarse: Looked, fine: Looked, edges: DrawnEdges) -> OpeningMoves:
    """Move every opening to where its own edge fits best; of a drawing without openings there are none.

    Parameters
    ----------
    coarse, fine : Looked
        As for :func:`~pitmap.registration.displaced.displaced_openings`.
    edges : DrawnEdges
    """
    n = len(edges.part_names)
    mine = edges.take((edges.part > 0) & (edges.length_mm > 0))
    push = np.zeros((n, 2))
    if not len(mine.part):
        return OpeningMoves(places_mm=np.zeros((0, 2)), moves_mm=np.zeros((0, 2)), px_per_mm=np.zeros(0))
    for at, within_px in ((coarse, _COARSE_PX), (coarse, _COARSE_PX), *3 * ((fine, _FINE_PX),)):
        fit = at.fit(mine, push[mine.part])
        good = met(fit, mine, within_px)
        for k in range(1, n):
            here = good & (mine.part == k)
            normals = mine.normals[here]
            if here.sum() < _FEWEST_SAMPLES // 2 or np.linalg.cond(normals.T @ normals) > _MOST_LOPSIDED:
                continue
            push[k] += np.linalg.lstsq(normals, (fit.offset_px / fit.px_per_mm)[here])[0]
    fit = fine.fit(mine, push[mine.part])
    seen = np.bincount(mine.part[fit.inside], minlength=n)
    good_of = np.bincount(mine.part[met(fit, mine, _MET_PX)], minlength=n)
    told = np.flatnonzero((seen >= _FEWEST_SAMPLES) & (good_of >= _LEAST_MET * seen) & (push != 0).all(1))
    return OpeningMoves(
        places_mm=np.array([mine.points_mm[mine.part == k].mean(0) for k in told]).reshape(-1, 2),
        moves_mm=push[told],
        px_per_mm=np.array([np.median(fit.px_per_mm[mine.part == k]) for k in told]),
    )
