"""Where a casebook is: a path or a URL from the outside becomes a database address and a folder of files."""

from __future__ import annotations

import importlib.util
import os
import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

import platformdirs
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from ..errors import InputError

__all__ = ["Place", "default_path", "find_place"]

_VARIABLE = "PITMAP_CASEBOOK"
_FILES_VARIABLE = "PITMAP_CASEBOOK_FILES"


_LONGEST_NAME, _LONGEST_PATH = 200, 3900
"""In bytes: what common file systems take, with room for the endings put to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A casebook's database and the folder of its files.

    `path` is the SQLite file, or None for a server.
    """

    url: URL
    files: Path
    path: Path | None

    @property
    def shown(self) -> str:
        """The address for a message, without the password."""
        return str(self.path) if self.path else self.url.render_as_string(hide_password=True)


def default_path() -> Path:
    """The casebook of this user by the platform's own custom."""
    return Path(platformdirs.user_data_dir("pitmap", appauthor=False)) / "casebook.db"


def find_place(target: str | Path | None = None, files: str | Path | None = None) -> Place:
    """The casebook meant by `target`.

    Parameters
    ----------
    target : str, Path or None
        A file (made when missing), a folder (``casebook.db`` in it), a URL (``sqlite:///...`` or
        ``postgresql://...``), or None: the variable PITMAP_CASEBOOK, else the user's data folder.
    files : str, Path or None
        Folder of the photos and other kept files. None: the variable PITMAP_CASEBOOK_FILES, else beside an
        SQLite file as ``<name>.files``, and for a server in the user's data folder.

    Raises
    ------
    InputError
        Not an address of a casebook, a kind of server that is not supported, or its driver is missing.
    """
    if target is None:
        target = os.environ.get(_VARIABLE, "") or default_path()
    if files is None:
        files = os.environ.get(_FILES_VARIABLE) or None
    files_path = None if files is None else _as_path(files, "casebook files")
    if isinstance(target, str) and re.match(r"[a-zA-Z0-9+_]+://", target):
        if not _is_sqlite(target):
            url = _read_url(target)
            return Place(url=url, files=files_path or _server_files(url), path=None)
        target = _sqlite_file(target)
    path = _as_path(target, "casebook").expanduser().absolute()
    if len(os.fsencode(path.name)) > _LONGEST_NAME or len(os.fsencode(path)) > _LONGEST_PATH:
        raise InputError(f"casebook: the path {str(path)[:40]}... is too long for a file")
    if path.is_dir():
        path = path / "casebook.db"
    elif path.name in {"", ".", ".."}:
        raise InputError(f"casebook: {path} names no file")
    return Place(
        url=URL.create("sqlite", database=str(path)),
        files=files_path or path.with_name(path.name + ".files"),
        path=path,
    )


def _as_path(value: object, field: str) -> Path:
    if not isinstance(value, (str, Path)) or not str(value).strip():
        raise InputError(f"{field}: expected a path or a URL, got {ascii(value)[:80]}")
    try:
        os.fsencode(str(value))
    except UnicodeEncodeError:
        raise InputError(f"{field}: the path holds characters that no file can be called by") from None
    if "\0" in str(value):
        raise InputError(f"{field}: the path holds a zero character")
    return Path(value)


def _is_sqlite(target: str) -> bool:
    return target.partition("://")[0].split("+")[0].lower() == "sqlite"


def _sqlite_file(target: str) -> str:
    """The file that an SQLite address names, letter by letter: a file may be called a%20b.db."""
    rest = target.partition("://")[2]
    if not rest.startswith("/") or rest[1:] in ("", ":memory:"):
        raise InputError("casebook: an SQLite casebook needs a file, as in sqlite:///file.db")
    if "?" in rest:
        raise InputError("casebook: options after ? are not taken for an SQLite casebook")
    named, meant = (_as_path(text, "casebook").expanduser() for text in (rest[1:], unquote(rest[1:])))
    # what some programs write for a blank is not read as one, and a new casebook beside the one that is there helps nobody
    if meant != named and meant.exists() and not named.exists():
        raise InputError(
            f"casebook: there is no file {named}, but there is {meant}; write the address with the name as it is"
        )
    return rest[1:]


def _read_url(target: str) -> URL:
    try:
        url = make_url(target.replace("postgres://", "postgresql://", 1))
    except (ArgumentError, ValueError):
        # The text may hold a password, so it is not shown again.
        raise InputError("casebook: this URL cannot be read; it looks like sqlite:///file.db") from None
    backend = url.drivername.split("+")[0]
    if backend != "postgresql":
        raise InputError(
            f"casebook: {ascii(backend)[:40]} is not supported; use a file, sqlite or postgresql"
        )
    if not url.database:
        raise InputError("casebook: name the database, as in postgresql://user@host/pitmap")
    if importlib.util.find_spec("psycopg") is None:
        raise InputError("casebook: PostgreSQL needs its driver: pip install 'pitmap[postgres]'")
    return url.set(drivername="postgresql+psycopg")


def _server_files(url: URL) -> Path:
    # Named after the database so that two casebooks of one user do not share a folder; no part of the
    # address is used as it stands.
    label = re.sub(r"[^A-Za-z0-9-]", "_", f"{url.host or 'local'}-{url.port or 5432}-{url.database}")[:100]
    return default_path().parent / f"server-{label}.files"
