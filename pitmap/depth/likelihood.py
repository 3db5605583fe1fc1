"""Log likelihood of the pit-depth model, for many parameter vectors at once."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .pit_data import PitData
from .scatter import NORMAL, Scatter

__all__ = ["Likelihood"]

_N_NODES = 28
_REACH = 4.5
"""Readings are integrated over this many of their standard deviations to either side."""

_TINY = 1e-300
_CHUNK = 100_000


class Likelihood:
    """Parameters are ``a, b, log sigma, zone contrasts, stock errors`` in that order.

    log depth = a + b x + zone + sigma z, x the log of the diameter over 1 mm, z of the given law; the contrast
    of the first zone is 0. A stock error is in units of its standard deviation and shifts every bound that its survey gave.
    """

    def __init__(self, data: PitData, law: Scatter = NORMAL) -> None:
        self.data = data
        self.law = law
        self.n_zone = len(data.zone_names) - 1 if data.has_zone_effect else 0
        used = np.unique(np.concatenate([data.lo_survey, data.hi_survey, data.entry_survey]))
        used = used[used >= 0]
        self.surveys = used[data.stock_sd[used] > 0]
        self.n_parameters = 3 + self.n_zone + len(self.surveys)
        # Column of each survey's error among the stock errors; the last, empty column stands for none.
        column = np.full(len(data.stock_sd) + 1, len(self.surveys))
        column[self.surveys] = np.arange(len(self.surveys))
        self._lo_column, self._hi_column = column[data.lo_survey], column[data.hi_survey]
        self._entry_column = column[data.entry_survey]
        read, only_low = data.is_read, ~data.is_read & np.isfinite(data.at_least)
        self._plain = np.flatnonzero(~read & ~only_low)
        self._group, self._weight, self._group_x = _alike(data, self._plain)
        self._read, self._only_low = np.flatnonzero(read), np.flatnonzero(only_low)
        self.read_nodes = _nodes(data.y[read], data.u[read], _REACH)
        self._low_nodes = _nodes(data.at_least[only_low], data.at_least_u[only_low], 4.0)

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

    def bounds(self, theta: NDArray, pits: NDArray) -> tuple[NDArray, NDArray]:
        """Lap bounds (B, pits) with the stock errors of `theta`, um."""
        error = theta[:, 3 + self.n_zone :] * self.data.stock_sd[self.surveys]
        error = np.concatenate([error, np.zeros((len(theta), 1))], axis=1)
        lo = np.maximum(self.data.lo[pits] + error[:, self._lo_column[pits]], 0.0)
        hi = np.maximum(self.data.hi[pits] + error[:, self._hi_column[pits]], 0.0)
        return lo, hi

    def _log_seen(self, theta: NDArray, pits: NDArray, x: NDArray | None = None) -> NDArray | float:
        """Log of the chance that pits of these sizes were deep enough to come into sight (B, pits)."""
        if not (self.data.entry[pits] > 0).any():
            return 0.0
        error = theta[:, 3 + self.n_zone :] * self.data.stock_sd[self.surveys]
        error = np.concatenate([error, np.zeros((len(theta), 1))], axis=1)
        entry = np.maximum(self.data.entry[pits] + error[:, self._entry_column[pits]], 0.0)
        mu, sigma = self.location(theta, pits, x), np.exp(theta[:, 2:3])
        return np.log(np.maximum(self._between(entry, np.full_like(entry, np.inf), mu, sigma), _TINY))

    def __call__(self, theta: NDArray) -> NDArray:
        """Log likelihood (B,) of parameter vectors (B, P)."""
        theta = np.atleast_2d(theta)
        size = max(1, _CHUNK // max(1, len(self._group) + _N_NODES * (len(self._read) + len(self._only_low))))
        return np.concatenate([self._some(theta[i : i + size]) for i in range(0, len(theta), size)])

    def _some(self, theta: NDArray) -> NDArray:
        sigma = np.exp(theta[:, 2:3])
        out = np.zeros(len(theta))
        if len(self._group):
            lo, hi = self.bounds(theta, self._group)
            mu = self.location(theta, self._group, self._group_x)
            seen = self._log_seen(theta, self._group, self._group_x)
            out += (np.log(np.maximum(self._between(lo, hi, mu, sigma), _TINY)) - seen) @ self._weight
        if len(self._read):
            chance = np.log(np.maximum(self.read_weights(theta).sum(axis=2), _TINY))
            out += (chance - self._log_seen(theta, self._read)).sum(axis=1)
        if len(self._only_low):
            chance = np.log(np.maximum(self._low_chance(theta, sigma), _TINY))
            out += (chance - self._log_seen(theta, self._only_low)).sum(axis=1)
        return out

    def read_weights(self, theta: NDArray) -> NDArray:
        """(B, read pits, nodes): prior density times reading density times cell width, inside the bounds."""
        nodes, width = self.read_nodes
        data, pits = self.data, self._read
        error = np.exp(-0.5 * ((nodes - data.y[pits][:, None]) / data.u[pits][:, None]) ** 2)
        error *= (width / (data.u[pits] * math.sqrt(2 * math.pi)))[:, None]
        has = np.isfinite(data.at_least[pits])
        if has.any():
            at, u = data.at_least[pits][has], data.at_least_u[pits][has]
            error[has] *= ndtr((nodes[has] - at[:, None]) / u[:, None])
        return self._inside(theta, pits, nodes, width, self._density(theta, pits, nodes) * error)

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

    def _density(self, theta: NDArray, pits: NDArray, nodes: NDArray) -> NDArray:
        sigma = np.exp(theta[:, 2:3])[:, :, None]
        z = (np.log(nodes) - self.location(theta, pits)[:, :, None]) / sigma
        return self.law.density(z) / (nodes * sigma)

    def _between(self, lo: NDArray, hi: NDArray, mu: NDArray, sigma: NDArray) -> NDArray:
        with np.errstate(divide="ignore"):
            return self.law.chance_between((np.log(lo) - mu) / sigma, (np.log(hi) - mu) / sigma)

    def _inside(self, theta: NDArray, pits: NDArray, nodes: NDArray, width: NDArray, out: NDArray) -> NDArray:
        """Multiply `out` (B, pits, nodes) by the share of each cell that lies inside the lap bounds."""
        data = self.data
        slack = 6 * data.stock_sd.max(initial=0.0)
        half = width / 2
        touched = (data.lo[pits] > 0) & (data.lo[pits] + slack > nodes[:, 0] - half)
        touched |= data.hi[pits] - slack < nodes[:, -1] + half
        if touched.any():
            lo, hi = self.bounds(theta, pits[touched])
            cell = width[touched][:, None]
            above = (nodes[touched] - lo[:, :, None]) / cell + 0.5
            below = (hi[:, :, None] - nodes[touched]) / cell + 0.5
            out[:, touched] *= np.clip(above, 0.0, 1.0) * np.clip(below, 0.0, 1.0)
        return out

    def _low_chance(self, theta: NDArray, sigma: NDArray) -> NDArray:
        nodes, width = self._low_nodes
        data, pits = self.data, self._only_low
        reach = ndtr((nodes - data.at_least[pits][:, None]) / data.at_least_u[pits][:, None]) * width[:, None]
        near = self._inside(theta, pits, nodes, width, self._density(theta, pits, nodes) * reach).sum(axis=2)
        lo, hi = self.bounds(theta, pits)
        top = data.at_least[pits] + 4 * data.at_least_u[pits]
        far = self._between(np.maximum(lo, top), hi, self.location(theta, pits), sigma)
        return near + far


def _alike(data: PitData, plain: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """One of each group of pits without readings that are alike, the sizes of the groups, their mean x.

    Alike: same zone and surveys, bounds within a quarter of a micrometre, diameters within 3 %. What the mean
    leaves out is of second order; without it the time of a fit would grow with every pit.
    """
    informative = plain[(data.lo[plain] > data.entry[plain]) | np.isfinite(data.hi[plain])]
    if not len(informative):
        return informative, np.empty(0), np.empty(0)
    hi = np.where(np.isfinite(data.hi[informative]), data.hi[informative], -1.0)
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


def _nodes(y: NDArray, u: NDArray, reach: float) -> tuple[NDArray, NDArray]:
    """Midpoints (pits, nodes) of equal cells over y +- reach u, above 0, and the cell widths (pits,)."""
    low = np.maximum(y - reach * u, 1e-3)
    width = (np.maximum(y + reach * u, low + 1e-3) - low) / _N_NODES
    return low[:, None] + (np.arange(_N_NODES) + 0.5) * width[:, None], width
