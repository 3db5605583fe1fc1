"""Photos brought in on the Photos page, good and bad, and left out again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from page_steps import page
from streamlit.testing.v1 import AppTest
from survey_fakes import alignment, inspection_of_pits, keep_survey

from pitmap.casebook import Casebook, Face, Survey
from pitmap.drawing import load_shipped
from pitmap.errors import MeasurementError
from pitmap.inspection import PhotoSource, save_inspection
from pitmap.pipeline import map_face
from pitmap.report import build_document
from pitmap.review.cached import face_record
from pitmap.workflow import keep_photo, photos_of

pytestmark = pytest.mark.filterwarnings("default")
GOOD = cv2.imencode(".png", np.full((90, 120, 3), 128, np.uint8))[1].tobytes()


@pytest.fixture
def kept(empty_book: Casebook) -> tuple[Casebook, Survey]:
    job = empty_book.create_job("order 1")
    face = empty_book.create_face(empty_book.create_plate("T-1", job=job), "A")
    return empty_book, empty_book.create_survey(face, job, "intake", "2026-01-05")


def photos_page() -> AppTest:
    return page("photos", job_id=1, plate_id=1, face_id=1, survey_id=1).run()


def test_photo_can_be_left_out_after_a_refused_file_was_beside_it(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = photos_page()
    files = [("face.png", GOOD, "image/png"), ("torn.png", b"no picture", "image/png")]
    test.file_uploader[0].set_value(files).run()
    assert [p.name for p in book.photos(survey)] == ["face.png"]
    assert len([e for e in test.error if "torn.png" in e.value]) == 1
    next(b for b in test.button if b.label == "Leave this photo out").click().run()
    assert book.photos(survey) == ()
    test.run()
    assert [p.id for p in book.photos(survey, withdrawn=True)] == [1]
    assert len([e for e in test.error if "torn.png" in e.value]) == 1


@pytest.mark.parametrize(
    ("ongoing", "first_words"), [("", "reading the photo"), ("map_1_0", "still mapping")]
)
def test_bar_of_a_second_press_does_not_say_that_the_photo_is_read_anew(
    kept: tuple[Casebook, Survey], monkeypatch: pytest.MonkeyPatch, ongoing: str, first_words: str
) -> None:
    book, survey = kept
    keep_photo(book, survey, GOOD, "face.png")
    shown: list[str] = []
    bar = SimpleNamespace(progress=lambda *_, **__: None, empty=lambda: None)
    monkeypatch.setattr("streamlit.progress", lambda _, text: shown.append(text) or bar)
    test = photos_page()
    test.session_state["map_work"].ongoing = ongoing
    next(b for b in test.button if b.label == "Map this face").click().run()
    assert [text.split(":")[0] for text in shown] == [first_words]


def test_mapping_that_failed_is_not_shown_as_going_on(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    keep_photo(book, survey, GOOD, "face.png")
    test = photos_page()
    next(b for b in test.button if b.label == "Map this face").click().run()
    assert [e.value.split(";")[0] for e in test.error] == ["plate T-1, face A: has no drawing"]
    assert not test.get("progress")


def test_photo_that_was_left_out_can_be_added_again(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = photos_page()
    test.file_uploader[0].set_value([("face.png", GOOD, "image/png")]).run()
    next(b for b in test.button if b.label == "Leave this photo out").click().run()
    test.file_uploader[0].set_value([("face.png", GOOD, "image/png")]).run()
    assert [p.id for p in book.photos(survey)] == [2]
    assert not test.error


def test_photo_that_is_there_already_is_said_to_be(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = photos_page()
    test.file_uploader[0].set_value([("face.png", GOOD, "image/png")]).run()
    assert not test.error
    test.file_uploader[0].set_value([("again.png", GOOD, "image/png")]).run()
    assert [e.value for e in test.error] == ["again.png: this very photo is with the survey already"]
    assert [p.name for p in book.photos(survey)] == ["face.png"]


def test_photos_of_one_name_are_told_apart(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = photos_page()
    moments = [f"2026:01:05 09:00:0{k}" for k in range(3)]
    test.file_uploader[0].set_value([("image.jpg", taken_at(m), "image/jpeg") for m in moments]).run()
    assert not test.error
    assert [p.name for p in book.photos(survey)] == ["image.jpg", "image (2).jpg", "image (3).jpg"]


def taken_at(moment: str) -> bytes:
    """A picture whose camera says when it was taken, unlike any other one."""
    from io import BytesIO

    from PIL import Image

    exif = Image.Exif()
    exif[306] = moment  # DateTime
    grey = np.random.default_rng(int(moment[-8:].replace(":", ""))).integers(90, 160, (90, 120, 3))
    data = BytesIO()
    Image.fromarray(grey.astype(np.uint8)).save(data, "JPEG", exif=exif)
    return data.getvalue()


def test_photo_of_another_survey_of_the_plate_is_refused(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    face = book.get(Face, survey.face_id)
    lapped = book.create_survey(face, book.jobs()[0], "test_lap", "2026-01-06")
    first = keep_photo(book, survey, GOOD, "face.png")
    assert first is not None
    test = page("photos", job_id=1, plate_id=1, face_id=1, survey_id=lapped.id).run()
    test.file_uploader[0].set_value([("again.png", GOOD, "image/png")]).run()
    (said,) = [e.value for e in test.error]
    assert said.startswith(
        "again.png: this very photo is kept with the survey at intake, 2026-01-05; a photo shows one"
    )
    assert book.photos(lapped) == ()
    # once it is left out there, it can come here
    book.withdraw(first, "of the lapped face")
    test.file_uploader[0].set_value([("again.png", GOOD, "image/png")]).run()
    assert not test.error
    assert [p.name for p in book.photos(lapped)] == ["again.png"]


def test_photos_that_were_not_taken_in_one_go_are_told(
    kept: tuple[Casebook, Survey], monkeypatch: pytest.MonkeyPatch
) -> None:
    book, survey = kept
    keep_photo(book, survey, taken_at("2026:01:05 09:00:00"), "a.jpg")
    keep_photo(book, survey, taken_at("2026:01:05 09:20:00"), "b.jpg")
    test = photos_page()
    assert not test.warning and not test.error
    late = keep_photo(book, survey, taken_at("2026:01:05 11:00:00"), "c.jpg")
    (said,) = [w.value for w in photos_page().warning]
    assert said.startswith("a.jpg was taken on 2026-01-05 at 09:00, c.jpg was taken on 2026-01-05 at 11:00.")
    assert late is not None
    book.withdraw(late, "of the lapped face")
    keep_photo(book, survey, taken_at("2026:01:06 09:00:01"), "d.jpg")
    (refused,) = [e.value for e in photos_page().error]
    assert "d.jpg was taken on 2026-01-06" in refused and "put them into a survey of their own" in refused
    # the map refuses them as well, whatever each photo shows
    nothing = SimpleNamespace(rgb=None, in_frame=None, findings=())
    for step in ("align", "straighten", "check_photo", "_opaque"):
        monkeypatch.setattr(f"pitmap.pipeline.{step}", lambda *given, **more: nothing)
    with pytest.raises(MeasurementError, match=r"d\.jpg was taken on 2026-01-06"):
        map_face(
            [p for _, p in photos_of(book, survey)], load_shipped("heron40_intermediate_a"), stage="intake"
        )


def photo_with_a_soft_bench() -> bytes:
    """800 x 700 pixels, blurred left of 220 px; a plate straight under the camera of 5 px per mm begins at 240 px."""
    rng = np.random.default_rng(3)
    grey = np.full((700, 800), 130, np.uint8)
    for x, y, w, h in zip(*rng.integers(0, [[800], [700]], (2, 250)), *rng.integers(20, 90, (2, 250))):
        grey[y : y + h, x : x + w] = rng.integers(50, 180)
    sharp, soft = cv2.GaussianBlur(grey, (0, 0), 0.8), cv2.GaussianBlur(grey, (0, 0), 5.0)
    return cv2.imencode(".png", np.hstack([soft[:, :220], sharp[:, 220:]]))[1].tobytes()


def test_blurred_bench_is_not_told_of_a_photo_that_is_mapped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    with Casebook(tmp_path / "book", who="Ada") as book:
        survey, _, drawing = keep_survey(book, tmp_path / "map", [])
        ref = keep_photo(book, survey, photo_with_a_soft_bench(), "face.png")
        assert any("unless that is the bench" in m.value for m in photos_page().markdown)
        view = replace(alignment().view, focal_px=2000.0)
        source = PhotoSource(name="face.png", sha256=ref.sha256, width_px=800, height_px=700)
        mapped = replace(
            inspection_of_pits(drawing, []), photos=(source,), alignment=replace(alignment(), view=view)
        )
        book.add_inspection(survey, save_inspection(mapped, tmp_path / "again"))
        test = photos_page()
    assert any("5.0 px per mm" in m.value for m in test.markdown)
    assert not any("Blurred in one part" in m.value for m in test.markdown)


def test_photos_that_the_map_does_not_show_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))

    def told(name: str) -> list[str]:
        warnings = page(name, job_id=1, plate_id=1, face_id=1, survey_id=1).run().warning
        return [w.value for w in warnings if "leaves this open" not in w.value]

    with Casebook(tmp_path / "book", who="Ada") as book:
        survey, _, drawing = keep_survey(book, tmp_path / "map", [])
        ref = keep_photo(book, survey, GOOD, "face.png")
        source = PhotoSource(name="face.png", sha256=ref.sha256, width_px=120, height_px=90)
        mapped = replace(inspection_of_pits(drawing, []), photos=(source,))
        book.add_inspection(survey, save_inspection(mapped, tmp_path / "again"))
        for name in ("photos", "map"):
            assert told(name) == []
        keep_photo(
            book, survey, cv2.imencode(".png", np.zeros((90, 120, 3), np.uint8))[1].tobytes(), "lamp.png"
        )
        book.withdraw(ref, "blurred")
        added = "photos were added since it was mapped, and the map does not show them: lamp.png"
        left_out = "photos were left out since it was mapped, and the map still rests on them: face.png"
        said = [
            f"the survey after the test lap, 2026-03-01: {what}; map it again" for what in (added, left_out)
        ]
        for name in ("photos", "map", "checklist"):
            assert told(name) == said
        # what is advised of a face stands on its maps
        for name in ("plan", "record"):
            assert [w for w in told(name) if w in said] == said
        monkeypatch.setenv("PITMAP_WHO", "Ada")
        face = book.get(Face, survey.face_id)
        record = face_record(face, book.jobs()[0], book.plates()[0])
        assert record.problems == tuple(said)
        first_page = build_document(record).sections[0]
        assert [b.text for b in first_page.blocks if getattr(b, "kind", "") == "warning"] == said
