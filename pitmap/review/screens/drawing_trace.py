"""Drawing from photos: trace a plate that nobody has drawn, step by step."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st
from streamlit.errors import StreamlitAPIException

from ...casebook import Casebook, Face, Plate
from ...errors import InputError
from ...report.alignment_picture import shrunk
from ...units import parse_length
from ..cached import photo_of
from ..guard import sentences
from .trace_desk import MOST_PHOTOS, Desk, checked_wish, keep_source, sources, traced
from .trace_holes import click_holes
from .trace_result import finish

__all__ = ["trace_tab"]

_TYPES = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]


@st.fragment
def trace_tab(kept: Casebook, plate: Plate, face: Face) -> None:
    """What stands under "From photos" on the Drawing page, drawn again by itself after every click."""
    slot = f"trace_desk_{face.id}"
    desk: Desk = st.session_state.setdefault(slot, Desk())

    def put(new: Desk) -> None:
        st.session_state[slot] = new
        _again()

    with sentences():
        st.markdown("##### 1. Photos of the bare face")
        desk = _photos(kept, plate, face, desk, slot)
        if not desk.photos:
            return
        st.markdown("##### 2. The plate")
        name, thickness, edge_break = _plate(plate, face)
        st.markdown("##### 3. The same holes in every photo")
        click_holes(face, desk, put)
        st.markdown("##### 4. Scale, and trace")
        with sentences():
            _ask(face, desk, name, thickness, edge_break, put)
        if desk.wanted is None:
            return
        trace = traced(desk.wanted)
        if isinstance(trace, str):
            st.error(trace[:1].upper() + trace[1:], icon=":material/block:")
            _what_helps()
            return
        if desk.wanted.photos != desk.photos or [dict(c) for c in desk.wanted.clicks] != [
            {n: desk.places(p)[n] for n in desk.holes} for p in desk.photos
        ]:
            st.info("Photos or clicks were changed since this trace: trace again to take them in.")
        finish(kept, plate, face, desk, trace, put)


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
        "each to another side, the plate turned in between. No flash."
    )
    round_ = st.session_state.setdefault(f"trace_round_{face.id}", 0)
    files = st.file_uploader(
        f"Photos to trace from, up to {MOST_PHOTOS}", type=_TYPES, accept_multiple_files=True,
        key=f"trace_upload_{face.id}_{round_}",
    )  # fmt: skip
    new, n_failed = list(desk.photos), 0
    for file in files or []:
        n_failed += 1
        with sentences():
            one = keep_source(kept, plate, face, file.getvalue(), file.name)
            n_failed -= 1
            if one not in new and len(new) < MOST_PHOTOS:
                new.append(one)
            elif one not in new:
                st.warning(
                    f"{one.name}: kept, but {MOST_PHOTOS} photos are chosen already; leave one out to use it."
                )
                n_failed += 1
    known = sources(kept, plate, face)
    key = f"trace_photos_{face.id}"
    if tuple(new) != desk.photos:
        # Set before the field is drawn; the order of choosing is the order of use.
        st.session_state[key] = new
    elif key not in st.session_state:
        st.session_state[key] = [p for p in desk.photos if p in known]
    if known:
        new = st.multiselect(
            "Photos used, the one most square-on first", known, key=key, format_func=lambda s: s.name,
            max_selections=MOST_PHOTOS, placeholder="choose from the photos kept with this face",
        )  # fmt: skip
    desk = replace(desk, photos=tuple(new))
    st.session_state[slot] = desk
    if files and not n_failed:
        st.session_state[f"trace_round_{face.id}"] = round_ + 1
        _again()
    for column, (k, photo) in zip(st.columns(MOST_PHOTOS), enumerate(desk.photos, 1)):
        column.image(shrunk(photo_of(photo).rgb, 360)[0], caption=f"Photo {k}: {photo.name}", width="stretch")  # type: ignore[arg-type]
    return desk


def _plate(plate: Plate, face: Face) -> tuple[str, str, str]:
    one, two, three = st.columns(3)
    name = one.text_input(
        "Name of the drawing", value=f"{plate.tag} {face.name}", max_chars=80, key=f"trace_name_{face.id}"
    )
    thickness = two.text_input(
        "Thickness of the plate", placeholder="14 mm or 0.55 in", key=f"trace_thickness_{face.id}",
        help="By micrometer or caliper, with its unit.",
    )  # fmt: skip
    edge_break = three.text_input(
        "Width of the chamfer on the edges", value="0 mm", key=f"trace_break_{face.id}",
        help="A broken edge looks like a wall: the metal seen ends that much before the drawn edge. 0 for sharp edges.",
    )  # fmt: skip
    return name, thickness, edge_break


def _length(text: str, field: str, *, least: float, most: float) -> float:
    """A typed length in mm, refused in the field's own words."""
    if not text.strip():
        raise InputError(f"{field}: type it with its unit, such as 14 mm or 0.55 in")
    try:
        value = parse_length(text, to="mm")
    except InputError as error:
        raise InputError(f"{field}: {error}") from error
    if not least <= value <= most:
        raise InputError(
            f"{field}: {value:g} mm is not between {least:g} and {most:g} mm; is the unit right?"
        )
    return value


def _ask(face: Face, desk: Desk, name: str, thickness: str, edge_break: str, put) -> None:  # type: ignore[no-untyped-def]
    names = desk.holes
    if len(names) < 2:
        st.write("Click the holes first; then say how far apart two of them are.")
        return
    st.write(
        "The distance between the centres of two holes, far apart: with a caliper over two pins that fit the holes, or "
        "outer edge to outer edge less half of both diameters. An error here goes into every size of the drawing."
    )
    one, two, three = st.columns([2, 2, 3])
    first = one.selectbox("From", names, key=f"trace_from_{face.id}")
    others = [n for n in names if n != first]
    second = two.selectbox("To", others, key=f"trace_to_{face.id}")
    typed = three.text_input(
        "Distance of their centres", placeholder="214.30 mm or 8.437 in", key=f"trace_distance_{face.id}"
    )
    again = desk.wanted is not None
    if not st.button(
        "Trace again" if again else "Trace the plate", type="primary", icon=":material/gesture:",
        key=f"trace_go_{face.id}",
    ):  # fmt: skip
        return
    if not name.strip():
        raise InputError("Name of the drawing: give it one")
    wanted = checked_wish(
        desk,
        known=(first, second, _length(typed, "Distance of their centres", least=5, most=2000)),
        name=name.strip(),
        thickness_mm=_length(thickness, "Thickness of the plate", least=1, most=200),
        edge_break_mm=_length(edge_break, "Width of the chamfer on the edges", least=0, most=3),
    )
    put(replace(desk, wanted=wanted, left_out=(), is_kept=False))


def _what_helps() -> None:
    st.write(
        "What usually helps: another bench, light grey or brown paper under a dark plate and dark cloth under a bright "
        "one; light from a window and no shadow across the edge; photos from clearly different sides; the same holes "
        "under the same numbers; a distance between two drilled, round holes."
    )
