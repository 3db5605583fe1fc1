"""Simulated series of class maps with truth: pits that the lap shrinks, and photos that misread them.

The class maps are drawn directly, with the errors that a photo and a classifier make: a wrong place on the
drawing, edges read too far in or out, pits missed, specks invented, metal hidden by glare.
"""

import math
from dataclasses import dataclass
from datetime import date, timedelta
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
from shapely import Point, box
from shapely.affinity import scale

from pitmap.classes import Stage, SurfaceClass
from pitmap.drawing import Drawing, Opening
from pitmap.estimate import Estimate

PX_PER_MM = 8.0
SUB = 6


@dataclass
class Noise:
    """What one photo does to the truth (mm, shares)."""

    shift_mm: float = 0.12
    turn: float = 4e-4
    common_edge_mm: float = 0.02
    own_edge_mm: float = 0.03
    miss_share: float = 0.01
    half_seen_diam_mm: float = 0.35
    specks: float = 6.0
    glare_share: float = 0.04


def make_drawing():
    outline = box(-70, -45, 70, 45)
    trace = scale(Point(0, 0).buffer(1, 64), 48, 30)
    edge = scale(Point(0, 0).buffer(1, 64), 54, 36)
    bore = Opening(name="bore", kind="bore", polygon=Point(0, 0).buffer(12, 64))
    bolts = tuple(
        Opening(name=f"bolt_{i}", kind="bolt", polygon=Point(x, y).buffer(4))
        for i, (x, y) in enumerate([(-62, -38), (62, -38), (62, 38), (-62, 38), (0, 41)], 1)
    )
    cut = bore.polygon
    for b in bolts:
        cut = cut.union(b.polygon)
    zones = {
        "running_surface": trace.difference(cut),
        "seal_land": edge.difference(trace).difference(cut),
        "rim": outline.difference(edge).difference(cut),
    }
    return Drawing(
        name="Test plate",
        thickness_mm=20.0,
        outline=outline,
        openings=(bore, *bolts),
        zones=zones,
        trace=trace,
        coolant_edge=edge,
    )


@dataclass
class Plate:
    """True pits: place, radius over the angle, depth, steepness; stains; height of the old face."""

    xy: np.ndarray
    radius: np.ndarray
    wave: np.ndarray
    depth_um: np.ndarray
    steep: np.ndarray
    stains: np.ndarray
    height_um: np.ndarray
    grow: np.ndarray


def make_plate(rng, drawing, grid, n_pits=110):
    face = drawing.mask(grid)
    rows, cols = np.nonzero(cv2.erode(face.astype(np.uint8), np.ones((13, 13), np.uint8)))
    pick = rng.choice(len(rows), n_pits, replace=False)
    xy = grid.px_to_mm(np.column_stack([cols[pick], rows[pick]]))
    diam = np.clip(rng.lognormal(math.log(1.05), 0.45, n_pits), 0.3, 4.0)
    wave = np.column_stack([rng.uniform(0, 0.2, (n_pits, 3)), rng.uniform(0, 2 * np.pi, (n_pits, 3))])
    depth = 25 * diam**0.6 * rng.lognormal(0, 0.5, n_pits)
    stains = np.column_stack(
        [xy[rng.choice(n_pits, 6, replace=False)] + rng.normal(0, 1, (6, 2)), rng.uniform(2, 7, (6, 2))]
    )
    low = cv2.GaussianBlur(
        rng.standard_normal((grid.n_rows // 8 + 1, grid.n_cols // 8 + 1)).astype(np.float32), (0, 0), 12
    )
    low = cv2.resize(low / low.std(), (grid.n_cols, grid.n_rows), interpolation=cv2.INTER_LINEAR)
    # A pit in low metal starts lower: its floor is deeper under the first face by as much.
    c, r = np.round(grid.mm_to_px(xy)).astype(int).T
    depth = depth + np.maximum(0.0, -12 * low[r, c])
    return Plate(xy, diam / 2, wave, depth, rng.uniform(2, 4, n_pits), stains, 12 * low, np.ones(n_pits))


def radius_at(plate, removed_um):
    """Mean radius of each pit after this much stock, mm; 0 when it is gone."""
    left = np.clip(1 - removed_um / plate.depth_um, 0, None) ** (1 / plate.steep)
    return plate.radius * left * plate.grow


def _draw(canvas, grid, xy, radius, wave, code, rng=None, rough_mm=0.0):
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    polygons = []
    for p, r, w in zip(xy, radius, wave, strict=True):
        if r <= 0:
            continue
        shape = 1 + sum(w[k] * np.cos((k + 2) * angle + w[k + 3]) for k in range(3))
        # fillPoly also fills the pixels that its edge passes through; half a pixel makes up for that.
        edge = r * shape - 0.5 / grid.px_per_mm
        if edge.mean() <= 0:
            continue
        if rng is not None and rough_mm:
            edge = np.maximum(0.01, edge + rough_mm * rng.standard_normal(len(angle)))
        points = p + np.maximum(edge, 0.01)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        polygons.append(np.round((1 << SUB) * grid.mm_to_px(points)).astype(np.int32))
    for polygon in polygons:
        cv2.fillPoly(canvas, [polygon], int(code), shift=SUB)
    return canvas


def true_codes(plate, drawing, grid, stage, removed_um):
    """The class raster without any error."""
    codes = np.where(drawing.mask(grid), SurfaceClass.SOUND, SurfaceClass.OUTSIDE).astype(np.uint8)
    if stage.is_lapped:
        codes[(codes > 0) & (plate.height_um + removed_um < 0)] = SurfaceClass.UNCUT
    outside = codes == SurfaceClass.OUTSIDE
    radius = radius_at(plate, removed_um)
    _draw(codes, grid, plate.xy, radius, plate.wave, SurfaceClass.PIT)
    if not stage.is_lapped:
        for x, y, a, b in plate.stains:
            angle = np.linspace(0, 2 * np.pi, 60)
            ring = np.column_stack([x + a * np.cos(angle), y + b * np.sin(angle)])
            cv2.fillPoly(
                codes,
                [np.round((1 << SUB) * grid.mm_to_px(ring)).astype(np.int32)],
                int(SurfaceClass.STAIN),
                shift=SUB,
            )
    codes[outside] = SurfaceClass.OUTSIDE
    return codes


def photograph(rng, plate, drawing, grid, stage, removed_um, on, noise, *, common=None):
    """One survey: class map with errors, and the tables that go with it."""
    outside = ~drawing.mask(grid)
    codes = np.where(outside, SurfaceClass.OUTSIDE, SurfaceClass.SOUND).astype(np.uint8)
    confidence = rng.uniform(0.75, 1.0, grid.shape).astype(np.float32)
    shift, turn = rng.normal(0, noise.shift_mm, 2), rng.normal(0, noise.turn, (2, 2))

    def moved(xy):
        return xy + shift + xy @ turn.T

    common = rng.normal(0, noise.common_edge_mm) if common is None else common
    if stage.is_lapped:
        edge = cv2.GaussianBlur(plate.height_um + removed_um, (0, 0), 1.5)
        step = grid.mm_to_px(moved(np.zeros(2))) - grid.mm_to_px(np.zeros(2))
        edge = cv2.warpAffine(
            edge, np.array([[1, 0, step[0]], [0, 1, step[1]]]), (grid.n_cols, grid.n_rows), borderValue=99.0
        )
        slope = np.hypot(*np.gradient(edge)) * grid.px_per_mm
        codes[(codes > 0) & (edge < common * slope)] = SurfaceClass.UNCUT
    radius = radius_at(plate, removed_um)
    is_there = radius > 0
    diam = 2 * radius
    seen = rng.random(len(radius)) < (1 - noise.miss_share) / (
        1 + np.exp(-(diam - noise.half_seen_diam_mm) / 0.07)
    )
    own = rng.normal(0, noise.own_edge_mm, len(radius)) / np.sqrt(np.maximum(0.3, diam))
    read = np.where(is_there & seen, np.maximum(0.08, radius + common + own), 0.0)
    place = moved(plate.xy)
    _draw(codes, grid, place, read, plate.wave, SurfaceClass.PIT, rng, 0.03)
    for i in np.flatnonzero(is_there & ~seen):
        spot = np.zeros(grid.shape, np.uint8)
        _draw(spot, grid, place[i : i + 1], radius[i : i + 1], plate.wave[i : i + 1], 1)
        confidence[spot > 0] = rng.uniform(0.3, 0.95)
    face = np.column_stack(np.nonzero(~outside))
    n = rng.poisson(noise.specks)
    at = face[rng.integers(0, len(face), n)]
    size = np.clip(rng.exponential(0.15, n) + 0.25, 0, 1.2) / 2
    wave = np.zeros((n, 6))
    specks = _draw(np.zeros(grid.shape, np.uint8), grid, grid.px_to_mm(at[:, ::-1]), size, wave, 1) > 0
    codes[specks & (codes == SurfaceClass.SOUND)] = SurfaceClass.PIT
    confidence[specks] = rng.uniform(0.3, 0.9)
    if not stage.is_lapped:
        for x, y, a, b in plate.stains:
            angle = np.linspace(0, 2 * np.pi, 60)
            ring = moved(
                np.column_stack([x + (a + common) * np.cos(angle), y + (b + common) * np.sin(angle)])
            )
            cv2.fillPoly(
                codes,
                [np.round((1 << SUB) * grid.mm_to_px(ring)).astype(np.int32)],
                int(SurfaceClass.STAIN),
                shift=SUB,
            )
    area, target = 0.0, noise.glare_share * len(face)
    while area < target:
        centre = face[rng.integers(0, len(face))]
        axes = rng.uniform(3, 9, 2) * grid.px_per_mm
        middle, turn = (int(centre[1]), int(centre[0])), float(rng.uniform(0, 180))
        cv2.ellipse(codes, middle, (int(axes[0]), int(axes[1])), turn, 0, 360, int(SurfaceClass.UNSEEN), -1)
        area += math.pi * axes[0] * axes[1]
    codes[outside] = SurfaceClass.OUTSIDE
    return survey(codes, confidence, grid, drawing, stage, removed_um, on)


def survey(codes, confidence, grid, drawing, stage, removed_um, on, level=0.9):
    """A stand-in for an Inspection with what compare reads."""
    zones = drawing.zone_raster(grid, by_centre=True)
    rows = []
    words = {"pit": [2], "stain": [3], "tint": [4], "uncut": [5], "affected": [2, 3, 4, 5]}
    for value, name in enumerate(drawing.zone_names, 1):
        seen = (zones == value) & (codes != SurfaceClass.UNSEEN) & (codes != SurfaceClass.OUTSIDE)
        for word, index in words.items():
            share = float(np.isin(codes[seen], index).mean()) if seen.any() else math.nan
            # No interval of the survey's own, so that the change rests on the repeatability alone.
            rows.append(
                {
                    "zone": name,
                    "class_word": word,
                    "share": share,
                    "share_low": math.nan,
                    "share_high": math.nan,
                }
            )
    n, _, stats, centre = cv2.connectedComponentsWithStats(
        (codes == SurfaceClass.PIT).astype(np.uint8), connectivity=8
    )
    xy = grid.px_to_mm(centre[1:]) if n > 1 else np.zeros((0, 2))
    marks = pd.DataFrame({
        "mark_id": np.arange(1, n, dtype=np.int64), "class_code": np.full(n - 1, 2, np.int64), "class_word": "pit",
        "x_mm": xy[:, 0], "y_mm": xy[:, 1], "area_mm2": stats[1:, 4] * grid.pixel_area_mm2, "zone": "rim",
        "flags": np.zeros(n - 1, np.int64),
    })  # fmt: skip
    return SimpleNamespace(
        face="front face",
        stage=stage,
        surveyed_on=on,
        removed_um=Estimate(value=removed_um, low=max(0.0, removed_um - 3), high=removed_um + 3, level=level),
        drawing_name=drawing.name,
        photos=(),
        alignment=SimpleNamespace(residual_mm=Estimate(value=0.15, low=0.1, high=0.2, level=level)),
        class_map=SimpleNamespace(
            codes=codes, confidence=confidence, grid=grid, stage=stage, probabilities=None
        ),
        measurement=SimpleNamespace(
            marks=marks,
            zones=pd.DataFrame(rows),
            sound_width_mm=Estimate(value=4.0, low=3.6, high=4.3, level=level),
        ),
        readings=None,
    )


STAGES = ("intake", "test_lap", "lap_1", "lap_2", "lap_3", "final")


def make_series(rng, drawing, grid, stages=4, noise=None):
    """A plate and its surveys through a job; returns (plate, removed stock, surveys)."""
    noise = noise or Noise()
    plate = make_plate(rng, drawing, grid)
    removed = np.concatenate([[0.0], np.cumsum(rng.uniform(8, 14, stages - 1))])
    day = date(2025, 3, 3)
    surveys = [
        photograph(rng, plate, drawing, grid, Stage(STAGES[k]), float(s), day + timedelta(days=k), noise)
        for k, s in enumerate(removed)
    ]
    return plate, removed, surveys


def true_fates(plate, drawing, grid, before, after, surveys):
    """True areas of every pit before and after (mm2), whether both photos saw it, and stain over it."""
    masks = []
    for stage, removed in (before, after):
        masks.append(true_codes(plate, drawing, grid, stage, removed))
    pit = [m == SurfaceClass.PIT for m in masks]
    seen = np.ones(grid.shape, bool)
    for s in surveys:
        # Half a millimetre round the glare counts as hidden too: the photos do not lie exactly on the truth.
        hidden = (s.class_map.codes == SurfaceClass.UNSEEN).astype(np.uint8)
        seen &= cv2.dilate(hidden, np.ones((9, 9), np.uint8)) == 0
    n, labels, stats, centre = cv2.connectedComponentsWithStats(
        (pit[0] | pit[1]).astype(np.uint8), connectivity=8
    )
    a, b, s, cover = (
        np.bincount(labels.ravel(), m.ravel().astype(float), n)[1:]
        for m in (*pit, seen, masks[0] == SurfaceClass.STAIN)
    )
    size = stats[1:, 4]
    area = grid.pixel_area_mm2
    return pd.DataFrame({"x": grid.px_to_mm(centre[1:])[:, 0], "y": grid.px_to_mm(centre[1:])[:, 1], "a": a * area,
                         "b": b * area, "seen": s / size, "covered": cover / size, "size": size * area})  # fmt: skip


def judge(pair, truth, noise_shift_mm=0.8):
    """Rows of truth that both photos saw, each with the fate given to it and whether that is right."""
    f = pair.fates[pair.fates["class_word"] == "pit"]
    xy = f[["x_mm", "y_mm"]].to_numpy(float)
    rows = []
    for t in truth.itertuples():
        big = max(t.a, t.b)
        if t.seen < 1 or big < math.pi / 4 * 0.8**2:
            continue
        near = np.hypot(xy[:, 0] - t.x, xy[:, 1] - t.y) if len(f) else np.zeros(0)
        reach = noise_shift_mm + math.sqrt(big / math.pi)
        if not len(near) or near.min() > reach:
            rows.append((t.a, t.b, "missed", False, "no mark near"))
            continue
        row = f.iloc[int(near.argmin())]
        is_left = t.b >= math.pi / 4 * 0.3**2
        fate = row["fate"]
        if fate == "gone":
            right = not is_left
        elif fate in ("new", "opened_up"):
            right = t.a < 0.25 * t.b or t.covered > 0.25
        elif fate == "cannot_tell":
            right = False
        else:
            change = t.b - t.a
            right = is_left and {"same": row["change_low_mm2"] <= change <= row["change_high_mm2"],
                                 "smaller": change < 0, "larger": change > 0}[fate]  # fmt: skip
        rows.append((t.a, t.b, fate, bool(right), row["why"]))
    return pd.DataFrame(rows, columns=["a", "b", "fate", "is_right", "why"])


def true_zone_change(plate, drawing, grid, before, after, surveys):
    """True change of the share of each class per zone, on the metal that both photos show.

    Uncut metal, which nobody can tell at intake, is then in none of them.
    """
    zones = drawing.zone_raster(grid, by_centre=True)
    seen = np.logical_and.reduce([s.class_map.codes != SurfaceClass.UNSEEN for s in surveys])
    a, b = (true_codes(plate, drawing, grid, *x) for x in (before, after))
    out = {}
    for value, name in enumerate(drawing.zone_names, 1):
        at = (zones == value) & seen
        words = {"pit": [2], "stain": [3], "affected": [2, 3, 4]}
        if before[0].is_lapped and after[0].is_lapped:
            words |= {"uncut": [5], "affected": [2, 3, 4, 5]}
        for word, index in words.items():
            out[name, word] = float(np.isin(b[at], index).mean() - np.isin(a[at], index).mean())
    return out
