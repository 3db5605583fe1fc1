"""Changes to openings: add, move, size, name, kind, take out."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

from shapely.affinity import translate

from ...errors import DrawingError
from ...units import in_both
from ..model import OPENING_KINDS, Drawing, Opening
from .remake import Edited, remade
from .shapes import Circle, circle_of, circle_polygon, closed_curve, ring_polygon

__all__ = [
    "EDGES",
    "add_hole",
    "add_opening",
    "free_name",
    "move_opening",
    "opening_named",
    "remove_opening",
    "rename_opening",
    "set_diameter",
    "set_kind",
    "with_opening",
]

EDGES = ("outline", "trace", "coolant_edge")
"""Names that stand for the drawing's own edges, so no opening may carry them."""


def opening_named(drawing: Drawing, name: str) -> Opening:
    """The opening of that name.

    Raises
    ------
    DrawingError
        There is none.
    """
    for opening in drawing.openings:
        if opening.name == name:
            return opening
    raise DrawingError(f"opening {name!r}: is not in the drawing any more; choose another")


def with_opening(drawing: Drawing, name: str, new: Opening) -> Drawing:
    """The drawing with one opening exchanged."""
    opening_named(drawing, name)
    return remade(drawing, openings=tuple(new if o.name == name else o for o in drawing.openings))


def free_name(drawing: Drawing, kind: str) -> str:
    """The next name of a kind that is not taken: ``bolt_07``."""
    taken = {o.name for o in drawing.openings}
    return next(name for k in range(1, 1000) if (name := f"{kind}_{k:02d}") not in taken)


def _new_name(drawing: Drawing, name: str, kind: str) -> str:
    name = name.strip()
    if not name:
        return free_name(drawing, kind)
    if name in EDGES or len(name) > 60 or not name.isprintable():
        raise DrawingError(f"opening {name[:60]!r}: is no name for an opening; write a short one of your own")
    if name in {o.name for o in drawing.openings}:
        raise DrawingError(f"opening {name!r}: is the name of another opening; choose a different one")
    return name


def _kind(kind: str, name: str) -> str:
    if kind not in OPENING_KINDS:
        raise DrawingError(f"opening {name!r}: kind {kind!r} is not one of {', '.join(OPENING_KINDS)}")
    return kind


def _inside(drawing: Drawing, opening: Opening) -> Opening:
    """The opening, when at least part of it lies on the plate; farther out it is a slip of the hand."""
    if not drawing.outline.intersects(opening.polygon):
        raise DrawingError(f"opening {opening.name!r}: would lie outside the plate; put it on the plate")
    return opening


def add_hole(
    drawing: Drawing, *, x_mm: float, y_mm: float, diameter_mm: float, kind: str = "bolt", name: str = ""
) -> Edited:
    """A round hole more; without a name it gets the next one of its kind.

    Raises
    ------
    DrawingError
        A size, place, kind or name that cannot be.
    """
    name = _new_name(drawing, name, _kind(kind, name or "new hole"))
    polygon = circle_polygon(Circle(x_mm=x_mm, y_mm=y_mm, diameter_mm=diameter_mm), f"opening {name!r}")
    new = _inside(drawing, Opening(name=name, kind=kind, polygon=polygon))
    return Edited(drawing=remade(drawing, openings=(*drawing.openings, new)), sentence=f"{name} added")


def add_opening(
    drawing: Drawing,
    *,
    points_mm: Sequence[Sequence[float]],
    kind: str = "port",
    name: str = "",
    is_smooth: bool = False,
) -> Edited:
    """An opening more, from its corners (N, 2) in order, or from points on its smooth edge.

    Raises
    ------
    DrawingError
        Points that make no simple closed shape, a kind or name that cannot be.
    """
    name = _new_name(drawing, name, _kind(kind, name or "new opening"))
    make = closed_curve if is_smooth else ring_polygon
    new = _inside(drawing, Opening(name=name, kind=kind, polygon=make(points_mm, f"opening {name!r}")))
    return Edited(drawing=remade(drawing, openings=(*drawing.openings, new)), sentence=f"{name} added")


def move_opening(drawing: Drawing, *, name: str, x_mm: float, y_mm: float) -> Edited:
    """An opening with its middle in another place: the centre of a round hole, else the centroid.

    Raises
    ------
    DrawingError
        No such opening, or a place off the plate.
    """
    old = opening_named(drawing, name)
    if not (math.isfinite(x_mm) and math.isfinite(y_mm)):
        raise DrawingError(f"opening {name!r}: its new place needs two numbers")
    circle = circle_of(old.polygon)
    if circle is not None:
        moved = circle_polygon(dataclasses.replace(circle, x_mm=x_mm, y_mm=y_mm), f"opening {name!r}")
    else:
        middle = old.polygon.centroid
        shifted = translate(old.polygon, x_mm - middle.x, y_mm - middle.y)
        moved = ring_polygon(shifted.exterior.coords[:-1], f"opening {name!r}")
    new = _inside(drawing, Opening(name=name, kind=old.kind, polygon=moved))
    at = [in_both(round(mm, 2) + 0.0, "mm") for mm in (x_mm, y_mm)]
    return Edited(drawing=with_opening(drawing, name, new), sentence=f"{name} moved to x {at[0]}, y {at[1]}")


def set_diameter(drawing: Drawing, *, name: str, diameter_mm: float) -> Edited:
    """A round hole with another diameter.

    Raises
    ------
    DrawingError
        Not round, or a diameter that is not above 0.
    """
    old = opening_named(drawing, name)
    circle = circle_of(old.polygon)
    if circle is None:
        raise DrawingError(f"opening {name!r}: is not round, so it has no diameter; move its corners instead")
    polygon = circle_polygon(dataclasses.replace(circle, diameter_mm=diameter_mm), f"opening {name!r}")
    new = Opening(name=name, kind=old.kind, polygon=polygon)
    return Edited(
        drawing=with_opening(drawing, name, new),
        sentence=f"{name} made {in_both(round(diameter_mm, 2), 'mm')} across",
    )


def remove_opening(drawing: Drawing, *, name: str) -> Edited:
    """The drawing without an opening."""
    opening_named(drawing, name)
    rest = tuple(o for o in drawing.openings if o.name != name)
    return Edited(drawing=remade(drawing, openings=rest), sentence=f"{name} taken out")


def rename_opening(drawing: Drawing, *, name: str, new_name: str) -> Edited:
    """An opening under another name.

    Raises
    ------
    DrawingError
        The name is empty, taken, or stands for an edge of the drawing.
    """
    old = opening_named(drawing, name)
    if not new_name.strip():
        raise DrawingError(f"opening {name!r}: the new name is empty; write one")
    new_name = _new_name(drawing, new_name, old.kind)
    new = dataclasses.replace(old, name=new_name)
    return Edited(drawing=with_opening(drawing, name, new), sentence=f"{name} named {new_name}")


def set_kind(drawing: Drawing, *, name: str, kind: str) -> Edited:
    """An opening of another kind."""
    new = dataclasses.replace(opening_named(drawing, name), kind=_kind(kind, name))
    return Edited(drawing=with_opening(drawing, name, new), sentence=f"{name} is a {kind} opening now")
