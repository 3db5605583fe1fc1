"""The record: HTML, PDF, exports, figures, words; on a made-up job of one face."""

import csv
import io
import json
import math
import re
import shutil
import subprocess
import time
import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest
import report_fakes as fakes
from shapely import Point

from pitmap.classes import CLASS_WORDS, Stage, SurfaceClass
from pitmap.cli.plan import print_plan
from pitmap.compare import ChangeCode, Fate, compare, forecast_from_plan
from pitmap.csv_rows import table_csv
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.flags import Flag
from pitmap.report import (
    CHANGE_STYLES,
    CLASS_STYLES,
    FATE_SYMBOLS,
    RecordInput,
    budget_bars,
    build_document,
    curve_chart,
    draw_bars,
    draw_lines,
    face_map,
    overlay_picture,
    record_html,
    record_json,
    record_pdf,
    record_tables,
    record_zip,
    series_chart,
    translator,
    verify_zip,
)
from pitmap.report.draw_plotly import plot_bars, plot_lines, plot_map, plot_side_by_side
from pitmap.report.figures import Bar, BarChart, Line, LineChart
from pitmap.report.found import stock_section
from pitmap.report.legend import change_entries, class_entries, lines_note, with_key
from pitmap.report.model import Facts, Paragraph, Picture, Section, Table
from pitmap.report.overlay import codes_on, numbered_marks, scale_bar, scale_bar_mm
from pitmap.report.page_compare import (
    cannot_tell_words,
    change_on_photo,
    change_with_key,
    maps_of,
    tracks_view,
)
from pitmap.report.page_map import MARKS_TRACE, page_map, rings_words
from pitmap.report.pdf import pdf_of
from pitmap.report.printable import printable
from pitmap.report.words import estimate_of, number, stage_word
from pitmap.workflow import all_readings


@pytest.fixture(scope="module")
def record():
    return fakes.make_record()


@pytest.fixture(scope="module")
def bare():
    return fakes.make_record(surveys=1, with_plan=False)


@pytest.fixture(scope="module")
def html(record):
    return record_html(record)


@pytest.fixture(scope="module")
def pdf(record):
    return record_pdf(record)


class Checker(HTMLParser):
    """Balanced tags, unique ids, described pictures, no address outside the page."""

    VOID = {"meta", "img", "br", "hr", "link", "input"}

    def __init__(self):
        super().__init__()
        self.stack, self.ids, self.links, self.problems, self.text, self.images = [], [], [], [], [], 0

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        if len(values) != len(attrs):
            self.problems.append(f"{tag}: attribute twice")
        if tag not in self.VOID:
            self.stack.append(tag)
        if "id" in values:
            self.ids.append(values["id"])
        if tag == "a":
            self.links.append(values["href"])
        if tag == "img":
            self.images += 1
            if not values.get("alt"):
                self.problems.append("img without alt")
            if not values["src"].startswith("data:image/"):
                self.problems.append(f"img from {values['src'][:40]}")
        if tag in ("script", "link", "iframe", "object", "form"):
            self.problems.append(f"{tag} in a record")

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.problems.append(f"unbalanced {tag}")

    def handle_data(self, data):
        self.text.append(data)


def checked(page):
    checker = Checker()
    checker.feed(page)
    checker.close()
    return checker


def test_html_is_well_formed_and_asks_nobody(html):
    c = checked(html)
    assert c.problems == [] and c.stack == []
    assert len(set(c.ids)) == len(c.ids)
    assert {f"#{i}" for i in c.ids} == set(c.links)
    assert html.startswith("<!DOCTYPE html>") and '<html lang="en">' in html
    outside = re.sub(r"data:image/\w+;base64,[A-Za-z0-9+/=]+", "", html)
    assert not re.search(r"https?:|//|url\(|@import|src=\"(?!data:|\")", outside.replace("<!DOCTYPE", ""))
    assert "default-src 'none'" in html
    assert c.images >= 6


def test_html_says_what_a_customer_asks(html):
    text = " ".join(checked(html).text)
    for words in (
        "2025-014",
        "Lap a further 34 um off this face.",
        "service manual of the engine maker, page 12 (as entered)",
        "not judged",
        "4.10 mm (3.80 to 4.30)",
        "30.0 um (27.8 to 32.2)",
        "not known: only 2 pits have a reading; take 4 more",
        "at least 18 um",
        "opened up by the lap",
        "deeper than 30 um",
        "Metal that was not seen is counted neither as sound nor as damaged.",
        "Lapping slurry and dry abrasive dust need eye and breathing protection.",
        "J. Example",
    ):
        assert words in text


def test_plate_and_job_tells_the_plate_from_its_drawing(record):
    told = build_document(replace(record, job={"plate": "no. 2 of 2"})).sections[0].blocks[0].rows
    assert told[:3] == (
        ("plate", "no. 2 of 2"),
        ("drawing", "Plate 13, front side plate"),
        ("face", "front face"),
    )


@pytest.mark.parametrize(
    ("drawing", "footer"),
    [
        ("Plate 13", "Plate 13, front face"),
        ("Plate 13, front face", "Plate 13, front face"),
        ("front face", "front face"),
    ],
)
def test_footer_names_the_face_once(record, drawing, footer):
    assert build_document(replace(record, drawing=replace(record.drawing, name=drawing))).footer == footer


def test_html_escapes_what_people_type(record):
    page = record_html(replace(record, job={"customer": "<b>A & B</b>"}, plan=None, comparison=None))
    assert "<b>A" not in page and "&lt;b&gt;A &amp; B&lt;/b&gt;" in page


def test_pdf_has_few_pages_fonts_inside_and_selectable_text(pdf):
    assert pdf.startswith(b"%PDF-")
    pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))
    assert 1 <= pages <= 4
    assert pdf.count(b"/FontFile2") == 2
    assert b"/ToUnicode" in pdf
    assert b"/URI" not in pdf and b"/JavaScript" not in pdf


def test_pdf_says_which_characters_its_font_lacks(record, caplog):
    named = replace(record, workshop="\u5de5\u623f M\u00fcller", plan=None, comparison=None)
    document = build_document(named)
    shown = printable(document)
    assert shown.subtitle == "\u25a1\u25a1 M\u00fcller"
    note = shown.sections[0].blocks[0]
    assert (note.kind, note.text) == (
        "warning",
        "Some characters cannot be set in this file and are shown as \u25a1; the web page of this record shows them.",
    )
    assert pdf_of(document).startswith(b"%PDF-")
    assert not [r for r in caplog.records if "glyph" in r.getMessage()]
    assert "\u5de5\u623f M\u00fcller" in record_html(named)
    plain = build_document(record)
    assert printable(plain) is plain


@pytest.mark.parametrize("name", ["\u05e9\u05dc\u05d5\u05dd", "\u0645\u0631\u062d\u0628\u0627"])
def test_pdf_never_turns_a_name_back_to_front(record, name):
    """The font has Hebrew and Arabic letters; set from left to right they spell another name."""
    named = replace(record, workshop=f"{name} M\u00fcller", plan=None, comparison=None)
    shown = printable(build_document(named))
    assert shown.subtitle == f"{chr(0x25A1) * len(name)} M\u00fcller"
    assert shown.sections[0].blocks[0].text.startswith("Some characters cannot be set in this file")
    assert name in record_html(named)


def test_pdf_sets_a_tab_in_a_note_as_a_space(record, caplog):
    document = build_document(replace(record, notes="port\tstud"))
    shown = printable(document)
    texts = [b.text for b in shown.sections[0].blocks if isinstance(b, Paragraph)]
    assert "port stud" in texts and not any("cannot be set" in text for text in texts)
    pdf_of(document)
    assert not [r for r in caplog.records if "glyph" in r.getMessage()]


def test_pdf_of_a_long_record_is_set_smaller_before_it_gets_a_fifth_page(record):
    from pitmap.report import ChecklistItem

    long = replace(
        record,
        checklist=tuple(ChecklistItem(text=f"check number {k}", state="done") for k in range(16)),
        readings=pd.concat([record.readings] * 5, ignore_index=True),
    )
    document = build_document(long)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf_of(document))) <= 4


def test_aims_are_called_alike_in_the_record_and_on_the_command_line(record, capsys):
    """They were three words for one thing: "land sound enough", "sound width", and on the page "sound width reached"."""
    known = Estimate(value=22.0, low=15.0, high=34.0)
    needed = [
        SimpleNamespace(zone="seal_land", aim=aim, stock_um=known, recommended_um=34.0, confidence=0.9)
        for aim in ("pits", "sound_width", "uncut")
    ]
    plan = SimpleNamespace(
        **{**vars(record.plan), "needed": needed, "steps": pd.DataFrame(), "read_next": pd.DataFrame()}
    )
    print_plan(plan, "mm")
    printed = capsys.readouterr().out
    section = stock_section(translator(), replace(record, plan=plan))
    rows = next(block.rows for block in section.blocks if getattr(block, "rows", None))
    assert [row[1] for row in rows] == ["last pit gone", "sound width reached", "cut all over"]
    assert all(row[1] in printed for row in rows)


@pytest.mark.parametrize("n_facts", [2, 6])
def test_pdf_keeps_names_and_values_together_at_the_foot_of_a_page(record, n_facts):
    """Name and date of the sign-off fell over three pages: each of the two began a page of its own."""
    document = build_document(record)
    facts = Facts(rows=tuple((f"name {k}", f"value {k}") for k in range(n_facts)))
    for n in range(45, 61):
        section = Section(
            key="x", title="X", blocks=(*[Paragraph(text=f"line {k}") for k in range(n)], facts)
        )
        pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf_of(replace(document, sections=(section,)))))
        assert pages <= 2, f"{n} lines and {n_facts} facts took {pages} pages"


def test_checklist_says_not_needed_in_its_own_words(record):
    from pitmap.report import ChecklistItem

    items = [ChecklistItem(text=s, state=s, note="no stud") for s in ("done", "not needed", "open")]
    document = build_document(replace(record, checklist=tuple(items)))
    table = next(s for s in document.sections if s.key == "checklist").blocks[0]
    words = [state.split(" ", 1)[1] for state, *_ in table.rows]
    assert words == ["done", "not needed", "open"]
    told = json.loads(record_json(replace(record, checklist=tuple(items))))["checklist"]
    assert told[1] == {"text": "not needed", "state": "not needed", "note": "no stud"}


def test_readings_show_the_deepest_pits_before_anything_else(record):
    pits = record.readings[record.readings.kind == "pit_depth"]
    heights = pd.concat([pits.head(1).assign(kind="height", value_um=900.0)] * 30)
    table = readings_shown(replace(record, readings=pd.concat([heights, pits], ignore_index=True)))
    kinds = list(table["reading"])
    assert kinds[: len(pits)] == ["pit depth"] * len(pits) and set(kinds[len(pits) :]) == {"height"}
    shown = [float(re.search(r"\d+", value)[0]) for value in table["value"][: len(pits)]]
    assert shown == sorted(shown, reverse=True)
    zones = ("running surface", "coolant-seal land", "rim", "outside the zones")
    assert all(mark.endswith(tuple(f"({z})" for z in zones)) for mark in table["mark"][: len(pits)])


def readings_shown(record) -> pd.DataFrame:
    section = next(s for s in build_document(record).sections if s.key == "depth")
    table = next(b for b in section.blocks if getattr(b, "head", ("",))[0] == "reading")
    return pd.DataFrame(table.rows, columns=list(table.head))


def test_depths_say_from_where_they_count_and_why_they_exceed_what_was_read(record):
    """On metal that lay 26 um low a needle reads 274 of a pit whose floor lies 300 under the highest metal."""
    page = record_html(record)
    assert "deepest pit, from the highest metal of the face as it came in" in page
    assert "where that lay low, the pit counts for more than was read" in page


def test_readings_say_at_which_survey_a_mark_had_its_number(record):
    """Marks are numbered anew in every survey: mark 3 of one is not mark 3 of the next."""
    pit = record.readings[record.readings.kind == "pit_depth"].head(1)
    both = [
        SimpleNamespace(stage=Stage(stage), readings=pit.assign(value_um=100.0 - k))
        for k, stage in enumerate(("intake", "lap_2"))
    ]
    table = readings_shown(replace(record, readings=all_readings(both)))
    assert {mark.split()[0] for mark in table["mark"]} == {str(pit.mark_id.iloc[0])}
    assert list(table["survey"]) == ["intake", "after lap 2"]
    assert set(readings_shown(replace(record, readings=pit))["survey"]) == {"\u2013"}


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")
def test_pdf_text_and_page_numbers(pdf, tmp_path):
    path = tmp_path / "record.pdf"
    path.write_bytes(pdf)
    text = subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = text.split("\f")[:-1]
    for k, page in enumerate(pages, 1):
        assert f"page {k} of {len(pages)}" in page
    for words in (
        "Inspection record: front face",
        "Lap a further 34 um",
        "Narrowest sound metal",
        "Cautions",
    ):
        assert words in text
    assert "\u2713 pass" in text and "\u25b2 watch" in text


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler's pdftoppm")
def test_pdf_pages_render_with_ink_in_grey(pdf, tmp_path):
    (tmp_path / "r.pdf").write_bytes(pdf)
    subprocess.run(["pdftoppm", "-gray", "-r", "40", "-png", tmp_path / "r.pdf", tmp_path / "p"], check=True)
    import cv2

    pages = sorted(tmp_path.glob("p-*.png"))
    assert pages
    for page in pages:
        grey = cv2.imread(str(page), cv2.IMREAD_GRAYSCALE)
        assert grey.shape[0] > grey.shape[1]
        assert 0.01 < (grey < 128).mean() < 0.5


def test_record_says_the_level_of_its_intervals(record, html):
    assert "Numbers in brackets are 90 % intervals:" in html
    assert "with their 90 % intervals." in html
    *first, last = record.inspections
    width = replace(last.measurement.sound_width_mm, level=0.95)
    measured = SimpleNamespace(**{**vars(last.measurement), "sound_width_mm": width})
    last = SimpleNamespace(**{**vars(last), "measurement": measured})
    page = record_html(replace(record, inspections=(*first, last)))
    assert "Numbers in brackets are 90 % / 95 % intervals:" in page
    assert "with their 95 % intervals." in page


def test_record_tells_pit_marks_of_the_map_from_pits_of_the_plan(record):
    blocks = next(s for s in build_document(record).sections if s.key == "found").blocks
    assert next(b for b in blocks if isinstance(b, Table)).head[-1] == "pit marks"
    assert any("count a pit once" in b.text for b in blocks if isinstance(b, Paragraph))


def test_record_tells_the_notes_of_the_shop_on_its_first_page(record, bare):
    told = replace(record, notes="ran hot\n\n<no> history before 2020")
    blocks = build_document(told).sections[0].blocks
    assert [b.text for b in blocks if isinstance(b, Paragraph)] == [
        "As received, by the shop's notes", "ran hot", "<no> history before 2020",
    ]  # fmt: skip
    assert json.loads(record_json(told))["notes"] == told.notes
    assert not [b for b in build_document(bare).sections[0].blocks if isinstance(b, Paragraph)]


def test_record_says_at_what_confidence_its_stock_is_enough(record):
    plan = SimpleNamespace(**{**vars(record.plan), "confidence": 0.995})
    sections = {s.key: s for s in build_document(replace(record, plan=plan)).sections}
    notes = [b.text for b in sections["verdict"].blocks if isinstance(b, Paragraph) and b.kind == "note"]
    assert notes == ["Stock that this record advises is enough with a chance of 99.5 %."]
    needed = next(b for b in sections["stock"].blocks if isinstance(b, Table))
    assert needed.head[3] == "enough at 99.5 %"


def test_bare_record_says_why_things_are_missing(bare):
    text = " ".join(checked(record_html(bare)).text)
    for words in (
        "No verdict: no stock plan was made for this face.",
        "Nothing to compare: the record holds one survey of the face.",
        "No readings were entered",
        "No budget: no stock plan was made",
        "No checklist was filled in",
        "Not released yet: nobody has signed this record.",
        "not lapped yet",
    ):
        assert words in text
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", record_pdf(bare))) <= 3


def test_record_without_pictures_lands_or_pits(bare):
    from types import SimpleNamespace

    i = bare.last
    m = i.measurement
    poor = SimpleNamespace(
        **{k: getattr(i, k) for k in vars(i) if k not in ("picture", "measurement", "surveyed_on")},
        picture=None,
        surveyed_on=None,
        measurement=SimpleNamespace(
            marks=m.marks.iloc[:0], zones=m.zones, lands=m.lands.iloc[:0], land_paths=(),
            sound_width_mm=Estimate.unknown("the drawing has no seal land"),
        ),
    )  # fmt: skip
    text = " ".join(checked(record_html(replace(bare, inspections=(poor,)))).text)
    assert "No picture: the surveys were kept without" in text
    assert "Not measured: the drawing has no coolant-seal land" in text
    assert "No pit was found on the metal that the photo shows." in text
    assert "date not given" in text


def test_record_in_inches(record):
    text = " ".join(checked(record_html(replace(record, units="inch"))).text)
    assert "1.181 thou" in text or "1.18 thou (1.09 to 1.27)" in text
    # no text of the record may mix units
    assert " mm (" not in text.split("How this was measured")[0].replace("um (", "")


def test_record_refuses_nothing_and_two_faces(record):
    from types import SimpleNamespace

    with pytest.raises(InputError, match="no inspection"):
        RecordInput(job={}, drawing=record.drawing, inspections=())
    other = SimpleNamespace(face="rear face")
    with pytest.raises(InputError, match="different faces: front face, rear face"):
        RecordInput(job={}, drawing=record.drawing, inspections=(record.last, other))
    with pytest.raises(InputError, match="units"):
        RecordInput(job={}, drawing=record.drawing, inspections=(record.last,), units="furlong")


def test_number_never_shows_more_digits_than_its_interval(record):
    t = translator()
    assert number(t, Estimate(value=31.234, low=27.1, high=35.9), "depth", "mm") == "31.2 um (27.1 to 35.9)"
    assert number(t, Estimate(value=310.234, low=201.0, high=400.0), "depth", "mm") == "310 um (201 to 400)"
    assert number(t, Estimate(value=12.0, low=10.0, high=14.0), "percent", "mm").startswith("12.0 %")
    assert number(t, Estimate(value=-0.0002, low=-0.04, high=0.03), "share", "mm") == "0.0 % (-4.0 to 3.0)"
    assert number(t, Estimate.unknown("no photo"), "length", "mm") == "not known: no photo"


def test_estimate_of_keeps_the_interval_or_says_why():
    assert estimate_of(1.0, 0.5, 2.0).covers(0.6)
    assert (
        estimate_of(float("nan"), float("nan"), float("nan"), reason="zone not seen").reason
        == "zone not seen"
    )
    assert not estimate_of(1.0, float("nan"), float("nan"), reason="a count").has_interval


def test_zip_holds_everything_and_finds_damage(record):
    data = record_zip(record, files={"photos/a.jpg": b"123"})
    assert verify_zip(data) == []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = set(archive.namelist())
        parts = {n: archive.read(n) for n in names}
    assert {"record.pdf", "record.html", "record.json", "SHA256SUMS", "files/photos/a.jpg"} <= names
    assert {"tables/marks.csv", "tables/fates.csv", "tables/series.csv", "tables/readings.csv"} <= names
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, part in parts.items():
            if name != "tables/zones.csv":
                archive.writestr(name, part + b"x" if name == "record.json" else part)
        archive.writestr("extra.txt", "?")
    assert verify_zip(out.getvalue()) == ["extra.txt", "record.json", "tables/zones.csv"]


def test_zip_of_the_same_record_is_the_same_file(record):
    """Its hash is all that somebody can compare years later; the second of its making is no part of the record."""
    first = record_zip(record)
    time.sleep(1.1)
    assert record_zip(record) == first


def test_json_is_strict_and_complete(record, bare):
    document = json.loads(record_json(record), parse_constant=lambda c: pytest.fail(f"{c} in JSON"))
    assert document["verdict"]["outcome"] == "lap"
    assert document["inspections"][2]["removed_um"]["value"] == 30.0
    assert document["tables"]["tracks"][0]["depth_high_um"] in (12.0, 30.0, "inf")
    assert len(document["tables"]["zones"]) == 45
    assert document["plan"]["needed"][0] == {
        "zone": "seal_land",
        "aim": "pits",
        "stock_um": {"value": 22.0, "low": 15.0, "high": 34.0, "level": 0.9, "reason": ""},
        "recommended_um": 34.0,
    }
    case = document["plan"]["budget"][1]
    assert (case["name"], case["now"]["low"], case["after"]["high"]) == ("case_left", 150, 170)
    assert (case["limit"], case["is_minimum"], case["source"]) == (150.0, True, "own rule")
    assert not {"verdict", "plan"} & set(json.loads(record_json(bare)))


def test_csv_reads_back_as_it_was(record):
    table = record_tables(record)["fates"]
    back = pd.read_csv(io.StringIO(table_csv(table)), float_precision="round_trip")
    assert back["x_mm"].tolist() == table["x_mm"].tolist()
    assert back["fate"].tolist() == table["fate"].tolist()


def test_zip_holds_no_text_that_a_spreadsheet_would_run(record):
    readings = record.readings.assign(instrument='=HYPERLINK("http://x.example")', note="@SUM(1+1)")
    with zipfile.ZipFile(io.BytesIO(record_zip(replace(record, readings=readings)))) as archive:
        rows = list(csv.DictReader(io.StringIO(archive.read("tables/readings.csv").decode())))
        kept = json.loads(archive.read("record.json"))["tables"]["readings"]
    assert {(r["instrument"], r["note"]) for r in rows} == {
        ('\'=HYPERLINK("http://x.example")', "'@SUM(1+1)")
    }
    assert {(r["instrument"], r["note"]) for r in kept} == {('=HYPERLINK("http://x.example")', "@SUM(1+1)")}


def test_overlay_draws_on_the_face_and_leaves_the_photo_alone(record):
    i = record.last
    before = i.picture.copy()
    out = overlay_picture(i.picture, i.class_map, record.drawing, i.measurement)
    out = out[: len(before)]  # under it stands the scale bar
    assert out.shape == i.picture.shape and out.dtype == np.uint8
    assert (i.picture == before).all()
    pit = i.class_map.codes == SurfaceClass.PIT
    assert (out[pit] != before[pit]).any(axis=1).mean() > 0.9
    with pytest.raises(InputError, match="does not cover"):
        overlay_picture(i.picture[:-40], i.class_map, record.drawing, i.measurement)
    with pytest.raises(InputError, match="rows, columns, 3"):
        overlay_picture(i.picture[..., 0], i.class_map, record.drawing, None)


def test_scale_bar_covers_nothing_of_a_plate_that_fills_the_picture(record):
    """All of the picture is one grey, sound, with no zone to draw: whatever else is on it hides metal."""
    grid = record.last.class_map.grid
    sound = SimpleNamespace(codes=np.ones(grid.shape, np.uint8), grid=grid)
    grey = np.full((*grid.shape, 3), 172, np.uint8)
    out = overlay_picture(grey, sound, SimpleNamespace(zones={}), None)
    assert (out[: len(grey)] == grey).all()
    strip = out[len(grey) :]
    assert (strip == 0).all(axis=2).any() and (
        strip[:, [0, -1]] == 255
    ).all()  # the bar is there, and wholly inside


def test_seal_land_is_yellow_all_along_its_edges(record):
    """It shares them with the rim and the running surface, which have lines of their own."""
    i = record.last
    plain = SimpleNamespace(codes=np.ones_like(i.class_map.codes), grid=i.class_map.grid)
    grey = np.full((*i.class_map.grid.shape, 3), 172, np.uint8)
    out = overlay_picture(grey, plain, record.drawing, None).astype(int)
    is_yellow = (out[..., 0] > 180) & (out[..., 2] < 90)
    for radii in ((92, 62), (100, 70)):  # its edges are ellipses around the middle of the plate
        angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        edge = np.column_stack([radii[0] * np.cos(angle), radii[1] * np.sin(angle)])
        on_metal = [record.drawing.face().buffer(-1).covers(Point(p)) for p in edge]
        columns, rows = np.round(i.class_map.grid.mm_to_px(edge[on_metal])).astype(int).T
        near = [is_yellow[r - 2 : r + 3, c - 2 : c + 3].any() for r, c in zip(rows, columns)]
        assert np.mean(near) == 1.0


def test_overlay_of_another_scale(record):
    i = record.last
    small = np.ascontiguousarray(i.picture[::2, ::2])
    out = overlay_picture(small, i.class_map, record.drawing, None)
    assert (out[: len(small)] != small).any() and out.shape[1:] == small.shape[1:]


def test_key_names_what_is_on_the_picture_and_no_more():
    t, picture = translator(), np.zeros((40, 900, 3), np.uint8)
    pit_and_sound = np.array([[SurfaceClass.PIT, SurfaceClass.SOUND]], np.uint8)
    assert [word for _, word in class_entries(t, np.unique(pit_and_sound))] == ["pit"]
    pit, note = class_entries(t, np.unique(pit_and_sound)), lines_note(t, fakes.make_drawing())
    both, sound = (with_key(picture, entries, note) for entries in (pit, []))
    assert both.shape[0] > sound.shape[0] > 40 and both.shape[1] == sound.shape[1] == 900
    assert (sound[:40] == picture).all()
    # a narrow picture has its note in more lines, none of them cut off
    narrow = with_key(picture[:, :300], [], note)
    assert narrow.shape[0] > sound.shape[0]
    assert (narrow[40:, -2:] == 255).all()


def test_change_picture_has_the_key_of_what_changed_under_it(record):
    pair, (before, after) = record.comparison.pairs[0], record.inspections[:2]
    painted, keyed = change_on_photo(pair, after), change_with_key(pair, before, after)
    assert keyed.shape[1] == painted.shape[1] and (keyed[: len(painted)] == painted).all()
    strip = keyed[len(painted) :]
    words = [word for _, word in change_entries(translator(), np.unique(pair.change_codes))]
    assert {"still there", "cleared"} <= set(words)
    # the colours of its swatches, laid over metal grey as on the face
    for style, _ in change_entries(translator(), np.unique(pair.change_codes)):
        veil = (0.55 * 185 + 0.45 * np.array(style.rgb)).astype(np.uint8)
        assert (strip == veil).all(axis=-1).any()


def test_numbered_marks_are_the_largest_of_the_working_zones():
    marks = pd.DataFrame(
        {
            "mark_id": [1, 2, 3, 4],
            "class_code": [2, 2, 2, 3],
            "zone": ["rim", "seal_land", "running_surface", "seal_land"],
            "area_mm2": [9.0, 1.0, 2.0, 20.0],
        }
    )
    assert numbered_marks(marks, 2)["mark_id"].tolist() == [3, 2]
    assert numbered_marks(marks)["mark_id"].tolist() == [3, 2, 1]


@pytest.mark.parametrize(("width", "bar"), [(250, 50), (140, 20), (39, 5), (3, 1)])
def test_scale_bar_is_round_and_under_a_quarter(width, bar):
    assert scale_bar_mm(width) == bar


@pytest.mark.parametrize(
    ("width", "bar", "label"),
    [(250, 50.8, "2 in"), (140, 25.4, "1 in"), (39, 5.08, "0.2 in"), (3, 1.27, "0.05 in")],
)
def test_scale_bar_in_inches_is_round_in_inches(width, bar, label):
    assert scale_bar(width, "inch") == (pytest.approx(bar), label)


def test_scale_bar_of_the_overlay_is_in_the_chosen_units(record):
    i = record.last
    lengths = []
    for units in ("mm", "inch"):
        out = overlay_picture(i.picture, i.class_map, record.drawing, None, units=units)
        size = max(11, round(out.shape[1] / 75))
        foot = out[out.shape[0] - size, size:]  # the row of the bar, from its left end
        lengths.append(int(np.argmax((foot > 0).any(axis=-1))) / i.picture_grid.px_per_mm)
    # a plate of 254 mm: 50 mm and 2 in, to a pixel
    assert lengths == pytest.approx([50.0, 50.8], abs=0.3)


def test_palette_covers_every_class_and_tells_them_apart_without_colour():
    damage = [c for c in CLASS_WORDS if c not in (SurfaceClass.OUTSIDE, SurfaceClass.SOUND)]
    assert set(CLASS_STYLES) == set(damage)
    assert len({s.pattern for s in CLASS_STYLES.values()}) == len(damage)
    assert len({s.pattern for s in CHANGE_STYLES.values()}) == len(CHANGE_STYLES)
    assert set(CHANGE_STYLES) == set(ChangeCode) - {ChangeCode.OUTSIDE, ChangeCode.UNTOUCHED}
    assert set(FATE_SYMBOLS) == {str(f) for f in Fate}
    assert len(set(FATE_SYMBOLS.values())) == len(FATE_SYMBOLS)


def _simulated(rgb, kind):
    # Machado, Oliveira and Fernandes, IEEE TVCG 15 (2009) 1291-1298, full deficiency; on linear sRGB (from memory).
    matrix = {
        "deutan": [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
        "protan": [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
    }[kind]
    c = np.asarray(rgb) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return np.clip(np.array(matrix) @ linear, 0, 1)


def _apart(colours, kind):
    """Differences (CIEDE2000) between every two colours as somebody with a deficiency sees them."""
    from skimage.color import deltaE_ciede2000, xyz2lab

    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    lab = [xyz2lab((to_xyz @ _simulated(rgb, kind))[None, None])[0, 0] for rgb in colours]
    return [float(deltaE_ciede2000(a, b)) for k, a in enumerate(lab) for b in lab[:k]]


@pytest.mark.parametrize("styles", [CLASS_STYLES, CHANGE_STYLES], ids=["classes", "changes"])
@pytest.mark.parametrize("kind", ["deutan", "protan"])
def test_palette_colours_stay_apart_with_a_colour_vision_deficiency(kind, styles):
    # A difference of 10 is seen at a glance side by side; the patterns carry the rest.
    assert min(_apart([s.rgb for s in styles.values()], kind)) > 10


@pytest.mark.parametrize("kind", ["deutan", "protan"])
def test_damage_that_came_up_is_told_from_a_dark_hole_and_from_bare_metal(kind):
    """Black dots on the dark floor of a pit were the photo itself."""
    for metal in ((30, 30, 30), (185, 185, 185)):
        assert _apart([CHANGE_STYLES[ChangeCode.CAME].rgb, metal], kind)[0] > 20


def test_lines_of_a_plate_without_a_land_are_not_said_to_show_one():
    drawing = fakes.make_drawing()
    assert "yellow: the coolant-seal land" in lines_note(translator(), drawing)
    bare = replace(drawing, zones={k: v for k, v in drawing.zones.items() if k != "seal_land"})
    said = lines_note(translator(), bare)
    assert said.startswith("Lines are the zones of the drawing. Numbers are") and "land" not in said


def test_figures_are_drawn_from_one_set_of_data(record):
    t = translator()
    chart = series_chart(t, record.comparison, "affected_share", forecast=forecast_from_plan(record.plan))
    assert [line.label for line in chart.lines] == ["rim", "running surface", "coolant-seal land"]
    land = chart.lines[2]
    assert land.x.tolist() == [0.0, 12.0, 30.0]
    drawn = draw_lines(chart).axes[0].get_lines()
    shown = next(x for x in drawn if x.get_label() == "coolant-seal land")
    page = next(x for x in plot_lines(chart).data if x.name == "coolant-seal land")
    assert shown.get_ydata().tolist() == list(page.y) == land.y.tolist()
    inches = series_chart(t, record.comparison, "affected_share", "inch")
    assert inches.lines[2].x.tolist() == pytest.approx([0.0, 0.4724, 1.1811], abs=1e-4)
    pits = curve_chart(t, record.plan.curves, "pits")
    assert len(pits.lines) == 2 and pits.lines[0].low[0] == pytest.approx(18.0)


def test_series_chart_draws_the_forecast_beside_what_was_found(record):
    chart = series_chart(translator(), record.comparison, "n_pits", forecast=forecast_from_plan(record.plan))
    assert "coolant-seal land, forecast" in [line.label for line in chart.lines]


def test_band_of_a_curve_is_an_area_without_dots(record):
    band, curve = plot_lines(series_chart(translator(), record.comparison, "affected_share")).data[:2]
    assert (band.fill, band.mode, curve.mode) == ("toself", "lines", "lines+markers")


def test_why_fates_cannot_be_told_is_counted():
    fates = pd.DataFrame({
        "fate": ["cannot_tell", "cannot_tell", "gone", "cannot_tell", "cannot_tell"],
        "class_word": ["pit", "pit", "pit", "stain", "pit"],
        "why": ["under 0.8 mm", "the later survey is not sure of this mark", "sound", "x", "under 0.8 mm"],
    })  # fmt: skip
    said = "Cannot tell, 3 pits: under 0.8 mm (2); the later survey is not sure of this mark (1)."
    assert cannot_tell_words(fates) == said
    assert cannot_tell_words(fates, "stain") == "Cannot tell, 1 stain: x (1)."
    assert cannot_tell_words(fates[fates.fate == "gone"]) == ""


def test_followed_marks_are_worded(record):
    view = tracks_view(record.comparison.tracks, "inch")
    assert not any("_" in name for name in view.columns)
    assert set(view["what"]) <= {"pit", "uncut"}
    assert view["across"].str.endswith(" in").all()


def test_budget_bars_leave_out_what_has_no_limit(record):
    chart = budget_bars(translator(), record.plan)
    assert [(b.label, b.limit) for b in chart.bars] == [
        ("stock taken off this face", 100.0),
        ("hardened case left", 150.0),
    ]
    assert budget_bars(translator(), record.plan, "inch").bars[0].limit == pytest.approx(3.937, abs=1e-3)
    assert len(draw_bars(chart).axes) == 2
    assert sum(1 for trace in plot_bars(chart).data if trace.type == "bar") == 2


def test_stock_through_the_case_is_no_case_left(record):
    total, case, thickness = record.plan.budget
    through = SimpleNamespace(**{**vars(case), "after": Estimate(value=-32, low=-39, high=-25)})
    plan = SimpleNamespace(**{**vars(record.plan), "budget": (total, through, thickness)})
    tables = [b for b in section_of(replace(record, plan=plan), "stock").blocks if isinstance(b, Table)]
    row = next(r for b in tables for r in b.rows if r[0] == "hardened case left")
    assert row[1:3] == (
        "170 um (150 to 190)",
        "none: the stock goes through the case by 32.0 um (25.0 to 39.0)",
    )


def test_bars_show_values_below_nothing_and_close_to_their_limit():
    below = Bar(
        label="case", unit="um", now=252, after=-24, after_low=-31, after_high=-17, limit=150, is_minimum=True
    )
    close = replace(below, now=11.95, after=11.87, after_low=11.86, after_high=math.inf, limit=11.85)
    first, second = draw_bars(BarChart(title="", bars=(below, close))).axes
    (bar,) = first.patches
    assert (bar.get_x(), bar.get_width()) == (0.0, -24.0)
    assert first.get_xlim()[0] < -31
    assert second.get_xlim()[0] == pytest.approx(11.81)


def test_face_maps_for_record_and_page(record):
    t, i = translator(), record.last
    chart = face_map(t, i, record.drawing, i.picture, i.picture_grid)
    assert chart.extent_mm == (-127.0, 127.0, -87.0, 87.0)
    figure = plot_map(chart)
    assert "50 mm" in [word.strip() for trace in figure.data if trace.text is not None for word in trace.text]
    photo = figure.layout.images[0]
    assert (photo.x, photo.y, photo.sizex, photo.sizey) == (-127.0, 87.0, 254.0, 174.0)
    in_inches = face_map(t, i, record.drawing, i.picture, i.picture_grid, units="inch")
    assert (in_inches.bar_mm, in_inches.bar_word) == (pytest.approx(50.8), "2 in")
    assert {word.split(", ")[-1].split()[-1] for word in in_inches.marks["hover"]} == {"in"}
    both = plot_side_by_side(face_map(t, record.first, record.drawing, i.picture, i.picture_grid), chart)
    assert [(i.xref, i.yref) for i in both.layout.images] == [("x", "y"), ("x2", "y2")]
    assert both.layout.xaxis2.matches == "x" and both.layout.yaxis2.matches == "y"
    below = plot_side_by_side(chart, chart, is_stacked=True)
    assert below.layout.yaxis.domain[0] > below.layout.yaxis2.domain[1]
    assert below.layout.xaxis.domain == below.layout.xaxis2.domain == (0.0, 1.0)
    with pytest.raises(InputError, match="does not fit its grid"):
        face_map(t, i, record.drawing, i.picture[:-1], i.picture_grid)


def test_scale_bar_of_the_charts_covers_nothing_of_a_plate_that_fills_the_picture(record):
    t, i = translator(), record.last
    for units, word in (("mm", "50 mm"), ("inch", "2 in")):
        chart = face_map(t, i, record.drawing, i.picture, i.picture_grid, units=units)
        left, right, bottom, _ = chart.extent_mm
        for figure in (plot_map(chart), plot_side_by_side(chart, chart)):
            bars = [trace for trace in figure.data if trace.text is not None and f" {word}" in trace.text]
            assert len(bars) == len(figure.layout.images)
            for bar in bars:
                assert max(bar.y) < bottom and left < min(bar.x) and max(bar.x) < right
            assert all(axis.range[0] < min(bars[0].y) for axis in figure.select_yaxes() if axis.range)


def test_marks_without_a_ring_are_told_and_the_chosen_one_has_one(record, monkeypatch):
    i, pit = SimpleNamespace(**vars(record.last), marks=record.last.measurement.marks), (SurfaceClass.PIT,)
    n_pits = int((i.marks.class_code == SurfaceClass.PIT).sum())
    assert n_pits > 2 and rings_words(i, pit) == ""
    monkeypatch.setattr("pitmap.report.page_map._MOST_MARKS", 2)
    assert rings_words(i, pit) == (
        f"Rings stand on the 2 largest of {n_pits} marks; the table of the Map page lists all of them."
    )
    smallest = int(i.marks.nsmallest(1, "area_mm2").mark_id.iloc[0])
    largest = i.marks[i.marks.class_code == SurfaceClass.PIT].nlargest(2, "area_mm2").mark_id.tolist()
    figure = page_map(i, record.drawing, shown=pit, strength=0.0, selected=smallest)
    (rings,) = [trace for trace in figure.data if trace.name == MARKS_TRACE]
    assert set(rings.customdata) == {smallest, *largest}


def test_a_single_point_of_a_series_has_its_interval(record):
    one = Line(
        label="rim", x=np.array([22.0]), y=np.array([30.0]), low=np.array([22.0]), high=np.array([43.0]),
        colour="#0072b2", marker="o", dash="-",
    )  # fmt: skip
    (point,) = [
        t for t in plot_lines(LineChart(title="", x_label="", y_label="", lines=(one,))).data if t.name
    ]
    assert (point.error_y.array[0], point.error_y.arrayminus[0]) == (13.0, 8.0)
    two = replace(one, **{c: np.array([1.0, 2.0]) for c in ("x", "y", "low", "high")})
    (line,) = [
        t for t in plot_lines(LineChart(title="", x_label="", y_label="", lines=(two,))).data if t.name
    ]
    assert line.error_y.array is None


def test_the_white_line_has_a_key(record):
    t, i = translator(), record.last
    keyed = [trace.name for trace in plot_map(face_map(t, i, record.drawing, i.picture, i.picture_grid)).data
             if trace.showlegend]  # fmt: skip
    assert keyed == ["narrowest sound metal"]
    i.measurement.lands["is_leak_path"] = [True, False]
    try:
        assert face_map(t, i, record.drawing, i.picture, i.picture_grid).path_word == "leak path"
    finally:
        i.measurement.lands["is_leak_path"] = False


def test_document_blocks_are_ready_text(record):
    document = build_document(record)
    keys = [s.key for s in document.sections]
    assert keys[:3] == ["face", "verdict", "pictures"] and keys[-2:] == ["cautions", "sources"]
    for section in document.sections:
        assert section.blocks
        for block in section.blocks:
            if isinstance(block, Paragraph):
                assert "{" not in block.text and "nan" not in block.text.lower().split()
            if isinstance(block, Table):
                assert all("nan" not in cell for row in block.rows for cell in row)
            if isinstance(block, Picture):
                assert block.size_px[0] > 0 and block.alt
    with pytest.raises(InputError, match="another length"):
        Table(head=("a", "b"), rows=(("1",),), widths=(0.5, 0.5))


def test_stage_words():
    t = translator()
    assert [stage_word(t, s) for s in ("intake", "test_lap", "lap_2", "final")] == [
        "intake",
        "light test lap",
        "after lap 2",
        "final",
    ]


def test_maps_side_by_side_carry_classes_and_nothing_else(record):
    """Lines, numbers and the scale bar are drawn over them by the plot: painted in as well, they stood there twice."""
    before, after = record.inspections[:2]
    for i, drawn in zip((before, after), maps_of(translator(), before, after, record.drawing), strict=True):
        codes = codes_on(i.class_map.codes, i.class_map.grid, i.picture_grid)
        plain = ~np.isin(codes, [int(c) for c in CLASS_STYLES])
        touched = cv2.dilate((~plain).astype(np.uint8), np.ones((9, 9))) > 0
        assert not touched.all()
        assert np.array_equal(drawn.picture[~touched], i.picture[~touched])
        assert not np.array_equal(drawn.picture, i.picture)


def section_of(record, key):
    return next(s for s in build_document(record).sections if s.key == key)


def with_measurement(record, **tables):
    """The record with other tables of its last survey."""
    last = record.last
    changed = SimpleNamespace(
        **{**vars(last), "measurement": SimpleNamespace(**{**vars(last.measurement), **tables})}
    )
    return replace(record, inspections=(*record.inspections[:-1], changed))


def test_largest_pits_never_pass_for_pits_of_the_working_zones(record):
    marks = record.last.measurement.marks
    leads = [b.text for b in section_of(record, "found").blocks if getattr(b, "kind", "") == "lead"]
    assert leads == ["Largest pits of the working zones"]
    few = pd.concat(
        [marks[marks.zone == "seal_land"].head(2), marks[marks.zone != "seal_land"].assign(zone="rim")]
    )
    found = section_of(with_measurement(record, marks=few), "found").blocks
    assert [b.text for b in found if getattr(b, "kind", "") == "lead"] == [
        "Largest pits, those of the working zones first"
    ]
    assert [row[1] for row in found[-1].rows] == ["coolant-seal land"] * 2 + ["rim"] * 4


def test_narrowest_place_beside_metal_not_seen_says_so(record):
    lands = record.last.measurement.lands
    told = section_of(
        with_measurement(
            record,
            lands=lands.assign(
                is_leak_path=[True, False],
                flags=[int(Flag.CROSSES_LAND | Flag.TOUCHES_UNSEEN), int(Flag.TOUCHES_UNSEEN)],
            ),
        ),
        "narrowest",
    )
    unseen = "runs into metal not seen: there may be more"
    assert [row[-1] for row in told.blocks[0].rows] == [f"no sound metal left across; {unseen}", unseen]


def test_the_place_where_least_may_be_left_is_in_the_table(record):
    """The narrowest by what is seen come first; the low end of the verdict's width must have its place too."""
    one = record.last.measurement.lands.iloc[[0]]
    low, value = (3.0, 3.2, 3.4, 3.6, 0.4), (3.3, 3.5, 3.7, 3.9, 5.8)
    lands = one.loc[one.index.repeat(5)].reset_index(drop=True)
    lands = lands.assign(
        place=range(1, 6), sound_width_mm=value, sound_width_low_mm=low, sound_width_high_mm=6.0
    )
    rows = section_of(with_measurement(record, lands=lands), "narrowest").blocks[0].rows
    assert [row[0] for row in rows] == ["1", "2", "3", "5"]


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "0.0 %"), (0.0004, "under 0.1 %"), (0.0312, "3.1 %"), (0.9996, "over 99.9 %"), (1.0, "100.0 %")],
)
def test_little_that_was_not_seen_is_never_none(record, share, said):
    zones = record.last.measurement.zones.assign(unseen_share=share)
    assert {row[1] for row in section_of(with_measurement(record, zones=zones), "unseen").blocks[0].rows} == {
        said
    }


def test_reading_names_the_zone_of_its_mark_and_not_of_the_needle(record):
    """A needle that stood beside the border of its mark's zone: one mark is not in two zones of one record."""
    land = record.first.measurement.marks.query("zone == 'seal_land'").iloc[0]
    pit = record.readings.head(1).assign(mark_id=land.mark_id, x_mm=0.0, y_mm=40.0)
    assert record.drawing.zones["running_surface"].covers(Point(0, 40))
    shown = readings_shown(replace(record, readings=pit.assign(stage="intake")))
    assert shown["mark"].tolist() == [f"{land.mark_id} (coolant-seal land)"]
    # without its survey only the place is known
    assert readings_shown(replace(record, readings=pit))["mark"].tolist() == [
        f"{land.mark_id} (running surface)"
    ]


def test_lap_series_says_what_cannot_be_told_at_intake(record):
    """The share of an intake has no metal in it that the lap did not reach: it may rise without more damage."""
    said = "Metal that the lap has not reached cannot be told at intake: it is in no figure of that survey, and counts in"
    texts = [b.text for b in section_of(record, "series").blocks if isinstance(b, Paragraph)]
    assert any(text.startswith(said) for text in texts)
    lapped = replace(
        record, inspections=record.inspections[1:], comparison=compare(record.inspections[1:], record.drawing)
    )
    assert not any(getattr(b, "text", "").startswith(said) for b in section_of(lapped, "series").blocks)


def test_change_says_of_which_share_a_note_speaks(record):
    texts = [b.text for b in section_of(record, "change").blocks if isinstance(b, Paragraph)]
    assert "Affected share: without uncut metal, which cannot be told at intake." in texts


def test_metal_that_was_seen_is_not_called_unseen_in_the_change_map():
    """Uncut metal beside an intake: both photos show it, and still nobody can tell whether it changed."""
    assert CHANGE_STYLES[ChangeCode.UNSEEN].word == "cannot be told"


def test_key_of_a_chart_covers_no_point(record):
    figure = draw_lines(series_chart(translator(), record.comparison, "affected_share"))
    (ax,) = figure.axes
    figure.canvas.draw()
    key, axes = ax.get_legend().get_window_extent(), ax.get_window_extent()
    assert len(ax.get_legend().get_texts()) == 3
    assert key.y0 >= axes.y1 - 1 and key.y1 <= figure.bbox.y1 and key.x0 >= 0 and key.x1 <= figure.bbox.x1


@pytest.mark.parametrize(
    "lacking",
    [
        "how much must come off is not known",
        "the stock taken off at earlier rebuilds was not entered (0 for none)",
    ],
)
def test_budget_of_which_nothing_can_be_said_shows_no_figure_after_the_plan(record, lacking):
    """52 um of 100 um allowed would be those of no work at all, in blue beside a rule that says "not judged"."""
    total, *others = record.plan.budget
    best = SimpleNamespace(**{**vars(total), "lacking": lacking})
    plan = SimpleNamespace(**{**vars(record.plan), "budget": (best, *others)})
    head, *_ = record.plan.verdict.findings
    plan.verdict = SimpleNamespace(
        **{**vars(plan.verdict), "findings": (SimpleNamespace(**{**vars(head), "status": "not judged"}),)}
    )

    def row():
        tables = [b for b in section_of(replace(record, plan=plan), "stock").blocks if isinstance(b, Table)]
        return next(r for b in tables for r in b.rows if r[0] == "stock taken off this face")

    assert row()[1:3] == ("30.0 um (27.0 to 33.0)", f"not known: {lacking}")
    assert [bar.label for bar in budget_bars(translator(), plan).bars] == ["hardened case left"]
    # what breaks the limit even at its best is known to break it
    plan.verdict.findings[0].status = "stop"
    assert row()[2] == "52.0 um (44.0 to 60.0)"
    assert len(budget_bars(translator(), plan).bars) == 2


def test_record_that_advises_no_stock_says_no_chance_of_it(record):
    unknown = SimpleNamespace(
        zone="seal_land",
        aim="pits",
        stock_um=Estimate.unknown("not seen"),
        recommended_um=math.nan,
        confidence=0.9,
    )
    plan = SimpleNamespace(**{**vars(record.plan), "needed": (unknown,)})
    said = "Stock that this record advises is enough"
    for of, is_said in ((record.plan, True), (plan, False)):
        texts = [getattr(b, "text", "") for b in section_of(replace(record, plan=of), "verdict").blocks]
        assert any(said in text for text in texts) == is_said


@pytest.mark.parametrize(
    ("units", "unit", "limit", "said"),
    [
        ("inch", "mm", 11.85, "at most 0.4665 in"),
        ("inch", "um", 150.0, "at most 5.91 thou"),
        ("mm", "um", 76.2, "at most 76.2 um"),
        ("inch", "um", 76.2, "at most 3.0 thou"),
        ("mm", "mm", 11.85, "at most 11.85 mm"),
        ("mm", "percent", 22.5, "at most 22.5 %"),
    ],
)
def test_limit_in_the_table_has_the_digits_of_its_rule(record, units, unit, limit, said):
    """0.467 in beside 0.4666 in would be a limit on the wrong side of the figure."""
    line = SimpleNamespace(**{**vars(record.plan.budget[0]), "unit": unit, "limit": limit})
    plan = SimpleNamespace(**{**vars(record.plan), "budget": (line,)})
    tables = [
        b
        for b in section_of(replace(record, plan=plan, units=units), "stock").blocks
        if isinstance(b, Table) and b.head[0] == "budget"
    ]
    assert tables[0].rows[0][3] == said
