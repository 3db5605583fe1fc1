"""How far below the lap's plane the metal about a pit stood when a needle read the pit from it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass

if TYPE_CHECKING:
    from .survey import FaceSurvey

__all__ = ["IsReached", "below_plane_um", "reached_in"]

IsReached = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
"""From places (N, 2) and radii (N,) in mm to 1, 0 or NaN: :func:`reached_in`."""

_RING_MM = (0.2, 2.0)
"""From the edge of a pit: the metal that the foot of a gauge stands on (house choice)."""
_LEAST_TOLD = 0.25
"""Part of that metal which the map must call sound or uncut, or it says nothing of it (house choice)."""


def reached_in(class_map: Any) -> IsReached | None:
    """From places (N, 2) and radii (N,) in mm to whether the lap has reached the metal about them, on a lapped survey.

    1 where more of it is sound than uncut, 0 where more is uncut, NaN where the map does not tell: stain may lie on either.
    None for a map without a place in the plate frame.
    """
    grid = class_map.grid
    if grid is None:
        return None
    codes = np.asarray(class_map.codes)
    rows, cols = codes.shape

    def is_reached(xy: NDArray[np.float64], radius_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.full(len(xy), np.nan)
        for k, ((column, row), radius) in enumerate(zip(grid.mm_to_px(xy), radius_mm)):
            inner, outer = ((radius + far) * grid.px_per_mm for far in _RING_MM)
            r, c = np.mgrid[
                max(0, math.floor(row - outer)) : min(rows, math.ceil(row + outer) + 1),
                max(0, math.floor(column - outer)) : min(cols, math.ceil(column + outer) + 1),
            ]
            away = np.hypot(r - row, c - column)
            ring = codes[r, c][(away > inner) & (away <= outer)]
            n_sound, n_uncut = (
                int((ring == code).sum()) for code in (SurfaceClass.SOUND, SurfaceClass.UNCUT)
            )
            if n_sound + n_uncut >= _LEAST_TOLD * max(len(ring), 1):
                out[k] = float(n_sound > n_uncut)
        return out

    return is_reached


def below_plane_um(
    surveys: Sequence[FaceSurvey], xy: NDArray[np.float64], radius_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Least and most that the metal about each place stood below the plane of each survey.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        Of one face, in the order of work.
    xy : (N, 2) array
        Middles of the pits, mm.
    radius_mm : (N,) array

    Returns
    -------
    ndarray (N, surveys, 2)
        um; nought where the lap had reached the metal, or where no map tells.

    Notes
    -----
    A needle measures from the metal about a pit. Where that lies below the highest metal of the face, the lap's plane
    must come down by as much more than was read: a pit of 270 um, read at intake on metal that the plane reached after
    26 um, needs 296. Metal that one lapped survey shows uncut and a later one cut stood between the two planes; until
    the first lap nothing is known of it, so there the first plane is the highest metal. Metal that no lap has reached
    yet may lie as far below the last plane as that has come down so far (house choice: the map cannot tell).
    """
    stock = np.column_stack([np.maximum(s.removed.at(xy), 0.0) for s in surveys])
    told = np.full(stock.shape, np.nan)
    for k, survey in enumerate(surveys):
        if survey.is_reached is not None and Stage(survey.stage).is_lapped and len(xy):
            told[:, k] = survey.is_reached(xy, radius_mm)
    out = np.zeros((*stock.shape, 2))
    for i, (off, reached) in enumerate(zip(stock, told)):
        cut = np.flatnonzero(reached == 1)
        first_cut = int(cut[0]) if cut.size else len(surveys)
        uncut = np.flatnonzero(reached[:first_cut] == 0)
        if not cut.size and not uncut.size:
            continue
        least = float(off[uncut].max(initial=0.0))
        most = max(float(off[first_cut]), least) if cut.size else 2 * float(off.max())
        before = slice(0, first_cut)
        out[i, before] = np.maximum(np.array([least, most])[None, :] - off[before, None], 0.0)
    return out
