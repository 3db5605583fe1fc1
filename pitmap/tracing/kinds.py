"""What an opening may be, from its size, roundness and place: a suggestion for a person to confirm."""

from __future__ import annotations

import numpy as np
from shapely import Polygon

__all__ = ["suggest_kinds"]

_ROUND = 0.985
"""4 pi area / perimeter^2 of a drilled or bored hole; 1 is a circle."""
_BORE_SHARE = 0.12
"""A bore is wider than this share of the face's longer side; a rotary engine's plate has one (house choice)."""
_MIDDLE_SHARE = 0.2
"""A bore lies within this share of the longer side from the middle of the face."""
_RIM_SHARE = 0.12
"""Bolts and dowels stand within this share of the longer side from the outline."""
_LARGE_MM2 = 150.0
_COOLANT_RIM_SHARE = 0.16
_SAME_MM = 0.4
"""Holes drilled with one drill differ by less when traced."""
_MOST_DOWELS = 3


def suggest_kinds(outline: Polygon, openings: list[Polygon]) -> list[str]:
    """A kind of :data:`pitmap.drawing.OPENING_KINDS` for every opening.

    Parameters
    ----------
    outline : Polygon
    openings : list of Polygon

    Returns
    -------
    list of str
        ``other`` where nothing fits.

    Notes
    -----
    House choice, no published source. The largest round opening near the middle is the ``bore``. Among the small round
    holes near the outline the size that comes most often is ``bolt``, and a size that comes two or three times with
    holes far apart is ``dowel`` (plates are located by two or three). Long openings near the outline are ``coolant``,
    others ``port``. Lift holes and drains look like bolts and stay ``other`` or ``bolt``: only a person knows.
    """
    low_x, low_y, high_x, high_y = outline.bounds
    longer = max(high_x - low_x, high_y - low_y)
    middle = outline.centroid
    out = ["other"] * len(openings)
    round_ = [4 * np.pi * p.area / p.length**2 > _ROUND for p in openings]
    width = [float(2 * np.sqrt(p.area / np.pi)) for p in openings]
    from_rim = [outline.exterior.distance(p) for p in openings]
    bores = [
        k
        for k, p in enumerate(openings)
        if round_[k]
        and width[k] > _BORE_SHARE * longer
        and p.centroid.distance(middle) < _MIDDLE_SHARE * longer
    ]
    if bores:
        out[max(bores, key=lambda k: width[k])] = "bore"
    for k, p in enumerate(openings):
        if not round_[k]:
            is_rim = from_rim[k] < _COOLANT_RIM_SHARE * longer
            out[k] = "coolant" if is_rim else "port" if p.area > _LARGE_MM2 else "other"
    small = [
        k
        for k in range(len(openings))
        if round_[k] and out[k] == "other" and from_rim[k] < _RIM_SHARE * longer
    ]
    groups: list[list[int]] = []
    for k in sorted(small, key=lambda k: width[k]):
        if groups and width[k] - width[groups[-1][0]] < _SAME_MM:
            groups[-1].append(k)
        else:
            groups.append([k])
    groups.sort(key=len, reverse=True)
    for n, group in enumerate(groups):
        apart = max(
            (openings[a].centroid.distance(openings[b].centroid) for a in group for b in group), default=0.0
        )
        if n == 0 and len(group) > _MOST_DOWELS:
            kind = "bolt"
        elif 2 <= len(group) <= _MOST_DOWELS and apart > 0.5 * longer:
            kind = "dowel"
        else:
            continue
        for k in group:
            out[k] = kind
    return out
