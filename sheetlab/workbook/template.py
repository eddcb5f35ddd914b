"""Write a workbook for a group: blank, or with readings already in it."""

from __future__ import annotations

import datetime
import io
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct, field

from sheetlab.formula.render import (
    NotInCellsError,
    cell_condition,
    cell_formula,
    cell_outside,
    quoted,
)
from sheetlab.formula.values import evaluate
from sheetlab.metrology.statement import plain
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import START_PREFIX, CheckField, DerivedField, InputField
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Typed, as_cells_show
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.register import FAR_LIMIT, Bound, issued_limits
from sheetlab.workbook import identity
from sheetlab.workbook.book import Book
from sheetlab.workbook.identity import Identity
from sheetlab.workbook.layout import (
    IDENTITY,
    LABEL_COLUMNS,
    SCREEN_HEIGHT,
    Gap,
    Grid,
    Layout,
    LayoutCells,
    Picture,
    SheetLayout,
    Slot,
    Text,
    ValueRow,
    heading,
)
from sheetlab.workbook.plausible import Asked, as_read, asked_beside
from sheetlab.workbook.style import Styles, decimals_format, heading_lines, lines_needed, set_page

__all__ = ["Typed", "as_cells_show", "write_template"]

LINE_HEIGHT = 14.0
ROWS_OF_A_PAGE = 60
UPRIGHT_COLUMNS = 10
"""Columns beyond which a sheet prints on a page that lies, lest its letters get small."""
GRID_ROW_HEIGHT = 27.0
VALUE_ROW_HEIGHT = 19.0
GAP_HEIGHT = 8.0
PICTURE_ROW_HEIGHT = 15.75
ROW_HEIGHT = 15.0
"""Of rows that nobody set, in points."""
FEWEST_ROWS = 5
"""Rows of a table that are in view below headings that are frozen, or the headings are not."""
EPOCH = datetime.datetime(2020, 1, 1)  # no clock in the file: same inputs, same bytes
TEXT_QUESTION = (
    "A text stands where a number belongs. Type the number only: with the decimal sign of this "
    "program, without its unit."
)
CHOICE_QUESTION = "Choose one of the entries of the list in the cell."


def write_template(
    layout: Layout,
    typed: Typed | None = None,
    sketch: Path | None = None,
    profile: Profile = GUM,
    bound: Bound | None = None,
    its: Identity | None = None,
) -> bytes:
    """The workbook file of a layout.

    Parameters
    ----------
    typed
        Contents of input cells; defaults of the definition fill those that are not given.
    sketch
        Picture of the apparatus.
    profile
        How results of the workbook will be stated.
    bound
        What the workbook knows of its set-up.
    its
        What the hidden sheet says; None: as it is when a workbook is issued.
    """
    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": layout.practical.definition.title, "created": EPOCH})
    book.set_calc_mode("auto")
    writer = _Writer(layout, typed or {}, sketch, profile, book, Styles(book), bound, its)
    writer.write()
    book.close()
    return buffer.getvalue()


class _Writer(Struct):
    layout: Layout
    typed: Typed
    sketch: Path | None
    profile: Profile
    book: Any
    styles: Styles
    bound: Bound | None
    its: Identity | None
    numbers: Numbers = None  # type: ignore[assignment]
    implied: Mapping[str, tuple[Asked, ...]] = field(default_factory=dict)
    as_read: Layout = None  # type: ignore[assignment]
    numbers_as_read: Numbers = None  # type: ignore[assignment]
    heights: dict[int, float] = field(default_factory=dict)
    """Of the rows of the sheet that is being written, in points."""

    @property
    def practical(self) -> Practical:
        return self.layout.practical

    def write(self) -> None:
        typed = {
            key: self.contents(one)
            for key, one in self.practical.inputs.items()
            if key in self.layout.slots
        }
        self.typed = typed
        shown = as_cells_show(self.practical, typed)
        self.numbers = Numbers(self.practical, shown)
        self.implied, self.as_read = asked_beside(self.layout), as_read(self.layout)
        self.numbers_as_read = Numbers(self.as_read.practical, shown)
        for sheet in self.layout.sheets:
            self.sheet(sheet)
        self.identity()
        for name, reference in self.layout.names():
            self.book.define_name(name, f"={reference}")

    def start_text(self) -> str:
        """Group and set-up as far as they are known."""
        known = [self.typed.get(f"{START_PREFIX}{name}", [None])[0] for name in ("group", "setup")]
        return "  ".join(str(text) for text in known if text)

    def contents(self, one: InputField) -> list[float | str | None]:
        values: list[float | str | None] = list(self.typed.get(one.key, ()))[: one.rows]
        values += [None] * (one.rows - len(values))
        if one.table is None and one.kind == "number" and values[0] is None:
            values[0] = self.profile.inputs.get(one.key, one.default)
        return values

    @property
    def of_wire(self) -> str:
        """Key of the first input that takes a fact of the wire."""
        inputs = self.practical.definition.inputs
        return next((one.id for one in inputs if one.register.startswith("wire.")), "")

    def label(self, title: str) -> str:
        """Which instrument of the register to take, for the heading of one."""
        if self.bound is None:
            return ""
        ids = {one.title: one.id for one in self.practical.definition.instruments}
        labels = {one.instrument: one.id for one in self.bound.instruments}
        label = labels.get(ids.get(title, ""))
        return f"   (take the one labelled {label})" if label else ""

    # -- sheets ------------------------------------------------------------------------------

    def sheet(self, plan: SheetLayout) -> None:
        sheet = self.book.add_worksheet(plan.title)
        lying = plan.landscape or plan.columns > UPRIGHT_COLUMNS
        set_page(sheet, lying, self.practical.definition.title, self.start_text())
        sheet.set_column(0, plan.columns - 1, plan.column_width)
        sheet.print_area(0, 0, max(plan.rows - 1, 0), plan.columns - 1)
        sheet.fit_to_pages(1, 1 if plan.rows <= ROWS_OF_A_PAGE else 0)
        self.heights = {}
        cells = self.layout.source(plan.title)
        for block in plan.blocks:
            match block:
                case Text():
                    self.text(sheet, block, plan)
                case ValueRow():
                    self.value(sheet, block, plan, cells)
                case Grid():
                    self.grid(sheet, block, plan, cells)
                case Picture():
                    self.picture(sheet, block, plan.across)
                case Gap():
                    self.height(sheet, block.row, GAP_HEIGHT)
        typed = [
            (slot.row, slot.column)
            for key, slot in self.layout.slots.items()
            if slot.sheet == plan.title and key in self.practical.inputs
        ]
        if typed:
            # the cursor waits where typing begins
            sheet.set_selection(*min(typed), *min(typed))
        if frozen := frozen_rows(plan, self.heights):
            sheet.freeze_panes(frozen, 0)
        sheet.protect("", {"format_columns": True, "format_rows": True})

    def height(self, sheet: Any, row: int, points: float) -> None:
        sheet.set_row(row, points)
        self.heights[row] = points

    def text(self, sheet: Any, block: Text, plan: SheetLayout) -> None:
        style = self.styles(block.style)
        text = block.text
        if block.style == "heading":
            text += self.label(text)
        sheet.merge_range(block.row, 0, block.row, plan.across - 1, "", style)
        sheet.write_string(block.row, 0, text, style)
        size = {"title": 15, "rule": 9}.get(block.style, 10)
        lines = lines_needed(text, plan.across * plan.column_width, size)
        self.height(sheet, block.row, max(lines * LINE_HEIGHT * size / 10 + 3, 17))

    def picture(self, sheet: Any, block: Picture, columns: int) -> None:
        style = self.styles("rule")
        last = block.row + block.rows - 1
        for row in range(block.row, last + 1):
            # where nobody set it, rows are lower in an .ods, and the picture covers what follows
            self.height(sheet, row, PICTURE_ROW_HEIGHT)
        if self.sketch is not None:
            width, height = _png_size(self.sketch.read_bytes())
            scale = min(
                columns * 72 / width, (block.rows - 1) * PICTURE_ROW_HEIGHT * 4 / 3 / height
            )
            sheet.insert_image(
                block.row,
                0,
                str(self.sketch),
                {
                    "x_scale": scale,
                    "y_scale": scale,
                    "x_offset": max(0, (columns * 77 - width * scale) / 2),
                    "description": block.caption,
                    "object_position": 2,
                },
            )
        sheet.merge_range(last, 0, last, columns - 1, "", style)
        sheet.write_string(last, 0, block.caption, style)

    def value(self, sheet: Any, block: ValueRow, plan: SheetLayout, cells: LayoutCells) -> None:
        one = self.practical.field(block.key)
        row, last = block.row, plan.across - 1
        # the unit stands here, because notes of cells open at their right
        label = heading(one)
        if self.bound is not None and self.bound.wire is not None and block.key == self.of_wire:
            label += f"   (take the one labelled {self.bound.wire.id})"
        style = self.styles("label")
        sheet.merge_range(row, 0, row, LABEL_COLUMNS - 1, "", style)
        sheet.write_string(row, 0, label, style)
        slot = self.layout.slots[block.key]
        lines = lines_needed(label, LABEL_COLUMNS * plan.column_width)
        self.height(sheet, row, max(VALUE_ROW_HEIGHT, lines * LINE_HEIGHT + 2))
        if block.wide and isinstance(one, InputField):
            merged = self.styles("input-text")
            sheet.merge_range(row, slot.column, row, last, "", merged)
            self.input_cells(sheet, one, slot, "input-text")
            return
        first = slot.column + 1
        if isinstance(one, InputField):
            if one.kind == "choice":
                sheet.merge_range(row, slot.column, row, first, "", self.styles("input"))
                first += 1
            self.input_cells(sheet, one, slot, "input")
        else:
            self.worked_cell(sheet, block.key, None, slot, cells)
        # what only the evaluation works out has no number to ask about
        asked = isinstance(one, InputField) or self.in_cells(one, cells)
        typed = (block.key,) if asked else ()
        implied = self.implied.get(block.key, ())
        message = self.messages(block.checks, typed, implied, None, cells)
        if message:
            if block.checks or implied:
                self.height(sheet, row, max(GRID_ROW_HEIGHT, lines * LINE_HEIGHT + 2))
            self.message_cell(sheet, row, first, last, *message)

    def grid(self, sheet: Any, block: Grid, plan: SheetLayout, cells: LayoutCells) -> None:
        column_style = self.styles("column")
        texts = {0: block.row_label}
        for key in block.columns:
            texts[self.layout.slots[key].column] = heading(self.practical.field(key))
        longest = max(heading_lines(text, plan.column_width) for text in texts.values())
        self.height(sheet, block.heading_row, max(2, longest) * 12.5 + 4)
        for column, text in texts.items():
            sheet.write_string(block.heading_row, column, text, column_style)
        first, last = block.message_columns
        sheet.merge_range(block.heading_row, first, block.heading_row, last, "", column_style)
        sheet.write_string(block.heading_row, first, "Look again", column_style)
        for key in block.columns:
            one = self.practical.field(key)
            slot = self.layout.slots[key]
            if isinstance(one, InputField):
                style = "input" if one.kind == "number" else "input-choice"
                self.input_cells(sheet, one, slot, style)
                continue
            for row in range(block.rows):
                self.worked_cell(sheet, key, row, slot, cells)
        typed = tuple(k for k in block.columns if k in self.practical.inputs)
        implied = self.implied.get(str(self.practical.field(block.columns[0]).table), ())
        label = self.styles("number-label")
        for row in range(block.rows):
            line = block.first_row + row
            self.height(sheet, line, GRID_ROW_HEIGHT)
            sheet.write_number(line, 0, row + 1, label)
            message = self.messages(block.checks, typed, implied, row, cells)
            if message:
                self.message_cell(sheet, line, first, last, *message)

    # -- cells -------------------------------------------------------------------------------

    def input_cells(self, sheet: Any, one: InputField, slot: Slot, style: str) -> None:
        # an own result shows the digits that were typed, neither more nor fewer
        own = one.key.startswith("answer.")
        cell_style = self.styles(style, "" if own else decimals_format(one.decimals))
        for i, value in enumerate(self.typed[one.key]):
            row = slot.row + i
            if value is None:
                sheet.write_blank(row, slot.column, None, cell_style)
            elif isinstance(value, str):
                sheet.write_string(row, slot.column, value, cell_style)
            else:
                sheet.write_number(row, slot.column, value, cell_style)
        last = slot.row + slot.rows - 1
        rule = {
            key: self.profile.sentence(text) if key.endswith("_message") else text
            for key, text in _validation(one).items()
        }
        sheet.data_validation(slot.row, slot.column, last, slot.column, rule)

    def worked_cell(
        self, sheet: Any, key: str, row: int | None, slot: Slot, cells: LayoutCells
    ) -> None:
        one = self.practical.derived[key]
        style = self.styles("worked", _worked_format(one.decimals, one.unit.text))
        line = slot.row + (row or 0)
        try:
            formula = cell_formula(one.node, cells, row, one.unit)
        except NotInCellsError:
            sheet.write_string(line, slot.column, "on evaluation", self.styles("unit"))
            return
        value = self.numbers.shown(key, row)
        sheet.write_formula(line, slot.column, formula, style, "" if value is None else value)

    def in_cells(self, one: DerivedField, cells: LayoutCells) -> bool:
        try:
            cell_formula(one.node, cells, None, one.unit)
        except NotInCellsError:
            return False
        return True

    def message_cell(
        self, sheet: Any, row: int, first: int, last: int, formula: str, value: str
    ) -> None:
        style = self.styles("message")
        if last > first:
            sheet.merge_range(row, first, row, last, "", style)
        sheet.write_formula(row, first, formula, style, value)

    def messages(
        self,
        checks: Sequence[CheckField],
        typed: Sequence[str],
        implied: Sequence[Asked],
        row: int | None,
        cells: LayoutCells,
    ) -> tuple[str, str] | None:
        """Formula and value of a message cell: the first question that has to be asked."""
        asked: list[tuple[str, str, bool]] = []
        by_kind = [
            ("number", TEXT_QUESTION, "ISTEXT({0})"),
            ("choice", CHOICE_QUESTION, 'AND({0}<>"",{1})'),
        ]
        for kind, question, test in by_kind:
            tests, found = [], False
            for key in typed:
                one = self.practical.inputs.get(key)
                if one is None or one.kind != kind:
                    continue
                cell = cells.cell(key, row)
                others = ",".join(f"{cell}<>{quoted(choice)}" for choice in one.choices)
                tests.append(test.format(cell, others))
                value = self.typed[key][row or 0]
                found |= isinstance(value, str) and value not in one.choices
            if tests:
                asked.append((_any_of(tests), question, found))
        asked += self.beyond_limits(typed, row, cells)
        asked += self.scale_unknown(typed, cells)
        asked += self.limit_far_off(typed, cells)
        for check in checks:
            try:
                missing, condition = cell_condition(check.node, cells, row)
            except NotInCellsError:
                continue
            broken = evaluate(check.node, self.numbers, row) is False
            asked.append((f"IF({missing},FALSE,NOT({condition}))", check.question, broken))
        # a reading that is wrong in itself was asked about before what comes of it
        asked += self.implausible(implied, row, cells)
        if not asked:
            return None
        formula, value = '""', ""
        for test, text, broken in reversed(asked):
            question = self.profile.sentence(text)
            formula = f"IF({test},{quoted(question)},{formula})"
            value = question if broken else value
        return f"={formula}", value

    def scale_unknown(
        self, keys: Sequence[str], cells: LayoutCells
    ) -> Iterator[tuple[str, str, bool]]:
        """Questions about what one division means, where it is empty and the scale was read."""
        instruments = {one.id for one in self.practical.definition.instruments}
        for key in keys:
            one, owner = self.practical.field(key), key.partition(".")[0]
            if not isinstance(one, InputField) or not one.required or owner not in instruments:
                continue
            if one.table is not None:
                continue
            read = [k for k in self.practical.read_with(owner) if k in self.layout.slots]
            if not read:
                continue
            ranges = ",".join(str(cells.range(k)) for k in read)
            found = self.typed[key][0] is None and any(
                isinstance(value, float | int) for k in read for value in self.typed[k]
            )
            yield (
                f'AND({cells.cell(key, None)}="",COUNT({ranges})>0)',
                "This is empty, but readings were taken with it. Fill it in.",
                found,
            )

    def limit_far_off(
        self, keys: Sequence[str], cells: LayoutCells
    ) -> Iterator[tuple[str, str, bool]]:
        """Questions about permissible errors far from those that the workbook is issued with."""
        limits = issued_limits(self.practical, self.bound, self.profile.inputs)
        for key, known in ((k, limits[k]) for k in keys if k in limits):
            most, value = FAR_LIMIT * known, self.typed[key][0]
            cell = cells.cell(key, None)
            yield (
                f"AND(ISNUMBER({cell}),{cell}>={most!r})",
                f"This was issued as {known:g}. Is so large an error right?",
                isinstance(value, float | int) and value >= most,
            )

    def beyond_limits(
        self, keys: Sequence[str], row: int | None, cells: LayoutCells
    ) -> list[tuple[str, str, bool]]:
        """Questions about numbers that no such quantity can be: the unit is the usual cause.

        A spreadsheet refuses them where they are typed, but not where they are pasted or filled in.
        """
        asked: dict[str, tuple[list[str], bool]] = {}
        for key in keys:
            one = self.practical.field(key)
            if not one.unit.pretty:
                continue
            if isinstance(one, InputField):
                low, high = one.minimum, one.maximum
                value = self.typed[key][row or 0] if one.kind == "number" else None
            else:
                low, high = one.plausible or (None, None)
                value = self.numbers.shown(key, row)
            if low is None and high is None:
                continue
            cell = cells.cell(key, row)
            sides = [f"{cell}{sign}{limit!r}" for sign, limit in (("<", low), (">", high))
                     if limit is not None]  # fmt: skip
            question = f"{_expected(low, high, one.unit.pretty)} is expected. " + (
                f"Is this in {one.unit.pretty}?"
                if isinstance(one, InputField)
                else "Are all readings in the unit of their heading?"
            )
            off = isinstance(value, float | int) and not (
                (low is None or low <= value) and (high is None or value <= high)
            )
            tests, found = asked.setdefault(question, ([], False))
            tests.append(f"AND(ISNUMBER({cell}),{_any_of(sides)})")
            asked[question] = tests, found or off
        return [(_any_of(tests), question, off) for question, (tests, off) in asked.items()]

    def implausible(
        self, implied: Sequence[Asked], row: int | None, cells: LayoutCells
    ) -> Iterator[tuple[str, str, bool]]:
        """Questions about what comes of the cells here, whether or not it is shown."""
        for one in implied:
            its, numbers = self.practical.derived[one.key], self.numbers
            limits = its.unit, one.low, one.high
            try:
                test = cell_outside(its.node, cells, row, *limits)
            except NotInCellsError:
                numbers, unaided = self.numbers_as_read, self.as_read.source(cells.sheet)
                node = self.as_read.practical.derived[one.key].node
                try:
                    test = cell_outside(node, unaided, row, *limits)
                except NotInCellsError:
                    continue
            value = numbers.shown(one.key, row)
            title = textwrap.shorten(f"{its.title[:1].upper()}{its.title[1:]}", 90, placeholder="…")
            yield (
                test,
                f"{title}: from {plain(one.low)} to {plain(one.high)} {its.unit.pretty} "
                "is expected. "
                "Are all readings in the unit of their heading?",
                value is not None and not one.low <= value <= one.high,
            )

    def identity(self) -> None:
        sheet = self.book.add_worksheet(IDENTITY)
        sheet.very_hidden()
        sheet.protect("")
        its = self.its or identity.identity_of(
            self.practical, self.layout.assist, self.profile, self.bound
        )
        for row, (name, value) in enumerate(its.rows()):
            sheet.write_string(row, 0, name)
            sheet.write_string(row, 1, value)
        for i, piece in enumerate(identity.in_cells(its.definition.rstrip("\n"))):
            sheet.write_string(identity.DEFINITION_ROW + i, 0, piece)


def frozen_rows(plan: SheetLayout, heights: Mapping[int, float]) -> int:
    """Rows that stay when a sheet is scrolled: down to the headings of its longest table.

    Only if that is the first, and is not all in view when the sheet is opened; shorter ones below
    are in view with their own headings.

    Parameters
    ----------
    heights
        Of rows, in points, where they are not the usual one.
    """
    grids = [block for block in plan.blocks if isinstance(block, Grid)]
    if not grids or grids[0].rows < max(grid.rows for grid in grids):
        return 0
    above = sum(heights.get(row, ROW_HEIGHT) for row in range(grids[0].first_row))
    below = SCREEN_HEIGHT - above
    if not FEWEST_ROWS * GRID_ROW_HEIGHT <= below < grids[0].rows * GRID_ROW_HEIGHT:
        return 0
    return grids[0].first_row


def _worked_format(decimals: int | None, unit: str) -> str:
    # pascals run to twelve digits: show them with a power of ten
    return "0.000E+00" if decimals == 0 and unit in ("Pa", "N/m^2") else decimals_format(decimals)


def _any_of(tests: Sequence[str]) -> str:
    return tests[0] if len(tests) == 1 else f"OR({','.join(tests)})"


def _expected(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"Something from {plain(low)} to {plain(high)} {unit}"
    if low is not None:
        return f"{plain(low)} {unit} or more"
    return "" if high is None else f"{plain(high)} {unit} or less"


def _validation(one: InputField) -> dict[str, Any]:
    unit = f" in {one.unit.pretty}" if one.unit.pretty else ""
    title = textwrap.shorten(one.title[:1].upper() + one.title[1:], 32, placeholder="…")
    hint = textwrap.shorten(one.help or f"A number{unit}.", 250, placeholder="…")
    common = {"ignore_blank": True, "input_title": title, "input_message": hint}
    if one.kind == "choice":
        return {
            **common,
            "validate": "list",
            "source": list(one.choices),
            "error_title": "Choose from the list",
            "error_message": "Please choose one of the entries of the list in this cell.",
        }
    if one.kind == "text":
        return {
            **common,
            "validate": "length",
            "criteria": "<=",
            "value": 200,
            "error_title": "Too long",
            "error_message": "Please use at most 200 characters.",
        }
    low = -1e9 if one.minimum is None else one.minimum
    high = 1e9 if one.maximum is None else one.maximum
    limits = ""
    if one.minimum is not None and one.maximum is not None:
        limits = f" from {low:g} to {high:g}"
    elif one.minimum is not None:
        limits = f" of {low:g} or more"
    return {
        **common,
        "validate": "decimal",
        "criteria": "between",
        "minimum": low,
        "maximum": high,
        "error_title": "A number is needed",
        "error_message": f"Type a number{limits}{unit}, without the unit. "
        "Use the decimal sign of this program.",
    }


def _png_size(data: bytes) -> tuple[int, int]:
    return int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")
