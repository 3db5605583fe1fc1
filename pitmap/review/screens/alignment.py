"""Alignment: the drawing over the photo; accept it, or pick four places and see it snap."""

from __future__ import annotations

import streamlit as st

from ...casebook import Casebook, Face, PhotoRef, Plate, Survey
from ...drawing import Drawing
from ...errors import AlignmentRefused
from ...pipeline import Landmarks
from ...report.alignment_picture import alignment_picture, shrunk
from ...report.drawing_picture import drawing_picture
from ...units import format_estimate
from ..cached import drawn, face_drawing, laid_on, photo_of
from ..guard import sentences
from ..mapping import MapButton
from ..parts import caution, choose_survey
from ..picking import Mark, Picker
from ..plain_text import plain
from ..state import units
from ..tables import regions_view

__all__ = ["show", "show_alignment"]

_SIDE_PX = 1100
_BY_HAND = "Pick places by hand"


def show() -> None:
    """The page."""
    st.title("Alignment")
    chosen = choose_survey()
    if chosen is None:
        return
    kept, _, plate, face, survey = chosen
    refs = kept.photos(survey)
    if not refs:
        st.info("This survey has no photo yet. Add one on the Photos page.", icon=":material/photo_camera:")
        return
    ref = (
        st.selectbox("Photo", refs, format_func=lambda r: r.name, key=f"align_photo_{survey.id}")
        if refs[1:]
        else refs[0]
    )
    drawing = face_drawing(face)
    # drawn when it is opened: drawn while hidden, the photo's frame takes the height of the picture at its full width,
    # and a phone has a screen of nothing between the photo and the list of openings
    found, by_hand = st.tabs(["As found", _BY_HAND], key="align_tab", on_change="rerun")
    if found.open:
        with found, sentences():
            _as_found(ref, face, drawing)
    if by_hand.open:
        with by_hand, sentences():
            _by_hand(kept, survey, plate, face, ref, drawing)
    caution()


def _as_found(ref: PhotoRef, face: Face, drawing: Drawing) -> None:
    try:
        alignment = laid_on(ref, face)
    except AlignmentRefused as error:
        st.warning(plain(f"Refused: {error}"), icon=":material/block:")
        st.write(
            "Nothing is guessed. Take another photo, or pick four places by hand in the tab beside this one."
        )
        st.image(shrunk(photo_of(ref).rgb, _SIDE_PX)[0], width="stretch", alt=f"The photo {ref.name}")
        return
    show_alignment(ref, drawing, alignment)


def show_alignment(ref: PhotoRef, drawing: Drawing, alignment) -> None:  # type: ignore[no-untyped-def]
    """How well the drawing lies on a photo, and the picture to see it."""
    residual = format_estimate(alignment.residual_mm, "length", units())
    st.success(
        f"Lies within {residual}. In the frame: {100 * alignment.seen:.0f} % of the metal.",
        icon=":material/check:",
    )
    for opening in alignment.displaced:
        st.warning(plain(opening.sentence(units())), icon=":material/rule:")
    for words in alignment.unmet_words:
        st.warning(plain(words[:1].upper() + words[1:]), icon=":material/visibility_off:")
    if alignment.is_part:
        st.warning(alignment.part_words.capitalize(), icon=":material/crop:")
    st.image(
        alignment_picture(photo_of(ref).rgb, drawing, alignment, 1600), width="stretch",
        alt=f"The drawing's edges laid on the photo {ref.name}",
    )  # fmt: skip
    st.caption(
        "Yellow: edges of the metal. Blue: seal land. They must lie on the edges of the face, not of the bench."
    )
    with st.expander("How sure is it, place by place?"):
        st.dataframe(regions_view(alignment.regions, units()), hide_index=True, width="stretch")
        other = alignment.runner_up
        if other.kind == "none":
            st.write("No other way of laying the drawing came close.")
        else:
            st.write(
                f"The best other way ({other.kind}, turned {other.turn_deg:.0f} deg) meets {100 * other.met:.0f} % of the "
                f"drawn edges, {100 * other.margin:.0f} points fewer than this one."
                + (
                    " What the two differ in is there where this one has it, and not where the other has."
                    if other.is_told_apart
                    else ""
                )
            )


def _by_hand(
    kept: Casebook, survey: Survey, plate: Plate, face: Face, ref: PhotoRef, drawing: Drawing
) -> None:
    st.write(
        "Choose an opening of the drawing, then click its centre in the photo. Four or more, spread over the plate; "
        "the drawing then snaps to the edges it finds."
    )
    key = f"picks_{ref.id}"
    picks: dict[str, tuple[float, float]] = st.session_state.setdefault(key, {})
    centres = {o.name: (o.polygon.centroid.x, o.polygon.centroid.y) for o in drawing.openings}
    # the drawing may have been changed since: an opening that it no longer has is no place to go by
    if gone := [n for n in picks if n not in centres]:
        st.warning(plain(f"No longer in the drawing, so not picked any more: {', '.join(gone)}."))
        picks = {n: place for n, place in picks.items() if n in centres}
    # those picked can be picked again: a refusal asks for it by the number, and it need not be the last one
    names = [*(n for n in centres if n not in picks), *picks]
    numbers = {n: k for k, n in enumerate(picks, 1)}
    picker = Picker(photo_of(ref).rgb, f"pick_{ref.id}")
    left, right = st.columns([3, 2])
    with right:
        name = st.selectbox(
            "Opening", names, key=f"pick_name_{ref.id}_{hash(tuple(picks.values()))}",
            format_func=lambda n: f"{n}, pick {numbers[n]} again" if n in numbers else n,
        )  # fmt: skip
        if (place := picker.click()) is not None:
            # last whether it is new or moved: the button takes back the latest click
            st.session_state[key] = {**{n: at for n, at in picks.items() if n != name}, name: place}
            st.rerun()
        picture = drawn(
            "places to pick", (drawing,), (name, *picks),
            lambda: drawing_picture(drawing, highlight=name, done=tuple(picks)),
        )  # fmt: skip
        st.image(picture, width="stretch", alt=f"The drawing, with the opening {name} marked")
    with left:
        picker.show([Mark(x, y, str(numbers[n])) for n, (x, y) in picks.items()])
    listed = ", ".join(f"{k} {n}" for n, k in numbers.items())
    st.write(plain(f"{len(picks)} picked: {listed or 'none yet'}"))
    one, two = st.columns(2)
    if picks and one.button("Take the last one back", key=f"undo_pick_{ref.id}"):
        st.session_state[key] = dict(list(picks.items())[:-1])
        st.rerun()
    if len(picks) < 4:
        return
    rows = tuple((*centres[n], *p) for n, p in picks.items())
    try:
        alignment = laid_on(ref, face, rows)
    except AlignmentRefused as error:
        st.warning(plain(f"Refused: {error}"), icon=":material/block:")
        st.write(
            "The numbers on the photo are those of the list. To move a place, choose its opening again and click."
        )
        return
    show_alignment(ref, drawing, alignment)
    if survey.state != "open":
        return
    button = MapButton(kept, survey)
    if button.pressed("Map the face with this alignment", two):
        import numpy as np

        table = np.array(rows)
        refs = [ref, *[r for r in kept.photos(survey) if r.id != ref.id]]
        with st.spinner("Mapping ..."):
            button.map(
                plate, face,
                photos=[photo_of(r) for r in refs],
                landmarks=Landmarks(points_mm=table[:, :2], points_px=table[:, 2:]),
            )  # fmt: skip
        from ..router import page_named

        st.switch_page(page_named("map"))
