"""How a line goes on beyond its ends."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from .axes import axes_of

__all__ = ["run_on"]

_STILL_SHOWS, _GAP_MM = 0.12, 1.0
"""A line goes on while it shows this much as likely as the metal beside it, over gaps of so much at most."""
_INTO_EDGE_MM = 1.5
"""A line that points at a drawn edge so close ahead runs into it: a chamfer and its shadow hide the end."""
_AIMED_BY_MM, _BENT_MM = 14.0, 10.0
"""So much before its end tells where it goes; less than the second does not tell its bend."""
_AHEAD_MM = 3.0
"""Looked at before it is aimed again."""
_BESIDE_MM = np.arange(-3, 4) / 10


def run_on(
    scored: NDArray[np.uint8],
    line_mm: NDArray[np.float64],
    ratio: NDArray[np.float32],
    edge_mm: NDArray[np.float32],
    px_per_mm: float,
) -> None:
    """Draw, in place, how a line goes on: as far as it still shows, at most as long again, and into an edge close ahead.

    Parameters
    ----------
    scored : (rows, columns) uint8
        1 where the line is drawn.
    line_mm : (n, 2) float64
        Places of the line, (column, row) / `px_per_mm`.
    ratio : (rows, columns) float32
        How many times as likely as the metal beside it a line is.
    edge_mm : (rows, columns) float32
        Distance to the nearest drawn edge; 0 off the metal.
    px_per_mm : float
    """
    axes = axes_of(line_mm)
    along, across = axes.split(line_mm)
    # one place per pixel of length: a wide part must not outweigh a narrow one
    step, n_at = np.unique(np.floor(along * px_per_mm).astype(int), return_inverse=True)
    centre = np.column_stack([np.bincount(n_at, a) / np.bincount(n_at) for a in (along, across)])
    thick = max(1, round(len(line_mm) / len(step)))
    spine = axes.back(centre)
    for ordered in (spine, spine[::-1]):
        way = _followed(ordered, ratio, edge_mm, px_per_mm)
        if len(way):
            px = np.round(np.concatenate([ordered[-1:], way]) * px_per_mm).astype(np.int32)
            _draw(scored, px, thick, ratio)


def _draw(scored: NDArray[np.uint8], px: NDArray[np.int32], thick: int, ratio: NDArray[np.float32]) -> None:
    """A thin line through these places, and beside it what shows, as far as the line is thick; in place."""
    low = np.maximum(px.min(0) - thick, 0)
    size_wh = np.minimum(px.max(0) + thick + 1, scored.shape[::-1]) - low
    window = (slice(low[1], low[1] + size_wh[1]), slice(low[0], low[0] + size_wh[0]))
    about = cv2.polylines(np.zeros(size_wh[::-1], np.uint8), [px - low], False, 1, thick)
    scored[window] |= about & (ratio[window] >= _STILL_SHOWS)
    cv2.polylines(scored, [px], False, 1)


def _followed(
    spine: NDArray[np.float64], ratio: NDArray[np.float32], edge_mm: NDArray[np.float32], px_per_mm: float
) -> NDArray[np.float64]:
    """Places (m, 2) beyond the last one of a line's spine (n, 2)."""
    found = spine
    for _ in range(max(1, int(len(spine) / px_per_mm / _AHEAD_MM))):
        ahead, across = _ahead(found[-round(_AIMED_BY_MM * px_per_mm) :], px_per_mm)
        beside = ahead[:, None] + _BESIDE_MM[:, None] * across
        px = np.round(beside * px_per_mm).astype(int)
        inside = ((px >= 0) & (px < edge_mm.shape[::-1])).all((1, 2))
        px = px[: len(px) if inside.all() else int(inside.argmin())]
        is_metal = edge_mm[px[..., 1], px[..., 0]].max(1, initial=0) > 0
        to_edge = len(px) if is_metal.all() else int(is_metal.argmin())
        shown = ratio[px[:to_edge, :, 1], px[:to_edge, :, 0]]
        shows = np.flatnonzero((shown >= _STILL_SHOWS).any(1))
        far = np.flatnonzero(np.diff(shows, prepend=-1) > _GAP_MM * px_per_mm)
        shows = shows[: far[0]] if len(far) else shows
        last = shows[-1] + 1 if len(shows) else 0
        if last:
            weight = np.where(shown[shows] >= _STILL_SHOWS, shown[shows], 0)
            found = np.concatenate(
                [found, ahead[shows] + (weight @ _BESIDE_MM / weight.sum(1))[:, None] * across]
            )
        if to_edge < len(px) and to_edge - last <= _INTO_EDGE_MM * px_per_mm:
            found = np.concatenate([found, ahead[last:to_edge]])
            break
        if not last:
            break
    return found[len(spine) :]


def _ahead(tail: NDArray[np.float64], px_per_mm: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places (n, 2) straight on from a line's last ones, and the direction (2,) across it."""
    axes = axes_of(tail)
    along, across = axes.split(tail)
    bend = np.polyfit(along, across, 2 if np.ptp(along) >= _BENT_MM else 1)
    steps = np.arange(1, math.ceil(_AHEAD_MM * px_per_mm)) / px_per_mm
    t = along[-1] + math.copysign(1, along[-1] - along[0]) * steps
    return axes.back(np.column_stack([t, np.polyval(bend, t)])), axes.turn[1]
