"""The photo seen as rays: a coarse net of nodes, exact at every node, stretched over the pixels between."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import Scene

__all__ = ["STEP_PX", "Nodes", "make_nodes"]

STEP_PX = 8
"""Bilinear over 8 px: the curvature of a perspective leaves well under 0.02 px of error."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nodes:
    """Rays through a net of photo points, one net line outside the frame on each side.

    Attributes
    ----------
    size_wh : (int, int)
    position_mm : (3,) float
    rays : (rows, cols, 3) float
        Directions, z always downward.
    """

    size_wh: tuple[int, int]
    position_mm: NDArray[np.float64]
    rays: NDArray[np.float64]

    def on_plane(self, z_mm: float) -> NDArray[np.float64]:
        """Where the rays meet the plane at height z, (rows, cols, 3) mm."""
        t = (z_mm - self.position_mm[2]) / self.rays[..., 2]
        return self.position_mm + t[..., None] * self.rays

    def stretch(self, field: NDArray, rows: slice, cols: slice) -> NDArray[np.float32]:
        """A field on the nodes, at every pixel of a window whose corners are multiples of the step."""
        r0, r1 = rows.start // STEP_PX, -(-rows.stop // STEP_PX) + 2
        c0, c1 = cols.start // STEP_PX, -(-cols.stop // STEP_PX) + 2
        part = np.ascontiguousarray(field[r0:r1, c0:c1], dtype=np.float32)
        full: Any = cv2.resize(part, None, fx=STEP_PX, fy=STEP_PX, interpolation=cv2.INTER_LINEAR)
        return full[STEP_PX : STEP_PX + rows.stop - rows.start, STEP_PX : STEP_PX + cols.stop - cols.start]


def make_nodes(scene: Scene) -> Nodes:
    """The rays of a scene's camera, lens included."""
    pose = scene.pose
    w, h = scene.size_wh
    u = (np.arange(-1, -(-w // STEP_PX) + 1) + 0.5) * STEP_PX - 0.5
    v = (np.arange(-1, -(-h // STEP_PX) + 1) + 0.5) * STEP_PX - 0.5
    p = pose.lens.undistort(np.stack(np.meshgrid(u, v), -1))
    q = np.dstack([(p - np.asarray(pose.centre_xy)) / pose.focal_px, np.ones(p.shape[:2])])
    rays = q @ pose.rotation
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    # A ray at or above the horizon would meet no bench; bend it down to a far point of it.
    rays[..., 2] = np.minimum(rays[..., 2], -0.04)
    return Nodes(size_wh=scene.size_wh, position_mm=pose.position_mm, rays=rays)
