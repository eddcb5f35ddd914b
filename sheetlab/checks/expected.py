"""What a result must come to whatever is measured, and the slips that a definition names for it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sheetlab.checks.subject import Subject, amount
from sheetlab.checks.worlds import World, finite
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.budget import student_t
from sheetlab.practical.definition import Slip
from sheetlab.practical.evaluate import ResultValue

FAR = 0.002
"""Probability below which an honest result lies so far from what it must come to."""
FAR_NAMED = 0.01
"""The same where a slip is known that brings it there."""
STEPS = 40


def not_as_expected(subject: Subject) -> Iterator[Finding]:
    """Results that must come to a known value, such as the intercept of a line, and do not.

    False alarms: 0.2 % of honest results (Student's t for their effective degrees of freedom), and
    as much again where a slip that the definition names would bring it there by chance.
    """
    for result in subject.evaluation.results:
        if result is None or result.definition.expected is None:
            continue
        its, expected = result.budget, result.definition.expected
        one = subject.practical.derived[result.definition.quantity]
        target = one.unit.to_si(expected.value)
        width = expected.half_width * one.unit.factor
        dof = max(1.0, math.floor(min(its.effective_dof, 1e6)))
        fits = math.hypot(student_t(0.95, dof) * its.standard_uncertainty, width)
        slips = slips_that_fit(subject, result, target, fits)
        chance = FAR_NAMED if slips else FAR
        limit = math.hypot(student_t(1.0 - chance, dof) * its.standard_uncertainty, width)
        if abs(its.value - target) <= limit:
            continue
        would = f"It would fit if {'; or if '.join(slips)}. " if slips else ""
        yield Finding(
            "not-as-expected",
            Severity.DOUBTFUL,
            f"{one.title} is {amount(one.unit.from_si(its.value), one.unit, one.decimals)}, more "
            "than its uncertainty explains",
            f"{amount(expected.value, one.unit)} within "
            f"{amount(float(f'{limit / one.unit.factor:.2g}'), one.unit)}",
            would + expected.question,
            subject.place(result.definition.quantity, None),
        )


def slips_that_fit(
    subject: Subject, result: ResultValue, target: float, within: float
) -> tuple[str, ...]:
    """Slips that the definition names for a result and that bring it to a value, the best first.

    Parameters
    ----------
    target, within
        The value and how far from it counts as fitting, SI units of the result.
    """
    found = []
    for i, slip in enumerate(result.definition.slips):
        tried = _distance(subject, result.definition.quantity, slip, target)
        if tried is not None and tried[0] <= within:
            found.append((tried[0], i, tried[1]))
    return tuple(words for _, _, words in sorted(found))


def _distance(subject: Subject, key: str, slip: Slip, target: float) -> tuple[float, str] | None:
    """How far a result lies from a value with a slip undone, SI units, and the slip in words."""
    root = World(subject.numbers, subject.practical.below(), frozenset())
    one = subject.practical.derived[slip.quantity]

    def off(value: float) -> float | None:
        number = finite(root.with_(fixed={slip.quantity: value}).value(key, None))
        return None if number is None else number - target

    if slip.range is None:
        typed = subject.numbers.value(slip.quantity, None)
        left = None if typed is None or slip.factor is None else off(typed * slip.factor)
        return None if left is None else (abs(left), slip.words)
    low, high = map(one.unit.to_si, slip.range)
    at_low, at_high = off(low), off(high)
    if at_low is None or at_high is None or at_low * at_high > 0.0:
        return None
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        between = off(middle)
        if between is None:
            return None
        if between * at_low > 0.0:
            low = middle
        else:
            high = middle
    shown = amount(float(f"{one.unit.from_si(0.5 * (low + high)):.2g}"), one.unit)
    return 0.0, slip.words.replace("{value}", shown)
