"""Second-order terms against exact variances of normal quantities and published examples."""

from __future__ import annotations

import math

import published
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.metrology.budget import Source
from sheetlab.metrology.montecarlo import Affine
from sheetlab.metrology.secondorder import SecondOrder, second_order

SIZES = st.floats(0.01, 5.0)


def _source(key: str, u: float) -> Source:
    return Source(key, key, "B", "normal", u)


def _found(model, **inputs: tuple[float, float]) -> SecondOrder:
    quantities = {key: Affine(value, {key: 1.0}) for key, (value, _) in inputs.items()}
    found = second_order(model, quantities, [_source(k, u) for k, (_, u) in inputs.items()])
    assert found is not None
    return found


@given(st.floats(-5.0, 5.0), SIZES)
def test_square_of_a_normal_quantity(x: float, u: float) -> None:
    found = _found(lambda q: q["x"] ** 2, x=(x, u))
    # exact: Var(X²) = 4 x² u² + 2 u⁴, E(X²) = x² + u²
    assert found.first == pytest.approx(2.0 * abs(x) * u, abs=1e-9 * (1 + u) ** 2)
    assert found.second == pytest.approx(math.sqrt(4 * x * x * u * u + 2 * u**4), rel=1e-9)
    assert found.shift == pytest.approx(u * u, rel=1e-6, abs=1e-12)


@given(st.floats(-5.0, 5.0), SIZES, st.floats(-5.0, 5.0), SIZES)
def test_product_of_two(x: float, u: float, y: float, v: float) -> None:
    found = _found(lambda q: q["x"] * q["y"], x=(x, u), y=(y, v))
    # exact for independent quantities of any distribution
    assert found.second == pytest.approx(
        math.sqrt((y * u) ** 2 + (x * v) ** 2 + (u * v) ** 2), rel=1e-9
    )
    assert found.shift == pytest.approx(0.0, abs=1e-9)


def test_reciprocal_square_by_its_series() -> None:
    # x^-2 at 1: f' = -2, f'' = 6, f''' = -24: u² = 4 u² + (18 + 48) u⁴, shift 3 u²
    u = 0.01
    found = _found(lambda q: q["x"] ** -2, x=(1.0, u))
    assert found.first == pytest.approx(2.0 * u, rel=1e-6)
    assert found.second == pytest.approx(math.sqrt(4 * u**2 + 66 * u**4), rel=1e-5)
    assert found.shift == pytest.approx(3.0 * u * u, rel=1e-3)
    assert found.first_is_enough


def test_mass_calibration() -> None:
    """JCGM 101:2008, 9.3: u with higher-order terms."""
    wanted = {
        what: value
        for what, value, _ in published.expected("jcgm_101.json", "9.3_mass_calibration")
    }
    nominal = 100_000.0

    def model(q):
        buoyancy = (q["rho_a"] - 1.2) * (1.0 / q["rho_w"] - 1.0 / q["rho_r"])
        return (q["m"] + q["dm"]) * (1.0 + buoyancy) - nominal

    found = _found(
        model,
        m=(100_000.0, 0.05), dm=(1.234, 0.02), rho_a=(1.2, 0.1 / math.sqrt(3.0)),
        rho_w=(8000.0, 1000.0 / math.sqrt(3.0)), rho_r=(8000.0, 50.0 / math.sqrt(3.0)),
    )  # fmt: skip
    assert found.first == pytest.approx(wanted["u, first-order GUM"], abs=5e-5)
    assert found.second == pytest.approx(wanted["u, GUM with higher-order terms"], abs=5e-4)
    assert not found.first_is_enough


def test_a_shared_source_is_moved_once() -> None:
    sources = [_source("z", 0.1)]
    both = {"a": Affine(3.0, {"z": 1.0}), "b": Affine(2.0, {"z": 1.0})}
    found = second_order(lambda q: (q["a"] - q["b"]) ** 2, both, sources)
    assert found is not None
    assert (found.first, found.second, found.shift) == pytest.approx((0.0, 0.0, 0.0), abs=1e-15)
    assert SecondOrder(0.0, 0.0, 0.0).first_is_enough


def test_a_model_that_is_not_defined_nearby() -> None:
    quantities = {"x": Affine(0.5, {"x": 1.0})}
    assert second_order(lambda q: q["x"] ** 0.5, quantities, [_source("x", 1.0)]) is None
