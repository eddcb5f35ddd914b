"""Probabilities and quantiles, against scipy where scipy has all its digits."""

from __future__ import annotations

import math

import pytest
from scipy import special, stats

from sheetlab.metrology.distributions import (
    binomial_tail,
    chi_squared_quantile,
    chi_squared_tail,
    fisher_quantile,
    fisher_tail,
    normal_tail,
    student_quantile,
    student_tail,
)

DOFS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0, 29.5, 50.0, 333.0, 1e3, 1e4, 1e5, 1e6)
TAILS = (0.4, 0.25, 0.1, 0.05, 0.025, 0.02275, 0.005, 1e-3, 1e-4, 1e-6, 1e-9)


def close(value: float) -> object:
    return pytest.approx(value, rel=1e-12, abs=1e-290)


@pytest.mark.parametrize("dof", DOFS)
def test_student(dof: float) -> None:
    for tail in TAILS:
        assert student_quantile(tail, dof) == close(-special.stdtrit(dof, tail))
    for t in (0.01, 0.3, 1.0, 1.96, 2.5, 4.0, 7.0, 20.0):
        assert student_tail(t, dof) == close(special.stdtr(dof, -t))
        assert student_tail(-t, dof) == close(special.stdtr(dof, t))


def test_student_of_infinite_degrees_is_normal() -> None:
    for tail in TAILS:
        assert student_quantile(tail, math.inf) == close(-special.ndtri(tail))
        # the difference is of the order of 1 / dof
        assert student_quantile(tail, 1e15) == close(-special.ndtri(tail))
    for z in (-2.0, 0.0, 1.0, 3.0):
        assert normal_tail(z) == close(special.ndtr(-z))
        assert student_tail(z, math.inf) == close(special.ndtr(-z))


@pytest.mark.parametrize("dof", DOFS)
def test_chi_squared(dof: float) -> None:
    for tail in (0.999, 0.9, 0.5, *TAILS):
        assert chi_squared_quantile(tail, dof) == close(special.chdtri(dof, tail))
        value = special.chdtri(dof, tail)
        # ever less than a digit a decade of dof is lost where the value itself is rounded
        assert chi_squared_tail(value, dof) == pytest.approx(tail, rel=1e-11)
    assert chi_squared_tail(0.0, dof) == 1.0


@pytest.mark.parametrize("above", DOFS[::2])
@pytest.mark.parametrize("below", DOFS[::3])
def test_fisher(above: float, below: float) -> None:
    for tail in (0.9, 0.5, 0.05, 1e-3, 1e-5):
        f = fisher_quantile(tail, above, below)
        # scipy loses digits where one of the degrees is large and the other small
        assert f == pytest.approx(stats.f.isf(tail, above, below), rel=1e-9)
        assert fisher_tail(f, above, below) == pytest.approx(tail, rel=1e-11)
    assert fisher_tail(0.0, above, below) == 1.0
    assert fisher_tail(math.inf, above, below) == 0.0


def test_fisher_with_one_degree_above_is_student_squared() -> None:
    for dof in DOFS:
        for tail in TAILS:
            assert fisher_quantile(2.0 * tail, 1.0, dof) == close(special.stdtrit(dof, tail) ** 2)


def test_binomial() -> None:
    for trials in (1, 20, 100, 1000):
        for least in {0, 1, trials // 5, trials // 4, trials // 2, trials}:
            expected = special.bdtrc(least - 1, trials, 0.2) if least else 1.0
            assert binomial_tail(least, trials, 0.2) == close(expected)
