"""DXF: round trip, layers, curves by hand, gaps, units, blocks, refusals."""

from __future__ import annotations

from dataclasses import replace

import ezdxf
import numpy as np
import pytest
from shapely import hausdorff_distance

from pitmap.drawing import import_dxf, load_drawing, load_shipped, random_plate, save_dxf
from pitmap.errors import DrawingError


def new(unit: int = 4):
    document = ezdxf.new("R2010", setup=False)
    document.header["$INSUNITS"] = unit
    return document, document.modelspace()


def frame(space, layer: str = "outline", w: float = 100.0, h: float = 80.0) -> None:
    space.add_lwpolyline([(0, 0), (w, 0), (w, h), (0, h)], close=True, dxfattribs={"layer": layer})


def save(document, tmp_path, name: str = "plate.dxf"):
    path = tmp_path / name
    document.saveas(path)
    return path


def test_round_trip_within_1_um(tmp_path):
    drawing = random_plate(np.random.default_rng(4), name="round trip")
    save_dxf(drawing, tmp_path / "p.dxf")
    result = import_dxf(tmp_path / "p.dxf")
    back = result.drawing
    assert result.notes == ()
    assert (back.name, back.thickness_mm) == (drawing.name, drawing.thickness_mm)
    assert hausdorff_distance(back.outline, drawing.outline) < 0.001
    assert hausdorff_distance(back.trace, drawing.trace) < 0.001
    assert {o.name: o.kind for o in back.openings} == {o.name: o.kind for o in drawing.openings}
    mine = {o.name: o.polygon for o in back.openings}
    assert max(hausdorff_distance(mine[o.name], o.polygon) for o in drawing.openings) < 0.001
    for name, zone in drawing.zones.items():
        assert hausdorff_distance(back.zones[name].boundary, zone.boundary) < 0.001
    assert [(b.name, b.seal_width_mm) for b in back.bands] == [
        (b.name, b.seal_width_mm) for b in drawing.bands
    ]


def test_load_drawing_reads_dxf_and_its_toml(tmp_path):
    save_dxf(load_shipped("heron40_end"), tmp_path / "p.dxf")
    assert load_drawing(tmp_path / "p.toml").name == "Heron 40 end plate"
    assert load_drawing(tmp_path / "p.dxf").limits["joint_gap"]["value"] == 70


def test_circle_arc_ellipse_spline_areas(tmp_path):
    """pi r^2; half discs closed by a line; pi a b; a closed spline through control points of a circle."""
    document, space = new()
    frame(space)
    space.add_circle((20, 20), 5, dxfattribs={"layer": "bolts"})
    space.add_arc((50, 20), 5, 0, 180, dxfattribs={"layer": "ports"})
    space.add_line((45, 20), (55, 20), dxfattribs={"layer": "ports"})
    space.add_ellipse((50, 50), (10, 0), 0.5, dxfattribs={"layer": "drain"})
    w = np.sqrt(0.5)
    knots = [0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4]
    corners = [(85, 50), (85, 55), (80, 55), (75, 55), (75, 50), (75, 45), (80, 45), (85, 45), (85, 50)]
    space.add_rational_spline(
        corners, weights=[1, w, 1, w, 1, w, 1, w, 1], degree=2, knots=knots, dxfattribs={"layer": "bore"}
    )
    areas = {o.kind: o.polygon.area for o in import_dxf(save(document, tmp_path)).drawing.openings}
    assert areas["bolt"] == pytest.approx(25 * np.pi, rel=1e-3)
    assert areas["port"] == pytest.approx(12.5 * np.pi, rel=1e-3)
    assert areas["drain"] == pytest.approx(50 * np.pi, rel=1e-3)
    assert areas["bore"] == pytest.approx(25 * np.pi, rel=1e-3)


@pytest.mark.parametrize("old_style", [False, True])
def test_bulges(tmp_path, old_style):
    """A bulge of 1 is a half circle; two of them make a disc, to the right of travel for a positive one."""
    document, space = new()
    frame(space)
    corners = [(30, 40, 1.0), (50, 40, 1.0)]
    if old_style:
        space.add_polyline2d(corners, format="xyb", close=True, dxfattribs={"layer": "port"})
    else:
        space.add_lwpolyline(corners, format="xyb", close=True, dxfattribs={"layer": "port"})
    polygon = import_dxf(save(document, tmp_path)).drawing.openings[0].polygon
    assert polygon.area == pytest.approx(100 * np.pi, rel=1e-3)
    assert polygon.bounds == pytest.approx((30, 30, 50, 50), abs=0.001)


def test_bulge_side_and_size(tmp_path):
    """tan(22.5 deg) is a quarter circle; a positive one lies below a line drawn to the right."""
    document, space = new()
    frame(space)
    b = np.tan(np.radians(22.5))
    space.add_lwpolyline(
        [(20, 40, b), (40, 40, 0), (30, 60, 0)], format="xyb", close=True, dxfattribs={"layer": "port"}
    )
    polygon = import_dxf(save(document, tmp_path)).drawing.openings[0].polygon
    r = 10 * np.sqrt(2)
    assert polygon.bounds[1] == pytest.approx(40 - (r - 10), abs=0.001)
    assert polygon.area == pytest.approx(200 + r**2 * (np.pi / 4 - 0.5), rel=1e-4)


def test_mirrored_extrusion(tmp_path):
    """A polyline whose z axis points down has its x turned round."""
    document, space = new()
    frame(space, "outline")
    space.add_lwpolyline(
        [(-60, 10), (-50, 10), (-50, 20)], close=True, dxfattribs={"layer": "port", "extrusion": (0, 0, -1)}
    )
    polygon = import_dxf(save(document, tmp_path)).drawing.openings[0].polygon
    assert polygon.bounds == pytest.approx((50, 10, 60, 20))


def test_inches(tmp_path):
    document, space = new(1)
    frame(space, w=4, h=3)
    drawing = import_dxf(save(document, tmp_path)).drawing
    assert drawing.outline.bounds == pytest.approx((0, 0, 101.6, 76.2))


def test_no_unit_is_refused_until_said(tmp_path):
    document, space = new(0)
    frame(space)
    path = save(document, tmp_path)
    with pytest.raises(DrawingError, match="states no unit that is read .*user_unit_mm"):
        import_dxf(path)
    (tmp_path / "plate.toml").write_text("user_unit_mm = 1.0\n")
    assert import_dxf(path).drawing.outline.area == pytest.approx(8000)


def test_tiny_gaps_are_closed_and_reported(tmp_path):
    """Four loose lines in no order and of mixed directions; one corner misses by 0.03 mm."""
    document, space = new()
    for a, b in [((0, 0), (100, 0)), ((100, 80), (100.03, 0)), ((0, 80), (0, 0)), ((100, 80), (0, 80))]:
        space.add_line(a, b, dxfattribs={"layer": "outline"})
    result = import_dxf(save(document, tmp_path))
    assert result.drawing.outline.area == pytest.approx(8001.2, abs=0.05)
    assert len(result.notes) == 1
    assert "a gap of 0.0300 mm near x 100.0" in result.notes[0]


def test_wide_gap_is_an_open_ring(tmp_path):
    document, space = new()
    for a, b in [((0, 0), (100, 0)), ((100, 0), (100, 80)), ((100, 80), (0, 80)), ((0, 80), (0, 2))]:
        space.add_line(a, b, dxfattribs={"layer": "outline"})
    with pytest.raises(
        DrawingError, match=r"layer 'outline': is open, its ends are 2 mm apart near x 0.00, y 2.00"
    ):
        import_dxf(save(document, tmp_path))


def test_a_file_without_a_line_in_its_model_space_is_told(tmp_path):
    """Of a plate drawn on the sheet it was said that no layer is the outline, and "its layers are none"."""
    document, _ = new()
    document.layout("Layout1").add_circle((0, 0), 60, dxfattribs={"layer": "outline"})
    with pytest.raises(
        DrawingError, match=r"its model space holds no line that is shown; draw the plate there"
    ):
        import_dxf(save(document, tmp_path))


def test_a_hole_of_hardly_any_area_is_told_as_such(tmp_path):
    """Of a circle of 0.08 mm, as a file in the wrong unit has, it was said that "its rings cancel each other"."""
    document, space = new()
    frame(space, "outline")
    space.add_circle((20, 20), 0.04, dxfattribs={"layer": "bolt"})
    with pytest.raises(DrawingError, match=r"CIRCLE \w+ on layer 'bolt': encloses hardly any area"):
        import_dxf(save(document, tmp_path))


def test_mapping_of_layers(tmp_path):
    document, space = new()
    frame(space, "0")
    space.add_circle((20, 20), 5, dxfattribs={"layer": "0"})
    space.add_circle((50, 40), 20, dxfattribs={"layer": "L3"})
    space.add_line((0, 0), (3, 3), dxfattribs={"layer": "notes"})
    space.add_text("hello", dxfattribs={"layer": "notes"})
    path = save(document, tmp_path)
    with pytest.raises(DrawingError, match="no layer is the outline; its layers are 0, L3, notes"):
        import_dxf(path)
    (tmp_path / "plate.toml").write_text("land_width_mm = 4.0\n[map]\n0 = 'plate'\nL3 = 'trace'\n")
    result = import_dxf(path)
    assert result.layers == {"0": "plate", "L3": "trace", "notes": "ignore"}
    assert [o.kind for o in result.drawing.openings] == ["other"]
    assert result.drawing.zones["seal_land"].area > 400
    assert any("'notes'" in n for n in result.notes) and any("TEXT" in n for n in result.notes)


def test_blocks_are_opened(tmp_path):
    document, space = new()
    frame(space)
    block = document.blocks.new("HOLE")
    block.add_circle((0, 0), 2, dxfattribs={"layer": "bolts"})
    space.add_blockref("HOLE", (20, 30), dxfattribs={"xscale": 2, "yscale": 2})
    hole = import_dxf(save(document, tmp_path)).drawing.openings[0].polygon
    assert hole.centroid.coords[0] == pytest.approx((20, 30))
    assert hole.area == pytest.approx(16 * np.pi, rel=1e-3)


def test_block_in_another_file_is_refused(tmp_path):
    document, space = new()
    frame(space)
    document.add_xref_def("/somewhere/other.dxf", "OTHER")
    space.add_blockref("OTHER", (0, 0))
    with pytest.raises(DrawingError, match="'OTHER' is another file"):
        import_dxf(save(document, tmp_path))


def test_not_flat(tmp_path):
    document, space = new()
    frame(space)
    space.add_line((0, 0, 0), (10, 0, 5), dxfattribs={"layer": "port"})
    with pytest.raises(DrawingError, match="LINE .* on layer 'port': is not flat"):
        import_dxf(save(document, tmp_path))


def holes_of(document, tmp_path):
    return import_dxf(save(document, tmp_path)).drawing.openings


@pytest.mark.parametrize("nested", [False, True])
def test_what_a_block_holds_on_layer_0_is_of_the_layer_it_is_laid_on(tmp_path, nested):
    """DXF reference: entities on layer 0 of a block take the layer of its insert; a bolt circle is often such a block."""
    document, space = new()
    frame(space)
    document.blocks.new("HOLE").add_circle((0, 0), 3, dxfattribs={"layer": "0"})
    if nested:
        document.blocks.new("PAIR").add_blockref("HOLE", (5, 0), dxfattribs={"layer": "0"})
    space.add_blockref("PAIR" if nested else "HOLE", (20, 20), dxfattribs={"layer": "bolts"})
    (hole,) = holes_of(document, tmp_path)
    assert hole.kind == "bolt"
    assert hole.polygon.centroid.coords[0] == pytest.approx((25 if nested else 20, 20), abs=1e-6)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0])
@pytest.mark.parametrize("kind", ["arc", "ellipse"])
def test_an_arc_that_ends_where_it_starts_is_refused(tmp_path, kind, angle_deg):
    """Taken for nothing, a hole that a drawing program shows as a whole circle was metal."""
    document, space = new()
    frame(space)
    on_bolts = {"layer": "bolt"}
    if kind == "arc":
        space.add_arc((30, 30), 5, angle_deg, angle_deg, dxfattribs=on_bolts)
    else:
        turn = np.radians(angle_deg)
        space.add_ellipse((30, 30), (5, 0), 0.5, turn, turn, dxfattribs=on_bolts)
    with pytest.raises(DrawingError, match=f"{kind.upper()} .* on layer 'bolt'.*draw it as a circle"):
        import_dxf(save(document, tmp_path))


def test_an_arc_of_a_full_turn_is_a_circle(tmp_path):
    document, space = new()
    frame(space)
    space.add_arc((30, 30), 5, 0, 360, dxfattribs={"layer": "bolt"})
    assert import_dxf(save(document, tmp_path)).drawing.openings[0].polygon.area == pytest.approx(
        25 * np.pi, rel=1e-3
    )


@pytest.mark.parametrize("begin", [0.3, np.pi, -np.pi])
def test_a_whole_ellipse_may_begin_anywhere(tmp_path, begin):
    document, space = new()
    frame(space)
    space.add_ellipse((50, 50), (10, 0), 0.5, begin, begin + 2 * np.pi, dxfattribs={"layer": "drain"})
    (drain,) = holes_of(document, tmp_path)
    assert drain.polygon.area == pytest.approx(50 * np.pi, rel=1e-3)


@pytest.mark.parametrize("weight", [1.0, 2.5])
def test_a_periodic_spline_is_drawn_where_its_knots_define_it(tmp_path, weight):
    """A uniform cubic round a square of 10 mm: its farthest points are (1, 23, 23, 1) / 48 of the corners."""
    document, space = new()
    frame(space)
    spline = space.add_spline(dxfattribs={"layer": "ports"})
    corners = [(20, 20, 0), (30, 20, 0), (30, 30, 0), (20, 30, 0)]
    spline.set_closed(corners)
    if weight != 1.0:  # the same weight everywhere changes nothing
        spline.weights = [weight] * len(spline.control_points)
    (port,) = holes_of(document, tmp_path)
    low, high = (20 * 46 + 30 * 2) / 48, (30 * 46 + 20 * 2) / 48
    assert port.polygon.bounds == pytest.approx((low, low, high, high), abs=0.001)


def test_a_spline_that_only_says_it_is_closed_is_open(tmp_path):
    document, space = new()
    frame(space)
    spline = space.add_open_spline([(20, 20), (30, 20), (30, 30), (20, 30)], dxfattribs={"layer": "ports"})
    spline.closed = True
    with pytest.raises(DrawingError, match="is open, its ends are 10 mm apart"):
        import_dxf(save(document, tmp_path))


@pytest.mark.parametrize("how", ["off", "freeze", "invisible"])
def test_what_is_not_shown_is_left_out_and_told(tmp_path, how):
    document, space = new()
    frame(space)
    hole = space.add_circle((20, 20), 3, dxfattribs={"layer": "bolts"})
    if how == "invisible":
        hole.dxf.invisible = 1
    else:
        getattr(document.layers.add("bolts"), how)()
    found = import_dxf(save(document, tmp_path))
    assert found.drawing.openings == ()
    assert any("layer 'bolts'" in note and "left out" in note for note in found.notes)


def test_lines_drawn_twice_are_taken_once_and_told(tmp_path):
    document, space = new()
    frame(space)
    frame(space)
    space.add_circle((60, 20), 3, dxfattribs={"layer": "bolts"})
    space.add_circle((60, 20), 3, dxfattribs={"layer": "bolts"})
    corners = [(10, 10), (15, 10), (15, 15), (10, 15)]
    for a, b in zip(corners, [*corners[1:], corners[0]]):
        space.add_line(a, b, dxfattribs={"layer": "ports"})
        space.add_line(b, a, dxfattribs={"layer": "ports"})
    space.add_line((50, 50), (50, 50), dxfattribs={"layer": "ports"})
    found = import_dxf(save(document, tmp_path))
    assert {o.kind: round(o.polygon.area, 1) for o in found.drawing.openings} == {"bolt": 28.3, "port": 25.0}
    assert sum("drawn twice" in note for note in found.notes) == 6
    assert sum("has no length" in note for note in found.notes) == 1


@pytest.mark.parametrize("name", ["Side seal", "side-seal", "inner/outer: 2", "Spur Ä"])
def test_bands_of_any_name_come_back(tmp_path, name):
    plate = load_shipped("heron40_end")
    named = replace(plate, bands=(replace(plate.bands[0], name=name), *plate.bands[1:]))
    save_dxf(named, tmp_path / "p.dxf")
    back = import_dxf(tmp_path / "p.dxf").drawing
    assert [(b.name, b.seal_width_mm) for b in back.bands] == [(b.name, b.seal_width_mm) for b in named.bands]


def test_an_opening_may_be_called_like_a_zone(tmp_path):
    plate = load_shipped("heron40_end")
    save_dxf(
        replace(plate, openings=(replace(plate.openings[0], name="rim"), *plate.openings[1:])),
        tmp_path / "p.dxf",
    )
    assert import_dxf(tmp_path / "p.dxf").drawing.openings[0].name == "rim"


@pytest.mark.parametrize(
    ("how", "inner", "n"), [("off", "bolts", 1), ("off", "0", 0), ("freeze", "bolts", 0)]
)
def test_a_block_on_a_layer_switched_off_shows_what_it_holds_on_others(tmp_path, how, inner, n):
    """DXF reference: only freezing takes the block along; what it holds on layer 0 is of the layer it is laid on."""
    document, space = new()
    frame(space)
    getattr(document.layers.add("parts"), how)()
    document.blocks.new("HOLE").add_circle((0, 0), 3, dxfattribs={"layer": inner})
    space.add_blockref("HOLE", (20, 20), dxfattribs={"layer": "parts"})
    found = import_dxf(save(document, tmp_path))
    assert len(found.drawing.openings) == n
    assert any("'parts' is switched off or frozen" in note for note in found.notes) == (n == 0)
