"""The main job from Python: photos of one face to a map with figures, and what is refused."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from main_job_survey import DRAWING, SURVEY
from rounds import long

from pitmap.casebook.sample import sample_folder
from pitmap.classes import Stage, SurfaceClass
from pitmap.drawing import load_shipped
from pitmap.errors import AlignmentRefused, InputError, MeasurementError
from pitmap.estimate import Estimate
from pitmap.inspection import Inspection
from pitmap.photo import read_photo
from pitmap.pipeline import STEPS, map_face
from pitmap.settings import Settings


def test_figures_are_near_the_truth(inspection: Inspection) -> None:
    truth = json.loads((sample_folder() / SURVEY / "truth.json").read_text(encoding="utf-8"))
    for zone in ("running_surface", "seal_land"):
        row = inspection.zones[(inspection.zones.zone == zone) & (inspection.zones.class_word == "pit")].iloc[
            0
        ]
        pits = truth["zones"][zone]
        share = pits["pit_mm2"] / pits["seen_mm2"]
        # The project's bar for a zone: half a percentage point or 15 % of the truth, whichever is larger.
        assert abs(row.share - share) <= max(0.005, 0.15 * share)
        assert row.share_low <= row.share <= row.share_high


def test_what_is_transparent_in_the_file_is_not_seen(photo: Path, inspection: Inspection) -> None:
    """The colour that an erased place keeps under its transparency is read for metal nowhere."""
    whole = read_photo(photo)
    w, h = whole.size_wh
    low, high = np.array([0.35 * w, 0.15 * h]), np.array([0.65 * w, 0.45 * h])
    y, x = np.mgrid[0:h, 0:w]
    erased = (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])
    found = map_face(
        replace(whole, seen=~erased),
        load_shipped(DRAWING),
        stage="test_lap",
        settings=Settings(map_px_per_mm=5.0, picture_px_per_mm=2.0),
    )
    grid = found.class_map.grid
    place = found.alignment.mm_to_px(np.stack(np.meshgrid(*grid.centres_mm()), -1))
    inside = ((place > low + 1) & (place < high - 1)).all(-1) & (
        inspection.class_map.codes != SurfaceClass.OUTSIDE
    )
    assert inside.sum() > 10_000
    assert (found.class_map.codes[inside] == SurfaceClass.UNSEEN).all()
    assert found.measurement.zones.unseen_share.max() > 0.05


def test_a_field_of_black_rust_is_not_seen_and_told(photo: Path, inspection: Inspection) -> None:
    """A third of the face at a sixth of its light: black rust on cut iron (common practice, no published source)."""
    whole = read_photo(photo)
    drawing = load_shipped(DRAWING)
    x0, y0, x1, y1 = drawing.outline.bounds
    at_mm = inspection.alignment.px_to_mm(
        np.stack(np.meshgrid(*(np.arange(n, dtype=float) for n in whole.size_wh)), -1)
    )
    is_plate = (at_mm > (x0, y0)).all(-1) & (at_mm < (x1, y1)).all(-1)
    rust = is_plate & (at_mm[..., 0] > x0 + 0.67 * (x1 - x0))
    painted = whole.rgb.copy()
    painted[rust] = np.round(painted[rust] * (1 / 6) ** (1 / 2.2)).astype(np.uint8)
    found = map_face(
        replace(whole, rgb=painted),
        drawing,
        stage="test_lap",
        settings=Settings(map_px_per_mm=5.0, picture_px_per_mm=2.0),
    )
    column, _ = np.meshgrid(*found.class_map.grid.centres_mm())
    under = found.class_map.is_metal & (column > x0 + 0.67 * (x1 - x0) + 2.0)
    assert (found.class_map.codes[under] == SurfaceClass.SOUND).mean() < 0.03
    assert "are far darker than the metal about them" in found.notes[0]
    assert found.measurement.zones.unseen_share.max() > 0.1


def test_a_cropped_photo_is_mapped_and_told(photo: Path, inspection: Inspection, tmp_path: Path) -> None:
    """The bench on one side cut away, as people do before they send a picture."""
    whole = cv2.imread(str(photo))
    part = tmp_path / "part.jpg"
    cv2.imwrite(str(part), whole[whole.shape[0] // 8 :])
    settings = Settings(map_px_per_mm=5.0, picture_px_per_mm=2.0)
    mapped = map_face([part], load_shipped(DRAWING), stage=Stage("test_lap"), settings=settings)
    (note,) = mapped.notes
    assert (
        note.startswith("part.jpg: the lens did not look at the middle of this photo") and "caliper" in note
    )
    shares = (
        i.measurement.zones.set_index(["zone", "class_word"]).share["seal_land", "affected"]
        for i in (mapped, inspection)
    )
    assert next(shares) == pytest.approx(next(shares), rel=0.15)
    assert inspection.notes == ()


def test_progress_names_every_step_in_order(inspection: Inspection, steps: list[tuple[str, float]]) -> None:
    assert [s for s, _ in steps if s] == list(STEPS)
    shares = [share for _, share in steps]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_stock_that_was_not_entered_is_not_known(inspection: Inspection) -> None:
    assert not inspection.removed_um.is_known
    assert "not entered" in inspection.removed_um.reason


def test_negative_stock_is_refused_from_python_too(photo: Path, inspection: Inspection) -> None:
    negative = Estimate.from_sd(-22.0, 3.0)
    with pytest.raises(InputError, match="Stock taken off: write it as a positive length"):
        map_face([photo], load_shipped(DRAWING), stage="test_lap", removed_um=negative)
    with pytest.raises(InputError, match="Stock taken off: write it as a positive length"):
        replace(inspection, removed_um=negative)


def test_a_camera_that_dates_a_photo_in_the_future_is_not_believed(photo: Path) -> None:
    ahead = replace(read_photo(photo), taken_at=datetime(2199, 3, 1, 12))
    with pytest.raises(
        InputError, match=r"^photo.jpg: its camera dates it 2199-03-01, which lies in the future"
    ):
        map_face(ahead, load_shipped(DRAWING), stage="test_lap")


@pytest.mark.parametrize(
    ("photos", "stage", "said"),
    [
        ("nowhere.jpg", "intake", r"nowhere\.jpg: cannot be read"),
        (Path("nowhere.jpg"), Stage("intake"), r"nowhere\.jpg: cannot be read"),
        (["nowhere.jpg"], "later", r"stage: expected intake.*'later'"),
        ([], "intake", "no photo given"),
    ],
)
def test_map_face_takes_one_photo_and_a_stage_in_words(
    photos: str | Path | list[str | Path], stage: str | Stage, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        map_face(photos, load_shipped(DRAWING), stage=stage)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("stage", "stock_um", "told"),
    [
        ("intake", 22.0, "at intake nothing is taken off yet. Leave the 22 um = 0.866 thou out"),
        ("lap_1", -22.0, "write it as a positive length"),
        (
            "lap_1",
            1500.0,
            "1.5 mm = 0.0591 in of a plate 14 mm = 0.551 in thick cannot be (at most 1.4 mm = 0.0551 in); is the unit",
        ),
    ],
)
def test_stock_that_cannot_be_is_refused_before_a_photo_is_read(
    stage: str, stock_um: float, told: str
) -> None:
    stock = Estimate(value=stock_um, low=stock_um - 5, high=stock_um + 5)
    with pytest.raises(InputError, match=re.escape(f"Stock taken off: {told}")):
        map_face(["nowhere.jpg"], load_shipped(DRAWING), stage=stage, removed_um=stock)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        long(lambda rgb: (0.03 * rgb).astype(np.uint8), "The picture is dark"),
        long(lambda rgb: np.clip(6.0 * rgb, 0, 255).astype(np.uint8), "The picture is overexposed"),
        (lambda rgb: cv2.GaussianBlur(rgb, (0, 0), 10), "blurred. Tap on the face to focus"),
    ],
)
def test_a_refusal_names_what_is_wrong_with_the_picture_itself(photo: Path, spoil, said: str) -> None:
    """The plate and the drawing are right: asking for another drawing alone would be an untrue reason."""
    spoiled = replace(read_photo(photo), rgb=spoil(read_photo(photo).rgb))
    with pytest.raises(AlignmentRefused, match=said) as refused:
        map_face([spoiled], load_shipped(DRAWING), stage=Stage("test_lap"))
    assert not re.search(r"\. [a-z]", str(refused.value)), "every sentence begins with a capital letter"


def test_a_photo_without_colours_is_not_mapped(photo: Path) -> None:
    """It was mapped without a word, with no stain and no heat colour: 0 to 0.3 % where there were 6."""
    colours = read_photo(photo)
    grey = np.repeat(cv2.cvtColor(colours.rgb, cv2.COLOR_RGB2GRAY)[..., None], 3, 2)
    with pytest.raises(MeasurementError, match="photo.jpg: The picture has no colours.*in colour"):
        map_face([replace(colours, rgb=grey)], load_shipped(DRAWING), stage=Stage("test_lap"))


def test_photos_that_cannot_be_used_are_refused_before_the_first_is_aligned(
    photo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve photos were aligned, half a minute long, before it was said that the twelfth is grey or is not there."""

    def nothing_is_aligned(*_: object) -> None:
        raise AssertionError("a photo was aligned first")

    monkeypatch.setattr("pitmap.pipeline.align", nothing_is_aligned)
    bgr = cv2.imread(str(photo))
    cv2.imwrite(str(tmp_path / "grey.jpg"), cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY))
    (tmp_path / "copy.jpg").write_bytes(photo.read_bytes())
    for last, error, said in (
        ("grey.jpg", MeasurementError, r"grey\.jpg: The picture has no colours"),
        ("copy.jpg", InputError, r"copy\.jpg and photo\.jpg are the same photo"),
        ("away.jpg", InputError, r"away\.jpg: cannot be read"),
    ):
        with pytest.raises(error, match=said):
            map_face([photo, tmp_path / last], load_shipped(DRAWING), stage="test_lap")


def test_a_day_in_the_future_is_refused_from_python_too(photo: Path) -> None:
    for day in (date(2199, 3, 1), datetime(2199, 3, 1, 12)):
        with pytest.raises(InputError, match=r"^Day of the survey: 2199-03-01 lies in the future"):
            map_face([photo], load_shipped(DRAWING), stage="test_lap", surveyed_on=day)


def test_the_same_photo_twice_is_not_two_that_agree(photo: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(photo.read_bytes())
    with pytest.raises(InputError, match=r"copy\.jpg and photo\.jpg are the same photo; leave one out"):
        map_face([photo, copy], load_shipped(DRAWING), stage=Stage("test_lap"))
