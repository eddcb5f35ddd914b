"""Compare a result with an accepted value."""

from __future__ import annotations

import math
from typing import Literal

Verdict = Literal["agrees", "between", "differs", "open"]
"""A result beside an accepted value: within its own uncertainty; beyond that, but books differ by
as much; differs from every book; too uncertain to say anything."""
VAGUE = 0.5
"""Expanded uncertainty, as a part of the accepted value, above which agreement says nothing (a rule
of this project: such a result agrees with half of the value and with one and a half of it)."""


def percent_difference(value: float, accepted: float) -> float:
    """100 (value - accepted) / |accepted|, a pure number (common practice, no source).

    Positive above the accepted value, of either sign. Some books print the opposite sign, so
    results say "above" or "below" beside it.

    Parameters
    ----------
    value, accepted
        Result and accepted value, in one unit.

    Raises
    ------
    ValueError
        If the accepted value is zero.
    """
    if accepted == 0.0:
        raise ValueError("no percentage of an accepted value of zero")
    return 100.0 * (value - accepted) / abs(accepted)


def e_n(value: float, expanded: float, accepted: float, accepted_expanded: float = 0.0) -> float:
    """Difference over the combined expanded uncertainty, a pure number; |E_n| <= 1 agrees.

    The E_n number of ISO 13528 (formula from memory).

    Parameters
    ----------
    value, expanded, accepted, accepted_expanded
        Result and accepted value, each with its expanded uncertainty, all in one unit.

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
    """Zeta score: difference over the combined standard uncertainty, a pure number.

    ISO 13528 (from memory): |zeta| up to 2 is fine, from 3 on calls for action.

    Parameters
    ----------
    value, u, accepted, accepted_u
        Result and accepted value, each with its standard uncertainty, all in one unit.

    Raises
    ------
    ValueError
        If both uncertainties are zero.
    """
    total = math.hypot(u, accepted_u)
    if total == 0.0:
        raise ValueError("zeta needs an uncertainty")
    return (value - accepted) / total


def verdict(value: float, expanded: float, accepted: float, spread: float = 0.0) -> Verdict:
    """What a comparison with an accepted value says.

    That books differ is no uncertainty of the accepted value which could be combined with that of
    the result, and which would let everything pass that lies anywhere among them.

    Parameters
    ----------
    value, expanded, accepted
        Result with its expanded uncertainty, and accepted value, in one unit.
    spread
        How far the values of books lie from the accepted one, in that unit.

    Raises
    ------
    ValueError
        If there is no uncertainty, or the accepted value is zero.
    """
    if not expanded > 0.0 or accepted == 0.0:
        raise ValueError("a comparison needs an uncertainty and an accepted value")
    distance = abs(value - accepted)
    if distance <= expanded:
        # a wide uncertainty takes the sense from an agreement, not from what differs in spite of it
        return "open" if vague(expanded, accepted) else "agrees"
    return "between" if distance <= expanded + spread else "differs"


def vague(expanded: float, value: float) -> bool:
    """Whether a result is so uncertain that it agrees with nearly anything of the size of a value.

    Parameters
    ----------
    expanded, value
        Expanded uncertainty of the result and a value to compare with, in one unit.
    """
    return expanded > VAGUE * abs(value)
