"""The geometry of one SVG element: its lengths, its transform and its rings, in the element's own units."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import DrawingError
from .svg_path import MAX_COORDINATE, NUMBER, Ring, ellipse_points, parse_path

__all__ = ["CURVE_TOLERANCE_MM", "LENGTH", "UNIT_MM", "element_matrix", "element_rings", "floats"]

CURVE_TOLERANCE_MM = 0.0005
"""Curves are flattened this finely, half of the 1 um that a round trip may cost."""

UNIT_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6, "px": 25.4 / 96, "q": 0.25}
LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Z%]*)\s*")
_TRANSFORM = re.compile(r"\s*,?\s*([a-zA-Z]+)\s*\(([^()]*)\)\s*")


def _number(text: str | None, where: str, default: float = 0.0) -> float:
    """A length in user units; absolute units are CSS pixels' worth of user units."""
    if text is None:
        return default
    match = LENGTH.fullmatch(text[:80])
    unit = match[2].lower() if match else ""
    if match is None or (unit and unit not in UNIT_MM):
        raise DrawingError(f"{where}: {text[:40]!r} is not a length")
    value = float(match[1]) * (UNIT_MM[unit] / UNIT_MM["px"] if unit else 1.0)
    if not abs(value) < MAX_COORDINATE:
        raise DrawingError(f"{where}: {text[:40]!r} is too large for a plate")
    return value


def floats(text: str, where: str) -> list[float]:
    """The numbers of an attribute, which need no gap before a sign or a second point ("0-1", "5.5.5")."""
    if re.search(r"[^\s,]", NUMBER.sub(" ", text)):
        raise DrawingError(f"{where}: expected numbers, got {text[:40]!r}")
    values = [float(v) for v in NUMBER.findall(text)]
    if not all(abs(v) < MAX_COORDINATE for v in values):
        raise DrawingError(f"{where}: a number is too large for a plate, or is not one")
    return values


def element_matrix(text: str | None, where: str) -> NDArray[np.float64]:
    """A transform attribute as a 3x3 matrix."""
    out = np.eye(3)
    position = 0
    text = text or ""
    if len(text) > 20_000:
        raise DrawingError(f"{where}: a transform of {len(text)} characters")
    while position < len(text.rstrip()):
        match = _TRANSFORM.match(text, position)
        if match is None:
            raise DrawingError(f"{where}: transform {text[:40]!r} is not understood")
        out = out @ _one_transform(match[1], floats(match[2], where), where)
        position = match.end()
    return out


def _one_transform(name: str, v: list[float], where: str) -> NDArray[np.float64]:
    if name == "matrix" and len(v) == 6:
        return np.array([[v[0], v[2], v[4]], [v[1], v[3], v[5]], [0, 0, 1.0]])
    if name == "translate" and len(v) in (1, 2):
        return np.array([[1, 0, v[0]], [0, 1, v[1] if len(v) == 2 else 0.0], [0, 0, 1]])
    if name == "scale" and len(v) in (1, 2):
        return np.diag([v[0], v[-1], 1.0])
    if name == "rotate" and len(v) in (1, 3):
        c, s = math.cos(math.radians(v[0])), math.sin(math.radians(v[0]))
        turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        if len(v) == 3:
            move = np.array([[1, 0, v[1]], [0, 1, v[2]], [0, 0, 1.0]])
            turn = move @ turn @ np.linalg.inv(move)
        return turn
    if name in ("skewX", "skewY") and len(v) == 1:
        out = np.eye(3)
        out[(0, 1) if name == "skewX" else (1, 0)] = math.tan(math.radians(v[0]))
        return out
    raise DrawingError(f"{where}: transform {name}({len(v)} numbers) is not understood")


def element_rings(element: Any, kind: str, scale: float, where: str) -> list[Ring]:
    tolerance = CURVE_TOLERANCE_MM / scale if scale > 0 else 1.0

    def at(name: str) -> float:
        return _number(element.get(name), f"{where}: {name}")

    if kind == "path":
        return parse_path(element.get("d", ""), tolerance, where)
    if kind in ("polygon", "polyline"):
        values = floats(element.get("points", ""), where)
        if len(values) % 2 or len(values) < 4:
            raise DrawingError(f"{where}: points must be pairs of numbers")
        ring = np.array(values).reshape(-1, 2)
        return [(ring, kind == "polygon" or bool(np.allclose(ring[0], ring[-1], rtol=0, atol=tolerance)))]
    if kind == "line":
        return [(np.array([[at("x1"), at("y1")], [at("x2"), at("y2")]]), False)]
    if kind in ("circle", "ellipse"):
        rx, ry = (at("r"), at("r")) if kind == "circle" else (at("rx"), at("ry"))
        if not (rx > 0 and ry > 0):
            raise DrawingError(f"{where}: a {kind} needs a radius above 0")
        return [(ellipse_points(at("cx"), at("cy"), rx, ry, tolerance), True)]
    x, y, w, h = at("x"), at("y"), at("width"), at("height")
    if not (w > 0 and h > 0):
        raise DrawingError(f"{where}: a rect needs width and height above 0")
    # One radius that is not given is the other; one of 0 leaves the corners sharp.
    rx, ry = (at(one if element.get(one) else other) for one, other in (("rx", "ry"), ("ry", "rx")))
    rx, ry = min(rx, w / 2), min(ry, h / 2)
    if rx <= 0 or ry <= 0:
        return [(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]), True)]
    d = (
        f"M{x + rx},{y} H{x + w - rx} a{rx},{ry} 0 0 1 {rx},{ry} V{y + h - ry} a{rx},{ry} 0 0 1 {-rx},{ry} "
        f"H{x + rx} a{rx},{ry} 0 0 1 {-rx},{-ry} V{y + ry} a{rx},{ry} 0 0 1 {rx},{-ry} Z"
    )
    return parse_path(d, tolerance, where)
