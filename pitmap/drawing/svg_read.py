"""The shapes of an SVG file in millimetres, with what they are called; says nothing yet about what they mean.

Nothing is fetched and nothing is run: entities, document types, scripts, external references and embedded
pages are refused by name.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import numpy as np
from defusedxml import ElementTree
from defusedxml.common import DefusedXmlException
from numpy.typing import NDArray

from ..errors import DrawingError
from .svg_element import LENGTH, UNIT_MM, element_matrix, element_rings, floats
from .svg_path import MAX_COORDINATE, MAX_POINTS, Ring
from .svg_sight import Look, clip_area, clip_name, clipped, look_of
from .svg_style import Chain, linked, style_rules, styles_of

__all__ = ["SvgShape", "read_svg_shapes"]

_MAX_BYTES = 16_000_000
_MAX_ELEMENTS = 50_000
_MAX_DEPTH = 100
_MOST_CLIP_POINTS = 5_000
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
        mm in the plate frame (y up); empty where it is not seen, or not surely where its geometry says.
    is_seen : bool
        A picture of the file shows it.
    doubt : str
        Why a picture may show it elsewhere or not whole, in words that follow `where`; empty otherwise.
    fills_nonzero : bool
        It is filled by the rule that a ring inside another one of its shape is a hole only where it runs the other way.
    """

    where: str
    label: str
    groups: tuple[str, ...]
    data: dict[str, str]
    rings: list[Ring]
    is_seen: bool = True
    doubt: str = ""
    fills_nonzero: bool = False


def _local(name: Any) -> str:
    return name.rsplit("}", 1)[-1] if isinstance(name, str) else ""


def _root_matrix(root: Any, path: Path, user_unit_mm: float | None) -> NDArray[np.float64]:
    """User units to mm in the plate frame; the origin stays where the file has it."""
    box = root.get("viewBox")
    view = floats(box, f"{path}: viewBox") if box else None
    if view is not None and (len(view) != 4 or not (view[2] > 0 and view[3] > 0)):
        raise DrawingError(
            f"{path}: viewBox must be four numbers with a width and height above 0, got {box[:40]!r}"
        )
    if user_unit_mm is not None:
        k = float(user_unit_mm)
    else:
        sizes = []
        for side in ("width", "height"):
            match = LENGTH.fullmatch((root.get(side) or "")[:80])
            unit = match[2].lower() if match else "%"
            if match is None or unit not in UNIT_MM or unit == "px":
                raise DrawingError(
                    f"{path}: no size in real units ({side} is {root.get(side)!r}); write width and "
                    f"height in mm, cm or in, "
                    "or user_unit_mm, how many mm one unit is, in the TOML beside it"
                )
            sizes.append(float(match[1]) * UNIT_MM[unit])
        if view is None:
            k = UNIT_MM["px"]
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


def _clip_rings(clip: Any, matrix: NDArray[np.float64], where: str) -> list[Ring] | None:
    """The rings of a clip path in the plate frame, mm; None for one that is not of plain shapes in user units."""
    if (
        clip is None
        or clip.get("clipPathUnits", "userSpaceOnUse") != "userSpaceOnUse"
        or clip.get("clip-path")
    ):
        return None
    matrix = matrix @ element_matrix(clip.get("transform"), where)
    out: list[Ring] = []
    for element in clip:
        tag = _local(element.tag)
        if tag in ("title", "desc"):
            continue
        if tag not in _SHAPES or element.get("clip-path") or sum(len(p) for p, _ in out) > _MOST_CLIP_POINTS:
            return None
        own = matrix @ element_matrix(element.get("transform"), where)
        rings = element_rings(element, tag, _scale(own), where)
        # Which of several rings cut a hole into the clip depends on its rule.
        if len(rings) != 1:
            return None
        out += _moved(rings, own)
    return out


def _scale(matrix: NDArray[np.float64]) -> float:
    """By how much a transform stretches at most."""
    return float(np.linalg.norm(matrix[:2, :2], 2))


def _moved(rings: list[Ring], matrix: NDArray[np.float64]) -> list[Ring]:
    return [(points @ matrix[:2, :2].T + matrix[:2, 2], closed) for points, closed in rings]


def read_svg_shapes(path: str | Path, *, user_unit_mm: float | None = None) -> list[SvgShape]:
    """Every shape of an SVG file; those that a picture of it does not show are marked.

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
    rules = style_rules((e.text or "" for e in root.iter() if _local(e.tag) == "style"), str(path))
    clip_paths = {e.get("id"): e for e in root.iter() if _local(e.tag) == "clipPath"}
    first = Look(doubt="is moved by a transform of the whole file" if root.get("transform") else "")
    # A list in place of recursion: the depth of a file is the writer's choice, the stack is ours.
    todo: list[tuple[Chain, NDArray[np.float64], tuple[str, ...], Look, bool]] = [
        (linked(None, root), _root_matrix(root, path, user_unit_mm), (), first, True)
    ]
    while todo:
        chain, matrix, groups, look, is_drawing = todo.pop()
        element, tag = chain.element, chain.tag
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
            matrix = matrix @ element_matrix(element.get("transform"), where)
            if not (np.isfinite(matrix).all() and (np.abs(matrix) < MAX_COORDINATE).all()):
                raise DrawingError(f"{where}: its transform throws it out of reach")
        if tag == "svg" and element is not root:
            raise DrawingError(f"{where}: an svg inside the svg; save the drawing as plain shapes")
        is_drawing = is_drawing and tag not in _NOT_DRAWN
        if is_drawing:
            styles = styles_of(chain, rules)
            look = look_of(look, styles, tag, element.get("transform"))
            if name := clip_name(styles):
                rings = _clip_rings(clip_paths.get(name), matrix, where)
                n_points += sum(len(p) for p, _ in rings or ())
                if rings is None:
                    look = replace(look, doubt=look.doubt or "is cut by a clip path that is not read")
                else:
                    look = replace(look, clips=(*look.clips, clip_area(rings)))
            if tag == "switch" and len(element) > 1:
                look = replace(look, doubt=look.doubt or "is one of several that a switch chooses from")
        if is_drawing and tag in _SHAPES:
            is_seen, doubt, rings = look.is_seen, look.doubt, []
            if is_seen and not doubt:
                rings = _moved(element_rings(element, tag, _scale(matrix), where), matrix)
                n_points += sum(len(p) for p, _ in rings)
                if n_points > MAX_POINTS:
                    raise DrawingError(
                        f"{where}: more than {MAX_POINTS} points in all, which is no plate drawing"
                    )
                if not all(np.isfinite(p).all() and (abs(p) < MAX_COORDINATE).all() for p, _ in rings):
                    raise DrawingError(f"{where}: its transform throws it out of reach")
                is_seen, doubt = clipped(look, rings)
            data = {k[5:]: v for k, v in element.attrib.items() if k.startswith("data-")}
            shapes.append(
                SvgShape(
                    where=where,
                    label=label,
                    groups=groups,
                    data=data,
                    rings=rings,
                    is_seen=is_seen,
                    doubt=doubt,
                    fills_nonzero=look.fills_nonzero,
                )
            )
        inner = (*groups, label) if element is not root else groups
        todo.extend(
            (linked(chain, child), matrix, inner, look, is_drawing) for child in reversed(list(element))
        )
    return shapes
