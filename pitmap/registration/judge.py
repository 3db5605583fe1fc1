"""Is this pose right? The same question put to the photo at the pose and a little beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .displaced import Displaced, Looked, best_nearby, met
from .edges import DrawnEdges
from .regions import N_SECTORS, region_of
from .view import View

__all__ = ["Evidence", "weigh"]

_RINGS_MM = (1.3, 2.6, 4.0)
_AROUND = 8
_MISSED, _FOUND = 0.35, 0.7
"""A region is displaced when less of it than the first is met in its place, and more than the second beside it."""
_NEARBY_LEAST = 12
"""Samples: of so many places one fits the few samples of a small hole by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What speaks for a pose and against it.

    Parameters
    ----------
    in_frame : float
        Share of the drawn edges that lies in the frame.
    met : float
        Share of those that was found in its place.
    chance : float
        The same with the drawing pushed aside by a few millimetres.
    regions_met : float
        Share of the regions in the frame of which at least half was met.
    n_regions : int
        Regions in the frame.
    displaced : tuple of Displaced
        Regions that fit much better a few millimetres away: an alignment that is right here and wrong there.
    """

    in_frame: float
    met: float
    chance: float
    regions_met: float
    n_regions: int
    displaced: tuple[Displaced, ...]


def weigh(rgb: NDArray[np.uint8], view: View, edges: DrawnEdges, thickness_mm: float) -> Evidence:
    """Put the drawing on a picture of moderate size (1 to 2 px per mm) and count what is met, there and beside it."""
    edges = edges.take(np.arange(0, len(edges.part), 2))
    at = Looked(rgb=rgb, view=view, thickness_mm=thickness_mm)
    region, names = region_of(edges)
    n = len(names)
    used = edges.length_mm > 0

    def ask(push: NDArray) -> tuple[NDArray, NDArray]:
        fit = at.fit(edges, push)
        good, inside = met(fit, edges, 0.75), fit.inside & used
        return np.bincount(region[good], minlength=n), np.bincount(region[inside], minlength=n)

    here, seen = ask(np.zeros(2))
    total = np.bincount(region[used], minlength=n)
    in_frame = seen.sum() / max(total.sum(), 1)
    best_beside, best_push = np.zeros(n), np.zeros((n, 2))
    by_chance = []
    for ring in _RINGS_MM:
        for k in range(_AROUND):
            angle = 2 * np.pi * (k + 0.5 * (ring == _RINGS_MM[1])) / _AROUND
            push = ring * np.array([np.cos(angle), np.sin(angle)])
            good, inside = ask(push)
            enough = inside >= 0.5 * np.maximum(seen, 1)
            share = np.where(enough, good / np.maximum(inside, 1), 0)
            best_push[share > best_beside] = push
            best_beside = np.maximum(best_beside, share)
            if ring == _RINGS_MM[-1]:
                by_chance.append(good.sum() / max(inside.sum(), 1))
    present = seen >= 6
    share = here / np.maximum(seen, 1)
    missed = present & (share < _MISSED)
    for j in np.nonzero(missed)[0]:
        # a sector of the outline may meet a shadow's edge or the bench; an opening has no such double
        if seen[j] >= _NEARBY_LEAST and j >= N_SECTORS:
            found, push = best_nearby(at, edges.take(np.nonzero(region == j)[0]))
            if found >= best_beside[j]:
                best_beside[j], best_push[j] = found, push
    displaced = np.nonzero(missed & (best_beside > _FOUND))[0]
    return Evidence(
        in_frame=float(in_frame),
        met=float(here.sum() / max(seen.sum(), 1)),
        chance=float(np.mean(by_chance)),
        regions_met=float((share[present] >= 0.5).mean()) if present.any() else 0.0,
        n_regions=int(present.sum()),
        displaced=tuple(
            Displaced(
                name=names[k],
                right_mm=float(best_push[k, 0]),
                up_mm=float(best_push[k, 1]),
                is_opening=bool(k >= N_SECTORS),
            )
            for k in displaced
        ),
    )
