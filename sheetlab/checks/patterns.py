"""Readings that do not fit the straight line of the others, and what they have in common.

Numbers are found by ``metrology.linepatterns``; here they get names, causes and questions. Of
workbooks whose readings scatter as usual ones at most 0.5 % have any of these findings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from msgspec.structs import replace

from sheetlab.checks.sizes import SURE_SIZE, Cause, Sizes
from sheetlab.checks.subject import LEAST_DIVISIONS, SURE, Subject, amount
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.linepatterns import Pattern

MOST_RIVALS = 2
MOST_CHANGE = 1000.0
"""Per cent of a slope beyond which a change of it is not told."""
_KIND = {
    "point-off-line": "point", "slip": "step", "step-uneven": "step", "kink-at-start": "toe",
    "yield-at-end": "hinge", "line-bends": "bend", "friction": "lens", "drift": "slopes",
}  # fmt: skip
"""Kind of pattern that a finding tells without more: of the same kind nothing is to be added."""


def patterns_of_lines(subject: Subject) -> Iterator[Finding]:
    """What the points of every line have in common beside the line, one finding a cause.

    False alarms: 0.2 % of lines with normal scatter, fewer than that where the usual scatter is
    known and up to 0.5 % at 1.25 times of it (``linepatterns.explain``), and 1 in 10⁵ for levels
    that differ. Nothing is said with fewer than six points (five where the scatter is known), nor
    of what stays within three divisions, nor of a reading that no scale can show (which has a
    finding of its own).
    """
    for story in subject.stories:
        teller = _Teller(subject, story)
        for pattern in story.explained.patterns:
            found = teller.told(pattern)
            if found is not None:
                yield found
        yield from teller.levels()


class _Teller(Sizes):
    """Names the patterns of one line."""

    returned: bool = False
    """Whether the difference between the ways has been told with another cause."""

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

    # -- one pattern -------------------------------------------------------------------------

    def told(self, pattern: Pattern) -> Finding | None:
        """The finding of a pattern, with what explains the points as well.

        Among patterns that fit equally one of a size that means something (a step of the scale, a
        step of the abscissa, a slip that would fit) is the better explanation.
        """
        if abs(pattern.size) < LEAST_DIVISIONS * self.story.division:
            return None
        equal = self.equal(pattern)
        known = sorted((c for one in equal for c in self.causes(one)), key=lambda one: one.far)
        finding = self.caused(known[0]) if known else self.named(pattern)
        if finding is None:
            return None
        kind = _KIND.get(finding.code)
        others = [one.words for one in known[1:]]
        others += [self.words(one) for one in equal if one.kind != kind]
        as_well = [words for words in dict.fromkeys(others) if words][:MOST_RIVALS]
        if not as_well:
            return finding
        words = f"It could as well be that {'; or that '.join(as_well)}."
        return replace(finding, remedy_text=f"{finding.remedy_text} {words}")

    def caused(self, cause: Cause) -> Finding | None:
        """The finding of an explanation by size."""
        pattern = cause.pattern
        match cause.code:
            case "block-shifted":
                return self.block(pattern)
            case "readings-row-off":
                return self.row_off(pattern.series or 0, pattern.row or 0)
            case "load-not-recorded":
                return self.interval_missed(pattern)
            case "kink-at-start":
                return self.kink(pattern)
            case "yield-at-end":
                return self.yielding(pattern)
            case _:
                return self.point(pattern)

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
        if abs(change) > MOST_CHANGE:
            # the slope as typed is no slope, and a percentage of it says nothing
            return ""
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
        remedy, at = "Look at this reading again, or repeat it.", key
        of_x = () if edits else self.edits_of_x(pattern, key)
        if edits:
            words = "; or if ".join(edit.words for edit, _ in edits)
            meant = amount(one.unit.from_si(edits[0][1]), one.unit, one.decimals)
            remedy = f"{meant} would fit: as if {words}. {remedy}"
        elif of_x:
            (at, _), meant_x = next(iter(of_x[0].changes.items()))
            its = subject.practical.inputs[at]
            words = "; or if ".join(edit.words for edit in of_x)
            meant = amount(meant_x, its.unit, its.decimals)
            remedy = f"“{its.title}” {meant} would fit: as if {words}. {remedy}"
        return self.finding(
            "point-off-line",
            f"“{one.title}”{subject.row_words(pattern.row)}, {subject.shown(key, pattern.row)}, "
            f"lies {self.size(pattern.size)} {side} the line through all other points",
            f"a distance of about {self.size(story.explained.deviation)}, as the others have",
            remedy,
            at,
            pattern.row,
        )

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
            f"Did something slip there, or was the apparatus touched?{seen} Readings on both sides "
            "of a jump do not belong to one line: repeat the series.",
            key,
            row,
        )

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
            "Were there kinks, or slack, that the first steps pulled out, or did something slip? "
            "To begin under more tension, and once up and down before the first reading, helps. "
            "If only the first reading was misread, look at it again.",
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
            "Was it loaded beyond its elastic range, or did something slip at the last step? "
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
            "That is what friction does: is something rubbing somewhere? Tap "
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
            "Was the temperature changing, or did something creep or slip slowly? With equal "
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
        tolerance = SURE_SIZE * story.explained.u_difference + 0.5 * story.division
        if abs(abs(offset) - step) > tolerance:
            yield self.does_not_return(offset)
            return
        short = [k for k in sorted(self.ways) if story.cut_short(k)]
        if short:
            yield self.row_off(short[0], story.rows_of(short[0])[0])
            return
        # a column that stands one row off leaves a cell empty, or typed twice
        finding = self.does_not_return(offset)
        as_well = " It could as well be that the readings of one way stand one row off."
        yield replace(finding, remedy_text=finding.remedy_text + as_well)

    def does_not_return(self, offset: float) -> Finding:
        self.returned = True
        yielded = any(p.kind == "hinge" for p in self.story.explained.patterns)
        more = "higher" if offset > 0.0 else "lower"
        return self.finding(
            "permanent-set" if yielded else "backlash",
            f"“{self.title}”: on the way back the readings lie {self.size(offset)} {more} at every "
            "load, but for the reading at the turning point",
            "the same reading at the same load on both ways",
            "Was the mark reached from the other side (backlash)? Turn to the mark the "
            "same way for every reading. "
            + (
                "If the first reading taken again stays there although the mark is reached the "
                "right way, it is a permanent set: the range was too much."
                if offset > 0.0
                else ""
            ),
            self.story.line.field.y[-1],
            self.story.rows[0],
        )
