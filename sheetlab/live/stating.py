"""Functions for cells: stating a result, and comparing it with another."""

from __future__ import annotations

from sheetlab.live.cells import RefusedError
from sheetlab.live.library import Argument, Example, Function, asked
from sheetlab.metrology.agreement import e_n, percent_difference, zeta
from sheetlab.metrology.statement import state

GROUP = "Results"
FINEST = 1e12
"""A value that is so many times its uncertainty has more digits than a cell can hold."""
MOST_DIGITS = 2


def _stated(
    value: float, uncertainty: float, unit: str | None, digits: float | None, mark: str | None
) -> str:
    if uncertainty <= 0.0:
        raise RefusedError(f"uncertainty is {uncertainty:g}; it has to be greater than 0")
    if abs(value) / uncertainty > FINEST:
        raise RefusedError("the uncertainty is too small beside the value to be stated with it")
    if digits not in (None, 0.0, 1.0, 2.0):
        raise RefusedError(f"digits is {digits:g}; 1 or 2, or empty for the usual rule")
    return str(asked(state, value, uncertainty, unit or "", int(digits or 0), mark or "."))


def _not_negative(**values: float) -> None:
    for name, value in values.items():
        if value < 0.0:
            raise RefusedError(f"{name} is {value:g}; it cannot be less than 0")


def _e_n(value: float, expanded: float, accepted: float, accepted_expanded: float | None) -> float:
    other = accepted_expanded or 0.0
    _not_negative(expanded=expanded, accepted_expanded=other)
    return asked(e_n, value, expanded, accepted, other)


def _zeta(value: float, u: float, accepted: float, accepted_u: float | None) -> float:
    other = accepted_u or 0.0
    _not_negative(u=u, accepted_u=other)
    return asked(zeta, value, u, accepted, other)


_VALUE = Argument("value", "The result.")
_ACCEPTED = Argument("accepted", "The value that it is compared with, in the same unit.")
_LEAD = "data: CCQM-K30 final report, Metrologia 45 (2008) 08001; score recomputed"

ROWS = (
    Function(
        "STATED_RESULT",
        "Result with its uncertainty, as it is written down",
        "Value ± uncertainty as a text, both rounded to the same decimal place, with a power of "
        "ten where it helps. The usual rule for the digits of the uncertainty: two if it begins "
        "with 1 or 2, one otherwise (at most two: JCGM 100, 7.2.6).",
        GROUP,
        (
            _VALUE,
            Argument("uncertainty", "What stands after ±: standard, expanded or maximum."),
            Argument("unit", "Unit, as it shall be printed.", "text", True),
            Argument(
                "digits", "Digits of the uncertainty, 1 or 2 (empty: usual rule).", "number", True
            ),
            Argument("decimal_mark", "A point (usual) or a comma.", "text", True, (".", ",")),
        ),
        _stated,
        (
            Example(
                (100.02147, 0.00079, "g", 2.0, None),
                "(100.02147 ± 0.00079) g",
                "JCGM 100:2008, 7.2.4",
            ),
            Example(
                (1.0834e11, 4.9e9, "Pa", None, None),
                "(1.08 ± 0.05) × 10¹¹ Pa",
                "JCGM 100:2008, 7.2.6; number of digits: common practice, no source",
            ),
            Example(
                (9.8134, 0.0274, "m/s²", None, ","),
                "(9,813 ± 0,027) m/s²",
                "JCGM 100:2008, 7.2.6; number of digits: common practice, no source",
            ),
        ),
    ),
    Function(
        "PERCENT_DIFFERENCE",
        "Percentage difference from an accepted value",
        "100 (value − accepted) / |accepted|: positive above the accepted value, of either sign.",
        GROUP,
        (_VALUE, _ACCEPTED),
        lambda value, accepted: asked(percent_difference, value, accepted),
        (Example((9.75, 10.0), -2.5, "common practice, no source"),),
    ),
    Function(
        "EN_SCORE",
        "E_n number",
        "Difference over the combined expanded uncertainty (ISO 13528). Between −1 and 1 both "
        "values agree within their uncertainties.",
        GROUP,
        (
            _VALUE,
            Argument("expanded", "Expanded uncertainty of the result."),
            _ACCEPTED,
            Argument("accepted_expanded", "Its expanded uncertainty (empty: 0).", "number", True),
        ),
        _e_n,
        (
            Example((2.936, 0.025, 2.99, 0.06), -0.83077, f"{_LEAD} (NMIJ)", 5),
            Example((3.13, 0.12, 2.99, 0.06), 1.0435, f"{_LEAD} (LNE)", 5),
        ),
    ),
    Function(
        "ZETA_SCORE",
        "Zeta score",
        "Difference over the combined standard uncertainty (ISO 13528). Up to 2 in size is fine, "
        "from 3 on something is wrong.",
        GROUP,
        (
            _VALUE,
            Argument("u", "Standard uncertainty of the result."),
            _ACCEPTED,
            Argument("accepted_u", "Its standard uncertainty (empty: 0).", "number", True),
        ),
        _zeta,
        (Example((10.0, 0.3, 9.0, 0.4), 2.0, "worked by hand; formula of ISO 13528 from memory"),),
    ),
)
