"""The ``d`` of an SVG path (SVG 1.1, section 8.3) as rings of points, curves flattened to a tolerance.

Written here, not taken from a general path library, because a drawing file comes from anywhere: the work is
bounded, and what is wrong is said with its place.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ..errors import DrawingError

__all__ = ["NUMBER", "Ring", "arc_points", "ellipse_points", "parse_path"]

MAX_POINTS = 200_000
"""Corners of one drawing; a plate at 1 um tolerance has some thousands."""
MAX_COORDINATE = 1e7

_COMMAND = re.compile(r"([MmLlHhVvCcSsQqTtAaZz])([^MmLlHhVvCcSsQqTtAaZz]*)")
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_ARGUMENTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}
_FAMILY = {"C": "", "S": "CS", "Q": "", "T": "QT"}
"""Commands whose handle a smooth curve reflects."""

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


def _floats(texts: list[str], where: str) -> NDArray[np.float64]:
    values = np.array(texts, float)
    if not (np.abs(values) < MAX_COORDINATE).all():
        worst = texts[int(np.argmax(~(np.abs(values) < MAX_COORDINATE)))]
        raise DrawingError(f"{where}: path data has the number {worst[:20]}, too large for a plate")
    return values


def _arc_numbers(text: str, where: str) -> list[str]:
    """Numbers of arcs, whose two flags may be written without a gap ("a1 1 0 012 3")."""
    out: list[str] = []
    position = 0
    while match := NUMBER.search(text, position):
        if len(out) % 7 in (3, 4):
            if match[0][0] not in "01":
                raise DrawingError(f"{where}: an arc flag in the path data is {match[0]!r}, not 0 or 1")
            out.append(match[0][0])
            position = match.start() + 1
        else:
            out.append(match[0])
            position = match.end()
    return out


def _commands(d: str, where: str) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Each command with its numbers, (k, size)."""
    head = _COMMAND.search(d)
    if d[: head.start() if head else len(d)].strip(" \t\r\n,"):
        raise DrawingError(f"{where}: path data must begin with M")
    for match in _COMMAND.finditer(d):
        command, text = match[1], match[2]
        odd = NUMBER.sub("", text).strip(" \t\r\n,")
        rest = [c for c in odd if c not in " \t\r\n,"]
        if rest:
            raise DrawingError(f"{where}: path data has {rest[0]!r} after {command}, which is no command")
        kind = command.upper()
        texts = _arc_numbers(text, where) if kind == "A" else NUMBER.findall(text)
        size = _ARGUMENTS[kind]
        if (size == 0 and texts) or (size and (not texts or len(texts) % size)):
            raise DrawingError(
                f"{where}: path command {command} wants {size} numbers each time, has {len(texts)}"
            )
        yield command, _floats(texts, where).reshape(-1, size) if size else np.empty((1, 0))


def _straight(
    kind: str, rows: NDArray[np.float64], here: NDArray[np.float64], is_relative: bool
) -> NDArray[np.float64]:
    """Ends of straight pieces (k, 2), all of one command at once."""
    if kind == "L":
        return here + np.cumsum(rows, 0) if is_relative else rows
    axis = 0 if kind == "H" else 1
    out = np.repeat(here[None], len(rows), 0)
    out[:, axis] = here[axis] + np.cumsum(rows[:, 0]) if is_relative else rows[:, 0]
    return out


def _as_cubic(here: NDArray[np.float64], pairs: NDArray[np.float64]) -> NDArray[np.float64]:
    """Four points of a cubic from its start and the handles and end of a cubic or a quadratic."""
    if len(pairs) == 2:
        q, end = pairs
        pairs = np.stack([here + 2 / 3 * (q - here), end + 2 / 3 * (q - end), end])
    return np.vstack([here, pairs])


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

    for command, rows in _commands(d, where):
        kind = command.upper()
        if kind == "Z":
            end_ring(True)
            here, last, handle = start.copy(), "Z", None
            continue
        if kind == "M":
            end_ring(False)
            here = start = rows[0] + (here if command == "m" else 0)
            points.append(here[None])
            last, handle = "M", None
            rows, kind = rows[1:], "L"
            if not len(rows):
                continue
        if not points:
            if last != "Z":
                raise DrawingError(f"{where}: path data must begin with M")
            points.append(here[None])
        if kind in "LHV":
            piece = _straight(kind, rows, here, command.islower())
            points.append(piece)
            n_points += len(piece)
            here, handle, last = piece[-1], None, "L"
            rows = rows[:0]
        for v in rows:
            base = here if command.islower() else np.zeros(2)
            if kind == "A":
                end = base + v[5:]
                piece = arc_points(here, (v[0], v[1]), v[2], bool(v[3]), bool(v[4]), end, tolerance)
                handle = None
            else:
                pairs = v.reshape(-1, 2) + base
                smooth = handle if handle is not None and last in _FAMILY[kind] else here
                if kind in "ST":
                    pairs = np.vstack([2 * here - smooth, pairs])
                handle = pairs[-2]
                piece = _cubic(_as_cubic(here, pairs), tolerance)
            points.append(piece)
            n_points += len(piece)
            if n_points > MAX_POINTS:
                break
            here, last = piece[-1], kind
        if n_points > MAX_POINTS:
            raise DrawingError(f"{where}: more than {MAX_POINTS} points, which is no plate drawing")
    end_ring(False)
    return rings
