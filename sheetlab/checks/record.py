"""An assessment as one JSON object; its keys are documented in ``manual/json.md``."""

from __future__ import annotations

import math
from typing import Any

from sheetlab.checks.assess import Assessment
from sheetlab.finding import Finding
from sheetlab.metrology.linetests import TestResult
from sheetlab.practical.evaluate import CurveResult, LineResult, ResultValue
from sheetlab.practical.model import Practical
from sheetlab.practical.register import Bound
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, coherent_text


def record(assessment: Assessment, workbook: str) -> dict[str, Any]:
    """The record of an evaluated workbook. Values are in the unit named beside them (SI)."""
    practical, evaluation = assessment.practical, assessment.evaluation
    first = evaluation.measurand
    lines = list(evaluation.lines.values())
    titles = {one.id: one.title for one in practical.definition.answers}
    return {
        "practical": practical.definition.id,
        "version": practical.definition.version,
        "workbook": workbook,
        "group": assessment.observations.entry("start.group").text,
        "setup": assessment.observations.entry("start.setup").text,
        "bound": None if assessment.bound is None else _bound(assessment.bound),
        "status": str(assessment.status),
        "profile": evaluation.profile.id,
        "measurand": None if first is None else _measurand(practical, first),
        "maximum_error": None if first is None else _finite(first.maximum_error),
        "monte_carlo": None if first is None else _trials(first),
        "quantities": {
            q.key: {
                "title": q.title,
                "symbol": q.symbol,
                "value": _finite(q.value),
                "unit": coherent_text(practical.derived[q.key].unit),
                "standard_uncertainty": _finite(q.standard_uncertainty),
            }
            for q in evaluation.quantities
        },
        "line": _line(practical, lines[0]) if lines else None,
        "line_studies": [_study(practical, one) for one in assessment.studies],
        "curves": [_curve(practical, one) for one in evaluation.curves.values()],
        "budget": [] if first is None else _budget(practical, first),
        "accepted": None if first is None else _accepted(practical, first),
        "further_results": [
            _measurand(practical, result) for result in evaluation.results[1:] if result is not None
        ],
        "correlations": [
            {"of": list(pair), "coefficient": value}
            for pair, value in evaluation.correlations.items()
        ],
        "left_out": [
            {"table": one.table, "row": one.row + 1, "reason": one.reason}
            for one in evaluation.left_out
        ],
        "with_every_row": [
            None if result is None else _measurand(practical, result)
            for result in evaluation.with_every_row
        ],
        "own_results": [
            {
                "title": a.answer.title,
                "unit": a.answer.unit,
                "given": _finite(a.given),
                "recomputed": _finite(a.recomputed),
                "ratio": _finite(a.ratio),
                "expected": _finite(a.expected),
                "agrees": a.agrees,
                "first": a.first,
                "carried": [titles[key] for key in a.carried],
                "causes": [
                    {
                        "kind": cause.kind,
                        "text": cause.text,
                        "question": cause.question,
                        "factor": _finite(cause.factor),
                        "distance": _finite(cause.distance),
                        "legitimate": cause.legitimate,
                    }
                    for cause in a.causes
                ],
            }
            for a in assessment.answers
            if a.given is not None
        ],
        "findings": [finding_record(f) for f in assessment.findings],
    }


def _bound(bound: Bound) -> dict[str, Any]:
    return {
        "setup": bound.setup,
        "instruments": {one.instrument: one.id for one in bound.instruments},
        "wire": None if bound.wire is None else bound.wire.id,
    }


def unreadable_record(workbook: str, findings: tuple[Finding, ...]) -> dict[str, Any]:
    """The record of a file that could not be evaluated at all."""
    return {
        "practical": None,
        "workbook": workbook,
        "status": "failed",
        "measurand": None,
        "findings": [finding_record(f) for f in findings],
    }


def finding_record(finding: Finding) -> dict[str, str]:
    """A finding as a JSON object."""
    return {
        "code": finding.code,
        "severity": str(finding.severity),
        "sheet": finding.place.sheet,
        "cell": finding.place.cell,
        "message": finding.message,
    }


def _finite(value: float | None) -> float | None:
    """JSON has no infinity; it is written as null."""
    return None if value is None or not math.isfinite(value) else value


def _measurand(practical: Practical, result: ResultValue) -> dict[str, Any]:
    its, b = practical.derived[result.definition.quantity], result.budget
    return {
        "id": its.key,
        "symbol": its.symbol,
        "value": b.value,
        "unit": coherent_text(its.unit),
        "standard_uncertainty": b.standard_uncertainty,
        "effective_degrees_of_freedom": _finite(b.effective_dof),
        "coverage_factor": b.coverage_factor,
        "expanded_uncertainty": b.expanded_uncertainty,
        "coverage_probability": b.coverage_probability,
        "stated": result.stated,
        "stated_uncertainty": _finite(result.stated_uncertainty),
        "second_order": None
        if result.second_order is None
        else {
            "standard_uncertainty": _finite(result.second_order.second),
            "shift": _finite(result.second_order.shift),
            "first_is_enough": result.second_order.first_is_enough,
        },
        "statement": "" if result.statement is None else str(result.statement),
    }


def _trials(result: ResultValue) -> dict[str, Any] | None:
    found = result.trials
    if found is None:
        return None
    return {
        "trials": found.trials,
        "seed": found.seed,
        "mean": _finite(found.mean),
        "standard_uncertainty": _finite(found.standard_uncertainty),
        "low": _finite(found.low),
        "high": _finite(found.high),
        "shortest_low": _finite(found.shortest[0]),
        "shortest_high": _finite(found.shortest[1]),
        "coverage_probability": found.coverage_probability,
        "tolerance": found.tolerance,
        "stable": found.stable,
        "agrees_with_budget": None if result.validation is None else result.validation.agrees,
    }


def _line(practical: Practical, line: LineResult) -> dict[str, Any]:
    x: Unit = practical.field(line.field.x).unit
    y: Unit = practical.field(line.field.y[0]).unit
    return {
        "id": line.field.definition.id,
        "x_unit": coherent_text(x),
        "y_unit": coherent_text(y),
        "slope": line.fit.slope,
        "intercept": line.fit.intercept,
        "u_slope": line.fit.u_slope,
        "u_intercept": line.fit.u_intercept,
        "residual_standard_deviation": line.fit.residual_deviation,
        "degrees_of_freedom": line.fit.dof,
    }


def _study(practical: Practical, study: LineStudy) -> dict[str, Any]:
    line = study.line
    return {
        **_line(practical, line),
        "fitted_by": study.slopes[0].method,
        "slopes": [
            {
                "method": by.method,
                "slope": _finite(by.slope),
                "standard_uncertainty": _finite(by.standard_uncertainty),
            }
            for by in study.slopes
        ],
        "curvature": _test(study.curvature),
        "lack_of_fit": _test(study.lack_of_fit),
        "points": [
            {
                "series": line.field.labels[p.series],
                "row": row + 1,
                "x": p.x,
                "y": p.y,
                "residual": p.residual,
                "leverage": p.leverage,
                "deleted_residual": _finite(p.deleted_residual),
            }
            for p, row in zip(line.fit.points, line.rows, strict=True)
        ],
        "triangle": None
        if study.triangle is None
        else {
            "slope": study.triangle.slope,
            "span": _finite(study.triangle.span),
            "distances": list(study.triangle.distances),
            "uses_a_reading": study.triangle.uses_data_points,
        },
    }


def _test(found: TestResult | None) -> dict[str, float | None] | None:
    if found is None:
        return None
    return {"statistic": _finite(found.statistic), "probability": found.probability}


def _curve(practical: Practical, curve: CurveResult) -> dict[str, Any]:
    d, fit = curve.field.definition, curve.fit
    return {
        "id": d.id,
        "parameters": {
            one.id: {
                "value": value,
                "standard_uncertainty": _finite(u),
                "unit": coherent_text(practical.field(f"{d.id}.{one.id}").unit),
            }
            for one, value, u in zip(d.parameters, fit.parameters, fit.uncertainties, strict=True)
        },
        "correlations": [
            [fit.correlation(i, j) for j in range(len(fit.parameters))]
            for i in range(len(fit.parameters))
        ],
        "residual_standard_deviation": fit.residual_deviation,
        "degrees_of_freedom": fit.dof,
    }


def _budget(practical: Practical, result: ResultValue) -> list[dict[str, Any]]:
    return [
        {
            "source": row.source.label,
            "type": row.source.evaluation,
            "distribution": row.source.distribution,
            "half_width_or_deviation": row.source.divided,
            "divisor": row.source.divisor,
            "standard_uncertainty": row.source.standard_uncertainty,
            "relative": row.source.relative,
            "degrees_of_freedom": _finite(row.source.dof),
            "sensitivity": row.sensitivity,
            "contribution": row.contribution,
            "share": row.share,
        }
        for row in result.budget.rows
    ]


def _accepted(practical: Practical, result: ResultValue) -> dict[str, Any] | None:
    found = result.accepted
    if found is None:
        return None
    return {
        "value": found.value,
        "unit": coherent_text(practical.derived[result.definition.quantity].unit),
        "source": found.source,
        "percent_difference": found.percent_difference,
        "books_differ_by": found.tolerance,
        "e_n": _finite(found.e_n),
        "verdict": found.verdict,
    }
