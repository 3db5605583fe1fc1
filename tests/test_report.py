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

import pandas as pd
import pytest

from pitmap.csv_rows import table_csv
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.report import (
    RecordInput,
    build_document,
    must_be_same_record,
    record_html,
    record_json,
    record_pdf,
    record_tables,
    record_zip,
    verify_zip,
)
from pitmap.report.model import Facts, Paragraph, Picture, Section, Table
from pitmap.report.pdf import pdf_of
from pitmap.report.printable import printable


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
        "deeper than 28 um",
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
    assert "Not measured: the drawing has no seal land" in text
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


def test_zip_holds_everything_and_finds_damage(record):
    data = record_zip(record, files={"photos/a.jpg": b"123"})
    assert verify_zip(data) == []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = set(archive.namelist())
        parts = {n: archive.read(n) for n in names}
    assert {"record.pdf", "record.html", "record.json", "SHA256SUMS", "files/photos/a.jpg"} <= names
    tables = ("curves", "fates", "hand_edits", "lands", "marks", "readings", "series", "steps", "surveys", "tracks",
              "zone_changes", "zones")  # fmt: skip
    assert {n for n in names if n.startswith("tables/")} == {f"tables/{t}.csv" for t in tables}
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


def test_json_says_all_that_a_budget_is_held_to_and_what_it_lacks(record):
    """The largest squeeze that was entered was not in it, and 52 um stood there where the page says "not known"."""
    total, case, *_ = record.plan.budget
    total = SimpleNamespace(**{**vars(total), "lacking": "how much must come off is not known"})
    ring = SimpleNamespace(
        **{**vars(case), "name": "squeeze", "unit": "percent", "limit": math.nan, "limit_high": 30.0}
    )
    plan = SimpleNamespace(**{**vars(record.plan), "budget": (total, ring)})
    told = json.loads(record_json(replace(record, plan=plan)))["plan"]["budget"]
    assert [(b["limit"], b["limit_high"], b["lacking"]) for b in told] == [
        (100.0, None, "how much must come off is not known"),
        (None, 30.0, ""),
    ]


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


def test_a_record_of_another_face_or_job_is_not_replaced_unasked(record, tmp_path):
    """The records of two faces of a plate went to one folder by default, and the first was lost."""
    own, other = ["ab12" * 16], ["cd34" * 16]
    must_be_same_record(tmp_path, "front face", "any", other)
    named = replace(record, job={**record.job, "reference": "order 7"})
    (tmp_path / "record.zip").write_bytes(record_zip(named))
    must_be_same_record(tmp_path, "front face", "order 7", other)
    must_be_same_record(tmp_path, "front face", "", own)
    with pytest.raises(
        InputError,
        match="holds the record of front face, job order 7, .* the one of rear face, job order 7; choose",
    ):
        must_be_same_record(tmp_path, "rear face", "order 7", own)
    with pytest.raises(InputError, match="job order 7, which would be replaced"):
        must_be_same_record(tmp_path, "front face", "order 8", own)
    (tmp_path / "record.zip").write_bytes(b"cut short")
    with pytest.raises(InputError, match=r"record\.zip: is there, and is no record that can be read"):
        must_be_same_record(tmp_path, "front face", "order 7", own)


@pytest.mark.parametrize(("there", "new"), [("order 7", ""), ("", "order 7"), ("", "")])
def test_a_record_without_a_reference_replaces_that_of_its_own_photos_alone(record, tmp_path, there, new):
    """Without --job the record of any other job that stood in the folder was lost without a word."""
    job = {name: text for name, text in record.job.items() if name != "reference"}
    kept = replace(record, job={**job, "reference": there} if there else job)
    (tmp_path / "record.zip").write_bytes(record_zip(kept))
    must_be_same_record(tmp_path, "front face", new, ["cd34" * 16, "ab12" * 16])
    with pytest.raises(
        InputError, match="by the one of front face.*, and they have no photo in common; choose"
    ):
        must_be_same_record(tmp_path, "front face", new, ["cd34" * 16])


def test_the_record_says_beside_the_stock_how_much_of_the_zone_was_not_seen(record):
    said = "Seal land: 60 % of it was not seen."
    partly = replace(record, plan=SimpleNamespace(**{**vars(record.plan), "unseen": (said,)}))
    section = next(s for s in build_document(partly).sections if s.key == "stock")
    kinds = [getattr(block, "text", type(block).__name__) for block in section.blocks]
    assert kinds[kinds.index(said) - 1] == "Table"
    assert json.loads(record_json(partly))["plan"]["unseen"] == [said]
