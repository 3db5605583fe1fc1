"""The drawing editor: press on the picture, type beside it, take back, keep."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import streamlit as st
from streamlit.errors import StreamlitAPIException

from ...casebook import Casebook, Face, Plate
from ...drawing import Drawing, Finding, check_drawing
from ...drawing.edit import Replay, Step
from ...errors import DrawingError, EditConflict, PitmapError
from ...units import UnitSystem
from ...workflow import save_drawing
from ..guard import sentences
from ..parts import must_be_sound, show_findings
from ..plain_text import plain
from ..remembered import recall, remember
from ..state import unit_word, units
from .drawing_desk import TOOLS, Desk, changed
from .drawing_figure import View, whole_plate
from .drawing_press import photo_choice, show_picture, take_press

__all__ = ["Editor", "editor", "is_begun", "key_of"]


@st.cache_resource(max_entries=1, show_spinner=False)
def _replay() -> Replay:
    return Replay()


@st.cache_resource(max_entries=64, show_spinner=False)
def _findings(key: int, system: UnitSystem, _drawing: Drawing) -> list[Finding]:
    return check_drawing(_drawing, poses=False, system=system)


def key_of(drawing: Drawing) -> str:
    """What tells a drawing from others."""
    d = drawing
    words = [
        d.fingerprint(), d.name, d.thickness_mm, [(o.name, o.kind) for o in d.openings], sorted(d.zone_purposes.items()),
        dict(d.limits), dict(d.photo_hints),
    ]  # fmt: skip
    return hashlib.sha256(repr(words).encode()).hexdigest()[:20]


class Editor:
    """The editor of one face during one run of the page.

    Parameters
    ----------
    kept : Casebook
    plate : Plate
    face : Face
    base : Drawing
        What the changes are laid on.
    newest : int
        Number of the newest file of the drawing when `base` was read (:func:`pitmap.workflow.newest_file`).
    """

    def __init__(self, kept: Casebook, plate: Plate, face: Face, base: Drawing, newest: int) -> None:
        self.kept, self.plate, self.face, self.base, self.newest = kept, plate, face, base, newest
        self.key = f"{face.id}-{key_of(base)}"
        self._slot = _slot_of(face)
        self._base_slot = f"edit_base_{face.id}"
        self._laid_on_newest()

    @property
    def desk(self) -> Desk:
        """What is remembered between runs."""
        return recall(self._slot, Desk())

    @desk.setter
    def desk(self, new: Desk) -> None:
        remember(self._slot, new, is_half_done=bool(new.history.steps or new.clicks))

    @property
    def drawing(self) -> Drawing:
        """The drawing as it stands after the changes."""
        return _replay()(self.base, self.key, self.desk.history.done).drawing

    @property
    def view(self) -> View:
        """The part of the plate that is shown."""
        return self.desk.view or whole_plate(self.drawing)

    @property
    def stamp(self) -> int:
        """What tells the drawing as it stands from any other; a field that shows it has this in its key."""
        return hash((self.key, self.desk.history.done))

    def name(self, what: str) -> str:
        """Key of a widget of this face."""
        return f"edit_{what}_{self.face.id}"

    def length(self, what: str) -> str:
        """Key of a field for a length: a number that was typed in one unit is not read in another."""
        return self.name(f"{what}_{unit_word()}")

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
        old = recall(self._base_slot, None)
        late = st.session_state.pop(self.name("late"), "")
        remember(self._base_slot, self.key)
        if old is None or old == self.key or not self.desk.history.steps:
            if late:
                self.set(refused=late)
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
            refused=f"{late or 'The kept drawing was changed meanwhile'}. {n} of your {len(done)} changes were laid on the "
            "new one; look at them before you keep it.",
        )  # fmt: skip


def is_begun(face: Face) -> bool:
    """Changes of this face's drawing were made and not kept yet."""
    return recall(_slot_of(face), Desk()).history.n_done > 0


def _slot_of(face: Face) -> str:
    return f"edit_desk_{face.id}"


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


def _state_line(ed: Editor) -> None:
    desk = ed.desk
    if desk.refused:
        st.error(plain(desk.refused), icon=":material/error:")
    elif desk.said:
        st.caption(f":material/check: {plain(desk.said)}")
    n = desk.history.n_done
    if n:
        st.markdown(f":orange-badge[{n} change{'s' if n > 1 else ''} not kept yet]")
    else:
        st.markdown(":gray-badge[No changes]")


def _checked(ed: Editor, findings: list[Finding]) -> None:
    st.markdown("**The check**")
    show_findings(findings)
    if st.button("Keep this drawing", type="primary", key=ed.name("keep"), width="stretch"):
        keep(ed)
    if ed.desk.history.steps:
        with st.expander("What was changed"):
            for k, text in enumerate(map(plain, ed.desk.told), 1):
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
        must_be_sound(check_drawing(drawing, system=units()))
    desk, blank = ed.desk, f"blank_plate_{ed.face.id}"
    before = {ed._slot: desk, ed._base_slot: ed.key, blank: recall(blank, None)}
    # Written down before: a second press meanwhile ends this run, and what it made would be laid on itself.
    ed.desk = Desk(tool=desk.tool, view=desk.view, chosen=desk.chosen, said="Drawing kept")
    remember(ed._base_slot, None)
    remember(blank, None)
    try:
        # the editor is drawn again by itself, on the drawing that the page was opened with
        save_drawing(ed.kept, ed.plate, ed.face, drawing, over=ed.newest)
    except PitmapError as error:
        for slot, value in before.items():
            remember(slot, value)
        if not isinstance(error, EditConflict):
            raise
        if desk.history.steps or before[blank]:
            st.session_state[ed.name("late")] = str(error)
    st.rerun()


@st.fragment
def editor(kept: Casebook, plate: Plate, face: Face, base: Drawing, newest: int, has_photo_fit: bool) -> None:
    """The editor, drawn again by itself after every press.

    Parameters
    ----------
    kept : Casebook
    plate : Plate
    face : Face
    base : Drawing
        The kept drawing, or a blank plate to start from.
    newest : int
        Number of the newest kept file of the drawing when it was read.
    has_photo_fit : bool
        The face has a kept drawing that photos can be aligned to.
    """
    from .drawing_panels import panel

    with sentences():
        ed = Editor(kept, plate, face, base, newest)
        take_press(ed)
        _bar(ed)
        left, right = st.columns([5, 3], gap="medium")
        place = right.container()
        with left:
            shown = st.container()
            ref = photo_choice(ed) if has_photo_fit else None
        curve, alike = None, None
        with place, sentences():
            curve, alike = panel(ed)
        findings = _findings(ed.stamp, units(), ed.drawing)
        with shown:
            show_picture(ed, findings, curve, alike, ref)
            _state_line(ed)
        with place, sentences():
            _checked(ed, findings)
