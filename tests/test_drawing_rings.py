"""Plates from a plain JSON of rings: what is read, and refusals that name the file and the field."""

from __future__ import annotations

import json

import pytest

from pitmap.drawing import load_rings
from pitmap.errors import DrawingError


def square(half: float) -> list[list[float]]:
    return [[-half, -half], [half, -half], [half, half], [-half, half]]


def plate(**change) -> dict:
    """100 mm square with a hole of 10 mm."""
    rim = [{"exterior": square(50), "interiors": [square(5)]}]
    return {
        "outline": square(50),
        "holes": {"bolt": square(5)},
        "zones": {"rim": rim},
        "thickness": 12,
    } | change


def test_rings_are_read(tmp_path):
    path = tmp_path / "plate.json"
    path.write_text(json.dumps(plate()))
    drawing = load_rings(path)
    assert drawing.outline.area == 10_000 and drawing.zones["rim"].area == 9_900
    assert [(o.name, o.kind) for o in drawing.openings] == [("bolt", "bolt")] and drawing.thickness_mm == 12


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"zones": {"rim": None}}, "zones.rim is not a list of {exterior, interiors}"),
        ({"zones": {"rim": square(50)}}, "zones.rim is not a list of {exterior, interiors}"),
        ({"zones": {"rim": 3}}, "zones.rim is not a list of {exterior, interiors}"),
        ({"zones": {"rim": [{"interiors": []}]}}, "zones.rim"),
        ({"zones": None}, "expected outline, holes, zones and thickness"),
        ({"holes": {"bolt": 3}}, "holes.bolt is not a ring"),
        ({"trace": {"x": 1}}, "trace is not a ring"),
        ({"thickness": -12}, "thickness must be above 0 mm, got -12"),
        ({"zones": {"rim": []}}, "zones.rim is empty"),
        ({"holes": {"a\nb": square(5)}}, "hole .* has a character that no drawing file can hold"),
        ({"outline": square(15_000)}, "the outline is 30000 mm across"),
        (
            {"outline": [[x + 30_000, y] for x, y in square(50)]},
            "the outline lies 30050 mm from the origin",
        ),
    ],
)
def test_rings_refusal_names_file_and_field(tmp_path, change, words):
    path = tmp_path / "plate.json"
    path.write_text(json.dumps(plate(**change)))
    with pytest.raises(DrawingError, match=f"plate.json: {words}"):
        load_rings(path)


def test_two_holes_of_one_name_are_refused(tmp_path):
    """Of two entries of one name a reader of JSON keeps the last: a hole would be lost."""
    path = tmp_path / "plate.json"
    text = json.dumps(plate())
    path.write_text(text.replace('"holes": {', '"holes": {"bolt": [[20, 20], [30, 20], [30, 30]], '))
    with pytest.raises(DrawingError, match="plate.json: .*'bolt' is there twice"):
        load_rings(path)
