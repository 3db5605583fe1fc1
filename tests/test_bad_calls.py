"""Bad input on the command line is one sentence and an exit code."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest
from main_job_survey import DRAWING, run

from pitmap.cli.planning import plan_surveys
from pitmap.errors import InputError


@pytest.mark.parametrize(
    ("argv", "code", "word"),
    [
        (("map", "nowhere.jpg", "--drawing", DRAWING), 2, "nowhere.jpg"),
        (("map", "x.jpg", "--drawing", "no_such_plate.svg"), 2, "no_such_plate"),
        (("map", "x.jpg", "--drawing", DRAWING, "--stage", "later"), 2, "stage"),
        (("map", "x.jpg", "--drawing", DRAWING, "--removed", "22"), 2, "unit"),
        (
            ("map", "x.jpg", "--drawing", DRAWING, "--removed=-22 um"),
            2,
            "'--removed': '-22 um' is below 0; write it as a positive length",
        ),
        (
            ("map", "x.jpg", "--drawing", DRAWING, "--removed-within=-1 um"),
            2,
            "'--removed-within': '-1 um' is below 0",
        ),
        (("map", "x.jpg", "--drawing", DRAWING, "--removed-within", "1 um"), 2, "which is not given"),
        (
            ("map", "x.jpg", "--drawing", DRAWING, "--stage", "test_lap", "--removed", "22 mm"),
            2,
            "22 mm = 0.866 in of a plate 14 mm = 0.551 in thick cannot be (at most 1.4 mm = 0.0551 in); is the unit",
        ),
        (
            ("map", "x.jpg", "--drawing", DRAWING, "--date", "2199-03-01"),
            2,
            "2199-03-01 lies in the future (today is",
        ),
        (("plan", "x", "--housing-dip=-30 um"), 2, "'--housing-dip': '-30 um' is below 0"),
        (
            ("map", "x.jpg", "--drawing", DRAWING, "--removed", "22 um"),
            2,
            "at intake nothing is taken off yet. Leave the 22 um = 0.866 thou out",
        ),
        (("map", "x.jpg", "--drawing", DRAWING, "--landmarks", "none.csv"), 2, "none.csv"),
        (("map",), 2, "PHOTOS"),
        (("plan", "no_folder"), 2, "no_folder"),
        (("drawing", "check", "nothing.svg"), 2, "nothing.svg"),
        (("drawing", "build", "nothing.toml"), 2, "nothing.toml"),
        (
            ("study", "none.csv", "--drawing", DRAWING),
            2,
            "none.csv: cannot be read (No such file or directory)",
        ),
        (
            ("review", "--address", "192.0.2.7", "--port", "8599"),
            2,
            "--address 192.0.2.7 --port 8599: cannot be opened",
        ),
        (("casebook", "restore", "none.zip"), 2, "none.zip"),
        # Places to write are looked at before the work: there is no such photo, survey or plan either.
        (("map", "x.jpg", "--drawing", DRAWING, "--out", "."), 2, "is the folder you are in"),
        (("map", "x.jpg", "--drawing", DRAWING, "--out", "taken"), 2, "'taken' is a file"),
        (("map", "x.jpg", "--drawing", DRAWING, "--out", "letters"), 2, "not an inspection folder"),
        (("plan", "no_folder", "--out", "taken"), 2, "'taken' is a file"),
        (("plan", "no_folder", "--out", "taken/below"), 2, "taken is no folder"),
        (("compare", "no_folder", "--drawing", DRAWING, "--out", "taken"), 2, "'taken' is a file"),
        (("record", "no_folder", "--drawing", DRAWING, "--out", "taken"), 2, "'taken' is a file"),
        (("study", "short.csv", "--drawing", DRAWING, "--out", "none/out.csv"), 2, "there is no folder none"),
        (("drawing", "export", DRAWING, "none/plate.svg"), 2, "there is no folder none"),
        (("drawing", "export", DRAWING, "plate.pdf"), 2, "ends in .svg or .dxf"),
        (("drawing", "export", DRAWING, "blocked.svg"), 2, "blocked.toml: already there"),
        (
            ("drawing", "export", DRAWING, "blocked.svg", "--overwrite"),
            2,
            "blocked.toml: cannot be read or written",
        ),
        (("target", "--out", "none/target.pdf"), 2, "there is no folder none"),
        (("target", "--out", "target.png"), 2, "ends in .pdf"),
        (("drawing", "trace", "x.jpg", "--sheet", "bench", "--out", "a.svg"), 2, "with --thickness"),
        (
            (
                "drawing",
                "trace",
                "x.csv",
                "--known",
                "a",
                "b",
                "100 mm",
                "--print-scale",
                "0.97",
                "--out",
                "a.svg",
            ),
            2,
            "--print-scale 0.97: says how the printed sheet came out, and without --sheet none is looked for",
        ),
        (
            ("drawing", "trace", "x.csv", "--known", "a", "b", "100 mm", "--sheet", "face", "--out", "a.svg"),
            2,
            "--known: with --sheet the scale comes from the printed sheet and this distance would not be used",
        ),
        (
            ("drawing", "trace", "x.csv", "--known", "a", "b", "100", "--out", "a.svg"),
            2,
            "--known: length '100': no unit",
        ),
        (("plan", "no_folder", "--pass", "22 um in 1.2.3 min"), 2, "1.2.3"),
        (
            ("plan", "no_folder", "--pass", "22 mm in 6 min"),
            2,
            "--pass '22 mm in 6 min': Stock taken off: 22 mm = 0.866 in cannot be (at most 5 mm",
        ),
        (("map", "x.jpg", "--drawing", DRAWING, "--face", "A\nB"), 2, "'A\\nB' holds a line end"),
        (
            ("record", "no_folder", "--drawing", DRAWING, "--job", "7\x1b"),
            2,
            "a character that cannot be printed",
        ),
        (("map", "x.jpg", "--drawing", DRAWING, "--date", "1026-03-04"), 2, "is older than any such photo"),
        (
            ("plan", "no_folder", "--pass", "22 um in 1,500 min"),
            2,
            "--pass '22 um in 1,500 min': expected stock",
        ),
        (("plan", "no_folder", "--pass", "22 um in 0 min"), 2, "--pass '22 um in 0 min': expected stock"),
        (("plan", "no_folder", "--pass", "22,5 um in 6,5 min"), 2, "no_folder: no inspection.json"),
        (
            ("plan", "no_folder", "--confidence", "nan"),
            2,
            "'--confidence': 'nan' is no number from 0.5 to 0.999",
        ),
        (
            ("map", "x.jpg", "--drawing", DRAWING, "--scale", "nan"),
            2,
            "'--scale': 'nan' is no number from 2 to 20",
        ),
        (("map", "x.jpg", "--drawing", DRAWING, "--scale", "25"), 2, "Invalid value for '--scale': 25"),
        (("study", "short.csv", "--drawing", DRAWING), 2, "short.csv, line 2, column photo: missing"),
        (
            ("study", "absent.csv", "--drawing", DRAWING),
            2,
            "absent.csv, line 2, column photo: there is no file",
        ),
        (
            ("study", "semicolons.csv", "--drawing", DRAWING),
            2,
            "semicolons.csv, line 2, column photo: there is no",
        ),
        (("study", "header.csv", "--drawing", DRAWING), 2, "header.csv: lists no photo"),
        (
            ("study", "text.csv", "--drawing", DRAWING),
            2,
            "pitmap: 4 of the 4 photos cannot be used; take them anew:\n  rear/text.jpg: not a picture",
        ),
        (("study", "text.csv", "--drawing", DRAWING), 2, "  22.jpg: not a picture"),
        (("study", "text.csv", "--drawing", DRAWING, "--out", "text.csv"), 2, "text.csv: is the list itself"),
        (
            ("study", "endless.csv", "--drawing", DRAWING),
            2,
            "line 2, column trial: '99999999999999999999' is not a whole",
        ),
        (
            ("study", "nameless.csv", "--drawing", DRAWING),
            2,
            "nameless.csv, line 2, column operator: is empty",
        ),
        # Said before the first photo is mapped.
        (("study", "lacking.csv", "--drawing", DRAWING), 2, "operator Ada has 1 of 2 for face 2"),
        (
            ("study", "same.csv", "--drawing", DRAWING),
            2,
            "same.csv, line 5, column photo: 'rear/text.jpg' is the very picture of same.csv, line 2; a repeat is a photo",
        ),
        (
            ("map", "front/text.jpg", "rear/text.jpg", "--drawing", DRAWING),
            2,
            "pitmap: front/text.jpg: not a picture",
        ),
        (("casebook", "restore", "none.zip", "--casebook", "taken"), 6, "put it aside with --overwrite"),
        (("nonsense",), 2, "nonsense"),
    ],
)
def test_bad_input_is_a_sentence_and_a_code(
    argv: tuple[str, ...],
    code: int,
    word: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    (tmp_path / "taken").touch()
    (tmp_path / "blocked.toml").mkdir()
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "letter.txt").touch()
    for folder in ("front", "rear"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "text.jpg").write_text("no picture", encoding="utf-8")
    head = "part,operator,trial,photo\n"
    (tmp_path / "header.csv").write_text(head, encoding="utf-8")
    repeats = [(p, t, tmp_path / f"{p}{t}.jpg") for p in ("1", "2") for t in ("1", "2")]
    repeats[0] = ("1", "1", tmp_path / "rear" / "text.jpg")
    for part, trial, path in repeats:
        path.write_text(f"no picture {part} {trial}", encoding="utf-8")
    listed = [f"{p},Ada,{t},{path.relative_to(tmp_path).as_posix()}" for p, t, path in repeats]
    (tmp_path / "text.csv").write_text(head + "\n".join(listed), encoding="utf-8")
    (tmp_path / "lacking.csv").write_text(head + "\n".join(listed[:3]), encoding="utf-8")
    (tmp_path / "same.csv").write_text(
        head + "\n".join([*listed[:3], "2,Ada,2,rear/text.jpg"]), encoding="utf-8"
    )
    (tmp_path / "semicolons.csv").write_text(f"{head}1,Ada,1,a.jpg\n".replace(",", ";"), encoding="utf-8")
    (tmp_path / "short.csv").write_text("part,operator,trial,photo\n1,Ada,1\n", encoding="utf-8")
    (tmp_path / "absent.csv").write_text("part,operator,trial,photo\n1,Ada,1,a.jpg\n", encoding="utf-8")
    (tmp_path / "endless.csv").write_text(f"{head}1,Ada,{'9' * 20},rear/text.jpg\n", encoding="utf-8")
    (tmp_path / "nameless.csv").write_text(f"{head}1, ,1,rear/text.jpg\n", encoding="utf-8")
    assert run(*argv) == code
    said = capsys.readouterr().err
    assert word in said
    assert "Traceback" not in said


def test_landmark_file_names_line_and_column(tmp_path: Path) -> None:
    from pitmap.registration import read_landmarks

    path = tmp_path / "picks.csv"
    path.write_text("x_mm,y_mm,x_px,y_px\n1,2,3,4\n1,2,abc,4\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 3, column x_px"):
        read_landmarks(path)
    path.write_text("x_mm,y_mm,x_px,y_px\n1,2,3,4\n", encoding="utf-8")
    with pytest.raises(InputError, match="four or more"):
        read_landmarks(path)
    # as a spreadsheet writes it where the comma is the decimal sign
    rows = "".join(f"{k},5;{k * k},25;1{k},125;7\n" for k in range(4))
    path.write_text(f"X_mm;Y_mm; x_px;y_px\n{rows}", encoding="utf-8")
    picks = read_landmarks(path)
    assert picks.points_mm[2].tolist() == [2.5, 4.25] and picks.points_px[3].tolist() == [13.125, 7]


def test_how_far_the_dip_may_be_off_is_no_use_without_the_dip() -> None:
    """It was passed over without a word, as if the joint's gap were judged with it."""
    choices = {"readings": None, "face": None, "keep_good": False, "limits": None, "confidence": 0.9}
    with pytest.raises(
        InputError, match="--housing-dip-within: says how far --housing-dip may be off, which is not"
    ):
        plan_surveys([], "mm", drawing=None, housing_dip=None, housing_dip_within=3.0, **choices)


@pytest.mark.parametrize(
    ("given", "said"),
    [({"face": "Z"}, "--face 'Z': says which rows"), ({"keep_good": True}, "--keep-good: says which rows")],
)
def test_which_rows_to_take_is_no_use_without_a_sheet_of_readings(
    given: dict[str, object], said: str
) -> None:
    """A face that no sheet and no survey knows was passed over without a word, and the plan was that of another one."""
    choices = {"readings": None, "face": None, "keep_good": False, "limits": None, "confidence": 0.9, **given}
    with pytest.raises(InputError, match=said):
        plan_surveys([], "mm", drawing=None, housing_dip=None, housing_dip_within=None, **choices)


@pytest.mark.parametrize(
    ("address", "is_open"), [("127.0.0.1", False), ("localhost", False), ("0.0.0.0", True)]
)
def test_page_that_others_can_reach_is_opened_with_a_warning(
    address: str, is_open: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever opens it to the shop's phones should read once that nobody is asked for a password."""
    monkeypatch.setattr("pitmap.cli.review._serve", lambda *args: 0)
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        port = door.getsockname()[1]
    assert run("review", "--address", address, "--port", str(port)) == 0
    assert ("no passwords, so everybody on that network" in capsys.readouterr().err) == is_open


@pytest.mark.parametrize(
    ("argv", "word"),
    [
        (("map", "card/x.jpg", "--drawing", DRAWING), "card/x_pitmap cannot be made, because"),
        (("study", "none.csv", "--drawing", DRAWING, "--out", "card/out.csv"), "'--out': card/out.csv: nothing may be"),
        (("drawing", "export", DRAWING, "card/plate.svg"), "'OUT': card/plate.svg: nothing may be written to the folder"),
        (("target", "--out", "card/here.pdf"), "'--out': card/here.pdf: nothing may be written to the folder"),
    ],
)  # fmt: skip
def test_place_that_may_not_be_written_to_is_told_before_the_work(
    argv: tuple[str, ...],
    word: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A camera's locked card: the folder beside the photo, and the table of a study, were refused when all was mapped."""
    monkeypatch.chdir(tmp_path)
    card = tmp_path / "card"
    card.mkdir()
    (card / "here.pdf").touch()
    may = os.access
    monkeypatch.setattr(os, "access", lambda at, how: Path(at).resolve() != card and may(at, how))
    assert run(*argv) == 2
    assert word in capsys.readouterr().err
