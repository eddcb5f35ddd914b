"""Tables and their columns: typed, read off a scale, or worked out in each row."""

from __future__ import annotations

from collections.abc import Mapping

from sheetlab.practical.compiling.names import Names, formula_at, sources_of, unit_at
from sheetlab.practical.compiling.scales import Scale, add_reading
from sheetlab.practical.definition import Column, DefinitionError, Table
from sheetlab.practical.fields import LEFT_OUT, CheckField, DerivedField, InputField, SourceSpec
from sheetlab.units import PURE

MAX_ROWS = 200
MAX_REPEATS = 12


def add_columns(
    known: Names, table: Table, scales: Mapping[str, Scale], runs: int
) -> list[CheckField]:
    """Add a table with its columns; returns what their scales check of readings.

    Raises
    ------
    DefinitionError
        For the first key that cannot be used.
    """
    where = f"tables.{table.id}"
    if not 1 <= table.rows <= MAX_ROWS:
        raise DefinitionError(f"{where}.rows", f"{table.rows} rows", f"1 to {MAX_ROWS}")
    known.add_table(table.id, table.rows)
    if table.leave_out:
        _add_left_out(known, table, where)
    checks: list[CheckField] = []
    for column in table.columns:
        its = f"{where}.columns.{column.id}"
        if column.formula:
            _add_worked_out(known, table, column, its)
        else:
            checks += _add_typed(known, table, column, scales, runs, its)
    return checks


def short_names(table: Table) -> dict[str, str]:
    """Flat names of the columns that formulas of the table know by their bare name."""
    return {column.id: f"{table.id}.{column.id}" for column in table.columns}


def _add_left_out(known: Names, table: Table, where: str) -> None:
    known.add_input(
        InputField(
            key=f"{table.id}.{LEFT_OUT}",
            title="leave this row out because",
            unit=PURE,
            table=table.id,
            rows=known.tables[table.id],
            kind="text",
            help="Usually empty. A reason of a word or more here takes the row out; the "
            "readings stay, and the result with them is shown too.",
        ),
        where,
    )


def _add_worked_out(known: Names, table: Table, column: Column, where: str) -> None:
    if column.instrument or column.repeats > 1 or column.per_run:
        raise DefinitionError(
            where, "a column is either read or worked out", "formula, or instrument"
        )
    its_unit = unit_at(column.unit, f"{where}.unit")
    node = formula_at(column.formula, f"{where}.formula", short_names(table))
    known.add_derived(
        DerivedField(
            key=f"{table.id}.{column.id}",
            title=column.title,
            unit=its_unit,
            node=known.kept(node, table.id),
            text=column.formula,
            symbol=column.symbol,
            table=table.id,
            rows=known.tables[table.id],
            decimals=3 if column.decimals is None else column.decimals,
            assist=column.assist,
            sources=sources_of(column.uncertainty, f"{table.id}.{column.id}", its_unit),
        ),
        where,
    )


def _add_typed(
    known: Names,
    table: Table,
    column: Column,
    scales: Mapping[str, Scale],
    runs: int,
    where: str,
) -> list[CheckField]:
    name = f"{table.id}.{column.id}"
    repeats = runs if column.per_run else column.repeats
    if not 1 <= repeats <= MAX_REPEATS:
        raise DefinitionError(f"{where}.repeats", f"{repeats} repeats", f"1 to {MAX_REPEATS}")
    keys: tuple[str, ...] = (name,)
    if column.per_run or repeats > 1:
        # numbered even for a single run, so that names do not depend on the runs asked for
        keys = tuple(f"{name}.{i + 1}" for i in range(repeats))
        known.blocks[name] = keys
    its_unit = unit_at(column.unit, f"{where}.unit")
    sources: tuple[SourceSpec, ...] = ()
    scale = None
    if column.instrument:
        scale = scales.get(column.instrument)
        if scale is None:
            raise DefinitionError(
                f"{where}.instrument",
                f"there is no instrument “{column.instrument}”",
                ", ".join(scales),
            )
        # repeats of one column are read on the same divisions: one rounding for all
        sources = scale.sources(name, column.title)
        its_unit = scale.interval
    sources += sources_of(column.uncertainty, name, its_unit)
    checks: list[CheckField] = []
    for i, key in enumerate(keys):
        title = f"{column.title} {_repeat_label(column, i, repeats)}".strip()
        if scale is not None:
            checks += add_reading(known, scale, table.id, column, key, title, sources, where)
            continue
        known.add_input(
            InputField(
                key=key,
                title=title,
                unit=its_unit,
                symbol=column.symbol,
                table=table.id,
                rows=known.tables[table.id],
                decimals=column.decimals,
                minimum=column.minimum,
                maximum=column.maximum,
                help=column.help,
                sources=sources,
            ),
            where,
        )
    return checks


def _repeat_label(column: Column, i: int, repeats: int) -> str:
    if i < len(column.labels):
        return column.labels[i]
    if repeats == 1:
        return ""
    return f"run {i + 1}" if column.per_run else str(i + 1)
