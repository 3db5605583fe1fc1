"""The casebook for other programs: one JSON document, one CSV per table, and the kept files."""

from __future__ import annotations

import csv
import io
import json
import os
import secrets
import shutil
import zipfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection

from ..csv_rows import as_cell
from ..errors import InputError
from ..whole_file import sync_folder
from .backup import new_file
from .blobs import BlobStore
from .migrate import schema_of
from .models import now
from .rawrows import raw_rows, raw_tables

__all__ = ["write_export"]

_Opener = Callable[[str], AbstractContextManager[BinaryIO]]
_ENDINGS = {
    ".jpg",
    ".jpeg",
    ".png",
    ".heic",
    ".heif",
    ".tif",
    ".tiff",
    ".webp",
    ".bmp",
    ".svg",
    ".toml",
    ".json",
    ".csv",
}


def write_export(connection: Connection, blobs: BlobStore, target: Path, *, files: bool) -> None:
    """Write a folder, or a zip when the name ends so; see :meth:`pitmap.casebook.Casebook.export`."""
    if isinstance(target, Path) and target.suffix.lower() == ".zip":
        with (
            new_file(target, overwrite=False, what="export") as temp,
            zipfile.ZipFile(temp, "x", zipfile.ZIP_DEFLATED, allowZip64=True) as archive,
        ):
            _write_all(connection, blobs, lambda name: archive.open(name, "w", force_zip64=True), files=files)  # type: ignore[arg-type,return-value]
        return
    with _new_folder(target) as folder:

        def opened(name: str) -> BinaryIO:
            place = folder / name
            place.parent.mkdir(exist_ok=True)
            return open(place, "xb")

        _write_all(connection, blobs, opened, files=files)


@contextmanager
def _new_folder(target: Path) -> Iterator[Path]:
    if not isinstance(target, Path):
        raise InputError(f"export: expected a path, got {type(target).__name__}")
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputError(f"export: {target} exists already and is not an empty folder; choose another name")
    if not target.parent.is_dir():
        raise InputError(f"export: there is no folder {target.parent}")
    temp = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        temp.mkdir()
        yield temp
        if target.exists():
            target.rmdir()
        os.replace(temp, target)
        sync_folder(target.parent)
    finally:
        shutil.rmtree(temp, ignore_errors=True)


def _write_all(connection: Connection, blobs: BlobStore, opened: _Opener, *, files: bool) -> None:
    tables = raw_tables(connection)
    with opened("casebook.json") as out:
        head = {"schema": schema_of(connection), "exported_at": now().isoformat()}
        out.write(b"{" + json.dumps(head)[1:-1].encode() + b', "tables": {')
        for i, table in enumerate(tables):
            out.write((",\n" if i else "\n").encode() + json.dumps(table.name).encode() + b": [")
            for j, row in enumerate(raw_rows(connection, table)):
                text = json.dumps(_unfolded(row), ensure_ascii=False, allow_nan=False)
                out.write((",\n" if j else "\n").encode() + text.encode())
            out.write(b"]")
        out.write(b"\n}}\n")
    for table in tables:
        with opened(f"{table.name}.csv") as out:
            # The mark at the start makes spreadsheet programs read the file as UTF-8.
            words = io.TextIOWrapper(out, encoding="utf-8-sig", newline="", write_through=True)
            writer = csv.writer(words)
            names = list(table.c.keys())
            writer.writerow(names)
            for row in raw_rows(connection, table):
                writer.writerow([as_cell(row[name]) for name in names])
            words.detach()
    if files:
        _write_files(connection, blobs, opened)


def _write_files(connection: Connection, blobs: BlobStore, opened: _Opener) -> None:
    endings: dict[str, str] = {}
    for table in raw_tables(connection):
        if {"sha256", "name"} <= set(table.c.keys()):
            for row in raw_rows(connection, table):
                ending = Path(row["name"]).suffix.lower()
                endings.setdefault(row["sha256"], ending if ending in _ENDINGS else "")
    for sha256, ending in sorted(endings.items()):
        with opened(f"files/{sha256}{ending}") as out:
            out.write(blobs.read(sha256))


def _unfolded(row: dict[str, Any]) -> dict[str, Any]:
    """A row with its JSON columns as values instead of text."""
    return {
        name.removesuffix("_json"): json.loads(value) if name.endswith("_json") else value
        for name, value in row.items()
    }
