"""The raster laid over the plate frame, and the way between its pixels and millimetres."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import InputError

__all__ = ["Grid"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A raster in the plate frame (x right, y up); row 0 is at the top, the largest y.

    The centre of the pixel (row i, column j) is at ``x = x0_mm + (j + 0.5) / px_per_mm``,
    ``y = y1_mm - (i + 0.5) / px_per_mm``.

    Parameters
    ----------
    x0_mm, y1_mm : float
        Left and top edge of the raster, mm.
    px_per_mm : float
        Pixels per millimetre, above 0.
    n_rows, n_cols : int
        Size.

    Raises
    ------
    InputError
        A scale or size that is not positive, or a corner that is not finite.
    """

    x0_mm: float
    y1_mm: float
    px_per_mm: float
    n_rows: int
    n_cols: int

    def __post_init__(self) -> None:
        if not (self.px_per_mm > 0 and self.n_rows > 0 and self.n_cols > 0):
            raise InputError(
                f"Grid: expected a positive scale and size, got {self.px_per_mm} px/mm, {self.n_rows} x {self.n_cols}"
            )
        if not all(map(math.isfinite, (self.x0_mm, self.y1_mm, self.px_per_mm))):
            raise InputError("Grid: corner and scale must be finite")

    @classmethod
    def over_bounds(
        cls, bounds: tuple[float, float, float, float], px_per_mm: float, margin_mm: float = 0.0
    ) -> Grid:
        """Grid over ``(x_min, y_min, x_max, y_max)`` in mm plus a margin, corners on whole millimetres."""
        x_min, y_min, x_max, y_max = bounds
        x0, y1 = math.floor(x_min - margin_mm), math.ceil(y_max + margin_mm)
        x1, y0 = math.ceil(x_max + margin_mm), math.floor(y_min - margin_mm)
        return cls(
            x0_mm=float(x0),
            y1_mm=float(y1),
            px_per_mm=float(px_per_mm),
            n_rows=max(1, round((y1 - y0) * px_per_mm)),
            n_cols=max(1, round((x1 - x0) * px_per_mm)),
        )

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.n_rows, self.n_cols

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """(x_min, y_min, x_max, y_max), mm."""
        width, height = self.n_cols * self.mm_per_px, self.n_rows * self.mm_per_px
        return self.x0_mm, self.y1_mm - height, self.x0_mm + width, self.y1_mm

    @property
    def mm_per_px(self) -> float:
        """Millimetres per pixel."""
        return 1.0 / self.px_per_mm

    @property
    def pixel_area_mm2(self) -> float:
        """Area of one pixel, mm2."""
        return self.mm_per_px**2

    def mm_to_px(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Points (..., 2) in mm to (column, row), whole numbers at pixel centres (OpenCV's order)."""
        p = np.asarray(points_xy, float)
        return np.stack(
            [
                (p[..., 0] - self.x0_mm) * self.px_per_mm - 0.5,
                (self.y1_mm - p[..., 1]) * self.px_per_mm - 0.5,
            ],
            -1,
        )

    def px_to_mm(self, points_cr: ArrayLike) -> NDArray[np.float64]:
        """Points (..., 2) as (column, row) to mm."""
        p = np.asarray(points_cr, float)
        return np.stack(
            [
                self.x0_mm + (p[..., 0] + 0.5) / self.px_per_mm,
                self.y1_mm - (p[..., 1] + 0.5) / self.px_per_mm,
            ],
            -1,
        )

    @property
    def px_to_mm_matrix(self) -> NDArray[np.float64]:
        """3x3 matrix from (column, row, 1) to (x, y, 1) mm."""
        s = self.mm_per_px
        return np.array([[s, 0, self.x0_mm + s / 2], [0, -s, self.y1_mm - s / 2], [0, 0, 1.0]])

    def at_scale(self, px_per_mm: float) -> Grid:
        """The same rectangle at another scale."""
        k = px_per_mm / self.px_per_mm
        return Grid(
            x0_mm=self.x0_mm,
            y1_mm=self.y1_mm,
            px_per_mm=float(px_per_mm),
            n_rows=max(1, round(self.n_rows * k)),
            n_cols=max(1, round(self.n_cols * k)),
        )

    def centres_mm(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """x of every column (n_cols,) and y of every row (n_rows,), mm."""
        s = self.mm_per_px
        x = self.x0_mm + (np.arange(self.n_cols, dtype=np.float64) + 0.5) * s
        return x, self.y1_mm - (np.arange(self.n_rows, dtype=np.float64) + 0.5) * s
