"""The public call of the surface stage: what it refuses, and what its map promises."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from pitmap.classes import Stage, SurfaceClass
from pitmap.errors import InputError
from pitmap.grid import Grid
from pitmap.photo import read_photo
from pitmap.surface import METHODS, PROBABILITY_CLASSES, ClassMap, classify
from pitmap.surface.axes import axes_of
from pitmap.surface.covers import parts_with_an_edge, with_their_middles
from pitmap.surface.decide import (
    choose_codes,
    correct_pits,
    covered_parts,
    keep_faint_pits,
    softmax_rows,
    where_it_wins,
)
from pitmap.surface.illumination import robust_background
from pitmap.surface.lay import is_lay
from pitmap.surface.learned import has_model, tile_counts, tile_spans
from pitmap.surface.scores import find_scores, lines_in_web, put_scores
from pitmap.surface.unseen import unreadable

PX = 10
SHAPE = (300, 420)


def lapped_metal(rng: np.random.Generator, shape: tuple[int, int] = SHAPE) -> np.ndarray:
    """Even, matt, light grey, with the grain of a lapped face."""
    grain = rng.normal(0, 3, shape)[..., None]
    return np.clip(165 + grain, 0, 255).astype(np.uint8).repeat(3, axis=2)


def add_disc(rgb: np.ndarray, row: int, col: int, radius: float, colour: tuple[int, int, int]) -> None:
    rows, cols = np.mgrid[: rgb.shape[0], : rgb.shape[1]]
    rgb[(rows - row) ** 2 + (cols - col) ** 2 <= radius**2] = colour


@pytest.fixture
def pitted() -> np.ndarray:
    """Lapped metal with one dark pit of 2 mm at (100, 200)."""
    rgb = lapped_metal(np.random.default_rng(4))
    add_disc(rgb, 100, 200, 10, (42, 38, 36))
    return rgb


@pytest.mark.parametrize("method", METHODS)
def test_classify_finds_a_dark_pit(pitted: np.ndarray, method: str) -> None:
    found = classify(pitted, px_per_mm=PX, stage="test_lap", method=method)
    assert found.codes[100, 200] == SurfaceClass.PIT
    # pi * 1 mm^2 = 3.14 mm2 = 314 pixels
    assert 200 <= found.is_class(SurfaceClass.PIT).sum() <= 450
    assert found.codes[250, 50] == SurfaceClass.SOUND


def test_classify_pit_keeps_its_size_in_mm_at_another_scale() -> None:
    area_mm2 = {}
    for scale in (10, 5):
        rgb = lapped_metal(np.random.default_rng(4), (60 * scale // 2, 84 * scale // 2))
        add_disc(rgb, 10 * scale, 20 * scale, 1.0 * scale, (42, 38, 36))
        found = classify(rgb, px_per_mm=scale, stage="test_lap", method="classic")
        area_mm2[scale] = found.is_class(SurfaceClass.PIT).sum() / scale**2
    assert area_mm2[10] == pytest.approx(3.14, rel=0.35)
    assert area_mm2[5] == pytest.approx(3.14, rel=0.35)


@pytest.mark.parametrize(("scale", "method", "most_mm"), [(4, "learned", 0.04), (14, "classic", 0.02)])
def test_classify_leaves_a_pit_where_it_is_on_a_raster_of_any_scale(
    scale: int, method: str, most_mm: float
) -> None:
    """At 4 px per mm every pit lay 0.1 mm to the right and below: of the pixels that one stands for the first was asked."""
    rng, fine = np.random.default_rng(3), 4
    at_mm = [(5 + 6.1 * i, 5 + 6.2 * k) for i in range(4) for k in range(3)]
    rows, cols = (np.mgrid[: 22 * scale * fine, : 28 * scale * fine] + 0.5) / (scale * fine)
    picture = np.full(rows.shape, 165, np.float32)
    for x, y in at_mm:
        picture[(cols - x) ** 2 + (rows - y) ** 2 <= 0.8**2] = 42
    picture = cv2.resize(picture, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    rgb = np.clip(picture + rng.normal(0, 3, picture.shape), 0, 255).astype(np.uint8)[..., None].repeat(3, 2)
    found = classify(rgb, px_per_mm=scale, stage="test_lap", method=method)
    _, _, _, middle = cv2.connectedComponentsWithStats(found.is_class(SurfaceClass.PIT).astype(np.uint8))
    off = [min((middle[1:] + 0.5) / scale - place, key=lambda d: np.hypot(*d)) for place in at_mm]
    assert np.abs(np.mean(off, axis=0)).max() < most_mm


def test_classify_a_coarse_raster_has_no_finer_detail_than_its_own(pitted: np.ndarray) -> None:
    """The network was told of a sharp photo and shown the blur of a raster at a quarter of its scale."""
    coarse = cv2.resize(pitted, None, fx=2.5 / PX, fy=2.5 / PX, interpolation=cv2.INTER_AREA)
    told = [
        classify(
            coarse, px_per_mm=2.5, stage="test_lap", photo_px_per_mm=scale, method="learned",
            keep_probabilities=True,
        ).probabilities
        for scale in (2.5, 10.0)
    ]  # fmt: skip
    assert np.array_equal(*told)


def test_classify_classic_is_blind_to_exposure_and_colour_of_light(pitted: np.ndarray) -> None:
    warm = np.clip(pitted * np.array([0.75, 0.65, 0.5]), 0, 255).astype(np.uint8)
    a, b = (classify(p, px_per_mm=PX, stage="test_lap", method="classic").codes for p in (pitted, warm))
    assert (a != b).mean() < 0.002


@pytest.mark.parametrize(
    ("colour", "is_now"),
    [((100, 75, 60), SurfaceClass.STAIN), ((80, 80, 80), SurfaceClass.PIT), ((60, 40, 28), SurfaceClass.PIT)],
)
def test_classify_classic_asks_more_darkness_of_rust_before_it_is_a_pit(
    colour: tuple[int, int, int], is_now: SurfaceClass
) -> None:
    """Rust of L = 34, grey metal as dark, and rust of L = 18."""
    rgb = lapped_metal(np.random.default_rng(4))
    add_disc(rgb, 100, 200, 15, colour)
    found = classify(rgb, px_per_mm=PX, stage="test_lap", method="classic")
    assert (found.codes[92:108, 192:208] == is_now).mean() > 0.95


@pytest.mark.parametrize(
    ("colour", "lapped", "at_intake"),
    [
        ((172, 160, 142), SurfaceClass.UNCUT, SurfaceClass.SOUND),  # warmer than the lapped face
        ((95, 95, 95), SurfaceClass.UNCUT, SurfaceClass.SOUND),  # much darker
        ((225, 225, 225), SurfaceClass.UNCUT, SurfaceClass.SOUND),  # or brighter
        ((110, 130, 180), SurfaceClass.TINT, SurfaceClass.TINT),
        ((130, 95, 70), SurfaceClass.STAIN, SurfaceClass.STAIN),
        ((60, 160, 60), SurfaceClass.UNSEEN, SurfaceClass.UNSEEN),  # cloth
        ((165, 165, 165), SurfaceClass.SOUND, SurfaceClass.SOUND),
    ],
)
def test_classify_classic_tells_a_broad_patch_by_its_tone_and_colour(
    colour: tuple[int, int, int], lapped: SurfaceClass, at_intake: SurfaceClass
) -> None:
    rgb = lapped_metal(np.random.default_rng(4), (400, 500))
    rgb[140:260, 180:300] = colour  # 12 mm square
    for stage, expected in (("test_lap", lapped), ("intake", at_intake)):
        codes = classify(rgb, px_per_mm=PX, stage=stage, method="classic").codes
        assert (codes[160:240, 200:280] == expected).all()
        assert (codes[:110] == SurfaceClass.SOUND).all() and (codes[290:] == SurfaceClass.SOUND).all()


def test_classify_classic_takes_no_small_spot_of_colour_for_a_cover() -> None:
    """36 mm2 of vivid green: cloth begins at 60."""
    rgb = lapped_metal(np.random.default_rng(4), (400, 500))
    rgb[140:200, 180:240] = (60, 160, 60)
    found = classify(rgb, px_per_mm=PX, stage="test_lap", method="classic")
    assert not found.is_class(SurfaceClass.UNSEEN).any()


@pytest.mark.parametrize("method", METHODS)
def test_classify_uncut_does_not_exist_at_intake(method: str) -> None:
    rng = np.random.default_rng(9)
    rgb = lapped_metal(rng)
    rgb[:, 210:] = np.clip(rgb[:, 210:] * np.array([0.75, 0.68, 0.55]), 0, 255)
    found = classify(rgb, px_per_mm=PX, stage="intake", method=method)
    assert not found.is_class(SurfaceClass.UNCUT).any()


def test_classify_mask_makes_outside(pitted: np.ndarray) -> None:
    mask = np.ones(SHAPE, bool)
    mask[:, :100] = False
    found = classify(pitted, px_per_mm=PX, stage="test_lap", mask=mask, method="classic")
    assert (found.codes[:, :100] == SurfaceClass.OUTSIDE).all()
    assert (found.codes[:, 100:] != SurfaceClass.OUTSIDE).all()
    assert (found.confidence[:, :100] == 0).all()


@pytest.mark.parametrize("method", METHODS)
def test_classify_out_of_frame_is_unseen(pitted: np.ndarray, method: str) -> None:
    in_frame = np.ones(SHAPE, bool)
    in_frame[200:] = False
    found = classify(pitted, px_per_mm=PX, stage="test_lap", in_frame=in_frame, method=method)
    assert (found.codes[200:] == SurfaceClass.UNSEEN).all()
    assert (found.confidence[200:] == 0).all()
    assert found.codes[100, 200] == SurfaceClass.PIT


@pytest.mark.parametrize(("level", "what"), [(255, "glare"), (0, "black")])
def test_classify_blown_glare_and_black_are_unseen(pitted: np.ndarray, level: int, what: str) -> None:
    pitted[180:280, 40:160] = level
    found = classify(pitted, px_per_mm=PX, stage="test_lap", method="classic")
    assert (found.codes[190:270, 50:150] == SurfaceClass.UNSEEN).all(), what
    assert found.codes[100, 200] == SurfaceClass.PIT


def test_unreadable_is_what_no_channel_shows_and_is_wider_than_a_sparkle() -> None:
    rgb = np.full((120, 160, 3), 150, np.uint8)
    rgb[20:60, 20:60] = (255, 255, 180)  # a coloured lamp, blown in two channels
    rgb[20:60, 80:120] = (0, 0, 60)  # one channel that shows something is enough
    rgb[20:60, 120:140] = (60, 0, 0)
    rgb[20:60, 140:160] = (0, 60, 0)
    rgb[80:120, 20:60] = 255  # 4 x 4 mm, up to the border
    rgb[80:90, 100:110] = 255  # a sparkle of 1 mm
    lost = unreadable(rgb, 10.0)
    # all of the block but its corners, which the disc of 1.5 mm does not reach
    assert lost[80:120, 40].all() and lost[100, 20:60].all()
    assert lost[80:120, 20:60].mean() > 0.95
    lost[80:120, 20:60] = False
    assert not lost.any()


@pytest.mark.parametrize(
    ("colour", "is_lost"),
    [
        ((250, 250, 250), True),
        ((249, 255, 255), False),
        ((255, 249, 255), False),
        ((255, 255, 249), False),
        ((9, 9, 9), True),
        ((10, 0, 0), False),
        ((0, 10, 0), False),
        ((0, 0, 10), False),
    ],
)
def test_metal_is_lost_where_the_darkest_channel_is_blown_or_the_brightest_black(
    colour: tuple[int, int, int], is_lost: bool
) -> None:
    assert (unreadable(np.full((40, 60, 3), colour, np.uint8), 10.0) == is_lost).all()


def test_classify_too_coarse_photo_is_unseen(pitted: np.ndarray) -> None:
    scale = np.full(SHAPE, 4.0)
    scale[:, :50] = 1.2
    found = classify(pitted, px_per_mm=PX, stage="test_lap", photo_px_per_mm=scale, method="classic")
    assert (found.codes[:, :50] == SurfaceClass.UNSEEN).all()
    assert not (found.codes[:, 50:] == SurfaceClass.UNSEEN).any()


@pytest.mark.parametrize("method", METHODS)
def test_classify_drawn_hole_is_no_pit(method: str) -> None:
    rng = np.random.default_rng(2)
    rgb, mask = lapped_metal(rng), np.ones(SHAPE, bool)
    add_disc(rgb, 150, 210, 52, (30, 28, 25))
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    # the drawing's hole is 0.2 mm smaller than its dark chamfered rim in the picture
    mask[(rows - 150) ** 2 + (cols - 210) ** 2 <= 50**2] = False
    found = classify(rgb, px_per_mm=PX, stage="test_lap", mask=mask, method=method)
    assert found.is_class(SurfaceClass.PIT).sum() <= 60


@pytest.mark.parametrize("method", METHODS)
def test_classify_probabilities_sum_to_one_on_metal(pitted: np.ndarray, method: str) -> None:
    mask = np.ones(SHAPE, bool)
    mask[:40] = False
    found = classify(
        pitted, px_per_mm=PX, stage="test_lap", mask=mask, method=method, keep_probabilities=True
    )
    assert found.probabilities is not None
    assert found.probabilities.shape == (len(PROBABILITY_CLASSES), *SHAPE)
    total = found.probabilities.astype(np.float32).sum(0)
    assert np.abs(total[40:] - 1).max() < 0.01
    assert (total[:40] == 0).all()
    assert found.probability(SurfaceClass.PIT)[100, 200] > 0.5


@pytest.mark.parametrize("px_per_mm", [5.0, 12.5, 20.0])
def test_classify_reads_the_rim_of_the_metal_at_any_scale_of_the_raster(px_per_mm: float) -> None:
    """Rasters of other scales than the network's draw on pixels beside the metal, where nothing had been read."""
    photo = read_photo(Path(__file__).parents[1] / "sample_images_synthetic" / "a_test_lap" / "photo.jpg")
    rgb = cv2.resize(photo.rgb[1300:1440, 1400:1596], SHAPE[::-1], interpolation=cv2.INTER_CUBIC)
    for beside in (20, 21):
        mask = np.zeros(SHAPE, bool)
        mask[beside:-beside, beside:-beside] = True
        found = classify(rgb, px_per_mm=px_per_mm, stage="test_lap", mask=mask, keep_probabilities=True)
        assert found.probabilities is not None
        total = found.probabilities.astype(np.float32).sum(0)
        assert np.abs(total[mask] - 1).max() < 0.01
        assert (total[~mask] == 0).all()


@pytest.mark.parametrize("top", [0, 20, 60])
@pytest.mark.parametrize("radius", [5, 15])
@pytest.mark.parametrize("noise", [0, 8])
def test_classify_even_metal_is_not_taken_for_a_thing(top: int, radius: int, noise: int) -> None:
    """A face smoother than any that was learned from, below a drawn edge; its pit is there to be seen."""
    rng = np.random.default_rng(4)
    rgb, mask = lapped_metal(rng), np.ones(SHAPE, bool)
    mask[:top] = False
    add_disc(rgb, 100, 200, radius, (42, 38, 36))
    rgb = np.clip(rgb + rng.normal(0, noise, rgb.shape), 0, 255).astype(np.uint8)
    found = classify(rgb, px_per_mm=PX, stage="test_lap", mask=mask, keep_probabilities=True)
    assert found.codes[100, 200] == SurfaceClass.PIT
    assert found.is_class(SurfaceClass.PIT).sum() == pytest.approx(np.pi * radius**2, rel=0.45)
    assert not found.is_class(SurfaceClass.UNSEEN).any()
    assert found.probabilities is not None
    assert (found.probabilities[-1] < 0.5).all()


def test_covered_part_needs_an_edge() -> None:
    rgb, metal = lapped_metal(np.random.default_rng(6)), np.ones(SHAPE, bool)
    parts = np.zeros(SHAPE, bool)
    parts[60:160, 60:160] = True
    parts[60:160, 260:360] = True
    # something two thirds as bright lies on the first; nothing on the second
    rgb[64:156, 64:156] = (rgb[64:156, 64:156] * 0.66).astype(np.uint8)
    kept = parts_with_an_edge(parts, [rgb], [metal], PX)
    assert kept[60:160, 60:160].all()
    assert not kept[:, 200:].any()
    # where only drawn edges bound it, nothing can be said: it stays covered
    assert parts_with_an_edge(parts, [rgb], [parts], PX)[:, 200:].any()


def test_a_cloth_of_the_metals_own_tone_is_told_by_its_grain() -> None:
    """It has the middle tone of the metal all along its border; the grain of a lapped face it has not, finer or coarser."""
    rng = np.random.default_rng(6)
    metal, part = np.ones(SHAPE, bool), np.zeros(SHAPE, bool)
    part[60:160, 60:200] = True
    # as a photo of 3 px per mm has it: nothing finer than its pixels
    grain = cv2.GaussianBlur(rng.normal(0, 30, SHAPE), (0, 0), 1.5)
    for times, is_cloth in ((0.25, True), (4.0, True), (0.8, False), (1.25, False)):
        rgb = np.rint(165 + np.where(part, times, 1) * grain).astype(np.uint8)[..., None].repeat(3, axis=2)
        kept = parts_with_an_edge(part, [rgb], [metal], PX)
        assert np.array_equal(kept, part if is_cloth else np.zeros_like(part)), times


def test_a_part_of_a_cloth_is_not_metal_because_the_rest_of_it_was_not_told() -> None:
    """Beside the part there is only more of the smooth cloth; the open face further off is grainier."""
    rng = np.random.default_rng(6)
    metal, cloth, part = (np.zeros(SHAPE, bool) for _ in range(3))
    metal[:], cloth[40:180, 40:220], part[60:160, 60:200] = True, True, True
    grain = cv2.GaussianBlur(rng.normal(0, 30, SHAPE), (0, 0), 1.5)
    rgb = np.rint(165 + np.where(cloth, 0.25, 1) * grain).astype(np.uint8)[..., None].repeat(3, axis=2)
    assert np.array_equal(parts_with_an_edge(part, [rgb], [metal], PX), part)
    smooth = np.rint(165 + 0.25 * grain).astype(np.uint8)[..., None].repeat(3, axis=2)
    assert not parts_with_an_edge(part, [smooth], [metal], PX).any()


def test_the_marks_along_a_steel_rule_are_not_the_grain_of_metal() -> None:
    rng = np.random.default_rng(6)
    metal, rule = np.ones(SHAPE, bool), np.zeros(SHAPE, bool)
    rule[60:160, 60:300] = True
    grain = cv2.GaussianBlur(rng.normal(0, 30, SHAPE), (0, 0), 1.5)
    tone = 165 + np.where(rule, 0.25, 1) * grain
    for rows in (slice(62, 80), slice(140, 158)):
        # by turns 0.5 mm darker and 0.5 mm brighter, so that the middle tone stays that of the metal
        tone[rows, 60:300] += np.where(np.arange(240) // 5 % 2, 14, -14)
    rgb = np.rint(tone).astype(np.uint8)[..., None].repeat(3, axis=2)
    assert np.array_equal(parts_with_an_edge(rule, [rgb], [metal], PX), rule)


def test_what_no_photo_shows_is_covered_though_one_picture_of_all_has_no_edge_there() -> None:
    """A dark cloth in one photo over all of the place of a light one in the other: merged, only the dark one is left.

    What both cover is the light one's place. Its edge is in the second photo alone.
    """
    rng = np.random.default_rng(6)
    bare, metal = lapped_metal(rng), np.ones(SHAPE, bool)
    dark, light, both = bare.copy(), bare.copy(), np.zeros(SHAPE, bool)
    both[60:140, 100:220] = True
    dark[20:180, 40:300] = 40
    light[both] = 210
    merged = np.minimum(dark, light)
    assert not parts_with_an_edge(both, [merged], [metal], PX).any()
    assert np.array_equal(parts_with_an_edge(both, [dark, light], [metal] * 2, PX), both)
    assert np.array_equal(parts_with_an_edge(both, [light, dark], [metal] * 2, PX), both)
    # the first photo's cloth up to where the second's frame ends: that line is no edge, and does not make it metal
    assert np.array_equal(parts_with_an_edge(both, [dark, bare], [metal, ~both], PX), both)
    # metal that runs on in both is metal
    assert not parts_with_an_edge(both, [bare, bare], [metal] * 2, PX).any()


@pytest.mark.parametrize("light", [0.0, 0.3])
def test_a_pit_inside_is_no_edge_of_a_thing(light: float) -> None:
    """Bare metal said to be covered, with a pit on its border: metal. A dark cloth with a light patch: a thing."""
    rng = np.random.default_rng(8)
    rgb, said, metal = lapped_metal(rng), np.zeros(SHAPE, bool), np.ones(SHAPE, bool)
    metal[:20] = False
    said[20:60, 160:250] = said[60:100, 180:220] = True
    add_disc(rgb, 100, 200, 15, (42, 38, 36))
    said[100:115, 186:214] = True
    falling = np.exp(-light * np.arange(SHAPE[1]) / SHAPE[1])[None, :, None]
    lit = (rgb * falling).astype(np.uint8)
    assert not parts_with_an_edge(said, [lit], [metal], PX).any()
    cloth = lit.copy()
    cloth[said] = cloth[said] // 2
    cloth[25:50, 170:190] = lit[25:50, 170:190]
    assert np.array_equal(parts_with_an_edge(said, [cloth], [metal], PX), said)


def test_the_middle_of_a_thing_belongs_to_it_and_a_gap_does_not() -> None:
    """A light cloth on dark metal, read as metal in two places: one is cloth, one is a hole in it."""
    rng = np.random.default_rng(7)
    cloth, metal = np.zeros((500, 700), bool), np.ones((500, 700), bool)
    cloth[60:440, 80:500] = True
    cloth[250:330, 330:430] = False
    rgb = np.where(cloth[..., None], 190, 140) + rng.normal(0, 4, (500, 700, 3))
    rgb = np.clip(rgb, 0, 255).astype(np.uint8)
    said = cloth.copy()
    said[120:220, 150:300] = False
    said[165:170, 80:150] = False
    whole = with_their_middles(said, [rgb], [metal], PX)
    assert whole[120:220, 150:300].all()
    assert not whole[255:325, 335:425].any()
    assert not whole[:, 510:].any()
    speck = np.zeros_like(cloth)
    speck[200:220, 200:220] = True
    assert np.array_equal(with_their_middles(speck, [np.full_like(rgb, 150)], [metal], PX), speck)
    assert not with_their_middles(np.zeros_like(cloth), [rgb], [metal], PX).any()


def test_classify_nothing_in_frame_is_all_unseen(pitted: np.ndarray) -> None:
    found = classify(pitted, px_per_mm=PX, stage="test_lap", in_frame=np.zeros(SHAPE, bool))
    assert (found.codes == SurfaceClass.UNSEEN).all()
    assert not found.is_seen.any()


def test_classify_names_the_method(pitted: np.ndarray) -> None:
    assert classify(pitted, px_per_mm=PX, stage="test_lap", method="classic").method == "classic"
    assert has_model()
    assert classify(pitted, px_per_mm=PX, stage="test_lap").method == "learned"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"px_per_mm": 0}, "px_per_mm"),
        ({"px_per_mm": float("nan")}, "px_per_mm"),
        ({"px_per_mm": "10"}, "px_per_mm"),
        ({"px_per_mm": None}, "px_per_mm"),
        ({"edge_mm": np.full((20, 30), np.nan)}, "edge_mm"),
        ({"method": "guess"}, "method"),
        ({"stage": "polished"}, "stage"),
        ({"mask": np.ones((3, 4), bool)}, "mask"),
        ({"in_frame": np.ones((3, 4), bool)}, "in_frame"),
        ({"edge_mm": np.ones((3, 4))}, "edge_mm"),
        ({"photo_px_per_mm": np.ones((3, 4))}, "photo_px_per_mm"),
        ({"photo_px_per_mm": -1.0}, "photo_px_per_mm"),
    ],
)
def test_classify_refuses(change: dict, words: str) -> None:
    call = {"px_per_mm": PX, "stage": "test_lap", "method": "classic"} | change
    with pytest.raises(InputError, match=words):
        classify(np.full((20, 30, 3), 150, np.uint8), **call)


@pytest.mark.parametrize(
    "picture", [np.zeros((20, 30), np.uint8), np.zeros((20, 30, 3)), np.zeros((0, 30, 3), np.uint8)]
)
def test_classify_refuses_what_is_no_rgb_picture(picture: np.ndarray) -> None:
    with pytest.raises(InputError, match="RGB"):
        classify(picture, px_per_mm=PX, stage="test_lap")


@pytest.mark.parametrize("size_mm", [(3, 3), (8, 8), (15, 15), (2, 400)])
@pytest.mark.parametrize("scale", [5, 10, 20])
def test_a_small_plain_picture_does_not_tell_uncut_metal(size_mm: tuple[int, int], scale: int) -> None:
    """Even, sound metal was called uncut for certain, all of it, for want of other metal to compare it with."""
    rgb = lapped_metal(np.random.default_rng(7), (size_mm[0] * scale, size_mm[1] * scale))
    found = classify(rgb, px_per_mm=scale, stage="test_lap", method="learned", keep_probabilities=True)
    assert not found.is_class(SurfaceClass.UNCUT).any()
    unseen = found.probability(SurfaceClass.UNSEEN)
    assert (unseen[found.is_class(SurfaceClass.UNSEEN)] == 1).all()


def test_a_pit_in_a_small_plain_picture_is_still_found() -> None:
    rgb = lapped_metal(np.random.default_rng(7), (120, 120))
    add_disc(rgb, 60, 60, 10, (42, 38, 36))
    found = classify(rgb, px_per_mm=10, stage="test_lap", method="learned")
    assert found.is_class(SurfaceClass.PIT)[55:66, 55:66].all()


@pytest.mark.parametrize(("side_px", "px_per_mm"), [(300, 1e4), (300, 1e9), (1, 5)])
def test_classify_refuses_a_picture_of_a_speck(side_px: int, px_per_mm: float) -> None:
    """Thirty micrometres of metal were called uncut for certain; a speck may lie inside one pit."""
    with pytest.raises(InputError, match="2 mm each way"):
        classify(np.full((side_px, side_px, 3), 150, np.uint8), px_per_mm=px_per_mm, stage="test_lap")


@pytest.mark.parametrize("photo_px_per_mm", [None, 8.0])
@pytest.mark.parametrize("method", METHODS)
def test_classify_a_raster_too_coarse_to_read_is_unseen(method: str, photo_px_per_mm: float | None) -> None:
    """At 0.001 px per mm it was to grow ten thousandfold each way, and no memory was enough."""
    found = classify(
        np.full((40, 40, 3), 150, np.uint8), px_per_mm=1e-3, stage="test_lap", method=method,
        photo_px_per_mm=photo_px_per_mm, keep_probabilities=True,
    )  # fmt: skip
    assert found.is_class(SurfaceClass.UNSEEN).all()


@pytest.mark.parametrize("offset", [0.0, 1000.0, -1000.0])
def test_softmax_of_logits_of_any_size(offset: float) -> None:
    """e / (1 + e + 1) and twice 1 / (2 + e), whatever is added to all of them."""
    logits = np.array([1.0, 0.0, 0.0], np.float32).reshape(3, 1, 1) + np.float32(offset)
    assert softmax_rows(logits).ravel() == pytest.approx([0.576117, 0.211942, 0.211942], abs=1e-5)


def test_softmax_of_logits_far_apart_is_a_number() -> None:
    for logits in ([0.0, 200.0, 0.0], [0.0, -200.0, 200.0]):
        p = softmax_rows(np.array(logits, np.float32).reshape(3, 1, 1)).ravel()
        assert p == pytest.approx([float(x == max(logits)) for x in logits], abs=1e-6)


def test_correct_pits_keeps_the_sum_and_the_order_of_the_rest() -> None:
    p = np.array([0.30, 0.40, 0.20, 0.06, 0.03, 0.01], np.float32)[:, None, None]
    said, came = np.array([0, 0.4, 1], np.float32), np.array([0, 0.7, 0.9], np.float32)
    out = correct_pits(p.copy(), said, came)[:, 0, 0]
    # the pit goes from 0.40 to 0.70, the other 0.60 shrink by one half
    # the table is read in 4096 steps
    assert out == pytest.approx([0.15, 0.70, 0.10, 0.03, 0.015, 0.005], abs=5e-4)
    assert out.sum() == pytest.approx(1, abs=1e-5)
    # where a pit is certain nothing is left that could fill the rest
    certain = np.array([0, 1, 0, 0, 0, 0], np.float32)[:, None, None]
    assert correct_pits(certain, said, came)[:, 0, 0] == pytest.approx([0, 1, 0, 0, 0, 0])


def test_choose_codes_weighs_rare_classes() -> None:
    p = np.array([0.55, 0.45, 0, 0, 0, 0, 0], np.float32)[:, None, None]
    plain, _, _ = choose_codes(p, np.ones(7, np.float32))
    codes, confidence, best = choose_codes(p, np.array([1, 1.5, 1, 1, 1, 1, 1], np.float32))
    assert plain[0, 0] == SurfaceClass.SOUND
    assert codes[0, 0] == SurfaceClass.PIT
    assert confidence[0, 0] == pytest.approx(0.45)
    assert best[0, 0] == pytest.approx(1.5 * 0.45)
    # and sound metal: 2 x 0.3 is more than 0.5
    p = np.array([0.3, 0.5, 0.2, 0, 0, 0, 0], np.float32)[:, None, None]
    codes, _, best = choose_codes(p, np.array([2, 1, 1, 1, 1, 1, 1], np.float32))
    assert (codes[0, 0], best[0, 0]) == (SurfaceClass.SOUND, pytest.approx(0.6))


def test_choose_codes_says_what_the_metal_is_under_a_cover_and_beside_scores() -> None:
    p = np.array([0.1, 0.05, 0.2, 0, 0, 0.35, 0.3], np.float32)[:, None, None]
    codes, _, best = choose_codes(p, np.ones(7, np.float32))
    assert codes[0, 0] == SurfaceClass.STAIN
    assert where_it_wins(p[5], 1.0, best)[0, 0] == pytest.approx(0.35)
    assert where_it_wins(p[5], 0.5, best)[0, 0] == 0


def test_a_faint_pit_is_kept_whole_and_a_clear_one_grows_no_rim() -> None:
    pit = np.zeros((7, 20), np.float32)
    # one clear but for a doubtful rim on one side, one that is doubtful all over but for its middle
    pit[2:5, 1:6], pit[2:5, 2:6], pit[2:5, 12:15], pit[3, 13] = 0.35, 0.8, 0.35, 0.8
    p = np.zeros((7, 7, 20), np.float32)
    p[0], p[1] = 1 - pit, pit
    weights = np.array([1, 1.5, 1, 1, 1, 1, 1], np.float32)
    codes, confidence, best = choose_codes(p, weights)
    # 0.35 x 1.5 loses against 0.65, 0.35 x 2.4 wins
    keep_faint_pits(codes, confidence, where_it_wins(p[1], 2.4, best))
    wanted = np.zeros_like(codes, dtype=bool)
    wanted[2:5, 2:6] = wanted[2:5, 12:15] = True
    assert ((codes == SurfaceClass.PIT) == wanted).all()
    assert confidence[2, 12] == pytest.approx(0.35)


def scored(*lines: tuple[float, float, float, float], bend: float = 0.0, width: int = 3) -> np.ndarray:
    """Scores four times as likely as the metal, on 60 x 40 mm at 10 px/mm: lines that wind by `bend` mm."""
    out = np.zeros((400, 600), np.uint8)
    for x0, y0, x1, y1 in lines:
        t = np.linspace(0, 1, 80)
        y = y0 + (y1 - y0) * t + bend * np.sin(6 * np.pi * t)
        px = np.round(np.column_stack([x0 + (x1 - x0) * t, y]) * 10).astype(np.int32)
        cv2.polylines(out, [px], False, 1, width)
    return 4 * out.astype(np.float32)


def put(ratio: np.ndarray, edge_mm: float | np.ndarray = 9.0) -> tuple[np.ndarray, np.ndarray]:
    codes = np.full(ratio.shape, SurfaceClass.STAIN, np.uint8)
    confidence = np.full(ratio.shape, 0.3, np.float32)
    edge = np.broadcast_to(np.float32(edge_mm), ratio.shape)
    put_scores(codes, confidence, find_scores(ratio, edge, 10.0), ratio, edge > 0)
    return codes, confidence


@pytest.mark.parametrize("nick_mm", [3, 7])
def test_a_long_line_is_a_score_and_a_nick_is_not(nick_mm: int) -> None:
    line, nick = scored((5, 5, 35, 20)), scored((40, 30, 40 + nick_mm, 31))
    codes, confidence = put(np.maximum(line, nick))
    assert ((codes == SurfaceClass.SCORE) == (line > 0)).all()
    assert (codes[line == 0] == SurfaceClass.STAIN).all()
    assert confidence[line > 0] == pytest.approx(0.8) and confidence[line == 0] == pytest.approx(0.3)


def test_a_gentle_bend_and_a_gap_make_no_difference() -> None:
    t = np.linspace(-1, 1, 100)
    arc = np.zeros((400, 600), np.uint8)
    cv2.polylines(
        arc, [np.round(np.column_stack([300 + 200 * t, 100 + 40 * t**2])).astype(np.int32)], False, 1, 3
    )
    assert ((put(4 * arc.astype(np.float32))[0] == SurfaceClass.SCORE) == (arc > 0)).all()
    pieces = scored((5, 10, 9, 10), (9.6, 10, 13, 10))
    assert ((put(pieces)[0] == SurfaceClass.SCORE) == (pieces > 0)).all()


def test_places_in_one_row_are_a_line_and_a_blot_is_none() -> None:
    along = np.arange(0, 30, 0.1)
    (line,) = lines_in_web(np.column_stack([along, np.full_like(along, 4.0)]), 10.0)
    assert len(line) == len(along)
    blot = np.stack(np.meshgrid(np.arange(0, 15, 0.1), np.arange(0, 15, 0.1)), -1).reshape(-1, 2)
    assert lines_in_web(blot, 10.0) == []


def test_scores_that_cross_are_both_scores() -> None:
    cross = scored((5, 5, 45, 25), (25, 2, 22, 36))
    assert (put(cross)[0][cross > 0] == SurfaceClass.SCORE).mean() > 0.97
    # one through the winding outline of a stain stays, the outline does not
    outline, line = scored((10, 32, 50, 32), bend=1.5, width=4), scored((5, 5, 55, 38))
    codes, _ = put(np.maximum(line, outline))
    assert (codes[line > 0] == SurfaceClass.SCORE).mean() > 0.9
    assert (codes[:, 100:300][outline[:, 100:300] > 0] == SurfaceClass.SCORE).mean() < 0.05


def test_faint_lines_side_by_side_are_the_strokes_of_a_lap() -> None:
    strokes = np.minimum(scored(*((5, y, 30, y + 8) for y in range(3, 31, 4))), 1.5)
    assert not (put(strokes)[0] == SurfaceClass.SCORE).any()
    # a line across them is none of them, nor is a clear one along them
    across, clear = np.minimum(scored((40, 4, 45, 36)), 1.5), 5 * scored((35, 5, 58, 13))
    codes, _ = put(np.maximum(np.maximum(strokes, across), clear))
    assert ((codes == SurfaceClass.SCORE) == (np.maximum(across, clear) > 0)).all()
    # three of a kind are no lap
    few = np.minimum(scored(*((5, y, 30, y + 8) for y in (4, 12, 20))), 1.5)
    assert ((put(few)[0] == SurfaceClass.SCORE) == (few > 0)).all()


def stroke(x: float, y: float, turn_deg: float, width: float = 0.2) -> np.ndarray:
    """Places of a line of 10 mm about (x, y): two rows so far apart."""
    turn = np.radians(turn_deg)
    along, aside = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    t = np.linspace(-5, 5, 101)[:, None]
    return np.concatenate([[x, y] + t * along + s * aside for s in (-width / 2, width / 2)])


@pytest.mark.parametrize(
    ("offsets_mm", "turn_deg", "ratio", "width", "is_one"),
    [
        ((3, 5, 7, 9), 0, 2.0, 0.2, True),
        ((-3, -5, 5, 3), 7, 2.0, 0.2, True),
        ((3, 5, 7), 0, 2.0, 0.2, False),  # too few
        ((3, 5, 7, 9), 9, 2.0, 0.2, False),  # another way
        ((-1.5, -1, 1, 1.5), 0, 2.0, 0.2, False),  # pieces of the line itself
        ((3, 5, 7, 9), 0, 15.0, 0.2, False),  # clear
        ((3, 5, 7, 9), 0, 2.0, 2.0, False),  # wide: a spread of 1 mm across, of 2.9 mm along
    ],
)
def test_what_makes_a_faint_line_a_stroke_of_the_lap(
    offsets_mm: tuple[float, ...], turn_deg: float, ratio: float, width: float, is_one: bool
) -> None:
    line = stroke(40, 60, 30, width)
    across = np.array([-np.sin(np.radians(30)), np.cos(np.radians(30))])
    beside = [axes_of(stroke(*(np.array([40, 60]) + d * across), 30 + turn_deg)) for d in offsets_mm]
    assert is_lay(line, ratio, [axes_of(line), *beside]) is is_one


def ring(x: float, y: float, radius: float) -> np.ndarray:
    out = np.zeros((400, 600), np.uint8)
    cv2.circle(out, (round(10 * x), round(10 * y)), round(10 * radius), 1, 3)
    return 4 * out.astype(np.float32)


def test_a_tight_arc_is_written_and_hides_no_score_that_crosses_it() -> None:
    part = ring(30, 20, 12)
    part[:, :340] = 0
    assert not (put(part)[0] == SurfaceClass.SCORE).any()
    whole, line = ring(30, 20, 12), scored((5, 8, 55, 31))
    codes, _ = put(np.maximum(whole, line))
    assert (codes[line > 0] == SurfaceClass.SCORE).mean() > 0.97
    assert (codes[(whole > 0) & (line == 0)] == SurfaceClass.SCORE).mean() < 0.05


def test_straight_scores_along_the_raster_cross_too() -> None:
    cross = scored((5, 20, 55, 20), (30, 3, 30, 37))
    assert (put(cross)[0][cross > 0] == SurfaceClass.SCORE).mean() > 0.97


def test_a_line_runs_on_where_it_faintly_shows_and_into_an_edge_close_ahead() -> None:
    strong, whole = scored((10, 20, 30, 22)), scored((10, 20, 40, 23))
    faint = np.where(strong > 0, strong, 0.1 * whole)
    assert (put(faint)[0][whole > 0] == SurfaceClass.SCORE).mean() > 0.97
    faint[:, 330:345] = 0
    codes, confidence = put(faint)
    assert (codes[:, 300:325][whole[:, 300:325] > 0] == SurfaceClass.SCORE).mean() > 0.95
    assert not (codes[:, 334:] == SurfaceClass.SCORE).any()
    assert confidence[(codes == SurfaceClass.SCORE) & (strong == 0) & (faint > 0)] == pytest.approx(0.4 / 1.4)
    # an opening begins 1.2 mm beyond its end, another one 3 mm
    for opening, runs_in in ((312, True), (330, False)):
        edge = np.full(strong.shape, 9.0, np.float32)
        edge[:, opening:] = 0
        said = put(strong, edge)[0] == SurfaceClass.SCORE
        assert said[:, opening - 2].any() == runs_in
        assert not said[:, opening:].any()


def test_what_winds_is_wide_or_runs_along_an_edge_is_no_score() -> None:
    assert not (put(scored((5, 20, 35, 20), bend=0.6))[0] == SurfaceClass.SCORE).any()
    assert not (put(scored((5, 20, 35, 20), width=15))[0] == SurfaceClass.SCORE).any()
    assert not (put(scored((5, 20, 35, 20)), edge_mm=0.7)[0] == SurfaceClass.SCORE).any()
    # one that crosses the land from edge to edge keeps its ends
    edge = (np.minimum(np.arange(400), np.arange(400)[::-1])[:, None] + 0.5) / np.float32(10)
    across = scored((20, 0.2, 20, 39.8))
    said = put(across, edge)[0] == SurfaceClass.SCORE
    assert said[across > 0].all()
    assert (said.any(0) == (across > 0).any(0)).all()


def test_a_pit_stays_a_pit_where_a_score_only_seems_to_run_on() -> None:
    codes, confidence = np.ones((5, 60), np.uint8), np.full((5, 60), 0.9, np.float32)
    codes[2, 10:14] = codes[2, 40:44] = SurfaceClass.PIT
    scored, is_metal = np.zeros((5, 60), bool), np.ones((5, 60), bool)
    scored[2, 5:55] = True
    is_metal[:, 50:] = False
    ratio = np.where(scored, 4, 0).astype(np.float32)
    ratio[2, 10:14] = ratio[2, 30:34] = 0.5  # at the first pit, and on sound metal between the two
    put_scores(codes, confidence, scored, ratio, is_metal)
    assert (codes[2, 10:14] == SurfaceClass.PIT).all() and (confidence[2, 10:14] == np.float32(0.9)).all()
    assert (np.flatnonzero(codes == SurfaceClass.SCORE) - 120).tolist() == [*range(5, 10), *range(14, 50)]
    # 4 to 1, and 1 to 2
    assert confidence[2, 41] == pytest.approx(0.8) and confidence[2, 31] == pytest.approx(1 / 3)


def test_covered_parts_drop_specks_and_keep_things() -> None:
    covered = np.zeros((200, 300), bool)
    covered[20:30, 20:30] = True
    covered[100:160, 100:180] = True
    kept = covered_parts(covered, 10.0)
    assert not kept[:60].any()
    assert kept[100:160, 100:180].all()
    # a rim of 0.3 mm, three pixels
    assert kept[130, 97] and not kept[130, 95]


def test_tile_spans_join_without_overlap() -> None:
    spans = tile_spans(100, 2660, 3, 48)
    kept = np.concatenate([np.arange(a, b) for _, _, a, b in spans])
    assert kept.tolist() == list(range(100, 2660))
    assert all((stop - start) % 48 == 0 and start <= a - 30 and stop >= b + 30 for start, stop, a, b in spans)


@pytest.mark.parametrize(("height", "width"), [(1, 1), (40, 3000), (2360, 2710), (1500, 1500), (9000, 7000)])
def test_no_plan_of_tiles_reads_fewer_pixels(height: int, width: int) -> None:
    def read(n_rows: int, n_cols: int) -> tuple[int, int]:
        (top, bottom, *_), (left, right, *_) = (
            tile_spans(0, height, n_rows, 48)[0],
            tile_spans(0, width, n_cols, 48)[0],
        )
        one = (bottom - top) * (right - left)
        return one, one * n_rows * n_cols

    n_rows, n_cols = tile_counts(height, width, 48)
    one, total = read(n_rows, n_cols)
    # a pass over so many pixels takes about 90 MB, and several run at a time
    assert one <= 600_000
    others = [read(i, j) for i in range(1, 18) for j in range(1, 18)]
    assert total == min(all_ for tile, all_ in others if tile <= 600_000)


def small_map(**change: object) -> ClassMap:
    values: dict = {
        "codes": np.array([[0, 1, 2], [255, 5, 3]], np.uint8),
        "confidence": np.array([[0, 0.9, 0.8], [0, 0.5, 1]], np.float32),
        "stage": Stage("test_lap"),
        "px_per_mm": 10.0,
    }
    return ClassMap(**(values | change))


def test_background_is_carried_by_the_metal_alone_and_not_by_damage() -> None:
    """Light that falls off along the face, with a hole in the drawing, and a pit of 4 mm in the metal; 10 px per mm."""
    rows, cols = np.mgrid[:300, :420]
    light = (150.0 - 0.1 * cols).astype(np.float32)
    metal = (rows - 150) ** 2 + (cols - 300) ** 2 > 60**2
    values = np.where(metal, light, 0).astype(np.float32)
    values[(rows - 150) ** 2 + (cols - 120) ** 2 <= 20**2] = 30
    found = robust_background(values, metal, 10.0, 8.0)
    # well inside: within 8 mm of the picture's border the mean of a slope is drawn towards its inside
    inside = metal & (cols > 100) & (cols < 320)
    assert np.abs(found - light)[inside].max() < 3.0
    # slits of the width of a pixel take nothing off the light of the metal between them
    slits = np.broadcast_to(cols % 2 == 0, (300, 420))
    found = robust_background(np.where(slits, np.float32(100), np.float32(0)), slits, 10.0, 8.0)
    assert found == pytest.approx(np.full((300, 420), 100), abs=0.01)


def test_class_map_tells_metal_and_seen_apart() -> None:
    found = small_map()
    assert found.is_metal.tolist() == [[False, True, True], [True, True, True]]
    assert found.is_seen.tolist() == [[False, True, True], [False, True, True]]
    assert found.is_class(SurfaceClass.PIT).tolist() == [[False, False, True], [False, False, False]]
    assert found.shape == (2, 3)


def test_class_map_arrays_are_read_only() -> None:
    full = small_map(
        break_chance=np.full((2, 3), 7, np.uint8), probabilities=np.full((7, 2, 3), 0.1, np.float16)
    )
    for array in (full.codes, full.confidence, full.break_chance, full.probabilities):
        with pytest.raises(ValueError, match="read-only"):
            array[..., 0] = 1  # type: ignore[index]


def test_class_map_placed_takes_the_grid() -> None:
    grid = Grid(x0_mm=0, y1_mm=1, px_per_mm=10, n_rows=2, n_cols=3)
    assert small_map().placed(grid).grid is grid
    with pytest.raises(InputError, match="grid"):
        small_map().placed(Grid(x0_mm=0, y1_mm=1, px_per_mm=10, n_rows=3, n_cols=3))
    # it lost how likely metal of the land makes no contact, and with that the doubt of its sound width
    full = small_map(
        break_chance=np.full((2, 3), 7, np.uint8), probabilities=np.full((7, 2, 3), 0.1, np.float16)
    ).placed(grid)
    assert full.break_chance is not None and full.break_chance.tolist() == [[7] * 3] * 2
    assert full.probabilities is not None and full.px_per_mm == 10


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"codes": np.array([[9, 1, 2], [1, 1, 1]], np.uint8)}, r"\[9\]"),
        ({"confidence": np.ones((2, 2), np.float32)}, "one shape"),
        ({"confidence": np.array([[0, 1.5, 0.8], [0, 0.5, 1]], np.float32)}, "0 to 1"),
        ({"confidence": np.array([[0, -0.1, 0.8], [0, 0.5, 1]], np.float32)}, "0 to 1"),
        ({"confidence": np.array([[0, np.nan, 0.8], [0, 0.5, 1]], np.float32)}, "0 to 1"),
        ({"break_chance": np.zeros((2, 2), np.uint8)}, "break_chance"),
        ({"break_chance": np.zeros((2, 3), np.float32)}, "break_chance"),
        ({"px_per_mm": 0.0}, "px_per_mm"),
        ({"probabilities": np.zeros((2, 2, 3), np.float16)}, "probabilities"),
    ],
)
def test_class_map_refuses(change: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        small_map(**change)


def test_class_map_probability_says_when_there_is_none() -> None:
    with pytest.raises(InputError, match="keep_probabilities"):
        small_map().probability(SurfaceClass.PIT)
    full = small_map(probabilities=np.zeros((7, 2, 3), np.float16))
    assert full.probability(SurfaceClass.STAIN).shape == (2, 3)
    with pytest.raises(InputError, match="no probability of its own"):
        full.probability(SurfaceClass.OUTSIDE)


def test_reading_a_face_leaves_nothing_in_the_users_folders(tmp_path: Path) -> None:
    """ONNX Runtime keeps a device id and events for its maker there, unless it is told not to before it starts."""
    read = (
        "import numpy as np; from pitmap.surface import classify;"
        "classify(np.full((60, 90, 3), 150, np.uint8), px_per_mm=10, stage='test_lap', method='learned')"
    )
    home = {"HOME": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path / "cache"), "TMPDIR": str(tmp_path)}
    without = {k: v for k, v in os.environ.items() if k != "ORT_DISABLE_TELEMETRY"}
    subprocess.run([sys.executable, "-c", read], env=without | home, check=True, timeout=120)
    assert list(tmp_path.rglob("*")) == []
