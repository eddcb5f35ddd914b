"""Results that cannot be right, whatever the readings look like: far from every book, or from what
they must come to; and the slips that a definition names for them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from msgspec import Struct

from sheetlab.checks.subject import Subject, amount, rough, would_fit
from sheetlab.finding import Finding, Place, Severity, finding
from sheetlab.messages import phrase
from sheetlab.metrology.agreement import vague
from sheetlab.metrology.budget import effective_dof, student_t
from sheetlab.metrology.statement import Decimals, percentage, plain, significant
from sheetlab.practical.definition import Expected, Slip
from sheetlab.practical.evaluate import AcceptedValue, ResultValue
from sheetlab.practical.fields import InputField
from sheetlab.practical.slips.worlds import World, finite
from sheetlab.units import unit

FAR = 0.002
"""Probability below which an honest result lies so far from what it must be, or from every book."""
FAR_NAMED = 0.01
"""The same where a slip is known that brings it there."""
CONTRADICT = 3.0
"""Times the scatter of the points from which what is known of it is no help."""
STEPS, CLOSE = 100, 2.0**-32
"""Tries for the value that a slip must have had, and the part of its range to which it is found."""
SAME = 0.01
"""Relative change below which a result stays as it is."""
MUCH = 3.0
"""Times the accepted value from which a result is said to be so many times that."""


def far_from_accepted(subject: Subject) -> Iterator[Finding]:
    """Results that lie beyond every book by far more than their uncertainty explains.

    False alarms: 0.2 % of honest results (Student's t for their effective degrees of freedom) whose
    true value some book gives.
    """
    measurand = subject.evaluation.measurand
    for result in subject.evaluation.results:
        accepted = None if result is None else result.accepted
        if result is None or accepted is None or not is_far(subject, result):
            continue
        one, value = subject.practical.derived[result.definition.quantity], result.budget.value
        named = result.definition.display_unit
        shown = unit(named) if named else one.unit
        within = _reach(subject, result, accepted, abs(accepted.value / value) if value else 1.0)
        fitting = _fitting(subject, result, accepted.value, within)
        slips = [slip.words for slip in fitting if not _leaves_odd(subject, slip.value)]
        if result is measurand:
            slips += _edits_that_fit(subject, result)
        ratio, far = value / accepted.value, accepted.percent_difference
        # a list of what else it might be only hides a slip that is named
        question = result.definition.far_question or phrase("far-from-accepted_any")
        yield finding(
            "far-from-accepted", Severity.DOUBTFUL, Place(file=subject.file), title=one.title,
            ratio=plain(ratio, 3) if ratio > MUCH else percentage(abs(ratio - 1.0)),
            side="times" if ratio > MUCH else "above" if far > 0 else "below",
            uncertainties=significant(abs(accepted.e_n or 0.0), 2),
            accepted=amount(shown.from_si(accepted.value), shown), known=bool(accepted.tolerance),
            books=percentage(accepted.tolerance), slips=would_fit(slips),
            question=phrase("far-from-accepted_slip") if slips else question,
        )  # fmt: skip


def is_far(subject: Subject, result: ResultValue) -> bool:
    """Whether a result lies beyond every book by more than its uncertainty explains."""
    its, accepted = result.budget, result.accepted
    if accepted is None or accepted.e_n is None:
        return False
    return abs(its.value - accepted.value) > _reach(subject, result, accepted)


def _edits_that_fit(subject: Subject, result: ResultValue) -> Iterator[str]:
    """Slips through the whole workbook that explain the result, in words."""
    named = {slip.quantity for slip in result.definition.slips}
    for edit in subject.whole_slips:
        changed = subject.numbers.changed(edit.changes)
        # for some the definition has its own words
        if not any(name in named for name, _ in edit.changes) and not _leaves_odd(
            subject, partial(changed.value, row=None)
        ):
            yield edit.words


def _reach(
    subject: Subject, result: ResultValue, accepted: AcceptedValue, scale: float = 1.0
) -> float:
    """How far an honest result may lie from the accepted value, SI units.

    ``scale``: how many times larger the result and its uncertainty would be with a slip undone.
    """
    books = abs(accepted.value) * accepted.tolerance
    return books + scale * _within(subject, result, 1.0 - FAR)


def at_extremes(subject: Subject) -> Iterator[Finding]:
    """Results that no source changes to first order: a formula at its highest or lowest value."""
    for result in subject.evaluation.results:
        order = None if result is None else result.second_order
        if result is None or order is None or not order.first_is_nothing:
            continue
        title = subject.practical.derived[result.definition.quantity].title
        yield finding("at-an-extreme", Severity.NOTE, Place(file=subject.file), title=title)


def undetermined(subject: Subject) -> Iterator[Finding]:
    """Results whose uncertainty leaves hardly anything of them."""
    result = subject.evaluation.measurand
    if result is not None and vague(result.budget.expanded_uncertainty, result.budget.value):
        title = subject.practical.derived[result.definition.quantity].title
        place = Place(file=subject.file)
        yield finding("result-undetermined", Severity.DOUBTFUL, place, title=title)


def not_as_expected(subject: Subject) -> Iterator[Finding]:
    """Results that must come to a known value, such as the intercept of a line, and do not.

    False alarms: 0.2 % of honest results (Student's t for their effective degrees of freedom), and
    as much again where a slip that the definition names would bring it there by chance.
    """
    for result, expected in _expected(subject):
        one = subject.practical.derived[result.definition.quantity]
        target = one.unit.to_si(expected.value)
        slips, limit = _judged(subject, result, expected)
        values = [result.budget.value, *(n.value(one.key, None) for n in subject.undone())]
        # nothing of what follows from a slip that explains the measurand too
        if any(value is not None and abs(value - target) <= limit for value in values):
            continue
        yield finding(
            "not-as-expected", Severity.DOUBTFUL, subject.place(one.key, None), title=one.title,
            value=amount(one.unit.from_si(result.budget.value), one.unit, one.decimals),
            target=amount(expected.value, one.unit), limit=rough(limit / one.unit.factor, one.unit),
            slips=would_fit([slip.words for slip in slips]), question=Decimals(expected.question),
        )  # fmt: skip


def _expected(subject: Subject) -> Iterator[tuple[ResultValue, Expected]]:
    """Results that must come to a known value."""
    for result in subject.evaluation.results:
        if result is not None and result.definition.expected is not None:
            yield result, result.definition.expected


def _judged(
    subject: Subject, result: ResultValue, expected: Expected
) -> tuple[list[_Tried], float]:
    """Slips that would bring a result to where it must be, and how far off it may be, SI units."""
    one = subject.practical.derived[result.definition.quantity]
    width = expected.half_width * one.unit.factor

    def within(probability: float) -> float:
        return math.hypot(_within(subject, result, probability), width)

    slips = _fitting(subject, result, one.unit.to_si(expected.value), within(0.95))
    return slips, within(1.0 - (FAR_NAMED if slips else FAR))


def _within(subject: Subject, result: ResultValue, probability: float) -> float:
    """Distance within which a result lies from what is true, SI units.

    The uncertainty that is stated rests on the scatter about a line alone. Whether the result is
    odd is asked with all that is known of that scatter (``Subject.usual``), pooled with it.
    """
    pooled: dict[str, tuple[float, float]] = {}
    for line in subject.evaluation.lines.values():
        usual, dof, own = subject.usual(line.field), line.fit.dof, line.fit.residual_deviation
        # where both contradict each other something is wrong with what both rest on
        if usual.dof and own and usual.deviation <= CONTRADICT * own:
            both = (dof * own**2 + usual.dof * usual.deviation**2) / (dof + usual.dof)
            pooled[f"({','.join(line.field.columns)})"] = math.sqrt(both) / own, dof + usual.dof
    parts = []
    for row in result.budget.rows:
        found = next((v for k, v in pooled.items() if row.source.estimate.endswith(k)), None)
        ratio, dof_ = found or (1.0, row.source.dof)
        parts.append((ratio * row.contribution, dof_))
    u = math.sqrt(math.fsum(part**2 for part, _ in parts))
    return student_t(probability, max(1.0, min(effective_dof(parts), 1e6))) * u


def _leaves_odd(subject: Subject, value: Callable[[str], float | None]) -> bool:
    """Whether a result that is not as it must be stays as it is with a slip undone.

    What explains one result only, while another shows that the same readings are wrong, is no
    explanation. ``value``: a quantity with the slip undone, SI units.
    """
    for result, expected in _expected(subject):
        key, before = result.definition.quantity, result.budget.value
        off = abs(before - subject.practical.derived[key].unit.to_si(expected.value))
        after = value(key)
        same = after is None or abs(after - before) <= SAME * abs(before)
        if same and off > _judged(subject, result, expected)[1]:
            return True
    return False


def _fitting(subject: Subject, result: ResultValue, target: float, within: float) -> list[_Tried]:
    """Slips that the definition names for a result and that bring it to a value (SI), best first.

    One that may be any within its range fits where the result lies within reach at all, and so
    comes after those that could have failed to fit.
    """
    tried = [
        _tried(subject, result.definition.quantity, slip, target)
        for slip in result.definition.slips
    ]
    fitting = [one for one in tried if one is not None and one.distance <= within]
    return sorted(fitting, key=lambda one: (one.free, one.distance))


class _Tried(Struct, frozen=True):
    """A result with a slip undone."""

    distance: float
    """From where it has to be, SI units."""
    free: bool
    """Whether any value would have fitted."""
    words: str
    value: Callable[[str], float | None]
    """Any quantity with the slip undone, SI units."""


def _tried(subject: Subject, key: str, slip: Slip, target: float) -> _Tried | None:
    """A result with a slip undone; None if that gives no number near the value."""
    root = World(subject.numbers)
    one = subject.practical.field(slip.quantity)
    typed = subject.numbers.value(slip.quantity, None)

    def undone(value: float) -> Callable[[str], float | None]:
        world = root.with_(fixed={slip.quantity: value})
        return lambda name: finite(world.value(name, None))

    def off(value: float) -> float | None:
        number = undone(value)(key)
        return None if number is None else number - target

    if slip.range is None:
        value = None if typed is None or slip.factor is None else typed * slip.factor
    else:
        value = _solved(off, *map(one.unit.to_si, slip.range))
    whole = isinstance(one, InputField) and one.decimals == 0 and one.unit.text == "1"
    if value is not None and whole:
        value = float(round(value))
    left = None if value is None else off(value)
    if value is None or left is None or value == typed:
        return None
    free = slip.range is not None and not whole
    shown = amount(float(f"{one.unit.from_si(value):.{6 if whole else 2}g}"), one.unit)
    words = slip.words.replace("{value}", shown)
    return _Tried(0.0 if free else abs(left), free, words, undone(value))


def _solved(off: Callable[[float], float | None], low: float, high: float) -> float | None:
    """Where a function is nothing: false position (Illinois), every third step a bisection.

    None if its ends have one sign, or if it gives no number on the way.
    """
    at_low, at_high, least = off(low), off(high), CLOSE * abs(high - low)
    if at_low is None or at_high is None or at_low * at_high > 0.0:
        return None
    # each try works out a whole workbook: false position takes ten where halving takes forty
    for step in range(STEPS):
        if abs(high - low) <= least or at_high == 0.0:
            break
        share = at_high / (at_high - at_low) if step % 3 < 2 else 0.5
        between = off(middle := high - share * (high - low))
        if between is None:
            return None
        if (between < 0.0) == (at_high < 0.0):
            at_low *= 0.5
        else:
            low, at_low = high, at_high
        high, at_high = middle, between
    return high
