"""Whether a folder already holds the record of another face or job, which a new one would replace."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

from ..errors import InputError
from .export import zip_member

__all__ = ["must_be_same_record"]


def must_be_same_record(folder: Path, face: str, reference: str) -> None:
    """Refuse a folder whose record would be missed.

    Parameters
    ----------
    folder : Path
        What is to be written to.
    face : str
        Of the new record.
    reference : str
        The customer's, of the new record; an empty one is taken for any.

    Raises
    ------
    InputError
        It holds the record of another face or another job, or one that cannot be read.
    """
    path = folder / "record.zip"
    if not path.exists():
        return
    choose = "choose another --out, or say --overwrite"
    try:
        there = json.loads(zip_member(path.read_bytes(), "record.json"))
        of_face, of_job = str(there["face"]), str(there["job"].get("reference", ""))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, zipfile.BadZipFile) as error:
        raise InputError(f"{path}: is there, and is no record that can be read; {choose}") from error
    if of_face != face or (of_job and reference and of_job != reference):
        of = f"{of_face}, job {of_job}" if of_job else of_face
        raise InputError(
            f"{folder}: holds the record of {of}, which would be replaced by the one of {face}; {choose}"
        )
