"""Squeeze and fill of a ring in its groove against published tables."""

from __future__ import annotations

import math

import pytest

from pitmap.stock import fill_percent, squeeze_percent

IN = 25.4


@pytest.mark.parametrize(
    ("section", "depth", "removed_um", "squeeze"),
    [
        (3.0, 2.3, 0, 23.3333),  # cord 3.0 in a 2.3 groove: 0.7 mm (groove-design page)
        (2.0, 1.5, 0, 25.0),  # the same page
        (3.0, 2.3, 50, 25.0),  # lapping d off the face takes d off the groove (arithmetic)
        (3.0, 2.3, 200, 30.0),
    ],
)
def test_squeeze_worked_cases(section, depth, removed_um, squeeze):
    assert squeeze_percent(section, depth, removed_um) == pytest.approx(squeeze, abs=1e-4)


@pytest.mark.parametrize(("thou", "squeeze"), [(0, 25.2), (3, 27.3), (6, 29.5)])
def test_squeeze_after_lapping_in_thou(thou, squeeze):
    """Ring 0.139 in, groove 0.104 in; arithmetic on the published groove."""
    assert squeeze_percent(0.139 * IN, 0.104 * IN, thou * 25.4) == pytest.approx(squeeze, abs=0.06)


# "Standard static groove dimensions": depth 0.75 W, width 1.5 W.
STATIC = [(0.070, 0.053, 0.105), (0.103, 0.077, 0.155), (0.139, 0.104, 0.209), (0.210, 0.158, 0.315), (0.236, 0.177, 0.354),
          (0.275, 0.206, 0.413)]  # fmt: skip


@pytest.mark.parametrize(("section", "depth", "width"), STATIC)
def test_fill_of_the_simple_table(section, depth, width):
    assert math.floor(section * 0.75 * 1000 + 0.5) / 1000 == pytest.approx(depth)
    # pi/4 / (0.75 x 1.5) whatever the section; the table's rounding moves it by half a point.
    assert fill_percent(section * IN, 0.75 * section * IN, 1.5 * section * IN) == pytest.approx(
        69.813, abs=1e-3
    )
    assert fill_percent(section * IN, depth * IN, width * IN) == pytest.approx(69.813, abs=0.7)
    assert squeeze_percent(section * IN, 0.75 * section * IN) == pytest.approx(25.0, abs=1e-9)


# Static radial glands with tolerances ("O-Ring Installation ... Static Cylindrical"): W, tol, L least and most,
# squeeze least and most in inch, percent least and most. The page prints .138 in the third row; only .139 fits it.
RADIAL = [
    (0.070, 0.003, 0.050, 0.052, 0.015, 0.023, 22, 32), (0.103, 0.003, 0.081, 0.083, 0.017, 0.025, 17, 24),
    (0.139, 0.004, 0.111, 0.113, 0.022, 0.032, 16, 23), (0.210, 0.005, 0.170, 0.173, 0.032, 0.045, 15, 21),
    (0.275, 0.006, 0.226, 0.229, 0.040, 0.055, 15, 20),
]  # fmt: skip

# Static face glands (Parker O-Ring Handbook ORD 5700, Design Chart 4-3, from memory but self-checking).
FACE = [
    (0.070, 0.003, 0.050, 0.054, 0.013, 0.023, 19, 32), (0.103, 0.003, 0.074, 0.080, 0.020, 0.032, 20, 30),
    (0.139, 0.004, 0.101, 0.107, 0.028, 0.042, 20, 30), (0.210, 0.005, 0.152, 0.162, 0.043, 0.063, 21, 30),
    (0.275, 0.006, 0.201, 0.211, 0.058, 0.080, 21, 29),
]  # fmt: skip


@pytest.mark.parametrize("row", RADIAL + FACE)
def test_squeeze_worst_cases_of_gland_tables(row):
    w, tol, l_min, l_max, least_in, most_in, least, most = row
    thin, thick = (w - tol) * IN, (w + tol) * IN
    low, high = squeeze_percent(thin, l_max * IN), squeeze_percent(thick, l_min * IN)
    assert low / 100 * thin / IN == pytest.approx(least_in, abs=6e-4)
    assert high / 100 * thick / IN == pytest.approx(most_in, abs=6e-4)
    # Printed percents are rounded, not uniformly: within a point.
    assert (low, high) == (pytest.approx(least, abs=1.0), pytest.approx(most, abs=1.0))


@pytest.mark.parametrize(
    ("row", "width", "fill", "worst"),
    [
        (FACE[0], (0.101, 0.107), 71.2, 82.9), (FACE[1], (0.136, 0.142), 77.9, 87.7), (FACE[2], (0.177, 0.187), 80.2, 89.8),
        (FACE[3], (0.270, 0.290), 78.8, 88.5), (FACE[4], (0.342, 0.362), 81.9, 90.2),
    ],
)  # fmt: skip
def test_fill_of_the_face_glands(row, width, fill, worst):
    """Mid values and worst case of the same chart (arithmetic)."""
    w, tol, l_min, l_max = row[:4]
    assert fill_percent(w * IN, (l_min + l_max) / 2 * IN, sum(width) / 2 * IN) == pytest.approx(fill, abs=0.1)
    assert fill_percent((w + tol) * IN, l_min * IN, width[0] * IN) == pytest.approx(worst, abs=0.1)
