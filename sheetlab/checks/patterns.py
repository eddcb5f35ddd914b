"""Readings that do not fit the straight line of the others, and what they have in common.

Numbers are found by ``metrology.linepatterns``; here they get names, causes and questions. Of
workbooks whose readings scatter as normal ones at most 0.2 % have any of these findings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

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

    def step_of_scale(self, value: float) -> bool:
        step = self.graduation()
        return bool(step) and (self.near(abs(value), step) or self.near(abs(value), 0.5 * step))

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
        if abs(pattern.size) < LEAST_DIVISIONS * self.story.division:
            return None
        match pattern.kind:
            case "point":
                return self.point(pattern)
            case "step":
                return self.step(pattern)
            case "toe":
                return self.kink(pattern, 0)
            case "hinge":
                return self.yielding(pattern)
            case "lens":
                return self.lens(pattern)
            case "slopes":
                return self.drift(pattern)
            case "bend":
                return self.bend(pattern)

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
        if confirmed and pattern.row == story.rows[0] and self.step_of_scale(pattern.size):
            # all the others are off, and this one is right
            others = Pattern("step", pattern.series, story.rows[1], -pattern.size, 0.0)
            return self.block(others)
        edits = self.edits(pattern, key)
        first = (
            offset is not None
            and not back[pattern.series]
            and pattern.row == story.rows[0]
            and grows < 0.0
            and len(story.rows) > 1
            and -grows < 0.8 * self.interval(story.rows[1])
        )
        if first and not edits:
            return self.kink(pattern, 0)
        one = subject.practical.field(key)
        side = "above" if pattern.size > 0.0 else "below"
        remedy = "Look at this reading again, or repeat it."
        if edits:
            words = "; or if ".join(edit.words for edit, _ in edits)
            meant = amount(one.unit.from_si(edits[0][1]), one.unit, one.decimals)
            remedy = f"{meant} would fit: as if {words}. {remedy}"
        if first:
            remedy += " If it is right, the first load pulled out kinks, or a chuck slipped."
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
        tolerance = 4.0 * explained.deviation + 0.5 * self.story.division

        def fits(y: float, numbers: Numbers) -> bool:
            x = numbers.value(self.story.line.field.x, pattern.row)
            if x is None:
                return False
            line = level + explained.slope * (x - explained.centre)
            return abs(y - (typed - pattern.size if bent else line)) <= tolerance

        return fitting_edits(self.subject, key, pattern.row, fits)

    def step(self, pattern: Pattern) -> Finding | None:
        assert pattern.row is not None
        grows = self.sign * pattern.size
        row = pattern.row
        key = self.story.line.field.y[pattern.series or 0]
        if pattern.series is None:
            return self.step_of_all(pattern, grows)
        offset = self.offset(pattern.series)
        if self.step_of_scale(pattern.size) and not (
            offset is not None and self.near(offset, grows)
        ):
            return self.block(pattern)
        back = self.story.line.field.back[pattern.series]
        rows = self.story.rows
        if not back and grows > 0.0 and rows.index(row) <= 2 and grows < 0.8 * self.interval(row):
            return self.kink(pattern, rows.index(row) - 1)
        self.returned = True
        before = rows[rows.index(row) - 1]
        between = f"between rows {before + 1} and {row + 1}"
        seen = ""
        if offset is not None and self.near(offset, grows) and not back:
            seen = " The readings on the way back confirm it: they have the jump too."
        return self.finding(
            "slip",
            f"{self.label(pattern.series)}: a jump of {self.size(pattern.size)} {between}",
            "equal steps for equal loads, from the first row to the last",
            f"Did a chuck slip there, or was the apparatus touched?{seen} Readings on both sides "
            "of a jump do not belong to one line: repeat the series.",
            key,
            row,
        )

    def block(self, pattern: Pattern) -> Finding:
        """All readings of a series from a row on off by a step of the scale."""
        assert pattern.row is not None
        self.returned = True
        row, grows = pattern.row, self.sign * pattern.size
        key = self.story.line.field.y[pattern.series or 0]
        return self.finding(
            "block-shifted",
            f"{self.label(pattern.series)}: all readings from row {row + 1} on lie "
            f"{self.size(pattern.size)} {'above' if grows > 0 else 'below'} where the rows "
            "before lead; the step of the main scale is "
            f"{self.size(self.graduation())}",
            "readings that follow one line from the first row to the last",
            f"Was the main scale misread in row {row + 1}, and the mistake carried on? Look at "
            "the main-scale readings there.",
            key,
            row,
        )

    def step_of_all(self, pattern: Pattern, grows: float) -> Finding:
        assert pattern.row is not None
        row = pattern.row
        interval = self.interval(row)
        x = self.subject.practical.field(self.story.line.field.x)
        key = self.story.line.field.x
        if interval and abs(grows / interval - 1.0) < 0.3:
            return self.finding(
                "load-not-recorded",
                f"from row {row + 1} on every reading is {self.size(pattern.size)} too far: as "
                f"much as one more step of “{x.title}” gives",
                "readings that belong to the value written beside them",
                f"Was something added before row {row + 1} and not written down?",
                key,
                row,
            )
        if interval and abs(grows / interval + 1.0) < 0.3:
            return self.finding(
                "load-not-recorded",
                f"from row {row + 1} on every reading is {self.size(pattern.size)} short: as "
                f"much as one step of “{x.title}” gives",
                "readings that belong to the value written beside them",
                f"Was a step written down in row {row + 1} that was never made?",
                key,
                row,
            )
        if self.step_of_scale(pattern.size):
            return self.finding(
                "block-shifted",
                f"all readings from row {row + 1} on, in every series, lie "
                f"{self.size(pattern.size)} off; the step of the main scale is "
                f"{self.size(self.graduation())}",
                "readings that follow one line from the first row to the last",
                f"Was the main scale misread from row {row + 1} on?",
                self.story.line.field.y[0],
                row,
            )
        return self.finding(
            "step-uneven",
            f"the step of “{x.title}” to row {row + 1} moves the readings by "
            f"{self.size(pattern.size)} {'more' if grows > 0 else 'less'} than the other steps, "
            "on every way",
            "equal changes for equal steps",
            f"Is “{x.title}” right in row {row + 1}? What was added there may not be what is "
            "marked on it.",
            key,
            row,
        )

    def kink(self, pattern: Pattern, steps: int) -> Finding:
        self.returned = True
        rows = self.story.rows
        key = self.story.line.field.y[pattern.series or 0]
        upto = rows[min(max(steps, 0) + 1, len(rows) - 1)]
        return self.finding(
            "kink-at-start",
            f"{self.label(pattern.series)}: the first reading{'s' if steps > 0 else ''} "
            f"lie{'' if steps > 0 else 's'} {self.size(pattern.size)} short of the line of the "
            f"others: the steps up to row {upto + 1} are longer",
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
        offset = self.offset(0)
        if not self.returned and offset is not None and self.story.ways_differ:
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
