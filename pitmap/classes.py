"""The classes of metal that a map tells apart, and the stages at which a face is surveyed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import IntEnum

from .errors import InputError

__all__ = ["AFFECTED", "BREAKS_CONTACT", "CLASS_WORDS", "Stage", "SurfaceClass"]


class SurfaceClass(IntEnum):
    """Codes of the class raster (8 bit, plate frame)."""

    OUTSIDE = 0
    """Off the plate or in an opening, by the drawing."""
    SOUND = 1
    """Cut by the lap; at intake all old finish without damage."""
    PIT = 2
    """A hole in the face, deeper than the lap plane."""
    STAIN = 3
    """Rust, water or corrosion stain on the face."""
    TINT = 4
    """Heat film (straw, purple, blue): colour only, no defect by itself."""
    UNCUT = 5
    """Old finish that the lap did not reach: low metal. Never at intake."""
    SCORE = 6
    """A scratch deep and long enough to matter."""
    UNSEEN = 255
    """Metal that the photo does not show well enough: out of frame, covered, glare, blur."""


AFFECTED = (SurfaceClass.PIT, SurfaceClass.STAIN, SurfaceClass.TINT, SurfaceClass.UNCUT)
"""Classes counted as affected area. A score has a length, not an area, and is listed on its own."""

BREAKS_CONTACT = (SurfaceClass.PIT, SurfaceClass.UNCUT, SurfaceClass.SCORE)
"""Classes that leave no sealing contact. Pits, scores and uncut (low) metal do not touch the mating face; stain and heat
film are colour on metal that does, and seal as well as bright metal (common practice, no published source)."""

CLASS_WORDS = {
    SurfaceClass.OUTSIDE: "outside",
    SurfaceClass.SOUND: "sound",
    SurfaceClass.PIT: "pit",
    SurfaceClass.STAIN: "stain",
    SurfaceClass.TINT: "tint",
    SurfaceClass.UNCUT: "uncut",
    SurfaceClass.SCORE: "score",
    SurfaceClass.UNSEEN: "unseen",
}

_STAGE = re.compile(r"intake|test_lap|lap_([1-9]\d?)|final")


@dataclass(frozen=True, slots=True)
class Stage:
    """When in the job a face was surveyed.

    Parameters
    ----------
    name : str
        ``intake`` (nothing cut yet), ``test_lap``, ``lap_1`` ... ``lap_99``, ``final`` (polished).

    Raises
    ------
    InputError
        Any other name.
    """

    name: str

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not _STAGE.fullmatch(self.name):
            raise InputError(
                f"stage: expected intake, test_lap, lap_1, lap_2 ... or final, got {self.name!r}"
            )

    @property
    def is_lapped(self) -> bool:
        """True when metal has been cut, so that old finish means low metal."""
        return self.name != "intake"

    @property
    def order(self) -> int:
        """Place in the order of work, for sorting."""
        if self.name == "intake":
            return 0
        if self.name == "test_lap":
            return 1
        if self.name == "final":
            return 1000
        return 1 + int(self.name.split("_")[1])

    @property
    def moment(self) -> str:
        """When it was surveyed, as a sentence says it: "at intake", "after the test lap", "after lap 2"."""
        named = {"intake": "at intake", "test_lap": "after the test lap", "final": "at the final survey"}
        return named.get(self.name, f"after {self.name.replace('_', ' ')}")

    def __str__(self) -> str:
        return self.name
