"""Pages are written by key, and found again by key, wherever their columns were moved."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from sheetlab.workbook.book import Book
from sheetlab.workbook.longbook import open_long
from sheetlab.workbook.page import (
    Cell,
    Column,
    Fit,
    Page,
    new_page,
    places,
    read_table,
    whole_column,
)
from sheetlab.workbook.style import Styles, lines_needed

LOADS = (
    Column("key", hidden=True, value=lambda row: f"k{row[0]}"),
    Column("load", "load / kg", 10, lambda row: row[0], shape="0.0"),
    Column("length", "length / mm", 12, lambda row: (row[1], "0.00")),
    Column("remark", "remark", 24, lambda row: row[2] if len(row) > 2 else None),
    Column("ratio", "ratio", 10,
           lambda row: Cell(row[1] / row[0], "0.000", formula="={length}/{load}")),
    Column("share", "share", 10, lambda _: Cell(None, formula="={load}/SUM({load:all})*{scale}")),
)  # fmt: skip
PIXEL = 0.75
"""Points; a file holds heights of rows in whole pixels."""
ROWS: list[Any] = [
    (1.0, 2.31),
    (2.0, 4.62, "a long remark that goes on in a second line"),
    (4.0, 9.4),
]


def written(write: Callable[[Page], object], columns: Any = LOADS, **how: Any) -> bytes:
    stream = io.BytesIO()
    with Book(stream) as book:
        sheet = book.add_worksheet("Loads")
        write(new_page(sheet, Styles(book), columns, ("Wire", "Group 4"), **how))
    return stream.getvalue()


def sheet_of(data: bytes) -> Worksheet:
    sheet = openpyxl.load_workbook(io.BytesIO(data))["Loads"]
    assert isinstance(sheet, Worksheet)
    return sheet


def loads(page: Page) -> None:
    page.line("Loads and lengths", "title")
    page.fields([("scale", "scale", 100.0, "input")])
    table = page.table(LOADS, ROWS, keys=True)
    table.freeze(through="load")
    table.filter()
    table.mark("ratio", "={ratio}>{length}", "failed")
    assert table.cell("length", 1) == "C6"
    assert table.cell("length", fixed=True) == "$C$5"
    assert table.cells("share") == "F$5:F$7"
    assert table.range("length", 2) == ["Loads", 4, 2, 5, 2]


class TestWritten:
    def test_formulas_name_cells_by_key(self) -> None:
        sheet = sheet_of(written(loads))
        assert sheet["E6"].value == "=C6/B6"
        assert sheet["F7"].value == "=B7/SUM(B$5:B$7)*$C$2"
        cached = openpyxl.load_workbook(io.BytesIO(written(loads)), data_only=True)["Loads"]
        assert cached["E6"].value == pytest.approx(2.31)

    def test_cells_have_the_looks_of_their_columns(self) -> None:
        sheet = sheet_of(written(loads))
        assert [sheet.cell(5, column).number_format for column in (2, 3, 5)] == [
            "0.0", "0.00", "0.000",
        ]  # fmt: skip
        assert sheet["B5"].alignment.horizontal == "right"
        assert sheet["D6"].alignment.wrap_text
        assert sheet["D5"].value is None
        assert sheet["D5"].border.left.style == "thin"
        assert sheet["B4"].font.b
        assert sheet["B4"].value == "load / kg"
        assert not sheet["A5"].has_style
        assert sheet["A4"].value is None

    def test_what_is_frozen_filtered_hidden_and_marked(self) -> None:
        sheet = sheet_of(written(loads))
        assert sheet.freeze_panes == "C5"
        assert sheet.print_title_rows == "$4:$4"
        assert sheet.auto_filter.ref == "A4:F7"
        assert sheet.row_dimensions[3].hidden
        assert sheet.column_dimensions["A"].hidden
        [(cells, rules)] = sheet.conditional_formatting._cf_rules.items()
        assert str(cells.sqref) == "E5:E7"
        assert rules[0].formula == ["E5>C5"]

    def test_rows_are_as_high_as_their_texts_need(self) -> None:
        sheet = sheet_of(written(loads))
        remark = ROWS[1][2]
        lines = lines_needed(remark, 0.88 * 24 - 0.8)
        assert lines == 2
        assert sheet.row_dimensions[6].height == pytest.approx(2 * 13.5 + 4, abs=PIXEL)
        assert sheet.row_dimensions[5].height == pytest.approx(13.5 + 4, abs=PIXEL)

    def test_height_is_where_the_next_row_begins(self) -> None:
        def write(page: Page) -> None:
            heights = [page.line("a text " * 40), page.gap(9), page.gap(0)]
            table = page.open_table(LOADS[1:4], height=30)
            heights += [30, table.write((1.0, 2.0, "")), table.write(None, 0)]
            assert page.height == pytest.approx(math.fsum(heights))
            assert heights[2] == heights[5] == 15.0

        written(write)

    def test_line_runs_over_empty_cells_or_takes_all(self) -> None:
        def write(page: Page) -> None:
            page.line("short")
            page.line("short", "heading")
            page.line("long " * 60)

        assert sorted(map(str, sheet_of(written(write)).merged_cells.ranges)) == [
            "B1:F1", "B2:F2", "B3:F3",
        ]  # fmt: skip
        assert sorted(map(str, sheet_of(written(write, merged=False)).merged_cells.ranges)) == [
            "B2:F2", "B3:F3",
        ]  # fmt: skip

    def test_columns_that_span_and_columns_that_stay_empty(self) -> None:
        columns = (Column("a", "A", span=2), Column("", span=1), Column("b", "B", span=2))
        sheet = sheet_of(written(lambda page: page.table(columns, [("x", None, 1.5)]), [5.0] * 5))
        assert sorted(map(str, sheet.merged_cells.ranges)) == ["A1:B1", "A2:B2", "D1:E1", "D2:E2"]
        assert sheet["D2"].value == 1.5
        assert not sheet["C2"].has_style

    def test_fields_stand_beside_each_other_and_are_named(self) -> None:
        entries = [(key, key.upper(), None, "input") for key in ("unit", "date", "limit")]

        def write(page: Page) -> None:
            page.fields(entries, (1, 1, 1, 1, 1), "label", 19.0)
            assert page.named == {"unit": "$B$1", "date": "$E$1", "limit": "$B$2"}

        sheet = sheet_of(written(write, [8.0] * 5))
        assert [cell.value for cell in sheet[1]] == ["UNIT", None, None, "DATE", None]
        assert sheet["A2"].value == "LIMIT"
        assert sheet.row_dimensions[2].height == pytest.approx(19.0, abs=PIXEL)

    def test_links_limits_and_drop_downs(self) -> None:
        asked = {"validate": "list", "source": ["mm", "cm"]}
        columns = (Column("unit", "unit", 8, format="input", asked=asked),
                   Column("at", "at", 9, lambda _: Cell("B7", link="internal:'Loads'!B7")),
                   Column("u", "u", 9, lambda _: math.inf))  # fmt: skip
        sheet = sheet_of(written(lambda page: page.table(columns, [None, ("",)]), columns))
        [rule] = sheet.data_validations.dataValidation
        assert (str(rule.sqref), rule.formula1) == ("A2:A3", '"mm,cm"')
        assert sheet["B3"].hyperlink.location == "'Loads'!B7"
        assert sheet["B3"].font.u
        assert sheet["C3"].value == "∞"
        assert sheet["C2"].value is None

    def test_texts_are_cleaned_and_pages_break(self) -> None:
        def write(page: Page) -> None:
            page.line("abcdef")
            page.break_page()
            page.table(LOADS[1:4], [(1.0, 1.0, "abcdef")])

        sheet = sheet_of(written(write, clean=lambda text: text[:3]))
        assert sheet["B1"].value == "abc"
        assert sheet["D3"].value == "abc"
        assert [one.id for one in sheet.row_breaks.brk] == [1]


class TestFound:
    @pytest.mark.parametrize("keys", [False, True])
    def test_columns_are_found_where_they_were_moved(self, tmp_path: Path, keys: bool) -> None:
        path = tmp_path / "loads.xlsx"
        path.write_bytes(written(loads))
        workbook = openpyxl.load_workbook(path)
        workbook["Loads"].insert_cols(3, 2)
        workbook["Loads"].insert_rows(1)
        if keys:
            workbook["Loads"]["B5"].value = "another title"
        workbook.save(path)
        asked = LOADS[1:4]
        with open_long(path) as book:
            rows = list(read_table(book.rows("Loads"), asked, keys=keys))
        # the keys stand above the titles, which are a row like others to them
        rows = rows[1:] if keys else rows
        assert [row for _, row in rows] == [
            dict(zip(("load", "length", "remark"), row, strict=False)) for row in ROWS
        ]
        assert [number for number, _ in rows] == [5, 6, 7]

    def test_title_that_is_not_there_is_named(self) -> None:
        lines = [(0, {0: "something"}), (1, {0: "load / kg", 4: "remark"})]
        with pytest.raises(KeyError, match="length / mm"):
            list(read_table(lines, LOADS[1:4]))

    def test_address_before_a_page_is_written(self) -> None:
        assert whole_column("Marks", LOADS, "length", 99) == "Marks!$C$1:$C$100"
        assert places(LOADS, 2)["load"] == 3


def test_fit_is_the_line_times_its_number() -> None:
    fit = Fit(line=12.0, more=3.0, least=17.0, share=0.5, less=1.0)
    text = "word " * 30
    assert fit.height(text, 60) == 12.0 * lines_needed(text, 29.0) + 3.0
    assert fit.height("word", 60) == 17.0
