"""The lap series: what is left against the stock removed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from ..classes import SurfaceClass
from ..estimate import Estimate
from .fates import SERIES, SURVEYS
from .layer import Layer
from .step import begins_new_job

__all__ = [
    "long_pauses",
    "series_table",
    "stock_ends",
    "stock_over_jobs",
    "survey_table",
]

_NO_STOCK = Estimate(value=0.0, low=0.0, high=0.0)

_LONG_DAYS = 180
"""A plate that lies so long between two surveys may have been in an engine meanwhile (house choice: jobs take weeks)."""

_SHARES = (("affected_share", "affected"), ("pit_share", "pit"), ("uncut_share", "uncut"))


def stock_over_jobs(inspections: Sequence[Any]) -> list[Estimate]:
    """Stock removed before each survey, counted on over a plate that comes back as a new job, um.

    With every new job (:func:`pitmap.compare.step.begins_new_job`) the stock of the one before is added to what had been
    removed before, their half widths in quadrature. Unknown where it is, and for all later jobs where a job ended with
    unknown stock.

    Notes
    -----
    Nothing is cut at intake, so an intake that states the stock of the job before, or more, already counts it.
    """
    out: list[Estimate] = []
    base, last = _NO_STOCK, _NO_STOCK
    job: list[Any] = []
    for inspection in inspections:
        own: Estimate = inspection.removed_um
        if any(begins_new_job(earlier, inspection) for earlier in job):
            is_counted = not inspection.stage.is_lapped and own.value >= last.value > 0
            base = base if is_counted else _together(base, last)
            job = []
        job.append(inspection)
        last = own
        out.append(_together(base, own))
    return out


def _together(a: Estimate, b: Estimate) -> Estimate:
    """Stock of two jobs, whose errors are independent."""
    if not (a.is_known and b.is_known):
        return Estimate.unknown(a.reason or b.reason or "not known")
    value = a.value + b.value
    if not (a.has_interval and b.has_interval):
        return Estimate(value=value, low=math.nan, high=math.nan, reason=a.reason or b.reason)
    low = value - math.hypot(a.value - a.low, b.value - b.low)
    return Estimate(
        value=value, low=low, high=value + math.hypot(a.high - a.value, b.high - b.value), level=b.level
    )


def long_pauses(inspections: Sequence[Any]) -> tuple[str, ...]:
    """A sentence for every two surveys that are taken for one job gone on although half a year lies between them.

    A survey knows its stage and the stock of its own job, not the job: where neither goes back, a plate that came back
    looks like one that lay on the bench, and the stock of the new job is not counted on.
    """
    told = []
    for before, after in pairwise(inspections):
        if not (before.surveyed_on and after.surveyed_on) or begins_new_job(before, after):
            continue
        if (after.surveyed_on - before.surveyed_on).days > _LONG_DAYS:
            told.append(
                f"the survey {before.stage.moment} on {before.surveyed_on} and that {after.stage.moment} on"
                f" {after.surveyed_on} are taken for one job gone on. If the plate was put to work in between, the stock of"
                " its new job is not counted on here: compare its surveys by themselves, or with the intake of the new job"
                " between them."
            )
    return tuple(told)


def survey_table(inspections: Sequence[Any]) -> pd.DataFrame:
    """One row per survey; schema :data:`pitmap.compare.SURVEYS`."""
    rows = []
    for k, (inspection, removed) in enumerate(zip(inspections, stock_over_jobs(inspections), strict=True), 1):
        rows.append(
            {
                "survey": k,
                "stage": str(inspection.stage),
                "surveyed_on": inspection.surveyed_on.isoformat() if inspection.surveyed_on else "",
                "removed_um": removed.value,
                "removed_low_um": removed.low,
                "removed_high_um": removed.high,
            }
        )
    return SURVEYS.frame(rows)


def _row(
    survey: int, zone: str, quantity: str, removed: float, triple: tuple[float, float, float], reason: str
) -> dict[str, Any]:
    value, low, high = triple
    return {
        "survey": survey, "zone": zone, "quantity": quantity, "removed_um": removed,
        "value": value, "low": low, "high": high, "reason": reason,
    }  # fmt: skip


def _share(table: pd.DataFrame) -> tuple[float, float, float]:
    """The share of the one row with its interval, NaN without one."""
    if not len(table):
        return math.nan, math.nan, math.nan
    value, low, high = (float(x) for x in table[["share", "share_low", "share_high"]].to_numpy(float)[0])
    return value, low, high


def series_table(layers: Sequence[Layer], tracks: pd.DataFrame, zone_names: tuple[str, ...]) -> pd.DataFrame:
    """What is left at each survey, by zone; schema :data:`pitmap.compare.SERIES`.

    Parameters
    ----------
    layers : sequence of Layer
    tracks : pandas.DataFrame
        Of :func:`follow`.
    zone_names : tuple of str

    Notes
    -----
    Shares and sound width are the surveys' own figures with their own intervals. ``deepest_um`` is a bound
    on the deepest pit of the zone under the first face: while a pit is there the deepest is deeper than the
    stock removed; once all are gone it lies between the removals at which the last of them was seen and gone. What is
    not known of those removals is in the bounds.
    """
    stock = stock_over_jobs([layer.inspection for layer in layers])
    removed = [e.value for e in stock]
    rows: list[dict[str, Any]] = []
    for k, layer in enumerate(layers):
        measurement = layer.inspection.measurement
        for value, zone in enumerate(zone_names, 1):
            no_share: dict[str, str] = {}
            for quantity, word in _SHARES:
                if word == "uncut" and not layer.inspection.stage.is_lapped:
                    continue
                at = measurement.zones
                at = at[(at["zone"] == zone) & (at["class_word"] == word)]
                share = _share(at)
                reason = "" if not math.isnan(share[0]) else "nothing of the zone was seen"
                reason = reason if len(at) else "not measured at this survey"
                rows.append(_row(k + 1, zone, quantity, removed[k], share, reason))
                no_share[word] = reason
            pits = float(((layer.marks.class_code == SurfaceClass.PIT) & (layer.marks.zone == value)).sum())
            # Where no share can be told no pit shows either, and that is no count of none.
            count = math.nan if no_share["pit"] else pits
            why = no_share["pit"] or "a count; marks too small for the photo are not in it"
            rows.append(_row(k + 1, zone, "n_pits", removed[k], (count, math.nan, math.nan), why))
            low, high, reason = _deepest(tracks, k, zone, stock)
            rows.append(_row(k + 1, zone, "deepest_um", removed[k], (math.nan, low, high), reason))
            if zone == "seal_land":
                # of all places: metal not seen at another one may leave less than the narrowest that is seen
                e = measurement.sound_width_mm
                width = e.value, e.low, e.high
                rows.append(_row(k + 1, zone, "sound_width_mm", removed[k], width, e.reason))
    return SERIES.frame(rows)


def _deepest(tracks: pd.DataFrame, k: int, zone: str, stock: Sequence[Estimate]) -> tuple[float, float, str]:
    """Bounds on the deepest pit of a zone from surveys up to `k`, and why there is no value."""
    if not stock[k].is_known:
        return math.nan, math.nan, "the stock removed before this survey is not known"
    pits = tracks[
        (tracks["class_code"] == SurfaceClass.PIT)
        & (tracks["zone"] == zone)
        & (tracks["first_survey"] <= k + 1)
    ]
    if not len(pits):
        return math.nan, math.nan, "no pit was seen"
    last = pits["last_survey"].to_numpy() - 1
    end = pits["gone_survey"].to_numpy() - 1
    least, most = np.array([stock_ends(e) for e in stock], float).T
    # Of a survey whose stock is not known a pit was there with none off at least, and gone by this one at the latest.
    low = np.nan_to_num(least[np.minimum(last, k)], nan=0.0)
    gone = np.nan_to_num(most[np.maximum(end, 0)], nan=most[k])
    high = np.where((end >= 0) & (end <= k), gone, math.inf)
    bounds_only = "bounds from the series, no single value"
    return float(np.max(low)), float(np.max(high)), bounds_only


def stock_ends(stock: Estimate) -> tuple[float, float]:
    """Least and most that came off, um, for a depth that it bounds; NaN for what is not known.

    A number without an interval bounds by itself.
    """
    return (max(stock.low, 0.0), stock.high) if stock.has_interval else (stock.value, stock.value)
