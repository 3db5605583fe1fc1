"""The README's promises: its headings, its commands, every command named."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import click
import report_fakes

from pitmap.cli.entry import COMMANDS, EXIT_INTERRUPTED, cli

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def block_under(heading: str) -> str:
    match = re.search(rf"^## {heading}$.*?```bash\n(.*?)\n```", README, re.S | re.M)
    assert match, f"no fenced command under {heading}"
    return match[1]


def test_run_and_test_are_one_command_each() -> None:
    assert block_under("Run") == "bash .ci/demo"
    assert block_under("Test") == "bash .ci/test"
    for name in ("demo", "test", "setup", "run"):
        assert (ROOT / ".ci" / name).is_file()


def test_every_command_is_documented() -> None:
    for name in COMMANDS:
        assert f"`pitmap {name}" in README, name


def options_without_help(command: click.Command, name: str) -> list[str]:
    if isinstance(command, click.Group):
        with click.Context(command) as context:
            within = {n: command.get_command(context, n) for n in command.list_commands(context)}
        return [o for n, c in within.items() if c for o in options_without_help(c, f"{name} {n}")]
    return [f"{name} {p.opts[0]}" for p in command.params if isinstance(p, click.Option) and not p.help]


def test_every_option_says_what_it_is_for() -> None:
    assert options_without_help(cli, "pitmap") == []


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    first = README.split("\n\n")[1]
    assert "rotary engines" in first and "stock plan" in first


def test_pictures_named_exist() -> None:
    for path in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / path).is_file(), path


def test_exit_codes_are_documented() -> None:
    from pitmap import errors

    told = re.search(r"^Exit codes: (.*(?:\n.+)*)", README, re.M)
    assert told
    codes = {int(code) for code in re.findall(r"\b(\d+) [a-z]", told[1])}
    of_errors = {getattr(errors, name).exit_code for name in errors.__all__}
    assert codes == {0, EXIT_INTERRUPTED, *of_errors}


def test_top_level_holds_the_agreed_names_only() -> None:
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "app.py",
        "pitmap",
        "tests",
        "sample_images_synthetic",
    }
    made = {"pitmap_out", "build", "dist", "pitmap.egg-info", "record", "target.pdf"}
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} <= agreed | made


def test_what_a_sheet_of_readings_and_of_limits_may_hold_is_documented() -> None:
    from pitmap.depth import CSV_COLUMNS, READING_KINDS
    from pitmap.stock import LIMIT_TEXT

    own_photos = README.split("## Your own photos")[1].split("| command |")[0]
    told = set(re.findall(r"`([a-z_]+)`", own_photos))
    assert {*CSV_COLUMNS, *READING_KINDS, *LIMIT_TEXT} <= told


def test_the_limit_sheet_of_the_readme_is_read(tmp_path: Path) -> None:
    from pitmap.stock import read_limits

    block = re.search(r"```toml\n(.*?)```", README, re.S)
    assert block
    (tmp_path / "limits.toml").write_text(block[1], encoding="utf-8")
    assert read_limits(tmp_path / "limits.toml").value("total_stock") == 150.0


DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_main_calls_of_the_stages_exist() -> None:
    calls = re.findall(r"^\| `(\w+)(?:/|\.py|\.py`)?`? \|[^|]*\| (`.*) \|$", DEVELOPERS, re.M)
    found = [(stage, name) for stage, cell in calls for name in re.findall(r"`(\w+)\(", cell)]
    assert {("report", "record_zip"), ("drawing", "load_drawing"), ("tracing", "trace_plate")} <= set(found)
    for stage, name in found:
        assert hasattr(importlib.import_module(f"pitmap.{stage}"), name), f"pitmap.{stage}.{name}"


def test_columns_that_stages_agree_on_are_those_of_their_tables() -> None:
    from pitmap.depth import READINGS
    from pitmap.measure import LANDS, MARKS, ZONES

    said = DEVELOPERS.split("## Columns that stages agree on")[1].split("\n## ")[0].strip().split("\n\n")
    told = {text.split("`")[1]: set(re.findall(r"`([a-z0-9_]+)`", text)) for text in said}
    for table in (MARKS, ZONES, LANDS, READINGS):
        assert set(table.names) <= told[table.name], table.name


def test_what_is_said_of_an_inspection_exists() -> None:
    from pitmap import inspection
    from pitmap.inspection import files

    said = DEVELOPERS.split("## Inspection")[1].split("\n## ")[0]
    for name in re.findall(r"`(\w+)\(", said):
        assert hasattr(inspection, name), name
    assert sorted(set(re.findall(r"`([\w]+\.(?:json|png|jpg|csv))`", said))) == sorted(files._FILES)


def test_readme_and_record_say_the_same_of_scores_that_go_unseen() -> None:
    """The customer's record promised to show scores from a fifth of a millimetre on, the README from 0.35 mm on.

    In a record in inch it was said in mm: 0.35 mm are 0.0138 in.
    """
    from pitmap.report import build_document

    assert "0.35 mm wide mostly go unseen" in README
    shown = {}
    for units in ("mm", "inch"):
        record = report_fakes.make_record(units=units)
        method = next(s for s in build_document(record).sections if s.key == "method")
        shown[units] = [b.text for b in method.blocks if b.text.startswith("Shallow scores")]
    for units, width in (("mm", "0.35 mm"), ("inch", "0.014 in")):
        assert [text.split(" in a photo")[0] for text in shown[units]] == [
            f"Shallow scores, and those under {width} wide, mostly go unseen"
        ]
