"""Evaluate a filled workbook's observations and run every check on them."""

from __future__ import annotations

import math
from enum import StrEnum

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.checks import answers, completeness, conditions, lines, patterns, results, slips
from sheetlab.checks import bound as bound_to
from sheetlab.checks.diagnosis import AnswerDiagnosis
from sheetlab.checks.order import gravest_first
from sheetlab.checks.subject import Subject
from sheetlab.finding import Finding, Severity, merged
from sheetlab.metrology import montecarlo
from sheetlab.practical.evaluate import Evaluation, Numbers, evaluate_practical
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Observations
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.register import Bound
from sheetlab.practical.study import LineStudy

RULES = (
    completeness.missing_for_results,
    completeness.half_filled_rows,
    completeness.rows_with_gaps,
    completeness.columns_left_empty,
    completeness.scales_unknown,
    completeness.limits_far_off,
    completeness.outside_limits,
    bound_to.other_set_up,
    bound_to.least_counts_that_differ,
    bound_to.zeros_that_moved,
    bound_to.material_that_differs,
    conditions.impossible_readings,
    slips.columns_in_doubt,
    slips.zero_line_counted_twice,
    slips.repeats_off,
    slips.row_repeats_off,
    slips.digits_left_out,
    completeness.tenths_left_out,
    patterns.patterns_of_lines,
    lines.lines_that_are_none,
    lines.scatter_unexplained,
    lines.curves_in_doubt,
    conditions.broken_conditions,
    conditions.implausible_quantities,
    results.undetermined,
    results.at_extremes,
    results.far_from_accepted,
    results.not_as_expected,
    completeness.short_tables,
    completeness.rows_left_out,
    completeness.reasons_that_are_none,
    lines.rows_cut_short,
    lines.series_without_readings,
    answers.answers_that_differ,
    lines.poor_triangles,
    bound_to.gauges_that_differ,
    bound_to.checks_overdue,
    completeness.defaults_used,
    completeness.formulas_that_differ,
)
"""Every rule takes a subject and yields findings; none raises, none prints."""


class Status(StrEnum):
    """What a workbook came to."""

    OK = "ok"
    DOUBTFUL = "doubtful"
    FAILED = "failed"


class Assessment(Struct, frozen=True):
    """An evaluation with its findings."""

    practical: Practical
    observations: Observations
    evaluation: Evaluation
    answers: tuple[AnswerDiagnosis, ...]
    studies: tuple[LineStudy, ...]
    findings: tuple[Finding, ...]
    status: Status
    bound: Bound | None = None
    """What the workbook knows of its set-up."""


def assess(
    practical: Practical,
    observations: Observations,
    trials: int = montecarlo.TRIALS,
    seed: int = montecarlo.SEED,
    profile: Profile = GUM,
    bound: Bound | None = None,
) -> Assessment:
    """Evaluate, check, and say what the workbook came to."""
    numbers = Numbers(practical, observations)
    evaluation = evaluate_practical(practical, observations, numbers, trials, seed, profile)
    subject = Subject(practical, observations, numbers, evaluation, bound)
    found = [finding for rule in RULES for finding in rule(subject)]
    lost = any(f.code == "cells-lost" for f in observations.findings)
    # cells that cannot be found are not blank
    blank = [] if lost else [f for f in found if f.code == completeness.NOT_FILLED]
    # of a blank workbook everything else that could be said follows from that
    findings = tuple(
        replace(finding, mark=profile.decimal_mark)
        for finding in gravest_first(subject, merged(blank or [*observations.findings, *found]))
    )
    measurand = evaluation.measurand
    if measurand is None or not math.isfinite(measurand.budget.value):
        status = Status.FAILED
    elif any(f.severity is not Severity.NOTE for f in findings):
        status = Status.DOUBTFUL
    else:
        status = Status.OK
    return Assessment(practical, observations, evaluation, subject.answers, subject.studies,
                      findings, status, bound)  # fmt: skip
