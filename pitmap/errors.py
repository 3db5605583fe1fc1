"""What can go wrong, by what the caller would do about it.

::

    PitmapError
    ├── InputError            a bad call or a bad file: correct it and call again
    │   ├── DrawingError      the plate drawing or its TOML
    │   ├── PhotoError        a picture file that cannot be read
    │   └── ReadingError      depth, height or thickness readings
    ├── MeasurementError      good input that cannot be measured: take another photo, more readings
    │   ├── AlignmentRefused  the drawing could not be laid on the photo with certainty
    │   └── NotEnoughData     too few readings or marks for the figure asked for
    └── CasebookError         the store of jobs: locked, damaged
        └── EditConflict      somebody else changed it first; the rejected change is kept or given back

A message says what was wrong, where (file, field, line), and what to do next. Something measured but
doubtful is not an error: it is a row with a bit from :mod:`pitmap.flags`.
"""

__all__ = [
    "AlignmentRefused",
    "CasebookError",
    "DrawingError",
    "EditConflict",
    "InputError",
    "MeasurementError",
    "NotEnoughData",
    "PhotoError",
    "PitmapError",
    "ReadingError",
]


class PitmapError(Exception):
    """Root of every error that pitmap raises on purpose."""

    exit_code = 1


class InputError(PitmapError):
    """A bad call or a bad file; the message names the file, field or argument."""

    exit_code = 2


class DrawingError(InputError):
    """The plate drawing (SVG, TOML, DXF, JSON) is not usable; the message names the element."""


class PhotoError(InputError):
    """A picture file that cannot be read, or will not be (too large, truncated, not a picture)."""


class ReadingError(InputError):
    """A reading that cannot be understood; the message names line and column."""


class MeasurementError(PitmapError):
    """Good input that cannot be measured; the message says why and what to do instead."""

    exit_code = 3


class AlignmentRefused(MeasurementError):
    """The drawing could not be laid on the photo with certainty; never guessed."""

    exit_code = 4


class NotEnoughData(MeasurementError):
    """Too few readings or marks for the figure asked for; the message says what to add."""

    exit_code = 5


class CasebookError(PitmapError):
    """The store of jobs is locked, damaged, or was changed by somebody else meanwhile."""

    exit_code = 6


class EditConflict(CasebookError):
    """The same record was changed first; the rejected change is kept as a draft where the caller wants one.

    Attributes
    ----------
    changed_by, changed_at : str
        Who made the change that stands, and when (UTC, ISO 8601).
    draft_id : int
        Number of the kept draft (of the draft layer, when a map was edited); 0 when there was nothing to
        keep.
    """

    def __init__(
        self, message: str, *, changed_by: str = "", changed_at: str = "", draft_id: int = 0
    ) -> None:
        super().__init__(message)
        self.changed_by = changed_by
        self.changed_at = changed_at
        self.draft_id = draft_id
