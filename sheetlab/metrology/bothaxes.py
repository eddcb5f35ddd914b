"""Straight lines through points that are uncertain in both coordinates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.metrology.curve import EXACT_LIMIT, CurveFit, fit_of, powers_about, solve

_EPSILON = 2.0**-52

TOO_WIDE = 1e6
"""Where every x is so many times less certain than x spreads, rounding decides on the slope."""


def fit_line_both_errors(
    x: Sequence[float],
    y: Sequence[float],
    u_x: Sequence[float],
    u_y: Sequence[float],
    correlation: Sequence[float] | None = None,
) -> CurveFit:
    """Straight line with uncertainties in both coordinates, parameters (intercept, slope).

    Parameters
    ----------
    x, y
        Points, shapes (n,), each in its unit.
    u_x, u_y
        Standard uncertainties of each point, units of x and y, shapes (n,), all positive.
    correlation
        Correlation coefficient of x and y of each point, a pure number strictly between -1 and 1,
        shape (n,); None: 0.

    Returns
    -------
    CurveFit
        Intercept in unit of y, slope in unit of y / unit of x.
        The covariance is that at the adjusted points, from the stated uncertainties alone (York et
        al., American Journal of Physics 72 (2004) 367); multiply by ``chi_squared / dof`` to let
        the scatter speak instead. It and the responses are those of a weighted line at the adjusted
        abscissas with weights 1 / (u_y² - 2 b ρ u_x u_y + b² u_x²). ``residuals`` are y minus line.

    Raises
    ------
    ValueError
        For fewer than three points, columns of different lengths, uncertainties that are not
        positive, correlations not between -1 and 1, all abscissas equal, uncertainties of all x
        beyond ``TOO_WIDE`` times their spread, or if no slope has the least squares.
    """
    import numpy as np

    points = np.array([x, y], dtype=float)
    n = points.shape[1]
    ux, uy = (np.asarray(u, dtype=float) for u in (u_x, u_y))
    rho = np.zeros(n) if correlation is None else np.asarray(correlation, dtype=float)
    if n < 3:
        raise ValueError("a line with errors in both coordinates needs at least three points")
    if not len(ux) == len(uy) == len(rho) == n:
        raise ValueError("each point needs its uncertainties and its correlation")
    if not (np.all(ux > 0.0) and np.all(uy > 0.0) and np.all(np.abs(rho) < 1.0)):
        raise ValueError("uncertainties must be positive, correlations between -1 and 1")
    if np.ptp(points[0]) == 0.0:
        raise ValueError("all points have the same abscissa")
    middle = points.mean(axis=1)
    # in units of the spread of the data, where the solver's tolerances mean what they say
    size = np.array([np.ptp(points[0]), np.ptp(points[1]) or 1.0])
    xs, ys = (points - middle[:, None]) / size[:, None]
    if np.min(ux) > TOO_WIDE * size[0]:
        raise ValueError("no line was found: u_x is far larger than x spreads")
    line = _Line(xs, ys, ux / size[0], uy / size[1], rho)

    b = _least_slope(line)
    found = line.at(b)
    slope = b * float(size[1] / size[0])
    adjusted = middle[0] + size[0] * found.adjusted
    weights = np.sqrt(found.weights) / size[1]
    centre = float(np.average(adjusted, weights=found.weights))
    scale = float(np.max(np.abs(adjusted - centre)))
    design = np.vander((adjusted - centre) / scale, 2, increasing=True)
    solved = solve(design, np.zeros(n), weights, EXACT_LIMIT)
    level = float(middle[1]) + float(size[1] * found.level) + slope * (centre - float(middle[0]))
    fit = fit_of(
        np.array([level - slope * centre, slope]), found.residuals * size[1], solved,
        powers_about(centre, scale, 2), slope, False,
    )  # fmt: skip
    return replace(fit, leverages=())


class _AtSlope(Struct, frozen=True):
    """The best line of a given slope b, or the best ones of slopes of shape (k, 1)."""

    weights: Any
    residuals: Any
    adjusted: Any
    """Abscissas of the points of the line that are nearest in the metric of the uncertainties."""
    level: Any
    """Ordinate at abscissa 0."""
    information: Any
    """Reciprocal variance of the slope."""

    @property
    def chi_squared(self) -> Any:
        return (self.weights * self.residuals**2).sum(axis=-1)

    @property
    def condition(self) -> Any:
        """Minus half the derivative of chi-squared to the slope."""
        return (self.weights * self.residuals * self.adjusted).sum(axis=-1)


class _Line(Struct, frozen=True):
    """Points with uncertainties in both coordinates, shapes (n,).

    Formulae of York et al., American Journal of Physics 72 (2004) 367, with the level eliminated.
    """

    x: Any
    y: Any
    u_x: Any
    u_y: Any
    rho: Any

    def at(self, b: Any) -> _AtSlope:
        covariance = self.rho * self.u_x * self.u_y
        # u_y² - 2 b ρ u_x u_y + b² u_x² as a sum of squares, which cannot cancel
        weights = 1.0 / (
            self.u_y**2 * (1.0 - self.rho**2) + (b * self.u_x - self.rho * self.u_y) ** 2
        )

        def mean(values: Any) -> Any:
            return (weights * values).sum(axis=-1, keepdims=True) / weights.sum(
                axis=-1, keepdims=True
            )

        x_mean, y_mean = mean(self.x), mean(self.y)
        residuals = (self.y - y_mean) - b * (self.x - x_mean)
        adjusted = self.x + weights * residuals * (b * self.u_x**2 - covariance)
        information = (weights * (adjusted - mean(adjusted)) ** 2).sum(axis=-1)
        level = (y_mean - b * x_mean)[..., 0]
        return _AtSlope(weights, residuals, adjusted, level, information)


def _least_slope(line: _Line) -> float:
    """The slope that York's condition gives beside the best of a fan of directions."""
    import numpy as np
    from scipy.optimize import brentq

    fan = np.tan(np.linspace(-0.5, 0.5, 361)[1:-1] * math.pi)
    lines = line.at(fan[:, None])
    best = int(np.argmin(lines.chi_squared))
    low, high = max(best - 1, 0), min(best + 1, len(fan) - 1)
    left, right = lines.condition[low], lines.condition[high]
    if max(abs(left), abs(right)) <= 1e-12 * lines.chi_squared[best]:
        # every direction is as good
        return float(fan[best])
    information = lines.information[best]
    # the condition falls through zero at a minimum; an upright line has none
    if not (information > 0.0 and left >= 0.0 >= right):
        raise ValueError("no line was found: the points hardly determine a slope")
    xtol = 1e-14 * information**-0.5
    return float(
        brentq(
            lambda b: float(line.at(b).condition),
            fan[low], fan[high], xtol=xtol, rtol=4.0 * _EPSILON,
        )
    )  # fmt: skip
