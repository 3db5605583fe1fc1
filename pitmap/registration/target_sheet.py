"""The printed target: a chequerboard with coded squares, at true size, and its PDF."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
from fpdf import FPDF
from numpy.typing import NDArray

from ..errors import InputError
from ..whole_file import write_whole

__all__ = ["PAPERS", "RULER_MM", "TargetSheet", "marker_dictionary", "target_sheet", "target_sheet_pdf"]

_DICTIONARY = cv2.aruco.DICT_5X5_250
_CELLS = 7
"""Cells along a coded square: 5 of code and a black rim on either side."""
SQUARE_MM, MARKER_MM = 20.0, 12.0
"""The white rim between code and corner (4 mm) gives the corner search room; a cell of the code (1.7 mm) still
spans four pixels in a 2 megapixel photo of a whole plate."""
RULER_MM = 100.0
"""Length of the printed line that is measured after printing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetSheet:
    """Layout of one printed sheet; its frame is mm, origin at the middle of the board, x right, y up.

    Parameters
    ----------
    paper : str
    width_mm, height_mm : float
        Of the paper.
    n_x, n_y : int
        Squares across and up.
    first_id : int
        Code of the first coded square; each paper has its own codes, so a photo tells which sheet it shows.
    """

    paper: str
    width_mm: float
    height_mm: float
    n_x: int
    n_y: int
    first_id: int

    @property
    def n_markers(self) -> int:
        """Coded squares on the sheet."""
        return self.n_x * self.n_y // 2

    @property
    def rim_mm(self) -> float:
        """White between a coded square and the corners around it."""
        return (SQUARE_MM - MARKER_MM) / 2

    def board(self) -> cv2.aruco.CharucoBoard:
        """The board as OpenCV knows it (its own y runs down from the top left corner)."""
        ids = np.arange(self.first_id, self.first_id + self.n_markers)
        return cv2.aruco.CharucoBoard((self.n_x, self.n_y), SQUARE_MM, MARKER_MM, marker_dictionary(), ids)

    def corner_xy(self, ids: NDArray[np.int64]) -> NDArray[np.float64]:
        """Inner corners by number, (n, 2) mm in the frame of the sheet."""
        per_row = self.n_x - 1
        column, row = ids % per_row + 1, ids // per_row + 1
        return np.column_stack([(column - self.n_x / 2) * SQUARE_MM, (self.n_y / 2 - row) * SQUARE_MM])

    def black_rectangles(self) -> NDArray[np.float64]:
        """Everything printed black, as (n, 4) left, top, width, height in mm from the board's top left corner."""
        out = [
            (x * SQUARE_MM, y * SQUARE_MM, SQUARE_MM, SQUARE_MM)
            for y in range(self.n_y)
            for x in range(self.n_x)
            if (x + y) % 2 == 0
        ]
        dictionary = marker_dictionary()
        cell = MARKER_MM / _CELLS
        for marker, corners in zip(self.board().getIds().ravel(), self.board().getObjPoints()):  # type: ignore[attr-defined]
            left, top = np.asarray(corners).reshape(-1, 3)[:, :2].min(0)
            bits = cv2.aruco.generateImageMarker(dictionary, int(marker), _CELLS, borderBits=1)
            # Neighbouring black cells of a row go out as one rectangle: hairlines between them would be read as white.
            for row in range(_CELLS):
                dark = np.flatnonzero(np.diff(np.concatenate([[0], bits[row] == 0, [0]]).astype(int)))
                out += [
                    (left + a * cell, top + row * cell, (b - a) * cell, cell)
                    for a, b in zip(dark[::2], dark[1::2])
                ]
        return np.array(out, float)


def marker_dictionary() -> cv2.aruco.Dictionary:
    """The codes that all sheets are made of."""
    return cv2.aruco.getPredefinedDictionary(_DICTIONARY)


PAPERS = {
    "A4": TargetSheet(paper="A4", width_mm=210.0, height_mm=297.0, n_x=9, n_y=12, first_id=0),
    "letter": TargetSheet(paper="letter", width_mm=215.9, height_mm=279.4, n_x=9, n_y=11, first_id=100),
}


def target_sheet(paper: str) -> TargetSheet:
    """The layout for a paper size.

    Raises
    ------
    InputError
        Not one of ``A4`` and ``letter``.
    """
    try:
        return PAPERS[paper]
    except (KeyError, TypeError):
        raise InputError(f"paper {paper!r}: expected one of {', '.join(PAPERS)}") from None


def target_sheet_pdf(path: str | Path, paper: str = "A4") -> Path:
    """Write the target as a PDF at true size, with a ruler to check the print and what to do with it.

    Parameters
    ----------
    path : str or Path
    paper : {"A4", "letter"}

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Unknown paper, or a place that cannot be written.
    """
    sheet = target_sheet(paper)
    pdf = FPDF(unit="mm", format=(sheet.width_mm, sheet.height_mm))
    # The same sheet is the same file, whenever it was written.
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))
    pdf.set_title("Target sheet for plate photos")
    pdf.set_auto_page_break(False)
    pdf.set_margins(0, 0)
    pdf.add_page()
    left = (sheet.width_mm - sheet.n_x * SQUARE_MM) / 2
    top = 12.0
    pdf.set_fill_color(0, 0, 0)
    for x, y, w, h in sheet.black_rectangles():
        pdf.rect(left + x, top + y, w, h, style="F")
    _ruler(pdf, left, top + sheet.n_y * SQUARE_MM + 7.0)
    _words(pdf, left + RULER_MM + 8.0, top + sheet.n_y * SQUARE_MM + 4.0, sheet)
    path = Path(path)
    try:
        write_whole(path, bytes(pdf.output()))
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror}); choose another place") from error
    return path


def _ruler(pdf: FPDF, left: float, y: float) -> None:
    pdf.set_line_width(0.2)
    pdf.line(left, y, left + RULER_MM, y)
    for k in range(int(RULER_MM / 5) + 1):
        pdf.line(left + 5 * k, y, left + 5 * k, y + (4.0 if k % 2 == 0 else 2.5))
    pdf.set_font("Helvetica", size=7)
    for k in range(0, int(RULER_MM) + 1, 20):
        pdf.text(left + k - 1.0, y + 7.5, str(k))
    pdf.text(left, y + 12.0, "This line must measure 100.0 mm after printing (3.937 in).")


def _words(pdf: FPDF, x: float, y: float, sheet: TargetSheet) -> None:
    pdf.set_font("Helvetica", size=7)
    lines = (
        f"Print on {sheet.paper} at 100 % (\"actual size\", no fitting).",
        "Measure the line. Not 100 mm: give the measured",
        "length to the program, or print again.",
        "Lay the sheet flat on the bench beside the plate, both",
        "wholly in the picture; do not bend or cover it.",
        "The face stands a plate thickness above the sheet.",
    )  # fmt: skip
    for k, line in enumerate(lines):
        pdf.text(x, y + 3.2 * (k + 1), line)
