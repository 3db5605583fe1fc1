"""The catalogue: every sentence in it, and a translation is one file."""

import re

import pytest
import report_fakes as fakes

from pitmap.errors import InputError
from pitmap.report import record_html, record_pdf, translator
from pitmap.report.catalogue import collect_sentences, write_template
from pitmap.report.text import LOCALE_FOLDER, load_catalogue, mark


def quoted(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


@pytest.fixture
def pseudo(tmp_path):
    """A made-up language: every letter outside braces gets an accent, so that plain English shows what was missed."""
    table = str.maketrans("aeiouAEIOU", "\u00e0\u00e9\u00ee\u00f6\u00fc\u00c0\u00c9\u00ce\u00d6\u00dc")
    lines = ["# pseudo", 'msgid ""', 'msgstr "Content-Type: text/plain; charset=UTF-8\\n"', ""]
    for sentence in collect_sentences():
        other = "".join(
            p if p.startswith("{") else p.translate(table) for p in re.split(r"(\{\w+\})", sentence)
        )
        lines += [f"msgid {quoted(sentence)}", f"msgstr {quoted(other)}", ""]
    (tmp_path / "xx.po").write_text("\n".join(lines), encoding="utf-8")
    return tmp_path


def test_template_in_the_package_is_up_to_date(tmp_path):
    fresh = write_template(tmp_path / "new.pot").read_text(encoding="utf-8")
    assert (LOCALE_FOLDER / "pitmap.pot").read_text(encoding="utf-8") == fresh


def test_every_sentence_of_a_bare_record_is_in_the_catalogue(pseudo):
    record = fakes.make_record(surveys=1, with_plan=False)
    page = record_html(record, language="xx", translate=translator("xx", pseudo))
    text = re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    text = " ".join(re.findall(r">([^<>]+)<", text))
    # What a person typed, names of files, numbers and units stay as they are.
    for own in (*record.job.values(), record.workshop, record.drawing.name, "front face", "intake.jpg", "pitmap",
                "python", "mm", "um", "SHA", "A. Sample"):  # fmt: skip
        text = text.replace(own, " ")
    english = {w for w in re.findall(r"[A-Za-z]{4,}", text) if set(w) & set("aeiou")}
    # Left in English: job field names that the workshop chose itself.
    assert english <= {"customer", "engine", "plate"}


def test_pdf_in_another_script_of_the_embedded_font(pseudo):
    record = fakes.make_record(surveys=1, with_plan=False)
    assert record_pdf(record, language="xx", translate=translator("xx", pseudo)).startswith(b"%PDF-")


def test_translator_reads_po_and_mo_and_falls_back(tmp_path):
    (tmp_path / "de.po").write_text(
        'msgid "pit"\nmsgstr "Grübchen"\n\nmsgid "{n} of {m}"\nmsgstr "{n} von {k}"\n\n'
        '#, fuzzy\nmsgid "rim"\nmsgstr "Rand"\n',
        encoding="utf-8",
    )
    t = translator("de", tmp_path)
    assert t("pit") == "Grübchen"
    assert t("{n} of {m}", n=1, m=2) == "1 of 2"
    assert t("rim") == "rim" and t("never heard") == "never heard"
    import struct

    pairs = [("", "Content-Type: text/plain; charset=UTF-8\n"), ("pit", "alv\u00e9ole")]
    ids, strings = b"", b""
    table = []
    for a, b in pairs:
        a, b = a.encode(), b.encode()
        table.append((len(a), len(ids), len(b), len(strings)))
        ids, strings = ids + a + b"\0", strings + b + b"\0"
    start = 28 + 16 * len(pairs)
    keys = b"".join(struct.pack("<II", n, start + at) for n, at, _, _ in table)
    values = b"".join(struct.pack("<II", n, start + len(ids) + at) for _, _, n, at in table)
    head = struct.pack("<7I", 0x950412DE, 0, len(pairs), 28, 28 + 8 * len(pairs), 0, 0)
    (tmp_path / "fr.mo").write_bytes(head + keys + values + ids + strings)
    assert translator("fr", tmp_path)("pit") == "alv\u00e9ole"


def test_translator_refuses_unknown_languages_and_damaged_files(tmp_path):
    with pytest.raises(InputError, match="no zz.po or .mo; there are en"):
        translator("zz", tmp_path)
    (tmp_path / "bad.po").write_text("msgid pit\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"bad.po: line 1"):
        load_catalogue(tmp_path / "bad.po")
    (tmp_path / "worse.po").write_text('msgid "a\\"\nmsgstr "b"\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"worse.po: line 1"):
        load_catalogue(tmp_path / "worse.po")
    (tmp_path / "bad.mo").write_bytes(b"no catalogue")
    with pytest.raises(InputError, match="bad.mo"):
        load_catalogue(tmp_path / "bad.mo")


def test_mark_changes_nothing():
    assert mark("rim") == "rim"
