"""The record as one HTML file: no request to anywhere, readable on a phone and in print."""

from __future__ import annotations

import base64
from html import escape
from pathlib import Path

from .document import build_document
from .model import Block, Document, Facts, Paragraph, Picture, RecordInput, Section, Table, ToFill
from .text import Translate

__all__ = ["html_of", "record_html"]

_CSS = Path(__file__).with_name("record.css")


def _paragraph(block: Paragraph) -> str:
    return f'<p class="{block.kind}">{escape(block.text)}</p>'


def _facts(block: Facts) -> str:
    rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in block.rows)
    return f"<dl>{rows}</dl>"


def _to_fill(block: ToFill) -> str:
    rows = "".join(f"<dt>{escape(name)}</dt><dd></dd>" for name in block.names)
    return f'<dl class="fill">{rows}</dl>'


def _table(block: Table) -> str:
    def cell(tag: str, k: int, text: str) -> str:
        right = ' class="number"' if k in block.numeric else ""
        scope = ' scope="col"' if tag == "th" else ""
        return f"<{tag}{scope}{right}>{escape(text)}</{tag}>"

    head = "".join(cell("th", k, text) for k, text in enumerate(block.head))
    body = "".join(
        "<tr>" + "".join(cell("td", k, x) for k, x in enumerate(row)) + "</tr>" for row in block.rows
    )
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _picture(block: Picture) -> str:
    data = base64.b64encode(block.data).decode("ascii")
    width, height = block.size_px
    caption = f"<figcaption>{escape(block.caption)}</figcaption>" if block.caption else ""
    kind = "lettered" if block.is_key or block.is_lettered else "half" if block.width < 0.99 else "full"
    return (
        f'<figure class="{kind}"><img src="data:image/{block.kind};base64,{data}" alt="{escape(block.alt)}" '
        f'width="{width}" height="{height}">{caption}</figure>'
    )


def _block(block: Block) -> str:
    if isinstance(block, Paragraph):
        return _paragraph(block)
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, ToFill):
        return _to_fill(block)
    if isinstance(block, Table):
        return _table(block)
    return _picture(block)


def _blocks(section: Section) -> str:
    parts: list[str] = []
    row: list[str] = []
    for block in section.blocks:
        if isinstance(block, Picture) and block.width < 0.99:
            row.append(_picture(block))
            continue
        if row:
            parts.append(f'<div class="row">{"".join(row)}</div>')
            row = []
        parts.append(_block(block))
    if row:
        parts.append(f'<div class="row">{"".join(row)}</div>')
    return "".join(parts)


def html_of(document: Document) -> str:
    """A built document as HTML."""
    sections = "".join(
        f'<section id="{s.key}"><h2>{escape(s.title)}</h2>{_blocks(s)}</section>' for s in document.sections
    )
    links = "".join(f'<li><a href="#{s.key}">{escape(s.title)}</a></li>' for s in document.sections)
    policy = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    subtitle = f"<p>{escape(document.subtitle)}</p>" if document.subtitle else ""
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(document.language)}"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(document.title)}</title><style>{_CSS.read_text(encoding='utf-8')}</style></head>"
        f"<body><header><h1>{escape(document.title)}</h1>{subtitle}</header><nav><ul>{links}</ul></nav>"
        f"<main>{sections}</main><footer><p>{escape(document.footer)}</p></footer></body></html>\n"
    )


def record_html(record: RecordInput, *, language: str = "en", translate: Translate | None = None) -> str:
    """The record as one self-contained HTML page.

    Parameters
    ----------
    record : RecordInput
    language : str
    translate : callable or None

    Returns
    -------
    str
        Complete HTML; pictures are inside, nothing is requested from anywhere, no script.
    """
    return html_of(build_document(record, language=language, translate=translate))
