"""Changing a drawing: every operation, what it refuses, steps taken back and laid on again, what lies under a press."""

from __future__ import annotations

import dataclasses
import math
import pickle

import numpy as np
import pytest
from shapely import Polygon, box

from pitmap.drawing import (
    Drawing,
    Opening,
    Trochoid,
    check_drawing,
    fit_trochoid,
    load_layers,
    load_shipped,
    load_svg,
    make_zones,
    save_layers,
    save_svg,
    suggested_clicks,
)
from pitmap.drawing.edit import (
    OPERATIONS,
    Edited,
    History,
    Replay,
    Step,
    adopted,
    apply_step,
    band_rule,
    blank_plate,
    circle_of,
    closed_curve,
    corners_of,
    hit,
    judge_fit,
    land_width,
    moved_stretch,
    opening_named,
)
from pitmap.errors import DrawingError, NotEnoughData


@pytest.fixture(scope="module")
def heron() -> Drawing:
    return load_shipped("heron40_end")


@pytest.fixture
def plain() -> Drawing:
    """A 200 x 160 mm plate without anything."""
    return blank_plate("plain", width_mm=200, height_mm=160, thickness_mm=12)


def do(drawing: Drawing, operation: str, **arguments: object) -> Edited:
    return apply_step(drawing, Step.of(operation, **arguments))


def traced(plain: Drawing) -> Drawing:
    return do(plain, "set_trace", eccentricity_mm=8.0, radius_mm=55.0, offset_mm=2.0).drawing


# Openings ---------------------------------------------------------------------------------------------


def test_hole_added_by_place_and_diameter(plain: Drawing) -> None:
    edited = do(plain, "add_hole", x_mm=30.0, y_mm=-20.0, diameter_mm=8.5, kind="dowel")
    (hole,) = edited.drawing.openings
    circle = circle_of(hole.polygon)
    assert (hole.name, hole.kind) == ("dowel_01", "dowel")
    assert circle is not None
    assert (circle.x_mm, circle.y_mm, circle.diameter_mm) == pytest.approx((30.0, -20.0, 8.5), abs=1e-3)
    assert edited.sentence == "dowel_01 added"
    # The rim lost the hole's area; a polygon of a circle is a little smaller than the circle.
    lost = plain.zones["rim"].area - edited.drawing.zones["rim"].area
    assert lost == pytest.approx(math.pi * 8.5**2 / 4, rel=0.005)


def test_hole_moved_keeps_its_diameter(heron: Drawing) -> None:
    moved = do(heron, "move_opening", name="bolt_03", x_mm=72.0, y_mm=70.0).drawing
    circle = circle_of(opening_named(moved, "bolt_03").polygon)
    assert circle is not None
    assert (circle.x_mm, circle.y_mm, circle.diameter_mm) == pytest.approx((72.0, 70.0, 6.6), abs=1e-3)
    assert moved.face().area == pytest.approx(heron.face().area, abs=0.01)


def test_diameter_typed(heron: Drawing) -> None:
    changed = do(heron, "set_diameter", name="bore", diameter_mm=64.0).drawing
    circle = circle_of(opening_named(changed, "bore").polygon)
    assert circle is not None and circle.diameter_mm == pytest.approx(64.0, abs=1e-3)


def test_polygon_opening_moved_by_its_middle(heron: Drawing) -> None:
    port = opening_named(heron, "port_intake").polygon
    moved = do(heron, "move_opening", name="port_intake", x_mm=50.0, y_mm=20.0).drawing
    new = opening_named(moved, "port_intake").polygon
    assert (new.centroid.x, new.centroid.y) == pytest.approx((50.0, 20.0), abs=1e-3)
    assert new.area == pytest.approx(port.area, abs=1e-2)


def test_opening_taken_out_gives_its_metal_back(heron: Drawing) -> None:
    bore = opening_named(heron, "bore").polygon
    less = do(heron, "remove_opening", name="bore").drawing
    assert less.zones["running_surface"].area - heron.zones["running_surface"].area == pytest.approx(
        bore.area, abs=0.01
    )
    assert "bore" not in {o.name for o in less.openings}


def test_rename_and_kind(heron: Drawing) -> None:
    named = do(heron, "rename_opening", name="bolt_01", new_name=" long bolt ").drawing
    kind = do(named, "set_kind", name="long bolt", kind="dowel").drawing
    assert opening_named(kind, "long bolt").kind == "dowel"


def test_opening_from_corners_and_from_a_smooth_edge(plain: Drawing) -> None:
    square = do(plain, "add_opening", points_mm=[[0, 0], [20, 0], [20, 10], [0, 10]], kind="port").drawing
    assert square.openings[0].polygon.area == pytest.approx(200.0)
    angles = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = np.column_stack([15 * np.cos(angles), 15 * np.sin(angles)])
    smooth = do(plain, "add_opening", points_mm=ring.tolist(), is_smooth=True, name="eye").drawing
    # Twelve clicks on a circle: the spline stays within 0.05 mm of it.
    away = np.hypot(*corners_of(smooth.openings[0].polygon).T)
    assert np.abs(away - 15).max() < 0.05


@pytest.mark.parametrize(
    ("operation", "arguments", "words"),
    [
        ("add_hole", {"x_mm": 0, "y_mm": 0, "diameter_mm": -2.54}, "above 0, got -2.54 mm = -0.1 in"),
        ("add_hole", {"x_mm": 900, "y_mm": 0, "diameter_mm": 8}, "outside the plate"),
        ("add_hole", {"x_mm": math.nan, "y_mm": 0, "diameter_mm": 8}, "needs two numbers"),
        ("add_hole", {"x_mm": 0, "y_mm": 0, "diameter_mm": 8, "kind": "screw"}, "'screw' is not one of"),
        ("add_hole", {"x_mm": 0, "y_mm": 0, "diameter_mm": 8, "name": "bore"}, "name of another opening"),
        ("add_hole", {"x_mm": 0, "y_mm": 0, "diameter_mm": 8, "name": "outline"}, "no name for an opening"),
        ("add_opening", {"points_mm": [[0, 0], [9, 9], [9, 0], [0, 9]]}, "near x 4.5 mm = 0.177 in, y 4.5 mm = 0.177 in"),
        ("add_opening", {"points_mm": [[0, 0], [9, 9]]}, "at least three points"),
        ("move_opening", {"name": "gone", "x_mm": 0, "y_mm": 0}, "'gone': is not in the drawing"),
        ("set_diameter", {"name": "port_intake", "diameter_mm": 9}, "'port_intake': is not round"),
        ("rename_opening", {"name": "bore", "new_name": "drain"}, "name of another opening"),
        ("rename_opening", {"name": "bore", "new_name": "  "}, "the new name is empty"),
        ("move_corner", {"element": "bore", "index": 0, "x_mm": 0, "y_mm": 0}, "'bore': is round"),
        ("move_corner", {"element": "outline", "index": 99999, "x_mm": 0, "y_mm": 0}, "there is no number 100000"),
        ("set_land", {"outer_mm": -2}, "got 0 mm = 0 in to -2 mm = -0.0787 in"),
        ("set_land", {"outer_mm": 50}, "50 mm = 1.97 in out from .* reaches over the outline"),
        ("set_trace", {"eccentricity_mm": 30, "radius_mm": 60}, "R > 3 e, .* got e 30 mm = 1.18 in, R 60 mm = 2.36 in"),
        ("set_trace", {"eccentricity_mm": 12, "radius_mm": 200}, "424 mm = 16.7 in long and 376 mm = 14.8 in across"),
        ("set_band", {"name": "x", "about": "trace", "from_mm": 5, "to_mm": 9, "seal_width_mm": 1}, "lies nowhere"),
        ("set_band", {"name": "x", "about": "trace", "from_mm": -5, "to_mm": -9, "seal_width_mm": 1},
         "-5 mm = -0.197 in to -9 mm = -0.354 in"),
        ("set_plate", {"name": "x", "thickness_mm": 0}, "thickness: must be above 0, got 0 mm = 0 in"),
        ("remove_edge", {"edge": "outline"}, "cannot be taken out"),
    ],
)  # fmt: skip
def test_refusals_name_the_element(heron: Drawing, operation: str, arguments: dict, words: str) -> None:
    with pytest.raises(DrawingError, match=words.replace("(", r"\(")):
        do(heron, operation, **arguments)


# Contours ---------------------------------------------------------------------------------------------


def test_stretch_moves_smoothly_and_ends_at_its_length() -> None:
    # A 400-point circle of 100 mm: points are pi/2 mm apart.
    angles = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    ring = 100 * np.column_stack([np.cos(angles), np.sin(angles)])
    moved = moved_stretch(ring, 0, (104.0, 0.0), 20.0)
    shift = np.hypot(*(moved - ring).T)
    step = 2 * 100 * math.sin(math.pi / 400)
    assert shift[0] == pytest.approx(4.0)
    assert [shift[1], shift[-1]] == pytest.approx(2 * [4 * (1 - (step / 20) ** 2) ** 2])
    assert np.flatnonzero(shift).tolist() == [*range(13), *range(388, 400)]
    # No spike: neighbours differ by little of the 4 mm.
    assert np.abs(np.diff(shift)).max() < 0.5
    assert np.count_nonzero(moved_stretch(ring, 7, (0.0, 0.0), 0.0) - ring) == 2


def test_corner_moved_added_taken_out(plain: Drawing) -> None:
    with_port = do(
        plain, "add_opening", points_mm=[[0, 0], [20, 0], [20, 10], [0, 10]], name="p", kind="port"
    ).drawing
    more = do(with_port, "add_corner", element="p", x_mm=10.0, y_mm=-4.0).drawing
    assert opening_named(more, "p").polygon.area == pytest.approx(240.0)
    corners = corners_of(opening_named(more, "p").polygon).round(3).tolist()
    less = do(more, "remove_corner", element="p", index=corners.index([10.0, -4.0])).drawing
    assert opening_named(less, "p").polygon.area == pytest.approx(200.0)
    at = corners_of(opening_named(less, "p").polygon).round(3).tolist().index([20.0, 10.0])
    moved = do(less, "move_corner", element="p", index=at, x_mm=30.0, y_mm=10.0).drawing
    assert opening_named(moved, "p").polygon.area == pytest.approx(250.0)


def test_corner_that_would_cross_is_refused_with_the_place(plain: Drawing) -> None:
    ring = [[0, 0], [20, 0], [20, 10], [0, 10]]
    with_port = do(plain, "add_opening", points_mm=ring, name="p", kind="port").drawing
    at = corners_of(opening_named(with_port, "p").polygon).round(3).tolist().index([20.0, 10.0])
    with pytest.raises(DrawingError, match="opening 'p': its edge would cross itself near"):
        do(with_port, "move_corner", element="p", index=at, x_mm=10.0, y_mm=-5.0)


def test_smooth_curve_through_few_points_is_refused() -> None:
    with pytest.raises(DrawingError, match="at least five points"):
        closed_curve([[0, 0], [1, 0], [1, 1]], "bore trace")
    with pytest.raises(DrawingError, match="same place"):
        closed_curve([[0, 0], [0, 0], [9, 0], [9, 9], [0, 9]], "bore trace")


# Zones ------------------------------------------------------------------------------------------------


def test_trace_and_land_make_the_zones(plain: Drawing) -> None:
    drawing = do(traced(plain), "set_land", outer_mm=6.0).drawing
    truth = Trochoid(eccentricity_mm=8.0, radius_mm=55.0, offset_mm=2.0)
    assert drawing.zones["running_surface"].area == pytest.approx(truth.area_mm2, rel=1e-4)
    # Steiner: the strip between a curve and its offset by 6 is L 6 + pi 36.
    assert drawing.zones["seal_land"].area == pytest.approx(truth.length_mm * 6 + math.pi * 36, rel=1e-3)
    assert land_width(drawing) == pytest.approx(6.0, abs=0.02)


def test_land_that_begins_beside_the_trace_moves_the_trace(plain: Drawing) -> None:
    drawing = do(traced(plain), "set_land", inner_mm=1.0, outer_mm=6.0).drawing
    truth = Trochoid(eccentricity_mm=8.0, radius_mm=55.0, offset_mm=3.0)
    assert drawing.zones["running_surface"].area == pytest.approx(truth.area_mm2, rel=1e-3)
    assert land_width(drawing) == pytest.approx(5.0, abs=0.02)


def test_land_follows_another_trace(heron: Drawing) -> None:
    drawing = do(heron, "set_trace", eccentricity_mm=12.0, radius_mm=78.5, offset_mm=2.0).drawing
    assert land_width(drawing) == pytest.approx(6.0, abs=0.02)


def test_bands_follow_the_trace_and_the_openings(heron: Drawing) -> None:
    rules = {b.name: band_rule(heron, b) for b in heron.bands}
    side, oil = rules["side_seal_track"], rules["oil_seal_track"]
    assert side is not None and (side.about, side.from_mm, side.to_mm) == ("trace", -9.0, -1.5)
    assert oil is not None and (oil.about, oil.from_mm, oil.to_mm) == ("bore", 47.0, 53.0)
    without = do(heron, "remove_opening", name="port_intake").drawing
    port = opening_named(heron, "port_intake").polygon
    for old, new in zip(heron.bands, without.bands):
        assert new.polygon.area >= old.polygon.area - 1e-6
        assert new.polygon.area - old.polygon.area <= port.area
    smaller = do(heron, "set_trace", eccentricity_mm=12.2, radius_mm=77.0, offset_mm=2.0).drawing
    rule = band_rule(smaller, smaller.bands[0])
    assert rule is not None and (rule.from_mm, rule.to_mm) == pytest.approx((-9.0, -1.5), abs=0.02)


def test_traced_land_edges(plain: Drawing) -> None:
    angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    unit = np.column_stack([np.cos(angles), np.sin(angles)])
    inner = do(plain, "set_edge", edge="trace", points_mm=(50 * unit).tolist()).drawing
    outer = do(inner, "set_edge", edge="coolant_edge", points_mm=(56 * unit).tolist()).drawing
    assert outer.zones["seal_land"].area == pytest.approx(math.pi * (56**2 - 50**2), rel=2e-3)
    with pytest.raises(DrawingError, match="must go round the bore trace"):
        do(inner, "set_edge", edge="coolant_edge", points_mm=(40 * unit).tolist())


def test_drawing_with_drawn_zones_alone_gets_its_edges(heron: Drawing) -> None:
    import dataclasses

    bare = dataclasses.replace(heron, trace=None, coolant_edge=None)
    found = adopted(bare)
    assert found.trace is not None and found.coolant_edge is not None and heron.trace is not None
    assert found.trace.symmetric_difference(heron.trace).area < 0.1
    zones = make_zones(found.outline, found.openings, found.trace, found.coolant_edge)
    for name, zone in heron.zones.items():
        assert zones[name].symmetric_difference(zone).area < 1.0, name


def test_edited_drawing_passes_the_check_and_a_file(plain: Drawing, tmp_path) -> None:  # type: ignore[no-untyped-def]
    steps = [
        Step.of("set_trace", eccentricity_mm=8.0, radius_mm=55.0, offset_mm=2.0),
        Step.of("set_land", outer_mm=5.0),
        Step.of("add_hole", x_mm=0.0, y_mm=0.0, diameter_mm=50.0, kind="bore", name="bore"),
        Step.of("add_hole", x_mm=-88.0, y_mm=66.0, diameter_mm=8.0, kind="dowel"),
        Step.of("set_band", name="side seal", about="trace", from_mm=-8.0, to_mm=-2.0, seal_width_mm=1.2),
        Step.of("set_purpose", zone="seal_land", text="  keeps the   coolant out "),
        Step.of("set_plate", name="my plate", thickness_mm=11.5),
    ]
    drawing = Replay()(plain, "plain", tuple(steps)).drawing
    assert [f for f in check_drawing(drawing, poses=False) if f.severity == "error"] == []
    save_svg(drawing, tmp_path / "plate.svg")
    back = load_svg(tmp_path / "plate.svg")
    assert (back.name, back.thickness_mm) == ("my plate", 11.5)
    assert back.zone_purposes == {"seal_land": "keeps the coolant out"}
    assert [b.name for b in back.bands] == ["side seal"]
    # Files hold 0.1 um.
    assert back.outline.hausdorff_distance(drawing.outline) < 1e-3


# Fits -------------------------------------------------------------------------------------------------


def _clicks(noise_mm: float, seed: int) -> np.ndarray:
    truth = Trochoid(eccentricity_mm=12.0, radius_mm=80.0, offset_mm=2.0)
    clicks = truth.points(suggested_clicks(12))
    return clicks + np.random.default_rng(seed).normal(0, noise_mm, clicks.shape)


def test_good_fit_is_accepted() -> None:
    judge_fit(fit_trochoid(_clicks(0.3, 1), offset_mm=2.0))


def test_click_on_another_track_is_refused_by_its_number() -> None:
    clicks = _clicks(0.1, 2)
    clicks[5] *= 0.9
    with pytest.raises(NotEnoughData, match=r"click 6 lies \d\.\d mm = 0\.\d+ in inside of the curve"):
        judge_fit(fit_trochoid(clicks, offset_mm=2.0))


def test_clicks_that_scatter_or_leave_a_number_open_are_refused() -> None:
    # Every third click of a group on the other side of the track.
    apart = np.where(np.arange(12) // 4 % 2 == 0, 1.3, -1.3)
    clicks = _clicks(0.0, 3)
    clicks = clicks * (1 + apart / np.hypot(*clicks.T))[:, None]
    with pytest.raises(
        NotEnoughData, match=r"scatter by 1\.\d+ mm = 0\.0\d+ in about the curve, more than 1 mm = 0\.0394 in"
    ):
        judge_fit(fit_trochoid(clicks, offset_mm=2.0))
    truth = Trochoid(eccentricity_mm=12.0, radius_mm=80.0)
    side = truth.points(np.linspace(-0.5, 0.5, 9))
    side = side + np.random.default_rng(4).normal(0, 0.3, side.shape)
    with pytest.raises(NotEnoughData, match="open"):
        judge_fit(fit_trochoid(side))


# Steps ------------------------------------------------------------------------------------------------


def test_undo_redo_and_a_new_step_after_undo() -> None:
    one, two, three = (
        Step.of("add_hole", x_mm=float(k), y_mm=0.0, diameter_mm=5.0, kind="bolt") for k in (0, 20, 40)
    )
    history = History().with_step(one).with_step(two)
    assert history.undone().done == (one,)
    assert history.undone().redone() == history
    assert history.undone().with_step(three).steps == (one, three)
    assert not History().can_undo and not history.can_redo and history.undone().can_redo
    assert History().undone() == History()


def test_replay_is_the_same_with_and_without_memory(heron: Drawing) -> None:
    steps = tuple(
        Step.of("move_opening", name=f"bolt_{k:02d}", x_mm=x, y_mm=y)
        for k, (x, y) in enumerate([(104.0, 6.0), (94.5, 42.0), (71.5, 67.0)], 1)
    )
    replay = Replay(n_kept=1)
    first = replay(heron, "a", steps).drawing
    again = replay(heron, "a", steps[:1]).drawing
    assert opening_named(again, "bolt_02").polygon.equals(opening_named(heron, "bolt_02").polygon)
    second = Replay()(heron, "b", steps).drawing
    assert all(a.polygon.equals(b.polygon) for a, b in zip(first.openings, second.openings))


def test_history_is_small_and_can_be_pickled() -> None:
    history = History()
    for k in range(100):
        history = history.with_step(Step.of("add_hole", x_mm=k, y_mm=0, diameter_mm=5.0, kind="bolt"))
    data = pickle.dumps(history)
    assert pickle.loads(data) == history
    assert len(data) < 40_000


def test_steps_with_wrong_arguments_are_refused() -> None:
    with pytest.raises(DrawingError, match="no change that can be made"):
        Step.of("explode")
    with pytest.raises(DrawingError, match="add_hole"):
        Step.of("add_hole", size=3)


def test_every_operation_is_keyword_only_and_documented() -> None:
    import inspect

    for name, operation in OPERATIONS.items():
        kinds = [p.kind for p in inspect.signature(operation).parameters.values()][1:]
        assert set(kinds) == {inspect.Parameter.KEYWORD_ONLY}, name
        assert operation.__doc__, name


# Under a press ----------------------------------------------------------------------------------------


def test_hit_finds_openings_edges_and_corners_of_what_is_chosen(heron: Drawing) -> None:
    found = hit(heron, (105.0, 6.0), 3.0)
    assert found is not None and (found.element, found.corner) == ("bolt_01", -1)
    assert (found.x_mm, found.y_mm) == pytest.approx((104.5, 5.5), abs=1e-3)
    nearest = corners_of(heron.outline)[10]
    edge = hit(heron, tuple(nearest), 3.0)
    assert edge is not None and (edge.element, edge.corner) == ("outline", -1)
    corner = hit(heron, tuple(nearest), 3.0, chosen="outline")
    assert corner is not None and (corner.element, corner.corner) == ("outline", 10)
    assert hit(heron, (300.0, 300.0), 3.0) is None
    assert hit(heron, (300.0, 300.0), 3.0, chosen="gone") is None


def test_round_means_round() -> None:
    assert circle_of(box(0, 0, 10, 5)) is None
    angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    assert circle_of(Polygon(np.column_stack([10 * np.cos(angles), 9.9 * np.sin(angles)]))) is None
    half = np.linspace(0, np.pi, 40)
    assert circle_of(Polygon(np.column_stack([10 * np.cos(half), 10 * np.sin(half)]))) is None
    shifted = np.column_stack([40 + 10 * np.cos(angles), -7 + 10 * np.sin(angles)])
    circle = circle_of(Polygon(shifted))
    assert circle is not None
    assert (circle.x_mm, circle.y_mm, circle.diameter_mm) == pytest.approx((40.0, -7.0, 20.0))


def test_opening_of_unknown_kind_cannot_be_made() -> None:
    with pytest.raises(DrawingError, match="kind 'screw'"):
        Opening(name="x", kind="screw", polygon=box(0, 0, 1, 2))


# Layers -----------------------------------------------------------------------------------------------


def test_layers_are_saved_and_read_back(tmp_path) -> None:  # type: ignore[no-untyped-def]
    mapping = {
        "0": "plate",
        "Holes 1.2": "opening:bolt",
        'a "quoted" layer': "ignore",
        "track": "band:side seal",
    }
    save_layers(mapping, tmp_path / "layers.toml")
    assert load_layers(tmp_path / "layers.toml") == mapping
    with pytest.raises(DrawingError, match="layer 'x': 'screws' is no meaning"):
        save_layers({"x": "screws"}, tmp_path / "bad.toml")
    (tmp_path / "other.toml").write_text('name = "x"\n')
    with pytest.raises(DrawingError, match=r"holds no \[map\]"):
        load_layers(tmp_path / "other.toml")


def test_import_takes_layers_from_a_file_and_saves_them(tmp_path) -> None:  # type: ignore[no-untyped-def]
    import ezdxf
    from click.testing import CliRunner

    from pitmap.cli.drawing import command
    from pitmap.drawing import dxf_layers

    document = ezdxf.new("R2010")
    document.header["$INSUNITS"] = 4
    space = document.modelspace()
    corners = [(-100, -70), (100, -70), (90, 75), (-100, 70)]
    space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "Rand"})
    space.add_circle((60, 40), 4.0, dxfattribs={"layer": "L1"})
    space.add_circle((-60, 40), 4.0, dxfattribs={"layer": "L1"})
    document.saveas(tmp_path / "plate.dxf")
    assert dxf_layers(tmp_path / "plate.dxf") == {"Rand": ("ignore", 1), "L1": ("ignore", 2)}
    save_layers({"Rand": "outline", "L1": "opening:dowel"}, tmp_path / "shop.toml")

    def run(*options: str):  # type: ignore[no-untyped-def]
        files = [str(tmp_path / "plate.dxf"), "--out", str(tmp_path / "plate.svg")]
        return CliRunner().invoke(command, ["import", *files, *options])

    assert run("--save-layers", str(tmp_path / "found.toml")).exception is not None
    assert load_layers(tmp_path / "found.toml") == {"Rand": "ignore", "L1": "ignore"}
    done = run("--layers", str(tmp_path / "shop.toml"))
    assert done.exception is None, done.output
    drawing = load_svg(tmp_path / "plate.svg")
    assert [o.kind for o in drawing.openings] == ["dowel", "dowel"]
    assert drawing.outline.area == pytest.approx(Polygon(corners).area)


def test_numbers_text_holds_the_numbers_exactly() -> None:
    import tomllib
    from importlib.resources import files

    from pitmap.drawing import load_numbers
    from pitmap.drawing.numbers import numbers_from_mapping
    from pitmap.drawing.numbers_text import numbers_to_toml

    for name in ("heron40_end", "heron40_intermediate_b"):
        numbers = load_numbers(str(files("pitmap.drawing") / "plates" / f"{name}.numbers.toml"))
        assert numbers_from_mapping(tomllib.loads(numbers_to_toml(numbers))) == numbers


RENAME = Step.of("rename_opening", name="bolt_01", new_name="first")


def test_zones_drawn_otherwise_than_the_edges_stay_as_drawn(heron: Drawing) -> None:
    """A land that begins 2 mm beside the trace must not become the whole strip because a hole got a name."""
    inner = Polygon(heron.trace.buffer(2.0).exterior)
    drawn = dataclasses.replace(
        heron, zones={**heron.zones, "seal_land": heron.zones["seal_land"].difference(inner)}
    )
    land_mm2 = drawn.zones["seal_land"].area
    renamed = Replay()(drawn, "x", (RENAME,)).drawing
    assert renamed.zones["seal_land"].area == land_mm2
    taken_out = Replay()(drawn, "x", (Step.of("remove_opening", name="bolt_01"),)).drawing
    assert taken_out.zones["seal_land"].area == pytest.approx(land_mm2, abs=0.1)
    bolt = next(o.polygon.area for o in heron.openings if o.name == "bolt_01")
    assert taken_out.zones["rim"].area == pytest.approx(drawn.zones["rim"].area + bolt, abs=0.1)
    x, y = drawn.zones["seal_land"].representative_point().coords[0]
    holed = Replay()(drawn, "x", (Step.of("add_hole", x_mm=x, y_mm=y, diameter_mm=1.0),)).drawing
    assert holed.zones["seal_land"].area == pytest.approx(land_mm2 - np.pi / 4, abs=0.1)


def test_a_land_drawn_alone_stays_in_the_drawing(heron: Drawing) -> None:
    land = heron.zones["seal_land"]
    alone = dataclasses.replace(heron, zones={"seal_land": land}, trace=None, coolant_edge=None, bands=())
    edited = Replay()(alone, "x", (RENAME,)).drawing
    assert list(edited.zones) == ["seal_land"] and edited.zones["seal_land"].area == land.area


def test_a_band_that_a_change_takes_along_is_told(heron: Drawing) -> None:
    edited = Replay()(heron, "x", (Step.of("remove_edge", edge="trace"),))
    assert edited.drawing.bands == ()
    assert "with it went band side_seal_track, oil_seal_track" in edited.sentence
    removed = Replay()(heron, "x", (Step.of("remove_band", name="oil_seal_track"),))
    assert removed.sentence == "band oil_seal_track taken out"
