"""A plate from its numbers: zones that tile the face, and refusals that name the element."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from pitmap.drawing import (
    Band,
    BandNumbers,
    Drawing,
    Ear,
    Hole,
    Opening,
    PlateNumbers,
    PortShape,
    Slot,
    Trochoid,
    build_drawing,
    load_numbers,
    make_zones,
    random_plate,
)
from pitmap.errors import DrawingError, InputError

NUMBERS = PlateNumbers(
    name="test plate",
    thickness_mm=10.0,
    trace=Trochoid(eccentricity_mm=10, radius_mm=70),
    land_width_mm=5.0,
    body_offset_mm=25.0,
    ears=(Ear(x_mm=95, y_mm=70, radius_mm=10),),
    slots=(Slot(name="coolant_a", from_deg=20, to_deg=40, depth_mm=8),),
    holes=(
        Hole(name="bolt_a", kind="bolt", x_mm=95, y_mm=70, diameter_mm=8),
        Hole(name="bore", kind="bore", x_mm=0, y_mm=0, diameter_mm=40),
    ),
    ports=(PortShape(name="port_a", points_mm=((30, 20), (45, 20), (45, 35), (30, 35)), corner_mm=2.0),),
    bands=(BandNumbers(name="track", seal_width_mm=1.0, from_mm=-8, to_mm=-2),),
)


def test_build_zones_tile_the_face():
    drawing = build_drawing(NUMBERS)
    zones = list(drawing.zones.values())
    assert drawing.zone_names == ("running_surface", "seal_land", "rim")
    assert all(z.is_valid for z in zones)
    assert sum(z.area for z in zones) == pytest.approx(drawing.face().area, abs=0.05)
    assert unary_union(zones).area == pytest.approx(drawing.face().area, abs=0.05)


def test_build_areas():
    """pi (R^2 + 3 e^2) less bore and port; land by Steiner: L w + pi w^2; a hole is a circle."""
    drawing = build_drawing(NUMBERS)
    port = 15 * 15 - (4 - np.pi) * 4
    assert drawing.zones["running_surface"].area == pytest.approx(16336.28 - np.pi * 400 - port, rel=2e-4)
    assert drawing.zones["seal_land"].area == pytest.approx(460.262 * 5 + np.pi * 25, rel=1e-3)
    bolt = next(o for o in drawing.openings if o.name == "bolt_a")
    assert bolt.polygon.area == pytest.approx(np.pi * 16, rel=2e-3)
    assert bolt.polygon.centroid.coords[0] == pytest.approx((95, 70), abs=1e-6)


def test_build_slot_lies_on_the_land_edge():
    drawing = build_drawing(NUMBERS)
    slot = next(o for o in drawing.openings if o.kind == "coolant")
    assert slot.polygon.distance(drawing.trace) == pytest.approx(5.0, abs=0.01)
    assert drawing.zones["seal_land"].intersection(slot.polygon).area == pytest.approx(0, abs=0.01)


def test_build_mirrored_is_the_mirror_image():
    one, other = build_drawing(NUMBERS), build_drawing(replace(NUMBERS, mirrored=True))
    x0, y0, x1, y1 = one.outline.bounds
    assert other.outline.bounds == pytest.approx((-x1, y0, -x0, y1))
    bolt = next(o for o in other.openings if o.name == "bolt_a")
    assert bolt.polygon.centroid.coords[0] == pytest.approx((-95, 70), abs=1e-6)


def _parts(drawing: Drawing) -> dict[str, BaseGeometry]:
    """Every shape of a drawing by its name."""
    whole = {"outline": drawing.outline, "trace": drawing.trace, "coolant_edge": drawing.coolant_edge}
    named = {x.name: x.polygon for x in (*drawing.openings, *drawing.bands)}
    return {**whole, **named, **drawing.zones}


def test_every_part_of_a_drawing_is_mirrored_and_moved_with_it():
    """(x, y) goes to (-x, y) on the other face; a band left behind would be the track of a seal that runs elsewhere."""
    drawing = build_drawing(NUMBERS)
    was, mirrored, moved = _parts(drawing), _parts(drawing.mirrored("B")), _parts(drawing.moved(3.0, -7.0))
    assert set(was) == set(mirrored) == set(moved)
    assert {"track", "bolt_a", "port_a", "coolant_a", "seal_land", "rim"} < set(was)
    for name, shape in was.items():
        x0, y0, x1, y1 = shape.bounds
        x, y = shape.centroid.coords[0]
        assert mirrored[name].bounds == pytest.approx((-x1, y0, -x0, y1)), name
        assert mirrored[name].centroid.coords[0] == pytest.approx((-x, y), abs=1e-3), name
        assert moved[name].bounds == pytest.approx((x0 + 3, y0 - 7, x1 + 3, y1 - 7)), name
        assert moved[name].area == pytest.approx(shape.area), name
    assert drawing.mirrored("B").fingerprint() != drawing.fingerprint()


def test_no_opening_is_counted_as_metal_of_a_zone_that_is_not_cut_out():
    """A square of 40 mm with a square hole of 10 mm, the zone drawn across it: 1600 - 100 mm2."""
    hole = Opening(name="window", kind="port", polygon=box(-5, -5, 5, 5))
    plate = Drawing(
        name="p",
        thickness_mm=5.0,
        outline=box(-20, -20, 20, 20),
        openings=(hole,),
        zones={"rim": box(-20, -20, 20, 20)},
    )
    grid = plate.grid(10.0)
    raster = plate.zone_raster(grid, by_centre=True)
    # of the pixels that the hole's edge runs along, 4 x 100 of them, half may be called metal
    assert 1500.0 <= raster.sum() * grid.pixel_area_mm2 <= 1502.0
    column, row = grid.mm_to_px([0.0, 0.0])
    assert raster[round(row) - 48 : round(row) + 48, round(column) - 48 : round(column) + 48].max() == 0


def test_fingerprint_tells_the_width_of_a_seal_and_which_zone_a_shape_is():
    square, half = box(0, 0, 40, 40), box(0, 0, 20, 40)
    plate = Drawing(name="p", thickness_mm=5.0, outline=square, openings=(), zones={"rim": half})
    other_zone = replace(plate, zones={"running_surface": half})
    one, two = (replace(plate, bands=(Band(name="b", polygon=half, seal_width_mm=w),)) for w in (1.0, 2.0))
    renamed = replace(plate, name="q", thickness_mm=6.0)
    assert len({d.fingerprint() for d in (plate, other_zone, one, two)}) == 4
    assert renamed.fingerprint() == plate.fingerprint()  # neither is a shape that is measured on


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"holes": (Hole(name="bolt_x", kind="bolt", x_mm=300, y_mm=0, diameter_mm=8),)}, "bolt_x.*outline"),
        (
            {"holes": (Hole(name="h", kind="bolt", x_mm=37, y_mm=27, diameter_mm=8),)},
            "'h' and 'port_a' overlap",
        ),
        ({"body_offset_mm": 3.0, "slots": ()}, "seal land reaches over"),
        ({"body_points_mm": ((0, 0), (100, 100), (100, 0), (0, 100))}, "crosses itself"),
        ({"body_points_mm": ((-1700, -90), (1700, -90), (1700, 90), (-1700, 90))}, "is 3400 mm across"),
        (
            {
                "body_points_mm": ((-6, -4), (6, -4), (6, 4), (-6, 4)),
                "body_corner_mm": 0.5,
                "fillet_mm": 0.1,
                "ears": (),
                "slots": (Slot(name="thin", from_deg=0, to_deg=20, depth_mm=3, corner_mm=4),),
            },
            r"the outline is (12|11\.99\d+) mm across; are its units right",
        ),
        ({"slots": (Slot(name="thin", from_deg=0, to_deg=20, depth_mm=3, corner_mm=4),)}, "thin.*no single"),
        ({"bands": (BandNumbers(name="far", seal_width_mm=1, from_mm=50, to_mm=52),)}, "far.*nowhere"),
    ],
)
def test_build_refusal_names_the_element(change, words):
    with pytest.raises(DrawingError, match=words):
        build_drawing(replace(NUMBERS, **change))


WHOLE = "name = 'x'\nthickness_mm = 12\nland_width_mm = 6\n[trace]\neccentricity_mm = 10\nradius_mm = 90\n"
BORE_BAND = "[[bands]]\nname = 'b'\nabout = 'bore'\nfrom_mm = -5\nto_mm = 40\nseal_width_mm = 1"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = 'x'", r"\[trace\]: lacks eccentricity_mm, radius_mm; add them$"),
        ("[trace]\neccentricity_mm = 10\nradius_mm = 20", "R > 3 e"),
        ("[trace]\neccentricity_mm = 'ten'\nradius_mm = 90", "eccentricity_mm: expected a number"),
        (
            "name = 'x'\n[trace]\neccentricity_mm = 10\nradius_mm = 90",
            "lacks thickness_mm, land_width_mm; add them$",
        ),
        ("nmae = 'x'\n[trace]\neccentricity_mm = 10\nradius_mm = 90", "unknown field nmae"),
        ("holes = 3\n[trace]\neccentricity_mm = 10\nradius_mm = 90", r"\[\[holes\]\]"),
        ("[trace\n", "not TOML"),
        (
            "name = ' '\nthickness_mm = 12\nland_width_mm = 6\n[trace]\neccentricity_mm = 10\nradius_mm = 90",
            "name is empty",
        ),
        (WHOLE + "[[ears]]\nx_mm = 130\ny_mm = 0\nradius_mm = -5", "ear at 130, 0 mm needs a radius above 0"),
        (WHOLE + "[[ears]]\nx_mm = 130\ny_mm = 0\nradius_mm = 0", "ear at 130, 0 mm needs a radius above 0"),
        (WHOLE + BORE_BAND, "band 'b' needs .*about the bore both 0 or more"),
        (
            WHOLE + "[[ports]]\nname = 'p'\npoints_mm = [[nan, 0], [9, 0], [0, 9]]",
            "points_mm: expected a number",
        ),
        (WHOLE + "[[ports]]\nname = 'p'\npoints_mm = ['12', '34', '57']", r"points_mm: expected \[x, y\]"),
        (
            WHOLE + "[[slots]]\nname = 's'\nfrom_deg = 0\nto_deg = 9\ndepth_mm = 8\ncorner_mm = -2",
            "'s' needs a corner",
        ),
        (WHOLE.replace("[trace]", "fillet_mm = -5\n[trace]"), "fillet_mm must be 0 or more"),
        (WHOLE.replace("= 90", "= 1e200"), "radius_mm: expected a number of at most"),
        (WHOLE + "[limits.case]\nvalue = 3", "limits.case has no source"),
        (WHOLE.replace("[trace]", "zone_purposes = 'x'\n[trace]"), r"zone_purposes must be a table"),
        (WHOLE + "[zone_purposes]\nrim = 3", "zone_purposes holds a text"),
    ],
)
def test_numbers_refusal_names_the_field(tmp_path, text, words):
    path = tmp_path / "numbers.toml"
    path.write_text(text)
    with pytest.raises(DrawingError, match=words):
        load_numbers(path)


@pytest.mark.parametrize("symmetry", ["none", "rotated", "mirrored"])
def test_random_plate_is_valid_and_repeatable(symmetry):
    for seed in (1, 2):
        drawing = random_plate(np.random.default_rng(seed), symmetry=symmetry)
        again = random_plate(np.random.default_rng(seed), symmetry=symmetry)
        assert drawing.outline.equals_exact(again.outline, 0)
        assert sum(z.area for z in drawing.zones.values()) == pytest.approx(drawing.face().area, rel=1e-5)


def test_random_plate_varies():
    plates = [random_plate(np.random.default_rng(seed)) for seed in range(6)]
    assert len({round(p.outline.area) for p in plates}) == 6
    assert len({len(p.openings) for p in plates}) > 2


@pytest.mark.parametrize(("symmetry", "turn"), [("rotated", (-1, -1)), ("mirrored", (-1, 1))])
def test_random_plate_nearly_symmetric(symmetry, turn):
    """The outline nearly falls on its twin, yet not quite: one ear stands out of place."""
    from shapely.affinity import scale

    drawing = random_plate(np.random.default_rng(3), symmetry=symmetry)
    twin = scale(drawing.outline, *turn, origin=(0, 0))
    apart = drawing.outline.symmetric_difference(twin).area / drawing.outline.area
    assert 0.0005 < apart < 0.02


@pytest.mark.parametrize(
    ("e", "radius", "offset", "tightest"),
    [
        (30.0, 100.0, 3.0, 10**3 / 1700),  # the waist bends by (R - 3e)^3 / (12Re - R^2 - 27e^2)
        (15.0, 100.0, 87.0, 55**3 / 1925),
    ],
)
def test_an_offset_beyond_the_bend_of_the_trace_is_refused(e, radius, offset, tightest):
    """A parallel curve has loops where its distance is more than the radius of curvature (TRO-5 at the waist)."""
    with pytest.raises(
        InputError, match=rf"outwards at the waist \({round(tightest, 1):g} mm = 0?\d*\.\d+ in\)"
    ):
        Trochoid(eccentricity_mm=e, radius_mm=radius, offset_mm=offset)
    inside = Trochoid(eccentricity_mm=e, radius_mm=radius, offset_mm=0.99 * tightest)
    assert inside.polygon(7200).is_valid


def test_an_offset_inwards_beyond_the_ends_is_refused():
    with pytest.raises(InputError, match="inwards at the ends"):
        Trochoid(eccentricity_mm=15.0, radius_mm=100.0, offset_mm=-84.0)


def test_metal_inside_the_trace_is_no_rim_where_the_lands_edge_leaves_it_out() -> None:
    trace, edge = box(0, 0, 20, 20), box(5, -5, 25, 25)
    zones = make_zones(box(-50, -50, 50, 50), (), trace, edge)
    assert {name: zone.area for name, zone in zones.items()} == {
        "running_surface": 400.0, "seal_land": 300.0, "rim": 9300.0,
    }  # fmt: skip


@pytest.mark.parametrize("to_deg", [10.0, 5.0, 190.0, 200.0, 359.0])
def test_slot_spans_less_than_half_a_turn(to_deg: float) -> None:
    """Beyond that the wedge that cuts it out is the other one."""
    slot = Slot(name="water", from_deg=10.0, to_deg=to_deg, depth_mm=5.0)
    with pytest.raises(DrawingError, match="'water' needs to_deg above from_deg by less than 180"):
        replace(NUMBERS, slots=(slot,))


FINGER = ((-20, -10), (0, -10), (0, -2), (25, -2), (25, 2), (0, 2), (0, 10), (-20, 10))
"""A port of 20 by 20 mm with a finger 25 mm long and 4 mm wide."""


@pytest.mark.parametrize(
    "points", [FINGER, ((0, 0), (40, 0), (40, 20), (22, 20), (22, 6), (18, 6), (18, 20), (0, 20))]
)
def test_a_corner_radius_that_takes_a_finger_or_fills_a_notch_is_refused(points):
    """With corners of 3 mm the finger of 4 mm vanished, and the notch of 4 mm was filled, without a word."""
    plate = replace(NUMBERS, holes=(), ports=(PortShape(name="port_a", points_mm=points, corner_mm=3.0),))
    with pytest.raises(DrawingError, match=r"port 'port_a': is too narrow near .* for corners of 3 mm"):
        build_drawing(plate)


def test_a_corner_radius_that_a_finger_holds_leaves_it_as_long_as_it_is():
    """Six outer corners each lack (1 - pi/4) r^2, two inner ones are filled by as much: four in all."""
    plate = replace(NUMBERS, holes=(), ports=(PortShape(name="port_a", points_mm=FINGER, corner_mm=1.9),))
    port = next(o for o in build_drawing(plate).openings if o.name == "port_a").polygon
    assert port.bounds == pytest.approx((-20, -10, 25, 10), abs=0.01)
    assert port.area == pytest.approx(500 - (4 - np.pi) * 1.9**2, abs=0.05)


def test_a_limb_of_the_body_is_not_rounded_away():
    corners = ((-130, -110), (130, -110), (130, 110), (20, 110), (20, 160), (-5, 160), (-5, 110), (-130, 110))
    with pytest.raises(DrawingError, match=r"body: is too narrow near .*, y 160 mm for corners of 15 mm"):
        build_drawing(replace(NUMBERS, ears=(), body_points_mm=corners))


def test_a_slit_of_the_body_is_not_filled_by_the_fillet():
    """A slit 6 mm wide and 25 mm deep vanished under the usual fillet of 6 mm; one of 2 mm leaves it."""
    corners = ((-140, -120), (140, -120), (140, 120), (3, 120), (3, 95), (-3, 95), (-3, 120), (-140, 120))
    plate = replace(NUMBERS, ears=(), holes=(), ports=(), body_points_mm=corners, body_corner_mm=1.0)
    with pytest.raises(
        DrawingError, match=r"body with its fillet_mm: is too narrow near .* for corners of 6 mm"
    ):
        build_drawing(plate)
    # four outer corners and the two at the slit's mouth lack, the two at its floor gain (1 - pi/4) r^2
    outline = build_drawing(replace(plate, fillet_mm=2.0)).outline
    lacking = (1 - np.pi / 4) * (6 * 1.0**2 - 2 * 2.0**2)
    assert outline.area == pytest.approx(280 * 240 - 6 * 25 - lacking, abs=0.1)
