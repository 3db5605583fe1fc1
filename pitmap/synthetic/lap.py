"""The lap: a plane that moves down into the face, and what the face is after it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import Stage, SurfaceClass
from ..errors import InputError
from ..grid import Grid
from ..tables import Column, Schema
from .face import Face

__all__ = ["FLAG_BITS", "FOLLOWED", "PIT_MIN_UM", "STAIN_MIN", "TINT_MIN", "Survey", "lap"]

PIT_MIN_UM = 5.0
"""A pit or score counts while it is deeper than this below the face as it stands."""
STAIN_MIN = 0.30
TINT_MIN = 0.20
"""Strengths from which stain and tint count."""

FLAG_BITS = {"pit": 4, "rust": 8, "heat": 16, "uncut": 32, "score": 64}
"""Bits of the flag raster: every class that holds at a pixel, not only the first."""

_SMOOTH_MM = 0.8
_STAIN_REACH_UM = 4.0
_TINT_REACH_UM = 1.0

FOLLOWED = Schema(
    "pits followed",
    (
        Column("pit_id", "int64", "as in the pits of the face"),
        Column("x_mm", "float64", "middle"),
        Column("y_mm", "float64", "middle"),
        Column("drawn_diam_mm", "float64", "diameter as drawn"),
        Column("depth_max_um", "float64", "deepest point below the face as received"),
        Column("left_um", "float64", "deepest point below the face as it stands, 0 when gone"),
        Column("left_mm2", "float64", "area still deeper than 5 um"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survey:
    """A face at one stage: what is true of it after a cut.

    Attributes
    ----------
    face : Face
    stage : Stage
    removed_um : float
        From the highest point of the face as received down to the lap plane, at the plate frame's origin.
    tilt_um_per_mm : (float, float)
        Slope of the lap plane along x and y.
    labels : uint8
        :class:`SurfaceClass`; pit before score before stain before tint before uncut before sound.
    flags : uint8
        :data:`FLAG_BITS`.
    depth_um : float32
        Depth of pit pixels below the face as it stands, else 0.
    cut_um : float32
        Metal taken off at each pixel.
    fresh : float32
        Share of each pixel that looks freshly cut, 0..1: roughness peaks are cut before the mean line.
    stain, tint, score_um : float32
        What is left of each.
    pits : pandas.DataFrame
        Columns as in :data:`FOLLOWED`.
    """

    face: Face
    stage: Stage
    removed_um: float
    tilt_um_per_mm: tuple[float, float]
    labels: NDArray[np.uint8]
    flags: NDArray[np.uint8]
    depth_um: NDArray[np.float32]
    cut_um: NDArray[np.float32]
    fresh: NDArray[np.float32]
    stain: NDArray[np.float32]
    tint: NDArray[np.float32]
    score_um: NDArray[np.float32]
    pits: pd.DataFrame

    @property
    def grid(self) -> Grid:
        """Raster of the truth."""
        return self.face.grid


def _follow(face: Face, cut: NDArray[np.float32]) -> pd.DataFrame:
    rows = []
    for pit, patch in zip(face.pits.itertuples(index=False), face.patches, strict=True):
        left = np.where(patch.depth_um > 0, patch.depth_um - cut[patch.window], 0)
        deepest = float(left.max(initial=0))
        rows.append(
            {
                "pit_id": pit.pit_id, "x_mm": pit.x_mm, "y_mm": pit.y_mm, "drawn_diam_mm": pit.drawn_diam_mm,
                "depth_max_um": pit.depth_max_um, "left_um": max(0.0, deepest),
                "left_mm2": float((left > PIT_MIN_UM).sum()) * face.grid.pixel_area_mm2,
            }
        )  # fmt: skip
    return FOLLOWED.frame(rows)


def lap(
    face: Face, removed_um: float, tilt: tuple[float, float] = (0.0, 0.0), stage: str | None = None
) -> Survey:
    """The face after the lap has come down by `removed_um`.

    Parameters
    ----------
    face : Face
    removed_um : float
        Stock from the highest point as received to the lap plane, um, 0 or more; 0 is the intake.
    tilt : (float, float)
        Slope of the plane, um per mm along x and y, about the origin of the plate frame.
    stage : str, optional
        Name of the stage; ``intake`` at 0 and ``test_lap`` otherwise.

    Raises
    ------
    InputError
        Negative or non-finite stock, or a stage that contradicts it.
    """
    if not (np.isfinite(removed_um) and removed_um >= 0):
        raise InputError(f"lap: removed_um must be 0 or more, got {removed_um!r}")
    at = Stage(stage or ("intake" if removed_um == 0 else "test_lap"))
    if at.is_lapped != (removed_um > 0):
        raise InputError(f"lap: stage {at} does not go with {removed_um} um removed")
    shape, grid = face.shape, face.grid
    metal = shape.metal
    if not at.is_lapped:
        cut = np.zeros(grid.shape, np.float32)
        fresh, uncut = cut, np.zeros(grid.shape, bool)
        stain, tint = face.stain, face.tint
        depth, score = face.pit_um, face.score_um
    else:
        xs, ys = grid.centres_mm()
        plane = (-removed_um + tilt[0] * xs[None, :] + tilt[1] * ys[:, None]).astype(np.float32)
        above = face.height_um - plane
        cut = np.maximum(above, 0)
        # The label follows the mean line over 0.8 mm: a single roughness peak is no reading of a low spot.
        uncut = (cv2.blur(above, (max(1, round(_SMOOTH_MM * grid.px_per_mm)),) * 2) < 0) & metal
        fresh = np.clip((above + face.rough_um) * np.float32(0.9) + np.float32(0.5), 0, 1)
        stain = face.stain * np.exp(cut * np.float32(-1 / _STAIN_REACH_UM)) * (1 - np.float32(0.15) * fresh)
        tint = face.tint * np.exp(cut * np.float32(-1 / _TINT_REACH_UM)) * (1 - np.float32(0.5) * fresh)
        depth = np.where(face.pit_um > 0, np.maximum(face.pit_um - cut, 0), 0).astype(np.float32)
        score = np.where(face.score_um > 0, np.maximum(face.score_um - cut, 0), 0).astype(np.float32)
        # A pit keeps its rust when the face round it is cut clean.
        inside = depth > PIT_MIN_UM
        stain[inside] = face.stain[inside]
    is_pit = (depth > PIT_MIN_UM) & metal
    masks = {
        "uncut": uncut,
        "heat": (tint > TINT_MIN) & metal,
        "rust": (stain > STAIN_MIN) & metal,
        "score": (score > PIT_MIN_UM) & metal,
        "pit": is_pit,
    }
    codes = {
        "uncut": SurfaceClass.UNCUT, "heat": SurfaceClass.TINT, "rust": SurfaceClass.STAIN,
        "score": SurfaceClass.SCORE, "pit": SurfaceClass.PIT,
    }  # fmt: skip
    labels = np.where(metal, np.uint8(SurfaceClass.SOUND), np.uint8(SurfaceClass.OUTSIDE))
    flags = np.zeros(grid.shape, np.uint8)
    for name, mask in masks.items():
        labels[mask] = codes[name]
        flags[mask] |= np.uint8(FLAG_BITS[name])
    pits = _follow(face, cut)
    arrays = {
        "labels": labels, "flags": flags, "depth_um": np.where(is_pit, depth, 0).astype(np.float32),
        "cut_um": cut,
        "fresh": fresh, "stain": stain, "tint": tint, "score_um": score,
    }  # fmt: skip
    for a in arrays.values():
        a.setflags(write=False)
    return Survey(
        face=face,
        stage=at,
        removed_um=float(removed_um),
        tilt_um_per_mm=(float(tilt[0]), float(tilt[1])),
        pits=pits,
        **arrays,
    )
