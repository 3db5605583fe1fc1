"""The command line: parse, call, print, exit by the kind of error. No formulas here."""

from .entry import main

__all__ = ["main"]
