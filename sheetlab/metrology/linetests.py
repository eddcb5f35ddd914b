"""Second opinions on a straight line: curvature, lack of fit, a robust slope, hand methods."""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

from sheetlab.metrology.distributions import fisher_tail, student_tail
from sheetlab.metrology.line import Pairs, fit_common_slope, fit_line


class TestResult(Struct, frozen=True):
    """A test of a hypothesis."""

    statistic: float
    probability: float
    """Probability of a statistic at least as far out if the hypothesis holds."""


def curvature_of_series(series: Sequence[Pairs]) -> TestResult:
    """Whether straight lines of one slope are enough: Student's t of a common quadratic term.

    Parameters
    ----------
    series
        For each series its (x, y) pairs, shape (n_i, 2), each in its unit; each has an intercept of
        its own, empty ones are passed over.

    Returns
    -------
    TestResult
        Pure numbers, two-sided. The term is that of a regression of what the line leaves of y on
        what it leaves of x² (partial regression; N. Draper and H. Smith, Applied Regression
        Analysis, section on plots of added variables, from memory); positive if the line bends
        upwards. Of data without scatter t is 0 or infinite.

    Raises
    ------
    ValueError
        For fewer than four points or than three more points than series, and for abscissas that
        do not tell x² from the lines, such as fewer than three.
    """
    used = [list(pairs) for pairs in series if pairs]
    count = sum(len(pairs) for pairs in used)
    dof = count - len(used) - 2
    if count < 4 or dof < 1:
        raise ValueError("the test of curvature needs at least four points")
    middle = math.fsum(x for pairs in used for x, _ in pairs) / count
    straight = fit_common_slope(used)
    squares = fit_common_slope([[(x, (x - middle) ** 2) for x, _ in pairs] for pairs in used])
    left = math.fsum(p.residual**2 for p in squares.points)
    wide = max(abs(x - middle) for pairs in used for x, _ in pairs)
    if left <= 1e-20 * count * wide**4:
        raise ValueError("the test of curvature needs at least three abscissas")
    pairs_left = list(zip(straight.points, squares.points, strict=True))
    term = math.fsum(a.residual * b.residual for a, b in pairs_left) / left
    rest = math.fsum((a.residual - term * b.residual) ** 2 for a, b in pairs_left)
    size = max(abs(p.y) for p in straight.points) or 1.0
    if math.sqrt(rest / dof) <= 1e-13 * size:
        # exact data: the straight line explains them or it does not
        exact = straight.residual_deviation <= 1e-12 * size
        return TestResult(0.0, 1.0) if exact else TestResult(math.copysign(math.inf, term), 0.0)
    t = term / math.sqrt(rest / dof / left)
    return TestResult(t, 2.0 * student_tail(abs(t), dof))


def lack_of_fit_of_series(series: Sequence[Pairs]) -> TestResult:
    """F test of a common-slope line against what series with equal abscissas leave unexplained.

    The scatter that no curve through the abscissas could explain is what is left when each
    abscissa has a value of its own, and each series an offset (N. Draper and H. Smith, Applied
    Regression Analysis, sections on pure error and dummy variables, from memory).

    Parameters
    ----------
    series
        For each series its (x, y) pairs, shape (n_i, 2), each in its unit; empty ones are passed
        over.

    Returns
    -------
    TestResult
        F and its probability, pure numbers.

    Raises
    ------
    ValueError
        If hardly any abscissa is repeated, there are not more than two, in each series all x are
        equal, or the abscissas that series have in common do not link them all.
    """
    import numpy as np

    used = [list(pairs) for pairs in series if pairs]
    points = [(k, x, y) for k, pairs in enumerate(used) for x, y in pairs]
    xs = sorted({x for _, x, _ in points})
    pure_dof = len(points) - len(xs) - (len(used) - 1)
    lack_dof = len(xs) - 2
    if pure_dof < 1 or lack_dof < 1:
        raise ValueError("the test needs repeats and at least three abscissas")
    fit = fit_common_slope(used)
    design = np.zeros((len(points), len(xs) + len(used) - 1))
    for row, (k, x, _) in enumerate(points):
        design[row, xs.index(x)] = 1.0
        if k:
            design[row, len(xs) + k - 1] = 1.0
    # what the line left: its size is that of the scatter, which loses no digits
    left = np.array([p.residual for p in fit.points])
    solution, _, rank, _ = np.linalg.lstsq(design, left, rcond=None)
    if rank < design.shape[1]:
        raise ValueError("the series have no abscissas in common")
    pure = float(np.sum((left - design @ solution) ** 2))
    whole = float(np.sum(left**2))
    size = max(abs(y) for _, _, y in points)
    rounding = len(points) * (1e-14 * size) ** 2
    if whole - pure <= rounding:
        return TestResult(0.0, 1.0)
    if pure <= rounding:
        return TestResult(math.inf, 0.0)
    f = ((whole - pure) / lack_dof) / (pure / pure_dof)
    return TestResult(f, fisher_tail(f, lack_dof, pure_dof))


def robust_slope(series: Sequence[Pairs]) -> float:
    """Median of the slopes of all pairs of points of the same series (Theil 1950, Sen 1968).

    Parameters
    ----------
    series
        For each series its (x, y) pairs, shape (n_i, 2), each in its unit.

    Returns
    -------
    float
        Slope in unit of y / unit of x.

    Raises
    ------
    ValueError
        If in no series two abscissas differ.
    """
    slopes = [
        (pairs[j][1] - pairs[i][1]) / (pairs[j][0] - pairs[i][0])
        for pairs in series
        for i in range(len(pairs))
        for j in range(i + 1, len(pairs))
        if pairs[i][0] != pairs[j][0]
    ]
    if not slopes:
        raise ValueError("all points have the same abscissa")
    return median(slopes)


def median(values: Sequence[float]) -> float:
    """Middle value, or the mean of the two in the middle, unit of the values.

    Common practice, no source.

    Parameters
    ----------
    values
        Shape (n,), in any order, at least one.
    """
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return float(ordered[middle])
    return 0.5 * (ordered[middle - 1] + ordered[middle])


def successive_differences(
    x: Sequence[float], y: Sequence[float], reading_deviation: float
) -> tuple[float, float]:
    """Slope from the mean of the differences of neighbours (common practice, no source).

    Their sum telescopes: all readings but the first and the last are thrown away.

    Parameters
    ----------
    x, y
        Abscissas and readings, shapes (n,), each in its unit.
    reading_deviation
        Standard deviation of one reading, unit of y; for independent readings the end points
        carry √2 of it.

    Returns
    -------
    tuple[float, float]
        Slope and its standard uncertainty, in unit of y / unit of x.

    Raises
    ------
    ValueError
        For fewer than two readings, x and y of different lengths, or equal first and last
        abscissas.
    """
    if len(x) < 2 or len(x) != len(y) or x[-1] == x[0]:
        raise ValueError("successive differences need readings over a range")
    width = x[-1] - x[0]
    return (y[-1] - y[0]) / width, math.sqrt(2.0) * reading_deviation / abs(width)


class ExtremeLines(Struct, frozen=True):
    """Steepest and flattest straight lines that pass through all error bars."""

    steepest: float
    flattest: float


def extreme_lines(
    x: Sequence[float], y: Sequence[float], half_bars: Sequence[float]
) -> ExtremeLines | None:
    """Steepest and flattest line through all error bars; None if no line passes all of them.

    A line of slope b passes bars i and j if b (x_j - x_i) lies between the differences of their
    ends; the steepest has the smallest upper limit of all pairs, the flattest the greatest lower.
    The lines are common practice, no source; that pairs suffice is Helly's theorem in one
    dimension.

    Parameters
    ----------
    x, y
        Points, shapes (n,), each in its unit.
    half_bars
        Half-lengths of the error bars of y, unit of y, shape (n,), not negative.

    Returns
    -------
    ExtremeLines | None
        Slopes in unit of y / unit of x.

    Raises
    ------
    ValueError
        For fewer than two abscissas, or columns of different lengths.
    """
    if len(set(x)) < 2:
        raise ValueError("lines need at least two abscissas")
    points = sorted(zip(x, y, half_bars, strict=True))
    steepest, flattest = math.inf, -math.inf
    for i, (x1, y1, h1) in enumerate(points):
        for x2, y2, h2 in points[i + 1 :]:
            if x2 == x1:
                if abs(y2 - y1) > (h1 + h2) * (1.0 + 1e-12):
                    return None
                continue
            steepest = min(steepest, ((y2 - y1) + (h1 + h2)) / (x2 - x1))
            flattest = max(flattest, ((y2 - y1) - (h1 + h2)) / (x2 - x1))
    rounding = 1e-12 * max(abs(steepest), abs(flattest))
    return ExtremeLines(steepest, flattest) if flattest <= steepest + rounding else None


class GradientTriangle(Struct, frozen=True):
    """A slope read off a hand-drawn line at two points chosen by a person."""

    slope: float
    span: float
    """Width of the triangle as a part of the range of the data."""
    distances: tuple[float, float]
    """Distances of the two points above the least-squares line, in unit of y."""
    uses_data_points: bool
    """Whether a corner is one of the readings, which it should not be."""


def gradient_triangle(
    x: Sequence[float],
    y: Sequence[float],
    first: tuple[float, float],
    second: tuple[float, float],
) -> GradientTriangle:
    """Figures by which to judge a gradient triangle against the data.

    A triangle should span at least half of the line and its corners should lie on the line and not
    on readings (common practice, no source).

    Parameters
    ----------
    x, y
        Points, shapes (n,), each in its unit.
    first, second
        Corners (x, y), in the same units.

    Returns
    -------
    GradientTriangle
        Slope in unit of y / unit of x, span a pure number, distances in unit of y.

    Raises
    ------
    ValueError
        If the corners have the same abscissa, x and y differ in length, there are fewer than two
        points or all x are equal.
    """
    if first[0] == second[0]:
        raise ValueError("the corners of the triangle have the same abscissa")
    fit = fit_line(x, y)
    width = max(x) - min(x)
    points = set(zip(x, y, strict=True))
    return GradientTriangle(
        slope=(second[1] - first[1]) / (second[0] - first[0]),
        span=abs(second[0] - first[0]) / width if width else math.inf,
        distances=(first[1] - fit.at(first[0])[0], second[1] - fit.at(second[0])[0]),
        uses_data_points=first in points or second in points,
    )
