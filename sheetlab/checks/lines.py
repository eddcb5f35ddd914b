"""Lines as a whole: scatter, empty series, the gradient triangle of the student's graph."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import stdev

from sheetlab.checks.subject import Subject, amount
from sheetlab.finding import Finding, Severity, finding
from sheetlab.formula.statistics import complete
from sheetlab.metrology.distributions import chi_squared_quantile, chi_squared_tail
from sheetlab.metrology.statement import Decimals, percentage
from sheetlab.practical.evaluate import CurveResult, LineResult
from sheetlab.practical.fields import triangle_keys

LEAST_SPAN = 0.5
UNEXPLAINED_SHARE = 0.5
"""Scatter about a curve, of that about the mean, from which it may lie beside the readings."""
UNEXPLAINED = 0.002
"""Probability of chi-squared below which stated uncertainties do not explain a scatter."""


def lines_that_are_none(subject: Subject) -> Iterator[Finding]:
    """Lines whose points scatter more than readings of this practical plausibly do.

    False alarms: 1 in 1000 of lines whose readings scatter as those of the coarsest hands
    (``Usual.implausible``); where a definition knows no usual scatter, its limit lies four standard
    deviations above the usual figure.
    """
    for line in subject.evaluation.lines.values():
        d, usual = line.field.definition, subject.usual(line.field)
        one = subject.practical.field(line.field.y[0])
        scatter, factor = line.fit.residual_deviation, one.unit.factor
        known = d.usual_scatter is not None
        limit = usual.most if known else (d.plausible_scatter or math.inf) * factor
        beyond = usual.implausible(scatter, line.fit.dof) if known else scatter > limit
        if not beyond or subject.is_doubtful(line.field):
            continue
        if any((c, r) in subject.suspects for c in line.field.y for r in range(one.rows)):
            # a reading that was named already may be the cause of it
            continue
        yield finding(
            "line-scatters", Severity.DOUBTFUL, subject.place(line.field.x, 0), title=d.title,
            scatter=amount(scatter / factor, one.unit, digits=2),
            most=amount(limit / factor, one.unit, digits=2),
        )  # fmt: skip


def scatter_unexplained(subject: Subject) -> Iterator[Finding]:
    """Lines and curves whose points scatter more than their stated uncertainties explain.

    Chi-squared of the residuals over the stated uncertainties (ISO/TS 28037:2010, clauses 6 and
    7, which take 5 % as the limit). False alarms: 0.2 % of fits whose stated uncertainties hold.
    """
    lines, curves = subject.evaluation.lines.values(), subject.evaluation.curves.values()
    fits: tuple[LineResult | CurveResult, ...] = (*lines, *curves)
    for one in fits:
        chi_squared, dof = one.fit.chi_squared, one.fit.dof
        stated = bool(one.field.definition.u_y) and dof >= 1
        if stated and chi_squared_tail(chi_squared, dof) < UNEXPLAINED:
            yield finding(
                "scatter-unexplained", Severity.DOUBTFUL, subject.place(one.field.columns[0], 0),
                title=one.field.definition.title,
                times=Decimals(f"{math.sqrt(chi_squared / dof):.1f}"),
                chi=Decimals(f"{chi_squared:.3g}"), dof=dof,
                most=Decimals(f"{chi_squared_quantile(UNEXPLAINED, dof):.3g}"),
            )  # fmt: skip


def curves_in_doubt(subject: Subject) -> Iterator[Finding]:
    """Curves that were not found, or that explain little of the readings.

    A search that ends in a wrong place leaves the readings as far from the curve as from their
    mean; half of that is our choice (no source). Readings that are all equal are not judged.
    """
    for key, field in subject.practical.curves.items():
        rows, (x, *_, y) = complete([subject.numbers.column(name) for name in field.columns])
        d, place = field.definition, subject.place(field.columns[0], 0)
        enough = len(rows) > len(d.parameters) and len(set(x)) >= len(d.parameters)
        others = [subject.numbers.value(o.key, None) for o in field.parameters[0].others]
        if not enough or None in others:
            continue
        start = ", ".join(f"{p.symbol} = {p.start:g} {p.unit}" for p in d.parameters)
        found, scatter = subject.evaluation.curves.get(key), stdev(y) if len(y) > 1 else 0.0
        if found is None:
            yield finding(
                "curve-not-found", Severity.DOUBTFUL, place, title=d.title, count=len(rows),
                start=start,
            )  # fmt: skip
        # equal readings have no scatter of which a curve could explain a share
        elif (
            scatter and found.fit.dof and found.fit.residual_deviation > UNEXPLAINED_SHARE * scatter
        ):
            share = percentage(found.fit.residual_deviation / scatter)
            yield finding(
                "curve-beside", Severity.DOUBTFUL, place, title=d.title, share=share,
                most=percentage(UNEXPLAINED_SHARE), start=start,
            )  # fmt: skip


def poor_triangles(subject: Subject) -> Iterator[Finding]:
    """Gradient triangles that are small, off the line, or on readings (common practice)."""
    for study in subject.studies:
        corners, line = study.triangle, study.line
        if corners is None:
            continue
        unit = subject.practical.field(line.field.y[0]).unit
        keys, title = triangle_keys(line.field), line.field.definition.title
        if corners.span < LEAST_SPAN:
            span, least = percentage(corners.span), percentage(LEAST_SPAN)
            place = subject.place(keys[0], None)
            yield finding(
                "triangle-small", Severity.NOTE, place, title=title, span=span, least=least
            )
        limit = max(3.0 * line.fit.residual_deviation, 2.0 * study.half_bar)
        for key, off in zip(keys[1::2], corners.distances, strict=True):
            if abs(off) > limit:
                yield finding(
                    "triangle-off-line", Severity.NOTE, subject.place(key, None), title=title,
                    distance=amount(abs(off / unit.factor), unit, digits=2),
                    side="above" if off > 0.0 else "below",
                )  # fmt: skip
        if corners.uses_data_points:
            place = subject.place(keys[0], None)
            yield finding("triangle-on-reading", Severity.NOTE, place, title=title)


def rows_cut_short(subject: Subject) -> Iterator[Finding]:
    """Rows that a line passes over because its abscissa, or one of its passes, is missing."""
    practical, numbers = subject.practical, subject.numbers
    for line in subject.evaluation.lines.values():
        field, x = line.field, practical.field(line.field.x)
        used = {(p.series, row) for p, row in zip(line.fit.points, line.rows, strict=True)}
        begun, last = {series for series, _ in used}, max(row for _, row in used)
        for row in range(x.rows):
            there = [key for key in field.y if numbers.value(key, row) is not None]
            if not there or (x.table, row) in subject.left_out:
                continue
            if numbers.value(field.x, row) is None:
                place = subject.place(field.x, row)
                yield finding(
                    "reading-incomplete_abscissa", Severity.DOUBTFUL, place,
                    row=row + 1, title=x.title,
                )  # fmt: skip
            for k, key in enumerate(field.y) if row <= last else ():
                if k in begun and key not in there and not subject.typed(key, row):
                    place, label = subject.place(key, row), field.labels[k]
                    yield finding("pass-missing", Severity.NOTE, place, title=label, row=row + 1)


def series_without_readings(subject: Subject) -> Iterator[Finding]:
    """Series of a line that were left empty: what they would show cannot be seen."""
    for line in subject.evaluation.lines.values():
        begun = {p.series for p in line.fit.points}
        for k, key in enumerate(line.field.y):
            if k not in begun:
                place, label = subject.place(key, 0), line.field.labels[k]
                yield finding("series-empty_pass", Severity.NOTE, place, title=label)
