"""Merging lamps: glare goes, pits stay, shifts are taken out, and different faces are refused."""

from __future__ import annotations

from datetime import datetime

import cv2
import numpy as np
import pytest
from shapely import box

from pitmap.classes import Stage
from pitmap.drawing import Drawing
from pitmap.errors import InputError, MeasurementError
from pitmap.grid import Grid
from pitmap.photo import merge_lamps, taken_apart
from pitmap.photo.check import clipped
from pitmap.pipeline import Straightened, classify_face, merge_faces

ROWS, COLS = 240, 320


def face(seed: int = 7) -> np.ndarray:
    """Reflectance of a flat face with 60 dark spots and a soft stain."""
    rng = np.random.default_rng(seed)
    metal = 0.35 + 0.02 * cv2.GaussianBlur(rng.normal(0, 1, (ROWS, COLS)).astype(np.float32), (0, 0), 1.5)
    for _ in range(60):
        x, y = int(rng.integers(10, COLS - 10)), int(rng.integers(10, ROWS - 10))
        cv2.circle(metal, (x, y), int(rng.integers(2, 6)), 0.06, -1)
    cv2.circle(metal, (230, 150), 30, 0.2, -1)
    return cv2.GaussianBlur(metal, (0, 0), 0.8)


def under_lamp(metal: np.ndarray, x: float, y: float, seed: int, gloss: float = 1.2) -> np.ndarray:
    """sRGB picture under a lamp near (x, y): falling light, and a burnt-out spot of gloss there."""
    rng = np.random.default_rng(seed)
    cols, rows = np.meshgrid(np.arange(COLS), np.arange(ROWS))
    far2 = (cols - x) ** 2 + (rows - y) ** 2
    light = metal * (0.6 + 0.8 * np.exp(-far2 / 150**2)) + gloss * np.exp(-far2 / (2 * 18**2))
    srgb = np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.clip(light, 1e-6, None) ** (1 / 2.4) - 0.055
    )
    noisy = 255 * srgb + rng.normal(0, 1.0, srgb.shape)
    return np.repeat(np.clip(np.round(noisy), 0, 255).astype(np.uint8)[..., None], 3, 2)


LAMPS = ((80, 60, 1), (240, 70, 2), (150, 180, 3))


def test_merge_removes_glare_and_keeps_pits() -> None:
    metal = face()
    pictures = [under_lamp(metal, *lamp) for lamp in LAMPS]
    frames = [np.ones((ROWS, COLS), bool)] * 3
    merge = merge_lamps(pictures, frames)
    assert (merge.unseen_share > 0.005).all()
    assert merge.merged_unseen_share == 0.0
    assert not merge.unseen.any()
    assert "3 photos together" in merge.gain_text
    grey = merge.rgb[..., 0].astype(float)
    pit, sound = metal < 0.12, metal > 0.33
    # the merged picture separates pits from sound metal everywhere, also where one lamp was burnt out
    assert np.quantile(grey[pit], 0.98) < np.quantile(grey[sound], 0.02)
    best = max(pictures, key=lambda p: -int((p[..., 0][sound].astype(int)).std()))[..., 0].astype(float)
    assert grey[sound].std() < 0.5 * best[sound].std()


@pytest.mark.parametrize(("px_per_mm", "is_refused"), [(20.0, False), (5.0, True)])
def test_how_far_photos_may_lie_beside_each_other_is_so_many_millimetres(
    px_per_mm: float, is_refused: bool
) -> None:
    """16 px are 0.8 mm at one scale, within the 1.2 mm allowed, and 3.2 mm at the other."""
    metal = face()
    there = np.float32([[1, 0, 16], [0, 1, 0]])
    shifted = cv2.warpAffine(metal, there, (COLS, ROWS), borderMode=cv2.BORDER_REFLECT)
    pictures = [under_lamp(m, 160, 120, 5, gloss=0.0) for m in (metal, shifted)]
    frames = [np.ones((ROWS, COLS), bool)] * 2
    if is_refused:
        with pytest.raises(MeasurementError, match="cannot be told to show the same face"):
            merge_lamps(pictures, frames, px_per_mm=px_per_mm)
        return
    merge = merge_lamps(pictures, frames, px_per_mm=px_per_mm)
    assert np.abs(merge.shifts_px).max(0) == pytest.approx([16, 0], abs=0.1)


def test_merge_takes_out_a_shift() -> None:
    metal = face()
    shifted = cv2.warpAffine(
        metal, np.array([[1, 0, 1.5], [0, 1, -2.25]]), (COLS, ROWS), borderMode=cv2.BORDER_REPLICATE
    )
    pictures = [under_lamp(metal, *LAMPS[0]), under_lamp(shifted, *LAMPS[1])]
    merge = merge_lamps(pictures, [np.ones((ROWS, COLS), bool)] * 2)
    moved = merge.shifts_px[1 - merge.reference] * (1 if merge.reference == 0 else -1)
    assert moved == pytest.approx([1.5, -2.25], abs=0.25)
    assert merge.shifts_px[merge.reference].tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    "place_sd, share",
    [(None, 0.5), ((0.05, 0.05), 0.5), ((0.1, 0.2), 0.2), ((0.2, 0.1), 0.8)],
    ids=["all alike", "as sure", "first surer", "second surer"],
)
def test_pictures_are_laid_where_their_mean_place_says(
    place_sd: tuple[float, float] | None, share: float
) -> None:
    """Weights 1/s^2: beside one twice as sure, a picture counts a fifth, so the surer one moves a fifth of the way."""
    metal = face()
    shifted = cv2.warpAffine(
        metal, np.array([[1, 0, 4.0], [0, 1, -2.0]]), (COLS, ROWS), borderMode=cv2.BORDER_REPLICATE
    )
    pictures = [under_lamp(m, 160, 120, 5, gloss=0.0) for m in (metal, shifted)]
    merge = merge_lamps(pictures, [np.ones((ROWS, COLS), bool)] * 2, place_sd=place_sd)
    at = share * np.array([4.0, -2.0])
    wanted = cv2.warpAffine(
        pictures[0], np.array([[1, 0, at[0]], [0, 1, at[1]]]), (COLS, ROWS), flags=cv2.INTER_CUBIC
    )
    inner = np.s_[20:-20, 20:-20]
    for picture in (*merge.pictures, merge.rgb):
        moved, _ = cv2.phaseCorrelate(
            wanted[inner][..., 0].astype(float), picture[inner][..., 0].astype(float)
        )
        assert moved == pytest.approx((0, 0), abs=0.25)


@pytest.mark.parametrize("place_sd", [None, (0.1, 0.2, 0.15)])
def test_the_order_of_the_photos_changes_nothing(place_sd: tuple[float, ...] | None) -> None:
    """No photo loses a pixel, and the third is a little larger, so that its lie beside the others is not quite one shift."""
    metal = face()
    wider = cv2.warpAffine(
        metal, np.array([[1.012, 0, -1.0], [0, 1.0, 2.0]]), (COLS, ROWS), borderMode=cv2.BORDER_REPLICATE
    )
    moved = cv2.warpAffine(
        metal, np.array([[1, 0.01, 1.4], [0, 1, -2.3]]), (COLS, ROWS), borderMode=cv2.BORDER_REPLICATE
    )
    pictures = [under_lamp(m, *lamp, gloss=0.0) for m, lamp in zip((metal, moved, wider), LAMPS)]
    frames = [np.ones((ROWS, COLS), bool)] * 3
    first = merge_lamps(pictures, frames, place_sd=place_sd)
    assert not any(clipped(picture).any() for picture in pictures)
    for order in ([1, 2, 0], [2, 1, 0], [0, 2, 1]):
        sds = None if place_sd is None else [place_sd[k] for k in order]
        again = merge_lamps([pictures[k] for k in order], frames, place_sd=sds)
        assert order[again.reference] == first.reference
        assert again.shifts_px == pytest.approx(first.shifts_px[order], abs=1e-5)
        # sums taken in another order may round a level up or down
        assert np.abs(again.rgb.astype(int) - first.rgb).max() <= 1


def test_merge_fills_what_one_frame_cuts_off() -> None:
    metal = face()
    pictures = [under_lamp(metal, *lamp, gloss=0.0) for lamp in LAMPS[:2]]
    left, right = np.ones((ROWS, COLS), bool), np.ones((ROWS, COLS), bool)
    left[:, 280:] = False
    right[:, :20] = False
    left[:30, :], right[:30, :] = False, False
    merge = merge_lamps(pictures, [left, right])
    assert merge.merged_unseen_share == pytest.approx(30 / 240, abs=0.01)
    assert merge.unseen_share.min() > 0.17
    assert merge.unseen[10, 100]
    assert not merge.unseen[100, 300]


def test_merge_counts_over_the_face_only() -> None:
    metal = face()
    pictures = [under_lamp(metal, *lamp) for lamp in LAMPS[:2]]
    merge = merge_lamps(
        pictures, [np.ones((ROWS, COLS), bool)] * 2, face=np.pad(np.ones((200, 280), bool), 20)
    )
    small = merge_lamps(pictures, [np.ones((ROWS, COLS), bool)] * 2)
    assert merge.unseen_share[0] > small.unseen_share[0]


def test_merge_refuses_other_faces_and_bad_calls() -> None:
    good = under_lamp(face(), *LAMPS[0])
    other = under_lamp(face(seed=99), *LAMPS[1])
    full = np.ones((ROWS, COLS), bool)
    with pytest.raises(MeasurementError, match="same face"):
        merge_lamps([good, other], [full, full])
    with pytest.raises(InputError, match="two or more"):
        merge_lamps([good], [full])
    with pytest.raises(InputError, match="picture 2"):
        merge_lamps([good, good[:-1]], [full, full])
    with pytest.raises(InputError, match="face mask"):
        merge_lamps([good, good], [full, full], face=np.zeros((ROWS, COLS), bool))


def test_lamps_of_one_sitting_are_not_spoken_against() -> None:
    at = datetime(2031, 3, 5, 9, 50)
    assert taken_apart([]) == taken_apart([("a.jpg", at)]) == ""
    assert taken_apart([("a.jpg", at), ("b.jpg", None)]) == ""
    assert taken_apart([("a.jpg", at), ("b.jpg", at.replace(hour=10, minute=20))]) == ""


def test_photos_with_time_for_work_between_them_are_told() -> None:
    taken = [("b.jpg", datetime(2031, 3, 5, 11, 2)), ("x.jpg", None), ("a.jpg", datetime(2031, 3, 5, 10, 30))]
    said = taken_apart(taken)
    assert said.startswith("a.jpg was taken on 2031-03-05 at 10:30, b.jpg was taken on 2031-03-05 at 11:02. ")
    assert "map them as two surveys" in said


def test_photos_of_different_days_are_refused() -> None:
    with pytest.raises(
        MeasurementError, match=r"a\.jpg was taken on 2031-03-05 at 17:00, b\.jpg was taken on"
    ):
        taken_apart([("a.jpg", datetime(2031, 3, 5, 17)), ("b.jpg", datetime(2031, 3, 6, 8))])


def test_a_place_has_the_detail_of_a_photo_that_shows_it() -> None:
    """The close photo ends at the 200th column; beyond it there is only the one from far away, too coarse to read."""
    drawing = Drawing(
        name="strip", thickness_mm=12.0, outline=box(0, 0, COLS / 10, ROWS / 10), openings=(), zones={}
    )
    grid = Grid(x0_mm=0, y1_mm=ROWS / 10, px_per_mm=10.0, n_rows=ROWS, n_cols=COLS)
    metal = face()
    close, far = np.ones((ROWS, COLS), bool), np.ones((ROWS, COLS), bool)
    close[:, 200:] = False
    far[:, 300:] = False
    faces = [
        Straightened(
            rgb=under_lamp(metal, *lamp, gloss=0.0), in_frame=frame, grid=grid,
            photo_px_per_mm=np.full((ROWS, COLS), scale, np.float32),
        )
        for lamp, frame, scale in zip(LAMPS, (close, far), (8.0, 1.2))
    ]  # fmt: skip
    one, _ = merge_faces(faces, drawing)
    assert (one.photo_px_per_mm[5:-5, 5:190] == 8.0).all()
    assert one.photo_px_per_mm[5:-5, 210:290] == pytest.approx(1.2)
    assert (one.photo_px_per_mm > 0).all()
    found = classify_face(one, drawing, Stage("test_lap"), "classic")
    assert found.is_seen[5:-5, 5:190].all()
    assert not found.is_seen[5:-5, 210:].any()


def covered(picture: np.ndarray, columns: slice, seed: int) -> np.ndarray:
    """The picture with a folded cloth over so many columns: strong detail of its own."""
    folds = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, (ROWS, COLS)), (0, 0), 3)
    out = picture.copy()
    out[:, columns] = np.clip(110 + 500 * folds[:, columns, None], 20, 235).astype(np.uint8)
    return out


def test_photos_of_one_face_with_a_cloth_on_each_are_laid_on_each_other() -> None:
    """A third is covered in one, another third in the other: what both show is enough."""
    metal = face()
    shifted = cv2.warpAffine(
        metal, np.array([[1, 0, 3.0], [0, 1, -2.0]]), (COLS, ROWS), borderMode=cv2.BORDER_REPLICATE
    )
    first = covered(under_lamp(metal, 160, 120, 5, gloss=0.0), np.s_[:106], 1)
    second = covered(under_lamp(shifted, 160, 120, 6, gloss=0.0), np.s_[214:], 2)
    merge = merge_lamps([first, second], [np.ones((ROWS, COLS), bool)] * 2)
    moved = merge.shifts_px[1 - merge.reference] * (1 if merge.reference == 0 else -1)
    assert moved == pytest.approx([3.0, -2.0], abs=0.25)


@pytest.mark.parametrize("seed", range(20, 32))
def test_a_cloth_does_not_make_another_face_the_same(seed: int) -> None:
    first = covered(under_lamp(face(), 160, 120, 5), np.s_[:106], 1)
    second = covered(under_lamp(face(seed), 160, 120, 6), np.s_[214:], 2)
    with pytest.raises(MeasurementError, match=r"(a\.jpg and b|b\.jpg and a)\.jpg cannot be told"):
        merge_lamps([first, second], [np.ones((ROWS, COLS), bool)] * 2, names=["a.jpg", "b.jpg"])
