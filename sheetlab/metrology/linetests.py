"""Second opinions on a straight line: curvature, lack of fit, a robust line, hand methods."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sheetlab.metrology.curve import fit_polynomial
from sheetlab.metrology.line import fit_line


@dataclass(frozen=True, slots=True)
class TestResult:
    """A test of a hypothesis."""

    statistic: float
    probability: float
    """Probability of a statistic at least as far out if the hypothesis holds."""


def curvature(x: Sequence[float], y: Sequence[float]) -> TestResult:
    """Whether a straight line is enough: Student's t of the quadratic term, shapes (n,).

    Raises
    ------
    ValueError
        For fewer than four points.
    """
    from scipy import special

    if len(x) < 4:
        raise ValueError("the test of curvature needs at least four points")
    fit = fit_polynomial(x, y, 2)
    size = max(abs(v) for v in y) or 1.0
    if fit.residual_deviation <= 1e-13 * size:
        # exact data: the straight line explains them or it does not
        straight = fit_line(x, y).residual_deviation <= 1e-12 * size
        return TestResult(0.0, 1.0) if straight else TestResult(math.inf, 0.0)
    t = fit.parameters[2] / fit.uncertainties[2]
    return TestResult(t, float(2.0 * special.stdtr(fit.dof, -abs(t))))


def lack_of_fit(x: Sequence[float], repeated: Sequence[Sequence[float]]) -> TestResult:
    """F test of the line against the scatter of repeats at the same abscissa.

    Parameters
    ----------
    x
        Abscissas, shape (n,).
    repeated
        For each abscissa its readings.

    Raises
    ------
    ValueError
        If there are no repeats, or not more than two abscissas.
    """
    from scipy import special

    pairs = [(a, b) for a, column in zip(x, repeated, strict=True) for b in column]
    groups = [list(column) for column in repeated if column]
    pure_dof = len(pairs) - len(groups)
    lack_dof = len(groups) - 2
    if pure_dof < 1 or lack_dof < 1:
        raise ValueError("the test needs repeats and at least three abscissas")
    fit = fit_line([a for a, _ in pairs], [b for _, b in pairs])
    whole = fit.residual_deviation**2 * fit.dof
    pure = math.fsum(
        math.fsum((b - math.fsum(column) / len(column)) ** 2 for b in column) for column in groups
    )
    # of exact data only the rounding of readings, of slope times abscissa and of means is left
    size = max(max(abs(b), abs(fit.slope * a)) for a, b in pairs)
    rounding = len(pairs) * (1e-14 * size) ** 2
    lack = whole - pure
    if lack <= rounding:
        return TestResult(0.0, 1.0)
    if pure <= rounding:
        return TestResult(math.inf, 0.0)
    f = (lack / lack_dof) / (pure / pure_dof)
    return TestResult(f, float(special.fdtrc(lack_dof, pure_dof, f)))


@dataclass(frozen=True, slots=True)
class RobustLine:
    """A line that single wrong points hardly move."""

    slope: float
    intercept: float


def robust_line(x: Sequence[float], y: Sequence[float]) -> RobustLine:
    """Line of Theil and Sen: median of all pairwise slopes, median of the intercepts.

    Raises
    ------
    ValueError
        If no two abscissas differ.
    """
    slopes = [
        (y[j] - y[i]) / (x[j] - x[i])
        for i in range(len(x))
        for j in range(i + 1, len(x))
        if x[i] != x[j]
    ]
    if not slopes:
        raise ValueError("all points have the same abscissa")
    slope = median(slopes)
    return RobustLine(float(slope), median([b - slope * a for a, b in zip(x, y, strict=True)]))


def median(values: Sequence[float]) -> float:
    """Middle value, or the mean of the two in the middle."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return float(ordered[middle])
    return 0.5 * (ordered[middle - 1] + ordered[middle])


@dataclass(frozen=True, slots=True)
class SuccessiveDifferences:
    """Slope from the mean of the differences between neighbours.

    Their sum telescopes: all readings but the first and the last are thrown away.
    """

    slope: float
    u_slope: float
    """Standard uncertainty for a scatter ``reading_deviation`` of one reading."""
    naive: float
    """What the usual s/√n of the differences gives: too large, since neighbours share a reading."""


def successive_differences(
    x: Sequence[float], y: Sequence[float], reading_deviation: float
) -> SuccessiveDifferences:
    """Mean of successive differences over equal steps, shapes (n,).

    Parameters
    ----------
    reading_deviation
        Standard deviation of one reading, unit of y; for independent readings the end points
        carry √2 of it.

    Raises
    ------
    ValueError
        For fewer than two readings, or equal first and last abscissas.
    """
    if len(x) < 2 or len(x) != len(y) or x[-1] == x[0]:
        raise ValueError("successive differences need readings over a range")
    steps = len(x) - 1
    width = (x[-1] - x[0]) / steps
    slopes = [(y[i + 1] - y[i]) / width for i in range(steps)]
    slope = math.fsum(slopes) / steps
    naive = 0.0
    if steps > 1:
        square = math.fsum((s - slope) ** 2 for s in slopes)
        naive = math.sqrt(square / (steps - 1) / steps)
    return SuccessiveDifferences(
        slope, math.sqrt(2.0) * reading_deviation / abs(x[-1] - x[0]), naive
    )


@dataclass(frozen=True, slots=True)
class ExtremeLines:
    """Steepest and flattest straight lines that pass through all error bars."""

    steepest: float
    flattest: float

    @property
    def half_range(self) -> float:
        """Half the difference of the slopes: the school's figure, not a standard deviation."""
        return 0.5 * abs(self.steepest - self.flattest)


def extreme_lines(
    x: Sequence[float], y: Sequence[float], half_bars: Sequence[float]
) -> ExtremeLines | None:
    """Best and worst acceptable line by linear programming; None if no line passes all bars.

    Parameters
    ----------
    half_bars
        Half-lengths of the error bars of y, shape (n,), not negative.

    Raises
    ------
    ValueError
        For fewer than two abscissas.
    """
    import numpy as np
    from scipy.optimize import linprog

    if len(set(x)) < 2:
        raise ValueError("lines need at least two abscissas")
    xs, ys, bars = (np.asarray(v, dtype=float) for v in (x, y, half_bars))
    # the program's tolerances are absolute: abscissas in units of their range, ordinates as
    # distances from a line near all points in units of the bars
    near = fit_line(x, y)
    wide = float(np.ptp(xs))
    tall = float(np.max(bars) or np.max(np.abs(ys))) or 1.0
    from_middle = xs - np.mean(xs)
    off = (ys - np.mean(ys) - near.slope * from_middle) / tall
    a = np.column_stack([np.ones(len(xs)), from_middle / wide])
    rows = np.vstack([a, -a])
    limits = np.concatenate([bars / tall + off, bars / tall - off])
    slopes = []
    for sign in (-1.0, 1.0):
        found: Any = linprog([0.0, sign], A_ub=rows, b_ub=limits, bounds=[(None, None)] * 2)
        if not found.success:
            return None
        slopes.append(near.slope + float(found.x[1]) * tall / wide)
    return ExtremeLines(max(slopes), min(slopes))


@dataclass(frozen=True, slots=True)
class GradientTriangle:
    """A slope read off a hand-drawn line at two points chosen by a person."""

    slope: float
    span: float
    """Width of the triangle as a part of the range of the data."""
    distances: tuple[float, float]
    """Distances of the two points from the least-squares line, in unit of y."""
    uses_data_points: bool
    """Whether a corner is one of the readings, which it should not be."""


def gradient_triangle(
    x: Sequence[float],
    y: Sequence[float],
    first: tuple[float, float],
    second: tuple[float, float],
) -> GradientTriangle:
    """Judge a gradient triangle against the data.

    A triangle should span at least half of the line and its corners should lie on the line and not
    on readings (common practice, no source).

    Raises
    ------
    ValueError
        If the corners have the same abscissa.
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
