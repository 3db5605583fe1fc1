"""The shapes of an SVG file in millimetres, with what they are called; says nothing yet about what they mean.

Nothing is fetched and nothing is run: entities, document types, scripts, external references and embedded
pages are refused by name.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import numpy as np
from defusedxml import ElementTree
from defusedxml.common import DefusedXmlException
from numpy.typing import NDArray

from ..errors import DrawingError
from .svg_path import MAX_COORDINATE, MAX_POINTS, Ring, ellipse_points, parse_path
from .svg_style import style_rules, styled

__all__ = ["CURVE_TOLERANCE_MM", "SvgShape", "read_svg_shapes"]

CURVE_TOLERANCE_MM = 0.0005
"""Curves are flattened this finely, half of the 1 um that a round trip may cost."""

_MAX_BYTES = 16_000_000
_MAX_ELEMENTS = 50_000
_MAX_DEPTH = 100
_UNIT_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6, "px": 25.4 / 96, "q": 0.25}
_LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Z%]*)\s*")
_TRANSFORM = re.compile(r"\s*,?\s*([a-zA-Z]+)\s*\(([^()]*)\)\s*")
_REFUSED = {
    "script": "a script", "foreignObject": "an embedded page", "iframe": "an embedded page",
    "use": "a reference (use); expand clones first", "animate": "an animation", "set": "an animation",
    "handler": "a script", "animateTransform": "an animation", "animateMotion": "an animation",
    "audio": "sound", "video": "a film",
}  # fmt: skip
_NOT_DRAWN = {
    "defs", "clipPath", "mask", "pattern", "marker", "symbol", "metadata", "title", "desc", "style", "text",
    "namedview", "linearGradient", "radialGradient", "filter",
}  # fmt: skip
_SHAPES = {"path", "rect", "circle", "ellipse", "polygon", "polyline", "line"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SvgShape:
    """One drawn element.

    Parameters
    ----------
    where : str
        What to call it in messages.
    label : str
        Its ``inkscape:label`` or id.
    groups : tuple of str
        Labels of the groups around it, outermost first.
    data : dict
        Its ``data-*`` attributes without the prefix.
    rings : list of (points, is_closed)
        mm in the plate frame (y up).
    """

    where: str
    label: str
    groups: tuple[str, ...]
    data: dict[str, str]
    rings: list[Ring]


def _local(name: Any) -> str:
    return name.rsplit("}", 1)[-1] if isinstance(name, str) else ""


def _number(text: str | None, where: str, default: float = 0.0) -> float:
    """A length in user units; absolute units are CSS pixels' worth of user units."""
    if text is None:
        return default
    match = _LENGTH.fullmatch(text[:80])
    unit = match[2].lower() if match else ""
    if match is None or (unit and unit not in _UNIT_MM):
        raise DrawingError(f"{where}: {text[:40]!r} is not a length")
    value = float(match[1]) * (_UNIT_MM[unit] / _UNIT_MM["px"] if unit else 1.0)
    if not abs(value) < MAX_COORDINATE:
        raise DrawingError(f"{where}: {text[:40]!r} is too large for a plate")
    return value


def _floats(text: str, where: str) -> list[float]:
    try:
        values = [float(v) for v in re.split(r"[\s,]+", text.strip()) if v]
    except ValueError as error:
        raise DrawingError(f"{where}: expected numbers, got {text[:40]!r}") from error
    if not all(abs(v) < MAX_COORDINATE for v in values):
        raise DrawingError(f"{where}: a number is too large for a plate, or is not one")
    return values


def _matrix(text: str | None, where: str) -> NDArray[np.float64]:
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
        out = out @ _one_transform(match[1], _floats(match[2], where), where)
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


def _root_matrix(root: Any, path: Path, user_unit_mm: float | None) -> NDArray[np.float64]:
    """User units to mm in the plate frame; the origin stays where the file has it."""
    box = root.get("viewBox")
    view = _floats(box, f"{path}: viewBox") if box else None
    if view is not None and (len(view) != 4 or not (view[2] > 0 and view[3] > 0)):
        raise DrawingError(
            f"{path}: viewBox must be four numbers with a width and height above 0, got {box[:40]!r}"
        )
    if user_unit_mm is not None:
        k = float(user_unit_mm)
    else:
        sizes = []
        for side in ("width", "height"):
            match = _LENGTH.fullmatch((root.get(side) or "")[:80])
            unit = match[2].lower() if match else "%"
            if match is None or unit not in _UNIT_MM or unit == "px":
                raise DrawingError(
                    f"{path}: no size in real units ({side} is {root.get(side)!r}); write width and "
                    f"height in mm, cm or in, "
                    "or say how many mm one unit is"
                )
            sizes.append(float(match[1]) * _UNIT_MM[unit])
        if view is None:
            k = _UNIT_MM["px"]
        else:
            kx, ky = sizes[0] / view[2], sizes[1] / view[3]
            if not math.isclose(kx, ky, rel_tol=2e-3):
                raise DrawingError(
                    f"{path}: width and height do not fit the viewBox ({kx:.6g} against {ky:.6g} mm a unit)"
                )
            # The rounded size of a written file must not change the scale: width and height each carry
            # rounding,
            # and a unit that is plainly a millimetre or an inch is one.
            k = (kx + ky) / 2
            k = next((v for v in (1.0, 25.4, 10.0) if math.isclose(k, v, rel_tol=1e-6)), k)
    if not (math.isfinite(k) and 0 < k < 1e6):
        raise DrawingError(f"{path}: one unit would be {k} mm; check width, height and viewBox")
    return np.diag([k, -k, 1.0])


def _rings(element: Any, kind: str, scale: float, where: str) -> list[Ring]:
    tolerance = CURVE_TOLERANCE_MM / scale if scale > 0 else 1.0

    def at(name: str) -> float:
        return _number(element.get(name), f"{where}: {name}")

    if kind == "path":
        return parse_path(element.get("d", ""), tolerance, where)
    if kind in ("polygon", "polyline"):
        values = _floats(element.get("points", ""), where)
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
    rx = at("rx") or at("ry")
    ry = at("ry") or rx
    rx, ry = min(rx, w / 2), min(ry, h / 2)
    if rx <= 0 or ry <= 0:
        return [(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]), True)]
    d = (
        f"M{x + rx},{y} H{x + w - rx} a{rx},{ry} 0 0 1 {rx},{ry} V{y + h - ry} a{rx},{ry} 0 0 1 {-rx},{ry} "
        f"H{x + rx} a{rx},{ry} 0 0 1 {-rx},{-ry} V{y + ry} a{rx},{ry} 0 0 1 {rx},{-ry} Z"
    )
    return parse_path(d, tolerance, where)


def _refuse_unsafe(element: Any, tag: str, where: str) -> None:
    if tag in _REFUSED:
        raise DrawingError(f"{where}: holds {_REFUSED[tag]}; save the drawing as plain shapes")
    for name, value in element.attrib.items():
        key = _local(name).lower()
        if key.startswith("on"):
            raise DrawingError(f"{where}: holds a script ({key}); save the drawing as plain shapes")
        if (
            key == "href"
            and not value.startswith("#")
            and not (tag == "image" and value.startswith("data:image/"))
        ):
            raise DrawingError(
                f"{where}: refers to something outside the file ({value[:40]!r}); nothing is fetched"
            )
        if key in ("style", "fill", "stroke", "filter") and re.search(
            r"url\s*\(\s*['\"]?\s*[^#'\"\s]", value[:4000], re.I
        ):
            raise DrawingError(f"{where}: refers to something outside the file in {key}; nothing is fetched")
    if tag == "style" and re.search(
        r"@import|url\s*\(\s*['\"]?\s*[^#'\"\s]", (element.text or "")[:200_000], re.I
    ):
        raise DrawingError(f"{where}: a style sheet refers to something outside the file; nothing is fetched")


def _parse(path: Path) -> Any:
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise DrawingError(f"{path}: over {_MAX_BYTES // 1_000_000} MB, which is no plate drawing")
        return ElementTree.fromstring(path.read_bytes(), forbid_dtd=True)
    except OSError as error:
        raise DrawingError(f"{path}: cannot be read ({error.strerror})") from error
    except DefusedXmlException as error:
        raise DrawingError(
            f"{path}: holds a document type or entities, which a drawing does not need; refused"
        ) from error
    except (ParseError, ValueError, LookupError, RecursionError) as error:
        raise DrawingError(f"{path}: is not a well-formed SVG file ({error})") from error


def read_svg_shapes(path: str | Path, *, user_unit_mm: float | None = None) -> list[SvgShape]:
    """Every shape of an SVG file that a picture of it shows; what its styles hide is no part of the drawing.

    Parameters
    ----------
    path : path
    user_unit_mm : float or None
        Millimetres of one user unit; None takes it from width, height and viewBox, and refuses a file
        without them.

    Raises
    ------
    DrawingError
        Not SVG, unsafe, without units, or an element that cannot be understood; the element is named.
    """
    path = Path(path)
    root = _parse(path)
    if _local(root.tag) != "svg":
        raise DrawingError(f"{path}: expected an svg element, got {_local(root.tag)!r}")
    shapes: list[SvgShape] = []
    n_points = n_elements = 0
    rules = style_rules(e.text or "" for e in root.iter() if _local(e.tag) == "style")
    # A list in place of recursion: the depth of a file is the writer's choice, the stack is ours.
    todo: list[tuple[Any, NDArray[np.float64], tuple[str, ...], bool, bool]] = [
        (root, _root_matrix(root, path, user_unit_mm), (), True, True)
    ]
    while todo:
        element, matrix, groups, drawn, visible = todo.pop()
        tag = _local(element.tag)
        n_elements += 1
        label = (
            next((v for k, v in element.attrib.items() if _local(k) == "label"), None)
            or element.get("id")
            or ""
        )
        where = f"{path}: {tag} {label[:60]!r}" if label else f"{path}: {tag} number {n_elements}"
        if n_elements > _MAX_ELEMENTS or len(groups) > _MAX_DEPTH:
            raise DrawingError(f"{where}: over {_MAX_ELEMENTS} elements or nested deeper than {_MAX_DEPTH}")
        _refuse_unsafe(element, tag, where)
        if element is not root:
            matrix = matrix @ _matrix(element.get("transform"), where)
            if not (np.isfinite(matrix).all() and (np.abs(matrix) < MAX_COORDINATE).all()):
                raise DrawingError(f"{where}: its transform throws it out of reach")
        # A hidden group takes all that is in it along; what is invisible may hold something visible.
        drawn = drawn and tag not in _NOT_DRAWN and styled(element, tag, "display", rules) != "none"
        seen = styled(element, tag, "visibility", rules)
        visible = seen == "visible" if seen in ("visible", "hidden", "collapse") else visible
        if tag == "svg" and element is not root:
            raise DrawingError(f"{where}: an svg inside the svg; save the drawing as plain shapes")
        moved = styled(element, tag, "transform", rules)
        if drawn and moved not in ("", "none", (element.get("transform") or "").strip().lower()):
            raise DrawingError(
                f"{where}: is moved by its style (transform: {moved[:40]}), which is not read; save the drawing as "
                "plain shapes"
            )
        if drawn and visible and tag in _SHAPES:
            scale = math.sqrt(abs(np.linalg.det(matrix[:2, :2])))
            rings = [(p @ matrix[:2, :2].T + matrix[:2, 2], c) for p, c in _rings(element, tag, scale, where)]
            n_points += sum(len(p) for p, _ in rings)
            if n_points > MAX_POINTS:
                raise DrawingError(
                    f"{where}: more than {MAX_POINTS} points in all, which is no plate drawing"
                )
            if not all(np.isfinite(p).all() and (abs(p) < MAX_COORDINATE).all() for p, _ in rings):
                raise DrawingError(f"{where}: its transform throws it out of reach")
            data = {k[5:]: v for k, v in element.attrib.items() if k.startswith("data-")}
            shapes.append(SvgShape(where=where, label=label, groups=groups, data=data, rings=rings))
        inner = (*groups, label) if element is not root else groups
        todo.extend((child, matrix, inner, drawn, visible) for child in reversed(list(element)))
    return shapes
