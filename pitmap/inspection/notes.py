"""What a reader of an inspection should know beside its figures, in the reader's units."""

from __future__ import annotations

from collections.abc import Sequence

from ..classes import CLASS_WORDS, SurfaceClass
from ..surface import dark_words
from ..units import UnitSystem, format_area
from .record import HandEdit, Inspection

__all__ = ["decided_words", "notes_in"]

_SYSTEMS: tuple[UnitSystem, ...] = ("mm", "inch")


def decided_words(edits: Sequence[HandEdit], system: UnitSystem = "mm") -> str:
    """How much metal that was not seen a hand has given a class since, as a sentence; empty where none.

    What was noted when the face was mapped, of dark metal as of any other, says that it counts as not seen.
    """
    unseen = CLASS_WORDS[SurfaceClass.UNSEEN]
    decided = sum(e.area_before_mm2.get(unseen, 0.0) for e in edits if e.word_after != unseen)
    if not decided:
        return ""
    area = format_area(decided, system)
    return f"By hand, {area} that were not seen were given a class since: they count as what was said of them there."


def notes_in(inspection: Inspection, system: UnitSystem) -> tuple[str, ...]:
    """The notes of an inspection with their areas in the units asked for.

    A note is kept in the words and units of the day it was made. Its area is kept too, so the same is said in other
    units; in another release's words it stays as it is.

    Parameters
    ----------
    inspection : Inspection
    system : {"mm", "inch"}
    """
    dark_mm2, edits = inspection.class_map.dark_mm2, inspection.edits
    anew = {dark_words(dark_mm2, s): dark_words(dark_mm2, system) for s in _SYSTEMS}
    anew |= {decided_words(edits, s): decided_words(edits, system) for s in _SYSTEMS}
    return tuple(anew.get(note, note) for note in inspection.notes)
