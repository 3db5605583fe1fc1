"""The epitrochoid bore against published geometry.

Source: R. F. Ansdale, The Wankel RC Engine, 1968, and K. Yamamoto, Rotary Engine, 1981 (formulas from
memory); each figure below was recomputed by quadrature over a 200 000-point polygon. e and R are invented,
no engine's.
"""

from __future__ import annotations

import numpy as np
import pytest

from pitmap.drawing import Trochoid

CASES = [
    # e, R, area, length, greatest lean, length along x, waist, height, 3 sqrt(3) e R
    (15, 100, 33536.501577, 660.551908, 26.743684, 230, 170, 173.521977, 7794.228634),
    (10, 70, 16336.281799, 460.262252, 25.376934, 160, 120, 121.716124, 3637.306696),
    (0, 50, 7853.981634, 314.159265, 0, 100, 100, 100, 0),
]


@pytest.mark.parametrize("row", CASES)
def test_tro_1_area(row):
    trace = Trochoid(eccentricity_mm=row[0], radius_mm=row[1])
    assert trace.area_mm2 == pytest.approx(row[2], rel=1e-6)
    assert trace.polygon(1000).area == pytest.approx(row[2], rel=1e-4)


@pytest.mark.parametrize("row", CASES)
def test_tro_2_length(row):
    trace = Trochoid(eccentricity_mm=row[0], radius_mm=row[1])
    assert trace.length_mm == pytest.approx(row[3], rel=1e-6)
    assert trace.polygon(1000).length == pytest.approx(row[3], rel=1e-4)


@pytest.mark.parametrize("row", CASES)
def test_tro_3_lean(row):
    assert Trochoid(eccentricity_mm=row[0], radius_mm=row[1]).lean_max_deg == pytest.approx(row[4], abs=1e-6)


@pytest.mark.parametrize("row", CASES)
def test_tro_4_extents(row):
    trace = Trochoid(eccentricity_mm=row[0], radius_mm=row[1])
    x0, y0, x1, y1 = trace.polygon(20_000).bounds
    assert trace.long_axis_mm == pytest.approx(row[5], rel=1e-12)
    assert trace.waist_mm == pytest.approx(row[6], rel=1e-12)
    assert x1 - x0 == pytest.approx(row[5], rel=1e-6)
    # The box is higher than the waist when R < 9 e, with its top at cos^2 a = (9e - R) / 12e.
    assert y1 - y0 == pytest.approx(row[7], rel=1e-6)
    if row[0]:
        a = np.arccos(np.sqrt((9 * row[0] - row[1]) / (12 * row[0])))
        assert 2 * trace.points(a)[1] == pytest.approx(row[7], rel=1e-6)


@pytest.mark.parametrize("row", CASES)
def test_tro_5_curvature(row):
    """Against the curvature of the points themselves, by central differences."""
    trace = Trochoid(eccentricity_mm=row[0], radius_mm=row[1])
    a, h = np.array([0.1, 0.7, 1.2, 1.5, 2.9, 4.4]), 1e-4
    p0, p1, p2 = (trace.points(a + k) for k in (-h, 0.0, h))
    d1, d2 = (p2 - p0) / (2 * h), (p2 - 2 * p1 + p0) / h**2
    radius = np.hypot(d1[:, 0], d1[:, 1]) ** 3 / (d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0])
    assert trace.curvature_radius_mm(a) == pytest.approx(radius, rel=1e-4)


def test_tro_5_waist_bends_inwards_when_r_is_under_9e():
    assert Trochoid(eccentricity_mm=15, radius_mm=100).curvature_radius_mm(np.pi / 2) < 0
    assert Trochoid(eccentricity_mm=10, radius_mm=95).curvature_radius_mm(np.pi / 2) > 0


@pytest.mark.parametrize("row", CASES)
def test_tro_6_swept_volume(row):
    trace = Trochoid(eccentricity_mm=row[0], radius_mm=row[1])
    assert trace.swept_volume_mm3(1.0) == pytest.approx(row[8], rel=1e-6)


def test_offset_area_and_length_follow_steiner():
    """Steiner's formula for parallel curves (1840, any geometry handbook): A + L d + pi d^2, L + 2 pi d."""
    trace = Trochoid(eccentricity_mm=10, radius_mm=70, offset_mm=2)
    assert trace.area_mm2 == pytest.approx(16336.281799 + 2 * 460.262252 + np.pi * 4, rel=1e-6)
    assert trace.length_mm == pytest.approx(460.262252 + 4 * np.pi, rel=1e-6)
    assert trace.polygon(5000).area == pytest.approx(trace.area_mm2, rel=1e-5)
