"""Map: the classes over the straightened face, the figures, the marks; and corrections by hand."""

from __future__ import annotations

from typing import Any

import pandas as pd
import plotly.graph_objects as go
import streamlit as st

from ...classes import CLASS_WORDS, SurfaceClass
from ...drawing import Drawing
from ...flags import flag_words
from ...inspection import Inspection
from ...report.page_map import MARKS_TRACE, page_map
from ...units import format_estimate
from ...workflow import DRAWING_CHANGED, is_of_drawing, newest_inspection
from ..cached import drawn, face_drawing, inspection_of
from ..corrections import PAINTABLE, Stroke, correct
from ..guard import sentences
from ..parts import caution, choose_survey
from ..state import units
from ..tables import marks_view, zones_view

__all__ = ["show"]

_POINTERS = ("look", "outline", "brush")


def show() -> None:
    """The page."""
    st.title("Map")
    chosen = choose_survey()
    if chosen is None:
        return
    kept, _, _, face, survey = chosen
    inspection = inspection_of(survey)
    if inspection is None:
        st.info(
            "This survey is not mapped yet. Add its photos on the Photos page and map them.",
            icon=":material/photo_camera:",
        )
        return
    drawing = face_drawing(face)
    ref = newest_inspection(kept, survey)
    assert ref is not None
    _headline(inspection)
    stroke = _picture(inspection, drawing)
    if not is_of_drawing(inspection, drawing):
        st.warning(
            f"The figures are of an older drawing than the lines: {DRAWING_CHANGED}.", icon=":material/draw:"
        )
    elif survey.state == "open":
        with sentences():
            correct(kept, ref, stroke)
    else:
        st.info(
            "This survey is signed. A later change opens a new revision on the Checklist page.",
            icon=":material/lock:",
        )
    _tables(inspection)
    for note in inspection.notes:
        st.caption(note)
    caution()


def _headline(inspection: Inspection) -> None:
    width = inspection.measurement.sound_width_mm
    affected = inspection.zones[inspection.zones.class_word == "affected"].set_index("zone")
    columns = st.columns(3)
    columns[0].metric(
        "Narrowest sound metal across the land", format_estimate(width, "length", units()).split(" (")[0]
    )
    columns[0].caption(format_estimate(width, "length", units()))
    for zone, column in zip(("seal_land", "running_surface"), columns[1:]):
        if zone not in affected.index:
            continue
        row = affected.loc[zone]
        seen = "nothing seen" if pd.isna(row.share) else f"{100 * row.share:.1f} %"  # type: ignore[var-annotated]
        column.metric(f"{zone.replace('_', ' ').capitalize()} affected", seen)
        if not pd.isna(row.share):
            column.caption(
                f"{100 * row.share_low:.1f} to {100 * row.share_high:.1f} % of what was seen; "
                f"not seen {100 * row.unseen_share:.1f} %"
            )


def _picture(inspection: Inspection, drawing: Drawing) -> Stroke | None:
    """The face with its classes; returns what was drawn on it by hand."""
    # side by side above the picture: in a column beside it the classes would be cut off
    classes, colours, pointer = st.columns([9, 5, 6])
    words = {c: CLASS_WORDS[c] for c in (*PAINTABLE, SurfaceClass.UNSEEN)}
    picked = classes.pills(
        "Show",
        list(words),
        format_func=words.get,
        selection_mode="multi",
        default=list(words),
        key="map_show",
    )
    classes.caption(
        "Solid: pit. Dots: stain. Rising lines: heat tint. Level lines: not reached by the lap."
        " Outline: score. Cross: not seen."
    )
    strength = colours.slider(
        "Strength of the colours", 0, 100, 45, step=5, key="map_strength", format="%d %%"
    )
    tool = pointer.segmented_control(
        "Pointer", _POINTERS, default="look", key="map_pointer", required=True,
    )  # fmt: skip
    brush_mm = (
        pointer.slider("Width of the brush, mm", 0.5, 10.0, 2.0, step=0.5, key="map_brush")
        if tool == "brush"
        else None
    )
    shown, selected = tuple(picked or ()), st.session_state.get("mark_id")
    dragmode = "pan" if tool == "look" else "lasso"
    figure = drawn(
        "map", (inspection, drawing), (shown, strength, selected, dragmode),
        lambda: page_map(
            inspection, drawing, shown=shown, strength=strength / 100, selected=selected, dragmode=dragmode
        ),
    )  # fmt: skip
    event = st.plotly_chart(
        figure, key=f"map_{len(inspection.marks)}_{inspection.class_map.codes.shape}", on_select="rerun",
        selection_mode=("points", "lasso"), config={"scrollZoom": True, "displaylogo": False},
    )  # fmt: skip
    _mark_row(inspection, figure, event)
    lasso = list(event.selection.get("lasso", [])) if event else []
    if tool == "look" or not lasso:
        return None
    return Stroke(
        path_mm=[[float(x), float(y)] for x, y in zip(lasso[-1]["x"], lasso[-1]["y"])], width_mm=brush_mm
    )


def _mark_row(inspection: Inspection, figure: go.Figure, event: Any) -> None:
    points = [p for p in (event.selection.points if event else []) if p.get("curve_number") == _trace(figure)]
    if points:
        st.session_state["mark_id"] = int(points[0]["customdata"])
    mark_id = st.session_state.get("mark_id")
    row = inspection.marks[inspection.marks.mark_id == mark_id]
    if row.empty:
        st.caption("Click a ring to read its row.")
        return
    one = row.iloc[0]
    st.write(
        f"**Mark {one.mark_id}**, {one.class_word}, {str(one.zone).replace('_', ' ')}: "
        f"{one.eq_diam_mm:.2f} mm across, {one.area_mm2:.2f} mm2 ({one.area_low_mm2:.2f} to {one.area_high_mm2:.2f}), "
        f"at x {one.x_mm:.1f}, y {one.y_mm:.1f} mm. {flag_words(int(one['flags'])).capitalize()}"
    )


def _trace(figure: go.Figure) -> int:
    return next(k for k, t in enumerate(figure.data) if t.name == MARKS_TRACE)


def _tables(inspection: Inspection) -> None:
    zones, marks, lands, ratings = st.tabs(
        ["Zones", "Marks", "Narrow places of the land", "Published ratings"]
    )
    with zones:
        st.dataframe(zones_view(inspection.zones, units()), hide_index=True, width="stretch")
    with marks:
        table = inspection.marks.sort_values("area_mm2", ascending=False)
        event = st.dataframe(
            marks_view(table, units()), hide_index=True, width="stretch", on_select="rerun",
            selection_mode="single-row", key="marks_table",
        )  # fmt: skip
        rows = event.selection.rows
        if rows:
            mark_id = int(table.iloc[rows[0]].mark_id)
            if st.session_state.get("mark_id") != mark_id:
                st.session_state["mark_id"] = mark_id
                st.rerun()
    with lands:
        st.dataframe(inspection.lands.drop(columns="flags"), hide_index=True, width="stretch")
        st.caption("Metal that was not seen counts as damaged at the low end and as sound at the high end.")
    with ratings:
        st.dataframe(inspection.measurement.ratings, hide_index=True, width="stretch")
