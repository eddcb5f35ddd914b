"""Write a workbook for a group: blank, or with readings already in it."""

from __future__ import annotations

import datetime
import io
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from msgspec import Struct

from sheetlab.formula.render import NotInCellsError, cell_formula
from sheetlab.practical.fields import START_PREFIX, InputField
from sheetlab.practical.observations import Typed, as_cells_show
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.register import Bound
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
    Text,
    ValueRow,
    heading,
)
from sheetlab.workbook.plausible import Beside, Form, form_of, question_cell
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
    stream, practical = io.BytesIO(), layout.practical
    form = form_of(layout, typed or {}, profile, bound)
    with Book(stream) as book:
        book.set_properties({"title": practical.definition.title, "created": EPOCH})
        book.set_calc_mode("auto")
        styles = Styles(book)
        for plan in layout.sheets:
            _sheet(_Sheet(form, plan, book.add_worksheet(plan.title), styles), sketch)
        known = its or identity.identity_of(practical, layout.assist, profile, bound)
        _identity(book.add_worksheet(IDENTITY), known)
        for name, reference in layout.names():
            book.define_name(name, f"={reference}")
    return stream.getvalue()


class _Sheet(Struct):
    """A sheet that is written, and the heights of its rows, in points, as far as they are set."""

    form: Form
    plan: SheetLayout
    sheet: Any
    styles: Styles
    heights: dict[int, float] = {}

    @property
    def cells(self) -> LayoutCells:
        return self.form.layout.source(self.plan.title)

    def height(self, row: int, points: float) -> None:
        self.sheet.set_row(row, points)
        self.heights[row] = points

    def text(self, row: int, first: int, last: int, text: str, style: str) -> None:
        """A text over some columns."""
        look = self.styles(style)
        if last > first:
            self.sheet.merge_range(row, first, row, last, "", look)
        self.sheet.write_string(row, first, text, look)


def _sheet(to: _Sheet, sketch: Path | None) -> None:
    plan, sheet, form = to.plan, to.sheet, to.form
    # group and set-up as far as they are known
    known = [form.typed.get(f"{START_PREFIX}{name}", [None])[0] for name in ("group", "setup")]
    lying = plan.landscape or plan.columns > UPRIGHT_COLUMNS
    title = form.practical.definition.title
    set_page(sheet, lying, title, "  ".join(str(text) for text in known if text))
    sheet.set_column(0, plan.columns - 1, plan.column_width)
    sheet.print_area(0, 0, max(plan.rows - 1, 0), plan.columns - 1)
    sheet.fit_to_pages(1, 1 if plan.rows <= ROWS_OF_A_PAGE else 0)
    for block in plan.blocks:
        match block:
            case Text():
                _text(to, block)
            case ValueRow():
                _value(to, block)
            case Grid():
                _grid(to, block)
            case Picture():
                _picture(to, block, sketch)
            case Gap():
                to.height(block.row, GAP_HEIGHT)
    typed = [
        (slot.row, slot.column)
        for key, slot in form.layout.slots.items()
        if slot.sheet == plan.title and key in form.practical.inputs
    ]
    if typed:
        # the cursor waits where typing begins
        sheet.set_selection(*min(typed), *min(typed))
    if frozen := frozen_rows(plan, to.heights):
        sheet.freeze_panes(frozen, 0)
    sheet.protect("", {"format_columns": True, "format_rows": True})


def _text(to: _Sheet, block: Text) -> None:
    text, plan = block.text, to.plan
    if block.style == "heading" and to.form.bound is not None:
        # which instrument of the register to take
        ids = {one.title: one.id for one in to.form.practical.definition.instruments}
        labels = {one.instrument: one.id for one in to.form.bound.instruments}
        label = labels.get(ids.get(text, ""))
        text += f"   (take the one labelled {label})" if label else ""
    to.text(block.row, 0, plan.across - 1, text, block.style)
    size = {"title": 15, "rule": 9}.get(block.style, 10)
    lines = lines_needed(text, plan.across * plan.column_width, size)
    to.height(block.row, max(lines * LINE_HEIGHT * size / 10 + 3, 17))


def _picture(to: _Sheet, block: Picture, sketch: Path | None) -> None:
    columns, last = to.plan.across, block.row + block.rows - 1
    for row in range(block.row, last + 1):
        # where nobody set it, rows are lower in an .ods, and the picture covers what follows
        to.height(row, PICTURE_ROW_HEIGHT)
    if sketch is not None:
        width, height = _png_size(sketch.read_bytes())
        scale = min(columns * 72 / width, (block.rows - 1) * PICTURE_ROW_HEIGHT * 4 / 3 / height)
        look = {
            "x_scale": scale, "y_scale": scale, "description": block.caption, "object_position": 2,
            "x_offset": max(0, (columns * 77 - width * scale) / 2),
        }  # fmt: skip
        to.sheet.insert_image(block.row, 0, str(sketch), look)
    to.text(last, 0, columns - 1, block.caption, "rule")


def _value(to: _Sheet, block: ValueRow) -> None:
    practical, bound, sheet = to.form.practical, to.form.bound, to.sheet
    one, slot = practical.field(block.key), to.form.layout.slots[block.key]
    row, last = block.row, to.plan.across - 1
    # the unit stands here, because notes of cells open at their right
    label = heading(one)
    wires = (entry.id for entry in practical.definition.inputs
             if entry.register.startswith("wire."))  # fmt: skip
    if bound is not None and bound.wire is not None and block.key == next(wires, ""):
        label += f"   (take the one labelled {bound.wire.id})"
    to.text(row, 0, LABEL_COLUMNS - 1, label, "label")
    lines = lines_needed(label, LABEL_COLUMNS * to.plan.column_width)
    to.height(row, max(VALUE_ROW_HEIGHT, lines * LINE_HEIGHT + 2))
    first, asked = slot.column + 1, True
    if not isinstance(one, InputField):
        # what only the evaluation works out has no number to ask about
        asked = _worked_cell(to, block.key, None)
    elif block.wide:
        sheet.merge_range(row, slot.column, row, last, "", to.styles("input-text"))
        _input_cells(to, one, "input-text")
        return
    else:
        if one.kind == "choice":
            sheet.merge_range(row, slot.column, row, first, "", to.styles("input"))
            first += 1
        _input_cells(to, one, "input")
    typed = (block.key,) if asked else ()
    beside = Beside(to.form, to.cells, block.key, typed, block.checks, None)
    if _message_cell(to, row, first, last, beside) and (
        block.checks or block.key in to.form.implied
    ):
        to.height(row, max(GRID_ROW_HEIGHT, lines * LINE_HEIGHT + 2))


def _grid(to: _Sheet, block: Grid) -> None:
    practical, slots = to.form.practical, to.form.layout.slots
    texts = {0: block.row_label}
    texts |= {slots[key].column: heading(practical.field(key)) for key in block.columns}
    longest = max(heading_lines(text, to.plan.column_width) for text in texts.values())
    to.height(block.heading_row, max(2, longest) * 12.5 + 4)
    for column, text in texts.items():
        to.text(block.heading_row, column, column, text, "column")
    to.text(block.heading_row, *block.message_columns, "Look again", "column")
    for key in block.columns:
        one = practical.field(key)
        if isinstance(one, InputField):
            _input_cells(to, one, "input" if one.kind == "number" else "input-choice")
            continue
        for row in range(block.rows):
            _worked_cell(to, key, row)
    typed = tuple(key for key in block.columns if key in practical.inputs)
    table = str(practical.field(block.columns[0]).table)
    for row in range(block.rows):
        line = block.first_row + row
        to.height(line, GRID_ROW_HEIGHT)
        to.sheet.write_number(line, 0, row + 1, to.styles("number-label"))
        beside = Beside(to.form, to.cells, table, typed, block.checks, row)
        _message_cell(to, line, *block.message_columns, beside)


def _input_cells(to: _Sheet, one: InputField, style: str) -> None:
    sheet, slot = to.sheet, to.form.layout.slots[one.key]
    # an own result shows the digits that were typed, neither more nor fewer
    own = one.key.startswith("answer.")
    look = to.styles(style, "" if own else decimals_format(one.decimals))
    for row, value in enumerate(to.form.typed[one.key], slot.row):
        if value is None:
            sheet.write_blank(row, slot.column, None, look)
        elif isinstance(value, str):
            sheet.write_string(row, slot.column, value, look)
        else:
            sheet.write_number(row, slot.column, value, look)
    rule = {
        key: to.form.profile.sentence(text) if key.endswith("_message") else text
        for key, text in _validation(one).items()
    }
    last = slot.row + slot.rows - 1
    sheet.data_validation(slot.row, slot.column, last, slot.column, rule)


def _worked_cell(to: _Sheet, key: str, row: int | None) -> bool:
    """Write what is worked out; whether cells can do that."""
    one, slot = to.form.practical.derived[key], to.form.layout.slots[key]
    line = slot.row + (row or 0)
    try:
        formula = cell_formula(one.node, to.cells, row, one.unit)
    except NotInCellsError:
        to.text(line, slot.column, slot.column, "on evaluation", "unit")
        return False
    # pascals run to twelve digits: show them with a power of ten
    long = one.decimals == 0 and one.unit.text in ("Pa", "N/m^2")
    look = to.styles("worked", "0.000E+00" if long else decimals_format(one.decimals))
    value = to.form.numbers.shown(key, row)
    to.sheet.write_formula(line, slot.column, formula, look, "" if value is None else value)
    return True


def _message_cell(to: _Sheet, line: int, first: int, last: int, beside: Beside) -> bool:
    """The cell of the first question that has to be asked, if there is any."""
    message = question_cell(beside)
    if message is None:
        return False
    look = to.styles("message")
    if last > first:
        to.sheet.merge_range(line, first, line, last, "", look)
    to.sheet.write_formula(line, first, message[0], look, message[1])
    return True


def _identity(sheet: Any, known: Identity) -> None:
    sheet.very_hidden()
    sheet.protect("")
    for row, (name, value) in enumerate(known.rows()):
        sheet.write_string(row, 0, name)
        sheet.write_string(row, 1, value)
    pieces = identity.in_cells(known.definition.rstrip("\n"))
    for row, piece in enumerate(pieces, identity.DEFINITION_ROW):
        sheet.write_string(row, 0, piece)


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


def _validation(one: InputField) -> dict[str, Any]:
    """What may be typed, with its hint and its refusal, as XlsxWriter takes it."""
    unit = f" in {one.unit.pretty}" if one.unit.pretty else ""
    title = textwrap.shorten(one.title[:1].upper() + one.title[1:], 32, placeholder="…")
    hint = textwrap.shorten(one.help or f"A number{unit}.", 250, placeholder="…")
    low = -1e9 if one.minimum is None else one.minimum
    high = 1e9 if one.maximum is None else one.maximum
    limits = "" if one.minimum is None else f" of {low:g} or more"
    if one.minimum is not None and one.maximum is not None:
        limits = f" from {low:g} to {high:g}"
    rules: Mapping[str, tuple[dict[str, Any], str, str]] = {
        "choice": (
            {"validate": "list", "source": list(one.choices)}, "Choose from the list",
            "Please choose one of the entries of the list in this cell.",
        ),
        "text": (
            {"validate": "length", "criteria": "<=", "value": 200}, "Too long",
            "Please use at most 200 characters.",
        ),
        "number": (
            {"validate": "decimal", "criteria": "between", "minimum": low, "maximum": high},
            "A number is needed",
            f"Type a number{limits}{unit}, without the unit. Use the decimal sign of this program.",
        ),
    }  # fmt: skip
    rule, error, message = rules[one.kind]
    return {
        "ignore_blank": True, "input_title": title, "input_message": hint, **rule,
        "error_title": error, "error_message": message,
    }  # fmt: skip


def _png_size(data: bytes) -> tuple[int, int]:
    return int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")
