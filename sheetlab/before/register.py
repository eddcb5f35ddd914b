"""The register as a workbook: which columns it has, and what a technician typed into them.

The file comes from a spreadsheet program and other hands: cells are read as plain values, a wrong
one is told with its place and stays unknown, and nothing in it is ever a formula or a path here.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Literal, TypeVar

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.finding import Finding, Place, Severity, SheetlabError, harmless
from sheetlab.practical.instruments import KINDS
from sheetlab.practical.observations import typed_number
from sheetlab.practical.register import (
    DATES,
    KEPT_ZEROS,
    LEAST,
    MAX_WORD,
    MOST,
    Register,
    RegisteredInstrument,
    SetUp,
    Wire,
    ZeroCheck,
    as_date,
    register_problems,
    same_id,
)
from sheetlab.units import UnitError, unit
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import open_package
from sheetlab.workbook.sheet import Cell
from sheetlab.workbook.store import Store, address

_T = TypeVar("_T")
MAX_ROWS = 2000
MAX_COLUMNS = 60
HEADING_ROWS = 30
"""The heading of a list stands within the first so many rows."""
MAX_FINDINGS = 200
FIRST_DAY = datetime.date(1899, 12, 30)
IN_UNIT, AS_FRACTION = "in its unit", "as a fraction"
UNITS = ("mm", "cm", "m", "s", "kg", "g", "degC", "degree")
WIRE = "wire"
REMARK = "remark"


class ListColumn(Struct, frozen=True):
    """A column of a list; its heading is what a reader finds it by."""

    heading: str
    kind: Literal["text", "number", "date", "choice", "unit"]
    width: float
    help: str
    choices: tuple[str, ...] = ()
    zero: bool = False
    """Whether 0 and less can stand here."""


def _column(
    heading: str,
    kind: Literal["text", "number", "date", "choice", "unit"],
    width: float,
    help_: str,
    choices: tuple[str, ...] = (),
    zero: bool = False,
) -> ListColumn:
    return ListColumn(heading, kind, width, help_, choices, zero)


ID = _column("id", "text", 10, "As on its label, for example M-07.")
INSTRUMENTS = (
    ID,
    _column(
        "kind", "choice", 9, "Kind of scale; direct: read off one scale or display, such as a "
        "rule or stopwatch; nominal: a value that is marked, such as a mass, or a mark to be met, "
        "such as that of a level's bubble.", tuple(KINDS),
    ),
    _column("kept at set-up", "text", 9, "Where it belongs; may be empty."),
    _column("unit", "unit", 7, "Unit of its scale, for example mm, cm, s, kg.", UNITS),
    _column(
        "pitch or main division", "number", 10, "Advance of a screw in one turn; a main-scale "
        "division of a vernier.",
    ),
    _column("divisions", "number", 9, "On the circular scale or the vernier."),
    _column("least count", "number", 9, "Pitch ÷ divisions, or the smallest division."),
    _column("range", "text", 10, "For example 0–25 mm."),
    _column(
        "permissible error ±", "number", 11, "From the maker's sheet or the standard; of a level "
        "that of one setting, in the unit of the screw that sets it.", zero=True,
    ),
    _column(
        "error is given", "choice", 11, "In the unit of the instrument, or as a fraction of the "
        "reading (0.005 is half a per cent).", (IN_UNIT, AS_FRACTION),
    ),
    _column("class or standard", "text", 14, "Where the permissible error comes from."),
    _column("last check", "date", 11, "Type the day as 2026-09-01."),
    _column("check every (months)", "number", 9, "For example 12; empty: no reminder."),
    _column(REMARK, "text", 18, "Damage, repairs."),
)  # fmt: skip
ZEROS = (
    _column("instrument id", "text", 12, "An id of the sheet Instruments."),
    _column("date", "date", 12, "Type the day as 2026-09-01."),
    _column(
        "zero error", "number", 11, "In the unit of the instrument; positive when the zero mark "
        "stands short of the line (of a vernier: right of the main zero).", zero=True,
    ),
    _column(REMARK, "text", 40, "Who, and what was done."),
)  # fmt: skip
WIRES = (
    ID,
    _column("material", "text", 16, "And how it is known: reel, supplier, test."),
    _column("gauge", "text", 10, "For example 26 SWG or 26 AWG."),
    _column("measured diameter / mm", "number", 12, "Bare of lacquer, zero error taken off."),
    _column("length / m", "number", 10, "From chuck to chuck."),
    _column("cycles used", "number", 9, "Loaded and unloaded so many times.", zero=True),
    _column(REMARK, "text", 36, "Kinks, rust, new chucks."),
)
SETUP = _column("set-up", "text", 10, "As on the bench, for example W1.")
SETUPS = (
    SETUP,
    _column(WIRE, "text", 10, "An id of the sheet Wires."),
    _column(REMARK, "text", 24, "Anything to know."),
)
"""Further columns are headed by the ids that instruments have in the definitions."""
LISTS: Mapping[str, tuple[ListColumn, ...]] = {
    "Instruments": INSTRUMENTS, "Zero history": ZEROS, "Wires": WIRES, "Set-ups": SETUPS,
}  # fmt: skip

A_REGISTER = "a workbook made with “sheetlab register new”"

Value = float | str | datetime.date


class _Row(Struct, frozen=True):
    values: Mapping[str, Value]
    place: Place

    def text(self, heading: str) -> str:
        value = self.values.get(heading, "")
        return value if isinstance(value, str) else ""

    def number(self, heading: str) -> float | None:
        value = self.values.get(heading)
        return value if isinstance(value, float) else None

    def date(self, heading: str) -> datetime.date | None:
        value = self.values.get(heading)
        return value if isinstance(value, datetime.date) else None


def read_register(path: Path) -> tuple[Register, tuple[Finding, ...]]:
    """A register, and a finding for every cell that is wrong or does not fit the others.

    Raises
    ------
    SheetlabError
        If the file cannot be read or is no register.
    """
    try:
        store = open_store(open_package(path))
    except SheetlabError as error:
        raise SheetlabError(*(replace(f, expected=A_REGISTER) for f in error.findings)) from error
    reader = _Reader(store, path.name)
    # issued workbooks have a sheet Instruments too
    if not any(reader.sheet(name) for name in LISTS if name != "Instruments"):
        raise SheetlabError(
            Finding(
                "register-refused", Severity.STOP, "this workbook is no register",
                f"{A_REGISTER}, with its sheets {', '.join(LISTS)}",
                "Check the name, or copy the lists into a new register.", Place(path.name),
            )
        )  # fmt: skip
    zeros: dict[str, list[ZeroCheck]] = {}
    zero_rows = list(reader.rows("Zero history"))
    for row in zero_rows:
        day, zero = row.date("date"), row.number("zero error")
        if day is not None and zero is not None:
            zeros.setdefault(same_id(row.text("instrument id")), []).append(ZeroCheck(day, zero))
    instruments = reader.by_id("Instruments", "id", lambda row: _instrument(row, zeros))
    for row in zero_rows:
        name = row.text("instrument id")
        if same_id(name) not in instruments:
            reader.note(f"“{name}” is on no row of the sheet Instruments", "an id of it", row.place)
    wires = reader.by_id("Wires", "id", _wire)
    setups = reader.by_id("Set-ups", "set-up", reader.setup)
    register = Register(instruments, wires, setups, path.name)
    findings = (*reader.findings, *register_problems(register))
    return register, findings[:MAX_FINDINGS]


def _instrument(row: _Row, zeros: Mapping[str, list[ZeroCheck]]) -> RegisteredInstrument | None:
    if not row.text("unit"):
        return None
    history = sorted(zeros.get(same_id(row.text("id")), ()), key=lambda zero: zero.on)
    return RegisteredInstrument(
        id=row.text("id"),
        kind=row.text("kind"),
        unit=row.text("unit"),
        setup=row.text("kept at set-up"),
        step=row.number("pitch or main division"),
        divisions=row.number("divisions"),
        least_count=row.number("least count"),
        span=row.text("range"),
        limit=row.number("permissible error ±"),
        relative=row.text("error is given") == AS_FRACTION,
        standard=row.text("class or standard"),
        checked=row.date("last check"),
        months=row.number("check every (months)"),
        zeros=tuple(history[-KEPT_ZEROS:]),
        place=row.place,
    )


def _wire(row: _Row) -> Wire:
    return Wire(
        id=row.text("id"),
        material=row.text("material"),
        gauge=row.text("gauge"),
        diameter=row.number("measured diameter / mm"),
        length=row.number("length / m"),
        cycles=row.number("cycles used"),
        remark=row.text(REMARK),
        place=row.place,
    )


class _Reader(Struct):
    store: Store
    file: str
    findings: list[Finding] = field(default_factory=list)

    def note(self, found: str, expected: str, place: Place) -> None:
        self.findings.append(
            Finding(
                "register-cell", Severity.DOUBTFUL, found, expected,
                "Correct the cell in the register; until then it counts as unknown.", place,
            )
        )  # fmt: skip

    def sheet(self, name: str) -> str:
        """Title of a sheet as the file has it; empty if it is not there."""
        wanted = name.casefold()
        return next((s.name for s in self.store.sheets if s.name.casefold() == wanted), "")

    def by_id(self, name: str, heading: str, make: Callable[[_Row], _T | None]) -> dict[str, _T]:
        out: dict[str, _T] = {}
        for row in self.rows(name):
            key = same_id(row.text(heading))
            if key in out:
                self.note(f"“{row.text(heading)}” stands here twice", "each id once", row.place)
                continue
            made = make(row) if key else None
            if made is not None:
                out[key] = made
            else:
                missing = "unit" if key else heading
                self.note(f"this row has no {missing}", f"a {missing} in each row", row.place)
        return out

    def setup(self, row: _Row) -> SetUp:
        fixed = {column.heading for column in SETUPS}
        parts = {k: v for k, v in row.values.items() if k not in fixed and isinstance(v, str)}
        return SetUp(row.text("set-up"), parts, row.text(WIRE), row.place)

    def rows(self, name: str) -> Iterator[_Row]:
        """Filled rows of a list."""
        title, columns = self.sheet(name), LISTS[name]
        if not title:
            what = f"the sheet “{name}” is not there"
            self.note(what, "the sheets of a new register", Place(self.file, name))
            return
        cells = self.store.cells(title)
        heads = self.headings(title, cells, columns)
        if heads is None:
            return
        line, found = heads
        filled = sorted({r for r, c in cells if r > line and c in found})
        if len(filled) > MAX_ROWS:
            what = f"the sheet has {len(filled)} rows"
            self.note(what, f"up to {MAX_ROWS}; the others are not read", Place(self.file, title))
        for r in filled[:MAX_ROWS]:
            values: dict[str, Value] = {}
            for c, column in found.items():
                cell = cells.get((r, c))
                place = Place(self.file, title, address(r, c))
                value = None if cell is None else self.value(column, cell, place)
                if value is not None:
                    values[column.heading] = value
            first = next(c for c, column in found.items() if column.heading == columns[0].heading)
            if values:
                yield _Row(values, Place(self.file, title, address(r, first)))

    def headings(
        self, title: str, cells: Mapping[tuple[int, int], Cell], columns: tuple[ListColumn, ...]
    ) -> tuple[int, dict[int, ListColumn]] | None:
        """Row of the headings, and the column of the list that each column of the sheet is."""
        known = {_plain(column.heading).casefold(): column for column in columns}
        first = columns[0].heading
        texts = {
            place: _plain(str(cell.value)).casefold()
            for place, cell in cells.items()
            if cell.kind == "text" and place[0] < HEADING_ROWS and place[1] < MAX_COLUMNS
        }
        lines = sorted(r for (r, _), text in texts.items() if text == first)
        if not lines:
            what = f"no cell of the sheet is headed “{first}”"
            self.note(what, f"the heading “{first}”", Place(self.file, title))
            return None
        found: dict[int, ListColumn] = {}
        for (r, c), text in sorted(texts.items()):
            if r != lines[0] or not text:
                continue
            column = known.get(text)
            if column is None and columns is SETUPS:
                column = ListColumn(text, "text", 10, "")
            if column is not None and column not in found.values():
                found[c] = column
        gone = [c.heading for c in columns if c not in found.values() and c.heading != REMARK]
        if gone:
            what = f"the headings {', '.join(f'“{one}”' for one in gone)} are not in row "
            place = Place(self.file, title, address(lines[0], 0))
            self.note(f"{what}{lines[0] + 1}", "the headings of a new register", place)
        return lines[0], found

    def value(self, column: ListColumn, cell: Cell, place: Place) -> Value | None:
        """Content of a cell; None if it is empty or told as wrong."""
        if cell.kind in ("error", "truth") or (cell.formula and cell.value == ""):
            what = f"“{column.heading}” holds {_shown(cell)}"
            self.note(what, _expected(column), place)
            return None
        text = _plain(str(cell.value)) if cell.kind == "text" else f"{cell.value:.12g}"
        if not text:
            return None
        match column.kind:
            case "number":
                found: Value | None = self.number(column, cell, text)
            case "date":
                found = self.day(cell, text)
            case "choice":
                found = next((c for c in column.choices if c.casefold() == text.casefold()), None)
            case "unit":
                found = text if _is_unit(text) else None
            case _:
                found = text if len(text) <= MAX_WORD else None
        if found is None:
            self.note(f"“{column.heading}” holds “{text[:40]}”", _expected(column), place)
        return found

    def number(self, column: ListColumn, cell: Cell, text: str) -> float | None:
        if cell.kind == "text":
            typed = typed_number(text)
            value = math.nan if typed is None or typed.ambiguous else typed.value
        elif cell.style in self.store.date_styles:
            value = math.nan
        else:
            value = float(cell.value)
        if not abs(value) <= MOST or (value and abs(value) < LEAST):
            return None
        if value <= 0.0 and not column.zero:
            return None
        # a permissible error and a number of cycles can be 0, but only a zero error is negative
        return None if value < 0.0 and column.heading != "zero error" else value

    def day(self, cell: Cell, text: str) -> datetime.date | None:
        if cell.kind == "text":
            return as_date(text)
        value = float(cell.value)
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


def _expected(column: ListColumn) -> str:
    match column.kind:
        case "number":
            return "a number" + ("" if column.zero else " greater than 0")
        case "date":
            return "a date, typed as 2026-09-01"
        case "choice":
            return "one of: " + ", ".join(column.choices)
        case "unit":
            return "a unit such as " + ", ".join(UNITS)
    return f"a text of at most {MAX_WORD} letters"


def _plain(text: str) -> str:
    """One line without control characters."""
    return " ".join(harmless(text[:500]).split())


def _shown(cell: Cell) -> str:
    if cell.kind == "error":
        return f"the error {cell.value}"
    if cell.kind == "truth":
        return "TRUE" if cell.value else "FALSE"
    return "a formula without a value"
