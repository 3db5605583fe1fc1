"""Pictures and charts of the record and of the pages: the overlay, its key and colours, maps, curves and bars."""

import math
from dataclasses import replace
from itertools import combinations
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest
import report_fakes as fakes
from shapely import Point

from pitmap.classes import CLASS_WORDS, SurfaceClass
from pitmap.compare import ChangeCode, Fate
from pitmap.errors import InputError
from pitmap.estimate import Estimate
from pitmap.grid import Grid
from pitmap.report import (
    CHANGE_STYLES,
    CLASS_STYLES,
    FATE_SYMBOLS,
    budget_bars,
    curve_chart,
    draw_bars,
    draw_lines,
    face_map,
    overlay_picture,
    series_chart,
    translator,
)
from pitmap.report.draw_plotly import plot_bars, plot_lines, plot_map, plot_side_by_side
from pitmap.report.figures import Bar, BarChart, Line, LineChart
from pitmap.report.legend import change_entries, class_entries, lines_note, with_key
from pitmap.report.overlay import codes_on, numbered_marks, scale_bar, scale_bar_mm
from pitmap.report.page_compare import (
    change_on_photo,
    change_with_key,
    maps_of,
    series_figures,
)
from pitmap.report.page_map import MARKS_TRACE, page_map, rings_words
from pitmap.report.words import number


def test_overlay_draws_on_the_face_and_leaves_the_photo_alone(record):
    i = record.last
    before = i.picture.copy()
    out = overlay_picture(i.picture, i.class_map, record.drawing, i.measurement)
    out = out[: len(before)]  # under it stands the scale bar
    assert out.shape == i.picture.shape and out.dtype == np.uint8
    assert (i.picture == before).all()
    pit = i.class_map.codes == SurfaceClass.PIT
    assert (out[pit] != before[pit]).any(axis=1).mean() > 0.9
    with pytest.raises(InputError, match="does not cover"):
        overlay_picture(i.picture[:-40], i.class_map, record.drawing, i.measurement)
    with pytest.raises(InputError, match="rows, columns, 3"):
        overlay_picture(i.picture[..., 0], i.class_map, record.drawing, None)


def test_scale_bar_covers_nothing_of_a_plate_that_fills_the_picture(record):
    """All of the picture is one grey, sound, with no zone to draw: whatever else is on it hides metal."""
    grid = record.last.class_map.grid
    sound = SimpleNamespace(codes=np.ones(grid.shape, np.uint8), grid=grid)
    grey = np.full((*grid.shape, 3), 172, np.uint8)
    out = overlay_picture(grey, sound, SimpleNamespace(zones={}), None)
    assert (out[: len(grey)] == grey).all()
    strip = out[len(grey) :]
    assert (strip == 0).all(axis=2).any() and (
        strip[:, [0, -1]] == 255
    ).all()  # the bar is there, and wholly inside


def test_seal_land_is_yellow_all_along_its_edges(record):
    """It shares them with the rim and the running surface, which have lines of their own."""
    i = record.last
    plain = SimpleNamespace(codes=np.ones_like(i.class_map.codes), grid=i.class_map.grid)
    grey = np.full((*i.class_map.grid.shape, 3), 172, np.uint8)
    out = overlay_picture(grey, plain, record.drawing, None).astype(int)
    is_yellow = (out[..., 0] > 180) & (out[..., 2] < 90)
    for radii in ((92, 62), (100, 70)):  # its edges are ellipses around the middle of the plate
        angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        edge = np.column_stack([radii[0] * np.cos(angle), radii[1] * np.sin(angle)])
        on_metal = [record.drawing.face().buffer(-1).covers(Point(p)) for p in edge]
        columns, rows = np.round(i.class_map.grid.mm_to_px(edge[on_metal])).astype(int).T
        near = [is_yellow[r - 2 : r + 3, c - 2 : c + 3].any() for r, c in zip(rows, columns)]
        assert np.mean(near) == 1.0


@pytest.mark.parametrize("px_per_mm", [4.0, 10.0, 16.0])
def test_codes_lie_at_the_same_millimetres_on_a_picture_of_another_scale_and_corner(px_per_mm):
    """A pit from (12, 5) to (16, 8) mm on a map of 10 px per mm, on pictures that begin 2 mm farther out."""
    own = Grid(x0_mm=0, y1_mm=20, px_per_mm=10, n_rows=200, n_cols=300)
    codes = np.ones(own.shape, np.uint8)
    x, y = own.centres_mm()
    codes[np.ix_((y > 5) & (y < 8), (x > 12) & (x < 16))] = SurfaceClass.PIT
    target = Grid(
        x0_mm=-2, y1_mm=22, px_per_mm=px_per_mm, n_rows=round(24 * px_per_mm), n_cols=round(34 * px_per_mm)
    )
    found = codes_on(codes, own, target)
    x, y = (axis.round(6) for axis in target.centres_mm())
    # nearest code: an edge is off by no more than half a pixel of the map
    near = 0.051
    surely = np.ix_((y > 5 + near) & (y < 8 - near), (x > 12 + near) & (x < 16 - near))
    assert (found[surely] == SurfaceClass.PIT).all()
    n_pit = (found == SurfaceClass.PIT).sum() * target.pixel_area_mm2
    assert n_pit == pytest.approx(12.0, abs=14 * max(near, target.mm_per_px / 2))  # 14 mm of edge
    assert not found[y > 20 + near].any() and not found[:, x < -near].any()


def test_overlay_of_another_scale(record):
    i = record.last
    small = np.ascontiguousarray(i.picture[::2, ::2])
    out = overlay_picture(small, i.class_map, record.drawing, None)
    assert (out[: len(small)] != small).any() and out.shape[1:] == small.shape[1:]


def test_key_names_what_is_on_the_picture_and_no_more():
    t, picture = translator(), np.zeros((40, 900, 3), np.uint8)
    pit_and_sound = np.array([[SurfaceClass.PIT, SurfaceClass.SOUND]], np.uint8)
    assert [word for _, word in class_entries(t, np.unique(pit_and_sound))] == ["pit"]
    pit, note = class_entries(t, np.unique(pit_and_sound)), lines_note(t, fakes.make_drawing())
    both, sound = (with_key(picture, entries, note) for entries in (pit, []))
    assert both.shape[0] > sound.shape[0] > 40 and both.shape[1] == sound.shape[1] == 900
    assert (sound[:40] == picture).all()
    # no page gives it a margin: the first swatch was flush with the edge of the picture, the note beside it was not
    assert (both[40:, :4] == 255).all()
    # a narrow picture has its note in more lines, none of them cut off
    narrow = with_key(picture[:, :300], [], note)
    assert narrow.shape[0] > sound.shape[0]
    assert (narrow[40:, -2:] == 255).all()


def test_change_picture_has_the_key_of_what_changed_under_it(record):
    pair, (before, after) = record.comparison.pairs[0], record.inspections[:2]
    painted, keyed = change_on_photo(pair, after), change_with_key(pair, before, after)
    assert keyed.shape[1] == painted.shape[1] and (keyed[: len(painted)] == painted).all()
    strip = keyed[len(painted) :]
    words = [word for _, word in change_entries(translator(), np.unique(pair.change_codes))]
    assert {"still there", "cleared"} <= set(words)
    # the colours of its swatches, laid over metal grey as on the face
    for style, _ in change_entries(translator(), np.unique(pair.change_codes)):
        veil = (0.55 * 185 + 0.45 * np.array(style.rgb)).astype(np.uint8)
        assert (strip == veil).all(axis=-1).any()


def test_numbered_marks_are_the_largest_of_the_working_zones():
    marks = pd.DataFrame(
        {
            "mark_id": [1, 2, 3, 4],
            "class_code": [2, 2, 2, 3],
            "zone": ["rim", "seal_land", "running_surface", "seal_land"],
            "area_mm2": [9.0, 1.0, 2.0, 20.0],
        }
    )
    assert numbered_marks(marks, 2)["mark_id"].tolist() == [3, 2]
    assert numbered_marks(marks)["mark_id"].tolist() == [3, 2, 1]


@pytest.mark.parametrize(("width", "bar"), [(250, 50), (140, 20), (39, 5), (3, 1)])
def test_scale_bar_is_round_and_under_a_quarter(width, bar):
    assert scale_bar_mm(width) == bar


@pytest.mark.parametrize(
    ("width", "bar", "label"),
    [(250, 50.8, "2 in"), (140, 25.4, "1 in"), (39, 5.08, "0.2 in"), (3, 1.27, "0.05 in")],
)
def test_scale_bar_in_inches_is_round_in_inches(width, bar, label):
    assert scale_bar(width, "inch") == (pytest.approx(bar), label)


def test_scale_bar_of_the_overlay_is_in_the_chosen_units(record):
    i = record.last
    lengths = []
    for units in ("mm", "inch"):
        out = overlay_picture(i.picture, i.class_map, record.drawing, None, units=units)
        size = max(11, round(out.shape[1] / 75))
        foot = out[out.shape[0] - size, size:]  # the row of the bar, from its left end
        lengths.append(int(np.argmax((foot > 0).any(axis=-1))) / i.picture_grid.px_per_mm)
    # a plate of 254 mm: 50 mm and 2 in, to a pixel
    assert lengths == pytest.approx([50.0, 50.8], abs=0.3)


def test_palette_covers_every_class_and_tells_them_apart_without_colour():
    damage = [c for c in CLASS_WORDS if c not in (SurfaceClass.OUTSIDE, SurfaceClass.SOUND)]
    assert set(CLASS_STYLES) == set(damage)
    assert len({s.pattern for s in CLASS_STYLES.values()}) == len(damage)
    assert len({s.pattern for s in CHANGE_STYLES.values()}) == len(CHANGE_STYLES)
    assert set(CHANGE_STYLES) == set(ChangeCode) - {ChangeCode.OUTSIDE, ChangeCode.UNTOUCHED}
    assert set(FATE_SYMBOLS) == {str(f) for f in Fate}
    assert len(set(FATE_SYMBOLS.values())) == len(FATE_SYMBOLS)


def _simulated(rgb, kind):
    # Machado, Oliveira and Fernandes, IEEE TVCG 15 (2009) 1291-1298, full deficiency; on linear sRGB (from memory).
    matrix = {
        "deutan": [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
        "protan": [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
    }[kind]
    c = np.asarray(rgb) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return np.clip(np.array(matrix) @ linear, 0, 1)


def _apart(colours, kind):
    """Differences (CIEDE2000) between every two colours as somebody with a deficiency sees them."""
    from skimage.color import deltaE_ciede2000, xyz2lab

    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    lab = [xyz2lab((to_xyz @ _simulated(rgb, kind))[None, None])[0, 0] for rgb in colours]
    return [float(deltaE_ciede2000(a, b)) for k, a in enumerate(lab) for b in lab[:k]]


@pytest.mark.parametrize("styles", [CLASS_STYLES, CHANGE_STYLES], ids=["classes", "changes"])
@pytest.mark.parametrize("kind", ["deutan", "protan"])
def test_palette_colours_stay_apart_with_a_colour_vision_deficiency(kind, styles):
    # A difference of 10 is seen at a glance side by side; the patterns carry the rest.
    assert min(_apart([s.rgb for s in styles.values()], kind)) > 10


@pytest.mark.parametrize("kind", ["deutan", "protan"])
def test_damage_that_came_up_is_told_from_a_dark_hole_and_from_bare_metal(kind):
    """Black dots on the dark floor of a pit were the photo itself."""
    for metal in ((30, 30, 30), (185, 185, 185)):
        assert _apart([CHANGE_STYLES[ChangeCode.CAME].rgb, metal], kind)[0] > 20


def test_lines_of_a_plate_without_a_land_are_not_said_to_show_one():
    drawing = fakes.make_drawing()
    assert "yellow: the seal land" in lines_note(translator(), drawing)
    bare = replace(drawing, zones={k: v for k, v in drawing.zones.items() if k != "seal_land"})
    said = lines_note(translator(), bare)
    assert said.startswith("Lines are the zones of the drawing. Numbers are") and "land" not in said


def test_key_of_curves_takes_no_width_from_them() -> None:
    """Beside them it took a third of a phone's screen."""
    key = plot_lines(LineChart(title="", x_label="", y_label="", lines=())).layout.legend
    assert key.orientation == "h" and key.y < 0 and key.yanchor == "top"


def test_figures_are_drawn_from_one_set_of_data(record):
    t = translator()
    chart = series_chart(t, record.comparison, "affected_share")
    assert [line.label for line in chart.lines] == ["rim", "running surface", "seal land"]
    land = chart.lines[2]
    assert land.x.tolist() == [0.0, 12.0, 30.0]
    drawn = draw_lines(chart).axes[0].get_lines()
    shown = next(x for x in drawn if x.get_label() == "seal land")
    page = next(x for x in plot_lines(chart).data if x.name == "seal land")
    assert shown.get_ydata().tolist() == list(page.y) == land.y.tolist()
    inches = series_chart(t, record.comparison, "affected_share", "inch")
    assert inches.lines[2].x.tolist() == pytest.approx([0.0, 0.4724, 1.1811], abs=1e-4)
    pits = curve_chart(t, record.plan.curves, "pits")
    assert len(pits.lines) == 2 and pits.lines[0].low[0] == pytest.approx(18.0)


def test_axes_of_a_curve_are_in_the_units_that_they_bear():
    """25.4 um are a thou and 25.4 mm an inch; a share of 0.25 is 25 %."""
    width = pd.DataFrame(
        {
            "zone": "seal_land", "aim": "sound_width", "removal_um": [0.0, 25.4, 50.8], "value": [2.54, 5.08, 7.62],
            "value_low": [1.27, 2.54, 5.08], "value_high": [5.08, 7.62, 10.16],
        }
    )  # fmt: skip
    chart = curve_chart(translator(), width, "sound_width", "inch")
    (line,) = chart.lines
    assert (chart.x_label, chart.y_label) == ("further stock, thou", "sound width, in")
    assert line.x.tolist() == pytest.approx([0, 1, 2])
    assert line.y.tolist() == pytest.approx([0.1, 0.2, 0.3])
    assert line.low.tolist() == pytest.approx([0.05, 0.1, 0.2])
    assert line.high.tolist() == pytest.approx([0.2, 0.3, 0.4])
    (line,) = curve_chart(translator(), width, "sound_width").lines
    assert (line.x.tolist(), line.y.tolist()) == ([0.0, 25.4, 50.8], [2.54, 5.08, 7.62])
    uncut = width.assign(aim="uncut", value=0.25, value_low=0.2, value_high=0.4)
    for units in ("mm", "inch"):
        chart = curve_chart(translator(), uncut, "uncut", units)
        assert chart.is_percent and (chart.lines[0].low[0], chart.lines[0].y[0], chart.lines[0].high[0]) == (
            20,
            25,
            40,
        )


def test_a_budget_in_percent_is_shown_with_its_interval():
    """A squeeze of 25 % (20 to 31): of the half width of 5.5 two digits are shown (JCGM 100:2008, 7.2.6, from memory)."""
    squeeze = Estimate(value=25.0, low=20.0, high=31.0)
    for units in ("mm", "inch"):
        assert number(translator(), squeeze, "percent", units) == "25.0 % (20.0 to 31.0)"


def test_band_of_a_curve_is_an_area_without_dots(record):
    band, curve = plot_lines(series_chart(translator(), record.comparison, "affected_share")).data[:2]
    assert (band.fill, band.mode, curve.mode) == ("toself", "lines", "lines+markers")


def test_budget_bars_leave_out_what_has_no_limit(record):
    chart = budget_bars(translator(), record.plan)
    assert [(b.label, b.limits) for b in chart.bars] == [
        ("stock taken off this face", (100.0,)),
        ("hardened case left", (150.0,)),
    ]
    assert budget_bars(translator(), record.plan, "inch").bars[0].limits == pytest.approx((3.937,), abs=1e-3)
    assert len(draw_bars(chart).axes) == 2
    assert sum(1 for trace in plot_bars(chart).data if trace.type == "bar") == 2


@pytest.mark.parametrize("n", [2, 3, 5])
def test_names_of_budgets_do_not_lie_on_the_numbers_of_the_scale_above(record, n):
    """Between two bars go a row of numbers (12 px) and a name (16 px), each a line and a half high, and a tick."""
    chart = budget_bars(translator(), record.plan)
    figure = plot_bars(replace(chart, bars=(chart.bars[0],) * n))
    room_px = figure.layout.height - figure.layout.margin.t - figure.layout.margin.b
    upper, lower = figure.layout.yaxis.domain, figure.layout.yaxis2.domain
    assert (upper[0] - lower[1]) * room_px >= 1.5 * (12 + 16) + 5
    assert (upper[1] - upper[0]) * room_px >= 30


def test_bars_show_values_below_nothing_and_close_to_their_limit():
    below = Bar(
        label="case",
        unit="um",
        now=252,
        after=-24,
        after_low=-31,
        after_high=-17,
        limits=(150.0,),
        is_past=True,
    )
    close = replace(
        below, now=11.95, after=11.87, after_low=11.86, after_high=math.inf, limits=(11.85,), is_past=False
    )
    first, second = draw_bars(BarChart(title="", bars=(below, close))).axes
    (bar,) = first.patches
    assert (bar.get_x(), bar.get_width()) == (0.0, -24.0)
    assert first.get_xlim()[0] < -31
    assert second.get_xlim()[0] == pytest.approx(11.81)


def test_face_maps_for_record_and_page(record):
    t, i = translator(), record.last
    chart = face_map(t, i, record.drawing, i.picture, i.picture_grid)
    assert chart.extent_mm == (-127.0, 127.0, -87.0, 87.0)
    figure = plot_map(chart)
    assert "50 mm" in [word.strip() for trace in figure.data if trace.text is not None for word in trace.text]
    # drawing on the map by hand selects, and what is not selected fades by itself
    assert all(t.unselected.textfont.color == t.textfont.color for t in figure.data if t.text is not None)
    photo = figure.layout.images[0]
    assert (photo.x, photo.y, photo.sizex, photo.sizey) == (-127.0, 87.0, 254.0, 174.0)
    in_inches = face_map(t, i, record.drawing, i.picture, i.picture_grid, units="inch")
    assert (in_inches.bar_mm, in_inches.bar_word) == (pytest.approx(50.8), "2 in")
    assert {word.split(", ")[-1].split()[-1] for word in in_inches.marks["hover"]} == {"in"}
    both = plot_side_by_side(face_map(t, record.first, record.drawing, i.picture, i.picture_grid), chart)
    assert [(i.xref, i.yref) for i in both.layout.images] == [("x", "y"), ("x2", "y2")]
    assert both.layout.xaxis2.matches == "x" and both.layout.yaxis2.matches == "y"
    below = plot_side_by_side(chart, chart, is_stacked=True)
    assert below.layout.yaxis.domain[0] > below.layout.yaxis2.domain[1]
    assert below.layout.xaxis.domain == below.layout.xaxis2.domain == (0.0, 1.0)
    with pytest.raises(InputError, match="does not fit its grid"):
        face_map(t, i, record.drawing, i.picture[:-1], i.picture_grid)


@pytest.mark.parametrize(("spacing_mm", "shown"), [(0.0, 4), (40.0, 6)])
def test_numbers_of_marks_that_lie_close_together_do_not_cover_each_other(record, spacing_mm, shown):
    """Two numbers on each other read as a third. Round one place there is room for four of three digits."""
    t, i = translator(), record.last
    chart = face_map(t, i, record.drawing, i.picture, i.picture_grid)
    marks = pd.DataFrame(
        {
            "mark_id": range(101, 107),
            "x_mm": [0.0, 1, 2, 0, 1, 2],
            "y_mm": [0.0, 0, 0, 1, 1, 1],
            "hover": "pit",
        }
    )
    marks[["x_mm", "y_mm"]] *= spacing_mm
    figure = plot_map(replace(chart, marks=marks), width_px=254)
    (trace,) = [trace for trace in figure.data if trace.mode == "markers+text"]
    assert list(trace.hovertext) == ["pit"] * 6
    # a digit of 13 px is about 8 wide; a text is set off its ring by half of itself, and 8 px for the ring
    step = {
        "top": (0, 1),
        "bottom": (0, -1),
        "middle": (0, 0),
        "center": (0, 0),
        "right": (1, 0),
        "left": (-1, 0),
    }
    boxes = []
    for x, y, side, text in zip(trace.x, trace.y, trace.textposition, trace.text):
        right, up = (sum(step[word][k] for word in side.split()) for k in (0, 1))
        boxes += [(x + right * (12 + 8), y + up * (6.5 + 8))] if text else []
    assert len(boxes) == shown
    assert all(abs(a[0] - b[0]) >= 24 or abs(a[1] - b[1]) >= 13 for a, b in combinations(boxes, 2))


def test_axes_of_the_charts_are_labelled_in_the_chosen_units_and_stay_in_mm(record):
    """With inch chosen the tables said inch and the axes mm: a place read off the map was 25 times off in the table."""
    t, i = translator(), record.last
    for units, word in (("mm", "mm"), ("inch", "in")):
        chart = face_map(t, i, record.drawing, i.picture, i.picture_grid, units=units)
        shown = plot_map(chart).layout
        assert shown.xaxis.title.text == shown.yaxis.title.text == word
        assert shown.xaxis.range == (
            -127.0,
            127.0,
        )  # what is drawn on the map by hand is mm, whatever is chosen
        figures = (shown, plot_side_by_side(chart, chart).layout)
        for axis in [axis for layout in figures for axis in (layout.xaxis, layout.yaxis)]:
            at = dict(zip(axis.ticktext or (), axis.tickvals or ()))
            assert bool(at) == (units == "inch")
            # NIST SP 811: an inch is 25.4 mm; half the face is 127 mm, which is 5 in
            assert not at or (at["0"], at["2"], at["-5"]) == pytest.approx((0.0, 50.8, -127.0))


def test_scale_bar_of_the_charts_covers_nothing_of_a_plate_that_fills_the_picture(record):
    t, i = translator(), record.last
    for units, word in (("mm", "50 mm"), ("inch", "2 in")):
        chart = face_map(t, i, record.drawing, i.picture, i.picture_grid, units=units)
        left, right, bottom, _ = chart.extent_mm
        for figure in (plot_map(chart), plot_side_by_side(chart, chart)):
            bars = [trace for trace in figure.data if trace.text is not None and f" {word}" in trace.text]
            assert len(bars) == len(figure.layout.images)
            for bar in bars:
                assert max(bar.y) < bottom and left < min(bar.x) and max(bar.x) < right
            assert all(axis.range[0] < min(bars[0].y) for axis in figure.select_yaxes() if axis.range)


def test_marks_without_a_ring_are_told_and_the_chosen_one_has_one(record, monkeypatch):
    i, pit = SimpleNamespace(**vars(record.last), marks=record.last.measurement.marks), (SurfaceClass.PIT,)
    n_pits = int((i.marks.class_code == SurfaceClass.PIT).sum())
    assert n_pits > 2 and rings_words(i, pit) == ""
    monkeypatch.setattr("pitmap.report.page_map._MOST_MARKS", 2)
    assert rings_words(i, pit) == (
        f"Rings stand on the 2 largest of {n_pits} marks; the table of the Map page lists all of them."
    )
    smallest = int(i.marks.nsmallest(1, "area_mm2").mark_id.iloc[0])
    largest = i.marks[i.marks.class_code == SurfaceClass.PIT].nlargest(2, "area_mm2").mark_id.tolist()
    figure = page_map(i, record.drawing, shown=pit, strength=0.0, selected=smallest)
    (rings,) = [trace for trace in figure.data if trace.name == MARKS_TRACE]
    assert set(rings.customdata) == {smallest, *largest}


def test_a_single_point_of_a_series_has_its_interval(record):
    one = Line(
        label="rim", x=np.array([22.0]), y=np.array([30.0]), low=np.array([22.0]), high=np.array([43.0]),
        colour="#0072b2", marker="o", dash="-",
    )  # fmt: skip
    (point,) = [
        t for t in plot_lines(LineChart(title="", x_label="", y_label="", lines=(one,))).data if t.name
    ]
    assert (point.error_y.array[0], point.error_y.arrayminus[0]) == (13.0, 8.0)
    two = replace(one, **{c: np.array([1.0, 2.0]) for c in ("x", "y", "low", "high")})
    (line,) = [
        t for t in plot_lines(LineChart(title="", x_label="", y_label="", lines=(two,))).data if t.name
    ]
    assert line.error_y.array is None


def test_a_chart_without_a_band_says_why(record):
    """The number of pits had no band among charts that have one, and no word of it."""
    notes = {f.layout.title.text: note for f, note in series_figures(record.comparison, "mm")}
    assert notes["number of pits"] == "No interval: a count; marks too small for the photo are not in it."
    assert notes["affected share"] == ""


def test_the_white_line_has_a_key(record):
    t, i = translator(), record.last
    keyed = [trace.name for trace in plot_map(face_map(t, i, record.drawing, i.picture, i.picture_grid)).data
             if trace.showlegend]  # fmt: skip
    assert keyed == ["narrowest sound metal"]
    i.measurement.lands["is_leak_path"] = [True, False]
    try:
        assert face_map(t, i, record.drawing, i.picture, i.picture_grid).path_word == "leak path"
    finally:
        i.measurement.lands["is_leak_path"] = False


def test_tools_of_a_map_lie_over_no_title_and_its_key_over_no_scale(record):
    """A chart's tools take 36 px of its top, and are always there where nothing hovers."""
    i = SimpleNamespace(**vars(record.last), marks=record.last.measurement.marks)
    shown = page_map(i, record.drawing, shown=tuple(CLASS_STYLES), strength=0.4)
    assert (shown.layout.legend.yref, shown.layout.legend.yanchor, shown.layout.legend.y) == (
        "container",
        "top",
        1,
    )
    assert shown.layout.margin.t >= 36
    phone = page_map(i, record.drawing, shown=tuple(CLASS_STYLES), strength=0.4, is_narrow=True).layout
    assert (1 - phone.legend.y) * phone.height == pytest.approx(
        36
    )  # the tools reach half across a phone, as the key does
    assert phone.margin.t >= 36 + 29  # of the key's one line
    (left, right), (low, high) = phone.xaxis.range, phone.yaxis.range
    room = phone.height - phone.margin.t - phone.margin.b
    assert room / (high - low) == pytest.approx(
        300 / (right - left), rel=0.01
    )  # nothing empty below the face
    chart = face_map(translator(), i, record.drawing, i.picture, i.picture_grid)
    beside = plot_side_by_side(chart, chart)
    assert beside.layout.margin.t >= 36 + 20  # the titles stand on the maps and are 16 px high
    assert {axis.constraintoward for axis in beside.select_yaxes()} == {"top"}


def test_maps_side_by_side_carry_classes_and_nothing_else(record):
    """Lines, numbers and the scale bar are drawn over them by the plot: painted in as well, they stood there twice."""
    before, after = record.inspections[:2]
    for i, drawn in zip((before, after), maps_of(translator(), before, after, record.drawing), strict=True):
        codes = codes_on(i.class_map.codes, i.class_map.grid, i.picture_grid)
        plain = ~np.isin(codes, [int(c) for c in CLASS_STYLES])
        touched = cv2.dilate((~plain).astype(np.uint8), np.ones((9, 9))) > 0
        assert not touched.all()
        assert np.array_equal(drawn.picture[~touched], i.picture[~touched])
        assert not np.array_equal(drawn.picture, i.picture)


def test_metal_that_was_seen_is_not_called_unseen_in_the_change_map():
    """Uncut metal beside an intake: both photos show it, and still nobody can tell whether it changed."""
    assert CHANGE_STYLES[ChangeCode.UNSEEN].word == "cannot be told"


def test_key_of_a_chart_covers_no_point(record):
    figure = draw_lines(series_chart(translator(), record.comparison, "affected_share"))
    (ax,) = figure.axes
    figure.canvas.draw()
    key, axes = ax.get_legend().get_window_extent(), ax.get_window_extent()
    assert len(ax.get_legend().get_texts()) == 3
    assert key.y0 >= axes.y1 - 1 and key.y1 <= figure.bbox.y1 and key.x0 >= 0 and key.x1 <= figure.bbox.x1
