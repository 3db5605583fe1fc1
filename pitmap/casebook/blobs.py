"""Files kept once by their content: written, flushed and renamed into place before the database knows them.

A file that is in place is never changed. If the power goes between the rename and the database's commit,
a file is left that no record names; :meth:`pitmap.casebook.Casebook.check` lists it and
:meth:`~pitmap.casebook.Casebook.tidy` removes it.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from ..errors import CasebookError, InputError
from ..whole_file import sync_folder

__all__ = ["MAX_FILE_BYTES", "BlobStore", "Readable", "StagedBlob"]

MAX_FILE_BYTES = 512 * 2**20
"""Largest single file kept (house choice: ten times a large phone photo)."""

_CHUNK = 2**20
_HASH = re.compile(r"[0-9a-f]{64}")
_TEMP = re.compile(r"\.[0-9a-f]{24}\.part")


@dataclass(frozen=True, slots=True, kw_only=True)
class StagedBlob:
    """A file written and flushed under a temporary name, not yet part of the store."""

    sha256: str
    n_bytes: int
    temp: Path


class Readable(Protocol):
    """Anything that bytes can be read from: an open binary file, an upload."""

    def read(self, n: int, /) -> bytes:
        """At most `n` bytes; none at the end."""
        ...


class BlobStore:
    """A folder of files named by the SHA-256 of their bytes.

    Parameters
    ----------
    root : Path
        The folder; made when it is missing.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir(parents=True, exist_ok=True)

    def path(self, sha256: str) -> Path:
        """Where the file with this hash is, or would be.

        Raises
        ------
        InputError
            Not 64 hexadecimal digits.
        """
        if not isinstance(sha256, str) or not _HASH.fullmatch(sha256):
            raise InputError(f"sha256: expected 64 hexadecimal digits, got {ascii(sha256)[:80]}")
        return self.root / sha256[:2] / sha256

    @contextmanager
    def staged(self, data: bytes | Path | Readable, field: str) -> Iterator[StagedBlob]:
        """Bytes written under a temporary name; whatever was not kept is gone at the end.

        Raises
        ------
        InputError
            Nothing in it, more than :data:`MAX_FILE_BYTES`, a file that cannot be read, or not bytes at all.
        """
        temp = self.root / f".{secrets.token_hex(12)}.part"
        try:
            yield self._write(data, field, temp)
        finally:
            temp.unlink(missing_ok=True)

    def _write(self, data: bytes | Path | Readable, field: str, temp: Path) -> StagedBlob:
        digest, n_bytes = hashlib.sha256(), 0
        with _opened(data, field) as source, open(temp, "xb") as out:
            while chunk := source.read(_CHUNK):
                if not isinstance(chunk, bytes):
                    raise InputError(
                        f"{field}: expected bytes, got {type(chunk).__name__}; open it as binary"
                    )
                n_bytes += len(chunk)
                if n_bytes > MAX_FILE_BYTES:
                    raise InputError(f"{field}: larger than {MAX_FILE_BYTES // 2**20} MiB; make it smaller")
                digest.update(chunk)
                out.write(chunk)
            out.flush()
            os.fsync(out.fileno())
        if n_bytes == 0:
            raise InputError(f"{field}: the file is empty; choose another one")
        return StagedBlob(sha256=digest.hexdigest(), n_bytes=n_bytes, temp=temp)

    def keep(self, blob: StagedBlob) -> None:
        """Move a staged file to its place, unless the same bytes are there already.

        A file of that name whose bytes no longer match (a failing disk) is replaced by the good ones.
        """
        place = self.path(blob.sha256)
        if place.exists() and self.damage(blob.sha256, blob.n_bytes) == "":
            return
        if not place.parent.exists():
            place.parent.mkdir(exist_ok=True)
            sync_folder(self.root)
        os.replace(blob.temp, place)
        sync_folder(place.parent)

    def damage(self, sha256: str, n_bytes: int | None = None) -> str:
        """What is wrong with a kept file, in words; empty when it is as it was stored."""
        place = self.path(sha256)
        try:
            if n_bytes is not None and place.stat().st_size != n_bytes:
                return f"has {place.stat().st_size} bytes instead of {n_bytes}"
            digest = hashlib.sha256()
            with open(place, "rb") as source:
                while chunk := source.read(_CHUNK):
                    digest.update(chunk)
        except FileNotFoundError:
            return "is missing"
        except OSError as error:
            return f"cannot be read ({error.strerror})"
        return "" if digest.hexdigest() == sha256 else "holds other bytes than were stored"

    def read(self, sha256: str) -> bytes:
        """The bytes of a kept file, once they have been found to be the stored ones.

        Raises
        ------
        CasebookError
            Missing or damaged.
        """
        place = self.path(sha256)
        try:
            data = place.read_bytes()
        except FileNotFoundError:
            raise CasebookError(
                f"The kept file {sha256} is missing from {self.root}; run the casebook check, and restore it "
                "from a backup"
            ) from None
        if hashlib.sha256(data).hexdigest() != sha256:
            raise CasebookError(
                f"The kept file {place} holds other bytes than were stored; restore it from a backup"
            )
        return data

    def kept(self) -> Iterator[tuple[Path, str]]:
        """Everything in the folder as (path, hash); the hash is empty for what is not a kept file."""
        for path in sorted(self.root.rglob("*")):
            if path.is_dir() and not path.is_symlink():
                continue
            is_ours = _HASH.fullmatch(path.name) and path == self.path(path.name) and not path.is_symlink()
            yield path, path.name if is_ours else ""

    @staticmethod
    def is_unfinished(path: Path) -> bool:
        """True for the temporary name of a write that never finished."""
        return bool(_TEMP.fullmatch(path.name))


@contextmanager
def _opened(data: object, field: str) -> Iterator[Readable]:
    if isinstance(data, (bytes, bytearray, memoryview)):
        yield io.BytesIO(data)
    elif isinstance(data, Path):
        if not data.is_file():
            raise InputError(f"{field}: there is no file {data}")
        try:
            source = open(data, "rb")  # noqa: SIM115 - closed below; only its opening is wrapped
        except OSError as error:
            raise InputError(f"{field}: {data} cannot be read ({error.strerror})") from None
        with source:
            yield source
    elif hasattr(data, "read"):
        yield data
    else:
        raise InputError(f"{field}: expected bytes, a path or an open file, got {type(data).__name__}")
