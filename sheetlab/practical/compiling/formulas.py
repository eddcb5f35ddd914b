"""Formulas as a whole: conditions, dimensions, names of lines filled in, order of evaluation.

A ``DefinitionError`` is raised for the first key that cannot be used.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from msgspec.structs import replace

from sheetlab.formula.tree import Call, Number, names, substitute, walk
from sheetlab.practical.compiling.names import Names, formula_at, require
from sheetlab.practical.definition import Check, DefinitionError
from sheetlab.practical.fields import LEFT_OUT, CheckField, DerivedField, Field
from sheetlab.units import PURE


def add_conditions(
    known: Names,
    check: Check,
    where: str,
    table: str | None = None,
    short: Mapping[str, str] = {},
) -> None:
    """Add a check of the definition, once for each column that it is asked of.

    Parameters
    ----------
    short
        Flat names of the bare ones that the check may use.
    """
    asked = [c for name in check.each for c in known.columns(short.get(name, name))]
    for column in asked if check.each else ("",):
        rename = {**short, "it": column} if column else short
        named = "it" if column else check.at
        at = rename.get(named, named)
        kind = known.kind(at)
        if kind is None or (table is not None and kind.table not in (None, table)):
            raise DefinitionError(f"{where}.at", f"“{named}” is nothing to point at")
        node = formula_at(check.condition, f"{where}.condition", rename)
        known.add_check(check, node=node, at=known.columns(at)[0], table=table)


def check_formulas(known: Names, constants: Collection[str]) -> None:
    """Refuse formulas that do not have the dimension of their unit, and checks that are numbers."""
    for key, value in known.derived.items():
        if key not in constants:
            with known.refusals.about([value.text, [*names(value.node)]], key):
                _check_formula(known, value, known.where[key])
    for key, field in (known.inputs | known.derived).items():
        with known.refusals.about(key):
            _check_half_widths(known, key, field)
    for check in known.checks:
        with known.refusals.about([*names(check.node)]):
            where = f"checks.{check.code}"
            condition = known.dimension(check.code, check.node, check.table, where) is None
            require(condition, f"{where}.condition", "is a number, not a condition")


def _check_half_widths(known: Names, key: str, field: Field) -> None:
    for spec in field.sources:
        if not isinstance(spec.half_width, Number):
            where = f"{known.where[key]}.uncertainty"
            dimension = known.dimension(spec.label, spec.half_width, None, where)
            alike = dimension == (PURE if spec.relative else field.unit).dimension
            require(alike, where, f"the half-width of “{spec.label}” has another unit")


def _check_formula(known: Names, value: DerivedField, where: str) -> None:
    _refuse_means_that_ignore_reasons(known, value, where)
    at, own = f"{where}.formula", value.unit
    dimension = known.dimension(value.text, value.node, value.table, at)
    require(dimension is not None, where, f"“{value.text}” is a condition, not a number")
    require(
        dimension == own.dimension,
        f"{where}.unit",
        f"“{own.text}” has the dimension {own.dimension}, but “{value.text}” gives {dimension}",
        "a unit of the formula's dimension",
    )
    if value.maximum_error is not None:
        error = known.dimension("maximum_error", value.maximum_error, None, where)
        reason = f"has the dimension {error}, the quantity has {own.dimension}"
        require(error == own.dimension, f"{where}.maximum_error", reason)


def _refuse_means_that_ignore_reasons(known: Names, value: DerivedField, where: str) -> None:
    """A mean of typed cells would go on counting a row that was left out."""
    means = [n for n in walk(value.node) if isinstance(n, Call) and n.function == "mean"]
    for key in (key for part in means for key in names(part)):
        column = known.inputs.get(known.columns(key)[0])
        require(
            column is None or f"{column.table}.{LEFT_OUT}" not in known.inputs,
            f"{where}.formula",
            f"“{key}” is typed in a table from which rows can be left out",
            "a column with a formula, which is empty in such rows",
        )


def fill_in_lines(known: Names) -> tuple[CheckField, ...]:
    """Put what they stand for in the place of lines' results: in derived values, and in checks."""
    calls = known.line_calls()
    for key, value in known.derived.items():
        maximum = value.maximum_error
        known.derived[key] = replace(
            value,
            node=substitute(value.node, calls),
            maximum_error=None if maximum is None else substitute(maximum, calls),
        )
    return tuple(replace(check, node=substitute(check.node, calls)) for check in known.checks)


def ordered(known: Names) -> dict[str, DerivedField]:
    """Derived values in the order of evaluation."""
    done: dict[str, DerivedField] = {}
    open_: list[str] = []

    def visit(key: str) -> None:
        if key in done or key not in known.derived:
            return
        if key in open_:
            chain = " → ".join([*open_[open_.index(key) :], key])
            raise DefinitionError(known.where[key], f"formulas go in a circle: {chain}")
        open_.append(key)
        value = known.derived[key]
        for node in (value.node, *(spec.half_width for spec in value.sources)):
            for name in names(node):
                for column in known.columns(name):
                    visit(column)
        open_.pop()
        done[key] = value

    for key in known.derived:
        visit(key)
    return done
