"""The table of zones: how much of each zone every class touches, with intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import AFFECTED, CLASS_WORDS, Stage, SurfaceClass
from ..flags import Flag
from ..surface import PROBABILITY_CLASSES
from .blobs import Blobs
from .errors_model import CELL_MM2, ClassErrors, area_interval
from .frame import MeasureFrame
from .schemas import ZONES
from .settings import MeasureSettings

__all__ = ["ZoneMeasure", "marks_counted", "zone_measures", "zones_table"]

CLASSES = (SurfaceClass.PIT, SurfaceClass.STAIN, SurfaceClass.TINT, SurfaceClass.UNCUT, SurfaceClass.SCORE)
_DOUBTFUL_UNSEEN = 0.5
"""Zones of which less than half was seen are flagged: what was seen need not stand for the rest (house
choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneMeasure:
    """Area of one class in one zone, and what its error depends on.

    Parameters
    ----------
    zone, word : str
        Zone and class word (or ``affected``).
    seen_mm2, area_mm2 : float
    perimeter_mm : float
        Length of the edges of the marks, the part that lies in the zone.
    perimeter_square_mm2 : float
        Sum over marks of the squared length of their edge, for errors that differ from mark to mark.
    cells_mm4 : float
        Sum over marks of area times the smaller of area and one cell: for all-or-nothing errors.
    doubt_mm4 : float
        The same, weighted by q (1 - q) with q the mark's own doubt, 1 minus its confidence, at most one half.
    expected_mm2 : float
        Area expected from the class probabilities; NaN without them.
    n_marks : int
        Marks that reach into the zone.
    largest_mm2 : float
        The most that one of them covers inside the zone.
    """

    zone: str
    word: str
    seen_mm2: float
    area_mm2: float
    perimeter_mm: float = 0.0
    perimeter_square_mm2: float = 0.0
    cells_mm4: float = 0.0
    doubt_mm4: float = 0.0
    expected_mm2: float = math.nan
    n_marks: int = 0
    largest_mm2: float = 0.0

    def sd_mm2(
        self, errors: ClassErrors, alignment_error_mm: float = 0.0, *, with_spread: bool = True
    ) -> float:
        """Standard deviation of the area: edges, alignment, scale, false and missed marks, class doubt."""
        variance = (
            (errors.edge_sd_mm * self.perimeter_mm) ** 2
            + errors.edge_mark_sd_mm**2 * self.perimeter_square_mm2
            # A shift moves metal in at one side and out at the other; only the zone's border feels it, about a
            # tenth of the marks' edges by the look of real maps (house choice).
            + (0.1 * alignment_error_mm * self.perimeter_mm) ** 2
            + (errors.relative_sd * self.area_mm2) ** 2
            + max(errors.false_rate * (1 - errors.false_rate) * self.cells_mm4, self.doubt_mm4)
            + errors.miss_rate / (1 - errors.miss_rate) * self.cells_mm4
        )
        if not math.isnan(self.expected_mm2):
            variance += (0.5 * (self.expected_mm2 - self.area_mm2)) ** 2
        return (errors.spread if with_spread else 1.0) * math.sqrt(variance)

    def share_interval(
        self, errors: ClassErrors, level: float, alignment_error_mm: float = 0.0
    ) -> tuple[float, float]:
        """Interval of the share of the seen area, within 0 and 1."""
        low, high = area_interval(
            self.area_mm2,
            self.sd_mm2(errors, alignment_error_mm),
            level=level,
            shift=errors.edge_bias_mm * self.perimeter_mm,
            floor=errors.blank_share * self.seen_mm2,
        )
        return low / self.seen_mm2, min(1.0, high / self.seen_mm2)


_SUMMED = [f.name for f in fields(ZoneMeasure)][3:]


def zone_measures(
    codes: NDArray[np.uint8],
    blobs: Mapping[int, Blobs],
    frame: MeasureFrame,
    probabilities: NDArray[np.float16] | None = None,
    before: Sequence[ZoneMeasure] = (),
) -> list[ZoneMeasure]:
    """Areas of every class and of ``affected`` in every zone.

    Parameters
    ----------
    codes : (rows, columns) uint8 array
    blobs : mapping of class code to Blobs
    frame : MeasureFrame
    probabilities : (classes, rows, columns) array or None
        In the order of :data:`pitmap.surface.PROBABILITY_CLASSES`.
    before : sequence of ZoneMeasure
        Of the same map with its probabilities; how far they lie from its areas stands where `probabilities` are not given.
    """
    apart = {(m.zone, m.word): m.expected_mm2 - m.area_mm2 for m in before}
    pixel = frame.grid.pixel_area_mm2
    scale = frame.grid.mm_per_px
    unfound = _unfound_px(probabilities, codes, frame)
    n = len(frame.zone_names) + 1
    table = cv2.calcHist([codes, frame.zone_raster], [0, 1], None, [256, n], [0, 256, 0, n]).reshape(256, n)
    out = []
    for k, name in enumerate(frame.zone_names, 1):
        counts = table[:, k]
        seen = float(counts[1:255].sum()) * pixel
        parts = []
        for code in CLASSES:
            part = _one(blobs.get(int(code)), k, pixel, scale)
            area = float(counts[code]) * pixel
            parts.append(ZoneMeasure(
                zone=name, word=CLASS_WORDS[code], seen_mm2=seen, area_mm2=area,
                # of metal that a hand took away, or that the sum has left out, no less than nothing is expected
                expected_mm2=float(np.clip(area + (
                    apart.get((name, CLASS_WORDS[code]), math.nan)
                    if unfound is None
                    else _unfound_mm2(unfound, code, k, pixel)
                ), 0.0, seen)),
                **part,
            ))  # fmt: skip
        hit = [p for p, code in zip(parts, CLASSES) if code in AFFECTED]
        sums = {f: sum(getattr(p, f) for p in hit) for f in _SUMMED}
        sums["largest_mm2"] = max(p.largest_mm2 for p in hit)
        out.extend([*parts, ZoneMeasure(zone=name, word="affected", seen_mm2=seen, **sums)])
    return out


def marks_counted(zones: pd.DataFrame) -> pd.Series:
    """Marks of every row of a table of zones, as a count of them is shown.

    Returns
    -------
    Series of Int64
        In the order of the rows; NA where nothing of the zone was seen, or the class cannot be told: that no mark shows
        there is no count of none.
    """
    return zones["n_marks"].astype("Int64").mask(zones["share"].isna())


def _one(b: Blobs | None, zone: int, pixel: float, scale: float) -> dict[str, Any]:
    if b is None or len(b) == 0:
        return {}
    area = b.zone_px[:, zone] * pixel
    edge = b.perimeter_px * scale * b.zone_px[:, zone] / b.area_px
    cells = area * np.minimum(area, CELL_MM2)
    doubt = np.clip(1 - b.confidence, 0, 0.5)
    return {
        "perimeter_mm": float(edge.sum()),
        "perimeter_square_mm2": float((edge**2).sum()),
        "cells_mm4": float(cells.sum()),
        "doubt_mm4": float((doubt * (1 - doubt) * cells).sum()),
        "n_marks": int(np.count_nonzero(area)),
        "largest_mm2": float(area.max()),
    }


def _unfound_px(probabilities, codes, frame):  # type: ignore[no-untyped-def]
    """Pixels expected per class and zone beyond those of the map, from every fourth row and column: sums need no more.

    Both are counted on the same pixels, or where the marks lie between them would pass for doubt.
    """
    if probabilities is None:
        return None
    step = 4
    zone = frame.zone_raster[::step, ::step].reshape(-1).astype(np.int64)
    code = codes[::step, ::step].reshape(-1)
    seen = (code > 0) & (code < 255)
    out = np.zeros((256, len(frame.zone_names) + 1))
    for name, layer in zip(PROBABILITY_CLASSES, probabilities):
        p = layer[::step, ::step].reshape(-1).astype(np.float64)
        more = np.where(seen, p - (code == name), 0.0)
        out[int(name)] = step**2 * np.bincount(zone, weights=more, minlength=out.shape[1])
    return out


def _unfound_mm2(unfound, code, zone, pixel):  # type: ignore[no-untyped-def]
    """NaN for a class that has no probability of its own."""
    if code not in PROBABILITY_CLASSES:
        return math.nan
    return float(unfound[int(code), zone]) * pixel


def zones_table(
    measures: Sequence[ZoneMeasure],
    frame: MeasureFrame,
    settings: MeasureSettings,
    stage: Stage,
    alignment_error_mm: float,
) -> pd.DataFrame:
    """Rows of the schema ``zones``: every class and ``affected`` for every zone.

    Notes
    -----
    Before the first lap nothing is freshly cut, so uncut metal cannot be told: its area, share and density are NaN,
    not zero. A zone of which nothing was seen has NaN shares. Metal not seen is in no denominator.

    The high end of ``affected`` is never under that of a class that it holds: there is no less of the whole than of a part.

    A mark that crosses a border counts in every zone that it reaches into, each time with its part there: the counts of
    the zones may add up to more than the marks.
    """
    code_of = {**{CLASS_WORDS[c]: int(c) for c in CLASSES}, "affected": -1}
    pixel = frame.grid.pixel_area_mm2
    rows = []
    most_of_a_part: dict[str, float] = {}
    for m in measures:
        zone_area = float(frame.zone_px[1 + frame.zone_names.index(m.zone)]) * pixel
        unknown = m.seen_mm2 <= 0 or (m.word == "uncut" and not stage.is_lapped)
        low, high = (math.nan, math.nan)
        if not unknown:
            low, high = m.share_interval(settings.errors.classes[m.word], settings.level, alignment_error_mm)
            if m.word == "affected":
                high = max(high, most_of_a_part.get(m.zone, 0.0))
            elif code_of[m.word] in AFFECTED:
                most_of_a_part[m.zone] = max(high, most_of_a_part.get(m.zone, 0.0))
        # of a zone between the pixels nothing was seen
        unseen = 1 - m.seen_mm2 / zone_area if zone_area > 0 else 1.0
        rows.append(
            {
                "zone": m.zone,
                "class_code": code_of[m.word],
                "class_word": m.word,
                "zone_area_mm2": zone_area,
                "seen_area_mm2": m.seen_mm2,
                "unseen_share": unseen,
                "area_mm2": math.nan if unknown else m.area_mm2,
                "share": math.nan if unknown else m.area_mm2 / m.seen_mm2,
                "share_low": low,
                "share_high": high,
                "n_marks": m.n_marks,
                "largest_mm2": math.nan if unknown else m.largest_mm2,
                "density_per_cm2": math.nan if unknown else 100 * m.n_marks / m.seen_mm2,
                "flags": int(Flag.TOUCHES_UNSEEN) if unseen > _DOUBTFUL_UNSEEN else 0,
            }
        )
    return ZONES.frame(rows)
