"""Broken or hostile drawing files: a sentence each, nothing fetched or run, bounded time and memory."""

from __future__ import annotations

import resource
import sys
import time

import hostile_drawings as hostile
import pytest
from rounds import long

from pitmap.drawing import load_drawing
from pitmap.errors import DrawingError

TIME_S = 20.0
"""Per file, on a busy machine; the worst takes about a second on an idle one."""
MEMORY_KB = 600_000
"""Growth of the whole process over all files; the largest file is about 2 MB."""

_watched: list[str] | None = None
_OUTWARD = (
    "socket.",
    "subprocess.",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "urllib.",
    "webbrowser.",
    "ftplib.",
)


def _audit(event: str, args: tuple) -> None:
    # An audit hook cannot be taken out again, so it sleeps outside the test.
    if _watched is None:
        return
    if event.startswith(_OUTWARD) or (event == "open" and "secret" in str(args[0])):
        _watched.append(f"{event} {args!r}")


sys.addaudithook(_audit)


@pytest.mark.slow
@pytest.mark.parametrize("n_files", [80, long(200)])
def test_hostile_files(tmp_path, n_files):
    global _watched
    secret = tmp_path / "secret.txt"
    secret.write_text("M0 0 H50 V50 Z")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    trouble = []
    for seed in range(n_files):
        ending, content = hostile.hostile_file(seed, str(secret))
        path = tmp_path / f"bad_{seed}{ending}"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        start = time.monotonic()
        _watched = []
        try:
            drawing = load_drawing(path)
            trouble.append((seed, f"was taken: {drawing.name}"))
        except DrawingError as error:
            text = str(error)
            if str(path) not in text or "\n" in text or not 20 < len(text) - len(str(path)) < 500:
                trouble.append((seed, f"no sentence: {text!r}"))
        except Exception as error:
            trouble.append((seed, f"leaked {type(error).__name__}: {error}"))
        finally:
            events, _watched = _watched, None
        if events:
            trouble.append((seed, f"reached out: {events[:2]}"))
        if time.monotonic() - start > TIME_S:
            trouble.append((seed, f"took {time.monotonic() - start:.1f} s"))
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert not trouble, "\n".join(f"{seed}: {what}" for seed, what in trouble)
    assert grown < MEMORY_KB


@pytest.mark.parametrize("depth", [1_000, 200_000])
def test_deep_nesting_does_not_use_the_stack(tmp_path, depth):
    path = tmp_path / "deep.svg"
    path.write_text(hostile.svg(hostile.OUTLINE + "<g>" * depth + "</g>" * depth))
    with pytest.raises(DrawingError):
        load_drawing(path)


@pytest.mark.parametrize("digits", [400, 5000])
@pytest.mark.parametrize("name", ["plate.toml", "beside.toml"])
def test_number_of_hundreds_of_digits_is_refused_with_its_file(name, digits, tmp_path):
    """No float holds 400 digits, and no whole number is read from 5,000."""
    trace = "[trace]\neccentricity_mm=12\nradius_mm=85\n" if name == "plate.toml" else ""
    (tmp_path / name).write_text(f"name='p'\nthickness_mm={'9' * digits}\n{trace}", encoding="utf-8")
    with pytest.raises(DrawingError, match=f"{name}.{{0,250}}$"):
        load_drawing(tmp_path / name)


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
def test_toml_that_is_not_utf8_is_told_how_to_save_it(encoding, tmp_path):
    """'utf-8' codec can't decode byte 0xe4 told nobody what to do."""
    (tmp_path / "plate.toml").write_text("name='Läppplatte'\n", encoding=encoding)
    with pytest.raises(DrawingError, match=r"plate\.toml: is not UTF-8 text; save it in UTF-8$"):
        load_drawing(tmp_path / "plate.toml")


def test_toml_with_a_byte_order_mark_is_read(tmp_path):
    """As some editors write every file."""
    text = "name='p'\nthickness_mm=20\nland_width_mm=6\n[trace]\neccentricity_mm=12\nradius_mm=85\n"
    (tmp_path / "plate.toml").write_text(text, encoding="utf-8-sig")
    assert load_drawing(tmp_path / "plate.toml").name == "p"
