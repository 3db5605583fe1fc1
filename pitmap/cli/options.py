"""Options and types that several commands share."""

from __future__ import annotations

import math
import os
import unicodedata
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import click

from ..classes import Stage
from ..drawing import Drawing, check_drawing, load_with_notes
from ..errors import InputError
from ..estimate import Estimate
from ..units import AS_POSITIVE, parse_length

__all__ = [
    "DRAWING",
    "DRAWING_FILE",
    "NAME",
    "OUT_FILE",
    "OUT_FOLDER",
    "PDF_FILE",
    "RESULT_FOLDER",
    "SOUND_DRAWING",
    "STAGE",
    "SURVEY_DATE",
    "NumberRange",
    "StockType",
    "units_option",
    "with_error",
]


class _StageType(click.ParamType):
    name = "stage"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Stage:
        try:
            return value if isinstance(value, Stage) else Stage(value)
        except InputError as error:
            self.fail(str(error), param, ctx)


class _DrawingType(click.ParamType):
    name = "drawing"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Drawing:
        if isinstance(value, Drawing):
            return value
        try:
            drawing, notes = load_with_notes(value)
        except InputError as error:
            self.fail(str(error), param, ctx)
        # A hole that nothing names, or that is hidden, is metal from here on.
        for note in notes:
            click.echo(f"{value}: {note}", err=True)
        return drawing


class _SoundDrawingType(_DrawingType):
    """A drawing that figures are taken from: one that the check finds errors in would make them wrong."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Drawing:
        drawing = super().convert(value, param, ctx)
        findings = check_drawing(drawing, poses=False)
        errors = [f for f in findings if f.severity == "error"]
        if errors:
            more = f", and {len(errors) - 1} more" if len(errors) > 1 else ""
            self.fail(
                f"{value}: {errors[0].element} {errors[0].text}{more}; figures from this drawing would be wrong. "
                "Correct it: `pitmap drawing check` lists all that is wrong and where",
                param,
                ctx,
            )
        # no error, but a thickness of 2 mm bends every wall that the photo shows
        for f in findings:
            if f.severity == "warning":
                click.echo(f"{value}: {f.element} {f.text}", err=True)
        return drawing


class _NameType(click.ParamType):
    """A name for the record and its files: one line of characters that can be printed."""

    name = "text"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if any(unicodedata.category(c) in ("Cc", "Cs") for c in value):
            self.fail(
                f"{value!r} holds a line end or a character that cannot be printed; write it again",
                param,
                ctx,
            )
        return str(value)


class StockType(click.ParamType):
    """A depth with its unit, from 0 up, as um."""

    name = "length"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        try:
            depth_um = parse_length(value, to="um")
        except InputError as error:
            self.fail(str(error), param, ctx)
        if depth_um < 0:
            self.fail(f"{value!r} is below 0; {AS_POSITIVE}", param, ctx)
        return depth_um


class _DateType(click.ParamType):
    name = "yyyy-mm-dd"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        from ..entered_day import check_day

        if isinstance(value, date):
            return value
        try:
            day = date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is not a date such as 2026-03-14", param, ctx)
        try:
            check_day(day)
        except InputError as error:
            self.fail(str(error), param, ctx)
        return day


class NumberRange(click.FloatRange):
    """A number from one to another; click's own range lets "nan" through, which is neither below nor above."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is no number from {self.min} to {self.max}", param, ctx)
        return number


class _FolderToWrite(click.Path):
    """A folder to write, made when it is missing; looked at before the work, so that no result is lost at its end."""

    def __init__(self) -> None:
        super().__init__(file_okay=False, writable=True, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        above = next(p for p in path.absolute().parents if p.exists())
        if not above.is_dir() or not (path.exists() or os.access(above, os.W_OK)):
            self.fail(
                f"{path} cannot be made, because {above} is no folder that may be written to; name another with --out",
                param,
                ctx,
            )
        return path


class _ResultFolder(_FolderToWrite):
    """A folder for what is made of surveys, which must not be one of them: its next map would be refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        path = super().convert(value, param, ctx)
        if (path / "inspection.json").exists():
            self.fail(f"{path} holds a survey; name another folder", param, ctx)
        return path


class _FileToWrite(click.Path):
    """A file to write into a folder that is there, by one of some endings; looked at before the work."""

    def __init__(self, *endings: str) -> None:
        super().__init__(dir_okay=False, writable=True, path_type=Path)
        self.endings = endings

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        if self.endings and path.suffix.lower() not in self.endings:
            self.fail(f"{path}: give a name that ends in {' or '.join(self.endings)}", param, ctx)
        if not path.absolute().parent.is_dir():
            self.fail(f"{path}: there is no folder {path.parent}; make it first", param, ctx)
        # one that is there is replaced by another beside it; of a link, beside what it leads to
        within = Path(os.path.realpath(path)).parent
        if within.is_dir() and not os.access(within, os.W_OK):
            self.fail(f"{path}: nothing may be written to the folder {within}; name another", param, ctx)
        return path


OUT_FOLDER = _FolderToWrite()
RESULT_FOLDER = _ResultFolder()
OUT_FILE = _FileToWrite()
DRAWING_FILE = _FileToWrite(".svg", ".dxf")
PDF_FILE = _FileToWrite(".pdf")
NAME = _NameType()
STAGE = _StageType()
DRAWING = _DrawingType()
SOUND_DRAWING = _SoundDrawingType()
SURVEY_DATE = _DateType()


_WITHIN_UM = 5.0
"""A pair of micrometer or gauge readings is good to about so much; common practice, no published source."""


def with_error(stock_um: float | None, within_um: float | None, option: str) -> Estimate | None:
    """A depth of an option with what its ``-within`` says that it may be off, um; None where it is not given.

    Raises
    ------
    InputError
        It is not given, but how far off it may be is.
    """
    if stock_um is None:
        if within_um is not None:
            raise InputError(f"{option}-within: says how far {option} may be off, which is not given")
        return None
    return Estimate.give_or_take(stock_um, _WITHIN_UM if within_um is None else within_um)


def units_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """``--units mm|inch`` for what is printed."""
    return click.option(
        "--units",
        type=click.Choice(["mm", "inch"]),
        default="mm",
        show_default=True,
        help="Units on screen: mm and um, or inch and thou.",
    )(function)
