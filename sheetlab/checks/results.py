"""Results that cannot be right, whatever the readings look like."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from sheetlab.checks.expected import FAR, leaves_odd, reach, slips_that_fit
from sheetlab.checks.subject import Subject, amount, would_fit
from sheetlab.finding import Finding, Place, Severity, finding
from sheetlab.messages import phrase
from sheetlab.metrology.agreement import vague
from sheetlab.metrology.statement import percentage, plain, significant
from sheetlab.practical.evaluate import AcceptedValue, ResultValue
from sheetlab.units import unit

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
        slips = [
            *slips_that_fit(subject, result, accepted.value, within),
            *(_edits_that_fit(subject, result) if result is measurand else ()),
        ]
        ratio, far = value / accepted.value, accepted.percent_difference
        # a list of what else it might be only hides a slip that is named
        question = result.definition.far_question or phrase("far-from-accepted_any")
        yield finding(
            "far-from-accepted", Severity.DOUBTFUL, Place(file=subject.file),
            title=one.title,
            ratio=plain(ratio, 3) if ratio > MUCH else percentage(abs(ratio - 1.0)),
            side="times" if ratio > MUCH else "above" if far > 0 else "below",
            uncertainties=significant(abs(accepted.e_n or 0.0), 2),
            accepted=amount(shown.from_si(accepted.value), shown),
            known=bool(accepted.tolerance),
            books=percentage(accepted.tolerance),
            slips=would_fit(slips),
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
