"""Tracing with the printed target: scale on face and bench, what is refused, straight and arc stretches, suggestions."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import trace_renders as renders
import trace_scoring as scoring
from click.testing import CliRunner
from rounds import long
from shapely import LineString, Point, Polygon, box

from pitmap.cli.drawing import command
from pitmap.drawing import load_shipped
from pitmap.errors import InputError, MeasurementError, NotEnoughData
from pitmap.estimate import Estimate
from pitmap.registration.camera import Camera, Lens
from pitmap.synthetic.sheet import SheetPlace
from pitmap.tracing import PhotoClicks, SheetUse, focal_in_px, read_trace_sources, trace_plate
from pitmap.tracing.by_sheet import _check_lies_on
from pitmap.tracing.cameras import pose_camera
from pitmap.tracing.kinds import suggest_kinds
from pitmap.tracing.lit_walls import wall_doubt_mm, whole_circles
from pitmap.tracing.result import count_words, may_be_pit
from pitmap.tracing.stretches import find_stretches, with_stretches
from pitmap.tracing.trace import _bay, with_reading

BLANK = np.full((60, 80, 3), 90, np.uint8)


@pytest.mark.slow
@pytest.mark.parametrize(("on", "tilt"), [("bench", 20.0), long("face", 10.0)])
def test_one_photo_with_the_sheet(on: str, tilt: float) -> None:
    """Scale within 0.1 % and nothing of the sheet traced; no click, the focal length of EXIF 1 % off."""
    drawing = load_shipped("heron40_end")
    rng = np.random.default_rng([4, on == "face"])
    survey = renders.lapped(drawing, rng)
    scene = renders.sheet_scene(drawing, rng, on, tilt, 40.0)
    photos = renders.shots(drawing, survey, [scene], (), rng, focal_off=0.01)
    trace = trace_plate(photos, sheet=SheetUse(on=on), thickness_mm=12.0, edge_break_mm=scene.chamfer_mm)
    score = scoring.score_trace(trace, drawing)
    assert abs(scoring.scale_error(trace, drawing)) < 0.001
    # a line of 100 mm is read to 0.1 mm (one standard deviation), and every length hangs on it
    assert trace.size.high - 1 > 1.64 * 0.001
    assert trace.size.low < 1 < trace.size.high
    assert score.n_extra <= 1  # a port that the piece on the face half hides may come out as another shape
    assert score.outline_rms_mm < 0.3
    # One light, one picture: all holes of a photo err alike, so what nine in ten keep on average may be fewer here.
    assert score.covered.mean() > 0.75
    assert len(trace.drawing.openings) >= len(drawing.openings) - 2
    assert count_words(len(trace.drawing.openings), 1) in trace.notes
    if on == "bench":
        # a line of sight goes on for 12 mm / cos(tilt) from the face to the bench
        expected = 12 / (scene.facts["distance_mm"] * np.cos(np.radians(tilt)))
        assert trace.height_correction == pytest.approx(expected, rel=0.15)
        assert any(
            "lay on the bench" in n and "12 mm = 0.472 in nearer" in n and "%" in n for n in trace.notes
        )
    else:
        assert trace.height_correction == 0
        assert any("hides" in n for n in trace.notes)


def test_a_trace_has_its_openings_counted() -> None:
    """A bolt hole of which one photo shows the lit wall alone is in no drawing, and nothing else would tell."""
    told = "41 openings were drawn: count them on the plate. A large dark patch can pass for an opening"
    assert count_words(41, 3) == told
    for n_photos in (1, 2):  # of two the first decides a draw
        assert count_words(41, n_photos) == (
            f"{told}, and with fewer than three photos a hole with a wall as bright as the face can be missing or too small"
        )


def test_the_scale_is_no_surer_than_the_length_that_it_hangs_on() -> None:
    """0.1 mm (one standard deviation) is 0.1645 % of the printed line at 90 %, and half of that of 200 mm."""
    photos = Estimate(value=1.0, low=1 - 0.0004, high=1 + 0.0004)
    assert with_reading(photos, 100.0).high - 1 == pytest.approx(np.hypot(0.0004, 0.0016449), rel=1e-9)
    assert 1 - with_reading(photos, 200.0).low == pytest.approx(np.hypot(0.0004, 0.00082245), rel=1e-9)


def test_sheet_refusals() -> None:
    photo = PhotoClicks(rgb=BLANK)
    with pytest.raises(InputError, match="'face' or 'bench'"):
        SheetUse(on="floor")
    with pytest.raises(InputError, match="print_scale"):
        SheetUse(on="face", print_scale=100.0)
    with pytest.raises(NotEnoughData, match="no photo"):
        trace_plate([], sheet=SheetUse(on="face"))
    with pytest.raises(InputError, match="thickness: with the sheet on the bench"):
        trace_plate([photo], sheet=SheetUse(on="bench"))
    with pytest.raises(MeasurementError, match="^the printed target was not found"):
        trace_plate([photo], sheet=SheetUse(on="face"))
    with pytest.raises(MeasurementError, match="^photo 1: the printed target was not found"):
        trace_plate([photo, photo], sheet=SheetUse(on="face"))
    with pytest.raises(InputError, match="needs its scale"):
        trace_plate([photo, photo])


def test_sources(tmp_path) -> None:
    with pytest.raises(InputError, match="not both"):
        read_trace_sources([tmp_path / "a.csv", tmp_path / "b.jpg"])
    # 26 mm equivalent over a diagonal of 5000 px: 26 / 43.2666 * 5000
    assert focal_in_px(26.0, (4000, 3000)) == pytest.approx(3004.6, abs=0.1)
    with pytest.raises(InputError, match="35 mm"):
        focal_in_px(-1.0, (40, 30))


def test_a_picture_that_is_there_twice_is_no_second_photo(tmp_path) -> None:
    """One photo given three times was told to be sure to less than the photo alone, and its holes to be agreed on."""
    import cv2

    for name, grey in (("a.png", 90), ("b.png", 91), ("copy.png", 90)):
        cv2.imwrite(str(tmp_path / name), np.full((600, 800, 3), grey, np.uint8))
    assert len(read_trace_sources([tmp_path / "a.png", tmp_path / "b.png"])) == 2
    rows = [
        f"{name},{hole},{x},{y}"
        for name in ("a.png", "copy.png")
        for hole, x, y in (("p", 9, 9), ("q", 700, 9))
    ]
    clicks = tmp_path / "clicks.csv"
    clicks.write_text("\n".join(["photo,hole,x_px,y_px", *rows]))
    for paths in (["a.png", "b.png", "a.png"], ["a.png", "b.png", "copy.png"], ["clicks.csv"]):
        with pytest.raises(InputError, match=r"(a|copy)\.png: is the very picture of .*a\.png"):
            read_trace_sources([tmp_path / p for p in paths])


def test_a_list_without_a_click_is_told_as_such(tmp_path) -> None:
    """It was told that one photo and a distance leave the tilt open; the list holds no photo."""
    clicks = tmp_path / "clicks.csv"
    clicks.write_text("photo,hole,x_px,y_px\n")
    with pytest.raises(InputError, match=r"clicks\.csv: lists no click; add a row"):
        read_trace_sources([clicks])


def test_command_needs_a_scale(tmp_path) -> None:
    import cv2

    path = tmp_path / "p.png"
    cv2.imwrite(str(path), np.full((600, 800, 3), 90, np.uint8))
    result = CliRunner().invoke(command, ["trace", str(path), "--out", str(tmp_path / "o.svg")])
    assert isinstance(result.exception, InputError)
    assert "needs its scale" in str(result.exception)


def test_stretches_of_a_slot() -> None:
    """Two straight sides of 60 mm and two half circles of radius 15 mm, traced with 0.03 mm noise."""
    ring = LineString([(0, 0), (60, 0)]).buffer(15, quad_segs=200).exterior
    true = np.array([ring.interpolate(s).coords[0] for s in np.arange(0, ring.length, 0.8)])
    points = true + np.random.default_rng(1).normal(0, 0.03, true.shape)
    found = find_stretches(points, 0.06)
    assert [s.kind for s in found] == ["arc", "line", "arc", "line"]
    assert [s.b[0] for s in found if s.kind == "arc"] == pytest.approx([15, 15], abs=0.05)
    after = with_stretches(points, found)
    rms = [np.sqrt(np.mean([ring.distance(Point(p)) ** 2 for p in q])) for q in (points, after)]
    assert rms[1] < rms[0]


def test_no_stretch_in_a_wavy_contour() -> None:
    t = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    r = 40 + 3 * np.cos(11 * t)
    wavy = np.stack([r * np.cos(t), r * np.sin(t)], -1)
    assert find_stretches(wavy, 0.03) == []
    assert with_stretches(wavy, []) is not wavy


def test_suggested_kinds() -> None:
    """A bore in the middle, eight bolts and two dowels round the rim, a slot at the edge, a port inside."""
    outline = box(-120, -90, 120, 90)
    bolts = [Point(x, y).buffer(3.3, quad_segs=32) for x in (-110, -40, 40, 110) for y in (-82, 82)]
    dowels = [Point(-110, 10).buffer(4.5, quad_segs=32), Point(110, -10).buffer(4.5, quad_segs=32)]
    bore = Point(0, 5).buffer(28, quad_segs=64)
    slot = LineString([(-20, 70), (10, 70)]).buffer(5)
    port = box(50, -20, 72, 15)
    kinds = suggest_kinds(outline, [*bolts, *dowels, bore, slot, port])
    assert kinds == [*["bolt"] * 8, *["dowel"] * 2, "bore", "coolant", "port"]


def test_suggests_nothing_for_a_lone_hole() -> None:
    assert suggest_kinds(box(0, 0, 240, 180), [Point(40, 90).buffer(5, quad_segs=32)]) == ["other"]


def test_a_hole_of_which_a_lit_wall_hides_a_side_is_a_whole_circle() -> None:
    """The side away from the camera ends at a straight line, as at the wall's foot; on the other side it is no wall."""
    turn = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    ring = 6.0 * np.stack([np.cos(turn), np.sin(turn)], -1) + [50, 20]
    cut = np.stack([np.minimum(ring[:, 0], 52.0), ring[:, 1]], -1)
    hexagon = np.asarray(box(0, 0, 12, 20).exterior.segmentize(0.8).coords)[:-1] + [50, 20]
    outline = np.zeros((4, 2))
    from_left = whole_circles([outline, cut, hexagon], np.array([-200.0, 20.0]))
    np.testing.assert_allclose(np.hypot(*(from_left[1] - [50, 20]).T), 6.0, atol=0.05)
    assert from_left[2] is hexagon
    from_right = whole_circles([outline, cut, hexagon], np.array([300.0, 20.0]))
    assert from_right[1] is cut


def test_what_may_be_a_pit_is_no_opening() -> None:
    assert may_be_pit(Point(0, 0).buffer(1.8), is_round=True)
    assert may_be_pit(box(0, 0, 7, 7), is_round=False)
    assert not may_be_pit(Point(0, 0).buffer(3.0), is_round=True)
    assert not may_be_pit(box(0, 0, 6, 20), is_round=False)


def test_an_outline_that_runs_into_an_opening_is_told() -> None:
    """A slot of 12 x 40 mm whose rim was lost over 4 mm; over 9 mm it is a bay that a plate may have."""
    plate, slot = box(0, 0, 200, 120), box(50, 4, 90, 16)
    assert _bay(plate) is None
    assert _bay(plate.difference(slot).difference(box(60, -1, 69, 5))) is None
    lost = plate.difference(slot).difference(box(60, -1, 64, 5))
    x, y = _bay(lost) or (0.0, 0.0)
    assert 50 < x < 90 and 4 < y < 16


def test_sizes_of_no_plate_are_refused_before_the_work() -> None:
    photo = PhotoClicks(rgb=BLANK)
    for thickness_mm, edge_break_mm, words in (
        (-12.7, 0.0, "thickness: must be above 0, got -12.7 mm = -0.5 in"), (0.0, 0.0, "thickness: must be above 0"),
        (12.0, -0.3, "edge break: "), (12.0, 30.0, "edge break: .* 0 to 3 mm = 0.118 in, got 30 mm = 1.18 in"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words):
            trace_plate(
                [photo], sheet=SheetUse(on="face"), thickness_mm=thickness_mm, edge_break_mm=edge_break_mm
            )


@pytest.mark.parametrize(("lies", "said"), [("bench", "face"), ("face", "bench")])
def test_a_sheet_that_lies_elsewhere_than_was_said_is_refused(lies: str, said: str) -> None:
    """Said to be on the face while on the bench, every length would be 2 to 3 % too large."""
    camera = Camera(homography=np.array([[4.0, 0, 900], [0, -4.0, 700], [0, 0, 1]]), lens=Lens())
    outline = camera.mm_to_px(np.array([(-120, -90), (120, -90), (120, 90), (-120, 90)]))
    corners = np.array([(-40, -30), (40, -30), (40, 30), (-40, 30)]) + (
        [0, 0] if lies == "face" else [170, 0]
    )
    paper = camera.mm_to_px(corners).astype(np.float32)
    _check_lies_on(SheetUse(on=lies), outline, paper, camera, 1)  # type: ignore[arg-type]
    with pytest.raises(
        MeasurementError, match=f"in photo 1, and not where was said; say that it lies on the {lies}"
    ):
        _check_lies_on(SheetUse(on=said), outline, paper, camera, 1)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("gap_mm", "refused"), [(15.0, False), (6.0, False), (2.9, True), (0.0, True), (-5.0, True)]
)
def test_a_sheet_that_may_reach_under_the_plate_is_refused(gap_mm: float, refused: bool) -> None:
    """What lies under the paper counts as bench: a plate on a sheet was traced up to 28 mm too narrow."""
    camera = Camera(homography=np.array([[4.0, 0, 900], [0, -4.0, 700], [0, 0, 1]]), lens=Lens())
    outline = camera.mm_to_px(np.array([(-120, -90), (120, -90), (120, 90), (-120, 90)]))
    low = 120 + gap_mm
    paper = camera.mm_to_px(np.array([(low, -148), (low + 210, -148), (low + 210, 149), (low, 149)]))
    try:
        _check_lies_on(SheetUse(on="bench"), outline, paper.astype(np.float32), camera, 2)
    except MeasurementError as error:
        assert refused and "reaches under it, in photo 2" in str(error)
    else:
        assert not refused


@pytest.mark.slow
@pytest.mark.long
def test_a_plate_that_lies_on_the_sheet_is_not_traced() -> None:
    """20 mm of the sheet under the plate: it was traced 28 mm short, with ten openings of 41 lost, in silence."""
    drawing, rng = load_shipped("heron40_end"), np.random.default_rng(11)
    survey = renders.lapped(drawing, np.random.default_rng(5))
    low_x, low_y, high_x, high_y = drawing.outline.bounds
    place = SheetPlace(middle_mm=(high_x - 20.0 + 105.0, 0.5 * (low_y + high_y)))
    scene = renders.scene_of(
        drawing, rng, tilt_deg=2.0, azimuth_deg=40.0, size_wh=(2400, 1800), fill=0.46, shift=(-0.22, 0.0), sheet=place,
        bench="wood",
    )  # fmt: skip
    with pytest.raises(MeasurementError, match="touches the plate or reaches under it"):
        trace_plate(
            renders.shots(drawing, survey, [scene], (), rng), sheet=SheetUse(on="bench"), thickness_mm=12.0,
            edge_break_mm=scene.chamfer_mm,
        )  # fmt: skip


def test_a_side_that_may_be_the_foot_of_a_lit_wall_is_open_by_its_width() -> None:
    """From 500 mm above a place 90 mm beside it, a wall of 12 mm is in sight over 90 x 12 / 512 = 2.1 mm."""
    pose = np.zeros(11)
    pose[:3], pose[5] = cv2.Rodrigues(np.diag([1.0, -1.0, -1.0]))[0].ravel(), 5.0
    camera = pose_camera(pose, (1600, 1200))
    rgb = np.full((1200, 1600, 3), 180, np.uint8)
    for area, tone in ((box(60, -15, 90, 15), 150), (box(60, -15, 87.9, 15), 60)):
        corners = camera.mm_to_px(np.asarray(area.exterior.coords)[:-1])
        cv2.fillPoly(rgb, [np.round(corners).astype(np.int32)], (tone, tone, tone))

    def doubt(area: Polygon) -> tuple[np.ndarray, np.ndarray]:
        points = np.asarray(area.exterior.segmentize(0.8).coords)[:-1]
        return points, wall_doubt_mm(rgb, points, camera, pose, 12.0)

    points, at_foot = doubt(box(60, -15, 87.9, 15))
    far = (points[:, 0] > 87.8) & (np.abs(points[:, 1]) < 12)
    np.testing.assert_allclose(at_foot[far], 87.9 * 12 / 512, atol=0.01)
    assert not at_foot[points[:, 0] < 80].any()
    assert not doubt(box(60, -15, 90, 15))[1].any()
