"""The same code on a real PostgreSQL server, started here; skipped with the reason where none can start.

Set PITMAP_TEST_POSTGRES to an address of an empty database's server (``postgresql://user@host:port``) to use
one that runs already.
"""

from __future__ import annotations

import glob
import importlib.util
import math
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import uuid
from pathlib import Path

import pytest
import sqlalchemy as sa
from casebook_crowd import save_at_once

from pitmap.casebook import Casebook, Job, Plate, restore
from pitmap.errors import CasebookError, EditConflict, InputError

CROWD = Path(__file__).with_name("casebook_crowd.py")
UNPRIVILEGED = ("postgres", "nobody")


def find_programs() -> str:
    """The folder of pg_ctl and initdb, or nothing."""
    candidates = sorted(glob.glob("/usr/lib/postgresql/*/bin"), reverse=True)
    if found := shutil.which("pg_ctl"):
        candidates.insert(0, str(Path(found).resolve().parent))
    return next((c for c in candidates if {"pg_ctl", "initdb"} <= set(os.listdir(c))), "")


def as_server_user() -> list[str]:
    """The words before a command that give up root, which PostgreSQL refuses to run as."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return []
    import pwd

    for name in UNPRIVILEGED:
        try:
            pwd.getpwnam(name)
        except KeyError:
            continue
        if shutil.which("runuser"):
            return ["runuser", "-u", name, "--"]
    pytest.skip("PostgreSQL does not run as root, and there is no runuser with an unprivileged user here")


@pytest.fixture(scope="module")
def server():
    if importlib.util.find_spec("psycopg") is None:
        pytest.skip("psycopg is not installed (pip install 'pitmap[postgres]')")
    if address := os.environ.get("PITMAP_TEST_POSTGRES"):
        yield address
        return
    programs = find_programs()
    if not programs:
        pytest.skip("no PostgreSQL server programs here (Debian: apt install postgresql)")
    before = as_server_user()
    with tempfile.TemporaryDirectory(prefix="pitmap-pg-") as folder:
        if before:
            shutil.chown(folder, before[2])
        data = f"{folder}/data"
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        settings = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1 -c fsync=off"
        commands = (
            [f"{programs}/initdb", "-D", data, "-U", "pitmap", "-A", "trust", "-E", "UTF8", "--no-sync"],
            [f"{programs}/pg_ctl", "-D", data, "-l", f"{folder}/log", "-o", settings, "-w", "start"],
        )
        for command in commands:
            done = subprocess.run([*before, *command], capture_output=True, text=True, timeout=120, cwd="/")
            if done.returncode:
                said = (done.stderr or done.stdout).strip().splitlines()[-1:]
                pytest.skip(f"PostgreSQL cannot start here: {said}")
        try:
            yield f"postgresql://pitmap@127.0.0.1:{port}"
        finally:
            stop = [f"{programs}/pg_ctl", "-D", data, "-m", "immediate", "-w", "stop"]
            subprocess.run([*before, *stop], capture_output=True, timeout=60, cwd="/")


@pytest.fixture
def address(server):
    """The address of a new, empty database."""
    name = f"casebook_{uuid.uuid4().hex[:12]}"
    admin = sa.create_engine(
        sa.make_url(f"{server}/postgres").set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT"
    )
    with admin.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    yield f"{server}/{name}"
    with admin.connect() as connection:
        connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    admin.dispose()


@pytest.fixture
def book(address, tmp_path):
    with Casebook(address, files=tmp_path / "files", who="Ada") as casebook:
        yield casebook


def work(book):
    """A job from intake to sign-off."""
    job = book.create_job("order 7", customer="Birch Racing", engine="Zwei Läufer")
    plate = book.create_plate("T-12", position="rear", job=job)
    face = book.create_face(plate, "front")
    book.add_event(plate, "stock", removed_um=40.0, happened_on="2019-03-01")
    survey = book.create_survey(face, job, "intake", "2026-05-04")
    book.add_photo(survey, b"photo", "a.jpg")
    book.add_readings(survey, [{"kind": "pit_depth", "value_um": 0.1 + 0.2, "is_lower_bound": True}])
    inspection = book.add_inspection(survey, {"inspection.json": b"{}"}, summary={"a": 1.5})
    book.add_edit(inspection, "brush", class_code=2, shape={"xy_mm": [[1, 2.5]]}, reason="seen")
    book.sign_off(survey, "checked")
    return plate, survey


def test_a_job_on_the_server(book, address, tmp_path):
    plate, survey = work(book)
    with Casebook(address, files=tmp_path / "files", who="Bob") as other:
        (row,) = other.search("läufer t-1").rows
        assert row.plate == plate
        assert other.search("%").n_found == 0
        life = other.open_plate(plate.id)
        assert life.surveys[0].state == "signed"
        assert life.events[0].removed_um == 40.0
        (reading,) = other.readings(survey)
        assert (reading.value_um, reading.is_lower_bound) == (0.1 + 0.2, True)
        assert math.isnan(reading.x_mm)
        assert other.read_file(other.photos(survey)[0].sha256) == b"photo"
        # nine things, two kept files and where one belongs, an edit, a signature; and eleven lines of the trail on them
        assert other.check().sentences() == (
            "Looked at 25 records, 2 kept files and 1 signatures: 0 problems, 0 leftovers.",
        )
        with pytest.raises(CasebookError, match="signed and frozen"):
            other.add_photo(life.surveys[0], b"x")
        revised = other.open_revision(life.surveys[0], "why")
        assert other.edits(other.inspections(revised)[0])[0].reason == "seen"


def test_second_editor_on_the_server(book):
    job = book.create_job("order 7")
    book.as_person("Bob").update(job, notes="Bob's")
    with pytest.raises(EditConflict, match="changed by Bob"):
        book.update(job, notes="Ada's")
    assert book.get(Job, job.id).notes == "Bob's"
    assert book.drafts()[0].changes == {"notes": "Ada's"}


def test_trail_on_the_server_cannot_be_changed(book):
    book.create_job("order 7")
    with (
        pytest.raises(sa.exc.DatabaseError, match="never changed"),
        book._writer.begin() as connection,
    ):
        connection.exec_driver_sql("DELETE FROM audit")


def test_bad_entries_on_the_server(book):
    for reference in ("a\x00b", "\ud800", "x" * 201):
        with pytest.raises(InputError, match=r"job\.reference"):
            book.create_job(reference)
    with pytest.raises(InputError, match="there is no job number 9223372036854775807"):
        book.get(Job, 2**63 - 1)
    tag = "\U0001f527" * 100
    assert book.plate_by_tag(tag) is None
    assert book.create_plate(tag).tag == tag


def test_from_a_file_to_the_server_and_back(book, address, tmp_path):
    with Casebook(tmp_path / "shop.db", who="Ada") as first:
        plate, survey = work(first)
        first.backup(tmp_path / "one.zip")
        with pytest.raises(CasebookError, match="not empty|casebook at .* already"):
            restore(tmp_path / "one.zip", address, files=tmp_path / "other")
        with book._writer.begin() as connection:
            connection.exec_driver_sql("DROP SCHEMA public CASCADE; CREATE SCHEMA public")
        restore(tmp_path / "one.zip", address, files=tmp_path / "other")
        with Casebook(address, files=tmp_path / "other", who="Bob") as second:
            assert second.check().ok
            assert second.open_plate(plate.id) == first.open_plate(plate.id)
            assert second.trail() == first.trail()
            assert second.create_job("next").id == 2
            newest = second.trail(limit=10)
            second.backup(tmp_path / "two.zip")
        restore(tmp_path / "two.zip", tmp_path / "back.db")
        with Casebook(tmp_path / "back.db") as third:
            assert third.check().ok
            assert third.open_plate(plate.id) == first.open_plate(plate.id)
            assert third.trail(limit=10) == newest


@pytest.mark.slow
def test_a_crowd_on_the_server_loses_nothing(book, address, tmp_path):
    job = book.create_job("order 7")
    face = book.create_face(book.create_plate("T-12", job=job), "front")
    survey = book.create_survey(face, job, "intake", "2026-05-04")
    own = [book.create_survey(face, job, "test_lap", "2026-05-05") for _ in range(3)]
    inspection = book.add_inspection(survey, {"inspection.json": b"{}"})
    writers = [
        subprocess.Popen([sys.executable, str(CROWD), address, str(tmp_path / "files"), str(n), "4"])
        for n in range(3)
    ]
    assert [writer.wait(timeout=120) for writer in writers] == [0] * 3
    assert [len(book.photos(s)) for s in own] == [4, 4, 4]
    assert len({book.photos(s)[0].sha256 for s in own}) == 1
    assert len(book.readings(survey)) == 12
    assert len(book.edits(inspection, states=("applied", "draft"))) == 12
    assert len(book.get(Job, 1).notes.split("\n")) == 12
    assert book.check().ok


@pytest.mark.parametrize("store", ["address", "tmp_path"])
def test_of_files_kept_at_once_over_the_same_one_one_is_taken(store, request, tmp_path):
    """What was the newest to each of them is the newest for one of them alone."""
    with Casebook(request.getfixturevalue(store), files=tmp_path / "files", who="Ada") as book:
        face = book.create_face(book.create_plate("T-12", job=book.create_job("order 7")), "front")
        assert save_at_once(book, 4) == 1
        (kept,) = book.open_plate(face.plate_id).attachments
        mine = {"role": "s", "face": face}
        with pytest.raises(EditConflict, match=rf"another s was kept by {kept.created_by} on .* press again"):
            book.attach_file(book.get(Plate, face.plate_id), b"late", "s.toml", over=0, **mine)
        # made of the one that is kept, or of none at all, it is taken; a file of another role is in nobody's way
        book.attach_file(book.get(Plate, face.plate_id), b"next", "s.toml", over=kept.id, **mine)
        book.attach_file(book.get(Plate, face.plate_id), b"any", "s.toml", **mine)
        book.attach_file(book.get(Plate, face.plate_id), b"other", "t.toml", role="t", face=face, over=0)
        # the plate's own sheet counts for a face that has none
        whole = book.attach_file(book.get(Plate, face.plate_id), b"all", "u.toml", role="u")
        with pytest.raises(EditConflict):
            book.attach_file(book.get(Plate, face.plate_id), b"own", "u.toml", role="u", face=face, over=0)
        book.attach_file(book.get(Plate, face.plate_id), b"own", "u.toml", role="u", face=face, over=whole.id)
