"""Which pits to read next: those whose depth would say most about the deepest one, and narrow ones to test the model."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..errors import InputError
from ..tables import Column, Schema
from .pit_model import DepthModel

__all__ = ["NEXT_READINGS", "next_readings", "unread_narrow", "unread_wide"]

NEXT_READINGS = Schema(
    "next_readings",
    (
        Column("order", "int64", "1 = read this one first"),
        Column("mark_id", "int64", "the pit"),
        Column("zone", "object", "its zone"),
        Column("eq_diam_mm", "float64", "its size"),
        Column("depth_um", "float64", "what the model expects, under the first face"),
        Column("depth_low_um", "float64", "lower end of its interval"),
        Column("depth_high_um", "float64", "upper end of its interval"),
        Column("spread_before_um", "float64", "standard deviation of the deepest pit before this reading"),
        Column("spread_after_um", "float64", "the same expected after it and those above it"),
        Column(
            "is_narrow",
            "bool",
            "narrower than any pit that was read: it tests what the model takes for granted",
        ),
    ),
)

_N_BINS = 10

_TAIL = 0.01
"""Draws of the deepest beyond this share at either end count as that deep, and no deeper (house choice)."""

_NARROW_SHARE = 0.25
"""Share of the pits there are, from which those narrower than any that was read are worth a reading (house choice)."""

_CLEARLY_WIDER = 1.1
"""Times the widest that was read, from which a pit is clearly wider: the photo tells widths to about as much (house
choice)."""


def next_readings(
    model: DepthModel,
    n: int,
    *,
    rng: np.random.Generator,
    zone: str | Collection[str] | None = None,
    instrument_sd_um: float = 8.0,
    present: NDArray[np.bool_] | None = None,
) -> pd.DataFrame:
    """Pits to read next: those that say most of the deepest, best first, then narrow ones that test the model.

    Parameters
    ----------
    model : DepthModel
    n : int
        How many; fewer come back when fewer are left unread.
    rng : numpy.random.Generator
        For the errors of the imagined readings.
    zone : str, collection of str, or None
        Deepest pit of which zone, or of which zones together; None: of the face.
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
    draws, without those far out in the tails, in ten bins of the imagined reading; then again on what is left, pit
    after pit. The draws carry the parameters' uncertainty too, so a reading counts for what it says about pits nobody
    reads. A read pit may come up again where a second reading of it says most.

    That is worth no more than the law of depth on width, by which narrow pits are shallow: following it, nobody would ever
    look into one. So up to half of the readings go to pits narrower than any that was read, evenly through their widths
    (:func:`unread_narrow`). On simulated faces of sixty pits, one in twelve of them narrow and 40 to 140 um deeper than
    the rest, three such readings of twelve doubled how often the deepest was held; where depth does go with width they
    cost nothing that could be measured.

    References
    ----------
    Lindley, Ann. Math. Stat. 27 (1956) 986 (worth of an experiment), with variance in the place of entropy;
    the choice of variance is a house choice.
    """
    if n < 1:
        raise InputError(f"next_readings: expected a number of readings from 1, got {n}")
    table = model.depths
    zones = [zone] if zone is None or isinstance(zone, str) else list(zone)
    is_own = np.logical_or.reduce([model.in_zone(z) for z in zones])
    if present is not None:
        is_own = is_own & present
    own = np.flatnonzero(is_own)
    if not len(own):
        return NEXT_READINGS.empty()
    target = np.max([model.deepest_draws_um(z) for z in zones], axis=0)
    # A handful of draws far out in the tail would carry most of the variance, and no plan goes by them.
    target = np.clip(target, *np.quantile(target, [_TAIL, 1 - _TAIL]))
    left = target - target.mean()
    narrow = unread_narrow(model, is_own)
    n_narrow = min(n // 2, len(narrow))
    narrow = narrow[((np.arange(n_narrow) + 0.5) * len(narrow) / max(n_narrow, 1)).astype(int)]
    # Only pits that could be the deepest, or that carry the parameters: the rest would cost time and win nothing.
    chance = np.bincount(model.draws_um[:, own].argmax(axis=1), minlength=len(own))
    likely = own[np.argsort(-chance, kind="stable")]
    likely = likely[~np.isin(likely, narrow)][: max(60, 3 * n)]
    candidates = np.concatenate([likely, narrow])
    imagined = model.draws_um[:, candidates] + instrument_sd_um * rng.standard_normal(
        (len(model.draws_um), len(candidates))
    )
    rank = np.argsort(np.argsort(imagined, axis=0), axis=0)
    bins = rank * _N_BINS // len(imagined)
    rows = []
    taken = np.arange(len(candidates)) >= len(likely)
    n_best = min(n - n_narrow, len(likely))
    for k in range(n_best + n_narrow):
        gain = _explained(left, bins)
        gain[taken] = -np.inf
        best = int(np.argmax(gain)) if k < n_best else len(likely) + k - n_best
        before = float(left.std())
        means = np.bincount(bins[:, best], weights=left, minlength=_N_BINS) / np.bincount(
            bins[:, best], minlength=_N_BINS
        )
        left = left - means[bins[:, best]]
        taken[best] = True
        pit = table.iloc[candidates[best]]
        rows.append(
            {
                "order": k + 1, "mark_id": int(pit["mark_id"]), "zone": pit["zone"], "eq_diam_mm": pit["eq_diam_mm"],
                **{name: pit[name] for name in ("depth_um", "depth_low_um", "depth_high_um")},
                "spread_before_um": before, "spread_after_um": float(left.std()), "is_narrow": k >= n_best,
            }
        )  # fmt: skip
    return NEXT_READINGS.frame(rows)


def unread_narrow(model: DepthModel, own: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Pits narrower than any that was read, widest first; none where they are too few to matter.

    Parameters
    ----------
    model : DepthModel
    own : ndarray (pits,) of bool
        The pits that are looked at: those of some zones that are still there.

    Returns
    -------
    ndarray of int
        Places in the model's table. All of `own` where none of them was read.

    Notes
    -----
    What the model says of them is drawn out from wider pits: a narrow pit that is deep all the same is in no interval.
    """
    diameter = model.depths["eq_diam_mm"].to_numpy(float)
    read = own & model.depths["basis"].isin(["read", "at least"]).to_numpy()
    narrow = np.flatnonzero(own & (diameter < diameter[read].min(initial=np.inf)))
    if len(narrow) < _NARROW_SHARE * own.sum():
        return narrow[:0]
    return narrow[np.argsort(-diameter[narrow], kind="stable")]


def unread_wide(model: DepthModel, own: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Pits clearly wider than any that was read, narrowest first; none where no pit of `own` was read.

    Parameters
    ----------
    model : DepthModel
    own : ndarray (pits,) of bool
        As in :func:`unread_narrow`.

    Returns
    -------
    ndarray of int
        Places in the model's table. One is enough: wide pits are mostly the deepest, and one can settle the stock.
    """
    diameter = model.depths["eq_diam_mm"].to_numpy(float)
    read = own & model.depths["basis"].isin(["read", "at least"]).to_numpy()
    if not read.any():
        return np.empty(0, np.int64)
    wide = np.flatnonzero(own & (diameter > _CLEARLY_WIDER * diameter[read].max()))
    return wide[np.argsort(diameter[wide], kind="stable")]


def _explained(left: NDArray, bins: NDArray) -> NDArray:
    """Variance of `left` between the bins of each column; what chance alone gives of it is the same in all of them."""
    out = np.zeros(bins.shape[1])
    for b in range(_N_BINS):
        inside = bins == b
        count = inside.sum(axis=0)
        out += (left @ inside) ** 2 / count
    return out / len(left)
