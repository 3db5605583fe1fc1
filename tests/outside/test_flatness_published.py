"""Flatness against exact geometry and against Moody's plate."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pitmap.depth.flatness import flatness, least_squares_width, minimum_width
from pitmap.depth.straightedge import edge_gap
from pitmap.depth.union_jack import union_jack

H = 0.001


def _square(n, f):
    s = np.linspace(-50, 50, n)
    x, y = np.meshgrid(s, s)
    return np.column_stack([x.ravel(), y.ravel(), np.broadcast_to(f(x, y), x.shape).ravel()])


def _raised(n, place):
    points = _square(n, lambda x, y: 0 * x)
    points[place, 2] = H
    return points


TWISTED = [(0, 0, 0.01), (100, 0, -0.01), (100, 100, 0.01), (0, 100, -0.01)]
TETRAHEDRON = np.array([(1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)]) / (2 * math.sqrt(2))

# Exact by geometry: the width of a convex body is reached at a face and a vertex or at two edges
# (Houle & Toussaint, IEEE PAMI 10 (1988) 761, from memory). Faces of the hull alone would give 0.04 for the first.
EXACT = [
    ("twisted square", TWISTED, 0.02, 0.02),
    ("tetrahedron", TETRAHEDRON, math.sqrt(0.5), None),
    ("3x3, one corner up", _raised(3, 2), 0.75 * H, 5 / 6 * H),
    ("3x3, centre up", _raised(3, 4), H, H),
    ("square, one corner up", _raised(2, 1), 0.5 * H, 0.5 * H),
    ("bowl", _square(11, lambda x, y: 1e-5 * (x * x + y * y)), 0.05, 0.05),
    ("saddle", _square(11, lambda x, y: 1e-5 * (x * x - y * y)), 0.05, 0.05),
    ("twist", _square(11, lambda x, y: 1e-5 * x * y), 0.05, 0.05),
    ("ridge", _square(11, lambda x, y: 1e-5 * x * x), 0.025, 0.025),
]


@pytest.mark.parametrize(("name", "points", "zone", "least_squares"), EXACT, ids=[e[0] for e in EXACT])
def test_minimum_width_exact(name, points, zone, least_squares):
    # The width is measured normal to the planes: smaller than the spread by the tilt's cosine, 1 part in 1e8.
    assert minimum_width(points) == pytest.approx(zone, rel=1e-7)
    if least_squares is not None:
        assert least_squares_width(points) == pytest.approx(least_squares, rel=1e-7)


@pytest.mark.parametrize(
    ("name", "points", "zone", "least_squares"),
    [e for e in EXACT if e[0] != "tetrahedron"],
    ids=[e[0] for e in EXACT if e[0] != "tetrahedron"],
)
def test_flatness_of_measured_heights_exact(name, points, zone, least_squares):
    """The same cases as heights in um at places on a face, as a plan gets them from a shop's dial indicator."""
    x, y, z = np.asarray(points, float).T
    found = flatness(x, y, 1000 * z, 1.0)
    assert found.minimum_zone_um.value == pytest.approx(1000 * zone, rel=1e-7)
    assert found.least_squares_um == pytest.approx(1000 * least_squares, rel=1e-7)


def _by_search(points):
    """Exhaustive: every plane through three points, every pair of parallel planes through two edges."""
    best = math.inf
    normals = [np.cross(b - a, c - a) for a, b, c in itertools.combinations(points, 3)]
    pairs = list(itertools.combinations(range(len(points)), 2))
    normals += [
        np.cross(points[j] - points[i], points[l] - points[k])
        for (i, j), (k, l) in itertools.combinations(pairs, 2)
    ]
    for normal in normals:
        size = np.linalg.norm(normal)
        if size > 1e-9:
            best = min(best, float(np.ptp(points @ (normal / size))))
    return best


def test_minimum_width_equals_exhaustive_search():
    rng = np.random.default_rng(3)
    for _ in range(6):
        points = np.column_stack([rng.uniform(0, 200, 9), rng.uniform(0, 120, 9), rng.normal(0, 0.01, 9)])
        assert minimum_width(points) == pytest.approx(_by_search(points), rel=1e-8)


def test_minimum_width_does_not_depend_on_how_the_plate_lay():
    """A linear programme along z alone gave 0.0423 in place of 0.0392 after a turn of 20 degrees."""
    rng = np.random.default_rng(8)
    points = np.column_stack([rng.uniform(0, 200, (40, 2)), rng.normal(0, 0.01, 40)])
    c, s = math.cos(math.radians(20)), math.sin(math.radians(20))
    turned = points @ np.array([[1, 0, 0], [0, c, s], [0, -s, c]])
    assert minimum_width(turned) == pytest.approx(minimum_width(points), rel=1e-9)


HEIGHTS = hnp.arrays(float, 12, elements=st.floats(-50, 50).map(lambda v: round(v, 3)))


@settings(max_examples=30, deadline=None)
@given(HEIGHTS, st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
def test_flatness_properties(z, a, b):
    x, y = (c.ravel().astype(float) for c in np.meshgrid([0, 60, 130, 200], [0, 50, 110]))
    if np.ptp(z) < 0.01:
        z = z + np.arange(12) % 5
    plain = flatness(x, y, z, 3.0)
    assert plain.minimum_zone_um.value <= plain.least_squares_um + 1e-6
    tilted = flatness(x, y, z + a * x + b * y + 7, 3.0)
    assert tilted.minimum_zone_um.value == pytest.approx(plain.minimum_zone_um.value, abs=1e-3)


MOODY = {
    "NW_SE": "6.5 6 5 5.2 5.5 5.6 5.5 5 5.5 4.8 5 5.2 5.3 4.9 4.6 4.2 5.3 4.9 4.5 3.5",
    "NE_SW": "6.6 5.4 5.4 5.2 5.5 5.7 5 5 5.4 4.5 4.4 4.5 4.5 4.8 4.2 4.2 4.2 4.8 4.3 3.2",
    "NE_NW": "20.5 19.7 20.5 20.3 20.2 19.9 19 19.5 18.8 18.6 18.7 18.6 18.4 18.5 19 17.9",
    "SE_SW": "16.4 15 15.6 15.5 15.1 15.3 15.1 14.6 14 13.5 13.5 13.3 13.3 13.4 14 13.9",
    "E_W": "11.7 12.4 12.1 12.5 12 11.5 11.5 11.3 11.3 10.3 10.8 10.3 10 10.7 10.4 10.4",
    "NE_SE": "3.5 2.1 2.5 2.8 3.4 3.2 3.5 4 4.2 3.5",
    "NW_SW": "6 4.6 4.5 4.7 5 4.5 5.9 6 6 4.9",
    "N_S": "6.6 6.4 6.3 6.5 6.6 6.9 7.5 7.4 7.1 7",
}
MOODY_HEIGHTS = {
    "NW_SE": "62.1 89.2 106.7 104.7 106.7 114.4 124.1 131.9 129.9 137.7 131.9 129.9 131.9 135.7 131.9 122.2 104.7 108.6"
    " 104.7 93.1 62.1",
    "NE_SW": "29.1 63.2 74.1 84.9 91.9 104.7 121.4 124.5 127.6 138.5 131.9 123.3 116.7 110.1 109.4 97.0 84.6 72.1 71.4"
    " 60.9 29.1",
    "NE_NW": "29.1 55.3 65.9 92.1 114.4 134.8 149.3 146.4 153.2 146.4 135.7 127.0 116.4 101.8 89.2 86.3 62.1",
    "SE_SW": "62.1 97.4 105.7 125.6 143.5 153.7 167.7 177.9 178.4 167.3 146.4 125.6 100.8 76.1 53.3 42.2 29.1",
    "E_W": "19.4 30.1 54.3 72.7 98.9 115.4 122.2 129.0 131.9 134.8 118.3 111.5 95.0 72.7 64.0 49.5 34.9",
    "NE_SE": "29.1 36.8 17.5 5.8 0.0 5.8 7.8 15.5 33.0 54.3 62.1",
    "NW_SW": "62.1 74.1 59.0 41.9 28.7 21.3 4.3 14.4 26.4 38.4 29.1",
    "N_S": "153.2 151.3 145.4 137.7 133.8 131.9 135.7 151.3 164.8 172.6 178.4",
}
MICROINCH = 0.0254


def test_union_jack_moodys_plate():
    """J. C. Moody, The Tool Engineer, October 1955, with the corrections of B. Allen (2019); 48 x 72 in, 4 in stations.

    The heights are a re-reduction that agrees with the note's own file to 2e-4 microinch; given here to 0.1.
    """
    found = union_jack({k: np.array(v.split(), float) for k, v in MOODY.items()}, 4 * 25.4)
    for line, text in MOODY_HEIGHTS.items():
        assert found.heights_um[line] / MICROINCH == pytest.approx(np.array(text.split(), float), abs=0.1)
    assert found.flatness_um / MICROINCH == pytest.approx(178.4, abs=0.1)
    assert found.closure_um["E_W"] / MICROINCH == pytest.approx(-13.57, abs=0.01)
    assert found.closure_um["N_S"] / MICROINCH == pytest.approx(0.0, abs=0.01)


def test_union_jack_moodys_plate_zone_and_least_squares():
    """Recomputed for the same eight lines, not published: minimum zone 163.7, least squares 175.4 microinch."""
    found = union_jack({k: np.array(v.split(), float) for k, v in MOODY.items()}, 4 * 25.4)
    corner = {"NW": (0, 48), "NE": (72, 48), "SW": (0, 0), "SE": (72, 0), "N": (36, 48), "S": (36, 0), "E": (72, 24),
              "W": (0, 24)}  # fmt: skip
    xy, z = [], []
    for line, heights in found.heights_um.items():
        a, b = (np.array(corner[c], float) * 25.4 for c in line.split("_"))
        xy.append(a + np.linspace(0, 1, len(heights))[:, None] * (b - a))
        z.append(heights)
    x, y = np.concatenate(xy).T
    flat = flatness(x, y, np.concatenate(z), 0.1)
    assert flat.minimum_zone_um.value / MICROINCH == pytest.approx(163.7, abs=0.1)
    assert flat.least_squares_um / MICROINCH == pytest.approx(175.4, abs=0.1)


def test_edge_gap_is_depth_under_the_hull():
    """Straightedge practice (tool-guide page); the gap under two high points is the depth below the upper hull."""
    found = edge_gap([0, 10, 20, 30, 40], [0, -2, -1, -3, 0])
    assert (found.largest_um, found.rocks) == (3.0, False)
    assert edge_gap([0, 10, 20], [0, 1, 0]).rocks
