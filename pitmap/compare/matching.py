"""Which marks of one survey are which of another: overlap within what the alignment can promise."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from .marks import Marks

__all__ = ["Groups", "match_marks"]

_EDGE_SHARE = 0.25
"""Overlap, as a share of the smaller mark, from which two marks are the same metal (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Groups:
    """Marks that belong together across two surveys.

    Parameters
    ----------
    before, after : (N,), (M,) int64 arrays
        Group number of each mark, from 0.
    n_groups : int
    """

    before: NDArray[np.int64]
    after: NDArray[np.int64]
    n_groups: int


def match_marks(before: Marks, after: Marks, *, tolerance_px: float) -> Groups:
    """Group the marks of two surveys on one grid.

    Parameters
    ----------
    before, after : Marks
    tolerance_px : float
        How far a mark may have moved, pixels.

    Returns
    -------
    Groups
        Marks of one class that overlap, the earlier grown by `tolerance_px`, by a quarter of the smaller
        or more are joined; joined marks form a group, so merging and splitting need no special case.
    """
    n, m = len(before), len(after)
    links = []
    reach = max(1, round(tolerance_px))
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    size_before = np.bincount(before.owner, minlength=n).astype(float)
    size_after = np.bincount(after.owner, minlength=m).astype(float)
    for code in np.intersect1d(before.class_code, after.class_code):
        of_class = before.class_code[before.owner] == code
        # float32 holds whole numbers up to 2^24 exactly; OpenCV dilates no 32-bit integers.
        core = np.zeros(before.labels.shape, np.float32)
        core.ravel()[before.pixels[of_class]] = before.owner[of_class] + 1
        grown = cv2.dilate(core, kernel).ravel()
        of_class = after.class_code[after.owner] == code
        pixels, at = after.pixels[of_class], after.owner[of_class].astype(np.int64)
        # A pixel of a mark is that mark's own, whatever its neighbour has grown over.
        own = core.ravel()[pixels]
        near = np.where(own > 0, own, grown[pixels]).astype(np.int64)
        hit = near > 0
        pair, overlap = np.unique((near[hit] - 1) * m + at[hit], return_counts=True)
        i, j = pair // m, pair % m
        strong = overlap >= _EDGE_SHARE * np.minimum(size_before[i], size_after[j])
        links.append((i[strong], j[strong]))
    i = np.concatenate([k[0] for k in links]) if links else np.zeros(0, np.int64)
    j = np.concatenate([k[1] for k in links]) if links else np.zeros(0, np.int64)
    if n + m == 0:
        return Groups(before=np.zeros(0, np.int64), after=np.zeros(0, np.int64), n_groups=0)
    graph = coo_array((np.ones(len(i), np.int8), (i, n + j)), shape=(n + m, n + m))
    count, group = connected_components(graph, directed=False)
    return Groups(before=group[:n].astype(np.int64), after=group[n:].astype(np.int64), n_groups=int(count))
