"""A drawing of a plate from photos: with one known distance, or with the printed target."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from ..errors import MeasurementError
from ..estimate import Estimate
from ..registration.target_sheet import RULER_MM
from ..units import in_both
from .bundle import Solution
from .by_distance import trace_by_distance
from .by_sheet import trace_by_sheet
from .cameras import EdgeSet
from .photos import PhotoClicks, SheetUse, check_sheet, check_sizes
from .result import Trace, make_trace
from .subpixel import EdgeLook

__all__ = ["trace_plate"]

_AIM_MM, _MOST_MM = 0.3, 1.5
"""An outline less sure than the first gets a note how to do better, one less sure than the second is refused; the
first is the aim for a drawing, the second makes holes of neighbouring sizes unsafe to tell apart (house choice)."""
_GAP_MM, _LEAST_BAY_MM2 = 6.0, 5.0
"""No outline of a plate has a bay behind a gap as narrow as this (house choice)."""
_READ_SD_MM = 0.1
"""What a person's caliper errs on the printed line or between two holes (house choice): the whole drawing's scale hangs
on that one length."""
_Z90 = 1.6449
_SQUARE_ON_DEG = 10.0
_SAME_SIDE_DEG = 45.0
"""Photos that lean over the plate less than this apart are from one side: half of the quarter turn that is asked for
(house choice)."""


def trace_plate(
    photos: Sequence[PhotoClicks],
    known: tuple[str, str, float] | None = None,
    *,
    sheet: SheetUse | None = None,
    name: str = "traced plate",
    thickness_mm: float = math.nan,
    edge_break_mm: float = 0.0,
) -> Trace:
    """Draw a plate from a few photos of it.

    Parameters
    ----------
    photos : sequence of PhotoClicks
        With a known distance two or more, best three: the first square-on and sharp, the others tilted by 10 to 30
        degrees to different sides. With a printed target one is enough, and clicks may be left out; in several
        photos plate and sheet lie still.
    known : (str, str, float), optional
        Two clicked round holes and the true distance of their centres, mm. Beside a sheet it is not needed and not
        used.
    sheet : SheetUse, optional
        The printed target is in every photo.
    name : str
    thickness_mm : float
        For the drawing; with a sheet on the bench also the height of the face over it. Where a wall is in sight it
        tells where the wall ends.
    edge_break_mm : float
        Width of the chamfer that breaks every edge. The metal seen ends that much before the drawn edge, so
        the outline is grown by it and the openings are shrunk by it. 0 for sharp edges.

    Returns
    -------
    Trace

    Raises
    ------
    NotEnoughData
        Neither sheet nor two photos, or fewer than four common clicks.
    InputError
        No scale, a known distance that is none, a sheet on the bench without the plate's thickness, or a thickness or an
        edge break of no plate.
    MeasurementError
        The plate does not stand out from the bench, a hole of the known distance was not found or is not
        round, the clicks are not the same holes, the sheet does not lie where it was said, the photos do not fit
        together, or they leave the cameras too open for a drawing.
    """
    check_sizes(thickness_mm, edge_break_mm)
    edge = EdgeLook([p.rgb for p in photos], edge_break_mm)
    sizes = [(p.rgb.shape[1], p.rgb.shape[0]) for p in photos]
    notes: list[str] = []
    correction = 0.0
    doubt: list[NDArray[np.float64]] | None = None
    if sheet is None:
        sets, plane, errors, solution = trace_by_distance(photos, known, edge, thickness_mm)
    else:
        height = check_sheet(photos, sheet, thickness_mm)
        found = trace_by_sheet(photos, sheet, height, edge, thickness_mm)
        doubt = found.wall_doubt_mm
        sets, plane, errors, solution = found.sets, found.plane, found.errors, found.solution
        correction = found.height_correction
        if height:
            notes.append(
                f"the sheet lay on the bench and the face stands {in_both(height, 'mm')} nearer to the camera: lengths "
                f"would have been {100 * correction:.2f} % too large and were corrected"
            )
        if found.hidden_mm2 > 1:
            notes.append(
                f"the sheet hides {found.hidden_mm2 / 100:.0f} cm2 of the face: openings under it are not in the drawing"
            )
    clicked = np.array(list(photos[0].clicks_px.values()), float).reshape(-1, 2)
    trace = make_trace(
        sets, plane, errors, solution, sizes, name, thickness_mm, edge_break_mm, correction, notes,
        solution.cameras[0].px_to_mm(clicked), doubt,
    )  # fmt: skip
    read_mm = RULER_MM if sheet is not None or known is None else known[2]
    trace = replace(trace, size=with_reading(trace.size, read_mm))
    return _judge(trace, sets, solution, is_sheet=sheet is not None)


def with_reading(size: Estimate, length_mm: float) -> Estimate:
    """How sure the scale is (90 %), with what measuring its one length by hand leaves open.

    Parameters
    ----------
    size : Estimate
        From the photos alone, about 1.
    length_mm : float
        The length that was measured.
    """
    half = math.hypot((size.high - size.low) / 2, _Z90 * _READ_SD_MM / length_mm)
    return Estimate(value=size.value, low=size.value - half, high=size.value + half)


def _judge(trace: Trace, sets: list[EdgeSet], solution: Solution, *, is_sheet: bool) -> Trace:
    """Refuse a trace that is wrong or too unsure; say how to do better where it is less sure than a drawing should be."""
    bay = _bay(trace.drawing.outline)
    if bay is not None:
        x, y = trace.cameras[0].mm_to_px(np.array([bay]))[0]
        raise MeasurementError(
            f"the outline runs into an opening at x {x:.0f}, y {y:.0f} px of the first photo: rust or a shadow at the rim "
            "passed for bench; clean the rim there, or use a bench of another colour, and take the photo again"
        )
    if trace.outline_err_mm <= _AIM_MM:
        return trace
    if is_sheet:
        advice = "take one more photo from nearer, tilted by 10 to 20 degrees, with plate and sheet left where they are"
    else:
        advice = _missing_view(solution.poses)
    if trace.outline_err_mm > _MOST_MM:
        raise MeasurementError(
            f"the photos leave the drawing open to {in_both(round(trace.outline_err_mm, 1), 'mm')}: {advice}, and "
            "trace again"
        )
    note = f"the outline is sure to {in_both(round(trace.outline_err_mm, 2), 'mm')} only: {advice}"
    return replace(trace, notes=(*trace.notes, note))


def _bay(outline: Polygon) -> tuple[float, float] | None:
    """A place in a bay of an outline that a narrow gap leads into, as an opening has whose rim was lost."""
    closed = outline.buffer(0.5 * _GAP_MM)
    bays = [Polygon(ring) for ring in closed.interiors]
    large = [b for b in bays if b.area > _LEAST_BAY_MM2]
    return tuple(max(large, key=lambda b: b.area).representative_point().coords[0]) if large else None


def _missing_view(poses: NDArray[np.float64]) -> str:
    """What photo would make the cameras surer.

    Lines of sight are compared in the plate's frame: turning the plate on the bench moves them over it, rolling the
    camera about its own does not, and shows nothing new.
    """
    axes = np.array([cv2.Rodrigues(p[:3])[0][2] for p in poses])
    sides = axes[:, :2] / np.maximum(np.abs(axes[:, 2:]), 1e-9)
    lean = np.hypot(*sides.T)
    steep = np.flatnonzero(np.degrees(np.arctan(lean)) > _SQUARE_ON_DEG)
    if len(steep) == 0:
        return "all photos look straight down; take two more, tilted by 20 to 30 degrees, from two sides"
    listed = ", ".join(str(k + 1) for k in steep)
    towards = sides[steep] / lean[steep, None]
    if (towards @ towards.T).min() < np.cos(np.radians(_SAME_SIDE_DEG)):
        return (
            f"photos {listed} are taken from different sides, but do not tell enough; take one more, sharp, from nearer "
            "and tilted by 20 to 30 degrees, from yet another side"
        )
    if len(steep) == 1:
        taken = f"only photo {listed} is taken from a side"
    else:
        taken = f"photos {listed} are taken from nearly the same side"
    return (
        f"{taken}; take one more, tilted by 20 to 30 degrees, a quarter or half turn round the plate from photo "
        f"{steep[0] + 1}"
    )
