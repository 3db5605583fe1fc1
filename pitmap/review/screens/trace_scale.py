"""What is typed before a tracing: the plate, and what gives its scale."""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import streamlit as st

from ...casebook import Face, Plate
from ...errors import InputError
from ...units import in_both, parse_length
from ..plain_text import plain
from .trace_desk import Desk

__all__ = ["Typed", "known_distance", "plate_fields"]

Sheet = Literal["", "face", "bench"]
_SCALES: dict[Sheet, str] = {
    "": "a distance between two holes is known",
    "face": "the printed target sheet lies on the face",
    "bench": "the printed target sheet lies on the bench",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What was typed; None for a length that is missing or cannot be (a focal length may be missing: NaN if it cannot)."""

    name: str
    thickness_mm: float | None
    edge_break_mm: float | None
    sheet: Sheet
    print_scale: float | None
    focal_35mm: float | None

    def problem(self) -> str:
        """What is missing, in words, or empty."""
        if not self.name.strip():
            return "Name of the drawing: give it one"
        if self.thickness_mm is None:
            return "Thickness of the plate: type it with its unit, such as 14 mm or 0.55 in"
        if self.edge_break_mm is None:
            return "Width of the chamfer on the edges: type it with its unit, 0 mm for sharp edges"
        if self.sheet and self.print_scale is None:
            return "Printed line: measure it and type its length with its unit"
        if self.focal_35mm is not None and math.isnan(self.focal_35mm):
            return "Focal length: correct it, or empty the field where it is not known"
        return ""


def length_field(
    place: Any,
    label: str,
    key: str,
    *,
    least: float,
    most: float,
    value: str = "",
    hint: str = "",
    help: str = "",
    bare: str = "",
) -> float | None:
    """A text field for a length; what is wrong stands under it. Millimetres, or None; `bare` is a bare number's unit."""
    text = place.text_input(label, value=value, placeholder=hint or None, help=help or None, key=key)
    if not text.strip():
        return None
    try:
        length = parse_length(text, to="mm", default_unit=bare)
    except InputError as error:
        place.error(plain(f"{label}: {error}"))
        return None
    if not least <= length <= most:
        typed, low, high = (in_both(mm, "mm") for mm in (length, least, most))
        place.error(f"{label}: {typed} is not between {low} and {high}; is the unit right?")
        return None
    return length


def plate_fields(plate: Plate, face: Face) -> Typed:
    """Name, thickness, chamfer, and what gives the scale."""
    one, two, three = st.columns(3)
    name = one.text_input(
        "Name of the drawing", value=f"{plate.tag} {face.name}", max_chars=80, key=f"trace_name_{face.id}"
    )
    thickness = length_field(
        two, "Thickness of the plate", f"trace_thickness_{face.id}", least=1, most=200, hint="14 mm or 0.55 in",
        help="By micrometer or caliper, with its unit. With the sheet on the bench it is also the height of the face over "
        "the sheet, which is corrected.",
    )  # fmt: skip
    edge_break = length_field(
        three, "Width of the chamfer on the edges", f"trace_break_{face.id}", least=0, most=3, value="0 mm",
        help="A broken edge looks like a wall: the metal seen ends that much before the drawn edge. 0 for sharp edges.",
    )  # fmt: skip
    sheet: Sheet = st.radio(
        "What gives the scale?",
        list(_SCALES),
        format_func=_SCALES.get,
        key=f"trace_sheet_{face.id}",
        horizontal=True,
    )
    print_scale, focal = None, None
    if sheet:
        # the sheet's module loads the PDF writer, which a page without a sheet need not wait for
        from ...registration.target_sheet import RULER_MM

        ruler, focal = _sheet(face)
        print_scale = None if ruler is None else ruler / RULER_MM
    return Typed(
        name=name, thickness_mm=thickness, edge_break_mm=edge_break, sheet=sheet, print_scale=print_scale,
        focal_35mm=focal,
    )  # fmt: skip


def _sheet(face: Face) -> tuple[float | None, float | None]:
    left, right = st.columns([2, 3])
    ruler = length_field(
        left, "Printed line of 100 mm, measured", f"trace_ruler_{face.id}", least=60, most=180, value="100 mm",
        help="Printers scale. Measure the long line on the sheet with a caliper and type what you read.",
    )  # fmt: skip
    # a field for numbers alone drops a decimal comma: 26,5 would be 265
    slot = f"trace_focal_{face.id}"
    focal = length_field(
        left, "Focal length as 35 mm equivalent, if known", slot, least=10, most=300, hint="26", bare="mm",
        help="The phone's gallery tells it under the details of the photo. It makes a single photo surer.",
    )  # fmt: skip
    if focal is None and st.session_state[slot].strip():
        focal = math.nan
    with right:
        st.write(
            "Print the sheet at 100 %, lay it flat and wholly in the picture, beside every opening that matters: what lies "
            "under it is not drawn. On the bench leave two fingers' breadth to the plate. One photo is enough; for more, "
            "leave plate and sheet as they lie and move the camera."
        )
        with st.container(horizontal=True, gap="small"):
            for paper in ("A4", "letter"):
                st.download_button(
                    f"Sheet for {paper} paper", _pdf(paper), f"target_{paper}.pdf", "application/pdf",
                    icon=":material/print:", key=f"trace_pdf_{paper}_{face.id}", on_click="ignore",
                )  # fmt: skip
    return ruler, focal


@st.cache_data(show_spinner=False)
def _pdf(paper: str) -> bytes:
    from ...registration.target_sheet import target_sheet_pdf

    with tempfile.TemporaryDirectory() as folder:
        return Path(target_sheet_pdf(Path(folder) / "target.pdf", paper)).read_bytes()


def known_distance(face: Face, desk: Desk) -> tuple[str, str, float | None] | None:
    """Two clicked holes and how far apart they are; None before two are clicked in every photo."""
    names = desk.holes
    if len(names) < 2:
        st.write("Click the holes first; then say how far apart two of them are.")
        return None
    st.write(
        "The distance between the centres of two holes, far apart: with a caliper over two pins that fit the holes, or "
        "outer edge to outer edge less half of both diameters. An error here goes into every size of the drawing."
    )
    one, two, three = st.columns([2, 2, 3])
    first = one.selectbox("From", names, key=f"trace_from_{face.id}")
    second = two.selectbox("To", [n for n in names if n != first], key=f"trace_to_{face.id}")
    distance = length_field(
        three, "Distance of their centres", f"trace_distance_{face.id}", least=5, most=2000,
        hint="214.30 mm or 8.437 in",
    )  # fmt: skip
    return first, second, distance
