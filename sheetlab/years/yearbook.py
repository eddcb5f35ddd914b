"""The workbook of a year: all of its rows, to be read, printed and kept, and read back from it."""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import astuple

from sheetlab.finding import SheetlabError
from sheetlab.messages import phrase, said
from sheetlab.workbook.book import Book
from sheetlab.workbook.longbook import LongBook, open_long
from sheetlab.workbook.package import refuse
from sheetlab.workbook.page import Column, Page, Table, new_page, places, read_table
from sheetlab.workbook.style import Styles
from sheetlab.workbook.template import EPOCH
from sheetlab.years.ledger import COLUMNS, NUMBER_COLUMNS, Cell, Cells, Field

RESULTS, VALUES, ABOUT = "Results", "Values", "About"
MOST_ROWS = 1_000_000
"""Rows of a table: a sheet of a spreadsheet program ends soon after."""

ABOUT_TEXTS = (
    ("What this is", "year-rows"), ("Keep it", "year-kept"), ("What proves it", "year-proof"),
    ("Whose results", "year-codes"), ("Values", "year-values"),
)  # fmt: skip


class Listed(Struct, frozen=True):
    """A table of the archive as a sheet."""

    sheet: str
    columns: tuple[Column, ...]
    printed: str
    """Last column that is printed; what follows is for programs."""
    kept: str
    """Last column that stays in view."""


def _listed(sheet: str, table: Mapping[str, Field], printed: str, kept: str) -> Listed:
    columns = (
        Column(key, field.shown.title, field.shown.width, format="cell" if field.kind is str else
               "figure", shape=field.shown.format, wrap=False)
        for key, field in table.items()
    )  # fmt: skip
    return Listed(sheet, tuple(columns), printed, kept)


LISTED = (
    _listed(RESULTS, COLUMNS, "replaces", "code"),
    _listed(VALUES, NUMBER_COLUMNS, "shown", "row"),
)


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
    sheets = [book.add_worksheet(name) for name in (RESULTS, VALUES, ABOUT)]
    # its texts first: who only looks at them need not read those of the rows
    about = new_page(sheets[2], styles, (24, 70), (title, ""), landscape=False, merged=False)
    _about(about, noted, years, practicals)
    results, values = (
        _begun(new_page(sheet, styles, listed.columns, (title, ""), merged=False), listed, year)
        for sheet, listed in zip(sheets, LISTED, strict=False)
    )
    for record, numbers in rows:
        results.write(record, height=0)
        for number in numbers:
            values.write(number, height=0)
    for table, listed in zip((results, values), LISTED, strict=True):
        table.filter()
        _, _, last, column = table.area(listed.printed)
        table.page.sheet.print_area(0, 0, last, column)
    book.close()
    return buffer.getvalue()


def _begun(page: Page, listed: Listed, year: int) -> Table:
    """A sheet with its row of headings."""
    every, page.widths = page.widths, page.widths[: places(listed.columns)[listed.printed] + 1]
    page.line(f"{listed.sheet} {year}", "title")
    page.line(said(phrase("year-note")), "note")
    page.gap(0)
    page.widths = every
    table = page.open_table(listed.columns, height=42)
    table.freeze(through=listed.kept)
    return table


def _about(page: Page, noted: Noted, years: Sequence[int], practicals: Sequence[str]) -> None:
    page.line("About this workbook", "title")
    page.gap(0)
    facts = [
        *zip(FACTS, astuple(noted), strict=True),
        (YEARS, ", ".join(map(str, years))),
        ("practicals", ", ".join(practicals)),
    ]
    page.fields([(label, label, value, "cell") for label, value in facts])
    page.gap(0)
    page.fields([(label, label, said(phrase(text)), "cell") for label, text in ABOUT_TEXTS])


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
        yield YearBook(_cells(book, LISTED[0]), _cells(book, LISTED[1]), noted, years)


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
            for cells in _cells(book, LISTED[0]):
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
            "file-no-year",
            "take-year-workbook",
            error=str(error),
        ) from error


def _facts(book: LongBook) -> tuple[Noted, tuple[int, ...]]:
    facts = {cells.get(0): cells.get(1) for _, cells in book.rows(ABOUT)}
    rows, codes, last = (int(float(facts[name] or 0)) for name in FACTS[:3])
    years = tuple(int(float(year)) for year in str(facts[YEARS] or "").split(","))
    return Noted(rows, codes, last, str(facts[FACTS[3]])), years


def _cells(book: LongBook, listed: Listed) -> Iterator[list[Cell]]:
    """The rows of a table, in the order of its columns; a column of texts has no blank cells."""
    blank = {column.key: "" if column.format == "cell" else None for column in listed.columns}
    with _told(book.path):
        for _, row in read_table(book.rows(listed.sheet), listed.columns):
            yield [row.get(key, none) for key, none in blank.items()]
