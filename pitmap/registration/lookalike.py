"""The best other way to lay the drawing on the photo: turned, its mirror image, or on another plate beside the one found."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .alignment import RunnerUp
from .displaced import met
from .edges import DrawnEdges
from .evidence import edge_field, shrink
from .polish import Priors, refine_view
from .poses import Poses, exp_rotation, lie_beside, pull, score
from .profiles import fit_profiles
from .view import View

__all__ = ["best_lookalike", "plate_beside"]

_TURNS = 36
_SAME_DEG = 8.0
"""A pose that is turned by less than this is the same pose."""


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


def best_lookalike(
    rgb: NDArray[np.uint8],
    view: View,
    edges: DrawnEdges,
    own_met: float,
    priors: Priors,
    *,
    thickness_mm: float,
) -> RunnerUp:
    """Turn the drawing and its mirror image round on the plate, refine the best of each, and count what they meet.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
        Moderate size.
    view : View
        The pose that is believed in, for that size.
    edges : DrawnEdges
    own_met : float
        Share of the edges in the frame that the believed pose meets.
    priors : Priors
    thickness_mm : float
    """
    small, k = shrink(rgb, 320)
    field = edge_field(small)
    middle = edges.points_mm.mean(0)
    some = edges.take(np.arange(0, len(edges.part), 4))
    few = _every_second(edges)
    start = view.scaled(k)
    log_focal = math.log(start.focal_px)
    angles = 2 * np.pi * np.arange(_TURNS) / _TURNS
    best = RunnerUp(kind="none", turn_deg=math.nan, met=math.nan, margin=math.nan)
    for kind in ("turned", "mirrored"):
        drawn = some if kind == "turned" else _mirrored(some, middle)
        poses = pull(
            _turned(start, middle, angles), drawn, field, reach_px=(8, 6, 4, 3, 2), log_focal=log_focal
        )
        value = score(poses, drawn, field)
        turn = np.degrees(
            np.arccos(np.clip((np.einsum("ij,kij->k", start.rotation, poses.rotation) - 1) / 2, -1, 1))
        )
        if kind == "turned":
            value = np.where(turn < _SAME_DEG, -1, value)
        pick = int(np.argmax(value))
        if value[pick] <= 0:
            continue
        drawn = few if kind == "turned" else _mirrored(few, middle)
        share = _share_met(rgb, View.of_pose(poses, pick).scaled(1 / k), drawn, priors, thickness_mm)
        if math.isnan(best.met) or share > best.met:
            best = RunnerUp(kind=kind, turn_deg=float(turn[pick]), met=share, margin=own_met - share)
    return best


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

    Parameters are those of :func:`best_lookalike`; of the `others`, those that lie on the believed plate are left out.
    """
    middle_mm, few = edges.points_mm.mean(0), _every_second(edges)
    plate_px, middle_px = view.project(edges.points_mm), view.project(middle_mm[None])[0]
    best = RunnerUp(kind="none", turn_deg=math.nan, met=math.nan, margin=math.nan)
    for other in others:
        if not lie_beside(other.project(middle_mm[None])[0], plate_px, middle_px):
            continue
        share = _share_met(rgb, other, few, priors, thickness_mm)
        if math.isnan(best.met) or share > best.met:
            best = RunnerUp(kind="moved", turn_deg=math.nan, met=share, margin=own_met - share)
    return best


def _every_second(edges: DrawnEdges) -> DrawnEdges:
    return edges.take(np.arange(0, len(edges.part), 2))


def _share_met(
    rgb: NDArray[np.uint8], start: View, drawn: DrawnEdges, priors: Priors, thickness_mm: float
) -> float:
    """Share of the edges in the frame that a rough pose, once refined, finds in their place."""
    level = {"thickness_mm": thickness_mm, "edge_break_mm": 0.3, "blur_px": 0.8}
    view = refine_view(rgb, start, drawn, priors, tolerance_px=(3, 2.5, 2, 1.5), **level).view
    fit = fit_profiles(rgb, view, drawn, **level)
    seen = fit.inside & (drawn.length_mm > 0)
    return float(met(fit, drawn, 0.75).sum() / max(seen.sum(), 1))
