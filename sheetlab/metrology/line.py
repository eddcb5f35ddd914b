"""Straight lines by least squares, and the hand method that the teaching laboratory uses.

Sums are centred and exact (``math.fsum``): readings such as 1000.01, 1000.02 … lose no digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

Pairs = Sequence[tuple[float, float]]


class LinePoint(Struct, frozen=True):
    """One point of a fitted line."""

    series: int
    index: int
    """Position of the point in its series as given."""
    x: float
    y: float
    fitted: float
    residual: float
    leverage: float
    spread: float | None = None
    """Stated standard uncertainty of its distance from the line; None: all alike and unknown."""

    @property
    def deleted_residual(self) -> float:
        """Distance of the point from the line through all others, unit of y; inf if there is none.

        r / (1 - h), to first order if x is uncertain too (R. D. Cook and S. Weisberg, Residuals and
        Influence in Regression, 1982, 2.2, from memory).
        """
        return self.residual / (1.0 - self.leverage) if self.leverage < 1.0 else math.inf

    @property
    def weighted_residual(self) -> float:
        """Residual over the stated spread, a pure number; without one as it is, unit of y."""
        return self.residual / self.spread if self.spread else self.residual


class LineFit(Struct, frozen=True):
    """A straight line y = intercept + slope x, units of the data.

    With several series the slope is common and ``intercept`` is the mean of the intercepts. The
    standard uncertainties follow from the scatter about the line (JCGM 100:2008, H.3), unless the
    points have a stated spread.
    """

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    covariance: float
    """Covariance of slope and intercept."""
    residual_deviation: float
    dof: int
    x_mean: float
    """Abscissa at which slope and ordinate are uncorrelated."""
    u_level: float
    """Standard uncertainty of the ordinate at ``x_mean``."""
    sxx: float
    intercepts: tuple[float, ...]
    points: tuple[LinePoint, ...]

    @property
    def chi_squared(self) -> float:
        """Sum of squares of the residuals over their stated spread, a pure number.

        Without a stated spread the sum of squares as it is, unit of y².
        """
        return math.fsum(p.weighted_residual**2 for p in self.points)

    def at(self, x: float) -> tuple[float, float]:
        """Ordinate of the line at x and its standard uncertainty (JCGM 100:2008, 5.2.2 and H.3).

        x in the unit of x, both results in the unit of y.
        """
        value = self.intercept + self.slope * x
        return value, math.hypot(self.u_level, self.u_slope * (x - self.x_mean))

    def studentised(self) -> tuple[float, ...]:
        """Externally studentised residuals, pure numbers, one a point, shape (n,).

        Residual over s √(1 - h), where s is the deviation without the point (R. D. Cook and S.
        Weisberg, Residuals and Influence in Regression, 1982, 2.2, from memory). All are 0 for
        fewer than two degrees of freedom or a perfect line; infinite, with its sign, where no
        scatter is left without the point.
        """
        size = max((abs(p.y) for p in self.points), default=0.0)
        if self.dof < 2 or self.residual_deviation <= 1e-12 * size:
            # of a perfect line only the rounding of the arithmetic is left
            return tuple(0.0 for _ in self.points)
        total = self.chi_squared
        out = []
        for p in self.points:
            r = p.weighted_residual
            rest = total - r**2 / (1.0 - p.leverage) if p.leverage < 1.0 else 0.0
            spread = math.sqrt(max(rest, 0.0) / (self.dof - 1) * (1.0 - p.leverage))
            if spread > 0.0:
                out.append(r / spread)
            else:
                exact = abs(p.residual) <= 1e-12 * size
                out.append(0.0 if exact else math.copysign(math.inf, p.residual))
        return tuple(out)


def fit_line(x: Sequence[float], y: Sequence[float]) -> LineFit:
    """Ordinary least squares of y on x (JCGM 100:2008, H.3).

    Parameters
    ----------
    x, y
        Points, shapes (n,), each in its unit.

    Returns
    -------
    LineFit
        Slope in unit of y / unit of x, intercept in unit of y.

    Raises
    ------
    ValueError
        If there are fewer than two points, x and y differ in length or all x are equal.
    """
    return fit_common_slope([list(zip(x, y, strict=True))])


def fit_common_slope(series: Sequence[Pairs]) -> LineFit:
    """Least squares of several series with one slope and an intercept for each.

    Analysis of covariance (common practice, no source); for one series JCGM 100:2008, H.3.

    Parameters
    ----------
    series
        For each series its (x, y) pairs, shape (n_i, 2), each in its unit. Empty series are passed
        over and have no intercept.

    Returns
    -------
    LineFit
        Slope in unit of y / unit of x, intercepts in unit of y.

    Raises
    ------
    ValueError
        If no series has two points, or in each series all x are equal.
    """
    used, centres, sxx, slope = _common_slope(series)
    points = []
    for k, pairs in used:
        x_k, y_k = centres[k]
        for index, (x, y) in enumerate(pairs):
            residual = (y - y_k) - slope * (x - x_k)
            leverage = 1.0 / len(pairs) + (x - x_k) ** 2 / sxx
            points.append(LinePoint(k, index, x, y, y - residual, residual, leverage))
    dof = len(points) - 1 - len(used)
    deviation = _deviation(points, dof)
    intercepts = tuple(centres[k][1] - slope * centres[k][0] for k, _ in used)
    count = len(used)
    x_mean = math.fsum(centres[k][0] for k, _ in used) / count
    u_level = deviation * math.sqrt(math.fsum(1.0 / len(ps) for _, ps in used)) / count
    u_slope = deviation / math.sqrt(sxx)
    return LineFit(
        slope=slope,
        intercept=math.fsum(intercepts) / count,
        u_slope=u_slope,
        u_intercept=math.hypot(u_level, u_slope * x_mean),
        covariance=-x_mean * u_slope**2,
        residual_deviation=deviation,
        dof=dof,
        x_mean=x_mean,
        u_level=u_level,
        sxx=sxx,
        intercepts=intercepts,
        points=tuple(points),
    )


def common_slope(series: Sequence[Pairs]) -> float:
    """The slope of ``fit_common_slope`` alone, unit of y / unit of x, in a fraction of its time.

    Parameters (pairs of each series) and errors are those of ``fit_common_slope``.
    """
    return _common_slope(series)[-1]


def _common_slope(
    series: Sequence[Pairs],
) -> tuple[list[tuple[int, Pairs]], dict[int, tuple[float, float]], float, float]:
    """Series with points, their centres, the sum of squares of x about them, and the slope."""
    used = [(k, pairs) for k, pairs in enumerate(series) if pairs]
    if not any(len(pairs) >= 2 for _, pairs in used):
        raise ValueError("a line needs at least two points")
    centres = {}
    squares: list[float] = []
    products: list[float] = []
    for k, pairs in used:
        x_k = math.fsum([x for x, _ in pairs]) / len(pairs)
        y_k = math.fsum([y for _, y in pairs]) / len(pairs)
        centres[k] = x_k, y_k
        squares += [(x - x_k) ** 2 for x, _ in pairs]
        products += [(x - x_k) * (y - y_k) for x, y in pairs]
    sxx = math.fsum(squares)
    if sxx <= 0.0:
        raise ValueError("all points have the same abscissa")
    return used, centres, sxx, math.fsum(products) / sxx


def fit_through_origin(x: Sequence[float], y: Sequence[float]) -> LineFit:
    """Least squares of y = slope x with n - 1 degrees of freedom (common practice, no source).

    Parameters
    ----------
    x, y
        Points, shapes (n,), each in its unit.

    Returns
    -------
    LineFit
        Slope in unit of y / unit of x; the intercept is 0 and certain.

    Raises
    ------
    ValueError
        If there is no point, x and y differ in length or all x are zero.
    """
    sxx = math.fsum(a * a for a in x)
    if sxx <= 0.0:
        raise ValueError("a line through the origin needs a point away from it")
    slope = math.fsum(a * b for a, b in zip(x, y, strict=True)) / sxx
    points = tuple(
        LinePoint(0, i, a, b, slope * a, b - slope * a, a * a / sxx)
        for i, (a, b) in enumerate(zip(x, y, strict=True))
    )
    deviation = _deviation(points, len(points) - 1)
    return LineFit(
        slope=slope, intercept=0.0, u_slope=deviation / math.sqrt(sxx), u_intercept=0.0,
        covariance=0.0, residual_deviation=deviation, dof=len(points) - 1, x_mean=0.0, u_level=0.0,
        sxx=sxx, intercepts=(0.0,), points=points,
    )  # fmt: skip


def _deviation(points: Sequence[LinePoint], dof: int) -> float:
    """Standard deviation about a line, without weights; 0 where nothing is left for it."""
    return math.sqrt(math.fsum(p.residual**2 for p in points) / dof) if dof > 0 else 0.0


def with_stated_spread(
    pairs: Pairs,
    spreads: Sequence[float],
    parameters: tuple[float, float],
    uncertainties: tuple[float, float],
    covariance: float,
) -> LineFit:
    """A line that was fitted with stated uncertainties, with its points.

    Leverages are those of a weighted line with weights 1 / spread² (R. D. Cook and S. Weisberg,
    Residuals and Influence in Regression, 1982, from memory).

    Parameters
    ----------
    pairs
        (x, y) pairs, shape (n, 2), each in its unit.
    spreads
        Standard uncertainty of the distance of each point from the line, unit of y, shape (n,).
    parameters, uncertainties
        Intercept (unit of y) and slope (unit of y / unit of x), and their standard uncertainties.
    covariance
        That of intercept and slope, unit of y² / unit of x.

    Returns
    -------
    LineFit
        With the uncertainties as given; ``residual_deviation`` is without weights, unit of y.

    Raises
    ------
    ValueError
        If there is not one spread for each pair.
    """
    weights = [1.0 / (s * s) for s in spreads]
    total = math.fsum(weights)
    centre = math.fsum(w * x for w, (x, _) in zip(weights, pairs, strict=True)) / total
    sxx = math.fsum(w * (x - centre) ** 2 for w, (x, _) in zip(weights, pairs, strict=True))
    intercept, slope = parameters
    points = tuple(
        LinePoint(
            0, i, x, y, intercept + slope * x, y - intercept - slope * x,
            w * (1.0 / total + (x - centre) ** 2 / sxx), spread,
        )
        for i, ((x, y), w, spread) in enumerate(zip(pairs, weights, spreads, strict=True))
    )  # fmt: skip
    dof = len(points) - 2
    x_mean = -covariance / uncertainties[1] ** 2
    return LineFit(
        slope=slope, intercept=intercept, u_slope=uncertainties[1], u_intercept=uncertainties[0],
        covariance=covariance, residual_deviation=_deviation(points, dof), dof=dof, x_mean=x_mean,
        u_level=math.sqrt(max(uncertainties[0] ** 2 - (x_mean * uncertainties[1]) ** 2, 0.0)),
        sxx=sxx, intercepts=(intercept,), points=points,
    )  # fmt: skip


class IntervalDifferences(Struct, frozen=True):
    """Differences over a fixed interval: the second half of the readings minus the first."""

    slope: float
    u_slope: float
    """Type A, from the scatter of the n/2 independent differences."""
    dof: int
    interval: float
    """Mean difference of x between the halves."""
    differences: tuple[float, ...]
    first_dropped: bool
    """With an odd number of readings the first takes no part (it is the likeliest to be bent)."""


def interval_differences(x: Sequence[float], y: Sequence[float]) -> IntervalDifferences:
    """Slope from pairs half the table apart, in its order (common practice, no source).

    Unlike differences of neighbours, which telescope to (last - first), these use every
    reading once; the first of an odd number is left out.

    Parameters
    ----------
    x, y
        Abscissas and readings, shapes (n,), each in its unit.

    Returns
    -------
    IntervalDifferences
        Slope in unit of y / unit of x, interval in unit of x, differences in unit of y.

    Raises
    ------
    ValueError
        If there are fewer than two readings, x and y differ in length, or the halves have the
        same mean x.
    """
    if len(x) != len(y):
        raise ValueError("as many abscissas as readings are needed")
    half = len(x) // 2
    if half == 0:
        raise ValueError("differences need at least two readings")
    start = len(x) - 2 * half
    dx = [x[start + half + i] - x[start + i] for i in range(half)]
    dy = [y[start + half + i] - y[start + i] for i in range(half)]
    interval = math.fsum(dx) / half
    if interval == 0.0:
        raise ValueError("both halves of the table have the same mean abscissa")
    mean = math.fsum(dy) / half
    slope = mean / interval
    u_slope = 0.0
    if half > 1:
        square = math.fsum((b - slope * a) ** 2 for a, b in zip(dx, dy, strict=True))
        u_slope = math.sqrt(square / (half - 1) / half) / abs(interval)
    return IntervalDifferences(slope, u_slope, half - 1, interval, tuple(dy), start == 1)
