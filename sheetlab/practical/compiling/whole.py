"""The order in which a definition becomes a practical: whoever is named stands before who names."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from msgspec.structs import replace

from sheetlab.formula.tree import Call, Name, Number
from sheetlab.messages import phrase, said
from sheetlab.practical.compiling.formulas import (
    add_conditions,
    check_formulas,
    fill_in_lines,
    ordered,
)
from sheetlab.practical.compiling.limits import check_limits
from sheetlab.practical.compiling.lines import add_curve, add_line, add_triangle
from sheetlab.practical.compiling.lookups import add_lookup
from sheetlab.practical.compiling.names import (
    Names,
    formula_at,
    require,
    sources_of,
    unit_at,
)
from sheetlab.practical.compiling.results import accepted_values, check_slips, stress_of
from sheetlab.practical.compiling.scales import Scale, add_instrument
from sheetlab.practical.compiling.tables import add_columns, short_names
from sheetlab.practical.definition import (
    Answer,
    Assist,
    Check,
    Constant,
    Definition,
    DefinitionError,
    Input,
    Quantity,
)
from sheetlab.practical.fields import (
    OWN_UNCERTAINTY,
    START_INPUTS,
    DerivedField,
    InputField,
    SourceSpec,
)
from sheetlab.practical.model import Practical
from sheetlab.units import interval_of


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
    RefusedDefinitionError
        With each key whose content cannot be used.
    """
    made = {
        key: f"lines.{line.id}.where" for line in definition.lines if line.where for key in line.y
    }
    known = Names(rows or {}, made)
    check_limits(definition, known.refusals)
    _add_what_is_measured(known, definition, runs)
    parts: tuple[tuple[Callable[[Names, Any], None], Sequence[Any]], ...] = (
        (add_line, definition.lines),
        (_add_constant, definition.constants),
        (add_lookup, definition.lookups),
        (add_curve, definition.curves),
        (_add_quantity, definition.quantities),
        (_add_check, definition.checks),
    )
    for add, several in parts:
        for part in several:
            with known.refusals.about(part, getattr(part, "id", "")):
                add(known, part)
    check_formulas(known, {constant.id for constant in definition.constants})
    for answer in definition.answers:
        with known.refusals.about(answer):
            _add_answer(known, answer)
    for fitted in known.lines.values():
        if fitted.definition.triangle:
            add_triangle(known, fitted)
    accepted = accepted_values(known, definition)
    check_slips(known, definition)
    known.refusals.end()
    checks = fill_in_lines(known)
    return Practical(
        definition=definition,
        source_text=source_text,
        digest=digest,
        runs=runs,
        inputs=known.inputs,
        derived=ordered(known),
        blocks=known.blocks,
        checks=checks,
        lines=known.lines,
        curves=known.curves,
        tables=known.tables,
        accepted=accepted,
        stress=stress_of(known, definition),
    )


def _add_what_is_measured(known: Names, definition: Definition, runs: int) -> None:
    """Add names of the first sheet, instruments, inputs and tables, with their checks."""
    for start in START_INPUTS:
        known.claim(start.key, start.key)
        known.inputs[start.key] = start
    scales: dict[str, Scale] = {}
    for instrument in definition.instruments:
        with known.refusals.about(instrument, instrument.id):
            scales[instrument.id] = add_instrument(known, instrument)
    for cell in definition.inputs:
        with known.refusals.about(cell, cell.id):
            _add_input(known, cell)
    for table in definition.tables:
        with known.refusals.about(replace(table, columns=(), checks=()), table.id):
            add_columns(known, table, scales, runs)
        for check in table.checks:
            where = f"tables.{table.id}.checks.{check.code}"
            with known.refusals.about(check):
                add_conditions(known, check, where, table.id, short_names(table))


def _add_input(known: Names, cell: Input) -> None:
    where = f"inputs.{cell.id}"
    cell_unit = unit_at(cell.unit, f"{where}.unit")
    good = cell.kind != "choice" or cell.choices
    require(good, f"{where}.choices", "a choice needs its choices")
    if not cell.asks_uncertainty:
        known.add(InputField, cell, where, unit=cell_unit)
        return
    number = cell.kind == "number"
    require(number, f"{where}.asks_uncertainty", "is asked of what is no number")
    own, interval = f"{cell.id}.{OWN_UNCERTAINTY}", interval_of(cell_unit)
    title = said(phrase("input-uncertainty", symbol=cell.symbol or cell.title))
    typed = Call("first_given", (Name(own), Number(0.0, interval.dimension)))
    source = SourceSpec(f"{cell.id}#u", cell.title, typed, "normal")
    stated = (*sources_of(cell.uncertainty, cell.id, interval), source)
    known.add(InputField, cell, where, unit=cell_unit, sources=stated)
    known.add(
        InputField, None, where, key=own, title=title, unit=interval, minimum=0.0,
        decimals=cell.decimals, help=said(phrase("input-uncertainty-help")),
    )  # fmt: skip


def _add_check(known: Names, check: Check) -> None:
    add_conditions(known, check, f"checks.{check.code}")


def _add_constant(known: Names, constant: Constant) -> None:
    """Add a derived value whose formula is its number in SI units."""
    where = f"constants.{constant.id}"
    node = Number(unit_at(constant.unit, f"{where}.unit").to_si(constant.value))
    text = f"{constant.value:g}"
    known.add(DerivedField, constant, where, node=node, text=text, assist=Assist.FULL)


def _add_quantity(known: Names, quantity: Quantity) -> None:
    where, maximum = f"quantities.{quantity.id}", quantity.maximum_error
    quantity_unit = unit_at(quantity.unit, f"{where}.unit")
    known.add(
        DerivedField,
        quantity,
        where,
        unit=quantity_unit,
        node=formula_at(quantity.formula, f"{where}.formula"),
        text=quantity.formula,
        maximum_error=formula_at(maximum, f"{where}.maximum_error") if maximum else None,
    )


def _add_answer(known: Names, answer: Answer) -> None:
    """Add an input for one of the student's own results."""
    where = f"answers.{answer.id}"
    answer_unit = unit_at(answer.unit, f"{where}.unit")
    if answer.quantity:
        quantity = known.derived.get(answer.quantity)
        if quantity is None:
            raise DefinitionError(f"{where}.quantity", f"there is no quantity “{answer.quantity}”")
        alike = answer_unit.dimension == quantity.unit.dimension
        reason = f"“{answer.unit}” does not measure the same as the quantity"
        require(alike, f"{where}.unit", reason)
    help_ = "Your own result, worked out from your own readings."
    known.add(
        InputField, answer, where, key=f"answer.{answer.id}", unit=answer_unit, answer=True,
        help=help_,
    )  # fmt: skip
