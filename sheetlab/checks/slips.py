"""Slips that run through many readings: a scale counted backwards, a wrong least count; and one
reading among repeats, of a quantity or of a row, that lies far from the others."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.subject import Subject, amount, as_if, fitting_edits, rough, would_fit
from sheetlab.finding import Finding, Severity, finding
from sheetlab.formula.tree import Call, walk
from sheetlab.messages import phrase
from sheetlab.metrology.linetests import median
from sheetlab.metrology.rowrepeats import FarRepeat
from sheetlab.practical.edits import Edit, reading_edits
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import DerivedField
from sheetlab.practical.instruments import KINDS
from sheetlab.practical.slips.table import MESSAGES

FEWEST_REPEATS = 3
FEWEST_FOR_OUTLIERS = 6
FAR_REPEAT = 6.0
"""Robust standard deviations from the median at which a repeat is told: see ``repeats_off``."""
CLOSE = 0.1
"""Part of the difference that a slip of typing may leave."""
LEAST_DIVISIONS = 4.0
FEWEST_DIGITS = 5
DIVISIONS = (10.0, 20.0, 25.0, 50.0, 100.0)
"""Divisions that moving scales have (common practice, no source)."""


def columns_in_doubt(subject: Subject) -> Iterator[Finding]:
    """Lines that their readings follow only if a scale, a unit or a column is taken otherwise.

    False alarms: none for scatter below three divisions; above, the scatter would have to fall to
    a fifth by chance.
    """
    for slip in subject.line_slips:
        edit, title = slip.edits[0], slip.field.definition.title
        unit = subject.practical.field(slip.field.y[0]).unit
        points = phrase("points-without-line", title=title)
        if math.isfinite(slip.before):
            points = phrase(
                "points-scatter", title=title, scatter=rough(slip.before / unit.factor, unit)
            )
        yield finding(
            MESSAGES[edit.kind], Severity.DOUBTFUL, subject.place(*next(iter(edit.changes))),
            points=points, scatter=rough(slip.after / unit.factor, unit),
            would=would_fit([other.words for other in slip.edits]),
        )  # fmt: skip


def zero_line_counted_twice(subject: Subject) -> Iterator[Finding]:
    """Scales with one division more than a scale has, such as 51: its lines were counted.

    False alarms: none; moving scales have 10, 20, 25, 50 or 100 divisions (common practice, no
    source).
    """
    for item in subject.practical.definition.instruments:
        key = f"{item.id}.{KINDS[item.kind].divisions}"
        count = subject.numbers.value(key, None) if KINDS[item.kind].divisions else None
        if count is not None and count - 1.0 in DIVISIONS:
            yield finding(
                "divisions-doubtful_lines", Severity.DOUBTFUL, subject.place(key, None),
                scale=item.title.lower(), count=round(count), gaps=round(count) - 1,
            )  # fmt: skip


class _Repeats(Struct, frozen=True):
    """Readings whose mean is taken, by column and row, SI units."""

    values: dict[tuple[str, int], float]
    division: float

    @property
    def middle(self) -> float:
        """Their median."""
        return median(list(self.values.values()))

    @property
    def spread(self) -> float:
        """Scaled median deviation, or half a division where that is less."""
        deviations = [abs(value - self.middle) for value in self.values.values()]
        return max(1.4826 * median(deviations), 0.5 * self.division)

    @property
    def limit(self) -> float:
        """Distance from the middle from which one is far."""
        return max(FAR_REPEAT * self.spread, LEAST_DIVISIONS * self.division)

    def far(self) -> list[tuple[str, int]]:
        """Those that lie far from the others."""
        middle, limit = self.middle, self.limit
        return [at for at, value in self.values.items() if abs(value - middle) > limit]


def _repeats(numbers: Numbers, block: Sequence[str]) -> _Repeats:
    values = {(key, row): value for key in block for row, value in enumerate(numbers.column(key))
              if value is not None}  # fmt: skip
    return _Repeats(values, numbers.division(block[0]))


def repeats_off(subject: Subject) -> Iterator[Finding]:
    """One reading among repeats of the same quantity that lies far from the others.

    Compared with the median and the scaled median deviation (or a division where that is less);
    six of them and four divisions: below 1 in 10⁴ for normal scatter of five readings or more that
    spread over less than a division, below 1 in 500 otherwise. Of fewer than six readings only a
    whole step of the main scale is told.
    """
    done: set[tuple[str, int]] = set()
    for block in _averaged(subject):
        repeats = _repeats(subject.numbers, block)
        if len(repeats.values) < FEWEST_REPEATS or not repeats.division:
            continue
        far = repeats.far()
        if len(far) > max(1, len(repeats.values) // 4):
            # so many are no slips of single readings
            continue
        if far and _explained(subject, block, far):
            # a unit or a scale taken otherwise brings them all together
            continue
        for at in far:
            told = None if at in subject.impossible | done else _far_repeat(subject, at, repeats)
            if told is not None:
                done.add(at)
                yield told


def _explained(subject: Subject, block: Sequence[str], far: list[tuple[str, int]]) -> bool:
    """Whether a slip through the whole workbook brings repeats back to the others."""
    others = (_repeats(subject.numbers.changed(e.changes), block) for e in subject.whole_slips)
    return any(other.values and not set(far) & set(other.far()) for other in others)


def _far_repeat(subject: Subject, at: tuple[str, int], repeats: _Repeats) -> Finding | None:
    (key, row), field = at, subject.practical.field(at[0])
    unit, decimals, middle = field.unit, field.decimals, repeats.middle
    near = 3.0 * repeats.spread + repeats.division
    edits = fitting_edits(subject, key, row, lambda y, _: abs(y - middle) <= near)
    few = len(repeats.values) < FEWEST_FOR_OUTLIERS
    if few and not any(edit.kind == "main-step" for edit, _ in edits):
        # of so few nothing is an outlier; a whole step of the scale is a slip of reading
        return None
    off = repeats.values[at] - middle
    return finding(
        "repeat-off_of-all", Severity.DOUBTFUL, subject.place(key, row),
        title=field.title, row=subject.row_words(row), reading=subject.shown(key, row),
        distance=amount(abs(off) / unit.factor, unit, decimals),
        side="above" if off > 0.0 else "below",
        limit=amount(repeats.limit / unit.factor, unit, decimals), would=as_if(subject, key, edits),
    )  # fmt: skip


def _averaged(subject: Subject) -> Iterator[tuple[str, ...]]:
    """Groups of reading columns whose values are repeats of one quantity: their mean is taken."""
    practical = subject.practical
    blocks = (
        tuple(_readings(subject, column))
        for _, part in practical.calls("mean")
        for column in practical.depends(part)
    )
    yield from filter(None, dict.fromkeys(blocks))


def _readings(subject: Subject, key: str) -> Iterator[str]:
    """Reading columns that a column is itself, or the row mean of."""
    field = subject.practical.field(key)
    if any(spec.rounding for spec in field.sources):
        yield key
        return
    if isinstance(field, DerivedField) and any(
        isinstance(part, Call) and part.function == "row_mean" for part in walk(field.node)
    ):
        for inner in subject.practical.depends(field.node):
            column = subject.practical.field(inner)
            if column.table == field.table and any(spec.rounding for spec in column.sources):
                yield inner


def row_repeats_off(subject: Subject) -> Iterator[Finding]:
    """One repeat of a row that lies far from the others, as repeats of all other rows scatter.

    False alarms: 0.4 % of tables with normal scatter (``rowrepeats.farthest``).
    """
    for far in subject.far_repeats:
        if (far.key, far.row) not in subject.impossible:
            yield _far_in_row(subject, far)


def _far_in_row(subject: Subject, far: FarRepeat) -> Finding:
    one = subject.practical.field(far.key)
    limit = 2.5 * far.scatter
    distance, scatter = (abs(v) / one.unit.factor for v in (far.off, far.scatter))

    def near(value: float, _: Numbers) -> bool:
        # of several ways to swap digits some gives any small difference
        return abs(value - far.others) <= min(limit, CLOSE * abs(far.off))

    edits = (
        *_miscounted(subject, far, limit),
        *fitting_edits(subject, far.key, far.row, near),
    )
    return finding(
        "repeat-off_row", Severity.DOUBTFUL, subject.place(far.key, far.row), title=one.title,
        row=far.row + 1, value=subject.shown(far.key, far.row),
        distance=amount(distance, one.unit, one.decimals),
        side="above" if far.off > 0.0 else "below", alone=far.alone,
        scatter=rough(scatter, one.unit), meant=as_if(subject, far.key, edits),
    )  # fmt: skip


def _miscounted(subject: Subject, far: FarRepeat, limit: float) -> Iterator[tuple[Edit, float]]:
    """One too many or too few counted in this repeat alone, where that fits."""
    practical = subject.practical
    table = practical.field(far.key).table
    for key, one in practical.derived.items():
        if one.table != table:
            continue
        for edit in reading_edits(subject.numbers, key, far.row):
            value = edit.changes.get((far.key, far.row))
            if edit.kind == "count-off" and value is not None and abs(value - far.others) <= limit:
                meaning = replace(edit.meaning, message="as-if-counted-in-reading")
                yield replace(edit, changes={(far.key, far.row): value}, meaning=meaning), value
                return


def digits_left_out(subject: Subject) -> Iterator[Finding]:
    """Columns in which every reading stops at tens of divisions, such as 2.4 where 2.40 is read.

    With n readings the probability of chance is 10⁻ⁿ; nothing is said of fewer than five.
    """
    for key, field in subject.practical.inputs.items():
        coincidence = key.endswith(".coincidence")
        if field.table is None or field.kind != "number":
            continue
        if coincidence and ".zero_reading." in key:
            # zero errors are often none at all
            continue
        division = 1.0 if coincidence else subject.numbers.division(key) / field.unit.factor
        values = list(subject.typed_numbers(key).values())
        if not division or len(values) < FEWEST_DIGITS or len(set(values)) < FEWEST_DIGITS - 2:
            continue
        tens = [value / division / 10.0 for value in values]
        if len({round(b - a, 6) for a, b in pairwise(tens)}) == 1:
            continue  # equal steps are set, not read
        if all(abs(ten - round(ten)) <= 1e-6 for ten in tens):
            yield finding(
                "digits-left-out", Severity.NOTE, subject.place(key, 0),
                count=len(values), title=field.title,
            )  # fmt: skip
