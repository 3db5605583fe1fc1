"""An open casebook keeps to the file that it opened: one that was moved or restored meanwhile is refused.

The system goes on writing to a file that was renamed. A page that is left open over night would keep what is typed the next
morning in the one that was put aside, and nobody who opens the casebook would ever see it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event

from ..errors import CasebookError

__all__ = ["keep_to_one_file"]


def keep_to_one_file(engine: Engine, path: Path) -> None:
    """Let no transaction of `engine` begin once another file, or none, lies at `path`.

    Raises
    ------
    CasebookError
        In whatever asks for a connection then; nothing is read or written.
    """
    opened: list[tuple[int, int]] = []

    def look(*_event: Any) -> None:
        if opened and _which(path) != opened[0]:
            raise CasebookError(
                f"The casebook {path} was moved, renamed or restored since pitmap opened it, so nothing is read from it or "
                "saved. Put the file back, or stop pitmap and start it again with the casebook that counts now"
            )

    def remember(*_event: Any) -> None:
        if not opened and (found := _which(path)):
            opened.append(found)

    event.listen(engine, "do_connect", look)  # a new connection would make an empty file where there is none
    event.listen(engine, "checkout", look)
    event.listen(engine, "checkout", remember)


def _which(path: Path) -> tuple[int, int] | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino
