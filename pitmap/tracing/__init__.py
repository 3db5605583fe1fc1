"""A drawing of a plate that nobody has drawn: traced from a few photos and one known distance."""

from .result import CIRCLES, Trace
from .trace import PhotoClicks, trace_plate

__all__ = ["CIRCLES", "PhotoClicks", "Trace", "trace_plate"]
