"""From a class map and a drawing to every table of this stage: the order of the steps."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage
from ..drawing import Drawing
from ..errors import InputError
from ..estimate import Estimate
from ..flags import Flag
from ..grid import Grid
from .blobs import Blobs, find_blobs
from .doubt import chance_of
from .frame import MeasureFrame, make_frame
from .marks import marks_table
from .ratings import ratings_table
from .settings import MeasureSettings
from .sound_width import LandWidths, measure_land
from .zone_shares import CLASSES, ZoneMeasure, zone_measures, zones_table

__all__ = ["Measurement", "measure"]


class _ClassMapLike(Protocol):
    """What is needed of a class map."""

    codes: NDArray[np.uint8]
    confidence: NDArray[np.float32]
    grid: Grid
    stage: Any
    probabilities: NDArray[np.float16] | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """Everything measured on one map.

    Parameters
    ----------
    marks, zones, lands, ratings : DataFrame
        By the schemas of :mod:`pitmap.measure.schemas`.
    land_paths : tuple of (n, 2) float array
        The crossing of each row of `lands`, running side first, mm.
    sound_width_mm : Estimate
        Least sound width of the land.
    bright_sound_width_mm : Estimate
        The same when stain and heat film count as damage too.
    zone_measures : tuple of ZoneMeasure
        What the intervals of `zones` were made of.
    """

    marks: pd.DataFrame
    zones: pd.DataFrame
    lands: pd.DataFrame
    ratings: pd.DataFrame
    land_paths: tuple[NDArray[np.float64], ...]
    sound_width_mm: Estimate
    bright_sound_width_mm: Estimate
    zone_measures: tuple[ZoneMeasure, ...]


def measure(
    class_map: _ClassMapLike,
    drawing: Drawing,
    *,
    camera_scale: float | None = None,
    alignment_error_mm: float | None = None,
    settings: MeasureSettings | None = None,
    frame: MeasureFrame | None = None,
    edited: NDArray[np.bool_] | None = None,
    before: Measurement | None = None,
) -> Measurement:
    """Marks, zone shares, sound width of the land and published ratings of one map.

    Parameters
    ----------
    class_map : ClassMap
        Codes, confidence (0 to 1), grid, stage and, if there, class probabilities.
    drawing : Drawing
    camera_scale : float, optional
        Photo pixels per mm (the least over the face); the map's own scale when not given.
    alignment_error_mm : float, optional
        Standard deviation of the drawing's place on the photo; 0 when not given.
    settings : MeasureSettings, optional
    frame : MeasureFrame, optional
        From :func:`pitmap.measure.make_frame`; pass it when the same drawing is measured again.
    edited : (rows, columns) bool array, optional
        Pixels changed by hand; marks on them are flagged, and marks that they were cut out of.
    before : Measurement, optional
        Of the map before it was changed by hand. What its class probabilities left open stays open: a hand says nothing
        of the places that it did not touch.

    Raises
    ------
    InputError
        Arrays that do not fit the grid; a frame of another drawing or grid; a scale or error that is no
        number above 0.
    MeasurementError
        The drawing's seal land is no band.

    Examples
    --------
    >>> result = measure(class_map, drawing, camera_scale=12.0, alignment_error_mm=0.2)  # doctest: +SKIP
    >>> result.sound_width_mm.low  # doctest: +SKIP
    """
    settings = settings or MeasureSettings()
    codes, confidence = _checked(class_map, camera_scale, alignment_error_mm, edited)
    grid: Grid = class_map.grid
    if frame is None:
        frame = make_frame(drawing, grid)
    elif frame.drawing is not drawing or frame.grid != grid:
        raise InputError("measure: the frame was made for another drawing or grid; make one with make_frame")
    stage = class_map.stage if isinstance(class_map.stage, Stage) else Stage(str(class_map.stage))
    alignment = alignment_error_mm or 0.0

    # neither needs the other's answer
    with ThreadPoolExecutor(max_workers=1) as worker:
        finding = worker.submit(_all_blobs, codes, confidence, frame, settings)
        land = measure_land(
            codes,
            frame.land,
            grid,
            frame.edges,
            settings,
            alignment,
            chance_of(class_map, frame.land, settings),
        )
        blobs = finding.result()
    marks = marks_table(list(blobs.values()), codes, frame, settings, camera_scale, land.leaking)
    if edited is not None and len(marks):
        marks = _flag_edited(marks, blobs, edited, grid)
    measures = zone_measures(
        codes,
        blobs,
        frame,
        getattr(class_map, "probabilities", None),
        () if before is None else before.zone_measures,
    )
    zones = zones_table(measures, frame, settings, stage, alignment)
    return _result(land, marks, zones, measures)


def _result(
    land: LandWidths, marks: pd.DataFrame, zones: pd.DataFrame, measures: list[ZoneMeasure]
) -> Measurement:
    return Measurement(
        marks=marks,
        zones=zones,
        lands=land.table,
        ratings=ratings_table(zones, marks),
        land_paths=land.paths,
        sound_width_mm=land.narrowest_mm,
        bright_sound_width_mm=land.bright_narrowest_mm,
        zone_measures=tuple(measures),
    )


def _checked(class_map, camera_scale, alignment_error_mm, edited):  # type: ignore[no-untyped-def]
    codes = np.ascontiguousarray(class_map.codes)
    confidence = np.ascontiguousarray(class_map.confidence, dtype=np.float32)
    shape = class_map.grid.shape
    if codes.dtype != np.uint8 or codes.shape != shape or confidence.shape != shape:
        raise InputError(
            f"measure: expected codes (uint8) and confidence of {shape}, got {codes.dtype} {codes.shape} "
            f"and {confidence.shape}"
        )
    probabilities = getattr(class_map, "probabilities", None)
    if probabilities is not None and probabilities.shape[1:] != shape:
        raise InputError(f"measure: expected probabilities of (classes, {shape[0]}, {shape[1]})")
    if edited is not None and edited.shape != shape:
        raise InputError(f"measure: expected an edited mask of {shape}, got {edited.shape}")
    if camera_scale is not None and not (np.isfinite(camera_scale) and camera_scale > 0):
        raise InputError(f"measure: camera_scale must be a number of px per mm above 0, got {camera_scale!r}")
    if alignment_error_mm is not None and not (np.isfinite(alignment_error_mm) and alignment_error_mm >= 0):
        raise InputError(
            f"measure: alignment_error_mm must be a number, 0 or more, got {alignment_error_mm!r}"
        )
    return codes, confidence


def _all_blobs(codes, confidence, frame, settings) -> dict[int, Blobs]:  # type: ignore[no-untyped-def]
    min_px = settings.min_mark_mm2 * frame.grid.px_per_mm**2
    n_zones = len(frame.zone_names)
    return {
        int(c): find_blobs(codes == c, int(c), confidence, frame.zone_raster, n_zones, min_px, frame.land_rim)
        for c in CLASSES
    }


def _flag_edited(marks, blobs, edited, grid):  # type: ignore[no-untyped-def]
    """Set the flag on marks whose edge a person drew, found again by class and centroid."""
    # the edge that an eraser left is the mark's own metal, right beside what was edited
    edited = cv2.dilate(edited.astype(np.uint8), np.ones((3, 3), np.uint8))
    touched = set()
    for code, b in blobs.items():
        if len(b):
            col, row = b.edge_cr.T
            hit = np.bincount(b.edge_owner, weights=edited[row, col], minlength=len(b)) > 0
            touched |= {(code, *np.round(xy, 6)) for xy in grid.px_to_mm(b.centroid_cr[hit])}
    key = zip(marks["class_code"], marks["x_mm"].round(6), marks["y_mm"].round(6))
    flags = [f | int(Flag.HAND_EDITED) if k in touched else f for k, f in zip(key, marks["flags"])]
    return marks.assign(flags=np.array(flags, np.int64))
