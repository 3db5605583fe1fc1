"""Record: the page and the PDF for the customer, and everything in one ZIP."""

from __future__ import annotations

import re

import streamlit as st

from ...report import record_zip, zip_member
from ..cached import drawn, face_record, face_series
from ..guard import sentences
from ..parts import caution, choose_face, map_first, rests_on

__all__ = ["show"]


def show() -> None:
    """The page."""
    st.title("Record")
    chosen = choose_face()
    if chosen is None:
        return
    _, job, plate, face = chosen
    series = face_series(face, job)
    if not series:
        map_first(0)
        return
    rests_on(series)
    with sentences():
        record = face_record(face, job, plate)
        stem = re.sub(r"[^A-Za-z0-9_-]+", "-", f"{plate.tag}-{face.name}").strip("-") or "record"
        with st.spinner("Writing the record ..."):
            everything = drawn("record files", (record,), (), lambda: record_zip(record))
        page, pdf = zip_member(everything, "record.html").decode(), zip_member(everything, "record.pdf")
        one, two, three = st.columns(3)
        one.download_button(
            "PDF",
            pdf,
            f"{stem}.pdf",
            "application/pdf",
            type="primary",
            width="stretch",
            icon=":material/download:",
        )
        two.download_button(
            "Web page", page, f"{stem}.html", "text/html", width="stretch", icon=":material/download:"
        )
        three.download_button(
            "Everything (ZIP)",
            everything,
            f"{stem}.zip",
            "application/zip",
            width="stretch",
            icon=":material/download:",
        )
        st.caption(
            "To print it, take the PDF: what a browser prints of this page ends in the midst of the record, without a word."
        )
        st.iframe(page, height=1200)
    caution()
