"""The Jobs page: known plates are asked about, surveys are corrected and left out, labels tell surveys apart."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import pytest
import streamlit as st
from page_steps import page, switch_while_typing
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook
from pitmap.drawing import load_shipped
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.workflow import drawing_of

pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def book(empty_book: Casebook) -> Casebook:
    """A casebook with plate T-12 of order 7, seen at intake and twice on one day at the final stage."""
    job = empty_book.create_job("order 7")
    face = empty_book.create_face(empty_book.create_plate("T-12", job=job), "A")
    empty_book.create_survey(face, job, "intake", "2026-05-04")
    empty_book.create_survey(face, job, "final", "2026-05-06")
    empty_book.create_survey(face, job, "final", "2026-05-06")
    return empty_book
    st.cache_resource.clear()


@pytest.fixture
def open_page(book: Casebook) -> Callable[[str], AppTest]:
    def run(module: str) -> AppTest:
        return page(module, job_id=1, plate_id=1, face_id=1).run()

    return run


def press(test: AppTest, label: str) -> AppTest:
    return next(b for b in test.button if b.label == label).click().run()


def write(test: AppTest, label: str, text: str, k: int = 0) -> None:
    [t for t in test.text_input if t.label == label][k].input(text)


def start_job(test: AppTest, reference: str, tag: str) -> AppTest:
    write(test, "Customer's reference", reference)
    # of a job that is open the page asks for one more plate, too: above
    write(test, "Plate tag", tag, -1)
    return press(test, "Start the job")


def test_two_surveys_of_one_stage_and_day_are_told_apart(open_page: Callable[[str], AppTest]) -> None:
    labels = ["intake, 2026-05-04", "final, 2026-05-06, number 2", "final, 2026-05-06, number 3"]
    assert next(s for s in open_page("map").selectbox if s.label == "Survey").options == labels
    buttons = [b.label for b in open_page("jobs").button]
    assert [b for b in buttons if b in labels] == labels


def test_surveys_without_a_map_are_named(open_page: Callable[[str], AppTest]) -> None:
    """Nothing on the Jobs page told them from mapped ones."""
    said = "Not mapped yet: intake, 2026-05-04; final, 2026-05-06, number 2; final, 2026-05-06, number 3."
    assert said in [c.value for c in open_page("jobs").caption]


def test_known_tag_is_asked_about(book: Casebook, open_page: Callable[[str], AppTest]) -> None:
    test = start_job(open_page("jobs"), "order 9", "t-12")
    assert len(book.jobs()) == 1
    (asked,) = test.warning
    assert asked.value.replace("\\", "").startswith(
        "T-12 is known (order 7, last seen 2026-05-06). Is it the same plate?"
    )
    test = press(test, "It is the same plate: start the job with it")
    assert [e.value for e in test.error] == []
    assert [s.value.replace("\\", "") for s in test.success] == [
        "Job order 9 is started with the known plate T-12."
    ]
    assert [p.tag for p in book.plates(job=book.jobs()[0])] == ["T-12"]
    assert not test.warning
    assert [t.value for t in test.text_input if t.label == "Plate tag"] == ["", ""]


def test_another_tag_makes_another_plate(book: Casebook, open_page: Callable[[str], AppTest]) -> None:
    test = start_job(open_page("jobs"), "order 9", "T-12")
    test = start_job(test, "order 9", "T-13")
    assert not test.warning
    assert [p.tag for p in book.plates()] == ["T-12", "T-13"]


def test_refused_job_leaves_nothing_behind(book: Casebook, open_page: Callable[[str], AppTest]) -> None:
    test = open_page("jobs")
    test = start_job(test, "order 9", "T-13\u202e")
    assert [e.value for e in test.error] == ["Plate tag: character U+202E cannot be shown; take it out"]
    assert [j.reference for j in book.jobs()] == ["order 7"]


def test_place_in_the_engine_is_chosen(book: Casebook, open_page: Callable[[str], AppTest]) -> None:
    test = open_page("jobs")
    place = [s for s in test.selectbox if s.label == "Place in the engine"][-1]
    assert place.options == ["not known", "front", "intermediate", "rear", "other"]
    place.set_value("rear")
    start_job(test, "order 9", "T-13")
    assert [p.position for p in book.plates(job=book.jobs()[0])] == ["rear"]


@pytest.mark.parametrize(
    ("typed", "button", "said"),
    [
        ({"Plate tag": "T-13"}, "Start the job", "Customer's reference: empty; enter something"),
        ({}, "Add the face", "Name of the face: empty; enter something"),
    ],
)
def test_refusal_names_the_field_by_its_label(
    open_page: Callable[[str], AppTest], typed: dict[str, str], button: str, said: str
) -> None:
    test = open_page("jobs")
    for label, text in typed.items():
        write(test, label, text, -1)
    assert [e.value for e in press(test, button).error] == [said]


def test_survey_is_corrected(book: Casebook, open_page: Callable[[str], AppTest]) -> None:
    test = open_page("jobs")
    next(s for s in test.selectbox if s.label == "Survey").set_value(2).run()
    # the form of the correction stands after that of a new survey
    write(test, "Stock taken off so far", "22 um", 1)
    [d for d in test.date_input if d.label == "Day"][1].set_value(date(2026, 5, 7))
    write(test, "Why", "read wrongly")
    test = press(test, "Keep the correction")
    assert [e.value for e in test.error] == []
    corrected = next(s for s in book.surveys(job=book.jobs()[0]) if s.id == 2)
    assert corrected.surveyed_on == date(2026, 5, 7)
    assert (corrected.removed_um.value, corrected.removed_um.low, corrected.removed_um.high) == (22, 17, 27)


def test_day_in_the_future_is_refused_and_one_that_stands_is_kept(
    book: Casebook, open_page: Callable[[str], AppTest], monkeypatch: pytest.MonkeyPatch
) -> None:
    ahead = date.today() + timedelta(days=2)
    test = open_page("jobs")
    [d for d in test.date_input if d.label == "Day"][0].set_value(ahead)
    (said,) = [e.value for e in press(test, "Add the survey").error]
    assert said.startswith(f"Day of the survey: {ahead} lies in the future")
    assert len(book.surveys(job=book.jobs()[0])) == 3
    survey = next(s for s in book.surveys(job=book.jobs()[0]) if s.id == 2)
    # a casebook of before that rule can hold such a day, and what else was entered with it can still be corrected
    with monkeypatch.context() as before_the_rule:
        before_the_rule.setattr("pitmap.casebook.entries.check_day", lambda day: None)
        book.update(survey, surveyed_on=ahead, reason="of an older casebook")
    test = open_page("jobs")
    next(s for s in test.selectbox if s.label == "Survey").set_value(2).run()
    write(test, "Stock taken off so far", "22 um", 1)
    write(test, "Why", "read wrongly")
    assert [e.value for e in press(test, "Keep the correction").error] == []
    assert next(s for s in book.surveys(job=book.jobs()[0]) if s.id == 2).removed_um.value == 22
    test = open_page("jobs")
    next(s for s in test.selectbox if s.label == "Survey").set_value(2).run()
    [d for d in test.date_input if d.label == "Day"][1].set_value(ahead + timedelta(days=1))
    write(test, "Why", "read wrongly")
    (said,) = [e.value for e in press(test, "Keep the correction").error]
    assert "lies in the future" in said


def test_survey_is_left_out_with_a_reason(book: Casebook, open_page: Callable[[str], AppTest]) -> None:
    test = open_page("jobs")
    next(s for s in test.selectbox if s.label == "Survey").set_value(3).run()
    test = press(test, "Leave this survey out")
    assert [e.value for e in test.error] == ["Why: say in a word why this survey is left out"]
    write(test, "Why", "added by mistake")
    test = press(test, "Leave this survey out")
    assert [s.value for s in test.success] == [
        "Final, 2026-05-06, number 3 is left out: it stays in the plate's life and counts no more."
    ]
    assert [s.withdrawn for s in book.surveys(job=book.jobs()[0])] == ["", "", "added by mistake"]
    assert not any("number 3" in b.label for b in test.button)
    assert any("left out: added by mistake" in m.value.replace("\\", "") for m in test.markdown)


def test_customer_and_notes_of_a_job_are_asked_shown_and_corrected(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    test = open_page("jobs")
    customers = [t for t in test.text_input if t.label == "Customer"]
    customers[-1].input("B. Builder")
    [t for t in test.text_area if t.label == "History and notes"][-1].input("ran hot\nno history before 2020")
    test = start_job(test, "order 9", "T-13")
    assert (book.jobs()[0].customer, book.jobs()[0].notes) == (
        "B. Builder",
        "ran hot\nno history before 2020",
    )
    shown = [m.value.replace("\\", "") for m in test.markdown]
    assert shown[shown.index("**History and notes**") + 1 :][:2] == ["ran hot", "no history before 2020"]
    assert "job order 9 (open), B. Builder" in [c.value.replace("\\", "") for c in test.caption]
    [t for t in test.text_input if t.label == "Customer"][0].input("C. Builder")
    press(test, "Keep them")
    assert (book.jobs()[0].customer, book.jobs()[0].notes) == (
        "C. Builder",
        "ran hot\nno history before 2020",
    )


LATE = "Somebody else changed this after you opened it"


def test_correction_sent_after_somebody_elses_is_not_lost(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    test = open_page("jobs")
    next(s for s in test.selectbox if s.label == "Survey").set_value(2).run()
    write(test, "Stock taken off so far", "22 um", 1)
    write(test, "Why", "read wrongly")
    book.update(next(s for s in book.surveys(job=book.jobs()[0]) if s.id == 2), surveyed_on="2026-05-08")
    press(test, "Keep the correction")
    assert [w.value.split(".")[0] for w in test.warning] == [LATE]
    shown = [t.value for t in test.text_input if t.label in ("Stock taken off so far", "Why")]
    assert shown == ["", "22 um", "read wrongly"]
    press(test, "Keep the correction")
    assert [w.value for w in test.warning] == []
    corrected = next(s for s in book.surveys(job=book.jobs()[0]) if s.id == 2)
    assert (corrected.surveyed_on, corrected.removed_um.value) == (date(2026, 5, 8), 22)


def test_stock_is_corrected_in_the_units_of_the_page_and_kept_to_the_last_figure(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    """Typed as 1 thou it stood there as 25.4 um. 22 um are 0.866 thou: read back as 0.87 they would be 22.1 um."""
    face, job = book.open_plate(1).faces[0], book.jobs()[0]
    stock = Estimate(value=22.0, low=17.0, high=27.0)
    lapped = book.create_survey(face, job, "test_lap", "2026-05-05", removed_um=stock)
    test = open_page("jobs")
    test.session_state["units"] = "inch"
    test.run()
    next(s for s in test.selectbox if s.label == "Survey").set_value(lapped.id).run()
    shown = {t.label: t.value for t in test.text_input if "correct_survey" in (t.key or "")}
    assert (shown["Stock taken off so far"], shown["How far off may that be, either way?"]) == (
        "0.87 thou",
        "0.20 thou",
    )
    [d for d in test.date_input if d.label == "Day"][1].set_value(date(2026, 5, 6))
    write(test, "Why", "wrong day")
    press(test, "Keep the correction")
    now = next(s for s in book.surveys(job=job) if s.id == lapped.id)
    assert (now.surveyed_on, now.removed_um) == (date(2026, 5, 6), stock)


def test_new_survey_offers_its_usual_error_in_the_units_of_the_page(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    """5 um stood there in inch, too; 0.20 thou read back would be 5.08 um."""
    test = open_page("jobs")
    test.session_state["units"] = "inch"
    test.run()
    next(s for s in test.selectbox if s.label == "Stage").set_value("test_lap")
    field = next(t for t in test.text_input if (t.key or "").startswith("within_1"))
    assert (field.value, field.placeholder) == ("", "empty: 0.20 thou")
    write(test, "Stock taken off so far", "1 thou")
    before = {s.id for s in book.surveys(job=book.jobs()[0])}
    press(test, "Add the survey")
    (added,) = [s for s in book.surveys(job=book.jobs()[0]) if s.id not in before]
    stock = added.removed_um
    assert (stock.value, stock.low, stock.high) == pytest.approx((25.4, 20.4, 30.4))


def test_stock_typed_with_a_survey_outlives_a_switch_of_units(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    """How far off it may be went back to the usual 5 um, the corrected stock to what was kept, without a word."""
    face, job = book.open_plate(1).faces[0], book.jobs()[0]
    stock = Estimate(value=22.0, low=17.0, high=27.0)
    lapped = book.create_survey(face, job, "test_lap", "2026-05-05", removed_um=stock)

    test = open_page("jobs")
    next(s for s in test.selectbox if s.label == "Survey").set_value(lapped.id).run()
    switch_while_typing(test, "inch", {"removed_kept_form_correct_survey": "1 thou"})
    write(test, "Why", "read again")
    press(test, "Keep the correction")
    stock = next(s for s in book.surveys(job=job) if s.id == lapped.id).removed_um
    assert (stock.value, stock.low, stock.high) == pytest.approx((25.4, 20.4, 30.4))

    switch_while_typing(test, "mm", {"removed_1": "40 um", "within_1": "2 um"})
    next(s for s in test.selectbox if s.label == "Stage").set_value("lap_1")
    before = {s.id for s in book.surveys(job=job)}
    press(test, "Add the survey")
    (added,) = [s for s in book.surveys(job=job) if s.id not in before]
    assert (added.removed_um.value, added.removed_um.low, added.removed_um.high) == (40.0, 38.0, 42.0)


def test_notes_sent_after_somebody_elses_are_not_lost(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    test = open_page("jobs")
    [t for t in test.text_area if t.label == "History and notes"][0].input("ran hot")
    book.update(book.jobs()[0], customer="B. Builder")
    press(test, "Keep them")
    assert [w.value.split(".")[0] for w in test.warning] == [LATE]
    assert [t.value for t in test.text_input if t.label == "Customer"][0] == "B. Builder"
    press(test, "Keep them")
    assert (book.jobs()[0].customer, book.jobs()[0].notes) == ("B. Builder", "ran hot")


def add_survey(test: AppTest, stage: str, removed: str) -> AppTest:
    next(s for s in test.selectbox if s.label == "Stage").set_value(stage)
    write(test, "Stock taken off so far", removed)
    return press(test, "Add the survey")


@pytest.mark.parametrize(
    ("stage", "removed", "said"),
    [
        ("intake", "22 um", "Stock taken off: at intake nothing is taken off yet."),
        (
            "lap_1",
            "1.5 mm",
            "Stock taken off: 1.5 mm = 0.0591 in of a plate 12 mm = 0.472 in thick cannot be (at most 1.2 mm = 0.0472 in)",
        ),
        ("lap_1", "-3 thou", "Stock taken off: write it as a positive length"),
        ("lap_1", "22", "Stock taken off: length '22': no unit"),
    ],
)
def test_stock_that_cannot_be_is_refused_when_the_survey_is_added(
    book: Casebook, stage: str, removed: str, said: str
) -> None:
    plate = book.create_plate("T-14", drawing="heron40_end", job=book.jobs()[0])
    face = book.create_face(plate, "A")
    test = add_survey(page("jobs", job_id=1, plate_id=plate.id, face_id=face.id).run(), stage, removed)
    assert [e.value[: len(said)] for e in test.error] == [said]
    assert book.surveys(face=face) == ()


def test_how_far_off_the_stock_may_be_is_named_where_it_is_no_length(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    test = open_page("jobs")
    write(test, "How far off may that be, either way?", "5")
    test = add_survey(test, "lap_2", "30 um")
    assert [e.value.split(": length")[0] for e in test.error] == ["How far off may that be, either way"]


def test_what_happened_elsewhere_has_its_day_and_its_stock(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    test = open_page("jobs")
    write(test, "Stock taken off, if any", "-3 thou")
    test = press(test, "Add")
    assert [e.value for e in test.error] == ["Stock taken off: write it as a positive length"]
    write(test, "Stock taken off, if any", "3 thou")
    next(d for d in test.date_input if d.label == "When, if it is known").set_value(date(2024, 2, 1))
    test = press(test, "Add")
    assert [e.value for e in test.error] == []
    (event,) = book.open_plate(1).events
    assert (event.happened_on, round(event.removed_um, 1)) == (date(2024, 2, 1), 76.2)


def test_life_of_a_plate_names_the_face_of_each_survey(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    """Of a plate with two faces every line stood there twice."""
    other = book.create_face(book.plates()[0], "B")
    book.create_survey(other, book.jobs()[0], "intake", "2026-05-04")
    shown = [m.value for m in open_page("jobs").markdown]
    assert [m for m in shown if m.startswith("2026-05-04")] == [
        "2026-05-04: face A, intake",
        "2026-05-04: face B, intake",
    ]


def test_every_change_says_which_reading_was_added_or_left_out(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    """Dozens of lines said "reading added" and no more."""
    rows = (
        {"kind": "pit_depth", "value_um": 31.0, "mark_id": 12, "is_lower_bound": True},
        {"kind": "height", "value_um": -4.0, "x_mm": 10.5, "y_mm": -20.0},
        {"kind": "thickness", "value_um": 13_950.0},
    )
    first, *_ = book.add_readings(book.surveys(face=book.faces(book.plates()[0])[0])[0], rows)
    book.withdraw(first, "wrong pit")
    said = [c.value.split(": ", 1)[1] for c in open_page("jobs").caption if "reading" in c.value]
    assert [s.replace("\\", "") for s in said] == [
        "reading (pit depth at least 31 um, mark 12) left out. wrong pit",
        "reading (thickness 13.95 mm) added.",
        "reading (height (dial indicator) -4 um, at x 10.5, y -20.0 mm) added.",
        "reading (pit depth at least 31 um, mark 12) added.",
    ]


def test_what_happened_elsewhere_is_added_once_and_never_empty(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    test = open_page("jobs")
    write(test, "In words", "lapped by another shop")
    write(test, "Stock taken off, if any", "3 thou")
    test = press(press(test, "Add"), "Add")
    assert [e.value for e in test.error] == ["In words: say what happened, or how much stock came off"]
    assert [(e.text, round(e.removed_um, 1)) for e in book.open_plate(1).events] == [
        ("lapped by another shop", 76.2)
    ]


def test_event_typed_wrongly_is_left_out_with_a_reason(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    for stock_um in (400.0, 40.0):
        book.add_event(book.plates()[0], "stock", text="lapped *elsewhere*", removed_um=stock_um)
    test = press(open_page("jobs"), "Leave it out")
    assert [e.value for e in test.error] == ["Leave out: choose from the list what is left out"]
    next(s for s in test.selectbox if s.label == "Leave out").set_value(1)
    test = press(test, "Leave it out")
    assert [e.value for e in test.error] == ["Why: say in a word why this is left out"]
    write(test, "Why", "typed wrongly", -1)
    test = press(test, "Leave it out")
    assert [e.value for e in test.error] == []
    (said,) = [s.value for s in test.success]
    why = "(no interval: how far off that may be was not entered)"
    assert said.replace("\\", "") == (
        f"Left out: date not known: stock, taken off: 400 um {why}. lapped *elsewhere* (no source given). It stays in the "
        "plate's life "
        "and counts no more. If a limit sheet counts this stock, correct the sheet too."
    )
    assert [e.withdrawn for e in book.open_plate(1).events] == ["typed wrongly", ""]
    shown = [m.value.replace("\\", "") for m in test.markdown]
    told = f"date not known: stock, taken off: 400 um {why}. lapped *elsewhere* (no source given), left out: typed wrongly"
    assert told in shown
    assert next(s for s in test.selectbox if s.label == "Leave out").options == [
        f"date not known: stock, taken off: 40 um {why}. lapped *elsewhere* (no source given)"
    ]
    trail = [c.value.replace("\\", "") for c in test.caption]
    assert any(line.endswith("event elsewhere left out. typed wrongly") for line in trail)


def test_stock_taken_off_elsewhere_has_its_interval(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    """A standard deviation of 10 um is 16 um either way in nine cases of ten (1.645 of them)."""
    book.add_event(book.plates()[0], "stock", text="lapped", removed_um=76.0, uncertainty_um=10.0)
    shown = [m.value.replace("\\", "") for m in open_page("jobs").markdown]
    assert "date not known: stock, taken off: 76 um (60 to 92). lapped (no source given)" in shown


@pytest.mark.parametrize("n_others", [0, 1])
def test_event_left_out_meanwhile_takes_no_other_with_it(
    book: Casebook, open_page: Callable[[str], AppTest], n_others: int
) -> None:
    slip = book.add_event(book.plates()[0], "stock", text="a slip", removed_um=400.0)
    for _ in range(n_others):
        book.add_event(book.plates()[0], "stock", text="lapped elsewhere", removed_um=40.0)
    test = open_page("jobs")
    next(s for s in test.selectbox if s.label == "Leave out").set_value(slip.id)
    write(test, "Why", "typed wrongly", -1)
    book.withdraw(slip, "somebody else was first")
    test = press(test, "Leave it out")
    assert [w.value.split(".")[0] for w in test.warning] == [LATE]
    assert [t.value for t in test.text_input if t.label == "Why"][-1] == "typed wrongly"
    test = press(test, "Leave it out")
    assert [e.value for e in test.error if e.value.startswith("Leave out")] or n_others == 0
    assert [e.withdrawn for e in book.open_plate(1).events] == ["somebody else was first", *[""] * n_others]


def test_second_face_has_the_drawing_that_is_chosen_for_it_and_never_that_of_the_first(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    for tag, chosen in (("T-20", ""), ("T-21", "heron40_intermediate_b")):
        test = open_page("jobs")
        [r for r in test.radio if r.label == "Machined faces"][-1].set_value("two")
        box = {s.label: s for s in test.selectbox}
        box["Drawing of face A"].set_value("heron40_intermediate_a")
        if chosen:
            box["Drawing of face B, if there are two"].set_value(chosen)
        start_job(test, f"order {tag}", tag)
        plate = book.plate_by_tag(tag)
        assert plate is not None
        a, b = book.faces(plate)
        assert (
            drawing_of(book, plate, a).fingerprint() == load_shipped("heron40_intermediate_a").fingerprint()
        )
        if chosen:
            assert drawing_of(book, plate, b).fingerprint() == load_shipped(chosen).fingerprint()
        else:
            with pytest.raises(InputError, match="face B: has no drawing"):
                drawing_of(book, plate, b)


def test_survey_of_another_job_says_so_and_the_trail_speaks_plainly(
    book: Casebook, open_page: Callable[[str], AppTest]
) -> None:
    plate = book.plates()[0]
    job, face = book.create_job("order 9"), book.faces(plate)[0]
    book.create_survey(face, job, "intake", "2024-02-01")
    book.add_event(plate, "stock", text="lapped elsewhere", removed_um=50.0)
    test = open_page("jobs")
    labels = [b.label for b in test.button]
    assert "intake, 2026-05-04" in labels and "intake, 2024-02-01 (job order 9)" in labels
    trail = [c.value.replace("\\", "") for c in test.caption]
    for said in ("Ada: event elsewhere added.", "Ada: survey added.", "Ada: plate in a job added."):
        assert any(line.rstrip().endswith(said) for line in trail), (said, trail)
