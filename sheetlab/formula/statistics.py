"""Statistics of whole columns: value, gradient, type A scatter. Rows of the table of functions."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from msgspec import Struct

from sheetlab.metrology import curve, line
from sheetlab.metrology.bothaxes import fit_line_both_errors
from sheetlab.metrology.curve import CurveFit
from sheetlab.metrology.line import IntervalDifferences, LineFit
from sheetlab.metrology.repeats import mean_of, repeats

Column = Sequence[float | None]
Rows = list[tuple[int, float, float]]
"""Row of the table, abscissa and ordinate of each point of a series."""


class Scatter(Struct, frozen=True):
    """A type A contribution that a statistic brings along."""

    token: str
    """Statistics of the same columns share the source of the same token (slope, intercept)."""
    uncertainty: float
    dof: float
    sensitivity: float


class Statistic(Struct, frozen=True):
    """Value of an aggregate, with its gradient and type A scatter."""

    value: float
    gradients: tuple[tuple[float, ...], ...]
    """Partial derivative to each element of each column; 0 where an element is missing."""
    scatter: tuple[Scatter, ...] = ()


ValueRule = Callable[[Sequence[Column]], float | None]
StatisticRule = Callable[[Sequence[Column], float], Statistic | None]


def _present(column: Column) -> list[tuple[int, float]]:
    return [(i, v) for i, v in enumerate(column) if v is not None]


def _gradient(column: Column, weights: dict[int, float]) -> tuple[float, ...]:
    return tuple(weights.get(i, 0.0) for i in range(len(column)))


def mean(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """Mean of repeats."""
    values = _present(columns[0])
    if not values:
        return None
    of = repeats([v for _, v in values])
    gradient = _gradient(columns[0], {i: 1.0 / of.n for i, _ in values})
    scatter = (Scatter("mean", of.uncertainty, of.dof, 1.0),) if of.uncertainty > 0.0 else ()
    return Statistic(of.mean, (gradient,), scatter)


def deviation(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """Experimental standard deviation of repeats."""
    values = _present(columns[0])
    if len(values) < 2:
        return None
    of = repeats([v for _, v in values])
    scale = (of.n - 1) * of.deviation
    weights = {i: (v - of.mean) / scale for i, v in values} if scale else {}
    return Statistic(of.deviation, (_gradient(columns[0], weights),))


def _extreme(of_highest: float, of_lowest: float) -> StatisticRule:
    """A statistic that is a weighted sum of the highest and the lowest value."""

    def rule(columns: Sequence[Column], resolution: float) -> Statistic | None:
        values = _present(columns[0])
        if not values:
            return None
        high, low = (pick(values, key=lambda iv: iv[1]) for pick in (max, min))
        weights = {high[0]: of_highest}
        weights[low[0]] = weights.get(low[0], 0.0) + of_lowest
        value = of_highest * high[1] + of_lowest * low[1]
        return Statistic(value, (_gradient(columns[0], weights),))

    return rule


def count(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """How many values there are: exact, whatever they are; missing where there is none."""
    there = float(len(_present(columns[0])))
    return Statistic(there, (_gradient(columns[0], {}),)) if there else None


highest, lowest, span = _extreme(1.0, 0.0), _extreme(0.0, 1.0), _extreme(1.0, -1.0)


def slope_alone(columns: Sequence[Column]) -> float | None:
    """Value of ``slope``."""
    try:
        return line.common_slope(_series(columns)[1])
    except ValueError:
        return None


def mean_alone(columns: Sequence[Column]) -> float | None:
    """Value of ``mean``."""
    values = [v for v in columns[0] if v is not None]
    return mean_of(values) if values else None


def _pairs(x: Column, y: Column) -> list[tuple[int, float, float]]:
    return [
        (i, a, b)
        for i, (a, b) in enumerate(zip(x, y, strict=True))
        if a is not None and b is not None
    ]


def _series(columns: Sequence[Column]) -> tuple[list[Rows], list[list[tuple[float, float]]]]:
    """The points of ``columns`` = (x, y1, y2, …), with their rows and without."""
    x, *ys = columns
    rows = [_pairs(x, y) for y in ys]
    return rows, [[(a, b) for _, a, b in pairs] for pairs in rows]


def _dof(fit: LineFit | IntervalDifferences) -> float:
    return float(fit.dof) if fit.dof > 0 else math.inf


def _straight_line(
    columns: Sequence[Column], resolution: float, intercept: bool
) -> Statistic | None:
    """Slope or intercept of the common-slope line."""
    kept, series = _series(columns)
    try:
        fit = line.fit_common_slope(series)
    except ValueError:
        return None
    # the scatter cannot be known to be smaller than the rounding of a reading
    # (JCGM 100:2008, F.2.2.1)
    sigma = max(fit.residual_deviation, resolution)
    u_slope = sigma / math.sqrt(fit.sxx)
    used = [pairs for pairs in kept if pairs]
    u_level = sigma * math.sqrt(math.fsum(1.0 / len(p) for p in used)) / len(used)
    x_gradient: dict[int, float] = {}
    y_gradients = []
    points = iter(fit.points)
    for pairs in kept:
        y_gradient: dict[int, float] = {}
        if pairs:
            centre = math.fsum(a for _, a, _ in pairs) / len(pairs)
        for row, a, _ in pairs:
            point = next(points)
            by_y = (a - centre) / fit.sxx
            by_x = (point.residual - fit.slope * (a - centre)) / fit.sxx
            if intercept:
                share = 1.0 / (len(pairs) * len(used))
                by_y = share - fit.x_mean * by_y
                by_x = -fit.slope * share - fit.x_mean * by_x
            y_gradient[row] = by_y
            x_gradient[row] = x_gradient.get(row, 0.0) + by_x
        y_gradients.append(y_gradient)
    gradients = tuple(
        _gradient(c, g) for c, g in zip(columns, [x_gradient, *y_gradients], strict=True)
    )
    scatter = [Scatter("slope", u_slope, _dof(fit), -fit.x_mean if intercept else 1.0)]
    if intercept:
        scatter.append(Scatter("level", u_level, _dof(fit), 1.0))
    return Statistic(fit.intercept if intercept else fit.slope, gradients, tuple(scatter))


OF_GROUP = "group"
"""How the family of a statistic of one group begins; its scatter is that of no other row."""


def of_group(
    columns: Sequence[Column], resolution: float, value: float, uncertainty: bool
) -> Statistic | None:
    """Slope of ``columns`` = (x, group, y) in rows of a group, or its uncertainty by scatter."""
    x, groups, y = columns
    chosen = [b if g is not None and math.isclose(g, value) else None
              for g, b in zip(groups, y, strict=True)]  # fmt: skip
    found = slope([x, chosen], resolution)
    if found is None:
        return None
    none = (0.0,) * len(x)
    if uncertainty:
        # two points have no scatter that would tell of the uncertainty of their slope
        (scatter,) = found.scatter
        known = math.isfinite(scatter.dof)
        return Statistic(scatter.uncertainty, (none, none, none)) if known else None
    return Statistic(found.value, (found.gradients[0], none, found.gradients[1]), found.scatter)


slope, intercept = partial(_straight_line, intercept=False), partial(_straight_line, intercept=True)


def half_table_slope(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """Slope by differences over half the table."""
    pairs = _pairs(columns[0], columns[1])
    n, half = len(pairs), len(pairs) // 2
    if [i for i, _, _ in pairs] != list(range(n)):
        return None
    try:
        diff = line.interval_differences([a for _, a, _ in pairs], [b for _, _, b in pairs])
    except ValueError:
        return None
    share = 1.0 / (half * diff.interval)
    signs = {i: (1.0 if i >= n - half else -1.0) for i in range(n - 2 * half, n)}
    y = _gradient(columns[1], {i: s * share for i, s in signs.items()})
    x = _gradient(columns[0], {i: -s * share * diff.slope for i, s in signs.items()})
    # a difference of two rounded readings is uncertain by sqrt 2 of the rounding of one
    floor = resolution * math.sqrt(2.0 / half) / abs(diff.interval)
    scatter = Scatter("halves", max(diff.u_slope, floor), _dof(diff), 1.0)
    return Statistic(diff.slope, (x, y), (scatter,))


def half_interval(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """Mean difference between the halves of a column."""
    values = _present(columns[0])
    half = len(values) // 2
    if half == 0 or [i for i, _ in values] != list(range(len(values))):
        return None
    signs = {i: (1.0 if k >= half else -1.0) for k, (i, _) in enumerate(values[-2 * half :])}
    value = math.fsum(v * signs.get(i, 0.0) for i, v in values) / half
    return Statistic(value, (_gradient(columns[0], {i: s / half for i, s in signs.items()}),))


def through_origin(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """Slope of the line through the origin; the scatter has the rounding as its floor."""
    pairs = _pairs(columns[0], columns[1])
    try:
        fit = line.fit_through_origin([a for _, a, _ in pairs], [b for _, _, b in pairs])
    except ValueError:
        return None
    y = _gradient(columns[1], {i: a / fit.sxx for i, a, _ in pairs})
    x = _gradient(columns[0], {i: (b - 2.0 * fit.slope * a) / fit.sxx for i, a, b in pairs})
    sigma = max(fit.residual_deviation, resolution)
    scatter = (Scatter("slope", sigma / math.sqrt(fit.sxx), _dof(fit), 1.0),)
    return Statistic(fit.slope, (x, y), scatter)


def complete(columns: Sequence[Column]) -> tuple[list[int], list[list[float]]]:
    """Rows in which nothing is missing, and the columns in those rows alone."""
    rows = [i for i, row in enumerate(zip(*columns, strict=True)) if None not in row]
    return rows, [[float(column[i] or 0.0) for i in rows] for column in columns]


def _fit_stated(columns: Sequence[Column]) -> CurveFit:
    """Line with stated uncertainties of ``columns`` = (x, u_y, y) or (x, u_x, u_y, y).

    Raises
    ------
    ValueError
        For too few rows, or uncertainties that are not positive.
    """
    rows, (x, *stated, y) = complete(columns)
    if len(rows) < 2:
        raise ValueError("a line needs at least two points")
    if len(stated) == 1:
        return curve.fit_polynomial(x, y, 1, stated[0])
    return fit_line_both_errors(x, y, *stated)


def _stated_line(columns: Sequence[Column], resolution: float, intercept: bool) -> Statistic | None:
    """Slope or intercept of a line whose points have stated uncertainties.

    Its uncertainty follows from the stated ones alone (ISO/TS 28037:2010, clauses 6 and 7), which
    are taken to be known. Whether they explain the scatter is a question of its own, which
    chi-squared answers; an uncertainty that depended on the answer would jump with it.
    """
    try:
        fit = _fit_stated(columns)
    except ValueError:
        return None
    u_slope = fit.uncertainties[1]
    # the abscissa at which ordinate and slope are uncorrelated
    x_mean = -fit.covariance[0][1] / u_slope**2
    scatter = [Scatter("slope", u_slope, math.inf, -x_mean if intercept else 1.0)]
    if intercept:
        level = math.sqrt(max(fit.covariance[0][0] - (x_mean * u_slope) ** 2, 0.0))
        scatter.append(Scatter("level", level, math.inf, 1.0))
    which = 0 if intercept else 1
    return Statistic(fit.parameters[which], _responses(fit, which, columns), tuple(scatter))


stated_slope = partial(_stated_line, intercept=False)
stated_intercept = partial(_stated_line, intercept=True)


def _responses(
    fit: CurveFit, which: int, columns: Sequence[Column]
) -> tuple[tuple[float, ...], ...]:
    rows, _ = complete(columns)
    x = _gradient(columns[0], dict(zip(rows, fit.response_x[which], strict=True)))
    y = _gradient(columns[-1], dict(zip(rows, fit.response_y[which], strict=True)))
    # the stated uncertainties are weights, and taken as they are
    between = tuple((0.0,) * len(column) for column in columns[1:-1])
    return (x, *between, y)


def line_of(function: str, columns: Sequence[Column]) -> tuple[LineFit, list[Rows]]:
    """The line whose slope a function of the table gives, and the rows that took part.

    Raises
    ------
    ValueError
        If there is no such line.
    """
    kept, series = _series(columns)
    if function == "origin_slope":
        # without a row there is nothing to take apart, which the fit says
        return line.fit_through_origin([x for x, _ in series[0]], [y for _, y in series[0]]), kept
    if function == "slope":
        return line.fit_common_slope(series), kept
    fit = _fit_stated(columns)
    rows, (x, *stated, y) = complete(columns)
    slope = fit.parameters[1]
    u_x = stated[0] if len(stated) > 1 else [0.0] * len(rows)
    spreads = [math.hypot(b, slope * a) for a, b in zip(u_x, stated[-1], strict=True)]
    u_intercept, u_slope = fit.uncertainties
    stated_line = line.with_stated_spread(
        list(zip(x, y, strict=True)), spreads, (fit.parameters[0], slope),
        (u_intercept, u_slope), fit.covariance[0][1],
    )  # fmt: skip
    return stated_line, [list(zip(rows, x, y, strict=True))]


Curve = Callable[[Any, Any], Any]


def fit_curve(
    body: Curve, start: Sequence[float], columns: Sequence[Column]
) -> tuple[CurveFit, list[int]]:
    """Curve through ``columns`` = (x, y) or (x, u_y, y).

    Raises
    ------
    ValueError
        For fewer rows than parameters, or if no curve is found.
    """
    rows, (x, *stated, y) = complete(columns)
    if len(rows) < len(start):
        raise ValueError(f"{len(start)} parameters need at least as many points")
    return curve.fit_curve(body, x, y, start, stated[0] if stated else None), rows


def curve_parameter(
    body: Curve,
    start: Sequence[float],
    which: int,
    parameters: Sequence[str],
    columns: Sequence[Column],
    resolution: float,
) -> Statistic | None:
    """A parameter of a curve, with the scatter in as many independent parts as parameters."""
    try:
        fit, _ = fit_curve(body, start, columns)
    except ValueError:
        return None
    wider, dof = 1.0, float(fit.dof) if fit.scaled and fit.dof > 0 else math.inf
    if fit.scaled and 0.0 < fit.residual_deviation < resolution:
        # the scatter cannot be known to be smaller than the rounding of a reading
        wider = resolution / fit.residual_deviation
    scatter = []
    root = _triangular(fit.covariance)
    for k, row in enumerate(root[which][: which + 1]):
        own = root[k][k]
        if own > 0.0:
            scatter.append(Scatter(parameters[k], own * wider, dof, row / own))
    return Statistic(fit.parameters[which], _responses(fit, which, columns), tuple(scatter))


def _triangular(covariance: Sequence[Sequence[float]]) -> list[list[float]]:
    """Lower triangular root of a covariance matrix (Cholesky)."""
    n = len(covariance)
    root = [[0.0] * n for _ in range(n)]
    for i in range(n):
        for j in range(i + 1):
            rest = covariance[i][j] - math.fsum(root[i][k] * root[j][k] for k in range(j))
            if i == j:
                root[i][i] = math.sqrt(max(rest, 0.0))
            else:
                root[i][j] = rest / root[j][j] if root[j][j] > 0.0 else 0.0
    return root
