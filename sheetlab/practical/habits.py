"""Wrong habits of groups: what goes wrong on a bench, in typing, and in the group's own sums. Pure.

A habit is a small function with an id and the places where it can happen. It works on any
definition, because it speaks of kinds of scale, lines and formulas only. From the clean bench it
plans a ``Change``; what the change does to the scales, the cells or the answers is then applied
to benches with and without other habits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sheetlab.formula import dimensions
from sheetlab.formula.functions import FUNCTIONS, Aggregate
from sheetlab.formula.tree import Binary, Call, FormulaError, Name, Node, Number, rebuild, walk
from sheetlab.formula.values import evaluate
from sheetlab.practical.bench_fields import ReadingField, ScaleField, row_numbers
from sheetlab.practical.evaluate import Numbers, leaf_inputs
from sheetlab.practical.fields import LineField
from sheetlab.practical.forward import BenchError, Cells, Draws, Shown
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Entry, Observations
from sheetlab.units import Unit, unit

if TYPE_CHECKING:
    from numpy.random import Generator

LENGTH = unit("m").dimension


@dataclass(frozen=True, slots=True)
class Change:
    """A habit at one place of one bench, ready to be applied. What it leaves alone is None."""

    where: str
    """Column, input or answer."""
    row: int | None
    """Row, 0 for the first; None for all of them."""
    size: float
    hidden: Mapping[str, Sequence[float]] | None = None
    """True values above the typed ones, by column, SI units."""
    scales: Callable[[Shown], None] | None = None
    """What it does to where the scales stand."""
    cells: Callable[[Cells], None] | None = None
    """What it does to what is typed."""
    answer: Callable[[Numbers], float | None] | None = None
    """The answer ``where`` that comes of it, in the answer's unit."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a habit sees when it is to happen: the clean bench, one place, how large."""

    practical: Practical
    draws: Draws
    shown: Shown
    cells: Cells
    numbers: Numbers
    place: str
    rng: Generator
    size: float | None
    row: int | None

    def sized(self, low: float, high: float) -> float:
        """The size asked for, or one between two ends."""
        return float(self.rng.uniform(low, high)) if self.size is None else self.size

    def signed(self, size: float) -> float:
        """A size with a sign by chance; a size that was asked for keeps its own."""
        if self.size is not None:
            return self.size
        return size if self.rng.random() < 0.5 else -size

    def some_row(self, rows: Sequence[int]) -> int | None:
        """The row asked for, or one of some rows; None if there is none."""
        if self.row is not None:
            return self.row if self.row in rows else None
        return int(self.rng.choice(list(rows))) if rows else None


Rule = Callable[[Plan], Change | None]
Places = Callable[[Practical], Sequence[str]]


@dataclass(frozen=True, slots=True)
class Habit:
    """A wrong habit."""

    id: str
    places: Places
    rule: Rule

    @property
    def what(self) -> str:
        """What goes wrong, in a sentence."""
        return " ".join((self.rule.__doc__ or "").split("\n\n", maxsplit=1)[0].split())

    @property
    def own_sums(self) -> bool:
        """Whether it is in the group's own results and not in the readings."""
        return self.id.startswith("answer-")


HABITS: dict[str, Habit] = {}
"""Every habit by its id, in the order of this file."""


def _habit(id_: str, places: Places) -> Callable[[Rule], Rule]:
    def register(rule: Rule) -> Rule:
        HABITS[id_] = Habit(id_, places, rule)
        return rule

    return register


# -- places ----------------------------------------------------------------------------------------


def _readings(practical: Practical) -> tuple[ReadingField, ...]:
    return () if practical.forward is None else practical.forward.readings


def _scale(practical: Practical, key: str) -> ScaleField:
    assert practical.forward is not None
    return practical.forward.scales[practical.forward.reading(key).scale]


def _two_scales(practical: Practical) -> list[str]:
    """Readings with a main scale and a coincidence."""
    return [
        key
        for one in _readings(practical)
        if one.scale and _scale(practical, one.keys[0]).kind.graduation
        for key in one.keys
    ]


def _numbered_beyond_twenty(practical: Practical) -> list[str]:
    """Readings whose coincidence often has two digits that can change places."""
    return [key for key in _two_scales(practical) if _divisions(_scale(practical, key)) >= 25]


def _divisions(scale: ScaleField) -> int:
    return round(scale.values[scale.kind.divisions])


def _of_lines(practical: Practical) -> set[str]:
    """Readings that the points of some line are made of."""
    found = set()
    for line in practical.lines.values():
        table = practical.field(line.x).table
        leaves = [leaf for column in (line.x, *line.y) for leaf in leaf_inputs(practical, column)]
        for one in _readings(practical):
            if one.table == table:
                found |= {
                    key
                    for key in one.keys
                    if any(leaf == key or leaf.startswith(f"{key}.") for leaf in leaves)
                }
    return found


def _line_readings(practical: Practical) -> list[str]:
    on_lines = _of_lines(practical)
    return [key for key in _two_scales(practical) if key in on_lines]


def _other_readings(practical: Practical) -> list[str]:
    on_lines = _of_lines(practical)
    return [key for key in _two_scales(practical) if key not in on_lines]


def _read_lines(practical: Practical) -> list[str]:
    """Lines whose ordinates are read off a scale and not worked out."""
    known = {key for one in _readings(practical) if one.rounded for key in one.keys}
    return [
        id_
        for id_, line in practical.lines.items()
        if known.issuperset(line.y) and _rows_wanted(practical, line) >= 3
    ]


def _rows_wanted(practical: Practical, line: LineField) -> int:
    assert practical.forward is not None
    return practical.forward.rows[str(practical.field(line.x).table)][0]


def _lines_of_two(practical: Practical) -> list[str]:
    return [id_ for id_ in _read_lines(practical) if len(practical.lines[id_].definition.y) == 2]


def _first_and_second(practical: Practical, line: str) -> tuple[list[str], list[str]]:
    """Keys of the first and of the second series, one a run; the second may be empty."""
    series = [list(practical.columns(name)) for name in practical.lines[line].definition.y]
    return series[0], series[1] if len(series) == 2 else []


def _two_scale_lines(practical: Practical) -> list[str]:
    with_main = set(_two_scales(practical))
    return [i for i in _read_lines(practical) if with_main.issuperset(practical.lines[i].y)]


def _coincidence_tables(practical: Practical) -> list[str]:
    keys = set(_two_scales(practical))
    return list(dict.fromkeys(one.table for one in _readings(practical) if keys & set(one.keys)))


def _two_scale_instruments(practical: Practical) -> list[str]:
    used = {one.scale for one in _readings(practical)}
    scales = {} if practical.forward is None else practical.forward.scales
    return [key for key, one in scales.items() if one.kind.divisions and key in used]


def _zeroed_instruments(practical: Practical) -> list[str]:
    scales = {} if practical.forward is None else practical.forward.scales
    return [key for key, one in scales.items() if one.zero_table]


def _stepped_lines(practical: Practical) -> list[str]:
    """Lines against something that is put on step by step and known by its mark."""
    found = []
    for id_, line in practical.lines.items():
        one = next((r for r in _readings(practical) if line.x in r.keys), None)
        if one is not None and one.is_marked and not one.place_noise:
            stepped = one.step != 0.0 if one.node is None else row_numbers(one.node)
            if stepped and _rows_wanted(practical, line) >= 3:
                found.append(id_)
    return found


def _first_result(practical: Practical) -> str:
    return practical.definition.results[0].quantity


def _typed_in_a_unit(practical: Practical) -> list[str]:
    """Columns of plain numbers and single inputs with a unit that the first result needs."""
    needed = set(leaf_inputs(practical, _first_result(practical)))
    pure = unit("1").dimension
    found = [
        one.column
        for one in _readings(practical)
        if one.unit.dimension != pure and needed.issuperset(one.keys)
    ]
    inputs = () if practical.forward is None else practical.forward.inputs
    return found + [
        one.field.key
        for one in inputs
        if one.node is not None and one.field.unit.dimension != pure and one.field.key in needed
    ]


def _counts(practical: Practical) -> list[str]:
    needed = set(leaf_inputs(practical, _first_result(practical)))
    inputs = () if practical.forward is None else practical.forward.inputs
    return [
        one.field.key
        for one in inputs
        if one.node is not None
        and one.field.decimals == 0
        and one.field.unit.text == unit("1").text
        and one.field.key in needed
    ]


# -- readings of scales --------------------------------------------------------------------------


def _numbers_of(cells: Cells, key: str) -> list[float]:
    return [float(value) for value in cells[key] if isinstance(value, int | float)]


def _move(cells: Cells, key: str, row: int, divisions: int, scale: ScaleField) -> bool:
    """Move a typed reading by so many divisions; False if the scale does not go there."""
    per_step = _divisions(scale)
    step = scale.values[scale.kind.graduation]
    main, coincidence = (f"{key}.{part.id}" for part in scale.kind.parts)
    marks = round(_numbers_of(cells, main)[row] / step)
    total = marks * per_step + round(_numbers_of(cells, coincidence)[row]) + divisions
    if total < 0:
        return False
    cells[main][row] = float(f"{total // per_step * step:.12g}")
    cells[coincidence][row] = float(total % per_step)
    return True


def _moved(plan: Plan, places: Sequence[tuple[str, int]], divisions: int) -> bool:
    """Whether typed readings can be moved so."""
    trial = {key: list(values) for key, values in plan.cells.items()}
    return all(
        _move(trial, key, row, divisions, _scale(plan.practical, key)) for key, row in places
    )


def _main_scale(
    plan: Plan, places: Sequence[tuple[str, int]], steps: float, row: int | None
) -> Change | None:
    """Readings off by steps of the main scale."""
    scale = _scale(plan.practical, places[0][0])
    # at the end of a scale only one way is left; a size that was asked for keeps its sign
    for size in (steps, -steps) if plan.size is None else (steps,):
        divisions = round(size * scale.values[scale.kind.divisions])
        if divisions and _moved(plan, places, divisions):
            return Change(places[0][0], row, size, cells=_mover(places, divisions, scale))
    return None


def _mover(
    places: Sequence[tuple[str, int]], divisions: int, scale: ScaleField
) -> Callable[[Cells], None]:
    def typed(cells: Cells) -> None:
        for key, i in places:
            _move(cells, key, i, divisions, scale)

    return typed


def _one_reading(plan: Plan, steps: float) -> Change | None:
    row = plan.some_row(range(len(plan.shown.seen[plan.place])))
    return None if row is None else _main_scale(plan, [(plan.place, row)], steps, row)


@_habit("main-step", _line_readings)
def main_step(plan: Plan) -> Change | None:
    """One main-scale step misread in one reading of a line.

    Size: steps of the main scale, 1 or −1.
    """
    return _one_reading(plan, plan.signed(1.0))


@_habit("half-step", _line_readings)
def half_step(plan: Plan) -> Change | None:
    """Half a main-scale step misread in one reading of a line.

    Size: steps of the main scale, 0.5 or −0.5.
    """
    return _one_reading(plan, plan.signed(0.5))


@_habit("repeat-step", _other_readings)
def repeat_step(plan: Plan) -> Change | None:
    """One main-scale step misread in one of several readings of the same thing.

    Size: steps of the main scale, 1 or −1.
    """
    return _one_reading(plan, plan.signed(1.0))


@_habit("block-step", _two_scale_lines)
def block_step(plan: Plan) -> Change | None:
    """One main-scale step misread in a reading of a series and in all that follow in it.

    Size: steps of the main scale, 1 or −1.
    """
    keys = [*plan.practical.lines[plan.place].y]
    key = keys[int(plan.rng.integers(len(keys)))]
    last = len(plan.shown.seen[key])
    row = plan.some_row(range(1, last - 1))
    if row is None:
        return None
    return _main_scale(plan, [(key, i) for i in range(row, last)], plan.signed(1.0), row)


def _coincidence(
    plan: Plan, change: Callable[[int, int], int | None], size: Callable[[int, int], float]
) -> Change | None:
    """One coincidence typed otherwise, where that gives another division of the scale."""
    scale = _scale(plan.practical, plan.place)
    per_step = _divisions(scale)
    key = f"{plan.place}.{scale.kind.parts[1].id}"
    changed = [change(round(n), per_step) for n in _numbers_of(plan.cells, key)]
    row = plan.some_row([i for i, n in enumerate(changed) if n is not None])
    if row is None:
        return None

    def typed(cells: Cells) -> None:
        found = change(round(_numbers_of(cells, key)[row]), per_step)
        if found is not None:
            cells[key][row] = float(found)

    before = round(_numbers_of(plan.cells, key)[row])
    return Change(plan.place, row, size(before, changed[row] or 0), cells=typed)


@_habit("digits-swapped", _numbered_beyond_twenty)
def digits_swapped(plan: Plan) -> Change | None:
    """The two digits of a coincidence typed in the wrong order.

    Size: in divisions, as it comes out.
    """

    def swapped(n: int, divisions: int) -> int | None:
        other = n % 10 * 10 + n // 10
        return other if n != other and 10 <= n < 100 and other < divisions else None

    return _coincidence(plan, swapped, lambda before, after: float(after - before))


@_habit("coincidence-ten", _two_scales)
def coincidence_ten(plan: Plan) -> Change | None:
    """A coincidence off by ten divisions: the wrong number of the scale counted from.

    Size: divisions, 10 or −10.
    """
    shift = round(plan.signed(10.0))

    def shifted(n: int, divisions: int) -> int | None:
        return next((m for m in (n + shift, n - shift) if 0 <= m < divisions), None)

    return _coincidence(plan, shifted, lambda before, after: float(after - before))


@_habit("scale-backwards", _coincidence_tables)
def scale_backwards(plan: Plan) -> Change | None:
    """All coincidences of a table counted from the wrong end of the scale."""
    keys = [key for key in _two_scales(plan.practical) if key.startswith(f"{plan.place}.")]

    def typed(cells: Cells) -> None:
        for key in keys:
            scale = _scale(plan.practical, key)
            per_step = _divisions(scale)
            part = f"{key}.{scale.kind.parts[1].id}"
            cells[part] = [float(-round(n) % per_step) for n in _numbers_of(cells, part)]

    return Change(keys[0], None, 1.0, cells=typed)


@_habit("wrong-divisions", _two_scale_instruments)
def wrong_divisions(plan: Plan) -> Change | None:
    """The divisions of a scale counted as twice or half as many as there are.

    Size: the factor, 2 or 0.5.
    """
    factor = plan.size or (2.0 if plan.rng.random() < 0.5 else 0.5)
    assert plan.practical.forward is not None
    key = f"{plan.place}.{plan.practical.forward.scales[plan.place].kind.divisions}"

    def typed(cells: Cells) -> None:
        cells[key] = [float(round(n * factor)) for n in _numbers_of(cells, key)]

    return Change(key, None, factor, cells=typed)


def _zero(plan: Plan) -> tuple[str, str, tuple[str, ...]]:
    """Keys of coincidence and side of zero readings, and the two sides."""
    assert plan.practical.forward is not None
    number, side = plan.practical.forward.scales[plan.place].kind.zero_parts
    base = f"{plan.place}.zero_reading"
    return f"{base}.{number.id}", f"{base}.{side.id}", side.choices


@_habit("zero-forgotten", _zeroed_instruments)
def zero_forgotten(plan: Plan) -> Change | None:
    """Closed-jaw readings typed as 0 without looking."""
    number, side, sides = _zero(plan)

    def typed(cells: Cells) -> None:
        cells[number] = [0.0] * len(cells[number])
        cells[side] = [sides[0]] * len(cells[side])

    return Change(number, None, 1.0, cells=typed)


@_habit("zero-side", _zeroed_instruments)
def zero_side(plan: Plan) -> Change | None:
    """The wrong side of the zero mark chosen with closed jaws; the division is right."""
    _, side, sides = _zero(plan)
    return Change(side, None, 1.0, cells=lambda cells: _other_side(cells, side, sides))


def _other_side(cells: Cells, side: str, sides: Sequence[str]) -> None:
    cells[side] = [sides[1] if text == sides[0] else sides[0] for text in cells[side]]


@_habit("zero-sign", _zeroed_instruments)
def zero_sign(plan: Plan) -> Change | None:
    """The zero error with the wrong sign: 3 divisions short of zero taken for 3 past it."""
    number, side, sides = _zero(plan)
    assert plan.practical.forward is not None
    scale = plan.practical.forward.scales[plan.place]
    per_step = _divisions(scale)

    def typed(cells: Cells) -> None:
        cells[number] = [float(-round(n) % per_step) for n in _numbers_of(cells, number)]
        _other_side(cells, side, sides)

    return Change(side, None, -1.0, cells=typed)


# -- what happens on the bench ------------------------------------------------------------


def _step(plan: Plan) -> float:
    """Usual change of the readings of a line from row to row, with its sign, SI units."""
    first = plan.shown.seen[_first_and_second(plan.practical, plan.place)[0][0]]
    if len(first) < 3:
        raise BenchError("a line of fewer than three rows has no room for this habit")
    return (first[-1] - first[0]) / (len(first) - 1)


def _in_order(plan: Plan) -> list[tuple[str, int]]:
    """Readings of a line in the order they are taken: up the first series, down the second."""
    first, second = _first_and_second(plan.practical, plan.place)
    found: list[tuple[str, int]] = []
    for run, key in enumerate(first):
        count = len(plan.shown.seen[key])
        found += [(key, i) for i in range(count)]
        if second:
            found += [(second[run], i) for i in reversed(range(count))]
    return found


def _shift(
    plan: Plan, by: Mapping[tuple[str, int], float], row: int | None, size: float, where: str = ""
) -> Change:
    """Scales that stand elsewhere, SI units."""

    def stand(shown: Shown) -> None:
        for (key, i), amount in by.items():
            shown.seen[key][i] += amount

    first = _first_and_second(plan.practical, plan.place)[0][0]
    return Change(where or first, row, size, scales=stand)


@_habit("slip", _read_lines)
def slip(plan: Plan) -> Change | None:
    """Something slipped once: a jump at some row of the first series, and all readings after it.

    Size: steps of the line, usually 0.08 to 0.4.
    """
    order = _in_order(plan)
    first = _first_and_second(plan.practical, plan.place)[0][0]
    row = plan.some_row(range(1, len(plan.shown.seen[first])))
    if row is None:
        return None
    size = plan.sized(0.08, 0.4)
    return _shift(plan, dict.fromkeys(order[row:], size * _step(plan)), row, size)


@_habit("toe", _read_lines)
def toe(plan: Plan) -> Change | None:
    """The first one or two intervals of the first series too long: kinks were pulled out.

    Size: steps of the line by which the first reading is off, usually 0.2 to 0.5.
    """
    first = _first_and_second(plan.practical, plan.place)[0][0]
    size = plan.sized(0.2, 0.5)
    intervals = 1 if plan.rng.random() < 0.5 else 2
    by = {(first, i): -size * 0.35**i * _step(plan) for i in range(intervals)}
    return _shift(plan, by, 0, size)


@_habit("yield", _read_lines)
def yield_(plan: Plan) -> Change | None:
    """The last readings of the first series curve away more and more; what is gained stays.

    Size: steps of the line by which the last reading is off, usually 0.4 to 1.2.
    """
    order = _in_order(plan)
    first = _first_and_second(plan.practical, plan.place)[0][0]
    count = len(plan.shown.seen[first])
    bent = plan.some_row(range(max(1, count - 4), count - 1))
    if bent is None:
        return None
    size = plan.sized(0.4, 1.2)
    top, span = size * _step(plan), count - bent
    by = {(first, i): top * ((i - bent + 1) / span) ** 2 for i in range(bent, count)}
    # the wire does not come back from there
    by |= dict.fromkeys(order[count:], top)
    return _shift(plan, by, bent, size)


def _second_below_top(plan: Plan) -> list[tuple[str, int]]:
    _, second = _first_and_second(plan.practical, plan.place)
    return [(key, i) for key in second for i in range(len(plan.shown.seen[key]) - 1)]


@_habit("backlash", _lines_of_two)
def backlash(plan: Plan) -> Change | None:
    """The second series shifted by a constant, but for the reading at the turning point.

    Size: steps of the line, usually 0.1 to 0.3 either way.
    """
    below = _second_below_top(plan)
    size = plan.signed(plan.sized(0.1, 0.3))
    return _shift(plan, dict.fromkeys(below, size * _step(plan)), None, size, below[0][0])


@_habit("set", _lines_of_two)
def set_(plan: Plan) -> Change | None:
    """The second series does not come back: what was gained at the top stays in all rows below.

    Size: steps of the line, usually 0.15 to 0.5.
    """
    below = _second_below_top(plan)
    size = plan.sized(0.15, 0.5)
    return _shift(plan, dict.fromkeys(below, size * _step(plan)), None, size, below[0][0])


@_habit("friction", _lines_of_two)
def friction(plan: Plan) -> Change | None:
    """Friction: both series lag behind, most in the middle, and so differ like a lens.

    Size: greatest distance between the series in steps of the line, usually 0.15 to 0.5.
    """
    first, second = _first_and_second(plan.practical, plan.place)
    size = plan.sized(0.15, 0.5)
    by = {}
    for side, keys in ((-0.5, first), (0.5, second)):
        for key in keys:
            last = len(plan.shown.seen[key]) - 1
            for i in range(last + 1):
                by[key, i] = side * size * _step(plan) * 4.0 * i * (last - i) / last**2
    return _shift(plan, by, None, size)


@_habit("drift", _read_lines)
def drift(plan: Plan) -> Change | None:
    """All readings of a line drift evenly in the order they are taken.

    Size: steps of the line from the first reading to the last, usually 0.2 to 0.6 either way.
    """
    order = _in_order(plan)
    size = plan.signed(plan.sized(0.2, 0.6))
    rate = size * _step(plan) / (len(order) - 1)
    return _shift(plan, {place: rate * i for i, place in enumerate(order)}, None, size)


@_habit("load-missed", _stepped_lines)
def load_missed(plan: Plan) -> Change | None:
    """One step of the abscissa not written down: from some row on there is one more than typed.

    Size: steps of the abscissa, 1.
    """
    x = plan.practical.lines[plan.place].x
    column = _reading(plan.practical, x).column
    typed = plan.shown.true[column]
    row = plan.some_row(range(1, len(typed)))
    if row is None:
        return None
    size = 1.0 if plan.size is None else plan.size
    extra = size * (typed[-1] - typed[0]) / (len(typed) - 1)
    hidden = [extra if i >= row else 0.0 for i in range(len(typed))]
    return Change(x, row, size, hidden={column: hidden})


def _reading(practical: Practical, key: str) -> ReadingField:
    assert practical.forward is not None
    return practical.forward.reading(key)


# -- typing ----------------------------------------------------------------------------------------


SIBLINGS = ("mm", "cm", "m", "g", "kg")
FACTORS = (1000.0, 100.0, 10.0, 0.1, 0.01, 0.001)


def _unit_factors(its: Unit) -> list[float]:
    """Factors of numbers typed in another usual unit of the same dimension."""
    others = [unit(text) for text in SIBLINGS]
    found = [
        factor
        for other in others
        if other.dimension == its.dimension
        for factor in FACTORS
        if math.isclose(its.factor / other.factor, factor)
    ]
    return found or [1000.0, 0.001]


@_habit("unit-slip", _typed_in_a_unit)
def unit_slip(plan: Plan) -> Change | None:
    """A column or an input typed in another unit than that of its heading.

    Size: the factor on the numbers, 10, 100, 1000 or one over that.
    """
    column = next((one for one in _readings(plan.practical) if one.column == plan.place), None)
    keys = (plan.place,) if column is None else column.keys
    factors = _unit_factors(plan.practical.inputs[keys[0]].unit)
    factor = plan.size or factors[int(plan.rng.integers(len(factors)))]

    def typed(cells: Cells) -> None:
        for key in keys:
            cells[key] = [float(f"{n * factor:.12g}") for n in _numbers_of(cells, key)]

    return Change(keys[0], None, factor, cells=typed)


@_habit("count-off", _counts)
def count_off(plan: Plan) -> Change | None:
    """A count typed one too many or too few.

    Size: by how many, 1 or −1.
    """
    by = plan.signed(1.0)

    def typed(cells: Cells) -> None:
        cells[plan.place] = [n + by for n in _numbers_of(cells, plan.place)]

    return Change(plan.place, None, by, cells=typed)


@_habit("copied", _lines_of_two)
def copied(plan: Plan) -> Change | None:
    """The second series copied from the first instead of read."""
    first, second = _first_and_second(plan.practical, plan.place)

    def typed(cells: Cells) -> None:
        for source, target in zip(first, second, strict=True):
            for key in [k for k in cells if k == source or k.startswith(f"{source}.")]:
                cells[target + key.removeprefix(source)] = list(cells[key])

    return Change(second[0], None, 1.0, cells=typed)


# -- the group's own sums ------------------------------------------------------------


def _answers(practical: Practical, wanted: Callable[[Practical, Node, Unit], bool]) -> list[str]:
    """Answers whose formula is as wanted, by key."""
    return [
        f"answer.{answer.id}"
        for answer in practical.definition.answers
        if answer.quantity
        and wanted(
            practical,
            practical.derived[answer.quantity].node,
            practical.inputs[f"answer.{answer.id}"].unit,
        )
    ]


def _quantity(practical: Practical, answer: str) -> str:
    return next(a.quantity for a in practical.definition.answers if f"answer.{a.id}" == answer)


def _formula(plan: Plan, change: Callable[[Node, Plan], Node | None], size: float) -> Change | None:
    """An answer by a changed formula."""
    node = plan.practical.derived[_quantity(plan.practical, plan.place)].node
    other = change(node, plan)
    if other is None:
        return None
    its = plan.practical.inputs[plan.place].unit

    def worked_out(numbers: Numbers) -> float | None:
        value = evaluate(other, numbers)
        return None if value is None else its.from_si(float(value))

    return Change(plan.place, None, size, answer=worked_out)


def _dimension(practical: Practical, node: Node) -> Any:
    def lookup(key: str) -> dimensions.Kind | None:
        known = key in practical.inputs or key in practical.derived
        return dimensions.Kind(practical.field(key).unit.dimension) if known else None

    try:
        return dimensions.check("", node, lookup, None)
    except FormulaError:
        return None


def _factors(node: Node) -> Iterator[Node]:
    """Factors of a product or quotient, left to right."""
    if isinstance(node, Binary) and node.op in "*/":
        yield from _factors(node.left)
        yield from _factors(node.right)
    else:
        yield node


def _swapped(node: Node, old: Node, new: Node) -> Node:
    """A product or quotient with one of its factors replaced."""
    if node is old:
        return new
    if isinstance(node, Binary) and node.op in "*/":
        return replace(
            node, left=_swapped(node.left, old, new), right=_swapped(node.right, old, new)
        )
    return node


def _powers_of_lengths(practical: Practical, node: Node) -> list[Binary]:
    return [
        part
        for part in walk(node)
        if isinstance(part, Binary)
        and part.op == "^"
        and isinstance(part.right, Number)
        and abs(part.right.value) >= 2.0
        and _dimension(practical, part.left) == LENGTH
    ]


def _with_length_power(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_powers_of_lengths(p, node)))


def _other_length(factor: float) -> Callable[[Node, Plan], Node | None]:
    def change(node: Node, plan: Plan) -> Node | None:
        power = _powers_of_lengths(plan.practical, node)[0]
        scaled = replace(power, left=Binary("*", Number(factor), power.left))
        return rebuild(node, lambda part: scaled if part == power else part)

    return change


@_habit("answer-radius", _with_length_power)
def answer_radius(plan: Plan) -> Change | None:
    """Own result with the diameter where the formula has it halved: a length doubled."""
    return _formula(plan, _other_length(2.0), 2.0)


@_habit("answer-diameter", _with_length_power)
def answer_diameter(plan: Plan) -> Change | None:
    """Own result with the radius in place of the diameter: a length halved."""
    return _formula(plan, _other_length(0.5), 0.5)


PI = Number(math.pi)


def _with_pi(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: any(part == PI for part in walk(node)))


@_habit("answer-pi-lost", _with_pi)
def answer_pi_lost(plan: Plan) -> Change | None:
    """Own result without the π of the formula."""
    return _formula(
        plan, lambda node, _: rebuild(node, lambda n: Number(1.0) if n == PI else n), 1.0
    )


def _plain_numbers(node: Node) -> list[Node]:
    return [
        part
        for part in _factors(node)
        if isinstance(part, Number) and part != PI and part.value not in (0.0, 1.0)
    ]


def _with_number(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_plain_numbers(node)))


@_habit("answer-number-lost", _with_number)
def answer_number_lost(plan: Plan) -> Change | None:
    """Own result without a number of the formula."""
    return _formula(plan, lambda node, p: _some_lost(_plain_numbers(node), node, p), 1.0)


def _some_lost(parts: Sequence[Node], node: Node, plan: Plan) -> Node:
    return _swapped(node, parts[int(plan.rng.integers(len(parts)))], Number(1.0))


def _squares(node: Node) -> list[Binary]:
    return [
        part
        for part in _factors(node)
        if isinstance(part, Binary) and part.op == "^" and part.right == Number(2.0)
    ]


def _with_square(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_squares(node)))


@_habit("answer-square-lost", _with_square)
def answer_square_lost(plan: Plan) -> Change | None:
    """Own result with something not squared that the formula has squared."""
    answer = plan.practical.inputs[plan.place].unit

    def change(node: Node, its: Plan) -> Node:
        squares = _squares(node)
        power = squares[int(its.rng.integers(len(squares)))]
        scale = 1.0
        if isinstance(power.left, Name):
            own = its.practical.field(power.left.key).unit
            # an area in mm² is worked out in mm, a result in GPa in metres
            scale = own.factor if math.isclose(own.factor**2, answer.factor) else 1.0
        return _swapped(node, power, Binary("*", Number(scale), power.left))

    return _formula(plan, change, 1.0)


def _quantities(node: Node) -> list[Node]:
    factors = list(_factors(node))
    return [part for part in factors if isinstance(part, Name)] if len(factors) > 1 else []


def _with_quantity(practical: Practical) -> list[str]:
    formulas = {quantity.id for quantity in practical.definition.quantities}
    return [
        key
        for key in _answers(practical, lambda p, node, _: bool(_quantities(node)))
        if _quantity(practical, key) in formulas
    ]


@_habit("answer-factor-lost", _with_quantity)
def answer_factor_lost(plan: Plan) -> Change | None:
    """Own result with a quantity of the formula left out."""
    return _formula(plan, lambda node, p: _some_lost(_quantities(node), node, p), 1.0)


def _all_answers(practical: Practical) -> list[str]:
    return _answers(practical, lambda *_: True)


def _scaled(plan: Plan, change: Callable[[float], float], size: float) -> Change:
    """An answer worked out well and then changed, in its own unit."""
    quantity = _quantity(plan.practical, plan.place)
    its = plan.practical.inputs[plan.place].unit

    def worked_out(numbers: Numbers) -> float | None:
        value = numbers.value(quantity, None)
        return None if not value else change(its.from_si(value))

    return Change(plan.place, None, size, answer=worked_out)


@_habit("answer-power-of-ten", _all_answers)
def answer_power_of_ten(plan: Plan) -> Change | None:
    """Own result wrong by a power of ten.

    Size: the factor, 10, 1000 or one over that.
    """
    factors = (10.0, 0.1, 1000.0, 0.001)
    factor = plan.size or factors[int(plan.rng.integers(len(factors)))]
    return _scaled(plan, lambda value: value * factor, factor)


def _slopes(node: Node) -> list[Call]:
    return [
        part
        for part in walk(node)
        if isinstance(part, Call)
        and isinstance(FUNCTIONS[part.function], Aggregate)
        and part.function.endswith("slope")
    ]


def _with_slope(practical: Practical) -> list[str]:
    return _answers(practical, lambda p, node, _: bool(_slopes(node)))


def _quotients(practical: Practical) -> list[str]:
    def is_quotient(_: Practical, node: Node, its: Unit) -> bool:
        return any(isinstance(part, Binary) and part.op == "/" for part in walk(node))

    return _with_slope(practical) or _answers(practical, is_quotient)


@_habit("answer-inverse", _quotients)
def answer_inverse(plan: Plan) -> Change | None:
    """Own result upside down: a slope as run over rise."""
    return _scaled(plan, lambda value: 1.0 / value, -1.0)


@_habit("answer-step", _with_slope)
def answer_step(plan: Plan) -> Change | None:
    """Own slope for one step of the table, or for the whole of it, in place of one unit of x.

    Size: what it is multiplied with.
    """
    node = plan.practical.derived[_quantity(plan.practical, plan.place)].node
    x = _slopes(node)[0].arguments[0]
    assert isinstance(x, Name)
    its = plan.practical.field(x.key).unit
    column = [its.from_si(v) for v in plan.numbers.column(x.key) if v is not None]
    if len(column) < 2:
        return None
    whole = abs(column[-1] - column[0])
    steps = (whole / (len(column) - 1), whole)
    size = plan.size or steps[int(plan.rng.integers(2))]
    return _scaled(plan, lambda value: value * size, size)


def _corrected(practical: Practical) -> list[str]:
    with_zero = [f"{key}.zero_reading." for key in _zeroed_instruments(practical)]
    return [
        key
        for key in _all_answers(practical)
        if any(
            leaf.startswith(zero)
            for leaf in leaf_inputs(practical, _quantity(practical, key))
            for zero in with_zero
        )
    ]


@_habit("answer-zero-forgotten", _corrected)
def answer_zero_forgotten(plan: Plan) -> Change | None:
    """Own result without the correction for the zero error."""
    quantity = _quantity(plan.practical, plan.place)
    its = plan.practical.inputs[plan.place].unit

    def worked_out(numbers: Numbers) -> float | None:
        entries = dict(numbers.observations.entries)
        for key, found in entries.items():
            if ".zero_reading." in key:
                entries[key] = [Entry(0.0) for _ in found]
        value = Numbers(plan.practical, Observations(entries)).value(quantity, None)
        return None if value is None else its.from_si(value)

    return Change(plan.place, None, 1.0, answer=worked_out)


def _with_alternative(practical: Practical) -> list[str]:
    others = {result.quantity for result in practical.definition.results if result.alternatives}
    return [key for key in _all_answers(practical) if _quantity(practical, key) in others]


@_habit("answer-other-method", _with_alternative)
def answer_other_method(plan: Plan) -> Change | None:
    """Own result by another method than the one that is asked for."""
    quantity = _quantity(plan.practical, plan.place)
    its = plan.practical.inputs[plan.place].unit
    (other, *_) = next(
        r.alternatives for r in plan.practical.definition.results if r.quantity == quantity
    )

    def worked_out(numbers: Numbers) -> float | None:
        value = numbers.value(other, None)
        return None if value is None else its.from_si(value)

    return Change(plan.place, None, 1.0, answer=worked_out)
