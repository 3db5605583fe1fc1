"""A file is there whole or as it was."""

from __future__ import annotations

import errno
import os
import resource
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pitmap.whole_file import whole_file, write_all_whole, write_whole


@pytest.fixture
def full_disk() -> Iterator[None]:
    """No file may grow beyond 1,000 bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_write_whole_replaces_a_file(tmp_path: Path) -> None:
    for content in ("é = 1\n", b"new"):
        write_whole(tmp_path / "a.txt", content)
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.txt", b"new")]
    write_whole(tmp_path / "a.txt", "é = 1\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xa9 = 1\n"


def test_what_a_killed_write_left_is_taken_away_an_hour_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A backup that was killed left its gigabytes under a hidden name for ever."""
    left, running = tmp_path / ".0123456789abcdef.part", tmp_path / ".fedcba9876543210.part"
    others = [
        tmp_path / name for name in ("0123456789abcdef.part", ".notes.part", ".0123456789abcdef.part.txt")
    ]
    for path in (left, *others):
        path.write_bytes(b"cut")
    now = time.time()
    monkeypatch.setattr("pitmap.whole_file.time.time", lambda: now + 3500.0)
    write_whole(tmp_path / "a.txt", "a")
    assert left.exists()
    monkeypatch.setattr("pitmap.whole_file.time.time", lambda: now + 3700.0)
    running.write_bytes(b"at work")
    os.utime(running, (now + 3690.0,) * 2)
    write_whole(tmp_path / "a.txt", "b")
    assert not left.exists()
    assert running.exists() and all(path.exists() for path in others)


@pytest.mark.parametrize("before", [b"old", None])
def test_write_whole_on_a_full_disk_leaves_what_was_there(
    before: bytes | None, tmp_path: Path, full_disk: None
) -> None:
    path = tmp_path / "record.html"
    if before is not None:
        path.write_bytes(before)
    with pytest.raises(OSError) as refused:
        write_whole(path, "x" * 2000)
    assert (refused.value.errno, refused.value.filename) == (errno.EFBIG, str(path))
    assert [p.read_bytes() for p in tmp_path.iterdir()] == ([] if before is None else [before])


@pytest.mark.parametrize("before", [b"old", None])
def test_where_nothing_may_be_written_the_file_that_was_asked_for_is_named(
    before: bytes | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a locked card nothing can be taken away either: the error was of a hidden file that was never there."""
    path = tmp_path / "plate.svg"
    if before is not None:
        path.write_bytes(before)

    def locked(at: str | Path, *_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(at))

    monkeypatch.setattr("pitmap.whole_file.open", locked, raising=False)
    for owner, name in ((Path, "unlink"), (os, "link")):
        monkeypatch.setattr(owner, name, locked)
    monkeypatch.setattr("pitmap.whole_file.shutil.copy2", lambda _, at: locked(at))
    with pytest.raises(OSError) as refused:
        write_all_whole({path: "new", tmp_path / "plate.toml": "new"})
    assert (refused.value.errno, refused.value.filename) == (errno.EROFS, str(path))


def test_whole_file_leaves_nothing_when_its_block_fails(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"absent\.txt"), whole_file(tmp_path / "a.txt") as temp:
        temp.write_bytes(b"begun")
        (tmp_path / "absent.txt").read_bytes()
    assert list(tmp_path.iterdir()) == []


def test_whole_file_in_the_way_of_a_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "taken").mkdir()
    with pytest.raises(OSError, match=r"/taken'$"):
        write_whole(tmp_path / "taken", "x")
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


@pytest.mark.parametrize("sizes", [(10, 2000, 10), (10, 10, 2000), (2000, 10, 10)])
def test_files_that_belong_together_are_all_new_or_all_as_they_were(
    sizes: tuple[int, ...], tmp_path: Path, full_disk: None
) -> None:
    names = ("record.html", "record.pdf", "record.zip")
    for name in names[:2]:
        (tmp_path / name).write_bytes(b"old")
    with pytest.raises(OSError) as refused:
        write_all_whole({tmp_path / name: b"x" * size for name, size in zip(names, sizes)})
    assert refused.value.filename == str(tmp_path / names[sizes.index(2000)])
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == dict.fromkeys(names[:2], b"old")
    write_all_whole({tmp_path / name: name for name in names})
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {name: name for name in names}


def test_files_that_belong_together_stay_when_a_folder_has_the_name_of_one(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("old")
    (tmp_path / "b.csv").mkdir()
    with pytest.raises(OSError, match=r"/b\.csv'$"):
        write_all_whole({tmp_path / "c.csv": "new", tmp_path / "a.csv": "new", tmp_path / "b.csv": "new"})
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "b.csv"]
    assert (tmp_path / "a.csv").read_text() == "old"


@pytest.mark.parametrize("has_links", [True, False])
@pytest.mark.parametrize("fails_at", [1, 2, 3])
def test_files_that_belong_together_are_rolled_back_when_a_rename_fails(
    fails_at: int, has_links: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a.csv", "c.csv"):
        (tmp_path / name).write_text("old")
    replace, calls = os.replace, 0

    def failing(source: Path, target: Path) -> None:
        nonlocal calls
        calls += 1
        if calls == fails_at:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(source), None, str(target))
        replace(source, target)

    def without_links(_source: Path, _target: Path) -> None:
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "replace", failing)
    if not has_links:
        monkeypatch.setattr(os, "link", without_links)
    with pytest.raises(PermissionError) as refused:
        write_all_whole({tmp_path / f"{name}.csv": "new" for name in "abc"})
    assert Path(refused.value.filename).name in ("a.csv", "b.csv", "c.csv")
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"a.csv": "old", "c.csv": "old"}


def test_a_link_keeps_leading_to_the_file_that_is_written(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared" / "plate.svg").write_text("old")
    for name, leads_to in (("plate.svg", "plate.svg"), ("new.svg", "new.svg")):
        (tmp_path / name).symlink_to(tmp_path / "shared" / leads_to)
    write_all_whole({tmp_path / "plate.svg": "new", tmp_path / "new.svg": "too"})
    assert all((tmp_path / name).is_symlink() for name in ("plate.svg", "new.svg"))
    assert {p.name: p.read_text() for p in (tmp_path / "shared").iterdir()} == {
        "plate.svg": "new",
        "new.svg": "too",
    }
    (tmp_path / "nowhere.svg").symlink_to(tmp_path / "absent" / "plate.svg")
    with pytest.raises(FileNotFoundError, match=r"/nowhere\.svg'$"):
        write_whole(tmp_path / "nowhere.svg", "x")


def test_whole_file_is_flushed_before_it_takes_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Renamed first, a power cut could leave the new name on an empty file."""
    done: list[tuple[str, bytes]] = []
    fsync, replace = os.fsync, os.replace

    def flushed(handle: int) -> None:
        fsync(handle)
        done.append(("flush", Path(f"/proc/self/fd/{handle}").resolve().read_bytes()))

    def renamed(source: Path, target: Path) -> None:
        done.append(("rename", Path(source).read_bytes()))
        replace(source, target)

    monkeypatch.setattr(os, "fsync", flushed)
    monkeypatch.setattr(os, "replace", renamed)
    with whole_file(tmp_path / "a.txt") as temp:
        temp.write_bytes(b"all of it")
    assert done == [("flush", b"all of it"), ("rename", b"all of it")]
    done.clear()
    write_all_whole({tmp_path / name: name for name in ("a.txt", "b.txt")})
    assert [what for what, _ in done[:2]] == ["flush", "flush"]
    assert [content for what, content in done if what == "rename"] == [b"b.txt", b"a.txt"]
