"""Gap at the joint: plate dip and rotor-housing dip add up along the land."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from ..errors import InputError
from ..estimate import DEFAULT_LEVEL, Estimate

__all__ = ["JointGap", "joint_gap", "joint_gap_of_dips"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JointGap:
    """Largest gap along the land, and where it is.

    Parameters
    ----------
    gap_um : Estimate
    along_mm : float
        Place along the land, from the start of the profiles; NaN when only two numbers were given.
    """

    gap_um: Estimate
    along_mm: float


def joint_gap(
    along_mm: ArrayLike,
    plate_dip_um: ArrayLike,
    housing_dip_um: ArrayLike,
    *,
    plate_sd_um: float,
    housing_sd_um: float,
    level: float = DEFAULT_LEVEL,
) -> JointGap:
    """Largest sum of both dips along the land.

    Parameters
    ----------
    along_mm : array (n,)
        Places along the land.
    plate_dip_um, housing_dip_um : array (n,)
        How far each face lies under the plane of contact there; 0 or more.
    plate_sd_um, housing_sd_um : float
        Their standard deviations.

    Raises
    ------
    InputError
        Arrays of different lengths or none, not finite, or a dip below 0.

    Notes
    -----
    The largest of many sums of noisy dips leans high by a fraction of the noise; that side is safe.

    References
    ----------
    Common practice in the trade, no published source: the two dips add at the joint.
    """
    s, p, h = (np.asarray(a, float).ravel() for a in (along_mm, plate_dip_um, housing_dip_um))
    if not len(s) == len(p) == len(h) or not len(s):
        raise InputError(
            f"joint_gap: {len(s)} places, {len(p)} plate dips, {len(h)} housing dips; expected as many of each"
        )
    if not all(np.isfinite(a).all() for a in (s, p, h)):
        raise InputError("joint_gap: places and dips must be finite")
    if min(p.min(), h.min()) < 0:
        raise InputError("joint_gap: a dip is counted into the metal and cannot be below 0")
    total = p + h
    worst = int(np.argmax(total))
    return JointGap(gap_um=_sum(total[worst], plate_sd_um, housing_sd_um, level), along_mm=float(s[worst]))


def joint_gap_of_dips(
    plate_dip_um: Estimate, housing_dip_um: Estimate, *, level: float = DEFAULT_LEVEL
) -> JointGap:
    """Largest possible gap when only the largest dip of each part is known: they are taken to meet.

    Raises
    ------
    InputError
        A dip that is not known, or without an interval.
    """
    for name, dip in (("plate", plate_dip_um), ("housing", housing_dip_um)):
        if not (dip.is_known and dip.has_interval):
            raise InputError(f"joint_gap_of_dips: the {name}'s dip is not known ({dip.reason})")
    plate, housing = (
        (d.high - d.low) / (2 * float(ndtri(0.5 + d.level / 2))) for d in (plate_dip_um, housing_dip_um)
    )
    return JointGap(
        gap_um=_sum(plate_dip_um.value + housing_dip_um.value, plate, housing, level), along_mm=math.nan
    )


def _sum(value: float, a: float, b: float, level: float) -> Estimate:
    half = float(ndtri(0.5 + level / 2)) * math.hypot(a, b)
    return Estimate(
        value=float(value), low=max(float(value) - half, 0.0), high=float(value) + half, level=level
    )
