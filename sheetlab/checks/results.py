"""Results that cannot be right, whatever the readings look like."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

from sheetlab.checks.expected import leaves_odd, slips_that_fit
from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Place, Severity
from sheetlab.metrology.budget import student_t
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
    """Results that differ from the accepted value by far more than both uncertainties explain.

    False alarms: 0.2 % of honest results (Student's t for their effective degrees of freedom).
    """
    for result in subject.evaluation.results:
        accepted = None if result is None else result.accepted
        if result is None or accepted is None or accepted.e_n is None or not _is_far(result):
            continue
        its = result.budget
        one = subject.practical.derived[result.definition.quantity]
        named = result.definition.display_unit
        shown = unit(named) if named else one.unit
        side = "above" if accepted.percent_difference > 0 else "below"
        slips = (
            *slips_that_fit(subject, result, accepted.value, _spread(result, accepted)),
            *_edits_that_fit(subject, result, accepted),
        )
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


def _is_far(result: ResultValue) -> bool:
    """Whether a result differs from its accepted value by more than both uncertainties explain."""
    its, accepted = result.budget, result.accepted
    if accepted is None or accepted.e_n is None:
        return False
    factor = student_t(1.0 - FAR, max(1.0, math.floor(min(its.effective_dof, 1e6))))
    # the interval of the book is an expanded one, as if of a normal distribution
    book = abs(accepted.value) * accepted.tolerance * student_t(1.0 - FAR, math.inf) / 1.96
    return abs(its.value - accepted.value) > math.hypot(factor * its.standard_uncertainty, book)


def implausible_quantities(subject: Subject) -> Iterator[Finding]:
    """Quantities outside the range that the practical can have.

    Not those that are far from their accepted value: that says more. False alarms: none by chance,
    the ranges hold everything that is ever measured.
    """
    far = {r.definition.quantity for r in subject.evaluation.results if r and _is_far(r)}
    for key, one in subject.practical.derived.items():
        value = subject.numbers.shown(key) if one.table is None else None
        if one.plausible is None or value is None or key in far:
            continue
        low, high = one.plausible
        if not low <= value <= high:
            yield Finding(
                "implausible",
                Severity.DOUBTFUL,
                f"{one.title} comes to {amount(value, one.unit)}",
                f"something between {amount(low, one.unit)} and {amount(high, one.unit)}",
                "Look for a reading in the wrong unit or in the wrong column.",
                subject.place(key, 0),
            )


def _edits_that_fit(
    subject: Subject, result: ResultValue, accepted: AcceptedValue
) -> tuple[str, ...]:
    """Slips through the whole workbook with which the result would agree, the nearest first."""
    key = result.definition.quantity
    spread = _spread(result, accepted) / abs(accepted.value)
    named = {slip.quantity for slip in result.definition.slips}
    found: list[tuple[int, int, float, Edit]] = []
    for edit in whole_edits(subject.numbers):
        if any(name in named for name, _ in edit.changes):
            # the definition has its own words for it
            continue
        changed = subject.numbers.changed(edit.changes)
        value = changed.value(key, None)
        if not value or value / accepted.value <= 0.0:
            continue
        distance = abs(math.log(value / accepted.value))
        if distance <= spread and not leaves_odd(subject, partial(changed.value, row=None)):
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


def _spread(result: ResultValue, accepted: AcceptedValue) -> float:
    """How far a result may lie from the accepted value and agree with it, SI units."""
    its = result.budget
    share = math.hypot(its.expanded_uncertainty / (abs(its.value) or 1.0), accepted.tolerance)
    return share * abs(accepted.value)


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
