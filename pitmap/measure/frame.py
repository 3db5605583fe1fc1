"""What measuring needs of the drawing on one grid; made once, used for every map and every hand edit."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import WORKING_ZONES, Drawing, fill_mask
from ..errors import InputError, MeasurementError
from ..grid import Grid
from .land_edges import LandEdges, find_land_edges, land_metal

__all__ = ["MeasureFrame", "make_frame"]

_MOST_OPEN = 0.5
"""No working zone of a plate is more opening than metal (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasureFrame:
    """The drawing laid on a grid.

    Parameters
    ----------
    drawing : Drawing
    grid : Grid
    zone_names : tuple of str
        Zone of the values 1, 2 ... of `zone_raster`.
    zone_raster : (rows, columns) uint8 array
    zone_px : (1 + zones,) int array
        Pixels outside every zone and in each zone.
    land, land_rim : (rows, columns) bool array
        Seal land, and its outermost pixels.
    inner_face : (rows, columns) bool array
        Metal at least two pixels away from every drawn edge.
    edges : LandEdges or None
    """

    drawing: Drawing
    grid: Grid
    zone_names: tuple[str, ...]
    zone_raster: NDArray[np.uint8]
    zone_px: NDArray[np.int64]
    land: NDArray[np.bool_]
    land_rim: NDArray[np.bool_]
    inner_face: NDArray[np.bool_]
    edges: LandEdges | None


def make_frame(drawing: Drawing, grid: Grid) -> MeasureFrame:
    """Lay a drawing on a grid.

    Raises
    ------
    InputError
        The grid ends inside the plate.
    MeasurementError
        The drawing's seal land is no band, so it has no width; or most of a working zone is opening.
    """
    _must_hold_plate(grid, drawing)
    _must_be_metal(drawing)
    names = drawing.zone_names
    with ThreadPoolExecutor(max_workers=1) as worker:
        seeking_edges = worker.submit(find_land_edges, drawing)
        raster = drawing.zone_raster(grid, by_centre=True)
        metal = drawing.mask(grid)
        inner = cv2.erode(metal.view(np.uint8), np.ones((5, 5), np.uint8)).view(bool)
        land = fill_mask(land_metal(drawing), grid)
        rim = land & ~cv2.erode(land.view(np.uint8), np.ones((3, 3), np.uint8)).view(bool)
        edges = seeking_edges.result()
    counts = np.array([np.count_nonzero(raster == k) for k in range(len(names) + 1)])
    for array in (raster, land, rim, inner, counts):
        array.setflags(write=False)
    return MeasureFrame(
        drawing=drawing,
        grid=grid,
        zone_names=names,
        zone_raster=raster,
        zone_px=counts,
        land=land,
        land_rim=rim,
        inner_face=inner,
        edges=edges,
    )


def _must_hold_plate(grid: Grid, drawing: Drawing) -> None:
    """Metal beyond the raster would be in no figure, as if the zones ended there: neither seen nor unseen."""
    inside, plate = np.array(grid.bounds_mm), np.array(drawing.outline.bounds)
    beyond = np.maximum(inside - plate, 0) * [1, 1, 0, 0] + np.maximum(plate - inside, 0) * [0, 0, 1, 1]
    if beyond.max() > grid.mm_per_px:
        raise InputError(
            f"make_frame: the grid ends {beyond.max():.1f} mm inside the plate of drawing {drawing.name!r}; "
            "use drawing.grid(px_per_mm), and mark what a photo does not show as unseen"
        )


def _must_be_metal(drawing: Drawing) -> None:
    """A shape that is taken for an opening by mistake would leave crumbs of a zone, and those a figure of "no damage"."""
    for name in WORKING_ZONES:
        if (zone := drawing.zones.get(name)) is None or zone.is_empty:
            continue
        open_mm2 = {o.name: zone.intersection(o.polygon).area for o in drawing.openings}
        if sum(open_mm2.values()) > _MOST_OPEN * zone.area:
            most = max(open_mm2, key=lambda opening: open_mm2[opening])
            raise MeasurementError(
                f"drawing {drawing.name!r}: opening {most!r} takes {open_mm2[most]:.0f} of the {zone.area:.0f} mm2 of zone "
                f"{name}, so there is hardly metal to measure; if that shape is no opening, say in the drawing what it is"
            )
