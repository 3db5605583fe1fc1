"""Several plates in one job, as an engine has them: put into it, and gone to, on the Jobs page."""

from __future__ import annotations

from itertools import pairwise

import pytest
from page_steps import page
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook

pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def book(empty_book: Casebook) -> Casebook:
    """A casebook with order 1 and its plate T-1, and order 2 with U-7."""
    for reference, tag in (("order 1", "T-1"), ("order 2", "U-7")):
        empty_book.create_face(empty_book.create_plate(tag, job=empty_book.create_job(reference)), "A")
    return empty_book


def tags_of(book: Casebook, reference: str) -> list[str]:
    job = next(j for j in book.jobs() if j.reference == reference)
    return [p.tag for p in book.plates(job=job)]


def opened(job_id: int = 1, plate_id: int = 1) -> AppTest:
    return page("jobs", job_id=job_id, plate_id=plate_id).run()


def add(test: AppTest, tag: str, faces: str = "one") -> AppTest:
    """Fill the form in that adds a plate to the open job, and press its button."""

    def of_form(elements):  # type: ignore[no-untyped-def]
        return [e for e in elements if e.proto.form_id.startswith("add_plate")]

    next(t for t in of_form(test.text_input) if t.label == "Plate tag").input(tag)
    of_form(test.radio)[0].set_value(faces)
    return next(b for b in test.button if b.label == "Add the plate").click().run()


def press(test: AppTest, label: str) -> AppTest:
    return next(b for b in test.button if b.label == label).click().run()


def test_a_job_takes_one_plate_after_the_other_and_each_is_gone_to(book: Casebook) -> None:
    test = add(opened(), "M-1", "two")
    assert [s.value for s in test.success] == ["Plate M-1 is in job order 1 now."]
    assert tags_of(book, "order 1") == ["M-1", "T-1"]
    new = next(p for p in book.plates() if p.tag == "M-1")
    assert [f.name for f in book.faces(new)] == ["A", "B"]
    assert test.session_state["plate_id"] == new.id
    test = add(test, "T-2")
    assert tags_of(book, "order 1") == ["M-1", "T-1", "T-2"]
    for _, there in pairwise(("T-2", "T-1", "M-1")):
        test = press(test, there)
        assert not test.exception
        assert [h.value for h in test.subheader] == [f"Plate {there}"]
        assert test.session_state["job_id"] == 1


def test_a_plate_that_is_known_is_asked_about_and_keeps_its_life(book: Casebook) -> None:
    test = add(opened(), "u-7", "two")
    assert len(test.warning) == 1
    assert test.warning[0].value.startswith("U-7 is known (order 2, not surveyed yet). Is it the same plate?")
    assert tags_of(book, "order 1") == ["T-1"]
    press(test, "It is the same plate: put it into this job")
    assert (tags_of(book, "order 1"), tags_of(book, "order 2")) == (["T-1", "U-7"], ["U-7"])
    assert [f.name for f in book.faces(book.plates()[1])] == ["A"]


@pytest.mark.parametrize(
    ("tag", "said"),
    [
        ("", "Plate tag: write what is on the plate, or give it a number"),
        ("t-1", "Plate tag: T-1 is in this job already"),
        ("X\u202e", "Plate tag: character U+202E cannot be shown; take it out"),
    ],
)
def test_what_cannot_be_put_into_a_job_is_a_sentence(book: Casebook, tag: str, said: str) -> None:
    test = add(opened(), tag)
    assert [e.value for e in test.error] == [said]
    assert [p.tag for p in book.plates()] == ["T-1", "U-7"]
    assert tags_of(book, "order 1") == ["T-1"]
