"""Kills, crowds, full disks, older and newer casebooks."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from rounds import long

import pitmap.casebook
from pitmap.casebook import Casebook, Job, Plate, Survey, migrate, restore
from pitmap.casebook.backup import write_backup
from pitmap.casebook.blobs import BlobStore
from pitmap.casebook.engine import open_engines
from pitmap.casebook.models import Base
from pitmap.casebook.place import find_place
from pitmap.errors import CasebookError, InputError

BENCH = Path(__file__).parent / "benchmarks" / "casebook_bench.py"
DRAWING = hashlib.sha256(b"<svg/>").hexdigest()
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")


def bench(*words):
    done = subprocess.run([sys.executable, str(BENCH), *words], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
@needs_fork
@pytest.mark.parametrize("n_kills", ["6", long("20")])
def test_kills_lose_nothing(n_kills):
    told = bench("kills", "--kills", n_kills, "--seed", "7")
    assert "0 lost, 0 checks failed, 0 files not named by the check" in told


@pytest.mark.slow
@needs_fork
def test_eight_writers_at_once_lose_nothing():
    told = bench("writers", "--writers", "8", "--rounds", "2")
    assert "0 failed; of 16: 16 photos, 16 readings, 16 lines in the shared note, 16 edit layers" in told


# Migrations -------------------------------------------------------------------------------------------------


def scripts():
    config = Config()
    config.set_main_option("script_location", str(Path(pitmap.casebook.__file__).parent / "migrations"))
    return ScriptDirectory.from_config(config)


def test_the_known_steps_are_the_steps_in_the_folder():
    steps = [script.revision for script in scripts().walk_revisions()]
    assert tuple(reversed(steps)) == migrate.KNOWN
    assert steps[0] == migrate.HEAD


def test_the_steps_make_the_tables_that_the_program_expects(tmp_path):
    with Casebook(tmp_path) as book, book._reader.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []


def older(folder):
    """A casebook as the first step left it, with a job in it."""
    place = find_place(folder / "shop.db")
    _, writer = open_engines(place)
    migrate.migrate(writer, place, target="0001_first_casebook")
    with writer.connect() as connection, connection.begin():
        connection.exec_driver_sql(
            "INSERT INTO job (id, reference, reference_key, customer, customer_key, engine, engine_key, "
            "notes, state, revision, version, created_at, changed_at, changed_by) "
            "VALUES (3, 'old', 'old', '', '', '', '', '', 'open', 1, 1, '2025-01-01T00:00:00.000000Z', "
            "'2025-01-01T00:00:00.000000Z', 'Ada')"
        )
        connection.exec_driver_sql(
            "INSERT INTO plate (id, tag, tag_key, position, drawing, notes, version, created_at, changed_at, "
            "changed_by) VALUES (5, 'T', 't', '', '', '', 1, '2025-01-01T00:00:00.000000Z', "
            "'2025-01-01T00:00:00.000000Z', 'Ada')"
        )
        connection.exec_driver_sql(
            "INSERT INTO plate_event (id, plate_id, kind, face, text, removed_um, source, version, created_at, changed_at, "
            "changed_by) VALUES (6, 5, 'stock', '', '', 40.0, '', 1, '2025-01-01T00:00:00.000000Z', "
            "'2025-01-01T00:00:00.000000Z', 'Ada')"
        )
        connection.exec_driver_sql(
            f"INSERT INTO blob (sha256, n_bytes, stored_at) VALUES ('{DRAWING}', 6, "
            "'2025-01-01T00:00:00.000000Z')"
        )
        connection.exec_driver_sql(
            "INSERT INTO attachment (id, plate_id, sha256, n_bytes, name, role, created_at, created_by) VALUES "
            f"(8, 5, '{DRAWING}', 6, 'x.svg', 'drawing', '2025-01-01T00:00:00.000000Z', 'Ada')"
        )
        for kind, number in (("plate", 5), ("plate_event", 6), ("attachment", 8)):
            connection.exec_driver_sql(
                "INSERT INTO audit (at, who, action, kind, record_id, plate_id, changes_json, reason) VALUES "
                f"('2025-01-01T00:00:00.000000Z', 'Ada', 'create', '{kind}', {number}, 5, '{{}}', '')"
            )
        connection.exec_driver_sql(
            "INSERT INTO audit (at, who, action, kind, record_id, job_id, changes_json, reason) "
            "VALUES ('2025-01-01T00:00:00.000000Z', 'Ada', 'create', 'job', 3, 3, '{}', '')"
        )
    writer.dispose()
    store = BlobStore(place.files)
    with store.staged(b"<svg/>", "drawing") as blob:
        store.keep(blob)
    return place


def triggers(path):
    plain = sqlite3.connect(path)
    names = [row[0] for row in plain.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
    plain.close()
    return names


def test_an_older_casebook_is_brought_up_and_keeps_its_rows(tmp_path):
    place = older(tmp_path)
    assert triggers(place.path) == []
    with Casebook(place.path) as book:
        assert book.get(Job, 3).reference == "old"
        (attachment,) = book.open_plate(5).attachments
        assert (attachment.id, attachment.name, attachment.face_id) == (8, "x.svg", None)
        (event,) = book.open_plate(5).events
        assert (event.removed_um, event.withdrawn) == (40.0, "")
        assert book.check().sentences()[1:] == ()
        again = book.attach_file(book.get(Plate, 5), b"<svg/>", "y.svg")
        assert again.id == 9
    assert len(triggers(place.path)) == 4


def test_no_number_is_ever_given_twice(tmp_path):
    Casebook(tmp_path / "shop.db").close()
    plain = sqlite3.connect(tmp_path / "shop.db")
    query = "SELECT name FROM sqlite_master WHERE type = 'table' AND sql NOT LIKE '%AUTOINCREMENT%'"
    assert sorted(row[0] for row in plain.execute(query)) == ["alembic_version", "sqlite_sequence"]
    plain.close()


def test_a_backup_of_an_older_casebook_is_restored_and_brought_up(tmp_path):
    place = older(tmp_path)
    reader, writer = open_engines(place)
    with reader.connect() as connection, connection.begin():
        write_backup(
            connection,
            BlobStore(place.files),
            tmp_path / "old.zip",
            who="Ada",
            damaged_ok=False,
            overwrite=False,
        )
    writer.dispose()
    restore(tmp_path / "old.zip", tmp_path / "new.db")
    with Casebook(tmp_path / "new.db") as book:
        assert book.get(Job, 3).reference == "old"
        assert book.create_job("next").id == 4


def test_a_step_that_fails_half_way_changes_nothing(tmp_path, monkeypatch):
    place = older(tmp_path)
    real = migrate.upgrade

    def failing(connection, target):
        real(connection, target)
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(migrate, "upgrade", failing)
    with pytest.raises(CasebookError, match="No space left"):
        Casebook(place.path)
    assert triggers(place.path) == []
    monkeypatch.undo()
    with Casebook(place.path) as book:
        assert book.get(Job, 3).reference == "old"


def test_a_newer_casebook_is_refused_and_left_alone(tmp_path):
    with Casebook(tmp_path / "shop.db") as book:
        path = book.place.path
    plain = sqlite3.connect(path)
    plain.execute("UPDATE alembic_version SET version_num = '0099_from_the_future'")
    plain.commit()
    plain.close()
    before = path.read_bytes()
    with pytest.raises(CasebookError, match=r"made by a newer pitmap .*0099_from_the_future.* Update pitmap"):
        Casebook(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "tables",
    [
        "CREATE TABLE songs (name TEXT)",
        "CREATE TABLE songs (name TEXT); CREATE TABLE alembic_version (version_num TEXT)",
        "CREATE TABLE songs (name TEXT); CREATE TABLE alembic_version (version_num TEXT);"
        "INSERT INTO alembic_version VALUES ('abc')",
    ],
    ids=["plain", "of alembic, no step yet", "of alembic"],
)
def test_a_database_of_something_else_is_refused_and_left_as_it_was(tmp_path, tables):
    """Not even its journal is switched, which would stay in the file."""
    path = tmp_path / "other.db"
    plain = sqlite3.connect(path)
    plain.executescript(tables)
    plain.close()
    before = path.read_bytes()
    with pytest.raises(CasebookError, match="holds tables of something else"):
        Casebook(path)
    assert path.read_bytes() == before


def test_an_empty_file_is_no_casebook_and_stays_empty(tmp_path):
    (tmp_path / "shop.db").touch()
    with pytest.raises(InputError, match="casebook: there is none at"):
        Casebook(tmp_path / "shop.db", create=False)
    assert (tmp_path / "shop.db").read_bytes() == b""


def test_a_copy_of_the_one_file_of_an_open_casebook_holds_what_was_kept(tmp_path):
    """As people take it home on a stick, with the page still open."""
    with Casebook(tmp_path / "shop.db") as book:
        for k in range(20):
            book.create_job(f"order {k}")
        shutil.copy(tmp_path / "shop.db", tmp_path / "copy.db")
        with Casebook(tmp_path / "copy.db", create=False) as copy:
            assert [job.reference for job in copy.jobs()] == [f"order {k}" for k in reversed(range(20))]


@pytest.mark.slow
@needs_fork
def test_a_crowd_opening_a_new_casebook_makes_it_once(tmp_path):
    program = (
        "import sys; from pitmap.casebook import Casebook\n"
        "with Casebook(sys.argv[1], who=sys.argv[2]) as book: book.create_job(sys.argv[2])"
    )
    crowd = [
        subprocess.Popen([sys.executable, "-c", program, str(tmp_path / "shop.db"), f"job {n}"])
        for n in range(4)
    ]
    assert [child.wait(timeout=120) for child in crowd] == [0] * 4
    with Casebook(tmp_path / "shop.db") as book:
        assert sorted(job.reference for job in book.jobs()) == ["job 0", "job 1", "job 2", "job 3"]
        assert book.check().ok


# Durability settings and failing disks --------------------------------------------------------------------


def test_the_promises_of_the_connection(tmp_path):
    with Casebook(tmp_path) as book, book._reader.connect() as connection:
        pragmas = ("foreign_keys", "journal_mode", "synchronous", "busy_timeout")
        values = [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in pragmas]
    assert values == [1, "wal", 2, 60_000]  # 2 is FULL


@pytest.fixture
def survey(tmp_path):
    with Casebook(tmp_path, who="Ada") as book:
        job = book.create_job("order 7")
        face = book.create_face(book.create_plate("T-12", job=job), "front")
        yield book, book.create_survey(face, job, "intake", "2026-05-04")


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_full_disk_gives_a_sentence_and_leaves_no_record(survey, monkeypatch, call):
    book, face_survey = survey

    def full(*args):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, call, full)
    with pytest.raises(CasebookError, match="No space left on device.*nothing was half saved"):
        book.add_photo(face_survey, b"bytes")
    monkeypatch.undo()
    assert book.photos(face_survey) == ()
    report = book.check()
    assert report.ok
    assert report.leftovers == ()


def test_a_kill_between_file_and_record_leaves_a_named_leftover(survey, monkeypatch):
    """The one moment at which a file exists that no record names: after its renaming, before the commit."""
    book, face_survey = survey

    class Killed(BaseException):
        pass

    def killed(*args, **kwargs):
        raise Killed

    monkeypatch.setattr(book, "_add", killed)
    with pytest.raises(Killed):
        book.add_photo(face_survey, b"bytes")
    monkeypatch.undo()
    report = book.check()
    assert report.ok
    (left,) = report.leftovers
    assert "is named by no record" in left.text
    assert book.tidy(older_than_h=0) == (Path(left.path),)
    assert book.check().leftovers == ()


def test_a_casebook_that_somebody_holds_is_called_busy(tmp_path):
    with Casebook(tmp_path / "shop.db") as book:
        path = book.place.path
    plain = sqlite3.connect(path)
    plain.execute("BEGIN IMMEDIATE")
    with pytest.raises(CasebookError, match="is busy with somebody else's long change; nothing was saved"):
        Casebook(path, wait_s=0.05)
    plain.close()
    with Casebook(path) as book:
        assert book.jobs() == ()


def test_readers_do_not_wait_for_a_writer(tmp_path):
    with Casebook(tmp_path / "shop.db") as book:
        book.create_job("order 7")
        plain = sqlite3.connect(book.place.path)
        plain.execute("BEGIN IMMEDIATE")
        assert [job.reference for job in book.jobs()] == ["order 7"]
        plain.close()
        assert book.surveys(job=book.jobs()[0]) == ()
        with pytest.raises(Exception, match="there is no survey number 1"):
            book.get(Survey, 1)
