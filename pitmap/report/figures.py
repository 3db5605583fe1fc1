"""What a chart shows, gathered once: matplotlib draws it for the record, plotly for the page."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..drawing import Drawing
from ..errors import InputError
from ..grid import Grid
from ..units import MM_PER_INCH, UM_PER_THOU, UnitSystem, format_length
from .overlay import numbered_marks, scale_bar
from .text import Translate
from .words import quantity_word, stage_word, zone_word

__all__ = [
    "Bar",
    "BarChart",
    "FaceMap",
    "Line",
    "LineChart",
    "budget_bars",
    "curve_chart",
    "face_map",
    "is_best_case",
    "series_chart",
]


_STRIP_SHARE = 0.1
"""Height of the strip of a scale bar, as a share of the picture's: letters fit in on a phone (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaceMap:
    """A face in plate millimetres.

    Parameters
    ----------
    picture : (R, C, 3) uint8 array
        Straightened photo, plain or with the overlay.
    extent_mm : (left, right, bottom, top)
    zones : tuple of (zone word, (N, 2) array of mm)
    marks : pandas.DataFrame
        The numbered marks: mark_id, x_mm, y_mm, hover.
    path_mm : (N, 2) array or None
        The narrowest sound metal.
    path_word : str
        What that line is, for its key.
    bar_mm : float
        Length of the scale bar.
    bar_word : str
        What is written beside it.
    title : str
    units : {"mm", "inch"}
        What the axes are labelled in.
    """

    picture: NDArray[np.uint8]
    extent_mm: tuple[float, float, float, float]
    zones: tuple[tuple[str, NDArray[np.float64]], ...]
    marks: pd.DataFrame
    path_mm: NDArray[np.float64] | None
    path_word: str
    bar_mm: float
    bar_word: str
    title: str
    units: UnitSystem = "mm"

    @property
    def strip_mm(self) -> tuple[float, float]:
        """Bottom and top of a white strip below the picture, for the scale bar: on the picture it would hide metal."""
        bottom, top = self.extent_mm[2:]
        return bottom - _STRIP_SHARE * (top - bottom), bottom


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One curve with its band; `marker` and `dash` tell it apart without colour."""

    label: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    colour: str
    marker: str
    dash: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineChart:
    """Curves over stock."""

    title: str
    x_label: str
    y_label: str
    lines: tuple[Line, ...]
    is_percent: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One budget: what is there after the planned removal, of what, and the limits, one or two; all in `unit`."""

    label: str
    unit: str
    now: float
    after: float
    after_low: float
    after_high: float
    limits: tuple[float, ...]
    is_past: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BarChart:
    """Budgets, one bar each on its own scale."""

    title: str
    bars: tuple[Bar, ...] = field(default_factory=tuple)


_LINES = (("#0072b2", "o", "-"), ("#d55e00", "s", "--"), ("#009e73", "^", "-."), ("#000000", "D", ":"))


def face_map(
    t: Translate,
    inspection: Any,
    drawing: Drawing,
    picture: NDArray[np.uint8],
    grid: Grid,
    *,
    n_numbers: int = 15,
    units: UnitSystem = "mm",
) -> FaceMap:
    """The map of one survey over a picture of the face on `grid`, its scale bar round and its axes labelled in `units`.

    Raises
    ------
    InputError
        The picture does not fit its grid.
    """
    if picture.shape[:2] != grid.shape:
        raise InputError(f"map: picture {picture.shape[:2]} does not fit its grid {grid.shape}")
    zones = []
    for zone, shape in drawing.zones.items():
        for polygon in getattr(shape, "geoms", [shape]):
            for ring in (polygon.exterior, *polygon.interiors):
                zones.append((zone_word(t, zone), np.asarray(ring.coords)[:, :2]))
    marks = numbered_marks(inspection.measurement.marks, n_numbers)[
        ["mark_id", "x_mm", "y_mm", "zone", "eq_diam_mm"]
    ]
    hover = [f"{m.mark_id}: {m.zone}, {format_length(m.eq_diam_mm, units)}" for m in marks.itertuples()]
    paths = inspection.measurement.land_paths
    is_leak = bool(inspection.measurement.lands.is_leak_path.head(1).any())
    left, top = grid.x0_mm, grid.y1_mm
    width, height = grid.n_cols * grid.mm_per_px, grid.n_rows * grid.mm_per_px
    bar_mm, bar_word = scale_bar(width, units)
    return FaceMap(
        picture=picture,
        extent_mm=(left, left + width, top - height, top),
        zones=tuple(zones),
        marks=marks.assign(hover=hover),
        path_mm=paths[0] if len(paths) else None,
        path_word=t("leak path") if is_leak else t("narrowest sound metal"),
        bar_mm=bar_mm,
        bar_word=bar_word,
        title=stage_word(t, inspection.stage),
        units=units,
    )


def _stock_axis(t: Translate, units: UnitSystem) -> tuple[float, str]:
    return (1 / UM_PER_THOU, t("stock removed, thou")) if units == "inch" else (1.0, t("stock removed, um"))


def _length_axis(t: Translate, units: UnitSystem) -> tuple[float, str]:
    return (1 / MM_PER_INCH, t("sound width, in")) if units == "inch" else (1.0, t("sound width, mm"))


def _scale(t: Translate, quantity: str, units: UnitSystem) -> tuple[float, str, bool]:
    if quantity in ("sound_width_mm", "sound_width"):
        return (*_length_axis(t, units), False)
    if quantity == "deepest_um":
        scale, unit = (1 / UM_PER_THOU, "thou") if units == "inch" else (1.0, "um")
        return scale, f"{quantity_word(t, quantity)}, {unit}", False
    if quantity in ("n_pits", "pits"):
        return 1.0, quantity_word(t, quantity), False
    return 100.0, f"{quantity_word(t, quantity)}, %", True


def series_chart(
    t: Translate,
    comparison: Any,
    quantity: str,
    units: UnitSystem = "mm",
) -> LineChart:
    """One quantity of a lap series against the stock removed, a line per zone.

    Parameters
    ----------
    comparison : pitmap.compare.Comparison
    quantity : str
        As in the series table.
    """
    scale, y_label, is_percent = _scale(t, quantity, units)
    x_scale, x_label = _stock_axis(t, units)
    table = comparison.series
    table = table[(table["quantity"] == quantity) & table["value"].notna() & table["removed_um"].notna()]
    lines = []
    for k, (zone, rows) in enumerate(table.groupby("zone", sort=True)):
        colour, marker, dash = _LINES[k % len(_LINES)]
        columns = {c: scale * rows[c].to_numpy(float) for c in ("value", "low", "high")}
        lines.append(
            Line(
                label=zone_word(t, str(zone)),
                x=x_scale * rows["removed_um"].to_numpy(float),
                y=columns["value"],
                low=columns["low"],
                high=columns["high"],
                colour=colour,
                marker=marker,
                dash=dash,
            )
        )
    return LineChart(
        title=quantity_word(t, quantity),
        x_label=x_label,
        y_label=y_label,
        lines=tuple(lines),
        is_percent=is_percent,
    )


def curve_chart(t: Translate, curves: pd.DataFrame, aim: str, units: UnitSystem = "mm") -> LineChart:
    """What each further removal leaves, a line per zone.

    Parameters
    ----------
    curves : pandas.DataFrame
        A stock plan's curves: zone, aim, removal_um, value, value_low, value_high.
    aim : str
        pits, sound_width or uncut.
    """
    scale, y_label, is_percent = _scale(t, aim, units)
    x_scale, _ = _stock_axis(t, units)
    x_label = t("further stock, thou") if units == "inch" else t("further stock, um")
    lines = []
    for k, (zone, rows) in enumerate(curves[curves["aim"] == aim].groupby("zone", sort=True)):
        rows = rows.sort_values("removal_um")
        colour, marker, dash = _LINES[k % len(_LINES)]
        lines.append(
            Line(
                label=zone_word(t, str(zone)),
                x=x_scale * rows["removal_um"].to_numpy(float),
                y=scale * rows["value"].to_numpy(float),
                low=scale * rows["value_low"].to_numpy(float),
                high=scale * rows["value_high"].to_numpy(float),
                colour=colour,
                marker=marker if len(rows) < 12 else "",
                dash=dash,
            )
        )
    return LineChart(
        title=quantity_word(t, aim),
        x_label=x_label,
        y_label=y_label,
        lines=tuple(lines),
        is_percent=is_percent,
    )


def _is_past(plan: Any, line: Any) -> bool:
    """The rule of a budget says that it breaks a limit: judged there alone, for a ring's squeeze has two."""
    return any(f.rule == line.name and f.status == "stop" for f in plan.verdict.findings)


def is_best_case(plan: Any, line: Any) -> bool:
    """A budget's figure for after the work is only the best that it can be, and does not break the limit even so."""
    return bool(line.lacking) and not _is_past(plan, line)


def budget_bars(t: Translate, plan: Any, units: UnitSystem = "mm") -> BarChart:
    """The plan's budgets: what is left after the planned removal against the limit.

    Budgets without a limit are left out: a bar without its limit would look like a pass. So are those that rest on an
    entry that does not hold, and those of which nothing can be said after the work.
    """
    bars = []
    for line in plan.budget:
        limits = [v for v in (line.limit, line.limit_high) if not math.isnan(v)]
        if not limits or not line.after.is_known or line.doubt or is_best_case(plan, line):
            continue
        scale, unit = {
            ("um", "inch"): (1 / UM_PER_THOU, "thou"),
            ("mm", "inch"): (1 / MM_PER_INCH, "in"),
            ("percent", "inch"): (1.0, "%"),
            ("percent", "mm"): (1.0, "%"),
        }.get((line.unit, units), (1.0, line.unit))
        e = line.after
        bars.append(
            Bar(
                label=quantity_word(t, line.name),
                unit=unit,
                now=scale * line.now.value,
                after=scale * e.value,
                after_low=scale * (e.low if e.has_interval else e.value),
                after_high=scale * (e.high if e.has_interval else e.value),
                limits=tuple(scale * v for v in limits),
                is_past=_is_past(plan, line),
            )
        )
    return BarChart(title=t("Budget after the planned removal"), bars=tuple(bars))
