"""The bore trace fitted to clicks on the visible track, and the land beside it, over the photo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from ...casebook import Face
from ...drawing import Drawing, TrochoidFit, fit_trochoid, suggested_clicks
from ...drawing.edit import judge_fit, set_land, set_trace, trace_numbers
from ...errors import PitmapError
from ...tracing import Trace
from ..cached import photo_of
from ..picking import Curve, Mark, Picker
from ..plain_text import plain
from .drawing_fields import typed_mm
from .drawing_fit_table import fit_table
from .trace_desk import Desk

__all__ = ["fit_track"]

_N_SUGGESTED = 12
_DONE_MM = 8.0
"""A suggested place with a click this near is done."""


def fit_track(face: Face, desk: Desk, trace: Trace, drawing: Drawing, put: Callable[[Desk], None]) -> Drawing:
    """The drawing with bore trace and land, as far as they are told.

    Raises
    ------
    PitmapError
        A typed length that is none, or a fit that no drawing should rest on.
    """
    wanted = desk.wanted
    assert wanted is not None
    st.write(
        "Click on one edge of the track that the seals left on the face, twelve times: three clicks close together at each "
        "end of its long axis and three at either side of the waist. Rings show where the next ones tell most. Without "
        "a bore trace photos can be aligned, but nothing is said about the seal land."
    )
    photos = wanted.photos
    which = 0
    if photos[1:]:
        which = st.segmented_control(
            "Photo to click on", range(len(photos)), default=0, required=True, key=f"trace_track_photo_{face.id}",
            format_func=lambda k: f"Photo {k + 1}",
        )  # fmt: skip
    photo, camera = photos[which], trace.cameras[which]
    picker = Picker(photo_of(photo).rgb, f"trace_track_{face.id}_{photo.sha256[:12]}", enlarge=True)  # type: ignore[arg-type]
    place = picker.click()
    if place is not None:
        put(replace(desk, track=(*desk.track, (photo.sha256, *place)), is_kept=False))
    points = _on_face(desk, trace)
    left, right = st.columns([3, 2])
    with right:
        offset, inner, outer = _typed(face)
        fit, refused = None, ""
        if len(points) >= 6:
            try:
                fit = fit_trochoid(points, offset_mm=offset)
                judge_fit(fit)
            except PitmapError as error:
                refused = str(error)
        if fit is not None:
            fit_table(fit, "fitted" if offset is None else "typed")
        if refused:
            st.error(plain(refused[:1].upper() + refused[1:]), icon=":material/error:")
        if fit is not None and not refused:
            drawing = _drawn(drawing, fit, inner, outer)
    with left:
        hints = []
        if fit is not None:
            hints = [
                xy
                for xy in fit.trochoid.points(suggested_clicks(_N_SUGGESTED))
                if np.hypot(*(points - xy).T).min() > _DONE_MM
            ]
        here = [(k, x, y) for k, (sha, x, y) in enumerate(desk.track, 1) if sha == photo.sha256]
        st.markdown(
            f"**{len(desk.track)} of {_N_SUGGESTED} clicks**"
            + (" :material/check:" if len(points) >= 12 else "")
        )
        picker.show(
            [
                *(Mark(x, y, str(k)) for k, x, y in here),
                *(Mark(x, y, kind="suggested") for x, y in map(camera.mm_to_px, hints)),
            ],
            [Curve(camera.mm_to_px(ring)) for ring in _curves(drawing, fit)],
        )
        with st.container(horizontal=True, gap="small"):
            if st.button(
                "Undo the last click",
                icon=":material/undo:",
                key=f"trace_track_undo_{face.id}",
                disabled=not desk.track,
            ):
                put(replace(desk, track=desk.track[:-1], is_kept=False))
            if desk.track and st.button("Start again", key=f"trace_track_clear_{face.id}"):
                put(replace(desk, track=(), is_kept=False))
    return drawing


def _on_face(desk: Desk, trace: Trace) -> NDArray[np.float64]:
    """Clicks (N, 2) on the face, mm; those in photos that are not used any more are left out."""
    assert desk.wanted is not None
    cameras = {p.sha256: c for p, c in zip(desk.wanted.photos, trace.cameras)}
    found = [cameras[sha].px_to_mm([x, y]) for sha, x, y in desk.track if sha in cameras]
    return np.array(found, float).reshape(-1, 2)


def _typed(face: Face) -> tuple[float | None, float, float | None]:
    # each with its unit, like every length of this page: a bare number would be another length once the units are switched
    tag = face.id
    offset = st.text_input(
        "Parallel offset of the trace", value="0 mm", key=f"trace_offset_{tag}",
        help="By engine, the tip radius of the apex seal. Leave it empty to fit it too; that needs many good clicks.",
    )  # fmt: skip
    one, two = st.columns(2)
    inner = one.text_input(
        "Land begins", value="0 mm", key=f"trace_inner_{tag}",
        help="Outwards from the clicked edge; 0 when the land begins there.",
    )  # fmt: skip
    outer = two.text_input(
        "Land ends", placeholder="6 mm or 0.236 in", key=f"trace_outer_{tag}", help="Empty: no land is drawn."
    )

    return (
        typed_mm(offset, "Parallel offset", bare="") if offset.strip() else None,
        typed_mm(inner, "Land begins", bare="") if inner.strip() else 0.0,
        typed_mm(outer, "Land ends", bare="") if outer.strip() else None,
    )


def _drawn(drawing: Drawing, fit: TrochoidFit, inner: float, outer: float | None) -> Drawing:
    drawing = set_trace(drawing, **trace_numbers(fit.trochoid)).drawing
    if outer is not None:
        drawing = set_land(drawing, inner_mm=inner, outer_mm=outer).drawing
    return drawing


def _curves(drawing: Drawing, fit: TrochoidFit | None) -> list[NDArray[np.float64]]:
    """Trace and land, mm; a refused fit is shown too, so that the wrong click is seen."""
    rings = [
        np.asarray(area.exterior.segmentize(1.0).coords, float)[:, :2]
        for area in (drawing.trace, drawing.coolant_edge)
        if area is not None
    ]
    if not rings and fit is not None:
        rings = [np.asarray(fit.trochoid.polygon().exterior.coords, float)]
    return rings
