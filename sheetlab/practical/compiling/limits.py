"""What is refused before any name is made: titles of sheets, sizes, facts of the register."""

from __future__ import annotations

import re

from sheetlab.practical.compiling.names import unit_at
from sheetlab.practical.definition import REGISTER_FACTS, Definition, DefinitionError
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


def check_limits(definition: Definition) -> None:
    """Refuse what no workbook could hold.

    Raises
    ------
    DefinitionError
        For the first key whose content cannot be used.
    """
    _check_sheets(definition)
    _check_sizes(definition)
    _check_register(definition)
    sheets = {sheet.id for sheet in definition.sheets}
    for group in ("instruments", "inputs", "tables", "quantities"):
        for item in getattr(definition, group):
            if item.sheet and item.sheet not in sheets:
                raise DefinitionError(
                    f"{group}.{item.id}.sheet",
                    f"there is no sheet “{item.sheet}”",
                    ", ".join(sorted(sheets)),
                )


def _check_sheets(d: Definition) -> None:
    titles = [sheet.title for sheet in d.sheets]
    for i, title in enumerate(titles):
        if not re.fullmatch(r"[^\[\]:*?/\\']{1,31}", title):
            raise DefinitionError(
                f"sheets[{i}].title", f"“{title}” cannot name a sheet", "1 to 31 characters"
            )
        if title.lower() in (*RESERVED_SHEETS, *(t.lower() for t in titles[:i])):
            raise DefinitionError(f"sheets[{i}].title", f"“{title}” is taken", "another title")


def _check_sizes(d: Definition) -> None:
    """Sizes that a workbook and a spreadsheet program can hold."""
    decimals = [(one.id, one.decimals) for one in d.instruments]
    decimals += [(one.id, one.decimals) for one in d.inputs]
    decimals += [(one.id, one.decimals) for one in d.quantities]
    decimals += [(one.id, one.decimals) for one in d.answers]
    decimals += [(c.id, c.decimals or 0) for table in d.tables for c in table.columns]
    cells = sum(
        table.rows * c.repeats * (MAX_RUNS if c.per_run else 1)
        for table in d.tables
        for c in table.columns
    )
    questions = [*d.checks, *(c for table in d.tables for c in table.checks)]
    bad_choices = [
        one.id
        for one in d.inputs
        if len(",".join(one.choices)) > MAX_TEXT or any("," in c or not c for c in one.choices)
    ]
    problems = (
        [(f"{key}.decimals", str(n), f"0 to {MAX_DECIMALS}") for key, n in decimals
         if not 0 <= n <= MAX_DECIMALS]
        + [(f"instruments.{i.id}.zero_rows", f"{i.zero_rows} rows", f"0 to {MAX_ZERO_ROWS}")
           for i in d.instruments if not 0 <= i.zero_rows <= MAX_ZERO_ROWS]
        + [(f"tables.{t.id}.columns", "has no column", "") for t in d.tables if not t.columns]
        + [(f"lines.{line.id}.y", "has no column", "") for line in d.lines if not line.y]
        + [(f"checks.{c.code}.question", "is too long for a cell", f"{MAX_TEXT} characters")
           for c in questions if len(c.question) > MAX_TEXT]
        + [(f"inputs.{key}.choices", "cannot stand in the list of a cell",
            f"texts without commas, {MAX_TEXT} characters in all") for key in bad_choices]
    )  # fmt: skip
    if cells > MAX_CELLS or len(d.quantities) > MAX_QUANTITIES:
        problems.append(
            ("tables", "more than a workbook of a practical can hold",
             f"{MAX_CELLS} readings, {MAX_QUANTITIES} quantities")
        )  # fmt: skip
    if len(d.results) > MAX_RESULTS:
        problems.append(("results", f"{len(d.results)} results", f"{MAX_RESULTS} at most"))
    for problem in problems:
        raise DefinitionError(*problem)


def _check_register(d: Definition) -> None:
    """Facts of the register that inputs and quantities name."""
    named = [("inputs", one.id, one.register, one.unit, one.kind) for one in d.inputs]
    named += [("quantities", q.id, q.register, q.unit, "number") for q in d.quantities]
    for group, id_, fact, its_unit, kind in named:
        where = f"{group}.{id_}.register"
        if not fact:
            continue
        if fact not in REGISTER_FACTS:
            allowed = ", ".join(REGISTER_FACTS)
            raise DefinitionError(where, f"the register has no fact “{fact}”", allowed)
        of = REGISTER_FACTS[fact]
        fits = (kind == "number") == bool(of)
        if fits and of:
            fits = unit(of).dimension == unit_at(its_unit, where).dimension
        if not fits:
            raise DefinitionError(where, f"“{fact}” cannot stand here", of or "a text")
