"""The order in which a definition becomes a practical: whoever is named stands before who names."""

from __future__ import annotations

from collections.abc import Mapping

from sheetlab.practical.compiling.formulas import check_formulas, conditions, expanded, ordered
from sheetlab.practical.compiling.limits import check_limits
from sheetlab.practical.compiling.lines import add_curve, add_line, add_triangle
from sheetlab.practical.compiling.names import Names
from sheetlab.practical.compiling.quantities import (
    add_answer,
    add_constant,
    add_input,
    add_quantity,
)
from sheetlab.practical.compiling.results import accepted_values, check_slips, stress_of
from sheetlab.practical.compiling.scales import Scale, add_instrument
from sheetlab.practical.compiling.tables import add_columns, short_names
from sheetlab.practical.definition import Definition
from sheetlab.practical.fields import START_INPUTS, CheckField
from sheetlab.practical.model import Practical


def compile_practical(
    definition: Definition,
    source_text: str,
    digest: str,
    runs: int = 1,
    rows: Mapping[str, int] | None = None,
) -> Practical:
    """Resolve a definition; its bench is left out (see ``compiling.bench``).

    Parameters
    ----------
    runs
        How often a column marked ``per_run`` is repeated, 1 to 4.
    rows
        Rows of tables that a workbook has more or fewer of than the definition says.

    Raises
    ------
    DefinitionError
        For the first key whose content cannot be used.
    """
    check_limits(definition)
    known = Names(rows or {})
    checks = _add_what_is_measured(known, definition, runs)
    for line in definition.lines:
        add_line(known, line)
    for curve in definition.curves:
        add_curve(known, curve)
    for constant in definition.constants:
        add_constant(known, constant)
    for quantity in definition.quantities:
        add_quantity(known, quantity)
    for check in definition.checks:
        checks += conditions(known, check, f"checks.{check.code}")
    check_formulas(known, checks, {constant.id for constant in definition.constants})
    without_line_names = expanded(known, checks)
    for answer in definition.answers:
        add_answer(known, answer)
    for fitted in known.lines.values():
        if fitted.definition.triangle:
            add_triangle(known, fitted)
    accepted = accepted_values(known, definition)
    check_slips(known, definition)
    return Practical(
        definition=definition,
        source_text=source_text,
        digest=digest,
        runs=runs,
        inputs=known.inputs,
        derived=ordered(known),
        blocks=known.blocks,
        checks=without_line_names,
        lines=known.lines,
        curves=known.curves,
        tables=known.tables,
        accepted=accepted,
        stress=stress_of(known, definition),
    )


def _add_what_is_measured(known: Names, definition: Definition, runs: int) -> list[CheckField]:
    """Names of the first sheet, instruments, inputs and tables; returns their checks."""
    checks: list[CheckField] = []
    for start in START_INPUTS:
        known.add_input(start, start.key)
    scales: dict[str, Scale] = {}
    for instrument in definition.instruments:
        scale, its_checks = add_instrument(known, instrument)
        scales.setdefault(instrument.id, scale)
        checks += its_checks
    for one in definition.inputs:
        add_input(known, one)
    for table in definition.tables:
        checks += add_columns(known, table, scales, runs)
        for check in table.checks:
            where = f"tables.{table.id}.checks.{check.code}"
            checks += conditions(known, check, where, table.id, short_names(table))
    return checks
