"""The register as a workbook: which columns it has, and what a technician typed into them.

The file comes from a spreadsheet program and other hands: cells are read as plain values, a wrong
one is told with its place and stays unknown, and nothing in it is ever a formula or a path here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.tables import UNITS, ListColumn, Row, no_column, open_lists, read_rows
from sheetlab.messages import Phrase
from sheetlab.practical.instruments import KINDS
from sheetlab.practical.register import (
    KEPT_ZEROS,
    MOST,
    Register,
    RegisteredInstrument,
    SetUp,
    Wire,
    ZeroCheck,
    register_problems,
    same_id,
)

MAX_FINDINGS = 200
IN_UNIT, AS_FRACTION = "in its unit", "as a fraction"
ID = ListColumn("id", "id", "text", 10, "As on its label, for example M-07.")
DAY = "Type the day as 2026-09-01."
INSTRUMENTS = (
    ID,
    ListColumn(
        "kind", "kind", "choice", 9, "Kind of scale; direct: read off one scale or display, such "
        "as a rule or stopwatch; nominal: a value that is marked, such as a mass, or a mark to be "
        "met, such as that of a level's bubble.", tuple(KINDS),
    ),
    ListColumn("setup", "kept at set-up", "text", 9, "Where it belongs; may be empty."),
    ListColumn("unit", "unit", "unit", 7, "Unit of its scale, for example mm, cm, s, kg.", UNITS),
    ListColumn(
        "step", "pitch or main division", "number", 10, "Advance of a screw in one turn; a "
        "main-scale division of a vernier.",
    ),
    ListColumn("divisions", "divisions", "number", 9, "On the circular scale or the vernier."),
    ListColumn(
        "least_count", "least count", "number", 9, "Pitch ÷ divisions, or the smallest division."
    ),
    ListColumn("span", "range", "text", 10, "For example 0–25 mm."),
    ListColumn(
        "limit", "permissible error ±", "number", 11, "From the maker's sheet or the standard; of "
        "a level that of one setting, in the unit of the screw that sets it.", least=0.0,
    ),
    ListColumn(
        "relative", "error is given", "choice", 11, "In the unit of the instrument, or as a "
        "fraction of the reading (0.005 is half a per cent).", (IN_UNIT, AS_FRACTION),
    ),
    ListColumn(
        "standard", "class or standard", "text", 14, "Where the permissible error comes from."
    ),
    ListColumn("checked", "last check", "date", 11, DAY),
    ListColumn(
        "months", "check every (months)", "number", 9, "For example 12; empty: no reminder."
    ),
    ListColumn("remark", "remark", "text", 18, "Damage, repairs.", optional=True),
)  # fmt: skip
ZEROS = (
    ListColumn("instrument", "instrument id", "text", 12, "An id of the sheet Instruments."),
    ListColumn("date", "date", "date", 12, DAY),
    ListColumn(
        "zero", "zero error", "number", 11, "In the unit of the instrument; positive when the zero "
        "mark stands short of the line (of a vernier: right of the main zero).", least=-MOST,
    ),
    ListColumn("remark", "remark", "text", 40, "Who, and what was done.", optional=True),
)  # fmt: skip
WIRES = (
    ID,
    ListColumn("material", "material", "text", 16, "And how it is known: reel, supplier, test."),
    ListColumn("gauge", "gauge", "text", 10, "For example 26 SWG or 26 AWG."),
    ListColumn(
        "diameter", "measured diameter / mm", "number", 12, "Bare of lacquer, zero error taken off."
    ),
    ListColumn("length", "length / m", "number", 10, "From chuck to chuck."),
    ListColumn(
        "cycles", "cycles used", "number", 9, "Loaded and unloaded so many times.", least=0.0
    ),
    ListColumn("remark", "remark", "text", 36, "Kinks, rust, new chucks.", optional=True),
)
SETUPS = (
    ListColumn("id", "set-up", "text", 10, "As on the bench, for example W1."),
    ListColumn("wire", "wire", "text", 10, "An id of the sheet Wires."),
    ListColumn("remark", "remark", "text", 24, "Anything to know.", optional=True),
)
"""Further columns are headed by the ids that instruments have in the definitions."""
LISTS: Mapping[str, tuple[ListColumn, ...]] = {
    "Instruments": INSTRUMENTS, "Zero history": ZEROS, "Wires": WIRES, "Set-ups": SETUPS,
}  # fmt: skip

A_REGISTER = "a workbook made with “sheetlab register new”"


def read_register(path: Path) -> tuple[Register, tuple[Finding, ...]]:
    """A register, and a finding for every cell that is wrong or does not fit the others.

    Raises
    ------
    SheetlabError
        If the file cannot be read or is no register.
    """
    sheets = open_lists(path, A_REGISTER)
    # issued workbooks have a sheet Instruments too
    if not any(name.casefold() in sheets for name in LISTS if name != "Instruments"):
        names = ", ".join(LISTS)
        place = Place(path.name)
        raise SheetlabError(finding("register-refused", Severity.STOP, place, sheets=names))
    findings: list[Finding] = []
    note = partial(_note, findings)
    rows: dict[str, list[Row]] = {}
    for name, columns in LISTS.items():
        sheet = sheets.get(name.casefold())
        if sheet is None:
            place = Place(path.name, name)
            findings.append(_wrong("register-cell_no-sheet", place, name=name))
            rows[name] = []
        else:
            unknown = _part if columns is SETUPS else no_column
            rows[name] = list(read_rows(sheet, columns, note, unknown))
    zeros: dict[str, list[ZeroCheck]] = {}
    for row in rows["Zero history"]:
        day, zero = row.date("date"), row.number("zero")
        if day is not None and zero is not None:
            zeros.setdefault(same_id(row.text("instrument")), []).append(ZeroCheck(day, zero))
    instruments = {
        key: _instrument(row, zeros.get(key, ()))
        for key, row in _by_id(rows["Instruments"], ("id", "unit"), findings)
    }
    for row in rows["Zero history"]:
        name = row.text("instrument")
        if same_id(name) not in instruments:
            findings.append(_wrong("register-cell_no-instrument", row.place, id=name))
    wires = {
        key: Wire(**row.values, place=row.place)
        for key, row in _by_id(rows["Wires"], ("id",), findings)
    }
    setups = {key: _setup(row) for key, row in _by_id(rows["Set-ups"], ("id",), findings)}
    register = Register(instruments, wires, setups, path.name)
    return register, (*findings, *register_problems(register))[:MAX_FINDINGS]


def _note(findings: list[Finding], found: Phrase, expected: Phrase | str, place: Place) -> None:
    findings.append(_wrong("register-cell", place, found=found, expected=expected))


def _wrong(message: str, place: Place, **values: Any) -> Finding:
    return finding(message, Severity.DOUBTFUL, place, **values)


def _part(heading: str) -> ListColumn:
    """A column of Set-ups for the instrument that a practical names so."""
    return ListColumn(heading.casefold())


def _by_id(
    rows: Iterable[Row], needed: Sequence[str], findings: list[Finding]
) -> Iterator[tuple[str, Row]]:
    """Rows by their id; one that has none, or not all that is needed, is a finding."""
    seen = set()
    for row in rows:
        key = same_id(row.text("id"))
        missing = [name for name in needed if not row.text(name)]
        if key in seen:
            findings.append(_wrong("register-cell_twice", row.place, id=row.text("id")))
        elif missing:
            findings.append(_wrong("register-cell_missing", row.place, heading=missing[0]))
        else:
            seen.add(key)
            yield key, row


def _instrument(row: Row, zeros: Sequence[ZeroCheck]) -> RegisteredInstrument:
    facts = {key: value for key, value in row.values.items() if key not in ("remark", "relative")}
    history = sorted(zeros, key=lambda zero: zero.on)
    return RegisteredInstrument(
        **facts,
        relative=row.text("relative") == AS_FRACTION,
        zeros=tuple(history[-KEPT_ZEROS:]),
        place=row.place,
    )


def _setup(row: Row) -> SetUp:
    parts = {key: value for key, value in row.values.items() if key not in ("id", "wire", "remark")}
    return SetUp(row.text("id"), parts, row.text("wire"), row.place)
