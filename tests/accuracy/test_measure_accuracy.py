"""Truth to error: areas and shares, sound width, and how often the intervals cover the truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from measure_fakes import Map, blank, disc, ring_plate
from scipy.spatial import cKDTree
from shapely import Point
from shapely.ops import unary_union

from pitmap.classes import CLASS_WORDS, SurfaceClass
from pitmap.errors import InputError, NotEnoughData
from pitmap.measure import (
    ErrorModel,
    MapPair,
    Measurement,
    MeasureSettings,
    fit_error_model,
    make_frame,
    measure,
)

PX = 8.0
HALF = 25
COMMON_SD_MM, MARK_SD_MM = 0.06, 0.08


def spots(rng: np.random.Generator) -> list[tuple[float, float, float, int]]:
    """Marks of a face: pits of log-normal size in patches, larger stains, some uncut islands."""
    out = []
    for code, n, median, scatter in (
        (SurfaceClass.UNCUT, rng.poisson(4), 4.0, 0.4),
        (SurfaceClass.STAIN, rng.poisson(14), 2.5, 0.5),
        (SurfaceClass.PIT, rng.poisson(70), 0.9, 0.45),
    ):
        for _ in range(n):
            out.append(
                (
                    rng.uniform(-31, 43),
                    rng.uniform(-31, 31),
                    median * np.exp(scatter * rng.normal()),
                    int(code),
                )
            )
    return out


def paint(template: Map, marks: list[tuple[float, float, float, int]]) -> Map:
    m = Map(codes=template.codes.copy(), confidence=template.confidence, grid=template.grid)
    for x, y, diameter, code in marks:
        if diameter > 0:
            disc(m, x, y, diameter, code)
    m.codes[template.codes == 0] = 0
    return m


def seen_wrong(marks, rng):  # type: ignore[no-untyped-def]
    """What a classifier makes of it: edges off (in common and one by one), a few marks missed, a few
    invented."""
    common = rng.normal(0, COMMON_SD_MM)
    kept = [
        (x, y, max(0.0, d + 2 * (common + rng.normal(0, MARK_SD_MM))), c)
        for x, y, d, c in marks
        if rng.random() > 0.03
    ]
    false = [
        (rng.uniform(-31, 43), rng.uniform(-31, 31), rng.uniform(0.4, 1.2), 2) for _ in range(rng.poisson(2))
    ]
    return kept + false


@pytest.fixture(scope="module")
def pairs() -> list[MapPair]:
    rng = np.random.default_rng(41)
    drawing = ring_plate()
    template = blank(drawing, PX)
    out = []
    for _ in range(2 * HALF):
        marks = spots(rng)
        out.append(
            MapPair(
                found=paint(template, seen_wrong(marks, rng)), truth=paint(template, marks), drawing=drawing
            )
        )
    return out


@pytest.fixture(scope="module")
def model(pairs: list[MapPair]) -> ErrorModel:
    return fit_error_model(pairs[:HALF])


@pytest.fixture(scope="module")
def measured(pairs: list[MapPair], model: ErrorModel) -> list[tuple[Measurement, Measurement]]:
    """Found and true figures of every picture, each under the model fitted on the other half."""
    frame = make_frame(pairs[0].drawing, pairs[0].found.grid)
    out = []
    for fitted, part in ((model, pairs[HALF:]), (fit_error_model(pairs[HALF:]), pairs[:HALF])):
        settings = MeasureSettings(errors=fitted)
        out += [
            (
                measure(p.found, p.drawing, settings=settings, frame=frame),
                measure(p.truth, p.drawing, frame=frame),
            )
            for p in part
        ]
    return out


def test_fit_finds_the_edge_errors_put_in(model: ErrorModel) -> None:
    """Dozens of pits a picture, 25 pictures: the scatter is known to about a seventh."""
    pit = model.classes["pit"]
    assert pit.edge_sd_mm == pytest.approx(COMMON_SD_MM, rel=0.35)
    assert pit.edge_mark_sd_mm == pytest.approx(MARK_SD_MM, rel=0.35)
    assert abs(pit.edge_bias_mm) < 0.03
    assert 0.01 < pit.false_rate < 0.10
    assert 0.01 < pit.miss_rate < 0.10


def test_share_intervals_cover_the_truth(measured: list[tuple[Measurement, Measurement]]) -> None:
    """50 pictures, each judged by a fit that has not seen it, 3 zones, level 0.90: 85 to 95 % covered."""
    words = ("pit", "stain", "uncut", "affected")
    got, true = (pd.concat([m[k].zones for m in measured], ignore_index=True) for k in (0, 1))
    covered = (got["share_low"] <= true["share"]) & (true["share"] <= got["share_high"])
    assert 0.85 <= covered[got["class_word"].isin(words)].mean() <= 0.95
    for word in words:
        # 150 zones a class: one binomial sigma is 2.5 %
        assert 0.82 <= covered[got["class_word"] == word].mean() <= 0.98
    affected = got[got["class_word"] == "affected"]
    # covering by being endless would be no use
    assert ((affected["share_high"] - affected["share_low"]) / affected["share"]).median() < 0.6


def test_area_of_the_raster_is_that_of_the_shapes() -> None:
    """Shares of a map drawn without error against the exact shapes: 1 % of the share, or 0.01 points."""
    rng = np.random.default_rng(12)
    drawing = ring_plate()
    marks = sorted(spots(rng) + spots(rng), key=lambda mark: -mark[3] if mark[3] != 2 else 0)
    zones = measure(paint(blank(drawing, 10.0), marks), drawing).zones
    taken = unary_union([])
    for code in (SurfaceClass.PIT, SurfaceClass.STAIN, SurfaceClass.UNCUT):
        shapes = unary_union([Point(x, y).buffer(d / 2, quad_segs=64) for x, y, d, c in marks if c == code])
        # painted in the order uncut, stain, pit: the later one stands
        own, taken = shapes.difference(taken), taken.union(shapes)
        for name, zone in drawing.zones.items():
            row = zones[(zones["zone"] == name) & (zones["class_code"] == int(code))].iloc[0]
            exact = own.intersection(zone).area / zone.area
            assert row["share"] == pytest.approx(exact, rel=0.01, abs=1e-4)


def test_sound_width_interval_covers_the_truth(measured: list[tuple[Measurement, Measurement]]) -> None:
    true = [t.sound_width_mm.value for _, t in measured]
    covered = [g.sound_width_mm.covers(t) for (g, _), t in zip(measured, true)]
    assert np.mean(covered) >= 0.82  # 50 lands: 0.90 less two binomial sigma
    assert np.median([abs(g.sound_width_mm.value - t) for (g, _), t in zip(measured, true)]) < 0.5


def test_mark_area_interval_covers(measured: list[tuple[Measurement, Measurement]]) -> None:
    """Pits that both maps have apart: their area intervals at level 0.90."""
    covered = []
    for g, t in measured:
        got, true = (m.marks[m.marks["class_word"] == "pit"] for m in (g, t))
        away, near = cKDTree(true[["x_mm", "y_mm"]]).query(got[["x_mm", "y_mm"]])
        area = true["area_mm2"].to_numpy()[near]
        ok = (away < 0.15) & (got["eq_diam_mm"] > 0.4).to_numpy()
        covered += list(((got["area_low_mm2"] <= area) & (area <= got["area_high_mm2"]))[ok])
    assert len(covered) > 200
    assert 0.82 <= np.mean(covered) <= 0.99


def test_sound_width_on_the_raster_is_within_the_stated_error() -> None:
    """40 single pits at random places and sizes: w - d to a pixel at worst, and without bias."""
    rng = np.random.default_rng(8)
    drawing = ring_plate()
    template = blank(drawing, 10.0)
    frame = make_frame(drawing, template.grid)
    errors = []
    for _ in range(40):
        angle, d = rng.uniform(0, 2 * np.pi), rng.uniform(0.8, 4.0)
        radius = 24 + rng.uniform(-1, 1)
        m = paint(template, [(radius * np.cos(angle), radius * np.sin(angle), d, int(SurfaceClass.PIT))])
        errors.append(measure(m, drawing, frame=frame).sound_width_mm.value - (8 - d))
    assert np.abs(errors).max() <= 0.10
    assert abs(np.mean(errors)) <= 0.04
    assert np.std(errors) <= 0.04


def test_fit_refusals(pairs: list[MapPair]) -> None:
    with pytest.raises(NotEnoughData, match="4 pairs"):
        fit_error_model(pairs[:4])
    drawing = ring_plate()
    odd = MapPair(found=blank(drawing, 4.0), truth=blank(drawing, 5.0), drawing=drawing)
    with pytest.raises(InputError, match="one grid"):
        fit_error_model([odd] * 5)


def test_rates_and_edges_of_known_maps() -> None:
    """5 pictures of 5 true pits of 2 mm, of which 4 are found, 0.1 mm too small all round, and one that is none.

    25 named and 5 of them wrong, 25 true and 5 of them missed: (5 + 1) / (25 + 2). Edges: pi (1.0^2 - 0.9^2) mm2 along
    2 pi 0.9 mm are 0.1056 mm outwards, the same for every pit. What is named where the truth is hidden counts for neither,
    nor do specks of under 0.12 mm2, four times the smallest mark.
    """
    drawing = ring_plate()
    template = blank(drawing, 20.0)
    places = [(11 * np.cos(k), 11 * np.sin(k)) for k in range(6)]
    pit = int(SurfaceClass.PIT)
    truth = paint(template, [(x, y, 2.0, pit) for x, y in places[:5]])
    found = paint(template, [(x, y, 1.8, pit) for x, y in [*places[1:], (36.0, 0.0)]])
    disc(truth, 36.0, 0.0, 4.0, SurfaceClass.UNSEEN)
    disc(found, 36.0, 10.0, 0.25, pit)
    fitted = fit_error_model([MapPair(found=found, truth=truth, drawing=drawing)] * 5).classes["pit"]
    assert (fitted.false_rate, fitted.miss_rate) == (pytest.approx(6 / 27), pytest.approx(6 / 27))
    assert fitted.edge_bias_mm == pytest.approx(0.1056, abs=0.005)
    assert fitted.edge_sd_mm < 0.001
    assert fitted.edge_mark_sd_mm < 0.01  # what counting pixels leaves


def test_width_error_is_fitted_on_pairs_of_every_grid() -> None:
    """10 lands whose width is 1 mm too large and 6 that are right, on another grid: those of one grid alone counted.

    Nothing but the error itself makes the interval of these, so a standard deviation of 1 mm / 1.645 is needed.
    """
    drawing = ring_plate()

    def pair(px_per_mm: float, diameter: float) -> MapPair:
        template = blank(drawing, px_per_mm)
        found, truth = (paint(template, [(24.0, 0.0, d, int(SurfaceClass.PIT))]) for d in (diameter, 3.0))
        return MapPair(found=found, truth=truth, drawing=drawing)

    wrong, right = [pair(4.0, 2.0)] * 10, [pair(5.0, 3.0)] * 6
    for pairs in (wrong + right, right + wrong):
        # the next larger of the steps that are tried, each 1.22 times the last
        assert 0.95 / 1.645 < fit_error_model(pairs).width_sd_mm < 1.3 / 1.645


def test_classes_without_marks_keep_their_starting_point(model: ErrorModel) -> None:
    assert model.classes["tint"].edge_sd_mm == ErrorModel().classes["tint"].edge_sd_mm
    assert set(model.classes) == {*(CLASS_WORDS[c] for c in (2, 3, 4, 5, 6)), "affected"}
