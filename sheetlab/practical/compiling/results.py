"""What the names are for: accepted values of the results, and the stress that loads make.

A ``DefinitionError`` is raised for the first key that cannot be used.
"""

from __future__ import annotations

from sheetlab.formula.tree import Node, Number, substitute
from sheetlab.practical.compiling.names import Names, formula_at, require, unit_at
from sheetlab.practical.compiling.tables import short_names
from sheetlab.practical.definition import Accepted, Definition, DefinitionError, Result
from sheetlab.practical.fields import StressField
from sheetlab.practical.structure import nearest
from sheetlab.units import unit


def accepted_values(known: Names, definition: Definition) -> dict[tuple[str, int], Node]:
    """Accepted values, in SI units, by quantity of the result and position in its list."""
    values: dict[tuple[str, int], Node] = {}
    allowed = ", ".join(q.id for q in definition.quantities)
    for result in definition.results:
        where = f"results.{result.quantity}"
        with known.refusals.about([result.quantity, *result.alternatives]):
            for key in (result.quantity, *result.alternatives):
                good = key in known.derived and known.derived[key].table is None
                reason = f"there is no quantity “{key}”{nearest(key, known.derived)}"
                require(good, where, reason, allowed)
            own = known.derived[result.quantity].maximum_error is None
            at = f"quantities.{result.quantity}.maximum_error"
            require(own, at, "of a result follows from those of the quantities in its formula",
                    "maximum errors of these")  # fmt: skip
            by = result.accepted_by
            require(not by or by in known.inputs, f"{where}.accepted_by", "is not an input")
            for i, accepted in enumerate(result.accepted):
                values[result.quantity, i] = _accepted(known, result, accepted, f"{where}.accepted")
    with known.refusals.about(None):
        require(definition.results, "results", "a practical needs a result")
    return values


def _accepted(known: Names, result: Result, accepted: Accepted, where: str) -> Node:
    stated = (accepted.value is not None, accepted.range is not None, accepted.formula != "")
    require(sum(stated) == 1, where, "needs a value, a range or a formula")
    low, high = accepted.range or (1.0, 2.0)
    require(
        0.0 < low < high and not (accepted.range and accepted.tolerance),
        f"{where}.range",
        "is no range of books",
        "lowest and highest value, both above 0, and no tolerance beside them",
    )
    node: Node
    if accepted.formula:
        node = formula_at(accepted.formula, f"{where}.formula")
        dimension = known.dimension(accepted.formula, node, None, where)
        node = substitute(node, known.line_calls())
    else:
        value_unit = unit_at(accepted.unit, f"{where}.unit")
        dimension, node = value_unit.dimension, Number(value_unit.to_si(accepted.middle or 0.0))
    alike = dimension == known.derived[result.quantity].unit.dimension
    require(alike, where, "does not measure the same as the result")
    return node


def check_slips(known: Names, definition: Definition) -> None:
    """Refuse slips of results that cannot be tried."""
    for result in definition.results:
        with known.refusals.about(result.slips):
            _check_slips(known, result, f"results.{result.quantity}")


def _check_slips(known: Names, result: Result, owner: str) -> None:
    where = f"{owner}.slips"
    for slip in result.slips:
        require(known.single(slip.quantity), where, f"there is no single value “{slip.quantity}”")
        one_way = (slip.factor is None) != (slip.range is None)
        require(one_way, where, "needs a factor or a range")
        low, high = slip.range or (0.0, 1.0)
        require(low < high, where, "has an empty range", "lowest and highest value")
    good = result.expected is None or result.expected.half_width >= 0.0
    require(good, f"{owner}.expected", "has no half-width")


def stress_of(known: Names, definition: Definition) -> StressField | None:
    """What the loads do; None if the definition does not say."""
    stress = definition.stress
    if stress is None:
        return None
    column, choice = known.inputs.get(stress.column), known.inputs.get(stress.material)
    if column is None or column.table is None or column.kind != "number":
        raise DefinitionError(
            "stress.column", f"“{stress.column}” is not a column that is typed", "table.column"
        )
    chosen = choice is not None and choice.kind == "choice"
    require(chosen, "stress.material", f"“{stress.material}” is not an input that is chosen")
    for key in ("dead_load", "diameter", "length", "modulus"):
        name = getattr(stress, key)
        good = not name or known.single(name)
        require(good, f"stress.{key}", f"there is no “{name}”", "its name")
    where = "stress.formula"
    table = next(t for t in definition.tables if t.id == column.table)
    node = formula_at(stress.formula, where, short_names(table))
    dimension = known.dimension(stress.formula, node, table.id, where)
    given = "is a condition" if dimension is None else f"has the dimension {dimension}"
    require(dimension == unit("Pa").dimension, where, given, "a stress")
    return StressField(
        stress.column, table.id, substitute(node, known.line_calls()), stress.material,
        stress.dead_load, stress.diameter, stress.length, stress.modulus,
    )  # fmt: skip
