"""Straight lines and circular arcs in a traced contour, where they fit within its error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from .cameras import fit_circle

__all__ = ["Stretch", "find_stretches", "with_stretches"]

_LEAST_LINE_MM, _LEAST_ARC_MM = 12.0, 10.0
"""Shorter lines and arcs than these are left to the smooth curve: a few edge places fit anything (house choice)."""
_LEAST_PLACES = 10
_LEAST_TURN = 0.35
"""An arc turns by 20 degrees at least; a flatter one cannot be told from a line."""
_SMALLEST_MM, _LARGEST_MM = 1.5, 400.0
_OUTLIER = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A line or an arc from one place of a contour to another.

    Parameters
    ----------
    kind : {"line", "arc"}
    first, last : int
        Places of the contour; `last` may be smaller than `first` where the stretch passes the contour's start.
    a, b : (float, float)
        For a line a point and the unit direction; for an arc the centre, and (radius, 0).
    rms_mm : float
        Of the places about it.
    """

    kind: str
    first: int
    last: int
    a: tuple[float, float]
    b: tuple[float, float]
    rms_mm: float

    def nearest(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """The points (N, 2) of the line or arc nearest to given ones."""
        d = points - self.a
        if self.kind == "line":
            return np.asarray(self.a) + (d @ np.asarray(self.b))[:, None] * np.asarray(self.b)
        return np.asarray(self.a) + self.b[0] * d / np.hypot(*d.T)[:, None]


def _line(p: NDArray[np.float64]) -> tuple[tuple[float, float], tuple[float, float], NDArray[np.float64]]:
    """Total least squares."""
    m = p.mean(0)
    _, _, v = np.linalg.svd(p - m, full_matrices=False)
    return (float(m[0]), float(m[1])), (float(v[0, 0]), float(v[0, 1])), (p - m) @ v[1]


def _arc(p: NDArray[np.float64]) -> tuple[tuple[float, float], tuple[float, float], NDArray[np.float64]]:
    """Geometric circle: a few Gauss-Newton steps from the algebraic one."""
    x = fit_circle(p)
    for _ in range(4):
        d = p - x[:2]
        r = np.maximum(np.hypot(*d.T), 1e-9)
        step = np.linalg.lstsq(np.column_stack([d / r[:, None], np.ones(len(p))]), r - x[2], rcond=None)[0]
        x = x + step
    return (float(x[0]), float(x[1])), (float(x[2]), 0.0), np.hypot(*(p - x[:2]).T) - x[2]


def _fit(p: NDArray[np.float64], tolerance: float) -> tuple | None:
    """The simpler of line and arc that fits points within the tolerance, or None."""
    length = float(np.hypot(*np.diff(p, axis=0).T).sum())
    for kind, fit, least in (("line", _line, _LEAST_LINE_MM), ("arc", _arc, _LEAST_ARC_MM)):
        if length < least:
            continue
        a, b, off = fit(p)
        if kind == "arc" and not (_SMALLEST_MM < b[0] < _LARGEST_MM and length / b[0] > _LEAST_TURN):
            continue
        rms = float(np.sqrt((off**2).mean()))
        # Systematic bows give runs of one sign: the means of thirds must not leave the line either.
        thirds = [abs(float(part.mean())) for part in np.array_split(off, 5)]
        if rms < tolerance and np.abs(off).max() < _OUTLIER * tolerance and max(thirds) < tolerance:
            return kind, a, b, rms
    return None


def find_stretches(points: NDArray[np.float64], tolerance_mm: float) -> list[Stretch]:
    """Lines and arcs along a closed contour, longest first taken, none overlapping.

    Parameters
    ----------
    points : (N, 2) array
        Closed, about evenly spaced, mm.
    tolerance_mm : float
        What the traced places scatter by about their true edge: the root mean square that a stretch may have.

    Returns
    -------
    list of Stretch
        In the order of the contour. Empty where nothing fits.

    Notes
    -----
    From every place in turn the longest line or arc is grown by doubling and bisection, the longest of all is kept,
    and the search goes on with the places that are left (total least squares; house choice of the greedy order).
    """
    n = len(points)
    free = np.ones(n, bool)
    stride = max(1, n // 150)
    best: dict[int, tuple[int, tuple]] = {}

    def grow(i: int) -> tuple[int, tuple] | None:
        room = int(np.argmin(np.r_[np.roll(free, -i), False]))
        if room < _LEAST_PLACES:
            return None
        low, found, high = 0, None, min(room, n - 1)
        size = _LEAST_PLACES
        while size <= high:
            got = _fit(points[np.arange(i, i + size) % n], tolerance_mm)
            length = size * float(np.hypot(*(points[(i + 1) % n] - points[i])))
            if got is None and length > 2 * _LEAST_LINE_MM:
                high = size - 1
                break
            if got is not None:
                low, found = size, got
            if size == high:
                break
            size = min(2 * size, high)
        while found is not None and high - low > 1:
            middle = (low + high) // 2
            got = _fit(points[np.arange(i, i + middle) % n], tolerance_mm)
            if got is None:
                high = middle
            else:
                low, found = middle, got
        return None if found is None else (low, found)

    for i in range(0, n, stride):
        got = grow(i)
        if got is not None:
            best[i] = got
    out: list[Stretch] = []
    while best:
        i = max(best, key=lambda k: best[k][0])
        size, (kind, a, b, rms) = best.pop(i)
        at = np.arange(i, i + size) % n
        if not free[at].all():
            got = grow(i) if free[i] else None
            if got is not None:
                best[i] = got
            continue
        free[at] = False
        out.append(Stretch(kind=kind, first=i, last=int(at[-1]), a=a, b=b, rms_mm=rms))
    return sorted(out, key=lambda s: s.first)


def with_stretches(points: NDArray[np.float64], stretches: list[Stretch]) -> NDArray[np.float64]:
    """The contour with the places of every stretch put on it; unchanged where that would make it cross itself."""
    out = points.copy()
    n = len(points)
    for s in stretches:
        size = (s.last - s.first) % n + 1
        at = np.arange(s.first, s.first + size) % n
        out[at] = s.nearest(points[at])
    return out if Polygon(out).is_valid or not Polygon(points).is_valid else points
