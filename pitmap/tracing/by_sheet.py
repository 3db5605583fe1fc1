"""Trace with the printed target in the picture: it gives scale, tilt and lens of every photo by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from ..errors import MeasurementError
from ..registration.camera import Camera
from ..registration.fiducials import TargetPose, camera_for_face, find_target
from ..registration.target_sheet import SQUARE_MM, target_sheet
from ..units import in_both
from .bundle import Solution
from .cameras import (
    FOCAL_SD,
    N_CAMERA,
    PRIOR_AT,
    PRIOR_MEAN,
    PRIOR_SD,
    EdgeSet,
    carry_back,
    fit_circle,
    pose_camera,
)
from .contours import clearly_shown, measure_edges, metal_mask, usable_contours, vote
from .lit_walls import camera_foot, wall_doubt_mm, whole_circles
from .merge import LEAST_PLACES, NEAR_MM, draw_plane, signed_area
from .photos import PhotoClicks, SheetUse, told_of
from .silhouette import Paper, check_around, find_silhouette
from .subpixel import EdgeLook

__all__ = ["SheetTrace", "trace_by_sheet"]

_CORNER_SD_PX = 0.2
"""How well a corner of the sheet is found; print and paper come in (house choice)."""
_EDGE_SD_MM = 0.06
"""What a round edge's places err together, for the weight of roundness against the sheet (house choice)."""
_ROOM_MM = 2.5
"""Edges this near to the sheet are the sheet's."""
_MOVED_MM = 2.0
_CLEAR_MM = 5.0
"""Bench that must show between plate and sheet, which else reaches under the plate: in renders with the sheet 6 to 35 mm
under it the plate seemed to end within 2.9 mm of the paper, up to 28 mm short of its edge (house choice)."""
_AROUND_MM = (3.0, 12.0)
"""What lies around the sheet is looked at from here to there beyond its edge (house choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SheetTrace:
    """What :func:`trace_by_sheet` found.

    Parameters
    ----------
    sets, plane, errors, solution
        As of :func:`trace_by_distance`; origin and axes are the sheet's.
    height_correction : float
        Share by which lengths would have been too large without the height of the face over the sheet.
    hidden_mm2 : float
        Area of the face that the sheet covers in every photo.
    wall_doubt_mm : list of (N,) arrays
        How much larger each opening may be, place by place, because of a wall as bright as the face; the outline's is 0.
    """

    sets: list[EdgeSet]
    plane: list[NDArray[np.float64]]
    errors: list[NDArray[np.float64]]
    solution: Solution
    height_correction: float
    hidden_mm2: float
    wall_doubt_mm: list[NDArray[np.float64]]


def _paper_mm(pose: TargetPose, print_scale: float) -> NDArray[np.float64]:
    """Corners (4, 2) of the paper in the frame of the sheet; a piece cut off ends a square beyond its corners."""
    sheet = target_sheet(pose.paper)
    low, high = pose.corners_mm.min(0) / print_scale, pose.corners_mm.max(0) / print_scale
    edge = np.array([(sheet.n_x / 2 - 1) * SQUARE_MM, (sheet.n_y / 2 - 1) * SQUARE_MM])
    side = (sheet.width_mm - sheet.n_x * SQUARE_MM) / 2
    top, bottom = 12.0, sheet.height_mm - 12.0 - sheet.n_y * SQUARE_MM
    low = low - SQUARE_MM - np.where(low < -edge + 1, [side, bottom], 0.0)
    high = high + SQUARE_MM + np.where(high > edge - 1, [side, top], 0.0)
    box = [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]]
    return np.array(box) * print_scale


def _start(pose: TargetPose) -> NDArray[np.float64]:
    turn = Rotation.from_matrix(pose.rotation).as_rotvec()
    focal = np.log(pose.focal_px / max(pose.size_wh))
    return np.concatenate([turn, pose.translation_mm / 100, [focal, pose.k1, 0, 0, 0]])


def _raised(p: NDArray[np.float64], height_mm: float) -> NDArray[np.float64]:
    """Parameters for the plane `height_mm` above that of `p`."""
    out = p.copy()
    turn, _ = cv2.Rodrigues(p[:3])
    out[3:6] = p[3:6] + height_mm / 100 * turn[:, 2]
    return out


def _refine(
    pose: TargetPose,
    rims_px: Sequence[NDArray[np.float64]],
    height_mm: float,
    focal_px: float | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Camera parameters for the face and their covariance: the sheet's corners, and holes that must be round.

    The lens has two radial terms and an axis that may miss the middle of the picture, each held by what phones have;
    left out, they would make the scale beside the sheet look surer than it is.
    """
    longer, size = max(pose.size_wh), pose.size_wh
    mean, spread = np.array(PRIOR_MEAN), np.array(PRIOR_SD)
    if focal_px is not None:
        mean[0], spread[0] = np.log(focal_px / longer), FOCAL_SD
    scale = float(np.median(pose.camera.px_per_mm(pose.corners_mm)))

    def residual(p: NDArray[np.float64]) -> NDArray[np.float64]:
        away = carry_back(pose.corners_px, p, size) - pose.corners_mm
        out = [away.ravel() * scale / _CORNER_SD_PX, (p[list(PRIOR_AT)] - mean) / spread]
        face = _raised(p, height_mm)
        for rim in rims_px:
            q = carry_back(rim, face, size)
            c = fit_circle(q)
            off = np.hypot(*(q - c[:2]).T) - c[2]
            # Only the second harmonic tells of the camera; the points of a rim err together.
            turn = np.arctan2(*(q - c[:2]).T[::-1])
            wave = np.column_stack([np.cos(2 * turn), np.sin(2 * turn)])
            amount = np.linalg.lstsq(wave, off, rcond=None)[0]
            out.append(amount / _EDGE_SD_MM)
        return np.concatenate(out)

    fit = least_squares(residual, _start(pose), loss="soft_l1", f_scale=3.0, x_scale="jac", max_nfev=60)
    inflate = max(1.0, pose.rms_px / np.sqrt(2) / _CORNER_SD_PX) ** 2
    covariance = np.linalg.inv(fit.jac.T @ fit.jac) * inflate
    move = np.eye(N_CAMERA)
    for m in range(3):
        ahead = fit.x.copy()
        ahead[m] += 1e-6
        move[3:6, m] = (_raised(ahead, height_mm) - _raised(fit.x, height_mm))[3:6] / 1e-6
    return _raised(fit.x, height_mm), move @ covariance @ move.T


def _rims(sets: list[EdgeSet], i: int, camera: Camera) -> list[NDArray[np.float64]]:
    """Clear edges of round openings in photo `i`."""
    out = []
    for s in sets:
        p = s.points_px[i][s.is_good[i]]
        if s.is_round and len(p) >= 2 * LEAST_PLACES:
            q = camera.px_to_mm(p)
            c = fit_circle(q)
            p = p[np.abs(np.hypot(*(q - c[:2]).T) - c[2]) < NEAR_MM]
            if len(p) >= 2 * LEAST_PLACES:
                out.append(p)
    return out


def _off_paper(sets: list[EdgeSet], papers_px: list[NDArray[np.float32]], cameras: list[Camera]) -> None:
    """Edges beside the sheet are not the plate's."""
    for s in sets:
        for i, (paper, camera) in enumerate(zip(papers_px, cameras, strict=True)):
            room = _ROOM_MM * float(np.median(camera.px_per_mm(s.plane)))
            away = [cv2.pointPolygonTest(paper, (float(x), float(y)), True) for x, y in s.points_px[i]]
            s.is_good[i] &= np.array(away) < -room


def trace_by_sheet(
    photos: Sequence[PhotoClicks], sheet: SheetUse, height_mm: float, edge: EdgeLook, thickness_mm: float
) -> SheetTrace:
    """Edges, contours and cameras from photos that each show the printed target.

    Raises
    ------
    MeasurementError
        No sheet, no plate, or a sheet that was moved between two photos.
    """
    poses: list[TargetPose] = []
    masks, papers, silhouettes = [], [], []
    for k, photo in enumerate(photos, 1):
        with told_of(k, len(photos)):
            pose = find_target(photo.rgb, focal_px=photo.focal_px, print_scale=sheet.print_scale)
            camera_for_face(pose, height_mm)  # refuses a scale that the view does not tell
            paper = pose.camera.mm_to_px(_paper_mm(pose, sheet.print_scale)).astype(np.float32)
            clicks = list(photo.clicks_px.values())
            silhouette = find_silhouette(
                photo.rgb,
                clicks if len(clicks) >= 4 else None,
                Paper(corners_px=paper, is_metal=sheet.on == "face"),
            )
            check_around(silhouette[0], np.reshape(clicks, (-1, 2)))
        _check_lies_on(sheet, silhouette[0], paper, pose.camera, k)
        poses.append(pose)
        papers.append(paper)
        silhouettes.append(silhouette)
        masks.append(metal_mask(photo, silhouette))
    sizes = [p.size_wh for p in poses]
    found = [_refine(p, [], height_mm, photo.focal_px) for p, photo in zip(poses, photos, strict=True)]
    cameras = [pose_camera(p, wh) for (p, _), wh in zip(found, sizes, strict=True)]
    _check_not_moved(silhouettes, cameras)
    plane = usable_contours([cameras[0].px_to_mm(c) for c in silhouettes[0]])
    if len(photos) > 1:
        plane = usable_contours(vote(masks, cameras, plane[0]))
    else:
        plane = whole_circles(plane, camera_foot(found[0][0]))
    if signed_area(plane[0]) < 0:
        plane = [c[::-1] for c in plane]
    is_round: list[bool] | None = None
    for step, reach in enumerate((2.4, 2.0, 1.5, 1.2)):
        sets = measure_edges(photos, plane, cameras, reach, edge, is_round)
        _off_paper(sets, papers, cameras)
        if step < 2:
            sets = clearly_shown(sets, max)
        is_round = [s.is_round for s in sets] if step else None
        found = [
            _refine(pose, _rims(sets, i, cameras[i]), height_mm, photo.focal_px)
            for i, (pose, photo) in enumerate(zip(poses, photos, strict=True))
        ]
        cameras = [pose_camera(p, wh) for (p, _), wh in zip(found, sizes, strict=True)]
        plane, errors, circles = draw_plane(sets, cameras)
    bench = [p.camera for p in poses]
    middle = plane[0].mean(0)
    on_bench = bench[0].px_to_mm(cameras[0].mm_to_px(middle))
    ratio = float(cameras[0].px_per_mm(middle) / bench[0].px_per_mm(on_bench)) if height_mm else 1.0
    hidden = _hidden(plane[0], [c.px_to_mm(p) for c, p in zip(cameras, papers, strict=True)])
    covariance = np.zeros((N_CAMERA * len(photos),) * 2)
    for i, (_, c) in enumerate(found):
        at = slice(N_CAMERA * i, N_CAMERA * (i + 1))
        covariance[at, at] = c
    solution = _solution(sets, plane, circles, cameras, np.array([p for p, _ in found]), covariance)
    doubt = [np.zeros(len(p)) for p in plane]
    if len(photos) == 1 and np.isfinite(thickness_mm):
        for k in range(1, len(sets)):
            if not sets[k].is_round:
                doubt[k] = wall_doubt_mm(photos[0].rgb, plane[k], cameras[0], found[0][0], thickness_mm)
    return SheetTrace(
        sets=sets,
        plane=plane,
        errors=errors,
        solution=solution,
        height_correction=ratio - 1,
        hidden_mm2=hidden if sheet.on == "face" else 0.0,
        wall_doubt_mm=doubt,
    )


def _check_lies_on(
    sheet: SheetUse,
    outline_px: NDArray[np.float64],
    paper_px: NDArray[np.float32],
    camera: Camera,
    photo: int,
) -> None:
    """Refuse a sheet that lies elsewhere than was said: a plate's thickness of height is some hundredths of every length.

    Raises
    ------
    MeasurementError
        Less than half of what is around the sheet is plate where it is to lie on the plate, or more where it is not; or
        no bench shows between a sheet on the bench and the plate.
    """
    from shapely import Polygon

    px_per_mm = float(np.median(camera.px_per_mm(camera.px_to_mm(paper_px))))
    paper, plate = Polygon(paper_px), Polygon(outline_px).buffer(0)
    near, far = (paper.buffer(mm * px_per_mm) for mm in _AROUND_MM)
    around = far.difference(near)
    is_on_plate = around.intersection(plate).area > 0.5 * around.area
    if is_on_plate == (sheet.on == "face"):
        if sheet.on == "bench" and paper.distance(plate) < _CLEAR_MM * px_per_mm:
            raise MeasurementError(
                f"the sheet touches the plate or reaches under it, in photo {photo}, so where the plate ends there cannot "
                "be told; lay it on the bench two fingers' breadth beside the plate, and take the photo again"
            )
        return
    where, say = ("on the plate", "face") if is_on_plate else ("beside the plate, on the bench", "bench")
    raise MeasurementError(
        f"the sheet lies {where}, in photo {photo}, and not where was said; say that it lies on the {say}, or every length "
        "would be wrong by some percent"
    )


def _check_not_moved(silhouettes: list[list[NDArray[np.float64]]], cameras: list[Camera]) -> None:
    first = cameras[0].px_to_mm(silhouettes[0][0])
    ring = first.astype(np.float32)
    for i, (s, camera) in enumerate(zip(silhouettes[1:], cameras[1:], strict=True), start=2):
        other = camera.px_to_mm(s[0])[::5]
        away = [abs(cv2.pointPolygonTest(ring, (float(x), float(y)), True)) for x, y in other]
        if np.median(away) > _MOVED_MM:
            raise MeasurementError(
                f"the plate does not lie at the same place beside the sheet in photo 1 and photo {i} "
                f"({in_both(round(float(np.median(away)), 1), 'mm')}); leave plate and sheet where they are and move the "
                "camera only"
            )


def _hidden(outline: NDArray[np.float64], papers: list[NDArray[np.float64]]) -> float:
    """Area of the face under the sheet in every photo, mm2."""
    from shapely import Polygon, intersection_all

    return float(intersection_all([Polygon(outline).buffer(0), *(Polygon(p).buffer(0) for p in papers)]).area)


def _solution(
    sets: list[EdgeSet],
    plane: list[NDArray[np.float64]],
    circles: dict[int, NDArray[np.float64]],
    cameras: list[Camera],
    poses: NDArray[np.float64],
    covariance: NDArray[np.float64],
) -> Solution:
    away = []
    for k, c in circles.items():
        for camera, p, g in zip(cameras, sets[k].points_px, sets[k].is_good, strict=True):
            away.append(np.hypot(*(camera.px_to_mm(p[g]) - c[:2]).T) - c[2])
    if not away:
        raise MeasurementError(
            "no round hole is seen clearly; take the photo again from nearer, in even light"
        )
    off = np.concatenate(away)
    return Solution(
        cameras=cameras,
        circles=circles,
        rms_mm=float(1.4826 * np.median(np.abs(off - np.median(off)))),
        poses=poses,
        pose_covariance=covariance,
        others=[],
        circle_covariance={},
    )
