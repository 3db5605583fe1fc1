"""A drawing from a file on the Drawing page: it is known by the name of the file that was chosen."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook, Face, Plate
from pitmap.drawing import load_shipped
from pitmap.workflow import drawing_of, save_drawing

pytestmark = pytest.mark.filterwarnings("default")
SQUARE = [[0, 0], [60, 0], [60, 40], [0, 40]]
RINGS = {
    "outline": SQUARE, "holes": {"bolt_1": [[5, 5], [9, 5], [9, 9], [5, 9]]},
    "zones": {"running_surface": [{"exterior": [[15, 10], [45, 10], [45, 30], [15, 30]]}]}, "thickness": 12,
}  # fmt: skip


def _drawing() -> None:
    from pitmap.review.guard import guarded
    from pitmap.review.screens import drawing

    guarded(drawing.show)()


@pytest.fixture
def page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    """A plate without a drawing."""
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    with Casebook(tmp_path / "book", who="Ada") as book:
        book.create_face(book.create_plate("T-1", job=book.create_job("order 1")), "A")
    test = AppTest.from_function(_drawing, default_timeout=120)
    for name, value in {"job_id": 1, "plate_id": 1, "place_read": True}.items():
        test.session_state[name] = value
    return test.run()


def give(test: AppTest, name: str, data: bytes) -> AppTest:
    upload = next(u for u in test.file_uploader if u.label.startswith("SVG, DXF or JSON"))
    return upload.set_value([(name, data, "")]).run()


def test_rings_without_a_name_take_the_name_of_their_file(page: AppTest, tmp_path: Path) -> None:
    test = give(page, "front plate.json", json.dumps(RINGS).encode())
    next(b for b in test.button if b.label == "Keep it").click().run()
    with Casebook(tmp_path / "book") as book:
        assert drawing_of(book, book.get(Plate, 1), book.get(Face, 1)).name == "front plate"


def test_broken_file_is_told_by_its_name(page: AppTest) -> None:
    (said,) = [e.value for e in give(page, "front plate.svg", b"<svg><broken").error]
    assert said.startswith("front plate.svg: is not a well-formed SVG")


@pytest.mark.parametrize("way", ["file", "numbers", "mirror"])
def test_drawing_that_somebody_else_kept_meanwhile_is_not_replaced_unseen(
    page: AppTest, tmp_path: Path, way: str
) -> None:
    with Casebook(tmp_path / "book", who="Ben") as book:
        plate, face = book.get(Plate, 1), book.get(Face, 1)
        other = book.create_face(plate, "B")
        save_drawing(book, plate, other, load_shipped("heron40_intermediate_b"))
        label = {"file": "Keep it", "numbers": "Build and keep", "mirror": "Mirror it"}[way]
        test = give(page, "front plate.json", json.dumps(RINGS).encode())
        save_drawing(book, plate, face, load_shipped("heron40_intermediate_a"))
        next(b for b in test.button if b.label == label).click().run()
        (said,) = [e.value for e in test.error]
        assert said.startswith("another drawing was kept by Ben on ")
        assert drawing_of(book, plate, face).name == "Heron 40 intermediate plate, face A"
        # looked at and pressed again, it is the person's will
        next(b for b in test.button if b.label == label).click().run()
        assert not test.error
        assert drawing_of(book, plate, face).name != "Heron 40 intermediate plate, face A"
