"""The sample job: what is committed is what its hashes say, and a small one is made twice the same."""

from __future__ import annotations

import hashlib
import json
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from pitmap.drawing import load_shipped
from pitmap.registration.camera import Camera, Lens
from pitmap.sample_job import demo_limits
from pitmap.stock import read_limits
from pitmap.synthetic.readings import JOB_READINGS
from pitmap.synthetic.samples import make_samples

SAMPLES = Path(__file__).parents[1] / "sample_images_synthetic"
PLATES = Path(__file__).parents[1] / "pitmap/drawing/plates"
SURVEYS = ["a_intake", "a_test_lap", "a_lap_1", "b_intake", "b_test_lap", "b_lap_1"]


def test_committed_files_match_their_hashes():
    lines = (SAMPLES / "hashes.txt").read_text().splitlines()
    listed = {}
    for line in lines:
        digest, name = line.split("  ", 1)
        listed[name] = digest
        assert hashlib.sha256((SAMPLES / name).read_bytes()).hexdigest() == digest, name
    there = {p.relative_to(SAMPLES).as_posix() for p in SAMPLES.rglob("*") if p.is_file()}
    assert there == {*listed, "hashes.txt"}


def test_committed_samples_stay_under_twelve_megabytes():
    assert sum(p.stat().st_size for p in SAMPLES.rglob("*") if p.is_file()) < 12e6


def test_job_names_two_faces_and_six_surveys():
    job = tomllib.loads((SAMPLES / "job.toml").read_text())
    assert [f["name"] for f in job["faces"]] == ["A", "B"]
    assert [s["folder"] for s in job["surveys"]] == SURVEYS
    assert [s["removed_um"] for s in job["surveys"]] == [0.0, 22.0, 48.0, 0.0, 20.0, 45.0]
    lamps = [len(s["photos"]) for s in job["surveys"]]
    assert lamps == [1, 3, 1, 1, 1, 1]
    for s in job["surveys"]:
        for photo in s["photos"]:
            assert cv2.imread(str(SAMPLES / s["folder"] / photo)).shape == (1800, 2400, 3)


@pytest.mark.parametrize("name", SURVEYS)
def test_truth_of_a_survey_fits_its_raster(name):
    truth = json.loads((SAMPLES / name / "truth.json").read_text())
    labels = cv2.imread(str(SAMPLES / name / "labels.png"), cv2.IMREAD_UNCHANGED)
    grid = truth["grid"]
    assert labels.shape == (grid["n_rows"], grid["n_cols"])
    codes = {"sound": 1, "pit": 2, "rust": 3, "heat": 4, "uncut": 5}
    area = 1 / grid["px_per_mm"] ** 2
    for key, code in codes.items():
        total = sum(z[f"{key}_mm2"] for z in truth["zones"].values())
        # Metal of no zone is in the raster only; there is very little of it.
        assert total == pytest.approx((labels == code).sum() * area, rel=0.02, abs=2.0)
    if "intake" in name:
        assert not (labels == 5).any()
    d = truth["distortion"]
    lens = Lens(k1=d["k1"], k2=d["k2"], centre_xy=tuple(d["centre"]), scale_px=d["scale"])
    camera = Camera(homography=np.array(truth["homography_mm_to_undistorted_px"]), lens=lens)
    at = camera.mm_to_px([[p["x_mm"], p["y_mm"]] for p in truth["pits"]])
    assert (at > 0).all() and (at < [2400, 1800]).all()


def test_pits_only_lose_depth_from_cut_to_cut():
    for face in "ab":
        left = [
            [p["left_um"] for p in json.loads((SAMPLES / f"{face}_{s}" / "truth.json").read_text())["pits"]]
            for s in ("intake", "test_lap", "lap_1")
        ]
        assert (np.diff(left, axis=0) <= 1e-6).all()
        assert sum(v == 0 for v in left[2]) > 5


def test_readings_have_their_columns_and_mixed_units():
    table = pd.read_csv(SAMPLES / "readings.csv", keep_default_na=False)
    assert list(table.columns) == JOB_READINGS.names
    assert set(table.unit) == {"um", "thou", "mm"}
    assert set(table.kind) == {"pit_depth", "height", "thickness", "wear_step", "straightedge"}
    assert table.lower_bound.any()


def test_thickness_readings_are_of_the_plate_that_the_photos_show():
    """The drawing, whose walls the photos show, is 14 mm thick; the micrometer read 12 mm."""
    table = pd.read_csv(SAMPLES / "readings.csv", keep_default_na=False)
    read = table[table.kind == "thickness"]
    assert load_shipped("heron40_intermediate_a").thickness_mm == 14.0
    for _, of_face in read[read.stage == "intake"].groupby("face"):
        assert of_face.value.mean() == pytest.approx(14.0, abs=0.01)
    assert read.value.between(13.94, 14.01).all()
    # a limit of a plate 12 mm thick would pass whatever comes off
    assert demo_limits().value("thickness_min") == 13.85
    for face in "ab":
        own = read_limits(PLATES / f"heron40_intermediate_{face}.toml")
        assert own.value("thickness_min") == 13.85


def test_thickness_readings_give_the_cut_back():
    table = pd.read_csv(SAMPLES / "readings.csv", keep_default_na=False)
    spots = table[(table.face == "A") & (table.kind == "thickness") & table.note.str.endswith("lap_1")]
    before, after = (spots[spots.note.str.startswith(w)].set_index("mark").value for w in ("before", "after"))
    # Second cut of 26 um at spots that the first had reached; five spots of 3.5 um, twice: 2.2 um in all.
    assert 1000 * (before - after).mean() == pytest.approx(26.0, abs=7.0)


@pytest.mark.slow
def test_small_job_is_made_twice_the_same(tmp_path):
    for name in ("one", "two"):
        make_samples(tmp_path / name, seed=3, size_wh=(200, 150), px_per_mm=2.0)
    assert (tmp_path / "one/hashes.txt").read_bytes() == (tmp_path / "two/hashes.txt").read_bytes()
