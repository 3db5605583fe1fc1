"""The best other way to lay the drawing on the photo: turned, its mirror image, or on another plate beside the one found."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .alignment import RunnerUp
from .displaced import met
from .edges import DrawnEdges
from .evidence import edge_field, shrink
from .polish import Priors, refine_view
from .poses import Poses, exp_rotation, lie_beside, pull, score
from .profiles import ProfileFit, fit_profiles
from .view import View

__all__ = ["Other", "best_lookalike", "is_told_apart", "other_poses", "plate_beside"]

_TURNS = 36
_SAME_DEG = 8.0
"""A pose that is turned by less than this is the same pose."""
_EDGE_BREAK_MM, _BLUR_PX, _NEAR_PX = 0.3, 0.8, 0.75
_MAYBE = 0.8
"""A rough pose that scores less than this part of the best of its kind is no look-alike."""
_WELL_BELOW = 0.78
"""A look-alike that meets less than this part of what the pose meets need not be told from it: somewhat under what leaves
the choice open, for both are counted with some scatter."""
_APART_PX, _APART_MM = 3.0, 1.5
"""An edge with none of the other pose's nearer than this is one that the other has not."""
_FEWEST_ALONE, _FEWEST_OF_PART = 24, 5
"""Samples that tell two poses apart, in all and of each of two parts of the drawing at least: some 60 mm of edge on a plate
of 250 mm; house choice."""
_LEAST_ALONE, _MOST_ALONE = 0.6, 0.3


def _mirrored(edges: DrawnEdges, middle_mm: NDArray) -> DrawnEdges:
    flip = np.array([-1.0, 1.0])
    return replace(
        edges, points_mm=(edges.points_mm - middle_mm) * flip + middle_mm, normals=edges.normals * flip
    )


def _turned(view: View, middle_mm: NDArray, angles: NDArray) -> Poses:
    """The view with the plate turned about its middle."""
    spin = exp_rotation(np.stack([0 * angles, 0 * angles, angles], -1))
    rotation = view.rotation @ spin
    middle = view.rotation[:, :2] @ middle_mm + view.shift_mm
    return Poses(
        rotation=rotation,
        shift_mm=middle - rotation[:, :, :2] @ middle_mm,
        focal_px=np.full(len(angles), view.focal_px),
        centre_xy=(float(view.centre_xy[0]), float(view.centre_xy[1])),
    )


class Other(NamedTuple):
    """Another way to lay the drawing on the plate, as rough as the search leaves it."""

    kind: str
    turn_deg: float
    start: View
    drawn: DrawnEdges
    value: float


def other_poses(rgb: NDArray[np.uint8], view: View, edges: DrawnEdges) -> tuple[list[Other], list[Other]]:
    """The drawing turned round on the plate, and its mirror image: each with the best first.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
        Moderate size.
    view : View
        The pose that is believed in, for that size.
    edges : DrawnEdges
    """
    small, k = shrink(rgb, 320)
    field = edge_field(small)
    middle = edges.points_mm.mean(0)
    some, few = edges.take(np.arange(0, len(edges.part), 4)), _every_second(edges)
    start = view.scaled(k)
    angles = 2 * np.pi * np.arange(_TURNS) / _TURNS
    found = []
    for kind in ("turned", "mirrored"):
        drawn = some if kind == "turned" else _mirrored(some, middle)
        poses = pull(
            _turned(start, middle, angles),
            drawn,
            field,
            reach_px=(8, 6, 4, 3, 2),
            log_focal=math.log(start.focal_px),
        )
        value = score(poses, drawn, field)
        turn = _turn_deg(start.rotation, poses.rotation)
        if kind == "turned":
            value = np.where(turn < _SAME_DEG, -1, value)
        fine = few if kind == "turned" else _mirrored(few, middle)
        others = []
        while value.max() > 0:
            pick = int(np.argmax(value))
            rough = View.of_pose(poses, pick).scaled(1 / k)
            others.append(
                Other(
                    kind=kind, turn_deg=float(turn[pick]), start=rough, drawn=fine, value=float(value[pick])
                )
            )
            value = np.where(_turn_deg(poses.rotation[pick], poses.rotation) < _SAME_DEG, -1, value)
            value[pick] = -1  # whatever the rounding says of a pose and itself
        found.append(others)
    return found[0], found[1]


def best_lookalike(
    rgb: NDArray[np.uint8],
    found: tuple[list[Other], list[Other]],
    own_met: float,
    priors: Priors,
    *,
    thickness_mm: float,
) -> RunnerUp:
    """Refine the best of each kind of other poses, and count what they meet.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
        Moderate size.
    found : tuple of lists of Other
        As of :func:`other_poses`.
    own_met : float
        Share of the edges in the frame that the believed pose meets.
    priors : Priors
    thickness_mm : float
    """
    best = RunnerUp(kind="none", turn_deg=math.nan, met=math.nan, margin=math.nan)
    for others in found:
        if not others:
            continue
        other = others[0]
        share = _share(_looked(rgb, other.start, other.drawn, priors, thickness_mm)[1], other.drawn)
        if math.isnan(best.met) or share > best.met:
            best = RunnerUp(kind=other.kind, turn_deg=other.turn_deg, met=share, margin=own_met - share)
    return best


def is_told_apart(
    rgb: NDArray[np.uint8],
    view: View,
    edges: DrawnEdges,
    found: tuple[list[Other], list[Other]],
    own_met: float,
    priors: Priors,
    *,
    thickness_mm: float,
) -> bool:
    """True when the photo shows what tells the pose from every look-alike that meets nearly as much.

    Of a plate that is symmetric but for a port and two holes a look-alike meets all the rest. Then only those
    edges speak that have none of the other pose's beside them: they must be there where the pose puts them, and must
    not be there where the look-alike does. On renders of three such plates (12 photos) the pose that is right meets 0.71
    to 0.97 of its own and its look-alikes 0.02 to 0.20 of theirs; a wrong pose (the mirrored drawing) 0.00 to 0.15, and
    the right one beside it 0.68 to 0.98.

    Parameters are those of :func:`other_poses` and :func:`best_lookalike`.
    """
    own_drawn = _every_second(edges)
    own = _profiles(rgb, view, own_drawn, thickness_mm)
    own_px, least_px = view.project(own_drawn.points_mm), _apart_px(view, own_drawn)
    for others in found:
        for other in others:
            if other.value < _MAYBE * others[0].value:
                continue
            their_view, theirs = _looked(rgb, other.start, other.drawn, priors, thickness_mm)
            if _share(theirs, other.drawn) <= _WELL_BELOW * own_met:
                continue
            their_px = their_view.project(other.drawn.points_mm)
            own_met_alone, n_own = _met_alone(own, own_drawn, own_px, their_px, least_px)
            their_met_alone, n_theirs = _met_alone(theirs, other.drawn, their_px, own_px, least_px)
            if (
                min(n_own, n_theirs) < _FEWEST_ALONE
                or own_met_alone < _LEAST_ALONE
                or their_met_alone > _MOST_ALONE
            ):
                return False
    return True


def _met_alone(
    fit: ProfileFit, drawn: DrawnEdges, px: NDArray, other_px: NDArray, least_px: float
) -> tuple[float, int]:
    """Share met of the samples in the frame that have none of the other pose's near them, and how many there are of them.

    None, where they are all of one part of the drawing: one hole may be hidden, and one spot looks like a hole.
    """
    alone = fit.inside & (drawn.length_mm > 0) & (cKDTree(other_px).query(px)[0] > least_px)
    of_parts = np.bincount(drawn.part[alone])
    if np.count_nonzero(of_parts >= _FEWEST_OF_PART) < 2:
        return 0.0, 0
    return float(met(fit, drawn, _NEAR_PX)[alone].mean()), int(alone.sum())


def _apart_px(view: View, drawn: DrawnEdges) -> float:
    return max(_APART_PX, _APART_MM * float(np.median(view.camera().px_per_mm(drawn.points_mm))))


def _turn_deg(rotation: NDArray, rotations: NDArray) -> NDArray[np.float64]:
    """By how much each of (K, 3, 3) rotations is turned against one, (K,) deg."""
    cosine = (np.einsum("ij,kij->k", rotation, rotations) - 1) / 2
    return np.degrees(np.arccos(np.clip(cosine, -1, 1)))


def plate_beside(
    rgb: NDArray[np.uint8],
    view: View,
    others: list[View],
    edges: DrawnEdges,
    own_met: float,
    priors: Priors,
    *,
    thickness_mm: float,
) -> RunnerUp:
    """Refine rough poses that lay the drawing on another plate beside the one that is believed in, and count what they meet.

    Parameters are those of :func:`other_poses` and :func:`best_lookalike`; of the `others`, those that lie on the
    believed plate are left out.
    """
    middle_mm, few = edges.points_mm.mean(0), _every_second(edges)
    plate_px, middle_px = view.project(edges.points_mm), view.project(middle_mm[None])[0]
    best = RunnerUp(kind="none", turn_deg=math.nan, met=math.nan, margin=math.nan)
    for other in others:
        if not lie_beside(other.project(middle_mm[None])[0], plate_px, middle_px):
            continue
        share = _share(_looked(rgb, other, few, priors, thickness_mm)[1], few)
        if math.isnan(best.met) or share > best.met:
            best = RunnerUp(kind="moved", turn_deg=math.nan, met=share, margin=own_met - share)
    return best


def _every_second(edges: DrawnEdges) -> DrawnEdges:
    return edges.take(np.arange(0, len(edges.part), 2))


def _looked(
    rgb: NDArray[np.uint8], start: View, drawn: DrawnEdges, priors: Priors, thickness_mm: float
) -> tuple[View, ProfileFit]:
    """A rough pose, refined, and what it finds of the drawn edges."""
    view = refine_view(
        rgb,
        start,
        drawn,
        priors,
        tolerance_px=(3, 2.5, 2, 1.5),
        thickness_mm=thickness_mm,
        edge_break_mm=_EDGE_BREAK_MM,
        blur_px=_BLUR_PX,
    ).view
    return view, _profiles(rgb, view, drawn, thickness_mm)


def _profiles(rgb: NDArray[np.uint8], view: View, drawn: DrawnEdges, thickness_mm: float) -> ProfileFit:
    return fit_profiles(
        rgb, view, drawn, thickness_mm=thickness_mm, edge_break_mm=_EDGE_BREAK_MM, blur_px=_BLUR_PX
    )


def _share(fit: ProfileFit, drawn: DrawnEdges) -> float:
    """Share of the edges in the frame that stand in their place."""
    seen = fit.inside & (drawn.length_mm > 0)
    return float(met(fit, drawn, _NEAR_PX).sum() / max(seen.sum(), 1))
