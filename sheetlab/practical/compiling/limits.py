"""What is refused before any name is made: titles of sheets, sizes, facts of the register."""

from __future__ import annotations

import re
from typing import Any

from sheetlab.practical.compiling.names import Refusals, require, unit_at
from sheetlab.practical.definition import REGISTER_FACTS, Definition
from sheetlab.units import unit

MAX_RUNS = 4
MAX_DECIMALS = 12
MAX_ZERO_ROWS = 50
MAX_CELLS = 20_000
MAX_QUANTITIES = 200
MAX_RESULTS = 30
MAX_TEXT = 250
"""Spreadsheet programs hold 255 characters in a text of a formula and in a list of choices."""
RESERVED_SHEETS = (
    "start",
    "sheetlab",
    "evaluation",
    "budget",
    "lines",
    "working",
    "graphs",
    "findings",
)
"""Titles, in small letters, of the sheets that sheetlab itself makes."""


def check_limits(definition: Definition, refusals: Refusals) -> None:
    """Refuse what no workbook could hold."""
    for check in (_check_sheets, _check_sizes, _check_register, _check_places):
        with refusals.about(None):
            check(definition)


def _check_places(definition: Definition) -> None:
    sheets = {sheet.id for sheet in definition.sheets}
    for group in ("instruments", "inputs", "tables", "quantities"):
        for item in getattr(definition, group):
            require(
                not item.sheet or item.sheet in sheets,
                f"{group}.{item.id}.sheet",
                f"there is no sheet “{item.sheet}”",
                ", ".join(sorted(sheets)),
            )


def _check_sheets(d: Definition) -> None:
    titles = [sheet.title for sheet in d.sheets]
    for i, (sheet, title) in enumerate(zip(d.sheets, titles, strict=True)):
        where, good = f"sheets.{sheet.id}.title", re.fullmatch(r"[^\[\]:*?/\\']{1,31}", title)
        require(good, where, f"“{title}” cannot name a sheet", "1 to 31 characters")
        taken = title.lower() in (*RESERVED_SHEETS, *(t.lower() for t in titles[:i]))
        require(not taken, where, f"“{title}” is taken", "another title")


def _check_sizes(d: Definition) -> None:
    """Sizes that a workbook and a spreadsheet program can hold."""
    columns = [(table, column) for table in d.tables for column in table.columns]
    cells = sum(t.rows * c.repeats * (MAX_RUNS if c.per_run else 1) for t, c in columns)
    numbers: tuple[Any, ...] = (
        *d.instruments,
        *d.inputs,
        *d.quantities,
        *d.answers,
        *(c for _, c in columns),
    )
    for item in numbers:
        decimals = item.decimals or 0
        good = 0 <= decimals <= MAX_DECIMALS
        require(good, f"{item.id}.decimals", str(decimals), f"0 to {MAX_DECIMALS}")
    for instrument in d.instruments:
        where, rows = f"instruments.{instrument.id}.zero_rows", instrument.zero_rows
        require(0 <= rows <= MAX_ZERO_ROWS, where, f"{rows} rows", f"0 to {MAX_ZERO_ROWS}")
    for table in d.tables:
        require(table.columns, f"tables.{table.id}.columns", "has no column")
    for line in d.lines:
        require(line.y, f"lines.{line.id}.y", "has no column")
    for check in (*d.checks, *(c for table in d.tables for c in table.checks)):
        where, good = f"checks.{check.code}.question", len(check.question) <= MAX_TEXT
        require(good, where, "is too long for a cell", f"{MAX_TEXT} characters")
    for cell in d.inputs:
        require(
            len(",".join(cell.choices)) <= MAX_TEXT
            and all(c and "," not in c for c in cell.choices),
            f"inputs.{cell.id}.choices",
            "cannot stand in the list of a cell",
            f"texts without commas, {MAX_TEXT} characters in all",
        )
    require(
        cells <= MAX_CELLS and len(d.quantities) <= MAX_QUANTITIES,
        "tables",
        "more than a workbook of a practical can hold",
        f"{MAX_CELLS} readings, {MAX_QUANTITIES} quantities",
    )
    results = len(d.results)
    require(results <= MAX_RESULTS, "results", f"{results} results", f"{MAX_RESULTS} at most")


def _check_register(d: Definition) -> None:
    """Facts of the register that inputs and quantities name."""
    named: list[tuple[str, Any, str]] = [
        (f"inputs.{cell.id}", cell, cell.kind) for cell in d.inputs
    ]
    named += [(f"quantities.{q.id}", q, "number") for q in d.quantities]
    for owner, item, kind in named:
        where, fact = f"{owner}.register", item.register
        if not fact:
            continue
        allowed = ", ".join(REGISTER_FACTS)
        require(fact in REGISTER_FACTS, where, f"the register has no fact “{fact}”", allowed)
        of = REGISTER_FACTS[fact]
        fits = (kind == "number") == bool(of)
        if fits and of:
            fits = unit(of).dimension == unit_at(item.unit, where).dimension
        require(fits, where, f"“{fact}” cannot stand here", of or "a text")
