"""Depth distribution without a law: Turnbull's estimate from readings and lap steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from ..errors import InputError, NotEnoughData
from ..estimate import DEFAULT_LEVEL, Estimate

__all__ = ["Turnbull", "turnbull", "wilson_share"]

_MAX_ITERATIONS = 200_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turnbull:
    """Probability on a few depth intervals (left, right].

    Parameters
    ----------
    left, right : ndarray (m,)
        Ends; `left` equal to `right` for an exact depth, `right` infinite for the part beyond every bound.
    probability : ndarray (m,)
        Sums to 1.
    log_likelihood : float
    n_iterations : int
    """

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    probability: NDArray[np.float64]
    log_likelihood: float
    n_iterations: int

    def share_within(self, depth: ArrayLike) -> NDArray[np.float64]:
        """Share of pits no deeper than `depth`: the intervals that end at or before it (the lower edge of F)."""
        d = np.asarray(depth, float)
        return (self.probability * (self.right <= d[..., None] + 1e-12 * np.abs(d[..., None]))).sum(axis=-1)

    def share_within_upper(self, depth: ArrayLike) -> NDArray[np.float64]:
        """The upper edge of F: intervals that begin before `depth` count whole."""
        d = np.asarray(depth, float)
        inside = (self.left < d[..., None]) | (self.right <= d[..., None])
        return (self.probability * inside).sum(axis=-1)


def turnbull(
    left: ArrayLike, right: ArrayLike, count: ArrayLike | None = None, *, tolerance: float = 1e-10
) -> Turnbull:
    """Nonparametric maximum likelihood for depths known to lie in (left, right].

    Parameters
    ----------
    left, right : array (n,)
        `left == right`: an exact depth; `right` infinite: still there at the end; `left` 0: gone at the first look.
    count : array (n,) or None
        How many pits share each interval.
    tolerance : float
        Largest slope of the likelihood left, per pit (the gradient's distance from its bound).

    Raises
    ------
    InputError
        Ends out of order or not numbers.
    NotEnoughData
        No interval at all.

    Notes
    -----
    Support: the intersections (l, r] where a left end is followed at once by a right end. Probabilities by the
    self-consistency step, alternated with dropping cells whose gradient shows that they are empty; finished when
    the Kuhn-Tucker gradient is at its bound.

    References
    ----------
    Turnbull, J. R. Stat. Soc. B 38 (1976) 290; Gentleman & Geyer, Biometrika 81 (1994) 618 (both from memory).
    """
    lo, hi = (np.asarray(a, float).ravel() for a in (left, right))
    n = np.ones(len(lo)) if count is None else np.asarray(count, float).ravel()
    if not len(lo):
        raise NotEnoughData("turnbull: no depth and no bound given")
    if len(lo) != len(hi) or len(n) != len(lo) or np.isnan(lo).any() or np.isnan(hi).any() or (n <= 0).any():
        raise InputError("turnbull: left, right and count must be numbers of equal length, counts above 0")
    if (lo > hi).any():
        i = int(np.argmax(lo > hi))
        raise InputError(f"turnbull: interval {i + 1} runs from {lo[i]:g} down to {hi[i]:g}")
    cell_left, cell_right = _support(lo, hi)
    inside = (cell_left[None, :] >= lo[:, None]) & (cell_right[None, :] <= hi[:, None])
    # An exact depth lies in the cell that is that point; an open left end does not hold its own point.
    point_cell = cell_left == cell_right
    at_left = point_cell[None, :] & (cell_left[None, :] == lo[:, None]) & (lo < hi)[:, None]
    member = (inside & ~at_left).astype(float)
    p = np.full(len(cell_left), 1 / len(cell_left))
    total = n.sum()
    alive = np.ones(len(p), bool)
    for iteration in range(1, _MAX_ITERATIONS + 1):
        chance = member @ p
        gradient = member.T @ (n / chance) / total
        p = p * gradient
        if iteration % 50 == 0:
            # A cell that shrinks although nothing holds it is empty at the maximum.
            alive &= ~((p < 1e-9) & (gradient < 1 - 1e-6))
            p = np.where(alive, p, 0.0)
            p /= p.sum()
        if np.abs(gradient[p > 1e-9] - 1).max() < tolerance and (gradient <= 1 + 1e-8).all():
            break
    keep = p > 1e-9
    p = p[keep] / p[keep].sum()
    likelihood = float(n @ np.log(member[:, keep] @ p))
    return Turnbull(
        left=cell_left[keep],
        right=cell_right[keep],
        probability=p,
        log_likelihood=likelihood,
        n_iterations=iteration,
    )


def _support(lo: NDArray, hi: NDArray) -> tuple[NDArray, NDArray]:
    """Innermost intervals: a left end with no other end before the next right end."""
    # Ends on one depth are ordered: right ends of (l, r], then an exact depth's two, then left ends of (l, r].
    exact = lo == hi
    ends = [(h, 0, 1) for h in hi[~exact]] + [(l, 3, 0) for l in lo[~exact]]
    ends += [(x, 1, 0) for x in lo[exact]] + [(x, 2, 1) for x in hi[exact]]
    ends = sorted(set(ends))
    cells = [(a[0], b[0]) for a, b in zip(ends, ends[1:]) if a[2] == 0 and b[2] == 1]
    array = np.array(cells, float)
    return array[:, 0], array[:, 1]


def wilson_share(k: int, n: int, *, level: float = DEFAULT_LEVEL) -> Estimate:
    """Share k of n with Wilson's score interval.

    Raises
    ------
    InputError
        Not 0 <= k <= n with n from 1.

    References
    ----------
    Wilson, J. Am. Stat. Assoc. 22 (1927) 209 (from memory).
    """
    if n < 1 or not 0 <= k <= n:
        raise InputError(f"wilson_share: expected 0 <= k <= n and n from 1, got {k} of {n}")
    z = float(ndtri(0.5 + level / 2))
    share = k / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    low, high = max(0.0, middle - half), min(1.0, middle + half)
    # At 0 of n and n of n one end is the share itself; rounding must not put it on the wrong side.
    return Estimate(value=share, low=min(low, share), high=max(high, share), level=level)
