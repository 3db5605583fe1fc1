"""Which pits to read next: those whose depth would say most about the deepest one."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..errors import InputError
from ..tables import Column, Schema
from .pit_model import DepthModel

__all__ = ["NEXT_READINGS", "next_readings"]

NEXT_READINGS = Schema(
    "next_readings",
    (
        Column("order", "int64", "1 = read this one first"),
        Column("mark_id", "int64", "the pit"),
        Column("zone", "object", "its zone"),
        Column("eq_diam_mm", "float64", "its size"),
        Column("depth_um", "float64", "what the model expects, under the first face"),
        Column("spread_before_um", "float64", "standard deviation of the deepest pit before this reading"),
        Column("spread_after_um", "float64", "the same expected after it and those above it"),
    ),
)

_N_BINS = 10


def next_readings(
    model: DepthModel,
    n: int,
    *,
    rng: np.random.Generator,
    zone: str | None = None,
    instrument_sd_um: float = 8.0,
    present: NDArray[np.bool_] | None = None,
) -> pd.DataFrame:
    """Pits to read next, best first.

    Parameters
    ----------
    model : DepthModel
    n : int
        How many; fewer come back when fewer are left unread.
    rng : numpy.random.Generator
        For the errors of the imagined readings.
    zone : str or None
        Deepest pit of which zone; None: of the face.
    instrument_sd_um : float
        Error of the gauge.
    present : ndarray of bool or None
        Pits that are still there to be read, in the order of the model's table; None: all.

    Returns
    -------
    DataFrame
        :data:`NEXT_READINGS`.

    Raises
    ------
    InputError
        `n` under 1.

    Notes
    -----
    Expected variance of the deepest after one more reading, Var(M) - Var(E[M | reading]), taken over the joint
    draws in ten bins of the imagined reading; then again on what is left, pit after pit. The draws carry the
    parameters' uncertainty too, so a reading counts for what it says about pits nobody reads. A read pit may
    come up again where a second reading of it says most.

    References
    ----------
    Lindley, Ann. Math. Stat. 27 (1956) 986 (worth of an experiment), with variance in the place of entropy;
    the choice of variance is a house choice.
    """
    if n < 1:
        raise InputError(f"next_readings: expected a number of readings from 1, got {n}")
    table = model.depths
    own = np.flatnonzero(model.in_zone(zone))
    if present is not None:
        own = own[present[own]]
    if not len(own):
        return NEXT_READINGS.empty()
    target = model.deepest_draws_um(zone)
    left = target - target.mean()
    # Only pits that could be the deepest, or that carry the parameters: the rest would cost time and win nothing.
    chance = table["p_deepest"].to_numpy()[own]
    candidates = own[np.argsort(-chance, kind="stable")[: max(60, 3 * n)]]
    imagined = model.draws_um[:, candidates] + instrument_sd_um * rng.standard_normal(
        (len(model.draws_um), len(candidates))
    )
    rank = np.argsort(np.argsort(imagined, axis=0), axis=0)
    bins = rank * _N_BINS // len(imagined)
    rows = []
    taken = np.zeros(len(candidates), bool)
    for order in range(1, min(n, len(candidates)) + 1):
        gain = _explained(left, bins)
        gain[taken] = -np.inf
        best = int(np.argmax(gain))
        before = float(left.std())
        means = np.bincount(bins[:, best], weights=left, minlength=_N_BINS) / np.bincount(
            bins[:, best], minlength=_N_BINS
        )
        left = left - means[bins[:, best]]
        taken[best] = True
        pit = table.iloc[candidates[best]]
        rows.append(
            {
                "order": order, "mark_id": int(pit["mark_id"]), "zone": pit["zone"], "eq_diam_mm": pit["eq_diam_mm"],
                "depth_um": pit["depth_um"], "spread_before_um": before, "spread_after_um": float(left.std()),
            }
        )  # fmt: skip
    return NEXT_READINGS.frame(rows)


def _explained(left: NDArray, bins: NDArray) -> NDArray:
    """Variance of `left` between the bins of each column, less what chance alone would give."""
    out = np.zeros(bins.shape[1])
    for b in range(_N_BINS):
        inside = bins == b
        count = inside.sum(axis=0)
        out += (left @ inside) ** 2 / count
    return out / len(left) - (_N_BINS - 1) * left.var() / len(left)
