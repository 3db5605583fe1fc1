"""What changed between surveys: fates, shifts, zones, series, on hand-drawn class maps."""

import math
from datetime import date
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest
from shapely import box

from pitmap.classes import Stage, SurfaceClass
from pitmap.compare import (
    FATES,
    FORECASTS,
    SERIES,
    SURVEYS,
    TRACKS,
    ZONE_CHANGES,
    ChangeCode,
    Fate,
    Repeatability,
    Rules,
    compare,
    judge_forecast,
    proof_of_change,
    shift_from_pictures,
)
from pitmap.compare.difference import difference_interval
from pitmap.compare.series import removed_over_jobs
from pitmap.compare.step import Step
from pitmap.compare.zones import Zones
from pitmap.drawing import Drawing, load_shipped
from pitmap.errors import InputError, NotEnoughData
from pitmap.estimate import Estimate
from pitmap.flags import Flag
from pitmap.measure import make_frame
from pitmap.surface import PROBABILITY_CLASSES, ClassMap

PIT, STAIN, UNCUT, UNSEEN = (int(SurfaceClass[w]) for w in ("PIT", "STAIN", "UNCUT", "UNSEEN"))


@pytest.fixture
def drawing():
    outline = box(0, 0, 60, 40)
    return Drawing(
        name="Strip",
        thickness_mm=20.0,
        outline=outline,
        openings=(),
        zones={"running_surface": box(0, 0, 40, 40), "seal_land": box(40, 0, 60, 40)},
    )


def survey(
    drawing, spots, stage="test_lap", removed=0.0, on=date(2025, 5, 1), confidence=0.95, shift=(0.0, 0.0)
):
    """Spots are (code, x, y, diameter) in mm, drawn in order."""
    grid = drawing.grid(8.0)
    codes = np.where(drawing.mask(grid), 1, 0).astype(np.uint8)
    sure = np.full(grid.shape, confidence, np.float32)
    for code, x, y, diam in spots:
        c, r = grid.mm_to_px(np.array([x + shift[0], y + shift[1]]))
        reach = int(diam * 4 + 2)
        r0, c0 = max(0, int(r) - reach), max(0, int(c) - reach)
        part = codes[r0 : int(r) + reach, c0 : int(c) + reach]
        yy, xx = np.ogrid[r0 : r0 + part.shape[0], c0 : c0 + part.shape[1]]
        part[((xx - c) ** 2 + (yy - r) ** 2 <= (diam / 2 * 8) ** 2) & (part > 0)] = code
    rows = []
    for name, x0, x1 in (("running_surface", 0, 40), ("seal_land", 40, 60)):
        xs = grid.centres_mm()[0]
        part = codes[:, (xs > x0) & (xs < x1)]
        part = part[(part != 0) & (part != UNSEEN)]
        for word, index in (("pit", [2]), ("uncut", [5]), ("affected", [2, 3, 4, 5])):
            share = float(np.isin(part, index).mean())
            rows.append(
                {"zone": name, "class_word": word, "share": share, "share_low": share, "share_high": share}
            )
    n, _, stats, centre = cv2.connectedComponentsWithStats((codes == PIT).astype(np.uint8), connectivity=8)
    xy = grid.px_to_mm(centre[1:]) if n > 1 else np.zeros((0, 2))
    marks = pd.DataFrame(
        {
            "mark_id": np.arange(101, 100 + n, dtype=np.int64),
            "class_code": np.full(n - 1, 2, np.int64),
            "x_mm": xy[:, 0],
            "y_mm": xy[:, 1],
            "flags": np.zeros(n - 1, np.int64),
        }
    )
    return SimpleNamespace(
        face="front",
        stage=Stage(stage),
        surveyed_on=on,
        removed_um=Estimate(value=removed, low=removed - 1, high=removed + 1),
        drawing_name="Strip",
        photos=(),
        alignment=SimpleNamespace(residual_mm=Estimate(value=0.1, low=0.05, high=0.15)),
        class_map=SimpleNamespace(codes=codes, confidence=sure, grid=grid, probabilities=None),
        measurement=SimpleNamespace(
            marks=marks,
            zones=pd.DataFrame(rows),
            sound_width_mm=Estimate(value=4.0, low=3.5, high=4.5),
        ),
    )


def pits(comparison):
    f = comparison.overall.fates
    return f[f["class_word"] == "pit"].reset_index(drop=True)


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


def test_deepest_pit_is_bounded_where_the_stock_of_one_survey_is_not_known(drawing):
    """A pit seen with unknown stock off lies under the first face; one gone with unknown stock off is gone at the next."""

    def series(*stocks):
        shown = [(PIT, 10, 10, 2.0)]
        surveys = [
            survey(drawing, shown if k == 0 else [], stage, 0.0, on=date(2025, 5, 1 + 8 * k))
            for k, stage in enumerate(("test_lap", "lap_1", "lap_2")[: len(stocks)])
        ]
        for s, um in zip(surveys, stocks):
            known = Estimate(value=um or 0.0, low=um or 0.0, high=um or 0.0)
            s.removed_um = Estimate.unknown("not entered") if um is None else known
        table = compare(surveys, drawing).series
        rows = table[(table["quantity"] == "deepest_um") & (table["zone"] == "running_surface")]
        return rows[["low", "high"]].iloc[-1].tolist()

    assert series(None, 30.0) == [0.0, 30.0]
    assert series(10.0, None, 30.0) == [10.0, 30.0]
    assert series(10.0, 25.0, 30.0) == [10.0, 25.0]


def test_a_long_pause_names_the_surveys_as_a_sentence_does(drawing):
    a = survey(drawing, [], "test_lap", 10.0, on=date(2024, 5, 1))
    b = survey(drawing, [], "lap_1", 20.0, on=date(2025, 5, 1))
    (said,) = compare([a, b], drawing).problems
    assert said.startswith(
        "the survey after the test lap on 2024-05-01 and that after lap 1 on 2025-05-01 are taken for"
    )


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


def test_compare_zone_change_counts_only_metal_seen_in_both(drawing):
    a = survey(drawing, [(PIT, 20, 20, 8.0)])
    b = survey(drawing, [(UNSEEN, 10, 20, 10.0)], "lap_1", 20)
    z = compare([a, b], drawing).overall.zone_changes.set_index(["zone", "class_word"])
    row = z.loc[("running_surface", "pit")]
    assert row["zone_area_mm2"] == pytest.approx(1600, rel=0.01)
    assert row["seen_area_mm2"] == pytest.approx(1600 - 25 * math.pi, rel=0.01)
    assert row["change"] == pytest.approx(-16 * math.pi / (1600 - 25 * math.pi), rel=0.02)
    assert row["change_low"] < row["change"] < row["change_high"] and row["is_beyond_repeatability"]
    assert not z.loc[("seal_land", "pit"), "is_beyond_repeatability"]
    assert z.loc[("seal_land", "pit"), "least_provable"] > 0


def test_compare_zone_not_seen_has_no_change(drawing):
    a, b = survey(drawing, []), survey(drawing, [], "lap_1", 20)
    for s in (a, b):
        s.class_map.codes[:, s.class_map.grid.centres_mm()[0] > 39] = UNSEEN
    z = compare([a, b], drawing).overall.zone_changes.set_index(["zone", "class_word"])
    assert math.isnan(z.loc[("seal_land", "affected"), "change"])
    assert not z.loc[("seal_land", "affected"), "is_beyond_repeatability"]
    assert z.loc[("seal_land", "affected"), "note"] == "nothing of the zone was seen in both surveys"


def test_compare_uncut_metal_is_no_change_from_intake(drawing):
    """At intake old finish says nothing of low metal: what the lap does not reach did not come up by the lap."""
    stain, uncut = (STAIN, 10, 20, 4.0), (UNCUT, 25, 20, 20.0)
    pair = compare(
        [survey(drawing, [stain], "intake"), survey(drawing, [stain, uncut], removed=20)], drawing
    ).overall
    z = pair.zone_changes.set_index(["zone", "class_word"])
    row = z.loc[("running_surface", "uncut")]
    assert math.isnan(row["share_before"]) and math.isnan(row["change"]) and math.isnan(row["least_provable"])
    assert row["share_after"] == pytest.approx(100 * math.pi / 1600, rel=0.01)
    assert not row["is_beyond_repeatability"] and row["note"] == "uncut metal cannot be told at intake"
    row = z.loc[("running_surface", "affected")]
    assert row["share_before"] == row["share_after"] == pytest.approx(4 * math.pi / 1600, rel=0.02)
    assert row["change"] == 0.0 and not row["is_beyond_repeatability"]
    assert row["note"] == "without uncut metal, which cannot be told at intake"
    assert z.loc[("running_surface", "pit"), "note"] == ""
    c, r = np.round(pair.grid.mm_to_px(np.array([25.0, 20.0]))).astype(int)
    assert pair.change_codes[r, c] == ChangeCode.UNSEEN


def test_compare_uncut_metal_that_a_further_lap_reaches_is_a_change(drawing):
    surveys = [survey(drawing, [(UNCUT, 20, 20, 20.0)], removed=20), survey(drawing, [], "lap_1", 40)]
    pair = compare(surveys, drawing).overall
    z = pair.zone_changes.set_index(["zone", "class_word"])
    for word in ("uncut", "affected"):
        row = z.loc[("running_surface", word)]
        assert row["change"] == pytest.approx(-100 * math.pi / 1600, rel=0.01)
        assert row["is_beyond_repeatability"] and row["note"] == ""
    c, r = np.round(pair.grid.mm_to_px(np.array([20.0, 20.0]))).astype(int)
    assert pair.change_codes[r, c] == ChangeCode.CLEARED


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


def make_series(drawing):
    deep, shallow = (PIT, 50, 10, 2.0), (PIT, 50, 30, 2.0)
    return [
        survey(drawing, [deep, shallow, (UNCUT, 20, 20, 10.0)], "test_lap", 10, date(2025, 5, 2)),
        survey(drawing, [deep, (UNCUT, 20, 20, 4.0)], "lap_1", 25, date(2025, 5, 3)),
        survey(drawing, [], "lap_2", 40, date(2025, 5, 4)),
    ]


def test_series_bounds_the_depth_of_every_pit(drawing):
    c = compare(list(reversed(make_series(drawing))), drawing)
    assert c.surveys["stage"].tolist() == ["test_lap", "lap_1", "lap_2"]
    t = c.tracks[c.tracks["class_code"] == PIT].sort_values("y_mm")
    assert t[["depth_low_um", "depth_high_um"]].to_numpy().tolist() == [[25.0, 40.0], [10.0, 25.0]]
    assert t["gone_survey"].tolist() == [3, 2]
    assert t["mark_ids"].tolist()[0].split()[0].startswith("1:")
    s = c.series[c.series["quantity"] == "deepest_um"].set_index(["zone", "survey"])
    assert s.loc[("seal_land", 1), ["low", "high"]].tolist() == [10.0, math.inf]
    assert s.loc[("seal_land", 3), ["low", "high"]].tolist() == [25.0, 40.0]
    uncut = c.series[(c.series["quantity"] == "uncut_share") & (c.series["zone"] == "running_surface")]
    assert uncut["value"].iloc[0] == pytest.approx(25 * math.pi / 1600, rel=0.02)
    assert uncut["value"].iloc[2] == 0.0
    assert (c.overall.before, c.overall.after) == (1, 3) and len(c.pairs) == 2


def test_series_sound_width_is_that_of_all_places(drawing):
    """Another place than the narrowest one may have less behind metal that was not seen."""
    surveys = make_series(drawing)
    lands = pd.DataFrame({"sound_width_mm": [4.0, 4.4], "sound_width_low_mm": [3.5, 1.2]})
    surveys[0].measurement.lands = lands
    surveys[0].measurement.sound_width_mm = Estimate(value=4.0, low=1.2, high=4.5)
    surveys[1].measurement.sound_width_mm = Estimate.unknown("the drawing has no seal land")
    s = compare(surveys, drawing).series
    s = s[s["quantity"] == "sound_width_mm"].set_index("survey")
    assert s.loc[1, ["value", "low", "high", "reason"]].tolist() == [4.0, 1.2, 4.5, ""]
    assert math.isnan(s.loc[2, "value"]) and s.loc[2, "reason"] == "the drawing has no seal land"


def test_series_pit_seen_again_was_not_gone(drawing):
    spot = (PIT, 50, 10, 2.0)
    series = [
        survey(drawing, [spot], "test_lap", 10, date(2025, 5, 2)),
        survey(drawing, [], "lap_1", 25, date(2025, 5, 3)),
        survey(drawing, [spot], "lap_2", 40, date(2025, 5, 4)),
    ]
    c = compare(series, drawing)
    assert c.pairs[0].fates["fate"].tolist() == ["cannot_tell"]
    assert "survey 3 shows it again" in c.pairs[0].fates["why"].iloc[0]
    assert c.pairs[1].fates["fate"].tolist() == ["same"]
    assert len(c.tracks) == 1 and c.tracks["gone_survey"].iloc[0] == -1
    assert c.tracks["flags"].iloc[0] & Flag.CONTRADICTION
    assert c.tracks["depth_low_um"].iloc[0] == 40.0 and math.isinf(c.tracks["depth_high_um"].iloc[0])


def test_series_pit_hidden_once_is_gone_at_the_next_sight(drawing):
    series = [
        survey(drawing, [(PIT, 50, 10, 2.0)], "test_lap", 10, date(2025, 5, 2)),
        survey(drawing, [(UNSEEN, 50, 10, 5.0)], "lap_1", 25, date(2025, 5, 3)),
        survey(drawing, [], "lap_2", 40, date(2025, 5, 4)),
    ]
    t = compare(series, drawing).tracks
    assert t["gone_survey"].tolist() == [3]
    assert t[["depth_low_um", "depth_high_um"]].to_numpy().tolist() == [[10.0, 40.0]]


def test_series_counts_stock_on_over_a_plate_that_comes_back(drawing):
    first = make_series(drawing)
    back = survey(drawing, [], "intake", 0, date(2029, 1, 1))
    c = compare([*first, back], drawing)
    assert c.surveys["removed_um"].tolist() == [10.0, 25.0, 40.0, 40.0]
    assert not c.pairs[-1].step.is_cut


def test_series_zone_that_was_not_seen_has_no_count_of_pits(drawing):
    hidden = survey(drawing, [], "lap_1", 25, date(2025, 5, 3))
    land = hidden.measurement.zones["zone"] == "seal_land"
    hidden.measurement.zones.loc[land, ["share", "share_low", "share_high"]] = math.nan
    forecast = pd.DataFrame(
        {"zone": "seal_land", "quantity": "n_pits", "removed_um": [10.0, 40.0], "value": [1.0, 0.0],
         "low": [0.0, 0.0], "high": [2.0, 1.0]}
    )  # fmt: skip
    c = compare([make_series(drawing)[0], hidden], drawing, forecast=forecast)
    counts = c.series[c.series["quantity"] == "n_pits"].set_index(["zone", "survey"])
    assert counts["value"]["seal_land", 1] == 2
    assert math.isnan(counts["value"]["seal_land", 2])
    assert counts["reason"]["seal_land", 2] == "nothing of the zone was seen"
    assert counts["value"]["running_surface", 2] == 0
    assert c.forecasts["survey"].tolist() == [1]


def test_forecast_is_judged_where_a_survey_answers(drawing):
    forecast = pd.DataFrame(
        {
            "zone": "running_surface",
            "quantity": "uncut_share",
            "removed_um": [10.0, 30.0],
            "value": [0.05, 0.01],
            "low": [0.04, 0.0],
            "high": [0.06, 0.02],
        }
    )
    c = compare(make_series(drawing), drawing, forecast=forecast)
    f = c.forecasts
    assert f["survey"].tolist() == [1, 2]
    assert f["forecast"].tolist() == pytest.approx([0.05, 0.02])
    assert f["found"].tolist() == pytest.approx([0.0491, 0.00785], rel=0.03)
    assert f["is_inside"].tolist() == [True, False]
    with pytest.raises(InputError, match="columns missing: high"):
        judge_forecast(c.series, forecast.drop(columns="high"))


def test_compare_tables_keep_their_schema_when_nothing_is_found(drawing):
    c = compare([survey(drawing, []), survey(drawing, [], "lap_1", 20)], drawing)
    for schema, table in (
        (FATES, c.overall.fates),
        (ZONE_CHANGES, c.overall.zone_changes),
        (SURVEYS, c.surveys),
        (SERIES, c.series),
        (TRACKS, c.tracks),
        (FORECASTS, c.forecasts),
    ):
        schema.check(table)
    assert len(c.overall.fates) == 0 and len(c.tracks) == 0


def test_compare_maps_of_two_scales(drawing):
    a, b = survey(drawing, [(PIT, 10, 10, 2.0)]), survey(drawing, [(PIT, 10, 10, 2.0)], "lap_1", 20)
    grid = drawing.grid(5.0)
    from pitmap.compare.marks import onto_grid

    b.class_map.codes = onto_grid(b.class_map.codes, b.class_map.grid, grid, fill=255)
    b.class_map.confidence = onto_grid(b.class_map.confidence, b.class_map.grid, grid, fill=0)
    b.class_map.grid = grid
    c = compare([a, b], drawing)
    assert c.overall.grid.px_per_mm == 5.0 and pits(c)["fate"].tolist() == ["same"]


def test_compare_refuses_what_cannot_be_compared(drawing):
    a, b = survey(drawing, []), survey(drawing, [])
    with pytest.raises(InputError, match="two or more"):
        compare([a], drawing)
    b.face = "rear"
    with pytest.raises(InputError, match="compare: the surveys differ in face: front, rear"):
        compare([a, b], drawing)
    b.face, b.drawing_name = "front", "Disc"
    with pytest.raises(InputError, match="compare: the surveys differ in drawing: Disc, Strip"):
        compare([a, b], drawing)
    b.drawing_name = "Strip"
    with pytest.raises(InputError, match="alignment_error_mm"):
        compare([a, b], drawing, alignment_error_mm=0.0)
    with pytest.raises(InputError, match=r"Rules\.level"):
        Rules(level=1.0)
    with pytest.raises(InputError, match="common_edge_mm"):
        Repeatability(common_edge_mm=-1)


@pytest.mark.parametrize(
    ("before", "after", "is_cut", "is_same_visit"),
    [
        (("intake", 0, date(2025, 5, 1)), ("test_lap", 10, date(2025, 5, 1)), True, False),
        (("lap_1", 20, date(2025, 5, 1)), ("lap_1", 20, date(2025, 5, 1)), False, True),
        (("lap_1", 20, date(2025, 5, 1)), ("lap_1", 30, date(2025, 5, 1)), True, False),
        (("lap_1", 20, date(2025, 5, 1)), ("final", 20, date(2025, 5, 1)), False, True),
        (("final", 30, date(2025, 5, 1)), ("intake", 0, date(2027, 5, 1)), False, False),
        (("final", 30, None), ("intake", 0, date(2027, 5, 1)), False, True),
        # The next job: its stock starts from nothing, so less of it is a cut all the same.
        (("final", 60, date(2020, 1, 1)), ("final", 30, date(2024, 1, 1)), True, False),
        (("test_lap", 20, date(2020, 1, 1)), ("test_lap", 15, date(2024, 1, 1)), True, False),
        (("final", 60, date(2020, 1, 1)), ("test_lap", 15, date(2024, 1, 1)), True, False),
        (("final", 60, date(2020, 1, 1)), ("test_lap", None, date(2024, 1, 1)), True, False),
        (("lap_1", 35, date(2020, 1, 1)), ("final", 20, date(2024, 1, 1)), True, False),
        (("final", 60, date(2020, 1, 1)), ("intake", None, date(2024, 1, 1)), False, False),
        # One stage and stock that is not known: nobody can say.
        (("final", 30, date(2020, 1, 1)), ("final", None, date(2024, 1, 1)), None, False),
    ],
)
def test_step_between_surveys(before, after, is_cut, is_same_visit):
    step = Step.between(bare(*before), bare(*after))
    assert (step.is_cut, step.is_same_visit) == (is_cut, is_same_visit)


def bare(stage, removed, on):
    """A survey of which only stage, stock (+- 1 um) and day are known."""
    e = Estimate.unknown("not entered")
    if removed is not None:
        e = Estimate(value=removed, low=removed - 1, high=removed + 1)
    return SimpleNamespace(stage=Stage(stage), removed_um=e, surveyed_on=on)


def test_step_over_a_job_that_came_and_went():
    """Of one lap with 20 um off to one of the next job with 20 um off: the ends look alike, and 40 um lie between."""
    day = date(2020, 1, 1)
    jobs = [
        bare("test_lap", 20, day), bare("final", 40, day), bare("intake", 0, date(2024, 1, 1)),
        bare("test_lap", 20, date(2024, 1, 2)),
    ]  # fmt: skip
    assert Step.between(jobs[0], jobs[-1]).is_cut is False
    assert Step.over(jobs).is_cut is True
    # Back at intake the metal of the first job's last cut is off, though the next one has cut nothing.
    assert Step.over(jobs[:3]).is_cut is True
    assert Step.over(jobs[1:3]).is_cut is False


@pytest.mark.parametrize(
    ("stages", "stock", "over_jobs"),
    [
        (["intake", "final", "intake", "test_lap"], [0, 60, None, 15], [0, 60, math.nan, 75]),
        (["test_lap", "final", "test_lap"], [20, 20, 25], [20, 20, 45]),
        (["final", "final"], [60, 30], [60, 90]),
        (["test_lap", "lap_1", "final"], [20, 35, 35], [20, 35, 35]),
        (["final", "intake", "lap_1"], [60, 60, 75], [60, 60, 75]),
        (["final", "intake", "lap_1"], [None, 0, 15], [math.nan] * 3),
    ],
)
def test_stock_is_counted_on_over_jobs(stages, stock, over_jobs):
    surveys = [bare(s, r, date(2020 + k, 1, 1)) for k, (s, r) in enumerate(zip(stages, stock, strict=True))]
    assert removed_over_jobs(surveys) == pytest.approx(over_jobs, nan_ok=True)


@pytest.mark.parametrize(
    ("second", "told"),
    [
        (
            ("test_lap", 35, date(2024, 5, 1)),
            True,
        ),  # the plate of 2020 came back, or lay there for four years
        (("lap_1", 35, date(2024, 5, 1)), True),
        (("test_lap", 35, date(2020, 5, 20)), False),
        (("intake", 0, date(2024, 5, 1)), False),  # stage and stock tell the new job
        (("test_lap", 10, date(2024, 5, 1)), False),
    ],
)
def test_half_a_year_within_one_job_is_told(drawing, second, told):
    first = survey(drawing, [], "test_lap", 20, date(2020, 5, 1))
    problems = compare([first, survey(drawing, [], *second)], drawing).problems
    said = [p for p in problems if p.startswith("the survey after the test lap on 2020-05-01 and ")]
    assert len(said) == told
    assert not told or said[0].endswith("or with the intake of the new job between them.")


def test_compare_cut_of_the_next_job_opens_and_clears(drawing):
    first = survey(drawing, [(PIT, 10, 10, 2.0)], "final", 60, date(2020, 1, 1))
    again = survey(drawing, [(PIT, 30, 10, 2.0)], "final", 30, date(2024, 1, 1))
    f = pits(compare([first, again], drawing))
    assert f["fate"].tolist() == ["gone", "opened_up"]
    assert not (f["flags"] & int(Flag.CONTRADICTION)).any()


def test_repeatability_from_repeats_needs_pairs_with_marks(drawing):
    pairs = []
    for grow in (0.06, -0.06, 0.06, -0.06):
        spots = [
            [(PIT, x, y, 1.6 + d) for x in range(5, 58, 6) for y in (8, 20, 32)] for d in (0.0, 2 * grow)
        ]
        pairs.append(compare([survey(drawing, s, "lap_1", 10) for s in spots], drawing).overall)
    r = Repeatability.from_repeats(pairs)
    # Every edge moves by 0.06 mm: half a pixel, so the raster may show it a quarter off.
    assert r.common_edge_mm == pytest.approx(0.06 * (4 / 3.357) ** 0.5, rel=0.3)
    assert r.own_edge_mm < 0.03 and r.coming_and_going == 0.0
    assert r.source == "4 pairs of repeat photos"
    with pytest.raises(NotEnoughData, match="2 usable pairs"):
        Repeatability.from_repeats(pairs[:2])


def test_repeatability_of_patches_adds_to_what_a_zone_must_change_by(drawing):
    surveys = [
        survey(drawing, [(STAIN, 20, 20, 8.0)]),
        survey(drawing, [(STAIN, 20, 20, 8.4)], "test_lap", 1),
    ]
    quiet = Repeatability(relative_sd={}, blank_sd={})
    loud = Repeatability(relative_sd={"stain": 0.3}, blank_sd={"stain": 0.01})
    least = []
    for r in (quiet, loud):
        z = compare(surveys, drawing, repeatability=r).overall.zone_changes.set_index(["zone", "class_word"])
        least.append(z.loc[("running_surface", "stain"), "least_provable"])
    share = 0.5 * (16 + 4.2**2) * math.pi / 1600
    patch = math.hypot(0.3 * share, 0.01)
    assert math.sqrt(least[1] ** 2 - least[0] ** 2) == pytest.approx(2.5758 * patch, rel=0.03)


def test_difference_interval_published_example():
    # Newcombe, Statistics in Medicine 17 (1998) 873-890, table II, 56/70 against 48/80, method 10 (from memory):
    # difference 0.2, 95 % interval 0.0524 to 0.3339, from the score intervals of the two shares.
    from statsmodels.stats.proportion import proportion_confint

    first = (48 / 80, *proportion_confint(48, 80, method="wilson"))
    second = (56 / 70, *proportion_confint(56, 70, method="wilson"))
    assert difference_interval(first, second) == pytest.approx((0.0524, 0.3339), abs=1e-4)


def test_zone_change_is_at_least_as_wide_as_the_surveys_own_intervals_say(drawing):
    a, b = survey(drawing, [(PIT, 20, 20, 8.0)]), survey(drawing, [(PIT, 20, 20, 4.0)], "lap_1", 20)
    for s, low, high in ((a, 0.02, 0.05), (b, 0.005, 0.03)):
        at = s.measurement.zones
        at.loc[
            (at["zone"] == "running_surface") & (at["class_word"] == "pit"), ["share_low", "share_high"]
        ] = low, high
    z = compare([a, b], drawing).overall.zone_changes.set_index(["zone", "class_word"])
    row = z.loc[("running_surface", "pit")]
    before, after = row["share_before"], row["share_after"]
    assert row["change_low"] == pytest.approx(
        row["change"] - math.hypot(after - 0.005, 0.05 - before), abs=1e-4
    )
    assert row["change_high"] == pytest.approx(
        row["change"] + math.hypot(0.03 - after, before - 0.02), abs=1e-4
    )


@pytest.mark.parametrize("level", [0.5, 0.99])
def test_zone_change_reads_the_surveys_intervals_at_their_own_level(drawing, level):
    """A 50 % interval is 0.6745 standard deviations to either side, one of 99 % 2.5758, the comparison's 1.6449."""
    a, b = survey(drawing, [(PIT, 20, 20, 8.0)]), survey(drawing, [(PIT, 20, 20, 4.0)], "lap_1", 20)
    half = {0.5: 0.67449, 0.99: 2.57583}[level] / 1.64485
    for s in (a, b):
        at = s.measurement.zones
        of = (at["zone"] == "running_surface") & (at["class_word"] == "pit")
        value = at.loc[of, "share"]
        at.loc[of, "share_low"], at.loc[of, "share_high"] = value - 0.004 * half, value + 0.03 * half
        s.measurement.sound_width_mm = Estimate(value=4.0, low=3.5, high=4.5, level=level)
    z = compare([a, b], drawing).overall.zone_changes.set_index(["zone", "class_word"])
    row = z.loc[("running_surface", "pit")]
    ends = row[["change_low", "change_high"]].astype(float) - row["change"]
    assert ends.tolist() == pytest.approx([-math.hypot(0.004, 0.03), math.hypot(0.03, 0.004)], abs=1e-4)


def test_zone_change_without_intervals_of_the_surveys_rests_on_repeatability(drawing):
    a, b = survey(drawing, [(PIT, 20, 20, 8.0)]), survey(drawing, [(PIT, 20, 20, 4.0)], "lap_1", 20)
    for s in (a, b):
        s.measurement.zones[["share_low", "share_high"]] = math.nan
    z = compare([a, b], drawing).overall.zone_changes.set_index(["zone", "class_word"])
    row = z.loc[("running_surface", "pit")]
    half = row["least_provable"] * 1.6449 / 2.5758
    assert row["change_high"] - row["change_low"] == pytest.approx(2 * half, rel=1e-3)


def test_counts_name_every_fate(drawing):
    c = compare([survey(drawing, []), survey(drawing, [], "lap_1", 20)], drawing)
    assert set(c.overall.counts()) == {str(f) for f in Fate}


def test_proof_of_change_tells_that_and_how_much():
    assert proof_of_change(False, -0.2, 0.1) == "no"
    assert proof_of_change(True, -0.2, 0.1) == "amount uncertain"
    assert proof_of_change(True, -0.3, -0.1) == "yes"


@pytest.mark.parametrize("px_per_mm", [8.0, 10.0])
def test_zones_are_as_large_as_they_are_drawn(px_per_mm: float):
    """The map and the comparison state one area for a zone: that of the drawing."""
    drawing = load_shipped("heron40_end")
    zones = Zones.of(drawing, drawing.grid(px_per_mm))
    measured = make_frame(drawing, zones.grid)
    for value, name in enumerate(drawing.zone_names, 1):
        area_mm2 = (zones.codes == value).sum() * zones.grid.pixel_area_mm2
        # by centres a border of some 1,500 mm is off by a pixel's share at random, not by half a pixel all along
        assert area_mm2 == pytest.approx(drawing.zones[name].area, rel=1e-3)
        assert measured.zone_px[value] == (zones.codes == value).sum()
