"""Marks, zones and edits on small maps with literal answers."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pandas as pd
import pytest
from measure_fakes import PIT, SCORE, STAIN, TINT, UNCUT, Map, blank, disc, rectangle, ring_plate
from shapely import Point, Polygon, box

from pitmap.classes import SurfaceClass
from pitmap.drawing import Band, Drawing, Opening
from pitmap.errors import InputError, MeasurementError
from pitmap.flags import Flag
from pitmap.grid import Grid
from pitmap.measure import (
    LANDS,
    MARKS,
    RATINGS,
    SEEN_METAL,
    ZONES,
    ClassEdit,
    ClassErrors,
    ErrorModel,
    MeasureSettings,
    ZoneMeasure,
    break_chance,
    change_classes,
    drawn_area,
    make_frame,
    mark_diameter_mm,
    measure,
    must_change,
)
from pitmap.measure.blobs import Blobs, find_blobs
from pitmap.measure.errors_model import area_interval
from pitmap.surface import PROBABILITY_CLASSES


def zone_row(zones: pd.DataFrame, zone: str, word: str) -> pd.Series:
    return zones[(zones["zone"] == zone) & (zones["class_word"] == word)].iloc[0]


def test_nothing_found_keeps_every_column() -> None:
    drawing = ring_plate()
    result = measure(blank(drawing), drawing)
    MARKS.check(result.marks)
    ZONES.check(result.zones)
    LANDS.check(result.lands)
    RATINGS.check(result.ratings)
    assert len(result.marks) == 0
    assert len(result.zones) == 18
    affected = zone_row(result.zones, "seal_land", "affected")
    assert affected["share"] == 0.0
    assert affected["share_low"] == 0.0
    assert 0 < affected["share_high"] < 0.02
    assert affected["unseen_share"] == 0.0
    assert (affected["class_code"], affected["class_word"]) == (-1, "affected")
    assert (
        result.zones[["area_mm2", "share", "share_low", "n_marks", "largest_mm2", "density_per_cm2"]] == 0
    ).all(axis=None)
    # what may be there though nothing was found, and no more
    model = ErrorModel().classes
    for row in result.zones[result.zones["class_word"] != "affected"].itertuples():
        assert row.share_high == pytest.approx(model[row.class_word].blank_share)


def scored(*lines: tuple[float, float, float, float]) -> np.ndarray:
    """Score marks 6 px wide, each between two places (x, y, x, y), as a mask."""
    mask = np.zeros((400, 600), np.uint8)
    for x0, y0, x1, y1 in lines:
        way = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
        aside = 2.5 * np.array([-way[1], way[0]])
        corners = [[x0, y0] + aside, [x1, y1] + aside, [x1, y1] - aside, [x0, y0] - aside]
        cv2.fillPoly(mask, [np.rint(corners).astype(np.int32)], 1)
    return mask.astype(bool)


def marks_of(mask: np.ndarray, word: SurfaceClass = SurfaceClass.SCORE) -> Blobs:
    return find_blobs(
        mask, int(word), np.ones(mask.shape, np.float32), np.ones(mask.shape, np.uint8), 1, 10.0
    )


def test_a_broken_score_is_one_mark_with_the_rectangle_of_all_of_it() -> None:
    """One true line was listed as three marks, the longest with half its length."""
    broken = scored((50, 100, 200, 100), (208, 100, 330, 100), (336, 101, 342, 101))
    one = marks_of(broken)
    assert len(one) == 1
    assert one.area_px[0] == broken.sum() and one.zone_px[0].tolist() == [0, broken.sum()]
    col = np.nonzero(broken)[1]
    assert one.length_px[0] == pytest.approx(col.max() - col.min() + 1, abs=0.5)
    assert one.width_px[0] == pytest.approx(np.ptp(np.nonzero(broken)[0]) + 1, abs=0.5)
    # its edge is that of the pieces, and pieces of a pit are pits of their own
    pits = marks_of(broken, SurfaceClass.PIT)
    assert len(pits) == 3
    assert one.perimeter_px[0] == pytest.approx(pits.perimeter_px.sum(), rel=0.01)
    assert set(one.edge_owner) == {0} and len(one.edge_cr) == len(pits.edge_cr)
    slanted = marks_of(scored((50, 50, 200, 150), (206, 154, 350, 250)))
    assert len(slanted) == 1
    assert slanted.length_px[0] == pytest.approx(np.hypot(300, 200), abs=4)
    assert slanted.width_px[0] == pytest.approx(6, abs=1.5)


@pytest.mark.parametrize(
    "lines",
    [
        [(50, 100, 300, 100), (50, 110, 300, 110)],  # side by side
        [(50, 100, 200, 100), (205, 110, 350, 110)],  # one behind the other, not on one line
        [(50, 100, 200, 100), (203, 107, 350, 107)],  # nor here, although their ends are near
        [(50, 100, 200, 100), (230, 100, 350, 100)],  # too far apart
        [(50, 100, 70, 100), (79, 100, 99, 100)],  # too far apart for their length
        [(50, 100, 200, 100), (208, 103, 300, 180)],  # another way
        [(50, 100, 300, 100), (170, 107, 170, 250)],  # the second ends at the side of the first
    ],
)
def test_two_scores_stay_two(lines: list[tuple[float, float, float, float]]) -> None:
    assert len(marks_of(scored(*lines))) == 2


def test_crossing_scores_with_gaps_where_they_cross_stay_two() -> None:
    crossing = scored((50, 100, 195, 100), (205, 100, 350, 100), (200, 20, 200, 95), (200, 105, 200, 250))
    assert len(marks_of(crossing, SurfaceClass.PIT)) == 4
    assert sorted(marks_of(crossing).length_px) == pytest.approx([231, 301], abs=3)


def test_one_rectangle_is_measured() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    row = measure(m, drawing).marks.iloc[0]
    assert row["area_mm2"] == pytest.approx(8.0, abs=1e-9)
    assert row["length_mm"] == pytest.approx(4.0, abs=1e-6)
    assert row["width_mm"] == pytest.approx(2.0, abs=1e-6)
    assert (row["x_mm"], row["y_mm"]) == (pytest.approx(33.0), pytest.approx(11.0))
    assert row["eq_diam_mm"] == pytest.approx(3.19154, abs=1e-5)
    assert row["zone"] == "rim"
    assert row["class_word"] == "pit"
    assert row["confidence"] == pytest.approx(0.9, abs=1e-6)
    assert row["area_low_mm2"] < 8.0 < row["area_high_mm2"]
    assert np.isnan(row["dist_trace_mm"]) and np.isnan(row["dist_coolant_mm"])
    assert row["flags"] == 0


def test_diameter_of_a_mark_is_that_of_the_disc_of_its_area() -> None:
    across = mark_diameter_mm(np.pi, np.pi / 4, 4 * np.pi)
    assert (across.value, across.low, across.high) == pytest.approx((2.0, 1.0, 4.0))
    assert mark_diameter_mm(np.pi, np.pi / 4, np.inf).high == np.inf


def test_distances_on_the_land() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 0, 23, 2.0, PIT)  # from radius 22 to 24: 2 mm from the running side, 4 mm from the coolant side
    row = measure(m, drawing).marks.iloc[0]
    assert row["zone"] == "seal_land"
    assert row["dist_trace_mm"] == pytest.approx(2.0, abs=0.1)
    assert row["dist_coolant_mm"] == pytest.approx(4.0, abs=0.1)
    m = blank(drawing)
    disc(m, 0, 20, 2.0, PIT)  # half of it on the land, up to radius 21
    row = measure(m, drawing).marks.iloc[0]
    assert row["dist_trace_mm"] == pytest.approx(0.0, abs=0.05)
    assert row["dist_coolant_mm"] == pytest.approx(7.0, abs=0.1)


def test_mark_that_reaches_over_an_edge_of_the_land_all_round_is_at_it() -> None:
    """Running surface and half the land left uncut lay "3.9 mm from the running side", and a face uncut from end to end
    nowhere near the land that it crosses."""
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 0, 0, 48.0, UNCUT)  # to radius 24, 4 mm from the coolant side
    m.codes[~drawing.mask(m.grid)] = 0
    row = measure(m, drawing).marks.iloc[0]
    assert (row["dist_trace_mm"], row["dist_coolant_mm"]) == (0.0, pytest.approx(4.0, abs=0.1))
    assert not row["flags"] & Flag.CROSSES_LAND
    m.codes[drawing.mask(m.grid)] = UNCUT
    row = measure(m, drawing).marks.iloc[0]
    assert (row["dist_trace_mm"], row["dist_coolant_mm"]) == (0.0, 0.0)
    assert row["flags"] & Flag.CROSSES_LAND


def test_interval_of_a_mark_literal() -> None:
    """An edge of 11.0 mm, off by 0.064 mm (0.04 and 0.05 together), times the spread of 1.2: 0.845 of 8 mm2, log-normal."""
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    errors = ErrorModel(classes={"pit": ClassErrors(edge_sd_mm=0.04, edge_mark_sd_mm=0.05, spread=1.2)})
    row = measure(m, drawing, settings=MeasureSettings(errors=errors)).marks.iloc[0]
    assert (row["area_low_mm2"], row["area_high_mm2"]) == pytest.approx((6.727, 9.513), abs=0.002)
    # an edge that lies 0.1 mm further out all along, and is in no doubt: 1.1 mm2 more
    further = ErrorModel(classes={"pit": ClassErrors(edge_sd_mm=0, edge_mark_sd_mm=0, edge_bias_mm=0.1)})
    row = measure(m, drawing, settings=MeasureSettings(errors=further)).marks.iloc[0]
    assert (row["area_low_mm2"], row["area_high_mm2"]) == pytest.approx((8.0, 9.1), abs=0.02)


def test_mark_in_no_zone_comes_last() -> None:
    plate = ring_plate()
    drawing = replace(plate, zones={k: z for k, z in plate.zones.items() if k != "rim"})
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    rectangle(m, 24, 0, 25, 1, PIT)
    marks = measure(m, drawing).marks
    assert marks["zone"].tolist() == ["seal_land", ""]
    assert marks["area_mm2"].round(6).tolist() == [1.0, 8.0]


def test_marks_are_joined_by_corners_and_ordered() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 32, 11, PIT)
    rectangle(m, 32, 11, 33, 12, PIT)  # touches the first by a corner: one mark
    rectangle(m, 31, 20, 31.5, 20.5, STAIN)
    rectangle(m, 0, 10, 1, 11, PIT)  # running surface
    marks = measure(m, drawing).marks
    assert marks["mark_id"].tolist() == [1, 2, 3]
    assert marks["zone"].tolist() == ["running_surface", "rim", "rim"]
    assert marks["area_mm2"].round(6).tolist() == [1.0, 2.0, 0.25]


def test_mark_with_a_hole_in_it_is_as_large_as_its_outer_edge() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 37, 14, PIT)
    rectangle(m, 33, 11, 35, 13, SurfaceClass.SOUND)
    rectangle(m, 34, 12, 34.1, 12.2, PIT)  # specks, in the hole and beside the mark
    rectangle(m, 38, 12, 38.1, 12.2, PIT)
    (row,) = measure(m, drawing).marks.to_dict("records")
    assert (row["length_mm"], row["width_mm"]) == (pytest.approx(6.0), pytest.approx(4.0))
    assert row["area_mm2"] == pytest.approx(20.0)
    assert (row["x_mm"], row["y_mm"]) == (pytest.approx(34.0), pytest.approx(12.0))
    m = blank(drawing)
    rectangle(m, 31, 10, 37, 14, PIT)
    whole = measure(m, drawing).marks.iloc[0]
    # the inner edge may be off as well as the outer one
    assert row["area_high_mm2"] - 20 > 1.3 * (whole["area_high_mm2"] - 24)


def test_specks_are_no_marks_but_count_as_area() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 31.1, 10.2, PIT)
    result = measure(m, drawing)
    assert len(result.marks) == 0
    row = zone_row(result.zones, "rim", "pit")
    assert row["n_marks"] == 0
    assert row["area_mm2"] == pytest.approx(0.02)


def test_zone_table_figures() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    rectangle(m, 31, 20, 36, 24, STAIN)
    rectangle(m, 31, 30, 41, 30.2, SCORE)
    zones = measure(m, drawing).zones
    pit, affected = zone_row(zones, "rim", "pit"), zone_row(zones, "rim", "affected")
    assert pit["zone_area_mm2"] == pytest.approx(76 * 64 - np.pi * 28**2, rel=5e-4)
    assert pit["area_mm2"] == pytest.approx(8.0)
    assert affected["area_mm2"] == pytest.approx(28.0)  # a score is listed on its own
    assert affected["share"] == pytest.approx(28.0 / (76 * 64 - np.pi * 28**2), rel=5e-4)
    assert affected["share_low"] < affected["share"] < affected["share_high"]
    assert affected["n_marks"] == 2
    assert affected["largest_mm2"] == pytest.approx(20.0)
    assert affected["density_per_cm2"] == pytest.approx(100 * 2 / affected["seen_area_mm2"])


def test_the_whole_may_be_as_much_as_any_of_its_parts() -> None:
    """Nearly all damage is uncut metal, whose interval is the wider: "uncut up to 17 %, affected up to 16 %" cannot be."""
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 30, 10, 40, 50, UNCUT)
    rectangle(m, 31, 52, 32, 53, STAIN)
    zones = measure(m, drawing).zones
    for zone in zones["zone"].unique():
        parts = [zone_row(zones, zone, word)["share_high"] for word in ("pit", "stain", "tint", "uncut")]
        assert zone_row(zones, zone, "affected")["share_high"] >= max(parts)
    assert zone_row(zones, "rim", "affected")["share_low"] < zone_row(zones, "rim", "uncut")["share"]


def test_mark_over_a_border_counts_in_both_zones_with_its_part() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 17, -0.5, 24, 0.5, UNCUT)  # the running surface ends at radius 20
    rectangle(m, 10, 5, 11, 6, UNCUT)
    result = measure(m, drawing)
    assert len(result.marks) == 2
    for zone, n, largest in (("running_surface", 2, 3.0), ("seal_land", 1, 4.0), ("rim", 0, 0.0)):
        row = zone_row(result.zones, zone, "uncut")
        assert row["n_marks"] == n
        assert row["largest_mm2"] == pytest.approx(largest, abs=0.02)
        assert row["largest_mm2"] <= row["area_mm2"]
    intake = zone_row(measure(blank(drawing, stage="intake"), drawing).zones, "rim", "uncut")
    assert np.isnan(intake["largest_mm2"])


def test_area_in_which_nothing_would_change_is_refused() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    must_change(m, box(30, 9, 36, 13))
    must_change(m, box(30, 9, 36, 13), (PIT,))
    with pytest.raises(InputError, match="nothing inside is shown as stain"):
        must_change(m, box(30, 9, 36, 13), (STAIN,))
    with pytest.raises(InputError, match="none of the plate's metal is inside"):
        must_change(m, box(100, 100, 110, 110))
    with pytest.raises(InputError, match="corners lie on one line"):
        must_change(m, drawn_area([[0, 0], [1, 1], [2, 2]]))


def test_erasing_leaves_metal_that_was_not_seen_as_it_is() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 33, 12, PIT)
    rectangle(m, 33, 10, 35, 12, SurfaceClass.UNSEEN)
    area = box(30, 9, 36, 13)
    after, _ = change_classes(m, [ClassEdit(where=area, to=SurfaceClass.SOUND, only=SEEN_METAL)])
    assert (after.codes == PIT).sum() == 0
    assert (after.codes == SurfaceClass.UNSEEN).sum() == (m.codes == SurfaceClass.UNSEEN).sum() > 0
    must_change(m, area, SEEN_METAL)
    with pytest.raises(InputError, match="none of the metal inside was seen, and it stays so"):
        must_change(m, box(33.5, 10.5, 34.5, 11.5), SEEN_METAL)


def test_zone_that_no_pixel_of_the_map_lies_in_was_not_seen() -> None:
    """Its unseen share was no number, which is not over 5 %, and its shares were shown as if they could not be told."""
    plate = ring_plate()
    drawing = replace(plate, zones={**plate.zones, "running_surface": box(0.05, 10.05, 0.2, 10.2)})
    result = measure(blank(drawing, 2.0), drawing)
    row = zone_row(result.zones, "running_surface", "affected")
    assert (row["zone_area_mm2"], row["seen_area_mm2"], row["unseen_share"]) == (0.0, 0.0, 1.0)
    assert np.isnan(row["share"]) and row["flags"] & Flag.TOUCHES_UNSEEN
    assert "running_surface" not in set(result.ratings["zone"])


def test_unseen_leaves_the_denominator() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -32, -32, 6, 32, SurfaceClass.UNSEEN)
    m.codes[~drawing.mask(m.grid)] = 0
    rectangle(m, 31, 10, 35, 12, PIT)
    row = zone_row(measure(m, drawing).zones, "rim", "pit")
    # right of x = 6: 38 x 64 less the part of the disc of radius 28 there, r^2 acos(x / r) - x sqrt(r^2 -
    # x^2)
    right = 38 * 64 - (28**2 * np.arccos(6 / 28) - 6 * np.sqrt(28**2 - 6**2))
    assert row["seen_area_mm2"] == pytest.approx(right, rel=0.002)
    assert row["unseen_share"] == pytest.approx(1 - right / (76 * 64 - np.pi * 28**2), abs=0.002)
    assert row["share"] == pytest.approx(8 / right, rel=0.002)
    rectangle(m, -60, -50, 60, 50, SurfaceClass.UNSEEN)
    m.codes[~drawing.mask(m.grid)] = 0
    result = measure(m, drawing)
    row = zone_row(result.zones, "rim", "pit")
    assert np.isnan(row["share"]) and np.isnan(row["share_high"])
    assert row["unseen_share"] == 1.0
    assert row["flags"] & Flag.TOUCHES_UNSEEN
    assert len(result.ratings) == 0
    assert not result.sound_width_mm.is_known


def test_uncut_is_not_known_at_intake() -> None:
    drawing = ring_plate()
    row = zone_row(measure(blank(drawing, stage="intake"), drawing).zones, "rim", "uncut")
    assert np.isnan(row["share"]) and np.isnan(row["area_mm2"]) and np.isnan(row["density_per_cm2"])
    row = zone_row(measure(blank(drawing), drawing).zones, "rim", "uncut")
    assert row["share"] == 0.0 and row["density_per_cm2"] == 0.0


def flags_of(m, drawing: Drawing, **more: object) -> int:
    return int(measure(m, drawing, **more).marks.iloc[0]["flags"])


def test_flag_touches_unseen_set_and_not() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    assert not flags_of(m, drawing) & Flag.TOUCHES_UNSEEN
    rectangle(m, 35, 5, 40, 15, SurfaceClass.UNSEEN)
    row = measure(m, drawing).marks.iloc[0]
    assert row["flags"] & Flag.TOUCHES_UNSEEN
    assert np.isinf(row["area_high_mm2"])


def test_flag_touches_edge_set_and_not() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 0, 12, 1.0, PIT)
    assert not flags_of(m, drawing) & Flag.TOUCHES_EDGE
    m = blank(drawing)
    disc(m, 0, 5.5, 1.4, PIT)
    m.codes[~drawing.mask(m.grid)] = 0
    assert flags_of(m, drawing) & Flag.TOUCHES_EDGE


def test_flag_below_resolution_set_and_not() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 0, 12, 0.6, PIT)
    assert not flags_of(m, drawing, camera_scale=12.0) & Flag.BELOW_RESOLUTION
    assert flags_of(m, drawing, camera_scale=4.0) & Flag.BELOW_RESOLUTION  # 0.6 mm is 2.4 photo pixels


def test_flag_low_confidence_set_and_not() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    disc(m, 0, 12, 1.0, PIT)
    assert not flags_of(m, drawing) & Flag.LOW_CONFIDENCE
    m.confidence[:] = 0.5
    assert flags_of(m, drawing) & Flag.LOW_CONFIDENCE


def test_flag_crosses_land_set_and_not() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -0.5, 21, 0.5, 27, PIT)
    assert not flags_of(m, drawing) & Flag.CROSSES_LAND
    rectangle(m, -0.5, 19, 0.5, 29, PIT)
    assert flags_of(m, drawing) & Flag.CROSSES_LAND


def test_flag_crosses_land_on_every_mark_that_does() -> None:
    """Marks on leak paths beyond the places listed, or within 8 mm of one, had none."""
    drawing = ring_plate()
    m = blank(drawing)
    for x in (-8, -4, 0, 4, 8):
        rectangle(m, x, 17, x + 0.4, 29, SCORE)
    rectangle(m, 12, 15, 12.4, 24.5, SCORE)  # its end is at radius 27.5 of 28
    disc(m, 2.2, 24, 1.0, PIT)  # between two of them
    result = measure(m, drawing, settings=MeasureSettings(n_places=2))
    crosses = result.marks["flags"] & int(Flag.CROSSES_LAND) > 0
    assert sorted(result.marks[crosses]["x_mm"].round(1)) == [-7.8, -3.8, 0.2, 4.2, 8.2]
    assert len(result.marks) == 7


def test_flag_wider_than_seal() -> None:
    drawing = ring_plate(bands=(Band(name="side seal", polygon=box(-20, 8, 20, 16), seal_width_mm=1.0),))
    for diameter, expected in ((0.8, False), (1.3, True)):
        m = blank(drawing)
        disc(m, 0, 12, diameter, PIT)
        assert bool(flags_of(m, drawing) & Flag.WIDER_THAN_SEAL) is expected
    m = blank(drawing)
    disc(m, 0, -12, 1.3, PIT)  # off the band
    assert not flags_of(m, drawing) & Flag.WIDER_THAN_SEAL
    m = blank(drawing)
    disc(m, 0, 12, 1.3, TINT)
    assert not flags_of(m, drawing) & Flag.WIDER_THAN_SEAL
    m = blank(drawing)
    rectangle(m, -1, 12, 1, 12.2, SCORE)  # thin, but joins both sides of a seal that it lies across
    assert flags_of(m, drawing) & Flag.WIDER_THAN_SEAL


def test_edits_by_polygon_and_mask() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    area = Polygon([(30, 9), (33, 9), (33, 13), (30, 13)])
    changed, where = change_classes(m, [ClassEdit(where=area, to=SurfaceClass.SOUND, only=(PIT,))])
    result = measure(changed, drawing, edited=where)
    assert result.marks.iloc[0]["area_mm2"] == pytest.approx(4.0, abs=0.2)
    assert result.marks.iloc[0]["flags"] & Flag.HAND_EDITED  # of the metal that is left nothing was edited
    assert m.codes[where].tolist() == [int(PIT)] * int(where.sum())  # the map given is left alone
    mask = np.zeros(m.grid.shape, bool)
    mask[300:310, 200:220] = True
    changed, where = change_classes(m, [ClassEdit(where=mask, to=STAIN)])
    marks = measure(changed, drawing, edited=where).marks.set_index("class_word")
    assert marks.loc["stain", "area_mm2"] == pytest.approx(2.0)
    assert marks.loc["stain", "flags"] & Flag.HAND_EDITED
    assert not marks.loc["pit", "flags"] & Flag.HAND_EDITED
    assert changed.confidence[305, 205] == 1.0
    hidden, _ = change_classes(changed, [ClassEdit(where=mask, to=SurfaceClass.UNSEEN)])
    assert hidden.confidence[305, 205] == 0.0
    # 2 mm2 less of what was seen, in whichever zone they lie; every zone has six rows
    lost = measure(m, drawing).zones["seen_area_mm2"] - measure(hidden, drawing).zones["seen_area_mm2"]
    assert lost.sum() / 6 == pytest.approx(2.0)


def test_edit_over_an_edge_of_the_plate_stays_on_its_metal() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    after, changed = change_classes(m, [ClassEdit(where=box(43, 0, 46, 2), to=PIT)])
    assert ((after.codes == 0) == (m.codes == 0)).all()
    assert not changed[m.codes == 0].any()
    # 1 x 2 mm of the plate, which ends at x = 44; pixels that the outline passes through count
    assert changed.sum() * m.grid.pixel_area_mm2 == pytest.approx(2.0, abs=0.35)


def test_edits_refused() -> None:
    m = blank(ring_plate())
    with pytest.raises(InputError, match="outside"):
        ClassEdit(where=box(0, 0, 1, 1), to=SurfaceClass.OUTSIDE)
    with pytest.raises(InputError, match="not a class"):
        ClassEdit(where=box(0, 0, 1, 1), to=77)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="edit 1: expected a bool mask"):
        change_classes(m, [ClassEdit(where=np.zeros((3, 4), bool), to=PIT)])
    with pytest.raises(InputError, match="edit 1: expected a bool mask of .*, got uint8"):
        change_classes(m, [ClassEdit(where=np.ones_like(m.codes), to=PIT)])
    with pytest.raises(InputError, match="dataclass"):
        change_classes({"codes": 1}, [])


def test_measure_refuses_bad_calls() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    with pytest.raises(InputError, match="camera_scale"):
        measure(m, drawing, camera_scale=0.0)
    with pytest.raises(InputError, match="alignment_error_mm"):
        measure(m, drawing, alignment_error_mm=-0.1)
    with pytest.raises(InputError, match="expected codes"):
        measure(replace(m, codes=m.codes.astype(np.int32)), drawing)
    with pytest.raises(InputError, match="probabilities"):
        measure(replace(m, probabilities=np.zeros((7, 3, 4), np.float16)), drawing)
    with pytest.raises(InputError, match="edited"):
        measure(m, drawing, edited=np.zeros((3, 4), bool))
    with pytest.raises(InputError, match="another drawing"):
        measure(m, drawing, frame=make_frame(ring_plate(), m.grid))
    with pytest.raises(InputError, match="another drawing or grid"):
        measure(m, drawing, frame=make_frame(drawing, drawing.grid(4.0)))
    with pytest.raises(InputError, match="level"):
        MeasureSettings(level=1.5)
    with pytest.raises(InputError, match="n_places"):
        MeasureSettings(n_places=0)


def test_land_without_sides_is_refused() -> None:
    plate = ring_plate()
    flat = Drawing(
        name="flat",
        thickness_mm=1.0,
        outline=plate.outline,
        openings=(),
        zones={"seal_land": box(10, 10, 20, 15)},
    )
    with pytest.raises(MeasurementError, match="no running side"):
        measure(blank(flat), flat)


@pytest.mark.parametrize(
    "bounds", [(-30, -34, 46, 34), (-34, -30, 46, 34), (-34, -34, 42, 34), (-34, -34, 46, 30)]
)
def test_raster_that_ends_inside_the_plate_is_refused(bounds: tuple[float, float, float, float]) -> None:
    """Half a land beyond its end was neither unseen nor anything else: "0 % not seen"."""
    drawing = ring_plate()
    with pytest.raises(InputError, match=r"the grid ends 2\.0 mm inside the plate .* use drawing\.grid"):
        make_frame(drawing, Grid.over_bounds(bounds, 4.0))
    make_frame(drawing, Grid.over_bounds(drawing.outline.bounds, 2.3))


def test_zone_that_is_all_opening_is_refused() -> None:
    """A trace drawn under a name that reads as a bore left the running surface without metal, and "0.0 % affected"."""
    plate = ring_plate()
    trace = Opening(name="bore_trace", kind="bore", polygon=plate.trace)
    with pytest.raises(
        MeasurementError, match="opening 'bore_trace' takes .* of zone running_surface, so there is hardly"
    ):
        make_frame(replace(plate, openings=(*plate.openings, trace)), plate.grid(4.0))
    # bores that are not cut out of the zone are none of that: 13 mm of the 20 are 42 % of it
    wide = Opening(name="bore", kind="bore", polygon=Point(0, 0).buffer(13))
    whole = {**plate.zones, "running_surface": plate.trace}
    make_frame(replace(plate, openings=(wide,), zones=whole), plate.grid(4.0))


def test_no_land_says_why() -> None:
    plate = ring_plate()
    bare = Drawing(
        name="bare",
        thickness_mm=1.0,
        outline=plate.outline,
        openings=(),
        zones={"rim": plate.outline},
    )
    m = blank(bare)
    disc(m, 12, 0, 2.0, PIT)
    result = measure(m, bare)
    assert len(result.lands) == 0
    (row,) = result.marks.to_dict("records")
    assert row["flags"] == 0 and np.isnan(row["dist_trace_mm"]) and np.isnan(row["dist_coolant_mm"])
    assert result.sound_width_mm.reason == "the drawing has no seal land"


def test_probabilities_widen_the_interval() -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 31, 10, 35, 12, PIT)
    p = np.zeros((len(PROBABILITY_CLASSES), *m.grid.shape), np.float16)
    layer = p[PROBABILITY_CLASSES.index(PIT)]
    layer[m.codes == PIT] = 1.0
    sure = zone_row(measure(replace(m, probabilities=p), drawing).zones, "rim", "pit")
    layer[:] = np.maximum(layer, 0.01)
    unsure = zone_row(measure(replace(m, probabilities=p), drawing).zones, "rim", "pit")
    assert unsure["share_high"] > 1.2 * sure["share_high"]
    # of metal that was not seen nothing is expected: 0.01 of the rim beyond x = 28, and 0.99 of the 8 mm2 more
    rectangle(m, -32, -32, 28, 32, SurfaceClass.UNSEEN)
    m.codes[~drawing.mask(m.grid)] = 0
    measures = measure(replace(m, probabilities=p), drawing).zone_measures
    (pit,) = (z for z in measures if (z.zone, z.word) == ("rim", "pit"))
    assert pit.expected_mm2 == pytest.approx(0.01 * 16 * 64 + 0.99 * 8, rel=0.02)


def with_probability(m: Map, code: SurfaceClass, chance: np.ndarray | float) -> Map:
    """A map that takes all its metal for that class with this chance, and else for sound metal."""
    p = np.zeros((len(PROBABILITY_CLASSES), *m.grid.shape), np.float16)
    p[PROBABILITY_CLASSES.index(code)] = chance
    p[0] = 1 - p[PROBABILITY_CLASSES.index(code)]
    return replace(m, probabilities=p)


@pytest.mark.parametrize("pit_mm", [0.0, 0.2])
def test_doubt_counts_where_nothing_or_next_to_nothing_was_found(pit_mm: float) -> None:
    """Of metal that is a pit with a chance of 3 in 10 each, "0.0 % (0.0 to 0.1)" was said, and with one pit 3.2."""
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 0, 10, pit_mm, 10 + pit_mm, PIT)
    zones = measure(with_probability(m, PIT, 0.3), drawing).zones
    for zone in ("running_surface", "seal_land", "rim"):
        row = zone_row(zones, zone, "pit")
        # half of what is expected more is one standard deviation, times the spread of 1.2, times 1.645
        assert row["share_low"] <= row["share"] <= 1e-4
        assert row["share_high"] == pytest.approx(0.5 * 1.2 * 1.645 * 0.3, abs=0.001)
        assert zone_row(zones, zone, "affected")["share_high"] >= row["share_high"]


@pytest.mark.parametrize("shift_px", range(4))
def test_map_that_agrees_with_its_probabilities_leaves_no_doubt_wherever_its_marks_lie(shift_px: int) -> None:
    """Sums of every fourth row and column met more or fewer pixels of a small pit than it has, up to 8 times as many."""
    drawing = ring_plate()
    m = blank(drawing, 4.0)
    disc(m, 0.25 * shift_px, 12 + 0.25 * shift_px, 0.5, PIT)
    sure = with_probability(m, PIT, (m.codes == PIT).astype(float))
    for z in measure(sure, drawing).zone_measures:
        assert z.expected_mm2 == pytest.approx(z.area_mm2, abs=1e-9)


def test_what_a_hand_took_away_is_not_expected_back() -> None:
    """25 mm2 called uncut with a chance of one half: the map held 12.5 mm2 more than was expected, and then all is gone."""
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, 32, 0, 37, 5, UNCUT)
    m = with_probability(m, UNCUT, 0.5 * (m.codes == UNCUT))
    before = measure(m, drawing)
    erased, where = change_classes(m, [ClassEdit(where=m.codes == UNCUT, to=SurfaceClass.SOUND)])
    row = zone_row(measure(erased, drawing, edited=where, before=before).zones, "rim", "uncut")
    blank_share = ErrorModel().classes["uncut"].blank_share
    assert (row["share"], row["share_high"]) == (0.0, pytest.approx(blank_share))


def test_error_of_a_zone_area_literal() -> None:
    """Every part of it once, squared: edges of the picture 0.04 x 20, edges of each mark 0.05^2 x 100, the border of the
    zone 0.1 x 0.5 x 20, scale 0.1 x 50, false marks 0.2 x 0.8 x 80, missed marks 0.2 / 0.8 x 80, half of what the
    probabilities say more, 4: 0.64 + 0.25 + 1 + 25 + 12.8 + 20 + 4 = 63.69."""
    figures = {"zone": "rim", "word": "pit", "seen_mm2": 1000.0, "area_mm2": 50.0, "perimeter_mm": 20.0,
               "perimeter_square_mm2": 100.0, "cells_mm4": 80.0, "expected_mm2": 54.0}  # fmt: skip
    errors = ClassErrors(
        edge_sd_mm=0.04, edge_mark_sd_mm=0.05, relative_sd=0.1, false_rate=0.2, miss_rate=0.2, spread=1.5
    )
    said = ZoneMeasure(**figures, doubt_mm4=10.0)
    assert said.sd_mm2(errors, 0.5) == pytest.approx(1.5 * np.sqrt(63.69))
    assert said.sd_mm2(errors, 0.5, with_spread=False) == pytest.approx(np.sqrt(63.69))
    # the marks' own doubt counts where it is more than the rate of false marks
    assert ZoneMeasure(**figures, doubt_mm4=15.0).sd_mm2(errors, 0.5) == pytest.approx(1.5 * np.sqrt(65.89))
    # without any scatter: 50 as drawn, edges 0.1 mm further out over 20 mm, and 0.003 of 1000 that may be there unfound
    exact = ClassErrors(
        edge_sd_mm=0,
        edge_mark_sd_mm=0,
        edge_bias_mm=0.1,
        relative_sd=0,
        false_rate=0,
        miss_rate=0,
        blank_share=0.003,
    )
    plain = ZoneMeasure(**{**figures, "expected_mm2": np.nan})
    assert plain.share_interval(exact, 0.90) == pytest.approx((0.050, 0.055))


@pytest.mark.parametrize(("confidence", "doubt"), [(0.7, 0.3), (0.3, 0.5)])
def test_what_the_error_of_a_mark_depends_on(confidence: float, doubt: float) -> None:
    """4 x 2 mm of pit: 2 x (39 + 19) steps of 0.1 mm between the pixels of its edge, each as 0.948 of its length (Kulpa)."""
    drawing = ring_plate()
    m = blank(drawing)
    m.confidence[:] = confidence
    rectangle(m, 31, 10, 35, 12, PIT)
    (pit,) = (z for z in measure(m, drawing).zone_measures if (z.zone, z.word) == ("rim", "pit"))
    edge = 2 * (39 + 19) * 0.1 * 0.948
    assert pit.perimeter_mm == pytest.approx(edge)
    assert pit.perimeter_square_mm2 == pytest.approx(edge**2)
    # a wrong class comes in patches of 4 mm2 at most
    assert pit.cells_mm4 == pytest.approx(8.0 * 4.0)
    assert pit.doubt_mm4 == pytest.approx(doubt * (1 - doubt) * 8.0 * 4.0, rel=1e-5)
    m = blank(drawing)
    rectangle(m, 31, 10, 33, 11, PIT)
    (pit,) = (z for z in measure(m, drawing).zone_measures if (z.zone, z.word) == ("rim", "pit"))
    assert pit.cells_mm4 == pytest.approx(2.0 * 2.0)


def test_chance_to_break_contact_is_of_what_is_seen() -> None:
    of = {SurfaceClass.UNSEEN: [0.52, 0.99, 1.0, 0.0], PIT: [0.1, 0.5, 0.0, 0.3], SCORE: [0.02, 0.0, 0.0, 0.1],
          STAIN: [0.3, 0.0, 0.0, 0.5]}  # fmt: skip
    p = np.array([of.get(c, [0.0] * 4) for c in PROBABILITY_CLASSES])[:, None]
    land = np.array([[True, True, True, False]])
    # (0.1 + 0.02) / 0.48 = 0.25 of 255; more than all; nothing; off the land
    assert break_chance(p, land).tolist() == [[64, 255, 0, 0]]


@pytest.mark.parametrize(("x", "is_flagged"), [(28, True), (18, False)])
def test_zone_of_which_more_than_half_was_not_seen_is_flagged(x: float, is_flagged: bool) -> None:
    drawing = ring_plate()
    m = blank(drawing)
    rectangle(m, -32, -32, x, 32, SurfaceClass.UNSEEN)
    m.codes[~drawing.mask(m.grid)] = 0
    row = zone_row(measure(m, drawing).zones, "rim", "affected")
    # beyond x lie (44 - x) times 64 mm, less the part of the disc of radius 28 there
    seen = (44 - x) * 64 - (28**2 * np.arccos(x / 28) - x * np.sqrt(28**2 - x**2))
    assert row["unseen_share"] == pytest.approx(1 - seen / (76 * 64 - np.pi * 28**2), abs=0.002)
    assert bool(row["flags"] & Flag.TOUCHES_UNSEEN) is is_flagged


def test_error_model_round_trip_and_refusals() -> None:
    model = ErrorModel(classes={"pit": ClassErrors(edge_sd_mm=0.07)}, width_sd_mm=0.2, fitted_on="a test")
    back = ErrorModel.from_dict(model.to_dict())
    assert back.classes["pit"].edge_sd_mm == 0.07
    assert back.width_sd_mm == 0.2
    assert dict(back.classes) == dict(model.classes)
    with pytest.raises(InputError, match="sound"):
        ErrorModel(classes={"sound": ClassErrors()})
    with pytest.raises(InputError, match="edge_sd_mm"):
        ClassErrors(edge_sd_mm=-1)
    with pytest.raises(InputError, match="below 1"):
        ClassErrors(false_rate=1.0)
    with pytest.raises(InputError, match="error model"):
        ErrorModel.from_dict({"classes": {"pit": {"nonsense": 1}}})


def test_area_interval_literal() -> None:
    # sd / area = 0.1: log sd = sqrt(ln 1.01) = 0.099751; z(0.95) = 1.644854; exp(0.164076) = 1.178304
    low, high = area_interval(10.0, 1.0, level=0.90)
    assert low == pytest.approx(10 / 1.178304, abs=1e-4)
    assert high == pytest.approx(11.78304, abs=1e-4)
    # the same of a mark under 1 mm2
    assert area_interval(0.5, 0.05, level=0.90) == (
        pytest.approx(0.42434, abs=1e-5),
        pytest.approx(0.58915, abs=1e-5),
    )
    # an edge that is known to lie further in takes three quarters at most, and what was measured stays inside
    assert area_interval(10.0, 0.0, level=0.90, shift=-9.0) == (2.5, 10.0)
    assert area_interval(0.0, 0.0, level=0.90, floor=0.3) == (0.0, 0.3)
    # next to nothing, with a standard deviation of 1: the log-normal law alone would end at 0.003
    for nothing in (0.0, 1e-6):
        assert area_interval(nothing, 1.0, level=0.90) == (
            pytest.approx(0, abs=1e-6),
            pytest.approx(1.6449, abs=1e-4),
        )


def test_brush_paints_its_width_along_its_way() -> None:
    # a stroke of 10 mm with a 2 mm brush: a rectangle and two half discs
    assert drawn_area([[0, 0], [10, 0]], 2.0).area == pytest.approx(20 + np.pi, rel=0.01)
    assert drawn_area([[3, 4]], 2.0).area == pytest.approx(np.pi, rel=0.01)


def test_brush_drawn_in_a_ring_leaves_its_middle() -> None:
    turn = np.linspace(0, 2 * np.pi, 200)
    ring = drawn_area(np.stack([10 * np.cos(turn), 10 * np.sin(turn)], -1), 1.0)
    assert ring.area == pytest.approx(2 * np.pi * 10 * 1.0, rel=0.01)


def test_outline_is_closed_and_may_cross_itself() -> None:
    assert drawn_area([[0, 0], [4, 0], [4, 3]]).area == pytest.approx(6.0)
    # two triangles of base 2 and height 1
    assert drawn_area([[0, 0], [2, 2], [2, 0], [0, 2]]).area == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("path", "width", "words"),
    [
        ([[0, 0], [1, 1]], None, "three corners"),
        ([[0, 0], [1, 1]], 0.0, "width"),
        ([[0, 0], [1, 1]], np.inf, "width"),
        ([[0, 0], [np.nan, 1]], 2.0, "points"),
        ([], 2.0, "points"),
        ([[0, 0, 0]], 2.0, "points"),
    ],
)
def test_bad_strokes_are_refused(path, width, words) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=words):
        drawn_area(path, width)
