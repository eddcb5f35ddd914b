"""Slips of a person who works a formula out by hand, made from the formula's tree.

Nothing here is written for one formula: each slip is a small change of the tree at one place, and
what it does to the result is found by evaluating the changed tree.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.formula.functions import FUNCTIONS, Elementwise, RowStatistic, Unless
from sheetlab.formula.tree import Binary, Call, Name, Negative, Node, Number, names
from sheetlab.formula.values import argument_keys

Put = Callable[[Node], Node]
"""A part in the place of another -> the whole tree."""

_ANGLE = 180.0 / math.pi
_TURNED = ("sin", "cos", "tan")
_TURNING = ("asin", "acos", "atan")


class Slip(Struct, frozen=True):
    """A changed formula."""

    kind: str
    node: Node
    about: tuple[str, ...] = ()
    """Names that it concerns."""
    detail: str = ""
    """A number, a power or a function, as a person would write it."""


def slips(
    node: Node, units: Callable[[str], Sequence[float]], repeats: Callable[[str], int]
) -> Iterator[Slip]:
    """Slips in a formula, in reading order.

    Parameters
    ----------
    units
        SI sizes of the units in which a person may hold the number of a name. A factor that is
        left out leaves a number without its unit, and which one decides the power of ten.
    repeats
        Number of columns behind a name.
    """
    for spot in _spots(node, lambda changed: changed, False):
        yield from _at(spot, units, repeats)


def scaled(node: Node, key: str, factor: float) -> Node:
    """The formula with a name taken so many times, outside functions of columns."""
    return _in_arithmetic(node, key, lambda name: Binary("*", Number(factor), name))


def set_to(node: Node, key: str, value: float) -> Node:
    """The formula with a number for a name, outside functions of columns."""
    return _in_arithmetic(node, key, lambda name: Number(value))


def arithmetic_names(node: Node) -> dict[str, float]:
    """Names outside functions of columns, with the greatest power that they stand in."""
    found: dict[str, float] = {}
    for spot in _spots(node, lambda changed: changed, False):
        key, power = _power(spot.node)
        if key:
            found[key] = max(power, found.get(key, 0.0), key=abs)
    return found


def halved_names(node: Node) -> set[str]:
    """Names that the formula divides by two, as a diameter is to give a radius."""
    found = set()
    for spot in _spots(node, lambda changed: changed, False):
        match spot.node:
            case Binary("/", Name(key), Number(2.0)) | Binary("*", Number(0.5), Name(key)):
                found.add(key)
    return found


class Product(Struct, frozen=True):
    """A formula as a number times powers of names."""

    number: float
    powers: dict[str, float]


def product(node: Node, inner: Callable[[str], Node | None]) -> Product | None:
    """A formula as a product; None if it is none. ``inner``: formula to go into for a name."""
    match node:
        case Number(value):
            return Product(value, {}) if value else None
        case Name(key):
            below = inner(key)
            found = None if below is None else product(below, inner)
            return found or Product(1.0, {key: 1.0})
        case Negative(part):
            found = product(part, inner)
            return None if found is None else Product(-found.number, found.powers)
        case Call("abs", (part,)):
            return product(part, inner)
        case Call("sqrt", (part,)):
            return _raised(product(part, inner), 0.5)
        case Binary("^", base, exponent):
            power = _number(exponent)
            return None if power is None else _raised(product(base, inner), power)
        case Binary("*" | "/" as op, left, right):
            a = product(left, inner)
            b = _raised(product(right, inner), 1.0 if op == "*" else -1.0)
            if a is None or b is None:
                return None
            powers = {
                key: a.powers.get(key, 0.0) + b.powers.get(key, 0.0)
                for key in (*a.powers, *b.powers)
            }
            return Product(a.number * b.number, {key: p for key, p in powers.items() if p})
    return None


def _raised(found: Product | None, power: float) -> Product | None:
    if found is None:
        return None
    try:
        number = abs(found.number) ** power
    except (OverflowError, ZeroDivisionError):
        return None
    return Product(number, {key: p * power for key, p in found.powers.items()})


def _number(node: Node) -> float | None:
    match node:
        case Number(value):
            return value
        case Negative(Number(value)):
            return -value
    return None


def _power(node: Node) -> tuple[str, float]:
    """Name and exponent of a power of a name; no name if it is something else."""
    match node:
        case Name(key):
            return key, 1.0
        case Binary("^", Name(key), exponent):
            return key, _number(exponent) or 0.0
    return "", 0.0


class _Spot(Struct, frozen=True):
    node: Node
    put: Put
    in_sum: bool
    """Below a sum, where a factor without its unit would not be noticed to be absurd."""


def _spots(node: Node, put: Put, in_sum: bool) -> Iterator[_Spot]:
    """Every part of the arithmetic that a person handles, the whole first."""
    yield _Spot(node, put, in_sum)
    match node:
        case Binary("^", base, _):
            if not isinstance(base, Name | Number):
                yield from _spots(base, lambda n: put(replace(node, left=n)), in_sum)
        case Binary(op, left, right):
            below = in_sum or op in "+-"
            yield from _spots(left, lambda n: put(replace(node, left=n)), below)
            yield from _spots(right, lambda n: put(replace(node, right=n)), below)
        case Negative(inner):
            yield from _spots(inner, lambda n: put(Negative(n)), in_sum)
        case Call(function, arguments):
            rule = FUNCTIONS[function]
            if isinstance(rule, Elementwise):
                yield from _spots(
                    arguments[0], lambda n: put(replace(node, arguments=(n,))), in_sum
                )
            elif isinstance(rule, Unless):
                yield from _spots(
                    arguments[1],
                    lambda n: put(replace(node, arguments=(arguments[0], n))),
                    in_sum,
                )


def _in_arithmetic(node: Node, key: str, change: Callable[[Name], Node]) -> Node:
    match node:
        case Name(found) if found == key:
            return change(node)
        case Negative(inner):
            return Negative(_in_arithmetic(inner, key, change))
        case Binary(op, left, right):
            return Binary(op, _in_arithmetic(left, key, change), _in_arithmetic(right, key, change))
        case Call(function, arguments):
            rule = FUNCTIONS[function]
            if isinstance(rule, Elementwise):
                return Call(function, (_in_arithmetic(arguments[0], key, change),))
            if isinstance(rule, Unless):
                return Call(function, (arguments[0], _in_arithmetic(arguments[1], key, change)))
    return node


def _at(
    spot: _Spot, units: Callable[[str], Sequence[float]], repeats: Callable[[str], int]
) -> Iterator[Slip]:
    node, put = spot.node, spot.put
    match node:
        case Number(value) if value == math.pi:
            yield from _pi(put, 1.0)
        case Number(value) if value not in (0.0, 1.0):
            yield Slip("number-left-out", put(Number(1.0)), detail=f"{value:g}")
            yield Slip("number-wrong-side", put(Number(1.0 / value)), detail=f"{value:g}")
        case Binary("^", Number(value), exponent) if value == math.pi:
            yield from _pi(put, _number(exponent) or 0.0)
        case Name() | Binary("^", Name(), _) if not spot.in_sum:
            yield from _powers(*_power(node), put, units)
        case Name() | Binary("^", Name(), _):
            key, power = _power(node)
            if power >= 2.0:
                for size in units(key):
                    one = _times(key, power - 1.0, size)
                    yield Slip("power-lost", put(one), (key,), f"{power:g}")
        case Binary("+" | "-" as op, left, right):
            yield from _sum(put, op, left, right)
        case Binary("/", left, Binary("*") as below):
            first, *others = _factors(below)
            without: Node = Binary("/", left, first)
            for other in others:
                without = Binary("*", without, other)
            yield Slip("brackets", put(without), names(below))
        case Call(function, (inner,)) if function in ("ln", "log10", "sqrt", *_TURNED, *_TURNING):
            yield from _function(function, inner, put)
        case Call(function) if isinstance(FUNCTIONS[function], RowStatistic):
            yield from _row(node, put, repeats)


def _factors(node: Node) -> list[Node]:
    match node:
        case Binary("*", left, right):
            return [*_factors(left), *_factors(right)]
    return [node]


def _pi(put: Put, power: float) -> Iterator[Slip]:
    pi = Number(math.pi)
    yield Slip("pi-left-out", put(Number(1.0)), detail="π" if power == 1.0 else f"π^{power:g}")
    yield Slip("pi-wrong-side", put(Binary("^", pi, Number(-power))))
    yield Slip("pi-once-more", put(Binary("^", pi, Number(power + 1.0))))
    if power >= 2.0:
        yield Slip("pi-power-lost", put(Binary("^", pi, Number(power - 1.0))), detail=f"{power:g}")
    for digits in (1, 2):
        yield Slip(
            "rounded-constant",
            put(Number(round(math.pi, digits - 1) ** power)),
            detail=f"π as {math.pi:.{digits}g}",
        )


def _times(key: str, power: float, size: float) -> Node:
    one: Node = Binary("^", Name(key), Number(power))
    return one if size == 1.0 else Binary("*", one, Number(size))


def _powers(
    key: str, power: float, put: Put, units: Callable[[str], Sequence[float]]
) -> Iterator[Slip]:
    detail = f"{power:g}"
    for size in units(key):
        yield Slip("left-out", put(Number(size**power)), (key,), detail)
        yield Slip("wrong-side", put(_times(key, -power, size ** (2.0 * power))), (key,), detail)
        if abs(power) >= 2.0:
            less = math.copysign(1.0, power)
            one = _times(key, power - less, size**less)
            yield Slip("power-lost", put(one), (key,), detail)
        more = math.copysign(1.0, power)
        one = _times(key, power + more, size**-more)
        yield Slip("power-more", put(one), (key,), f"{abs(power) + 1.0:g}")


def _sum(put: Put, op: str, left: Node, right: Node) -> Iterator[Slip]:
    if names(right):
        yield Slip("term-left-out", put(left), names(right))
        yield Slip("term-sign", put(Binary("-" if op == "+" else "+", left, right)), names(right))
    if names(left) and names(right):
        yield Slip("term-left-out", put(right if op == "+" else Negative(right)), names(left))


def _function(function: str, inner: Node, put: Put) -> Iterator[Slip]:
    whole = Call(function, (inner,))
    if function == "ln":
        yield Slip("decimal-logarithm", put(Call("log10", (inner,))))
        yield Slip("natural-logarithm", put(Binary("*", whole, Number(math.log(10.0)))))
    elif function == "log10":
        yield Slip("natural-logarithm", put(Call("ln", (inner,))))
    elif function == "sqrt":
        yield Slip("root-left-out", put(inner), names(inner))
    elif function in _TURNED:
        for factor in (_ANGLE, 1.0 / _ANGLE):
            turned = Call(function, (Binary("*", Number(factor), inner),))
            yield Slip("angle-mode", put(turned), detail=function)
    else:
        yield Slip("angle-mode", put(Binary("*", Number(_ANGLE), whole)), detail=function)


def _row(node: Call, put: Put, repeats: Callable[[str], int]) -> Iterator[Slip]:
    keys = argument_keys(node)
    count = sum(map(repeats, keys))
    if node.function != "row_mean" or count < 2:
        return
    yield Slip("sum-for-mean", put(Binary("*", Number(float(count)), node)), tuple(keys))
    if len(keys) > 1:
        for key in keys:
            yield Slip("one-column", put(replace(node, arguments=(Name(key),))), (key,))
