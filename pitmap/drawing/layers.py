"""What the layers of a drawing file mean, as a small file of its own that serves for the next plate too."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import tomlkit

from ..errors import DrawingError
from ..whole_file import write_whole
from .beside import Beside
from .dxf_read import read_strokes
from .model import OPENING_KINDS, ZONE_NAMES
from .numbers import read_toml
from .roles import EDGE_ROLES, check_role, guess_role

__all__ = ["LAYER_ROLES", "dxf_layers", "load_layers", "save_layers"]

_FORMAT = "pitmap layers 1"
LAYER_ROLES = (
    "ignore",
    "plate",
    *EDGE_ROLES,
    *(f"opening:{kind}" for kind in OPENING_KINDS),
    *(f"zone:{name}" for name in ZONE_NAMES),
)
"""Meanings that a layer can have; besides them ``band:NAME`` with a name of one's own."""


def dxf_layers(
    path: str | Path, *, beside: Beside | None = None, user_unit_mm: float = math.nan
) -> dict[str, tuple[str, int]]:
    """The drawn layers of a DXF file: what each would be taken for, and how many lines and curves it holds.

    Parameters
    ----------
    path : path
    beside : Beside or None
        Its mapping counts before the words in a layer's name.
    user_unit_mm : float
        Millimetres of one unit, for files that do not say.

    Returns
    -------
    dict of str to (str, int)
        By layer name in the order of the file; role ``ignore`` where nothing tells.

    Raises
    ------
    DrawingError
        Not a sound DXF, or no unit.
    """
    path = Path(path)
    beside = beside or Beside()
    unit = beside.user_unit_mm if math.isfinite(beside.user_unit_mm) else user_unit_mm
    counts: dict[str, int] = {}
    for stroke in read_strokes(path, unit, set()):
        counts[stroke.layer] = counts.get(stroke.layer, 0) + 1
    return {
        name: (guess_role((name,), beside.roles, f"{path}: layer {name!r}"), n) for name, n in counts.items()
    }


def save_layers(mapping: Mapping[str, str], path: str | Path) -> None:
    """Write what layers mean to a TOML file.

    Raises
    ------
    DrawingError
        A meaning that no layer can have.
    """
    for layer, role in mapping.items():
        check_role(role, f"layer {layer!r}")
    out = tomlkit.document()
    out.add("format", tomlkit.item(_FORMAT))
    table = tomlkit.table()
    for layer, role in mapping.items():
        table.add(layer, role)
    out.add("map", table)
    write_whole(Path(path), tomlkit.dumps(out))


def load_layers(path: str | Path) -> dict[str, str]:
    """What layers mean, from a file of :func:`save_layers` or the ``[map]`` of a TOML beside a drawing.

    Raises
    ------
    DrawingError
        Not TOML, no ``[map]``, or a meaning that no layer can have; the layer is named.
    """
    path = Path(path)
    table = read_toml(path).get("map")
    if not isinstance(table, Mapping) or not table:
        raise DrawingError(f'{path}: holds no [map] of layers, written for example "0" = "plate"')
    return {
        str(layer): check_role(str(role), f"{path}: layer {str(layer)!r}") for layer, role in table.items()
    }
