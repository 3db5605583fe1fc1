"""Two people on one survey: what the second one sends is kept, or is said to be not, and never lost without a word."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from page_steps import page, place_of
from streamlit.testing.v1 import AppTest
from survey_fakes import keep_survey

from pitmap.casebook import Casebook, Survey
from pitmap.errors import EditConflict

pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def kept(empty_book: Casebook, tmp_path: Path) -> tuple[Casebook, Survey]:
    """A mapped survey after the test lap with the intake checklist begun; it is written in by Ben."""
    survey, _, _ = keep_survey(empty_book, tmp_path / "map", [(0.0, 25.0, 3.0)])
    empty_book.start_checklist(empty_book.jobs()[0], empty_book.plates()[0], "intake")
    return empty_book.as_person("Ben"), survey


def opened(module: str, survey: Survey) -> AppTest:
    return page(module, **place_of(survey), who="Ada").run()


def write(test: AppTest, label: str, text: str) -> None:
    next(t for t in test.text_input if t.label == label).input(text)


def press(test: AppTest, label: str) -> AppTest:
    return next(b for b in test.button if b.label == label).click().run()


def states(book: Casebook) -> list[str]:
    return [i.state for i in book.checklist(book.jobs()[0], book.plates()[0])]


def test_two_people_who_tick_two_items_both_have_theirs_kept(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = opened("checklist", survey)
    first, *_ = book.checklist(book.jobs()[0], book.plates()[0])
    book.update(first, state="done")
    test.checkbox[1].check().run()
    assert not test.error
    assert states(book) == ["done", "done", "open", "open"]


@pytest.mark.parametrize("ben", [{"state": "done"}, {"state": "not needed", "note": "came in clean"}])
def test_tick_over_somebody_elses_change_is_said_to_be_not_kept(
    kept: tuple[Casebook, Survey], ben: dict[str, str]
) -> None:
    book, survey = kept
    test = opened("checklist", survey)
    first, *_ = book.checklist(book.jobs()[0], book.plates()[0])
    book.update(first, **ben)
    test.checkbox[0].check().run()
    (said,) = [e.value for e in test.error]
    assert said.startswith("Ben changed this item, ")
    assert f"it is {ben['state']}. Yours is not kept" in said
    assert states(book)[0] == ben["state"]
    assert not test.run().error


def test_not_needed_over_somebody_elses_tick_is_said_to_be_not_kept(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = opened("checklist", survey)
    first, *_ = book.checklist(book.jobs()[0], book.plates()[0])
    write(test, "Why", "came in clean")
    book.update(first, state="done")
    press(test, "Mark as not needed")
    assert [e.value.split(" changed this item")[0] for e in test.error] == ["Ben"]
    assert states(book)[0] == "done"


def test_item_is_not_needed_for_a_reason_alone(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = press(opened("checklist", survey), "Mark as not needed")
    assert [e.value for e in test.error] == ["Why: say in a word why it is not needed"]
    write(test, "Why", "came in clean")
    assert not press(test, "Mark as not needed").error
    assert states(book)[0] == "not needed"


def _box_pressed_twice(gap: bool) -> None:
    """A box is ticked, and the second press of the same click comes before the page is drawn again."""
    import streamlit as st

    from pitmap.review.screens import checklist
    from pitmap.review.state import book

    kept = book()
    seen = kept.checklist(kept.jobs()[0], kept.plates()[0])[0]
    checklist._change(kept, seen, state="done")
    if gap:  # the same person, meanwhile at another window
        kept.update(kept.get(type(seen), seen.id), state="open")
        kept.update(kept.get(type(seen), seen.id), state="done")
    checklist._change(kept, seen, state="open")
    if error := st.session_state.get(checklist._refused(seen)):
        st.error(str(error))


def test_box_that_is_pressed_twice_stays_ticked_and_nobody_is_blamed(kept: tuple[Casebook, Survey]) -> None:
    test = AppTest.from_function(_box_pressed_twice, kwargs={"gap": False})
    test.session_state["who"] = "Ada"
    assert not test.run().error
    assert states(kept[0])[0] == "done"


def test_ones_own_change_in_another_window_is_not_told_as_somebody_elses(
    kept: tuple[Casebook, Survey],
) -> None:
    test = AppTest.from_function(_box_pressed_twice, kwargs={"gap": True})
    test.session_state["who"] = "Ada"
    (said,) = [e.value for e in test.run().error]
    assert said.startswith("You changed this item in another window, ") and "it is done. Yours is not" in said


@pytest.mark.parametrize(
    "button", ["Undo the last change", "Put the undone change back", "Lay this draft aside"]
)
def test_layers_are_moved_by_somebody_with_a_name(kept: tuple[Casebook, Survey], button: str) -> None:
    book, survey = kept
    area = {"polygon_mm": [[-5, 20], [5, 20], [5, 30]], "only": []}
    seen = book.inspections(survey)[-1]
    edit = book.add_edit(seen, "erase", class_code=1, shape=area, reason="marker pen")
    if button.startswith("Put"):
        book.undo_edit(book.inspections(survey)[-1])
    if button.startswith("Lay"):
        with pytest.raises(
            EditConflict, match="Ben .your own name: another window, or a second press. changed"
        ):
            book.add_edit(seen, "erase", class_code=1, shape=area, reason="oil")
    before = book.edits(seen, states=("applied", "undone", "draft", "discarded"))
    test = press(page("map", **place_of(survey)).run(), button)
    assert [e.value for e in test.error] == [
        "Your name: write it in the side bar first; it stands beside what you sign or correct"
    ]
    assert book.edits(seen, states=("applied", "undone", "draft", "discarded")) == before
    assert not press(opened("map", survey), button).error
    moved = [
        e for e in book.edits(seen, states=("applied", "undone", "draft", "discarded")) if e not in before
    ]
    assert [e.changed_by for e in moved] == ["Ada"]
    assert [e.id for e in moved] == [edit.id + button.startswith("Lay")]


def _late_by_a_moment(monkeypatch: pytest.MonkeyPatch, change: Callable[[], object]) -> None:
    """Somebody else is first between the drawing of the page and the keeping of what was sent."""
    update = Casebook.update

    def late(self: Casebook, record: Any, **changes: Any) -> Any:
        monkeypatch.setattr(Casebook, "update", update)
        change()
        return update(self, record, **changes)

    monkeypatch.setattr(Casebook, "update", late)


def test_what_comes_a_moment_too_late_is_given_back_and_no_draft_is_spoken_of(
    kept: tuple[Casebook, Survey], monkeypatch: pytest.MonkeyPatch
) -> None:
    book, survey = kept
    test = page("jobs", **place_of(survey), who="Ada").run()
    next(t for t in test.text_area if t.label == "History and notes").input("sat in the rain")
    _late_by_a_moment(monkeypatch, lambda: book.update(book.jobs()[0], notes="from Ben"))
    press(test, "Keep them")
    (said,) = [e.value for e in test.error]
    assert said.startswith("job order 1 was changed by Ben on ")
    assert said.endswith("then repeat it; you wrote: notes: sat in the rain")
    assert (book.jobs()[0].notes, book.drafts()) == ("from Ben", ())


LEFT_OUT = "The survey that was open here, light test lap, 2026-03-01, was left out by Ben"
LOST = (
    "What you sent is not kept: somebody else changed, closed or left out what it belongs to before you pressed."
    " You wrote: "
)


def test_correction_of_a_survey_that_was_left_out_is_said_to_be_not_kept(
    kept: tuple[Casebook, Survey],
) -> None:
    book, survey = kept
    other = book.create_survey(book.faces(book.plates()[0])[0], book.jobs()[0], "intake", "2026-02-01")
    test = opened("map", survey)
    write(test, "Or type the corners in mm", "-5 20, 5 20, 5 30")
    write(test, "Why", "marker pen, not a pit")
    book.withdraw(survey, "of another plate")
    press(test, "Change the map")
    left_out, lost = sorted((w.value for w in test.warning), key=lambda w: w.startswith("What"))
    assert left_out.startswith(LEFT_OUT) and ": of another plate. Choose another one." in left_out
    assert lost == f"{LOST}Or type the corners in mm: -5 20, 5 20, 5 30; Why: marker pen, not a pit"
    # what is typed next must not be kept with another survey that the person never chose
    for _ in range(2):
        assert test.session_state["survey_id"] == survey.id
        assert [w.value[: len(LEFT_OUT)] for w in test.run().warning] == [LEFT_OUT]
    next(s for s in test.selectbox if s.label == "Survey").select(other).run()
    assert test.session_state["survey_id"] == other.id
    assert not test.warning


def test_correction_of_a_face_that_was_mapped_anew_is_said_to_be_not_kept(
    kept: tuple[Casebook, Survey], tmp_path: Path
) -> None:
    from survey_fakes import inspection_of_pits

    from pitmap.inspection import save_inspection
    from pitmap.review.cached import face_drawing

    book, survey = kept
    test = opened("map", survey)
    write(test, "Or type the corners in mm", "-5 20, 5 20, 5 30")
    write(test, "Why", "marker pen, not a pit")
    drawing = face_drawing(book.faces(book.plates()[0])[0])
    book.add_inspection(survey, save_inspection(inspection_of_pits(drawing, []), tmp_path / "again"))
    press(test, "Change the map")
    assert [w.value for w in test.warning if w.value.startswith("What you sent")] == [
        f"{LOST}Or type the corners in mm: -5 20, 5 20, 5 30; Why: marker pen, not a pit"
    ]


def test_reading_of_a_survey_that_was_signed_is_said_to_be_not_kept(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = opened("depth", survey)
    write(test, "Mark number", "1")
    write(test, "Reading", "70 um")
    book.sign_off(survey, "all of this face")
    press(test, "Keep the reading")
    (lost,) = [w.value for w in test.warning if w.value.startswith("What you sent")]
    assert "Mark number: 1" in lost and "Reading: 70 um" in lost
    assert book.readings(survey) == ()
    assert not [w for w in test.run().warning if w.value.startswith("What you sent")]


@pytest.mark.parametrize("screen", ["photos", "map", "depth"])
def test_a_signed_survey_says_why_it_offers_no_change(kept: tuple[Casebook, Survey], screen: str) -> None:
    """On Photos and Depth the fields were gone without a word."""
    book, survey = kept
    said = "This survey is signed. A later change opens a new revision on the Checklist page."
    assert said not in [i.value for i in opened(screen, survey).info]
    book.sign_off(survey, "all of this face")
    assert said in [i.value for i in opened(screen, survey).info]


def test_nobody_is_told_that_somebody_else_was_first_where_the_form_itself_answers(
    kept: tuple[Casebook, Survey],
) -> None:
    # the whole page, not one screen: what surrounds every screen must not speak for a form that is still there
    _, survey = kept
    test = AppTest.from_file(Path(__file__).resolve().parents[2] / "app.py", default_timeout=120)
    for name, value in {"place_read": True, **place_of(survey)}.items():
        test.session_state[name] = value
    test.run()
    write(test, "Stock taken off so far", "abc")
    press(test, "Add the survey")
    assert [e.value.partition(": expected")[0] for e in test.error] == ["Stock taken off: length 'abc'"]
    assert not test.warning


def test_undo_does_not_fold_the_way_back_away(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept

    def is_unfolded(test: AppTest) -> bool:
        (form,) = [e for e in test.expander if e.label == "Correct the map by hand"]
        return form.proto.expanded

    assert not is_unfolded(opened("map", survey))
    area = {"polygon_mm": [[-5, 20], [5, 20], [5, 30]], "only": []}
    book.add_edit(book.inspections(survey)[-1], "erase", class_code=1, shape=area, reason="marker pen")
    test = press(opened("map", survey), "Undo the last change")
    assert is_unfolded(test)
    press(test, "Put the undone change back")
    assert len(book.edits(book.inspections(survey)[-1])) == 1


def _numbered_form() -> None:
    """A form that begins anew once it is taken; its first button is pressed in every run, as a second click reaches it."""
    import streamlit as st

    from pitmap.review.sent_forms import claim, done, send, tell_lost

    top, number = st.container(), st.session_state.setdefault("number", 1)
    claim(f"form_{number}")
    if st.button("Keep", on_click=send, args=("form_1", {})) and number == 1:
        st.session_state["number"] = 2
        done("form_1")
        st.rerun()
    tell_lost(top)


def test_button_that_was_pressed_twice_is_not_said_to_be_in_vain() -> None:
    test = AppTest.from_function(_numbered_form).run()
    for _ in range(3):
        assert not press(test, "Keep").warning
    by_another = AppTest.from_function(_numbered_form)
    by_another.session_state["number"] = 2
    assert len(press(by_another.run(), "Keep").warning) == 1


def _map_pressed_twice() -> None:
    """A second press begins a run of the page beside the first one, which has not kept its map yet."""
    from pitmap.review.mapping import MapButton
    from pitmap.review.state import book

    kept = book()
    plate = kept.plates()[0]
    face = kept.faces(plate)[0]
    (survey,) = kept.surveys(face=face)
    one, two = MapButton(kept, survey), MapButton(kept, survey)
    one.map(plate, face)
    two.map(plate, face)


def test_button_that_maps_a_face_maps_once_when_it_is_pressed_twice(
    kept: tuple[Casebook, Survey], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book, survey = kept
    saved = tmp_path / "map"

    def map_survey(book: Casebook, survey: Survey, *_: object, **__: object) -> None:
        book.add_inspection(survey, saved)

    monkeypatch.setattr("pitmap.review.mapping.map_survey", map_survey)
    test = AppTest.from_function(_map_pressed_twice)
    for n_maps in (2, 3):  # pressed again later, it is a new wish
        assert not test.run().exception
        assert len(book.inspections(survey)) == n_maps


def _map_stopped(by_its_button: bool) -> None:
    """The page begins a second run, which stops the one that maps at its next word to the page."""
    from contextlib import suppress

    from streamlit.runtime.scriptrunner_utils.exceptions import StopException

    from pitmap.review.mapping import MapButton
    from pitmap.review.state import book

    kept = book()
    plate = kept.plates()[0]
    face = kept.faces(plate)[0]
    (survey,) = kept.surveys(face=face)
    one, two = MapButton(kept, survey), MapButton(kept, survey)

    def progress(step: str, share: float) -> None:
        if by_its_button:
            one._press()
        raise StopException

    with suppress(StopException):
        one.map(plate, face, progress=progress)
    two.map(plate, face)


@pytest.mark.parametrize(("by_its_button", "n_begun"), [(True, 1), (False, 2)])
def test_map_goes_on_under_a_second_press_and_ends_where_the_person_turns_away(
    kept: tuple[Casebook, Survey],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    by_its_button: bool,
    n_begun: int,
) -> None:
    """Pressed again while the drawing was laid on the photo, it began anew."""
    book, survey = kept
    begun: list[int] = []

    def map_survey(
        book: Casebook, survey: Survey, *_: object, progress: Callable[[str, float], None]
    ) -> None:
        begun.append(1)
        progress("align", 0.1)
        book.add_inspection(survey, tmp_path / "map")

    monkeypatch.setattr("pitmap.review.mapping.map_survey", map_survey)
    test = AppTest.from_function(_map_stopped, kwargs={"by_its_button": by_its_button})
    assert not test.run().exception
    assert (len(begun), len(book.inspections(survey))) == (n_begun, 2)


def test_form_that_is_there_is_never_said_to_be_lost(kept: tuple[Casebook, Survey]) -> None:
    _, survey = kept
    test = opened("map", survey)
    press(test, "Change the map")
    assert [e.value.split(":")[0] for e in test.error] == ["no area"]
    assert not test.warning
    test = opened("depth", survey)
    press(test, "Keep the reading")
    assert test.error and not test.warning
    test = press(opened("checklist", survey), "Sign this survey")
    assert not test.error
    assert not [w for w in test.warning if w.value.startswith("What you sent")]
