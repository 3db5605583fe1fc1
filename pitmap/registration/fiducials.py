"""Find the printed target in a photo: scale, tilt and lens of the bench, and of a face that stands above it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from scipy.special import ndtri

from ..errors import InputError, MeasurementError
from ..estimate import DEFAULT_LEVEL, Estimate
from .camera import Camera, Lens
from .target_sheet import MARKER_MM, PAPERS, TargetSheet, marker_dictionary, target_sheet_pdf

__all__ = ["TargetPose", "camera_for_face", "find_target", "target_sheet_pdf"]

MIN_CORNERS = 12
_FOCAL_STARTS = (0.65, 0.85, 1.1, 1.6)
"""Focal lengths tried, in longer sides of the picture: wide phone to short telephone lens."""
_FOCAL_PRIOR_LOG_SD = 0.5
_K1_PRIOR_SD = 0.1
_N_PRIORS = 2
_NOISE_PX = 0.15
"""How well a corner is found."""
_TOGETHER = 10
"""Corners of a sheet that is not flat err together: what they err by over the noise counts as of so many (house choice)."""
_STRETCH_SD, _MOST_STRETCH, _SURE = 0.02, 0.004, 16.0
"""A printer may draw one direction out. Let free, by so much; refused when it is more than the second, relative, and corners
and what is known of cameras want it by so many squared standard deviations (house choice)."""
_MAX_RMS_SHARE = 1.5e-3
"""Largest residual accepted, in longer sides: more means that the sheet is bent, or is no sheet."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TargetPose:
    """Where the camera stood over the sheet.

    Parameters
    ----------
    paper : str
    size_wh : (int, int)
        Of the photo, px.
    rotation : (3, 3) array
        From the frame of the sheet (mm, x right, y up, z up from the bench) to that of the camera.
    translation_mm : (3,) array
    focal_px, k1 : float
    covariance : (8, 8) array
        Of log focal length, k1, rotation vector and translation.
    n_corners : int
        Corners used.
    rms_px : float
        Residual of the corners, px.
    corners_mm, corners_px : (n, 2) arrays
        The corners used, in the frame of the sheet as printed and in the photo.
    """

    paper: str
    size_wh: tuple[int, int]
    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]
    focal_px: float
    k1: float
    covariance: NDArray[np.float64]
    n_corners: int
    rms_px: float
    corners_mm: NDArray[np.float64]
    corners_px: NDArray[np.float64]

    @property
    def camera(self) -> Camera:
        """Millimetres on the bench (frame of the sheet) to photo pixels."""
        return _camera(self._parameters(), self.size_wh, 0.0)

    @property
    def tilt_deg(self) -> float:
        """Angle between the camera's axis and the upright on the bench."""
        return math.degrees(math.acos(min(1.0, abs(float(self.rotation[2, 2])))))

    @property
    def focal_estimate_px(self) -> Estimate:
        """Focal length with its interval at level 0.90."""
        z = float(ndtri(0.5 + DEFAULT_LEVEL / 2))
        spread = math.exp(z * math.sqrt(max(0.0, float(self.covariance[0, 0]))))
        return Estimate(value=self.focal_px, low=self.focal_px / spread, high=self.focal_px * spread)

    def scale_error(self, height_mm: float = 0.0) -> float:
        """Standard deviation of the scale at a height over the bench, relative."""
        at = self._parameters()

        def log_scale(p: NDArray[np.float64]) -> float:
            return math.log(float(_camera(p, self.size_wh, height_mm).px_per_mm([0.0, 0.0])))

        slope = np.zeros(8)
        for k, step in enumerate([1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2]):
            move = np.zeros(8)
            move[k] = step
            slope[k] = (log_scale(at + move) - log_scale(at - move)) / (2 * step)
        return math.sqrt(max(0.0, float(slope @ self.covariance @ slope)))

    def _parameters(self) -> NDArray[np.float64]:
        turn = Rotation.from_matrix(self.rotation).as_rotvec()
        return np.concatenate([[math.log(self.focal_px), self.k1], turn, self.translation_mm])


def camera_for_face(pose: TargetPose, height_mm: float, *, max_scale_error: float = 0.003) -> Camera:
    """Millimetres on a face above the bench to photo pixels.

    Parameters
    ----------
    pose : TargetPose
    height_mm : float
        Height of the face over the sheet: the thickness of the plate, 0 or more.
    max_scale_error : float
        Largest standard deviation of the scale accepted, relative (house choice: 0.3 % is 0.75 mm on 250 mm).

    Raises
    ------
    InputError
        A height that is negative or not finite.
    MeasurementError
        The scale up there is not known well enough: the sheet does not lie flat, or was seen from straight above, from where
        it does not tell how far away the camera was. Pass the focal length to :func:`find_target`, or tilt the camera by
        10 to 20 degrees.
    """
    if not (math.isfinite(height_mm) and height_mm >= 0):
        raise InputError(f"camera_for_face: height_mm must be 0 or more, got {height_mm!r}")
    error = pose.scale_error(height_mm)
    if error > max_scale_error >= error / math.sqrt(_inflation(pose.rms_px, pose.n_corners)):
        raise MeasurementError(
            f"the scale {height_mm:.0f} mm above the sheet is known to {100 * error:.1f} % only: its corners lie "
            f"{pose.rms_px:.1f} px from where those of a flat sheet would; lay it flat and take the photo again"
        )
    if error > max_scale_error:
        raise MeasurementError(
            f"the scale {height_mm:.0f} mm above the sheet is known to {100 * error:.1f} % only: from straight above a "
            "flat sheet does not tell how far away the camera was; give the focal length, or tilt the camera 10 to 20 "
            "degrees and take the photo again"
        )
    return _camera(pose._parameters(), pose.size_wh, height_mm)


def find_target(
    rgb: NDArray[np.uint8],
    *,
    focal_px: float | None = None,
    focal_relative_sd: float = 0.02,
    print_scale: float = 1.0,
) -> TargetPose:
    """Find the printed sheet and the camera over it.

    Parameters
    ----------
    rgb : (rows, columns, 3) uint8 array
    focal_px : float, optional
        Focal length where known, px; from the 35 mm equivalent f of the photo's EXIF it is f / 43.27 times the
        picture's diagonal.
    focal_relative_sd : float
        How well it is known: 2 % for the whole millimetres of EXIF.
    print_scale : float
        Length of the printed ruler over 100 mm.

    Raises
    ------
    InputError
        A picture of another kind; a scale or focal length that is not positive.
    MeasurementError
        No sheet, too little of it, or a sheet that is not flat or was drawn out by the printer in one direction.

    Notes
    -----
    Corners are those between the squares (OpenCV's ChArUco detector, subpixel). Focal length, one radial lens term
    and the pose are fitted together by robust least squares with the optical axis through the middle of the
    picture, which phones hold to about 1 %; weak priors (focal length within a factor, k1 within 0.1) take over
    where the view does not tell.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise InputError(f"find_target: expected a uint8 picture of 3 channels, got {rgb.dtype} {rgb.shape}")
    if not (math.isfinite(print_scale) and 0.5 < print_scale < 2):
        raise InputError(
            f"find_target: print_scale is the ruler's measured length over 100 mm, got {print_scale!r}"
        )
    if focal_px is not None and not (math.isfinite(focal_px) and focal_px > 0 and focal_relative_sd > 0):
        raise InputError(f"find_target: focal_px and focal_relative_sd must be above 0, got {focal_px!r}")
    sheet, corners, ids = _detect(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))
    plane = sheet.corner_xy(ids) * print_scale
    size = rgb.shape[1], rgb.shape[0]
    return _solve(sheet, plane, corners, size, focal_px, focal_relative_sd)


def _detect(grey: NDArray[np.uint8]) -> tuple[TargetSheet, NDArray[np.float64], NDArray[np.int64]]:
    markers, codes, _ = cv2.aruco.ArucoDetector(marker_dictionary()).detectMarkers(grey)
    codes = np.zeros(0, int) if codes is None else np.asarray(codes).ravel()
    sheet = max(PAPERS.values(), key=lambda s: int(_of_sheet(codes, s).sum()))
    mine = np.flatnonzero(_of_sheet(codes, sheet))
    corners = ids = None
    if mine.size:
        corners, ids, _, _ = cv2.aruco.CharucoDetector(sheet.board()).detectBoard(
            grey,
            markerCorners=[markers[int(k)] for k in mine],
            markerIds=codes[mine].astype(np.int32)[:, None],
        )
    n = 0 if ids is None else len(ids)
    if n < MIN_CORNERS:
        raise MeasurementError(
            f"the printed target was not found ({n} corners, {MIN_CORNERS} needed); lay it flat beside the plate, "
            "wholly in the picture, in even light"
        )
    ids = np.asarray(ids, np.int64).ravel()
    spread = np.linalg.svd(sheet.corner_xy(ids) - sheet.corner_xy(ids).mean(0), compute_uv=False)
    if spread[1] < 1.0:
        raise MeasurementError(
            "only one row of the printed target is visible; uncover it and take the photo again"
        )
    side_px = np.median(
        [np.linalg.norm(np.diff(markers[k].reshape(-1, 2), axis=0), axis=1).min() for k in mine]  # type: ignore[call-overload]
    )
    return sheet, _finer(grey, corners, sheet.rim_mm / MARKER_MM * float(side_px)), ids  # type: ignore[arg-type]


def _of_sheet(codes: NDArray[np.int64], sheet: TargetSheet) -> NDArray[np.bool_]:
    return (codes >= sheet.first_id) & (codes < sheet.first_id + sheet.n_markers)


def _finer(grey: NDArray[np.uint8], corners: NDArray[np.float32], rim_px: float) -> NDArray[np.float64]:
    """Corners searched again in the widest window that holds nothing but the four squares around them."""
    half = int(np.clip(0.75 * rim_px, 3, 25))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-3)
    start = np.asarray(corners, np.float32).reshape(-1, 1, 2).copy()
    return cv2.cornerSubPix(grey, start, (half, half), (-1, -1), stop).reshape(-1, 2).astype(float)


def _solve(sheet, plane, corners, size, focal_px, focal_relative_sd):  # type: ignore[no-untyped-def]
    longer = max(size)
    prior_focal = focal_px if focal_px is not None else 0.85 * longer
    prior_sd = focal_relative_sd if focal_px is not None else _FOCAL_PRIOR_LOG_SD

    def residual(p: NDArray[np.float64]) -> NDArray[np.float64]:
        # of what was printed up the sheet over what was printed across; taken for none where left out
        stretch = p[8:]
        printed = plane * [1.0, 1.0 + stretch.sum()]
        away = _camera(p[:8], size, 0.0).mm_to_px(printed) - corners
        known = [(p[0] - math.log(prior_focal)) / prior_sd, p[1] / _K1_PRIOR_SD]
        return np.concatenate([away.ravel() / _NOISE_PX, stretch / _STRETCH_SD, known])

    starts = [prior_focal] if focal_px is not None else [longer * k for k in _FOCAL_STARTS]

    def best(n_free: int):  # type: ignore[no-untyped-def]
        fits = [_fit(residual, plane, corners, size, focal, n_free) for focal in starts]
        return min((f for f in fits if f is not None), key=lambda f: f.cost, default=None)

    fit = best(8)
    if fit is None:
        raise MeasurementError(
            "the printed target was found but gives no pose; lay it flat and take the photo again"
        )
    camera = _camera(fit.x, size, 0.0)
    rms = float(np.sqrt(((camera.mm_to_px(plane) - corners) ** 2).sum(1).mean()))
    if rms > max(1.0, _MAX_RMS_SHARE * longer):
        raise MeasurementError(
            f"the printed target does not fit a flat sheet (residual {rms:.1f} px); lay it flat, print it at 100 % in both "
            "directions, and take the photo again"
        )
    drawn_out = best(9)
    stretch = float(drawn_out.x[8])
    if abs(stretch) > _MOST_STRETCH and 2 * (fit.cost - drawn_out.cost) > _SURE:
        raise MeasurementError(
            f"the printed target is {100 * abs(stretch):.1f} % {'longer' if stretch > 0 else 'shorter'} up the sheet than "
            "it should be for what it is across: the printer drew it out, or it does not lie flat; print it at 100 % both "
            "ways, lay it flat, and take the photo again"
        )
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * _inflation(rms, len(corners))
    return TargetPose(
        paper=sheet.paper,
        size_wh=size,
        rotation=Rotation.from_rotvec(fit.x[2:5]).as_matrix(),
        translation_mm=fit.x[5:8],
        focal_px=float(math.exp(fit.x[0])),
        k1=float(fit.x[1]),
        covariance=covariance,
        n_corners=len(corners),
        rms_px=rms,
        corners_mm=plane,
        corners_px=corners,
    )


def _inflation(rms_px: float, n_corners: int) -> float:
    """Factor on the covariance that a misfit of the corners asks for.

    Of the noise alone, corners err each for itself; a sheet that does not lie flat moves many of them alike.
    """
    over = (rms_px / math.sqrt(2) / _NOISE_PX) ** 2 - 1
    return 1 + max(0.0, over) * max(1.0, n_corners / _TOGETHER)


def _loss(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """For `least_squares`: corners may be wrong; what is known of the camera is no corner, and is not overruled as one."""
    root = np.sqrt(1 + z)
    out = np.stack([2 * (root - 1), 1 / root, -0.5 / root**3])
    out[:, -_N_PRIORS:] = np.stack([z, np.ones_like(z), np.zeros_like(z)])[:, -_N_PRIORS:]
    return out


def _fit(residual, plane, corners, size, focal, n_free):  # type: ignore[no-untyped-def]
    matrix = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    flat = np.column_stack([plane, np.zeros(len(plane))])
    good, turn, move = cv2.solvePnP(flat, corners, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    if not good:
        return None
    start = np.concatenate([[math.log(focal), 0.0], turn.ravel(), move.ravel(), [0.0]])
    scale = np.array([0.05, 0.02, 0.05, 0.05, 0.05, 5.0, 5.0, 20.0, 0.01])
    return least_squares(
        residual, start[:n_free], loss=_loss, f_scale=3.0, x_scale=scale[:n_free], max_nfev=200
    )


def _camera(p: NDArray[np.float64], size: tuple[int, int], height_mm: float) -> Camera:
    focal, centre = math.exp(p[0]), ((size[0] - 1) / 2, (size[1] - 1) / 2)
    turn = Rotation.from_rotvec(p[2:5]).as_matrix()
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    homography = matrix @ np.column_stack([turn[:, 0], turn[:, 1], p[5:8] + height_mm * turn[:, 2]])
    return Camera(homography=homography, lens=Lens(k1=float(p[1]), centre_xy=centre, scale_px=focal))
