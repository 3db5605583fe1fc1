"""A casebook from a backup: built aside, checked, and only then put in its place."""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Boolean, Connection, Float, Integer, Table, insert, text

from ..errors import CasebookError, InputError
from .blobs import BlobStore
from .clean import canonical_json
from .engine import open_engines, storage_errors
from .migrate import HEAD, schema_of, upgrade
from .models import Base, IsoDay, IsoMoment, now
from .place import Place, find_place
from .rawrows import raw_tables
from .store import Casebook
from .swap import Swap, finish_swap
from .unpack import OpenBackup, open_backup

__all__ = ["RestoreReport", "restore"]

_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", re.ASCII)
_BATCH = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class RestoreReport:
    """What was restored, and where the casebook that was there before is now (empty for none).

    `lost` are hashes of kept files that were lost already when the backup was made.
    """

    place: str
    n_rows: int
    n_files: int
    lost: tuple[str, ...]
    set_aside: str


def restore(
    backup: Path,
    target: str | Path | None = None,
    *,
    files: str | Path | None = None,
    overwrite: bool = False,
) -> RestoreReport:
    """Make a casebook from a backup zip.

    Parameters
    ----------
    backup : Path
        As :meth:`Casebook.backup` writes it, of this or an older pitmap, from either kind of database.
    target, files
        Where to, as for :class:`Casebook`. On a server the database must be empty.
    overwrite : bool
        Put an existing SQLite casebook aside (renamed, never deleted) and take its place. Close pitmap
        everywhere else first.

    Returns
    -------
    RestoreReport

    Raises
    ------
    InputError
        The zip is damaged, hostile, no backup, or the target itself; nothing was changed.
    CasebookError
        There is a casebook at the target already, or the disk or server failed; nothing was changed.
    """
    place = find_place(target, files)
    with storage_errors(place):
        if place.path is None:
            return _restore_to_server(backup, place)
        return _restore_to_file(backup, place, place.path, overwrite=overwrite)


def _restore_to_file(backup: Path, place: Place, path: Path, *, overwrite: bool) -> RestoreReport:
    finish_swap(path)
    taken = path.exists() or (place.files.exists() and any(place.files.iterdir()))
    if taken and not overwrite:
        raise CasebookError(
            f"There is a casebook at {path} already; restore to another place, or put it aside with --overwrite"
        )
    if path.exists() and os.path.exists(backup) and path.samefile(backup):
        # it would be put aside as "the casebook that was there", and its name be another file's
        raise InputError(f"restore: {path} is the backup itself; name another place for the casebook")
    path.parent.mkdir(parents=True, exist_ok=True)
    place.files.parent.mkdir(parents=True, exist_ok=True)
    token = secrets.token_hex(6)
    aside_db = path.with_name(f"{path.name}.restoring-{token}")
    aside_files = place.files.with_name(f"{place.files.name}.restoring-{token}")
    aside = Place(url=place.url.set(database=str(aside_db)), files=aside_files, path=aside_db)
    try:
        with open_backup(backup, path.parent) as source:
            _, writer = open_engines(aside)
            try:
                with writer.connect() as connection, connection.begin():
                    _fill(connection, source)
            finally:
                writer.dispose()
            source.unpack_files(BlobStore(aside_files))
            report = RestoreReport(
                place=place.shown,
                n_rows=source.n_rows,
                n_files=source.n_files,
                lost=source.lost,
                set_aside="",
            )
        _must_be_sound(backup, aside, report.lost)
        ending = f".before-{now():%Y%m%dT%H%M%S}-{token}" if taken else ""
        set_aside = f"{path}{ending}" if taken else ""
        swap = Swap(path=path, files=place.files, new_path=aside_db, new_files=aside_files, ending=ending)
        try:
            swap.begin()
            swap.finish()
        except BaseException:  # the restored parts are removed below, so nobody can finish this
            swap.undo()
            raise
    finally:
        for name in (aside_db, *(Path(f"{aside_db}{end}") for end in ("-wal", "-shm"))):
            name.unlink(missing_ok=True)
        shutil.rmtree(aside_files, ignore_errors=True)
    return RestoreReport(
        place=report.place,
        n_rows=report.n_rows,
        n_files=report.n_files,
        lost=report.lost,
        set_aside=set_aside,
    )


def _must_be_sound(backup: Path, place: Place, lost: tuple[str, ...]) -> None:
    with Casebook(str(place.path), files=place.files, who="restore") as book:
        problems = [f for f in book.check().problems if Path(f.path).name not in lost]
    if problems:
        raise InputError(f"{backup} does not hold together: {problems[0].text} Use another backup")


def _restore_to_server(backup: Path, place: Place) -> RestoreReport:
    if place.files.exists() and any(place.files.iterdir()):
        raise CasebookError(f"The folder {place.files} is not empty; name an empty one for the kept files")
    place.files.mkdir(parents=True, exist_ok=True)
    _, writer = open_engines(place)
    try:
        with open_backup(backup, place.files) as source:
            with writer.connect() as connection, connection.begin():
                if schema_of(connection):
                    raise CasebookError(
                        f"There is a casebook at {place.shown} already; restore to an empty database"
                    )
                _fill(connection, source)
                source.unpack_files(BlobStore(place.files))
            return RestoreReport(
                place=place.shown,
                n_rows=source.n_rows,
                n_files=source.n_files,
                lost=source.lost,
                set_aside="",
            )
    except BaseException:
        shutil.rmtree(place.files, ignore_errors=True)
        raise
    finally:
        writer.dispose()


def _fill(connection: Connection, source: OpenBackup) -> None:
    """The tables of the backup's own step, its rows, then the steps that came since."""
    upgrade(connection, source.schema)
    tables = raw_tables(connection)
    names = {table.name for table in tables}
    if names != source.table_names:
        odd = sorted(names ^ source.table_names)[0]
        raise InputError(f"{source.path} is damaged: table {ascii(odd)[:60]} is missing or not ours")
    for table in tables:
        batch: list[dict[str, Any]] = []
        for row in _checked_rows(source, table):
            batch.append(row)
            if len(batch) == _BATCH:
                connection.execute(insert(table), batch)
                batch = []
        if batch:
            connection.execute(insert(table), batch)
        if (
            connection.dialect.name == "postgresql"
        ):  # rows came with their numbers: count on from the last one
            connection.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
                    f"coalesce((SELECT max(id) FROM {table.name}), 0) + 1, false)"
                )
            )
    if source.schema != HEAD:
        upgrade(connection, HEAD)


def _checked_rows(source: OpenBackup, table: Table) -> Iterator[dict[str, Any]]:
    for number, row in enumerate(source.rows(table.name), start=1):
        if set(row) != set(table.c.keys()):
            raise InputError(f"{source.path}: row {number} of {table.name} has other columns than ours")
        for name, value in row.items():
            if not _fits(table, name, value):
                raise InputError(
                    f"{source.path}: row {number} of {table.name} has {ascii(value)[:60]} as {name}; not ours"
                )
        yield row


def _fits(table: Table, name: str, value: Any) -> bool:
    """True for a value that a casebook itself could have written into this cell."""
    column = table.c[name]
    if value is None:
        return bool(column.nullable)
    if isinstance(column.type, Boolean):
        return isinstance(value, bool)
    if isinstance(column.type, Integer):
        return type(value) is int and -(2**63) <= value < 2**63
    if isinstance(column.type, Float):
        return type(value) in (int, float) and abs(value) < 1e300
    if not isinstance(value, str) or "\0" in value or any(0xD800 <= ord(c) < 0xE000 for c in value):
        return False
    ours = Base.metadata.tables.get(table.name)
    declared = ours.c[name].type if ours is not None and name in ours.c else None
    if isinstance(declared, IsoMoment):
        return bool(_MOMENT.fullmatch(value)) and _reads(datetime.fromisoformat, value)
    if isinstance(declared, IsoDay):
        return len(value) == 10 and _reads(date.fromisoformat, value)
    if name.endswith("_json"):
        return _is_canonical(value)
    return name != "sha256" or bool(re.fullmatch(r"[0-9a-f]{64}", value))


def _reads(parse: Any, value: str) -> bool:
    try:
        parse(value)
    except ValueError:
        return False
    return True


def _is_canonical(value: str) -> bool:
    try:
        kept = json.loads(value)
        return isinstance(kept, dict) and canonical_json(kept) == value
    except (ValueError, RecursionError):
        return False
