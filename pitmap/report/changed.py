"""Sections of the record about change: fate of every pit, change per zone, the lap series."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np

from ..compare import ChangeCode, Fate, proof_of_change
from ..units import format_depth
from .draw_mpl import chart_png, draw_lines
from .figures import curve_chart, series_chart
from .model import Paragraph, Picture, RecordInput, Section, Table
from .overlay import codes_on, paint_codes
from .palette import CHANGE_STYLES
from .text import Translate
from .words import estimate_of, fate_word, number, proof_word, quantity_word, stage_word, zone_word

__all__ = ["change_picture", "change_section", "series_section"]


def change_picture(t: Translate, record: RecordInput, *, width: float = 0.5) -> Picture | None:
    """Where metal was cleared, stayed damaged, or came up, over the latest photo; None without a photo."""
    rgb = getattr(record.last, "picture", None)
    if rgb is None or record.comparison is None:
        return None
    pair, grid = record.comparison.overall, record.last.picture_grid
    codes = codes_on(pair.change_codes, pair.grid, grid)
    painted = paint_codes(rgb, codes, CHANGE_STYLES, step=max(6, round(grid.n_cols / 70)))
    data = cv2.imencode(".jpg", cv2.cvtColor(painted, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 85])[
        1
    ].tobytes()
    words = ", ".join(t(style.word) for style in CHANGE_STYLES.values())
    return Picture(
        data=data,
        kind="jpeg",
        alt=t("Change map of the face: {words}", words=words),
        caption=t("Change from the first to the last survey"),
        width=width,
        size_px=(painted.shape[1], painted.shape[0]),
    )


def change_section(t: Translate, record: RecordInput) -> Section:
    """What became of every pit, and how much each zone changed."""
    from .legend import change_entries, legend_png

    title = t("What changed")
    if record.comparison is None:
        if len(record.inspections) < 2:
            text = t("Nothing to compare: the record holds one survey of the face.")
        else:
            text = t("Not compared: the surveys were not laid on each other.")
        return Section(key="change", title=title, blocks=(Paragraph(text=text),))
    c = record.comparison
    surveys = c.surveys.set_index("survey")
    pair = c.overall
    words = {
        "before": stage_word(t, surveys.loc[pair.before, "stage"]),
        "after": stage_word(t, surveys.loc[pair.after, "stage"]),
    }
    counts = pair.counts("pit")
    head = tuple(fate_word(t, str(f)) for f in Fate)
    row = tuple(str(counts[str(f)]) for f in Fate)
    share = 1 / len(head)
    blocks: list[Any] = [
        *(Paragraph(text=t(problem), kind="warning") for problem in c.problems),
        Paragraph(text=t("Pits from {before} to {after}:", **words)),
        Table(head=head, rows=(row,), widths=(share,) * len(head)),
        Paragraph(text=_shift_sentence(t, record), kind="note"),
    ]
    rows = []
    shown = pair.zone_changes[pair.zone_changes["class_word"].isin(["affected", "pit"])]
    for z in shown.itertuples():
        e = estimate_of(
            z.change, z.change_low, z.change_high, reason=z.note or "the zone was not seen in both"
        )
        if not e.is_known:
            word = t("not known")
        else:
            word = proof_word(t, proof_of_change(z.is_beyond_repeatability, z.change_low, z.change_high))
        rows.append(
            (zone_word(t, z.zone), _share_word(t, z.class_word), number(t, e, "share", record.units), word)
        )
    head = (
        t("zone"),
        t("share"),
        t("change, in percent of the zone"),
        t("larger than the photos' own spread"),
    )
    blocks.append(Table(head=head, rows=tuple(rows), widths=(0.22, 0.2, 0.32, 0.26)))
    blocks += [
        Paragraph(text=f"{_share_word(t, word).capitalize()}: {t(note)}.", kind="note")
        for word, note in shown[["class_word", "note"]].drop_duplicates().itertuples(index=False)
        if note
    ]
    picture = change_picture(t, record)
    if picture is not None:
        blocks.append(picture)
        styles = change_entries(t, np.unique(pair.change_codes))
        if styles:
            data, size = legend_png(styles, width_px=620)
            blocks.append(
                Picture(
                    data=data,
                    kind="png",
                    alt=", ".join(w for _, w in styles),
                    caption="",
                    width=0.4,
                    size_px=size,
                )
            )
    if ChangeCode.UNSEEN in {int(v) for v in np.unique(pair.change_codes)}:
        text = t(
            "Cannot be told: metal that one of the two photos does not show and, where the intake is one of them, metal that"
            " the lap has not reached. It is never called changed or unchanged."
        )
        blocks.append(Paragraph(text=text, kind="note"))
    return Section(key="change", title=title, blocks=tuple(blocks))


def _share_word(t: Translate, class_word: str) -> str:
    return quantity_word(t, "affected_share" if class_word == "affected" else "pit_share")


def _shift_sentence(t: Translate, record: RecordInput) -> str:
    shift = record.comparison.overall.shift
    if not shift.remaining_mm.is_known:
        return t(
            "The two surveys lie on the drawing and were not refined further: {reason}.",
            reason=t(shift.remaining_mm.reason),
        )
    return t(
        "The surveys were laid on each other by {n} marks that both show; a shift of {left} is left.",
        n=shift.n_used,
        left=number(t, shift.remaining_mm, "length", record.units),
    )


def _series_cell(t: Translate, record: RecordInput, table: Any, survey: int, quantity: str, zone: str) -> str:
    at = table[(table["survey"] == survey) & (table["quantity"] == quantity) & (table["zone"] == zone)]
    if not len(at):
        return "\u2013"
    row = at.iloc[0]
    low, high = float(row["low"]), float(row["high"])
    if quantity == "deepest_um":
        if math.isnan(low):
            return t(row["reason"])
        if math.isinf(high):
            return t("deeper than {low}", low=format_depth(low, record.units))
        return t(
            "{low} to {high}", low=format_depth(low, record.units), high=format_depth(high, record.units)
        )
    e = estimate_of(float(row["value"]), low, high, reason=str(row["reason"]))
    if not e.is_known:
        return t(e.reason)
    return number(t, e, "length" if quantity == "sound_width_mm" else "share", record.units)


def series_section(t: Translate, record: RecordInput) -> Section | None:
    """The lap series; None when there is none to show."""
    c = record.comparison
    if c is None:
        return None
    quantities = (
        ("affected_share", "seal_land"),
        ("sound_width_mm", "seal_land"),
        ("deepest_um", "seal_land"),
    )
    rows = []
    for s in c.surveys.itertuples():
        stock = estimate_of(
            s.removed_um, s.removed_low_um, s.removed_high_um, reason="the stock taken off was not entered"
        )
        removed = number(t, stock, "depth", record.units)
        cells = (_series_cell(t, record, c.series, s.survey, q, z) for q, z in quantities)
        rows.append((stage_word(t, s.stage), s.surveyed_on or "\u2013", removed, *cells))
    head = (
        t("survey"),
        t("date"),
        t("stock removed"),
        t("land: affected share"),
        t("land: narrowest sound width"),
        t("land: deepest pit, by the lap steps alone"),
    )
    blocks: list[Any] = [Table(head=head, rows=tuple(rows), widths=(0.15, 0.13, 0.13, 0.2, 0.2, 0.19))]
    if len({i.stage.is_lapped for i in record.inspections}) > 1:
        text = t(
            "Metal that the lap has not reached cannot be told at intake: it is in no figure of that survey, and counts in"
            " those of the surveys after it."
        )
        blocks.append(Paragraph(text=text, kind="note"))
    charts = [series_chart(t, c, q, record.units) for q in ("affected_share", "sound_width_mm")]
    if record.plan is not None:
        charts.append(curve_chart(t, record.plan.curves, "pits", record.units))
    charts = [chart for chart in charts if chart.lines]
    for chart in charts:
        data, size = chart_png(draw_lines(chart), dpi=150)
        blocks.append(
            Picture(
                data=data,
                kind="png",
                alt=f"{chart.title}; {chart.x_label}",
                caption=chart.title,
                width=0.333,
                size_px=size,
            )
        )
    return Section(key="series", title=t("Lap series"), blocks=tuple(blocks))
