"""Straight lines against published certified values, and against general-purpose libraries."""

from __future__ import annotations

import math
import random

import published
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.metrology.line import (
    fit_common_slope,
    fit_line,
    fit_through_origin,
    interval_differences,
)


def _scattered(n: int, seed: int) -> tuple[list[float], list[float]]:
    rng = random.Random(seed)
    x = [rng.uniform(-5.0, 20.0) for _ in range(n)]
    return x, [3.0 - 0.7 * a + rng.gauss(0.0, 0.2) for a in x]


class TestPublished:
    @pytest.mark.parametrize(
        ("what", "value", "tolerance"),
        published.expected("gum_annex_h.json", "H3_thermometer_line"),
    )
    def test_thermometer_calibration(self, what: str, value: float, tolerance: float) -> None:
        # JCGM 100:2008, H.3: correction b(t) = y1 + y2 (t - 20 °C); value and uncertainty at 30 °C
        t, b = published.columns("gum_h3_thermometer.csv", "t_k_degC", "b_k_degC")
        fit = fit_line([one - 20.0 for one in t], b)
        at_30, u_at_30 = fit.at(10.0)
        found = {
            "y1": fit.intercept,
            "y2": fit.slope,
            "s(y1)": fit.u_intercept,
            "s(y2)": fit.u_slope,
            "r(y1,y2)": fit.covariance / (fit.u_slope * fit.u_intercept),
            "s residual": fit.residual_deviation,
            "b(30 degC)": at_30,
            "u_c(b(30 degC))": u_at_30,
            "dof": fit.dof,
        }
        assert found[what] == pytest.approx(value, abs=tolerance, rel=0.0)

    def test_nist_norris(self) -> None:
        # NIST StRD, linear regression, Norris (lower difficulty, 36 points)
        certified = published.case("nist_strd/nist_strd_linear.json", "Norris")["certified"]
        intercept, slope = certified["parameters"]
        fit = fit_line(*published.columns("nist_strd/norris.csv", "x", "y"))
        # the centres are rounded to doubles: the intercept, small beside them, loses two digits
        assert fit.intercept == pytest.approx(float(intercept["estimate"]), rel=1e-12)
        assert fit.slope == pytest.approx(float(slope["estimate"]), rel=1e-14)
        assert fit.u_intercept == pytest.approx(float(intercept["standard_deviation"]), rel=1e-13)
        assert fit.u_slope == pytest.approx(float(slope["standard_deviation"]), rel=1e-13)
        assert fit.residual_deviation == pytest.approx(
            float(certified["residual_standard_deviation"]), rel=1e-13
        )
        assert fit.dof == certified["anova"]["residual_df"]

    def test_nist_line_through_origin(self) -> None:
        # NIST StRD, linear regression, NoInt1 (average difficulty, 11 points)
        certified = published.case("nist_strd/nist_strd_linear.json", "NoInt1")["certified"]
        (slope,) = certified["parameters"]
        fit = fit_through_origin(*published.columns("nist_strd/noint1.csv", "x", "y"))
        assert fit.slope == pytest.approx(float(slope["estimate"]), rel=1e-14)
        assert fit.u_slope == pytest.approx(float(slope["standard_deviation"]), rel=1e-13)
        assert fit.residual_deviation == pytest.approx(
            float(certified["residual_standard_deviation"]), rel=1e-13
        )
        assert fit.dof == certified["anova"]["residual_df"]

    def test_loaded_wire(self) -> None:
        # OpenStax University Physics, volume 1, 12.4: five readings of the linear range. The book
        # prints no answer: slope and modulus are recomputed from its table
        load, pointer = published.columns(
            "wire_load_table.csv", "load_N_including_pan", "pointer_cm"
        )
        used = [(f, s / 100.0) for f, s in zip(load, pointer, strict=True) if 15.0 <= f <= 55.0]
        fit = fit_line(*zip(*used, strict=True))
        given = published.case("wire_problems.json", "W10_loaded_wire_table")["given"]
        modulus = given["L_m"] / (math.pi / 4.0 * given["diameter_m"] ** 2) / fit.slope
        found = {
            "slope": fit.slope,
            "standard error of slope": fit.u_slope,
            "E": modulus,
            "standard uncertainty of E from the slope": modulus * fit.u_slope / fit.slope,
        }
        wanted = published.derived("wire_problems.json", "W10_loaded_wire_table")
        assert found.keys() == wanted.keys()
        for what, (value, tolerance) in wanted.items():
            assert found[what] == pytest.approx(value, abs=tolerance, rel=0.0), what


class TestOneSeries:
    @pytest.mark.parametrize("n", [3, 8, 40])
    def test_agrees_with_general_libraries(self, n: int) -> None:
        import numpy as np
        from scipy import stats

        x, y = _scattered(n, seed=n)
        fit = fit_line(x, y)
        (slope, intercept), covariance = np.polyfit(x, y, 1, cov="unscaled")
        reference = stats.linregress(x, y)
        assert (fit.slope, fit.intercept) == pytest.approx((slope, intercept), rel=1e-12)
        assert (fit.slope, fit.intercept) == pytest.approx(
            (reference.slope, reference.intercept), rel=1e-12
        )
        assert fit.u_slope == pytest.approx(reference.stderr, rel=1e-11)
        assert fit.u_intercept == pytest.approx(reference.intercept_stderr, rel=1e-11)
        assert fit.covariance == pytest.approx(
            covariance[0, 1] * fit.residual_deviation**2, rel=1e-11
        )

    @pytest.mark.parametrize("n", [2, 5, 8])
    def test_leverage_of_an_equally_spaced_line(self, n: int) -> None:
        # 1/n + (x - mean)² / Sxx, and Sxx = n (n² - 1) / 12 for steps of one
        fit = fit_line(range(n), [0.3, 1.9, 2.2, 4.0, 5.1, 5.8, 7.4, 8.0][:n])
        centre, sxx = (n - 1) / 2.0, n * (n * n - 1) / 12.0
        wanted = [1.0 / n + (k - centre) ** 2 / sxx for k in range(n)]
        assert [p.leverage for p in fit.points] == pytest.approx(wanted, rel=1e-14)
        assert math.fsum(p.leverage for p in fit.points) == pytest.approx(2.0, rel=1e-14)

    @pytest.mark.parametrize("row", range(8))
    def test_deleted_residual_is_the_error_of_a_single_wrong_reading(self, row: int) -> None:
        x = [0.5 * k for k in range(8)]
        y = [2.0 + 0.3 * a for a in x]
        y[row] += 0.25
        assert fit_line(x, y).points[row].deleted_residual == pytest.approx(0.25, rel=1e-12)

    def test_deleted_and_studentised_residuals_are_those_of_a_line_without_the_point(self) -> None:
        x, y = _scattered(9, seed=4)
        fit = fit_line(x, y)
        for k, (point, studentised) in enumerate(zip(fit.points, fit.studentised(), strict=True)):
            rest = fit_line(x[:k] + x[k + 1 :], y[:k] + y[k + 1 :])
            line, u_line = rest.at(x[k])
            assert point.deleted_residual == pytest.approx(y[k] - line, rel=1e-10)
            spread = math.hypot(rest.residual_deviation, u_line)
            assert studentised == pytest.approx((y[k] - line) / spread, rel=1e-10)

    def test_a_point_that_alone_decides_the_slope_has_no_deleted_residual(self) -> None:
        fit = fit_line([0.0, 0.0, 0.0, 1.0], [0.1, 0.0, -0.1, 5.0])
        assert fit.points[3].leverage == 1.0
        assert math.isinf(fit.points[3].deleted_residual)

    def test_two_points_leave_no_scatter(self) -> None:
        fit = fit_line([1.0, 3.0], [5.0, 9.0])
        assert (fit.slope, fit.intercept) == (2.0, 3.0)
        assert (fit.dof, fit.residual_deviation, fit.u_slope, fit.u_intercept) == (0, 0, 0, 0)
        assert fit.studentised() == (0.0, 0.0)

    def test_large_offsets_lose_no_digits(self) -> None:
        # all readings are exact in binary, so the slope must be too
        x = [2.0**30 + k for k in range(6)]
        assert fit_line(x, [2.0**40 + 0.25 * k for k in range(6)]).slope == 0.25

    @given(
        st.floats(-1e3, 1e3),
        st.floats(-1e3, 1e3),
        st.lists(st.integers(-1000, 1000), min_size=2, max_size=12, unique=True),
    )
    def test_recovers_an_exact_line(self, slope: float, intercept: float, x: list[int]) -> None:
        fit = fit_line(x, [intercept + slope * a for a in x])
        size = 1000.0 * abs(slope) + abs(intercept) + 1e-290
        assert fit.slope == pytest.approx(slope, abs=1e-14 * size)
        assert fit.intercept == pytest.approx(intercept, abs=1e-11 * size)
        assert fit.residual_deviation <= 1e-14 * size

    @given(
        st.lists(
            st.tuples(st.integers(-50, 50), st.integers(-500, 500)),
            min_size=3,
            max_size=12,
            unique_by=lambda xy: xy[0],
        ),
        st.integers(-10_000, 10_000),
    )
    def test_slope_ignores_a_constant(self, points: list[tuple[int, int]], shift: int) -> None:
        x, y = zip(*points, strict=True)
        plain, shifted = fit_line(x, y), fit_line(x, [b + shift for b in y])
        assert shifted.slope == pytest.approx(plain.slope, rel=1e-9, abs=1e-11)
        assert shifted.residual_deviation == pytest.approx(plain.residual_deviation, abs=1e-10)
        assert shifted.intercept - plain.intercept == pytest.approx(shift, abs=1e-9)


class TestCommonSlope:
    def test_complete_series_give_the_slope_of_their_mean(self) -> None:
        x = [0.5 * k for k in range(8)]
        up = [2.135, 2.440, 2.740, 3.040, 3.340, 3.640, 3.940, 4.230]
        down = [y + 0.037 + e for y, e in zip(up, [0, 3e-3, 0, -2e-3, 0, 1e-3, 0, 0], strict=True)]
        fit = fit_common_slope([list(zip(x, up, strict=True)), list(zip(x, down, strict=True))])
        mean = fit_line(x, [(a + b) / 2.0 for a, b in zip(up, down, strict=True)])
        assert fit.slope == pytest.approx(mean.slope, rel=1e-13)
        assert fit.intercept == pytest.approx(mean.intercept, rel=1e-13)
        assert fit.dof == 2 * 8 - 3
        # hysteresis is in the intercepts, not in the scatter
        assert fit.intercepts[1] - fit.intercepts[0] == pytest.approx(0.037 + 0.002 / 8, rel=1e-12)
        assert fit.residual_deviation < 1.2 * mean.residual_deviation

    def test_shifted_copies_scatter_like_one(self) -> None:
        x, y = _scattered(7, seed=2)
        alone = fit_line(x, y)
        both = fit_common_slope(
            [list(zip(x, y, strict=True)), [(a, b + 5.0) for a, b in zip(x, y, strict=True)]]
        )
        assert both.slope == pytest.approx(alone.slope, rel=1e-13)
        square = 2.0 * alone.residual_deviation**2 * alone.dof
        assert both.residual_deviation == pytest.approx(math.sqrt(square / 11), rel=1e-12)

    @pytest.mark.parametrize("missing", [0, 3, 7])
    def test_an_incomplete_row_does_not_bias(self, missing: int) -> None:
        x = [0.5 * k for k in range(8)]
        up = [(a, 2.0 + 0.6 * a) for a in x]
        down = [(a, 2.3 + 0.6 * a) for k, a in enumerate(x) if k != missing]
        fit = fit_common_slope([up, down])
        assert fit.slope == pytest.approx(0.6, rel=1e-13)
        assert fit.intercepts == pytest.approx((2.0, 2.3), rel=1e-13)

    def test_agrees_with_general_least_squares(self) -> None:
        import numpy as np

        sizes = (6, 4, 1)
        series = [list(zip(*_scattered(n, seed=n), strict=True)) for n in sizes]
        fit = fit_common_slope([series[0], [], *series[1:]])
        rows = [(k, x, y) for k, pairs in enumerate(series) for x, y in pairs]
        design = np.array([[x, *(float(k == j) for j in range(3))] for k, x, _ in rows])
        ordinates = np.array([y for _, _, y in rows])
        solution, square, *_ = np.linalg.lstsq(design, ordinates)
        dof = sum(sizes) - 4
        covariance = np.linalg.inv(design.T @ design) * square[0] / dof
        mean = np.array([0.0, 1 / 3, 1 / 3, 1 / 3])
        assert fit.dof == dof
        assert (fit.slope, *fit.intercepts) == pytest.approx(tuple(solution), rel=1e-12)
        assert fit.intercept == pytest.approx(mean @ solution, rel=1e-12)
        assert fit.u_slope == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-11)
        assert fit.u_intercept == pytest.approx(math.sqrt(mean @ covariance @ mean), rel=1e-11)
        assert fit.covariance == pytest.approx((mean @ covariance)[0], rel=1e-11)
        ordinate = np.array([2.0, 1 / 3, 1 / 3, 1 / 3])
        assert fit.at(2.0) == pytest.approx(
            (ordinate @ solution, math.sqrt(ordinate @ covariance @ ordinate)), rel=1e-11
        )
        hat = np.diag(design @ np.linalg.pinv(design))
        assert [p.leverage for p in fit.points] == pytest.approx(list(hat), rel=1e-11)

    def test_points_keep_their_place(self) -> None:
        fit = fit_common_slope([[], [(0.0, 1.0), (1.0, 3.0)], [(0.0, 2.0)]])
        assert [(p.series, p.index) for p in fit.points] == [(1, 0), (1, 1), (2, 0)]


class TestIntervalDifferences:
    READINGS = (2.135, 2.440, 2.740, 3.040, 3.340, 3.640, 3.940, 4.230)
    """Own numbers: cm at steps of 0.5 kg."""

    def test_against_hand_values(self) -> None:
        found = interval_differences([0.5 * k for k in range(8)], self.READINGS)
        assert found.differences == pytest.approx((1.205, 1.200, 1.200, 1.190), abs=1e-14)
        assert found.interval == 2.0
        assert found.slope == pytest.approx(1.19875 / 2.0, rel=1e-14)
        # deviations from the mean, in 0.00125: 5, 1, 1, -7, so s² = 76/3 of its square
        assert found.u_slope == pytest.approx(0.00125 * math.sqrt(76 / 3 / 4) / 2.0, rel=1e-10)
        assert (found.dof, found.first_dropped) == (3, False)

    def test_an_odd_number_drops_the_first(self) -> None:
        even = interval_differences([0.5 * k for k in range(8)], self.READINGS)
        odd = interval_differences([-3.0, *(0.5 * k for k in range(8))], [99.0, *self.READINGS])
        assert odd.first_dropped
        assert (odd.slope, odd.u_slope, odd.differences) == (
            even.slope,
            even.u_slope,
            even.differences,
        )

    def test_one_pair_has_no_scatter(self) -> None:
        found = interval_differences([1.0, 3.0], [10.0, 11.0])
        assert (found.slope, found.u_slope, found.dof) == (0.5, 0.0, 0)

    def test_falling_abscissae(self) -> None:
        x = [3.5 - 0.5 * k for k in range(8)]
        found = interval_differences(x, self.READINGS[::-1])
        assert found.slope == pytest.approx(1.19875 / 2.0, rel=1e-14)
        assert found.u_slope > 0.0

    @given(
        st.floats(-1e3, 1e3),
        st.floats(-1e3, 1e3),
        st.lists(st.integers(0, 500), min_size=2, max_size=12, unique=True).map(sorted),
    )
    def test_recovers_an_exact_line(self, slope: float, intercept: float, x: list[int]) -> None:
        found = interval_differences(x, [intercept + slope * a for a in x])
        size = 500.0 * abs(slope) + abs(intercept) + 1e-290
        assert found.slope == pytest.approx(slope, abs=1e-15 * size)
        assert found.u_slope <= 1e-15 * size


class TestRefused:
    @pytest.mark.parametrize(
        ("x", "y"), [([], []), ([1.0], [2.0]), ([1.0, 1.0], [2.0, 3.0]), ([1.0, 2.0], [1.0])]
    )
    def test_line(self, x: list[float], y: list[float]) -> None:
        with pytest.raises(ValueError):
            fit_line(x, y)

    @pytest.mark.parametrize(
        "series",
        [[], [[], []], [[(0.0, 1.0)], [(1.0, 2.0)]], [[(1.0, 1.0), (1.0, 2.0)], [(3.0, 1.0)]]],
    )
    def test_common_slope(self, series: list[list[tuple[float, float]]]) -> None:
        with pytest.raises(ValueError):
            fit_common_slope(series)

    @pytest.mark.parametrize(("x", "y"), [([], []), ([0.0], [2.0]), ([1.0, 2.0], [1.0])])
    def test_through_origin(self, x: list[float], y: list[float]) -> None:
        with pytest.raises(ValueError):
            fit_through_origin(x, y)

    @pytest.mark.parametrize(
        ("x", "y"),
        [
            ([], []),
            ([1.0], [2.0]),
            ([1.0, 1.0], [2.0, 3.0]),
            ([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0]),
            ([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0, 4.0, 5.0]),
        ],
    )
    def test_interval_differences(self, x: list[float], y: list[float]) -> None:
        with pytest.raises(ValueError):
            interval_differences(x, y)
