"""Scores: long, thin, gently bent lines; what is likely one but has not that shape is none."""

from __future__ import annotations

import warnings

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import CircleModel, ransac

from ..classes import SurfaceClass
from .morphology import disc
from .parts import large_parts

__all__ = ["is_score_shaped", "lines_in_web", "put_scores"]

_LEAST_LENGTH_MM = 8.0
"""Debris that scores a face is dragged along it; of shorter lines more are the rim of something that dried there (five
of eight of 6 to 8 mm). House choice, as all below, made on renders of seeds 7101 and 7103 and the development photos."""
_MOST_WIDTH_MM = 0.9
"""A photo at 3 px per mm shows a line of 0.3 mm about this wide."""
_MOST_OFF_MM = 0.11
"""Root mean square distance of the line's middle from a parabola: outlines of stains wind, a score does not."""
_GAP_MM = 0.6
"""Pieces of one line, this far apart, count as one."""
_LEAST_PIECE_MM2 = 0.2
"""Crumbs at the ends of a line are no scores of their own."""
_LEAST_IN_WEB_MM, _MOST_IN_WEB = 12.0, 4
"""Lines that cross, or that run through a stain's outline, are taken out one by one: at least so long, at most so many."""
_MOST_BESIDE = 0.5
"""Of such a line's area, what else of the piece may lie within a line's width of it; a broad band has more."""
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


def lines_in_web(x_mm: NDArray[np.float64], y_mm: NDArray[np.float64], px_per_mm: float) -> NDArray[np.bool_]:
    """Which places lie on scores that cross one another or something else.

    Parameters
    ----------
    x_mm, y_mm : (n,) float64
        Places of one connected piece, mm, on a raster of `px_per_mm`.

    Returns
    -------
    (n,) bool
    """
    at = np.column_stack([x_mm, y_mm])
    taken, left = np.zeros(len(at), bool), np.ones(len(at), bool)
    for _ in range(_MOST_IN_WEB):
        if left.sum() < _LEAST_IN_WEB_MM * px_per_mm:
            break
        half = _MOST_WIDTH_MM / 2
        with warnings.catch_warnings():
            # that no circle fits is an answer here, nothing to tell the user of
            warnings.filterwarnings("ignore", "No inliers found", UserWarning)
            circle, fits = ransac(
                at[left], CircleModel, min_samples=3, residual_threshold=half, max_trials=300, rng=1
            )
        if fits is None or not fits.any():
            break
        beside = circle.residuals(at[left]) <= 2 * half
        if beside.sum() - fits.sum() > _MOST_BESIDE * fits.sum():
            break
        line = np.flatnonzero(left)[fits]
        line = line[_longest_piece(at[line], px_per_mm)]
        left[line] = False
        x, y = at[line].T
        length = float(np.hypot(np.ptp(x), np.ptp(y)))
        if length < _LEAST_IN_WEB_MM:
            break
        if is_score_shaped(x, y, len(line) / px_per_mm**2):
            taken[line] = True
    return taken


def _longest_piece(at: NDArray[np.float64], px_per_mm: float) -> NDArray[np.bool_]:
    """Which of these places belong to their largest connected piece, gaps closed."""
    px = np.round(at * px_per_mm).astype(int)
    px -= px.min(0) - 1
    raster = np.zeros((px[:, 1].max() + 2, px[:, 0].max() + 2), np.uint8)
    raster[px[:, 1], px[:, 0]] = 1
    _, parts = cv2.connectedComponents(cv2.dilate(raster, disc(_GAP_MM, px_per_mm)), connectivity=8)
    of = parts[px[:, 1], px[:, 0]]
    return of == np.bincount(of).argmax()


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
    joined = cv2.dilate(is_likely.astype(np.uint8), disc(_GAP_MM, px_per_mm))
    _, parts, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    reach = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) / px_per_mm
    for k in 1 + np.flatnonzero(reach[1:] >= _LEAST_LENGTH_MM):
        x, y, w, h = stats[k, :4]
        window = (slice(y, y + h), slice(x, x + w))
        rows, cols = np.nonzero((parts[window] == k) & is_likely[window])
        away = edge_mm[rows + y, cols + x] >= _EDGE_MM
        if away.mean() < 1 - _MOST_AT_EDGE:
            continue
        x_mm, y_mm = cols / px_per_mm, rows / px_per_mm
        if is_score_shaped(x_mm, y_mm, len(rows) / px_per_mm**2):
            on_line = np.ones(len(rows), bool)
        else:
            on_line = lines_in_web(x_mm, y_mm, px_per_mm)
        if on_line.any():
            line = np.zeros((h, w), np.uint8)
            line[rows[on_line], cols[on_line]] = 1
            rows, cols = np.nonzero(large_parts(line, _LEAST_PIECE_MM2 * px_per_mm**2))
            at = (rows + y, cols + x)
            codes[at] = SurfaceClass.SCORE
            confidence[at] = np.minimum(likely[at], 1)
