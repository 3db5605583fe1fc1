"""How much two photos of the same unchanged face differ: the yardstick for every change."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import chi2

from ..errors import InputError, NotEnoughData

__all__ = ["Repeatability"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """Differences between two photos of the same metal, as standard deviations.

    Parameters
    ----------
    common_edge_mm : float
        How far the edges of ALL marks sit further out in one photo than in the other (focus, exposure,
        the classifier's threshold).
    own_edge_mm : float
        How far the mean edge of ONE mark of `reference_diam_mm` does so beyond that; it falls with the
        square root of the perimeter.
    coming_and_going : float
        Share of the area of marks too small to be read surely that one photo shows and the other does not.
    reference_diam_mm : float
        Diameter that `own_edge_mm` is stated for.
    source : str
        Where the numbers come from.

    Notes
    -----
    The defaults are a house choice for phone photos of 10 to 20 px per mm; a workshop replaces them by
    :meth:`from_repeats` on photos of its own.
    """

    common_edge_mm: float = 0.03
    own_edge_mm: float = 0.05
    coming_and_going: float = 0.5
    reference_diam_mm: float = 1.0
    source: str = "house choice for phone photos; no repeat photos of this workshop"

    def __post_init__(self) -> None:
        for name in ("common_edge_mm", "own_edge_mm", "coming_and_going"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"Repeatability.{name}: expected a number of 0 or more, got {value!r}")
        if not self.reference_diam_mm > 0:
            raise InputError("Repeatability.reference_diam_mm: expected a number above 0")

    def area_sd_mm2(self, perimeter_mm: float) -> float:
        """Standard deviation of the difference in area of marks with this much edge in all, mm2."""
        own = self.own_edge_mm**2 * perimeter_mm * math.pi * self.reference_diam_mm
        return math.sqrt(own + (self.common_edge_mm * perimeter_mm) ** 2)

    @classmethod
    def from_repeats(cls, pairs: Iterable[pd.DataFrame], *, confidence: float = 0.5) -> Repeatability:
        """Estimate from pairs of photos of faces that did not change in between.

        Parameters
        ----------
        pairs : iterable of pandas.DataFrame
            `fates` tables of :func:`pitmap.compare.compare` on such pairs.
        confidence : float
            The common part is taken at this one-sided upper confidence (few pairs say little about it).

        Raises
        ------
        NotEnoughData
            Fewer than 3 pairs with 8 marks or more that both photos show.
        """
        common, own_ms, own_n, lost, kept = [], 0.0, 0, 0.0, 0.0
        reference = math.pi * cls.__dataclass_fields__["reference_diam_mm"].default
        for fates in pairs:
            both = fates[
                (fates["kind"] == "one") & (fates["seen_before"] > 0.99) & (fates["seen_after"] > 0.99)
            ]
            if len(both) < 8:
                continue
            perimeter = both["perimeter_mm"].to_numpy(float)
            change = both["change_mm2"].to_numpy(float)
            shift = float(change.sum() / perimeter.sum())
            rest = (change - shift * perimeter) ** 2 / (perimeter * reference)
            common.append(shift)
            own_ms += float(rest.sum())
            own_n += len(both) - 1
            single = fates[fates["kind"].isin(["only_before", "only_after"])]
            small = (math.pi / 4 * single["eq_diam_mm"] ** 2).to_numpy(float)
            lost += float(small.sum())
            kept += float((math.pi / 4 * both.loc[both["eq_diam_mm"] < 0.8, "eq_diam_mm"] ** 2).sum())
        n = len(common)
        if n < 3:
            raise NotEnoughData(
                f"repeatability: {n} usable pairs of repeat photos; give 3 or more, each showing 8 marks"
            )
        ms = float(np.mean(np.square(common)))
        common_sd = math.sqrt(ms * n / float(chi2.ppf(1 - confidence, n)))
        share = lost / (lost + kept) if lost + kept > 0 else 0.0
        return cls(
            common_edge_mm=common_sd,
            own_edge_mm=math.sqrt(own_ms / own_n),
            coming_and_going=share,
            source=f"{n} pairs of repeat photos",
        )
