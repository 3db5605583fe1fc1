"""Changes to contours: the outline, an opening that is not round, the bore trace, the land's outer edge."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from ...errors import DrawingError
from ...units import in_both
from ..model import Drawing
from .openings import EDGES, opening_named, with_opening
from .remake import Edited, remade
from .shapes import circle_of, closed_curve, corners_of, moved_stretch, ring_polygon

__all__ = [
    "EDGE_WORDS",
    "add_corner",
    "contour_of",
    "move_corner",
    "remove_corner",
    "remove_edge",
    "set_edge",
]

EDGE_WORDS = {"outline": "outline", "trace": "bore trace", "coolant_edge": "outer edge of the seal land"}


def contour_of(drawing: Drawing, element: str) -> Polygon:
    """The area inside an edge (a name of :data:`EDGES`) or an opening (its name).

    Raises
    ------
    DrawingError
        It is not in the drawing.
    """
    if element in EDGES:
        area = getattr(drawing, element)
        if area is None:
            raise DrawingError(f"{EDGE_WORDS[element]}: is not in the drawing yet; add it first")
        return area
    return opening_named(drawing, element).polygon


def _words(element: str) -> str:
    return EDGE_WORDS.get(element, f"opening {element!r}")


def _with_contour(drawing: Drawing, element: str, area: Polygon) -> Drawing:
    if element in EDGES:
        return remade(drawing, **{element: area})
    return with_opening(drawing, element, dataclasses.replace(opening_named(drawing, element), polygon=area))


def _free_corners(drawing: Drawing, element: str) -> NDArray[np.float64]:
    area = contour_of(drawing, element)
    if element not in EDGES and circle_of(area) is not None:
        raise DrawingError(f"{_words(element)}: is round; move its centre or type its diameter")
    return corners_of(area)


def _index(points: NDArray[np.float64], index: int, element: str) -> int:
    if not 0 <= index < len(points):
        raise DrawingError(f"{_words(element)}: has {len(points)} corners, there is no number {index + 1}")
    return index


def move_corner(
    drawing: Drawing, *, element: str, index: int, x_mm: float, y_mm: float, stretch_mm: float = 0.0
) -> Edited:
    """A contour with one corner moved, and the contour to both sides of it for `stretch_mm` along.

    Parameters
    ----------
    drawing : Drawing
    element : str
        ``outline``, ``trace``, ``coolant_edge`` or the name of an opening.
    index : int
        Which corner, from 0.
    x_mm, y_mm : float
        Where it goes.
    stretch_mm : float
        0 moves the corner alone; more takes the neighbours along smoothly
        (:func:`pitmap.drawing.edit.moved_stretch`), as a traced contour of many points needs.

    Raises
    ------
    DrawingError
        No such corner, a round hole, or an edge that would cross itself.
    """
    points = _free_corners(drawing, element)
    moved = moved_stretch(points, _index(points, index, element), (x_mm, y_mm), stretch_mm)
    new = _with_contour(drawing, element, ring_polygon(moved, _words(element)))
    how = f" with {in_both(stretch_mm, 'mm')} to each side" if stretch_mm > 0 else ""
    said = element if element not in EDGES else EDGE_WORDS[element]
    return Edited(drawing=new, sentence=f"corner {index + 1} of {said} moved{how}")


def add_corner(drawing: Drawing, *, element: str, x_mm: float, y_mm: float) -> Edited:
    """A contour with a corner more, put into the nearest of its sides."""
    points = _free_corners(drawing, element)
    at = np.array([x_mm, y_mm], float)
    side = np.roll(points, -1, 0) - points
    share = ((at - points) * side).sum(1) / np.maximum((side**2).sum(1), 1e-12)
    foot = points + np.clip(share, 0, 1)[:, None] * side
    k = int(np.argmin(np.hypot(*(at - foot).T)))
    new = _with_contour(drawing, element, ring_polygon(np.insert(points, k + 1, at, axis=0), _words(element)))
    said = element if element not in EDGES else EDGE_WORDS[element]
    return Edited(drawing=new, sentence=f"corner added to {said}")


def remove_corner(drawing: Drawing, *, element: str, index: int) -> Edited:
    """A contour with a corner less; the last three stay.

    Raises
    ------
    DrawingError
        Only three corners are left.
    """
    points = _free_corners(drawing, element)
    if len(points) <= 3:
        raise DrawingError(f"{_words(element)}: has three corners left, none of which can go")
    rest = np.delete(points, _index(points, index, element), axis=0)
    said = element if element not in EDGES else EDGE_WORDS[element]
    return Edited(
        drawing=_with_contour(drawing, element, ring_polygon(rest, _words(element))),
        sentence=f"corner {index + 1} of {said} taken out",
    )


def set_edge(
    drawing: Drawing, *, edge: str, points_mm: Sequence[Sequence[float]], is_smooth: bool = True
) -> Edited:
    """The outline, bore trace or land's outer edge through clicked points.

    Parameters
    ----------
    drawing : Drawing
    edge : str
        A name of :data:`EDGES`.
    points_mm : (N, 2) sequence
        In order round the edge.
    is_smooth : bool
        A smooth closed curve through the points, else straight from one to the next.

    Raises
    ------
    DrawingError
        Points that make no simple closed curve, or a land edge without a bore trace inside it.
    """
    if edge not in EDGES:
        raise DrawingError(f"{edge!r} is not an edge; expected {', '.join(EDGES)}")
    area = (closed_curve if is_smooth else ring_polygon)(points_mm, EDGE_WORDS[edge])
    if edge == "coolant_edge" and (drawing.trace is None or not area.contains(drawing.trace)):
        raise DrawingError(
            f"{EDGE_WORDS[edge]}: must go round the bore trace; draw the trace first, then click outside it"
        )
    return Edited(
        drawing=remade(drawing, **{edge: area}),
        sentence=f"{EDGE_WORDS[edge]} drawn through {len(points_mm)} points",
    )


def remove_edge(drawing: Drawing, *, edge: str) -> Edited:
    """The drawing without its bore trace (and then without a land), or without the land's outer edge.

    Raises
    ------
    DrawingError
        Another edge than these two.
    """
    if edge not in ("trace", "coolant_edge"):
        raise DrawingError(f"{_words(edge)}: cannot be taken out; draw it anew instead")
    contour_of(drawing, edge)
    changes: dict[str, object] = {"coolant_edge": None}
    if edge == "trace":
        changes |= {"trace": None, "bands": ()}
    return Edited(drawing=remade(drawing, **changes), sentence=f"{EDGE_WORDS[edge]} taken out")
