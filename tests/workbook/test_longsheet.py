"""Sheets that forget their rows: the same sheet, and nothing that grows with it."""

from __future__ import annotations

import errno
import io
import tempfile
from pathlib import Path

import openpyxl
import pytest
import xlsxwriter
from openpyxl.worksheet.worksheet import Worksheet

from sheetlab.workbook.longbook import open_long
from sheetlab.workbook.longsheet import LongSheet, long_book
from sheetlab.workbook.style import Styles

ODD = ("<r><t>a</b></r>", "<r>", " a  b ", "\tx", "a & b < c > d", "_x0041_", "=1+1", "a\nb", "😀")


def _sheet(data: bytes) -> Worksheet:
    return openpyxl.load_workbook(io.BytesIO(data))["Long"]


def test_rows_heights_and_merged_cells_are_all_there() -> None:
    buffer = io.BytesIO()
    with long_book(buffer) as book:
        sheet, its = book.add_worksheet("Long", LongSheet), Styles(book)("plain")
        for row in range(0, 200, 2):
            sheet.merge_row(row, 1, 3, its)
            sheet.write_string(row, 1, f"row {row}", its)
            sheet.set_row(row, 30)
            # nothing stands in the row after it
            sheet.set_row(row + 1, 9)
            sheet.begin(row + 1)
    found = _sheet(buffer.getvalue())
    assert len(found.merged_cells.ranges) == 100
    for row in range(0, 200, 2):
        assert found.cell(row + 1, 2).value == f"row {row}"
        assert found.row_dimensions[row + 1].height == pytest.approx(30, abs=0.5)
        assert found.row_dimensions[row + 2].height == pytest.approx(9, abs=0.5)


def test_a_text_is_a_text_whatever_it_looks_like(tmp_path: Path) -> None:
    path = tmp_path / "long.xlsx"
    with path.open("wb") as stream, long_book(stream) as book:
        sheet = book.add_worksheet("Long", LongSheet)
        for row, text in enumerate(ODD):
            sheet.write_string(row, 0, text)
    with open_long(path) as found:
        assert tuple(cells[0] for _, cells in found.rows("Long")) == ODD
    cells = [cell for (cell,) in _sheet(path.read_bytes()).iter_rows()]
    assert all(cell.data_type == "s" for cell in cells)


def test_rows_are_forgotten() -> None:
    with long_book(io.BytesIO()) as book:
        sheet, its = book.add_worksheet("Long", LongSheet), Styles(book)("plain")
        for row in range(300):
            sheet.merge_row(row, 1, 3, its)
            sheet.set_row(row, 30)
        kept = (sheet.row_info, sheet.row_sizes, sheet.table, sheet.merged_cells)
        assert max(map(len, kept)) <= 1
        assert len(sheet.merge) == 300


def test_nothing_is_lost_without_a_word() -> None:
    with long_book(io.BytesIO()) as book:
        sheet = book.add_worksheet("Long", LongSheet)
        sheet.write_string(5, 0, "below")
        with pytest.raises(ValueError, match="row 4 of “Long” has been left"):
            sheet.write_number(4, 0, 1.0)


def test_a_chart_shows_its_numbers_before_a_program_works_them_out() -> None:
    buffer = io.BytesIO()
    with long_book(buffer) as book:
        sheet = book.add_worksheet("Long", LongSheet)
        sheet.columns_for_charts = frozenset({0, 1})
        for row, (name, value) in enumerate((("a", 1.5), ("b", 2.25), ("c", None))):
            sheet.write_string(row, 0, name)
            if value is not None:
                sheet.write_number(row, 1, value)
        chart = book.add_chart({"type": "line"})
        chart.add_series({"categories": ["Long", 0, 0, 2, 0], "values": ["Long", 0, 1, 2, 1]})
        sheet.insert_chart(4, 0, chart)
        sheet.begin(4)
    (found,) = _sheet(buffer.getvalue())._charts
    series = found.series[0]
    assert [point.v for point in series.val.numRef.numCache.pt] == [1.5, 2.25]
    assert [point.v for point in series.cat.strRef.strCache.pt] == ["a", "b", "c"]


@pytest.mark.filterwarnings("error")
def test_nothing_is_left_behind_by_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with pytest.raises(AttributeError), long_book(io.BytesIO()) as book:
        book.add_worksheet("Long", LongSheet).write_string(0, 0, "text of a student").no_such()
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_an_error_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: xlsxwriter.Workbook) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(xlsxwriter.Workbook, "_store_workbook", full)
    with pytest.raises(OSError, match="No space left") as found, long_book(io.BytesIO()) as book:
        book.add_worksheet("Long", LongSheet)
    assert found.value.errno == errno.ENOSPC
