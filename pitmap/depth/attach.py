"""Which pit does a reading belong to? Never silently the wrong one."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from ..classes import SurfaceClass
from ..errors import InputError
from ..flags import Flag
from ..units import in_both
from .readings import READINGS

__all__ = ["attach_readings"]

_CHANCE_MISSED = 0.05
_REACH_SD = math.sqrt(-2 * math.log(_CHANCE_MISSED))
"""A circular normal error stays within 2.448 standard deviations in 95 % of cases (Rayleigh)."""


def attach_readings(readings: pd.DataFrame, marks: pd.DataFrame, position_sd_mm: float) -> pd.DataFrame:
    """Tie every pit-depth reading to its pit, or leave it free.

    Parameters
    ----------
    readings : DataFrame
        :data:`~pitmap.depth.READINGS`.
    marks : DataFrame
        Marks of the same survey; ``mark_id class_code x_mm y_mm eq_diam_mm`` are used.
    position_sd_mm : float
        Standard deviation of a place read off against the map, per axis: the alignment's residual and the
        hand's error together, mm.

    Returns
    -------
    DataFrame
        A new table. A reading whose circle of 95 % error reaches exactly one pit, or is twenty times likelier
        for one pit than for all others, gets its ``mark_id``; every other one stays free with
        ``Flag.UNMATCHED`` and a note. A mark number that was typed is kept when that pit exists and the place,
        if any, does not speak against it. Heights, thicknesses and other readings are left as they are.

    Raises
    ------
    InputError
        `position_sd_mm` is not above 0.

    Notes
    -----
    A pit is taken as a disc of its equivalent diameter; the weight of a pit is exp(-(e/s)^2/2) with e the
    distance of the place from the disc's edge (0 inside). House choice: the share of the best pit must be 95 %.
    """
    READINGS.check(readings)
    if not (math.isfinite(position_sd_mm) and position_sd_mm > 0):
        raise InputError(f"position_sd_mm: expected a number above 0, got {position_sd_mm!r}")
    pits = marks.loc[marks["class_code"] == int(SurfaceClass.PIT)]
    ids = pits["mark_id"].to_numpy()
    xy = pits[["x_mm", "y_mm"]].to_numpy(float)
    radius = pits["eq_diam_mm"].to_numpy(float) / 2
    out = readings.copy()
    typed, places = readings["mark_id"].to_numpy(np.int64), readings[["x_mm", "y_mm"]].to_numpy(float)
    mark, flags, notes = typed.copy(), readings["flags"].to_numpy(np.int64).copy(), list(readings["note"])
    for i in np.flatnonzero(readings["kind"].to_numpy() == "pit_depth").tolist():
        edge = np.maximum(np.hypot(*(xy - places[i]).T) - radius, 0.0) if len(ids) else np.empty(0)
        has_place = bool(np.isfinite(places[i]).all())
        mark[i], flag, why = _decide(int(typed[i]), edge, ids, position_sd_mm, has_place=has_place)
        if flag:
            flags[i] |= int(flag)
            notes[i] = f"{notes[i]}; {why}" if notes[i] else why
    out["mark_id"], out["flags"] = mark, flags
    out["note"] = pd.Series(notes, index=out.index, dtype=object)
    return READINGS.check(out)


def _decide(
    typed: int, edge: np.ndarray, ids: np.ndarray, sd: float, *, has_place: bool
) -> tuple[int, Flag, str]:
    if typed >= 0:
        at = np.flatnonzero(ids == typed)
        if not at.size:
            return -1, Flag.UNMATCHED, f"no pit has the number {typed} on this map"
        # A person may point at the rim of a large pit, so only a clear miss speaks against the number.
        if has_place and edge[at[0]] > 2 * _REACH_SD * sd:
            return (
                -1,
                Flag.UNMATCHED | Flag.CONTRADICTION,
                f"number {typed} and the place disagree by {in_both(round(float(edge[at[0]]), 1), 'mm')}",
            )
        return typed, Flag.NONE, ""
    if not has_place or not edge.size or edge.min() > _REACH_SD * sd:
        return -1, Flag.UNMATCHED, "no pit within the error of the place"
    weight = np.exp(-0.5 * (edge / sd) ** 2)
    best = int(np.argmax(weight))
    if weight[best] < (1 - _CHANCE_MISSED) * weight.sum():
        near = ", ".join(str(i) for i in ids[np.argsort(edge)[:3]])
        return -1, Flag.UNMATCHED, f"could be any of the pits {near}"
    return int(ids[best]), Flag.NONE, ""
