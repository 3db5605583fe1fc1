"""Where exactly a drawn edge crosses the photo: three levels (metal, broken edge, beyond) fitted to brightness profiles.

Every machined edge is broken (chamfered or rounded), and under one lamp the broken edge shines on one side of
the plate and is dark on the other. A plain step would follow that light; three levels do not: the metal ends
``edge_break_mm`` inside the drawn line, the broken edge ends on the drawn line, a little below the face.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

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
    normal : (N, 2) array
        Into the void, in the photo.
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
    normal: NDArray[np.float64]
    step: NDArray[np.float32]
    misfit: NDArray[np.float64]
    explained: NDArray[np.float64]

    @property
    def contrast(self) -> NDArray[np.float64]:
        """Root mean square of the step over the channels, (N,)."""
        return np.sqrt((self.step**2).mean(1))


class _Predicted(NamedTuple):
    """Where a view puts every drawn sample, and the steps of brightness at it.

    `px`, `normal` (N, 2) into the void, `px_per_mm` (N,) along the normal; and in px along it (N,) where the metal ends
    (`first`), where the broken edge does (`second`) and where the foot of the wall shows.
    """

    px: NDArray[np.float64]
    normal: NDArray[np.float64]
    px_per_mm: NDArray[np.float64]
    first: NDArray[np.float64]
    second: NDArray[np.float64]
    foot: NDArray[np.float64]


def _predicted(view: View, edges: DrawnEdges, thickness_mm: float, edge_break_mm: float) -> _Predicted:
    step, here = 0.05, edges.points_mm
    to_side, to_void = step * np.stack([-edges.normals[:, 1], edges.normals[:, 0]], -1), step * edges.normals
    around = np.concatenate([here, here + to_side, here - to_side, here + to_void, here - to_void])
    px, left, right, beyond, before = view.project(around).reshape(5, -1, 2)
    tangent, across = left - right, beyond - before
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], -1)
    normal /= np.maximum(np.hypot(*normal.T), 1e-12)[:, None]
    scale = (across[:, 0] * normal[:, 0] + across[:, 1] * normal[:, 1]) / (2 * step)
    normal *= np.sign(scale)[:, None]
    scale = np.maximum(np.abs(scale), 1e-6)
    eye = view.eye_mm()
    # a point below the face shows where its line of sight meets the face: nearer to the eye's foot
    parallax = ((eye[:2] - here) * edges.normals).sum(1) / max(eye[2], 1.0)
    first = -edge_break_mm * scale
    return _Predicted(
        px=px,
        normal=normal,
        px_per_mm=scale,
        first=first,
        second=np.maximum(edge_break_mm * parallax * scale, first + 0.05),
        foot=thickness_mm * parallax * scale,
    )


def _brightness(
    rgb: NDArray, at: _Predicted, x: NDArray[np.float32], reach_px: float
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Which profiles lie in the frame (N,), and the picture along them (C, P, N), at `x` (P, N) px from their samples."""
    h, w = rgb.shape[:2]
    inside: NDArray[np.bool_] = (at.px > reach_px + 2).all(1) & (at.px < np.array([w, h]) - reach_px - 3).all(
        1
    )  # type: ignore[assignment]
    at_x, at_y = ((at.px[:, k] + x * at.normal[:, k]).astype(np.float32) for k in range(2))
    at_x[:, ~inside], at_y[:, ~inside] = -1, -1
    return inside, np.stack(cv2.split(cv2.remap(rgb, at_x, at_y, cv2.INTER_LINEAR))).astype(np.float32)


def _three_levels(
    at: _Predicted, t: NDArray, blur_px: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What the profiles are made of, (4, P, N), and the derivative of all but the first by a shift to the void, (3, P, N).

    A tone; a step from metal to beyond; the broken edge off the middle of the two; what follows the wall's foot. Places `t`
    (P,) lie about the middle of the broken edge, as many on either side.
    """

    def edge(beyond: NDArray) -> tuple[NDArray, NDArray]:
        """Blurred step so far beyond its middle, px, and its slope."""
        u = beyond.astype(np.float32) / np.float32(blur_px)
        return ndtr(u), np.float32(1 / (blur_px * np.sqrt(2 * np.pi))) * np.exp(-0.5 * u * u)

    basis, slope = (np.zeros((k, len(t), len(at.px)), np.float32) for k in (4, 3))
    s1, d1 = edge(t[:, None] + 0.5 * (at.second - at.first))
    # the second step is the mirror image of the first
    s2, d2 = 1 - s1[::-1], d1[::-1]
    basis[0], basis[1], basis[2] = 1, (s1 + s2) / 2, s1 - s2
    slope[0], slope[1] = (d1 + d2) / -2, d2 - d1
    wall = np.nonzero(at.foot > at.second + 0.05)[0]
    basis[3][:, wall], d3 = edge(t[:, None] + (0.5 * (at.first + at.second) - at.foot)[wall])
    slope[2][:, wall] = -d3
    return basis, slope


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
    at = _predicted(view, edges, thickness_mm, edge_break_mm)
    reach = 3.6 * max(blur_px, 0.8)
    n_places = 2 * _HALF_STEPS + 1
    t = np.linspace(-reach, reach, n_places)
    # place along the profile by sample: whole rows of samples are worked at a time
    x = (t[:, None] + 0.5 * (at.first + at.second)).astype(np.float32)
    inside, value = _brightness(rgb, at, x, reach)
    basis, slope = _three_levels(at, t, blur_px)
    gram = np.stack([np.einsum("pn,ipn->in", one, basis) for one in basis]).astype(float)
    for k, held in enumerate((0.0, 0.0, ridge, ridge)):
        gram[k, k] += held + _HELD
    factor = _factored(gram)
    levels = _solved(factor, np.einsum("ipn,cpn->icn", basis, value)).astype(np.float32)
    residual = value - np.einsum("ipn,icn->cpn", basis, levels)
    shift = np.einsum("ipn,icn->cpn", slope, levels[1:])
    alike = _solved(factor, np.einsum("ipn,cpn->icn", basis, shift)).astype(np.float32)
    free = shift - np.einsum("ipn,icn->cpn", basis, alike)
    information = _summed(free, shift)
    left = _summed(residual, residual)
    value -= value.mean(1, keepdims=True)
    # linear interpolation makes neighbours alike: count samples one pixel apart
    n_channels = len(value)
    n_free = max(2 * reach * n_channels - 4 * n_channels - 1, 2.0)
    noise2 = left / n_places * (2 * reach) / n_free + 1.0
    return ProfileFit(
        inside=inside,
        offset_px=_summed(free, residual) / np.maximum(information, 1e-6),
        variance_px2=noise2 / np.maximum(information * (2 * reach) / n_places, 1e-6),
        condition=np.maximum(_summed(shift, shift) / np.maximum(information, 1e-6), 1.0),
        px_per_mm=at.px_per_mm,
        normal=at.normal,
        step=levels[1].T,
        misfit=np.sqrt(left / n_places / n_channels),
        explained=1 - left / np.maximum(_summed(value, value), 1e-6),
    )


def _summed(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sum (N,) of the product over channels and places."""
    return np.einsum("cpn,cpn->n", a, b)


def _factored(gram: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cholesky factors (k, k, N) of symmetric systems (k, k, N), an entry of all of them at a time.

    LAPACK, which takes one system after the other, is longer in being called than in solving one of four unknowns.
    """
    low = np.zeros_like(gram)
    for i in range(len(gram)):
        for j in range(i + 1):
            rest = gram[i, j] - (low[i, :j] * low[j, :j]).sum(0)
            low[i, j] = np.sqrt(np.maximum(rest, _HELD / 10)) if i == j else rest / low[j, j]
    return low


def _solved(low: NDArray[np.float64], right: NDArray) -> NDArray[np.float64]:
    """Solutions (k, C, N) for right sides (k, C, N) of the systems with these factors."""
    out = right.astype(float)
    for i in range(len(low)):
        out[i] = (out[i] - (low[i, :i, None] * out[:i]).sum(0)) / low[i, i]
    for i in reversed(range(len(low))):
        out[i] = (out[i] - (low[i + 1 :, i, None] * out[i + 1 :]).sum(0)) / low[i, i]
    return out
