"""``pitmap drawing`` keeps its files before it prints: a pipe that closes early loses none."""

from __future__ import annotations

import errno
import io
import sys
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from pitmap import tracing
from pitmap.cli import main
from pitmap.drawing import load_shipped, load_svg, save_dxf, save_svg
from pitmap.estimate import Estimate

NUMBERS = str(files("pitmap.drawing") / "plates" / "heron40_end.numbers.toml")


class NobodyReads(io.StringIO):
    """Standard output into a pipe that is closed at the other end."""

    def write(self, text: str) -> int:
        raise BrokenPipeError(errno.EPIPE, "Broken pipe")


@pytest.fixture
def sources(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, tuple[str, ...]]:
    """What each command is called with; tracing takes no time and finds the shipped end plate."""
    drawing = load_shipped("heron40_end")
    save_svg(drawing, tmp_path / "from.svg")
    save_dxf(drawing, tmp_path / "from.dxf")
    traced = SimpleNamespace(
        drawing=drawing,
        circles=tracing.CIRCLES.empty(),
        notes=("a note",),
        outline_err_mm=0.2,
        size=Estimate(value=1.0, low=0.999, high=1.001),
        suggested_kinds={},
    )
    monkeypatch.setattr(tracing, "read_trace_sources", lambda paths, focal: [np.zeros((2, 3, 3), np.uint8)])
    monkeypatch.setattr(tracing, "trace_plate", lambda photos, known, **options: traced)
    return {
        "build": (NUMBERS,),
        "import svg": (str(tmp_path / "from.svg"),),
        "import dxf": (str(tmp_path / "from.dxf"),),
        "trace": ("face.jpg", "--sheet", "face"),
    }


@pytest.mark.parametrize("called", ["build", "import svg", "import dxf", "trace"])
def test_drawing_is_kept_though_nobody_reads_what_is_printed(
    called: str,
    sources: dict[str, tuple[str, ...]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    out = tmp_path / "plate.svg"
    monkeypatch.setattr(sys, "stdout", NobodyReads())
    with pytest.raises(SystemExit) as end:
        main(["drawing", called.split()[0], *sources[called], "--out", str(out)])
    assert end.value.code == 1
    assert len(load_svg(out).openings) == len(load_shipped("heron40_end").openings)
