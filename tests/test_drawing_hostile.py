"""200 broken or hostile drawing files: a sentence each, nothing fetched or run, bounded time and memory."""

from __future__ import annotations

import resource
import sys
import time

import hostile_drawings as hostile
import pytest

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
def test_200_hostile_files(tmp_path):
    global _watched
    secret = tmp_path / "secret.txt"
    secret.write_text("M0 0 H50 V50 Z")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    trouble = []
    for seed in range(200):
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
