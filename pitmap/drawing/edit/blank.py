"""A plate to start drawing from."""

from __future__ import annotations

import math

from shapely import box

from ...errors import DrawingError
from ..build import make_zones, single_shape
from ..model import Drawing

__all__ = ["blank_plate"]


def blank_plate(
    name: str, *, width_mm: float, height_mm: float, thickness_mm: float, corner_mm: float = 15.0
) -> Drawing:
    """A rectangle with rounded corners about the origin, without openings: to be changed in the editor.

    Raises
    ------
    DrawingError
        No name, or sizes that make no plate.
    """
    if not name.strip():
        raise DrawingError("drawing: needs a short name")
    sizes = (width_mm, height_mm, thickness_mm)
    if not all(math.isfinite(v) and v > 0 for v in sizes):
        raise DrawingError("plate: width, height and thickness must be above 0")
    r = min(corner_mm, 0.49 * min(width_mm, height_mm))
    if not r > 0:
        raise DrawingError("plate: the corner radius must be above 0")
    w, h = width_mm / 2 - r, height_mm / 2 - r
    outline = single_shape("outline", box(-w, -h, w, h).buffer(r, quad_segs=12))
    return Drawing(
        name=name.strip(),
        thickness_mm=thickness_mm,
        outline=outline,
        openings=(),
        zones=make_zones(outline, (), None, None),
    )
