"""A fitted line looked at from all sides: tests, other methods, the student's own triangle."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from msgspec import Struct

from sheetlab.metrology import linetests
from sheetlab.metrology.line import LineFit, Pairs, fit_line, interval_differences
from sheetlab.metrology.linetests import ExtremeLines, GradientTriangle, TestResult
from sheetlab.metrology.statement import percentage
from sheetlab.practical.evaluate import LineResult, Numbers
from sheetlab.practical.fields import triangle_keys

FEWEST_POINTS = 4


class SlopeBy(Struct, frozen=True):
    """A slope by one method, SI units."""

    method: str
    slope: float
    standard_uncertainty: float | None
    remark: str = ""


class LineStudy(Struct, frozen=True):
    """What can be said of a fitted line beside its slope, SI units."""

    line: LineResult
    slopes: tuple[SlopeBy, ...]
    """The first is the one that is used."""
    curvature: TestResult | None
    """Student's t of a quadratic term; None for too few points."""
    lack_of_fit: TestResult | None
    """F of the line against the scatter of repeats; None without repeats."""
    passes: tuple[float, float] | None
    """Difference of the slopes of the first two series, and its standard uncertainty."""
    extremes: ExtremeLines | None
    half_bar: float
    """Half-length of the error bars that the extreme lines pass through."""
    triangle: GradientTriangle | None
    """In the coordinates of the graph; None if the student gave none."""


def study(numbers: Numbers, line: LineResult) -> LineStudy:
    """Look at a line from all sides."""
    fit, singles = line.fit, _alone(line)
    # one division, as the school takes it
    half_bar = numbers.division(*line.field.y)
    means, extremes = line.means(), None
    if half_bar and _spread(means) and not line.field.definition.through_origin:
        xs, ys = zip(*means, strict=True)
        extremes = linetests.extreme_lines(xs, ys, [half_bar] * len(xs))
    triangle = _triangle(numbers, line)
    slopes = [SlopeBy(_METHOD[line.field.kind], fit.slope, fit.u_slope)]
    slopes += [SlopeBy(f"{label} alone", one.slope, one.u_slope) for label, one in singles]
    slopes += _other_slopes(line, extremes, triangle)
    passes = None
    if len(singles) > 1:
        (_, first), (_, second), *_ = singles
        passes = second.slope - first.slope, math.hypot(first.u_slope, second.u_slope)
    return LineStudy(
        line,
        tuple(slopes),
        _tested(line, linetests.curvature_of_series),
        _tested(line, linetests.lack_of_fit_of_series),
        passes,
        extremes,
        half_bar,
        triangle,
    )


def _alone(line: LineResult) -> list[tuple[str, LineFit]]:
    """Fits of the single series of a line that has several, with their labels."""
    series = line.series()
    if len(list(filter(None, series))) < 2:
        return []
    return [
        (label, fit_line(*zip(*pairs, strict=True)))
        for label, pairs in zip(line.field.labels, series, strict=True)
        if len(pairs) > 2 and _spread(pairs)
    ]


def _other_slopes(
    line: LineResult, extremes: ExtremeLines | None, triangle: GradientTriangle | None
) -> Iterator[SlopeBy]:
    """Slopes by other methods than least squares."""
    series = line.series()
    if any(map(_spread, series)):
        remark = "a second opinion: single wrong points hardly move it"
        slope = linetests.robust_slope(series)
        yield SlopeBy("median of the slopes of all pairs", slope, None, remark)
    # a reading in the hand methods is the mean of the passes
    count = max(1, sum(map(bool, series)))
    yield from _hand_methods(line.means(), line.fit.residual_deviation / math.sqrt(count))
    if extremes is not None:
        remark = (
            "lines through all error bars of the mean readings; half their difference is the "
            "school's figure, no standard deviation"
        )
        yield SlopeBy("steepest acceptable line", extremes.steepest, None, remark)
        yield SlopeBy("flattest acceptable line", extremes.flattest, None)
    if triangle is not None:
        remark = f"spans {percentage(triangle.span)} of the line"
        slope = line.drawn()[0] * triangle.slope
        yield SlopeBy("the group's gradient triangle", slope, None, remark)


_METHOD = {
    "ordinary": "least squares",
    "origin": "least squares through the origin",
    "weighted": "weighted least squares",
    "both_errors": "least squares, uncertainties in both coordinates",
}


def _spread(pairs: Pairs) -> bool:
    """Whether points have a slope: of a pass that was broken off there may be one."""
    return len({x for x, _ in pairs}) > 1


def _hand_methods(means: list[tuple[float, float]], deviation: float) -> Iterator[SlopeBy]:
    """Slopes as they are worked out by hand from the mean readings."""
    if len(means) < FEWEST_POINTS:
        return
    xs, ys = zip(*means, strict=True)
    try:
        halves = interval_differences(xs, ys)
    except ValueError:
        halves = None
    if halves is not None:
        remark = f"{halves.dof} degrees of freedom"
        remark += "; the first reading takes no part" if halves.first_dropped else ""
        yield SlopeBy("differences over half the table", halves.slope, halves.u_slope, remark)
    if xs[0] != xs[-1]:
        steps = linetests.successive_differences(xs, ys, deviation)
        remark = "only the first and the last reading count: all between cancel"
        yield SlopeBy("differences of neighbours", steps.slope, steps.u_slope, remark)


def _tested(line: LineResult, test: Callable[[Sequence[Pairs]], TestResult]) -> TestResult | None:
    """A test of an ordinary line; None for other lines, and where there is too little for it."""
    if line.field.kind != "ordinary":
        return None
    try:
        return test(line.series())
    except ValueError:
        return None


def _triangle(numbers: Numbers, line: LineResult) -> GradientTriangle | None:
    keys = triangle_keys(line.field)
    if not line.field.definition.triangle:
        return None
    x1, y1, x2, y2 = (numbers.value(key, None) for key in keys)
    if x1 is None or y1 is None or x2 is None or y2 is None or x1 == x2:
        return None
    sign, zero = line.drawn()
    points = [(p.x, sign * (p.y - zero)) for p in line.fit.points]
    xs, ys = zip(*points, strict=True)
    return linetests.gradient_triangle(xs, ys, (x1, y1), (x2, y2))
