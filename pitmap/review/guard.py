"""Errors become sentences; a traceback never reaches the page."""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import streamlit as st
from streamlit.runtime.scriptrunner_utils.exceptions import RerunException, StopException

from ..errors import PitmapError
from .plain_text import plain
from .sent_forms import tell_lost

__all__ = ["guarded", "sentences"]

_LOG = logging.getLogger("pitmap.review")
_LABELS = {
    "who": "Your name",
    "job.reference": "Customer's reference",
    "job.customer": "Customer",
    "job.engine": "Engine",
    "job.notes": "History and notes",
    "plate.tag": "Plate tag",
    "face.name": "Name of the face",
    "plate_event.text": "In words",
    "plate_event.source": "Who says so",
    "survey.surveyed_on": "Day",
    "map_edit.reason": "Why",
    "checklist_item.note": "Why",
    "reason": "Why",
    "sign_off.statement": "What you stand for",
    "reading.instrument": "Instrument",
    "search.text": "Search",
}
"""The casebook's names of what is entered, as the fields of the pages are labelled."""


@contextmanager
def sentences() -> Iterator[None]:
    """Show what goes wrong inside as one sentence where it happened, and go on below."""
    try:
        yield
    except (RerunException, StopException):
        raise
    except PitmapError as error:
        st.error(plain(_on_the_page(str(error))), icon=":material/error:")
    except Exception:
        _LOG.exception("unexpected error on a page")
        st.error(
            "Something went wrong that pitmap did not expect. Nothing was half saved. The details are in the "
            "window where pitmap was started; try again, and report it if it stays.",
            icon=":material/error:",
        )


def _on_the_page(text: str) -> str:
    """A sentence of the casebook with the label of the field that it begins with."""
    field, colon, why = text.partition(": ")
    return f"{_LABELS.get(field, field)}{colon}{why}"


def guarded(show: Callable[[], None]) -> Callable[[], None]:
    """A page whose errors are shown as sentences."""

    @functools.wraps(show)
    def inner() -> None:
        top = st.container()
        with sentences():
            show()
        tell_lost(top)

    return inner
