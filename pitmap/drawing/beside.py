"""The TOML beside an SVG drawing: what the lines alone cannot say."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit

from ..errors import DrawingError
from ..whole_file import whole_file
from .model import ZONE_NAMES, Drawing
from .numbers import check_limits, read_toml

__all__ = ["Beside", "read_beside", "written_beside"]

_FORMAT = "pitmap drawing 1"
_KNOWN = {
    "format", "drawing", "name", "thickness_mm", "land_width_mm", "user_unit_mm", "zones", "bands",
    "photo_hints", "limits", "map",
}  # fmt: skip
_FILE_NAME = re.compile(r"[^/\\\x00-\x1f]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What stands in the TOML beside a drawing.

    Parameters
    ----------
    name : str
        Empty when not given; then the file's name serves.
    thickness_mm : float
        NaN when not given.
    land_width_mm : float
        For drawings that have a bore trace but no outer edge of the land; NaN when not given.
    user_unit_mm : float
        Millimetres of one unit, for files that do not say; NaN when not given.
    zone_purposes, seal_width_mm : mapping
        By zone name and by band name.
    roles : mapping of str to str
        Meaning of an element or layer by its label, where its own name does not tell.
    """

    name: str = ""
    thickness_mm: float = math.nan
    land_width_mm: float = math.nan
    user_unit_mm: float = math.nan
    drawing: str = ""
    zone_purposes: Mapping[str, str] = field(default_factory=dict)
    seal_width_mm: Mapping[str, float] = field(default_factory=dict)
    photo_hints: Mapping[str, object] = field(default_factory=dict)
    limits: Mapping[str, object] = field(default_factory=dict)
    roles: Mapping[str, str] = field(default_factory=dict)


def _positive(path: Path, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= sys.float_info.max:
        raise DrawingError(f"{path}: {key} must be a number above 0, got {repr(value)[:60]}")
    return float(value)


def _table(path: Path, data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, Mapping):
        raise DrawingError(f"{path}: {key} must be a table, written [{key}]")
    return value


def read_beside(path: str | Path, data: Mapping[str, Any] | None = None) -> Beside:
    """Read and check the TOML beside a drawing.

    Raises
    ------
    DrawingError
        Not TOML, a field unknown or of the wrong kind, or a limit without its source; the field is named.
    """
    path = Path(path)
    data = read_toml(path) if data is None else data
    odd = set(data) - _KNOWN
    if odd:
        raise DrawingError(
            f"{path}: unknown entry {', '.join(sorted(odd))}; known are {', '.join(sorted(_KNOWN))}"
        )
    if data.get("format", _FORMAT) != _FORMAT:
        raise DrawingError(f"{path}: format is {data['format']!r}, this version reads {_FORMAT!r}")
    for key in ("name", "drawing"):
        if not isinstance(data.get(key, ""), str):
            raise DrawingError(f"{path}: {key} must be text")
    drawing = data.get("drawing", "")
    if drawing and not _FILE_NAME.fullmatch(drawing):
        raise DrawingError(
            f"{path}: drawing must be the name of a file in the same folder, got {drawing[:60]!r}"
        )
    zones, bands, roles, limits = (_table(path, data, key) for key in ("zones", "bands", "map", "limits"))
    check_limits(str(path), limits)
    for name, zone in zones.items():
        if name not in ZONE_NAMES or not isinstance(zone, Mapping):
            raise DrawingError(f"{path}: zones.{name} is not one of {', '.join(ZONE_NAMES)} with its entries")
    for name, band in bands.items():
        if not isinstance(band, Mapping) or "seal_width_mm" not in band:
            raise DrawingError(f"{path}: bands.{name} needs seal_width_mm")
    return Beside(
        name=data.get("name", ""),
        drawing=drawing,
        **{
            key: _positive(path, key, data[key])
            for key in ("thickness_mm", "land_width_mm", "user_unit_mm")
            if key in data
        },
        zone_purposes={name: str(zone["purpose"]) for name, zone in zones.items() if "purpose" in zone},
        seal_width_mm={
            name: _positive(path, f"bands.{name}.seal_width_mm", band["seal_width_mm"])
            for name, band in bands.items()
        },
        photo_hints=dict(_table(path, data, "photo_hints")),
        limits=dict(limits),
        roles={str(k): str(v) for k, v in roles.items()},
    )


@contextmanager
def written_beside(drawing: Drawing, path: Path, *, beside: bool) -> Iterator[Path]:
    """A temporary path for the file of a drawing, which takes its place together with the TOML beside it.

    Both are written before either takes its place: a file beside another's TOML would be another plate.

    Parameters
    ----------
    drawing : Drawing
    path : Path
        Of the SVG or DXF; the TOML gets the same name.
    beside : bool
        False leaves the TOML out.

    Raises
    ------
    OSError
        As :func:`pitmap.whole_file.whole_file`; nothing was replaced then.
    """
    with ExitStack() as both:
        temp = both.enter_context(whole_file(path))
        if beside:
            toml = both.enter_context(whole_file(path.with_suffix(".toml")))
            toml.write_text(_toml_of(drawing, path.name), encoding="utf-8")
        yield temp


def _toml_of(drawing: Drawing, drawing_name: str) -> str:
    out = tomlkit.document()
    out.add("format", tomlkit.item(_FORMAT))
    out.add("drawing", tomlkit.item(drawing_name))
    out.add("name", tomlkit.item(drawing.name))
    if math.isfinite(drawing.thickness_mm):
        out.add("thickness_mm", tomlkit.item(float(drawing.thickness_mm)))
    purposes = {name: {"purpose": text} for name, text in drawing.zone_purposes.items()}
    bands = {band.name: {"seal_width_mm": float(band.seal_width_mm)} for band in drawing.bands}
    for key, value in (
        ("zones", purposes),
        ("bands", bands),
        ("photo_hints", dict(drawing.photo_hints)),
        ("limits", dict(drawing.limits)),
    ):
        if value:
            out.add(key, tomlkit.item(value))
    return tomlkit.dumps(out)
