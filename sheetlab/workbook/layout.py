"""Where everything lies: the only place that assigns sheets, cells and defined names.

A sheet is a stack of blocks on a grid of equal columns. Writers draw the blocks, readers look up
the names; neither knows a coordinate of its own.

What is typed in a row of a table and the question about it stand side by side, in one view of the
screens that laboratories have; what is worked out comes after them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache

from msgspec import Struct

from sheetlab.formula.tree import Node
from sheetlab.practical.definition import Assist, Instrument, Table
from sheetlab.practical.fields import (
    LEFT_OUT,
    OWN_UNCERTAINTY,
    START_INPUTS,
    CheckField,
    DerivedField,
    Field,
    InputField,
    triangle_keys,
)
from sheetlab.practical.instruments import KINDS
from sheetlab.practical.model import Practical
from sheetlab.units import Unit

START = "Start"
IDENTITY = "sheetlab"
PORTRAIT_COLUMNS = 9
LANDSCAPE_COLUMNS = 14
LABEL_COLUMNS = 4
"""Columns that the label of a single value spans."""
FEWEST_MESSAGE_COLUMNS = 4
COLUMN_WIDTH, LEAST_WIDTH = 10.3, 7.7
"""Of a column, in digits of 7 pixels beside 5 more: usual, and where many have to fit in a view."""
SCREEN_WIDTH = 1134
"""Pixels of columns that a screen of 1366 pixels shows beside each other: there Calc 7.4 leaves
1267 pixels for cells and draws a column of 77 with 86 (seen); Excel shows more (from memory)."""
SCREEN_HEIGHT = 370.0
"""Points that such a screen shows above each other; about 250 of its 768 pixels are not for cells
(seen in Calc 7.4, with 70 for the bars of window and desktop: from memory)."""


class Slot(Struct, frozen=True):
    """Cells of a field: one, or a column of ``rows`` cells. Zero-based."""

    sheet: str
    row: int
    column: int
    rows: int = 1


class Text(Struct, frozen=True):
    """A line of text across the sheet. ``style``: title, heading, note, step, caution, rule."""

    row: int
    text: str
    style: str


class ValueRow(Struct, frozen=True):
    """Label, one value, its unit, and room for a message."""

    row: int
    key: str
    checks: tuple[CheckField, ...] = ()
    wide: bool = False
    """A text that takes the rest of the row."""


class Grid(Struct, frozen=True):
    """A table: heading row, then rows of readings; messages right of what is typed."""

    heading_row: int
    row_label: str
    rows: int
    columns: tuple[str, ...]
    checks: tuple[CheckField, ...]
    message_columns: tuple[int, int]
    """First and last column of the message cells."""

    @property
    def first_row(self) -> int:
        """Row of the first reading."""
        return self.heading_row + 1


class Picture(Struct, frozen=True):
    """The apparatus sketch with its caption in the last of its rows."""

    row: int
    caption: str
    rows: int


class Gap(Struct, frozen=True):
    """A low row without anything in it."""

    row: int


Block = Text | ValueRow | Grid | Picture | Gap


class SheetLayout(Struct, frozen=True):
    """A sheet as a stack of blocks."""

    title: str
    landscape: bool
    columns: int
    across: int
    """Columns that are in view: texts run across them; what is worked out may lie beyond."""
    blocks: tuple[Block, ...]
    rows: int

    @property
    def column_width(self) -> float:
        """Width of every column, in digits of the sheet's font."""
        return min(COLUMN_WIDTH, max(LEAST_WIDTH, (SCREEN_WIDTH // self.across - 5) / 7))


class Layout(Struct, frozen=True):
    """Sheets in order, the cells of every field that is shown, and the defined names."""

    practical: Practical
    assist: Assist
    sheets: tuple[SheetLayout, ...]
    slots: Mapping[str, Slot]

    def name(self, key: str) -> str:
        """Defined name of a field."""
        return defined_name(self.practical.field(key))

    def names(self) -> Iterator[tuple[str, str]]:
        """Defined names with the absolute references they stand for."""
        for key, slot in self.slots.items():
            yield self.name(key), absolute_range(slot)

    def source(self, sheet: str) -> LayoutCells:
        """Cells as formulas on one sheet refer to them."""
        return LayoutCells(self, sheet)


def defined_name(one: Field) -> str:
    """Workbook-level name of a field: typed inputs and worked-out values do not mix."""
    prefix = "in" if isinstance(one, InputField) else "calc"
    return f"{prefix}_{one.key.replace('.', '_')}"


@cache
def column_letter(column: int) -> str:
    """Letter of a zero-based column."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def quoted_sheet(title: str) -> str:
    """A sheet title as references write it."""
    return "'" + title.replace("'", "''") + "'"


def absolute_range(slot: Slot, seen_from: str = "") -> str:
    """``'Sheet'!$B$3:$B$9``; without the sheet on that sheet itself."""
    letter = column_letter(slot.column)
    first = "" if slot.sheet == seen_from else f"{quoted_sheet(slot.sheet)}!"
    first += f"${letter}${slot.row + 1}"
    return first if slot.rows == 1 else f"{first}:${letter}${slot.row + slot.rows}"


class LayoutCells(Struct, frozen=True):
    """The cells of a layout as seen from one sheet (what formula rendering asks for)."""

    layout: Layout
    sheet: str

    def cell(self, key: str, row: int | None) -> str | None:
        """Reference to a quantity or an element of a column; None if it is on no sheet."""
        slot = self.layout.slots.get(key)
        if slot is None:
            return None
        if self.layout.practical.field(key).table is None:
            return absolute_range(slot, self.sheet)
        if row is None:
            return None
        prefix = "" if slot.sheet == self.sheet else f"{quoted_sheet(slot.sheet)}!"
        return f"{prefix}${column_letter(slot.column)}{slot.row + row + 1}"

    def range(self, key: str) -> str | None:
        """Reference to a whole column; None if it is on no sheet."""
        slot = self.layout.slots.get(key)
        if slot is None or self.layout.practical.field(key).table is None:
            return None
        reference = absolute_range(slot, self.sheet)
        return f"{reference}:{reference.rpartition('!')[2]}" if slot.rows == 1 else reference

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name."""
        return self.layout.practical.columns(key)

    def unit(self, key: str) -> Unit:
        """Unit in which the cell holds its number."""
        return self.layout.practical.field(key).unit

    def formula(self, key: str) -> Node | None:
        """Formula of a derived field; None for an input."""
        one = self.layout.practical.field(key)
        return one.node if isinstance(one, DerivedField) else None

    def choices(self, key: str) -> Sequence[tuple[str, float]]:
        """Texts of a choice with their numbers."""
        one = self.layout.practical.field(key)
        if not isinstance(one, InputField):
            return ()
        return tuple(zip(one.choices, one.choice_values, strict=True))


def heading(one: Field) -> str:
    """Column heading or label: quantity / unit, as ISO 80000-1 writes it."""
    title = one.title if not one.symbol else f"{one.title} {one.symbol}"
    return f"{title} / {one.unit.pretty}" if one.unit.pretty else title


class _Columns(Struct, frozen=True):
    """Columns of a table: what is typed, why a row is left out, and what is worked out."""

    typed: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    worked: tuple[str, ...] = ()

    @property
    def typed_and_asked(self) -> int:
        """Columns up to the last that is typed, with the row's label and its question."""
        return 1 + len(self.typed) + FEWEST_MESSAGE_COLUMNS + len(self.reasons)


class _Stack(Struct):
    """A sheet that is being laid out: blocks from top to bottom, and the cells of its fields."""

    practical: Practical
    assist: Assist
    title: str
    landscape: bool
    across: int
    columns: int
    slots: dict[str, Slot]
    row: int = 0
    blocks: list[Block] = []

    def add(self, block: Block, rows: int = 1) -> None:
        self.blocks.append(block)
        self.row += rows

    def text(self, text: str, style: str) -> None:
        if text:
            self.add(Text(self.row, text, style))

    def gap(self) -> None:
        self.add(Gap(self.row))

    def value(self, key: str, wide: bool = False) -> None:
        checks = tuple(c for c in self.practical.checks if c.table is None and c.at == key)
        self.slots[key] = Slot(self.title, self.row, LABEL_COLUMNS)
        self.add(ValueRow(self.row, key, checks, wide))

    def values(self, title: str, keys: Sequence[str]) -> None:
        if keys:
            self.text(title, "heading")
            for key in keys:
                self.value(key)
            self.gap()

    def grid(self, table: str, row_label: str, its: _Columns) -> None:
        rows = self.practical.tables[table]
        used = 1 + len(its.typed)
        after = its.reasons + its.worked
        # a narrow table ends where the sheet does
        last = max(used + FEWEST_MESSAGE_COLUMNS, self.across - len(after)) - 1
        self.columns = max(self.columns, last + 1 + len(after))
        checks = tuple(c for c in self.practical.checks if c.table == table)
        for first, keys in ((1, its.typed), (last + 1, after)):
            for column, key in enumerate(keys, first):
                self.slots[key] = Slot(self.title, self.row + 1, column, rows)
        grid = Grid(self.row, row_label, rows, its.typed + after, checks, (used, last))
        self.add(grid, 1 + rows)

    def shown(self, key: str) -> bool:
        return self.practical.derived[key].assist.rank <= self.assist.rank

    def laid_out(self) -> SheetLayout:
        return SheetLayout(
            self.title, self.landscape, self.columns, self.across, tuple(self.blocks), self.row
        )


def lay_out(practical: Practical, assist: Assist) -> Layout:
    """Places for everything that a workbook of this assist level shows.

    Raises
    ------
    ValueError
        If two fields would share a defined name.
    """
    d = practical.definition
    slots: dict[str, Slot] = {}
    start = _stack(practical, assist, START, False, "", slots)
    _start(start)
    sheets = [start.laid_out()]
    for sheet in d.sheets:
        stack = _stack(practical, assist, sheet.title, sheet.landscape, sheet.id, slots)
        stack.text(sheet.title, "title")
        stack.text(sheet.note, "note")
        _contents(stack, sheet.id)
        sheets.append(stack.laid_out())
    taken: dict[str, str] = {}
    for key in slots:
        name = defined_name(practical.field(key)).lower()
        if name in taken:
            raise ValueError(f"{key} and {taken[name]} would share the name {name}")
        taken[name] = key
    return Layout(practical, assist, tuple(sheets), slots)


def _stack(
    practical: Practical, assist: Assist, title: str, landscape: bool, sheet: str,
    slots: dict[str, Slot],
) -> _Stack:  # fmt: skip
    """An empty sheet, as wide as what is typed into it needs."""
    stack = _Stack(practical, assist, title, landscape, 0, 0, slots)
    d = practical.definition
    needed = [_table_columns(stack, one) for one in d.tables if one.sheet == sheet]
    needed += [_zero_columns(stack, one) for one in d.instruments if one.sheet == sheet]
    usual = LANDSCAPE_COLUMNS if landscape else PORTRAIT_COLUMNS
    stack.across = stack.columns = max([usual, *(its.typed_and_asked for its in needed)])
    return stack


def _start(stack: _Stack) -> None:
    """The first sheet: who, what and how."""
    d = stack.practical.definition
    stack.text(d.title, "title")
    stack.text(d.aim, "note")
    stack.text(COLOURS, "rule")
    for one in START_INPUTS[:4]:
        stack.value(one.key, wide=True)
    stack.gap()
    if d.sketch:
        stack.add(Picture(stack.row, d.sketch_caption, PICTURE_ROWS), PICTURE_ROWS + 1)
    if d.cautions:
        stack.text("Before you begin", "caution-heading")
        for caution in (*d.cautions, LOCAL_RULES):
            stack.text(caution, "caution")
        for one in START_INPUTS[4:]:
            stack.value(one.key, wide=True)
        stack.gap()
    if d.apparatus:
        stack.text("Apparatus: " + "; ".join(d.apparatus) + ".", "rule")
        stack.gap()
    if d.method:
        stack.text("What to do", "heading")
        for i, step in enumerate(d.method, 1):
            stack.text(f"{i}.  {step}", "step")


def _contents(stack: _Stack, sheet: str) -> None:
    """What a definition puts on a sheet."""
    practical, d = stack.practical, stack.practical.definition
    for instrument in d.instruments:
        if instrument.sheet == sheet:
            _instrument(stack, instrument)
    single = [one.id for one in d.inputs if one.sheet == sheet]
    beside = [(key, f"{key}.{OWN_UNCERTAINTY}") for key in single]
    stack.values("", [key for pair in beside for key in pair if key in practical.inputs])
    for table in d.tables:
        if table.sheet == sheet:
            stack.text(table.title, "heading")
            stack.text(table.note, "note")
            stack.grid(table.id, table.row_label, _table_columns(stack, table))
            stack.gap()
    if sheet == d.sheets[-1].id:
        stack.values("Your own result", [f"answer.{answer.id}" for answer in d.answers])
        for line in practical.lines.values():
            if line.definition.triangle:
                title = f"Gradient triangle on your own graph: {line.definition.title}"
                stack.values(title, triangle_keys(line))
    shown = [q for q in d.quantities if q.assist.rank <= stack.assist.rank]
    derived = [q.id for q in shown if q.sheet == sheet]
    stack.values("Worked out from the readings in this workbook", derived)


def _instrument(stack: _Stack, instrument: Instrument) -> None:
    kind = KINDS[instrument.kind]
    stack.text(instrument.title, "heading")
    stack.text(instrument.note, "note")
    for name in [*(one.id for one in kind.parameters), *(one.id for one in kind.derived)]:
        stack.value(f"{instrument.id}.{name}")
    if instrument.limit is not None:
        stack.value(f"{instrument.id}.limit")
    if instrument.zero_rows:
        stack.text(kind.rule, "rule")
        stack.grid(f"{instrument.id}.zeros", "Trial", _zero_columns(stack, instrument))
        if stack.shown(f"{instrument.id}.zero"):
            stack.value(f"{instrument.id}.zero")
    stack.gap()


def _zero_columns(stack: _Stack, instrument: Instrument) -> _Columns:
    if not instrument.zero_rows:
        return _Columns()
    base = f"{instrument.id}.zero_reading"
    typed = tuple(f"{base}.{part.id}" for part in KINDS[instrument.kind].zero_parts)
    return _Columns(typed, worked=(base,) if stack.shown(base) else ())


def _table_columns(stack: _Stack, table: Table) -> _Columns:
    practical = stack.practical
    typed, worked = [], []
    for column in table.columns:
        keys = practical.columns(f"{table.id}.{column.id}")
        for key in keys:
            typed += [key] if key in practical.inputs else []
            typed += [k for k in practical.inputs if k.startswith(f"{key}.")]
            shown = (f"{key}.observed", key) if len(keys) == 1 else (key,)
            worked += [k for k in shown if k in practical.derived and stack.shown(k)]
    reason = f"{table.id}.{LEFT_OUT}"
    return _Columns(tuple(typed), (reason,) if reason in practical.inputs else (), tuple(worked))


PICTURE_ROWS = 15
LOCAL_RULES = (
    "These are the usual cautions. The rules of this laboratory and the person in charge decide; "
    "ask before you begin."
)
COLOURS = (
    "Type only into the framed cells with the pale ground. Everything else is worked out or fixed. "
    "Numbers without units; the unit stands in the heading."
)

_REFERENCE = re.compile(
    r"^(?:'(?P<quoted>(?:[^']|'')+)'|(?P<plain>[^'!]+))!"
    r"\$?(?P<column>[A-Z]{1,3})\$?(?P<first>\d{1,7})"
    r"(?::\$?(?P<column2>[A-Z]{1,3})\$?(?P<last>\d{1,7}))?$"
)


def parse_reference(text: str) -> Slot | None:
    """Slot of a reference such as ``'Sheet'!$B$3:$B$9``; None if it is not one column."""
    match = _REFERENCE.match(text)
    if match is None or match["column2"] not in (None, match["column"]):
        return None
    column = 0
    for letter in match["column"]:
        column = column * 26 + ord(letter) - ord("A") + 1
    first = int(match["first"])
    last = int(match["last"] or first)
    sheet = match["plain"] or match["quoted"].replace("''", "'")
    return Slot(sheet, first - 1, column - 1, last - first + 1) if last >= first >= 1 else None
