"""What is each piece of metal? The public call of the surface stage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass
from ..errors import InputError
from .class_map import PROBABILITY_CLASSES, ClassMap
from .classic import CLASSIC_PX_PER_MM, classic_scores
from .covers import parts_with_an_edge, with_their_middles
from .darkness import too_dark
from .decide import choose_codes, covered_parts, halves, softmax_rows
from .learned import LEARNED_PX_PER_MM, Network, default_network, has_model, learned_map
from .looks import Look
from .second_look import SecondReader, default_reader
from .unseen import unreadable

__all__ = ["METHODS", "classify"]

METHODS = ("auto", "learned", "classic")
_CLASSIC_TEMPERATURE = 5.0
"""CIELAB units per step of log odds; makes the margins of the classical method a rough probability."""
_FAR_FROM_EDGE_MM = 100.0
_LEAST_FOR_UNCUT_MM = 25.0
"""Uncut metal is told by the metal about it. Of plain crops of the development photos of 5 mm nearly all that was sound was
called uncut, of 20 mm up to two thirds, of 40 mm a few hundredths. Mirroring the picture about itself mends that, and loses
pits: on windows of real photos their F1 fell from .90 to .34."""
_LEAST_SIDE_MM = 2.0
"""A narrower picture may lie inside a single pit, which then is the metal that it is compared with; house choice."""


def classify(
    rgb: NDArray[np.uint8],
    *,
    px_per_mm: float,
    stage: Stage | str,
    mask: NDArray[np.bool_] | None = None,
    edge_mm: NDArray[np.floating] | None = None,
    photo_px_per_mm: float | NDArray[np.floating] | None = None,
    in_frame: NDArray[np.bool_] | None = None,
    method: str = "auto",
    keep_probabilities: bool = False,
    network: Network | None = None,
    looks: Sequence[Look] = (),
) -> ClassMap:
    """Class of every pixel of a straightened photo, or of a plain picture of metal.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
        Picture in the plate frame, or any picture of metal seen squarely.
    px_per_mm : float
        Scale of `rgb`. All lengths inside are in mm.
    stage : Stage or str
        At ``intake`` nothing is cut yet and UNCUT does not exist.
    mask : (rows, columns) bool, optional
        Metal by the drawing. Without it everything is metal, and nothing is looked for that covers it.
    edge_mm : (rows, columns) float, optional
        Distance to the nearest drawn edge, mm; from `mask` when left out.
    photo_px_per_mm : float or (rows, columns) float, optional
        Scale of the photo that `rgb` was straightened from: how much detail there can be.
        `px_per_mm` when left out.
    in_frame : (rows, columns) bool, optional
        False where the photo ended, or where none of several shows the metal: UNSEEN.
    method : str
        ``auto`` is the learned one where its file is there, else the classical one.
    keep_probabilities : bool
        Keep the probability of every class (seven float16 rasters).
    network : Network, optional
        Another network than the shipped one, as benchmarks use for scores on faces not trained on.
    looks : sequence of Look, optional
        The pictures that `rgb` was merged from. The learned method reads each by itself, and what they say
        together counts; so do the edges of what covers the metal.

    Returns
    -------
    ClassMap
        With ``grid=None``; :meth:`ClassMap.placed` ties it to the plate.

    Raises
    ------
    InputError
        Not an RGB uint8 picture, one of under 2 mm either way, rasters of different shapes, a scale that is not
        positive, an edge distance that is not finite, an unknown method, ``learned`` without its file.
    MeasurementError
        Looks of a lapped face that do not show the same metal at the same stage; the learned method alone can tell.

    Notes
    -----
    Codes are of the metal itself: oil, finger marks, ink, fine scratches, dust, swarf and shadows are looked
    through. On a plate with a drawing, metal that would be sound but lies in a field far darker than the metal about it
    is UNSEEN (:func:`~pitmap.surface.darkness.too_dark`). On a plain picture under 25 mm wide or high, what looks uncut to
    the learned method is UNSEEN: it may as well be sound. What covers the metal, blown glare, and what lies out of frame is
    UNSEEN. SCORE is given by the learned method on a plate with a drawing only: nobody taught it scores on plain pictures,
    and the classical method cannot tell one from ink. Shallow scores are not found; that none is said does not mean there
    is none.

    Examples
    --------
    >>> import numpy as np
    >>> from pitmap.surface import classify
    >>> metal = np.full((60, 90, 3), 150, np.uint8)
    >>> classify(metal, px_per_mm=5, stage="test_lap", method="classic").codes.max()
    np.uint8(1)
    """
    rgb, stage = _checked_picture(rgb, px_per_mm), stage if isinstance(stage, Stage) else Stage(stage)
    shape = rgb.shape[:2]
    if method not in METHODS:
        raise InputError(f"classify: method is one of {', '.join(METHODS)}, got {method!r}")
    for name, raster in (("mask", mask), ("edge_mm", edge_mm), ("in_frame", in_frame)):
        if raster is not None and np.shape(raster) != shape:
            raise InputError(f"classify: {name} has shape {np.shape(raster)}, the picture {shape}")
    one = Look(
        rgb=rgb,
        in_frame=np.ones(shape, bool) if in_frame is None else np.asarray(in_frame, bool),
        photo_px_per_mm=_checked_scale(px_per_mm if photo_px_per_mm is None else photo_px_per_mm, shape),
    )
    looks = tuple(_checked_look(look, px_per_mm, shape) for look in looks) or (one,)
    is_there = network is not None or has_model()
    if method == "learned" and not is_there:
        raise InputError("classify: the learned classifier's file is missing; use method='classic'")
    use_learned = method != "classic" and is_there

    metal = np.ones(shape, bool) if mask is None else np.asarray(mask, bool)
    readable = metal if in_frame is None else metal & one.in_frame
    # each keeps one core busy
    with ThreadPoolExecutor(max_workers=1) as worker:
        seeking = worker.submit(_not_shown, looks, px_per_mm)
        edge = _distance_to_edge(edge_mm, metal, px_per_mm, has_drawing=mask is not None)
        lost_by_each = seeking.result()
    lost = np.logical_and.reduce(lost_by_each)
    if in_frame is not None:
        # a spark that is burnt out in all of several pictures is too small to be lost in each of them by itself
        lost |= ~one.in_frame

    work = LEARNED_PX_PER_MM if use_learned else min(CLASSIC_PX_PER_MM, px_per_mm)
    small = None
    # a raster that is too coarse to be read is all lost, and would grow beyond all memory at the working scale
    if not (readable & ~lost).any():
        codes, confidence = np.full(shape, SurfaceClass.SOUND, np.uint8), np.zeros(shape, np.float32)
        probabilities = None
    else:
        small = _Resampled(rgb, readable, edge, px_per_mm, work)
        may_look_twice = network is None and mask is not None and stage.is_lapped
        codes, confidence, covered, probabilities = _read(
            small,
            [small.look(look, px_per_mm if px_per_mm < work else math.inf) for look in looks],
            [small.flags(~lost_here) for lost_here in lost_by_each],
            work,
            stage,
            network=(network or default_network()) if use_learned else None,
            reader=default_reader() if use_learned and may_look_twice else None,
            has_drawing=mask is not None,
            keep_probabilities=keep_probabilities,
        )
        codes, confidence = (
            small.back(codes, cv2.INTER_NEAREST_EXACT),
            small.back(confidence, cv2.INTER_LINEAR),
        )
        lost |= small.back(covered.astype(np.uint8), cv2.INTER_NEAREST_EXACT).astype(bool)
    if use_learned and mask is None and min(shape) < _LEAST_FOR_UNCUT_MM * px_per_mm:
        lost |= codes == SurfaceClass.UNCUT
    dark = np.zeros(shape, bool)
    if mask is not None:
        dark = _dark(looks, lost_by_each, metal, px_per_mm, stage)
        dark &= (codes == SurfaceClass.SOUND) & metal & ~lost
        lost |= dark
    unread = lost | ~metal
    kept = None
    if keep_probabilities:
        kept = _kept(probabilities, small, unread, metal & lost)
    np.copyto(codes, np.uint8(SurfaceClass.UNSEEN), where=lost)
    np.copyto(codes, np.uint8(SurfaceClass.OUTSIDE), where=~metal)
    np.copyto(confidence, 0, where=unread)
    return ClassMap(
        codes=codes,
        confidence=confidence,
        stage=stage,
        px_per_mm=float(px_per_mm),
        probabilities=kept,
        method="learned" if use_learned else "classic",
        dark_mm2=float(np.count_nonzero(dark)) / px_per_mm**2,
    )


def _checked_picture(rgb: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.uint8]:
    rgb = np.asarray(rgb)
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8 or not rgb.size:
        raise InputError(
            f"classify: expected an RGB picture (rows, columns, 3) of uint8, got {rgb.shape} {rgb.dtype}"
        )
    if not (isinstance(px_per_mm, (int, float, np.number)) and math.isfinite(px_per_mm) and px_per_mm > 0):
        raise InputError(f"classify: px_per_mm must be a number above 0, got {px_per_mm!r}")
    if min(rgb.shape[:2]) < _LEAST_SIDE_MM * px_per_mm:
        high, wide = (n / px_per_mm for n in rgb.shape[:2])
        raise InputError(
            f"classify: at px_per_mm={px_per_mm:g} the picture shows {wide:.3g} x {high:.3g} mm: too little to tell sound "
            f"metal from damage; give one of at least {_LEAST_SIDE_MM:g} mm each way, or the right px_per_mm"
        )
    return np.ascontiguousarray(rgb)


def _checked_scale(scale: float | NDArray[np.floating], shape: tuple[int, ...]) -> NDArray[np.floating]:
    scale = np.asarray(scale)
    if scale.shape not in ((), shape):
        raise InputError(f"classify: photo_px_per_mm has shape {scale.shape}, expected one number or {shape}")
    if not (scale.min() > 0 and np.isfinite(scale.max())):
        raise InputError("classify: photo_px_per_mm must be above 0 and finite everywhere")
    return scale


def _checked_look(look: Look, px_per_mm: float, shape: tuple[int, ...]) -> Look:
    rgb, in_frame = _checked_picture(look.rgb, px_per_mm), np.asarray(look.in_frame, bool)
    if rgb.shape[:2] != shape or in_frame.shape != shape:
        raise InputError(
            f"classify: a look has a picture of {rgb.shape[:2]} and a frame of {in_frame.shape}, the picture {shape}"
        )
    return replace(
        look, rgb=rgb, in_frame=in_frame, photo_px_per_mm=_checked_scale(look.photo_px_per_mm, shape)
    )


def _not_shown(looks: Sequence[Look], px_per_mm: float) -> list[NDArray[np.bool_]]:
    # a coarse raster holds no more detail than it has itself
    return [
        unreadable(
            look.rgb,
            px_per_mm,
            in_frame=look.in_frame,
            photo_px_per_mm=np.minimum(look.photo_px_per_mm, px_per_mm),
        )
        for look in looks
    ]


def _median_scale(scale: float | NDArray[np.floating]) -> float:
    scale = np.asarray(scale)
    return float(np.median(scale[::16, ::16].astype(float))) if scale.ndim else float(scale)


def _distance_to_edge(
    edge_mm: NDArray[np.floating] | None, metal: NDArray[np.bool_], px_per_mm: float, *, has_drawing: bool
) -> NDArray[np.float32]:
    """Distance to the nearest drawn edge as it was given, or else from the metal; far everywhere without one."""
    if edge_mm is not None:
        edge = np.asarray(edge_mm, np.float32)
        if not np.isfinite(edge).all():
            raise InputError("classify: edge_mm must be finite everywhere")
        return edge
    if not has_drawing or metal.all():
        return np.full(metal.shape, _FAR_FROM_EDGE_MM, np.float32)
    return cv2.distanceTransform(metal.astype(np.uint8), cv2.DIST_L2, 5) / np.float32(px_per_mm)


def _dark(
    looks: Sequence[Look],
    lost_by_each: Sequence[NDArray[np.bool_]],
    metal: NDArray[np.bool_],
    px_per_mm: float,
    stage: Stage,
) -> NDArray[np.bool_]:
    """Metal that every look that shows it has in a field too dark to be read."""
    shown = [metal & look.in_frame & ~lost for look, lost in zip(looks, lost_by_each, strict=True)]
    return too_dark([look.rgb for look in looks], shown, px_per_mm, is_lapped=stage.is_lapped)


def _kept(
    probabilities: NDArray[np.floating] | None,
    small: _Resampled | None,
    unread: NDArray[np.bool_],
    unseen: NDArray[np.bool_],
) -> NDArray[np.float16]:
    if probabilities is None or small is None:
        out = np.zeros((len(PROBABILITY_CLASSES), *unread.shape), np.float16)
    elif small.is_same and probabilities.dtype == np.float16:
        out = probabilities
    else:
        out = np.stack([halves(small.back(p.astype(np.float32), cv2.INTER_LINEAR)) for p in probabilities])
    for layer in out:
        np.copyto(layer, 0, where=unread)
    np.copyto(out[PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)], 1, where=unseen)
    return out


class _Resampled:
    """The picture and its rasters at the scale a method works at, and the way back."""

    def __init__(
        self,
        rgb: NDArray[np.uint8],
        metal: NDArray[np.bool_],
        edge: NDArray[np.float32],
        px_per_mm: float,
        work_px_per_mm: float,
    ) -> None:
        self.size = rgb.shape[1], rgb.shape[0]
        k = work_px_per_mm / px_per_mm
        self.is_same = abs(k - 1) < 0.01
        self._work_size = max(1, round(self.size[0] * k)), max(1, round(self.size[1] * k))
        self._for_pictures = cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC
        self.rgb, self.metal = self._to_work(rgb, self._for_pictures), self.flags(metal)
        self.edge = self._to_work(edge, cv2.INTER_LINEAR)

    def _to_work(self, raster: NDArray, interpolation: int) -> NDArray:
        return raster if self.is_same else cv2.resize(raster, self._work_size, interpolation=interpolation)

    def flags(self, raster: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """A mask of the picture at the working scale."""
        return self._to_work(raster.view(np.uint8), cv2.INTER_NEAREST_EXACT).view(bool)

    def look(self, look: Look, most_px_per_mm: float) -> Look:
        """A look at the working scale, with one scale of its photo: a coarse raster holds no more detail than it has."""
        return replace(
            look,
            rgb=self._to_work(look.rgb, self._for_pictures),
            in_frame=self.flags(look.in_frame),
            photo_px_per_mm=min(_median_scale(look.photo_px_per_mm), most_px_per_mm),
        )

    def back(self, raster: NDArray, interpolation: int) -> NDArray:
        """A raster at the working scale, on the pixels of the picture."""
        return raster if self.is_same else cv2.resize(raster, self.size, interpolation=interpolation)


def _read(
    small: _Resampled,
    looks: Sequence[Look],
    shown: Sequence[NDArray[np.bool_]],
    px_per_mm: float,
    stage: Stage,
    *,
    network: Network | None,
    reader: SecondReader | None,
    has_drawing: bool,
    keep_probabilities: bool,
) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.bool_], NDArray[np.floating] | None]:
    """Codes, confidence, what is covered and probabilities, all at the working scale `px_per_mm`.

    By the classical method where there is no network. `looks` and where each shows the metal are at that scale too.
    """
    if network is None:
        codes, confidence, covered, probabilities = _classic(small, px_per_mm, stage)
    else:
        codes, confidence, covered, probabilities = learned_map(  # type: ignore[assignment]
            network,
            looks,
            shown,
            small.metal,
            small.edge,
            stage,
            reader=reader,
            may_be_covered=has_drawing,
            keep_probabilities=keep_probabilities,
            is_resampled=not small.is_same,
        )
    said = covered & small.metal
    covered = covered_parts(said, px_per_mm)
    if probabilities is not None:
        unseen = probabilities[PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)]
        as_metal = (said | (unseen >= 0.5)) & ~covered
        if small.is_same:
            # off the metal nothing is kept; only resampling would mix it in
            as_metal &= small.metal
        _as_metal(probabilities, as_metal)
    if network is not None and covered.any():
        pictures = [look.rgb for look in looks]
        metals = [small.metal & look.in_frame for look in looks]
        things = parts_with_an_edge(covered, pictures, metals, px_per_mm)
        _read_again(small, px_per_mm, stage, covered & ~things, (codes, confidence, probabilities))
        covered = with_their_middles(things, pictures, metals, px_per_mm)
    return codes, confidence, covered, probabilities


def _classic(
    small: _Resampled, px_per_mm: float, stage: Stage
) -> tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32]]:
    scores = classic_scores(small.rgb, small.metal, px_per_mm, stage, small.edge)
    probabilities = softmax_rows(scores / _CLASSIC_TEMPERATURE)
    codes, confidence, best = choose_codes(probabilities, np.ones(len(PROBABILITY_CLASSES), np.float32))
    unseen = probabilities[PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)]
    return codes, confidence, unseen > best, probabilities


def _as_metal(probabilities: NDArray[np.floating], where: NDArray[np.bool_]) -> None:
    """Where metal is read although UNSEEN is likelier, the classes share its probability, in place.

    Specks are too small for a thing, and by the weights of the decision a pit may win over a likelier UNSEEN.
    """
    at = np.flatnonzero(where)
    flat = probabilities.reshape(len(probabilities), -1)
    speck = np.take(flat, at, axis=1).astype(np.float32)
    speck[PROBABILITY_CLASSES.index(SurfaceClass.UNSEEN)] = 0
    flat[:, at] = speck / np.maximum(speck.sum(0), 1e-6)


def _read_again(
    small: _Resampled,
    px_per_mm: float,
    stage: Stage,
    where: NDArray[np.bool_],
    rasters: tuple[NDArray[np.uint8], NDArray[np.float32], NDArray[np.floating] | None],
) -> None:
    """Put the classical method's reading into codes, confidence and probabilities, in place.

    Metal that the network took for a thing is metal unlike any that it learned from: its word on pits there is
    worth nothing either.
    """
    if not where.any():
        return
    work = min(CLASSIC_PX_PER_MM, px_per_mm)
    coarse = _Resampled(small.rgb, small.metal, small.edge, px_per_mm, work)
    codes, confidence, _, probabilities = _classic(coarse, work, stage)
    rasters[0][where] = coarse.back(codes, cv2.INTER_NEAREST_EXACT)[where]
    rasters[1][where] = coarse.back(confidence, cv2.INTER_LINEAR)[where]
    if rasters[2] is not None:
        for ours, theirs in zip(rasters[2], probabilities, strict=True):
            ours[where] = halves(coarse.back(theirs, cv2.INTER_LINEAR))[where]
