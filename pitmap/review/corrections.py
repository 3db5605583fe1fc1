"""Corrections of the map by hand: what was drawn, what it is, why; undo; drafts of whoever came second."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from ..casebook import Casebook, InspectionRef, MapEdit
from ..classes import CLASS_WORDS, SurfaceClass
from ..errors import InputError
from ..measure import SEEN_METAL, drawn_area, must_change
from ..report import translator
from ..report.words import class_word
from ..surface import ClassMap
from ..units import format_area, parse_length
from .guard import sentences
from .plain_text import plain
from .sent_forms import claim, done, send
from .state import signing_book, unit_word, units

__all__ = ["PAINTABLE", "Stroke", "correct"]

PAINTABLE = (SurfaceClass.PIT, SurfaceClass.STAIN, SurfaceClass.TINT, SurfaceClass.UNCUT, SurfaceClass.SCORE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """What was drawn on the map: an outline, or the way of a brush and its width, mm."""

    path_mm: list[list[float]]
    width_mm: float | None = None

    @property
    def shape(self) -> dict[str, object]:
        """As the casebook keeps it."""
        if self.width_mm is None:
            return {"polygon_mm": self.path_mm}
        return {"stroke_mm": self.path_mm, "width_mm": self.width_mm}


_WORDS = {"mm": "mm", "in": "inches"}
_EXAMPLES = {
    "mm": "10.5 60, 20 60, 20 70, or with decimal commas 10,5 60; 20 60; 20 70",
    "in": "0.4 2.4, 0.8 2.4, 0.8 2.75, or with decimal commas 0,4 2,4; 0,8 2,4; 0,8 2,75",
}


def correct(kept: Casebook, ref: InspectionRef, class_map: ClassMap, stroke: Stroke | None) -> None:
    """The form, the list of corrections, undo and drafts.

    Parameters
    ----------
    kept : Casebook
    ref : InspectionRef
        As read for this run of the page.
    class_map : ClassMap
        The map as it is shown, with the corrections before this one.
    stroke : Stroke or None
        What is drawn on the map now.
    """
    # A correction is laid on the map that the person looked at, which is that of the run before this one. Where
    # somebody else changed it meanwhile, the casebook keeps the second correction as a draft and says so.
    looked_at = f"looked_at_{ref.id}"
    seen: InspectionRef = st.session_state.get(looked_at, ref)
    st.session_state[looked_at] = ref
    # what was undone can be put back: the button for it is not folded away
    begun = kept.edits(ref, states=("applied", "draft", "undone"))
    with st.expander("Correct the map by hand", expanded=stroke is not None or bool(begun)):
        _form(seen, class_map, stroke)
        _layers(kept, ref, seen)


def _form(seen: InspectionRef, class_map: ClassMap, stroke: Stroke | None) -> None:
    st.write(
        "Choose *outline* or *brush* beside the map and draw on it; then say what it is."
        if stroke is None
        else f"Drawn: {format_area(drawn_area(stroke.path_mm, stroke.width_mm).area, units())}. Now say what it is."
    )
    # Of this map, and numbered so that what was typed for one change is not there for the next. The version of the map is
    # no part of it: a form that is sent after somebody else's change must still arrive.
    number = f"corrections_{seen.id}"
    slot = f"correct_{seen.id}_{st.session_state.setdefault(number, 0)}"
    claim(slot)
    unit = unit_word()
    # of one unit: numbers that were typed in the other must not be read in this one
    fields = {f"Or type the corners in {_WORDS[unit]}": f"corners_{slot}_{unit}", "Why": f"why_{slot}"}
    with st.form(slot, border=False):
        # before the first lap nothing is cut, so nothing can be left uncut
        paintable = [c for c in PAINTABLE if c != SurfaceClass.UNCUT or class_map.stage.is_lapped]
        words = {SurfaceClass.SOUND: "sound: erase what is there", **{c: _word(c) for c in paintable}}
        to = st.selectbox("This area is", list(words), format_func=words.get)
        only = st.selectbox(
            "Change",
            [None, *paintable, SurfaceClass.UNSEEN],
            format_func=lambda c: (
                "all of it that was seen" if c is None else f"only what is shown as {_word(c)}"
            ),
        )
        st.caption(
            "Metal that was not seen stays so. If you have looked at it on the plate, choose "
            f"*only what is shown as {_word(SurfaceClass.UNSEEN)}*, and say so under Why."
        )
        corners, why = fields
        typed = st.text_input(corners, placeholder="x y, x y, x y (instead of drawing)", key=fields[corners])
        reason = st.text_input(why, placeholder="marker pen, not a pit", max_chars=300, key=fields[why])
        if st.form_submit_button("Change the map", type="primary", on_click=send, args=(slot, fields)):
            with sentences():
                if typed.strip():
                    if stroke is not None:
                        raise InputError(
                            "two areas: one is drawn on the map and one is typed; empty the field of corners, or set the "
                            "pointer to look to leave the drawn one out"
                        )
                    stroke = Stroke(path_mm=_typed_corners(typed, unit))
                if stroke is None:
                    raise InputError(
                        "no area: draw it with the pointer set to outline or brush, or type its corners"
                    )
                area = drawn_area(stroke.path_mm, stroke.width_mm)
                # what lies under glare or a rag nobody has seen: it gets a class by its own name alone
                changed = SEEN_METAL if only is None else (only,)
                must_change(class_map, area, changed)
                shape = {**stroke.shape, "only": [int(c) for c in changed]}
                how = "polygon" if stroke.width_mm is None else "brush"
                action = "erase" if to == SurfaceClass.SOUND else how
                signing_book().add_edit(seen, action, class_code=int(to), shape=shape, reason=reason)
                st.session_state[number] += 1
                done(slot)
                st.rerun()


def _word(code: SurfaceClass) -> str:
    """A class of metal as the map and the record call it."""
    return class_word(translator(), CLASS_WORDS[code])


def _layers_of(kept: Casebook, ref: InspectionRef) -> tuple[MapEdit, ...]:
    return kept.edits(ref, states=("applied", "draft"))


def _layers(kept: Casebook, ref: InspectionRef, seen: InspectionRef) -> None:
    # read after the form: a correction that came second has just become a draft
    edits = _layers_of(kept, ref)
    for edit in edits:
        state = " (kept as a draft: somebody else was first)" if edit.state == "draft" else ""
        if edit.accepted_by not in ("", edit.created_by):
            state = f" (accepted by {edit.accepted_by})"
        said = f"{edit.created_by}: {_word(SurfaceClass(edit.class_code))}, {edit.reason}{state}"
        st.caption(plain(said))
        if edit.state != "draft":
            continue
        one, two = st.columns(2)
        if one.button("Lay this draft on top", key=f"draft_{edit.id}"):
            with sentences():
                signing_book().accept_draft_edit(ref, edit)
                st.rerun()
        if two.button("Lay this draft aside", key=f"aside_{edit.id}"):
            with sentences():
                signing_book().discard_draft_edit(ref, edit)
                st.rerun()
    one, two = st.columns(2)
    if any(e.state == "applied" for e in edits) and one.button(
        "Undo the last change", icon=":material/undo:"
    ):
        with sentences():
            signing_book().undo_edit(seen)
            st.rerun()
    undone = kept.edits(ref, states=("undone",))
    if undone and two.button("Put the undone change back", icon=":material/redo:"):
        with sentences():
            signing_book().redo_edit(seen)
            st.rerun()


def _typed_corners(text: str, unit: str = "mm") -> list[list[float]]:
    """Corners in mm, of numbers in the unit of the page."""
    # Where semicolons part the corners, commas are left to be decimal ones.
    parts = text.replace(",", ".").split(";") if ";" in text else text.split(",")
    corners = []
    for k, pair in enumerate((p for p in parts if p.strip()), 1):
        try:
            x, y = (parse_length(p, to="mm", default_unit=unit) for p in pair.split())
        except (InputError, ValueError):
            raise InputError(
                f"corner {k}: expected two numbers, x and y in {_WORDS[unit]}, got {pair.strip()!r}; write {_EXAMPLES[unit]}"
            ) from None
        corners.append([x, y])
    if len(corners) < 3:
        raise InputError("corners: an area needs three or more")
    return corners
