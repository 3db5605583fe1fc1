"""Map: the classes over the straightened face, the figures, the marks; and corrections by hand."""

from __future__ import annotations

from functools import partial

import pandas as pd
import plotly.graph_objects as go
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from ...casebook import Survey
from ...classes import SurfaceClass
from ...drawing import Drawing
from ...estimate import Estimate
from ...flags import flag_words
from ...inspection import Inspection, is_of_drawing, notes_in
from ...report.page_map import MARKS_TRACE, page_map, rings_words
from ...report.palette import CLASS_STYLES
from ...report.text import translator
from ...report.words import unseen_scores_words
from ...units import format_estimate, format_part, format_place, parse_length
from ...workflow import newest_inspection
from ..cached import drawn, face_drawing, inspection_of, photo_findings
from ..corrections import PAINTABLE, Stroke, correct
from ..device import MAP_WORDS, chart_config, is_narrow
from ..guard import sentences
from ..parts import caution, choose_survey, tell_outdated, tell_signed
from ..plain_text import plain
from ..state import unit_word, units
from ..tables import (
    MARKS_NOTE,
    RATINGS_NOTE,
    ZONES_NOTE,
    lands_view,
    leak_words,
    low_end_words,
    marks_view,
    ratings_view,
    zones_view,
)

__all__ = ["show"]

_WHAT_PX = 170
"""Room for the longest class, "not reached by the lap", with the edges of its cell."""
_MARKS_PX = 110
"""Room for a count that there is none of, "cannot be told"."""

_POINTERS = ("look", "outline", "brush")

_BRUSH = {"mm": (0.5, 10.0, 2.0, 0.5), "in": (0.02, 0.4, 0.08, 0.02)}
"""Least, most, first and step of the brush's width, by the unit of the page."""


def show() -> None:
    """The page."""
    st.title("Map")
    chosen = choose_survey()
    if chosen is None:
        return
    kept, job, _, face, survey = chosen
    inspection = inspection_of(survey)
    if inspection is None:
        st.info(
            "This survey is not mapped yet. Add its photos on the Photos page and map them.",
            icon=":material/photo_camera:",
        )
        return
    drawing = face_drawing(face, job)
    ref = newest_inspection(kept, survey)
    assert ref is not None
    # Marks are numbered anew by every correction, so what was chosen among them belongs to this very map.
    key = f"{ref.id}_{ref.edits_version}"
    tell_outdated(survey)
    _headline(survey, inspection)
    stroke = _picture(inspection, drawing, key)
    if survey.state == "open":
        # a correction is measured at once, which an older drawing than the one shown does not allow
        if is_of_drawing(inspection, drawing):
            with sentences():
                correct(kept, ref, inspection.class_map, stroke)
    else:
        tell_signed()
    _tables(inspection, key)
    caution()


def _headline(survey: Survey, inspection: Inspection) -> None:
    width = inspection.measurement.sound_width_mm
    affected = inspection.zones[inspection.zones.class_word == "affected"].set_index("zone")
    columns = st.columns(3)
    columns[0].metric(
        # a longer name ends in dots on a tablet
        "Narrowest sound width",
        format_estimate(width, "length", units()).split(" (")[0],
    )
    columns[0].caption(f"Sound metal across the seal land: {format_estimate(width, 'length', units())}")
    if elsewhere := low_end_words(inspection.lands, width, units()):
        columns[0].caption(elsewhere)
    for zone, column in zip(("seal_land", "running_surface"), columns[1:]):
        if zone not in affected.index:
            continue
        row = affected.loc[zone]
        label = f"{zone.replace('_', ' ').capitalize()} affected"
        if pd.isna(row.share):
            column.metric(label, "nothing seen")
            continue
        # in the digits of the table below: a pit that is 0.01 % there is not 0.0 % here
        share = format_estimate(Estimate(value=row.share, low=row.share_low, high=row.share_high), "share")
        column.metric(label, share.split(" (")[0])
        column.caption(f"{share} of what was seen; not seen {format_part(row.unseen_share)}")
    leak = leak_words(inspection.lands, units())
    if leak:
        st.warning(leak, icon=":material/water_drop:")
    if not inspection.lands.empty:
        st.caption(unseen_scores_words(translator(), inspection.photo_px_per_mm, units()))
    # what the figures above mean hangs on them: under the tables nobody would look for them
    for told in (*notes_in(inspection, units()), *photo_findings(survey, inspection)):
        st.caption(plain(told))


def _picture(inspection: Inspection, drawing: Drawing, key: str) -> Stroke | None:
    """The face with its classes; returns what was drawn on it by hand."""
    # above the picture and over its whole width: in a narrow column the classes would be cut off
    words = {c: CLASS_STYLES[c].word for c in (*PAINTABLE, SurfaceClass.UNSEEN)}
    picked = st.pills(
        "Show",
        list(words),
        format_func=words.get,
        selection_mode="multi",
        default=list(words),
        key="map_show",
    )
    st.caption(
        "Solid: pit. Dots: stain. Rising lines: heat tint. Level lines: not reached by the lap."
        " Outline: score. Cross: not seen."
    )
    colours, pointer = st.columns(2)
    strength = colours.slider(
        "Strength of the colours", 0, 100, 45, step=5, key="map_strength", format="%d %%"
    )
    tool = pointer.segmented_control(
        "Pointer", _POINTERS, default="look", key="map_pointer", required=True,
    )  # fmt: skip
    brush_mm = _brush_mm(pointer) if tool == "brush" else None
    shown, selected = tuple(picked or ()), st.session_state.get(f"mark_{key}")
    dragmode, system = "pan" if tool == "look" else "lasso", units()
    figure = drawn(
        "map", (inspection, drawing), (shown, strength, selected, dragmode, system, is_narrow()),
        lambda: page_map(
            inspection, drawing, shown=shown, strength=strength / 100, selected=selected, dragmode=dragmode, units=system,
            is_narrow=is_narrow(),
        ),
    )  # fmt: skip
    event = st.plotly_chart(
        figure, key=f"map_{key}", on_select=partial(_choose_ring, key, _trace(figure)),
        selection_mode=("points", "lasso"), config=chart_config(), alt=MAP_WORDS,
    )  # fmt: skip
    if said := rings_words(inspection, shown):
        st.caption(said)
    _mark_row(inspection, selected)
    lasso = list(event.selection.get("lasso", [])) if event else []
    if tool == "look" or not lasso:
        return None
    return Stroke(
        path_mm=[[float(x), float(y)] for x, y in zip(lasso[-1]["x"], lasso[-1]["y"])], width_mm=brush_mm
    )


def _brush_mm(box: DeltaGenerator) -> float:
    """Width of the brush, mm, chosen in the units of the page."""
    unit = unit_word()
    least, most, at_first, step = _BRUSH[unit]
    width = box.slider(
        f"Width of the brush, {unit}", least, most, at_first, step=step, key=f"map_brush_{unit}"
    )
    return parse_length(width, to="mm", default_unit=unit)


def _choose_ring(key: str, trace: int) -> None:
    """A ring was clicked: it takes the choice over from the table, which starts again without a tick."""
    selection = st.session_state[f"map_{key}"].selection
    points = [p for p in selection.points if p.get("curve_number") == trace]
    # An outline that is drawn by hand catches rings too, and means none of them.
    if points and st.session_state["map_pointer"] == "look":
        st.session_state[f"mark_{key}"] = int(points[0]["customdata"])
        st.session_state[f"rings_{key}"] = st.session_state.get(f"rings_{key}", 0) + 1


def _choose_row(key: str, table: str, mark_ids: list[int]) -> None:
    """A row was ticked or its tick taken away."""
    rows = st.session_state[table].selection.rows
    st.session_state[f"mark_{key}"] = mark_ids[rows[0]] if rows else None


def _mark_row(inspection: Inspection, mark_id: int | None) -> None:
    row = inspection.marks[inspection.marks.mark_id == mark_id]
    if row.empty:
        st.caption("The map shows no mark." if inspection.marks.empty else "Click a ring to read its row.")
        return
    one = row.iloc[0]
    shown = marks_view(row, units()).iloc[0]
    st.write(
        f"**Mark {one.mark_id}**, {shown.what}, {shown.zone}: {shown.across} across, {shown.area} of area, "
        f"at {format_place(one.x_mm, one.y_mm, units())}. {flag_words(int(one['flags'])).capitalize()}"
    )


def _trace(figure: go.Figure) -> int:
    return next(k for k, t in enumerate(figure.data) if t.name == MARKS_TRACE)


def _tables(inspection: Inspection, key: str) -> None:
    zones, marks, lands, ratings = st.tabs(
        ["Zones", "Marks", "Narrow places of the land", "Published ratings"]
    )
    with zones:
        st.dataframe(
            zones_view(inspection.zones, units()), hide_index=True, width="stretch",
            # by itself the table gives a column the room of its heading, and "what" is the shortest of all
            column_config={
                "what": st.column_config.TextColumn(width=_WHAT_PX),
                "marks": st.column_config.TextColumn(width=_MARKS_PX),
            },
        )  # fmt: skip
        st.caption(ZONES_NOTE)
    with marks:
        table = inspection.marks.sort_values("area_mm2", ascending=False)
        mark_ids = table.mark_id.tolist()
        # A new table after every click on a ring: the tick of the old one would speak of another mark.
        name = f"marks_{key}_{st.session_state.get(f'rings_{key}', 0)}"
        st.dataframe(
            marks_view(table, units()), hide_index=True, width="stretch", key=name,
            on_select=partial(_choose_row, key, name, mark_ids), selection_mode="single-row",
        )  # fmt: skip
        st.caption(MARKS_NOTE)
    with lands:
        st.dataframe(lands_view(inspection.lands, units()), hide_index=True, width="stretch")
        st.caption("Metal that was not seen counts as damaged at the low end and as sound at the high end.")
    with ratings:
        ratings_table = ratings_view(inspection.measurement.ratings, inspection.zones)
        st.dataframe(ratings_table, hide_index=True, width="stretch")
        st.caption(RATINGS_NOTE)
