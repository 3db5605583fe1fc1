"""Solid things on the bench and over the plate: nuts, washers, pins, a spanner, a pen, a rag, a glove."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Point, Polygon
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, box
from shapely.ops import unary_union

from ..drawing.model import Drawing
from ..registration.camera import apply_homography
from .noise import fractal, smoothstep
from .scene import Scene

__all__ = ["draw_clutter", "draw_covers"]

_SHIFT = 4


class _Brush:
    """Fills polygons given in mm into the picture, and notes what they cover."""

    def __init__(self, out: NDArray[np.float32], scene: Scene, cover: NDArray[np.uint8] | None) -> None:
        self.out, self.scene, self.cover = out, scene, cover
        lamp = max(scene.lamps, key=lambda v: v.power)
        middle = apply_homography(
            np.linalg.inv(scene.pose.homography()), (scene.size_wh[0] / 2, scene.size_wh[1] / 2)
        )
        to = lamp.points_mm.mean(0) - np.append(middle, 0)
        self.to_lamp = to / np.linalg.norm(to)
        self.rgb = lamp.rgb
        self.px_per_mm = scene.pose.focal_px / max(
            100.0, float(np.linalg.norm(scene.pose.position_mm - np.append(middle, 0)))
        )

    def lit(self, normal: NDArray) -> NDArray:
        """Light on a facet, per colour."""
        s = self.scene
        return (
            s.ambient * (0.7 + 0.3 * normal[2])
            + (1 - s.ambient) * max(0.0, float(normal @ self.to_lamp)) * self.rgb * 1.2
        )

    def mask(self, rings_px: list[NDArray]) -> tuple[tuple[slice, slice], NDArray] | None:
        """Coverage 0..255 of rings (outer and holes, even-odd) in the window that holds them."""
        h, w = self.out.shape[:2]
        every = np.concatenate(rings_px)
        if not np.isfinite(every).all() or np.abs(every).max() > 30000:
            return None
        c0, r0 = np.maximum(np.floor(every.min(0)).astype(int) - 2, 0)
        c1, r1 = np.minimum(np.ceil(every.max(0)).astype(int) + 3, (w, h))
        if c1 <= c0 or r1 <= r0:
            return None
        layer = np.zeros((r1 - r0, c1 - c0), np.uint8)
        pts = [np.round((p - [c0, r0]) * (1 << _SHIFT)).astype(np.int32) for p in rings_px]
        cv2.fillPoly(layer, pts, 255, cv2.LINE_AA, _SHIFT)
        return (slice(r0, r1), slice(c0, c1)), layer

    def fill(self, rings_px: list[NDArray], colour: NDArray) -> None:
        """Paint; `colour` is (3,) or a picture of the window made by the caller."""
        found = self.mask(rings_px)
        if found is None:
            return
        window, layer = found
        self.paint(window, layer, colour)

    def paint(self, window: tuple[slice, slice], layer: NDArray, colour: NDArray) -> None:
        """Blend a colour into a window by coverage."""
        part = self.out[window]
        part += (np.asarray(colour, np.float32) - part) * (layer.astype(np.float32) / 255)[..., None]
        if self.cover is not None:
            np.maximum(self.cover[window], layer, out=self.cover[window])

    def project(self, ring_mm: NDArray, z: float | NDArray) -> NDArray:
        """A ring (n, 2) at height z to pixels."""
        return self.scene.pose.project(np.column_stack([ring_mm, np.broadcast_to(z, len(ring_mm))]))

    def shadow(self, shape: Polygon, z0: float, z1: float, strength: float = 0.6) -> None:
        """Darken what lies in the shadow of a thing that stands from z0 to z1."""
        shift = -self.to_lamp[:2] / max(self.to_lamp[2], 0.25) * (z1 - z0)
        cast = unary_union([translate(shape, *(s * shift)) for s in (0, 0.33, 0.67, 1)]).buffer(0.8)
        parts = getattr(cast, "geoms", [cast])
        found = self.mask([self.project(np.asarray(p.exterior.coords)[:, :2], z0) for p in parts])
        if found is None:
            return
        window, layer = found
        soft = max(0.8, 0.18 * (z1 - z0) * self.px_per_mm)
        r, c = window
        pad = int(3 * soft) + 1
        h, w = self.out.shape[:2]
        big = (
            slice(max(0, r.start - pad), min(h, r.stop + pad)),
            slice(max(0, c.start - pad), min(w, c.stop + pad)),
        )
        wide = np.zeros((big[0].stop - big[0].start, big[1].stop - big[1].start), np.float32)
        wide[
            r.start - big[0].start : r.stop - big[0].start, c.start - big[1].start : c.stop - big[1].start
        ] = layer / 255
        self.out[big] *= (1 - np.float32(strength) * cv2.GaussianBlur(wide, (0, 0), soft))[..., None]

    def prism(self, shape: Polygon, z0: float, z1: float, rgb: NDArray, sheen: float = 0.1) -> None:
        """An upright solid: its sides that face the camera, then its top with a bevel."""
        eye = self.scene.pose.position_mm
        ring = np.asarray(shape.exterior.coords)[:, :2]
        if not shape.exterior.is_ccw:
            ring = ring[::-1]
        quads = []
        for a, b in zip(ring[:-1], ring[1:]):
            n = np.array([b[1] - a[1], a[0] - b[0], 0.0])
            n /= np.linalg.norm(n) + 1e-9
            m = np.append(0.5 * (a + b), z0)
            if n @ (eye - m) > 0:
                quads.append((-np.linalg.norm(eye - m), a, b, n))
        for _, a, b, n in sorted(quads, key=lambda q: q[0]):
            q = np.concatenate([self.project(np.array([a, b]), z0), self.project(np.array([b, a]), z1)])
            self.fill([q], rgb * self.lit(n) * 0.8)
        holes = [np.asarray(h.coords)[:, :2] for h in shape.interiors]
        up = np.array([0, 0, 1.0])
        for h in holes:
            self.fill([self.project(h, z1)], rgb * 0.12)
        self.fill(
            [self.project(ring, z1), *(self.project(h, z1) for h in holes)],
            rgb * (self.lit(up) + sheen) * 0.8,
        )
        inner = shape.buffer(-0.5)
        if isinstance(inner, Polygon) and not inner.is_empty:
            rings = [inner.exterior, *inner.interiors]
            self.fill(
                [self.project(np.asarray(k.coords)[:, :2], z1) for k in rings], rgb * (self.lit(up) + sheen)
            )

    def rod(
        self, start: NDArray, end: NDArray, radius: float, z0: float, colours: list[tuple[float, NDArray]]
    ) -> None:
        """A round bar that lies on z0; `colours` are (from this share of the length, rgb)."""
        way = (end - start) / np.linalg.norm(end - start)
        side = np.array([-way[1], way[0]])
        self.shadow(LineString([start, end]).buffer(radius, cap_style="flat"), z0, z0 + 2 * radius, 0.65)
        edges = np.linspace(0, math.pi, 12)
        for k, (share, rgb) in enumerate(colours):
            stop = colours[k + 1][0] if k + 1 < len(colours) else 1.0
            a, b = start + share * (end - start), start + stop * (end - start)
            for t0, t1 in zip(edges[:-1], edges[1:]):
                t = 0.5 * (t0 + t1)
                n = np.append(side * math.cos(t), math.sin(t))
                shine = (
                    0.5
                    * max(
                        0.0, float(n @ (self.to_lamp + [0, 0, 1]) / np.linalg.norm(self.to_lamp + [0, 0, 1]))
                    )
                    ** 30
                )
                u0, u1 = (side * radius * 1.02 * math.cos(v) for v in (t0, t1))
                z = z0 + radius * (1 + np.sin([t0, t0, t1, t1]))
                q = self.project(np.array([a + u0, b + u0, b + u1, a + u1]), z)
                self.fill([q], rgb * self.lit(n) + shine * self.rgb)

    def soft(
        self, shape: Polygon, z: float, rgb: NDArray, rng: np.random.Generator, fold_mm: float, stripes: bool
    ) -> None:
        """A limp thing: cloth or leather, rounded at its edge and full of folds."""
        found = self.mask([self.project(np.asarray(shape.exterior.coords)[:, :2], z)])
        if found is None:
            return
        self.shadow(shape, z - 5, z + 2, 0.6)
        window, layer = found
        s = self.px_per_mm
        inside = cv2.distanceTransform((layer > 127).astype(np.uint8), cv2.DIST_L2, 5) / s
        folds = fractal(rng, layer.shape, fold_mm * s, 0.3 * fold_mm * s, gain=0.3)
        height = 3 * (1 - np.exp(-inside / 2.5)) + 0.11 * fold_mm * folds
        height = cv2.GaussianBlur(height.astype(np.float32), (0, 0), max(0.8, 0.9 * s))
        gx = cv2.Sobel(height, cv2.CV_32F, 1, 0, scale=s / 8)
        gy = cv2.Sobel(height, cv2.CV_32F, 0, 1, scale=s / 8)
        size = np.sqrt(gx**2 + gy**2 + 1)
        to = self.scene.pose.rotation @ self.to_lamp
        dot = np.clip((-gx * to[0] - gy * to[1] - to[2]) / size, 0, None)
        tone = np.ones(layer.shape, np.float32)
        if stripes:
            yy, xx = np.mgrid[: layer.shape[0], : layer.shape[1]] / s
            turn, pitch = rng.uniform(0, 3), rng.uniform(14, 30)
            along = xx * math.cos(turn) + yy * math.sin(turn) + 0.5 * height
            tone *= 1 - 0.5 * smoothstep(1.2, 0.8, np.abs((along % pitch) - pitch / 2)).astype(np.float32)
        tone *= np.exp(0.05 * fractal(rng, layer.shape, 1.2 * s, 1)) * (
            1 - 0.5 * smoothstep(0.8, 2.6, fractal(rng, layer.shape, 25 * s, 3))
        )
        a = self.scene.ambient
        light = a * 0.8 + (1 - a) * 1.15 * dot
        self.paint(window, layer, (tone * light)[..., None] * rgb * self.rgb)


def _ngon(n: int, radius: float, turn: float) -> Polygon:
    t = turn + np.arange(n) * 2 * np.pi / n
    return Polygon(np.column_stack([radius * np.cos(t), radius * np.sin(t)]))


def _metal(rng: np.random.Generator) -> NDArray:
    kind = rng.integers(3)
    if kind == 0:
        return np.array([0.42, 0.42, 0.43]) * rng.uniform(0.6, 1.1)
    if kind == 1:
        return np.array([0.40, 0.34, 0.22]) * rng.uniform(0.6, 1.1)
    return np.array([0.12, 0.115, 0.11]) * rng.uniform(0.5, 1.4)


def draw_clutter(out: NDArray[np.float32], scene: Scene, drawing: Drawing, rng: np.random.Generator) -> None:
    """Nuts, washers, pins and pens on the bench, clear of the plate; drawn into the linear picture."""
    brush = _Brush(out, scene, None)
    z = -drawing.thickness_mm
    back = np.linalg.inv(scene.pose.homography(z))
    w, h = scene.size_wh
    done: list[tuple[Point, int]] = []
    for _ in range(scene.clutter * 12):
        if len(done) >= scene.clutter:
            break
        at = apply_homography(back, scene.pose.lens.undistort((rng.uniform(0, w), rng.uniform(0, h))))
        kind = rng.choice(["nut", "washer", "rod", "pen", "block"], p=[0.34, 0.28, 0.16, 0.1, 0.12])
        reach = {"nut": 12, "washer": 16, "rod": 40, "pen": 75, "block": 30}[str(kind)]
        spot = Point(at)
        if drawing.outline.distance(spot) < reach + 12 or any(spot.distance(p) < reach + k for p, k in done):
            continue
        done.append((spot, reach))
        rgb = _metal(rng)
        if kind == "nut":
            r = rng.uniform(6, 12)
            tall = r * rng.uniform(0.8, 1.1)
            shape = translate(_ngon(6, r, rng.uniform(0, 1)).difference(_ngon(24, 0.52 * r, 0)), *at)
        elif kind == "washer":
            r, tall = rng.uniform(6, 15), rng.uniform(1.2, 2.5)
            shape = translate(_ngon(36, r, 0).difference(_ngon(30, rng.uniform(0.4, 0.65) * r, 0)), *at)
        elif kind == "block":
            r, tall = rng.uniform(10, 30), rng.uniform(5, 25)
            shape = translate(rotate(box(-r, -0.4 * r, r, 0.4 * r), rng.uniform(0, 180)), *at)
            rgb = np.array(
                [(0.3, 0.04, 0.03), (0.05, 0.1, 0.3), (0.35, 0.33, 0.3), (0.02, 0.02, 0.02)][rng.integers(4)]
            )
        else:
            turn = rng.uniform(0, 2 * np.pi)
            way = np.array([np.cos(turn), np.sin(turn)])
            if kind == "rod":
                half, radius = rng.uniform(15, 38), rng.uniform(2.5, 6)
                brush.rod(at - half * way, at + half * way, radius, z, [(0.0, rgb)])
            else:
                _pen(brush, at - 68 * way, at + 68 * way, z, rng)
            continue
        brush.shadow(Polygon(shape.exterior), z, z + tall, 0.65)
        brush.prism(shape, z, z + tall, rgb)


def _pen(brush: _Brush, start: NDArray, end: NDArray, z: float, rng: np.random.Generator) -> None:
    body = np.array([(0.75, 0.75, 0.73), (0.03, 0.03, 0.03), (0.6, 0.5, 0.05)][rng.integers(3)])
    cap = np.array([(0.03, 0.12, 0.55), (0.02, 0.02, 0.02), (0.5, 0.03, 0.03)][rng.integers(3)])
    brush.rod(start, end, rng.uniform(5, 8), z, [(0.0, cap), (0.05, body), (0.62, cap), (0.94, 0.6 * cap)])


def _spanner(rng: np.random.Generator) -> Polygon:
    half, wide = rng.uniform(55, 95), rng.uniform(5, 7.5)
    parts = [box(-half, -wide, half, wide)]
    jaws = []
    for side, r in ((-1, rng.uniform(13, 17)), (1, rng.uniform(15, 19))):
        head = Point(side * half, 0).buffer(r)
        jaw = rotate(
            box(side * half, -0.45 * r, side * (half + 2 * r), 0.45 * r), side * 15, origin=(side * half, 0)
        )
        parts.append(head)
        jaws.append(jaw)
    shape = unary_union(parts).buffer(-4).buffer(4).difference(unary_union(jaws)).buffer(0.8).buffer(-0.8)
    return shape if isinstance(shape, Polygon) else max(shape.geoms, key=lambda g: g.area)


def _glove(rng: np.random.Generator) -> Polygon:
    fingers = [Point(0, 0).buffer(38)]
    for k, angle in enumerate((-28, 68, 83, 97, 112)):
        a = math.radians(angle + rng.normal(0, 5))
        length = (72, 98, 106, 100, 84)[k]
        fingers.append(LineString([(0, 0), (length * math.cos(a), length * math.sin(a))]).buffer(10.0))
    fingers.append(box(-32, -75, 32, 0))
    return unary_union(fingers).buffer(-5).buffer(5)


def _rag(rng: np.random.Generator) -> Polygon:
    t = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    wide, tall = rng.uniform(45, 75), rng.uniform(38, 65)
    r = 1 + sum(rng.normal(0, 0.07 / k) * np.cos(k * t + rng.uniform(0, 6)) for k in range(2, 9))
    square = (np.abs(np.cos(t)) ** 4 + np.abs(np.sin(t)) ** 4) ** -0.25
    return Polygon(np.column_stack([wide * r * square * np.cos(t), tall * r * square * np.sin(t)])).buffer(0)


def draw_covers(
    out: NDArray[np.float32], scene: Scene, drawing: Drawing, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """The things of ``scene.covers`` over the edge of the plate.

    Returns
    -------
    (rows, cols) uint8
        What they cover in the photo, 0..255.
    """
    cover = np.zeros(out.shape[:2], np.uint8)
    brush = _Brush(out, scene, cover)
    middle = np.array(drawing.outline.centroid.coords[0])
    for kind in scene.covers:
        edge = drawing.outline.exterior.interpolate(rng.random(), normalized=True)
        at = middle + rng.uniform(0.45, 0.95) * (np.array([edge.x, edge.y]) - middle)
        turn = rng.uniform(0, 360)
        if kind == "pen":
            way = np.array([math.cos(turn), math.sin(turn)])
            _pen(brush, at - 68 * way, at + 68 * way, 0.0, rng)
            continue
        maker = {"spanner": _spanner, "glove": _glove, "rag": _rag}[kind]
        shape = translate(rotate(maker(rng), turn, origin=(0, 0)), *at)
        if kind == "spanner":
            brush.shadow(shape, 0.0, 6.0, 0.6)
            brush.prism(shape, 1.0, 6.0, _metal(rng) + 0.08, 0.15)
            inner = shape.buffer(-3)
            if isinstance(inner, Polygon) and not inner.is_empty:
                brush.fill(
                    [brush.project(np.asarray(inner.exterior.coords)[:, :2], 6.0)],
                    np.full(3, 0.28) * brush.lit(np.array([0, 0, 1.0])),
                )
            continue
        if kind == "glove":
            rgb = np.array(
                [(0.05, 0.12, 0.42), (0.03, 0.03, 0.03), (0.42, 0.28, 0.12), (0.5, 0.5, 0.47)][
                    rng.integers(4)
                ]
            )
            brush.soft(shape, 5.0, rgb, rng, 14, False)
        else:
            rgb = np.array(
                [(0.10, 0.22, 0.50), (0.45, 0.08, 0.06), (0.5, 0.48, 0.42), (0.25, 0.26, 0.25)][
                    rng.integers(4)
                ]
            )
            brush.soft(shape, 4.0, rgb, rng, rng.uniform(26, 55), bool(rng.random() < 0.6))
    return cover
