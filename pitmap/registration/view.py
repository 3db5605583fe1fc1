"""One camera over the plate: pose, focal length, lens, and how pixels move with each of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .camera import Camera, Lens
from .poses import Poses, exp_rotation

__all__ = ["PARAMETERS", "View"]

PARAMETERS = ("turn_x", "turn_y", "turn_z", "x", "y", "z", "log_focal", "centre_x", "centre_y", "k1", "k2")
"""Order of the columns of every Jacobian and covariance: rad, mm, 1, px, 1."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A pinhole with a radial lens term; square pixels, so that a plate cut by the frame is still held together.

    Parameters
    ----------
    rotation : (3, 3) array
        Plate frame to camera frame (x right, y down, z away from the camera).
    shift_mm : (3,) array
        Plate origin in the camera frame.
    focal_px : float
    centre_xy : (2,) array
        Optical axis in the photo, px; also the centre of distortion.
    k1, k2 : float
    """

    rotation: NDArray[np.float64]
    shift_mm: NDArray[np.float64]
    focal_px: float
    centre_xy: NDArray[np.float64]
    k1: float = 0.0
    k2: float = 0.0

    @classmethod
    def of_pose(cls, poses: Poses, row: int) -> View:
        """One of many poses."""
        return cls(
            rotation=poses.rotation[row],
            shift_mm=poses.shift_mm[row],
            focal_px=float(poses.focal_px[row]),
            centre_xy=np.array(poses.centre_xy),
        )

    def scaled(self, factor: float) -> View:
        """The same camera for a picture of another size."""
        return replace(self, focal_px=self.focal_px * factor, centre_xy=(self.centre_xy + 0.5) * factor - 0.5)

    def camera(self) -> Camera:
        """Homography and lens of the face plane."""
        f, (cx, cy) = self.focal_px, self.centre_xy
        intrinsic = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
        h = intrinsic @ np.column_stack([self.rotation[:, :2], self.shift_mm])
        return Camera(
            homography=h / h[2, 2],
            lens=Lens(k1=self.k1, k2=self.k2, centre_xy=(float(cx), float(cy)), scale_px=f),
        )

    def about(self, place_mm: NDArray) -> View:
        """The same camera over the same plate, once the plate's frame has its origin at this place (2,) of it."""
        return replace(self, shift_mm=self.shift_mm + self.rotation[:, :2] @ place_mm)

    def eye_mm(self) -> NDArray[np.float64]:
        """Where the lens is, in the plate frame, (3,)."""
        return -self.rotation.T @ self.shift_mm

    def project(self, points_mm: NDArray) -> NDArray[np.float64]:
        """Points (N, 2) of the face to photo pixels (N, 2)."""
        return self._pieces(points_mm)[0]

    def _pieces(self, points_mm: NDArray) -> tuple[NDArray, ...]:
        x = points_mm @ self.rotation[:, :2].T + self.shift_mm
        z = np.maximum(x[:, 2], 1.0)
        n = x[:, :2] / z[:, None]
        r2 = n[:, 0] ** 2 + n[:, 1] ** 2
        bulge = 1 + self.k1 * r2 + self.k2 * r2**2
        return self.centre_xy + self.focal_px * n * bulge[:, None], x, z, n, r2, bulge

    def jacobian(self, points_mm: NDArray) -> tuple[NDArray, NDArray]:
        """Pixels (N, 2) and their derivatives (N, 2, 11) by :data:`PARAMETERS`."""
        px, x, z, n, r2, bulge = self._pieces(points_mm)
        turned = x - self.shift_mm
        f = self.focal_px
        d_n = np.zeros((len(x), 2, 3))
        d_n[:, 0, 0] = d_n[:, 1, 1] = 1 / z
        d_n[:, :, 2] = -n / z[:, None]
        slope = 2 * (self.k1 + 2 * self.k2 * r2)
        d_px_n = f * (bulge[:, None, None] * np.eye(2) + slope[:, None, None] * n[:, :, None] * n[:, None, :])
        d_x = d_px_n @ d_n
        cross = np.zeros((len(x), 3, 3))
        a, b, c = turned.T
        cross[:, 0, 1], cross[:, 0, 2] = c, -b
        cross[:, 1, 0], cross[:, 1, 2] = -c, a
        cross[:, 2, 0], cross[:, 2, 1] = b, -a
        out = np.empty((len(x), 2, 11))
        out[:, :, 0:3] = d_x @ cross
        out[:, :, 3:6] = d_x
        out[:, :, 6] = f * n * bulge[:, None]
        out[:, :, 7:9] = np.eye(2)
        out[:, :, 9] = f * n * r2[:, None]
        out[:, :, 10] = f * n * (r2**2)[:, None]
        return px, out

    def moved(self, step: NDArray) -> View:
        """After a step in :data:`PARAMETERS`; distance grows as the focal length does, so that far steps keep size."""
        longer = step[5] / self.shift_mm[2]
        sideways = np.array([step[3], step[4], 0.0]) - [*(self.shift_mm[:2] * longer), 0.0]
        return View(
            rotation=exp_rotation(step[None, :3])[0] @ self.rotation,
            shift_mm=(self.shift_mm + sideways) * np.exp(longer),
            focal_px=self.focal_px * float(np.exp(step[6])),
            centre_xy=self.centre_xy + step[7:9],
            k1=self.k1 + float(step[9]),
            k2=self.k2 + float(step[10]),
        )
