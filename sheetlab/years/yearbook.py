"""The workbook of a year: all of its rows, to be read, printed and kept, and read back from it."""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import astuple

from sheetlab.finding import SheetlabError
from sheetlab.workbook.book import Book
from sheetlab.workbook.longbook import LongBook, open_long
from sheetlab.workbook.package import refuse
from sheetlab.workbook.style import Styles, lines_needed, set_page
from sheetlab.workbook.template import EPOCH, LINE_HEIGHT
from sheetlab.years.ledger import COLUMNS, NUMBER_COLUMNS, Cell, Cells, Column

RESULTS, VALUES, ABOUT = "Results", "Values", "About"
HEADING_ROW = 3
MOST_ROWS = 1_000_000
"""Rows of a table: a sheet of a spreadsheet program ends soon after."""

PRINTED = "replaces"
"""Last column that is printed; what follows is for programs."""
NOTE = (
    "All results of the year, as the database beside this workbook holds them; whatever is typed "
    "here is lost when they change. Numbers are in the unit beside them (coherent SI). Groups are "
    "codes; the list that explains them is a file of its own."
)
ABOUT_TEXTS = (
    ("What this is", "One row for each result, in the order in which they were added. Rows are "
     "only ever added: a workbook that was changed afterwards comes as a new revision, which names "
     "the row it replaces. Row numbers run through all years."),
    ("Keep it", "This workbook is complete. From the workbooks of all years “sheetlab archive "
     "import” makes the database again, if that is lost."),
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


class Noted(Struct, frozen=True):
    """What there is of a year, as its workbook notes it, or as the database holds it."""

    rows: int
    codes: int
    """Rows whose code was not taken away."""
    last: int
    """Number of the last row of the year."""
    digest: str
    """Of that row."""


FACTS = ("rows of the year", "rows with a code", "last row", "digest of the last row")
YEARS = "years of the archive"


def book_of(archive: Path, year: int) -> Path:
    """The workbook of a year, beside the database."""
    return archive.with_name(f"{archive.stem} {year}.xlsx")


def books_of(archive: Path) -> dict[int, Path]:
    """The workbooks that lie beside a database, by their year."""
    names = {path.name for path in archive.parent.iterdir()} if archive.parent.is_dir() else set()
    years = [name.removeprefix(f"{archive.stem} ").removesuffix(".xlsx") for name in sorted(names)]
    books = {int(y): book_of(archive, int(y)) for y in years if re.fullmatch(r"[0-9]{4}", y)}
    return {year: book for year, book in books.items() if book.name in names}


# -- written -------------------------------------------------------------------------------------


def year_bytes(
    year: int, rows: Iterable[Cells], noted: Noted, years: Sequence[int], practicals: Sequence[str]
) -> bytes:
    """The workbook of a year; ``years``: all that the archive has."""
    buffer = io.BytesIO()
    book = Book(buffer)
    title = f"Results of {year}"
    book.set_properties({"title": title, "created": EPOCH})
    styles = Styles(book)
    results, values, about = map(book.add_worksheet, (RESULTS, VALUES, ABOUT))
    # its texts first: who only looks at them need not read those of the rows
    _about(about, styles, title, noted, years, practicals)
    tables = (
        _Table(results, styles, title, RESULTS, COLUMNS, 5),
        _Table(values, styles, title, VALUES, NUMBER_COLUMNS, 1),
    )
    for record, numbers in rows:
        tables[0].write(record)
        for number in numbers:
            tables[1].write(number)
    for table in tables:
        table.end()
    book.close()
    return buffer.getvalue()


class _Table:
    """A sheet with a row of headings, and rows below it."""

    def __init__(
        self, sheet: Any, styles: Styles, title: str, name: str, columns: Mapping[str, Column],
        frozen: int,
    ) -> None:  # fmt: skip
        self.sheet, self.row = sheet, HEADING_ROW + 1
        self.columns = len(columns)
        names = list(columns)
        self.printed = names.index(PRINTED) if PRINTED in names else len(names) - 1
        set_page(sheet, True, title, "")
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(HEADING_ROW)
        sheet.write_string(
            0, 0, f"{name} {title.rsplit(maxsplit=1)[-1]}", styles("title", wrap=False)
        )
        sheet.set_row(1, 2 * LINE_HEIGHT + 3)
        sheet.merge_range(1, 0, 1, self.printed, "", styles("note"))
        sheet.write_string(1, 0, NOTE, styles("note"))
        sheet.set_row(HEADING_ROW, 42)
        self.formats = []
        for place, column in enumerate(columns.values()):
            sheet.set_column(place, place, column.shown.width)
            sheet.write_string(HEADING_ROW, place, column.shown.title, styles("column"))
            figure = styles("figure", column.shown.format)
            self.formats.append(styles("cell", wrap=False) if column.kind is str else figure)
        sheet.freeze_panes(HEADING_ROW + 1, frozen)

    def write(self, record: Sequence[Cell]) -> None:
        sheet, row = self.sheet, self.row
        for column, (value, shape) in enumerate(zip(record, self.formats, strict=True)):
            if value is None:
                sheet.write_blank(row, column, None, shape)
            elif isinstance(value, str):
                sheet.write_string(row, column, value, shape)
            else:
                sheet.write_number(row, column, value, shape)
        self.row += 1

    def end(self) -> None:
        last = max(self.row - 1, HEADING_ROW + 1)
        self.sheet.print_area(0, 0, last, self.printed)
        self.sheet.autofilter(HEADING_ROW, 0, last, self.columns - 1)


def _about(
    sheet: Any, styles: Styles, title: str, noted: Noted, years: Sequence[int],
    practicals: Sequence[str],
) -> None:  # fmt: skip
    set_page(sheet, False, title, "")
    sheet.fit_to_pages(1, 0)
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 70)
    sheet.write_string(0, 0, "About this workbook", styles("title", wrap=False))
    facts: dict[str, str | int] = dict(zip(FACTS, astuple(noted), strict=True))
    facts[YEARS] = ", ".join(map(str, years))
    facts["practicals"] = ", ".join(practicals)
    for line, (name, value) in enumerate(facts.items(), 2):
        sheet.write_string(line, 0, name, styles("cell"))
        write = sheet.write_number if isinstance(value, int) else sheet.write_string
        write(line, 1, value, styles("cell"))
    for line, (name, text) in enumerate(ABOUT_TEXTS, len(facts) + 3):
        sheet.write_string(line, 0, name, styles("cell"))
        sheet.write_string(line, 1, text, styles("cell"))
        sheet.set_row(line, lines_needed(text, 66) * LINE_HEIGHT + 4)


# -- read back -----------------------------------------------------------------------------------


class YearBook(Struct, frozen=True):
    """What a workbook holds, in the order of its sheets, which a person may have sorted.

    Both tables are read as they are asked for.
    """

    records: Iterator[list[Cell]]
    numbers: Iterator[list[Cell]]
    noted: Noted
    years: tuple[int, ...]


@contextlib.contextmanager
def open_year(path: Path) -> Iterator[YearBook]:
    """Read the workbook of a year.

    Raises
    ------
    SheetlabError
        If it is no such workbook.
    """
    with open_long(path) as book:
        with _told(path):
            noted, years = _facts(book)
        records, numbers = _cells(book, RESULTS, COLUMNS), _cells(book, VALUES, NUMBER_COLUMNS)
        yield YearBook(records, numbers, noted, years)


def noted_in(path: Path) -> Noted | None:
    """What a workbook notes of its year; no row is read. None if it is no such workbook.

    Where that sheet was taken away the rows themselves are counted.
    """
    number, code, digest = (list(COLUMNS).index(name) for name in ("number", "code", "digest"))
    try:
        with open_long(path) as book, _told(path):
            if ABOUT in book.sheets:
                return _facts(book)[0]
            rows, codes, last, end = 0, 0, 0, ""
            for cells in _cells(book, RESULTS, COLUMNS):
                rows, codes = rows + 1, codes + (cells[code] != "")
                last, end = max((last, end), (int(cells[number] or 0), str(cells[digest])))
            return Noted(rows, codes, last, end)
    except SheetlabError:
        return None


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except (KeyError, ValueError, OverflowError) as error:
        raise refuse(
            path,
            "is no workbook of a year as an archive writes it",
            f"({error})",
            "Take the one that lies beside the database, as sheetlab wrote it.",
        ) from error


def _facts(book: LongBook) -> tuple[Noted, tuple[int, ...]]:
    facts = {cells.get(0): cells.get(1) for _, cells in book.rows(ABOUT)}
    rows, codes, last = (int(float(facts[name] or 0)) for name in FACTS[:3])
    years = tuple(int(float(year)) for year in str(facts[YEARS] or "").split(","))
    return Noted(rows, codes, last, str(facts[FACTS[3]])), years


def _cells(book: LongBook, sheet: str, columns: Mapping[str, Column]) -> Iterator[list[Cell]]:
    """The rows of a table, in the order of its columns; a column of texts has no blank cells."""
    blank = ["" if column.kind is str else None for column in columns.values()]
    places: list[int] = []
    with _told(book.path):
        for row, cells in book.rows(sheet):
            if row == HEADING_ROW:
                there = {value: place for place, value in cells.items()}
                places = [there[column.shown.title] for column in columns.values()]
            elif row > HEADING_ROW and any(place in cells for place in places):
                yield [cells.get(place, none) for place, none in zip(places, blank, strict=True)]
        if not places:
            raise KeyError(f"{sheet}: row of headings")
