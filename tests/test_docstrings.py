"""A public docstring names the errors that its function raises: a caller reads them there, not in the code."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import textwrap
from types import FunctionType, ModuleType
from typing import Any

import pytest

from pitmap import errors

STAGES = [
    *["drawing", "photo", "registration", "tracing", "surface", "measure", "depth", "stock", "inspection"],
    *["compare", "report", "casebook", "workflow", "pipeline", "estimate", "units", "tables", "grid"],
]


def public_functions(module: ModuleType) -> dict[str, FunctionType]:
    """Functions that a stage offers, and the methods of its classes, inherited ones too."""
    found: dict[str, FunctionType] = {}
    for name in module.__all__:
        thing: Any = getattr(module, name)
        if inspect.isfunction(thing):
            found[name] = thing
        elif inspect.isclass(thing) and thing.__module__.startswith("pitmap."):
            own = {k: v for base in reversed(thing.__mro__) for k, v in vars(base).items() if k[0] != "_"}
            for key, value in own.items():
                method = getattr(value, "__func__", value)
                if inspect.isfunction(method) and method.__module__.startswith("pitmap."):
                    found[f"{name}.{key}"] = method
    return found


def raised_outright(function: FunctionType) -> set[str]:
    """Names of pitmap's errors in the function's own ``raise`` statements, those in a ``try`` left out: it may mend them."""
    (tree,) = ast.parse(textwrap.dedent(inspect.getsource(inspect.unwrap(function)))).body
    caught = {id(n) for t in ast.walk(tree) if isinstance(t, ast.Try) for b in t.body for n in ast.walk(b)}
    return {
        n.exc.func.id
        for n in ast.walk(tree)
        if isinstance(n, ast.Raise) and id(n) not in caught
        and isinstance(n.exc, ast.Call) and isinstance(n.exc.func, ast.Name) and n.exc.func.id in errors.__all__
    }  # fmt: skip


@pytest.mark.parametrize("stage", STAGES)
def test_public_docstrings_name_the_errors_that_are_raised(stage: str) -> None:
    silent = {}
    for name, function in public_functions(importlib.import_module(f"pitmap.{stage}")).items():
        told = (inspect.getdoc(function) or "").partition("Raises\n------\n")[2]
        # an error of the family of one that is named is told of
        families = [getattr(errors, e) for e in re.findall(r"^(\w+)$", told, re.M) if e in errors.__all__]
        missing = {
            e for e in raised_outright(function) if not issubclass(getattr(errors, e), tuple(families))
        }
        if missing:
            silent[name] = missing
    assert not silent
