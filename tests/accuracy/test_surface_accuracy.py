"""The surface stage against the truth of the committed sample photos, straightened by their true camera.

The network was trained on photos of the same kind (other plates, other seeds), so this is no score for real photos:
it guards against a broken file, a swapped axis or a changed input. The honest scores stand in the model card.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from rounds import long

from pitmap.classes import SurfaceClass
from pitmap.drawing import load_shipped, shipped_plates
from pitmap.grid import Grid
from pitmap.pipeline import classify_face, straighten
from pitmap.registration import Alignment, register
from pitmap.registration.camera import Camera, Lens
from pitmap.surface import ClassMap, classify
from pitmap.surface.learned import Network, default_network
from pitmap.surface.runtime import open_session
from pitmap.synthetic import Damage, lap, make_face, random_scene, render_photo

REAL_NUMBERS = Path(__file__).parents[1] / "benchmarks" / "surface_training" / "surface_real.onnx"
SAMPLES = Path(__file__).parents[2] / "sample_images_synthetic"
PX_PER_MM = 10.0


def read_sample(name: str, method: str, network: Network | None = None) -> tuple[ClassMap, np.ndarray]:
    """Map and truth of the left half of a sample, which holds land, ports and rim alike."""
    folder = SAMPLES / name
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    labels = cv2.imread(str(folder / "labels.png"), cv2.IMREAD_UNCHANGED)
    g, lens = truth["grid"], truth["distortion"]
    grid = Grid(
        x0_mm=g["x0_mm"], y1_mm=g["y1_mm"], px_per_mm=PX_PER_MM, n_rows=g["n_rows"], n_cols=g["n_cols"] // 2
    )
    camera = Camera(
        homography=np.array(truth["homography_mm_to_undistorted_px"]),
        lens=Lens(k1=lens["k1"], k2=lens["k2"], centre_xy=tuple(lens["centre"]), scale_px=lens["scale"]),
    )
    cols, rows = np.meshgrid(np.arange(grid.n_cols), np.arange(grid.n_rows))
    px = camera.mm_to_px(grid.px_to_mm(np.stack([cols, rows], -1))).astype(np.float32)
    photo = cv2.cvtColor(cv2.imread(str(folder / "photo.jpg")), cv2.COLOR_BGR2RGB)
    rgb = cv2.remap(photo, px, None, cv2.INTER_CUBIC)
    found = classify(
        rgb,
        px_per_mm=PX_PER_MM,
        stage=truth["stage"],
        mask=load_shipped(truth["drawing"]).mask(grid),
        photo_px_per_mm=float(camera.px_per_mm(grid.px_to_mm(np.array([grid.n_cols / 2, grid.n_rows / 2])))),
        method=method,
        network=network,
    )
    return found, labels[:, : grid.n_cols]


def overlap(found: ClassMap, labels: np.ndarray, code: int) -> float:
    """IoU over metal that is seen in truth and in the map."""
    both = found.is_seen & (labels != 0) & (labels != SurfaceClass.UNSEEN)
    a, b = found.is_class(code) & both, (labels == code) & both
    return float((a & b).sum() / (a | b).sum())


def share_found(found: np.ndarray, truth: np.ndarray, least_mm: float) -> float:
    """Share of the blobs of `truth` of `least_mm` equivalent diameter and more that `found` covers by 30 %."""
    n, label, stats, _ = cv2.connectedComponentsWithStats(truth.astype(np.uint8), connectivity=8)
    area = stats[1:, cv2.CC_STAT_AREA]
    hit = np.bincount(label[found], minlength=n)[1:]
    big = 2 * np.sqrt(area / PX_PER_MM**2 / np.pi) >= least_mm
    return float((hit[big] >= 0.3 * area[big]).mean())


@pytest.fixture(scope="module")
def lapped() -> tuple[ClassMap, np.ndarray]:
    return read_sample("a_test_lap", "learned")


@pytest.mark.slow
def test_learned_finds_pits_of_the_sample(lapped: tuple[ClassMap, np.ndarray]) -> None:
    found, labels = lapped
    pits = labels == SurfaceClass.PIT
    # the aim of the project for pits of 0.8 mm and more
    assert share_found(found.is_class(SurfaceClass.PIT), pits, 0.8) >= 0.90
    assert share_found(pits, found.is_class(SurfaceClass.PIT) & (labels != SurfaceClass.UNSEEN), 0.8) >= 0.90


@pytest.mark.slow
@pytest.mark.long
def test_second_look_outlines_pits_better_than_the_network_alone(lapped: tuple[ClassMap, np.ndarray]) -> None:
    """A network that is passed in is not looked after; this is the one that ships."""
    surveys = ("a_test_lap", "b_test_lap", "b_lap_1")
    twice = [lapped, *(read_sample(name, "learned") for name in surveys[1:])]
    once = [read_sample(name, "learned", default_network()) for name in surveys]
    better = [
        overlap(*two, SurfaceClass.PIT) - overlap(*one, SurfaceClass.PIT) for two, one in zip(twice, once)
    ]
    assert np.mean(better) > 0, better


@pytest.mark.slow
@pytest.mark.parametrize(
    ("code", "least"),
    [
        (SurfaceClass.PIT, 0.65),
        (SurfaceClass.TINT, 0.70),
        (SurfaceClass.UNCUT, 0.70),
        pytest.param(
            SurfaceClass.STAIN,
            0.70,
            marks=pytest.mark.xfail(reason="thin and faint stains are missed: 0.65 on 2026-11-28"),
        ),
    ],
)
def test_learned_overlap_of_the_sample(lapped: tuple[ClassMap, np.ndarray], code: int, least: float) -> None:
    assert overlap(*lapped, code) >= least


@pytest.mark.slow
def test_learned_reads_the_metal_that_is_there(lapped: tuple[ClassMap, np.ndarray]) -> None:
    found, labels = lapped
    seen = (labels != 0) & (labels != SurfaceClass.UNSEEN)
    assert found.is_seen[seen].mean() > 0.97


def plain_scores(depth_um: np.ndarray, labels: np.ndarray) -> Iterator[np.ndarray]:
    """Every score that a photo of 5 px per mm shows plainly: 12 mm long, 0.35 mm wide, 20 um deep, or more."""
    scored = labels == SurfaceClass.SCORE
    n, parts, stats, _ = cv2.connectedComponentsWithStats(scored.astype(np.uint8), connectivity=8)
    for k in range(1, n):
        one, length = parts == k, np.hypot(*stats[k, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]) / PX_PER_MM
        wide = one.sum() / PX_PER_MM**2 / length
        if length >= 12 and wide >= 0.35 and np.median(depth_um[one]) >= 20:
            yield one


@pytest.mark.slow
@pytest.mark.parametrize("n_faces", [1, long(2)])
def test_plain_scores_are_found_and_little_else_is_called_one(n_faces: int) -> None:
    """Two faces with many scores show as many of them as five with few, in two fifths of the time."""
    near, found, said, right = np.ones((5, 5), np.uint8), [], 0, 0
    for k in range(n_faces):
        rng = np.random.default_rng([992, k])
        drawing = load_shipped(shipped_plates()[k % len(shipped_plates())])
        survey = lap(make_face(drawing, rng, Damage(n_pits=60, scores=5.0), PX_PER_MM), 6.0, stage="test_lap")
        scene = random_scene(
            drawing, rng, size_wh=(2400, 1800), tilt_deg=8.0, lights=("window",), cut_by_frame=False, covers=(),
            defocus_px=0.55, motion_px=0.0,
        )  # fmt: skip
        rgb, truth = render_photo(survey, drawing, scene, rng)
        alignment = register(rgb, drawing)
        assert isinstance(alignment, Alignment)
        said_map = classify_face(straighten(rgb, alignment, truth.grid), drawing, truth.survey.stage)
        is_said = said_map.is_class(SurfaceClass.SCORE)
        near_said = cv2.dilate(is_said.astype(np.uint8), near) > 0
        near_true = cv2.dilate((truth.labels == SurfaceClass.SCORE).astype(np.uint8), near) > 0
        found += [near_said[one].mean() > 0.5 for one in plain_scores(survey.score_um, truth.labels)]
        said, right = said + is_said.sum(), right + (is_said & near_true).sum()
    assert len(found) >= 3 * n_faces
    assert np.mean(found) >= 0.75
    # on five faces with few scores 0.9 let 4 mm2 of each be called one wrongly; 0.95 lets 3 mm2
    assert right >= 0.95 * said


@pytest.mark.parametrize("name", ["b_test_lap", long("a_intake")])
def test_whole_numbers_say_what_real_numbers_say(name: str) -> None:
    """The shipped network is a rounded copy of a file kept for training; rounding may move edges, not findings."""
    rounded, labels = read_sample(name, "learned")
    real, _ = read_sample(name, "learned", replace(default_network(), session=open_session(REAL_NUMBERS)))
    seen = rounded.is_seen & real.is_seen
    assert (rounded.is_seen == real.is_seen).mean() > 0.99
    assert (rounded.codes == real.codes)[seen].mean() > 0.99
    for code in (SurfaceClass.PIT, SurfaceClass.STAIN):
        assert abs(overlap(rounded, labels, code) - overlap(real, labels, code)) < 0.02
