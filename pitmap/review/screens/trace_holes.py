"""Clicking the same holes in every photo of a plate."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from ...casebook import Face
from ...errors import MeasurementError
from ...tracing.same_holes import carried_places, check_same_holes
from ..cached import photo_of
from ..device import is_phone
from ..picking import Mark, Picker, marked
from ..plain_text import plain
from .trace_desk import Desk, Source

__all__ = ["click_holes"]

_LEAST = 4


def _short(hole: str) -> str:
    return hole.removeprefix("hole ")


def click_holes(face: Face, desk: Desk, put: Callable[[Desk], None]) -> None:
    """One photo to click on, and beside it the first one, which says what the numbers are."""
    st.write(
        "Click the middle of four to six round holes spread over the whole plate, such as dowel and bolt holes near the "
        "corners, in the same order in every photo. About a millimetre is near enough: the hole is measured, not the "
        "click."
    )
    photos = desk.photos
    key = f"trace_which_{face.id}"
    if st.session_state.get(key) not in photos:
        st.session_state[key] = photos[0]
    if (ahead := st.session_state.pop(f"{key}_next", None)) in photos:
        st.session_state[key] = ahead
    photo: Source = st.segmented_control(
        "Photo to click on", photos, key=key, required=True,
        format_func=lambda p: f"Photo {photos.index(p) + 1}: {len(desk.places(p))} clicked",
    )  # fmt: skip
    first, places = desk.places(photos[0]), desk.places(photo)
    is_first = photo == photos[0]
    picker = Picker(photo_of(photo).rgb, f"trace_pick_{face.id}_{photo.sha256[:12]}")  # type: ignore[arg-type]
    following = _following(first, places, is_first)
    place = picker.click()
    if place is not None and following is not None:
        put(desk.with_places(photo, {**places, following: place}))
    suggested = {} if is_first else carried_places(first, places)
    left, right = st.columns([3, 2])
    with left:
        if following:
            st.markdown(f"**Photo {photos.index(photo) + 1}: click {following}**")
        else:
            st.markdown(
                f"**Photo {photos.index(photo) + 1}: every hole of photo 1 is clicked** :material/check:"
            )
        picker.show(
            [
                *(Mark(x, y, _short(n)) for n, (x, y) in places.items()),
                *(Mark(x, y, _short(n), "suggested") for n, (x, y) in suggested.items()),
            ]
        )
        if not is_first:
            try:
                check_same_holes(first, places)
            except MeasurementError as error:
                st.warning(plain(f"Photo {photos.index(photo) + 1}: {error}"), icon=":material/rule:")
        _buttons(face, desk, photo, places, suggested, following, put)
    with right:
        _beside(desk, photo, first, following)


def _following(first: dict, places: dict, is_first: bool) -> str | None:  # type: ignore[type-arg]
    """The hole that the next click is."""
    if is_first:
        n = 1
        while f"hole {n}" in places:
            n += 1
        return f"hole {n}"
    return next((n for n in first if n not in places), None)


def _buttons(face, desk, photo, places, suggested, following, put) -> None:  # type: ignore[no-untyped-def]
    photos = desk.photos
    with st.container(horizontal=True, gap="small"):
        if st.button(
            "Undo the last click", icon=":material/undo:", key=f"trace_undo_{face.id}", disabled=not places
        ):
            put(desk.with_places(photo, dict(list(places.items())[:-1])))
        if suggested and st.button(
            f"Take the {len(suggested)} suggested", icon=":material/done_all:", key=f"trace_take_{face.id}",
            help="The rings show where the other holes must be, from the four or more that you clicked.",
        ):  # fmt: skip
            put(desk.with_places(photo, {**places, **suggested}))
        here = photos.index(photo)
        is_ready = len(places) >= _LEAST and (here == 0 or following is None)
        if here + 1 == len(photos) or not is_ready:
            return
        onward = f"On to photo {here + 2}"
        if st.button(onward, type="primary", icon=":material/arrow_forward:", key=f"trace_next_{face.id}"):
            st.session_state[f"trace_which_{face.id}_next"] = photos[here + 1]
            put(desk)


def _beside(desk: Desk, photo: Source, first: dict, following: str | None) -> None:  # type: ignore[type-arg]
    photos = desk.photos
    if photo == photos[0]:
        if photos[1:]:
            st.caption(
                "Remember which hole has which number; photo 1 stays here beside the others to look at. "
                f"{max(0, _LEAST - len(first))} more needed." if len(first) < _LEAST else
                "Enough holes. A fifth and a sixth make the trace surer; then go on to the next photo."
            )  # fmt: skip
        return
    rgb = photo_of(photos[0]).rgb  # type: ignore[arg-type]
    marks = [Mark(x, y, _short(n), "next" if n == following else "picked") for n, (x, y) in first.items()]
    size = 2.0 if is_phone() else 1.4
    st.markdown("**Photo 1, to compare**" + (f": {following} is orange" if following else ""))
    st.image(
        marked(rgb, marks, side_px=800, size=size),
        width="stretch",
        alt="Photo 1 with the holes clicked in it",
    )
    if following:
        x, y = first[following]
        rows, columns = rgb.shape[:2]
        w, h = columns // 5, rows // 5
        window = (
            float(min(max(x - w / 2, 0), columns - w)), float(min(max(y - h / 2, 0), rows - h)), float(w), float(h),
        )  # fmt: skip
        st.image(
            marked(rgb, [m for m in marks if m.kind == "next"], window=window, side_px=500, size=size),
            caption=f"{following}, nearer",
            width="stretch",
        )
