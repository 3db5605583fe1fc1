"""Read a backup zip without trusting it: nothing is written under a name from inside it."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError
from .backup import BACKUP_FORMAT, BACKUP_VERSION, MANIFEST
from .blobs import MAX_FILE_BYTES, BlobStore
from .migrate import KNOWN

__all__ = ["OpenBackup", "open_backup"]

_MAX_MANIFEST_BYTES = 256 * 2**20
_MAX_LINE_BYTES = 16 * 2**20
_MAX_TABLE_RATIO = 200
"""Most that a table may shrink in the zip: ours shrink 10 to 30 times, a bomb 1000 (house choice)."""
_FREE_BYTES = 10 * 2**20  # a small table may shrink more than that without doing harm
_ENTRY = re.compile(r"manifest\.json|tables/[a-z_]{1,60}\.jsonl|files/([0-9a-f]{2})/(\1[0-9a-f]{62})")
_CHUNK = 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenBackup:
    """A backup whose list of contents holds together; the contents are verified as they are read."""

    path: Path
    schema: str
    made_at: str
    lost: tuple[str, ...]
    _archive: zipfile.ZipFile
    _tables: dict[str, dict[str, Any]]
    _files: dict[str, int]

    @property
    def n_files(self) -> int:
        """How many kept files it holds."""
        return len(self._files)

    @property
    def n_rows(self) -> int:
        """How many rows it holds, all tables together."""
        return sum(t["n_rows"] for t in self._tables.values())

    @property
    def table_names(self) -> set[str]:
        """Names of the tables in it."""
        return set(self._tables)

    def rows(self, table: str) -> Iterator[dict[str, Any]]:
        """The rows of a table; its hash is compared after the last one, so commit nothing before that."""
        told = self._tables[table]
        digest, n_rows = hashlib.sha256(), 0
        with _reading(self, f"tables/{table}.jsonl") as source:
            while line := source.readline(_MAX_LINE_BYTES + 1):
                if len(line) > _MAX_LINE_BYTES:
                    raise InputError(f"{self.path}: a row of {table} is too long to be ours")
                digest.update(line)
                n_rows += 1
                try:
                    row = json.loads(line, parse_constant=_no_constant)
                except (ValueError, RecursionError):
                    raise InputError(f"{self.path}: row {n_rows} of {table} cannot be read") from None
                if not isinstance(row, dict):
                    raise InputError(f"{self.path}: row {n_rows} of {table} is no record")
                yield row
        if digest.hexdigest() != told["sha256"] or n_rows != told["n_rows"]:
            raise InputError(
                f"{self.path} is damaged: table {table} is not what was backed up. Use another backup"
            )

    def unpack_files(self, blobs: BlobStore) -> None:
        """Every kept file into a store, each found to have the hash it is named by."""
        for sha256, n_bytes in self._files.items():
            with (
                _reading(self, f"files/{sha256[:2]}/{sha256}") as source,
                blobs.staged(_Limited(source, n_bytes), "backup") as staged,
            ):
                if staged.sha256 != sha256:
                    raise InputError(
                        f"{self.path} is damaged: file {sha256} has other bytes. Use another backup"
                    )
                blobs.keep(staged)


class _Limited:
    """At most so many bytes of a stream, whatever the stream says of itself."""

    def __init__(self, source: Any, n_bytes: int) -> None:
        self._source, self._left = source, n_bytes

    def read(self, n: int) -> bytes:
        chunk: bytes = self._source.read(min(n, self._left))
        self._left -= len(chunk)
        return chunk


def _no_constant(text: str) -> None:
    raise ValueError(text)


@contextmanager
def _reading(backup: OpenBackup, name: str) -> Iterator[Any]:
    """One entry, with every way in which a damaged zip can fail turned into one sentence."""
    try:
        with backup._archive.open(name) as source:
            yield source
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        said = ascii(str(error))[:120]
        raise InputError(f"{backup.path} is damaged at {name} ({said}). Use another backup") from None


@contextmanager
def open_backup(path: Path, room_in: Path) -> Iterator[OpenBackup]:
    """Open a backup and look whether its list of contents holds together.

    Parameters
    ----------
    path : Path
        The zip.
    room_in : Path
        A folder on the disk that it will be unpacked to, whose free space must do.

    Raises
    ------
    InputError
        No backup, damaged, made by a newer pitmap, or made to do harm (odd names, bombs).
    """
    if not isinstance(path, Path) or not path.is_file():
        raise InputError(f"restore: there is no file {ascii(str(path))[1:-1][:200]}")
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError) as error:
        raise InputError(f"{path} is no zip or a damaged one ({ascii(str(error))[:120]})") from None
    with archive:
        entries = _look_at_entries(path, archive)
        manifest = _read_manifest(path, archive, entries)
        tables, files = _compare(path, manifest, entries)
        need = sum(e.file_size for e in entries.values())
        free = shutil.disk_usage(room_in).free
        if 2 * need > free:  # tables take about twice their size as a database with its indexes
            raise InputError(
                f"{path} needs about {-(-2 * need // 2**20)} MiB of room; {free // 2**20} MiB are free in "
                f"{room_in}"
            )
        yield OpenBackup(
            path=path,
            schema=manifest["schema"],
            made_at=str(manifest.get("made_at", ""))[:40],
            lost=tuple(str(x)[:64] for x in manifest.get("lost", ())),
            _archive=archive,
            _tables=tables,
            _files=files,
        )


def _look_at_entries(path: Path, archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    entries: dict[str, zipfile.ZipInfo] = {}
    for entry in archive.infolist():
        # orig_filename, because zipfile cuts a name at a zero byte before showing it
        name = entry.orig_filename
        if not _ENTRY.fullmatch(name):
            raise InputError(f"{path} is no casebook backup: it holds {ascii(name)[:120]}")
        if name in entries:
            raise InputError(f"{path} is no casebook backup: it holds {name} twice")
        if entry.flag_bits & 0x1:
            raise InputError(f"{path}: {name} is encrypted; a casebook backup never is")
        is_file = name.startswith("files/")
        if is_file and (entry.compress_type != zipfile.ZIP_STORED or entry.compress_size != entry.file_size):
            raise InputError(f"{path}: {name} is compressed; a casebook backup keeps files as they are")
        if entry.file_size > _FREE_BYTES + _MAX_TABLE_RATIO * entry.compress_size:
            raise InputError(f"{path}: {name} would grow out of all proportion when unpacked; refused")
        entries[name] = entry
    stored = sum(e.compress_size for e in entries.values())
    if stored > path.stat().st_size:
        raise InputError(f"{path}: its entries overlap, so it would grow when unpacked; refused")
    return entries


def _read_manifest(
    path: Path, archive: zipfile.ZipFile, entries: dict[str, zipfile.ZipInfo]
) -> dict[str, Any]:
    if MANIFEST not in entries:
        raise InputError(f"{path} is no casebook backup: it has no list of contents ({MANIFEST})")
    if entries[MANIFEST].file_size > _MAX_MANIFEST_BYTES:
        raise InputError(f"{path}: its list of contents is too long; refused")
    try:
        manifest = json.loads(archive.read(MANIFEST), parse_constant=_no_constant)
    except (ValueError, RecursionError, zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError):
        raise InputError(
            f"{path} is damaged: its list of contents cannot be read. Use another backup"
        ) from None
    if not isinstance(manifest, dict) or manifest.get("format") != BACKUP_FORMAT:
        raise InputError(f"{path} is no casebook backup: its list of contents is something else")
    if manifest.get("version") != BACKUP_VERSION or manifest.get("schema") not in KNOWN:
        raise InputError(f"{path} was made by a newer pitmap; update pitmap, then restore it")
    if not isinstance(manifest.get("lost", []), list):
        raise InputError(f"{path}: its list of contents is damaged (lost)")
    return manifest


def _compare(
    path: Path, manifest: dict[str, Any], entries: dict[str, zipfile.ZipInfo]
) -> tuple[dict[str, dict[str, Any]], dict[str, int]]:
    """What the list names, once it is exactly what the zip holds, in number and size."""
    tables, files = manifest.get("tables"), manifest.get("files")
    if not isinstance(tables, dict) or not isinstance(files, dict):
        raise InputError(f"{path}: its list of contents is damaged (tables, files)")
    sizes: dict[str, int] = {}
    for name, told in tables.items():
        if not isinstance(told, dict) or not isinstance(told.get("sha256"), str):
            raise InputError(f"{path}: its list of contents is damaged (table {ascii(name)[:60]})")
        if not all(type(told.get(k)) is int and told[k] >= 0 for k in ("n_bytes", "n_rows")):
            raise InputError(f"{path}: its list of contents is damaged (table {ascii(name)[:60]})")
        sizes[f"tables/{name}.jsonl"] = told["n_bytes"]
    for sha256, n_bytes in files.items():
        if type(n_bytes) is not int or not 0 < n_bytes <= MAX_FILE_BYTES:
            raise InputError(f"{path}: its list of contents is damaged (file {ascii(sha256)[:80]})")
        sizes[f"files/{sha256[:2]}/{sha256}"] = n_bytes
    present = {name: e.file_size for name, e in entries.items() if name != MANIFEST}
    for name in sorted(set(sizes) | set(present)):
        if sizes.get(name) != present.get(name):
            raise InputError(
                f"{path} is damaged: {ascii(name)[1:-1][:120]} is not in it as its list of contents says. "
                "Use another backup"
            )
    return tables, files
