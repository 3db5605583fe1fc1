"""The truth beside a photo: camera, classes of every piece of metal that the photo shows, areas per zone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..classes import SurfaceClass
from ..grid import Grid
from ..registration.camera import Camera
from ..tables import Column, Schema
from .lap import Survey
from .scene import Scene

__all__ = ["CLASS_KEYS", "ZONE_TRUTH", "PhotoTruth", "photo_truth", "truth_record"]

CLASS_KEYS = {
    "sound": SurfaceClass.SOUND, "pit": SurfaceClass.PIT, "rust": SurfaceClass.STAIN,
    "heat": SurfaceClass.TINT, "uncut": SurfaceClass.UNCUT, "score": SurfaceClass.SCORE,
}  # fmt: skip
_AFFECTED = ("pit", "rust", "heat", "uncut")
_EDGE_STEP = 8

ZONE_TRUTH = Schema(
    "zone truth",
    (
        Column("zone", "object", "name of the zone in the drawing"),
        Column("zone_mm2", "float64", "metal of the zone"),
        Column("seen_mm2", "float64", "of it in the photo"),
        Column("hidden_mm2", "float64", "of it out of the frame or covered"),
        *(Column(f"{k}_mm2", "float64", f"seen metal of class {k}") for k in CLASS_KEYS),
        Column("affected_mm2", "float64", "pit, rust, heat and uncut"),
        Column("affected_pct_of_seen", "float64", "NaN when nothing is seen"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoTruth:
    """What one photo shows, exactly.

    Attributes
    ----------
    camera : Camera
        mm on the face to photo pixels.
    size_wh : (int, int)
    grid : Grid
    labels : uint8
        :class:`SurfaceClass`, 255 for metal out of the frame or covered.
    flags : uint8
        :data:`pitmap.synthetic.lap.FLAG_BITS`, 255 for hidden metal.
    depth_um : float32
        Depth of pit pixels, 0 elsewhere.
    hidden : bool
        Metal that the photo does not show.
    zones : pandas.DataFrame
        Columns as in :data:`ZONE_TRUTH`.
    pits : pandas.DataFrame
        As in the survey, with ``is_hidden``.
    scene : Scene
    survey : Survey
    """

    camera: Camera
    size_wh: tuple[int, int]
    grid: Grid
    labels: NDArray[np.uint8]
    flags: NDArray[np.uint8]
    depth_um: NDArray[np.float32]
    hidden: NDArray[np.bool_]
    zones: pd.DataFrame
    pits: pd.DataFrame
    scene: Scene
    survey: Survey


def _hidden(
    survey: Survey, camera: Camera, size_wh: tuple[int, int], cover: NDArray[np.uint8] | None
) -> NDArray[np.bool_]:
    """Metal out of the frame, or under a pixel of `cover`."""
    grid = survey.grid
    w, h = size_wh
    nr, nc = (-(-n // _EDGE_STEP) + 2 for n in grid.shape)
    cols = (np.arange(-1, nc - 1) + 0.5) * _EDGE_STEP - 0.5
    rows = (np.arange(-1, nr - 1) + 0.5) * _EDGE_STEP - 0.5
    at = camera.mm_to_px(grid.px_to_mm(np.stack(np.meshgrid(cols, rows), -1))).astype(np.float32)
    inside = (at > 1).all() and (at[..., 0] < w - 2).all() and (at[..., 1] < h - 2).all()
    if inside and cover is None:
        return np.zeros(grid.shape, bool)
    full = cv2.resize(at, None, fx=_EDGE_STEP, fy=_EDGE_STEP, interpolation=cv2.INTER_LINEAR)
    x, y = (
        full[_EDGE_STEP : _EDGE_STEP + grid.n_rows, _EDGE_STEP : _EDGE_STEP + grid.n_cols, k] for k in (0, 1)
    )
    hidden = (x < -0.5) | (y < -0.5) | (x > w - 0.5) | (y > h - 0.5)
    if cover is not None:
        hidden |= cv2.remap(cover, x, y, cv2.INTER_LINEAR, borderValue=0) > 127
    return hidden & survey.face.shape.metal


def _zones(survey: Survey, labels: NDArray[np.uint8]) -> pd.DataFrame:
    zones = survey.face.shape.zones
    names = survey.face.drawing.zone_names
    count = np.bincount((zones.astype(np.int32) * 256 + labels).ravel(), minlength=256 * (len(names) + 1))
    area = count.reshape(-1, 256) * survey.grid.pixel_area_mm2
    rows = []
    for k, name in enumerate(names, 1):
        areas = {f"{key}_mm2": float(area[k, code]) for key, code in CLASS_KEYS.items()}
        whole = float(area[k].sum() - area[k, SurfaceClass.OUTSIDE])
        hidden = float(area[k, SurfaceClass.UNSEEN])
        seen = whole - hidden
        affected = sum(areas[f"{key}_mm2"] for key in _AFFECTED)
        rows.append(
            {
                "zone": name, "zone_mm2": whole, "seen_mm2": seen, "hidden_mm2": hidden, **areas,
                "affected_mm2": affected,
                "affected_pct_of_seen": 100 * affected / seen if seen > 0 else np.nan,
            }
        )  # fmt: skip
    return ZONE_TRUTH.frame(rows)


def photo_truth(survey: Survey, scene: Scene, cover: NDArray[np.uint8] | None = None) -> PhotoTruth:
    """Truth of a photo of `survey`; `cover` is what lies over the plate, 0..255 per photo pixel."""
    camera = scene.pose.camera()
    hidden = _hidden(survey, camera, scene.size_wh, cover)
    labels, flags, depth = survey.labels, survey.flags, survey.depth_um
    if hidden.any():
        labels, flags = labels.copy(), flags.copy()
        labels[hidden] = SurfaceClass.UNSEEN
        flags[hidden] = 255
        depth = np.where(hidden, 0, depth).astype(np.float32)
    pits = survey.pits.copy()
    at = np.round(survey.grid.mm_to_px(pits[["x_mm", "y_mm"]].to_numpy(float))).astype(int)
    rows = np.clip(at[:, 1], 0, survey.grid.n_rows - 1)
    cols = np.clip(at[:, 0], 0, survey.grid.n_cols - 1)
    pits["is_hidden"] = hidden[rows, cols]
    for a in (labels, flags, depth, hidden):
        a.setflags(write=False)
    return PhotoTruth(
        camera=camera, size_wh=scene.size_wh, grid=survey.grid, labels=labels, flags=flags, depth_um=depth,
        hidden=hidden, zones=_zones(survey, labels), pits=pits, scene=scene, survey=survey,
    )  # fmt: skip


def truth_record(truth: PhotoTruth) -> dict[str, Any]:
    """The small part of the truth (no rasters) as plain values for a JSON file.

    Field names say their unit; ``homography_mm_to_undistorted_px`` and ``distortion`` give the camera in the
    form of :class:`pitmap.registration.camera.Camera`.
    """
    lens = truth.camera.lens
    scene = truth.scene
    return {
        "size": list(truth.size_wh),
        "stage": str(truth.survey.stage),
        "removed_um": round(truth.survey.removed_um, 3),
        "tilt_um_per_mm": list(truth.survey.tilt_um_per_mm),
        "homography_mm_to_undistorted_px": truth.camera.homography.tolist(),
        "distortion": {
            "model": "n = (p - centre)/scale; p_photo = centre + scale * n * (1 + k1 r^2 + k2 r^4), r = |n|",
            "centre": list(lens.centre_xy), "scale": lens.scale_px, "k1": lens.k1, "k2": lens.k2,
        },
        "grid": {
            "px_per_mm": truth.grid.px_per_mm, "x0_mm": truth.grid.x0_mm, "y1_mm": truth.grid.y1_mm,
            "n_rows": truth.grid.n_rows, "n_cols": truth.grid.n_cols,
        },
        "zones": {
            str(r["zone"]): {k: round(float(v), 3) for k, v in r.items() if k != "zone"}
            for r in truth.zones.to_dict("records")
        },
        "pits": [
            {k: (round(v, 3) if isinstance(v, float) else v) for k, v in r.items()}
            for r in truth.pits.to_dict("records")
        ],
        "scene": {
            "lights": [lamp.kind for lamp in scene.lamps], "bench": scene.bench, "covers": list(scene.covers),
            **{k: round(v, 3) for k, v in scene.facts.items()},
        },
    }  # fmt: skip
