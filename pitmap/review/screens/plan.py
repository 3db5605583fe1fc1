"""Plan: verdict, curves, budgets, the limit sheet, and what would be left after taking off N um."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd
import streamlit as st

from ...casebook import Casebook, Face, Plate
from ...report import translator
from ...report.page_plan import budget_figure, curve_figures
from ...report.words import aim_word
from ...stock import LIMIT_TEXT, OFFERED, LimitSheet, StockPlan, usable_limits
from ...units import (
    UnitSystem,
    format_confidence,
    format_depth,
    format_estimate,
    format_length,
    format_need,
    format_part,
)
from ...workflow import (
    HOUSING_ROLE,
    LIMITS_ROLE,
    housing_dip_of,
    limit_rows_of,
    newest_file,
    save_housing_dip,
    save_limits,
)
from ..cached import drawn, face_plan, face_series
from ..device import chart_config, chart_words
from ..guard import sentences
from ..kept_form import KeptForm
from ..kept_length import kept_or_typed, shown_length
from ..parts import GIVE_OR_TAKE, choose_face, map_first, measured_length, rests_on
from ..plain_text import plain
from ..state import units
from ..tables import steps_view

__all__ = ["show"]

_WITHIN_90 = "Give or take (holds in 9 cases of 10)"
_STATUS = {
    "pass": ":material/check:",
    "watch": ":material/warning:",
    "stop": ":material/block:",
    "not judged": ":material/remove:",
}


def show() -> None:
    """The page."""
    st.title("Plan")
    chosen = choose_face()
    if chosen is None:
        return
    kept, job, plate, face = chosen
    series = face_series(face, job)
    if not series:
        map_first(0)
        return
    rests_on(series)
    with sentences():
        plan = face_plan(face, job, plate)
        _verdict(plan)
        _what_if(plan, face)
        _curves(plan)
        _rules(plan)
    if job.state == "released":
        st.info(
            "This job is released: its plan and record keep to the limit sheet that was signed with it. What is kept "
            "below is for later jobs.",
            icon=":material/lock:",
        )
    with sentences():
        _limit_sheet(kept, plate, face)
    with sentences():
        _housing(kept, plate, face)


def _verdict(plan: StockPlan) -> None:
    with st.container(border=True):
        st.subheader(plan.verdict.headline)
        for reason in plan.verdict.reasons:
            st.write(plain(reason))
    if plan.problems:
        st.warning("\n".join(f"- {plain(problem)}" for problem in plan.problems))


def _what_if(plan: StockPlan, face: Face) -> None:
    levels = sorted(plan.curves.removal_um.unique())
    if not levels:
        return
    st.subheader("Take off how much?")
    labels = _stops(levels, units())
    at = st.select_slider(
        "Further stock from the face as it is now", options=levels, value=levels[0],
        format_func=lambda v: labels.get(v, format_depth(v, units())), key=f"take_off_{face.id}",
    )  # fmt: skip
    rows = []
    for (zone, aim), curve in plan.curves.groupby(["zone", "aim"], sort=False):
        row = curve.iloc[(curve.removal_um - at).abs().argmin()]
        rows.append(
            {
                "zone": zone.replace("_", " "),  # type: ignore[attr-defined]
                "figure": {
                    "pits": "pits left",
                    "sound_width": "sound width",
                    "uncut": "not reached by the lap",
                }[aim],  # type: ignore[index]
                "left": _number(row.value, aim),  # type: ignore[arg-type]
                **_interval(row, aim),  # type: ignore[arg-type]
                "chance that the aim is reached": "no aim set"
                if pd.isna(row.p_reached)
                else f"{100 * row.p_reached:.0f} %",
            }
        )
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch")
    st.caption(
        "A pit is followed through all surveys and counts once, though its floor may be left in several marks of the last "
        "map."
    )
    if "sound_width" in set(plan.curves.aim):
        st.caption(
            "At 0 the sound width is the measured one; after further stock it is modelled, each pit as a disc of its area."
        )


def _interval(row: pd.Series, aim: str) -> dict[str, str]:
    """From and to; of the pits that the map shows now there is a count, and no interval."""
    is_counted = aim == "pits" and row.removal_um == 0 and row.value_low == row.value_high
    ends = (
        ("counted", "counted") if is_counted else (_number(row.value_low, aim), _number(row.value_high, aim))
    )
    return dict(zip(("from", "to"), ends))


def _number(value: float, aim: str) -> str:
    if pd.isna(value):
        return "not known"
    return {
        "pits": f"{value:.0f}",
        "sound_width": format_length(value, units()),
        "uncut": format_part(value),
    }[aim]


def _curves(plan: StockPlan) -> None:
    t = translator()
    needed = [
        {
            "zone": n.zone.replace("_", " "),
            "aim": aim_word(t, n.aim),
            "truly needed": format_estimate(n.stock_um, "depth", units())
            if n.stock_um.is_known
            else "not known",
            f"enough at {format_confidence(n.confidence)}": format_need(n.recommended_um, units()),
        }
        for n in plan.needed
    ]
    st.dataframe(pd.DataFrame(needed), hide_index=True, width="stretch")
    # a cell would cut the reason off
    for why in dict.fromkeys(n.stock_um.reason for n in plan.needed if not n.stock_um.is_known):
        st.caption(plain(f"Not known: {why}."))
    for sentence in plan.unseen:
        st.write(plain(sentence))
    system = units()
    for figure in drawn("curves", (plan,), (system,), lambda: curve_figures(plan, system)):
        st.plotly_chart(figure, width="stretch", config=chart_config(zooms=False), alt=chart_words(figure))
    with st.expander("What each further step buys and uses"):
        if plan.each_step_uses:
            st.write(plain(f"Each step uses {plan.each_step_uses}."))
        st.dataframe(steps_view(plan.steps, units()), hide_index=True, width="stretch")
        st.caption(
            "Pits are expected numbers; the curves above show how far the true number may lie from them."
        )


def _rules(plan: StockPlan) -> None:
    st.subheader("Limits")
    for finding in plan.verdict.findings:
        st.write(f"{_STATUS[finding.status]} {plain(finding.sentence)}")
        if finding.source:
            st.caption(plain(f"limit from: {finding.source}"))
    if plan.budget:
        system = units()
        figure = drawn("budget", (plan,), (system,), lambda: budget_figure(plan, system))
        if figure is not None:
            st.plotly_chart(
                figure, width="stretch", config=chart_config(zooms=False), alt=chart_words(figure)
            )
        elif all(math.isnan(line.limit) and math.isnan(line.limit_high) for line in plan.budget):
            st.write("Budget after the planned removal: no limit entered.")


def _limit_sheet(kept: Casebook, plate: Plate, face: Face) -> None:
    newest = newest_file(kept, face, LIMITS_ROLE)
    rows = limit_rows_of(kept, face)
    entries, wrong = usable_limits(rows)
    form = KeptForm(f"limits_{face.id}", rows)
    with st.expander("Limit sheet of this face", expanded=bool(wrong) or form.is_late):
        st.write(
            "From the engine maker's service manual, with the page, or your own rule in your words. What is left empty "
            "is not judged, never passed."
        )
        with st.form(f"limits_{face.id}", border=False):
            typed, beside, system = {}, {}, form.units
            for name, (unit, text) in LIMIT_TEXT.items():
                now = entries.get(name)
                # What cannot be used is shown as it stands, to be mended.
                value, source, within = rows[name] if name in wrong else ("", now.source if now else "", "")
                columns = st.columns([3, 2, 3])
                filled = form.field(
                    columns[0].text_input, text.capitalize(), f"limit_{name}",
                    _shown(now.value, unit, system) if now else str(value),
                    placeholder=f"for example in {_unit_word(unit, system)}",
                )  # fmt: skip
                give = form.field(
                    columns[1].text_input, GIVE_OR_TAKE, f"within_{name}",
                    _shown(now.uncertainty or None, unit, system) if now else str(within or ""),
                    placeholder="empty: exact",
                )  # fmt: skip
                said = form.field(
                    columns[2].text_input, "Source", f"source_{name}", source,
                    placeholder=OFFERED[name].source if name in OFFERED else "manual and page",
                )  # fmt: skip
                beside[name] = st.empty()
                if filled.strip():
                    value_kept, within_kept = (now.value, now.uncertainty) if now else (math.nan, math.nan)
                    typed[name] = (_meant(filled, value_kept, unit, system), said,
                                   _meant(give.strip(), within_kept, unit, system) or 0)  # fmt: skip
            if form.submit("Keep the limit sheet", type="primary"):
                entries, wrong = usable_limits(typed)
                if not wrong:
                    with form.taking():
                        save_limits(kept, plate, face, LimitSheet(entries=entries), over=newest)
                    st.rerun()
                labels = ", ".join(LIMIT_TEXT[name][1] for name in wrong)
                st.error(f"Nothing is kept yet. To be corrected above: {labels}.", icon=":material/error:")
            for name, why in wrong.items():
                beside[name].error(
                    plain(f"{LIMIT_TEXT[name][1].capitalize()}: {why}"), icon=":material/error:"
                )


def _housing(kept: Casebook, plate: Plate, face: Face) -> None:
    """The dip of the rotor housing that goes on this face: with the plate's own it makes the gap at the joint."""
    newest = newest_file(kept, face, HOUSING_ROLE)
    dip = housing_dip_of(kept, face)
    dip_um, half_um = (dip.value, dip.high - dip.value) if dip else (math.nan, 5.0)
    form = KeptForm(f"housing_{face.id}", dip)
    with (
        st.expander("Rotor housing that goes on this face", expanded=form.is_late),
        st.form(f"housing_{face.id}", border=False),
    ):
        st.write(
            "The gap at the joint is the plate's dip and the rotor housing's together. The plate's comes from heights read "
            "on the Depth page; the housing's is measured on the housing. Without both the gap is not judged."
        )
        one, two = st.columns(2)
        typed = form.field(
            one.text_input, "Dip of the rotor housing's face", "dip", shown_length(dip_um, "um", form.units),
            placeholder="20 um or 0.8 thou; empty when not known",
        )  # fmt: skip
        within = form.field(
            two.text_input, _WITHIN_90, "dip_within", shown_length(half_um, "um", form.units),
        )  # fmt: skip
        if form.submit("Keep the housing's dip"):
            with form.taking():
                save_housing_dip(
                    kept,
                    plate,
                    face,
                    measured_length(
                        kept_or_typed(typed, dip_um, "um", form.units),
                        kept_or_typed(within, half_um, "um", form.units),
                        "Dip of the rotor housing",
                        _WITHIN_90,
                    ),
                    over=newest,
                )
            st.rerun()


def _stops(levels: Sequence[float], system: UnitSystem) -> dict[float, str]:
    """Depths, um, each with a label of its own: the slider knows a stop by its label, and 4 and 5 um are both 0.2 thou."""
    for digits in (None, 1, 2, 3):
        labels = {v: format_depth(v, system, digits=digits) for v in levels}
        if len(set(labels.values())) == len(labels):
            break
    return labels


def _unit_word(unit: str, system: UnitSystem) -> str:
    return {"um": "thou", "mm": "in"}.get(unit, unit) if system == "inch" else unit


def _shown(value: float | None, unit: str, system: UnitSystem) -> str:
    """A number of the sheet as its field reads it back; empty for none."""
    if value is None:
        return ""
    return f"{value:.9g} %" if unit == "percent" else shown_length(value, unit, system)


def _meant(text: str, kept: float, unit: str, system: UnitSystem) -> str:
    """What stands in a field of the sheet that showed a kept number (NaN for none)."""
    return text if unit == "percent" else kept_or_typed(text, kept, unit, system)
