"""Drawing: the plate's drawing, its check, and the ways to get one."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import streamlit as st

from ...casebook import Casebook, Face, Plate
from ...drawing import (
    Drawing,
    Finding,
    check_drawing,
    load_shipped,
    save_dxf,
    save_svg,
    shipped_plates,
)
from ...drawing.edit import blank_plate
from ...errors import InputError
from ...report.plate_axis import plate_axis
from ...units import UnitSystem, format_area
from ...workflow import DRAWING_ROLE, newest_file
from ..cached import face_drawing
from ..device import chart_config
from ..guard import sentences
from ..parts import caution, must_be_sound, show_findings, tell_not_opened
from ..plain_text import plain
from ..remembered import recall, remember
from ..state import Place, book, go_to, here, unit_word, units
from .drawing_edit import editor, is_begun, key_of
from .drawing_fields import shown_mm, typed_mm
from .drawing_file import file_tab
from .drawing_numbers import numbers_tab
from .drawing_seen import keep_over_seen, saw, seen
from .drawing_trace import is_trace_begun, trace_tab

__all__ = ["show"]

_MODES = {"look": ":material/visibility: Look at it", "change": ":material/edit: Change it"}
_FILL = {
    "running_surface": "rgba(120,150,190,0.35)",
    "seal_land": "rgba(0,114,178,0.55)",
    "rim": "rgba(160,160,150,0.25)",
}


def show() -> None:
    """The page."""
    st.title("Drawing")
    place, kept = here(), book()
    if place.face is None:
        tell_not_opened(place)
    if place.plate is None:
        st.info(
            "No plate is open. The shipped, invented plates can be looked at here all the same.",
            icon=":material/draw:",
        )
        name = st.selectbox("Shipped plate", shipped_plates())
        with sentences():
            _look(load_shipped(name))
        return
    plate = place.plate
    faces = kept.faces(plate)
    if not faces:
        st.info("Add a face to this plate on the Jobs page first.")
        return
    face = _face(plate, faces, place)
    if face is None:
        return
    newest = newest_file(kept, face, DRAWING_ROLE)
    try:
        drawing: Drawing | None = face_drawing(face)
    except InputError as error:
        st.info(plain(str(error)))
        drawing = None
    with sentences():
        _look_or_change(kept, plate, face, drawing, newest)
    caution()


def _face(plate: Plate, faces: Sequence[Face], place: Place) -> Face | None:
    """The face that the person works on, or another one that is chosen here and is worked on from then on.

    None while the one that the address names is lost and no other one is chosen.
    """
    ids, opened = [f.id for f in faces], place.face
    first = None if place.lost else 0
    index = ids.index(opened.id) if opened is not None else first
    face = st.selectbox(
        f"Plate {plain(plate.tag)}: face", faces, index=index, format_func=lambda f: f.name,
        key=f"drawing_face_{'_'.join(map(str, ids))}", placeholder="Choose one",
    )  # fmt: skip
    if face is None:
        return None
    if opened is None or face.id != opened.id:
        go_to(face=face.id)
    begun = [f.name for f in faces if f.id != face.id and _is_begun(f)]
    if begun:
        st.info(
            f"Not kept yet on face {plain(', '.join(begun))}: a drawing that was begun there. Choose that face to go on "
            "with it.",
            icon=":material/edit:",
        )
    return face


def _is_begun(face: Face) -> bool:
    return recall(f"blank_plate_{face.id}", None) is not None or is_begun(face) or is_trace_begun(face)


def _look_or_change(kept: Casebook, plate: Plate, face: Face, drawing: Drawing | None, newest: int) -> None:
    blank = recall(f"blank_plate_{face.id}", None)
    if drawing is not None or blank is not None:
        begun = blank is not None or is_begun(face)
        st.session_state.setdefault("drawing_mode", "change" if begun else "look")
        mode = st.segmented_control(
            "Drawing of this face", list(_MODES), format_func=_MODES.get, key="drawing_mode", required=True,
            label_visibility="collapsed",
        )  # fmt: skip
        if mode == "change":
            base = blank_plate(**blank) if blank is not None else drawing
            assert base is not None
            # beside a blank plate the kept drawing is not in view
            over = newest if blank is None else seen(face)
            editor(kept, plate, face, base, newest if over is None else over, has_photo_fit=blank is None)
            if blank is not None and st.button("Leave the blank plate"):
                remember(f"blank_plate_{face.id}", None)
                st.rerun()
            return
    if drawing is not None:
        _look(drawing)
        _take(drawing)
    _bring(kept, plate, face)
    saw(face, newest)


def _figure(drawing: Drawing, findings) -> go.Figure:  # type: ignore[no-untyped-def]
    figure = go.Figure()
    for zone, shape in drawing.zones.items():
        for k, part in enumerate(getattr(shape, "geoms", [shape])):
            # One path with its holes: None breaks the line, and the even-odd rule leaves the holes open.
            xy = [np.asarray(r.coords)[:, :2] for r in (part.exterior, *part.interiors)]
            line = np.concatenate([np.vstack([r, [np.nan, np.nan]]) for r in xy])
            figure.add_trace(
                go.Scatter(
                    x=line[:, 0], y=line[:, 1], fill="toself", fillcolor=_FILL[zone], name=zone.replace("_", " "),
                    line={"color": "#333", "width": 1}, hoverinfo="name", legendgroup=zone,
                    showlegend=k == 0,
                )
            )  # fmt: skip
    for opening in drawing.openings:
        ring = np.asarray(opening.polygon.exterior.coords)[:, :2]
        figure.add_trace(
            go.Scatter(
                x=ring[:, 0], y=ring[:, 1], fill="toself", fillcolor="#ffffff", line={"color": "#333", "width": 1},
                name=opening.name, text=f"{opening.name} ({opening.kind})", hoverinfo="text", showlegend=False,
            )
        )  # fmt: skip
    placed = [f for f in findings if f.xy]
    if placed:
        figure.add_trace(
            go.Scatter(
                x=[f.xy[0] for f in placed], y=[f.xy[1] for f in placed], mode="markers", name="found",
                marker={"symbol": "x", "size": 14, "color": "#d55e00"}, text=[f"{f.element}: {f.text}" for f in placed],
                hoverinfo="text",
            )
        )  # fmt: skip
    left, bottom, right, top = drawing.outline.bounds
    figure.update_yaxes(plate_axis(bottom, top, units()), scaleanchor="x", constrain="domain")
    figure.update_xaxes(plate_axis(left, right, units()), constrain="domain")
    figure.update_layout(
        height=560,
        template="simple_white",
        margin={"l": 30, "r": 5, "t": 30, "b": 30},
        dragmode="pan",
        legend={"orientation": "h", "y": -0.12},
    )
    return figure


def _look(drawing: Drawing) -> None:
    findings = _findings(key_of(drawing), units(), drawing)
    st.plotly_chart(_figure(drawing, findings), width="stretch", config=chart_config(), alt="The drawing")
    st.caption(
        f"{plain(drawing.name)}, {shown_mm(drawing.thickness_mm)} {unit_word()} thick, {len(drawing.openings)} openings. "
        + ", ".join(f"{n.replace('_', ' ')} {format_area(z.area, units())}" for n, z in drawing.zones.items())
    )
    show_findings(findings)


@st.cache_resource(max_entries=16, show_spinner=False)
def _findings(key: str, system: UnitSystem, _drawing: Drawing) -> list[Finding]:
    return check_drawing(_drawing, system=system)


@st.cache_data(max_entries=8, show_spinner=False)
def _as_files(key: str, _drawing: Drawing) -> tuple[bytes, bytes, bytes]:
    """SVG, TOML and DXF of a drawing."""
    with tempfile.TemporaryDirectory() as folder:
        svg, dxf = Path(folder) / "plate.svg", Path(folder) / "plate.dxf"
        save_svg(_drawing, svg)
        toml = svg.with_suffix(".toml").read_bytes()
        save_dxf(_drawing, dxf, beside=False)
        return svg.read_bytes(), toml, dxf.read_bytes()


def _take(drawing: Drawing) -> None:
    with st.expander("Take the drawing to another program"):
        svg, toml, dxf = _as_files(key_of(drawing), drawing)
        one, two, three = st.columns(3)
        one.download_button("SVG", svg, "plate.svg", "image/svg+xml", width="stretch")
        two.download_button("TOML beside it", toml, "plate.toml", width="stretch")
        three.download_button("DXF", dxf, "plate.dxf", width="stretch")


def _bring(kept: Casebook, plate: Plate, face: Face) -> None:
    st.subheader("Give this face a drawing")
    photos, file, numbers, hand, mirror = st.tabs(
        ["From photos", "From a file", "From numbers", "By hand", "Mirror another face"]
    )

    def keep(new: Drawing) -> None:
        _keep(kept, plate, face, new)

    with photos, sentences():
        trace_tab(kept, plate, face)
    with file:
        file_tab(keep, face.id)
    with numbers, sentences():
        numbers_tab(keep, face.id)
    with hand, sentences():
        _blank(plate, face)
    others = [f for f in kept.faces(plate) if f.id != face.id]
    with mirror:
        if not others:
            st.write("This plate has one face.")
            return
        other = st.selectbox("Mirror image of face", others, format_func=lambda f: f.name)
        if st.button("Mirror it"):
            with sentences():
                _keep(kept, plate, face, face_drawing(other).mirrored(f"{plate.tag} {face.name}"))


def _blank(plate: Plate, face: Face) -> None:
    """Start from a rectangle of the plate's size."""
    u = unit_word()
    with st.form(f"blank_{face.id}", border=False):
        st.write(
            "Start from a plain plate of your plate's size, then add and move everything on the picture."
        )
        one, two, three = st.columns(3)
        width = one.text_input(f"Width, {u}", key=f"blank_w_{face.id}_{u}")
        height = two.text_input(f"Height, {u}", key=f"blank_h_{face.id}_{u}")
        thick = three.text_input(f"Thickness, {u}", key=f"blank_t_{face.id}_{u}")
        is_set = st.form_submit_button("Start drawing")
    if is_set:
        sizes = {
            "width_mm": typed_mm(width, "Width"),
            "height_mm": typed_mm(height, "Height"),
            "thickness_mm": typed_mm(thick, "Thickness"),
        }
        blank: dict[str, Any] = {"name": f"{plate.tag} {face.name}", **sizes}
        blank_plate(**blank)
        remember(f"blank_plate_{face.id}", blank)
        st.session_state.pop("drawing_mode", None)
        st.rerun()


def _keep(kept: Casebook, plate: Plate, face: Face, drawing: Drawing) -> None:
    must_be_sound(check_drawing(drawing, system=units()))
    keep_over_seen(kept, plate, face, drawing)
    st.rerun()
