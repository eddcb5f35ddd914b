"""Statistics of whole columns: value, gradient, type A scatter. Rows of the table of functions."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from msgspec import Struct

from sheetlab.metrology import curve, line
from sheetlab.metrology.curve import CurveFit
from sheetlab.metrology.repeats import mean_of, repeats

Column = Sequence[float | None]


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
    found = repeats([v for _, v in values])
    gradient = _gradient(columns[0], {i: 1.0 / found.n for i, _ in values})
    scatter = (
        (Scatter("mean", found.uncertainty, found.dof, 1.0),) if found.uncertainty > 0.0 else ()
    )
    return Statistic(found.mean, (gradient,), scatter)


def deviation(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """Experimental standard deviation of repeats."""
    values = _present(columns[0])
    if len(values) < 2:
        return None
    found = repeats([v for _, v in values])
    scale = (found.n - 1) * found.deviation
    weights = {i: (v - found.mean) / scale for i, v in values} if scale else {}
    return Statistic(found.deviation, (_gradient(columns[0], weights),))


def extreme(pick: Callable[[list[tuple[int, float]]], dict[int, float]]) -> StatisticRule:
    """A statistic that is a weighted sum of some of the values."""

    def rule(columns: Sequence[Column], resolution: float) -> Statistic | None:
        values = _present(columns[0])
        if not values:
            return None
        weights = pick(values)
        value = math.fsum(columns[0][i] * w for i, w in weights.items())  # type: ignore[operator]
        return Statistic(value, (_gradient(columns[0], weights),))

    return rule


def span_weights(values: list[tuple[int, float]]) -> dict[int, float]:
    """Weights of highest minus lowest value."""
    high = max(values, key=lambda iv: iv[1])[0]
    low = min(values, key=lambda iv: iv[1])[0]
    return {} if high == low else {high: 1.0, low: -1.0}


def slope_alone(columns: Sequence[Column]) -> float | None:
    """Value of the slope of ``straight_line``."""
    x, *ys = columns
    series = [
        [(a, b) for a, b in zip(x, y, strict=True) if a is not None and b is not None] for y in ys
    ]
    try:
        return line.common_slope(series)
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


def fitted(columns: Sequence[Column]) -> tuple[line.LineFit, list[list[tuple[int, float, float]]]]:
    """The common-slope line of ``columns`` = (x, y1, y2, …) and the rows that took part."""
    x, *ys = columns
    kept = [_pairs(x, y) for y in ys]
    return line.fit_common_slope([[(a, b) for _, a, b in pairs] for pairs in kept]), kept


def straight_line(
    columns: Sequence[Column], resolution: float, intercept: bool
) -> Statistic | None:
    """Slope or intercept of the common-slope line."""
    try:
        fit, kept = fitted(columns)
    except ValueError:
        return None
    # the scatter cannot be known to be smaller than the rounding of a reading
    # (JCGM 100:2008, F.2.2.1)
    sigma = max(fit.residual_deviation, resolution)
    dof = float(fit.dof) if fit.dof > 0 else math.inf
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
    of_slope = Scatter("slope", u_slope, dof, -fit.x_mean if intercept else 1.0)
    scatter: tuple[Scatter, ...] = (of_slope,)
    if intercept:
        scatter += (Scatter("level", u_level, dof, 1.0),)
    return Statistic(fit.intercept if intercept else fit.slope, gradients, scatter)


def _intervals(columns: Sequence[Column]) -> tuple[line.IntervalDifferences, int] | None:
    pairs = _pairs(columns[0], columns[1])
    if [i for i, _, _ in pairs] != list(range(len(pairs))):
        return None
    try:
        found = line.interval_differences([a for _, a, _ in pairs], [b for _, _, b in pairs])
    except ValueError:
        return None
    return found, len(pairs)


def half_table_slope(columns: Sequence[Column], resolution: float) -> Statistic | None:
    """Slope by differences over half the table."""
    found = _intervals(columns)
    if found is None:
        return None
    diff, n = found
    half = n // 2
    share = 1.0 / (half * diff.interval)
    signs = {i: (1.0 if i >= n - half else -1.0) for i in range(n - 2 * half, n)}
    y = _gradient(columns[1], {i: s * share for i, s in signs.items()})
    x = _gradient(columns[0], {i: -s * share * diff.slope for i, s in signs.items()})
    # a difference of two rounded readings is uncertain by sqrt 2 of the rounding of one
    floor = resolution * math.sqrt(2.0 / half) / abs(diff.interval)
    dof = float(diff.dof) if diff.dof > 0 else math.inf
    return Statistic(diff.slope, (x, y), (Scatter("halves", max(diff.u_slope, floor), dof, 1.0),))


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
    dof = float(fit.dof) if fit.dof > 0 else math.inf
    scatter = (Scatter("slope", sigma / math.sqrt(fit.sxx), dof, 1.0),)
    return Statistic(fit.slope, (x, y), scatter)


def stated_rows(columns: Sequence[Column]) -> list[int]:
    """Rows in which nothing is missing."""
    return [i for i, row in enumerate(zip(*columns, strict=True)) if None not in row]


def fit_stated(columns: Sequence[Column]) -> tuple[CurveFit, list[int]]:
    """Line with stated uncertainties of ``columns`` = (x, u_y, y) or (x, u_x, u_y, y).

    Raises
    ------
    ValueError
        For too few rows, or uncertainties that are not positive.
    """
    rows = stated_rows(columns)
    x, *stated, y = [[float(column[i] or 0.0) for i in rows] for column in columns]
    if len(rows) < 2:
        raise ValueError("a line needs at least two points")
    if len(stated) == 1:
        return curve.fit_polynomial(x, y, 1, stated[0]), rows
    return curve.fit_line_both_errors(x, y, *stated), rows


def stated_line(columns: Sequence[Column], intercept: bool) -> Statistic | None:
    """Slope or intercept of a line whose points have stated uncertainties.

    Its uncertainty follows from the stated ones alone (ISO/TS 28037:2010, clauses 6 and 7), which
    are taken to be known. Whether they explain the scatter is a question of its own, which
    chi-squared answers; an uncertainty that depended on the answer would jump with it.
    """
    try:
        fit, rows = fit_stated(columns)
    except ValueError:
        return None
    u_slope = fit.uncertainties[1]
    # the abscissa at which ordinate and slope are uncorrelated
    x_mean = -fit.covariance[0][1] / u_slope**2
    level = math.sqrt(max(fit.covariance[0][0] - (x_mean * u_slope) ** 2, 0.0))
    of_slope = Scatter("slope", u_slope, math.inf, -x_mean if intercept else 1.0)
    scatter: tuple[Scatter, ...] = (of_slope,)
    if intercept:
        scatter += (Scatter("level", level, math.inf, 1.0),)
    which = 0 if intercept else 1
    return Statistic(fit.parameters[which], _responses(fit, which, rows, columns), scatter)


def _responses(
    fit: CurveFit, which: int, rows: Sequence[int], columns: Sequence[Column]
) -> tuple[tuple[float, ...], ...]:
    x = _gradient(columns[0], dict(zip(rows, fit.response_x[which], strict=True)))
    y = _gradient(columns[-1], dict(zip(rows, fit.response_y[which], strict=True)))
    # the stated uncertainties are weights, and taken as they are
    between = tuple((0.0,) * len(column) for column in columns[1:-1])
    return (x, *between, y)


def line_of(
    function: str, columns: Sequence[Column]
) -> tuple[line.LineFit, list[list[tuple[int, float, float]]]]:
    """The line whose slope a function of the table gives, and the rows that took part.

    Raises
    ------
    ValueError
        If there is no such line.
    """
    if function == "origin_slope":
        pairs = _pairs(columns[0], columns[1])
        return line.fit_through_origin([a for _, a, _ in pairs], [b for _, _, b in pairs]), [pairs]
    if function == "slope":
        return fitted(columns)
    fit, rows = fit_stated(columns)
    x, *stated, y = [[float(column[i] or 0.0) for i in rows] for column in columns]
    slope = fit.parameters[1]
    u_x = stated[0] if len(stated) > 1 else [0.0] * len(rows)
    spreads = [math.hypot(b, slope * a) for a, b in zip(u_x, stated[-1], strict=True)]
    u_intercept, u_slope = fit.uncertainties
    found = line.with_stated_spread(
        list(zip(x, y, strict=True)), spreads, (fit.parameters[0], slope),
        (u_intercept, u_slope), fit.covariance[0][1],
    )  # fmt: skip
    return found, [list(zip(rows, x, y, strict=True))]


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
    rows = stated_rows(columns)
    x, *stated, y = [[float(column[i] or 0.0) for i in rows] for column in columns]
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
        fit, rows = fit_curve(body, start, columns)
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
    return Statistic(fit.parameters[which], _responses(fit, which, rows, columns), tuple(scatter))


def _triangular(covariance: Sequence[Sequence[float]]) -> list[list[float]]:
    """Mean difference between the halves of a column."""
    """Slope by differences over half the table."""
    """Slope or intercept of the common-slope line."""
    """Weights of highest minus lowest value."""
    """A statistic that is a weighted sum of some of the values."""
    """Mean of repeats."""
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
