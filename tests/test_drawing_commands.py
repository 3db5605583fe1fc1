"""``pitmap drawing`` loses no file: neither to a pipe that closes early, nor to a drawing of the same name."""

from __future__ import annotations

import errno
import io
import sys
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import ezdxf
import numpy as np
import pandas as pd
import pytest
from shapely import box

from pitmap import tracing
from pitmap.cli import main
from pitmap.drawing import Drawing, Opening, load_shipped, load_svg, save_dxf, save_svg
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


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ((), "not known, because nobody measured the printed line"),
        (("--print-scale", "0.97"), "scale: sure to 0.10 %"),
    ],
)
def test_trace_is_not_sure_of_a_print_that_nobody_measured(
    more: tuple[str, ...],
    told: str,
    sources: dict[str, tuple[str, ...]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A sheet printed at 97 % makes every length 3 % too large, and the command said that it was sure to 0.1 %."""
    assert run("trace", *sources["trace"], *more, "--out", str(tmp_path / "plate.svg")) == 0
    assert told in capsys.readouterr().out


@pytest.mark.parametrize("called", ["mirror", "trace"])
def test_a_plate_without_a_name_is_refused_before_the_work(
    called: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "plate.svg")
    rest = {
        "mirror": ["heron40_end", out],
        "trace": [str(tmp_path), "--sheet", "bench", "--thickness", "12 mm", "--out", out],
    }
    assert run(called, *rest[called], "--name", " ") == 2
    assert "--name" in (said := capsys.readouterr().err) and "is empty" in said
    assert not (tmp_path / "plate.svg").exists()


def run(*argv: str) -> int:
    """The exit code of ``pitmap drawing``."""
    with pytest.raises(SystemExit) as stop:
        main(["drawing", *argv])
    return int(stop.value.code or 0)


@pytest.mark.parametrize(
    ("argv", "taken"),
    [
        (("mirror", "mine.svg", "mine.svg", "--name", "B"), "mine.svg and mine.toml"),
        (("export", "mine.svg", "mine.dxf"), "mine.toml"),
        (("build", NUMBERS, "--out", "mine.svg"), "mine.svg and mine.toml"),
        (("import", "mine.svg", "--out", "mine.svg"), "mine.svg and mine.toml"),
        (("import", "part.dxf", "--out", "new.svg", "--save-layers", "mine.toml"), "mine.toml"),
        (("trace", "face.jpg", "--sheet", "face", "--out", "mine.svg"), "mine.svg and mine.toml"),
    ],
)
def test_drawing_never_writes_over_a_file_unasked(
    argv: tuple[str, ...],
    taken: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    save_svg(load_shipped("heron40_end"), tmp_path / "mine.svg")
    toml = tmp_path / "mine.toml"
    toml.write_text(f"# a comment of mine\n{toml.read_text(encoding='utf-8')}", encoding="utf-8")
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    assert run(*argv) == 2
    assert f"{taken}: already there" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_mirror_replaces_a_file_when_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    save_svg(load_shipped("heron40_end"), tmp_path / "mine.svg")
    assert run("mirror", "mine.svg", "mine.svg", "--name", "B", "--overwrite") == 0
    assert load_svg(tmp_path / "mine.svg").name == "B"


@pytest.mark.parametrize("more", [(), ("--overwrite",), ("--out", "plate.dxf", "--overwrite")])
def test_build_never_writes_over_its_numbers(
    more: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    numbers = Path(NUMBERS).read_bytes()
    (tmp_path / "plate.toml").write_bytes(numbers)
    assert run("build", "plate.toml", *more) == 2
    assert "would replace these numbers" in capsys.readouterr().err
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("plate.toml", numbers)]


@pytest.mark.parametrize(
    ("option", "sheet", "told"),
    [
        ("--save-layers", "new.toml", "would replace this"),
        ("--layers", "new.toml", "would replace this"),
        ("--save-layers", "part.dxf", "is the drawing that is read"),
    ],
)
def test_import_never_writes_over_what_its_layers_mean(
    option: str,
    sheet: str,
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The list of layers was written, and at once the TOML beside the drawing over it, without a word."""
    monkeypatch.chdir(tmp_path)
    save_dxf(load_shipped("heron40_end"), tmp_path / "part.dxf")
    if option == "--layers":
        (tmp_path / "new.toml").write_text('[map]\nbolt = "opening:bolt"\n', encoding="utf-8")
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    assert run("import", "part.dxf", "--out", "new.svg", option, sheet, "--overwrite") == 2
    assert told in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


@pytest.mark.parametrize("ending", ["svg", "dxf"])
def test_what_is_left_out_of_a_drawing_is_told_by_whatever_reads_it(
    ending: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A hole that nothing names is metal in the drawing; the check of the file said that nothing was found."""
    path = tmp_path / f"plate.{ending}"
    if ending == "svg":
        path.write_text(
            '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="80mm" viewBox="0 0 100 80">'
            '<rect id="outline" width="100" height="80"/><circle id="c1" cx="20" cy="20" r="5"/></svg>'
        )
    else:
        document = ezdxf.new("R2010", setup=False)
        document.header["$INSUNITS"] = 4
        space = document.modelspace()
        space.add_lwpolyline(
            [(0, 0), (100, 0), (100, 80), (0, 80)], close=True, dxfattribs={"layer": "outline"}
        )
        space.add_circle((20, 20), 5, dxfattribs={"layer": "drilled"})
        document.saveas(path)
    run("check", str(path))
    assert f"{path}: " in (told := capsys.readouterr().err) and "left out" in told
    run("export", str(path), str(tmp_path / "out.svg"))
    assert "left out" in capsys.readouterr().err
    run("check", str(tmp_path / "out.svg"))
    assert capsys.readouterr().err == ""


def test_numbers_that_are_not_there_are_told_before_anything_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command said that its TOML would replace these numbers, of a file that nobody has."""
    monkeypatch.chdir(tmp_path)
    assert run("build", "plate.toml") == 2
    assert "plate.toml: cannot be read (No such file or directory)" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ('[limits.total_stok]\nvalue = "150 um"\nsource = "page 12"', "error: limits: total_stok: unknown entry"),
        ('[limits.total_stock]\nvalue = "150"\nsource = "page 12"', "error: limits: total_stock: length '150': no unit"),
        ('[limits.total_stock]\nvalue = "150 um"\nsource = "page 12"', "nothing found"),
    ],
)  # fmt: skip
def test_check_reads_the_limits_beside_the_drawing(
    tmp_path: Path, limits: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The check found nothing in a file that the plan refuses as its limit sheet."""
    save_svg(load_shipped("heron40_end"), tmp_path / "plate.svg")
    beside = tmp_path / "plate.toml"
    text = beside.read_text(encoding="utf-8")
    beside.write_text(text.partition("[limits")[0] + limits, encoding="utf-8")
    with pytest.raises(SystemExit) as end:
        main(["drawing", "check", str(tmp_path / "plate.svg")])
    assert end.value.code == (0 if said == "nothing found" else 2)
    printed = capsys.readouterr().out
    assert said in printed
    assert ("nothing found" in printed) == (said == "nothing found")


def test_check_speaks_inch_where_that_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The page said all of this in inch, the command in mm alone. Two ports of 25.4 x 50.8 mm share 25.4 x 10.16 mm."""
    first, second = (
        Opening(name=name, kind="port", polygon=box(x, 50.8, x + 50.8, 76.2))
        for name, x in (("port_01", 25.4), ("port_02", 66.04))
    )
    plate = Drawing(
        name="plate", thickness_mm=50.8, outline=box(0, 0, 254, 254), openings=(first, second),
        zones={"rim": box(0, 200, 254, 254)},
    )  # fmt: skip
    save_svg(plate, tmp_path / "plate.svg")
    for units, where, common, rim in (
        ("mm", "at x 71.1, y 63.5 mm: ", " 258 mm2", "rim 13716.0 mm2"),
        ("inch", "at x 2.800, y 2.500 in: ", " 0.4 in2", "rim 21.2598 in2"),
    ):
        assert run("check", str(tmp_path / "plate.svg"), "--units", units) == 2
        said = capsys.readouterr().out
        (overlap,) = [line for line in said.splitlines() if "overlaps opening" in line]
        assert where in overlap and overlap.endswith(common), said
        assert rim in said and (units == "mm" or " mm" not in said)


@pytest.mark.parametrize("called", ["build", "import svg", "import dxf", "trace"])
def test_new_drawing_is_reported_in_inch_where_that_is_asked_for(
    called: str,
    sources: dict[str, tuple[str, ...]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The same report as of the check, which spoke inch already."""
    rim_mm2 = load_shipped("heron40_end").zones["rim"].area
    for units, rim in (("mm", f"rim {rim_mm2:.1f} mm2"), ("inch", f"rim {rim_mm2 / 645.16:.4f} in2")):
        out = str(tmp_path / f"{units}.svg")
        assert run(called.split()[0], *sources[called], "--out", out, "--units", units) == 0
        said = capsys.readouterr().out
        assert rim in said
        assert units == "mm" or " mm2" not in said


def test_trace_tells_its_circles_in_the_units_asked_for(
    sources: dict[str, tuple[str, ...]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A hole of half an inch, an inch from the origin; the outline is sure to 0.2 mm, 0.0079 in."""
    traced = tracing.trace_plate([], None)
    traced.circles = pd.DataFrame(
        {"name": ["hole_01"], "x_mm": [25.4], "y_mm": [0.0], "diameter_mm": [12.7], "n_photos": [3]}
    )
    for units, circle, outline in (
        (
            "mm",
            "name hole_01, x 25.400 mm, y 0.000 mm, diameter 12.700 mm, n_photos 3",
            "sure to 0.200 mm across",
        ),
        (
            "inch",
            "name hole_01, x 1.0000 in, y 0.0000 in, diameter 0.5000 in, n_photos 3",
            "sure to 0.0079 in across",
        ),
    ):
        assert run("trace", *sources["trace"], "--out", str(tmp_path / f"{units}.svg"), "--units", units) == 0
        said = capsys.readouterr().out
        assert circle in said and outline in said


@pytest.mark.parametrize("called", ["build", "import"])
def test_new_drawing_is_reported_with_what_is_wrong_of_its_limits(
    called: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It said "nothing found", and the check of the very file that it had written found an error."""
    numbers, plate = tmp_path / "plate.numbers.toml", tmp_path / "plate.svg"
    text = Path(NUMBERS).read_text(encoding="utf-8")
    numbers.write_text(
        text.replace("[limits.flatness]\nvalue = 40", "[limits.flatness]\nvalue = nan"), encoding="utf-8"
    )
    run("build", str(numbers), "--out", str(plate))
    if called == "import":
        capsys.readouterr()
        run("import", str(plate), "--out", str(tmp_path / "again.svg"))
    said = capsys.readouterr().out
    assert "error: limits: flatness: length 'nan um': expected a number and a unit" in said
    assert "nothing found" not in said


def test_numbers_that_make_no_plate_are_told_with_their_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The refusal named the plate alone, and of several files of one plate nobody knew which was meant."""
    numbers = tmp_path / "plate.numbers.toml"
    text = Path(NUMBERS).read_text(encoding="utf-8")
    numbers.write_text(text.replace("land_width_mm = 6.0", "land_width_mm = 600.0"), encoding="utf-8")
    for argv in (("build", str(numbers)), ("check", str(numbers))):
        assert run(*argv) == 2
        assert f"{numbers}: plate 'Heron 40 end plate': " in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plate.numbers.toml"]
