"""What is kept of an evaluated workbook: a row for each of its results."""

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
from sheetlab.metrology.curve import CurveFit
from sheetlab.metrology.line import LineFit
from sheetlab.practical.fields import START_PREFIX
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Observations
from sheetlab.practical.register import Bound, setup_that_counts
from sheetlab.units import Unit, coherent_text, interval_of, unit
from sheetlab.years.ledger import FINDING, SAVED, WIRE, ZERO_HOUR, Number, Row, clean

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
) -> tuple[Row, ...]:
    """A row for each result of the definition, still to be added.

    The numbers beside them go with the first.

    Parameters
    ----------
    saved
        When the workbook was saved, local time; None if that is not known.
    """
    practical, evaluation = assessment.practical, assessment.evaluation
    observations = assessment.observations
    words = Words(practical, evaluation.profile)
    source = source_digest(practical, observations)
    setup = setup_that_counts(observations.entry("start.setup").text, assessment.bound)
    rows: list[Row] = []
    pairs = zip(practical.definition.results, evaluation.results, strict=True)
    for definition, result in pairs:
        quantity = practical.derived[definition.quantity]
        budget = None if result is None else result.budget
        rows.append(
            Row(
                year=year,
                practical=clean(practical.definition.id),
                version=clean(practical.definition.version),
                definition=practical.digest,
                program=__version__,
                source=source,
                setup=clean(setup),
                instruments=json.dumps(_registered(assessment.bound), sort_keys=True),
                result=definition.quantity,
                title=clean(quantity.title),
                symbol=clean(quantity.symbol),
                unit=coherent_text(quantity.unit),
                shown=definition.display_unit or quantity.unit.text,
                value=None if budget is None else _kept(budget.value),
                u=None if budget is None else _kept(budget.standard_uncertainty),
                expanded=None if budget is None else _kept(budget.expanded_uncertainty),
                k=None if budget is None else _kept(budget.coverage_factor),
                dof=None if budget is None else _kept(budget.effective_dof),
                statement="" if result is None else clean(words.statement_line(result)),
                status=str(assessment.status),
                findings=len(assessment.findings),
                numbers=() if rows else (*_numbers(assessment), *_circumstances(assessment, saved)),
            )
        )
    return tuple(rows)


def _registered(bound: Bound | None) -> dict[str, str]:
    """Ids of the register that a workbook is bound to; empty if it is not."""
    if bound is None:
        return {}
    ids = {instrument.instrument: clean(instrument.id) for instrument in bound.instruments}
    ids[WIRE] = "" if bound.wire is None else clean(bound.wire.id)
    return {key: id_ for key, id_ in ids.items() if id_}


def _numbers(assessment: Assessment) -> Iterator[Number]:
    practical, evaluation = assessment.practical, assessment.evaluation
    quantities = {q.key: q for q in evaluation.quantities}
    results = {result.quantity for result in practical.definition.results}

    def of_quantity(kind: str, id_: str, key: str, title: str) -> Iterator[Number]:
        quantity = quantities[key]
        yield from _number(
            kind, id_, title, quantity.value, practical.derived[key].unit,
            quantity.standard_uncertainty,
        )  # fmt: skip

    def of_fit(name: str, title: str, y: str, fit: LineFit | CurveFit) -> Iterator[Number]:
        if fit.dof > 0:
            scale = interval_of(practical.field(y).unit)
            yield from _number("scatter", name, title, fit.residual_deviation, scale)

    for instrument in practical.definition.instruments:
        for kind, part in (("zero", "zero"), ("division", "least_count")):
            key = f"{instrument.id}.{part}"
            if instrument.zero_rows and key in quantities:
                yield from of_quantity(kind, instrument.id, key, instrument.title)
    for name, line in evaluation.lines.items():
        yield from of_fit(name, line.field.definition.title, line.field.y[0], line.fit)
    for name, curve in evaluation.curves.items():
        definition = curve.field.definition
        yield from of_fit(name, definition.title, definition.y, curve.fit)
    for key, quantity in quantities.items():
        if practical.derived[key].plausible is not None and key not in results:
            yield from of_quantity("quantity", key, key, quantity.title)
    for result in evaluation.results:
        if result is not None and result.accepted is not None:
            title = f"difference from {result.accepted.source}"
            value = result.accepted.percent_difference / 100.0
            yield from _number("comparison", result.definition.quantity, title, value)
    own = [a.agrees for a in assessment.answers if a.given is not None and a.agrees is not None]
    if own:
        yield from _number("own", "answers", "own results that agree", sum(own) / len(own))
    stated = own_uncertainty(assessment)
    if stated is not None and stated.given is not None and stated.given > 0.0:
        yield from _number("own", "uncertainty", "own uncertainty stated", 1.0)
    if _own_graph(assessment):
        yield from _number("own", "graph", "own triangle or slope given", 1.0)


def _number(
    kind: str, id_: str, title: str, value: float | None, its: Unit | None = None,
    u: float | None = None,
) -> Iterator[Number]:  # fmt: skip
    kept, its = _kept(value), its or unit("1")
    if kept is not None:
        yield Number(kind, id_, clean(title), kept, _kept(u), coherent_text(its), its.text)


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


def _kept(value: float | None) -> float | None:
    """A number as it is kept; None for one that is missing or not finite."""
    if value is None or not math.isfinite(value):
        return None
    # no negative zero: not every program gives it back
    return float(f"{value:.{DIGITS}g}") + 0.0
