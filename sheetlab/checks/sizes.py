"""What the size of a pattern of a line means: a step of the scale, a step of the abscissa, a slip.

Numbers and places only; ``patterns`` says them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks.evaluated import LineStory
from sheetlab.checks.subject import Subject, fitting_edits
from sheetlab.messages import Phrase, phrase
from sheetlab.metrology.linepatterns import Pattern
from sheetlab.practical.definition import Instrument, Words
from sheetlab.practical.edits import Edit, length_edits
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.instruments import KINDS

SURE_SIZE = 3.0
"""Standard uncertainties within which the size of a pattern is a certain one."""
AT_AN_END = 1.2
"""The same for what happens at an end of the range only."""
USUAL_SLACK = 0.7
"""Part of a step of the readings beyond which slack is rare."""
SLIPS_OF_READING = {"main-step": -2.0, "count-off": -2.0, "half-step": 0.0, "ten-divisions": 0.0}
"""How much a slip of one reading is preferred (less) to others that fit, in the same measure."""


class Cause(Struct, frozen=True):
    """An explanation by the size of a pattern."""

    far: float
    """Standard uncertainties from that size, with what is likelier counted in."""
    code: str
    """Of the finding that tells it."""
    pattern: Pattern
    words: Phrase | None
    """To follow “it could be that”."""


class Sizes(Struct, frozen=True):
    """Sizes on one line."""

    subject: Subject
    story: LineStory

    @property
    def title(self) -> str:
        """Of the line."""
        return self.story.line.field.definition.title

    @property
    def called(self) -> Words:
        """What the practical calls its things."""
        return self.subject.practical.definition.words

    @property
    def sign(self) -> float:
        """Of the slope."""
        return math.copysign(1.0, self.story.explained.slope)

    @property
    def ways(self) -> set[int]:
        """Series with points."""
        return {p.series for p in self.story.points}

    @staticmethod
    def at(pattern: Pattern) -> tuple[int, int]:
        """Series (the first one where it is in all) and row of a point or a step."""
        assert pattern.row is not None
        return pattern.series or 0, pattern.row

    def near(self, value: float, other: float, spreads: float = 4.0) -> bool:
        """Whether two distances are the same within scatter and a division."""
        tolerance = spreads * self.story.explained.deviation + self.story.division
        return abs(value - other) <= tolerance

    @property
    def instrument(self) -> Instrument | None:
        """What y is read with; None if it is worked out."""
        read = self.subject.practical.field(self.story.line.field.y[0]).instrument
        items = self.subject.practical.definition.instruments
        return next((item for item in items if item.id == read), None)

    def graduation(self) -> float:
        """Step of the main scale of y, SI; 0 if it has none."""
        item = self.instrument
        if item is None or not KINDS[item.kind].graduation:
            return 0.0
        return self.subject.numbers.value(f"{item.id}.{KINDS[item.kind].graduation}", None) or 0.0

    def interval(self, row: int) -> float:
        """What y grows by from the row before, in the direction of growth."""
        xs = {p.row: p.x for p in self.story.points}
        return abs(self.story.explained.slope * (xs[row] - xs[self.before(row)]))

    def offset(self, series: int) -> float | None:
        """Level of the other way minus that of this series, in the direction of growth."""
        found = self.story.offset(series)
        return None if found is None else self.sign * found

    def confirmed(self, pattern: Pattern) -> bool:
        """Whether the way back lies off by as much as the way there at last did."""
        offset = None if pattern.series is None else self.offset(pattern.series)
        return offset is not None and self.near(offset, self.sign * pattern.size)

    def equal(self, pattern: Pattern) -> tuple[Pattern, ...]:
        """A pattern, and those that explain the points as well, the same vector or another."""
        found = [pattern, *pattern.rivals]
        for one in (pattern, *pattern.rivals):
            if one.kind != "point" or not self.story.ordered:
                continue
            rows = self.story.rows_of(one.series)
            if one.row == rows[-1]:
                found.append(replace(one, kind="step"))
            elif one.row == rows[0]:
                # as seen from the first row it is the others that are off
                found.append(replace(one, kind="step", row=rows[1], size=-one.size))
        return tuple(found)

    def causes(self, pattern: Pattern) -> Iterator[Cause]:
        """What explains a pattern by its size."""
        if pattern.kind == "point" and self.story.ordered:
            yield from self._of_point(pattern)
        if pattern.kind == "step" and not self.confirmed(pattern):
            yield from self._of_start(pattern)
            if not self._alone(pattern):
                yield from self._of_scale(pattern)
                yield from self._of_interval(pattern)

    def _of_point(self, pattern: Pattern) -> Iterator[Cause]:
        series, row = self.at(pattern)
        edits = self.edits(pattern, self.story.line.field.y[series])
        rows = self.story.rows_of(series)
        if edits and not (row == rows[0] and self.confirmed(pattern)):
            far = min(self.preferred(pattern, *one) for one in edits)
            yield Cause(far, "point-off-line", pattern, self.words(pattern))
        at_end = row == rows[-1] and self.sign * pattern.size > 0.0
        if at_end and len(self.ways) == 1 and not self.story.line.field.back[series]:
            yield Cause(AT_AN_END, "yield-at-end", pattern, phrase("perhaps-yielded"))

    def _of_start(self, step: Pattern) -> Iterator[Cause]:
        """Slack: the first reading alone lies too low, so that all others seem to jump."""
        back = step.series is not None and self.story.line.field.back[step.series]
        if self._starts(step) and not back:
            _, row = self.at(step)
            far = AT_AN_END + (2.0 if abs(step.size) > USUAL_SLACK * self.interval(row) else 0.0)
            yield Cause(
                far,
                "kink-at-start",
                step,
                phrase("perhaps-slack", kinks=self.called.kinks or "none"),
            )

    def _starts(self, step: Pattern) -> bool:
        return step.row == self.story.rows[1] and self.sign * step.size > 0.0

    def _of_scale(self, step: Pattern) -> Iterator[Cause]:
        graduation, (_, row) = self.graduation(), self.at(step)
        shared = 1.0 if step.series is None and len(self.ways) > 1 else 0.0
        for factor, rare in ((1.0, shared), (0.5, 1.0 + shared)) if graduation else ():
            far = self.distance(step, factor * graduation)
            if far <= SURE_SIZE:
                words = phrase("perhaps-main-scale", row=row + 1)
                yield Cause(far + rare, "block-shifted", step, words)

    def _of_interval(self, step: Pattern) -> Iterator[Cause]:
        """On every way a step of x that was not written down; on one of several a row too many."""
        _, row = self.at(step)
        interval = self.interval(row)
        far = self.distance(step, interval)
        if not interval or far > SURE_SIZE:
            return
        # what happens in the first step is more often something else
        far += 2.0 if self._starts(step) else 0.0
        if step.series is None or len(self.ways) == 1:
            words = phrase("perhaps-step-unwritten", row=row + 1)
            yield Cause(far, "load-not-recorded", step, words)
        else:
            far -= 2.0 if self.story.cut_short(step.series) else 0.0
            words = phrase("perhaps-row-off", row=row + 1)
            yield Cause(far, "readings-row-off", step, words)

    def _alone(self, step: Pattern) -> bool:
        """Whether one reading at an end is off, and the other way says that it is that one."""
        ends = (self.story.rows[1], self.story.rows[-1])
        if step.series is None or len(self.ways) == 1 or step.row not in ends:
            return False
        if step.row == ends[1]:
            return not self.story.cut_short(step.series)
        offset = self.offset(step.series)
        # beside the step the level is that of the first reading, which is left to itself
        return offset is None or not self.near(offset, -self.sign * step.size)

    def preferred(self, pattern: Pattern, edit: Edit, value: float) -> float:
        """How far a slip of one reading is from what is seen, the likelier slips preferred."""
        typed = self.typed(pattern)
        return SLIPS_OF_READING.get(edit.kind, 1.0) + self.distance(
            replace(pattern, size=pattern.size - (typed - value)), 0.0
        )

    def typed(self, pattern: Pattern) -> float:
        """Ordinate of a point as typed, SI."""
        series, row = self.at(pattern)
        return self.subject.numbers.value(self.story.line.field.y[series], row) or 0.0

    def distance(self, pattern: Pattern, size: float) -> float:
        """How far the size of a pattern is from another, in standard uncertainties."""
        spread = math.hypot(pattern.u_size, 0.3 * self.story.division)
        return abs(abs(pattern.size) - size) / spread

    def words(self, pattern: Pattern) -> Phrase | None:
        """A pattern as a cause, to follow “it could be that”; None for what is no cause."""
        row = (pattern.row or 0) + 1
        match pattern.kind:
            case "point":
                return phrase("perhaps-reading-alone", row=row)
            case "step":
                return phrase("perhaps-slipped", before=self.before(row - 1) + 1, row=row)
            case "toe":
                return phrase("perhaps-slack", kinks=self.called.kinks or "none")
            case "hinge":
                return phrase("perhaps-yielded")
            case _:
                return None

    def before(self, row: int) -> int:
        """The row before, the first one before itself."""
        rows = self.story.rows
        return rows[max(rows.index(row) - 1, 0)]

    def edits(self, pattern: Pattern, key: str) -> tuple[tuple[Edit, float], ...]:
        """Slips that would bring a point onto the line, with the ordinate (SI) that they give."""
        fits, row = self.fits(pattern, key), pattern.row or 0
        return fitting_edits(
            self.subject, key, row, lambda y, changed: fits(y, changed) and self.alike(changed, row)
        )

    def alike(self, changed: Numbers, row: int) -> bool:
        """Whether repeats of a row do not lie farther apart than those of any row as typed."""
        for block in self.subject.repeated(self.story.line.field):
            rows = range(self.subject.practical.field(block[0]).rows)
            typed = [_range(self.subject.numbers, block, one) for one in rows]
            if _range(changed, block, row) > max(typed) + self.subject.numbers.division(block[0]):
                return False
        return True

    def edits_of_x(self, pattern: Pattern, key: str) -> tuple[Edit, ...]:
        """Slips in the abscissa of a point that would bring it onto the line, one a kind."""
        numbers, row, x = self.subject.numbers, pattern.row or 0, self.story.line.field.x
        found: dict[str, Edit] = {}
        for edit in length_edits(numbers, x, row):
            changed = numbers.changed(edit.changes)
            y = changed.value(key, row)
            if y is not None and self.fits(pattern, key)(y, changed):
                found.setdefault(edit.kind, edit)
        return tuple(found.values())

    def fits(self, pattern: Pattern, key: str) -> Callable[[float, Numbers], bool]:
        """Whether an ordinate (SI) among the numbers that go with it lies on the line."""
        series, row = self.at(pattern)
        explained, typed = self.story.explained, self.typed(pattern)
        level = explained.levels[series]
        # beside a bend or a jump the straight line is no measure
        bent = any(p.kind != "point" for p in explained.patterns if p is not pattern)
        tolerance = SURE_SIZE * pattern.u_size + 0.5 * self.story.division

        def fits(y: float, numbers: Numbers) -> bool:
            x = numbers.value(self.story.line.field.x, row)
            if x is None:
                return False
            line = level + explained.slope * (x - explained.centre)
            return abs(y - (typed - pattern.size if bent else line)) <= tolerance

        return fits


def _range(numbers: Numbers, block: Sequence[str], row: int) -> float:
    """Distance between the farthest repeats of a row, SI."""
    values = [v for key in block if (v := numbers.value(key, row)) is not None]
    return max(values, default=0.0) - min(values, default=0.0)
