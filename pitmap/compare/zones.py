"""How much each zone changed, on the metal that both surveys show, and whether that is more than noise."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from ..classes import AFFECTED, CLASS_WORDS, SurfaceClass
from ..drawing import Drawing
from ..grid import Grid
from .decide import Rules
from .difference import difference_interval
from .fates import ZONE_CHANGES, ChangeCode, Fate
from .layer import Layer
from .repeatability import Repeatability

__all__ = ["Zones", "change_raster", "pair_key", "proof_of_change", "tells_uncut", "zone_changes"]

_COUNTED = (SurfaceClass.PIT, SurfaceClass.STAIN, SurfaceClass.TINT, SurfaceClass.UNCUT)
_HIDDEN = 0
"""Place of "not seen" among the seven values that a pixel of one survey can take in a pair key."""
_N = 7
_PROVEN_LEVEL = 0.99
"""Level at which a change counts as more than repeatability: many zones and classes are looked at at
once, so one in ten would cry wolf (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zones:
    """The drawing's zones on the common grid, with their borders.

    Parameters
    ----------
    codes : (R, C) uint8 array
        0 outside every zone, else 1 + place in `names`.
    names : tuple of str
    grid : Grid
    borders : tuple
        Per zone and axis (rows, columns): flat index of the pixel on either side of each border pixel
        side, and +1 or -1 for the way out.
    """

    codes: NDArray[np.uint8]
    names: tuple[str, ...]
    grid: Grid
    borders: tuple[tuple[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]], ...], ...]

    @classmethod
    def of(cls, drawing: Drawing, grid: Grid) -> Zones:
        """Draw the zones on `grid`."""
        codes = drawing.zone_raster(grid, by_centre=True)
        borders = []
        for value in range(1, len(drawing.zone_names) + 1):
            inside = codes == value
            sides = []
            for axis, stride in ((0, grid.n_cols), (1, 1)):
                differs = np.zeros(grid.shape, bool)
                if axis == 0:
                    differs[:-1] = inside[1:] != inside[:-1]
                else:
                    differs[:, :-1] = inside[:, 1:] != inside[:, :-1]
                at = np.flatnonzero(differs)
                sides.append((at, at + stride, np.where(inside.ravel()[at], -1, 1)))
            borders.append(tuple(sides))
        return cls(codes=codes, names=drawing.zone_names, grid=grid, borders=tuple(borders))


def pair_key(
    before: NDArray[np.uint8], after: NDArray[np.uint8], zones: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """Zone, class before and class after of every pixel in one byte: ``49 zone + 7 before + after``.

    Classes stand as themselves (1 to 6), anything not seen as 0. Tables over this byte make counting and
    drawing one pass over the raster instead of a dozen.
    """
    seen = np.zeros(256, np.uint8)
    seen[1:_N] = np.arange(1, _N)
    zone = np.zeros(256, np.uint8)
    zone[:5] = _N * _N * np.arange(5)
    key = cv2.add(cv2.add(cv2.LUT(before, _N * seen), cv2.LUT(after, seen)), cv2.LUT(zones, zone))
    return np.asarray(key, np.uint8)


def proof_of_change(
    is_beyond_repeatability: bool, low: float, high: float
) -> Literal["yes", "amount uncertain", "no"]:
    """Is a change proven, and its amount? From three columns of :data:`pitmap.compare.ZONE_CHANGES`.

    Two photos can differ for sure while the classes are too unsure to say by how much.
    """
    if not is_beyond_repeatability:
        return "no"
    return "amount uncertain" if low <= 0 <= high else "yes"


def tells_uncut(*layers: Layer) -> bool:
    """False when a survey was made at intake: nothing is freshly cut then, and old finish says nothing of low metal."""
    return all(layer.inspection.stage.is_lapped for layer in layers)


def change_raster(key: NDArray[np.uint8], *, is_uncut_told: bool) -> NDArray[np.uint8]:
    """Codes of :class:`ChangeCode` from a :func:`pair_key`.

    Uncut metal that looks sound in a survey that cannot tell it neither came nor went: that survey does not show it.
    """
    damage = np.zeros(_N, bool)
    damage[[*(int(c) for c in AFFECTED), int(SurfaceClass.SCORE)]] = True
    table = np.full((_N, _N), ChangeCode.UNTOUCHED, np.uint8)
    table[damage[:, None] & damage[None, :]] = ChangeCode.STAYED
    table[damage[:, None] & ~damage[None, :]] = ChangeCode.CLEARED
    table[~damage[:, None] & damage[None, :]] = ChangeCode.CAME
    if not is_uncut_told:
        sound, uncut = int(SurfaceClass.SOUND), int(SurfaceClass.UNCUT)
        table[sound, uncut] = table[uncut, sound] = ChangeCode.UNSEEN
    table[_HIDDEN, :] = ChangeCode.UNSEEN
    table[:, _HIDDEN] = ChangeCode.UNSEEN
    whole = np.full(256, ChangeCode.OUTSIDE, np.uint8)
    whole[_N * _N : 5 * _N * _N] = np.tile(table.ravel(), 4)
    return np.asarray(cv2.LUT(key, whole), np.uint8)


def _misplaced_mm(
    key: NDArray[np.uint8], borders: tuple[tuple[NDArray[np.int64], ...], ...], index: list[int], grid: Grid
) -> float:
    """Area of change, mm2, that a zone gains when its border moves by 1 mm, in the worst direction.

    To first order a zone that lies off by a small vector gains the integral, along its border, of the
    change times the part of that vector across the border; only the border needs looking up.
    """
    before, after = np.divmod(np.arange(256) % (_N * _N), _N)
    change = np.isin(after, index).astype(float) - np.isin(before, index)
    change[(before == _HIDDEN) | (after == _HIDDEN)] = 0.0
    flat = key.ravel()
    flow = [
        float(((change[flat[here]] + change[flat[there]]) * way).sum()) / 2 for here, there, way in borders
    ]
    return math.hypot(*flow) * grid.mm_per_px


def _stated_shares(layer: Layer, level: float) -> dict[tuple[str, str], tuple[float, float, float]]:
    """A survey's own shares by zone and class word, with their intervals stretched from its own level to another."""
    measurement = layer.inspection.measurement
    if measurement is None:
        return {}
    table = measurement.zones
    own = measurement.sound_width_mm.level
    stretch = float(norm.ppf((1 + level) / 2) / norm.ppf((1 + own) / 2))
    value, low, high = table[["share", "share_low", "share_high"]].to_numpy(float).T
    ends = np.clip([value - stretch * (value - low), value + stretch * (high - value)], 0.0, 1.0)
    keys = zip(table["zone"].tolist(), table["class_word"].tolist())
    return dict(zip(keys, zip(value.tolist(), *ends.tolist())))


def _moved(stated: tuple[float, float, float] | None, share: float) -> tuple[float, float, float]:
    """A survey's own interval of a share, moved to the share on the metal that both surveys show."""
    nothing = (math.nan, math.nan, math.nan)
    if stated is None:
        return nothing
    value, low, high = stated
    if math.isnan(low) or math.isnan(high):
        # max() and min() would turn "no interval" into the whole range.
        return nothing
    return share, max(0.0, share + low - value), min(1.0, share + high - value)


def zone_changes(
    key: NDArray[np.uint8],
    before: Layer,
    after: Layer,
    fates: pd.DataFrame,
    zones: Zones,
    repeatability: Repeatability,
    rules: Rules,
    *,
    place_sd_mm: float,
) -> pd.DataFrame:
    """Change of the share of each class in each zone, of the metal that both surveys show.

    Parameters
    ----------
    key : (R, C) uint8 array
        Of :func:`pair_key`.
    before, after : Layer
    fates : pandas.DataFrame
        Marks that are "cannot tell" widen the interval by their own area.
    zones : Zones
    repeatability : Repeatability
    rules : Rules
    place_sd_mm : float
        How far the drawing's zones may lie off the metal, along x and along y, one standard deviation.

    Returns
    -------
    pandas.DataFrame
        Schema :data:`pitmap.compare.ZONE_CHANGES`; shares are NaN where nothing was seen in both, and that of uncut
        metal at intake. Then its change is NaN too, and affected metal is counted without it in both surveys.

    Notes
    -----
    The variance of a difference is that of the marks' edges (one part common to all marks of a photo, one of
    each mark's own) plus, for every mark that may have been misread, its area squared times the share of such
    marks that come and go, plus what a zone gains or loses when the drawing lies a little off the metal. This
    is the repeatability, and what a change is held against. The interval of the change is at least as wide; where
    the surveys state intervals of their own shares, it is that of their difference when that is wider.
    """
    grid = zones.grid
    counts = (
        cv2.calcHist([key], [0], None, [256], [0, 256])
        .ravel()[: 5 * _N * _N]
        .reshape(5, _N, _N)
        .astype(float)
    )
    counts_all = counts.sum((1, 2))
    counts[:, _HIDDEN, :] = 0
    counts[:, :, _HIDDEN] = 0
    z = float(norm.ppf((1 + rules.level) / 2))
    z_proven = float(norm.ppf((1 + _PROVEN_LEVEL) / 2))
    sure_mm2 = math.pi / 4 * rules.sure_diam_mm**2
    alone = fates["kind"].isin(["only_before", "only_after"]) & (fates["fate"] == Fate.CANNOT_TELL)
    alone &= (fates["seen_before"] > 0.5) & (fates["seen_after"] > 0.5)
    lost_diam = np.minimum(fates["eq_diam_mm"].to_numpy(float), rules.misread_diam_mm)[alone.to_numpy()]
    lost_zone, lost_code = (fates[c].to_numpy()[alone.to_numpy()] for c in ("zone", "class_code"))
    stated = [_stated_shares(layer, rules.level) for layer in (before, after)]
    is_uncut_told = tells_uncut(before, after)
    affected = tuple(c for c in AFFECTED if is_uncut_told or c != SurfaceClass.UNCUT)
    rows: list[dict[str, Any]] = []
    for value, name in enumerate(zones.names, 1):
        table = counts[value]
        seen = float(table.sum()) * grid.pixel_area_mm2
        is_here = lost_zone == name
        for classes in (*((c,) for c in _COUNTED), affected):
            index = [int(c) for c in classes]
            share = (
                (float(table[index].sum() / table.sum()), float(table[:, index].sum() / table.sum()))
                if seen
                else (math.nan, math.nan)
            )
            note = "" if seen else "nothing of the zone was seen in both surveys"
            if not is_uncut_told and classes == (SurfaceClass.UNCUT,):
                share = (
                    share[0] if tells_uncut(before) else math.nan,
                    share[1] if tells_uncut(after) else math.nan,
                )
                note = "uncut metal cannot be told at intake"
            elif not is_uncut_told and classes == affected:
                note = note or "without uncut metal, which cannot be told at intake"
            column = index[0] if len(index) == 1 else 0
            edge = sum(float(m.zone_edge_mm[value, column]) for m in (before.marks, after.marks)) / 2
            lost = math.pi / 4 * lost_diam[is_here & np.isin(lost_code, index)] ** 2
            # A zone without a mark in either survey may still hide one just under the sure size.
            specks = float((lost**2).sum()) + sure_mm2**2 / 4
            place = place_sd_mm * _misplaced_mm(key, zones.borders[value - 1], index, grid)
            word = CLASS_WORDS[classes[0]] if len(classes) == 1 else "affected"
            patch = repeatability.patch_sd(word, sum(share) / 2) * seen if seen else 0.0
            variance = repeatability.area_sd_mm2(edge) ** 2 + repeatability.coming_and_going * specks
            variance += place**2 + patch**2
            change = share[1] - share[0]
            sd = math.nan if math.isnan(change) else math.sqrt(variance) / seen
            low, high = change - z * sd, change + z * sd
            own = [_moved(told.get((name, word)), s) for told, s in zip(stated, share)]
            if seen and not any(math.isnan(x) for triple in own for x in triple):
                # The surveys' own intervals know how wrong a class can be, which two like photos cannot show.
                wide = difference_interval(own[0], own[1])
                low, high = min(low, wide[0]), max(high, wide[1])
            rows.append(
                {
                    "zone": name,
                    "class_code": index[0] if len(index) == 1 else -1,
                    "class_word": word,
                    "zone_area_mm2": counts_all[value] * grid.pixel_area_mm2,
                    "seen_area_mm2": seen,
                    "share_before": share[0],
                    "share_after": share[1],
                    "change": change,
                    "change_low": max(-1.0, low),
                    "change_high": min(1.0, high),
                    "least_provable": z_proven * sd,
                    "is_beyond_repeatability": bool(abs(change) > z_proven * sd),
                    "note": note,
                }
            )
    return ZONE_CHANGES.frame(rows)
