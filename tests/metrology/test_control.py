"""Control charts against their table, their formulas, and simulated runs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from published import rows
from scipy.special import stdtrit

from sheetlab.metrology import control as c

TABLE = next(row for row in rows("shewhart.csv") if row["n"] == "2")


@pytest.mark.parametrize(
    ("name", "value"),
    [("d2", c.D2), ("A2", c.WIDTH / (c.D2 * math.sqrt(2.0)))],
)
def test_constants_for_two_are_those_of_the_table(name: str, value: float) -> None:
    assert value == pytest.approx(float(TABLE[name]), abs=6e-6)
    # the printed digits, from memory
    assert value == pytest.approx(float(TABLE[f"pub_{name}"]), abs=6e-4)


def test_long_baseline_has_the_usual_limits() -> None:
    values = np.random.default_rng(1).normal(10.0, 0.5, 4000).tolist()
    steady = c.baseline(values)
    lower, upper = steady.limits()
    ranges = np.abs(np.diff(values))
    assert steady.mean_range == pytest.approx(sum(ranges) / len(ranges))
    assert (upper - lower) / 2 == pytest.approx(2.66 * steady.mean_range, rel=2e-3)
    assert steady.sigma == pytest.approx(0.5, rel=0.03)


def test_limits_by_hand() -> None:
    steady = c.baseline([1.0, 3.0, 2.0, 2.0, 4.0])
    assert (steady.centre, steady.mean_range) == (2.4, 1.25)
    assert steady.sigma == pytest.approx(1.25 / 1.128379)
    # Student's t for the 2.5 degrees of freedom of four ranges, at the level of 3 sigma
    assert steady.dof == pytest.approx(16 / (2 * (4 * 0.570796 + 6 * 0.127825)), rel=1e-5)


@pytest.mark.parametrize("count", [5, 12, 30])
def test_dof_of_a_mean_range_is_that_of_simulated_ones(count: int) -> None:
    x = np.random.default_rng(count).normal(size=(60_000, count))
    means = np.abs(np.diff(x, axis=1)).mean(axis=1)
    assert c.range_dof(count) == pytest.approx(0.5 * (means.mean() / means.std()) ** 2, rel=0.03)


@pytest.mark.parametrize(("count", "plain"), [(12, 0.019), (25, 0.0093)])
def test_few_values_widen_the_limits_as_students_t_does(count: int, plain: float) -> None:
    # a further steady value is beyond limits about as seldom as 3 sigma says (0.0027), whatever
    # the baseline; without the factor it would be so several times as often
    x = np.random.default_rng(5).normal(size=(150_000, count + 1))
    sigma = np.abs(np.diff(x[:, :-1], axis=1)).mean(axis=1) / c.D2
    off = np.abs(x[:, -1] - x[:, :-1].mean(axis=1)) / sigma
    half = c.Baseline(count, 0.0, 1.0, c.D2, c.range_dof(count)).limits()[1]
    assert 0.0014 < (off > half).mean() < 0.0031
    assert (off > 3.0).mean() == pytest.approx(plain, rel=0.1)


def test_ewma_against_its_formula() -> None:
    values = [3.0, -1.0, 4.0, 1.0, 5.0]
    found = c.ewma(values, 2.0, 0.3)
    for i in range(5):
        direct = (0.7 ** (i + 1)) * 2.0 + sum(
            0.3 * 0.7 ** (i - j) * values[j] for j in range(i + 1)
        )
        assert found[i] == pytest.approx(direct, rel=1e-14)
    assert c.ewma(values, 2.0, 1.0) == tuple(values)


@pytest.mark.parametrize(("weight", "index"), [(0.2, 1), (0.2, 4), (0.1, 10), (1.0, 3)])
def test_variance_of_the_ewma_is_exact(weight: float, index: int) -> None:
    # the sum of the squared weights of the values
    weights = [weight * (1 - weight) ** j for j in range(index)]
    direct = math.sqrt(math.fsum(w * w for w in weights))
    assert c.ewma_deviation(2.0, index, weight) == pytest.approx(2.0 * direct, rel=1e-12)
    mean = c.ewma_deviation(2.0, index, weight, 16)
    assert mean == pytest.approx(math.hypot(2.0 * direct, 0.5), rel=1e-12)


KNOWN = c.Baseline(10**9, 0.0, 1.0, c.D2, math.inf)


def test_rules_and_their_runs() -> None:
    values = [0.1, -0.1, 3.5, 3.2, -0.1, *[0.4] * 8, -0.2, -4.0]
    found = {s.rule: [] for s in c.chart(values, KNOWN).signals}
    for s in c.chart(values, KNOWN).signals:
        found[s.rule].append((s.first, s.last, s.side))
    assert found["beyond-limits"] == [(2, 3, 1), (14, 14, -1)]
    assert found["eight-on-one-side"] == [(5, 12, 1)]
    assert c.chart([0.4, -0.4] * 20, KNOWN).signals == ()
    # seven are not eight, and a value on the centre ends a run
    assert c.chart([0.3] * 7 + [0.0] + [0.3] * 7, KNOWN).signals == ()


def test_a_small_shift_is_seen_by_the_average_first() -> None:
    noise = np.random.default_rng(2).normal(size=60)
    shifted = noise.copy()
    shifted[30:] += 1.0
    found = c.chart(shifted.tolist(), KNOWN).signals
    assert found[0].rule in ("ewma-beyond-limits", "eight-on-one-side")
    assert 30 <= found[0].last < 45


def test_one_slip_does_not_bend_the_average_and_two_in_a_row_do() -> None:
    noise = np.random.default_rng(8).normal(scale=0.3, size=40)
    noise[20] = 1e6
    beside = np.delete(noise, 20).tolist()
    alone, without = c.chart(noise.tolist(), KNOWN), c.chart(beside, KNOWN)
    assert {s.rule for s in alone.signals} == {"beyond-limits"}
    # it counts as its limit, and a doubtful one not at all
    assert alone.averages[20] == pytest.approx(0.8 * alone.averages[19] + 0.2 * c.WIDTH)
    left = c.chart(noise.tolist(), KNOWN, doubtful={3, 20})
    assert left.averages[:20] + left.averages[21:] == without.averages
    assert left.averages[20] == left.averages[19]
    assert left.average_upper[21:] == without.average_upper[20:]
    assert left.slips == {20}
    noise[21:23] = 1e6
    assert c.chart(noise.tolist(), KNOWN, doubtful={20, 21, 22}).slips == set()
    noise[22] = 0.0
    assert c.chart(noise.tolist(), KNOWN, doubtful={20, 21, 22}).slips == {20, 21}
    rules = {s.rule for s in c.chart(noise.tolist(), KNOWN).signals}
    assert rules == {"beyond-limits", "ewma-beyond-limits"}


def test_what_lasts_counts_in_full_from_the_third_value_on() -> None:
    values = [0.1, -0.1, 0.2, *[10.0] * 12]
    its = c.chart(values, KNOWN)
    z = its.averages[2]
    for i, fed in enumerate([c.WIDTH, c.WIDTH, *[10.0] * 10], 3):
        z = 0.8 * z + 0.2 * fed
        assert its.averages[i] == pytest.approx(z)
    # the average goes to where the values are, and not to the limit
    assert its.averages[-1] > 9.0
    # also where each of them is doubtful; other sides are other runs
    assert c.chart(values, KNOWN, doubtful=range(3, 15)).averages == its.averages
    mixed = c.chart([10.0, 10.0, -10.0, 10.0, 10.0], KNOWN).averages
    assert mixed == pytest.approx(c.ewma([3.0, 3.0, -3.0, 3.0, 3.0], 0.0))


WELCH = np.random.default_rng(9)
BASE, VALUES = WELCH.normal(0.0, 1.0, 6), WELCH.normal(1.0, 2.0, 9)


def test_a_shift_is_welchs_interval() -> None:
    found = c.shift(BASE.tolist(), VALUES.tolist(), level=0.05)
    squares = np.array([BASE.var(ddof=1) / 6, VALUES.var(ddof=1) / 9])
    dof = squares.sum() ** 2 / (squares**2 / np.array([5, 8])).sum()
    least = stdtrit(dof, 0.975) * math.sqrt(squares.sum())
    assert found.difference == pytest.approx(VALUES.mean() - BASE.mean(), rel=1e-12)
    assert found.least == pytest.approx(least, rel=1e-9)
    assert found.count == 9


@pytest.mark.slow  # for what it imports
def test_a_shift_against_welchs_test() -> None:
    from scipy.stats import ttest_ind

    found = c.shift(BASE.tolist(), VALUES.tolist(), level=0.05)
    low, high = ttest_ind(VALUES, BASE, equal_var=False).confidence_interval(0.95)
    assert (found.difference - found.least, found.difference + found.least) == pytest.approx(
        (low, high), rel=1e-9
    )


def test_a_jump_of_few_values_is_told_by_their_mean() -> None:
    rng = np.random.default_rng(10)
    before, after = rng.normal(0.02, 0.003, 6).tolist(), rng.normal(0.05, 0.003, 6).tolist()
    assert c.shift(before, after).side == 1
    assert c.shift(after, before).side == -1
    # three that agree by chance are no better than the baseline
    assert c.shift(before, [0.026, 0.026, 0.026]).least > 0.004
    assert c.shift([0.02] * 6, [0.0201] * 6, 0.003).side == 0
    with pytest.raises(ValueError, match="spread"):
        c.shift([0.02] * 6, [0.03] * 6)
    with pytest.raises(ValueError, match="two values"):
        c.shift([0.02], [0.03] * 6)


def test_equal_readings_take_the_floor() -> None:
    steady = c.baseline([0.3] * 8, 0.003)
    assert (steady.sigma, steady.factor(3.0)) == (0.003, 1.0)
    with pytest.raises(ValueError, match="spread"):
        c.baseline([0.3] * 8)


@pytest.mark.parametrize("values", [[1.0, 2.0, 3.0, 4.0], [1.0, 2.0, math.nan, 3.0, 4.0, 5.0]])
def test_a_poor_baseline_is_refused(values: list[float]) -> None:
    with pytest.raises(ValueError):
        c.baseline(values)


@pytest.mark.parametrize("weight", [0.0, -0.1, 1.1, math.nan])
def test_a_weight_out_of_range_is_refused(weight: float) -> None:
    with pytest.raises(ValueError):
        c.ewma([1.0], 0.0, weight)


def run_lengths(
    rng: np.random.Generator, shift: float, runs: int, rule: str, longest: int = 6000
) -> float:
    """Mean number of values to the first signal of one rule, limits known."""
    total = 0
    deviations = np.array([c.ewma_deviation(1.0, i + 1) for i in range(longest)])
    for _ in range(runs):
        x = rng.normal(shift, 1.0, longest)
        if rule == "single":
            off = np.abs(x) > c.WIDTH
        else:
            off = np.abs(np.array(c.ewma(x.tolist(), 0.0))) > c.EWMA_WIDTH * deviations
        total += int(np.argmax(off)) + 1 if off.any() else longest
    return total / runs


def test_run_length_out_of_control() -> None:
    # theory of independent values: 1 / P(|x + 1| > 3) = 44 for single values; about 10 for EWMA
    rng = np.random.default_rng(3)
    assert 7.0 < run_lengths(rng, 1.0, 150, "ewma", 300) < 13.0


@pytest.mark.slow
def test_average_run_lengths() -> None:
    rng = np.random.default_rng(4)
    assert 345 < run_lengths(rng, 0.0, 3000, "single") < 395  # 370.4 by theory
    assert 330 < run_lengths(rng, 0.0, 3000, "ewma") < 410
    assert 40 < run_lengths(rng, 1.0, 3000, "single") < 48  # 43.9 by theory
    assert 8.5 < run_lengths(rng, 1.0, 3000, "ewma") < 11.0


@pytest.mark.slow
def test_share_of_steady_series_that_show_a_signal() -> None:
    rng = np.random.default_rng(6)
    limits = runs = 0
    for _ in range(3000):
        x = rng.normal(size=36).tolist()
        rules = {s.rule for s in c.chart(x, c.baseline(x[:12])).signals}
        apart = any(c.shift(x[:12], x[i : i + 12]).side for i in (12, 24))
        limits += apart or bool(rules - {"eight-on-one-side"})
        runs += "eight-on-one-side" in rules
    assert 0.03 < limits / 3000 < 0.055
    assert 0.14 < runs / 3000 < 0.2


@pytest.mark.slow
@pytest.mark.parametrize(
    ("base", "year", "most"),
    [
        (6, 6, 0.002),
        (12, 12, 0.002),
        (12, 3, 0.002),
        (5, 3, 0.002),
        (6, 12, 0.0034),
        (6, 30, 0.005),
    ],
)
def test_share_of_steady_years_that_are_told_as_apart(base: int, year: int, most: float) -> None:
    rng = np.random.default_rng(11)
    x = rng.normal(size=(20_000, base + year)).tolist()
    assert sum(c.shift(one[:base], one[base:]).side != 0 for one in x) / len(x) < most


@pytest.mark.slow
def test_share_of_jumps_that_six_against_six_see() -> None:
    # by 10 standard deviations, as 0.02 to 0.05 mm with a scatter of 0.003 mm; and by 4
    rng = np.random.default_rng(12)
    for jump, least in ((10.0, 0.999), (4.0, 0.85)):
        x = rng.normal(size=(3000, 12))
        x[:, 6:] += jump
        seen = sum(c.shift(one[:6], one[6:]).side == 1 for one in x.tolist())
        assert seen / 3000 > least
