"""Bring decoded pixels to 8-bit sRGB: depth, grey, CMYK, alpha, embedded profiles."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

__all__ = ["apply_profile", "linear_of_levels", "profile_name", "to_srgb"]

_STRIP_ROWS = 1024
"""Profiles are applied strip by strip, so that the largest picture needs no second copy of itself."""

_PROFILE_SPACE = {"RGB": "RGB ", "CMYK": "CMYK", "L": "GRAY", "LAB": "Lab "}


def linear_of_levels() -> NDArray[np.float32]:
    """Linear light, 0 to 1, of every 8-bit level of sRGB, (256,).

    References
    ----------
    IEC 61966-2-1.
    """
    s = np.arange(256) / 255
    return np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4).astype(np.float32)


def _open_profile(icc: bytes) -> ImageCms.ImageCmsProfile | None:
    try:
        return ImageCms.ImageCmsProfile(io.BytesIO(icc))
    except (OSError, ImageCms.PyCMSError, TypeError, ValueError):
        return None


def profile_name(icc: bytes | None) -> str:
    """What an embedded profile calls itself: empty for none, ``unreadable`` for a broken one."""
    if not icc:
        return ""
    profile = _open_profile(icc)
    if profile is None:
        return "unreadable"
    return (profile.profile.profile_description or "unnamed").strip() or "unnamed"


def apply_profile(pixels: NDArray[np.uint8], mode: str, icc: bytes) -> NDArray[np.uint8] | None:
    """Pixels of a profile's space as sRGB, or None when the profile does not fit them.

    Parameters
    ----------
    pixels : (rows, columns) or (rows, columns, bands) uint8 array
    mode : str
        Pillow's mode of the pixels: ``RGB``, ``L``, ``CMYK``.
    icc : bytes
        The embedded profile.
    """
    profile = _open_profile(icc)
    if profile is None or profile.profile.xcolor_space != _PROFILE_SPACE.get(mode):
        return None
    try:
        transform = ImageCms.buildTransform(
            profile,
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
    except ImageCms.PyCMSError:
        return None
    out = pixels if mode == "RGB" and pixels.flags.writeable else np.empty((*pixels.shape[:2], 3), np.uint8)
    for top in range(0, pixels.shape[0], _STRIP_ROWS):
        strip = Image.frombuffer(
            mode, (pixels.shape[1], min(_STRIP_ROWS, pixels.shape[0] - top)), np.ascontiguousarray(  # type: ignore[arg-type]
                pixels[top : top + _STRIP_ROWS]
            ).data, "raw", mode, 0, 1,
        )  # fmt: skip
        out[top : top + _STRIP_ROWS] = np.asarray(transform.apply(strip))
    return out


def _sixteen_to_eight(image: Image.Image) -> Image.Image:
    values = np.asarray(image)
    return Image.fromarray(np.clip((values.astype(np.uint32) + 128) // 257, 0, 255).astype(np.uint8))


def to_srgb(
    image: Image.Image, icc: bytes | None
) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None, list[str]]:
    """A decoded Pillow picture as (sRGB pixels, opaque mask or None, notes).

    Raises
    ------
    ValueError
        A kind of pixel that has no fixed white (floating point, 32-bit whole numbers).
    """
    notes: list[str] = []
    if image.mode.startswith("I;16"):
        notes.append("16-bit grey reduced to 8 bits")
    elif image.mode in ("I", "F"):
        raise ValueError(
            "its pixels are 32-bit numbers with no fixed white; save it as 8 or 16 bits per channel"
        )
    width, height = image.size
    rgb = np.empty((height, width, 3), np.uint8)
    seen = np.ones((height, width), bool) if _has_alpha(image) else None
    name = profile_name(icc)
    wants = bool(name) and "srgb" not in name.lower()
    fits, kind = False, ""
    for top in range(0, height, _STRIP_ROWS):
        rows = slice(top, min(height, top + _STRIP_ROWS))
        strip, kind = _plain_strip(image.crop((0, top, width, rows.stop)), seen, rows)
        converted = (
            apply_profile(np.array(strip), strip.mode, icc or b"") if wants and kind == "own" else None
        )
        fits = converted is not None
        rgb[rows] = np.asarray(strip.convert("RGB")) if converted is None else converted
    if seen is not None:
        if seen.all():
            seen = None
        else:
            share = 100 * float(1 - seen.mean())
            notes.append(f"{share:.1f} % of the picture is transparent and counts as not seen")
    if fits:
        notes.append(f"colours converted from the profile {name!r} to sRGB")
    elif wants and kind == "own":
        notes.append(f"the embedded profile ({name}) does not fit the picture and was left out")
    if image.mode == "CMYK" and not fits:
        notes.append("CMYK without a usable profile: colours are approximate")
    return rgb, seen, notes


def _has_alpha(image: Image.Image) -> bool:
    return image.mode in ("LA", "La", "PA", "RGBA", "RGBa") or "transparency" in image.info


def _plain_strip(strip: Image.Image, seen: NDArray[np.bool_] | None, rows: slice) -> tuple[Image.Image, str]:
    """A strip as RGB, L or CMYK, its opaque pixels written into `seen`; and ``own`` when an embedded profile still
    speaks of these numbers, ``made`` when they were made from another kind of pixel."""
    if strip.mode.startswith("I;16"):
        strip = _sixteen_to_eight(strip)
    elif strip.mode == "1":
        strip = strip.convert("L")
    if seen is not None:
        strip = strip.convert("RGBA")
        seen[rows] = np.asarray(strip.getchannel("A")) >= 128
        strip = strip.convert("RGB")
    elif strip.mode == "P":
        strip = strip.convert("RGB")
    if strip.mode in ("RGBX", "YCbCr", "HSV", "LAB"):
        return (_lab_to_rgb(strip) if strip.mode == "LAB" else strip.convert("RGB")), "made"
    if strip.mode not in ("RGB", "L", "CMYK"):
        raise ValueError(f"its pixels are of the kind {strip.mode}, which is not supported; save it as RGB")
    return strip, "own"


def _lab_to_rgb(image: Image.Image) -> Image.Image:
    transform = ImageCms.buildTransform(
        ImageCms.createProfile("LAB"), ImageCms.createProfile("sRGB"), "LAB", "RGB"
    )
    return transform.apply(image)
