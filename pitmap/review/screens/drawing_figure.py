"""The drawing as a picture to click on: zones, edges, what is chosen and its handles, clicks, findings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw, ImageFont
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from ...drawing import Drawing, fill_mask
from ...drawing.edit import EDGES, circle_of, contour_of, corners_of
from ...grid import Grid

__all__ = ["PICTURE_PX", "Marks", "View", "edit_picture", "whole_plate"]

PICTURE_PX = 1000
"""Width of the picture; sharp on a wide screen, and 150 kB on the way to a phone."""

_ZONES = {"running_surface": (222, 231, 240), "seal_land": (150, 190, 225), "rim": (238, 238, 233)}
_INK = (45, 45, 45)
_EDGE = {"outline": (25, 25, 25), "trace": (0, 90, 150), "coolant_edge": (0, 114, 178)}
_CHOSEN = (213, 94, 0)
_CLICK = (0, 130, 90)
_FOUND = {"error": (200, 30, 30), "warning": (214, 137, 0), "note": (90, 90, 90)}
_BITS = 4
_NAMES_FROM_PX_PER_MM = 6.0


@dataclass(frozen=True, slots=True)
class View:
    """The part of the plate in the picture: its middle and its width, mm, and height over width."""

    x_mm: float
    y_mm: float
    width_mm: float
    aspect: float

    def grid(self) -> Grid:
        """The picture's raster."""
        scale = PICTURE_PX / self.width_mm
        return Grid(
            x0_mm=self.x_mm - self.width_mm / 2,
            y1_mm=self.y_mm + self.width_mm * self.aspect / 2,
            px_per_mm=scale,
            n_rows=max(1, round(PICTURE_PX * self.aspect)),
            n_cols=PICTURE_PX,
        )

    def zoomed(self, factor: float, about: tuple[float, float] | None = None) -> View:
        """Nearer by a factor (below 1: farther), about a place that becomes the middle."""
        x, y = about or (self.x_mm, self.y_mm)
        return View(x, y, float(np.clip(self.width_mm / factor, 4.0, 2000.0)), self.aspect)

    def moved(self, right: float, up: float) -> View:
        """Moved by shares of its own width and height."""
        return View(
            self.x_mm + right * self.width_mm,
            self.y_mm + up * self.width_mm * self.aspect,
            self.width_mm,
            self.aspect,
        )

    def on(self, one: tuple[float, float], other: tuple[float, float]) -> View:
        """The view that shows the box between two corners."""
        width = max(abs(one[0] - other[0]), abs(one[1] - other[1]) / self.aspect, 4.0)
        return View((one[0] + other[0]) / 2, (one[1] + other[1]) / 2, width, self.aspect)


def whole_plate(drawing: Drawing) -> View:
    """The view that shows the plate with a little room around it."""
    x0, y0, x1, y1 = drawing.outline.bounds
    aspect = float(np.clip((y1 - y0) / (x1 - x0), 0.6, 1.15))
    width = 1.06 * max(x1 - x0, (y1 - y0) / aspect)
    return View((x0 + x1) / 2, (y0 + y1) / 2, width, aspect)


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What is shown on top of the drawing.

    Parameters
    ----------
    chosen : str
        Element that is pointed out with its handles.
    clicks : sequence of (x, y)
        Places clicked for a new shape, mm, in order.
    is_ring : bool
        The clicks go round a shape: they are joined by a line.
    curve : (N, 2) array or None
        A curve that is offered, mm.
    findings : sequence of Finding
    alike : shapely geometry or None
        Edges in another pose in which the plate nearly looks like itself.
    handle_px : float
        Radius of a handle in pixels of the picture.
    name_px : int
        Height of names in pixels of the picture.
    """

    chosen: str = ""
    clicks: Sequence[tuple[float, float]] = ()
    is_ring: bool = False
    curve: NDArray[np.float64] | None = None
    findings: Sequence[Any] = ()
    alike: BaseGeometry | None = None
    handle_px: float = 8.0
    name_px: int = 17


@cache
def _font(size: int) -> Any:
    return ImageFont.load_default(size)


def _rings(shape: BaseGeometry) -> Iterable[NDArray[np.float64]]:
    for part in getattr(shape, "geoms", [shape]):
        if part.geom_type == "Polygon":
            for ring in (part.exterior, *part.interiors):
                yield np.asarray(ring.coords, float)[:, :2]
        else:
            yield np.asarray(part.coords, float)[:, :2]


class _Canvas:
    """A picture and the way from mm to it."""

    def __init__(self, grid: Grid, ground: NDArray[np.uint8] | None) -> None:
        self.grid = grid
        self.has_photo = ground is not None
        self.rgb = np.full((*grid.shape, 3), 255, np.uint8) if ground is None else ground.copy()

    def fixed(self, xy: ArrayLike) -> NDArray[np.int32]:
        """Fixed-point pixels for OpenCV, kept within what it can draw."""
        px = np.clip(self.grid.mm_to_px(np.asarray(xy, float)), -20_000, 20_000)
        return np.round(px * (1 << _BITS)).astype(np.int32)

    def line(self, xy: ArrayLike, colour: tuple[int, int, int], width: int, *, closed: bool = True) -> None:
        cv2.polylines(self.rgb, [self.fixed(xy)], closed, colour, width, cv2.LINE_AA, _BITS)

    def edge(self, shape: BaseGeometry, colour: tuple[int, int, int], width: int) -> None:
        for ring in _rings(shape):
            if self.has_photo:
                self.line(ring, (255, 255, 255), width + 2)
            self.line(ring, colour, width)

    def fill(self, shape: BaseGeometry, colour: tuple[int, int, int], share: float) -> None:
        where = fill_mask(shape, self.grid)
        if share >= 1:
            self.rgb[where] = colour
        else:
            self.rgb[where] = np.round((1 - share) * self.rgb[where] + share * np.array(colour)).astype(
                np.uint8
            )

    def dot(
        self, xy: ArrayLike, radius: float, colour: tuple[int, int, int], *, hollow: bool = False
    ) -> None:
        x, y = self.fixed(xy).ravel().tolist()
        one = 1 << _BITS
        cv2.circle(
            self.rgb, (x, y), round((radius + 1.5) * one), (255, 255, 255), cv2.FILLED, cv2.LINE_AA, _BITS
        )
        cv2.circle(self.rgb, (x, y), round(radius * one), colour, cv2.FILLED, cv2.LINE_AA, _BITS)
        if hollow:
            cv2.circle(
                self.rgb, (x, y), round(0.55 * radius * one), (255, 255, 255), cv2.FILLED, cv2.LINE_AA, _BITS
            )

    def cross(self, xy: ArrayLike, size: int, colour: tuple[int, int, int]) -> None:
        x, y = np.round(self.grid.mm_to_px(np.asarray(xy, float))).astype(int).ravel().tolist()
        if -100 < x < self.grid.n_cols + 100 and -100 < y < self.grid.n_rows + 100:
            cv2.drawMarker(
                self.rgb, (x, y), (255, 255, 255), cv2.MARKER_TILTED_CROSS, size + 4, 7, cv2.LINE_AA
            )
            cv2.drawMarker(self.rgb, (x, y), colour, cv2.MARKER_TILTED_CROSS, size, 4, cv2.LINE_AA)

    def words(self, rows: Iterable[tuple[Any, str, tuple[int, int, int]]], size: int) -> None:
        """Words centred on places, earlier rows first; a word that would cover another is left out."""
        picture = Image.fromarray(self.rgb)
        pen = ImageDraw.Draw(picture)
        taken: list[tuple[float, float, float, float]] = []
        for xy, text, colour in rows:
            x, y = self.grid.mm_to_px(np.asarray(xy, float)).ravel().tolist()
            if not (0 < x < self.grid.n_cols and 0 < y < self.grid.n_rows):
                continue
            box = pen.textbbox((x, y), text, font=_font(size), anchor="mm", stroke_width=3)
            if any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken):
                continue
            taken.append(box)
            pen.text(
                (x, y), text, colour, _font(size), anchor="mm", stroke_width=3, stroke_fill=(255, 255, 255)
            )
        self.rgb = np.asarray(picture).copy()


def _thinned(points: NDArray[np.float64], apart: float) -> NDArray[np.float64]:
    """Points of a ring at least so far apart along it."""
    keep = [0]
    for k in range(1, len(points)):
        if math.dist(points[k], points[keep[-1]]) >= apart:
            keep.append(k)
    return points[keep]


def _chosen(canvas: _Canvas, drawing: Drawing, name: str, handle_px: float) -> None:
    if name not in {o.name for o in drawing.openings} | {e for e in EDGES if getattr(drawing, e) is not None}:
        return
    area = contour_of(drawing, name)
    canvas.edge(area, _CHOSEN, 3)
    circle = circle_of(area) if name not in EDGES else None
    if circle is not None:
        canvas.dot((circle.x_mm, circle.y_mm), handle_px, _CHOSEN, hollow=True)
        return
    corners = corners_of(area)
    apart = 2.6 * handle_px / canvas.grid.px_per_mm
    for xy in _thinned(corners, apart):
        canvas.dot(xy, 0.62 * handle_px, _CHOSEN, hollow=True)
    if name not in EDGES:
        canvas.dot(area.centroid.coords[0], handle_px, _CHOSEN)


def _name_at(area: BaseGeometry, px_per_mm: float, name_px: int) -> tuple[float, float]:
    """Within an opening that has room for its name, else under it."""
    x0, y0, x1, y1 = area.bounds
    middle = area.centroid
    if min(x1 - x0, y1 - y0) * px_per_mm > 6 * name_px:
        return middle.x, middle.y - 1.5 * name_px / px_per_mm
    return middle.x, y0 - 0.75 * name_px / px_per_mm


def edit_picture(
    drawing: Drawing, view: View, marks: Marks, photo: NDArray[np.uint8] | None = None
) -> NDArray[np.uint8]:
    """The drawing in a view.

    Parameters
    ----------
    drawing : Drawing
    view : View
    marks : Marks
    photo : (rows, columns, 3) uint8 array or None
        The photo on the view's raster, shown under the drawing.

    Returns
    -------
    (rows, columns, 3) uint8 array
        On the raster of :meth:`View.grid`.
    """
    canvas = _Canvas(view.grid(), photo)
    for name, zone in drawing.zones.items():
        canvas.fill(zone, _ZONES[name], 0.18 if canvas.has_photo else 1.0)
    for band in drawing.bands:
        canvas.fill(band.polygon, (240, 190, 120), 0.25 if canvas.has_photo else 0.45)
    if not canvas.has_photo:
        canvas.fill(MultiPolygon([o.polygon for o in drawing.openings]), (255, 255, 255), 1.0)
    for opening in drawing.openings:
        canvas.edge(opening.polygon, _INK, 2)
    for name in ("coolant_edge", "trace", "outline"):
        if (area := getattr(drawing, name)) is not None:
            canvas.edge(area, _EDGE[name], 2)
    if marks.alike is not None:
        canvas.edge(marks.alike, (150, 60, 150), 2)
    if marks.chosen:
        _chosen(canvas, drawing, marks.chosen, marks.handle_px)
    if marks.curve is not None:
        canvas.line(marks.curve, (255, 255, 255), 5)
        canvas.line(marks.curve, _CLICK, 3)
    if marks.is_ring and len(marks.clicks) > 1:
        canvas.line(np.array(marks.clicks), (255, 255, 255), 4, closed=False)
        canvas.line(np.array(marks.clicks), _CLICK, 2, closed=False)
    for k, xy in enumerate(marks.clicks):
        canvas.dot(xy, marks.handle_px * (1.25 if k == 0 and marks.is_ring else 0.8), _CLICK, hollow=k == 0)
    for finding in reversed(marks.findings):
        if finding.xy is not None:
            canvas.cross(finding.xy, 22, _FOUND[finding.severity])
    rows = [
        (
            _name_at(o.polygon, canvas.grid.px_per_mm, marks.name_px),
            o.name,
            _CHOSEN if o.name == marks.chosen else _INK,
        )
        for o in sorted(drawing.openings, key=lambda o: o.name != marks.chosen)
        if o.name == marks.chosen or canvas.grid.px_per_mm >= _NAMES_FROM_PX_PER_MM
    ]
    if rows:
        canvas.words(rows, marks.name_px)
    return canvas.rgb
