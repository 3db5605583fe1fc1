"""The drawing laid over the photo, so that a person can see whether it fits."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..drawing import Drawing

__all__ = ["alignment_picture", "findings_picture", "shrunk"]

_METAL = (255, 214, 0)
_LAND = (0, 114, 178)


def shrunk(rgb: NDArray[np.uint8], long_side_px: int) -> tuple[NDArray[np.uint8], float]:
    """A copy at most so long, and its pixels per pixel of the original."""
    k = min(1.0, long_side_px / max(rgb.shape[:2]))
    if k == 1.0:
        return rgb.copy(), 1.0
    size = (max(1, round(rgb.shape[1] * k)), max(1, round(rgb.shape[0] * k)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8), k


def alignment_picture(
    rgb: NDArray[np.uint8], drawing: Drawing, alignment: Any, long_side_px: int = 1400
) -> NDArray[np.uint8]:
    """The photo with the drawn edges on it: yellow for metal edges, blue for the seal land.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    drawing : Drawing
    alignment : Alignment or Camera
        Anything with ``mm_to_px``.
    long_side_px : int
        Size of the picture.
    """
    out, k = shrunk(rgb, long_side_px)
    rings = [(drawing.outline.exterior, _METAL), *((o.polygon.exterior, _METAL) for o in drawing.openings)]
    land = drawing.zones.get("seal_land")
    if land is not None:
        for part in getattr(land, "geoms", [land]):
            rings += [(r, _LAND) for r in (part.exterior, *part.interiors)]
    for ring, colour in reversed(rings):
        dense = ring.segmentize(1.0)
        # The centre of pixel (0, 0) is at 0, so a scale moves it by half a pixel.
        points = (alignment.mm_to_px(np.asarray(dense.coords)[:, :2]) + 0.5) * k - 0.5
        points = np.clip(np.nan_to_num(points, nan=-1e4), -1e4, 1e5)
        cv2.polylines(out, [np.round(points * 16).astype(np.int32)], True, (0, 0, 0), 4, cv2.LINE_AA, 4)
        # two pixels: of one, blended with its dark rim, the eye sees the rim alone
        cv2.polylines(out, [np.round(points * 16).astype(np.int32)], True, colour, 2, cv2.LINE_AA, 4)
    return out


def findings_picture(rgb: NDArray[np.uint8], report: Any, long_side_px: int = 700) -> NDArray[np.uint8]:
    """The photo with the places marked that the gate complains about."""
    out, k = shrunk(rgb, long_side_px)
    for finding in report.findings:
        if finding.severity == "pass" or finding.region_px is None:
            continue
        x, y, w, h = (round(v * k) for v in finding.region_px)
        colour = (213, 94, 0) if finding.severity == "stop" else (230, 159, 0)
        cv2.rectangle(out, (x, y), (x + w, y + h), (0, 0, 0), 5)
        cv2.rectangle(out, (x, y), (x + w, y + h), colour, 3)
        cv2.putText(
            out, finding.code, (x + 6, y + 22), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (0, 0, 0), 4, cv2.LINE_AA
        )
        cv2.putText(out, finding.code, (x + 6, y + 22), cv2.FONT_HERSHEY_SIMPLEX, 0.7, colour, 2, cv2.LINE_AA)
    return out
