"""Readings typed and pasted on the Depth page."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_steps import page, place_of, switch_while_typing
from streamlit.testing.v1 import AppTest
from survey_fakes import keep_survey

from pitmap.casebook import Casebook, Face, Job, Survey
from pitmap.classes import SurfaceClass
from pitmap.depth import readings_from_rows
from pitmap.workflow import keep_readings

pytestmark = pytest.mark.filterwarnings("default")
PITS = [(-14.0, 0.0, 2.0), (14.0, 0.0, 1.0)]


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Casebook, Survey]]:
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    with Casebook(tmp_path / "book", who="Ada") as book:
        survey, _, _ = keep_survey(book, tmp_path / "map", PITS)
        yield book, survey


def depth_page(survey: Survey) -> AppTest:
    return page("depth", **place_of(survey)).run()


def keep_by_number(test: AppTest, mark: str) -> AppTest:
    next(t for t in test.text_input if t.label == "Mark number").input(mark)
    next(t for t in test.text_input if t.label == "Reading").input("70 um")
    return next(b for b in test.button if b.label == "Keep the reading").click().run()


def test_reading_typed_with_a_mark_number_is_kept_with_its_place(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    keep_by_number(depth_page(survey), "2")
    reading = book.readings(survey)[0]
    assert (reading.mark_id, round(reading.x_mm, 1), round(reading.y_mm, 1)) == (2, 14.0, 0.0)
    assert reading.as_typed == "70 um"


def add_a_pit(book: Casebook, survey: Survey) -> None:
    """By hand, as somebody else does while a form is open."""
    square = [[-3, 12], [3, 12], [3, 16], [-3, 16]]
    book.add_edit(
        book.inspections(survey)[-1], "polygon", class_code=int(SurfaceClass.PIT),
        shape={"polygon_mm": square}, reason="missed",
    )  # fmt: skip


def test_number_read_off_a_map_that_was_changed_meanwhile_is_not_kept(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = depth_page(survey)
    add_a_pit(book, survey)
    keep_by_number(test, "2")
    assert book.readings(survey) == ()
    assert [w.value.split(".")[0] for w in test.warning] == [
        "The map was changed after you opened it, and its marks are numbered anew"
    ]
    fields = {t.label: t.value for t in test.text_input}
    assert (fields["Mark number"], fields["Reading"]) == ("", "70 um")


def _form_that_ends_early() -> None:
    """A form whose run ends as soon as what was sent is kept, as a second press ends it."""
    import streamlit as st

    from pitmap.review.kept_form import KeptForm

    n = st.session_state.setdefault("n", [])
    with st.form("one"):
        form = KeptForm("one", len(n))
        word = form.field(st.text_input, "Word", "word", "")
        if form.submit("Keep"):
            with form.taking():
                n.append(word)
                st.stop()


def sent_twice(first: str, second: str) -> AppTest:
    """What the second press sends is typed into the form as it was before the first one."""
    test = AppTest.from_function(_form_that_ends_early).run()
    before = test._tree
    for word in (first, second):
        test._tree = before
        test.text_input[0].input(word)
        test.button[0].click().run()
    return test


def test_what_is_sent_again_while_it_is_kept_is_kept_once() -> None:
    test = sent_twice("70 um", "70 um")
    assert test.session_state["n"] == ["70 um"]
    assert not test.warning


def test_what_is_typed_while_the_entry_before_is_kept_is_not_lost() -> None:
    test = sent_twice("70 um", "90 um")
    assert test.session_state["n"] == ["70 um"]
    assert [w.value.split(". ")[0] for w in test.warning] == [
        "You pressed again while what you sent before was being kept"
    ]
    assert test.text_input[0].value == "90 um"
    test.button[0].click().run()
    assert test.session_state["n"] == ["70 um", "90 um"]


def test_thickness_is_shown_in_the_unit_of_a_micrometer(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    step = [{"stage": survey.stage, "kind": "thickness", "value": "11.974 mm", "x_mm": "0", "y_mm": "30"}]
    keep_readings(book, survey, readings_from_rows(step).table, None)
    for system, shown in (("mm", "11.974 mm"), ("inch", "0.4714 in")):
        test = page("depth", **place_of(survey), units=system).run()
        assert next(d.value for d in test.dataframe if "reading" in d.value.columns)["reading"].tolist() == [
            shown
        ]


def paste(test: AppTest, text: str) -> AppTest:
    test.text_area[0].input(text)
    return test.button(key="keep_csv").click().run()


def test_pasted_rows_of_another_face_stay_out(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = paste(
        depth_page(survey),
        "face,stage,kind,x_mm,y_mm,value\n"
        "A,test_lap,pit_depth,14,0,60 um\n"
        "B,test_lap,pit_depth,14,0,90 um\n"
        ",test_lap,pit_depth,-14,0,70 um\n"
        "A,intake,pit_depth,14,0,80 um",
    )
    assert [r.value_um for r in book.readings(survey)] == [60.0, 70.0]
    assert test.success[0].value == "2 readings of this face and stage kept; 2 of others left out."


def test_table_of_which_nothing_is_kept_is_told_as_a_warning(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = paste(depth_page(survey), "face,stage,kind,x_mm,y_mm,value\nA,lap_1,pit_depth,14,0,60 um")
    assert book.readings(survey) == ()
    assert [s.value for s in test.success] == []
    assert "0 readings of this face and stage kept; 1 of others left out." in [w.value for w in test.warning]


def test_pasted_rows_may_name_the_plate_too(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    paste(depth_page(survey), "face,stage,kind,x_mm,y_mm,value\nr-1 a,test_lap,pit_depth,14,0,60 um")
    assert [r.value_um for r in book.readings(survey)] == [60.0]


def test_pasted_rows_that_name_other_faces_only_are_refused(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = paste(
        depth_page(survey),
        "face,stage,kind,x_mm,y_mm,value\nC,test_lap,pit_depth,14,0,60 um\nB,test_lap,pit_depth,14,0,90 um",
    )
    assert [e.value for e in test.error if "column face" in e.value] == [
        "column face: the sheet names B, C, and this is face A of plate R-1; open that face, or correct the column"
    ]
    assert book.readings(survey) == ()


def test_pasted_numbers_are_kept_with_their_places(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    paste(depth_page(survey), "stage,kind,mark,value\ntest_lap,pit_depth,1,3 thou")
    reading = book.readings(survey)[0]
    assert (reading.mark_id, round(reading.x_mm, 1), round(reading.y_mm, 1)) == (1, -14.0, 0.0)


def test_kept_reading_is_told_and_the_form_begins_anew(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = depth_page(survey)
    next(t for t in test.text_input if t.label == "Instrument").input("needle 2")
    keep_by_number(test, "2")
    assert [s.value for s in test.success] == ["kept: 70 um in pit 2"]
    fields = {t.label: t.value for t in test.text_input}
    assert (fields["Mark number"], fields["Reading"], fields["Instrument"]) == ("", "", "needle 2")
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert len(book.readings(survey)) == 1


def test_nothing_is_taken_out_of_readings_that_changed_meanwhile(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    step = [{"stage": survey.stage, "kind": "wear_step", "value": "5 um"}]
    keep_readings(book, survey, readings_from_rows(step).table, None)
    test = depth_page(survey)
    next(t for t in test.text_input if t.label == "Why").input("slipped")
    keep_readings(book, survey, readings_from_rows(step).table, None)

    def take_out() -> None:
        next(b for b in test.button if b.label == "Take it out").click().run()

    take_out()
    assert [w.value.split(".")[0] for w in test.warning] == [
        "The readings were changed after you opened them"
    ]
    assert len(book.readings(survey)) == 2
    assert next(t for t in test.text_input if t.label == "Why").value == "slipped"
    take_out()
    assert [r.id for r in book.readings(survey)] == [1]


def test_newest_reading_is_listed_first(kept: tuple[Casebook, Survey]) -> None:
    _, survey = kept
    test = keep_by_number(keep_by_number(depth_page(survey), "1"), "2")
    table = next(t.value for t in test.dataframe if "as typed" in t.value)
    assert list(table["mark"]) == ["2", "1"]


def test_each_reading_shows_how_far_off_it_may_be(kept: tuple[Casebook, Survey]) -> None:
    """0.24 thou are 6.096 um; a pit that was read without a word of it is good to 8 um, one standard deviation."""
    book, survey = kept
    step = {
        "stage": survey.stage,
        "kind": "wear_step",
        "value": "3 thou",
        "uncertainty": "0.24 thou",
        "x_mm": "0",
    }
    typed = readings_from_rows([{**step, "y_mm": "30"}])
    keep_readings(book, survey, typed.table, None)
    test = keep_by_number(depth_page(survey), "1")
    table = next(t.value for t in test.dataframe if "as typed" in t.value)
    assert list(table["give or take"]) == ["8.0 um", "6.1 um"]
    assert any(c.value.startswith("Give or take is one standard deviation") for c in test.caption)


@pytest.mark.parametrize(
    ("mark", "value", "said"),
    [
        ("-3", "70 um", "Mark number: expected a mark number from 1, or nothing, got '-3'"),
        ("1", "", "Reading: empty"),
        ("", "70 um", "x, mm: a pit depth reading needs a place or a mark number"),
        (
            "99",
            "70 um",
            "Mark number 99: the map has no such mark; take the number from the map of this survey, or leave it "
            "out and give x and y",
        ),
        ("1", "70", "Reading: length '70': no unit; write um, mm, thou or in after the number"),
    ],
)
def test_wrong_entry_is_told_by_its_field(
    kept: tuple[Casebook, Survey], mark: str, value: str, said: str
) -> None:
    test = depth_page(kept[1])
    next(t for t in test.text_input if t.label == "Mark number").input(mark)
    next(t for t in test.text_input if t.label == "Reading").input(value)
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert said in [e.value for e in test.error]


def test_a_place_is_typed_in_the_units_of_the_page(kept: tuple[Casebook, Survey]) -> None:
    """With inch chosen the fields asked for mm beside a table of marks in inch. 0.5512 in are 14.0 mm."""
    book, survey = kept
    test = page("depth", **place_of(survey), units="inch").run()

    def keep(x: str) -> None:
        for label, text in (("Reading", "3 thou"), ("x, in", x), ("y, in", "0")):
            next(t for t in test.text_input if t.label == label).input(text)
        next(b for b in test.button if b.label == "Keep the reading").click().run()

    keep("0.55.12")
    assert [e.value.split(":")[0] for e in test.error] == ["x, in"] and book.readings(survey) == ()
    keep("0.5512")
    (reading,) = book.readings(survey)
    assert (reading.x_mm, reading.y_mm) == pytest.approx((14.0, 0.0), abs=0.001)
    # what is typed outlives a switch of the units, and is read in those that stand beside it
    switch_while_typing(test, "mm", {"value_": "60 um", "x_mm_": "0.25", "y_mm_": "0"})
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert book.readings(survey)[1].x_mm == pytest.approx(6.35, abs=0.001)
    # kept, the form comes up anew in those of the page
    assert next(t for t in test.text_input if t.label == "x, mm").value == ""


def test_a_place_sent_with_the_marks_of_an_older_map_is_not_read_in_another_unit(
    kept: tuple[Casebook, Survey],
) -> None:
    """Laid over the newer form, 14 typed as mm must not stand beside "x, in" because the page was switched meanwhile."""
    book, survey = kept
    test = depth_page(survey)
    switch_while_typing(test, "inch", {"value_": "3 thou", "x_mm_": "14", "y_mm_": "0"})
    add_a_pit(book, survey)
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert book.readings(survey) == ()
    assert next(t for t in test.text_input if t.label == "x, mm").value == "14"
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert (book.readings(survey)[0].x_mm, book.readings(survey)[0].as_typed) == (14.0, "3 thou")


def test_what_is_to_be_minded_of_a_reading_is_not_cut_off(kept: tuple[Casebook, Survey]) -> None:
    """ "could not be tied to one mark" stood there as "could not b": the column was as wide as its heading."""

    def width(test: AppTest) -> int | None:
        table = next(d for d in test.dataframe if "mind" in d.value)
        return json.loads(table.proto.columns or "{}").get("mind", {}).get("width")

    test = keep_by_number(depth_page(kept[1]), "1")
    assert width(test) is None
    for label, text in (("Mark number", ""), ("Reading", "60 um"), ("x, mm", "0"), ("y, mm", "15")):
        next(t for t in test.text_input if t.label == label).input(text)
    test = next(b for b in test.button if b.label == "Keep the reading").click().run()
    # letters of 14 px are about 7 px wide, and the edges of a cell 16
    assert (width(test) or 0) >= 7 * len("contradicts another survey or reading") + 16


def test_pasted_table_is_gone_once_it_is_kept(kept: tuple[Casebook, Survey]) -> None:
    test = paste(depth_page(kept[1]), "stage,kind,mark,value\ntest_lap,pit_depth,1,3 thou")
    assert test.run().text_area[0].value == ""


def test_what_is_typed_for_one_survey_is_not_shown_for_another(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    job, face = book.get(Job, survey.job_id), book.get(Face, survey.face_id)
    later = book.create_survey(face, job, "lap_1", "2026-03-02")
    for one in (survey, later):
        rows = [{"stage": one.stage, "kind": "wear_step", "value": "5 um"}]
        keep_readings(book, one, readings_from_rows(rows).table, None)
    test = depth_page(survey)
    test.text_area[0].input("stage,kind,x_mm,y_mm,value")
    next(t for t in test.text_input if t.label == "Why").input("slipped")
    next(b for b in test.selectbox if b.label == "Survey").select_index(1).run()
    assert test.session_state["survey_id"] == later.id
    assert test.text_area[0].value == ""
    assert next(t for t in test.text_input if t.label == "Why").value == ""


def test_kept_reading_says_what_it_was_tied_to(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = depth_page(survey)
    for label, text in (("Mark number", "pit 1"), ("Reading", "70 um"), ("x, mm", "14"), ("y, mm", "0")):
        next(t for t in test.text_input if t.label == label).input(text)
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert [s.value for s in test.success] == ["kept: 70 um in pit 2"]
    for label, text in (("Reading", "60 um"), ("x, mm", "0"), ("y, mm", "15")):
        next(t for t in test.text_input if t.label == label).input(text)
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert [s.value for s in test.success] == [
        "kept: 60 um at x 0.0, y 15.0 mm, tied to no pit (no pit within the error of the place)"
    ]
    assert [r.mark_id for r in book.readings(survey)] == [-1, -1]


def test_thickness_that_the_plate_cannot_have_is_a_sentence(kept: tuple[Casebook, Survey]) -> None:
    test = depth_page(kept[1])
    next(s for s in test.selectbox if s.label == "What").set_value("thickness")
    for label, text in (("Reading", "5 in"), ("x, mm", "14"), ("y, mm", "0")):
        next(t for t in test.text_input if t.label == label).input(text)
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert any(e.value.startswith("a thickness of 127 mm = 5 in cannot be of this plate") for e in test.error)


def test_place_off_the_plate_is_said_in_both_units(kept: tuple[Casebook, Survey]) -> None:
    """It was said in mm alone to who had typed inch, and as one of "reading 1". 20 in are 508 mm."""
    test = depth_page(kept[1])
    for label, text in (("Reading", "3 thou"), ("x, mm", "508"), ("y, mm", "0")):
        next(t for t in test.text_input if t.label == label).input(text)
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert [e.value.split(" lies")[0] for e in test.error] == ["x 508, y 0 mm (x 20.000, y 0.000 in)"]
