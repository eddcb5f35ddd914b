"""Lists that a teacher keeps (roster, rota, register, materials), read in one way from any file.

They come from a spreadsheet program and other hands: cells are plain values, a wrong one is told
with its place, and nothing in them is ever a formula or a path here. An .xlsx or .ods is read as a
filled workbook is, within its limits: libraries that read whole ranges end the process at a cell
that stands far out. Only an .xls, which has 65 536 rows at most, is left to python-calamine.
"""

from __future__ import annotations

import codecs
import csv
import datetime
import io
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.messages import Phrase, harmless, phrase
from sheetlab.practical.observations import typed_number
from sheetlab.practical.register import DATES, LEAST, MAX_WORD, MOST, as_date
from sheetlab.units import UnitError, unit
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import file_bytes, package_of
from sheetlab.workbook.package import refuse as refuse_file
from sheetlab.workbook.sheet import Cell
from sheetlab.workbook.store import address

MAX_TEXT_FILE = 2_000_000
MAX_ROWS = 20_000
MAX_COLUMNS = 60
HEADING_ROWS = 30
"""The heading of a list stands within the first so many rows."""
MAX_PROBLEMS = 50
FIRST_DAY = datetime.date(1899, 12, 30)
UNITS = ("mm", "cm", "m", "s", "kg", "g", "degC", "degree")
BIFF = b"\xd0\xcf\x11\xe0"
"""First bytes of an .xls."""
A_LIST = "a list as .xlsx, .xls, .ods or .csv"
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""The wide ones are taken for signs by programs of some languages."""
GUARD = "'"
"""Stands before a value that a spreadsheet program would take for a formula."""
Value = float | str | datetime.date
Unknown = Callable[[str], "ListColumn | None"]
Note = Callable[[Phrase, Phrase | str, Place], None]
"""Takes a problem: what was found, what is expected, and where."""


class ListColumn(Struct, frozen=True):
    """A column of a list; its heading is what a reader finds it by."""

    key: str
    """By which rows know it."""
    heading: str = ""
    """Empty: the key."""
    kind: Literal["text", "number", "date", "choice", "unit"] = "text"
    width: float = 10
    help: str = ""
    choices: tuple[str, ...] = ()
    least: float = LEAST
    """Least number that can stand here."""
    optional: bool = False
    """The column may be missing."""
    letters: int = MAX_WORD
    """Longest text."""

    @property
    def title(self) -> str:
        """Its heading."""
        return self.heading or self.key

    @property
    def expected(self) -> Phrase:
        """What can stand in its cells."""
        match self.kind:
            case "number":
                return phrase("list-number-above-0" if self.least > 0.0 else "list-number")
            case "date":
                return phrase("list-date")
            case "choice":
                return phrase("list-choice", choices=", ".join(self.choices))
            case "unit":
                return phrase("list-unit", units=", ".join(UNITS))
        return phrase("list-letters", letters=self.letters)


class Sheet(Struct, frozen=True):
    """Cells of a sheet by zero-based row and column."""

    file: str
    name: str
    cells: Mapping[tuple[int, int], Cell]
    date_styles: frozenset[int] = frozenset()

    def place(self, row: int, column: int) -> Place:
        """The place of a cell."""
        return Place(self.file, self.name, address(row, column))


class Row(Struct, frozen=True):
    """A filled row of a list, by the keys of its columns."""

    values: Mapping[str, Any]
    sheet: Sheet
    line: int
    """Number of the row, from 1."""
    first: int
    """Column of the sheet of the list's first column, from 0."""

    @property
    def place(self) -> Place:
        """The place of its first cell."""
        return self.sheet.place(self.line - 1, self.first)

    def text(self, key: str) -> str:
        """A text; empty if there is none."""
        value = self.values.get(key, "")
        return value if isinstance(value, str) else ""

    def number(self, key: str) -> float | None:
        """A number."""
        value = self.values.get(key)
        return value if isinstance(value, float) else None

    def date(self, key: str) -> datetime.date | None:
        """A day."""
        value = self.values.get(key)
        return value if isinstance(value, datetime.date) else None


# -- files -----------------------------------------------------------------------------------------


def open_lists(path: Path, expected: str = A_LIST) -> dict[str, Sheet]:
    """Sheets of a file by name in small letters; a .csv has one, without a name.

    Raises
    ------
    SheetlabError
        If the file cannot be read; ``expected`` says what it should be.
    """
    try:
        data = file_bytes(path)
        if data.startswith(b"PK"):
            store = open_store(package_of(data, path))
            sheets = [
                Sheet(path.name, one.name, store.cells(one.name), store.date_styles)
                for one in store.sheets
            ]
        elif data.startswith(BIFF):
            sheets = list(_old_sheets(path, data))
        else:
            sheets = [Sheet(path.name, "", _csv_cells(path, data))]
    except SheetlabError as error:
        (one,) = error.findings
        values = {**dict(one.values), "wanted": expected}
        raise SheetlabError(replace(one, values=tuple(sorted(values.items())))) from error
    return {sheet.name.casefold(): sheet for sheet in sheets}


def _old_sheets(path: Path, data: bytes) -> Iterator[Sheet]:
    """Sheets of an .xls; its dates are texts here, as a person types them."""
    from python_calamine import CalamineError, CalamineWorkbook

    def cell(value: object) -> Cell:
        if isinstance(value, bool):
            return Cell("truth", value)
        if isinstance(value, float | int):
            return Cell("number", float(value))
        if isinstance(value, datetime.datetime):
            value = value.date()
        return Cell("text", str(value))

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        for name in book.sheet_names:
            rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
            cells = {
                (r, c): cell(value)
                for r, row in enumerate(rows)
                for c, value in enumerate(row)
                if value != ""
            }
            yield Sheet(path.name, name, cells)
    except BaseException as error:
        # at some damaged files the library panics, and a panic is no Exception
        if not isinstance(error, CalamineError) and type(error).__name__ != "PanicException":
            raise
        raise refuse_file(path, "file-damaged-archive") from error


def _csv_cells(path: Path, data: bytes) -> dict[tuple[int, int], Cell]:
    """Cells of a text file: comma, semicolon or tab; UTF-8, UTF-16 or the Windows code page."""
    if len(data) > MAX_TEXT_FILE:
        raise refuse_file(path, "file-too-large")
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text = data.decode("utf-16", errors="replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", errors="replace")
    if "\0" in text:
        raise refuse_file(path, "file-not-text")
    first = text.splitlines()[0] if text.strip() else ""
    separator = max(",;\t", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text), delimiter=separator))
    except csv.Error as error:
        raise refuse_file(path, "file-no-table", error=str(error)) from error
    return {
        (r, c): Cell("text", unguarded(value.strip()))
        for r, row in enumerate(rows)
        for c, value in enumerate(row)
        if value.strip()
    }


def no_column(heading: str) -> ListColumn | None:
    """That a heading is of no column."""
    return None


# -- rows ------------------------------------------------------------------------------------------


def read_first(
    path: Path, columns: Sequence[ListColumn], message: str, unknown: Unknown = no_column
) -> list[Row]:
    """Rows of a file's first sheet.

    Parameters
    ----------
    message
        Of the finding for a wrong cell; it asks for what was found and what was expected.

    Raises
    ------
    SheetlabError
        If the file cannot be read, or with a finding for every cell that is wrong.
    """
    problems: list[Finding] = []

    def note(found: Phrase, expected: Phrase | str, place: Place) -> None:
        problems.append(finding(message, Severity.STOP, place, found=found, expected=expected))

    rows = list(read_rows(next(iter(open_lists(path).values())), columns, note, unknown))
    if problems:
        raise SheetlabError(*problems[:MAX_PROBLEMS])
    return rows


def read_rows(
    sheet: Sheet, columns: Sequence[ListColumn], note: Note,
    unknown: Unknown = no_column,
) -> Iterator[Row]:  # fmt: skip
    """Filled rows below the headings of a list; a cell that is wrong is noted and left out.

    Capitals, spaces, hyphens and underscores in headings do not matter.

    Parameters
    ----------
    unknown
        The column that a heading is which no column has; None: none.
    """
    first, headings = columns[0].title, ", ".join(column.title for column in columns)
    texts = {
        (r, c): _one_line(str(cell.value))
        for (r, c), cell in sheet.cells.items()
        if cell.kind == "text" and r < HEADING_ROWS and c < MAX_COLUMNS
    }
    head = min((r for (r, _), text in texts.items() if _same(text, first)), default=None)
    if head is None:
        note(phrase("list-no-column", heading=first), headings, Place(sheet.file, sheet.name))
        return
    heads = {c: text for (r, c), text in sorted(texts.items()) if r == head and text}
    of_column: dict[int, ListColumn] = {}
    for c, text in heads.items():
        column = next((one for one in columns if _same(text, one.title)), None) or unknown(text)
        if column is not None and column not in of_column.values():
            of_column[c] = column
    gone = [c.title for c in columns if not c.optional and c not in of_column.values()]
    if gone:
        names = ", ".join(f"“{heading}”" for heading in gone)
        lacking = phrase("list-no-columns", headings=names, row=head + 1)
        note(lacking, headings, sheet.place(head, 0))
    filled = sorted({r for r, c in sheet.cells if r > head and c in of_column})
    if len(filled) > MAX_ROWS:
        long, expected = phrase("list-long", count=len(filled)), phrase("list-rows", most=MAX_ROWS)
        note(long, expected, Place(sheet.file, sheet.name))
    start = next(c for c, column in of_column.items() if column is columns[0])
    for r in filled[:MAX_ROWS]:
        values: dict[str, Value] = {}
        for c, column in of_column.items():
            cell = sheet.cells.get((r, c))
            value = None
            if cell is not None:
                value = _value(column, cell, cell.style in sheet.date_styles)
            if isinstance(value, Phrase):
                wrong = phrase("list-cell", title=column.title, shown=value)
                note(wrong, column.expected, sheet.place(r, c))
            elif value is not None:
                values[column.key] = value
        if values:
            yield Row(values, sheet, r + 1, start)


def _value(column: ListColumn, cell: Cell, is_date: bool) -> Value | Phrase | None:
    """Content of a cell; None if it is empty; a phrase that shows what is wrong."""
    if cell.kind == "error":
        return phrase("list-error", text=str(cell.value))
    if cell.kind == "truth":
        return phrase("list-truth", text=str(bool(cell.value)).upper())
    if cell.formula and cell.value == "":
        return phrase("list-no-value")
    is_text = cell.kind == "text"
    text = _one_line(str(cell.value)) if is_text else f"{cell.value:.12g}"
    if not text:
        return None
    found: Value | None
    match column.kind:
        case "number":
            found = None if is_date and not is_text else _number(column, cell, text)
        case "date":
            found = as_date(text) if is_text else _day(float(cell.value))
        case "choice":
            found = next((c for c in column.choices if c.casefold() == text.casefold()), None)
        case "unit":
            found = text if _is_unit(text) else None
        case _:
            found = text if len(text) <= column.letters else None
    return phrase("list-text", text=text[:40]) if found is None else found


def _number(column: ListColumn, cell: Cell, text: str) -> float | None:
    if cell.kind == "text":
        typed = typed_number(text)
        value = math.nan if typed is None or typed.ambiguous else typed.value
    else:
        value = float(cell.value)
    if not column.least <= value <= MOST or (value and abs(value) < LEAST):
        return None
    return value


def _day(value: float) -> datetime.date | None:
    """A day that a spreadsheet program counts from the end of 1899."""
    if not 0 < value < 1e5:
        return None
    day = FIRST_DAY + datetime.timedelta(days=math.floor(value))
    return day if DATES[0] <= day <= DATES[1] else None


def _is_unit(text: str) -> bool:
    try:
        unit(text)
    except UnitError:
        return False
    return True


def _same(text: str, heading: str) -> bool:
    plain = (one.casefold().translate(dict.fromkeys(map(ord, " -_"))) for one in (text, heading))
    return next(plain) == next(plain)


def _one_line(text: str) -> str:
    """One line without control characters."""
    return " ".join(harmless(text[:500]).split())


# -- writing ---------------------------------------------------------------------------------------


def write_csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV text in which no value is a formula."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([guarded(str(value)) for value in row] for row in rows)
    return stream.getvalue()


def guarded(value: str) -> str:
    """A value that no spreadsheet program takes for a formula; ``unguarded`` is the way back."""
    return GUARD + value if value.lstrip(GUARD).startswith(FORMULA_SIGNS) else value


def unguarded(value: str) -> str:
    """The value that ``guarded`` was given."""
    if value.startswith(GUARD) and value.lstrip(GUARD).startswith(FORMULA_SIGNS):
        return value[1:]
    return value
