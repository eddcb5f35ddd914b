"""What happens on the bench: slips, yielding, friction, drift, a load not written down."""

from __future__ import annotations

from collections.abc import Mapping

from sheetlab.practical.bench_fields import ReadingField
from sheetlab.practical.forward import BenchError, Shown
from sheetlab.practical.habits.collection import Change, Collection, Plan
from sheetlab.practical.habits.places import (
    first_and_second,
    lines_of_two,
    read_lines,
    stepped_lines,
)
from sheetlab.practical.model import Practical

HABITS = Collection()


def _step(plan: Plan) -> float:
    """Usual change of the readings of a line from row to row, with its sign, SI units."""
    first = plan.shown.seen[first_and_second(plan.practical, plan.place)[0][0]]
    if len(first) < 3:
        raise BenchError("a line of fewer than three rows has no room for this habit")
    return (first[-1] - first[0]) / (len(first) - 1)


def _in_order(plan: Plan) -> list[tuple[str, int]]:
    """Readings of a line in the order they are taken: up the first series, down the second."""
    first, second = first_and_second(plan.practical, plan.place)
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

    first = first_and_second(plan.practical, plan.place)[0][0]
    return Change(where or first, row, size, scales=stand)


@HABITS.add("slip", read_lines)
def slip(plan: Plan) -> Change | None:
    """Something slipped once: a jump at some row of the first series, and all readings after it.

    Size: steps of the line, usually 0.08 to 0.4.
    """
    order = _in_order(plan)
    first = first_and_second(plan.practical, plan.place)[0][0]
    row = plan.some_row(range(1, len(plan.shown.seen[first])))
    if row is None:
        return None
    size = plan.sized(0.08, 0.4)
    return _shift(plan, dict.fromkeys(order[row:], size * _step(plan)), row, size)


@HABITS.add("toe", read_lines)
def toe(plan: Plan) -> Change | None:
    """The first one or two intervals of the first series too long: kinks were pulled out.

    Size: steps of the line by which the first reading is off, usually 0.2 to 0.5.
    """
    first = first_and_second(plan.practical, plan.place)[0][0]
    size = plan.sized(0.2, 0.5)
    intervals = 1 if plan.rng.random() < 0.5 else 2
    by = {(first, i): -size * 0.35**i * _step(plan) for i in range(intervals)}
    return _shift(plan, by, 0, size)


@HABITS.add("yield", read_lines)
def yield_(plan: Plan) -> Change | None:
    """The last readings of the first series curve away more and more; what is gained stays.

    Size: steps of the line by which the last reading is off, usually 0.4 to 1.2.
    """
    order = _in_order(plan)
    first = first_and_second(plan.practical, plan.place)[0][0]
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
    _, second = first_and_second(plan.practical, plan.place)
    return [(key, i) for key in second for i in range(len(plan.shown.seen[key]) - 1)]


@HABITS.add("backlash", lines_of_two)
def backlash(plan: Plan) -> Change | None:
    """The second series shifted by a constant, but for the reading at the turning point.

    Size: steps of the line, usually 0.1 to 0.3 either way.
    """
    below = _second_below_top(plan)
    size = plan.signed(plan.sized(0.1, 0.3))
    return _shift(plan, dict.fromkeys(below, size * _step(plan)), None, size, below[0][0])


@HABITS.add("set", lines_of_two)
def set_(plan: Plan) -> Change | None:
    """The second series does not come back: what was gained at the top stays in all rows below.

    Size: steps of the line, usually 0.15 to 0.5.
    """
    below = _second_below_top(plan)
    size = plan.sized(0.15, 0.5)
    return _shift(plan, dict.fromkeys(below, size * _step(plan)), None, size, below[0][0])


@HABITS.add("friction", lines_of_two)
def friction(plan: Plan) -> Change | None:
    """Friction: both series lag behind, most in the middle, and so differ like a lens.

    Size: greatest distance between the series in steps of the line, usually 0.15 to 0.5.
    """
    first, second = first_and_second(plan.practical, plan.place)
    size = plan.sized(0.15, 0.5)
    by = {}
    for side, keys in ((-0.5, first), (0.5, second)):
        for key in keys:
            last = len(plan.shown.seen[key]) - 1
            for i in range(last + 1):
                by[key, i] = side * size * _step(plan) * 4.0 * i * (last - i) / last**2
    return _shift(plan, by, None, size)


@HABITS.add("drift", read_lines)
def drift(plan: Plan) -> Change | None:
    """All readings of a line drift evenly in the order they are taken.

    Size: steps of the line from the first reading to the last, usually 0.2 to 0.6 either way.
    """
    order = _in_order(plan)
    size = plan.signed(plan.sized(0.2, 0.6))
    rate = size * _step(plan) / (len(order) - 1)
    return _shift(plan, {place: rate * i for i, place in enumerate(order)}, None, size)


@HABITS.add("load-missed", stepped_lines)
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
