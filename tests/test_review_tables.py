"""What the tables and sentences of the page say, word for word."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pandas as pd
import pytest

from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.report.page_compare import zone_changes_view
from pitmap.review.corrections import _typed_corners
from pitmap.review.tables import (
    MARKS_NOTE,
    RATINGS_NOTE,
    lands_view,
    leak_words,
    low_end_words,
    marks_view,
    ratings_view,
    regions_view,
    steps_view,
    zones_view,
)
from pitmap.units import format_estimate


def lands(**columns: list) -> pd.DataFrame:
    """Two narrow places of a land 8 mm wide."""
    return pd.DataFrame({
        "place": [1, 2], "x_mm": [12.34, -95.5], "y_mm": [-4.0, 10.0], "sound_width_mm": [0.0, 5.43219],
        "sound_width_low_mm": [0.0, 5.1], "sound_width_high_mm": [0.24, 5.6], "nominal_width_mm": [8.0, 8.0],
        "is_leak_path": [True, False], "flags": [0, 0],
    } | columns)  # fmt: skip


def test_leak_path_is_said_in_words() -> None:
    said = (
        "Leak path at x 12.3, y -4.0 mm: damage crosses the seal land from edge to edge; see the white line."
    )
    assert leak_words(lands(), "mm") == said
    assert leak_words(lands(is_leak_path=[True, True]), "mm") == f"{said} So does it at x -95.5, y 10.0 mm."
    assert leak_words(lands(is_leak_path=[False, False]), "mm") == ""


def test_places_are_said_in_the_chosen_units() -> None:
    """On a page set to inch the low end was 0.002 in, and its place in mm. 12.7 mm are half an inch."""
    seen = lands(
        x_mm=[12.7, -25.4], y_mm=[-2.54, 10.16], sound_width_low_mm=[0.4, 0.06], is_leak_path=[True, False]
    )
    assert leak_words(seen, "inch").startswith("Leak path at x 0.500, y -0.100 in: ")
    width = Estimate(value=3.0, low=0.06, high=3.4)
    assert "at x -1.000, y 0.400 in, not of" in low_end_words(seen, width, "inch")
    shown = lands_view(seen, "inch")
    assert shown["x in"].tolist() == [0.5, -1.0] and shown["y in"].tolist() == [-0.1, 0.4]
    assert not [name for name in shown if "mm" in name.split()]


def test_a_low_end_of_another_place_names_that_place() -> None:
    """The headline said 3.0 mm (0.1 to 3.4) of the white line; the 0.1 was of a place on the other side."""
    seen = lands(
        sound_width_mm=[3.0, 6.0],
        sound_width_low_mm=[2.6, 0.06],
        sound_width_high_mm=[3.4, 6.0],
        is_leak_path=[False] * 2,
    )
    width = Estimate(value=3.0, low=0.06, high=3.4)
    assert low_end_words(seen, width, "mm") == (
        "The low end, 0.1 mm, is of place 2, at x -95.5, y 10.0 mm, not of the white line: look there too."
    )
    assert low_end_words(seen, width, "inch").startswith("The low end, 0.002 in, is of place 2,")
    assert low_end_words(seen, replace(width, low=0.03), "mm").endswith(
        "is of place 2, at x -95.5, y 10.0 mm, not of the white line: look there too."
    )
    assert low_end_words(seen.head(1), width, "mm") == (
        "The low end, 0.1 mm, is of another place than the white line."
    )
    assert low_end_words(seen, replace(width, low=2.6), "mm") == ""
    assert low_end_words(seen.head(0), Estimate.unknown("no land"), "mm") == ""


@pytest.mark.parametrize("units", ["mm", "inch"])
@pytest.mark.parametrize("low", [0.06, 1.9, 2.34])
def test_a_low_end_has_the_digits_of_the_caption_above_it(low: float, units: str) -> None:
    """The caption said 3.0 mm (0.1 to 3.4), and the sentence under it 0.06 mm."""
    seen = lands(sound_width_mm=[3.0, 6.0], sound_width_low_mm=[2.6, low], is_leak_path=[False] * 2)
    width = Estimate(value=3.0, low=low, high=3.4)
    shown = format_estimate(width, "length", units).split("(")[1].split(" to ")[0]
    assert f"The low end, {shown} " in low_end_words(seen, width, units)


def test_narrow_places_are_worded_in_the_chosen_units() -> None:
    assert lands_view(lands(), "mm").to_dict("list") == {
        "place": [1, 2],
        "sound metal": ["0.00 mm (0.00 to 0.24)", "5.43 mm (5.10 to 5.60)"],
        "width by the drawing": ["8.00 mm", "8.00 mm"],
        "leak path": ["yes", "no"],
        "x mm": [12.3, -95.5],
        "y mm": [-4.0, 10.0],
        "mind": ["", ""],
    }
    assert lands_view(lands(), "inch")["width by the drawing"].tolist() == ["0.315 in", "0.315 in"]


def test_marks_have_the_interval_of_their_area_in_the_chosen_units() -> None:
    inf = float("inf")
    marks = pd.DataFrame({
        "mark_id": [1, 2], "class_word": ["pit", "pit"], "zone": ["seal_land", "rim"], "area_mm2": [3.1416, 3.1416],
        "area_low_mm2": [0.7854, 0.7854], "area_high_mm2": [7.0686, inf], "eq_diam_mm": [2.0, 2.0],
        "length_mm": [2.54, 2.54], "width_mm": [1.27, 1.27], "dist_trace_mm": [1.0, float("nan")],
        "dist_coolant_mm": [2.0, float("nan")], "x_mm": [1.0, 2.0], "y_mm": [3.0, 4.0], "flags": [0, 0],
    })  # fmt: skip
    view = marks_view(marks, "mm")
    # discs of 2, 1 and 3 mm; the second mark runs into metal not seen
    assert view["area"].tolist() == ["3.1 mm2 (0.8 to 7.1)", "3.1 mm2 (0.8 to no upper bound)"]
    assert view["across"].tolist() == ["2.0 mm (1.0 to 3.0)", "2.0 mm (1.0 to no upper bound)"]
    inch = marks_view(marks, "inch")
    assert inch["area"].iat[0] == "0.0049 in2 (0.0012 to 0.0110)"
    assert inch["across"].iat[0] == "0.079 in (0.039 to 0.118)"
    # these have none, and the note says why
    assert view[["long", "wide"]].iloc[0].tolist() == ["2.54 mm", "1.27 mm"]
    assert "Long and wide" in MARKS_NOTE and "have none: trials" in MARKS_NOTE


def test_ratings_are_worded_and_rounded() -> None:
    ratings = pd.DataFrame({
        "zone": ["running_surface", "seal_land"], "system": ["ISO 10289", "ASTM G46 A"], "class_word": ["affected", "pit"],
        "input_value": [33.52341, 123.4567], "input_unit": ["% of seen area", "pits per m2"], "rating": ["2", "A-1"],
        "rating_low": ["2", ""], "rating_high": ["1", ""], "source": ["there", "elsewhere"],
    })  # fmt: skip
    zones = pd.DataFrame({"zone": ["running_surface", "seal_land"], "unseen_share": [0.0, 0.95]})
    assert ratings_view(ratings, zones).to_dict("list") == {
        "zone": ["running surface", "seal land"],
        "rated by": ["ISO 10289", "ASTM G46 A"],
        "what": ["affected", "pit"],
        "figure": ["33.52 % of seen area", "123.46 pits per m2"],
        "rating": ["2 (2 to 1)", "A-1"],
        "zone not seen": ["0.0 %", "95.0 %"],
        "where it is published": ["there", "elsewhere"],
    }


def test_ratings_without_an_interval_say_why() -> None:
    assert "(ASTM G46) have none, for" in RATINGS_NOTE


def test_what_cannot_be_told_of_a_zone_is_said() -> None:
    nan = float("nan")
    zones = pd.DataFrame({
        "zone": ["seal_land", "seal_land"], "class_word": ["pit", "uncut"], "share": [0.07, nan], "share_low": [0.06, nan],
        "share_high": [0.08, nan], "unseen_share": [0.0, 0.0], "n_marks": [3, 0], "area_mm2": [233.04, nan],
        "largest_mm2": [12.345, nan],
    })  # fmt: skip
    rows = zones_view(zones, "mm")[["marks", "area", "largest"]].to_numpy().tolist()
    assert rows == [["3", "233.0 mm2", "12.35 mm2"], ["cannot be told"] * 3]
    # 1 in2 = 645.16 mm2
    rows = zones_view(zones, "inch")[["marks", "area", "largest"]].to_numpy().tolist()
    assert rows == [["3", "0.3612 in2", "0.01913 in2"], ["cannot be told"] * 3]


def test_decimal_commas_of_typed_corners_are_read() -> None:
    assert _typed_corners("10,5 60; 20 60; 20 -70,25;") == [[10.5, 60.0], [20.0, 60.0], [20.0, -70.25]]
    assert _typed_corners("10.5 60, 20 60, 20 -70.25") == [[10.5, 60.0], [20.0, 60.0], [20.0, -70.25]]


def test_typed_corners_are_of_the_pages_unit() -> None:
    """With inch chosen the corners were asked for in mm, beside places in inch. 0.5 in are 12.7 mm, 2 in are 50.8 mm."""
    typed = _typed_corners("0.5 2, 1 2, 1 -0.5", "in")
    assert typed == [pytest.approx(xy) for xy in ([12.7, 50.8], [25.4, 50.8], [25.4, -12.7])]
    with pytest.raises(InputError, match=r"corner 2: expected two numbers, x and y in inches, got '1'"):
        _typed_corners("0.5 2, 1, 1 2", "in")


def test_steps_are_worded_in_the_chosen_units() -> None:
    steps = pd.DataFrame({
        "zone": ["running_surface", "seal_land"], "from_um": [0.0, 0.0], "to_um": [10.0, 25.4],
        "pits_cleared": [17.643, 2.0], "pits_left": [3.2, float("nan")],
        "p_clean_before": [0.0, 0.25], "p_clean_after": [0.126, 1.0],
        "sound_width_gain_mm": [float("nan"), 0.254],
    })  # fmt: skip
    assert steps_view(steps, "inch").to_dict("list") == {
        "zone": ["running surface", "seal land"],
        "from": ["0.0 thou", "0.0 thou"],
        "to": ["0.4 thou", "1.0 thou"],
        "pits that it clears": ["17.6", "2.0"],
        "pits left": ["3.2", "cannot be told"],
        "chance that none is left": ["0 % before, 13 % after", "25 % before, 100 % after"],
        "sound width gained": ["", "0.010 in"],
    }


def test_places_of_an_alignment_are_worded_in_the_chosen_units() -> None:
    regions = pd.DataFrame({
        "region": ["outline_3", "bore"], "x_mm": [12.34, 0.0], "y_mm": [-4.0, 1.0], "in_frame_share": [1.0, 0.0],
        "met_share": [0.956, float("nan")], "residual_mm": [0.083, float("nan")],
        "residual_mean_mm": [-0.021, float("nan")],
    })  # fmt: skip
    assert regions_view(regions, "mm").to_dict("list") == {
        "place": ["outline 3", "bore"],
        "x mm": [12.3, 0.0],
        "y mm": [-4.0, 1.0],
        "in the photo": ["100 %", "0 %"],
        "edge found in its place": ["96 %", "cannot be told"],
        "distance from the drawing": ["0.08 mm", "not known"],
        "of it, outwards": ["-0.02 mm", "not known"],
    }


def test_a_change_whose_interval_holds_0_is_no_plain_yes() -> None:
    """The page said "yes" where the record of the same comparison said "yes, amount uncertain"."""
    rows = [
        (0.02, 0.01, 0.03, True),
        (0.02, -0.01, 0.05, True),
        (0.001, -0.01, 0.01, False),
        (nan, nan, nan, False),
    ]
    changes = pd.DataFrame(
        [
            {"zone": "seal_land", "class_word": "pit", "change": change, "change_low": low, "change_high": high,
             "is_beyond_repeatability": beyond, "note": ""}
            for change, low, high, beyond in rows
        ]
    )  # fmt: skip
    shown = zone_changes_view(changes)["larger than the photos' own spread"].tolist()
    assert shown == ["yes", "yes, amount uncertain", "no: within repeatability", ""]
