"""The guide shows every function with live formulas, and each agrees with its source."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.utils import range_boundaries

from sheetlab import cli
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.guide import (
    AGREES,
    EXPECTED,
    FIRST_SHEET,
    LABEL,
    RESULT,
    STORED,
    as_rows,
    guide,
)
from sheetlab.live.library import call

LINES = sum(len(as_rows(e.expected)) for one in FUNCTIONS.values() for e in one.examples)


@pytest.fixture(scope="module")
def file() -> bytes:
    return guide()


@pytest.fixture(scope="module")
def books(file: bytes) -> tuple[Any, Any]:
    """With formulas, and with the values that viewers show."""
    return (
        openpyxl.load_workbook(io.BytesIO(file)),
        openpyxl.load_workbook(io.BytesIO(file), data_only=True),
    )


def live_formulas(book: Any) -> Iterator[tuple[Any, Any, str, str]]:
    """Sheet, cell, formula, range that it fills."""
    for sheet in book.worksheets[1:]:
        for row in sheet.iter_rows(min_col=LABEL + 1, max_col=RESULT + 1):
            for cell in row:
                value = cell.value
                if cell.data_type == "f":
                    array = hasattr(value, "text")
                    yield (
                        sheet,
                        cell,
                        value.text if array else value,
                        (value.ref if array else cell.coordinate),
                    )


def arguments(sheet: Any, text: str) -> list[object]:
    """What a spreadsheet program would hand over."""
    found: list[object] = []
    for part in text.split(",") if text else []:
        if not part:
            found.append(None)
        elif ":" in part:
            found.append([[cell.value for cell in row] for row in sheet[part]])
        else:
            found.append(sheet[part].value)
    return found


def test_every_live_formula_gives_what_stands_in_its_cells(books: tuple[Any, Any]) -> None:
    formulas, values = books
    seen = []
    for sheet, _, formula, where in live_formulas(formulas):
        name, inner = re.fullmatch(r"=([A-Z_]+)\((.*)\)", formula).groups()  # type: ignore[union-attr]
        seen.append(name)
        rows = as_rows(call(FUNCTIONS, name, arguments(sheet, inner)))
        left, top, right, bottom = range_boundaries(where)
        assert (bottom - top + 1, right - left + 1) == (len(rows), len(rows[0]))
        for i, row in enumerate(rows):
            for j, value in enumerate(row):
                shown = values[sheet.title].cell(top + i, left + j).value
                if isinstance(value, str):
                    assert (shown or "") == value
                else:
                    assert shown == pytest.approx(value, rel=1e-15)
    # as often as there are examples, and in their order
    assert seen == [one.id for one in FUNCTIONS.values() for _ in one.examples]


def test_every_line_is_compared_and_agrees(books: tuple[Any, Any]) -> None:
    formulas, values = books
    compared = 0
    for sheet in formulas.worksheets[1:]:
        for (cell,) in sheet.iter_rows(min_row=3, min_col=9, max_col=9):
            if cell.data_type == "f":
                compared += 1
                assert values[sheet.title][cell.coordinate].value == AGREES
                wanted = f"{'ABCDEFGHI'[EXPECTED]}{cell.row}"
                assert wanted in cell.value
                assert "ABS(" in cell.value or "EXACT(" in cell.value
    assert compared == LINES
    first = values[FIRST_SHEET]
    # stored values say nothing of an installation
    assert first["A2"].value == STORED


def test_the_first_sheet_lists_and_links_every_function(books: tuple[Any, Any]) -> None:
    first = books[0][FIRST_SHEET]
    links = {c.value: c.hyperlink.location for (c,) in first.iter_rows(max_col=1) if c.hyperlink}
    assert list(links) == list(FUNCTIONS)
    for name, target in links.items():
        title, cell = target.replace("'", "").split("!")
        assert books[0][title][cell].value.startswith(f"{name}(")
    text = " ".join(str(c.value) for row in first.iter_rows() for c in row if c.value)
    assert "LibreOffice Calc" in text
    assert "Excel" in text


def test_titles_help_and_sources_stand_in_the_sheets(books: tuple[Any, Any]) -> None:
    for sheet in books[0].worksheets[1:]:
        text = {str(c.value) for row in sheet.iter_rows() for c in row if c.value is not None}
        for one in FUNCTIONS.values():
            if one.group == sheet.title:
                assert f"{one.title}. {one.help}" in text
                assert {example.source for example in one.examples} <= text
                assert all(any(a.help in t for t in text) for a in one.arguments)


def test_sheets_print_on_a4_with_frozen_headings(books: tuple[Any, Any]) -> None:
    for sheet in books[0].worksheets:
        assert sheet.page_setup.paperSize == 9  # A4
        if sheet.title != FIRST_SHEET:
            assert sheet.freeze_panes == "A3"
            assert sheet.print_title_rows == "$1:$2"
            assert sheet.page_setup.orientation == "landscape"


def test_no_two_merged_ranges_overlap(books: tuple[Any, Any]) -> None:
    for sheet in books[0].worksheets:
        cells = [cell for one in sheet.merged_cells.ranges for row in one.cells for cell in [row]]
        assert len(cells) == len(set(cells))


def test_the_command_writes_it_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "guide.xlsx"
    assert cli.main(["addin", "guide", "--out", str(path)]) == 0
    assert str(path) in capsys.readouterr().out
    before = path.read_bytes()
    assert cli.main(["addin", "guide", "--out", str(path)]) == 2
    assert path.read_bytes() == before
    assert "already" in capsys.readouterr().err
