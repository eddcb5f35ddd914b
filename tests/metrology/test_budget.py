"""Uncertainty budgets against the examples of the guides."""

from __future__ import annotations

import math

import published
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.metrology.budget import (
    Budget,
    Distribution,
    Source,
    budget,
    coverage_factor,
    effective_dof,
    shrink_to_halve,
    student_t,
)


def _source(
    key: str, u: float, dof: float = math.inf, distribution: Distribution = "normal"
) -> Source:
    return Source(key, key, "B", distribution, u, dof)


class TestEndGauge:
    """JCGM 100:2008, H.1. From memory: all but the inputs, 32 nm and 93 nm; all recomputed."""

    CASE = "gum_annex_h.json", "H1_end_gauge"

    @pytest.fixture
    def found(self) -> Budget:
        g = published.case(*self.CASE)["inputs"]
        length, alpha, theta = (g[key]["value"] for key in ("l_S", "alpha_S", "theta_bar"))
        return budget(
            length + g["d0"]["value"],
            [
                *((_source(key, g[key]["u"], g[key]["dof"]), 1.0) for key in ("l_S", "d0", "d1")),
                (_source("d2", g["d2"]["u"], g["d2"]["dof"]), 1.0),
                (_source("d_alpha", 1e-6 / math.sqrt(3.0), g["d_alpha"]["dof"]), -length * theta),
                (_source("d_theta", 0.05 / math.sqrt(3.0), g["d_theta"]["dof"]), -length * alpha),
            ],
            probability=0.99,
        )

    def test_printed_values(self, found: Budget) -> None:
        part = {row.source.key: row.contribution for row in found.rows}
        u_d = math.hypot(part["d0"], part["d1"], part["d2"])
        dof_d = effective_dof([(5.8, 24), (3.9, 5), (6.7, 8)])
        computed = {
            "l": found.value,
            "u_c(l), first order": found.standard_uncertainty,
            "u(d)": u_d,
            # 25.4; the guide rounds u(d) to 9.7 nm before its fourth power
            "dof of d": dof_d * (9.7 / u_d) ** 4,
            "effective dof": found.effective_dof,
            "k = t_99(16)": found.coverage_factor,
            "U_99": found.expanded_uncertainty,
            # of the rounded 32 nm
            "relative u_c/l": round(found.standard_uncertainty) / found.value,
            "contribution d_theta": part["d_theta"],
            "contribution d_alpha": part["d_alpha"],
        }
        # second order, and θ, whose sensitivity is zero, are no part of a first-order budget
        left_out = {"u_c(l) with second-order terms", "u(theta)"}
        for what, value, tolerance in published.expected(*self.CASE):
            if what not in left_out:
                assert computed[what] == pytest.approx(value, abs=tolerance, rel=0.0), what

    def test_to_more_digits(self, found: Budget) -> None:
        # by hand: 25² + 5.8² + 3.9² + 6.7² + 2.88679² + 16.59878² = 31.66388²
        assert found.standard_uncertainty == pytest.approx(31.66388, abs=5e-6)
        assert found.effective_dof == pytest.approx(16.75, abs=5e-3)

    def test_degrees_of_freedom_are_truncated(self, found: Budget) -> None:
        assert found.coverage_factor == student_t(0.99, 16.0)

    def test_the_greatest_share_comes_first(self, found: Budget) -> None:
        assert [row.source.key for row in found.rows] == [
            "l_S",
            "d_theta",
            "d2",
            "d0",
            "d1",
            "d_alpha",
        ]
        assert math.fsum(row.share for row in found.rows) == pytest.approx(1.0, rel=1e-14)


def test_multiplicative_budget() -> None:
    # EURACHEM/CITAC QUAM:2012, example A1: c = 1000 m P / V, relative uncertainties add
    volume = [
        (Source("flask", "flask", "B", "triangular", 0.1 / math.sqrt(6.0)), 100.0),
        (Source("repeat", "filling", "A", "normal", 0.02), 100.0),
        (Source("temperature", "temperature", "B", "rectangular", 0.084 / math.sqrt(3.0)), 100.0),
    ]
    others = [
        (Source("m", "mass", "B", "normal", 0.05), 100.28),
        (Source("P", "purity", "B", "rectangular", 0.0001 / math.sqrt(3.0)), 0.9999),
    ]
    c = 1000.0 * 100.28 * 0.9999 / 100.0
    relative = [
        (Source(s.key, s.label, s.evaluation, s.distribution, s.standard_uncertainty / v), c)
        for s, v in (*volume, *others)
    ]
    found = budget(c, relative)
    part = {row.source.key: row.contribution for row in found.rows}
    computed = {
        "c": found.value,
        "u(c)": found.standard_uncertainty,
        "contribution m": part["m"],
        "contribution V": math.hypot(part["flask"], part["repeat"], part["temperature"]),
        "contribution P": part["P"],
    }
    for what, value, tolerance in published.expected("quam_a1.json", "A1_calibration_standard"):
        assert computed[what] == pytest.approx(value, abs=tolerance, rel=0.0), what
    assert math.isinf(found.effective_dof)
    assert found.coverage_factor == pytest.approx(1.959964, abs=1e-6)


@pytest.mark.parametrize("p", ["68.27", "90", "95", "95.45", "99", "99.73"])
def test_student_factors(p: str) -> None:
    # JCGM 100:2008, Table G.2, two decimals; the file's values are recomputed, not copied
    for row in published.rows("gum_table_g2_t.csv"):
        found = student_t(float(p) / 100.0, float(row["dof"]))
        assert f"{found:.2f}" == row[f"p{p}"], row["dof"]


@pytest.mark.parametrize("p", [0.5, 0.6827, 0.95, 0.99])
def test_student_factors_in_closed_form(p: float) -> None:
    # with one degree of freedom it is Cauchy's distribution; with two it is algebraic
    assert student_t(p, 1.0) == pytest.approx(math.tan(math.pi * p / 2.0), rel=1e-12)
    assert student_t(p, 2.0) == pytest.approx(p * math.sqrt(2.0 / (1.0 - p * p)), rel=1e-12)


@pytest.mark.parametrize(("p", "dof"), [(0.0, 5.0), (1.0, 5.0), (-0.1, 5.0), (0.95, 0.5)])
def test_student_factor_refuses(p: float, dof: float) -> None:
    with pytest.raises(ValueError, match="Student"):
        student_t(p, dof)


@pytest.mark.parametrize(
    ("dof", "used"), [(1.0, 1), (2.99, 2), (4.0, 4), (16.0 - 1e-12, 16), (0.7, 1), (25.99, 25)]
)
def test_coverage_factor_truncates(dof: float, used: int) -> None:
    assert coverage_factor(dof) == student_t(0.95, used)


def test_effective_dof() -> None:
    assert effective_dof([(2.0, 7.0)]) == pytest.approx(7.0, rel=1e-14)
    # n equal contributions of ν each have n ν together
    assert effective_dof([(3.0, 5.0)] * 4) == pytest.approx(20.0, rel=1e-14)
    assert math.isinf(effective_dof([(1.0, math.inf), (0.0, 3.0)]))
    # the fourth powers of these neither overflow nor vanish
    assert effective_dof([(3e100, 5.0)] * 4) == pytest.approx(20.0, rel=1e-14)
    assert effective_dof([(3e-100, 5.0)] * 4) == pytest.approx(20.0, rel=1e-14)
    # a contribution of certain size dilutes: (1 + 1)² / (1/5)
    assert effective_dof([(1.0, 5.0), (1.0, math.inf)]) == pytest.approx(20.0, rel=1e-14)


@given(st.lists(st.tuples(st.floats(0.1, 10.0), st.integers(1, 50)), min_size=1, max_size=6))
def test_effective_dof_lies_between_the_least_and_the_sum(parts: list[tuple[float, int]]) -> None:
    # JCGM 100:2008, G.4.1
    found = effective_dof(parts)
    low, high = min(dof for _, dof in parts), sum(dof for _, dof in parts)
    assert low * (1.0 - 1e-12) <= found <= high * (1.0 + 1e-12)


def test_a_result_without_uncertainty() -> None:
    found = budget(5.0, [(_source("a", 0.0, 3.0), 2.0)])
    assert (found.standard_uncertainty, found.expanded_uncertainty) == (0.0, 0.0)
    assert [row.share for row in found.rows] == [0.0]


@pytest.mark.parametrize(
    ("distribution", "ratio"),
    [("rectangular", 3.0**0.5), ("triangular", 6.0**0.5), ("normal", 1.0), ("t", 1.0)],
)
def test_half_width(distribution: Distribution, ratio: float) -> None:
    # JCGM 100:2008, 4.3.7 and 4.3.9
    half_width = _source("a", 0.2, distribution=distribution).half_width
    assert half_width == pytest.approx(0.2 * ratio, rel=1e-15)


@given(st.floats(0.751, 1.0), st.floats(0.1, 10.0))
def test_the_factor_found_halves_the_uncertainty(share: float, u: float) -> None:
    rest = u * math.sqrt((1.0 - share) / share)
    factor = shrink_to_halve(share)
    assert factor is not None
    assert math.hypot(u * factor, rest) == pytest.approx(math.hypot(u, rest) / 2.0, rel=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.75])
def test_a_small_share_cannot_halve(share: float) -> None:
    assert shrink_to_halve(share) is None
