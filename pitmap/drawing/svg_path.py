"""The ``d`` of an SVG path (SVG 1.1, section 8.3) as rings of points, curves flattened to a tolerance.

Written here, not taken from a general path library, because a drawing file comes from anywhere: the work is
bounded, and what is wrong is said with its place.
"""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import NDArray

from ..errors import DrawingError

__all__ = ["Ring", "arc_points", "ellipse_points", "parse_path"]

MAX_POINTS = 2_000_000
"""Corners of one drawing; a plate at 1 um tolerance has some thousands."""
MAX_COORDINATE = 1e7

_TOKEN = re.compile(
    r"([MmLlHhVvCcSsQqTtAaZz])|([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)|([\s,]+)|(.)", re.S
)
_ARGUMENTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7}

Ring = tuple[NDArray[np.float64], bool]
"""Points (N, 2) in the path's own units, and whether the path closed it."""


def _steps(size: float, tolerance: float) -> int:
    """Pieces for a curve whose second difference is `size`: a chord of a parabola errs by size / 8 n^2."""
    return (
        int(min(2000, max(1, math.ceil(math.sqrt(size / (8 * tolerance)))))) if math.isfinite(size) else 2000
    )


def _cubic(p: NDArray[np.float64], tolerance: float) -> NDArray[np.float64]:
    bend = 6 * max(np.hypot(*(p[0] - 2 * p[1] + p[2])), np.hypot(*(p[1] - 2 * p[2] + p[3])))
    t = np.linspace(0, 1, _steps(float(bend), tolerance) + 1)[1:, None]
    return (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]


def ellipse_points(cx: float, cy: float, rx: float, ry: float, tolerance: float) -> NDArray[np.float64]:
    """A whole ellipse as points (N, 2), first one not repeated."""
    n = _arc_steps(max(rx, ry), 2 * math.pi, tolerance)
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.stack([cx + rx * np.cos(t), cy + ry * np.sin(t)], -1)


def _arc_steps(radius: float, sweep: float, tolerance: float) -> int:
    step = 2 * math.acos(max(0.5, 1 - tolerance / radius)) if radius > tolerance else 1.0
    return int(min(20_000, max(2, math.ceil(abs(sweep) / step))))


def arc_points(
    start: NDArray[np.float64], radii: tuple[float, float], turn_deg: float, large: bool, sweep: bool,
    end: NDArray[np.float64], tolerance: float,
) -> NDArray[np.float64]:  # fmt: skip
    """An SVG arc as points after its start (SVG 1.1, appendix F.6: from endpoints to centre)."""
    rx, ry = abs(radii[0]), abs(radii[1])
    if rx == 0 or ry == 0 or np.allclose(start, end, rtol=0, atol=1e-12):
        return end[None]
    phi = math.radians(turn_deg % 360)
    c, s = math.cos(phi), math.sin(phi)
    turn = np.array([[c, s], [-s, c]])
    x, y = turn @ ((start - end) / 2)
    grow = (x / rx) ** 2 + (y / ry) ** 2
    if grow > 1:
        rx, ry = rx * math.sqrt(grow), ry * math.sqrt(grow)
    under = (rx * ry) ** 2 - (rx * y) ** 2 - (ry * x) ** 2
    k = math.sqrt(max(0.0, under / ((rx * y) ** 2 + (ry * x) ** 2)))
    k = -k if large == sweep else k
    centre_turned = np.array([k * rx * y / ry, -k * ry * x / rx])
    centre = turn.T @ centre_turned + (start + end) / 2
    a0 = math.atan2((y - centre_turned[1]) / ry, (x - centre_turned[0]) / rx)
    a1 = math.atan2((-y - centre_turned[1]) / ry, (-x - centre_turned[0]) / rx)
    da = (a1 - a0) % (2 * math.pi)
    if not sweep:
        da -= 2 * math.pi
    n = _arc_steps(max(rx, ry), da, tolerance)
    a = a0 + da * np.arange(1, n + 1) / n
    points = np.stack([rx * np.cos(a), ry * np.sin(a)], -1) @ turn + centre
    points[-1] = end
    return points


def _tokens(d: str, where: str) -> list[tuple[str, list[float]]]:
    """Commands with their numbers; arc flags may be written without a gap ("a1 1 0 012 3")."""
    out: list[tuple[str, list[float]]] = []
    position = 0
    while position < len(d):
        match = _TOKEN.match(d, position)
        assert match is not None
        if match[4]:
            raise DrawingError(
                f"{where}: path data has {match[4]!r} at character {position}, which is no command"
            )
        if match[1]:
            out.append((match[1], []))
        elif match[2]:
            if not out:
                raise DrawingError(f"{where}: path data must begin with M")
            command, numbers = out[-1]
            if command in "Aa" and len(numbers) % 7 in (3, 4):
                if match[2][0] not in "01":
                    raise DrawingError(f"{where}: an arc flag in the path data is {match[2]!r}, not 0 or 1")
                numbers.append(float(match[2][0]))
                position += 1
                continue
            numbers.append(float(match[2]))
            if not abs(numbers[-1]) < MAX_COORDINATE:
                raise DrawingError(
                    f"{where}: path data has the number {match[2][:20]}, too large for a plate"
                )
        position = match.end()
    return out


def parse_path(d: str, tolerance: float, where: str) -> list[Ring]:
    """Rings of a path.

    Parameters
    ----------
    d : str
        Path data.
    tolerance : float
        Greatest distance between curve and chord, in the path's units.
    where : str
        What to call the element in messages.

    Returns
    -------
    list of (points, is_closed)
        ``Z`` closes; so does coming back to the start.

    Raises
    ------
    DrawingError
        Data that are no path, numbers too large, too many points.
    """
    rings: list[Ring] = []
    points: list[NDArray[np.float64]] = []
    here = np.zeros(2)
    start = np.zeros(2)
    handle: NDArray[np.float64] | None = None
    last = ""
    n_points = 0

    def end_ring(closed: bool) -> None:
        if points:
            ring = np.vstack(points)
            if len(ring) > 1:
                closed = closed or bool(np.hypot(*(ring[0] - ring[-1])) <= tolerance)
                rings.append((ring, closed))
            points.clear()

    for command, numbers in _tokens(d, where):
        kind = command.upper()
        relative = command.islower()
        if kind == "Z":
            end_ring(True)
            here, last, handle = start.copy(), "Z", None
            continue
        size = _ARGUMENTS[kind]
        if not numbers or len(numbers) % size:
            raise DrawingError(
                f"{where}: path command {command} wants {size} numbers each time, has {len(numbers)}"
            )
        for i in range(0, len(numbers), size):
            v = np.array(numbers[i : i + size])
            base = here if relative else np.zeros(2)
            if kind == "M" and i == 0:
                end_ring(False)
                here = start = base + v
                points.append(here[None])
                last, handle = "M", None
                continue
            if not points:
                if last != "Z":
                    raise DrawingError(f"{where}: path data must begin with M")
                points.append(here[None])
            if kind in "ML":
                piece, new_handle = (base + v)[None], None
            elif kind == "H":
                piece, new_handle = np.array([[v[0] + base[0], here[1]]]), None
            elif kind == "V":
                piece, new_handle = np.array([[here[0], v[0] + base[1]]]), None
            elif kind == "A":
                piece = arc_points(here, (v[0], v[1]), v[2], bool(v[3]), bool(v[4]), base + v[5:], tolerance)
                new_handle = None
            else:
                pairs = v.reshape(-1, 2) + base
                smooth = (
                    handle if handle is not None and last in {"S": "CS", "T": "QT"}.get(kind, "") else here
                )
                if kind in "ST":
                    pairs = np.vstack([2 * here - smooth, pairs])
                new_handle = pairs[-2]
                if kind in "QT":
                    pairs = np.stack(
                        [here + 2 / 3 * (pairs[0] - here), pairs[1] + 2 / 3 * (pairs[0] - pairs[1]), pairs[1]]
                    )
                piece = _cubic(np.vstack([here, pairs]), tolerance)
            points.append(piece)
            n_points += len(piece)
            if n_points > MAX_POINTS:
                raise DrawingError(f"{where}: more than {MAX_POINTS} points, which is no plate drawing")
            here, handle, last = piece[-1], new_handle, kind
    end_ring(False)
    return rings
