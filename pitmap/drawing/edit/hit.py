"""What lies under a click on the drawing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import Point

from ..model import Drawing
from .contours import contour_of
from .openings import EDGES
from .shapes import circle_of, corners_of

__all__ = ["Hit", "hit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """What a click met.

    Parameters
    ----------
    element : str
        A name of :data:`EDGES` or of an opening.
    corner : int
        Which corner of a contour, from 0; -1 where the click met the element as a whole.
    x_mm, y_mm : float
        The corner, or the middle of the element: what a drag moves.
    """

    element: str
    corner: int
    x_mm: float
    y_mm: float


def _corner(drawing: Drawing, element: str, xy: tuple[float, float], reach_mm: float) -> Hit | None:
    area = contour_of(drawing, element)
    if element not in EDGES and circle_of(area) is not None:
        return None
    points = corners_of(area)
    away = np.hypot(*(points - xy).T)
    k = int(np.argmin(away))
    if away[k] > reach_mm:
        return None
    return Hit(element=element, corner=k, x_mm=float(points[k, 0]), y_mm=float(points[k, 1]))


def hit(drawing: Drawing, xy_mm: tuple[float, float], reach_mm: float, chosen: str = "") -> Hit | None:
    """The element under a click, or None.

    Parameters
    ----------
    drawing : Drawing
    xy_mm : (float, float)
        Where the click was.
    reach_mm : float
        How near is near enough: half a finger at the scale of the picture.
    chosen : str
        The element that is chosen already: its corners come before everything else, so that they can be dragged.

    Returns
    -------
    Hit or None
        The chosen element's corner; else the opening under the click or nearest to it; else the edge nearest to it.
    """
    if chosen:
        known = {o.name for o in drawing.openings} | {e for e in EDGES if getattr(drawing, e) is not None}
        if chosen in known and (corner := _corner(drawing, chosen, xy_mm, reach_mm)):
            return corner
    at = Point(xy_mm)
    near = [(o.polygon.distance(at), o.polygon.area, o) for o in drawing.openings]
    near = [row for row in near if row[0] <= reach_mm]
    if near:
        opening = min(near, key=lambda row: row[:2])[2]
        circle = circle_of(opening.polygon)
        x, y = (circle.x_mm, circle.y_mm) if circle else opening.polygon.centroid.coords[0]
        return Hit(element=opening.name, corner=-1, x_mm=float(x), y_mm=float(y))
    edges = [(getattr(drawing, e).exterior.distance(at), e) for e in EDGES if getattr(drawing, e) is not None]
    away, edge = min(edges)
    if away > reach_mm:
        return None
    middle = contour_of(drawing, edge).centroid
    return Hit(element=edge, corner=-1, x_mm=float(middle.x), y_mm=float(middle.y))
