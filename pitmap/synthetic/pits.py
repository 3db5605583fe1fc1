"""Pits: where they start, how wide and how deep, and the ragged holes they make."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..drawing.model import Drawing
from ..grid import Grid
from ..tables import Column, Schema
from .shape import PlateShape

__all__ = ["PITS", "PitPatch", "draw_pit", "place_pits", "stamp_pits"]

PITS = Schema(
    "synthetic pits",
    (
        Column("pit_id", "int64", "from 1, the same at every survey of the face"),
        Column("x_mm", "float64", "middle"),
        Column("y_mm", "float64", "middle"),
        Column("drawn_diam_mm", "float64", "diameter of a round pit of the drawn size"),
        Column("depth_max_um", "float64", "deepest point below the face as received"),
        Column("origin", "object", "coolant, patch, free or field"),
    ),
)

_MIN_DIAM_MM, _MAX_DIAM_MM = 0.25, 4.5


@dataclass(frozen=True, slots=True, eq=False)
class PitPatch:
    """One pit as drawn: depth in um on a small window of the raster whose first pixel is (row, col)."""

    row: int
    col: int
    depth_um: NDArray[np.float32]

    @property
    def window(self) -> tuple[slice, slice]:
        """Its place in the raster."""
        h, w = self.depth_um.shape
        return slice(self.row, self.row + h), slice(self.col, self.col + w)


def place_pits(
    drawing: Drawing,
    shape: PlateShape,
    rng: np.random.Generator,
    n: int,
    patches_xy: NDArray,
    spread_mm: NDArray,
    fields_xy: NDArray | None = None,
) -> pd.DataFrame:
    """Positions, diameters and depths of `n` pits, columns as in :data:`PITS`.

    About each of `fields_xy`, (k, 2) mm, more pits lie so close that they have grown together.

    Notes
    -----
    Diameter is log-normal (median 0.6 mm); depth has a median of 70 um at 0.8 mm and grows with the 0.8th
    power of diameter, with a log-normal scatter of 0.45. House choice: the shapes of the laws are those
    commonly fitted to pitted steel, the numbers were chosen to look like plates.
    """
    coolant = [o.polygon for o in drawing.openings if o.kind == "coolant"] or [
        o.polygon for o in drawing.openings
    ]
    # Rust starts at some openings and not at others, as the water stood.
    weight = rng.gamma(0.6, 1.0, max(1, len(coolant))) + 1e-3
    weight /= weight.sum()
    rows: list[dict[str, object]] = []
    x_lo, y_lo, x_hi, y_hi = drawing.outline.bounds
    for _ in range(n * 40):
        if len(rows) >= n:
            break
        pick = rng.random()
        if pick < 0.45 and coolant:
            origin = "coolant"
            ring = coolant[rng.choice(len(coolant), p=weight)].exterior
            at = ring.interpolate(rng.random(), normalized=True)
            step = rng.exponential(2.8) + 0.6
            angle = rng.uniform(0, 2 * np.pi)
            x, y = at.x + step * np.cos(angle), at.y + step * np.sin(angle)
        elif pick < 0.86 and len(patches_xy):
            origin = "patch"
            k = rng.integers(len(patches_xy))
            x, y = patches_xy[k] + rng.normal(0, spread_mm[k], 2)
        else:
            origin = "free"
            x, y = rng.uniform(x_lo, x_hi), rng.uniform(y_lo, y_hi)
        pit = _pit_at(shape, rng, (x, y), origin, typical_mm=0.6, scatter=0.6, rim_mm=0.25, rim_share=0.2)
        if pit:
            rows.append(pit | {"pit_id": len(rows) + 1})
    for at in () if fields_xy is None else fields_xy:
        rows += _field(shape, rng, at, len(rows) + 1)
    return PITS.frame(rows)


def _pit_at(
    shape: PlateShape,
    rng: np.random.Generator,
    xy_mm: tuple[float, float],
    origin: str,
    *,
    typical_mm: float,
    scatter: float,
    rim_mm: float,
    rim_share: float = 0.0,
    shallow: float = 1.0,
) -> dict[str, object]:
    """A pit drawn by the laws of :func:`place_pits`, `shallow` times as deep; empty too near the drawn edge, or off it."""
    grid = shape.grid
    c, r = np.round(grid.mm_to_px(xy_mm)).astype(int)
    diam = float(np.clip(rng.lognormal(np.log(typical_mm), scatter), _MIN_DIAM_MM, _MAX_DIAM_MM))
    inside = 0 <= r < grid.n_rows and 0 <= c < grid.n_cols
    if not inside or shape.metal_mm[r, c] < rim_mm + rim_share * diam:
        return {}
    depth = float(np.clip(70 * shallow * (diam / 0.8) ** 0.8 * rng.lognormal(0, 0.45), 8, 500))
    return {
        "x_mm": xy_mm[0], "y_mm": xy_mm[1], "drawn_diam_mm": diam, "depth_max_um": depth, "origin": origin,
    }  # fmt: skip


def _field(
    shape: PlateShape, rng: np.random.Generator, at: NDArray, first_id: int
) -> list[dict[str, object]]:
    """Pits that have grown together about `at`: many, mostly shallow, in a patch of a few mm."""
    out: list[dict[str, object]] = []
    size, aspect, turn = rng.uniform(0.6, 3.5), rng.uniform(0.35, 1.0), rng.uniform(0, np.pi)
    shallow, typical = rng.uniform(0.25, 1.0), rng.uniform(0.4, 0.8)
    for _ in range(min(120, int(rng.poisson(rng.uniform(1.5, 4.0) * np.pi * aspect * size**2)) + 2)):
        u, v = rng.normal(0, 0.5 * size), rng.normal(0, 0.5 * size * aspect)
        x = at[0] + u * np.cos(turn) - v * np.sin(turn)
        y = at[1] + u * np.sin(turn) + v * np.cos(turn)
        pit = _pit_at(
            shape, rng, (x, y), "field", typical_mm=typical, scatter=0.5, rim_mm=0.15, shallow=shallow
        )
        if pit:
            out.append(pit | {"pit_id": first_id + len(out)})
    return out


def draw_pit(grid: Grid, row: Any, rng: np.random.Generator) -> PitPatch:
    """A ragged hole: wobbly radius, steep sides, rough floor; the deepest point has the depth asked for."""
    radius = 0.5 * row.drawn_diam_mm * grid.px_per_mm
    half = int(np.ceil(1.9 * radius + 2))
    c0, r0 = grid.mm_to_px((row.x_mm, row.y_mm))
    ci, ri = round(float(c0)), round(float(r0))
    yy, xx = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    yy -= np.float32(r0 - ri)
    xx -= np.float32(c0 - ci)
    turn, stretch = rng.uniform(0, np.pi), rng.uniform(0.7, 1.0)
    u = xx * np.cos(turn) + yy * np.sin(turn)
    v = (-xx * np.sin(turn) + yy * np.cos(turn)) / stretch
    theta = np.arctan2(v, u)
    wobble = np.ones_like(theta)
    for k in range(2, 8):
        wobble += rng.normal(0, 0.30 / k**0.8) * np.cos(k * theta + rng.uniform(0, 2 * np.pi))
    small = rng.standard_normal((half // 2 + 3, half // 2 + 3), dtype=np.float32)
    lumps = cv2.resize(small, xx.shape[::-1], interpolation=cv2.INTER_CUBIC)
    rho = np.hypot(u, v) * np.sqrt(stretch) / (radius * np.clip(wobble, 0.45, 1.7)) + 0.13 * lumps
    depth = np.clip(1 - np.clip(rho, 0, None) ** rng.uniform(2.0, 4.5), 0, 1) * (1 + 0.22 * lumps)
    depth = np.clip(depth, 0, None)
    depth[rho > 1] = 0
    peak = float(depth.max())
    if peak > 0:
        depth *= row.depth_max_um / peak
    else:
        depth[half, half] = row.depth_max_um
    return PitPatch(ri - half, ci - half, depth.astype(np.float32))


def stamp_pits(
    table: pd.DataFrame, shape: PlateShape, rng: np.random.Generator
) -> tuple[NDArray[np.float32], tuple[PitPatch, ...]]:
    """All pits into one depth raster (um, deeper wins) and the patch of each, clipped to the metal."""
    out = np.zeros(shape.grid.shape, np.float32)
    patches = []
    for row in table.itertuples(index=False):
        p = draw_pit(shape.grid, row, rng)
        top, left = max(0, -p.row), max(0, -p.col)
        depth = p.depth_um[top:, left:]
        r, c = p.row + top, p.col + left
        depth = depth[: out.shape[0] - r, : out.shape[1] - c]
        patch = PitPatch(
            r, c, np.where(shape.metal[r : r + depth.shape[0], c : c + depth.shape[1]], depth, 0)
        )
        np.maximum(out[patch.window], patch.depth_um, out=out[patch.window])
        patches.append(patch)
    return out, tuple(patches)
