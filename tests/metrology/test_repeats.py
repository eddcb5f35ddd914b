"""Repeated readings against certified means and standard deviations."""

from __future__ import annotations

import math

import published
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.metrology.repeats import repeats, scatter_holds_rounding


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


@pytest.mark.parametrize(
    ("deviation", "holds"), [(0.0, False), (0.00499, False), (0.00501, True), (0.02, True)]
)
def test_scatter_of_half_a_least_count_holds_the_rounding(deviation: float, holds: bool) -> None:
    # least count 0.01: the limit is 0.005 (common practice, no source)
    assert scatter_holds_rounding(deviation, 0.01 / math.sqrt(12.0)) is holds
