"""Photos of a plate laid out like the development photos, straightened with their TRUE camera.

So the surface stage is measured alone, without the error of an alignment.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitmap.drawing.rings import load_rings, template_grid
from pitmap.grid import Grid
from pitmap.registration.camera import Camera, Lens
from pitmap.synthetic import render_cases

__all__ = ["TrueCase", "rendered_cases", "straighten", "true_cases"]

_STRIDE = 8
"""Pixels between the places at which the camera is computed; in between it is as good as linear."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrueCase:
    """A photo on the raster of its truth."""

    name: str
    stage: str
    rgb: NDArray[np.uint8]
    metal: NDArray[np.bool_]
    in_frame: NDArray[np.bool_]
    photo_px_per_mm: float
    labels: NDArray[np.uint8]
    truth: dict
    grid: Grid
    seconds: float


def straighten(
    photo: NDArray[np.uint8], camera: Camera, grid: Grid
) -> tuple[NDArray[np.uint8], NDArray[np.bool_], float]:
    """The photo on a raster of the plate, what of it is in the frame, and its middle scale, px per mm."""
    n_rows, n_cols = grid.n_rows // _STRIDE + 2, grid.n_cols // _STRIDE + 2
    cols, rows = np.meshgrid(np.arange(n_cols) * _STRIDE, np.arange(n_rows) * _STRIDE)
    coarse = camera.mm_to_px(grid.px_to_mm(np.stack([cols, rows], -1))).astype(np.float32)
    place = np.meshgrid(np.arange(grid.n_cols, dtype=np.float32), np.arange(grid.n_rows, dtype=np.float32))
    px = cv2.remap(coarse, place[0] / _STRIDE, place[1] / _STRIDE, cv2.INTER_LINEAR)
    h, w = photo.shape[:2]
    inside = (px[..., 0] >= 0) & (px[..., 1] >= 0) & (px[..., 0] <= w - 1) & (px[..., 1] <= h - 1)
    centre = grid.px_to_mm(np.array([grid.n_cols / 2, grid.n_rows / 2]))
    rgb = cv2.remap(photo, px, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT)
    return rgb, inside, float(camera.px_per_mm(centre))


def true_cases(folder: Path, only: str = "") -> Iterator[TrueCase]:
    """Every picture of the plate in a folder."""
    drawing, grid = load_rings(folder / "plate.json"), template_grid(folder / "plate.json")
    metal = drawing.mask(grid)
    for row in pd.read_csv(folder / "index.csv", keep_default_na=False).to_dict("records"):
        here = folder / row["id"]
        truth = json.loads((here / "truth.json").read_text())
        if not truth["plate_present"] or (only and row["id"] not in only.split(",")):
            continue
        lens = truth["distortion"]
        camera = Camera(
            homography=np.array(truth["homography_mm_to_undistorted_px"]),
            lens=Lens(k1=lens["k1"], k2=lens["k2"], centre_xy=tuple(lens["centre"]), scale_px=lens["scale"]),
        )
        started = time.perf_counter()
        photo = cv2.cvtColor(cv2.imread(str(here / "photo.jpg")), cv2.COLOR_BGR2RGB)
        rgb, inside, scale = straighten(photo, camera, grid)
        seconds = time.perf_counter() - started
        labels = cv2.imread(str(here / "labels.png"), cv2.IMREAD_UNCHANGED)
        yield TrueCase(
            name=row["id"],
            stage=truth["stage"],
            rgb=rgb,
            metal=metal,
            in_frame=inside,
            photo_px_per_mm=scale,
            labels=labels,
            truth=truth,
            grid=grid,
            seconds=seconds,
        )


def rendered_cases(n: int, seed: int, width: int = 1600, is_weathered: bool = False) -> Iterator[TrueCase]:
    """Photos of our own renderer, straightened with their true camera; those blurred beyond use are left out."""
    for case in render_cases(n, seed=seed, size_wh=(width, width * 3 // 4), is_weathered=is_weathered):
        if case.blur == "useless":
            continue
        started = time.perf_counter()
        rgb, inside, scale = straighten(case.rgb, case.truth.camera, case.truth.grid)
        yield TrueCase(
            name=case.name,
            stage=str(case.truth.survey.stage),
            rgb=rgb,
            metal=case.drawing.mask(case.truth.grid),
            in_frame=inside,
            photo_px_per_mm=scale,
            labels=case.truth.labels,
            truth={},
            grid=case.truth.grid,
            seconds=time.perf_counter() - started,
        )
