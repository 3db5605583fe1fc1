"""Errors become sentences; a traceback never reaches the page."""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import streamlit as st
from streamlit.runtime.scriptrunner_utils.exceptions import RerunException, StopException

from ..errors import PitmapError

__all__ = ["guarded", "sentences"]

_LOG = logging.getLogger("pitmap.review")


@contextmanager
def sentences() -> Iterator[None]:
    """Show what goes wrong inside as one sentence where it happened, and go on below."""
    try:
        yield
    except (RerunException, StopException):
        raise
    except PitmapError as error:
        st.error(str(error), icon=":material/error:")
    except Exception:
        _LOG.exception("unexpected error on a page")
        st.error(
            "Something went wrong that pitmap did not expect. Nothing was half saved. The details are in the "
            "window where pitmap was started; try again, and report it if it stays.",
            icon=":material/error:",
        )


def guarded(show: Callable[[], None]) -> Callable[[], None]:
    """A page whose errors are shown as sentences."""

    @functools.wraps(show)
    def inner() -> None:
        with sentences():
            show()

    return inner
