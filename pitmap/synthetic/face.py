"""One face as received: heights, pits, stain, heat tint, scores, old finish; the exact truth of it all."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..drawing.model import Drawing
from ..grid import Grid
from .noise import fractal, smoothstep
from .pits import PitPatch, place_pits, stamp_pits
from .shape import PlateShape, plate_shape

__all__ = ["Damage", "Face", "make_face", "random_damage", "stock_for_uncut"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """How bad a face is; 1 is an ordinary plate on every scale, 0 leaves that damage out.

    Parameters
    ----------
    n_pits : int
    stain, tint, wear, warp, scores : float
        Factors on the extent of stain, the strength of tint, the depth of wear tracks and low spots, the
        warp, and the number of scores.
    n_fields : int
        Places where pits have grown together, rust about them.
    roughness, speckle_mm : float
        Factor on the roughness of the old finish, and the size of its largest blobs: how ragged the edge of what
        a lap has reached is.
    """

    n_pits: int = 140
    stain: float = 1.0
    tint: float = 1.0
    wear: float = 1.0
    warp: float = 1.0
    scores: float = 1.0
    n_fields: int = 0
    roughness: float = 1.0
    speckle_mm: float = 0.9


def random_damage(rng: np.random.Generator) -> Damage:
    """Damage drawn from light to heavy."""
    return Damage(
        n_pits=int(np.clip(rng.lognormal(np.log(130), 0.7), 15, 500)),
        stain=float(rng.uniform(0.4, 1.9)),
        tint=float(rng.choice([0.0, 1.0], p=[0.25, 0.75]) * rng.uniform(0.6, 1.4)),
        wear=float(rng.uniform(0.3, 1.6)),
        warp=float(rng.uniform(0.3, 1.6)),
        scores=float(rng.choice([0.0, 1.0], p=[0.5, 0.5])),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """Exact truth of one face as received, on the grid of its shape.

    Attributes
    ----------
    drawing : Drawing
    shape : PlateShape
        Distance fields; ``shape.grid`` is the raster of every array here.
    height_um : float32
        Height above the highest point of the face, so never above 0; pits and scores left out.
    rough_um : float32
        Roughness about that height: peaks are cut before the mean line is.
    pit_um, score_um : float32
        Depth of pits and scores below the face, 0 elsewhere.
    stain, tint : float32
        Strength of rust, scale and water stain (0..1), and of heat tint (0..1.2).
    mottle, hue : float32
        Old finish from bright (0) to brown (1), and the drift of colours, mean about 0.
    pits : pandas.DataFrame
        Columns as in :data:`pitmap.synthetic.pits.PITS`.
    patches : tuple of PitPatch
        Each pit as drawn, in the order of `pits`.
    """

    drawing: Drawing
    shape: PlateShape
    height_um: NDArray[np.float32]
    rough_um: NDArray[np.float32]
    pit_um: NDArray[np.float32]
    score_um: NDArray[np.float32]
    stain: NDArray[np.float32]
    tint: NDArray[np.float32]
    mottle: NDArray[np.float32]
    hue: NDArray[np.float32]
    pits: pd.DataFrame
    patches: tuple[PitPatch, ...]

    @property
    def grid(self) -> Grid:
        """Raster of the truth."""
        return self.shape.grid


def _up(field: NDArray, grid: Grid) -> NDArray[np.float32]:
    return np.asarray(
        cv2.resize(np.asarray(field, np.float32), grid.shape[::-1], interpolation=cv2.INTER_LINEAR)
    )


def _random_points(
    drawing: Drawing, rng: np.random.Generator, n: int, inset_mm: float
) -> NDArray[np.float64]:
    """Points inside the outline, away from its edge where there is room."""
    inner = drawing.outline.buffer(-inset_mm)
    area = inner if not inner.is_empty else drawing.outline
    x_lo, y_lo, x_hi, y_hi = area.bounds
    out: list[tuple[float, float]] = []
    from shapely import contains_xy

    while len(out) < n:
        x, y = rng.uniform(x_lo, x_hi), rng.uniform(y_lo, y_hi)
        if contains_xy(area, x, y):
            out.append((x, y))
    return np.array(out).reshape(-1, 2)


def _blob(x: NDArray, y: NDArray, at: NDArray, size_mm: float, aspect: float, turn: float) -> NDArray:
    """A Gaussian hill of height 1."""
    dx, dy = x - at[0], y - at[1]
    u = dx * np.cos(turn) + dy * np.sin(turn)
    v = (dy * np.cos(turn) - dx * np.sin(turn)) / aspect
    return np.exp(-(u * u + v * v) / (2 * size_mm**2))


def _tracks(shape: PlateShape, x: NDArray, y: NDArray, rng: np.random.Generator, centre: NDArray) -> NDArray:
    """Wear of 0..1 where seals ran: arcs about the shaft, and bands that follow the bore trace."""
    out = np.zeros_like(x)
    inner = shape.trace_mm
    reach = float(inner.max())
    dx, dy = x - centre[0], y - centre[1]
    radius, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
    for _ in range(int(rng.integers(1, 4))):
        middle, half = rng.uniform(0.35, 0.95) * reach, rng.uniform(1.5, 5)
        band = smoothstep(half + 1.2, half - 0.2, np.abs(radius - middle))
        start, length = rng.uniform(-np.pi, np.pi), rng.uniform(0.6, 3.5)
        along = np.mod(angle - start, 2 * np.pi)
        ends = smoothstep(0, 0.3, along) * smoothstep(length, length - 0.3, along)
        out = np.maximum(out, band * ends * rng.uniform(0.5, 1))
    for _ in range(int(rng.integers(0, 3))):
        middle, half = rng.uniform(3, 22), rng.uniform(1.2, 4)
        band = smoothstep(half + 1.0, half - 0.2, np.abs(inner - middle))
        start, length = rng.uniform(-np.pi, np.pi), rng.uniform(0.8, 4)
        along = np.mod(angle - start, 2 * np.pi)
        ends = smoothstep(0, 0.3, along) * smoothstep(length, length - 0.3, along)
        out = np.maximum(out, band * ends * rng.uniform(0.4, 1))
    return out * (inner > 0)


def _heights(
    shape: PlateShape, damage: Damage, rng: np.random.Generator, hot_xy: NDArray, drawing: Drawing
) -> NDArray[np.float32]:
    coarse = shape.coarse
    xs, ys = coarse.centres_mm()
    x, y = np.meshgrid(xs, ys)
    centre = np.array(drawing.outline.centroid.coords[0])
    span = 0.5 * max(coarse.n_rows, coarse.n_cols) / coarse.px_per_mm
    u, v = (x - centre[0]) / span, (y - centre[1]) / span
    turn = rng.uniform(0, np.pi)
    p, q = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
    low = damage.warp * (
        rng.uniform(4, 26) * p * p + rng.uniform(-12, 12) * q * q + rng.uniform(-6, 6) * p * q
    )
    low += damage.warp * rng.uniform(1.5, 5) * fractal(rng, x.shape, 60 * coarse.px_per_mm, 10)
    low += 0.5 * fractal(rng, x.shape, 10 * coarse.px_per_mm, 2)
    for at in _random_points(drawing, rng, int(rng.integers(1, 5)), 8):
        low += (
            damage.wear
            * rng.uniform(6, 40)
            * _blob(x, y, at, rng.uniform(8, 30), rng.uniform(0.4, 1), rng.uniform(0, 3))
        )
    for at in hot_xy:
        # Heat leaves a low spot under its colour more often than not.
        low += (
            rng.choice([0.0, 1.0], p=[0.3, 0.7])
            * rng.uniform(15, 50)
            * _blob(x, y, at, rng.uniform(10, 22), 0.8, 0.0)
        )
    low += damage.wear * rng.uniform(15, 55) * _tracks(shape, x, y, rng, centre)
    height = _up(-low, shape.grid)
    # "The highest point" is the highest metal; a lap plate rests there.
    return height - np.float32(height[shape.metal].max())


def _stain(
    shape: PlateShape, damage: Damage, rng: np.random.Generator, patches_xy: NDArray, size_mm: NDArray
) -> NDArray:
    """Rust and scale beside coolant openings and in patches, with tide lines round them."""
    grid, coarse = shape.grid, shape.coarse
    xs, ys = coarse.centres_mm()
    x, y = np.meshgrid(xs, ys)
    where = fractal(rng, x.shape, 45 * coarse.px_per_mm, 4)
    envelope = (
        0.85 * np.exp(-np.clip(shape.coolant_mm, 0, None) / rng.uniform(3, 9)) * smoothstep(-0.9, 1.1, where)
    )
    for at, size in zip(patches_xy, size_mm, strict=True):
        envelope += rng.uniform(0.35, 0.75) * _blob(x, y, at, size, rng.uniform(0.4, 1), rng.uniform(0, 3))
    grain = fractal(rng, grid.shape, 9 * grid.px_per_mm, 1.0, gain=0.72)
    out = _up(envelope * min(damage.stain, 2.0), grid) * 1.1 + 0.29 * grain
    out -= np.float32(0.58)
    np.clip(out * np.float32(1.45), 0, 1, out=out)
    # Tide lines: where water stopped, a thin ring is left along a level line of a smooth field.
    level = fractal(rng, grid.shape, 26 * grid.px_per_mm, 4.0, gain=0.45)
    lines = np.exp(
        -((level - np.float32(rng.uniform(-0.3, 0.6))) ** 2) / np.float32(2 * rng.uniform(0.018, 0.035) ** 2)
    )
    near = _up(smoothstep(0.12, 0.5, envelope * damage.stain), grid)
    out += np.float32(rng.uniform(0.2, 0.6)) * lines * near
    if damage.stain <= 0:
        out[:] = 0
    return np.clip(out, 0, 1, out=out)


def _tint(shape: PlateShape, damage: Damage, rng: np.random.Generator, hot_xy: NDArray) -> NDArray:
    coarse = shape.coarse
    xs, ys = coarse.centres_mm()
    x, y = np.meshgrid(xs, ys)
    out = np.zeros(x.shape)
    for at in hot_xy:
        reach = rng.uniform(5, 15)
        out += rng.uniform(0.55, 1.15) * _blob(x, y, at, reach, rng.uniform(0.45, 1), rng.uniform(0, 3))
    wavy = fractal(rng, x.shape, 8 * coarse.px_per_mm, 2)
    return _up(np.clip(damage.tint * out * (1 + 0.16 * wavy), 0, 1.2), shape.grid)


def _field_places(
    drawing: Drawing, shape: PlateShape, rng: np.random.Generator, n: int
) -> NDArray[np.float64]:
    """Where pits have grown together: three in four beside a coolant opening, where water stood."""
    places = _random_points(drawing, rng, n, 4)
    coolant = [o.polygon.exterior for o in drawing.openings if o.kind == "coolant"]
    for k in range(n) if coolant else ():
        if rng.random() < 0.75:
            ring = coolant[rng.integers(len(coolant))]
            at = ring.interpolate(rng.random(), normalized=True)
            places[k] = np.array([at.x, at.y]) + rng.normal(0, 4.5, 2)
    return places


def _rust_about(shape: PlateShape, pits: pd.DataFrame, rng: np.random.Generator) -> NDArray[np.float32]:
    """Rust in and about pits that have grown together, some more than others, ragged."""
    grid = shape.grid
    seeds = np.zeros(grid.shape, np.float32)
    of_fields = pits[pits["origin"] == "field"]
    at = np.round(grid.mm_to_px(of_fields[["x_mm", "y_mm"]].to_numpy(float))).astype(int)
    seeds[at[:, 1], at[:, 0]] = 1
    near = np.zeros(grid.shape, np.float32)
    for reach in (0.7, 2.0):
        hill = cv2.GaussianBlur(seeds, (0, 0), reach * grid.px_per_mm)
        near = np.maximum(near, hill / max(float(hill.max()), 1e-9))
    strong = smoothstep(-0.6, 1.0, fractal(rng, grid.shape, 12 * grid.px_per_mm, 4.0))
    ragged = 1 + 0.6 * fractal(rng, grid.shape, 2.5 * grid.px_per_mm, 1.0, gain=0.7)
    rust = np.float32(rng.uniform(0.6, 2.2)) * np.sqrt(near) * strong * np.clip(ragged, 0, 2)
    return np.clip(rust - np.float32(0.15), 0, 1).astype(np.float32)


def _scores(
    shape: PlateShape, damage: Damage, rng: np.random.Generator, drawing: Drawing
) -> NDArray[np.float32]:
    """A few long scratches, um deep, 0.1 to 0.5 mm wide."""
    out = np.zeros(shape.grid.shape, np.float32)
    n = int(rng.integers(1, 4) * damage.scores)
    for at in _random_points(drawing, rng, n, 25):
        length, turn, bend = rng.uniform(12, 70), rng.uniform(0, 2 * np.pi), rng.normal(0, 0.006)
        s = np.linspace(0, length, 60)
        way = turn + bend * s
        line = at + np.stack([np.cumsum(np.cos(way)), np.cumsum(np.sin(way))], -1) * (s[1] - s[0])
        px = np.round(shape.grid.mm_to_px(line) * 16).astype(np.int32)
        layer = np.zeros(out.shape, np.uint8)
        width = max(1, round(rng.uniform(0.12, 0.45) * shape.grid.px_per_mm))
        cv2.polylines(layer, [px], False, 255, width, cv2.LINE_AA, 4)
        depth = np.float32(rng.uniform(8, 35)) * (layer.astype(np.float32) / 255)
        np.maximum(out, depth, out=out)
    out[~shape.metal] = 0
    return out


def make_face(
    drawing: Drawing, rng: np.random.Generator, damage: Damage | None = None, px_per_mm: float = 10.0
) -> Face:
    """An invented face as received, with its exact truth.

    Parameters
    ----------
    drawing : Drawing
    rng : numpy.random.Generator
    damage : Damage, optional
        How bad; without it, drawn at random.
    px_per_mm : float
        Scale of the truth rasters.

    Returns
    -------
    Face
    """
    damage = damage or random_damage(rng)
    shape = plate_shape(drawing, float(px_per_mm))
    n_hot = 0 if damage.tint <= 0 else int(rng.integers(1, 4))
    hot_xy = _random_points(drawing, rng, n_hot, 25)
    n_patches = int(rng.integers(2, 7))
    patches_xy = _random_points(drawing, rng, n_patches, 6)
    size_mm = rng.uniform(5, 22, n_patches)
    height = _heights(shape, damage, rng, hot_xy, drawing)
    fields_xy = _field_places(drawing, shape, rng, damage.n_fields) if damage.n_fields else None
    pits = place_pits(drawing, shape, rng, damage.n_pits, patches_xy, 0.35 * size_mm, fields_xy)
    pit_um, pit_patches = stamp_pits(pits, shape, rng)
    stain = _stain(shape, damage, rng, patches_xy, size_mm)
    if damage.stain > 0:
        # Rust creeps out of a pit.
        halo = cv2.GaussianBlur((pit_um > 0).astype(np.float32), (0, 0), 0.6 * px_per_mm)
        stain += np.float32(0.8 * rng.uniform(0.3, 1)) * halo
        if fields_xy is not None:
            stain += _rust_about(shape, pits, rng)
        np.clip(stain, 0, 1, out=stain)
    tint = _tint(shape, damage, rng, hot_xy)
    score_um = _scores(shape, damage, rng, drawing)
    mottle = fractal(rng, shape.grid.shape, rng.uniform(14, 40) * px_per_mm, 1.0, gain=0.6)
    mottle = smoothstep(-0.9, rng.uniform(1.2, 2.2), mottle).astype(np.float32)
    hue = fractal(rng, shape.grid.shape, 6 * px_per_mm, 2.0, gain=0.7)
    rough = fractal(rng, shape.grid.shape, damage.speckle_mm * px_per_mm, 1.0, gain=0.8)
    rough *= np.float32(damage.roughness * rng.uniform(1.0, 3.0))
    off = ~shape.metal
    for a in (stain, tint, mottle, height):
        a[off] = 0
    arrays = {
        "height_um": height, "rough_um": rough, "pit_um": pit_um, "score_um": score_um, "stain": stain,
        "tint": tint, "mottle": mottle, "hue": hue,
    }  # fmt: skip
    for a in arrays.values():
        a.setflags(write=False)
    return Face(drawing=drawing, shape=shape, pits=pits, patches=pit_patches, **arrays)


def stock_for_uncut(face: Face, share: float) -> float:
    """Stock in um, from the highest point, at which a level lap leaves `share` of the metal uncut."""
    return float(-np.quantile(face.height_um[face.shape.metal], share))
