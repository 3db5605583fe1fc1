"""Where the metal is in a photo, roughly: outline and openings as pixel contours."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError, MeasurementError

__all__ = ["Paper", "again", "check_around", "find_silhouette", "solid"]

_WORK_PX = 900
"""Longer side of the picture that is segmented; edges are sharpened on the full one afterwards."""
_ROUNDS, _ROUNDS_AGAIN = 5, 2
_DARK = 0.55
_SURE_BENCH, _SURE_BENCH_FOUND = 1.45, 1.12
"""Beyond the hull of the clicks, grown by this about its middle, there is bench and no plate (house choice)."""
_GROWN_TIMES, _GROWN_BY = 4, 1.25
_CUT_SHORT = 0.01
"""Share of the plate's edge that lies on that line when the line, and not the bench, ends the plate; it is then
drawn wider (house choice)."""
_NECK, _NECK_FILLED = (0.04, 0.08), (0.0, 0.14)
_NECK_WIDE, _CLICK_WIDE = 0.02, 0.008
"""Where a hole was clicked, metal goes on from beside it towards the middle of the clicks, this far and this wide (with
openings filled: from the click on, and farther), and the click's own spot is no metal; shares of the clicks' spread
(house choice)."""
_MOST_LEFT_OUT = 0.5
"""A photo may lose ears to the bench, with this share of the clicks; other photos bring them back (house choice)."""
_NOT_AROUND = "no plate was found around all clicks; click holes spread over the plate, and use a bench of another colour"
_BORDER = 0.02
"""Strip along the picture's border that shows bench, share of the longer side."""
_LEAST_SHARE, _LEAST_FULL = 0.04, 0.5
"""A plate found without clicks fills this share of the picture at least, and this share of its own hull."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Paper:
    """A sheet of paper in the picture: four corners, px, and whether it lies on the plate."""

    corners_px: NDArray[np.float32]
    is_metal: bool


def _without_paper(bgr: NDArray[np.uint8], paper: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The paper painted over with what lies around it."""
    inside = np.zeros(bgr.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.int32(np.round(paper))], 1)
    inside = cv2.dilate(inside, np.ones((5, 5), np.uint8))
    near = cv2.dilate(inside, np.ones((25, 25), np.uint8)) - inside
    out = bgr.copy()
    around = bgr[near > 0]
    if len(around):
        # An opening or a shadow that the paper touches must not become the colour of what it lies on.
        grey = around.astype(int).sum(1)
        low, high = np.quantile(grey, [0.3, 0.8])
        around = around[(grey >= low) & (grey <= high)]
        rng = np.random.default_rng(0)
        out[inside > 0] = around[rng.integers(0, len(around), int(inside.sum()))]
    return out


def _tones(lab: NDArray[np.uint8], where: NDArray[np.bool_]) -> NDArray[np.float32]:
    """How often each of 16 x 16 x 16 colours comes, smoothed."""
    counts = cv2.calcHist([lab], [0, 1, 2], where.astype(np.uint8), [16] * 3, [0, 256] * 3)
    return cv2.GaussianBlur(counts, (3, 3), 0)


def _edge(plate: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The outermost pixels of the plate."""
    return cv2.morphologyEx(plate, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) & plate


def _guess_hull(bgr: NDArray[np.uint8], paper: NDArray[np.float64], is_metal: bool) -> NDArray[np.float32]:
    """Hull of the plate where nobody clicked: the large thing that is not of the border's colours."""
    rows, columns = bgr.shape[:2]
    strip = max(3, round(_BORDER * max(rows, columns)))
    border = np.ones((rows, columns), np.uint8)
    border[strip:-strip, strip:-strip] = 0
    on_paper = np.zeros_like(border)
    cv2.fillPoly(on_paper, [np.int32(np.round(paper))], 1)
    labels = np.where(border > 0, np.uint8(cv2.GC_BGD), np.uint8(cv2.GC_PR_FGD))
    lab = cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)
    ring = cv2.dilate(on_paper, np.ones((31, 31), np.uint8)) - on_paper
    bench = (border > 0) | ((ring > 0) & (not is_metal))
    hist = _tones(lab, bench)
    cell = lab // 16
    likely = cv2.GaussianBlur(
        (hist / max(float(hist.max()), 1e-9))[cell[..., 0], cell[..., 1], cell[..., 2]], (0, 0), 3
    )
    labels[(likely > 0.15) & (labels == cv2.GC_PR_FGD)] = cv2.GC_PR_BGD
    labels[on_paper > 0] = cv2.GC_FGD if is_metal else cv2.GC_BGD
    if not np.isin(labels, (cv2.GC_FGD, cv2.GC_PR_FGD)).any():
        raise MeasurementError("the plate was not found beside the sheet; click four or more holes on it")
    plate = _largest(cv2.morphologyEx(_cut(bgr, labels), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)))
    outline, _ = cv2.findContours(plate, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(outline, key=cv2.contourArea))[:, 0].astype(np.float32)
    area, filled = cv2.contourArea(hull), max(cv2.contourArea(c) for c in outline)
    if area < _LEAST_SHARE * rows * columns or filled < _LEAST_FULL * area:
        raise MeasurementError("the plate was not found beside the sheet; click four or more holes on it")
    return hull


def _cut(bgr: NDArray[np.uint8], labels: NDArray[np.uint8], rounds: int = _ROUNDS) -> NDArray[np.uint8]:
    """1 on metal, by graph cut from first labels."""
    cv2.setRNGSeed(0)
    metal, bench = np.zeros((1, 65)), np.zeros((1, 65))
    labels = labels.copy()
    cv2.grabCut(bgr, labels, None, bench, metal, rounds, cv2.GC_INIT_WITH_MASK)
    return np.isin(labels, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)


def _necks(shape: tuple[int, ...], marks: NDArray[np.float32], from_: float, to: float) -> NDArray[np.bool_]:
    """Strips from near the marks towards their middle, `from_` and `to` as shares of the marks' spread.

    An ear stands on its neck: where a hole in it was clicked, both are plate, be they as dark as the bench.
    """
    out = np.zeros(shape[:2], np.uint8)
    middle = marks.mean(0)
    size = float(np.ptp(marks, axis=0).max())
    for mark in marks:
        inwards = (middle - mark) / max(float(np.hypot(*(middle - mark))), 1e-6)
        a, b = (np.round(mark + share * size * inwards).astype(int).tolist() for share in (from_, to))
        cv2.line(out, a, b, 1, max(3, round(_NECK_WIDE * size)))
    return out > 0


def _largest(plate: NDArray[np.uint8]) -> NDArray[np.uint8]:
    n, parts, stats, _ = cv2.connectedComponentsWithStats(plate, connectivity=4)
    if n < 2:
        raise MeasurementError("no metal stands out from the bench; use a bench of another colour")
    return (parts == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))).astype(np.uint8)


def _is_cut_short(
    plate: NDArray[np.uint8], labels: NDArray[np.uint8], sheet: NDArray[np.float64] | None
) -> bool:
    """The plate's edge runs along the line beyond which there was to be bench: it may well go on behind it."""
    beyond = (labels == cv2.GC_BGD).astype(np.uint8)
    if sheet is not None:
        cv2.fillPoly(beyond, [np.int32(np.round(sheet))], 0)
    edge = _edge(plate)
    on_line = edge & cv2.dilate(beyond, np.ones((5, 5), np.uint8))
    return int(on_line.sum()) > _CUT_SHORT * max(int(edge.sum()), 1)


def _runs_off(plate: NDArray[np.uint8]) -> bool:
    """The plate's edge runs along the border of the picture."""
    on_border = int(plate[[0, -1]].sum()) + int(plate[:, [0, -1]].sum())
    return on_border > _CUT_SHORT * max(int(_edge(plate).sum()), 1)


def _maybe_open(bgr: NDArray[np.uint8], inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels of the plate that are much darker than the metal around them, or of the bench's colour."""
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    level = cv2.medianBlur(np.where(inside, grey, np.uint8(np.median(grey[inside]))), 61)
    is_dark = grey < _DARK * level.astype(float)
    lab = cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)
    tone = [_tones(lab, mask) for mask in (inside & ~is_dark, ~inside)]
    metal, bench = (h / max(float(h.sum()), 1.0) + 1e-6 for h in tone)
    cell = lab // 16
    ratio = (bench / metal)[cell[..., 0], cell[..., 1], cell[..., 2]]
    # The bench's colour must be much the likelier: rust and heat tint are brown like wood.
    is_bench = cv2.medianBlur((ratio > 8).astype(np.uint8), 5) > 0
    return inside & (is_dark | is_bench)


def find_silhouette(
    rgb: NDArray[np.uint8], landmarks_px: ArrayLike | None, paper: Paper | None = None
) -> list[NDArray[np.float64]]:
    """Contours of the plate in photo pixels.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    landmarks_px : (N, 2) array, optional
        At least three points on the plate, well apart (hole centres); they say where the plate is. None with a
        sheet of paper in the picture: then the plate is looked for.
    paper : Paper, optional
        The printed target; it is neither metal nor bench, and is taken for what lies around it.

    Returns
    -------
    list of (K, 2) arrays
        The outline first, then every opening.

    Raises
    ------
    MeasurementError
        No plate stands out from the bench.

    Notes
    -----
    Colour models of metal and bench and a graph cut between them (C. Rother, V. Kolmogorov and A. Blake,
    GrabCut, ACM Transactions on Graphics 23 (2004) 309-314), from OpenCV.
    """
    if landmarks_px is None and paper is None:
        raise InputError("find_silhouette: landmarks are needed where no sheet lies in the picture")
    if landmarks_px is None and paper is not None:
        small, scale = _small(rgb)
        sheet = (np.asarray(paper.corners_px, float) + 0.5) * scale - 0.5
        hull = _guess_hull(_without_paper(small, sheet), sheet, paper.is_metal)
        hull = (hull + 0.5) / scale - 0.5
        # The plate may fill a small part of the picture; small holes need the pixels of the large one.
        room = 0.08 * float(np.ptp(hull, axis=0).max())
        low = np.maximum(np.floor(hull.min(0) - room), 0).astype(int)
        high = np.minimum(np.ceil(hull.max(0) + room), [rgb.shape[1], rgb.shape[0]]).astype(int)
        part = rgb[low[1] : high[1], low[0] : high[0]]
        moved = Paper(corners_px=(paper.corners_px - low).astype(np.float32), is_metal=paper.is_metal)
        return [c + low for c in _segment(part, hull - low, moved, _SURE_BENCH_FOUND)]
    marks = np.asarray(landmarks_px, np.float32)
    contours = _segment(rgb, cv2.convexHull(marks)[:, 0], paper, _SURE_BENCH, marks)
    if len(_left_out(contours[0], marks)) > _MOST_LEFT_OUT * len(marks):
        raise MeasurementError(_NOT_AROUND)
    return contours


def check_around(outline: NDArray[np.float64], clicks: ArrayLike) -> None:
    """Refuse an outline that leaves a click out, both in the same frame.

    Raises
    ------
    MeasurementError
    """
    if len(_left_out(outline, np.asarray(clicks, float))):
        raise MeasurementError(_NOT_AROUND)


def _left_out(outline: NDArray[np.float64], clicks: NDArray) -> NDArray:  # type: ignore[type-arg]
    """The clicks (N, 2) outside an outline."""
    outer = outline.astype(np.float32)
    is_in = [cv2.pointPolygonTest(outer, (float(x), float(y)), False) >= 0 for x, y in clicks]
    return clicks[~np.array(is_in, bool)]


def again(
    rgb: NDArray[np.uint8], own: NDArray[np.uint8], rings_px: list[NDArray[np.float64]], band_px: float
) -> NDArray[np.uint8]:
    """1 on the metal of a photo, photo pixels, now that other photos told where the plate is.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    own : (rows, columns) uint8
        1 on the metal as this photo alone showed it.
    rings_px : list of (N, 2) arrays
        Outline and openings as the photos together have them, pixels of this photo.
    band_px : float
        The metal ends within this of a ring; beyond, the rings are believed. What this photo took for bench, a dull
        ear, becomes a sample of its metal. Openings that it saw in its own plate are kept.
    """
    bgr, scale = _small(rgb)
    small = bgr.shape[1], bgr.shape[0]
    metal = np.zeros(bgr.shape[:2], np.uint8)
    for k, ring in enumerate(rings_px):
        cv2.fillPoly(metal, [np.int32(np.round((ring + 0.5) * scale - 0.5))], int(k == 0))
    width = 2 * max(1, round(band_px * scale)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    labels = np.where(metal > 0, np.uint8(cv2.GC_PR_FGD), np.uint8(cv2.GC_PR_BGD))
    labels[cv2.erode(metal, kernel) > 0] = cv2.GC_FGD
    labels[cv2.dilate(metal, kernel) == 0] = cv2.GC_BGD
    plate = _largest(_cut(bgr, labels, _ROUNDS_AGAIN))
    seen = cv2.resize(own, small, interpolation=cv2.INTER_NEAREST)
    plate = np.where(solid(seen) > 0, seen & solid(plate), plate)
    return cv2.resize(plate, rgb.shape[1::-1], interpolation=cv2.INTER_NEAREST)


def solid(plate: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The plate with its openings filled."""
    outer, _ = cv2.findContours(plate, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return cv2.fillPoly(np.zeros_like(plate), outer, 1)


def _small(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    """The picture at working size, BGR, and its scale."""
    scale = min(1.0, _WORK_PX / max(rgb.shape[:2]))
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else rgb
    return cv2.cvtColor(small, cv2.COLOR_RGB2BGR), scale


def _segment(
    rgb: NDArray[np.uint8],
    hull_px: NDArray[np.float64],
    paper: Paper | None,
    grow: float,
    holes_px: NDArray[np.float32] | None = None,
) -> list[NDArray[np.float64]]:
    """Contours of the plate that a hull lies on; beyond the hull grown by `grow` there is bench."""
    bgr, scale = _small(rgb)
    hull = ((hull_px + 0.5) * scale - 0.5).astype(np.float32)
    if paper is not None:
        sheet = (np.asarray(paper.corners_px, float) + 0.5) * scale - 0.5
        bgr = _without_paper(bgr, sheet)
    holes = None if holes_px is None else ((holes_px + 0.5) * scale - 0.5).astype(np.float32)
    middle = hull.mean(0)
    for _ in range(_GROWN_TIMES):
        labels = np.full(bgr.shape[:2], cv2.GC_BGD, np.uint8)
        cv2.fillPoly(labels, [np.int32(middle + (hull - middle) * grow)], cv2.GC_PR_BGD)
        cv2.fillPoly(labels, [np.int32(hull)], cv2.GC_PR_FGD)
        if holes is not None:
            labels[_necks(bgr.shape, holes, *_NECK_FILLED)] = cv2.GC_FGD
        if paper is not None:
            cv2.fillPoly(labels, [np.int32(np.round(sheet))], cv2.GC_FGD if paper.is_metal else cv2.GC_BGD)
        if not (labels == cv2.GC_BGD).any():
            raise MeasurementError(
                "the plate fills the whole picture; leave a hand's width of bench around it"
            )
        plate = _largest(_cut(bgr, labels))
        if not _is_cut_short(plate, labels, None if paper is None else sheet):
            break
        grow *= _GROWN_BY
    else:
        raise MeasurementError(
            "the plate goes on beyond the clicks; click a hole near every corner of the plate"
        )
    inside = solid(plate)
    # The first cut took small openings for metal, as it was told; the second knows the bench, and what is dark.
    labels = np.full_like(labels, cv2.GC_BGD)
    is_open = _maybe_open(bgr, inside.astype(bool))
    labels[inside > 0] = np.where(is_open, cv2.GC_PR_BGD, cv2.GC_PR_FGD)[inside > 0]
    if holes is not None:
        labels[_necks(bgr.shape, holes, *_NECK) & ~is_open] = cv2.GC_FGD
        radius = max(1, round(_CLICK_WIDE * float(np.ptp(holes, axis=0).max())))
        for at in np.round(holes).astype(int).tolist():
            cv2.circle(labels, at, radius, cv2.GC_BGD, -1)
    if paper is not None and paper.is_metal:
        cv2.fillPoly(labels, [np.int32(np.round(sheet))], cv2.GC_FGD)
    plate = _largest(_cut(bgr, labels))
    if _runs_off(plate):
        raise MeasurementError("the picture cuts the plate off; leave a hand's width of bench around it")
    contours, tree = cv2.findContours(plate, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = max((c for c, t in zip(contours, tree[0]) if t[3] < 0), key=cv2.contourArea)
    openings = [c for c, t in zip(contours, tree[0]) if t[3] >= 0 and len(c) >= 8]
    return [(c[:, 0].astype(float) + 0.5) / scale - 0.5 for c in (outer, *openings)]
