"""Scales read wrongly: steps of the main scale, coincidences, divisions, zero readings."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sheetlab.practical.bench_fields import ScaleField
from sheetlab.practical.forward import Cells
from sheetlab.practical.habits.collection import Change, Collection, Plan, numbers_of
from sheetlab.practical.habits.places import (
    coincidence_tables,
    divisions_of,
    line_readings,
    numbered_beyond_twenty,
    other_readings,
    scale_of,
    two_scale_instruments,
    two_scale_lines,
    two_scales,
    zeroed_instruments,
)

HABITS = Collection()


def _move(cells: Cells, key: str, row: int, divisions: int, scale: ScaleField) -> bool:
    """Move a typed reading by so many divisions; False if the scale does not go there."""
    per_step = divisions_of(scale)
    step = scale.values[scale.kind.graduation]
    main, coincidence = (f"{key}.{part.id}" for part in scale.kind.parts)
    marks = round(numbers_of(cells, main)[row] / step)
    total = marks * per_step + round(numbers_of(cells, coincidence)[row]) + divisions
    if total < 0:
        return False
    cells[main][row] = float(f"{total // per_step * step:.12g}")
    cells[coincidence][row] = float(total % per_step)
    return True


def _moved(plan: Plan, places: Sequence[tuple[str, int]], divisions: int) -> bool:
    """Whether typed readings can be moved so."""
    trial = {key: list(values) for key, values in plan.cells.items()}
    return all(
        _move(trial, key, row, divisions, scale_of(plan.practical, key)) for key, row in places
    )


def _main_scale(
    plan: Plan, places: Sequence[tuple[str, int]], steps: float, row: int | None
) -> Change | None:
    """Readings off by steps of the main scale."""
    scale = scale_of(plan.practical, places[0][0])
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


@HABITS.add("main-step", line_readings)
def main_step(plan: Plan) -> Change | None:
    """One main-scale step misread in one reading of a line.

    Size: steps of the main scale, 1 or −1.
    """
    return _one_reading(plan, plan.signed(1.0))


@HABITS.add("half-step", line_readings)
def half_step(plan: Plan) -> Change | None:
    """Half a main-scale step misread in one reading of a line.

    Size: steps of the main scale, 0.5 or −0.5.
    """
    return _one_reading(plan, plan.signed(0.5))


@HABITS.add("repeat-step", other_readings)
def repeat_step(plan: Plan) -> Change | None:
    """One main-scale step misread in one of several readings of the same thing.

    Size: steps of the main scale, 1 or −1.
    """
    return _one_reading(plan, plan.signed(1.0))


@HABITS.add("block-step", two_scale_lines)
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
    scale = scale_of(plan.practical, plan.place)
    per_step = divisions_of(scale)
    key = f"{plan.place}.{scale.kind.parts[1].id}"
    changed = [change(round(n), per_step) for n in numbers_of(plan.cells, key)]
    row = plan.some_row([i for i, n in enumerate(changed) if n is not None])
    if row is None:
        return None

    def typed(cells: Cells) -> None:
        found = change(round(numbers_of(cells, key)[row]), per_step)
        if found is not None:
            cells[key][row] = float(found)

    before = round(numbers_of(plan.cells, key)[row])
    return Change(plan.place, row, size(before, changed[row] or 0), cells=typed)


@HABITS.add("digits-swapped", numbered_beyond_twenty)
def digits_swapped(plan: Plan) -> Change | None:
    """The two digits of a coincidence typed in the wrong order.

    Size: in divisions, as it comes out.
    """

    def swapped(n: int, divisions: int) -> int | None:
        other = n % 10 * 10 + n // 10
        return other if n != other and 10 <= n < 100 and other < divisions else None

    return _coincidence(plan, swapped, lambda before, after: float(after - before))


@HABITS.add("coincidence-ten", two_scales)
def coincidence_ten(plan: Plan) -> Change | None:
    """A coincidence off by ten divisions: the wrong number of the scale counted from.

    Size: divisions, 10 or −10.
    """
    shift = round(plan.signed(10.0))

    def shifted(n: int, divisions: int) -> int | None:
        return next((m for m in (n + shift, n - shift) if 0 <= m < divisions), None)

    return _coincidence(plan, shifted, lambda before, after: float(after - before))


@HABITS.add("scale-backwards", coincidence_tables)
def scale_backwards(plan: Plan) -> Change | None:
    """All coincidences of a table counted from the wrong end of the scale."""
    keys = [key for key in two_scales(plan.practical) if key.startswith(f"{plan.place}.")]

    def typed(cells: Cells) -> None:
        for key in keys:
            scale = scale_of(plan.practical, key)
            per_step = divisions_of(scale)
            part = f"{key}.{scale.kind.parts[1].id}"
            cells[part] = [float(-round(n) % per_step) for n in numbers_of(cells, part)]

    return Change(keys[0], None, 1.0, cells=typed)


@HABITS.add("wrong-divisions", two_scale_instruments)
def wrong_divisions(plan: Plan) -> Change | None:
    """The divisions of a scale counted as twice or half as many as there are.

    Size: the factor, 2 or 0.5.
    """
    factor = plan.size or (2.0 if plan.rng.random() < 0.5 else 0.5)
    assert plan.practical.forward is not None
    key = f"{plan.place}.{plan.practical.forward.scales[plan.place].kind.divisions}"

    def typed(cells: Cells) -> None:
        cells[key] = [float(round(n * factor)) for n in numbers_of(cells, key)]

    return Change(key, None, factor, cells=typed)


def _zero(plan: Plan) -> tuple[str, str, tuple[str, ...]]:
    """Keys of coincidence and side of zero readings, and the two sides."""
    assert plan.practical.forward is not None
    number, side = plan.practical.forward.scales[plan.place].kind.zero_parts
    base = f"{plan.place}.zero_reading"
    return f"{base}.{number.id}", f"{base}.{side.id}", side.choices


@HABITS.add("zero-forgotten", zeroed_instruments)
def zero_forgotten(plan: Plan) -> Change | None:
    """Closed-jaw readings typed as 0 without looking."""
    number, side, sides = _zero(plan)

    def typed(cells: Cells) -> None:
        cells[number] = [0.0] * len(cells[number])
        cells[side] = [sides[0]] * len(cells[side])

    return Change(number, None, 1.0, cells=typed)


@HABITS.add("zero-side", zeroed_instruments)
def zero_side(plan: Plan) -> Change | None:
    """The wrong side of the zero mark chosen with closed jaws; the division is right."""
    _, side, sides = _zero(plan)
    return Change(side, None, 1.0, cells=lambda cells: _other_side(cells, side, sides))


def _other_side(cells: Cells, side: str, sides: Sequence[str]) -> None:
    cells[side] = [sides[1] if text == sides[0] else sides[0] for text in cells[side]]


@HABITS.add("zero-sign", zeroed_instruments)
def zero_sign(plan: Plan) -> Change | None:
    """The zero error with the wrong sign: 3 divisions short of zero taken for 3 past it."""
    number, side, sides = _zero(plan)
    assert plan.practical.forward is not None
    scale = plan.practical.forward.scales[plan.place]
    per_step = divisions_of(scale)

    def typed(cells: Cells) -> None:
        cells[number] = [float(-round(n) % per_step) for n in numbers_of(cells, number)]
        _other_side(cells, side, sides)

    return Change(side, None, -1.0, cells=typed)
