"""Pits and uncut spots followed through a whole series; what a later survey proves about an earlier one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from ..classes import SurfaceClass
from ..estimate import Estimate
from ..flags import Flag
from .decide import Place, Rules, judge_gone, judge_stayed
from .fates import TRACKS, Fate
from .layer import Layer
from .marks import Marks
from .matching import Groups, match_marks
from .pair import PairChange
from .repeatability import Repeatability
from .series import stock_ends
from .step import Step

__all__ = ["follow"]

_FOLLOWED = (SurfaceClass.PIT, SurfaceClass.UNCUT)
"""Low metal: what the lap must reach. Stain and tint lie on the face and have no depth to bound."""


class _Union:
    """Which (survey, mark) sights are one track."""

    def __init__(self) -> None:
        self.parent: dict[tuple[int, int], tuple[int, int]] = {}

    def find(self, a: tuple[int, int]) -> tuple[int, int]:
        self.parent.setdefault(a, a)
        while self.parent[a] != a:
            self.parent[a] = self.parent[self.parent[a]]
            a = self.parent[a]
        return a

    def join(self, a: tuple[int, int], b: tuple[int, int]) -> None:
        a, b = self.find(a), self.find(b)
        if a != b:
            self.parent[max(a, b)] = min(a, b)


def _rows_after(groups: Groups) -> dict[int, int]:
    """Row of the fates table for each mark that only the later survey shows."""
    alone = np.flatnonzero(~np.isin(groups.after, groups.before))
    return {int(j): len(groups.before) + k for k, j in enumerate(alone)}


def follow(
    layers: Sequence[Layer],
    pairs: Sequence[PairChange],
    groups: Sequence[Groups],
    stock_um: Sequence[Estimate],
    zone_names: tuple[str, ...],
    *,
    repeatability: Repeatability,
    rules: Rules,
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Tracks of every pit and uncut spot, and the fates once later surveys have been heard.

    Parameters
    ----------
    layers : sequence of Layer
        In order of time, in one frame.
    pairs, groups : sequences
        Of each survey with the next.
    stock_um : sequence of Estimate
        Stock removed before each survey, growing over the whole series.
    zone_names : tuple of str
    repeatability : Repeatability
    rules : Rules

    Returns
    -------
    (pandas.DataFrame, list of pandas.DataFrame)
        Schema :data:`pitmap.compare.TRACKS`, and one corrected fates table per pair: a mark that a later
        survey shows again was not gone, and is not new there.
    """
    union = _Union()
    fates = [p.fates.copy() for p in pairs]
    gone: dict[tuple[int, int], int] = {}
    came_back: set[tuple[int, int]] = set()
    ghosts: list[tuple[int, NDArray[np.int64]]] = []
    for k, group in enumerate(groups):
        here, there = layers[k].marks, layers[k + 1].marks
        first_of: dict[int, tuple[int, int]] = {}
        for survey, member in ((k, group.before), (k + 1, group.after)):
            for i, g in enumerate(member):
                node = (survey, i)
                union.join(node, first_of.setdefault(int(g), node))
        rows_after = _rows_after(group)
        still: list[tuple[int, NDArray[np.int64]]] = []
        for survey, index in ghosts:
            lost = layers[survey].marks.subset(index)
            tolerance = pairs[k].tolerance_mm * pairs[k].grid.px_per_mm
            match = match_marks(lost, there, tolerance_px=tolerance)
            place = Place.of(lost, layers[k + 1], rules, pairs[k].grid)
            step = Step.over([layer.inspection for layer in layers[survey : k + 2]])
            keep = []
            for i, g in enumerate(match.before):
                node = (survey, int(index[i]))
                seen_again = [int(j) for j in np.flatnonzero(match.after == g)]
                if seen_again:
                    _came_back(fates, node, seen_again, k, rows_after, lost, i, there, repeatability, rules)
                    for j in seen_again:
                        union.join(node, (k + 1, j))
                    if gone.pop(node, None) is not None:
                        came_back.add(node)
                    continue
                keep.append(i)
                if node in gone or place.seen[i] < 1 - rules.unseen_share:
                    continue
                fate, _ = judge_gone(
                    int(lost.class_code[i]),
                    float(lost.eq_diam_mm[i]),
                    float(lost.confidence[i]),
                    i,
                    place,
                    step,
                    rules,
                )
                if fate is Fate.GONE:
                    gone[node] = k + 1
            if keep:
                still.append((survey, index[keep]))
        alone = fates[k]["kind"].to_numpy()[: len(here)] == "only_before"
        followed = alone & np.isin(here.class_code, _FOLLOWED)
        is_gone = fates[k]["fate"].to_numpy()[: len(here)] == Fate.GONE
        for lost_here in np.flatnonzero(followed & is_gone):
            gone[(k, int(lost_here))] = k + 1
        ghosts = still + ([(k, np.flatnonzero(followed))] if followed.any() else [])
    return _table(layers, union, gone, came_back, stock_um, zone_names), fates


def _came_back(
    fates: list[pd.DataFrame],
    node: tuple[int, int],
    seen_again: list[int],
    k: int,
    rows_after: dict[int, int],
    lost: Marks,
    ghost: int,
    there: Marks,
    repeatability: Repeatability,
    rules: Rules,
) -> None:
    """Correct both rows of a mark that was missed in between."""
    z = float(norm.ppf((1 + rules.mark_level) / 2))
    survey, i = node
    earlier = fates[survey]
    if earlier.loc[i, "fate"] == Fate.GONE:
        earlier.loc[i, "fate"] = str(Fate.CANNOT_TELL)
        earlier.loc[i, "why"] = f"survey {k + 2} shows it again, so it was not gone"
        flags = earlier["flags"].to_numpy().copy()
        flags[i] |= int(Flag.CONTRADICTION)
        earlier["flags"] = flags
    later = fates[k]
    for j in seen_again:
        row = rows_after.get(j)
        if row is None or later.loc[row, "fate"] not in (Fate.NEW, Fate.OPENED_UP):
            continue
        change = float(there.area_mm2[j] - lost.area_mm2[ghost])
        sd = repeatability.area_sd_mm2(float(there.perimeter_mm[j] + lost.perimeter_mm[ghost]) / 2)
        fate, _ = judge_stayed(change, sd, z, (1.0, 1.0), rules)
        later.loc[row, "fate"] = str(fate)
        later.loc[row, "why"] = f"survey {survey + 1} shows it too; it was missed in between"


def _table(
    layers: Sequence[Layer],
    union: _Union,
    gone: dict[tuple[int, int], int],
    came_back: set[tuple[int, int]],
    stock_um: Sequence[Estimate],
    zone_names: tuple[str, ...],
) -> pd.DataFrame:
    sights: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for k, layer in enumerate(layers):
        for i in np.flatnonzero(np.isin(layer.marks.class_code, _FOLLOWED)):
            sights.setdefault(union.find((k, int(i))), []).append((k, int(i)))
    names = ("", *zone_names)
    rows: list[dict[str, Any]] = []
    for nodes in sights.values():
        first, last = min(k for k, _ in nodes), max(k for k, _ in nodes)
        # A merged track is gone only when every one of its last marks is.
        ends = [gone.get(n, -1) for n in nodes if n[0] == last]
        end = max(ends) if min(ends) >= 0 else -1
        k, largest = max(nodes, key=lambda n: layers[n[0]].marks.area_mm2[n[1]])
        marks = layers[k].marks
        rows.append(
            {
                "track_id": len(rows) + 1,
                "class_code": int(marks.class_code[largest]),
                "zone": names[int(marks.zone[largest])] if int(marks.zone[largest]) < len(names) else "",
                "x_mm": float(marks.xy_mm[largest, 0]),
                "y_mm": float(marks.xy_mm[largest, 1]),
                "eq_diam_mm": float(marks.eq_diam_mm[largest]),
                "first_survey": first + 1,
                "last_survey": last + 1,
                "gone_survey": end + 1 if end >= 0 else -1,
                "depth_low_um": stock_ends(stock_um[last])[0],
                "depth_high_um": stock_ends(stock_um[end])[1] if end >= 0 else math.inf,
                "mark_ids": " ".join(
                    f"{s + 1}:{layers[s].marks.mark_id[m]}"
                    for s, m in sorted(nodes)
                    if layers[s].marks.mark_id[m] >= 0
                ),
                "flags": int(Flag.CONTRADICTION) if any(n in came_back for n in nodes) else 0,
            }
        )
    return TRACKS.frame(rows)
