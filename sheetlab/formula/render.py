"""A formula as the text of a spreadsheet cell, and as a printed equation.

Cell text differs from mathematics where spreadsheets do: ``-2^2`` is 4 in a cell, an empty cell
counts as zero. So everything is bracketed, and each formula is guarded by a count of its inputs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Protocol

from msgspec import Struct, field

from sheetlab.formula import functions as rules
from sheetlab.formula.functions import FUNCTIONS
from sheetlab.formula.tree import (
    Binary,
    Call,
    Comparison,
    Fitted,
    Logic,
    Name,
    Negative,
    Node,
    Number,
    Spread,
    walk,
)
from sheetlab.formula.values import argument_keys, expand_macro
from sheetlab.units import NUMBER, PURE, Unit


class CellSource(Protocol):
    """Where a formula finds its cells."""

    def cell(self, key: str, row: int | None) -> str | None:
        """Reference to a quantity or to an element of a column; None if it is on no sheet."""

    def range(self, key: str) -> str | None:
        """Reference to a whole column; None if it is on no sheet."""

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name."""

    def unit(self, key: str) -> Unit:
        """Unit in which a cell holds its number."""

    def formula(self, key: str) -> Node | None:
        """Formula of something derived; None for an input."""

    def choices(self, key: str) -> Sequence[tuple[str, float]]:
        """Texts of a choice with the numbers they stand for; empty for anything else."""


SHORT_TEXT = 4
"""Letters up to which a text says nothing (``unless``)."""
SI_ALONE = Unit("", 0.0, 0.0, NUMBER)
"""Like no unit of a cell."""


class NotInCellsError(Exception):
    """A formula that cells cannot express: it needs what is on no sheet, or has no cell form."""


def cell_formula(node: Node, source: CellSource, row: int | None, unit: Unit) -> str:
    """Text of a cell that shows a formula's value in a unit, empty while inputs are missing.

    Raises
    ------
    NotInCellsError
        If cells cannot express it.
    """
    return "=" + _in_unit(node, source, row, unit).guarded('""')


def cell_outside(
    node: Node, source: CellSource, row: int | None, unit: Unit, low: float, high: float
) -> str:
    """Text of a condition: a formula's value is known, and not from ``low`` to ``high`` in a unit.

    Raises
    ------
    NotInCellsError
        If cells cannot express it.
    """
    writer = _in_unit(node, source, row, unit)
    # the formula may be long, and stands here once
    middle, half = number_text(0.5 * (low + high)), number_text(0.5 * (high - low))
    writer.whole = f"ABS({writer.whole}-{middle})>{half}"
    return writer.guarded("FALSE")


def _in_unit(node: Node, source: CellSource, row: int | None, unit: Unit) -> _CellWriter:
    """A formula's value in a unit, with what it needs."""
    writer = _CellWriter(source, _one_unit(node, source, row, unit))
    writer.whole = writer.text(node, row)
    if not writer.plain:
        if unit.offset:
            writer.whole = f"({writer.whole}-{number_text(unit.offset)})"
        if unit.factor != 1.0:
            writer.whole = f"({writer.whole})/{number_text(unit.factor)}"
    return writer


def cell_condition(node: Node, source: CellSource, row: int | None) -> tuple[str, str]:
    """Texts of a condition: (what is true while inputs are missing, the condition itself).

    Raises
    ------
    NotInCellsError
        If cells cannot express it.
    """
    writer = _CellWriter(source, _one_unit(node, source, row, None))
    text = writer.text(node, row)
    return writer.missing() or "FALSE", f"IFERROR({text},TRUE)" if writer.can_fail else text


def number_text(value: float) -> str:
    """A number as formula text, all digits that matter."""
    return f"{value:.15g}".upper()


def quoted(text: str) -> str:
    """A text as a literal of a cell formula."""
    return '"' + text.replace('"', '""') + '"'


def _leaf_units(node: Node, source: CellSource, row: int | None) -> set[Unit]:
    units: set[Unit] = set()
    for part in walk(node):
        rule = FUNCTIONS[part.function] if isinstance(part, Call) else None
        if isinstance(rule, rules.Macro) and rule.result != "1":
            # its constants have units of their own: only the SI will do
            units.add(SI_ALONE)
        for key in source.columns(part.key) if isinstance(part, Name) else ():
            inner = source.formula(key)
            on_sheet = source.cell(key, row) is not None or source.range(key) is not None
            if isinstance(inner, Number) and source.unit(key) != PURE:
                # a constant enters as its SI number
                units.add(SI_ALONE)
            elif on_sheet or inner is None:
                units.add(source.unit(key))
            else:
                units |= _leaf_units(inner, source, row)
    return units


def _one_unit(node: Node, source: CellSource, row: int | None, result: Unit | None) -> bool:
    """Whether the formula gives the same number in the unit of its cells as by way of the SI.

    If every cell and the result have the same unit (or none), scaling all of them changes both
    sides alike, because the dimensions of the formula have been checked.
    """
    units = {u for u in _leaf_units(node, source, row) if u != PURE}
    if result is not None and result != PURE:
        units.add(result)
    return not units or (
        len(units) == 1 and all(u.offset == 0.0 and u.dimension != NUMBER for u in units)
    )


def _choice_text(reference: str, choices: Sequence[tuple[str, float]]) -> str:
    text = '""'
    for label, value in reversed(choices):
        text = f"IF({reference}={quoted(label)},{number_text(value)},{text})"
    return text


class _CellWriter(Struct):
    source: CellSource
    plain: bool
    required: dict[str, None] = field(default_factory=dict)
    ranges: dict[tuple[str, int], None] = field(default_factory=dict)
    blank: dict[str, None] = field(default_factory=dict)
    unless: dict[str, None] = field(default_factory=dict)
    can_fail: bool = False
    whole: str = ""
    """The text of the formula, once it is written."""

    def guarded(self, otherwise: str) -> str:
        """The formula, and ``otherwise`` while inputs are missing or where it fails."""
        text = f"IFERROR({self.whole},{otherwise})" if self.can_fail else self.whole
        missing = self.missing()
        return f"IF({missing},{otherwise},{text})" if missing else text

    def missing(self) -> str:
        parts = []
        if self.required:
            parts.append(f"COUNT({','.join(self.required)})<{len(self.required)}")
        parts += [f"COUNT({text})<{least}" for text, least in self.ranges]
        parts += [f'{text}=""' for text in self.blank]
        parts += [f"LEN(TRIM({text}))>{SHORT_TEXT}" for text in self.unless]
        return parts[0] if len(parts) == 1 else f"OR({','.join(parts)})" if parts else ""

    def scaled(self, text: str, unit: Unit, power: int = 1) -> str:
        if self.plain or (unit.factor == 1.0 and unit.offset == 0.0):
            return text
        if unit.offset:
            return f"({text}*{number_text(unit.factor)}+{number_text(unit.offset)})"
        return f"({text}*{number_text(unit.factor**power)})" if power else text

    def leaf(self, key: str, row: int | None) -> str:
        reference = self.source.cell(key, row)
        if reference is not None:
            choices = self.source.choices(key)
            if choices:
                self.blank[reference] = None
                # a text that is none of the choices makes an error, which shows as nothing
                self.can_fail = True
                return _choice_text(reference, choices)
            self.required[reference] = None
            return self.scaled(reference, self.source.unit(key))
        inner = self.source.formula(key)
        if inner is None:
            raise NotInCellsError(key)
        return self.text(inner, row)

    def text(self, node: Node, row: int | None) -> str:
        match node:
            case Number(value):
                return "PI()" if value == math.pi else number_text(value)
            case Name(key):
                return self.leaf(key, row)
            case Negative(inner):
                return f"(-{self.text(inner, row)})"
            case Binary(op, left, right) | Comparison(op, left, right):
                self.can_fail |= op in "/^"
                return f"({self.text(left, row)}{op}{self.text(right, row)})"
            case Logic(op, parts):
                return f"{op.upper()}({','.join(self.text(part, row) for part in parts)})"
            case Call():
                return self.call(node, row)
            case Fitted(curve=curve):
                raise NotInCellsError(curve)
            case Spread():
                raise NotInCellsError("uncertainty of readings")

    def call(self, call: Call, row: int | None) -> str:
        rule = FUNCTIONS[call.function]
        match rule:
            case rules.Elementwise():
                self.can_fail |= rule.can_fail
                return rule.cell.format(self.text(call.arguments[0], row))
            case rules.Macro():
                return self.text(expand_macro(call), row)
            case rules.Position(offset=offset):
                other = 0 if offset is None else (row or 0) + offset
                if other < 0:
                    raise NotInCellsError(call.function)
                return self.leaf(argument_keys(call)[0], other)
            case rules.LineBefore():
                return self.line_before(rule, argument_keys(call), row)
            case rules.FirstGiven():
                return self.first_given(call.arguments, row)
            case rules.Unless():
                reference = self.source.cell(argument_keys(call)[0], row)
                if reference is not None:
                    self.unless[reference] = None
                return self.text(call.arguments[1], row)
            case rules.Where():
                return self.where(call, row)
            case rules.Choose():
                return f"IF({','.join(self.text(part, row) for part in call.arguments)})"
            case rules.OfNumbers():
                self.can_fail |= rule.can_fail
                return rule.cell.format(",".join(self.text(p, row) for p in call.arguments))
            case rules.OfGroup():
                return self.of_group(rule, argument_keys(call), row)
            case rules.RowStatistic():
                return self.row_statistic(rule, call, row)
            case rules.Aggregate():
                return self.aggregate(rule, call)

    def where(self, call: Call, row: int | None) -> str:
        # what is worked on from an empty text makes an error, which shows as nothing
        self.can_fail = True
        condition, inner = (self.text(argument, row) for argument in call.arguments)
        return f'IF({condition},{inner},"")'

    def of_group(self, rule: rules.OfGroup, keys: Sequence[str], row: int | None) -> str:
        keys = [self.source.columns(key)[0] for key in keys]
        named, ranges = self.source.cell(keys[0], row), [self.source.range(k) for k in keys[1:]]
        alike = len(keys) == 4 and self.source.unit(keys[0]) == self.source.unit(keys[1])
        if rule.uncertainty or not alike or named is None or None in ranges:
            raise NotInCellsError(rule.name)
        self.can_fail = True
        self.required[named] = None
        group, x, y = ranges
        # as arguments of their own, texts count as nothing
        chosen = f"({group}={named})*ISNUMBER({x})*ISNUMBER({y})"
        n, s_x, s_y, s_xx, s_xy = (
            f"SUMPRODUCT({','.join(filter(None, (chosen, *more)))})"
            for more in ((), (x,), (y,), (x, x), (x, y))
        )
        text = f"(({n}*{s_xy}-{s_x}*{s_y})/({n}*{s_xx}-{s_x}*{s_x}))"
        factor = self.source.unit(keys[3]).factor / self.source.unit(keys[2]).factor
        return text if self.plain or factor == 1.0 else f"({text}*{number_text(factor)})"

    def line_before(self, rule: rules.LineBefore, keys: Sequence[str], row: int | None) -> str:
        self.can_fail = True
        if row is None or row < rule.needs:
            return '""'
        ends = [
            (self.source.cell(key, 0), self.source.cell(key, row - 1))
            for key in (self.source.columns(keys[0])[0], self.source.columns(keys[1])[0])
        ]
        here = self.source.cell(keys[1], row)
        if here is None or any(a is None or b is None for a, b in ends):
            raise NotInCellsError(rule.name)
        y, x = (f"{a}:{b}" for a, b in ends)
        self.required[here] = None
        # of rows in which one of the two is missing both are passed over, so each needs enough
        self.ranges[y, rule.needs] = None
        self.ranges[x, rule.needs] = None
        text = f"(INTERCEPT({y},{x})+SLOPE({y},{x})*{here})"
        return self.scaled(text, self.source.unit(keys[0]))

    def first_given(self, arguments: Sequence[Node], row: int | None) -> str:
        first, *rest = arguments
        writer = _CellWriter(self.source, self.plain)
        writer.whole = writer.text(first, row)
        if not writer.missing() and not writer.can_fail:
            return writer.whole
        return writer.guarded(self.first_given(rest, row) if rest else '""')

    def row_statistic(self, rule: rules.RowStatistic, call: Call, row: int | None) -> str:
        keys = [c for key in argument_keys(call) for c in self.source.columns(key)]
        cells = [self.source.cell(key, row) for key in keys]
        references = [cell for cell in cells if cell is not None]
        units = {self.source.unit(key) for key in keys}
        if len(references) == len(keys) and len(units) == 1:
            joined = ",".join(references)
            self.ranges[joined, rule.needs] = None
            return self.scaled(rule.cell.format(joined), units.pop())
        return rule.cell.format(",".join(self.leaf(key, row) for key in keys))

    def aggregate(self, rule: rules.Aggregate, call: Call) -> str:
        keys = [c for key in argument_keys(call) for c in self.source.columns(key)]
        ranges = [self.source.range(key) for key in keys]
        there = [text for text in ranges if text is not None]
        units = [self.source.unit(key) for key in keys]
        alike = all(unit == units[-1] for unit in units[len(rule.powers) - 1 :])
        text = rule.cell_text(there) if len(there) == len(keys) and alike else None
        if text is None:
            raise NotInCellsError(call.function)
        self.can_fail = True
        series = len(there) > len(rule.powers)
        for counted in (",".join(there[1:]), there[0]) if series else there:
            self.ranges[counted, rule.least_count_of_numbers] = None
        factor = math.prod(u.factor**p for u, p in zip(units, rule.powers, strict=False))
        if self.plain or factor == 1.0:
            return text
        return f"({text}*{number_text(factor)})"


_SUPERSCRIPTS = str.maketrans("0123456789-.", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻·")


def superscript(text: str) -> str:
    """Digits and minus sign as raised characters."""
    return text.translate(_SUPERSCRIPTS)


_PRODUCT = 2
_POWER = 3
_ATOM = 4


def printed(node: Node, name: Callable[[str], str], times: str = " ") -> str:
    """A formula as a line of print, such as ``4 g L / (π d² s)``.

    Parameters
    ----------
    name
        What to print for a name: its symbol, or its number.
    times
        What stands between factors.
    """
    return _print(node, name, times)[0]


def _print(node: Node, name: Callable[[str], str], times: str) -> tuple[str, int]:
    def part(inner: Node, least: int) -> str:
        text, rank = _print(inner, name, times)
        return text if rank >= least else f"({text})"

    match node:
        case Number(value):
            text = "π" if value == math.pi else f"{value:.10g}"
            return text, _ATOM if value >= 0 else 0
        case Name(key):
            text = name(key)
            if text.startswith(("-", "−")):
                return text, 1
            return text, _PRODUCT if " " in text or "×" in text else _ATOM
        case Negative(inner):
            return f"−{part(inner, _PRODUCT)}", 1
        case Binary("^", left, Number(value)):
            return part(left, _ATOM) + superscript(f"{value:g}"), _POWER
        case Binary("^", left, Negative(Number(value))):
            return part(left, _ATOM) + superscript(f"-{value:g}"), _POWER
        case Binary("*", left, right):
            # a / b c would read as a / (b c)
            least = _POWER if isinstance(left, Binary) and left.op == "/" else _PRODUCT
            return f"{part(left, least)}{times}{part(right, _POWER)}", _PRODUCT
        case Binary("/", left, right):
            return f"{part(left, _PRODUCT)} / {part(right, _POWER)}", _PRODUCT
        case Binary(op, left, right):
            sign = {"+": "+", "-": "−"}.get(op, op)
            simple = op == "+" and not isinstance(right, Negative | Name)
            return f"{part(left, 1)} {sign} {part(right, 1 if simple else _PRODUCT)}", 1
        case Comparison(op, left, right):
            return f"{part(left, 1)} {op} {part(right, 1)}", 0
        case Logic(op, parts):
            if op == "not":
                return f"not {part(parts[0], 1)}", 0
            # "or" inside "and" needs brackets, "and" inside "or" does not
            texts = [
                f"({part(p, 0)})"
                if op == "and" and isinstance(p, Logic) and p.op == "or"
                else part(p, 0)
                for p in parts
            ]
            return f" {op} ".join(texts), 0
        case Fitted(curve=curve, parameters=parameters, parameter=parameter):
            return f"{parameters[parameter]} of {curve}", _ATOM
        case Spread(body):
            return f"u({part(body, 0)})", _ATOM
        case Call(function, arguments):
            rule = FUNCTIONS[function]
            if isinstance(rule, rules.Unless):
                return _print(arguments[1], name, times)
            inner_text = ", ".join(part(argument, 0) for argument in arguments)
            shape = getattr(rule, "printed", "")
            return (shape.format(inner_text) if shape else f"{function}({inner_text})"), _ATOM
