"""Gaps under a straightedge, from a profile or from feelers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from ..units import UnitSystem, format_depth

__all__ = ["EdgeGap", "edge_gap", "feeler_gap"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeGap:
    """Gap under a straightedge laid along a profile.

    Parameters
    ----------
    gap_um : ndarray (n,)
        Depth of every station under the edge, resting on the high points on either side.
    largest_um : float
    rocks : bool
        The edge has more than one resting position (a hump): then the gaps belong to different positions and
        the largest is no single reading.
    """

    gap_um: NDArray[np.float64]
    largest_um: float
    rocks: bool


def edge_gap(along_mm: ArrayLike, height_um: ArrayLike) -> EdgeGap:
    """Gap under a straightedge that rests on the high points of a profile: depth under the upper convex hull.

    Parameters
    ----------
    along_mm, height_um : array (n,)
        Stations in rising order and their heights; at least two.

    Raises
    ------
    InputError
        Stations not rising, or arrays that do not match.
    """
    s, z = np.asarray(along_mm, float), np.asarray(height_um, float)
    if s.shape != z.shape or s.ndim != 1 or len(s) < 2 or not (np.isfinite(s).all() and np.isfinite(z).all()):
        raise InputError("edge_gap: expected two finite arrays of equal length, at least 2")
    if (np.diff(s) <= 0).any():
        raise InputError("edge_gap: stations must rise along the edge")
    hull = [0]
    for i in range(1, len(s)):
        while len(hull) > 1 and _turns_up(s, z, hull[-2], hull[-1], i):
            hull.pop()
        hull.append(i)
    gap = np.interp(s, s[hull], z[hull]) - z
    return EdgeGap(gap_um=np.maximum(gap, 0.0), largest_um=float(max(gap.max(), 0.0)), rocks=len(hull) > 2)


def _turns_up(s: NDArray, z: NDArray, a: int, b: int, c: int) -> bool:
    return bool((z[b] - z[a]) * (s[c] - s[a]) <= (z[c] - z[a]) * (s[b] - s[a]))


def feeler_gap(
    readings: pd.DataFrame, *, level: float = DEFAULT_LEVEL, system: UnitSystem = "mm"
) -> Estimate:
    """Gap under one line from feelers that went in and feelers that did not.

    Parameters
    ----------
    readings : DataFrame
        Readings of kind ``straightedge`` of one line: `value_um` is the feeler's thickness, `is_lower_bound` True where
        it went in (the gap is at least this), False where it did not pass (the gap is less).
    level : float
        Of the interval.
    system : {"mm", "inch"}
        Units of the sentences.

    Returns
    -------
    Estimate
        Between the thickest that went in and the thinnest that did not; the upper end is infinite when every
        feeler went in.

    Raises
    ------
    NotEnoughData
        No straightedge reading.
    InputError
        A thinner feeler did not pass where a thicker one went in.
    """
    rows = readings.loc[readings["kind"] == "straightedge"]
    if not len(rows):
        raise NotEnoughData("straightedge: no feeler reading for this line")
    value, went_in = rows["value_um"].to_numpy(float), rows["is_lower_bound"].to_numpy(bool)
    low = float(value[went_in].max(initial=0.0))
    high = float(value[~went_in].min(initial=math.inf))
    if low > high:
        raise InputError(
            f"straightedge: a feeler of {format_depth(low, system)} went in but one of {format_depth(high, system)} did not;"
            " try again"
        )
    middle = low if math.isinf(high) else (low + high) / 2
    return Estimate(value=middle, low=low, high=high, level=level)
