"""The student's own results beside those from the student's own readings."""

from __future__ import annotations

from collections.abc import Iterator

from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Severity, finding
from sheetlab.messages import phrase
from sheetlab.metrology.statement import Decimals, plain

FEW_CAUSES = 3
FEW_DIGITS, MOST_TYPED = 4, 6
"""Significant digits of a number beside an own result, at least, and of an own result, at most."""


def answers_that_differ(subject: Subject) -> Iterator[Finding]:
    """Own results that do not follow from what the student had.

    Whether a result is near the book is another matter: it is right here if it follows from the
    student's own readings and own earlier results, and also if another method gives it.
    """
    differ = [one for one in subject.answers if one.agrees is False and not one.another_way]
    for one in differ:
        if one.expected is None:
            continue
        key = f"answer.{one.answer.id}"
        unit, given = subject.practical.inputs[key].unit, one.given
        titles = {a.id: a.title for a in subject.practical.definition.answers}
        digits = max(FEW_DIGITS, _digits(given or 0.0))
        compared = given is not None and bool(one.expected)
        yield finding(
            "own-result-differs", Severity.NOTE, subject.place(key, None),
            which="first" if one.first and len(differ) > 1 else "any", title=one.answer.title,
            # the digits that were typed, and no others
            given="nothing" if given is None else amount(given, unit, digits=MOST_TYPED),
            value=amount(one.expected, unit, digits=digits), carried=len(one.carried),
            own=" and ".join(f"“{titles[key]}”" for key in one.carried), compared=compared,
            ratio=plain((given or 0.0) / one.expected, 4) if compared else "",
            causes=Decimals(consistent_with(one)),
            question=Decimals(one.causes[0].question)
            if one.causes
            else phrase("own-result-differs_any"),
        )  # fmt: skip


def _digits(typed: float) -> int:
    """Significant digits that a number was typed with, as far as a cell keeps them."""
    return len(plain(abs(typed), MOST_TYPED).partition("×")[0].replace(".", "").lstrip("0"))


def consistent_with(one: AnswerDiagnosis) -> str:
    """“; consistent with …” for a sentence; nothing if no cause is known."""
    if not one.causes:
        return ""
    more = len(one.causes) - FEW_CAUSES
    texts = [cause.text for cause in one.causes[:FEW_CAUSES]]
    return "; consistent with " + "; or ".join(texts) + (f"; or {more} more" if more > 0 else "")


def verdict(one: AnswerDiagnosis) -> str:
    """What to say of an own result, in a few words; nothing if there is nothing to compare."""
    if one.agrees is None:
        return ""
    if one.undone:
        return "agrees once the slip in the readings is undone"
    if one.agrees:
        return "agrees with what you had before" if one.carried else "agrees with your own readings"
    if one.doubts_zero:
        return "right with the zero mark on the other side: look at the zero readings"
    if one.another_way:
        return "another way of working it out"
    return "differs; look here first" if one.first else "differs"
