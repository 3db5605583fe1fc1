"""Whether a folder already holds the record of another face or job, which a new one would replace."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterable
from pathlib import Path

from ..errors import InputError
from .export import zip_member

__all__ = ["must_be_same_record"]


def must_be_same_record(folder: Path, face: str, reference: str, photos: Iterable[str]) -> None:
    """Refuse a folder whose record would be missed.

    Parameters
    ----------
    folder : Path
        What is to be written to.
    face : str
        Of the new record.
    reference : str
        The customer's, of the new record. Where it is empty, or that of the record there is, both are of one job when
        they share a photo.
    photos : iterable of str
        SHA-256 of the photos of the new record.

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
        of_photos = {photo["sha256"] for survey in there["inspections"] for photo in survey["photos"]}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, zipfile.BadZipFile) as error:
        raise InputError(f"{path}: is there, and is no record that can be read; {choose}") from error
    is_one_job = of_job == reference if of_job and reference else not of_photos.isdisjoint(photos)
    if of_face != face or not is_one_job:
        of, by = (f"{who}, job {job}" if job else who for who, job in ((of_face, of_job), (face, reference)))
        why = "" if of_face != face or (of_job and reference) else ", and they have no photo in common"
        raise InputError(
            f"{folder}: holds the record of {of}, which would be replaced by the one of {by}{why}; {choose}"
        )
