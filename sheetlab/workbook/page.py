"""One way to write a page of ours, and to find its columns again.

A page is a sheet that is written from top to bottom on a grid of columns: lines of text, tables,
labels with values, charts. What stands there is asked for by key, never by position.

Example
-------
>>> columns = (
...     Column("load", "load / kg", 10, lambda reading: reading.load),
...     Column("length", "length / mm", 12, lambda reading: (reading.length, "0.00")),
...     Column("share", "share", 10, lambda _: Cell(None, formula="={load}/SUM({load:all})")),
... )
>>> page = new_page(book.add_worksheet("Loads"), Styles(book), columns, ("Wire", "Group 4"))
>>> page.line("Loads and lengths", "title")
>>> table = page.table(columns, readings)
>>> table.freeze(through="load")
>>> page.line(f"The first length stands in {table.cell('length')}.", "note")

and back: ``[row["length"] for _, row in read_table(long_book.rows("Loads"), columns)]``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct, field
from msgspec.structs import replace
from xlsxwriter.utility import xl_range_abs, xl_rowcol_to_cell

from sheetlab.workbook.style import Styles, lines_needed, number_format, set_page

SIZES: Mapping[str, int] = {"title": 15, "statement": 14, "formula": 11}
"""Points of the font of a line, as far as its height counts; 10 for other styles."""
USUAL_HEIGHT = 15.0
"""Points of a row that is left as it is."""
HIDDEN = "hidden"
"""Style of a cell without a look."""
_KEY = re.compile(r"\{([^{}:,]+)(:\$|:all)?\}")


class Cell(Struct, frozen=True):
    """A cell that is more than its value."""

    value: float | str | None  # None: blank; of a formula: what it gave when it was written
    shape: str | None = None  # number format; None: that of the column
    style: str = ""  # a name of ``style``; empty: that of the column
    formula: str = ""
    """``={length}/{load}``: cells of its row, or of the page's ``fields``, by key; ``{load:$}``:
    with both parts fixed; ``{load:all}``: the column of the whole table."""
    link: str = ""  # ``internal:'Readings'!B7`` or ``external:folder/file.xlsx``


Value = float | str
Shown = Cell | tuple[float | None, str] | float | str | None
"""What a cell shows; a pair is a number and its number format."""


class Column(Struct, frozen=True):
    """A column of a table."""

    key: str  # empty: nothing is written in the column
    title: str = ""
    width: float = 0.0  # in digits of the sheet's font, where a page has the grid of its table
    value: Callable[[Any], Shown] | None = None
    """What a row gives; None: what a mapping has under the key, a sequence at its place."""
    format: str = ""  # style of its cells; empty: ``cell`` for texts, ``figure`` for numbers
    shape: str | None = None  # number format; None: of a figure its own digits, otherwise none
    span: int = 1  # columns of the page that it takes
    wrap: bool = True  # whether a text goes on in the next line, and makes its row higher
    hidden: bool = False  # for programs, left of what is shown; without a look
    asked: Mapping[str, Any] | None = None  # what may be typed: XlsxWriter's ``data_validation``


class Fit(Struct, frozen=True):
    """How high a row is: points of a line of 10 points, and ``more``; at least ``least``.

    A text fills a ``share`` of its width, of which it lacks ``less`` digits.
    """

    line: float = 14.0
    more: float = 3.0
    least: float = 0.0
    share: float = 1.0
    less: float = 0.0

    def lines(self, text: str, width: float, size: int = 10) -> int:
        """Lines that a text of ``size`` points takes in a width in digits."""
        return lines_needed(text, width * self.share - self.less, size)

    def height(self, text: str, width: float, size: int = 10) -> float:
        """Points for that text."""
        lines = self.lines(text, width, size)
        return max(lines * self.line * size / 10 + self.more, self.least)


def places(columns: Sequence[Column], start: int = 0) -> dict[str, int]:
    """Zero-based column of each key, of a table that begins at ``start``."""
    return {c.key: start + sum(b.span for b in columns[:i]) for i, c in enumerate(columns)}


class Page(Struct):
    """A sheet that is written from top to bottom; ``row``, from 0, is the next that is free."""

    sheet: Any
    styles: Styles
    widths: Sequence[float]  # of the columns that are shown, in digits
    first: int = 0  # first column that is shown
    across: Fit = Fit()  # of lines of text
    cells: Fit = Fit(line=13.5, more=4.0, share=0.88, less=0.8)  # of rows of a table
    merged: bool = True
    """Whether also a line that one row holds takes all columns; else it runs over empty cells."""
    clean: Callable[[str], str] = str  # what is done to each text
    row: int = 0
    height: float = 0.0  # points of the rows so far
    named: dict[str, str] = field(default_factory=dict)  # fixed addresses of ``fields``, by key
    breaks: list[int] = field(default_factory=list)

    def width(self, column: int = 0, span: int | None = None) -> float:
        """Digits of some columns, counted from the first that is shown, or of all after it."""
        return math.fsum(self.widths[column : None if span is None else column + span])

    def end_row(self, height: float) -> float:
        """Go to the next row; a height of 0 is not set. Returns the height in points."""
        if height:
            self.sheet.set_row(self.row, height)
        self.row += 1
        self.height += height or USUAL_HEIGHT
        return height or USUAL_HEIGHT

    gap = end_row

    def line(self, text: str, style: str = "plain", size: int = 0, least: float = 0.0) -> float:
        """A text across the page; returns the height of its row in points."""
        size, text = size or SIZES.get(style, 10), self.clean(text)
        alone = not self.merged and self.across.lines(text, self.width(), size) == 1
        over = alone and style != "heading"
        self.put(self.first, text, style, span=1 if over else len(self.widths), wrap=not over)
        return self.end_row(max(self.across.height(text, self.width(), size), least))

    def put(
        self, column: int, shown: Shown, style: str = "", shape: str | None = None, span: int = 1,
        wrap: bool = True,
    ) -> None:  # fmt: skip
        """Write a cell of this row of the sheet's column, over ``span`` columns."""
        cell, at, sheet = as_cell(shown), (self.row, column), self.sheet
        value, shape = cell.value, shape if cell.shape is None else cell.shape
        usual = "figure" if cell.formula or isinstance(value, int | float) else "cell"
        name = cell.style or style or ("cell-link" if cell.link else usual)
        if not isinstance(value, str) and value is not None:
            if not math.isfinite(value):
                value = "∞"
            elif shape is None and name.startswith("figure"):
                shape = number_format(value)
        look = None if style == HIDDEN else self.styles(name, shape or "", wrap)
        if span > 1:
            sheet.merge_range(*at, self.row, column + span - 1, "", look)
        if cell.formula:
            sheet.write_formula(*at, cell.formula, look, "" if value is None else value)
        elif cell.link:
            sheet.write_url(*at, cell.link, look, self.clean(str(value)))
        elif value is None:
            # a chart shows a text, even an empty one, as zero
            sheet.write_blank(*at, None, look)
        elif isinstance(value, str):
            sheet.write_string(*at, self.clean(value), look)
        else:
            sheet.write_number(*at, value, look)

    def table(self, columns: Sequence[Column], rows: Iterable[Any], **how: Any) -> Table:
        """A table with all of its rows; ``how``: as ``open_table`` takes it."""
        rows = tuple(rows)
        table = self.open_table(columns, rows=len(rows), **how)
        for row in rows:
            table.write(row)
        return table

    def open_table(
        self, columns: Sequence[Column], heads: bool = True, height: float | None = None,
        keys: bool = False, rows: int = 0,
    ) -> Table:  # fmt: skip
        """The headings of a table whose rows are written one after the other.

        ``height``: of the headings, as ``Table.write`` takes it. ``keys``: whether a hidden row of
        keys goes before them. ``rows``: how many it will have, for formulas with a whole column and
        for what may be typed.
        """
        start = 0 if columns[0].hidden else self.first
        at = places(columns, start)
        if keys:
            for key in filter(None, at):
                self.sheet.write_string(self.row, at[key], key)
            self.sheet.set_row(self.row, None, None, {"hidden": True})
            self.row += 1
        titles = [replace(c, value=None, format="column", shape=None, wrap=True) for c in columns]
        if heads:
            shown = [None if column.hidden else column.title for column in columns]
            Table(self, titles, self.row, at).write(shown, height)
        table = Table(self, columns, self.row, at, rows)
        for column in columns:
            if column.asked is not None:
                self.sheet.data_validation(*table.area(column.key), dict(column.asked))
        return table

    def fields(
        self, entries: Sequence[tuple[str, str, Shown, str]], spans: Sequence[int] = (1, 1),
        style: str = "cell", height: float | None = None,
    ) -> None:  # fmt: skip
        """Labels with values: key, label, value and its style; ``named`` has the addresses.

        ``spans``: columns of a label and its value; for more in a row go on with those of a gap,
        a label, a value. ``style``: of the labels. ``height``: as ``Table.write`` takes it.
        """
        across = (len(spans) + 1) // 3
        for k in range(0, len(entries), across):
            columns, values = [], []
            for j, (key, label, shown, look) in enumerate(entries[k : k + across]):
                gap = [Column("", span=spans[3 * j - 1])] if j else []
                columns += [*gap, Column(f"{key} label", format=style, span=spans[3 * j]),
                            Column(key, format=look, span=spans[3 * j + 1])]  # fmt: skip
                values += [*gap, label, shown]
            table = self.open_table(columns, heads=False)
            self.named |= {key: table.cell(key, fixed=True) for key, *_ in entries[k : k + across]}
            table.write(values, height)

    def chart(self, chart: Any, rows: int, description: str) -> None:
        """A chart over so many rows."""
        self.sheet.insert_chart(self.row, self.first, chart, {"description": description})
        self.row += rows
        self.height += rows * USUAL_HEIGHT

    def break_page(self) -> None:
        """Begin a printed page with the next row."""
        self.breaks.append(self.row)
        self.sheet.set_h_pagebreaks(self.breaks)


class Table(Struct):
    """A table on a page; its rows count from 0."""

    page: Page
    columns: Sequence[Column]
    first_row: int  # row of the sheet of its first row, from 0
    at: Mapping[str, int]  # column of the sheet of each key, from 0
    rows: int = 1  # how many it has, or will have

    def cell(self, key: str, row: int = 0, fixed: bool = False) -> str:
        """Address of a cell on its sheet: ``C5``, or ``$C$5``."""
        return str(xl_rowcol_to_cell(self.first_row + row, self.at[key], fixed, fixed))

    def cells(self, key: str) -> str:
        """Address of a column of the whole table on its sheet: ``C$5:C$12``."""
        first, _, last, column = self.area(key)
        return ":".join(xl_rowcol_to_cell(row, column, row_abs=True) for row in (first, last))

    def range(self, key: str, rows: int = 0) -> list[Any]:
        """A column, or its first rows, as charts of XlsxWriter take it."""
        return [self.page.sheet.name, *self.area(key, rows)]

    def area(self, key: str, rows: int = 0) -> tuple[int, int, int, int]:
        """First row, column, last row, column of the sheet, from 0."""
        last = self.first_row + max(rows or self.rows, 1) - 1
        return self.first_row, self.at[key], last, self.at[key]

    def write(self, row: Any, height: float | None = None) -> float:
        """Write the next row; returns its height in points.

        ``row``: what the columns take their values from; None: blank cells. ``height``: in points;
        None: as its texts need, 0: as it is of itself.
        """
        page, needed = self.page, height or 0.0
        for i, column in enumerate(self.columns):
            if not column.key:
                continue
            cell, at = as_cell(_value(column, row, i)), self.at[column.key]
            if cell.formula:
                formula = self.filled(cell.formula, page.row - self.first_row)
                cell = replace(cell, formula=formula)
            style = HIDDEN if column.hidden else column.format
            page.put(at, cell, style, column.shape, column.span, column.wrap)
            if height is None and not column.hidden:
                text = cell.value if column.wrap and isinstance(cell.value, str) else ""
                width = page.width(at - page.first, column.span)
                needed = max(needed, page.cells.height(page.clean(text), width))
        self.rows = max(self.rows, page.row - self.first_row + 1)
        return page.end_row(needed)

    def filled(self, formula: str, row: int = 0) -> str:
        """A formula with the addresses of its keys, as it stands in a row."""

        def address(found: re.Match[str]) -> str:
            key, how = found[1], found[2]
            if key in self.page.named:
                return self.page.named[key]
            return self.cells(key) if how == ":all" else self.cell(key, row, fixed=how is not None)

        return _KEY.sub(address, formula)

    def freeze(self, through: str = "") -> None:
        """Keep the headings in view and on every printed page, and the columns up to one."""
        self.page.sheet.freeze_panes(self.first_row, self.at[through] + 1 if through else 0)
        self.page.sheet.repeat_rows(self.first_row - 1)

    def filter(self) -> None:
        """Drop-downs at the headings, by which a person chooses and sorts the rows."""
        first, _, last, _ = self.area(self.columns[0].key)
        self.page.sheet.autofilter(first - 1, min(self.at.values()), last, max(self.at.values()))

    def mark(self, key: str, condition: str, style: str) -> None:
        """Another look for cells of a column where a formula, as of the first row, holds."""
        criteria, look = self.filled(condition), self.page.styles(style)
        how = {"type": "formula", "criteria": criteria, "format": look}
        self.page.sheet.conditional_format(*self.area(key), how)


def new_page(
    sheet: Any, styles: Styles, grid: Sequence[Column] | Sequence[float], footer: tuple[str, str],
    landscape: bool = True, pages: tuple[int, int] | None = (1, 0), **how: Any,
) -> Page:  # fmt: skip
    """A page on an empty sheet: columns, A4, footer.

    ``grid``: widths in digits, or the columns of its table, hidden ones first. ``footer``: what it
    belongs to, and whose it is. ``pages``: printed pages across and down, 0: as many as it takes;
    None: as large as it is. ``how``: other fields of ``Page``.
    """
    set_page(sheet, landscape, *footer)
    columns = [one if isinstance(one, Column) else Column("", "", one) for one in grid]
    for i, column in enumerate(columns):
        sheet.set_column(i, i, column.width, None, {"hidden": column.hidden})
    if pages is not None:
        sheet.fit_to_pages(*pages)
    hidden = sum(column.hidden for column in columns)
    return Page(sheet, styles, [column.width for column in columns[hidden:]], hidden, **how)


def whole_column(sheet: str, columns: Sequence[Column], key: str, last_row: int) -> str:
    """Address of a column of a page that may be written later, down to a zero-based row."""
    column = places(columns)[key]
    return f"{sheet}!{xl_range_abs(0, column, last_row, column)}"


def as_cell(shown: Shown) -> Cell:
    """What a cell shows, with all that it can have."""
    if isinstance(shown, Cell):
        return shown
    return Cell(*shown) if isinstance(shown, tuple) else Cell(shown)


def _value(column: Column, row: Any, place: int) -> Shown:
    if row is None or column.value is not None:
        return None if row is None or column.value is None else column.value(row)
    found: Shown = row.get(column.key) if isinstance(row, Mapping) else row[place]
    return found


def read_table(
    lines: Iterable[tuple[int, Mapping[int, Value]]], columns: Sequence[Column], keys: bool = False
) -> Iterator[tuple[int, dict[str, Value]]]:
    """Rows of a table of ours by key, wherever its columns were moved; empty rows are left out.

    ``lines``: zero-based number of each row with its cells by column, as ``LongBook.rows`` gives
    them. ``keys``: whether columns are found by the hidden row of keys, not by their titles.

    Raises
    ------
    KeyError
        With a title that is not there, if no row has all of them.
    """
    wanted = {c.key if keys else c.title: c.key for c in columns if c.key}
    at: dict[str, int] = {}
    lacking = list(wanted)
    for number, cells in lines:
        if at:
            row = {key: cells[column] for key, column in at.items() if column in cells}
            if row:
                yield number, row
            continue
        there = {str(cell): column for column, cell in cells.items()}
        lacking = min(lacking, [title for title in wanted if title not in there], key=len)
        if not lacking:
            at = {key: there[title] for title, key in wanted.items()}
    if not at:
        raise KeyError(lacking[0])
