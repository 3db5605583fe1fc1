"""Keeping a drawing over the one that the person had in view: one that somebody else kept since is not replaced unseen."""

from __future__ import annotations

from ...casebook import Casebook, Face, Plate
from ...drawing import Drawing
from ...workflow import save_drawing
from ..remembered import recall, remember

__all__ = ["keep_over_seen", "saw", "seen"]


def _slot(face: Face) -> str:
    return f"drawing_seen_{face.id}"


def saw(face: Face, newest: int) -> None:
    """The page was drawn to its end with this file of the drawing (:func:`pitmap.workflow.newest_file`) on it."""
    remember(_slot(face), newest)


def seen(face: Face) -> int | None:
    """The file that the page showed before the press that this run answers; None where it showed none yet."""
    return recall(_slot(face), None)


def keep_over_seen(kept: Casebook, plate: Plate, face: Face, drawing: Drawing) -> None:
    """Keep a drawing that was not made of the kept one.

    Raises
    ------
    EditConflict
        Another one than the person saw is kept by now.
    """
    save_drawing(kept, plate, face, drawing, over=seen(face))
    # a second press of the same click is no other person
    remember(_slot(face), None, is_half_done=False)
