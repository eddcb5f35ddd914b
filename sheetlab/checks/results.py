"""Results that cannot be right, whatever the readings look like."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from sheetlab.checks.expected import FAR, leaves_odd, reach, slips_that_fit
from sheetlab.checks.subject import Subject, amount, would_fit
from sheetlab.finding import Finding, Place, Severity
from sheetlab.metrology.agreement import vague
from sheetlab.metrology.statement import percentage, plain, significant
from sheetlab.practical.evaluate import AcceptedValue, ResultValue
from sheetlab.units import unit


def far_from_accepted(subject: Subject) -> Iterator[Finding]:
    """Results that lie beyond every book by far more than their uncertainty explains.

    False alarms: 0.2 % of honest results (Student's t for their effective degrees of freedom) whose
    true value some book gives.
    """
    measurand = subject.evaluation.measurand
    for result in subject.evaluation.results:
        accepted = None if result is None else result.accepted
        if (
            result is None
            or accepted is None
            or accepted.e_n is None
            or not is_far(subject, result)
        ):
            continue
        its = result.budget
        one = subject.practical.derived[result.definition.quantity]
        named = result.definition.display_unit
        shown = unit(named) if named else one.unit
        side = "above" if accepted.percent_difference > 0 else "below"
        ratio = abs(accepted.value / its.value) if its.value else 1.0
        within = _reach(subject, result, accepted, ratio)
        slips = [
            *slips_that_fit(subject, result, accepted.value, within),
            *(_edits_that_fit(subject, result) if result is measurand else ()),
        ]
        yield Finding(
            "far-from-accepted",
            Severity.DOUBTFUL,
            f"{one.title} is {_how_far(its.value / accepted.value, side)} the accepted value, "
            f"{significant(abs(accepted.e_n), 2)} times its expanded uncertainty",
            f"{amount(shown.from_si(accepted.value), shown)} within the uncertainty"
            + (f"; books differ by {percentage(accepted.tolerance)}" if accepted.tolerance else ""),
            # a list of what else it might be only hides a slip that is named
            f"{would_fit(slips)}Was it so?"
            if slips
            else result.definition.far_question
            or "Look for a mistake that all readings share: unit, zero error, count.",
            Place(file=subject.file),
        )


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
        if not any(name in named for name, _ in edit.changes) and not leaves_odd(
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
    return books + scale * reach(subject, result, 1.0 - FAR)


def _how_far(ratio: float, side: str) -> str:
    if ratio > 3.0:
        return f"{plain(ratio, 3)} times"
    return f"{percentage(abs(ratio - 1.0))} {side}"


def at_extremes(subject: Subject) -> Iterator[Finding]:
    """Results that no source changes to first order: a formula at its highest or lowest value."""
    for result in subject.evaluation.results:
        order = None if result is None else result.second_order
        if result is None or order is None or not order.first_is_nothing:
            continue
        yield Finding(
            "at-an-extreme",
            Severity.NOTE,
            f"the formula of {subject.practical.derived[result.definition.quantity].title} is at "
            "its highest or lowest value: to first order its sources do not change it",
            "a result that grows or falls with its sources",
            "u and U are those of second order; take the interval of the trials.",
            Place(file=subject.file),
        )


def undetermined(subject: Subject) -> Iterator[Finding]:
    """Results whose uncertainty leaves hardly anything of them."""
    for result in subject.evaluation.results[:1]:
        if result is None:
            continue
        b = result.budget
        if vague(b.expanded_uncertainty, b.value):
            one = subject.practical.derived[result.definition.quantity]
            yield Finding(
                "result-undetermined",
                Severity.DOUBTFUL,
                f"{one.title} has an expanded uncertainty of more than half its value",
                "readings that determine the result",
                "Look at the graph and the sheet Budget: one of the readings is far off, or there "
                "are too few.",
                Place(file=subject.file),
            )
