"""How far the class map may be wrong: the numbers that every interval of this stage is made of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from types import MappingProxyType
from typing import Any

from scipy.special import ndtri

from ..errors import InputError

__all__ = ["ClassErrors", "ErrorModel", "area_interval"]

CELL_MM2 = 4.0
"""A wrong class comes in patches of about this size at most (house choice): a 1000 mm2 film is never one
coin toss, so its share of chance errors is counted as that of many patches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassErrors:
    """Errors of one class.

    Parameters
    ----------
    edge_sd_mm : float
        Standard deviation of the place of the drawn edge, common to all marks of one picture, mm.
    edge_mark_sd_mm : float
        The same, independent from mark to mark, mm.
    edge_bias_mm : float
        True edge minus drawn edge, outwards, in the mean, mm.
    relative_sd : float
        Standard deviation of the whole class area of a zone, relative.
    false_rate, miss_rate : float
        Chance that a mark is none; share of true marks not found. 0 to below 1.
    blank_share : float
        Share of a zone that may be of this class although nothing was found, high end at level 0.90.
    spread : float
        Factor on the whole standard deviation, from the coverage found on maps with known truth.
    """

    edge_sd_mm: float = 0.03
    edge_mark_sd_mm: float = 0.05
    edge_bias_mm: float = 0.0
    relative_sd: float = 0.10
    false_rate: float = 0.05
    miss_rate: float = 0.05
    blank_share: float = 0.0005
    spread: float = 1.0

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if not math.isfinite(value) or (value < 0 and f.name != "edge_bias_mm"):
                raise InputError(f"ClassErrors.{f.name}: expected a finite number, 0 or more, got {value!r}")
        if self.false_rate >= 1 or self.miss_rate >= 1:
            raise InputError("ClassErrors: false_rate and miss_rate must be below 1")


# House choices until fitted on maps with known truth (pitmap.measure.fit_error_model): stain, film and old
# finish fade out over about half a millimetre, the edge of a pit is sharp to a photo pixel or so. How much wider
# the whole is taken (relative_sd, spread), and how much of a score goes unseen, was rounded from 50 renders of plates
# that the network had not seen (as measure_bench.py makes them, seeds 3101, 4102 and 7102), to the wide side: the
# spreads that cover nine zones in ten there are about a third smaller. Faces that it has seen are covered more often.
_STARTING_POINT = {
    "pit": ClassErrors(
        edge_sd_mm=0.04, edge_mark_sd_mm=0.05, relative_sd=0.10, blank_share=0.001, spread=1.2
    ),
    "stain": ClassErrors(edge_sd_mm=0.10, edge_mark_sd_mm=0.15, relative_sd=0.15, blank_share=0.002),
    "tint": ClassErrors(edge_sd_mm=0.30, edge_mark_sd_mm=0.40, relative_sd=0.15, blank_share=0.003),
    "uncut": ClassErrors(
        edge_sd_mm=0.18, edge_mark_sd_mm=0.30, relative_sd=0.20, blank_share=0.005, spread=1.0
    ),
    "score": ClassErrors(edge_sd_mm=0.03, edge_mark_sd_mm=0.05, relative_sd=0.25, blank_share=0.0012),
    "affected": ClassErrors(
        edge_sd_mm=0.12, edge_mark_sd_mm=0.20, relative_sd=0.12, blank_share=0.003, spread=0.8
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorModel:
    """Errors of every class and of the sound width.

    Parameters
    ----------
    classes : mapping of class word to ClassErrors
        Keys ``pit stain tint uncut score affected``; what is left out takes the starting point.
    width_sd_mm : float
        Standard deviation of the sound width beyond what doubt of the classes leaves, mm.
    fitted_on : str
        What the numbers come from, in words.
    """

    classes: Mapping[str, ClassErrors] = field(default_factory=dict)
    width_sd_mm: float = 0.15
    fitted_on: str = "house choice, checked on 20 photos of one invented plate"

    def __post_init__(self) -> None:
        odd = set(self.classes) - set(_STARTING_POINT)
        if odd:
            raise InputError(f"ErrorModel.classes: not a class with an area: {', '.join(sorted(odd))}")
        object.__setattr__(self, "classes", MappingProxyType({**_STARTING_POINT, **self.classes}))

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, for a TOML or JSON file."""
        return {
            "width_sd_mm": self.width_sd_mm,
            "fitted_on": self.fitted_on,
            "classes": {word: asdict(errors) for word, errors in self.classes.items()},
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> ErrorModel:
        """The model that :meth:`to_dict` wrote.

        Raises
        ------
        InputError
            An entry that is not known or not a number.
        """
        try:
            classes = {
                word: ClassErrors(**entries) for word, entries in dict(data.get("classes", {})).items()
            }
            rest = {key: value for key, value in data.items() if key != "classes"}
            return cls(classes=classes, **rest)
        except (TypeError, AttributeError) as error:
            raise InputError(f"error model: {error}") from error


def area_interval(
    area: float, sd: float, *, level: float, shift: float = 0.0, floor: float = 0.0
) -> tuple[float, float]:
    """Interval of an area that cannot be negative.

    Parameters
    ----------
    area, sd : float
        Measured value and its standard deviation, same unit.
    level : float
        Coverage aimed at.
    shift : float
        Expected truth minus measured.
    floor : float
        Added to the high end: what may be there though nothing was found.

    Notes
    -----
    Log-normal about ``area + shift`` with the given standard deviation, so that a small area gets a lopsided
    interval and never a negative end; the measured value itself always lies inside. The high end is never under that of
    the normal law: of next to nothing the log-normal one falls to nothing, however large the standard deviation.
    """
    z = float(ndtri(0.5 + level / 2))
    centre = max(area + shift, 0.25 * area)
    if centre <= 0:
        return 0.0, max(floor, z * sd)
    log_sd = math.sqrt(math.log1p((sd / centre) ** 2))
    low, high = centre * math.exp(-z * log_sd), centre * math.exp(z * log_sd) + floor
    return min(low, area), max(high, centre + z * sd, area)
