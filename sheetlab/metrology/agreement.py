"""Compare a result with an accepted value."""

from __future__ import annotations

import math


def percent_difference(value: float, accepted: float) -> float:
    """100 (value - accepted) / accepted: positive if the value is above the accepted one.

    Some books print the opposite sign, so results say "above" or "below" beside it.

    Raises
    ------
    ValueError
        If the accepted value is zero.
    """
    if accepted == 0.0:
        raise ValueError("no percentage of an accepted value of zero")
    return 100.0 * (value - accepted) / accepted


def e_n(value: float, expanded: float, accepted: float, accepted_expanded: float = 0.0) -> float:
    """Difference in units of the combined expanded uncertainty; |E_n| <= 1 agrees.

    The E_n number of ISO 13528 (value from memory); uncertainties are expanded ones, same unit.

    Raises
    ------
    ValueError
        If both uncertainties are zero.
    """
    total = math.hypot(expanded, accepted_expanded)
    if total == 0.0:
        raise ValueError("E_n needs an uncertainty")
    return (value - accepted) / total


def zeta(value: float, u: float, accepted: float, accepted_u: float) -> float:
    """Zeta score: difference in units of the combined standard uncertainty.

    ISO 13528 (from memory): |zeta| up to 2 is fine, from 3 on calls for action.

    Raises
    ------
    ValueError
        If both uncertainties are zero.
    """
    total = math.hypot(u, accepted_u)
    if total == 0.0:
        raise ValueError("zeta needs an uncertainty")
    return (value - accepted) / total
