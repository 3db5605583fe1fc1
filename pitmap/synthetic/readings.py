"""Readings that a small shop would take of a face: needle depths, thickness, dial heights, wear steps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.spatial import ConvexHull

from ..tables import Column, Schema
from ..units import UM_PER_THOU
from .lap import Survey

__all__ = [
    "JOB_READINGS",
    "dial_grid",
    "height_um",
    "high_spots",
    "pit_depths",
    "readings_table",
    "straightedge",
    "thickness_spots",
    "wear_steps",
]

JOB_READINGS = Schema(
    "job readings",
    (
        Column("face", "object", "face of the job"),
        Column("stage", "object", "stage of the survey"),
        Column("kind", "object", "pit_depth, height, thickness, wear_step or straightedge"),
        Column("x_mm", "float64", "plate frame of that face"),
        Column("y_mm", "float64", "plate frame of that face"),
        Column("mark", "object", "what the shop wrote beside it; the same pit keeps its name"),
        Column("value", "float64", "as read"),
        Column("unit", "object", "um, thou or mm"),
        Column("uncertainty", "float64", "one standard deviation, same unit"),
        Column("lower_bound", "bool", "the needle did not reach the floor"),
        Column("instrument", "object", "what it was read with"),
        Column("note", "object", "free text"),
    ),
)

_NEEDLE_UM, _DEEP_GAUGE_UM, _DIAL_UM, _MICROMETER_UM = 6.0, 9.0, 3.0, 3.5
_NARROW_MM = 0.5


def _row(
    survey: Survey,
    face: str,
    kind: str,
    xy: tuple[float, float],
    value_um: float,
    err_um: float,
    unit: str,
    **more: object,
) -> dict[str, object]:
    per = {"um": 1.0, "thou": UM_PER_THOU, "mm": 1000.0}[unit]
    places = {"um": 0, "thou": 1, "mm": 3}[unit]
    return {
        "face": face,
        "stage": str(survey.stage),
        "kind": kind,
        "x_mm": round(float(xy[0]), 1),
        "y_mm": round(float(xy[1]), 1),
        "mark": "",
        "value": round(value_um / per, places),
        "unit": unit,
        "uncertainty": round(err_um / per, places + 1),
        "lower_bound": False,
        "instrument": "",
        "note": "",
        **more,
    }


def _at(survey: Survey, xy: tuple[float, float]) -> tuple[int, int]:
    c, r = np.round(survey.grid.mm_to_px(xy)).astype(int)
    return int(np.clip(r, 0, survey.grid.n_rows - 1)), int(np.clip(c, 0, survey.grid.n_cols - 1))


def height_um(survey: Survey, xy: tuple[float, float]) -> float:
    """Height of the face at a point above the highest point of the face as received, pits left out."""
    r, c = _at(survey, xy)
    return float(survey.face.height_um[r, c] - survey.cut_um[r, c])


def pit_depths(survey: Survey, face: str, rng: np.random.Generator, n: int = 9) -> list[dict[str, object]]:
    """Needle readings: two thirds at the widest pits, one third at others; narrow pits give a lower bound."""
    left = survey.pits[survey.pits.left_um > 8].sort_values("drawn_diam_mm", ascending=False)
    wide, rest = left.head(2 * n // 3), left.iloc[2 * n // 3 :]
    others = rest.iloc[np.sort(rng.permutation(len(rest))[: n - len(wide)])]
    shown: list[Any] = list(pd.concat([wide, others]).itertuples(index=False))
    rows = []
    for pit in shown:
        thou = bool(rng.random() < 0.5)
        err = _NEEDLE_UM if thou else _DEEP_GAUGE_UM
        value = pit.left_um + rng.normal(0, err)
        short = pit.drawn_diam_mm < _NARROW_MM or (pit.drawn_diam_mm < 0.8 and rng.random() < 0.5)
        if short:
            value *= rng.uniform(0.4, 0.85)
        rows.append(
            _row(
                survey, face, "pit_depth", (pit.x_mm + rng.normal(0, 0.25), pit.y_mm + rng.normal(0, 0.25)),
                max(2.0, value), err, "thou" if thou else "um", mark=f"P{pit.pit_id}", lower_bound=short,
                instrument="needle dial indicator" if thou else "needle depth gauge",
                note="needle sits on the sides" if short else "",
            )
        )  # fmt: skip
    return rows


def dial_grid(
    survey: Survey, face: str, rng: np.random.Generator, pitch_mm: float = 30.0
) -> list[dict[str, object]]:
    """Dial heights on a square grid, against the first point read; in thou at intake, um later."""
    shape = survey.face.shape
    x_lo, y_lo, x_hi, y_hi = survey.face.drawing.outline.bounds
    unit = "um" if survey.stage.is_lapped else "thou"
    rows: list[dict[str, object]] = []
    zero: float | None = None
    for y in np.arange(y_hi - 12, y_lo, -pitch_mm):
        for x in np.arange(x_lo + 12, x_hi, pitch_mm):
            r, c = _at(survey, (x, y))
            # The foot of the indicator is 3 mm wide and stays off edges and pits.
            window = (slice(max(0, r - 10), r + 11), slice(max(0, c - 10), c + 11))
            if shape.metal_mm[r, c] < 3 or survey.depth_um[window].any():
                continue
            value = height_um(survey, (float(x), float(y)))
            zero = value if zero is None else zero
            rows.append(
                _row(
                    survey, face, "height", (float(x), float(y)), value - zero + rng.normal(0, _DIAL_UM),
                    _DIAL_UM, unit, instrument="dial indicator on surface plate",
                    note="" if rows else "zero set here",
                )
            )  # fmt: skip
    return rows


def high_spots(survey: Survey, n: int = 5) -> list[tuple[float, float]]:
    """Places of the rim that stand highest, well apart, where a micrometer goes."""
    face = survey.face
    step = round(5 * face.grid.px_per_mm)
    rows, cols = np.mgrid[0 : face.grid.n_rows : step, 0 : face.grid.n_cols : step].reshape(2, -1)
    good = (face.shape.metal_mm[rows, cols] > 3.5) & (face.pit_um[rows, cols] == 0)
    rows, cols = rows[good], cols[good]
    order = np.argsort(-face.height_um[rows, cols], kind="stable")
    points = face.grid.px_to_mm(np.column_stack([cols, rows]).astype(float))[order]
    chosen: list[tuple[float, float]] = []
    for p in points:
        if all(np.hypot(*(p - q)) > 60 for q in chosen):
            chosen.append((float(p[0]), float(p[1])))
        if len(chosen) == n:
            break
    return chosen


def thickness_spots(
    survey: Survey, face: str, rng: np.random.Generator, thickness_um: float, when: str
) -> list[dict[str, object]]:
    """Micrometer thickness at the high spots, mm; `thickness_um` is that at the highest point as received."""
    rows = []
    for k, xy in enumerate(high_spots(survey), 1):
        value = thickness_um + height_um(survey, xy) + rng.normal(0, _MICROMETER_UM)
        rows.append(
            _row(
                survey, face, "thickness", xy, value, _MICROMETER_UM, "mm", mark=f"T{k}",
                instrument="outside micrometer", note=when,
            )
        )  # fmt: skip
    return rows


def wear_steps(survey: Survey, face: str, rng: np.random.Generator, n: int = 3) -> list[dict[str, object]]:
    """Steps at the edges of worn tracks: the largest falls over 3 mm inside the bore trace."""
    grid, shape = survey.grid, survey.face.shape
    stand = survey.face.height_um - survey.cut_um
    gap = round(3 * grid.px_per_mm)
    fall = np.abs(stand[:, gap:] - stand[:, :-gap])
    fall = np.where((shape.metal_mm[:, gap:] > 3) & (shape.metal_mm[:, :-gap] > 3), fall, 0)
    rows = []
    for _ in range(n):
        r, c = np.unravel_index(int(np.argmax(fall)), fall.shape)
        if fall[r, c] < 6:
            break
        xy = grid.px_to_mm((float(c + gap / 2), float(r)))
        rows.append(
            _row(
                survey, face, "wear_step", (float(xy[0]), float(xy[1])),
                float(fall[r, c]) + rng.normal(0, _NEEDLE_UM), _NEEDLE_UM, "thou",
                instrument="dial indicator on a bridge", note="edge of a worn track, over 3 mm",
            )
        )  # fmt: skip
        far = round(25 * grid.px_per_mm)
        fall[max(0, r - far) : r + far, max(0, c - far) : c + far] = 0
    return rows


def straightedge(survey: Survey, face: str, rng: np.random.Generator) -> list[dict[str, object]]:
    """Two lines across the face, each with the thinnest feeler that does not pass, 10 um steps."""
    x_lo, y_lo, x_hi, y_hi = survey.face.drawing.outline.bounds
    rows = []
    for name, a, b in (
        ("long", (x_lo + 15, 0.5 * (y_lo + y_hi)), (x_hi - 15, 0.5 * (y_lo + y_hi))),
        ("cross", (0.5 * (x_lo + x_hi), y_hi - 15), (0.5 * (x_lo + x_hi), y_lo + 15)),
    ):
        t = np.linspace(0, 1, 120)
        points = [(a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1])) for s in t]
        places = [_at(survey, p) for p in points]
        keep = [k for k, rc in enumerate(places) if survey.face.shape.metal_mm[rc] > 0.5]
        line = np.array([height_um(survey, points[k]) for k in keep])
        # The edge rests on the upper hull of the line.
        xy = np.column_stack([t[keep] * 200, line])
        base = np.vstack([xy, [[xy[0, 0], line.min() - 1000], [xy[-1, 0], line.min() - 1000]]])
        top = xy[np.sort([v for v in ConvexHull(base).vertices if v < len(xy)])]
        gap = float(np.max(np.interp(xy[:, 0], top[:, 0], top[:, 1]) - line))
        passes = 10.0 * np.floor(gap / 10.0)
        rows.append(
            _row(
                survey, face, "straightedge", points[60], passes + 10.0, 2.0, "um", mark=name,
                instrument="straightedge and feelers",
                note=f"{passes:.0f} um passes, {passes + 10:.0f} um does not",
            )
        )  # fmt: skip
    return rows


def readings_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rows to the table of :data:`JOB_READINGS`."""
    return JOB_READINGS.frame(rows)
