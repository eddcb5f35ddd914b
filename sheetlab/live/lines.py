"""Functions for cells: straight lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

from sheetlab.live.cells import Column, RefusedError, paired
from sheetlab.live.library import Argument, Block, Example, Function, Value, asked, part_of
from sheetlab.metrology.bothaxes import fit_line_both_errors
from sheetlab.metrology.curve import CurveFit, fit_polynomial
from sheetlab.metrology.line import fit_line, fit_through_origin, interval_differences

GROUP = "Lines"
_LINE = (
    "slope",
    "intercept",
    "u(slope)",
    "u(intercept)",
    "s(residuals)",
    "degrees of freedom",
    "r(slope, intercept)",
)
_COUNTS = ("points", "passed over")


def _block(labels: Sequence[str], values: Sequence[Value]) -> Block:
    return tuple(zip(labels, values, strict=True))


def _enough(rows: Sequence[object], needed: int, passed: int) -> None:
    if len(rows) < needed:
        also = f", and {passed} with a cell missing" if passed else ""
        raise RefusedError(f"{needed} points or more are needed; there are {len(rows)}{also}")


def _ordinary(x: Column, y: Column) -> Block:
    rows, passed = paired({"x": x, "y": y})
    _enough(rows, 3, passed)
    fit = asked(fit_line, *zip(*rows, strict=True))
    r = fit.covariance / (fit.u_slope * fit.u_intercept) if fit.u_slope else 0.0
    return _block(
        (*_LINE, *_COUNTS),
        (fit.slope, fit.intercept, fit.u_slope, fit.u_intercept, fit.residual_deviation,
         float(fit.dof), r, float(len(rows)), float(passed)),
    )  # fmt: skip


def _stated(fit: CurveFit, points: int, passed: int) -> Block:
    (intercept, slope), (u_intercept, u_slope) = fit.parameters, fit.uncertainties
    return _block(
        (*_LINE, "chi squared", *_COUNTS),
        (slope, intercept, u_slope, u_intercept, fit.residual_deviation, float(fit.dof),
         fit.correlation(0, 1), fit.chi_squared, float(points), float(passed)),
    )  # fmt: skip


def _weighted(x: Column, y: Column, u_y: Column) -> Block:
    rows, passed = paired({"x": x, "y": y, "u_y": u_y}, spread=("u_y",))
    _enough(rows, 3, passed)
    xs, ys, us = zip(*rows, strict=True)
    return _stated(asked(fit_polynomial, xs, ys, 1, us), len(rows), passed)


@lru_cache(maxsize=64)  # cells that choose one number each ask for the same line
def _both(x: Column, y: Column, u_x: Column, u_y: Column) -> Block:
    rows, passed = paired({"x": x, "y": y, "u_x": u_x, "u_y": u_y}, spread=("u_x", "u_y"))
    _enough(rows, 3, passed)
    if any(row[2] <= 0.0 for row in rows):
        raise RefusedError(
            "an uncertainty of x is not greater than 0; where x is exact use WEIGHTED_LINE"
        )
    return _stated(asked(fit_line_both_errors, *zip(*rows, strict=True)), len(rows), passed)


def _origin(x: Column, y: Column) -> Block:
    rows, passed = paired({"x": x, "y": y})
    _enough(rows, 2, passed)
    fit = asked(fit_through_origin, *zip(*rows, strict=True))
    return _block(
        ("slope", "u(slope)", "s(residuals)", "degrees of freedom", *_COUNTS),
        (fit.slope, fit.u_slope, fit.residual_deviation, float(fit.dof), float(len(rows)),
         float(passed)),
    )  # fmt: skip


def _value_at(x: Column, y: Column, x_new: float) -> Block:
    rows, passed = paired({"x": x, "y": y})
    _enough(rows, 3, passed)
    value, u = asked(fit_line, *zip(*rows, strict=True)).at(x_new)
    return _block(("y", "u(y)"), (value, u))


def _halves(x: Column, y: Column) -> Block:
    rows, passed = paired({"x": x, "y": y})
    _enough(rows, 4, passed)
    steps = [b - a for (a, _), (b, _) in pairwise(rows)]
    if min(steps) < 0.0 < max(steps):
        raise RefusedError("x has to rise or fall throughout: put the rows in its order")
    found = asked(interval_differences, *zip(*rows, strict=True))
    mean = math.fsum(found.differences) / len(found.differences)
    return _block(
        _HALVES,
        (found.slope, found.u_slope, float(found.dof), mean, found.interval,
         float(len(found.differences)), "yes" if found.first_dropped else "no", float(passed)),
    )  # fmt: skip


_HALVES = (
    "slope",
    "u(slope)",
    "degrees of freedom",
    "mean difference of y",
    "mean difference of x",
    "differences",
    "first left out",
    "passed over",
)

_PAIRS = "Pairs that lack a cell are passed over and counted."
_X = Argument("x", "Abscissas, such as loads.", "column")
_Y = Argument("y", "Readings at these abscissas, as many cells.", "column")
_U_Y = Argument("u_y", "Standard uncertainties of y; one cell stands for all.", "column")
_U_X = Argument("u_x", "Standard uncertainties of x; one cell stands for all.", "column")

_THERMOMETER = (
    (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511),
    (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160),
)
_H3 = "JCGM 100:2008, H.3"
_ABOVE_20 = tuple(round(t - 20.0, 3) for t in _THERMOMETER[0])
_NORRIS_X = (
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
)  # fmt: skip
_NORRIS_Y = (
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
)  # fmt: skip
_NORRIS = "NIST StRD, linear regression, Norris"
_NOINT = tuple(map(float, range(60, 71))), tuple(map(float, range(130, 141)))
_NOINT_SOURCE = "NIST StRD, linear regression, NoInt1"
_PEARSON = (
    (0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4),
    (5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5),
)
_YORK_X = tuple(w**-0.5 for w in (1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1))
_YORK_Y = tuple(w**-0.5 for w in (1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500))
_POINTS = "Points: K. Pearson, Phil. Mag. 2 (1901) 559; weights: D. York, Can. J. Phys. 44 (1966)"
_YORK_SOURCE = f"{_POINTS}; line: Neri et al., J. Phys. E 22 (1989) 215"
_YORK_U = f"{_POINTS}; u: York et al., Am. J. Phys. 72 (2004) 367"
_WEIGHTED_SOURCE = f"{_POINTS}, those of y alone; line recomputed with 40 digits"
_LOADS = ((0.0, 0.5, 1.0, 1.5, 2.0, 2.5), (1.00, 1.24, 1.51, 1.76, 2.01, 2.27))
_BY_HAND = "worked by hand, invented readings; method: common practice, no source"

ROWS = (
    Function(
        "STRAIGHT_LINE",
        "Straight line by least squares",
        "Slope and intercept of y on x, their standard uncertainties u and their correlation r, "
        f"from the scatter of the points about the line. {_PAIRS}",
        GROUP,
        (_X, _Y, part_of(*_LINE, *_COUNTS)),
        _ordinary,
        (
            Example((_NORRIS_X, _NORRIS_Y, "slope"), 1.00211681802045, _NORRIS, 12),
            Example((_NORRIS_X, _NORRIS_Y, "u(slope)"), 0.429796848199937e-3, _NORRIS, 12),
            Example((_NORRIS_X, _NORRIS_Y, "intercept"), -0.262323073774029, _NORRIS, 12),
            Example((_NORRIS_X, _NORRIS_Y, "u(intercept)"), 0.232818234301152, _NORRIS, 12),
            Example((_NORRIS_X, _NORRIS_Y, "s(residuals)"), 0.884796396144373, _NORRIS, 12),
            Example(
                (_ABOVE_20, _THERMOMETER[1], None),
                (
                    ("slope", 0.00218),
                    ("intercept", -0.1712),
                    ("u(slope)", 0.00067),
                    ("u(intercept)", 0.0029),
                    ("s(residuals)", 0.0035),
                    ("degrees of freedom", 9.0),
                    ("r(slope, intercept)", -0.930),
                    ("points", 11.0),
                    ("passed over", 0.0),
                ),
                f"{_H3} (x is the temperature above 20 °C)",
                (3, 4, 2, 2, 2, 12, 3, 12, 12),
            ),
        ),
    ),
    Function(
        "WEIGHTED_LINE",
        "Straight line, weighted by the uncertainties of y",
        "As STRAIGHT_LINE, each point weighted by 1/u². The uncertainties follow from the stated "
        "ones alone; chi squared near the degrees of freedom says that these explain the scatter. "
        f"{_PAIRS}",
        GROUP,
        (_X, _Y, _U_Y, part_of(*_LINE, "chi squared", *_COUNTS)),
        _weighted,
        (
            Example((*_PEARSON, _YORK_Y, "slope"), -0.610812956584, _WEIGHTED_SOURCE, 10),
            Example((*_PEARSON, _YORK_Y, "intercept"), 6.10010931667, _WEIGHTED_SOURCE, 10),
        ),
    ),
    Function(
        "BOTH_ERRORS_LINE",
        "Straight line with uncertainties in both coordinates",
        "As WEIGHTED_LINE, if x is uncertain too. The uncertainties follow from the stated ones "
        f"alone. {_PAIRS}",
        GROUP,
        (_X, _Y, _U_X, _U_Y, part_of(*_LINE, "chi squared", *_COUNTS)),
        _both,
        (
            Example((*_PEARSON, _YORK_X, _YORK_Y, "slope"), -0.480533407, _YORK_SOURCE, 9),
            Example((*_PEARSON, _YORK_X, _YORK_Y, "intercept"), 5.47991022, _YORK_SOURCE, 9),
            Example((*_PEARSON, _YORK_X, _YORK_Y, "u(slope)"), 0.057985, _YORK_U, 5),
            Example((*_PEARSON, _YORK_X, _YORK_Y, "u(intercept)"), 0.2949707, _YORK_U, 7),
        ),
    ),
    Function(
        "ORIGIN_LINE",
        "Straight line through the origin",
        f"Slope of y = slope · x and its standard uncertainty, from the scatter. {_PAIRS}",
        GROUP,
        (_X, _Y, part_of("slope", "u(slope)", "s(residuals)", "degrees of freedom", *_COUNTS)),
        _origin,
        (
            Example(
                (*_NOINT, None),
                (
                    ("slope", 2.07438016528926),
                    ("u(slope)", 0.0165289256198347),
                    ("s(residuals)", 3.56753034006338),
                    ("degrees of freedom", 10.0),
                    ("points", 11.0),
                    ("passed over", 0.0),
                ),
                _NOINT_SOURCE,
            ),
        ),
    ),
    Function(
        "LINE_VALUE_AT",
        "Value of a straight line at an abscissa",
        f"Ordinate of the line of STRAIGHT_LINE at x_new, and its standard uncertainty. {_PAIRS}",
        GROUP,
        (_X, _Y, Argument("x_new", "Abscissa at which it is wanted."), part_of("y", "u(y)")),
        _value_at,
        (
            Example((*_THERMOMETER, 30.0, "y"), -0.1494, _H3, 4),
            Example((*_THERMOMETER, 30.0, "u(y)"), 0.0041, _H3, 2),
        ),
    ),
    Function(
        "HALF_AND_HALF",
        "Slope from the differences of two halves",
        "The school method: readings of the second half minus those of the first, pair by pair; "
        "their mean over that of x is the slope. Of an odd number the first is left out. u(slope) "
        f"is from the scatter. {_PAIRS}",
        GROUP,
        (
            Argument("x", "Abscissas, such as loads, that rise or fall throughout.", "column"),
            _Y,
            part_of(*_HALVES),
        ),
        _halves,
        (
            Example(
                (*_LOADS, None),
                (
                    ("slope", 2.29 / 4.5),
                    ("u(slope)", 0.01 / 4.5),
                    ("degrees of freedom", 2.0),
                    ("mean difference of y", 2.29 / 3.0),
                    ("mean difference of x", 1.5),
                    ("differences", 3.0),
                    ("first left out", "no"),
                    ("passed over", 0.0),
                ),
                _BY_HAND,
            ),
        ),
    ),
)
