"""Results that cannot be right, whatever the readings look like."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

from sheetlab.checks.expected import leaves_odd, reach, slips_that_fit
from sheetlab.checks.subject import WOULD_FIT, Subject, amount
from sheetlab.finding import Finding, Place, Severity
from sheetlab.metrology.budget import student_t
from sheetlab.practical.evaluate import AcceptedValue, ResultValue
from sheetlab.units import unit

FAR = 0.002
"""Probability below which an honest result lies so far from the accepted value."""


def far_from_accepted(subject: Subject) -> Iterator[Finding]:
    """Results that differ from the accepted value by far more than both uncertainties explain.

    False alarms: 0.2 % of honest results (Student's t for their effective degrees of freedom).
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
        would = f"{WOULD_FIT} {'; or if '.join(slips)}. " if slips else ""
        yield Finding(
            "far-from-accepted",
            Severity.DOUBTFUL,
            f"{one.title} is {_how_far(its.value / accepted.value, side)} the accepted value "
            f"(E_n = {accepted.e_n:.1f})".replace("-", "−"),
            f"|E_n| of about 1 or less; accepted: {amount(shown.from_si(accepted.value), shown)}",
            would
            + (
                result.definition.far_question
                or "Look for a mistake that all readings share: unit, zero error, count."
            ),
            Place(file=subject.file),
        )


def is_far(subject: Subject, result: ResultValue) -> bool:
    """Whether a result differs from its accepted value by more than both uncertainties explain."""
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
    # the interval of the book is an expanded one, as if of a normal distribution
    book = abs(accepted.value) * accepted.tolerance * student_t(1.0 - FAR, math.inf) / 1.96
    return math.hypot(scale * reach(subject, result, 1.0 - FAR), book)


def _how_far(ratio: float, side: str) -> str:
    if ratio > 3.0:
        return f"{ratio:.3g} times"
    return f"{100.0 * abs(ratio - 1.0):.2g} % {side}"


def undetermined(subject: Subject) -> Iterator[Finding]:
    """Results whose uncertainty leaves hardly anything of them."""
    for result in subject.evaluation.results[:1]:
        if result is None:
            continue
        b = result.budget
        if b.expanded_uncertainty > 0.5 * abs(b.value):
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
