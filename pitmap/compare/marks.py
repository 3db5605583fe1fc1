"""The marks of one survey as labelled pixels, tied to the rows of its `marks` table."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.measure import label

from ..classes import AFFECTED, SurfaceClass
from ..errors import InputError
from ..grid import Grid

__all__ = ["MARK_CLASSES", "Marks", "label_marks", "onto_grid"]

MARK_CLASSES = (
    SurfaceClass.PIT,
    SurfaceClass.STAIN,
    SurfaceClass.TINT,
    SurfaceClass.UNCUT,
    SurfaceClass.SCORE,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """Connected marks of one class raster.

    Parameters
    ----------
    labels : (R, C) int32 array
        0 where there is no mark, else 1 + index into the arrays below.
    pixels, owner : (K,) int arrays
        Flat index of every pixel of a mark, and the mark (from 0) that it belongs to.
    class_code : (N,) uint8 array
    area_mm2, eq_diam_mm : (N,) arrays
    perimeter_mm : (N,) array
        Length of the edge, by Crofton's formula over rows and columns.
    xy_mm : (N, 2) array
        Centroids.
    mark_id : (N,) int64 array
        Row of the survey's own `marks` table, -1 where it lists none.
    confidence : (N,) array
        Mean confidence of the class over the mark, 0..1.
    zone : (N,) uint8 array
        Value of the drawing's zone raster that most of the mark lies in.
    flags : (N,) int64 array
        Of the row in the `marks` table, 0 without one.
    zone_edge_mm : (Z, 8) array
        Edge of the marks inside each zone (row: value of the zone raster) by class code; column 0 is the
        edge of all affected metal taken as one, so that a pit inside a stain adds none.
    """

    labels: NDArray[np.int32]
    pixels: NDArray[np.int64]
    owner: NDArray[np.int32]
    class_code: NDArray[np.uint8]
    area_mm2: NDArray[np.float64]
    eq_diam_mm: NDArray[np.float64]
    perimeter_mm: NDArray[np.float64]
    xy_mm: NDArray[np.float64]
    mark_id: NDArray[np.int64]
    confidence: NDArray[np.float64]
    zone: NDArray[np.uint8]
    flags: NDArray[np.int64]
    zone_edge_mm: NDArray[np.float64]

    def with_labels(self, labels: NDArray[np.int32], xy_mm: NDArray[np.float64]) -> Marks:
        """The same marks drawn elsewhere."""
        pixels = np.flatnonzero(labels != 0)
        return replace(self, labels=labels, pixels=pixels, owner=labels.ravel()[pixels] - 1, xy_mm=xy_mm)

    def subset(self, index: NDArray[np.int64]) -> Marks:
        """Only these marks, renumbered in the order given."""
        renumber = np.full(len(self), -1, np.int32)
        renumber[index] = np.arange(len(index))
        owner = renumber[self.owner]
        kept = owner >= 0
        labels = np.zeros_like(self.labels)
        labels.ravel()[self.pixels[kept]] = owner[kept] + 1
        columns = (
            "class_code",
            "area_mm2",
            "eq_diam_mm",
            "perimeter_mm",
            "xy_mm",
            "mark_id",
            "confidence",
            "zone",
            "flags",
        )
        return replace(
            self,
            labels=labels,
            pixels=self.pixels[kept],
            owner=owner[kept],
            **{name: getattr(self, name)[index] for name in columns},
        )

    def __len__(self) -> int:
        return len(self.class_code)


def onto_grid(
    raster: NDArray[Any], grid: Grid, target: Grid, *, fill: float, matrix: NDArray[np.float64] | None = None
) -> NDArray[Any]:
    """A raster on another grid, nearest pixel, after an affine in mm.

    Parameters
    ----------
    raster : (R, C) array
        On `grid`; uint8 or float32.
    target : Grid
    fill : float
        For pixels that `raster` does not reach.
    matrix : (2, 3) array or None
        Takes mm of `grid` to mm of `target`.
    """
    if raster.shape != grid.shape:
        raise InputError(f"class map: raster {raster.shape} does not fit its grid {grid.shape}")
    if grid == target and matrix is None:
        return raster
    step = np.eye(3)
    if matrix is not None:
        step[:2] = matrix
    whole = np.linalg.inv(target.px_to_mm_matrix) @ step @ grid.px_to_mm_matrix
    return cv2.warpAffine(
        raster,
        whole[:2],
        (target.n_cols, target.n_rows),
        flags=cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float(fill),
    )


def label_marks(
    codes: NDArray[np.uint8],
    confidence: NDArray[np.float32] | None,
    grid: Grid,
    zones: NDArray[np.uint8],
    table: pd.DataFrame | None,
    *,
    min_diam_mm: float,
) -> Marks:
    """Connected marks (8 neighbours) of every class of :data:`MARK_CLASSES`.

    Parameters
    ----------
    codes : (R, C) uint8 array
        Class raster on `grid`.
    confidence : (R, C) float32 array or None
        None counts as 1 everywhere.
    zones : (R, C) uint8 array
        The drawing's zone raster.
    table : pandas.DataFrame or None
        The survey's own `marks`; rows are tied by class and nearest centroid.
    min_diam_mm : float
        Specks of a smaller equivalent diameter are not marks (their area still counts in the zones).
    """
    keep = np.zeros(256, np.uint8)
    for code in MARK_CLASSES:
        keep[code] = code
    labels, n = label(keep[codes], connectivity=2, background=0, return_num=True)
    pixels = np.flatnonzero(labels != 0)
    at = labels.ravel()[pixels]
    count = np.bincount(at, minlength=n + 1).astype(float)
    smallest = math.pi / 4 * min_diam_mm**2 / grid.pixel_area_mm2
    chosen = np.flatnonzero(count >= max(2.0, smallest))
    chosen = chosen[chosen > 0]
    renumber = np.zeros(n + 1, np.int32)
    renumber[chosen] = np.arange(1, len(chosen) + 1)
    new = renumber[at]
    pixels, new = pixels[new > 0], new[new > 0] - 1
    out = np.zeros(labels.shape, np.int32)
    out.ravel()[pixels] = new + 1
    rows, cols = np.divmod(pixels, labels.shape[1])
    m = len(chosen)
    size = np.bincount(new, minlength=m).astype(float)
    centre = (
        np.column_stack([np.bincount(new, cols, m), np.bincount(new, rows, m)]) / np.maximum(size, 1)[:, None]
    )
    class_code = np.zeros(m, np.uint8)
    class_code[new] = codes[rows, cols]
    sure = np.ones(len(new)) if confidence is None else confidence[rows, cols].astype(float)
    n_zones = int(zones.max(initial=0)) + 1
    votes = np.bincount(new * n_zones + zones[rows, cols], minlength=m * n_zones).reshape(m, n_zones)
    sides = _sides(out, rows, cols, new + 1) * grid.mm_per_px
    zone_edge = np.zeros((n_zones, 8))
    at_zone, at_code = zones[rows, cols], codes[rows, cols]
    np.add.at(zone_edge, (at_zone, at_code), sides)
    is_affected = np.isin(at_code, AFFECTED)
    affected = np.zeros(256, np.uint8)
    affected[list(AFFECTED)] = 1
    r, c = rows[is_affected], cols[is_affected]
    np.add.at(
        zone_edge[:, 0], zones[r, c], _sides(affected[codes], r, c, np.ones(1, np.uint8)) * grid.mm_per_px
    )
    area = size * grid.pixel_area_mm2
    xy = grid.px_to_mm(centre)
    mark_id, flags = _tie(class_code, xy, area, table)
    return Marks(
        labels=out,
        pixels=pixels,
        owner=new,
        class_code=class_code,
        area_mm2=area,
        eq_diam_mm=np.sqrt(4 * area / math.pi),
        perimeter_mm=np.bincount(new, sides, m).astype(float),
        xy_mm=xy,
        mark_id=mark_id,
        confidence=np.bincount(new, sure, m) / np.maximum(size, 1),
        zone=votes.argmax(1).astype(np.uint8),
        flags=flags,
        zone_edge_mm=zone_edge,
    )


def _sides(
    raster: NDArray[Any], rows: NDArray[np.intp], cols: NDArray[np.intp], own: NDArray[Any]
) -> NDArray[np.float64]:
    """For each pixel pi/4 times the number of its sides where `raster` is not `own` (Crofton), px."""
    padded = np.pad(raster, 1)
    n = np.zeros(len(rows))
    for step_row, step_col in ((1, 2), (1, 0), (2, 1), (0, 1)):
        n += padded[rows + step_row, cols + step_col] != own
    return math.pi / 4 * n


def _tie(
    class_code: NDArray[np.uint8],
    xy: NDArray[np.float64],
    area: NDArray[np.float64],
    table: pd.DataFrame | None,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """`mark_id` and flags for each mark, from the nearest row of its class within half its diameter."""
    ids, flags = np.full(len(xy), -1, np.int64), np.zeros(len(xy), np.int64)
    if table is None or not len(table):
        return ids, flags
    for code in np.unique(class_code):
        rows = table[table["class_code"] == int(code)]
        mine = np.flatnonzero(class_code == code)
        if not len(rows):
            continue
        dist, near = cKDTree(rows[["x_mm", "y_mm"]].to_numpy(float)).query(xy[mine])
        close = dist <= np.maximum(0.3, np.sqrt(area[mine] / math.pi))
        ids[mine[close]] = rows["mark_id"].to_numpy(np.int64)[near[close]]
        flags[mine[close]] = rows["flags"].to_numpy(np.int64)[near[close]]
    return ids, flags
