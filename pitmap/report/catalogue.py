"""Collect the sentences of the record into a .pot file: ``python -m pitmap.report.catalogue``."""

from __future__ import annotations

import ast
from pathlib import Path

from .text import LOCALE_FOLDER

__all__ = ["collect_sentences", "write_template"]

_CALLS = {"t", "mark"}


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def collect_sentences(folder: str | Path | None = None) -> dict[str, list[str]]:
    """Every literal first argument of ``t(...)`` and ``mark(...)`` in the modules of `folder`.

    Returns
    -------
    dict of str to list of str
        Sentence to the places it is used at (``file:line``), in order of first use.
    """
    found: dict[str, list[str]] = {}
    for path in sorted(Path(folder or Path(__file__).parent).glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (
                isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _CALLS
            ):
                continue
            if node.args and isinstance(node.args[0], ast.Constant) and isinstance(node.args[0].value, str):
                found.setdefault(node.args[0].value, []).append(f"{path.name}:{node.lineno}")
    return found


def write_template(target: str | Path | None = None) -> Path:
    """Write the template that a translator starts from; copy it to ``<language>.po`` and fill in the msgstr lines."""
    target = Path(target or LOCALE_FOLDER / "pitmap.pot")
    lines = ['msgid ""', 'msgstr ""', '"Content-Type: text/plain; charset=UTF-8\\n"', ""]
    for sentence, places in collect_sentences().items():
        names = sorted({p.split(":")[0] for p in places})
        lines += [f"#: {' '.join(names)}", f"msgid {_quoted(sentence)}", 'msgstr ""', ""]
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text("\n".join(lines), encoding="utf-8")
    return target


if __name__ == "__main__":
    print(write_template())
