"""The camera model: plate millimetres to photo pixels, through a homography and a radial lens term."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError

__all__ = ["Camera", "Lens", "apply_homography"]


def apply_homography(matrix: ArrayLike, points_xy: ArrayLike) -> NDArray[np.float64]:
    """Points (..., 2) through a 3x3 homography."""
    p = np.asarray(points_xy, float)
    h = np.asarray(matrix, float)
    q = p @ h[:, :2].T + h[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        return q[..., :2] / q[..., 2:]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """Radial distortion about a centre.

    ``n = (p - centre) / scale``, ``p_photo = centre + scale * n * (1 + k1 r^2 + k2 r^4)``, ``r = |n|``
    (the radial part of the Brown-Conrady model, as in OpenCV's calibration text).

    Parameters
    ----------
    k1, k2 : float
    centre_xy : (float, float)
        Pixels.
    scale_px : float
        Focal length or any other fixed scale, pixels, above 0.
    """

    k1: float = 0.0
    k2: float = 0.0
    centre_xy: tuple[float, float] = (0.0, 0.0)
    scale_px: float = 1.0

    def __post_init__(self) -> None:
        if not self.scale_px > 0:
            raise InputError(f"Lens.scale_px: expected a number above 0, got {self.scale_px!r}")

    def distort(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Undistorted pixels (..., 2) to pixels of the photo."""
        c = np.asarray(self.centre_xy, float)
        n = (np.asarray(points_px, float) - c) / self.scale_px
        r2 = n[..., :1] ** 2 + n[..., 1:] ** 2
        return c + self.scale_px * n * (1 + self.k1 * r2 + self.k2 * r2**2)

    def undistort(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Pixels of the photo (..., 2) to undistorted pixels, by fixed-point iteration."""
        c = np.asarray(self.centre_xy, float)
        target = (np.asarray(points_px, float) - c) / self.scale_px
        n = target.copy()
        for _ in range(20):
            r2 = n[..., :1] ** 2 + n[..., 1:] ** 2
            n = target / np.clip(1 + self.k1 * r2 + self.k2 * r2**2, 0.3, 3.0)
        return c + self.scale_px * n


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """Plate millimetres to photo pixels and back, for the plane of the face.

    Parameters
    ----------
    homography : (3, 3) array
        mm to undistorted pixels.
    lens : Lens
    """

    homography: NDArray[np.float64]
    lens: Lens

    def __post_init__(self) -> None:
        h = np.array(self.homography, float)
        if h.shape != (3, 3) or not np.isfinite(h).all() or abs(np.linalg.det(h)) < 1e-15:
            raise InputError("Camera.homography: expected a finite 3x3 matrix that can be inverted")
        h.setflags(write=False)
        object.__setattr__(self, "homography", h)

    def mm_to_px(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Points (..., 2) in mm to photo pixels."""
        return self.lens.distort(apply_homography(self.homography, points_xy))

    def px_to_mm(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Photo pixels (..., 2) to mm on the face."""
        return apply_homography(np.linalg.inv(self.homography), self.lens.undistort(points_px))

    def px_per_mm(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Local scale (...,), photo pixels per mm: the square root of the area scale."""
        p = np.asarray(points_xy, float)
        step = 0.05
        dx = self.mm_to_px(p + [step, 0]) - self.mm_to_px(p - [step, 0])
        dy = self.mm_to_px(p + [0, step]) - self.mm_to_px(p - [0, step])
        return np.sqrt(np.abs(dx[..., 0] * dy[..., 1] - dx[..., 1] * dy[..., 0])) / (2 * step)
