"""The button that maps a face: pressed twice, it maps once."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit.runtime.scriptrunner_utils.exceptions import RerunException, StopException

from ..casebook import Casebook, Face, Plate, Survey
from ..pipeline import Progress
from ..workflow import map_survey
from .sent_forms import claim, done, send

__all__ = ["MapButton"]


@dataclass(slots=True)
class _Work:
    """What this tab maps; one object of the session, written to without a word to it: at that a run may end."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    made: set[str] = field(default_factory=set)
    ongoing: str = ""
    is_awaited: bool = False
    """What is being mapped was asked for once more meanwhile."""


class MapButton:
    """The button of a survey during one run of the page.

    A second press begins a second run of the page beside the first one, which would end at its next word to the page. It
    goes on without a word instead; the second one waits, and what is made by then is not made again. Whatever else the
    person turns to may end the map. A press belongs to the maps that the survey had when the button was drawn: a later one
    is a new wish.

    Parameters
    ----------
    kept : Casebook
    survey : Survey
    """

    def __init__(self, kept: Casebook, survey: Survey) -> None:
        self._kept, self._survey = kept, survey
        self._slot = f"map_{survey.id}_{len(kept.inspections(survey))}"
        self._work: _Work = st.session_state.setdefault("map_work", _Work())
        claim(self._slot)

    def pressed(self, label: str, box: DeltaGenerator | None = None, **style: Any) -> bool:
        """Draw it; whether the survey is to be mapped now."""
        place = st if box is None else box
        return place.button(label, key=self._slot, type="primary", on_click=self._press, **style)

    @property
    def begins_with(self) -> str:
        """The step that a bar begins with: after a second press the face is still being mapped, not read anew."""
        return "again" if self._work.ongoing == self._slot else "read"

    def map(self, plate: Plate, face: Face, *, progress: Progress | None = None, **how: Any) -> None:
        """Map the survey; `how` is handed on to :func:`pitmap.workflow.map_survey`."""
        done(self._slot)
        work = self._work

        def told(step: str, share: float) -> None:
            try:
                if progress is not None:
                    progress(step, share)
            except (RerunException, StopException):
                if not work.is_awaited:
                    raise

        with work.lock:
            if self._slot in work.made:
                return
            work.ongoing, work.is_awaited = self._slot, False
            try:
                map_survey(self._kept, self._survey, plate, face, progress=told, **how)
                work.made.add(self._slot)
            finally:
                work.ongoing = ""

    def _press(self) -> None:
        if self._work.ongoing == self._slot:
            self._work.is_awaited = True
        send(self._slot, {})
