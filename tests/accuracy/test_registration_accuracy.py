"""Alignment error against photos with known truth: the committed samples, and the development photos where present."""

from __future__ import annotations

import json
import os
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from rounds import long

from pitmap.drawing import Drawing, load_rings, load_shipped
from pitmap.errors import AlignmentRefused
from pitmap.estimate import Estimate
from pitmap.registration import Alignment, Camera, Lens, register

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images_synthetic"
DEVELOPMENT = Path(os.environ.get("PITMAP_PHOTOS_DEV", ROOT.parent / "shared" / "data" / "photos_dev"))
WORST_MM = 0.5
"""The bar of the project for any accepted photo; over 1 mm counts as wrong."""


def true_camera(truth: dict) -> Camera:
    d = truth["distortion"]
    lens = Lens(k1=d["k1"], k2=d["k2"], centre_xy=tuple(d["centre"]), scale_px=d["scale"])
    return Camera(homography=np.array(truth["homography_mm_to_undistorted_px"]), lens=lens)


def read(path: Path) -> np.ndarray:
    return cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)


@cache
def laid(name: str) -> Alignment:
    """The drawing on one of the development photos, for the tests that ask different things of it."""
    return register(read(DEVELOPMENT / name / "photo.jpg"), load_rings(DEVELOPMENT / "plate.json"))


def errors_mm(drawing: Drawing, found: Alignment, camera: Camera) -> tuple[np.ndarray, np.ndarray, Estimate]:
    """Distance on the plate between 64 places and where the alignment puts them, and what it says of them.

    That is the 90 % radius given for each, and the root mean square over the plate with its interval.
    """
    x0, y0, x1, y1 = drawing.outline.bounds
    points = np.stack(np.meshgrid(np.linspace(x0, x1, 8), np.linspace(y0, y1, 8)), -1).reshape(-1, 2)
    return (
        np.hypot(*(camera.px_to_mm(found.mm_to_px(points)) - points).T),
        found.error_mm(points),
        found.residual_mm,
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", ["a_intake", "b_lap_1"])
def test_samples_are_laid_as_surely_as_is_said_of_them(name: str) -> None:
    """The project's bar is half a millimetre; half a pixel of these photos is 0.09 mm and would stay far within it."""
    folder = SAMPLES / name
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    drawing = load_shipped(truth["drawing"])
    found = register(read(folder / truth["photos"][0]), drawing)
    off, _, said = errors_mm(drawing, found, true_camera(truth))
    assert np.sqrt((off**2).mean()) < said.high < WORST_MM


@pytest.mark.slow
def test_the_sample_is_laid_alike_at_six_and_at_thirty_px_per_mm() -> None:
    """Profiles are some pixels long: on pixels as fine as this they would see one side of a broken edge only."""
    drawing, rgb = load_shipped("heron40_intermediate_a"), read(SAMPLES / "a_test_lap" / "photo.jpg")
    times = 5
    fine = cv2.resize(rgb, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
    points = np.array([o.polygon.centroid.coords[0] for o in drawing.openings])
    usual, found = register(rgb, drawing), register(fine, drawing)
    assert found.px_per_mm(points).min() > 25
    back = usual.px_to_mm((found.mm_to_px(points) + 0.5) / times - 0.5)
    # two fits of the same edges on unlike pixels: within what either says of itself
    assert np.hypot(*(back - points).T).max() < usual.residual_mm.value


@pytest.mark.slow
@pytest.mark.skipif(not DEVELOPMENT.is_dir(), reason="the development photos are not on this machine")
@pytest.mark.parametrize("name", ["d01", "d04", "d06", "d09", "d11"])
def test_development_photos_are_laid_within_half_a_millimetre(name: str) -> None:
    truth = json.loads((DEVELOPMENT / name / "truth.json").read_text(encoding="utf-8"))
    drawing = load_rings(DEVELOPMENT / "plate.json")
    off, radius, _ = errors_mm(drawing, laid(name), true_camera(truth))
    assert np.sqrt((off**2).mean()) < WORST_MM
    # the radius is not that of a model gone wrong: the error stays within three of it everywhere
    assert (off < 3 * radius).all()


@pytest.mark.slow
@pytest.mark.skipif(not DEVELOPMENT.is_dir(), reason="the development photos are not on this machine")
@pytest.mark.parametrize("name", ["neg1", "neg2"])
def test_photos_without_the_plate_are_refused(name: str) -> None:
    with pytest.raises(AlignmentRefused, match="not found"):
        register(read(DEVELOPMENT / name / "photo.jpg"), load_rings(DEVELOPMENT / "plate.json"))


@pytest.mark.slow
@pytest.mark.skipif(not DEVELOPMENT.is_dir(), reason="the development photos are not on this machine")
@pytest.mark.long
def test_intervals_of_alignments_cover_the_truth() -> None:
    """Root mean square over the plate's frame against the stated 90 % interval; 20 photos are few: 0.9 less two sigma."""
    drawing = load_rings(DEVELOPMENT / "plate.json")
    x0, y0, x1, y1 = drawing.outline.bounds
    points = np.stack(np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 9)), -1).reshape(-1, 2)
    covered = []
    for truth_file in sorted(DEVELOPMENT.glob("*/truth.json")):
        truth = json.loads(truth_file.read_text(encoding="utf-8"))
        if truth_file.parent.name.startswith("neg"):
            continue
        found = laid(truth_file.parent.name)
        off = np.hypot(*(true_camera(truth).px_to_mm(found.mm_to_px(points)) - points).T)
        covered.append(found.residual_mm.covers(float(np.sqrt((off**2).mean()))))
    assert len(covered) == 20 and np.mean(covered) >= 0.9 - 2 * np.sqrt(0.09 / 20)


@pytest.mark.slow
@pytest.mark.skipif(not DEVELOPMENT.is_dir(), reason="the development photos are not on this machine")
@pytest.mark.parametrize(
    ("name", "left", "right", "top", "bottom"),
    [
        long("d08", 0, 0.14, 0, 0),
        ("d08", 0, 0.15, 0, 0),
        long("d08", 0, 0.16, 0, 0),
        long("d02", 0.2, 0, 0, 0),
        ("d06", 0, 0, 0.12, 0),
        ("d11", 0, 0.1, 0, 0.15),
    ],
)
def test_a_photo_cropped_to_one_side_is_refused_or_laid_right(
    name: str, left: float, right: float, top: float, bottom: float
) -> None:
    """The lens looked beside the middle of what is left, and the edges that were cut away tell no more of it."""
    truth = json.loads((DEVELOPMENT / name / "truth.json").read_text(encoding="utf-8"))
    drawing, rgb = load_rings(DEVELOPMENT / "plate.json"), read(DEVELOPMENT / name / "photo.jpg")
    h, w = rgb.shape[:2]
    x0, x1, y0, y1 = int(left * w), w - int(right * w), int(top * h), h - int(bottom * h)
    try:
        found = register(np.ascontiguousarray(rgb[y0:y1, x0:x1]), drawing)
    except AlignmentRefused:
        return
    grid = drawing.grid(0.5)
    points = grid.px_to_mm(np.argwhere(drawing.mask(grid))[:, ::-1].astype(float))
    px = true_camera(truth).mm_to_px(points) - [x0, y0]
    seen = ((px >= 0) & (px <= [x1 - x0 - 1, y1 - y0 - 1])).all(1)
    assert np.hypot(*(found.px_to_mm(px[seen]) - points[seen]).T).max() < 1.0


@pytest.mark.slow
@pytest.mark.skipif(not DEVELOPMENT.is_dir(), reason="the development photos are not on this machine")
@pytest.mark.parametrize("name", ["d02", "d08", "lap1_0"])
def test_a_photo_cut_down_about_its_middle_is_taken(name: str) -> None:
    """As a phone's digital zoom cuts it: the lens still bends about the middle, only the focal length looks longer."""
    truth = json.loads((DEVELOPMENT / name / "truth.json").read_text(encoding="utf-8"))
    drawing, rgb = load_rings(DEVELOPMENT / "plate.json"), read(DEVELOPMENT / name / "photo.jpg")
    dy, dx = int(0.12 * rgb.shape[0]), int(0.12 * rgb.shape[1])
    found = register(np.ascontiguousarray(rgb[dy:-dy, dx:-dx]), drawing)
    points = np.array([o.polygon.centroid.coords[0] for o in drawing.openings])
    back = true_camera(truth).px_to_mm(found.mm_to_px(points) + [dx, dy])
    assert np.sqrt(((back - points) ** 2).sum(1).mean()) < WORST_MM
