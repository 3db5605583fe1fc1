"""Whether a person who looks at an SVG sees an element, and sees it where its geometry says."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from .svg_path import Ring
from .svg_style import GEOMETRY, MOVES

__all__ = ["CLIP_SLACK_MM", "Look", "clip_area", "clip_name", "clipped", "look_of"]

CLIP_SLACK_MM = 0.01
"""A clip that ends this near outside a shape leaves it as it is: a page's clip lies on the page's edge."""
_FAINTEST = 1 / 512
"""Less cover than this changes no pixel of 8 bits."""
_INHERITED = {
    "visibility": "visible", "fill": "black", "stroke": "none", "fill-opacity": "1", "stroke-opacity": "1",
    "stroke-width": "1", "fill-rule": "nonzero",
}  # fmt: skip
_NOTHING = r"(?:0+\.?0*|\.0+)%?"
_CLEAR = re.compile(
    r"none|transparent|#[0-9a-f]{6}00|#[0-9a-f]{3}0|"
    rf"(?:rgb|hsl)a?\((?:[^,]*,[^,]*,[^,]*,|[^,/]*/)\s*{_NOTHING}\s*\)"
)
"""Paint that covers nothing; the fourth number of a colour, or the one behind a slash, is its opacity."""
_URL = re.compile(r"url\(\s*['\"]?#([^'\")]+)['\"]?\s*\)")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """What is known of an element's sight, from itself and from what is around it.

    Parameters
    ----------
    is_drawn : bool
        Not hidden as a whole, by ``display`` or by an opacity of nothing.
    doubt : str
        Why a person may see it elsewhere, or not whole, in words that follow its name; empty when nothing says so.
    paint : mapping
        The inherited properties.
    clips : tuple of geometries
        What of the plate frame is left by every clip around it, mm.
    """

    is_drawn: bool = True
    doubt: str = ""
    paint: Mapping[str, str] = field(default_factory=lambda: _INHERITED)
    clips: tuple[BaseGeometry, ...] = ()

    @property
    def is_seen(self) -> bool:
        """Drawn, visible, and with a fill or a stroke."""
        p = self.paint
        return (
            self.is_drawn
            and p["visibility"] == "visible"
            and (
                _covers(p["fill"], p["fill-opacity"])
                or (_covers(p["stroke"], p["stroke-opacity"]) and _amount(p["stroke-width"]) > 0)
            )
        )

    @property
    def fills_nonzero(self) -> bool:
        """A picture fills what the rings of a shape go round once or more, whichever of them are holes by even and odd."""
        p = self.paint
        return _covers(p["fill"], p["fill-opacity"]) and p["fill-rule"] != "evenodd"


def _amount(text: str) -> float:
    """The number that a property begins with; 1 where it begins with none. Percent count as parts."""
    match = re.match(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?", text)
    if match is None:
        return 1.0
    return float(match[0]) / (100 if text.endswith("%") else 1)


def _covers(paint: str, opacity: str) -> bool:
    return not _CLEAR.fullmatch(paint) and _amount(opacity) > _FAINTEST


def clip_name(styles: Mapping[str, str]) -> str:
    """The id of the clip path that cuts an element, or empty."""
    match = _URL.fullmatch(styles.get("clip-path", ""))
    return match[1] if match else ""


def look_of(around: Look, styles: Mapping[str, str], tag: str, transform: str | None) -> Look:
    """The look of an element from that of what is around it.

    Parameters
    ----------
    around : Look
    styles : mapping
        Its own properties (:func:`pitmap.drawing.svg_style.styles_of`).
    tag : str
    transform : str or None
        Its attribute, which is read; a style of the same name is not.
    """
    own = {k: v for k, v in styles.items() if k in _INHERITED and v not in ("", "inherit", "unset")}
    paint = {**around.paint, **{k: _INHERITED[k] if v == "initial" else v for k, v in own.items()}}
    is_drawn = (
        around.is_drawn
        and styles.get("display") != "none"
        and _amount(styles.get("opacity", "1")) > _FAINTEST
    )
    return replace(
        around, is_drawn=is_drawn, paint=paint, doubt=around.doubt or _doubt(styles, tag, transform)
    )


def _doubt(styles: Mapping[str, str], tag: str, transform: str | None) -> str:
    moved = styles.get("transform", "")
    if moved not in ("", "none", (transform or "").strip().lower()):
        return f"is moved by its style (transform: {moved[:40]})"
    for name in MOVES:
        if styles.get(name, "none") not in ("none", "1", "view-box", "fill-box") and (
            not name.startswith("transform") or moved
        ):
            return f"is moved by its style ({name}: {styles[name][:40]})"
    own = [name for name in GEOMETRY if name in styles]
    if own and tag != "svg":
        return f"has its {' and '.join(own)} in a style"
    if styles.get("mask", "none") != "none":
        return "is covered in part by a mask"
    if styles.get("clip-path", "none") != "none" and not clip_name(styles):
        return f"is cut by a clip path ({styles['clip-path'][:40]})"
    return ""


def clip_area(rings: list[Ring]) -> BaseGeometry:
    """What a clip path of these rings leaves."""
    return shapely.union_all([Polygon(points).buffer(0) for points, _ in rings if len(points) > 2])


def clipped(look: Look, rings: list[Ring]) -> tuple[bool, str]:
    """Whether anything of a shape is left by the clips around it, and a doubt when a part of it is not."""
    if not look.clips:
        return True, ""
    lines = [
        LineString([*points, points[0]] if closed else points) for points, closed in rings if len(points) > 1
    ]
    for area in look.clips:
        near = area.buffer(CLIP_SLACK_MM)
        if all(near.contains(line) for line in lines):
            continue
        if not any(near.intersects(line) for line in lines):
            return False, ""
        return True, "is cut by a clip path"
    return True, ""
