"""Places picked by hand on a photo, and the CSV they come in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..csv_rows import read_rows, row_number
from ..errors import InputError

__all__ = ["Landmarks", "read_landmarks"]

_COLUMNS = ("x_mm", "y_mm", "x_px", "y_px")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landmarks:
    """Four or more places: (N, 2) mm on the drawing and (N, 2) px on the photo."""

    points_mm: NDArray[np.float64]
    points_px: NDArray[np.float64]


def read_landmarks(path: str | Path) -> Landmarks:
    """Landmarks from a CSV with the columns x_mm, y_mm, x_px, y_px.

    Raises
    ------
    InputError
        No such file, a missing column, a cell that is not a number (line and column named), under four rows.
    """
    path = Path(path)
    rows = [
        [row_number(row, name, where) for name in _COLUMNS]
        for where, row in read_rows(path, _COLUMNS, _COLUMNS)
    ]
    if len(rows) < 4:
        raise InputError(f"{path}: {len(rows)} landmarks; pick four or more, spread over the plate")
    table = np.array(rows)
    return Landmarks(points_mm=table[:, :2], points_px=table[:, 2:])
