"""Alignment error against photos with known truth: the committed samples, and the development photos where present."""

from __future__ import annotations

import json
import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from pitmap.drawing import Drawing, load_rings, load_shipped
from pitmap.errors import AlignmentRefused
from pitmap.registration import Camera, Lens, register

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


def errors_mm(drawing: Drawing, rgb: np.ndarray, camera: Camera) -> tuple[np.ndarray, np.ndarray]:
    """Distance on the plate between 64 places and where the alignment puts them, and the 90 % radius given for each."""
    found = register(rgb, drawing)
    x0, y0, x1, y1 = drawing.outline.bounds
    points = np.stack(np.meshgrid(np.linspace(x0, x1, 8), np.linspace(y0, y1, 8)), -1).reshape(-1, 2)
    return np.hypot(*(camera.px_to_mm(found.mm_to_px(points)) - points).T), found.error_mm(points)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["a_intake", "b_lap_1"])
def test_samples_are_laid_within_half_a_millimetre(name: str) -> None:
    folder = SAMPLES / name
    if not (folder / "truth.json").exists():
        pytest.skip(f"sample {name} is not there")
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    off, _ = errors_mm(load_shipped(truth["drawing"]), read(folder / truth["photos"][0]), true_camera(truth))
    assert np.sqrt((off**2).mean()) < WORST_MM


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
    off, radius = errors_mm(drawing, read(DEVELOPMENT / name / "photo.jpg"), true_camera(truth))
    assert np.sqrt((off**2).mean()) < WORST_MM
    # the radius is not that of a model gone wrong: the error stays within three of it everywhere
    assert (off < 3 * radius).all()


@pytest.mark.slow
@pytest.mark.skipif(not DEVELOPMENT.is_dir(), reason="the development photos are not on this machine")
@pytest.mark.parametrize("name", ["neg1", "neg2"])
def test_photos_without_the_plate_are_refused(name: str) -> None:
    with pytest.raises(AlignmentRefused, match="not found"):
        register(read(DEVELOPMENT / name / "photo.jpg"), load_rings(DEVELOPMENT / "plate.json"))
