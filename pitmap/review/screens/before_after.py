"""Before and after: side by side, slider, blink, change map; fates, zones, the lap series."""

from __future__ import annotations

import streamlit as st

from ...compare import Comparison, PairChange
from ...drawing import Drawing
from ...inspection import Inspection
from ...report import plot_side_by_side, translator
from ...report.page_compare import (
    FATES_NOTE,
    blended,
    blink_picture,
    cannot_tell_words,
    change_on_photo,
    fates_view,
    maps_of,
    series_figures,
    tracks_view,
    zone_changes_view,
)
from ...report.words import fate_word
from ...units import format_length
from ..cached import drawn, face_comparison, face_drawing, face_series
from ..device import chart_config, chart_words, is_phone
from ..guard import sentences
from ..parts import caution, choose_face, map_first, rests_on, stage_word
from ..plain_text import plain
from ..state import units

__all__ = ["show"]


def show() -> None:
    """The page."""
    st.title("Before and after")
    chosen = choose_face()
    if chosen is None:
        return
    _, job, plate, face = chosen
    series = face_series(face, job)
    if len(series) < 2:
        map_first(len(series), 2)
        return
    rests_on(series)
    with sentences():
        comparison = face_comparison(face, job, plate)
        for problem in comparison.problems:
            st.warning(plain(problem))
        inspections = [i for _, i in series]
        k = st.selectbox(
            "Compare",
            range(len(comparison.pairs) + (len(series) > 2)),
            format_func=lambda k: _pair_words(_pair(comparison, k), inspections),
            index=len(comparison.pairs) - 1,
        )
        pair = _pair(comparison, k)
        before, after = inspections[pair.before - 1], inspections[pair.after - 1]
        _pictures(pair, before, after, face_drawing(face, job))
        _tables(pair)
        _series(comparison)
    caution()


def _pair(comparison: Comparison, k: int) -> PairChange:
    return comparison.pairs[k] if k < len(comparison.pairs) else comparison.overall


def _pair_words(pair: PairChange, inspections: list[Inspection]) -> str:
    a, b = inspections[pair.before - 1], inspections[pair.after - 1]
    return f"{stage_word(a.stage.name)} and {stage_word(b.stage.name)}"


def _pictures(pair: PairChange, before: Inspection, after: Inspection, drawing: Drawing) -> None:
    side, slide, blink, change = st.tabs(["Side by side", "Slide", "Blink", "What changed"])
    with side:
        # beside each other they would be as small as stamps on a phone
        system = units()
        is_stacked = st.toggle("One below the other", value=is_phone(), key="is_stacked")
        figure = drawn(
            "side by side", (before, after, drawing), (is_stacked, system),
            lambda: plot_side_by_side(*maps_of(translator(), before, after, drawing, system), is_stacked=is_stacked),
        )  # fmt: skip
        st.plotly_chart(
            figure,
            width="stretch",
            config=chart_config(),
            key="side_by_side",
            alt="The maps before and after",
        )
    with slide:
        share = st.slider("From before to after", 0, 100, 50, format="%d %%", key="slide_share")
        slid = drawn("slide", (before, after), (share,), lambda: blended(before, after, share / 100))
        st.image(slid, width="stretch", output_format="JPEG", alt="Before, and after beside it")
        st.caption("Left of the line: before. Right of it: after.")
    with blink:
        blinking = drawn("blink", (before, after), (), lambda: blink_picture(before, after))
        st.image(blinking, width="stretch", alt="Before and after in turn")
        st.caption("The two pictures in turn, one second each.")
    with change:
        changed = drawn("change", (pair, after), (), lambda: change_on_photo(pair, after))
        st.image(
            changed, width="stretch", output_format="JPEG", alt="The fate of every mark, on the photo after"
        )
        st.caption("Full colour: still there. Rising lines: cleared. Dots: came up. Cross: cannot be told.")


def _tables(pair: PairChange) -> None:
    counts = pair.counts("pit")
    t = translator()
    told = ", ".join(f"{fate_word(t, fate)}: {n}" for fate, n in counts.items() if n)
    st.write(f"Pits: {told or 'neither map shows one'}")
    fates, zones = st.tabs(["Pit by pit", "Zones"])
    with fates:
        st.dataframe(fates_view(pair.fates, units()), hide_index=True, width="stretch")
        st.caption(
            f"Two sights of one mark may lie up to {format_length(pair.tolerance_mm, units())} apart. "
            f"{cannot_tell_words(pair.fates)}"
        )
        st.caption(FATES_NOTE)
    with zones:
        st.dataframe(zone_changes_view(pair.zone_changes), hide_index=True, width="stretch")


def _series(comparison: Comparison) -> None:
    st.subheader("The lap series")
    system = units()
    for figure, note in drawn("series", (comparison,), (system,), lambda: series_figures(comparison, system)):
        st.plotly_chart(figure, width="stretch", config=chart_config(zooms=False), alt=chart_words(figure))
        if note:
            st.caption(plain(note))
    with st.expander("Every mark through all surveys"):
        st.dataframe(tracks_view(comparison.tracks, system), hide_index=True, width="stretch")
