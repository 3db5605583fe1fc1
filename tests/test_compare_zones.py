"""The change of every zone between two surveys, and when it is proven."""

import math

import numpy as np
import pytest
from compare_strips import PIT, STAIN, UNCUT, UNSEEN, strip, survey

from pitmap.compare import (
    ChangeCode,
    Repeatability,
    compare,
    proof_of_change,
)
from pitmap.compare.difference import difference_interval
from pitmap.compare.zones import Zones, _misplaced_mm, pair_key
from pitmap.drawing import load_shipped
from pitmap.errors import NotEnoughData
from pitmap.estimate import Estimate
from pitmap.measure import make_frame


@pytest.fixture
def drawing():
    return strip()


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


def test_compare_zone_change_is_proven_only_beyond_what_is_called_provable(drawing):
    """A pit of 4 mm that grows: what lies beyond the interval's level of 90 % alone is no proof, which asks for 99 %."""
    told = []
    for diam in (4.5, 5.0, 5.5, 6.0, 6.5, 7.0):
        grown = survey(drawing, [(PIT, 20, 20, diam)], "lap_1", 20)
        z = compare([survey(drawing, [(PIT, 20, 20, 4.0)]), grown], drawing).overall.zone_changes
        row = z.set_index(["zone", "class_word"]).loc[("running_surface", "pit")]
        told.append((row["change"] / row["least_provable"], bool(row["is_beyond_repeatability"])))
    # 1.645 standard deviations are 0.64 of 2.576 of them
    assert any(0.64 < part < 1 for part, _ in told) and any(part > 1 for part, _ in told)
    assert [is_proven for _, is_proven in told] == [part > 1 for part, _ in told]


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


def test_what_a_zone_gains_when_it_lies_a_millimetre_off_is_the_change_along_its_border(drawing):
    """Pits that came on both sides of 20 mm of the border at x = 40: a millimetre of shift moves 20 mm2 of them over it.

    What one survey does not show there is no change.
    """
    grid = drawing.grid(8.0)
    zones = Zones.of(drawing, grid)
    sound = drawing.mask(grid).astype(np.uint8)
    x, y = grid.centres_mm()
    came = (np.abs(x[None, :] - 40) < 3) & (np.abs(y[:, None] - 20) < 10)
    for area, before in ((20.0, sound), (0.0, np.where(came, UNSEEN, sound).astype(np.uint8))):
        key = pair_key(before, np.where(came, PIT, sound).astype(np.uint8), zones.codes)
        for border in zones.borders:
            assert _misplaced_mm(key, border, [PIT], grid) == pytest.approx(area)


def test_change_along_a_border_must_be_larger_where_the_drawing_lies_less_surely(drawing):
    """A pit of 8 mm that came across the border: a millimetre of misplacement gains 8 mm2, an error of e mm e/sqrt(2) of it.

    The rest of what a zone must change by is the same for both errors, so the variances differ by (0.16 - 0.04)/2 x 64 mm4.
    """
    surveys = [survey(drawing, []), survey(drawing, [(PIT, 40, 20, 8.0)], "lap_1", 20)]
    pit = [
        compare(surveys, drawing, alignment_error_mm=e)
        .overall.zone_changes.set_index(["zone", "class_word"])
        .loc[("running_surface", "pit")]
        for e in (0.2, 0.4)
    ]
    z99 = 2.575829
    variance = [(row["least_provable"] * row["seen_area_mm2"] / z99) ** 2 for row in pit]
    assert variance[1] - variance[0] == pytest.approx(3.84, rel=0.05)
