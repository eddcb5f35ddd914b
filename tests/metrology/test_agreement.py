"""Comparison with an accepted value."""

from __future__ import annotations

import pytest

from sheetlab.metrology.agreement import e_n, percent_difference


@pytest.mark.parametrize(
    ("value", "accepted", "percent"),
    [(10.2, 10.0, 2.0), (9.5, 10.0, -5.0), (9.81, 9.81, 0.0), (-11.0, -10.0, -10.0)],
)
def test_percent_difference(value: float, accepted: float, percent: float) -> None:
    assert percent_difference(value, accepted) == pytest.approx(percent, rel=1e-12)


def test_no_percentage_of_zero() -> None:
    with pytest.raises(ValueError, match="zero"):
        percent_difference(1.0, 0.0)


@pytest.mark.parametrize(
    ("value", "expanded", "accepted", "accepted_expanded", "found"),
    [
        (10.5, 0.3, 10.0, 0.4, 1.0),
        (9.0, 0.5, 10.0, 0.0, -2.0),
        (10.0, 0.0, 10.3, 0.6, -0.5),
    ],
)
def test_e_n(
    value: float, expanded: float, accepted: float, accepted_expanded: float, found: float
) -> None:
    # the E_n number of ISO 13528, formula from memory: 0.3 and 0.4 combine to 0.5
    assert e_n(value, expanded, accepted, accepted_expanded) == pytest.approx(found, rel=1e-12)


def test_e_n_needs_an_uncertainty() -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        e_n(1.0, 0.0, 2.0)
