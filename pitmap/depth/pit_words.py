"""What sentences call a pit and a depth in it: by the map and the gauge that a person at the bench has before him."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage
from ..units import UnitSystem, format_depth
from .survey import FaceSurvey

__all__ = ["PitWords"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PitWords:
    """Numbers of pits on the maps, and depths as they were read.

    Parameters
    ----------
    marks : dict of (pit, survey) to int
        Number of the pit on the map of each survey that shows it; empty where pits have no number but their own.
    stages : tuple of Stage
        Of the surveys, in the order of work.
    stock_um : (pits, surveys) array
        What had come off at the place of each pit before each survey.
    system : {"mm", "inch"}
    """

    marks: dict[tuple[int, int], int] = field(default_factory=dict)
    stages: tuple[Stage, ...] = ()
    stock_um: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 0)))
    system: UnitSystem = "mm"

    @classmethod
    def of(
        cls, surveys: Sequence[FaceSurvey], pits: pd.DataFrame, links: pd.DataFrame, system: UnitSystem
    ) -> PitWords:
        """The words for the pits of :func:`~pitmap.depth.lap_bounds`, from the same surveys in the order of work."""
        first = links.drop_duplicates(["pit_id", "survey"])
        places = pits[["x_mm", "y_mm"]].to_numpy(float)
        return cls(
            marks={(int(p), int(k)): int(m) for p, k, m in first[["pit_id", "survey", "mark_id"]].to_numpy()},
            stages=tuple(Stage(s.stage) for s in surveys),
            stock_um=np.column_stack([s.removed.at(places) for s in surveys]),
            system=system,
        )

    def newest(self, pit: int) -> int:
        """The last survey whose map numbers a pit; -1 for none."""
        return max((k for p, k in self.marks if p == pit), default=-1)

    def pit(self, pit: int, survey: int = -1) -> str:
        """Its number on the newest map that shows it and, where that is another one, on the map of a survey."""
        newest = self.newest(pit)
        if newest < 0:
            return f"pit {pit}"
        name = f"pit {self.marks[pit, newest]} of the map{self.moment(newest)}"
        if survey != newest and (pit, survey) in self.marks:
            name += f" (number {self.marks[pit, survey]}{self.moment(survey)})"
        return name

    def moment(self, survey: int) -> str:
        """When a survey was made; empty for none."""
        return f" {self.stages[survey].moment}" if 0 <= survey < len(self.stages) else ""

    def read(self, depth_um: float, pit: int, survey: int) -> str:
        """A depth under the first face as a gauge says it on the face of a survey, where nothing is under 0."""
        is_known = 0 <= survey < len(self.stages)
        off = float(self.stock_um[pit - 1, survey]) if is_known else 0.0
        return format_depth(max(depth_um - off, 0.0), self.system)

    def stock(self, depth_um: float) -> str:
        """Stock, or a depth under the first face."""
        return format_depth(depth_um, self.system)
