"""Light on the face and the bench: irradiance, half-vectors, cast shadows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import Scene
from .shape import PlateShape

__all__ = ["Highlight", "LightField", "bench_shade", "light_field"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Highlight:
    """One lamp point over the nodes: half-vector, strength, colour, and its spread."""

    half: NDArray[np.float32]
    strength: NDArray[np.float32]
    rgb: NDArray[np.float32]
    radius: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LightField:
    """Light that falls on points of a plane.

    Attributes
    ----------
    flow : (rows, cols, 3) float32
        Vector irradiance: its product with the normal is the light received, 1 in all at the plate's middle.
    rgb : (rows, cols, 3) float32
        Colour of that light.
    highlights : tuple of Highlight
    """

    flow: NDArray[np.float32]
    rgb: NDArray[np.float32]
    highlights: tuple[Highlight, ...]


def light_field(scene: Scene, points_mm: NDArray, aim_mm: NDArray) -> LightField:
    """Light at `points_mm` (rows, cols, 3), scaled to 1 less the ambient share at `aim_mm` (3,)."""
    total = sum(lamp.power for lamp in scene.lamps)
    flow = np.zeros(points_mm.shape)
    rgb = np.zeros(points_mm.shape)
    weight = np.zeros(points_mm.shape[:2])
    view = scene.pose.position_mm - points_mm
    view /= np.linalg.norm(view, axis=-1, keepdims=True)
    highlights = []
    for lamp in scene.lamps:
        share = (1 - scene.ambient) * lamp.power / total
        to_aim = lamp.points_mm - aim_mm
        d_aim = np.linalg.norm(to_aim, axis=-1)
        rgb_lamp = lamp.rgb.astype(np.float32)
        at_aim = float((np.clip(to_aim[:, 2], 30, None) / d_aim**3).mean())
        for point in lamp.points_mm:
            to_lamp = point - points_mm
            d = np.linalg.norm(to_lamp, axis=-1)
            toward = to_lamp / d[..., None]
            received = share / len(lamp.points_mm) / at_aim / d**2
            flow += toward * received[..., None]
            rgb += lamp.rgb * received[..., None]
            weight += received
            half = toward + view
            half /= np.linalg.norm(half, axis=-1, keepdims=True)
            strength = received * np.clip(toward[..., 2], 0, None)
            highlights.append(
                Highlight(
                    half=half.astype(np.float32),
                    strength=strength.astype(np.float32),
                    rgb=rgb_lamp,
                    radius=lamp.radius,
                )
            )
    return LightField(
        flow=flow.astype(np.float32),
        rgb=(rgb / weight[..., None]).astype(np.float32),
        highlights=tuple(highlights),
    )


def bench_shade(
    scene: Scene, shape: PlateShape, thickness_mm: float, aim_mm: NDArray, margin_mm: int = 60
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Lamp light left on the bench around and under the plate, and daylight left there.

    Returns
    -------
    (rows, cols, 2) float32
        Factors 0..1 for lamp light (cast shadow) and ambient light (contact shadow), at 2 px per mm.
    (2, 3) float
        Matrix from (x, y, 1) mm to its (column, row).
    """
    grid = shape.coarse
    pad = margin_mm * 2
    metal = cv2.resize(shape.metal.astype(np.uint8) * 255, grid.shape[::-1], interpolation=cv2.INTER_AREA)
    metal = cv2.copyMakeBorder(metal, pad, pad, pad, pad, cv2.BORDER_CONSTANT)
    size = metal.shape[::-1]
    dark = np.zeros(metal.shape, np.float32)
    total = sum(lamp.power for lamp in scene.lamps)
    for lamp in scene.lamps:
        for point in lamp.points_mm:
            to_lamp = point - aim_mm
            step = to_lamp[:2] / max(to_lamp[2], 80.0) * thickness_mm * 2
            union = np.zeros_like(metal)
            n = max(2, int(np.hypot(*step) / 4) + 1)
            for s in np.linspace(0, 1, n):
                # A bench point is dark when the way to the lamp, s of the thickness up, is in metal.
                shift = np.array([[1, 0, -s * step[0]], [0, 1, s * step[1]]])
                np.maximum(union, cv2.warpAffine(metal, shift, size), out=union)
            soft = 0.6 + 1.5 * thickness_mm * lamp.radius
            dark += cv2.GaussianBlur(union, (0, 0), soft).astype(np.float32) * (
                lamp.power / total / len(lamp.points_mm) / 255
            )
    near = cv2.GaussianBlur(metal, (0, 0), 14).astype(np.float32) / 255
    close = cv2.GaussianBlur(metal, (0, 0), 2.5).astype(np.float32) / 255
    shade = np.dstack([1 - 0.96 * dark, (1 - 0.62 * near) * (1 - 0.45 * close)]).astype(np.float32)
    matrix = np.array([[2.0, 0, -grid.x0_mm * 2 - 0.5 + pad], [0, -2.0, grid.y1_mm * 2 - 0.5 + pad]])
    return shade, matrix
