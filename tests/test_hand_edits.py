"""A hand edit changes what it touches, and nothing else of a kept inspection."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from measure_fakes import ring_plate
from shapely import Point, box
from survey_fakes import inspection_of_pits, keep_survey

from pitmap.casebook import Casebook, Survey
from pitmap.classes import SurfaceClass
from pitmap.drawing import Band, Drawing
from pitmap.errors import EditConflict, InputError, MeasurementError
from pitmap.inspection import is_of_drawing, load_inspection, notes_in, save_inspection
from pitmap.report import RecordInput, build_document, record_html, record_zip
from pitmap.surface import dark_words
from pitmap.workflow import open_inspection

PITS = [(24.0, 0.0, 2.0), (-24.0, 0.0, 1.0), (0.0, 24.0, 1.5)]
"""On the land, which is 8 mm wide."""


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Casebook]:
    with Casebook(tmp_path / "book", who="Ada") as kept:
        yield kept


def paint_speck(book: Casebook, survey: Survey) -> None:
    """A stain of 0.5 mm on the rim, far from the land."""
    square = [[38.0, -28.0], [38.5, -28.0], [38.5, -27.5], [38.0, -27.5]]
    ref = book.inspections(survey)[-1]
    book.add_edit(
        ref, "polygon", class_code=int(SurfaceClass.STAIN), shape={"polygon_mm": square}, reason="test"
    )


def opened(book: Casebook, survey: Survey, drawing: Drawing):  # type: ignore[no-untyped-def]
    return open_inspection(book, survey, book.inspections(survey)[-1], drawing)


def wider(drawing: Drawing) -> Drawing:
    """The same plate with a land of 9 mm."""
    land = Point(0, 0).buffer(29, quad_segs=256).difference(drawing.trace)
    return replace(drawing, zones={**drawing.zones, "seal_land": land})


def test_intervals_and_narrow_places_stay_after_an_edit_elsewhere(book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS, doubt=0.1)
    before = opened(book, survey, drawing)
    row = before.zones.set_index(["zone", "class_word"]).loc[("seal_land", "pit")]
    # 5.69 mm2 of pit on 1206 mm2, and a tenth of the sound metal may be pit too: 0.0047 and 1.2 * 0.5 * 0.095,
    # log-normal, 0.0047 * exp(1.645 * sqrt(log(1 + (0.057 / 0.0047)**2)))
    assert (round(row.share, 4), round(row.share_high, 2)) == (0.0047, 0.19)
    assert len(before.lands) == 2
    paint_speck(book, survey)
    after = opened(book, survey, drawing)
    land = [i.zones[i.zones.zone == "seal_land"].reset_index(drop=True) for i in (before, after)]
    pd.testing.assert_frame_equal(land[0], land[1])
    pd.testing.assert_frame_equal(before.lands, after.lands)
    stain = after.zones.set_index(["zone", "class_word"]).loc[("rim", "stain")]
    assert stain.area_mm2 == pytest.approx(0.36)  # 6 by 6 pixels: those on an edge count


def test_edited_map_of_another_drawing_is_refused(book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    other = wider(drawing)
    assert is_of_drawing(opened(book, survey, other), drawing)
    assert not is_of_drawing(opened(book, survey, other), other)
    paint_speck(book, survey)
    with pytest.raises(
        MeasurementError,
        match="after the test lap, 2026-03-01: the drawing was changed since this photo was mapped: map it again; its hand",
    ):
        opened(book, survey, other)
    assert len(opened(book, survey, drawing).marks) == 4


def test_signed_map_of_another_drawing_says_where_to_map_it(book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    paint_speck(book, survey)
    book.sign_off(survey, "done")
    with pytest.raises(MeasurementError, match="map it again in a new revision of the signed survey"):
        opened(book, book.get(Survey, survey.id), wider(drawing))


def test_inspection_of_an_earlier_release_still_loads(tmp_path: Path) -> None:
    folder = save_inspection(inspection_of_pits(ring_plate(), PITS), tmp_path / "map")
    path = folder / "inspection.json"
    told = json.loads(path.read_text())
    for name in (
        "drawing_fingerprint",
        "drawing_thickness_mm",
        "alignment_error_mm",
        "zone_measures",
        "files",
    ):
        del told[name]
    path.write_text(json.dumps(told))
    old = load_inspection(folder)
    assert (old.drawing_fingerprint, old.measurement.zone_measures) == ("", ())
    assert math.isnan(old.drawing_thickness_mm)
    assert old.alignment_error_mm == pytest.approx(0.1)
    assert is_of_drawing(old, ring_plate())


@pytest.mark.parametrize(
    ("entry", "value"),
    [("marks", ["1"]), ("marks", [None]), ("zones", 3), ("lands", [-1.5]), ("alignment", {"regions": ["x"]})],
)
def test_damaged_inspection_is_named(tmp_path: Path, entry: str, value: object) -> None:
    """Rows that are no rows ended in a traceback."""
    folder = save_inspection(inspection_of_pits(ring_plate(), PITS), tmp_path / "map")
    path = folder / "inspection.json"
    told = json.loads(path.read_text())
    told[entry] = told[entry] | value if isinstance(value, dict) else value
    path.write_text(json.dumps(told))
    with pytest.raises(InputError, match=r"inspection\.json: .* is missing or damaged; map the photo again"):
        load_inspection(folder)


def test_entry_that_an_inspection_cannot_hold_names_the_file(tmp_path: Path) -> None:
    folder = save_inspection(inspection_of_pits(ring_plate(), PITS), tmp_path / "map")
    path = folder / "inspection.json"
    whole = json.loads(path.read_text())
    pit = dict(whole["marks"][1])
    del pit["class_word"]
    for entry, value, said in (
        ("marks", [whole["marks"][0], pit], "table marks: columns missing or not declared: class_word"),
        ("sound_width_mm", whole["sound_width_mm"] | {"low": 99.0}, "expected low <= value <= high"),
        ("stage", "washed", "stage: expected intake"),
    ):
        path.write_text(json.dumps(whole | {entry: value}))
        with pytest.raises(InputError, match=f"inspection.json: .*{said}.*; map the photo again"):
            load_inspection(folder)


def test_picture_of_another_size_is_named(tmp_path: Path) -> None:
    """Marks were drawn beside their places on it, and comparing two surveys ended in a traceback."""
    folder = save_inspection(inspection_of_pits(ring_plate(), PITS), tmp_path / "map")
    picture = cv2.imread(str(folder / "face.jpg"))
    cv2.imwrite(str(folder / "face.jpg"), picture[:-3])
    with pytest.raises(
        InputError, match=r"face\.jpg: is not the file that inspection\.json beside it was written"
    ):
        load_inspection(folder)
    # an inspection of an earlier release has no hash of it
    told = json.loads((folder / "inspection.json").read_text())
    del told["files"]
    (folder / "inspection.json").write_text(json.dumps(told))
    with pytest.raises(
        InputError, match=r"face\.jpg does not have the size in inspection\.json; map the photo again"
    ):
        load_inspection(folder)


def test_earlier_map_without_its_doubt_says_so_after_an_edit(book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    inspection = inspection_of_pits(drawing, PITS)
    bare = replace(inspection, measurement=replace(inspection.measurement, zone_measures=()))
    book.add_inspection(survey, save_inspection(bare, tmp_path / "old"))
    assert opened(book, survey, drawing).notes == ()
    paint_speck(book, survey)
    assert [n for n in opened(book, survey, drawing).notes if "too narrow: map it again" in n]


def test_dark_metal_that_a_hand_decided_is_no_longer_said_to_be_unseen(
    book: Casebook, tmp_path: Path
) -> None:
    """The note of the mapping alone stood there: "100 mm2 ... count as not seen", of which a hand had painted 36."""
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    inspection = inspection_of_pits(drawing, PITS)
    codes = inspection.class_map.codes.copy()
    x, y = np.meshgrid(*inspection.class_map.grid.centres_mm())
    codes[(abs(x - 37) < 5) & (abs(y) < 5)] = SurfaceClass.UNSEEN
    dark = replace(inspection.class_map, codes=codes, dark_mm2=100.0)
    book.add_inspection(
        survey,
        save_inspection(replace(inspection, class_map=dark, notes=(dark_words(100.0),)), tmp_path / "d"),
    )
    kept = opened(book, survey, drawing)
    assert (kept.class_map.dark_mm2, kept.notes) == (100.0, (dark_words(100.0),))
    # 6 x 6 mm of the field, told twice over, and as much of what was seen
    for x0 in (35.0, 35.0, 33.0):
        square = [[x0, -3.0], [x0 + 6, -3.0], [x0 + 6, 3.0], [x0, 3.0]]
        only = [int(SurfaceClass.SOUND if x0 == 33.0 else SurfaceClass.UNSEEN)]
        book.add_edit(
            book.inspections(survey)[-1], "polygon", class_code=int(SurfaceClass.STAIN),
            shape={"polygon_mm": square, "only": only}, reason="black rust",
        )  # fmt: skip
    first, second = opened(book, survey, drawing).notes
    assert first == dark_words(100.0)
    said = re.fullmatch(
        r"By hand, (\S+) mm2 that were not seen were given a class since: they count as what was said of them there\.",
        second,
    )
    # a pixel that an edge passes through is painted too: at most 6.1 mm of every side
    assert said and 36.0 <= float(said[1]) <= 6.1**2 + 0.05
    # 100 / 645.16 in2; the page asks in the units that its reader chose, whatever the map was made in
    in_inch = notes_in(opened(book, survey, drawing), "inch")
    assert in_inch[0].startswith("0.16 in2 are far darker than the metal about them")
    assert in_inch[1].startswith(f"By hand, {float(said[1]) / 645.16:.4f} in2 that were not seen")
    assert notes_in(opened(book, survey, drawing), "mm") == (first, second)
    paint_speck(book, survey)
    assert len(opened(book, survey, drawing).notes) == 2


def test_map_of_a_later_release_is_not_measured_again_without_its_settings(
    book: Casebook, tmp_path: Path
) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    inspection = inspection_of_pits(drawing, PITS)
    later = replace(inspection, settings={**inspection.settings, "polish": True})
    book.add_inspection(survey, save_inspection(later, tmp_path / "later"))
    assert len(opened(book, survey, drawing).marks) == 3
    paint_speck(book, survey)
    with pytest.raises(InputError, match="settings of the map: polish not known to this release"):
        opened(book, survey, drawing)


def test_saved_zone_measures_come_back(tmp_path: Path) -> None:
    inspection = inspection_of_pits(ring_plate(), PITS, doubt=0.1)
    again = load_inspection(save_inspection(inspection, tmp_path / "map"))
    assert [repr(m) for m in again.measurement.zone_measures] == [
        repr(m) for m in inspection.measurement.zone_measures
    ]


def test_fingerprint_tells_shapes_and_not_words() -> None:
    plate = ring_plate()
    assert plate.fingerprint() == ring_plate().fingerprint()
    assert plate.fingerprint() == replace(plate, name="other", thickness_mm=11.0).fingerprint()
    begun_elsewhere = box(-32, -32, 44, 32, ccw=False)
    assert plate.fingerprint() == replace(plate, outline=begun_elsewhere).fingerprint()
    assert plate.fingerprint() != wider(plate).fingerprint()
    moved = replace(plate, outline=box(-32, -32, 44.001, 32))
    assert plate.fingerprint() != moved.fingerprint()
    band = Band(
        name="side seal", polygon=Point(0, 0).buffer(15).difference(Point(0, 0).buffer(12)), seal_width_mm=1.2
    )
    with_band = replace(plate, bands=(band,))
    assert with_band.fingerprint() != plate.fingerprint()
    assert with_band.fingerprint() != replace(plate, bands=(replace(band, seal_width_mm=2.0),)).fingerprint()


def erase_pit(book: Casebook, survey: Survey) -> None:
    """The pit of 2 mm at (24, 0) is called sound, in a square of 4 mm around it; only what the map called pit."""
    square = [[22.0, -2.0], [26.0, -2.0], [26.0, 2.0], [22.0, 2.0]]
    shape = {"polygon_mm": square, "only": [int(SurfaceClass.PIT)]}
    book.add_edit(
        book.inspections(survey)[-1], "erase", class_code=int(SurfaceClass.SOUND), shape=shape,
        reason="=marker pen, no pit",
    )  # fmt: skip


def test_record_says_who_changed_what_on_the_map_and_why(book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    untouched = RecordInput(job={}, drawing=drawing, inspections=(opened(book, survey, drawing),))
    assert "by hand" not in record_html(untouched).lower()
    erase_pit(book, survey)
    one = RecordInput(job={}, drawing=drawing, inspections=(opened(book, survey, drawing),))
    assert "By hand: one correction of this map, by Ada; these figures hold it." in record_html(one)
    paint_speck(book, survey)
    inspection = opened(book, survey, drawing)
    first, second = inspection.edits
    assert (first.person, first.word_after, first.reason) == ("Ada", "sound", "=marker pen, no pit")
    assert first.made_at == book.edits(book.inspections(survey)[-1])[0].created_at
    # a disc of 2 mm, 3.14 mm2, in pixels of 0.01 mm2
    assert first.area_before_mm2 == {"pit": pytest.approx(3.14, abs=0.1)}
    assert (first.x_mm, first.y_mm) == pytest.approx((24.0, 0.0))
    assert second.area_before_mm2 == {"sound": pytest.approx(0.36)}
    record = RecordInput(job={}, drawing=drawing, inspections=(inspection,))
    sections = {s.key: s for s in build_document(record).sections}
    assert sections["found"].blocks[0].text.startswith("By hand: 2 corrections of this map, by Ada")
    table = sections["by_hand"].blocks[-1]
    assert [row[2:5] for row in table.rows] == [
        (f"pit {first.area_mm2:.1f} mm2", "sound", "x 24.0, y 0.0 mm"),
        ("sound 0.4 mm2", "stain", "x 38.2, y -27.8 mm"),
    ]
    assert {row[0] for row in table.rows} == {"Ada"} and table.rows[0][5] == "=marker pen, no pit"
    with zipfile.ZipFile(io.BytesIO(record_zip(record))) as archive:
        rows = list(csv.DictReader(io.StringIO(archive.read("tables/hand_edits.csv").decode())))
    assert [(r["person"], r["class_before"], r["class_after"]) for r in rows] == [
        ("Ada", "pit", "sound"),
        ("Ada", "sound", "stain"),
    ]
    assert rows[0]["reason"] == "'=marker pen, no pit"  # no text runs as a formula


def test_correction_of_another_correction_is_told_as_the_map_stood_then(
    book: Casebook, tmp_path: Path
) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    erase_pit(book, survey)
    shape = {"stroke_mm": [[24.0, 0.0]], "width_mm": 1.0}
    book.add_edit(
        book.inspections(survey)[-1], "brush", class_code=int(SurfaceClass.STAIN), shape=shape, reason="stain"
    )
    # a brush of 1 mm on metal that the first correction made sound: 0.785 mm2 and half a pixel of 0.1 mm all around
    assert opened(book, survey, drawing).edits[1].area_before_mm2 == {
        "sound": pytest.approx(0.785 + 0.157, abs=0.06)
    }


def test_record_tells_who_accepted_somebody_elses_draft(book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    seen = book.inspections(survey)[-1]
    paint_speck(book, survey)
    shape = {"stroke_mm": [[24.0, 0.0]], "width_mm": 1.0}
    with pytest.raises(EditConflict):
        book.as_person("Bob").add_edit(
            seen, "brush", class_code=int(SurfaceClass.STAIN), shape=shape, reason="stain"
        )
    pile = book.inspections(survey)[-1]
    (draft,) = book.edits(pile, states=("draft",))
    book.as_person("Cem").accept_draft_edit(pile, draft)

    def told() -> list[tuple[str, str]]:
        return [(e.person, e.accepted_by) for e in opened(book, survey, drawing).edits]

    assert told() == [("Ada", ""), ("Bob", "Cem")]
    record = RecordInput(job={}, drawing=drawing, inspections=(opened(book, survey, drawing),))
    table = {s.key: s for s in build_document(record).sections}["by_hand"].blocks[-1]
    assert [row[0] for row in table.rows] == ["Ada", "Bob, accepted by Cem"]
    book.sign_off(survey, "measured")
    assert book.check().ok
    survey = book.open_revision(survey, "one more look")
    assert told() == [("Ada", ""), ("Bob", "Cem")]


def test_hand_edits_are_saved_with_the_inspection(book: Casebook, tmp_path: Path) -> None:
    survey, _, drawing = keep_survey(book, tmp_path / "map", PITS)
    erase_pit(book, survey)
    inspection = opened(book, survey, drawing)
    assert load_inspection(save_inspection(inspection, tmp_path / "again")).edits == inspection.edits
