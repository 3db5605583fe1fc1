"""Is this picture good enough to measure on? Before the alignment from the picture alone, after it per zone."""

from __future__ import annotations

import math
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely import contains_xy

from ..drawing import Drawing
from ..errors import InputError
from ..grid import Grid
from ..units import MM_PER_INCH, UnitSystem, format_length
from .backlight import bright_openings
from .findings import PhotoFinding, PhotoLimits, PhotoReport
from .halo import halo
from .losses import bars_share, block_step, colour_apart, without_bars
from .picture import Photo
from .raster import raster_peak
from .sharpening import overshoot
from .sharpness import Tile, sharpness_tiles, smear_px

__all__ = ["CLIPPED_LEVEL", "check_photo", "clipped", "tilt_deg", "without_colours"]

CLIPPED_LEVEL = 250
"""From this level in every channel a pixel shows the lamp, not the metal."""
_REDUCED_SIDE_PX = 1000
_LEAST_PLATE = 0.25
"""A plate fills at least so much of a picture that is to be mapped (house choice)."""
_ONE_WAY = " in one direction (the camera moved)"


class _AlignmentLike(Protocol):
    """What the gate needs of an alignment."""

    homography: NDArray[np.float64]

    def mm_to_px(self, points_xy: ArrayLike) -> NDArray[np.float64]: ...
    def px_to_mm(self, points_px: ArrayLike) -> NDArray[np.float64]: ...
    def px_per_mm(self, points_xy: ArrayLike) -> NDArray[np.float64]: ...


def clipped(rgb: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Pixels (rows, columns) that are white in every channel: glare, no matter what lies under it."""
    return cv2.min(cv2.min(rgb[..., 0], rgb[..., 1]), rgb[..., 2]) >= CLIPPED_LEVEL


def tilt_deg(alignment: _AlignmentLike, size_wh: tuple[int, int]) -> float:
    """Angle between the camera's axis and the upright on the face, degrees.

    Notes
    -----
    At the middle of the picture a plane tilted by t is foreshortened by cos t in one direction and not in the
    other, whatever the focal length, so the two local scales of the homography there give t.
    """
    middle = alignment.px_to_mm(np.array([(size_wh[0] - 1) / 2, (size_wh[1] - 1) / 2]))
    step = 0.5
    dx = alignment.mm_to_px(middle + [step, 0]) - alignment.mm_to_px(middle - [step, 0])
    dy = alignment.mm_to_px(middle + [0, step]) - alignment.mm_to_px(middle - [0, step])
    scales = np.linalg.svd(np.column_stack([dx, dy]), compute_uv=False)
    return math.degrees(math.acos(min(1.0, scales[1] / scales[0])))


def check_photo(
    photo: Photo,
    *,
    px_per_mm: float | None = None,
    alignment: Any = None,
    drawing: Drawing | None = None,
    rectified: tuple[NDArray[np.uint8], NDArray[np.bool_], Grid] | None = None,
    limits: PhotoLimits | None = None,
    system: UnitSystem = "mm",
) -> PhotoReport:
    """The picture gate.

    Parameters
    ----------
    photo : Photo
    px_per_mm : float, optional
        Scale, where known without an alignment.
    alignment : Alignment or Camera, optional
        Where the plate is; gives scale, tilt and sharpness on the plate. Needs `drawing`.
    drawing : Drawing, optional
    rectified : (rgb, in_frame, grid), optional
        The straightened face; gives glare, exposure and cut-off per zone. Needs `drawing`.
    limits : PhotoLimits, optional
    system : {"mm", "inch"}
        Units of the sentences.

    Raises
    ------
    InputError
        An alignment or straightened picture without a drawing; arrays that do not fit the grid.

    Notes
    -----
    Without an alignment the whole picture is judged, bench included, so glare and exposure are never a reason
    to stop there, and what is blurred in one part may be the bench. With one, sharpness is that of the metal.
    """
    limits = limits or PhotoLimits()
    if (alignment is not None or rectified is not None) and drawing is None:
        raise InputError("check_photo: pass the drawing with an alignment or a straightened picture")
    if px_per_mm is not None and not (math.isfinite(px_per_mm) and px_per_mm > 0):
        raise InputError(f"check_photo: px_per_mm must be above 0, got {px_per_mm!r}")
    findings: list[PhotoFinding] = []
    numbers: dict[str, float] = {"px_per_mm": px_per_mm if px_per_mm else math.nan, "tilt_deg": math.nan}
    tiles = sharpness_tiles(photo.rgb)
    if alignment is not None and drawing is not None:
        tiles = _on_plate(tiles, alignment, drawing)
        numbers["px_per_mm"] = _least_scale(alignment, drawing)
        numbers["tilt_deg"] = tilt_deg(alignment, photo.size_wh)
        findings.append(_tilt(numbers["tilt_deg"], limits))
        # a bare camera says nothing of single openings
        findings += [
            PhotoFinding(code="drawing", severity="watch", value=d.away_mm, text=d.sentence(system))
            for d in getattr(alignment, "displaced", ())
        ]
        findings += [
            PhotoFinding(code="drawing", severity="watch", value=math.nan, text=words)
            for words in getattr(alignment, "unmet_words", ())
        ]
    smear = smear_px(photo.rgb, tiles)
    findings += _sharpness(tiles, smear, numbers, limits, system, is_plate=alignment is not None)
    findings += _losses(photo.rgb, tiles, numbers, limits, is_plate=alignment is not None)
    if rectified is not None and drawing is not None:
        findings += _zones(rectified, drawing, alignment, numbers, limits)
    else:
        findings += _whole(photo.rgb, numbers, limits)
    if photo.seen is not None:
        share = float(1 - photo.seen.mean())
        findings.append(
            PhotoFinding(code="transparent", severity="watch", value=share,
                         text=f"{100 * share:.0f} % of the picture is transparent and counts as not seen; "
                              "give the camera's own picture")
        )  # fmt: skip
    return PhotoReport(photo_name=photo.name, findings=tuple(findings), numbers=numbers)


def _step(value: float, watch: float, stop: float) -> str:
    return "stop" if value > stop else "watch" if value > watch else "pass"


def _on_plate(tiles: list[Tile], alignment: _AlignmentLike, drawing: Drawing) -> list[Tile]:
    centres = alignment.px_to_mm(np.array([t.centre_xy for t in tiles]))
    on = contains_xy(drawing.face(), centres[:, 0], centres[:, 1])
    return [t for t, hit in zip(tiles, on) if hit]


def _least_scale(alignment: _AlignmentLike, drawing: Drawing) -> float:
    x0, y0, x1, y1 = drawing.outline.bounds
    xs, ys = np.meshgrid(np.linspace(x0, x1, 7), np.linspace(y0, y1, 7))
    on = contains_xy(drawing.outline, xs, ys)
    return float(np.nanmin(alignment.px_per_mm(np.column_stack([xs[on], ys[on]]))))


def _tilt(angle: float, limits: PhotoLimits) -> PhotoFinding:
    severity = _step(angle, limits.tilt_watch_deg, limits.tilt_stop_deg)
    text = f"The camera was tilted {angle:.0f} degrees"
    text += {"pass": "", "watch": "; hold it more upright over the face next time",
             "stop": "; hold it upright over the face and take the photo again"}[severity]  # fmt: skip
    return PhotoFinding(code="tilt", severity=severity, value=angle, text=text + ".")


def without_colours(photo: Photo, limits: PhotoLimits | None = None) -> str:
    """Why a picture that was made grey or toned cannot be mapped; empty for any other one.

    Quick, and asked before the place of the plate is known: of a picture that is dark or burnt out nothing is said, for it
    has lost its colours to the light, which is told with its alignment.
    """
    limits = limits or PhotoLimits()
    lost = [f.text for f in _colour(photo.rgb, limits) if f.severity == "stop"]
    if lost and all(f.severity == "pass" for f in _whole(photo.rgb, {}, limits)):
        return lost[0]
    return ""


def _colour(rgb: NDArray[np.uint8], limits: PhotoLimits) -> list[PhotoFinding]:
    apart = colour_apart(rgb)
    if apart >= limits.colour_watch:
        return []
    is_sure = apart < limits.colour_stop
    text = (
        f"The picture has {'no' if is_sure else 'hardly any'} colours of its own (grey, toned, or lost to compression): "
        f"stain and heat colour {'cannot' if is_sure else 'can hardly'} be told from sound metal in it; give the "
        "camera's own picture, in colour."
    )
    severity = "stop" if is_sure else "watch"
    return [PhotoFinding(code="colour", severity=severity, value=apart, text=text)]


def _losses(
    rgb: NDArray[np.uint8],
    tiles: list[Tile],
    numbers: dict[str, float],
    limits: PhotoLimits,
    *,
    is_plate: bool,
) -> list[PhotoFinding]:
    """What the picture has lost that the map needs."""
    found = _colour(rgb, limits)
    step = block_step(rgb)
    severity = _step(step, limits.block_watch, limits.block_stop)
    if severity != "pass":
        text = (
            "The picture was made so small a file that blocks show in it: pits and stains are lost or made up there, "
            "and shares may be far off; give the camera's own file, not one that a messenger sent on."
        )
        found.append(PhotoFinding(code="squeezed", severity=severity, value=step, text=text))
    scale = numbers["px_per_mm"]
    if tiles and not math.isnan(scale):
        noise = float(np.median([t.grain for t in tiles])) / scale
        severity = _step(noise, limits.grain_watch, limits.grain_stop)
        if severity != "pass":
            text = (
                f"The picture is grainy (noise of {100 * noise:.0f} % of the metal's tone over 1 mm): faint marks drown in "
                "it, and shares may be too low; give more light and take it again."
            )
            found.append(PhotoFinding(code="grain", severity=severity, value=noise, text=text))
    beyond = overshoot(rgb)
    if beyond > limits.overshoot_watch:
        text = (
            f"The picture was sharpened: bright and dark lines run along its edges (by {100 * beyond:.0f} % of their step). "
            "Pits may be made up or outlined too large, uncut metal lost, and edges not found; give the camera's own "
            "picture, without filters."
        )
        found.append(PhotoFinding(code="sharpened", severity="watch", value=beyond, text=text))
    # a woven cloth on the bench is an even raster too, but leaves the plate out
    peak = raster_peak(rgb, tiles, most_without=0.5 if is_plate else _LEAST_PLATE)
    if peak > limits.raster_stop:
        text = (
            "A fine, even raster lies over the picture: is it a photo of a screen, or of a printed photo? Pits drown in it: "
            "more than half may be lost; give the camera's own file."
        )
        found.append(PhotoFinding(code="raster", severity="stop", value=peak, text=text))
    bars = bars_share(rgb)
    if bars > limits.bars_watch:
        text = (
            f"{100 * bars:.0f} % of the picture are bars of one colour, as in a screenshot; "
            "give the camera's own picture."
        )
        found.append(PhotoFinding(code="bars", severity="watch", value=bars, text=text))
    return found


def _sharpness(
    tiles: list[Tile],
    smear: float,
    numbers: dict[str, float],
    limits: PhotoLimits,
    system: UnitSystem,
    *,
    is_plate: bool,
) -> list[PhotoFinding]:
    known = [t for t in tiles if not math.isnan(t.spread_px)]
    scale = numbers["px_per_mm"]
    numbers["spread_px"] = float(np.median([t.spread_px for t in known])) if known else math.nan
    numbers["smallest_mm"] = math.nan
    if not known:
        text = "Sharpness cannot be told: the picture shows hardly any edges. Is it in focus, and is the plate in it?"
        return [PhotoFinding(code="blur", severity="watch", text=text)]
    middle = numbers["spread_px"]
    # under the width that is watched for a smear is no more than light on one side of a broken edge
    is_smeared = smear > max(middle, limits.smear_watch_px)
    widest = numbers["spread_px"] = smear if is_smeared else middle
    if math.isnan(scale):
        severity = _step(widest, limits.spread_watch_px, limits.spread_stop_px)
        text = f"Edges are {widest:.1f} px wide{_ONE_WAY if is_smeared else ''}"
        text += {"pass": ".", "watch": "; hold the camera still and tap on the face to focus.",
                 "stop": ": blurred. Tap on the face to focus, rest your hands, and take it again."}[severity]  # fmt: skip
        found = [PhotoFinding(code="blur", severity=severity, value=widest, text=text)]
    else:
        found = [_smallest(widest, scale, numbers, limits, system, is_smeared=is_smeared)]
    soft = [t for t in known if t.spread_px > max(2 * middle, limits.spread_watch_px)]
    if soft and len(soft) < len(known):
        region = _around(soft)
        worst = max(t.spread_px for t in soft)
        where, unless = ("plate", "") if is_plate else ("picture", "unless that is the bench, ")
        text = f"Blurred in one part of the {where} (edges {worst:.0f} px wide against {middle:.1f} px elsewhere); "
        text += f"{unless}hold the camera parallel to the face so that all of it is in focus."
        found.append(PhotoFinding(code="blur", severity="watch", value=worst, region_px=region, text=text))
    return found


def _smallest(
    spread: float,
    scale: float,
    numbers: dict[str, float],
    limits: PhotoLimits,
    system: UnitSystem,
    *,
    is_smeared: bool,
) -> PhotoFinding:
    smallest = max(limits.n_resolved_px, spread) / scale
    numbers["smallest_mm"] = smallest
    severity = _step(smallest, limits.smallest_watch_mm, limits.smallest_stop_mm)
    blurred = spread > limits.n_resolved_px
    resolution, digits = (f"{scale:.1f} px per mm", 1)
    if system == "inch":
        resolution, digits = (f"{scale * MM_PER_INCH:.0f} px per in", 3)
    least = format_length(smallest, system, digits=digits)
    one_way = _ONE_WAY if is_smeared else ""
    text = f"{resolution}, edges {spread:.1f} px wide{one_way}: pits under {least} are not seen"
    advice = "focus on the face and hold still" if blurred else "go closer, or use a camera with more pixels"
    text += "." if severity == "pass" else f"; {advice}."
    return PhotoFinding(code="blur" if blurred else "scale", severity=severity, value=smallest, text=text)


def _around(tiles: list[Tile]) -> tuple[int, int, int, int]:
    x0, y0 = min(t.x for t in tiles), min(t.y for t in tiles)
    x1, y1 = max(t.x + t.width for t in tiles), max(t.y + t.height for t in tiles)
    return x0, y0, x1 - x0, y1 - y0


def _whole(rgb: NDArray[np.uint8], numbers: dict[str, float], limits: PhotoLimits) -> list[PhotoFinding]:
    k = max(1, max(rgb.shape[:2]) // _REDUCED_SIDE_PX)
    # Every k-th pixel: averaging would hide clipped pixels among their neighbours.
    small = np.ascontiguousarray(rgb[::k, ::k])
    white = clipped(small)
    numbers["glare_share"] = float(white.mean())
    # the bars of a screenshot are no light of the photo
    inner = np.ascontiguousarray(without_bars(small))
    numbers["median_level"] = float(np.median(cv2.cvtColor(inner, cv2.COLOR_RGB2GRAY)))
    found = [_exposure(numbers["median_level"], "", "watch", limits)]
    share = numbers["glare_share"]
    if share > limits.glare_watch:
        x, y, w, h = cv2.boundingRect(white.view(np.uint8))
        text = f"{100 * share:.0f} % of the picture is burnt out; if that is on the plate, move the lamp or shade it."
        found.append(
            PhotoFinding(
                code="glare", severity="watch", value=share, text=text, region_px=(x * k, y * k, w * k, h * k)
            )
        )
    return found


def _exposure(level: float, zone: str, worst: str, limits: PhotoLimits) -> PhotoFinding:
    where = f" on the {zone.replace('_', ' ')}" if zone else ""
    if level < limits.dark_level:
        text = f"The picture is dark{where} (median level {level:.0f} of 255); give more light."
        return PhotoFinding(code="dark", severity=worst, value=level, zone=zone, text=text)
    if level > limits.bright_level:
        text = (
            f"The picture is overexposed{where} (median level {level:.0f} of 255): uncut metal and stain fade in it, "
            "and shares may be far too low; turn the exposure down."
        )
        return PhotoFinding(code="bright", severity=worst, value=level, zone=zone, text=text)
    return PhotoFinding(
        code="dark", severity="pass", value=level, zone=zone, text=f"Exposure is fine{where}."
    )


def _zones(rectified, drawing, alignment, numbers, limits):  # type: ignore[no-untyped-def]
    rgb, in_frame, grid = rectified
    if rgb.shape[:2] != grid.shape or in_frame.shape != grid.shape:
        raise InputError(f"check_photo: expected a straightened picture of {grid.shape}, got {rgb.shape[:2]}")
    zones = drawing.zone_raster(grid)
    white = clipped(rgb) & in_frame
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    face = (zones > 0) & in_frame
    numbers["glare_share"] = _share(white, face)
    numbers["median_level"] = _median_level(grey, face)
    found = []
    bright = bright_openings(grey, in_frame, drawing, grid)
    if bright > limits.bright_openings:
        text = (
            f"{100 * bright:.0f} % of the openings are brighter than the metal round them: is the picture a negative, or "
            "lit from behind? Marks are not read rightly then; take it with the light on the face."
        )
        found.append(PhotoFinding(code="backlit", severity="stop", value=bright, text=text))
    ring = halo(grey, in_frame, drawing, grid)
    if ring > limits.halo_watch:
        text = (
            "The camera or a program has changed the light piece by piece (HDR, a contrast filter): there is a halo round "
            f"the openings, {100 * math.expm1(ring):.0f} % of the metal's tone. Uncut metal may be far too high, and stain "
            "wrong; switch off HDR and filters, and give the picture as the camera takes it."
        )
        found.append(PhotoFinding(code="halo", severity="watch", value=ring, text=text))
    for k, name in enumerate(drawing.zone_names, 1):
        mine = zones == k
        seen = mine & in_frame
        words = name.replace("_", " ")
        cut = 1 - seen.sum() / max(1, mine.sum())
        if cut > limits.frame_watch:
            text = f"{100 * cut:.0f} % of the {words} is outside the picture and is not measured; step back a little."
            severity = _step(cut, limits.frame_watch, limits.frame_stop)
            found.append(
                PhotoFinding(code="frame", severity=severity, value=float(cut), zone=name, text=text)
            )
        if not seen.any():
            continue
        share = _share(white, seen)
        severity = _step(share, limits.glare_watch, limits.glare_stop)
        text = f"Glare hides {100 * share:.1f} % of the {words}"
        text += (
            "."
            if severity == "pass"
            else "; move the lamp, or add a photo with the lamp elsewhere and merge them."
        )
        region = _region(white & seen, grid, alignment) if share > 0 else None
        found.append(
            PhotoFinding(code="glare", severity=severity, value=share, zone=name, region_px=region, text=text)
        )
        found.append(_exposure(_median_level(grey, seen), name, "watch", limits))
    return found


def _share(what: NDArray[np.bool_], of: NDArray[np.bool_]) -> float:
    n = np.count_nonzero(of)
    return np.count_nonzero(what & of) / n if n else math.nan


def _median_level(grey: NDArray[np.uint8], where: NDArray[np.bool_]) -> float:
    """Median of an 8-bit picture by its histogram: no sorting of millions of pixels."""
    counts = cv2.calcHist([grey], [0], where.view(np.uint8), [256], [0, 256]).reshape(-1)
    return float(np.searchsorted(np.cumsum(counts), counts.sum() / 2)) if counts.sum() else math.nan


def _region(mask: NDArray[np.bool_], grid: Grid, alignment: Any) -> tuple[int, int, int, int] | None:
    if alignment is None:
        return None
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    corners = grid.px_to_mm(np.array([[x, y], [x + w - 1, y], [x + w - 1, y + h - 1], [x, y + h - 1]], float))
    px = alignment.mm_to_px(corners)
    low, high = np.floor(px.min(0)).astype(int), np.ceil(px.max(0)).astype(int)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])
