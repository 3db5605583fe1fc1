"""One door for every kind of drawing file, and the plates that come with pitmap."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

from ..errors import DrawingError
from .beside import Beside, read_beside
from .build import build_drawing
from .dxf import import_dxf
from .model import Drawing
from .numbers import PlateNumbers, numbers_from_mapping, read_toml
from .rings import load_rings
from .svg import import_svg, load_svg

__all__ = ["build_of_file", "load_drawing", "load_shipped", "load_with_notes", "shipped_plates"]


def _svg(path: Path, beside: Beside | None = None) -> tuple[Drawing, tuple[str, ...]]:
    found = import_svg(path, beside=beside)
    return found.drawing, found.notes


def _dxf(path: Path, beside: Beside | None = None) -> tuple[Drawing, tuple[str, ...]]:
    found = import_dxf(path, beside=beside)
    return found.drawing, found.notes


def build_of_file(numbers: PlateNumbers, path: Path) -> Drawing:
    """A drawing from the numbers of a file, which is named where they make no plate.

    Raises
    ------
    DrawingError
        As :func:`pitmap.drawing.build_drawing`.
    """
    try:
        return build_drawing(numbers)
    except DrawingError as error:
        raise DrawingError(f"{path}: {error}") from error


def _toml(path: Path) -> tuple[Drawing, tuple[str, ...]]:
    data = read_toml(path)
    if "trace" in data:
        return build_of_file(numbers_from_mapping(data, str(path)), path), ()
    beside = read_beside(path, data)
    other = path.parent / beside.drawing if beside.drawing else path.with_suffix(".svg")
    if other.suffix.lower() not in (".svg", ".dxf"):
        raise DrawingError(f"{path}: drawing must name an SVG or DXF file, got {beside.drawing!r}")
    return (_dxf if other.suffix.lower() == ".dxf" else _svg)(other, beside)


def _json(path: Path) -> tuple[Drawing, tuple[str, ...]]:
    return load_rings(path), ()


def load_with_notes(path: str | Path) -> tuple[Drawing, tuple[str, ...]]:
    """A drawing from a file, as :func:`load_drawing`, and a sentence for all that was left out of it or mended.

    A hole that nothing names, or that is hidden, is metal in the drawing: whoever takes the file should be told.

    Raises
    ------
    DrawingError
        As :func:`load_drawing`.
    """
    path = Path(path)
    loaders = {".svg": _svg, ".toml": _toml, ".json": _json, ".dxf": _dxf}
    loader = loaders.get(path.suffix.lower())
    if loader is None:
        if str(path) in shipped_plates():
            return load_shipped(str(path)), ()
        raise DrawingError(
            f"{path}: expected a drawing ending in {', '.join(loaders)}, or one of "
            f"{', '.join(shipped_plates())}"
        )
    return loader(path)


def load_drawing(path: str | Path) -> Drawing:
    """A drawing from a file, by its ending.

    Parameters
    ----------
    path : path
        ``.svg`` (with the TOML of the same name where there is one), ``.toml`` (beside an SVG, or a plate's
        numbers), ``.json`` (rings), ``.dxf``; or the name of a plate that comes with pitmap
        (:func:`shipped_plates`).

    Raises
    ------
    DrawingError
        Not found, an unknown ending, or a file that is not a usable drawing.
    """
    return load_with_notes(path)[0]


def shipped_plates() -> tuple[str, ...]:
    """Names of the invented plates that come with pitmap."""
    names = (entry.name for entry in (files(__package__) / "plates").iterdir())
    return tuple(sorted(name.removesuffix(".svg") for name in names if name.endswith(".svg")))


def load_shipped(name: str) -> Drawing:
    """One of the invented plates that come with pitmap.

    Raises
    ------
    DrawingError
        No such plate.
    """
    if name not in shipped_plates():
        raise DrawingError(f"no shipped plate {name!r}; there are {', '.join(shipped_plates())}")
    with as_file(files(__package__) / "plates") as folder:
        return load_svg(folder / f"{name}.svg")
