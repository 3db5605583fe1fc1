"""Connections that keep their word: durable commits, enforced references, one sentence per failure."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError, SQLAlchemyError

from ..errors import CasebookError
from .migrate import CASEBOOK_TABLES
from .place import Place
from .same_file import keep_to_one_file

__all__ = ["WAIT_S", "open_engines", "storage_errors"]

WAIT_S = 60.0
"""How long a program waits for other writers (house choice: far longer than any change takes, and than the turn of one in
a crowd that writes without a pause: SQLite gives no turns, and of eight on two cores the unluckiest waited 3 s).
"""


def open_engines(place: Place, wait_s: float = WAIT_S) -> tuple[Engine, Engine]:
    """A reading and a writing engine that share their connections.

    Each reading transaction sees one moment. On SQLite a writing transaction takes the write lock at once, so
    that it waits its turn, `wait_s` seconds at most, instead of failing half way.
    """
    if place.path is None:
        engine = create_engine(place.url, pool_pre_ping=True)
        return engine.execution_options(isolation_level="REPEATABLE READ"), engine
    engine = create_engine(place.url, connect_args={"timeout": wait_s, "check_same_thread": False})
    event.listen(engine, "connect", partial(_set_up_sqlite, wait_s=wait_s))
    event.listen(engine, "begin", _begin_sqlite)
    keep_to_one_file(engine, place.path)
    return engine, engine.execution_options(pitmap_write=True)


def _set_up_sqlite(connection: sqlite3.Connection, _record: Any, *, wait_s: float) -> None:
    connection.isolation_level = None  # the driver's own guesses about transactions off; see _begin_sqlite
    connection.execute(f"PRAGMA busy_timeout={round(1000 * wait_s)}")
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA trusted_schema=OFF")
    # People copy the one file they see while a page has it open: what is kept must be in it, and not in the journal
    # beside it alone, where up to a thousand pages would wait. The price is a hundredth of a second for each change.
    connection.execute("PRAGMA wal_autocheckpoint=1")
    if _may_be_casebook(connection):
        _use_wal(connection)


def _may_be_casebook(connection: sqlite3.Connection) -> bool:
    """The file is empty or has a casebook's tables: the switch of its journal stays in a file, so no other gets it."""
    names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    return not names or names >= CASEBOOK_TABLES


def _use_wal(connection: sqlite3.Connection) -> None:
    # The switch needs the file for itself and does not wait for it; once made it stays in the file.
    for _ in range(100):
        if connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
            return
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            return  # a file system that cannot do WAL keeps the older journal, which is as durable
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise
            time.sleep(0.05)


def _begin_sqlite(connection: Any) -> None:
    wants_write = connection.get_execution_options().get("pitmap_write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if wants_write else "BEGIN")


@contextmanager
def storage_errors(place: Place) -> Iterator[None]:
    """Turn every failure of the database or the disk into a :class:`CasebookError`."""
    try:
        yield
    except IntegrityError as error:
        raise CasebookError(
            f"The casebook {place.shown} would not take this record beside what it holds "
            f"({_first_line(error)}). Somebody may have saved the same at this moment: read it again"
        ) from error
    except DBAPIError as error:
        raise CasebookError(_sentence(place, _first_line(error), error)) from error
    except SQLAlchemyError as error:
        raise CasebookError(
            f"The casebook {place.shown} could not answer ({type(error).__name__})"
        ) from error
    except OSError as error:
        # a backup or an export is written elsewhere, to another disk more often than not
        what = f"The file {error.filename}" if error.filename else f"The casebook {place.shown}"
        raise CasebookError(
            f"{what} could not be read or written: {error.strerror or error}. "
            "Check the disk's space and permissions; nothing was half saved"
        ) from error


def _first_line(error: DBAPIError) -> str:
    return (str(error.orig).strip().splitlines() or [type(error.orig).__name__])[0][:200]


def _sentence(place: Place, said: str, error: DBAPIError) -> str:
    head = f"The casebook {place.shown} "
    if "locked" in said or "busy" in said:
        return head + "is busy with somebody else's long change; nothing was saved, try again in a minute"
    if "not a database" in said:
        return head + "is not a casebook: the file is something else or damaged. Choose another file"
    if "malformed" in said:
        return head + "is damaged. Keep a copy of the file, then restore the newest backup"
    if "readonly" in said or "read-only" in said:
        return head + "may not be written to. Check the permissions of the file and its folder"
    if "full" in said:
        return head + "found the disk full; nothing was half saved. Make room and try again"
    if "unable to open" in said:
        return head + "cannot be opened. Check that its folder exists and may be written to"
    if isinstance(error, OperationalError):
        return head + f"cannot be reached or did not answer ({said})"
    return head + f"refused ({said})"
