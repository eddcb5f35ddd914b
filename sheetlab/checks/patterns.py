"""Readings that do not fit the straight line of the others, and what they have in common.

Numbers are found by ``metrology.linepatterns``; here they get names, causes and questions. Of
workbooks whose readings scatter as usual ones at most 0.5 % have any of these findings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from msgspec.structs import replace

from sheetlab.checks.evaluated import LEAST_DIVISIONS, SURE
from sheetlab.checks.sizes import SURE_SIZE, Sizes
from sheetlab.checks.subject import Subject, amount, as_if, joined, rough
from sheetlab.finding import Finding, Severity, finding
from sheetlab.messages import Phrase, phrase
from sheetlab.metrology.linepatterns import Pattern
from sheetlab.metrology.statement import Decimals

MOST_RIVALS = 2
MOST_CHANGE = 1000.0
"""Per cent of a slope beyond which a change of it is not told."""
_KIND = {
    "point-off-line": "point", "slip": "step", "step-uneven": "step", "kink-at-start": "toe",
    "yield-at-end": "hinge", "line-bends": "bend", "friction": "lens", "drift": "slopes",
}  # fmt: skip
"""Kind of pattern that a finding tells without more: of the same kind nothing is to be added."""
_NOT_OF_WAYS = ("point-off-line", "step-uneven", "line-bends")
"""Findings that leave a difference between the ways unexplained."""


def patterns_of_lines(subject: Subject) -> Iterator[Finding]:
    """What the points of every line have in common beside the line, one finding a cause.

    False alarms: 0.2 % of lines with normal scatter, fewer than that where the usual scatter is
    known and up to 0.5 % at 1.25 times of it (``linepatterns.explain``), and 1 in 10⁵ for levels
    that differ. Nothing is said with fewer than six points (five where the scatter is known), nor
    of what stays within three divisions, nor of a reading that no scale can show (which has a
    finding of its own).
    """
    for story in subject.stories:
        line = Sizes(subject, story)
        named = [_named(line, pattern) for pattern in story.explained.patterns]
        told = [one for one in named if one is not None]
        yield from told
        if all(one.message_id in _NOT_OF_WAYS for one in told):
            yield from _levels(line)


def _named(line: Sizes, pattern: Pattern) -> Finding | None:
    """The finding of a pattern, with what explains the points as well.

    Among patterns that fit equally one of a size that means something (a step of the scale, a
    step of the abscissa, a slip that would fit) is the better explanation.
    """
    if abs(pattern.size) < LEAST_DIVISIONS * line.story.division:
        return None
    equal = line.equal(pattern)
    known = sorted((c for one in equal for c in line.causes(one)), key=lambda one: one.far)
    if known:
        named = _NAMES[known[0].code](line, known[0].pattern)
    else:
        named = _NAMES[pattern.kind](line, pattern)
    if named is None:
        return None
    others = [one.words for one in known[1:]]
    others += [line.words(one) for one in equal if one.kind != _KIND.get(named.code)]
    return _or_as_well(named, [one for one in dict.fromkeys(others) if one is not None])


def _or_as_well(named: Finding, others: list[Phrase]) -> Finding:
    if not others:
        return named
    first, second = [*others, ""][:MOST_RIVALS]
    count = min(len(others), MOST_RIVALS)
    as_well = phrase("as-well", count=count, first=first, second=second)
    return replace(named, also=(*named.also, as_well))


def _told(line: Sizes, message: str, key: str, row: int, /, **values: Any) -> Finding:
    """A finding at a cell of a line, with what all patterns of it together do to the slope."""
    place, fit = line.subject.place(key, row), line.story.line.fit
    effect: tuple[Phrase, ...] = ()
    change = 100.0 * (line.story.explained.slope / fit.slope - 1.0) if fit.slope else math.inf
    if abs(change) < 0.1:
        effect = (phrase("slope-unchanged"),)
    elif abs(change) <= MOST_CHANGE:
        side = "greater" if change > 0.0 else "smaller"
        by = Decimals(f"{abs(change):.1f}")
        effect = (phrase("slope-without", change=by, side=side),)
    # beyond that the slope as typed is no slope, and a percentage of it says nothing
    return finding(message, Severity.DOUBTFUL, place, *effect, row=row + 1, **values)


def _label(line: Sizes, series: int | None) -> str | Phrase:
    return phrase("all-series") if series is None else f"“{line.story.line.field.labels[series]}”"


def _where(line: Sizes, series: int | None) -> str | Phrase:
    shared = series is None and len(line.story.line.field.y) > 1
    return phrase("every-series") if shared else _label(line, series)


def _size(line: Sizes, value: float) -> Decimals:
    """A length on the scale of y, to the digits of its readings."""
    one = line.subject.practical.field(line.story.line.field.y[0])
    number = abs(value) / one.unit.factor
    if one.decimals is None or number < 10.0**-one.decimals:
        return rough(number, one.unit)
    return amount(number, one.unit, one.decimals)


# -- one pattern ---------------------------------------------------------------------------------


def _point(line: Sizes, pattern: Pattern) -> Finding | None:
    story, subject = line.story, line.subject
    series, row = line.at(pattern)
    key = story.line.field.y[series]
    if (key, row) in subject.named:
        return None
    offset, grows = line.offset(series), line.sign * pattern.size
    confirmed = (
        offset is not None
        and line.near(offset, grows)
        and abs(offset) > SURE * story.explained.u_difference
    )
    if confirmed and row == story.rows[-1]:
        if story.line.field.back[series]:
            return _does_not_return(line, -grows)
        if grows > 0.0:
            return _yielding(line, pattern)
    edits, at, meant = line.edits(pattern, key), key, as_if(subject, key, ())
    if edits:
        meant = as_if(subject, key, edits)
    elif of_x := line.edits_of_x(pattern, key):
        (at, _), value = next(iter(of_x[0].changes.items()))
        its = subject.practical.inputs[at]
        meant = phrase(
            "other-would-fit-as-if",
            title=its.title,
            value=amount(value, its.unit, its.decimals),
            slips=joined(edit.words for edit in of_x),
        )
    return _told(
        line, "point-off-line", at, row,
        title=subject.practical.field(key).title,
        value=subject.shown(key, row),
        size=_size(line, pattern.size),
        side="above" if pattern.size > 0.0 else "below",
        usual=_size(line, story.explained.deviation),
        meant=meant,
    )  # fmt: skip


def _step(line: Sizes, pattern: Pattern) -> Finding:
    _, row = line.at(pattern)
    field = line.story.line.field
    size = _size(line, pattern.size)
    if pattern.series is None:
        title, more = line.subject.practical.field(field.x).title, line.sign * pattern.size > 0.0
        side = "more" if more else "less"
        return _told(line, "step-uneven", field.x, row, title=title, size=size, side=side)
    confirmed = line.confirmed(pattern) and not field.back[pattern.series]
    return _told(
        line, "slip", field.y[pattern.series], row,
        series=_label(line, pattern.series),
        size=size,
        before=line.before(row) + 1,
        confirmed=confirmed,
    )  # fmt: skip


def _block(line: Sizes, pattern: Pattern) -> Finding:
    """All readings from a row on off by a step of the scale."""
    series, row = line.at(pattern)
    return _told(
        line, "block-shifted", line.story.line.field.y[series], row,
        series=_where(line, pattern.series),
        size=_size(line, pattern.size),
        side="above" if line.sign * pattern.size > 0 else "below",
        step=_size(line, line.graduation()),
    )  # fmt: skip


def _interval_missed(line: Sizes, pattern: Pattern) -> Finding:
    """From a row on every way off by what one step of x gives."""
    _, row = line.at(pattern)
    x = line.story.line.field.x
    return _told(
        line, "load-not-recorded", x, row,
        title=line.subject.practical.field(x).title,
        size=_size(line, pattern.size),
        far=line.sign * pattern.size > 0.0,
        alone=len(line.ways) == 1,
    )  # fmt: skip


def _row_off(line: Sizes, series: int, row: int) -> Finding:
    """Readings of one column that stand one row above or below their own."""
    field = line.story.line.field
    title = line.subject.practical.field(field.x).title
    label = _label(line, series)
    return _told(line, "readings-row-off", field.y[series], row, series=label, title=title)


def _kink(line: Sizes, pattern: Pattern) -> Finding:
    story = line.story
    label, size = _label(line, pattern.series), _size(line, pattern.size)
    key = story.line.field.y[pattern.series or 0]
    return _told(line, "kink-at-start", key, story.rows[0], series=label, size=size)


def _yielding(line: Sizes, pattern: Pattern) -> Finding:
    story, series = line.story, pattern.series or 0
    offset = line.offset(series) or 0.0
    return _told(
        line, "yield-at-end" if line.sign * pattern.size > 0.0 else "line-bends_at-end",
        story.line.field.y[series], story.rows[-1],
        series=_label(line, series),
        size=_size(line, pattern.size),
        stays=abs(offset) > LEAST_DIVISIONS * story.division,
        stay=_size(line, offset),
    )  # fmt: skip


def _lens(line: Sizes, pattern: Pattern) -> Finding:
    rows = line.story.rows
    return _told(
        line, "friction", line.story.line.field.y[-1], rows[len(rows) // 2],
        title=line.title,
        size=_size(line, pattern.size),
        below=line.sign * pattern.size <= 0.0,
    )  # fmt: skip


def _drift(line: Sizes, pattern: Pattern) -> Finding:
    key, row = line.story.line.field.y[-1], line.story.rows[0]
    return _told(line, "drift", key, row, title=line.title, size=_size(line, 2.0 * pattern.size))


def _bend(line: Sizes, pattern: Pattern) -> Finding:
    study = next((s for s in line.subject.studies if s.line is line.story.line), None)
    test = None if study is None else study.curvature
    return _told(
        line, "line-bends", line.story.line.field.x, line.story.rows[0],
        title=line.title,
        side="up" if line.sign * pattern.size > 0.0 else "down",
        tested=test is not None,
        t=Decimals("" if test is None else f"{test.statistic:.1f}".replace("-", "−")),
    )  # fmt: skip


_NAMES: Mapping[str, Callable[[Sizes, Pattern], Finding | None]] = {
    "block-shifted": _block,
    "readings-row-off": lambda line, pattern: _row_off(line, *line.at(pattern)),
    "load-not-recorded": _interval_missed,
    "kink-at-start": _kink,
    "yield-at-end": _yielding,
    "point-off-line": _point,
    "point": _point,
    "step": _step,
    "toe": _kink,
    "hinge": _yielding,
    "lens": _lens,
    "slopes": _drift,
    "bend": _bend,
}
"""What tells a cause by its code, or a pattern by its kind."""


# -- both ways -----------------------------------------------------------------------------------


def _levels(line: Sizes) -> Iterator[Finding]:
    """A constant difference between the ways that nothing else explains."""
    offset, story = line.offset(0), line.story
    if offset is None or not story.ways_differ:
        return
    steps = [line.interval(row) for row in story.rows[1:]]
    step = math.fsum(steps) / len(steps)
    tolerance = SURE_SIZE * story.explained.u_difference + 0.5 * story.division
    if abs(abs(offset) - step) > tolerance:
        yield _does_not_return(line, offset)
        return
    short = [k for k in sorted(line.ways) if story.cut_short(k)]
    if short:
        yield _row_off(line, short[0], story.rows_of(short[0])[0])
        return
    # a column that stands one row off leaves a cell empty, or typed twice
    yield _or_as_well(_does_not_return(line, offset), [phrase("perhaps-way-row-off")])


def _does_not_return(line: Sizes, offset: float) -> Finding:
    yielded = any(p.kind == "hinge" for p in line.story.explained.patterns)
    return _told(
        line, "permanent-set" if yielded else "backlash",
        line.story.line.field.y[-1], line.story.rows[0],
        title=line.title,
        size=_size(line, offset),
        side="higher" if offset > 0.0 else "lower",
    )  # fmt: skip
