"""Fit the error model on maps whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..classes import CLASS_WORDS, SurfaceClass
from ..drawing import Drawing
from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL
from ..grid import Grid
from .blobs import Blobs, find_blobs
from .doubt import chance_of
from .errors_model import ClassErrors, ErrorModel
from .frame import MeasureFrame, make_frame
from .settings import MeasureSettings
from .sound_width import measure_land
from .zone_shares import CLASSES, ZoneMeasure, zone_measures

__all__ = ["MapPair", "fit_error_model"]

MIN_PAIRS = 5
_MATCH_SHARE = 0.3
"""A mark counts as found, or as true, when this share of it is covered by the other map."""
_MIN_MARKS = 12
_LARGE_MM2 = 20.0
_WIDTH_SDS_MM = np.geomspace(0.02, 3.0, 26)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MapPair:
    """A class map and the truth of the same face on the same grid.

    Parameters
    ----------
    found, truth : ClassMap
        Codes 255 of the truth (hidden) leave every comparison.
    drawing : Drawing
    alignment_error_mm : float
        As it would be passed to :func:`pitmap.measure.measure`.
    """

    found: Any
    truth: Any
    drawing: Drawing
    alignment_error_mm: float = 0.0


@dataclass
class _Evidence:
    """What the pairs say about one class."""

    zones: list[tuple[ZoneMeasure, float, float]] = field(default_factory=list)
    """Found figures, true share, alignment error."""
    edge_by_picture: list[NDArray[np.float64]] = field(default_factory=list)
    n_found: int = 0
    n_false: int = 0
    n_true: int = 0
    n_missed: int = 0


def fit_error_model(
    pairs: Sequence[MapPair],
    *,
    level: float = DEFAULT_LEVEL,
    fitted_on: str = "",
    settings: MeasureSettings | None = None,
) -> ErrorModel:
    """The error model under which intervals cover the truth as often as they say.

    Parameters
    ----------
    pairs : sequence of MapPair
        Five at least; they should be of the kind that is measured later.
    level : float
        Coverage to reach.
    fitted_on : str
        What the pairs are, for the record.
    settings : MeasureSettings, optional
        Smallest mark and classes that break contact.

    Raises
    ------
    NotEnoughData
        Fewer than five pairs.
    InputError
        Maps of one pair on different grids.

    Notes
    -----
    Edges: (true area - found area) / length of the edge of every mark that both maps have; its mean per
    picture gives the common part and the bias, its scatter within a picture the separate part. False and missed
    marks are counted. What is left of large areas is the relative part. Last, `spread` is the factor at which
    the wanted share of zones is covered (split-conformal quantile with the finite-sample correction). A class
    with too few marks keeps its starting point, and only its spread is fitted.

    References
    ----------
    V. Vovk, A. Gammerman and G. Shafer, Algorithmic Learning in a Random World, Springer 2005 (conformal
    quantile).
    """
    if len(pairs) < MIN_PAIRS:
        raise NotEnoughData(f"error model: {len(pairs)} pairs of maps given, {MIN_PAIRS} at least are needed")
    settings = settings or MeasureSettings()
    evidence = {w: _Evidence() for w in ErrorModel().classes}
    frames: dict[tuple[int, Grid], MeasureFrame] = {}
    for pair in pairs:
        if pair.found.grid != pair.truth.grid:
            raise InputError("error model: the two maps of a pair must be on one grid")
        key = id(pair.drawing), pair.found.grid
        if key not in frames:
            frames[key] = make_frame(pair.drawing, pair.found.grid)
        _collect(pair, frames[key], settings, evidence)
    classes = {word: _fit_class(ErrorModel().classes[word], e, level) for word, e in evidence.items()}
    model = ErrorModel(classes=classes, fitted_on=fitted_on or f"{len(pairs)} pairs of maps with known truth")
    return replace(model, width_sd_mm=_fit_width(pairs, frames, replace(settings, errors=model, level=level)))


def _collect(
    pair: MapPair, frame: MeasureFrame, settings: MeasureSettings, evidence: dict[str, _Evidence]
) -> None:
    found, truth = np.ascontiguousarray(pair.found.codes), np.ascontiguousarray(pair.truth.codes)
    min_px = settings.min_mark_mm2 * frame.grid.px_per_mm**2
    n_zones = len(frame.zone_names)
    confidence = np.ascontiguousarray(pair.found.confidence, dtype=np.float32)
    blobs: dict[int, Blobs] = {}
    for code in CLASSES:
        blobs[int(code)] = find_blobs(
            found == code, int(code), confidence, frame.zone_raster, n_zones, min_px
        )
        _match(found, truth, code, min_px, frame.grid.mm_per_px, evidence[CLASS_WORDS[code]])
    measured = zone_measures(found, blobs, frame, getattr(pair.found, "probabilities", None))
    true = zone_measures(truth, {}, frame)
    for f, t in zip(measured, true):
        if f.seen_mm2 > 0 and t.seen_mm2 > 0:
            evidence[f.word].zones.append((f, t.area_mm2 / t.seen_mm2, pair.alignment_error_mm))


def _match(found, truth, code, min_px, mm_per_px, out: _Evidence) -> None:  # type: ignore[no-untyped-def]
    """Marks of both maps against each other."""
    known = (truth != SurfaceClass.UNSEEN) & (found != SurfaceClass.UNSEEN)
    maps = [((m == code) & known).astype(np.uint8) for m in (found, truth)]
    if not (maps[0].any() or maps[1].any()):
        return
    labels, areas = zip(*(_labels(m) for m in maps))
    pair_of = labels[0].astype(np.int64) * len(areas[1]) + labels[1]
    both = (maps[0] & maps[1]).astype(bool)
    keys, shared = np.unique(pair_of[both], return_counts=True)
    a, b = keys // len(areas[1]), keys % len(areas[1])
    hit = [
        np.bincount(a, weights=shared, minlength=len(areas[0])),
        np.bincount(b, weights=shared, minlength=len(areas[1])),
    ]
    big = [np.flatnonzero(x >= max(1.0, 4 * min_px)) for x in areas]
    out.n_found += len(big[0])
    out.n_false += int((hit[0][big[0]] < _MATCH_SHARE * areas[0][big[0]]).sum())
    out.n_true += len(big[1])
    out.n_missed += int((hit[1][big[1]] < _MATCH_SHARE * areas[1][big[1]]).sum())
    # One to one only: marks that the other map has split or joined say nothing about edges.
    single = (np.bincount(a, minlength=len(areas[0]))[a] == 1) & (
        np.bincount(b, minlength=len(areas[1]))[b] == 1
    )
    single &= (areas[0][a] >= max(1.0, 4 * min_px)) & (shared > 0.5 * np.minimum(areas[0][a], areas[1][b]))
    if single.sum() >= 3:
        area = areas[0][a[single]]
        edge = 2 * np.sqrt(math.pi * area) * mm_per_px
        out.edge_by_picture.append((areas[1][b[single]] - area) * mm_per_px**2 / edge)


def _labels(mask: NDArray[np.uint8]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8, ltype=cv2.CV_32S)
    areas = stats[:, cv2.CC_STAT_AREA].astype(np.int64)
    areas[0] = 0
    return labels, areas


def _fit_class(start: ClassErrors, e: _Evidence, level: float) -> ClassErrors:
    errors = start
    if sum(map(len, e.edge_by_picture)) >= _MIN_MARKS and len(e.edge_by_picture) >= 3:
        errors = _fit_edges(errors, e.edge_by_picture)
    # Rule of succession, so that a rate is never exactly nothing.
    if e.n_found >= _MIN_MARKS:
        errors = replace(errors, false_rate=min(0.8, (e.n_false + 1) / (e.n_found + 2)))
    if e.n_true >= _MIN_MARKS:
        errors = replace(errors, miss_rate=min(0.8, (e.n_missed + 1) / (e.n_true + 2)))
    blank = [t for f, t, _ in e.zones if f.area_mm2 == 0]
    if len(blank) >= 5:
        errors = replace(errors, blank_share=max(1e-6, _quantile(np.array(blank), level)))
    errors = replace(errors, relative_sd=_relative(e, errors))
    needed = np.array([_needed_spread(f, t, a, errors, level) for f, t, a in e.zones if f.area_mm2 > 0])
    if len(needed) >= 5:
        errors = replace(errors, spread=float(np.clip(_quantile(needed, level), 0.2, 20.0)))
    return errors


def _fit_edges(errors: ClassErrors, by_picture: list[NDArray[np.float64]]) -> ClassErrors:
    means = np.array([np.median(x) for x in by_picture])
    within = np.concatenate([x - m for x, m in zip(by_picture, means)])
    separate = 1.4826 * float(np.median(np.abs(within)))
    # The mean of a picture scatters by the separate part too.
    noise = float(np.mean([separate**2 * math.pi / 2 / len(x) for x in by_picture]))
    common = math.sqrt(max(1e-8, float(means.var(ddof=1)) - noise))
    return replace(errors, edge_bias_mm=float(np.median(means)), edge_sd_mm=common, edge_mark_sd_mm=separate)


def _relative(e: _Evidence, errors: ClassErrors) -> float:
    """Relative scatter of large areas beyond what the other parts explain; the starting point with too few."""
    large = [(f, t) for f, t, _ in e.zones if f.area_mm2 > _LARGE_MM2 and t > 0]
    if len(large) < _MIN_MARKS:
        return errors.relative_sd
    bare = replace(errors, relative_sd=0.0, spread=1.0)
    log = np.array([math.log(t * f.seen_mm2 / f.area_mm2) for f, t in large])
    explained = np.array([f.sd_mm2(bare) / f.area_mm2 for f, _ in large])
    scatter = 1.4826 * float(np.median(np.abs(log - np.median(log))))
    return math.sqrt(max(1e-4, scatter**2 - float(np.median(explained)) ** 2))


def _needed_spread(
    f: ZoneMeasure, true_share: float, alignment: float, errors: ClassErrors, level: float
) -> float:
    """Smallest spread whose interval covers the truth."""

    def covers(spread: float) -> bool:
        low, high = f.share_interval(replace(errors, spread=spread), level, alignment)
        return low <= true_share <= high

    lo, hi = 1e-3, 64.0
    if covers(lo):
        return lo
    if not covers(hi):
        return hi
    for _ in range(24):
        mid = math.sqrt(lo * hi)
        lo, hi = (lo, mid) if covers(mid) else (mid, hi)
    return hi


def _quantile(values: NDArray[np.float64], level: float) -> float:
    """Conformal quantile: the ceil((n + 1) level)-th smallest, the largest when there are too few."""
    rank = min(len(values), math.ceil((len(values) + 1) * level))
    return float(np.sort(values)[rank - 1])


def _fit_width(
    pairs: Sequence[MapPair], frames: Mapping[tuple[int, Grid], MeasureFrame], settings: MeasureSettings
) -> float:
    """Extra scatter of the sound width, from the narrowest place of every land."""
    needed = []
    z = float(ndtri(0.5 + settings.level / 2))
    quiet = replace(settings, errors=replace(settings.errors, width_sd_mm=0.0), n_places=1)
    for pair in pairs:
        frame = frames[id(pair.drawing), pair.found.grid]
        if frame.edges is None:
            continue
        args = (frame.land, frame.grid, frame.edges, quiet)
        got = measure_land(
            np.ascontiguousarray(pair.found.codes),
            *args,
            pair.alignment_error_mm,
            chance_of(pair.found, frame.land, quiet),
        ).narrowest_mm
        true = measure_land(np.ascontiguousarray(pair.truth.codes), *args).narrowest_mm.value
        away = max(got.low - true, true - got.high, 0.0)
        half = max(got.value - got.low, got.high - got.value) / z
        # (z s)^2 = (z half)^2 + (z extra)^2 must reach as far as the truth
        needed.append(math.sqrt(max(0.0, ((half * z + away) / z) ** 2 - half**2)))
    if len(needed) < MIN_PAIRS:
        return ErrorModel().width_sd_mm
    wanted = _quantile(np.array(needed), settings.level)
    return float(_WIDTH_SDS_MM[min(len(_WIDTH_SDS_MM) - 1, int(np.searchsorted(_WIDTH_SDS_MM, wanted)))])
