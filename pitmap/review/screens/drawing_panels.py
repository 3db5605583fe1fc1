"""Beside the picture of the drawing editor: exact numbers of what is chosen, and what the tool needs."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import streamlit as st

from ...drawing import OPENING_KINDS
from ...drawing.edit import EDGE_WORDS, EDGES, Step, circle_of, contour_of, corners_of, opening_named
from ..state import unit_word
from .drawing_desk import Choices, ring_step
from .drawing_fields import kept_or_typed_mm, shown_mm, typed_mm

if TYPE_CHECKING:
    from .drawing_edit import Editor

__all__ = ["panel", "ring_buttons"]

_STRETCHES_MM = (0.0, 2.0, 5.0, 10.0, 20.0, 40.0, 80.0)
_HOW = {
    "move": "Press on an opening or an edge to choose it; press and drag to move it. With a finger: tap it, then use "
    "*Put it where I press next*.",
    "hole": "Press where the centre of the hole is.",
    "opening": "Press on its corners one after the other, round it; press on the first one again to close it.",
    "zoom": "Press on a place to see it twice as large, or drag a box round it.",
}


def panel(ed: Editor) -> tuple[Any, Any]:
    """The panel of the tool in hand.

    Returns
    -------
    curve, alike
        A curve that is offered, (N, 2) mm or None; edges in another pose, or None: both for the picture.
    """
    from . import drawing_zone_panels as zone

    tool = ed.desk.tool
    if tool in _HOW:
        st.caption(_HOW[tool])
    if tool == "move":
        _move(ed)
    elif tool == "hole":
        _hole(ed)
    elif tool == "opening":
        _opening(ed)
    elif tool == "trace":
        return zone.trace(ed), None
    elif tool == "land":
        return zone.land(ed), None
    elif tool == "bands":
        zone.bands(ed)
    elif tool == "plate":
        return None, zone.plate(ed)
    return None, None


def _choose(ed: Editor) -> None:
    ed.set(chosen=st.session_state[ed.name("chosen")] or "", corner=-1, armed="")


def _words(name: str) -> str:
    return EDGE_WORDS.get(name, name) if name else "nothing"


def _move(ed: Editor) -> None:
    drawing, desk = ed.drawing, ed.desk
    names = ["", *(e for e in EDGES if getattr(drawing, e) is not None), *(o.name for o in drawing.openings)]
    st.session_state[ed.name("chosen")] = desk.chosen if desk.chosen in names else ""
    st.selectbox("Chosen", names, format_func=_words, key=ed.name("chosen"), on_change=_choose, args=(ed,))
    if not desk.chosen or desk.chosen not in names:
        return
    area = contour_of(drawing, desk.chosen)
    if desk.chosen not in EDGES:
        _opening_form(ed)
    if desk.chosen in EDGES or circle_of(area) is None:
        _contour(ed)
    with st.container(horizontal=True, gap="small"):
        can_place = desk.chosen not in EDGES or desk.corner >= 0
        if can_place:
            _arm_button(ed, "place", "Put it where I press next", "ads_click")
        if desk.chosen not in EDGES:
            st.button(
                "Take it out", key=ed.name("remove"), icon=":material/delete:", on_click=ed.make,
                args=(Step.of("remove_opening", name=desk.chosen),),
            )  # fmt: skip


def _arm_button(ed: Editor, what: str, label: str, icon: str) -> None:
    is_on = ed.desk.armed == what
    st.button(
        "Now press on the picture" if is_on else label, key=ed.name(f"arm_{what}"), icon=f":material/{icon}:",
        type="primary" if is_on else "secondary", on_click=lambda: ed.set(armed="" if is_on else what),
    )  # fmt: skip


def _opening_form(ed: Editor) -> None:
    opening = opening_named(ed.drawing, ed.desk.chosen)
    circle = circle_of(opening.polygon)
    middle = opening.polygon.centroid
    x, y = (circle.x_mm, circle.y_mm) if circle else (middle.x, middle.y)
    # The keys carry what is shown, so that a field always shows the drawing as it is now, whoever changed it.
    tag = f"{opening.name}_{ed.stamp}"
    u = unit_word()
    with st.form(ed.name("opening_form"), border=True):
        name = st.text_input("Name", opening.name, key=ed.name(f"name_{tag}"), max_chars=60)
        kind = st.selectbox(
            "Kind", OPENING_KINDS, OPENING_KINDS.index(opening.kind), key=ed.name(f"kind_{tag}")
        )
        one, two = st.columns(2)
        x_text = one.text_input(
            f"{'Centre' if circle else 'Middle'} x, {u}", shown_mm(x), key=ed.length(f"x_{tag}")
        )
        y_text = two.text_input(
            f"{'Centre' if circle else 'Middle'} y, {u}", shown_mm(y), key=ed.length(f"y_{tag}")
        )
        across = ""
        if circle:
            across = st.text_input(
                f"Diameter, {u}",
                shown_mm(circle.diameter_mm),
                key=ed.length(f"d_{tag}"),
                help="A bare number is in the unit named; 0.5 in or 12.7 mm can be typed too.",
            )
        is_set = st.form_submit_button("Set", type="primary", width="stretch")
    if not is_set:
        return

    def do() -> None:
        steps = []
        if kind != opening.kind:
            steps.append(Step.of("set_kind", name=opening.name, kind=kind))
        if circle and across.strip() != shown_mm(circle.diameter_mm):
            steps.append(Step.of("set_diameter", name=opening.name, diameter_mm=typed_mm(across, "Diameter")))
        if (x_text.strip(), y_text.strip()) != (shown_mm(x), shown_mm(y)):
            steps.append(
                Step.of(
                    "move_opening",
                    name=opening.name,
                    x_mm=kept_or_typed_mm(x_text, x, "x"),
                    y_mm=kept_or_typed_mm(y_text, y, "y"),
                )
            )
        if name.strip() != opening.name:
            steps.append(Step.of("rename_opening", name=opening.name, new_name=name))
        if all(ed.make(step) for step in steps) and steps and name.strip() != opening.name:
            ed.set(chosen=name.strip(), said=ed.desk.said)

    ed.tried(do)
    ed.again()


def _contour(ed: Editor) -> None:
    desk = ed.desk
    corners = corners_of(contour_of(ed.drawing, desk.chosen))
    st.write(f"{len(corners)} corners; drag one of the marks, or a place on the edge.")
    st.select_slider(
        "How much of the edge follows a corner",
        _STRETCHES_MM,
        key=ed.name("stretch_mm"),
        format_func=lambda v: "the corner alone" if v == 0 else f"{shown_mm(v)} {unit_word()} to each side",
        help="A traced edge has hundreds of corners: let a stretch of it follow smoothly, not one spike.",
    )
    with st.container(horizontal=True, gap="small"):
        _arm_button(ed, "add", "Add a corner", "add")
        _arm_button(ed, "remove", "Take a corner out", "remove")
    if not 0 <= desk.corner < len(corners):
        return
    x, y = corners[desk.corner]
    tag = f"{desk.chosen}_{desk.corner}_{ed.stamp}"
    u = unit_word()
    with st.form(ed.name("corner_form"), border=True):
        st.write(f"Corner {desk.corner + 1}")
        one, two = st.columns(2)
        x_text = one.text_input(f"x, {u}", shown_mm(x), key=ed.length(f"cx_{tag}"))
        y_text = two.text_input(f"y, {u}", shown_mm(y), key=ed.length(f"cy_{tag}"))
        is_set = st.form_submit_button("Set the corner", width="stretch")
    if is_set:
        _make_of(
            ed,
            lambda: Step.of(
                "move_corner", element=desk.chosen, index=desk.corner, x_mm=kept_or_typed_mm(x_text, float(x), "x"),
                y_mm=kept_or_typed_mm(y_text, float(y), "y"), stretch_mm=st.session_state.get(ed.name("stretch_mm")) or 0.0,
            ),
        )  # fmt: skip


def _make_of(ed: Editor, step: Callable[[], Step]) -> None:
    def do() -> None:
        ed.make(step())

    ed.tried(do)
    ed.again()


def _kind_and_name(ed: Editor, default: str) -> None:
    kinds = list(OPENING_KINDS)
    one, two = st.columns(2)
    one.selectbox("Kind", kinds, kinds.index(default), key=ed.name("kind"))
    two.text_input(
        "Name",
        key=ed.name("new_name"),
        max_chars=60,
        placeholder="the next of its kind",
        help="May stay empty.",
    )


def _hole(ed: Editor) -> None:
    u = unit_word()
    last: dict[str, Any] = next(
        (dict(s.arguments) for s in reversed(ed.desk.history.done) if s.operation == "add_hole"),
        {"diameter_mm": 8.0, "kind": "bolt"},
    )
    st.text_input(f"Diameter, {u}", shown_mm(last["diameter_mm"]), key=ed.length("diameter"))
    _kind_and_name(ed, last["kind"])
    with st.form(ed.name("hole_form"), border=True):
        st.write("Or type the centre")
        one, two = st.columns(2)
        x = one.text_input(f"x, {u}", key=ed.length("hole_x"))
        y = two.text_input(f"y, {u}", key=ed.length("hole_y"))
        is_set = st.form_submit_button("Add the hole", width="stretch")
    if is_set:
        state = st.session_state
        _make_of(
            ed,
            lambda: Step.of(
                "add_hole", x_mm=typed_mm(x, "x"), y_mm=typed_mm(y, "y"), kind=state[ed.name("kind")],
                diameter_mm=typed_mm(state[ed.length("diameter")], "Diameter"), name=state[ed.name("new_name")] or "",
            ),
        )  # fmt: skip


def ring_buttons(ed: Editor, choices: Choices, label: str, least: int = 3) -> None:
    """How many places were clicked, and the buttons to close the shape or take clicks back."""
    n = len(ed.desk.clicks)
    st.write(f"{n} place{'' if n == 1 else 's'} clicked.")

    def close() -> None:
        if ed.make(ring_step(ed.desk, choices)):
            ed.set(clicks=(), said=ed.desk.said)

    with st.container(horizontal=True, gap="small"):
        st.button(
            label, key=ed.name("close"), icon=":material/done:", disabled=n < least, type="primary",
            on_click=close,
        )  # fmt: skip
        click_buttons(ed)


def click_buttons(ed: Editor) -> None:
    """Take the last click back, or all of them."""
    n = len(ed.desk.clicks)
    st.button(
        "Last click back", key=ed.name("click_back"), icon=":material/undo:", disabled=not n,
        on_click=lambda: ed.set(clicks=ed.desk.clicks[:-1]),
    )  # fmt: skip
    st.button(
        "All clicks away", key=ed.name("clicks_away"), icon=":material/close:", disabled=not n,
        on_click=lambda: ed.set(clicks=()),
    )  # fmt: skip


def _opening(ed: Editor) -> None:
    _kind_and_name(ed, "port")
    is_smooth = st.toggle("Smooth edge through the places", key=ed.name("is_smooth"))
    choices = Choices(
        kind=st.session_state[ed.name("kind")],
        name=st.session_state[ed.name("new_name")] or "",
        is_smooth=is_smooth,
    )
    ring_buttons(ed, choices, "Close the opening", 5 if is_smooth else 3)
