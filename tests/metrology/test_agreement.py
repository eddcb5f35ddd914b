"""Comparison with an accepted value."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.metrology.agreement import e_n, percent_difference, vague, verdict


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


@pytest.mark.parametrize(
    ("value", "expanded", "spread", "found"),
    [
        # g of three groups against 9.81 that books do not differ about
        (9.82, 0.05, 0.0, "agrees"),
        (9.71, 0.05, 0.0, "differs"),
        # (5 ± 8) agrees with nearly anything
        (5.0, 8.0, 0.0, "open"),
        (9.81, 5.0, 0.0, "open"),
        # loads typed in g for kg: a thousand times the accepted value, U 3.3 % of the result
        (9810.0, 324.0, 0.0, "differs"),
        (-9.81, 6.0, 0.0, "differs"),
        # books from 8.8 to 10.8 do not make a result agree that its own uncertainty does not
        (9.0, 0.05, 1.0, "between"),
        (9.79, 0.05, 1.0, "agrees"),
        (8.7, 0.05, 1.0, "differs"),
        (8.78, 0.05, 1.0, "between"),
    ],
)
def test_verdict(value: float, expanded: float, spread: float, found: str) -> None:
    assert verdict(value, expanded, 9.81, spread) == found


@given(st.floats(0.1, 100.0), st.floats(0.0, 50.0), st.floats(0.001, 100.0))
def test_a_range_of_books_never_makes_a_result_agree(
    value: float, spread: float, expanded: float
) -> None:
    found = verdict(value, expanded, 10.0, spread)
    alone = verdict(value, expanded, 10.0)
    assert (found == "agrees") == (alone == "agrees")
    assert (found == "agrees") == (abs(value - 10.0) <= expanded and not vague(expanded, 10.0))


@pytest.mark.parametrize(("expanded", "accepted"), [(0.0, 1.0), (float("nan"), 1.0), (0.1, 0.0)])
def test_no_verdict_without_an_uncertainty(expanded: float, accepted: float) -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        verdict(1.0, expanded, accepted)
