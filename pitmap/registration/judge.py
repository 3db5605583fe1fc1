"""Is this pose right? The same question put to the photo at the pose and a little beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .edges import DrawnEdges
from .profiles import ProfileFit, fit_profiles
from .regions import region_of
from .view import View

__all__ = ["Evidence", "met", "weigh"]

_RINGS_MM = (1.3, 2.6, 4.0)
_AROUND = 8
_MISSED, _FOUND = 0.35, 0.7
"""A region is displaced when less of it than the first is met in its place, and more than the second beside it."""
_NEARBY_MM = 4.5
_NEARBY_STEP_MM = 0.6
"""An edge is met from half a pixel away, which is 0.3 mm or more here: every place nearby is tried."""
_NEARBY_LEAST = 12
"""Samples: of so many places one fits the few samples of a small hole by chance."""
_LEVEL_BREAK_MM = 0.3
_LEVEL_BLUR_PX = 0.8


def met(fit: ProfileFit, edges: DrawnEdges, tolerance_px: float) -> NDArray[np.bool_]:
    """Samples whose edge stands in its place: near enough, sharply placed, and explaining the profile."""
    return (
        fit.inside
        & (edges.length_mm > 0)
        & (np.abs(fit.offset_px) < tolerance_px)
        & (fit.variance_px2 * fit.condition < 0.35**2 * 4)
        & (fit.explained > 0.6)
        & (fit.contrast > 2.0 * fit.misfit)
    )


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
    displaced : tuple of str
        Regions that fit much better a few millimetres away: an alignment that is right here and wrong there.
    """

    in_frame: float
    met: float
    chance: float
    regions_met: float
    n_regions: int
    displaced: tuple[str, ...]


def _ask(
    rgb: NDArray[np.uint8], view: View, edges: DrawnEdges, push_mm: NDArray, thickness_mm: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which samples are met, and which are in the frame, with the drawing pushed aside; one push or one a sample."""
    moved = DrawnEdges(
        points_mm=edges.points_mm + push_mm,
        normals=edges.normals,
        part=edges.part,
        part_names=edges.part_names,
        length_mm=edges.length_mm,
    )
    fit = fit_profiles(
        rgb, view, moved, thickness_mm=thickness_mm, edge_break_mm=_LEVEL_BREAK_MM, blur_px=_LEVEL_BLUR_PX
    )
    return met(fit, edges, 0.75), fit.inside & (edges.length_mm > 0)


def _best_nearby(rgb: NDArray[np.uint8], view: View, opening: DrawnEdges, thickness_mm: float) -> float:
    """Largest share of an opening's samples that is met at any place a few millimetres away."""
    steps = np.arange(-_NEARBY_MM, _NEARBY_MM + 1e-9, _NEARBY_STEP_MM)
    pushes = np.stack(np.meshgrid(steps, steps), -1).reshape(-1, 2)
    reach = np.hypot(*pushes.T)
    pushes = pushes[(reach >= 2 * _NEARBY_STEP_MM) & (reach <= _NEARBY_MM)]
    n = len(opening.part)
    everywhere = opening.take(np.tile(np.arange(n), len(pushes)))
    good, inside = _ask(rgb, view, everywhere, np.repeat(pushes, n, axis=0), thickness_mm)
    met_at, seen_at = good.reshape(-1, n).sum(1), inside.reshape(-1, n).sum(1)
    enough = seen_at >= 0.5 * max(int((opening.length_mm > 0).sum()), 1)
    return float((met_at / np.maximum(seen_at, 1))[enough].max(initial=0.0))


def weigh(rgb: NDArray[np.uint8], view: View, edges: DrawnEdges, thickness_mm: float) -> Evidence:
    """Put the drawing on a picture of moderate size (1 to 2 px per mm) and count what is met, there and beside it."""
    edges = edges.take(np.arange(0, len(edges.part), 2))
    region, names = region_of(edges)
    n = len(names)
    used = edges.length_mm > 0

    def ask(push: NDArray) -> tuple[NDArray, NDArray]:
        good, inside = _ask(rgb, view, edges, push, thickness_mm)
        return np.bincount(region[good], minlength=n), np.bincount(region[inside], minlength=n)

    here, seen = ask(np.zeros(2))
    total = np.bincount(region[used], minlength=n)
    in_frame = seen.sum() / max(total.sum(), 1)
    best_beside = np.zeros(n)
    by_chance = []
    for ring in _RINGS_MM:
        for k in range(_AROUND):
            angle = 2 * np.pi * (k + 0.5 * (ring == _RINGS_MM[1])) / _AROUND
            good, inside = ask(ring * np.array([np.cos(angle), np.sin(angle)]))
            enough = inside >= 0.5 * np.maximum(seen, 1)
            best_beside = np.maximum(best_beside, np.where(enough, good / np.maximum(inside, 1), 0))
            if ring == _RINGS_MM[-1]:
                by_chance.append(good.sum() / max(inside.sum(), 1))
    present = seen >= 6
    share = here / np.maximum(seen, 1)
    missed = present & (share < _MISSED)
    for j in np.nonzero(missed & (best_beside <= _FOUND))[0]:
        # a sector of the outline may meet a shadow's edge or the bench; an opening has no such double
        if seen[j] >= _NEARBY_LEAST and not names[j].startswith("outline "):
            best_beside[j] = _best_nearby(rgb, view, edges.take(np.nonzero(region == j)[0]), thickness_mm)
    displaced = missed & (best_beside > _FOUND)
    return Evidence(
        in_frame=float(in_frame),
        met=float(here.sum() / max(seen.sum(), 1)),
        chance=float(np.mean(by_chance)),
        regions_met=float((share[present] >= 0.5).mean()) if present.any() else 0.0,
        n_regions=int(present.sum()),
        displaced=tuple(names[k] for k in np.nonzero(displaced)[0]),
    )
