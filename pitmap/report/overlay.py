"""The picture that a customer understands: the face itself, with what was found drawn on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import matplotlib
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from ..classes import SurfaceClass
from ..drawing import Drawing
from ..errors import InputError
from ..grid import Grid
from ..units import MM_PER_INCH, UnitSystem
from .palette import CLASS_STYLES, Style

__all__ = ["codes_on", "font_file", "numbered_marks", "overlay_picture", "scale_bar", "scale_bar_mm"]

_ZONE_COLOUR = {"running_surface": (255, 255, 255), "seal_land": (255, 214, 0), "rim": (190, 190, 190)}
_SCALE_BARS_MM = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_SCALE_BARS_IN = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20)


def font_file(*, bold: bool = False) -> Path:
    """DejaVu Sans as matplotlib brings it along: one font for pictures and pages, on every machine."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file(bold=True)), size)


def scale_bar_mm(width_mm: float) -> int:
    """Length of a scale bar for a picture this wide: the largest round number under a quarter of it."""
    return int(_fitting(_SCALE_BARS_MM, width_mm))


def _fitting(bars: Sequence[float], width: float) -> float:
    return max((bar for bar in bars if bar <= width / 4), default=bars[0])


def scale_bar(width_mm: float, units: UnitSystem) -> tuple[float, str]:
    """Length in mm and label of the scale bar of a picture this wide, round in the units that it is read in."""
    if units == "inch":
        bar = _fitting(_SCALE_BARS_IN, width_mm / MM_PER_INCH)
        return bar * MM_PER_INCH, f"{bar:g} in"
    return scale_bar_mm(width_mm), f"{scale_bar_mm(width_mm)} mm"


def numbered_marks(marks: pd.DataFrame, n: int = 15) -> pd.DataFrame:
    """The marks that get a number in the picture: the largest pits of the working zones, then other pits.

    Parameters
    ----------
    marks : pandas.DataFrame
        A `marks` table; only rows of class pit count.
    n : int
        At most so many, for a picture that can still be read.
    """
    pits = marks[marks["class_code"] == SurfaceClass.PIT]
    is_rim = ~pits["zone"].isin(["seal_land", "running_surface"])
    order = pits.assign(_rim=is_rim).sort_values(["_rim", "area_mm2"], ascending=[True, False], kind="stable")
    return order.head(n).drop(columns="_rim")


def _pattern(name: str, shape: tuple[int, int], step: int) -> NDArray[np.bool_]:
    """Pixels of a repeating pattern that are inked."""
    r, c = np.ogrid[: shape[0], : shape[1]]
    thick = max(1, step // 4)
    if name == "dots":
        return np.broadcast_to((r % step < thick + 1) & (c % step < thick + 1), shape)
    if name == "rising":
        return np.broadcast_to((r + c) % step < thick, shape)
    if name == "level":
        return np.broadcast_to(r % step < thick, shape)
    if name == "cross":
        return np.broadcast_to(((r + c) % step < thick) | ((r - c) % step < thick), shape)
    return np.ones(shape, bool)


def paint_codes(
    rgb: NDArray[np.uint8],
    codes: NDArray[np.uint8],
    styles: Mapping[Any, Style],
    *,
    step: int,
    strength: float = 0.45,
) -> NDArray[np.uint8]:
    """Lay classes over a picture: a veil of their colour, their pattern in full ink, and a dark edge.

    Parameters
    ----------
    rgb : (R, C, 3) uint8 array
    codes : (R, C) uint8 array
    styles : mapping of code to Style
    step : int
        Spacing of the patterns, pixels.
    strength : float
        Share of the colour in the veil.
    """
    out = rgb.copy()
    for code, style in styles.items():
        mask = (codes == int(code)).astype(np.uint8)
        x, y, w, h = cv2.boundingRect(mask)
        if not w:
            continue
        if style.pattern == "outline":
            _draw_round(out, mask, style, max(1, step // 5))
            continue
        box = np.s_[y : y + h, x : x + w]
        inside = mask[box].astype(bool)
        colour = np.array(style.rgb, np.float32)
        part = out[box]
        veil = (1 - strength) * part + strength * colour
        part[inside] = veil[inside].astype(np.uint8)
        if style.pattern != "solid":
            ink = inside & _pattern(style.pattern, (h, w), step)
            # Darker than the veil, so that the pattern stands out when the colours are gone.
            part[ink] = tuple(int(0.45 * v) for v in style.rgb)
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        edge = (20, 20, 20) if style.pattern == "solid" else style.rgb
        cv2.drawContours(out, contours, -1, edge, 1, cv2.LINE_AA)
    return out


def _draw_round(out: NDArray[np.uint8], mask: NDArray[np.uint8], style: Style, thick: int) -> None:
    """A line of a style's colour between two dark ones, clear of what it surrounds, in place.

    A score is narrower than any veil could show, so the metal inside is left as it is; the dark lines keep the colour
    apart from whatever class lies around.
    """
    clear = cv2.dilate(mask, np.ones((2 * thick + 1, 2 * thick + 1), np.uint8))
    contours, _ = cv2.findContours(clear, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    cv2.drawContours(out, contours, -1, (20, 20, 20), 2 * thick + 1, cv2.LINE_AA)
    cv2.drawContours(out, contours, -1, style.rgb, thick, cv2.LINE_AA)


def zone_lines(drawing: Drawing, grid: Grid) -> list[tuple[str, NDArray[np.int32]]]:
    """Zone borders as whole pixels of `grid`: (zone, (N, 1, 2) points), in the order in which they are to be drawn.

    The seal land comes last: it shares its edges with the zones beside it, whose lines would cover the one that people
    look for.
    """
    lines = []
    for zone, shape in sorted(drawing.zones.items(), key=lambda item: item[0] == "seal_land"):
        for polygon in getattr(shape, "geoms", [shape]):
            for ring in (polygon.exterior, *polygon.interiors):
                points = np.round(grid.mm_to_px(np.asarray(ring.coords)[:, :2])).astype(np.int32)
                lines.append((zone, points.reshape(-1, 1, 2)))
    return lines


def _label(draw: ImageDraw.ImageDraw, xy: tuple[float, float], text: str, size: int) -> None:
    draw.text(
        xy, text, font=_font(size), fill=(255, 255, 255), stroke_width=2, stroke_fill=(0, 0, 0), anchor="mm"
    )


def _free_place(
    x: float, y: float, size: int, taken: list[tuple[tuple[float, float], str]]
) -> tuple[float, float] | None:
    """Where a number beside (x, y) covers no earlier, larger mark's number; None when every side is taken."""
    sides = [(x, y - 0.9 * size), (x, y + 0.9 * size), (x + 1.2 * size, y), (x - 1.2 * size, y)]
    for side in sides:
        if all(abs(side[0] - at[0]) > 1.5 * size or abs(side[1] - at[1]) > size for at, _ in taken):
            return side
    return None


def picture_grid(rgb: NDArray[np.uint8], grid: Grid) -> Grid:
    """The grid of a picture that covers the same rectangle as `grid`."""
    if rgb.ndim != 3 or rgb.shape[2] != 3:
        raise InputError(f"picture: expected (rows, columns, 3), got {rgb.shape}")
    target = grid.at_scale(grid.px_per_mm * rgb.shape[1] / grid.n_cols)
    if target.shape != rgb.shape[:2]:
        raise InputError(
            f"picture: {rgb.shape[:2]} does not cover the rectangle of the class map {grid.shape}"
        )
    return target


def codes_on(codes: NDArray[np.uint8], own: Grid, target: Grid) -> NDArray[np.uint8]:
    """A raster of codes on `own` taken over to `target`, nearest code; 0 where `own` does not reach."""
    step = np.linalg.inv(own.px_to_mm_matrix) @ target.px_to_mm_matrix
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(codes, step[:2], target.shape[::-1], flags=flags), np.uint8)


def overlay_picture(
    rgb_plate: NDArray[np.uint8],
    class_map: Any,
    drawing: Drawing,
    measurement: Any,
    *,
    picture: Grid | None = None,
    n_numbers: int = 15,
    label_share: float = 1 / 75,
    units: UnitSystem = "mm",
) -> NDArray[np.uint8]:
    """The straightened face with its marks, zones, numbers, narrowest sound metal and a scale bar.

    Parameters
    ----------
    rgb_plate : (R, C, 3) uint8 array
        Straightened photo.
    class_map : pitmap.surface.ClassMap
    drawing : Drawing
    measurement : pitmap.measure.Measurement or None
    picture : Grid or None
        Grid of `rgb_plate`; None when it covers the rectangle of the class map.
    n_numbers : int
        Marks that get a number.
    label_share : float
        Height of numbers as a share of the picture's width; more for a picture that is shown small.
    units : {"mm", "inch"}
        Of the scale bar.

    Returns
    -------
    (R + strip, C, 3) uint8 array
        A new picture, with the scale bar on a white strip of its own below: a plate may fill the picture to its corners,
        and no metal may be hidden.

    Raises
    ------
    InputError
        The picture does not cover the class map.
    """
    grid = picture or picture_grid(rgb_plate, class_map.grid)
    if grid.shape != rgb_plate.shape[:2]:
        raise InputError(f"picture: {rgb_plate.shape[:2]} does not fit its grid {grid.shape}")
    codes = codes_on(class_map.codes, class_map.grid, grid)
    pattern = max(6, round(0.55 * grid.n_cols * label_share))
    out = paint_codes(rgb_plate, np.asarray(codes, np.uint8), CLASS_STYLES, step=pattern)
    thin = max(1, round(grid.n_cols / 900))
    for zone, points in zone_lines(drawing, grid):
        wide = thin + (zone == "seal_land")  # one pixel of yellow between two of black would look brown
        cv2.polylines(out, [points], True, (0, 0, 0), wide + 2, cv2.LINE_AA)
        cv2.polylines(out, [points], True, _ZONE_COLOUR[zone], wide, cv2.LINE_AA)
    size = max(11, round(grid.n_cols * label_share))
    labels: list[tuple[tuple[float, float], str]] = []
    if measurement is not None:
        for path in list(measurement.land_paths)[:1]:
            points = np.round(grid.mm_to_px(path)).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(out, [points], False, (0, 0, 0), 5 * thin + 2, cv2.LINE_AA)
            cv2.polylines(out, [points], False, (255, 255, 255), 3 * thin, cv2.LINE_AA)
        for row in numbered_marks(measurement.marks, n_numbers).itertuples():
            x, y = (float(v) for v in grid.mm_to_px(np.array([row.x_mm, row.y_mm])))
            place = _free_place(x, y, size, labels)
            if place is not None:
                labels.append((place, str(row.mark_id)))
    image = Image.fromarray(out)
    draw = ImageDraw.Draw(image)
    for at, text in labels:
        _label(draw, at, text, size)
    return np.vstack([np.asarray(image), _scale_strip(grid, size, units)])


def _scale_strip(grid: Grid, size: int, units: UnitSystem) -> NDArray[np.uint8]:
    """A white strip as wide as a picture on `grid`, with its scale bar at the left."""
    bar_mm, label = scale_bar(grid.n_cols / grid.px_per_mm, units)
    strip = Image.new("RGB", (grid.n_cols, 3 * size), (255, 255, 255))
    draw = ImageDraw.Draw(strip)
    x0, y0 = size, 2 * size
    x1 = x0 + bar_mm * grid.px_per_mm
    draw.rectangle([x0, y0 - size // 4, x1, y0 + size // 8], fill=(0, 0, 0))
    draw.text(((x0 + x1) / 2, y0 - size * 0.4), label, font=_font(size), fill=(0, 0, 0), anchor="ms")
    return np.asarray(strip)
