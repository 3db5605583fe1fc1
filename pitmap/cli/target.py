"""``pitmap target``: the printed sheet that gives a photo its scale."""

from __future__ import annotations

from pathlib import Path

import click

from .options import PDF_FILE

__all__ = ["command"]


@click.command(name="target")
@click.option(
    "--paper",
    type=click.Choice(["A4", "letter"]),
    default="A4",
    show_default=True,
    help="Paper in the printer.",
)
@click.option("--out", type=PDF_FILE, default=Path("target.pdf"), show_default=True, help="PDF to write.")
def command(paper: str, out: Path) -> None:
    """Write the target sheet as a PDF at true size; print it at 100 %, and measure the printed line."""
    from ..registration.target_sheet import target_sheet_pdf

    path = target_sheet_pdf(out, paper)
    click.echo(f"written to {path}; print it at 100 % and check that the printed line measures 100 mm")
