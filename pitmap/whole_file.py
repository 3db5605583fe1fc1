"""Files that appear whole or not at all: a disk that fills up meanwhile leaves the old file, not a cut one."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["whole_file", "write_whole"]


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """A temporary path beside `target` that takes its place, flushed, when the block ends well.

    Raises
    ------
    OSError
        What the system says; of this file under the name `target`.
    """
    temp = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        yield temp
        with open(temp, "rb+") as handle:
            os.fsync(handle.fileno())
        os.replace(temp, target)
    except OSError as error:
        # A full disk comes without a name, and nobody has seen the temporary one.
        if error.filename not in (None, str(temp)):
            raise
        raise OSError(error.errno, error.strerror, str(target)) from error
    finally:
        temp.unlink(missing_ok=True)


def write_whole(target: Path, content: str | bytes) -> None:
    """Write a file whole or not at all; text as UTF-8.

    Raises
    ------
    OSError
        As :func:`whole_file`.
    """
    with whole_file(target) as temp:
        temp.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
