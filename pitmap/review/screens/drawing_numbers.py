"""Drawing from numbers: the builder's numbers as fields and tables, or as their exact text."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from importlib.resources import as_file, files
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import streamlit as st

from ...drawing import (
    OPENING_KINDS,
    Drawing,
    PlateNumbers,
    Trochoid,
    build_drawing,
    load_numbers,
    shipped_plates,
)
from ...drawing.numbers import numbers_from_mapping
from ...drawing.numbers_text import numbers_to_mapping, numbers_to_toml
from ...errors import DrawingError
from ..guard import sentences
from ..state import unit_word
from .drawing_fields import in_units, shown_mm, typed_deg, typed_mm
from .drawing_figure import Marks, edit_picture, whole_plate

__all__ = ["numbers_tab"]

_EMPTY = "an empty plate"
_TABLES: dict[str, tuple[str, dict[str, str]]] = {
    "holes": (
        "Round holes, the shaft bore among them",
        {"name": "name", "kind": "kind", "x_mm": "x", "y_mm": "y", "diameter_mm": "diameter"},
    ),
    "ports": (
        "Ports and other openings with corners, each corner as x y, with ; between corners",
        {"name": "name", "kind": "kind", "points_mm": "corners", "corner_mm": "corner radius"},
    ),
    "slots": (
        "Coolant slots along the outer side of the land, between two directions from the middle of the trace",
        {"name": "name", "from_deg": "from, deg", "to_deg": "to, deg", "depth_mm": "depth", "corner_mm": "corner radius"},
    ),
    "ears": (
        "Mounting ears: discs joined to the body by a neck; neck width 0 is as wide as the disc",
        {"x_mm": "x", "y_mm": "y", "radius_mm": "radius", "neck_mm": "neck width"},
    ),
    "bands": (
        "Bands that seals sweep: two offsets of the trace (inside is negative), or two radii about the bore",
        {"name": "name", "about": "about", "from_mm": "from", "to_mm": "to", "seal_width_mm": "seal width"},
    ),
}  # fmt: skip
_CORNERS = {"x_mm": "x", "y_mm": "y"}
_DEFAULTS: dict[str, Any] = {"kind": "bolt", "about": "trace", "corner_mm": 2.5, "neck_mm": 0.0}


def numbers_tab(keep: Callable[[Drawing], None], face_id: int) -> None:
    """What stands under "From numbers".

    Parameters
    ----------
    keep : callable
        Takes the built drawing when the person asks to keep it.
    face_id : int
    """
    pattern = st.selectbox(
        "Start from the numbers of", [_EMPTY, *shipped_plates()], key=f"numbers_pattern_{face_id}",
        help="The named plates are invented; overwrite their numbers with yours.",
    )  # fmt: skip
    numbers = _pattern(pattern)
    as_form, as_text = st.tabs(["Fields", "Exact text"])
    with as_form:
        _form(keep, numbers, f"{face_id}_{pattern}_{unit_word()}")
    with as_text, st.form(f"numbers_text_{face_id}", border=False):
        st.write("The same numbers as TOML, millimetres and degrees.")
        text = st.text_area(
            "Numbers", numbers_to_toml(numbers), height=360, key=f"numbers_toml_{face_id}_{pattern}"
        )
        if st.form_submit_button("Build and keep it"):
            with sentences(), tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "plate.numbers.toml"
                path.write_text(text, encoding="utf-8")
                keep(build_drawing(load_numbers(path)))


@st.cache_resource(show_spinner=False)
def _pattern(name: str) -> PlateNumbers:
    if name == _EMPTY:
        return PlateNumbers(
            name="my plate", thickness_mm=12.0, land_width_mm=6.0,
            trace=Trochoid(eccentricity_mm=12.0, radius_mm=80.0), body_offset_mm=25.0,
        )  # fmt: skip
    with as_file(files("pitmap.drawing") / "plates" / f"{name}.numbers.toml") as path:
        data = numbers_to_mapping(load_numbers(path))
    # Limits decide what happens to a plate: the invented ones of a pattern must not reach a real drawing.
    for key in ("limits", "photo_hints"):
        data.pop(key, None)
    return numbers_from_mapping(data | {"name": "my plate"})


def _form(keep: Callable[[Drawing], None], n: PlateNumbers, tag: str) -> None:
    u = unit_word()
    with st.form(f"numbers_form_{tag}", border=False):

        def field(place: Any, label: str, key: str, value: float, help: str) -> str:
            return str(place.text_input(f"{label}, {u}", shown_mm(value), key=f"nf_{key}_{tag}", help=help))

        st.markdown("**Plate**")
        one, two, three = st.columns(3)
        name = one.text_input("Name", n.name, key=f"nf_name_{tag}", max_chars=80)
        thick = field(two, "Thickness", "thick", n.thickness_mm, "Measured with a micrometer, face to face.")
        mirrored = three.toggle(
            "Mirror it when built", n.mirrored, key=f"nf_mirror_{tag}",
            help="For the second face of an intermediate plate, from the numbers of the first.",
        )  # fmt: skip
        st.markdown("**Bore trace and seal land**")
        cols = st.columns(4)
        e = field(cols[0], "Eccentricity e", "e", n.trace.eccentricity_mm, "From the engine maker's manual.")
        r = field(
            cols[1],
            "Generating radius R",
            "r",
            n.trace.radius_mm,
            "Centre of the rotor to its apex; more than 3 e.",
        )
        d = field(
            cols[2],
            "Offset",
            "d",
            n.trace.offset_mm,
            "Parallel offset outwards: the tip radius of the apex seal.",
        )
        w = field(
            cols[3],
            "Width of the land",
            "land",
            n.land_width_mm,
            "From the bore trace to the land's outer edge.",
        )
        cols = st.columns(4)
        x = field(cols[0], "Centre x", "cx", n.trace.centre_xy_mm[0], "Of the trace, in the plate's frame.")
        y = field(cols[1], "Centre y", "cy", n.trace.centre_xy_mm[1], "Of the trace, in the plate's frame.")
        turn = cols[2].text_input(
            "Rotation, deg",
            f"{n.trace.rotation_deg:g}",
            key=f"nf_turn_{tag}",
            help="Of the long axis, from x.",
        )
        st.markdown("**Outline**")
        cols = st.columns(3)
        off = field(
            cols[0],
            "Body beyond the trace",
            "off",
            n.body_offset_mm,
            "Used where no body corners are listed below.",
        )
        corner = field(
            cols[1], "Radius of body corners", "bc", n.body_corner_mm, "Rounds the corners listed below."
        )
        fillet = field(
            cols[2], "Fillet between body and ears", "fil", n.fillet_mm, "Radius in the inner corners."
        )
        st.caption("Corners of the body, round it in order; leave the table empty to use the offset above.")
        body = [SimpleNamespace(x_mm=x, y_mm=y) for x, y in n.body_points_mm]
        corners = _editor("body", _CORNERS, body, tag)
        edited = {}
        for key, (words, columns) in _TABLES.items():
            st.caption(words)
            edited[key] = _editor(key, columns, getattr(n, key), tag)
        look, save = st.columns(2)
        is_look = look.form_submit_button("Build and look", width="stretch")
        is_keep = save.form_submit_button("Build and keep", type="primary", width="stretch")
    if not (is_look or is_keep):
        return
    with sentences():
        data: dict[str, Any] = {
            "name": name.strip() or "my plate",
            "thickness_mm": typed_mm(thick, "Thickness"),
            "land_width_mm": typed_mm(w, "Width of the land"),
            "mirrored": bool(mirrored),
            "trace": {
                "eccentricity_mm": typed_mm(e, "Eccentricity e"),
                "radius_mm": typed_mm(r, "Generating radius R"),
                "offset_mm": typed_mm(d, "Offset"),
                "centre_xy_mm": [typed_mm(x, "Centre x"), typed_mm(y, "Centre y")],
                "rotation_deg": typed_deg(turn, "Rotation"),
            },
            "body_offset_mm": typed_mm(off, "Body beyond the trace"),
            "body_corner_mm": typed_mm(corner, "Radius of body corners"),
            "fillet_mm": typed_mm(fillet, "Fillet between body and ears"),
            "body_points_mm": [list(row.values()) for row in _rows("corners of the body", _CORNERS, corners)],
            "zone_purposes": dict(n.zone_purposes),
            **{key: _rows(key, _TABLES[key][1], table) for key, table in edited.items()},
        }
        numbers = numbers_from_mapping(data)
        drawing = build_drawing(numbers)
        if is_keep:
            keep(drawing)
        else:
            st.image(edit_picture(drawing, whole_plate(drawing), Marks()), width="stretch", alt="The drawing")
            st.download_button(
                "These numbers as a file",
                numbers_to_toml(numbers),
                "plate.numbers.toml",
                key=f"nf_take_{tag}",
            )


def _label(field: str, words: str) -> str:
    return f"{words}, {unit_word()}" if field.endswith("_mm") and field != "points_mm" else words


def _editor(key: str, columns: dict[str, str], rows: Sequence[Any], tag: str) -> pd.DataFrame:
    """A table to type in; numbers are text in it, for a cell of numbers drops a decimal comma: 12,5 would be 125."""

    def cell(row: Any, field: str) -> str:
        value = getattr(row, field)
        if field == "points_mm":
            return "; ".join(f"{shown_mm(a)} {shown_mm(b)}" for a, b in value)
        if field.endswith("_mm"):
            return f"{round(in_units(value), 5):.10g}"
        return f"{value:.10g}" if field.endswith("_deg") else value

    labels = [_label(f, w) for f, w in columns.items()]
    table = pd.DataFrame([[cell(row, f) for f in columns] for row in rows], columns=labels, dtype=object)
    kinds: dict[str, Any] = {}
    for field, words in columns.items():
        label = _label(field, words)
        if field == "kind":
            kinds[label] = st.column_config.SelectboxColumn(options=list(OPENING_KINDS))
        elif field == "about":
            kinds[label] = st.column_config.SelectboxColumn(options=["trace", "bore"])
        else:
            kinds[label] = st.column_config.TextColumn(width="large" if field == "points_mm" else None)
    return st.data_editor(
        table,
        num_rows="dynamic",
        key=f"nf_{key}_{tag}",
        hide_index=True,
        column_config=kinds,
        width="stretch",
    )


def _rows(key: str, columns: dict[str, str], table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of an edited table as the TOML would hold them; empty rows are left out."""
    out: list[dict[str, Any]] = []
    for number, row in enumerate(table.dropna(how="all").to_dict("records"), 1):
        where = f"{key}, row {number}"
        entry: dict[str, Any] = {}
        for field, words in columns.items():
            value = row[_label(field, words)]
            if value is None or value == "" or (isinstance(value, float) and pd.isna(value)):
                if field not in _DEFAULTS:
                    raise DrawingError(f"{where}: {words} is empty; fill it in or delete the row")
                entry[field] = _DEFAULTS[field]
            elif field == "points_mm":
                entry[field] = _points(str(value), where)
            elif field.endswith("_mm"):
                entry[field] = typed_mm(str(value), f"{where}: {words}")
            else:
                entry[field] = (
                    typed_deg(str(value), f"{where}: {words}") if field.endswith("_deg") else str(value)
                )
        out.append(entry)
    return out


def _points(text: str, where: str) -> list[list[float]]:
    """Corners written ``46.5 12; 66 8``; a comma is a decimal one, as in every field for a number."""
    pairs = [p.split() for p in text.split(";") if p.strip()]
    if any(len(p) != 2 for p in pairs):
        raise DrawingError(
            f"{where}: corners are written x y; x y; x y with a blank between x and y, got {text[:60]!r}"
        )
    return [[typed_mm(v, where) for v in p] for p in pairs]
