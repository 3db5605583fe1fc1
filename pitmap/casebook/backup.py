"""The whole casebook in one zip: every table at one moment, every kept file, and the hash of each."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from .. import __version__
from ..errors import CasebookError, InputError
from ..whole_file import sync_folder, whole_file
from .blobs import BlobStore
from .migrate import schema_of
from .models import now
from .rawrows import raw_rows, raw_tables

__all__ = ["BACKUP_FORMAT", "BACKUP_VERSION", "MANIFEST", "BackupReport", "new_file", "write_backup"]

BACKUP_FORMAT = "pitmap casebook backup"
BACKUP_VERSION = 1
MANIFEST = "manifest.json"
_CHUNK = 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReport:
    """What a backup holds: rows, kept files, and the hashes of kept files that were lost before it."""

    path: Path
    n_rows: int
    n_files: int
    n_bytes: int
    lost: tuple[str, ...]


@contextmanager
def new_file(target: Path, *, overwrite: bool, what: str, or_else: str = "") -> Iterator[Path]:
    """A temporary path beside `target` that takes its place, flushed, when the block ends well.

    `or_else` is what there is to do, but for another name, where a file is there already.

    Raises
    ------
    InputError
        `target` exists and `overwrite` is False, or its folder does not exist.
    """
    if not isinstance(target, Path):
        raise InputError(f"{what}: expected a path, got {type(target).__name__}")
    if target.is_dir():
        raise InputError(f"{what}: {target} is a folder; choose another name")
    if target.exists() and not overwrite:
        raise InputError(f"{what}: {target} exists already; choose another name{or_else}")
    if not target.parent.is_dir():
        raise InputError(f"{what}: there is no folder {target.parent}")
    with whole_file(target) as temp:
        yield temp
    sync_folder(target.parent)


def write_backup(
    connection: Connection, blobs: BlobStore, target: Path, *, who: str, damaged_ok: bool, overwrite: bool
) -> BackupReport:
    """Write the zip from one reading transaction; see :meth:`pitmap.casebook.Casebook.backup`."""
    tables: dict[str, dict[str, Any]] = {}
    files: dict[str, int] = {}
    lost: list[str] = []
    or_else = ", or replace it with --overwrite"
    with new_file(target, overwrite=overwrite, what="backup", or_else=or_else) as temp:
        with zipfile.ZipFile(temp, "x", zipfile.ZIP_STORED, allowZip64=True) as archive:
            for table in raw_tables(connection):
                tables[table.name] = _write_table(archive, connection, table)
                if table.name == "blob":
                    wanted = {row["sha256"]: row["n_bytes"] for row in raw_rows(connection, table)}
            for sha256, n_bytes in sorted(wanted.items()):
                if said := blobs.damage(sha256, n_bytes):
                    if not damaged_ok:
                        raise CasebookError(
                            f"backup: the kept file {blobs.path(sha256)} {said}. Restore it from an "
                            "older backup, or back up without it (--damaged-ok); nothing was written"
                        )
                    lost.append(sha256)
                    continue
                _copy_file(archive, blobs.path(sha256), f"files/{sha256[:2]}/{sha256}")
                files[sha256] = n_bytes
            manifest = {
                "format": BACKUP_FORMAT,
                "version": BACKUP_VERSION,
                "schema": schema_of(connection),
                "pitmap": __version__,
                "made_at": now().isoformat(),
                "made_by": who,
                "tables": tables,
                "files": files,
                "lost": lost,
            }
            archive.writestr(MANIFEST, json.dumps(manifest, indent=1), zipfile.ZIP_DEFLATED)
        n_bytes_all = temp.stat().st_size
    return BackupReport(
        path=target,
        n_rows=sum(t["n_rows"] for t in tables.values()),
        n_files=len(files),
        n_bytes=n_bytes_all,
        lost=tuple(lost),
    )


def _write_table(archive: zipfile.ZipFile, connection: Connection, table: Any) -> dict[str, Any]:
    digest, n_bytes, n_rows = hashlib.sha256(), 0, 0
    entry = zipfile.ZipInfo(f"tables/{table.name}.jsonl", date_time=now().timetuple()[:6])
    entry.compress_type = zipfile.ZIP_DEFLATED
    with archive.open(entry, "w", force_zip64=True) as out:
        for row in raw_rows(connection, table):
            line = (json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n").encode()
            digest.update(line)
            out.write(line)
            n_bytes += len(line)
            n_rows += 1
    return {"sha256": digest.hexdigest(), "n_bytes": n_bytes, "n_rows": n_rows}


def _copy_file(archive: zipfile.ZipFile, source: Path, name: str) -> None:
    entry = zipfile.ZipInfo(name, date_time=now().timetuple()[:6])
    with open(source, "rb") as data, archive.open(entry, "w", force_zip64=True) as out:
        while chunk := data.read(_CHUNK):
            out.write(chunk)
