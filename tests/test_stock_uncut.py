"""What metal that a lap did not reach, film and stain ask of the plan."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stock_fakes import STAIN, TINT, UNCUT, lapped_series, limit_sheet, plan_of, surveyed, zones_unseen

from pitmap.stock.condition import zone_condition
from pitmap.stock.uncut import needed_for_uncut, uncut_curve


def test_uncut_share_is_drawn_from_its_interval_at_its_own_level():
    """Logits of 0.3 +- 0.6745 at 50 %: the share itself must scatter by 1 in the logit, not by 0.41."""
    centre = math.log(0.3 / 0.7)
    low, high = (1 / (1 + math.exp(-(centre + side * 0.67449))) for side in (-1, 1))
    zones = zones_unseen(0.0).assign(share=0.3, share_low=low, share_high=high)
    survey = replace(surveyed("test_lap", 20, pits=[], sd=0.0), zones=zones, level=0.5)
    curve = uncut_curve("seal_land", [survey], 0.5, rng=np.random.default_rng(3))
    assert curve[["value_low", "value_high"]].iloc[0].tolist() == pytest.approx([low, high], abs=0.03)


@settings(max_examples=6, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([STAIN, TINT]), st.sampled_from(["seal_land", "running_surface"])),
        max_size=6,
    )
)
def test_discoloration_never_asks_for_stock(others):
    assert plan_of([surveyed("intake", 0, pits=[], others=others)]).verdict.stock_um == 0.0
    assert plan_of([surveyed("test_lap", 10, pits=[], others=others)]).verdict.stock_um == 0.0


def test_plan_uncut_metal_without_a_limit_is_not_a_pass():
    surveys = [
        surveyed("intake", 0, pits=[]),
        surveyed("test_lap", 10, pits=[], others=[(UNCUT, "seal_land")], share=0.4),
    ]
    plan = plan_of(surveys)
    assert plan.verdict.outcome == "not enough readings"
    assert "uncut share" in plan.verdict.headline
    with_pits = lapped_series(others=[(UNCUT, "seal_land")])
    plan = plan_of(with_pits)
    assert plan.verdict.outcome == "lap"
    assert any("Uncut metal is not in this figure" in r for r in plan.verdict.reasons)


@pytest.mark.parametrize(("percent", "is_damage"), [(3.0, True), (4.5, True), (4.9, False)])
def test_uncut_metal_is_allowed_only_where_its_interval_ends_under_the_share(percent, is_damage):
    """4 % (3.2 to 4.8) of the land: a sheet that allows 4.5 % is not surely kept."""
    survey = surveyed("test_lap", 10, pits=[], others=[(UNCUT, "seal_land")], share=0.04)
    assert zone_condition(survey, limit_sheet(uncut_share_max=percent))["has_damage"] is is_damage


def test_two_lapped_surveys_settle_how_uncut_metal_goes():
    """Half uncut at 10 um and a fifth at 20: shape ln(ln 0.2 / ln 0.5) / ln 2 = 1.2153.

    0.05 is reached at 20 (ln 0.05 / ln 0.2)^(1 / 1.2153) = 33.34 um, 13.34 more.
    """

    def lapped(stage, removed, share):
        survey = surveyed(stage, removed, pits=[], share=share, sd=0.0)
        sure = {"share_low": share - 1e-4, "share_high": share + 1e-4}
        return replace(survey, zones=survey.zones.assign(**sure))

    surveys = [lapped("test_lap", 10, 0.5), lapped("lap_1", 20, 0.2)]
    need = needed_for_uncut("seal_land", surveys, 0.05, 0.9, 0.9, rng=np.random.default_rng(1)).needed
    assert need.stock_um.value == pytest.approx(13.34, abs=0.05)
    assert need.stock_um.high - need.stock_um.low < 0.2


def test_plan_film_that_a_lap_left_asks_for_no_stock_but_is_told():
    """It says that the metal under it was not cut; flat, sound metal of any colour is left alone all the same."""
    said = "Metal that still shows heat colour after a lap was not cut"
    film = [(TINT, "seal_land")]
    plan = plan_of([surveyed("test_lap", 10, pits=[], others=film)])
    assert (plan.verdict.outcome, plan.verdict.stock_um) == ("polish only", 0.0)
    assert any(r.startswith(said) and "straightedge" in r for r in plan.verdict.reasons)
    # at intake nothing was cut yet
    assert not any(said in r for r in plan_of([surveyed("intake", 0, pits=[], others=film)]).verdict.reasons)


def test_plan_uncut_share():
    surveys = [
        surveyed("intake", 0, pits=[]),
        surveyed("test_lap", 10, pits=[], others=[(UNCUT, "seal_land")], share=0.4),
    ]
    rng = np.random.default_rng(1)
    curve = uncut_curve("seal_land", surveys, 0.9, rng=rng, share_max=0.05)
    assert curve["value"].iat[0] == pytest.approx(0.4, abs=0.01)
    assert (np.diff(curve["value"]) < 0).all()
    # exp(-(s/scale)^1.2) through 0.4 at 10 um reaches 0.05 at 26.9 um: 16.9 more.
    need = needed_for_uncut("seal_land", surveys, 0.05, 0.9, 0.9, rng=rng)
    assert need.needed.stock_um.value == pytest.approx(16.9, abs=1.5)
    assert need.needed.stock_um.low < 16.9 < need.needed.recommended_um
    assert needed_for_uncut("seal_land", surveys, math.nan, 0.9, 0.9, rng=rng) is None
    unknown = needed_for_uncut("seal_land", surveys[:1], 0.05, 0.9, 0.9, rng=rng)
    assert "take a test lap" in unknown.needed.stock_um.reason
    plan = plan_of(surveys, limit_sheet(uncut_share_max=5))
    assert plan.verdict.outcome == "lap"


def test_a_lap_that_touched_little_does_not_say_how_low_the_rest_lies():
    """A dished face 60 um deep, of which 15 um have reached the rim: 43 um more leave 3 % uncut, not over a millimetre."""
    first = surveyed("test_lap", 15, pits=[], others=[(UNCUT, "seal_land")], share=0.95)
    touched = replace(first, zones=first.zones.assign(share_low=0.94, share_high=0.96))
    need = needed_for_uncut("seal_land", [touched], 0.03, 0.9, 0.9, rng=np.random.default_rng(1)).needed
    assert math.isnan(need.recommended_um)
    assert need.stock_um.reason.startswith(
        "the lap has reached too little of the zone to say how low the rest lies"
    )
    plan = plan_of([surveyed("intake", 0, pits=[]), touched], limit_sheet(uncut_share_max=3), system="inch")
    assert plan.verdict.outcome == "not enough readings"
    assert any("thou more; lap a further step" in r for r in plan.verdict.reasons)


def test_uncut_metal_of_a_zone_that_the_last_survey_does_not_show_is_not_counted_from_the_one_before():
    """After 40 um more, of a hidden zone the 11 um were asked for that it needed before them."""
    seen = replace(surveyed("test_lap", 20, pits=[]), zones=zones_unseen(0.0).assign(
        share=0.1, share_low=0.08, share_high=0.12))  # fmt: skip
    hidden = replace(surveyed("lap_1", 60, pits=[]), zones=zones_unseen([1.0, 0.0]).assign(
        share=[math.nan, 0.0], share_low=[math.nan, 0.0], share_high=[math.nan, 0.0]))  # fmt: skip
    plan = plan_of([seen, hidden], limit_sheet(uncut_share_max=2))
    needs = {n.zone: n.stock_um for n in plan.needed if n.aim == "uncut"}
    assert needs["seal_land"].reason == "the last survey shows nothing of the zone: photograph it again"
    assert needs["running_surface"].value == 0.0
    assert set(plan.curves.loc[plan.curves["aim"] == "uncut", "zone"]) == {"running_surface"}
