"""Results that cannot be right, whatever the readings look like."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Place, Severity
from sheetlab.metrology.agreement import vague
from sheetlab.metrology.budget import student_t
from sheetlab.metrology.statement import percentage, plain, significant
from sheetlab.practical.edits import Edit, whole_edits
from sheetlab.practical.evaluate import AcceptedValue, ResultValue
from sheetlab.units import unit

MOST_SLIPS = 3
_LIKELY = {
    "count-off": 0,
    "zero-sign": 1,
    "zero-side": 2,
    "scale-backwards": 3,
    "wrong-divisions": 4,
}
WOULD_FIT = "It would fit if"
"""How the remedy begins where a slip is known with which a result would agree."""
FAR = 0.002
"""Probability below which an honest result lies so far from the accepted value."""


def far_from_accepted(subject: Subject) -> Iterator[Finding]:
    """Results that lie beyond every book by far more than their uncertainty explains.

    False alarms: 0.2 % of honest results (Student's t for their effective degrees of freedom) whose
    true value some book gives.
    """
    for result in subject.evaluation.results:
        accepted = None if result is None else result.accepted
        if result is None or accepted is None or accepted.e_n is None:
            continue
        its = result.budget
        factor = student_t(1.0 - FAR, max(1.0, math.floor(min(its.effective_dof, 1e6))))
        books = abs(accepted.value) * accepted.tolerance
        if abs(its.value - accepted.value) <= books + factor * its.standard_uncertainty:
            continue
        one = subject.practical.derived[result.definition.quantity]
        named = result.definition.display_unit
        shown = unit(named) if named else one.unit
        side = "above" if accepted.percent_difference > 0 else "below"
        slips = _slips_that_fit(subject, result, accepted)
        would = f"{WOULD_FIT} {'; or if '.join(slips)}. " if slips else ""
        yield Finding(
            "far-from-accepted",
            Severity.DOUBTFUL,
            f"{one.title} is {_how_far(its.value / accepted.value, side)} the accepted value, "
            f"{significant(abs(accepted.e_n), 2)} times its expanded uncertainty",
            f"{amount(shown.from_si(accepted.value), shown)} within the uncertainty"
            + (f"; books differ by {percentage(accepted.tolerance)}" if books else ""),
            would
            + (
                result.definition.far_question
                or "Look for a mistake that all readings share: unit, zero error, count."
            ),
            Place(file=subject.file),
        )


def _slips_that_fit(
    subject: Subject, result: ResultValue, accepted: AcceptedValue
) -> tuple[str, ...]:
    """Slips through the whole workbook with which the result would agree, the nearest first."""
    key, its = result.definition.quantity, result.budget
    spread = math.hypot(its.expanded_uncertainty / (abs(its.value) or 1.0), accepted.tolerance)
    found: list[tuple[int, int, float, Edit]] = []
    for edit in whole_edits(subject.numbers):
        value = subject.numbers.changed(edit.changes).value(key, None)
        if not value or value / accepted.value <= 0.0:
            continue
        distance = abs(math.log(value / accepted.value))
        if distance <= spread:
            rank = _LIKELY.get(edit.kind, len(_LIKELY))
            found.append((rank, _outside(subject, edit), distance, edit))
    # a table that was typed in one unit is one slip, not one for each of its columns
    whole = [
        one for one in found
        if not any(one[3].changes.items() < other[3].changes.items() for other in found)
    ]  # fmt: skip
    kept: list[str] = []
    for rank, _, _, edit in sorted(whole, key=lambda one: one[:3]):
        # of all units that might have been mistaken one is enough
        if rank < len(_LIKELY) or not kept:
            kept.append(edit.words)
    return tuple(kept)[:MOST_SLIPS]


def _outside(subject: Subject, edit: Edit) -> int:
    """Numbers outside the limits of their cells with a slip undone, less those as typed."""
    count = 0
    for (key, row), value in edit.changes.items():
        one, typed = subject.practical.inputs[key], subject.observations.entry(key, row).value
        low = -math.inf if one.minimum is None else one.minimum
        high = math.inf if one.maximum is None else one.maximum
        count += (not low <= value <= high) - (typed is not None and not low <= typed <= high)
    return count


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
