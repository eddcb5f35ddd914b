"""Readings that do not fit the straight line of the others, and what they have in common.

Numbers are found by ``metrology.linepatterns``; here they get names, causes and questions. Of
workbooks whose readings scatter as normal ones at most 0.2 % have any of these findings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from sheetlab.checks.subject import (
    LEAST_DIVISIONS,
    SURE,
    LineStory,
    Subject,
    amount,
    fitting_edits,
)
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.linepatterns import Pattern
from sheetlab.practical.edits import Edit
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.instruments import KINDS

MOST_RIVALS = 2
SURE_SIZE = 3.0
"""Standard uncertainties within which the size of a pattern is a certain one."""
AT_AN_END = 1.2
"""The same for what happens at an end of the range only."""
_SLIPS_OF_READING = {"main-step": -2.0, "count-off": -2.0, "half-step": 0.0, "ten-divisions": 0.0}
"""How much a slip of one reading is preferred (less) to others that fit, in the same measure."""
_KIND = {
    "point-off-line": "point", "slip": "step", "step-uneven": "step", "kink-at-start": "toe",
    "yield-at-end": "hinge", "line-bends": "bend", "friction": "lens", "drift": "slopes",
}  # fmt: skip
"""Kind of pattern that a finding tells without more: of the same kind nothing is to be added."""


def patterns_of_lines(subject: Subject) -> Iterator[Finding]:
    """What the points of every line have in common beside the line, one finding a cause.

    False alarms: 0.2 % of lines with normal scatter (``linepatterns.explain``), and 1 in 10⁵ for
    levels that differ. Nothing is said with fewer than six points, nor of what stays within three
    divisions, nor of a reading that no scale can show (which has a finding of its own).
    """
    for story in subject.stories:
        teller = _Teller(subject, story)
        for pattern in story.explained.patterns:
            found = teller.told(pattern)
            if found is not None:
                yield found
        yield from teller.levels()


@dataclass(frozen=True, slots=True)
class _Cause:
    """An explanation by the size of a pattern."""

    far: float
    """Standard uncertainties from that size, with what is likelier counted in."""
    finding: Callable[[], Finding | None]
    words: str
    """To follow “it could be that”."""


@dataclass(slots=True)
class _Teller:
    """Names the patterns of one line."""

    subject: Subject
    story: LineStory
    returned: bool = False
    """Whether the difference between the ways has been told with another cause."""

    @property
    def sign(self) -> float:
        return math.copysign(1.0, self.story.explained.slope)

    @property
    def title(self) -> str:
        return self.story.line.field.definition.title

    def label(self, series: int | None) -> str:
        return "all series" if series is None else f"“{self.story.line.field.labels[series]}”"

    def size(self, value: float) -> str:
        """A length on the scale of y, to the digits of its readings."""
        one = self.subject.practical.field(self.story.line.field.y[0])
        number = abs(value) / one.unit.factor
        decimals = one.decimals
        if decimals is None or number < 10.0 ** -(decimals or 0):
            return amount(float(f"{number:.2g}"), one.unit)
        return amount(number, one.unit, decimals)

    def near(self, value: float, other: float, spreads: float = 4.0) -> bool:
        tolerance = spreads * self.story.explained.deviation + self.story.division
        return abs(value - other) <= tolerance

    def graduation(self) -> float:
        """Step of the main scale of y, SI; 0 if it has none."""
        one = self.subject.practical.field(self.story.line.field.y[0])
        for item in self.subject.practical.definition.instruments:
            if item.id == one.instrument and KINDS[item.kind].graduation:
                key = f"{item.id}.{KINDS[item.kind].graduation}"
                return self.subject.numbers.value(key, None) or 0.0
        return 0.0

    def interval(self, row: int) -> float:
        """What y grows by from the row before, in the direction of growth."""
        rows = self.story.rows
        i = rows.index(row)
        xs = {p.row: p.x for p in self.story.points}
        if i == 0:
            return 0.0
        return abs(self.story.explained.slope) * abs(xs[rows[i]] - xs[rows[i - 1]])

    def offset(self, series: int) -> float | None:
        """Level of the other way minus that of this series, in the direction of growth."""
        found = self.story.offset_from(series)
        return None if found is None else self.sign * found

    # -- one pattern -------------------------------------------------------------------------

    def told(self, pattern: Pattern) -> Finding | None:
        """The finding of a pattern, with what explains the points as well.

        Among patterns that fit equally one of a size that means something (a step of the scale, a
        step of the abscissa, a slip that would fit) is the better explanation.
        """
        if abs(pattern.size) < LEAST_DIVISIONS * self.story.division:
            return None
        equal = self.equal(pattern)
        known = sorted(
            (cause for one in equal for cause in self.of_known_size(one)), key=lambda one: one.far
        )
        finding = known[0].finding() if known else self.named(pattern)
        if finding is None:
            return None
        kind = _KIND.get(finding.code)
        others = [one.words for one in known[1:]]
        others += [self.words(one) for one in equal if one.kind != kind]
        as_well = [words for words in dict.fromkeys(others) if words][:MOST_RIVALS]
        if not as_well:
            return finding
        words = f"It could as well be that {'; or that '.join(as_well)}."
        return replace(finding, remedy=f"{finding.remedy} {words}")

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

    def named(self, pattern: Pattern) -> Finding | None:
        match pattern.kind:
            case "point":
                return self.point(pattern)
            case "step":
                return self.step(pattern)
            case "toe":
                return self.kink(pattern)
            case "hinge":
                return self.yielding(pattern)
            case "lens":
                return self.lens(pattern)
            case "slopes":
                return self.drift(pattern)
            case "bend":
                return self.bend(pattern)

    def of_known_size(self, pattern: Pattern) -> Iterator[_Cause]:
        """What explains a pattern by its size."""
        if pattern.kind == "point" and self.story.ordered:
            assert pattern.series is not None
            edits = self.edits(pattern, self.story.line.field.y[pattern.series])
            rows = self.story.rows_of(pattern.series)
            if edits and not (pattern.row == rows[0] and self.confirmed(pattern)):
                far = min(self.preferred(pattern, *one) for one in edits)
                yield _Cause(far, lambda: self.point(pattern), self.words(pattern))
            if pattern.row == rows[-1] and self.sign * pattern.size > 0.0:
                back = self.story.line.field.back[pattern.series]
                if not back and len({p.series for p in self.story.points}) == 1:
                    words = "something yielded at the end of the range"
                    yield _Cause(AT_AN_END, lambda: self.yielding(pattern), words)
        if pattern.kind != "step" or self.confirmed(pattern):
            return
        assert pattern.row is not None
        row, step, interval = pattern.row, self.graduation(), self.interval(pattern.row)
        ways = {p.series for p in self.story.points}
        of_one = pattern.series is not None and len(ways) > 1
        alone = of_one and row in (self.story.rows[1], self.story.rows[-1])
        start = row == self.story.rows[1] and self.sign * pattern.size > 0.0
        back = pattern.series is not None and self.story.line.field.back[pattern.series]
        if start and not back:
            far = AT_AN_END + (2.0 if abs(pattern.size) > 0.7 * interval else 0.0)
            words = "the first steps pulled out slack or kinks"
            yield _Cause(far, lambda: self.kink(pattern), words)
        if alone and not self.told_by_the_other_way(pattern):
            # one reading at an end is off, and the other way says that it is that one
            return
        if step and not (of_one is False and len(ways) > 1):
            for factor, prior in ((1.0, 0.0), (0.5, 1.0)):
                far = self.distance(pattern, factor * step)
                if far <= SURE_SIZE:
                    words = f"the main scale was misread from row {row + 1} on"
                    yield _Cause(far + prior, lambda: self.block(pattern), words)
        far = self.distance(pattern, interval)
        if interval and far <= SURE_SIZE:
            # what happens in the first step is more often something else
            far += 2.0 if start else 0.0
            if of_one:
                far -= 2.0 if self.story.cut_short(pattern.series or 0) else 0.0
                words = f"the readings from row {row + 1} on stand one row off"
                yield _Cause(far, lambda: self.row_off(pattern.series or 0, row), words)
            else:
                words = f"a step before row {row + 1} was not written down"
                yield _Cause(far, lambda: self.interval_missed(pattern), words)

    def told_by_the_other_way(self, pattern: Pattern) -> bool:
        """Whether the other way says that the many are off, and not the one reading at an end."""
        assert pattern.series is not None
        if pattern.row == self.story.rows[-1]:
            return self.story.cut_short(pattern.series)
        offset = self.offset(pattern.series)
        # beside the step the level is that of the first reading, which is left to itself
        return offset is not None and self.near(offset, -self.sign * pattern.size)

    def preferred(self, pattern: Pattern, edit: Edit, value: float) -> float:
        """How far a slip of one reading is from what is seen, the likelier slips preferred."""
        assert pattern.series is not None
        assert pattern.row is not None
        key = self.story.line.field.y[pattern.series]
        typed = self.subject.numbers.value(key, pattern.row) or 0.0
        return _SLIPS_OF_READING.get(edit.kind, 1.0) + self.distance(
            replace(pattern, size=pattern.size - (typed - value)), 0.0
        )

    def distance(self, pattern: Pattern, size: float) -> float:
        """How far the size of a pattern is from another, in standard uncertainties."""
        spread = math.hypot(pattern.u_size, 0.3 * self.story.division)
        return abs(abs(pattern.size) - size) / spread

    def words(self, pattern: Pattern) -> str:
        """A pattern as a cause, to follow “it could be that”; empty for what is no cause."""
        match pattern.kind:
            case "point":
                return f"the reading in row {(pattern.row or 0) + 1} alone is off"
            case "step":
                assert pattern.row is not None
                return f"something slipped between rows {self.before(pattern.row) + 1} and " + str(
                    pattern.row + 1
                )
            case "toe":
                return "the first steps pulled out slack or kinks"
            case "hinge":
                return "something yielded at the end of the range"
            case _:
                return ""

    def before(self, row: int) -> int:
        rows = self.story.rows
        return rows[max(rows.index(row) - 1, 0)]

    def finding(
        self, code: str, found: str, expected: str, remedy: str, key: str, row: int | None
    ) -> Finding:
        return Finding(
            code, Severity.DOUBTFUL, found, expected, f"{remedy.strip()} {self.effect()}".strip(),
            self.subject.place(key, row),
        )  # fmt: skip

    def effect(self) -> str:
        """What all patterns of the line together do to the slope."""
        fit = self.story.line.fit
        if not fit.slope:
            return ""
        change = 100.0 * (self.story.explained.slope / fit.slope - 1.0)
        if abs(change) < 0.1:
            return "The slope changes by less than 0.1 % without it."
        more = "greater" if change > 0.0 else "smaller"
        return f"Without it the slope would be {abs(change):.1f} % {more}."

    def point(self, pattern: Pattern) -> Finding | None:
        story, subject = self.story, self.subject
        assert pattern.series is not None
        assert pattern.row is not None
        key = story.line.field.y[pattern.series]
        if (key, pattern.row) in subject.named:
            return None
        grows = self.sign * pattern.size
        back = story.line.field.back
        offset = self.offset(pattern.series)
        confirmed = (
            offset is not None
            and self.near(offset, grows)
            and abs(offset) > SURE * story.explained.u_difference
        )
        if confirmed and pattern.row == story.rows[-1]:
            if back[pattern.series]:
                return self.does_not_return(-grows)
            if grows > 0.0:
                return self.yielding(pattern)
        edits = self.edits(pattern, key)
        one = subject.practical.field(key)
        side = "above" if pattern.size > 0.0 else "below"
        remedy = "Look at this reading again, or repeat it."
        if edits:
            words = "; or if ".join(edit.words for edit, _ in edits)
            meant = amount(one.unit.from_si(edits[0][1]), one.unit, one.decimals)
            remedy = f"{meant} would fit: as if {words}. {remedy}"
        return self.finding(
            "point-off-line",
            f"“{one.title}”{subject.row_words(pattern.row)}, {subject.shown(key, pattern.row)}, "
            f"lies {self.size(pattern.size)} {side} the line through all other points",
            f"a distance of about {self.size(story.explained.deviation)}, as the others have",
            remedy,
            key,
            pattern.row,
        )

    def edits(self, pattern: Pattern, key: str) -> tuple[tuple[Edit, float], ...]:
        """Slips that would bring a point onto the line, with the ordinate (SI) that they give."""
        assert pattern.series is not None
        assert pattern.row is not None
        explained = self.story.explained
        level = explained.levels[pattern.series]
        typed = self.subject.numbers.value(key, pattern.row) or 0.0
        # beside a bend or a jump the straight line is no measure
        bent = any(p.kind != "point" for p in explained.patterns if p is not pattern)
        tolerance = SURE_SIZE * pattern.u_size + 0.5 * self.story.division

        def fits(y: float, numbers: Numbers) -> bool:
            x = numbers.value(self.story.line.field.x, pattern.row)
            if x is None:
                return False
            line = level + explained.slope * (x - explained.centre)
            return abs(y - (typed - pattern.size if bent else line)) <= tolerance

        return fitting_edits(self.subject, key, pattern.row, fits)

    def step(self, pattern: Pattern) -> Finding | None:
        assert pattern.row is not None
        row = pattern.row
        key = self.story.line.field.y[pattern.series or 0]
        if pattern.series is None:
            return self.step_uneven(pattern)
        back = self.story.line.field.back[pattern.series]
        self.returned = True
        seen = ""
        if self.confirmed(pattern) and not back:
            seen = " The readings on the way back confirm it: they have the jump too."
        return self.finding(
            "slip",
            f"{self.label(pattern.series)}: a jump of {self.size(pattern.size)} between rows "
            f"{self.before(row) + 1} and {row + 1}",
            "equal steps for equal loads, from the first row to the last",
            f"Did a chuck slip there, or was the apparatus touched?{seen} Readings on both sides "
            "of a jump do not belong to one line: repeat the series.",
            key,
            row,
        )

    def confirmed(self, pattern: Pattern) -> bool:
        """Whether the way back lies off by as much as the way there at last did."""
        offset = None if pattern.series is None else self.offset(pattern.series)
        return offset is not None and self.near(offset, self.sign * pattern.size)

    def where(self, pattern: Pattern) -> str:
        shared = pattern.series is None and len(self.story.line.field.y) > 1
        return "every series" if shared else self.label(pattern.series)

    def block(self, pattern: Pattern) -> Finding:
        """All readings from a row on off by a step of the scale."""
        assert pattern.row is not None
        self.returned = True
        row, grows = pattern.row, self.sign * pattern.size
        return self.finding(
            "block-shifted",
            f"{self.where(pattern)}: all readings from row {row + 1} on lie "
            f"{self.size(pattern.size)} {'above' if grows > 0 else 'below'} where the rows "
            f"before lead; the step of the main scale is {self.size(self.graduation())}",
            "readings that follow one line from the first row to the last",
            f"Was the main scale misread in row {row + 1}, and the mistake carried on? Look at "
            "the main-scale readings there.",
            self.story.line.field.y[pattern.series or 0],
            row,
        )

    def interval_missed(self, pattern: Pattern) -> Finding:
        """From a row on every way off by what one step of x gives."""
        assert pattern.row is not None
        story, row = self.story, pattern.row
        self.returned = True
        x = story.line.field.x
        title = self.subject.practical.field(x).title
        far = self.sign * pattern.size > 0.0
        asked = (
            f"Was something added before row {row + 1} and not written down?"
            if far
            else f"Was a step written down in row {row + 1} that was never made?"
        )
        if len({p.series for p in story.points}) == 1:
            done = "left out" if far else "typed twice"
            asked += f" Or was a reading {done}, so that those after it stand one row off?"
        return self.finding(
            "load-not-recorded",
            f"from row {row + 1} on every reading is {self.size(pattern.size)} "
            f"{'too far' if far else 'short'}: as much as one {'more ' if far else ''}step of "
            f"“{title}” gives",
            "readings that belong to the value written beside them",
            asked,
            x,
            row,
        )

    def row_off(self, series: int, row: int) -> Finding:
        """Readings of one column that stand one row above or below their own."""
        self.returned = True
        x = self.subject.practical.field(self.story.line.field.x)
        return self.finding(
            "readings-row-off",
            f"{self.label(series)}: the readings from row {row + 1} on lie off by as much as one "
            f"step of “{x.title}” gives; the other way does not",
            "each reading in the row of what it was taken at",
            "Was a reading left out or typed twice, so that those after it stand one row off?",
            self.story.line.field.y[series],
            row,
        )

    def step_uneven(self, pattern: Pattern) -> Finding:
        assert pattern.row is not None
        row, more = pattern.row, self.sign * pattern.size > 0.0
        key = self.story.line.field.x
        title = self.subject.practical.field(key).title
        return self.finding(
            "step-uneven",
            f"the step of “{title}” to row {row + 1} moves the readings by "
            f"{self.size(pattern.size)} {'more' if more else 'less'} than the other steps, "
            "on every way",
            "equal changes for equal steps",
            f"Is “{title}” right in row {row + 1}? What was added there may not be what is "
            "marked on it.",
            key,
            row,
        )

    def kink(self, pattern: Pattern) -> Finding:
        self.returned = True
        rows = self.story.rows
        key = self.story.line.field.y[pattern.series or 0]
        return self.finding(
            "kink-at-start",
            f"{self.label(pattern.series)}: the first reading lies {self.size(pattern.size)} "
            "short of the line of the others: the first step is longer",
            "equal steps for equal loads from the first row on",
            "Were there kinks, or slack, that the first loads pulled out, or did a chuck slip? "
            "More dead load, and once up and down before the first reading, helps. If only the "
            "first reading was misread, look at it again.",
            key,
            rows[0],
        )

    def yielding(self, pattern: Pattern) -> Finding:
        self.returned = True
        series = pattern.series or 0
        row = self.story.rows[-1]
        offset = self.offset(series)
        stays = ""
        if offset is not None and abs(offset) > LEAST_DIVISIONS * self.story.division:
            stays = f", and on the way back {self.size(offset)} of it stay"
        grows = self.sign * pattern.size > 0.0
        return self.finding(
            "yield-at-end" if grows else "line-bends",
            f"{self.label(series)}: the last readings leave the line by {self.size(pattern.size)}"
            + (" upwards" if grows else " downwards")
            + stays,
            "equal steps for equal loads up to the last row",
            "Was the wire loaded beyond its elastic range, or did a chuck slip at the last load? "
            "Do not load it further; measure its diameter again, and evaluate only the straight "
            "part."
            if grows
            else "Was something in the way at the end of the range? Look at these readings again.",
            self.story.line.field.y[series],
            row,
        )

    def lens(self, pattern: Pattern) -> Finding:
        self.returned = True
        more = self.sign * pattern.size > 0.0
        return self.finding(
            "friction",
            f"“{self.title}”: the ways up and down agree at both ends and differ by "
            f"{self.size(pattern.size)} in the middle",
            "the same reading at the same load on both ways",
            "That is what friction does: is a wire, a frame or the level rubbing somewhere? Tap "
            "gently before each reading, and wait as long on both ways."
            + (
                "" if more else " (Here the way back lies below: look at the order of the columns.)"
            ),
            self.story.line.field.y[-1],
            self.story.rows[len(self.story.rows) // 2],
        )

    def drift(self, pattern: Pattern) -> Finding:
        self.returned = True
        return self.finding(
            "drift",
            f"“{self.title}”: the difference between the ways grows steadily with time, to "
            f"{self.size(2.0 * pattern.size)} at the first load",
            "the same reading at the same load on both ways",
            "Was the temperature changing, did the wire creep, or a chuck slip slowly? With equal "
            "times between readings the mean of both ways is right; wait before you begin, and "
            "repeat.",
            self.story.line.field.y[-1],
            self.story.rows[0],
        )

    def bend(self, pattern: Pattern) -> Finding:
        upwards = self.sign * pattern.size > 0.0
        study = next((s for s in self.subject.studies if s.line is self.story.line), None)
        text = ""
        if study is not None and study.curvature is not None:
            text = f" (t = {study.curvature.statistic:.1f})".replace("-", "−")
        return self.finding(
            "line-bends",
            f"the points of “{self.title}” bend "
            + ("upwards: the steps grow" if upwards else "downwards: the steps shrink")
            + text,
            "points on a straight line",
            "Look at the residuals on the sheet Graphs. Does the bend sit at the first readings or "
            "at the last? The sheet Lines shows the slope by other methods.",
            self.story.line.field.x,
            self.story.rows[0],
        )

    # -- both ways ---------------------------------------------------------------------------

    def levels(self) -> Iterator[Finding]:
        """A constant difference between the ways that nothing else explains."""
        offset, story = self.offset(0), self.story
        if self.returned or offset is None or not story.ways_differ:
            return
        steps = [self.interval(row) for row in story.rows[1:]]
        step = math.fsum(steps) / len(steps)
        tolerance = 3.0 * story.explained.u_difference + 0.5 * story.division
        if abs(abs(offset) - step) <= tolerance:
            short = [k for k in {p.series for p in story.points} if story.cut_short(k)]
            series = short[0] if short else max(p.series for p in story.points)
            yield self.row_off(series, story.rows_of(series)[0])
        else:
            yield self.does_not_return(offset)

    def does_not_return(self, offset: float) -> Finding:
        self.returned = True
        yielded = any(p.kind == "hinge" for p in self.story.explained.patterns)
        more = "higher" if offset > 0.0 else "lower"
        return self.finding(
            "permanent-set" if yielded else "backlash",
            f"“{self.title}”: on the way back the readings lie {self.size(offset)} {more} at every "
            "load, but for the reading at the turning point",
            "the same reading at the same load on both ways",
            "Was the screw turned to the mark from the other side (backlash)? Turn to the mark the "
            "same way for every reading. "
            + (
                "If the first load read again stays there although the screw is turned the right "
                "way, the wire has kept a permanent set: it was loaded too far."
                if offset > 0.0
                else ""
            ),
            self.story.line.field.y[-1],
            self.story.rows[0],
        )
