"""How the uncut share of a zone falls as more stock comes off."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from ..classes import Stage
from ..depth import FaceSurvey
from ..units import UnitSystem, format_depth
from .budget import normal_half
from .curves import CURVES, DrawnNeed

__all__ = ["needed_for_uncut", "uncut_curve"]

_N_DRAWS = 400
_SHAPE_MEDIAN, _SHAPE_LOG_SD = 1.2, 0.35
"""Shape of the law of low metal where one survey alone cannot settle it (house choice: 0.7 to 2 in 90 %)."""

_MOST_RATIO = 5.0
"""Of the ends of a depth that the law draws out beyond the lap; wider is worth nothing (house choice: after one lap it is
passed where about half of the zone is uncut)."""

_SHAPE_RANGE = (0.4, 4.0)
_TOP_UM = 60.0


def uncut_curve(
    zone: str,
    surveys: Sequence[FaceSurvey],
    level: float,
    *,
    rng: np.random.Generator,
    share_max: float = math.nan,
) -> pd.DataFrame:
    """Uncut share of a zone against further stock.

    Parameters
    ----------
    zone : str
    surveys : sequence of FaceSurvey
        In the order of work; lapped ones with a zone table count. Where the last one shows nothing of the zone, there is no
        curve: further stock counts from the face as it is.
    level : float
    rng : numpy.random.Generator
    share_max : float
        Aim, 0..1; NaN for none.

    Returns
    -------
    DataFrame
        :data:`~pitmap.stock.CURVES`; no rows when no lapped survey has measured the zone.

    Notes
    -----
    The share still uncut after s is the share of metal that lay deeper than s. It is taken as
    exp(-(s / scale)^shape) through the last survey; an earlier lapped survey settles the shape, otherwise a
    house choice of wide spread does. A law, not a measurement: heights from a dial indicator say more.
    """
    drawn = None if _is_hidden(zone, surveys[-1]) else _draw(zone, surveys, rng)
    if drawn is None:
        return CURVES.empty()
    now, share, shape = drawn
    tail = (1 - level) / 2
    rows = []
    for removal in np.arange(0.0, _TOP_UM + 1, 5.0):
        value = np.exp(np.log(share) * ((now + removal) / now) ** shape)
        low, middle, high = np.quantile(value, [tail, 0.5, 1 - tail])
        reached = float((value <= share_max).mean()) if math.isfinite(share_max) else math.nan
        rows.append(
            {
                "zone": zone, "aim": "uncut", "removal_um": removal, "value": middle, "value_low": low,
                "value_high": high, "p_reached": reached,
            }
        )  # fmt: skip
    return CURVES.frame(rows)


def needed_for_uncut(
    zone: str,
    surveys: Sequence[FaceSurvey],
    share_max: float,
    confidence: float,
    level: float,
    *,
    rng: np.random.Generator,
    system: UnitSystem = "mm",
) -> DrawnNeed | None:
    """Further stock after which at most `share_max` of the zone is uncut; None without a limit (not asked).

    Where the ends of how low the last of that metal lies under the first face are over five times apart, it is not known:
    from the first places that a light lap touches nobody can tell how deep a dished or tilted face goes. The law has no
    floor, and would ask for millimetres of a face that lies 60 um low.
    """
    if not math.isfinite(share_max):
        return None
    if _is_hidden(zone, surveys[-1]):
        why = "the last survey shows nothing of the zone: photograph it again"
        return DrawnNeed.unknown(zone, "uncut", why, confidence, level)
    drawn = _draw(zone, surveys, rng)
    if drawn is None:
        why = "no lapped survey has measured the uncut share; take a test lap"
        return DrawnNeed.unknown(zone, "uncut", why, confidence, level)
    now, share, shape = drawn
    aim = min(max(share_max, 1e-6), 1 - 1e-6)
    depth = now * (np.log(aim) / np.log(share)) ** (1 / shape)
    need = np.maximum(depth - now, 0.0)
    tail = (1 - level) / 2
    low, high = np.quantile(need, [tail, 1 - tail])
    if high > 0 and np.quantile(depth, 1 - tail) > _MOST_RATIO * np.quantile(depth, tail):
        why = (
            "the lap has reached too little of the zone to say how low the rest lies: anything from"
            f" {format_depth(low, system)} to {format_depth(high, system)} more; lap a further step and photograph it, or"
            " read heights there"
        )
        return DrawnNeed.unknown(zone, "uncut", why, confidence, level)
    return DrawnNeed.of(zone, "uncut", need, confidence, level)


def _is_hidden(zone: str, survey: FaceSurvey) -> bool:
    """A lapped survey with a table of zones that shows nothing of this one."""
    if survey.zones is None or not Stage(survey.stage).is_lapped:
        return False
    at = survey.zones.loc[(survey.zones["zone"] == zone) & (survey.zones["class_word"] == "uncut"), "share"]
    return bool(at.isna().any())


def _draw(
    zone: str, surveys: Sequence[FaceSurvey], rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    """Draws of the stock removed so far, the uncut share now, and the shape of the law."""
    found = []
    for survey in surveys:
        if not Stage(survey.stage).is_lapped or survey.zones is None:
            continue
        rows = survey.zones.loc[(survey.zones["zone"] == zone) & (survey.zones["class_word"] == "uncut")]
        places = survey.marks[["x_mm", "y_mm"]].to_numpy(float)
        middle = places.mean(axis=0) if len(places) else np.zeros(2)
        stock, sd = float(survey.removed.at(middle)), float(survey.removed.sd_at(middle))
        if len(rows) and np.isfinite(float(rows["share"].to_numpy()[0])) and stock > 0:
            ends = rows[["share_low", "share", "share_high"]].to_numpy(float)[0]
            found.append((stock, sd, _share_draws(ends, survey.level, rng)))
    if not found:
        return None
    stock, sd, share = found[-1]
    now = np.maximum(stock + sd * rng.standard_normal(_N_DRAWS), 0.5)
    shape = _SHAPE_MEDIAN * np.exp(_SHAPE_LOG_SD * rng.standard_normal(_N_DRAWS))
    if len(found) > 1 and found[-2][0] < stock:
        before = np.maximum(found[-2][0] + found[-2][1] * rng.standard_normal(_N_DRAWS), 0.25)
        measured = np.log(np.log(share) / np.log(found[-2][2])) / np.log(np.maximum(now / before, 1.01))
        # Held to the range that the prior allows: a draw far outside it stands for noise in the shares.
        shape = np.where(np.isfinite(measured), np.clip(measured, *_SHAPE_RANGE), shape)
    return now, share, shape


def _share_draws(ends: NDArray[np.float64], level: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draws of a share from (low, value, high) at a level, normal on the logit scale."""
    low, value, high = logit(np.clip(ends, 1e-4, 1 - 1e-4))
    sd = max(float(high - low) / (2 * normal_half(level)), 1e-3)
    return expit(value + sd * rng.standard_normal(_N_DRAWS))
