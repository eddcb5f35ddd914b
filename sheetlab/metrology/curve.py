"""Weighted lines, polynomials and any curve by least squares.

Polynomials are centred and scaled before they are solved, and evaluated there, so that abscissas
far from zero lose no digits; what is still ill-conditioned is said, never passed over.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from msgspec import Struct

ILL_CONDITIONED = 1e10
"""Condition number from which a fit has lost more digits than readings have to spare."""

EXACT_LIMIT = 1e15
"""Condition number that a design of exact derivatives reaches by rounding alone."""

_QUOTIENT_LIMIT = 1e8
"""The same for difference quotients, of which nine digits or so are right."""

_STEP = 6e-6
"""Relative step of a central difference: about the cube root of the rounding."""

_EPSILON = 2.0**-52


class CurveFit(Struct, frozen=True):
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
    """Condition number of the design with columns of equal length."""
    response_y: tuple[tuple[float, ...], ...]
    """Derivative of each parameter (row) to each ordinate (column), shape (p, n).

    Exact for polynomials, to first order in the residuals otherwise.
    """
    response_x: tuple[tuple[float, ...], ...]
    """Derivative of each parameter (row) to each abscissa (column), shape (p, n).

    Exact for polynomials, to first order in the residuals otherwise.
    """

    @property
    def uncertainties(self) -> tuple[float, ...]:
        """Standard uncertainties of the parameters, shape (p,), in the unit of each."""
        return tuple(math.sqrt(row[i]) for i, row in enumerate(self.covariance))

    @property
    def ill_conditioned(self) -> bool:
        """Whether the data hardly determine the parameters (the limit is our choice, no source)."""
        return self.condition > ILL_CONDITIONED

    def correlation(self, i: int, j: int) -> float:
        """Correlation coefficient of parameters i and j, a pure number (JCGM 100:2008, 5.2.2).

        0 if either of them has no uncertainty.
        """
        spread = math.sqrt(self.covariance[i][i] * self.covariance[j][j])
        return self.covariance[i][j] / spread if spread else 0.0


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
        Points, shapes (n,), each in its unit.
    degree
        1 for a straight line; not negative.
    u_y
        Standard uncertainties of y, unit of y, shape (n,); None: all alike and unknown.

    Returns
    -------
    CurveFit
        Parameters, shape (degree + 1,), that of power k in unit of y / unit of x to the k. They,
        their covariance and the responses are those of linear least squares with weights 1 / u_y²,
        solved by a QR decomposition of the centred powers: Å. Björck, Numerical Methods for Least
        Squares Problems (SIAM, 1996), 1.3 and 2.4. ``response_x`` includes what a shifted abscissa
        does to the design, hence holds for any residuals.

    Raises
    ------
    ValueError
        For fewer points than parameters, x and y of different lengths, uncertainties that are not
        positive or not one for each point, all abscissas equal (for any degree), or abscissas that
        do not determine the parameters.
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
    solved = solve(design, ys, weights, EXACT_LIMIT)
    residuals = ys - design @ solved.solution
    back = powers_about(centre, scale, count)
    turned = np.zeros_like(design)
    turned[:, 1:] = design[:, :-1] * np.arange(1, count) / scale
    # both the ordinate on the curve and the row of the normal equations follow the abscissa
    row = back @ solved.root @ (solved.root.T @ (turned.T * weights**2 * residuals))
    return fit_of(
        back @ solved.solution, residuals, solved, back, turned @ solved.solution, u_y is None, row
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
        Abscissas, shape (n,), and parameters, shape (p,) -> ordinates, shape (n,), each from its
        own abscissa alone.
    x, y
        Points, shapes (n,), each in its unit.
    start
        Parameters to begin with, shape (p,), in the units that ``curve`` takes.
    u_y
        Standard uncertainties of y, unit of y, shape (n,); None: all alike and unknown.

    Returns
    -------
    CurveFit
        Parameters, shape (p,), in the units that ``curve`` takes, residuals in unit of y.
        Covariance and responses are those of the curve made linear at the solution: G. A. F. Seber
        and C. J. Wild, Nonlinear Regression (Wiley, 1989), 2.1. Derivatives are central
        differences.

    Raises
    ------
    ValueError
        For no parameters, fewer points than parameters, x and y of different lengths, uncertainties
        that are not positive or not one for each point, a curve that is not finite at the start, if
        no fit is found, or if the points do not determine the parameters within the rounding of the
        difference quotients.
    """
    import numpy as np
    from scipy.optimize import least_squares

    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if len(xs) != len(ys) or len(xs) < len(start):
        raise ValueError(f"{len(start)} parameters need at least as many points")
    weights = _weights(u_y, len(xs))

    def distances(parameters: Any) -> Any:
        return (curve(xs, parameters) - ys) * weights

    def slopes(parameters: Any) -> Any:
        steps, _ = _steps(curve, xs, parameters)
        rates = _jacobian(curve, xs, parameters, steps) * weights[:, None]
        if not np.all(np.isfinite(rates)):
            raise ValueError("the curve is beyond all numbers; other starting values may help")
        return rates

    # a search may pass through parameters for which there is no curve
    with np.errstate(all="ignore"):
        found = least_squares(
            distances, np.asarray(start, dtype=float), jac=slopes, method="lm", x_scale="jac",
            xtol=1e-15, ftol=1e-15, gtol=1e-15,
        )  # fmt: skip
    if not np.all(np.isfinite(found.x)) or found.status <= 0:
        raise ValueError("no curve was found; other starting values may help")
    steps, rounding = _steps(curve, xs, found.x)
    jacobian = _jacobian(curve, xs, found.x, steps)
    solved = solve(jacobian, 0.0 * ys, weights, min(_QUOTIENT_LIMIT, 0.1 / rounding))
    return fit_of(
        found.x, ys - curve(xs, found.x), solved, np.eye(len(found.x)), _slope(curve, xs, found.x),
        u_y is None,
    )  # fmt: skip


def _weights(u_y: Sequence[float] | None, n: int) -> Any:
    import numpy as np

    if u_y is None:
        return np.ones(n)
    spread = np.asarray(u_y, dtype=float)
    if len(spread) != n or not np.all(spread > 0.0):
        raise ValueError("each point needs a positive standard uncertainty")
    return 1.0 / spread


class _Solved(Struct, frozen=True):
    """A linear least-squares problem of p parameters and n points."""

    solution: Any
    root: Any
    """Times its transpose: the inverse of the normal matrix, shape (p, p)."""
    q: Any
    """Orthonormal columns that span the design, shape (n, p)."""
    condition: float
    weights: Any

    @property
    def leverages(self) -> tuple[float, ...]:
        return tuple(float(v) for v in (self.q * self.q).sum(axis=1))


def solve(design: Any, target: Any, weights: Any, limit: float) -> _Solved:
    """Solve by QR, which unlike the normal matrix does not square the condition number.

    Raises
    ------
    ValueError
        For a condition number above the limit.
    """
    import numpy as np

    design = design * weights[:, None]
    lengths = np.linalg.norm(design, axis=0)
    if not np.all(lengths > 0.0):
        raise ValueError("the points do not determine the parameters")
    q, r = np.linalg.qr(design / lengths)
    singular = np.linalg.svd(r, compute_uv=False)
    condition = float(singular[0] / singular[-1]) if singular[-1] > 0.0 else math.inf
    if not condition <= limit:
        raise ValueError("the points do not determine the parameters")
    solution = np.linalg.solve(r, q.T @ (target * weights)) / lengths
    return _Solved(solution, np.linalg.inv(r) / lengths[:, None], q, condition, weights)


def fit_of(
    parameters: Any, residuals: Any, solved: _Solved, back: Any, slopes: Any, scaled: bool,
    turned: Any = 0.0,
) -> CurveFit:  # fmt: skip
    """A fit whose parameters are ``back`` times the coefficients that were solved for.

    ``slopes``: of the curve at the points; ``turned``: what a shifted abscissa does through the
    design, shape (p, n).
    """
    chi_squared = float(((residuals * solved.weights) ** 2).sum())
    dof = len(residuals) - len(parameters)
    variance = 1.0 if not scaled else chi_squared / dof if dof else 0.0
    root = back @ solved.root
    response = root @ (solved.q.T * solved.weights)
    return CurveFit(
        parameters=tuple(map(float, parameters)),
        covariance=_rows(variance * (root @ root.T)),
        residuals=tuple(map(float, residuals)),
        leverages=solved.leverages,
        residual_deviation=math.sqrt(float((residuals**2).sum()) / dof) if dof else 0.0,
        chi_squared=chi_squared,
        dof=dof,
        scaled=scaled,
        condition=solved.condition,
        response_y=_rows(response),
        response_x=_rows(turned - response * slopes),
    )


def powers_about(centre: float, scale: float, count: int) -> Any:
    """Matrix from powers of (x - centre) / scale to powers of x (binomial theorem).

    Parameters
    ----------
    centre, scale
        In the unit of x.
    count
        Powers, the zeroth among them.

    Returns
    -------
    numpy.ndarray
        Shape (count, count).
    """
    import numpy as np

    matrix = np.zeros((count, count))
    for k in range(count):
        for j in range(k + 1):
            matrix[j, k] = math.comb(k, j) * (-centre) ** (k - j) / scale**k
    return matrix


def _steps(curve: Callable[[Any, Any], Any], x: Any, parameters: Any) -> tuple[Any, float]:
    """Steps of difference quotients, shape (p,), and the rounding of the worst, relative.

    A step is to change the curve by much more than its rounding and yet in proportion: a fixed part
    of the parameter is neither for one that is zero or matters little.
    """
    import numpy as np

    base = curve(x, parameters)
    size = float(np.max(np.abs(base)))
    steps, worst = np.empty(len(parameters)), _EPSILON
    for i, value in enumerate(parameters):
        step, shrunk = _STEP * (abs(value) or 1.0), False
        for _ in range(40):
            up, down = (_moved(curve, x, parameters, i, s) for s in (step, -step))
            with np.errstate(all="ignore"):
                change = float(np.max(np.abs(up - down)))
                bend = float(np.max(np.abs(up + down - 2.0 * base)))
            in_proportion = bend <= 1e-4 * change + 16.0 * _EPSILON * size
            if not (math.isfinite(change) and in_proportion):
                step, shrunk = step / 10.0, True
            elif change < 1e-6 * size and not shrunk:
                step *= 10.0
            else:
                break
        steps[i] = step
        if change > 0.0:
            worst = max(worst, _EPSILON * size / change)
    return steps, worst


def _jacobian(curve: Callable[[Any, Any], Any], x: Any, parameters: Any, steps: Any) -> Any:
    """Derivatives to the parameters by central differences, shape (n, p)."""
    import numpy as np

    columns = []
    for i, step in enumerate(steps):
        width = (parameters[i] + step) - (parameters[i] - step)
        up, down = (_moved(curve, x, parameters, i, s) for s in (step, -step))
        columns.append((up - down) / width)
    return np.stack(columns, axis=1)


def _moved(curve: Callable[[Any, Any], Any], x: Any, parameters: Any, i: int, step: float) -> Any:
    import numpy as np

    there = np.array(parameters, dtype=float)
    there[i] += step
    with np.errstate(all="ignore"):
        return curve(x, there)


def _slope(curve: Callable[[Any, Any], Any], x: Any, parameters: Any) -> Any:
    """Derivatives of the curve to its abscissas, shape (n,); one-sided at the end of its domain."""
    import numpy as np

    step = _STEP * float(np.ptp(x) or np.max(np.abs(x)) or 1.0)
    with np.errstate(all="ignore"):
        low, high = (
            np.where(np.isfinite(curve(there, parameters)), there, x)
            for there in (x - step, x + step)
        )
        return (curve(high, parameters) - curve(low, parameters)) / (high - low)


def _rows(matrix: Any) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(v) for v in row) for row in matrix)
