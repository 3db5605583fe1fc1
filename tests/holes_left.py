"""What the truth still holds where a comparison says that a pit is gone."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitmap.classes import SurfaceClass
from pitmap.grid import Grid

__all__ = ["holes_where_gone", "pit_fates", "shown_mm"]


def pit_fates(fates: pd.DataFrame) -> pd.DataFrame:
    """The rows of pits."""
    return fates[fates["class_code"] == SurfaceClass.PIT]


def shown_mm(photo_px_per_mm: float) -> float:
    """The narrowest hole that a photo shows: three of its pixels, by the gate's rule, and never under 0.3 mm."""
    return max(0.3, math.ceil(30 / photo_px_per_mm) / 10)


def holes_where_gone(fates: pd.DataFrame, labels: NDArray[np.uint8], grid: Grid) -> NDArray[np.float64]:
    """Equivalent diameter, mm, of the widest hole left at each pit called gone; 0 where the truth holds none."""
    is_pit = (labels == SurfaceClass.PIT).astype(np.uint8)
    _, blobs, stats, _ = cv2.connectedComponentsWithStats(is_pit, connectivity=8)
    diam_mm = np.sqrt(4 * stats[:, cv2.CC_STAT_AREA] / np.pi) * grid.mm_per_px
    diam_mm[0] = 0
    pits, out = pit_fates(fates), []
    for row in pits[pits["fate"] == "gone"].itertuples():
        x, y = np.round(grid.mm_to_px(np.array([row.x_mm, row.y_mm]))).astype(int)
        r = max(3, round(row.eq_diam_mm / 2 * grid.px_per_mm))
        there = blobs[max(0, y - r) : y + r + 1, max(0, x - r) : x + r + 1]
        out.append(float(diam_mm[np.unique(there)].max(initial=0.0)))
    return np.array(out)
