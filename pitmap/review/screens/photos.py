"""Photos: bring them in, hear at once whether they are good enough, and map the face."""

from __future__ import annotations

import streamlit as st

from ...casebook import Casebook, Face, PhotoRef, Plate, Survey
from ...errors import AlignmentRefused, PitmapError
from ...photo import taken_apart
from ...report.alignment_picture import findings_picture
from ...workflow import keep_photo
from ..cached import gate, photo_of
from ..guard import sentences
from ..mapping import MapButton
from ..parts import PHOTO_TYPES, caution, choose_survey, tell_outdated, tell_signed
from ..plain_text import plain

__all__ = ["show"]

_ICONS = {
    "pass": ":material/check_circle:",
    "watch": ":material/warning:",
    "stop": ":material/block:",
}
_WORDS = {"pass": "good enough", "watch": "usable, mind this", "stop": "take another photo"}


def show() -> None:
    """The page."""
    st.title("Photos")
    chosen = choose_survey()
    if chosen is None:
        return
    kept, _, plate, face, survey = chosen
    if survey.state == "open":
        _bring_in(kept, survey)
    else:
        tell_signed()
    refs = kept.photos(survey)
    if not refs:
        st.info(
            "Square-on, the whole plate in the picture, daylight or two lamps from the sides, no flash. Two or three "
            "photos of the face, the lamp or the phone moved a little between them, are read better than one: "
            "add all of them here.",
            icon=":material/photo_camera:",
        )
    tell_outdated(survey)
    with sentences():
        if apart := taken_apart((ref.name, photo_of(ref).taken_at) for ref in refs):
            st.warning(plain(apart), icon=":material/schedule:")
    for ref in refs:
        _one(kept, survey, ref)
    if refs and survey.state == "open":
        _map(kept, survey, plate, face)
    caution()


def _bring_in(kept: Casebook, survey: Survey) -> None:
    round_ = st.session_state.setdefault("upload_round", 0)
    files = st.file_uploader(
        "Add photos of this face",
        type=PHOTO_TYPES,
        accept_multiple_files=True,
        key=f"upload_{survey.id}_{round_}",
    )
    with st.expander("Take a picture with this device"):
        shot = st.camera_input("Camera", key=f"camera_{survey.id}_{round_}")
    refused = f"upload_refused_{survey.id}"
    for text in st.session_state.get(refused, ()):
        st.error(plain(text), icon=":material/error:")
    taken = [*(files or []), *([shot] if shot else [])]
    if not taken:
        return
    # Emptied whatever happens: a file that stayed would be added again when its photo is left out.
    st.session_state["upload_round"] = round_ + 1
    st.session_state[refused] = []
    for file in taken:
        try:
            if keep_photo(kept, survey, file.getvalue(), file.name) is None:
                st.session_state[refused].append(f"{file.name}: this very photo is with the survey already")
        except PitmapError as error:
            st.session_state[refused].append(str(error))
    st.rerun()


def _one(kept: Casebook, survey: Survey, ref: PhotoRef) -> None:
    with st.container(border=True), sentences():
        left, right = st.columns([2, 3])
        report = gate(ref, survey)
        left.image(
            findings_picture(photo_of(ref).rgb, report), width="stretch",
            alt=f"The photo {ref.name}, with the places that the check names",
        )  # fmt: skip
        with right:
            st.markdown(f"**{plain(ref.name)}**: {_WORDS[report.severity]}")
            for finding in report.findings:
                st.write(f"{_ICONS[finding.severity]} {plain(finding.text)}")
            if survey.state == "open" and st.button("Leave this photo out", key=f"withdraw_{ref.id}"):
                kept.withdraw(ref, "left out by the user")
                st.rerun()


def _map(kept: Casebook, survey: Survey, plate: Plate, face: Face) -> None:
    again, button = bool(kept.inspections(survey)), MapButton(kept, survey)
    if not button.pressed("Map again" if again else "Map this face", icon=":material/grid_on:"):
        return
    with sentences():
        words = {
            "again": "still mapping: one press is enough", "read": "reading the photo",
            "align": "laying the drawing on the photo", "straighten": "laying the face flat",
            "check": "checking the photo", "classify": "telling the metal apart", "measure": "measuring", "": "done",
        }  # fmt: skip
        bar = st.progress(0.0, text=words[button.begins_with])
        try:
            button.map(
                plate, face,
                progress=lambda step, share: bar.progress(min(share, 1.0), text=words[step]),
            )  # fmt: skip
        except AlignmentRefused as error:
            bar.empty()
            st.warning(plain(str(error)), icon=":material/align_justify_center:")
            st.write("Take another photo, or pick four places by hand on the Alignment page.")
            return
        except PitmapError:
            bar.empty()
            raise
        from ..router import page_named

        st.switch_page(page_named("map"))
