"""How much two photos of the same unchanged face differ: the yardstick for every change."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from scipy.stats import chi2

from ..errors import InputError, NotEnoughData

__all__ = ["Repeatability"]

_REFERENCE_DIAM_MM = 1.0
_MIN_MARKS, _MIN_PAIRS = 8, 3
_RELATIVE = {"pit": 0.2, "stain": 0.2, "tint": 0.15, "uncut": 0.12, "affected": 0.1}
_BLANK = {"pit": 0.001, "stain": 0.0015, "tint": 0.01, "uncut": 0.006, "affected": 0.006}


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """Differences between two photos of the same metal, as standard deviations.

    Parameters
    ----------
    common_edge_mm : float
        How far the edges of ALL marks sit further out in one photo than in the other (focus, exposure, lamp,
        the classifier's threshold).
    own_edge_mm : float
        How far the mean edge of ONE mark of 1 mm diameter does so beyond that; it falls with the square root
        of the perimeter.
    coming_and_going : float
        Share of the area of marks that one photo shows, the other does not, and nothing explains.
    relative_sd, blank_sd : mapping of str to float
        By class word: how far the area of a class in a zone differs, as a share of itself, and as a share of the
        zone (patches that one photo calls so and the other does not). Classes left out count as 0.
    source : str
        Where the numbers come from.

    Notes
    -----
    The defaults are a house choice, rounded from photos of one simulated face under three lamps: on the safe side for
    photos taken under one. A workshop replaces them by :meth:`from_repeats` on photos of its own.
    """

    common_edge_mm: float = 0.05
    own_edge_mm: float = 0.08
    coming_and_going: float = 0.6
    relative_sd: Mapping[str, float] = field(default_factory=lambda: dict(_RELATIVE))
    blank_sd: Mapping[str, float] = field(default_factory=lambda: dict(_BLANK))
    source: str = "house choice for phone photos; no repeat photos of this workshop"

    def __post_init__(self) -> None:
        for name in ("common_edge_mm", "own_edge_mm", "coming_and_going"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"Repeatability.{name}: expected a number of 0 or more, got {value!r}")
        for name in ("relative_sd", "blank_sd"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def area_sd_mm2(self, perimeter_mm: float) -> float:
        """Standard deviation of the difference in area of marks with this much edge in all, mm2."""
        own = self.own_edge_mm**2 * perimeter_mm * math.pi * _REFERENCE_DIAM_MM
        return math.sqrt(own + (self.common_edge_mm * perimeter_mm) ** 2)

    def patch_sd(self, class_word: str, share: float) -> float:
        """Standard deviation of the difference in share of a class for patches read differently, 0..1."""
        return math.hypot(self.relative_sd.get(class_word, 0.0) * share, self.blank_sd.get(class_word, 0.0))

    @classmethod
    def from_repeats(cls, pairs: Iterable[Any], *, confidence: float = 0.5) -> Repeatability:
        """Estimate from pairs of photos of faces that did not change in between.

        Parameters
        ----------
        pairs : iterable of PairChange
            ``compare([one, other], drawing).overall`` of each pair.
        confidence : float
            The common part is taken at this one-sided upper confidence (few pairs say little about it).

        Raises
        ------
        NotEnoughData
            Fewer than 3 pairs with 8 pits or more that both photos show.

        Notes
        -----
        Medians and a 90 % point stand for means and standard deviations, so that a mark that a photo
        misread does not pass for an edge.
        """
        common, own, lost, kept = [], [], 0.0, 0.0
        changes: dict[str, list[tuple[float, float]]] = {}
        for pair in pairs:
            fates = pair.fates[pair.fates["class_word"] == "pit"]
            whole = (fates["seen_before"] > 0.99) & (fates["seen_after"] > 0.99)
            both = fates[(fates["kind"] == "one") & whole]
            if len(both) < _MIN_MARKS:
                continue
            perimeter = both["perimeter_mm"].to_numpy(float)
            change = both["change_mm2"].to_numpy(float)
            shift = float(np.median(change / perimeter))
            common.append(shift)
            own.append((change - shift * perimeter) / np.sqrt(perimeter * math.pi * _REFERENCE_DIAM_MM))
            single = fates["kind"].isin(["only_before", "only_after"]) & whole
            small = math.pi / 4 * np.minimum(fates["eq_diam_mm"].to_numpy(float), 0.8) ** 2
            lost += float(small[single.to_numpy()].sum())
            kept += float(small[(whole & (fates["eq_diam_mm"] < 0.8)).to_numpy() & ~single.to_numpy()].sum())
            for z in pair.zone_changes.itertuples():
                if not math.isnan(z.change):
                    changes.setdefault(z.class_word, []).append(
                        (z.change, (z.share_before + z.share_after) / 2)
                    )
        n = len(common)
        if n < _MIN_PAIRS:
            raise NotEnoughData(
                f"repeatability: {n} usable pairs of repeat photos; give {_MIN_PAIRS} or more, "
                f"each showing {_MIN_MARKS} pits"
            )
        ms = float(np.mean(np.square(common)))
        relative, blank = {}, {}
        for word, values in changes.items():
            change, share = np.asarray(values).T
            # Zones that hold little of a class say what appears from nothing, the others what share of it moves.
            is_low = share <= np.median(share)
            blank[word] = float(np.sqrt(np.mean(change[is_low] ** 2)))
            rest = (
                np.mean(np.maximum(0.0, change[~is_low] ** 2 - blank[word] ** 2)) if (~is_low).any() else 0.0
            )
            scale = np.mean(share[~is_low] ** 2) if (~is_low).any() else 1.0
            relative[word] = float(np.sqrt(rest / scale)) if scale > 0 else 0.0
        return cls(
            common_edge_mm=math.sqrt(ms * n / float(chi2.ppf(1 - confidence, n))),
            own_edge_mm=float(np.quantile(np.abs(np.concatenate(own)), 0.9)) / 1.6449,
            coming_and_going=lost / (lost + kept) if lost + kept > 0 else 0.0,
            relative_sd=relative,
            blank_sd=blank,
            source=f"{n} pairs of repeat photos",
        )
