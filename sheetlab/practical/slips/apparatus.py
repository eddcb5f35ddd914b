"""What happens at the bench while a line is read: where the scales stand then."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sheetlab.practical.forward import BenchError
from sheetlab.practical.slips.places import FEWEST_ROWS, first_and_second, forward_of
from sheetlab.practical.slips.slip import Plan, Shift

Reading = tuple[str, int]


def _first(plan: Plan) -> list[float]:
    """The first series of a line, SI units."""
    return plan.shown.seen[first_and_second(plan.practical, plan.place)[0][0]]


def _step(plan: Plan) -> float:
    """Usual change of the readings of a line from row to row, with its sign, SI units."""
    first = _first(plan)
    if len(first) < FEWEST_ROWS:
        raise BenchError("a line of fewer than three rows has no room for this slip")
    return (first[-1] - first[0]) / (len(first) - 1)


def _in_order(plan: Plan) -> list[Reading]:
    """Readings of a line in the order they are taken: up the first series, down the second."""
    first, second = first_and_second(plan.practical, plan.place)
    order: list[Reading] = []
    for run, key in enumerate(first):
        rows = range(len(plan.shown.seen[key]))
        order += [(key, row) for row in rows]
        if second:
            order += [(second[run], row) for row in reversed(rows)]
    return order


def _by(plan: Plan, shifts: Mapping[Reading, float], row: int | None = None) -> Shift:
    """Shifts given in steps of the line."""
    step = _step(plan)
    return Shift({reading: steps * step for reading, steps in shifts.items()}, row)


def jump(plan: Plan, size: float) -> Shift | None:
    """A jump at some row of the first series, and all readings after it."""
    row = plan.some_row(range(1, len(_first(plan))))
    return None if row is None else _by(plan, dict.fromkeys(_in_order(plan)[row:], size), row)


def slack(plan: Plan, size: float) -> Shift:
    """The first reading, and often the second, short of the line."""
    key = first_and_second(plan.practical, plan.place)[0][0]
    intervals = 1 if plan.rng.random() < 0.5 else 2
    return _by(plan, {(key, i): -size * 0.35**i for i in range(intervals)}, 0)


def yielding(plan: Plan, size: float) -> Shift | None:
    """The last readings of the first series beyond the line, and all after them."""
    order, count = _in_order(plan), len(_first(plan))
    bent = plan.some_row(range(max(1, count - 4), count - 1))
    if bent is None:
        return None
    span = count - bent
    shifts = {order[i]: size * ((i - bent + 1) / span) ** 2 for i in range(bent, count)}
    # it does not come back from there
    return _by(plan, shifts | dict.fromkeys(order[count:], size), bent)


def second_shifted(plan: Plan, size: float) -> Shift:
    """The second series by a constant, but for its reading at the turning point."""
    _, second = first_and_second(plan.practical, plan.place)
    below = [(key, row) for key in second for row in range(len(plan.shown.seen[key]) - 1)]
    return _by(plan, dict.fromkeys(below, size))


def lens(plan: Plan, size: float) -> Shift:
    """Both series late, most in the middle."""
    shifts: dict[Reading, float] = {}
    for side, keys in zip((-0.5, 0.5), first_and_second(plan.practical, plan.place), strict=True):
        for key in keys:
            last = len(plan.shown.seen[key]) - 1
            for row in range(last + 1):
                shifts[key, row] = side * size * 4.0 * row * (last - row) / max(last, 1) ** 2
    return _by(plan, shifts)


def creeping(plan: Plan, size: float) -> Shift:
    """All readings in the order they are taken, evenly more."""
    order = _in_order(plan)
    rate = size / max(len(order) - 1, 1)
    return _by(plan, {reading: rate * i for i, reading in enumerate(order)})


def step_missed(plan: Plan, size: float) -> Shift | None:
    """From some row on steps of the abscissa more than is typed."""
    x = plan.practical.lines[plan.place].x
    column = forward_of(plan.practical).reading(x).column
    typed: Sequence[float] = plan.shown.true[column]
    row = plan.some_row(range(1, len(typed)))
    if row is None:
        return None
    extra = size * (typed[-1] - typed[0]) / (len(typed) - 1)
    hidden = [extra if i >= row else 0.0 for i in range(len(typed))]
    return Shift({}, row, {column: hidden}, x)
