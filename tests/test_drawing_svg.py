"""SVG + TOML: round trip, foreign files, shipped plates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, hausdorff_distance

from pitmap.drawing import (
    build_drawing,
    import_svg,
    load_drawing,
    load_numbers,
    load_shipped,
    load_svg,
    random_plate,
    save_dxf,
    save_svg,
    shipped_plates,
)
from pitmap.drawing import load as load_module
from pitmap.drawing.svg_path import parse_path
from pitmap.errors import DrawingError


def svg(body: str, head: str = 'width="100mm" height="80mm" viewBox="0 0 100 80"') -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'xmlns:inkscape="http://www.inkscape.org/namespaces/inkscape" {head}>{body}</svg>'
    )


def write(tmp_path, text: str, name: str = "plate.svg"):
    path = tmp_path / name
    path.write_text(text)
    return path


OUTLINE = '<rect id="outline" width="100" height="80"/>'


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_round_trip_within_1_um(tmp_path, seed):
    drawing = random_plate(np.random.default_rng(seed), name="ro&und <trip> 'é'")
    save_svg(drawing, tmp_path / "p.svg")
    back = load_drawing(tmp_path / "p.svg")
    assert back.name == drawing.name and back.thickness_mm == drawing.thickness_mm
    assert hausdorff_distance(back.outline, drawing.outline) < 0.001
    assert hausdorff_distance(back.trace, drawing.trace) < 0.001
    assert hausdorff_distance(back.coolant_edge, drawing.coolant_edge) < 0.001
    assert [(o.name, o.kind) for o in back.openings] == [(o.name, o.kind) for o in drawing.openings]
    for mine, theirs in zip(back.openings, drawing.openings):
        assert hausdorff_distance(mine.polygon, theirs.polygon) < 0.001
    for name, zone in drawing.zones.items():
        assert hausdorff_distance(back.zones[name].boundary, zone.boundary) < 0.001
    assert [(b.name, b.seal_width_mm) for b in back.bands] == [
        (b.name, b.seal_width_mm) for b in drawing.bands
    ]


def test_saved_svg_is_millimetres_with_y_down(tmp_path):
    save_svg(load_shipped("heron40_end"), tmp_path / "p.svg")
    head = (tmp_path / "p.svg").read_text()[:400]
    assert 'width="255mm"' in head and 'viewBox="-128 ' in head


def test_circle_in_inches_with_viewbox(tmp_path):
    """4 in over 400 units: one unit is 0.254 mm; y turns up."""
    text = svg(
        '<rect id="outline" width="400" height="200"/><circle id="bolt_1" cx="100" cy="50" r="10"/>',
        'width="4in" height="2in" viewBox="0 0 400 200"',
    )
    drawing = load_svg(write(tmp_path, text))
    assert drawing.outline.bounds == pytest.approx((0, -50.8, 101.6, 0))
    hole = drawing.openings[0]
    assert hole.kind == "bolt"
    assert hole.polygon.centroid.coords[0] == pytest.approx((25.4, -12.7))
    assert hole.polygon.area == pytest.approx(np.pi * 2.54**2, rel=1e-3)


def test_nested_transforms(tmp_path):
    """Innermost first: doubled, then a quarter turn about the origin, then moved by (10, 5)."""
    text = svg(
        OUTLINE + '<g transform="translate(10,5)"><g transform="rotate(90)">'
        '<rect id="port_1" transform="scale(2)" x="1" y="-3" width="4" height="2"/></g></g>'
    )
    box = load_svg(write(tmp_path, text)).openings[0].polygon.bounds
    # x 1..5, y -3..-1 -> doubled 2..10, -6..-2 -> turned x 2..6, y 2..10 -> moved 12..16, 7..15 -> y up
    assert box == pytest.approx((12, -15, 16, -7))


@pytest.mark.parametrize(
    ("d", "area"),
    [
        ("M20 20 h20 v10 h-20 z", 200),
        ("M20,20 40,20 40,30 20,30Z", 200),
        ("m20 20l20 0l0 10l-20 0z", 200),
        ("M30 20 A10 10 0 0 1 30 40 A10 10 0 0 1 30 20 Z", 100 * np.pi),
        ("M30 20a10 10 0 1120 0a10 10 0 11-20 0", 100 * np.pi),
        ("M20 20 Q30 40 40 20 Z", 400 / 3),
        ("M20 20 C20 40 40 40 40 20 Z", 240),
        ("M20 20 h20 v20 h-20 z M25 25 h10 v10 h-10 z", 400),
    ],
)
def test_path_commands(tmp_path, d, area):
    """By hand: a quadratic bulge is 2/3 of width x height, this cubic 3/5 of width x handle."""
    text = svg(OUTLINE + f'<path id="port_1" d="{d}"/>')
    if d.count("M") == 2:
        with pytest.raises(DrawingError, match="port_1.*one ring"):
            load_svg(write(tmp_path, text))
        return
    assert load_svg(write(tmp_path, text)).openings[0].polygon.area == pytest.approx(area, rel=1e-4)


HOLED = "M20 20h40v40h-40z M30 30{inner}z"


@pytest.mark.parametrize(
    ("inner", "style", "area"),
    [
        ("h20v20h-20", 'fill-rule="evenodd"', 1200),
        ("h20v20h-20", 'style="fill-rule:evenodd"', 1200),
        ("h20v20h-20", 'fill="none" stroke="black"', 1200),
        ("v20h20v-20", "", 1200),
        ("h20v20h-20", "", None),
        ("h20v20h-20", 'style="fill-rule:nonzero"', None),
    ],
)
def test_a_ring_inside_a_zone_is_a_hole_only_where_a_picture_shows_one(tmp_path, inner, style, area):
    """40 x 40 with 20 x 20 in it: of two rings that run the same way a picture fills both, and 400 mm2 were missing."""
    zone = f'<path id="seal_land" {style} d="{HOLED.format(inner=inner)}"/>'
    path = write(tmp_path, svg(OUTLINE + zone))
    if area is None:
        with pytest.raises(DrawingError, match="path 'seal_land': a ring inside .* set the fill rule"):
            load_svg(path)
        return
    assert load_svg(path).zones["seal_land"].area == pytest.approx(area)


def test_fill_rule_of_a_group_counts_for_what_is_in_it(tmp_path):
    zone = f'<path id="seal_land" d="{HOLED.format(inner="h20v20h-20")}"/>'
    path = write(tmp_path, svg(f'{OUTLINE}<g fill-rule="evenodd">{zone}</g>'))
    assert load_svg(path).zones["seal_land"].area == pytest.approx(1200)


def test_smooth_curves_reflect_the_handle(tmp_path):
    """S and T continue the tangent: both halves of the wave enclose the same area, so they cancel."""
    text = svg(OUTLINE + '<path id="port_1" d="M20 40 Q30 20 40 40 T60 40 L60 60 L20 60 Z"/>')
    assert load_svg(write(tmp_path, text)).openings[0].polygon.area == pytest.approx(800, rel=1e-4)


def test_labels_and_layers_tell_the_kind(tmp_path):
    text = svg(
        OUTLINE + '<g inkscape:label="Bolt holes"><circle id="c1" cx="10" cy="10" r="2"/>'
        '<circle id="c2" cx="20" cy="10" r="2"/></g><circle id="c3" cx="50" cy="40" r="5" data-kind="bore"/>'
        '<path id="note" d="M0 0 L5 5"/>'
    )
    drawing = load_svg(write(tmp_path, text))
    assert [(o.name, o.kind) for o in drawing.openings] == [("c1", "bolt"), ("c2", "bolt"), ("c3", "bore")]


@pytest.mark.parametrize("label", ["bore trace", "Bore_trace", "Trace of the bore"])
def test_the_bore_trace_is_no_bore(tmp_path, label):
    """Taken for an opening it would make a hole of the whole running surface."""
    drawing = load_svg(write(tmp_path, svg(OUTLINE + f'<circle id="{label}" cx="50" cy="40" r="20"/>')))
    assert drawing.openings == ()
    assert drawing.zones["running_surface"].area == pytest.approx(np.pi * 400, rel=1e-3)


@pytest.mark.parametrize("label", ["coolant-seal land", "Coolant seal land", "water seal land"])
def test_the_coolant_seal_land_is_no_coolant_opening(tmp_path, label):
    drawing = load_svg(write(tmp_path, svg(OUTLINE + f'<circle id="{label}" cx="50" cy="40" r="20"/>')))
    assert drawing.openings == () and set(drawing.zones) == {"seal_land"}


@pytest.mark.parametrize(
    "label", ["Viewport", "supports", "Report", "bolt circle", "bolt centres", "Port dims"]
)
def test_a_word_that_only_sounds_like_an_opening_is_left_out_and_told(tmp_path, label):
    """A circle drawn through the bolts is no hole of the size of the plate."""
    text = svg(OUTLINE + BOLT + f'<g inkscape:label="{label}"><circle id="c9" cx="50" cy="40" r="20"/></g>')
    found = import_svg(write(tmp_path, text))
    assert [o.name for o in found.drawing.openings] == ["bolt_1"]
    (note,) = found.notes
    assert "'c9'" in note and "left out" in note


@pytest.mark.parametrize(("label", "n"), [("circle12", 1), ("pitch circle", 0), ("Bolt circle", 0)])
def test_what_only_helps_to_draw_is_no_hole_in_a_group_of_holes_either(tmp_path, label, n):
    """A program's own name, such as circle12, says nothing; there the group's counts."""
    body = f'<g id="bolts"><circle id="{label}" cx="50" cy="40" r="5"/></g>'
    assert len(load_svg(write(tmp_path, svg(OUTLINE + body))).openings) == n


@pytest.mark.parametrize(
    ("label", "kind"),
    [
        ("boltholes", "bolt"),
        ("Oil drain 2", "drain"),
        ("exhaustports", "port"),
        ("hole_3", "other"),
        ("Oil holes", "other"),
    ],
)
def test_words_in_a_label_tell_the_kind(tmp_path, label, kind):
    (opening,) = load_svg(
        write(tmp_path, svg(OUTLINE + f'<circle id="{label}" cx="50" cy="40" r="5"/>'))
    ).openings
    assert opening.kind == kind


def test_bore_trace_is_the_trace_and_no_bore(tmp_path):
    """An opening of that size lay over the shaft bore, and the drawing was refused for it."""
    text = svg(
        OUTLINE
        + '<ellipse id="Bore trace" cx="50" cy="40" rx="30" ry="25"/><circle id="shaft_bore" cx="50" cy="40" r="5"/>'
    )
    drawing = load_svg(write(tmp_path, text))
    assert [(o.name, o.kind) for o in drawing.openings] == [("shaft_bore", "bore")]
    assert drawing.trace is not None and drawing.trace.area == pytest.approx(np.pi * 30 * 25, rel=1e-3)


def test_mapping_in_the_toml_names_layers(tmp_path):
    text = svg('<rect id="r1" width="100" height="80"/><g id="L7"><circle id="c" cx="9" cy="9" r="2"/></g>')
    write(tmp_path, "thickness_mm = 9\n[map]\nR1 = 'outline'\nL7 = 'opening:dowel'\n", "plate.toml")
    drawing = load_drawing(write(tmp_path, text))
    assert drawing.thickness_mm == 9
    assert drawing.openings[0].kind == "dowel"


def test_zones_are_made_from_trace_and_land_width(tmp_path):
    text = svg(OUTLINE + '<circle id="trace" cx="50" cy="40" r="20"/>')
    write(tmp_path, "land_width_mm = 5\n", "plate.toml")
    zones = load_drawing(write(tmp_path, text)).zones
    assert zones["running_surface"].area == pytest.approx(np.pi * 400, rel=1e-3)
    assert zones["seal_land"].area == pytest.approx(np.pi * (625 - 400), rel=1e-3)
    assert zones["rim"].area == pytest.approx(8000 - np.pi * 625, rel=1e-3)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ('<path id="outline" d="M0 0 L50 0 L50 50"/>', "outline.*open.*mm apart"),
        (
            '<path id="outline" d="M0 0 L50 50 L50 0 L0 50 Z"/>',
            "outline.*crosses itself near x 25.00, y -25.00",
        ),
        ('<rect id="other_thing" width="9" height="9"/>', "no outline|other"),
        (OUTLINE + OUTLINE, "second outline"),
        (OUTLINE + '<path id="bolt_1" d="M5 5 L6 6 Z"/>', "bolt_1.*fewer than three"),
        (OUTLINE + '<circle id="bolt_1" r="0"/>', "bolt_1.*radius above 0"),
        (OUTLINE + '<path id="bolt_1" d="M5 5 L6 X"/>', "bolt_1.*no command"),
        (OUTLINE + '<path id="bolt_1" d="L6 6"/>', "bolt_1.*begin with M"),
        (OUTLINE + '<path id="bolt_1" d="M5 5 L1e30 6 Z"/>', "bolt_1.*too large"),
        (OUTLINE + '<path id="x" data-kind="blot" d="M5 5h9v9z"/>', "opening:blot.*no meaning"),
        (OUTLINE + '<path data-role="band" id="band_t" d="M5 5h9v9z"/>', "band 't' has no seal_width_mm"),
        (OUTLINE + '<g transform="twist(3)"><circle id="bolt_1" r="1"/></g>', "twist"),
        (OUTLINE + "<script>alert(1)</script>", "script"),
        (OUTLINE + '<circle onclick="x()" r="1"/>', "script"),
        (OUTLINE + '<image xlink:href="http://example.invalid/a.png"/>', "outside the file"),
        (OUTLINE + '<use xlink:href="#outline"/>', "reference"),
        (OUTLINE + "<style>@import url(http://example.invalid/a.css);</style>", "outside the file"),
    ],
)
def test_refusal_names_the_element(tmp_path, body, words):
    with pytest.raises(DrawingError, match=words):
        load_svg(write(tmp_path, svg(body)))


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("", "real units"),
        ('width="100" height="80" viewBox="0 0 100 80"', "real units"),
        ('width="100%" height="80%" viewBox="0 0 100 80"', "real units"),
        ('width="100mm" height="90mm" viewBox="0 0 100 80"', "do not fit"),
        ('width="100mm" height="80mm" viewBox="0 0 0 80"', "viewBox"),
    ],
)
def test_units_must_be_there(tmp_path, head, words):
    path = write(tmp_path, svg(OUTLINE, head))
    with pytest.raises(DrawingError, match=words):
        load_svg(path)


def test_user_unit_can_be_said(tmp_path):
    path = write(tmp_path, svg(OUTLINE, ""))
    assert load_svg(path, user_unit_mm=25.4).outline.bounds == pytest.approx((0, -2032, 2540, 0))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[limits.gap]\nvalue = 3\n", "limits.gap has no source"),
        ("colour = 3\n", "unknown entry colour"),
        ("thickness_mm = -1\n", "thickness_mm"),
        ("[zones.lnad]\npurpose = 'x'\n", "zones.lnad"),
        ("[bands.x]\n", "bands.x needs seal_width_mm"),
        ("[bands.x]\nseal_width_mm = 1\n", "band x, which is not in the drawing"),
        ("drawing = '../p.svg'\n", "same folder"),
        ("format = 'pitmap drawing 9'\n", "format"),
    ],
)
def test_beside_refusal_names_the_entry(tmp_path, text, words):
    write(tmp_path, text, "plate.toml")
    with pytest.raises(DrawingError, match=words):
        load_drawing(write(tmp_path, svg(OUTLINE)))


@pytest.mark.parametrize("name", [".", "..", "plate.pdf"])
def test_a_toml_that_names_no_drawing_is_refused(tmp_path, name):
    toml = write(tmp_path, f"drawing = '{name}'\n", "plate.toml")
    with pytest.raises(DrawingError, match=f"plate.toml: drawing must name an SVG or DXF file, got '{name}'"):
        load_drawing(toml)


def test_load_drawing_by_toml_and_by_numbers(tmp_path):
    save_svg(load_shipped("heron40_end"), tmp_path / "p.svg")
    assert load_drawing(tmp_path / "p.toml").name == "Heron 40 end plate"
    with pytest.raises(DrawingError, match="expected a drawing ending in"):
        load_drawing(tmp_path / "p.step")
    with pytest.raises(DrawingError, match="cannot be read"):
        load_drawing(tmp_path / "nothing.svg")


def test_shipped_plates_are_what_their_numbers_build():
    assert shipped_plates() == ("heron40_end", "heron40_intermediate_a", "heron40_intermediate_b")
    folder = load_module.files("pitmap.drawing") / "plates"
    for name in shipped_plates():
        shipped = load_shipped(name)
        with load_module.as_file(folder / f"{name}.numbers.toml") as path:
            built = build_drawing(load_numbers(path))
            assert load_drawing(path).name == shipped.name
        assert hausdorff_distance(shipped.outline, built.outline) < 0.001
        assert shipped.limits == built.limits
        assert "INVENTED" in shipped.limits["note"]


def test_intermediate_faces_are_mirror_images():
    one, other = load_shipped("heron40_intermediate_a"), load_shipped("heron40_intermediate_b")
    assert hausdorff_distance(one.mirrored("m").outline, other.outline) < 0.001
    assert one.zones["running_surface"].area != pytest.approx(other.zones["running_surface"].area, abs=1)


BOLT = '<circle id="bolt_1" cx="20" cy="20" r="5"/>'


@pytest.mark.parametrize(
    "body",
    [
        f'<g display="none">{BOLT}</g>',
        f'<g style="fill:none;display : none">{BOLT}</g>',
        f"<style>/* layers */ .a, .hid {{ fill:red; display:none }}</style><g class='a2 hid'>{BOLT}</g>",
        f"<style>#off{{display:none!important}}</style><g id='off'>{BOLT}</g>",
        f'<g visibility="hidden">{BOLT}</g>',
        '<circle id="bolt_1" cx="20" cy="20" r="5" style="visibility:hidden"/>',
        f'<g opacity="0">{BOLT}</g>',
        f'<g style="opacity:0.0%"><g>{BOLT}</g></g>',
        f'<g fill="none">{BOLT}</g>',
        f'<g fill="none" stroke="red" stroke-width="0">{BOLT}</g>',
        f'<g style="fill:rgba(9, 9, 9, 0)">{BOLT}</g>',
        f'<g style="fill:rgb(9 9 9 / 0.0)">{BOLT}</g>',
        f'<g fill-opacity="0">{BOLT}</g>',
        f"<style>g.off{{display:none}}</style><g class='x off'>{BOLT}</g>",
        f"<style>.lay > g circle{{display:none}}</style><g class='lay'><g><g>{BOLT}</g></g></g>",
        f"<style>#bolt_1{{display:none}} circle{{display:inline}}</style>{BOLT}",
        f"<style>.off{{display:none!important}}</style><g class='off' style='display:inline'>{BOLT}</g>",
        f'<clipPath id="c"><rect x="50" width="40" height="80"/></clipPath><g clip-path="url(#c)">{BOLT}</g>',
    ],
)
def test_what_a_layer_hides_is_no_part_of_the_plate(tmp_path, body):
    """Drawing programs hide a layer by an attribute, by its style or by a class; a hidden hole is not in the plate."""
    found = import_svg(write(tmp_path, svg(OUTLINE + body)))
    assert found.drawing.openings == ()
    (note,) = found.notes
    assert "circle 'bolt_1' is not seen in the drawing and was left out" in note


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (
            '<clipPath id="c"><rect width="20" height="80"/></clipPath><g clip-path="url(#c)">{}</g>',
            "cut by a clip path",
        ),
        ('<g style="clip-path:inset(3px)">{}</g>', "cut by a clip path"),
        (
            '<clipPath id="c"><path clip-rule="evenodd" d="M0 0h100v80h-100z M9 9h30v30h-30z"/></clipPath>'
            '<g clip-path="url(#c)">{}</g>',
            "cut by a clip path that is not read",
        ),
        (
            '<mask id="m"><rect width="20" height="80"/></mask><g mask="url(#m)">{}</g>',
            "covered in part by a mask",
        ),
        ("<switch>{}<g/></switch>", "a switch chooses"),
        ('<g style="rotate:90deg">{}</g>', "moved by its style .rotate: 90deg"),
        ('<g transform="rotate(90)" transform-origin="9 9">{}</g>', "moved by its style .transform-origin"),
        ("<style>circle{{cx:30px}}</style>{}", "has its cx in a style"),
        (
            "<style>@media print{{circle{{display:none}}}}</style>{}",
            "sets display by the rule '@media print'",
        ),
        ("<style>circle[r]{{display:none}}</style>{}", "sets display by the rule 'circle.r.'"),
    ],
)
def test_what_is_seen_otherwise_than_it_is_drawn_is_refused(tmp_path, body, words):
    """Cut, covered or moved by what is not read, a hole would be of another size or elsewhere than on the screen."""
    with pytest.raises(DrawingError, match=words):
        load_svg(write(tmp_path, svg(OUTLINE + body.format(BOLT))))


def test_a_style_sheet_that_asks_for_too_much_is_refused(tmp_path):
    """49 rules of two steps, looked for through 90 groups about every one of 20,000 elements, took minutes."""
    rules = "".join(f"g .a{k} .x{{fill:red}}" for k in range(49))
    body = f"<style>{rules}</style>" + "<g>" * 90 + '<g class="x"/>' * 20_000 + "</g>" * 90
    with pytest.raises(DrawingError, match="its style sheet asks for too much"):
        load_svg(write(tmp_path, svg(OUTLINE + body)))


def test_a_transform_of_the_whole_file_is_refused(tmp_path):
    head = 'width="100mm" height="80mm" viewBox="0 0 100 80" transform="scale(2)"'
    with pytest.raises(DrawingError, match="moved by a transform of the whole file"):
        load_svg(write(tmp_path, svg(OUTLINE, head)))


@pytest.mark.parametrize(
    "body",
    [
        '<clipPath id="c"><rect width="100" height="80"/></clipPath><g clip-path="url(#c)">{}</g>',
        '<g style="opacity:0.3;fill:none;stroke:#00f">{}</g>',
        '<g fill="none" stroke="rgb(0%, 0%, 0%)">{}</g>',
        '<g fill="rgb(255,0,0)">{}</g>',
        '<g fill="none" stroke="currentColor">{}</g>',
        "<style>.st0{{fill:none;stroke:#000}} svg > .x{{display:none}}</style><g class='st0'><g class='x'/>{}</g>",
        "<style>.b{{display:inline}} .lay .a{{display:none}} g:hover{{opacity:0}}</style><g class='a b'>{}</g>",
        "<style>.a{{display:none}} .b{{display:inline}}</style><g class='b a'>{}</g>",
        "<style>@font-face{{font-family:x}} @media print{{circle{{color:red}}}}</style>{}",
    ],
)
def test_what_is_seen_whole_is_read(tmp_path, body):
    """The clip of a whole page, a faint layer, thin lines without fill, and of two classes the later rule."""
    (bolt,) = load_svg(write(tmp_path, svg(OUTLINE + body.format(BOLT)))).openings
    assert bolt.polygon.bounds == pytest.approx((15, -25, 25, -15), abs=0.001)


def test_numbers_need_no_gap_before_a_sign_or_a_point(tmp_path):
    """SVG 1.1, 4.2: programs that save bytes leave the gaps out."""
    body = '<g transform="matrix(1 0 0-1 0 60)"><polygon id="port_1" points="10 20 30-5.5.5 40"/></g>'
    (port,) = load_svg(write(tmp_path, svg(OUTLINE + body))).openings
    # (10, 20), (30, -5.5) and (0.5, 40), y to 60 - y and then up
    assert port.polygon.bounds == pytest.approx((0.5, -65.5, 30, -20))


def test_what_is_shown_again_is_read(tmp_path):
    """A style of its own counts before a sheet's, and a visible thing in an invisible group is seen."""
    body = (
        '<style>.off{display:none}</style><g visibility="hidden">'
        '<circle id="bolt_1" cx="20" cy="20" r="5" visibility="visible"/></g>'
        '<circle id="bolt_2" class="off" cx="50" cy="20" r="5" style="display:inline"/>'
    )
    openings = load_svg(write(tmp_path, svg(OUTLINE + body))).openings
    assert [o.name for o in openings] == ["bolt_1", "bolt_2"]


@pytest.mark.parametrize(
    "body",
    [
        '<circle id="bolt_1" cx="20" cy="20" r="5" style="transform:translate(10px,5px)"/>',
        f"<style>.m{{transform:scale(2)}}</style><g class='m'>{BOLT}</g>",
    ],
)
def test_a_place_that_only_a_style_gives_is_refused(tmp_path, body):
    with pytest.raises(DrawingError, match="moved by its style"):
        load_svg(write(tmp_path, svg(OUTLINE + body)))


def test_shapes_that_nothing_names_are_told(tmp_path):
    body = BOLT + '<circle id="circle123" cx="40" cy="30" r="3"/>'
    found = import_svg(write(tmp_path, svg(OUTLINE + body)))
    assert [o.name for o in found.drawing.openings] == ["bolt_1"]
    (note,) = found.notes
    assert "'circle123'" in note and "x 40.0, y -30.0 mm" in note and "left out" in note


def test_an_opening_may_be_called_like_a_zone(tmp_path):
    """What was saved must be readable: the names of zones and edges are no openings'."""
    plate = load_shipped("heron40_end")
    openings = (replace(plate.openings[0], name="rim"), *plate.openings[1:])
    save_svg(replace(plate, openings=openings), tmp_path / "p.svg")
    assert load_svg(tmp_path / "p.svg").openings[0].name == "rim"


@pytest.mark.parametrize(
    "change",
    [{"thickness_mm": -5.0}, {"thickness_mm": 0.0}, {"name": "a\nb"}, {"name": "a\x01"}, {"name": "\ud800"}],
)
def test_no_drawing_is_made_that_no_file_can_give_back(change):
    with pytest.raises(DrawingError, match="thickness_mm must be above 0|no drawing file can hold"):
        replace(load_shipped("heron40_end"), **change)


@pytest.mark.parametrize(("ending", "write_one"), [("svg", save_svg), ("dxf", save_dxf)])
def test_drawing_and_toml_take_their_places_together(tmp_path, ending, write_one):
    """A new drawing beside another's TOML would be another plate."""
    path = tmp_path / f"p.{ending}"
    path.write_text("the old drawing")
    (tmp_path / "p.toml").mkdir()
    with pytest.raises(OSError):
        write_one(load_shipped("heron40_end"), path)
    assert path.read_text() == "the old drawing"
    assert sorted(f.name for f in tmp_path.iterdir()) == [f"p.{ending}", "p.toml"]


@pytest.mark.parametrize(
    ("large", "sweep", "middle", "quarters"), [(0, 1, 0, 1), (0, 0, 10, 1), (1, 1, 10, 3), (1, 0, 0, 3)]
)
def test_arc_flags_choose_one_of_four_arcs(large: int, sweep: int, middle: int, quarters: int) -> None:
    """From (10, 0) to (0, 10) with radius 10: a quarter or three of the circle about (0, 0) or about (10, 10)."""
    ((points, _),) = parse_path(f"M10 0A10 10 0 {large} {sweep} 0 10", 1e-4, "p")
    assert np.hypot(*(points - middle).T) == pytest.approx(np.full(len(points), 10.0), abs=1e-9)
    assert LineString(points).length == pytest.approx(quarters * 5 * np.pi, rel=1e-4)


def test_arc_of_a_turned_ellipse_has_its_long_axis_along_the_turn() -> None:
    """Half an ellipse of 20 by 10, turned by 90 degrees, between the ends of its short axis, which lies along x."""
    ((points, _),) = parse_path("M-10 0A20 10 90 0 1 10 0", 1e-4, "p")
    assert (points[:, 0] / 10) ** 2 + (points[:, 1] / 20) ** 2 == pytest.approx(
        np.ones(len(points)), abs=1e-9
    )
    assert points[:, 1].min() == pytest.approx(-20, abs=1e-3) and points[:, 1].max() < 1e-9


def test_relative_numbers_after_one_letter_go_on_from_each_other() -> None:
    ((points, closed),) = parse_path("m1 1l10 0 0 10-4 0h-3-3v-4-6z", 1e-4, "p")
    assert closed
    assert points.tolist() == [[1, 1], [11, 1], [11, 11], [7, 11], [4, 11], [1, 11], [1, 7], [1, 1]]


def test_smooth_curve_after_a_plain_one_reflects_its_handle() -> None:
    """The second half of an S: its handles at (10, -10) and (20, -10) make it 7.5 deep; unreflected it would be 3.75."""
    ((points, _),) = parse_path("M0 0C0 10 10 10 10 0S20-10 20 0", 1e-4, "p")
    assert points[:, 1].max() == pytest.approx(7.5, abs=1e-3)
    assert points[:, 1].min() == pytest.approx(-7.5, abs=1e-3)


@pytest.mark.parametrize(
    ("transform", "x", "y"),
    [
        ("rotate(90 20 10)", 20, 20),
        ("rotate(90)", -10, 30),
        ("scale(2 .5)", 60, 5),
        ("scale(2)", 60, 20),
        ("translate(5)", 35, 10),
        ("translate(5, -4)", 35, 6),
        ("skewX(45)", 40, 10),
        ("skewY(45)", 30, 40),
        ("matrix(0 1 -1 0 5 6)", -5, 36),
        ("translate(10,0) rotate(90)", 0, 30),
    ],
)
def test_transforms_by_hand(transform: str, x: float, y: float, tmp_path) -> None:
    """Where each takes the place (30, 10) of a picture whose y runs down."""
    text = svg(OUTLINE + f'<circle id="bolt_1" cx="30" cy="10" r="2" transform="{transform}"/>')
    middle = load_svg(write(tmp_path, text)).openings[0].polygon.centroid
    assert (middle.x, -middle.y) == pytest.approx((x, y), abs=1e-6)


@pytest.mark.parametrize(
    ("corner", "rx_ry"),
    [
        ('rx="4"', 16),
        ('ry="3"', 9),
        ('rx="4" ry="2"', 8),
        ('rx="40"', 50),
        ("", 0),
        ('rx="0" ry="5"', 0),
        ('rx="5" ry="0"', 0),
    ],
)
def test_rounded_rect_has_the_corners_of_its_radii(corner: str, rx_ry: float, tmp_path) -> None:
    """Each of four corners lacks (1 - pi/4) rx ry; a radius that is not given is the other, none is over half
    a side, and one of 0 leaves them sharp."""
    text = svg(OUTLINE + f'<rect id="port_1" x="10" y="10" width="20" height="10" {corner}/>')
    area = load_svg(write(tmp_path, text)).openings[0].polygon.area
    assert area == pytest.approx(200 - (4 - np.pi) * rx_ry, abs=0.05)


@pytest.mark.parametrize(
    ("unit", "per_mm"),
    [("mm", 1), ("cm", 0.1), ("in", 1 / 25.4), ("pt", 72 / 25.4), ("pc", 6 / 25.4), ("Q", 4)],
)
def test_a_plate_of_100_mm_is_as_large_in_every_unit_of_svg(tmp_path, unit, per_mm):
    """1 in = 2.54 cm = 96 px = 72 pt = 6 pc, 1 Q = 1/40 cm (CSS Values and Units 3, section 6.2, from memory)."""
    size = f'width="{100 * per_mm!r}{unit}" height="{75 * per_mm!r}{unit}"'
    px_per_mm = 96 / 25.4
    plates = {
        "with a viewBox": svg(
            '<rect id="outline" width="1000" height="750"/>', f'{size} viewBox="0 0 1000 750"'
        ),
        "in pixels": svg(
            f'<rect id="outline" width="{100 * px_per_mm!r}" height="{75 * px_per_mm!r}"/>', size
        ),
        "in the unit itself": svg(f'<rect id="outline" {size}/>', size),
    }
    for said, text in plates.items():
        x0, y0, x1, y1 = load_svg(write(tmp_path, text)).outline.bounds
        assert (x1 - x0, y1 - y0) == pytest.approx((100, 75), abs=1e-6), said
