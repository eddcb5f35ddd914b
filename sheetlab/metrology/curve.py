"""Weighted lines, polynomials and any curve by least squares, and lines with errors in both axes.

Design matrices are centred and scaled before they are solved, so that abscissas far from zero lose
no digits; what is still ill-conditioned is said, never passed over.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

ILL_CONDITIONED = 1e10
"""Condition number from which a fit has lost more digits than readings have to spare."""


@dataclass(frozen=True, slots=True)
class CurveFit:
    """Parameters of a curve with their covariance, units of the data.

    With stated uncertainties of the points the covariance follows from them alone (``scaled``
    False), and ``chi_squared`` tells whether they explain the scatter; otherwise it follows from
    the scatter about the curve (``scaled`` True).
    """

    parameters: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residuals: tuple[float, ...]
    leverages: tuple[float, ...]
    """Empty where they are not defined (errors in both coordinates)."""
    residual_deviation: float
    chi_squared: float
    dof: int
    scaled: bool
    condition: float
    """Condition number of the scaled design."""
    evaluate: Callable[[Any, Any], Any]
    """Ordinates from abscissas, shape (n,), and parameters, shape (p,)."""

    @property
    def uncertainties(self) -> tuple[float, ...]:
        """Standard uncertainties of the parameters."""
        return tuple(math.sqrt(max(row[i], 0.0)) for i, row in enumerate(self.covariance))

    @property
    def ill_conditioned(self) -> bool:
        """Whether the data hardly determine the parameters."""
        return self.condition > ILL_CONDITIONED

    def correlation(self, i: int, j: int) -> float:
        """Correlation coefficient of two parameters."""
        spread = math.sqrt(self.covariance[i][i] * self.covariance[j][j])
        return self.covariance[i][j] / spread if spread else 0.0

    @property
    def deleted_residuals(self) -> tuple[float, ...]:
        """Distance of each point from the curve through all others."""
        return tuple(
            r / (1.0 - h) if h < 1.0 else math.inf
            for r, h in zip(self.residuals, self.leverages, strict=True)
        )

    def at(self, x: float) -> tuple[float, float]:
        """Ordinate of the curve at x and its standard uncertainty (JCGM 100:2008, 5.2.2)."""
        import numpy as np

        point = np.array([x], dtype=float)
        values = np.array(self.parameters)
        gradient = _jacobian(self.evaluate, point, values)[0]
        spread = float(gradient @ np.array(self.covariance) @ gradient)
        return float(self.evaluate(point, values)[0]), math.sqrt(max(spread, 0.0))

    def band(
        self, xs: Sequence[float], probability: float = 0.95
    ) -> tuple[tuple[float, float], ...]:
        """Lower and upper ends of the confidence band at abscissas, shape (n,)."""
        from sheetlab.metrology.budget import student_t

        factor = student_t(probability, max(self.dof, 1) if self.scaled else math.inf)
        points = [self.at(x) for x in xs]
        return tuple((y - factor * u, y + factor * u) for y, u in points)


def fit_polynomial(
    x: Sequence[float],
    y: Sequence[float],
    degree: int = 1,
    u_y: Sequence[float] | None = None,
) -> CurveFit:
    """Least squares of a polynomial, parameters in rising powers of x.

    Parameters
    ----------
    x, y
        Points, shapes (n,).
    degree
        1 for a straight line.
    u_y
        Standard uncertainties of y, shape (n,); None: all alike and unknown.

    Raises
    ------
    ValueError
        For fewer points than parameters, uncertainties that are not positive, or equal abscissas.
    """
    import numpy as np

    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    count = degree + 1
    if len(xs) != len(ys) or len(xs) < count:
        raise ValueError(f"a polynomial of degree {degree} needs at least {count} points")
    weights = _weights(u_y, len(xs))
    centre = float(np.average(xs, weights=weights**2))
    scale = float(np.max(np.abs(xs - centre)))
    if scale == 0.0:
        raise ValueError("all points have the same abscissa")
    design = np.vander((xs - centre) / scale, count, increasing=True)
    solution, condition, hat = _solve(design * weights[:, None], ys * weights)
    residuals = ys - design @ solution
    chi_squared = float(np.sum((residuals * weights) ** 2))
    dof = len(xs) - count
    variance = _variance(chi_squared, dof, u_y is not None)
    inverse = np.linalg.pinv((design * weights[:, None]).T @ (design * weights[:, None]))
    back = _powers_about(centre, scale, count)
    return CurveFit(
        parameters=tuple(float(v) for v in back @ solution),
        covariance=_rows(back @ (variance * inverse) @ back.T),
        residuals=tuple(float(v) for v in residuals),
        leverages=hat,
        residual_deviation=math.sqrt(float(np.sum(residuals**2)) / dof) if dof else 0.0,
        chi_squared=chi_squared,
        dof=dof,
        scaled=u_y is None,
        condition=condition,
        evaluate=np.polynomial.polynomial.polyval,
    )


def fit_curve(
    curve: Callable[[Any, Any], Any],
    x: Sequence[float],
    y: Sequence[float],
    start: Sequence[float],
    u_y: Sequence[float] | None = None,
) -> CurveFit:
    """Least squares of any curve (scipy.optimize.least_squares, Levenberg-Marquardt).

    Parameters
    ----------
    curve
        Abscissas, shape (n,), and parameters, shape (p,) -> ordinates, shape (n,).
    start
        Parameters to begin with, shape (p,).

    Raises
    ------
    ValueError
        For fewer points than parameters, or if no fit is found.
    """
    import numpy as np
    from scipy.optimize import least_squares

    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if len(xs) < len(start):
        raise ValueError(f"{len(start)} parameters need at least as many points")
    weights = _weights(u_y, len(xs))

    def distances(parameters: Any) -> Any:
        return (curve(xs, parameters) - ys) * weights

    def slopes(parameters: Any) -> Any:
        return _jacobian(curve, xs, parameters) * weights[:, None]

    found = least_squares(
        distances,
        np.asarray(start, dtype=float),
        jac=slopes,
        method="lm",
        x_scale="jac",
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    if not np.all(np.isfinite(found.x)) or found.status <= 0:
        raise ValueError("no curve was found; other starting values may help")
    jacobian = _jacobian(curve, xs, found.x) * weights[:, None]
    scale = np.linalg.norm(jacobian, axis=0)
    scale[scale == 0.0] = 1.0
    _, condition, hat = _solve(jacobian / scale, ys * 0.0)
    inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale)) / np.outer(scale, scale)
    residuals = ys - curve(xs, found.x)
    chi_squared = float(np.sum((residuals * weights) ** 2))
    dof = len(xs) - len(found.x)
    return CurveFit(
        parameters=tuple(float(v) for v in found.x),
        covariance=_rows(_variance(chi_squared, dof, u_y is not None) * inverse),
        residuals=tuple(float(v) for v in residuals),
        leverages=hat,
        residual_deviation=math.sqrt(float(np.sum(residuals**2)) / dof) if dof else 0.0,
        chi_squared=chi_squared,
        dof=dof,
        scaled=u_y is None,
        condition=condition,
        evaluate=curve,
    )


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
    u_x, u_y
        Standard uncertainties of each point, shapes (n,), all positive.
    correlation
        Correlation coefficient of x and y of each point, shape (n,), each within -1 and 1.

    Returns
    -------
    CurveFit
        The covariance is that at the adjusted points, from the stated uncertainties alone (York et
        al., American Journal of Physics 72 (2004) 367); multiply by ``chi_squared / dof`` to let
        the scatter speak instead. ``residuals`` are y minus line.

    Raises
    ------
    ValueError
        For fewer than three points, uncertainties that are not positive, or no convergence.
    """
    import numpy as np
    import odrpack

    points = np.array([x, y], dtype=float)
    n = points.shape[1]
    ux, uy = (np.asarray(u, dtype=float) for u in (u_x, u_y))
    rho = np.zeros(n) if correlation is None else np.asarray(correlation, dtype=float)
    if n < 3:
        raise ValueError("a line with errors in both coordinates needs at least three points")
    if not (np.all(ux > 0.0) and np.all(uy > 0.0) and np.all(np.abs(rho) < 1.0)):
        raise ValueError("uncertainties must be positive, correlations between -1 and 1")
    centre = points.mean(axis=1)
    # in units of the spread of the data, where the solver's tolerances mean what they say
    size = np.array([np.ptp(points[0]) or 1.0, np.ptp(points[1]) or 1.0])
    data = (points - centre[:, None]) / size[:, None]
    weights = _inverse_covariances(ux / size[0], uy / size[1], rho)
    first = fit_polynomial(data[0], data[1], 1, uy / size[1])
    found = odrpack.odr_fit(
        lambda at, b: at[1] - b[0] - b[1] * at[0],
        data,
        np.zeros(n),
        np.array(first.parameters),
        weight_x=weights,
        task="implicit-ODR",
        diff_scheme="central",
        sstol=1e-14,
        partol=1e-14,
        maxit=1000,
    )
    if not found.success:
        raise ValueError(f"no line was found: {found.stopreason}")
    # implicit fits count n responses; the adjusted abscissas cost n again, as for explicit ones
    dof = n - 2
    chi_squared = float(found.sum_square)
    unscaled = np.asarray(found.cov_beta)
    slope = float(found.beta[1] * size[1] / size[0])
    back = np.array([[size[1], -centre[0] * size[1] / size[0]], [0.0, size[1] / size[0]]])
    intercept = centre[1] + float(found.beta[0]) * size[1] - slope * centre[0]
    residuals = points[1] - intercept - slope * points[0]
    return CurveFit(
        parameters=(float(intercept), slope),
        covariance=_rows(back @ unscaled @ back.T),
        residuals=tuple(float(v) for v in residuals),
        leverages=(),
        residual_deviation=math.sqrt(float(np.sum(residuals**2)) / dof),
        chi_squared=chi_squared,
        dof=dof,
        scaled=False,
        condition=1.0 / max(float(found.inv_condnum), 1e-300),
        evaluate=lambda at, values: values[0] + values[1] * at,
    )


def _weights(u_y: Sequence[float] | None, n: int) -> Any:
    import numpy as np

    if u_y is None:
        return np.ones(n)
    spread = np.asarray(u_y, dtype=float)
    if len(spread) != n or not np.all(spread > 0.0):
        raise ValueError("each point needs a positive standard uncertainty")
    return 1.0 / spread


def _solve(design: Any, target: Any) -> tuple[Any, float, tuple[float, ...]]:
    """Solution, condition number and leverages of a linear least-squares problem, by QR."""
    import numpy as np

    q, r = np.linalg.qr(design)
    singular = np.linalg.svd(r, compute_uv=False)
    condition = float(singular[0] / singular[-1]) if singular[-1] > 0.0 else math.inf
    if math.isinf(condition) or condition > 1e15:
        raise ValueError("the points do not determine the parameters")
    solution = np.linalg.solve(r, q.T @ target)
    return solution, condition, tuple(float(v) for v in np.sum(q * q, axis=1))


def _variance(chi_squared: float, dof: int, stated: bool) -> float:
    if stated:
        return 1.0
    return chi_squared / dof if dof else 0.0


def _powers_about(centre: float, scale: float, count: int) -> Any:
    """Matrix from powers of (x - centre) / scale to powers of x."""
    import numpy as np

    matrix = np.zeros((count, count))
    for k in range(count):
        for j in range(k + 1):
            matrix[j, k] = math.comb(k, j) * (-centre) ** (k - j) / scale**k
    return matrix


def _jacobian(curve: Callable[[Any, Any], Any], x: Any, parameters: Any) -> Any:
    """Derivatives to the parameters by central differences, shape (n, p)."""
    import numpy as np

    columns = []
    for i, value in enumerate(parameters):
        step = 6e-6 * max(abs(value), 1e-12)
        up, down = np.array(parameters, dtype=float), np.array(parameters, dtype=float)
        up[i] += step
        down[i] -= step
        columns.append((curve(x, up) - curve(x, down)) / (up[i] - down[i]))
    return np.stack(columns, axis=1)


def _inverse_covariances(u_x: Any, u_y: Any, rho: Any) -> Any:
    import numpy as np

    out = np.empty((2, 2, len(u_x)))
    free = 1.0 - rho**2
    out[0, 0] = 1.0 / (u_x**2 * free)
    out[1, 1] = 1.0 / (u_y**2 * free)
    out[0, 1] = out[1, 0] = -rho / (u_x * u_y * free)
    return out


def _rows(matrix: Any) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in matrix)
