"""Invented plates from a random generator, for training and tests: no two alike, none a real engine's."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon

from ..errors import DrawingError
from .build import build_drawing
from .model import Drawing
from .numbers import BandNumbers, Ear, Hole, PlateNumbers, PortShape, Slot
from .trochoid import Trochoid

__all__ = ["random_numbers", "random_plate"]

Symmetry = Literal["none", "rotated", "mirrored"]
_ATTEMPTS = 60


def _at(ring: Polygon, angle_deg: float) -> tuple[float, float]:
    """Where a ray from the origin leaves a shape around it."""
    t = math.radians(angle_deg)
    ray = LineString([(0, 0), (1e4 * math.cos(t), 1e4 * math.sin(t))]).intersection(ring.exterior)
    points = [g for g in getattr(ray, "geoms", [ray]) if g.geom_type == "Point"]
    far = max(points, key=lambda p: math.hypot(p.x, p.y))
    return float(far.x), float(far.y)


def _twin(angle_deg: float, symmetry: Symmetry) -> float:
    return angle_deg + 180 if symmetry == "rotated" else 180 - angle_deg


def _with_twins(angles: NDArray[np.float64], symmetry: Symmetry) -> list[float]:
    """Directions over the whole turn: as drawn, or those of the drawn half and their twins."""
    if symmetry == "none":
        return [float(a) for a in angles]
    return [float(a) for a in angles] + [_twin(float(a), symmetry) for a in angles]


def _spread(rng: np.random.Generator, n: int, symmetry: Symmetry, jitter: float) -> list[float]:
    """`n` directions, about even; a half turn of them where twins will fill the rest.

    The drawn half of a mirrored plate is the right one, of a rotated plate the upper one.
    """
    if symmetry == "none":
        start, span, count = rng.uniform(0, 360), 360.0, n
    else:
        start, span, count = (-90.0 if symmetry == "mirrored" else 0.0), 180.0, max(1, n // 2)
    steps = (np.arange(count) + 0.5 + rng.uniform(-jitter, jitter, count)) * span / count
    return _with_twins(start + steps, symmetry)


def _openings_round(
    rng: np.random.Generator, trace: Polygon, land: float, symmetry: Symmetry
) -> tuple[list[Slot], list[Hole], float]:
    """Coolant slots with bolts between them, and the depth that they reach beyond the land."""
    n = 2 * int(rng.integers(5, 11))
    centres = sorted(a % 360 for a in _spread(rng, n, symmetry, 0.12))
    depth = float(rng.uniform(7, 13))
    bolt = float(rng.uniform(5.5, 9.0))
    corner = float(rng.uniform(1.5, min(3.5, depth / 3)))
    gap_mm = bolt + float(rng.uniform(7, 10))
    slots, holes = [], []  # type: ignore[var-annotated]
    p_slot, p_bolt = rng.uniform(0.75, 1.0), rng.uniform(0.7, 1.0)
    kept: dict[int, tuple[bool, bool, float]] = {}
    for i, centre in enumerate(centres):
        following = centres[(i + 1) % n] + (360 if i + 1 == n else 0)
        border = (centre + following) / 2
        # A slot, or a gap between two, decides as its twin did.
        twin = None
        if symmetry != "none":
            wanted = _twin(centre, symmetry) % 360
            twin = next((j for j in kept if abs((centres[j] - wanted + 180) % 360 - 180) < 1e-6), None)
        if twin is None:
            kept[i] = (rng.random() < p_slot, rng.random() < p_bolt, depth * rng.uniform(0.8, 1.0))
        has_slot, has_bolt, own_depth = kept[twin] if twin is not None else kept[i]
        previous = centres[i - 1] - (360 if i == 0 else 0)
        radius = math.hypot(*_at(trace, centre)) + land
        gap_deg = math.degrees(gap_mm / radius)
        half = min(centre - (previous + centre) / 2, border - centre) - gap_deg / 2
        if has_slot and math.radians(2 * half) * radius > 2.5 * corner + 3:
            slots.append(
                Slot(
                    name=f"coolant_{len(slots) + 1:02d}",
                    from_deg=round(centre - half, 3),
                    to_deg=round(centre + half, 3),
                    depth_mm=round(own_depth, 2),
                    corner_mm=round(corner, 2),
                )
            )
        # Under a mirror the twin of this border is another one's, so a choice made here would not be
        # repeated there.
        if has_bolt or symmetry == "mirrored":
            x, y = _at(trace.buffer(land + depth / 2 + 0.5), border)
            holes.append(
                Hole(
                    name=f"bolt_{len(holes) + 1:02d}",
                    kind="bolt",
                    x_mm=round(x, 2),
                    y_mm=round(y, 2),
                    diameter_mm=round(bolt, 1),
                )
            )
    return slots, holes, depth


def _body(
    rng: np.random.Generator, trace: Polygon, reach: float, symmetry: Symmetry
) -> tuple[tuple[float, float], ...]:
    """Corners of the body: the offset of the trace, pulled towards a box by a random share, and roughened."""
    base = trace.buffer(reach + rng.uniform(5, 12))
    x0, y0, x1, y1 = base.bounds
    squareness = rng.uniform(0, 0.9)
    points = []
    angles = sorted(a % 360 for a in _spread(rng, 2 * int(rng.integers(5, 11)), symmetry, 0.25))
    rough: dict[float, float] = {}
    for angle in angles:
        key = round(min(angle % 360, _twin(angle, symmetry) % 360), 4) if symmetry != "none" else angle
        if key not in rough:
            rough[key] = rng.uniform(0, 7)
        x, y = _at(base, angle)
        t = math.radians(angle)
        box = min(
            (x1 if math.cos(t) > 0 else -x0) / max(abs(math.cos(t)), 1e-9),
            (y1 if math.sin(t) > 0 else -y0) / max(abs(math.sin(t)), 1e-9),
        )
        r = math.hypot(x, y)
        r = r + squareness * (box - r) + rough[key]
        points.append((round(r * math.cos(t), 2), round(r * math.sin(t), 2)))
    return tuple(points)


def _ears(
    rng: np.random.Generator, body: Polygon, symmetry: Symmetry
) -> tuple[tuple[Ear, ...], tuple[Hole, ...]]:
    ears, holes = [], []
    angles = [a + rng.uniform(-12, 12) * (symmetry == "none") for a in _spread(rng, 4, symmetry, 0.2)]
    radii: dict[int, tuple[float, float]] = {}
    for i, angle in enumerate(angles):
        half = len(angles) // 2
        partner = i - half if symmetry != "none" and i >= half else i
        if partner not in radii:
            radii[partner] = (rng.uniform(8, 13), rng.uniform(-4, 5))
        radius, out = radii[partner]
        x, y = _at(body, angle)
        grow = 1 + out / math.hypot(x, y)
        ears.append(Ear(x_mm=round(x * grow, 2), y_mm=round(y * grow, 2), radius_mm=round(radius, 2)))
        kind = "dowel" if partner == 0 else ("lift" if rng.random() < 0.5 else "bolt")
        holes.append(
            Hole(
                name=f"{kind}_ear_{i + 1}",
                kind=kind,
                x_mm=ears[-1].x_mm,
                y_mm=ears[-1].y_mm,
                diameter_mm=round(0.9 * radius, 1),
            )
        )
    return tuple(ears), tuple(holes)


def _ports(
    rng: np.random.Generator, trace: Polygon, bore_radius: float, symmetry: Symmetry
) -> list[PortShape]:
    ports = []
    for i, angle in enumerate(_spread(rng, 2 * int(rng.integers(0, 2)) + 2, symmetry, 0.3)):
        edge = math.hypot(*_at(trace, angle))
        inner, outer = bore_radius + 6, edge - rng.uniform(4, 12)
        if outer - inner < 14 or (symmetry == "none" and i and rng.random() < 0.5):
            continue
        size = min(outer - inner, rng.uniform(16, 30)) / 2
        middle = inner + size if rng.random() < 0.3 else outer - size
        t = math.radians(angle)
        n = int(rng.integers(4, 8))
        turns = np.sort(rng.uniform(0, 2 * np.pi / n * 0.6, n) + np.arange(n) * 2 * np.pi / n)
        r = size * rng.uniform(0.75, 1.0, n)
        points = tuple(
            (
                round(middle * math.cos(t) + k * math.cos(a), 2),
                round(middle * math.sin(t) + k * math.sin(a), 2),
            )
            for k, a in zip(r, turns)
        )
        ports.append(
            PortShape(name=f"port_{i + 1}", points_mm=points, corner_mm=round(rng.uniform(1.5, 3.5), 2))
        )
    return ports


def random_numbers(
    rng: np.random.Generator, *, symmetry: Symmetry = "none", name: str = "invented plate"
) -> PlateNumbers:
    """Numbers of one random plate; now and then numbers that cannot be built.

    Parameters
    ----------
    rng : numpy.random.Generator
    symmetry : {"none", "rotated", "mirrored"}
        ``rotated``: nearly the same when turned by half a turn; ``mirrored``: nearly its own mirror image in
        the y axis. One ear out of place, and the ports, tell the poses apart.
    name : str
    """
    radius = rng.uniform(55, 115)
    e = radius / rng.uniform(5.8, 9.5)
    trace = Trochoid(
        eccentricity_mm=round(e, 2), radius_mm=round(radius, 2), offset_mm=round(rng.uniform(0, 4), 2)
    )
    shape = trace.polygon(360)
    land = round(float(rng.uniform(4.5, 8.5)), 2)
    slots, holes, depth = _openings_round(rng, shape, land, symmetry)
    points = _body(rng, shape, land + depth, symmetry)
    ears, ear_holes = _ears(rng, Polygon(points), symmetry)
    if symmetry != "none":
        # The one feature that tells the two poses apart: an ear some millimetres out of place.
        moved, hole = ears[0], ear_holes[0]
        t = math.atan2(moved.y_mm, moved.x_mm) + math.pi / 2
        step = rng.uniform(5, 9)
        dx, dy = round(step * math.cos(t), 2), round(step * math.sin(t), 2)
        ears = (Ear(x_mm=moved.x_mm + dx, y_mm=moved.y_mm + dy, radius_mm=moved.radius_mm), *ears[1:])
        ear_holes = (
            Hole(
                name=hole.name,
                kind=hole.kind,
                x_mm=hole.x_mm + dx,
                y_mm=hole.y_mm + dy,
                diameter_mm=hole.diameter_mm,
            ),
            *ear_holes[1:],
        )
    bore = float(rng.uniform(0.25, 0.42)) * trace.waist_mm / 2
    rounds = (
        *holes,
        *ear_holes,
        Hole(name="bore", kind="bore", x_mm=0, y_mm=0, diameter_mm=round(2 * bore, 2)),
    )
    return PlateNumbers(
        name=name,
        thickness_mm=round(float(rng.uniform(9, 18)), 1),
        trace=trace,
        land_width_mm=land,
        body_points_mm=points,
        body_corner_mm=round(float(rng.uniform(5, 14)), 2),
        fillet_mm=round(float(rng.uniform(3, 8)), 2),
        ears=ears,
        slots=tuple(slots),
        holes=rounds,
        ports=tuple(_ports(rng, shape, bore, symmetry)),
        bands=(
            BandNumbers(
                name="side_seal_track",
                from_mm=-9.0,
                to_mm=-1.5,
                seal_width_mm=round(rng.uniform(0.9, 1.6), 2),
            ),
        ),
    )


def random_plate(
    rng: np.random.Generator, *, symmetry: Symmetry = "none", name: str = "invented plate"
) -> Drawing:
    """A random invented plate, valid and varied: outline, ears, counts, sizes and shapes all differ.

    Parameters
    ----------
    rng : numpy.random.Generator
    symmetry : {"none", "rotated", "mirrored"}
        See :func:`random_numbers`.
    name : str

    Raises
    ------
    DrawingError
        No buildable plate in 60 draws; about 3 draws in 100 are not buildable.
    """
    why = ""
    for _ in range(_ATTEMPTS):
        try:
            return build_drawing(random_numbers(rng, symmetry=symmetry, name=name))
        except DrawingError as error:
            why = str(error)
    raise DrawingError(f"no random plate could be built in {_ATTEMPTS} draws; the last: {why}")
