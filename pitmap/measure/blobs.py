"""Marks of one class on the raster, and their shapes in pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import SurfaceClass
from .lined_up import lined_up

__all__ = ["Blobs", "find_blobs"]

_STEP_STRAIGHT, _STEP_DIAGONAL = 0.948, 1.340
"""Lengths of chain-code steps that give a straight line of any direction its length on average
(Z. Kulpa, Computer Graphics and Image Processing 6 (1977) 434-454)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blobs:
    """The marks of one class; every array has one entry per mark.

    Parameters
    ----------
    class_code : int
    area_px : (n,) int array
        Pixels.
    centroid_cr : (n, 2) float array
        (column, row).
    confidence : (n,) float array
        Mean over the mark.
    zone_px : (n, 1 + zones) int array
        Pixels of the mark outside every zone and in each zone.
    perimeter_px : (n,) float array
        Length of all its edges, holes included.
    length_px, width_px : (n,) float array
        Sides of the smallest rectangle around it.
    edge_cr : (m, 2) int array
        Edge pixels of all marks, (column, row), and those that were asked for besides.
    edge_owner : (m,) int array
        Which mark each edge pixel belongs to.
    """

    class_code: int
    area_px: NDArray[np.int64]
    centroid_cr: NDArray[np.float64]
    confidence: NDArray[np.float64]
    zone_px: NDArray[np.int64]
    perimeter_px: NDArray[np.float64]
    length_px: NDArray[np.float64]
    width_px: NDArray[np.float64]
    edge_cr: NDArray[np.int64]
    edge_owner: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.area_px)


def find_blobs(
    mask: NDArray[np.bool_],
    class_code: int,
    confidence: NDArray[np.float32],
    zone_raster: NDArray[np.uint8],
    n_zones: int,
    min_px: float,
    besides: NDArray[np.bool_] | None = None,
) -> Blobs:
    """Marks of a mask (8-connected) of at least `min_px` pixels, largest first.

    Parameters
    ----------
    besides : (rows, columns) bool array, optional
        Pixels that stand among the edge pixels of a mark though they lie inside it: edges of the drawing that it reaches
        over have none of its own.

    Notes
    -----
    The perimeter is never less than that of the disc of the same area (isoperimetric inequality). Pieces of scores that
    lie on one line are one mark.
    """
    mask8 = mask.view(np.uint8)
    left, top, width, height = cv2.boundingRect(mask8)
    if width == 0:
        return _none(class_code, n_zones)
    window = np.s_[top : top + height, left : left + width]
    crop = np.ascontiguousarray(mask8[window])
    n_labels, labels = cv2.connectedComponents(crop, connectivity=8, ltype=cv2.CV_32S)
    col, row = cv2.findNonZero(crop).reshape(-1, 2).T.astype(np.int64)
    label = labels.reshape(-1)[row * width + col]
    if class_code == SurfaceClass.SCORE:
        mark_of = lined_up(col, row, label)
        labels, label = mark_of[labels], mark_of[label]
    areas = np.bincount(label, minlength=n_labels)
    kept = np.flatnonzero(areas >= max(1.0, min_px))
    if kept.size == 0:
        return _none(class_code, n_zones)
    kept = kept[np.argsort(-areas[kept], kind="stable")]
    n = kept.size
    place = np.full(areas.size, n, np.int64)
    place[kept] = np.arange(n)

    owner = place[label]
    in_full = (row + top) * mask.shape[1] + col + left
    zone = zone_raster.reshape(-1)[in_full].astype(np.int64)
    zone_px = np.bincount(owner * (n_zones + 1) + zone, minlength=(n + 1) * (n_zones + 1))
    centroid = np.column_stack([np.bincount(owner, v, minlength=n + 1)[:n] / areas[kept] for v in (col, row)])
    sure = np.bincount(owner, weights=confidence.reshape(-1)[in_full], minlength=n + 1)[:n]

    edge_cr, edge_owner, perimeter, length, breadth = _edges(crop, labels, place, areas[kept])
    if besides is not None:
        asked = np.flatnonzero(besides.reshape(-1)[in_full] & (owner < n))
        edge_cr = np.concatenate([edge_cr, np.column_stack([col[asked], row[asked]])])
        edge_owner = np.concatenate([edge_owner, owner[asked]])
    return Blobs(
        class_code=class_code,
        area_px=areas[kept],
        centroid_cr=centroid + [left, top],
        confidence=sure / areas[kept],
        zone_px=zone_px.reshape(n + 1, n_zones + 1)[:n],
        perimeter_px=perimeter,
        length_px=length,
        width_px=breadth,
        edge_cr=edge_cr + [left, top],
        edge_owner=edge_owner,
    )


def _edges(crop, labels, place, areas):  # type: ignore[no-untyped-def]
    n = len(areas)
    contours, hierarchy = cv2.findContours(crop, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    is_hole = hierarchy.reshape(-1, 4)[:, 3] >= 0
    first = np.array([c.reshape(-1, 2)[0] for c in contours])
    owner = place[labels[first[:, 1], first[:, 0]]]
    wanted = np.flatnonzero(owner < n)
    length, breadth = np.zeros(n), np.zeros(n)
    outer: dict[int, list[NDArray[np.int32]]] = {}
    for k in wanted[~is_hole[wanted]]:
        outer.setdefault(int(owner[k]), []).append(contours[k])
    for mark, pieces in outer.items():
        _, (a, b), _ = cv2.minAreaRect(np.concatenate(pieces))
        # The rectangle goes through pixel centres; the metal reaches half a pixel further on each side.
        length[mark], breadth[mark] = max(a, b) + 1.0, min(a, b) + 1.0
    sizes = np.array([len(contours[k]) for k in wanted])
    points = np.concatenate([contours[k].reshape(-1, 2) for k in wanted]).astype(np.int64)
    ends = np.cumsum(sizes)
    after = np.arange(1, len(points) + 1)
    after[ends - 1] = ends - sizes
    moved = np.abs(points[after] - points).sum(1)
    step = np.where(moved == 2, _STEP_DIAGONAL, np.where(moved == 1, _STEP_STRAIGHT, 0.0))
    perimeter = np.bincount(owner[wanted], weights=np.add.reduceat(step, ends - sizes), minlength=n)
    # The chain runs through pixel centres, which short-changes marks of a few pixels.
    perimeter = np.maximum(perimeter, 2 * np.sqrt(math.pi * areas))
    return points, np.repeat(owner[wanted], sizes), perimeter, length, breadth


def _none(class_code: int, n_zones: int) -> Blobs:
    return Blobs(
        class_code=class_code,
        area_px=np.zeros(0, np.int64),
        centroid_cr=np.zeros((0, 2)),
        confidence=np.zeros(0),
        zone_px=np.zeros((0, n_zones + 1), np.int64),
        perimeter_px=np.zeros(0),
        length_px=np.zeros(0),
        width_px=np.zeros(0),
        edge_cr=np.zeros((0, 2), np.int64),
        edge_owner=np.zeros(0, np.int64),
    )
