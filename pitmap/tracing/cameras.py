"""The camera of one photo of a flat face, as eleven numbers, and the edges seen in every photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..registration.camera import Camera, apply_homography
from ..registration.view import View

__all__ = [
    "FOCAL_SD",
    "LENSES",
    "LOG_FOCAL",
    "N_CAMERA",
    "PRIOR_AT",
    "PRIOR_MEAN",
    "PRIOR_SD",
    "EdgeSet",
    "carry_back",
    "first_pose",
    "fit_circle",
    "off_metal",
    "pose_camera",
    "pose_view",
    "unlikely_focal",
]

N_CAMERA = 11
"""Turn (3), place (3), log focal length, k1, k2, and where the optical axis meets the picture (2)."""
LOG_FOCAL = 6
PRIOR_AT = (LOG_FOCAL, 7, 8, 9, 10)
PRIOR_MEAN = (-0.16, 0.0, 0.0, 0.0, 0.0)
PRIOR_SD = (0.5, 0.06, 0.012, 0.004, 0.004)
"""Focal length over the longer side, if nothing more is known of it; radial terms of some hundredths; the optical axis
within some thousandths of the longer side from the middle of the picture (phones; house choice, from memory)."""


@dataclass(frozen=True, slots=True)
class _Lens:
    share: float
    log_focal: float
    sd: float


LENSES = (_Lens(0.75, -0.27, 0.1), _Lens(0.25, 0.28, 0.2))
"""Log focal lengths, over the longer side, of what phones take pictures with: main cameras like a 24 to 28 mm lens on
35 mm film, and longer ones or crops like 40 to 55 mm (house choice, from memory)."""

FOCAL_SD = 0.02
"""How well the whole millimetres of a photo's EXIF tell its focal length, relative."""


@dataclass(slots=True)
class EdgeSet:
    """Edges of one contour in every photo.

    Parameters
    ----------
    is_round : bool
    points_px : list of (N, 2) arrays
        Per photo, the same N places along the contour.
    is_good : list of (N,) bool arrays
    plane : (N, 2) array
        Where they are on the face, mm, as known so far.
    base_px : (N, 2) array
        The places in the first photo that the edge was looked for at.
    """

    is_round: bool
    points_px: list[NDArray[np.float64]]
    is_good: list[NDArray[np.bool_]]
    plane: NDArray[np.float64]
    base_px: NDArray[np.float64]


def pose_view(p: NDArray[np.float64], size_wh: tuple[int, int]) -> View:
    """The view of the parameters (11,)."""
    turn, _ = cv2.Rodrigues(p[:3])
    longer = max(size_wh)
    return View(
        rotation=turn,
        # The place is kept in units of 100 mm, so that all parameters are of one size.
        shift_mm=100 * p[3:6],
        focal_px=float(np.exp(p[6])) * longer,
        centre_xy=(np.array(size_wh) - 1) / 2 + p[9:11] * longer,
        k1=float(p[7]),
        k2=float(p[8]),
    )


def pose_camera(p: NDArray[np.float64], size_wh: tuple[int, int]) -> Camera:
    """The camera of the parameters (11,)."""
    return pose_view(p, size_wh).camera()


def carry_back(
    pixels: NDArray[np.float64], pose: NDArray[np.float64], size_wh: tuple[int, int]
) -> NDArray[np.float64]:
    """Points of a photo (N, 2) on the plane, mm; the inverse of :func:`pose_camera`, quicker."""
    longer = max(size_wh)
    f = float(np.exp(pose[6])) * longer
    centre = [(size_wh[0] - 1) / 2 + pose[9] * longer, (size_wh[1] - 1) / 2 + pose[10] * longer]
    n = (pixels - centre) / f
    seen2 = (n**2).sum(1)
    k1, k2 = pose[7], pose[8]
    # Fixed-point iteration on the squared radius; lens terms are small.
    true2 = seen2.copy()
    for _ in range(7):
        true2 = seen2 / np.clip(1 + k1 * true2 + k2 * true2**2, 0.5, 2.0) ** 2
    n = n / np.clip(1 + k1 * true2 + k2 * true2**2, 0.5, 2.0)[:, None]
    turn, _ = cv2.Rodrigues(pose[:3])
    return apply_homography(np.linalg.inv(np.column_stack([turn[:, 0], turn[:, 1], 100 * pose[3:6]])), n)


def first_pose(
    plane: NDArray[np.float64], pixels: NDArray[np.float64], size_wh: tuple[int, int]
) -> NDArray[np.float64]:
    """Parameters to start from: a usual lens without distortion."""
    f = float(np.exp(LENSES[0].log_focal)) * max(size_wh)
    k = np.array([[f, 0, (size_wh[0] - 1) / 2], [0, f, (size_wh[1] - 1) / 2], [0, 0, 1.0]])
    flat = np.column_stack([plane, np.zeros(len(plane))])
    _, turn, place = cv2.solvePnP(flat, pixels, k, None, flags=cv2.SOLVEPNP_IPPE)
    _, turn, place = cv2.solvePnP(flat, pixels, k, None, turn, place, True, cv2.SOLVEPNP_ITERATIVE)
    return np.concatenate([turn.ravel(), place.ravel() / 100, [LENSES[0].log_focal, 0.0, 0.0, 0.0, 0.0]])


def unlikely_focal(log_focal: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How unlikely focal lengths are for a phone, as residuals of unit variance, and their slopes.

    The square of the residual is twice the fall of the log density from the mixture's highest.
    """
    x = np.asarray(log_focal, float)[..., None]
    share, mean, sd = (np.array([getattr(lens, n) for lens in LENSES]) for n in ("share", "log_focal", "sd"))
    density = share / sd * np.exp(-0.5 * ((x - mean) / sd) ** 2) + 1e-12
    whole = density.sum(-1)
    fall = np.maximum(2 * np.log((share / sd).max() / whole), 1e-12)
    slope_of_fall = 2 * (density * (x - mean) / sd**2).sum(-1) / whole
    sign = np.where(x[..., 0] < mean[0], -1.0, 1.0)
    root = np.sqrt(fall)
    return sign * root, sign * slope_of_fall / (2 * np.maximum(root, 0.05))


def fit_circle(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Centre and radius (3,) of the circle nearest to points in the algebraic sense."""
    design = np.column_stack([2 * points, np.ones(len(points))])
    c, *_ = np.linalg.lstsq(design, (points**2).sum(1), rcond=None)
    return np.array([c[0], c[1], np.sqrt(max(c[2] + c[0] ** 2 + c[1] ** 2, 1e-6))])


def off_metal(points: NDArray[np.float64], *, is_hole: bool) -> NDArray[np.float64]:
    """Unit normals of a closed contour, pointing off the metal."""
    along = np.roll(points, -2, 0) - np.roll(points, 2, 0)
    normal = np.stack([along[:, 1], -along[:, 0]], -1) / np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    x, y = points.T
    is_left = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0
    return normal if is_left != is_hole else -normal
