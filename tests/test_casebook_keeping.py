"""Check, tidy, backup, restore, export: nothing is missing without a name for it."""

from __future__ import annotations

import csv
import errno
import hashlib
import json
import os
import shutil
import sqlite3
import struct
import subprocess
import sys
import zipfile

import pytest

from pitmap.casebook import Casebook, Survey, restore
from pitmap.casebook.swap import Swap
from pitmap.cli import main
from pitmap.errors import CasebookError, InputError, PitmapError


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A small casebook and its backup, made once: each test works on a copy."""
    folder = tmp_path_factory.mktemp("made")
    with Casebook(folder / "shop.db", who="Ada") as book:
        job = book.create_job("=1+1", customer="Birch Racing", notes='umlaut ü, comma, "quote"\nline')
        face = book.create_face(book.create_plate("T-12", job=job), "front")
        survey = book.create_survey(face, job, "intake", "2026-05-04")
        book.add_photo(survey, b"photo one", "a.JPG")
        book.add_photo(survey, b"photo two", "evil.exe")
        book.add_readings(survey, [{"kind": "pit_depth", "value_um": 12.5}])
        inspection = book.add_inspection(survey, {"inspection.json": b"{}"}, summary={"a": [1, 2.5]})
        book.add_edit(inspection, "brush", class_code=2, shape={"xy_mm": [[1, 2]]}, reason="seen")
        book.sign_off(survey, "checked")
        book.backup(folder / "backup.zip")
    return folder


@pytest.fixture
def folder(made, tmp_path):
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path


@pytest.fixture
def book(folder):
    with Casebook(folder / "shop.db", who="Ada") as casebook:
        yield casebook


def file_of(book, content):
    sha256 = hashlib.sha256(content).hexdigest()
    return book.place.files / sha256[:2] / sha256


def sql(book, *statements):
    plain = sqlite3.connect(book.place.path)
    for statement in statements:
        plain.execute(statement)
    plain.commit()
    plain.close()


# Check ------------------------------------------------------------------------------------------------------


def test_check_of_a_sound_casebook(book, folder):
    """Its records are those of a backup: the trail's lines were left out here and counted there, 9 against 26."""
    report = book.check()
    backup = book.backup(folder / "again.zip")
    assert report.ok
    with zipfile.ZipFile(folder / "again.zip") as archive:
        tables = [archive.read(name) for name in archive.namelist() if name.startswith("tables/")]
    n_records = sum(len(table.splitlines()) for table in tables)
    assert backup.n_rows == n_records
    assert report.sentences() == (
        f"Looked at {n_records} records, 3 kept files and 1 signatures: 0 problems, 0 leftovers.",
    )


def test_check_names_what_is_missing_damaged_and_left_over(book):
    missing, damaged = file_of(book, b"photo one"), file_of(book, b"photo two")
    missing.unlink()
    damaged.write_bytes(b"photo t\x00o")
    orphan = file_of(book, b"nobody's")
    orphan.parent.mkdir(exist_ok=True)
    orphan.write_bytes(b"nobody's")
    unfinished = book.place.files / ("." + "0" * 24 + ".part")
    unfinished.write_bytes(b"half")
    foreign = book.place.files / "holiday.jpg"
    foreign.write_bytes(b"x")
    report = book.check()
    assert {f.path for f in report.problems} == {str(missing), str(damaged)}
    assert {f.path for f in report.leftovers} == {str(orphan), str(unfinished), str(foreign)}
    assert not report.ok
    told = "\n".join(report.sentences())
    assert f"{missing} is missing" in told
    assert f"{damaged} holds other bytes than were stored" in told
    # A quick check compares sizes only, and says nothing about what it did not look at.
    assert {f.path for f in book.check(deep=False).problems} == {str(missing)}


def test_check_command_ends_in_six_for_what_is_lost_and_says_so(book, capsys):
    """Its help promised 6 for files left over too, of which nothing is lost."""

    def checked() -> int:
        with pytest.raises(SystemExit) as stop:
            main(["casebook", "check", "--casebook", str(book.place.path)])
        return int(stop.value.code or 0)

    (book.place.files / "holiday.jpg").write_bytes(b"x")
    assert checked() == 0
    assert "0 problems, 1 leftovers." in capsys.readouterr().out
    with pytest.raises(SystemExit):
        main(["casebook", "check", "--help"])
    told = " ".join(capsys.readouterr().out.split())
    assert "left over; exit code 6 when something is missing or damaged." in told
    next(p for p in book.place.files.rglob("*") if p.is_file() and p.name != "holiday.jpg").unlink()
    assert checked() == 6


def test_tidy_removes_leftovers_of_pitmap_only(book):
    orphan = file_of(book, b"nobody's")
    orphan.parent.mkdir(exist_ok=True)
    orphan.write_bytes(b"nobody's")
    foreign = book.place.files / "holiday.jpg"
    foreign.write_bytes(b"x")
    assert book.tidy() == ()  # younger than a day: a write may be going on
    assert book.tidy(older_than_h=0) == (orphan,)
    assert foreign.exists()
    assert book.check().ok


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DELETE FROM face", "survey number 1 belongs to a face that is not there"),
        ("UPDATE survey SET surveyed_on = 'soon'", "survey number 1 cannot be read: A day in the casebook"),
        ("UPDATE survey SET removed_reason = ''", "its removed stock was damaged"),
        ("UPDATE inspection SET summary_json = '{'", "inspection number 1: its summary was damaged"),
        ("UPDATE survey SET state = 'signed', revision = 7", "is signed, but there is no signature"),
        (
            "INSERT INTO face (id, plate_id, name, name_key, notes, version, created_at, changed_at, changed_by)"
            " SELECT 9, plate_id, 'x', 'x', '', 1, created_at, changed_at, 'x' FROM face",
            "face number 9 has no first line in the trail",
        ),
    ],
)
def test_check_names_damaged_records(book, statement, said):
    sql(book, statement)
    report = book.check()
    assert any(said in f.text for f in report.problems), report.sentences()


def test_check_tells_damaged_pages(book):
    sql(book, "PRAGMA wal_checkpoint(TRUNCATE)")
    book.close()
    with open(book.place.path, "r+b") as raw:
        raw.seek(4096 * 3)
        raw.write(b"\xa5" * 4096 * 20)
    report = book.check()
    assert not report.ok


# Backup and restore ---------------------------------------------------------------------------------------


def test_restore_gives_back_every_row_and_file(book, folder):
    restored = restore(folder / "backup.zip", folder / "new" / "shop.db")
    assert (restored.n_files, restored.lost, restored.set_aside) == (3, (), "")
    with Casebook(folder / "new" / "shop.db", who="Bob") as other:
        assert other.check().ok
        assert other.open_plate(1) == book.open_plate(1)
        assert other.jobs() == book.jobs()
        assert other.trail() == book.trail()
        survey = other.get(Survey, 1)
        assert other.sign_offs(survey) == book.sign_offs(survey)
        assert [other.read_file(p.sha256) for p in other.photos(survey)] == [b"photo one", b"photo two"]
        # Numbers go on where they ended: none is given twice.
        assert other.create_job("next").id == 2


def test_backup_while_others_write_is_one_moment(book, folder):
    with book._read() as session:  # a backup's own kind of transaction, held open
        from pitmap.casebook.backup import write_backup

        session.connection().exec_driver_sql("SELECT count(*) FROM job").all()
        book.as_person("Bob").create_job("later")
        write_backup(
            session.connection(), book._blobs, folder / "b.zip", who="x", damaged_ok=False, overwrite=False
        )
    restore(folder / "b.zip", folder / "new.db")
    with Casebook(folder / "new.db") as other:
        assert [j.reference for j in other.jobs()] == ["=1+1"]


def test_backup_never_replaces_without_being_told(book, folder):
    with pytest.raises(
        InputError, match="exists already; choose another name, or replace it with --overwrite"
    ):
        book.backup(folder / "backup.zip")
    assert book.backup(folder / "backup.zip", overwrite=True).n_files == 3
    with pytest.raises(InputError, match="is a folder; choose another name$"):
        book.backup(folder, overwrite=True)
    with pytest.raises(InputError, match="there is no folder"):
        book.backup(folder / "no" / "where.zip")


@pytest.mark.parametrize(
    "command", [("check",), ("backup", "backup.zip", "--overwrite"), ("export", "out")], ids=lambda c: c[0]
)
@pytest.mark.parametrize("address", ["unmounted/shop.db", "empty.db"])
def test_keeping_refuses_a_casebook_that_is_not_there(folder, monkeypatch, capsys, command, address):
    monkeypatch.chdir(folder)
    (folder / "empty.db").touch()
    before = (folder / "backup.zip").read_bytes()
    with pytest.raises(SystemExit) as stop:
        main(["casebook", *command, "--casebook", address])
    assert stop.value.code == 2
    assert f"there is none at {folder / address}" in capsys.readouterr().err
    assert (folder / "backup.zip").read_bytes() == before
    assert not (folder / "unmounted").exists()
    assert not (folder / "out").exists()


def test_keeping_commands_work_on_the_casebook_that_is_there(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    for command in (("check",), ("backup", "again.zip"), ("export", "out")):
        with pytest.raises(SystemExit) as stop:
            main(["casebook", *command, "--casebook", "shop.db"])
        assert stop.value.code == 0, capsys.readouterr().err
    assert (folder / "again.zip").exists() and (folder / "out" / "casebook.json").exists()


def test_a_disk_that_fills_up_under_a_backup_is_told_of_the_backup(book, folder, monkeypatch):
    """It was told of the casebook, which lies on another disk more often than not."""

    def full(*_args):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("pitmap.casebook.backup._write_table", full)
    with pytest.raises(
        CasebookError, match=r"^The file \S*b\.zip could not be read or written: No space left"
    ):
        book.backup(folder / "b.zip")
    assert not list(folder.glob("*b.zip*"))


def test_backup_with_a_lost_photo_says_so(book, folder):
    place = file_of(book, b"photo one")
    place.unlink()
    with pytest.raises(CasebookError, match=r"is missing.*without it \(--damaged-ok\)"):
        book.backup(folder / "b.zip")
    assert not (folder / "b.zip").exists()
    assert book.backup(folder / "b.zip", damaged_ok=True).lost == (place.name,)
    assert restore(folder / "b.zip", folder / "new.db").lost == (place.name,)


@pytest.mark.parametrize("then", ["moved", "restored"])
def test_an_open_casebook_that_was_moved_or_restored_takes_nothing_more(folder, then):
    """Its connections still reach the file that was put aside, where nobody would ever look."""
    path = folder / "book.db"
    with Casebook(path, who="Ada") as left_open:
        left_open.create_job("order 1")
        left_open.backup(folder / "night.zip")
        if then == "moved":
            path.rename(folder / "elsewhere.db")
        else:
            restore(folder / "night.zip", path, overwrite=True)
        for ask in (left_open.jobs, lambda: left_open.create_job("order 2")):
            with pytest.raises(
                CasebookError, match=r"book\.db was moved, renamed or restored since pitmap opened it"
            ):
                ask()
        assert path.exists() == (then == "restored")
        if then == "moved":
            (folder / "elsewhere.db").rename(path)
            assert [job.reference for job in left_open.jobs()] == ["order 1"]
    with Casebook(path) as again:
        assert [job.reference for job in again.jobs()] == ["order 1"]


@pytest.mark.parametrize("name", ["shop.db", "shop.db.files/b.zip", "link.zip"])
def test_a_backup_never_takes_the_place_of_its_casebook(tmp_path, name):
    """Not even where an older backup was to be replaced and the wrong name was given."""
    with Casebook(tmp_path / "shop.db") as book:
        book.create_job("order 7")
        (tmp_path / "link.zip").symlink_to(tmp_path / "shop.db")
        with pytest.raises(InputError, match="belongs to the casebook itself; choose another place"):
            book.backup(tmp_path / name, overwrite=True)
    with Casebook(tmp_path / "shop.db", create=False) as book:
        assert [job.reference for job in book.jobs()] == ["order 7"]
        # the job, and the line of the trail that tells of it
        assert book.check().sentences() == (
            "Looked at 2 records, 0 kept files and 0 signatures: 0 problems, 0 leftovers.",
        )


def test_room_that_is_needed_is_never_told_as_none(folder, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _place: shutil._ntuple_diskusage(10**9, 10**9, 0))
    with pytest.raises(InputError, match=r"needs about 1 MiB of room; 0 MiB are free in"):
        restore(folder / "backup.zip", folder / "new.db")


def test_restore_never_overwrites_without_being_told(folder):
    before = (folder / "shop.db").read_bytes()
    with pytest.raises(CasebookError, match="There is a casebook at"):
        restore(folder / "backup.zip", folder / "shop.db")
    assert (folder / "shop.db").read_bytes() == before
    with Casebook(folder / "shop.db") as book:
        book.create_job("only in the old one")
    report = restore(folder / "backup.zip", folder / "shop.db", overwrite=True)
    with Casebook(folder / "shop.db") as book:
        assert [j.reference for j in book.jobs()] == ["=1+1"]
    with Casebook(report.set_aside) as book:
        assert [j.reference for j in book.jobs()] == ["only in the old one", "=1+1"]


def test_restore_never_takes_the_place_of_its_own_backup(folder):
    backup = folder / "backup.zip"
    before = {path.name: path.is_dir() or path.read_bytes() for path in folder.iterdir()}
    (folder / "link.zip").symlink_to(backup)
    for name in ("backup.zip", "link.zip"):
        with pytest.raises(InputError, match=r"backup\.zip is the backup itself; name another place"):
            restore(folder / name, backup, overwrite=True)
    (folder / "link.zip").unlink()
    assert {path.name: path.is_dir() or path.read_bytes() for path in folder.iterdir()} == before


def test_a_restore_that_fails_at_the_last_step_brings_the_old_one_back(folder, monkeypatch):
    real = os.replace

    def failing(source, target):
        if ".restoring-" in str(source) and str(target).endswith("shop.db"):
            raise OSError(errno.EIO, "Input/output error")
        real(source, target)

    before = listing(folder)
    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(CasebookError, match="Input/output error"):
        restore(folder / "backup.zip", folder / "shop.db", overwrite=True)
    monkeypatch.undo()
    assert listing(folder) == before
    with Casebook(folder / "shop.db") as book:
        assert book.check().sentences()[1:] == ()


KILLED_RESTORE = """
import os, sys
from pathlib import Path
from pitmap.casebook import restore, swap

class Killed:
    left = int(sys.argv[2])
    def __getattr__(self, name):
        return getattr(os, name)
    def replace(self, source, target):
        Killed.left -= 1
        if Killed.left == 0:
            os._exit(9)
        os.replace(source, target)

swap.os = Killed()
folder = Path(sys.argv[1])
restore(folder / "backup.zip", folder / "shop.db", overwrite=True)
"""


@pytest.mark.parametrize("renames", [1, 2, 3, 4])
def test_a_restore_killed_between_its_renames_is_finished_at_the_next_opening(folder, renames):
    with Casebook(folder / "shop.db", who="Ada") as book:
        book.create_job("only in the old one")
    words = [sys.executable, "-c", KILLED_RESTORE, str(folder), str(renames)]
    assert subprocess.run(words, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}).returncode == 9
    moved = shutil.move(folder, folder.with_name(f"{folder.name}_elsewhere"))
    folder = type(folder)(moved)
    with Casebook(folder / "shop.db", create=False) as book:
        assert [j.reference for j in book.jobs()] == ["=1+1"]
        assert book.check().sentences()[1:] == ()
    assert not [p for p in folder.iterdir() if ".restor" in p.name]
    (old,) = [p for p in folder.iterdir() if p.name.startswith("shop.db.before-")]
    (files,) = [p for p in folder.iterdir() if p.name.startswith("shop.db.files.before-")]
    with Casebook(old, files=files) as book:
        assert [j.reference for j in book.jobs()] == ["only in the old one", "=1+1"]
        assert book.check().sentences()[1:] == ()


def test_a_restore_killed_before_its_note_is_gone_is_finished_already(folder):
    parts = {"path": folder / "shop.db", "files": folder / "shop.db.files"}
    swap = Swap(**parts, new_path=folder / "gone", new_files=folder / "gone.files", ending=".before-x")
    before = listing(folder)
    swap.begin()
    with Casebook(folder / "shop.db") as book:
        assert book.check().ok
    assert listing(folder) == before


def test_a_restore_that_fails_where_nothing_was_leaves_nothing(folder, monkeypatch):
    real, before = os.replace, listing(folder)

    def failing(source, target):
        if str(target).endswith("new.db"):
            raise KeyboardInterrupt
        real(source, target)

    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(KeyboardInterrupt):
        restore(folder / "backup.zip", folder / "new.db")
    monkeypatch.undo()
    assert listing(folder) == before


@pytest.mark.parametrize("left", ["restoring", "before"])
def test_no_new_casebook_is_made_where_an_older_restore_was_torn(folder, left):
    name = f"shop.db.{left}-0123456789ab"
    (folder / "shop.db").rename(folder / name)
    before = listing(folder)
    with pytest.raises(CasebookError, match=f"no casebook at .*shop.db, but {name} beside it") as told:
        Casebook(folder / "shop.db")
    assert "Give shop.db its casebook back" in str(told.value)
    assert listing(folder) == before
    (folder / name).rename(folder / "shop.db")
    with Casebook(folder / "shop.db") as book:
        assert book.check().ok


def test_check_names_what_a_killed_restore_left(book):
    left = book.place.path.with_name("shop.db.restoring-0123456789ab")
    left.write_bytes(b"half")
    assert [f.path for f in book.check().leftovers] == [str(left)]


def listing(folder):
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*"))


def refused(zip_path, target_folder, said):
    """The zip is refused with a sentence, and nothing is left behind."""
    before = listing(target_folder)
    with pytest.raises(PitmapError, match=said) as told:
        restore(zip_path, target_folder / "new.db")
    assert listing(target_folder) == before
    return str(told.value)


def rewritten(folder, change):
    """The backup with its entries and list of contents changed by `change(entries, manifest)`."""
    with zipfile.ZipFile(folder / "backup.zip") as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(entries.pop("manifest.json"))
    change(entries, manifest)
    target = folder / "hostile.zip"
    with zipfile.ZipFile(target, "w") as archive:
        for name, data in entries.items():
            deflated = zipfile.ZIP_DEFLATED if name.startswith("tables/") else zipfile.ZIP_STORED
            archive.writestr(name, data, deflated)
        archive.writestr("manifest.json", json.dumps(manifest))
    return target


def set_rows(entries, manifest, table, rows):
    data = "".join(json.dumps(row) + "\n" for row in rows).encode()
    entries[f"tables/{table}.jsonl"] = data
    told = {"sha256": hashlib.sha256(data).hexdigest(), "n_bytes": len(data), "n_rows": len(rows)}
    manifest["tables"][table] = told


def changed_cell(table, column, value):
    def change(entries, manifest):
        rows = [json.loads(line) for line in entries[f"tables/{table}.jsonl"].splitlines()]
        rows[0][column] = value
        set_rows(entries, manifest, table, rows)

    return change


def flipped(entries, manifest):
    name = next(n for n in entries if n.startswith("files/"))
    entries[name] = bytes([entries[name][0] ^ 1]) + entries[name][1:]


def added(name):
    return lambda entries, manifest: entries.update({name: b"x"})


def bomb(entries, manifest):
    data = b" " * 60_000_000
    entries["tables/job.jsonl"] = data
    manifest["tables"]["job"] = {"sha256": "0" * 64, "n_bytes": len(data), "n_rows": 1}


def without(table):
    def change(entries, manifest):
        del entries[f"tables/{table}.jsonl"], manifest["tables"][table]

    return change


HOSTILE = [
    (flipped, "damaged: file .* has other bytes"),
    (added("../outside"), "no casebook backup: it holds"),
    (added("/etc/cron.d/x"), "no casebook backup: it holds"),
    (added("files/aa/../../x"), "no casebook backup: it holds"),
    (added("C:\\x"), "no casebook backup: it holds"),
    (added("tables/new.jsonl"), "not in it as its list of contents says"),
    (added("files/ab/ab" + "0" * 62), "not in it as its list of contents says"),
    (bomb, "out of all proportion"),
    (without("face"), "table 'face' is missing or not ours"),
    (lambda e, m: m.update(format="x"), "list of contents is something else"),
    (lambda e, m: m.update(version=2), "made by a newer pitmap"),
    (lambda e, m: m.update(schema="0009_later"), "made by a newer pitmap"),
    (lambda e, m: m.update(tables=[]), "list of contents is damaged"),
    (lambda e, m: m["tables"]["job"].update(n_rows=7), "table job is not what was backed up"),
    (lambda e, m: m["tables"]["job"].update(sha256="0" * 64), "table job is not what was backed up"),
    (lambda e, m: m["files"].clear(), "not in it as its list of contents says"),
    (changed_cell("job", "reference", 7), "row 1 of job has 7 as reference"),
    (changed_cell("job", "reference", "a\x00b"), "row 1 of job has"),
    (changed_cell("job", "reference", "\ud800"), "row 1 of job has"),
    (changed_cell("job", "id", "1; DROP TABLE job"), "row 1 of job has"),
    (changed_cell("job", "id", True), "row 1 of job has True as id"),
    (changed_cell("job", "version", 2**70), "row 1 of job has"),
    (changed_cell("job", "extra", 1), "other columns than ours"),
    (changed_cell("job", "created_at", "yesterday"), "row 1 of job has 'yesterday' as created_at"),
    (changed_cell("survey", "surveyed_on", "2026-02-31"), "row 1 of survey has '2026-02-31'"),
    (changed_cell("survey", "face_id", 99), "would not take this record|not hold together"),
    (changed_cell("survey", "removed_value_um", float("nan")), "row 1 of survey cannot be read"),
    (changed_cell("blob", "sha256", "../../x"), "row 1 of blob has"),
    (changed_cell("photo", "sha256", "0" * 64), "would not take this record|not hold together"),
    (changed_cell("inspection", "summary_json", "[1]"), "row 1 of inspection has"),
    (changed_cell("reading", "value_um", 13.0), "is not what Ada signed"),
]


@pytest.mark.parametrize(("change", "said"), HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_backups_are_refused(folder, change, said):
    refused(rewritten(folder, change), folder, said)


def test_a_file_that_is_no_zip(folder):
    (folder / "x.zip").write_bytes(b"PK\x03\x04" + b"x" * 100)
    refused(folder / "x.zip", folder, "no zip or a damaged one")
    refused(folder / "missing.zip", folder, "there is no file")
    refused(folder, folder, "there is no file")


def test_zip_with_two_entries_of_one_name(folder):
    shutil.copy(folder / "backup.zip", folder / "twice.zip")
    with zipfile.ZipFile(folder / "twice.zip", "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("tables/job.jsonl", "x")
    refused(folder / "twice.zip", folder, "holds tables/job.jsonl twice")


def test_zip_whose_entries_overlap(folder):
    """A stored entry that another one's directory record points at as well: small on disk, large unpacked."""
    raw = bytearray((folder / "backup.zip").read_bytes())
    with zipfile.ZipFile(folder / "backup.zip") as archive:
        files = [i for i in archive.infolist() if i.filename.startswith("files/")]
    name = files[0].filename.encode()
    at = raw.rfind(b"PK\x01\x02", 0, raw.rfind(name))
    big = len(raw) * 10
    raw[at + 20 : at + 28] = struct.pack("<LL", big, big)
    (folder / "overlap.zip").write_bytes(raw)
    refused(folder / "overlap.zip", folder, "overlap|not in it as its list")


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(40))
def test_damaged_backups_are_refused_or_harmless(folder, seed):
    """Bytes knocked over or cut off anywhere: a sentence, or (in a spare byte) the very same casebook."""
    import numpy as np

    rng = np.random.default_rng(seed)
    raw = bytearray((folder / "backup.zip").read_bytes())
    if seed % 4 == 0:
        del raw[int(rng.integers(len(raw))) :]
    else:
        for at in rng.integers(0, len(raw), 3):
            raw[int(at)] ^= int(rng.integers(1, 256))
    (folder / "bad.zip").write_bytes(raw)
    before = listing(folder)
    try:
        restore(folder / "bad.zip", folder / "new.db")
    except PitmapError:
        assert listing(folder) == before
        return
    with Casebook(folder / "new.db") as other, Casebook(folder / "shop.db") as book:
        assert other.check().ok
        assert other.open_plate(1) == book.open_plate(1)


# Export ----------------------------------------------------------------------------------------------------


def test_export_to_a_folder(book, folder):
    book.export(folder / "out")
    told = json.loads((folder / "out" / "casebook.json").read_text(encoding="utf-8"))
    assert told["tables"]["job"][0]["reference"] == "=1+1"
    assert told["tables"]["inspection"][0]["summary"] == {"a": [1, 2.5]}
    with open(folder / "out" / "job.csv", encoding="utf-8-sig", newline="") as source:
        (row,) = csv.DictReader(source)
    assert row["reference"] == "'=1+1"  # shown as text by a spreadsheet program, not computed
    assert row["notes"] == 'umlaut ü, comma, "quote"\nline'
    with open(folder / "out" / "reading.csv", encoding="utf-8-sig", newline="") as source:
        (row,) = csv.DictReader(source)
    assert (row["value_um"], row["x_mm"]) == ("12.5", "")
    kept = {p.name: p.read_bytes() for p in (folder / "out" / "files").iterdir()}
    assert kept == {
        hashlib.sha256(b"photo one").hexdigest() + ".jpg": b"photo one",
        hashlib.sha256(b"photo two").hexdigest(): b"photo two",
        hashlib.sha256(b"{}").hexdigest() + ".json": b"{}",
    }


def test_export_to_a_zip_without_files(book, folder):
    book.export(folder / "out.zip", files=False)
    with zipfile.ZipFile(folder / "out.zip") as archive:
        names = archive.namelist()
        assert archive.testzip() is None
    assert "casebook.json" in names
    assert "survey.csv" in names
    assert not any(name.startswith("files/") for name in names)


def test_export_never_overwrites(book, folder):
    (folder / "full").mkdir()
    (folder / "full" / "x").write_bytes(b"x")
    for target in (folder / "full", folder / "backup.zip", folder / "shop.db"):
        with pytest.raises(InputError, match="exists already"):
            book.export(target)
    with pytest.raises(InputError, match="there is no folder"):
        book.export(folder / "no" / "where")


def test_export_with_a_lost_photo_leaves_nothing(book, folder):
    file_of(book, b"photo one").unlink()
    before = listing(folder)
    with pytest.raises(CasebookError, match="is missing"):
        book.export(folder / "out")
    assert listing(folder) == before


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_to(folder):
    locked = folder / "locked"
    locked.mkdir(mode=0o500)
    with pytest.raises(CasebookError, match="permissions|folder exists"):
        Casebook(locked / "x.db")
