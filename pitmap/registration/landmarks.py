"""A camera from a few pairs of places on the drawing and in the photo."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import AlignmentRefused, InputError
from .coarse import focal_for
from .polish import Priors
from .view import View

__all__ = ["check_picks", "view_from_points"]

_PICK_SHARE = 0.012
"""A pick may be this share of the frame's long side off (20 px in 1600): more than a hand is, less than a wrong hole."""


def _check(points_mm: NDArray, points_px: NDArray) -> None:
    if (
        points_mm.ndim != 2
        or points_mm.shape[1:] != (2,)
        or points_mm.shape != points_px.shape
        or len(points_mm) < 4
    ):
        raise InputError(
            f"landmarks: expected four or more pairs, (N, 2) mm and (N, 2) px, got {points_mm.shape} and {points_px.shape}"
        )
    if not (np.isfinite(points_mm).all() and np.isfinite(points_px).all()):
        raise InputError("landmarks: every coordinate must be a finite number")
    for name, points in (("mm", points_mm), ("px", points_px)):
        spread = np.linalg.svd(points - points.mean(0), compute_uv=False)
        if spread[1] < 0.05 * spread[0]:
            raise InputError(
                f"landmarks ({name}): the picks lie on one line or coincide; spread them over the plate"
            )


def check_picks(points_mm: NDArray, points_px: NDArray, size_wh: tuple[int, int]) -> None:
    """Refuse places that cannot have been picked on this photo.

    Parameters
    ----------
    points_mm, points_px : (N, 2) arrays
    size_wh : (int, int)
        Photo, px.

    Raises
    ------
    InputError
        Fewer than four pairs, not finite, on one line, or beside the photo.
    """
    _check(points_mm, points_px)
    beside = np.nonzero(((points_px < -0.5) | (points_px > np.array(size_wh) - 0.5)).any(1))[0]
    if len(beside):
        k = int(beside[0])
        x, y = points_px[k]
        raise InputError(
            f"landmarks: place {k + 1} at ({x:.0f}, {y:.0f}) px lies beside the photo of {size_wh[0]} x {size_wh[1]} px; "
            "read the pixels off this photo, turned upright and at its full size"
        )


def view_from_points(
    points_mm: NDArray, points_px: NDArray, size_wh: tuple[int, int], *, focal_px: float | None = None
) -> View:
    """The camera that puts the places where they were seen.

    Parameters
    ----------
    points_mm, points_px : (N, 2) arrays, N at least 4
    size_wh : (int, int)
        Photo, px.
    focal_px : float, optional

    Raises
    ------
    InputError
        Fewer than four pairs, not finite, or on one line.
    AlignmentRefused
        Mirrored, or no one view fits all pairs.

    Notes
    -----
    A homography by least squares starts a Gauss-Newton fit of pose, focal length and lens with the priors of a
    phone's camera; four points alone would leave the lens and any bad pick unchecked. It is done about the
    middle of the places, so that it does not matter how far off the plate's origin lies.
    """
    points_mm, points_px = np.asarray(points_mm, float), np.asarray(points_px, float)
    _check(points_mm, points_px)
    middle_mm = points_mm.mean(0)
    points_mm = points_mm - middle_mm
    long_side = max(size_wh)
    matrix, _ = cv2.findHomography(points_mm, points_px, 0)
    if matrix is None or not np.isfinite(matrix).all():
        raise InputError("landmarks: three or more of the picks lie on one line; spread them over the plate")
    depth = points_mm @ matrix[2, :2] + matrix[2, 2]
    if (np.sign(depth) != np.sign(depth[0])).any():
        raise AlignmentRefused(
            "the landmarks do not fit one view of a flat plate; check that each is the right place"
        )
    if np.linalg.det(matrix) / depth.mean() ** 3 > 0:
        raise AlignmentRefused(
            "the landmarks are mirrored: the photo would show the plate from behind; check their order"
        )
    focal = focal_px or focal_for(size_wh)
    centre = (np.array(size_wh) - 1) / 2
    rays = np.linalg.inv(np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])) @ matrix
    rays *= np.sign(depth[0]) / math.sqrt(np.linalg.norm(rays[:, 0]) * np.linalg.norm(rays[:, 1]))
    u, _, vt = np.linalg.svd(np.column_stack([rays[:, :2], np.cross(rays[:, 0], rays[:, 1])]))
    view = View(
        rotation=u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt,
        shift_mm=rays[:, 2],
        focal_px=focal,
        centre_xy=centre,
    )
    known = focal_px is not None
    priors = Priors(log_focal=math.log(focal / long_side), log_focal_sd=0.03 if known else 0.25)
    precision = priors.precision(long_side)
    noise = max(0.15 * _PICK_SHARE * long_side, 1.0)
    damping = 1e-3
    for _ in range(60):
        px, jacobian = view.jacobian(points_mm)
        rows = jacobian.reshape(-1, 11) / noise
        information = rows.T @ rows + np.diag(precision)
        right = rows.T @ ((points_px - px).ravel() / noise) + precision * priors.pull(view, size_wh)
        step = np.linalg.solve(information + damping * np.diag(np.diag(information)), right)
        trial = view.moved(np.clip(step, -0.3 * long_side, 0.3 * long_side))

        def cost(v: View) -> float:
            off = (points_px - v.project(points_mm)) / noise
            return float((off**2).sum() + (precision * priors.pull(v, size_wh) ** 2).sum())

        if cost(trial) < cost(view):
            view, damping = trial, max(damping * 0.3, 1e-7)
        else:
            damping = min(damping * 10, 1e6)
    off = np.hypot(*(view.project(points_mm) - points_px).T)
    if off.max() > _PICK_SHARE * long_side:
        worst = int(off.argmax())
        raise AlignmentRefused(
            f"landmark {worst + 1} of {len(off)} lies {off[worst]:.0f} px from where the others put it "
            f"(allowed: {_PICK_SHARE * long_side:.0f} px); check that it is the right place, and pick it again"
        )
    if view.eye_mm()[2] <= 0:
        raise AlignmentRefused(
            "the landmarks put the camera behind the plate; check that each is the right place"
        )
    return view.about(-middle_mm)
