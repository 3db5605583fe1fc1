"""What the networks read of a face: its picture, balanced, its drawing, and what is known of the whole."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import Stage
from .illumination import metal_reference

__all__ = ["EDGE_FULL_MM", "GAIN_MOST", "LEAST_TONE", "model_inputs", "network_knows"]

EDGE_FULL_MM = 4.0
"""Beyond this distance a drawn edge no longer matters to the network."""
GAIN_MOST = 3.0
"""Brightest tone that is told apart, in times of the metal's middle one."""
LEAST_TONE = 0.05
"""The metal's middle tone is taken for no darker than this."""


def model_inputs(
    rgb: NDArray[np.uint8],
    metal: NDArray[np.bool_],
    edge_mm: NDArray[np.float32],
    reference: NDArray[np.float32],
) -> NDArray[np.float32]:
    """What the network reads, (5, rows, columns): balanced red, green, blue; metal; nearness of a drawn edge.

    Balanced means divided by the metal's middle tone, less 1, at most 2: neither exposure nor the colour of
    the light is left in it. Off the metal the picture is kept: what goes on beyond an edge tells a shadow.
    """
    out = np.empty((5, *metal.shape), np.float32)
    levels = np.arange(256, dtype=np.float32) / 255
    for k, channel in enumerate(cv2.split(rgb)):
        lut = np.minimum(levels / max(float(reference[k]), LEAST_TONE), GAIN_MOST) - 1
        cv2.LUT(channel, lut.astype(np.float32), dst=out[k])
    out[3] = metal
    np.divide(edge_mm, EDGE_FULL_MM, out=out[4])
    np.subtract(1, out[4], out=out[4])
    np.clip(out[4], 0, 1, out=out[4])
    out[4] *= out[3]
    return out


def network_knows(
    rgb: NDArray[np.uint8], metal: NDArray[np.bool_], stage: Stage, photo_px_per_mm: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The metal's middle tone (3,), and all that the network is told beside the picture (5,)."""
    reference = metal_reference(rgb, metal)
    detail = np.log2(np.clip(photo_px_per_mm, 1.0, 12.0) / 4.0)
    return reference, np.array([*reference, float(stage.is_lapped), detail], np.float32)
