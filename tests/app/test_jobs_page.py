"""The Jobs page and the place that is open: nothing half kept, nothing closed without a word."""

from __future__ import annotations

import sqlite3
import time

import pytest
from measure_fakes import ring_plate
from page_steps import page
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook
from pitmap.errors import CasebookError, InputError
from pitmap.review import state
from pitmap.workflow import save_drawing

pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def book(empty_book: Casebook) -> Casebook:
    """A casebook with order 1 and its plate T-1 with face A."""
    empty_book.create_face(empty_book.create_plate("T-1", job=empty_book.create_job("order 1")), "A")
    return empty_book


def open_page(module: str, **state: object) -> AppTest:
    return page(module, **state).run()


def start_job(test: AppTest, tag: str) -> None:
    next(t for t in test.text_input if t.label == "Customer's reference").input("order 2")
    next(t for t in test.text_input if t.label == "Plate tag").input(tag)
    next(b for b in test.button if b.label == "Start the job").click().run()


def test_job_whose_plate_is_refused_is_not_kept(book: Casebook) -> None:
    test = open_page("jobs")
    start_job(test, "T-2\u202e")
    assert [e.value for e in test.error] == ["Plate tag: character U+202E cannot be shown; take it out"]
    assert [j.reference for j in book.jobs()] == ["order 1"]
    start_job(test, "T-2")
    assert len(book.jobs()) == 2
    assert {p.tag for p in book.plates()} == {"T-1", "T-2"}


def test_drawing_is_kept_whole_or_not_at_all(book: Casebook, monkeypatch: pytest.MonkeyPatch) -> None:
    plate = book.plates()[0]
    face = book.faces(plate)[0]
    attach, names = book.attach_file, []

    def until_the_disk_is_full(plate, data, name, **more):  # type: ignore[no-untyped-def]
        names.append(name)
        if len(names) == 2:
            raise CasebookError("the disk is full")
        return attach(plate, data, name, **more)

    monkeypatch.setattr(book, "attach_file", until_the_disk_is_full)
    with pytest.raises(CasebookError, match="disk is full"):
        save_drawing(book, plate, face, ring_plate())
    assert names == ["drawing.svg", "drawing.toml"]
    assert book.open_plate(plate.id).attachments == ()


def test_name_that_cannot_be_written_down_leaves_the_job_open(book: Casebook) -> None:
    test = open_page("checklist", job_id=1, plate_id=1, who="Ada\u202e")
    assert [e.value for e in test.error] == ["Your name: character U+202E cannot be shown; take it out"]
    test.session_state["who"] = "Ada"
    test.run()
    assert not test.error
    assert (test.session_state["job_id"], test.session_state["plate_id"]) == (1, 1)


@pytest.mark.parametrize("module", ["checklist", "plan", "drawing", "jobs"])
def test_job_that_is_gone_is_told_and_no_plate_is_opened(book: Casebook, module: str) -> None:
    test = open_page(module, job_id=7, plate_id=1)
    assert not test.error
    assert [w.value for w in test.warning] == [
        "The address asks for job number 7, and this casebook has no such job. Nothing is opened in its place: choose one."
    ]
    assert not [s for s in test.subheader if s.value.startswith("Plate")]
    assert not [s for s in test.selectbox if s.label.startswith("Plate")]


def test_fields_of_tag_and_face_take_as_much_as_is_kept(book: Casebook) -> None:
    test = page("jobs", job_id=1, plate_id=1).run()
    room = {t.label: t.proto.max_chars for t in test.text_input}
    tag, name = "T" * room["Plate tag"], "A" * room["Name of the face"]
    plate = book.create_plate(tag, job=book.jobs()[0])
    book.create_face(plate, name)
    for create in (
        lambda: book.create_plate(tag + "T", job=book.jobs()[0]),
        lambda: book.create_face(plate, name + "A"),
    ):
        with pytest.raises(InputError, match="characters, at most"):
            create()


@pytest.mark.slow
@pytest.mark.parametrize("is_open", [False, True])
def test_page_says_soon_that_another_program_holds_the_casebook(
    book: Casebook, is_open: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert state._WAIT_S <= 10  # no longer does anybody look at a page that says nothing
    monkeypatch.setattr(state, "_WAIT_S", 2.0)
    test = page("jobs", job_id=1, plate_id=1)
    if is_open:
        test.run()
    other = sqlite3.connect(book.place.path)
    other.execute("BEGIN IMMEDIATE")
    started = time.monotonic()
    if is_open:  # reading goes on; only what is written waits
        test.run()
        assert not test.error
        next(t for t in test.text_input if t.label == "Name of the face").input("B")
        next(b for b in test.button if b.label == "Add the face").click().run()
    else:
        test.run()
    took_s = time.monotonic() - started
    other.close()
    (said,) = [e.value for e in test.error]
    assert said.endswith("is busy with somebody else's long change; nothing was saved, try again in a minute")
    assert (
        1.9 < took_s < 20.0
    )  # two seconds and what a loaded machine adds; a casebook's own wait is a minute
    assert not test.run().error
    assert [f.name for f in book.faces(book.plates()[0])] == ["A"]
