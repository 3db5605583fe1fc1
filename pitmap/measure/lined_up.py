"""Which pieces of scores lie on one line, so that a score broken by a fleck of sound metal is one mark."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

__all__ = ["lined_up"]

_GAP_WIDTHS, _GAP_SHARE = 2.0, 0.25
"""The longest gap: in widths of the longer piece, and as a share of its length. In renders one score was broken by gaps of
0.4 to 1.5 of its widths; house choice."""
_OFFSET_WIDTHS, _LEAST_COS = 1.0, 0.94
"""A piece goes on within a width of the line and within 20 degrees of its way; house choice."""
_LONG, _END_WIDTHS = 3.0, 5.0
"""From so many widths a piece has a way of its own; it is taken from so many widths at its end, for scores bend."""


def lined_up(col: NDArray[np.int64], row: NDArray[np.int64], label: NDArray[np.int32]) -> NDArray[np.int32]:
    """For each label from 0 to the highest the label of the mark it belongs to.

    Parameters
    ----------
    col, row : (n,) int array
        Pixels of all pieces.
    label : (n,) int array
        Which piece each is of, from 1.
    """
    own = np.arange(int(label.max()) + 1, dtype=np.int32)
    order = np.argsort(label, kind="stable")
    names, first = np.unique(label[order], return_index=True)
    points = np.column_stack([col, row])[order].astype(float)
    pieces = [_ends(p) for p in np.split(points, first[1:])]
    at, way = (np.concatenate([p[k] for p in pieces]) for k in (0, 1))
    length, width = (np.repeat([p[k] for p in pieces], 2) for k in (2, 3))
    is_long = length >= _LONG * width
    reach = _GAP_WIDTHS * float(width[is_long].max(initial=0.0))
    near = cKDTree(at).query_pairs(reach, output_type="ndarray")
    near = near[near[:, 0] // 2 != near[:, 1] // 2]
    swap = length[near[:, 1]] > length[near[:, 0]]
    near[swap] = near[swap][:, ::-1]
    a, b = near.T
    d = at[b] - at[a]
    along, aside = (d * way[a]).sum(1), np.abs(d[:, 0] * way[a][:, 1] - d[:, 1] * way[a][:, 0])
    is_on = (np.hypot(*d.T) <= np.minimum(_GAP_WIDTHS * width[a], _GAP_SHARE * length[a])) & (along > 0)
    is_on &= (aside <= _OFFSET_WIDTHS * width[a]) & is_long[a]
    # a crumb has no way of its own
    is_on &= (-(way[a] * way[b]).sum(1) >= _LEAST_COS) | ~is_long[b]
    a, b = a[is_on] // 2, b[is_on] // 2
    n = len(names)
    _, group = connected_components(coo_matrix((np.ones(len(a)), (a, b)), shape=(n, n)), directed=False)
    _, leader = np.unique(group, return_index=True)
    own[names] = names[leader[group]]
    return own


def _ends(points):  # type: ignore[no-untyped-def]
    """Both ends of a piece, the ways that lead out of it there, its length and its mean width, px."""
    middle = points.mean(0)
    axis = np.linalg.eigh((points - middle).T @ (points - middle))[1][:, 1]
    t = (points - middle) @ axis
    length = float(np.ptp(t)) + 1.0
    width = len(points) / length
    at, way = [], []
    for sign in (-1.0, 1.0):
        last = points[sign * t >= (sign * t).max() - _END_WIDTHS * width]
        centre = last.mean(0)
        u = np.linalg.eigh((last - centre).T @ (last - centre))[1][:, 1]
        u *= 1.0 if u @ axis * sign >= 0 else -1.0
        at.append(centre + ((last - centre) @ u).max() * u)
        way.append(u)
    return np.array(at), np.array(way), length, width
