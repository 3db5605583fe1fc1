"""Photos brought in on the Photos page, good and bad, and left out again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook, Survey

pytestmark = pytest.mark.filterwarnings("default")
GOOD = cv2.imencode(".png", np.full((90, 120, 3), 128, np.uint8))[1].tobytes()


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Casebook, Survey]]:
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path))
    with Casebook(tmp_path, who="Ada") as book:
        job = book.create_job("order 1")
        face = book.create_face(book.create_plate("T-1", job=job), "A")
        yield book, book.create_survey(face, job, "intake", "2026-01-05")


def _photos() -> None:
    from pitmap.review.guard import guarded
    from pitmap.review.screens import photos

    guarded(photos.show)()


def photos_page() -> AppTest:
    test = AppTest.from_function(_photos, default_timeout=60)
    for name in ("job_id", "plate_id", "face_id", "survey_id", "place_read"):
        test.session_state[name] = 1
    return test.run()


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


def test_photo_that_was_left_out_can_be_added_again(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = photos_page()
    test.file_uploader[0].set_value([("face.png", GOOD, "image/png")]).run()
    next(b for b in test.button if b.label == "Leave this photo out").click().run()
    test.file_uploader[0].set_value([("face.png", GOOD, "image/png")]).run()
    assert [p.id for p in book.photos(survey)] == [2]
    assert not test.error
