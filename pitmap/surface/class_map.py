"""The result of the surface stage: one class code for every pixel, and how sure each one is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass
from ..errors import InputError
from ..grid import Grid

__all__ = ["PROBABILITY_CLASSES", "ClassMap"]

PROBABILITY_CLASSES = (
    SurfaceClass.SOUND,
    SurfaceClass.PIT,
    SurfaceClass.STAIN,
    SurfaceClass.TINT,
    SurfaceClass.UNCUT,
    SurfaceClass.UNSEEN,
    SurfaceClass.SCORE,
)
"""Order of the first axis of :attr:`ClassMap.probabilities`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClassMap:
    """What each piece of metal is.

    Parameters
    ----------
    codes : (rows, columns) uint8
        Codes of :class:`pitmap.classes.SurfaceClass`. UNSEEN is never to be counted as sound.
    confidence : (rows, columns) float32
        Probability, 0 to 1, that the code is right; 0 where unseen or outside.
    stage : Stage
        When in the job the face was surveyed.
    px_per_mm : float
        Scale of the rasters.
    grid : Grid or None
        Where the raster lies in the plate frame; None for a plain picture of metal.
    probabilities : (classes, rows, columns) float16 or None
        Probability of each class of :data:`PROBABILITY_CLASSES`; they sum to 1 on metal and are 0 outside.
    method : str
        ``learned`` or ``classic``: what made the map.
    break_chance : (rows, columns) uint8 or None
        Chance, in 255ths, that metal of the seal land makes no contact, from the probabilities, and kept without them; see
        :func:`pitmap.measure.break_chance`.
    dark_mm2 : float
        How much metal is UNSEEN because it is too dark: in deep shadow, or under black rust. As it was mapped: it stays
        what it was when a hand changes the codes.

    Raises
    ------
    InputError
        Shapes that do not agree, a code that is not a class, confidence out of range.
    """

    codes: NDArray[np.uint8]
    confidence: NDArray[np.float32]
    stage: Stage
    px_per_mm: float
    grid: Grid | None = None
    probabilities: NDArray[np.float16] | None = None
    method: str = "classic"
    break_chance: NDArray[np.uint8] | None = None
    dark_mm2: float = 0.0

    def __post_init__(self) -> None:
        codes = np.ascontiguousarray(self.codes, np.uint8)
        confidence = np.ascontiguousarray(self.confidence, np.float32)
        if codes.ndim != 2 or confidence.shape != codes.shape:
            raise InputError(
                f"ClassMap: codes {codes.shape} and confidence {confidence.shape} must be of one shape"
            )
        if self.break_chance is not None and (
            self.break_chance.shape != codes.shape or self.break_chance.dtype != np.uint8
        ):
            raise InputError(f"ClassMap.break_chance: expected uint8 of {codes.shape}")
        odd = np.ones(256, np.uint8)
        odd[[int(c) for c in SurfaceClass]] = 0
        if codes.size and (is_odd := cv2.LUT(codes, odd).view(bool)).any():
            raise InputError(f"ClassMap.codes: {np.unique(codes[is_odd]).tolist()} are not classes")
        low, high = (float(confidence.min()), float(confidence.max())) if confidence.size else (0.0, 0.0)
        if not (low >= 0 and high <= 1):
            raise InputError(f"ClassMap.confidence: expected 0 to 1, got {low} to {high}")
        if not self.px_per_mm > 0:
            raise InputError(f"ClassMap.px_per_mm: expected a number above 0, got {self.px_per_mm!r}")
        if self.grid is not None and self.grid.shape != codes.shape:
            raise InputError(
                f"ClassMap.grid: shape {self.grid.shape} is not that of the codes, {codes.shape}"
            )
        probabilities = self.probabilities
        if probabilities is not None:
            probabilities = np.asarray(probabilities, np.float16)
            if probabilities.shape != (len(PROBABILITY_CLASSES), *codes.shape):
                wanted = (len(PROBABILITY_CLASSES), *codes.shape)
                raise InputError(
                    f"ClassMap.probabilities: expected shape {wanted}, got {probabilities.shape}"
                )
        arrays: dict[str, NDArray | None] = {
            "codes": codes,
            "confidence": confidence,
            "probabilities": probabilities,
            "break_chance": self.break_chance,
        }
        for name, array in arrays.items():
            if array is not None:
                array = array.view()
                array.setflags(write=False)
                object.__setattr__(self, name, array)

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.codes.shape  # type: ignore[return-value]

    @property
    def is_metal(self) -> NDArray[np.bool_]:
        """True on metal, seen or not."""
        return self.codes != SurfaceClass.OUTSIDE

    @property
    def is_seen(self) -> NDArray[np.bool_]:
        """True on metal that the photo shows well enough."""
        return (self.codes != SurfaceClass.OUTSIDE) & (self.codes != SurfaceClass.UNSEEN)

    def is_class(self, code: int) -> NDArray[np.bool_]:
        """True where the raster holds `code`."""
        return self.codes == code

    def probability(self, code: int) -> NDArray[np.float16]:
        """Probability raster of one class of :data:`PROBABILITY_CLASSES`.

        Raises
        ------
        InputError
            The map was made without probabilities, or they do not hold this class.
        """
        if self.probabilities is None:
            raise InputError(
                "ClassMap.probability: made without probabilities; classify(keep_probabilities=True)"
            )
        if code not in PROBABILITY_CLASSES:
            raise InputError(f"ClassMap.probability: class {code} has no probability of its own")
        return self.probabilities[PROBABILITY_CLASSES.index(SurfaceClass(code))]

    def placed(self, grid: Grid) -> ClassMap:
        """The same map tied to a grid of the plate frame."""
        return replace(self, px_per_mm=grid.px_per_mm, grid=grid)
