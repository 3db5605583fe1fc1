"""Smaller copies of a photo, made while other work goes on."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor

import numpy as np
from numpy.typing import NDArray

from .evidence import shrink

__all__ = ["SmallerCopies"]


class SmallerCopies:
    """A photo and copies of it of some sizes; the copies are made by a worker, in the order given.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    long_sides_px : sequence of int
    worker : Executor
    """

    def __init__(self, rgb: NDArray[np.uint8], long_sides_px: Sequence[int], worker: Executor) -> None:
        self.rgb = rgb
        self._made = {side: worker.submit(shrink, rgb, side) for side in long_sides_px}

    def __getitem__(self, long_side_px: int) -> tuple[NDArray[np.uint8], float]:
        """A copy no larger than asked, and its size relative to the photo, as :func:`shrink` gives them."""
        return self._made[long_side_px].result()
