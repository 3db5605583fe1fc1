"""The casebook: open it, work in it, close it."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType

from ..errors import InputError
from .backup import BackupReport, write_backup
from .blobs import BlobStore
from .checking import CheckReport, check_contents, remove_leftovers
from .clean import clean_line, clean_number
from .desk import current_person
from .engine import WAIT_S, open_engines, storage_errors
from .export import write_export
from .finding import FindingDesk
from .migrate import migrate, no_casebook
from .place import find_place
from .swap import finish_swap, must_not_be_torn

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
    create : bool
        Make the casebook when there is none; False refuses instead, for work that makes sense only on what is kept.
    wait_s : float
        How long to wait, s, while another program writes to an SQLite casebook, before it is called busy.

    Raises
    ------
    InputError
        Not an address of a casebook, there is none and `create` is False, or a wait that is no number of seconds.
    CasebookError
        It cannot be opened, is something else, was made by a newer pitmap, or a restore to it was interrupted in a way
        that only a person can mend.

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
        self,
        target: str | Path | None = None,
        *,
        files: str | Path | None = None,
        who: str | None = None,
        create: bool = True,
        wait_s: float = WAIT_S,
    ) -> None:
        clean_number(wait_s, "wait_s", low=0.0, high=3600.0)
        place = find_place(target, files)
        who = clean_line(current_person() if who is None else who, "who", required=True)
        with storage_errors(place):
            if place.path is not None:
                finish_swap(place.path)
                must_not_be_torn(place.path)
                if not create and not (place.path.exists() and place.path.stat().st_size):
                    raise no_casebook(place)  # before a connection makes an empty database there
                place.path.parent.mkdir(parents=True, exist_ok=True)
            reader, writer = open_engines(place, wait_s)
            try:
                migrate(writer, place, create=create)
                blobs = BlobStore(place.files)
            except BaseException:
                writer.dispose()
                raise
        super().__init__(place, reader, writer, blobs, who)

    def as_person(self, who: str) -> Casebook:
        """The same open casebook, with changes written under another name; close only the first one."""
        other = object.__new__(Casebook)
        FindingDesk.__init__(other, self.place, self._reader, self._writer, self._blobs, who, self._ongoing)
        return other

    def check(self, *, deep: bool = True) -> CheckReport:
        """Look whether everything is there, whole and accounted for, and name every exception.

        Parameters
        ----------
        deep : bool
            Read every kept file and compare its hash; False compares sizes only.
        """
        with self._read() as session:
            return check_contents(session, self._blobs, deep=deep, beside=self.place.path)

    def tidy(self, *, older_than_h: float = 24.0) -> tuple[Path, ...]:
        """Remove files that interrupted writes left and no record names; the removed paths.

        Files that pitmap did not put there are left alone (the check names them). Zero hours are for when
        nobody else is writing: a write that goes on now would be told that its file is gone.
        """
        hours = clean_number(older_than_h, "tidy.older_than_h", low=0.0, high=1e6)
        with self._write() as session:
            return remove_leftovers(session, self._blobs, older_than_s=3600.0 * (hours or 0.0))

    def backup(self, target: Path, *, damaged_ok: bool = False, overwrite: bool = False) -> BackupReport:
        """Write everything into one zip: all tables as of one moment, all kept files, all their hashes.

        Others may go on working meanwhile.

        Parameters
        ----------
        target : Path
            The zip; it appears under its name only when it is complete.
        damaged_ok : bool
            Leave out kept files that are missing or damaged, and list them, instead of refusing.
        overwrite : bool
            Replace an older backup of that name.

        Raises
        ------
        InputError
            The target cannot be written to as asked, or is part of the casebook itself.
        CasebookError
            A kept file is missing or damaged, or the disk failed; nothing was written.
        """
        own = {p.resolve() for p in (self.place.path, self.place.files) if p is not None}
        if isinstance(target, Path) and own & {target.resolve(), *target.resolve().parents}:
            raise InputError(f"backup: {target} belongs to the casebook itself; choose another place")
        with self._read() as session:
            return write_backup(
                session.connection(),
                self._blobs,
                target,
                who=self.who,
                damaged_ok=damaged_ok,
                overwrite=overwrite,
            )

    def export(self, target: Path, *, files: bool = True) -> None:
        """Write the casebook for other programs: ``casebook.json``, a CSV per table, and the kept files.

        Parameters
        ----------
        target : Path
            A folder that does not exist yet or is empty, or a name ending in ``.zip``.
        files : bool
            Photos and other kept files too, under ``files/`` by their hash.

        Raises
        ------
        InputError
            The target exists already, or its folder does not.
        CasebookError
            A kept file is missing or damaged, or the disk failed; nothing was written.
        """
        with self._read() as session:
            write_export(session.connection(), self._blobs, target, files=files)

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
