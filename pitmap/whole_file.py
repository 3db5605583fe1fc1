"""Files that appear whole or not at all: a disk that fills up meanwhile leaves the old file, not a cut one."""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

__all__ = ["whole_file", "write_all_whole", "write_whole"]


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
    write_all_whole({target: content})


def write_all_whole(files: Mapping[Path, str | bytes]) -> None:
    """Write several files that belong together: all of them lie flushed beside their places before the first is renamed.

    Parameters
    ----------
    files : mapping of Path to str or bytes
        Text is written as UTF-8.

    Raises
    ------
    OSError
        As :func:`whole_file`; then every file is as it was.
    """
    with ExitStack() as stack:
        for target, content in files.items():
            if target.is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(target))
            temp = stack.enter_context(whole_file(target))
            with open(temp, "wb") as handle:
                handle.write(content.encode("utf-8") if isinstance(content, str) else content)
                handle.flush()
                os.fsync(handle.fileno())
