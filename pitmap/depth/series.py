"""From a series of surveys to a depth model: every reading and every lap step under one plane, the first face."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage
from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL
from ..units import UnitSystem, format_depth
from .attach import attach_readings
from .bounds import LapBounds, lap_bounds
from .gone import GONE_BELOW_MM
from .pit_model import DepthModel, fit_depths
from .pit_words import PitWords
from .reached import below_plane_um
from .readings import READINGS, ReadingSheet
from .removed import removed_from_thickness
from .survey import FaceSurvey

__all__ = [
    "fit_series",
    "more_entered_than_lost",
    "readings_under_first_face",
    "with_measured_stock",
    "with_readings",
]


def fit_series(
    surveys: Sequence[FaceSurvey],
    *,
    rng: np.random.Generator,
    level: float = DEFAULT_LEVEL,
    n_draws: int = 1000,
    system: UnitSystem = "mm",
) -> tuple[LapBounds, DepthModel]:
    """Bounds and depth model of a face from all its surveys.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        In any order; readings attached to the marks of their own survey.
    rng, level, n_draws
        As in :func:`~pitmap.depth.fit_depths`.
    system : {"mm", "inch"}
        Units of the sentences.

    Raises
    ------
    InputError, NotEnoughData
        As in :func:`~pitmap.depth.lap_bounds` and :func:`~pitmap.depth.fit_depths`.
    """
    surveys = sorted(surveys, key=lambda s: Stage(s.stage).order)
    bounds = lap_bounds(surveys, system=system)
    marks = bounds.pits.rename(columns={"pit_id": "mark_id"})
    readings, of_survey = readings_under_first_face(surveys, bounds)
    model = fit_depths(
        marks,
        readings,
        bounds.pits,
        rng=rng,
        stock_sd_um=bounds.removed_sd_um,
        reading_survey=of_survey,
        below_um=_below_plane_um(surveys, bounds.pits, readings, of_survey),
        hidden_mm=GONE_BELOW_MM,
        unseen=surveys[-1].unseen_shares(),
        words=PitWords.of(surveys, bounds.pits, bounds.links, system),
        level=level,
        n_draws=n_draws,
    )
    return bounds, model


def _below_plane_um(
    surveys: Sequence[FaceSurvey], pits: pd.DataFrame, readings: pd.DataFrame, of_survey: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Least and most that the metal about the pit of each reading, or about its own place, stood below the plane (N, 2)."""
    of_pit = readings["mark_id"].to_numpy() >= 0
    pit = readings["mark_id"].to_numpy()[of_pit] - 1
    xy = readings[["x_mm", "y_mm"]].to_numpy(float, copy=True)
    radius = np.zeros(len(readings))
    xy[of_pit], radius[of_pit] = (
        pits[["x_mm", "y_mm"]].to_numpy(float)[pit],
        pits["eq_diam_mm"].to_numpy()[pit] / 2,
    )
    placed = np.flatnonzero(np.isfinite(xy).all(axis=1))
    out = np.zeros((len(readings), 2))
    out[placed] = below_plane_um(surveys, xy[placed], radius[placed])[
        np.arange(len(placed)), of_survey[placed]
    ]
    return out


def readings_under_first_face(
    surveys: Sequence[FaceSurvey], bounds: LapBounds
) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Pit-depth readings of all surveys with pit numbers, depths under the first face.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        In the order of work.
    bounds : LapBounds
        Of the same surveys.

    Returns
    -------
    DataFrame
        :data:`READINGS`; `mark_id` is the pit's number in `bounds`. The stock removed before the survey is added
        to the depth; `uncertainty_um` stays the instrument's. Numbered anew from 1.
    ndarray (readings,) of int
        The survey of each, whose stock is off by one common error.
    """
    pit_of = {(int(k), int(m)): int(p) for p, k, m in bounds.links.to_numpy()}
    rows: list[dict[str, Any]] = []
    of_survey: list[int] = []
    places = bounds.pits[["x_mm", "y_mm"]].to_numpy(float)
    for k, survey in enumerate(surveys):
        for _, r in survey.readings.loc[survey.readings["kind"] == "pit_depth"].iterrows():
            pit = pit_of.get((k, int(r["mark_id"])), -1) if r["mark_id"] >= 0 else -1
            place = np.array([r["x_mm"], r["y_mm"]], float)
            if pit >= 0:
                place = places[pit - 1]
            elif not np.isfinite(place).all():
                place = bounds.middle_xy
            rows.append(
                {
                    **{str(c): v for c, v in r.items()}, "reading_id": len(rows) + 1, "mark_id": pit,
                    "value_um": r["value_um"] + float(survey.removed.at(place)),
                }
            )  # fmt: skip
            of_survey.append(k)
    return READINGS.frame(rows), np.array(of_survey, np.int64)


def with_readings(
    surveys: Sequence[FaceSurvey], sheet: ReadingSheet, *, position_sd_mm: float, face: str | None = None
) -> list[FaceSurvey]:
    """The surveys with the readings of a sheet, each attached to the marks of its own stage.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
    sheet : ReadingSheet
        From :func:`~pitmap.depth.read_readings`.
    position_sd_mm : float
        As in :func:`~pitmap.depth.attach_readings`.
    face : str or None
        Only the readings of this face (and those without one).

    Returns
    -------
    list of FaceSurvey
        New surveys; readings that a survey had already are kept before the sheet's, numbered anew.

    Raises
    ------
    InputError
        The sheet has readings of a stage that was not surveyed.
    """
    known = {s.stage for s in surveys}
    strange = sorted(
        {s for s, f in zip(sheet.stages, sheet.faces) if face is None or f in ("", face)} - known
    )
    if strange:
        raise InputError(f"readings of {', '.join(strange)}, but that stage was not surveyed")
    out = []
    for survey in surveys:
        fresh = attach_readings(sheet.of(survey.stage, face), survey.marks, position_sd_mm)
        both = (
            pd.concat([t for t in (survey.readings, fresh) if len(t)])
            if len(survey.readings) or len(fresh)
            else fresh
        )
        both = both.reset_index(drop=True).assign(reading_id=np.arange(1, len(both) + 1))
        out.append(replace(survey, readings=READINGS.check(both)))
    return out


def with_measured_stock(
    surveys: Sequence[FaceSurvey], *, system: UnitSystem = "mm"
) -> tuple[list[FaceSurvey], list[str]]:
    """The surveys with the stock of each taken from the thickness spots, and what does not fit.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        With their thickness readings.

    Returns
    -------
    list of FaceSurvey
        In the order of work. A survey that shares a spot with the first one gets the plane through the differences
        (or their mean) on top of the first one's own stock; the others keep what they had.
    list of str
        Surveys whose entered stock and thickness disagree by more than three standard deviations, those whose
        readings share no spot with the first one, and readings that have no place.

    Notes
    -----
    A thickness knows of both faces: on a plate with two worked faces this holds only while the other face was not
    touched between the surveys.
    """
    surveys = sorted(surveys, key=lambda s: Stage(s.stage).order)
    spots = []
    out, problems = [surveys[0]], []
    for survey in surveys:
        thickness = survey.readings.loc[survey.readings["kind"] == "thickness"]
        placed = thickness.loc[thickness[["x_mm", "y_mm"]].notna().all(axis=1)]
        spots.append(placed)
        if n_lost := len(thickness) - len(placed):
            count = "1 thickness reading" if n_lost == 1 else f"{n_lost} thickness readings"
            problems.append(
                f"{Stage(survey.stage).moment}: {count} without x, y cannot be compared; enter the place"
            )
    first = spots[0]
    for survey, after in zip(surveys[1:], spots[1:], strict=True):
        when = Stage(survey.stage).moment
        try:
            measured = removed_from_thickness(first, after).on_top_of(surveys[0].removed)
        except NotEnoughData:
            if len(after):
                problems.append(
                    f"{when}: no thickness spot was measured {Stage(surveys[0].stage).moment} as well, so the stock that"
                    " was entered counts; measure the same spots each time"
                )
            out.append(survey)
            continue
        middle = after[["x_mm", "y_mm"]].mean().to_numpy(float)
        apart = float(measured.at(middle) - survey.removed.at(middle))
        if abs(apart) > 3 * float(np.hypot(measured.sd_at(middle), survey.removed.sd_at(middle))):
            problems.append(
                f"{when}: thickness says {format_depth(float(measured.at(middle)), system)} came off,"
                f" {format_depth(float(survey.removed.at(middle)), system)} was entered; was the other face lapped too?"
            )
        out.append(replace(survey, removed=measured))
    return out, problems


def more_entered_than_lost(surveys: Sequence[FaceSurvey], *, system: UnitSystem = "mm") -> list[str]:
    """Surveys before which the plate lost less, by the micrometer, than was entered as taken off this face.

    The plate loses what comes off both its faces, so that one face alone cannot have lost more.

    Parameters
    ----------
    surveys : sequence of FaceSurvey
        With their thickness readings.
    system : {"mm", "inch"}

    Returns
    -------
    list of str
        A sentence for each survey that falls short by more than three standard deviations of an earlier one, at the spots
        that both share.
    """
    surveys = sorted(surveys, key=lambda s: Stage(s.stage).order)
    problems = []
    for k, after in enumerate(surveys):
        for before in surveys[:k]:
            was, now = (s.readings.loc[s.readings["kind"] == "thickness"] for s in (before, after))
            try:
                lost = removed_from_thickness(was, now)
            except NotEnoughData:
                continue
            middle = now[["x_mm", "y_mm"]].mean().to_numpy(float)
            entered_um = float(after.removed.at(middle) - before.removed.at(middle))
            sd_um = math.hypot(*(float(s.sd_at(middle)) for s in (lost, after.removed, before.removed)))
            lost_um = float(lost.at(middle))
            if entered_um - lost_um > 3 * sd_um:
                said = f"lost {format_depth(lost_um, system)}"
                if lost_um < 0:
                    said = f"became {format_depth(-lost_um, system)} thicker"
                problems.append(
                    f"{Stage(after.stage).moment}: by the micrometer the plate {said} since it was measured"
                    f" {Stage(before.stage).moment}, and {format_depth(entered_um, system)} was entered as taken off this"
                    " face alone; measure the same spots again, or correct the stock: the depths of the pits hang on it"
                )
                break
    return problems
