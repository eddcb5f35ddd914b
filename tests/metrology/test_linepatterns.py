"""Patterns of a line beside what is known beforehand of the scatter of its readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sheetlab.metrology.linepatterns import Explained, Observed, Usual, explain

FLOOR = 1.0 / math.sqrt(12.0)
"""Rounding to one division, the unit of y here."""
USUAL = Usual(1.2, 6.0, 2.0)


def told(y: np.ndarray, usual: Usual = USUAL) -> Explained:
    points = [Observed(0, row, float(row), float(value)) for row, value in enumerate(y)]
    found = explain(points, (False,), FLOOR, True, usual)
    assert found is not None
    return found


LINE = 100.0 + 30.0 * np.arange(7)
QUIET = np.array([0.4, -0.9, 0.7, 0.2, -1.1, 0.6, -0.1])


def test_a_few_points_own_scatter_is_no_measure() -> None:
    off = LINE + QUIET
    off[4] += 10.0
    nothing_known = told(off, Usual(0.0, 0.0))
    assert nothing_known.patterns == ()
    (pattern,) = told(off).patterns
    assert (pattern.kind, pattern.row) == ("point", 4)
    assert pattern.size == pytest.approx(10.0, abs=3.0 * pattern.u_size)
    # the size of one point of seven is known to about a division and the share of its line
    assert 1.0 < pattern.u_size < 2.0


def test_a_pattern_has_the_rivals_that_explain_as_well() -> None:
    # the last two leave the line a little and more: one reading, or the end that bends
    off = LINE + QUIET + np.array([0, 0, 0, 0, 0, 1.0, 9.0])
    (pattern, *_) = told(off).patterns
    kinds = {pattern.kind, *(one.kind for one in pattern.rivals)}
    assert {"point", "hinge"} <= kinds
    # what does not fit is no rival
    assert "step" not in {one.kind for one in pattern.rivals if one.row == 3}
    assert "bend" not in kinds


def test_points_that_scatter_evenly_far_beyond_the_usual_have_no_single_pattern() -> None:
    even = LINE + 4.0 * np.array([1.0, -1, 1, -1, 1, -1, 1])
    assert told(even).patterns == ()
    assert USUAL.implausible(4.0 * math.sqrt(7 / 5), 5)


def test_plausible_scatter_grows_with_fewer_points() -> None:
    # upper 0.1 % points of chi-squared: 20.515 for 5, 39.252 for 16 degrees of freedom (tables of
    # chi-squared, from memory)
    for dof, quantile in ((5, 20.515), (16, 39.252)):
        limit = 2.0 * math.sqrt(quantile / dof)
        assert not USUAL.implausible(0.999 * limit, dof)
        assert USUAL.implausible(1.001 * limit, dof)


@pytest.mark.slow
@pytest.mark.parametrize("ways", [1, 2])
@pytest.mark.parametrize(("scatter", "most"), [(0.3, 0.003), (1.0, 0.003), (1.5, 0.01)])
def test_clean_lines_hardly_ever_have_a_pattern(ways: int, scatter: float, most: float) -> None:
    rng = np.random.default_rng(5)
    count, alarms = 2000, 0
    for _ in range(count):
        rows = int(rng.integers(6, 11))
        points = [
            Observed(way, row, float(row), float(np.rint(y)))
            for way in range(ways)
            for row, y in enumerate(100 + 30 * np.arange(rows) + rng.normal(0, scatter, rows))
        ]
        found = explain(points, (False, True)[:ways], FLOOR, True, USUAL)
        assert found is not None
        alarms += any(abs(one.size) >= 3.0 for one in found.patterns)
    # three standard deviations of a count beside the stated share
    assert alarms <= most * count + 3.0 * math.sqrt(most * count)
