"""The quick operations of numbers that know their sources, against the package itself."""

from __future__ import annotations

import itertools
import operator
from collections.abc import Callable
from typing import Any

import pytest
from uncertainties import ufloat, umath

from sheetlab.practical.affine import Independent, combined

FOUR = (operator.add, operator.sub, operator.mul, operator.truediv)
VALUES = (3.0, -0.7, 1e-160)


def _worked_out(make: Callable[[float, float, str], Any], steps: tuple[Any, ...]) -> Any:
    """A number by some operations: of two sources, a float on either side, a function, a power."""
    first, second, third = steps
    x, y = make(1.3, 0.2, "x"), make(-2.1, 0.1, "y")
    found = first(first(2.5, x), second(y, 0.3))
    found = second(umath.sqrt(found * found + 1.0), third(found, x))
    return third(third(1.7, found**2), -found)


@pytest.mark.parametrize("steps", list(itertools.product(FOUR, repeat=3)))
def test_operations_are_those_of_the_package_to_the_last_bit(steps: tuple[Any, ...]) -> None:
    ours, theirs = (_worked_out(make, steps) for make in (Independent, ufloat))
    assert ours.nominal_value == theirs.nominal_value
    assert ours.std_dev == theirs.std_dev
    slopes = [[(v.tag, c) for v, c in one.derivatives.items()] for one in (ours, theirs)]
    assert slopes[0] == slopes[1]


@pytest.mark.parametrize("value", VALUES)
@pytest.mark.parametrize("function", FOUR)
def test_odd_numbers_do_what_they_do_in_the_package(function: Any, value: float) -> None:
    def of(make: Any, *order: int) -> Any:
        try:
            pair = (value, make(0.0, 0.1, "x"))
            found = function(*(pair[i] for i in order))
        except ArithmeticError as error:
            return type(error)
        return found.nominal_value, [repr(c) for c in found.derivatives.values()]

    for order in ((0, 1), (1, 0), (1, 1)):
        assert of(Independent, *order) == of(ufloat, *order)


def test_a_sum_of_sources_has_their_sensitivities() -> None:
    x, y = Independent(0.0, 0.3, "x"), Independent(0.0, 0.4, "y")
    assert combined(5.0, {x: 1.0, y: -1.0}).std_dev == pytest.approx(0.5, rel=1e-15)
    assert (combined(5.0, {x: 2.0}) - 2.0 * x).std_dev == 0.0
