"""The picture of the drawing editor on the page, and the presses that come back from it."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import streamlit as st
from numpy.typing import NDArray
from streamlit_image_coordinates import streamlit_image_coordinates

from ...casebook import Face, PhotoRef
from ...drawing import Finding
from ...registration import rectify
from ..cached import laid_on, photo_of
from ..guard import sentences
from ..parts import stage_word
from ..told_apart import told_apart
from .drawing_desk import Choices, Press, pointed
from .drawing_fields import typed_mm
from .drawing_figure import PICTURE_PX, Marks, View, edit_picture

if TYPE_CHECKING:
    from .drawing_edit import Editor

__all__ = ["photo_choice", "show_picture", "take_press"]

_FINGER_PX = 20
_MOUSE_PX = 13
"""Half of what a finger and a mouse cover, in pixels as shown (house choice)."""
_PHONE_PX = 500
"""A picture shown narrower than this is on a phone."""


@st.cache_resource(max_entries=8, show_spinner="Laying the photo under the drawing ...")
def _ground(sha256: str, key: str, view: View, _ref: PhotoRef, _face: Face) -> NDArray[np.uint8]:
    return rectify(photo_of(_ref).rgb, laid_on(_ref, _face), view.grid())[0]


def _choices(ed: Editor) -> Choices:
    """What is typed beside the picture, as of this run."""
    state = st.session_state
    values: dict[str, Any] = {}
    if (text := state.get(ed.length("diameter"))) is not None:
        values["diameter_mm"] = typed_mm(text, "diameter")
    for field in ("kind", "is_smooth", "stretch_mm"):
        if (value := state.get(ed.name(field))) is not None:
            values[field] = value
    values["name"] = state.get(ed.name("new_name")) or ""
    return Choices(**values)


def _shown_px(ed: Editor) -> float:
    """Width at which the picture is shown: as last reported, else guessed from what the browser says it is."""
    known = st.session_state.get(ed.name("shown_px"))
    if known:
        return float(known)
    agent = st.context.headers.get("User-Agent") or ""
    return 360.0 if re.search("Mobi|Android|iPhone", agent) else 620.0


def take_press(ed: Editor) -> None:
    """Handle a press on the picture that has not been handled yet."""
    event = st.session_state.get(ed.name("picture"))
    if not event or event.get("unix_time") == st.session_state.get(ed.name("handled")):
        return
    st.session_state[ed.name("handled")] = event.get("unix_time")
    if not event.get("width"):
        return
    st.session_state[ed.name("shown_px")] = event["width"]
    k = PICTURE_PX / event["width"]
    grid = ed.view.grid()

    def place(x: float, y: float) -> tuple[float, float]:
        at = grid.px_to_mm([(x + 0.5) * k - 0.5, (y + 0.5) * k - 0.5])
        return round(float(at[0]), 3), round(float(at[1]), 3)

    half = _FINGER_PX if event["width"] < _PHONE_PX else _MOUSE_PX
    press = Press(
        begin=place(event["x1"], event["y1"]),
        end=place(event["x2"], event["y2"]),
        reach_mm=half * k / grid.px_per_mm,
    )

    def do() -> None:
        ed.desk, step = pointed(ed.desk, ed.drawing, press, _choices(ed))
        if step is not None and ed.make(step):
            made = dict(step.arguments)
            if step.operation in ("add_hole", "add_opening"):
                st.session_state[ed.name("new_name")] = ""
                ed.desk = replace(ed.desk, chosen=ed.drawing.openings[-1].name, corner=-1)
            elif step.operation == "move_corner":
                ed.desk = replace(ed.desk, chosen=str(made["element"]))

    ed.tried(do)


def photo_choice(ed: Editor) -> PhotoRef | None:
    """The photo that is to lie under the drawing."""
    refs: dict[int, PhotoRef] = {}
    words = {0: "none"}
    for survey in ed.kept.surveys(face=ed.face):
        for ref in ed.kept.photos(survey):
            refs[ref.id] = ref
            words[ref.id] = f"{stage_word(survey.stage)}, {survey.surveyed_on:%Y-%m-%d}: {ref.name}"
    if not refs:
        return None
    labels = told_apart(words, by_key=True)
    number = st.selectbox(
        "Photo under the drawing", list(labels), key=ed.name("photo"), format_func=labels.get
    )
    return refs.get(number)


def show_picture(
    ed: Editor, findings: list[Finding], curve: NDArray[np.float64] | None, alike: Any, ref: PhotoRef | None
) -> None:
    desk, view = ed.desk, ed.view
    ground = None
    if ref is not None:
        with sentences():
            ground = _ground(ref.sha256, ed.key, view, ref, ed.face)
    shown = _shown_px(ed)
    marks = Marks(
        chosen=desk.chosen,
        clicks=desk.clicks,
        is_ring=desk.tool in ("opening", "land", "plate"),
        curve=curve,
        findings=findings,
        alike=alike,
        handle_px=float(np.clip(8 * PICTURE_PX / shown, 8, 24)),
        name_px=round(float(np.clip(13 * PICTURE_PX / shown, 14, 36))),
    )
    picture = edit_picture(ed.drawing, view, marks, ground)
    streamlit_image_coordinates(
        picture, width="stretch", key=ed.name("picture"), click_and_drag=True, cursor="crosshair",
        image_format="PNG" if ground is None else "JPEG", png_compression_level=3, jpeg_quality=82,
    )  # fmt: skip
