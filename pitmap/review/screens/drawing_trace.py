"""Drawing from photos: trace a plate that nobody has drawn, step by step."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import streamlit as st
from streamlit.errors import StreamlitAPIException

from ...casebook import Casebook, Face, Plate
from ...errors import InputError, PitmapError
from ...report.alignment_picture import shrunk
from ..cached import photo_of
from ..guard import sentences
from ..parts import PHOTO_TYPES
from ..plain_text import plain
from ..remembered import recall, remember
from ..told_apart import told_apart
from .trace_desk import MOST_PHOTOS, Desk, checked_wish, keep_source, sources, traced
from .trace_holes import click_holes
from .trace_result import finish
from .trace_scale import Typed, known_distance, plate_fields

__all__ = ["is_trace_begun", "trace_tab"]


@st.fragment
def trace_tab(kept: Casebook, plate: Plate, face: Face) -> None:
    """What stands under "From photos" on the Drawing page, drawn again by itself after every click."""
    slot = _slot_of(face)
    desk = recall(slot, Desk())

    def put(new: Desk) -> None:
        remember(slot, new)
        _again()

    with sentences():
        st.markdown("##### 1. Photos of the bare face")
        desk = _photos(kept, plate, face, desk, slot)
        if not desk.photos:
            return
        st.markdown("##### 2. The plate, and its scale")
        typed = plate_fields(plate, face)
        if not typed.sheet:
            st.markdown("##### 3. The same holes in every photo")
            click_holes(face, desk, put)
        st.markdown("##### 4. Trace")
        wish: dict[str, Any] | None = None
        with sentences():
            wish = _ask(face, desk, typed, put)
        if desk.wanted is None:
            return
        trace = traced(desk.wanted)
        if isinstance(trace, str):
            st.error(plain(trace[:1].upper() + trace[1:]), icon=":material/block:")
            _what_helps()
            return
        of = {"photos": desk.photos, "clicks": desk.common_clicks(typed.sheet), **(wish or {})}
        if wish is None or replace(desk.wanted, **of) != desk.wanted:
            st.info(
                "The drawing below was not traced from what stands above: photos, clicks or sizes are others by now. Trace "
                "again to take them in."
            )
        finish(kept, plate, face, desk, trace, put)


def is_trace_begun(face: Face) -> bool:
    """Photos of this face were chosen to trace from, and no drawing is kept from them yet."""
    desk = recall(_slot_of(face), Desk())
    return bool(desk.photos) and not desk.is_kept


def _slot_of(face: Face) -> str:
    return f"trace_desk_{face.id}"


def _again() -> None:
    """Draw the tab again; the whole page where that is being drawn."""
    try:
        st.rerun(scope="fragment")
    except StreamlitAPIException:
        st.rerun()


def _photos(kept: Casebook, plate: Plate, face: Face, desk: Desk, slot: str) -> Desk:
    st.write(
        "Two or three photos of the clean, bare face, the whole plate in each with a hand's width of bench around it, and "
        "a bench of another colour. The first square-on and sharp; the others with the camera tilted 10 to 30 degrees, "
        "each to another side, the plate turned in between. No flash. With the printed sheet (2.) one photo is enough."
    )
    round_ = st.session_state.setdefault(f"trace_round_{face.id}", 0)
    files = st.file_uploader(
        f"Photos to trace from, up to {MOST_PHOTOS}", type=PHOTO_TYPES, accept_multiple_files=True,
        key=f"trace_upload_{face.id}_{round_}",
    )  # fmt: skip
    new, refused = list(desk.photos), []
    for file in files or []:
        try:
            one = keep_source(kept, plate, face, file.getvalue(), file.name)
        except PitmapError as error:
            refused.append(str(error))
            continue
        if one not in new and len(new) < MOST_PHOTOS:
            new.append(one)
        elif one not in new:
            refused.append(
                f"{one.name}: kept, but {MOST_PHOTOS} photos are used already; leave one out to use it"
            )
    for text in st.session_state.get(f"trace_refused_{face.id}", ()):
        st.error(plain(text), icon=":material/error:")
    known = sources(kept, plate, face)
    key = f"trace_photos_{face.id}"
    if tuple(new) != desk.photos:
        # Set before the field is drawn; the order of choosing is the order of use.
        st.session_state[key] = new
    elif key not in st.session_state:
        st.session_state[key] = [p for p in desk.photos if p in known]
    if known:
        labels = told_apart({s: s.name for s in known})
        new = st.multiselect(
            "Photos used, the one most square-on first", known, key=key, format_func=lambda s: labels.get(s, s.name),
            max_selections=MOST_PHOTOS, placeholder="choose from the photos kept with this face",
        )  # fmt: skip
    desk = replace(desk, photos=tuple(new))
    remember(slot, desk)
    if files:
        # The field is emptied; what was refused is said until the next files come.
        st.session_state[f"trace_refused_{face.id}"] = refused
        st.session_state[f"trace_round_{face.id}"] = round_ + 1
        _again()
    with st.container(horizontal=True, gap="small"):
        for k, photo in enumerate(desk.photos, 1):
            small = shrunk(photo_of(photo).rgb, 360)[0]  # type: ignore[arg-type]
            st.image(small, caption=plain(f"Photo {k}: {photo.name}"), width=165)
    return desk


def _ask(face: Face, desk: Desk, typed: Typed, put: Callable[[Desk], None]) -> dict[str, Any] | None:
    """Ask for a trace where the button is pressed; else what it would be asked with, None while holes are missing."""
    known = None if typed.sheet else known_distance(face, desk)
    if known is None and not typed.sheet:
        return None
    wish = {
        "known": known, "sheet": typed.sheet, "print_scale": typed.print_scale or 1.0, "focal_35mm": typed.focal_35mm,
        "name": typed.name.strip(), "thickness_mm": typed.thickness_mm, "edge_break_mm": typed.edge_break_mm,
    }  # fmt: skip
    again = desk.wanted is not None
    if not st.button(
        "Trace again" if again else "Trace the plate", type="primary", icon=":material/gesture:",
        key=f"trace_go_{face.id}",
    ):  # fmt: skip
        return wish
    problem = typed.problem()
    if not problem and known is not None and known[2] is None:
        problem = "Distance of their centres: type it with its unit, such as 214.30 mm or 8.437 in"
    if problem:
        raise InputError(problem)
    put(replace(desk, wanted=checked_wish(desk, **wish), left_out=(), is_kept=False))
    return wish


def _what_helps() -> None:
    st.write(
        "What usually helps: another bench, light grey or brown paper under a dark plate and dark cloth under a bright "
        "one; light from a window and no shadow across the edge; photos from clearly different sides; the same holes "
        "under the same numbers; a distance between two drilled, round holes."
    )
