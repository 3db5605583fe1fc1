"""The picture gate: blur, glare, exposure, scale, tilt, frame; each set and not set."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest
from shapely import Point, box

from pitmap.casebook.sample import sample_folder
from pitmap.drawing import Drawing, Opening
from pitmap.errors import InputError
from pitmap.grid import Grid
from pitmap.photo import (
    Photo,
    PhotoFinding,
    PhotoLimits,
    check_photo,
    edge_spread_px,
    read_photo,
    sharpness_tiles,
    tilt_deg,
)
from pitmap.photo.raster import raster_peak
from pitmap.photo.sharpening import overshoot
from pitmap.registration import Displaced
from pitmap.registration.camera import Camera, Lens


def plate() -> Drawing:
    outline = box(-60, -40, 60, 40)
    trace = Point(0, 0).buffer(25)
    return Drawing(
        name="test plate",
        thickness_mm=12.0,
        outline=outline,
        openings=(),
        zones={"running_surface": trace, "rim": outline.difference(trace)},
        trace=trace,
    )


def camera(px_per_mm: float = 8.0, tilt: float = 0.0, size: tuple[int, int] = (1200, 900)) -> Camera:
    """A pinhole over the origin: axis through the middle of the picture, tilted about x; y up on the
    plate."""
    focal = 1500.0
    t = np.radians(tilt)
    turn = np.array([[1, 0, 0], [0, -np.cos(t), -np.sin(t)], [0, np.sin(t), -np.cos(t)]])
    k = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    homography = k @ np.column_stack([turn[:, 0], turn[:, 1], [0, 0, focal / px_per_mm]])
    return Camera(homography=homography, lens=Lens())


def picture(blur: float = 0.8, level: int = 130, seed: int = 3, size: tuple[int, int] = (1200, 900)) -> Photo:
    rng = np.random.default_rng(seed)
    grey = np.full((size[1], size[0]), level, np.float32)
    for _ in range(250):
        x, y = rng.integers(0, size[0]), rng.integers(0, size[1])
        w, h = rng.integers(30, 140, 2)
        grey[y : y + h, x : x + w] = level * rng.uniform(0.4, 1.4)
    grey = cv2.GaussianBlur(grey, (0, 0), blur) + rng.normal(0, 0.5, grey.shape).astype(np.float32)
    # warmer on one side than on the other, as light in a shop is
    warm = 1 + 0.08 * np.linspace(-1, 1, size[0])[:, None] * np.array([1.0, 0.0, -1.0])
    rgb = np.clip(grey[..., None] * warm, 0, 245).astype(np.uint8)
    return Photo(rgb=rgb, name="p.jpg", sha256="", format="JPEG")


def changed(photo: Photo, rgb: np.ndarray) -> Photo:
    return Photo(rgb=np.ascontiguousarray(rgb, np.uint8), name=photo.name, sha256="", format="PNG")


@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.0, 3.0, 4.0])
def test_edge_spread_of_known_blur(sigma: float) -> None:
    """10 to 90 % width of a step blurred by a Gaussian is 2.563 sigma."""
    rng = np.random.default_rng(5)
    grey = np.full((200, 280), 120, np.float32)
    for x in range(20, 280, 60):
        grey[:, x : x + 30] = 60
    grey = cv2.GaussianBlur(grey, (0, 0), sigma) + rng.normal(0, 0.5, grey.shape).astype(np.float32)
    assert edge_spread_px(grey.astype(np.uint8)) == pytest.approx(2.563 * sigma, rel=0.15)


def test_edge_spread_of_nothing() -> None:
    assert np.isnan(edge_spread_px(np.full((100, 140), 90, np.uint8)))
    assert np.isnan(edge_spread_px(np.full((8, 12), 90, np.uint8)))


def test_good_photo_passes() -> None:
    report = check_photo(picture())
    assert report.severity == "pass"
    assert report.is_usable
    assert report.photo_name == "p.jpg"
    assert 1.0 <= report.numbers["spread_px"] <= 3.0


def test_blurred_photo_is_stopped_with_advice() -> None:
    report = check_photo(picture(blur=7.0))
    blur = report.of("blur")[0]
    assert blur.severity == "stop"
    assert "focus" in blur.text
    assert not report.is_usable
    assert check_photo(picture(blur=3.0)).of("blur")[0].severity == "watch"


def test_blur_in_one_part_says_where() -> None:
    sharp, soft = picture().rgb, picture(blur=5.0).rgb
    mixed = np.concatenate([sharp[:, :800], soft[:, 800:]], axis=1)
    report = check_photo(Photo(rgb=mixed, name="m", sha256="", format="PNG"))
    part = [f for f in report.of("blur") if f.region_px is not None]
    assert len(part) == 1
    x, y, w, h = part[0].region_px
    assert x >= 700
    assert x + w <= 1200
    assert h > 500


def test_blurred_bench_is_no_fault_of_the_plate() -> None:
    sharp, soft = picture().rgb, picture(blur=5.0).rgb
    mixed = Photo(
        rgb=np.concatenate([soft[:, :250], sharp[:, 250:]], axis=1), name="m", sha256="", format="PNG"
    )
    (told,) = [f.text for f in check_photo(mixed).of("blur") if f.region_px is not None]
    assert "; unless that is the bench, hold the camera parallel to the face" in told
    # The plate begins at 300 px.
    found = check_photo(mixed, alignment=camera(px_per_mm=5.0), drawing=plate()).of("blur")
    assert [f for f in found if f.region_px is not None] == []


def test_picture_without_edges_is_doubtful() -> None:
    flat = Photo(rgb=np.full((300, 400, 3), 128, np.uint8), name="f", sha256="", format="PNG")
    report = check_photo(flat)
    assert report.of("blur")[0].severity == "watch"
    assert np.isnan(report.numbers["spread_px"])


@pytest.mark.parametrize(
    ("px_per_mm", "severity", "smallest"), [(10.0, "pass", 0.3), (4.0, "watch", 0.75), (1.5, "stop", 2.0)]
)
def test_scale_says_what_is_not_seen(px_per_mm: float, severity: str, smallest: float) -> None:
    report = check_photo(picture(blur=0.5), px_per_mm=px_per_mm)
    finding = report.of("scale")[0]
    assert finding.severity == severity
    assert report.numbers["smallest_mm"] == pytest.approx(smallest)
    assert f"{px_per_mm:.1f} px per mm" in finding.text
    assert f"pits under {smallest:.1f} mm" in finding.text


def test_scale_is_said_in_inches_where_they_were_chosen() -> None:
    """5 px per mm are 127 px per in; three of them are 0.6 mm or 0.0236 in."""
    (finding,) = check_photo(picture(blur=0.5), px_per_mm=5.0, system="inch").of("scale")
    assert (
        finding.text.startswith("127 px per in, edges ")
        and "pits under 0.024 in are not seen" in finding.text
    )
    assert "mm" not in finding.text


@pytest.mark.parametrize("angle", [0.0, 10.0, 30.0, 50.0])
def test_tilt_is_exact_for_a_pinhole(angle: float) -> None:
    assert tilt_deg(camera(tilt=angle), (1200, 900)) == pytest.approx(angle, abs=0.1)


@pytest.mark.parametrize(("angle", "severity"), [(10.0, "pass"), (30.0, "watch"), (50.0, "stop")])
def test_tilt_finding(angle: float, severity: str) -> None:
    report = check_photo(picture(), alignment=camera(tilt=angle), drawing=plate())
    assert report.of("tilt")[0].severity == severity
    assert f"{angle:.0f} degrees" in report.of("tilt")[0].text


def test_scale_from_the_alignment_is_the_least_on_the_plate() -> None:
    report = check_photo(picture(), alignment=camera(px_per_mm=8.0), drawing=plate())
    assert report.numbers["px_per_mm"] == pytest.approx(8.0, rel=1e-3)
    tilted = check_photo(picture(), alignment=camera(px_per_mm=8.0, tilt=30.0), drawing=plate())
    assert tilted.numbers["px_per_mm"] < 7.0


def test_glare_and_exposure_of_the_whole_picture() -> None:
    rgb = picture().rgb.copy()
    rgb[100:400, 200:600] = 255
    report = check_photo(Photo(rgb=rgb, name="g", sha256="", format="PNG"))
    glare = report.of("glare")[0]
    assert glare.value == pytest.approx(0.111, abs=0.002)
    assert glare.severity == "watch"
    assert glare.region_px == (200, 100, 400, 300)
    assert not check_photo(picture()).of("glare")
    assert check_photo(picture(level=30)).of("dark")[0].severity == "watch"
    (bright,) = check_photo(picture(level=235)).of("bright")
    assert bright.severity == "watch"
    # a face with 25 % of its land uncut was read as 9 %, 14 % at most, in a picture burnt nearly white
    assert "shares may be far too low" in bright.text


def rectified(drawing: Drawing) -> tuple[np.ndarray, np.ndarray, Grid]:
    grid = drawing.grid(4.0)
    rng = np.random.default_rng(4)
    rgb = rng.integers(100, 150, (*grid.shape, 3), dtype=np.uint8)
    return rgb, np.ones(grid.shape, bool), grid


def test_zones_after_the_alignment() -> None:
    drawing = plate()
    rgb, in_frame, grid = rectified(drawing)
    report = check_photo(picture(), alignment=camera(), drawing=drawing, rectified=(rgb, in_frame, grid))
    assert {f.severity for f in report.of("glare")} == {"pass"}
    assert not report.of("frame")
    zones = drawing.zone_raster(grid)
    rgb[(zones == 1) & (np.arange(grid.n_cols) > grid.n_cols / 2)[None]] = 255
    in_frame[:, : int(12 * 4)] = False  # 10 mm of the rim, 120 mm wide, after the 2 mm margin
    report = check_photo(picture(), alignment=camera(), drawing=drawing, rectified=(rgb, in_frame, grid))
    glare = {f.zone: f for f in report.of("glare")}
    assert glare["running_surface"].severity == "stop"
    assert glare["running_surface"].value == pytest.approx(0.5, abs=0.02)
    x, y, w, h = glare["running_surface"].region_px
    # right half of the disc of 25 mm at 8 px/mm about (599.5, 449.5)
    assert (x, y, w, h) == (
        pytest.approx(600, abs=5),
        pytest.approx(250, abs=5),
        pytest.approx(200, abs=8),
        pytest.approx(400, abs=8),
    )
    assert glare["rim"].severity == "pass"
    frame = report.of("frame")[0]
    assert frame.zone == "rim"
    assert frame.value == pytest.approx(800 / (9600 - np.pi * 625), abs=0.01)


def test_transparent_part_is_told() -> None:
    seen = np.ones((900, 1200), bool)
    seen[:, :300] = False
    p = picture()
    report = check_photo(Photo(rgb=p.rgb.copy(), name="t", sha256="", format="PNG", seen=seen))
    assert report.of("transparent")[0].value == pytest.approx(0.25)
    assert not check_photo(p).of("transparent")


def test_an_opening_that_stands_elsewhere_is_told() -> None:
    class Aligned:
        displaced = (Displaced(name="port_1", right_mm=-1.5, up_mm=2.0),)

        def __getattr__(self, name: str) -> object:
            return getattr(camera(), name)

    (finding,) = check_photo(picture(), alignment=Aligned(), drawing=plate()).of("drawing")
    assert finding.severity == "watch" and finding.value == pytest.approx(2.5)
    assert "port_1 stands about 2.5 mm" in finding.text and "1.5 mm left, 2.0 mm up" in finding.text
    (inch,) = check_photo(picture(), alignment=Aligned(), drawing=plate(), system="inch").of("drawing")
    assert (
        "stands about 0.10 in" in inch.text
        and "0.06 in left, 0.08 in up" in inch.text
        and " mm" not in inch.text
    )
    assert not check_photo(picture(), alignment=camera(), drawing=plate()).of("drawing")


def saved(rgb: np.ndarray, quality: int) -> np.ndarray:
    """As a JPEG of that quality gives it back."""
    coded = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(coded, cv2.IMREAD_COLOR_RGB)


def test_a_picture_without_colours_is_stopped() -> None:
    """In grey, or grey under a warm cast, stain and heat colour look like metal: their shares came out as 0."""
    photo = picture()
    grey = np.repeat(photo.rgb[..., 1:2], 3, 2)
    for toned in (grey, saved(grey, 80)):
        (fault,) = check_photo(changed(photo, toned)).of("colour")
        assert fault.severity == "stop" and "in colour" in fault.text
    # a face that is clean all over on a grey bench is not far from that: told, not refused
    (fault,) = check_photo(changed(photo, grey * np.array([1.0, 0.92, 0.75]))).of("colour")
    assert fault.severity == "watch" and "hardly any colours" in fault.text
    assert not check_photo(photo).of("colour")
    assert not check_photo(changed(photo, photo.rgb * np.array([1.0, 0.8, 0.5]))).of("colour")


@pytest.mark.parametrize(("quality", "severity"), [(10, "stop"), (25, "watch"), (75, "")])
def test_a_picture_squeezed_into_a_small_file_is_told(quality: int, severity: str) -> None:
    """Grain of a lapped face is what a small file spends nothing on."""
    rng = np.random.default_rng(8)
    photo = picture()
    rough = np.clip(photo.rgb + rng.normal(0, 5, photo.rgb.shape[:2])[..., None], 0, 255).astype(np.uint8)
    found = check_photo(changed(photo, saved(rough, quality))).of("squeezed")
    assert [f.severity for f in found] == ([severity] if severity else [])
    # turned upright, the blocks begin elsewhere
    if severity and quality < 20:
        turned = saved(rough, quality)[3:, 5:].transpose(1, 0, 2)
        assert check_photo(changed(photo, turned)).of("squeezed")


@pytest.mark.parametrize(("noise", "severity"), [(3.0, ""), (27.0, "watch"), (60.0, "stop")])
def test_a_grainy_picture_is_told(noise: float, severity: str) -> None:
    """At 8 px to the mm and a tone of about 100, noise of 8 levels is 1 % of the metal's tone over 1 mm."""
    rng = np.random.default_rng(9)
    photo = picture()
    grainy = changed(photo, np.clip(photo.rgb + rng.normal(0, noise, photo.rgb.shape[:2])[..., None], 0, 255))
    found = check_photo(grainy, alignment=camera(), drawing=plate()).of("grain")
    assert [f.severity for f in found] == ([severity] if severity else [])


@pytest.mark.parametrize("amount", [0.0, 2.0, 5.0])
def test_a_sharpened_picture_is_told(amount: float) -> None:
    """An unsharp mask nearly doubled the pits of one face without a word. A blurred step goes nowhere beyond its tones."""
    photo = picture(blur=1.2)
    soft = cv2.GaussianBlur(photo.rgb.astype(np.float32), (0, 0), 1.5)
    sharpened = changed(photo, np.clip(photo.rgb + amount * (photo.rgb - soft), 0, 255))
    found = check_photo(sharpened).of("sharpened")
    assert [f.severity for f in found] == (["watch"] if amount else [])
    if not amount:
        assert overshoot(sharpened.rgb) == pytest.approx(0, abs=0.03)


def test_a_line_along_one_side_of_an_edge_is_no_sharpening() -> None:
    """A broken edge of 0.3 mm shines, or lies in shadow; nothing is drawn on the other side of it."""
    rgb = picture(blur=0.8).rgb.copy()
    rgb[:] = 90
    for y in range(20, 880, 60):
        for x in range(20, 1180, 60):
            rgb[y : y + 30, x : x + 30] = 150
            cv2.rectangle(rgb, (x, y), (x + 29, y + 29), (190, 190, 190), 2)
    assert overshoot(cv2.GaussianBlur(rgb, (0, 0), 0.8)) < 0.03


def test_edges_smeared_in_one_direction_are_as_wide_as_they_are_there() -> None:
    """A way of 12 px makes edges across it 9.6 px wide between 10 and 90 %; edges along it stay sharp, and spoke for all."""
    photo = picture(blur=0.6)
    moved = changed(photo, cv2.blur(photo.rgb, (12, 1)))
    report = check_photo(moved, px_per_mm=8.0)
    assert report.numbers["spread_px"] == pytest.approx(9.6, rel=0.3)
    assert "in one direction (the camera moved)" in report.of("blur")[0].text
    assert "in one direction" not in check_photo(photo, px_per_mm=8.0).findings[0].text


def test_a_screenshot_is_called_one_and_not_dark() -> None:
    photo = picture()
    tall = np.zeros((2600, 1200, 3), np.uint8)
    tall[800:1700] = photo.rgb
    report = check_photo(changed(photo, tall))
    (bars,) = report.of("bars")
    assert bars.value == pytest.approx(1 - 900 / 2600, abs=0.01) and "screenshot" in bars.text
    assert report.of("dark")[0].severity == "pass"
    assert not check_photo(photo).of("bars")


def drilled() -> Drawing:
    holes = tuple(
        Opening(name=f"bolt_{k}", kind="bolt", polygon=Point(x, y).buffer(5))
        for k, (x, y) in enumerate([(-50, -30), (0, -33), (50, -30), (50, 30), (0, 33), (-50, 30)])
    )
    return Drawing(
        name="drilled", thickness_mm=12.0, outline=box(-60, -40, 60, 40), openings=holes, zones={"rim": plate().zones["rim"]}
    )  # fmt: skip


def test_a_negative_is_told() -> None:
    """It was mapped without a word: no stain at all, and eight times the uncut metal on the rim."""
    drawing = drilled()
    grid = drawing.grid(4.0)
    rgb = np.where(drawing.mask(grid)[..., None], np.uint8(150), np.uint8(60)).repeat(3, 2)
    in_frame = np.ones(grid.shape, bool)

    def told(picture_rgb: np.ndarray) -> tuple[PhotoFinding, ...]:
        return check_photo(
            picture(), alignment=camera(), drawing=drawing, rectified=(picture_rgb, in_frame, grid)
        ).of("backlit")

    assert not told(rgb)
    (fault,) = told(255 - rgb)
    assert fault.severity == "stop" and fault.value == 1.0 and "negative" in fault.text


@pytest.mark.parametrize("hole", [60, 200])
def test_local_contrast_is_told_by_its_halo(hole: int) -> None:
    """It was mapped without a word, and a photo with 8.8 % of uncut metal had 39 %.

    Each point is pushed away from the mean tone round it, so the metal of a plain plate draws away from its
    openings, whether they are dark or a pale bench shows in them. A curve that is the same everywhere makes no halo.
    """
    drawing = drilled()
    grid = drawing.grid(4.0)
    level = np.where(drawing.mask(grid), 130, hole).astype(np.float32)
    # a light that falls off towards one side is no halo either
    level *= np.linspace(0.7, 1.1, grid.n_cols, dtype=np.float32)

    def told(tone: np.ndarray) -> tuple[PhotoFinding, ...]:
        rgb = np.clip(tone, 0, 255).astype(np.uint8)[..., None].repeat(3, 2)
        return check_photo(
            picture(), alignment=camera(), drawing=drawing, rectified=(rgb, np.ones(grid.shape, bool), grid)
        ).of("halo")

    blurred = cv2.GaussianBlur(level, (0, 0), 0.5 * grid.px_per_mm)
    for honest in (level, blurred, 255 * (level / 255) ** 1.8, 255 * (level / 255) ** 0.5):
        assert not told(honest)
    (fault,) = told(level * (level / cv2.GaussianBlur(level, (0, 0), 5 * grid.px_per_mm)))
    assert fault.severity == "watch" and fault.value > 0.08
    assert "switch off HDR" in fault.text and "halo" in fault.text


def test_refused_calls() -> None:
    with pytest.raises(InputError, match="drawing"):
        check_photo(picture(), alignment=camera())
    with pytest.raises(InputError, match="px_per_mm"):
        check_photo(picture(), px_per_mm=-1.0)
    rgb, in_frame, grid = rectified(plate())
    with pytest.raises(InputError, match="straightened"):
        check_photo(picture(), drawing=plate(), rectified=(rgb[:-1], in_frame, grid))
    with pytest.raises(InputError, match="severity"):
        PhotoFinding(code="blur", severity="fatal", text="x")


def test_limits_are_settings() -> None:
    strict = PhotoLimits(spread_watch_px=1.0, spread_stop_px=1.2)
    assert check_photo(picture(blur=1.2), limits=strict).severity == "stop"


def least_cpu_s(work: Callable[[], object]) -> float:
    """Processor time that some work takes at least, of three runs."""
    took = []
    for _ in range(3):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return min(took)


def test_gate_is_quick_on_twelve_megapixels() -> None:
    rng = np.random.default_rng(6)
    small = rng.integers(0, 255, (300, 400, 3), dtype=np.uint8)
    photo = Photo(rgb=cv2.resize(small, (4000, 3000)), name="big", sha256="", format="PNG")
    gate, one_blur = (
        least_cpu_s(work)
        for work in (lambda: check_photo(photo), lambda: cv2.GaussianBlur(photo.rgb, (0, 0), 3.0))
    )
    assert gate < 8 * one_blur  # some 5; in seconds a loaded machine had broken any bar
    assert len(sharpness_tiles(photo.rgb)) == 48


def raster_scene(rng: np.random.Generator, ways_deg: tuple[float, ...]) -> np.ndarray:
    """Grainy metal under even lines of 10 % and 2.7 px that run these ways."""
    y, x = np.mgrid[:600, :800]
    metal = 140 + cv2.GaussianBlur(rng.normal(0, 12, (600, 800)), (0, 0), 1.0) + rng.normal(0, 2, (600, 800))
    for way in np.radians(ways_deg):
        metal *= 1 + 0.1 * np.cos(2 * np.pi / 2.7 * (x * np.cos(way) + y * np.sin(way)))
    return np.clip(np.rint(metal), 0, 255).astype(np.uint8)[..., None].repeat(3, axis=2)


def test_a_photo_of_a_screen_is_told_by_its_raster() -> None:
    rng = np.random.default_rng(3)
    screen, plain, cut = (raster_scene(rng, ways) for ways in ((5.0, 95.0), (), (20.0,)))
    at = {
        name: raster_peak(rgb, sharpness_tiles(rgb))
        for name, rgb in {"screen": screen, "plain": plain, "cut": cut, "squeezed": saved(plain, 15)}.items()
    }
    # a 10 % wave under a Hann window of 128 px has a power of (0.1 * 140 * 64 * 64 / 2)^2 = e^20.5, its noise
    # of about 3 levels 9 * 48^2 = e^9.9 at most: far above any bin of the noise
    assert at["screen"] > 7
    # noise alone: log(log n) + 0.58 for n bins; fewer lie apart of the first
    assert at["plain"] == pytest.approx(2.6, abs=0.4)
    # the marks of a cutter run one way
    assert at["cut"] < 4
    assert at["squeezed"] < 5
    assert math.isnan(raster_peak(screen, sharpness_tiles(screen)[:3]))
    assert [f.severity for f in check_photo(changed(picture(), screen)).of("raster")] == ["stop"]
    assert not check_photo(changed(picture(), plain)).of("raster")


def test_a_woven_bench_is_no_raster_over_the_picture() -> None:
    """The sample's own photo of face B lies on a cloth, and was called a photo of a screen before its plate was found."""
    photo = read_photo(sample_folder() / "b_intake" / "photo.jpg")
    assert raster_peak(photo.rgb, sharpness_tiles(photo.rgb)) > PhotoLimits().raster_stop
    assert not check_photo(photo).of("raster")
