"""What the guide says of its lines when a real spreadsheet works it out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
import pytest
from calc.office import Office
from openpyxl.utils import get_column_letter

from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.guide import (
    AGREE,
    AGREES,
    DIFFERS,
    EXPECTED,
    FIRST_SHEET,
    LABEL,
    MISSING,
    RESULT,
    as_rows,
    guide,
)

pytestmark = pytest.mark.calc

LINES = sum(len(as_rows(e.expected)) for one in FUNCTIONS.values() for e in one.examples)
COMPARED = get_column_letter(AGREE + 1)


def verdicts(office: Office, path: Path) -> tuple[str, dict[tuple[str, str], str]]:
    """The count on the first sheet, and what stands in the column of comparisons."""
    cells = {(sheet, cell): value for sheet, cell, value, _ in office.formulas(path)}
    count = next(v for (sheet, _), v in cells.items() if sheet == FIRST_SHEET)
    return count, {k: v for k, v in cells.items() if k[1].startswith(COMPARED)}


def test_without_the_functions_every_line_says_so(office: Office, tmp_path: Path) -> None:
    path = tmp_path / "guide.xlsx"
    path.write_bytes(guide())
    count, found = verdicts(office, path)
    assert count == f"0 of {LINES} lines agree with their sources"
    assert len(found) == LINES
    assert set(found.values()) == {MISSING}


def test_results_are_compared_to_the_digits_of_the_source(office: Office, tmp_path: Path) -> None:
    path = tmp_path / "guide.xlsx"
    path.write_bytes(guide())
    book, values = openpyxl.load_workbook(path), openpyxl.load_workbook(path, data_only=True)
    wrong: dict[tuple[str, type], str] = {}
    for sheet in book.worksheets[1:]:
        for row in sheet.iter_rows(min_row=3):
            if row[AGREE].data_type != "f":
                continue
            # results as they come, but for one number and one text of each sheet
            for k in (LABEL, RESULT):
                at = row[k].coordinate
                if not isinstance(row[k], openpyxl.cell.MergedCell):
                    sheet[at] = values[sheet.title][at].value
            other = changed(row)
            if (sheet.title, type(other)) not in wrong and other is not None:
                wrong[sheet.title, type(other)] = row[AGREE].coordinate
                put(row, other)
    book.save(path)
    count, found = verdicts(office, path)
    differ = {(title, cell) for (title, _), cell in wrong.items()}
    assert len(differ) > len(book.worksheets)
    assert {k for k, v in found.items() if v == DIFFERS} == differ
    assert {v for k, v in found.items() if k not in differ} == {AGREES}
    assert count == f"{LINES - len(differ)} of {LINES} lines agree with their sources"


def changed(row: Any) -> float | str | None:
    """Another result: a number just beyond the digits of its source, or a text."""
    expected = row[EXPECTED].value
    if isinstance(expected, str):
        return expected + "."
    if isinstance(expected, int | float):
        limit = float(row[AGREE].value.split("<=")[1].split(",")[0])
        return float(expected) + 1.01 * limit
    return None


def put(row: Any, value: float | str) -> None:
    alone = row[RESULT].value is None
    row[LABEL if isinstance(value, str) and alone else RESULT].value = value
