"""Pieces of the drawing that the photo shows elsewhere: how far off, in mm and in words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..units import UnitSystem, format_length
from .edges import DrawnEdges
from .profiles import ProfileFit, fit_profiles
from .view import View

__all__ = [
    "Displaced",
    "Looked",
    "best_nearby",
    "displaced_openings",
    "displaced_outline",
    "met",
    "pushes_mm",
    "unmet_parts",
]

_REACH_MM = 6.0
_STEP_MM = 0.6
_LEAST_MM = 1.2
"""A piece that stands less than this beside its drawn place is not called displaced."""
_MISSED, _GAIN, _FOUND = 0.45, 0.3, 0.6
"""An opening is displaced when less than the first share of its edge is met in its place, and elsewhere more by the second
and at least the third. On the 20 development photos and 90 renders with their true drawings none is."""
_UNMET = 0.35
"""A part of the drawing is not found when less than this of it is met, coarsely and finely looked at. On the 20 development
photos and 24 renders the openings so named were covered, each of them, and of the outline 0.44 and more was met."""
_FEWEST = 10
"""Samples: of so many places one fits fewer by chance."""
_SAMPLES = 24
"""Of an opening's edge, for the first look at every place nearby."""
_OUTLINE_LEAST_MM, _OUTLINE_MOST_MM, _OUTLINE_STEP_MM, _OUTLINE_SAMPLES = 0.8, 1.8, 0.3, 72
_OUTLINE_GAIN, _OUTLINE_FOUND = 0.15, 0.5
"""Of an outline that is pushed aside as one piece, the sides along the push are met still, so that it is not missed as a
small opening is. It lies beside the rim when both pictures meet more of it there, by the first share, and the photo itself
at least the second. No less than an alignment may be off at most. Of the 20 development photos and 45 usable renders of
shipped and invented plates with their true drawings none is so found."""
_NEAR_PX, _SHARP_PX = 1.0, 0.75
"""An edge counts as met within so much: at the places tried, and at the one that they lead to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Displaced:
    """A piece of the drawing that fits the photo elsewhere.

    Parameters
    ----------
    name : str
        The opening, or a sector of the outline.
    right_mm, up_mm : float
        From where the drawing has it to where the photo shows it, in the plate frame.
    is_opening : bool
        False for the outline, or a sector of it, which may have met a shadow's edge; an opening has no such double. Not told
        by the name: people give openings any.
    """

    name: str
    right_mm: float
    up_mm: float
    is_opening: bool = True

    @property
    def away_mm(self) -> float:
        """Distance between the two places, mm."""
        return float(np.hypot(self.right_mm, self.up_mm))

    def sentence(self, system: UnitSystem = "mm") -> str:
        """For the user: what is wrong and what to do."""

        def size(mm: float) -> str:
            return format_length(abs(mm), system, digits=1 if system == "mm" else 2)

        side = f"{size(self.right_mm)} {'right' if self.right_mm > 0 else 'left'}"
        height = f"{size(self.up_mm)} {'up' if self.up_mm > 0 else 'down'}"
        return (
            f"{self.name} stands about {size(self.away_mm)} from where the drawing has it ({side}, {height}); measure it on "
            "the plate and mend the drawing. Until then the metal round it is not read rightly."
        )


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looked:
    """A picture that drawn edges are looked for in.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    view : View
        For this picture.
    thickness_mm : float
    edge_break_mm, blur_px : float
        What an edge looks like in it; left out, as in a picture of 1 to 2 px per mm, which does not show the two.
    """

    rgb: NDArray[np.uint8]
    view: View
    thickness_mm: float
    edge_break_mm: float = 0.3
    blur_px: float = 0.8

    def fit(self, edges: DrawnEdges, push_mm: NDArray) -> ProfileFit:
        """Profiles with the drawing pushed aside; one push (2,) or one a sample (N, 2)."""
        return fit_profiles(
            self.rgb,
            self.view,
            replace(edges, points_mm=edges.points_mm + push_mm),
            thickness_mm=self.thickness_mm,
            edge_break_mm=self.edge_break_mm,
            blur_px=self.blur_px,
        )


def pushes_mm(least: float, most: float, step: float) -> NDArray[np.float64]:
    """Places (N, 2) of a square lattice that are at least and at most so far from its middle."""
    steps = np.arange(-most, most + 1e-9, step)
    pushes = np.stack(np.meshgrid(steps, steps), -1).reshape(-1, 2)
    reach = np.hypot(*pushes.T)
    return pushes[(reach >= least - 1e-9) & (reach <= most)]


def best_nearby(at: Looked, opening: DrawnEdges) -> tuple[float, NDArray[np.float64]]:
    """Where within a few millimetres an opening fits best, on a picture of 1 to 2 px per mm.

    Returns
    -------
    share : float
        Of its samples in the frame, met there; 0 where it fits nowhere else.
    push_mm : (2,) array
        From its drawn place.
    """
    push = _best_of(at, opening, pushes_mm(_LEAST_MM, _REACH_MM, _STEP_MM), _SAMPLES)
    return settled_nearby(at, opening, push)


def _best_of(at: Looked, part: DrawnEdges, pushes: NDArray, n_samples: int) -> NDArray[np.float64]:
    """The push (2,) of several (N, 2) at which most of about so many samples is met."""
    few = part.take(np.arange(0, len(part.part), max(1, len(part.part) // n_samples)))
    n = len(few.part)
    everywhere = few.take(np.tile(np.arange(n), len(pushes)))
    fit = at.fit(everywhere, np.repeat(pushes, n, axis=0))
    good = met(fit, everywhere, _NEAR_PX).reshape(-1, n)
    seen = (fit.inside & (everywhere.length_mm > 0)).reshape(-1, n).sum(1)
    enough = seen >= 0.5 * max(int((few.length_mm > 0).sum()), 1)
    share = np.where(enough, good.sum(1) / np.maximum(seen, 1), 0.0)
    return pushes[share.argmax()]


def settled_nearby(
    at: Looked, opening: DrawnEdges, push_mm: NDArray[np.float64], least_mm: float = _LEAST_MM
) -> tuple[float, NDArray[np.float64]]:
    """From a place half a step away the edges tell the rest of the way; returns as :func:`best_nearby` does."""
    push = push_mm
    for _ in range(2):
        fit = at.fit(opening, push)
        near = met(fit, opening, 2 * _NEAR_PX)
        if near.sum() < _FEWEST // 2:
            return 0.0, push
        push = push + np.linalg.lstsq(opening.normals[near], (fit.offset_px / fit.px_per_mm)[near])[0]
    if not least_mm <= np.hypot(*push) <= 1.2 * _REACH_MM:
        return 0.0, push
    return share_met(at, opening, push), push


def share_met(at: Looked, opening: DrawnEdges, push_mm: NDArray[np.float64]) -> float:
    """Share of an opening's samples in the frame that is met at a place."""
    fit = at.fit(opening, push_mm)
    n_seen = int((fit.inside & (opening.length_mm > 0)).sum())
    return int(met(fit, opening, _SHARP_PX).sum()) / max(n_seen, 1)


def displaced_openings(coarse: Looked, fine: Looked, edges: DrawnEdges) -> tuple[Displaced, ...]:
    """Openings that stand elsewhere than the drawing has them, once the view is settled.

    Parameters
    ----------
    coarse : Looked
        A picture of 1 to 2 px per mm, in which a place half a millimetre off still meets its edges.
    fine : Looked
        A larger one, in which no edge is met by chance.
    edges : DrawnEdges
    """
    here = fine.fit(edges, np.zeros(2))
    good, seen = met(here, edges, _NEAR_PX), here.inside & (edges.length_mm > 0)
    out = []
    for k, name in enumerate(edges.part_names):
        mine = edges.part == k
        n_seen = int((seen & mine).sum())
        share = int((good & mine).sum()) / max(n_seen, 1)
        if k == 0 or n_seen < _FEWEST or share >= _MISSED:
            continue
        opening = edges.take(np.nonzero(mine)[0])
        found, push = best_nearby(coarse, opening)
        if found:
            found, push = settled_nearby(fine, opening, push)
        if found >= max(_FOUND, share + _GAIN):
            out.append(Displaced(name=name, right_mm=float(push[0]), up_mm=float(push[1])))
    return tuple(out)


def displaced_outline(coarse: Looked, fine: Looked, edges: DrawnEdges) -> Displaced | None:
    """The outline, where the photo shows all of it elsewhere than the openings put it; None where it does not.

    A shadow, the foot of a wall and a sheet under the plate have such an edge on one side only; on all sides it is the rim.
    Parameters are those of :func:`displaced_openings`.
    """
    outline = edges.take(np.nonzero(edges.part == 0)[0])
    here = [share_met(at, outline, np.zeros(2)) for at in (coarse, fine)]
    found, push = 0.0, np.zeros(2)
    if max(here) < _MISSED:
        found, push = best_nearby(coarse, outline)
        if found:
            found, push = settled_nearby(fine, outline, push)
    if found < max(_FOUND, max(here) + _GAIN):
        found, push = _a_little_beside(coarse, fine, outline, here)
    if not found:
        return None
    return Displaced(
        name=edges.part_names[0], right_mm=float(push[0]), up_mm=float(push[1]), is_opening=False
    )


def _a_little_beside(
    coarse: Looked, fine: Looked, outline: DrawnEdges, here: list[float]
) -> tuple[float, NDArray[np.float64]]:
    """As :func:`best_nearby`, for an outline about a millimetre beside the rim; `here` is what both meet in its place."""
    pushes = pushes_mm(_OUTLINE_LEAST_MM - _OUTLINE_STEP_MM, _OUTLINE_MOST_MM, _OUTLINE_STEP_MM)
    push = _best_of(coarse, outline, pushes, _OUTLINE_SAMPLES)
    found = 0.0
    for at, share in zip((coarse, fine), here, strict=True):
        found, push = settled_nearby(at, outline, push, _OUTLINE_LEAST_MM)
        if found < share + _OUTLINE_GAIN:
            return 0.0, push
    return (found if found >= _OUTLINE_FOUND else 0.0), push


def unmet_parts(coarse: Looked, fine: Looked, edges: DrawnEdges) -> tuple[str, ...]:
    """Names of the parts that lie in the frame and of which the photo shows next to no edge.

    Parameters are those of :func:`displaced_openings`.
    """
    shares = []
    for at in (coarse, fine):
        fit = at.fit(edges, np.zeros(2))
        seen = fit.inside & (edges.length_mm > 0)
        n = len(edges.part_names)
        n_seen = np.bincount(edges.part[seen], minlength=n)
        n_met = np.bincount(edges.part[met(fit, edges, _NEAR_PX)], minlength=n)
        shares.append(np.where(n_seen >= _FEWEST, n_met / np.maximum(n_seen, 1), 1.0))
    return tuple(edges.part_names[k] for k in np.nonzero(np.max(shares, axis=0) < _UNMET)[0])
