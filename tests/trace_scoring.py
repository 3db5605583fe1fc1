"""How far a traced drawing is from the true one; shared by test_tracing.py and benchmarks/drawing_bench.py."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Point, Polygon
from shapely.affinity import affine_transform

from pitmap.drawing import Drawing, load_rings
from pitmap.registration.camera import Camera, Lens
from pitmap.tracing import PhotoClicks, Trace

CLICKED = ("dowel_1", "dowel_2", "dowel_3", "lift_hole", "bolt_01")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Score:
    """Errors in mm; `six` lays the traced drawing on the true one (shapely's affine numbers)."""

    outline_rms_mm: float
    centre_mm: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]
    covered: NDArray[np.bool_]
    opening_rms_mm: NDArray[np.float64]
    n_extra: int
    six: list[float]


def round_openings(drawing: Drawing) -> dict[str, Polygon]:
    """Openings of the true drawing that are circles."""
    return {
        o.name: o.polygon for o in drawing.openings if 4 * np.pi * o.polygon.area / o.polygon.length**2 > 0.99
    }


def dev_camera(truth: dict) -> Camera:  # type: ignore[type-arg]
    """The true camera of a picture, from its truth.json."""
    d = truth["distortion"]
    lens = Lens(k1=d["k1"], k2=d["k2"], centre_xy=tuple(d["centre"]), scale_px=d["scale"])
    return Camera(homography=np.array(truth["homography_mm_to_undistorted_px"]), lens=lens)


def dev_photos(
    folder: Path, names: Sequence[str], rng: np.random.Generator
) -> tuple[list[PhotoClicks], float]:
    """Pictures with clicks 0.4 mm off the true hole centres, and the distance of the first two holes."""
    truth = {o.name: o.polygon for o in load_rings(folder / "plate.json").openings}
    photos = []
    for name in names:
        t = json.loads((folder / name / "truth.json").read_text())
        camera = dev_camera(t)
        rgb = cv2.cvtColor(cv2.imread(str(folder / name / "photo.jpg")), cv2.COLOR_BGR2RGB)
        at = {n: np.array(truth[n].centroid.coords[0]) + rng.normal(0, 0.4, 2) for n in CLICKED}
        photos.append(PhotoClicks(rgb=rgb, clicks_px={n: tuple(camera.mm_to_px(xy)) for n, xy in at.items()}))
    return photos, truth[CLICKED[0]].centroid.distance(truth[CLICKED[1]].centroid)


def onto_truth(traced: Trace, centres: NDArray[np.float64], middle: Point) -> list[float]:
    """Rigid motion that lays the traced holes on the true ones, as shapely's six numbers."""
    p = traced.circles[["x_mm", "y_mm"]].to_numpy()
    # From the two known holes, or where a sheet gave the frame from any turn about the middle; then least squares
    # on every hole that has a partner.
    a, b = centres[0], centres[1]
    u = (b - a) / np.hypot(*(b - a))
    starts = [(np.array([[u[0], -u[1]], [u[1], u[0]]]), a)]
    for t in np.radians(np.arange(0, 360, 4)):
        turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
        starts.append((turn, np.array(middle.coords[0]) - turn @ traced.drawing.outline.centroid.coords[0]))
    best, most = starts[0], -1.0
    for turn, shift in starts:
        for reach in (8.0, 4.0, 2.0, 2.0):
            away = np.hypot(*(p @ turn.T + shift - centres[:, None]).transpose(2, 0, 1)).T
            near, ok = away.argmin(1), away.min(1) < reach
            if ok.sum() < 3:
                break
            here, there = p[ok], centres[near[ok]]
            left, _, right = np.linalg.svd((there - there.mean(0)).T @ (here - here.mean(0)))
            turn = left @ np.diag([1, np.sign(np.linalg.det(left @ right))]) @ right
            shift = there.mean(0) - turn @ here.mean(0)
        else:
            away = np.hypot(*(p @ turn.T + shift - centres[:, None]).transpose(2, 0, 1)).min(0)
            if (got := float((away < 2).sum() - np.minimum(away, 2).mean())) > most:
                best, most = (turn, shift), got
    return [*best[0].ravel(), *best[1]]


def rms_between(line: Polygon, truth: Polygon) -> float:
    ring = line.exterior
    away = [truth.exterior.distance(ring.interpolate(s)) for s in np.arange(0, ring.length, 1.0)]
    return float(np.sqrt(np.mean(np.square(away))))


def score_trace(trace: Trace, truth: Drawing) -> Score:
    """Errors of a trace, laid on the truth by its round holes (the drawing's own frame is the user's choice)."""
    rounds = round_openings(truth)
    names = sorted(rounds, key=lambda n: not n.startswith("dowel"))
    six = onto_truth(trace, np.array([rounds[n].centroid.coords[0] for n in names]), truth.outline.centroid)
    centre, diameter, covered = [], [], []
    for row in trace.circles.itertuples():
        here = affine_transform(Point(row.x_mm, row.y_mm), six)
        name = min(names, key=lambda n: rounds[n].centroid.distance(here))
        true_mm = 2 * np.sqrt(rounds[name].area / np.pi)
        centre.append(rounds[name].centroid.distance(here))
        diameter.append(row.diameter_mm - true_mm)
        covered.append(row.diameter_low_mm <= true_mm <= row.diameter_high_mm)
    rms, n_extra = [], 0
    for opening in trace.drawing.openings:
        shape = affine_transform(opening.polygon, six)
        near = min(truth.openings, key=lambda o: o.polygon.centroid.distance(shape.centroid))
        if near.polygon.centroid.distance(shape.centroid) > 4:
            n_extra += 1
        else:
            rms.append(rms_between(shape, near.polygon))
    return Score(
        outline_rms_mm=rms_between(affine_transform(trace.drawing.outline, six), truth.outline),
        centre_mm=np.array(centre),
        diameter_mm=np.array(diameter),
        covered=np.array(covered),
        opening_rms_mm=np.array(rms),
        n_extra=n_extra,
        six=six,
    )


def covered(trace: Trace, truth: Drawing, six: list[float], edge_mm: float) -> dict[str, NDArray[np.bool_]]:
    """Which 90 % intervals hold the truth once `six` has laid the truth into the trace's frame.

    Returns
    -------
    dict
        ``centre`` (x and y of every hole), ``diameter``, ``outline`` (every point).
    """
    rounds = {n: affine_transform(p, six) for n, p in round_openings(truth).items()}
    centre, diameter = [], []
    for row in trace.circles.itertuples():
        near = min(rounds.values(), key=lambda p: p.centroid.distance(Point(row.x_mm, row.y_mm)))
        at = near.centroid
        if at.distance(Point(row.x_mm, row.y_mm)) > 3:
            continue
        centre += [abs(at.x - row.x_mm) <= row.centre_err_mm, abs(at.y - row.y_mm) <= row.centre_err_mm]
        true_mm = 2 * np.sqrt(near.area / np.pi)
        diameter.append(row.diameter_low_mm <= true_mm <= row.diameter_high_mm)
    edge = affine_transform(truth.outline, six).buffer(-edge_mm).exterior
    outline = trace.contours[0]
    away = np.array([edge.distance(Point(p)) for p in outline.points_mm])
    return {
        "centre": np.array(centre, bool),
        "diameter": np.array(diameter, bool),
        "outline": away <= outline.err_mm,
    }


def scale_error(trace: Trace, truth: Drawing) -> float:
    """Relative error of the scale, from the distances between the centres of the round holes."""
    rounds = round_openings(truth)
    there = np.array([rounds[n].centroid.coords[0] for n in rounds])
    six = onto_truth(trace, there, truth.outline.centroid)
    p = trace.circles[["x_mm", "y_mm"]].to_numpy()
    moved = p @ np.reshape(six[:4], (2, 2)).T + six[4:]
    away = np.hypot(*(moved[:, None] - there[None]).transpose(2, 0, 1))
    ok = away.min(1) < 2
    a, b = p[ok] - p[ok].mean(0), there[away.argmin(1)[ok]]
    return float(np.sqrt((a**2).sum() / ((b - b.mean(0)) ** 2).sum()) - 1)
