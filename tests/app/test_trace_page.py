"""Tracing from photos on the Drawing page, step by step through Streamlit's own test harness."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from pitmap.casebook import Casebook, Face
from pitmap.drawing import Drawing, load_numbers, load_shipped, make_zones, suggested_clicks
from pitmap.errors import MeasurementError, PhotoError
from pitmap.estimate import Estimate
from pitmap.registration.camera import Camera, Lens
from pitmap.review.screens import trace_desk
from pitmap.review.screens.trace_desk import Desk, Source
from pitmap.tracing import CIRCLES, SheetUse, Trace
from pitmap.workflow import drawing_of, save_drawing

pytestmark = pytest.mark.filterwarnings("default")

FOLDERS = ("a_test_lap", "a_lap_1")
HOLES = ("dowel_a", "dowel_b", "lift_a", "bolt_17")
PLATE = "heron40_intermediate_a"


def camera_of(folder: Path) -> Camera:
    truth = json.loads((folder / "truth.json").read_text())
    d = truth["distortion"]
    lens = Lens(k1=d["k1"], k2=d["k2"], centre_xy=tuple(d["centre"]), scale_px=d["scale"])
    return Camera(homography=np.array(truth["homography_mm_to_undistorted_px"]), lens=lens)


def centre(drawing: Drawing, name: str) -> tuple[float, float]:
    return next(o.polygon.centroid.coords[0] for o in drawing.openings if o.name == name)


@pytest.fixture
def shop(empty_book: Casebook, samples: Path) -> tuple:
    """A casebook with a plate that has no drawing, its face, and two photos kept to trace from."""
    job = empty_book.create_job("order 31")
    plate = empty_book.create_plate("T-31", job=job)
    face = empty_book.create_face(plate, "A")
    photos = tuple(
        trace_desk.keep_source(empty_book, plate, face, (samples / f / "photo.jpg").read_bytes(), f"{f}.jpg")
        for f in FOLDERS
    )
    return empty_book, job, plate, face, photos


@pytest.fixture
def open_desk(shop: tuple) -> Callable[[Desk | None], AppTest]:
    """The Drawing page with this much done already."""
    _, job, plate, face, _ = shop

    def run(desk: Desk | None) -> AppTest:
        test = AppTest.from_function(_page, default_timeout=120)
        for key, value in {
            "place_read": True,
            "job_id": job.id,
            "plate_id": plate.id,
            "face_id": face.id,
        }.items():
            test.session_state[key] = value
        if desk is not None:
            test.session_state[f"trace_desk_{face.id}"] = desk
        return test.run()

    return run


def _page() -> None:
    import importlib

    from pitmap.review.guard import guarded

    guarded(importlib.import_module("pitmap.review.screens.drawing").show)()


def clicked(photos: tuple[Source, ...], samples: Path, n: int = 4) -> Desk:
    """The first `n` holes clicked in every photo, where they truly are."""
    drawing, desk = load_shipped(PLATE), Desk(photos=photos)
    for photo, folder in zip(photos, FOLDERS):
        camera = camera_of(samples / folder)
        places = {f"hole {k}": tuple(camera.mm_to_px(centre(drawing, h))) for k, h in enumerate(HOLES[:n], 1)}
        desk = desk.with_places(photo, places)
    return desk


def ask(test: AppTest, face: Face, **fields: str) -> AppTest:
    """Type into the fields and press the button."""
    for field, text in fields.items():
        test.text_input(key=f"trace_{field}_{face.id}").input(text)
    return test.button(key=f"trace_go_{face.id}").click().run()


def words(test: AppTest) -> str:
    return "\n".join(
        str(e.value)
        for kind in (test.markdown, test.caption, test.error, test.warning, test.info, test.success)
        for e in kind
    )


def grey(level: int) -> bytes:
    """A picture of one tone, JPEG."""
    return cv2.imencode(".jpg", np.full((90, 120, 3), level, np.uint8))[1].tobytes()


def true_trace(samples: Path) -> Trace:
    """What a perfect tracing of the two photos would give."""
    drawing = load_shipped(PLATE)
    rows = [
        {
            "name": o.name, "x_mm": o.polygon.centroid.x, "y_mm": o.polygon.centroid.y, "centre_err_mm": 0.05,
            "diameter_mm": 2 * np.sqrt(o.polygon.area / np.pi), "diameter_low_mm": 1.0, "diameter_high_mm": 99.0,
            "n_photos": 2,
        }
        for o in drawing.openings
        if o.kind in ("bolt", "dowel", "lift", "bore")
    ]  # fmt: skip
    bare = Drawing(
        name="T-31 A", thickness_mm=14.0, outline=drawing.outline, openings=drawing.openings,
        zones=make_zones(drawing.outline, drawing.openings, None, None),
    )  # fmt: skip
    return Trace(
        drawing=bare, circles=CIRCLES.frame(rows), cameras=tuple(camera_of(samples / f) for f in FOLDERS),
        spread_mm=0.02, outline_err_mm=0.11, notes=("a mark near x 1.0, y 2.0 mm was left out",), contours=(),
        size=Estimate(value=1.0, low=0.999, high=1.001), height_correction=0.0,
        suggested_kinds={o.name: o.kind for o in drawing.openings},
    )  # fmt: skip


def test_starts_with_what_to_photograph(open_desk) -> None:
    test = open_desk(Desk())
    assert not test.exception and not test.error
    assert "1. Photos of the bare face" in words(test)
    assert "2. The plate" not in words(test)


def test_photos_are_kept_once_and_bad_ones_refused(shop, samples: Path) -> None:
    book, _, plate, face, photos = shop
    data = (samples / FOLDERS[0] / "photo.jpg").read_bytes()
    assert trace_desk.keep_source(book, plate, face, data, "again.jpg") == photos[0]
    assert trace_desk.sources(book, plate, face) == list(photos)
    with pytest.raises(PhotoError):
        trace_desk.keep_source(book, plate, face, b"no picture at all", "note.jpg")
    assert trace_desk.sources(book, plate, face) == list(photos)


def test_name_of_a_photo_to_trace_from_is_not_taken_for_markup(shop, open_desk, samples: Path) -> None:
    book, _, plate, face, photos = shop
    rgb = (samples / "a_intake" / "photo.jpg").read_bytes()
    named = trace_desk.keep_source(book, plate, face, rgb, "*bare* $1$ [A](b).jpg")
    test = open_desk(Desk(photos=(*photos, named)))
    captions = [image.caption for images in test.get("image") for image in images.proto.imgs]
    assert captions[2] == r"Photo 3: \*bare\* \$1\$ \[A\](b).jpg"


def test_a_reload_keeps_photos_and_clicks(shop, open_desk, samples: Path) -> None:
    _, _, _, face, photos = shop
    desk = clicked(photos, samples)
    first = open_desk(desk)
    key = f"trace_undo_{face.id}"
    first.button(key=key).click().run()
    again = open_desk(None)
    assert not again.exception
    left = again.session_state[f"trace_desk_{face.id}"]
    assert left.photos == desk.photos
    assert len(left.places(photos[0])) == len(desk.places(photos[0])) - 1


def test_refusals_stand_on_the_page(shop, open_desk, samples: Path) -> None:
    face, photos = shop[3], shop[4]
    test = ask(open_desk(clicked(photos[:1], samples)), face, thickness="14 mm", distance="291 mm")
    assert "add one or two more" in test.error[0].value
    test = ask(open_desk(clicked(photos, samples, n=3)), face, thickness="14 mm", distance="291 mm")
    assert "photo 1 has 3" in test.error[0].value
    desk = clicked(photos, samples)
    test = ask(open_desk(desk), face, thickness="14 mm")
    assert "Distance of their centres: type it with its unit" in test.error[0].value
    test = ask(open_desk(desk), face, thickness="14", distance="291 mm")
    assert "Thickness of the plate" in test.error[0].value and "no unit" in test.error[0].value
    test = ask(open_desk(desk), face, thickness="14 mm", distance="100 in")
    # the page may be in inch: 2000 mm alone said nothing to who had typed 100 in
    assert test.error[0].value.endswith(
        "2540 mm = 100 in is not between 5 mm = 0.197 in and 2000 mm = 78.7 in; is the unit right?"
    )
    assert not test.exception


def test_trace_of_other_sizes_than_stand_in_the_fields_says_so(
    shop, open_desk, samples: Path, monkeypatch
) -> None:
    face, photos = shop[3], shop[4]
    monkeypatch.setattr(trace_desk, "trace_plate", lambda *_, **__: true_trace(samples))
    test = ask(open_desk(clicked(photos, samples)), face, thickness="14 mm", distance="292.1 mm")
    said = "was not traced from what stands above"
    assert "Traced: the outline" in words(test) and said not in words(test)
    for key, slip in (("distance", "229.1 mm"), ("thickness", "12 mm"), ("break", "0.3 mm")):
        field = test.text_input(key=f"trace_{key}_{face.id}")
        right = field.value
        field.input(slip).run()
        assert said in words(test), key
        test.text_input(key=f"trace_{key}_{face.id}").input(right).run()
        assert said not in words(test), key
    test.text_input(key=f"trace_distance_{face.id}").input("229.1 mm").run()
    test.button(key=f"trace_go_{face.id}").click().run()
    assert said not in words(test)


def test_a_sheet_needs_no_clicks_and_its_printed_line_counts(
    shop, open_desk, samples: Path, monkeypatch
) -> None:
    face, photos = shop[3], shop[4]
    asked = []

    def perfect(given, known, **options):
        asked.append((given[0].clicks_px, known, options["sheet"], options["thickness_mm"]))
        return true_trace(samples)

    monkeypatch.setattr(trace_desk, "trace_plate", perfect)
    test = open_desk(Desk(photos=photos[:1]))
    test.radio(key=f"trace_sheet_{face.id}").set_value("bench").run()
    assert "3. The same holes" not in words(test)
    test = ask(test, face, ruler="99.5 mm", thickness="14 mm")
    assert not test.exception and not test.error, words(test)
    assert asked == [({}, None, SheetUse(on="bench", print_scale=0.995), 14.0)]


def test_focal_length_is_read_with_a_decimal_comma_and_one_that_cannot_be_is_not_passed_over(
    shop, open_desk, samples: Path, monkeypatch
) -> None:
    face, photos = shop[3], shop[4]
    asked = []

    def perfect(given, known, **options):
        asked.append(given[0].focal_px)
        return true_trace(samples)

    monkeypatch.setattr(trace_desk, "trace_plate", perfect)
    monkeypatch.setattr(trace_desk, "focal_in_px", lambda focal_35mm, size_wh: focal_35mm)
    test = open_desk(Desk(photos=photos[:1]))
    test.radio(key=f"trace_sheet_{face.id}").set_value("bench").run()
    test.text_input(key=f"trace_focal_{face.id}").input("26,5")
    test = ask(test, face, ruler="100 mm", thickness="14 mm")
    assert asked == [26.5], words(test)
    test.text_input(key=f"trace_focal_{face.id}").input("265 cm")
    test = ask(test, face, ruler="100 mm", thickness="14 mm")
    assert asked == [26.5]
    assert any("Focal length: correct it" in e.value for e in test.error)


def test_other_holes_in_the_second_photo_are_told(shop, open_desk, samples: Path) -> None:
    face, photos = shop[3], shop[4]
    desk = clicked(photos, samples)
    p = desk.places(photos[1])
    desk = desk.with_places(photos[1], {**p, "hole 1": p["hole 2"], "hole 2": p["hole 1"]})
    test = open_desk(desk)
    test.segmented_control(key=f"trace_which_{face.id}").set_value(photos[1]).run()
    assert any("first photo" in w.value for w in test.warning)
    test = ask(test, face, thickness="14 mm", distance="291 mm")
    assert test.error[0].value.startswith("photo 2: ")


def test_a_tracing_that_fails_says_why_and_what_helps(shop, open_desk, samples: Path, monkeypatch) -> None:
    face, photos = shop[3], shop[4]

    def refuse(*_a, **_k):
        raise MeasurementError("no metal stands out from the bench; use a bench of another colour")

    monkeypatch.setattr(trace_desk, "trace_plate", refuse)
    test = ask(open_desk(clicked(photos, samples)), face, thickness="14 mm", distance="290.5 mm")
    assert test.error[0].value.startswith("No metal stands out")
    assert "What usually helps" in words(test)


def test_from_trace_to_kept_drawing_and_another_photo(shop, open_desk, samples: Path, monkeypatch) -> None:
    book, _, plate, face, photos = shop
    trace = true_trace(samples)
    asked = []

    def perfect(given, known, **options):
        asked.append((len(given), known, options))
        return trace

    monkeypatch.setattr(trace_desk, "trace_plate", perfect)
    truth = load_numbers(
        Path(trace_desk.__file__).parents[2] / "drawing" / "plates" / f"{PLATE}.numbers.toml"
    ).trace
    camera, rng = trace.cameras[0], np.random.default_rng(4)
    on_track = truth.points(suggested_clicks(12)) + rng.normal(0, 0.2, (12, 2))
    desk = clicked(photos, samples)
    test = open_desk(desk)
    test = ask(test, face, thickness="0.5 in", distance="11.5 in")
    assert not test.exception and not test.error, words(test)
    (n_photos, known, options), *_ = asked
    assert n_photos == 2 and known == ("hole 1", "hole 2", pytest.approx(292.1))
    assert options == {
        "name": "T-31 A", "thickness_mm": pytest.approx(12.7), "edge_break_mm": 0.0, "sheet": None,
    }  # fmt: skip
    assert "Traced: the outline and 41 openings" in words(test)
    assert "A mark near x 1.0, y 2.0 mm was left out" in words(test)

    # Twelve clicks on the track, the land typed.
    slot = f"trace_desk_{face.id}"
    marks = tuple((photos[0].sha256, *map(float, camera.mm_to_px(xy))) for xy in on_track)
    test.session_state[slot] = replace(test.session_state[slot], track=marks)
    test.text_input(key=f"trace_offset_{face.id}").input("2 mm")
    test.text_input(key=f"trace_outer_{face.id}").input("6").run()
    # 6 mm would be 6 in once the units of the page are switched
    assert [e.value.split("; ")[0] for e in test.error] == ["Land ends: length '6': no unit"]
    test.text_input(key=f"trace_outer_{face.id}").input("6 mm").run()
    assert not test.exception and not test.error, words(test)
    assert "12 of 12 clicks" in words(test)
    for units in ("inch", "mm"):
        test.session_state["units"] = units
        test.run()
        typed = [test.text_input(key=f"trace_{what}_{face.id}").value for what in ("offset", "outer")]
        assert typed == ["2 mm", "6 mm"]

    save_drawing(book.as_person("Ben"), plate, face, load_shipped("heron40_intermediate_b"))
    test.button(key=f"trace_keep_{face.id}").click().run()
    assert [e.value.split(" on ")[0] for e in test.error] == ["another drawing was kept by Ben"]
    assert drawing_of(book, plate, face).name == "Heron 40 intermediate plate, face B"
    test.button(key=f"trace_keep_{face.id}").click().run()
    assert not test.exception and not test.error, words(test)
    kept = drawing_of(book, plate, face)
    assert set(kept.zones) == {"running_surface", "seal_land", "rim"}
    assert kept.trace.hausdorff_distance(load_shipped(PLATE).trace) < 0.5
    assert len(kept.openings) == 41
    assert "8. Try it on another photo" in words(test)
    assert len(asked) == 1


def test_photos_of_one_name_are_told_apart_and_each_can_be_chosen(empty_book: Casebook) -> None:
    """A phone calls every picture image.jpg: whichever of them was chosen, the first one was traced."""
    plate = empty_book.create_plate("T-32", job=empty_book.create_job("order 32"))
    face = empty_book.create_face(plate, "A")
    first, second = (
        trace_desk.keep_source(empty_book, plate, face, grey(level), "image.jpg") for level in (60, 160)
    )
    test = AppTest.from_function(_page, default_timeout=120)
    for key, value in {"place_read": True, "job_id": 1, "plate_id": plate.id, "face_id": face.id}.items():
        test.session_state[key] = value
    test.run()
    (used,) = [m for m in test.multiselect if m.label.startswith("Photos used")]
    assert used.options == ["image.jpg, number 1", "image.jpg, number 2"]
    used.set_value([second]).run()
    assert test.session_state[f"trace_desk_{face.id}"].photos == (second,)
    assert first != second


def test_names_typed_in_the_openings_table_outlive_a_change_of_units(
    shop, open_desk, samples: Path, monkeypatch
) -> None:
    from pitmap.review.screens import trace_result

    trace = true_trace(samples)
    monkeypatch.setattr(trace_desk, "trace_plate", lambda *_a, **_k: trace)
    real, shown = trace_result.st.data_editor, []

    def typed(table, *, key, **more):  # type: ignore[no-untyped-def]
        if not key.startswith("trace_table_"):
            return real(table, key=key, **more)
        shown.append(list(zip(table["name"], table["kind"]))[:2])
        if key.endswith("_mm") and len(shown) == 1:
            table = table.copy()
            table.loc[0, ["name", "kind"]] = ["my own hole", "drain"]
        return table

    monkeypatch.setattr(trace_result.st, "data_editor", typed)
    face, photos = shop[3], shop[4]
    test = ask(open_desk(clicked(photos, samples)), face, thickness="14 mm", distance="290.5 mm")
    assert not test.error, words(test)
    second = shown[0][1]
    test.session_state["units"] = "inch"
    test.run()
    assert not test.exception and not test.error, words(test)
    assert shown[-1] == [("my own hole", "drain"), second]
