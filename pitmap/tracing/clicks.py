"""The CSV of places clicked in several photos of one plate."""

from __future__ import annotations

from pathlib import Path

from ..csv_rows import read_rows, row_number
from ..photo import read_photo
from .photos import PhotoClicks

__all__ = ["read_clicks"]

_COLUMNS = ("photo", "hole", "x_px", "y_px")


def read_clicks(path: str | Path) -> list[PhotoClicks]:
    """Photos with their clicks from a CSV with the columns photo, hole, x_px, y_px.

    Photo names are taken beside the CSV.

    Raises
    ------
    InputError
        No such file, a missing column, a cell that is not a number (line and column named), a photo that cannot
        be read.
    """
    path = Path(path)
    clicks: dict[str, dict[str, tuple[float, float]]] = {}
    for where, row in read_rows(path, _COLUMNS):
        at = (row_number(row, "x_px", where), row_number(row, "y_px", where))
        clicks.setdefault(row["photo"], {})[row["hole"]] = at
    return [PhotoClicks(rgb=read_photo(path.parent / name).rgb, clicks_px=at) for name, at in clicks.items()]
