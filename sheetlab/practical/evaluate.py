"""A practical and its observations -> values, uncertainties, budget. Pure: numbers in, data out.

All numbers are in coherent SI units. Values are computed once as plain numbers, which are the
numbers that cells show, and once as numbers that know their sources of uncertainty. Two numbers
that share a source (one micrometer's zero, one batch of masses) are correlated by that alone:
no covariance is ever typed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from types import ModuleType
from typing import Any, Literal

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.statistics import Scatter, Statistic, fit_curve, fitted, line_of
from sheetlab.formula.tree import Call, Fitted, Node, names, walk
from sheetlab.formula.values import Value, evaluate, on_curve
from sheetlab.metrology import agreement, montecarlo
from sheetlab.metrology.budget import DIVISORS, Budget, Source, budget
from sheetlab.metrology.curve import CurveFit
from sheetlab.metrology.line import LineFit
from sheetlab.metrology.linepatterns import Observed
from sheetlab.metrology.montecarlo import Affine, Propagated, Validation
from sheetlab.metrology.repeats import FEWEST_ALIKE, repeats, rounded, step_read
from sheetlab.metrology.secondorder import SecondOrder, second_order
from sheetlab.metrology.statement import Statement, state
from sheetlab.metrology.together import MeanScatter, beside, deviations, of_result
from sheetlab.practical.definition import Result
from sheetlab.practical.fields import (
    LEAST_REASON,
    CurveField,
    DerivedField,
    InputField,
    LineField,
    SourceSpec,
)
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Observations
from sheetlab.practical.profile import GUM, Profile
from sheetlab.units import Unit, per_unit

CANCELLED = 1e-12
TOGETHER = (
    "the readings of a row were taken together, so that the means of their columns move together "
    "(JCGM 100:2008, 5.2.3)"
)
BESIDE = ", beside what moves with "
ROUNDING_LEFT = "what the scatter of the readings does not hold of their rounding"
POINTS = "more points, spread wider"

Cells = float | None | list[float | None]


class Numbers(Struct):
    """Plain values of every field, the environment of formulas over floats."""

    practical: Practical
    observations: Observations
    library: ModuleType = math
    found: dict[str, Cells] = field(default_factory=dict)

    def cells(self, key: str) -> Cells:
        """The value of a quantity or the values of a column, worked out when first asked for."""
        if key not in self.found:
            self.found[key] = self._worked_out(key)
        return self.found[key]

    def _worked_out(self, key: str) -> Cells:
        one = self.practical.field(key)
        if isinstance(one, InputField):
            if one.table is None:
                return self._typed(one, None)
            return [self._typed(one, row) for row in range(one.rows)]
        if one.table is None:
            found: float | None = evaluate(one.node, self)
            return found
        return [evaluate(one.node, self, row) for row in range(one.rows)]

    def _typed(self, one: InputField, row: int | None) -> float | None:
        entry = self.observations.entry(one.key, row)
        if one.kind == "text":
            # formulas only ask whether there is one
            return 1.0 if len(entry.text.strip()) >= LEAST_REASON else None
        value = entry.value
        if value is None:
            value = one.default
        return None if value is None else one.unit.to_si(value)

    def changed(self, changes: Mapping[tuple[str, int | None], float | None]) -> Numbers:
        """The values with other numbers, or none, in some input cells, as cells show them.

        What does not depend on those cells is taken over instead of being worked out again.
        """
        touched, below = {key for key, _ in changes}, self.practical.below()
        kept = {k: v for k, v in self.found.items() if touched.isdisjoint(below[k])}
        observations = self.observations.changed(changes)
        return Numbers(self.practical, observations, self.library, kept)

    def value(self, key: str, row: int | None) -> float | None:
        """A quantity, or the element of a column in a row, in SI units."""
        try:
            found = self.found[key]
        except KeyError:
            found = self.cells(key)
        if found.__class__ is not list:
            return found  # type: ignore[return-value]
        return found[row] if row is not None and 0 <= row < len(found) else None

    def column(self, key: str) -> list[float | None]:
        """A whole column in SI units; None where missing."""
        found = self.cells(key)
        assert isinstance(found, list)
        return found

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name."""
        return self.practical.columns(key)

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        """A statistic of whole columns; None if it has too few values."""
        return rule.value([self.column(key) for key in columns])

    def shown(self, key: str, row: int | None = None) -> float | None:
        """A value in the unit of its field, as its cell shows it."""
        value = self.value(key, row)
        return None if value is None else self.practical.field(key).unit.from_si(value)

    def division(self, *keys: str) -> float:
        """One division of the scale of readings, SI units; 0 where none of them is a reading.

        Of a scale whose division was not typed the last decimal of its readings: nothing finer was
        read, so that nothing finer can be known of their scatter.
        """
        halves = [
            0.5 * self._last_decimal(key) if half is None else half
            for key in keys
            for spec in self.practical.field(key).sources
            if spec.rounding
            for half in (self.half_width(spec),)
        ]
        return 2.0 * max(halves, default=0.0)

    def _last_decimal(self, key: str) -> float:
        """Step of the finest decimal typed with the scale of a reading, SI units; 0 if none is."""
        its = self.practical.field(key)
        decimals = [
            len(f"{entry.value:.9f}".rstrip("0").partition(".")[2])
            for one in self.practical.inputs.values()
            if its.instrument and (one.instrument, one.table) == (its.instrument, its.table)
            for entry in self.observations.entries.get(one.key, ())
            if entry.value is not None
        ]
        return 10.0 ** -max(decimals) * its.unit.factor if decimals else 0.0

    def half_width(self, spec: SourceSpec) -> float | None:
        """Half-width of a source in SI units, or as a fraction; None while it is unknown."""
        found: float | None = evaluate(spec.half_width, self)
        return found


class _Uncertain(Struct):
    """The environment of formulas over numbers that know their sources."""

    numbers: Numbers
    library: Any
    make: Callable[[float, float, str], Any]
    sources: dict[str, Source] = field(default_factory=dict)
    variables: dict[str, Any] = field(default_factory=dict)
    memory: dict[tuple[str, int | None], Value] = field(default_factory=dict)
    statistics: dict[tuple[str, tuple[str, ...]], Value] = field(default_factory=dict)
    means: dict[str, list[MeanScatter]] = field(default_factory=dict)
    """Means whose readings were taken together, by table; each beside those before it."""

    @property
    def practical(self) -> Practical:
        return self.numbers.practical

    def columns(self, key: str) -> Sequence[str]:
        return self.practical.columns(key)

    def value(self, key: str, row: int | None) -> Value:
        place = (key, row)
        if place not in self.memory:
            self.memory[place] = self._value(key, row)
        return self.memory[place]

    def _value(self, key: str, row: int | None) -> Value:
        one = self.practical.field(key)
        if one.table is not None and not 0 <= (row or 0) < one.rows:
            return None
        if isinstance(one, InputField):
            value: Value = self.numbers.value(key, row)
        else:
            value = evaluate(one.node, self, row)
        if value is None:
            return None
        for spec in one.sources:
            variable = self.variable(spec, one)
            if variable is not None:
                value = value + (variable * _nominal(value) if spec.relative else variable)
        return value

    def variable(self, spec: SourceSpec, one: InputField | DerivedField) -> Any:
        if spec.key in self.variables:
            return self.variables[spec.key]
        half_width = self.numbers.half_width(spec)
        if not half_width:
            return None
        source = Source(
            key=spec.key,
            label=spec.label,
            evaluation="B",
            distribution=spec.distribution,
            standard_uncertainty=abs(half_width) / DIVISORS[spec.distribution],
            relative=spec.relative,
            unit="" if spec.relative else one.unit.pretty,
            unit_factor=1.0 if spec.relative else one.unit.factor,
            note=spec.note,
            advice=spec.advice,
        )
        return self.add(source)

    def add(self, source: Source) -> Any:
        self.sources[source.key] = source
        self.variables[source.key] = self.make(0.0, source.standard_uncertainty, source.key)
        return self.variables[source.key]

    def sensitivities(self, value: Value) -> dict[str, float]:
        """Sensitivity of a value to each source by key."""
        parts = getattr(value, "derivatives", {})
        found = {v.tag: float(c) for v, c in parts.items() if c and math.isfinite(c)}
        least = CANCELLED * max(
            (abs(c) * self.sources[key].standard_uncertainty for key, c in found.items()),
            default=0.0,
        )
        # what cancels leaves a trace in the last bits, which is no uncertainty
        return {
            key: c
            for key, c in found.items()
            if abs(c) * self.sources[key].standard_uncertainty > least
        }

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> Value:
        place = (rule.name, tuple(columns))
        if place not in self.statistics:
            self.statistics[place] = self._statistic(rule, place[1])
        return self.statistics[place]

    def _statistic(self, rule: Aggregate, columns: tuple[str, ...]) -> Value:
        elements = [
            [self.value(key, row) for row in range(self.practical.field(key).rows)]
            for key in columns
        ]
        plain = [[None if v is None else _nominal(v) for v in column] for column in elements]
        parts = [
            [None if v is None else self.sensitivities(v) for v in column] for column in elements
        ]
        own = [self._own_rounding(key) for key in columns]
        resolution = self._resolution(parts[-1], own[-1])
        if rule.scatter == "line":
            # what the rounding of x does to y
            slope = _slope_of(plain) or 0.0
            resolution = math.hypot(resolution, slope * self._resolution(parts[0], own[0]))
        found = rule.rule(plain, resolution)
        if found is None:
            return None
        share, rest = 1.0, 0.0
        if rule.scatter == "repeats":
            if found.scatter or sum(v is not None for v in plain[0]) >= FEWEST_ALIKE:
                share = 0.0
                found, rest = self._rounded_mean(found, parts[0], own[0])
        elif found.scatter and rule.scatter in ("line", "stated"):
            # the scatter of a line has the rounding as its floor; stated uncertainties hold it
            share = 0.0
        total = _propagated(found, parts, own, share)
        estimate = f"{rule.family}({','.join(columns)})"
        if rest:
            total[self._rounding_of_mean(columns[0], rest)] = 1.0
        for scatter in found.scatter:
            if scatter.uncertainty == 0.0:
                continue
            if rule.scatter == "repeats":
                total |= self._scatter_of_mean(columns[0], plain[0], scatter)
                continue
            key = f"{estimate}#{scatter.token}"
            if key not in self.variables:
                self.add(self._scatter_source(key, columns, scatter))
            total[key] = total.get(key, 0.0) + scatter.sensitivity
        return self._sum(found.value, total)

    def _scatter_of_mean(
        self, column: str, values: Sequence[float | None], scatter: Scatter
    ) -> dict[str, float]:
        """Sensitivities of a mean to its own scatter, and to that of means of the same rows."""
        table = self.practical.field(column).table or column
        simultaneous = self.practical.simultaneous(table)
        means = self.means.setdefault(table if simultaneous else column, [])
        vector = deviations(values, scatter.uncertainty)
        mean = beside(column, vector, means)
        found = {_mean_key(m.key): c for m, c in zip(means, mean.shares, strict=True) if c}
        if mean.uncertainty:
            key = _mean_key(column)
            source = self._scatter_source(key, (column,), scatter)
            if simultaneous:
                # in all means of the table one estimate of covariance
                source = replace(source, estimate=f"rows({table})")
            self.add(self._own_part(source, mean, means))
            means.append(mean)
            found[key] = 1.0
        return found

    def _own_part(self, source: Source, mean: MeanScatter, before: Sequence[MeanScatter]) -> Source:
        """The source of the scatter of a mean, without what it has of means before it."""
        titles = [
            self.practical.field(m.key).title.lower()
            for m, share in zip(before, mean.shares, strict=True)
            if share
        ]
        label, _, _ = source.label.partition(BESIDE)
        return replace(
            source,
            standard_uncertainty=mean.uncertainty,
            spread=source.spread * mean.uncertainty / source.standard_uncertainty,
            label=label + (f"{BESIDE}{' and '.join(titles)}" if titles else ""),
            note=TOGETHER if titles else "",
        )

    def rows_of_budget(self, value: Value) -> list[tuple[Source, float]]:
        """Sources of a value and its sensitivities; of means those that stand in it."""
        found = self.sensitivities(value)
        turned = []
        for means in self.means.values():
            if len(means) > 1:
                parts = {m.key: found.pop(_mean_key(m.key), 0.0) for m in means}
                kept = of_result(parts, means)
                before = [m for m, _ in kept]
                for k, (mean, c) in enumerate(kept):
                    source = self.sources[_mean_key(mean.key)]
                    turned.append((self._own_part(source, mean, before[:k]), c))
        return [*((self.sources[key], c) for key, c in found.items()), *turned]

    def _rounded_mean(
        self,
        found: Statistic,
        elements: Sequence[dict[str, float] | None],
        own: Mapping[str, Sequence[str]],
    ) -> tuple[Statistic, float]:
        """A mean with the scatter of its rounded readings, and what rounding adds to that.

        The rule is that of each column of readings (``repeats.rounded``). Columns on the divisions
        of one scale keep their rounding in common; those of different ones add as independent.
        """
        rows = [row for row, element in enumerate(elements) if element is not None]
        shown, counted, rest = 0.0, 0.0, 0.0
        for key, readers in own.items():
            squares = [((elements[row] or {}).get(key, 0.0)) ** 2 for row in rows]
            square = math.fsum(squares) / len(rows)
            if not square:
                continue
            columns = [
                [v for row in rows if (v := self.numbers.value(reader, row)) is not None]
                for reader in readers
            ]
            columns = [column for column in columns if column]
            step = step_read(columns, 2.0 * self.sources[key].half_width)
            if not found.scatter:
                # what cancels in every row says nothing of where the readings stand
                columns = [[column[0]] * len(column) for column in columns]
            each = [(rounded(column, step), repeats(column).deviation) for column in columns]
            shown += square * math.fsum(s**2 for _, s in each) / len(each)
            counted += square * math.fsum(r.deviation**2 for r, _ in each) / len(each)
            rest += square * (math.fsum(r.rest for r, _ in each) / len(each)) ** 2
        factor = math.sqrt(counted / shown) if shown and counted else 1.0
        scatter = tuple(replace(s, uncertainty=factor * s.uncertainty) for s in found.scatter)
        return replace(found, scatter=scatter), math.sqrt(rest)

    def _rounding_of_mean(self, column: str, rest: float) -> str:
        """Key of the source of what is left of the rounding in a mean."""
        key = f"mean({column})#rounding"
        one = self.practical.field(column)
        label = f"rounding left in the mean: {one.title.lower()}"
        self.add(
            Source(key, label, "B", "normal", rest, unit=one.unit.pretty,
                   unit_factor=one.unit.factor, note=ROUNDING_LEFT,
                   advice=f"more readings of “{one.title.lower()}”")
        )  # fmt: skip
        return key

    def _sum(self, value: float, sensitivities: Mapping[str, float]) -> Value:
        """A value that depends on sources as its sensitivities say."""
        if not sensitivities:
            return value
        # in one step: a sum term by term takes most of the time of an evaluation
        from sheetlab.practical.affine import combined

        return combined(value, {self.variables[key]: c for key, c in sensitivities.items()})

    def _scatter_source(self, key: str, columns: tuple[str, ...], scatter: Scatter) -> Source:
        last = self.practical.field(columns[-1])
        estimate, _, token = key.partition("#")
        family = estimate.partition("(")[0]
        factor, pretty = last.unit.factor, last.unit.pretty
        title = last.title.lower()
        if family in self.practical.curves:
            parameter = self.practical.field(f"{family}.{token}")
            label, advice = f"scatter about the curve: {parameter.title.lower()}", POINTS
            factor, pretty = parameter.unit.factor, parameter.unit.pretty
        else:
            label, advice = {
                "mean": (f"scatter of the repeats: {title}", f"more readings of “{title}”"),
                "level": ("scatter about the line: its height", POINTS),
                "slope": ("scatter about the line: its slope", POINTS),
                "halves": ("scatter of the differences", POINTS),
            }[token]
        if token in ("slope", "halves"):
            x = self.practical.field(columns[0]).unit
            factor, pretty = factor / x.factor, per_unit(last.unit, x)
        # of a mean its divisor divides the standard deviation of a reading
        spread = scatter.uncertainty * math.sqrt(scatter.dof + 1.0) if token == "mean" else 0.0
        return Source(
            key, label, "A", "t", scatter.uncertainty, scatter.dof, False, pretty, factor,
            estimate=estimate, advice=advice, spread=spread,
        )  # fmt: skip

    def _own_rounding(self, key: str) -> dict[str, tuple[str, ...]]:
        """Rounding of the readings in a column, which its own scatter can show, with who reads.

        The rounding of a single value that all rows share, a zero error say, cannot.
        """
        one = self.practical.field(key)
        found: dict[str, tuple[str, ...]] = {s.key: (key,) for s in one.sources if s.rounding}
        if isinstance(one, DerivedField):
            for inner in self.practical.depends(one.node):
                if self.practical.field(inner).table == one.table:
                    for source, readers in self._own_rounding(inner).items():
                        found[source] = tuple(dict.fromkeys((*found.get(source, ()), *readers)))
        return found

    def _resolution(
        self, column: Sequence[dict[str, float] | None], own: Mapping[str, Sequence[str]]
    ) -> float:
        """Standard uncertainty of the rounding of one element of a column."""
        rows = [
            math.fsum(
                (c * self.sources[key].standard_uncertainty) ** 2
                for key, c in element.items()
                if key in own
            )
            for element in column
            if element is not None
        ]
        return math.sqrt(math.fsum(rows) / len(rows)) if rows else 0.0


def _mean_key(column: str) -> str:
    """Key of the source of the scatter of a mean."""
    return f"mean({column})#mean"


def _propagated(
    found: Statistic,
    parts: Sequence[Sequence[dict[str, float] | None]],
    own: Sequence[Mapping[str, Sequence[str]]],
    share: float,
) -> dict[str, float]:
    """Sensitivities of a statistic to the sources of its elements.

    ``share`` is the part of their own rounding that is not in the scatter.
    """
    total: dict[str, float] = {}
    for column, gradient, rounding in zip(parts, found.gradients, own, strict=True):
        for element, weight in zip(column, gradient, strict=True):
            if not weight or element is None:
                continue
            for key, sensitivity in element.items():
                kept = share if key in rounding else 1.0
                if kept:
                    total[key] = total.get(key, 0.0) + kept * weight * sensitivity
    return {key: c for key, c in total.items() if c}


def _slope_of(columns: Sequence[Sequence[float | None]]) -> float | None:
    try:
        return fitted(columns)[0].slope
    except ValueError:
        return None


def _nominal(value: Value) -> float:
    number: Any = getattr(value, "nominal_value", value)
    return float(number)


class QuantityResult(Struct, frozen=True):
    """A quantity with its standard uncertainty, SI units."""

    key: str
    title: str
    symbol: str
    value: float
    standard_uncertainty: float


class Part(Struct, frozen=True):
    """A quantity in the formula of a result."""

    key: str
    value: float
    standard_uncertainty: float
    sensitivity: float
    share: float
    """Part of the variance of the result, taken alone."""
    maximum_error: float | None
    """Its greatest error in the school's convention; None if it is counted as exact."""


class AcceptedValue(Struct, frozen=True):
    """A published value beside a result, SI units."""

    value: float
    source: str
    percent_difference: float
    e_n: float | None
    """Against the accepted value as it stands; None if the result has no uncertainty."""
    verdict: agreement.Verdict | None
    tolerance: float
    """How far the values of books lie from the accepted one, as a fraction of it."""


class ResultValue(Struct, frozen=True):
    """A result of a practical, SI units."""

    definition: Result
    budget: Budget
    statement: Statement | None
    stated: Literal["expanded", "standard", "maximum"]
    """What the number after ± is."""
    stated_uncertainty: float
    parts: tuple[Part, ...]
    maximum_error: float | None
    trials: Propagated | None
    second_order: SecondOrder | None
    validation: Validation | None
    alternatives: tuple[QuantityResult, ...]
    accepted: AcceptedValue | None


class LineResult(Struct, frozen=True):
    """A fitted line with the rows that took part, SI units."""

    field: LineField
    fit: LineFit
    rows: tuple[int, ...]
    """Row of the table for each point of the fit."""

    def series(self) -> list[list[tuple[float, float]]]:
        """The points of each series."""
        count = len(self.field.y)
        return [[(p.x, p.y) for p in self.fit.points if p.series == k] for k in range(count)]

    def means(self) -> list[tuple[float, float]]:
        """Abscissa and mean ordinate of the rows in which no series is missing."""
        there = [k for k in range(len(self.field.y)) if any(p.series == k for p in self.fit.points)]
        found: dict[int, list[tuple[float, float]]] = {}
        for point, row in zip(self.fit.points, self.rows, strict=True):
            found.setdefault(row, []).append((point.x, point.y))
        return [
            (pairs[0][0], math.fsum(y for _, y in pairs) / len(pairs))
            for _, pairs in sorted(found.items())
            if len(pairs) == len(there)
        ]

    def observed(self) -> list[Observed]:
        """The points with their rows."""
        return [
            Observed(p.series, row, p.x, p.y)
            for p, row in zip(self.fit.points, self.rows, strict=True)
        ]

    def drawn(self) -> tuple[float, float]:
        """Sign and zero of the ordinates of its graph: y is drawn as sign * (y - zero)."""
        if not self.field.definition.relative_to_first:
            return 1.0, 0.0
        first = min(self.rows)
        pairs = zip(self.fit.points, self.rows, strict=True)
        values = [p.y for p, row in pairs if row == first]
        # the graph shows a change that grows, whichever way the scale runs
        return math.copysign(1.0, self.fit.slope), math.fsum(values) / len(values)


class CurveResult(Struct, frozen=True):
    """A fitted curve with the rows that took part, SI units."""

    field: CurveField
    fit: CurveFit
    x: tuple[float, ...]
    y: tuple[float, ...]
    rows: tuple[int, ...]


class LeftOut(Struct, frozen=True):
    """A row that a person left out, and why."""

    table: str
    row: int
    reason: str


class Evaluation(Struct, frozen=True):
    """What came out of a workbook; frozen data without an engine behind it."""

    practical: str
    version: str
    digest: str
    values: Mapping[str, float | tuple[float | None, ...] | None]
    quantities: tuple[QuantityResult, ...]
    lines: Mapping[str, LineResult]
    curves: Mapping[str, CurveResult]
    results: tuple[ResultValue | None, ...]
    """In the order of the definition; None where a result could not be formed."""
    correlations: Mapping[tuple[str, str], float]
    """Correlation coefficient of each pair of results (JCGM 100:2008, H.2), by quantity."""
    profile: Profile = GUM
    """How results are stated."""
    left_out: tuple[LeftOut, ...] = ()
    with_every_row: tuple[ResultValue | None, ...] = ()
    """The results as they would be if no row were left out; empty if none is."""

    @property
    def measurand(self) -> ResultValue | None:
        """The first result."""
        return self.results[0]


def evaluate_practical(
    practical: Practical,
    observations: Observations,
    numbers: Numbers | None = None,
    trials: int = montecarlo.TRIALS,
    seed: int = montecarlo.SEED,
    profile: Profile = GUM,
    most_trials: int | None = None,
) -> Evaluation:
    """Evaluate observations.

    Parameters
    ----------
    numbers
        Plain values, if they have been computed already.
    trials, seed
        Of the Monte Carlo check; 0 trials leave it out.
    profile
        How results are stated.
    most_trials
        Trials up to which the usual number is raised until the figures are stable; None: 10⁶ for
        the usual number of trials, none more than ``trials`` for any other.
    """
    from uncertainties import umath

    from sheetlab.practical.affine import Independent

    numbers = numbers or Numbers(practical, observations)
    world = _Uncertain(numbers, umath, Independent)
    quantities = []
    for key, one in practical.derived.items():
        if one.table is None and numbers.value(key, None) is not None:
            value = world.value(key, None)
            deviation = _deviation(value)
            # a root at zero has no slope, and its value then no uncertainty that could be stated
            if value is not None and math.isfinite(deviation):
                quantities.append(
                    QuantityResult(key, one.title, one.symbol, _nominal(value), deviation)
                )
    found = {q.key: q for q in quantities}
    results = [result.quantity for result in practical.definition.results]
    leaves = {key: _leaves(world, key) for key in results if key in found}
    orders = {
        key: second_order(_model(practical, key), its_own, list(world.sources.values()))
        for key, its_own in leaves.items()
        if any(leaf.sensitivities for leaf in its_own.values())
    }
    uncertain = {
        key: its_own
        for key, its_own in leaves.items()
        if found[key].standard_uncertainty or _bends(orders, key)
    }
    if most_trials is None:
        most_trials = montecarlo.MOST_TRIALS if trials == montecarlo.TRIALS else trials
    propagated = _trials(world, uncertain, (trials, most_trials), seed, profile) if trials else {}
    left_out = _left_out(practical, observations)
    everything: tuple[ResultValue | None, ...] = ()
    if left_out:
        whole = observations.without(practical.reasons())
        everything = evaluate_practical(practical, whole, trials=0, profile=profile).results
    return Evaluation(
        practical=practical.definition.id,
        version=practical.definition.version,
        digest=practical.digest,
        values={
            key: tuple(v) if isinstance(v, list) else v
            for key in (*practical.inputs, *practical.derived)
            for v in (numbers.cells(key),)
        },
        quantities=tuple(quantities),
        lines=_lines(practical, numbers),
        curves=_curves(practical, numbers),
        results=tuple(
            _result(
                result,
                practical,
                world,
                found,
                propagated.get(result.quantity),
                orders.get(result.quantity),
                profile,
            )
            for result in practical.definition.results
        ),
        correlations={
            (a, b): _correlation(world, a, b)
            for i, a in enumerate(results)
            for b in results[i + 1 :]
            if a in found and b in found
            if found[a].standard_uncertainty and found[b].standard_uncertainty
        },
        profile=profile,
        left_out=left_out,
        with_every_row=everything,
    )


def _left_out(practical: Practical, observations: Observations) -> tuple[LeftOut, ...]:
    """Rows with a reason beside them and something typed in them."""
    found = []
    for key in practical.reasons():
        table = practical.inputs[key].table
        assert table is not None
        others = [k for k, one in practical.inputs.items() if one.table == table and k != key]
        for row in range(practical.inputs[key].rows):
            reason = observations.entry(key, row).text.strip()
            if len(reason) >= LEAST_REASON and any(
                observations.entry(k, row).value is not None for k in others
            ):
                found.append(LeftOut(table, row, reason))
    return tuple(found)


def _correlation(world: _Uncertain, a: str, b: str) -> float:
    """Correlation of two quantities by the sources that they share."""
    first, second = (world.sensitivities(world.value(key, None)) for key in (a, b))
    shared = math.fsum(
        first[key] * second[key] * world.sources[key].standard_uncertainty ** 2
        for key in first.keys() & second.keys()
    )
    return shared / (_deviation(world.value(a, None)) * _deviation(world.value(b, None)))


def _deviation(value: Value) -> float:
    return float(getattr(value, "std_dev", 0.0))


def _lines(practical: Practical, numbers: Numbers) -> dict[str, LineResult]:
    out = {}
    for key, line in practical.lines.items():
        found = _line(numbers, line)
        if found is None:
            continue
        fit, kept = found
        out[key] = LineResult(line, fit, tuple(row for pairs in kept for row, _, _ in pairs))
    return out


def refitted(numbers: Numbers, line: LineField) -> LineFit | None:
    """A line of a definition, fitted to other numbers; None if there is none."""
    found = _line(numbers, line)
    return None if found is None else found[0]


def _line(
    numbers: Numbers, line: LineField
) -> tuple[LineFit, list[list[tuple[int, float, float]]]] | None:
    try:
        columns = [numbers.column(column) for column in line.columns]
        return line_of(line.functions["slope"], columns)
    except ValueError:
        return None


def _curves(practical: Practical, numbers: Numbers) -> dict[str, CurveResult]:
    out = {}
    for key, curve in practical.curves.items():
        node = curve.parameters[0]
        columns = [numbers.column(column) for column in curve.columns]
        try:
            fit, rows = fit_curve(partial(on_curve, node), node.start, columns)
        except ValueError:
            continue
        x, y = ([float(column[i] or 0.0) for i in rows] for column in (columns[0], columns[-1]))
        out[key] = CurveResult(curve, fit, tuple(x), tuple(y), tuple(rows))
    return out


def _result(
    result: Result,
    practical: Practical,
    world: _Uncertain,
    found: Mapping[str, QuantityResult],
    propagated: Propagated | None,
    order: SecondOrder | None,
    profile: Profile,
) -> ResultValue | None:
    if result.quantity not in found:
        return None
    value = world.value(result.quantity, None)
    its = practical.derived[result.quantity]
    rows = world.rows_of_budget(value)
    more = 0.0
    if order is not None and not order.first_is_enough:
        more = order.more
        rows += [(_terms_of_second_order(order, its.unit), 1.0)] if more else []
    its_budget = budget(
        _nominal(value), rows, profile.coverage_probability, profile.coverage_factor
    )
    parts = _parts(its, world, profile.share_of_division, more)
    errors = [abs(p.sensitivity) * p.maximum_error for p in parts if p.maximum_error is not None]
    wanted = [p.key for p in parts if _maximum_error(practical, p.key) is not None]
    # a sum that lacks a term would be no maximum
    maximum = math.fsum(errors) if errors and len(errors) == len(wanted) else None
    stated, spread, statement = stated_by(profile, its.unit, its_budget, maximum)
    return ResultValue(
        definition=result,
        budget=its_budget,
        statement=statement,
        stated=stated,
        stated_uncertainty=spread,
        parts=parts,
        maximum_error=maximum,
        trials=propagated,
        second_order=order,
        validation=None
        if propagated is None
        else montecarlo.validate(its_budget, propagated, seed=propagated.seed),
        alternatives=tuple(found[key] for key in result.alternatives if key in found),
        accepted=_accepted(result, practical, world.numbers, its_budget),
    )


def stated_by(
    profile: Profile, its: Unit, found: Budget, maximum: float | None
) -> tuple[Literal["expanded", "standard", "maximum"], float, Statement | None]:
    """Which uncertainty a profile states, its size (SI), and the result with it in its unit.

    ``maximum``: the maximum error, SI; None if there is none. An uncertainty of zero is not stated.
    """
    stated: Literal["expanded", "standard", "maximum"] = "expanded"
    spread = found.expanded_uncertainty
    if profile.stated == "maximum" and maximum:
        stated, spread = "maximum", maximum
    elif profile.stated == "standard":
        stated, spread = "standard", found.standard_uncertainty
    if not spread:
        return stated, spread, None
    value, size = its.from_si(found.value), spread / its.factor
    statement = state(value, size, its.pretty, profile.digits, profile.decimal_mark)
    return stated, spread, statement


def _leaves(world: _Uncertain, key: str) -> dict[str, Affine]:
    """What the formula of a quantity is worked out from in the trials, to first order."""
    practical = world.practical
    found: dict[str, Affine] = {}
    seen: set[str] = set()

    def collect(name: str) -> None:
        if name in seen:
            return
        seen.add(name)
        one = practical.field(name)
        if isinstance(one, DerivedField) and not one.sources and not _has_statistic(one.node):
            for inner in names(one.node):
                collect(inner)
            return
        value = world.value(name, None)
        if value is not None:
            found[name] = Affine(_nominal(value), world.sensitivities(value))

    collect(key)
    return found


def _trials(
    world: _Uncertain,
    leaves: Mapping[str, Mapping[str, Affine]],
    trials: tuple[int, int],
    seed: int,
    profile: Profile,
) -> dict[str, Propagated]:
    """Trials for several results at once, on the same samples of their leaves.

    ``trials``: how many to begin with, and up to how many.
    """
    found = montecarlo.propagate(
        [_model(world.practical, key) for key in leaves],
        {name: leaf for its_own in leaves.values() for name, leaf in its_own.items()},
        list(world.sources.values()),
        trials[0],
        seed,
        profile.coverage_probability,
        trials[1],
    )
    return {key: one for key, one in zip(leaves, found, strict=True) if one is not None}


def _model(practical: Practical, key: str) -> Callable[[Mapping[str, Any]], Any]:
    """A quantity worked out from samples of its leaves."""
    import numpy as np

    return lambda samples: _Sampled(practical, samples, np).value(key, None)


def _bends(orders: Mapping[str, SecondOrder | None], key: str) -> bool:
    """Whether a quantity is uncertain to second order."""
    order = orders.get(key)
    return order is not None and order.second > 0.0


def _has_statistic(node: Node) -> bool:
    return any(
        isinstance(part, Fitted)
        or (isinstance(part, Call) and isinstance(FUNCTIONS[part.function], Aggregate))
        for part in walk(node)
    )


class _Sampled(Struct):
    """The environment of formulas over arrays of samples."""

    practical: Practical
    samples: Mapping[str, Any]
    library: ModuleType
    worked: dict[str, Any] = field(default_factory=dict)

    def value(self, key: str, row: int | None) -> Value:
        if key in self.samples:
            return self.samples[key]
        if key not in self.worked:
            one = self.practical.field(key)
            found = evaluate(one.node, self) if isinstance(one, DerivedField) else None
            self.worked[key] = found
        return self.worked[key]

    def columns(self, key: str) -> Sequence[str]:
        return self.practical.columns(key)

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> Value:
        raise AssertionError("statistics are leaves of the sampled model")


class _Independent(Struct):
    """The environment that gives sensitivities to the quantities of one formula."""

    values: Mapping[str, Any]
    world: _Uncertain
    library: Any

    def value(self, key: str, row: int | None) -> Value:
        return self.values.get(key)

    def columns(self, key: str) -> Sequence[str]:
        return self.world.columns(key)

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> Value:
        value = self.world.aggregate(rule, columns)
        return None if value is None else _nominal(value)


def _terms_of_second_order(order: SecondOrder, its: Unit) -> Source:
    return Source(
        "second order", "curvature of the formula: terms of second order", "B", "normal",
        order.more, order.dof, False, its.pretty, its.factor,
        "the formula is no straight line over the range of its sources (JCGM 100:2008, 5.1.2, "
        "note)",
    )  # fmt: skip


def _parts(
    one: DerivedField, world: _Uncertain, share_of_division: float, more: float
) -> tuple[Part, ...]:
    """Quantities in a formula; ``more``: what terms of second order add to its uncertainty."""
    practical = world.practical
    keys = [key for key in names(one.node) if practical.field(key).table is None]
    given = {key: world.value(key, None) for key in keys}
    apart = {
        key: world.make(_nominal(value), 1.0, key)
        for key, value in given.items()
        if value is not None
    }
    value = evaluate(one.node, _Independent(apart, world, world.library))
    slopes = getattr(value, "derivatives", {})
    by_key = {variable.tag: float(c) for variable, c in slopes.items() if math.isfinite(c)}
    squares = {key: (by_key.get(key, 0.0) * _deviation(given[key])) ** 2 for key in apart}
    total = math.fsum(squares.values()) + more**2
    parts = []
    for key in apart:
        formula = _maximum_error(practical, key)
        error = None if formula is None else evaluate(formula, world.numbers)
        parts.append(
            Part(
                key=key,
                value=_nominal(given[key]),
                standard_uncertainty=_deviation(given[key]),
                sensitivity=by_key.get(key, 0.0),
                share=squares[key] / total if total else 0.0,
                maximum_error=None if error is None else share_of_division * abs(error),
            )
        )
    return tuple(sorted(parts, key=lambda part: -part.share))


def _maximum_error(practical: Practical, key: str) -> Node | None:
    one = practical.field(key)
    return one.maximum_error if isinstance(one, DerivedField) else None


def _accepted(
    result: Result, practical: Practical, numbers: Numbers, its_budget: Budget
) -> AcceptedValue | None:
    chosen = ""
    if result.accepted_by:
        chosen = numbers.observations.entry(result.accepted_by).text
    for i, accepted in enumerate(result.accepted):
        if accepted.choice and accepted.choice != chosen:
            continue
        value: float | None = evaluate(practical.accepted[result.quantity, i], numbers)
        if not value:
            continue
        own, spread = its_budget.value, its_budget.expanded_uncertainty
        books = abs(value) * accepted.half_width
        return AcceptedValue(
            value=value,
            source=accepted.source,
            percent_difference=agreement.percent_difference(own, value),
            e_n=agreement.e_n(own, spread, value) if spread else None,
            verdict=agreement.verdict(own, spread, value, books) if spread else None,
            tolerance=accepted.half_width,
        )
    return None


__all__ = [
    "AcceptedValue",
    "Evaluation",
    "LineResult",
    "Numbers",
    "Part",
    "QuantityResult",
    "ResultValue",
    "evaluate_practical",
    "refitted",
]
