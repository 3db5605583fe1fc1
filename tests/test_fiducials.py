"""The printed target: true size on paper, and true scale on the bench and on the face in simulated photos."""

from __future__ import annotations

import errno
import re
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pitmap.errors import InputError, MeasurementError
from pitmap.registration.camera import Camera, Lens
from pitmap.registration.fiducials import camera_for_face, find_target, target_sheet_pdf
from pitmap.registration.target_sheet import SQUARE_MM, target_sheet

SIZE = (2000, 1500)
FOCAL = 1650.0


def truth(
    tilt_deg: float,
    *,
    k1: float = -0.03,
    distance_mm: float = 520.0,
    turn_deg: float = 12.0,
    height_mm: float = 0.0,
) -> Camera:
    """Camera over a bench whose sheet lies left of the middle; tilted about a slanted axis."""
    down = np.diag([1.0, -1.0, -1.0])
    axis = np.array([np.cos(0.7), np.sin(0.7), 0.0])
    r = (
        Rotation.from_rotvec(np.radians(tilt_deg) * axis).as_matrix()
        @ down
        @ Rotation.from_euler("z", turn_deg, degrees=True).as_matrix()
    )
    t = np.array([-95.0, 10.0, distance_mm])
    k = np.array([[FOCAL, 0, (SIZE[0] - 1) / 2], [0, FOCAL, (SIZE[1] - 1) / 2], [0, 0, 1]])
    h = k @ np.column_stack([r[:, 0], r[:, 1], t + height_mm * r[:, 2]])
    return Camera(
        homography=h, lens=Lens(k1=k1, centre_xy=((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2), scale_px=FOCAL)
    )


def sheet_picture(paper: str, px_per_mm: int = 14) -> np.ndarray:
    """The sheet as printed, grey, row 0 at the top."""
    sheet = target_sheet(paper)
    page = np.full((round(sheet.height_mm * px_per_mm), round(sheet.width_mm * px_per_mm)), 235, np.uint8)
    left, top = (sheet.width_mm - sheet.n_x * SQUARE_MM) / 2, 12.0
    for x, y, w, h in sheet.black_rectangles():
        c0, r0, c1, r1 = (round(v * px_per_mm) for v in (left + x, top + y, left + x + w, top + y + h))
        page[r0:r1, c0:c1] = 25
    return page


def photo(camera: Camera, paper: str = "A4", seed: int = 11, print_scale: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    sheet, px = target_sheet(paper), 14
    page = sheet_picture(paper, px)
    # The way from photo to sheet is smooth: every eighth pixel, and straight lines between.
    xs, ys = np.arange(0, SIZE[0] + 8, 8.0), np.arange(0, SIZE[1] + 8, 8.0)
    coarse = camera.px_to_mm(np.stack(np.meshgrid(xs, ys), -1)) / print_scale
    across, down = (
        np.array([np.interp(np.arange(n), g, e) for e in np.eye(len(g))]) for n, g in zip(SIZE, (xs, ys))
    )
    mm = np.stack([down.T @ coarse[..., k] @ across for k in (0, 1)], -1)
    cols = np.arange(SIZE[0])[None]
    left, top = (sheet.width_mm - sheet.n_x * SQUARE_MM) / 2, 12.0
    x = (mm[..., 0] + sheet.n_x * SQUARE_MM / 2 + left) * px - 0.5
    y = (sheet.n_y * SQUARE_MM / 2 - mm[..., 1] + top) * px - 0.5
    smooth = cv2.GaussianBlur(page, (0, 0), 1.5)
    grey = cv2.remap(smooth, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderValue=110)
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8) * (0.75 + 0.25 * cols / SIZE[0])
    noisy = grey + rng.normal(0, 2.5, grey.shape)
    return np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[..., None], 3, 2)


def scale_errors(found: Camera, true: Camera) -> list[float]:
    """Relative errors of 100 mm lengths on the plane: on the sheet, and beside it where a plate lies."""
    out = []
    for start in ((-50.0, 0.0), (0.0, -50.0), (150.0, 0.0), (200.0, -50.0)):
        for step in ((100.0, 0.0), (0.0, 100.0)):
            ends = np.array([start, np.add(start, step)])
            back = found.px_to_mm(true.mm_to_px(ends))
            out.append(float(np.hypot(*(back[1] - back[0])) / 100 - 1))
    return out


@pytest.mark.parametrize("tilt", [0.0, 5.0, 10.0, 20.0])
def test_scale_on_bench_and_face(tilt: float) -> None:
    """Within 0.1 %, with the focal length of EXIF known to 2 % and here 1 % off."""
    pose = find_target(photo(truth(tilt)), focal_px=1.01 * FOCAL)
    assert pose.paper == "A4"
    assert pose.n_corners > 60
    assert pose.tilt_deg == pytest.approx(tilt, abs=0.5)
    assert np.abs(scale_errors(pose.camera, truth(tilt))).max() < 0.001
    face = camera_for_face(pose, 12.0)
    assert np.abs(scale_errors(face, truth(tilt, height_mm=12.0))).max() < 0.001
    # leaving the height out would be wrong by 12 / 520: the correction is what makes it right
    assert np.mean(scale_errors(pose.camera, truth(tilt, height_mm=12.0))) > 0.02


def test_tilted_view_tells_the_focal_length_itself() -> None:
    pose = find_target(photo(truth(20.0)))
    assert pose.focal_px == pytest.approx(FOCAL, rel=0.02)
    assert pose.focal_estimate_px.covers(FOCAL)
    assert pose.k1 == pytest.approx(-0.03, abs=0.02)
    face = camera_for_face(pose, 12.0)
    assert np.abs(scale_errors(face, truth(20.0, height_mm=12.0))).max() < 0.001


def test_upright_view_without_focal_length_is_refused_on_the_face() -> None:
    pose = find_target(photo(truth(0.0)))
    assert np.abs(scale_errors(pose.camera, truth(0.0))[:4]).max() < 0.001  # the bench itself is known
    assert pose.scale_error(0.0) < 0.001
    assert pose.scale_error(12.0) > 0.003
    with pytest.raises(MeasurementError, match="focal length"):
        camera_for_face(pose, 12.0)


def test_letter_sheet_and_print_scale() -> None:
    true = truth(10.0)
    pose = find_target(photo(true, "letter", print_scale=0.97), focal_px=FOCAL, print_scale=0.97)
    assert pose.paper == "letter"
    assert np.abs(scale_errors(pose.camera, true)).max() < 0.001


def test_partly_covered_sheet() -> None:
    picture = photo(truth(10.0))
    middle = np.round(truth(10.0).mm_to_px([0.0, 0.0])).astype(int)
    picture[: middle[1]] = 120
    pose = find_target(picture, focal_px=FOCAL)
    assert 20 < pose.n_corners < 80
    assert np.abs(scale_errors(pose.camera, truth(10.0))[:2]).max() < 0.002


def test_no_sheet_is_refused() -> None:
    rng = np.random.default_rng(3)
    with pytest.raises(MeasurementError, match="not found"):
        find_target(rng.integers(0, 255, (480, 640, 3), dtype=np.uint8))


def test_bent_sheet_is_refused() -> None:
    flat = photo(truth(10.0))
    cols, rows = np.meshgrid(np.arange(SIZE[0], dtype=np.float32), np.arange(SIZE[1], dtype=np.float32))
    bent = cv2.remap(flat, cols + 12 * np.sin(rows / 60).astype(np.float32), rows, cv2.INTER_LINEAR)
    with pytest.raises(MeasurementError, match="flat"):
        find_target(bent, focal_px=FOCAL)


@pytest.mark.parametrize("focal_px", [FOCAL, None])
@pytest.mark.parametrize(("across", "up"), [(0.985, 1.0), (1.0, 0.985)])
def test_a_sheet_that_the_printer_drew_out_is_refused(
    across: float, up: float, focal_px: float | None
) -> None:
    """A camera ten times as far away explained it, against the focal length that was given: 3 to 6 % off, said 0.05 %."""
    true = truth(0.0)
    printed = Camera(homography=true.homography @ np.diag([across, up, 1.0]), lens=true.lens)
    with pytest.raises(MeasurementError, match=r"1\.5 % (longer|shorter) up the sheet"):
        find_target(photo(printed), focal_px=focal_px)


def test_a_sheet_that_does_not_lie_flat_tells_a_scale_less_surely() -> None:
    """With a wave of 4 px lengths were 1.5 % off, said 0.15 %."""
    flat = photo(truth(0.0))
    cols, rows = np.meshgrid(np.arange(SIZE[0], dtype=np.float32), np.arange(SIZE[1], dtype=np.float32))
    wave = np.sin(2 * np.pi * cols / SIZE[0]).astype(np.float32)
    pose = find_target(cv2.remap(flat, cols, rows + 4 * wave, cv2.INTER_LINEAR), focal_px=FOCAL)
    with pytest.raises(MeasurementError, match="lay it flat"):
        camera_for_face(pose, 12.0)


def test_refused_calls() -> None:
    with pytest.raises(InputError, match="uint8"):
        find_target(np.zeros((10, 12)))
    with pytest.raises(InputError, match="print_scale"):
        find_target(np.zeros((10, 12, 3), np.uint8), print_scale=100.0)
    with pytest.raises(InputError, match="focal_px"):
        find_target(np.zeros((10, 12, 3), np.uint8), focal_px=-1.0)
    pose = find_target(photo(truth(10.0)), focal_px=FOCAL)
    with pytest.raises(InputError, match="height_mm"):
        camera_for_face(pose, -1.0)


@pytest.mark.parametrize(("paper", "box"), [("A4", (595.28, 841.89)), ("letter", (612.0, 792.0))])
def test_pdf_is_true_size(tmp_path: Path, paper: str, box: tuple[float, float]) -> None:
    """1 pt = 25.4 / 72 mm: A4 is 595.28 x 841.89 pt, letter 612 x 792; a square of 20 mm is 56.69 pt."""
    path = target_sheet_pdf(tmp_path / "t.pdf", paper)
    data = path.read_bytes()
    media = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert media is not None
    assert [float(v) for v in media.groups()] == pytest.approx(box, abs=0.02)
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.S)
    page = next(s for s in map(_inflated, streams) if b" re" in s)
    sizes = [(float(w), abs(float(h))) for w, h in re.findall(rb"[\d.]+ [\d.]+ ([\d.]+) (-?[\d.]+) re", page)]
    assert sizes[0] == pytest.approx((56.69, 56.69), abs=0.02)
    assert len(sizes) == len(target_sheet(paper).black_rectangles())
    assert b"100.0 mm" in page
    assert target_sheet_pdf(tmp_path / "u.pdf", paper).read_bytes() == data


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return b""


def test_pdf_refusals(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="paper 'A5'"):
        target_sheet_pdf(tmp_path / "t.pdf", "A5")
    with pytest.raises(InputError, match="cannot be written"):
        target_sheet_pdf(tmp_path / "no" / "such" / "folder.pdf")


def test_a_full_disk_leaves_the_sheet_that_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = target_sheet_pdf(tmp_path / "t.pdf", "A4")
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("pitmap.whole_file.os.fsync", full)
    with pytest.raises(InputError, match=r"t\.pdf: cannot be written \(No space left on device\)"):
        target_sheet_pdf(path, "letter")
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_sheets_share_no_codes() -> None:
    a, b = (set(target_sheet(p).board().getIds().ravel().tolist()) for p in ("A4", "letter"))
    assert not a & b
    assert len(a) == 54
    assert target_sheet("A4").corner_xy(np.array([0]))[0].tolist() == [-70.0, 100.0]
