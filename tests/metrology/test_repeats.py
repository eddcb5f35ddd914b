"""Repeated readings against certified means and standard deviations."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import published
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rounding import benches, counted
from scipy import stats

from sheetlab.metrology.repeats import repeats, rounded, step_read


@pytest.mark.parametrize(
    ("key", "tolerance"),
    [
        ("Lew", 1e-14),
        ("Mavro", 1e-12),
        ("NumAcc1", 1e-15),
        ("NumAcc2", 1e-14),
        # readings such as 1000000.1 are no exact doubles: their own rounding is 6e-10 of s
        ("NumAcc3", 1e-9),
    ],
)
def test_nist_certified_values(key: str, tolerance: float) -> None:
    # NIST StRD, univariate summary statistics (NumAcc3 is of average difficulty, the rest lower)
    case = published.case("nist_strd/nist_strd_univariate.json", key)
    (readings,) = published.columns(case["data_file"], "y")
    found = repeats(readings)
    deviation = float(case["certified"]["standard_deviation_n_minus_1"])
    assert found.mean == pytest.approx(float(case["certified"]["mean"]), rel=1e-15)
    assert found.deviation == pytest.approx(deviation, rel=tolerance)
    assert found.uncertainty == pytest.approx(deviation / math.sqrt(case["n"]), rel=tolerance)
    assert (found.n, found.dof) == (case["n"], case["n"] - 1)


@given(st.floats(-1e12, 1e12), st.integers(1, 30))
def test_constant_readings_have_exactly_no_scatter(reading: float, n: int) -> None:
    found = repeats([reading] * n)
    assert (found.mean, found.deviation, found.uncertainty) == (reading, 0.0, 0.0)
    assert found.dof == n - 1


@given(st.lists(st.integers(-1000, 1000), min_size=2, max_size=20), st.integers(-(10**6), 10**6))
def test_scatter_ignores_a_constant(readings: list[int], shift: int) -> None:
    plain, shifted = repeats(readings), repeats([r + shift for r in readings])
    assert shifted.mean - plain.mean == pytest.approx(shift, abs=1e-9)
    assert shifted.deviation == pytest.approx(plain.deviation, abs=1e-9)


def test_no_reading_is_refused() -> None:
    with pytest.raises(ValueError, match="no reading"):
        repeats([])


# -- rounded readings ----------------------------------------------------------------------------


@given(st.lists(st.integers(-3, 3), min_size=2, max_size=12), st.sampled_from([0.01, 0.5, 20.0]))
def test_rounded_readings_by_counting_divisions(divisions: list[int], step: float) -> None:
    readings = [k * step for k in divisions]
    deviation, rest = counted(readings, step)
    found = rounded(readings, step)
    assert found.deviation == pytest.approx(deviation, rel=1e-9, abs=1e-12 * step)
    assert found.rest == pytest.approx(rest, rel=1e-6, abs=1e-6 * step)


def test_readings_on_one_division() -> None:
    # three that agree: 95 % within 0.475 of a division; two or one: JCGM 100:2008, F.2.2.1
    assert 1.96 * rounded([2.13] * 3, 0.01).rest == pytest.approx(0.00475)
    assert rounded([2.13] * 2, 0.01).rest == pytest.approx(0.01 / math.sqrt(12.0))
    assert rounded([2.13] * 5, 0.0).rest == 0.0


def test_a_step_is_the_part_of_a_division_that_was_read() -> None:
    assert step_read([[2.13, 2.14], [2.16]], 0.01) == 0.01
    assert step_read([[2.13, 2.145]], 0.01) == 0.005
    assert step_read([[2.13, 2.134], [2.138]], 0.01) == 0.002
    assert step_read([[2.13, 2.133]], 0.01) == 0.001
    # a zero error that is no whole number of divisions moves all readings alike
    assert step_read([[2.1327, 2.1427]], 0.01) == 0.01
    # nothing fits: the division itself
    assert step_read([[2.13, 2.1327]], 0.01) == 0.01
    assert step_read([[]], 0.01) == 0.01


SCATTERS = (0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5)
EXPERIMENTS = 40_000
"""Standard error of a coverage near 95 %: 0.1 %."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What the rule does at one scatter, over all places of the true value."""

    coverage: float
    """Of the interval of one mean."""
    relative: float
    """Stated over true standard uncertainty, in quadrature."""
    difference: float
    """Coverage of a mean minus another mean (a zero), with as much again of a normal error."""


def judge(n: int, scatter: float) -> Judged:
    """Simulate; everything but the rule itself is plain numpy and scipy."""
    rng = np.random.default_rng((n, round(1000 * scatter)))

    @cache
    def rule(pattern: tuple[float, ...]) -> tuple[float, float]:
        found = rounded(pattern, 1.0)
        return found.deviation**2 / n, found.rest**2

    def means() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        readings, true = benches(rng, n, scatter, EXPERIMENTS)
        readings.sort(axis=1)
        patterns = map(tuple, (readings - readings[:, :1]).tolist())
        a, b = np.array([rule(pattern) for pattern in patterns]).T
        return readings.mean(axis=1) - true, a, b

    def covered(error: np.ndarray, u: np.ndarray, below: np.ndarray) -> float:
        dof = u**4 / np.maximum(below, 1e-12)
        return float(np.mean(np.abs(error) <= u * stats.t.ppf(0.975, np.minimum(dof, 1e6))))

    (e, a, b), (e_zero, a_zero, b_zero) = means(), means()
    u = np.sqrt(a + b)
    normal = 0.3
    both = np.sqrt(a + b + a_zero + b_zero + normal**2)
    return Judged(
        covered(e, u, a**2 / (n - 1)),
        math.sqrt(float(np.mean(u**2) / np.mean(e**2))),
        covered(
            e - e_zero + normal * rng.standard_normal(EXPERIMENTS),
            both,
            (a**2 + a_zero**2) / (n - 1),
        ),
    )


@pytest.mark.slow
def test_coverage_of_rounded_readings_at_every_scatter() -> None:
    """One mean, and a mean less a zero beside other errors, which is how a practical uses it.

    For one mean 95 % at no scatter and 94 % at wide scatter cannot go with 96 % between: with so
    quiet readings nearly all agree (5 readings: 77 % of benches at 0.1), and the interval that
    covers 95 % of a whole division covers all of them. What is gained against adding LC/√12 in
    full, or by the expected scatter: u/true 1.42 and 1.31 for five readings at 0.2 and 0.3.
    """
    found = {(n, s): judge(n, s) for n in (3, 5, 10) for s in SCATTERS}
    print(f"\n{'scatter':>24} " + " ".join(f"{s:5.2f}" for s in SCATTERS))
    for n in (3, 5, 10):
        rows = [found[n, s] for s in SCATTERS]
        for title, values in (
            ("one mean %", [100.0 * r.coverage for r in rows]),
            ("u / true", [r.relative for r in rows]),
            ("mean - zero + other %", [100.0 * r.difference for r in rows]),
        ):
            print(f"{n:2} {title:>21} " + " ".join(f"{v:5.2f}" for v in values))
    for (n, s), judged in found.items():
        assert judged.coverage >= (0.94 if n > 3 or s < 1.0 else 0.93), (n, s)
        if s >= 0.5:
            assert judged.coverage <= 0.98, (n, s)
            assert 0.94 <= judged.relative <= 1.06, (n, s)
        if s == 0.0 or s >= 0.8:
            assert judged.coverage <= 0.96, (n, s)
        assert judged.relative <= 1.38, (n, s)
        assert (0.94 if s >= 0.06 and n > 3 else 0.92) <= judged.difference <= 0.98, (n, s)
    # stated for the mean of five before: 1.42 and 1.31
    assert found[5, 0.2].relative <= 1.25
    assert found[5, 0.3].relative <= 1.18
