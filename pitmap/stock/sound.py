"""Sound width of the seal land from its pits as discs: fast enough to be asked for thousands of removals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from ..errors import InputError

__all__ = ["SoundWidth", "disc_sound_width"]

SoundWidth = Callable[[NDArray[np.bool_]], float]
"""From a mask over the land's pits (True = still there) to the narrowest sound width, mm."""

_NO_COST = 1e-12
"""Stands for a step of length 0, which a sparse graph would take for a missing one."""


def disc_sound_width(pits: pd.DataFrame, nominal_width_mm: float) -> SoundWidth:
    """Sound width as a function of the pits that are left.

    Parameters
    ----------
    pits : DataFrame
        Pits of the land: ``x_mm y_mm eq_diam_mm dist_trace_mm dist_coolant_mm``. A pit without distances to the
        edges cannot lie on a crossing and is passed over.
    nominal_width_mm : float
        Narrowest width of the land without pits.

    Returns
    -------
    callable
        Takes a bool array over `pits`, gives mm; 0 for a leak path.

    Raises
    ------
    InputError
        A nominal width of 0 or less; the callable: a mask of another length.

    Notes
    -----
    The least length of sound metal that a path from the running side to the coolant side crosses. With pits as
    discs on a straight land it is exactly the shortest way in the graph of both sides and all discs, where a
    step costs the gap between its ends: straight free steps between two discs are the shortest, and one that
    meets a third disc is beaten by the way through it. Curvature of the land over one width, and shapes that
    are not round, are left out; the raster of :mod:`pitmap.measure` has them.
    """
    if not nominal_width_mm > 0:
        raise InputError(f"disc_sound_width: expected a nominal width above 0, got {nominal_width_mm!r}")
    edge = pits[["dist_trace_mm", "dist_coolant_mm"]].to_numpy(float).reshape(-1, 2)
    usable = np.isfinite(edge).all(axis=1)
    place = np.flatnonzero(usable)
    edge = np.maximum(edge[usable], 0.0)
    xy = pits[["x_mm", "y_mm"]].to_numpy(float).reshape(-1, 2)[usable]
    radius = pits["eq_diam_mm"].to_numpy(float)[usable] / 2
    i, j, gap = _close_pairs(xy, radius, nominal_width_mm)

    def width(left: ArrayLike) -> float:
        left = np.asarray(left, bool)
        if left.shape != usable.shape:
            raise InputError(f"sound width: expected a mask over {len(usable)} pits, got shape {left.shape}")
        kept = left[place]
        n = int(kept.sum())
        if not n:
            return float(nominal_width_mm)
        number = np.cumsum(kept) - 1
        both = kept[i] & kept[j]
        a, b, cost = number[i[both]], number[j[both]], gap[both]
        own = np.arange(n)
        start, goal = np.full(n, n), np.full(n, n + 1)
        rows = np.concatenate([a, b, start, own])
        columns = np.concatenate([b, a, own, goal])
        costs = np.maximum(np.concatenate([cost, cost, edge[kept, 0], edge[kept, 1]]), _NO_COST)
        graph = csr_array((costs, (rows, columns)), shape=(n + 2, n + 2))
        found = dijkstra(graph, indices=n, limit=nominal_width_mm)[n + 1]
        answer = min(float(found), float(nominal_width_mm))
        return 0.0 if answer < 1e-9 else answer

    return width


def _close_pairs(xy: NDArray, radius: NDArray, reach: float) -> tuple[NDArray, NDArray, NDArray]:
    if len(xy) < 2:
        empty = np.empty(0, int)
        return empty, empty, np.empty(0)
    # A step as long as the land is wide never pays.
    pairs = cKDTree(xy).query_pairs(reach + 2 * float(radius.max()), output_type="ndarray")
    i, j = pairs.T
    gap = np.hypot(*(xy[i] - xy[j]).T) - radius[i] - radius[j]
    near = gap < reach
    return i[near], j[near], np.maximum(gap[near], 0.0)
