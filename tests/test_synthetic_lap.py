"""The lap: labels, flags and what is left of each pit, on a face with heights set by hand."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely import Point, box

from pitmap.classes import SurfaceClass
from pitmap.drawing import Drawing, Opening
from pitmap.errors import InputError
from pitmap.synthetic import Damage, lap, make_face, stock_for_uncut
from pitmap.synthetic.face import Face
from pitmap.synthetic.pits import PITS, PitPatch
from pitmap.synthetic.shape import plate_shape


def block() -> Drawing:
    """40 x 30 mm, one round hole of 5 mm radius at (10, 0)."""
    outline, hole = box(-20, -15, 20, 15), Point(10, 0).buffer(5, 64)
    return Drawing(
        name="block",
        thickness_mm=12,
        outline=outline,
        openings=(Opening(name="c1", kind="coolant", polygon=hole),),
        zones={"seal_land": outline.difference(hole)},
    )


def sloping_face() -> Face:
    """Height falls from 0 at x = -20 mm by 1 um per mm; a flat pit 30 um deep at x = -15, y = 5 mm."""
    drawing = block()
    shape = plate_shape(drawing, 10.0)
    xs, _ = shape.grid.centres_mm()
    height = np.broadcast_to(-(xs + 20).astype(np.float32), shape.grid.shape).copy()
    zero = np.zeros(shape.grid.shape, np.float32)
    c, r = np.round(shape.grid.mm_to_px((-15, 5))).astype(int)
    patch = PitPatch(int(r) - 5, int(c) - 5, np.full((10, 10), 30, np.float32))
    pit = zero.copy()
    pit[patch.window] = 30
    table = PITS.frame(
        [
            {
                "pit_id": 1,
                "x_mm": -15.0,
                "y_mm": 5.0,
                "drawn_diam_mm": 1.0,
                "depth_max_um": 30.0,
                "origin": "free",
            }
        ]
    )
    return Face(
        drawing=drawing, shape=shape, height_um=height, rough_um=zero, pit_um=pit, score_um=zero, stain=zero,
        tint=zero, mottle=zero, hue=zero, pits=table, patches=(patch,),
    )  # fmt: skip


def code_at(survey, x_mm: float, y_mm: float) -> int:
    c, r = np.round(survey.grid.mm_to_px((x_mm, y_mm))).astype(int)
    return int(survey.labels[r, c])


def test_lap_cuts_down_to_the_plane():
    survey = lap(sloping_face(), 15.0)
    assert code_at(survey, -10, -5) == SurfaceClass.SOUND
    assert code_at(survey, -5.6, -5) == SurfaceClass.SOUND
    assert code_at(survey, -4.4, -5) == SurfaceClass.UNCUT
    assert code_at(survey, 18, -12) == SurfaceClass.UNCUT
    assert code_at(survey, 10, 0) == SurfaceClass.OUTSIDE


def test_lap_leaves_the_part_of_a_pit_below_the_plane():
    face = sloping_face()
    # The face stands 5 um down at the pit: a lap to 15 um takes 10 um there, one to 32 um takes 27.
    survey = lap(face, 15.0)
    assert survey.pits.left_um[0] == pytest.approx(20.0, abs=0.6)
    assert survey.pits.left_mm2[0] == pytest.approx(1.0)
    assert code_at(survey, -15, 5) == SurfaceClass.PIT
    later = lap(face, 32.0)
    assert later.pits.left_um[0] == pytest.approx(3.0, abs=0.6)
    assert code_at(later, -15, 5) == SurfaceClass.SOUND
    gone = lap(face, 40.0)
    assert gone.pits.left_um[0] == 0
    assert gone.pits.left_mm2[0] == 0


def test_lap_with_tilt_follows_the_slope():
    # A plane that falls as the face does cuts the same everywhere.
    survey = lap(sloping_face(), 30.0, tilt=(-1.0, 0.0))
    assert np.allclose(survey.cut_um, 10.0, atol=1e-3)
    assert not (survey.labels == SurfaceClass.UNCUT).any()


def test_lap_flags_keep_every_class():
    face = sloping_face()
    object.__setattr__(face, "stain", np.full(face.grid.shape, 0.9, np.float32))
    survey = lap(face, 15.0)
    c, r = np.round(face.grid.mm_to_px((5, -12))).astype(int)
    assert survey.labels[r, c] == SurfaceClass.STAIN
    assert survey.flags[r, c] == 8 + 32


def test_lap_intake_has_no_uncut():
    survey = lap(sloping_face(), 0.0)
    assert str(survey.stage) == "intake"
    assert not (survey.labels == SurfaceClass.UNCUT).any()


@pytest.mark.parametrize(
    ("removed", "stage"), [(-1.0, None), (np.nan, None), (0.0, "test_lap"), (9.0, "intake")]
)
def test_lap_refuses_contradictions(removed, stage):
    with pytest.raises(InputError):
        lap(sloping_face(), removed, stage=stage)


def test_stock_for_uncut_leaves_that_share():
    survey = lap(sloping_face(), stock_for_uncut(sloping_face(), 0.25))
    metal = survey.face.shape.metal
    assert (survey.labels[metal] == SurfaceClass.UNCUT).mean() == pytest.approx(0.25, abs=0.01)


def test_shape_distance_is_exact_at_a_round_edge():
    shape = plate_shape(block(), 10.0)
    xs, ys = shape.grid.centres_mm()
    true = np.hypot(xs[None, :] - 10, ys[:, None]) - 5
    near = np.abs(true) < 0.12
    assert np.abs(shape.metal_mm[near] - true[near]).max() < 0.03


def test_make_face_is_the_same_for_the_same_seed():
    one, two = (make_face(block(), np.random.default_rng(3), Damage(n_pits=12), 8.0) for _ in range(2))
    assert np.array_equal(one.pit_um, two.pit_um)
    assert np.array_equal(one.stain, two.stain)
    assert one.pits.equals(two.pits)


def test_make_face_heights_and_pits_keep_their_promises():
    face = make_face(block(), np.random.default_rng(4), Damage(n_pits=30), 8.0)
    metal = face.shape.metal
    assert face.height_um[metal].max() == 0
    assert not face.pit_um[~metal].any()
    assert len(face.pits) == len(face.patches) == 30
    deepest = [p.depth_um.max() for p in face.patches]
    assert (np.array(deepest) <= face.pits.depth_max_um + 1e-3).all()


def test_make_face_without_damage_is_clean():
    face = make_face(
        block(), np.random.default_rng(5), Damage(n_pits=0, stain=0, tint=0, wear=0, warp=0, scores=0), 6.0
    )
    survey = lap(face, 0.0)
    assert set(np.unique(survey.labels)) == {0, 1}
    assert survey.pits.empty


def test_fields_of_pits_grow_together_and_keep_what_a_face_promises():
    plain, with_fields = (
        make_face(block(), np.random.default_rng(6), Damage(n_pits=10, n_fields=n), 8.0) for n in (0, 4)
    )
    metal = with_fields.shape.metal
    assert not with_fields.pit_um[~metal].any()
    assert len(with_fields.pits) == len(with_fields.patches)
    assert list(with_fields.pits.pit_id) == list(range(1, len(with_fields.pits) + 1))
    assert set(plain.pits.origin) <= {"coolant", "patch", "free"}

    def largest_mm2(face: Face) -> float:
        areas = cv2.connectedComponentsWithStats((face.pit_um > 0).astype(np.uint8))[2][1:, cv2.CC_STAT_AREA]
        return float(areas.max()) * face.grid.pixel_area_mm2

    # one of the largest single pits, 4.5 mm wide, has 16 mm2; ten of the usual ones rarely touch
    assert largest_mm2(with_fields) > 2 * largest_mm2(plain)
    field = with_fields.pits[with_fields.pits.origin == "field"]
    c, r = np.round(with_fields.grid.mm_to_px(field[["x_mm", "y_mm"]].to_numpy(float))).astype(int).T
    assert with_fields.stain[r, c].mean() > with_fields.stain[metal].mean() + 0.1
