"""Tracing a plate from photos: what is remembered between two runs of the page, and what a trace is asked with."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import streamlit as st

from ...casebook import Casebook, Face, Plate
from ...errors import NotEnoughData, PitmapError
from ...photo import read_photo
from ...tracing import PhotoClicks, SheetUse, Trace, focal_in_px, trace_plate
from ...tracing.same_holes import check_same_holes
from ..cached import photo_of

__all__ = [
    "MOST_PHOTOS",
    "SOURCE_ROLE",
    "Desk",
    "Source",
    "Wanted",
    "checked_wish",
    "keep_source",
    "sources",
    "traced",
]

SOURCE_ROLE = "photo of the bare face"
MOST_PHOTOS = 4
"""More photos add time and little else (house choice)."""
_LEAST_HOLES = 4

Xy = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Source:
    """A kept photo, by its content."""

    sha256: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Everything that a trace depends on."""

    photos: tuple[Source, ...]
    clicks: tuple[tuple[tuple[str, Xy], ...], ...]
    known: tuple[str, str, float] | None
    sheet: str
    print_scale: float
    focal_35mm: float | None
    name: str
    thickness_mm: float
    edge_break_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What is remembered; small, hashable and picklable.

    Parameters
    ----------
    photos : tuple of Source
        In the order they are used; the first one carries the drawing.
    clicks : tuple of (sha256, ((hole, (x, y)), ...))
        Places of holes by photo, photo pixels.
    wanted : Wanted or None
        The trace that was asked for last.
    track : tuple of (sha256, x, y)
        Clicks on the edge of the bore trace, photo pixels.
    left_out : tuple of str
        Traced openings that are none.
    is_kept : bool
        The drawing was kept since the last change.
    """

    photos: tuple[Source, ...] = ()
    clicks: tuple[tuple[str, tuple[tuple[str, Xy], ...]], ...] = ()
    wanted: Wanted | None = None
    track: tuple[tuple[str, float, float], ...] = ()
    left_out: tuple[str, ...] = ()
    is_kept: bool = False

    def places(self, photo: Source) -> dict[str, Xy]:
        """Clicked holes of a photo."""
        return dict(dict(self.clicks).get(photo.sha256, ()))

    def with_places(self, photo: Source, places: dict[str, Xy]) -> Desk:
        """The desk with other clicks in a photo."""
        new = {**dict(self.clicks), photo.sha256: tuple(places.items())}
        return replace(self, clicks=tuple(new.items()))

    @property
    def holes(self) -> list[str]:
        """Holes that are clicked in every photo, in the order of the first."""
        if not self.photos:
            return []
        each = [self.places(p) for p in self.photos]
        return [n for n in each[0] if all(n in e for e in each)]

    def common_clicks(self, sheet: str) -> tuple[tuple[tuple[str, Xy], ...], ...]:
        """Those holes by photo; none where a sheet gives the scale, which needs no clicks."""
        names = [] if sheet else self.holes
        return tuple(tuple((n, self.places(p)[n]) for n in names) for p in self.photos)


def sources(kept: Casebook, plate: Plate, face: Face) -> list[Source]:
    """Photos of a face that a drawing can be traced from: brought in for that, then those of its surveys."""
    attached = kept.open_plate(plate.id).attachments
    own = [Source(a.sha256, a.name) for a in attached if a.role == SOURCE_ROLE and a.face_id == face.id]
    of_surveys = [
        Source(ref.sha256, ref.name) for survey in kept.surveys(face=face) for ref in kept.photos(survey)
    ]
    return list({s.sha256: s for s in (*of_surveys, *own)}.values())


def keep_source(kept: Casebook, plate: Plate, face: Face, data: bytes, name: str) -> Source:
    """Keep a photo to trace from with the face; the same bytes are kept once.

    Raises
    ------
    PhotoError
        Not a picture that can be read.
    """
    photo = read_photo(data, name=name)
    for one in sources(kept, plate, face):
        if one.sha256 == photo.sha256:
            return one
    ref = kept.attach_file(plate, data, name, role=SOURCE_ROLE, face=face)
    return Source(ref.sha256, ref.name)


def checked_wish(desk: Desk, **fields: Any) -> Wanted:
    """What to trace, or a refusal that says what is missing.

    Raises
    ------
    NotEnoughData
        Too few photos or holes clicked in all of them.
    MeasurementError
        Clicks that cannot be the same holes.
    """
    photos = desk.photos
    clicks = desk.common_clicks(fields["sheet"])
    if fields["sheet"]:
        return Wanted(photos=photos, clicks=clicks, **fields)
    if len(photos) < 2:
        raise NotEnoughData(
            "one photo leaves the tilt of the camera open; add one or two more, tilted 10 to 30 degrees to other sides, or "
            "lay a printed target sheet beside the plate"
        )
    names = desk.holes
    if len(names) < _LEAST_HOLES:
        few = [k for k, p in enumerate(photos, 1) if len(desk.places(p)) < _LEAST_HOLES]
        told = (
            f"photo {few[0]} has {len(desk.places(photos[few[0] - 1]))}"
            if few
            else f"they share {len(names)}"
        )
        raise NotEnoughData(f"click the same four or more holes in every photo; {told}")
    for k, photo in enumerate(photos[1:], 2):
        try:
            check_same_holes(desk.places(photos[0]), desk.places(photo))
        except PitmapError as error:
            raise type(error)(f"photo {k}: {error}") from error
    return Wanted(photos=photos, clicks=clicks, **fields)


@st.cache_resource(
    max_entries=4,
    show_spinner="Tracing: finding the metal in every photo, working out where each camera stood, measuring every edge. "
    "About half a minute, longer on a slow machine ...",
)
def traced(wanted: Wanted) -> Trace | str:
    """The trace, or the sentence it is refused with: a refusal is not worked out again at every touch of the page."""
    photos = []
    for source, places in zip(wanted.photos, wanted.clicks):
        rgb = photo_of(source).rgb  # type: ignore[arg-type]
        focal = None
        if wanted.focal_35mm is not None:
            focal = focal_in_px(wanted.focal_35mm, (rgb.shape[1], rgb.shape[0]))
        photos.append(PhotoClicks(rgb=rgb, clicks_px=dict(places), focal_px=focal))
    sheet = SheetUse(on=wanted.sheet, print_scale=wanted.print_scale) if wanted.sheet else None  # type: ignore[arg-type]
    try:
        return trace_plate(
            photos, wanted.known, sheet=sheet,
            name=wanted.name, thickness_mm=wanted.thickness_mm, edge_break_mm=wanted.edge_break_mm,
        )  # fmt: skip
    except PitmapError as error:
        return str(error)
