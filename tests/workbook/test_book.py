"""No text becomes markup in what is written, whatever it looks like."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pytest
from examples import filled
from workbook.tamper import edited

from sheetlab.workbook.book import Book
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.longbook import open_long
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import package_of

MARKUP = ["<r><t>x</t></r>", "<r>&</r>", "<r></r>", "<r>", "_x0041_"]
ODD = [*MARKUP, " a  b ", "\tx", "a & b < c > d", "=1+1", "a\nb", "😀"]


@pytest.mark.parametrize("constant", [False, True])
def test_a_text_that_looks_like_markup_stays_a_text(constant: bool, tmp_path: Path) -> None:
    data = io.BytesIO()
    book = Book(data, constant_memory=constant, in_memory=not constant)
    sheet = book.add_worksheet("S")
    for row, text in enumerate(ODD):
        sheet.write_string(row, 0, text)
    book.close()
    (tmp_path / "long.xlsx").write_bytes(data.getvalue())
    with open_long(tmp_path / "long.xlsx") as long:
        assert [str(one[0]).removesuffix(" ") for _, one in long.rows("S")] == [
            text.removesuffix(" ") for text in ODD
        ]
    cells = dict(open_store(package_of(data.getvalue(), Path("a.xlsx"))).cells("S"))
    assert [str(cells[row, 0].value).rstrip() for row in range(len(MARKUP))] == MARKUP
    read = openpyxl.load_workbook(io.BytesIO(data.getvalue()))["S"]
    assert [str(c.value).rstrip() for (c,) in read["A1:A4"]] == MARKUP[:4]


@pytest.mark.parametrize("text", MARKUP)
def test_a_group_that_is_called_like_markup_is_evaluated(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.xlsx"

    def change(book: openpyxl.Workbook) -> None:
        for sheet in book:
            for row in sheet.iter_rows():
                for cell in row:
                    if cell.value == "Avocet":
                        cell.value = text

    path.write_bytes(edited(filled("Avocet"), change))
    outcome = evaluate_file(path, tmp_path / "b.xlsx", trials=0)
    assert outcome.written is not None
    openpyxl.load_workbook(outcome.written)
