"""The workbook that shows the table of the years, and the table read back from it."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sheetlab.finding import SheetlabError
from sheetlab.workbook.book import Book
from sheetlab.workbook.longbook import LongBook, open_long
from sheetlab.workbook.package import refuse
from sheetlab.workbook.style import Styles, lines_needed, set_page
from sheetlab.workbook.template import EPOCH, LINE_HEIGHT
from sheetlab.years.ledger import (
    COLUMNS,
    NUMBER_COLUMNS,
    Cell,
    Row,
    flat,
    flat_numbers,
    typed,
)

RESULTS, VALUES, ABOUT = "Results", "Values", "About"
HEADING_ROW = 3

HEADINGS: Mapping[str, tuple[str, int]] = {
    "number": ("row", 6), "year": ("year", 7), "practical": ("practical", 17),
    "setup": ("set-up", 9), "code": ("code", 12), "revision": ("revision", 9),
    "replaces": ("replaces row", 9), "result": ("id of the result", 9), "title": ("result", 52),
    "symbol": ("symbol", 8), "statement": ("as stated", 44), "value": ("value", 12),
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
    "title": ("name", 78), "value": ("value", 13), "u": ("u", 12), "unit": ("unit", 12),
    "shown": ("shown in", 10),
}  # fmt: skip
PRINTED = "replaces"
"""Last column that is printed; what follows is for programs."""
MOST_ROWS = 1_000_000
"""Rows of a table on one sheet: a sheet of a spreadsheet program ends soon after."""
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


def view_bytes(rows: Iterable[Row], count: int, head: str) -> bytes:
    """The workbook that shows a table; the rows are taken one at a time."""
    buffer = io.BytesIO()
    # rows go to a file of the system's own as they are written, and texts stay in their cells
    book = Book(buffer, in_memory=False, constant_memory=True)
    book.set_properties({"title": "Results of the years", "created": EPOCH})
    styles = Styles(book)
    results = _Long(book, styles, RESULTS, COLUMNS, HEADINGS, 5)
    values = _Long(book, styles, VALUES, NUMBER_COLUMNS, NUMBER_HEADINGS, 1)
    years: set[int] = set()
    practicals: set[str] = set()
    for row in rows:
        years.add(row.entry.year)
        practicals.add(row.entry.practical)
        results.write(flat(row))
        for one in flat_numbers(row):
            values.write(one)
    results.end()
    values.end()
    _about(book, styles, sorted(years), sorted(practicals), count, head)
    book.close()
    return buffer.getvalue()


@dataclass(slots=True)
class _Long:
    """A table that goes on on another sheet where a sheet can hold no more."""

    book: Any
    styles: Styles
    title: str
    columns: Mapping[str, type]
    headings: Mapping[str, tuple[str, int]]
    frozen: int
    """Columns that stay in sight."""
    sheet: Any = None
    sheets: int = 0
    row: int = 0
    formats: list[Any] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        self.sheets += 1
        self.sheet = self.book.add_worksheet(sheet_title(self.title, self.sheets))
        sheet, styles = self.sheet, self.styles
        set_page(sheet, True, "Results of the years", "")
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(HEADING_ROW)
        for column, name in enumerate(self.columns):
            sheet.set_column(column, column, self.headings[name][1])
        sheet.write_string(0, 0, self.title, styles("title", wrap=False))
        printed = self.printed()
        sheet.set_row(1, 2 * LINE_HEIGHT + 3)
        sheet.merge_range(1, 0, 1, printed, "", styles("note"))
        sheet.write_string(1, 0, NOTE, styles("note"))
        sheet.set_row(HEADING_ROW, 42)
        self.formats = []
        for column, (name, kind) in enumerate(self.columns.items()):
            sheet.write_string(HEADING_ROW, column, self.headings[name][0], styles("column"))
            figure = styles("figure", _FIGURES.get(name, ""))
            self.formats.append(styles("cell", wrap=False) if kind is str else figure)
        sheet.freeze_panes(HEADING_ROW + 1, self.frozen)
        self.row = HEADING_ROW + 1

    def printed(self) -> int:
        names = list(self.columns)
        return names.index(PRINTED) if PRINTED in names else len(names) - 1

    def write(self, record: Sequence[Any]) -> None:
        if self.row > HEADING_ROW + MOST_ROWS:
            self.end()
            self.begin()
        sheet, row = self.sheet, self.row
        for column, (value, its) in enumerate(zip(record, self.formats, strict=True)):
            if value is None:
                sheet.write_blank(row, column, None, its)
            elif isinstance(value, str):
                sheet.write_string(row, column, value, its)
            else:
                sheet.write_number(row, column, value, its)
        self.row += 1

    def end(self) -> None:
        last = max(self.row - 1, HEADING_ROW + 1)
        self.sheet.print_area(0, 0, last, self.printed())
        self.sheet.autofilter(HEADING_ROW, 0, last, len(self.columns) - 1)


def sheet_title(title: str, number: int) -> str:
    """Title of the first, second … sheet of a table."""
    return title if number == 1 else f"{title} {number}"


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
     "an accepted value as a fraction), own (fraction of the group’s own results that agree), "
     "saved (when the workbook was saved, by what stands in it), finding (how many of a kind made "
     "it doubtful)."),
)  # fmt: skip


def _about(
    book: Any, styles: Styles, years: list[int], practicals: list[str], count: int, head: str
) -> None:
    sheet = book.add_worksheet(ABOUT)
    set_page(sheet, False, "Results of the years", "")
    sheet.fit_to_pages(1, 0)
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 70)
    sheet.write_string(0, 0, "About this archive", styles("title", wrap=False))
    span = f"{years[0]} to {years[-1]}" if len(years) > 1 else "".join(map(str, years))
    facts: tuple[tuple[str, str | int], ...] = (
        (COUNT, count),
        (LAST, head),
        ("years", span),
        ("practicals", ", ".join(practicals)),
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


@dataclass(frozen=True, slots=True)
class View:
    """What a workbook of results shows, in the order of its sheets, which a person may have sorted.

    Both tables are read as they are asked for, the cells as their columns hold them.
    """

    records: Iterator[list[Cell]]
    numbers: Iterator[list[Cell]]
    count: int
    head: str


@contextlib.contextmanager
def open_view(path: Path) -> Iterator[View]:
    """Read a workbook of results.

    Raises
    ------
    SheetlabError
        If it is no such workbook, or a cell does not hold what its column holds.
    """
    with open_long(path) as book:
        try:
            yield View(
                _records(book, RESULTS, COLUMNS, HEADINGS),
                _records(book, VALUES, NUMBER_COLUMNS, NUMBER_HEADINGS),
                *_noted(book),
            )
        except (KeyError, ValueError, OverflowError) as error:
            raise refuse(
                path,
                "is no workbook of results as an archive writes it",
                f"({error})",
                "Take the one that lies beside the database, as sheetlab wrote it.",
            ) from error


def noted_rows(path: Path) -> int:
    """How many rows a workbook of results notes that it shows; none of them is read.

    Where that sheet was taken away its rows are counted. 0 if there is no such workbook.
    """
    if not path.exists():
        return 0
    try:
        with open_long(path) as book:
            if ABOUT in book.sheets:
                return _noted(book)[0]
            return sum(1 for _ in _records(book, RESULTS, COLUMNS, HEADINGS))
    except (SheetlabError, KeyError, ValueError, OverflowError):
        return 0


def _noted(book: LongBook) -> tuple[int, str]:
    facts = {cells.get(0): cells.get(1) for _, cells in book.rows(ABOUT)}
    return int(float(facts[COUNT] or 0)), str(facts[LAST])


def _records(
    book: LongBook, title: str, columns: Mapping[str, type], headings: Mapping[str, tuple[str, int]]
) -> Iterator[list[Cell]]:
    number = 1
    while (sheet := sheet_title(title, number)) in book.sheets or number == 1:
        number += 1
        places: list[int] | None = None
        for row, cells in book.rows(sheet):
            if row == HEADING_ROW:
                found = {value: column for column, value in cells.items()}
                places = [found[headings[name][0]] for name in columns]
            elif row > HEADING_ROW:
                if places is None:
                    raise KeyError("row of headings")
                record = [cells.get(column) for column in places]
                if any(cell is not None for cell in record):
                    yield typed(record, columns)
        if places is None:
            raise KeyError(sheet)
