"""Tables and their columns: typed, read off a scale, or worked out in each row.

A ``DefinitionError`` is raised for the first key that cannot be used.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sheetlab.practical.compiling.names import Names, formula_at, require, sources_of, unit_at
from sheetlab.practical.compiling.scales import Scale, add_reading
from sheetlab.practical.definition import Column, Table
from sheetlab.practical.fields import LEFT_OUT, DerivedField, InputField, SourceSpec
from sheetlab.practical.structure import nearest
from sheetlab.units import PURE

MAX_ROWS = 200
MAX_REPEATS = 12


def add_columns(known: Names, table: Table, scales: Mapping[str, Scale], runs: int) -> None:
    """Add a table with its columns, and what their scales check of readings."""
    where = f"tables.{table.id}"
    good = 1 <= table.rows <= MAX_ROWS
    require(good, f"{where}.rows", f"{table.rows} rows", f"1 to {MAX_ROWS}")
    known.add_table(table.id, table.rows)
    if table.leave_out:
        known.add(
            InputField, None, where, key=f"{table.id}.{LEFT_OUT}", unit=PURE, table=table.id,
            kind="text", title="leave this row out because",
            help="Usually empty. A reason of a word or more here takes the row out; the readings "
            "stay, and the result with them is shown too.",
        )  # fmt: skip
    for column in table.columns:
        key = f"{table.id}.{column.id}"
        at = known.made.get(key, f"{where}.columns.{column.id}")
        with known.refusals.about(column, key):
            if column.formula:
                _add_worked_out(known, table, column, at)
            else:
                _add_typed(known, table, column, scales, runs, at)


def short_names(table: Table) -> dict[str, str]:
    """Flat names of the columns that formulas of the table know by their bare name."""
    return {column.id: f"{table.id}.{column.id}" for column in table.columns}


def _add_worked_out(known: Names, table: Table, column: Column, where: str) -> None:
    read = column.instrument or column.repeats > 1 or column.per_run
    reason = "a column is either read or worked out"
    require(not read, where, reason, "formula, or instrument")
    column_unit = unit_at(column.unit, f"{where}.unit")
    node = formula_at(column.formula, f"{where}.formula", short_names(table))
    known.add(
        DerivedField, column, where, key=f"{table.id}.{column.id}", unit=column_unit,
        node=known.kept(node, table.id), text=column.formula, table=table.id,
        decimals=3 if column.decimals is None else column.decimals,
    )  # fmt: skip


def _add_typed(
    known: Names,
    table: Table,
    column: Column,
    scales: Mapping[str, Scale],
    runs: int,
    where: str,
) -> None:
    name = f"{table.id}.{column.id}"
    repeats = runs if column.per_run else column.repeats
    good = 1 <= repeats <= MAX_REPEATS
    require(good, f"{where}.repeats", f"{repeats} repeats", f"1 to {MAX_REPEATS}")
    keys: tuple[str, ...] = (name,)
    if column.per_run or repeats > 1:
        # numbered even for a single run, so that names do not depend on the runs asked for
        keys = tuple(f"{name}.{i + 1}" for i in range(repeats))
        known.blocks[name] = keys
    column_unit = unit_at(column.unit, f"{where}.unit")
    sources: tuple[SourceSpec, ...] = ()
    scale = scales.get(column.instrument)
    reason = f"there is no instrument “{column.instrument}”{nearest(column.instrument, scales)}"
    require(scale or not column.instrument, f"{where}.instrument", reason, ", ".join(scales))
    if scale is not None:
        # repeats of one column are read on the same divisions: one rounding for all
        sources = scale.sources(name, column.title)
        column_unit = scale.interval
    sources += sources_of(column.uncertainty, name, column_unit)
    for i, key in enumerate(keys):
        title = f"{column.title} {_repeat_label(column, i, repeats)}".strip()
        cell: dict[str, Any] = {"key": key, "title": title, "table": table.id, "sources": sources}
        if scale is not None:
            add_reading(known, scale, column, where, **cell)
        else:
            known.add(InputField, column, where, **cell, unit=column_unit)


def _repeat_label(column: Column, i: int, repeats: int) -> str:
    if i < len(column.labels):
        return column.labels[i]
    if repeats == 1:
        return ""
    return f"run {i + 1}" if column.per_run else str(i + 1)
