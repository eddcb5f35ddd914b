"""The group's own sums: results by a changed formula, or changed at the end."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from msgspec.structs import replace

from sheetlab.formula import dimensions
from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.tree import Binary, Call, FormulaError, Name, Node, Number, rebuild, walk
from sheetlab.formula.values import evaluate
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.habits.collection import Change, Collection, Plan
from sheetlab.practical.habits.places import zeroed_instruments
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Entry, Observations
from sheetlab.units import Unit, unit

HABITS = Collection()
LENGTH = unit("m").dimension


def _answers(practical: Practical, wanted: Callable[[Practical, Node, Unit], bool]) -> list[str]:
    """Answers whose formula is as wanted, by key."""
    return [
        f"answer.{answer.id}"
        for answer in practical.definition.answers
        if answer.quantity
        and wanted(
            practical,
            practical.derived[answer.quantity].node,
            practical.inputs[f"answer.{answer.id}"].unit,
        )
    ]


def _quantity(practical: Practical, answer: str) -> str:
    return next(a.quantity for a in practical.definition.answers if f"answer.{a.id}" == answer)


def _formula(plan: Plan, change: Callable[[Node, Plan], Node | None], size: float) -> Change | None:
    """An answer by a changed formula."""
    node = plan.practical.derived[_quantity(plan.practical, plan.place)].node
    other = change(node, plan)
    if other is None:
        return None
    its = plan.practical.inputs[plan.place].unit

    def worked_out(numbers: Numbers) -> float | None:
        value = evaluate(other, numbers)
        return None if value is None else its.from_si(float(value))

    return Change(plan.place, None, size, answer=worked_out)


def _dimension(practical: Practical, node: Node) -> Any:
    def lookup(key: str) -> dimensions.Kind | None:
        known = key in practical.inputs or key in practical.derived
        return dimensions.Kind(practical.field(key).unit.dimension) if known else None

    try:
        return dimensions.check("", node, lookup, None)
    except FormulaError:
        return None


def _factors(node: Node) -> Iterator[Node]:
    """Factors of a product or quotient, left to right."""
    if isinstance(node, Binary) and node.op in "*/":
        yield from _factors(node.left)
        yield from _factors(node.right)
    else:
        yield node


def _swapped(node: Node, old: Node, new: Node) -> Node:
    """A product or quotient with one of its factors replaced."""
    if node is old:
        return new
    if isinstance(node, Binary) and node.op in "*/":
        return replace(
            node, left=_swapped(node.left, old, new), right=_swapped(node.right, old, new)
        )
    return node


def _powers_of_lengths(practical: Practical, node: Node) -> list[Binary]:
    return [
        part
        for part in walk(node)
        if isinstance(part, Binary)
        and part.op == "^"
        and isinstance(part.right, Number)
        and abs(part.right.value) >= 2.0
        and _dimension(practical, part.left) == LENGTH
    ]


def _with_length_power(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_powers_of_lengths(p, node)))


def _other_length(factor: float) -> Callable[[Node, Plan], Node | None]:
    def change(node: Node, plan: Plan) -> Node | None:
        power = _powers_of_lengths(plan.practical, node)[0]
        scaled = replace(power, left=Binary("*", Number(factor), power.left))
        return rebuild(node, lambda part: scaled if part == power else part)

    return change


@HABITS.add("answer-radius", _with_length_power)
def answer_radius(plan: Plan) -> Change | None:
    """Own result with the diameter where the formula has it halved: a length doubled."""
    return _formula(plan, _other_length(2.0), 2.0)


@HABITS.add("answer-diameter", _with_length_power)
def answer_diameter(plan: Plan) -> Change | None:
    """Own result with the radius in place of the diameter: a length halved."""
    return _formula(plan, _other_length(0.5), 0.5)


PI = Number(math.pi)


def _with_pi(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: any(part == PI for part in walk(node)))


@HABITS.add("answer-pi-lost", _with_pi)
def answer_pi_lost(plan: Plan) -> Change | None:
    """Own result without the π of the formula."""
    return _formula(
        plan, lambda node, _: rebuild(node, lambda n: Number(1.0) if n == PI else n), 1.0
    )


def _plain_numbers(node: Node) -> list[Node]:
    return [
        part
        for part in _factors(node)
        if isinstance(part, Number) and part != PI and part.value not in (0.0, 1.0)
    ]


def _with_number(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_plain_numbers(node)))


@HABITS.add("answer-number-lost", _with_number)
def answer_number_lost(plan: Plan) -> Change | None:
    """Own result without a number of the formula."""
    return _formula(plan, lambda node, p: _some_lost(_plain_numbers(node), node, p), 1.0)


def _some_lost(parts: Sequence[Node], node: Node, plan: Plan) -> Node:
    return _swapped(node, parts[int(plan.rng.integers(len(parts)))], Number(1.0))


def _squares(node: Node) -> list[Binary]:
    return [
        part
        for part in _factors(node)
        if isinstance(part, Binary) and part.op == "^" and part.right == Number(2.0)
    ]


def _with_square(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_squares(node)))


@HABITS.add("answer-square-lost", _with_square)
def answer_square_lost(plan: Plan) -> Change | None:
    """Own result with something not squared that the formula has squared."""
    answer = plan.practical.inputs[plan.place].unit

    def change(node: Node, its: Plan) -> Node:
        squares = _squares(node)
        power = squares[int(its.rng.integers(len(squares)))]
        scale = 1.0
        if isinstance(power.left, Name):
            own = its.practical.field(power.left.key).unit
            # an area in mm² is worked out in mm, a result in GPa in metres
            scale = own.factor if math.isclose(own.factor**2, answer.factor) else 1.0
        return _swapped(node, power, Binary("*", Number(scale), power.left))

    return _formula(plan, change, 1.0)


def _quantities(node: Node) -> list[Node]:
    factors = list(_factors(node))
    return [part for part in factors if isinstance(part, Name)] if len(factors) > 1 else []


def _with_quantity(practical: Practical) -> list[str]:
    formulas = {quantity.id for quantity in practical.definition.quantities}
    return [
        key
        for key in _answers(practical, lambda p, node, _: bool(_quantities(node)))
        if _quantity(practical, key) in formulas
    ]


@HABITS.add("answer-factor-lost", _with_quantity)
def answer_factor_lost(plan: Plan) -> Change | None:
    """Own result with a quantity of the formula left out."""
    return _formula(plan, lambda node, p: _some_lost(_quantities(node), node, p), 1.0)


def _all_answers(practical: Practical) -> list[str]:
    return _answers(practical, lambda *_: True)


def _scaled(plan: Plan, change: Callable[[float], float], size: float) -> Change:
    """An answer worked out well and then changed, in its own unit."""
    quantity = _quantity(plan.practical, plan.place)
    its = plan.practical.inputs[plan.place].unit

    def worked_out(numbers: Numbers) -> float | None:
        value = numbers.value(quantity, None)
        return None if not value else change(its.from_si(value))

    return Change(plan.place, None, size, answer=worked_out)


@HABITS.add("answer-power-of-ten", _all_answers)
def answer_power_of_ten(plan: Plan) -> Change | None:
    """Own result wrong by a power of ten.

    Size: the factor, 10, 1000 or one over that.
    """
    factors = (10.0, 0.1, 1000.0, 0.001)
    factor = plan.size or factors[int(plan.rng.integers(len(factors)))]
    return _scaled(plan, lambda value: value * factor, factor)


def _slopes(node: Node) -> list[Call]:
    return [
        part
        for part in walk(node)
        if isinstance(part, Call)
        and isinstance(FUNCTIONS[part.function], Aggregate)
        and part.function.endswith("slope")
    ]


def _with_slope(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_slopes(node)))


def _quotients(practical: Practical) -> list[str]:
    def is_quotient(_: Practical, node: Node, its: Unit) -> bool:
        return any(isinstance(part, Binary) and part.op == "/" for part in walk(node))

    return _with_slope(practical) or _answers(practical, is_quotient)


@HABITS.add("answer-inverse", _quotients)
def answer_inverse(plan: Plan) -> Change | None:
    """Own result upside down: a slope as run over rise."""
    return _scaled(plan, lambda value: 1.0 / value, -1.0)


@HABITS.add("answer-step", _with_slope)
def answer_step(plan: Plan) -> Change | None:
    """Own slope for one step of the table, or for the whole of it, in place of one unit of x.

    Size: what it is multiplied with.
    """
    node = plan.practical.derived[_quantity(plan.practical, plan.place)].node
    x = _slopes(node)[0].arguments[0]
    assert isinstance(x, Name)
    its = plan.practical.field(x.key).unit
    column = [its.from_si(v) for v in plan.numbers.column(x.key) if v is not None]
    if len(column) < 2:
        return None
    whole = abs(column[-1] - column[0])
    steps = (whole / (len(column) - 1), whole)
    size = plan.size or steps[int(plan.rng.integers(2))]
    return _scaled(plan, lambda value: value * size, size)


def _corrected(practical: Practical) -> list[str]:
    with_zero = [f"{key}.zero_reading." for key in zeroed_instruments(practical)]
    return [
        key
        for key in _all_answers(practical)
        if any(
            leaf.startswith(zero)
            for leaf in practical.leaves(_quantity(practical, key))
            for zero in with_zero
        )
    ]


@HABITS.add("answer-zero-forgotten", _corrected)
def answer_zero_forgotten(plan: Plan) -> Change | None:
    """Own result without the correction for the zero error."""
    quantity = _quantity(plan.practical, plan.place)
    its = plan.practical.inputs[plan.place].unit

    def worked_out(numbers: Numbers) -> float | None:
        entries = dict(numbers.observations.entries)
        for key, found in entries.items():
            if ".zero_reading." in key:
                entries[key] = [Entry(0.0) for _ in found]
        value = Numbers(plan.practical, Observations(entries)).value(quantity, None)
        return None if value is None else its.from_si(value)

    return Change(plan.place, None, 1.0, answer=worked_out)


def _with_alternative(practical: Practical) -> list[str]:
    others = {result.quantity for result in practical.definition.results if result.alternatives}
    return [key for key in _all_answers(practical) if _quantity(practical, key) in others]


@HABITS.add("answer-other-method", _with_alternative)
def answer_other_method(plan: Plan) -> Change | None:
    """Own result by another method than the one that is asked for."""
    quantity = _quantity(plan.practical, plan.place)
    its = plan.practical.inputs[plan.place].unit
    (other, *_) = next(
        r.alternatives for r in plan.practical.definition.results if r.quantity == quantity
    )

    def worked_out(numbers: Numbers) -> float | None:
        value = numbers.value(other, None)
        return None if value is None else its.from_si(value)

    return Change(plan.place, None, 1.0, answer=worked_out)
