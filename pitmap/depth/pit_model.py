"""How deep is every pit, counting the ones nobody measured?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate
from ..flags import Flag
from ..tables import Column, Schema
from ..units import UnitSystem, format_depth
from .far_out import far_out
from .likelihood import Likelihood
from .pit_data import PitData, collect
from .pit_words import PitWords
from .posterior import Draws, curvature, draw_posterior, find_mode
from .predict import draw_depths
from .scatter import LAWS
from .survey import no_pit_means_little
from .zones import zones_of

__all__ = ["DEPTHS", "PARAMETERS", "PRIOR", "DepthModel", "fit_depths", "open_reading_words"]

PRIOR: Mapping[str, tuple[float, float]] = {
    "a": (math.log(30.0), 1.0),
    "b": (0.6, 0.3),
    "log_sigma": (math.log(0.4), 0.35),
    "zone": (0.0, 0.3),
}
"""Normal priors (mean, standard deviation); house choice, weak.

``a``: the median depth of a 1 mm pit lies between 4 and 210 um (95 %). ``b``: depth grows with width, from not at
all to a little faster than in proportion. ``log_sigma``: one standard deviation is a factor of 1.2 to 2.2 between
pits of one size (95 %). ``zone``: two zones of one face corrode alike to a factor of 1.8. They matter only while
the data are few. The spreads of ``b`` and ``log_sigma`` were narrowed once (from 0.4 and 0.45) on invented faces
whose seeds are apart from those of the published table.
"""

DEPTHS = Schema(
    "depths",
    (
        Column("mark_id", "int64", "the pit"),
        Column("zone", "object", "its zone"),
        Column("eq_diam_mm", "float64", "diameter of the disc of its area"),
        Column("depth_um", "float64", "median depth under the first face"),
        Column("depth_low_um", "float64", "lower end of its interval"),
        Column("depth_high_um", "float64", "upper end of its interval"),
        Column("basis", "object", "read, at least, lap steps, or predicted from its size"),
        Column("p_deepest", "float64", "chance that it is the deepest of its zone"),
        Column("flags", "int64", "bits of pitmap.flags"),
    ),
)

PARAMETERS = Schema(
    "parameters",
    (
        Column(
            "name", "object", "a, b, log_sigma, zone contrasts, stock errors (in their standard deviations)"
        ),
        Column("value", "float64", "maximum likelihood; NaN where the data do not settle it"),
        Column("std_error", "float64", "from the curvature of the log likelihood"),
        Column("posterior_value", "float64", "mean of the draws, weak prior included"),
        Column("posterior_sd", "float64", "their standard deviation"),
        Column("note", "object", "why there is no maximum-likelihood value"),
    ),
)

MIN_INFORMATIVE = 3
"""Depths known from both sides that are needed before unmeasured pits are predicted (three parameters)."""

_N_DOUBT_DRAWS = 2000

MAX_RATIO = 3.5
"""An interval whose upper end is over this many times its lower end is worth nothing on the bench (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DepthModel:
    """A fitted depth model and draws of every pit's depth.

    Parameters
    ----------
    depths : DataFrame
        :data:`DEPTHS`.
    parameters : DataFrame
        :data:`PARAMETERS`.
    draws_um : ndarray (draws, pits) float32
        Joint draws of all depths, um under the first face, columns in the order of `depths`.
    stock_error_um : ndarray (draws, surveys)
        The error of each survey's removed stock that goes with each draw (true minus stated), um.
    zones : tuple of frozenset of str
        Zones that each pit counts for.
    free_um : ndarray (draws, free readings)
        Draws of pit readings that belong to no mark; `free_zones` are those of the pits near each (none: any zone),
        `free_is_at_least` where the needle did not reach the floor.
    below_um : array (readings, 2), optional
        Least and most that the metal which each reading was taken from stood below the plane of its survey
        (:func:`~pitmap.depth.reached.below_plane_um`): it is short by so much. Left out: by nothing.
    unseen : mapping of str to float, or None
        Share of each mapped zone that the last survey does not show; None where zones were not measured.
    is_bounded : ndarray (pits,) of bool
        Gone after some lap step, so that its depth is known from both sides.
    level : float
        Of every interval.
    n_informative, n_read : int
        Pits known from both sides; pits read exactly.
    law_weights : mapping of str to float
        Probability of each law of scatter, given the data; the draws mix them in these shares.
    not_enough : str
        Why unmeasured pits are not predicted; empty when they are.
    problems : tuple of str
        Contradictions, in words.
    system : {"mm", "inch"}
        Units of the sentences.
    """

    depths: pd.DataFrame
    parameters: pd.DataFrame
    draws_um: NDArray[np.float32]
    stock_error_um: NDArray[np.float64]
    free_um: NDArray[np.float32]
    zones: tuple[frozenset[str], ...]
    free_zones: tuple[frozenset[str], ...]
    free_is_at_least: NDArray[np.bool_]
    unseen: Mapping[str, float] | None
    is_bounded: NDArray[np.bool_]
    level: float
    n_informative: int
    n_read: int
    law_weights: Mapping[str, float]
    not_enough: str = ""
    problems: tuple[str, ...] = ()
    system: UnitSystem = "mm"

    def __post_init__(self) -> None:
        for array in (
            self.draws_um,
            self.stock_error_um,
            self.free_um,
            self.free_is_at_least,
            self.is_bounded,
        ):
            array.setflags(write=False)

    def in_zone(self, zone: str | None) -> NDArray[np.bool_]:
        """Pits that count for a zone (None: all), in the order of `depths`."""
        return np.array([zone is None or zone in own for own in self.zones], bool)

    def _free_in(self, zone: str | None) -> NDArray[np.bool_]:
        return np.array([zone is None or not near or zone in near for near in self.free_zones], bool)

    def deepest_draws_um(self, zone: str | None = None) -> NDArray[np.float64]:
        """Draws of the deepest pit of a zone (None: of the face); zeros when it has no pit."""
        own, free = self.in_zone(zone), self._free_in(zone) & ~self.free_is_at_least
        deepest = np.zeros(len(self.draws_um))
        if own.any():
            deepest = self.draws_um[:, own].max(axis=1).astype(float)
        if free.any():
            deepest = np.maximum(deepest, self.free_um[:, free].max(axis=1))
        return deepest

    def deepest(self, zone: str | None = None) -> Estimate:
        """Depth of the deepest pit of a zone under the first face, um; unknown when there is not enough.

        A zone without a pit has 0, unless the last survey shows too little of it, or a reading that belongs to no pit
        and did not reach the floor may be of it.
        """
        draws = self.deepest_draws_um(zone)
        tail = (1 - self.level) / 2
        low, value, high = (float(q) for q in np.quantile(draws, [tail, 0.5, 1 - tail]))
        reason = self._open_reading(zone, high)
        if zone is not None and not draws.any():
            reason = reason or no_pit_means_little(self.unseen, zone)
        elif self.not_enough:
            reason = self.not_enough
        elif high > MAX_RATIO * low:
            ends = f"{format_depth(low, self.system)} to {format_depth(high, self.system)}"
            reason = reason or f"not enough readings: the deepest could be anything from {ends}"
        if reason:
            return Estimate.unknown(reason, level=self.level)
        return Estimate(value=value, low=low, high=high, level=self.level)

    def _open_reading(self, zone: str | None, high_um: float) -> str:
        """Why a depth without a bound from above cannot be said; empty when no open reading reaches over it."""
        for k in np.flatnonzero(self._free_in(zone) & self.free_is_at_least):
            least = float(np.median(self.free_um[:, k]))
            if least > high_um:
                return open_reading_words(f"{format_depth(least, self.system)} under the first face")
        return ""


def open_reading_words(which: str) -> str:
    """Why a needle that did not reach the floor of a pit that is not on the map leaves the deepest open."""
    return (
        f"the reading of {which} belongs to no pit of the map and says only that the floor lies deeper:"
        " read it to the floor, or name its pit"
    )


def fit_depths(
    marks: pd.DataFrame,
    readings: pd.DataFrame,
    bounds: pd.DataFrame | None = None,
    *,
    rng: np.random.Generator,
    stock_sd_um: ArrayLike = (),
    reading_survey: ArrayLike | None = None,
    below_um: NDArray[np.float64] | None = None,
    hidden_mm: float = 0.0,
    unseen: Mapping[str, float] | None = None,
    words: PitWords | None = None,
    level: float = DEFAULT_LEVEL,
    n_draws: int = 1000,
) -> DepthModel:
    """Fit log depth on log equivalent diameter to readings and lap bounds together.

    Parameters
    ----------
    marks : DataFrame
        The pits: ``mark_id eq_diam_mm zone x_mm y_mm``, and ``zones dist_trace_mm`` where present; with `bounds`, its
        pit numbers as ``mark_id``.
    readings : DataFrame
        :data:`~pitmap.depth.READINGS`, attached, `value_um` under the first face. Kinds other than pit_depth
        are passed over.
    bounds : DataFrame or None
        :data:`~pitmap.depth.PITS`.
    rng : numpy.random.Generator
    stock_sd_um : array (surveys,)
        Standard deviation of the removed stock that bounds and readings rest on; its error is common to a survey.
    reading_survey : array (readings,) of int, optional
        The survey of every reading, whose removed stock was added to it; -1, or left out, for none. `uncertainty_um` is
        then the instrument's alone: a step that cut more than was measured makes the bound and the reading of that
        survey deeper together.
    hidden_mm : float
        Width of a hole that a map may hide where it calls a pit gone: one that narrows to its floor can be that much deeper
        than its bound. 0: bounds are taken as they are.
    unseen : mapping of str to float, or None
        Share of each mapped zone that the last survey does not show; None where zones were not measured.
    words : PitWords or None
        What the problems call the pits and their readings, and the units of all sentences; None: by the numbers in
        `marks`, under the first face, in um.
    level : float
        Of every interval.
    n_draws : int
        Joint draws kept.

    Returns
    -------
    DepthModel

    Raises
    ------
    InputError
        Tables that do not belong together.
    NotEnoughData
        No pits at all.

    Notes
    -----
    log depth = a + b log(d / 1 mm) + zone contrast + sigma e, e of mean 0 and spread 1. Exact readings carry a
    normal error; lap steps give interval, left and right censoring; a needle that did not reach gives right
    censoring. A pit first seen after some stock had come off enters as left-truncated: had it been shallower
    nobody would know of it. Every zone may lie deeper or shallower than the one with most known depths, by
    :data:`PRIOR` until its own depths say otherwise: what was read in one zone says less of another. `parameters`
    lists the contrasts once two zones have four known depths each.

    Two laws of e are fitted, normal (log-normal depths) and that of Weibull depths, whose upper tail is lighter;
    the draws mix them by their evidence, so that the deepest pit does not hang on one tail. Intervals come from
    posterior draws under :data:`PRIOR`, so that they stay honest with few readings; `parameters` lists the plain
    maximum-likelihood values of the log-normal law beside them.

    References
    ----------
    Meeker & Escobar, Statistical Methods for Reliability Data (1998), ch. 8 (likelihood of censored data);
    Hoeting et al., Stat. Sci. 14 (1999) 382 (mixing models by evidence; from memory).
    """
    if not 0 < level < 1:
        raise InputError(f"level: expected a number between 0 and 1, got {level!r}")
    if not len(marks):
        raise NotEnoughData("no pits to fit: the face has none, so nothing has to be cleared")
    stock_sd = np.asarray(stock_sd_um, float)
    if bounds is not None and len(bounds):
        n_surveys = 1 + int(max(bounds["deeper_survey"].max(), bounds["shallower_survey"].max()))
        if len(stock_sd) < n_surveys:
            stock_sd = np.concatenate([stock_sd, np.zeros(n_surveys - len(stock_sd))])
    surveys = None if reading_survey is None else np.asarray(reading_survey, int)
    if surveys is not None and len(surveys):
        stock_sd = np.concatenate([stock_sd, np.zeros(max(0, int(surveys.max()) + 1 - len(stock_sd)))])
    data = collect(marks, readings, bounds, stock_sd, surveys, words, below_um, hidden_mm)
    drawn, depth, error, weights = _draw_all(data, stock_sd, n_draws, rng)
    free = data.free_y + data.free_u * rng.standard_normal((n_draws, len(data.free_y)))
    doubted = far_out(
        data,
        marks["mark_id"].to_numpy(np.int64),
        words or PitWords(),
        lambda others: _draw_all(others, stock_sd, _N_DOUBT_DRAWS, rng)[1],
        level=level,
    )
    flags = data.flags.copy()
    flags[list(doubted.pits)] |= int(Flag.CONTRADICTION)
    data = replace(data, flags=flags)
    return DepthModel(
        depths=_depth_table(marks, data, depth, level),
        parameters=_parameter_table(data, drawn),
        law_weights=weights,
        draws_um=depth,
        stock_error_um=error,
        free_um=np.maximum(free, 0.0).astype(np.float32),
        zones=tuple(zones_of(marks)),
        free_zones=data.free_zones,
        free_is_at_least=data.free_is_at_least,
        unseen=unseen,
        is_bounded=np.isfinite(data.hi),
        level=level,
        n_informative=int(data.is_informative.sum()),
        n_read=int(data.is_read.sum()),
        not_enough=_what_lacks(data),
        problems=(*data.problems, *doubted.problems),
        system=words.system if words else "mm",
    )


def _draw_all(
    data: PitData, stock_sd: NDArray, n_draws: int, rng: np.random.Generator
) -> tuple[Draws, NDArray[np.float32], NDArray[np.float64], dict[str, float]]:
    """Draws of both laws in proportion to their evidence: of the log-normal's parameters, all depths, errors."""
    models = [Likelihood(data, law) for law in LAWS]
    fits = []
    for likelihood in models:
        mean, sd = _prior(likelihood)

        def log_posterior(
            theta: NDArray, f: Likelihood = likelihood, mean: NDArray = mean, sd: NDArray = sd
        ) -> NDArray:
            return f(theta) - 0.5 * (((theta - mean) / sd) ** 2).sum(axis=1)

        fits.append(draw_posterior(log_posterior, mean, 0.02 * sd, n_draws, rng))
    evidence = np.array([f.log_evidence for f in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    share = np.round(n_draws * weight).astype(int)
    share[int(np.argmax(share))] += n_draws - int(share.sum())
    depths, errors = [], []
    for likelihood, fit, n in zip(models, fits, share):
        theta = fit.theta[:n]
        depths.append(draw_depths(likelihood, theta, rng))
        error = np.zeros((n, len(stock_sd)))
        # The data say nothing of the stock of a survey that gave no bound and no reading: its stated error stands.
        untold = np.setdiff1d(np.flatnonzero(stock_sd > 0), likelihood.surveys)
        error[:, untold] = rng.standard_normal((n, len(untold))) * stock_sd[untold]
        error[:, likelihood.surveys] = theta[:, 3 + likelihood.n_zone :] * stock_sd[likelihood.surveys]
        errors.append(error)
    order = rng.permutation(n_draws)
    weights = {law.name: float(w) for law, w in zip(LAWS, weight)}
    return fits[0], np.concatenate(depths)[order], np.concatenate(errors)[order], weights


def _prior(likelihood: Likelihood) -> tuple[NDArray, NDArray]:
    rows = [PRIOR["a"], PRIOR["b"], PRIOR["log_sigma"]]
    rows += [PRIOR["zone"]] * likelihood.n_zone + [(0.0, 1.0)] * len(likelihood.surveys)
    mean, sd = np.array(rows, float).T
    return mean, sd


def _what_lacks(data: PitData) -> str:
    known = int(data.is_informative.sum())
    if known == data.n or known >= MIN_INFORMATIVE:
        return ""
    more = MIN_INFORMATIVE - known
    return (
        f"not enough readings: {known} of {data.n} pits have a depth known from both sides,"
        f" {MIN_INFORMATIVE} are needed; read {more} more, or take a lap step that clears some pits"
    )


def _depth_table(marks: pd.DataFrame, data: PitData, depth: NDArray, level: float) -> pd.DataFrame:
    tail = (1 - level) / 2
    low, middle, high = np.quantile(depth, [tail, 0.5, 1 - tail], axis=0)
    p_deepest = np.zeros(data.n)
    for z in range(len(data.zone_names)):
        own = np.flatnonzero(data.zone == z)
        p_deepest[own] = np.bincount(depth[:, own].argmax(axis=1), minlength=len(own)) / len(depth)
    bounded = (data.lo > 0) | np.isfinite(data.hi)
    basis = np.select(
        [data.is_read, np.isfinite(data.at_least), bounded],
        ["read", "at least", "lap steps"],
        "predicted from its size",
    )
    known = data.is_informative
    flags = data.flags.copy()
    if known.any():
        outside = (data.x < data.x[known].min() - 0.05) | (data.x > data.x[known].max() + 0.05)
        flags[outside & ~known] |= int(Flag.EXTRAPOLATED)
    return pd.DataFrame(
        {
            "mark_id": marks["mark_id"].to_numpy(np.int64), "zone": marks["zone"].to_numpy(object),
            "eq_diam_mm": marks["eq_diam_mm"].to_numpy(float), "depth_um": middle.astype(float),
            "depth_low_um": low.astype(float), "depth_high_um": high.astype(float),
            "basis": basis.astype(object), "p_deepest": p_deepest, "flags": flags,
        }
    )  # fmt: skip


def _parameter_table(data: PitData, drawn: Draws) -> pd.DataFrame:
    drawn_zones = slice(3, 3 + Likelihood(data).n_zone)
    likelihood = Likelihood(data, has_zones=data.has_zone_effect)
    start, draws, scale = drawn.mode, drawn.theta, _prior(likelihood)[1]
    if not data.has_zone_effect:
        start, draws = np.delete(start, drawn_zones), np.delete(draws, drawn_zones, axis=1)
    n_own = 3 + likelihood.n_zone

    def log_likelihood(theta: NDArray) -> NDArray:
        # Stock errors are no free parameters: their stated spread belongs to the data.
        return likelihood(theta) - 0.5 * (theta[:, n_own:] ** 2).sum(axis=1)

    value, error, note = np.full(len(start), np.nan), np.full(len(start), np.nan), ""
    if likelihood.data.is_informative.sum() < MIN_INFORMATIVE:
        note = "fewer than three depths known from both sides"
    else:
        best, _, settled = find_mode(log_likelihood, start, 0.02 * scale)
        # Once more with a finer step, for standard errors that do not depend on it.
        precision = -curvature(log_likelihood, best, 0.005 * scale)[1]
        curved = np.linalg.eigvalsh(precision).min() > 1e-3
        if settled and curved and np.abs(best - start).max() < 20 and best[2] > math.log(0.02):
            value, error = best, np.sqrt(np.diag(np.linalg.inv(precision)))
        else:
            note = "the likelihood has no clear maximum with so few data"
    return PARAMETERS.frame(
        {
            "name": name, "value": value[i], "std_error": error[i], "posterior_value": draws[:, i].mean(),
            "posterior_sd": draws[:, i].std(), "note": note,
        }
        for i, name in enumerate(likelihood.names)
    )  # fmt: skip
