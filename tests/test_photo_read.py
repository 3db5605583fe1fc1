"""Reading picture files: kinds, orientation, depth, colour, refusals."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms

from pitmap.errors import InputError, PhotoError
from pitmap.photo import Photo, read_photo

HEIGHT, WIDTH = 40, 64


def scene() -> np.ndarray:
    """Red top left, green top right, blue bottom left, white bottom right; taller parts differ so that turns
    show."""
    rgb = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    rgb[:16, :24] = (200, 0, 0)
    rgb[:16, 24:] = (0, 200, 0)
    rgb[16:, :24] = (0, 0, 200)
    rgb[16:, 24:] = (200, 200, 200)
    return rgb


def encode(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def corners(rgb: np.ndarray) -> list[str]:
    """Colour words of the four corners: top left, top right, bottom left, bottom right."""
    h, w = rgb.shape[:2]
    words = {(1, 0, 0): "red", (0, 1, 0): "green", (0, 0, 1): "blue", (1, 1, 1): "white"}
    picks = [rgb[4, 4], rgb[4, w - 5], rgb[h - 5, 4], rgb[h - 5, w - 5]]
    return [words[tuple(int(v > 100) for v in p)] for p in picks]


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_read_lossless_kinds(kind: str) -> None:
    data = encode(Image.fromarray(scene()), kind, **({"lossless": True} if kind == "WEBP" else {}))
    photo = read_photo(data, name="face.bin")
    assert np.array_equal(photo.rgb, scene())
    assert photo.format == kind
    assert photo.size_wh == (64, 40)
    assert photo.name == "face.bin"
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.bit_depth == 8
    assert photo.seen is None
    assert not photo.rgb.flags.writeable


def test_read_jpeg_equals_pillow() -> None:
    rng = np.random.default_rng(1)
    rough = cv2.GaussianBlur(rng.integers(0, 256, (HEIGHT, WIDTH, 3), dtype=np.uint8), (0, 0), 3)
    data = encode(Image.fromarray(rough), "JPEG", quality=95)
    apart = np.abs(read_photo(data).rgb.astype(int) - np.asarray(Image.open(io.BytesIO(data))).astype(int))
    assert apart.max() <= 2  # two builds of the same decoder may round the chroma upsampling differently


def test_read_heic_colours_and_turn() -> None:
    image = pillow_heif.from_pillow(Image.fromarray(scene()))
    out = io.BytesIO()
    image.save(out, quality=95)
    photo = read_photo(out.getvalue())
    assert photo.format == "HEIF"
    assert corners(photo.rgb) == ["red", "green", "blue", "white"]
    exif = Image.Exif()
    exif[0x0112] = 6
    turned = pillow_heif.from_pillow(Image.fromarray(scene()))
    turned.info["exif"] = exif.tobytes()
    out = io.BytesIO()
    turned.save(out, quality=95)
    photo = read_photo(out.getvalue())
    assert photo.size_wh == (40, 64)
    assert corners(photo.rgb) == ["blue", "red", "white", "green"]


TURNS = {
    1: ["red", "green", "blue", "white"],
    2: ["green", "red", "white", "blue"],
    3: ["white", "blue", "green", "red"],
    4: ["blue", "white", "red", "green"],
    5: ["red", "blue", "green", "white"],
    6: ["blue", "red", "white", "green"],
    7: ["white", "green", "blue", "red"],
    8: ["green", "white", "red", "blue"],
}


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
@pytest.mark.parametrize("orientation", sorted(TURNS))
def test_read_orientation(kind: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"compression": "tiff_lzw"} if kind == "TIFF" and orientation % 2 else {"quality": 95}
    photo = read_photo(encode(Image.fromarray(scene()), kind, exif=exif, **options))
    assert corners(photo.rgb) == TURNS[orientation]
    assert photo.size_wh == ((64, 40) if orientation <= 4 else (40, 64))
    assert photo.exif_orientation == orientation


def test_read_date() -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2024:03:09 14:05:59"
    assert read_photo(encode(Image.fromarray(scene()), "JPEG", exif=exif)).taken_at == datetime(
        2024, 3, 9, 14, 5, 59
    )
    assert read_photo(encode(Image.fromarray(scene()), "JPEG")).taken_at is None
    exif.get_ifd(0x8769)[0x9003] = "yesterday"
    assert read_photo(encode(Image.fromarray(scene()), "JPEG", exif=exif)).taken_at is None


def test_read_sixteen_bit_grey_png() -> None:
    ramp = np.tile(np.linspace(0, 65535, WIDTH).astype(np.uint16), (HEIGHT, 1))
    photo = read_photo(encode(Image.fromarray(ramp), "PNG"))
    assert photo.bit_depth == 16
    assert photo.rgb[0, 0].tolist() == [0, 0, 0]
    assert photo.rgb[0, -1].tolist() == [255, 255, 255]
    assert np.abs(photo.rgb[0, :, 0].astype(float) - ramp[0] / 257).max() <= 0.5


@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_read_sixteen_bit_colour(suffix: str) -> None:
    wide = scene().astype(np.uint16) * 257
    ok, data = cv2.imencode(suffix, wide[..., ::-1])
    assert ok
    photo = read_photo(data.tobytes())
    assert photo.bit_depth == 16
    assert np.abs(photo.rgb.astype(int) - scene().astype(int)).max() <= 1


def test_read_grey_palette_bilevel() -> None:
    grey = Image.fromarray(scene()).convert("L")
    for kind in ("PNG", "JPEG", "TIFF"):
        photo = read_photo(encode(grey, kind))
        assert photo.rgb.shape == (40, 64, 3)
        assert np.abs(photo.rgb[..., 0].astype(int) - np.asarray(grey)).max() <= 12
    assert corners(read_photo(encode(Image.fromarray(scene()).quantize(8), "PNG")).rgb) == TURNS[1]
    assert set(np.unique(read_photo(encode(grey.convert("1"), "PNG")).rgb)) <= {0, 255}


def test_read_cmyk() -> None:
    image = Image.fromarray(scene()).convert("CMYK")
    for kind in ("JPEG", "TIFF"):
        photo = read_photo(encode(image, kind))
        assert corners(photo.rgb) == TURNS[1]
        assert any("CMYK" in note for note in photo.notes)


def test_read_alpha_is_not_seen() -> None:
    alpha = np.full((HEIGHT, WIDTH), 255, np.uint8)
    alpha[:, :16] = 0
    photo = read_photo(encode(Image.fromarray(np.dstack([scene(), alpha])), "PNG"))
    assert photo.seen is not None
    assert float(photo.seen.mean()) == 0.75
    assert not photo.seen[:, :16].any()
    opaque = read_photo(encode(Image.fromarray(np.dstack([scene(), np.full_like(alpha, 255)])), "PNG"))
    assert opaque.seen is None


def linear_profile() -> bytes:
    """An RGB profile with sRGB's primaries and a straight tone curve, made by editing Pillow's own sRGB
    profile."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    count = struct.unpack(">I", data[128:132])[0]
    for k in range(count):
        tag, offset, size = struct.unpack(">4sII", data[132 + 12 * k : 144 + 12 * k])
        if tag in (b"rTRC", b"gTRC", b"bTRC"):
            data[offset : offset + size] = (b"curv" + bytes(8)).ljust(size, b"\0")
        elif tag == b"desc":
            text = bytes(data[offset : offset + size])
            text = text.replace(b"sRGB", b"flat").replace(
                "sRGB".encode("utf-16-be"), "flat".encode("utf-16-be")
            )
            data[offset : offset + size] = text
    return bytes(data)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_read_profile_to_srgb(kind: str) -> None:
    flat = Image.new("RGB", (WIDTH, HEIGHT), (55, 55, 55))
    photo = read_photo(encode(flat, kind, icc_profile=linear_profile()))
    # IEC 61966-2-1: linear 55/255 = 0.2157 is 1.055 * 0.2157 ** (1 / 2.4) - 0.055 = 0.5019, that is 128
    assert abs(int(photo.rgb[20, 30, 1]) - 128) <= 2
    assert any("flat" in note for note in photo.notes)


def test_read_broken_profile_is_a_note() -> None:
    photo = read_photo(encode(Image.fromarray(scene()), "JPEG", icc_profile=b"not a profile", quality=95))
    assert corners(photo.rgb) == TURNS[1]
    assert any("left out" in note for note in photo.notes)


def test_read_first_of_several() -> None:
    other = Image.new("RGB", (WIDTH, HEIGHT), (9, 9, 9))
    data = encode(Image.fromarray(scene()), "TIFF", save_all=True, append_images=[other])
    photo = read_photo(data)
    assert np.array_equal(photo.rgb, scene())
    assert "first of 2 pictures in the file" in photo.notes


def png_of_size(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b""))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(10001, 10000), (12240, 16320), (60000, 60000)])
def test_refuse_bomb(size: tuple[int, int]) -> None:
    """A phone's 200 megapixels are no damaged file, though Pillow itself refuses so many."""
    with pytest.raises(PhotoError, match=r"bomb\.png: .*100 megapixels; save it at a smaller size"):
        read_photo(png_of_size(*size), name="bomb.png")


@pytest.mark.parametrize("size", [(32_767, 3000), (3000, 32_767)])
def test_refuse_a_strip_longer_than_can_be_resampled(size: tuple[int, int]) -> None:
    with pytest.raises(PhotoError, match=r"pan\.png: .* a strip with over 32766 px along a side"):
        read_photo(png_of_size(*size), name="pan.png")


def test_refuse_tiny_empty_and_wrong(tmp_path) -> None:
    with pytest.raises(PhotoError, match=r"icon: 31 x 40 is too small"):
        read_photo(encode(Image.new("RGB", (31, 40)), "PNG"), name="icon")
    with pytest.raises(PhotoError, match="empty"):
        read_photo(b"")
    with pytest.raises(PhotoError, match=r"notes\.txt: not a picture"):
        read_photo(b"hello, not a picture at all", name="notes.txt")
    with pytest.raises(PhotoError, match="it is a PDF"):
        read_photo(b"%PDF-1.7 ...")
    with pytest.raises(PhotoError, match=r"gone\.jpg: cannot be read"):
        read_photo(tmp_path / "gone.jpg")
    with pytest.raises(PhotoError, match="cannot be read"):
        read_photo(tmp_path)


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no file without an end here")
def test_a_file_without_an_end_is_not_read_for_ever(monkeypatch) -> None:
    monkeypatch.setattr("pitmap.photo.read.MAX_FILE_BYTES", 1_000_000)
    with pytest.raises(PhotoError, match=r"/dev/zero: over 1 MB"):
        read_photo("/dev/zero")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_refuse_cut_short(kind: str) -> None:
    rng = np.random.default_rng(2)
    image = Image.fromarray(rng.integers(0, 256, (120, 160, 3), dtype=np.uint8))
    data = encode(image, kind, quality=90)
    for share in (0.3, 0.6, 0.95):
        with pytest.raises(PhotoError, match=r"cut\."):
            read_photo(data[: int(len(data) * share)], name="cut.x")


def test_read_jpeg_with_trailer() -> None:
    data = encode(Image.fromarray(scene()), "JPEG", quality=95)
    assert corners(read_photo(data + b"maker's trailer" * 20).rgb) == TURNS[1]
    progressive = encode(Image.fromarray(scene()), "JPEG", quality=95, progressive=True)
    assert corners(read_photo(progressive).rgb) == TURNS[1]


def test_refuse_float_tiff() -> None:
    with pytest.raises(PhotoError, match="8 or 16 bits"):
        read_photo(encode(Image.fromarray(np.zeros((40, 64), np.float32)), "TIFF"))


def test_photo_checks_its_arrays() -> None:
    with pytest.raises(InputError, match="uint8"):
        Photo(rgb=np.zeros((4, 5, 3)), name="x", sha256="", format="PNG")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="seen"):
        Photo(
            rgb=np.zeros((4, 5, 3), np.uint8), name="x", sha256="", format="PNG", seen=np.ones((5, 4), bool)
        )


def test_fuzz_never_leaks_a_foreign_error() -> None:
    """200 damaged files of every kind: a photo or a PhotoError, nothing else."""
    rng = np.random.default_rng(20)
    image = Image.fromarray(cv2.GaussianBlur(rng.integers(0, 256, (72, 96, 3), dtype=np.uint8), (0, 0), 2))
    heif = io.BytesIO()
    pillow_heif.from_pillow(image).save(heif, quality=60)
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0x9003] = "2024:03:09 14:05:59"
    files = [
        encode(image, "JPEG", exif=exif, icc_profile=linear_profile()),
        encode(image, "PNG", exif=exif),
        encode(image, "TIFF", compression="tiff_lzw"),
        encode(image, "WEBP", quality=60),
        heif.getvalue(),
    ]
    refused = 0
    for turn in range(200):
        data = bytearray(files[turn % len(files)])
        how = rng.integers(0, 4)
        if how == 0:
            for place in rng.integers(0, len(data), rng.integers(1, 30)):
                data[place] = rng.integers(0, 256)
        elif how == 1:
            del data[int(rng.integers(1, len(data))) :]
        elif how == 2:
            start = int(rng.integers(0, len(data)))
            del data[start : start + int(rng.integers(1, 200))]
        else:
            for place in rng.integers(0, min(400, len(data)), 8):
                data[place] = rng.integers(0, 256)
        try:
            photo = read_photo(bytes(data), name="mutant")
        except PhotoError as error:
            refused += 1
            assert str(error).startswith("mutant: ")
        else:
            assert photo.rgb.dtype == np.uint8
    assert refused >= 60
