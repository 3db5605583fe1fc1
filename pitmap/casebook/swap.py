"""A restored casebook takes the place of the one that was there: a kill half way is finished at the next opening.

The restored parts lie ready beside it under other names. A note is written before the first of them is renamed and
removed after the last, so that whoever opens the casebook between the two goes on where the renaming stopped.
"""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from ..errors import CasebookError
from ..whole_file import sync_folder, write_whole

__all__ = ["Swap", "finish_swap", "must_not_be_torn"]

_NOTE = ".restore-note"
_JOURNALS = ("-wal", "-shm")
"""Endings of what SQLite keeps beside a database while it is open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """The restored parts, and where they go.

    Parameters
    ----------
    path, files : Path
        The database and the folder of kept files.
    new_path, new_files : Path
        The restored ones.
    ending : str
        Put to the names of what was there before; empty for nothing.
    """

    path: Path
    files: Path
    new_path: Path
    new_files: Path
    ending: str

    def begin(self) -> None:
        """Write the note: from here on the swap is finished, now or at the next opening."""
        told = {
            # by names where they lie in one folder, so that the whole folder may be moved
            name: part.name if part.parent == self.path.parent else str(part)
            for name, part in (
                ("files", self.files.absolute()),
                ("new_path", self.new_path.absolute()),
                ("new_files", self.new_files.absolute()),
            )
        }
        sync_folder(self.path.parent)
        write_whole(_note(self.path), json.dumps({**told, "ending": self.ending}))
        sync_folder(self.path.parent)

    def finish(self) -> None:
        """Rename what is not renamed yet: first what was there, then the restored parts, the database last."""
        if self.new_path.exists():
            for end in _JOURNALS:
                self._put_aside(Path(f"{self.path}{end}"), Path(f"{self.path}{self.ending}{end}"))
            self._put_aside(self.path, self.path.with_name(self.path.name + self.ending))
        if self.new_files.exists():
            self._put_aside(self.files, self.files.with_name(self.files.name + self.ending))
            os.replace(self.new_files, self.files)
            sync_folder(self.files.parent)
        if self.new_path.exists():
            os.replace(self.new_path, self.path)
        sync_folder(self.path.parent)
        _note(self.path).unlink()

    def undo(self) -> None:
        """Give what was there before its names back, after a failure half way."""
        if self.ending:
            for end in ("", *_JOURNALS):
                _give_back(Path(f"{self.path}{self.ending}{end}"), Path(f"{self.path}{end}"))
            _give_back(self.files.with_name(self.files.name + self.ending), self.files)
        else:  # nothing was there, so nothing stays
            if not self.new_files.exists():
                shutil.rmtree(self.files, ignore_errors=True)
            if not self.new_path.exists():
                self.path.unlink(missing_ok=True)
        _note(self.path).unlink(missing_ok=True)

    def _put_aside(self, old: Path, aside: Path) -> None:
        if self.ending and old.exists():
            os.replace(old, aside)


def _give_back(aside: Path, old: Path) -> None:
    if aside.exists():
        if old.is_dir():
            shutil.rmtree(old)
        os.replace(aside, old)


def _note(path: Path) -> Path:
    return path.with_name(path.name + _NOTE)


def finish_swap(path: Path) -> None:
    """Finish a swap that was interrupted; nothing happens where there is none.

    Raises
    ------
    CasebookError
        The note about it cannot be read.
    """
    note = _note(path)
    if not note.exists():
        return
    try:
        told = json.loads(note.read_text(encoding="utf-8"))
        parts = {name: path.parent / told[name] for name in ("files", "new_path", "new_files")}
        swap = Swap(path=path, ending=str(told["ending"]), **parts)
    except (ValueError, KeyError, TypeError):
        raise CasebookError(
            f"{note} was left by an interrupted restore and cannot be read. Keep a copy of its folder, then restore the "
            "backup to another place"
        ) from None
    swap.finish()


def must_not_be_torn(path: Path) -> None:
    """Refuse to make a new casebook where a restore was interrupted between its renames.

    Raises
    ------
    CasebookError
        There is no database, and parts of a restore lie beside its place.
    """
    if path.exists() or not path.parent.is_dir():
        return
    left = sorted(
        p
        for p in path.parent.iterdir()
        if p.name.startswith((f"{path.name}.restoring-", f"{path.name}.before-"))
        and not p.name.endswith(_JOURNALS)
    )
    if left:
        raise CasebookError(
            f"There is no casebook at {path}, but {' and '.join(p.name for p in left)} beside it: a restore was "
            f"interrupted, or somebody moved the casebook away. Nothing was changed. Give {path.name} its casebook back "
            f"(.before- is the one that was there, .restoring- the one from the backup; rename its folder .files too), "
            "restore the backup again, or choose another place"
        )
