"""Lay the drawing on the photo: search, refine, look at the look-alikes, judge; or refuse and say why."""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..drawing import Drawing
from ..errors import AlignmentRefused, InputError
from .alignment import Alignment, RunnerUp
from .bend import bend_mm
from .camera import Camera
from .coarse import focal_for, search
from .copies import SmallerCopies
from .displaced import Looked, displaced_openings, displaced_outline, unmet_parts
from .edges import DrawnEdges, drawn_edges
from .evidence import shrink
from .judge import Evidence, weigh
from .landmarks import check_picks, view_from_points
from .lookalike import best_lookalike, is_told_apart, other_poses, plate_beside
from .opening_moves import opening_moves
from .polish import FINEST_PX_PER_MM, Fit, Priors, refine_view
from .scatter import unmodelled_mm2
from .second_face import second_face
from .verdict import (
    PICKED,
    check_size,
    conclude,
    doubt,
    is_found,
    is_off_centre,
    is_open,
    may_settle,
    mismatch,
)
from .view import View

__all__ = ["refine", "register", "register_from_landmarks"]

_MIDDLE_PX = 640
_FINE_PX = 1280
_MOST_SETTLED_PX = 1.0
"""Of the smaller picture: a view that moves further on the photo itself is weighed again."""
_MUCH_FINER = 0.8
"""A photo is made smaller when it becomes less than this of its size: resampling by less costs more than it saves."""
_PROMISING = 0.9
_N_REFINED = 2
"""Hypotheses of the search that are refined before the best is chosen."""
_refine_small = partial(refine_view, edge_break_mm=0.3, blur_px=0.8)
"""A small picture does not show these two; on the photo itself they are fitted."""


class _NotFound(AlignmentRefused):
    """Nowhere in the photo are enough of the drawn edges met."""


class _Workplace(NamedTuple):
    """A photo with its smaller copies, and somebody to do other work meanwhile."""

    copies: SmallerCopies
    worker: Executor


def _check_picture(rgb: NDArray) -> None:
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise InputError(f"rgb: expected an RGB picture of 8 bits, (H, W, 3), got {rgb.dtype} {rgb.shape}")
    check_size(rgb)


def _check_hints(**hints: float | None) -> None:
    for name, value in hints.items():
        if value is not None and not (math.isfinite(value) and value > 0):
            raise InputError(f"{name}: expected a number above 0, got {value!r}")


def _spacing_mm(drawing: Drawing) -> float:
    """About 1700 samples whatever the size of the plate."""
    total = drawing.outline.exterior.length + sum(o.polygon.exterior.length for o in drawing.openings)
    return total / 1700


def _to_its_middle(drawing: Drawing) -> tuple[Drawing, NDArray[np.float64]]:
    """The drawing with its origin in its middle, and where that was, (2,) mm.

    A camera turns about the origin: from a far one the least turn throws the plate out of the picture.
    """
    middle = np.array(drawing.outline.centroid.coords[0])
    return drawing.moved(*-middle), middle


def _priors(long_side_px: float, focal_px: float | None) -> Priors:
    if focal_px is None:
        return Priors(log_focal=math.log(focal_for((1, 1))))
    return Priors(log_focal=math.log(focal_px / long_side_px), log_focal_sd=0.03)


@contextmanager
def _workplace(rgb: NDArray[np.uint8]) -> Iterator[_Workplace]:
    """A thread for work that can go on beside other work; first it makes the smaller copies.

    Edges that leave the camera open end the work in it with a refusal.
    """
    sizes = (_MIDDLE_PX, _FINE_PX) if max(rgb.shape[:2]) > 2 * _FINE_PX else (_MIDDLE_PX,)
    with ThreadPoolExecutor(max_workers=1) as worker:
        try:
            yield _Workplace(SmallerCopies(rgb, sizes, worker), worker)
        except np.linalg.LinAlgError as error:
            raise AlignmentRefused(
                "the edges in the photo do not settle where the camera stood; show more of the plate, sharper"
            ) from error


def _finish(
    at: _Workplace,
    drawing: Drawing,
    starts: list[View],
    *,
    focal_px: float | None,
    method: str,
    others: tuple[View, ...] = (),
) -> Alignment:
    """From views near the truth to an alignment, or a refusal; `others` are where another plate may lie."""
    rgb = at.copies.rgb
    priors = _priors(max(rgb.shape[:2]), focal_px)
    dense = drawn_edges(drawing, _spacing_mm(drawing) / 2)
    edges = dense.take(np.arange(0, len(dense.part), 2))
    middle, k = at.copies[_MIDDLE_PX]
    thickness = drawing.thickness_mm
    trials = [
        _refine_small(middle, start.scaled(k), edges, priors, thickness_mm=thickness) for start in starts
    ]
    view = max(trials, key=lambda fit: float((fit.weight * edges.length_mm).sum())).view
    settled: Fit | None = None
    evidence = weigh(middle, view, edges, thickness)
    if may_settle(evidence):
        settled = _settle(at.copies, view.scaled(1 / k), edges, dense, priors, thickness)
        view = settled.view.scaled(k)
        evidence = weigh(middle, view, edges, thickness)
    reason = doubt(evidence)
    if reason:
        raise (AlignmentRefused if is_found(evidence) else _NotFound)(reason)
    settling = at.worker.submit(
        lambda: settled or _settle(at.copies, view.scaled(1 / k), edges, dense, priors, thickness)
    )
    rival = _rival(middle, view, [o.scaled(k) for o in others], edges, evidence, priors, thickness)
    fit = settling.result()
    is_part = is_off_centre(fit, (rgb.shape[1], rgb.shape[0]))
    if is_part:
        # the middle of a photo that was cut down says nothing of where the lens looked
        priors = priors.of_a_part()
        near = _refine_small(middle, fit.view.scaled(k), edges, priors, thickness_mm=thickness).view
        fit = _settle(at.copies, near.scaled(1 / k), edges, dense, priors, thickness)
    at_last = fit.view.scaled(k)
    apart = np.hypot(*(at_last.project(edges.points_mm) - view.project(edges.points_mm)).T)
    if not np.sqrt((apart**2).mean()) <= _MOST_SETTLED_PX:
        # what was seen where the steps on the photo itself began says nothing of where they ended
        evidence = weigh(middle, at_last, edges, thickness)
    coarse = Looked(rgb=middle, view=at_last, thickness_mm=thickness)
    fine = Looked(
        rgb=rgb, view=fit.view, thickness_mm=thickness, edge_break_mm=fit.edge_break_mm, blur_px=fit.blur_px
    )
    openings = displaced_openings(coarse, fine, dense)
    outline = tuple(d for d in evidence.displaced if not d.is_opening)
    evidence = replace(evidence, displaced=outline + openings)
    elsewhere = {d.name for d in openings}
    moves = opening_moves(coarse, fine, dense)
    found = conclude(
        rgb,
        drawing,
        dense,
        fit,
        evidence,
        rival,
        method=method,
        is_part=is_part,
        bend_mm=bend_mm(moves),
        unmet=tuple(name for name in unmet_parts(coarse, fine, dense) if name not in elsewhere),
        unmodelled_mm2=unmodelled_mm2(moves),
    )
    reason = mismatch(displaced_outline(coarse, fine, dense), second_face(fine, dense))
    if reason:
        raise AlignmentRefused(reason)
    return found


def _rival(
    middle: NDArray[np.uint8],
    view: View,
    others: list[View],
    edges: DrawnEdges,
    evidence: Evidence,
    priors: Priors,
    thickness_mm: float,
) -> RunnerUp:
    """What comes nearest to the pose: on another plate, where that leaves the choice open, else on its own."""
    poses = other_poses(middle, view, edges)
    rival = best_lookalike(middle, poses, evidence.met, priors, thickness_mm=thickness_mm)
    if is_open(evidence, rival):
        told = is_told_apart(middle, view, edges, poses, evidence.met, priors, thickness_mm=thickness_mm)
        rival = replace(rival, is_told_apart=told)
    other = plate_beside(middle, view, others, edges, evidence.met, priors, thickness_mm=thickness_mm)
    return other if is_open(evidence, other) else rival


def _settle(
    copies: SmallerCopies,
    view: View,
    edges: DrawnEdges,
    dense: DrawnEdges,
    priors: Priors,
    thickness_mm: float,
) -> Fit:
    """The view on the photo itself, by way of a smaller picture where the photo is large.

    A photo much finer than its pixels can tell is settled on a copy of the finest scale that they can.
    """
    rgb = copies.rgb
    if max(rgb.shape[:2]) > 2 * _FINE_PX:
        fine, q = copies[_FINE_PX]
        fit = _refine_small(
            fine, view.scaled(q), edges, priors, thickness_mm=thickness_mm, tolerance_px=(2, 2, 1.5)
        )
        view = fit.view.scaled(1 / q)
    enough = FINEST_PX_PER_MM / float(np.median(view.camera().px_per_mm(edges.points_mm)))
    rgb, q = shrink(rgb, round(enough * max(rgb.shape[:2]))) if enough < _MUCH_FINER else (rgb, 1.0)
    fit = refine_view(
        rgb, view.scaled(q), dense, priors, thickness_mm=thickness_mm, tolerance_px=(2, 1.5, 1.5, 1, 1)
    )
    return fit.scaled(1 / q)


def register(
    rgb: NDArray[np.uint8],
    drawing: Drawing,
    *,
    landmarks: tuple[ArrayLike, ArrayLike] | None = None,
    px_hint: float | None = None,
    focal_px: float | None = None,
) -> Alignment:
    """Find the plate in a photo, with no marker and no start.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
        Upright photo.
    drawing : Drawing
        The face that the photo shows; a mirror image is refused.
    landmarks : (points_mm, points_px), optional
        Four or more places picked by the user, each (N, 2): then :func:`register_from_landmarks`.
    px_hint : float, optional
        Photo pixels per mm, when known to within a quarter (from a scale in the picture).
    focal_px : float, optional
        Focal length in photo pixels, when the file says so.

    Raises
    ------
    AlignmentRefused
        No pose is certain enough; the message says what spoke against the best one.
    InputError
        Not an RGB picture, or hints that are not positive.
    """
    rgb = np.asarray(rgb)
    _check_picture(rgb)
    _check_hints(px_hint=px_hint, focal_px=focal_px)
    if landmarks is not None:
        return register_from_landmarks(rgb, drawing, *landmarks, focal_px=focal_px)
    drawing, middle_mm = _to_its_middle(drawing)
    with _workplace(rgb) as at:
        try:
            found = _searched(at, drawing, thorough=False, px_hint=px_hint, focal_px=focal_px)
        except AlignmentRefused as first:
            # the quick search leans on one opening, which may be covered; a refusal is worth a second look
            try:
                found = _searched(at, drawing, thorough=True, px_hint=px_hint, focal_px=focal_px)
            except AlignmentRefused as second:
                _must_not_be_mirrored(at, drawing, px_hint=px_hint, focal_px=focal_px)
                if isinstance(second, _NotFound):
                    # what speaks against a place says more than that there is none
                    raise first from second
                raise
    return found.about(-middle_mm)


def _must_not_be_mirrored(
    at: _Workplace, drawing: Drawing, *, px_hint: float | None, focal_px: float | None
) -> None:
    """Of a photo that the drawing was refused on: say so where its mirror image lies on it with certainty."""
    try:
        mirrored = drawing.mirrored(f"{drawing.name}, mirrored")
        _searched(at, mirrored, thorough=False, px_hint=px_hint, focal_px=focal_px)
    except AlignmentRefused:
        return
    raise AlignmentRefused(
        "the photo shows the mirror image of the drawing: is it the plate's other face (then it needs that face's drawing, "
        "which mirroring this one makes), or a mirrored picture (take it with the camera on the back of the phone)?"
    )


def _searched(
    at: _Workplace, drawing: Drawing, *, thorough: bool, px_hint: float | None, focal_px: float | None
) -> Alignment:
    found = search(at.copies.rgb, drawing, thorough=thorough, px_hint=px_hint, focal_px=focal_px)
    promising = np.nonzero(found.score > max(_PROMISING * found.score[0], 0.0))[0][
        : 2 * _N_REFINED if thorough else _N_REFINED
    ]
    if not len(promising):
        raise _NotFound(
            "the plate was not found: the photo shows no edges where the drawing could lie; is the plate in it, "
            "and in focus?"
        )
    starts = [View.of_pose(found.poses, j).scaled(1 / found.scale) for j in promising]
    beside = () if found.beside is None else (View.of_pose(found.beside, 0).scaled(1 / found.scale),)
    # the pose that is settled on need not be the first one; then that may be the other plate
    others = (starts[0], *beside)
    return _finish(at, drawing, starts, focal_px=focal_px, method="automatic", others=others)


def refine(
    rgb: NDArray[np.uint8], drawing: Drawing, start_camera: Camera, *, focal_px: float | None = None
) -> Alignment:
    """Improve a camera that is right to within a few millimetres (a fiducial sheet, an earlier photo).

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    drawing : Drawing
    start_camera : Camera
    focal_px : float, optional

    Raises
    ------
    AlignmentRefused
        The drawn edges are not met, or the start is not a view from the front.
    InputError
        Not an RGB picture, or a focal length that is not positive.
    """
    rgb = np.asarray(rgb)
    _check_picture(rgb)
    _check_hints(focal_px=focal_px)
    size = rgb.shape[1], rgb.shape[0]
    points = drawn_edges(drawing, _spacing_mm(drawing) * 8).points_mm
    view = view_from_points(points, start_camera.mm_to_px(points), size, focal_px=focal_px)
    return _from_view(rgb, drawing, view, focal_px=focal_px, method="refined")


def register_from_landmarks(
    rgb: NDArray[np.uint8],
    drawing: Drawing,
    points_mm: ArrayLike,
    points_px: ArrayLike,
    *,
    focal_px: float | None = None,
) -> Alignment:
    """Start from places picked by the user, then refine on all drawn edges.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    drawing : Drawing
    points_mm, points_px : (N, 2), N at least 4
        The same places on the drawing and in the photo.
    focal_px : float, optional

    Raises
    ------
    InputError
        Fewer than four pairs, not finite, beside the photo, or three and more on one line; not an RGB picture, or a focal
        length that is not positive.
    AlignmentRefused
        The picks do not fit one view of the plate, or the drawn edges are not met there.
    """
    rgb = np.asarray(rgb)
    _check_picture(rgb)
    _check_hints(focal_px=focal_px)
    size = rgb.shape[1], rgb.shape[0]
    points_mm, points_px = np.asarray(points_mm, float), np.asarray(points_px, float)
    check_picks(points_mm, points_px, size)
    view = view_from_points(points_mm, points_px, size, focal_px=focal_px)
    try:
        return _from_view(rgb, drawing, view, focal_px=focal_px, method=PICKED)
    except _NotFound as error:
        raise AlignmentRefused(
            "the landmarks do not lead to the plate: where they lay the drawing, its edges are not met; check that each "
            "is the right place, in mm on this drawing and in px of this photo at its full size, and pick them far apart"
        ) from error


def _from_view(
    rgb: NDArray[np.uint8], drawing: Drawing, view: View, *, focal_px: float | None, method: str
) -> Alignment:
    drawing, middle_mm = _to_its_middle(drawing)
    with _workplace(rgb) as at:
        found = _finish(at, drawing, [view.about(middle_mm)], focal_px=focal_px, method=method)
    return found.about(-middle_mm)
