"""Clicking on a photo: enlarged first where fingers are thick, places told in pixels of the photo itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import streamlit as st
from numpy.typing import ArrayLike, NDArray
from streamlit_image_coordinates import streamlit_image_coordinates

from .device import is_phone

__all__ = ["Curve", "Kind", "Mark", "Picker", "marked"]

SIDE_PX = 1100
"""Longer side of the picture that is clicked on; sharp on a wide screen, some 150 kB on the way to a phone."""
_NEARER = 5.0
"""How many times nearer the enlarged part is: a fingertip then covers about a millimetre (house choice)."""
_COLOURS = {
    "picked": (255, 214, 0),
    "next": (255, 120, 0),
    "suggested": (90, 200, 255),
    "left out": (255, 90, 80),
    "name": (255, 255, 255),
}
Kind = Literal["picked", "next", "suggested", "left out", "name"]


@dataclass(frozen=True, slots=True)
class Mark:
    """A place marked on a photo, in its pixels, with a short text beside it; a name is text alone."""

    x: float
    y: float
    text: str = ""
    kind: Kind = "picked"


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A closed line (N, 2) on a photo, in its pixels."""

    points: NDArray[np.float64]
    kind: Kind = "suggested"


def marked(
    rgb: NDArray[np.uint8],
    marks: Iterable[Mark] = (),
    curves: Iterable[Curve] = (),
    *,
    window: tuple[float, float, float, float] | None = None,
    side_px: int = SIDE_PX,
    size: float = 1.0,
) -> NDArray[np.uint8]:
    """A part of a photo with marks and curves on it.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    marks : iterable of Mark
    curves : iterable of Curve
    window : (left, top, width, height), optional
        Part that is shown, photo pixels; else all of it.
    side_px : int
        Longer side of the picture. A whole photo is never enlarged.
    size : float
        Size of the marks, 1 for a picture shown at about its own size.
    """
    rows, columns = rgb.shape[:2]
    left, top, width, height = window or (0.0, 0.0, float(columns), float(rows))
    k = side_px / max(width, height)
    if window is None:
        k = min(k, 1.0)
    shape = (max(1, round(width * k)), max(1, round(height * k)))
    x0, y0 = max(0, int(left)), max(0, int(top))
    part = rgb[y0 : max(y0 + 1, int(top + height)), x0 : max(x0 + 1, int(left + width))]
    how = cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC
    out = np.ascontiguousarray(cv2.resize(part, shape, interpolation=how))

    def place(xy: ArrayLike) -> NDArray[np.float64]:
        # The centre of pixel (0, 0) is at 0, so a scale moves it by half a pixel.
        return (np.asarray(xy, float) - [x0, y0] + 0.5) * k - 0.5

    for curve in curves:
        points = np.clip(np.nan_to_num(place(curve.points), nan=-1e4), -1e4, 3e4)
        fixed = [np.round(points * 16).astype(np.int32)]
        cv2.polylines(out, fixed, True, (0, 0, 0), 4, cv2.LINE_AA, 4)
        cv2.polylines(out, fixed, True, _COLOURS[curve.kind], 2, cv2.LINE_AA, 4)
    for mark in marks:
        _draw(out, mark, place([mark.x, mark.y]), size)
    return out


def _draw(out: NDArray[np.uint8], mark: Mark, at: NDArray[np.float64], size: float) -> None:
    if not (np.abs(at) < 1e4).all():
        return
    x, y = np.round(at).astype(int).tolist()
    colour, arm = _COLOURS[mark.kind], round(13 * size)
    if mark.kind != "name":
        for rgb, thick in (((0, 0, 0), round(3 * size) + 2), (colour, max(2, round(2 * size)))):
            if mark.kind == "picked":
                cv2.drawMarker(out, (x, y), rgb, cv2.MARKER_CROSS, 2 * arm, thick)
            else:
                cv2.circle(out, (x, y), arm, rgb, thick, cv2.LINE_AA)
    if mark.text:
        font, scale = cv2.FONT_HERSHEY_SIMPLEX, (0.5 if mark.kind == "name" else 0.95) * size
        (width, height), _ = cv2.getTextSize(mark.text, font, scale, 2)
        where = (x - width // 2, y + height // 2) if mark.kind == "name" else (x + arm, y - arm)
        # Beside a mark at the rim of the picture there is room on the other side only.
        where = (min(where[0], out.shape[1] - width - 4), max(where[1], height + 4))
        for rgb, thick in (((0, 0, 0), round(5 * size)), (colour, max(1, round(2 * size)))):
            cv2.putText(out, mark.text, where, font, scale, rgb, thick, cv2.LINE_AA)


class Picker:
    """A photo to click on, during one run of the page.

    Ask :meth:`click` before the picture is drawn, so that :meth:`show` draws what the click changed.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    key : str
        The same for the same photo and purpose in every run.
    enlarge : bool, optional
        Whether a first click enlarges the place and a second one picks; the person can change it. By default it does
        on a phone.
    """

    def __init__(self, rgb: NDArray[np.uint8], key: str, *, enlarge: bool | None = None) -> None:
        self._rgb, self._key = rgb, key
        st.session_state.setdefault(f"{key}_enlarge", is_phone() if enlarge is None else enlarge)

    @property
    def is_enlarged(self) -> bool:
        """A part is shown, and the next click picks."""
        return self._window is not None

    @property
    def _window(self) -> tuple[float, float, float, float] | None:
        return st.session_state.get(f"{self._key}_window")

    @_window.setter
    def _window(self, window: tuple[float, float, float, float] | None) -> None:
        st.session_state[f"{self._key}_window"] = window

    def click(self) -> tuple[float, float] | None:
        """The place picked since the last run, photo pixels, or None."""
        if (typed := st.session_state.pop(f"{self._key}_typed", None)) is not None:
            return typed  # type: ignore[no-any-return]
        event = st.session_state.get(f"{self._key}_picture")
        if not event or event.get("unix_time") == st.session_state.get(f"{self._key}_handled"):
            return None
        st.session_state[f"{self._key}_handled"] = event.get("unix_time")
        if not event.get("width"):
            return None
        rows, columns = self._rgb.shape[:2]
        left, top, width, height = self._window or (0.0, 0.0, float(columns), float(rows))
        # The component tells the shown size with the click; a phone shows the picture smaller.
        k = width / event["width"]
        x, y = left + (event["x"] + 0.5) * k - 0.5, top + (event["y"] + 0.5) * k - 0.5
        if self._window is None and st.session_state.get(f"{self._key}_enlarge"):
            w, h = int(columns / _NEARER), int(rows / _NEARER)
            self._window = (
                float(np.clip(round(x - w / 2), 0, columns - w)),
                float(np.clip(round(y - h / 2), 0, rows - h)),
                float(w),
                float(h),
            )
            return None
        self._window = None
        return float(np.clip(x, 0, columns - 1)), float(np.clip(y, 0, rows - 1))

    def show(self, marks: Sequence[Mark] = (), curves: Iterable[Curve] = ()) -> None:
        """The picture, and what belongs to it."""
        size = 2.0 if is_phone() else 1.0
        if (aim := self._aim()) is not None:
            marks = [*marks, Mark(*aim, kind="next")]
        picture = marked(self._rgb, marks, curves, window=self._window, size=size)
        streamlit_image_coordinates(
            picture, width="stretch", key=f"{self._key}_picture", image_format="JPEG", jpeg_quality=85,
            cursor="crosshair",
        )  # fmt: skip
        if self.is_enlarged:
            st.caption("Enlarged: now click the place itself.")
            st.button(
                "Back to the whole photo", key=f"{self._key}_whole", icon=":material/fit_screen:",
                on_click=self._whole,
            )  # fmt: skip
        else:
            st.toggle(
                "Enlarge before each click", key=f"{self._key}_enlarge",
                help="The first click shows the place five times larger, the second one picks.",
            )  # fmt: skip
        self._by_keyboard()

    def _whole(self) -> None:
        self._window = None

    def _aim(self) -> tuple[float, float] | None:
        """Where the numbers for the place stand, while they are open."""
        if not st.session_state.get(f"{self._key}_by_keyboard"):
            return None
        rows, columns = self._rgb.shape[:2]
        return (
            float(st.session_state.setdefault(f"{self._key}_across", columns // 2)),
            float(st.session_state.setdefault(f"{self._key}_down", rows // 2)),
        )

    def _by_keyboard(self) -> None:
        """The way for who has no pointer: the picture, which is not ours, takes no keys."""
        if not st.toggle("Pick by keyboard", key=f"{self._key}_by_keyboard"):
            return
        rows, columns = self._rgb.shape[:2]
        across, down, pick = st.columns(3, vertical_alignment="bottom")
        for box, name, words, length in (
            (across, "across", "From the left, px", columns),
            (down, "down", "From the top, px", rows),
        ):
            box.number_input(
                words, 0, length - 1, step=max(1, length // 200), key=f"{self._key}_{name}",
                help="The arrow keys move the ring on the photo; type a number to move it far.",
            )  # fmt: skip
        pick.button("Pick where the ring is", key=f"{self._key}_pick", on_click=self._typed)

    def _typed(self) -> None:
        st.session_state[f"{self._key}_typed"] = self._aim()
        self._window = None
