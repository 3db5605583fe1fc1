"""Laying a drawing on a photo: edges, camera, picks, look-alikes, the plate as seen from above."""

from __future__ import annotations

import json
from contextlib import nullcontext
from dataclasses import replace

import cv2
import numpy as np
import pytest
from rounds import long
from shapely import Polygon, box
from shapely.affinity import translate

from pitmap.drawing import Drawing, Opening, load_shipped, random_plate, shipped_plates
from pitmap.drawing.random_plate import Symmetry
from pitmap.errors import AlignmentRefused, InputError
from pitmap.estimate import Estimate
from pitmap.grid import Grid
from pitmap.photo import Photo, check_photo
from pitmap.registration import (
    REGIONS,
    Alignment,
    Camera,
    Displaced,
    Lens,
    RunnerUp,
    finder,
    photo_scale,
    rectify,
    refine,
    register,
    register_from_landmarks,
)
from pitmap.registration.agreement import Neighbours
from pitmap.registration.bend import bend_mm
from pitmap.registration.coarse import focal_for, round_openings
from pitmap.registration.displaced import Looked, displaced_outline
from pitmap.registration.edges import DrawnEdges, drawn_edges
from pitmap.registration.evidence import shrink
from pitmap.registration.judge import Evidence
from pitmap.registration.landmarks import view_from_points
from pitmap.registration.opening_moves import OpeningMoves, opening_moves
from pitmap.registration.polish import Fit, Priors, _moved, refine_view
from pitmap.registration.poses import exp_rotation
from pitmap.registration.profiles import fit_profiles
from pitmap.registration.scatter import unmodelled_mm2
from pitmap.registration.second_face import SecondFace, second_face
from pitmap.registration.verdict import doubt, may_settle, mismatch, rivalry
from pitmap.registration.view import View

SIZE = (1000, 760)
BAR_MM = 0.25
"""The bar of the project for the typical photo; here half a pixel."""


def lying_view(tilt: float = 0.3, turn: float = 0.5, distance_mm: float = 480.0) -> View:
    lean = exp_rotation(np.array([[tilt, 0.1, 0.0]]))[0]
    spin = exp_rotation(np.array([[0.0, 0.0, turn]]))[0]
    return View(
        rotation=lean @ np.diag([1.0, -1.0, -1.0]) @ spin,
        shift_mm=np.array([8.0, -5.0, distance_mm]),
        focal_px=1000.0,
        centre_xy=np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]),
        k1=0.02,
    )


def thin(drawing: Drawing) -> Drawing:
    """Without a wall, as a picture painted on the bench."""
    return replace(drawing, thickness_mm=0.01)


def painted(
    drawing: Drawing, view: View, rng: np.random.Generator, beside: tuple[Drawing, ...] = ()
) -> np.ndarray:
    """The face in light grey on a dark speckled bench, four times oversampled; others may lie beside it."""
    w, h = SIZE
    fine = view.scaled(4)
    big = np.full((h * 4, w * 4), 70, np.uint8)
    for face in (drawing, *beside):
        for polygon, tone in [(face.outline, 190)] + [(o.polygon, 40) for o in face.openings]:
            corners = fine.project(np.asarray(polygon.exterior.coords))
            cv2.fillPoly(big, [np.round(corners * 16).astype(np.int32)], tone, shift=4)
    small = cv2.resize(big, SIZE, interpolation=cv2.INTER_AREA).astype(float)
    small += rng.normal(0, 4, small.shape) + 6 * cv2.GaussianBlur(rng.normal(0, 8, small.shape), (0, 0), 4)
    return np.repeat(np.clip(small, 0, 255).astype(np.uint8)[..., None], 3, 2)


@pytest.fixture(scope="module")
def plate() -> Drawing:
    return thin(load_shipped(shipped_plates()[0]))


@pytest.fixture(scope="module")
def photo(plate: Drawing) -> np.ndarray:
    return painted(plate, lying_view(), np.random.default_rng(5))


@pytest.fixture(scope="module")
def aligned(plate: Drawing, photo: np.ndarray) -> Alignment:
    return register(photo, plate)


def rms_mm(camera: Alignment | View, truth: View, drawing: Drawing) -> float:
    points = drawn_edges(drawing, 10.0).points_mm
    px = camera.mm_to_px(points) if isinstance(camera, Alignment) else camera.project(points)
    off = truth.camera().px_to_mm(px) - points
    return float(np.sqrt((off**2).sum(1).mean()))


def test_drawn_edges_normals_point_into_the_void() -> None:
    drawing = Drawing(
        name="block",
        thickness_mm=10,
        outline=Polygon([(0, 0), (60, 0), (60, 40), (0, 40)]),
        openings=(
            Opening(name="slot", kind="other", polygon=Polygon([(20, 10), (40, 10), (40, 30), (20, 30)])),
        ),
        zones={},
    )
    edges = drawn_edges(drawing, 4.0)
    assert edges.part_names == ("outline", "slot")
    same = replace(drawing, openings=(replace(drawing.openings[0], name="outline"),))
    assert drawn_edges(same, 4.0).part_names == ("outline", "opening outline")
    outer = (edges.part == 0) & (edges.length_mm > 0) & (edges.points_mm[:, 1] == 0)
    inner = (edges.part == 1) & (edges.length_mm > 0) & (edges.points_mm[:, 1] == 10)
    assert outer.any() and np.allclose(edges.normals[outer], [0, -1])
    assert inner.any() and np.allclose(edges.normals[inner], [0, 1])
    assert edges.length_mm.max() == pytest.approx(4.0)
    with pytest.raises(InputError, match="above 0"):
        drawn_edges(drawing, 0.0)


def test_round_openings_finds_the_circle_and_not_the_square() -> None:
    circle = Polygon(
        [(5 + 8 * np.cos(a), 3 + 8 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 90, endpoint=False)]
    )
    square = Polygon([(30, 0), (40, 0), (40, 10), (30, 10)])
    drawing = Drawing(
        name="p",
        thickness_mm=10,
        outline=Polygon([(-20, -20), (60, -20), (60, 40), (-20, 40)]),
        openings=(
            Opening(name="square", kind="other", polygon=square),
            Opening(name="bore", kind="bore", polygon=circle),
        ),
        zones={},
    )
    ((x, y, radius),) = round_openings(drawing)
    assert (x, y, radius) == (pytest.approx(5), pytest.approx(3), pytest.approx(8))


def test_view_jacobian_is_the_derivative() -> None:
    view = replace(lying_view(), k2=-0.01)
    points = np.array([[0.0, 0.0], [90.0, -40.0], [-70.0, 80.0]])
    _, jacobian = view.jacobian(points)
    for k in range(11):
        step = np.zeros(11)
        step[k] = 1e-5
        numeric = (view.moved(step).project(points) - view.moved(-step).project(points)) / 2e-5
        assert np.allclose(jacobian[:, :, k], numeric, rtol=1e-4, atol=1e-4)


def test_view_and_its_camera_agree() -> None:
    view = lying_view()
    points = np.array([[0.0, 0.0], [100.0, 50.0]])
    assert np.allclose(view.camera().mm_to_px(points), view.project(points), atol=1e-9)
    assert np.allclose(view.camera().px_to_mm(view.project(points)), points, atol=1e-6)


def test_profiles_that_lie_on_one_side_of_every_step_are_fitted() -> None:
    """Of an edge broken by 0.8 mm, 30 px to the mm: 24 px of which a profile sees six."""
    view = View(
        rotation=np.diag([1.0, -1.0, -1.0]),
        shift_mm=np.array([0.0, 0.0, 100.0]),
        focal_px=3000.0,
        centre_xy=np.array([499.5, 379.5]),
    )
    square = Drawing(name="s", thickness_mm=10, outline=box(-10, -10, 10, 10), openings=(), zones={})
    rgb = np.full((760, 1000, 3), 120, np.uint8)
    fit = fit_profiles(rgb, view, drawn_edges(square, 2.0), thickness_mm=10, edge_break_mm=0.8, blur_px=0.8)
    assert fit.inside.any() and np.abs(fit.offset_px).max() < 1e-6


def test_neighbours_on_a_ring_bear_each_other_out() -> None:
    """A square of 40 samples 10 mm apart, 20 mm to either side: 5 neighbours, round the ring's end too."""
    ring = np.asarray(box(0, 0, 100, 100).exterior.segmentize(10.0).coords)[:-1]
    n = len(ring)
    edges = DrawnEdges(
        points_mm=ring,
        normals=ring,
        part=np.zeros(n, int),
        part_names=("outline",),
        length_mm=np.full(n, 10.0),
    )
    near = Neighbours(edges, 20.0)
    assert n == 40
    met, seen = np.zeros(n), np.ones(n, bool)
    met[0] = 1.0
    step = np.tile([30.0, 30.0, 30.0], (n, 1))
    share = near.share(met, seen, step)
    assert share[[38, 39, 0, 1, 2]] == pytest.approx([0.2] * 5)
    assert share[3:38] == pytest.approx(0.0)
    met[:] = 1.0
    assert near.share(met, seen, step) == pytest.approx(1.0)
    step[::2] *= -1
    assert near.share(met, seen, step) == pytest.approx(0.2)
    assert near.share(met, ~seen, step) == pytest.approx(0.0)


def test_a_fit_for_a_picture_of_twice_the_size(plate: Drawing, photo: np.ndarray) -> None:
    edges = drawn_edges(plate, 4.0)
    fit = refine_view(photo, lying_view(), edges, Priors(log_focal=0.0), thickness_mm=0.01)
    twice = fit.scaled(2.0)
    px = fit.view.project(edges.points_mm)
    assert np.allclose(twice.view.project(edges.points_mm), 2 * px + 0.5)
    assert twice.blur_px == 2 * fit.blur_px and twice.edge_break_mm == fit.edge_break_mm
    ratio = np.sqrt(np.diag(twice.covariance) / np.diag(fit.covariance))
    assert np.allclose(ratio, [1, 1, 1, 1, 1, 1, 1, 2, 2, 1, 1])


def test_both_sides_of_a_smaller_copy_shrink_alike() -> None:
    x, y = np.meshgrid(np.arange(213), np.arange(161))
    small, scale = shrink(np.stack([x, y, x], -1).astype(np.uint8), 71)
    assert scale == 71 / 213 and small.shape == (54, 71, 3)
    # pixel 30 lies at (30 + 0.5) / scale - 0.5 = 91.0 of the original, to the right and down
    assert small[30, 30].tolist() == [91, 91, 91]


def test_edges_that_leave_the_camera_open_are_refused(
    plate: Drawing, photo: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    def singular(*args: object) -> Fit:
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr(finder, "_settle", singular)
    with pytest.raises(AlignmentRefused, match="where the camera stood"):
        refine(photo, plate, lying_view().camera())


@pytest.mark.parametrize("off_mm", [(-19_000.0, 400.0), long((2000.0, -2000.0))])
def test_the_origin_of_the_drawing_does_not_matter(
    plate: Drawing, photo: np.ndarray, aligned: Alignment, off_mm: tuple[float, float]
) -> None:
    points = np.array([o.polygon.centroid.coords[0] for o in plate.openings])
    there = plate.moved(*off_mm)
    picked = points[:6], aligned.mm_to_px(points[:6])
    for found, near in (
        (register(photo, there), aligned),
        (
            register_from_landmarks(photo, there, picked[0] + off_mm, picked[1]),
            register_from_landmarks(photo, plate, *picked),
        ),
        (refine(photo, there, camera_over(aligned, off_mm)), refine(photo, plate, aligned.camera)),
    ):
        assert np.allclose(found.mm_to_px(points + off_mm), near.mm_to_px(points), atol=1e-3)
        assert np.allclose(found.error_mm(points + off_mm), near.error_mm(points), rtol=1e-3)
        assert found.residual_mm.value == pytest.approx(near.residual_mm.value, rel=1e-3)
        assert np.allclose(found.regions.x_mm - off_mm[0], near.regions.x_mm, atol=1e-6)


def camera_over(aligned: Alignment, off_mm: tuple[float, float]) -> Camera:
    """The same camera for the drawing moved by this."""
    return aligned.about(-np.array(off_mm)).camera


def test_register_finds_a_painted_plate(plate: Drawing, aligned: Alignment) -> None:
    assert rms_mm(aligned, lying_view(), plate) < BAR_MM
    assert aligned.seen == pytest.approx(1.0)
    assert aligned.met > 0.8
    assert aligned.residual_mm.low <= aligned.residual_mm.value <= aligned.residual_mm.high < 0.6
    assert aligned.runner_up.kind in ("turned", "mirrored") and aligned.runner_up.margin > 0.1
    assert list(aligned.regions.columns) == REGIONS.names
    assert (aligned.regions.met_share > 0.5).mean() > 0.8


def test_alignment_survives_json(aligned: Alignment) -> None:
    again = Alignment.from_dict(json.loads(json.dumps(aligned.to_dict(), allow_nan=False)))
    points = np.array([[0.0, 0.0], [100.0, -60.0]])
    assert np.array_equal(again.mm_to_px(points), aligned.mm_to_px(points))
    assert np.array_equal(again.error_mm(points), aligned.error_mm(points))
    assert again.regions.equals(aligned.regions) and again.runner_up == aligned.runner_up
    with pytest.raises(InputError, match="to_dict"):
        Alignment.from_dict({"view": {}})
    kept = aligned.to_dict()
    for field, value in [("rotation", [[1, 0], [0, 1]]), ("shift_mm", [0, 0]), ("focal_px", float("nan"))]:
        with pytest.raises(InputError, match="to_dict"):
            Alignment.from_dict({**kept, "view": {**kept["view"], field: value}})
    with pytest.raises(InputError, match="to_dict"):
        Alignment.from_dict({**kept, "regions": ["outline 1"]})


def test_refine_from_a_camera_two_millimetres_off(plate: Drawing, photo: np.ndarray) -> None:
    start = replace(lying_view(), shift_mm=lying_view().shift_mm + [1.5, -1.2, 4.0], k1=0.0)
    found = refine(photo, plate, start.camera())
    assert found.method == "refined"
    assert rms_mm(found, lying_view(), plate) < BAR_MM


def test_landmarks_within_a_few_pixels_are_refined(plate: Drawing, photo: np.ndarray) -> None:
    points = np.array([o.polygon.centroid.coords[0] for o in plate.openings])
    far = points[np.argsort(-np.hypot(*points.T))[:6]]
    picks = lying_view().project(far) + np.random.default_rng(2).normal(0, 2.0, far.shape)
    found = register_from_landmarks(photo, plate, far, picks)
    assert found.method == "landmarks"
    assert rms_mm(found, lying_view(), plate) < BAR_MM


FOUR = np.array([[-100.0, -80.0], [100.0, -80.0], [100.0, 80.0], [-100.0, 80.0], [0.0, 10.0]])


def test_landmarks_a_bad_pick_is_named() -> None:
    picks = lying_view().project(FOUR)
    picks[4] += [150, 90]
    with pytest.raises(AlignmentRefused, match="landmark"):
        view_from_points(FOUR, picks, SIZE)


@pytest.mark.parametrize(("per_mm", "per_px"), [(1 / 25.4, 1.0), (1.0, 0.5)])
def test_landmarks_in_another_unit_or_off_a_smaller_copy_are_told(
    plate: Drawing, photo: np.ndarray, per_mm: float, per_px: float
) -> None:
    """The plate is in the photo and the drawing is right: only the picks can be wrong."""
    mm = np.array([o.polygon.centroid.coords[0] for o in plate.openings])
    px = lying_view().project(mm)
    with pytest.raises(AlignmentRefused, match="landmarks do not lead to the plate"):
        register_from_landmarks(photo, plate, mm * per_mm, px * per_px)


def test_a_landmark_beside_the_photo_is_named(plate: Drawing, photo: np.ndarray) -> None:
    mm = np.array([o.polygon.centroid.coords[0] for o in plate.openings])
    px = lying_view().project(mm)
    px[2] = 1200.0, 40.0
    with pytest.raises(
        InputError, match=r"place 3 at \(1200, 40\) px lies beside the photo of 1000 x 760 px"
    ):
        register_from_landmarks(photo, plate, mm, px)


def test_landmarks_mirrored_are_refused() -> None:
    with pytest.raises(AlignmentRefused, match="mirrored"):
        view_from_points(FOUR * [-1, 1], lying_view().project(FOUR), SIZE)


@pytest.mark.parametrize(
    ("mm", "px", "word"),
    [
        (FOUR[:3], FOUR[:3], "four or more"),
        (FOUR[:4] * np.nan, FOUR[:4], "finite"),
        (np.array([[0.0, 0], [1, 1], [2, 2], [3, 3]]), FOUR[:4], "one line"),
    ],
)
def test_landmarks_that_cannot_be_used(mm: np.ndarray, px: np.ndarray, word: str) -> None:
    with pytest.raises(InputError, match=word):
        view_from_points(mm, px, SIZE)


def test_register_checks_its_arguments(plate: Drawing) -> None:
    grey = np.zeros((300, 420), np.uint8)
    with pytest.raises(InputError, match="RGB"):
        register(grey, plate)
    with pytest.raises(InputError, match="px_hint"):
        register(np.zeros((500, 700, 3), np.uint8), plate, px_hint=-1)
    for focal_px in (0.0, -5.0, float("nan")):
        with pytest.raises(InputError, match="focal_px: expected a number above 0"):
            refine(np.zeros((760, 1000, 3), np.uint8), plate, lying_view().camera(), focal_px=focal_px)
        with pytest.raises(InputError, match="focal_px: expected a number above 0"):
            register_from_landmarks(
                np.zeros((760, 1000, 3), np.uint8), plate, np.eye(4, 2), np.eye(4, 2), focal_px=focal_px
            )
    with pytest.raises(AlignmentRefused, match="300 x 200"):
        register(np.zeros((200, 300, 3), np.uint8), plate)
    for width, height in ((4000, 2), (32_767, 1700)):
        with pytest.raises(AlignmentRefused, match=f"strip of {width} x {height} px"):
            register(np.zeros((height, width, 3), np.uint8), plate)


def test_register_refuses_an_empty_picture(plate: Drawing) -> None:
    with pytest.raises(AlignmentRefused, match="not found"):
        register(np.full((380, 500, 3), 120, np.uint8), plate)


@pytest.mark.slow
def test_two_plates_in_one_picture_are_refused_until_one_is_picked(plate: Drawing) -> None:
    """Either of them was laid with certainty, and the map could be that of the other plate."""
    view = lying_view(tilt=0.1, turn=0.05, distance_mm=780.0)
    low_x, _, high_x, _ = plate.outline.bounds
    apart = 0.55 * (high_x - low_x)
    left, right = plate.moved(-apart, 0.0), plate.moved(apart, 12.0)
    alone = register(painted(left, view, np.random.default_rng(7)), left)
    assert rms_mm(alone, view, left) < 2 * BAR_MM
    both = painted(left, view, np.random.default_rng(7), (right,))
    with pytest.raises(AlignmentRefused, match="two plates"):
        register(both, left)
    holes = np.array([o.polygon.centroid.coords[0] for o in right.openings])
    found = register_from_landmarks(both, right, holes, view.project(holes))
    assert rms_mm(found, view, right) < 2 * BAR_MM


@pytest.mark.slow
def test_register_refuses_the_mirrored_drawing(plate: Drawing, photo: np.ndarray) -> None:
    with pytest.raises(AlignmentRefused, match="mirror image of the drawing.*other face") as refused:
        register(photo, thin(plate.mirrored("other face")))
    assert "pitmap" not in str(refused.value)  # a page shows it too, where there are no commands


def test_a_mirrored_picture_is_not_said_to_be_without_the_plate(plate: Drawing, photo: np.ndarray) -> None:
    """As the camera beside the screen saves it, or with an orientation mark that lies."""
    with pytest.raises(AlignmentRefused, match="mirrored picture.*back of the phone"):
        register(np.ascontiguousarray(photo[:, ::-1]), plate)


@pytest.mark.parametrize("turn_deg", [20.0, 137.0, 250.0])
def test_openings_drawn_three_millimetres_from_where_they_are_refuse_the_drawing(
    plate: Drawing, photo: np.ndarray, aligned: Alignment, turn_deg: float
) -> None:
    """At any angle, between the places that are tried for every piece of the drawing too."""
    angle = np.radians(turn_deg)
    others = [
        replace(o, polygon=translate(o.polygon, 3 * np.cos(angle), 3 * np.sin(angle))) if k % 5 == 0 else o
        for k, o in enumerate(plate.openings)
    ]
    drawing = replace(plate, openings=tuple(others), zones={}, bands=())
    with pytest.raises(AlignmentRefused, match="in places only"):
        refine(photo, drawing, Camera(homography=aligned.homography, lens=aligned.lens))


def off_by(drawing: Drawing, name: str, right_mm: float, up_mm: float) -> Drawing:
    """The drawing with one opening elsewhere."""
    openings = tuple(
        replace(o, polygon=translate(o.polygon, right_mm, up_mm)) if o.name == name else o
        for o in drawing.openings
    )
    return replace(drawing, openings=openings, zones={}, bands=())


@pytest.mark.parametrize(
    ("kind", "right_mm", "up_mm"), [("port", -2.0, 1.5), ("coolant", 1.3, 2.9), ("bolt", 2.0, -1.2)]
)
def test_one_opening_drawn_elsewhere_is_told_and_does_not_shift_the_plate(
    plate: Drawing, photo: np.ndarray, aligned: Alignment, kind: str, right_mm: float, up_mm: float
) -> None:
    name = next(o.name for o in plate.openings if o.kind == kind)
    wrong = off_by(plate, name, right_mm, up_mm)
    found = refine(photo, wrong, Camera(homography=aligned.homography, lens=aligned.lens))
    assert rms_mm(found, lying_view(), plate) < BAR_MM
    (opening,) = found.displaced
    # the photo shows it where the drawing had it before
    assert (opening.name, opening.right_mm, opening.up_mm) == (
        name,
        pytest.approx(-right_mm, abs=0.25),
        pytest.approx(-up_mm, abs=0.25),
    )
    assert found.unmet == ()
    assert name in opening.sentence() and "mend the drawing" in opening.sentence()


def test_an_opening_may_be_named_as_if_it_were_of_the_outline(
    plate: Drawing, photo: np.ndarray, aligned: Alignment
) -> None:
    name = next(o.name for o in plate.openings if o.kind == "port")
    wrong = off_by(plate, name, -2.0, 1.5)
    wrong = replace(
        wrong,
        openings=tuple(replace(o, name="outline 3") if o.name == name else o for o in wrong.openings),
    )
    found = refine(photo, wrong, Camera(homography=aligned.homography, lens=aligned.lens))
    assert [d.name for d in found.displaced] == ["outline 3"]


def test_a_right_drawing_has_no_opening_elsewhere_also_where_one_is_covered(
    plate: Drawing, photo: np.ndarray, aligned: Alignment
) -> None:
    assert aligned.displaced == ()
    covered = photo.copy()
    for kind in ("coolant", "bolt"):
        opening = next(o for o in plate.openings if o.kind == kind)
        x, y = aligned.mm_to_px(np.array(opening.polygon.centroid.coords))[0].round().astype(int)
        cv2.rectangle(covered, (int(x) - 40, int(y) - 40), (int(x) + 40, int(y) + 40), (150, 30, 30), -1)
    found = refine(covered, plate, Camera(homography=aligned.homography, lens=aligned.lens))
    assert found.displaced == ()


@pytest.mark.parametrize(("side", "seed"), [(5.2, 4), long(3.1, 3)])
def test_a_rag_over_a_third_of_the_plate_does_not_pull_the_drawing_to_its_folds(
    plate: Drawing, photo: np.ndarray, side: float, seed: int
) -> None:
    """Its folds have edges too; half a millimetre over all of the plate, hidden or not, is the bar of the whole photo."""
    rng = np.random.default_rng(seed)
    h, w = photo.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    along = x * np.cos(side) + y * np.sin(side)
    metal = np.zeros((h, w), np.uint8)
    outline = lying_view().project(np.asarray(plate.outline.exterior.coords))
    cv2.fillPoly(metal, [np.round(outline).astype(np.int32)], 1)
    folds = cv2.GaussianBlur(rng.normal(0, 1, (h, w)), (0, 0), 5)
    hides = along > np.quantile(along[metal > 0], 0.65)
    covered = np.where(
        hides[..., None], np.clip(120 + 30 * folds / folds.std(), 0, 255)[..., None], photo
    ).astype(np.uint8)
    found = register(covered, plate)
    assert rms_mm(found, lying_view(), plate) < 0.5


def test_displaced_openings_are_kept_in_the_file_and_files_of_before_are_read(aligned: Alignment) -> None:
    told = replace(aligned, displaced=(Displaced(name="port_1", right_mm=1.5, up_mm=-2.0),))
    plain = json.loads(json.dumps(told.to_dict()))
    assert Alignment.from_dict(plain).displaced == told.displaced
    del plain["displaced"]
    assert Alignment.from_dict(plain).displaced == ()


def inked(shape: tuple[int, int], drawing: Drawing, view: View) -> np.ndarray:
    """Share of each pixel that a face covers, (H, W)."""
    h, w = shape
    big = np.zeros((h * 4, w * 4), np.uint8)
    for polygon, tone in [(drawing.outline, 255)] + [(o.polygon, 0) for o in drawing.openings]:
        corners = view.scaled(4).project(np.asarray(polygon.exterior.coords))
        cv2.fillPoly(big, [np.round(corners * 16).astype(np.int32)], tone, shift=4)
    return cv2.resize(big, (w, h), interpolation=cv2.INTER_AREA) / 255.0


@pytest.mark.parametrize(("right_mm", "up_mm"), [(-4.0, 3.0), (0.5, -6.0)])
def test_a_gasket_of_the_plate_s_own_shape_on_it_is_refused(
    plate: Drawing, photo: np.ndarray, right_mm: float, up_mm: float
) -> None:
    """All of its edges are met, so the drawing was laid on it with certainty, millimetres beside the plate."""
    sheet = plate.moved(right_mm, up_mm)
    cover = inked(photo.shape[:2], sheet, lying_view())[..., None]
    paper = 110 + np.random.default_rng(8).normal(0, 4, photo.shape[:2])[..., None]
    covered = np.clip(photo * (1 - cover) + paper * cover, 0, 255).astype(np.uint8)
    over_the_sheet = lying_view().about(np.array([right_mm, up_mm]))
    with pytest.raises(AlignmentRefused, match=r"openings show twice, about \d mm apart.*gasket"):
        refine(covered, plate, over_the_sheet.camera())
    apart = second_face(Looked(rgb=covered, view=over_the_sheet, thickness_mm=0.01), drawn_edges(plate, 2.0))
    assert apart.is_there and apart.away_mm == pytest.approx(np.hypot(right_mm, up_mm), abs=0.8)


@pytest.mark.parametrize(("every", "is_there"), [(1, True), (2, False)])
def test_metal_shows_in_all_openings_of_a_sheet_not_in_half_of_them(
    plate: Drawing, photo: np.ndarray, every: int, is_there: bool
) -> None:
    """Lit walls and rust look like metal in some of them: usable photos of three bare plates had been refused."""
    painted, push = photo.copy(), np.array([-3.0, -3.0])
    for opening in plate.openings[::every]:
        strip = opening.polygon.difference(translate(opening.polygon, *push))
        for piece in getattr(strip, "geoms", [strip]):
            corners = lying_view().project(np.asarray(piece.exterior.coords))
            cv2.fillPoly(painted, [np.round(corners).astype(np.int32)], (200, 200, 200))
    at = Looked(rgb=painted, view=lying_view(), thickness_mm=0.01)
    assert second_face(at, drawn_edges(plate, 2.0)).is_there == is_there


@pytest.mark.parametrize(("right_mm", "up_mm"), [(2.5, 1.5), (-4.0, 3.0)])
def test_a_shadow_to_one_side_is_no_second_face(
    plate: Drawing, photo: np.ndarray, right_mm: float, up_mm: float
) -> None:
    metal = inked(photo.shape[:2], plate, lying_view())
    shade = inked(photo.shape[:2], plate.moved(right_mm, up_mm), lying_view()) * (1 - metal)
    dark = (photo * (1 - 0.7 * shade)[..., None]).astype(np.uint8)
    found = refine(dark, plate, lying_view().camera())
    assert rms_mm(found, lying_view(), plate) < 2 * BAR_MM


def test_openings_all_drawn_beside_their_places_tell_of_the_outline(
    plate: Drawing, photo: np.ndarray
) -> None:
    """The drawing lies right by its openings; the rim is there all round, only not where the drawing has it."""
    wrong = replace(
        plate,
        openings=tuple(replace(o, polygon=translate(o.polygon, 1.4, -0.6)) for o in plate.openings),
        zones={},
        bands=(),
    )
    at_openings = Looked(rgb=photo, view=lying_view().about(np.array([-1.4, 0.6])), thickness_mm=0.01)
    told = displaced_outline(at_openings, at_openings, drawn_edges(wrong, 2.0))
    assert told is not None
    assert (told.right_mm, told.up_mm) == (pytest.approx(1.4, abs=0.1), pytest.approx(-0.6, abs=0.1))
    assert "beside the rim" in mismatch(told, SecondFace(excess=0.0, away_mm=0.0))
    right = replace(at_openings, view=lying_view())
    assert displaced_outline(right, right, drawn_edges(plate, 2.0)) is None


@pytest.mark.parametrize(("right_mm", "up_mm"), [(1.0, 0.0), (-1.1, 0.0), (0.0, 1.0)])
def test_an_outline_a_millimetre_beside_the_rim_is_told(
    plate: Drawing, photo: np.ndarray, right_mm: float, up_mm: float
) -> None:
    """Along a straight side an outline slides on the rim: half of it is met still."""
    wrong = replace(
        plate,
        openings=tuple(replace(o, polygon=translate(o.polygon, right_mm, up_mm)) for o in plate.openings),
        zones={},
        bands=(),
    )
    at_openings = Looked(rgb=photo, view=lying_view().about(np.array([-right_mm, -up_mm])), thickness_mm=0.01)
    told = displaced_outline(at_openings, at_openings, drawn_edges(wrong, 2.0))
    assert told is not None
    assert (told.right_mm, told.up_mm) == (pytest.approx(right_mm, abs=0.1), pytest.approx(up_mm, abs=0.1))


def test_an_opening_that_is_filled_in_is_told(plate: Drawing, photo: np.ndarray) -> None:
    opening = next(o for o in plate.openings if o.kind == "coolant")
    plug = replace(plate, outline=opening.polygon.buffer(1.0), openings=(), zones={}, bands=())
    cover = inked(photo.shape[:2], plug, lying_view())[..., None]
    grain = np.random.default_rng(8).normal(190, 4, photo.shape[:2])[..., None]
    filled = np.clip(photo * (1 - cover) + grain * cover, 0, 255).astype(np.uint8)
    found = register(filled, plate)
    assert found.unmet == (opening.name,)
    (words,) = found.unmet_words
    assert f"no edge of {opening.name} where the drawing has it" in words and "filled in" in words
    again = Alignment.from_dict(json.loads(json.dumps(found.to_dict())))
    assert again.unmet == found.unmet
    report = check_photo(
        Photo(name="filled", rgb=filled, sha256="", format="png"), alignment=found, drawing=plate
    )
    assert [f.text for f in report.findings if f.code == "drawing"] == [words]


def test_an_outline_that_the_photo_does_not_show_is_told(plate: Drawing, photo: np.ndarray) -> None:
    """On a bench of the metal's own tone nothing speaks for the place of the rim."""
    solid = inked(photo.shape[:2], replace(plate, openings=(), zones={}, bands=()), lying_view())[..., None]
    bench = np.random.default_rng(8).normal(190, 4, photo.shape[:2])[..., None]
    faint = np.where(solid == 1, photo, np.clip(bench, 0, 255)).astype(np.uint8)
    found = refine(faint, plate, lying_view().camera())
    assert found.unmet == ("outline",) and "outline" in found.unmet_words[0]


def test_a_plate_that_is_all_there_has_nothing_to_tell(aligned: Alignment) -> None:
    assert aligned.unmet == () and aligned.unmet_words == ()


def at(*names: str) -> tuple[Displaced, ...]:
    return tuple(
        Displaced(name=n, right_mm=3.0, up_mm=0.0, is_opening=not n.startswith("outline ")) for n in names
    )


GOOD = Evidence(in_frame=1.0, met=0.8, chance=0.15, regions_met=0.9, n_regions=40, displaced=())


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({}, ""),
        ({"met": 0.3}, "not found"),
        ({"met": 0.42, "chance": 0.3}, "not found"),
        ({"displaced": at("port_1", "bolt_2")}, "in places only"),
        ({"displaced": at("port_1", "bolt_2")}, "does anything lie on the plate"),
        ({"displaced": at("outline 3")}, ""),
        ({"displaced": at("outline 3"), "regions_met": 0.7}, "in places only"),
        (
            {"displaced": at("outline 3"), "regions_met": 0.7},
            "one part lies millimetres from where the rest puts it, as where lines of the bench",
        ),
        ({"displaced": at("outline 1", "outline 3", "outline 5")}, "3 parts lie millimetres"),
        ({"displaced": at("port_1", "bolt_2", "outline 3")}, "port_1, bolt_2, outline 3 lie millimetres"),
        ({"n_regions": 6}, "too little"),
        # a plate with four bolts has few pieces, and all of it was in the picture
        ({"n_regions": 16, "regions_met": 0.45}, "show all of the plate, sharp and in even light"),
        ({"regions_met": 0.4}, "only 40 %"),
    ],
)
def test_doubt_names_the_rule_that_is_broken(change: dict[str, object], word: str) -> None:
    reason = doubt(replace(GOOD, **change))
    assert word in reason and bool(word) == bool(reason)


def test_two_places_that_the_drawing_fits_need_not_be_two_plates() -> None:
    """Of one plate with few openings, on tiles, the photo was said to show two."""
    beside = RunnerUp(kind="moved", turn_deg=float("nan"), met=0.7, margin=0.1)
    reason = rivalry(GOOD, beside, is_picked=False)
    assert "two places in the photo (80 % of the edges in one, 70 % in the other)" in reason
    assert "or a bench with lines of its own" in reason and "pick landmarks" in reason


@pytest.mark.parametrize(("met", "is_open"), [(0.55, False), (0.9, True), (1.1, True)])
def test_a_look_alike_that_meets_nearly_as_much_may_be_the_right_one(met: float, is_open: bool) -> None:
    """A mirrored drawing was laid on a nearly symmetric plate: under a glove the right pose met nine tenths as much."""
    rival = RunnerUp(kind="mirrored", turn_deg=0.4, met=met * GOOD.met, margin=(1 - met) * GOOD.met)
    assert bool(rivalry(GOOD, rival, is_picked=False)) == is_open
    assert not rivalry(GOOD, replace(rival, is_told_apart=True), is_picked=False)


@pytest.mark.parametrize(("kind", "is_open"), [("moved", True), ("mirrored", False), ("turned", False)])
def test_another_plate_beside_it_needs_less_to_leave_the_choice_open(kind: str, is_open: bool) -> None:
    """A near symmetric plate has 0.77 of its own edges in its look-alike too; bare bench beside a plate has none of them."""
    rival = RunnerUp(kind=kind, turn_deg=90.0, met=0.77 * GOOD.met, margin=0.23 * GOOD.met)
    assert bool(rivalry(GOOD, rival, is_picked=False)) == is_open


def picked_on(plate: Drawing, view: View, turned: bool) -> tuple[np.ndarray, np.ndarray]:
    """Seven openings all round a plate, each picked on the photo, or each on its twin half a turn away."""
    middle = np.array(plate.outline.centroid.coords[0])
    some = plate.openings[:: len(plate.openings) // 6]
    holes = np.array([o.polygon.centroid.coords[0] for o in some])
    return (2 * middle - holes if turned else holes), view.project(holes)


TELLING = ("port_1", "port_2", "dowel_ear_1", "dowel_ear_3")
"""What tells the plates of `nearly_symmetric` from their look-alikes: 162 mm of 2,900 mm of edge."""


def nearly_symmetric(symmetry: Symmetry) -> Drawing:
    return thin(random_plate(np.random.default_rng(4), symmetry=symmetry))


def painted_without(drawing: Drawing, view: View, hidden: tuple[str, ...]) -> np.ndarray:
    """A photo of the face with some of its openings filled in."""
    openings = tuple(o for o in drawing.openings if o.name not in hidden)
    return painted(replace(drawing, openings=openings), view, np.random.default_rng(5))


@pytest.mark.parametrize("symmetry", ["rotated", "mirrored"])
def test_a_nearly_symmetric_plate_is_told_by_what_its_look_alike_has_not(symmetry: Symmetry) -> None:
    """It was refused: the look-alike meets nine tenths of the edges, all that the two have in common."""
    nearly, view = nearly_symmetric(symmetry), lying_view(distance_mm=520.0)
    found = register(painted_without(nearly, view, ()), nearly)
    assert rms_mm(found, view, nearly) < BAR_MM + 0.05  # a plate a fifth larger, at half a pixel still
    assert found.runner_up.is_told_apart and found.runner_up.met > 0.9 * found.met


@pytest.mark.parametrize("symmetry", ["rotated", long("mirrored")])
def test_a_plate_that_shows_nothing_of_what_tells_it_from_its_look_alike_is_refused(
    symmetry: Symmetry,
) -> None:
    nearly, view = nearly_symmetric(symmetry), lying_view(distance_mm=520.0)
    with pytest.raises(AlignmentRefused, match="ambiguous"):
        register(painted_without(nearly, view, TELLING), nearly)


def test_the_mirror_image_of_a_nearly_symmetric_plate_is_refused() -> None:
    nearly, view = nearly_symmetric("mirrored"), lying_view(distance_mm=520.0)
    with pytest.raises(AlignmentRefused, match="mirror image of the drawing"):
        register(painted_without(nearly, view, ()), nearly.mirrored("the other face"))


@pytest.mark.parametrize("symmetry", ["mirrored", long("rotated")])
def test_one_hole_does_not_tell_a_plate_from_its_look_alike_and_landmarks_do(symmetry: Symmetry) -> None:
    nearly, view = nearly_symmetric(symmetry), lying_view(distance_mm=520.0)
    photo = painted_without(nearly, view, TELLING[:3])
    with pytest.raises(AlignmentRefused, match="ambiguous.*or pick landmarks"):
        register(photo, nearly)
    found = register_from_landmarks(photo, nearly, *picked_on(nearly, view, turned=False))
    assert rms_mm(found, view, nearly) < BAR_MM + 0.05  # a plate a fifth larger, at half a pixel still


def test_landmarks_picked_half_a_turn_round_are_refused() -> None:
    nearly, view = nearly_symmetric("rotated"), lying_view(distance_mm=520.0)
    photo = painted_without(nearly, view, ())
    with pytest.raises(
        AlignmentRefused, match=r"turned by 180 deg meets 100 % .* no landmark is picked on the twin"
    ):
        register_from_landmarks(photo, nearly, *picked_on(nearly, view, turned=True))


@pytest.mark.parametrize(
    ("met", "said"),
    [
        (0.79, "79 % of the edges, the best pose 80 %"),
        (0.83, "83 % of the edges, the drawing as it was found 80 %"),
    ],
)
def test_a_pose_is_called_the_best_only_where_it_is(met: float, said: str) -> None:
    """A refusal read: turned by 180 deg meets 83 % of the edges, the best pose 80 %."""
    twins = RunnerUp(kind="turned", turn_deg=180.0, met=met, margin=0.8 - met)
    assert said in rivalry(GOOD, twins, is_picked=False)


def test_landmarks_are_not_asked_for_where_they_settle_nothing() -> None:
    twins = RunnerUp(kind="turned", turn_deg=180.0, met=0.79, margin=0.01)
    assert "pick landmarks" not in rivalry(GOOD, twins, is_picked=False)
    assert "ambiguous" in rivalry(GOOD, twins, is_picked=True)


@pytest.mark.parametrize(
    ("change", "settles"),
    [
        ({}, False),
        ({"displaced": at("outline 3")}, False),
        ({"displaced": at("outline 3"), "regions_met": 0.7}, True),
        ({"displaced": at("outline 3", "port_1"), "regions_met": 0.7}, False),
        ({"displaced": at("outline 3"), "regions_met": 0.7, "met": 0.3}, False),
        ({"displaced": at("outline 1", "outline 2", "outline 3")}, True),
    ],
)
def test_only_a_shifted_outline_is_looked_at_again(change: dict[str, object], settles: bool) -> None:
    assert may_settle(replace(GOOD, **change)) is settles


@pytest.mark.parametrize("still", [False, True])
def test_a_shifted_outline_is_judged_again_from_the_settled_view(
    plate: Drawing, photo: np.ndarray, monkeypatch: pytest.MonkeyPatch, still: bool
) -> None:
    """The first look is from a rough view; what it says of the outline counts only if the settled view agrees."""
    doubtful = replace(GOOD, displaced=at("outline 3"), regions_met=0.7)
    looks = iter([doubtful, doubtful if still else GOOD])
    views = []

    def weigh(rgb: np.ndarray, view: View, *_: object) -> Evidence:
        views.append(view)
        return next(looks)

    monkeypatch.setattr("pitmap.registration.finder.weigh", weigh)
    start = lying_view().camera()
    if still:
        with pytest.raises(AlignmentRefused, match="of its outline one part lies"):
            refine(photo, plate, start)
    else:
        assert refine(photo, plate, start).residual_mm.value < BAR_MM
    assert len(views) == 2 and not np.array_equal(views[0].shift_mm, views[1].shift_mm)


def test_a_view_that_strays_while_it_settles_is_weighed_where_it_ends(
    plate: Drawing, photo: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Steps on the photo itself can run away; what was met before them is no evidence then."""
    settle = finder._settle

    def astray(*args: object) -> Fit:
        fit = settle(*args)  # type: ignore[arg-type]
        return replace(fit, view=replace(fit.view, shift_mm=fit.view.shift_mm + [5.0, 3.0, 0.0]))

    monkeypatch.setattr(finder, "_settle", astray)
    with pytest.raises(AlignmentRefused, match="was not found"):
        refine(photo, plate, lying_view().camera())


def test_a_photo_cropped_to_one_side_is_laid_by_a_lens_beside_its_middle(plate: Drawing) -> None:
    """The lens bends straight lines about the middle of the photo as it was taken, not of what was left of it."""
    view = lying_view(distance_mm=560.0)
    photo = painted(plate, view, np.random.default_rng(5))
    found = register(np.ascontiguousarray(photo[130:]), plate)
    x0, y0, x1, y1 = plate.outline.bounds
    points = np.stack(np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 9)), -1).reshape(-1, 2)
    back = view.camera().px_to_mm(found.mm_to_px(points) + [0, 130])
    assert np.sqrt(((back - points) ** 2).sum(1).mean()) < min(0.25, found.residual_mm.high)
    assert found.is_part and "caliper" in found.part_words
    assert Alignment.from_dict(found.to_dict()).is_part
    # half of what was cut away, in place of none
    assert found.view.centre_xy[1] < (SIZE[1] - 131) / 2 - 30


def test_a_photo_as_it_was_taken_is_no_part(aligned: Alignment) -> None:
    assert not aligned.is_part and aligned.part_words == ""


def test_a_part_of_a_photo_that_says_too_little_is_refused_as_such(
    plate: Drawing, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = painted(plate, lying_view(distance_mm=560.0), np.random.default_rng(5))
    monkeypatch.setattr("pitmap.registration.verdict._MAX_ERROR_MM", 0.0)
    with pytest.raises(AlignmentRefused, match="cropped or stitched.*only known to"):
        register(np.ascontiguousarray(photo[130:]), plate)


@pytest.mark.parametrize(("most", "is_taken"), [(1.01, True), (0.99, False)])
def test_a_place_is_known_well_enough_by_the_high_end_of_its_error(
    plate: Drawing,
    photo: np.ndarray,
    aligned: Alignment,
    monkeypatch: pytest.MonkeyPatch,
    most: float,
    is_taken: bool,
) -> None:
    """The likeliest error lies far below the end that may be true all the same: it is that end which must be small."""
    error = aligned.residual_mm
    assert error.value < 0.9 * error.high
    monkeypatch.setattr("pitmap.registration.verdict._MAX_ERROR_MM", most * error.high)
    with nullcontext() if is_taken else pytest.raises(AlignmentRefused, match="only known to"):
        register(photo, plate)


def test_a_squeezed_photo_is_not_blamed_on_the_drawing_alone(plate: Drawing, photo: np.ndarray) -> None:
    """Narrower by 4 %, as a layout program makes it, openings come to lie beside their places with the right drawing too."""
    squeezed = cv2.resize(photo, (round(0.96 * SIZE[0]), SIZE[1]), interpolation=cv2.INTER_AREA)
    with pytest.raises(
        AlignmentRefused, match="lie millimetres.*right drawing.*as the camera took it.*squeezed"
    ):
        register(squeezed, plate)


def test_rectify_puts_a_pixel_where_its_millimetre_is() -> None:
    # 2 px per mm, y up: the photo's pixel (x, y) lies at mm (x / 2, (40 - y) / 2)
    camera = Camera(homography=np.array([[2.0, 0, 0], [0, -2.0, 40], [0, 0, 1]]), lens=Lens())
    rgb = np.zeros((50, 70, 3), np.uint8)
    rgb[:, 30:] = 200
    grid = Grid(x0_mm=-5, y1_mm=18, px_per_mm=2.0, n_rows=30, n_cols=60)
    plate, in_frame = rectify(rgb, camera, grid)
    assert plate.shape == (30, 60, 3) and in_frame.shape == (30, 60)
    # column j is centred on x = -5 + (j + 0.5) / 2 mm, that is photo column j - 9.5
    assert not in_frame[:, :10].any() and in_frame[:, 10:].all()
    assert plate[:, 45].max() == 200 and plate[:, 34].min() == 0 and plate[:, :10].max() == 0
    assert np.allclose(photo_scale(camera, grid), 2.0, atol=1e-3)
    with pytest.raises(InputError, match="8-bit"):
        rectify(rgb.astype(float), camera, grid)


@pytest.mark.parametrize("grid_px_per_mm", [10.0, 6.0, 4.0])
def test_rectify_keeps_a_spot_in_its_place_on_every_grid(grid_px_per_mm: float) -> None:
    """20 px per mm: a square of the photo's pixels 400..459, 300..339 is centred on its pixel place 429.5, 319.5.

    The middle of the photo's first pixel is the place 0, so the square spans 399.5 to 459.5. On the coarser grids the photo
    is reduced first, whose pixels have their middles elsewhere. OpenCV's remap knows places to 1/32 of a pixel.
    """
    camera = Camera(homography=np.array([[20.0, 0, 0], [0, -20.0, 800], [0, 0, 1]]), lens=Lens())
    grey = np.zeros((801, 1003), np.uint8)
    grey[300:340, 400:460] = 200
    grid = Grid(
        x0_mm=5,
        y1_mm=36,
        px_per_mm=grid_px_per_mm,
        n_rows=round(30 * grid_px_per_mm),
        n_cols=round(40 * grid_px_per_mm),
    )
    plate, _ = rectify(grey, camera, grid)
    x, y = grid.centres_mm()
    weight = plate / plate.sum()
    close = 0.04 / grid_px_per_mm
    assert weight.sum(axis=0) @ x == pytest.approx(429.5 / 20, abs=close)
    assert weight.sum(axis=1) @ y == pytest.approx((800 - 319.5) / 20, abs=close)
    # and its size: 60 x 40 px of 1/400 mm2
    assert plate.sum() / 200 * grid.pixel_area_mm2 == pytest.approx(6.0, rel=0.01)


def test_rectify_is_black_where_the_photo_does_not_reach() -> None:
    """A bright photo of 50 x 70 px at 2 px per mm lies in a wider grid: nothing of its edge is drawn out over the rest."""
    camera = Camera(homography=np.array([[2.0, 0, 0], [0, -2.0, 40], [0, 0, 1]]), lens=Lens())
    plate, in_frame = rectify(
        np.full((50, 70), 180, np.uint8),
        camera,
        Grid(x0_mm=-5, y1_mm=25, px_per_mm=2.0, n_rows=70, n_cols=90),
    )
    # rows 10 to 59 and columns 10 to 79 are the photo's; of its outermost pixels half lies beyond the last middle
    assert (plate[in_frame] == 180).all() and plate[~in_frame].max() == 0
    assert 48 * 68 <= in_frame.sum() <= 50 * 70


def test_rectify_averages_when_the_grid_is_coarser() -> None:
    camera = Camera(homography=np.array([[8.0, 0, 0], [0, -8.0, 400], [0, 0, 1]]), lens=Lens())
    stripes = np.tile(np.array([0, 200], np.uint8), (400, 320))
    plate, _ = rectify(stripes, camera, Grid(x0_mm=10, y1_mm=40, px_per_mm=1.0, n_rows=20, n_cols=40))
    assert np.abs(plate.astype(int) - 100).max() <= 12


@pytest.mark.parametrize(("what", "photo_px", "grid_px"), [("picture", 32_767, 40), ("grid", 60, 32_767)])
def test_rectify_refuses_what_is_too_long_to_resample(what: str, photo_px: int, grid_px: int) -> None:
    camera = Camera(homography=np.array([[2.0, 0, 0], [0, -2.0, 40], [0, 0, 1]]), lens=Lens())
    grid = Grid(x0_mm=0, y1_mm=20, px_per_mm=2.0, n_rows=20, n_cols=grid_px)
    with pytest.raises(InputError, match=f"the {what} is 32767 x .* coarser scale"):
        rectify(np.zeros((40, photo_px), np.uint8), camera, grid)


def test_focal_for_a_right_angle() -> None:
    assert focal_for((1000, 700), 90.0) == pytest.approx(500.0)


def test_alignment_checks_its_covariance(aligned: Alignment) -> None:
    with pytest.raises(InputError, match="covariance"):
        replace(aligned, covariance=np.zeros((3, 3)))
    other = replace(
        aligned,
        residual_mm=Estimate(value=0.1, low=0.05, high=0.2),
        runner_up=RunnerUp(kind="none", turn_deg=float("nan"), met=float("nan"), margin=float("nan")),
    )
    assert Alignment.from_dict(other.to_dict()).runner_up.kind == "none"


def test_a_step_too_long_for_its_straight_lines_is_cut_short() -> None:
    """Focal length and distance hardly differ in what they do: a step far along both bends the way of the edges."""
    view = lying_view(tilt=0.45, distance_mm=310.0)
    corners = np.array([[-120.0, -100], [120, -100], [120, 100], [-120, 100]])
    step = np.zeros(11)
    step[5], step[6] = 60.0, 0.18

    def bend(part: float) -> float:
        here, slope = view.jacobian(corners)
        off = view.moved(part * step).project(corners) - here - slope @ (part * step)
        return float(np.sqrt((off**2).sum(1).mean()))

    assert bend(1.0) > 2.0
    short, is_whole = _moved(view, step, corners, 0.5)
    assert not is_whole
    part = np.log(short.focal_px / view.focal_px) / step[6]
    assert bend(part) <= 0.5 < bend(2 * part)
    assert _moved(view, step, corners[:0], 0.5)[1]
    whole, is_whole = _moved(view, 0.01 * step, corners, 0.5)
    assert is_whole
    assert whole.focal_px == pytest.approx(view.focal_px * np.exp(0.0018))


def test_a_refusal_says_what_spoke_against_the_place_that_was_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A second, wider search that finds nothing does not hide the reason of the first."""

    def searched(at, drawing, *, thorough, px_hint, focal_px):  # type: ignore[no-untyped-def]
        raise finder._NotFound("not found") if thorough else AlignmentRefused("ambiguous")

    monkeypatch.setattr(finder, "_searched", searched)
    with pytest.raises(AlignmentRefused, match="ambiguous"):
        register(np.zeros((900, 1200, 3), np.uint8), load_shipped("heron40_end"))


def decentred(x_px: np.ndarray, y_px: np.ndarray, much: float) -> tuple[np.ndarray, np.ndarray]:
    """Where in the straight picture the places of one through a lens that sits askew are; half the width is the unit."""
    w, h = SIZE
    x, y = (x_px - (w - 1) / 2) / (w / 2), (y_px - (h - 1) / 2) / (w / 2)
    right, down = x + 2 * much * x * y, y + much * (x * x + 3 * y * y)
    return right * (w / 2) + (w - 1) / 2, down * (w / 2) + (h - 1) / 2


def askew(photo: np.ndarray, much: float) -> np.ndarray:
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    right, down = decentred(x, y, much)
    return cv2.remap(photo, right.astype(np.float32), down.astype(np.float32), cv2.INTER_CUBIC)


def test_a_photo_bent_as_no_lens_of_the_model_bends_it_is_refused(plate: Drawing, photo: np.ndarray) -> None:
    """Up to 0.6 mm off, it was taken as known to 0.13 mm."""
    with pytest.raises(AlignmentRefused, match="bent.*as the camera took it"):
        register(askew(photo, 0.012), plate)


def test_a_photo_bent_a_little_is_known_so_much_less(plate: Drawing, photo: np.ndarray) -> None:
    found, straight = register(askew(photo, 0.006), plate), register(photo, plate)
    points = drawn_edges(plate, 10.0).points_mm
    seen = np.column_stack(decentred(*found.mm_to_px(points).T, 0.006))
    off = lying_view().camera().px_to_mm(seen) - points
    assert np.sqrt((off**2).sum(1).mean()) < found.residual_mm.high
    assert found.residual_mm.value > 1.4 * straight.residual_mm.value
    # the radius at a place grows with it
    assert found.error_mm([0.0, 0.0]) > 1.3 * straight.error_mm([0.0, 0.0])


def moved(places: list[list[float]], moves: np.ndarray) -> OpeningMoves:
    """Twice as many openings as are given, the second half far from the first."""
    at = np.array(places)
    return OpeningMoves(
        places_mm=np.concatenate([at, at + 1000.0]),
        moves_mm=np.concatenate([moves, moves]),
        px_per_mm=np.full(2 * len(at), 5.0),
    )


def test_what_neighbours_share_is_no_chance() -> None:
    places = [[0.0, 0.0], [1.0, 0.0], [10.0, 0.0], [11.0, 0.0]]
    together = np.array([[0.3, 0.4], [0.3, 0.4], [-0.4, 0.3], [-0.4, 0.3]])
    assert bend_mm(moved(places, together)) == pytest.approx(0.5)
    assert bend_mm(moved(places, together * np.array([[1.0], [-1.0], [1.0], [-1.0]]))) == 0.0
    assert bend_mm(moved(places, np.array([[3.0, 4.0], [0.0, 0.0], [0.0, 0.0], [0.0, 0.0]]))) == 0.0


def test_openings_that_scatter_say_how_much_by_the_middle_one_of_them() -> None:
    """All 0.5 mm beside their places: median of the squares 0.25, over ln 2; one that is far out changes nothing."""
    places = [[10.0 * k, 0.0] for k in range(4)]
    beside = np.array([[0.3, 0.4], [-0.4, 0.3], [0.0, -0.5], [9.0, 9.0]])
    assert unmodelled_mm2(moved(places, beside)) == pytest.approx(0.25 / np.log(2), rel=0.02)
    assert unmodelled_mm2(moved(places[:2], beside[:2])) == 0.0


def waved(photo: np.ndarray, amplitude_px: float, period_px: float) -> np.ndarray:
    """As of a bowed sheet, or by a phone that moved while it read its rows."""
    y, x = np.mgrid[0 : photo.shape[0], 0 : photo.shape[1]].astype(np.float32)
    aside = amplitude_px * np.sin(2 * np.pi * y / period_px)
    return cv2.remap(
        photo, (x - aside).astype(np.float32), y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )


def test_a_wave_that_no_camera_follows_widens_the_interval(plate: Drawing, photo: np.ndarray) -> None:
    """Stated was a third of what it was off."""
    found = refine(waved(photo, 1.0, 640.0), plate, lying_view().camera())
    points = drawn_edges(plate, 10.0).points_mm
    px = found.mm_to_px(points)
    px[:, 0] -= np.sin(2 * np.pi * px[:, 1] / 640.0)
    off = lying_view().camera().px_to_mm(px) - points
    assert found.residual_mm.covers(float(np.sqrt((off**2).sum(1).mean())))
    assert found.error_sd_mm == pytest.approx(found.residual_mm.value / np.sqrt(2))


def test_a_wave_that_whole_groups_of_openings_follow_is_refused(plate: Drawing, photo: np.ndarray) -> None:
    with pytest.raises(AlignmentRefused, match="bent.*as the camera took it"):
        refine(waved(photo, 1.0, 420.0), plate, lying_view().camera())


def test_a_flat_plate_and_one_opening_drawn_elsewhere_leave_the_interval(
    plate: Drawing, photo: np.ndarray
) -> None:
    # painted edges are sharp: not broken, and as blurred as a pixel
    at = Looked(rgb=photo, view=lying_view(), thickness_mm=0.01, edge_break_mm=0.0, blur_px=0.47)
    assert unmodelled_mm2(opening_moves(at, at, drawn_edges(plate, 0.7))) == 0.0
    name = next(o.name for o in plate.openings if o.kind == "port")
    elsewhere = drawn_edges(off_by(plate, name, 1.0, 0.5), 0.7)
    assert unmodelled_mm2(opening_moves(at, at, elsewhere)) == 0.0


def test_a_place_at_the_near_end_of_the_range_is_no_second_face() -> None:
    """The foot of the fall at the edges themselves: two of 143 bare plates were refused for it."""
    assert SecondFace(excess=0.2, away_mm=4.0).is_there
    assert not SecondFace(excess=0.2, away_mm=2.06).is_there
    assert not SecondFace(excess=0.1, away_mm=4.0).is_there


def test_a_plate_without_openings_is_laid_by_its_outline() -> None:
    """A cut corner tells which way round it lies."""
    outline = Polygon([(-100, -70), (100, -70), (100, 20), (40, 70), (-100, 70)])
    blank = Drawing(name="blank", thickness_mm=0.01, outline=outline, openings=(), zones={})
    found = refine(
        painted(blank, lying_view(), np.random.default_rng(5)), blank, lying_view().camera(), focal_px=1000.0
    )
    assert rms_mm(found, lying_view(), blank) < found.residual_mm.high
    assert found.displaced == () and found.unmet == ()


def test_a_plate_without_openings_shows_no_second_face(plate: Drawing, photo: np.ndarray) -> None:
    bare = replace(plate, openings=(), zones={}, bands=())
    at = Looked(rgb=photo, view=lying_view(), thickness_mm=0.01)
    assert not second_face(at, drawn_edges(bare, 2.0)).is_there


def test_an_outline_without_the_openings_is_another_plate() -> None:
    """A plate with four bolts was laid by its outline on another one that has none of them there."""
    outline = Polygon([(-90, -60), (95, -65), (88, 62), (-80, 58)])
    bolts = [box(x - 5, y - 5, x + 5, y + 5) for x, y in ((-70, -40), (74, -42), (66, 40), (-60, 38))]
    other = Drawing(name="other", thickness_mm=0.01, outline=outline, openings=(), zones={})
    drawn = replace(
        other,
        openings=tuple(Opening(name=f"b{k}", kind="bolt", polygon=b) for k, b in enumerate(bolts)),
    )
    view = lying_view(tilt=0.1, distance_mm=380.0)
    photo = painted(other, view, np.random.default_rng(4))
    with pytest.raises(AlignmentRefused, match="no edge of 4 of the drawing's 4 openings.* right drawing"):
        refine(photo, drawn, view.camera())
