"""The numbers that a plate is built from, and their TOML file."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from pathlib import Path
from typing import Any, TypeVar

from ..errors import DrawingError, InputError
from .model import FARTHEST_MM, OPENING_KINDS, ZONE_NAMES
from .trochoid import Trochoid

__all__ = [
    "BandNumbers",
    "Ear",
    "Hole",
    "PlateNumbers",
    "PortShape",
    "Slot",
    "load_numbers",
    "numbers_from_mapping",
]

_MAX_BYTES = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A round opening: bolt, dowel, drain, bore, lift ... (mm)."""

    name: str
    kind: str
    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PortShape:
    """An opening of any shape: corners in mm, rounded with `corner_mm`."""

    name: str
    points_mm: tuple[tuple[float, float], ...]
    kind: str = "port"
    corner_mm: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A coolant opening along the outer side of the land, between two directions from the trace's centre.

    Parameters
    ----------
    name : str
    from_deg, to_deg : float
        Directions, counter-clockwise from x in the plate frame; ``to_deg`` above ``from_deg``.
    depth_mm : float
        Across the slot, outwards from the land.
    corner_mm : float
        Corner radius.
    """

    name: str
    from_deg: float
    to_deg: float
    depth_mm: float
    corner_mm: float = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Ear:
    """A mounting ear: a disc joined to the body by a neck of the same width, or of `neck_mm`."""

    x_mm: float
    y_mm: float
    radius_mm: float
    neck_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BandNumbers:
    """A strip swept by a seal, between two offsets of the trace (negative inside it) or two radii."""

    name: str
    seal_width_mm: float
    from_mm: float
    to_mm: float
    about: str = "trace"
    """``trace``: offsets of the trace; ``bore``: radii about the trace's centre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateNumbers:
    """Everything that :func:`pitmap.drawing.build_drawing` needs for one face, mm and degrees.

    Parameters
    ----------
    name : str
    thickness_mm : float
    trace : Trochoid
    land_width_mm : float
        The seal land reaches from the trace to its outer offset by this.
    body_offset_mm : float
        The body's edge as an offset of the trace; used where `body_points_mm` is empty.
    body_points_mm : tuple of (x, y)
        Corners of the body, rounded by `body_corner_mm`.
    fillet_mm : float
        Radius in the inner corners between body and ears.
    mirrored : bool
        Build it, then mirror it (x -> -x): the second face of an intermediate plate from the numbers of the
        first.
    """

    name: str
    thickness_mm: float
    trace: Trochoid
    land_width_mm: float
    body_offset_mm: float = 25.0
    body_points_mm: tuple[tuple[float, float], ...] = ()
    body_corner_mm: float = 15.0
    fillet_mm: float = 6.0
    ears: tuple[Ear, ...] = ()
    slots: tuple[Slot, ...] = ()
    holes: tuple[Hole, ...] = ()
    ports: tuple[PortShape, ...] = ()
    bands: tuple[BandNumbers, ...] = ()
    mirrored: bool = False
    zone_purposes: Mapping[str, str] = field(default_factory=dict)
    photo_hints: Mapping[str, object] = field(default_factory=dict)
    limits: Mapping[str, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise DrawingError("plate: name is empty; surveys and records name the plate by it")
        for label, value in (("thickness_mm", self.thickness_mm), ("land_width_mm", self.land_width_mm)):
            if not (math.isfinite(value) and value > 0):
                raise DrawingError(f"plate {self.name!r}: {label} must be above 0, got {value!r}")
        for label, value in (("body_corner_mm", self.body_corner_mm), ("fillet_mm", self.fillet_mm)):
            if not value >= 0:
                raise DrawingError(f"plate {self.name!r}: {label} must be 0 or more, got {value!r}")
        for ear in self.ears:
            if not (ear.radius_mm > 0 and ear.neck_mm >= 0):
                raise DrawingError(
                    f"plate {self.name!r}: the ear at {ear.x_mm:g}, {ear.y_mm:g} mm needs a radius above 0, and a neck of 0 "
                    "or more"
                )
        corners = [(s.name, s.corner_mm) for s in self.slots] + [(p.name, p.corner_mm) for p in self.ports]
        for name, corner_mm in corners:
            if not corner_mm >= 0:
                raise DrawingError(f"plate {self.name!r}: {name!r} needs a corner_mm of 0 or more")
        for opening in (*self.holes, *self.ports):
            if opening.kind not in OPENING_KINDS:  # type: ignore[attr-defined]
                raise DrawingError(
                    f"plate {self.name!r}: {opening.name!r} is of kind {opening.kind!r}; expected one of "  # type: ignore[attr-defined]
                    + ", ".join(OPENING_KINDS)
                )
        for hole in self.holes:
            if not hole.diameter_mm > 0:
                raise DrawingError(f"plate {self.name!r}: hole {hole.name!r} needs a diameter above 0")
        for slot in self.slots:
            if not (0 < slot.to_deg - slot.from_deg < 180 and slot.depth_mm > 0):
                raise DrawingError(
                    f"plate {self.name!r}: slot {slot.name!r} needs to_deg above from_deg by less than "
                    f"180, and a depth"
                )
        for band in self.bands:
            if (
                band.about not in ("trace", "bore")
                or not band.to_mm > band.from_mm
                or not band.seal_width_mm > 0
                or (band.about == "bore" and band.from_mm < 0)
            ):
                raise DrawingError(
                    f"plate {self.name!r}: band {band.name!r} needs about trace or bore, to_mm above "
                    f"from_mm (about the bore both 0 or more), seal_width_mm"
                )


_T = TypeVar("_T")


def _make(cls: type[_T], where: str, data: Any) -> _T:
    """A dataclass from a TOML table, with every unknown, missing or ill-typed field named."""
    if not isinstance(data, Mapping):
        raise DrawingError(f"{where}: expected a table of name = value")
    known = {f.name: f for f in fields(cls)}  # type: ignore[arg-type]
    odd = set(data) - set(known)
    if odd:
        raise DrawingError(f"{where}: unknown field {', '.join(sorted(odd))}; known are {', '.join(known)}")
    lacking = [
        f.name for f in known.values() if f.default is f.default_factory is MISSING and f.name not in data
    ]
    if lacking:
        raise DrawingError(
            f"{where}: lacks {', '.join(lacking)}; add {'it' if len(lacking) == 1 else 'them'}"
        )
    values = dict(data)
    for key, value in values.items():
        if known[key].type == "float":
            values[key] = _number(f"{where}.{key}", value)
        elif known[key].type == "str" and not isinstance(value, str):
            raise DrawingError(f"{where}.{key}: expected text, got {value!r}")
        elif known[key].type == "bool" and not isinstance(value, bool):
            raise DrawingError(f"{where}.{key}: expected true or false, got {value!r}")
        elif known[key].name in ("points_mm", "body_points_mm", "centre_xy_mm"):
            values[key] = _points(f"{where}.{key}", value)
        elif known[key].name in ("zone_purposes", "photo_hints", "limits"):
            values[key] = _free_table(where, key, value)
    try:
        return cls(**values)
    except TypeError as error:
        raise DrawingError(f"{where}: a field is missing ({error})") from error
    except DrawingError:
        raise
    except InputError as error:
        raise DrawingError(f"{where}: {error}") from error


def _number(where: str, value: Any) -> float:
    """A number of a plate: millimetres or degrees, so none is large."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not (is_number and abs(value) <= FARTHEST_MM):
        raise DrawingError(f"{where}: expected a number of at most {FARTHEST_MM:g}, got {repr(value)[:60]}")
    return float(value)


def _points(where: str, value: Any) -> Any:
    rows = [value] if where.endswith("centre_xy_mm") else value
    if not isinstance(rows, list | tuple) or not all(
        isinstance(p, list | tuple) and len(p) == 2 for p in rows
    ):
        raise DrawingError(f"{where}: expected [x, y] numbers in mm")
    points = tuple((_number(where, x), _number(where, y)) for x, y in rows)
    return points[0] if where.endswith("centre_xy_mm") else points


def _free_table(where: str, key: str, value: Any) -> Mapping[str, Any]:
    """A table that goes into the TOML beside the drawing as it is, so what is refused there is refused here."""
    if not isinstance(value, Mapping):
        raise DrawingError(f"{where}: {key} must be a table, written [{key}]")
    if key == "zone_purposes" and not all(
        k in ZONE_NAMES and isinstance(text, str) for k, text in value.items()
    ):
        raise DrawingError(f"{where}: {key} holds a text for a zone, which is one of {', '.join(ZONE_NAMES)}")
    if key == "limits":
        check_limits(where, value)
    return value


def check_limits(where: str, table: Mapping[str, Any]) -> None:
    """Limits that carry a number must say where the number comes from.

    Raises
    ------
    DrawingError
        One does not; it is named.
    """
    for key, value in table.items():
        if isinstance(value, Mapping) and "value" in value and not str(value.get("source", "")).strip():
            raise DrawingError(
                f"{where}: limits.{key} has no source; name the manual and page it was read from"
            )


def numbers_from_mapping(data: Mapping[str, Any], where: str = "numbers") -> PlateNumbers:
    """Plate numbers from the tables of a NUMBERS.toml already read.

    Raises
    ------
    DrawingError
        Names the table and field.
    """
    values = dict(data)
    values.pop("format", None)
    values["trace"] = _make(Trochoid, f"{where}: [trace]", values.get("trace", {}))
    lists: dict[str, type] = {
        "ears": Ear,
        "slots": Slot,
        "holes": Hole,
        "ports": PortShape,
        "bands": BandNumbers,
    }
    for key, cls in lists.items():
        rows = values.get(key, [])
        if not isinstance(rows, list | tuple):
            raise DrawingError(f"{where}: {key} must be a list of tables, written [[{key}]]")
        values[key] = tuple(
            _make(cls, f"{where}: [[{key}]] number {i}", row) for i, row in enumerate(rows, 1)
        )
    return _make(PlateNumbers, where, values)


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file as tables, with every failure told as a :class:`DrawingError`."""
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise DrawingError(f"{path}: over {_MAX_BYTES} bytes, which is no drawing's TOML")
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise DrawingError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise DrawingError(f"{path}: is not UTF-8 text; save it in UTF-8") from error
    except (ValueError, RecursionError) as error:
        # a number of thousands of digits is refused with a plain ValueError
        raise DrawingError(f"{path}: is not TOML ({error})") from error


def load_numbers(path: str | Path) -> PlateNumbers:
    """Plate numbers from a NUMBERS.toml.

    Raises
    ------
    DrawingError
        Not readable, not TOML, or a field that is missing, unknown or of the wrong type.
    """
    path = Path(path)
    return numbers_from_mapping(read_toml(path), str(path))
