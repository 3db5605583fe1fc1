"""Log likelihood of the pit-depth model, for many parameter vectors at once."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, logsumexp

from .pit_data import PitData
from .scatter import NORMAL, Scatter

__all__ = ["Likelihood"]

_N_NODES = 28
_REACH = 4.5
"""Readings are integrated over this many of their standard deviations to either side."""

_LOG_TINY = math.log(1e-300)
_CHUNK = 100_000


class Likelihood:
    """Parameters are ``a, b, log sigma, zone contrasts, stock errors`` in that order.

    log depth = a + b x + zone + sigma z, x the log of the diameter over 1 mm, z of the given law; the contrast
    of the first zone is 0, and that of every zone without `has_zones`. A stock error is in units of its standard
    deviation and shifts every bound that its survey gave.
    """

    def __init__(self, data: PitData, law: Scatter = NORMAL, *, has_zones: bool = True) -> None:
        self.data = data
        self.law = law
        self.n_zone = max(len(data.zone_names) - 1, 0) if has_zones else 0
        used = np.unique(
            np.concatenate(
                [data.lo_survey, data.hi_survey, data.entry_survey, data.read_survey, data.at_least_survey]
            )
        )
        used = used[used >= 0]
        self.surveys = used[data.stock_sd[used] > 0]
        self.n_parameters = 3 + self.n_zone + len(self.surveys)
        # Column of each survey's error among the stock errors; the last, empty column stands for none.
        column = np.full(len(data.stock_sd) + 1, len(self.surveys))
        column[self.surveys] = np.arange(len(self.surveys))
        self._lo_column, self._hi_column = column[data.lo_survey], column[data.hi_survey]
        self._entry_column = column[data.entry_survey]
        self._read_column, self._low_column = column[data.read_survey], column[data.at_least_survey]
        read, only_low = data.is_read, ~data.is_read & np.isfinite(data.at_least)
        self._plain = np.flatnonzero(~read & ~only_low)
        self._group, self._weight, self._group_x = _alike(data, self._plain)
        self._read, self._only_low = np.flatnonzero(read), np.flatnonzero(only_low)
        self._turns = _turns(data.read_pit, self._read)
        self._read_edges = _edges(data.y[read], data.u[read], _REACH)
        low_sd = np.hypot(data.at_least_u, np.append(data.stock_sd, 0.0)[data.at_least_survey])
        self._low_edges = _edges(data.at_least[only_low], low_sd[only_low], _REACH)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        zones = tuple(f"zone {z}" for z in self.data.zone_names[1:]) if self.n_zone else ()
        return ("a", "b", "log_sigma", *zones, *(f"stock error {k}" for k in self.surveys))

    def location(self, theta: NDArray, pits: NDArray, x: NDArray | None = None) -> NDArray:
        """Mean log depth (B, pits); `x` replaces the pits' own log diameters."""
        mu = theta[:, :1] + theta[:, 1:2] * (self.data.x[pits] if x is None else x)
        if self.n_zone:
            effect = np.concatenate([np.zeros((len(theta), 1)), theta[:, 3 : 3 + self.n_zone]], axis=1)
            mu = mu + effect[:, self.data.zone[pits]]
        return mu

    def _stock_error(self, theta: NDArray) -> NDArray:
        """Error of every survey's stock (B, surveys), um; the last column, no survey's, is 0. One row where none has any."""
        if not len(self.surveys):
            return np.zeros((1, 1))
        error = theta[:, 3 + self.n_zone :] * self.data.stock_sd[self.surveys]
        return np.concatenate([error, np.zeros((len(theta), 1))], axis=1)

    def bounds(self, theta: NDArray, pits: NDArray) -> tuple[NDArray, NDArray]:
        """Lap bounds (B, pits) with the stock errors of `theta`, um; (1, pits) where no stock is in error."""
        error = self._stock_error(theta)
        lo = np.maximum(self.data.lo[pits] + error[:, self._lo_column[pits]], 0.0)
        moves = self.data.hi_moves[pits]
        off = moves * error[:, self._hi_column[pits]] - (moves - 1) * error[:, self._entry_column[pits]]
        hi = np.maximum(self.data.hi[pits] + off, 0.0)
        return lo, hi

    def _told(self, theta: NDArray, pits: NDArray) -> tuple[NDArray, NDArray]:
        """What lap steps tell of pits without readings, (B, pits) as :meth:`bounds`: there, so deeper; gone, so shallower.

        Each end is the other's contrary. Room for a hole under what is gone, and none under what is there, would call
        pits deeper and more alike than they are.
        """
        error = self._stock_error(theta)
        ends = (
            (self.data.lo, self._lo_column),
            (self.data.gone, self._hi_column),
        )
        lo, hi = (np.maximum(end[pits] + error[:, column[pits]], 0.0) for end, column in ends)
        return lo, hi

    def _log_seen(self, theta: NDArray, pits: NDArray, lo: NDArray, mu: NDArray) -> NDArray:
        """Log of the chance that pits were deep enough to come into sight (B, pits); one 0 where all were from the start."""
        if not (self.data.entry[pits] > 0).any():
            return np.zeros((1, 1))
        entry = np.maximum(self.data.entry[pits] + self._stock_error(theta)[:, self._entry_column[pits]], 0.0)
        # What a pit is known to be deeper than holds it in the sample too; so a chance given sight is never over 1.
        entry = np.minimum(entry, lo)
        return self._log_between(entry, np.full_like(entry, np.inf), mu, np.exp(theta[:, 2:3]))

    def __call__(self, theta: NDArray) -> NDArray:
        """Log likelihood (B,) of parameter vectors (B, P)."""
        theta = np.atleast_2d(theta)
        size = max(1, _CHUNK // max(1, len(self._group) + _N_NODES * (len(self._read) + len(self._only_low))))
        return np.concatenate([self._some(theta[i : i + size]) for i in range(0, len(theta), size)])

    def _some(self, theta: NDArray) -> NDArray:
        out = np.zeros(len(theta))
        if len(self._group):
            lo, hi = self._told(theta, self._group)
            mu, sigma = self.location(theta, self._group, self._group_x), np.exp(theta[:, 2:3])
            seen = self._log_seen(theta, self._group, lo, mu)
            out += _floored(self._log_between(lo, hi, mu, sigma) - seen) @ self._weight
        if len(self._read):
            out += _floored(logsumexp(self.read_cells(theta)[1], axis=2)).sum(axis=1)
        if len(self._only_low):
            out += _floored(self._log_low_chance(theta)).sum(axis=1)
        return out

    def read_cells(self, theta: NDArray) -> tuple[NDArray, NDArray]:
        """Cells of depth of the pits with exact readings, cut off at the lap bounds.

        Returns
        -------
        edges : (B, read pits, nodes + 1)
            um under the first face; one for all B where no lap bound cuts them.
        log_weights : (B, read pits, nodes)
            Log of the chance of each cell, given that the pit came into sight, times the density of its readings there.
        """
        pits = self._read
        edges, log_weights = self._cells(theta, pits, self._read_edges)
        middle = (edges[..., 1:] + edges[..., :-1]) / 2
        error = self._stock_error(theta)
        for of_pit, reading in self._turns:
            y = self.data.read_y[reading] + error[:, self._read_column[reading]]
            u = self.data.read_u[reading][:, None]
            off = (middle[:, of_pit] - y[:, :, None]) / u
            log_weights[:, of_pit] -= 0.5 * off**2 + np.log(u * math.sqrt(2 * math.pi))
        has = np.isfinite(self.data.at_least[pits])
        if has.any():
            log_weights[:, has] += self._log_reaches(error, pits[has], middle[:, has])
        return edges, log_weights

    def _log_reaches(self, error: NDArray, pits: NDArray, depth: NDArray) -> NDArray:
        """Log chance (B, pits, cells) that a needle stuck no deeper than `depth`, as its reading says."""
        at = self.data.at_least[pits] + error[:, self._low_column[pits]]
        return log_ndtr((depth - at[:, :, None]) / self.data.at_least_u[pits][:, None])

    @property
    def read(self) -> NDArray:
        """Places of the pits with exact readings."""
        return self._read

    @property
    def only_low(self) -> NDArray:
        """Places of the pits with lower-bound readings only."""
        return self._only_low

    @property
    def plain(self) -> NDArray:
        """Places of the pits without readings."""
        return self._plain

    def _log_between(self, lo: NDArray, hi: NDArray, mu: NDArray, sigma: NDArray) -> NDArray:
        with np.errstate(divide="ignore"):
            return self.law.log_chance_between((np.log(lo) - mu) / sigma, (np.log(hi) - mu) / sigma)

    def _cells(self, theta: NDArray, pits: NDArray, edges: NDArray) -> tuple[NDArray, NDArray]:
        """Edges of cells cut off at the lap bounds, and the log chance of each given that the pit came into sight.

        The chance of a cell is exact: a density at its middle would fail in the tails, where it changes by decades
        within one cell, and where what is divided by (the chance of having been seen) is as small.
        """
        lo, hi = self.bounds(theta, pits)
        with np.errstate(divide="ignore"):
            log_edges = np.log(edges)
            if (lo <= edges[:, 0]).all() and (hi >= edges[:, -1]).all():
                cut, log_cut = edges[None], log_edges[None]
            else:
                cut = np.clip(edges, lo[:, :, None], hi[:, :, None])
                # as the logarithm of `cut`, which takes several times as long
                log_cut = np.clip(log_edges, np.log(lo)[:, :, None], np.log(hi)[:, :, None])
        mu = self.location(theta, pits)
        z = (log_cut - mu[:, :, None]) / np.exp(theta[:, 2:3])[:, :, None]
        log_chance = self.law.log_chance_of_cells(z)
        return cut, log_chance - self._log_seen(theta, pits, lo, mu)[:, :, None]

    def _log_low_chance(self, theta: NDArray) -> NDArray:
        """Log chance (B, pits) of the readings that only say "at least", of pits with no others."""
        pits = self._only_low
        # The last cell is all that lies deeper: there the needle cannot have reached the floor.
        edges = np.concatenate([self._low_edges, np.full((len(pits), 1), np.inf)], axis=1)
        edges, log_chance = self._cells(theta, pits, edges)
        middle = (edges[..., 1:-1] + edges[..., :-2]) / 2
        log_chance[..., :-1] += self._log_reaches(self._stock_error(theta), pits, middle)
        return logsumexp(log_chance, axis=2)


def _turns(read_pit: NDArray, read: NDArray) -> list[tuple[NDArray | slice, NDArray]]:
    """The first reading of every pit, the second of those that have two, ...: places in `read`, and of the readings."""
    left = np.arange(len(read_pit))
    out: list[tuple[NDArray | slice, NDArray]] = []
    while len(left):
        _, first = np.unique(read_pit[left], return_index=True)
        # all of them in their order: as a slice nothing is copied
        whole = len(first) == len(read)
        out.append((np.s_[:] if whole else np.searchsorted(read, read_pit[left[first]]), left[first]))
        left = np.delete(left, first)
    return out


def _floored(log_chance: NDArray) -> NDArray:
    """What is impossible is taken as very unlikely, so that a search can climb out of it."""
    return np.fmax(log_chance, _LOG_TINY)


def _alike(data: PitData, plain: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """One of each group of pits without readings that are alike, the sizes of the groups, their mean x.

    Alike: same zone and surveys, bounds within a quarter of a micrometre, diameters within 3 %. What the mean
    leaves out is of second order; without it the time of a fit would grow with every pit. Left out are those of which
    lap steps tell nothing.
    """
    informative = plain[
        ((data.lo[plain] > data.entry[plain]) | np.isfinite(data.gone[plain])) & data.is_told[plain]
    ]
    if not len(informative):
        return informative, np.empty(0), np.empty(0)
    hi = np.where(np.isfinite(data.gone[informative]), data.gone[informative], -1.0)
    keys = np.column_stack(
        [
            data.zone[informative], data.lo_survey[informative], data.hi_survey[informative],
            data.entry_survey[informative], np.round(4 * data.entry[informative]),
            np.round(4 * data.lo[informative]), np.round(4 * hi), np.round(data.x[informative] / 0.03),
        ]
    )  # fmt: skip
    _, first, group, count = np.unique(
        keys, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    x = np.bincount(group.ravel(), weights=data.x[informative]) / count
    return informative[first], count.astype(float), x


def _edges(y: NDArray, u: NDArray, reach: float) -> NDArray:
    """Edges (pits, nodes + 1) of equal cells over y +- reach u, above 0."""
    low = np.maximum(y - reach * u, 1e-3)
    high = np.maximum(y + reach * u, low + 1e-3)
    return low[:, None] + (high - low)[:, None] * np.linspace(0, 1, _N_NODES + 1)
