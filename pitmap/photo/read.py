"""Read a picture file: one door, every refusal names the file and what to do."""

from __future__ import annotations

import hashlib
import io
import warnings
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image

from ..errors import PhotoError
from .colour import apply_profile, profile_name, to_srgb
from .jpeg import is_whole_jpeg
from .orientation import upright
from .picture import Photo

__all__ = ["MAX_FILE_BYTES", "MAX_PIXELS", "MAX_SIDE_PX", "MIN_SIDE_PX", "read_photo"]

MAX_PIXELS = 100_000_000
"""Largest picture read, pixels. Peak memory stays under 13 bytes per pixel plus the file (1.3 GB here)."""
MAX_SIDE_PX = 32_766
"""OpenCV resamples no longer side; a picture that has one and stays under the other limit is a strip that shows no plate."""
MAX_FILE_BYTES = 600_000_000
MIN_SIDE_PX = 32
"""A smaller picture cannot show a plate; most likely it is an icon or a preview."""

_PILLOW_FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_ASK = "give a photo as JPEG, PNG, TIFF, WebP or HEIC"
_TAG_ORIENTATION, _TAG_DATE, _TAG_EXIF, _TAG_DATE_ORIGINAL = 0x0112, 0x0132, 0x8769, 0x9003


def read_photo(path_or_bytes: str | Path | bytes, *, name: str | None = None) -> Photo:
    """A picture file as upright 8-bit sRGB.

    Parameters
    ----------
    path_or_bytes : str, Path or bytes
        JPEG, PNG, TIFF, WebP or HEIC; the content decides, not the file's name. Only the first picture of
        a file that holds several.
    name : str, optional
        What to call it in messages and records; the file's own name by default.

    Raises
    ------
    PhotoError
        Cannot be read, is no picture of these kinds, is cut short or damaged, has over 100 megapixels, or a
        side under 32 or over 32,766 px.

    Notes
    -----
    Ordinary JPEG goes straight through OpenCV; the rest through Pillow and libheif. EXIF orientation is
    applied by one function, except where the decoder has already turned the picture: TIFF, and HEIC, which
    is turned by the file's own transform (ISO/IEC 23008-12) so that its EXIF entry must be left alone. 16-bit
    channels keep 8 bits. Pixels less than half opaque count as not seen (house choice).
    """
    data, name = _load(path_or_bytes, name)
    kind = _kind(data)
    if not kind:
        raise PhotoError(f"{name}: not a picture that can be read; {_ask_for(data)}")
    try:
        # Foreign warnings about odd metadata would reach the user as noise; what matters becomes an error.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _read_heif(data, name) if kind == "HEIF" else _read_pillow(data, name)
    except PhotoError:
        raise
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name}: it has over {MAX_PIXELS // 10**6} megapixels; save it at a smaller size"
        ) from error
    except MemoryError as error:
        raise PhotoError(
            f"{name}: not enough memory to decode it; close other programs or save it smaller"
        ) from error
    # The one edge where foreign errors are wrapped: decoders raise anything at all on damaged files.
    except Exception as error:
        raise PhotoError(
            f"{name}: this {kind} file is damaged or of a kind not supported ({str(error) or type(error).__name__}); "
            "copy it from the camera again, or save it as JPEG"
        ) from error


def _load(source: str | Path | bytes, name: str | None) -> tuple[bytes, str]:
    if isinstance(source, (bytes, bytearray, memoryview)):
        data, name = bytes(source), name or "picture"
        if len(data) > MAX_FILE_BYTES:
            raise PhotoError(f"{name}: over {MAX_FILE_BYTES // 10**6} MB; save it as JPEG")
    else:
        path = Path(source)
        name = name or path.name or str(path)
        try:
            # what is no regular file tells no size, so no more is read than would be taken
            with path.open("rb") as file:
                data = file.read(MAX_FILE_BYTES + 1)
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise PhotoError(f"{path}: cannot be read ({why}); {_ASK}") from error
        if len(data) > MAX_FILE_BYTES:
            raise PhotoError(f"{path}: over {MAX_FILE_BYTES // 10**6} MB; save it as JPEG")
    if not data:
        raise PhotoError(f"{name}: the file is empty; copy it from the camera again")
    return data, name


def _kind(data: bytes) -> str:
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return "HEIF"
    return ""


def _ask_for(data: bytes) -> str:
    for start, what in (
        (b"%PDF", "a PDF"),
        (b"GIF8", "a GIF"),
        (b"BM", "a BMP"),
        (b"PK\x03\x04", "a ZIP archive"),
    ):
        if data.startswith(start):
            return f"it is {what}; {_ASK}"
    return _ASK


def _check_size(width: int, height: int, name: str) -> None:
    if width * height > MAX_PIXELS:
        raise PhotoError(
            f"{name}: {width} x {height} is over {MAX_PIXELS // 10**6} megapixels; save it at a smaller size"
        )
    if max(width, height) > MAX_SIDE_PX:
        raise PhotoError(
            f"{name}: {width} x {height} is a strip with over {MAX_SIDE_PX} px along a side; give the camera's own picture, "
            "or save it at a smaller size"
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(f"{name}: {width} x {height} is too small to measure; give the camera's own picture")


def _read_pillow(data: bytes, name: str) -> Photo:
    with Image.open(io.BytesIO(data), formats=_PILLOW_FORMATS) as image:
        _check_size(image.width, image.height, name)
        kind = "JPEG" if image.format == "MPO" else str(image.format)
        exif = image.getexif()
        orientation, taken_at = _orientation(exif), _taken_at(exif)
        icc = image.info.get("icc_profile") or None
        notes: list[str] = []
        seen = None
        if kind == "JPEG" and not is_whole_jpeg(data):
            raise PhotoError(f"{name}: the file is cut short; copy it from the camera again")
        if getattr(image, "n_frames", 1) > 1 and image.format != "MPO":
            notes.append(f"first of {image.n_frames} pictures in the file")  # type: ignore[attr-defined]
        depth = _bit_depth(image, data)
        if kind == "JPEG" and image.mode in ("RGB", "L"):
            rgb, more = _decode_jpeg(data, name, image.mode, icc)
        else:
            image.load()
            if depth == 16 and image.mode in ("RGB", "RGBA", "LA"):
                notes.append("16 bits per channel reduced to 8")
            rgb, seen, more = to_srgb(image, icc)
    # The decoded picture would otherwise be held while it is turned: memory for nothing.
    del image
    # Pillow 11 and later turns TIFF (only) while loading.
    left = 1 if kind == "TIFF" else orientation
    return Photo(
        rgb=upright(rgb, left),
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        format=kind,
        bit_depth=depth,
        exif_orientation=orientation,
        taken_at=taken_at,
        seen=None if seen is None else upright(seen.view(np.uint8), left).view(np.bool_),
        notes=(*notes, *more),
    )


def _decode_jpeg(data: bytes, name: str, mode: str, icc: bytes | None) -> tuple[NDArray[np.uint8], list[str]]:
    """RGB pixels as they lie in the file; OpenCV's own turning is off so that one function does it for all."""
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    rgb = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if rgb is None:
        raise PhotoError(f"{name}: this JPEG file is damaged; copy it from the camera again")
    profile = profile_name(icc)
    if not profile or "srgb" in profile.lower():
        return rgb, []
    converted = apply_profile(rgb if mode == "RGB" else np.ascontiguousarray(rgb[..., 0]), mode, icc or b"")
    if converted is None:
        return rgb, [f"the embedded profile ({profile}) does not fit the picture and was left out"]
    return converted, [f"colours converted from the profile {profile!r} to sRGB"]


def _read_heif(data: bytes, name: str) -> Photo:
    heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
    _check_size(*heif.size, name)  # type: ignore[call-arg]
    depth = int(heif.info.get("bit_depth", 8))
    exif = Image.Exif()
    if heif.info.get("exif"):
        exif.load(heif.info["exif"])
    rgb, seen, notes = to_srgb(heif.to_pillow(), heif.info.get("icc_profile") or None)
    if len(heif) > 1:
        notes.append(f"main one of {len(heif)} pictures in the file")
    return Photo(
        rgb=np.ascontiguousarray(rgb),
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        format="HEIF",
        bit_depth=depth,
        exif_orientation=int(heif.info.get("original_orientation") or 1),
        taken_at=_taken_at(exif),
        seen=seen,
        notes=tuple(notes),
    )


def _orientation(exif: Image.Exif) -> int:
    value = exif.get(_TAG_ORIENTATION, 1)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _taken_at(exif: Image.Exif) -> datetime | None:
    text = exif.get_ifd(_TAG_EXIF).get(_TAG_DATE_ORIGINAL) or exif.get(_TAG_DATE)
    try:
        return datetime.strptime(str(text).strip("\x00 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None


def _bit_depth(image: Image.Image, data: bytes) -> int:
    if image.format == "PNG":
        return data[24]
    if image.format == "TIFF":
        bits = image.tag_v2.get(258, (8,))  # type: ignore[attr-defined]
        return int(max(bits)) if isinstance(bits, tuple) else int(bits)
    return 8
