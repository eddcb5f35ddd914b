"""Lines as a whole: scatter, empty series, the gradient triangle of the student's graph."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.distributions import chi_squared_quantile, chi_squared_tail
from sheetlab.metrology.statement import percentage
from sheetlab.practical.fields import triangle_keys

LEAST_SPAN = 0.5
UNEXPLAINED = 0.002
"""Probability of chi-squared below which stated uncertainties do not explain a scatter."""


def lines_that_are_none(subject: Subject) -> Iterator[Finding]:
    """Lines whose points scatter more than readings of this practical plausibly do.

    False alarms: 1 in 1000 of lines whose readings scatter as those of the coarsest hands
    (``Usual.implausible``); where a definition knows no usual scatter, its limit lies four standard
    deviations above the usual figure.
    """
    doubtful = [slip.field for slip in subject.line_slips]
    for line in subject.evaluation.lines.values():
        d, usual = line.field.definition, subject.usual(line.field)
        one = subject.practical.field(line.field.y[0])
        scatter, factor = line.fit.residual_deviation, one.unit.factor
        known = d.usual_scatter is not None
        limit = usual.most if known else (d.plausible_scatter or math.inf) * factor
        beyond = usual.implausible(scatter, line.fit.dof) if known else scatter > limit
        if not beyond or line.field in doubtful or subject.abscissa_beyond(line.field):
            continue
        if any((c, r) in subject.suspects for c in line.field.y for r in range(one.rows)):
            # a reading that was named already may be the cause of it
            continue
        yield Finding(
            "line-scatters",
            Severity.DOUBTFUL,
            f"the points of “{d.title}” scatter by {amount(scatter / factor, one.unit, digits=2)} "
            "about their straight line",
            f"about {amount(limit / factor, one.unit, digits=2)} or less",
            "Look at the graph. Is each value in the right column and row, in the unit of the "
            "heading, and the abscissa the total from the first row on?",
            subject.place(line.field.x, 0),
        )


def scatter_unexplained(subject: Subject) -> Iterator[Finding]:
    """Lines and curves whose points scatter more than their stated uncertainties explain.

    Chi-squared of the residuals over the stated uncertainties (ISO/TS 28037:2010, clauses 6 and
    7, which take 5 % as the limit). False alarms: 0.2 % of fits whose stated uncertainties hold.
    """
    evaluation = subject.evaluation
    stated = [
        (one.field.definition.title, one.field.columns, one.fit.chi_squared, one.fit.dof)
        for one in evaluation.lines.values()
        if one.field.definition.u_y
    ]
    stated += [
        (one.field.definition.title, one.field.columns, one.fit.chi_squared, one.fit.dof)
        for one in evaluation.curves.values()
        if one.field.definition.u_y
    ]
    for title, columns, chi_squared, dof in stated:
        if dof < 1 or chi_squared_tail(chi_squared, dof) >= UNEXPLAINED:
            continue
        yield Finding(
            "scatter-unexplained",
            Severity.DOUBTFUL,
            f"the points of “{title}” scatter {math.sqrt(chi_squared / dof):.1f} times as much as "
            f"their stated uncertainties explain (χ² = {chi_squared:.3g} for {dof} degrees of "
            "freedom)",
            f"χ² of about {dof}; {chi_squared_quantile(UNEXPLAINED, dof):.3g} at most",
            "Is one point wrong, is a stated uncertainty too small, or is the relation another? "
            "Until that is clear the uncertainty of the result, which follows from the stated "
            "ones, is too small.",
            subject.place(columns[0], 0),
        )


def poor_triangles(subject: Subject) -> Iterator[Finding]:
    """Gradient triangles that are small, off the line, or on readings (common practice)."""
    for study in subject.studies:
        found = study.triangle
        if found is None:
            continue
        line = study.line
        one = subject.practical.field(line.field.y[0])
        keys = triangle_keys(line.field)
        title = line.field.definition.title
        if found.span < LEAST_SPAN:
            yield Finding(
                "triangle-small",
                Severity.NOTE,
                f"the gradient triangle of “{title}” spans {percentage(found.span)} of the line",
                f"{percentage(LEAST_SPAN)} or more",
                "Take corners far apart: the same error of reading the graph counts less.",
                subject.place(keys[0], None),
            )
        limit = max(3.0 * line.fit.residual_deviation, 2.0 * study.half_bar)
        for key, distance in zip(keys[1::2], found.distances, strict=True):
            if abs(distance) > limit:
                side = "above" if distance > 0.0 else "below"
                yield Finding(
                    "triangle-off-line",
                    Severity.NOTE,
                    f"a corner of the gradient triangle of “{title}” lies "
                    f"{amount(abs(distance / one.unit.factor), one.unit, digits=2)} {side} "
                    "the best line",
                    "corners on the line",
                    "Was it read off the line that was drawn, with the scale of the axis?",
                    subject.place(key, None),
                )
        if found.uses_data_points:
            yield Finding(
                "triangle-on-reading",
                Severity.NOTE,
                f"a corner of the gradient triangle of “{title}” is one of the readings",
                "corners on the line that was drawn, between readings",
                "The slope of the line counts, not that of two readings.",
                subject.place(keys[0], None),
            )


def rows_cut_short(subject: Subject) -> Iterator[Finding]:
    """Rows that a line passes over because its abscissa, or one of its passes, is missing."""
    practical, numbers = subject.practical, subject.numbers
    left_out = {(one.table, one.row) for one in subject.evaluation.left_out}
    for line in subject.evaluation.lines.values():
        field = line.field
        table = practical.field(field.x).table
        assert table is not None
        used = {(p.series, row) for p, row in zip(line.fit.points, line.rows, strict=True)}
        last = max(row for _, row in used)
        for row in range(practical.field(field.x).rows):
            if (table, row) in left_out:
                continue
            there = [key for key in field.y if numbers.value(key, row) is not None]
            if there and numbers.value(field.x, row) is None:
                yield Finding(
                    "reading-incomplete",
                    Severity.DOUBTFUL,
                    f"row {row + 1} has readings but no “{practical.field(field.x).title}”",
                    "a value beside its readings",
                    "Fill it in; until then this row takes no part in the line.",
                    subject.place(field.x, row),
                )
            for k, key in enumerate(field.y):
                begun = any(series == k for series, _ in used)
                if subject.typed(key, row) or not begun or row > last or not there:
                    continue
                if numbers.value(key, row) is None:
                    yield Finding(
                        "pass-missing",
                        Severity.NOTE,
                        f"“{field.labels[k]}” has no reading in row {row + 1}",
                        "a reading of every pass in every row",
                        "The line rests on the other readings of this row.",
                        subject.place(key, row),
                    )


def series_without_readings(subject: Subject) -> Iterator[Finding]:
    """Series of a line that were left empty: what they would show cannot be seen."""
    for line in subject.evaluation.lines.values():
        for k, key in enumerate(line.field.y):
            if not any(p.series == k for p in line.fit.points):
                yield Finding(
                    "series-empty",
                    Severity.NOTE,
                    f"“{line.field.labels[k]}” has no reading",
                    "readings in every pass",
                    "The result rests on the other readings; whether both passes agree is not "
                    "known.",
                    subject.place(key, 0),
                )
