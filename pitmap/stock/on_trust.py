"""What the figures of a plan take on trust about pits that nobody read, and which of them to read next, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage
from ..depth import DepthModel, FaceSurvey, LapBounds, in_zone
from ..depth.next_readings import NEXT_READINGS, next_readings, unread_narrow, unread_wide
from ..units import UnitSystem, format_depth, format_length
from .curves import Needed

__all__ = ["read_next", "unreached_words", "unread_words"]


def _numbers_now(bounds: LapBounds) -> dict[int, int]:
    """Number on the last survey's map of every pit that it shows."""
    now = bounds.links.loc[bounds.links["survey"] == len(bounds.stages) - 1].drop_duplicates("pit_id")
    return {int(p): int(m) for p, m in zip(now["pit_id"], now["mark_id"])}


def unread_words(
    model: DepthModel | None, bounds: LapBounds, zones: Sequence[str], system: UnitSystem
) -> tuple[str, ...]:
    """Which pits the figures take on trust, narrow, wide or in a zone that nobody read, as sentences."""
    if model is None or not zones:
        return ()
    here = bounds.pits["pit_id"].isin(_numbers_now(bounds)).to_numpy()
    said = (
        _unread_narrow_words(model, here, zones, system),
        _unread_wide_words(model, here, zones, system),
        *_unread_zone_words(model, here, zones),
    )
    return tuple(s for s in said if s)


def _unread_zone_words(model: DepthModel, here: NDArray[np.bool_], zones: Sequence[str]) -> list[str]:
    """A sentence for every zone with pits and no reading; none where no zone has one, which is said of the widths."""
    read = model.depths["basis"].isin(["read", "at least"]).to_numpy()
    own = {z: model.in_zone(z) for z in zones}
    if not any((read & of_zone).any() for of_zone in own.values()):
        return []
    said = []
    for zone, of_zone in own.items():
        n = int((here & of_zone).sum())
        if not n or (read & of_zone).any():
            continue
        where = f"of the {zone.replace('_', ' ')}"
        who, how, them = (
            (f"The one pit {where} that is still there was not read", "it is", "it")
            if n == 1
            else (f"None of the {n} pits {where} that are still there was read", "they are", "some of them")
        )
        said.append(
            f"{who}: how deep {how} is taken from what was read in other zones, and the pits of one zone can lie deeper"
            f" than those of another. Read {them}."
        )
    return said


def _unread_narrow_words(
    model: DepthModel, here: NDArray[np.bool_], zones: Sequence[str], system: UnitSystem
) -> str:
    """Which pits the figures take to be shallow because they are narrow, as a sentence; empty where most were tested."""
    own = here & np.logical_or.reduce([model.in_zone(z) for z in zones])
    narrow = unread_narrow(model, own)
    if not len(narrow):
        return ""
    n, n_own = len(narrow), int(own.sum())
    if n == n_own:
        what = (
            "The one pit that is still there was not read"
            if n == 1
            else f"None of the {n} pits that are still there was read"
        )
    else:
        widest = format_length(float(model.depths["eq_diam_mm"].iloc[narrow].max()), system)
        are = "is" if n == 1 else "are"
        what = f"{n} of the {n_own} pits that are still there {are} narrower than any that was read ({widest} or less)"
    return (
        f"{what}: how deep they are is taken from their widths, and one that is far deeper than its width says is in none"
        " of these figures. Read some of them."
    )


def unreached_words(
    last: FaceSurvey, bounds: LapBounds, zones: Sequence[str], system: UnitSystem
) -> tuple[str, ...]:
    """Which pits lie in metal that no lap has reached, as a sentence: how low that lies is taken on trust."""
    here = bounds.pits["pit_id"].isin(_numbers_now(bounds)).to_numpy()
    if last.is_reached is None or not Stage(last.stage).is_lapped or not zones or not here.any():
        return ()
    own = here & np.logical_or.reduce([in_zone(bounds.pits, z) for z in zones])
    xy = bounds.pits.loc[own, ["x_mm", "y_mm"]].to_numpy(float)
    uncut = last.is_reached(xy, bounds.pits.loc[own, "eq_diam_mm"].to_numpy(float) / 2) == 0
    if not uncut.any():
        return ()
    n, n_own = int(uncut.sum()), len(uncut)
    # As far as the plane has come down so far: the choice of `below_plane_um`.
    most = format_depth(max(float(last.removed.at(xy[uncut]).max()), 0.0), system)
    lie = "lies" if n == 1 else "lie"
    return (
        f"{n} of the {n_own} pits that are still there {lie} in metal that the lap has not reached. How far that metal lies"
        f" under the lap's plane a photo cannot tell: it is taken for {most} at most, and on a warped plate it can be more:"
        " then more must come off than is said here. Lap a step, photograph and plan again before you take it all.",
    )


def _unread_wide_words(
    model: DepthModel, here: NDArray[np.bool_], zones: Sequence[str], system: UnitSystem
) -> str:
    """Which pits are wider than any that was read, as a sentence; empty where there is none."""
    own = here & np.logical_or.reduce([model.in_zone(z) for z in zones])
    wide = unread_wide(model, own)
    if not len(wide):
        return ""
    n, narrowest = len(wide), format_length(float(model.depths["eq_diam_mm"].iloc[wide].min()), system)
    are, depth, them = ("is", "its depth", "it") if n == 1 else ("are", "their depth", "the widest of them")
    return (
        f"{n} of the {int(own.sum())} pits that are still there {are} wider than any that was read ({narrowest} or more):"
        f" {depth} is drawn out from narrower ones, and wide pits are mostly the deepest. Read {them}."
    )


def read_next(
    model: DepthModel | None,
    bounds: LapBounds,
    goals: Sequence[Needed],
    left: NDArray,
    rng: np.random.Generator,
    system: UnitSystem,
    *,
    n: int = 6,
) -> tuple[pd.DataFrame, str]:
    """Pits to read next for the stock of the face, and the advice in words; empty when nothing is left to clear.

    A zone whose need is not known comes first; where all are known it is the deepest of all of them together that settles
    the stock. Numbers are those of the last survey's map, depths are under the present face: what the person at the bench
    sees.
    """
    number = _numbers_now(bounds)
    here = bounds.pits["pit_id"].isin(number).to_numpy()
    pit_goals = [g for g in goals if g.aim != "uncut"]
    if model is None or not here.any() or not pit_goals:
        return NEXT_READINGS.empty(), ""
    unknown = [g for g in pit_goals if not g.stock_um.is_known]
    zones = [unknown[0].zone] if unknown else list(dict.fromkeys(g.zone for g in pit_goals))
    table = next_readings(model, n, rng=rng, zone=zones, present=here)
    if not len(table):
        return table, ""
    place = {int(p): i for i, p in enumerate(bounds.pits["pit_id"])}
    tail = (1 - model.level) / 2
    now = left[:, [place[int(p)] for p in table["mark_id"]]]
    low, middle, high = np.quantile(now, [tail, 0.5, 1 - tail], axis=0)
    table = table.assign(
        mark_id=[int(number[p]) for p in table["mark_id"]],
        depth_um=middle,
        depth_low_um=low,
        depth_high_um=high,
    )
    names = ", ".join(str(i) for i in table["mark_id"])
    before = float(table["spread_before_um"].to_numpy()[0])
    after = float(table["spread_after_um"].to_numpy()[-1])
    of = " and the ".join(z.replace("_", " ") for z in zones)
    n_narrow = int(table["is_narrow"].sum())
    which = "is" if n_narrow == 1 else f"{n_narrow} are"
    test = (
        f" The last {which} narrower than any that was read: narrow pits can be deep too." if n_narrow else ""
    )
    words = (
        f"Read these pits of the map {Stage(bounds.stages[-1]).moment} next, in this order: {names}; the error of the"
        f" deepest of the {of} would go from about {format_depth(before, system)} to {format_depth(after, system)}.{test}"
    )
    return NEXT_READINGS.check(table.astype({"mark_id": "int64"})), words
