"""The casebook: open it, work in it, close it."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType

from .blobs import BlobStore
from .clean import clean_line
from .desk import current_person
from .engine import open_engines, storage_errors
from .finding import FindingDesk
from .migrate import migrate
from .place import find_place

__all__ = ["Casebook"]


class Casebook(FindingDesk):
    """Where jobs, plates, surveys, photos, readings and corrections are kept.

    Parameters
    ----------
    target : str, Path or None
        A file (made when it is missing), a folder, ``sqlite:///file`` or ``postgresql://user@host/name``.
        None: the variable PITMAP_CASEBOOK, else a file in the user's data folder.
    files : str, Path or None
        Folder of photos and other kept files; by default beside the database. Several computers on one
        server need one shared folder here (or in PITMAP_CASEBOOK_FILES).
    who : str or None
        The name that changes are written under; None: PITMAP_WHO, else the login name.

    Raises
    ------
    InputError
        Not an address of a casebook.
    CasebookError
        It cannot be opened, is something else, or was made by a newer pitmap.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, Casebook(folder, who="Ada") as book:
    ...     job = book.create_job("order 7")
    ...     plate = book.create_plate("T-12", job=job)
    ...     book.search("t-1").rows[0].plate.tag
    'T-12'
    """

    def __init__(
        self, target: str | Path | None = None, *, files: str | Path | None = None, who: str | None = None
    ) -> None:
        place = find_place(target, files)
        who = clean_line(current_person() if who is None else who, "who", required=True)
        with storage_errors(place):
            if place.path is not None:
                place.path.parent.mkdir(parents=True, exist_ok=True)
            reader, writer = open_engines(place)
            try:
                migrate(writer, place)
                blobs = BlobStore(place.files)
            except BaseException:
                writer.dispose()
                raise
        super().__init__(place, reader, writer, blobs, who)

    def as_person(self, who: str) -> Casebook:
        """The same open casebook, with changes written under another name; close only the first one."""
        other = object.__new__(Casebook)
        FindingDesk.__init__(other, self.place, self._reader, self._writer, self._blobs, who)
        return other

    def close(self) -> None:
        """Give the connections back; the casebook can be opened again."""
        self._writer.dispose()

    def __enter__(self) -> Casebook:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
