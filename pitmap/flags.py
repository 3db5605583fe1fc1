"""The one registry of flag bits that a row of any table may carry.

A flag says that a number is doubtful and why; it never replaces the number.
"""

from __future__ import annotations

from enum import IntFlag

__all__ = ["FLAG_TEXT", "Flag", "flag_words"]


class Flag(IntFlag):
    """Bits of the ``flags`` column. A bit keeps its number: kept inspections carry it."""

    NONE = 0
    TOUCHES_UNSEEN = 1
    """The mark runs into metal that the photo does not show; its size is a lower bound."""
    TOUCHES_EDGE = 2
    """The mark runs into a drawn edge (hole rim, outline); part of it may be edge shadow."""
    BELOW_RESOLUTION = 4
    """Smaller than three photo pixels across; area and depth are uncertain beyond the interval."""
    CROSSES_LAND = 8
    """The mark, alone or with its neighbours, leaves no sound metal across the land here."""
    LOW_CONFIDENCE = 32
    """The class was a close call."""
    HAND_EDITED = 64
    """A person changed the map here."""
    DEPTH_LOWER_BOUND = 128
    """The needle did not reach the floor: the depth is at least this."""
    CONTRADICTION = 256
    """Readings or surveys contradict each other here; see the note."""
    EXTRAPOLATED = 512
    """Outside the range of the data it was fitted to."""
    WIDER_THAN_SEAL = 1024
    """Wider than the seal that crosses it, by the seal width in the drawing."""
    UNMATCHED = 4096
    """The reading could not be tied to one mark; it stays a free point."""


FLAG_TEXT: dict[Flag, str] = {
    Flag.TOUCHES_UNSEEN: "runs into metal not seen: there may be more",
    Flag.TOUCHES_EDGE: "touches a drawn edge",
    Flag.BELOW_RESOLUTION: "under three photo pixels across",
    Flag.CROSSES_LAND: "no sound metal left across the land here",
    Flag.LOW_CONFIDENCE: "class was a close call",
    Flag.HAND_EDITED: "changed by hand",
    Flag.DEPTH_LOWER_BOUND: "needle did not reach the floor",
    Flag.CONTRADICTION: "contradicts another survey or reading",
    Flag.EXTRAPOLATED: "outside the range of the data",
    Flag.WIDER_THAN_SEAL: "wider than the seal that crosses it",
    Flag.UNMATCHED: "could not be tied to one mark",
}


def flag_words(flags: int) -> str:
    """The flags of a row as words, joined by ``; ``; empty for none."""
    return "; ".join(text for flag, text in FLAG_TEXT.items() if flags & flag)
