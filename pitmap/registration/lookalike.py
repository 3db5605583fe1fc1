"""The best other way to lay the drawing on the photo: turned, or its mirror image."""

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
from .poses import Poses, exp_rotation, pull, score
from .profiles import fit_profiles
from .view import View

__all__ = ["best_lookalike"]

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
    few = edges.take(np.arange(0, len(edges.part), 2))
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
        level = {"thickness_mm": thickness_mm, "edge_break_mm": 0.3, "blur_px": 0.8}
        other = View.of_pose(poses, pick).scaled(1 / k)
        other = refine_view(rgb, other, drawn, priors, tolerance_px=(3, 2.5, 2, 1.5), **level).view
        fit = fit_profiles(rgb, other, drawn, **level)
        seen = fit.inside & (drawn.length_mm > 0)
        share = float(met(fit, drawn, 0.75).sum() / max(seen.sum(), 1))
        if math.isnan(best.met) or share > best.met:
            best = RunnerUp(kind=kind, turn_deg=float(turn[pick]), met=share, margin=own_met - share)
    return best
