"""How much each zone changed, on the metal that both surveys show, and whether that is more than noise."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from ..classes import AFFECTED, CLASS_WORDS, SurfaceClass
from ..grid import Grid
from .decide import Rules
from .fates import ZONE_CHANGES, ChangeCode, Fate
from .marks import Marks
from .repeatability import Repeatability

__all__ = ["change_raster", "zone_changes"]

_COUNTED = (SurfaceClass.PIT, SurfaceClass.STAIN, SurfaceClass.TINT, SurfaceClass.UNCUT)
_PROVEN_LEVEL = 0.99
"""Level at which a change counts as more than repeatability: many zones and classes are looked at at
once, so one in ten would cry wolf (house choice)."""


def change_raster(
    before: NDArray[np.uint8], after: NDArray[np.uint8], zones: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """Codes of :class:`ChangeCode` for two class rasters on one grid.

    Parameters
    ----------
    before, after : (R, C) uint8 arrays
        Class codes.
    zones : (R, C) uint8 array
        The drawing's zone raster; 0 is outside.
    """
    # A table over both codes is one pass over the pixels instead of a dozen comparisons.
    table = np.full((256, 256), ChangeCode.UNTOUCHED, np.uint8)
    damage = np.zeros(256, bool)
    damage[[*(int(c) for c in AFFECTED), int(SurfaceClass.SCORE)]] = True
    table[damage[:, None] & damage[None, :]] = ChangeCode.STAYED
    table[damage[:, None] & ~damage[None, :]] = ChangeCode.CLEARED
    table[~damage[:, None] & damage[None, :]] = ChangeCode.CAME
    hidden = [int(SurfaceClass.UNSEEN), int(SurfaceClass.OUTSIDE)]
    table[hidden, :] = ChangeCode.UNSEEN
    table[:, hidden] = ChangeCode.UNSEEN
    out = table[before, after]
    out[zones == 0] = ChangeCode.OUTSIDE
    return out


def _pair_counts(
    before: NDArray[np.uint8], after: NDArray[np.uint8], zones: NDArray[np.uint8], n_zones: int
) -> NDArray[np.int64]:
    """Pixels per (zone, class before, class after), zone 1.. first; unseen in either dropped."""
    small = np.full(256, 7, np.uint16)
    for code in SurfaceClass:
        small[code] = 7 if code in (SurfaceClass.UNSEEN, SurfaceClass.OUTSIDE) else int(code)
    key = zones.astype(np.uint16) << 6
    key |= small[before] << 3
    key |= small[after]
    count = np.bincount(key.ravel(), minlength=(n_zones + 1) * 64)[: (n_zones + 1) * 64]
    return count.reshape(n_zones + 1, 8, 8)[1:, :7, :7]


def zone_changes(
    before: tuple[NDArray[np.uint8], Marks],
    after: tuple[NDArray[np.uint8], Marks],
    fates: pd.DataFrame,
    zones: NDArray[np.uint8],
    zone_names: tuple[str, ...],
    grid: Grid,
    repeatability: Repeatability,
    rules: Rules,
) -> pd.DataFrame:
    """Change of the share of each class in each zone, of the metal that both surveys show.

    Parameters
    ----------
    before, after : (class raster, Marks)
        On `grid`.
    fates : pandas.DataFrame
        Marks that are "cannot tell" widen the interval by their own area.
    zones, zone_names
        The drawing's zone raster and the names behind 1.. .
    grid : Grid
    repeatability : Repeatability
    rules : Rules

    Returns
    -------
    pandas.DataFrame
        Schema :data:`pitmap.compare.ZONE_CHANGES`; shares are NaN where nothing was seen in both.

    Notes
    -----
    The variance of a difference is that of the marks' edges (one part common to all marks of a photo, one of
    each mark's own) plus, for every mark that may have been misread, its area squared times the share of such
    marks that come and go.
    """
    n = len(zone_names)
    counts = _pair_counts(before[0], after[0], zones, n)
    whole = np.bincount(zones.ravel(), minlength=n + 1)[1:] * grid.pixel_area_mm2
    z = float(norm.ppf((1 + rules.level) / 2))
    z_proven = float(norm.ppf((1 + _PROVEN_LEVEL) / 2))
    doubtful = fates[(fates["fate"] == Fate.CANNOT_TELL) & fates["kind"].isin(["only_before", "only_after"])]
    doubtful = doubtful[(doubtful["seen_before"] > 0.5) & (doubtful["seen_after"] > 0.5)]
    rows: list[dict[str, Any]] = []
    for value, name in enumerate(zone_names, 1):
        table = counts[value - 1]
        seen_px = int(table.sum())
        seen = seen_px * grid.pixel_area_mm2
        for classes in (*((c,) for c in _COUNTED), AFFECTED):
            index = [int(c) for c in classes]
            share = (
                (table[index].sum() / seen_px, table[:, index].sum() / seen_px)
                if seen_px
                else (math.nan, math.nan)
            )
            sd2 = 0.0
            for _, marks in (before, after):
                mine = (marks.zone == value) & np.isin(marks.class_code, index)
                area = marks.area_mm2[mine]
                sd2 += repeatability.area_sd_mm2(area) ** 2 / 2
                small = area[marks.eq_diam_mm[mine] < rules.sure_diam_mm]
                sd2 += repeatability.coming_and_going * float((small**2).sum()) / 2
            at = doubtful[(doubtful["zone"] == name) & doubtful["class_code"].isin(index)]
            lost = math.pi / 4 * at["eq_diam_mm"].to_numpy(float) ** 2
            sd2 += repeatability.coming_and_going * float((lost**2).sum())
            # A zone without a mark in either survey may still hide one just under the sure size.
            sd2 += repeatability.coming_and_going * (math.pi / 4 * rules.sure_diam_mm**2) ** 2 / 4
            sd = math.sqrt(sd2) / seen if seen else math.nan
            change = share[1] - share[0]
            rows.append(
                {
                    "zone": name,
                    "class_code": index[0] if len(index) == 1 else -1,
                    "class_word": CLASS_WORDS[classes[0]] if len(classes) == 1 else "affected",
                    "zone_area_mm2": float(whole[value - 1]),
                    "seen_area_mm2": seen,
                    "share_before": share[0],
                    "share_after": share[1],
                    "change": change,
                    "change_low": max(-1.0, change - z * sd),
                    "change_high": min(1.0, change + z * sd),
                    "least_provable": z_proven * sd,
                    "is_beyond_repeatability": bool(seen_px and abs(change) > z_proven * sd),
                }
            )
    return ZONE_CHANGES.frame(rows)
