"""Check a formula before it is used: names, shapes (quantity or column), dimensions."""

from __future__ import annotations

from collections.abc import Callable

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.formula import functions as rules
from sheetlab.formula.functions import FUNCTIONS
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
    Spread,
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


UNKNOWN = "is not the name of anything in this definition"


class _Checker(Struct, frozen=True):
    text: str
    lookup: Lookup
    table: str | None

    def require(self, good: object, part: str, reason: str, allowed: str = "") -> None:
        if not good:
            raise FormulaError(self.text, part, reason, allowed)

    def kind(self, key: str) -> Kind:
        kind = self.lookup(key)
        if kind is None:
            raise FormulaError(self.text, key, UNKNOWN)
        return kind

    def number_kind(self, key: str) -> Kind:
        kind = self.kind(key)
        self.require(not kind.text, key, "is a text where a number is needed")
        return kind

    def number(self, node: Node) -> Dimension:
        dimension = self.dimension(node)
        if dimension is None:
            reason = "a condition stands where a number is needed"
            raise FormulaError(self.text, "comparison", reason)
        return dimension

    def same(self, sign: str, first: Dimension, *others: Dimension) -> Dimension:
        for other in others:
            reason = f"the two sides differ in dimension: {first} and {other}"
            self.require(first == other, sign, reason, "equal dimensions")
        return first

    def dimension(self, node: Node) -> Dimension | None:
        match node:
            case Number(_, dimension):
                return dimension
            case Name(key):
                return self.single(key)
            case Negative(inner):
                return self.number(inner)
            case Binary("^", left, right):
                exponent = _constant(right)
                if exponent is None:
                    raise FormulaError(self.text, "^", "an exponent must be a plain number")
                return self.number(left) ** exponent
            case Binary(op, left, right):
                a, b = self.number(left), self.number(right)
                return a * b if op == "*" else a / b if op == "/" else self.same(op, a, b)
            case Comparison(op, left, right):
                a, b = self.number(left), self.number(right)
                # a bare 0 has every dimension
                if Number(0.0) not in (left, right):
                    self.same(op, a, b)
                return None
            case Logic(op, parts):
                for part in parts:
                    condition = self.dimension(part) is None
                    self.require(condition, op, "a number stands where a condition is needed")
                return None
            case Call():
                return self.call(node)
            case Fitted() | Spread():
                return node.dimension

    def single(self, key: str) -> Dimension:
        """Dimension of a name that stands for one number."""
        kind = self.number_kind(key)
        instead = f"row_mean({key}), row_range({key})"
        self.require(not kind.repeated, key, "has several readings in a row", instead)
        self.require(
            kind.table in (None, self.table),
            key,
            "is a column where one number is needed",
            f"mean({key}) or another statistic",
        )
        return kind.dimension

    def columns(self, call: Call, own_table: bool) -> list[Kind]:
        kinds = []
        for argument in call.arguments:
            if not isinstance(argument, Name):
                raise FormulaError(
                    self.text,
                    call.function,
                    "takes names of columns, not sums or products",
                    "a column of its own for the sum or product",
                )
            kind = self.number_kind(argument.key)
            good = kind.table is not None and (not own_table or kind.table == self.table)
            where = "of the same table" if own_table else "of a table"
            self.require(good, argument.key, f"is not a column {where}")
            kinds.append(kind)
        return kinds

    def call(self, call: Call) -> Dimension | None:
        rule, name = FUNCTIONS[call.function], call.function
        (least, most), count = rule.arguments, len(call.arguments)
        wanted = str(least) if least == most else f"{least} to {most}"
        self.require(least <= count <= most, name, f"takes {wanted} arguments, not {count}")
        match rule:
            case rules.Elementwise(power=power):
                inner = self.number(call.arguments[0])
                return self.same(f"{name}(…)", inner, NUMBER) if power is None else inner**power
            case rules.Aggregate():
                return self.aggregate(rule, call)
            case rules.RowStatistic():
                kinds = self.columns(call, own_table=True)
                return self.same(name, *(kind.dimension for kind in kinds))
            case rules.Position() | rules.LineBefore():
                kinds = self.columns(call, own_table=True)
                what = "a column" if count == 1 else "columns"
                single = not any(kind.repeated for kind in kinds)
                self.require(single, name, f"takes {what} with one reading in a row")
                return kinds[0].dimension
            case rules.FirstGiven():
                return self.same(name, *map(self.number, call.arguments))
            case rules.Unless():
                reason, value = call.arguments
                if not isinstance(reason, Name) or not self.kind(reason.key).text:
                    raise FormulaError(self.text, name, "takes the name of a text first")
                own = self.kind(reason.key).table in (None, self.table)
                self.require(own, reason.key, "is not a column of the same table")
                return self.number(value)
            case rules.Where() | rules.Choose():
                condition, *others = call.arguments
                holds = self.dimension(condition) is None
                self.require(holds, name, "takes a condition first", "such as x > 0")
                return self.same(name, *map(self.number, others))
            case rules.OfNumbers():
                return self.same(name, *map(self.number, call.arguments))
            case rules.OfGroup():
                named, *columns = call.arguments
                group, x, y = self.columns(replace(call, arguments=tuple(columns)), False)
                self.same(name, self.number(named), group.dimension)
                one_table = group.table == x.table == y.table
                single = not (group.repeated or x.repeated or y.repeated)
                self.require(one_table and single, name, "takes three columns of one table")
                return y.dimension / x.dimension
            case rules.Macro():
                for argument, (parameter, text) in zip(
                    call.arguments, rule.parameters, strict=True
                ):
                    self.same(f"{name}: {parameter}", self.number(argument), unit(text).dimension)
                return unit(rule.result).dimension

    def aggregate(self, rule: rules.Aggregate, call: Call) -> Dimension:
        kinds, last = self.columns(call, own_table=False), len(rule.powers) - 1
        one_table = len({kind.table for kind in kinds}) == 1
        self.require(one_table, rule.name, "takes columns of one table")
        for i, (argument, kind) in enumerate(zip(call.arguments, kinds, strict=True)):
            grows = rule.most > len(rule.powers) and i >= last
            if not grows and isinstance(argument, Name):
                self.require(not kind.repeated, argument.key, "has several readings in a row")
        total = NUMBER
        for power, kind in zip(rule.powers, kinds, strict=False):
            total = total * kind.dimension**power
        self.same(rule.name, *(kind.dimension for kind in kinds[last:]))
        return total


def _constant(node: Node) -> float | None:
    match node:
        case Number(value):
            return value
        case Negative(Number(value)):
            return -value
    return None
