"""The one table of functions that a formula may call.

Each row holds what every use needs: the number, the sensitivity, the type A scatter, the text
in the cell, the rule for dimensions. A method that no formula expresses is a new row here,
and a test compares each row with a real spreadsheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from sheetlab.metrology import gravity, line
from sheetlab.metrology.repeats import repeats

Column = Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Scatter:
    """A type A contribution that a statistic brings along."""

    token: str
    """Statistics of the same columns share the source of the same token (slope, intercept)."""
    uncertainty: float
    dof: float
    sensitivity: float


@dataclass(frozen=True, slots=True)
class Statistic:
    """Value of an aggregate, with its gradient and type A scatter."""

    value: float
    gradients: tuple[tuple[float, ...], ...]
    """Partial derivative to each element of each column; 0 where an element is missing."""
    scatter: tuple[Scatter, ...] = ()
    deviation: float = 0.0
    """Standard deviation of one element, where the statistic is a mean."""


StatisticRule = Callable[[Sequence[Column], float], Statistic | None]
RangeText = Callable[[Sequence[str]], str | None]


@dataclass(frozen=True, slots=True)
class Elementwise:
    """A function of numbers; ``library`` names it in math, numpy and uncertainties.umath."""

    name: str
    library: str | Callable[[Any], Any]
    cell: str
    printed: str
    power: float | None
    """Dimension of the result as a power of the argument's; None: a pure number of one."""
    can_fail: bool = True


@dataclass(frozen=True, slots=True)
class Aggregate:
    """A statistic of whole columns.

    ``powers``: exponents of the arguments' dimensions in the result; further arguments must
    agree with the last one listed and may be as many as ``most``.
    """

    name: str
    powers: tuple[int, ...]
    most: int
    rule: StatisticRule
    cell: RangeText
    least_count_of_numbers: int
    printed: str


@dataclass(frozen=True, slots=True)
class RowStatistic:
    """A statistic of the repeated readings in one row; missing ones are passed over."""

    name: str
    cell: str
    weights: Callable[[Sequence[float]], Sequence[float] | None]
    """Values present -> weights whose weighted sum is the result; None if too few."""
    needs: int
    printed: str


@dataclass(frozen=True, slots=True)
class Position:
    """The value of a column in another row."""

    name: str
    offset: int | None
    """Rows from the present one; None for the first row of the table."""
    printed: str


@dataclass(frozen=True, slots=True)
class FirstGiven:
    """The first argument that is there."""

    name: str = "first_given"


@dataclass(frozen=True, slots=True)
class Unless:
    """The second argument, unless the first, a text, has been typed."""

    name: str = "unless"


@dataclass(frozen=True, slots=True)
class Macro:
    """A named formula with fixed SI units of its parameters and its result."""

    name: str
    parameters: tuple[tuple[str, str], ...]
    """Name and SI unit of each."""
    result: str
    body: str
    source: str


Function = Elementwise | Aggregate | RowStatistic | Position | FirstGiven | Unless | Macro


def _present(column: Column) -> list[tuple[int, float]]:
    return [(i, v) for i, v in enumerate(column) if v is not None]


def _gradient(column: Column, weights: dict[int, float]) -> tuple[float, ...]:
    return tuple(weights.get(i, 0.0) for i in range(len(column)))


def _mean(columns: Sequence[Column], resolution: float) -> Statistic | None:
    values = _present(columns[0])
    if not values:
        return None
    found = repeats([v for _, v in values])
    gradient = _gradient(columns[0], {i: 1.0 / found.n for i, _ in values})
    scatter = (
        (Scatter("mean", found.uncertainty, found.dof, 1.0),) if found.uncertainty > 0.0 else ()
    )
    return Statistic(found.mean, (gradient,), scatter, found.deviation)


def _extreme(pick: Callable[[list[tuple[int, float]]], dict[int, float]]) -> StatisticRule:
    def rule(columns: Sequence[Column], resolution: float) -> Statistic | None:
        values = _present(columns[0])
        if not values:
            return None
        weights = pick(values)
        value = math.fsum(columns[0][i] * w for i, w in weights.items())  # type: ignore[operator]
        return Statistic(value, (_gradient(columns[0], weights),))

    return rule


def _span_weights(values: list[tuple[int, float]]) -> dict[int, float]:
    high = max(values, key=lambda iv: iv[1])[0]
    low = min(values, key=lambda iv: iv[1])[0]
    return {} if high == low else {high: 1.0, low: -1.0}


def _pairs(x: Column, y: Column) -> list[tuple[int, float, float]]:
    return [
        (i, a, b)
        for i, (a, b) in enumerate(zip(x, y, strict=True))
        if a is not None and b is not None
    ]


def fitted(columns: Sequence[Column]) -> tuple[line.LineFit, list[list[tuple[int, float, float]]]]:
    """The common-slope line of ``columns`` = (x, y1, y2, …) and the rows that took part."""
    x, *ys = columns
    kept = [_pairs(x, y) for y in ys]
    return line.fit_common_slope([[(a, b) for _, a, b in pairs] for pairs in kept]), kept


def _line(columns: Sequence[Column], resolution: float, intercept: bool) -> Statistic | None:
    try:
        fit, kept = fitted(columns)
    except ValueError:
        return None
    # the scatter cannot be known to be smaller than the rounding of a reading
    # (JCGM 100:2008, F.2.2.1)
    sigma = max(fit.residual_deviation, resolution)
    dof = float(fit.dof) if fit.dof > 0 else math.inf
    u_slope = sigma / math.sqrt(fit.sxx)
    used = [pairs for pairs in kept if pairs]
    u_level = sigma * math.sqrt(math.fsum(1.0 / len(p) for p in used)) / len(used)
    x_gradient: dict[int, float] = {}
    y_gradients = []
    points = iter(fit.points)
    for pairs in kept:
        y_gradient: dict[int, float] = {}
        if pairs:
            centre = math.fsum(a for _, a, _ in pairs) / len(pairs)
        for row, a, _ in pairs:
            point = next(points)
            by_y = (a - centre) / fit.sxx
            by_x = (point.residual - fit.slope * (a - centre)) / fit.sxx
            if intercept:
                share = 1.0 / (len(pairs) * len(used))
                by_y = share - fit.x_mean * by_y
                by_x = -fit.slope * share - fit.x_mean * by_x
            y_gradient[row] = by_y
            x_gradient[row] = x_gradient.get(row, 0.0) + by_x
        y_gradients.append(y_gradient)
    gradients = tuple(
        _gradient(c, g) for c, g in zip(columns, [x_gradient, *y_gradients], strict=True)
    )
    of_slope = Scatter("slope", u_slope, dof, -fit.x_mean if intercept else 1.0)
    scatter: tuple[Scatter, ...] = (of_slope,)
    if intercept:
        scatter += (Scatter("level", u_level, dof, 1.0),)
    return Statistic(fit.intercept if intercept else fit.slope, gradients, scatter)


def _intervals(columns: Sequence[Column]) -> tuple[line.IntervalDifferences, int] | None:
    pairs = _pairs(columns[0], columns[1])
    if [i for i, _, _ in pairs] != list(range(len(pairs))):
        return None
    try:
        found = line.interval_differences([a for _, a, _ in pairs], [b for _, _, b in pairs])
    except ValueError:
        return None
    return found, len(pairs)


def _halves(columns: Sequence[Column], resolution: float) -> Statistic | None:
    found = _intervals(columns)
    if found is None:
        return None
    diff, n = found
    half = n // 2
    share = 1.0 / (half * diff.interval)
    signs = {i: (1.0 if i >= n - half else -1.0) for i in range(n - 2 * half, n)}
    y = _gradient(columns[1], {i: s * share for i, s in signs.items()})
    x = _gradient(columns[0], {i: -s * share * diff.slope for i, s in signs.items()})
    # a difference of two rounded readings is uncertain by sqrt 2 of the rounding of one
    floor = resolution * math.sqrt(2.0 / half) / abs(diff.interval)
    dof = float(diff.dof) if diff.dof > 0 else math.inf
    return Statistic(diff.slope, (x, y), (Scatter("halves", max(diff.u_slope, floor), dof, 1.0),))


def _half_interval(columns: Sequence[Column], resolution: float) -> Statistic | None:
    values = _present(columns[0])
    half = len(values) // 2
    if half == 0 or [i for i, _ in values] != list(range(len(values))):
        return None
    signs = {i: (1.0 if k >= half else -1.0) for k, (i, _) in enumerate(values[-2 * half :])}
    value = math.fsum(v * signs.get(i, 0.0) for i, v in values) / half
    return Statistic(value, (_gradient(columns[0], {i: s / half for i, s in signs.items()}),))


def _slope_cell(ranges: Sequence[str]) -> str:
    x, *ys = ranges
    if len(ys) == 1:
        return f"SLOPE({ys[0]},{x})"
    sums = []
    for y in ys:
        together = f"SUMPRODUCT(ISNUMBER({x})*ISNUMBER({y}))*COVAR({x},{y})"
        sums.append((together, f"{together}/SLOPE({y},{x})"))
    # a series with fewer than two points says nothing of the slope, and must not spoil the rest
    above = "+".join(f"IFERROR({s},0)" for s, _ in sums)
    below = "+".join(f"IFERROR({s},0)" for _, s in sums)
    return f"({above})/({below})"


def _intercept_cell(ranges: Sequence[str]) -> str | None:
    x, *ys = ranges
    return f"INTERCEPT({ys[0]},{x})" if len(ys) == 1 else None


def _half_means(column: str, count: str) -> str:
    h = f"INT({count}/2)"
    later = f"AVERAGE(INDEX({column},{count}-{h}+1):INDEX({column},{count}))"
    earlier = f"AVERAGE(INDEX({column},{count}-2*{h}+1):INDEX({column},{count}-{h}))"
    return f"({later}-{earlier})"


def _no_gap(column: str, count: str, text: str) -> str:
    return f'IF(COUNT(INDEX({column},1):INDEX({column},{count}))<{count},"",{text})'


def _halves_cell(ranges: Sequence[str]) -> str:
    x, y = ranges
    count = f"COUNT({y})"
    text = f"{_half_means(y, count)}/{_half_means(x, count)}"
    return _no_gap(y, count, _no_gap(x, count, text))


def _half_interval_cell(ranges: Sequence[str]) -> str:
    count = f"COUNT({ranges[0]})"
    return _no_gap(ranges[0], count, _half_means(ranges[0], count))


def _magnitude(value: Any) -> Any:
    # a number with uncertainty has no abs() of its own that will last
    nominal = getattr(value, "nominal_value", None)
    if nominal is None:
        return abs(value)
    return -value if nominal < 0.0 else value


def _row_mean(values: Sequence[float]) -> Sequence[float] | None:
    return [1.0 / len(values)] * len(values) if values else None


def _row_range(values: Sequence[float]) -> Sequence[float] | None:
    if len(values) < 2:
        return None
    weights = [0.0] * len(values)
    weights[max(range(len(values)), key=values.__getitem__)] += 1.0
    weights[min(range(len(values)), key=values.__getitem__)] -= 1.0
    return weights


_ROWS: tuple[Function, ...] = (
    Elementwise("sqrt", "sqrt", "SQRT({0})", "√({0})", 0.5),
    Elementwise("abs", _magnitude, "ABS({0})", "|{0}|", 1.0, can_fail=False),
    Elementwise("exp", "exp", "EXP({0})", "exp({0})", None),
    Elementwise("log", "log", "LN({0})", "ln({0})", None),
    Elementwise("sin", "sin", "SIN({0})", "sin({0})", None, can_fail=False),
    Elementwise("cos", "cos", "COS({0})", "cos({0})", None, can_fail=False),
    Elementwise("tan", "tan", "TAN({0})", "tan({0})", None),
    Elementwise("asin", "asin", "ASIN({0})", "arcsin({0})", None),
    Elementwise("acos", "acos", "ACOS({0})", "arccos({0})", None),
    Elementwise("atan", "atan", "ATAN({0})", "arctan({0})", None, can_fail=False),
    Aggregate("mean", (1,), 1, _mean, lambda r: f"AVERAGE({r[0]})", 1, "mean({0})"),
    Aggregate(
        "highest",
        (1,),
        1,
        _extreme(lambda vs: {max(vs, key=lambda iv: iv[1])[0]: 1.0}),
        lambda r: f"MAX({r[0]})",
        1,
        "max({0})",
    ),
    Aggregate(
        "lowest",
        (1,),
        1,
        _extreme(lambda vs: {min(vs, key=lambda iv: iv[1])[0]: 1.0}),
        lambda r: f"MIN({r[0]})",
        1,
        "min({0})",
    ),
    Aggregate(
        "spread",
        (1,),
        1,
        _extreme(_span_weights),
        lambda r: f"(MAX({r[0]})-MIN({r[0]}))",
        1,
        "range({0})",
    ),
    Aggregate("slope", (-1, 1), 12, lambda c, r: _line(c, r, False), _slope_cell, 2, "slope({0})"),
    Aggregate(
        "intercept",
        (0, 1),
        12,
        lambda c, r: _line(c, r, True),
        _intercept_cell,
        2,
        "intercept({0})",
    ),
    Aggregate("interval_slope", (-1, 1), 2, _halves, _halves_cell, 2, "slope by differences({0})"),
    Aggregate(
        "half_interval", (1,), 1, _half_interval, _half_interval_cell, 2, "half interval({0})"
    ),
    RowStatistic("row_mean", "AVERAGE({0})", _row_mean, 1, "mean of row({0})"),
    RowStatistic("row_range", "(MAX({0})-MIN({0}))", _row_range, 2, "range of row({0})"),
    Position("previous", -1, "previous({0})"),
    Position("first", None, "first({0})"),
    FirstGiven(),
    Unless(),
    Macro(
        "normal_gravity",
        (("latitude", "1"), ("height", "m")),
        "m/s^2",
        f"{gravity.EQUATOR}*(1+{gravity.SOMIGLIANA_K}*sin(latitude)^2)"
        f"/sqrt(1-{gravity.ECCENTRICITY_SQUARED}*sin(latitude)^2)"
        f"-{gravity.FREE_AIR_GRADIENT}*height",
        "Moritz, Geodetic Reference System 1980; free-air gradient: common practice",
    ),
    Macro(
        "whole_distance",
        (("number", "1"),),
        "1",
        "abs(asin(sin(3.141592653589793*number)))/3.141592653589793",
        "distance to the nearest whole number: triangle wave, no rounding rule needed",
    ),
)
FUNCTIONS: dict[str, Function] = {row.name: row for row in _ROWS}
NAMES = frozenset(FUNCTIONS)
