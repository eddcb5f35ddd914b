"""The workbook of a year: all of its rows, to be read, printed and kept, and read back from it."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import SheetlabError
from sheetlab.workbook.book import Book
from sheetlab.workbook.longbook import LongBook, open_long
from sheetlab.workbook.package import refuse
from sheetlab.workbook.style import Styles, lines_needed, set_page
from sheetlab.workbook.template import EPOCH, LINE_HEIGHT
from sheetlab.years.ledger import COLUMNS, NUMBER_COLUMNS, Cell, Cells, typed

RESULTS, VALUES, ABOUT = "Results", "Values", "About"
HEADING_ROW = 3
MOST_ROWS = 1_000_000
"""Rows of a table: a sheet of a spreadsheet program ends soon after."""

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
_FIGURES: Mapping[str, str] = {
    "replaces": '0;-0;""',
    "value": "0.0000E+00", "u": "0.00E+00", "expanded": "0.00E+00", "k": "0.00", "dof": "0.0",
}  # fmt: skip
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
    years = [
        int(year)
        for name in names
        for year in [name.removeprefix(f"{archive.stem} ").removesuffix(".xlsx")]
        if year.isascii() and year.isdigit() and len(year) == 4
    ]
    books = {year: book_of(archive, year) for year in sorted(years)}
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
        _Table(results, styles, title, RESULTS, COLUMNS, HEADINGS, 5),
        _Table(values, styles, title, VALUES, NUMBER_COLUMNS, NUMBER_HEADINGS, 1),
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
        self, sheet: Any, styles: Styles, title: str, name: str, columns: Mapping[str, type],
        headings: Mapping[str, tuple[str, int]], frozen: int,
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
        for column, (key, kind) in enumerate(columns.items()):
            heading, width = headings[key]
            sheet.set_column(column, column, width)
            sheet.write_string(HEADING_ROW, column, heading, styles("column"))
            figure = styles("figure", _FIGURES.get(key, ""))
            self.formats.append(styles("cell", wrap=False) if kind is str else figure)
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
    facts: dict[str, str | int] = dict(
        zip(FACTS, (noted.rows, noted.codes, noted.last, noted.digest), strict=True)
    )
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

    Both tables are read as they are asked for, the cells as their columns hold them.
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
        If it is no such workbook; from its tables, if a cell does not hold what its column holds.
    """
    with open_long(path) as book:
        with _told(path):
            noted, years = _facts(book)
        yield YearBook(
            _records(book, RESULTS, COLUMNS, HEADINGS),
            _records(book, VALUES, NUMBER_COLUMNS, NUMBER_HEADINGS),
            noted, years,
        )  # fmt: skip


def noted_in(path: Path) -> Noted | None:
    """What a workbook notes of its year; no row is read. None if it is no such workbook.

    Where that sheet was taken away the rows themselves are counted.
    """
    try:
        with open_long(path) as book:
            if ABOUT in book.sheets:
                return _facts(book)[0]
            noted = Noted(0, 0, 0, "")
            for record in _records(book, RESULTS, COLUMNS, HEADINGS):
                its = dict(zip(COLUMNS, record, strict=True))
                noted = replace(noted, rows=noted.rows + 1, codes=noted.codes + (its["code"] != ""))
                if int(its["number"] or 0) > noted.last:
                    noted = replace(noted, last=int(its["number"] or 0), digest=str(its["digest"]))
            return noted
    except (SheetlabError, KeyError, ValueError, OverflowError):
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


def _records(
    book: LongBook, sheet: str, columns: Mapping[str, type], headings: Mapping[str, tuple[str, int]]
) -> Iterator[list[Cell]]:
    places: list[int] | None = None
    with _told(book.path):
        for row, cells in book.rows(sheet):
            if row == HEADING_ROW:
                there = {value: column for column, value in cells.items()}
                places = [there[headings[name][0]] for name in columns]
            elif row > HEADING_ROW:
                if places is None:
                    raise KeyError("row of headings")
                record = [cells.get(column) for column in places]
                if any(cell is not None for cell in record):
                    yield typed(record, columns)
        if places is None:
            raise KeyError(sheet)
