"""The CSV of places clicked in several photos of one plate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ..csv_rows import read_rows, row_number
from ..errors import InputError
from ..photo import Photo, read_photo
from .photos import PhotoClicks

__all__ = ["focal_in_px", "read_clicks", "read_trace_sources"]

_FILM_DIAGONAL_MM = 43.2666
"""Of the 36 mm x 24 mm picture that 35 mm equivalents are counted from."""

_COLUMNS = ("photo", "hole", "x_px", "y_px")


def read_clicks(path: str | Path) -> list[PhotoClicks]:
    """Photos with their clicks from a CSV with the columns photo, hole, x_px, y_px.

    Photo names are taken beside the CSV.

    Raises
    ------
    InputError
        No such file, a missing column, a cell that is not a number (line and column named), a hole twice in one photo, a
        photo that cannot be read or is the very picture of another, a click beside its photo, no click at all.
    """
    path = Path(path)
    clicks: dict[str, dict[str, tuple[float, float]]] = {}
    for where, row in read_rows(path, _COLUMNS, ("x_px", "y_px")):
        at = (row_number(row, "x_px", where), row_number(row, "y_px", where))
        of_photo = clicks.setdefault(row["photo"], {})
        if row["hole"] in of_photo:
            raise InputError(
                f"{where}, column hole: {row['hole']!r} is there twice for this photo; take one out"
            )
        of_photo[row["hole"]] = at
    if not clicks:
        raise InputError(f"{path}: lists no click; add a row for each hole of each photo under the header")
    photos = []
    pictures = _read_each([path.parent / name for name in clicks])
    for (name, clicked), picture in zip(clicks.items(), pictures, strict=True):
        try:
            photos.append(PhotoClicks(rgb=picture.rgb, clicks_px=clicked))
        except InputError as error:
            raise InputError(f"{path}: photo {name}: {error}") from error
    return photos


def _read_each(paths: Sequence[Path]) -> list[Photo]:
    """The pictures of several files, every one of them another.

    A picture that is there twice would count as a second sight of every edge: intervals come out narrower than one
    photo can make them, and holes that it does not show pass for agreed on.
    """
    photos: list[Photo] = []
    of_picture: dict[str, Path] = {}
    for path in paths:
        photo = read_photo(path)
        if photo.sha256 in of_picture:
            raise InputError(
                f"{path}: is the very picture of {of_picture[photo.sha256]}, which tells nothing new; leave it out, or take "
                "another photo"
            )
        of_picture[photo.sha256] = path
        photos.append(photo)
    return photos


def focal_in_px(focal_35mm: float, size_wh: tuple[int, int]) -> float:
    """Focal length in pixels from its 35 mm equivalent.

    Raises
    ------
    InputError
        Not a length above 0.

    Notes
    -----
    By the picture's diagonal: f / 43.27 mm times the diagonal in pixels (CIPA DCG-001 defines the equivalent by the angle
    of view along the diagonal, from memory).
    """
    if not (math.isfinite(focal_35mm) and focal_35mm > 0):
        raise InputError(f"focal length: expected the 35 mm equivalent in mm, above 0, got {focal_35mm!r}")
    return focal_35mm / _FILM_DIAGONAL_MM * math.hypot(*size_wh)


def read_trace_sources(paths: Sequence[str | Path], focal_35mm: float | None = None) -> list[PhotoClicks]:
    """Photos to trace from: pictures, or one CSV of clicks (:func:`read_clicks`).

    Parameters
    ----------
    paths : sequence of str or Path
    focal_35mm : float, optional
        Focal length of all photos as 35 mm equivalent, mm.

    Raises
    ------
    InputError
        Nothing given, a CSV beside other files, or a file that cannot be read, or that is the very picture of another.
    """
    files = [Path(p) for p in paths]
    is_csv = [p.suffix.lower() == ".csv" for p in files]
    if any(is_csv) and len(files) > 1:
        raise InputError(f"{files[is_csv.index(True)]}: give one CSV of clicks, or photos, not both")
    if any(is_csv):
        photos = read_clicks(files[0])
    else:
        photos = [PhotoClicks(rgb=p.rgb) for p in _read_each(files)]
    if focal_35mm is None:
        return photos
    return [replace(p, focal_px=focal_in_px(focal_35mm, (p.rgb.shape[1], p.rgb.shape[0]))) for p in photos]
