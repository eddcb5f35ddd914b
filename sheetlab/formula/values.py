"""Walk a formula over numbers: plain floats, numbers with uncertainty, or arrays of samples.

One walk serves all three; what differs is the function library and how an aggregate is made,
and both are the environment's. A missing value makes everything that needs it missing.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Mapping, Sequence
from functools import cache, lru_cache, partial, reduce
from typing import Any, Protocol

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.formula import functions as rules
from sheetlab.formula.functions import FUNCTIONS, NAMES
from sheetlab.formula.statistics import OF_GROUP, Column, Statistic, curve_parameter, of_group
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
    parse,
    substitute,
)
from sheetlab.metrology.line import fit_line
from sheetlab.metrology.repeats import pooled_deviation

Value = Any
"""A float, a number with uncertainty or an array of samples; None where missing."""

_ARITHMETIC: dict[str, Callable[[Value, Value], Value]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "/": operator.truediv,
    "^": operator.pow,
}
_ORDER: dict[str, Callable[[Value, Value], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


class Environment(Protocol):
    """Where a formula finds its values, all in coherent SI units."""

    library: Any
    """Module of elementary functions that fits the kind of number."""

    def value(self, key: str, row: int | None) -> Value:
        """A quantity, or the element of a column in a row (None outside the table)."""

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name: several for repeated readings."""

    def aggregate(self, rule: rules.Aggregate, columns: Sequence[str]) -> Value:
        """A statistic of whole columns."""


class Given(Struct):
    """An environment of values by name, without columns and statistics; others are missing."""

    values: Mapping[str, Value]
    library: Any = math

    def value(self, key: str, row: int | None) -> Value:
        """The value of a name."""
        return self.values.get(key)

    def columns(self, key: str) -> Sequence[str]:
        """The name itself."""
        return (key,)

    def aggregate(self, rule: rules.Aggregate, columns: Sequence[str]) -> Value:
        """Nothing: a single value has no statistic."""
        return None


@cache
def macro_body(name: str) -> Node:
    """The tree of a named formula of the table."""
    macro = FUNCTIONS[name]
    assert isinstance(macro, rules.Macro)
    return parse(macro.body, NAMES)


@lru_cache(maxsize=4096)
def expand_macro(call: Call) -> Node:
    """The tree that a call of a named formula stands for."""
    macro = FUNCTIONS[call.function]
    assert isinstance(macro, rules.Macro)
    given = {
        name: argument for (name, _), argument in zip(macro.parameters, call.arguments, strict=True)
    }
    return substitute(macro_body(call.function), given)


def argument_keys(call: Call) -> list[str]:
    """The names given to a function of columns."""
    return [argument.key for argument in call.arguments if isinstance(argument, Name)]


def evaluate(node: Node, env: Environment, row: int | None = None) -> Value:
    """The value of a formula, in SI units; None where something it needs is missing.

    A division by zero, a root of a negative number and the like count as missing too: the
    reading that caused it has a check of its own.
    """
    try:
        return _WALKS[type(node)](node, env, row)
    except (ZeroDivisionError, ValueError, OverflowError):
        return None


def _walk(node: Node, env: Environment, row: int | None) -> Value:
    # a table of kinds: formulas are walked thousands of times a workbook
    return _WALKS[type(node)](node, env, row)


def _number(node: Number, env: Environment, row: int | None) -> Value:
    return node.value


def _name(node: Name, env: Environment, row: int | None) -> Value:
    return env.value(node.key, row)


def _negative(node: Negative, env: Environment, row: int | None) -> Value:
    value = _walk(node.inner, env, row)
    return None if value is None else -value


def _binary(node: Binary, env: Environment, row: int | None) -> Value:
    left, right = node.left, node.right
    # names without a step of their own: they are most of what a formula has
    a = env.value(left.key, row) if type(left) is Name else _WALKS[type(left)](left, env, row)
    b = env.value(right.key, row) if type(right) is Name else _WALKS[type(right)](right, env, row)
    if a is None or b is None:
        return None
    value = _ARITHMETIC[node.op](a, b)
    # most are numbers as they should be
    return value if value.__class__ is float and math.isfinite(value) else _real(value)


def _comparison(node: Comparison, env: Environment, row: int | None) -> Value:
    left, right = node.left, node.right
    a, b = _WALKS[type(left)](left, env, row), _WALKS[type(right)](right, env, row)
    if a is None or b is None:
        return None
    if a.__class__ is b.__class__ is float:
        return _ORDER[node.op](a, b)
    holds: Any = _ORDER[node.op](rules.nominal(a), rules.nominal(b))
    return holds if getattr(holds, "shape", ()) else bool(holds)


def _logic(node: Logic, env: Environment, row: int | None) -> Value:
    parts = [_walk(part, env, row) for part in node.parts]
    if any(part is None for part in parts):
        return None
    if any(getattr(part, "shape", ()) for part in parts):
        both = operator.and_ if node.op == "and" else operator.or_
        return ~parts[0] if node.op == "not" else reduce(both, parts)
    if node.op == "not":
        return not parts[0]
    return all(parts) if node.op == "and" else any(parts)


def bound(node: Fitted, given: Mapping[str, float]) -> Fitted:
    """A curve with numbers in the place of the single values that its formula uses."""
    if not node.others:
        return node
    numbers: dict[str, Node] = {key: Number(value) for key, value in given.items()}
    return replace(node, body=substitute(node.body, numbers), others=())


def _fitted(node: Fitted, env: Environment, row: int | None) -> Value:
    columns = [c for name in node.columns for c in env.columns(name.key)]
    others = {name.key: env.value(name.key, None) for name in node.others}
    if any(value is None for value in others.values()):
        return None
    given = {key: plain(value) for key, value in others.items()}
    found = env.aggregate(fitted_rule(bound(node, given)), columns)
    for key, value in others.items():
        uncertain: float = getattr(value, "std_dev", 0.0)
        if found is not None and uncertain:
            # by fitting again beside it: a fit has no formula to take the slope from
            step = max(abs(given[key]) * 1e-4, 1e-12)
            ends = [
                env.aggregate(_beside(node, {**given, key: given[key] + s}), columns)
                for s in (step, -step)
            ]
            if None in ends:
                return None
            slope = (plain(ends[0]) - plain(ends[1])) / (2.0 * step)
            found = found + slope * (value - given[key])
    return found


def _beside(node: Fitted, given: Mapping[str, float]) -> rules.Aggregate:
    """The parameter with other numbers in the formula, under a name of its own."""
    rule = fitted_rule(bound(node, given))
    return replace(rule, name=f"{rule.name}@{sorted(given.items())}")


STEP = 1e-3
"""Of a difference, in standard uncertainties."""


class _Moved(Struct):
    """Plain values of an environment, with one element of a column moved."""

    env: Environment
    key: str
    row: int | None
    by: float
    library: Any = math

    def value(self, key: str, row: int | None) -> Value:
        value = self.env.value(key, row)
        if value is None:
            return None
        return plain(value) + (self.by if (key, row) == (self.key, self.row) else 0.0)

    def columns(self, key: str) -> Sequence[str]:
        return self.env.columns(key)

    def aggregate(self, rule: rules.Aggregate, columns: Sequence[str]) -> Value:
        value = self.env.aggregate(rule, columns)
        return None if value is None else plain(value)


def _spread(node: Spread, env: Environment, row: int | None) -> Value:
    """By the law of propagation (JCGM 100:2008, 5.1.2), with slopes from central differences."""
    square = 0.0
    for columns, by_scale in node.readings:
        keys = [name.key for name in columns]
        scale = evaluate(by_scale, env, row)
        if scale is None:
            return None
        repeats = [
            [plain(v) for v in (env.value(key, k) for key in keys) if v is not None]
            for k in range(node.rows if len(keys) > 1 else 0)
        ]
        # the scatter cannot be known to be smaller than the rounding (JCGM 100:2008, F.2.2.1)
        u = max(plain(scale), pooled_deviation(repeats))
        for key in keys if u else ():
            if env.value(key, row) is not None:
                high, low = (
                    evaluate(node.body, _Moved(env, key, row, s * u), row) for s in (STEP, -STEP)
                )
                if high is None or low is None:
                    return None
                square += ((high - low) / (2.0 * STEP)) ** 2
    # a point without any uncertainty of its own is no reading, such as the row all are taken from
    return math.sqrt(square) or None


def on_curve(node: Fitted, x: Any, parameters: Sequence[float]) -> Any:
    """Ordinates of a curve at abscissas, shape (n,), SI units; not a number where undefined."""
    import numpy as np

    values = dict(zip(node.parameters, parameters, strict=True))
    with np.errstate(all="ignore"):
        y = evaluate(node.body, Given({**values, "x": np.asarray(x, dtype=float)}, np))
    return np.full(np.shape(x), np.nan) if y is None else y + np.zeros(np.shape(x))


@cache
def fitted_rule(node: Fitted) -> rules.Aggregate:
    """A parameter of a curve as a statistic of its columns."""

    def rule(columns: Sequence[Column], resolution: float) -> Statistic | None:
        return curve_parameter(
            lambda x, parameters: on_curve(node, x, parameters),
            node.start, node.parameter, node.parameters, columns, resolution,
        )  # fmt: skip

    return rules.Aggregate(
        name=f"{node.curve}.{node.parameters[node.parameter]}",
        powers=(),
        rule=rule,
        cell=None,
        family=node.curve,
        scatter="stated" if len(node.columns) > 2 else "line",
    )


def _real(value: Value) -> Value:
    if isinstance(value, float):
        if not math.isfinite(value):
            raise OverflowError("beyond what can be calculated")
    elif isinstance(value, complex):
        raise ValueError("a root of a negative number")
    return value


def _call(call: Call, env: Environment, row: int | None) -> Value:
    rule = FUNCTIONS[call.function]
    return _CALLS[type(rule)](rule, call, env, row)


def _elementwise(rule: rules.Elementwise, call: Call, env: Environment, row: int | None) -> Value:
    value = _walk(call.arguments[0], env, row)
    if value is None:
        return None
    function = rule.library
    return (getattr(env.library, function) if isinstance(function, str) else function)(value)


def _first_given(rule: rules.FirstGiven, call: Call, env: Environment, row: int | None) -> Value:
    for argument in call.arguments:
        value = evaluate(argument, env, row)
        if value is not None:
            return value
    return None


def _line_before(rule: rules.LineBefore, call: Call, env: Environment, row: int | None) -> Value:
    """Plain numbers: it is looked at and never enters a result."""
    keys = argument_keys(call)
    here = env.value(keys[1], row)
    pairs: list[tuple[float, float]] = []
    for earlier in range(row or 0):
        y, x = env.value(keys[0], earlier), env.value(keys[1], earlier)
        if x is not None and y is not None:
            pairs.append((plain(x), plain(y)))
    if here is None or len(pairs) < rule.needs:
        return None
    xs, ys = zip(*pairs, strict=True)
    return fit_line(xs, ys).at(plain(here))[0]


def _unless(rule: rules.Unless, call: Call, env: Environment, row: int | None) -> Value:
    reason, inner = call.arguments
    if env.value(reason.key, row) is not None:  # type: ignore[union-attr]  # a name (tree.py)
        return None
    return _WALKS[type(inner)](inner, env, row)


def _where(rule: rules.Where, call: Call, env: Environment, row: int | None) -> Value:
    condition, inner = call.arguments
    return _walk(inner, env, row) if _walk(condition, env, row) else None


def _choose(rule: rules.Choose, call: Call, env: Environment, row: int | None) -> Value:
    holds = _walk(call.arguments[0], env, row)
    if holds is None:
        return None
    if not getattr(holds, "shape", ()):
        return _walk(call.arguments[1 if holds else 2], env, row)
    one, other = (_walk(argument, env, row) for argument in call.arguments[1:])
    return None if one is None or other is None else rules.choose(holds, one, other)


def _of_numbers(rule: rules.OfNumbers, call: Call, env: Environment, row: int | None) -> Value:
    values = [_walk(argument, env, row) for argument in call.arguments]
    return None if any(value is None for value in values) else reduce(rule.value, values)


def _of_group(rule: rules.OfGroup, call: Call, env: Environment, row: int | None) -> Value:
    value = _walk(call.arguments[0], env, row)
    if value is None:
        return None
    group, x, y = (env.columns(key)[0] for key in argument_keys(call)[-3:])
    of = rules.Aggregate(
        name=f"{rule.name} {plain(value)!r}", powers=(), cell=None,
        rule=partial(of_group, value=plain(value), uncertainty=rule.uncertainty),
        family=f"{OF_GROUP} {plain(value)!r}", scatter="line",
    )  # fmt: skip
    return env.aggregate(of, [x, group, y])


def _macro(rule: rules.Macro, call: Call, env: Environment, row: int | None) -> Value:
    return _walk(expand_macro(call), env, row)


def _position(rule: rules.Position, call: Call, env: Environment, row: int | None) -> Value:
    offset = rule.offset
    return env.value(argument_keys(call)[0], 0 if offset is None else (row or 0) + offset)


def _row_statistic(
    rule: rules.RowStatistic, call: Call, env: Environment, row: int | None
) -> Value:
    keys = [c for key in argument_keys(call) for c in env.columns(key)]
    present = [v for v in [env.value(key, row) for key in keys] if v is not None]
    weights = rule.weights([plain(v) for v in present])
    if weights is None:
        return None
    return sum([w * v for w, v in zip(weights, present, strict=True) if w], 0.0)


def _aggregate(rule: rules.Aggregate, call: Call, env: Environment, row: int | None) -> Value:
    return env.aggregate(rule, [c for key in argument_keys(call) for c in env.columns(key)])


def plain(value: Value) -> float:
    """The number of a value, without its sources."""
    return float(value if isinstance(value, float) else rules.nominal(value))


_CALLS: dict[type, Callable[[Any, Call, Environment, int | None], Value]] = {
    rules.Elementwise: _elementwise,
    rules.FirstGiven: _first_given,
    rules.LineBefore: _line_before,
    rules.Unless: _unless,
    rules.Where: _where,
    rules.Choose: _choose,
    rules.OfNumbers: _of_numbers,
    rules.OfGroup: _of_group,
    rules.Macro: _macro,
    rules.Position: _position,
    rules.RowStatistic: _row_statistic,
    rules.Aggregate: _aggregate,
}
_WALKS: dict[type, Callable[[Any, Environment, int | None], Value]] = {
    Number: _number,
    Name: _name,
    Negative: _negative,
    Binary: _binary,
    Comparison: _comparison,
    Logic: _logic,
    Call: _call,
    Fitted: _fitted,
    Spread: _spread,
}
