"""Depth: type readings in, paste a CSV, see which pits to read next."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pandas as pd
import streamlit as st

from ...casebook import Casebook, Face, Job, Plate, Reading, Survey
from ...depth import CSV_COLUMNS, READING_KINDS, readings_from_csv_text, readings_from_rows
from ...drawing import Drawing
from ...errors import InputError, ReadingError
from ...estimate import Estimate
from ...flags import flag_words
from ...inspection import Inspection
from ...report.page_map import page_map, rings_words
from ...units import format_depth, format_estimate, format_place, parse_length
from ...workflow import keep_readings, newest_inspection, rows_of_face
from ..cached import drawn, face_drawing, face_plan, face_series, inspection_of
from ..device import MAP_WORDS, chart_config, is_narrow
from ..guard import sentences
from ..kept_form import KeptForm
from ..parts import GIVE_OR_TAKE, caution, choose_survey, survey_labels, tell_signed
from ..plain_text import plain
from ..reading_words import KIND_WORDS, reading_amount, reading_error
from ..state import unit_word, units

__all__ = ["show"]

_RENUMBERED = (
    "The map was changed after you opened it, and its marks are numbered anew. The reading is not kept yet: give the mark's "
    "number as the map shows it now, and press again."
)
_OTHER_READINGS = "The readings were changed after you opened them. None is taken out yet: choose it again, and press again."
_FIELDS = {
    "mark": "Mark number",
    "value": "Reading",
    "unit": "Reading",
    "uncertainty": GIVE_OR_TAKE,
    "x_mm": "x",
    "y_mm": "y",
}
"""Labels of the form, by the column of a pasted table that holds the same; those of a place have the unit behind them."""


_PLACE = ("x_mm", "y_mm")

_MIND_PX = 280
"""Room for the longest of the flags that a reading has, with the edges of its cell."""
_WHAT_PX = 175
"""Room for the longest name of a kind of reading."""


def show() -> None:
    """The page."""
    st.title("Depth")
    chosen = choose_survey()
    if chosen is None:
        return
    kept, job, plate, face, survey = chosen
    inspection = inspection_of(survey)
    if inspection is None:
        st.info("Map this survey first: readings are tied to its marks.", icon=":material/photo_camera:")
    if survey.state == "open":
        one, many = st.tabs(["One reading", "Paste a table"])
        with one:
            _one(kept, survey, inspection, face_drawing(face))
        with many:
            _many(kept, plate, face, survey, inspection)
    else:
        tell_signed()
    _kept(kept, survey, inspection)
    if inspection is not None:
        with sentences():
            _next(face, job, plate, survey)
    caution()


def _one(kept: Casebook, survey: Survey, inspection: Inspection | None, drawing: Drawing) -> None:
    left, right = st.columns([3, 2])
    # A number is read off the map that is shown: with another map the form begins anew.
    ref = newest_inspection(kept, survey)
    shown = f"{survey.id}_{ref.id}_{ref.edits_version}" if ref else str(survey.id)
    picked = None
    if inspection is not None:
        from ...classes import SurfaceClass

        with left:
            has_pits = (inspection.marks.class_code == SurfaceClass.PIT).any()
            st.caption("Click the pit that the needle is in." if has_pits else "The map shows no pit.")
            selected, system = st.session_state.get(f"read_mark_{shown}"), units()
            figure = drawn(
                "depth map", (inspection, drawing), (selected, system, is_narrow()),
                lambda: page_map(
                    inspection, drawing, shown=(SurfaceClass.PIT,), strength=0.3, selected=selected, units=system,
                    is_narrow=is_narrow(),
                ),
            )  # fmt: skip
            event = st.plotly_chart(
                figure, key=f"depth_map_{shown}", on_select="rerun", selection_mode="points",
                config=chart_config(), alt=MAP_WORDS,
            )  # fmt: skip
            if words := rings_words(inspection, (SurfaceClass.PIT,)):
                st.caption(words)
            points = [p for p in (event.selection.points if event else []) if "customdata" in p]
            if points:
                picked = int(points[0]["customdata"])
                st.session_state[f"read_mark_{shown}"] = picked
    # Held in one object, which is written without a word to the session: a run that ends there would forget it.
    own = st.session_state.setdefault(f"reading_kept_{survey.id}", {})
    last = next((r for r in kept.readings(survey) if r.id == own.get("id")), None)
    # After a reading is kept it does too, so that a second press keeps nothing twice; the instrument in the hand stays.
    with right, st.form(f"reading_{survey.id}", border=True):
        form = KeptForm(f"reading_{survey.id}", (shown, last.id if last else 0), late=_RENUMBERED)
        kind = form.field(_kind_box, "What", "kind", last.kind if last else READING_KINDS[0])
        mark = form.field(
            st.text_input, _FIELDS["mark"], f"mark_{shown}_{picked}", "" if picked is None else str(picked),
            help="Empty for a place that is no mark.",
        )  # fmt: skip
        value = form.field(st.text_input, _FIELDS["value"], "value", "", placeholder="3 thou, 0.08 mm, 76 um")
        within = form.field(
            st.text_input, _FIELDS["uncertainty"], "within", "", placeholder="empty: usual for this kind"
        )
        unit = unit_word(form.units)
        x, y = (
            form.field(
                st.text_input, _label(column, unit), column, "",
                help="As the axes of the map count. Empty when the mark number says where.",
            )
            for column in _PLACE
        )  # fmt: skip
        bound = form.field(
            st.checkbox, "The needle did not reach the floor (at least this deep)", "bound", False
        )
        instrument = form.field(
            st.text_input, "Instrument", "instrument", last.instrument if last else "", max_chars=100
        )
        said = st.empty()
        if form.submit("Keep the reading", type="primary"):
            with sentences():
                row = {
                    "stage": survey.stage, "kind": kind, "value": value, "mark": mark,
                    **{column: _typed_place(text, column, unit) for column, text in zip(_PLACE, (x, y))},
                    "uncertainty": within, "lower_bound": "yes" if bound else "", "instrument": instrument,
                }  # fmt: skip
                table = _one_row(row, unit)
                with form.taking(), _told_by_field():
                    (new,) = keep_readings(kept, survey, table, inspection, drawing=drawing, as_typed=[value])
                    own["id"] = new.id
                st.rerun()
        elif last and not form.is_late:
            tied = _tied(inspection).get(last.id, {})
            said.success(plain(f"kept: {reading_amount(last)}{_where(last, tied)}"), icon=":material/check:")


def _kind_box(label: str, *, value: str, key: str) -> str:
    """The kinds of readings as a field of a form."""
    return st.selectbox(label, READING_KINDS, READING_KINDS.index(value), format_func=KIND_WORDS.get, key=key)


def _label(column: str, unit: str) -> str:
    return f"{_FIELDS[column]}, {unit}" if column in _PLACE else _FIELDS[column]


def _typed_place(text: str, column: str, unit: str) -> str:
    """A coordinate as it was typed, a bare number in `unit`, as the table holds it, in mm; empty for an empty field."""
    if not text.strip():
        return ""
    try:
        return repr(parse_length(text.strip(), to="mm", default_unit=unit))
    except InputError as error:
        raise ReadingError(f"{_label(column, unit)}: {error}") from error


def _one_row(row: dict[str, str], unit: str) -> pd.DataFrame:
    """The form's reading as a table; an error names the field in place of the row and column of a table."""
    try:
        return readings_from_rows([row]).table
    except ReadingError as error:
        where, _, why = str(error).partition(": ")
        field = _label(where.removeprefix("row 1, column "), unit)
        raise ReadingError(f"{field}: {why.replace(row['kind'], row['kind'].replace('_', ' '))}") from error


@contextmanager
def _told_by_field() -> Iterator[None]:
    """Inside, an error of the form's only reading does not call it by a number, which is another reading's in the list."""
    try:
        yield
    except ReadingError as error:
        found = re.fullmatch(r"reading \d+(?:, mark (\d+))?: (.+)", str(error))
        if found is None:
            raise
        field = "" if found[1] is None else f"{_FIELDS['mark']} {found[1]}: "
        raise ReadingError(f"{field}{found[2]}") from error


def _where(reading: Reading, tied: dict[str, Any]) -> str:
    """Where a reading belongs: to the mark that it was tied to, whatever number was typed, or to a place."""
    mark = tied.get("mark_id", reading.mark_id)
    place = "" if pd.isna(reading.x_mm) else f" at {format_place(reading.x_mm, reading.y_mm, units())}"
    if reading.kind != "pit_depth":
        return place
    if mark >= 0:
        return f" in pit {mark}"
    return f"{place}, tied to no pit" + (f" ({tied['note']})" if tied.get("note") else "")


def _tied(inspection: Inspection | None) -> dict[int, dict[str, Any]]:
    """The readings of a map by their number, as they were tied to its marks."""
    return {} if inspection is None else inspection.readings.set_index("reading_id").to_dict("index")  # type: ignore[return-value]


def _many(kept: Casebook, plate: Plate, face: Face, survey: Survey, inspection: Inspection | None) -> None:
    st.write("Paste rows from a spreadsheet or a CSV file; the first line names the columns.")
    with st.expander("Columns"):
        st.dataframe(
            pd.DataFrame(CSV_COLUMNS.items(), columns=["column", "holds"]), hide_index=True, width="stretch"
        )
    # Emptied by keeping, and of one survey: what was pasted for another must not be kept with this one.
    slot = f"pasted_{survey.id}"
    text = st.text_area(
        "Table",
        height=160,
        placeholder="stage,kind,x_mm,y_mm,value\ntest_lap,pit_depth,41.2,-30.5,3 thou",
        key=f"{slot}_{st.session_state.setdefault(slot, 0)}",
    )
    keep_good = st.checkbox("Keep the good rows even if some are bad")
    if st.button("Keep the readings", type="primary", key="keep_csv"):
        with sentences():
            sheet = readings_from_csv_text(text, keep_good=keep_good)
            mine = rows_of_face(sheet, survey.stage, plate, face)
            keep_readings(kept, survey, mine, inspection, drawing=face_drawing(face))
            st.session_state[slot] += 1
            for problem in sheet.problems:
                st.warning(plain(problem))
            tell = st.success if len(mine) else st.warning
            tell(
                f"{len(mine)} readings of this face and stage kept; {len(sheet) - len(mine)} of others left out."
            )


def _kept(kept: Casebook, survey: Survey, inspection: Inspection | None) -> None:
    readings = kept.readings(survey)[::-1]
    st.subheader(f"Readings of this survey: {len(readings)}")
    if not readings:
        st.write("None yet. Without readings or a second lap step the depth of a pit cannot be known.")
        return
    tied = _tied(inspection)
    shown = pd.DataFrame([_row(r, tied.get(r.id, {})) for r in readings])
    # by itself the table gives a column the room of its heading, and cuts off what was read and what is to be minded
    wide = {"what": st.column_config.TextColumn(width=_WHAT_PX)}
    if shown.mind.any():
        wide["mind"] = st.column_config.TextColumn(width=_MIND_PX)
    st.dataframe(shown, hide_index=True, width="stretch", column_config=wide)
    st.caption(
        "Give or take is one standard deviation: as it was typed, or else what is usual for this kind of reading."
    )
    if survey.state == "open":
        form = KeptForm(f"withdraw_{survey.id}", [r.id for r in readings], late=_OTHER_READINGS)
        with (
            st.expander("Let a reading count no longer", expanded=form.is_late),
            st.form(f"withdraw_{survey.id}", border=False),
        ):
            which = st.selectbox(
                "Reading",
                readings,
                format_func=lambda r: f"{r.id}: {KIND_WORDS[r.kind]}, {r.as_typed or r.value_um}",
                key=form.key("which"),
            )
            reason = form.field(st.text_input, "Why", "why", "", max_chars=300)
            if form.submit("Take it out"):
                with sentences():
                    with form.taking():
                        kept.withdraw(which, reason)
                    st.rerun()


def _row(reading: Reading, tied: dict[str, Any]) -> dict[str, Any]:
    mark = tied.get("mark_id", reading.mark_id)
    return {
        "no.": reading.id,
        "what": KIND_WORDS[reading.kind],
        "reading": reading_amount(reading),
        "give or take": reading_error(reading),
        "as typed": reading.as_typed,
        "mark": "" if mark < 0 else str(mark),
        "place": "" if pd.isna(reading.x_mm) else format_place(reading.x_mm, reading.y_mm, units()),
        "mind": flag_words(int(tied.get("flags", reading.flags))),
        "instrument": reading.instrument,
    }


def _next(face: Face, job: Job, plate: Plate, survey: Survey) -> None:
    """The pits to read next, by the numbers of the newest map: the face is read as it is now."""
    st.subheader("What to read next")
    plan = face_plan(face, job, plate)
    if plan.read_next.empty:
        st.write("No further reading would sharpen the plan noticeably.")
        return
    newest, _ = face_series(face, job)[-1]
    label = survey_labels([s for s, _ in face_series(face, job)])[newest.id]
    if newest.id != survey.id:
        st.warning(
            f"These are marks of another map, {label}; on the map of this survey the same numbers are other marks. "
            "Choose that survey before you read: a reading belongs to the face as it is when it is read.",
            icon=":material/warning:",
        )
    view = pd.DataFrame(
        {
            "order": plan.read_next.order,
            f"mark ({label})": plan.read_next.mark_id,
            "why": [
                "narrower than any that was read" if narrow else "says most of the deepest"
                for narrow in plan.read_next.is_narrow
            ],
            "zone": plan.read_next.zone.str.replace("_", " "),
            "depth expected now": [
                format_estimate(Estimate(value=value, low=low, high=high, level=plan.level), "depth", units())
                for value, low, high in zip(
                    plan.read_next.depth_um, plan.read_next.depth_low_um, plan.read_next.depth_high_um
                )
            ],
            "give or take of the deepest": [
                f"{format_depth(a, units())} now, {format_depth(b, units())} after"
                for a, b in zip(plan.read_next.spread_before_um, plan.read_next.spread_after_um)
            ],
        }
    )
    st.dataframe(view, hide_index=True, width="stretch")
    st.caption(
        "These pits shrink the uncertainty of the deepest one most; narrow ones test that narrow pits are shallow. Give or"
        " take is one standard deviation of the depth of the deepest, now and after the pit is read."
    )
