"""Renders: the truth lies where the picture says, hidden is hidden, the same seed gives the same bytes."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from shapely import Point, box

from pitmap.classes import SurfaceClass
from pitmap.drawing import Drawing, Opening
from pitmap.synthetic import (
    Damage,
    Look,
    Phone,
    lap,
    make_face,
    random_scene,
    render_cases,
    render_empty,
    render_jpeg,
    render_photo,
    truth_record,
    why_unusable,
)
from pitmap.synthetic.nodes import make_nodes
from pitmap.synthetic.phone import motion_kernel

SIZE = (480, 360)


@pytest.fixture(scope="module")
def plate() -> Drawing:
    outline, hole = box(-60, -45, 60, 45), Point(25, 5).buffer(12, 64)
    return Drawing(
        name="block",
        thickness_mm=12,
        outline=outline,
        openings=(Opening(name="c1", kind="coolant", polygon=hole),),
        zones={"seal_land": outline.difference(hole)},
    )


@pytest.fixture(scope="module")
def survey(plate):
    face = make_face(plate, np.random.default_rng(1), Damage(n_pits=25), 8.0)
    return lap(face, 25.0)


def scene_of(plate, seed=2, **more):
    given = {
        "size_wh": SIZE,
        "cut_by_frame": False,
        "covers": (),
        "tilt_deg": 27.0,
        "lights": ("lamp",),
        **more,
    }
    return random_scene(plate, np.random.default_rng(seed), **given)


def test_a_frame_full_of_metal_renders(plate):
    """No drawn edge in sight: a larger plate before a camera that was set up for the small one."""
    outline, far = box(-300, -300, 300, 300), Point(250, 250).buffer(12, 64)
    large = dataclasses.replace(
        plate,
        outline=outline,
        openings=(Opening(name="c1", kind="coolant", polygon=far),),
        zones={"seal_land": outline.difference(far)},
    )
    survey = lap(make_face(large, np.random.default_rng(1), Damage(n_pits=5), 2.0), 25.0)
    scene = scene_of(plate, tilt_deg=0.0)
    _, truth = render_photo(survey, large, scene, np.random.default_rng(4))
    corners = truth.camera.px_to_mm(np.array([[0, 0], [479, 0], [0, 359], [479, 359.0]]))
    assert np.abs(corners).max() < 200


def test_dots_on_the_face_appear_where_the_camera_says(plate, survey):
    dots = np.array([[-50.0, -35.0], [-48, 33], [0, 0], [50, -36], [52, 38], [-20, 10]])
    grid = survey.grid
    paint = np.full((*grid.shape, 4), 0.7, np.float32)
    paint[..., 3] = 0
    layer = np.zeros(grid.shape, np.uint8)
    for x, y in grid.mm_to_px(dots):
        cv2.circle(layer, (round(x * 16), round(y * 16)), round(1.6 * 8 * 16), 255, -1, cv2.LINE_AA, 4)
    paint[..., :3] *= 1 - 0.95 * (layer[..., None] / 255)
    form = np.zeros_like(paint)
    form[..., 2], form[..., 3] = 0.5, 1
    phone = Phone(noise=0, sharpen=0, defocus_px=0.5, jpeg_quality=98, vignette=0, contrast=0)
    scene = dataclasses.replace(scene_of(plate), phone=phone, clutter=0)
    rgb, truth = render_photo(
        survey, plate, scene, np.random.default_rng(0), Look(grid=grid, paint=paint, form=form)
    )
    for mm, (u, v) in zip(dots, truth.camera.mm_to_px(dots)):
        ring = truth.camera.mm_to_px(mm + 3.2 * np.stack([np.cos(np.arange(16)), np.sin(np.arange(16))], -1))
        r0, c0 = np.floor(ring.min(0)).astype(int)[::-1]
        r1, c1 = np.ceil(ring.max(0)).astype(int)[::-1] + 1
        window = rgb[r0:r1, c0:c1].mean(-1)
        dark = np.clip(np.median(np.r_[window[0], window[-1]]) - 25 - window, 0, None)
        rows, cols = np.mgrid[r0:r1, c0:c1]
        # A disc's centroid moves by a few hundredths of a pixel under perspective, blur and JPEG by the rest.
        assert (dark * cols).sum() / dark.sum() == pytest.approx(u, abs=0.15)
        assert (dark * rows).sum() / dark.sum() == pytest.approx(v, abs=0.15)


def test_nodes_are_the_pixels_they_stand_for(plate):
    scene = scene_of(plate, seed=5)
    nodes = make_nodes(scene)
    on_face = nodes.on_plane(0.0)
    at = scene.pose.project(on_face)
    assert at[1, 1] == pytest.approx([3.5, 3.5], abs=1e-4)
    assert at[-2, 1] == pytest.approx([3.5, SIZE[1] - 4.5], abs=1e-4)
    rows, cols = slice(64, 128), slice(160, 320)
    x, y = (nodes.stretch(on_face[..., k], rows, cols) for k in (0, 1))
    back = scene.pose.camera().mm_to_px(np.stack([x, y], -1))
    expected = np.stack(np.meshgrid(np.arange(160, 320), np.arange(64, 128)), -1)
    # The small photo bends most: 8 px of it are as much of the lens as 27 px of one 1600 wide.
    assert np.abs(back - expected).max() < 0.1


def test_pose_fills_the_frame_as_asked(plate):
    scene = scene_of(plate, fill=0.8, tilt_deg=20.0)
    ring = np.asarray(plate.outline.exterior.coords)
    p = scene.pose.project(np.column_stack([ring, np.zeros(len(ring))]))
    used = np.ptp(p, axis=0) / SIZE
    assert used.max() == pytest.approx(0.8, abs=0.01)
    assert scene.pose.camera().mm_to_px(ring) == pytest.approx(p, abs=1e-6)
    down = scene.pose.rotation[2] @ [0, 0, -1]
    assert np.degrees(np.arccos(down)) == pytest.approx(20.0, abs=1e-6)


def test_photo_is_not_mirrored(plate):
    # Seen from above, x turns into y counter-clockwise; in pixels with y down that is a negative determinant.
    h = scene_of(plate).pose.homography()
    assert np.linalg.det(h) < 0


def test_truth_areas_add_up(plate, survey):
    _, truth = render_photo(survey, plate, scene_of(plate), np.random.default_rng(0))
    zone = truth.zones.iloc[0]
    assert zone.hidden_mm2 == 0
    assert zone.zone_mm2 == pytest.approx(120 * 90 - np.pi * 144, rel=0.002)
    parts = zone[["sound_mm2", "pit_mm2", "rust_mm2", "heat_mm2", "uncut_mm2", "score_mm2"]].sum()
    assert parts == pytest.approx(zone.seen_mm2)
    record = truth_record(truth)
    assert record["removed_um"] == 25.0
    assert len(record["pits"]) == 25


def test_metal_out_of_the_frame_is_hidden(plate, survey):
    _, truth = render_photo(survey, plate, scene_of(plate, cut_by_frame=True), np.random.default_rng(0))
    assert 0.02 < truth.hidden.sum() / survey.face.shape.metal.sum() < 0.9
    assert (truth.labels[truth.hidden] == SurfaceClass.UNSEEN).all()
    rows, cols = np.nonzero(truth.hidden)
    p = truth.camera.mm_to_px(truth.grid.px_to_mm(np.column_stack([cols, rows]).astype(float)))
    inside = (p > -0.4).all(-1) & (p < np.array(SIZE) - 0.6).all(-1)
    assert not inside.any()


@pytest.mark.parametrize("cover", ["rag", "spanner", "pen", "glove"])
def test_what_covers_the_plate_hides_it(plate, survey, cover):
    scene = scene_of(plate)
    bare, _ = render_photo(survey, plate, scene, np.random.default_rng(0))
    rgb, truth = render_photo(
        survey, plate, dataclasses.replace(scene, covers=(cover,)), np.random.default_rng(0)
    )
    assert truth.hidden.any()
    rows, cols = np.nonzero(truth.hidden)
    p = np.round(
        truth.camera.mm_to_px(truth.grid.px_to_mm(np.column_stack([cols, rows]).astype(float)))
    ).astype(int)
    changed = np.abs(rgb.astype(int) - bare).max(-1)[p[:, 1], p[:, 0]]
    assert np.median(changed) > 5


def test_render_is_the_same_for_the_same_seed(plate, survey):
    scene = scene_of(plate)
    one, two = (render_jpeg(survey, plate, scene, np.random.default_rng(9))[0] for _ in range(2))
    assert one == two
    other = render_jpeg(survey, plate, scene, np.random.default_rng(10))[0]
    assert one != other


def test_wide_tones_change_the_look_and_no_truth(plate, survey):
    scene = scene_of(plate)
    plain, truth = render_photo(survey, plate, scene, np.random.default_rng(0))
    wide, of_wide = render_photo(
        survey, plate, dataclasses.replace(scene, wide_tones=True), np.random.default_rng(0)
    )
    assert np.array_equal(truth.labels, of_wide.labels)
    assert np.abs(plain.astype(int) - wide).max() > 20


def test_weathered_cases_have_the_names_and_stages_of_the_plain_ones():
    plain, weathered = (next(render_cases(1, seed=3, size_wh=SIZE, is_weathered=w)) for w in (False, True))
    assert (plain.name, plain.survey.stage, plain.blur) == (
        weathered.name, weathered.survey.stage, weathered.blur,
    )  # fmt: skip
    assert (weathered.survey.pits.drawn_diam_mm > 0).all()
    assert "field" in set(weathered.survey.face.pits.origin)


def test_empty_bench_shows_no_plate(plate):
    rgb = render_empty(plate, scene_of(plate), np.random.default_rng(0))
    assert rgb.shape == (360, 480, 3)
    assert 10 < rgb.mean() < 245


def test_small_photo_is_unusable_for_its_scale(plate, survey):
    rgb, truth = render_photo(
        survey, plate, scene_of(plate, fill=0.5, defocus_px=0.4), np.random.default_rng(0)
    )
    assert "px per mm" in why_unusable(rgb, truth)


def test_tilt_past_the_rule_is_unusable(plate, survey):
    rgb, truth = render_photo(survey, plate, scene_of(plate, tilt_deg=41.0), np.random.default_rng(0))
    assert "tilted 41 deg" in why_unusable(rgb, truth)


def test_motion_kernel_is_a_smear_of_that_length():
    kernel = motion_kernel(6.0, 0.0)
    assert kernel.sum() == pytest.approx(1, abs=1e-6)
    x = np.arange(kernel.shape[1]) - kernel.shape[1] // 2
    spread = np.sqrt((kernel.sum(0) * x**2).sum())
    # Variance of a line of 6 px is 6^2/12 = 3; splitting each point over two pixels adds at most 1/4.
    assert 1.65 < spread < 1.95
    assert kernel.sum(1).max() == pytest.approx(1, abs=1e-6)
