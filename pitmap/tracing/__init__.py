"""A drawing of a plate that nobody has drawn: traced from a few photos and one known distance."""

from .clicks import read_clicks
from .result import CIRCLES, Trace
from .trace import PhotoClicks, trace_plate

__all__ = ["CIRCLES", "PhotoClicks", "Trace", "read_clicks", "trace_plate"]
