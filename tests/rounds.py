"""How much of a check each round of tests runs."""

from __future__ import annotations

from typing import Any

import pytest

__all__ = ["usual_and_long"]


def usual_and_long(names: str | tuple[str, ...], usual: Any, long: Any) -> pytest.MarkDecorator:
    """The test with `usual` for its arguments `names` in every round, and with `long` in the long one.

    A coverage is told as well by few trials with the wider sampling error that they have, only later: a shift that the
    usual round lets pass is for the long one to find.
    """
    values = (long,) if isinstance(names, str) else long
    return pytest.mark.parametrize(names, [usual, pytest.param(*values, marks=pytest.mark.long)])
