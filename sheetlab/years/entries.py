"""What is kept of an evaluated workbook: an entry for each of its results."""

from __future__ import annotations

import datetime
import hashlib
import json
import math
from collections.abc import Iterator
from typing import Any

from sheetlab import __version__
from sheetlab.checks.assess import Assessment
from sheetlab.checks.marks import own_uncertainty
from sheetlab.checks.wording import Words
from sheetlab.finding import Severity
from sheetlab.formula.tree import Call, Negative, Node
from sheetlab.practical.evaluate import ResultValue
from sheetlab.practical.fields import START_PREFIX
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Observations
from sheetlab.practical.register import setup_that_counts
from sheetlab.units import Unit, coherent_text, interval_of, unit
from sheetlab.years.ledger import FINDING, SAVED, WIRE, ZERO_HOUR, Entry, Number, clean

DIGITS = 12
"""Significant digits that are kept: every spreadsheet program gives them back as they were."""


def source_digest(practical: Practical, observations: Observations) -> str:
    """Digest of the typed readings and the definition; of no name, date or person.

    A number counts as the number, however its cell holds it, so that a file that was saved again
    by another program is the same source. Of a text counts that it is there: what it says may name
    someone, and is not in the samples of an evidence pack.
    """
    typed: list[list[Any]] = []
    for key in sorted(observations.entries):
        if key.startswith(START_PREFIX):
            continue
        for row, one in enumerate(observations.entries[key]):
            content = repr(float(one.value)) if one.value is not None else one.text.strip()
            if one.value is None and content and content not in practical.inputs[key].choices:
                content = "text"
            if content:
                typed.append([key, row, content])
    text = json.dumps([practical.digest, practical.runs, typed], separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def entries_of(
    assessment: Assessment, year: int, saved: datetime.datetime | None = None
) -> tuple[Entry, ...]:
    """One entry a result of the definition; the numbers beside them go with the first.

    Parameters
    ----------
    saved
        When the workbook was saved, local time; None if that is not known.
    """
    practical, evaluation = assessment.practical, assessment.evaluation
    observations = assessment.observations
    words = Words(practical, evaluation.profile)
    source = source_digest(practical, observations)
    instruments = _registered(assessment)
    made = []
    pairs = zip(practical.definition.results, evaluation.results, strict=True)
    for i, (definition, result) in enumerate(pairs):
        its = practical.derived[definition.quantity]
        budget = None if result is None else result.budget
        value = None if budget is None else _kept(budget.value)
        made.append(
            Entry(
                year=year,
                practical=clean(practical.definition.id),
                version=clean(practical.definition.version),
                definition=practical.digest,
                program=__version__,
                source=source,
                setup=clean(
                    setup_that_counts(observations.entry("start.setup").text, assessment.bound)
                ),
                instruments=json.dumps(instruments, sort_keys=True),
                result=definition.quantity,
                title=clean(its.title),
                symbol=clean(its.symbol),
                unit=coherent_text(its.unit),
                shown=definition.display_unit or its.unit.text,
                value=value,
                u=None if budget is None else _kept(budget.standard_uncertainty),
                expanded=None if budget is None else _kept(budget.expanded_uncertainty),
                k=None if budget is None else _kept(budget.coverage_factor),
                dof=None if budget is None else _kept(budget.effective_dof),
                statement="" if result is None else clean(words.statement_line(result)),
                status=str(assessment.status),
                findings=len(assessment.findings),
                numbers=() if i else (*_numbers(assessment), *_circumstances(assessment, saved)),
            )
        )
    return tuple(made)


def _registered(assessment: Assessment) -> dict[str, str]:
    """Ids of the register that the workbook is bound to; empty if it is not."""
    bound = getattr(assessment, "bound", None)
    if bound is None:
        return {}
    found = {str(one.instrument): clean(str(one.id)) for one in bound.instruments}
    if bound.wire is not None:
        found[WIRE] = clean(str(bound.wire.id))
    return {key: id_ for key, id_ in found.items() if id_}


def _numbers(assessment: Assessment) -> Iterator[Number]:
    practical, evaluation = assessment.practical, assessment.evaluation
    found = {q.key: q for q in evaluation.quantities}

    def number(kind: str, id_: str, title: str, value: float | None, u: float | None, its: Unit,
               shown: str = "") -> Iterator[Number]:  # fmt: skip
        kept = _kept(value)
        if kept is not None:
            yield Number(
                kind, id_, clean(title), kept, _kept(u), coherent_text(its), shown or its.text
            )

    for one in practical.definition.instruments:
        for kind, key in (("zero", f"{one.id}.zero"), ("division", f"{one.id}.least_count")):
            if one.zero_rows and key in found:
                q, its = found[key], practical.derived[key].unit
                yield from number(kind, one.id, one.title, q.value, q.standard_uncertainty, its)
    for name, line in evaluation.lines.items():
        d, y = line.field.definition, interval_of(practical.field(line.field.y[0]).unit)
        if line.fit.dof > 0:
            yield from number("scatter", name, d.title, line.fit.residual_deviation, None, y)
    for name, curve in evaluation.curves.items():
        c, y = curve.field.definition, interval_of(practical.field(curve.field.definition.y).unit)
        if curve.fit.dof > 0:
            yield from number("scatter", name, c.title, curve.fit.residual_deviation, None, y)
    results = {one.quantity for one in practical.definition.results}
    for key, q in found.items():
        its_field = practical.derived[key]
        if its_field.plausible is not None and key not in results:
            yield from number(
                "quantity", key, q.title, q.value, q.standard_uncertainty, its_field.unit
            )
    for result in evaluation.results:
        if result is not None and result.accepted is not None:
            yield from _comparison(result)
    own = [a for a in assessment.answers if a.given is not None and a.agrees is not None]
    if own:
        share = sum(bool(a.agrees) for a in own) / len(own)
        yield from number("own", "answers", "own results that agree", share, None, unit("1"))
    stated = own_uncertainty(assessment)
    if stated is not None and stated.given is not None and stated.given > 0.0:
        yield from number("own", "uncertainty", "own uncertainty stated", 1.0, None, unit("1"))
    if _own_graph(assessment):
        yield from number("own", "graph", "own triangle or slope given", 1.0, None, unit("1"))


def _circumstances(assessment: Assessment, saved: datetime.datetime | None) -> Iterator[Number]:
    if saved is not None:
        seconds = float((saved - ZERO_HOUR) // datetime.timedelta(seconds=1))
        title = f"saved {saved:%Y-%m-%d %H:%M} (time in the workbook)"
        yield Number(SAVED, "workbook", title, seconds, None, "s", "s")
    graver = [clean(f.code) for f in assessment.findings if f.severity is not Severity.NOTE]
    for code in sorted(set(graver)):
        count = float(graver.count(code))
        yield Number(FINDING, code, f"findings {code}", count, None, "1", "1")


def _own_graph(assessment: Assessment) -> bool:
    """Whether a group gave what it can only have from its own graph, or a slope of its own."""
    practical = assessment.practical
    return any(one.triangle is not None for one in assessment.studies) or any(
        one.given is not None
        and one.answer.quantity in practical.derived
        and _is_slope(practical.derived[one.answer.quantity].node)
        for one in assessment.answers
    )


def _is_slope(node: Node) -> bool:
    match node:
        case Negative(inner) | Call("abs", (inner,)):
            return _is_slope(inner)
        case Call(function):
            return function.endswith("slope")
    return False


def _comparison(result: ResultValue) -> Iterator[Number]:
    assert result.accepted is not None
    value = _kept(result.accepted.percent_difference / 100.0)
    if value is not None:
        title = clean(f"difference from {result.accepted.source}")
        yield Number("comparison", result.definition.quantity, title, value, None, "1", "1")


def _kept(value: float | None) -> float | None:
    """A number as it is kept; None for one that is missing or not finite."""
    if value is None or not math.isfinite(value):
        return None
    # no negative zero: not every program gives it back
    return float(f"{value:.{DIGITS}g}") + 0.0
