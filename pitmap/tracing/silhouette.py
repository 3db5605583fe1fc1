"""Where the metal is in a photo, roughly: outline and openings as pixel contours."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import MeasurementError

__all__ = ["find_silhouette"]

_WORK_PX = 900
"""Longer side of the picture that is segmented; edges are sharpened on the full one afterwards."""
_ROUNDS = 5
_DARK = 0.55
_SURE_BENCH = 1.45
"""Beyond the hull of the clicks, grown by this about its middle, there is bench and no plate (house choice)."""


def _cut(bgr: NDArray[np.uint8], labels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """1 on metal, by graph cut from first labels."""
    cv2.setRNGSeed(0)
    metal, bench = np.zeros((1, 65)), np.zeros((1, 65))
    labels = labels.copy()
    cv2.grabCut(bgr, labels, None, bench, metal, _ROUNDS, cv2.GC_INIT_WITH_MASK)
    return np.isin(labels, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)


def _largest(plate: NDArray[np.uint8]) -> NDArray[np.uint8]:
    n, parts, stats, _ = cv2.connectedComponentsWithStats(plate, connectivity=4)
    if n < 2:
        raise MeasurementError("no metal stands out from the bench; use a bench of another colour")
    return (parts == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))).astype(np.uint8)


def _maybe_open(bgr: NDArray[np.uint8], inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels of the plate that are much darker than the metal around them, or of the bench's colour."""
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    level = cv2.medianBlur(np.where(inside, grey, np.uint8(np.median(grey[inside]))), 61)
    is_dark = grey < _DARK * level.astype(float)
    lab = cv2.cvtColor(bgr, cv2.COLOR_BGR2LAB)
    bins = [16, 16, 16]
    ranges = [0, 256, 0, 256, 0, 256]
    tone = [
        cv2.GaussianBlur(cv2.calcHist([lab], [0, 1, 2], mask.astype(np.uint8), bins, ranges), (3, 3), 0)
        for mask in (inside & ~is_dark, ~inside)
    ]
    metal, bench = (h / max(float(h.sum()), 1.0) + 1e-6 for h in tone)
    cell = lab // 16
    ratio = (bench / metal)[cell[..., 0], cell[..., 1], cell[..., 2]]
    # The bench's colour must be much the likelier: rust and heat tint are brown like wood.
    is_bench = cv2.medianBlur((ratio > 8).astype(np.uint8), 5) > 0
    return inside & (is_dark | is_bench)


def find_silhouette(rgb: NDArray[np.uint8], landmarks_px: ArrayLike) -> list[NDArray[np.float64]]:
    """Contours of the plate in photo pixels.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8
    landmarks_px : (N, 2) array
        At least three points on the plate, well apart (hole centres); they say where the plate is.

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
    rows, columns = rgb.shape[:2]
    scale = min(1.0, _WORK_PX / max(rows, columns))
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else rgb
    marks = (np.asarray(landmarks_px, np.float32) + 0.5) * scale - 0.5
    hull = cv2.convexHull(marks)[:, 0]
    middle = hull.mean(0)
    labels = np.full(small.shape[:2], cv2.GC_BGD, np.uint8)
    cv2.fillPoly(labels, [np.int32(middle + (hull - middle) * _SURE_BENCH)], cv2.GC_PR_BGD)
    cv2.fillPoly(labels, [np.int32(hull)], cv2.GC_PR_FGD)
    if not (labels == cv2.GC_BGD).any():
        raise MeasurementError("the plate fills the whole picture; leave a hand's width of bench around it")
    bgr = cv2.cvtColor(small, cv2.COLOR_RGB2BGR)
    plate = _largest(_cut(bgr, labels))
    outline, _ = cv2.findContours(plate, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    inside = np.zeros_like(plate)
    cv2.fillPoly(inside, outline, 1)
    # The first cut took small openings for metal, as it was told; the second knows the bench, and what is dark.
    labels = np.full_like(labels, cv2.GC_BGD)
    is_open = _maybe_open(bgr, inside.astype(bool))
    labels[inside > 0] = np.where(is_open, cv2.GC_PR_BGD, cv2.GC_PR_FGD)[inside > 0]
    plate = _largest(_cut(bgr, labels))
    contours, tree = cv2.findContours(plate, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = max((c for c, t in zip(contours, tree[0]) if t[3] < 0), key=cv2.contourArea)
    holes = [c for c, t in zip(contours, tree[0]) if t[3] >= 0 and len(c) >= 8]
    return [(c[:, 0].astype(float) + 0.5) / scale - 0.5 for c in (outer, *holes)]
