"""Second opinions on a line: by hand, by brute force, and by general-purpose libraries."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from sheetlab.metrology import linetests
from sheetlab.metrology.line import fit_line, interval_differences
from sheetlab.metrology.linetests import (
    curvature_of_series,
    extreme_lines,
    gradient_triangle,
    lack_of_fit_of_series,
    median,
    robust_slope,
    successive_differences,
)

FEW = st.lists(st.integers(-1000, 1000), min_size=5, max_size=12)


def _scattered(n: int, seed: int, bend: float = 0.0) -> tuple[list[float], list[float]]:
    rng = random.Random(seed)
    x = [rng.uniform(-5.0, 20.0) for _ in range(n)]
    return x, [3.0 - 0.7 * a + bend * a * a + rng.gauss(0.0, 0.2) for a in x]


def curvature(x: list[float], y: list[float]) -> linetests.TestResult:
    return curvature_of_series([list(zip(x, y, strict=True))])


def lack_of_fit(x: list[float], repeated: list[list[float]]) -> linetests.TestResult:
    """Of a single line with repeats."""
    return lack_of_fit_of_series(
        [[(a, b) for a, column in zip(x, repeated, strict=True) for b in column]]
    )


class TestCurvature:
    @pytest.mark.parametrize("n", [4, 7, 20])
    @pytest.mark.parametrize("bend", [0.0, 0.01])
    def test_agrees_with_the_extra_sum_of_squares(self, n: int, bend: float) -> None:
        # the square of t is the F of the quadratic term against the residuals
        x, y = _scattered(n, n, bend)
        ss = [float(np.polyfit(x, y, degree, full=True)[1][0]) for degree in (1, 2)]
        f = (ss[0] - ss[1]) / (ss[1] / (n - 3))
        found = curvature(x, y)
        assert found.statistic**2 == pytest.approx(f, rel=1e-9)
        assert math.copysign(1.0, found.statistic) == math.copysign(1.0, np.polyfit(x, y, 2)[0])
        assert found.probability == pytest.approx(float(stats.f.sf(f, 1, n - 3)), rel=1e-8)

    @given(FEW, st.floats(-3.0, 3.0), st.floats(-1e3, 1e3))
    def test_a_straight_line_added_changes_nothing(
        self, y: list[int], slope: float, height: float
    ) -> None:
        x = [float(k) for k in range(len(y))]
        plain = curvature(x, [float(v) for v in y])
        assume(0.0 < abs(plain.statistic) < 1e3)
        tilted = curvature(x, [v + height + slope * a for a, v in zip(x, y, strict=True)])
        assert tilted.statistic == pytest.approx(plain.statistic, rel=1e-6, abs=1e-6)
        assert tilted.probability == pytest.approx(plain.probability, rel=1e-5, abs=1e-6)

    @pytest.mark.parametrize("offset", [0.0, 1.0, 1e6])
    def test_exact_data(self, offset: float) -> None:
        x = [0.1 * k for k in range(7)]
        straight = curvature(x, [offset + 0.3 * a for a in x])
        assert (straight.statistic, straight.probability) == (0.0, 1.0)
        bent = curvature(x, [offset + 0.3 * a + 0.5 * a * a for a in x])
        assert abs(bent.statistic) > 1e5
        assert bent.probability < 1e-15

    def test_false_alarms_are_as_many_as_stated(self) -> None:
        # under the hypothesis the probability is uniform: 5 % below 0.05, four standard errors
        x = [float(k) for k in range(8)]
        rng = np.random.default_rng(3)
        trials = 1000
        alarms = sum(
            curvature(x, (0.4 * np.arange(8.0) + rng.standard_normal(8)).tolist()).probability
            < 0.05
            for _ in range(trials)
        )
        assert alarms / trials == pytest.approx(0.05, abs=4.0 * math.sqrt(0.05 * 0.95 / trials))

    @pytest.mark.parametrize("x", [[1.0, 2.0, 3.0], [1.0, 1.0, 2.0, 2.0], [3.0] * 5])
    def test_refused(self, x: list[float]) -> None:
        with pytest.raises(ValueError):
            curvature(x, [1.0, 2.0, 2.5, 4.0, 1.0][: len(x)])


class TestLackOfFit:
    def test_by_hand(self) -> None:
        # means 2, 4, 5, 7; pure error 4 × (0.5² + 0.5²) = 2 with 4 dof. Slope 8 / 5: the means lie
        # 0.1, 0.3, 0.3, 0.1 off: lack of fit 2 × 0.2 = 0.4 with 2 dof: F = 0.2 / 0.5
        found = lack_of_fit([1.0, 2.0, 3.0, 4.0], [[1.5, 2.5], [4.5, 3.5], [4.5, 5.5], [7.5, 6.5]])
        assert found.statistic == pytest.approx(0.4, rel=1e-13)
        # with 2 and ν degrees of freedom F has the tail (1 + 2 F / ν)^(-ν / 2)
        assert found.probability == pytest.approx(1.2**-2, rel=1e-13)

    def test_unequal_groups_by_hand(self) -> None:
        # the mean 1, 4, 1 at x = 0, 1, 2 with 2, 1, 2 readings: by symmetry the line is level at
        # 8 / 5; lack 4 × 0.6² + 2.4² = 7.2 with 1 dof; pure 2 × (0.1² + 0.1²) = 0.04 with 2
        found = lack_of_fit([0.0, 1.0, 2.0], [[0.9, 1.1], [4.0], [1.1, 0.9]])
        assert found.statistic == pytest.approx(7.2 / 0.02, rel=1e-12)
        # with 1 and 2 degrees of freedom: 1 - sqrt(F / (F + 2))
        assert found.probability == pytest.approx(1.0 - math.sqrt(360.0 / 362.0), rel=1e-10)

    def test_abscissas_without_readings_are_passed_over(self) -> None:
        full = lack_of_fit([1.0, 2.0, 4.0], [[1.0, 1.2], [2.1], [3.9, 4.4]])
        assert lack_of_fit([1.0, 2.0, 3.0, 4.0], [[1.0, 1.2], [2.1], [], [3.9, 4.4]]) == full

    def test_false_alarms_are_as_many_as_stated(self) -> None:
        rng = np.random.default_rng(4)
        x = [0.0, 1.0, 2.0, 3.0]
        trials = 1000
        readings = np.arange(4.0)[:, None] + rng.standard_normal((trials, 4, 3))
        alarms = sum(lack_of_fit(x, one.tolist()).probability < 0.05 for one in readings)
        assert alarms / trials == pytest.approx(0.05, abs=4.0 * math.sqrt(0.05 * 0.95 / trials))

    def test_equal_repeats(self) -> None:
        # exact readings off the line: nothing of the lack is scatter
        found = lack_of_fit([0.0, 1.0, 2.0], [[0.0, 0.0], [3.0, 3.0], [1.0, 1.0]])
        assert (found.statistic, found.probability) == (math.inf, 0.0)
        found = lack_of_fit([0.0, 1.0, 2.0], [[0.0, 0.0], [3.0, 3.0], [6.0, 6.0]])
        assert (found.statistic, found.probability) == (0.0, 1.0)

    @pytest.mark.parametrize("x", [[1.0, 2.0, 3.0], [0.1, 0.2, 0.3, 0.4, 0.5], [1.7, 2.9, 5.3]])
    def test_an_exact_line_with_rounding(self, x: list[float]) -> None:
        found = lack_of_fit(x, [[0.1 * a + 0.7] * 2 for a in x])
        assert (found.statistic, found.probability) == (0.0, 1.0)

    @given(
        st.lists(st.integers(-500, 500), min_size=3, max_size=9, unique=True),
        st.floats(-1e6, 1e6),
        st.floats(-10.0, 10.0),
        st.sampled_from([0.0, 1e4]),
    )
    def test_exact_lines_never_lack_fit(
        self, x: list[int], slope: float, height: float, offset: float
    ) -> None:
        xs = [offset + 0.1 * a for a in x]
        found = lack_of_fit(xs, [[slope * a + height] * 2 for a in xs])
        assert (found.statistic, found.probability) == (0.0, 1.0)

    def test_a_small_lack_is_still_seen(self) -> None:
        # a part in 10⁹ of the readings, far above their rounding
        found = lack_of_fit([1.0, 2.0, 3.0], [[1.0] * 2, [2.0 + 1e-9] * 2, [3.0] * 2])
        assert (found.statistic, found.probability) == (math.inf, 0.0)

    @pytest.mark.parametrize(
        ("x", "repeated"),
        [
            ([1.0, 2.0, 3.0], [[1.0], [2.0], [3.0]]),
            ([1.0, 2.0], [[1.0, 1.1], [2.0, 2.2]]),
            ([1.0, 2.0, 3.0], [[1.0, 1.1], [2.0, 2.2], []]),
            ([1.0, 2.0], [[1.0, 1.1], [2.0, 2.2], [3.0]]),
        ],
    )
    def test_refused(self, x: list[float], repeated: list[list[float]]) -> None:
        with pytest.raises(ValueError):
            lack_of_fit(x, repeated)


class TestRobustSlope:
    @pytest.mark.parametrize("n", [5, 6, 15])
    def test_agrees_with_a_general_library(self, n: int) -> None:
        x, y = _scattered(n, n)
        theirs = stats.theilslopes(y, x, method="joint")
        assert robust_slope([list(zip(x, y, strict=True))]) == pytest.approx(
            theirs.slope, rel=1e-13
        )

    @given(st.integers(0, 7), st.floats(-1e6, 1e6))
    def test_one_wild_point_does_nothing(self, row: int, wild: float) -> None:
        x = [float(k) for k in range(8)]
        y = [2.0 + 0.5 * a for a in x]
        y[row] = wild
        assert robust_slope([list(zip(x, y, strict=True))]) == pytest.approx(0.5, rel=1e-15)

    def test_least_squares_is_moved_by_it(self) -> None:
        x = [float(k) for k in range(8)]
        y = [2.0 + 0.5 * a for a in x]
        y[7] = 105.5
        # 100 too much at the end: leverage (x - mean) / Sxx = 3.5 / 42
        assert fit_line(x, y).slope == pytest.approx(0.5 + 100.0 * 3.5 / 42.0, rel=1e-13)

    @given(FEW, st.integers(-50, 50), st.integers(-50, 50))
    def test_moves_with_the_data(self, y: list[int], slope: int, height: int) -> None:
        plain = [(float(k), float(v)) for k, v in enumerate(y)]
        moved = [(a, v + height + slope * a) for a, v in plain]
        wanted = robust_slope([plain]) + slope
        assert robust_slope([moved]) == pytest.approx(wanted, rel=1e-12, abs=1e-9)

    def test_equal_abscissas(self) -> None:
        assert robust_slope([[(1.0, 0.0), (1.0, 2.0), (2.0, 3.0)]]) == 2.0
        with pytest.raises(ValueError, match="abscissa"):
            robust_slope([[(1.0, 0.0), (1.0, 2.0)]])

    @given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=9))
    def test_median(self, values: list[float]) -> None:
        assert median(values) == pytest.approx(float(np.median(values)), rel=1e-15, abs=0.0)


class TestSuccessiveDifferences:
    @given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=12), st.floats(0.1, 10.0))
    def test_they_telescope(self, y: list[float], step: float) -> None:
        n = len(y)
        x = [step * k for k in range(n)]
        slope, u_slope = successive_differences(x, y, 0.5)
        wanted = math.fsum(b - a for a, b in itertools.pairwise(y)) / (n - 1) / step
        assert slope == pytest.approx(wanted, rel=1e-12, abs=1e-9)
        assert u_slope == pytest.approx(math.sqrt(2.0) * 0.5 / (step * (n - 1)), rel=1e-12)

    def test_by_hand(self) -> None:
        # differences 1, 3, 2 over steps of 2: slopes 0.5, 1.5, 1
        slope, u_slope = successive_differences([0.0, 2.0, 4.0, 6.0], [0.0, 1.0, 4.0, 6.0], 0.3)
        assert slope == pytest.approx(1.0, rel=1e-15)
        assert u_slope == pytest.approx(math.sqrt(2.0) * 0.3 / 6.0, rel=1e-15)
        assert successive_differences([3.0, 2.0, 1.0], [1.0, 2.0, 3.0], 0.1)[0] == -1.0

    def test_scatter_is_that_of_the_ends_and_more_than_that_of_the_halves(self) -> None:
        x, runs = [float(k) for k in range(8)], 4000
        readings = np.random.default_rng(8).standard_normal((runs, 8)).tolist()
        found = [successive_differences(x, row, 1.0) for row in readings]
        spread = float(np.std([slope for slope, _ in found]))
        assert spread == pytest.approx(found[0][1], rel=4.0 / math.sqrt(2.0 * runs))
        assert interval_differences(x, [0.0] * 8).interval == 4.0
        assert math.sqrt(2.0 / 4.0) / 4.0 < found[0][1]

    @pytest.mark.parametrize(
        ("x", "y"),
        [([1.0], [1.0]), ([1.0, 2.0], [1.0]), ([1.0, 2.0, 1.0], [1.0, 2.0, 3.0]), ([], [])],
    )
    def test_refused(self, x: list[float], y: list[float]) -> None:
        with pytest.raises(ValueError):
            successive_differences(x, y, 0.1)


def _by_brute_force(
    x: Sequence[float], y: Sequence[float], bars: Sequence[float]
) -> tuple[float, float] | None:
    """An extreme line touches two ends of bars: all pairs of ends, those that pass all bars."""
    ends = [(a, b + s * h) for a, b, h in zip(x, y, bars, strict=True) for s in (-1.0, 1.0)]
    slopes = []
    for (a, b), (c, d) in itertools.combinations(ends, 2):
        if a == c:
            continue
        slope = (d - b) / (c - a)
        if all(
            abs(b + slope * (p - a) - q) <= h + 1e-9 for p, q, h in zip(x, y, bars, strict=True)
        ):
            slopes.append(slope)
    return (max(slopes), min(slopes)) if slopes else None


class TestExtremeLines:
    @pytest.mark.parametrize("seed", range(25))
    def test_against_brute_force(self, seed: int) -> None:
        rng = random.Random(seed)
        n = rng.randint(3, 8)
        x = [k + rng.uniform(-0.3, 0.3) for k in range(n)]
        y = [1.0 + 0.8 * a + rng.gauss(0.0, 0.3) for a in x]
        bars = [rng.uniform(0.2, 0.6) for _ in x]
        wanted = _by_brute_force(x, y, bars)
        found = extreme_lines(x, y, bars)
        if wanted is None:
            assert found is None
        else:
            assert found is not None
            assert (found.steepest, found.flattest) == pytest.approx(wanted, rel=1e-9)

    def test_both_cases_occur_above(self) -> None:
        x = [0.0, 1.0, 2.0]
        assert extreme_lines(x, [0.0, 1.0, 0.0], [0.4] * 3) is None
        assert extreme_lines(x, [0.0, 1.0, 0.0], [0.6] * 3) is not None

    def test_bars_at_two_points(self) -> None:
        found = extreme_lines([0.0, 4.0], [1.0, 9.0], [0.5, 1.5])
        assert found is not None
        assert (found.steepest, found.flattest) == pytest.approx((2.5, 1.5), rel=1e-12)

    def test_equal_bars(self) -> None:
        # exact points, equal bars b: the lines join opposite ends of the outer bars
        x = [0.0, 1.0, 2.0, 3.0, 4.0]
        found = extreme_lines(x, [2.0 * a for a in x], [0.2] * 5)
        assert found is not None
        half_range = 0.5 * (found.steepest - found.flattest)
        assert half_range == pytest.approx(2.0 * 0.2 / 4.0, rel=1e-12)

    @pytest.mark.parametrize("unit", [1e3, 1e-3, 1e-5, 1e-8, 1e-30, 1e11])
    def test_the_unit_does_not_matter(self, unit: float) -> None:
        x, y = [0.0, 1.0, 2.0, 3.0], [0.0, 1.1, 1.9, 3.05]
        found = extreme_lines(x, [unit * v for v in y], [0.2 * unit] * 4)
        wanted = _by_brute_force(x, y, [0.2] * 4)
        assert found is not None
        assert wanted is not None
        assert (found.steepest / unit, found.flattest / unit) == pytest.approx(wanted, rel=1e-9)

    @pytest.mark.parametrize("unit", [1e-9, 1e9])
    @pytest.mark.parametrize("slope", [0.0, 300.0])
    def test_the_unit_of_x_does_not_matter(self, unit: float, slope: float) -> None:
        x, y = [0.0, 1.0, 2.0, 3.0], [0.0, 1.1, 1.9, 3.05]
        tilted = [b + slope * a for a, b in zip(x, y, strict=True)]
        found = extreme_lines([unit * (a + 7.0) for a in x], tilted, [0.2] * 4)
        wanted = _by_brute_force(x, y, [0.2] * 4)
        assert found is not None
        assert wanted is not None
        assert (found.steepest * unit, found.flattest * unit) == pytest.approx(
            [w + slope for w in wanted], rel=1e-9
        )

    @pytest.mark.parametrize("unit", [1e-3, 1e-8])
    def test_no_line_in_any_unit(self, unit: float) -> None:
        assert extreme_lines([0.0, 1.0, 2.0], [0.0, unit, 0.0], [0.4 * unit] * 3) is None

    def test_refused(self) -> None:
        with pytest.raises(ValueError, match="abscissas"):
            extreme_lines([1.0, 1.0], [1.0, 2.0], [0.1, 0.1])


class TestGradientTriangle:
    X = (0.0, 1.0, 2.0, 3.0, 4.0)
    Y = (1.0, 3.0, 5.0, 7.0, 9.0)

    def test_on_the_line(self) -> None:
        found = gradient_triangle(self.X, self.Y, (0.5, 2.0), (3.5, 8.0))
        assert (found.slope, found.span, found.uses_data_points) == (2.0, 0.75, False)
        assert found.distances == pytest.approx((0.0, 0.0), abs=1e-14)

    def test_off_the_line(self) -> None:
        found = gradient_triangle(self.X, self.Y, (1.5, 4.3), (2.5, 5.8))
        assert found.slope == pytest.approx(1.5, rel=1e-14)
        assert found.span == pytest.approx(0.25, rel=1e-14)
        assert found.distances == pytest.approx((0.3, -0.2), rel=1e-12)

    @pytest.mark.parametrize("second", [(3.5, 8.0), (4.0, 9.0)])
    def test_corners_on_readings(self, second: tuple[float, float]) -> None:
        assert gradient_triangle(self.X, self.Y, (0.0, 1.0), second).uses_data_points
        assert gradient_triangle(self.X, self.Y, second, (0.0, 1.0)).uses_data_points

    def test_corners_may_come_in_any_order(self) -> None:
        there = gradient_triangle(self.X, self.Y, (0.5, 2.1), (3.5, 8.0))
        back = gradient_triangle(self.X, self.Y, (3.5, 8.0), (0.5, 2.1))
        assert (back.slope, back.span) == (there.slope, there.span)
        assert back.distances == there.distances[::-1]

    def test_refused(self) -> None:
        with pytest.raises(ValueError, match="abscissa"):
            gradient_triangle(self.X, self.Y, (1.0, 2.0), (1.0, 4.0))
