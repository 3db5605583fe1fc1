"""Every page by itself, through Streamlit's own test harness: it shows, and bad entries become sentences."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from page_steps import page, place_of
from shapely import box
from streamlit.testing.v1 import AppTest
from survey_fakes import inspection_of_pits, keep_survey

from pitmap.casebook import Casebook, Face, Survey
from pitmap.classes import Stage, SurfaceClass
from pitmap.drawing import load_shipped
from pitmap.estimate import Estimate
from pitmap.inspection import save_inspection
from pitmap.surface import dark_words
from pitmap.workflow import open_inspection

PAGES = [
    "jobs",
    "checklist",
    "photos",
    "alignment",
    "map",
    "depth",
    "plan",
    "before_after",
    "record",
    "drawing",
]
pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def open_page(mapped_book: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    monkeypatch.setenv("PITMAP_CASEBOOK", str(mapped_book))
    with Casebook(mapped_book) as book:
        job = book.jobs()[0]
        plate = book.plates(job=job)[0]
        face = next(f for f in book.faces(plate) if f.name == "A")
        survey = next(s for s in book.surveys(face=face, job=job) if Stage(s.stage).name == "test_lap")

    def run(module: str, **state: object) -> AppTest:
        return page(module, **{**place_of(survey), **state}).run()

    return run


@pytest.mark.parametrize("module", PAGES)
def test_page_shows_without_error(open_page: Callable[..., AppTest], module: str) -> None:
    test = open_page(module)
    assert not test.exception
    assert [e.value for e in test.error] == []
    assert test.title


@pytest.mark.parametrize("module", PAGES)
def test_page_without_a_plate_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str
) -> None:
    import streamlit as st

    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path))
    st.cache_resource.clear()
    test = page(module).run()
    assert not test.exception
    assert [e.value for e in test.error] == []
    st.cache_resource.clear()


def test_map_page_shows_the_figures(open_page: Callable[..., AppTest]) -> None:
    test = open_page("map")
    labels = [m.label for m in test.metric]
    assert "Narrowest sound width" in labels
    # the name of the figure is short, so that a tablet shows it whole, and says what it is of beside it
    assert any(c.value.startswith("Sound metal across the seal land: ") for c in test.caption)
    assert "Seal land affected" in labels


def test_map_page_says_what_the_gate_said_of_each_photo(open_page: Callable[..., AppTest]) -> None:
    captions = [c.value for c in open_page("map").caption]
    assert any("px per mm" in c and "are not seen" in c for c in captions), captions


def test_map_page_says_in_inch_what_the_gate_said(open_page: Callable[..., AppTest]) -> None:
    """What was kept with the map is in mm: under inches it said "5.6 px per mm ... pits under 0.5 mm"."""
    (said,) = [c.value for c in open_page("map", units="inch").caption if "are not seen" in c.value]
    assert re.fullmatch(
        r"photo\.jpg: 1\d\d px per in, edges [\d.]+ px wide: pits under 0\.0\d+ in are not seen; .*", said
    )


def test_zones_table_has_room_for_the_longest_class(open_page: Callable[..., AppTest]) -> None:
    """Left to itself the column was 110 px wide on a screen of 1400 px; "not reached by the lap" takes 131 px and edges."""
    zones = next(d for d in open_page("map").dataframe if "share of what was seen" in d.value.columns)
    assert "not reached by the lap" in set(zones.value["what"])
    assert json.loads(zones.proto.columns)["what"]["width"] >= 131 + 2 * 8
    # "cannot be told", 84 px, stands for a count where nothing can be counted, as of uncut metal at intake
    assert json.loads(zones.proto.columns)["marks"]["width"] >= 84 + 2 * 8


def test_inch_units_reach_the_map(open_page: Callable[..., AppTest]) -> None:
    test = open_page("map", units="inch")
    assert any(" in" in m.value for m in test.metric)


def test_before_and_after_tells_what_does_not_fit(
    open_page: Callable[..., AppTest], monkeypatch: pytest.MonkeyPatch
) -> None:
    from pitmap.review.screens import before_after

    real = before_after.face_comparison
    monkeypatch.setattr(
        before_after, "face_comparison", lambda *which: replace(real(*which), problems=("Dates contradict.",))
    )
    assert "Dates contradict." in [w.value for w in open_page("before_after").warning]


def test_pits_to_read_next_are_those_of_the_newest_map_and_say_so(open_page: Callable[..., AppTest]) -> None:
    """Every map numbers its marks anew: with an older survey open, the number would lead to another pit."""

    def next_of(test: AppTest) -> tuple[list[str], list[str]]:
        table = next(d.value for d in test.dataframe if "order" in d.value.columns)
        # every figure has its interval: a depth alone said how deep a pit that nobody read would be
        assert all(re.fullmatch(r"[\d.]+ um \([\d.]+ to [\d.]+\)", v) for v in table["depth expected now"])
        # a screen of 1400 px shows some 35 letters of the last heading, and cut off what it is a measure of
        assert len(table.columns[-1]) <= 30
        told = [w.value for w in test.warning if "marks of another map" in w.value]
        return [c for c in table.columns if c.startswith("mark")], told

    columns, told = next_of(open_page("depth"))
    assert columns == ["mark (light test lap, 2025-03-05)"]
    assert told == []
    test = open_page("depth")
    box = next(s for s in test.selectbox if s.label == "Survey")
    box.select_index(box.options.index("intake, 2025-03-03")).run()
    columns, told = next_of(test)
    assert columns == ["mark (light test lap, 2025-03-05)"]
    # of a signed survey no map stands above
    assert [w.split(" the same numbers")[0] for w in told] == [
        "These are marks of another map, light test lap, 2025-03-05; on the map of this survey"
    ]


def test_page_calls_metal_and_fates_as_the_record_does(open_page: Callable[..., AppTest]) -> None:
    """A pit whose change cannot be proven is not called the same, and every class has one name beside the map."""
    test = open_page("map")
    shown = next(p for p in test.button_group if p.label == "Show").options
    assert [o.rsplit(":", 1)[-1] for o in shown] == [
        "pit", "stain", "heat tint", "not reached by the lap", "score", "not seen",
    ]  # fmt: skip
    zones = next(d.value for d in test.dataframe if "share of what was seen" in d.value.columns)
    assert set(zones["what"]) == {"pit", "stain", "heat tint", "not reached by the lap", "score", "affected"}
    test = open_page("before_after")
    fates = next(d.value for d in test.dataframe if "fate" in d.value.columns)
    assert "\u25a0 no provable change" in set(fates["fate"])
    assert not {"same", "opened up"} & set(fates["fate"])
    assert any(m.value.startswith("Pits: ") and "no provable change" in m.value for m in test.markdown)


@pytest.mark.parametrize("module", ["plan", "before_after", "record"])
def test_page_of_a_face_without_maps_says_how_to_get_one(empty_book: Casebook, module: str) -> None:
    job = empty_book.create_job("order 7")
    plate = empty_book.create_plate("T-12", job=job)
    face = empty_book.create_face(plate, "A", drawing="heron40_intermediate_a")
    test = page(module, job_id=job.id, plate_id=plate.id, face_id=face.id).run()
    (said,) = [i.value for i in test.info]
    assert "there is none. Add a survey on the Jobs page" in said
    assert [b.label for b in test.button] == ["Go to Jobs"]


def test_note_of_a_map_stands_with_the_figures_that_it_bears_on(empty_book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(empty_book, tmp_path / "first", [(24.0, 0.0, 2.0)])
    dark = "900 mm2 are far darker than the metal about them"
    noted = replace(inspection_of_pits(drawing, [(24.0, 0.0, 2.0)]), notes=(dark,))
    empty_book.add_inspection(survey, save_inspection(noted, tmp_path / "noted"))
    said = [c.value for c in page("map", **place_of(survey)).run().caption]
    (picture,) = [k for k, text in enumerate(said) if text.startswith("Solid: pit.")]
    assert [k for k, text in enumerate(said) if text == dark] < [picture]
    assert said.count(dark) == 1


def test_share_in_the_headline_is_that_of_the_table(empty_book: Casebook, tmp_path: Path) -> None:
    """ "0.0 %" stood over a table that said 0.01 %: a small pit of the land passed for none."""
    survey, _, _ = keep_survey(empty_book, tmp_path / "first", [(24.0, 0.0, 0.5)])
    test = page("map", **place_of(survey)).run()
    zones = next(d.value for d in test.dataframe if "share of what was seen" in d.value.columns)
    (said,) = zones[(zones.zone == "seal land") & (zones.what == "affected")]["share of what was seen"]
    (shown,) = [m.value for m in test.metric if m.label == "Seal land affected"]
    assert said.startswith(f"{shown} (") and shown != "0.0 %"
    assert any(c.value == f"{said} of what was seen; not seen 0.0 %" for c in test.caption)


def test_note_of_dark_metal_is_told_in_the_units_of_the_page(empty_book: Casebook, tmp_path: Path) -> None:
    """900 mm2 stood on the page that showed every other figure in inch."""
    survey, _, drawing = keep_survey(empty_book, tmp_path / "first", [(24.0, 0.0, 2.0)])
    plain = inspection_of_pits(drawing, [(24.0, 0.0, 2.0)])
    noted = replace(
        plain, class_map=replace(plain.class_map, dark_mm2=900.0), notes=(dark_words(900.0), "under one lamp")
    )
    empty_book.add_inspection(survey, save_inspection(noted, tmp_path / "noted"))
    said = [c.value for c in page("map", **place_of(survey), units="inch").run().caption]
    # 900 / 645.16
    assert any(text.startswith("1.40 in2 are far darker") for text in said), said
    assert "under one lamp" in said


def test_zone_of_two_parts_stands_once_in_the_key_of_the_drawing() -> None:
    from pitmap.review.screens.drawing import _figure

    drawing = load_shipped("heron40_intermediate_a")
    halves = (
        drawing.zones["rim"]
        .intersection(box(-500, 1, 500, 500))
        .union(drawing.zones["rim"].intersection(box(-500, -500, 500, -1)))
    )
    figure = _figure(replace(drawing, zones={**drawing.zones, "rim": halves}), [])
    assert [t.name for t in figure.data if t.showlegend is not False] == [
        "running surface",
        "seal land",
        "rim",
    ]


def test_bad_reading_is_a_sentence_beside_the_form(open_page: Callable[..., AppTest]) -> None:
    test = open_page("depth")
    next(t for t in test.text_input if t.label == "Mark number").input("1")
    next(t for t in test.text_input if t.label == "Reading").input("about three")
    next(b for b in test.button if b.label == "Keep the reading").click().run()
    assert not test.exception
    assert any("about three" in e.value for e in test.error)


def test_new_job_without_a_tag_is_a_sentence(open_page: Callable[..., AppTest]) -> None:
    test = open_page("jobs")
    next(b for b in test.button if b.label == "Start the job").click().run()
    assert any("Plate tag" in e.value for e in test.error)


@pytest.mark.parametrize(
    ("module", "button"),
    [("checklist", "Sign this survey"), ("checklist", "Release to the customer"), ("map", "Change the map")],
)
def test_nobody_signs_or_corrects_without_a_name(
    open_page: Callable[..., AppTest], module: str, button: str
) -> None:
    test = open_page(module)
    for why in (t for t in test.text_input if t.label == "Why"):
        why.input("oil, wiped off")
    for corners in (t for t in test.text_input if t.label == "Or type the corners in mm"):
        corners.input("-10 60, 10 60, 10 70")
    next(b for b in test.button if b.label == button).click().run()
    assert [e.value for e in test.error] == [
        "Your name: write it in the side bar first; it stands beside what you sign or correct"
    ]


@pytest.mark.parametrize(
    ("corners", "said"),
    [
        ("900 900, 910 900, 910 910", "area: none of the plate's metal is inside"),
        ("0 60; 5,5 60; 10 60", "area: its corners lie on one line"),
        ("-10,5 60, 20 60, 20 70", "corner 1: expected two numbers, x and y in mm, got '-10'; write 10.5 60"),
        ("nan 60, 20 60, 20 70", "corner 1: expected two numbers"),
        ("0 60, 20 60", "corners: an area needs three or more"),
    ],
)
def test_correction_that_does_nothing_is_refused(
    open_page: Callable[..., AppTest], mapped_book: Path, corners: str, said: str
) -> None:
    test = open_page("map", who="Ada")
    next(t for t in test.text_input if t.label == "Or type the corners in mm").input(corners)
    next(t for t in test.text_input if t.label == "Why").input("oil, wiped off")
    next(b for b in test.button if b.label == "Change the map").click().run()
    (error,) = test.error
    assert error.value.startswith(said)
    with Casebook(mapped_book) as book:
        survey = book.get(Survey, test.session_state["survey_id"])
        assert book.edits(book.inspections(survey)[-1]) == ()


@pytest.fixture
def own_book(mapped_book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Casebook]:
    """A copy of the mapped casebook, to be changed by a test."""
    import streamlit as st

    st.cache_resource.clear()
    shutil.copytree(mapped_book, tmp_path / "book")
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    with Casebook(tmp_path / "book", who="Ada") as book:
        yield book
    st.cache_resource.clear()


def survey_of(book: Casebook, stage: str) -> Survey:
    """The survey of face A of this stage."""
    face = next(f for f in book.faces(book.plates()[0]) if f.name == "A")
    return next(s for s in book.surveys(face=face) if s.stage == stage)


def test_correction_by_a_stroke_is_not_that_of_corners_typed_before(
    own_book: Casebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pitmap.review.corrections import Stroke
    from pitmap.review.screens import map as screen

    drawn: list[Stroke] = []
    real = screen._picture
    monkeypatch.setattr(screen, "_picture", lambda *given: real(*given) or (drawn[0] if drawn else None))
    survey = survey_of(own_book, "test_lap")

    def change() -> None:
        next(s for s in test.selectbox if s.label == "This area is").set_value(SurfaceClass.PIT)
        next(t for t in test.text_input if t.label == "Why").input("seen under the glass")
        next(b for b in test.button if b.label == "Change the map").click().run()

    test = page("map", **place_of(survey), who="Ada").run()
    next(t for t in test.text_input if t.label == "Or type the corners in mm").input("-10 60, 10 60, 10 70")
    change()
    assert [e.value for e in test.error] == []
    assert [t.value for t in test.text_input] == ["", ""]
    drawn.append(Stroke(path_mm=[[-60.0, 60.0], [-50.0, 66.0]], width_mm=2.0))
    test.run()
    change()
    assert [e.value for e in test.error] == []
    first, second = own_book.edits(own_book.inspections(survey)[-1])
    assert first.shape["polygon_mm"] == [[-10, 60], [10, 60], [10, 70]]
    assert (second.shape["stroke_mm"], second.shape["width_mm"]) == ([[-60, 60], [-50, 66]], 2)

    next(t for t in test.text_input if t.label == "Or type the corners in mm").input("-10 60, 10 60, 10 70")
    change()
    assert [e.value.split(":")[0] for e in test.error] == ["two areas"]
    assert len(own_book.edits(own_book.inspections(survey)[-1])) == 2


def test_metal_not_seen_gets_a_class_by_its_name_alone(own_book: Casebook) -> None:
    """Stain painted on "all of it" made seen, sealing metal of what lay under glare."""
    survey = survey_of(own_book, "test_lap")
    ref = own_book.inspections(survey)[-1]
    # glare over 20 x 10 mm of the running surface
    glare = {"polygon_mm": [[-10, 60], [10, 60], [10, 70], [-10, 70]], "only": []}
    own_book.add_edit(ref, "polygon", class_code=int(SurfaceClass.UNSEEN), shape=glare, reason="glare")
    drawing = load_shipped("heron40_intermediate_a")

    def unseen_mm2() -> float:
        now = open_inspection(own_book, survey, own_book.inspections(survey)[-1], drawing).class_map
        return float((now.codes == SurfaceClass.UNSEEN).sum() * now.grid.pixel_area_mm2)

    def change(to: SurfaceClass, corners: str, only: SurfaceClass | None) -> list[str]:
        test = page("map", **place_of(survey), who="Ada").run()
        next(s for s in test.selectbox if s.label == "This area is").set_value(to)
        next(s for s in test.selectbox if s.label == "Change").set_value(only)
        next(t for t in test.text_input if t.label == "Or type the corners in mm").input(corners)
        next(t for t in test.text_input if t.label == "Why").input("marker pen")
        next(b for b in test.button if b.label == "Change the map").click().run()
        return [e.value for e in test.error]

    before = unseen_mm2()
    assert before >= 195
    for to in (SurfaceClass.SOUND, SurfaceClass.STAIN):
        assert change(to, "-12 58, 12 58, 12 72, -12 72", None) == []
        assert unseen_mm2() == before
        (said,) = change(to, "-5 62, 5 62, 5 68, -5 68", None)
        assert said.startswith("area: none of the metal inside was seen, and it stays so")
    assert change(SurfaceClass.SOUND, "-12 58, 12 58, 12 72, -12 72", SurfaceClass.UNSEEN) == []
    assert unseen_mm2() <= before - 195


def test_nobody_can_call_metal_uncut_before_the_first_lap(open_page: Callable[..., AppTest]) -> None:
    from_stage = {}
    test = open_page("map", who="Ada")
    survey = next(s for s in test.selectbox if s.label == "Survey")
    for stage in ("intake", "light test lap"):
        survey.select_index(next(k for k, o in enumerate(survey.options) if stage in o)).run()
        from_stage[stage] = next(s for s in test.selectbox if s.label == "This area is").options
        survey = next(s for s in test.selectbox if s.label == "Survey")
    assert "not reached by the lap" in from_stage["light test lap"]
    assert "not reached by the lap" not in from_stage["intake"]
    assert "pit" in from_stage["intake"]


def test_words_of_people_are_shown_as_they_are_and_never_as_markup(own_book: Casebook) -> None:
    survey = survey_of(own_book, "test_lap")
    photo = own_book.photos(survey)[0]
    own_book.add_photo(survey, own_book.read_file(photo.sha256) + b" ", "a*2*_$5$.jpg")
    names = [m.value for m in page("photos", **place_of(survey)).run().markdown]
    assert any(r"**a\*2\*\_\$5\$.jpg**" in name for name in names)
    edit = {"polygon_mm": [[-10, 60], [10, 60], [10, 70]], "only": []}
    own_book.add_edit(
        own_book.inspections(survey)[-1], "erase", class_code=int(SurfaceClass.SOUND), shape=edit, reason=":red[ink]"
    )  # fmt: skip
    shown = [c.value for c in page("map", **place_of(survey)).run().caption]
    assert any(r"\:red\[ink\]" in c for c in shown)
    own_book.sign_off(survey, "flat to $5$ and *clean*")
    (said,) = [s.value for s in page("checklist", **place_of(survey)).run().success]
    assert said.endswith(r"flat to \$5\$ and \*clean\*")


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        ("a*2*_$5$_<b>.png", r"a\*2\*\_\$5\$\_\<b>.png"),
        ("__init__ of bolt_03", r"\_\_init\_\_ of bolt_03"),
        ("Your name: :red[ink] at 12:30", r"Your name: \:red\[ink\] at 12:30"),
        ("- one\n2. two\n10.5 mm", "\\- one\n2\\. two\n10.5 mm"),
        ("    # four spaces", r"\# four spaces"),
        ("&copy; Able & Sons", r"\&copy; Able & Sons"),
    ],
)
def test_plain_text_escapes_markup_and_leaves_sentences_alone(text: str, escaped: str) -> None:
    from pitmap.review.plain_text import plain

    assert plain(text) == escaped


def test_error_shows_the_name_in_it_as_it_is(own_book: Casebook) -> None:
    survey = survey_of(own_book, "intake")
    test = page("photos", **place_of(survey)).run()
    test.file_uploader[0].set_value([("a*2*_$5$_<b>.png", b"no picture", "image/png")]).run()
    (said,) = [e.value for e in test.error]
    assert said.startswith(r"a\*2\*\_\$5\$\_\<b>.png: ")


def test_why_of_one_map_is_not_in_the_form_of_the_next(own_book: Casebook) -> None:
    one, other = survey_of(own_book, "intake"), survey_of(own_book, "test_lap")
    test = page("map", **place_of(one), who="Ada").run()
    next(t for t in test.text_input if t.label == "Why").input("marker pen, not a pit")
    next(b for b in test.button if b.label == "Change the map").click().run()
    assert [e.value.split(":")[0] for e in test.error] == ["no area"]
    next(s for s in test.selectbox if s.label == "Survey").select(other).run()
    assert test.session_state["survey_id"] == other.id
    assert next(t for t in test.text_input if t.label == "Why").value == ""


def test_face_without_a_mark_asks_for_no_click_and_says_that_it_has_none(
    empty_book: Casebook, tmp_path: Path
) -> None:
    survey, ref, drawing = keep_survey(empty_book, tmp_path / "map", [])
    again = empty_book.create_survey(
        empty_book.get(Face, survey.face_id), empty_book.jobs()[0], "lap_1", "2026-03-02",
        removed_um=Estimate(value=40.0, low=38.0, high=42.0),
    )  # fmt: skip
    lapped = replace(
        inspection_of_pits(drawing, []),
        stage=Stage("lap_1"),
        surveyed_on=again.surveyed_on,
        removed_um=again.removed_um,
    )
    empty_book.add_inspection(again, save_inspection(lapped, tmp_path / "again"))
    said = {m: page(m, **place_of(survey)).run() for m in ("map", "depth", "before_after")}
    captions = [c.value for test in said.values() for c in test.caption]
    assert "The map shows no mark." in captions and "The map shows no pit." in captions
    assert not [c for c in captions if c.startswith("Click")]
    assert "Pits: neither map shows one" in [m.value for m in said["before_after"].markdown]


def test_statement_typed_for_one_survey_is_not_shown_for_another(own_book: Casebook) -> None:
    # a browser keeps what stands in a field as long as the page's field of that place has the same identity
    fields = [
        page("checklist", **place_of(survey_of(own_book, stage)), who="Ada").run().text_area[0].proto
        for stage in ("intake", "test_lap")
    ]
    assert fields[0].label == fields[1].label == "What you stand for"
    assert fields[0].id != fields[1].id


@pytest.mark.parametrize("module", ["plan", "before_after", "record"])
def test_page_of_the_whole_face_offers_no_survey(open_page: Callable[..., AppTest], module: str) -> None:
    test = open_page(module)
    labels = [s.label.replace("\\", "") for s in test.selectbox]
    assert "Plate SAMPLE-1: face" in labels and "Survey" not in labels
    (said,) = [c.value for c in test.caption if c.value.startswith("From every mapped survey of this face")]
    assert "intake, " in said and "; light test lap, " in said


def test_record_page_says_how_it_is_printed(open_page: Callable[..., AppTest]) -> None:
    assert any(c.value.startswith("To print it, take the PDF") for c in open_page("record").caption)


def test_limit_without_a_source_is_refused(open_page: Callable[..., AppTest]) -> None:
    test = open_page("plan")
    next(t for t in test.text_input if t.label.startswith("Most stock")).input("4 thou")
    next(b for b in test.button if b.label == "Keep the limit sheet").click().run()
    assert any("source" in e.value for e in test.error)


def _router() -> None:
    from pitmap.review import run

    run()


@pytest.fixture(autouse=True)
def first_seen(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """The cookies of the browser; another time at their end is another browser."""
    from streamlit.runtime.context import ContextProxy

    cookies = {"_streamlit_xsrf": "2|1f|2e|1700000000"}
    monkeypatch.setattr(ContextProxy, "cookies", property(lambda self: cookies))
    return cookies


def opened(address: dict[str, str]) -> AppTest:
    """The whole review page at an address, as a browser opens it."""
    test = AppTest.from_function(_router, default_timeout=120)
    for name, value in address.items():
        test.query_params[name] = value
    return test.run()


def address_of(test: AppTest) -> dict[str, str]:
    return {k: v[0] if isinstance(v, list) else v for k, v in test.query_params.items()}


def test_name_and_units_come_back_to_their_own_address_alone(own_book: Casebook) -> None:
    first = opened({})
    next(t for t in first.text_input if t.key == "who").input("Ada").run()
    next(b for b in first.button_group if b.key == "units").set_value("inch").run()
    assert address_of(first)["desk"]
    again = opened(address_of(first))
    assert [again.session_state[k] for k in ("who", "units")] == ["Ada", "inch"]
    other = opened({})
    assert [other.session_state[k] for k in ("who", "units")] == ["", "mm"]


def test_every_page_says_beforehand_that_what_is_only_typed_is_not_kept(own_book: Casebook) -> None:
    assert "What you type is kept when you press the button under it, not before." in [
        c.value for c in opened({}).sidebar.caption
    ]


def test_half_done_drawing_outlives_a_reload_at_its_own_address_alone(own_book: Casebook) -> None:
    from pitmap.drawing.edit import History, Step
    from pitmap.review.screens.drawing_desk import Desk

    def tab(address: dict[str, str], begun: Desk | None) -> tuple[dict[str, str], Desk]:
        def script(begun, fresh):  # type: ignore[no-untyped-def]
            import streamlit as st

            from pitmap.review.remembered import recall, remember
            from pitmap.review.state import choose_person, restore_place

            restore_place()
            choose_person()
            if begun is not None:
                remember("edit_desk_1", begun)
            st.session_state["found"] = recall("edit_desk_1", fresh)

        test = AppTest.from_function(script, args=(begun, Desk()))
        for name, value in address.items():
            test.query_params[name] = value
        test.run()
        if begun is not None:
            # a name that is typed after the work was begun makes it nobody else's
            test.text_input(key="who").input("Ada").run()
        return address_of(test), test.session_state["found"]

    begun = Desk(history=History(steps=(Step.of("remove_opening", name="bolt_03"),), n_done=1))
    address, _ = tab({"face": "1"}, begun)
    assert tab(address, None)[1] == begun
    assert tab({"face": "1"}, None)[1] == Desk()


def test_address_that_is_sent_hands_over_no_name(own_book: Casebook, first_seen: dict[str, str]) -> None:
    first = opened({})
    next(t for t in first.text_input if t.key == "who").input("Ada").run()
    first_seen["_streamlit_xsrf"] = "2|3d|4c|1800000000"
    assert opened(address_of(first)).session_state["who"] == ""
    first_seen["_streamlit_xsrf"] = "2|5b|6a|1700000000"
    assert opened(address_of(first)).session_state["who"] == "Ada"


def test_address_says_the_survey_that_is_on_the_page(own_book: Casebook) -> None:
    one, other = survey_of(own_book, "intake"), survey_of(own_book, "test_lap")
    ids = {k.removesuffix("_id"): str(v) for k, v in place_of(one).items()}

    def script() -> None:
        from pitmap.review.screens.checklist import show
        from pitmap.review.state import restore_place

        restore_place()
        show()

    test = AppTest.from_function(script, default_timeout=120)
    for name, value in ids.items():
        test.query_params[name] = value
    test.run()
    assert {k: v for k, v in address_of(test).items() if k != "desk"} == ids
    next(s for s in test.selectbox if s.label == "Survey").select(other).run()
    assert test.session_state["survey_id"] == other.id
    assert address_of(test)["survey"] == str(other.id)


@pytest.mark.parametrize("wrong", ["plate_id", "face_id", "survey_id"])
def test_record_of_another_one_is_no_place(own_book: Casebook, wrong: str) -> None:
    mine = survey_of(own_book, "intake")
    job = own_book.create_job("order 8")
    plate = own_book.create_plate("T-8", job=job)
    theirs = place_of(own_book.create_survey(own_book.create_face(plate, "A"), job, "intake", "2026-05-04"))
    place = {**theirs, wrong: place_of(mine)[wrong]}
    test = page("checklist", **place)
    # The plate has one face with one survey: they are not taken for those that are not of it, at a second look neither.
    for _ in range(2):
        test.run()
        assert [e.value for e in test.error] == []
        (told,) = [w.value for w in test.warning]
        assert told.startswith(
            f"The address asks for {wrong.removesuffix('_id')} number {place[wrong]}, which is not "
        )
        assert told.endswith("Nothing is opened in its place: choose one.")
        assert {k: test.session_state[k] for k in theirs} == place
        assert not test.checkbox and not [b for b in test.button if b.label == "Start this step"]


@pytest.mark.parametrize(
    ("path", "asked"),
    [("checklist", "99"), ("photos", "99"), ("map", "99"), ("depth", "abc"), ("alignment", "123456789012")],
)
def test_survey_that_is_not_there_is_told_and_no_other_one_is_opened(
    own_book: Casebook, path: str, asked: str
) -> None:
    surveys = [survey_of(own_book, stage) for stage in ("intake", "test_lap")]
    ids = {k.removesuffix("_id"): str(v) for k, v in place_of(surveys[0]).items()} | {"survey": asked}

    def script(module: str) -> None:
        import importlib

        from pitmap.review.state import restore_place

        restore_place()
        importlib.import_module(f"pitmap.review.screens.{module}").show()

    test = AppTest.from_function(script, args=(path,), default_timeout=120)
    for name, value in ids.items():
        test.query_params[name] = value
    for _ in range(2):
        test.run()
        number = f"number {asked}" if len(asked) < 12 and asked.isdecimal() else repr(asked)
        assert [w.value for w in test.warning] == [
            f"The address asks for survey {number}, and this casebook has no such survey. Nothing is opened in its place: "
            "choose one."
        ]
        assert [s.value for s in test.selectbox if s.label == "Survey"] == [None]
        # a reload says so again
        assert address_of(test)["survey"] == asked
    next(s for s in test.selectbox if s.label == "Survey").select(surveys[1]).run()
    assert address_of(test)["survey"] == str(surveys[1].id)
    assert not test.error
    assert not [w.value for w in test.run().warning if w.value.startswith("The address")]


@pytest.mark.parametrize("path", ["plan", "record", "before_after", "drawing"])
def test_face_that_is_not_there_is_told_and_no_other_one_is_opened(own_book: Casebook, path: str) -> None:
    place = place_of(survey_of(own_book, "intake"))
    test = page(path, **{**place, "face_id": 77}).run()
    assert [w.value.partition(",")[0] for w in test.warning] == ["The address asks for face number 77"]
    assert [s.value for s in test.selectbox if "face" in s.label] == [None]
    assert test.session_state["face_id"] == 77
