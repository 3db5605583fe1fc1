"""The fate of every mark between two surveys, and the shift between their photos."""

import math
from datetime import date

import cv2
import numpy as np
import pytest
from compare_strips import PIT, STAIN, UNCUT, UNSEEN, pits, strip, survey

from pitmap.classes import SurfaceClass
from pitmap.compare import (
    ChangeCode,
    Fate,
    compare,
    shift_from_pictures,
)
from pitmap.compare.decide import Rules, judge_stayed
from pitmap.errors import InputError
from pitmap.flags import Flag
from pitmap.surface import PROBABILITY_CLASSES, ClassMap


@pytest.fixture
def drawing():
    return strip()


def test_compare_pit_lapped_away_is_gone(drawing):
    c = compare([survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [], "lap_1", 20)], drawing)
    f = pits(c)
    assert f["fate"].tolist() == ["gone"]
    assert f["mark_before"].tolist() == [101]
    assert f["kind"].tolist() == ["only_before"]
    assert c.overall.counts()["gone"] == 1 and c.overall.counts()["new"] == 0


@pytest.mark.parametrize(("diam", "fate"), [(1.0, "smaller"), (2.02, "same"), (3.0, "larger")])
def test_compare_size_change(drawing, diam, fate):
    c = compare(
        [survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [(PIT, 10, 10, diam)], "lap_1", 20)], drawing
    )
    assert pits(c)["fate"].tolist() == [fate]
    assert pits(c)["area_before_mm2"].iloc[0] == pytest.approx(math.pi, rel=0.05)


def test_table_of_fates_literal(drawing):
    """Pits of 2, 2, 2, 2 and 0.5 mm; then of 3 and 1 mm, none, the same, none, and one of 2 mm that was not seen before.

    From 2 to 3 mm: pi / 4 (9 - 4) mm2 more. Their edges, 7.85 mm in the mean, are off by 0.05 mm in common, and of a pit of
    1 mm by 0.08 mm by themselves: sqrt(0.08^2 x 7.85 pi + (0.05 x 7.85)^2) = 0.559 mm2, times 1.96.
    """
    before = [(10, 10, 2.0), (20, 10, 2.0), (30, 10, 2.0), (50, 20, 2.0), (10, 30, 0.5)]
    a = survey(drawing, [(PIT, *p) for p in before] + [(UNSEEN, 30, 30, 8.0)])
    after = [(10, 10, 3.0), (20, 10, 1.0), (50, 20, 2.0), (30, 30, 2.0)]
    f = pits(compare([a, survey(drawing, [(PIT, *p) for p in after], "lap_1", 20)], drawing))
    assert f["fate_id"].tolist() == [1, 2, 3, 4, 5, 6]
    at = {(round(r.x_mm), round(r.y_mm)): r for r in f.itertuples()}
    assert list(at)[-1] == (30, 30)  # those that only the later survey shows come last
    for place, d_before, d_after, fate, zone in (
        ((10, 10), 2.0, 3.0, "larger", "running_surface"),
        ((20, 10), 2.0, 1.0, "smaller", "running_surface"),
        ((30, 10), 2.0, 0.0, "gone", "running_surface"),
        ((50, 20), 2.0, 2.0, "same", "seal_land"),
        ((10, 30), 0.5, 0.0, "cannot_tell", "running_surface"),
        ((30, 30), 0.0, 2.0, "cannot_tell", "running_surface"),
    ):
        row = at[place]
        was_hidden = place == (30, 30)
        assert (row.fate, row.zone) == (fate, zone)
        # of a place that was not seen no area is known, and no change of it
        areas = math.nan if was_hidden else math.pi / 4 * d_before**2, math.pi / 4 * d_after**2
        same = {"nan_ok": was_hidden}
        assert (row.area_before_mm2, row.area_after_mm2) == pytest.approx(areas, rel=0.06, **same)
        assert row.change_mm2 == pytest.approx(areas[1] - areas[0], abs=0.2, **same)
        assert row.eq_diam_mm == pytest.approx(d_before or d_after, abs=0.05)
        edges = [math.pi * d for d in (d_before, d_after) if d]
        edge = sum(edges) / len(edges)
        assert row.perimeter_mm == pytest.approx(edge, rel=0.06)
        half = 1.96 * math.sqrt(0.08**2 * edge * math.pi + (0.05 * edge) ** 2)
        half = math.nan if was_hidden else half
        assert (row.change_mm2 - row.change_low_mm2, row.change_high_mm2 - row.change_mm2) == pytest.approx(
            (half, half), rel=0.06, **same
        )
        assert (row.seen_before, row.seen_after) == (0.0 if was_hidden else 1.0, 1.0)
        assert bool(row.flags & Flag.TOUCHES_UNSEEN) is was_hidden
        assert (row.mark_before == -1) is was_hidden and (row.marks_after == "") is (d_after == 0)
    # the numbers of both maps, which count from the top
    assert at[50, 20].mark_before == 102 and at[50, 20].marks_after == "102"
    assert at[30, 30].marks_after == "101" and at[10, 30].mark_before == 101


def test_compare_unseen_place_is_cannot_tell_both_ways(drawing):
    a = survey(drawing, [(PIT, 10, 10, 2.0), (UNSEEN, 30, 30, 8.0)])
    b = survey(drawing, [(UNSEEN, 10, 10, 8.0), (PIT, 30, 30, 2.0)], "lap_1", 20)
    f = pits(compare([a, b], drawing))
    assert f["fate"].tolist() == ["cannot_tell", "cannot_tell"]
    assert f["why"].tolist() == [
        "the later survey does not show the place",
        "the earlier survey does not show the place",
    ]
    assert (f["flags"] & int(Flag.TOUCHES_UNSEEN)).astype(bool).all()


def test_compare_mark_cut_off_by_unseen_metal_never_shrinks(drawing):
    a = survey(drawing, [(PIT, 10, 10, 3.0)])
    b = survey(drawing, [(PIT, 10, 10, 3.0), (UNSEEN, 12, 10, 3.0)], "lap_1", 20)
    assert pits(compare([a, b], drawing))["fate"].tolist() == ["cannot_tell"]


def test_compare_small_mark_is_never_called_gone(drawing):
    c = compare([survey(drawing, [(PIT, 10, 10, 0.5)]), survey(drawing, [], "lap_1", 20)], drawing)
    assert pits(c)["fate"].tolist() == ["cannot_tell"]


def test_why_a_fate_cannot_be_told_is_said_in_the_units_of_the_shop(drawing):
    """0.6 mm, under which a mark is too small, are 0.0236 in; 0.3 mm, the least hole that shows, 0.0118 in."""
    small, large = (PIT, 10, 10, 0.5), (PIT, 20, 20, 2.0)
    a = survey(drawing, [small, large], "intake")
    b = survey(drawing, [], "test_lap", 30.0, on=date(2025, 5, 9))
    said = {s: pits(compare([a, b], drawing, system=s))["why"].tolist() for s in ("mm", "inch")}
    assert sorted(said["mm"]) == [
        "the place reads sound: no hole of 0.3 mm or more is left",
        "under 0.6 mm: too small to say that it is gone",
    ]
    assert sorted(said["inch"]) == [
        "the place reads sound: no hole of 0.012 in or more is left",
        "under 0.024 in: too small to say that it is gone",
    ]
    came = compare(
        [survey(drawing, [], "intake"), survey(drawing, [small], "test_lap", 30.0)], drawing, system="inch"
    )
    assert pits(came)["why"].tolist() == ["under 0.024 in: it may have been missed before"]


def test_compare_place_not_surely_sound_is_cannot_tell(drawing):
    a, b = survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [], "lap_1", 20)
    c, r = a.class_map.grid.mm_to_px(np.array([10, 10])).astype(int)
    b.class_map.confidence[r - 3 : r + 4, c - 3 : c + 4] = 0.45
    f = pits(compare([a, b], drawing))
    assert f["fate"].tolist() == ["cannot_tell"] and "close call" in f["why"].iloc[0]


def test_compare_pit_under_uncut_metal_is_cannot_tell(drawing):
    a = survey(drawing, [(PIT, 10, 10, 2.0)])
    b = survey(drawing, [(UNCUT, 10, 10, 8.0)], "lap_1", 20)
    assert pits(compare([a, b], drawing))["fate"].tolist() == ["cannot_tell"]


def test_compare_kept_probability_of_pit_blocks_gone(drawing):
    a, b = survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [], "lap_1", 20)
    probabilities = np.zeros((len(PROBABILITY_CLASSES), *b.class_map.grid.shape), np.float16)
    c, r = b.class_map.grid.mm_to_px(np.array([10, 10])).astype(int)
    probabilities[PROBABILITY_CLASSES.index(SurfaceClass.PIT), r, c] = 0.45
    flat = b.class_map
    b.class_map = ClassMap(
        codes=flat.codes,
        confidence=flat.confidence,
        stage=b.stage,
        px_per_mm=flat.grid.px_per_mm,
        grid=flat.grid,
        probabilities=probabilities,
    )
    assert pits(compare([a, b], drawing))["fate"].tolist() == ["cannot_tell"]


def test_compare_dark_spot_left_in_the_picture_blocks_gone(drawing):
    a, b = survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [], "lap_1", 20)
    grid = drawing.grid(5.0)
    for s in (a, b):
        picture = np.full((*grid.shape, 3), 170, np.uint8)
        c, r = np.round(grid.mm_to_px(np.array([10, 10]))).astype(int)
        cv2.circle(picture, (int(c), int(r)), 5, (60, 60, 60), -1)
        s.picture, s.picture_grid = picture, grid
    f = pits(compare([a, b], drawing))
    assert f["fate"].tolist() == ["cannot_tell"] and "dark spot" in f["why"].iloc[0]
    b.picture = np.full((*grid.shape, 3), 170, np.uint8)
    assert pits(compare([a, b], drawing))["fate"].tolist() == ["gone"]


def test_compare_opened_up_by_a_lap_against_new_since_last_year(drawing):
    clean, pitted = [], [(PIT, 10, 10, 2.0)]
    stain = survey(drawing, [(STAIN, 10, 10, 6.0)], "intake")
    lapped = survey(drawing, pitted, "test_lap", 15, date(2025, 5, 2))
    f = pits(compare([stain, lapped], drawing))
    assert f["fate"].tolist() == ["opened_up"] and "scale" in f["why"].iloc[0]
    final = survey(drawing, clean, "final", 30, date(2025, 5, 3))
    later = survey(drawing, pitted, "intake", 0, date(2028, 9, 1))
    f = pits(compare([final, later], drawing))
    assert f["fate"].tolist() == ["new"] and "no metal was cut" in f["why"].iloc[0]


def test_compare_new_mark_under_stain_without_a_cut_is_cannot_tell(drawing):
    final = survey(drawing, [(STAIN, 10, 10, 6.0)], "final", 30)
    later = survey(drawing, [(PIT, 10, 10, 2.0)], "intake", 0, date(2028, 9, 1))
    assert pits(compare([final, later], drawing))["fate"].tolist() == ["cannot_tell"]


def test_compare_two_photos_of_one_face_claim_nothing(drawing):
    a = survey(drawing, [(PIT, 10, 10, 2.0), (PIT, 20, 10, 1.0)], "lap_1", 20)
    b = survey(drawing, [(PIT, 10, 10, 2.0), (PIT, 30, 10, 1.0)], "lap_1", 20)
    f = pits(compare([a, b], drawing))
    assert f["fate"].tolist() == ["same", "cannot_tell", "cannot_tell"]
    assert f["flags"].iloc[1] & Flag.CONTRADICTION


def test_compare_merge_and_split(drawing):
    two = survey(drawing, [(PIT, 10, 10, 2.0), (PIT, 12.6, 10, 2.0)])
    one = survey(drawing, [(PIT, 10, 10, 2.0), (PIT, 11.3, 10, 2.0), (PIT, 12.6, 10, 2.0)], "lap_1", 20)
    f = pits(compare([two, one], drawing))
    assert f["kind"].tolist() == ["merge", "merge"] and f["group_id"].nunique() == 1
    assert f["marks_after"].tolist() == ["101", "101"]
    later = survey(drawing, [(PIT, 10, 10, 2.0), (PIT, 12.6, 10, 2.0)], "lap_2", 40)
    f = pits(compare([one, later], drawing))
    assert f["kind"].tolist() == ["split"] and f["marks_after"].tolist() == ["101 102"]


def test_compare_neighbour_within_tolerance_does_not_hide_a_gone_pit(drawing):
    a = survey(drawing, [(PIT, 10, 10, 1.2), (PIT, 11.6, 10, 1.2)])
    b = survey(drawing, [(PIT, 11.6, 10, 1.2)], "lap_1", 20)
    assert sorted(pits(compare([a, b], drawing))["fate"]) == ["gone", "same"]


def test_compare_takes_out_a_shift_and_says_what_remains(drawing):
    rng = np.random.default_rng(5)
    spots = [(PIT, x, y, 1.5) for x in range(4, 58, 6) for y in range(4, 38, 8)]
    spots = [(c, x + rng.uniform(-1, 1), y + rng.uniform(-1, 1), d) for c, x, y, d in spots]
    c = compare(
        [survey(drawing, spots), survey(drawing, spots, "lap_1", 10, shift=(0.15, -0.1))],
        drawing,
    )
    shift = c.overall.shift
    assert shift.method == "marks: affine" and shift.n_used == 45
    assert shift.apply(np.array([[30.15, 19.9]])) == pytest.approx(np.array([[30.0, 20.0]]), abs=0.02)
    assert shift.moved_mm == pytest.approx(0.18, abs=0.02)
    assert 0 < shift.remaining_mm.low < shift.remaining_mm.value < shift.remaining_mm.high < 0.06
    assert set(pits(c)["fate"]) == {"same"}


def test_compare_too_few_marks_leave_the_shift_unknown(drawing):
    c = compare([survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [], "lap_1", 20)], drawing)
    assert c.overall.shift.method == "none"
    assert not c.overall.shift.remaining_mm.is_known and "fewer than 6" in c.overall.shift.remaining_mm.reason


def test_shift_from_pictures_finds_a_shift_of_texture(drawing):
    rng = np.random.default_rng(11)
    noise = cv2.GaussianBlur(rng.normal(128, 60, (420, 620)).astype(np.float32), (0, 0), 1.5).clip(0, 255)
    before = np.repeat(noise[10:410, 10:610, None], 3, 2).astype(np.uint8)
    after = np.repeat(noise[13:413, 8:608, None], 3, 2).astype(np.uint8)
    shift = shift_from_pictures(before, after, np.ones((400, 600), bool), px_per_mm=10.0, tile_mm=12.0)
    # The later picture starts 3 rows lower, 2 columns further left: the metal moved up 0.3, right 0.2 mm.
    assert shift.apply(np.array([[0.2, 0.3]])) == pytest.approx(np.array([[0.0, 0.0]]), abs=0.02)
    blank = np.full((400, 600, 3), 90, np.uint8)
    assert shift_from_pictures(blank, blank, np.ones((400, 600), bool), px_per_mm=10.0).method == "none"
    with pytest.raises(InputError, match="one grid"):
        shift_from_pictures(before, after[:-1], np.ones((400, 600), bool), px_per_mm=10.0)


def test_compare_change_raster(drawing):
    a = survey(drawing, [(PIT, 10, 10, 4.0), (STAIN, 20, 10, 4.0)])
    b = survey(drawing, [(PIT, 10, 10, 4.0), (PIT, 30, 10, 4.0), (UNSEEN, 50, 30, 4.0)], "lap_1", 20)
    pair = compare([a, b], drawing).overall

    def at(x, y):
        c, r = np.round(pair.grid.mm_to_px(np.array([x, y]))).astype(int)
        return int(pair.change_codes[r, c])

    assert at(10, 10) == ChangeCode.STAYED and at(20, 10) == ChangeCode.CLEARED
    assert at(30, 10) == ChangeCode.CAME and at(50, 30) == ChangeCode.UNSEEN
    assert at(5, 30) == ChangeCode.UNTOUCHED and at(-1.5, -1.5) == ChangeCode.OUTSIDE
    with pytest.raises(ValueError, match="read-only"):
        pair.change_codes[0, 0] = 1


def test_compare_maps_of_two_scales(drawing):
    a, b = survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [(PIT, 10, 10, 2.0)], "lap_1", 20)
    grid = drawing.grid(5.0)
    from pitmap.compare.marks import onto_grid

    b.class_map.codes = onto_grid(b.class_map.codes, b.class_map.grid, grid, fill=255)
    b.class_map.confidence = onto_grid(b.class_map.confidence, b.class_map.grid, grid, fill=0)
    b.class_map.grid = grid
    c = compare([a, b], drawing)
    assert c.overall.grid.px_per_mm == 5.0 and pits(c)["fate"].tolist() == ["same"]


def test_counts_name_every_fate(drawing):
    c = compare([survey(drawing, []), survey(drawing, [], "lap_1", 20)], drawing)
    assert set(c.overall.counts()) == {str(f) for f in Fate}


@pytest.mark.parametrize(
    ("change", "seen", "fate"),
    [
        # z = 2 and a standard deviation of 1 mm2: changes over 2 mm2 are changes
        (2.0, (1.0, 1.0), Fate.SAME), (-2.0, (1.0, 1.0), Fate.SAME),
        (2.1, (1.0, 1.0), Fate.LARGER), (-2.1, (1.0, 1.0), Fate.SMALLER),
        # a mark whose later sight is cut off is at least so large: it may have grown, and never shrank
        (2.1, (1.0, 0.8), Fate.LARGER), (-2.1, (1.0, 0.8), Fate.CANNOT_TELL), (1.9, (1.0, 0.8), Fate.CANNOT_TELL),
        # cut off before, it may have been as large then
        (2.1, (0.8, 1.0), Fate.CANNOT_TELL), (-2.1, (0.8, 1.0), Fate.CANNOT_TELL),
        (2.1, (0.8, 0.8), Fate.CANNOT_TELL),
    ],
)  # fmt: skip
def test_a_mark_that_both_surveys_show_grows_or_shrinks_only_where_that_is_proven(change, seen, fate):
    assert judge_stayed(change, 1.0, 2.0, seen, Rules(unseen_share=0.1))[0] is fate
