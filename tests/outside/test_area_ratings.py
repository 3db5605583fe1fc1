"""Ratings, areas, sharpness and decision limits against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from measure_fakes import PIT, SCORE, STAIN, TINT, UNCUT, Map, blank, disc, rectangle, ring_plate
from scipy.special import ndtr, ndtri
from shapely import box

from pitmap.classes import SurfaceClass
from pitmap.drawing import Drawing
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.measure import (
    d610_grade,
    g46_density_class,
    g46_depth_class,
    g46_size_class,
    iso4628_rust_grade,
    iso10289_rating,
    measure,
    pitting_factor,
    radial_projection_mm,
    ten_deepest_um,
)
from pitmap.measure.blobs import find_blobs
from pitmap.photo import laplacian_variance
from pitmap.synthetic import lap
from pitmap.synthetic.face import Face
from pitmap.synthetic.lap import PIT_MIN_UM
from pitmap.synthetic.pits import PITS, PitPatch
from pitmap.synthetic.shape import plate_shape
from pitmap.units import parse_length

# ASTM G46-94 Fig. 2 (same chart in ISO 11463), from memory.
G46 = [
    ("A-1", "B-1", "C-1", 2.5e3, 0.5, 0.4),
    ("A-2", "B-2", "C-2", 1e4, 2.0, 0.8),
    ("A-3", "B-3", "C-3", 5e4, 8.0, 1.6),
    ("A-4", "B-4", "C-4", 1e5, 12.5, 3.2),
    ("A-5", "B-5", "C-5", 5e5, 24.5, 6.4),
]


@pytest.mark.parametrize(("a", "b", "c", "density", "size", "depth"), G46)
def test_g46_chart_points(a: str, b: str, c: str, density: float, size: float, depth: float) -> None:
    assert (g46_density_class(density), g46_size_class(size), g46_depth_class(depth)) == (a, b, c)


def test_g46_sentence() -> None:
    """ASTM G46 7.1, from memory: 5e4 pits/m2, 2.0 mm2 and 1.6 mm mean A-3, B-2, C-3."""
    assert (g46_density_class(5e4), g46_size_class(2.0), g46_depth_class(1.6)) == ("A-3", "B-2", "C-3")


def test_g46_plate_pits_are_below_the_depth_chart() -> None:
    """0.4 mm is 15.7 thou: a 60 um pit is below C-1. None at all is no class."""
    assert g46_depth_class(0.06) == "below C-1"
    assert g46_density_class(0.0) == "no A"
    with pytest.raises(InputError, match="G46"):
        g46_size_class(-1.0)


def test_ten_deepest() -> None:
    """ASTM G46 7.3, from memory; depths 1 to 20: deepest 20, mean of the ten deepest 15.5."""
    assert ten_deepest_um(range(1, 21)) == (20.0, 15.5, 10)
    assert ten_deepest_um([4.0, 8.0]) == (8.0, 6.0, 2)
    with pytest.raises(InputError, match="ten_deepest"):
        ten_deepest_um([])


def test_pitting_factor() -> None:
    """ASTM G46 7.3.2, from memory. Loss 7.2 g at 7.2 g/cm3 over 100 cm2 is 0.1 mm; deepest 0.5 mm: 5.0."""
    mean_um = 7.2 / (7.2 * 100) * 1e4
    assert pitting_factor(500.0, mean_um) == pytest.approx(5.0)
    with pytest.raises(InputError, match="not defined"):
        pitting_factor(500.0, 0.0)


# ISO 10289:1999, clause 5, Table 1 (same text as GB/T 6461-2002; a copy that prints 12.5 for 2.5 is a
# misprint).
ISO10289 = [
    (0.0, 10),
    (0.1, 9),
    (0.25, 8),
    (0.5, 7),
    (1.0, 6),
    (2.5, 5),
    (5.0, 4),
    (10, 3),
    (25, 2),
    (50, 1),
    (100, 0),
]


@pytest.mark.parametrize(("top_percent", "rating"), ISO10289)
def test_iso10289_table(top_percent: float, rating: int) -> None:
    assert iso10289_rating(top_percent) == rating
    if 0 < top_percent < 100:
        assert iso10289_rating(top_percent * 1.0001) == rating - 1
        # Rp = 3 (2 - log10 A), rounded, agrees with the table at the tops of its classes
        assert round(3 * (2 - math.log10(top_percent))) == rating


def test_iso10289_inside_the_classes_follows_the_table() -> None:
    """The rounded formula gives 8 and 6 here, the table 8 and 5."""
    assert iso10289_rating(0.2) == 8
    assert iso10289_rating(1.2) == 5


# ASTM D610-08 (2012), Table 1: upper ends belong to the class.
D610 = [
    (0.01, 10),
    (0.03, 9),
    (0.1, 8),
    (0.3, 7),
    (1.0, 6),
    (3.0, 5),
    (10.0, 4),
    (16.0, 3),
    (33.0, 2),
    (50.0, 1),
    (100, 0),
]


@pytest.mark.parametrize(("top_percent", "grade"), D610)
def test_d610_table(top_percent: float, grade: int) -> None:
    assert d610_grade(top_percent) == grade
    if top_percent < 100:
        assert d610_grade(top_percent * 1.0001) == grade - 1


@pytest.mark.parametrize(
    ("ri", "percent", "d610"), [(1, 0.05, 8), (2, 0.5, 6), (3, 1.0, 6), (4, 8.0, 4), (5, 45.0, 1)]
)
def test_iso4628_and_its_correlation_with_d610(ri: int, percent: float, d610: int) -> None:
    """ISO 4628-3 Annex B, Tables B.1 and B.2: the areas of the rust grades and their ASTM D610 grades."""
    assert iso4628_rust_grade(percent) == f"Ri {ri}"
    assert d610_grade(percent) == d610


def test_iso4628_nothing() -> None:
    assert iso4628_rust_grade(0.0) == "Ri 0"
    with pytest.raises(InputError, match="percent"):
        iso4628_rust_grade(101.0)


def test_ratings_table_of_a_known_zone() -> None:
    """Pits on 0.4 % of the rim: ISO 10289 class 0.25 to 0.5 is 7, D610 class 0.3 to 1.0 is 6."""
    drawing = ring_plate()
    m = blank(drawing)
    rim = 76 * 64 - math.pi * 28**2
    side = math.sqrt(0.004 * rim)
    rectangle(m, 31, 0, 31 + side, side, PIT)
    result = measure(m, drawing)
    rows = result.ratings.set_index(["zone", "system", "class_word"])
    table = rows["rating"]
    assert rows["input_value"]["rim", "ISO 10289", "pit"] == pytest.approx(0.4, rel=0.01)
    assert rows["input_value"]["rim", "ASTM G46 A", "pit"] == pytest.approx(1 / (rim * 1e-6), rel=0.001)
    assert rows["input_value"]["rim", "ASTM G46 B", "pit"] == pytest.approx(0.004 * rim, rel=0.01)
    pit = result.zones.query("zone == 'rim' and class_word == 'pit'").iloc[0]
    ends = [str(iso10289_rating(100 * pit[end])) for end in ("share_low", "share_high")]
    assert rows.loc[("rim", "ISO 10289", "pit"), ["rating_low", "rating_high"]].tolist() == ends
    assert table["rim", "ISO 10289", "pit"] == "7"
    assert table["rim", "ISO 10289", "affected"] == "7"
    assert table["rim", "ASTM D610", "pit and stain"] == "6"
    assert table["rim", "ISO 4628-3", "pit and stain"] == "Ri 2"
    # one pit in 0.0024 m2 is 416 pits per m2, under half a step below A-1 (2500 / 2 = 1250)
    assert table["rim", "ASTM G46 A", "pit"] == "below A-1"
    assert table["seal_land", "ISO 10289", "pit"] == "10"


def test_a_pit_of_the_next_zone_gives_no_mean_opening() -> None:
    """A pit that reaches from the running surface 0.3 mm into the land was "below A-1" there, and "no B"."""
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 17, -1, 20.3, 1, PIT)
    table = measure(m, drawing).ratings.query("class_word == 'pit'").set_index(["zone", "system"])["rating"]
    assert table["seal_land", "ASTM G46 A"] == "below A-1"
    assert ("seal_land", "ASTM G46 B") not in table.index
    assert table["running_surface", "ASTM G46 B"] == "B-3"  # 6.6 mm2, nearest to 8.0 on a log scale
    assert table["rim", "ASTM G46 A"] == "no A" and table["rim", "ASTM G46 B"] == "no B"


def test_spherical_cap_pit_keeps_its_law_under_the_lap() -> None:
    """A cap of depth h of a sphere of radius p has a mouth of a^2 = 2 p h - h^2 (geometry, any handbook).

    p = 1 mm, h = 0.2 mm; metal is a pit where it lies over 5 um below the face, so the law holds for h less that. The
    lap cuts the raster, and what is measured on its labels is held against the law, within what counting pixels costs the
    smallest mouth, 12 px in radius.
    """
    outline = box(-12, -3, 12, 3)
    drawing = Drawing(name="block", thickness_mm=12, outline=outline, openings=(), zones={"rim": outline})
    shape = plate_shape(drawing, 40.0)
    xs, ys = shape.grid.centres_mm()
    r2 = (xs[None, :] - 0.5) ** 2 + (ys[:, None] + 0.3) ** 2
    depth_um = 1000 * np.maximum(np.sqrt(np.maximum(1.0 - r2, 0)) - 0.8, 0).astype(np.float32)
    zero = np.zeros(shape.grid.shape, np.float32)
    pit = {
        "pit_id": 1,
        "x_mm": 0.5,
        "y_mm": -0.3,
        "drawn_diam_mm": 1.2,
        "depth_max_um": 200.0,
        "origin": "free",
    }
    face = Face(
        drawing=drawing, shape=shape, height_um=zero, rough_um=zero, pit_um=depth_um, score_um=zero, stain=zero,
        tint=zero, mottle=zero, hue=zero, pits=PITS.frame([pit]), patches=(PitPatch(0, 0, depth_um),),
    )  # fmt: skip
    for removed_um in (0.0, 50.0, 100.0, 150.0):
        survey = lap(face, removed_um)
        left = 0.2 - removed_um / 1000
        h = left - PIT_MIN_UM / 1000
        mouth_mm2 = math.pi * (2 * h - h * h)
        assert survey.pits.left_um[0] == pytest.approx(1000 * left, abs=0.5)
        assert survey.pits.left_mm2[0] == pytest.approx(mouth_mm2, rel=0.02)
        ones = np.ones(shape.grid.shape, np.float32)
        seen = Map(codes=survey.labels, confidence=ones, grid=shape.grid, stage=str(survey.stage))
        assert measure(seen, drawing).marks.iloc[0]["area_mm2"] == pytest.approx(mouth_mm2, rel=0.02)
    assert lap(face, 196.0).pits.left_mm2[0] == 0.0


def test_area_of_a_round_pit() -> None:
    """Mouths of that cap before and after 0.1 mm: 0.6 mm and sqrt(0.19) = 0.43589 mm."""
    drawing = ring_plate()
    for radius in (0.6, 0.435890):
        m = blank(drawing, 20.0)
        disc(m, 36.0, 0.0, 2 * radius, PIT)
        area = measure(m, drawing).marks.iloc[0]["area_mm2"]
        assert area == pytest.approx(math.pi * radius**2, rel=0.02)


@pytest.mark.parametrize(
    ("radius", "pixels", "tolerance"), [(5, 81, 0.08), (10, 317, 0.04), (20, 1257, 0.02), (40, 5025, 0.01)]
)
def test_digitised_disc(radius: int, pixels: int, tolerance: float) -> None:
    """Gauss circle counts (OEIS A000328) of a disc about a pixel centre; perimeter 2 pi r within 8, 4, 2, 1
    %."""
    rows, cols = np.mgrid[-45:46, -50:51]
    mask = rows**2 + cols**2 <= radius**2
    ones = np.ones(mask.shape, np.float32)
    b = find_blobs(mask, int(SurfaceClass.PIT), ones, ones.astype(np.uint8), 1, 1)
    assert b.area_px.tolist() == [pixels]
    assert b.perimeter_px[0] == pytest.approx(2 * math.pi * radius, rel=tolerance)
    assert b.centroid_cr[0].tolist() == [50.0, 45.0]


@pytest.mark.parametrize("turn_deg", [0, 20, 45, 90])
def test_edge_of_a_long_bar(turn_deg: float) -> None:
    """60 x 6 px have an edge of 132 px whichever way they lie; a disc of that area, 67. Within 10 %: the chain runs half a
    pixel inside, 3 % here, and its steps (Kulpa), right in the mean of all directions, are 5 % short along the raster."""
    rows, cols = np.mgrid[:101, :131]
    x, y = cols - 65.3, rows - 50.4
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    mask = (np.abs(c * x + s * y) <= 30) & (np.abs(c * y - s * x) <= 3)
    ones = np.ones(mask.shape, np.float32)
    b = find_blobs(mask, int(SurfaceClass.SCORE), ones, ones.astype(np.uint8), 1, 1)
    assert b.perimeter_px[0] == pytest.approx(132, rel=0.1)


def test_edge_of_a_few_pixels_is_no_shorter_than_that_of_a_disc() -> None:
    """Of all shapes of one area a disc has the shortest edge (isoperimetric inequality): 2 sqrt(pi A)."""
    for side, edge in ((1, 3.5449), (2, 7.0898)):
        mask = np.zeros((9, 14), bool)
        mask[3 : 3 + side, 5 : 5 + side] = True
        ones = np.ones(mask.shape, np.float32)
        b = find_blobs(mask, int(SurfaceClass.PIT), ones, ones.astype(np.uint8), 1, 1)
        assert b.perimeter_px[0] == pytest.approx(edge, abs=1e-4)
        assert (b.length_px[0], b.width_px[0]) == (side, side)


def test_laplacian_variance() -> None:
    """Pech-Pacheco et al., ICPR 2000: kernel 0 1 0 / 1 -4 1 / 0 1 0. Values by arithmetic."""
    rows, cols = np.mgrid[0:40, 0:56]
    chequer = np.where((rows + cols) % 2, 150, 50).astype(np.uint8)
    assert laplacian_variance(chequer) == pytest.approx(160000.0)
    single = np.zeros((7, 7), np.uint8)
    single[3, 3] = 1
    assert laplacian_variance(single) == pytest.approx(20 / 49)
    assert laplacian_variance((2 * cols).astype(np.uint8)[2:-2, :]) == pytest.approx(0.0, abs=1.0)
    assert laplacian_variance(np.full((9, 12), 77, np.uint8)) == 0.0


def test_radial_projection() -> None:
    """ASME B16.5 par. 6.4.6: a pit from r = 101.0 to 102.5 on a land from 100 to 104 projects 1.5, 37.5 % of
    it."""
    angles = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    edge = np.column_stack([101.75 + 0.75 * np.cos(angles), 0.2 * np.sin(angles)])
    turned = edge @ np.array([[0.8, 0.6], [-0.6, 0.8]]) + [7.0, -3.0]
    assert radial_projection_mm(turned, (7.0, -3.0)) == pytest.approx(1.5, abs=1e-3)
    assert radial_projection_mm(turned, (7.0, -3.0)) / 4 == pytest.approx(0.375, abs=1e-3)
    for nothing in ([], [(math.nan, 1.0)]):
        with pytest.raises(InputError, match="at least one point"):
            radial_projection_mm(nothing, (7.0, -3.0))


def test_radial_projection_is_what_the_land_loses() -> None:
    """On a round land the flaw's radial projection and the loss of sound width are one number."""
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 24.0, 0.0, 3.0, PIT)
    assert 8 - measure(m, drawing).sound_width_mm.value == pytest.approx(3.0, abs=0.16)


@pytest.mark.parametrize(
    ("chance", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_conformance_probability(chance: float, z: float) -> None:
    """JCGM 106:2012, 7.3, Table 1 (values from memory): the quantile used for every interval here."""
    assert float(ndtri(chance)) == pytest.approx(z, abs=0.006)


def test_undecided_between_the_guard_bands() -> None:
    """ISO 14253-1: limit 0.100 mm, value 0.090, u 0.010: chance 0.8413; with U = 2u neither is proved."""
    assert float(ndtr((0.100 - 0.090) / 0.010)) == pytest.approx(0.8413, abs=5e-5)
    e = Estimate(value=0.090, low=0.070, high=0.110, level=0.954)
    assert e.covers(0.100)


def test_exact_units() -> None:
    """NIST SP 811: 1 in = 25.4 mm, 1 thou = 25.4 um, 1 microinch = 0.0254 um."""
    assert parse_length("1 in", to="mm") == 25.4
    assert parse_length("1 thou", to="um") == pytest.approx(25.4, abs=1e-12)
    assert parse_length("1 microinch", to="um") == pytest.approx(0.0254, abs=1e-12)


def test_colour_alone_takes_no_sound_width() -> None:
    """Common practice, no published source: a flat discoloured area seals as well as a bright one."""
    drawing = ring_plate()
    for code, expected in ((STAIN, 8.0), (TINT, 8.0), (PIT, 3.0), (UNCUT, 3.0), (SCORE, 3.0)):
        m = blank(drawing)
        rectangle(m, -0.5, 21, 0.5, 26, code)
        assert measure(m, drawing).sound_width_mm.value == pytest.approx(expected, abs=0.16)
