"""Scores: long, thin, gently bent lines; what is likely one but has not that shape is none."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from .arcs import off_fullest_arc
from .axes import axes_of
from .follow import run_on
from .lay import is_lay, is_stroke
from .morphology import disc
from .parts import large_parts

__all__ = ["find_scores", "is_score_shaped", "lines_in_web", "put_scores"]

_LEAST_LENGTH_MM = 8.0
"""Debris that scores a face is dragged along it; of shorter lines more are the rim of something that dried there (five
of eight of 6 to 8 mm). House choice, as all below, made on renders of seeds 7101 and 7103 and the development photos."""
_MOST_WIDTH_MM = 0.9
"""A photo at 3 px per mm shows a line of 0.3 mm about this wide."""
_MOST_OFF_MM = 0.11
"""Root mean square distance of the line's middle from a parabola: outlines of stains wind, a score does not."""
_LEAST_RADIUS_MM = 40.0
"""Debris is dragged along nearly straight, or with the rotor about the plate; tighter arcs are written, or rims of drops."""
_GAP_MM = 0.6
"""Pieces of one line, this far apart, count as one."""
_LEAST_PIECE_MM2 = 0.2
"""Crumbs at the ends of a line are no scores of their own."""
_LEAST_IN_WEB_MM, _MOST_IN_WEB = 12.0, 4
"""Lines that cross, or that run through a stain's outline, are taken out one by one: at least so long, at most so many."""
_MOST_BESIDE = 0.5
"""Of such a line's area, what else of the piece may lie within a line's width of it; a broad band has more."""
_FAINT, _LEAST_STROKE_MM = 0.22, 3.0
"""Pieces of what is so many times as likely as the metal, so long, tell which way the strokes of a lap run."""
_EDGE_MM, _MOST_AT_EDGE = 1.5, 0.4
"""A line that runs along a drawn edge is the edge: its chamfer, its shadow."""


def is_score_shaped(at_mm: NDArray[np.float64], area_mm2: float) -> bool:
    """True when these places lie along one long, thin, gently bent line.

    Parameters
    ----------
    at_mm : (n, 2) float64
        Places of the metal that is likely scored, mm.
    area_mm2 : float
        Of all of it.
    """
    along, across = axes_of(at_mm).split(at_mm)
    length = float(np.ptp(along))
    if length < _LEAST_LENGTH_MM or area_mm2 > _MOST_WIDTH_MM * length:
        return False
    bend = np.polyfit(along, across, 2)
    if 2 * abs(bend[0]) > 1 / _LEAST_RADIUS_MM:
        return False
    off = across - np.polyval(bend, along)
    # a straight line of width w has places up to w / 2 off its middle: w^2 / 12 in the mean square
    winding = float((off**2).mean()) - (area_mm2 / length) ** 2 / 12
    return winding <= _MOST_OFF_MM**2


def lines_in_web(at_mm: NDArray[np.float64], px_per_mm: float) -> list[NDArray[np.intp]]:
    """Scores that cross one another or something else.

    Parameters
    ----------
    at_mm : (n, 2) float64
        Places of one connected piece, mm, on a raster of `px_per_mm`.

    Returns
    -------
    list of (m,) int arrays
        Of each score, which places are its own.
    """
    taken, left = [], np.ones(len(at_mm), bool)
    rng = np.random.default_rng(1)
    for _ in range(_MOST_IN_WEB):
        if left.sum() < _LEAST_IN_WEB_MM * px_per_mm:
            break
        half = _MOST_WIDTH_MM / 2
        off = off_fullest_arc(at_mm[left], half, _LEAST_RADIUS_MM, rng)
        if off is None:
            break
        fits = off <= half
        if (off <= 2 * half).sum() - fits.sum() > _MOST_BESIDE * fits.sum():
            break
        line = np.flatnonzero(left)[fits]
        line = line[_longest_piece(at_mm[line], px_per_mm)]
        left[line] = False
        if np.hypot(*np.ptp(at_mm[line], axis=0)) < _LEAST_IN_WEB_MM:
            break
        if is_score_shaped(at_mm[line], len(line) / px_per_mm**2):
            taken.append(line)
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


def _pieces(is_it: NDArray[np.uint8], least_mm: float, px_per_mm: float) -> Iterator[NDArray[np.int64]]:
    """Pixels (n, 2), column and row, of every piece that reaches so far, small gaps closed."""
    joined = cv2.dilate(is_it, disc(_GAP_MM, px_per_mm))
    _, parts, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    reach = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) / px_per_mm
    for k in 1 + np.flatnonzero(reach[1:] >= least_mm):
        x, y, w, h = stats[k, :4]
        window = (slice(y, y + h), slice(x, x + w))
        yield np.argwhere((parts[window] == k) & (is_it[window] > 0))[:, ::-1] + (x, y)


def find_scores(
    ratio: NDArray[np.float32], edge_mm: NDArray[np.float32], px_per_mm: float
) -> NDArray[np.bool_] | None:
    """What is likely scored and has the shape of a score.

    Parameters
    ----------
    ratio : (rows, columns) float32
        How many times as likely as the metal's class a score is, weights included; 1 and more is likely.
    edge_mm : (rows, columns) float32
        Distance to the nearest drawn edge; 0 off the metal.
    px_per_mm : float

    Returns
    -------
    (rows, columns) bool or None
        None where there is none.
    """
    is_likely = (ratio > 1).view(np.uint8)
    if not is_likely.any():
        return None
    scored = np.zeros(ratio.shape, np.uint8)
    lines: list[NDArray[np.int64]] = []
    for px in _pieces(is_likely, _LEAST_LENGTH_MM, px_per_mm):
        away = edge_mm[px[:, 1], px[:, 0]] >= _EDGE_MM
        if away.mean() < 1 - _MOST_AT_EDGE:
            continue
        if is_score_shaped(px / px_per_mm, len(px) / px_per_mm**2):
            lines.append(px)
        else:
            lines += [px[one] for one in lines_in_web(px / px_per_mm, px_per_mm)]
    if not lines:
        return None
    faint = _pieces((ratio > _FAINT).view(np.uint8), _LEAST_STROKE_MM, px_per_mm)
    strokes = [axes for axes in (axes_of(px / px_per_mm) for px in faint) if is_stroke(axes)]
    for line in lines:
        if is_lay(line / px_per_mm, float(np.median(ratio[line[:, 1], line[:, 0]])), strokes):
            continue
        low, high = line.min(0), line.max(0) + 1
        own = np.zeros((high - low)[::-1], np.uint8)
        own[tuple((line - low).T[::-1])] = 1
        scored[low[1] : high[1], low[0] : high[0]] |= large_parts(own, _LEAST_PIECE_MM2 * px_per_mm**2)
        run_on(scored, line / px_per_mm, ratio, edge_mm, px_per_mm)
    return scored.view(bool)


def put_scores(
    codes: NDArray[np.uint8],
    confidence: NDArray[np.float32],
    scored: NDArray[np.bool_] | None,
    ratio: NDArray[np.float32],
    is_metal: NDArray[np.bool_],
) -> None:
    """Give the code SCORE, in place, to scored metal; a pit that a score only seems to run on through stays a pit.

    Parameters
    ----------
    codes, confidence : (rows, columns)
        What the metal is without scores.
    scored, ratio : (rows, columns)
        From and for :func:`find_scores`.
    is_metal : (rows, columns) bool
    """
    if scored is None:
        return
    x, y, w, h = cv2.boundingRect(scored.view(np.uint8))
    window = (slice(y, y + h), slice(x, x + w))
    likely, code = ratio[window], codes[window]
    now = scored[window] & is_metal[window] & ((likely > 1) | (code != SurfaceClass.PIT))
    code[now] = SurfaceClass.SCORE
    confidence[window][now] = likely[now] / (1 + likely[now])
