"""Slips that run through many readings: a scale counted backwards, a wrong least count, one
reading among repeats off by a step of its scale."""

from __future__ import annotations

import math
from collections.abc import Iterator

from msgspec import Struct

from sheetlab.checks.subject import Subject, amount, fitting_edits, joined
from sheetlab.finding import Finding, Severity
from sheetlab.formula.tree import Call, walk
from sheetlab.metrology.linetests import median
from sheetlab.practical.fields import DerivedField
from sheetlab.practical.instruments import KINDS
from sheetlab.units import Unit

FEWEST_REPEATS = 3
FEWEST_FOR_OUTLIERS = 6
FAR_REPEAT = 6.0
"""Robust standard deviations from the median at which a repeat is told: see ``repeats_off``."""
LEAST_DIVISIONS = 4.0


WOULD_FIT = "It would fit if"
_DOUBTS = {
    "scale-backwards": (
        "scale-backwards", "Which way do the numbers of the scale run? Read three settings again."
    ),
    "wrong-divisions": (
        "divisions-doubtful",
        "Count the divisions once round, and find the step of the main scale again.",
    ),
    "wrong-pitch": (
        "divisions-doubtful", "Turn it whole turns, and read how far they move it.",
    ),
    "unit-slip": ("unit-doubtful", "Look at the unit of the heading."),
    "steps-for-totals": (
        "steps-not-totals", "Each row wants the total from the first row on: add them up."
    ),
    "order-of-time": (
        "order-of-time", "On the way back each reading stands beside what it was taken at: the "
        "column is filled from the bottom upwards."
    ),
}  # fmt: skip
"""Code of the finding and what to do, by kind of edit."""


def columns_in_doubt(subject: Subject) -> Iterator[Finding]:
    """Lines that their readings follow only if a scale, a unit or a column is taken otherwise.

    False alarms: none for scatter below three divisions; above, the scatter would have to fall to
    a fifth by chance.
    """
    for slip in subject.line_slips:
        edit, title = slip.edits[0], slip.field.definition.title
        key, row = next(iter(edit.changes))
        one = subject.practical.field(slip.field.y[0])
        code, remedy = _DOUBTS[edit.kind]
        scatter = "do not follow a line"
        if math.isfinite(slip.before):
            scatter = f"scatter by {_two_digits(slip.before, one.unit)} about their line"
        yield Finding(
            code,
            Severity.DOUBTFUL,
            f"the points of “{title}” {scatter}",
            f"about {_two_digits(slip.after, one.unit)} about their line",
            f"{WOULD_FIT} {joined(edit.words for edit in slip.edits)}. {remedy}",
            subject.place(key, row),
        )


def zero_line_counted_twice(subject: Subject) -> Iterator[Finding]:
    """Scales with one division more than a scale has, such as 51: its lines were counted.

    False alarms: none; moving scales have 10, 20, 25, 50 or 100 divisions (common practice, no
    source).
    """
    for item in subject.practical.definition.instruments:
        divisions = KINDS[item.kind].divisions
        count = subject.numbers.value(f"{item.id}.{divisions}", None) if divisions else None
        if count is None or count - 1.0 not in DIVISIONS:
            continue
        yield Finding(
            "divisions-doubtful",
            Severity.DOUBTFUL,
            f"the {item.title.lower()} has {count:g} divisions",
            "10, 20, 25, 50 or 100 of them",
            f"It would fit if the {item.title.lower()} has {count - 1:g} divisions: was the zero "
            "line counted at the beginning and once more at the end? Count the gaps between lines.",
            subject.place(f"{item.id}.{divisions}", None),
        )


DIVISIONS = (10.0, 20.0, 25.0, 50.0, 100.0)


def _two_digits(value: float, unit: Unit) -> str:
    return amount(float(f"{value / unit.factor:.2g}"), unit)


class _Repeat(Struct, frozen=True):
    key: str
    row: int
    value: float


def repeats_off(subject: Subject) -> Iterator[Finding]:
    """One reading among repeats of the same quantity that lies far from the others.

    Compared with the median and the scaled median deviation (or a division where that is less);
    six of them and four divisions: below 1 in 10⁴ for normal scatter of five readings or more that
    spread over less than a division, below 1 in 500 otherwise. Of fewer than six readings only a
    whole step of the main scale is told.
    """
    told: set[tuple[str, int]] = set()
    for block in _averaged(subject):
        repeats = [
            _Repeat(key, row, value)
            for key in block
            for row in range(subject.practical.field(key).rows)
            if (value := subject.numbers.value(key, row)) is not None
        ]
        division = subject.numbers.division(block[0])
        if len(repeats) < FEWEST_REPEATS or not division:
            continue
        middle = median([r.value for r in repeats])
        spread = max(1.4826 * median([abs(r.value - middle) for r in repeats]), 0.5 * division)
        far = [r for r in repeats if abs(r.value - middle) > _limit(spread, division)]
        if len(far) > max(1, len(repeats) // 4):
            # so many are no slips of single readings
            continue
        if far and _explained(subject, block, far, 0.5 * division):
            # a unit or a scale taken otherwise brings them all together
            continue
        for repeat in far:
            if (repeat.key, repeat.row) in subject.impossible or (repeat.key, repeat.row) in told:
                continue
            finding = _far_repeat(subject, repeat, middle, spread, division, len(repeats))
            if finding is not None:
                told.add((repeat.key, repeat.row))
                yield finding


def _explained(subject: Subject, block: tuple[str, ...], far: list[_Repeat], least: float) -> bool:
    """Whether a slip through the whole workbook brings repeats back to the others."""
    for edit in subject.whole_slips:
        numbers = subject.numbers.changed(edit.changes)
        values = [v for key in block for v in numbers.column(key) if v is not None]
        if not values:
            continue
        middle = median(values)
        spread = max(1.4826 * median([abs(v - middle) for v in values]), least)
        division = numbers.division(block[0])
        if all(
            abs((numbers.value(r.key, r.row) or 0.0) - middle) <= _limit(spread, division)
            for r in far
        ):
            return True
    return False


def _limit(spread: float, division: float) -> float:
    return max(FAR_REPEAT * spread, LEAST_DIVISIONS * division)


def _far_repeat(
    subject: Subject, repeat: _Repeat, middle: float, spread: float, division: float, count: int
) -> Finding | None:
    one = subject.practical.field(repeat.key)
    off = repeat.value - middle
    side = "above" if off > 0.0 else "below"
    remedy = "Look at this reading again, or repeat it."
    edits = fitting_edits(
        subject, repeat.key, repeat.row, lambda y, _: abs(y - middle) <= 3.0 * spread + division
    )
    if count < FEWEST_FOR_OUTLIERS and not any(edit.kind == "main-step" for edit, _ in edits):
        # of so few nothing is an outlier; a whole step of the scale is a slip of reading
        return None
    if edits:
        words = "; or if ".join(edit.words for edit, _ in edits)
        meant = amount(one.unit.from_si(edits[0][1]), one.unit, one.decimals)
        remedy = f"{meant} would fit: as if {words}. {remedy}"
    number, within = (v / one.unit.factor for v in (abs(off), _limit(spread, division)))
    return Finding(
        "repeat-off",
        Severity.DOUBTFUL,
        f"“{one.title}”{subject.row_words(repeat.row)}, {subject.shown(repeat.key, repeat.row)}, "
        f"lies {amount(number, one.unit, one.decimals)} {side} the middle of its repeats",
        f"repeats within about {amount(within, one.unit, one.decimals)}",
        remedy,
        subject.place(repeat.key, repeat.row),
    )


def _averaged(subject: Subject) -> Iterator[tuple[str, ...]]:
    """Groups of reading columns whose values are repeats of one quantity: their mean is taken."""
    practical = subject.practical
    seen: set[tuple[str, ...]] = set()
    for _, part in practical.calls("mean"):
        for column in practical.depends(part):
            block = tuple(_readings(subject, column))
            if block and block not in seen:
                seen.add(block)
                yield block


def _readings(subject: Subject, key: str) -> Iterator[str]:
    """Reading columns that a column is itself, or the row mean of."""
    one = subject.practical.field(key)
    if any(spec.rounding for spec in one.sources):
        yield key
        return
    if isinstance(one, DerivedField) and any(
        isinstance(part, Call) and part.function == "row_mean" for part in walk(one.node)
    ):
        for inner in subject.practical.depends(one.node):
            found = subject.practical.field(inner)
            if found.table == one.table and any(spec.rounding for spec in found.sources):
                yield inner


def digits_left_out(subject: Subject) -> Iterator[Finding]:
    """Columns in which every reading stops at tens of divisions, such as 2.4 where 2.40 is read.

    With n readings the probability of chance is 10⁻ⁿ; nothing is said of fewer than five.
    """
    practical = subject.practical
    for key, one in practical.inputs.items():
        if one.table is None or one.kind != "number":
            continue
        coincidence = key.endswith(".coincidence")
        if coincidence and ".zero_reading." in key:
            # zero errors are often none at all
            continue
        division = 1.0 if coincidence else subject.numbers.division(key) / one.unit.factor
        values = [
            entry.value
            for entry in subject.observations.entries.get(key, ())
            if entry.value is not None
        ]
        if not division or len(values) < FEWEST_DIGITS or len(set(values)) < FEWEST_DIGITS - 2:
            continue
        if any(abs(v / division / 10.0 - round(v / division / 10.0)) > 1e-6 for v in values):
            continue
        yield Finding(
            "digits-left-out",
            Severity.NOTE,
            f"all {len(values)} readings of “{one.title}” stop at tens of divisions",
            "readings to a whole division of the scale",
            "Was the last digit read, or left out? Where it is a zero, it is a reading too.",
            subject.place(key, 0),
        )


FEWEST_DIGITS = 5
