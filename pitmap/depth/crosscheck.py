"""The deepest pit by published methods that know readings and steps only, beside the model that knows every pit."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from ..errors import PitmapError
from ..estimate import DEFAULT_LEVEL, Estimate
from ..tables import Column, Schema
from .extremes import fit_gumbel, fit_pareto
from .gone import GONE_BELOW_MM
from .hidden_holes import is_told_by_laps, most_left_um
from .turnbull import turnbull

__all__ = ["CROSS_CHECKS", "cross_checks"]

CROSS_CHECKS = Schema(
    "cross_checks",
    (
        Column("method", "object", "published method"),
        Column(
            "deepest_um", "float64", "deepest of all pits under the first face; NaN when it cannot be said"
        ),
        Column("deepest_low_um", "float64", "lower end of its interval"),
        Column("deepest_high_um", "float64", "upper end; infinite when the method gives a lower bound only"),
        Column("n_used", "int64", "readings or bounds that it rests on"),
        Column("note", "object", "what it assumes, or why it has no value"),
    ),
)

_GUMBEL_NOTE = "takes every reading for a random pit; sizes and lap steps are not used"


_MODEL_NOTE = "knows every pit of the map: its size, its readings, its lap steps"


def cross_checks(
    readings: pd.DataFrame,
    pits: pd.DataFrame,
    *,
    by_model_um: Estimate | None = None,
    level: float = DEFAULT_LEVEL,
) -> pd.DataFrame:
    """Deepest pit of a face by Gumbel, generalised Pareto and Turnbull, beside the model that the plan goes by.

    Parameters
    ----------
    readings : DataFrame
        :data:`~pitmap.depth.READINGS`, under the first face
        (:func:`~pitmap.depth.readings_under_first_face`). Lower bounds are left out, which leans shallow.
    pits : DataFrame
        :data:`~pitmap.depth.PITS`.
    by_model_um : Estimate or None
        :meth:`pitmap.depth.DepthModel.deepest`, for the first row; None for none.
    level : float

    Returns
    -------
    DataFrame
        :data:`CROSS_CHECKS`; a method that has too little to go on has a row with its reason.

    References
    ----------
    Gumbel, Statistics of Extremes (1958); Lieblein, NBSIR 74-602 (1974); Coles (2001) ch. 4; Turnbull (1976).
    """
    exact = readings.loc[(readings["kind"] == "pit_depth") & ~readings["is_lower_bound"]]
    depth = exact["value_um"].to_numpy(float)
    n = max(len(pits), 1)
    rows: list[dict[str, Any]] = []
    if by_model_um is not None:
        rows.append(_row("pit-depth model of the plan", by_model_um, len(pits), _MODEL_NOTE))
    ml = _or_why(lambda: fit_gumbel(depth, "ml").predict(n, level=level), level)
    blue = _or_why(lambda: fit_gumbel(depth, "blue").predict(n, level=level), level)
    rows.append(_row("Gumbel, maximum likelihood", ml, len(depth), _GUMBEL_NOTE))
    rows.append(_row("Gumbel, best linear unbiased", blue, len(depth), _GUMBEL_NOTE))
    rows.append(_pareto(depth, n, level))
    rows.append(_turnbull(exact, pits, n, level))
    return CROSS_CHECKS.frame(rows)


def _or_why(estimate: Callable[[], Estimate], level: float) -> Estimate:
    """What a method says, or why it says nothing: a check has no right to stop a plan."""
    try:
        return estimate()
    except (PitmapError, ValueError) as error:
        return Estimate.unknown(str(error), level=level)


def _pareto(depth: np.ndarray, n: int, level: float) -> dict[str, Any]:
    name, note = (
        "generalised Pareto over the median",
        "depth passed by one pit in all; sizes and steps are not used",
    )
    threshold = float(np.median(depth)) if len(depth) else 0.0
    found = _or_why(lambda: fit_pareto(depth, threshold).level(max(n, 3), level=level), level)
    return _row(name, found, len(depth), note)


def _turnbull(exact: pd.DataFrame, pits: pd.DataFrame, n: int, level: float) -> dict[str, Any]:
    name, note = (
        "Turnbull, no law assumed",
        "depth interval that holds the deepest of the known share of pits",
    )
    known = exact.loc[exact["mark_id"] >= 0].groupby("mark_id")["value_um"].mean()
    read = pits["pit_id"].isin(known.index).to_numpy()
    value = pits.loc[read, "pit_id"].map(known).to_numpy(float)
    shallower = most_left_um(
        pits["shallower_than_um"], pits["seen_from_um"], pits["eq_diam_mm"], GONE_BELOW_MM
    )
    is_told = is_told_by_laps(pits["eq_diam_mm"], GONE_BELOW_MM)
    bounded = ~read & is_told & ((pits["deeper_than_um"] > 0).to_numpy() | np.isfinite(shallower))
    left = np.concatenate([value, pits.loc[bounded, "deeper_than_um"].to_numpy(float)])
    right = np.concatenate([value, shallower[bounded]])
    # Two surveys may give one pit meeting bounds; it then counts as that depth.
    right = np.maximum(left, right)
    try:
        fit = turnbull(left, right)
    except PitmapError as error:
        return _row(name, Estimate.unknown(str(error), level=level), 0, note)
    upper = np.cumsum(fit.probability) >= 1 - 1 / (2 * n)
    cell = int(np.argmax(upper)) if upper.any() else len(fit.right) - 1
    low, high = float(fit.left[cell]), float(fit.right[cell])
    middle = low if math.isinf(high) else (low + high) / 2
    return _row(name, Estimate(value=middle, low=low, high=high, level=level), len(left), note)


def _row(method: str, found: Estimate, n_used: int, note: str) -> dict[str, Any]:
    return {
        "method": method,
        "deepest_um": found.value,
        "deepest_low_um": found.low,
        "deepest_high_um": found.high,
        "n_used": n_used,
        "note": found.reason or note,
    }
