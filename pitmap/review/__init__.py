"""The review page: a job from intake to release, in the browser. No formulas here."""

from .router import run

__all__ = ["run"]
