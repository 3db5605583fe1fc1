"""``pitmap casebook``: look after the store of jobs."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["command"]

_WHERE = click.option(
    "--casebook",
    "target",
    default=None,
    metavar="URL",
    help="File, folder or database URL; else what the variable PITMAP_CASEBOOK says, or casebook.db in your data folder.",
)


@click.group(name="casebook")
def command() -> None:
    """Look after the store of jobs: check, backup, restore, export."""


@command.command(name="check")
@_WHERE
@click.option("--quick", is_flag=True, help="Sizes only; do not read every kept file.")
def check(target: str | None, quick: bool) -> int:
    """Name everything that is missing, damaged or left over; exit code 6 when something is missing or damaged."""
    from ..casebook import Casebook

    with Casebook(target, create=False) as book:
        report = book.check(deep=not quick)
    for sentence in report.sentences():
        click.echo(sentence)
    return 0 if report.ok else 6


@command.command(name="backup")
@click.argument("zip_file", type=click.Path(path_type=Path))
@_WHERE
@click.option("--overwrite", is_flag=True, help="Replace an older backup of that name.")
@click.option("--damaged-ok", is_flag=True, help="Leave out damaged files and list them instead of refusing.")
def backup(zip_file: Path, target: str | None, overwrite: bool, damaged_ok: bool) -> None:
    """Write everything into one ZIP with the hash of each file."""
    from ..casebook import Casebook

    with Casebook(target, create=False) as book:
        report = book.backup(zip_file, overwrite=overwrite, damaged_ok=damaged_ok)
    click.echo(f"{report.n_rows} records and {report.n_files} files kept in {zip_file}")
    for lost in report.lost:
        click.echo(f"left out, because it is damaged or missing: {lost}")


@command.command(name="restore")
@click.argument("zip_file", type=click.Path(path_type=Path))
@_WHERE
@click.option("--overwrite", is_flag=True, help="Put aside the casebook that is there.")
def restore(zip_file: Path, target: str | None, overwrite: bool) -> None:
    """Make a casebook from a backup, once every hash in it was found to be right."""
    from ..casebook.restore import restore as restore_backup

    report = restore_backup(zip_file, target, overwrite=overwrite)
    click.echo(f"{report.n_rows} records and {report.n_files} files restored to {report.place}")
    if report.set_aside:
        click.echo(f"the casebook that was there is now at {report.set_aside}")
    for lost in report.lost:
        click.echo(f"was lost already when the backup was made: {lost}")


@command.command(name="export")
@click.argument("out", type=click.Path(path_type=Path))
@_WHERE
@click.option("--no-files", is_flag=True, help="Tables only, without photos and other kept files.")
def export(out: Path, target: str | None, no_files: bool) -> None:
    """Write the casebook for other programs: JSON, a CSV per table, and the kept files."""
    from ..casebook import Casebook

    with Casebook(target, create=False) as book:
        book.export(out, files=not no_files)
    click.echo(f"written to {out}")
