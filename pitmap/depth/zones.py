"""Which zones a mark counts for: one rule for depth and stock."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["NEAR_MM", "in_zone", "zones_near", "zones_of"]

NEAR_MM = 2.0
"""A reading with a place of its own may be of any pit so near (house choice)."""


def zones_of(marks: pd.DataFrame) -> list[frozenset[str]]:
    """Zones that each mark is damage of; none for a mark that lies in no zone.

    Parameters
    ----------
    marks : DataFrame
        Marks of a survey, or :data:`~pitmap.depth.PITS`; ``zone``, and where present ``zones`` and ``dist_trace_mm``,
        are used.

    Notes
    -----
    A mark bears the zone that most of its area lies in; one that runs from the rim across the land still cuts the
    seal, so a mark counts for the seal land too when any of it lies on it. A pit counts for the zones of every sighting.
    """
    words = [str(z) for z in marks["zone"]]
    if "zones" in marks.columns:
        words = [f"{one} {more}" for one, more in zip(words, marks["zones"])]
    on_land = np.zeros(len(marks), bool)
    if "dist_trace_mm" in marks.columns:
        on_land = marks["dist_trace_mm"].notna().to_numpy()
    return [frozenset(w.split()) | ({"seal_land"} if land else set()) for w, land in zip(words, on_land)]


def in_zone(marks: pd.DataFrame, zone: str) -> NDArray[np.bool_]:
    """Marks that are damage of a zone, by :func:`zones_of` (bool, one per row)."""
    return np.array([zone in own for own in zones_of(marks)], bool)


def zones_near(place_mm: NDArray[np.float64], pits: pd.DataFrame) -> frozenset[str]:
    """Zones of the pits that a reading at a place (2,) may be of; none without a place or a pit so near."""
    if not len(pits) or not np.isfinite(place_mm).all():
        return frozenset()
    beyond = np.hypot(pits["x_mm"] - place_mm[0], pits["y_mm"] - place_mm[1]) - pits["eq_diam_mm"] / 2
    return frozenset().union(*zones_of(pits.loc[beyond <= NEAR_MM]))
