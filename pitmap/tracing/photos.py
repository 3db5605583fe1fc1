"""What a trace starts from: photos with clicks, and where the printed target lay."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, MeasurementError, NotEnoughData
from ..units import in_both
from .same_holes import check_same_holes

__all__ = ["PhotoClicks", "SheetUse", "check_known", "check_sheet", "check_sizes", "told_of"]

_WIDEST_BREAK_MM = 3.0
"""Edges of plates are broken by some tenths of a millimetre; ten times as much is another unit (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoClicks:
    """A photo and where the user clicked on it.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    clicks_px : mapping of str to (x, y)
        Hole centres by a name that is the same in every photo; at least four, well apart. Within about a
        millimetre is enough: the hole is measured, not the click. May be empty with a printed target.
    focal_px : float, optional
        Focal length where known, px to about 2 %: from EXIF (:func:`pitmap.registration.fiducials.find_target` says how).

    Raises
    ------
    InputError
        A click beside the photo.
    """

    rgb: NDArray[np.uint8]
    clicks_px: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    focal_px: float | None = None

    def __post_init__(self) -> None:
        height, width = self.rgb.shape[:2]
        for name, (x, y) in self.clicks_px.items():
            if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
                raise InputError(
                    f"click on {name!r}: x {x:g}, y {y:g} lies outside the photo of {width} x {height} px; "
                    "leave out holes that the photo does not show"
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetUse:
    """Where the printed target lay while the photos were taken.

    Parameters
    ----------
    on : {"face", "bench"}
        On the plate's face, or on the bench beside the plate, a plate's thickness lower.
    print_scale : float
        Length of the printed ruler over 100 mm.

    Raises
    ------
    InputError
        Another place, or a scale that is none.
    """

    on: Literal["face", "bench"]
    print_scale: float = 1.0

    def __post_init__(self) -> None:
        if self.on not in ("face", "bench"):
            raise InputError(f"sheet: expected 'face' or 'bench', got {self.on!r}")
        if not (math.isfinite(self.print_scale) and 0.5 < self.print_scale < 2):
            raise InputError(
                f"sheet: print_scale is the ruler's measured length over 100 mm, got {self.print_scale!r}"
            )


def check_known(photos: Sequence[PhotoClicks], known: tuple[str, str, float] | None) -> list[str]:
    """Names clicked in every photo, enough of them and a usable distance between two."""
    if known is None:
        raise InputError("a trace needs its scale: the distance between two holes, or a printed target sheet")
    if len(photos) < 2:
        raise NotEnoughData(
            "one photo and a distance leave the tilt open; take two or three from different sides, or lay a printed "
            "target sheet beside the plate"
        )
    names = [n for n in photos[0].clicks_px if all(n in p.clicks_px for p in photos)]
    if len(names) < 4:
        raise NotEnoughData(
            f"{len(names)} holes are clicked in every photo; click the same four or more in each"
        )
    a, b, distance = known
    if a not in names or b not in names or a == b:
        raise InputError(f"known distance: {a!r} and {b!r} must be two holes clicked in every photo")
    if not (math.isfinite(distance) and distance > 0):
        raise InputError(f"known distance: expected a length above 0, got {in_both(distance, 'mm')}")
    for k, photo in enumerate(photos, 1):
        if math.dist(photo.clicks_px[a], photo.clicks_px[b]) < 1:
            raise InputError(f"known distance: {a!r} and {b!r} are clicked on one place in photo {k}")
    for k, photo in enumerate(photos[1:], 2):
        with told_of(k, len(photos)):
            check_same_holes(photos[0].clicks_px, photo.clicks_px)
    return names


@contextmanager
def told_of(k: int, n_photos: int) -> Iterator[None]:
    """Say of which of several photos a refusal is, by its number from 1: that one is to be taken again."""
    try:
        yield
    except MeasurementError as error:
        if n_photos == 1:
            raise
        raise type(error)(f"photo {k}: {error}") from error


def check_sheet(photos: Sequence[PhotoClicks], sheet: SheetUse, thickness_mm: float) -> float:
    """Height of the face over the sheet, mm."""
    if not photos:
        raise NotEnoughData("no photo was given; one with the printed target in it is enough")
    if sheet.on == "face":
        return 0.0
    if not (math.isfinite(thickness_mm) and thickness_mm > 0):
        raise InputError(
            f"thickness: with the sheet on the bench the plate's thickness is needed, above 0, got "
            f"{in_both(thickness_mm, 'mm')}"
        )
    return thickness_mm


def check_sizes(thickness_mm: float, edge_break_mm: float) -> None:
    """Refuse a thickness or an edge break that no plate has, before the work.

    Raises
    ------
    InputError
        A thickness that is not above 0 (NaN is none given), an edge break below 0 or wider than a broken edge.
    """
    if not (math.isnan(thickness_mm) or 0 < thickness_mm < math.inf):
        raise InputError(f"thickness: must be above 0, got {in_both(thickness_mm, 'mm')}")
    if not 0 <= edge_break_mm <= _WIDEST_BREAK_MM:
        raise InputError(
            "edge break: is the width of the chamfer on the edges, 0 to "
            f"{in_both(_WIDEST_BREAK_MM, 'mm')}, got {in_both(edge_break_mm, 'mm')}"
        )
