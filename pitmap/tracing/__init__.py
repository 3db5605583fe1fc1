"""A drawing of a plate that nobody has drawn: traced from photos with one known distance or a printed target."""

from .clicks import focal_in_px, read_clicks, read_trace_sources
from .photos import PhotoClicks, SheetUse
from .result import CIRCLES, Contour, Trace
from .stretches import Stretch
from .trace import trace_plate

__all__ = [
    "CIRCLES",
    "Contour",
    "PhotoClicks",
    "SheetUse",
    "Stretch",
    "Trace",
    "focal_in_px",
    "read_clicks",
    "read_trace_sources",
    "trace_plate",
]
