"""Files that appear whole or not at all: a disk that fills up meanwhile leaves the old file, not a cut one."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import stat
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

__all__ = ["sync_folder", "whole_file", "write_all_whole", "write_flushed", "write_whole"]

_LEFT_FOR_S = 3600.0
"""What was not touched for so long was left by a write that was killed (house choice)."""


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """A temporary path beside `target` that takes its place, flushed, when the block ends well.

    Where `target` is a link, the file that it leads to is replaced and the link stays.

    Raises
    ------
    OSError
        What the system says; of this file under the name `target`.
    """
    place = _place(target)
    _take_away_leftovers(place.parent)
    temp = _beside(place)
    try:
        with _named(target, temp):
            yield temp
            with open(temp, "rb+") as handle:
                os.fsync(handle.fileno())
            os.replace(temp, place)
    finally:
        _take_away(temp)


@contextmanager
def _named(target: Path, *inner: Path) -> Iterator[None]:
    """A full disk comes without a name, and nobody has seen the `inner` ones: an error of them bears the name `target`."""
    try:
        yield
    except OSError as error:
        if error.filename not in (None, *map(str, inner)):
            raise
        raise OSError(error.errno, error.strerror, str(target)) from error


def _place(target: Path) -> Path:
    """Where the file itself lies: a link that is replaced parts those who share the file that it leads to."""
    return Path(os.path.realpath(target)) if target.is_symlink() else target


def _beside(place: Path) -> Path:
    return place.with_name(f".{secrets.token_hex(8)}.part")


def _take_away(hidden: Path) -> None:
    """Delete a file that may not be there. A place that takes no file lets none be deleted either, and has said so of the
    file that was to be written, whose name people know."""
    with suppress(OSError):
        hidden.unlink()


def _take_away_leftovers(folder: Path) -> None:
    """Delete what :func:`_beside` named and a killed write, or a power cut, left: of a backup it may be gigabytes."""
    for left in folder.glob(f".{'[0-9a-f]' * 16}.part"):
        try:
            made = left.lstat()
            # a file that lies aside under a second name is as old as it was before; its last change of names is not
            if stat.S_ISREG(made.st_mode) and time.time() - max(made.st_mtime, made.st_ctime) > _LEFT_FOR_S:
                left.unlink()
        except OSError:
            continue  # of somebody else, or gone meanwhile: no reason to keep a file from being written


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
        for target in files:
            if target.is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(target))
            if len(files) > 1:
                # each is renamed when its block ends: what was there lies aside until all of them have ended well
                stack.enter_context(_as_it_was_on_error(target))
        for target, content in files.items():
            temp = stack.enter_context(whole_file(target))
            write_flushed(temp, content.encode("utf-8") if isinstance(content, str) else content)


@contextmanager
def _as_it_was_on_error(target: Path) -> Iterator[None]:
    """Put back what was at `target`, or nothing, when the block ends in an error."""
    place = _place(target)
    aside = _beside(place) if place.exists() else None
    try:
        with _named(target, *([aside] if aside else [])):
            if aside:
                _same_file(place, aside)
        try:
            yield
        except BaseException:
            if aside:
                os.replace(aside, place)
            else:
                place.unlink(missing_ok=True)
            raise
    finally:
        if aside:
            _take_away(aside)


def _same_file(place: Path, aside: Path) -> None:
    try:
        os.link(place, aside)
    except OSError:  # a stick's file system has no second names
        shutil.copy2(place, aside)


def write_flushed(path: Path, content: bytes) -> None:
    """Write a file whose folder or itself is renamed next: after a power cut the name would else be on a file of nothing.

    Raises
    ------
    OSError
        What the system says.
    """
    with open(path, "wb") as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable; a no-op where the system has no such call."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
