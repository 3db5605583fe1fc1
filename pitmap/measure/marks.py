"""The table of marks: one row per connected spot of a class."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from ..classes import CLASS_WORDS, SurfaceClass
from ..estimate import Estimate
from ..flags import Flag
from ..grid import Grid
from .blobs import Blobs
from .frame import MeasureFrame
from .land_edges import nearest
from .schemas import MARKS
from .seals import wider_than_seal
from .settings import MeasureSettings

__all__ = ["mark_diameter_mm", "marks_table"]


def mark_diameter_mm(area_mm2: float, area_low_mm2: float, area_high_mm2: float) -> Estimate:
    """Diameter of the disc of a mark's area, mm, with the interval of that area; 90 % as in :data:`MARKS`."""
    value, low, high = (2 * math.sqrt(a / math.pi) for a in (area_mm2, area_low_mm2, area_high_mm2))
    return Estimate(value=value, low=low, high=high)


def marks_table(
    blobs: Sequence[Blobs],
    codes: NDArray[np.uint8],
    frame: MeasureFrame,
    settings: MeasureSettings,
    camera_scale: float | None,
    leaking: NDArray[np.bool_] | None,
) -> pd.DataFrame:
    """Rows of the schema ``marks``, by zone (in the drawing's order, no zone last), then area falling.

    Parameters
    ----------
    blobs : sequence of Blobs
        One per class.
    codes : (rows, columns) uint8 array
    frame : MeasureFrame
    settings : MeasureSettings
    camera_scale : float or None
        Photo pixels per mm; the raster's own scale when not known.
    leaking : (rows, columns) bool array or None
        Pixels of spots on leak paths.
    """
    # One pixel more than the metal itself: a mark whose neighbour is not seen runs into it.
    unseen = cv2.dilate((codes == SurfaceClass.UNSEEN).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(
        bool
    )
    parts = [_of_class(b, frame, settings, camera_scale, unseen, leaking) for b in blobs if len(b)]
    if not parts:
        return MARKS.empty()
    columns = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    zone = columns.pop("_zone")
    order = np.lexsort(
        (columns["x_mm"], -columns["area_mm2"], np.where(zone == 0, len(frame.zone_names) + 1, zone))
    )
    columns = {name: values[order] for name, values in columns.items()}
    columns["zone"] = np.array(["", *frame.zone_names], object)[zone[order]]
    columns["mark_id"] = np.arange(1, len(order) + 1)
    return pd.DataFrame({c.name: columns[c.name].astype(c.dtype) for c in MARKS.columns})


def _of_class(b, frame, settings, camera_scale, unseen, leaking):  # type: ignore[no-untyped-def]
    grid: Grid = frame.grid
    word = CLASS_WORDS[SurfaceClass(b.class_code)]
    zone = np.argmax(b.zone_px[:, 1:], axis=1) + 1
    zone[b.zone_px[:, 1:].max(axis=1) == 0] = 0
    col, row = b.edge_cr.T
    n = len(b)
    into_unseen = _any(unseen[row, col], b.edge_owner, n)
    at_edge = _any(~frame.inner_face[row, col], b.edge_owner, n)
    area = b.area_px * grid.pixel_area_mm2
    low, high = _interval(b, area, word, settings, grid)
    high[into_unseen] = np.inf
    length, width = b.length_px * grid.mm_per_px, b.width_px * grid.mm_per_px
    resolved = min(camera_scale or np.inf, grid.px_per_mm)
    centre = grid.px_to_mm(b.centroid_cr)
    dist_trace, dist_coolant = _land_distances(b, frame, n)
    flags = np.zeros(n, np.int64)
    flags |= np.where(into_unseen, int(Flag.TOUCHES_UNSEEN), 0)
    flags |= np.where(at_edge, int(Flag.TOUCHES_EDGE), 0)
    flags |= np.where(width * resolved < settings.n_resolved_px, int(Flag.BELOW_RESOLUTION), 0)
    flags |= np.where(b.confidence < settings.low_confidence, int(Flag.LOW_CONFIDENCE), 0)
    flags |= np.where(wider_than_seal(b, length, width, frame), int(Flag.WIDER_THAN_SEAL), 0)
    if leaking is not None and b.class_code in tuple(int(c) for c in settings.breaks_contact):
        flags |= np.where(_any(leaking[row, col], b.edge_owner, n), int(Flag.CROSSES_LAND), 0)
    return {
        "class_code": np.full(n, b.class_code),
        "class_word": np.full(n, word, object),
        "x_mm": centre[:, 0],
        "y_mm": centre[:, 1],
        "area_mm2": area,
        "area_low_mm2": low,
        "area_high_mm2": high,
        "eq_diam_mm": 2 * np.sqrt(area / np.pi),
        "length_mm": length,
        "width_mm": width,
        "_zone": zone,
        "dist_trace_mm": dist_trace,
        "dist_coolant_mm": dist_coolant,
        "confidence": np.clip(b.confidence, 0, 1),
        "flags": flags,
    }


def _any(what: NDArray[np.bool_], owner: NDArray[np.int64], n: int) -> NDArray[np.bool_]:
    return np.bincount(owner, weights=what, minlength=n) > 0


def _interval(b, area, word, settings, grid):  # type: ignore[no-untyped-def]
    """Area plus and minus the edge error times the length of the edge, log-normal so that it stays
    positive."""
    errors = settings.errors.classes[word]
    perimeter = b.perimeter_px * grid.mm_per_px
    sd = errors.spread * np.hypot(
        perimeter * np.hypot(errors.edge_sd_mm, errors.edge_mark_sd_mm), 0.5 * grid.pixel_area_mm2
    )
    centre = np.maximum(area + errors.edge_bias_mm * perimeter, 0.25 * area)
    half = ndtri(0.5 + settings.level / 2) * np.sqrt(np.log1p((sd / centre) ** 2))
    return np.minimum(centre * np.exp(-half), area), np.maximum(centre * np.exp(half), area)


def _land_distances(b, frame, n):  # type: ignore[no-untyped-def]
    out = np.full((2, n), np.nan)
    if frame.edges is None or n == 0:
        return out
    col, row = b.edge_cr.T
    on_land = frame.land[row, col]
    if not on_land.any():
        return out
    owner = b.edge_owner[on_land]
    points = frame.grid.px_to_mm(b.edge_cr[on_land])
    for k, tree in enumerate((frame.edges.running_tree, frame.edges.coolant_tree)):
        away = np.full(n, np.inf)
        # The mark reaches half a pixel beyond the centres of its edge pixels.
        np.minimum.at(away, owner, np.maximum(nearest(tree, points)[0] - 0.5 * frame.grid.mm_per_px, 0.0))
        out[k] = np.where(np.isfinite(away), away, np.nan)
    return out
