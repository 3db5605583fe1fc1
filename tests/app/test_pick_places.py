"""Places picked by hand: the drawing shown is that of the face that is open."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from measure_fakes import ring_plate
from shapely import Point
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook
from pitmap.drawing import Opening
from pitmap.errors import AlignmentRefused
from pitmap.workflow import save_drawing

pytestmark = pytest.mark.filterwarnings("default")
BY_HAND = {"align_tab": "Pick places by hand"}
"""The tab that is open."""


@pytest.fixture
def two_plates(empty_book: Casebook) -> Casebook:
    """Two plates whose drawings differ in the place of the bore alone, each with a survey and a photo."""
    photo = cv2.imencode(".png", np.full((90, 120, 3), 128, np.uint8))[1].tobytes()
    job = empty_book.create_job("order 1")
    for x in (0.0, 3.0):
        plate = empty_book.create_plate(f"R-{x:g}", job=job)
        face = empty_book.create_face(plate, "A")
        bore = Opening(name="bore", kind="bore", polygon=Point(x, 0).buffer(5))
        save_drawing(empty_book, plate, face, replace(ring_plate(), openings=(bore,)))
        empty_book.add_photo(empty_book.create_survey(face, job, "intake", "2026-01-05"), photo, "face.png")
    return empty_book


def _alignment() -> None:
    from pitmap.review.guard import guarded
    from pitmap.review.screens import alignment

    guarded(alignment.show)()


def test_drawing_beside_the_photo_is_that_of_the_open_plate(
    two_plates: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pitmap.review.screens import alignment

    shown = []

    def picture(drawing, **_):  # type: ignore[no-untyped-def]
        shown.append(round(drawing.openings[0].polygon.centroid.x, 3))
        return np.zeros((9, 12, 3), np.uint8)

    monkeypatch.setattr(alignment, "drawing_picture", picture)
    for number in (1, 2):
        test = AppTest.from_function(_alignment, default_timeout=60)
        ids = {f"{name}_id": number for name in ("plate", "face", "survey")}
        for name, value in {"job_id": 1, **ids, "place_read": True, **BY_HAND}.items():
            test.session_state[name] = value
        test.run()
        assert not test.exception and not test.error
    assert shown == [0.0, 3.0]


def test_place_picked_of_an_opening_that_the_drawing_lost_is_told_and_left_out(
    two_plates: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:

    test = AppTest.from_function(_alignment, default_timeout=60)
    ids = {f"{name}_id": 1 for name in ("job", "plate", "face", "survey")}
    picks = {name: (10.0 * k, 20.0) for k, name in enumerate(["bore", "bolt_1", "bolt_2", "bolt_3"])}
    for name, value in {**ids, "place_read": True, **BY_HAND, "picks_1": picks}.items():
        test.session_state[name] = value
    test.run()
    assert [e.value for e in test.error] == []
    assert [w.value for w in test.warning] == [
        "No longer in the drawing, so not picked any more: bolt_1, bolt_2, bolt_3."
    ]
    assert "1 picked: 1 bore" in [m.value for m in test.markdown]


def test_place_is_picked_without_a_pointer(two_plates: Casebook, monkeypatch: pytest.MonkeyPatch) -> None:
    """The picture that is clicked takes no keys: two numbers move a ring on it, and a button picks there."""

    test = AppTest.from_function(_alignment, default_timeout=60)
    for name, value in {
        **dict.fromkeys(("job_id", "plate_id", "face_id", "survey_id"), 1),
        "place_read": True,
        **BY_HAND,
    }.items():
        test.session_state[name] = value
    test.run()
    test.toggle("pick_1_by_keyboard").set_value(True).run()
    test.number_input("pick_1_across").set_value(17)
    test.number_input("pick_1_down").set_value(64).run()
    assert test.session_state["picks_1"] == {}
    test.button("pick_1_pick").click().run()
    assert not test.exception and not test.error
    assert test.session_state["picks_1"] == {"bore": (17.0, 64.0)}
    test.run()
    assert test.session_state["picks_1"] == {"bore": (17.0, 64.0)}


def test_wrong_place_that_a_refusal_names_is_found_and_picked_again(
    empty_book: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It said "landmark 1 of 4, pick it again": no place bore a number, and four had to be taken back for one."""
    from pitmap.review import picking
    from pitmap.review.screens import alignment

    bolts = {"bolt_1": (20.0, 20.0), "bolt_2": (100.0, 20.0), "bolt_3": (100.0, 70.0), "bolt_4": (20.0, 70.0)}
    photo = cv2.imencode(".png", np.full((90, 120, 3), 128, np.uint8))[1].tobytes()
    job = empty_book.create_job("order 1")
    plate = empty_book.create_plate("R-1", job=job)
    face = empty_book.create_face(plate, "A")
    openings = tuple(
        Opening(name=n, kind="bolt", polygon=Point(x - 60, 45 - y).buffer(3)) for n, (x, y) in bolts.items()
    )
    save_drawing(empty_book, plate, face, replace(ring_plate(), openings=openings))
    empty_book.add_photo(empty_book.create_survey(face, job, "intake", "2026-01-05"), photo, "face.png")

    def refused(ref, face, rows):  # type: ignore[no-untyped-def]
        raise AlignmentRefused("landmark 1 of 4 lies far from where the others put it; pick it again")

    shown: list[list[str]] = []
    monkeypatch.setattr(alignment, "laid_on", refused)
    monkeypatch.setattr(
        picking, "marked", lambda rgb, marks, *_, **__: (shown.append([m.text for m in marks]), rgb)[1]
    )
    test = AppTest.from_function(_alignment, default_timeout=60)
    wrong = {**bolts, "bolt_1": (50.0, 50.0)}
    chosen = dict.fromkeys(("job_id", "plate_id", "face_id", "survey_id"), 1)
    for name, value in {**chosen, "place_read": True, **BY_HAND, "picks_1": wrong}.items():
        test.session_state[name] = value
    test.run()
    assert shown[-1] == ["1", "2", "3", "4"]
    assert "4 picked: 1 bolt_1, 2 bolt_2, 3 bolt_3, 4 bolt_4" in [m.value for m in test.markdown]

    def pick(across: int, down: int) -> None:
        test.number_input("pick_1_across").set_value(across)
        test.number_input("pick_1_down").set_value(down).run()
        test.button("pick_1_pick").click().run()

    test.selectbox[-1].select_index(0).run()
    test.toggle("pick_1_by_keyboard").set_value(True).run()
    pick(20, 20)
    assert not test.exception and not test.error
    assert test.session_state["picks_1"] == bolts
    # the button takes back the click that came last, not the one that had been the fourth
    test.button("undo_pick_1").click().run()
    assert set(test.session_state["picks_1"]) == {"bolt_2", "bolt_3", "bolt_4"}
