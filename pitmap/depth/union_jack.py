"""Heights from level or autocollimator readings along the eight lines of a union jack (Moody's method)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError

__all__ = ["LINES", "UnionJack", "union_jack"]

LINES = ("NW_SE", "NE_SW", "NE_NW", "SE_SW", "E_W", "NE_SE", "NW_SW", "N_S")
"""Two diagonals, four sides, two centre lines; each named after its first and last station."""

_ARCSEC = math.pi / 180 / 3600


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnionJack:
    """Heights of every station over the lowest one.

    Parameters
    ----------
    heights_um : mapping of str to ndarray
        Per line, from its first to its last station.
    flatness_um : float
        Highest over lowest (the overall figure of the method, not a minimum zone).
    closure_um : mapping of str to float
        What was missing at the middle of each centre line; large values mean readings that do not agree.
    """

    heights_um: Mapping[str, NDArray[np.float64]]
    flatness_um: float
    closure_um: Mapping[str, float]


def union_jack(readings_arcsec: Mapping[str, ArrayLike], step_mm: float) -> UnionJack:
    """Reduce angle readings to heights.

    Parameters
    ----------
    readings_arcsec : mapping of str to array
        One array per line of :data:`LINES`, in order along the line; an even number each, so that there is a
        middle station.
    step_mm : float
        Distance of the stations.

    Raises
    ------
    InputError
        A line missing, unknown, or with an odd number of readings; corners that do not fit.

    Notes
    -----
    Running sums; the diagonals are levelled end to end and share their middle as zero; the sides are laid between
    the corners, the centre lines between the middles of the sides; what the centre lines then miss at the middle is
    the closure, and they are shifted by it.

    References
    ----------
    J. C. Moody, How to calibrate surface plates in the plant, The Tool Engineer, October 1955; B. Allen, Comments on
    Moody's method, 2019.
    """
    if set(readings_arcsec) != set(LINES):
        odd = sorted(set(readings_arcsec) ^ set(LINES))
        raise InputError(
            f"union jack: lines missing or unknown: {', '.join(odd)}; expected {', '.join(LINES)}"
        )
    if not step_mm > 0:
        raise InputError(f"union jack: expected a step above 0 mm, got {step_mm!r}")
    profile = {}
    for name in LINES:
        angles = np.asarray(readings_arcsec[name], float)
        if angles.ndim != 1 or len(angles) < 2 or len(angles) % 2 or not np.isfinite(angles).all():
            raise InputError(
                f"union jack: line {name} needs an even number of finite readings, got {len(angles)}"
            )
        profile[name] = np.concatenate([[0.0], np.cumsum(angles)]) * _ARCSEC * step_mm * 1000
    corner, middle = {}, {}
    for name in ("NW_SE", "NE_SW"):
        line = _between(profile[name], 0.0, 0.0)
        profile[name] = line - line[len(line) // 2]
        first, last = name.split("_")
        corner[first], corner[last] = profile[name][0], profile[name][-1]
    for name, side in (("NE_NW", "N"), ("SE_SW", "S"), ("NE_SE", "E"), ("NW_SW", "W")):
        first, last = name.split("_")
        profile[name] = _between(profile[name], corner[first], corner[last])
        middle[side] = profile[name][len(profile[name]) // 2]
    closure = {}
    for name in ("E_W", "N_S"):
        first, last = name.split("_")
        line = _between(profile[name], middle[first], middle[last])
        closure[name] = float(line[len(line) // 2])
        profile[name] = line - closure[name]
    lowest = min(float(line.min()) for line in profile.values())
    heights = {name: line - lowest for name, line in profile.items()}
    for line in heights.values():
        line.setflags(write=False)
    return UnionJack(
        heights_um=heights,
        flatness_um=max(float(line.max()) for line in heights.values()),
        closure_um=closure,
    )


def _between(line: NDArray, start: float, end: float) -> NDArray:
    """The line tilted and shifted so that its ends come to the given heights."""
    return line + np.linspace(start - line[0], end - line[-1], len(line))
