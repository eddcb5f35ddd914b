"""What the names are for: accepted values of the results, and the stress that loads make."""

from __future__ import annotations

from sheetlab.formula.tree import Node, Number, substitute
from sheetlab.practical.compiling.names import Names, formula_at, unit_at
from sheetlab.practical.compiling.tables import short_names
from sheetlab.practical.definition import Definition, DefinitionError
from sheetlab.practical.fields import StressField
from sheetlab.units import unit


def accepted_values(known: Names, definition: Definition) -> dict[tuple[str, int], Node]:
    """Accepted values, in SI units, by quantity of the result and position in its list.

    Raises
    ------
    DefinitionError
        For the first key of a result that cannot be used, or if there is no result.
    """
    values: dict[tuple[str, int], Node] = {}
    for result in definition.results:
        where = f"results.{result.quantity}"
        for key in (result.quantity, *result.alternatives):
            if key not in known.derived or known.derived[key].table is not None:
                raise DefinitionError(
                    where,
                    f"there is no quantity “{key}”",
                    ", ".join(q.id for q in definition.quantities),
                )
        if result.accepted_by and known.inputs.get(result.accepted_by) is None:
            raise DefinitionError(f"{where}.accepted_by", "is not an input")
        dimension = known.derived[result.quantity].unit.dimension
        for i, accepted in enumerate(result.accepted):
            given = (accepted.value is not None, accepted.range is not None, accepted.formula != "")
            if sum(given) != 1:
                raise DefinitionError(f"{where}.accepted", "needs a value, a range or a formula")
            if accepted.range is not None and (
                not 0.0 < accepted.range[0] < accepted.range[1] or accepted.tolerance
            ):
                raise DefinitionError(
                    f"{where}.accepted.range",
                    "is no range of books",
                    "lowest and highest value, both above 0, and no tolerance beside them",
                )
            if accepted.formula:
                node = formula_at(accepted.formula, f"{where}.accepted.formula")
                found = known.dimension(accepted.formula, node, None, f"{where}.accepted")
                node = substitute(node, known.line_calls())
            else:
                its_unit = unit_at(accepted.unit, f"{where}.accepted.unit")
                found = its_unit.dimension
                node = Number(its_unit.to_si(accepted.middle or 0.0))
            values[result.quantity, i] = node
            if found != dimension:
                raise DefinitionError(
                    f"{where}.accepted", "does not measure the same as the result"
                )
    if not definition.results:
        raise DefinitionError("results", "a practical needs a result")
    return values


def check_slips(known: Names, definition: Definition) -> None:
    """Refuse slips of results that cannot be tried.

    Raises
    ------
    DefinitionError
        For the first that names no single quantity, or not one way in which it was another.
    """
    for result in definition.results:
        where = f"results.{result.quantity}.slips"
        for slip in result.slips:
            found = known.field(slip.quantity)
            if found is None or found.table is not None:
                raise DefinitionError(where, f"there is no single value “{slip.quantity}”")
            if (slip.factor is None) == (slip.range is None):
                raise DefinitionError(where, "needs a factor or a range")
            if slip.range is not None and not slip.range[0] < slip.range[1]:
                raise DefinitionError(where, "has an empty range", "lowest and highest value")
        if result.expected is not None and not result.expected.half_width >= 0.0:
            raise DefinitionError(f"results.{result.quantity}.expected", "has no half-width")


def stress_of(known: Names, definition: Definition) -> StressField | None:
    """What the loads do; None if the definition does not say.

    Raises
    ------
    DefinitionError
        For the first key of it that cannot be used.
    """
    one = definition.stress
    if one is None:
        return None
    column, choice = known.inputs.get(one.column), known.inputs.get(one.material)
    if column is None or column.table is None or column.kind != "number":
        raise DefinitionError(
            "stress.column", f"“{one.column}” is not a column that is typed", "table.column"
        )
    if choice is None or choice.kind != "choice":
        raise DefinitionError("stress.material", f"“{one.material}” is not an input that is chosen")
    for key in ("dead_load", "diameter", "length", "modulus"):
        name = getattr(one, key)
        its = known.inputs.get(name) or known.derived.get(name)
        if name and (its is None or its.table is not None):
            raise DefinitionError(f"stress.{key}", f"there is no “{name}”", "its name")
    where = "stress.formula"
    table = next(t for t in definition.tables if t.id == column.table)
    node = formula_at(one.formula, where, short_names(table))
    found = known.dimension(one.formula, node, table.id, where)
    if found != unit("Pa").dimension:
        given = "is a condition" if found is None else f"has the dimension {found}"
        raise DefinitionError(where, given, "a stress")
    return StressField(
        one.column, table.id, substitute(node, known.line_calls()), one.material,
        one.dead_load, one.diameter, one.length, one.modulus,
    )  # fmt: skip
