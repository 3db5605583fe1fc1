"""Choices of the measuring stage, with their reasons."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..classes import SurfaceClass
from ..errors import InputError
from ..estimate import DEFAULT_LEVEL
from .errors_model import ErrorModel

__all__ = ["MeasureSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """How to measure.

    Parameters
    ----------
    level : float
        Coverage aimed at by every interval.
    min_mark_mm2 : float
        Smaller specks are no marks (they still count in the zone's area). 0.03 mm2 is a disc of 0.2 mm:
        under that a phone photo of a whole plate shows noise (house choice).
    breaks_contact : tuple of SurfaceClass
        Classes that leave no sealing contact. Pits, scores and uncut (low) metal do not touch the mating
        face; stain and heat film are colour on metal that does, and seal as well as bright metal (common
        practice, no published source). The bright-metal width, which counts them as damage, is given beside.
    n_places : int
        Narrowest places of the land to list.
    place_spacing_mm : float
        Places nearer than this are one place (house choice).
    low_confidence : float
        Mean confidence under which a mark is flagged.
    doubted_confidence, sure_confidence : float
        For the sound width: metal read as sound with less than the first may be damaged, and metal read as damaged
        with less than the second may be sound. House choice for a level of 0.90, made on 106 lands of renders; on 103
        others (seeds 8312, 8313, 8711, 8712) the intervals hold the truth 0.95 of the time, on 81 weathered ones
        (seeds 988, 989, 991) 0.86. The errors of edges alone, which stood here before, held it 0.91 and 0.73 of the
        time and were about as wide.
    n_resolved_px : float
        A mark needs this many photo pixels across to be measured (house choice, three).
    errors : ErrorModel
    """

    level: float = DEFAULT_LEVEL
    min_mark_mm2: float = 0.03
    breaks_contact: tuple[SurfaceClass, ...] = (SurfaceClass.PIT, SurfaceClass.UNCUT, SurfaceClass.SCORE)
    n_places: int = 5
    place_spacing_mm: float = 8.0
    low_confidence: float = 0.6
    doubted_confidence: float = 0.6
    sure_confidence: float = 0.7
    n_resolved_px: float = 3.0
    errors: ErrorModel = field(default_factory=ErrorModel)

    def __post_init__(self) -> None:
        if not 0 < self.level < 1:
            raise InputError(f"MeasureSettings.level: expected a number between 0 and 1, got {self.level!r}")
        if self.min_mark_mm2 < 0 or self.place_spacing_mm < 0 or self.n_places < 1 or self.n_resolved_px < 0:
            raise InputError("MeasureSettings: sizes must not be negative and n_places at least 1")
