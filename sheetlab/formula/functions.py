"""The one table of functions that a formula may call.

Each row holds what every use needs: the number, the sensitivity, the type A scatter, the text
in the cell, the rule for dimensions. A method that no formula expresses is a new row here,
and a test compares each row with a real spreadsheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, ClassVar, Literal

from msgspec import Struct

from sheetlab.formula import statistics
from sheetlab.formula.statistics import Column, StatisticRule, ValueRule
from sheetlab.metrology import gravity


class Elementwise(Struct, frozen=True):
    """A function of numbers; ``library`` names it in math, numpy and uncertainties.umath."""

    name: str
    library: str | Callable[[Any], Any]
    cell: str
    power: float | None = None
    """Dimension of the result as a power of the argument's; None: a pure number of one."""
    printed: str = ""
    """With ``{0}`` for its arguments; empty: its name before them, in brackets."""
    can_fail: bool = True
    arguments: ClassVar[tuple[int, int]] = (1, 1)
    """Fewest and most; so with every kind of function."""


class Aggregate(Struct, frozen=True):
    """A statistic of whole columns.

    ``powers``: exponents of the arguments' dimensions in the result; further arguments must
    agree with the last one listed and may be as many as ``most``.
    """

    name: str
    powers: tuple[int, ...]
    rule: StatisticRule
    cell: str | Callable[[Sequence[str]], str | None] | None
    """With ``{0}``, ``{1}`` for the ranges, or made of them; None: worked out on evaluation."""
    printed: str = ""
    most: int = 0
    """0: as many arguments as ``powers``."""
    least_count_of_numbers: int = 2
    family: str = ""
    """Statistics of one family and the same columns share their scatter (slope, intercept)."""
    scatter: Literal["none", "repeats", "line", "stated"] = "none"
    """Where the type A part comes from: repeats, scatter about a line (which holds the rounding of
    the readings), or uncertainties that are stated in a column."""
    alone: ValueRule | None = None
    """The value of the rule without what belongs to its uncertainty, where that is much faster."""

    @property
    def arguments(self) -> tuple[int, int]:
        """Fewest and most."""
        return len(self.powers), self.most or len(self.powers)

    def value(self, columns: Sequence[Column]) -> float | None:
        """The value of the statistic; None if it has too few values."""
        if self.alone is not None:
            return self.alone(columns)
        statistic = self.rule(columns, 0.0)
        return None if statistic is None else statistic.value

    def cell_text(self, ranges: Sequence[str]) -> str | None:
        """Text of a cell formula over ranges; None if cells cannot express it."""
        if isinstance(self.cell, str):
            return self.cell.format(*ranges)
        return None if self.cell is None else self.cell(ranges)


class RowStatistic(Struct, frozen=True):
    """A statistic of the repeated readings in one row; missing ones are passed over."""

    name: str
    cell: str
    weights: Callable[[Sequence[float]], Sequence[float] | None]
    """Values present -> weights whose weighted sum is the result; None if too few."""
    needs: int
    printed: str
    arguments: ClassVar[tuple[int, int]] = (1, 12)


class Position(Struct, frozen=True):
    """The value of a column in another row."""

    name: str
    offset: int | None
    """Rows from the present one; None for the first row of the table."""
    arguments: ClassVar[tuple[int, int]] = (1, 1)


class LineBefore(Struct, frozen=True):
    """The line through the rows above, at the abscissa of the present row: what is to be expected.

    Arguments: a column of ordinates, and one of abscissas. Missing with fewer than ``needs`` rows.
    """

    name: str = "line_before"
    needs: int = 3
    arguments: ClassVar[tuple[int, int]] = (2, 2)


class FirstGiven(Struct, frozen=True):
    """The first argument that is there."""

    name: str = "first_given"
    arguments: ClassVar[tuple[int, int]] = (1, 8)


class Unless(Struct, frozen=True):
    """The second argument, unless the first, a text, has been typed."""

    name: str = "unless"
    arguments: ClassVar[tuple[int, int]] = (2, 2)


class Where(Struct, frozen=True):
    """The second argument in rows in which the first, a condition, holds."""

    name: str = "where"
    arguments: ClassVar[tuple[int, int]] = (2, 2)


class Choose(Struct, frozen=True):
    """The second argument where the first, a condition, holds; the third where it does not."""

    name: str = "if"
    arguments: ClassVar[tuple[int, int]] = (3, 3)


class OfNumbers(Struct, frozen=True):
    """A function of several numbers of one dimension."""

    name: str
    value: Callable[[Any, Any], Any]
    """Of two numbers, of numbers with uncertainty, or of arrays of samples; more: in turn."""
    cell: str
    printed: str
    most: int = 8
    can_fail: bool = False

    @property
    def arguments(self) -> tuple[int, int]:
        """Fewest and most."""
        return 2, self.most


class OfGroup(Struct, frozen=True):
    """A line through the rows of a group: the value that names it, its column, x and y."""

    name: str
    uncertainty: bool
    """The standard uncertainty of the slope, by the scatter, in the place of the slope."""
    arguments: ClassVar[tuple[int, int]] = (4, 4)


class Macro(Struct, frozen=True):
    """A named formula with fixed SI units of its parameters and its result."""

    name: str
    parameters: tuple[tuple[str, str], ...]
    """Name and SI unit of each."""
    result: str
    body: str
    source: str

    @property
    def arguments(self) -> tuple[int, int]:
        """Fewest and most."""
        return len(self.parameters), len(self.parameters)


Function = (
    Elementwise
    | Aggregate
    | RowStatistic
    | Position
    | LineBefore
    | FirstGiven
    | Unless
    | Where
    | Choose
    | OfNumbers
    | OfGroup
    | Macro
)


def _slope_cell(ranges: Sequence[str]) -> str:
    x, *ys = ranges
    if len(ys) == 1:
        return f"SLOPE({ys[0]},{x})"
    together = [f"SUMPRODUCT(ISNUMBER({x})*ISNUMBER({y}))*COVAR({x},{y})" for y in ys]
    # a series with fewer than two points says nothing of the slope, and must not spoil the rest
    above = "+".join(f"IFERROR({text},0)" for text in together)
    below = "+".join(
        f"IFERROR({text}/SLOPE({y},{x}),0)" for text, y in zip(together, ys, strict=True)
    )
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


def _smaller(a: Any, b: Any) -> Any:
    return choose(nominal(a) <= nominal(b), a, b)


def _greater(a: Any, b: Any) -> Any:
    return choose(nominal(a) >= nominal(b), a, b)


def nominal(value: Any) -> Any:
    """The estimate of a number with uncertainty; any other value as it is."""
    return getattr(value, "nominal_value", value)


def choose(holds: Any, a: Any, b: Any) -> Any:
    """One of two values by a condition; of arrays of samples element by element."""
    if not getattr(holds, "shape", ()):
        return a if holds else b
    import numpy as np

    return np.where(holds, a, b)


def _rest(a: Any, b: Any) -> Any:
    """What is left of whole parts, with the sign of the divisor, as MOD of spreadsheets has it."""
    share = nominal(a / b)
    if not getattr(share, "shape", ()):
        return a - b * math.floor(share)
    import numpy as np

    return a - b * np.floor(share)


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
    Elementwise("sqrt", "sqrt", "SQRT({0})", 0.5, "√({0})"),
    Elementwise("abs", _magnitude, "ABS({0})", 1.0, "|{0}|", can_fail=False),
    Elementwise("exp", "exp", "EXP({0})"),
    Elementwise("ln", "log", "LN({0})"),
    Elementwise("log10", "log10", "LOG10({0})"),
    Elementwise("sin", "sin", "SIN({0})", can_fail=False),
    Elementwise("cos", "cos", "COS({0})", can_fail=False),
    Elementwise("tan", "tan", "TAN({0})"),
    Elementwise("asin", "asin", "ASIN({0})", printed="arcsin({0})"),
    Elementwise("acos", "acos", "ACOS({0})", printed="arccos({0})"),
    Elementwise("atan", "atan", "ATAN({0})", printed="arctan({0})", can_fail=False),
    Aggregate(
        "mean", (1,), statistics.mean, "AVERAGE({0})",
        least_count_of_numbers=1, family="mean", scatter="repeats", alone=statistics.mean_alone,
    ),
    Aggregate(
        "deviation", (1,), statistics.deviation, "STDEV({0})", "standard deviation({0})",
    ),
    Aggregate(
        "highest", (1,), statistics.highest, "MAX({0})", "max({0})", least_count_of_numbers=1,
    ),
    Aggregate(
        "lowest", (1,), statistics.lowest, "MIN({0})", "min({0})", least_count_of_numbers=1,
    ),
    Aggregate(
        "spread", (1,), statistics.span, "(MAX({0})-MIN({0}))", "range({0})",
        least_count_of_numbers=1,
    ),
    Aggregate(
        "slope", (-1, 1), statistics.slope, _slope_cell,
        most=12, family="line", scatter="line", alone=statistics.slope_alone,
    ),
    Aggregate(
        "intercept", (0, 1), statistics.intercept, _intercept_cell,
        most=12, family="line", scatter="line",
    ),
    Aggregate(
        "origin_slope", (-1, 1), statistics.through_origin,
        # as arguments of their own, texts count as nothing
        "SUMPRODUCT({0},{1})/SUMPRODUCT({0},{0},ISNUMBER({1})*1)", "slope through the origin({0})",
        least_count_of_numbers=1, family="origin", scatter="line",
    ),
    Aggregate(
        "weighted_slope", (-1, 0, 1), statistics.stated_slope, None, "weighted slope({0})",
        family="weighted", scatter="stated",
    ),
    Aggregate(
        "weighted_intercept", (0, 0, 1), statistics.stated_intercept, None,
        "weighted intercept({0})", family="weighted", scatter="stated",
    ),
    Aggregate(
        "both_errors_slope", (-1, 0, 0, 1), statistics.stated_slope, None,
        "slope, errors in both({0})",
        least_count_of_numbers=3, family="both errors", scatter="stated",
    ),
    Aggregate(
        "both_errors_intercept", (0, 0, 0, 1), statistics.stated_intercept, None,
        "intercept, errors in both({0})",
        least_count_of_numbers=3, family="both errors", scatter="stated",
    ),
    Aggregate(
        "interval_slope", (-1, 1), statistics.half_table_slope, _halves_cell,
        "slope by differences({0})", family="differences", scatter="line",
    ),
    Aggregate(
        "half_interval", (1,), statistics.half_interval, _half_interval_cell, "half interval({0})",
    ),
    Aggregate(
        "count", (0,), statistics.count, "COUNT({0})", "number of({0})", least_count_of_numbers=1,
    ),
    OfNumbers("minimum", _smaller, "MIN({0})", "min({0})"),
    OfNumbers("maximum", _greater, "MAX({0})", "max({0})"),
    OfNumbers("mod", _rest, "MOD({0})", "rest({0})", most=2, can_fail=True),
    RowStatistic("row_mean", "AVERAGE({0})", _row_mean, 1, "mean of row({0})"),
    RowStatistic("row_range", "(MAX({0})-MIN({0}))", _row_range, 2, "range of row({0})"),
    Position("previous", -1),
    Position("first", None),
    LineBefore(),
    FirstGiven(),
    Unless(),
    Where(),
    Choose(),
    OfGroup("group_slope", uncertainty=False),
    OfGroup("group_slope_uncertainty", uncertainty=True),
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
)  # fmt: skip
FUNCTIONS: dict[str, Function] = {row.name: row for row in _ROWS}
NAMES = frozenset(FUNCTIONS)
