"""Readings that do not fit the straight line of the others."""

from __future__ import annotations

from collections.abc import Iterator

from sheetlab.checks.subject import Subject, amount, far_points
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.line import fit_common_slope
from sheetlab.practical.evaluate import LineResult
from sheetlab.practical.instruments import KINDS
from sheetlab.practical.model import triangle_keys

LEAST_DIVISIONS = 3.0
BEND_BY_CHANCE = 0.001
LEAST_SPAN = 0.5


def points_off_the_line(subject: Subject) -> Iterator[Finding]:
    """Points that the line through all others does not explain.

    Externally studentised residuals are compared with Student's t at a probability shared over
    the points (Bonferroni), so that of workbooks with normal scatter at most 1 % have a false
    alarm. Nothing is said with fewer than six points, nor of a point within three divisions, nor
    of a reading that no scale can show (which has a finding of its own).
    """
    impossible = subject.impossible
    for line in subject.evaluation.lines.values():
        for i in far_points(line):
            place = (line.field.y[line.fit.points[i].series], line.rows[i])
            found = None if place in impossible else _finding(subject, line, i)
            if found is not None:
                yield found


def lines_that_are_none(subject: Subject) -> Iterator[Finding]:
    """Lines whose points scatter more than readings of this practical ever do."""
    for line in subject.evaluation.lines.values():
        d = line.field.definition
        one = subject.practical.field(line.field.y[0])
        scatter = line.fit.residual_deviation / one.unit.factor
        if d.plausible_scatter is None or scatter <= d.plausible_scatter:
            continue
        if any((c, r) in subject.suspects for c in line.field.y for r in range(one.rows)):
            # a reading that was named already may be the cause of it
            continue
        yield Finding(
            "line-scatters",
            Severity.DOUBTFUL,
            f"the points of “{d.title}” scatter by {amount(float(f'{scatter:.2g}'), one.unit)} "
            "about their straight line",
            f"{amount(d.plausible_scatter, one.unit)} or less",
            "Look at the graph. Is each value in the right column and row, in the unit of the "
            "heading, and the abscissa the total from the first row on?",
            subject.place(line.field.x, 0),
        )


def lines_that_bend(subject: Subject) -> Iterator[Finding]:
    """Lines whose points bend more than chance explains.

    Student's t of a common quadratic term at a probability of 0.001: of workbooks with normal
    scatter one in a thousand has a false alarm. Nothing is said where a reading of the line has a
    finding of its own, or where the bend stays within a division.
    """
    for study in subject.studies:
        line, found = study.line, study.curvature
        if found is None or found.probability >= BEND_BY_CHANCE:
            continue
        if any((c, r) in subject.suspects for c in line.field.y for r in line.rows):
            continue
        residuals = [p.residual for p in line.fit.points]
        if max(residuals) - min(residuals) < 2.0 * study.half_bar:
            continue
        sign, _ = line.drawn()
        upwards = sign * found.statistic > 0.0
        yield Finding(
            "line-bends",
            Severity.DOUBTFUL,
            f"the points of “{line.field.definition.title}” bend "
            + ("upwards: the steps grow" if upwards else "downwards: the steps shrink")
            + f" (t = {found.statistic:.1f}, chance alone {_chance(found.probability)})".replace(
                "-", "−"
            ),
            "points on a straight line",
            "Look at the residuals on the sheet Graphs. Does the bend sit at the first readings or "
            "at the last? The sheet Lines shows the slope by other methods.",
            subject.place(line.field.x, line.rows[0]),
        )


def _chance(probability: float) -> str:
    return "below 0.01 %" if probability < 1e-4 else f"{100.0 * probability:.2g} %"


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
                f"the gradient triangle of “{title}” spans {100.0 * found.span:.0f} % of the line",
                f"{100.0 * LEAST_SPAN:.0f} % or more",
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
                    f"{amount(abs(float(f'{distance / one.unit.factor:.2g}')), one.unit)} {side} "
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


def _finding(subject: Subject, line: LineResult, i: int) -> Finding | None:
    point = line.fit.points[i]
    row = line.rows[i]
    key = line.field.y[point.series]
    one = subject.practical.field(key)
    off = point.deleted_residual / one.unit.factor
    rounding = [subject.numbers.half_width(s) or 0.0 for s in one.sources if s.rounding]
    division = 2.0 * max(rounding, default=0.0) / one.unit.factor
    if abs(off) < LEAST_DIVISIONS * division:
        return None
    series = [
        [(p.x, p.y) for j, p in enumerate(line.fit.points) if p.series == k and j != i]
        for k in range(len(line.field.y))
    ]
    without = fit_common_slope(series)
    change = 100.0 * (without.slope / line.fit.slope - 1.0) if line.fit.slope else 0.0
    effect = f"{change:+.1f} %".replace("-", "−") if abs(change) >= 0.1 else "less than 0.1 %"
    spread = without.residual_deviation / one.unit.factor
    remedy = "Look at this reading again, or repeat it. "
    step = _graduation(subject, one.instrument)
    if step and abs(abs(off) - step) < 3.0 * spread + division:
        value = subject.numbers.shown(key, row)
        assert value is not None
        meant = value - step if off > 0 else value + step
        remedy = (
            f"That is one step of the main scale ({amount(step, one.unit)}): was the main scale "
            f"misread? {amount(meant, one.unit, one.decimals)} would fit. {remedy}"
        )
    return Finding(
        "point-off-line",
        Severity.DOUBTFUL,
        f"“{one.title}”{subject.row_words(row)}, {subject.shown(key, row)}, lies "
        f"{amount(abs(off), one.unit, one.decimals)} {'above' if off > 0 else 'below'} the line "
        "through all other points",
        f"a distance of about {amount(float(f'{spread:.2g}'), one.unit)}, as the others have",
        f"{remedy}It is still part of the result; without it the slope changes by {effect}",
        subject.place(key, row),
    )


def _graduation(subject: Subject, instrument: str) -> float | None:
    """Step of the main scale of an instrument in its own unit, if it has two scales."""
    for one in subject.practical.definition.instruments:
        graduation = KINDS[one.kind].graduation
        if one.id == instrument and graduation:
            return subject.numbers.shown(f"{one.id}.{graduation}")
    return None
