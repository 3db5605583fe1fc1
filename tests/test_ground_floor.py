"""The ground floor: estimates, units, tables, grid, stages; literal answers."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

import pitmap
from pitmap import errors
from pitmap.classes import Stage
from pitmap.csv_rows import read_rows
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.flags import FLAG_TEXT, Flag, flag_words
from pitmap.grid import Grid
from pitmap.settings import Settings
from pitmap.tables import Column, Schema
from pitmap.units import (
    format_area,
    format_confidence,
    format_depth,
    format_estimate,
    format_length,
    format_place,
    in_both,
    in_digits,
    parse_length,
)


@pytest.mark.parametrize(
    ("text", "um"),
    [
        ("3 thou", 76.2),
        ("0.003 in", 76.2),
        ("76 um", 76.0),
        ("0,08 mm", 80.0),
        ("2 tenths", 5.08),
        ('.5"', 12700.0),
        ("0,003 in", 76.2),
        ("36,02 mm", 36020.0),
        ("1,0000 um", 1.0),
    ],
)
def test_parse_length_literal(text: str, um: float) -> None:
    # 1 in = 25.4 mm exactly: international inch, NIST SP 811 (UNC-3).
    assert parse_length(text, to="um") == pytest.approx(um, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "thou",
        "3",
        "3 kg",
        "3 parsecs!",
        "nan um",
        "1e999 um",
        "__import__('os')",
        "3 s",
        "3'",
        "3''",
        '3 in"',
        "1,000,000 um",
    ],
)
def test_parse_length_refuses(text: str) -> None:
    with pytest.raises(InputError, match="length"):
        parse_length(text, to="um")


@pytest.mark.parametrize(
    ("text", "ways"),
    [("1,000 um", "1000 or 1.000"), ("-36,020 mm", "-36020 or -36.020"), ("1,000e3 um", "1000e3 or 1.000e3")],
)
def test_parse_length_refuses_a_comma_that_can_be_read_both_ways(text: str, ways: str) -> None:
    with pytest.raises(InputError, match=f"both ways; write {ways}$"):
        parse_length(text, to="um")


def test_parse_length_bare_number_takes_the_default_unit() -> None:
    assert parse_length(2, to="um", default_unit="thou") == pytest.approx(50.8)


@pytest.mark.parametrize("unit", ["'", "(", "mm**2", "lambda"])
def test_parse_length_refuses_a_default_unit_that_is_none(unit: str) -> None:
    with pytest.raises(InputError, match="is not a length unit; use um"):
        parse_length("3", to="um", default_unit=unit)


def test_format_shows_no_more_digits_than_the_interval() -> None:
    # Two significant digits of the half width at most: JCGM 100:2008, 7.2.6 (clause from memory).
    assert format_estimate(Estimate(value=41.237, low=30.1, high=52.9), "depth") == "41 um (30 to 53)"
    assert (
        format_estimate(Estimate(value=0.12345, low=0.1201, high=0.1270), "share")
        == "12.35 % (12.01 to 12.70)"
    )
    # 0.5 mm2 are 0.000775 in2, and 0.4 and 0.6 of them 0.00062 and 0.00093
    spot = Estimate(value=0.5, low=0.4, high=0.6)
    assert format_estimate(spot, "area") == "0.50 mm2 (0.40 to 0.60)"
    assert format_estimate(spot, "area", "inch") == "0.00078 in2 (0.00062 to 0.00093)"
    assert format_estimate(Estimate.unknown("needle broke"), "depth") == "not known (needle broke)"
    assert format_estimate(Estimate(value=12.043, low=12.043, high=12.043), "length") == (
        "12.043 mm (12.043 to 12.043)"
    )


def test_large_figures_are_written_out() -> None:
    """An area was shown as 2.55e+03 mm2."""
    alone = Estimate(value=2547.0, low=math.nan, high=math.nan, reason="read once")
    assert format_estimate(alone, "area") == "2550 mm2 (no interval: read once)"
    assert in_both(254000.0, "um") == "254000 um = 10000 thou"
    assert in_digits(25512.0, 4) == "25510"
    assert in_digits(0.0000123) == "0.0000123"


def test_an_estimate_without_one_bound_keeps_the_digits_of_the_other() -> None:
    """A pit of 0.8 mm that runs into metal not seen was shown as 1 mm, one of 0.4 mm as 0 mm."""
    pit = Estimate(value=0.798, low=0.714, high=math.inf)
    assert format_estimate(pit, "length") == "0.798 mm (0.714 to no upper bound)"
    assert format_estimate(pit, "length", "inch") == "0.0314 in (0.0281 to no upper bound)"
    small = Estimate(value=0.437, low=0.357, high=math.inf)
    assert format_estimate(small, "length") == "0.437 mm (0.357 to no upper bound)"
    deep = Estimate(value=33.4, low=33.4, high=math.inf)
    assert format_estimate(deep, "depth") == "33.4 um (33.4 to no upper bound)"
    flat = Estimate(value=12.0, low=-math.inf, high=20.0)
    assert format_estimate(flat, "depth") == "12.0 um (no lower bound to 20.0)"


def test_confidence_is_never_rounded_to_certainty() -> None:
    shown = {0.9: "90 %", 0.95: "95 %", 0.995: "99.5 %", 0.999: "99.9 %", 0.5: "50 %"}
    assert {c: format_confidence(c) for c in shown} == shown


def test_nothing_is_shown_as_minus_nought() -> None:
    assert format_depth(-0.3) == "0 um"
    assert format_depth(-0.3, "inch") == "0.0 thou"
    assert format_length(-0.001) == "0.00 mm"
    assert format_estimate(Estimate(value=-0.04, low=-3.0, high=3.0), "depth") == "0.0 um (-3.0 to 3.0)"
    assert format_depth(math.inf) == "no bound"


def test_inch_lengths_and_areas_are_of_the_international_inch() -> None:
    # 1 in = 25.4 mm, so 1 thou = 25.4 um and 1 in2 = 645.16 mm2; an inch of 25 mm or of 26 shows in each
    assert format_depth(25.4, "inch") == "1.0 thou"
    assert format_depth(2540.0, "inch") == "100.0 thou"
    assert format_length(25.4, "inch") == "1.000 in"
    assert format_area(645.16, "inch") == "1.0000 in2"
    assert format_area(645.16) == "645.2 mm2"
    assert format_estimate(Estimate(value=2540.0, low=2286.0, high=2794.0), "depth", "inch") == (
        "100 thou (90 to 110)"
    )


def test_a_place_is_said_in_one_way() -> None:
    """Command line and record wrote "12.34 mm, -4.00 mm", page "x 12.3, y -4.0 mm", plan "x 12.34 mm, y -4.00 mm"."""
    assert format_place(12.34, -4.0) == "x 12.3, y -4.0 mm"
    assert format_place(12.7, -2.54, "inch") == "x 0.500, y -0.100 in"
    assert format_place(-0.04, 0.0) == "x 0.0, y 0.0 mm"  # no place lies at minus nought


def test_estimate_needs_a_reason_without_an_interval() -> None:
    with pytest.raises(InputError, match="reason"):
        Estimate(value=1.0, low=math.nan, high=math.nan)
    with pytest.raises(InputError, match="low <= value <= high"):
        Estimate(value=5.0, low=1.0, high=2.0)
    assert Estimate(value=5.0, low=4.0, high=math.inf).covers(1e9)
    assert not Estimate.unknown("no readings").covers(0)


def test_estimate_from_a_standard_deviation() -> None:
    # z(0.95) = 1.644854, z(0.975) = 1.959964
    normal = Estimate.from_sd(10.0, 2.0)
    assert (normal.value, normal.low, normal.high) == pytest.approx((10.0, 6.710293, 13.289707), abs=1e-6)
    assert Estimate.from_sd(10.0, 2.0, level=0.95).low == pytest.approx(6.080072, abs=1e-6)
    assert Estimate.from_sd(2.0, 2.0, low=0.0).low == 0.0
    # what is measured below the least that can be stays its own low end
    assert Estimate.from_sd(-1.0, 2.0, low=0.0).low == -1.0
    exact = Estimate.from_sd(3.0, 0.0)
    assert (exact.low, exact.high) == (3.0, 3.0)
    for sd in (-0.1, math.nan, math.inf):
        with pytest.raises(InputError, match="standard deviation of 0 or more"):
            Estimate.from_sd(1.0, sd)


def test_estimate_of_a_size_with_its_doubt() -> None:
    for value, half, low, high in ((5.0, 2.0, 3.0, 7.0), (1.0, 2.0, 0.0, 3.0)):
        size = Estimate.give_or_take(value, half)
        assert (size.value, size.low, size.high) == (value, low, high)


def test_estimate_covers_its_ends_and_nothing_without_both_of_them() -> None:
    size = Estimate(value=5.0, low=4.0, high=6.0)
    assert [size.covers(x) for x in (3.999, 4.0, 6.0, 6.001)] == [False, True, True, False]
    half = Estimate(value=5.0, low=4.0, high=math.nan, reason="the needle did not reach the floor")
    assert not half.has_interval and not half.covers(5.0)
    with pytest.raises(InputError, match="reason"):
        Estimate(value=5.0, low=4.0, high=math.nan)
    for level in (0.0, 1.0, math.nan):
        with pytest.raises(InputError, match="between 0 and 1"):
            Estimate(value=5.0, low=4.0, high=6.0, level=level)


def test_grid_pixel_centres() -> None:
    # Layout of the plate raster: centre of (row i, column j) at x0 + (j + 0.5)/s, y1 - (i + 0.5)/s.
    grid = Grid(x0_mm=-135.0, y1_mm=122.0, px_per_mm=10.0, n_rows=2360, n_cols=2710)
    assert grid.px_to_mm([0, 0]) == pytest.approx([-134.95, 121.95])
    assert grid.mm_to_px([-134.95, 121.85]) == pytest.approx([0, 1])
    assert np.array([3.0, 7.0, 1.0]) @ grid.px_to_mm_matrix.T == pytest.approx([*grid.px_to_mm([3, 7]), 1])
    assert grid.at_scale(5).shape == (1180, 1355)
    x, y = grid.centres_mm()
    assert (x.shape, y.shape) == ((2710,), (2360,))
    assert (x[0], y[0], x[-1], y[-1]) == pytest.approx((-134.95, 121.95, 135.95, -113.95), abs=1e-9)
    # half a pixel beyond the outermost centres
    assert grid.bounds_mm == pytest.approx((-135.0, -114.0, 136.0, 122.0))


def test_grid_over_bounds_is_not_square() -> None:
    grid = Grid.over_bounds((-10.2, -5.0, 20.0, 5.5), 2.0, 1.0)
    assert (grid.x0_mm, grid.y1_mm, grid.shape) == (-12.0, 7.0, (26, 66))
    # corners go outwards to whole millimetres: -11 to 21, -6 to 6
    grid = Grid.over_bounds((-10.2, -5.3, 20.4, 5.5), 2.0)
    assert (grid.x0_mm, grid.y1_mm, grid.shape) == (-11.0, 6.0, (24, 64))


def test_stage_order_and_refusal() -> None:
    names = ["final", "lap_2", "intake", "lap_10", "test_lap"]
    assert sorted(names, key=lambda n: Stage(n).order) == ["intake", "test_lap", "lap_2", "lap_10", "final"]
    assert not Stage("intake").is_lapped
    for bad in ("", "lap_0", "lap_", "Intake", "lap_100"):
        with pytest.raises(InputError, match="stage"):
            Stage(bad)


def test_schema_keeps_columns_when_empty() -> None:
    schema = Schema("demo", (Column("a_mm", "float64", "a"), Column("n_b", "int64", "b")))
    assert schema.check(schema.empty()).shape == (0, 2)
    assert schema.check(schema.frame([{"n_b": 1, "a_mm": 2}])).a_mm[0] == 2.0
    with pytest.raises(InputError, match="n_b"):
        schema.frame([{"a_mm": 2}])


def test_schema_refuses_one_row_without_a_column() -> None:
    """It became a row with NaN in it, which for a flag reads as True."""
    schema = Schema("spots", (Column("x_mm", "float64", "place"), Column("is_leak", "bool", "leaks")))
    with pytest.raises(InputError, match="table spots: columns missing or not declared: is_leak"):
        schema.frame([{"x_mm": 1.0, "is_leak": False}, {"x_mm": 2.0}])


@pytest.mark.parametrize("flag", [f for f in Flag if f])
def test_flag_has_its_words(flag: Flag) -> None:
    assert FLAG_TEXT[flag] in flag_words(int(flag))
    assert FLAG_TEXT[flag] not in flag_words(int(~flag & sum(f for f in Flag)))


def test_every_flag_is_set_by_some_stage() -> None:
    """Two had words and were set by nobody: a doubt that was promised and never told."""
    sources = [p for p in Path(pitmap.__file__).parent.rglob("*.py") if p.name != "flags.py"]
    named = {name for p in sources for name in re.findall(r"Flag\.([A-Z_]+)", p.read_text(encoding="utf-8"))}
    assert named == {f.name for f in Flag} | {"NONE"}


def test_every_error_has_one_root_and_an_exit_code() -> None:
    for name in errors.__all__:
        assert issubclass(getattr(errors, name), errors.PitmapError)
        assert getattr(errors, name).exit_code > 0


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("x_px,y_px\n812,5,1003,2\n", "line 2: has more cells than the header; write numbers with a point"),
        ("x_px,y_px,note\n812,5,a, b\n", "line 2: has more cells than the header"),
        ("x_px,x_px,y_px\n812,5,1003\n", "column x_px is there twice"),
    ],
)
def test_read_rows_refuses_cells_that_may_belong_to_another_column(
    text: str, why: str, tmp_path: Path
) -> None:
    """812,5 and 1003,2 with decimal commas would be the place 812, 5."""
    (tmp_path / "rows.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=why):
        list(read_rows(tmp_path / "rows.csv", ("x_px", "y_px"), ("x_px", "y_px")))


def test_read_rows_takes_empty_cells_behind_the_last_column(tmp_path: Path) -> None:
    (tmp_path / "rows.csv").write_text("x_px;y_px\n812,5;1003,2;;\n", encoding="utf-8")
    ((_, row),) = read_rows(tmp_path / "rows.csv", ("x_px", "y_px"), ("x_px", "y_px"))
    assert (row["x_px"], row["y_px"]) == ("812.5", "1003.2")


def test_read_rows_passes_over_lines_whose_cells_are_all_empty(tmp_path: Path) -> None:
    """A spreadsheet program writes the empty lines under a table too; landmarks were refused: '' is not a number."""
    (tmp_path / "rows.csv").write_text("x_px;y_px\n;\n812,5;1003,2\n; ;;\n\n;\n", encoding="utf-8")
    ((where, row),) = read_rows(tmp_path / "rows.csv", ("x_px", "y_px"), ("x_px", "y_px"))
    assert (row["x_px"], row["y_px"]) == ("812.5", "1003.2")
    assert where.endswith("rows.csv, line 3")


@pytest.mark.parametrize("first", ["sep=;", "SEP=;\r", "\ufeffsep=;;"])
def test_read_rows_takes_the_separator_that_a_first_line_names(first: str, tmp_path: Path) -> None:
    """A spreadsheet program writes it over the header, which passed for a header without the columns."""
    text = f"{first}\nx_px;y_px\n812,5;1003,2\n"
    (tmp_path / "rows.csv").write_bytes(text.encode())
    ((where, row),) = read_rows(tmp_path / "rows.csv", ("x_px", "y_px"), ("x_px", "y_px"))
    assert (row["x_px"], row["y_px"]) == ("812.5", "1003.2")
    assert where.endswith("rows.csv, line 3")


@pytest.mark.parametrize("kept", [{"map_px_per_mm": "10"}, {"level": None}, {"n_narrowest": [5]}])
def test_kept_settings_of_another_kind_are_refused(kept: dict[str, object]) -> None:
    with pytest.raises(InputError, match="settings of the map: one is not of its kind"):
        Settings.from_dict(kept)
