"""Check a formula before it is used: names, shapes (quantity or column), dimensions."""

from __future__ import annotations

from collections.abc import Callable

from msgspec import Struct

from sheetlab.formula.functions import (
    FUNCTIONS,
    Aggregate,
    Elementwise,
    FirstGiven,
    LineBefore,
    Macro,
    Position,
    RowStatistic,
    Unless,
)
from sheetlab.formula.tree import (
    Binary,
    Call,
    Comparison,
    Fitted,
    FormulaError,
    Logic,
    Name,
    Negative,
    Node,
    Number,
)
from sheetlab.units import NUMBER, Dimension, unit


class Kind(Struct, frozen=True):
    """What a name stands for."""

    dimension: Dimension
    table: str | None = None
    """Table of a column; None for a quantity."""
    repeated: bool = False
    """Several columns of repeated readings behind one name."""
    text: bool = False


Lookup = Callable[[str], Kind | None]


def check(text: str, node: Node, lookup: Lookup, table: str | None) -> Dimension | None:
    """Dimension of a formula's result; None for a condition.

    Parameters
    ----------
    text
        The formula as written, for messages.
    lookup
        Name -> kind, None for an unknown name.
    table
        The table in whose rows the formula is used, None for a quantity.

    Raises
    ------
    FormulaError
        For unknown names, a column where a number is needed, wrong numbers of arguments, and
        terms that cannot be added or compared.
    """
    return _Checker(text, lookup, table).dimension(node)


class _Checker(Struct, frozen=True):
    text: str
    lookup: Lookup
    table: str | None

    def fail(self, part: str, reason: str, allowed: str = "") -> FormulaError:
        return FormulaError(self.text, part, reason, allowed)

    def kind(self, key: str) -> Kind:
        found = self.lookup(key)
        if found is None:
            raise self.fail(key, "is not the name of anything in this definition")
        return found

    def number(self, node: Node) -> Dimension:
        found = self.dimension(node)
        if found is None:
            raise self.fail("comparison", "a condition stands where a number is needed")
        return found

    def dimension(self, node: Node) -> Dimension | None:
        match node:
            case Number(_, dimension):
                return dimension
            case Name(key):
                found = self.kind(key)
                if found.text:
                    raise self.fail(key, "is a text where a number is needed")
                if found.repeated:
                    raise self.fail(
                        key, "has several readings in a row", f"row_mean({key}), row_range({key})"
                    )
                if found.table not in (None, self.table):
                    raise self.fail(
                        key,
                        "is a column where one number is needed",
                        f"mean({key}) or another statistic",
                    )
                return found.dimension
            case Negative(inner):
                return self.number(inner)
            case Binary("^", left, right):
                exponent = _constant(right)
                if exponent is None:
                    raise self.fail("^", "an exponent must be a plain number")
                return self.number(left) ** exponent
            case Binary(op, left, right):
                a, b = self.number(left), self.number(right)
                if op == "*":
                    return a * b
                if op == "/":
                    return a / b
                self.same(op, a, b)
                return a
            case Comparison(op, left, right):
                a, b = self.number(left), self.number(right)
                # a bare 0 has every dimension
                if Number(0.0) not in (left, right):
                    self.same(op, a, b)
                return None
            case Logic(op, parts):
                for part in parts:
                    if self.dimension(part) is not None:
                        raise self.fail(op, "a number stands where a condition is needed")
                return None
            case Call():
                return self.call(node)
            case Fitted():
                return node.dimension

    def same(self, sign: str, a: Dimension, b: Dimension) -> None:
        if a != b:
            raise self.fail(
                sign, f"the two sides differ in dimension: {a} and {b}", "equal dimensions"
            )

    def count(self, call: Call, least: int, most: int) -> None:
        if not least <= len(call.arguments) <= most:
            wanted = str(least) if least == most else f"{least} to {most}"
            raise self.fail(call.function, f"takes {wanted} arguments, not {len(call.arguments)}")

    def columns(self, call: Call, own_table: bool) -> list[Kind]:
        kinds = []
        for argument in call.arguments:
            if not isinstance(argument, Name):
                raise self.fail(
                    call.function,
                    "takes names of columns, not sums or products",
                    "a column of its own for the sum or product",
                )
            found = self.kind(argument.key)
            if found.text:
                raise self.fail(argument.key, "is a text where a number is needed")
            if found.table is None or (own_table and found.table != self.table):
                where = "of the same table" if own_table else "of a table"
                raise self.fail(argument.key, f"is not a column {where}")
            kinds.append(found)
        return kinds

    def call(self, call: Call) -> Dimension | None:
        rule = FUNCTIONS[call.function]
        match rule:
            case Elementwise():
                self.count(call, 1, 1)
                inner = self.number(call.arguments[0])
                if rule.power is not None:
                    return inner**rule.power
                self.same(f"{rule.name}(…)", inner, NUMBER)
                return NUMBER
            case Aggregate():
                self.count(call, len(rule.powers), rule.most or len(rule.powers))
                kinds = self.columns(call, own_table=False)
                if len({kind.table for kind in kinds}) > 1:
                    raise self.fail(call.function, "takes columns of one table")
                for argument, kind, position in zip(call.arguments, kinds, range(99), strict=False):
                    grows = rule.most > len(rule.powers) and position >= len(rule.powers) - 1
                    if kind.repeated and not grows and isinstance(argument, Name):
                        raise self.fail(argument.key, "has several readings in a row")
                total = NUMBER
                for power, kind in zip(rule.powers, kinds, strict=False):
                    total = total * kind.dimension**power
                for kind in kinds[len(rule.powers) :]:
                    self.same(call.function, kinds[len(rule.powers) - 1].dimension, kind.dimension)
                return total
            case RowStatistic():
                self.count(call, 1, 12)
                kinds = self.columns(call, own_table=True)
                for kind in kinds[1:]:
                    self.same(call.function, kinds[0].dimension, kind.dimension)
                return kinds[0].dimension
            case Position():
                self.count(call, 1, 1)
                (found,) = self.columns(call, own_table=True)
                if found.repeated:
                    raise self.fail(call.function, "takes a column with one reading in a row")
                return found.dimension
            case LineBefore():
                self.count(call, 2, 2)
                kinds = self.columns(call, own_table=True)
                if any(kind.repeated for kind in kinds):
                    raise self.fail(call.function, "takes columns with one reading in a row")
                return kinds[0].dimension
            case FirstGiven():
                self.count(call, 1, 8)
                first, *rest = [self.number(argument) for argument in call.arguments]
                for other in rest:
                    self.same(call.function, first, other)
                return first
            case Unless():
                self.count(call, 2, 2)
                reason, value = call.arguments
                if not isinstance(reason, Name) or not self.kind(reason.key).text:
                    raise self.fail(call.function, "takes the name of a text first")
                if self.kind(reason.key).table not in (None, self.table):
                    raise self.fail(reason.key, "is not a column of the same table")
                return self.number(value)
            case Macro():
                self.count(call, len(rule.parameters), len(rule.parameters))
                for argument, (name, text) in zip(call.arguments, rule.parameters, strict=True):
                    self.same(f"{rule.name}: {name}", self.number(argument), unit(text).dimension)
                return unit(rule.result).dimension


def _constant(node: Node) -> float | None:
    match node:
        case Number(value):
            return value
        case Negative(Number(value)):
            return -value
    return None
