"""Where things stand on the pages of the PDF, and on a phone."""

import io
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from pitmap.report.html import html_of
from pitmap.report.model import Block, Document, Facts, Paragraph, Picture, Section, Table, ToFill
from pitmap.report.pdf import pdf_of

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")

TABLE = Table(
    head=("zone", "share"),
    rows=tuple((f"row {k}", "4.07 % (3.34 to 5.26)") for k in range(8)),
    widths=(0.5, 0.5),
)


def picture(height_px: int, *, width: float = 1.0, is_key: bool = False) -> Picture:
    """A grey picture 400 px wide: at full width 180 mm of a page that has 269."""
    out = io.BytesIO()
    Image.new("RGB", (400, height_px), (128, 128, 128)).save(out, "PNG")
    size = (400, height_px)
    return Picture(
        data=out.getvalue(), kind="png", alt="", caption="", width=width, size_px=size, is_key=is_key
    )


def document(n_lines: int, *blocks: Block, footer: str = "plate") -> Document:
    """`n_lines` short paragraphs, then a section with blocks; the first paragraphs fill the first page line by line."""
    lines = tuple(Paragraph(text=f"line {k}") for k in range(n_lines))
    return Document(
        title="Record",
        subtitle="",
        language="en",
        sections=(
            Section(key="a", title="Before", blocks=lines),
            Section(key="b", title="What was found", blocks=blocks),
        ),
        footer=footer,
        page_word="page {page} of {pages}",
        unprintable_note="",
    )


def pages_of(made: Document, folder: Path) -> list[str]:
    path = folder / "r.pdf"
    path.write_bytes(pdf_of(made))
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True)
    return done.stdout.split("\f")[:-1]


def pictures_on_pages(made: Document, folder: Path) -> list[int]:
    path = folder / "r.pdf"
    path.write_bytes(pdf_of(made))
    done = subprocess.run(["pdfimages", "-list", path], capture_output=True, text=True, check=True)
    return [int(line.split()[0]) for line in done.stdout.splitlines()[2:] if " image " in line]


@needs_poppler
@pytest.mark.parametrize("n_lines", range(36, 51, 2))
def test_heading_stays_with_its_note_and_the_table_that_they_introduce(n_lines: int, tmp_path: Path) -> None:
    note = Paragraph(text="Shares of the metal.", kind="note")
    pages = pages_of(document(n_lines, note, TABLE), tmp_path)
    (heading,) = (page for page in pages if "What was found" in page)
    assert "Shares of the metal." in heading and "row 0" in heading and "row 7" in heading


@needs_poppler
@pytest.mark.parametrize("n_lines", [4, 20, 40])
def test_heading_picture_and_key_stand_on_one_page(n_lines: int, tmp_path: Path) -> None:
    made = document(n_lines, picture(420), picture(20, is_key=True), Paragraph(text="Lines are the zones."))
    pages = pages_of(made, tmp_path)
    (on,) = (k for k, page in enumerate(pages, 1) if "What was found" in page)
    assert pictures_on_pages(made, tmp_path) == [on, on]


@needs_poppler
@pytest.mark.parametrize("n_lines", range(20, 35, 2))
def test_pictures_side_by_side_are_not_parted_from_their_key(n_lines: int, tmp_path: Path) -> None:
    pair = (picture(420, width=0.5), picture(400, width=0.5))
    made = document(n_lines, Paragraph(text="As it came in."), *pair, picture(20, is_key=True))
    assert len(set(pictures_on_pages(made, tmp_path))) == 1


@needs_poppler
@pytest.mark.parametrize("n_lines", range(4, 12))
def test_words_to_a_picture_stand_on_its_page(n_lines: int, tmp_path: Path) -> None:
    """Where two lines lack room under a picture it is drawn a little smaller."""
    words = Paragraph(text="Lines are the zones of the drawing. " * 5, kind="note")
    made = document(n_lines, picture(430), picture(20, is_key=True), words)
    pages = pages_of(made, tmp_path)
    (on,) = set(pictures_on_pages(made, tmp_path))
    assert [k for k, page in enumerate(pages, 1) if "Lines are" in page] == [on]


@needs_poppler
def test_long_table_starts_under_its_heading_and_goes_on(tmp_path: Path) -> None:
    long = Table(head=TABLE.head, rows=TABLE.rows * 10, widths=TABLE.widths)
    pages = pages_of(document(20, long), tmp_path)
    assert "What was found" in pages[0] and "row 1" in pages[0] and "row 7" in pages[1]


@needs_poppler
def test_footer_of_a_long_name_leaves_the_page_number_alone(tmp_path: Path) -> None:
    (page,) = pages_of(document(1, Paragraph(text="x"), footer="Side plate " * 30), tmp_path)
    assert re.search(r"Side plate .*\u2026 +page 1 of 1\n", page)


def test_key_and_chart_are_not_shrunk_on_a_phone() -> None:
    """1,500 pixels with letters of 26 would be letters of 6 on a phone."""
    chart = replace(picture(100), is_lettered=True)
    page = html_of(document(1, picture(420), picture(20, is_key=True), chart))
    assert page.count('<figure class="lettered">') == 2 and page.count('<figure class="full">') == 1
    assert re.search(r"figure\.lettered img \{[^}]*min-width: 44rem", page)


@needs_poppler
def test_row_higher_than_a_page_goes_on_and_loses_no_word(tmp_path: Path) -> None:
    """A long remark is set over several pages; the table's own rows cannot be parted."""
    words = [f"word{k}" for k in range(1500)]
    made = document(20, Table(head=("check", "remark"), rows=(("Oil", " ".join(words)),), widths=(0.7, 0.3)))
    pages = pages_of(made, tmp_path)
    assert re.findall(r"word\d+", " ".join(pages)) == words
    assert all(len(page.split()) > 20 for page in pages)


@needs_poppler
@pytest.mark.parametrize("n_lines", range(38, 52, 2))
def test_a_fact_stands_on_the_page_of_its_name(n_lines: int, tmp_path: Path) -> None:
    facts = Facts(rows=(("released by", "Ada"), ("date", "2026-05-04"), ("remark", "flat and clean " * 30)))
    pages = pages_of(document(n_lines, facts), tmp_path)
    (page,) = (page for page in pages if "released by" in page)
    assert "What was found" in page and re.search(r"released by +Ada\n", page)
    assert re.search(r"date +2026-05-04\n", page) and page.split().count("clean") == 30


@needs_poppler
@pytest.mark.parametrize("high", [420, 640, 900, 3000])
def test_upright_plate_stands_under_its_heading_with_its_key(high: int, tmp_path: Path) -> None:
    """At full width a plate drawn upright would be higher than a page."""
    words = Paragraph(text="Lines are the zones of the drawing.", kind="note")
    made = document(3, picture(high), picture(20, is_key=True), words)
    pages = pages_of(made, tmp_path)
    assert len(pages) <= 2 and all(len(page.split()) > 5 for page in pages)
    (on,) = {k for k, page in enumerate(pages, 1) if "What was found" in page or "Lines are" in page}
    assert pictures_on_pages(made, tmp_path) == [on, on]


def at_points(made: Document, folder: Path, side: str, word: str) -> float:
    """Where a word stands on its page, points from its left or its top edge."""
    (folder / "record.pdf").write_bytes(pdf_of(made))
    words = subprocess.run(
        ["pdftotext", "-bbox", str(folder / "record.pdf"), "-"], check=True, capture_output=True, text=True
    ).stdout
    return float(re.search(rf'{side}="([\d.]+)"[^>]*>{word}<', words)[1])  # type: ignore[index]


@needs_poppler
def test_warning_does_not_touch_its_box(tmp_path: Path) -> None:
    made = document(1, Paragraph(text="measure it again", kind="warning"))
    left = at_points(made, tmp_path, "xMin", "measure")
    # the box is as wide as the page without its margins of 15 mm; points, 72 to the inch
    assert left >= (15 + 1.5) / 25.4 * 72


@needs_poppler
@pytest.mark.parametrize("n_lines", range(40, 56, 3))
def test_lines_to_sign_on_stand_together_and_leave_room_for_a_pen(n_lines: int, tmp_path: Path) -> None:
    """Ruled paper has lines 7 to 9 mm apart (common practice, no published source)."""
    made = document(n_lines, ToFill(names=("signer", "day")))
    pages = pages_of(made, tmp_path)
    (on,) = (page for page in pages if "What was found" in page)
    assert "signer" in on and "day" in on
    first, second = (at_points(made, tmp_path, "yMin", word) for word in ("signer", "day"))
    assert second - first >= 7 / 25.4 * 72


def test_lines_to_sign_on_are_drawn_not_typed() -> None:
    """Typed ones broke into three on a phone."""
    page = html_of(document(1, ToFill(names=("name", "date"))))
    assert '<dl class="fill"><dt>name</dt><dd></dd><dt>date</dt><dd></dd></dl>' in page
    assert re.search(r"dl\.fill dd \{[^}]*border-bottom: 1px solid", page)
