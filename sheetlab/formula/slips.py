"""Slips of a person who works a formula out by hand, made from the formula's tree.

Nothing here is written for one formula: each slip is a small change of the tree at one place, and
what it does to the result is found by evaluating the changed tree.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.formula.functions import FUNCTIONS, Elementwise, Unless
from sheetlab.formula.render import printed
from sheetlab.formula.tree import Binary, Call, Name, Negative, Node, Number, names
from sheetlab.formula.values import Given, argument_keys, evaluate

Put = Callable[[Node], Node]
"""A part in the place of another -> the whole tree."""

Change = Callable[[Node], Node]

_ANGLE = 180.0 / math.pi
_LN10 = Number(math.log(10.0))


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
    for spot in _spots(node):
        yield from _at(spot, units, repeats)


def scaled(node: Node, key: str, factor: float) -> Node:
    """The formula with a name taken so many times, outside functions of columns."""
    return _in_arithmetic(node, key, Binary("*", Number(factor), Name(key)))


def set_to(node: Node, key: str, value: float) -> Node:
    """The formula with a number for a name, outside functions of columns."""
    return _in_arithmetic(node, key, Number(value))


def arithmetic_names(node: Node) -> dict[str, float]:
    """Names outside functions of columns, with the greatest power that they stand in."""
    found: dict[str, float] = {}
    for spot in _spots(node):
        base, power = _power(spot.node)
        if isinstance(base, Name):
            found[base.key] = max(power, found.get(base.key, 0.0), key=abs)
    return found


def halved_names(node: Node) -> set[str]:
    """Names that the formula divides by two, as a diameter is to give a radius."""
    found = set()
    for spot in _spots(node):
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
        case Call() if not names(node):
            value = evaluate(node, Given({}))
            return Product(value, {}) if value else None
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


def _power(node: Node) -> tuple[Node, float]:
    """A part as a power of something: a name, a number or whatever it is."""
    match node:
        case Binary("^", base, exponent):
            return base, _number(exponent) or 0.0
    return node, 1.0


class _Spot(Struct, frozen=True):
    node: Node
    put: Put
    in_sum: bool
    """Below a sum, where a factor without its unit would not be noticed to be absurd."""


def _parts(node: Node) -> tuple[Node, ...]:
    """Parts of the arithmetic that a person handles: not the columns of a function."""
    match node:
        case Binary(_, left, right):
            return left, right
        case Negative(inner):
            return (inner,)
        case Call(function, arguments) if isinstance(FUNCTIONS[function], Elementwise):
            return arguments
        case Call(function, arguments) if isinstance(FUNCTIONS[function], Unless):
            return arguments[1:]
    return ()


def _made_of(node: Node, parts: Sequence[Node]) -> Node:
    """The same operation on other parts."""
    match node:
        case Binary(op):
            return Binary(op, *parts)
        case Call(function, arguments):
            return Call(function, (*arguments[: len(arguments) - len(parts)], *parts))
    return Negative(*parts)


def _spots(node: Node, put: Put = lambda changed: changed, in_sum: bool = False) -> Iterator[_Spot]:
    """Every part of the arithmetic, the whole first."""
    yield _Spot(node, put, in_sum)
    parts = _parts(node)
    op = node.op if isinstance(node, Binary) else ""
    for i, part in enumerate(parts):
        if (op == "^" and (i or isinstance(part, Name | Number))) or _is_number(node):
            # a power of a name is handled as one, ln 2 as a number
            continue

        def put_part(changed: Node, i: int = i) -> Node:
            return put(_made_of(node, (*parts[:i], changed, *parts[i + 1 :])))

        yield from _spots(part, put_part, in_sum or op in ("+", "-"))


def _is_number(node: Node) -> bool:
    """Whether a function is one of numbers alone."""
    return isinstance(node, Call) and not names(node)


def _in_arithmetic(node: Node, key: str, changed: Node) -> Node:
    """The formula with something else for a name, outside functions of columns."""
    if node == Name(key):
        return changed
    parts = _parts(node)
    return _made_of(node, [_in_arithmetic(p, key, changed) for p in parts]) if parts else node


def _at(
    spot: _Spot, units: Callable[[str], Sequence[float]], repeats: Callable[[str], int]
) -> Iterator[Slip]:
    node, put = spot.node, spot.put
    base, power = _power(node)
    match base:
        case Number(value) if value == math.pi:
            detail = "π" if power == 1.0 else f"π^{power:g}"
            for kind, other in _of_power(base, power, 1.0):
                about_power = f"{power:g}" if kind == "power-lost" else ""
                kind = {"power-more": "pi-once-more"}.get(kind, f"pi-{kind}")
                yield Slip(kind, put(other), (), detail if kind == "pi-left-out" else about_power)
            for digits in (1, 2):
                rounded = Number(round(math.pi, digits - 1) ** power)
                yield Slip("rounded-constant", put(rounded), (), f"π as {math.pi:.{digits}g}")
        case Number(value) if value not in (0.0, 1.0) and node is base:
            yield from _of_number(put, node, f"{value:g}")
        case Call() if _is_number(base) and node is base:
            yield from _of_number(put, node, printed(node, str))
        case Name(key):
            for size in units(key) if power >= 2.0 or not spot.in_sum else ():
                for kind, other in _of_power(base, power, size):
                    if kind == "power-lost" or not spot.in_sum:
                        shown = abs(power) + 1.0 if kind == "power-more" else power
                        yield Slip(kind, put(other), (key,), f"{shown:g}")
    for kind, part, other in _of_parts(node):
        yield Slip(kind, put(other), names(part), "1" if kind == "diameter-for-radius" else "")
    match node:
        case Binary("+" | "-" as op, left, right):
            yield from _sum(put, op, left, right)
        case Binary("/", left, Binary("*") as below):
            first, *others = _factors(below)
            without: Node = Binary("/", left, first)
            for factor in others:
                without = Binary("*", without, factor)
            yield Slip("brackets", put(without), names(below))
        case Call(function, (inner,)) if function in _FUNCTIONS:
            about = names(inner) if function == "sqrt" else ()
            for kind, change in _FUNCTIONS[function]:
                detail = function if kind == "angle-mode" else ""
                yield Slip(kind, put(change(inner)), about, detail)
        case Call("row_mean"):
            yield from _row(node, put, repeats)


def _of_number(put: Put, node: Node, shown: str) -> Iterator[Slip]:
    yield Slip("number-left-out", put(Number(1.0)), detail=shown)
    yield Slip("number-wrong-side", put(Binary("/", Number(1.0), node)), detail=shown)


def _of_parts(node: Node) -> Iterator[tuple[str, Node, Node]]:
    """A factor that is a function left out, a mean not halved: kind, part, what is left."""
    match node:
        case Binary("*" | "/" as op, left, right):
            if _is_factor(right):
                yield "left-out", right, left
            if _is_factor(left):
                yield "left-out", left, Binary(op, Number(1.0), right)
    match node:
        case Binary("/", Call("row_mean" | "mean") as mean, Number(2.0)):
            yield "diameter-for-radius", mean, mean


def _is_factor(node: Node) -> bool:
    """Whether a factor is a function that gives a pure number, such as a cosine."""
    base, _ = _power(node)
    rule = FUNCTIONS[base.function] if isinstance(base, Call) and names(base) else None
    return isinstance(rule, Elementwise) and rule.power is None


def _of_power(base: Node, power: float, size: float) -> Iterator[tuple[str, Node]]:
    """A power left out, on the wrong side, one lower, one higher; ``size``: the unit of a name."""
    one = math.copysign(1.0, power)
    yield "left-out", Number(size**power)
    yield "wrong-side", _times(base, -power, size ** (2.0 * power))
    if abs(power) >= 2.0:
        yield "power-lost", _times(base, power - one, size**one)
    yield "power-more", _times(base, power + one, size**-one)


def _times(base: Node, power: float, size: float) -> Node:
    raised = Binary("^", base, Number(power))
    return raised if size == 1.0 else Binary("*", raised, Number(size))


def _factors(node: Node) -> list[Node]:
    match node:
        case Binary("*", left, right):
            return [*_factors(left), *_factors(right)]
    return [node]


def _sum(put: Put, op: str, left: Node, right: Node) -> Iterator[Slip]:
    one, first = Number(1.0), left
    while isinstance(first, Binary) and first.op in ("+", "-"):
        first = first.left
    # 1 + …: what is near one as a whole
    kind = "correction-left-out" if first == one else "term-left-out"
    if names(right):
        yield Slip(kind, put(left), names(right))
        yield Slip("term-sign", put(Binary("-" if op == "+" else "+", left, right)), names(right))
    if names(left) and names(right):
        yield Slip("term-left-out", put(right if op == "+" else Negative(right)), names(left))
    if names(left) and (first == one or (op, right) == ("+", one)):
        about = tuple(dict.fromkeys((*names(left), *names(right))))
        yield Slip("correction-left-out", put(one), about)


def _times_angle(factor: float) -> Change:
    return lambda inner: Binary("*", Number(factor), inner)


def _of_angle(function: str) -> tuple[tuple[str, Change], ...]:
    """Degrees for radians, and the other way round."""
    if function.startswith("a"):
        return (("angle-mode", lambda inner: _times_angle(_ANGLE)(Call(function, (inner,)))),)
    return tuple(
        ("angle-mode", lambda inner, f=factor: Call(function, (_times_angle(f)(inner),)))
        for factor in (_ANGLE, 1.0 / _ANGLE)
    )


_FUNCTIONS: dict[str, tuple[tuple[str, Change], ...]] = {
    "ln": (
        ("decimal-logarithm", lambda inner: Call("log10", (inner,))),
        ("natural-logarithm", lambda inner: Binary("*", Call("ln", (inner,)), _LN10)),
    ),
    "log10": (("natural-logarithm", lambda inner: Call("ln", (inner,))),),
    "sqrt": (("root-left-out", lambda inner: inner),),
    **{name: _of_angle(name) for name in ("sin", "cos", "tan", "asin", "acos", "atan")},
}
"""Kind and change of the slips with a function of one number, by its argument."""


def _row(node: Call, put: Put, repeats: Callable[[str], int]) -> Iterator[Slip]:
    keys = argument_keys(node)
    count = sum(map(repeats, keys))
    if count < 2:
        return
    yield Slip("sum-for-mean", put(Binary("*", Number(float(count)), node)), tuple(keys))
    for key in keys if len(keys) > 1 else ():
        yield Slip("one-column", put(replace(node, arguments=(Name(key),))), (key,))
