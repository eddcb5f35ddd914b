"""The workbook that shows the table of the years, and the table read back from it."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import xlsxwriter

from sheetlab.course.ledger import (
    COLUMNS,
    NUMBER_COLUMNS,
    Row,
    flat,
    flat_numbers,
    rows_from,
)
from sheetlab.workbook.package import open_package, refuse
from sheetlab.workbook.store import Store, open_store
from sheetlab.workbook.style import BOOK_OPTIONS, Styles, lines_needed, set_page
from sheetlab.workbook.template import EPOCH, LINE_HEIGHT

RESULTS, VALUES, ABOUT = "Results", "Values", "About"
HEADING_ROW = 3

HEADINGS: Mapping[str, tuple[str, int]] = {
    "number": ("row", 6), "year": ("year", 7), "practical": ("practical", 17),
    "setup": ("set-up", 9), "code": ("code", 14), "revision": ("revision", 9),
    "replaces": ("replaces row", 9), "result": ("id of the result", 9), "title": ("result", 20),
    "symbol": ("symbol", 8), "statement": ("as stated", 40), "value": ("value", 12),
    "u": ("u", 11), "expanded": ("U", 11), "k": ("k", 6),
    "dof": ("effective degrees of freedom", 11),
    "unit": ("unit", 12), "shown": ("shown in", 9), "status": ("status", 10),
    "findings": ("findings", 9), "instruments": ("instruments", 16), "added": ("added", 11),
    "keep_until": ("code kept until", 11), "version": ("definition version", 10),
    "definition": ("digest of the definition", 14), "program": ("program version", 10),
    "source": ("digest of the readings", 14), "seal": ("seal of the code", 14),
    "salt": ("salt of the seal", 12), "previous": ("digest of the row before", 14),
    "digest": ("digest of this row", 68),
}  # fmt: skip
NUMBER_HEADINGS: Mapping[str, tuple[str, int]] = {
    "row": ("row", 7), "position": ("position", 9), "kind": ("kind", 12), "id": ("id", 16),
    "title": ("name", 44), "value": ("value", 13), "u": ("u", 12), "unit": ("unit", 12),
    "shown": ("shown in", 10),
}  # fmt: skip
PRINTED = "replaces"
"""Last column that is printed; what follows is for programs."""
MOST_READ = 3000
"""Rows up to which a workbook is read back: more make a sheet larger than ``package`` reads."""
COUNT, LAST = "rows", "digest of the last row"
NOTE = (
    "A view of the database beside this workbook; whatever is typed here is lost when it is "
    "renewed. Numbers are in the unit beside them (coherent SI). Groups are codes; the list that "
    "explains them is a file of its own."
)
_FIGURES: Mapping[str, str] = {
    "replaces": '0;-0;""',
    "value": "0.0000E+00", "u": "0.00E+00", "expanded": "0.00E+00", "k": "0.00", "dof": "0.0",
}  # fmt: skip


def view_bytes(rows: Sequence[Row], count: int, head: str) -> bytes:
    """The workbook that shows a table."""
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, BOOK_OPTIONS)
    book.set_properties({"title": "Results of the years", "created": EPOCH})
    styles = Styles(book)
    _sheet(book, styles, RESULTS, COLUMNS, HEADINGS, map(flat, rows), len(rows), 5)
    numbers = [one for row in rows for one in flat_numbers(row)]
    _sheet(book, styles, VALUES, NUMBER_COLUMNS, NUMBER_HEADINGS, iter(numbers), len(numbers), 1)
    _about(book, styles, rows, count, head)
    book.close()
    return buffer.getvalue()


def _sheet(
    book: Any,
    styles: Styles,
    title: str,
    columns: Mapping[str, type],
    headings: Mapping[str, tuple[str, int]],
    records: Iterator[Sequence[Any]],
    count: int,
    frozen: int,
) -> None:
    sheet = book.add_worksheet(title)
    set_page(sheet, True, "Results of the years", "")
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(HEADING_ROW)
    sheet.write_string(0, 0, title, styles("title", wrap=False))
    sheet.set_row(HEADING_ROW, 42)
    formats = []
    for column, name in enumerate(columns):
        heading, width = headings[name]
        sheet.set_column(column, column, width)
        sheet.write_string(HEADING_ROW, column, heading, styles("column"))
        kind = columns[name]
        formats.append(
            styles("cell", wrap=False) if kind is str else styles("figure", _FIGURES.get(name, ""))
        )
    for i, record in enumerate(records, HEADING_ROW + 1):
        for column, value in enumerate(record):
            if value is None:
                sheet.write_blank(i, column, None, formats[column])
            elif isinstance(value, str):
                sheet.write_string(i, column, value, formats[column])
            else:
                sheet.write_number(i, column, value, formats[column])
    sheet.freeze_panes(HEADING_ROW + 1, frozen)
    printed = list(columns).index(PRINTED) if PRINTED in columns else len(columns) - 1
    sheet.merge_range(1, 0, 1, printed, "", styles("note"))
    sheet.write_string(1, 0, NOTE, styles("note"))
    sheet.set_row(1, 2 * LINE_HEIGHT + 3)
    sheet.print_area(0, 0, HEADING_ROW + max(count, 1), printed)
    sheet.autofilter(HEADING_ROW, 0, HEADING_ROW + max(count, 1), len(columns) - 1)


ABOUT_TEXTS = (
    ("What this is", "One row a result, in the order in which they were added. Rows are only ever "
     "added: a workbook that was changed afterwards comes as a new revision, which names the row "
     "it replaces."),
    ("What proves it", "Every row carries a digest of itself and of the row before it. “sheetlab "
     "archive check” names the first row that was altered, taken out, put in or moved. Note the "
     "digest of the last row elsewhere (in the minutes, say): with --expect it proves later that "
     "nothing up to that row was written anew."),
    ("Whose results", "No names are here. The list of codes is a file of its own and may be "
     "deleted. “sheetlab archive purge” takes codes away after the day to which they are kept; "
     "the results stay."),
    ("Values", "The numbers beside a result, by its row: zero (zero error of an instrument), "
     "division (its least count), scatter (about the line), quantity, comparison (difference from "
     "an accepted value as a fraction), own (fraction of the group’s own results that agree)."),
)  # fmt: skip


def _about(book: Any, styles: Styles, rows: Sequence[Row], count: int, head: str) -> None:
    sheet = book.add_worksheet(ABOUT)
    set_page(sheet, False, "Results of the years", "")
    sheet.fit_to_pages(1, 0)
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 70)
    sheet.write_string(0, 0, "About this archive", styles("title", wrap=False))
    years = sorted({row.entry.year for row in rows})
    span = f"{years[0]} to {years[-1]}" if len(years) > 1 else "".join(map(str, years))
    facts: tuple[tuple[str, str | int], ...] = (
        (COUNT, count),
        (LAST, head),
        ("years", span),
        ("practicals", ", ".join(sorted({row.entry.practical for row in rows}))),
    )
    line = 2
    for name, value in facts:
        sheet.write_string(line, 0, name, styles("cell"))
        if isinstance(value, int):
            sheet.write_number(line, 1, value, styles("cell"))
        else:
            sheet.write_string(line, 1, value, styles("cell"))
        line += 1
    line += 1
    for name, text in ABOUT_TEXTS:
        sheet.write_string(line, 0, name, styles("cell"))
        sheet.write_string(line, 1, text, styles("cell"))
        sheet.set_row(line, lines_needed(text, 66) * LINE_HEIGHT + 4)
        line += 1


def read_view(path: Path) -> tuple[list[Row], int, str]:
    """Rows of a workbook of results in the order of their numbers, their number and last digest.

    Raises
    ------
    SheetlabError
        If it is no such workbook, or a cell does not hold what its column holds.
    """
    store = open_store(open_package(path))
    try:
        rows = rows_from(
            _records(store, RESULTS, COLUMNS, HEADINGS),
            _records(store, VALUES, NUMBER_COLUMNS, NUMBER_HEADINGS),
        )
        facts = {
            store.cells(ABOUT)[row, 0].value: one.value
            for (row, column), one in store.cells(ABOUT).items()
            if column == 1 and (row, 0) in store.cells(ABOUT)
        }
        count, head = int(facts[COUNT]), str(facts[LAST])
    except (KeyError, ValueError) as error:
        raise refuse(
            path,
            "is no workbook of results as an archive writes it",
            f"({error})",
            "Take the one that lies beside the database, as sheetlab wrote it.",
        ) from error
    return sorted(rows, key=lambda row: row.number), count, head


def _records(
    store: Store, title: str, columns: Mapping[str, type], headings: Mapping[str, tuple[str, int]]
) -> list[list[Any]]:
    cells = store.cells(title)
    found = {cell.value: column for (row, column), cell in cells.items() if row == HEADING_ROW}
    places = [found[headings[name][0]] for name in columns]
    records = []
    last = max((row for row, _ in cells), default=0)
    for row in range(HEADING_ROW + 1, last + 1):
        record = [cells.get((row, column)) for column in places]
        if any(cell is not None for cell in record):
            records.append([None if cell is None else cell.value for cell in record])
    return records
