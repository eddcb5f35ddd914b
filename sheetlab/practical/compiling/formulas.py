"""Formulas as a whole: conditions, dimensions, names of lines filled in, order of evaluation."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from msgspec.structs import replace

from sheetlab.formula.tree import Call, Number, names, substitute, walk
from sheetlab.practical.compiling.names import Names, formula_at
from sheetlab.practical.definition import Check, DefinitionError
from sheetlab.practical.fields import LEFT_OUT, CheckField, DerivedField
from sheetlab.units import PURE


def conditions(
    known: Names,
    check: Check,
    where: str,
    table: str | None = None,
    short: Mapping[str, str] = {},
) -> list[CheckField]:
    """A check of the definition, once for each column that it is asked of.

    Parameters
    ----------
    short
        Flat names of the bare ones that the check may use.

    Raises
    ------
    DefinitionError
        If it is no formula, or points at nothing.
    """
    if check.each:
        columns = [c for name in check.each for c in known.columns(short.get(name, name))]
        one = replace(check, each=(), at="it")
        return [
            its
            for column in columns
            for its in conditions(known, one, where, table, {**short, "it": column})
        ]
    at = short.get(check.at, check.at)
    found = known.kind(at)
    if found is None or (table is not None and found.table not in (None, table)):
        raise DefinitionError(f"{where}.at", f"“{check.at}” is nothing to point at")
    return [
        CheckField(
            code=check.code,
            node=formula_at(check.condition, f"{where}.condition", short),
            question=check.question,
            expected=check.expected,
            severity=check.severity,
            at=known.columns(at)[0],
            table=table,
            rows=1 if table is None else known.tables[table],
            live_only=check.live_only,
        )
    ]


def check_formulas(
    known: Names, checks: Collection[CheckField], constants: Collection[str]
) -> None:
    """Refuse formulas that do not have the dimension of their unit, and checks that are numbers.

    Raises
    ------
    DefinitionError
        For the first of them.
    """
    for key, one in known.derived.items():
        if key in constants:
            continue
        where = known.where[key]
        _refuse_means_that_ignore_reasons(known, one, where)
        found = known.dimension(one.text, one.node, one.table, where)
        if found is None:
            raise DefinitionError(where, f"“{one.text}” is a condition, not a number")
        if found != one.unit.dimension:
            raise DefinitionError(
                f"{where}.unit",
                f"“{one.unit.text}” has the dimension {one.unit.dimension}, "
                f"but “{one.text}” gives {found}",
                "a unit of the formula's dimension",
            )
        if one.maximum_error is not None:
            error = known.dimension("maximum_error", one.maximum_error, None, where)
            if error != one.unit.dimension:
                raise DefinitionError(
                    f"{where}.maximum_error",
                    f"has the dimension {error}, the quantity has {one.unit.dimension}",
                )
    _check_half_widths(known)
    for check in checks:
        where = f"checks.{check.code}"
        if known.dimension(check.code, check.node, check.table, where) is not None:
            raise DefinitionError(f"{where}.condition", "is a number, not a condition")


def _check_half_widths(known: Names) -> None:
    """Half-widths that are formulas have the dimension of what they belong to."""
    for key, one in (known.inputs | known.derived).items():
        for spec in one.sources:
            if isinstance(spec.half_width, Number):
                continue
            where = f"{known.where[key]}.uncertainty"
            found = known.dimension(spec.label, spec.half_width, None, where)
            if found != (PURE.dimension if spec.relative else one.unit.dimension):
                raise DefinitionError(where, f"the half-width of “{spec.label}” has another unit")


def _refuse_means_that_ignore_reasons(known: Names, one: DerivedField, where: str) -> None:
    """A mean of typed cells would go on counting a row that was left out."""
    for part in walk(one.node):
        if not (isinstance(part, Call) and part.function == "mean"):
            continue
        for key in names(part):
            column = known.inputs.get(known.columns(key)[0])
            if column is not None and f"{column.table}.{LEFT_OUT}" in known.inputs:
                raise DefinitionError(
                    f"{where}.formula",
                    f"“{key}” is typed in a table from which rows can be left out",
                    "a column with a formula, which is empty in such rows",
                )


def expanded(known: Names, checks: Collection[CheckField]) -> tuple[CheckField, ...]:
    """Put what they stand for in the place of lines' results: in derived values, and in checks."""
    calls = known.line_calls()
    for key, one in known.derived.items():
        maximum = one.maximum_error
        known.derived[key] = replace(
            one,
            node=substitute(one.node, calls),
            maximum_error=None if maximum is None else substitute(maximum, calls),
        )
    return tuple(replace(check, node=substitute(check.node, calls)) for check in checks)


def ordered(known: Names) -> dict[str, DerivedField]:
    """Derived values in the order of evaluation.

    Raises
    ------
    DefinitionError
        If a formula needs its own value.
    """
    done: dict[str, DerivedField] = {}
    open_: list[str] = []

    def visit(key: str) -> None:
        if key in done or key not in known.derived:
            return
        if key in open_:
            chain = " → ".join([*open_[open_.index(key) :], key])
            raise DefinitionError(known.where[key], f"formulas go in a circle: {chain}")
        open_.append(key)
        one = known.derived[key]
        sources = [n for s in one.sources for n in names(s.half_width)]
        for name in (*names(one.node), *sources):
            for column in known.columns(name):
                visit(column)
        open_.pop()
        done[key] = one

    for key in known.derived:
        visit(key)
    return done
