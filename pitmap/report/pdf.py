"""The record as a PDF: fonts inside, text that can be selected, page numbers."""

from __future__ import annotations

import io
from collections.abc import Sequence

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace, TTFFont

from .document import build_document
from .model import Block, Document, Facts, Paragraph, Picture, RecordInput, Section, Table
from .overlay import font_file
from .printable import printable
from .text import Translate

__all__ = ["pdf_of", "record_pdf"]

_FONT = "DejaVu"
_BODY, _SMALL, _HEAD, _TITLE = 8.5, 7.5, 11.5, 17.0
_LINE = 4.1
_GAP = 4.0
_GREY = (70, 70, 70)
_POINTS_PER_MM = 72 / 25.4
_MOST_PAGES = 4
_SCALES = (1.0, 0.9, 0.8)
"""A long record is set smaller before it gets a fifth page; under 0.8 (7 point) nobody reads it in a workshop."""
_ROW = 5.2
"""Height of a table row of one or two lines, mm, for keeping short tables whole."""
_LEAD = 7.0
"""Height of a lead line with its gap, mm."""
_TITLE_LINE = 11.0
"""Height of a section's title with its rule and gaps, mm."""
_NEED = 26.0
"""Room, mm, that a heading wants under itself: a heading never stands alone at the foot of a page."""


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
        self.cell(self.epw - 30, 5, self.document.footer)
        # Left-aligned: the number of pages is only known, and as wide as it is, when the file is written.
        self.cell(30, 5, page)
        self.set_text_color(0)

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
            pdf.epw, _LINE + 1.5, block.text, border=1, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )
    else:
        _text(pdf, block.text, size=_BODY + 1 if block.kind == "lead" else _BODY, bold=block.kind == "lead")
    pdf.ln(0.8)


def _facts(pdf: _Page, block: Facts) -> None:
    # Two columns of facts: a job has many short ones.
    half = pdf.epw / 2 if len(block.rows) > 3 else pdf.epw
    name = 34.0
    columns = 2 if len(block.rows) > 3 else 1
    per_column = -(-len(block.rows) // columns)
    top = pdf.get_y()
    bottom = top
    for k in range(columns):
        pdf.set_y(top)
        for label, value in block.rows[k * per_column : (k + 1) * per_column]:
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


def _height(table: Table) -> float:
    """About how high a table will be, mm; a head of two lines and rows of one."""
    return _ROW * (len(table.rows) + 2)


def _table(pdf: _Page, block: Table) -> None:
    if pdf.room() < _height(block) < pdf.eph / 3:
        # A short table stays whole.
        pdf.add_page()
    pdf.set_font(_FONT, "", _SMALL + 0.3)
    pdf.set_line_width(0.15)
    aligns = ["RIGHT" if k in block.numeric else "LEFT" for k in range(len(block.head))]
    with pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        col_widths=tuple(pdf.epw * w for w in block.widths),
        text_align=tuple(aligns),
        line_height=_LINE - 0.2,
        padding=(0.5, 1.2),
        headings_style=FontFace(emphasis="BOLD", fill_color=(232, 232, 232)),
        first_row_as_headings=True,
    ) as table:
        for row in (block.head, *block.rows):
            table.row(row)
    pdf.ln(1.5)


def _pictures(pdf: _Page, pictures: Sequence[Picture]) -> None:
    """Pictures side by side, scaled to their shares of the page."""
    if not pictures:
        return
    heights = [
        (pdf.epw * p.width - _GAP * (p.width < 0.99)) * p.size_px[1] / p.size_px[0] + 5 * bool(p.caption)
        for p in pictures
    ]
    if pdf.room() < max(heights):
        pdf.add_page()
    top, x = pdf.get_y(), pdf.l_margin
    for picture, height in zip(pictures, heights):
        width = pdf.epw * picture.width - _GAP * (picture.width < 0.99)
        pdf.image(io.BytesIO(picture.data), x=x, y=top, w=width, alt_text=picture.alt)
        if picture.caption:
            pdf.set_font(_FONT, "", _SMALL)
            pdf.set_text_color(*_GREY)
            pdf.set_xy(x, top + height - 4.6)
            pdf.multi_cell(width, 3.6, picture.caption, align="L")
            pdf.set_text_color(0)
        x += pdf.epw * picture.width
    pdf.set_y(top + max(heights) + 1)


def _blocks(pdf: _Page, blocks: Sequence[Block]) -> None:
    waiting: list[Picture] = []
    used = 0.0
    for k, block in enumerate(blocks):
        if isinstance(block, Picture):
            if used + block.width > 1.001:
                _pictures(pdf, waiting)
                waiting, used = [], 0.0
            waiting.append(block)
            used += block.width
            continue
        _pictures(pdf, waiting)
        waiting, used = [], 0.0
        if isinstance(block, Paragraph):
            below = blocks[k + 1] if k + 1 < len(blocks) else None
            if block.kind == "lead" and isinstance(below, Table):
                # A lead belongs to its table: both on one page, unless the table is long.
                wanted = _LEAD + _height(below)
                if pdf.room() < wanted < pdf.eph / 3:
                    pdf.add_page()
            _paragraph(pdf, block)
        elif isinstance(block, Facts):
            _facts(pdf, block)
        else:
            _table(pdf, block)
    _pictures(pdf, waiting)


def _heading(pdf: _Page, section: Section) -> None:
    first = section.blocks[0]
    need = _NEED
    if isinstance(first, Table) and _height(first) < pdf.eph / 3:
        need = max(need, _TITLE_LINE + _height(first))
    if pdf.room() < need:
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
