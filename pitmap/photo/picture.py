"""One picture in memory, as the later stages want it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

__all__ = ["Photo"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """A decoded picture, upright and in sRGB.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
        sRGB, read-only, turned the way a viewer shows it.
    name : str
        File name, or what the caller called it.
    sha256 : str
        Of the file as it came, 64 hex digits.
    format : str
        ``JPEG``, ``PNG``, ``TIFF``, ``WEBP`` or ``HEIF``.
    bit_depth : int
        Bits per channel in the file; anything above 8 was reduced to 8.
    exif_orientation : int
        EXIF orientation 1 to 8 that the file carried; already applied.
    taken_at : datetime or None
        When the camera says the picture was taken; None when the file does not say.
    seen : (rows, columns) bool array or None
        False where the file is transparent; None when every pixel is opaque.
    notes : tuple of str
        What was done to the pixels on the way in, in words.
    """

    rgb: NDArray[np.uint8]
    name: str
    sha256: str
    format: str
    bit_depth: int = 8
    exif_orientation: int = 1
    taken_at: datetime | None = None
    seen: NDArray[np.bool_] | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.rgb.ndim != 3 or self.rgb.shape[2] != 3 or self.rgb.dtype != np.uint8 or self.rgb.size == 0:
            raise InputError(
                f"Photo.rgb: expected uint8 of shape (rows, columns, 3), got {self.rgb.dtype} {self.rgb.shape}"
            )
        if self.seen is not None and (self.seen.shape != self.rgb.shape[:2] or self.seen.dtype != np.bool_):
            raise InputError("Photo.seen: expected a bool array of the picture's rows and columns")
        for array in (self.rgb, self.seen):
            if array is not None:
                array.setflags(write=False)

    @property
    def size_wh(self) -> tuple[int, int]:
        """(width, height) in pixels, after turning upright."""
        return self.rgb.shape[1], self.rgb.shape[0]
