"""Functions for cells: readings that do not go with the others of their column."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct

from sheetlab.live.cells import Cell, RefusedError, Table, number
from sheetlab.live.library import Argument, Block, Example, Function, Value
from sheetlab.live.scales import worked_out
from sheetlab.metrology.line import fit_line
from sheetlab.metrology.linepatterns import FEWEST_POINTS, Explained, Observed, Pattern, explain
from sheetlab.practical.instruments import KINDS

GROUP = "Checks"
MOST = 500
"""Readings in one column; the search takes time that grows with their square."""
STEPS = ((1.0, "one main-scale step"), (0.5, "half a main-scale step"),
         (2.0, "two main-scale steps"))  # fmt: skip
FEWEST_FOR_STEPS = 4
NAMED = 3
"""Doubts that one sentence names; of more it gives the number."""
_FINER = next(check for check in KINDS["direct"].checks if check.code == "finer-than-scale")


class _Column(Struct, frozen=True):
    """Readings that are numbers, with their place among all cells."""

    places: tuple[int, ...]
    readings: tuple[float, ...]
    at: tuple[float, ...]
    division: float
    graduation: float | None
    remarks: tuple[tuple[int, str], ...]
    """Of cells that are no reading, or one that the scale cannot show."""


def _column(
    readings: Table, at: Table | None, graduation: float | None, least_count: float | None
) -> _Column:
    for name, value in (("graduation", graduation), ("least_count", least_count)):
        if value is not None and value <= 0.0:
            raise RefusedError(f"{name} is {value:g}; it has to be greater than 0")
    flat = [cell for row in readings for cell in row]
    beside: list[Cell] = [c for row in at for c in row] if at else [*map(float, range(len(flat)))]
    if len(beside) < len(flat) and any(cell is not None for cell in flat[len(beside) :]):
        raise RefusedError(f"readings has {len(flat)} cells, at has {len(beside)}")
    places, values, abscissas, remarks = [], [], [], []
    for place, cell in enumerate(flat[: len(beside)]):
        if cell is None:
            continue
        try:
            value = number(cell, "this cell")
        except RefusedError as refusal:
            remarks.append((place, str(refusal)))
            continue
        x = beside[place]
        if x is None:
            remarks.append((place, "nothing stands beside it in the cells of “at”"))
            continue
        places.append(place)
        values.append(value)
        abscissas.append(number(x, f"cell {place + 1} of at"))
    if len(values) > MOST:
        raise RefusedError(f"{len(values)} readings; {MOST} are the most for one column")
    division = least_count or _last_digit(values)
    if least_count:
        for place, value in zip(places, values, strict=True):
            if not worked_out(_FINER.condition, value=value, least_count=least_count):
                remarks.append((place, "finer than a tenth of the least count"))
    return _Column(
        tuple(places), tuple(values), tuple(abscissas), division, graduation, tuple(remarks)
    )


def _last_digit(values: Sequence[float]) -> float:
    """One unit of the last decimal place that any of the readings has, of at most ten digits.

    Of whole numbers it is 1: whether a zero was read or filled in cannot be told.
    """
    digits = [Decimal(f"{v:.10g}").normalize().as_tuple().exponent for v in values if v]
    return float(Decimal(1).scaleb(min(int(d) for d in [*digits, 0])))


def _doubts(column: _Column) -> list[tuple[int, str]]:
    """Place and what is to be said, in order of place."""
    found = list(column.remarks)
    if len(column.readings) >= FEWEST_FOR_STEPS:
        if min(column.at) == max(column.at):
            raise RefusedError("all of “at” are alike; for repeats see GRUBBS_TEST")
        if len(column.readings) < FEWEST_POINTS:
            return sorted([*found, *_misread_step(column)])
        points = [
            Observed(0, row, x, y)
            for row, (x, y) in enumerate(zip(column.at, column.readings, strict=True))
        ]
        explained = explain(points, (False,), column.division / math.sqrt(12.0), True)
        if explained is not None:
            found += [_said(column, explained, one) for one in explained.patterns]
    return sorted(found)


def _misread_step(column: _Column) -> list[tuple[int, str]]:
    """The one reading that is off by whole steps of the main scale, if without it all is in line.

    For columns that are too short to be compared otherwise. No scatter below a tenth of the step
    gives an alarm, since nothing is said of readings that scatter by less than a fifth of it.
    """
    if column.graduation is None:
        return []
    before = _scatter(column, column.readings)
    tried = []
    for row, value in enumerate(column.readings):
        for factor, words in STEPS:
            if factor < 1.0:  # at an end, half a step is no more than a bend
                continue
            for step in (factor * column.graduation, -factor * column.graduation):
                readings = [*column.readings[:row], value - step, *column.readings[row + 1 :]]
                tried.append((_scatter(column, readings), row, step, words))
    (after, row, step, words), second = sorted(tried)[:2]
    if before < 0.2 * column.graduation or 5.0 * after > min(before, second[0]):
        return []
    side = "above" if step > 0.0 else "below"
    fits = _decimal(column.readings[row] - step, column)
    size = _decimal(abs(step), column)
    text = f"about {size} {side} the line of the others: {words}; {fits} would fit"
    return [(column.places[row], text)]


def _scatter(column: _Column, readings: Sequence[float]) -> float:
    return max(fit_line(column.at, readings).residual_deviation, 0.5 * column.division)


def _said(column: _Column, explained: Explained, one: Pattern) -> tuple[int, str]:
    row = one.row or 0
    # the vector of a toe points downwards
    above = (one.size > 0.0) != (one.kind == "toe")
    side = f"{_decimal(abs(one.size), column)} {'above' if above else 'below'}"
    near = 4.0 * explained.deviation + 0.5 * column.division
    match one.kind:
        case "point":
            text = f"{side} the line of the others{_slip(column, one, near)}"
        case "step":
            step = _steps(column, one.size, near)
            text = f"from here on {side} where those before lead" + (f": {step[1]}" if step else "")
        case "toe":
            row, text = 0, f"{side} the line of the others, and the next one half of it: slack?"
        case "hinge":
            text = f"from here on the readings leave the line, at last by {side} it"
        case _:
            way = "upwards" if one.size > 0.0 else "downwards"
            row, text = 0, f"the readings bend {way}: equal steps do not change them alike"
    return column.places[row], text


def _decimal(value: float, column: _Column) -> str:
    """A number with the decimal places of the readings."""
    return f"{value:.{max(0, -Decimal(repr(column.division)).adjusted())}f}".replace("-", "−")


def _steps(column: _Column, size: float, near: float) -> tuple[float, str] | None:
    """The misread step of the main scale that a distance is, if it is one."""
    if column.graduation is None:
        return None
    for factor, words in STEPS:
        step = math.copysign(factor * column.graduation, size)
        if abs(size - step) <= near:
            return step, words
    return None


def _slip(column: _Column, one: Pattern, near: float) -> str:
    """What could have been meant instead of a reading, to follow what is said of it."""
    typed = column.readings[one.row or 0]
    step = _steps(column, one.size, near)
    if step:
        return f": {step[1]}; {_decimal(typed - step[0], column)} would fit"
    from sheetlab.practical.slips.cells import swapped_digits

    decimals = max(0, -Decimal(repr(column.division)).adjusted())
    for other in swapped_digits(typed, decimals):
        if abs(typed - one.size - other) <= near:
            return f": two digits swapped? {_decimal(other, column)} would fit"
    return ""


def _summary(
    readings: Table, at: Table | None, graduation: float | None, least_count: float | None
) -> str:
    column = _column(readings, at, graduation, least_count)
    told = [f"reading {place + 1}: {text}" for place, text in _doubts(column)]
    if len(told) > NAMED:
        told = [*told[:NAMED], f"and {len(told) - NAMED} more"]
    few = _too_few(column)
    return "; ".join([*told, few] if few else told) or (
        f"nothing stands out in {len(column.readings)} readings"
    )


def _too_few(column: _Column) -> str:
    count = len(column.readings)
    if count >= FEWEST_POINTS:
        return ""
    if count >= FEWEST_FOR_STEPS and column.graduation:
        return f"{count} readings: only steps of the main scale can be seen"
    return f"{count} readings are too few to compare; {FEWEST_POINTS} are needed"


def _each(
    readings: Table, at: Table | None, graduation: float | None, least_count: float | None
) -> Block:
    column = _column(readings, at, graduation, least_count)
    width = len(readings[0])
    told: list[list[Value]] = [[""] * width for _ in readings]
    for place, text in _doubts(column):
        cell = told[place // width][place % width]
        told[place // width][place % width] = f"{cell}; {text}" if cell else text
    if not any(map(any, told)):
        told[0][0] = _too_few(column)
    return tuple(map(tuple, told))


_ARGUMENTS = (
    Argument(
        "readings", "Readings in the order taken, six or more (with graduation, four).", "table"
    ),
    Argument("at", "What was set for each, such as the load (usual: equal steps).", "table", True),
    Argument("graduation", "Step of the main scale, to recognise misread steps.", "number", True),
    Argument(
        "least_count", "Least count (usual: one unit of the last digit typed).", "number", True
    ),
)
_MISREAD = (2.12, 2.37, 2.61, 2.36, 3.12, 3.36, 3.62, 3.87)
_CARRIED = (2.12, 2.37, 2.61, 2.86, 3.62, 3.86, 4.12, 4.37)
_SWAPPED = (2.12, 2.37, 2.61, 2.68, 3.12, 3.36, 3.62, 3.87)
_LOADS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
_INVENTED = "invented readings; the mistake was planted in the fourth or fifth"

ROWS = (
    Function(
        "CHECK_READINGS",
        "Readings that stand out, in one sentence",
        "Compares readings that should follow a straight line: one that is off (a step of the "
        "main scale? digits swapped?), all of them from one on, slack at the start, a bend. Chance "
        "gives a false alarm in 1 of 500 columns. Nothing is left out or changed.",
        GROUP,
        _ARGUMENTS,
        _summary,
        (
            Example(
                (_MISREAD, None, 0.5, None),
                "reading 4: 0.51 below the line of the others: one main-scale step; 2.86 would fit",
                _INVENTED,
            ),
            Example(
                (_CARRIED, None, 0.5, None),
                "reading 5: from here on 0.51 above where those before lead: one main-scale step",
                _INVENTED,
            ),
            Example(
                (_SWAPPED, _LOADS, None, None),
                "reading 4: 0.19 below the line of the others: two digits swapped? 2.86 would fit",
                _INVENTED,
            ),
        ),
    ),
    Function(
        "CHECK_EACH_READING",
        "Readings that stand out, beside each",
        "As CHECK_READINGS, with a cell for each reading (an array formula beside them).",
        GROUP,
        _ARGUMENTS,
        _each,
        (
            Example(
                (_MISREAD, None, 0.5, 0.01),
                tuple(
                    ("0.51 below the line of the others: one main-scale step; 2.86 would fit",)
                    if row == 3
                    else ("",)
                    for row in range(8)
                ),
                _INVENTED,
            ),
        ),
    ),
)
