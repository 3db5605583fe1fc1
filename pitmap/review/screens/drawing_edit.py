"""The drawing editor: press on the picture, type beside it, take back, keep."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import streamlit as st
from numpy.typing import NDArray
from streamlit.errors import StreamlitAPIException
from streamlit_image_coordinates import streamlit_image_coordinates

from ...casebook import Casebook, Face, PhotoRef, Plate
from ...drawing import Drawing, Finding, check_drawing
from ...drawing.edit import Replay, Step
from ...errors import DrawingError, InputError, PitmapError
from ...registration import rectify
from ...workflow import save_drawing
from ..cached import laid_on, photo_of
from ..guard import sentences
from ..parts import stage_word
from .drawing_desk import TOOLS, Choices, Desk, Press, changed, pointed
from .drawing_figure import PICTURE_PX, Marks, View, edit_picture, whole_plate

__all__ = ["Editor", "editor", "key_of"]

_ICONS = {"error": ":material/block:", "warning": ":material/warning:", "note": ":material/info:"}
_FINGER_PX = 20
_MOUSE_PX = 13
"""Half of what a finger and a mouse cover, in pixels as shown (house choice)."""
_PHONE_PX = 500
"""A picture shown narrower than this is on a phone."""


@st.cache_resource(max_entries=1, show_spinner=False)
def _replay() -> Replay:
    return Replay()


@st.cache_resource(max_entries=64, show_spinner=False)
def _findings(key: int, _drawing: Drawing) -> list[Finding]:
    return check_drawing(_drawing, poses=False)


@st.cache_resource(max_entries=8, show_spinner="Laying the photo under the drawing ...")
def _ground(sha256: str, key: str, view: View, _ref: PhotoRef, _face: Face) -> NDArray[np.uint8]:
    return rectify(photo_of(_ref).rgb, laid_on(_ref, _face), view.grid())[0]


def key_of(drawing: Drawing) -> str:
    """What tells a drawing from others."""
    d = drawing
    edges = [e for e in (d.outline, d.trace, d.coolant_edge) if e is not None]
    shapes = [*edges, *(o.polygon for o in d.openings), *d.zones.values(), *(b.polygon for b in d.bands)]
    digest = hashlib.sha256(b"".join(s.wkb for s in shapes))
    words = [
        d.name, d.thickness_mm, [(o.name, o.kind) for o in d.openings], [(b.name, b.seal_width_mm) for b in d.bands],
        sorted(d.zone_purposes.items()), dict(d.limits), dict(d.photo_hints),
    ]  # fmt: skip
    digest.update(repr(words).encode())
    return digest.hexdigest()[:20]


class Editor:
    """The editor of one face during one run of the page.

    Parameters
    ----------
    kept : Casebook
    plate : Plate
    face : Face
    base : Drawing
        What the changes are laid on.
    """

    def __init__(self, kept: Casebook, plate: Plate, face: Face, base: Drawing) -> None:
        self.kept, self.plate, self.face, self.base = kept, plate, face, base
        self.key = f"{face.id}-{key_of(base)}"
        self._slot = f"edit_desk_{face.id}"
        self._base_slot = f"edit_base_{face.id}"
        self._laid_on_newest()

    @property
    def desk(self) -> Desk:
        """What is remembered between runs."""
        return st.session_state.setdefault(self._slot, Desk())

    @desk.setter
    def desk(self, new: Desk) -> None:
        st.session_state[self._slot] = new

    @property
    def drawing(self) -> Drawing:
        """The drawing as it stands after the changes."""
        return _replay()(self.base, self.key, self.desk.history.done).drawing

    @property
    def view(self) -> View:
        """The part of the plate that is shown."""
        return self.desk.view or whole_plate(self.drawing)

    def name(self, what: str) -> str:
        """Key of a widget of this face."""
        return f"edit_{what}_{self.face.id}"

    def make(self, step: Step) -> bool:
        """Make a change, or remember why it cannot be made."""
        self.desk = changed(self.desk, _replay(), self.base, self.key, step)
        return not self.desk.refused

    def set(self, **fields: Any) -> None:
        """Change what is remembered; what was said last is dropped."""
        self.desk = replace(self.desk, **{"said": "", "refused": "", **fields})

    def tried(self, do: Callable[[], None]) -> None:
        """Do something that a person asked for; a refusal is shown beside the picture."""
        try:
            do()
        except PitmapError as error:
            self.set(refused=str(error))

    def again(self) -> None:
        """Draw the editor again, after a change that was made while it was being drawn."""
        try:
            st.rerun(scope="fragment")
        except StreamlitAPIException:
            # The whole page is being drawn, not the editor alone.
            st.rerun()

    def _laid_on_newest(self) -> None:
        """Where the kept drawing has changed since, lay the changes on the new one as far as they go."""
        old = st.session_state.get(self._base_slot)
        st.session_state[self._base_slot] = self.key
        if old is None or old == self.key or not self.desk.history.steps:
            return
        desk, done = self.desk, self.desk.history.done
        new = Desk(tool=desk.tool, view=desk.view)
        for step in done:
            tried = changed(new, _replay(), self.base, self.key, step)
            if tried.refused:
                break
            new = tried
        n = new.history.n_done
        self.desk = replace(
            new, said="",
            refused=f"The kept drawing was changed meanwhile. {n} of your {len(done)} changes were laid on the new one; "
            "look at them before you keep it.",
        )  # fmt: skip


def _choices(ed: Editor) -> Choices:
    """What is typed beside the picture, as of this run."""
    from .drawing_fields import typed_mm

    state = st.session_state
    values: dict[str, Any] = {}
    if (text := state.get(ed.name("diameter"))) is not None:
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


def _take_press(ed: Editor) -> None:
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


def _undo(ed: Editor) -> None:
    told = ed.desk.told[ed.desk.history.n_done - 1]
    ed.set(history=ed.desk.history.undone(), said=f"Taken back: {told}", corner=-1, armed="")


def _redo(ed: Editor) -> None:
    told = ed.desk.told[ed.desk.history.n_done]
    ed.set(history=ed.desk.history.redone(), said=f"Done again: {told}", corner=-1, armed="")


def _tool_changed(ed: Editor) -> None:
    ed.set(tool=st.session_state[ed.name("tool")] or "move", clicks=(), armed="")


def _bar(ed: Editor) -> None:
    desk = ed.desk
    st.session_state[ed.name("tool")] = desk.tool
    st.pills(
        "What do you want to do?", list(TOOLS), format_func=TOOLS.get, key=ed.name("tool"), required=True,
        on_change=_tool_changed, args=(ed,),
    )  # fmt: skip
    view = ed.view
    with st.container(horizontal=True, gap="small"):

        def button(
            label: str, do: Callable[..., None], *args: Any, icon: str, help: str, off: bool = False
        ) -> None:
            st.button(
                label, key=ed.name(f"bar_{icon}"), icon=f":material/{icon}:", help=help, disabled=off,
                on_click=do, args=args,
            )  # fmt: skip

        last = desk.told[desk.history.n_done - 1] if desk.history.can_undo else ""
        following = desk.told[desk.history.n_done] if desk.history.can_redo else ""
        button(
            "Undo",
            _undo,
            ed,
            icon="undo",
            help=f"Take back: {last}" if last else "Nothing to take back",
            off=not last,
        )
        button(
            "Redo", _redo, ed, icon="redo", help=f"Do again: {following}" if following else "Nothing to do again",
            off=not following,
        )  # fmt: skip

        def look(new: View | None) -> None:
            ed.set(view=new, said=desk.said)

        button("Whole plate", look, None, icon="fit_screen", help="Show the whole plate")
        about = _chosen_place(ed)
        button("", look, view.zoomed(1.8, about), icon="zoom_in", help="Nearer")
        button("", look, view.zoomed(1 / 1.8), icon="zoom_out", help="Farther")
        for word, icon, step in (
            ("Left", "arrow_back", (-0.35, 0)), ("Right", "arrow_forward", (0.35, 0)),
            ("Up", "arrow_upward", (0, 0.35)), ("Down", "arrow_downward", (0, -0.35)),
        ):  # fmt: skip
            button("", look, view.moved(*step), icon=icon, help=word)


def _chosen_place(ed: Editor) -> tuple[float, float] | None:
    """Where the chosen opening or corner is, so that zooming in goes there."""
    from ...drawing.edit import EDGES, contour_of, corners_of

    desk = ed.desk
    if not desk.chosen or (desk.chosen in EDGES and desk.corner < 0):
        return None
    try:
        area = contour_of(ed.drawing, desk.chosen)
    except DrawingError:
        return None
    if desk.corner >= 0:
        corners = corners_of(area)
        return tuple(corners[desk.corner]) if desk.corner < len(corners) else None
    return area.centroid.coords[0]


def _photo_choice(ed: Editor) -> PhotoRef | None:
    """The photo that is to lie under the drawing."""
    refs: dict[int, PhotoRef] = {}
    words = {0: "none"}
    for survey in ed.kept.surveys(face=ed.face):
        for ref in ed.kept.photos(survey):
            refs[ref.id] = ref
            words[ref.id] = f"{stage_word(survey.stage)}, {survey.surveyed_on:%Y-%m-%d}: {ref.name}"
    if not refs:
        return None
    number = st.selectbox("Photo under the drawing", list(words), key=ed.name("photo"), format_func=words.get)
    return refs.get(number)


def _picture(
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


def _state_line(ed: Editor) -> None:
    desk = ed.desk
    if desk.refused:
        st.error(desk.refused, icon=":material/error:")
    elif desk.said:
        st.caption(f":material/check: {desk.said}")
    n = desk.history.n_done
    if n:
        st.markdown(f":orange-badge[{n} change{'s' if n > 1 else ''} not kept yet]")
    else:
        st.markdown(":gray-badge[No changes]")


def _checked(ed: Editor, findings: list[Finding]) -> None:
    st.markdown("**The check**")
    if not findings:
        st.write(":material/check: The check found nothing.")
    for f in findings:
        st.write(f"{_ICONS[f.severity]} {f.element}: {f.text}")
    if st.button("Keep this drawing", type="primary", key=ed.name("keep"), width="stretch"):
        keep(ed)
    if ed.desk.history.steps:
        with st.expander("What was changed"):
            for k, text in enumerate(ed.desk.told, 1):
                st.write(f"{k}. {text}" if k <= ed.desk.history.n_done else f"{k}. ~~{text}~~ (taken back)")
            st.button("Drop all changes", key=ed.name("drop"), on_click=_drop, args=(ed,))


def _drop(ed: Editor) -> None:
    ed.desk = Desk(tool=ed.desk.tool, view=ed.desk.view, said="All changes dropped")


def keep(ed: Editor) -> None:
    """Check the drawing and keep it with the face.

    Raises
    ------
    InputError
        The check finds an error; the first is told.
    """
    drawing = ed.drawing
    with st.spinner("Checking ..."):
        errors = [f for f in check_drawing(drawing) if f.severity == "error"]
    if errors:
        raise InputError(f"{errors[0].element}: {errors[0].text}")
    save_drawing(ed.kept, ed.plate, ed.face, drawing)
    ed.desk = Desk(tool=ed.desk.tool, view=ed.desk.view, chosen=ed.desk.chosen, said="Drawing kept")
    st.session_state.pop(ed._base_slot, None)
    st.session_state.pop(f"blank_plate_{ed.face.id}", None)
    st.rerun()


@st.fragment
def editor(kept: Casebook, plate: Plate, face: Face, base: Drawing, has_photo_fit: bool) -> None:
    """The editor, drawn again by itself after every press.

    Parameters
    ----------
    kept : Casebook
    plate : Plate
    face : Face
    base : Drawing
        The kept drawing, or a blank plate to start from.
    has_photo_fit : bool
        The face has a kept drawing that photos can be aligned to.
    """
    from .drawing_panels import panel

    with sentences():
        ed = Editor(kept, plate, face, base)
        _take_press(ed)
        _bar(ed)
        left, right = st.columns([5, 3], gap="medium")
        place = right.container()
        with left:
            shown = st.container()
            ref = _photo_choice(ed) if has_photo_fit else None
        curve, alike = None, None
        with place, sentences():
            curve, alike = panel(ed)
        findings = _findings(hash((ed.key, ed.desk.history.done)), ed.drawing)
        with shown:
            _picture(ed, findings, curve, alike, ref)
            _state_line(ed)
        with place, sentences():
            _checked(ed, findings)
