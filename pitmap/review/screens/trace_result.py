"""After tracing: look at it, name the openings, fit the bore trace, check, keep, and try it on another photo."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace

import pandas as pd
import streamlit as st

from ...casebook import Casebook, Face, Plate
from ...drawing import OPENING_KINDS, Drawing, Finding, LookAlike, check_drawing, look_alikes
from ...drawing.edit import rename_opening, set_kind
from ...errors import AlignmentRefused, InputError
from ...report.alignment_picture import alignment_picture, shrunk
from ...tracing import Trace
from ...units import format_length
from ...workflow import save_drawing
from ..cached import laid_on, photo_of
from ..guard import sentences
from ..state import units
from .alignment import show_alignment
from .trace_desk import Desk, keep_source, sources
from .trace_track import fit_track

__all__ = ["finish"]

_ICONS = {"error": ":material/block:", "warning": ":material/warning:", "note": ":material/info:"}
_SIDE_PX = 1500
_TYPES = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]

Put = Callable[[Desk], None]


def finish(kept: Casebook, plate: Plate, face: Face, desk: Desk, trace: Trace, put: Put) -> None:
    """Steps 5 to 8, on a trace that was made."""
    st.markdown("##### 5. Look at it, and say what the openings are")
    drawing = _look(face, desk, trace)
    st.markdown("##### 6. Bore trace and seal land")
    with sentences():
        drawing = fit_track(face, desk, trace, drawing, put)
    st.markdown("##### 7. Check, and keep")
    with sentences():
        _keep(kept, plate, face, desk, drawing, put)
    if desk.is_kept:
        st.markdown("##### 8. Try it on another photo")
        with sentences():
            _try(kept, plate, face, desk, drawing)


def _look(face: Face, desk: Desk, trace: Trace) -> Drawing:
    wanted = desk.wanted
    assert wanted is not None
    system = units()
    st.success(
        f"Traced: the outline and {len(trace.drawing.openings)} openings, {len(trace.circles)} of them round. Edges lie "
        f"within {format_length(trace.spread_mm, system, digits=3)} of the drawing; the outline is good to about "
        f"{format_length(trace.outline_err_mm, system, digits=3)}.",
        icon=":material/check:",
    )
    for note in trace.notes:
        st.write(f":material/info: {note[:1].upper()}{note[1:]}")
    photo = wanted.photos[0]
    if wanted.photos[1:]:
        photo = st.segmented_control(
            "Over which photo?", wanted.photos, default=photo, required=True, key=f"trace_over_{face.id}",
            format_func=lambda p: f"Photo {wanted.photos.index(p) + 1}",
        )  # fmt: skip
    camera = trace.cameras[wanted.photos.index(photo)]
    st.image(alignment_picture(photo_of(photo).rgb, trace.drawing, camera, _SIDE_PX), width="stretch")  # type: ignore[arg-type]
    st.caption(
        "Yellow must lie on the edges of the face. What is missing or too much can be changed in the editor once the "
        "drawing is kept. Measure one size that was not typed, such as another distance of two holes, and compare."
    )
    return _openings(face, desk, trace)


def _openings(face: Face, desk: Desk, trace: Trace) -> Drawing:
    """The openings as a table whose names and kinds a person confirms; the drawing with them."""
    k, word = (1 / 25.4, "in") if units() == "inch" else (1.0, "mm")
    places = 4 if word == "in" else 2
    rows = []
    rounds = {r.name: r for r in trace.circles.itertuples()}
    for o in trace.drawing.openings:
        r = rounds.get(o.name)
        middle = o.polygon.centroid
        rows.append(
            {
                "name": o.name,
                "kind": o.kind,
                f"x, {word}": k * (r.x_mm if r else middle.x),
                f"y, {word}": k * (r.y_mm if r else middle.y),
                "centre within": f"{k * r.centre_err_mm:.{places}f} {word}" if r else "",
                f"diameter, {word}": k * r.diameter_mm if r else None,
                "between": f"{k * r.diameter_low_mm:.{places}f} and {k * r.diameter_high_mm:.{places}f}"
                if r
                else "not round",
                "photos": r.n_photos if r else None,
            }
        )  # fmt: skip
    table = pd.DataFrame(rows)
    numbers = {
        c: st.column_config.NumberColumn(format=f"%.{places}f")
        for c in (f"x, {word}", f"y, {word}", f"diameter, {word}")
    }
    st.write("Names and kinds are suggestions: change what is not so. Intervals are 90 %.")
    edited = st.data_editor(
        table,
        key=f"trace_table_{face.id}_{_digest(desk.wanted)}_{word}",
        hide_index=True,
        width="stretch",
        height=min(420, 38 + 35 * len(table)),
        disabled=[c for c in table.columns if c not in ("name", "kind")],
        column_config={
            "kind": st.column_config.SelectboxColumn(options=list(OPENING_KINDS), required=True),
            "name": st.column_config.TextColumn(required=True, max_chars=60),
            **numbers,
        },
    )
    drawing = trace.drawing
    with sentences():
        for old, new in zip(trace.drawing.openings, edited.itertuples()):
            if new.kind != old.kind:
                drawing = set_kind(drawing, name=old.name, kind=new.kind).drawing
            if new.name != old.name:
                drawing = rename_opening(drawing, name=old.name, new_name=new.name).drawing
    return drawing


def _digest(thing: object) -> str:
    return hashlib.sha256(repr(thing).encode()).hexdigest()[:12]


def _of(drawing: Drawing) -> str:
    """What tells this drawing from others."""
    shapes = [drawing.outline, *(o.polygon for o in drawing.openings), *drawing.zones.values()]
    kinds = [(o.name, o.kind) for o in drawing.openings]
    return _digest((drawing.name, drawing.thickness_mm, kinds, [s.wkb for s in shapes]))


@st.cache_resource(max_entries=8, show_spinner="Checking the drawing ...")
def _checked(key: str, _drawing: Drawing) -> tuple[list[Finding], tuple[LookAlike, ...]]:
    return check_drawing(_drawing), look_alikes(_drawing)


def _keep(kept: Casebook, plate: Plate, face: Face, desk: Desk, drawing: Drawing, put: Put) -> None:
    findings, alike = _checked(_of(drawing), drawing)
    if not findings:
        st.write(":material/check: The check found nothing.")
    for f in findings:
        st.write(f"{_ICONS[f.severity]} {f.element}: {f.text}")
    if alike:
        nearest = max(alike, key=lambda a: a.edge_share)
        how = "mirrored and " if nearest.is_mirrored else ""
        st.caption(
            f"Nearest look-alike of this plate: {how}turned {nearest.angle_deg:.0f} deg, where "
            f"{100 * nearest.edge_share:.0f} % of the edges fall on an edge. The fewer, the "
            "surer a photo is laid the right way round."
        )
    errors = [f for f in findings if f.severity == "error"]
    if st.button(
        "Keep this drawing",
        type="primary",
        icon=":material/save:",
        key=f"trace_keep_{face.id}",
        disabled=bool(errors),
    ):
        if errors:
            raise InputError(f"{errors[0].element}: {errors[0].text}")
        save_drawing(kept, plate, face, drawing)
        st.session_state[f"trace_desk_{face.id}"] = replace(desk, is_kept=True)
        st.rerun()
    st.caption(
        "An earlier drawing of this face stays in the casebook. This one can be changed in the editor above."
    )


def _try(kept: Casebook, plate: Plate, face: Face, desk: Desk, drawing: Drawing) -> None:
    st.write(
        "A photo that was not traced shows whether the drawing finds the face by itself. Survey photos are laid the same "
        "way when the face is mapped."
    )
    file = st.file_uploader("Another photo of this face", type=_TYPES, key=f"trace_try_{face.id}")
    ref = None
    if file is not None:
        ref = keep_source(kept, plate, face, file.getvalue(), file.name)
    others = [s for s in sources(kept, plate, face) if s not in desk.photos]
    if ref is None and others:
        ref = st.selectbox(
            "Or one that is kept with this face", others, index=None, format_func=lambda s: s.name,
            key=f"trace_try_which_{face.id}",
        )  # fmt: skip
    if ref is None:
        return
    try:
        alignment = laid_on(ref, face)  # type: ignore[arg-type]
    except AlignmentRefused as error:
        st.warning(f"Refused: {error}", icon=":material/block:")
        st.image(shrunk(photo_of(ref).rgb, 1100)[0], width="stretch")  # type: ignore[arg-type]
        return
    show_alignment(ref, drawing, alignment)  # type: ignore[arg-type]
