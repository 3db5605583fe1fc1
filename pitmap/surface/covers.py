"""A thing lying on the plate has an edge: covered parts without one, and of the grain of the metal, are metal; metal
inside without one is covered."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .morphology import disc, odd_px

__all__ = ["parts_with_an_edge", "with_their_middles"]

_BESIDE_MM = (0.4, 1.6)
"""Strips on both sides of a border are compared; nearer to it the photo blurs one into the other."""
_ALONG_MM = 2.0
_LEAST_STEP = 0.10
"""Step in log tone that the most different quarter of a border must show.

On 13 covered parts of renders and of photos from outside, things that did lie on the plate showed 0.24 and more,
metal taken for one by mistake 0.07 and less; even, grey metal with nothing on it shows 0.003.
"""
_GRAIN_MM = (0.3, 1.5)
"""Detail from one photo pixel up to the marks of a machined face; folds and light are broader."""
_MOST_GRAIN = 2.0
"""A part that is more than so many times as grainy as the metal, or the metal as it, is no metal; house choice.

Cloth and a glove of the metal's own tone, painted on a development photo, had a fourth and less of its grain; even metal
has its own.
"""
_LEAST_GRAIN = 0.003
"""Of log tone: half a level of an 8-bit picture, less is rounding."""
_NECK_MM = 2.0
"""Metal inside a thing that hangs on the open face by less than this is judged for itself; house choice."""
_MOST_EVEN = 0.5
"""A part of which more than this has the tone of the open metal round it is judged by that alone; house choice."""
_MOST_MIDDLE = 0.5
"""A middle is at most this part of the things' area, so that the open face is never taken for one; house choice."""
_DARK = 8.0
"""Added to 8-bit tones before the logarithm, so that the noise of black does not count as a step."""

_View = tuple[NDArray[np.float32], NDArray[np.bool_]]
"""One picture's log tone (rows, columns, 3), and where it has metal in its frame."""


def parts_with_an_edge(
    parts: NDArray[np.bool_],
    pictures: Sequence[NDArray[np.uint8]],
    metals: Sequence[NDArray[np.bool_]],
    px_per_mm: float,
) -> NDArray[np.bool_]:
    """Leave out the covered parts across whose border the tone and the grain of the metal run on unbroken.

    A smooth, even face can look like a sheet of something to the network. A real thing has an outline: over a
    quarter of its border at least the tone changes. Cloth and gloves of the metal's own tone have no such outline, but
    not the metal's grain either. A part whose border cannot be judged, for it lies along drawn edges only, stays covered.
    Where most of a part has the tone of the open metal round it, that much is judged alone: a pit inside is no edge of
    a thing.

    That the grain must be the face's too is refusal, not proof: metal polished in one place that the network takes for a
    thing stays covered.

    Of several pictures, each is looked at by itself: what all of them cover ends where the thing of any one ends, and
    merged into one picture those edges may be gone.

    Parameters
    ----------
    parts : (rows, columns) bool
        What is said to be covered, by all the pictures together.
    pictures : sequence of (rows, columns, 3) uint8
    metals : sequence of (rows, columns) bool
        Metal by the drawing, in the frame of each picture.
    px_per_mm : float

    Returns
    -------
    (rows, columns) bool
    """
    kept, metal = np.zeros_like(parts), np.logical_or.reduce(metals)
    if not parts.any():
        return kept
    everywhere = _views(pictures, metals, np.s_[:, :])
    of_the_face = [_grain(tone, seen & ~parts, px_per_mm) for tone, seen in everywhere]
    for window, own in _each_part(parts, px_per_mm):
        views = _views(pictures, metals, window)
        beside = _strip(~parts[window], px_per_mm) & metal[window]
        if _is_the_same_metal(own, beside, views, of_the_face, px_per_mm):
            continue
        even = _of_the_tone_around(own, beside, views, px_per_mm)
        is_mostly_even = np.count_nonzero(even) > _MOST_EVEN * np.count_nonzero(own)
        if not (is_mostly_even and _is_the_same_metal(even, beside, views, of_the_face, px_per_mm)):
            kept[window] |= own
    return kept


def with_their_middles(
    things: NDArray[np.bool_],
    pictures: Sequence[NDArray[np.uint8]],
    metals: Sequence[NDArray[np.bool_]],
    px_per_mm: float,
) -> NDArray[np.bool_]:
    """Add the metal inside things into which the tone of the thing runs on unbroken.

    The middle of a large, even thing looks like metal to a network that sees a few centimetres at a time. Metal
    that shows through a gap has the thing's outline round it; where three quarters of the border show no step, it
    is more of the thing.

    Parameters
    ----------
    things, pictures, metals, px_per_mm
        As for :func:`parts_with_an_edge`; `things` as it gave them.

    Returns
    -------
    (rows, columns) bool
    """
    neck, metal = disc(_NECK_MM, px_per_mm), np.logical_or.reduce(metals)
    free = cv2.morphologyEx((metal & ~things).astype(np.uint8), cv2.MORPH_OPEN, neck)
    out, most = things.copy(), _MOST_MIDDLE * np.count_nonzero(things)
    for window, own in _each_part(free, px_per_mm, most=most):
        if not things[window].any():
            continue
        beside = _strip(things[window], px_per_mm) & metal[window]
        if _runs_on(own, beside, _views(pictures, metals, window), px_per_mm):
            grown = cv2.dilate(own.astype(np.uint8), neck) > 0
            out[window] |= grown & metal[window]
    return out


def _each_part(
    mask: NDArray[Any], px_per_mm: float, *, most: float = math.inf
) -> Iterator[tuple[tuple[slice, slice], NDArray[np.bool_]]]:
    """Every connected part of at most so many pixels: a window with room for the strips around it, and the part in it."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    pad = int(np.ceil((_BESIDE_MM[1] + _ALONG_MM) * px_per_mm)) + 1
    for k in 1 + np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] <= most):
        x, y, w, h = stats[k, :4]
        window = (slice(max(0, y - pad), y + h + pad), slice(max(0, x - pad), x + w + pad))
        yield window, labels[window] == k


def _views(
    pictures: Sequence[NDArray[np.uint8]], metals: Sequence[NDArray[np.bool_]], window: tuple[slice, slice]
) -> list[_View]:
    return [
        (np.log(rgb[window].astype(np.float32) + _DARK), metal[window])
        for rgb, metal in zip(pictures, metals, strict=True)
    ]


def _of_the_tone_around(
    own: NDArray[np.bool_],
    beside: NDArray[np.bool_],
    views: Sequence[_View],
    px_per_mm: float,
) -> NDArray[np.bool_]:
    """What of `own` is in no view further than a step from the middle tone of the strip beside it; slivers left out."""
    side = odd_px(_BESIDE_MM[1], px_per_mm)
    differs, can_tell = np.zeros(own.shape, np.float32), np.zeros_like(own)
    for tone, metal in views:
        around = beside & metal
        if around.any():
            apart = np.abs(cv2.blur(tone, (side, side)) - np.median(tone[around], 0)).max(2)
            np.maximum(differs, apart, out=differs, where=metal)
            can_tell |= metal
    own = own & can_tell
    even = (own & (differs < _LEAST_STEP)).astype(np.uint8)
    return cv2.morphologyEx(even, cv2.MORPH_OPEN, disc(_NECK_MM, px_per_mm)).astype(bool)


def _is_the_same_metal(
    own: NDArray[np.bool_],
    beside: NDArray[np.bool_],
    views: Sequence[_View],
    of_the_face: Sequence[float],
    px_per_mm: float,
) -> bool:
    """True where the tone of `own` runs on into the strip `beside` it, and in every view it is about as grainy as that
    and as the open face: the strip may be more of a thing that was said to be covered in part."""
    if not _runs_on(own, beside, views, px_per_mm):
        return False
    # a pit, or the marks along the rim of a steel rule, only add detail: the calmer of the two is the grain
    insides = _strip(own, px_per_mm), _away_from_border(own, px_per_mm) > _BESIDE_MM[0]
    for (tone, metal), face in zip(views, of_the_face, strict=True):
        mine = min(_grain(tone, inside & metal, px_per_mm) for inside in insides)
        for other in (_grain(tone, beside & metal, px_per_mm), face):
            if max(mine, other) > _MOST_GRAIN * min(mine, other):
                return False
    return True


def _grain(tone: NDArray[np.float32], where: NDArray[np.bool_], px_per_mm: float) -> float:
    """Middle size of the detail, log of tone: by the median, so that pits and stains do not count. NaN of nothing."""
    if not where.any():
        return math.nan
    fine, broad = (cv2.blur(tone.mean(2), (odd_px(mm, px_per_mm),) * 2) for mm in _GRAIN_MM)
    return max(float(np.median(np.abs(fine - broad)[where])), _LEAST_GRAIN)


def _runs_on(
    own: NDArray[np.bool_],
    beside: NDArray[np.bool_],
    views: Sequence[_View],
    px_per_mm: float,
) -> bool:
    """True where the tone runs on over three quarters of the border of `own`; False where nobody can tell.

    Compared is the largest step of the three colours in any view, at every border pixel that has metal within `own`
    and in the strip `beside` it. Where a view ends at the border, its frame may be all that makes the border: that the
    tone runs on in the others tells nothing there.
    """
    side, own_strip = odd_px(_ALONG_MM, px_per_mm), _strip(own, px_per_mm)
    largest, ends = np.full(own.shape, np.nan, np.float32), np.zeros_like(own)
    for tone, metal in views:
        inner, outer = (_mean_tone(tone, ring & metal, side) for ring in (own_strip, beside))
        largest = np.fmax(largest, np.abs(inner - outer).max(2))
        ends |= np.isnan(inner[..., 0]) & ~np.isnan(outer[..., 0])
    border = cv2.morphologyEx(own.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    at = border & np.logical_or.reduce([metal for _, metal in views])
    step = largest[at & ~(ends & (largest < _LEAST_STEP))]
    step = step[~np.isnan(step)]
    return bool(len(step)) and bool(np.percentile(step, 75) < _LEAST_STEP)


def _strip(inside: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    """What lies inside, _BESIDE_MM from its border."""
    deep = _away_from_border(inside, px_per_mm)
    return (deep > _BESIDE_MM[0]) & (deep < _BESIDE_MM[1])


def _away_from_border(inside: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.float32]:
    return cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5) / np.float32(px_per_mm)


def _mean_tone(tone: NDArray[np.float32], where: NDArray[np.bool_], side: int) -> NDArray[np.float32]:
    """Mean over the part of a square window that lies `where`; NaN where that is less than a tenth."""
    weight = where.astype(np.float32)
    share = cv2.boxFilter(weight, -1, (side, side))
    mean = cv2.boxFilter(tone * weight[..., None], -1, (side, side))
    return np.where(share > 0.1, 1 / np.maximum(share, 1e-6), np.float32(np.nan))[..., None] * mean
