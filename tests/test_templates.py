"""Maps of one shape at every place of a picture: against the same sums, written out place by place."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import box

from pitmap.drawing import Drawing
from pitmap.registration.coarse import _thin, _whole_plates
from pitmap.registration.edges import drawn_edges
from pitmap.registration.evidence import N_DIRECTIONS, EdgeField
from pitmap.registration.templates import ShapeMaps


def edge_field(gain: np.ndarray) -> EdgeField:
    """Only its gain (D, H, W) counts here."""
    nothing = np.zeros((*gain.shape, 2), np.float32)
    return EdgeField(near_xy=nothing, near_normal=nothing, distance=gain, gain=gain)


@pytest.mark.parametrize(("height", "width"), [(20, 30), (21, 30), (20, 31), (21, 31)])
def test_maps_of_a_shape_are_the_sums_of_its_samples(height: int, width: int) -> None:
    """Of pictures with an odd number of columns too, as a portrait photo of 2:3 becomes one of 213 x 320 px."""
    rng = np.random.default_rng(5)
    # whole units, so that nothing is rounded
    units = rng.integers(-100, 500, (N_DIRECTIONS, height, width))
    maps = ShapeMaps(edge_field((units / 500).astype(np.float32)), 9.0)
    offsets = np.array([[0, 0], [3, 0], [0, 5], [-4, 7], [-7, -2], [6, -5]])
    direction = np.array([0, 1, 2, 3, 5, 7])
    angle = np.pi * direction / N_DIRECTIONS
    found = maps(offsets.astype(float), np.column_stack([np.cos(angle), np.sin(angle)]))
    assert found.shape == (-(-height // 2), -(-width // 2))
    for row, col in np.ndindex(*found.shape):
        at = offsets + [2 * col, 2 * row]
        inside = ((at >= 0) & (at < [width, height])).all(1)
        assert found[row, col] == units[direction[inside], at[inside, 1], at[inside, 0]].sum()


def test_a_plate_of_which_every_sample_is_met_scores_best() -> None:
    """Where the picture has edges everywhere, the places at which all of the plate is in it, and not just some of it."""
    drawing = Drawing(name="bar", thickness_mm=10.0, outline=box(-100, -50, 100, 50), openings=(), zones={})
    edges = drawn_edges(drawing, 200 / 30)
    assert len(_thin(edges.take(edges.length_mm > 0), 48).part) == 82
    field = edge_field(np.ones((N_DIRECTIONS, 120, 160), np.float32))
    # upright and unturned at half a pixel per mm, the plate is 100 x 50 px
    x, y, size, tilt, _, turn = _whole_plates(field, edges, np.zeros(2), np.array([0.5]), 1)[0]
    assert (size, tilt, turn) == (0.5, 0.0, 0.0)
    assert 50 <= x <= 159 - 50 and 25 <= y <= 119 - 25
