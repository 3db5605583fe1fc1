"""Choices of the measuring stage, with their reasons."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..classes import BREAKS_CONTACT, SurfaceClass
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
        Classes that leave no sealing contact. The bright-metal width, which counts stain and heat film as damage too, is
        given beside.
    n_places : int
        Narrowest places of the land to list.
    place_spacing_mm : float
        Places nearer than this are one place (house choice).
    low_confidence : float
        Mean confidence under which a mark is flagged.
    may_break, surely_breaks : float
        For the sound width: metal that is read as sound, but has at least the first chance of making no contact, may be
        damaged; metal that is read as damaged with less than the second may be sound (house choice: the low end is the
        one that hurts when it is wrong, so it gives way sooner).
    n_resolved_px : float
        A mark needs this many photo pixels across to be measured (house choice, three).
    errors : ErrorModel
    """

    level: float = DEFAULT_LEVEL
    min_mark_mm2: float = 0.03
    breaks_contact: tuple[SurfaceClass, ...] = BREAKS_CONTACT
    n_places: int = 5
    place_spacing_mm: float = 8.0
    low_confidence: float = 0.6
    may_break: float = 0.03
    surely_breaks: float = 0.9
    n_resolved_px: float = 3.0
    errors: ErrorModel = field(default_factory=ErrorModel)

    def __post_init__(self) -> None:
        if not 0 < self.level < 1:
            raise InputError(f"MeasureSettings.level: expected a number between 0 and 1, got {self.level!r}")
        if self.min_mark_mm2 < 0 or self.place_spacing_mm < 0 or self.n_places < 1 or self.n_resolved_px < 0:
            raise InputError("MeasureSettings: sizes must not be negative and n_places at least 1")
