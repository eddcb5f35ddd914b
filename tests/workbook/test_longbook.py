"""Long sheets row by row: what comes out is what was written, and harm is refused."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from sheetlab.finding import SheetlabError
from sheetlab.workbook.longbook import open_long

SHEET = "xl/worksheets/sheet1.xml"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A workbook as another program saves it: texts in a table of their own."""
    book = xlsxwriter.Workbook(tmp_path / "book.xlsx")
    sheet = book.add_worksheet("A & B")
    sheet.write_string(0, 0, "one")
    sheet.write_number(0, 1, 2)
    sheet.write_blank(0, 2, None, book.add_format({"bold": True}))
    sheet.write_boolean(0, 3, True)
    sheet.write_formula(0, 4, "=1+1", None, 2.5)
    sheet.write_formula(0, 5, "=A2", None, "")
    sheet.write_number(3, 0, -1.5e-7)
    sheet.write_string(3, 2, "_x0041_ é\n=x")
    book.add_worksheet("empty")
    book.close()
    return tmp_path / "book.xlsx"


def changed(path: Path, part: str, change: Callable[[bytes], bytes]) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, change(data) if name == part else data)
    path.write_bytes(buffer.getvalue())


def test_rows_are_what_was_written(path: Path) -> None:
    with open_long(path) as book:
        assert list(book.sheets) == ["A & B", "empty"]
        assert list(book.rows("A & B")) == [
            (0, {0: "one", 1: 2.0, 3: 1.0, 4: 2.5}),
            (3, {0: -1.5e-7, 2: "_x0041_ é\n=x"}),
        ]
        assert list(book.rows("empty")) == list(book.rows("none")) == []


@pytest.mark.parametrize(
    ("part", "change", "said"),
    [
        (SHEET, lambda d: b'<!DOCTYPE x [<!ENTITY a "b">]>' + d, "document type"),
        ("xl/sharedStrings.xml", lambda d: b"<!DOCTYPE x>" + d, "document type"),
        ("xl/workbook.xml", lambda d: b"<!DOCTYPE x>" + d, "document type"),
        (SHEET, lambda d: d[:-40], "damaged"),
        (
            SHEET,
            lambda d: d.replace(b"</sheetData>", b" " * 30_000_000 + b"</sheetData>"),
            "unpack",
        ),
        ("xl/workbook.xml", lambda d: d + b" " * 10_000_001, "unpack"),
        ("_rels/.rels", lambda d: b"<x/>", "not a workbook"),
    ],
)
def test_harm_is_refused(
    path: Path, part: str, change: Callable[[bytes], bytes], said: str
) -> None:
    changed(path, part, change)
    with pytest.raises(SheetlabError, match=said), open_long(path) as book:
        list(book.rows("A & B"))


def test_what_is_no_workbook_is_refused(path: Path, tmp_path: Path) -> None:
    data = path.read_bytes()
    for wrong in (b"", b"PK\x03\x04", data[: len(data) // 2], b"<html>", data[:200]):
        path.write_bytes(wrong)
        with pytest.raises(SheetlabError), open_long(path):
            pass
    with pytest.raises(SheetlabError, match="cannot be opened"), open_long(tmp_path / "none.xlsx"):
        pass


def test_numbers_that_lead_to_no_text_are_blank(path: Path) -> None:
    changed(path, SHEET, lambda d: d.replace(b"<v>0</v>", b"<v>999999</v>", 1))
    with open_long(path) as book:
        assert next(book.rows("A & B"))[1] == {1: 2.0, 3: 1.0, 4: 2.5}
