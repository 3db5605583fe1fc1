"""500 bad files at the upload door: a sentence each, and the casebook as it was."""

from __future__ import annotations

import io
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pitmap.casebook import Casebook
from pitmap.errors import InputError
from pitmap.workflow import keep_photo

NAMES = [
    "../../etc/passwd.jpg",
    "a\x00b.png",
    "CON.jpg",
    "ä" * 300 + ".jpg",
    "photo.jpg ",
    "x;rm -rf.webp",
    "\u202egpj.exe",
    "",
]


def sound_files(rng: np.random.Generator) -> dict[str, bytes]:
    """A small sound picture of each kind."""
    picture = Image.fromarray(rng.integers(0, 255, (31, 47, 3), np.uint8))
    out = {}
    for kind in ("JPEG", "PNG", "TIFF", "WEBP"):
        data = io.BytesIO()
        picture.save(data, kind)
        out[kind] = data.getvalue()
    return out


def png_bomb() -> bytes:
    """A PNG that says it is 60,000 x 60,000."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")

    head = (60_000).to_bytes(4, "big") * 2 + bytes([8, 2, 0, 0, 0])
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


def zipped() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("a.txt", "x" * 1000)
    return data.getvalue()


def bad_files(rng: np.random.Generator) -> list[bytes]:
    sound = sound_files(rng)
    bad = [
        b"",
        b"\x00" * 4096,
        b"GIF89a",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        png_bomb(),
        zipped(),
        b"%PDF-1.7\n",
    ]
    kinds = list(sound.values())
    while len(bad) < 500:
        data = bytearray(kinds[len(bad) % len(kinds)])
        if len(bad) % 3 == 0:
            data = data[: int(rng.integers(1, len(data) * 3 // 5))]
        elif len(bad) % 3 == 1:
            # Damage to the head, where the kind and the size stand.
            for k in rng.integers(0, min(24, len(data)), 8):
                data[k] = int(rng.integers(256))
        else:
            data = bytearray(rng.integers(0, 256, int(rng.integers(1, 4000)), np.uint8).tobytes())
        bad.append(bytes(data))
    return bad


@pytest.mark.slow
def test_500_bad_files_leave_the_casebook_as_it_was(tmp_path: Path) -> None:
    rng = np.random.default_rng(500)
    with Casebook(tmp_path / "book", who="Ada") as book:
        job = book.create_job("order 1")
        face = book.create_face(book.create_plate("T-1", job=job), "A")
        survey = book.create_survey(face, job, "intake", "2026-01-05")
        n_refused = n_kept = 0
        for k, data in enumerate(bad_files(rng)):
            before = len(book.photos(survey))
            try:
                keep_photo(book, survey, data, NAMES[k % len(NAMES)])
            except InputError as error:
                n_refused += 1
                assert len(str(error)) > 20
                assert len(book.photos(survey)) == before
            else:
                # A few mutations leave a picture that decodes; it is then a picture like any other.
                n_kept += 1
        report = book.check()
        assert report.ok, report.sentences()
        assert len(book.photos(survey)) <= n_kept
        assert n_refused + n_kept == 500
        assert n_refused >= 450
