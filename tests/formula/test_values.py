"""Values of formulas against plain Python, and gradients against finite differences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any, ClassVar

import numpy as np
import published
import pytest
from uncertainties import ufloat, umath

from sheetlab.formula.dimensions import Kind, check
from sheetlab.formula.functions import FUNCTIONS, NAMES, Aggregate, Elementwise
from sheetlab.formula.statistics import Statistic
from sheetlab.formula.tree import FormulaError, parse
from sheetlab.formula.values import Given, evaluate
from sheetlab.metrology.line import fit_common_slope, interval_differences
from sheetlab.units import NUMBER, unit


@dataclass
class Bench:
    """Quantities and columns by name."""

    found: Mapping[str, Any]
    library: ModuleType = math
    repeated: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def value(self, key: str, row: int | None) -> Any:
        found = self.found[key]
        if not isinstance(found, list):
            return found
        return found[row] if row is not None and 0 <= row < len(found) else None

    def columns(self, key: str) -> Sequence[str]:
        return self.repeated.get(key, (key,))

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        statistic = rule.rule([self.found[key] for key in columns], 0.0)
        return None if statistic is None else statistic.value


def value_of(text: str, row: int | None = None, **found: Any) -> Any:
    return evaluate(parse(text, NAMES), Bench(found), row)


class TestElementwise:
    PLAIN: ClassVar[dict[str, tuple[Callable[[float], float], list[float]]]] = {
        "sqrt": (lambda v: v**0.5, [0.04, 2.0, 900.0]),
        "abs": (abs, [-2.5, 0.0, 3.0]),
        "exp": (lambda v: math.e**v, [-2.0, 0.0, 1.5]),
        "ln": (math.log, [0.1, 1.0, 20.0]),
        "log10": (math.log10, [0.1, 1.0, 20.0]),
        "sin": (math.sin, [-1.0, 0.0, 2.0]),
        "cos": (math.cos, [-1.0, 0.0, 2.0]),
        "tan": (lambda v: math.sin(v) / math.cos(v), [-1.0, 0.0, 2.0]),
        "asin": (lambda v: math.atan2(v, math.sqrt(1.0 - v * v)), [-0.7, 0.0, 0.9]),
        "acos": (lambda v: math.atan2(math.sqrt(1.0 - v * v), v), [-0.7, 0.0, 0.9]),
        "atan": (lambda v: math.atan2(v, 1.0), [-3.0, 0.0, 0.5]),
    }

    def test_every_function_is_here(self) -> None:
        assert set(self.PLAIN) == {k for k, f in FUNCTIONS.items() if isinstance(f, Elementwise)}

    @pytest.mark.parametrize("name", PLAIN)
    def test_plain_numbers(self, name: str) -> None:
        plain, arguments = self.PLAIN[name]
        for argument in arguments:
            assert value_of(f"{name}(a)", a=argument) == pytest.approx(plain(argument), rel=1e-14)

    @pytest.mark.parametrize("name", PLAIN)
    def test_samples(self, name: str) -> None:
        plain, arguments = self.PLAIN[name]
        found = evaluate(parse(f"{name}(a)", NAMES), Bench({"a": np.array(arguments)}, np))
        assert list(found) == pytest.approx([plain(one) for one in arguments], rel=1e-14)

    @pytest.mark.parametrize("name", PLAIN)
    def test_numbers_with_uncertainty(self, name: str) -> None:
        plain, (low, _, high) = self.PLAIN[name]
        for argument in (low, high):
            one = ufloat(argument, 1.0)
            found = evaluate(parse(f"{name}(a)", NAMES), Bench({"a": one}, umath))
            step = 1e-5 * abs(argument)
            slope = (plain(argument + step) - plain(argument - step)) / (2.0 * step)
            assert found.nominal_value == pytest.approx(plain(argument), rel=1e-14)
            assert found.derivatives[one] == pytest.approx(slope, rel=1e-7)


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("a + b * c", 2.0 + 3.0 * 5.0),
        ("-a^2", -4.0),
        ("(-a)^2", 4.0),
        ("a^-1", 0.5),
        ("a - b - c", -6.0),
        ("a / b / c", 2.0 / 15.0),
        ("c / (a * b)", 5.0 / 6.0),
        ("pi * a^2 / 4", math.pi),
        ("a < b", True),
        ("a < b < c", True),
        ("c < b or not a > b", True),
        ("a >= b and c > b", False),
        ("first_given(a, b)", 2.0),
        ("whole_distance(a + 0.3)", 0.3),
        ("whole_distance(b - 0.2)", 0.2),
        ("whole_distance(c / 2)", 0.5),
    ],
)
def test_values(text: str, plain: float) -> None:
    found = value_of(text, a=2.0, b=3.0, c=5.0)
    assert found == pytest.approx(plain, rel=1e-14)
    assert isinstance(found, bool) == isinstance(plain, bool)


@pytest.mark.parametrize(
    "text",
    [
        "gone",
        "-gone",
        "a + gone",
        "gone * 0",
        "gone^0",
        "sin(gone)",
        "gone < a",
        "not gone < a",
        "a > 0 or gone < a",
        "a < 0 and gone < a",
        "first_given(gone, gone + a)",
        "normal_gravity(a, gone)",
        "mean(empty)",
        "slope(x, empty)",
        # these count as missing too
        "a / zero",
        "zero^-1",
        "sqrt(-a)",
        "(-a)^0.5",
        "ln(zero)",
        "log10(zero)",
        "asin(a)",
        "exp(1000 * a)",
        "(1e200 * a)^2",
        "a / zero < a",
        "1e300 * 1e300 * a",
        "1e300 * 1e300 * a - 1e300 * 1e300",
    ],
)
def test_missing(text: str) -> None:
    assert value_of(text, a=2.0, zero=0.0, gone=None, x=[1.0, 2.0], empty=[None, None]) is None


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("first_given(gone, a, b)", 2.0),
        ("first_given(gone, gone, b)", 3.0),
        ("first_given(a / (b - b), b)", 3.0),
        ("2 * first_given(gone + 1, b - a)", 2.0),
    ],
)
def test_first_given(text: str, found: float) -> None:
    assert value_of(text, a=2.0, b=3.0, gone=None) == found


class TestRows:
    BENCH = Bench(
        {
            "x": [1.0, 2.5, None, 7.0],
            "d_1": [4.0, 4.0, None, 1.0],
            "d_2": [None, 5.0, None, 2.5],
            "d_3": [6.0, 9.0, None, 2.0],
            "y": [10.0, 20.0, 30.0, 40.0],
        },
        repeated={"d": ("d_1", "d_2", "d_3")},
    )

    @pytest.mark.parametrize(
        ("text", "column"),
        [
            ("x * y", [10.0, 50.0, None, 280.0]),
            ("row_mean(d)", [5.0, 6.0, None, 5.5 / 3.0]),
            ("row_mean(x, y)", [5.5, 11.25, 30.0, 23.5]),
            ("row_range(d)", [2.0, 5.0, None, 1.5]),
            ("row_range(d_1)", [None, None, None, None]),
            ("x - previous(x)", [None, 1.5, None, None]),
            ("y - previous(y)", [None, 10.0, 10.0, 10.0]),
            ("x - first(x)", [0.0, 1.5, None, 6.0]),
            ("x - mean(x)", [-2.5, -1.0, None, 3.5]),
            ("x / highest(y)", [0.025, 0.0625, None, 0.175]),
        ],
    )
    def test_each_row(self, text: str, column: list[float | None]) -> None:
        found = [evaluate(parse(text, NAMES), self.BENCH, row) for row in range(4)]
        assert found == [w if w is None else pytest.approx(w, rel=1e-14) for w in column]

    def test_a_row_keeps_the_sources_of_its_readings(self) -> None:
        bench = Bench({"a": [ufloat(3.0, 0.1)], "b": [ufloat(5.0, 0.2)], "c": [None]}, umath)
        mean = evaluate(parse("row_mean(a, b, c)", NAMES), bench, 0)
        assert (mean.nominal_value, mean.std_dev) == pytest.approx((4.0, math.hypot(0.05, 0.1)))
        spread = evaluate(parse("row_range(a, b, c)", NAMES), bench, 0)
        assert (spread.nominal_value, spread.std_dev) == pytest.approx((2.0, math.hypot(0.1, 0.2)))


_ANYWHERE = [(), (2,), (0, 5), (8,)]
_AT_THE_END = [(), (8,), (6, 7, 8)]
"""Differences over half a table need readings without a gap."""

AGGREGATES = {
    "mean": (1, _ANYWHERE),
    "deviation": (1, _ANYWHERE),
    "highest": (1, _ANYWHERE),
    "lowest": (1, _ANYWHERE),
    "count": (1, _ANYWHERE),
    "spread": (1, _ANYWHERE),
    "slope": (2, _ANYWHERE),
    "intercept": (2, _ANYWHERE),
    "interval_slope": (2, _AT_THE_END),
    "half_interval": (1, _AT_THE_END),
    "origin_slope": (2, _ANYWHERE),
}
STATED = {
    "weighted_slope": 3,
    "weighted_intercept": 3,
    "both_errors_slope": 4,
    "both_errors_intercept": 4,
}
"""Statistics with columns of stated uncertainties between x and y, and how many columns."""


def _table(count: int, missing: Sequence[int], seed: int = 1) -> list[list[float | None]]:
    # the abscissae are off their even spacing, so that no derivative vanishes by symmetry
    generator = np.random.default_rng(seed)
    x = np.arange(9.0) + generator.uniform(-0.3, 0.3, 9)
    columns = [x, *(k + (0.6 - 0.1 * k) * x + generator.normal(0, 0.3, 9) for k in range(3))]
    table: list[list[float | None]] = [[float(v) for v in column] for column in columns[:count]]
    for row in missing:
        # of several ordinates only one has the gap
        table[-1][row] = None
    return table


def _statistic(name: str, columns: Sequence[Sequence[float | None]], u: float = 0.0) -> Statistic:
    rule = FUNCTIONS[name]
    assert isinstance(rule, Aggregate)
    found = rule.rule(columns, u)
    assert found is not None
    return found


def test_every_aggregate_is_here() -> None:
    found = {k for k, f in FUNCTIONS.items() if isinstance(f, Aggregate)}
    assert {*AGGREGATES, *STATED} == found


@pytest.mark.parametrize(
    ("name", "missing"),
    [
        ("weighted_slope", ()), ("weighted_slope", (0, 4)),
        ("weighted_intercept", ()), ("weighted_intercept", (0, 4)),
        # a fit takes long, and both results come from the same one
        ("both_errors_slope", (0, 4)), ("both_errors_intercept", ()),
    ],
)  # fmt: skip
def test_gradients_with_stated_uncertainties(name: str, missing: tuple[int, ...]) -> None:
    # those of a line with errors in both coordinates are of first order in the residuals, so the
    # points lie nearly on the line
    generator = np.random.default_rng(3)
    x = np.arange(6.0) + generator.uniform(-0.3, 0.3, 6)
    u = generator.uniform(0.5, 1.5, (2, 6)) * 1e-4
    noise = 1e-5 * generator.standard_normal(6)
    middle = [u[1]] if STATED[name] == 3 else [u[0], u[1]]
    table: list[list[float | None]] = [list(map(float, c)) for c in (x, *middle, 2 - 0.4 * x)]
    table[-1] = [float(v) for v in 2 - 0.4 * x + noise]
    for row in missing:
        table[-1][row] = None
    found = _statistic(name, table)
    for k in (0, len(table) - 1):
        for row, element in enumerate(table[k]):
            if element is None or row in missing:
                assert found.gradients[k][row] == 0.0
                continue
            ends = []
            for moved in (element + 1e-5, element - 1e-5):
                changed = [list(c) for c in table]
                changed[k][row] = moved
                ends.append(_statistic(name, changed).value)
            difference = (ends[0] - ends[1]) / 2e-5
            assert found.gradients[k][row] == pytest.approx(difference, abs=2e-4)
    for column in found.gradients[1:-1]:
        assert set(column) == {0.0}


@pytest.mark.parametrize(
    ("name", "count", "missing"),
    [
        (name, count, missing)
        for name, (least, patterns) in AGGREGATES.items()
        for count in ((2, 3, 4) if name in ("slope", "intercept") else (least,))
        for missing in patterns
    ],
)
def test_gradients_are_finite_differences(name: str, count: int, missing: tuple[int, ...]) -> None:
    table = _table(count, missing)
    found = _statistic(name, table)
    step = 1e-4
    for k, column in enumerate(table):
        assert len(found.gradients[k]) == len(column)
        for row, element in enumerate(column):
            if element is None:
                assert found.gradients[k][row] == 0.0
                continue
            ends = []
            for moved in (element + step, element - step):
                changed = [list(c) for c in table]
                changed[k][row] = moved
                ends.append(_statistic(name, changed).value)
            difference = (ends[0] - ends[1]) / (2.0 * step)
            assert found.gradients[k][row] == pytest.approx(difference, rel=1e-7, abs=1e-9)


class TestAggregateValues:
    @pytest.mark.parametrize("missing", _ANYWHERE)
    def test_one_column(self, missing: tuple[int, ...]) -> None:
        (column,) = _table(1, missing)
        values = np.array([v for v in column if v is not None])
        for name, wanted in [
            ("mean", np.mean(values)),
            ("highest", np.max(values)),
            ("lowest", np.min(values)),
            ("spread", np.ptp(values)),
        ]:
            assert _statistic(name, [column]).value == pytest.approx(wanted, rel=1e-14)

    @pytest.mark.parametrize("column", [[None, 4.0], [3.0, 3.0, None]])
    def test_equal_values_have_no_spread(self, column: list[float | None]) -> None:
        found = _statistic("spread", [column])
        assert (found.value, set(found.gradients[0])) == (0.0, {0.0})

    @pytest.mark.parametrize("missing", _ANYWHERE)
    def test_line(self, missing: tuple[int, ...]) -> None:
        x, y = _table(2, missing)
        pairs = [(a, b) for a, b in zip(x, y, strict=True) if b is not None]
        slope, intercept = np.polyfit(*zip(*pairs, strict=True), 1)
        assert _statistic("slope", [x, y]).value == pytest.approx(slope, rel=1e-12)
        assert _statistic("intercept", [x, y]).value == pytest.approx(intercept, rel=1e-12)

    @pytest.mark.parametrize("missing", _AT_THE_END)
    def test_half_tables(self, missing: tuple[int, ...]) -> None:
        x, y = _table(2, missing)
        n = 9 - len(missing)
        kept = slice(n % 2, n)
        (a, b), (c, d) = (np.split(np.array(v[kept], float), 2) for v in (x, y))
        wanted = (d.mean() - c.mean()) / (b.mean() - a.mean())
        assert _statistic("interval_slope", [x, y]).value == pytest.approx(wanted, rel=1e-13)
        half = _statistic("half_interval", [x[:n]]).value
        assert half == pytest.approx(b.mean() - a.mean(), rel=1e-13)

    @pytest.mark.parametrize("name", ["interval_slope", "half_interval"])
    @pytest.mark.parametrize("row", [0, 4])
    def test_half_tables_with_a_gap_are_missing(self, name: str, row: int) -> None:
        least, _ = AGGREGATES[name]
        rule = FUNCTIONS[name]
        assert isinstance(rule, Aggregate)
        assert rule.rule(_table(least, (row,)), 0.0) is None

    @pytest.mark.parametrize("name", AGGREGATES)
    def test_too_few_values_are_missing(self, name: str) -> None:
        rule = FUNCTIONS[name]
        assert isinstance(rule, Aggregate)
        columns = [[1.5, None]] * AGGREGATES[name][0]
        enough = rule.least_count_of_numbers == 1
        assert (rule.rule(columns, 0.0) is not None) is enough
        assert rule.rule([[None, None]] * len(columns), 0.0) is None


class TestScatter:
    """The type A part of each statistic, and that it is never below the rounding of a reading."""

    def test_mean(self) -> None:
        (scatter,) = _statistic("mean", [[2.0, 4.0, None, 9.0]]).scatter
        # deviations -3, -1, 4: s² = 13
        assert scatter.uncertainty == pytest.approx(math.sqrt(13.0 / 3.0), rel=1e-14)
        assert scatter.dof == 2
        assert _statistic("mean", [[2.0, 2.0]]).scatter == ()

    def test_line(self) -> None:
        table = _table(3, (2,))
        fit = fit_common_slope(
            [[(a, b) for a, b in zip(table[0], y, strict=True) if b is not None] for y in table[1:]]
        )
        (slope,) = _statistic("slope", table).scatter
        assert (slope.uncertainty, slope.dof) == (pytest.approx(fit.u_slope, rel=1e-14), fit.dof)
        parts = _statistic("intercept", table).scatter
        total = math.hypot(*(p.uncertainty * p.sensitivity for p in parts))
        assert total == pytest.approx(fit.u_intercept, rel=1e-14)
        # slope and intercept of the same columns share the source of the slope
        by_token = {p.token: p for p in parts}
        covariance = by_token["slope"].sensitivity * slope.sensitivity * slope.uncertainty**2
        assert covariance == pytest.approx(fit.covariance, rel=1e-14)

    def test_interval_slope(self) -> None:
        x, y = _table(2, ())
        (scatter,) = _statistic("interval_slope", [x, y]).scatter
        found = interval_differences(x, y)  # type: ignore[arg-type]
        assert (scatter.uncertainty, scatter.dof) == (found.u_slope, found.dof)

    def test_an_exact_line_keeps_the_rounding(self) -> None:
        x = [0.0, 1.0, 2.0, 3.0]
        y = [1.0, 3.0, 5.0, 7.0]
        (slope,) = _statistic("slope", [x, y], 0.1).scatter
        # JCGM 100:2008, F.2.2.1; Sxx = 5
        assert slope.uncertainty == pytest.approx(0.1 / math.sqrt(5.0), rel=1e-14)
        (halves,) = _statistic("interval_slope", [x, y], 0.1).scatter
        # two differences over 2, each of two rounded readings
        assert halves.uncertainty == pytest.approx(0.1 * math.sqrt(2.0 / 2.0) / 2.0, rel=1e-14)

    def test_two_points_have_the_rounding_with_no_degrees_of_freedom(self) -> None:
        (slope,) = _statistic("slope", [[0.0, 2.0], [1.0, 3.0]], 0.1).scatter
        assert slope.uncertainty == pytest.approx(0.1 / math.sqrt(2.0), rel=1e-14)
        assert math.isinf(slope.dof)


class TestNormalGravity:
    """H. Moritz, Geodetic Reference System 1980; values from memory, recomputed."""

    @pytest.mark.parametrize(
        ("degrees", "gravity"), [(0.0, 9.7803267715), (45.0, 9.8061992025), (90.0, 9.8321863685)]
    )
    def test_at_sea_level(self, degrees: float, gravity: float) -> None:
        for sign in (1.0, -1.0):
            found = value_of(
                "normal_gravity(latitude, height)",
                latitude=sign * math.radians(degrees),
                height=0.0,
            )
            assert found == pytest.approx(gravity, abs=2e-10)

    def test_whole_table(self) -> None:
        table = [row for row in published.rows("normal_gravity.csv") if row["system"] == "GRS80"]
        assert len(table) == 19
        for row in table:
            found = value_of("normal_gravity(a, 0 * a)", a=math.radians(float(row["latitude_deg"])))
            assert found == pytest.approx(float(row["gamma_m_s2"]), abs=2e-10), row["latitude_deg"]

    def test_height(self) -> None:
        # the usual free-air gradient, 0.3086 mGal a metre (common practice, no source)
        low, high = (value_of("normal_gravity(a, h)", a=0.8, h=h) for h in (0.0, 1500.0))
        assert low - high == pytest.approx(1500.0 * 3.086e-6, rel=1e-10)


class TestChoices:
    """``if``, ``minimum``, ``maximum``, ``mod``: of numbers, of uncertain ones, of samples."""

    @staticmethod
    def value(text: str, library: Any = math, **given: Any) -> Any:
        return evaluate(parse(text, NAMES), Given(given, library))

    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("if(a > b, a - b, b - a)", 1.5),
            ("if(not (a > b) or a < 0, 10 * a, b)", 20.0),
            ("minimum(a, b)", 2.0),
            ("maximum(a, b, 7, 1)", 7.0),
            ("mod(b, a)", 1.5),
            # the sign of the divisor, as MOD of spreadsheets (and Python's %)
            ("mod(-b, a)", 0.5),
            ("mod(b, -a)", -0.5),
            ("if(missing > 1, a, b)", None),
            ("if(a > 1, a, missing)", 2.0),
            ("minimum(a, missing)", None),
            ("mod(a, 0)", None),
        ],
    )
    def test_numbers(self, text: str, expected: float | None) -> None:
        assert self.value(text, a=2.0, b=3.5) == expected

    @pytest.mark.parametrize(
        ("text", "slope"),
        [("if(a > b, 5 * a, 3 * a)", 3.0), ("minimum(a, b)", 1.0), ("maximum(a, b)", 0.0),
         ("mod(7.3 * a, b)", 7.3)],
    )  # fmt: skip
    def test_slopes_are_those_of_the_branch(self, text: str, slope: float) -> None:
        a = ufloat(2.0, 0.1)
        found: Any = self.value(text, umath, a=a, b=3.5)
        step = 1e-6
        ends = [self.value(text, a=2.0 + s, b=3.5) for s in (step, -step)]
        assert (ends[0] - ends[1]) / (2 * step) == pytest.approx(slope, abs=1e-6)
        assert getattr(found, "derivatives", {}).get(a, 0.0) == pytest.approx(slope)

    @pytest.mark.parametrize(
        "text",
        ["if(a > b, a, 2 * b)", "if(a > 1 and not (b > 2), a, b)", "minimum(a, b, 1)",
         "maximum(a, b)", "mod(a, b)"],
    )  # fmt: skip
    def test_samples_are_worked_out_one_by_one(self, text: str) -> None:
        generator = np.random.default_rng(5)
        a, b = generator.uniform(0.5, 3.0, (2, 50))
        found = self.value(text, np, a=a, b=b)
        one_by_one = [self.value(text, a=x, b=y) for x, y in zip(a, b, strict=True)]
        assert found == pytest.approx(one_by_one, rel=1e-12)

    @pytest.mark.parametrize(
        ("text", "told"),
        [("if(a, b, 2)", "takes a condition first"), ("if(a > b, a, c)", "differ in dimension"),
         ("minimum(a, c)", "differ in dimension"), ("mod(a)", "takes 2 arguments"),
         ("if(a > b, a)", "takes 3 arguments")],
    )  # fmt: skip
    def test_what_cannot_be_is_refused(self, text: str, told: str) -> None:
        kinds = {"a": Kind(NUMBER), "b": Kind(NUMBER), "c": Kind(unit("m").dimension)}
        with pytest.raises(FormulaError, match=told):
            check(text, parse(text, NAMES), kinds.get, None)
