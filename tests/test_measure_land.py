"""Sound width of the land: exact cases, chains, unseen metal, distinct places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measure_fakes import PIT, SCORE, STAIN, TINT, UNCUT, Map, blank, disc, rectangle, ring_plate
from shapely import Point, Polygon, box
from shapely.affinity import rotate

from pitmap.classes import SurfaceClass
from pitmap.drawing import Drawing, Opening
from pitmap.errors import MeasurementError
from pitmap.flags import Flag
from pitmap.grid import Grid
from pitmap.measure import ClassEdit, ErrorModel, MeasureSettings, change_classes, measure
from pitmap.measure.crossings import COOLANT, build_graph
from pitmap.measure.land_edges import LandEdges
from pitmap.surface import PROBABILITY_CLASSES


def width_of(m, drawing, **more) -> float:  # type: ignore[no-untyped-def]
    return measure(m, drawing, **more).sound_width_mm.value


def test_clean_land_has_its_nominal_width() -> None:
    drawing = ring_plate()
    result = measure(blank(drawing), drawing)
    assert result.sound_width_mm.value == pytest.approx(8.0, abs=0.01)
    assert result.lands["place"].tolist() == [1]
    assert not result.lands["is_leak_path"].any()
    assert result.lands["nominal_width_mm"].iloc[0] == pytest.approx(8.0, abs=0.01)


@pytest.mark.parametrize(
    ("diameter", "px_per_mm"), [(1.0, 10.0), (3.0, 6.0), (3.0, 10.0), (5.0, 10.0), (2.0, 14.0)]
)
def test_one_round_pit_takes_its_diameter(diameter: float, px_per_mm: float) -> None:
    """Land of width w, one round pit of diameter d: w - d, within 2 % of w at every place tried."""
    drawing = ring_plate()
    for angle, radius in ((0.3, 24.0), (2.0, 24.33), (4.4, 23.7)):
        m = blank(drawing, px_per_mm)
        disc(m, radius * np.cos(angle), radius * np.sin(angle), diameter, PIT)
        found = measure(m, drawing)
        assert found.sound_width_mm.value == pytest.approx(8 - diameter, abs=0.02 * 8)
        assert found.sound_width_mm.covers(8 - diameter)
        row = found.lands.iloc[0]
        assert np.arctan2(row["y_mm"], row["x_mm"]) % (2 * np.pi) == pytest.approx(angle, abs=0.02)


def test_two_pits_in_line_take_both_diameters() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 22, 0, 2.0, PIT)
    disc(m, 26, 0, 2.0, PIT)
    assert width_of(m, drawing) == pytest.approx(4.0, abs=0.16)


def test_two_pits_side_by_side_leave_the_straight_way() -> None:
    """Pits at mid-land, 30 mm apart: going from one to the other costs more than it saves."""
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 24, 0, 2.0, PIT)
    disc(m, 0, 24, 3.0, PIT)
    lands = measure(m, drawing).lands
    assert lands["sound_width_mm"].iloc[0] == pytest.approx(5.0, abs=0.16)
    assert lands["sound_width_mm"].iloc[1] == pytest.approx(6.0, abs=0.16)
    assert lands["place"].tolist()[:2] == [1, 2]


def test_a_slanted_way_is_not_lengthened_by_the_raster() -> None:
    """Gap of 3-4-5: a raster path over 8 neighbours would make it 5.24 mm (3 diagonal and 1 straight
    steps)."""
    plate = ring_plate()
    drawing = Drawing(
        name="wide ring",
        thickness_mm=12.0,
        outline=box(-90, -80, 90, 80),
        openings=(),
        zones={
            "seal_land": Point(0, 0)
            .buffer(60, quad_segs=512)
            .difference(Point(0, 0).buffer(30, quad_segs=512))
        },
        trace=Point(0, 0).buffer(30, quad_segs=512),
        bands=plate.bands,
    )
    m = blank(drawing, 8.0)
    rectangle(m, -3, 20, 0, 40, PIT)  # from the running side to y = 40
    rectangle(m, 4, 43, 7, 70, PIT)  # from y = 43 to the coolant side; corner gap: 4 across, 3 up
    m.codes[~drawing.mask(m.grid)] = 0
    assert width_of(m, drawing) == pytest.approx(5.0, abs=0.2)


def test_a_gap_is_found_though_the_way_past_it_is_hardly_longer() -> None:
    """A land of 20 mm at 1 px per mm: a spot of 12 x 7 mm, 3 mm from the coolant side and 10 from the running side, of which
    a speck on that side leaves 9."""
    along = np.arange(0, 80, 0.05)
    edges = LandEdges(
        running_xy=np.column_stack([along, 0 * along]), coolant_xy=np.column_stack([along, 0 * along + 20])
    )
    damaged = np.zeros((20, 80), bool)
    damaged[3:10, 27:39] = True
    damaged[19, 35] = True
    grid = Grid(x0_mm=0, y1_mm=20, px_per_mm=1, n_rows=20, n_cols=80)
    graph = build_graph(damaged, (0, 0), grid, edges, min_px=1)
    assert graph.from_running[COOLANT] == pytest.approx(3 + 9, abs=0.2)


def test_chain_from_edge_to_edge_is_a_leak_path() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    for radius in np.arange(20.2, 28.0, 0.9):
        disc(m, radius * np.cos(0.7), radius * np.sin(0.7), 1.2, PIT)
    result = measure(m, drawing)
    assert result.sound_width_mm.value == 0.0
    assert result.sound_width_mm.low == 0.0
    row = result.lands.iloc[0]
    assert row["is_leak_path"]
    assert row["flags"] & Flag.CROSSES_LAND
    assert (result.marks["flags"] & int(Flag.CROSSES_LAND) > 0).all()


def test_chain_touching_by_corners_only_is_a_leak_path() -> None:
    drawing = ring_plate()
    m = blank(drawing, 10.0)
    for k, y in enumerate(np.arange(19.0, 29.0, 0.2)):
        rectangle(m, 0.2 * k, y, 0.2 * k + 0.2, y + 0.2, PIT)
    result = measure(m, drawing)
    assert result.sound_width_mm.value == 0.0
    assert result.lands["is_leak_path"].iloc[0]


def test_path_runs_from_side_to_side_through_the_pit() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 24, 0, 3.0, PIT)
    path = measure(m, drawing).land_paths[0]
    assert np.hypot(*path[0]) == pytest.approx(20, abs=0.05)
    assert np.hypot(*path[-1]) == pytest.approx(28, abs=0.05)
    assert np.abs(path[:, 1]).max() < 0.5


def test_path_stays_inside_a_crooked_pit() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 20, -1, 24, 0, PIT)
    rectangle(m, 23, -1, 24, 5, PIT)
    rectangle(m, 23, 4, 29, 5, PIT)
    m.codes[~drawing.mask(m.grid)] = 0
    result = measure(m, drawing)
    assert result.lands["is_leak_path"].iloc[0]
    path = result.land_paths[0]
    assert len(path) > 4
    col, row = np.rint(m.grid.mm_to_px(path)).astype(int).T
    assert (m.codes[row, col] == PIT).mean() > 0.8


def test_place_of_damage_that_lies_along_the_land_is_on_the_land() -> None:
    """With half the running surface and 2.5 mm of a land of 6 mm uncut, the narrowest place was told to lie in the middle of
    the running surface, where the land is "40 mm wide"."""
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 0, 0, 45.0, UNCUT)  # to radius 22.5
    rectangle(m, 3, -32, 44, 32, SurfaceClass.SOUND)
    disc(m, -24, 6, 2.0, PIT)  # from radius 23.74 to 25.74: together they leave 8 - 2.5 - 2 mm
    m.codes[~drawing.mask(m.grid)] = 0
    result = measure(m, drawing)
    row, path = result.lands.iloc[0], result.land_paths[0]
    assert row["sound_width_mm"] == pytest.approx(3.5, abs=0.16)
    assert row["nominal_width_mm"] == pytest.approx(8.0, abs=0.05)
    assert (row["x_mm"], row["y_mm"]) == pytest.approx((-24 * np.cos(0.245), 24 * np.sin(0.245)), abs=0.5)
    assert np.hypot(*np.diff(path, axis=0).T).sum() == pytest.approx(8.0, abs=0.3)
    # leaking all round, it is crossed straight
    m.codes[drawing.mask(m.grid)] = UNCUT
    result = measure(m, drawing)
    row, path = result.lands.iloc[0], result.land_paths[0]
    assert row["is_leak_path"] and np.hypot(row["x_mm"], row["y_mm"]) == pytest.approx(24.0, abs=0.1)
    assert np.hypot(*np.diff(path, axis=0).T).sum() == pytest.approx(8.0, abs=0.3)


def test_place_of_a_groove_along_the_land_is_where_most_sound_metal_is_left_beside_it() -> None:
    """It begins 1 mm from the running side and runs, half round, to 1.5 mm from the coolant side: 2.5 mm are left."""
    drawing = ring_plate()
    m = blank(drawing)
    turn = np.linspace(0, np.pi, 400)
    for angle, radius in zip(turn, 21.5 + 4.5 * turn / np.pi):
        disc(m, radius * np.cos(angle), radius * np.sin(angle), 1.0, PIT)
    row = measure(m, drawing).lands.iloc[0]
    assert row["sound_width_mm"] == pytest.approx(2.5, abs=0.16)
    assert row["nominal_width_mm"] == pytest.approx(8.0, abs=0.05)
    assert (row["x_mm"], row["y_mm"]) == pytest.approx((-(26.5 + 28) / 2, 0.0), abs=0.5)


def test_unseen_bounds_the_width_from_below_only() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 24, 0, 2.0, PIT)
    rectangle(m, 21, 1.5, 25, 4, SurfaceClass.UNSEEN)
    settings = MeasureSettings(errors=ErrorModel(width_sd_mm=0.1))
    result = measure(m, drawing, settings=settings)
    assert result.sound_width_mm.value == pytest.approx(6.0, abs=0.16)
    # the hidden corner at (21, 1.5) is 1.05 mm from the running side, the one at (25, 4) 2.68 mm from the
    # coolant side
    assert 3.2 < result.sound_width_mm.low < 3.73
    assert result.lands["flags"].iloc[0] & Flag.TOUCHES_UNSEEN
    # all of the land hidden at one place: the place is listed, nothing is known to be wrong, nothing is safe
    m = blank(drawing)
    rectangle(m, -2, 19, 2, 29, SurfaceClass.UNSEEN)
    lands = measure(m, drawing).lands
    hidden = lands[lands["y_mm"] > 20].iloc[0]
    assert hidden["sound_width_mm"] == pytest.approx(8.0, abs=0.05)
    assert hidden["sound_width_low_mm"] == 0.0
    assert hidden["flags"] & Flag.TOUCHES_UNSEEN
    assert not hidden["is_leak_path"]
    assert measure(m, drawing).sound_width_mm.low == 0.0


def test_a_land_of_which_nothing_was_seen_has_no_width() -> None:
    """It was "8.0 mm (0.0 to 8.0)" of sound metal, as wide as the drawing has it."""
    drawing = ring_plate()
    m = blank(drawing)
    m.codes[m.codes == SurfaceClass.SOUND] = SurfaceClass.UNSEEN
    result = measure(m, drawing)
    for width in (result.sound_width_mm, result.bright_sound_width_mm):
        assert not width.is_known
        assert width.reason == "nothing of the seal land was seen"
    assert result.lands.empty
    disc(m, 24, 0, 1.0, SurfaceClass.SOUND)
    assert measure(m, drawing).sound_width_mm.low == 0.0


def test_stain_and_tint_seal_and_the_bright_width_says_otherwise() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -1, 21, 1, 26, STAIN)
    disc(m, 24, 0, 2.0, TINT)
    result = measure(m, drawing)
    assert result.sound_width_mm.value == pytest.approx(8.0, abs=0.05)
    bright = result.bright_sound_width_mm
    assert bright.value == pytest.approx(3.0, abs=0.16)
    assert (bright.value - bright.low, bright.high - bright.value) == pytest.approx(
        (1.645 * 0.15,) * 2, abs=1e-3
    )
    careful = MeasureSettings(breaks_contact=(PIT, STAIN, TINT, UNCUT, SCORE))
    assert width_of(m, drawing, settings=careful) == pytest.approx(3.0, abs=0.16)


@pytest.mark.parametrize("code", [STAIN, TINT])
def test_bright_width_counts_each_colour_and_what_was_not_seen(code: SurfaceClass) -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -1, 21, 1, 26, code)
    rectangle(m, -1, 26, 1, 27, SurfaceClass.UNSEEN)
    exact = MeasureSettings(errors=ErrorModel(width_sd_mm=0.0))
    width = measure(m, drawing, settings=exact).bright_sound_width_mm
    # the corners of the colour are at radius sqrt(1 + 26^2), of what was not seen at sqrt(1 + 27^2)
    assert width.value == pytest.approx(1 + 28 - np.hypot(1, 26), abs=0.1)
    assert width.high == width.value
    assert width.low == pytest.approx(1 + 28 - np.hypot(1, 27), abs=0.1)


@pytest.mark.parametrize("turn_deg", [0.0, 51.1, 86.0, 133.0])
def test_bright_width_at_the_tip_of_a_tooth(turn_deg: float) -> None:
    """A slim tooth that ends 4 mm from the coolant side: "4.1 mm of bright metal" stood beside 4.0 mm of sound metal."""
    tooth = rotate(Polygon([(24, 0), (15, -1), (15, 1)]), turn_deg, origin=(0, 0))
    drawing = land_of(ring_plate().zones["seal_land"].difference(tooth))
    m = blank(drawing)
    rectangle(m, -17, -17, -16.5, -16.5, STAIN)
    result = measure(m, drawing)
    assert result.sound_width_mm.value == pytest.approx(4.0, abs=0.005)
    assert result.bright_sound_width_mm.value == pytest.approx(4.0, abs=0.005)


def test_bright_width_is_in_no_less_doubt_than_the_sound_width() -> None:
    """A stain of 3.2 mm in mid-land leaves less bright metal than a pit of 3 mm at the edge leaves sound metal, but where
    the pit ends hangs on the alignment: "4.8 mm of bright metal, 4.6 at least" stood beside "5.0 of sound, 3.3 at least"."""
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 24, 0, 3.2, STAIN)
    rectangle(m, -23, -0.5, -20, 0.5, PIT)
    m.codes[~drawing.mask(m.grid)] = 0
    result = measure(m, drawing, alignment_error_mm=1.0)
    sound, bright = result.sound_width_mm, result.bright_sound_width_mm
    assert (sound.value, bright.value) == (pytest.approx(5.0, abs=0.1), pytest.approx(4.8, abs=0.1))
    assert sound.low == pytest.approx(5.0 - 1.645 * np.hypot(0.15, 1.0), abs=0.1)
    assert bright.low == sound.low
    assert bright.high <= sound.high


def test_bright_width_is_never_wider_than_the_land() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 0, 24, 0.1, 24.1, STAIN)
    width = measure(m, drawing).bright_sound_width_mm
    assert (width.value, width.high) == (pytest.approx(8.0, abs=0.01), pytest.approx(8.0, abs=0.01))
    assert width.low == pytest.approx(8 - 1.645 * 0.15, abs=0.01)


def test_a_pit_in_doubt_raises_the_high_end_of_the_bright_width() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 0, 24, 3.0, PIT)
    disc(m, 24, 0, 2.0, STAIN)
    exact = MeasureSettings(errors=ErrorModel(width_sd_mm=0.0))
    width = measure(with_chance(m, (m.codes == PIT, 0.65)), drawing, settings=exact).bright_sound_width_mm
    assert width.low == width.value == pytest.approx(5.0, abs=0.16)
    assert width.high == pytest.approx(6.0, abs=0.16)


def test_land_where_the_map_ends_was_not_seen() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -1, 21, 1, 26, SurfaceClass.OUTSIDE)
    width = measure(m, drawing).sound_width_mm
    assert width.value == pytest.approx(8.0, abs=0.05)
    assert width.low < 3.0


@pytest.mark.parametrize("px_per_mm", [10.0, 20.0])
def test_specks_take_nothing_off_the_land_at_any_scale(px_per_mm: float) -> None:
    """0.02 mm2 is under the smallest mark, 0.06 mm2 over it."""
    drawing = ring_plate()
    for across, expected in ((0.2, 8.0), (0.6, 7.4)):
        m = blank(drawing, px_per_mm)
        rectangle(m, 0, 24, 0.1, 24 + across, PIT)
        assert width_of(m, drawing) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("code", [UNCUT, SCORE])
def test_low_metal_and_scores_break_contact(code: SurfaceClass) -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -0.5, 21, 0.5, 26, code)
    assert width_of(m, drawing) == pytest.approx(3.0, abs=0.16)


def test_openings_in_the_land() -> None:
    """A bolt hole is no metal; a coolant hole is the coolant side itself."""
    plate = ring_plate()
    for kind, expected in (("bolt", 8 - 3.0), ("coolant", 2.5)):
        hole = Point(24, 0).buffer(1.5, quad_segs=128)
        drawing = Drawing(
            name=kind,
            thickness_mm=12.0,
            outline=plate.outline,
            openings=(Opening(name="hole", kind=kind, polygon=hole),),
            zones={"seal_land": plate.zones["seal_land"].difference(hole)},
            trace=plate.trace,
        )
        assert width_of(blank(drawing), drawing) == pytest.approx(expected, abs=0.05)


def test_hole_in_the_land_is_no_damage_to_it() -> None:
    """A sound land beside a bolt hole was told as 5.0 of 8.0 mm, as if 3 mm of it were damaged."""
    hole = Point(24, 0).buffer(1.5, quad_segs=128)
    drawing = land_of(ring_plate().zones["seal_land"], "bolt", hole)
    m = blank(drawing)
    disc(m, 0, 24, 1.0, PIT)
    result = measure(m, drawing)
    figures = ["sound_width_mm", "sound_width_high_mm", "nominal_width_mm"]
    assert result.lands[figures].to_numpy() == pytest.approx(
        np.array([[5.0, 5.0, 5.0], [7.0, 7.25, 8.0]]), abs=0.1
    )
    # the pit takes 1 mm of the 5 beside the hole too
    disc(m, 27, 0, 1.0, PIT)
    row = measure(m, drawing).lands.iloc[0]
    assert (row["sound_width_mm"], row["nominal_width_mm"]) == pytest.approx((4.0, 5.0), abs=0.1)


@pytest.mark.parametrize(("kind", "expected"), [("bolt", 8 - 3.0), ("coolant", 2.5)])
def test_opening_that_the_drawing_does_not_cut_out_of_the_land(kind: str, expected: float) -> None:
    """It was 8 mm of land with a spot in it that the photo does not show."""
    plate, hole = ring_plate(), Point(24, 0).buffer(1.5, quad_segs=128)
    drawing = replace(plate, openings=(Opening(name="hole", kind=kind, polygon=hole),))
    result = measure(blank(drawing), drawing)
    assert result.sound_width_mm.value == pytest.approx(expected, abs=0.05)
    assert not (result.lands["flags"] & int(Flag.TOUCHES_UNSEEN)).any()
    land = result.zones[result.zones["zone"] == "seal_land"].iloc[0]
    assert land["unseen_share"] == pytest.approx(0.0, abs=1e-12)
    assert land["zone_area_mm2"] == pytest.approx(np.pi * (28**2 - 20**2 - 1.5**2), rel=2e-3)


def test_distinct_places_and_their_number() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    for k, angle in enumerate(np.linspace(0, 2 * np.pi, 9)[:-1]):
        disc(m, 24 * np.cos(angle), 24 * np.sin(angle), 1.0 + 0.4 * k, PIT)
    lands = measure(m, drawing, settings=MeasureSettings(n_places=3)).lands
    assert len(lands) == 3
    assert lands["sound_width_mm"].to_numpy() == pytest.approx([8 - 3.8, 8 - 3.4, 8 - 3.0], abs=0.16)
    assert lands["sound_width_mm"].is_monotonic_increasing


@pytest.mark.parametrize(("apart_mm", "spacing_mm", "n"), [(5.0, 8.0, 1), (5.0, 3.0, 2), (12.0, 8.0, 2)])
def test_places_nearer_than_the_spacing_are_one(apart_mm: float, spacing_mm: float, n: int) -> None:
    drawing = ring_plate()
    m = blank(drawing)
    for angle, diameter in ((0.0, 2.0), (apart_mm / 24, 1.5)):
        disc(m, 24 * np.cos(angle), 24 * np.sin(angle), diameter, PIT)
    lands = measure(m, drawing, settings=MeasureSettings(place_spacing_mm=spacing_mm)).lands
    assert lands["sound_width_mm"].to_numpy() == pytest.approx([6.0, 6.5][:n], abs=0.16)


def test_metal_not_seen_adds_the_places_that_it_makes_narrow_and_no_other() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    for k in range(4):
        disc(m, 24 * np.cos(k), 24 * np.sin(k), 3.0 - 0.5 * k, PIT)
    disc(m, -24, 0, 2.0, SurfaceClass.UNSEEN)
    lands = measure(m, drawing, settings=MeasureSettings(n_places=2)).lands
    assert lands["sound_width_mm"].to_numpy() == pytest.approx([5.0, 5.5, 8.0], abs=0.16)
    assert lands["x_mm"].iloc[2] == pytest.approx(-24.0, abs=0.5)
    assert (lands["flags"] & int(Flag.TOUCHES_UNSEEN) > 0).tolist() == [False, False, True]


def test_trace_away_from_the_land() -> None:
    """The land may start a few millimetres outside the bore trace: its own inner ring is the running side."""
    plate = ring_plate()
    drawing = Drawing(
        name="set off",
        thickness_mm=12.0,
        outline=plate.outline,
        openings=(),
        zones={"seal_land": plate.zones["seal_land"]},
        trace=Point(0, 0).buffer(17, quad_segs=128),
    )
    assert width_of(blank(drawing), drawing) == pytest.approx(8.0, abs=0.01)


@pytest.mark.parametrize("x", [20.5, 27.5], ids=["running", "coolant"])
def test_alignment_error_widens_where_a_pit_reaches_an_edge(x: float) -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, x, 0, 2.0, PIT)
    m.codes[~drawing.mask(m.grid)] = 0
    sharp = measure(m, drawing, alignment_error_mm=0.0).sound_width_mm
    loose = measure(m, drawing, alignment_error_mm=0.4).sound_width_mm
    assert loose.low < sharp.low - 0.2
    assert measure(m, drawing).sound_width_mm == sharp  # none when it is not given
    # also where the crossing runs over another pit, which reaches none: 1.645 times 0.15, and 0.15 and 0.4 together
    disc(m, 24, 0, 2.0, PIT)
    sharp, loose = (measure(m, drawing, alignment_error_mm=a).sound_width_mm for a in (0.0, 0.4))
    assert sharp.value - sharp.low == pytest.approx(1.645 * 0.15, abs=0.001)
    assert loose.value - loose.low == pytest.approx(1.645 * np.hypot(0.15, 0.4), abs=0.001)


def with_chance(m: Map, *more: tuple[np.ndarray, float]) -> Map:
    """A map that is sure of every pixel, but for the chances (0 to 1) of breaking contact given for some."""
    chance = np.where(np.isin(m.codes, [PIT, UNCUT, SCORE]), 255, 0).astype(np.uint8)
    for where, value in more:
        chance[where] = round(255 * value)
    return replace(m, break_chance=chance)


def test_metal_that_may_be_damaged_lowers_the_low_end_only() -> None:
    drawing = ring_plate()
    m, doubted = blank(drawing), blank(drawing)
    disc(m, 24, 0, 2.0, PIT)
    disc(doubted, 0, 24, 5.0, PIT)
    m = with_chance(m, (doubted.codes == PIT, 0.4))
    result = measure(m, drawing)
    assert result.sound_width_mm.value == pytest.approx(6.0, abs=0.16)
    # 8 mm of land less the 5 mm in doubt, and the error of the width beyond
    assert 2.4 < result.sound_width_mm.low < 3.05
    assert result.sound_width_mm.high < 6.5
    feared = result.lands[result.lands["y_mm"] > 20].iloc[0]
    assert feared["sound_width_mm"] == pytest.approx(8.0, abs=0.05)
    assert feared["sound_width_low_mm"] == result.sound_width_mm.low
    assert feared["flags"] & Flag.LOW_CONFIDENCE
    assert not feared["flags"] & Flag.TOUCHES_UNSEEN
    assert not feared["is_leak_path"]
    # somebody looked there: what a person says is in no doubt
    settled, edited = change_classes(m, [ClassEdit(where=doubted.codes == PIT, to=SurfaceClass.SOUND)])
    assert measure(settled, drawing, edited=edited).sound_width_mm.low > 5.5
    told, edited = change_classes(m, [ClassEdit(where=doubted.codes == PIT, to=PIT)])
    assert measure(told, drawing, edited=edited).sound_width_mm.value == pytest.approx(3.0, abs=0.16)


def test_sure_damage_beside_a_place_bounds_its_high_end() -> None:
    """The pit of 3 mm may be none; the one of 2 mm, 4 mm beside it and so no place of its own, is there."""
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 24, 0, 3.0, PIT)
    unsure = m.codes == PIT
    disc(m, 24 * np.cos(1 / 6), 24 * np.sin(1 / 6), 2.0, PIT)
    exact = MeasureSettings(errors=ErrorModel(width_sd_mm=0.0))
    result = measure(with_chance(m, (unsure, 0.65)), drawing, settings=exact)
    assert result.sound_width_mm.value == pytest.approx(5.0, abs=0.16)
    assert result.sound_width_mm.high == pytest.approx(6.0, abs=0.16)
    assert len(result.lands) == 1


def test_what_was_not_seen_and_what_is_in_doubt_add_up() -> None:
    """In line across the land, 2 mm each: neither may be forgotten beside the other."""
    drawing = ring_plate()
    m, doubted = blank(drawing), blank(drawing)
    disc(m, 0, 22, 2.0, SurfaceClass.UNSEEN)
    disc(doubted, 0, 26, 2.0, PIT)
    exact = MeasureSettings(errors=ErrorModel(width_sd_mm=0.0))
    width = measure(with_chance(m, (doubted.codes == PIT, 0.4)), drawing, settings=exact).sound_width_mm
    assert width.value == pytest.approx(8.0, abs=0.05)
    assert width.low == pytest.approx(4.0, abs=0.16)


def test_a_pit_in_doubt_raises_the_high_end_only() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 24, 0, 3.0, PIT)
    width = measure(with_chance(m, (m.codes == PIT, 0.65)), drawing).sound_width_mm
    assert width.value == pytest.approx(5.0, abs=0.16)
    assert width.low > 4.5
    assert width.high == pytest.approx(8.0, abs=0.05)


def test_a_score_is_in_no_doubt() -> None:
    """It has been told by its shape, not by how sure each pixel of it is."""
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -1, 21, 1, 26, SCORE)
    width = measure(with_chance(m, (m.codes == SCORE, 0.3)), drawing).sound_width_mm
    assert width.value == pytest.approx(3.0, abs=0.16)
    assert width.high < 3.5


def test_doubt_between_two_kinds_of_sealing_metal_is_none() -> None:
    """Bright metal or heat film, 48 to 48, with a chance of 0.01 each of a pit and of metal not reached."""
    drawing = ring_plate()
    m = blank(drawing)
    of = {SurfaceClass.SOUND: 0.48, TINT: 0.48, PIT: 0.01, UNCUT: 0.01, STAIN: 0.02}
    probabilities = np.zeros((len(PROBABILITY_CLASSES), *m.codes.shape), np.float16)
    for k, code in enumerate(PROBABILITY_CLASSES):
        probabilities[k][m.codes > 0] = of.get(code, 0.0)
    width = measure(replace(m, probabilities=probabilities), drawing).sound_width_mm
    assert width.value == pytest.approx(8.0, abs=0.05)
    assert width.low > 7.5


def test_doubt_of_the_land_is_read_from_the_probabilities() -> None:
    """5 mm of the 8 may be a pit, with a chance of 4 in 10: what a map was kept with says the same as they, and a stain that
    a hand puts in a far corner of the rim takes it from neither."""
    drawing = ring_plate()
    m, doubted = blank(drawing), blank(drawing)
    disc(doubted, 0, 24, 5.0, PIT)
    probabilities = np.zeros((len(PROBABILITY_CLASSES), *m.codes.shape), np.float16)
    probabilities[PROBABILITY_CLASSES.index(PIT)] = 0.4 * (doubted.codes == PIT)
    probabilities[0] = 1 - probabilities[PROBABILITY_CLASSES.index(PIT)]
    exact = MeasureSettings(errors=ErrorModel(width_sd_mm=0.0))
    elsewhere = ClassEdit(where=box(-30, -30, -28, -28), to=STAIN)
    read = replace(m, probabilities=probabilities)
    kept = with_chance(m, (doubted.codes == PIT, 0.4))
    for told in (read, kept, *(change_classes(one, [elsewhere])[0] for one in (read, kept))):
        width = measure(told, drawing, settings=exact).sound_width_mm
        assert (width.value, width.low) == (pytest.approx(8.0, abs=0.05), pytest.approx(3.0, abs=0.16))


def land_of(land, kind: str = "", hole=None) -> Drawing:  # type: ignore[no-untyped-def]
    """The ring plate's trace with another land round it, and an opening that was cut out of it."""
    openings = (Opening(name="hole", kind=kind, polygon=hole),) if hole is not None else ()
    return Drawing(
        name="other land",
        thickness_mm=12.0,
        outline=box(-40, -40, 80, 40),
        openings=openings,
        zones={"seal_land": land if hole is None else land.difference(hole)},
        trace=ring_plate().trace,
    )


WIDENING = Point(4, 0).buffer(28, quad_segs=256).difference(ring_plate().trace)
"""4 mm wide at x = -20, 12 mm at x = 20."""
GAP = box(0, -3, 60, 3)


@pytest.mark.parametrize("land", [WIDENING, WIDENING.difference(GAP)], ids=["closed", "open"])
def test_land_that_grows_wider_is_narrow_where_it_is_narrow(land) -> None:  # type: ignore[no-untyped-def]
    """An open land measured to its widest parts alone was 8.5 mm wide here, and a pit across 3 of its 4 mm was none."""
    drawing = land_of(land)
    assert width_of(blank(drawing), drawing) == pytest.approx(4.0, abs=0.01)
    m = blank(drawing)
    rectangle(m, -23.5, -1, -20.5, 1, PIT)
    assert width_of(m, drawing) == pytest.approx(1.0, abs=0.1)


def test_ends_of_an_open_land_are_no_side() -> None:
    drawing = land_of(ring_plate().zones["seal_land"].difference(GAP))
    assert width_of(blank(drawing), drawing) == pytest.approx(8.0, abs=0.01)
    m = blank(drawing)
    # along the end, from the running side on; its corner is 1.52 mm from the coolant side
    rectangle(m, 15, 3, 26, 5, PIT)
    assert width_of(m, drawing) == pytest.approx(28 - np.hypot(26, 5), abs=0.1)


def test_land_of_two_strips() -> None:
    drawing = land_of(WIDENING.difference(box(-60, -3, 60, 3)))
    assert drawing.zones["seal_land"].geom_type == "MultiPolygon"
    # from the corner of the running side, 19.774 left and 3 up, to the circle of radius 28 about (4, 0)
    expected = 28 - np.hypot(19.774 + 4, 3)
    assert width_of(blank(drawing), drawing) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(("kind", "expected"), [("bolt", 0.0), ("coolant", 0.0), ("port", 0.0)])
def test_an_opening_right_across_the_land_leaves_no_metal(kind: str, expected: float) -> None:
    drawing = land_of(ring_plate().zones["seal_land"], kind, Point(24, 0).buffer(5, quad_segs=128))
    assert width_of(blank(drawing), drawing) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(
    ("kind", "x", "expected"), [("coolant", 28, 3.0), ("port", 20, 3.0), ("", 28, 3.0), ("", 20, 3.0)]
)
def test_bites_out_of_an_open_land(kind: str, x: float, expected: float) -> None:
    """A bite of 5 mm leaves 3 of 8, on whichever side it is, as an opening or as drawn."""
    land = ring_plate().zones["seal_land"].difference(box(-60, -3, 0, 3))
    bite = Point(x, 0).buffer(5, quad_segs=128)
    drawing = land_of(land, kind, bite) if kind else land_of(land.difference(bite))
    assert width_of(blank(drawing), drawing) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("is_open", [False, True], ids=["closed", "open"])
@pytest.mark.parametrize(
    ("kind", "x", "expected"), [("coolant", 20, 0.0), ("port", 28, 0.0), ("bolt", 20, 5.0), ("bolt", 28, 5.0)]
)
def test_opening_that_joins_the_two_sides_leaves_no_metal(
    kind: str, x: float, expected: float, is_open: bool
) -> None:
    """Coolant that lies open to the running surface had "5.0 mm" beside it where the land was a closed band."""
    land = ring_plate().zones["seal_land"]
    drawing = land_of(
        land.difference(box(-60, -3, 0, 3)) if is_open else land, kind, Point(x, 0).buffer(3, quad_segs=128)
    )
    assert width_of(blank(drawing), drawing) == pytest.approx(expected, abs=0.06)


def test_second_land_beside_the_first_is_measured_too() -> None:
    """A ring of 4 mm around a coolant opening, apart from the band around the trace."""
    hole = Point(60, 0).buffer(8, quad_segs=128)
    land = ring_plate().zones["seal_land"].union(Point(60, 0).buffer(12, quad_segs=128))
    drawing = land_of(land, "coolant", hole)
    assert width_of(blank(drawing), drawing) == pytest.approx(4.0, abs=0.01)
    m = blank(drawing)
    rectangle(m, 47, -0.5, 53, 0.5, PIT)
    m.codes[~drawing.mask(m.grid)] = 0
    assert measure(m, drawing).lands["is_leak_path"].iloc[0]


def test_land_close_beside_another_is_refused() -> None:
    """A strip of 4 mm, 1 mm beyond the band of 8 mm, had "1.0 mm of sound metal" where the drawing has none."""
    ring = Point(0, 0).buffer(33, quad_segs=256).difference(Point(0, 0).buffer(29, quad_segs=256))
    drawing = land_of(ring_plate().zones["seal_land"].union(ring.intersection(box(0, -40, 40, 40))))
    with pytest.raises(
        MeasurementError, match="two parts of zone seal_land lie 1.00 mm from each other at .* only the band"
    ):
        measure(blank(drawing), drawing)
    # an opening far from there makes no metal of it
    far = replace(drawing, openings=(Opening(name="bore", kind="bore", polygon=Point(0, 0).buffer(5)),))
    with pytest.raises(MeasurementError, match="two parts of zone seal_land lie 1.00 mm"):
        measure(blank(far), far)


def test_land_whose_sides_run_into_each_other_is_refused() -> None:
    crescent = Point(3, 0).buffer(19, quad_segs=256).difference(Point(0, 0).buffer(20, quad_segs=256))
    drawing = land_of(crescent)
    with pytest.raises(MeasurementError, match="seal_land has no end at .* draw the land as a closed band"):
        measure(blank(drawing), drawing)
    drawing = land_of(ring_plate().zones["seal_land"].union(box(50, -20, 56, 20)))
    with pytest.raises(MeasurementError, match="seal_land has no end at 50.0"):
        measure(blank(drawing), drawing)


@pytest.mark.parametrize("has_trace", [True, False])
def test_two_bands_around_each_other_are_refused(has_trace: bool) -> None:
    """Only the outer one, 4 mm wide, was measured: a pit right across the inner one left "4.0 mm" and no leak path."""
    outer = Point(0, 0).buffer(33, quad_segs=256).difference(Point(0, 0).buffer(29, quad_segs=256))
    drawing = land_of(ring_plate().zones["seal_land"].union(outer))
    m = blank(drawing)
    rectangle(m, 19, -1, 28.5, 1, PIT)
    with pytest.raises(MeasurementError, match="two bands, one around the other.* leave in it only the band"):
        measure(m, drawing if has_trace else replace(drawing, trace=None))


def two_rotor_plate(bore_x_mm: float) -> Drawing:
    """Two ring plates side by side, 70 mm apart, with no one trace; a bore of 10 mm so far beside each middle."""
    middles = (Point(0, 0), Point(70, 0))
    traces, lands = ([m.buffer(r, quad_segs=256) for m in middles] for r in (20, 28))
    bores = [Point(m.x + bore_x_mm, 0).buffer(5, quad_segs=64) for m in middles]
    outline = box(-40, -40, 110, 40)
    return Drawing(
        name="two rotors",
        thickness_mm=12.0,
        outline=outline,
        openings=tuple(
            Opening(name=f"bore {k}", kind="bore", polygon=bore) for k, bore in enumerate(bores, 1)
        ),
        zones={
            "running_surface": (traces[0] | traces[1]) - (bores[0] | bores[1]),
            "seal_land": (lands[0] | lands[1]) - (traces[0] | traces[1]),
            "rim": outline - (lands[0] | lands[1]),
        },
    )


@pytest.mark.parametrize("bore_x_mm", [0.0, 12.0])
@pytest.mark.parametrize("x", [-24.0, 24.0, 46.0, 94.0])
def test_leak_across_either_land_of_two_rotors(x: float, bore_x_mm: float) -> None:
    """Where one land faces the other its outer edge was taken for the running side, and a bar of pit across it for none."""
    drawing = two_rotor_plate(bore_x_mm)
    m = blank(drawing)
    assert width_of(m, drawing) == pytest.approx(8.0, abs=0.02)
    rectangle(m, x - 4.5, -1, x + 4.5, 1, PIT)
    assert width_of(m, drawing) == pytest.approx(0.0, abs=0.05)
    assert measure(m, drawing).lands["is_leak_path"].iloc[0]
