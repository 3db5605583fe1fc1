"""The drawing check: each finding on a drawing that has it, none on the shipped plates."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import Point, Polygon, box
from shapely.affinity import scale

from pitmap.drawing import (
    Band,
    Drawing,
    Opening,
    check_drawing,
    load_shipped,
    look_alikes,
    make_zones,
    random_plate,
    shipped_plates,
)
from pitmap.errors import DrawingError


def hole(name: str, x: float, y: float, radius: float = 4.0, kind: str = "bolt") -> Opening:
    return Opening(name=name, kind=kind, polygon=Point(x, y).buffer(radius))


def plate(**change) -> Drawing:
    """A lopsided plate 140 x 104 mm that has nothing wrong with it."""
    outline = Polygon([(-70, -50), (62, -44), (70, 30), (20, 54), (-60, 46)])
    openings = (hole("bolt_a", -55, -35), hole("bolt_b", 50, 30, 3), hole("bore", 0, 0, 12, "bore"))
    trace, edge = Point(0, 0).buffer(30), Point(0, 0).buffer(35)
    values = {
        "name": "p",
        "thickness_mm": 10.0,
        "outline": outline,
        "openings": openings,
        "zones": make_zones(outline, openings, trace, edge),
        "trace": trace,
        "coolant_edge": edge,
        "limits": {"gap": {"value": 70, "unit": "um", "source": "invented"}},
    }
    return Drawing(**(values | change))


def found(drawing: Drawing, element: str, words: str) -> str:
    """Severity of the one finding on `element` that says `words`."""
    hits = [f for f in check_drawing(drawing) if f.element == element and words in f.text]
    assert len(hits) == 1, check_drawing(drawing)
    return hits[0].severity


def test_nothing_wrong_nothing_found():
    assert check_drawing(plate()) == []


@pytest.mark.parametrize("name", shipped_plates())
def test_shipped_plates_have_no_findings(name):
    assert check_drawing(load_shipped(name)) == []


def test_who_works_in_inch_reads_no_size_in_mm():
    """The page said "leaves 0.51 mm of metal" under inch. 0.508 mm are 0.02 in; 39 mm by 30 mm are 1.8135 in2."""
    pair = (
        Opening(name=n, kind="port", polygon=box(x, -15, x + 40, 15)) for n, x in (("a", -20), ("b", -19))
    )
    ring = Point(0, 0).buffer(28).difference(Point(0, 0).buffer(27))
    said = {
        f.element: f.text
        for drawing in (
            plate(openings=(hole("one", 0, 20), hole("two", 8.508, 20)), zones={}),
            plate(openings=tuple(pair), zones={}),
            plate(thickness_mm=1.27),
            plate(bands=(Band(name="oil_seal", polygon=ring, seal_width_mm=2.54),)),
        )
        for f in check_drawing(drawing, poses=False, system="inch")
    }
    assert said["one"].startswith("leaves 0.0200 in of metal to opening 'two'")
    assert said["a"] == "overlaps opening 'b' by 1.81 in2"
    assert said["thickness"].startswith("of 0.05 in is unusual")
    assert said["oil_seal"].startswith("is nowhere as wide as its seal of 0.1 in")
    assert not [text for text in said.values() if " mm" in text]


def test_opening_outside_names_place():
    drawing = plate(openings=(hole("bolt_a", -70, 0),), zones={})
    hit = next(f for f in check_drawing(drawing) if f.element == "bolt_a")
    assert hit.severity == "error" and "outside the outline" in hit.text
    assert hit.xy[0] < -62


def test_large_areas_are_written_out():
    """It said "overlaps opening 'b' by 1.17e+03 mm2"."""
    a, b = (
        Opening(name=n, kind="port", polygon=box(x, -15, x + 40, 15)) for n, x in (("a", -20), ("b", -19))
    )
    big = plate(openings=(a, b), zones={})
    said = next(f.text for f in check_drawing(big) if "overlaps opening" in f.text)
    assert said == "overlaps opening 'b' by 1170 mm2"  # 39 mm by 30 mm
    assert not [f.text for f in check_drawing(big) if "e+" in f.text]


def test_openings_overlap_and_thin_bridge():
    drawing = plate(openings=(hole("a", 0, 0), hole("b", 5, 0), hole("c", 0, 8.4)))
    assert found(drawing, "a", "overlaps opening 'b'") == "error"
    assert found(drawing, "a", "0.40 mm of metal to opening 'c'") == "warning"


def test_opening_close_to_the_outline():
    assert found(plate(openings=(hole("a", -58, -44.9, 4),)), "a", "of metal to the outline") == "warning"


def test_working_zones_overlap():
    zones = dict(plate().zones)
    zones["seal_land"] = Point(0, 0).buffer(35).difference(Point(0, 0).buffer(29))
    assert found(plate(zones=zones), "running_surface", "overlaps zone 'seal_land' by") == "error"


def test_zone_outside_and_metal_in_no_zone():
    zones = dict(plate().zones)
    zones["rim"] = box(-80, -20, -72, 20)
    drawing = plate(zones=zones)
    assert found(drawing, "rim", "outside the outline") == "error"
    assert found(drawing, "zones", "in no zone") == "warning"


def test_zone_over_an_opening():
    zones = dict(plate().zones)
    zones["running_surface"] = plate().trace
    assert found(plate(zones=zones), "running_surface", "of opening 'bore'") == "warning"


def test_no_working_zones():
    assert found(plate(zones={"rim": plate().face()}), "zones", "no running surface") == "warning"


def test_land_missing():
    drawing = plate()
    zones = make_zones(drawing.outline, drawing.openings, drawing.trace, None)
    assert found(plate(zones=zones, coolant_edge=None), "seal_land", "is missing") == "warning"


def test_land_edge_inside_the_trace():
    assert found(plate(coolant_edge=Point(5, 0).buffer(30)), "coolant_edge", "does not enclose") == "error"


def test_trace_outside():
    assert found(plate(trace=Point(60, 0).buffer(30)), "trace", "not inside the outline") == "error"


def across_28_mm() -> Drawing:
    """The plate of 140 mm at a fifth of its size."""
    outline = scale(plate().outline, 0.2, 0.2, origin=(0, 0))
    return plate(outline=outline, openings=(), zones={"rim": outline}, trace=None, coolant_edge=None)


def test_inches_read_as_millimetres():
    assert found(across_28_mm(), "outline", "plausible in centimetres or inches") == "error"


def test_a_drawing_of_no_plates_size_is_not_turned_about(monkeypatch):
    monkeypatch.setattr("pitmap.drawing.check.look_alikes", lambda _: pytest.fail("was turned about"))
    assert check_drawing(across_28_mm())[0].severity == "error"


@pytest.mark.parametrize(
    ("outline", "words"),
    [
        (box(0, 0, 19, 10), "is 19 mm across"),
        (box(0, 0, 90, 3001), "is 3001 mm across"),
        (box(-20_001, 0, -19_900, 90), "lies 20001 mm from the origin"),
    ],
)
def test_no_drawing_is_made_of_an_outline_out_of_range(outline, words):
    with pytest.raises(DrawingError, match=f"'p': the outline {words}"):
        plate(outline=outline)


def test_far_from_the_origin():
    from shapely.affinity import translate

    drawing = plate()
    outline = translate(drawing.outline, 5000, 0)
    far = plate(outline=outline, openings=(), zones={"rim": outline}, trace=None, coolant_edge=None)
    assert found(far, "outline", "from the origin") == "warning"


@pytest.mark.parametrize(("value", "words"), [(float("nan"), "not given"), (500.0, "unusual")])
def test_thickness(value, words):
    assert found(plate(thickness_mm=value), "thickness", words) == "warning"


def test_opening_too_small():
    assert found(plate(openings=(hole("speck", 10, 40, 0.3),)), "speck", "0.60 mm across") == "warning"


def test_band_outside_and_named_twice():
    bands = (
        Band(name="t", polygon=box(60, 0, 80, 10), seal_width_mm=1.0),
        Band(name="u", polygon=box(0, 20, 5, 25), seal_width_mm=0.0),
    )
    drawing = plate(bands=bands)
    assert found(drawing, "t", "outside the outline") == "error"
    assert found(drawing, "u", "seal width above 0") == "error"


def test_no_limits_is_a_note():
    assert found(plate(limits={}), "limits", "are not in this drawing") == "note"


def test_zone_crossing_itself_stops_the_check():
    bow = Polygon([(0, 0), (20, 20), (20, 0), (0, 20)])
    assert found(plate(zones={"rim": bow}), "rim", "crosses itself") == "error"


def test_look_alike_exact_half_turn():
    """A rectangle with two bolts placed point-symmetrically: turned by 180 degrees it is itself."""
    outline = box(-60, -40, 60, 40)
    drawing = plate(
        outline=outline, openings=(hole("a", 40, 20), hole("b", -40, -20)), zones={"rim": outline},
        trace=None, coolant_edge=None,
    )  # fmt: skip
    best = look_alikes(drawing)[0]
    assert not best.is_mirrored
    assert abs(best.angle_deg) == pytest.approx(180, abs=0.2)
    assert best.edge_share > 0.99
    assert best.area_share > 0.995
    assert found(drawing, "outline", "fits as well when turned by 180 deg") == "warning"


def test_look_alike_exact_mirror():
    outline = Polygon([(-60, -40), (60, -40), (35, 40), (-35, 40)])
    drawing = plate(
        outline=outline, openings=(hole("a", 30, 20), hole("b", -30, 20)), zones={"rim": outline}, trace=None,
        coolant_edge=None,
    )  # fmt: skip
    best = look_alikes(drawing)[0]
    assert best.is_mirrored and abs(best.angle_deg) < 0.2 and best.edge_share > 0.99
    assert found(drawing, "outline", "fits as well when mirrored (") == "warning"


@pytest.mark.parametrize(("symmetry", "is_mirrored"), [("rotated", False), ("mirrored", True)])
def test_look_alike_nearly(symmetry, is_mirrored):
    drawing = random_plate(np.random.default_rng(1), symmetry=symmetry)
    best = look_alikes(drawing)[0]
    assert best.is_mirrored is is_mirrored
    assert 0.8 < best.edge_share < 0.97
    found(drawing, "outline", "nearly fits")


def test_look_alike_of_a_lopsided_plate_is_poor():
    assert look_alikes(load_shipped("heron40_end"))[0].edge_share < 0.6


def cut_by(*openings: Opening) -> Drawing:
    """The plate with its land between circles of 30 and 35 mm, and some openings more."""
    whole = plate()
    every = (*whole.openings, *openings)
    return plate(openings=every, zones=make_zones(whole.outline, every, whole.trace, whole.coolant_edge))


def test_opening_that_cuts_the_land_through():
    """Past such an opening the sound width is taken along a land that is open there."""
    assert found(cut_by(hole("bolt_x", 32.5, 0, 4)), "bolt_x", "cuts the seal land through") == "error"
    port = Opening(name="port_x", kind="port", polygon=box(20, -3, 40, 3))
    assert found(cut_by(port), "port_x", "cuts the seal land through") == "error"


def test_coolant_on_the_running_side_and_a_port_on_the_coolant_side_leave_no_land():
    """The land reaches from 30 to 35 mm. Coolant that comes in at 29 is at the rotor, whatever metal lies beyond it."""
    from_29_to_33, from_32_to_36 = box(29, -2, 33, 2), box(32, -2, 36, 2)
    for kind, place in (("coolant", from_29_to_33), ("port", from_32_to_36)):
        cut = cut_by(Opening(name="x", kind=kind, polygon=place))
        assert found(cut, "x", "cuts the seal land through") == "error"
    # the other way round 2 mm are left
    for kind, place in (("port", from_29_to_33), ("coolant", from_32_to_36), ("bolt", from_29_to_33)):
        assert not [
            f for f in check_drawing(cut_by(Opening(name="x", kind=kind, polygon=place))) if f.element == "x"
        ]


def test_opening_that_leaves_next_to_nothing_of_the_land():
    """From 30.3 to 36.3 mm: 0.3 mm are left beside the trace."""
    assert found(cut_by(hole("bolt_x", 33.3, 0, 3)), "bolt_x", "leaves 0.3") == "warning"


def test_opening_in_the_land_or_beside_it_is_no_finding():
    assert (
        check_drawing(cut_by(hole("pin", 32.5, 0, 1.0), hole("bolt_x", 39.5, 0, 4), hole("p", 24, 0, 4)))
        == []
    )


def test_land_edge_over_the_outline():
    trace, edge = Point(0, 0).buffer(30), Point(0, 0).buffer(60)
    wide = plate(
        trace=trace, coolant_edge=edge, zones=make_zones(plate().outline, plate().openings, trace, edge)
    )
    assert found(wide, "coolant_edge", "reaches outside the outline") == "error"


def test_land_too_narrow_to_seal():
    trace, edge = Point(0, 0).buffer(30), Point(0, 0).buffer(30.2)
    thin = plate(
        trace=trace, coolant_edge=edge, zones=make_zones(plate().outline, plate().openings, trace, edge)
    )
    assert found(thin, "seal_land", "is only 0.20 mm wide") == "warning"


def test_zones_that_are_not_where_the_edges_put_them():
    moved = make_zones(plate().outline, plate().openings, Point(3, 0).buffer(30), Point(3, 0).buffer(35))
    drawing = plate(zones=moved)
    assert found(drawing, "running_surface", "not inside the bore trace") == "warning"
    assert found(drawing, "seal_land", "not between the bore trace and the land's outer edge") == "warning"


def test_band_narrower_than_its_seal():
    ring = Point(0, 0).buffer(25).difference(Point(0, 0).buffer(22))
    thin = Band(name="oil_seal", polygon=ring, seal_width_mm=4.0)
    assert found(plate(bands=(thin,)), "oil_seal", "nowhere as wide as its seal of 4 mm") == "warning"
    assert check_drawing(plate(bands=(Band(name="oil_seal", polygon=ring, seal_width_mm=2.0),))) == []


@pytest.mark.parametrize(
    ("x", "radius", "severity", "said"),
    [
        (32.5, 2.2, "warning", "leaves 0.60 mm of the seal land"),
        (33.3, 2.0, None, None),
        (32.5, 2.0, None, None),
        (32.5, 2.6, "error", "cuts the seal land through"),
    ],
)
def test_hole_in_the_land_leaves_what_is_left_on_both_its_sides(x, radius, severity, said) -> None:
    """The land reaches from 30 to 35 mm: a hole from 30.3 to 34.7 leaves 0.3 mm twice, one from 31.3 to 35.3 1.3 mm once."""
    drawing = plate()
    openings = (*drawing.openings, hole("bolt_c", x, 0.0, radius))
    changed = plate(
        openings=openings, zones=make_zones(drawing.outline, openings, drawing.trace, drawing.coolant_edge)
    )
    hits = [f for f in check_drawing(changed, poses=False) if f.element == "bolt_c" and "land" in f.text]
    if said is None:
        assert hits == []
    else:
        assert [f.severity for f in hits] == [severity] and said in hits[0].text


def test_two_bands_of_one_name_are_an_error_each() -> None:
    rings = [Point(0, 0).buffer(r).difference(Point(0, 0).buffer(r - 4)) for r in (20, 28)]
    bands = tuple(Band(name="side seal", polygon=ring, seal_width_mm=2.0) for ring in rings)
    hits = [f for f in check_drawing(plate(bands=bands), poses=False) if f.element == "side seal"]
    assert [(f.severity, f.text) for f in hits] == [("error", "is the name of two bands; rename one")] * 2


def test_area_share_of_a_turned_plate_is_what_both_have_of_what_either_has() -> None:
    """A rectangle with one round hole beside its middle: turned by half, both lack both holes, and one or other has all."""
    outline = box(-70, -50, 70, 50)
    turned = look_alikes(plate(outline=outline, openings=(hole("bolt_a", 40, 0, 10),), zones={}), 4)
    (half,) = (a for a in turned if not a.is_mirrored and abs(a.angle_deg) > 179)
    assert half.area_share == pytest.approx(1 - 2 * np.pi * 100 / 14_000, abs=0.003)
