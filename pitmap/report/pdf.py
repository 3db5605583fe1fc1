"""The record as a PDF: fonts inside, text that can be selected, page numbers."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from itertools import takewhile
from typing import Any

from fpdf import FPDF
from fpdf.enums import MethodReturnValue, TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace, TTFFont

from .document import build_document
from .model import Block, Document, Facts, Paragraph, Picture, RecordInput, Section, Table, ToFill
from .overlay import font_file
from .printable import printable
from .text import Translate

__all__ = ["pdf_of", "record_pdf"]

_FONT = "DejaVu"
_BODY, _SMALL, _HEAD, _TITLE = 8.5, 7.5, 11.5, 17.0
_CELL = _SMALL + 0.3
_LINE = 4.1
_MOST_HIGH = 0.6
"""Share of the page's height that a picture takes at most: a plate that is drawn upright keeps its heading, key and words
beside it (house choice)."""
_LEAST_SCALE = 0.85
"""Pictures are drawn so much smaller at most to keep the words to them on their page."""
_GAP = 4.0
_GREY = (70, 70, 70)
_NO_DAY = date(1980, 1, 1)
"""Stands in the file where the survey has no day, as in the ZIP around it."""
_POINTS_PER_MM = 72 / 25.4
_MOST_PAGES = 4
_SCALES = (1.0, 0.9, 0.8)
"""A long record is set smaller before it gets a fifth page; under 0.8 (7 point) nobody reads it in a workshop."""
_CELL_LINE = _LINE - 0.2
_PAD_Y, _PAD_X = 0.5, 1.2
"""Inside a table's cell, mm."""
_BOX_X = 2
"""Between a warning and the sides of its box, mm."""
_AFTER = 0.8
"""Under a paragraph, mm."""
_TITLE_LINE = 11.0
"""Height of a section's title with its rule and gaps, mm."""
_NEED = 26.0
"""Room, mm, that a heading wants under itself at least."""


class _Page(FPDF):
    """A4 with the record's footer; at a `scale` under 1 every length and letter is that much smaller."""

    def __init__(self, document: Document, scale: float = 1.0) -> None:
        self.scale = scale
        super().__init__(format="A4", unit=scale * _POINTS_PER_MM)
        self.document = document
        self.set_margins(15, 13, 15)
        self.set_auto_page_break(True, margin=15)
        self.add_font(_FONT, "", font_file())
        self.add_font(_FONT, "B", font_file(bold=True))
        self.set_title(document.title)
        self.set_lang(document.language)
        self.set_creator("pitmap")
        # Of the survey, not of this minute: the same record is the same file, whose hash can be compared later.
        self.set_creation_date(datetime.combine(document.as_of or _NO_DAY, time(), UTC))
        self.c_margin = 0.0

    def set_font(self, family: str | None = None, style: str = "", size: float = 0) -> None:  # type: ignore[override]
        super().set_font(family, style, size * self.scale)

    def footer(self) -> None:
        self.set_y(-11)
        self.set_font(_FONT, "", _SMALL)
        self.set_text_color(*_GREY)
        page = self.document.page_word.replace("{page}", str(self.page_no())).replace(
            "{pages}", self.str_alias_nb_pages
        )
        self.cell(self.epw - 30, 5, self._fitting(self.document.footer, self.epw - 32))
        # Left-aligned: the number of pages is only known, and as wide as it is, when the file is written.
        self.cell(30, 5, page)
        self.set_text_color(0)

    def _fitting(self, text: str, width: float) -> str:
        """The text, or as much of it as `width` mm hold with an ellipsis behind."""
        if self.get_string_width(text) <= width:
            return text
        while text and self.get_string_width(f"{text}\u2026") > width:
            text = text[:-1]
        return f"{text}\u2026"

    def drop(self) -> None:
        """Close the font files of a page that is not written."""
        for font in self.fonts.values():
            if isinstance(font, TTFFont):
                font.close()

    def room(self) -> float:
        """Room left on this page, mm."""
        return self.page_break_trigger - self.get_y()


def _text(pdf: _Page, text: str, *, size: float = _BODY, bold: bool = False, indent: float = 0.0) -> None:
    pdf.set_font(_FONT, "B" if bold else "", size)
    pdf.set_x(pdf.l_margin + indent)
    pdf.multi_cell(
        pdf.epw - indent, _LINE * size / _BODY, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
    )


def _paragraph(pdf: _Page, block: Paragraph) -> None:
    if block.kind == "note":
        pdf.set_text_color(*_GREY)
        _text(pdf, block.text, size=_SMALL)
        pdf.set_text_color(0)
    elif block.kind == "list":
        y = pdf.get_y()
        pdf.set_font(_FONT, "", _BODY)
        if pdf.room() < 2 * _LINE:
            pdf.add_page()
            y = pdf.get_y()
        pdf.text(pdf.l_margin + 1, y + 3.1, "\u2022")
        _text(pdf, block.text, indent=4)
    elif block.kind == "warning":
        pdf.set_line_width(0.4)
        pdf.set_font(_FONT, "B", _BODY)
        pdf.multi_cell(
            pdf.epw, _LINE + 1.5, block.text, border=1, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT,
            padding=(0, _BOX_X),
        )  # fmt: skip
    else:
        _text(pdf, block.text, size=_BODY + 1 if block.kind == "lead" else _BODY, bold=block.kind == "lead")
    pdf.ln(_AFTER)


_NAME_WIDE = 34.0
"""Column of the names of facts, mm."""
_FILL_LINE, _FILL_WIDE = 9.0, 70.0
"""Line that a name is written on by hand: how far under the one before, and how long, mm."""


def _fact_columns(pdf: _Page, block: Facts) -> tuple[list[Sequence[tuple[str, str]]], float]:
    """Facts in the columns that they are set in, and how wide one is, mm: a job has many short ones."""
    n = 2 if len(block.rows) > 3 else 1
    per_column = -(-len(block.rows) // n)
    return [block.rows[k * per_column : (k + 1) * per_column] for k in range(n)], pdf.epw / n


def _facts_height(pdf: _Page, block: Facts) -> float:
    """How high facts will be, mm; of those that no page holds, two lines."""
    columns, wide = _fact_columns(pdf, block)
    height = max(
        sum(
            max(_lines(pdf, name, _NAME_WIDE), _lines(pdf, value, wide - _NAME_WIDE - 3, bold=True))
            for name, value in column
        )
        for column in columns
    ) * (_LINE + 0.4)
    return height if height < pdf.eph - _TITLE_LINE else 2 * _LINE


def _facts(pdf: _Page, block: Facts) -> None:
    if _facts_height(pdf, block) > pdf.room():
        # A name on one page and its value on the next belong to nothing.
        pdf.add_page()
    columns, half = _fact_columns(pdf, block)
    name = _NAME_WIDE
    top = pdf.get_y()
    bottom = top
    for k, column in enumerate(columns):
        pdf.set_y(top)
        for label, value in column:
            y = pdf.get_y()
            pdf.set_xy(pdf.l_margin + k * half, y)
            pdf.set_font(_FONT, "", _BODY)
            pdf.set_text_color(*_GREY)
            pdf.multi_cell(name, _LINE + 0.4, label, align="L", new_x=XPos.RIGHT, new_y=YPos.TOP)
            pdf.set_text_color(0)
            pdf.set_font(_FONT, "B", _BODY)
            pdf.set_xy(pdf.l_margin + k * half + name, y)
            pdf.multi_cell(
                half - name - 3, _LINE + 0.4, value, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
            )
        bottom = max(bottom, pdf.get_y())
    pdf.set_y(bottom + 1)


def _to_fill(pdf: _Page, block: ToFill) -> None:
    if pdf.room() < len(block.names) * _FILL_LINE:
        pdf.add_page()
    pdf.set_font(_FONT, "", _BODY)
    pdf.set_line_width(0.15)
    for name in block.names:
        foot = pdf.get_y() + _FILL_LINE - 1.5
        pdf.set_text_color(*_GREY)
        pdf.text(pdf.l_margin, foot, name)
        pdf.set_text_color(0)
        pdf.line(pdf.l_margin + _NAME_WIDE, foot, pdf.l_margin + _NAME_WIDE + _FILL_WIDE, foot)
        pdf.ln(_FILL_LINE)
    pdf.ln(_AFTER)


def _set_lines(
    pdf: _Page, text: str, width: float, *, size: float = _BODY, bold: bool = False
) -> Sequence[str]:
    """A text as it is set in a column `width` mm wide, line by line."""
    pdf.set_font(_FONT, "B" if bold else "", size)
    lines: Any = pdf.multi_cell(width, 1, text, align="L", dry_run=True, output=MethodReturnValue.LINES)
    return lines  # type: ignore[no-any-return]


def _lines(pdf: _Page, text: str, width: float, *, size: float = _BODY, bold: bool = False) -> int:
    """Lines that a text takes in a column `width` mm wide."""
    return len(_set_lines(pdf, text, width, size=size, bold=bold))


def _row_height(pdf: _Page, table: Table, row: Sequence[str], *, bold: bool = False) -> float:
    widths = (pdf.epw * w - 2 * _PAD_X for w in table.widths)
    most = max(_lines(pdf, text, w, size=_CELL, bold=bold) for text, w in zip(row, widths))
    return most * _CELL_LINE + 2 * _PAD_Y


def _rows(pdf: _Page, table: Table) -> list[Sequence[str]]:
    """The rows of a table; one that is higher than a third of a page goes on in rows under it, as no row can be parted."""
    most = int(pdf.eph / 3 / _CELL_LINE)
    widths = [pdf.epw * w - 2 * _PAD_X for w in table.widths]
    rows: list[Sequence[str]] = []
    for row in table.rows:
        cells = [_set_lines(pdf, text, w, size=_CELL) for text, w in zip(row, widths)]
        n = max(map(len, cells))
        if n <= most:
            rows.append(row)
            continue
        rows += [tuple("\n".join(c[k : k + most]) for c in cells) for k in range(0, n, most)]
    return rows


def _table_height(pdf: _Page, table: Table) -> float:
    """How high a table will be, mm; of a long one, that goes over to the next page, its head and two rows."""
    heights = [_row_height(pdf, table, table.head, bold=True)]
    heights += [_row_height(pdf, table, row) for row in _rows(pdf, table)]
    return sum(heights) if sum(heights) < pdf.eph / 3 else sum(heights[:3])


def _paragraph_height(pdf: _Page, block: Paragraph) -> float:
    size = {"note": _SMALL, "lead": _BODY + 1}.get(block.kind, _BODY)
    width = pdf.epw - (2 * _BOX_X if block.kind == "warning" else 0)
    lines = _lines(pdf, block.text, width, size=size, bold=block.kind in ("lead", "warning"))
    return min(lines, 3) * _LINE * size / _BODY + _AFTER


def _kept(pdf: _Page, blocks: Sequence[Block]) -> float:
    """Height, mm, of what must follow on the same page: a few words of introduction and the first thing after them."""
    height = 0.0
    for k, block in enumerate(blocks):
        if isinstance(block, Picture):
            return height + _group_height(pdf, _group(blocks[k:]))
        if isinstance(block, Table):
            return height + _table_height(pdf, block)
        if isinstance(block, Facts):
            return height + _facts_height(pdf, block)
        if isinstance(block, ToFill):
            return height + len(block.names) * _FILL_LINE
        height += _paragraph_height(pdf, block)
        if block.kind not in ("note", "lead"):
            break
    return height


def _table(pdf: _Page, block: Table) -> None:
    if pdf.room() < _table_height(pdf, block):
        # A short table stays whole.
        pdf.add_page()
    rows = _rows(pdf, block)
    pdf.set_font(_FONT, "", _CELL)
    pdf.set_line_width(0.15)
    aligns = ["RIGHT" if k in block.numeric else "LEFT" for k in range(len(block.head))]
    with pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        col_widths=tuple(pdf.epw * w for w in block.widths),
        text_align=tuple(aligns),
        line_height=_CELL_LINE,
        padding=(_PAD_Y, _PAD_X),
        headings_style=FontFace(emphasis="BOLD", fill_color=(232, 232, 232)),
        first_row_as_headings=True,
    ) as table:
        for row in (block.head, *rows):
            table.row(row)
    pdf.ln(1.5)


def _group(blocks: Sequence[Block]) -> list[list[Picture]]:
    """The pictures that `blocks` begins with and that must stand on one page: those side by side, and their key."""
    rows: list[list[Picture]] = []
    for block in blocks:
        if not isinstance(block, Picture):
            break
        if not rows or (block.is_key and block.width > 0.99):
            rows.append([block])
        elif len(rows) == 1 and sum(p.width for p in rows[0]) + block.width <= 1.001:
            rows[0].append(block)
        else:
            break
    return rows


def _picture_width(pdf: _Page, picture: Picture) -> float:
    share = pdf.epw * picture.width - _GAP * (picture.width < 0.99)
    return min(share, _MOST_HIGH * pdf.eph * picture.size_px[0] / picture.size_px[1])


def _picture_height(pdf: _Page, picture: Picture, scale: float = 1.0) -> float:
    height = scale * _picture_width(pdf, picture) * picture.size_px[1] / picture.size_px[0]
    return height + 5 * bool(picture.caption)


def _group_height(pdf: _Page, rows: Sequence[Sequence[Picture]], scale: float = 1.0) -> float:
    return sum(max(_picture_height(pdf, p, scale) for p in row) + 1 for row in rows)


def _scale_for_words(pdf: _Page, rows: Sequence[Sequence[Picture]], after: Sequence[Block]) -> float:
    """By how much pictures are drawn smaller, so that the notes after them stand on their page; 1 where that is too much."""
    notes = takewhile(lambda b: isinstance(b, Paragraph) and b.kind == "note", after)
    room = pdf.room() - sum(_paragraph_height(pdf, n) for n in notes if isinstance(n, Paragraph))
    fixed = _group_height(pdf, rows, 0.0)
    scale = (room - fixed) / (_group_height(pdf, rows) - fixed)
    return scale if _LEAST_SCALE <= scale < 1 else 1.0


def _pictures(pdf: _Page, pictures: Sequence[Picture], scale: float) -> None:
    """Pictures side by side, scaled to their shares of the page."""
    top, x = pdf.get_y(), pdf.l_margin
    for picture in pictures:
        width = scale * _picture_width(pdf, picture)
        pdf.image(io.BytesIO(picture.data), x=x, y=top, w=width, alt_text=picture.alt)
        if picture.caption:
            pdf.set_font(_FONT, "", _SMALL)
            pdf.set_text_color(*_GREY)
            pdf.set_xy(x, top + _picture_height(pdf, picture, scale) - 4.6)
            pdf.multi_cell(width, 3.6, picture.caption, align="L")
            pdf.set_text_color(0)
        x += pdf.epw * picture.width
    pdf.set_y(top + max(_picture_height(pdf, p, scale) for p in pictures) + 1)


def _blocks(pdf: _Page, blocks: Sequence[Block]) -> None:
    k = 0
    while k < len(blocks):
        block = blocks[k]
        k += 1
        if isinstance(block, Picture):
            rows = _group(blocks[k - 1 :])
            k += sum(map(len, rows)) - 1
            if pdf.room() < _group_height(pdf, rows):
                pdf.add_page()
            scale = _scale_for_words(pdf, rows, blocks[k:])
            for row in rows:
                _pictures(pdf, row, scale)
        elif isinstance(block, Paragraph):
            leads = block.kind == "lead" and k < len(blocks) and isinstance(blocks[k], Table)
            if leads and pdf.room() < _kept(pdf, blocks[k - 1 :]):
                # A lead belongs to its table: both on one page.
                pdf.add_page()
            _paragraph(pdf, block)
        elif isinstance(block, Facts):
            _facts(pdf, block)
        elif isinstance(block, ToFill):
            _to_fill(pdf, block)
        else:
            _table(pdf, block)


def _heading(pdf: _Page, section: Section) -> None:
    # A heading never stands alone at the foot of a page.
    if pdf.room() < max(_NEED, _TITLE_LINE + _kept(pdf, section.blocks)):
        pdf.add_page()
    pdf.ln(1.8)
    pdf.start_section(section.title)
    _text(pdf, section.title, size=_HEAD, bold=True)
    pdf.set_line_width(0.4)
    pdf.line(pdf.l_margin, pdf.get_y() + 0.3, pdf.l_margin + pdf.epw, pdf.get_y() + 0.3)
    pdf.ln(1.8)


def pdf_of(document: Document) -> bytes:
    """A built document as PDF bytes: at most four pages, if letters of 7 point can do it.

    Characters that the font lacks stand as an empty square, and the first page says so.
    """
    document = printable(document)
    for scale in _SCALES:
        pdf = _set(document, scale)
        if pdf.page_no() <= _MOST_PAGES or scale == _SCALES[-1]:
            break
        pdf.drop()
    return bytes(pdf.output())


def _set(document: Document, scale: float) -> _Page:
    pdf = _Page(document, scale)
    pdf.add_page()
    _text(pdf, document.title, size=_TITLE, bold=True)
    if document.subtitle:
        _text(pdf, document.subtitle, size=_BODY + 1)
    for section in document.sections:
        _heading(pdf, section)
        _blocks(pdf, section.blocks)
    return pdf


def record_pdf(record: RecordInput, *, language: str = "en", translate: Translate | None = None) -> bytes:
    """The record of one face as a PDF of one to four A4 pages.

    Parameters
    ----------
    record : RecordInput
    language : str
    translate : callable or None

    Returns
    -------
    bytes
        Fonts are embedded (DejaVu Sans, subset), text is text.
    """
    return pdf_of(build_document(record, language=language, translate=translate))
