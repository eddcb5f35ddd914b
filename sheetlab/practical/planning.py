"""A plan before class: assumed inputs -> predicted budget, stress, load schedule. Pure.

The prediction is no formula of its own: benches with the assumed truths and noise are typed up
and evaluated by the code that evaluates workbooks, and their variances are averaged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from types import ModuleType

from sheetlab.finding import Finding, Severity, SheetlabError
from sheetlab.formula.functions import Aggregate
from sheetlab.formula.tree import names
from sheetlab.formula.values import evaluate
from sheetlab.metrology.budget import Budget, Source, budget
from sheetlab.metrology.statement import state
from sheetlab.practical.bench import no_bench
from sheetlab.practical.evaluate import Part, ResultValue, evaluate_practical
from sheetlab.practical.forward import (
    ROW,
    BenchError,
    Draws,
    Forward,
    ReadingField,
    Shown,
    TruthField,
    draw,
    scale_values,
    show,
    type_up,
)
from sheetlab.practical.model import InputField, Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.units import unit

BENCHES = 25
"""Virtual benches whose variances are averaged for the predicted budget."""
BENCHES_OF_EFFECTS = 6
LIMIT = 1.0 / 3.0
"""Usual greatest fraction of the breaking stress; a common rule of manuals."""
REFUSED = 0.5
"""Fraction of the breaking stress above which a plan needs a stated reason."""
YIELD_LIMIT = 0.5
LEAST_LOADS = 6
TOTAL_DIVISIONS = (50.0, 100.0)
"""Change of reading over all loads in divisions: at least, and better."""
STEP_DIVISIONS = (10.0, 20.0)
USUAL_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)
"""Steps that are tried where no masses are named, in the unit of the load column."""
STANDARD_GRAVITY = 9.80665
"""m/s²; 3rd General Conference on Weights and Measures (1901)."""
MOST = 1e12
"""Greatest size of a number in a setting."""
LONGER = (1.1, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0)


@dataclass(frozen=True, slots=True)
class Material:
    """What a wire is made of. Ranges from lowest to highest, in Pa."""

    name: str
    choice: str
    """Entry of the definition's list of materials; empty if it is in none."""
    young: tuple[float, float]
    breaking: tuple[float, float]
    yielding: tuple[float, float] | None
    """None if no yield stress with a source is known."""
    source: str
    confirmed: bool = True


@dataclass(frozen=True, slots=True)
class Gauge:
    """A gauge number; diameter in m."""

    name: str
    diameter: float
    source: str


@dataclass(frozen=True, slots=True)
class Masses:
    """So many equal masses, in the unit of the load column."""

    mass: float
    count: int


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked for; everything may be left to the definition."""

    settings: Mapping[str, str] = field(default_factory=dict)
    """By name: truths, inputs, parts of instruments and of readings; in their units."""
    material: str = ""
    gauge: str = ""
    masses: tuple[Masses, ...] = ()
    """Masses at hand, apart from the dead load; empty: any usual step."""
    limit: float = LIMIT
    reason: str = ""
    benches: int = BENCHES
    benches_of_effects: int = BENCHES_OF_EFFECTS


@dataclass(frozen=True, slots=True)
class Books:
    """Tables that a plan looks things up in."""

    materials: tuple[Material, ...]
    gauges: tuple[Gauge, ...]


@dataclass(frozen=True, slots=True)
class Assumption:
    """A number that the plan rests on, in its unit."""

    key: str
    title: str
    value: float
    unit: str
    given: bool
    """Whether it was set and is not the typical value of the definition."""


@dataclass(frozen=True, slots=True)
class ExpectedColumn:
    """What a column is expected to show, row by row, in its unit."""

    key: str
    title: str
    unit: str
    decimals: int | None
    values: tuple[float, ...]
    divisions: tuple[float, ...] | None
    """The same in divisions of its scale; None for marked values."""


@dataclass(frozen=True, slots=True)
class Effect:
    """What another number of rows and another step would do."""

    rows: int
    step: float
    """In the unit of the step; nan if there is no step."""
    relative: float | None
    """Expanded uncertainty as a fraction of the result; None if it could not be formed."""
    of_breaking: float | None
    """Greatest stress as a fraction of the least breaking stress."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A row of loads; SI units."""

    load: float
    stress: float
    of_breaking: float
    """Fraction of the lower end of the breaking stress."""
    of_yield: float | None


@dataclass(frozen=True, slots=True)
class Schedule:
    """Loads that are recommended; ``step`` in the unit of the load column."""

    loads: int
    """Number of loads, the first one is the dead load alone."""
    step: float
    total_divisions: float
    comfortable: bool
    """It reaches the better of the two numbers of divisions everywhere."""


@dataclass(frozen=True, slots=True)
class StressPlan:
    """What the loads do to what they hang on."""

    material: Material
    gauge: Gauge | None
    limit: float
    unit: str
    """Unit of the loads."""
    dead_load: float
    """SI."""
    rows: tuple[Loaded, ...]
    schedule: Schedule | None
    followed: bool
    """The planned loads are those of the schedule."""
    advice: tuple[str, ...]
    warnings: tuple[Finding, ...]
    refusal: Finding | None
    """Why the loads are not accepted; None also where a reason was given."""
    reason: str

    @property
    def greatest(self) -> Loaded:
        """The row with the greatest stress."""
        return max(self.rows, key=lambda one: one.stress)


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan; frozen data."""

    practical: Practical
    """With the assumptions in place of ranges."""
    assumptions: tuple[Assumption, ...]
    table: str
    rows: int
    expected: tuple[ExpectedColumn, ...]
    result: ResultValue
    """Predicted; the budget averages the variances of many benches."""
    step_title: str
    step_unit: str
    effects: tuple[Effect, ...]
    stress: StressPlan | None


def plan(practical: Practical, request: Request, books: Books) -> Plan:
    """Plan a practical.

    Raises
    ------
    SheetlabError
        If the definition has no bench, or a setting, material or gauge cannot be used.
    """
    if practical.forward is None:
        raise SheetlabError(no_bench(practical))
    if not 0.0 < request.limit <= REFUSED:
        raise SheetlabError(_refused("the limit", f"{request.limit:g}", f"up to {REFUSED:g}"))
    try:
        return _Planner(practical, request, books).plan()
    except (BenchError, ArithmeticError, ValueError) as error:
        raise SheetlabError(
            _refused("the assumptions", str(error), "assumptions that readings can come of")
        ) from error


# -- assumptions ---------------------------------------------------------------------------------


def _refused(what: str, found: str, expected: str) -> Finding:
    return Finding(
        "setting-refused",
        Severity.STOP,
        f"{what}: {found}",
        expected,
        "Correct it and plan again; nothing was written.",
    )


def typical(truth: TruthField) -> float:
    """The middle of a truth's range, in its unit; of whole steps the lower middle one."""
    if not truth.step:
        return 0.5 * (truth.low + truth.high)
    last = math.floor((truth.high - truth.low) / truth.step + 1e-9)
    return truth.low + truth.step * (last // 2)


@dataclass(slots=True)
class _Settings:
    """Puts settings in the place of the typical values of a bench."""

    practical: Practical
    rows: dict[str, int] = field(default_factory=dict)
    given: set[str] = field(default_factory=set)

    @property
    def forward(self) -> Forward:
        assert self.practical.forward is not None
        return self.practical.forward

    def change(self, forward: Forward) -> None:
        self.practical = replace(self.practical, forward=forward)

    def begin(self) -> None:
        forward = self.forward
        self.rows = {table: (low + high) // 2 for table, (low, high) in forward.rows.items()}
        self.change(
            replace(
                forward,
                truths=tuple(
                    one
                    if one.node is not None
                    else replace(one, low=typical(one), high=typical(one), step=0.0)
                    for one in forward.truths
                ),
                scales={
                    key: replace(one, zero=(0.5 * sum(one.zero),) * 2)
                    for key, one in forward.scales.items()
                },
            )
        )

    def names(self) -> list[str]:
        forward = self.forward
        found = [one.key for one in forward.truths]
        found += [one.field.key for one in forward.inputs]
        found += [k for k, one in self.practical.inputs.items() if one.default is not None]
        for key, scale in forward.scales.items():
            found += [f"{key}.{name}" for name in scale.parameters]
            found += [f"{key}.zero", f"{key}.zero_noise"] if scale.zero_table else []
        for reading in forward.readings:
            found += [f"{reading.column}.{name}" for name in ("noise", "place_noise")]
            found += [f"{reading.column}.{n}" for n in ("start", "step") if reading.node is None]
        found += [f"{table}.rows" for table in forward.rows]
        return list(dict.fromkeys(found))

    def put(self, name: str, text: str) -> None:
        if name not in self.names():
            raise SheetlabError(
                _refused(f"“{name}”", "there is nothing of this name", ", ".join(self.names()))
            )
        self.given.add(name)
        if any(one.key == name for one in self.forward.truths):
            self.truth(name, self.number(name, text))
        elif any(one.field.key == name for one in self.forward.inputs):
            self.input(name, text)
        elif name in self.practical.inputs:
            self.default(name, self.number(name, text))
        else:
            owner, _, part = name.rpartition(".")
            if part == "rows":
                self.table(owner, self.number(name, text))
            elif owner in self.forward.scales:
                self.scale(owner, part, self.number(name, text))
            else:
                self.reading(owner, part, self.number(name, text))

    def number(self, name: str, text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not abs(value) <= MOST:
            raise SheetlabError(_refused(f"“{name}”", f"“{text}” is no number", "a number"))
        return value

    def within(self, name: str, value: float, low: float | None, high: float | None) -> None:
        if (low is not None and value < low) or (high is not None and value > high):
            ends = ("any" if end is None else f"{end:g}" for end in (low, high))
            raise SheetlabError(_refused(f"“{name}”", f"{value:g}", " to ".join(ends)))

    def truth(self, name: str, value: float) -> None:
        typed = self.practical.inputs.get(name)
        if typed is not None:
            self.within(name, value, typed.minimum, typed.maximum)
        worked = self.practical.derived.get(name)
        if worked is not None and worked.plausible is not None:
            truth = next(one for one in self.forward.truths if one.key == name)
            self.within(name, worked.unit.from_si(truth.unit.to_si(value)), *worked.plausible)
        truths = tuple(
            replace(one, low=value, high=value, step=0.0, node=None) if one.key == name else one
            for one in self.forward.truths
        )
        self.change(replace(self.forward, truths=truths))

    def input(self, name: str, text: str) -> None:
        from sheetlab.formula.tree import Number

        its = self.practical.inputs[name]
        if its.kind == "choice" and text not in its.choices:
            expected = ", ".join(its.choices)
            raise SheetlabError(_refused(f"“{name}”", f"“{text}” is not a choice", expected))
        node = None
        if its.kind == "number":
            value = self.number(name, text)
            self.within(name, value, its.minimum, its.maximum)
            node = Number(its.unit.to_si(value))
        inputs = tuple(
            replace(one, node=node, text=text) if one.field.key == name else one
            for one in self.forward.inputs
        )
        self.change(replace(self.forward, inputs=inputs))

    def default(self, name: str, value: float) -> None:
        its = self.practical.inputs[name]
        self.within(name, value, its.minimum, its.maximum)
        inputs = {**self.practical.inputs, name: replace(its, default=value)}
        self.practical = replace(self.practical, inputs=inputs)

    def scale(self, key: str, part: str, value: float) -> None:
        scale = self.forward.scales[key]
        if part == "zero":
            made = replace(scale, zero=(value, value))
        elif part == "zero_noise":
            self.within(f"{key}.{part}", value, 0.0, None)
            made = replace(scale, zero_noise=value)
        else:
            its = next(p for p in scale.kind.parameters if p.id == part)
            self.within(f"{key}.{part}", value, max(its.minimum, 1e-9), its.maximum)
            if its.decimals == 0 and value != round(value):
                raise SheetlabError(_refused(f"“{key}.{part}”", f"{value:g}", "a whole number"))
            parameters = {**scale.parameters, part: value}
            values = scale_values(scale.kind, parameters)
            made = replace(scale, parameters=parameters, values=values)
        self.change(replace(self.forward, scales={**self.forward.scales, key: made}))

    def reading(self, column: str, part: str, value: float) -> None:
        if part in ("noise", "place_noise"):
            self.within(f"{column}.{part}", value, 0.0, None)
        readings = tuple(
            replace(one, **{part: value}) if one.column == column else one
            for one in self.forward.readings
        )
        self.change(replace(self.forward, readings=readings))

    def table(self, table: str, value: float) -> None:
        least = next(t for t in self.practical.definition.tables if t.id == table).minimum_rows
        self.within(f"{table}.rows", value, max(1, least), self.practical.tables[table])
        if value != round(value):
            raise SheetlabError(_refused(f"“{table}.rows”", f"{value:g}", "a whole number"))
        self.rows[table] = round(value)


# -- what is expected ----------------------------------------------------------------------------


def quiet(practical: Practical, rows: Mapping[str, int]) -> Shown:
    """What the scales show without any noise.

    Raises
    ------
    BenchError
        If a formula gives no number.
    """
    draws = draw(practical, 0, rows=rows)
    return show(practical, _silent(draws))


def _silent(draws: Draws) -> Draws:
    return replace(draws, noise={key: [0.0] * len(row) for key, row in draws.noise.items()})


@dataclass(slots=True)
class _Expected:
    """The environment of formulas over true values, of which the formulas' names are worked out."""

    shown: Shown
    loads: Mapping[str, float] = field(default_factory=dict)
    """Numbers in the place of columns, SI units."""
    library: ModuleType = math

    def value(self, key: str, row: int | None) -> float | None:
        practical = self.shown.practical
        if key in self.loads:
            return self.loads[key]
        if key in self.shown.draws.truths:
            return self.shown.draws.truths[key]
        for one in self.shown.forward.readings:
            if key in one.keys:
                column = self.shown.true[one.column]
                return column[row] if row is not None and row < len(column) else None
        its = practical.field(key)
        if not isinstance(its, InputField):
            found: float | None = evaluate(its.node, self, row)
            return found
        single = self.shown.singles.get(key, its.default)
        return its.unit.to_si(single) if isinstance(single, float | int) else None

    def columns(self, key: str) -> Sequence[str]:
        return self.shown.practical.columns(key)

    def aggregate(self, rule: Aggregate, columns: Sequence[str]) -> float | None:
        rows = [range(self.shown.practical.field(key).rows) for key in columns]
        values = [
            [self.value(key, row) for row in its] for key, its in zip(columns, rows, strict=True)
        ]
        found = rule.rule(values, 0.0)
        return None if found is None else found.value


def stress_at(shown: Shown, load: float) -> float:
    """Stress under a load of the load column, Pa.

    Parameters
    ----------
    load
        SI units, without the dead load.

    Raises
    ------
    BenchError
        If the formula gives no number.
    """
    stress = shown.practical.stress
    assert stress is not None
    found = evaluate(stress.node, _Expected(shown, {stress.column: load}), 0)
    if found is None or not math.isfinite(found):
        raise BenchError("the formula of the stress gives no number")
    return float(found)


@dataclass(frozen=True, slots=True)
class _Step:
    """What sets the step from row to row: a truth, or a reading with a step."""

    name: str
    title: str
    unit: str
    value: float


def _step_of(practical: Practical, table: str) -> _Step | None:
    forward = practical.forward
    assert forward is not None
    truths = {one.key: one for one in forward.truths if one.node is None}
    for one in forward.readings:
        if one.table != table:
            continue
        title = practical.field(one.keys[0]).title
        if one.node is None and one.step:
            return _Step(f"{one.column}.step", f"step of {title}", one.unit.pretty, one.step)
        used = names(one.node) if one.node is not None else ()
        if ROW in used:
            for key in used:
                if key in truths:
                    truth = truths[key]
                    return _Step(key, f"step of {title}", truth.unit.pretty, truth.low)
    return None


def _main_table(practical: Practical) -> str:
    """Table of the first line, or the first that is read."""
    forward = practical.forward
    assert forward is not None
    for line in practical.lines.values():
        table = practical.field(line.x).table
        if table in forward.rows:
            return str(table)
    return forward.readings[0].table


def _expected(practical: Practical, rows: Mapping[str, int], table: str) -> list[ExpectedColumn]:
    shown = quiet(practical, rows)
    found = []
    for one in shown.forward.readings:
        if one.table != table:
            continue
        key = one.keys[0]
        values = tuple(one.unit.from_si(v) for v in shown.seen[key])
        count = _divisions(shown, one)
        found.append(
            ExpectedColumn(
                key,
                practical.field(key).title,
                one.unit.pretty,
                practical.field(key).decimals,
                values,
                None if count is None else tuple(v / count for v in shown.seen[key]),
            )
        )
    return found


def _divisions(shown: Shown, one: ReadingField) -> float | None:
    """One division of a reading's scale, SI units; None if it has none."""
    if not one.rounded:
        return None
    scale = shown.forward.scales[one.scale]
    return scale.values["least_count"] * scale.unit.factor


# -- the predicted budget ------------------------------------------------------------------------


def predict(practical: Practical, rows: Mapping[str, int], benches: int) -> ResultValue:
    """The first result as it will be stated, its variances averaged over virtual benches.

    Raises
    ------
    BenchError
        If readings cannot be formed, or no result of them.
    """
    found = []
    for seed in range(benches):
        cells = type_up(show(practical, draw(practical, seed, rows=rows)))
        one = evaluate_practical(practical, as_cells_show(practical, cells), trials=0).measurand
        if one is not None and one.budget.standard_uncertainty:
            found.append(one)
    if not found:
        raise BenchError("no result with an uncertainty comes of these assumptions")
    averaged = _averaged([one.budget for one in found])
    first = min(
        found,
        key=lambda r: abs(r.budget.standard_uncertainty - averaged.standard_uncertainty),
    )
    its = practical.derived[first.definition.quantity].unit
    spread = averaged.expanded_uncertainty
    return replace(
        first,
        budget=averaged,
        parts=_averaged_parts([one.parts for one in found]),
        statement=state(its.from_si(averaged.value), spread / its.factor, its.pretty),
        stated="expanded",
        stated_uncertainty=spread,
    )


def _averaged(budgets: Sequence[Budget]) -> Budget:
    """A budget with the mean variance of every source."""
    sources: dict[str, Source] = {}
    squares: dict[str, list[float]] = {}
    sensitivities: dict[str, list[float]] = {}
    for one in budgets:
        for row in one.rows:
            sources.setdefault(row.source.key, row.source)
            squares.setdefault(row.source.key, []).append(row.contribution**2)
            sensitivities.setdefault(row.source.key, []).append(abs(row.sensitivity))
    rows = []
    for key, source in sources.items():
        contribution = math.sqrt(math.fsum(squares[key]) / len(budgets))
        sensitivity = math.fsum(sensitivities[key]) / len(sensitivities[key])
        if contribution and sensitivity:
            spread = replace(source, standard_uncertainty=contribution / sensitivity)
            rows.append((spread, sensitivity))
    value = math.fsum(one.value for one in budgets) / len(budgets)
    return budget(value, rows)


def _averaged_parts(benches: Sequence[Sequence[Part]]) -> tuple[Part, ...]:
    by_key: dict[str, list[Part]] = {}
    for parts in benches:
        for part in parts:
            by_key.setdefault(part.key, []).append(part)
    squares = {
        key: math.fsum((p.sensitivity * p.standard_uncertainty) ** 2 for p in parts)
        for key, parts in by_key.items()
    }
    total = math.fsum(squares.values())
    averaged = [
        replace(
            parts[0],
            standard_uncertainty=math.sqrt(
                math.fsum(p.standard_uncertainty**2 for p in parts) / len(parts)
            ),
            share=squares[key] / total if total else 0.0,
        )
        for key, parts in by_key.items()
    ]
    return tuple(sorted(averaged, key=lambda part: -part.share))


# -- loads ---------------------------------------------------------------------------------------


def divided(masses: Sequence[Masses], step: float, groups: int) -> bool:
    """Whether masses can be laid together to so many equal steps.

    Looked for by always taking the heaviest masses that still fit into a step; a division that
    is found exists, one that needs another order may be missed.

    Parameters
    ----------
    step
        In the unit of the masses.
    """
    left = {one.mass: 0 for one in masses}
    for one in masses:
        left[one.mass] += one.count
    sizes = sorted(left, reverse=True)
    for _ in range(groups):
        rest = step
        for size in sizes:
            many = min(left[size], math.floor(rest / size * (1.0 + 1e-9) + 1e-9))
            left[size] -= many
            rest -= many * size
        if rest > 1e-9 * step:
            return False
    return True


def steps_of(masses: Sequence[Masses]) -> list[float]:
    """Steps that can be laid of masses: whole numbers of each, and sums of two kinds."""
    if not masses:
        return list(USUAL_STEPS)
    multiples = {one.mass: range(min(one.count, 20) + 1) for one in masses}
    sizes = list(multiples)
    found = {0.0}
    for i, size in enumerate(sizes):
        for other in sizes[i:]:
            found |= {
                float(f"{a * size + b * other:.9g}")
                for a in multiples[size]
                for b in (multiples[other] if other != size else (0,))
            }
    return sorted(found - {0.0})


def best_schedule(
    masses: Sequence[Masses],
    most_loads: int,
    allowed: Callable[[float], bool],
    divisions: Callable[[float], float],
) -> Schedule | None:
    """The schedule with the best line: an even number of loads, within limits and masses.

    The variance of a slope falls as step² n (n² - 1); of the schedules that reach the better
    numbers of divisions, or else of those that reach the least ones, the one with the most of
    it is taken.

    Parameters
    ----------
    most_loads
        Rows of the table.
    allowed
        Whether a load (unit of the masses, above the dead load) is within the limits.
    divisions
        Change of reading under a load, in divisions.
    """
    found: list[tuple[bool, float, Schedule]] = []
    for step in steps_of(masses):
        each = divisions(step)
        if not each >= STEP_DIVISIONS[0]:
            continue
        for loads in range(LEAST_LOADS, most_loads + 1, 2):
            load = (loads - 1) * step
            if not allowed(load) or (masses and not divided(masses, step, loads - 1)):
                break
            total = divisions(load)
            if not total >= TOTAL_DIVISIONS[0]:
                continue
            good = each >= STEP_DIVISIONS[1] and total >= TOTAL_DIVISIONS[1]
            merit = step * step * loads * (loads * loads - 1)
            found.append((good, merit, Schedule(loads, step, total, good)))
    return max(found, key=lambda one: one[:2])[2] if found else None


# -- planning ------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Planner:
    asked: Practical
    request: Request
    books: Books
    gauge: Gauge | None = None
    material: Material | None = None

    def plan(self) -> Plan:
        settings = self.settings()
        practical = settings.practical
        table = _main_table(practical)
        step = _step_of(practical, table)
        stress = None
        if practical.stress is not None:
            stress = self.loads(settings, table, step)
            practical = settings.practical
            step = _step_of(practical, table)
        rows = settings.rows
        if stress is not None and stress.refusal is not None:
            benches, effects_benches = 1, 0
        else:
            benches, effects_benches = self.request.benches, self.request.benches_of_effects
        return Plan(
            practical=practical,
            assumptions=tuple(self.assumptions(settings)),
            table=table,
            rows=rows[table],
            expected=tuple(_expected(practical, rows, table)),
            result=predict(practical, rows, benches),
            step_title="" if step is None else step.title,
            step_unit="" if step is None else step.unit,
            effects=tuple(self.effects(settings, table, step, effects_benches)),
            stress=stress,
        )

    def settings(self) -> _Settings:
        made = _Settings(self.asked)
        made.begin()
        stress = self.asked.stress
        if stress is None:
            for what, text in (("material", self.request.material), ("gauge", self.request.gauge)):
                if text:
                    raise SheetlabError(
                        _refused(f"the {what} “{text}”", "nothing is loaded here", "no such option")
                    )
        else:
            self.material = self.find_material(made)
            if self.request.material:
                self.use_material(made, self.material)
            if self.request.gauge:
                self.gauge = self.find_gauge()
                self.use_gauge(made, self.gauge)
        for name, text in self.request.settings.items():
            made.put(name, text)
        return made

    def find_material(self, settings: _Settings) -> Material:
        """The material by its name; by its choice the weakest one."""
        stress = self.asked.stress
        assert stress is not None
        wanted = self.request.material
        if not wanted:
            typed = next(
                (i for i in settings.forward.inputs if i.field.key == stress.material), None
            )
            wanted = self.request.settings.get(stress.material, "" if typed is None else typed.text)
        named = [one for one in self.books.materials if one.name == wanted]
        named = named or [one for one in self.books.materials if one.choice == wanted != ""]
        if not named:
            raise SheetlabError(
                Finding(
                    "no-such-material",
                    Severity.STOP,
                    f"there is no material “{wanted}” with a breaking stress",
                    "; ".join(one.name for one in self.books.materials),
                    "Choose one, or give a file of your own with --materials.",
                )
            )
        return min(named, key=lambda one: one.breaking[0])

    def use_material(self, settings: _Settings, material: Material) -> None:
        stress = self.asked.stress
        assert stress is not None
        choices = self.asked.inputs[stress.material].choices
        choice = material.choice if material.choice in choices else choices[-1]
        if any(one.field.key == stress.material for one in settings.forward.inputs):
            settings.input(stress.material, choice)
        if stress.modulus:
            truth = next(t for t in settings.forward.truths if t.key == stress.modulus)
            settings.truth(stress.modulus, truth.unit.from_si(0.5 * sum(material.young)))
            settings.given.add(stress.modulus)

    def find_gauge(self) -> Gauge:
        wanted = " ".join(self.request.gauge.upper().split())
        found = next((one for one in self.books.gauges if one.name == wanted), None)
        if found is None:
            raise SheetlabError(
                Finding(
                    "no-such-gauge",
                    Severity.STOP,
                    f"there is no gauge “{self.request.gauge}”",
                    f"{self.books.gauges[0].name} to {self.books.gauges[-1].name}"
                    if self.books.gauges
                    else "a table of gauges",
                    "Write it like “SWG 26” or “AWG 26”, or set the diameter.",
                )
            )
        return found

    def use_gauge(self, settings: _Settings, gauge: Gauge) -> None:
        stress = self.asked.stress
        assert stress is not None
        if not stress.diameter:
            raise SheetlabError(
                _refused("the gauge", "the definition has no diameter for it", "no such option")
            )
        truth = next(t for t in settings.forward.truths if t.key == stress.diameter)
        settings.truth(stress.diameter, truth.unit.from_si(gauge.diameter))
        settings.given.add(stress.diameter)

    def assumptions(self, settings: _Settings) -> Iterator[Assumption]:
        practical = settings.practical
        shown = quiet(practical, settings.rows)
        for truth in shown.forward.truths:
            its = practical.inputs.get(truth.key) or practical.derived.get(truth.key)
            if truth.key not in settings.given and (its is None or truth.node is not None):
                continue
            yield Assumption(
                truth.key,
                truth.key if its is None else its.title,
                truth.unit.from_si(shown.draws.truths[truth.key]),
                truth.unit.pretty,
                truth.key in settings.given,
            )
        for one in shown.forward.readings:
            for part in ("noise", "place_noise"):
                size = getattr(one, part)
                name = f"{one.column}.{part}"
                if size or name in settings.given:
                    what = "scatter" if part == "noise" else "scatter from row to row"
                    title = f"{what}: {practical.owner(one.column)}, {self.title(one)}"
                    yield Assumption(name, title, size, one.unit.pretty, name in settings.given)
        for key, scale in shown.forward.scales.items():
            if "least_count" in scale.values:
                parts = {f"{key}.{name}" for name in scale.parameters}
                yield Assumption(
                    f"{key}.least_count",
                    f"least count: {practical.owner(key)}",
                    scale.values["least_count"],
                    scale.unit.pretty,
                    bool(parts & settings.given),
                )
            limit = practical.inputs.get(f"{key}.limit")
            if limit is not None and limit.default is not None:
                yield Assumption(
                    limit.key,
                    f"{limit.title}: {practical.owner(key)}",
                    limit.default,
                    limit.unit.pretty,
                    limit.key in settings.given,
                )

    def title(self, one: ReadingField) -> str:
        return self.asked.field(one.keys[0]).title

    # -- loads

    def loads(self, settings: _Settings, table: str, step: _Step | None) -> StressPlan:
        practical, material = settings.practical, self.material
        stress = practical.stress
        assert stress is not None
        assert material is not None
        chosen = {f"{table}.rows", *([step.name] if step else [])} & settings.given
        schedule = self.schedule(settings, table, step, material)
        followed = schedule is not None and not chosen
        if schedule is not None and followed:
            assert step is not None
            settings.rows[table] = schedule.loads
            self.use_step(settings, step.name, schedule.step)
            practical = settings.practical
        shown = quiet(practical, settings.rows)
        column = next(r for r in shown.forward.readings if stress.column in r.keys)
        rows = []
        for load in shown.true[column.column]:
            size = stress_at(shown, load)
            least = material.yielding
            rows.append(
                Loaded(
                    load,
                    size,
                    size / material.breaking[0],
                    None if least is None else size / least[0],
                )
            )
        greatest = max(rows, key=lambda one: one.stress)
        dead = shown.draws.truths.get(stress.dead_load, 0.0)
        advice: tuple[str, ...] = ()
        if schedule is None:
            advice = tuple(self.advice(settings, table, step, material))
        return StressPlan(
            material=material,
            gauge=self.gauge,
            limit=self.request.limit,
            unit=column.unit.text,
            dead_load=dead,
            rows=tuple(rows),
            schedule=schedule,
            followed=followed,
            advice=advice,
            warnings=tuple(self.warnings(material, greatest)),
            refusal=self.refusal(material, greatest, schedule, advice, column.unit.pretty),
            reason=self.request.reason.strip(),
        )

    def use_step(self, settings: _Settings, name: str, value: float) -> None:
        """Set the step, without taking it for a wish of the user."""
        before = set(settings.given)
        settings.put(name, repr(value))
        settings.given.clear()
        settings.given.update(before)

    def schedule(
        self, settings: _Settings, table: str, step: _Step | None, material: Material,
        masses: tuple[Masses, ...] | None = None,
    ) -> Schedule | None:  # fmt: skip
        """The recommended loads; None if none fits, or if steps cannot be set."""
        stress = settings.practical.stress
        assert stress is not None
        if step is None or not practical_steps(settings.practical, table, step.name):
            return None
        its = settings.practical.inputs[stress.column].unit
        shown = quiet(settings.practical, settings.rows)
        line = next(
            (one for one in settings.practical.lines.values() if _in_table(settings, one.x, table)),
            None,
        )
        read = [r for r in shown.forward.readings if r.table == table and r.rounded]
        if line is not None:
            read = [r for r in read if set(r.keys) & set(line.y)] or read
        if not read:
            return None
        most = material.breaking[0] * self.request.limit
        if material.yielding is not None:
            most = min(most, YIELD_LIMIT * material.yielding[0])

        @cache
        def allowed(load: float) -> bool:
            return stress_at(shown, its.to_si(load)) <= most * (1.0 + 1e-12)

        @cache
        def divisions(load: float) -> float:
            trial = _Settings(settings.practical, {**settings.rows, table: 2})
            self.use_step(trial, step.name, load)
            seen = quiet(trial.practical, trial.rows)
            first, second = seen.seen[read[0].keys[0]][:2]
            return abs(second - first) / (_divisions(seen, read[0]) or math.inf)

        if masses is None:
            masses = self.request.masses
        return best_schedule(masses, settings.practical.tables[table], allowed, divisions)

    def advice(
        self, settings: _Settings, table: str, step: _Step | None, material: Material
    ) -> Iterator[str]:
        """Which of masses, gauge, length or material makes a schedule possible, alone."""
        stress = settings.practical.stress
        assert stress is not None
        yield (
            f"No schedule of {LEAST_LOADS} or more loads reaches {TOTAL_DIVISIONS[0]:.0f} divisions "
            f"in steps of {STEP_DIVISIONS[0]:.0f} or more within the limits."
        )
        if step is None:
            return
        found = []
        unit_text = settings.practical.inputs[stress.column].unit.pretty

        def told(what: str, one: Schedule) -> str:
            return f"{what}: then {one.loads} loads in steps of {one.step:g} {unit_text} fit."

        if self.request.masses:
            other = self.schedule(settings, table, step, material, ())
            if other is not None:
                found.append(told("Other masses", other))
        if stress.diameter:
            found += self.other_gauge(settings, table, step, material, told)
        if stress.length:
            found += self.longer(settings, table, step, material, told)
        for one in sorted(self.books.materials, key=lambda m: m.breaking[0]):
            trial = _Settings(settings.practical, dict(settings.rows))
            try:
                self.use_material(trial, one)
                other = self.schedule(trial, table, step, one)
            except (SheetlabError, BenchError):
                continue
            if other is not None:
                found.append(told(f"Material: {one.name}", other))
                break
        yield from found or ["No change of masses, gauge, length or material alone is enough."]

    def other_gauge(
        self, settings: _Settings, table: str, step: _Step, material: Material,
        told: Callable[[str, Schedule], str],
    ) -> list[str]:  # fmt: skip
        stress = settings.practical.stress
        assert stress is not None
        here = quiet(settings.practical, settings.rows).draws.truths[stress.diameter]
        near = sorted(self.books.gauges, key=lambda one: abs(math.log(one.diameter / here)))
        for gauge in near[:40]:
            trial = _Settings(settings.practical, dict(settings.rows))
            try:
                self.use_gauge(trial, gauge)
                other = self.schedule(trial, table, step, material)
            except (SheetlabError, BenchError):
                continue
            if other is not None:
                what = f"Gauge: {gauge.name} ({1000 * gauge.diameter:.3f} mm)"
                return [told(what, other)]
        return []

    def longer(
        self, settings: _Settings, table: str, step: _Step, material: Material,
        told: Callable[[str, Schedule], str],
    ) -> list[str]:  # fmt: skip
        stress = settings.practical.stress
        assert stress is not None
        truth = next(t for t in settings.forward.truths if t.key == stress.length)
        here = truth.unit.from_si(
            quiet(settings.practical, settings.rows).draws.truths[stress.length]
        )
        for factor in LONGER:
            trial = _Settings(settings.practical, dict(settings.rows))
            length = float(f"{here * factor:.3g}")
            try:
                trial.truth(stress.length, length)
                other = self.schedule(trial, table, step, material)
            except (SheetlabError, BenchError):
                continue
            if other is not None:
                return [told(f"Length: {length:g} {truth.unit.pretty}", other)]
        return []

    def warnings(self, material: Material, greatest: Loaded) -> Iterator[Finding]:
        if not material.confirmed:
            yield Finding(
                "material-unconfirmed",
                Severity.DOUBTFUL,
                f"the strength of “{material.name}” is from memory and not confirmed",
                "a breaking stress with a source",
                "Ask the supplier, or break a piece of the same reel in a guarded test.",
            )
        if material.yielding is None:
            yield Finding(
                "no-yield-stress",
                Severity.NOTE,
                f"no yield stress with a source is known for “{material.name}”",
                "a yield stress",
                "Give one in a file with --materials; watch whether the wire comes back.",
            )
        if greatest.of_breaking > self.request.limit * (1.0 + 1e-9):
            yield Finding(
                "load-high",
                Severity.DOUBTFUL,
                f"the greatest load brings the wire to {_percent(greatest.of_breaking)} of the "
                "least breaking stress",
                f"{_percent(self.request.limit)} at most",
                "Take fewer or smaller masses, or another wire.",
            )
        if greatest.of_yield is not None and greatest.of_yield > YIELD_LIMIT * (1.0 + 1e-9):
            yield Finding(
                "load-near-yield",
                Severity.DOUBTFUL,
                f"the greatest load brings the wire to {_percent(greatest.of_yield)} of the least "
                "yield stress",
                f"{_percent(YIELD_LIMIT)} at most, so that the wire comes back",
                "Take fewer or smaller masses, or another wire.",
            )

    def refusal(
        self, material: Material, greatest: Loaded, schedule: Schedule | None,
        advice: Sequence[str], load_unit: str,
    ) -> Finding | None:  # fmt: skip
        if greatest.of_breaking <= REFUSED or self.request.reason.strip():
            return None
        remedy = " ".join(advice)
        if schedule is not None:
            remedy = (
                f"Within the limits are {schedule.loads} loads in steps of {schedule.step:g} "
                f"{load_unit}."
            )
        return Finding(
            "load-refused",
            Severity.STOP,
            f"the greatest load brings the wire to {greatest.stress / 1e6:.0f} MPa, "
            f"{_percent(greatest.of_breaking)} of the least breaking stress of {material.name} "
            f"({material.breaking[0] / 1e6:.0f} MPa)",
            f"{_percent(REFUSED)} at most, or a stated reason (--reason)",
            f"{remedy} Nothing was written.",
        )

    # -- effects

    def effects(
        self, settings: _Settings, table: str, step: _Step | None, benches: int
    ) -> Iterator[Effect]:
        if not benches:
            return
        least = next(t for t in settings.practical.definition.tables if t.id == table).minimum_rows
        most = settings.practical.tables[table]
        here = settings.rows[table]
        counts = sorted({max(least, 3), here, (max(least, 3) + most) // 2, most})
        values = [math.nan] if step is None else [step.value * f for f in (0.5, 1.0, 1.5)]
        for rows in counts:
            for value in values:
                trial = _Settings(settings.practical, {**settings.rows, table: rows})
                try:
                    if step is not None:
                        self.use_step(trial, step.name, value)
                    stressed = self.stressed(trial)
                    if stressed is not None and stressed > REFUSED:
                        yield Effect(rows, value, None, stressed)
                        continue
                    found = predict(trial.practical, trial.rows, benches).budget
                    relative = abs(found.expanded_uncertainty / found.value)
                    yield Effect(rows, value, relative, stressed)
                except (BenchError, SheetlabError, ArithmeticError, ValueError):
                    yield Effect(rows, value, None, None)

    def stressed(self, settings: _Settings) -> float | None:
        stress = settings.practical.stress
        if stress is None or self.material is None:
            return None
        shown = quiet(settings.practical, settings.rows)
        column = next(r for r in shown.forward.readings if stress.column in r.keys)
        greatest = max(stress_at(shown, load) for load in shown.true[column.column])
        return greatest / self.material.breaking[0]


def _in_table(settings: _Settings, key: str, table: str) -> bool:
    return settings.practical.field(key).table == table


def practical_steps(practical: Practical, table: str, step: str) -> bool:
    """Whether the step of a plan is the step of the load column, number by number."""
    stress = practical.stress
    if stress is None or stress.table != table:
        return False
    trial = _Settings(practical)
    trial.put(step, "0.5")
    forward = trial.forward
    shown = quiet(trial.practical, {**{t: low for t, (low, _) in forward.rows.items()}, table: 3})
    column = next((r for r in forward.readings if stress.column in r.keys), None)
    if column is None:
        return False
    loads = [column.unit.from_si(v) for v in shown.true[column.column]]
    return all(math.isclose(v, 0.5 * i, abs_tol=1e-9) for i, v in enumerate(loads))


def drop_energy(mass: float, height: float) -> float:
    """Energy of a mass (kg) that falls through a height (m), J: m g h with the standard g."""
    return mass * STANDARD_GRAVITY * height


def awg(number: int) -> float:
    """Diameter of an American wire gauge number, m (ASTM B258)."""
    return 0.127e-3 * 92.0 ** ((36 - number) / 39)


def megapascals(low: float, high: float) -> tuple[float, float]:
    """A range in MPa, in Pa."""
    factor = unit("MPa").factor
    return low * factor, high * factor


def _percent(part: float) -> str:
    return f"{100.0 * part:.0f} %"
