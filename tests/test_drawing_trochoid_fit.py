"""The bore trace from clicks: exact points, errors and interval coverage over seeded trials, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from pitmap.drawing import Trochoid, fit_trochoid, suggested_clicks
from pitmap.drawing.trochoid_fit import _trochoid
from pitmap.errors import InputError, NotEnoughData

TRACE = Trochoid(
    eccentricity_mm=12.0, radius_mm=80.0, offset_mm=2.0, centre_xy_mm=(7.0, -4.0), rotation_deg=33.0
)


def test_exact_points_give_exact_numbers():
    fit = fit_trochoid(TRACE.points(np.linspace(0, 6, 14)), offset_mm=2.0)
    assert fit.eccentricity_mm.value == pytest.approx(12.0, abs=1e-6)
    assert fit.radius_mm.value == pytest.approx(80.0, abs=1e-6)
    assert (fit.centre_x_mm.value, fit.centre_y_mm.value) == pytest.approx((7.0, -4.0), abs=1e-6)
    assert fit.rotation_deg.value == pytest.approx(33.0, abs=1e-6)
    assert fit.rms_mm < 1e-6
    assert fit.offset_mm.value == 2.0 and "given by the user" in fit.offset_mm.reason


def test_exact_points_give_the_offset_too():
    fit = fit_trochoid(TRACE.points(np.linspace(0, 6, 24)), offset_mm=None)
    assert fit.offset_mm.value == pytest.approx(2.0, abs=1e-3)
    assert fit.radius_mm.value == pytest.approx(80.0, abs=1e-3)


def test_residuals_are_signed_distances():
    angles = suggested_clicks(12)
    normals = TRACE.points(angles) - Trochoid(
        eccentricity_mm=12.0, radius_mm=80.0, offset_mm=1.0, centre_xy_mm=(7.0, -4.0), rotation_deg=33.0
    ).points(angles)
    moved = TRACE.points(angles) + 0.01 * normals
    fit = fit_trochoid(moved, offset_mm=2.0)
    assert fit.radius_mm.value == pytest.approx(80.01, abs=0.002)
    assert np.abs(fit.residuals_mm).max() < 0.001
    assert not fit.residuals_mm.flags.writeable


def test_suggested_clicks_are_at_ends_and_waist():
    degrees = np.sort(np.degrees(suggested_clicks(12)) % 360)
    assert degrees == pytest.approx([0, 12, 78, 90, 102, 168, 180, 192, 258, 270, 282, 348])


def test_circle_has_no_direction():
    rng = np.random.default_rng(5)
    circle = Trochoid(eccentricity_mm=0.0, radius_mm=50.0)
    fit = fit_trochoid(circle.points(suggested_clicks(12)) + rng.normal(0, 0.3, (12, 2)))
    assert fit.radius_mm.covers(50.0)
    assert not fit.rotation_deg.has_interval and "circle" in fit.rotation_deg.reason


def test_too_few_clicks():
    with pytest.raises(NotEnoughData, match="6 are the least"):
        fit_trochoid(TRACE.points([0, 1, 2, 3, 4]))


def test_clicks_on_one_side_only():
    with pytest.raises(NotEnoughData):
        fit_trochoid(TRACE.points(np.linspace(0, 0.3, 12)) + np.random.default_rng(1).normal(0, 0.5, (12, 2)))


@pytest.mark.parametrize("points", [[[0, 1, 2]], [0, 1], [[np.nan, 1]] * 12])
def test_points_of_the_wrong_kind(points):
    with pytest.raises(InputError, match="clicks"):
        fit_trochoid(points)


@pytest.mark.slow
def test_500_trials_of_12_clicks():
    """Clicks near the ends and the waist (scattered by 5 degrees), 0.5 mm noise in x and in y.

    e within 0.3 mm and R within 0.5 mm in 90 % of the trials, 90 % intervals that cover in 85 to 95 %. The
    standard error of e cannot be under noise / sqrt(sum cos^2 2a): 0.144 mm here, and 0.204 mm for 12 clicks
    spread evenly, where 0.3 mm is reached in 86 % at best; so the page asks for clicks where they count.
    """
    good, covered = [], []
    for seed in range(500):
        rng = np.random.default_rng(seed)
        e, radius = rng.uniform(8, 18), rng.uniform(65, 110)
        # the bend at the waist (TRO-5): a trace laid 2 mm outwards must not cross itself there, with room for the noise
        while radius < 9 * e and (radius - 3 * e) ** 2 / (9 * e - radius) <= 4.0:
            e, radius = rng.uniform(8, 18), rng.uniform(65, 110)
        truth = Trochoid(
            eccentricity_mm=e,
            radius_mm=radius,
            offset_mm=2.0,
            centre_xy_mm=tuple(rng.uniform(-20, 20, 2)),
            rotation_deg=rng.uniform(-80, 80),
        )
        angles = suggested_clicks(12) + rng.normal(0, np.radians(5), 12)
        fit = fit_trochoid(truth.points(angles) + rng.normal(0, 0.5, (12, 2)), offset_mm=2.0)
        good.append(
            abs(fit.eccentricity_mm.value - truth.eccentricity_mm) < 0.3
            and abs(fit.radius_mm.value - truth.radius_mm) < 0.5
        )
        covered.append(
            (
                fit.eccentricity_mm.covers(truth.eccentricity_mm),
                fit.radius_mm.covers(truth.radius_mm),
                fit.centre_x_mm.covers(truth.centre_xy_mm[0]),
                fit.centre_y_mm.covers(truth.centre_xy_mm[1]),
                fit.rotation_deg.covers(truth.rotation_deg),
            )
        )
    assert np.mean(good) >= 0.90
    share = np.mean(covered, axis=0)
    assert (share >= 0.85).all() and (share <= 0.95).all(), share


def test_intervals_without_a_given_noise_are_students() -> None:
    """Twelve clicks leave seven free: noise from the sum of squares over 7, and t = 1.8946 in place of z = 1.6449."""
    true = Trochoid(eccentricity_mm=12.0, radius_mm=85.0)
    clicks = true.points(suggested_clicks()) * (1 + 0.004 * (-1.0) ** np.arange(12))[:, None]
    found = fit_trochoid(clicks)
    assert found.noise_mm**2 * 7 == pytest.approx((found.residuals_mm**2).sum(), rel=1e-12)
    given = fit_trochoid(clicks, noise_mm=found.noise_mm)
    wide, narrow = (f.radius_mm.high - f.radius_mm.low for f in (found, given))
    assert wide / narrow == pytest.approx(1.89458 / 1.64485, rel=1e-5)


def test_negative_eccentricity_is_the_curve_turned_by_a_quarter() -> None:
    trochoid = _trochoid(np.array([-10.0, 85.0, 0.0, 0.0, 0.0]), 0.0)
    assert (trochoid.eccentricity_mm, trochoid.rotation_deg) == (10.0, 90.0)
    # x = -10 cos 3a + 85 cos a, y = -10 sin 3a + 85 sin a: the waist lies on the x axis
    assert np.abs(trochoid.points([0.0, np.pi / 2]) - [[0.0, 95.0], [-75.0, 0.0]]).max() < 1e-9
