"""A drawing of a plate that nobody has drawn: traced from a few photos and one known distance."""

from .trace import CIRCLES, PhotoClicks, Trace, trace_plate

__all__ = ["CIRCLES", "PhotoClicks", "Trace", "trace_plate"]
