"""A drawing of a plate that nobody has drawn: traced from photos with one known distance or a printed target."""

from .clicks import read_clicks
from .photos import PhotoClicks, SheetUse
from .result import CIRCLES, Contour, Trace
from .trace import trace_plate

__all__ = ["CIRCLES", "Contour", "PhotoClicks", "SheetUse", "Trace", "read_clicks", "trace_plate"]
