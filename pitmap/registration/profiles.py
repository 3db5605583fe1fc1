"""Where exactly a drawn edge crosses the photo: three levels (metal, broken edge, beyond) fitted to brightness profiles.

Every machined edge is broken (chamfered or rounded), and under one lamp the broken edge shines on one side of
the plate and is dark on the other. A plain step would follow that light; three levels do not: the metal ends
``edge_break_mm`` inside the drawn line, the broken edge ends on the drawn line, a little below the face.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .edges import DrawnEdges
from .view import View

__all__ = ["ProfileFit", "fit_profiles"]

_HALF_STEPS = 10
_HELD = 1e-5
"""On every level: where the profile lies on one side of a step, that step and the tone say the same. Under any measurable
change of a level, and over the rounding of 32 bits."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfileFit:
    """What each drawn sample says about the camera.

    Parameters
    ----------
    inside : (N,) bool array
        The profile lies in the frame.
    offset_px : (N,) array
        The edge lies this far beyond its predicted place, along the normal into the void, px.
    variance_px2 : (N,) array
        From the noise of the profile.
    condition : (N,) array
        How much a wrong model is magnified into the offset, at least 1: large where broken edge, wall and blur
        can imitate a shift.
    px_per_mm : (N,) array
        Across the edge.
    rows : (N, 11) array
        Derivative of the predicted place along the normal by the view's parameters.
    step : (N, C) array
        From metal to beyond, in grey levels, by channel.
    misfit : (N,) array
        Root mean square of what the three levels leave unexplained, grey levels.
    explained : (N,) array
        Share of the profile's variance that the three levels explain, 0..1.
    """

    inside: NDArray[np.bool_]
    offset_px: NDArray[np.float64]
    variance_px2: NDArray[np.float64]
    condition: NDArray[np.float64]
    px_per_mm: NDArray[np.float64]
    rows: NDArray[np.float64]
    step: NDArray[np.float64]
    misfit: NDArray[np.float64]
    explained: NDArray[np.float64]

    @property
    def contrast(self) -> NDArray[np.float64]:
        """Root mean square of the step over the channels, (N,)."""
        return np.sqrt((self.step**2).mean(1))


def fit_profiles(
    rgb: NDArray,
    view: View,
    edges: DrawnEdges,
    *,
    thickness_mm: float,
    edge_break_mm: float,
    blur_px: float,
    ridge: float = 0.1,
) -> ProfileFit:
    """Fit the three levels at the predicted place of every sample, with a first-order shift.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    view : View
    edges : DrawnEdges
    thickness_mm : float
        Of the plate: where its wall is in sight, the wall's foot is one more step.
    edge_break_mm : float
        Width of the broken edge, at 45 deg (common practice).
    blur_px : float
        Standard deviation of the blur of an edge.
    ridge : float
        Pulls the two steps to zero where the profile cannot tell them apart.

    Notes
    -----
    Shift and levels are solved together: the derivative of the model by the shift, made orthogonal to the
    levels, is compared with the residual (variable projection, one Gauss-Newton step). It is right to first
    order, so the caller repeats it from the corrected place.
    """
    h, w = rgb.shape[:2]
    px, jacobian = view.jacobian(edges.points_mm)
    step = 0.05
    to_side, to_void = step * np.stack([-edges.normals[:, 1], edges.normals[:, 0]], -1), step * edges.normals
    around = np.concatenate([edges.points_mm + d for d in (to_side, -to_side, to_void, -to_void)])
    left, right, beyond, before = view.project(around).reshape(4, -1, 2)
    tangent, across = left - right, beyond - before
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], -1)
    normal /= np.maximum(np.hypot(*normal.T), 1e-12)[:, None]
    scale = (across[:, 0] * normal[:, 0] + across[:, 1] * normal[:, 1]) / (2 * step)
    normal *= np.sign(scale)[:, None]
    scale = np.maximum(np.abs(scale), 1e-6)
    eye = view.eye_mm()
    # a point below the face shows where its line of sight meets the face: nearer to the eye's foot
    parallax = ((eye[:2] - edges.points_mm) * edges.normals).sum(1) / max(eye[2], 1.0)
    first = -edge_break_mm * scale
    second = np.maximum(edge_break_mm * parallax * scale, first + 0.05)
    foot = thickness_mm * parallax * scale
    reach = 3.6 * max(blur_px, 0.8)
    t = np.linspace(-reach, reach, 2 * _HALF_STEPS + 1)
    x = (t[None] + 0.5 * (first + second)[:, None]).astype(np.float32)
    inside = (px > reach + 2).all(1) & (px < np.array([w, h]) - reach - 3).all(1)
    at_x, at_y = ((px[:, k, None] + x * normal[:, k, None]).astype(np.float32) for k in range(2))
    at_x[~inside], at_y[~inside] = -1, -1
    value = cv2.remap(rgb, at_x, at_y, cv2.INTER_LINEAR).astype(np.float32)

    def edge(at: NDArray, rows: NDArray | slice = np.s_[:]) -> tuple[NDArray, NDArray]:
        """Blurred step at `at` (N,), and its slope, (N, P) each, for some of the samples."""
        u = (x[rows] - at[rows, None].astype(np.float32)) / np.float32(blur_px)
        return ndtr(u), np.float32(1 / (blur_px * np.sqrt(2 * np.pi))) * np.exp(-0.5 * u * u)

    (s1, d1), (s2, d2) = edge(first), edge(second)
    # step from metal to beyond; the broken edge off the middle of the two; what follows the wall's foot
    basis, slope = np.zeros((2, *x.shape, 4), np.float32)
    basis[..., 0] = 1
    basis[..., 1], basis[..., 2] = (s1 + s2) / 2, s1 - s2
    slope[..., 1], slope[..., 2] = (d1 + d2) / -2, d2 - d1
    wall = np.nonzero(foot > second + 0.05)[0]
    basis[wall, :, 3], d3 = edge(foot, wall)
    slope[wall, :, 3] = -d3
    across_basis = basis.transpose(0, 2, 1)
    gram = (across_basis @ basis).astype(float) + _HELD * np.eye(4)
    gram[:, 2, 2] += ridge
    gram[:, 3, 3] += ridge
    # one inverse serves both right sides; the systems are small and held off singular by the ridge
    inverse = np.linalg.inv(gram)
    levels = (inverse @ (across_basis @ value)).astype(np.float32)
    residual = value - basis @ levels
    shift = slope @ levels
    free = shift - basis @ (inverse @ (across_basis @ shift)).astype(np.float32)
    information = (free * shift).sum((1, 2))
    n_channels = value.shape[2]
    left = (residual**2).sum((1, 2))
    # whole rows, one place of the profile after the other
    mean = np.ascontiguousarray(value.transpose(1, 0, 2)).mean(0)
    spread = ((value - mean[:, None]) ** 2).sum((1, 2))
    # linear interpolation makes neighbours alike: count samples one pixel apart
    n_free = max(2 * reach * n_channels - 4 * n_channels - 1, 2.0)
    noise2 = left / (2 * _HALF_STEPS + 1) * (2 * reach) / n_free + 1.0
    return ProfileFit(
        inside=inside,  # type: ignore[arg-type]
        offset_px=(free * residual).sum((1, 2)) / np.maximum(information, 1e-6),
        variance_px2=noise2 / np.maximum(information * (2 * reach) / (2 * _HALF_STEPS + 1), 1e-6),
        condition=np.maximum((shift**2).sum((1, 2)) / np.maximum(information, 1e-6), 1.0),
        px_per_mm=scale,
        rows=np.einsum("nip,ni->np", jacobian, normal),
        step=levels[:, 1],
        misfit=np.sqrt(left / (2 * _HALF_STEPS + 1) / n_channels),
        explained=1 - left / np.maximum(spread, 1e-6),
    )
