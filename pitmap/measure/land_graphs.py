"""Crossings of one land by how much of its metal is taken as damaged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..estimate import Estimate
from .crossings import COOLANT, CrossingGraph

__all__ = ["LandGraphs", "land_graphs"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandGraphs:
    """Crossings of one land by how much of its metal is taken as damaged, from least to most.

    Parameters
    ----------
    sure : CrossingGraph
        Only what is damaged beyond doubt.
    seen : CrossingGraph
        What the map shows as damaged.
    hidden : CrossingGraph
        That and the metal not seen; `seen` itself where all was seen.
    feared : CrossingGraph
        That and the metal of which the class is in doubt; `hidden` itself where none is.
    """

    sure: CrossingGraph
    seen: CrossingGraph
    hidden: CrossingGraph
    feared: CrossingGraph

    def narrowest(self, half_mm: float, nominal_mm: float, level: float) -> Estimate:
        """The narrowest crossing of all, `half_mm` beyond what is feared and what is sure, mm.

        Without damage it would be `nominal_mm`, and is never more.
        """
        least, value, most = (
            float(graph.from_running[COOLANT]) for graph in (self.feared, self.seen, self.sure)
        )
        return Estimate(
            value=value,
            low=max(0.0, min(value, least) - half_mm),
            high=max(value, min(nominal_mm, max(value, most) + half_mm)),
            level=level,
        )


def land_graphs(
    damaged: NDArray[np.bool_],
    unseen: NDArray[np.bool_],
    doubted: NDArray[np.bool_],
    unsure: NDArray[np.bool_],
    build: Callable[[NDArray[np.bool_]], CrossingGraph],
) -> LandGraphs:
    """The graphs of a land, none built twice.

    Parameters
    ----------
    damaged, unseen : (rows, columns) bool array
        What the map shows as damaged, and the metal that it does not show.
    doubted : (rows, columns) bool array
        Metal that may be damaged although the map shows it as sound.
    unsure : (rows, columns) bool array
        Metal that may be sound although the map shows it as damaged.
    build : callable
        A mask of damaged metal into its graph.
    """
    seen = build(damaged)
    hidden = build(damaged | unseen) if unseen.any() else seen
    feared = build(damaged | unseen | doubted) if (doubted & ~damaged).any() else hidden
    sure = build(damaged & ~unsure) if (damaged & unsure).any() else seen
    return LandGraphs(sure=sure, seen=seen, hidden=hidden, feared=feared)
