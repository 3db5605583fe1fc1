"""Small plates and maps with literal sizes, shared by the tests of measuring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import Point, box

from pitmap.classes import SurfaceClass
from pitmap.drawing import Band, Drawing, Opening
from pitmap.grid import Grid

PIT, STAIN, TINT, UNCUT, SCORE = (
    SurfaceClass.PIT,
    SurfaceClass.STAIN,
    SurfaceClass.TINT,
    SurfaceClass.UNCUT,
    SurfaceClass.SCORE,
)


@dataclass(frozen=True)
class Map:
    """The fields of a class map that measuring looks at."""

    codes: np.ndarray
    confidence: np.ndarray
    grid: Grid
    stage: str = "test_lap"
    probabilities: np.ndarray | None = None
    break_chance: np.ndarray | None = None


def ring_plate(*, bands: tuple[Band, ...] = ()) -> Drawing:
    """A 76 x 64 mm plate; running surface to radius 20, land from 20 to 28 (8 mm wide), rim beyond."""
    centre = Point(0, 0)
    trace = centre.buffer(20, quad_segs=256)
    wide = centre.buffer(28, quad_segs=256)
    bore = centre.buffer(5, quad_segs=64)
    outline = box(-32, -32, 44, 32)
    return Drawing(
        name="ring plate",
        thickness_mm=12.0,
        outline=outline,
        openings=(Opening(name="bore", kind="bore", polygon=bore),),
        zones={
            "running_surface": trace.difference(bore),
            "seal_land": wide.difference(trace),
            "rim": outline.difference(wide),
        },
        trace=trace,
        bands=bands,
    )


def blank(drawing: Drawing, px_per_mm: float = 10.0, stage: str = "test_lap") -> Map:
    grid = drawing.grid(px_per_mm)
    codes = np.where(drawing.mask(grid), SurfaceClass.SOUND, SurfaceClass.OUTSIDE).astype(np.uint8)
    return Map(codes=codes, confidence=np.full(grid.shape, 0.9, np.float32), grid=grid, stage=stage)


def disc(m: Map, x: float, y: float, diameter: float, code: int) -> None:
    col, row = m.grid.mm_to_px([x, y])
    reach = diameter / 2 * m.grid.px_per_mm + 2
    rows = slice(max(0, int(row - reach)), max(0, int(row + reach) + 1))
    cols = slice(max(0, int(col - reach)), max(0, int(col + reach) + 1))
    xs, ys = m.grid.centres_mm()
    m.codes[rows, cols][np.hypot(xs[None, cols] - x, ys[rows, None] - y) <= diameter / 2] = code


def rectangle(m: Map, x0: float, y0: float, x1: float, y1: float, code: int) -> None:
    xs, ys = m.grid.centres_mm()
    m.codes[((ys > y0) & (ys < y1))[:, None] & ((xs > x0) & (xs < x1))[None]] = code
