"""Clicks in two photos of one plate: the same holes, and where the others must be."""

from __future__ import annotations

import numpy as np
import pytest

from pitmap.errors import MeasurementError
from pitmap.registration.camera import apply_homography
from pitmap.tracing.same_holes import carried_places, check_same_holes

FIRST = {
    "hole 1": (210.0, 180.0), "hole 2": (1830.0, 160.0), "hole 3": (1770.0, 1240.0), "hole 4": (260.0, 1300.0),
    "hole 5": (1010.0, 240.0), "hole 6": (700.0, 1120.0),
}  # fmt: skip
VIEW = np.array([[0.2, -0.9, 1500.0], [0.8, 0.25, 90.0], [6e-5, -4e-5, 1.0]])
"""Turned by most of a quarter and tilted."""


def seen(names, rng=None, sd: float = 0.0) -> dict[str, tuple[float, float]]:
    p = apply_homography(VIEW, np.array([FIRST[n] for n in names]).reshape(-1, 2))
    if rng is not None:
        p = p + rng.normal(0, sd, p.shape)
    return {n: (float(x), float(y)) for n, (x, y) in zip(names, p)}


@pytest.mark.parametrize("n", [0, 2, 4, 5, 6])
def test_same_holes_with_a_shaking_hand_pass(n: int) -> None:
    rng = np.random.default_rng(n)
    for _ in range(20):
        check_same_holes(FIRST, seen(list(FIRST)[:n], rng, 3.0))


def test_two_holes_swapped_are_told() -> None:
    here = seen(["hole 1", "hole 2", "hole 3", "hole 4"])
    here["hole 3"], here["hole 4"] = here["hole 4"], here["hole 3"]
    with pytest.raises(MeasurementError, match="two are swapped"):
        check_same_holes(FIRST, here)


def test_other_side_of_the_plate_is_told() -> None:
    here = {n: (2000.0 - x, y) for n, (x, y) in seen(list(FIRST)).items()}
    with pytest.raises(MeasurementError, match="the other way round"):
        check_same_holes(FIRST, here)


def test_the_hole_next_door_is_named() -> None:
    here = seen(list(FIRST))
    x, y = here["hole 5"]
    here["hole 5"] = (x + 160.0, y + 20.0)
    with pytest.raises(MeasurementError, match="hole 5 is another hole"):
        check_same_holes(FIRST, here)


def test_with_five_holes_the_wrong_one_cannot_be_told() -> None:
    here = seen(["hole 1", "hole 2", "hole 3", "hole 4", "hole 6"])
    x, y = here["hole 6"]
    here["hole 6"] = (x - 200.0, y + 10.0)
    with pytest.raises(MeasurementError, match="one of the 5 clicks"):
        check_same_holes(FIRST, here)


def test_places_of_the_other_holes() -> None:
    found = carried_places(FIRST, seen(["hole 1", "hole 2", "hole 3", "hole 4"]))
    assert list(found) == ["hole 5", "hole 6"]
    for name, xy in seen(["hole 5", "hole 6"]).items():
        assert found[name] == pytest.approx(xy, abs=1e-3)


def test_no_places_from_three_holes_or_for_none_missing() -> None:
    assert carried_places(FIRST, seen(["hole 1", "hole 2", "hole 3"])) == {}
    assert carried_places(FIRST, seen(list(FIRST))) == {}
