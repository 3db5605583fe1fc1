"""A chamfer of known width, bright on the lamp's side of a hole and dark on the other."""

from __future__ import annotations

import cv2
import numpy as np

from pitmap.tracing.cameras import EdgeSet
from pitmap.tracing.chamfers import read_chamfers
from pitmap.tracing.photos import PhotoClicks

PX_PER_MM, SIDE, RADIUS_MM, BREAK_MM, FAR_MM = 5.0, 600, 10.0, 0.3, 200.0
FACE, VOID, BRIGHT, DARK = 150, 30, 225, 75


def hole() -> np.ndarray:
    """Seen from 200 mm straight above; drawn eight times finer, then blurred by 0.8 px."""
    fine = 8
    x = (np.arange(SIDE * fine) + 0.5) / fine - SIDE / 2
    r = np.hypot(x[None], x[:, None]) / PX_PER_MM
    # the foot of the chamfer lies 0.3 mm deeper than the face, and so looks nearer to the middle
    foot = RADIUS_MM * FAR_MM / (FAR_MM + BREAK_MM)
    picture = np.where(r < foot, VOID, np.where(x[None] > 0, BRIGHT, DARK)).astype(np.float32)
    picture[r > RADIUS_MM + BREAK_MM] = FACE
    small = cv2.resize(picture, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    return np.repeat(np.round(cv2.GaussianBlur(small, (0, 0), 0.8)).astype(np.uint8)[..., None], 3, 2)


def test_the_face_ends_where_it_ends_on_the_bright_and_on_the_dark_side() -> None:
    rgb, middle = hole(), (SIDE - 1) / 2
    # a pinhole of 1000 px over a square picture; half a turn about x, for the plate's y goes up
    pose = np.array([np.pi, 0, 0, 0, 0, FAR_MM / 100, np.log(PX_PER_MM * FAR_MM / SIDE), 0, 0, 0, 0])
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False) + 0.01
    ring = np.stack([np.cos(turn), np.sin(turn)], -1)
    # looked for 0.1 mm beside its place, and read 0.2 mm off by a level between face and void
    plane = ring * (RADIUS_MM + BREAK_MM) + [0.1, 0]
    read = middle + ring * [1, -1] * (RADIUS_MM + BREAK_MM - 0.2) * PX_PER_MM
    edges = EdgeSet(
        is_round=True, points_px=[read.copy()], is_good=[np.ones(90, bool)], plane=plane, base_px=read
    )
    photo = PhotoClicks(rgb=rgb, clicks_px={})
    outline = EdgeSet(
        is_round=False, points_px=[read.copy()], is_good=[np.ones(90, bool)], plane=ring * 500, base_px=read
    )
    read_chamfers([outline, edges], [photo], pose[None], BREAK_MM, [0.8], 12.0)
    found_mm = np.hypot(*(edges.points_px[0] - middle).T) / PX_PER_MM
    # where bright turns to dark there is no chamfer of one tone
    clear = np.abs(ring[:, 0]) > 0.15
    # a quarter of a pixel
    assert np.abs(found_mm[clear] - RADIUS_MM - BREAK_MM).max() < 0.05
    # an edge out of the frame stays as it was read
    assert (outline.points_px[0] == read).all()
