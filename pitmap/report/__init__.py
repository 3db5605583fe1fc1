"""How a record is shown: figures, HTML, PDF, exports; every word from one catalogue, no arithmetic.

The page's charts (``plot_...``) load plotly when they are first asked for: the record does without it.
"""

from typing import Any

from .document import build_document
from .draw_mpl import draw_bars, draw_lines
from .export import record_json, record_tables, record_zip, verify_zip, zip_member
from .figures import BarChart, FaceMap, LineChart, budget_bars, curve_chart, face_map, series_chart
from .html import record_html
from .kept_record import must_be_same_record
from .model import ChecklistItem, Document, RecordInput
from .overlay import overlay_picture
from .palette import CHANGE_STYLES, CLASS_STYLES, FATE_SYMBOLS, STATUS_SYMBOLS, Style
from .pdf import record_pdf
from .text import translator

__all__ = [
    "CHANGE_STYLES",
    "CLASS_STYLES",
    "FATE_SYMBOLS",
    "STATUS_SYMBOLS",
    "BarChart",
    "ChecklistItem",
    "Document",
    "FaceMap",
    "LineChart",
    "RecordInput",
    "Style",
    "budget_bars",
    "build_document",
    "curve_chart",
    "draw_bars",
    "draw_lines",
    "face_map",
    "must_be_same_record",
    "overlay_picture",
    "plot_bars",
    "plot_lines",
    "plot_map",
    "plot_side_by_side",
    "record_html",
    "record_json",
    "record_pdf",
    "record_tables",
    "record_zip",
    "series_chart",
    "translator",
    "verify_zip",
    "zip_member",
]


def __getattr__(name: str) -> Any:
    if name in ("plot_bars", "plot_lines", "plot_map", "plot_side_by_side"):
        from . import draw_plotly

        return getattr(draw_plotly, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
