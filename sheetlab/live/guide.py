"""The guide workbook: what every function does, and its worked lines as live formulas.

A worked line stands as it would in a sheet of a user's own: what is typed, the formula as a text,
the live formula, the value that the source gives and a cell that compares both. Live cells carry
the value that ``call`` gives, so that a viewer that cannot calculate shows it.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from itertools import groupby
from typing import Any

from msgspec import Struct, field

from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import PART, Block, Example, Function, Value, call
from sheetlab.workbook.style import Styles, lines_needed, set_page

STORED = "Not yet recalculated: Ctrl+Shift+F9 in Calc, Ctrl+Alt+F9 in Excel"
"""What the first sheet shows of an installation that nobody has asked yet."""
AGREES, DIFFERS, MISSING = "agrees", "differs", "no function"
WIDTHS = (18.0, 17.0, 17.0, 17.0, 13.0, 21.0, 18.0, 20.0, 11.0)
"""Of the columns, in digits; five for what is typed, then label, result, expected, comparison."""
TYPED = 5
LABEL, RESULT, EXPECTED, AGREE = range(TYPED, len(WIDTHS))
HEIGHT, USUAL_HEIGHT = 13.0, 15.0
"""Of a line of text, and of a row of which nothing is said, in points."""
SCALE = 86
"""Per cent at which the columns fit the width of A4; breaks between pages stand by hand, which
“fit to width” would leave out in Excel."""
PAGE = 500.0 * 100 / SCALE
"""Height of the rows of a printed page, in points."""
FIRST_SHEET = "Functions"
MOST_COLUMNS = 26
ROUNDING = 1.0 + 1e-9

CALC = (
    "LibreOffice Calc: “sheetlab addin calc --out sheetlab.oxt” writes the add-in; take it in with "
    "Tools > Extension Manager > Add, and start LibreOffice anew."
)
EXCEL = (
    "Excel on Windows: “sheetlab addin excel --out DIR” lays down what the PC needs, with the "
    "steps in words."
)
AWAKE = (
    "Until the program has the functions it shows the values that sheetlab itself calculated, or "
    "#NAME?. If #NAME? stays although it has them, the formulas have to be entered again: replace "
    "= by = in all sheets (Ctrl+H, look in formulas)."
)
PARTS = (
    "A function with the argument “part” gives several numbers. Leave “part” out and type the "
    "formula into as many cells as it needs, two columns wide (mark them, type, Ctrl+Shift+Enter): "
    "labels and numbers. Or name a label as “part” for the one number beside it; capitals and "
    'brackets do not matter: =STRAIGHT_LINE(A2:A9,B2:B9,"u slope").'
)
CELLS = (
    "Empty cells are passed over; of pairs, those that lack a partner, and they are counted. A "
    "decimal comma, or a number that is stored as text, is understood; any other text, TRUE, a "
    "date or an error is refused and named. A message begins with “sheetlab:”. Where your "
    "program separates arguments by semicolons, type semicolons."
)


def guide() -> bytes:
    """The guide as a workbook file."""
    from sheetlab.workbook.book import Book

    data = io.BytesIO()
    book = Book(data, use_future_functions=False)
    style = Styles(book)
    start = book.add_worksheet(FIRST_SHEET)
    groups = [
        (title, tuple(some)) for title, some in groupby(FUNCTIONS.values(), lambda one: one.group)
    ]
    placed: dict[str, tuple[str, int]] = {}
    counts = {}
    for title, some in groups:
        page = _Page(book.add_worksheet(title), style)
        set_page(page.sheet, True, "sheetlab: functions for cells", "")
        page.begin(title)
        for one in some:
            placed[one.id] = title, page.row
            page.function(one)
        page.end()
        counts[title] = page.compared
    _start(start, style, placed, counts)
    book.close()
    return data.getvalue()


def _start(
    sheet: Any, style: Styles, placed: Mapping[str, tuple[str, int]], counts: Mapping[str, int]
) -> None:
    widths = (26.0, 52.0, 14.0)
    set_page(sheet, False, "sheetlab: functions for cells", "")
    sheet.fit_to_pages(1, 1)
    for column, width in enumerate(widths):
        sheet.set_column(column, column, width)
    sheet.set_row(0, 24)
    sheet.write_string(0, 0, "Functions for your own sheets", style("title", wrap=False))
    total = sum(counts.values())
    agreeing = "+".join(f"COUNTIF('{title}'!{_column(AGREE)}:{_column(AGREE)},\"{AGREES}\")"
                        for title in counts)  # fmt: skip
    text = f"of {total} lines agree with their sources"
    sheet.write_formula(1, 0, f'={agreeing}&" {text}"', style("ok", wrap=False), STORED)
    row = 3
    for heading, *texts in (
        ("How to get them", CALC, EXCEL, AWAKE), ("How to use them", PARTS, CELLS),
    ):  # fmt: skip
        sheet.merge_range(row, 0, row, 2, heading, style("heading"))
        row += 1
        for line in texts:
            sheet.merge_range(row, 0, row, 2, line, style("step"))
            sheet.set_row(row, HEIGHT * lines_needed(line, sum(widths) - 4))
            row += 1
    row += 1
    for column, head in enumerate(("function", "what it gives", "sheet")):
        sheet.write_string(row, column, head, style("column"))
    for name, (title, at) in placed.items():
        row += 1
        sheet.write_url(row, 0, f"internal:'{title}'!A{at + 1}", style("cell-link"), name)
        sheet.write_string(row, 1, FUNCTIONS[name].title, style("cell"))
        sheet.write_string(row, 2, title, style("cell"))
        sheet.set_row(row, HEIGHT * lines_needed(FUNCTIONS[name].title, widths[1] - 4) + 2)


class _Page(Struct):
    """A sheet of the guide, written from the top down."""

    sheet: Any
    style: Styles
    row: int = 0
    compared: int = 0
    heights: dict[int, float] = field(default_factory=dict)
    breaks: list[int] = field(default_factory=list)

    def high(self, row: int, points: float) -> None:
        """Make a row at least so high."""
        self.heights[row] = max(points, self.heights.get(row, USUAL_HEIGHT))
        self.sheet.set_row(row, self.heights[row])

    def fit(self, row: int, text: str, width: float) -> None:
        """Make a row high enough for a text in a cell so wide."""
        self.high(row, HEIGHT * lines_needed(text, width - 1) + 2)

    def between(self, first: int, end: int) -> float:
        """Height of some rows."""
        return sum(self.heights.get(row, USUAL_HEIGHT) for row in range(first, end))

    def begin(self, title: str) -> None:
        for column, width in enumerate(WIDTHS):
            self.sheet.set_column(column, column, width)
        self.sheet.set_print_scale(SCALE)
        self.high(0, 24)
        self.sheet.write_string(0, 0, title, self.style("title", wrap=False))
        self.sheet.merge_range(1, 0, 1, TYPED - 1, "what is typed", self.style("column"))
        self.sheet.merge_range(1, LABEL, 1, RESULT, "live result", self.style("column"))
        self.sheet.write_string(1, EXPECTED, "expected", self.style("column"))
        self.sheet.write_string(1, AGREE, "compared", self.style("column"))
        self.sheet.freeze_panes(2, 0)
        self.sheet.repeat_rows(0, 1)
        self.row = 2

    def end(self) -> None:
        self.sheet.print_area(0, 0, self.row - 1, AGREE)
        self.sheet.set_h_pagebreaks(self.breaks)
        self.sheet.conditional_format(
            2,
            AGREE,
            self.row,
            AGREE,
            {
                "type": "formula",
                "criteria": f'=AND({_column(AGREE)}3<>"",{_column(AGREE)}3<>"{AGREES}")',
                "format": self.style("failed"),
            },
        )

    def function(self, one: Function) -> None:
        """Title, what it does, arguments, worked lines."""
        begun = self.row
        self._across(signature(one), "heading", 0)
        self._across(f"{one.title}. {one.help}", "plain", 0)
        for argument in one.arguments:
            self.sheet.write_string(self.row, 0, argument.id, self.style("unit"))
            left = "May be left out. " if argument.optional and argument.id != PART else ""
            self._across(left + argument.help, "note", 1)
        starts, first = [begun], self.row
        for data, some in groupby(one.examples, _ranges):
            if self.row != first:
                starts.append(self.row)
            self._cluster(one, data, tuple(some))
        self._paginate(starts)
        self.row += 1

    def _paginate(self, starts: list[int]) -> None:
        """Begin a page before a function that does not fit, or else before its clusters."""
        page = self.breaks[-1] if self.breaks else 2
        ends = [*starts[1:], self.row]
        if self._fits(page, self.row):
            return
        for k, start in enumerate(starts):
            if start > page and (k == 0 or not self._fits(page, ends[k])):
                self.breaks.append(start)
                page = start

    def _fits(self, first: int, end: int) -> bool:
        # the two rows of headings are repeated
        return self.between(0, 2) + self.between(first, end) <= PAGE

    def _across(self, text: str, style: str, first: int) -> None:
        self.sheet.merge_range(self.row, first, self.row, AGREE, text, self.style(style))
        self.high(self.row, HEIGHT * lines_needed(text, sum(WIDTHS[first:]) - 6) + 2)
        self.row += 1

    def _cluster(
        self, one: Function, data: tuple[tuple[int, tuple[object, ...]], ...],
        examples: tuple[Example, ...],
    ) -> None:  # fmt: skip
        """Worked lines that share their ranges: these at the left, the lines beside them."""
        columns, nearest = {}, 0
        for k, argument in enumerate(one.arguments):
            values = dict(data).get(k)
            wide = len(values[0]) if values and isinstance(values[0], tuple) else 1
            if values is None and all(len(e.arguments) <= k or e.arguments[k] is None
                                      for e in examples):  # fmt: skip
                continue
            columns[k] = nearest
            self.fit(self.row, argument.id, sum(WIDTHS[nearest : nearest + wide]) - 1)
            head = self.style("column")
            if wide > 1:
                self.sheet.merge_range(
                    self.row, nearest, self.row, nearest + wide - 1, argument.id, head
                )
            else:
                self.sheet.write_string(self.row, nearest, argument.id, head)
            nearest += wide
        assert nearest <= TYPED, one.id
        first = self.row + 1
        for k, values in data:
            for i, cells in enumerate(values):
                for j, cell in enumerate(cells if isinstance(cells, tuple) else (cells,)):
                    self._type(first + i, columns[k] + j, cell)
        lowest = first + max((len(values) for _, values in data), default=0)
        row = first
        for example in examples:
            references = _references(example, columns, first, row)
            for k, value in enumerate(example.arguments):
                if value is not None and not isinstance(value, tuple):
                    self._type(row, columns[k], value)
                    self.fit(row, str(value), 0.6 * WIDTHS[columns[k]])
            row = self._line(one, example, f"{one.id}({references})", row)
        self.row = max(row, lowest)

    def _type(self, row: int, column: int, value: object) -> None:
        if isinstance(value, str):
            self.sheet.write_string(row, column, value, self.style("input-comment"))
        elif value is not None:
            self.sheet.write_number(row, column, value, self.style("input"))

    def _line(self, one: Function, example: Example, formula: str, row: int) -> int:
        """A live formula beside what is expected, and below it its text and its source."""
        got = call(FUNCTIONS, one.id, example.arguments)
        rows, wanted = as_rows(got), as_rows(example.expected)
        written = f"={formula}"
        if isinstance(example.expected, tuple):
            self._array(written, rows, row)
        elif isinstance(got, str):
            text = self.style("box")
            self.sheet.merge_range(row, LABEL, row, RESULT, "", text)
            self.sheet.write_formula(row, LABEL, written, text, got)
        else:
            self.sheet.write_blank(row, LABEL, None, self.style("cell"))
            self.sheet.write_formula(row, RESULT, written, self.style("figure"), got)
        for i, (values, tolerance) in enumerate(zip(wanted, example.tolerances(), strict=True)):
            value = values[-1]
            alone = not isinstance(got, tuple)
            cell = LABEL if isinstance(value, str) and (alone or len(values) == 1) else RESULT
            self._expect(row + i, cell, value, tolerance, rows[i][-1])
            if isinstance(value, str):
                self.fit(row + i, value, WIDTHS[EXPECTED] - 2)
        row += len(wanted)
        style = self.style("formula", wrap=False)
        self.sheet.merge_range(row, LABEL, row, AGREE, f"={formula}", style)
        self.sheet.merge_range(row + 1, LABEL, row + 1, AGREE, example.source, self.style("rule"))
        self.fit(row + 1, example.source, sum(WIDTHS[LABEL:]) - 4)
        return row + 2

    def _array(self, formula: str, rows: Block, row: int) -> None:
        """An array formula with the values of all its cells."""
        last = LABEL + len(rows[0]) - 1
        self.sheet.write_array_formula(
            row, LABEL, row + len(rows) - 1, last, f"{{{formula}}}", self.style("cell"), rows[0][0]
        )
        for i, values in enumerate(rows):
            for j, value in enumerate(values):
                if (i, j) != (0, 0):
                    put = self.sheet.write_string if isinstance(value, str) else (
                        self.sheet.write_number)  # fmt: skip
                    text = isinstance(value, str)
                    put(row + i, LABEL + j, value, self.style("cell" if text else "figure"))

    def _expect(self, row: int, cell: int, value: Value, tolerance: float, got: Value) -> None:
        live, wanted = f"{_column(cell)}{row + 1}", f"{_column(EXPECTED)}{row + 1}"
        if isinstance(value, str):
            self.sheet.write_string(row, EXPECTED, value, self.style("cell"))
            # Calc finds no text equal to one that an add-in gave, unless it is made one here
            same = f'EXACT({live}&"",{wanted})'
            agree = got == value
        else:
            self.sheet.write_number(row, EXPECTED, value, self.style("figure"))
            limit = tolerance * ROUNDING
            same = f"IF(ISNUMBER({live}),ABS({live}-{wanted})<={limit:.6g},FALSE)"
            agree = not isinstance(got, str) and abs(got - value) <= limit
        self.sheet.write_formula(
            row,
            AGREE,
            f'=IF(ISERROR({live}),"{MISSING}",IF({same},"{AGREES}","{DIFFERS}"))',
            self.style("compared"),
            AGREES if agree else DIFFERS,
        )
        self.compared += 1


def signature(one: Function) -> str:
    """How a function is called; what may be left out stands in brackets."""
    heads = ", ".join(f"[{a.id}]" if a.optional else a.id for a in one.arguments)
    return f"{one.id}({heads})"


def as_rows(value: Value | Block) -> Block:
    """An answer as rows of cells."""
    return value if isinstance(value, tuple) else ((value,),)


def _ranges(example: Example) -> tuple[tuple[int, tuple[object, ...]], ...]:
    return tuple((k, v) for k, v in enumerate(example.arguments) if isinstance(v, tuple))


def _references(example: Example, columns: Mapping[int, int], first: int, row: int) -> str:
    """The arguments as references; one that is left out between others stays empty."""
    found = []
    for k, value in enumerate(example.arguments):
        if value is None:
            found.append("")
        elif isinstance(value, tuple):
            wide = len(value[0]) if isinstance(value[0], tuple) else 1
            last = f"{_column(columns[k] + wide - 1)}{first + len(value)}"
            found.append(f"{_column(columns[k])}{first + 1}:{last}")
        else:
            found.append(f"{_column(columns[k])}{row + 1}")
    while found and not found[-1]:
        found.pop()
    return ",".join(found)


def _column(index: int) -> str:
    assert index < MOST_COLUMNS
    return chr(ord("A") + index)
