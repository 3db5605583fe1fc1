"""The printed target in a rendered photo, on the bench or on the face."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from ..registration.target_sheet import SQUARE_MM, target_sheet

__all__ = ["SheetPlace", "sheet_page"]

_PX_PER_MM = 14
_WHITE, _BLACK = 0.82, 0.05
_TOP_MM = 12.0
"""White above the board, as :func:`pitmap.registration.target_sheet.target_sheet_pdf` prints it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPlace:
    """Where a printed target lies.

    Parameters
    ----------
    middle_mm : (float, float)
        Middle of its board, in the plate's frame.
    turn_deg : float
        Anticlockwise.
    on_face : bool
        On the plate, else on the bench.
    squares : (int, int), optional
        Only a piece of so many squares, cut out round the middle; else the whole page.
    paper : str
    """

    middle_mm: tuple[float, float]
    turn_deg: float = 0.0
    on_face: bool = False
    squares: tuple[int, int] | None = None
    paper: str = "A4"

    def paint(
        self, at_mm: NDArray[np.float32], px_per_mm: float
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Reflectance and cover, 0 to 1, at places (..., 2) of the plate's frame."""
        sheet = target_sheet(self.paper)
        page, box = sheet_page(self.paper), np.array([sheet.n_x, sheet.n_y]) * SQUARE_MM / 2
        soft = cv2.GaussianBlur(page, (0, 0), 0.45 * _PX_PER_MM / px_per_mm)
        t = np.radians(self.turn_deg)
        d = at_mm - np.asarray(self.middle_mm, np.float32)
        x = np.float32(np.cos(t)) * d[..., 0] + np.float32(np.sin(t)) * d[..., 1]
        y = np.float32(np.cos(t)) * d[..., 1] - np.float32(np.sin(t)) * d[..., 0]
        left = sheet.width_mm / 2
        value = cv2.remap(
            soft,
            ((x + left) * _PX_PER_MM - 0.5).astype(np.float32),
            ((box[1] + _TOP_MM - y) * _PX_PER_MM - 0.5).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        if self.squares is None:
            low, high = (-left, box[1] + _TOP_MM - sheet.height_mm), (left, box[1] + _TOP_MM)
        else:
            # The piece starts at the bottom left of the middle square row and column, on the lines of the board.
            n = np.array(self.squares)
            first = np.floor((np.array([sheet.n_x, sheet.n_y]) - n) / 2)
            low = tuple(first * SQUARE_MM - box)
            high = tuple((first + n) * SQUARE_MM - box)
        inside = np.minimum.reduce([x - low[0], high[0] - x, y - low[1], high[1] - y])
        return value, np.clip(inside * px_per_mm + 0.5, 0, 1).astype(np.float32)


@lru_cache(maxsize=2)
def sheet_page(paper: str) -> NDArray[np.float32]:
    """The page as printed, reflectance 0 to 1, 14 px per mm, row 0 at the top."""
    sheet = target_sheet(paper)
    page = np.full(
        (round(sheet.height_mm * _PX_PER_MM), round(sheet.width_mm * _PX_PER_MM)), _WHITE, np.float32
    )
    left = (sheet.width_mm - sheet.n_x * SQUARE_MM) / 2
    for x, y, w, h in sheet.black_rectangles():
        c0, r0, c1, r1 = (
            round(v * _PX_PER_MM) for v in (left + x, _TOP_MM + y, left + x + w, _TOP_MM + y + h)
        )
        page[r0:r1, c0:c1] = _BLACK
    return page
