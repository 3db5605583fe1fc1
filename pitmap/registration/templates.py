"""Score one shape at every place of a picture at once, by adding shifted maps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .evidence import N_DIRECTIONS, EdgeField

__all__ = ["MOST_SAMPLES", "ShapeMaps"]

_UNIT = 500
"""A full gain in the 16-bit sums."""
MOST_SAMPLES = np.iinfo(np.int16).max // _UNIT
"""Of a shape: all of them met, more would run over into the worst of all scores."""


class ShapeMaps:
    """Mean gain of a shape's edge samples, centred at every `stride`-th pixel.

    Parameters
    ----------
    field : EdgeField
    reach_px : float
        Farthest sample from the centre of any shape that will be asked for.
    stride : int
    """

    def __init__(self, field: EdgeField, reach_px: float, stride: int = 2) -> None:
        w, h = field.size_wh
        self.stride = stride
        self.pad = (int(np.ceil(reach_px)) // stride + 1) * stride
        self.shape = -(-h // stride), -(-w // stride)
        units = np.rint(field.gain * _UNIT).astype(np.int16)
        # one array for each phase, as one long row: a shifted map is then a single stretch of it, and all rows of all
        # phases must be of one length, whatever the picture's size
        beyond = [(self.pad, self.pad + stride + -side % stride) for side in (h, w)]
        padded = np.pad(units, ((0, 0), *beyond))
        phases = [[padded[:, r::stride, q::stride] for q in range(stride)] for r in range(stride)]
        self.width = phases[0][0].shape[2]
        self.phase = [[phase.reshape(len(units), -1) for phase in row] for row in phases]

    def __call__(self, offsets_px: NDArray, normals: NDArray) -> NDArray[np.int16]:
        """Sum over the samples (N, 2) with normals (N, 2), in units of 1/500 gain, (rows, cols).

        N is at most :data:`MOST_SAMPLES`.
        """
        direction = np.arctan2(normals[:, 1], normals[:, 0]) * (N_DIRECTIONS / np.pi)
        direction = np.rint(direction).astype(int) % N_DIRECTIONS
        place = np.rint(offsets_px).astype(int) + self.pad
        first, phase = np.divmod(place, self.stride)
        h, w = self.shape
        total = np.zeros((h, self.width), np.int16)
        row = total.ravel()[: (h - 1) * self.width + w]
        for (j, i), (q, r), d in zip(first.tolist(), phase.tolist(), direction.tolist()):
            start = i * self.width + j
            row += self.phase[r][q][d, start : start + len(row)]
        return total[:, :w]
