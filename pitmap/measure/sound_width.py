"""Sound width of the seal land: the narrowest places, their intervals and their paths."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..estimate import Estimate
from ..grid import Grid
from .crossings import CrossingGraph, build_graph
from .land_edges import LandEdges
from .land_graphs import land_graphs
from .narrow_places import NarrowPlaces
from .schemas import LANDS
from .settings import MeasureSettings

__all__ = ["LandWidths", "measure_land"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandWidths:
    """Narrowest places of the land.

    Parameters
    ----------
    table : DataFrame
        By the schema ``lands``, narrowest first.
    paths : tuple of (n, 2) float array
        The crossing of each row, from the running side to the coolant side, mm.
    narrowest_mm, bright_narrowest_mm : Estimate
        The least of them; and the least when stain and heat film count as damage too.
    leaking : (rows, columns) bool array or None
        Pixels of the spots on leak paths, full raster; None without a land.
    """

    table: pd.DataFrame
    paths: tuple[NDArray[np.float64], ...]
    narrowest_mm: Estimate
    bright_narrowest_mm: Estimate
    leaking: NDArray[np.bool_] | None


def measure_land(
    codes: NDArray[np.uint8],
    land: NDArray[np.bool_],
    grid: Grid,
    edges: LandEdges | None,
    settings: MeasureSettings,
    alignment_error_mm: float = 0.0,
    chance: NDArray[np.uint8] | None = None,
) -> LandWidths:
    """Narrowest places of the seal land.

    Sound width is the least length of sound metal that any path from the running side to the coolant side must
    cross: the minimum over paths of the integral of 1[sound] ds. A land of width w with one round pit of diameter d
    in it has w - d; a chain of spots from edge to edge has 0, a leak path.

    Parameters
    ----------
    codes : (rows, columns) uint8 array
        Class raster.
    land : (rows, columns) bool array
        Pixels of the seal land.
    grid : Grid
    edges : LandEdges or None
        None gives an empty table and estimates that say why, and so does a land of which nothing was seen.
    settings : MeasureSettings
    alignment_error_mm : float
        Standard deviation of the drawing's place on the photo, mm.
    chance : (rows, columns) uint8 array, optional
        From :func:`pitmap.measure.break_chance`; without it nothing is in doubt.

    Notes
    -----
    Metal not seen is neither sound nor damaged: the value and the high end take it as sound, the low end
    takes it as damaged. The low end does the same with metal that may be damaged (``settings.may_break``), and the high
    end counts only what is damaged beyond doubt (``settings.surely_breaks``; a score is, because only what has the shape
    of one is called so). Where a width hangs on one or the other the row is flagged. Both ends carry the error of the
    width itself, and of the alignment where a spot reaches an edge of the land.

    Discretisation: a crossing through one spot is off by 0.2 pixels as a rule and by under a pixel at worst
    (tested on single pits); through n spots by sqrt(n) times that.
    """
    if edges is None or not land.any():
        return _not_measured("the drawing has no seal land", settings.level)
    if not (land & (codes != SurfaceClass.UNSEEN) & (codes != SurfaceClass.OUTSIDE)).any():
        return _not_measured("nothing of the seal land was seen", settings.level)
    left, top, width, height = cv2.boundingRect(land.view(np.uint8))
    window, corner = np.s_[top : top + height, left : left + width], (left, top)
    code, metal = codes[window], land[window]
    inner = cv2.erode(metal.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    # Along the drawn edges one pixel of "outside" is only the raster's rounding; elsewhere it is metal not seen.
    unseen = (metal & (code == SurfaceClass.UNSEEN)) | (inner & (code == SurfaceClass.OUTSIDE))
    broken = _one_of(code, settings.breaks_contact) & metal
    colour = _one_of(code, (SurfaceClass.STAIN, SurfaceClass.TINT)) & metal & ~broken
    doubted, unsure = np.zeros_like(metal), np.zeros_like(metal)
    if chance is not None:
        read = metal & (code != SurfaceClass.UNSEEN) & (code != SurfaceClass.OUTSIDE)
        doubted = read & (chance[window] >= 255 * settings.may_break)
        unsure = broken & (chance[window] < 255 * settings.surely_breaks) & (code != SurfaceClass.SCORE)
    min_px = settings.min_mark_mm2 * grid.px_per_mm**2

    def build(mask: NDArray[np.bool_]) -> CrossingGraph:
        return build_graph(mask, corner, grid, edges, min_px)

    # neither needs the other's answer
    with ThreadPoolExecutor(max_workers=1) as worker:
        # of bright metal nobody asks whether it is what was not seen or what is in doubt that leaves less
        bright_graphs = (
            worker.submit(
                land_graphs, broken | colour, np.zeros_like(unseen), doubted | unseen, unsure, build
            )
            if colour.any()
            else None
        )
        graphs = land_graphs(broken, unseen, doubted, unsure, build)
        clean = build(np.zeros_like(metal))
        places = NarrowPlaces(graphs, clean, grid, edges, settings, alignment_error_mm)
        rows, paths = places.collect()
        narrowest = bright = places.narrowest_mm()
        if bright_graphs is not None:
            bright = _no_more_than(narrowest, places.narrowest_of(bright_graphs.result()))
    leaking = np.zeros(grid.shape, bool)
    for node in places.leaking_spots():
        mask, row, col = graphs.seen.mask_of(node)
        leaking[window][row : row + mask.shape[0], col : col + mask.shape[1]] |= mask
    return LandWidths(
        table=LANDS.frame(rows),
        paths=tuple(paths),
        narrowest_mm=narrowest,
        bright_narrowest_mm=bright,
        leaking=leaking,
    )


def _not_measured(reason: str, level: float) -> LandWidths:
    unknown = Estimate.unknown(reason, level=level)
    return LandWidths(
        table=LANDS.empty(), paths=(), narrowest_mm=unknown, bright_narrowest_mm=unknown, leaking=None
    )


def _no_more_than(sound: Estimate, bright: Estimate) -> Estimate:
    """Bright metal is sound: its width ends nowhere beyond that of the sound metal, which may hang on another place."""
    value = min(bright.value, sound.value)
    return replace(
        bright, value=value, low=min(bright.low, sound.low), high=max(value, min(bright.high, sound.high))
    )


def _one_of(code: NDArray[np.uint8], classes: tuple[SurfaceClass, ...]) -> NDArray[np.bool_]:
    wanted = np.zeros(256, np.uint8)
    wanted[[int(c) for c in classes]] = 1
    return cv2.LUT(np.ascontiguousarray(code), wanted).view(bool)
