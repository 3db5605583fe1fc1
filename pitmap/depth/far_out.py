"""Readings far out of what the other readings and the sizes of the marks allow: they count, but not without a word."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .pit_data import PitData
from .pit_words import PitWords

__all__ = ["FarOut", "far_out"]

_LEAST_OTHERS = 2
"""Depths of other pits, known from both sides, that it takes to speak against a reading: three readings are enough for a
stock, so that a slipped figure among them must be told; of two that differ nobody knows which is wrong (house choice: none
of sixty faces with three good readings was told to take one again)."""

_USUAL_SLOPE, _USUAL_SPREAD = 0.6, 0.4
"""Of log depth on log width, as in the model's prior: by them a reading is looked at closer, not judged."""

_LOOKED_AT_SD = 2.5

_MARGIN_SD = 2.0
"""Errors of the gauge that a reading is given before it is held against the others (house choice)."""

_LEAST_CHANCE = 0.005
"""What the others leave less chance is far out (house choice: of twenty faces with ten good readings each, at most one is
told to take a good one again)."""

DrawDepths = Callable[[PitData], NDArray[np.float32]]
"""From data to joint draws (draws, pits) of all depths, um under the first face."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FarOut:
    """Pits with a reading far out (places in the data), and a sentence on every such reading."""

    pits: tuple[int, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Reading:
    """A reading under the first face, um, at a survey (-1 none); `pit` is -1 for one that belongs to no pit of the map."""

    pit: int
    survey: int
    depth_um: float
    sd_um: float
    is_at_least: bool


def far_out(
    data: PitData, pit_ids: NDArray[np.int64], words: PitWords, draw: DrawDepths, *, level: float
) -> FarOut:
    """Name the readings that the other readings all but rule out.

    Parameters
    ----------
    data : PitData
    pit_ids : ndarray (n,)
        What the words call the pits.
    words : PitWords
    draw : callable
        Draws of all depths from the data without the doubted readings.
    level : float
        Of the interval that the sentences give.

    Notes
    -----
    One slipped figure settles the stock of a face, and the deepest reading is believed whatever the others say. Readings
    that stand out of a robust line (median log depth for the width, median deviation about it) are left out together, so
    that no two vouch for each other; the model is fitted to the rest, and its draws say how deep a pit of that size, in
    its zone and between its lap steps, can be. Nothing is dropped: a pit can be that deep, and a reading that is passed
    over may cost the engine.
    """
    readings = _readings(data)
    doubted = _standing_out(readings, data)
    if not doubted:
        return FarOut()
    others = _without(data, {r.pit for r, _ in doubted})
    if others.is_informative.sum() < _LEAST_OTHERS:
        return FarOut()
    depth = draw(others)
    pits, problems = [], []
    for reading, is_deep in doubted:
        # A hole that the map does not show may be as deep as any pit of it.
        allowed = depth[:, reading.pit] if reading.pit >= 0 else depth.max(axis=1)
        margin = _MARGIN_SD * reading.sd_um
        beyond = allowed >= reading.depth_um - margin if is_deep else allowed <= reading.depth_um + margin
        if beyond.mean() >= _LEAST_CHANCE:
            continue
        pits += [reading.pit] if reading.pit >= 0 else []
        tail = (1 - level) / 2
        low, high = (float(q) for q in np.quantile(allowed, [tail, 1 - tail]))
        problems.append(_sentence(reading, is_deep, low, high, pit_ids, words))
    return FarOut(pits=tuple(pits), problems=tuple(problems))


def _readings(data: PitData) -> list[_Reading]:
    sd_of = np.append(data.stock_sd, 0.0)
    out = [
        _Reading(int(i), int(k), float(y), float(np.hypot(u, sd_of[k])), False)
        for i, k, y, u in zip(data.read_pit, data.read_survey, data.read_y, data.read_u)
    ]
    for i in np.flatnonzero(np.isfinite(data.at_least)):
        k = int(data.at_least_survey[i])
        sd = float(np.hypot(data.at_least_u[i], sd_of[k]))
        out.append(_Reading(int(i), k, float(data.at_least[i]), sd, True))
    free = zip(data.free_y, data.free_u, data.free_is_at_least)
    return out + [_Reading(-1, -1, float(y), float(u), bool(least)) for y, u, least in free]


def _standing_out(readings: list[_Reading], data: PitData) -> list[tuple[_Reading, bool]]:
    """Readings worth a closer look, each with whether it is too deep (else too shallow)."""
    of_pit = np.array([r.pit >= 0 and not r.is_at_least for r in readings], bool)
    if not of_pit.any():
        return []
    # Without a pit there is no width: then nothing wider than the widest of the map.
    x = np.array([data.x[r.pit] if r.pit >= 0 else data.x.max() for r in readings])
    depth = np.array([max(r.depth_um, r.sd_um) for r in readings])
    off = np.log(depth) - _USUAL_SLOPE * x
    middle = float(np.median(off[of_pit]))
    spread = max(1.4826 * float(np.median(np.abs(off[of_pit] - middle))), _USUAL_SPREAD)
    apart = (off - middle) / spread
    # A needle that stuck, or one in a pit that nobody knows, can be as shallow as it likes.
    return [
        (reading, bool(a > 0))
        for reading, a, has_floor in zip(readings, apart, of_pit)
        if a > _LOOKED_AT_SD or (has_floor and a < -_LOOKED_AT_SD)
    ]


def _without(data: PitData, pits: Collection[int]) -> PitData:
    """The data as if nobody had read these pits; their lap steps stay."""
    doubted = np.isin(np.arange(data.n), list(pits))
    kept = ~doubted[data.read_pit]
    return replace(
        data,
        read_pit=data.read_pit[kept],
        read_y=data.read_y[kept],
        read_u=data.read_u[kept],
        read_survey=data.read_survey[kept],
        y=np.where(doubted, np.nan, data.y),
        u=np.where(doubted, np.nan, data.u),
        at_least=np.where(doubted, np.nan, data.at_least),
        at_least_survey=np.where(doubted, -1, data.at_least_survey),
    )


def _sentence(
    reading: _Reading, is_deep: bool, low: float, high: float, pit_ids: NDArray[np.int64], words: PitWords
) -> str:
    if reading.pit < 0:
        name, said, ends = (
            "a place without a pit of the map",
            f"{words.stock(reading.depth_um)} under the first face",
            (words.stock(low), words.stock(high)),
        )
        allowed = "the deepest pit of the map lies"
    else:
        pit, at = int(pit_ids[reading.pit]), reading.survey
        name, said = words.pit(pit, at), f"{words.read(reading.depth_um, pit, at)}{words.moment(at)}"
        ends = words.read(low, pit, at), words.read(high, pit, at)
        allowed = "a pit of its size lies"
    side = "deeper" if is_deep else "shallower"
    least = "at least " if reading.is_at_least else ""
    return (
        f"{name}: the reading of {least}{said} is far {side} than the other readings allow, by which {allowed} between"
        f" {ends[0]} and {ends[1]}; it counts all the same, so check its unit and take it again"
    )
