"""Three photos of one face, end to end: what they say together against what each says alone."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from pitmap.classes import Stage, SurfaceClass
from pitmap.drawing import load_shipped
from pitmap.errors import MeasurementError
from pitmap.photo import Photo, read_photo
from pitmap.pipeline import align, classify_face, map_face, merge_faces, straighten
from pitmap.settings import Settings
from pitmap.surface import ClassMap

SAMPLE = Path(__file__).parents[2] / "sample_images_synthetic" / "a_test_lap"
PHOTOS = [SAMPLE / f"{name}.jpg" for name in ("photo", "lamp_2", "lamp_3")]
TRUTH = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))


def overlap(found: ClassMap, code: SurfaceClass) -> float:
    """IoU of a class over metal that truth and map both show."""
    labels = cv2.imread(str(SAMPLE / "labels.png"), cv2.IMREAD_UNCHANGED)
    grid = found.grid
    assert grid is not None
    # the truth's grid has a wider margin or a narrower one: the map's codes on the truth's pixels
    g = TRUTH["grid"]
    cols, rows = np.meshgrid(np.arange(g["n_cols"]), np.arange(g["n_rows"]))
    x = g["x0_mm"] + (cols + 0.5) / g["px_per_mm"]
    y = g["y1_mm"] - (rows + 0.5) / g["px_per_mm"]
    at = np.rint(grid.mm_to_px(np.stack([x, y], -1))).astype(np.float32)
    codes = cv2.remap(found.codes, at[..., 0], at[..., 1], cv2.INTER_NEAREST, borderValue=0)
    both = (labels != SurfaceClass.OUTSIDE) & (labels != SurfaceClass.UNSEEN)
    both &= (codes != SurfaceClass.OUTSIDE) & (codes != SurfaceClass.UNSEEN)
    a, b = (codes == code) & both, (labels == code) & both
    return float((a & b).sum() / (a | b).sum())


@pytest.fixture(scope="module")
def merged() -> tuple[list[ClassMap], tuple[str, ...]]:
    """The three photos alone, then together, and what is said of them."""
    drawing = load_shipped(TRUTH["drawing"])
    grid, stage = drawing.grid(Settings().map_px_per_mm), Stage(TRUTH["stage"])
    faces, sds = [], []
    for path in PHOTOS:
        photo = read_photo(path)
        alignment = align(photo, drawing)
        faces.append(straighten(photo.rgb, alignment, grid))
        sds.append(alignment.error_sd_mm)
    together, notes = merge_faces(faces, drawing, sds)
    return [classify_face(face, drawing, stage) for face in (*faces, together)], notes


@pytest.mark.slow
@pytest.mark.long
def test_together_they_read_pits_better_than_one_of_them_does_on_average(
    merged: tuple[list[ClassMap], tuple[str, ...]],
) -> None:
    maps, _ = merged
    *alone, together = (overlap(m, SurfaceClass.PIT) for m in maps)
    assert together > np.mean(alone)
    assert together > min(alone) + 0.02
    *alone, together = (overlap(m, SurfaceClass.UNCUT) for m in maps)
    assert together > np.mean(alone)


@pytest.mark.slow
@pytest.mark.long
def test_together_they_show_at_least_what_any_of_them_shows(
    merged: tuple[list[ClassMap], tuple[str, ...]],
) -> None:
    maps, notes = merged
    *alone, together = (float(m.is_seen.sum()) for m in maps)
    assert together >= max(alone)
    assert any("3 photos together" in note for note in notes)


def undated(stage: str) -> Photo:
    """The sample's photo at a stage, as from a phone that does not say when it was taken."""
    folder = SAMPLE.with_name(f"a_{stage}")
    return replace(read_photo(folder / "photo.jpg", name=f"{stage}.jpg"), taken_at=None)


@pytest.mark.slow
def test_a_face_before_and_after_its_lap_is_not_mapped_as_one() -> None:
    """Its pits lie where they lay, so the photos lie on each other; stains and old finish tell."""
    with pytest.raises(
        MeasurementError, match=r"intake\.jpg and test_lap\.jpg|test_lap\.jpg and intake\.jpg"
    ):
        map_face([undated("intake"), undated("test_lap")], load_shipped(TRUTH["drawing"]), stage="test_lap")
