"""Scores: long, thin, gently bent lines; what is likely one but has not that shape is none."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass

__all__ = ["is_score_shaped", "put_scores"]

_LEAST_LENGTH_MM = 6.0
"""What is shorter is a nick: debris that scores a face is dragged along it. House choice, as all below, made on
renders of seeds 7101 and 7103 and the development photos."""
_MOST_WIDTH_MM = 0.9
"""A photo at 3 px per mm shows a line of 0.3 mm about this wide."""
_MOST_OFF_MM = 0.11
"""Root mean square distance of the line's middle from a parabola: outlines of stains wind, a score does not."""
_GAP_MM = 0.6
"""Pieces of one line, this far apart, count as one."""
_EDGE_MM, _MOST_AT_EDGE = 1.5, 0.4
"""A line that runs along a drawn edge is the edge: its chamfer, its shadow."""


def is_score_shaped(x_mm: NDArray[np.float64], y_mm: NDArray[np.float64], area_mm2: float) -> bool:
    """True when these places lie along one long, thin, gently bent line.

    Parameters
    ----------
    x_mm, y_mm : (n,) float64
        Places of the metal that is likely scored, mm.
    area_mm2 : float
        Of all of it.
    """
    at = np.column_stack([x_mm, y_mm])
    at = at - at.mean(0)
    along, across = (at @ np.linalg.svd(at, full_matrices=False)[2].T).T
    length = float(np.ptp(along))
    if length < _LEAST_LENGTH_MM or area_mm2 > _MOST_WIDTH_MM * length:
        return False
    off = across - np.polyval(np.polyfit(along, across, 2), along)
    # a straight line of width w has places up to w / 2 off its middle: w^2 / 12 in the mean square
    winding = float((off**2).mean()) - (area_mm2 / length) ** 2 / 12
    return winding <= _MOST_OFF_MM**2


def put_scores(
    codes: NDArray[np.uint8],
    confidence: NDArray[np.float32],
    likely: NDArray[np.float32],
    edge_mm: NDArray[np.float32],
    px_per_mm: float,
) -> None:
    """Give the code SCORE, in place, to what is likely scored and has the shape of a score.

    Parameters
    ----------
    codes, confidence : (rows, columns)
        What the metal is without scores; it stays so where the shape is not one.
    likely : (rows, columns) float32
        Probability of a score where it wins over the metal's class, 0 elsewhere.
    edge_mm : (rows, columns) float32
        Distance to the nearest drawn edge.
    px_per_mm : float
    """
    is_likely = likely > 0
    if not is_likely.any():
        return
    width = round(_GAP_MM * px_per_mm) | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    joined = cv2.dilate(is_likely.astype(np.uint8), disc)
    _, parts, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    reach = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) / px_per_mm
    for k in np.flatnonzero(reach >= _LEAST_LENGTH_MM):
        if k == 0:
            continue
        x, y, w, h = stats[k, :4]
        window = (slice(y, y + h), slice(x, x + w))
        rows, cols = np.nonzero((parts[window] == k) & is_likely[window])
        at = (rows + y, cols + x)
        if (edge_mm[at] < _EDGE_MM).mean() > _MOST_AT_EDGE:
            continue
        if is_score_shaped(cols / px_per_mm, rows / px_per_mm, len(rows) / px_per_mm**2):
            codes[at] = SurfaceClass.SCORE
            confidence[at] = np.minimum(likely[at], 1)
