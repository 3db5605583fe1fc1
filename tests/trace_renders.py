"""Rendered photos of invented plates to trace, with their truth; for tests and benchmarks of tracing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pitmap.drawing import Drawing
from pitmap.synthetic import Scene, Survey, lap, make_face, random_scene, render_photo
from pitmap.synthetic.scene import _pose
from pitmap.synthetic.sheet import SheetPlace
from pitmap.tracing import PhotoClicks


def lapped(drawing: Drawing, rng: np.random.Generator, px_per_mm: float = 5.0) -> Survey:
    """A worn face after a light lap."""
    return lap(make_face(drawing, rng, None, px_per_mm), 30.0, stage="test_lap")


def scene_of(
    drawing: Drawing,
    rng: np.random.Generator,
    *,
    tilt_deg: float,
    azimuth_deg: float,
    size_wh: tuple[int, int],
    fill: float = 0.86,
    shift: tuple[float, float] = (0.0, 0.0),
    roll_deg: float = 0.0,
    sheet: SheetPlace | None = None,
    bench: str | None = None,
) -> Scene:
    """A random shop scene with the camera where it is asked to be; nothing lies over the plate."""
    scene = random_scene(
        drawing, rng, size_wh=size_wh, tilt_deg=tilt_deg, bench=bench, cut_by_frame=False, covers=(),
        defocus_px=0.6, motion_px=0.0, noise=0.01, lights=("window", "lamp"),
    )  # fmt: skip
    pose, distance = _pose(
        drawing, size_wh, tilt_deg, azimuth_deg, roll_deg, float(rng.uniform(55, 70)), fill, shift,
        (float(rng.uniform(-0.04, 0.04)), float(rng.uniform(-0.006, 0.006))),
        (float(rng.normal(0, 0.002)), float(rng.normal(0, 0.002))),
    )  # fmt: skip
    facts = {**scene.facts, "tilt_deg": tilt_deg, "distance_mm": distance}
    return replace(scene, pose=pose, sheet=sheet, clutter=0 if sheet else scene.clutter, facts=facts)


def sheet_scene(
    drawing: Drawing, rng: np.random.Generator, on: str, tilt_deg: float, azimuth_deg: float,
    size_wh: tuple[int, int] = (2400, 1800), bench: str | None = "wood",
) -> Scene:  # fmt: skip
    """The printed target beside the plate on the bench, or a piece of it of 6 x 5 squares on the face."""
    low_x, low_y, high_x, high_y = drawing.outline.bounds
    if on == "bench":
        at = (high_x + 120.0, 0.5 * (low_y + high_y) + float(rng.uniform(-15, 15)))
        place = SheetPlace(middle_mm=at, turn_deg=float(rng.uniform(-5, 5)))
        return scene_of(
            drawing, rng, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, size_wh=size_wh, fill=0.46,
            shift=(-0.22, 0.0), sheet=place, bench=bench,
        )  # fmt: skip
    place = SheetPlace(
        middle_mm=(0.0, 0.0), turn_deg=float(rng.uniform(-20, 20)), on_face=True, squares=(6, 5)
    )
    return scene_of(
        drawing, rng, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, size_wh=size_wh, fill=0.8, sheet=place,
        bench=bench,
    )  # fmt: skip


def shots(
    drawing: Drawing,
    survey: Survey,
    scenes: Sequence[Scene],
    clicked: Sequence[str],
    rng: np.random.Generator,
    focal_off: float | None = None,
) -> list[PhotoClicks]:
    """The photos, with clicks 0.4 mm off the true centres, and focal lengths as EXIF tells them (or not)."""
    centre = {o.name: np.array(o.polygon.centroid.coords[0]) for o in drawing.openings}
    out = []
    for scene in scenes:
        rgb, _ = render_photo(survey, drawing, scene, rng)
        at = {n: scene.pose.camera().mm_to_px(centre[n] + rng.normal(0, 0.4, 2)) for n in clicked}
        focal = None if focal_off is None else scene.pose.focal_px * (1 + focal_off)
        out.append(PhotoClicks(rgb=rgb, clicks_px={n: tuple(p) for n, p in at.items()}, focal_px=focal))
    return out


def in_frame(drawing: Drawing, first: str, second: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rotation and origin of the frame with one hole at the origin and another on the x axis."""
    centre = {o.name: np.array(o.polygon.centroid.coords[0]) for o in drawing.openings}
    along = centre[second] - centre[first]
    u = along / np.hypot(*along)
    return np.array([u, [-u[1], u[0]]]), centre[first]


def three_views(
    drawing: Drawing, rng: np.random.Generator, size_wh: tuple[int, int] = (1600, 1200)
) -> tuple[list[PhotoClicks], float, float]:
    """One photo from above and two from sides of any direction; the distance of the dowels, the edge break."""
    survey = lapped(drawing, rng)
    tilts = (rng.uniform(2, 8), rng.uniform(12, 28), rng.uniform(12, 28))
    scenes = [
        scene_of(
            drawing, rng, tilt_deg=float(t), azimuth_deg=float(rng.uniform(0, 360)), size_wh=size_wh,
            roll_deg=float(rng.uniform(0, 360)), bench="cardboard",
        )
        for t in tilts
    ]  # fmt: skip
    edge = scenes[0].chamfer_mm
    scenes = [replace(s, chamfer_mm=edge) for s in scenes]
    photos = shots(drawing, survey, scenes, ("dowel_a", "dowel_b", "lift_a", "lift_b"), rng)
    centre = {o.name: np.array(o.polygon.centroid.coords[0]) for o in drawing.openings}
    return photos, float(np.hypot(*(centre["dowel_b"] - centre["dowel_a"]))), edge
