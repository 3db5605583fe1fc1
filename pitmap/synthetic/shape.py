"""The drawing as distance fields: how far every point is from the nearest edge of metal."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..drawing.model import Drawing, fill_mask
from ..grid import Grid

__all__ = ["PlateShape", "plate_shape"]

_MARGIN_MM = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlateShape:
    """Fields of one drawing on one grid.

    Attributes
    ----------
    grid : Grid
    metal_mm : (rows, cols) float32
        Signed distance to the nearest edge of the face: positive on metal, negative in openings and outside.
    metal : (rows, cols) bool
        True where `metal_mm` is positive.
    zones : (rows, cols) uint8
        :meth:`Drawing.zone_raster`, 0 off the metal.
    coarse : Grid
        The same rectangle at 2 px per mm, for smooth fields.
    coolant_mm : (rows, cols) float32, coarse
        Distance to the nearest coolant opening (to the nearest opening where the drawing names none).
    trace_mm : (rows, cols) float32, coarse
        Distance inside the bore trace, negative outside; without a trace, distance inside the outline.
    """

    grid: Grid
    metal_mm: NDArray[np.float32]
    metal: NDArray[np.bool_]
    zones: NDArray[np.uint8]
    coarse: Grid
    coolant_mm: NDArray[np.float32]
    trace_mm: NDArray[np.float32]


def _distance(mask: NDArray, px_per_mm: float) -> NDArray[np.float32]:
    """Signed distance in mm from a binary mask, positive inside."""
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    outside = cv2.distanceTransform((~mask.astype(bool)).astype(np.uint8), cv2.DIST_L2, 5)
    # The transform counts to the centre of the nearest other pixel; the edge is half a pixel nearer.
    distance = np.where(inside > 0, inside - 0.5, 0.5 - outside)
    return (distance / px_per_mm).astype(np.float32)


def _fine_distance(drawing: Drawing, grid: Grid) -> NDArray[np.float32]:
    """Signed distance to the edge of the face, good to a few hundredths of a pixel next to the edge.

    A binary mask knows an edge to half a pixel, and a photo finer than the raster would show its stairs. So
    the coverage of each pixel is drawn at four times the scale; blurred by a Gaussian, coverage across a
    straight edge is the normal integral of the distance, and its inverse gives the distance back.
    """
    fine = fill_mask(drawing.face(), grid.at_scale(4 * grid.px_per_mm)).astype(np.uint8) * 255
    cover = cv2.resize(fine, grid.shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    del fine
    distance = _distance(cover >= 0.5, grid.px_per_mm)
    near = np.abs(distance) < 1.6 / grid.px_per_mm
    soft = cv2.GaussianBlur(cover, (9, 9), 1.0)
    distance[near] = (
        ndtri(np.clip(soft[near], 0.003, 0.997).astype(float)).astype(np.float32) / grid.px_per_mm
    )
    # Pixels touched by an edge count as covered in fill_mask, an eighth of a pixel here.
    return distance - np.float32(0.125 / grid.px_per_mm)


@lru_cache(maxsize=3)
def plate_shape(drawing: Drawing, px_per_mm: float = 10.0) -> PlateShape:
    """Distance fields of a drawing, kept for the drawings used last."""
    grid = drawing.grid(px_per_mm, margin_mm=_MARGIN_MM)
    coarse = grid.at_scale(2.0)
    metal_mm = _fine_distance(drawing, grid)
    metal = metal_mm > 0
    zones = drawing.zone_raster(grid)
    zones[~metal] = 0
    coolant = [o.polygon for o in drawing.openings if o.kind == "coolant"] or [
        o.polygon for o in drawing.openings
    ]
    openings = np.zeros(coarse.shape, bool)
    for polygon in coolant:
        openings |= fill_mask(polygon, coarse)
    # Without any opening the field is far from everything.
    coolant_mm = -_distance(openings, 2.0) if openings.any() else np.full(coarse.shape, 1e3, np.float32)
    trace = drawing.trace if drawing.trace is not None else drawing.outline
    trace_mm = _distance(fill_mask(trace, coarse), 2.0)
    for a in (metal_mm, metal, zones, coolant_mm, trace_mm):
        a.setflags(write=False)
    return PlateShape(
        grid=grid,
        metal_mm=metal_mm,
        metal=metal,
        zones=zones,
        coarse=coarse,
        coolant_mm=coolant_mm,
        trace_mm=trace_mm,
    )
