"""Options and types that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import click

from ..classes import Stage
from ..drawing import Drawing, load_drawing, load_shipped, shipped_plates
from ..errors import InputError
from ..units import parse_length

__all__ = ["DRAWING", "STAGE", "SURVEY_DATE", "StockType", "units_option"]


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
            return load_shipped(value) if value in shipped_plates() else load_drawing(Path(value))
        except InputError as error:
            self.fail(str(error), param, ctx)


class StockType(click.ParamType):
    """A depth with its unit, as um."""

    name = "length"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        try:
            return parse_length(value, to="um")
        except InputError as error:
            self.fail(str(error), param, ctx)


class _DateType(click.ParamType):
    name = "yyyy-mm-dd"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is not a date such as 2026-03-14", param, ctx)


STAGE = _StageType()
DRAWING = _DrawingType()
SURVEY_DATE = _DateType()


def units_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """``--units mm|inch`` for what is printed."""
    return click.option(
        "--units",
        type=click.Choice(["mm", "inch"]),
        default="mm",
        show_default=True,
        help="Units on screen: mm and um, or inch and thou.",
    )(function)
