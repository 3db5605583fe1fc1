"""Homography, lens and warping against published numbers.

Sources: P. Heckbert, Fundamentals of Texture Mapping and Image Warping, UCB/CSD 89/516 (1989), section 2.2 (from
memory); K. Mikolajczyk et al., IJCV 65 (2005) 43-72, planar scene "Graffiti" (matrices as printed in OpenCV's AKAZE
tutorial and public source files); the Brown-Conrady model as in OpenCV's calibration text.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pitmap.photo import merge_lamps
from pitmap.registration import Camera, Lens, apply_homography
from pitmap.registration.landmarks import view_from_points
from pitmap.registration.poses import exp_rotation
from pitmap.registration.view import View

UNIT_SQUARE = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
H1TO3P = np.array(
    [
        [7.6285898e-01, -2.9922929e-01, 2.2567123e02],
        [3.3443473e-01, 1.0143901e00, -7.6999973e01],
        [3.4663091e-04, -1.4364524e-05, 1.0],
    ]
)
H1TO2P = np.array(
    [
        [8.7976964e-01, 3.1245438e-01, -3.9430589e01],
        [-1.8389418e-01, 9.3847198e-01, 1.5315784e02],
        [1.9641425e-04, -1.6015275e-05, 1.0],
    ]
)
CORNERS = np.array([[0.0, 0], [799, 0], [799, 639], [0, 639], [400, 320]])


@pytest.mark.parametrize(
    ("matrix", "corners", "middle"),
    [
        ([[4, 2, 0], [0, 4, 0], [0, 1, 1]], [(0, 0), (4, 0), (3, 2), (1, 2)], (2, 4 / 3)),
        (
            [[106070 / 633, -3500 / 633, 10], [1400 / 211, 24080 / 211, 20], [-71 / 633, -67 / 633, 1]],
            [(10, 20), (200, 30), (220, 180), (5, 150)],
            None,
        ),
    ],
)
def test_heckbert_square_to_quadrilateral(matrix: list, corners: list, middle: tuple | None) -> None:
    h = np.array(matrix, float)
    assert np.allclose(apply_homography(h, UNIT_SQUARE), corners, atol=1e-9)
    if middle is not None:
        assert np.allclose(apply_homography(h, [0.5, 0.5]), middle, atol=1e-9)


def test_cross_ratio_is_kept() -> None:
    s = np.array([0.0, 0.2, 0.7, 1.0])
    line = np.stack([100 + 500 * s, 50 + 300 * s], -1)
    t = np.hypot(*(apply_homography(H1TO3P, line) - apply_homography(H1TO3P, line[0])).T)

    def ratio(a: np.ndarray) -> float:
        return float((a[2] - a[0]) * (a[3] - a[1]) / ((a[2] - a[1]) * (a[3] - a[0])))

    assert ratio(t) == pytest.approx(ratio(s), abs=1e-9)


@pytest.mark.parametrize(
    ("matrix", "expected"),
    [
        (
            H1TO3P,
            [
                (225.6712, -77.0),
                (654.0509, 148.9582),
                (507.9655, 661.3207),
                (34.783, 576.4868),
                (383.6332, 336.2963),
            ],
        ),
        (
            H1TO2P,
            [
                (-39.4306, 153.1578),
                (573.5027, 5.3818),
                (752.7364, 528.3939),
                (161.8844, 760.6255),
                (384.2435, 353.9191),
            ],
        ),
    ],
)
def test_graffiti_corners(matrix: np.ndarray, expected: list) -> None:
    assert np.allclose(apply_homography(matrix, CORNERS), expected, atol=1e-3)


def test_graffiti_area_scale() -> None:
    camera = Camera(homography=H1TO3P, lens=Lens())
    assert float(camera.px_per_mm([400.0, 320.0])) ** 2 == pytest.approx(0.548936, abs=1e-5)


def test_radial_lens_as_printed() -> None:
    # OpenCV's projectPoints for (0.3, -0.2, 1), f 1000, c (640, 360), k1 -0.2, k2 0.05, p1 0.001, p2 -0.0005 gives
    # (932.1785, 165.3010); our lens has no tangential part, which is taken off by the printed formula
    x, y, p1, p2 = 0.3, -0.2, 0.001, -0.0005
    r2 = x * x + y * y
    tangential = 1000 * np.array(
        [2 * p1 * x * y + p2 * (r2 + 2 * x * x), p1 * (r2 + 2 * y * y) + 2 * p2 * x * y]
    )
    lens = Lens(k1=-0.2, k2=0.05, centre_xy=(640.0, 360.0), scale_px=1000.0)
    flat = np.array([640 + 1000 * x, 360 + 1000 * y])
    assert np.allclose(lens.distort(flat) + tangential, [932.1785, 165.3010], atol=1e-4)
    assert np.allclose(lens.undistort(lens.distort(flat)), flat, atol=1e-6)


def test_zhang_plane_pose_round_trip() -> None:
    # the pose of a plane from its homography: Zhang, IEEE PAMI 22 (2000) 1330-1334, section 3.1 (from memory)
    lean = exp_rotation(np.array([[0.35, -0.2, 0.0]]))[0] @ np.diag([1.0, -1.0, -1.0])
    view = View(
        rotation=lean,
        shift_mm=np.array([10.0, 4.0, 420.0]),
        focal_px=1250.0,
        centre_xy=np.array([799.5, 599.5]),
    )
    points = np.stack(np.meshgrid(np.linspace(-120, 120, 7), np.linspace(-90, 90, 5)), -1).reshape(-1, 2)
    found = view_from_points(points, view.project(points), (1600, 1200), focal_px=1250.0)
    assert np.allclose(found.project(points), view.project(points), atol=0.02)


@pytest.mark.parametrize(("gain", "offset"), [(1.0, 0.0), (0.8, 0.0), (1.0, 20.0), (0.7, 15.0)])
def test_shift_between_lamps_whatever_the_brightness(gain: float, offset: float) -> None:
    """A correlation coefficient does not change under I -> a I + b (J. Lewis, Fast Normalized Cross-Correlation, Vision
    Interface 1995, from memory): a shift of (3.5, -2.25) px that OpenCV gave a smooth random image is found to within
    0.06 px."""
    rng = np.random.default_rng(5)
    image = cv2.GaussianBlur(rng.normal(0, 1, (260, 340)).astype(np.float32), (0, 0), 2.0)
    image = (image - image.min()) / np.ptp(image)

    def picture(x: float, y: float, a: float, b: float) -> np.ndarray:
        moved = cv2.warpAffine(
            image,
            np.array([[1.0, 0.0, x], [0.0, 1.0, y]]),
            (340, 260),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT,
        )[10:250, 10:330]
        return np.repeat(np.round(a * (60 + 120 * moved) + b).astype(np.uint8)[..., None], 3, 2)

    pictures = [picture(0, 0, 1, 0), picture(3.5, -2.25, gain, offset)]
    merged = merge_lamps(pictures, [np.ones((240, 320), bool)] * 2)
    assert merged.shifts_px[1] - merged.shifts_px[0] == pytest.approx([3.5, -2.25], abs=0.06)
