"""An assessment as one JSON object; its keys are documented in ``manual/json.md``."""

from __future__ import annotations

import math
from operator import attrgetter
from typing import Any

from sheetlab.checks.assess import Assessment
from sheetlab.finding import Finding
from sheetlab.metrology.budget import BudgetRow
from sheetlab.practical.evaluate import CurveResult, LineResult, ResultValue
from sheetlab.practical.model import Practical
from sheetlab.practical.study import LineStudy
from sheetlab.units import coherent_text


def record(assessment: Assessment, workbook: str) -> dict[str, Any]:
    """The record of an evaluated workbook. Values are in the unit named beside them (SI)."""
    practical, evaluation, bound = assessment.practical, assessment.evaluation, assessment.bound
    first = evaluation.measurand
    lines = list(evaluation.lines.values())
    titles = {one.id: one.title for one in practical.definition.answers}
    found = {
        "practical": practical.definition.id,
        "version": practical.definition.version,
        "workbook": workbook,
        "group": assessment.observations.entry("start.group").text,
        "setup": assessment.observations.entry("start.setup").text,
        "bound": bound and {
            "setup": bound.setup,
            "instruments": {one.instrument: one.id for one in bound.instruments},
            "wire": bound.wire and bound.wire.id,
        },
        "status": str(assessment.status),
        "profile": evaluation.profile.id,
        "measurand": first and _result(practical, first),
        "maximum_error": first and first.maximum_error,
        "monte_carlo": first and _trials(first),
        "quantities": {
            q.key: {
                **_fields(q, "title", "symbol", "value"),
                "unit": _unit(practical, q.key),
                "standard_uncertainty": q.standard_uncertainty,
            }
            for q in evaluation.quantities
        },
        "line": _line(practical, lines[0]) if lines else None,
        "line_studies": [_study(practical, one) for one in assessment.studies],
        "curves": [_curve(practical, one) for one in evaluation.curves.values()],
        "budget": [_source(row) for row in first.budget.rows] if first else [],
        "accepted": first and _accepted(practical, first),
        "further_results": [_result(practical, one) for one in evaluation.results[1:] if one],
        "correlations": [
            {"of": list(pair), "coefficient": value}
            for pair, value in evaluation.correlations.items()
        ],
        "left_out": [
            {"table": one.table, "row": one.row + 1, "reason": one.reason}
            for one in evaluation.left_out
        ],
        "with_every_row": [one and _result(practical, one) for one in evaluation.with_every_row],
        "own_results": [
            {
                **_fields(a.answer, "title", "unit"),
                **_fields(a, "given", "recomputed", "ratio", "expected", "agrees", "first"),
                "carried": [titles[key] for key in a.carried],
                "causes": [_fields(cause, *_CAUSE) for cause in a.causes],
            }
            for a in assessment.answers
            if a.given is not None
        ],
        "findings": [finding_record(f) for f in assessment.findings],
    }  # fmt: skip
    return {key: _finite(value) for key, value in found.items()}


_CAUSE = ("kind", "text", "question", "factor", "distance", "legitimate")


def _fields(source: object, /, *names: str, **others: str) -> dict[str, Any]:
    """Attributes under their names, and those of other names by their paths."""
    paths = {**{name: name for name in names}, **others}
    return {key: attrgetter(path)(source) for key, path in paths.items()}


def _finite(value: Any) -> Any:
    """JSON has no infinity; it is written as null."""
    match value:
        case float():
            return value if math.isfinite(value) else None
        case dict():
            return {key: _finite(inner) for key, inner in value.items()}
        case list() | tuple():
            return [_finite(inner) for inner in value]
    return value


def _unit(practical: Practical, key: str) -> str:
    return coherent_text(practical.field(key).unit)


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


def _result(practical: Practical, result: ResultValue) -> dict[str, Any]:
    its = practical.derived[result.definition.quantity]
    return {
        "id": its.key,
        "symbol": its.symbol,
        "value": result.budget.value,
        "unit": _unit(practical, its.key),
        **_fields(
            result.budget, "standard_uncertainty", "coverage_factor", "expanded_uncertainty",
            "coverage_probability", effective_degrees_of_freedom="effective_dof",
        ),
        **_fields(result, "stated", "stated_uncertainty"),
        "second_order": result.second_order and _fields(
            result.second_order, "shift", "first_is_enough", standard_uncertainty="second"
        ),
        "statement": "" if result.statement is None else str(result.statement),
    }  # fmt: skip


def _source(row: BudgetRow) -> dict[str, Any]:
    return {
        **_fields(
            row.source, source="label", type="evaluation", distribution="distribution",
            half_width_or_deviation="divided", divisor="divisor",
            standard_uncertainty="standard_uncertainty", relative="relative",
            degrees_of_freedom="dof",
        ),
        **_fields(row, "sensitivity", "contribution", "share"),
    }  # fmt: skip


def _trials(result: ResultValue) -> dict[str, Any] | None:
    found = result.trials
    if found is None:
        return None
    return {
        **_fields(
            found, "trials", "seed", "mean", "standard_uncertainty", "low", "high",
            "coverage_probability", "tolerance", "stable",
        ),
        "shortest_low": found.shortest[0],
        "shortest_high": found.shortest[1],
        "agrees_with_budget": result.validation and result.validation.agrees,
    }  # fmt: skip


def _line(practical: Practical, line: LineResult) -> dict[str, Any]:
    return {
        "id": line.field.definition.id,
        "x_unit": _unit(practical, line.field.x),
        "y_unit": _unit(practical, line.field.y[0]),
        **_fields(
            line.fit, "slope", "intercept", "u_slope", "u_intercept",
            residual_standard_deviation="residual_deviation", degrees_of_freedom="dof",
        ),
    }  # fmt: skip


def _study(practical: Practical, study: LineStudy) -> dict[str, Any]:
    line = study.line
    return {
        **_line(practical, line),
        "fitted_by": study.slopes[0].method,
        "slopes": [_fields(by, "method", "slope", "standard_uncertainty") for by in study.slopes],
        **{
            name: test and _fields(test, "statistic", "probability")
            for name, test in (("curvature", study.curvature), ("lack_of_fit", study.lack_of_fit))
        },
        "points": [
            {
                "series": line.field.labels[p.series],
                "row": row + 1,
                **_fields(p, "x", "y", "residual", "leverage", "deleted_residual"),
            }
            for p, row in zip(line.fit.points, line.rows, strict=True)
        ],
        "triangle": study.triangle and _fields(
            study.triangle, "slope", "span", "distances", uses_a_reading="uses_data_points"
        ),
    }  # fmt: skip


def _curve(practical: Practical, curve: CurveResult) -> dict[str, Any]:
    d, fit = curve.field.definition, curve.fit
    size = range(len(fit.parameters))
    return {
        "id": d.id,
        "parameters": {
            one.id: {
                "value": value,
                "standard_uncertainty": u,
                "unit": _unit(practical, f"{d.id}.{one.id}"),
            }
            for one, value, u in zip(d.parameters, fit.parameters, fit.uncertainties, strict=True)
        },
        "correlations": [[fit.correlation(i, j) for j in size] for i in size],
        "residual_standard_deviation": fit.residual_deviation,
        "degrees_of_freedom": fit.dof,
    }


def _accepted(practical: Practical, result: ResultValue) -> dict[str, Any] | None:
    if result.accepted is None:
        return None
    return {
        "value": result.accepted.value,
        "unit": _unit(practical, result.definition.quantity),
        **_fields(
            result.accepted, "source", "percent_difference", "e_n", "verdict",
            books_differ_by="tolerance",
        ),
    }  # fmt: skip
