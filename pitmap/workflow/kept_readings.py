"""Readings of a survey: from a sheet or a form into the casebook, and back onto the marks of its map."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd

from ..casebook import Casebook, Plate, Reading, Survey
from ..casebook import Face as CasebookFace
from ..classes import CLASS_WORDS, SurfaceClass
from ..depth import DEFAULT_UNCERTAINTY_UM, READINGS, ReadingSheet, attach_readings, off_the_metal
from ..drawing import Drawing
from ..errors import ReadingError
from ..flags import Flag
from ..inspection import (
    Inspection,
)
from ..units import in_both

__all__ = ["HAND_SD_MM", "keep_readings", "readings_table", "rows_of_face", "tie_readings", "with_readings"]


_THICKNESS_SLIP = 2.0
"""A thickness so many times off that of the drawing, either way, is a slip of the unit (house choice: no plate is lapped
to its half)."""

HAND_SD_MM = 0.5
"""How far a place read off the map by eye may be from the needle, one standard deviation (house choice)."""


def readings_table(book: Casebook, survey: Survey, inspection: Inspection) -> pd.DataFrame:
    """The readings of a survey as a table, tied to the marks of its map where that is certain.

    A reading that was kept without its uncertainty has the one of its kind
    (:data:`pitmap.depth.DEFAULT_UNCERTAINTY_UM`).
    """
    rows = [
        {
            "reading_id": r.id,
            "kind": r.kind,
            "x_mm": r.x_mm,
            "y_mm": r.y_mm,
            "mark_id": r.mark_id,
            "value_um": r.value_um,
            # Of an older casebook it may be 0, which no gauge has and no figure can be weighed by.
            "uncertainty_um": r.uncertainty_um if r.uncertainty_um > 0 else DEFAULT_UNCERTAINTY_UM[r.kind],
            "is_lower_bound": r.is_lower_bound,
            "instrument": r.instrument,
            "note": r.note,
            "flags": r.flags,
        }
        for r in book.readings(survey)
    ]
    table = READINGS.frame(rows)
    of_mark = (table.mark_id >= 0) & table.x_mm.notna() & (table.kind == "pit_depth")
    tied = [tie_readings(table[~of_mark], inspection), _tie_again(table[of_mark], inspection)]
    return pd.concat(tied).sort_values("reading_id", ignore_index=True)


def _tie_again(readings: pd.DataFrame, inspection: Inspection) -> pd.DataFrame:
    """Readings that were kept with a pit's number and place, tied to the pit that holds the place now.

    A changed map numbers its pits anew, so a pit that still stands where it stood keeps its reading whatever its
    number, and no other pit takes it over for its number alone.
    """
    pits = inspection.marks[inspection.marks.class_code == SurfaceClass.PIT]
    pixel_mm = 1 / inspection.class_map.px_per_mm
    now = []
    for x, y in zip(readings.x_mm, readings.y_mm):
        here = np.hypot(pits.x_mm - x, pits.y_mm - y) < pixel_mm
        now.append(int(pits.mark_id[here].iloc[0]) if here.any() else -1)
    # The place came off a map of this face, not off the plate by eye: no error of a hand is in it.
    place_sd_mm = math.hypot(inspection.alignment.error_sd_mm, pixel_mm / 2)
    return attach_readings(readings.assign(mark_id=np.array(now, np.int64)), inspection.marks, place_sd_mm)


def tie_readings(readings: pd.DataFrame, inspection: Inspection) -> pd.DataFrame:
    """Readings tied to the marks of a map where that is certain within the alignment's and the hand's error."""
    place_sd_mm = math.hypot(inspection.alignment.error_sd_mm, HAND_SD_MM)
    return attach_readings(readings, inspection.marks, place_sd_mm)


def with_readings(inspection: Inspection, readings: pd.DataFrame) -> Inspection:
    """The inspection with these readings, tied to its marks.

    A height or another reading that names a mark in place of x and y was taken at that mark.
    """
    places = inspection.marks.set_index("mark_id")[["x_mm", "y_mm"]]
    by_mark = readings.x_mm.isna() & readings.mark_id.isin(places.index) & (readings.kind != "pit_depth")
    placed = readings.copy()
    placed.loc[by_mark, ["x_mm", "y_mm"]] = places.loc[readings.mark_id[by_mark]].to_numpy(float)
    return replace(inspection, readings=tie_readings(placed, inspection))


def rows_of_face(sheet: ReadingSheet, stage: str, plate: Plate, face: CasebookFace) -> pd.DataFrame:
    """The rows of a sheet that were read on a face at a stage; rows that name no face are of this one.

    Raises
    ------
    ReadingError
        The sheet names faces, and none of them is this one.
    """
    named = sorted({name for name in sheet.faces if name})
    mine = [
        name
        for name in named
        if name.casefold() in (face.name.casefold(), f"{plate.tag} {face.name}".casefold())
    ]
    if named and not mine:
        raise ReadingError(
            f"column face: the sheet names {', '.join(named)}, and this is face {face.name} of plate {plate.tag}; open that "
            "face, or correct the column"
        )
    return sheet.of(stage, mine[0] if mine else None)


def _placed(readings: pd.DataFrame, inspection: Inspection | None) -> pd.DataFrame:
    """Readings that name a mark by its number, with the place of that mark."""
    named = readings[readings.mark_id >= 0]
    if named.empty:
        return readings
    if inspection is None:
        raise ReadingError(
            f"mark {named.mark_id.iloc[0]}: this survey has no map that numbers its marks; map it first, or give x "
            "and y instead"
        )
    marks = inspection.marks.set_index("mark_id")
    out = readings.copy()
    for (row, tied), number in zip(tie_readings(named.assign(note=""), inspection).iterrows(), named.mark_id):
        is_elsewhere = bool(tied["flags"] & Flag.CONTRADICTION)
        if is_elsewhere or number not in marks.index:
            why = tied.note if is_elsewhere else "the map has no such mark"
            raise ReadingError(
                f"reading {tied.reading_id}, mark {number}: {why}; take the number from the map of this survey, or leave "
                "it out and give x and y"
            )
        what = SurfaceClass(int(marks.class_code.loc[number]))
        if tied.kind == "pit_depth" and what != SurfaceClass.PIT:
            raise ReadingError(
                f"reading {tied.reading_id}, mark {number}: on the map it is {CLASS_WORDS[what]}, not a pit, and a pit "
                "depth belongs to a pit; take the number of the pit from the map, or leave it out and give x and y"
            )
        is_in_pit = tied.kind == "pit_depth" and tied.mark_id >= 0
        if is_in_pit or math.isnan(tied.x_mm):
            out.loc[row, ["x_mm", "y_mm"]] = marks.loc[number, ["x_mm", "y_mm"]].astype(float)
    return out


def _must_be_of_plate(readings: pd.DataFrame, inspection: Inspection | None, drawing: Drawing | None) -> None:
    class_map = inspection.class_map if inspection is not None else None
    for r in (SimpleNamespace(**row) for row in readings.to_dict("records")):
        if class_map is not None and class_map.grid is not None:
            off = off_the_metal(r.kind, r.x_mm, r.y_mm, class_map.grid, class_map.is_metal)
            if off:
                raise ReadingError(f"reading {r.reading_id}: {off}")
        if r.kind != "thickness" or drawing is None or math.isnan(drawing.thickness_mm):
            continue
        thick_mm = r.value_um / 1000
        if not drawing.thickness_mm / _THICKNESS_SLIP <= thick_mm <= drawing.thickness_mm * _THICKNESS_SLIP:
            raise ReadingError(
                f"reading {r.reading_id}: a thickness of {in_both(thick_mm, 'mm')} cannot be of this plate, which is "
                f"{in_both(drawing.thickness_mm, 'mm')} thick by its drawing; check the unit, or correct the drawing"
            )


def keep_readings(
    book: Casebook,
    survey: Survey,
    table: pd.DataFrame,
    inspection: Inspection | None,
    *,
    drawing: Drawing | None = None,
    as_typed: Sequence[str] = (),
) -> tuple[Reading, ...]:
    """Keep a table of readings with a survey, all or none.

    A reading that names a mark by its number is kept with the mark's place on `inspection`, the map that the number
    was read from: the next change of the map may give the number to another mark.

    Raises
    ------
    ReadingError
        A number that no mark has, or one whose mark is not at the place given with it; a pit depth of a mark that is
        no pit; a place off the metal of the map; a thickness that cannot be that of `drawing`, the face's.
    """
    placed = _placed(table, inspection)
    _must_be_of_plate(placed, inspection, drawing)
    names = (
        "kind",
        "x_mm",
        "y_mm",
        "mark_id",
        "value_um",
        "uncertainty_um",
        "is_lower_bound",
        "instrument",
        "note",
    )
    rows = [dict(zip(names, values)) for values in placed[list(names)].astype(object).itertuples(index=False)]
    for row, typed in zip(rows, as_typed):
        row["as_typed"] = typed
    return book.add_readings(survey, rows)
