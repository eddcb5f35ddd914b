"""Loads and what they do: stress by a definition's formula, schedules, masses, gauges. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from types import ModuleType

from msgspec import Struct, field

from sheetlab.formula.functions import Aggregate
from sheetlab.formula.values import evaluate
from sheetlab.practical.fields import InputField
from sheetlab.practical.forward import BenchError, Shown

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


class Material(Struct, frozen=True):
    """What a wire is made of. Ranges from lowest to highest, in Pa."""

    name: str
    choice: str
    """Entry of the definition's list of materials; empty if it is in none."""
    modulus: tuple[float, float]
    breaking: tuple[float, float]
    yielding: tuple[float, float] | None
    """None if no yield stress with a source is known."""
    source: str
    confirmed: bool = True


class Gauge(Struct, frozen=True):
    """A gauge number; diameter in m."""

    name: str
    diameter: float
    source: str


class Masses(Struct, frozen=True):
    """So many equal masses, in the unit of the load column."""

    mass: float
    count: int


class Loaded(Struct, frozen=True):
    """A row of loads; SI units."""

    load: float
    stress: float
    of_breaking: float
    """Fraction of the lower end of the breaking stress."""
    of_yield: float | None


class Schedule(Struct, frozen=True):
    """Loads that are recommended; ``step`` in the unit of the load column."""

    loads: int
    """Number of loads, the first one is the dead load alone."""
    step: float
    total_divisions: float
    comfortable: bool
    """It reaches the better of the two numbers of divisions everywhere."""


class _Expected(Struct):
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


def hung(masses: Sequence[Masses], most_loads: int) -> list[float]:
    """Loads when all masses are hung one after another: from nothing to all of them.

    Where the rows do not suffice, some masses are added together.
    """
    loads = [0.0]
    for one in masses:
        for _ in range(one.count):
            loads.append(float(f"{loads[-1] + one.mass:.9g}"))
    last = len(loads) - 1
    if len(loads) <= most_loads:
        return loads
    return [loads[i * last // (most_loads - 1)] for i in range(most_loads)]


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
    least_loads: int = LEAST_LOADS,
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
    least_loads
        Fewest loads; every second number from here on is tried.
    """
    found: list[tuple[bool, float, Schedule]] = []
    for step in steps_of(masses):
        if not allowed((least_loads - 1) * step):
            continue
        each = divisions(step)
        if not each >= STEP_DIVISIONS[0]:
            continue
        for loads in range(least_loads, most_loads + 1, 2):
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


def drop_energy(mass: float, height: float) -> float:
    """Energy of a mass (kg) that falls through a height (m), J: m g h with the standard g."""
    return mass * STANDARD_GRAVITY * height
