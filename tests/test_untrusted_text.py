"""Text from workbooks and names of files never acts: no formula, no path, no code of a terminal."""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import unicodedata
import zipfile
from pathlib import Path

import openpyxl
import pytest
from examples import filled, layout, typed
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.cli import main
from sheetlab.finding import Place, Severity, asked
from sheetlab.handling.roster import file_part
from sheetlab.handling.tables import FORMULA_SIGNS, guarded, unguarded
from sheetlab.messages import JOINERS, harmless
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import catalogue, load, load_profile
from sheetlab.workbook.style import MOST_IN_FOOTER, _in_footer, chart_text
from sheetlab.workbook.template import write_template

ANYTHING = st.text(st.characters(), max_size=60)
SPICED = st.lists(
    st.sampled_from(
        ["\x1b[31m", "\x1b]0;own\x07", "\x9b2J", "\x85", "\u202e", "\u2066", "\u200b", "\ufeff",
         "=", "+", "-", "@", "&G", "&[Path]", "&", "../", "\\", "\0", "\r", "\n", "\t", "\ud800",
         "\ufffe", "\u2028", "\xa0", "👩\u200d🔬", "é", "a", " ", "'", '"', ",", "_x001B_"]
    ),
    max_size=12,
).map("".join)  # fmt: skip
UNTRUSTED = st.one_of(ANYTHING, SPICED)


def acts(text: str) -> list[str]:
    """Characters of a text that a terminal or a reader's eye would be moved by."""
    return [c for c in text if not c.isprintable() and c not in JOINERS]


@given(UNTRUSTED)
def test_harmless_text_only_stands_there(text: str) -> None:
    found = harmless(text)
    assert not acts(found)
    assert len(found) == len(text)
    assert harmless(found) == found
    found.encode("utf-8")
    assert not any(unicodedata.category(c) in ("Cc", "Cs") for c in found)
    assert not any(unicodedata.bidirectional(c) in ("RLO", "LRO", "RLE", "RLI") for c in found)


@given(st.text(st.characters(categories=["L", "M", "N", "P", "S"]), max_size=40))
def test_what_people_write_is_left_as_it_is(text: str) -> None:
    assert harmless(text) == text


@given(UNTRUSTED, UNTRUSTED)
def test_findings_quote_nothing_that_acts(text: str, name: str) -> None:
    found = asked("a-code", Severity.NOTE, f"holds {text}", text, text, Place(name, name, "A1"))
    assert not acts(found.message)
    assert not acts(str(found.place))


@given(UNTRUSTED)
def test_a_value_in_a_csv_file_is_no_formula_and_comes_back(text: str) -> None:
    assert not guarded(text).startswith(FORMULA_SIGNS)
    assert unguarded(guarded(text)) == text


@given(UNTRUSTED)
def test_a_name_in_a_chart_or_a_footer_is_only_text(text: str) -> None:
    assert not chart_text(text).startswith("=")
    footer = _in_footer(text)
    assert not acts(footer)
    assert len(footer) <= MOST_IN_FOOTER
    # every sign stands twice, and none of the pairs is taken for a code by the file library
    assert not re.sub("&&", "", footer).count("&")
    assert "&G" not in footer
    assert "&[" not in footer


@given(UNTRUSTED)
def test_a_group_makes_no_path(text: str) -> None:
    part = file_part(text)
    assert part
    assert not set(part) & set('/\\:*?"<>|\0')
    assert part.strip(" .") == part
    assert not acts(part)


@pytest.mark.parametrize("char", ["\\u001b", "\\u202E", "\\u0000", "\\u009b", "\\u2066"])
def test_a_definition_with_control_codes_is_refused(char: str) -> None:
    text = catalogue().text("wire-stretching")
    spoiled = text.replace('\ntitle = "', f'\ntitle = "{char}', 1)
    assert spoiled != text
    with pytest.raises(Exception, match="control codes"):
        load(spoiled)
    with pytest.raises(Exception, match="control codes"):
        load_profile(f'id = "a{char}"')


NASTY = [
    "\x1b]0;owned\x07\x1b[2J\x9b31mred",
    "\u202e\u2066gnitirw detrevni",
    '=HYPERLINK("http://example.org","x")',
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "../../../outside",
    '&[Path]&G&"Wingdings"x',
    "two\nlines\r\nof\ttext",
    "_x001B_[31m_x202E_",
]


def handed_in(group: str, text: str) -> bytes:
    """A filled workbook in which somebody typed the text wherever text may stand."""
    cells = dict(typed(group))
    cells |= {f"start.{name}": [text] for name in ("group", "setup", "observers", "person")}
    one = layout("wire-stretching", Assist.CORRECTED)
    return write_template(one, {key: v for key, v in cells.items() if key in one.slots})


def formulas(path: Path) -> list[str]:
    """Every formula and link of a workbook, charts and names included."""
    with zipfile.ZipFile(path) as archive:
        texts = [
            archive.read(n).decode() for n in archive.namelist() if n.endswith((".xml", ".rels"))
        ]
    found = [f for t in texts for f in re.findall(r"<(?:c:)?f>([^<]*)</", t)]
    found += [f for t in texts for f in re.findall(r"<(?:c:)?f [^>]*>([^<]*)</", t)]
    return found + [f for t in texts for f in re.findall(r'Target="([^"]*)"', t)]


@pytest.mark.slow
def test_nothing_typed_acts_in_any_output(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "class"
    folder.mkdir()
    (folder / "good.xlsx").write_bytes(filled("Avocet"))
    names = {"good.xlsx"}
    for i, text in enumerate(NASTY):
        # the file is called like this as well, as far as a file system lets it
        names.add(f"{i}{re.sub('[/]', '_', text)[:60]}.xlsx")
        (folder / f"{i}{re.sub('[/]', '_', text)[:60]}.xlsx").write_bytes(handed_in("Fulmar", text))
    archive = tmp_path / "DEP.sqlite"
    said = []
    for command in (
        ["evaluate", folder, "--out", tmp_path / "out"],
        ["evaluate", folder, "--out", tmp_path / "out", "--json"],
        ["class", folder, "--out", tmp_path / "class.xlsx"],
        ["watch", folder, "--once"],
        ["archive", "add", folder, "--archive", archive, "--year", "2026"],
        ["archive", "export", archive, "--out", tmp_path / "all.csv"],
        ["archive", "evidence", archive, "--out", tmp_path / "evidence"],
        ["drift", archive, "--out", tmp_path / "drift.xlsx"],
    ):
        assert main([str(one) for one in command]) in (0, 1)
        captured = capsys.readouterr()
        said.append(captured.out + captured.err)
    for one in said:
        assert not acts(one.replace("\n", "")), one
    lines = [json.loads(line) for line in said[1].splitlines()]
    assert {line["status"] for line in lines} <= {"ok", "doubtful"}
    assert {line["workbook"] for line in lines} == {str(folder / name) for name in names}
    for path in tmp_path.rglob("*.xlsx"):
        if path.parent == folder:
            continue
        for formula in formulas(path):
            assert "HYPERLINK(&quot;http" not in formula
            assert "cmd|" not in formula
            assert "../outside" not in formula
        for sheet in openpyxl.load_workbook(path).worksheets:
            if path.parent == tmp_path / "out" and sheet.title not in (
                "Evaluation", "Budget", "Lines", "Working", "Graphs", "Findings",
            ):  # fmt: skip
                continue
            for row in sheet.iter_rows():
                for cell in row:
                    if isinstance(cell.value, str):
                        assert not acts(cell.value.replace("\n", "")), (path, cell.coordinate)
    table = (tmp_path / "all.csv").read_text(encoding="utf-8-sig")
    for row in csv.reader(io.StringIO(table)):
        for value in row:
            assert not value.startswith(FORMULA_SIGNS) or re.fullmatch(r"[-+\d.eE]+", value)
            assert not acts(value)
    assert not list(tmp_path.parent.glob("outside*"))
    base = sqlite3.connect(archive.with_suffix(".sqlite"))
    setups = [row[0] for row in base.execute('SELECT "setup" FROM results')]
    base.close()
    assert len(setups) == len(names)
    assert not [setup for setup in setups if acts(setup)]
