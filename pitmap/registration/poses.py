"""Many camera poses at once: project the drawn edges, score them, and pull them onto the edges of a small picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .edges import DrawnEdges
from .evidence import N_DIRECTIONS, EdgeField

__all__ = ["Poses", "exp_rotation", "lie_beside", "pull", "score"]


def exp_rotation(vectors: NDArray) -> NDArray:
    """Rotation matrices (K, 3, 3) of rotation vectors (K, 3), by Rodrigues' formula."""
    angle = np.linalg.norm(vectors, axis=1)[:, None, None]
    x, y, z = (vectors / np.maximum(angle[:, 0], 1e-12)).T
    zero = np.zeros_like(x)
    k = np.stack([np.stack([zero, -z, y], -1), np.stack([z, zero, -x], -1), np.stack([-y, x, zero], -1)], 1)
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Poses:
    """K pinhole cameras looking at the plate, square pixels, centre at ``centre_xy``.

    Parameters
    ----------
    rotation : (K, 3, 3) array
        Plate frame to camera frame (x right, y down, z away from the camera).
    shift_mm : (K, 3) array
        Plate origin in the camera frame.
    focal_px : (K,) array
    centre_xy : (float, float)
    """

    rotation: NDArray[np.float64]
    shift_mm: NDArray[np.float64]
    focal_px: NDArray[np.float64]
    centre_xy: tuple[float, float]

    def __len__(self) -> int:
        return len(self.focal_px)

    @classmethod
    def joined(cls, several: list[Poses]) -> Poses:
        """One batch of several for the same picture."""
        return cls(
            rotation=np.concatenate([p.rotation for p in several]),
            shift_mm=np.concatenate([p.shift_mm for p in several]),
            focal_px=np.concatenate([p.focal_px for p in several]),
            centre_xy=several[0].centre_xy,
        )

    def take(self, rows: NDArray) -> Poses:
        """Some of the poses."""
        return Poses(
            rotation=self.rotation[rows],
            shift_mm=self.shift_mm[rows],
            focal_px=self.focal_px[rows],
            centre_xy=self.centre_xy,
        )

    def project(self, points_mm: NDArray) -> NDArray:
        """Plate points (N, 2) to pixels (K, N, 2); far outside the picture when behind the camera."""
        return np.stack(self._project(points_mm, points_mm)[:2], -1)

    def _project(self, points_mm: NDArray, ways: NDArray) -> tuple[NDArray, NDArray, NDArray, NDArray]:
        """Pixels x, y and the way (u, v) that `ways` points to there, of any length; (K, N) float32 each.

        Half the bytes of double precision, and whole rows at a time.
        """
        matrix = np.concatenate([self.rotation[:, :, :2], self.shift_mm[:, :, None]], 2)
        matrix[:, :2] *= self.focal_px[:, None, None]
        m = np.ascontiguousarray(matrix.transpose(1, 0, 2).astype(np.float32))
        flat = np.concatenate([points_mm, np.ones((len(points_mm), 1))], 1).astype(np.float32).T
        x, y, z = m @ flat
        behind = z < 1.0
        z[behind] = 1.0
        x /= z
        y /= z
        u, v, dz = m[:, :, :2] @ ways.astype(np.float32).T
        u -= x * dz
        v -= y * dz
        x += np.float32(self.centre_xy[0])
        y += np.float32(self.centre_xy[1])
        x[behind] = -1e6
        return x, y, u, v


def _look_up(poses: Poses, edges: DrawnEdges, field: EdgeField) -> tuple[NDArray, NDArray, tuple, tuple]:
    """Flat index into the field, in-frame mask, pixels and unnormalised normals, each (K, N)."""
    w, h = field.size_wh
    x, y, u, v = poses._project(edges.points_mm, edges.normals)
    # rint(...) of the angle in steps of 180 / N_DIRECTIONS deg, wrapped by integer arithmetic
    direction = np.rint(np.arctan2(v, u) * np.float32(N_DIRECTIONS / np.pi)).astype(np.int32) % N_DIRECTIONS
    inside = (x >= 2) & (y >= 2) & (x < w - 3) & (y < h - 3)
    col = np.where(inside, x + 0.5, 0).astype(np.int32)
    row = np.where(inside, y + 0.5, 0).astype(np.int32)
    return (direction * h + row) * w + col, inside, (x, y), (u, v)


def lie_beside(
    middles_px: NDArray[np.float64], points_px: NDArray[np.float64], middle_px: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which of these middles (..., 2) lie farther from a plate's own than its points (N, 2) do, root mean square."""
    reach2 = ((points_px - middle_px) ** 2).sum(-1).mean()
    return ((middles_px - middle_px) ** 2).sum(-1) > reach2


def score(poses: Poses, edges: DrawnEdges, field: EdgeField) -> NDArray[np.float64]:
    """How much better than by chance the drawn edges meet edges of the picture, (K,), at most 1.

    Samples out of the frame count as neither met nor missed, but a pose that shows less of the plate needs
    more of it to be met.
    """
    flat, inside, _, _ = _look_up(poses, edges, field)
    length = edges.length_mm.astype(np.float32)
    gain = (inside * np.take(field.gain.ravel(), flat)) @ length
    total = np.maximum(inside @ length, 1e-9)
    return gain / total * np.sqrt(np.minimum(total / length.sum(), 1.0))


def pull(
    poses: Poses,
    edges: DrawnEdges,
    field: EdgeField,
    *,
    reach_px: tuple[float, ...],
    log_focal: float,
    log_focal_sd: float = 0.2,
) -> Poses:
    """Move every pose towards the edges near it, one Gauss-Newton step for each reach (px, falling).

    Residuals are point-to-line distances to the nearest edge of about the same direction, with a
    Geman-McClure weight whose scale is the reach.
    """
    near = field.near_xy.reshape(-1, 2)
    near_normal = field.near_normal.reshape(-1, 2)
    rotation, shift, focal = poses.rotation, poses.shift_mm, poses.focal_px
    jacobian = np.empty((len(poses), len(edges.part), 7))
    for reach in reach_px:
        now = Poses(rotation=rotation, shift_mm=shift, focal_px=focal, centre_xy=poses.centre_xy)
        flat, inside, px, _ = _look_up(now, edges, field)
        gap_x, gap_y = (there - here for there, here in zip(np.moveaxis(np.take(near, flat, 0), -1, 0), px))
        along_x, along_y = np.moveaxis(np.take(near_normal, flat, 0), -1, 0)
        residual = gap_x * along_x + gap_y * along_y
        far2 = gap_x**2 + gap_y**2
        weight = edges.length_mm * inside * (far2 < 9 * reach**2) / (1 + far2 / reach**2) ** 2
        x, y, z = np.moveaxis(rotation[:, :, :2] @ edges.points_mm.T + shift[:, :, None], 1, 0)
        u, v, depth = (c - shift[:, k, None] for k, c in enumerate((x, y, z)))
        f, z = focal[:, None], np.maximum(z, 1.0)
        # d(pixel . along) / d(camera point)
        ax, ay = along_x * f / z, along_y * f / z
        az = -(ax * x + ay * y) / z
        for k, column in enumerate((
            v * az - depth * ay,
            depth * ax - u * az,
            u * ay - v * ax,
            ax,
            ay,
            az,
            ax * x + ay * y,
        )):  # fmt: skip
            jacobian[..., k] = column
        weighted = (jacobian * weight[..., None]).transpose(0, 2, 1)
        normal_matrix = weighted @ jacobian
        right = (weighted @ residual[..., None])[..., 0]
        # the prior on the focal length is worth `sigma` pixels of edge noise over all the samples
        prior = edges.length_mm.mean() * reach**2 / log_focal_sd**2
        normal_matrix[:, 6, 6] += prior
        right[:, 6] += prior * (log_focal - np.log(focal))
        diagonal = np.einsum("kii->ki", normal_matrix)
        diagonal += 1e-3 * diagonal + 1e-9
        step = np.linalg.solve(normal_matrix, right[..., None])[..., 0]
        step[:, :3] = np.clip(step[:, :3], -0.15, 0.15)
        step[:, 6] = np.clip(step[:, 6], -0.2, 0.2)
        limit = 0.2 * shift[:, 2:3]
        step[:, 3:6] = np.clip(step[:, 3:6], -limit, limit)
        rotation = exp_rotation(step[:, :3]) @ rotation
        # distance by its logarithm, as the focal length: a far step along both keeps the size of the plate
        longer = step[:, 5:6] / shift[:, 2:3]
        sideways = step[:, 3:5] - shift[:, :2] * longer
        shift = (shift + np.concatenate([sideways, np.zeros_like(longer)], 1)) * np.exp(longer)
        shift[:, 2] = np.maximum(shift[:, 2], 20.0)
        focal = focal * np.exp(step[:, 6])
    return Poses(rotation=rotation, shift_mm=shift, focal_px=focal, centre_xy=poses.centre_xy)
