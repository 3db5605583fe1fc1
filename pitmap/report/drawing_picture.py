"""The plate drawing as a picture, with one opening pointed out."""

from __future__ import annotations

from collections.abc import Collection

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from ..drawing import Drawing, fill_mask

__all__ = ["drawing_picture"]

_ZONES = {"running_surface": (225, 232, 240), "seal_land": (150, 190, 225), "rim": (240, 240, 236)}


def drawing_picture(
    drawing: Drawing, *, highlight: str = "", done: Collection[str] = (), px_per_mm: float = 3.0
) -> NDArray[np.uint8]:
    """Zones in pale colours, openings white with dark edges; the one named `highlight` filled orange, those in
    `done` ticked.

    Returns
    -------
    (rows, columns, 3) uint8 array
    """
    grid = drawing.grid(px_per_mm, margin_mm=6.0)
    out = np.full((*grid.shape, 3), 255, np.uint8)
    for name, shape in drawing.zones.items():
        out[fill_mask(shape, grid)] = _ZONES[name]

    def edge(shape: BaseGeometry, colour: tuple[int, int, int], width: int) -> None:
        points = np.round(grid.mm_to_px(np.asarray(shape.coords)[:, :2]) * 16).astype(np.int32)
        cv2.polylines(out, [points], True, colour, width, cv2.LINE_AA, 4)

    for opening in drawing.openings:
        out[fill_mask(opening.polygon, grid)] = (255, 255, 255)
        if opening.name == highlight:
            out[fill_mask(opening.polygon.buffer(2.5), grid)] = (213, 94, 0)
        edge(opening.polygon.exterior, (40, 40, 40), 1)
        x, y = grid.mm_to_px([opening.polygon.centroid.x, opening.polygon.centroid.y]).round().astype(int)
        if opening.name in done:
            cv2.drawMarker(out, (int(x), int(y)), (0, 114, 178), cv2.MARKER_CROSS, 22, 4)
    edge(drawing.outline.exterior, (40, 40, 40), 2)
    return out
