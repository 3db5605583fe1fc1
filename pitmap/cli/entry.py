"""The ``pitmap`` command and its subcommands, loaded only when they are called."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence

import click

from .. import __version__
from ..errors import InputError, PitmapError

__all__ = ["COMMANDS", "EXIT_INTERRUPTED", "cli", "main"]

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Map the sample job that ships with pitmap."),
    "map": ("map_face", "Turn photos of one face into a map and tables."),
    "plan": ("plan", "How much must come off, what that uses up, and whether to do it."),
    "compare": ("compare", "What changed between surveys of one face, pit by pit."),
    "record": ("record", "Write the record for the customer: PDF, web page, tables."),
    "study": ("study", "How small a change this shop's photos can prove."),
    "drawing": ("drawing", "Build, check, trace, bring in and hand out plate drawings."),
    "target": ("target", "Print the sheet that gives a photo its scale."),
    "casebook": ("casebook", "Look after the store of jobs: check, backup, restore, export."),
    "review": ("review", "Open the review page in a browser."),
}
"""Command -> (module in this package, one line of help)."""

EXIT_INTERRUPTED = 130


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"{__package__}.{COMMANDS[name][0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # The stock version imports every command just to print its help line.
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.command(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="pitmap")
def cli() -> None:
    """From phone photos of a lapped side plate to a map in millimetres and a stock plan.

    Figures from photos support a decision and do not replace measuring: the engine maker's service
    manual and a qualified machinist have the last word.

    Exit codes: 0 done, 1 a fault of pitmap itself, 2 correct the call or the file, 3 this cannot be measured,
    4 the photo could not be aligned, 5 not enough readings, 6 the casebook refused, 130 stopped with Ctrl+C.
    """


def _call(argv: Sequence[str] | None) -> object:
    try:
        return cli.main(
            args=list(argv) if argv is not None else None, prog_name="pitmap", standalone_mode=False
        )
    except OSError as error:
        # A disk that fills up or goes away meanwhile: nothing that a command can look at before its work.
        where = f"{error.filename}: " if error.filename else ""
        raise InputError(
            f"{where}cannot be read or written ({error.strerror or error}); look after the place, or choose another"
        ) from error


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and exit with the code of the error's kind."""
    try:
        code = _call(argv)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.Abort:
        click.echo("stopped", err=True)
        sys.exit(EXIT_INTERRUPTED)
    except PitmapError as error:
        click.echo(f"pitmap: {error}", err=True)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        click.echo("stopped; nothing was half written", err=True)
        sys.exit(EXIT_INTERRUPTED)
    sys.exit(code if isinstance(code, int) else 0)
