"""Metal too dark to be read: black rust must not pass for sound, and the fall of a lamp must not pass for rust."""

from __future__ import annotations

import numpy as np
import pytest

from pitmap.classes import SurfaceClass
from pitmap.photo.colour import linear_of_levels
from pitmap.surface import classify, dark_words
from pitmap.surface.darkness import too_dark

PX_PER_MM = 5.0
SIDE_MM = 200


def centres_mm() -> tuple[np.ndarray, np.ndarray]:
    """x, y of every pixel of a square face, from its middle, mm."""
    line = (np.arange(round(SIDE_MM * PX_PER_MM)) + 0.5) / PX_PER_MM - SIDE_MM / 2
    return np.meshgrid(line, line)


def picture(light: np.ndarray) -> np.ndarray:
    """A picture of grey metal under so much linear light, 0 to 1, with the grain of metal."""
    grain = np.random.default_rng(3).normal(1, 0.05, light.shape)
    level = np.searchsorted(linear_of_levels(), np.clip(light * grain, 0, 1)).clip(0, 255)
    return np.repeat(level.astype(np.uint8)[..., None], 3, axis=2)


def share_too_dark(light: np.ndarray, *, is_lapped: bool) -> float:
    everywhere = np.ones(light.shape, bool)
    return float(too_dark([picture(light)], [everywhere], PX_PER_MM, is_lapped=is_lapped).mean())


@pytest.mark.parametrize("stage", ["intake", "test_lap"])
@pytest.mark.parametrize("method", ["classic", "learned"])
def test_a_field_as_dark_as_black_rust_is_not_seen(stage: str, method: str) -> None:
    x, _ = centres_mm()
    field = x > 40  # 60 of 200 mm
    rgb = picture(np.where(field, 0.4 * 0.12, 0.4))
    mask = np.ones(field.shape, bool)
    read = classify(rgb, px_per_mm=PX_PER_MM, stage=stage, mask=mask, method=method)
    assert not (read.codes[field] == SurfaceClass.SOUND).mean() > 0.03
    assert (read.codes[~field] == SurfaceClass.SOUND).mean() > 0.9
    unseen_mm2 = float((read.codes == SurfaceClass.UNSEEN).sum()) / PX_PER_MM**2
    assert read.dark_mm2 <= unseen_mm2 <= field.sum() / PX_PER_MM**2 * 1.03


@pytest.mark.parametrize("is_lapped", [False, True])
@pytest.mark.parametrize("beside_mm", [0.0, 80.0])
def test_what_falls_off_from_a_near_lamp_is_no_field(is_lapped: bool, beside_mm: float) -> None:
    # a small lamp 150 mm above the plane lights it as cos(angle) / distance^2
    x, y = centres_mm()
    away2 = (x - beside_mm) ** 2 + (y - beside_mm) ** 2
    light = 0.8 * (1 + away2 / 150**2) ** -1.5
    assert light.min() < 0.4 * light.max()  # it does fall far
    assert share_too_dark(light, is_lapped=is_lapped) == 0


@pytest.mark.parametrize("is_lapped", [False, True])
@pytest.mark.parametrize("black_share", [0.3, 0.6, 0.8, 0.95])
def test_a_face_that_is_black_over_most_of_it_is_not_taken_for_a_dim_one(
    black_share: float, is_lapped: bool
) -> None:
    """Of 80 and 95 % at a sixth of the light all passed for sound: the black itself was the measure of the light."""
    x, _ = centres_mm()
    field = x > SIDE_MM / 2 - black_share * SIDE_MM
    rgb, everywhere = picture(np.where(field, 0.4 / 6, 0.4)), np.ones(field.shape, bool)
    dark = too_dark([rgb], [everywhere], PX_PER_MM, is_lapped=is_lapped)
    assert dark[field].mean() > 0.95
    assert dark[~field].mean() < 0.01


@pytest.mark.parametrize("is_lapped", [False, True])
def test_a_black_field_is_dark_to_its_middle_however_wide(is_lapped: bool) -> None:
    """Over 150 mm from the bright metal a sixth of the light was within what a lamp falls off."""
    x = np.tile((np.arange(1500) + 0.5) / PX_PER_MM, (300, 1))  # 300 x 60 mm
    field = x > 0.4 * 300
    rgb, everywhere = picture(np.where(field, 0.4 / 6, 0.4)), np.ones(field.shape, bool)
    assert too_dark([rgb], [everywhere], PX_PER_MM, is_lapped=is_lapped)[field].mean() > 0.95


def test_a_small_glare_does_not_make_the_rest_of_the_face_dark() -> None:
    x, y = centres_mm()
    # a lamp's mirror image, 20 mm wide at half of its height: 4 times as bright as metal in its middle
    light = 0.2 * (1 + 3 * np.exp(-(x**2 + y**2) / (2 * 8.5**2)))
    assert share_too_dark(light, is_lapped=True) == 0


@pytest.mark.parametrize("is_lapped", [False, True])
def test_a_soft_shadow_of_half_the_light_is_looked_through(is_lapped: bool) -> None:
    x, _ = centres_mm()
    assert share_too_dark(np.where(np.abs(x) < 30, 0.25, 0.5), is_lapped=is_lapped) == 0


def test_writing_in_thick_pen_is_no_field() -> None:
    x, y = centres_mm()
    strokes = (np.abs(np.mod(x, 25) - 12.5) < 1.5) & (np.abs(y) < 80)  # 3 mm wide
    assert share_too_dark(np.where(strokes, 0.03, 0.5), is_lapped=True) == 0


def test_a_shadow_that_another_lamp_does_not_cast_is_no_field() -> None:
    x, y = centres_mm()
    under_one = picture(np.where(x > 20, 0.05, 0.5))
    under_other = picture(np.where(y > 20, 0.05, 0.5))
    everywhere = np.ones(x.shape, bool)
    dark = too_dark([under_one, under_other], [everywhere, everywhere], PX_PER_MM, is_lapped=True)
    both = (x > 20) & (y > 20)
    assert not dark[~both].any()
    assert dark[both].mean() > 0.95


def test_a_picture_that_does_not_show_a_place_says_nothing_of_it() -> None:
    x, _ = centres_mm()
    rgb = picture(np.where(x > 20, 0.05, 0.5))
    everywhere = np.ones(x.shape, bool)
    shows_the_bright_side = x < 0
    dark = too_dark([rgb, rgb], [everywhere, shows_the_bright_side], PX_PER_MM, is_lapped=True)
    assert dark[x > 20].mean() > 0.95
    assert not dark[x < 20].any()


@pytest.mark.parametrize("shape", [(3, 3), (40, 2000), (2000, 41)])
def test_a_face_of_any_shape_is_taken(shape: tuple[int, int]) -> None:
    rgb = np.full((*shape, 3), 120, np.uint8)
    assert not too_dark([rgb], [np.ones(shape, bool)], 10.0, is_lapped=True).any()
    assert not too_dark([rgb], [np.zeros(shape, bool)], 10.0, is_lapped=True).any()


def test_words_give_the_area_in_the_units_of_the_reader() -> None:
    assert dark_words(1290.32).startswith("1290 mm2 ")
    assert dark_words(1290.32, "inch").startswith("2.00 in2 ")  # 645.16 mm2 to the square inch
