"""Readings that do not fit the straight line of the others, and what they have in common.

Numbers are found by ``metrology.linepatterns``; here they get names, causes and questions. Of
workbooks whose readings scatter as usual ones at most 0.5 % have any of these findings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
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
    chosen = known[0].pattern if known else pattern
    code = known[0].code if known else _message(line, chosen)
    if (known and code == "point-off-line") or (not known and chosen.kind == "point"):
        named = _point(line, chosen)
    else:
        named = _pattern(line, code, chosen)
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
    x = line.subject.practical.field(line.story.line.field.x).title
    load, loads = line.called.load_or(x)
    return finding(
        message, Severity.DOUBTFUL, place, *effect,
        title=line.title, x=x, row=row + 1, load=load, loads=loads, **values,
    )  # fmt: skip


def _label(line: Sizes, series: int | None) -> str | Phrase:
    return phrase("all-series") if series is None else f"“{line.story.line.field.labels[series]}”"


def _size(line: Sizes, value: float) -> Decimals:
    """A length on the scale of y, to the digits of its readings."""
    one = line.subject.practical.field(line.story.line.field.y[0])
    number = abs(value) / one.unit.factor
    if one.decimals is None or number < 10.0**-one.decimals:
        return rough(number, one.unit)
    return amount(number, one.unit, one.decimals)


# -- one pattern ---------------------------------------------------------------------------------


def _pattern(line: Sizes, message: str, pattern: Pattern) -> Finding:
    """The finding of a pattern at its place, with all that its words may ask for."""
    story, series, row = line.story, pattern.series or 0, pattern.row or 0
    ys, back, rows = story.line.field.y, story.line.field.back, story.rows
    places = {
        "at": (ys[series], row),
        "x": (story.line.field.x, row),
        "first": (ys[series], rows[0]),
        "last": (ys[series], rows[-1]),
        "ways": (ys[-1], rows[0]),
        "middle": (ys[-1], rows[len(rows) // 2]),
        "line": (story.line.field.x, rows[0]),
    }
    shared, offset = pattern.series is None and len(ys) > 1, line.offset(series) or 0.0
    study = next((s for s in line.subject.studies if s.line is story.line), None)
    test = None if study is None else study.curvature
    return _told(
        line, message, *places[_PLACES[message]], series=_label(line, pattern.series),
        where=phrase("every-series") if shared else _label(line, pattern.series),
        way=_label(line, series), size=_size(line, pattern.size),
        twice=_size(line, 2.0 * pattern.size), grows=line.sign * pattern.size > 0.0,
        before=line.before(row) + 1 if pattern.kind == "step" else 0,
        step=_size(line, line.graduation()), confirmed=line.confirmed(pattern) and not back[series],
        alone=len(line.ways) == 1, stays=abs(offset) > LEAST_DIVISIONS * story.division,
        stay=_size(line, offset), tested=test is not None, kinks=line.called.kinks or "none",
        range=line.called.range or "none", measured=line.called.size or "none",
        t=Decimals("" if test is None else f"{test.statistic:.1f}".replace("-", "−")),
    )  # fmt: skip


_PLACES = {
    "block-shifted": "at", "readings-row-off": "at", "slip": "at", "load-not-recorded": "x",
    "step-uneven": "x", "kink-at-start": "first", "yield-at-end": "last",
    "line-bends_at-end": "last", "friction": "middle", "drift": "ways", "line-bends": "line",
}  # fmt: skip
"""Where the finding of a pattern points."""


def _message(line: Sizes, pattern: Pattern) -> str:
    """What tells a pattern by its kind."""
    match pattern.kind:
        case "step":
            return "step-uneven" if pattern.series is None else "slip"
        case "hinge":
            return _at_end(line, pattern)
    return {"toe": "kink-at-start", "lens": "friction", "slopes": "drift"}.get(
        pattern.kind, "line-bends"
    )


def _at_end(line: Sizes, pattern: Pattern) -> str:
    return "yield-at-end" if line.sign * pattern.size > 0.0 else "line-bends_at-end"


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
            return _pattern(line, _at_end(line, pattern), pattern)
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
        line, "point-off-line", at, row, column=subject.practical.field(key).title,
        value=subject.shown(key, row), size=_size(line, pattern.size),
        side="above" if pattern.size > 0.0 else "below",
        usual=_size(line, story.explained.deviation), meant=meant,
    )  # fmt: skip


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
        key, row = story.line.field.y[short[0]], story.rows_of(short[0])[0]
        yield _told(line, "readings-row-off", key, row, series=_label(line, short[0]))
        return
    # a column that stands one row off leaves a cell empty, or typed twice
    yield _or_as_well(_does_not_return(line, offset), [phrase("perhaps-way-row-off")])


def _does_not_return(line: Sizes, offset: float) -> Finding:
    yielded = any(p.kind == "hinge" for p in line.story.explained.patterns)
    return _told(
        line, "permanent-set" if yielded else "backlash",
        line.story.line.field.y[-1], line.story.rows[0], size=_size(line, offset),
        side="higher" if offset > 0.0 else "lower",
        kind="" if line.instrument is None else line.instrument.kind,
    )  # fmt: skip
