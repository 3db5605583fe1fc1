"""The figures as files: CSV, JSON, and one ZIP of everything with a hash of each file."""

from __future__ import annotations

import hashlib
import io
import json
import math
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from ..csv_rows import table_csv
from ..estimate import Estimate
from ..measure import marks_counted
from .by_hand import hand_edits
from .document import build_document
from .html import html_of
from .model import RecordInput
from .pdf import pdf_of
from .text import Translate

__all__ = ["MANIFEST", "record_json", "record_tables", "record_zip", "verify_zip", "zip_member"]

MANIFEST = "SHA256SUMS"
"""Name of the list of hashes in the ZIP, in the form that ``sha256sum --check`` reads."""

_OF_BUDGET = (
    "name", "unit", "now", "after", "limit", "limit_high", "is_minimum", "source", "lacking", "doubt",
    "is_history_open",
)  # fmt: skip


def record_tables(record: RecordInput) -> dict[str, pd.DataFrame]:
    """Every table of a record by name; surveys are numbered from 1."""
    tables: dict[str, pd.DataFrame] = {}
    for name in ("marks", "zones", "lands"):
        parts = [
            getattr(i.measurement, name).assign(survey=k, stage=str(i.stage))
            for k, i in enumerate(record.inspections, 1)
        ]
        tables[name] = pd.concat(parts, ignore_index=True)
    tables["zones"]["n_marks"] = marks_counted(tables["zones"])
    tables["hand_edits"] = hand_edits(record)
    if record.readings is not None:
        tables["readings"] = record.readings
    if record.comparison is not None:
        c = record.comparison
        tables |= {"surveys": c.surveys, "series": c.series, "tracks": c.tracks}
        tables["fates"] = pd.concat(
            [p.fates.assign(before=p.before, after=p.after) for p in c.pairs], ignore_index=True
        )
        tables["zone_changes"] = pd.concat(
            [p.zone_changes.assign(before=p.before, after=p.after) for p in c.pairs], ignore_index=True
        )
    if record.plan is not None:
        tables |= {"curves": record.plan.curves, "steps": record.plan.steps}
    return tables


def _plain(value: Any) -> Any:
    """A value as JSON knows it; what is not a finite number becomes null or the word for its sign."""
    if isinstance(value, Estimate):
        return {k: _plain(getattr(value, k)) for k in ("value", "low", "high", "level", "reason")}
    if value is pd.NA:
        return None
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else ("inf" if value > 0 else "-inf")
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value if isinstance(value, (str, int, float, bool)) or value is None else str(value)


def record_json(record: RecordInput) -> str:
    """Every figure of the record as JSON: job, surveys, tables, verdict, stock needed and budgets."""
    document: dict[str, Any] = {
        "pitmap_record": 1,
        "job": dict(record.job),
        "notes": record.notes,
        "drawing": record.drawing.name,
        "face": str(record.last.face),
        "inspections": [
            {
                "stage": str(i.stage),
                "surveyed_on": i.surveyed_on.isoformat() if i.surveyed_on else None,
                "removed_um": i.removed_um,
                "photos": [{"name": p.name, "sha256": p.sha256} for p in i.photos],
                "settings": dict(i.settings),
                "versions": dict(i.versions),
            }
            for i in record.inspections
        ],
        "tables": {name: table.to_dict("records") for name, table in record_tables(record).items()},
        "checklist": [{"text": c.text, "state": c.state, "note": c.note} for c in record.checklist],
        "sign_off": dict(record.sign_off),
        "problems": list(record.problems),
    }
    if record.plan is not None:
        v = record.plan.verdict
        document["verdict"] = {
            "outcome": v.outcome,
            "confidence": record.plan.confidence,
            "headline": v.headline,
            "reasons": list(v.reasons),
            "findings": [
                {"rule": f.rule, "status": f.status, "sentence": f.sentence, "source": f.source}
                for f in v.findings
            ],
        }
        document["plan"] = {
            "needed": [
                {k: getattr(n, k) for k in ("zone", "aim", "stock_um", "recommended_um")}
                for n in record.plan.needed
            ],
            "unseen": list(record.plan.unseen),
            "budget": [{k: getattr(b, k) for k in _OF_BUDGET} for b in record.plan.budget],
            "problems": list(record.plan.problems),
        }
    return json.dumps(_plain(document), indent=1, ensure_ascii=False, allow_nan=False)


def record_zip(
    record: RecordInput,
    *,
    language: str = "en",
    translate: Translate | None = None,
    files: Mapping[str, bytes] | None = None,
) -> bytes:
    """Everything in one ZIP: PDF, HTML, JSON, every table as CSV, and the hash of each.

    Parameters
    ----------
    record : RecordInput
    language : str
    translate : callable or None
    files : mapping of name to bytes
        More files to put in, for example the original photos.

    Returns
    -------
    bytes
        Check it with :func:`verify_zip`, or by ``sha256sum --check SHA256SUMS`` after unpacking.
    """
    document = build_document(record, language=language, translate=translate)
    parts: dict[str, bytes] = {
        "record.pdf": pdf_of(document),
        "record.html": html_of(document).encode(),
        "record.json": record_json(record).encode(),
    }
    for name, table in record_tables(record).items():
        parts[f"tables/{name}.csv"] = table_csv(table).encode()
    for name, data in (files or {}).items():
        parts[f"files/{name}"] = data
    sums = "".join(f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in sorted(parts.items()))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in sorted(parts.items()):
            # Pictures and PDF are packed already; a fixed date keeps equal content equal.
            info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, data)
        archive.writestr(zipfile.ZipInfo(MANIFEST, date_time=(1980, 1, 1, 0, 0, 0)), sums)
    return out.getvalue()


def zip_member(data: bytes, name: str) -> bytes:
    """One file out of a record's ZIP, so that what is handed over beside it is the file that its hash is of."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return archive.read(name)


def verify_zip(data: bytes) -> list[str]:
    """Names in a record's ZIP that are missing, added, or no longer have the hash in its list; empty when sound."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = set(archive.namelist())
        if MANIFEST not in names:
            return [MANIFEST]
        lines = archive.read(MANIFEST).decode().splitlines()
        listed = {name: digest for digest, name in (line.split("  ", 1) for line in lines if line.strip())}
        wrong = {
            n
            for n, digest in listed.items()
            if n in names and hashlib.sha256(archive.read(n)).hexdigest() != digest
        }
        return sorted(wrong | (set(listed) ^ (names - {MANIFEST})))
