"""Which parts of the outline of an open strip of land face the running surface, and which the coolant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from ..drawing import SIDE_OF_OPENING, Drawing, Opening
from ..errors import MeasurementError

__all__ = ["StripSides", "dense", "openings_along", "strip_sides"]

_STEP_MM = 0.05
"""Spacing of the points: the distance to the nearest one is off by under 0.3 um at 1 mm."""
_ON_EDGE_MM = 0.02
_NEAR_SHARE = 0.05
"""Of the strip's width: an outline so near to the line runs along it (house choice)."""
_STEEP = 0.7
"""An outline that leaves the trace by more than this much of its own length is the end of a strip, not a side (house
choice: 45 degrees)."""
_LOOK_MM = 0.5
"""Length over which that is judged: longer than the corners of a drawn curve, shorter than any end."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripSides:
    """Sides of a strip.

    Parameters
    ----------
    is_running, is_coolant : (n,) bool array
        Points of its outline on either side; its ends are on neither.
    holes_xy : tuple of (m, 2) float array
        Rings of bolts, dowels and the like that cut into it, mm: no metal, so a crossing is free there.
    """

    is_running: NDArray[np.bool_]
    is_coolant: NDArray[np.bool_]
    holes_xy: tuple[NDArray[np.float64], ...]


def dense(line: BaseGeometry) -> NDArray[np.float64]:
    """Points (n, 2) along a line, mm, close enough to stand for it."""
    return np.asarray(line.segmentize(_STEP_MM).coords)[:, :2]


def openings_along(
    points_xy: NDArray[np.float64], drawing: Drawing
) -> Iterator[tuple[Opening, NDArray[np.bool_]]]:
    """Openings whose edge an outline of the land runs along, and which of its dense points (n, 2) lie on that edge."""
    x, y = points_xy.T
    for opening in drawing.openings:
        edge = opening.polygon.exterior
        left, bottom, right, top = np.array(edge.bounds) + _ON_EDGE_MM * np.array([-1, -1, 1, 1])
        # few points lie about it, and asking every piece of its edge for each of them would take seconds
        near = np.flatnonzero((x >= left) & (x <= right) & (y >= bottom) & (y <= top))
        shapely.prepare(edge)
        on_it = np.zeros(len(x), bool)
        on_it[near] = shapely.dwithin(edge, shapely.points(points_xy[near]), _ON_EDGE_MM)
        if on_it.any():
            yield opening, on_it


def strip_sides(outline_xy: NDArray[np.float64], line: BaseGeometry, drawing: Drawing) -> StripSides:
    """Sides of an open strip of land.

    Parameters
    ----------
    outline_xy : (n, 2) float array
        Its closed outline, from :func:`dense`.
    line : LinearRing
        The bore trace, or the edge of the band that the strip lies beside.
    drawing : Drawing

    Notes
    -----
    The running side lies along the line. From each end of it the outline leaves the line steeply: that is an end of the
    strip. Where it no longer does, the coolant side begins, however wide the strip is there. Edges of openings belong to
    the side that their kind says.

    Raises
    ------
    MeasurementError
        The running side goes over into the other one without an end between them.
    """
    points = outline_xy[:-1]
    far = shapely.distance(shapely.points(points), line)
    near, out = float(far.min()), float(far.max())
    share_mm = _NEAR_SHARE * (out - near) + _ON_EDGE_MM
    is_running = far <= near + share_mm
    is_coolant = np.zeros(len(points), bool)
    is_given = np.zeros(len(points), bool)
    holes = []
    for opening, on_it in openings_along(points, drawing):
        side = SIDE_OF_OPENING.get(opening.kind, "")
        is_given |= on_it
        is_running[on_it], is_coolant[on_it] = side == "running", side == "coolant"
        if not side:
            holes.append(dense(opening.polygon.exterior))
    runs = _runs(~(is_running | is_given))
    longest = max(map(len, runs), default=0)
    for run in runs:
        before, after = run[0] - 1, (run[-1] + 1) % len(points)
        # an opening is its own end
        by_line = {k: bool(is_running[k] and not is_given[k]) for k in (before, after)}
        if all(by_line.values()) and len(run) < longest:
            # a bite out of the running side
            is_running[run] = True
            continue
        lengths = []
        for start, back, way in ((before, -1, run), (after, 1, run[::-1])):
            lengths.append(_end_of(way, points, far, out - near, drawing) if by_line[start] else 0)
            # an end begins at the line, and its first points lie near enough to be taken for the side
            reach = (start + back * np.arange(1 + int(share_mm / _STEEP / _STEP_MM))) % len(points)
            at_line = np.flatnonzero(far[reach] <= near + _ON_EDGE_MM)
            if by_line[start] and len(at_line):
                is_running[reach[: at_line[0]]] = False
        is_coolant[run[lengths[0] : len(run) - lengths[1]]] = True
    # the outline comes back to its first point
    closed = np.arange(len(outline_xy)) % len(points)
    return StripSides(is_running=is_running[closed], is_coolant=is_coolant[closed], holes_xy=tuple(holes))


def _runs(wanted: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Places of every run of True on a closed line, each in order."""
    if wanted.all() or not wanted.any():
        return []
    start = int(np.flatnonzero(~wanted)[0])
    order = (np.arange(len(wanted)) + start) % len(wanted)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], wanted[order], [0]])))
    return [order[a:b] for a, b in zip(edges[::2], edges[1::2])]


def _end_of(
    run: NDArray[np.int64],
    points: NDArray[np.float64],
    far: NDArray[np.float64],
    width_mm: float,
    drawing: Drawing,
) -> int:
    """How many points of a run, from the running side on, are the end of the strip."""
    away = far[run]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points[run], axis=0).T))])
    ahead = np.searchsorted(along, along + _LOOK_MM)
    there = np.minimum(ahead, len(run) - 1)
    is_steep = (away[there] - away > _STEEP * (along[there] - along)) | (ahead == len(run))
    first = int(np.argmax(is_steep))
    # a corner may be round, but what rises slowly for longer than that is a side
    if not is_steep[first] or along[first] > width_mm / 2:
        x, y = points[run[0]]
        raise MeasurementError(
            f"drawing {drawing.name!r}: zone seal_land has no end at {x:.1f}, {y:.1f} mm, where its running side goes over "
            "into its coolant side, so its sound width cannot be measured; draw the land as a closed band around the bore "
            "trace, or its strips with square ends"
        )
    if is_steep[first:].all():
        return len(run)
    stop = first + int(np.argmin(is_steep[first:]))
    return stop + int(np.argmax(away[stop : there[stop] + 1]))
