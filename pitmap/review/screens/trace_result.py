"""After tracing: look at it, name the openings, fit the bore trace, check, keep, and try it on another photo."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import streamlit as st
from numpy.typing import NDArray
from shapely import Point, Polygon

from ...casebook import Casebook, Face, Plate
from ...drawing import (
    OPENING_KINDS,
    Drawing,
    Finding,
    LookAlike,
    Opening,
    check_drawing,
    look_alikes,
    make_zones,
)
from ...errors import AlignmentRefused, EditConflict, InputError
from ...report.alignment_picture import shrunk
from ...tracing import Trace
from ...units import MM_PER_INCH, format_length
from ..cached import laid_on, photo_of
from ..guard import sentences
from ..parts import PHOTO_TYPES, must_be_sound, show_findings
from ..picking import Curve, Kind, Mark, Picker
from ..plain_text import plain
from ..remembered import remember
from ..state import units
from ..told_apart import told_apart
from .alignment import show_alignment
from .drawing_seen import keep_over_seen
from .drawing_zone_panels import pose_words
from .trace_desk import Desk, keep_source, sources
from .trace_track import fit_track

__all__ = ["finish"]

_FINGER_MM = 3.0
"""A click this near an opening means it (house choice)."""

Put = Callable[[Desk], None]


def finish(kept: Casebook, plate: Plate, face: Face, desk: Desk, trace: Trace, put: Put) -> None:
    """Steps 5 to 8, on a trace that was made."""
    st.markdown("##### 5. Look at it, and say what the openings are")
    drawing = _look(face, desk, trace, put)
    st.markdown("##### 6. Bore trace and seal land")
    with sentences():
        drawing = fit_track(face, desk, trace, drawing, put)
    st.markdown("##### 7. Check, and keep")
    with sentences():
        _keep(kept, plate, face, desk, drawing)
    if desk.is_kept:
        st.markdown("##### 8. Try it on another photo")
        with sentences():
            _try(kept, plate, face, desk, drawing)


def _look(face: Face, desk: Desk, trace: Trace, put: Put) -> Drawing:
    wanted = desk.wanted
    assert wanted is not None
    system = units()
    st.success(
        f"Traced: the outline and {len(trace.drawing.openings)} openings, {len(trace.circles)} of them round. Edges lie "
        f"within {format_length(trace.spread_mm, system, digits=3)} of the drawing; the outline is good to about "
        f"{format_length(trace.outline_err_mm, system, digits=3)}.",
        icon=":material/check:",
    )
    if trace.size.has_interval:
        st.write(
            f":material/straighten: As a whole the drawing may be {100 * (trace.size.high - trace.size.low) / 2:.2f} % too "
            "large or too small."
        )
    for note in trace.notes:
        st.write(f":material/info: {plain(note[:1].upper() + note[1:])}")
    which = 0
    if wanted.photos[1:]:
        which = st.segmented_control(
            "Over which photo?", range(len(wanted.photos)), default=0, required=True, key=f"trace_over_{face.id}",
            format_func=lambda k: f"Photo {k + 1}",
        )  # fmt: skip
    photo, camera = wanted.photos[which], trace.cameras[which]
    picker = Picker(photo_of(photo).rgb, f"trace_look_{face.id}_{photo.sha256[:12]}")  # type: ignore[arg-type]
    place = picker.click()
    if place is not None and (name := _opening_at(trace.drawing, camera.px_to_mm(place))):
        left_out = set(desk.left_out) ^ {name}
        put(replace(desk, left_out=tuple(sorted(left_out)), is_kept=False))
    curves, names = [Curve(camera.mm_to_px(_dense(trace.drawing.outline)), "picked")], []
    for opening in trace.drawing.openings:
        kind: Kind = "left out" if opening.name in desk.left_out else "picked"
        curves.append(Curve(camera.mm_to_px(_dense(opening.polygon)), kind))
        x, y = camera.mm_to_px(opening.polygon.centroid.coords[0])
        names.append(Mark(x, y, opening.name.rsplit("_", 1)[-1], "name"))
    left, right = st.columns([3, 2])
    with left:
        picker.show(names, curves)
    with right:
        st.write(
            "Yellow must lie on the edges of the face. A stain or a mark that was taken for an opening: click it, and it is "
            "left out (red); click it again to have it back."
        )
        if desk.left_out:
            st.write(plain(f"Left out: {', '.join(desk.left_out)}"))
        st.write(
            "What is missing can be added in the editor once the drawing is kept. Measure one size that was not typed, such "
            "as another distance of two holes, and compare it with the table."
        )
    return _openings(face, desk, trace)


def _dense(area: Polygon) -> NDArray[np.float64]:
    return np.asarray(area.exterior.segmentize(1.0).coords, float)[:, :2]


def _opening_at(drawing: Drawing, place_mm: NDArray[np.float64]) -> str:
    """The smallest opening at a place, a finger's breadth around it included; empty for none."""
    here = Point(place_mm)
    near = [o for o in drawing.openings if o.polygon.distance(here) < _FINGER_MM]
    inside = [o for o in near if o.polygon.contains(here)]
    return (
        min(inside or near, key=lambda o: o.polygon.distance(here) + 1e-6 * o.polygon.area).name
        if near
        else ""
    )


def _openings(face: Face, desk: Desk, trace: Trace) -> Drawing:
    """The openings as a table whose names and kinds a person confirms; the drawing with them."""
    k, word = (1 / MM_PER_INCH, "in") if units() == "inch" else (1.0, "mm")
    places = 4 if word == "in" else 2
    # The table is another one for each unit, and begins with what was named in the one before it.
    base = f"trace_table_{face.id}_{_digest(desk.wanted)}"
    named: tuple[tuple[str, str], ...] = st.session_state.get(f"{base}_named", ())
    if st.session_state.get(f"{base}_unit") != word:
        # Only then: a table that is given other rows while it is shown forgets what is typed in it.
        st.session_state[f"{base}_unit"], st.session_state[f"{base}_from"] = word, named
    begun = st.session_state[f"{base}_from"]
    rows = []
    rounds = {r.name: r for r in trace.circles.itertuples()}
    for i, o in enumerate(trace.drawing.openings):
        r = rounds.get(o.name)
        middle = o.polygon.centroid
        name, what = begun[i] if begun else (o.name, trace.suggested_kinds.get(o.name, o.kind))
        rows.append(
            {
                "name": name,
                "kind": what,
                f"x, {word}": k * (r.x_mm if r else middle.x),
                f"y, {word}": k * (r.y_mm if r else middle.y),
                "centre within": f"{k * r.centre_err_mm:.{places}f} {word}" if r else "",
                "diameter": f"{k * r.diameter_mm:.{places}f} {word}" if r else "not round",
                "between": f"{k * r.diameter_low_mm:.{places}f} and {k * r.diameter_high_mm:.{places}f}" if r else "",
                "seen in": f"{r.n_photos} photo{'s' if r.n_photos > 1 else ''}" if r else "",
            }
        )  # fmt: skip
    table = pd.DataFrame(rows)
    numbers = {c: st.column_config.NumberColumn(format=f"%.{places}f") for c in (f"x, {word}", f"y, {word}")}
    st.write("Names and kinds are suggestions: change what is not so. Intervals are 90 %.")
    edited = st.data_editor(
        table,
        key=f"{base}_{word}",
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
    st.session_state[f"{base}_named"] = tuple((row.name, row.kind) for row in edited.itertuples())
    kept = [
        Opening(name=new.name.strip(), kind=new.kind, polygon=old.polygon)
        for old, new in zip(trace.drawing.openings, edited.itertuples())
        if old.name not in desk.left_out
    ]
    counts = Counter(o.name for o in kept)
    for name, n in counts.items():
        if not name or n > 1:
            raise InputError(f"openings: {name!r} is the name of {n}; every opening needs its own")
    zones = make_zones(trace.drawing.outline, kept, None, None)
    return replace(trace.drawing, openings=tuple(kept), zones=zones)


def _digest(thing: object) -> str:
    return hashlib.sha256(repr(thing).encode()).hexdigest()[:12]


def _edges_key(drawing: Drawing) -> str:
    """What tells outline and openings from others."""
    return _digest([drawing.outline.wkb, *((o.name, o.kind, o.polygon.wkb) for o in drawing.openings)])


@st.cache_resource(max_entries=8, show_spinner="Looking for other ways to lay the plate on itself ...")
def _poses(key: str, _drawing: Drawing) -> tuple[list[Finding], tuple[LookAlike, ...]]:
    """What rests on outline and openings alone, and takes a second."""
    by_itself = check_drawing(_drawing, poses=False)
    return [f for f in check_drawing(_drawing) if f not in by_itself], look_alikes(_drawing)


def _keep(kept: Casebook, plate: Plate, face: Face, desk: Desk, drawing: Drawing) -> None:
    of_poses, alike = _poses(_edges_key(drawing), drawing)
    findings = [*check_drawing(drawing, poses=False, system=units()), *of_poses]
    show_findings(findings)
    if alike:
        nearest = max(alike, key=lambda a: a.edge_share)
        st.caption(
            f"Nearest look-alike of this plate: {pose_words(nearest)}, where "
            f"{100 * nearest.edge_share:.0f} % of the edges fall on an edge. The fewer, the "
            "surer a photo is laid the right way round."
        )
    late = f"trace_late_{face.id}"
    if text := st.session_state.pop(late, ""):
        st.error(plain(text), icon=":material/error:")
    if st.button(
        "Keep this drawing",
        type="primary",
        icon=":material/save:",
        key=f"trace_keep_{face.id}",
        disabled=any(f.severity == "error" for f in findings),
    ):
        must_be_sound(findings)
        try:
            keep_over_seen(kept, plate, face, drawing)
        except EditConflict as error:
            # The whole page is drawn anew, or the other drawing would not come into view.
            st.session_state[late] = str(error)
            st.rerun()
        remember(f"trace_desk_{face.id}", replace(desk, is_kept=True))
        st.rerun()
    st.caption(
        "An earlier drawing of this face stays in the casebook. This one can be changed in the editor above."
    )


def _try(kept: Casebook, plate: Plate, face: Face, desk: Desk, drawing: Drawing) -> None:
    st.write(
        "A photo that was not traced shows whether the drawing finds the face by itself. Survey photos are laid the same "
        "way when the face is mapped."
    )
    file = st.file_uploader("Another photo of this face", type=PHOTO_TYPES, key=f"trace_try_{face.id}")
    ref = None
    if file is not None:
        ref = keep_source(kept, plate, face, file.getvalue(), file.name)
    others = [s for s in sources(kept, plate, face) if s not in desk.photos]
    if ref is None and others:
        labels = told_apart({s: s.name for s in others})
        ref = st.selectbox(
            "Or one that is kept with this face", others, index=None, format_func=lambda s: labels.get(s, s.name),
            key=f"trace_try_which_{face.id}",
        )  # fmt: skip
    if ref is None:
        return
    try:
        alignment = laid_on(ref, face)  # type: ignore[arg-type]
    except AlignmentRefused as error:
        st.warning(plain(f"Refused: {error}"), icon=":material/block:")
        st.image(shrunk(photo_of(ref).rgb, 1100)[0], width="stretch", alt=f"The photo {ref.name}")  # type: ignore[arg-type]
        return
    show_alignment(ref, drawing, alignment)  # type: ignore[arg-type]
