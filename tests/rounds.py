"""How much of a check each round of tests runs."""

from __future__ import annotations

from typing import Any

import pytest

__all__ = ["long"]


def long(*values: Any) -> Any:
    """Arguments of a test, for `pytest.mark.parametrize`, that the long round runs and the usual one leaves out.

    A coverage is told as well by few trials with the wider sampling error that they have, only later: a shift that the
    usual round lets pass is for the long one to find.
    """
    return pytest.param(*values, marks=pytest.mark.long)
