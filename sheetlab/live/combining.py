"""Functions for cells: uncertainties of type B, their combination, coverage factors."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from sheetlab.formula.functions import FUNCTIONS, Elementwise
from sheetlab.formula.tree import FormulaError, Node, names, parse
from sheetlab.formula.values import Given, evaluate
from sheetlab.live.cells import Column, RefusedError, Table, alike, shown
from sheetlab.live.library import Argument, Block, Example, Function, part_of
from sheetlab.metrology.budget import (
    COVERAGE_PROBABILITY,
    DIVISORS,
    coverage_factor,
    effective_dof,
)

GROUP = "Uncertainty"
SHAPES = ("rectangular", "triangular")
KNOWN = frozenset(name for name, one in FUNCTIONS.items() if isinstance(one, Elementwise))
MOST_NAMES = 100
_SIGNS = str.maketrans(
    {"π": "pi", "²": "^2", "³": "^3", "×": "*", "·": "*", "⋅": "*", "÷": "/", "−": "-", "–": "-"}
)


def _type_b(half_width: float, shape: str | None) -> float:
    if half_width < 0.0:
        raise RefusedError(f"half_width is {half_width:g}; it cannot be less than 0")
    return half_width / DIVISORS[shape or "rectangular"]


@lru_cache(maxsize=256)
def _tree(formula: str) -> Node:
    try:
        return parse(formula.translate(_SIGNS).lstrip("= "), KNOWN)
    except FormulaError as error:
        # what was typed, not what was made of it
        part = shown(formula) if error.part == error.text else error.part
        raise RefusedError(str(FormulaError(shown(formula), part, error.reason))) from error


def _named(cells: Table) -> list[str]:
    flat = [cell for row in cells for cell in row]
    while flat and flat[-1] is None:
        flat.pop()
    found: list[str] = []
    for k, cell in enumerate(flat, 1):
        if cell is None:
            raise RefusedError(f"cell {k} of names is empty: leave no gap between names")
        if not isinstance(cell, str):
            raise RefusedError(f"cell {k} of names is no name")
        # Python's parser takes letters that look alike for one
        name = unicodedata.normalize("NFKC", cell.strip())
        if not name.isidentifier():
            raise RefusedError(f"“{shown(cell)}” is no name: letters, digits and _, a letter first")
        if name == "pi" or name in KNOWN:
            raise RefusedError(f"“{name}” has a meaning of its own in formulas; use another name")
        if name in found:
            raise RefusedError(f"the name {name} is there twice")
        found.append(name)
    if len(found) > MOST_NAMES:
        raise RefusedError(f"{len(found)} names; {MOST_NAMES} are the most")
    return found


def _sensitivities(
    formula: str, cells: Table, values: Column, errors: Column | None, what: str
) -> tuple[float, dict[str, float]]:
    """Value of a formula, and for each name its contribution: |derivative| × error."""
    keys = _named(cells)
    places: Column = tuple(map(float, range(len(keys))))
    columns = {"names": places, "values": values, what: errors or (None,)}
    _, its_values, its_errors = alike(columns, spread=(what,)).values()
    given: dict[str, tuple[float, float]] = {}
    for name, value, error in zip(keys, its_values, its_errors, strict=True):
        if value is None:
            raise RefusedError(f"{name} has no value")
        if error is not None and error < 0.0:
            raise RefusedError(f"{name} has {error:g} in {what}; it cannot be less than 0")
        given[name] = value, error or 0.0
    node = _tree(formula)
    for key in names(node):
        if key not in given:
            raise RefusedError(f"{shown(key)} stands in the formula, and not among the names")
    return _derived(node, given)


def _derived(
    node: Node, given: Mapping[str, tuple[float, float]]
) -> tuple[float, dict[str, float]]:
    from uncertainties import ufloat, umath

    plain: dict[str, Any] = {name: value for name, (value, _) in given.items()}
    value = evaluate(node, Given(plain))
    if value is None or isinstance(value, bool):
        raise RefusedError("the formula gives no number at these values")
    # unit errors, so that the derivatives are the contributions
    variables = {name: ufloat(v, 1.0) for name, (v, error) in given.items() if error}
    result: Any = evaluate(node, Given({**plain, **variables}, umath))
    if result is None:
        raise RefusedError("the formula has no slope at these values")
    slopes = getattr(result, "derivatives", {})
    found = {}
    for name, (_, error) in given.items():
        slope = float(slopes.get(variables[name], 0.0)) if error else 0.0
        if not math.isfinite(slope):
            raise RefusedError(f"the formula has no finite slope in {name} at these values")
        found[name] = abs(slope) * error
    return float(value), found


def _relative(error: float, value: float) -> float | str:
    return 100.0 * error / abs(value) if value else "none of a value of 0"


def _combine(formula: str, cells: Table, values: Column, uncertainties: Column | None) -> Block:
    value, parts = _sensitivities(formula, cells, values, uncertainties, "uncertainties")
    u = math.hypot(*parts.values())
    return (
        ("value", value),
        ("u", u),
        ("u in %", _relative(u, value)),
        *((f"% from {n}", 100.0 * (part / u) ** 2 if u else 0.0) for n, part in parts.items()),
    )


def _maximum(formula: str, cells: Table, values: Column, errors: Column | None) -> Block:
    value, parts = _sensitivities(formula, cells, values, errors, "maximum_errors")
    total = math.fsum(parts.values())
    return (
        ("value", value),
        ("maximum error", total),
        ("maximum error in %", _relative(total, value)),
        *((f"% from {n}", 100.0 * part / total if total else 0.0) for n, part in parts.items()),
    )


def _effective(contributions: Column, its_dof: Column | None) -> float:
    columns = {"contributions": contributions, "dof": its_dof or (None,)}
    parts = []
    for k, (part, its_own) in enumerate(
        zip(*alike(columns, spread=("dof",)).values(), strict=True)
    ):
        if part is None:
            continue
        if its_own is not None and its_own <= 0.0:
            raise RefusedError(f"cell {k + 1} of dof is {its_own:g}; more than 0 is due")
        parts.append((part, math.inf if its_own is None else its_own))
    found = effective_dof(parts)
    if math.isinf(found):
        raise RefusedError("no part has a limited number; call COVERAGE_FACTOR without dof")
    return found


def _coverage(dof: float | None, probability: float | None) -> float:
    p = COVERAGE_PROBABILITY if probability is None else probability
    if not 0.0 < p < 1.0:
        raise RefusedError(f"probability is {p:g}; it lies between 0 and 1, such as 0.95")
    if dof is not None and dof < 1.0:
        raise RefusedError(f"dof is {dof:g}; 1 is the least")
    return coverage_factor(math.inf if dof is None else dof, p)


_NAMES = Argument("names", "Names in the formula, one a cell, such as m, V or d_1.", "table")
_VALUES = Argument("values", "Their values, in the same order.", "column")
_FORMULA = Argument(
    "formula", f"A text such as 4*m/(pi*d^2*h). Functions: {', '.join(sorted(KNOWN))}.", "text"
)
_QUAM = (
    "1000*m*P/(V+V_rep+V_T)",
    ("m", "P", "V", "V_rep", "V_T"),
    (100.28, 0.9999, 100.0, 0.0, 0.0),
    (0.05, 0.0001 / math.sqrt(3.0), 0.1 / math.sqrt(6.0), 0.02, 0.084 / math.sqrt(3.0)),
)
_QUAM_SOURCE = "EURACHEM/CITAC QUAM:2012, example A1 (in mg, ml and mg/l)"
_BLOCK = (
    "m/(a*b*c)",
    ("m", "a", "b", "c"),
    (200.0, 5.0, 4.0, 2.0),
    (1.0, 0.01, 0.01, 0.01),
)
_BY_HAND = "worked by hand: 0.5 % + 0.2 % + 0.25 % + 0.5 % = 1.45 % of 5; common practice"
_G4 = "JCGM 100:2008, G.4.1, example (from memory; agreement confirms it)"

ROWS = (
    Function(
        "TYPE_B_UNCERTAINTY",
        "Standard uncertainty from limits",
        "Half-width of the limits ± a over √3 (rectangular: anything in between is as likely) or "
        "√6 (triangular: the middle is likelier). For the rounding of a scale the half-width is "
        "half a division.",
        GROUP,
        (
            Argument("half_width", "Half the distance of the limits, such as half a division."),
            Argument("shape", "rectangular (usual) or triangular.", "text", True, SHAPES),
        ),
        _type_b,
        (
            Example((0.40, None), 0.23, "JCGM 100:2008, 4.3.7, example 1", 2),
            Example((0.5, "rectangular"), 0.29, "JCGM 100:2008, F.2.2.1", 2),
            Example((0.1, "triangular"), 0.04, "EURACHEM/CITAC QUAM:2012, example A1", 1),
        ),
    ),
    Function(
        "COMBINE_FORMULA",
        "Result of a formula and its combined standard uncertainty",
        "Value of the formula, its standard uncertainty u to first order, and the part of u² that "
        "comes from each name, in per cent. The names are taken to be independent; a name with an "
        "empty uncertainty counts as exact.",
        GROUP,
        (
            _FORMULA,
            _NAMES,
            _VALUES,
            Argument(
                "uncertainties",
                "Their standard uncertainties u; empty: exact. One cell stands for all.",
                "column",
                True,
            ),
            part_of(),
        ),
        _combine,
        (
            Example((*_QUAM, "value"), 1002.7, _QUAM_SOURCE, 5),
            Example((*_QUAM, "u"), 0.84, _QUAM_SOURCE, 2),
            Example(
                (*_QUAM, None),
                (
                    ("value", 1002.6997),
                    ("u", 0.835199),
                    ("u in %", 0.0832950),
                    ("% from m", 35.8322),
                    ("% from P", 0.480537),
                    ("% from V", 24.0221),
                    ("% from V_rep", 5.76530),
                    ("% from V_T", 33.8999),
                ),
                f"{_QUAM_SOURCE}; more digits recomputed",
                (8, 6, 6, 6, 6, 6, 6, 6),
            ),
        ),
    ),
    Function(
        "MAXIMUM_ERROR",
        "Result of a formula and its maximum error",
        "The school rule: value of the formula, and the sum of what each maximum error can do to "
        "it, all in the same sense, with the part of each name in per cent. For products and "
        "powers that is the sum of percentage errors times powers.",
        GROUP,
        (
            _FORMULA,
            _NAMES,
            _VALUES,
            Argument(
                "maximum_errors",
                "Their maximum errors; empty: exact. One cell stands for all.",
                "column",
                True,
            ),
            part_of(),
        ),
        _maximum,
        (
            Example((*_BLOCK, "value"), 5.0, _BY_HAND),
            Example((*_BLOCK, "maximum error"), 0.0725, _BY_HAND),
            Example((*_BLOCK, "% from m"), 100.0 * 0.5 / 1.45, _BY_HAND),
        ),
    ),
    Function(
        "EFFECTIVE_DOF",
        "Effective degrees of freedom",
        "Welch-Satterthwaite formula for a combined uncertainty. An empty number of degrees of "
        "freedom stands for a part that is known well (infinite).",
        GROUP,
        (
            Argument("contributions", "Parts of the uncertainty of the result.", "column"),
            Argument(
                "dof", "Of each part; empty: infinite. One cell stands for all.", "column", True
            ),
        ),
        _effective,
        (Example(((0.25, 0.57, 0.82), (9.0, 4.0, 14.0)), 19.0, _G4, 3),),
    ),
    Function(
        "COVERAGE_FACTOR",
        "Coverage factor",
        "Student's t for degrees of freedom (whole ones count) and a probability. Expanded "
        "uncertainty = this factor × standard uncertainty.",
        GROUP,
        (
            Argument("dof", "1 or more; empty: infinite.", "number", True),
            Argument("probability", "Coverage probability (usual: 0.95).", "number", True),
        ),
        _coverage,
        (
            Example((16.0, 0.99), 2.92, "JCGM 100:2008, H.1.6 and Table G.2", 3),
            Example((9.0, None), 2.26, "JCGM 100:2008, Table G.2", 3),
            Example((None, 0.95), 1.96, "JCGM 100:2008, Table G.2", 3),
        ),
    ),
)
