"""Curves by least squares, against published fits and against independent methods."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import GTC
import numpy as np
import published
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import optimize

from sheetlab.metrology.bothaxes import fit_line_both_errors
from sheetlab.metrology.curve import CurveFit, fit_curve, fit_polynomial
from sheetlab.metrology.line import fit_line

LINES = "line_fit_both_errors.json"


def _pearson() -> tuple[list[float], list[float], list[float], list[float]]:
    x, y, w_x, w_y = published.columns("pearson_york.csv", "x", "y", "weight_x", "weight_y")
    return x, y, [w**-0.5 for w in w_x], [w**-0.5 for w in w_y]


def _scattered(n: int, seed: int) -> tuple[list[float], list[float], list[float], list[float]]:
    rng = np.random.default_rng(seed)
    true = rng.uniform(0.0, 10.0, n)
    u_x, u_y = rng.uniform(0.1, 0.3, n), rng.uniform(0.1, 0.3, n)
    x = true + u_x * rng.standard_normal(n)
    y = 2.0 - 0.5 * true + u_y * rng.standard_normal(n)
    return x.tolist(), y.tolist(), u_x.tolist(), u_y.tolist()


def _general_line(
    x: Sequence[float],
    y: Sequence[float],
    u_x: Sequence[float],
    u_y: Sequence[float],
    rho: Sequence[float],
) -> tuple[Any, Any, float]:
    """Chi-squared of the whole 2 × 2 covariances minimised over line and true abscissas."""
    xs, ys = np.array(x), np.array(y)
    n = len(xs)
    whiten = []
    for a, b, r in zip(u_x, u_y, rho, strict=True):
        covariance = np.array([[a * a, r * a * b], [r * a * b, b * b]])
        whiten.append(np.linalg.inv(np.linalg.cholesky(covariance)))
    white = np.array(whiten)

    def distances(p: Any) -> Any:
        off = np.stack([xs - p[2:], ys - p[0] - p[1] * p[2:]], axis=1)
        return np.einsum("nij,nj->ni", white, off).ravel()

    def derivatives(p: Any) -> Any:
        out = np.zeros((n, 2, n + 2))
        out[:, 1, 0] = -1.0
        out[:, 1, 1] = -p[2:]
        out[np.arange(n), 0, 2 + np.arange(n)] = -1.0
        out[np.arange(n), 1, 2 + np.arange(n)] = -p[1]
        return np.einsum("nij,njk->nik", white, out).reshape(2 * n, n + 2)

    slope, intercept = np.polyfit(xs, ys, 1)
    start = np.concatenate([[intercept, slope], xs])
    found = optimize.least_squares(
        distances, start, derivatives, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    jacobian = derivatives(found.x)
    covariance = np.linalg.inv(jacobian.T @ jacobian)[:2, :2]
    return found.x[:2], covariance, 2.0 * float(found.cost)


class TestPearsonYork:
    """K. Pearson, Phil. Mag. 2 (1901) 559, with the weights of D. York, Can. J. Phys. 44 (1966).

    Three conventions of u(a), u(b) circulate; ours is that at the adjusted points of York et al.,
    Am. J. Phys. 72 (2004) 367. a and b: Neri et al., J. Phys. E 22 (1989) 215.
    """

    @pytest.fixture
    def fit(self) -> CurveFit:
        return fit_line_both_errors(*_pearson())

    @staticmethod
    def named(fit: CurveFit) -> dict[str, float]:
        (a, b), (u_a, u_b) = fit.parameters, fit.uncertainties
        scale = math.sqrt(fit.chi_squared / fit.dof)
        return {
            "a": a,
            "b": b,
            "u_a (a-priori weights, at adjusted points)": u_a,
            "u_b (a-priori weights, at adjusted points)": u_b,
            "S/(n-2)": fit.chi_squared / fit.dof,
            "S": fit.chi_squared,
            "cov(a,b)": fit.covariance[0][1],
            "u_a * sqrt(S/(n-2))": u_a * scale,
            "u_b * sqrt(S/(n-2))": u_b * scale,
        }

    def test_published_values(self, fit: CurveFit) -> None:
        found = self.named(fit)
        cases = published.expected(LINES, "pearson_york")
        assert {what for what, _, _ in cases} == found.keys()
        for what, value, tolerance in cases:
            assert found[what] == pytest.approx(value, abs=tolerance, rel=0.0), what

    def test_to_every_digit(self, fit: CurveFit) -> None:
        # the file's note: York's iteration with 40 digits, and the twelve digits of its list
        assert fit.parameters == pytest.approx((5.47991022403286, -0.480533407446202), rel=1e-11)
        found = self.named(fit)
        for what, value, _ in published.expected(LINES, "pearson_york"):
            if what not in ("a", "b"):
                assert found[what] == pytest.approx(value, rel=1e-10), what

    def test_the_other_convention_is_not_meant(self, fit: CurveFit) -> None:
        # at the observed points: Kalantar, Meas. Sci. Technol. 3 (1992) 1113; the independent
        # library GTC states that one, so it confirms the line and S and not the uncertainties
        other = published.case(LINES, "pearson_york")["alternative_published"]
        u_a, u_b, covariance = (one["value"] for one in other)
        theirs = GTC.type_a.line_fit_wtls(*_pearson())
        a, b = theirs.a_b
        assert GTC.uncertainty(a) == pytest.approx(u_a, abs=1e-5)
        assert GTC.uncertainty(b) == pytest.approx(u_b, abs=1e-6)
        assert fit.parameters == pytest.approx((GTC.value(a), GTC.value(b)), rel=2e-8)
        assert fit.chi_squared == pytest.approx(theirs.ssr, rel=1e-13)
        assert fit.uncertainties[0] > u_a + 0.003
        assert fit.uncertainties[1] > u_b + 0.0003
        assert fit.covariance[0][1] < covariance - 0.0002

    def test_weights_in_y_only(self) -> None:
        x, y, _, u_y = _pearson()
        fit = fit_polynomial(x, y, 1, u_y)
        for what, value, tolerance in published.expected(LINES, "pearson_york_y_weights_only"):
            found = fit.parameters["ab".index(what)]
            assert found == pytest.approx(value, abs=tolerance, rel=0.0), what

    def test_no_weights(self) -> None:
        x, y, _, _ = _pearson()
        fit = fit_polynomial(x, y)
        for what, value, tolerance in published.expected(LINES, "pearson_ols_y_on_x"):
            found = fit.parameters["ab".index(what)]
            assert found == pytest.approx(value, abs=tolerance, rel=0.0), what

    @pytest.mark.parametrize("u", [1e-3, 0.3, 10.0])
    def test_orthogonal(self, u: float) -> None:
        x, y, _, _ = _pearson()
        fit = fit_line_both_errors(x, y, [u] * len(x), [u] * len(x))
        for what, value, tolerance in published.expected(LINES, "pearson_orthogonal_unweighted"):
            found = fit.parameters["ab".index(what)]
            assert found == pytest.approx(value, abs=tolerance, rel=0.0), what

    def test_almost_without_errors_in_x_it_is_the_weighted_line(self) -> None:
        x, y, _, u_y = _pearson()
        plain = fit_polynomial(x, y, 1, u_y)
        fit = fit_line_both_errors(x, y, [1e-7] * len(x), u_y)
        assert fit.parameters == pytest.approx(plain.parameters, rel=1e-11)
        assert fit.uncertainties == pytest.approx(plain.uncertainties, rel=1e-11)
        assert fit.chi_squared == pytest.approx(plain.chi_squared, rel=1e-11)


class TestBothErrors:
    def test_no_correlation_is_correlation_zero(self) -> None:
        data = _pearson()
        plain, zero = fit_line_both_errors(*data), fit_line_both_errors(*data, [0.0] * 10)
        assert zero.parameters == plain.parameters
        assert zero.covariance == plain.covariance

    @pytest.mark.parametrize("seed", range(6))
    @pytest.mark.parametrize("size", [0.0, 0.4, 0.95])
    def test_agrees_with_the_general_method(self, seed: int, size: float) -> None:
        data = _scattered(6 + seed, seed) if seed else _pearson()
        rho = np.random.default_rng(seed + 100).uniform(-size, size, len(data[0])).tolist()
        wanted, covariance, chi_squared = _general_line(*data, rho)
        fit = fit_line_both_errors(*data, rho)
        assert fit.parameters == pytest.approx(tuple(wanted), rel=1e-8)
        assert np.array(fit.covariance) == pytest.approx(covariance, rel=1e-7)
        assert fit.chi_squared == pytest.approx(chi_squared, rel=1e-11)
        assert (fit.dof, fit.scaled, fit.leverages) == (len(data[0]) - 2, False, ())

    @pytest.mark.parametrize("seed", [270, 376])
    def test_ordinary_points_on_which_the_solver_gives_up(self, seed: int) -> None:
        data = _scattered(4 + seed % 6, seed)
        wanted, _, chi_squared = _general_line(*data, [0.0] * len(data[0]))
        fit = fit_line_both_errors(*data)
        assert fit.parameters == pytest.approx(tuple(wanted), rel=1e-7)
        assert fit.chi_squared == pytest.approx(chi_squared, rel=1e-10)

    @pytest.mark.parametrize("seed", [15, 64, 879, 1964, 1995])
    def test_points_that_hardly_make_a_line(self, seed: int) -> None:
        # errors as large as the range: from the weighted line one wanders off to a vertical one
        # (15, 64), York's iteration goes round in circles (879), and both end in the lesser of two
        # valleys (1964, 1995)
        rng = np.random.default_rng(seed)
        n = 3 + seed % 9
        true, size = rng.uniform(0.0, 1.0, n), 10.0 ** rng.uniform(-3.0, 0.2, 2)
        u_x, u_y = (s * 10.0 ** rng.uniform(-0.5, 0.5, n) for s in size)
        rho = rng.uniform(-0.95, 0.95, n) if seed % 4 >= 2 else np.zeros(n)
        if seed % 4 == 1:
            u_x[:] = u_y[:] = size[0]
        e, f = rng.standard_normal((2, n))
        x = true + u_x * e
        y = rng.choice([-1, 1]) * true + u_y * (rho * e + np.sqrt(1.0 - rho**2) * f)
        fit = fit_line_both_errors(x, y, u_x, u_y, rho)

        slopes = np.tan(np.linspace(-0.5, 0.5, 20001)[1:-1] * math.pi)[:, None]
        weights = 1.0 / (u_y**2 - 2.0 * slopes * rho * u_x * u_y + (slopes * u_x) ** 2)
        off = y - slopes * x
        off -= np.sum(weights * off, axis=1, keepdims=True) / np.sum(weights, axis=1, keepdims=True)
        least = float(np.min(np.sum(weights * off**2, axis=1)))
        assert fit.chi_squared == pytest.approx(least, rel=1e-5)
        assert fit.chi_squared <= least * (1.0 + 1e-12)

    @pytest.mark.parametrize("slope", [0.0, 1e-9, 2.0, -1e12])
    @pytest.mark.parametrize("offset", [0.0, 1e6])
    def test_exact_points(self, slope: float, offset: float) -> None:
        x = [offset + k for k in range(5)]
        unit = abs(slope) or 1.0
        y = [slope * k for k in range(5)]
        fit = fit_line_both_errors(x, y, [0.1] * 5, [0.1 * unit] * 5)
        assert fit.parameters[1] == pytest.approx(slope, rel=1e-12, abs=1e-14)
        assert fit.parameters[0] == pytest.approx(-slope * offset, rel=1e-12, abs=1e-8 * unit)
        # five points of the effective variance, Sxx = 10
        wanted = math.hypot(0.1 * unit, 0.1 * slope) / math.sqrt(10.0)
        assert fit.uncertainties[1] == pytest.approx(wanted, rel=1e-10)

    def test_an_upright_line_has_no_slope(self) -> None:
        with pytest.raises(ValueError, match="hardly determine"):
            fit_line_both_errors(
                [1.0, 0.0, -1.0, 0.0, 0.0], [0.0, 9.0, 0.0, -9.0, 5.0], [0.5] * 5, [1e-6] * 5
            )

    def test_all_directions_alike(self) -> None:
        # a cross, whose sum of squares is 2 / u² along every line through its middle
        fit = fit_line_both_errors(
            [1.0, 0.0, -1.0, 0.0], [0.0, 1.0, 0.0, -1.0], [0.1] * 4, [0.1] * 4
        )
        assert fit.chi_squared == pytest.approx(200.0, rel=1e-9)

    def test_correlation_matters(self) -> None:
        data = _pearson()
        slopes = [fit_line_both_errors(*data, [r] * 10).parameters[1] for r in (-0.8, 0.0, 0.8)]
        # errors that go along the falling line disturb its slope less than errors across it
        assert max(slopes) - min(slopes) > 0.02

    def test_axes_may_be_exchanged(self) -> None:
        x, y, u_x, u_y = _pearson()
        rho = np.linspace(-0.6, 0.7, 10).tolist()
        a, b = fit_line_both_errors(x, y, u_x, u_y, rho).parameters
        c, d = fit_line_both_errors(y, x, u_y, u_x, rho).parameters
        # least squares of y on x has no such symmetry
        assert (c, d) == pytest.approx((-a / b, 1.0 / b), rel=1e-9)

    def test_units_do_not_matter(self) -> None:
        x, y, u_x, u_y = _pearson()
        a, b = fit_line_both_errors(x, y, u_x, u_y).parameters
        fit = fit_line_both_errors(
            [1e-6 * v + 5.0 for v in x],
            [1e9 * v for v in y],
            [1e-6 * v for v in u_x],
            [1e9 * v for v in u_y],
        )
        slope = fit.parameters[1]
        assert slope == pytest.approx(b * 1e15, rel=1e-8)
        assert fit.parameters[0] + 5.0 * slope == pytest.approx(a * 1e9, rel=1e-7)

    def test_residuals_are_distances_along_y(self) -> None:
        x, y, u_x, u_y = _pearson()
        fit = fit_line_both_errors(x, y, u_x, u_y)
        a, b = fit.parameters
        wanted = [q - a - b * p for p, q in zip(x, y, strict=True)]
        assert fit.residuals == pytest.approx(wanted, rel=1e-11, abs=1e-14)
        assert fit.residual_deviation == pytest.approx(math.hypot(*wanted) / 8**0.5, rel=1e-12)
        # and S is made of them with the effective variances at the solution
        parts = [r * r / (q * q + b * b * p * p) for r, p, q in zip(wanted, u_x, u_y, strict=True)]
        assert fit.chi_squared == pytest.approx(math.fsum(parts), rel=1e-11)

    @pytest.mark.parametrize(
        ("x", "u_x", "u_y", "rho", "why"),
        [
            ([1.0, 2.0, 3.0], [0.1], [0.1] * 3, None, "each point"),
            ([1.0, 2.0, 3.0], [0.1] * 3, [0.1] * 3, [0.0], "each point"),
            ([1.0, 2.0], [0.1] * 2, [0.1] * 2, None, "three points"),
            ([1.0, 2.0, 3.0], [0.0, 0.1, 0.1], [0.1] * 3, None, "positive"),
            ([1.0, 2.0, 3.0], [0.1] * 3, [0.1, -0.1, 0.1], None, "positive"),
            ([1.0, 2.0, 3.0], [0.1] * 3, [0.1] * 3, [0.0, 1.0, 0.0], "correlations"),
            ([2.0, 2.0, 2.0], [0.1] * 3, [0.1] * 3, None, "abscissa"),
        ],
    )
    def test_refused(
        self, x: list[float], u_x: list[float], u_y: list[float], rho: Any, why: str
    ) -> None:
        with pytest.raises(ValueError, match=why):
            fit_line_both_errors(x, [1.0, 2.5, 2.9][: len(x)], u_x, u_y, rho)


class TestPublishedPolynomials:
    def test_nist_norris(self) -> None:
        # NIST StRD, linear regression, Norris
        certified = published.case("nist_strd/nist_strd_linear.json", "Norris")["certified"]
        fit = fit_polynomial(*published.columns("nist_strd/norris.csv", "x", "y"))
        for k, one in enumerate(certified["parameters"]):
            assert fit.parameters[k] == pytest.approx(float(one["estimate"]), rel=1e-12)
            assert fit.uncertainties[k] == pytest.approx(
                float(one["standard_deviation"]), rel=1e-13
            )
        assert fit.residual_deviation == pytest.approx(
            float(certified["residual_standard_deviation"]), rel=1e-13
        )

    @pytest.mark.parametrize("ratio", [1.0, 0.1])
    def test_nist_wampler(self, ratio: float) -> None:
        # NIST StRD, linear regression, Wampler1 and Wampler2 (higher difficulty): x = 0 … 20 and
        # y = Σ (ratio x)^k, k = 0 … 5. Definition from memory; the certified values follow from it
        x = [float(k) for k in range(21)]
        y = [math.fsum((ratio * a) ** k for k in range(6)) for a in x]
        fit = fit_polynomial(x, y, 5)
        assert fit.parameters == pytest.approx([ratio**k for k in range(6)], rel=2e-8)
        assert fit.residual_deviation < 1e-14 * max(y)
        assert fit.dof == 15

    def test_nist_misra1a(self) -> None:
        # NIST StRD, nonlinear regression, Misra1a (lower difficulty), both of its starts. Data and
        # certified values from memory, confirmed by agreement to more than nine digits
        x = "77.6 114.9 141.1 190.8 239.9 289.0 332.8 378.4 434.8 477.3 536.8 593.1 689.1 760.0"
        y = "10.07 14.73 17.94 23.93 29.61 35.18 40.02 44.82 50.76 55.05 61.01 66.40 75.47 81.78"
        xs, ys = ([float(v) for v in text.split()] for text in (x, y))
        for start in ([500.0, 0.0001], [250.0, 0.0005]):
            fit = fit_curve(lambda t, b: b[0] * (1.0 - np.exp(-b[1] * t)), xs, ys, start)
            assert fit.parameters == pytest.approx((2.3894212918e2, 5.5015643181e-4), rel=3e-10)
            assert fit.uncertainties == pytest.approx((2.7070075241, 7.2668688436e-6), rel=1e-9)
            assert fit.chi_squared == pytest.approx(1.2455138894e-1, rel=1e-10)
            assert fit.residual_deviation == pytest.approx(1.0187876330e-1, rel=1e-10)


POINTS = st.lists(
    st.tuples(st.integers(-20, 20), st.floats(-100.0, 100.0), st.floats(0.1, 5.0)),
    min_size=6,
    max_size=15,
    unique_by=lambda p: p[0],
)


class TestPolynomial:
    @given(POINTS, st.integers(0, 3))
    def test_residuals_are_orthogonal_to_every_power(
        self, points: list[tuple[int, float, float]], degree: int
    ) -> None:
        x, y, u = (np.array(column, dtype=float) for column in zip(*points, strict=True))
        fit = fit_polynomial(x, y, degree, u)
        for power in range(degree + 1):
            column = (x / 20.0) ** power
            size = float(np.sum(np.abs(column * y) / u**2)) + 1.0
            assert abs(float(np.sum(column * fit.residuals / u**2))) < 1e-10 * size
        wanted = float(np.sum((np.array(fit.residuals) / u) ** 2))
        assert fit.chi_squared == pytest.approx(wanted, rel=1e-12)

    @given(POINTS, st.integers(0, 3), st.booleans())
    def test_leverages_add_up_to_the_parameters(
        self, points: list[tuple[int, float, float]], degree: int, weighted: bool
    ) -> None:
        x, y, u = (list(column) for column in zip(*points, strict=True))
        fit = fit_polynomial(x, y, degree, u if weighted else None)
        assert math.fsum(fit.leverages) == pytest.approx(degree + 1.0, rel=1e-11)
        assert all(-1e-12 <= h <= 1.0 + 1e-12 for h in fit.leverages)
        assert fit.scaled is not weighted
        assert fit.dof == len(x) - degree - 1

    @given(POINTS, st.integers(0, 3), st.floats(-50.0, 50.0))
    def test_a_polynomial_is_found_again(
        self, points: list[tuple[int, float, float]], degree: int, height: float
    ) -> None:
        x, _, u = (list(column) for column in zip(*points, strict=True))
        wanted = [height, 0.5, -0.25, 0.125][: degree + 1]
        y = np.polynomial.polynomial.polyval(np.array(x, dtype=float), wanted)
        fit = fit_polynomial(x, y, degree, u)
        size = float(np.max(np.abs(y))) + 1.0
        assert fit.residuals == pytest.approx([0.0] * len(x), abs=1e-11 * size)
        assert fit.parameters == pytest.approx(wanted, abs=1e-8 * size)

    @pytest.mark.parametrize("degree", [1, 2, 3])
    @pytest.mark.parametrize("weighted", [True, False])
    def test_agrees_with_a_general_library(self, degree: int, weighted: bool) -> None:
        x, y, _, u = _scattered(12, 4)
        fit = fit_polynomial(x, y, degree, u if weighted else None)
        theirs, covariance = np.polyfit(
            x, y, degree, w=1.0 / np.array(u) if weighted else None, cov="unscaled"
        )
        if not weighted:
            covariance = covariance * fit.residual_deviation**2
        assert fit.parameters == pytest.approx(theirs[::-1], rel=1e-10)
        assert np.array(fit.covariance) == pytest.approx(covariance[::-1, ::-1], rel=1e-9)

    def test_agrees_with_an_uncertainty_library(self) -> None:
        # GTC: weighted line with stated uncertainties, and ordinary line
        x, y, _, u = _scattered(9, 5)
        for stated, theirs in (
            (u, GTC.type_a.line_fit_wls(x, y, u)),
            (None, GTC.type_a.line_fit(x, y)),
        ):
            fit, (a, b) = fit_polynomial(x, y, 1, stated), theirs.a_b
            assert fit.parameters == pytest.approx((GTC.value(a), GTC.value(b)), rel=1e-12)
            assert fit.uncertainties == pytest.approx(
                (GTC.uncertainty(a), GTC.uncertainty(b)), rel=1e-12
            )
            assert fit.correlation(0, 1) == pytest.approx(GTC.get_correlation(a, b), rel=1e-12)

    def test_a_line_is_that_of_the_line_module(self) -> None:
        x, y, _, _ = _scattered(10, 6)
        fit, line = fit_polynomial(x, y), fit_line(x, y)
        assert fit.parameters == pytest.approx((line.intercept, line.slope), rel=1e-12)
        assert fit.uncertainties == pytest.approx((line.u_intercept, line.u_slope), rel=1e-12)
        assert fit.leverages == pytest.approx([p.leverage for p in line.points], rel=1e-12)

    def test_a_point_that_alone_carries_a_parameter_has_all_leverage(self) -> None:
        fit = fit_polynomial([0.0, 0.0, 0.0, 1.0], [1.0, 1.2, 1.1, 5.0])
        assert fit.leverages[3] == pytest.approx(1.0, abs=1e-12)

    @pytest.mark.parametrize("place", range(5))
    @pytest.mark.parametrize("tiny", [1e-6, 1e-10])
    def test_the_order_of_points_does_not_matter(self, place: int, tiny: float) -> None:
        points = [(1.0, 1.1, 1.0), (2.0, 3.9, 2.0), (3.0, 9.2, 1.0), (4.0, 15.7, 1.0)]
        turned = [*points[:place], (0.0, 0.0, tiny), *points[place:]]
        x, y, u = (list(column) for column in zip(*turned, strict=True))
        fit = fit_polynomial(x, y, 2, u)
        # held at the origin: y = b x + c x² through the four others
        w = 1.0 / np.array([1.0, 2.0, 1.0, 1.0])
        a = np.array([[p, p * p] for p, _, _ in points]) * w[:, None]
        wanted = np.linalg.inv(a.T @ a)
        solution = wanted @ a.T @ (np.array([q for _, q, _ in points]) * w)
        assert fit.parameters[1:] == pytest.approx(tuple(solution), rel=1e-10)
        assert np.array(fit.covariance)[1:, 1:] == pytest.approx(wanted, rel=1e-10)
        assert fit.uncertainties[0] == pytest.approx(tiny, rel=1e-6)

    def test_stated_uncertainties_alone_make_the_covariance(self) -> None:
        x, y, _, u = _scattered(8, 8)
        once, twice = fit_polynomial(x, y, 2, u), fit_polynomial(x, y, 2, [2.0 * v for v in u])
        assert twice.parameters == pytest.approx(once.parameters, rel=1e-11)
        assert twice.uncertainties == pytest.approx(
            [2.0 * v for v in once.uncertainties], rel=1e-12
        )
        assert twice.chi_squared == pytest.approx(once.chi_squared / 4.0, rel=1e-12)
        wild = fit_polynomial(x, [10.0 * v for v in y], 2, u)
        assert wild.uncertainties == pytest.approx(once.uncertainties, rel=1e-12)

    def test_uniform_uncertainties_scaled_by_chi_squared_are_the_scatter(self) -> None:
        x, y, _, _ = _scattered(8, 9)
        stated, free = fit_polynomial(x, y, 1, [0.25] * 8), fit_polynomial(x, y, 1)
        scale = math.sqrt(stated.chi_squared / stated.dof)
        assert free.uncertainties == pytest.approx(
            [scale * v for v in stated.uncertainties], rel=1e-12
        )
        assert free.residual_deviation == pytest.approx(0.25 * scale, rel=1e-12)

    def test_as_many_points_as_parameters(self) -> None:
        fit = fit_polynomial([0.0, 1.0, 3.0], [1.0, 2.0, 10.0], 2)
        assert fit.parameters == pytest.approx((1.0, 0.0, 1.0), abs=1e-14)
        assert (fit.dof, fit.residual_deviation) == (0, 0.0)
        assert fit.uncertainties == (0.0, 0.0, 0.0)
        stated = fit_polynomial([0.0, 1.0, 3.0], [1.0, 4.0, 16.0], 2, [0.1] * 3)
        # the curve passes through the points, so there it is as uncertain as they are
        powers = np.array([1.0, 3.0, 9.0])
        spread = math.sqrt(powers @ np.array(stated.covariance) @ powers)
        assert spread == pytest.approx(0.1, rel=1e-11)

    @pytest.mark.parametrize(
        ("x", "degree", "u_y", "why"),
        [
            ([1.0], 1, None, "at least 2 points"),
            ([1.0, 2.0, 3.0], 3, None, "at least 4 points"),
            ([2.0, 2.0, 2.0], 1, None, "abscissa"),
            ([1.0, 2.0, 3.0], 1, [0.1, 0.0, 0.1], "positive"),
            ([1.0, 2.0, 3.0], 1, [0.1, 0.1], "positive"),
            ([0.1, 0.1, 0.7, 0.7], 2, None, "determine"),
            ([1.1, 1.1, 1.7, 1.7, 2.9], 3, None, "determine"),
        ],
    )
    def test_refused(self, x: list[float], degree: int, u_y: Any, why: str) -> None:
        with pytest.raises(ValueError, match=why):
            fit_polynomial(x, [1.0, 2.0, 2.5, 4.0, 3.0][: len(x)], degree, u_y)

    @given(st.floats(-1e3, 1e3), st.floats(0.01, 1e3), st.integers(2, 4))
    def test_two_abscissas_never_determine_a_curve(
        self, first: float, step: float, repeats: int
    ) -> None:
        assume(first + step - first > 0.5 * step)
        x = [first, first + step] * repeats
        with pytest.raises(ValueError, match=r"determine|at least"):
            fit_polynomial(x, [float(k) for k in range(len(x))], 2)


class TestFarFromZero:
    """A quadratic on 10⁶ + 0 … 10: powers of x lose twelve digits, centred ones none."""

    NEAR = np.arange(11.0) - 5.0
    FAR = NEAR + 1e6 + 5.0
    Y = 2.0 + 0.3 * NEAR + 0.05 * NEAR**2 + np.array([3, -7, 1, 9, -4, -2, 8, -6, 0, 5, -3]) * 1e-3

    @pytest.fixture
    def fits(self) -> tuple[CurveFit, CurveFit]:
        return fit_polynomial(self.FAR, self.Y, 2), fit_polynomial(self.NEAR, self.Y, 2)

    def test_what_does_not_depend_on_the_origin(self, fits: tuple[CurveFit, CurveFit]) -> None:
        far, near = fits
        assert far.residuals == pytest.approx(near.residuals, abs=1e-14)
        assert far.parameters[2] == pytest.approx(near.parameters[2], rel=1e-13)
        assert far.uncertainties[2] == pytest.approx(near.uncertainties[2], rel=1e-12)
        assert far.leverages == pytest.approx(near.leverages, rel=1e-12)
        assert far.condition == pytest.approx(near.condition, rel=1e-12)
        assert far.condition < 10.0
        assert not far.ill_conditioned

    def test_the_coefficients_are_those_of_the_centred_form(
        self, fits: tuple[CurveFit, CurveFit]
    ) -> None:
        far, near = fits
        c0, c1, c2 = near.parameters
        m = 1e6 + 5.0
        assert far.parameters[1] == pytest.approx(c1 - 2.0 * m * c2, rel=1e-13)
        assert far.parameters[0] == pytest.approx(c0 - m * c1 + m * m * c2, rel=1e-13)
        # near zero the same data have the coefficients they were made of, within the scatter
        assert near.parameters == pytest.approx((2.0, 0.3, 0.05), abs=0.005)

    def test_condition_is_told(self) -> None:
        x = np.linspace(0.0, 1.0, 30)
        y = np.sin(3.0 * x)
        conditions = [fit_polynomial(x, y, degree).condition for degree in (1, 5, 10, 15)]
        assert conditions == sorted(conditions)
        assert conditions[0] < 10.0
        assert conditions[3] > 1e4
        # two almost equal abscissas hardly determine a line
        assert not fit_polynomial([0.0, 1.0, 2.0], [0.0, 1.0, 1.9]).ill_conditioned
        hard = fit_polynomial([0.0, 1e-11, 1.0, 2.0], [0.0, 1.0, 1.9, 3.0], 3)
        assert hard.ill_conditioned

    @pytest.mark.parametrize(
        "tiny",
        [
            1e-6,
            1e-7,
            1e-8,
            1e-9,
            1e-12,
        ],
    )
    def test_a_point_that_is_almost_exact(self, tiny: float) -> None:
        # a line held at the origin: u² = 1 / Σ x² for points of u = 1 at 1 and 2
        fit = fit_polynomial([0.0, 1.0, 2.0], [0.0, 1.1, 1.9], 1, [tiny, 1.0, 1.0])
        assert fit.parameters[1] == pytest.approx(4.9 / 5.0, rel=1e-10)
        assert fit.uncertainties[1] == pytest.approx(5.0**-0.5, rel=1e-6)
        assert not fit.ill_conditioned


@pytest.mark.parametrize("degree", [0, 1, 2])
def test_variance_at_the_points_is_leverage(degree: int) -> None:
    x, y, _, _ = _scattered(9, 11)
    fit = fit_polynomial(x, y, degree)
    powers = np.vander(x, degree + 1, increasing=True)
    found = np.sqrt(np.sum(powers @ np.array(fit.covariance) * powers, axis=1))
    wanted = [fit.residual_deviation * math.sqrt(h) for h in fit.leverages]
    assert found == pytest.approx(wanted, rel=1e-8)


def _decay(t: Any, p: Any) -> Any:
    return p[0] + p[1] * np.exp(-p[2] * t)


def _by_hand(t: Any, p: Sequence[float]) -> Any:
    e = np.exp(-p[2] * t)
    return np.stack([np.ones_like(t), e, -p[1] * t * e], axis=1)


class TestCurve:
    T = np.linspace(0.0, 5.0, 12)
    NOISE = np.array([3, -7, 1, 9, -4, -2, 8, -6, 0, 5, -3, -4]) * 1e-3
    Y = 1.5 + 3.0 * np.exp(-0.8 * T) + NOISE

    @pytest.mark.parametrize("start", [(0.5, 1.0, 0.5), (5.0, 1.0, 2.0)])
    @pytest.mark.parametrize("stated", [True, False])
    def test_decay_from_two_starts(self, start: tuple[float, ...], stated: bool) -> None:
        u = np.linspace(0.004, 0.008, 12) if stated else np.ones(12)
        fit = fit_curve(_decay, self.T, self.Y, start, u.tolist() if stated else None)
        # at the least squares the derivatives by hand are orthogonal to the residuals
        derivatives = _by_hand(self.T, fit.parameters) / u[:, None]
        residuals = np.array(fit.residuals) / u
        sizes = np.linalg.norm(derivatives, axis=0) * np.linalg.norm(residuals)
        assert np.abs(derivatives.T @ residuals) == pytest.approx(0.0, abs=1e-7 * float(min(sizes)))
        variance = 1.0 if stated else float(residuals @ residuals) / 9.0
        covariance = variance * np.linalg.inv(derivatives.T @ derivatives)
        assert np.array(fit.covariance) == pytest.approx(covariance, rel=1e-8)
        assert fit.parameters == pytest.approx((1.5, 3.0, 0.8), abs=0.02)
        assert math.fsum(fit.leverages) == pytest.approx(3.0, rel=1e-12)
        assert (fit.dof, fit.scaled) == (9, not stated)
        assert fit.residuals == pytest.approx(self.Y - _decay(self.T, fit.parameters), abs=1e-15)

    def test_both_starts_end_at_the_same_curve(self) -> None:
        one, two = (
            fit_curve(_decay, self.T, self.Y, start) for start in ((0.5, 1.0, 0.5), (5.0, 1.0, 2.0))
        )
        assert one.parameters == pytest.approx(two.parameters, rel=1e-9)
        theirs, covariance = optimize.curve_fit(
            lambda t, a, b, c: a + b * np.exp(-c * t), self.T, self.Y, (1.0, 2.0, 1.0), ftol=1e-14
        )
        assert one.parameters == pytest.approx(theirs, rel=1e-7)
        assert one.uncertainties == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-5)

    @pytest.mark.parametrize("degree", [1, 2])
    def test_a_polynomial_as_a_curve(self, degree: int) -> None:
        polynomial: Callable[[Any, Any], Any] = np.polynomial.polynomial.polyval
        x, y, _, u = _scattered(10, 12)
        fit = fit_curve(polynomial, x, y, [1.0] * (degree + 1), u)
        wanted = fit_polynomial(x, y, degree, u)
        assert fit.parameters == pytest.approx(wanted.parameters, rel=1e-8)
        assert fit.uncertainties == pytest.approx(wanted.uncertainties, rel=1e-8)
        assert fit.leverages == pytest.approx(wanted.leverages, rel=1e-8)
        assert fit.chi_squared == pytest.approx(wanted.chi_squared, rel=1e-11)

    def test_uncertainty_of_a_parameter_that_is_zero(self) -> None:
        pure = 3.0 * np.exp(-0.8 * self.T)
        fit = fit_curve(_decay, self.T, pure, (0.0, 1.0, 1.0), [0.02] * 12)
        derivatives = _by_hand(self.T, (0.0, 3.0, 0.8)) / 0.02
        wanted = np.sqrt(np.diag(np.linalg.inv(derivatives.T @ derivatives)))
        assert fit.parameters == pytest.approx((0.0, 3.0, 0.8), abs=1e-10)
        assert fit.uncertainties == pytest.approx(wanted, rel=1e-6)

    def test_parameters_that_are_not_determined(self) -> None:
        # only the product of the two counts: refused, or so uncertain that nobody believes them
        try:
            fit = fit_curve(
                lambda t, p: p[0] * p[1] * t, self.T, 2.0 * self.T + self.NOISE, [1.0, 1.5]
            )
        except ValueError:
            return
        assert fit.ill_conditioned
        assert min(fit.uncertainties) > 1.0

    @pytest.mark.parametrize("offset", [0.0, 1e3, 1e6])
    @pytest.mark.parametrize(
        "curve",
        [
            lambda t, p: (p[0] + p[1]) * t,
            lambda t, p: p[0] * t,
            lambda t, p: p[0] * np.exp(p[1]) * t,
        ],
    )
    def test_not_determined_beside_an_offset(
        self, curve: Callable[[Any, Any], Any], offset: float
    ) -> None:
        y = offset + 2.0 * self.T + self.NOISE
        with pytest.raises(ValueError, match="determine"):
            fit_curve(lambda t, p: offset + curve(t, p), self.T, y, [1.0, 1.5])

    @pytest.mark.parametrize("unit", [1e-12, 1e-3, 1.0, 1e12])
    def test_units_do_not_matter(self, unit: float) -> None:
        def growth(t: Any, p: Any) -> Any:
            return p[0] * np.exp(p[1] * t)

        y = 2.0 * np.exp(-0.5 * self.T) + self.NOISE
        plain = fit_curve(growth, self.T, y, [1.0, -1.0])
        # a rate of 0 to begin with says nothing about its size
        fit = fit_curve(growth, unit * self.T, y / unit, [1.0 / unit, 0.0])
        a, b = plain.parameters
        assert fit.parameters == pytest.approx((a / unit, b / unit), rel=1e-8)
        u_a, u_b = plain.uncertainties
        assert fit.uncertainties == pytest.approx((u_a / unit, u_b / unit), rel=1e-8)
        assert fit.correlation(0, 1) == pytest.approx(plain.correlation(0, 1), rel=1e-8)

    def test_refused(self) -> None:
        with pytest.raises(ValueError, match="at least as many points"):
            fit_curve(_decay, [0.0, 1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [1.0, 1.0, 1.0])
        with pytest.raises(ValueError, match="at least as many points"):
            fit_curve(_decay, [0.0, 1.0], [1.0, 2.0], [1.0, 1.0, 1.0])
        with pytest.raises(ValueError, match="positive"):
            fit_curve(_decay, self.T, self.Y, [1.0, 1.0, 1.0], [0.0] * 12)


def _derivatives(
    fit: Callable[[Any, Any], CurveFit], x: Sequence[float], y: Sequence[float], step: float
) -> tuple[Any, Any]:
    """Parameters of refits with each ordinate and each abscissa moved, shapes (p, n)."""
    points = np.array([x, y], dtype=float)
    out = []
    for row in (1, 0):
        columns = []
        for k in range(points.shape[1]):
            up, down = points.copy(), points.copy()
            up[row, k] += step
            down[row, k] -= step
            change = np.array(fit(*up).parameters) - np.array(fit(*down).parameters)
            columns.append(change / (2.0 * step))
        out.append(np.stack(columns, axis=1))
    return out[0], out[1]


class TestResponses:
    X = (0.3, 1.1, 1.9, 3.2, 3.9, 5.2, 6.0, 7.3)
    Y = (1.2, 2.9, 2.6, 5.5, 4.1, 8.0, 7.1, 10.4)
    U = (0.1, 0.3, 0.2, 0.1, 0.4, 0.2, 0.3, 0.1)

    def test_straight_line_without_weights(self) -> None:
        fit = fit_polynomial(self.X, self.Y)
        by_y, by_x = _derivatives(fit_polynomial, self.X, self.Y, 1e-5)
        assert np.array(fit.response_y) == pytest.approx(by_y, rel=1e-6, abs=1e-8)
        assert np.array(fit.response_x) == pytest.approx(by_x, rel=1e-6, abs=1e-8)
        # by hand: b = Sxy / Sxx, so ∂b/∂y = d / Sxx and ∂b/∂x = (y - ȳ - 2 b d) / Sxx
        d = np.array(self.X) - np.mean(self.X)
        sxx, b = float(d @ d), fit.parameters[1]
        assert fit.response_y[1] == pytest.approx(d / sxx, rel=1e-12)
        wanted = (np.array(self.Y) - np.mean(self.Y) - 2.0 * b * d) / sxx
        assert fit.response_x[1] == pytest.approx(wanted, rel=1e-11)

    @pytest.mark.parametrize("degree", [0, 1, 2, 3])
    @pytest.mark.parametrize("weighted", [True, False])
    @pytest.mark.parametrize("offset", [0.0, 50.0])
    def test_polynomial(self, degree: int, weighted: bool, offset: float) -> None:
        x, u = [offset + v for v in self.X], self.U if weighted else None
        fit = fit_polynomial(x, self.Y, degree, u)
        by_y, by_x = _derivatives(lambda p, q: fit_polynomial(p, q, degree, u), x, self.Y, 1e-4)
        for found, wanted in ((fit.response_y, by_y), (fit.response_x, by_x)):
            assert np.shape(found) == (degree + 1, 8)
            for one, other in zip(found, wanted, strict=True):
                assert one == pytest.approx(other, abs=1e-6 * float(np.max(np.abs(other))))

    def test_responses_make_the_covariance(self) -> None:
        fit = fit_polynomial(self.X, self.Y, 2, self.U)
        made = np.array(fit.response_y) * self.U
        assert made @ made.T == pytest.approx(np.array(fit.covariance), rel=1e-10)

        x, y, u_x, u_y = _pearson()
        rho = np.linspace(-0.6, 0.7, 10)
        both = fit_line_both_errors(x, y, u_x, u_y, rho)
        by_y, by_x = np.array(both.response_y) * u_y, np.array(both.response_x) * u_x
        cross = (by_x * rho) @ by_y.T
        made = by_y @ by_y.T + by_x @ by_x.T + cross + cross.T
        assert made == pytest.approx(np.array(both.covariance), rel=1e-9)

    @pytest.mark.parametrize("noise", [0.0, 1e-2])
    def test_curve(self, noise: float) -> None:
        y = _decay(TestCurve.T, (1.5, 3.0, 0.8)) + noise * TestCurve.NOISE
        u = np.linspace(0.004, 0.008, 12)

        def fit(p: Any, q: Any) -> CurveFit:
            return fit_curve(_decay, p, q, (1.0, 2.0, 1.0), u)

        by_y, by_x = _derivatives(fit, TestCurve.T, y, 1e-4)
        found = fit(TestCurve.T, y)
        # of first order in the residuals, which are below 1e-4
        within = 1e-6 if noise == 0.0 else 1e-4
        assert np.array(found.response_y) == pytest.approx(by_y, abs=within)
        assert np.array(found.response_x) == pytest.approx(by_x, abs=within)

    def test_curve_at_the_end_of_its_domain(self) -> None:
        x = np.arange(6.0)
        fit = fit_curve(lambda t, p: p[0] + p[1] * t**1.5, x, 1.0 + 2.0 * x**1.5, [1.0, 1.0])
        assert np.all(np.isfinite(fit.response_x))
        wanted = -np.array(fit.response_y) * 3.0 * np.sqrt(x)
        assert np.array(fit.response_x)[:, 1:] == pytest.approx(wanted[:, 1:], rel=1e-7)
        assert np.array(fit.response_x)[:, 0] == pytest.approx(0.0, abs=0.01)

    @pytest.mark.parametrize("noise", [0.0, 1e-3])
    def test_both_errors(self, noise: float) -> None:
        x = np.array(self.X)
        off = np.array([3, -7, 1, 9, -4, -2, 8, -6])
        y = 1.0 + 2.0 * x + noise * off
        u_x, u_y = np.linspace(0.1, 0.3, 8), np.linspace(0.4, 0.2, 8)
        rho = np.linspace(-0.5, 0.8, 8)

        def fit(p: Any, q: Any) -> CurveFit:
            return fit_line_both_errors(p, q, u_x, u_y, rho)

        by_y, by_x = _derivatives(fit, x, y, 1e-5)
        found = fit(x, y)
        within = 1e-6 if noise == 0.0 else 2e-2
        assert np.array(found.response_y) == pytest.approx(by_y, abs=within)
        assert np.array(found.response_x) == pytest.approx(by_x, abs=within)
