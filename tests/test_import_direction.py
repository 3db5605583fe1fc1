"""Data flows one way: a stage imports only from stages above it in the list of DEVELOPERS.md."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "pitmap"
GROUND = {
    *[
        "errors",
        "estimate",
        "units",
        "flags",
        "classes",
        "grid",
        "tables",
        "csv_rows",
        "settings",
        "whole_file",
        "entered_day",
    ],
}
ORDER = [
    *["ground"],
    *["drawing", "photo", "registration", "tracing", "surface", "measure", "depth", "stock"],
    *["inspection", "pipeline", "compare", "report", "casebook", "workflow", "sample_job", "cli", "review"],
]
SYNTHETIC_MAY = {"ground", "drawing", "registration", "synthetic"}
ALLOWED_BACK = {("casebook", "report"), ("casebook", "compare")}
"""The casebook stores opaque documents and must not need the faces of the program."""


def stage_of(parts: tuple[str, ...]) -> str:
    name = parts[0].removesuffix(".py")
    return "ground" if name in GROUND else name


def imports(path: Path) -> set[str]:
    """Stages that a module imports, absolute or relative."""
    package = ("pitmap", *path.relative_to(ROOT).parts[:-1])
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            base = list(package[: len(package) - node.level + 1]) if node.level else []
            target = base + (node.module.split(".") if node.module else [])
            names = [target + [a.name] for a in node.names] if len(target) <= 1 else [target]
        elif isinstance(node, ast.Import):
            names = [a.name.split(".") for a in node.names]
        else:
            continue
        for name in names:
            if name[0] == "pitmap" and len(name) > 1 and name[1] != "__version__":
                found.add(stage_of(tuple(name[1:])))
    return found


MODULES = sorted(
    p for p in ROOT.rglob("*.py") if p.parent != ROOT or p.name not in ("__init__.py", "__main__.py")
)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_up(path: Path) -> None:
    stage = stage_of(path.relative_to(ROOT).parts)
    for other in imports(path) - {stage}:
        if stage == "synthetic":
            assert other in SYNTHETIC_MAY, f"{path.name}: synthetic may not import {other}"
            continue
        if stage in ("cli", "review"):
            continue
        assert other in ORDER, f"{path.name}: {other} is not a stage named in DEVELOPERS.md"
        assert ORDER.index(other) < ORDER.index(stage), f"{path.name}: {stage} may not import {other}"
        assert (stage, other) not in ALLOWED_BACK


def test_every_stage_is_in_the_order() -> None:
    stages = {stage_of(p.relative_to(ROOT).parts) for p in MODULES}
    assert stages <= {*ORDER, "synthetic", "conftest"}
