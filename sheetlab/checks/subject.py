"""What a check looks at: a practical, its observations and the plain values; and how it speaks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cached_property

from msgspec import Struct

from sheetlab.checks.diagnosis import AnswerDiagnosis, diagnose
from sheetlab.checks.evaluated import Evaluated, LineStory, allowed
from sheetlab.formula.values import evaluate
from sheetlab.messages import Phrase, phrase
from sheetlab.metrology.line import LineFit
from sheetlab.metrology.linepatterns import NOTHING_KNOWN, Usual, explain
from sheetlab.metrology.rowrepeats import FarRepeat, far_repeats, squares
from sheetlab.metrology.statement import Decimals, plain
from sheetlab.practical.edits import (
    SCALE_EDITS,
    Edit,
    column_edits,
    reading_edits,
    whole_edits,
)
from sheetlab.practical.evaluate import LineResult, Numbers, refitted
from sheetlab.practical.fields import InputField, LineField
from sheetlab.practical.instruments import KINDS
from sheetlab.practical.register import Bound, BoundInstrument
from sheetlab.units import Unit


class LineSlip(Struct, frozen=True):
    """A line that is one only if a scale, a unit or a whole column is taken otherwise."""

    field: LineField
    edits: tuple[Edit, ...]
    """The best explanation, and those that fit as well."""
    before: float
    """Standard deviation about the line, SI, as typed and with the edit; infinite if no line."""
    after: float


WIDE_SCATTER = 3.0
"""Divisions of scatter about a line from which scales and columns are looked at."""
SAME = 0.01
"""Relative difference up to which a number is that of the register: room for rounding (a third of a
millimetre as 0.333); the next slip is far beyond."""
MUCH_LESS = 0.2
AS_WELL = 1.5
"""Ratio of scatters below which two slips explain a line equally well."""
FEW_POINTS = 2
READ_TO = 0.8
"""Divisions (standard deviation) to which an abscissa is read: rounding, the place of the eye and
of what is measured; common practice, no source."""
FEWEST_REPEATS, MOST_REPEATS = 6, 12
"""Degrees of freedom of repeats from which they tell the scatter, and what they count for at most:
a row has more in it than the scatter of its repeats."""
COARSE = 1.6
"""Times the usual scatter that the coarsest hands make."""
USUAL_DOF = 6.0
"""What the usual scatter of a definition counts for, beside that of the points themselves."""


class Subject(Evaluated, frozen=True, dict=True):
    """One filled workbook, evaluated, before its findings are known."""

    bound: Bound | None = None
    """What the workbook knows of its set-up."""

    def abscissa_beyond(self, line: LineField) -> bool:
        """Whether a few abscissas of a line cannot be; if most cannot, it is their unit."""
        leaves = self.practical.leaves(line.x)
        rows = {row for key, row in self.beyond_limits if key in leaves}
        return 0 < len(rows) <= sum(v is not None for v in self.numbers.column(line.x)) // 2

    def is_doubtful(self, line: LineField) -> bool:
        """Whether what the points of a line have in common is a scale or a column."""
        return line in [slip.field for slip in self.line_slips] or self.abscissa_beyond(line)

    @cached_property
    def far_repeats(self) -> tuple[FarRepeat, ...]:
        """Repeats that do not fit the others of their row, of which a line takes the mean."""
        blocks = [b for line in self.practical.lines.values() for b in self.repeated(line)]
        return tuple(
            far
            for block in dict.fromkeys(blocks)
            for far in far_repeats(self._rows(block), self.numbers.division(block[0]))
        )

    def _rows(self, block: Sequence[str]) -> dict[int, dict[str, float]]:
        """Repeats of each row that has two or more and is not left out by hand, SI."""
        one = self.practical.field(block[0])
        rows = {
            row: {key: v for key in block if (v := self.numbers.value(key, row)) is not None}
            for row in range(one.rows)
            if (one.table, row) not in self.left_out
        }
        return {row: repeats for row, repeats in rows.items() if len(repeats) > 1}

    def repeated(self, line: LineField) -> Iterator[tuple[str, ...]]:
        """Columns of repeats that are read, and on whose row means the points of a line rest."""
        practical, below = self.practical, self.practical.below()
        resting = set().union(*(below[key] for key in line.columns))
        for block in practical.blocks.values():
            if all(any(s.rounding for s in practical.field(k).sources) for k in block) and any(
                mean in resting and set(practical.depends(part)) == set(block)
                for mean, part in practical.calls("row_mean")
            ):
                yield block

    @cached_property
    def named(self) -> frozenset[tuple[str, int]]:
        """Readings (column and row) that have a finding of their own, and what follows of them."""
        below = self.practical.below()
        return (
            self.impossible
            | self.beyond_limits
            | {
                (key, far.row)
                for far in self.far_repeats
                for key, one in self.practical.derived.items()
                if one.table == self.practical.field(far.key).table and far.key in below[key]
            }
        )

    @cached_property
    def answers(self) -> tuple[AnswerDiagnosis, ...]:
        """The student's own results, judged."""
        return diagnose(self)

    @cached_property
    def suspects(self) -> frozenset[tuple[str, int]]:
        """Readings that a finding names: impossible ones, those off their row or their line."""
        return self.named | {place for one in self.stories for place in one.suspects()}

    @cached_property
    def line_slips(self) -> tuple[LineSlip, ...]:
        """Lines whose scatter falls to a fifth, and below three divisions, if a scale or a column
        is taken otherwise."""
        found = (self._line_slip(key, one) for key, one in self.practical.lines.items())
        return tuple(slip for slip in found if slip is not None)

    def _line_slip(self, key: str, line: LineField) -> LineSlip | None:
        typed = self.evaluation.lines.get(key)
        before = math.inf if typed is None else typed.fit.residual_deviation
        # without a line as typed only a whole column can have been meant otherwise
        whole = () if typed is None else self._possible(whole_edits(self.numbers, SCALE_EDITS))
        if not before > WIDE_SCATTER * self.numbers.division(*line.y) > 0.0:
            return None
        straight = 1.0 if typed is None else _relative_scatter(typed.fit)
        tried: list[tuple[float, float, Edit]] = []
        for edit in (*column_edits(self.numbers, line), *whole):
            changed = self.numbers.changed(edit.changes)
            fit = refitted(changed, line)
            if fit is None or fit.residual_deviation > WIDE_SCATTER * changed.division(*line.y):
                continue
            if _relative_scatter(fit) < MUCH_LESS * straight:
                tried.append((_relative_scatter(fit), fit.residual_deviation, edit))
        if not tried:
            return None
        tried.sort(key=lambda one: one[0])
        least, after, _ = tried[0]
        if typed is not None and self._explained_by_points(typed, after):
            return None
        edits = tuple(edit for left, _, edit in tried if left <= AS_WELL * least)
        return LineSlip(line, edits, before, after)

    def scale_parts(self, one: BoundInstrument) -> Iterator[tuple[str, float, float]]:
        """Name, typed and registered size of what makes the scale of a bound instrument."""
        kinds = {its.id: KINDS[its.kind] for its in self.practical.definition.instruments}
        kind = kinds.get(one.instrument)
        pairs = ((kind.graduation, one.step), (kind.divisions, one.divisions)) if kind else ()
        for name, registered in pairs if kind and kind.graduation else ():
            typed = self.numbers.shown(f"{one.instrument}.{name}")
            if typed is not None and registered is not None:
                yield name, typed, registered

    def _possible(self, edits: Iterable[Edit]) -> tuple[Edit, ...]:
        """Slips without those of a scale that is typed as the register has it."""
        bound = () if self.bound is None else self.bound.instruments
        known = {
            ("wrong-divisions" if name.endswith("divisions") else "wrong-pitch", one.instrument)
            for one in bound
            for name, typed, registered in self.scale_parts(one)
            if same_size(typed, registered)
        }
        return tuple(
            edit for edit in edits
            if (edit.kind, next(iter(edit.changes))[0].partition(".")[0]) not in known
        )  # fmt: skip

    def _explained_by_points(self, line: LineResult, after: float) -> bool:
        """Whether one or two wrong readings explain a scatter as well."""
        division = self.numbers.division(*line.field.y)
        told = explain(line.observed(), line.field.back, division / math.sqrt(12.0), False)
        return (
            told is not None
            and len(told.patterns) <= FEW_POINTS
            and told.deviation <= max(1.5 * after, division)
        )

    def usual(self, line: LineField) -> Usual:
        """What is known of the scatter about a line beside that of its points, SI.

        Either the definition knows it beforehand, or repeats of each point tell it: their scatter
        within the rows, together with how well an abscissa is read (``READ_TO``).
        """
        return self._usual[line.definition.id]

    @cached_property
    def _usual(self) -> dict[str, Usual]:
        # several checks ask for it, for every slip that they try
        return {id_: self._usual_of(line) for id_, line in self.practical.lines.items()}

    def _usual_of(self, line: LineField) -> Usual:
        d, unit = line.definition, self.practical.field(line.y[0]).unit
        if d.usual_scatter is not None:
            usual = d.usual_scatter * self.numbers.division(*line.y)
            most = max(COARSE * usual, (d.plausible_scatter or 0.0) * unit.factor)
            return Usual(usual, USUAL_DOF, most)
        fitted = self.evaluation.lines.get(line.definition.id)
        by_repeats = [self._by_repeats(block, line.y) for block in self.repeated(line)]
        dof = sum(dof for _, dof in by_repeats)
        if fitted is None or dof < FEWEST_REPEATS:
            return NOTHING_KNOWN
        read = self._moved(self.practical.leaves(line.x), READ_TO, (line.x,))
        variances = [*(variance for variance, _ in by_repeats), fitted.fit.slope**2 * read]
        return Usual(math.sqrt(math.fsum(variances)), min(dof, MOST_REPEATS))

    def _by_repeats(self, block: Sequence[str], ys: Sequence[str]) -> tuple[float, int]:
        """Variance of ordinates by the scatter of repeats within rows, and its dof.

        That of the row with the largest one: a line takes all its points to scatter alike.
        """
        far = {one.row for one in self.far_repeats if one.key in block}
        rows = [list(r.values()) for row, r in self._rows(block).items() if row not in far]
        dof = sum(len(r) - 1 for r in rows)
        if not dof:
            return 0.0, 0
        total = math.fsum(map(squares, rows))
        division = self.numbers.division(block[0])
        deviation = math.sqrt(max(total / dof, division**2 / 12.0))
        moved = self._moved(block, deviation / division, ys) if division else 0.0
        return moved * len(rows) / sum(map(len, rows)), dof

    def _moved(self, keys: Sequence[str], divisions: float, results: Sequence[str]) -> float:
        """Largest square by which columns move if readings move by so many divisions, SI."""
        changes: dict[tuple[str, int | None], float | None] = {}
        for key in keys:
            one = self.practical.inputs.get(key)
            if one is None or one.table is None:
                continue
            by = divisions * self.numbers.division(key) / one.unit.factor
            for row in range(one.rows):
                value = self.observations.entry(key, row).value
                if value is not None:
                    changes[key, row] = value + by
        other = self.numbers.changed(changes)
        moved = (
            a - b
            for key in results
            for a, b in zip(self.numbers.column(key), other.column(key), strict=True)
            if a is not None and b is not None
        )
        return max((by**2 for by in moved), default=0.0)

    @cached_property
    def stories(self) -> tuple[LineStory, ...]:
        """Every line with the patterns in it; only lines with enough points."""
        found = []
        for line in self.evaluation.lines.values():
            if self.is_doubtful(line.field):
                continue
            points, back = tuple(line.observed()), line.field.back
            division = self.numbers.division(*line.field.y)
            floor, usual = division / math.sqrt(12.0), self.usual(line.field)
            explained = explain(points, back, floor, any(back), usual)
            if explained is not None:
                found.append(LineStory(line, points, explained, division))
        return tuple(found)

    @cached_property
    def whole_slips(self) -> tuple[Edit, ...]:
        """Slips through the whole workbook that explain a result or a quantity that cannot be.

        Only those that leave least that is odd, and that bring the measurand to its accepted value
        where there is one; a wrong unit before a slip with a scale.
        """
        as_typed = oddities(self, self.numbers) + (self._beyond(self.numbers) > 1.0)
        as_typed += _without_line(self, self.numbers)
        found: list[tuple[int, int, float, Edit]] = []
        columns = [edit for slip in self.line_slips for edit in slip.edits]
        for edit in (*columns, *self._possible(whole_edits(self.numbers))):
            changed = self.numbers.changed(edit.changes)
            far = self._beyond(changed)
            if far > 1.0:
                continue
            odd = oddities(self, changed) + _outside(self, edit)
            # with a line that is none a result that agrees says nothing
            if odd < as_typed and not _without_line(self, changed):
                found.append((odd, edit.rank, far, edit))
        least = min((odd for odd, _, _, _ in found), default=0)
        # a table that was typed in one unit is one slip, not one for each of its columns
        kept = [
            one for one in found
            if one[0] == least
            and not any(one[3].changes.items() < other[3].changes.items() for other in found)
        ]  # fmt: skip
        return tuple(edit for _, _, _, edit in sorted(kept, key=lambda one: one[:3]))[:MOST_WORDS]

    def undone(self) -> Iterator[Numbers]:
        """Numbers with each slip undone that explains a result or a quantity that cannot be."""
        return (self.numbers.changed(edit.changes) for edit in self.whole_slips)

    def _beyond(self, numbers: Numbers) -> float:
        """Distance of the measurand to the nearest book (logarithm), in its uncertainty."""
        measurand = self.evaluation.measurand
        accepted = None if measurand is None else measurand.accepted
        if measurand is None or accepted is None:
            return 0.0
        value = numbers.value(measurand.definition.quantity, None)
        if not value or value / accepted.value <= 0.0:
            return math.inf
        its = measurand.budget
        spread = its.expanded_uncertainty / (abs(its.value) or 1.0)
        beyond = abs(math.log(value / accepted.value)) - accepted.tolerance
        return max(beyond, 0.0) / (spread or 1e-9)

    def shown(self, key: str, row: int | None = None) -> str:
        """A value as text with its unit; “nothing” where it is missing."""
        one = self.practical.field(key)
        value = self.numbers.shown(key, row)
        if isinstance(one, InputField) and one.kind != "number":
            return self.observations.entry(key, row).text or "nothing"
        return "nothing" if value is None else amount(value, one.unit, one.decimals)

    def row_words(self, row: int | None) -> str:
        """“ in row 3” for a sentence; nothing outside a table."""
        return "" if row is None else f" in row {row + 1}"


def joined(slips: Iterable[str]) -> Decimals:
    """Slips in words as a list of what could have been."""
    return Decimals("; or if ".join(slips))


def as_if(subject: Subject, key: str, edits: Sequence[tuple[Edit, float]]) -> Phrase | str:
    """What a reading would be with slips of it undone (SI), the first of them; empty if none."""
    if not edits:
        return ""
    one = subject.practical.field(key)
    value = amount(one.unit.from_si(edits[0][1]), one.unit, one.decimals)
    return phrase("would-fit-as-if", value=value, slips=joined(edit.words for edit, _ in edits))


def would_fit(slips: Sequence[str]) -> Phrase | str:
    """The beginning of a remedy that names slips in words; empty without any."""
    return phrase("would-fit", slips=joined(slips)) if slips else ""


MOST_SHOWN = 5
"""Significant digits with which zeros at the end of a number are shown."""


def oddities(subject: Subject, numbers: Numbers) -> int:
    """Quantities outside their range, and conditions on the whole that do not hold."""
    practical = subject.practical
    count = 0
    for key, one in practical.derived.items():
        value = numbers.shown(key) if one.table is None and one.plausible else None
        if value is not None and one.plausible is not None:
            count += not one.plausible[0] <= value <= one.plausible[1]
    for check in practical.checks:
        if check.table is None and not check.reading and not check.live_only:
            count += evaluate(check.node, numbers, None) is False
    return count


def _without_line(subject: Subject, numbers: Numbers) -> bool:
    """Whether the points of some line scatter so widely that it is none."""
    for line in subject.practical.lines.values():
        fit = refitted(numbers, line)
        wide = WIDE_SCATTER * numbers.division(*line.y)
        if fit is None or (wide > 0.0 and fit.residual_deviation > wide):
            return True
    return False


def _outside(subject: Subject, edit: Edit) -> int:
    """Numbers outside the limits of their cells with a slip undone, less those as typed."""
    count = 0
    for (key, row), value in edit.changes.items():
        one, typed = subject.practical.inputs[key], subject.observations.entry(key, row).value
        count += (not allowed(one, value)) - (typed is not None and not allowed(one, typed))
    return count


def same_size(typed: float, registered: float) -> bool:
    """Whether a size of a scale is that of the register."""
    return abs(typed / registered - 1.0) <= SAME


def _relative_scatter(fit: LineFit) -> float:
    """Scatter about a line as a part of the range of its ordinates."""
    ys = [p.y for p in fit.points]
    return fit.residual_deviation / ((max(ys) - min(ys)) or 1.0)


def amount(value: float, unit: Unit, decimals: int | None = None, digits: int = 6) -> Decimals:
    """A number with its unit for a sentence; ``digits``: significant ones without decimals."""
    if decimals is None or (value and abs(value) < 10.0**-decimals):
        text: str = plain(value, digits)
    else:
        text = _trimmed(f"{value:.{decimals}f}").replace("-", "−")
    return Decimals(f"{text} {unit.pretty}".strip())


def rough(value: float, unit: Unit) -> Decimals:
    """A size that is not known to more than two digits, with its unit."""
    return amount(float(f"{value:.2g}"), unit)


def _trimmed(text: str) -> str:
    """Decimals without the zeros that are beyond what any instrument here shows."""
    digits = sum(c.isdigit() for c in text.lstrip("-0."))
    while "." in text and digits > MOST_SHOWN and text.endswith("0"):
        text, digits = text[:-1], digits - 1
    return text.rstrip(".") if "." in text else text


def fitting_edits(
    subject: Subject, key: str, row: int, fits: Callable[[float, Numbers], bool]
) -> tuple[tuple[Edit, float], ...]:
    """Slips of reading or typing with which a reading would fit, the likeliest first.

    Parameters
    ----------
    fits
        Whether a value of the reading (SI) fits, among the numbers that go with it.

    Returns
    -------
    tuple
        Each slip with the value that it gives, one a kind, three at most.
    """
    found: list[tuple[Edit, float]] = []
    for edit in reading_edits(subject.numbers, key, row):
        numbers = subject.numbers.changed(edit.changes)
        value = numbers.value(key, row)
        if value is not None and fits(value, numbers):
            found.append((edit, value))
    # whole steps of the scale are misread more often than anything else
    found.sort(key=lambda pair: pair[0].rank)
    kinds: dict[str, tuple[Edit, float]] = {}
    for edit, value in found:
        kinds.setdefault(edit.kind, (edit, value))
    return tuple(kinds.values())[:MOST_WORDS]


MOST_WORDS = 3
