"""Values of a practical that know their sources of uncertainty. All in coherent SI units.

A source is a variable with estimate 0; a value knows its sensitivity to each. Two numbers that
share a source (one micrometer's zero, one batch of masses) are correlated by that alone: no
covariance is ever typed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.formula.functions import Aggregate
from sheetlab.formula.statistics import OF_GROUP, Scatter, Statistic, slope_alone
from sheetlab.formula.values import Value, evaluate, plain
from sheetlab.metrology.budget import DIVISORS, Source
from sheetlab.metrology.repeats import FEWEST_ALIKE, repeats, rounded, step_read
from sheetlab.metrology.together import MeanScatter, beside, deviations, of_result
from sheetlab.practical.fields import DerivedField, Field, InputField, SourceSpec
from sheetlab.practical.model import Practical
from sheetlab.practical.numbers import Numbers
from sheetlab.units import per_unit

CANCELLED = 1e-12
TOGETHER = (
    "the readings of a row were taken together, so that the means of their columns move together "
    "(JCGM 100:2008, 5.2.3)"
)
BESIDE = ", beside what moves with "
ROUNDING_LEFT = "what the scatter of the readings does not hold of their rounding"
POINTS = "more points, spread wider"
SCATTER = {
    "mean": ("scatter of the repeats: {0}", "more readings of “{0}”"),
    "level": ("scatter about the line: its height", POINTS),
    "slope": ("scatter about the line: its slope", POINTS),
    "halves": ("scatter of the differences", POINTS),
}
"""What a budget calls the scatter of a statistic, by its token, and what makes it smaller."""
Element = Mapping[str, float] | None
"""Sensitivities of an element of a column to its sources; None where it is missing."""
Readers = Mapping[str, Sequence[str]]
"""Sources of rounding, and the columns of readings that each belongs to."""


class Uncertain(Struct):
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
        """The practical whose values these are."""
        return self.numbers.practical

    def columns(self, key: str) -> Sequence[str]:
        """The columns behind a name."""
        return self.practical.columns(key)

    def value(self, key: str, row: int | None) -> Value:
        """A quantity, or the element of a column in a row."""
        place = (key, row)
        if place not in self.memory:
            self.memory[place] = self._worked_out(key, row)
        return self.memory[place]

    def _worked_out(self, key: str, row: int | None) -> Value:
        own = self.practical.field(key)
        if own.table is not None and not 0 <= (row or 0) < own.rows:
            return None
        value: Value = (
            self.numbers.value(key, row)
            if isinstance(own, InputField)
            else evaluate(own.node, self, row)
        )
        if value is None:
            return None
        for spec in own.sources:
            variable = self._variable(spec, own)
            if variable is not None:
                value = value + (variable * plain(value) if spec.relative else variable)
        return value

    def _variable(self, spec: SourceSpec, owner: Field) -> Any:
        if spec.key in self.variables:
            return self.variables[spec.key]
        half_width = self.numbers.half_width(spec)
        if not half_width:
            return None
        return self.add(
            Source(
                key=spec.key,
                label=spec.label,
                evaluation="B",
                distribution=spec.distribution,
                standard_uncertainty=abs(half_width) / DIVISORS[spec.distribution],
                relative=spec.relative,
                unit="" if spec.relative else owner.unit.pretty,
                unit_factor=1.0 if spec.relative else owner.unit.factor,
                note=spec.note,
                advice=spec.advice,
            )
        )

    def add(self, source: Source) -> Any:
        """The variable of a new source."""
        self.sources[source.key] = source
        self.variables[source.key] = self.make(0.0, source.standard_uncertainty, source.key)
        return self.variables[source.key]

    def sensitivities(self, value: Value) -> dict[str, float]:
        """Sensitivity of a value to each source by key."""
        parts = getattr(value, "derivatives", {})
        slopes = {v.tag: float(c) for v, c in parts.items() if c and math.isfinite(c)}
        sizes = {key: abs(c) * self.sources[key].standard_uncertainty for key, c in slopes.items()}
        # what cancels leaves a trace in the last bits, which is no uncertainty
        least = CANCELLED * max(sizes.values(), default=0.0)
        return {key: c for key, c in slopes.items() if sizes[key] > least}

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> Value:
        """A statistic of whole columns; None if it has too few values."""
        place = (rule.name, tuple(columns))
        if place not in self.statistics:
            self.statistics[place] = _statistic(self, rule, place[1])
        return self.statistics[place]


def deviation(value: Value) -> float:
    """Standard uncertainty of a value; 0 of a plain number."""
    return float(getattr(value, "std_dev", 0.0))


def rows_of_budget(world: Uncertain, value: Value) -> list[tuple[Source, float]]:
    """Sources of a value and its sensitivities; of means those that stand in it."""
    slopes = world.sensitivities(value)
    turned = []
    for means in world.means.values():
        if len(means) > 1:
            parts = {m.key: slopes.pop(_mean_key(m.key), 0.0) for m in means}
            kept = of_result(parts, means)
            before = [m for m, _ in kept]
            for k, (mean, c) in enumerate(kept):
                source = world.sources[_mean_key(mean.key)]
                turned.append((_own_part(world, source, mean, before[:k]), c))
    return [*((world.sources[key], c) for key, c in slopes.items()), *turned]


def _statistic(world: Uncertain, rule: Aggregate, columns: tuple[str, ...]) -> Value:
    elements = [
        [world.value(key, row) for row in range(world.practical.field(key).rows)] for key in columns
    ]
    numbers = [[None if v is None else plain(v) for v in column] for column in elements]
    parts: list[list[Element]] = [
        [None if v is None else world.sensitivities(v) for v in column] for column in elements
    ]
    own = [_own_rounding(world.practical, key) for key in columns]
    if rule.scatter in ("line", "stated"):
        # slopes of groups: the scatter of each is that of no other row, as rounding is
        for readers, elements_of in zip(own, parts, strict=True):
            keys = (key for element in elements_of for key in element or ())
            readers |= {key: () for key in keys if key.startswith(f"{OF_GROUP} ")}
    resolution = _resolution(world, parts[-1], own[-1])
    if rule.scatter == "line":
        # what the rounding of x does to y
        slope = slope_alone(numbers) or 0.0
        resolution = math.hypot(resolution, slope * _resolution(world, parts[0], own[0]))
    statistic = rule.rule(numbers, resolution)
    if statistic is None:
        return None
    # the scatter of a line has the rounding as its floor; stated uncertainties hold it
    in_scatter, rest = bool(statistic.scatter) and rule.scatter in ("line", "stated"), 0.0
    if rule.scatter == "repeats":
        count = sum(v is not None for v in numbers[0])
        in_scatter = bool(statistic.scatter) or count >= FEWEST_ALIKE
        if in_scatter:
            statistic, rest = _rounded_mean(world, statistic, parts[0], own[0])
    total = _propagated(statistic, parts, [{} if not in_scatter else readers for readers in own])
    if rest:
        total[_rounding_of_mean(world, columns[0], rest)] = 1.0
    for scatter in statistic.scatter:
        if scatter.uncertainty == 0.0:
            continue
        if rule.scatter == "repeats":
            total |= _scatter_of_mean(world, columns[0], numbers[0], scatter)
            continue
        key = f"{rule.family}({','.join(columns)})#{scatter.token}"
        if key not in world.variables:
            world.add(_scatter_source(world.practical, key, columns, scatter))
        total[key] = total.get(key, 0.0) + scatter.sensitivity
    if not total:
        return statistic.value
    # in one step: a sum term by term takes most of the time of an evaluation
    from sheetlab.practical.affine import combined

    return combined(statistic.value, {world.variables[key]: c for key, c in total.items()})


def _propagated(
    statistic: Statistic, parts: Sequence[Sequence[Element]], left_out: Sequence[Readers]
) -> dict[str, float]:
    """Sensitivities of a statistic to the sources of its elements.

    ``left_out``: for each column the rounding that is in the scatter already.
    """
    total: dict[str, float] = {}
    for column, gradient, rounding in zip(parts, statistic.gradients, left_out, strict=True):
        for element, weight in zip(column, gradient, strict=True):
            if not weight or element is None:
                continue
            for key, sensitivity in element.items():
                if key not in rounding:
                    total[key] = total.get(key, 0.0) + weight * sensitivity
    return {key: c for key, c in total.items() if c}


def _own_rounding(practical: Practical, key: str) -> dict[str, tuple[str, ...]]:
    """Rounding of the readings in a column, which its own scatter can show, with who reads.

    The rounding of a single value that all rows share, a zero error say, cannot.
    """
    column = practical.field(key)
    readers: dict[str, tuple[str, ...]] = {s.key: (key,) for s in column.sources if s.rounding}
    if isinstance(column, DerivedField):
        for inner in practical.depends(column.node):
            if practical.field(inner).table == column.table:
                for source, more in _own_rounding(practical, inner).items():
                    readers[source] = tuple(dict.fromkeys((*readers.get(source, ()), *more)))
    return readers


def _resolution(world: Uncertain, column: Sequence[Element], own: Readers) -> float:
    """Standard uncertainty of the rounding of one element of a column."""
    rows = [
        math.fsum(
            (c * world.sources[key].standard_uncertainty) ** 2
            for key, c in element.items()
            if key in own
        )
        for element in column
        if element is not None
    ]
    return math.sqrt(math.fsum(rows) / len(rows)) if rows else 0.0


def _rounded_mean(
    world: Uncertain, mean: Statistic, elements: Sequence[Element], own: Readers
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
            [v for row in rows if (v := world.numbers.value(reader, row)) is not None]
            for reader in readers
        ]
        columns = [column for column in columns if column]
        step = step_read(columns, 2.0 * world.sources[key].half_width)
        if not mean.scatter:
            # what cancels in every row says nothing of where the readings stand
            columns = [[column[0]] * len(column) for column in columns]
        each = [(rounded(column, step), repeats(column).deviation) for column in columns]
        shown += square * math.fsum(s**2 for _, s in each) / len(each)
        counted += square * math.fsum(r.deviation**2 for r, _ in each) / len(each)
        rest += square * (math.fsum(r.rest for r, _ in each) / len(each)) ** 2
    factor = math.sqrt(counted / shown) if shown and counted else 1.0
    scatter = tuple(replace(s, uncertainty=factor * s.uncertainty) for s in mean.scatter)
    return replace(mean, scatter=scatter), math.sqrt(rest)


def _rounding_of_mean(world: Uncertain, column: str, rest: float) -> str:
    """Key of the source of what is left of the rounding in a mean."""
    key, reading = f"mean({column})#rounding", world.practical.field(column)
    title = reading.title.lower()
    world.add(
        Source(
            key, f"rounding left in the mean: {title}", "B", "normal", rest,
            unit=reading.unit.pretty, unit_factor=reading.unit.factor, note=ROUNDING_LEFT,
            advice=f"more readings of “{title}”",
        )
    )  # fmt: skip
    return key


def _mean_key(column: str) -> str:
    """Key of the source of the scatter of a mean."""
    return f"mean({column})#mean"


def _scatter_of_mean(
    world: Uncertain, column: str, values: Sequence[float | None], scatter: Scatter
) -> dict[str, float]:
    """Sensitivities of a mean to its own scatter, and to that of means of the same rows."""
    table = world.practical.field(column).table or column
    simultaneous = world.practical.simultaneous(table)
    means = world.means.setdefault(table if simultaneous else column, [])
    mean = beside(column, deviations(values, scatter.uncertainty), means)
    slopes = {_mean_key(m.key): c for m, c in zip(means, mean.shares, strict=True) if c}
    if mean.uncertainty:
        key = _mean_key(column)
        source = _scatter_source(world.practical, key, (column,), scatter)
        if simultaneous:
            # in all means of the table one estimate of covariance
            source = replace(source, estimate=f"rows({table})")
        world.add(_own_part(world, source, mean, means))
        means.append(mean)
        slopes[key] = 1.0
    return slopes


def _own_part(
    world: Uncertain, source: Source, mean: MeanScatter, before: Sequence[MeanScatter]
) -> Source:
    """The source of the scatter of a mean, without what it has of means before it."""
    titles = [
        world.practical.field(m.key).title.lower()
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


def _scatter_source(
    practical: Practical, key: str, columns: tuple[str, ...], scatter: Scatter
) -> Source:
    last = practical.field(columns[-1])
    estimate, _, token = key.partition("#")
    family = estimate.partition("(")[0]
    factor, pretty = last.unit.factor, last.unit.pretty
    if family in practical.curves:
        parameter = practical.field(f"{family}.{token}")
        label, advice = f"scatter about the curve: {parameter.title.lower()}", POINTS
        factor, pretty = parameter.unit.factor, parameter.unit.pretty
    else:
        label, advice = (text.format(last.title.lower()) for text in SCATTER[token])
    if token in ("slope", "halves"):
        x = practical.field(columns[0]).unit
        factor, pretty = factor / x.factor, per_unit(last.unit, x)
    # of a mean its divisor divides the standard deviation of a reading
    spread = scatter.uncertainty * math.sqrt(scatter.dof + 1.0) if token == "mean" else 0.0
    return Source(
        key, label, "A", "t", scatter.uncertainty, scatter.dof, False, pretty, factor,
        estimate=estimate, advice=advice, spread=spread,
    )  # fmt: skip
