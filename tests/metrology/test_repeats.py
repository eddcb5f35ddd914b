"""Repeated readings against certified means and standard deviations."""

from __future__ import annotations

import math

import published
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rounding import of_rounded

from sheetlab.metrology.repeats import common_rounding, repeats


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


@pytest.mark.parametrize("sigma", [0.03, 0.1, 0.2, 0.3, 0.4])
def test_common_rounding_is_that_of_rounded_normal_readings(sigma: float) -> None:
    shown, error = of_rounded(sigma)
    resolution = 1.0 / math.sqrt(12.0)
    assert common_rounding(shown, resolution) * resolution == pytest.approx(error, rel=1e-5)


def test_common_rounding_runs_from_all_to_nothing() -> None:
    resolution = 0.01 / math.sqrt(12.0)
    assert common_rounding(0.0, resolution) == 1.0
    assert common_rounding(0.01, 0.0) == 1.0
    assert common_rounding(0.02, resolution) == 0.0
    found = [common_rounding(0.0001 * i, resolution) for i in range(1, 120)]
    assert found == sorted(found, reverse=True)
    # half a division of scatter holds nearly all of it
    assert common_rounding(0.005, resolution) < 0.05
