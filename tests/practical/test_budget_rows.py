"""Rows of a budget: what a person checks with a calculator, and with changed readings, holds."""

from __future__ import annotations

import math
from functools import cache

import pytest
from examples import WORKBOOKS, practical, typed

from sheetlab.metrology.budget import BudgetRow, budget_lines
from sheetlab.practical.evaluate import Evaluation, Numbers, evaluate_practical
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show

GROUPS = ("Avocet", "Fulmar", "Dunlin", "Sanderling", "Turnstone")


@cache
def found(group: str) -> tuple[Practical, Numbers, Evaluation]:
    one = WORKBOOKS[group]
    model = practical(one.practical, one.runs)
    numbers = Numbers(model, as_cells_show(model, typed(group)))
    return model, numbers, evaluate_practical(model, numbers.observations, numbers, trials=0)


def derivative(model: Practical, numbers: Numbers, result: str, row: BudgetRow) -> float:
    """Change of a result for a change of everything that has a source, by finite differences."""
    key, size = row.source.key, 1e-4 * row.source.standard_uncertainty
    if key.endswith(("#mean", "#rounding")):
        column = key.partition("(")[2].partition(")")[0]
        keys, relative = list(model.columns(column)), False
    else:
        keys = [
            k
            for k in (*model.inputs, *model.derived)
            if any(spec.key == key for spec in model.field(k).sources)
        ]
        relative = row.source.relative

    def moved(step: float) -> float:
        shifted = {}
        for k in keys:
            cells = numbers.cells(k)
            several = cells if isinstance(cells, list) else [cells]
            values = [None if v is None else v + step * (v if relative else 1.0) for v in several]
            shifted[k] = values if isinstance(cells, list) else values[0]
        value = Numbers(model, numbers.observations, math, shifted).value(result, None)
        assert value is not None
        return value

    return (moved(size) - moved(-size)) / (2.0 * size)


@pytest.mark.parametrize("group", GROUPS)
def test_sensitivities_are_derivatives(group: str) -> None:
    model, numbers, evaluation = found(group)
    seen = 0
    for result in evaluation.results:
        assert result is not None
        for row in result.budget.rows:
            token = row.source.key.rpartition("#")[2]
            if token in ("slope", "level", "halves"):
                continue
            slope = derivative(model, numbers, result.definition.quantity, row)
            assert row.sensitivity == pytest.approx(slope, rel=1e-4), row.source.label
            seen += 1
    assert seen > 5


def test_no_factor_hides_in_a_sensitivity() -> None:
    _, _, evaluation = found("Avocet")
    result = evaluation.measurand
    assert result is not None
    by = {row.source.label: abs(row.sensitivity) for row in result.budget.rows}
    of = "scatter of the repeats: "
    left = "rounding left in the mean: "
    assert by[f"{of}mean diameter"] == pytest.approx(by["permissible error: screw gauge"], rel=1e-9)
    assert by[f"{left}length"] == pytest.approx(by[f"{of}length"], rel=1e-9)
    # a mean of n readings: their standard deviation over √n
    rows = {row.source.label: row.source for row in result.budget.rows}
    assert rows[f"{of}zero error"].divisor == pytest.approx(math.sqrt(4.0), rel=1e-9)


@pytest.mark.parametrize("group", GROUPS)
def test_every_line_can_be_worked_out_from_itself(group: str) -> None:
    model, _, evaluation = found(group)
    for result in evaluation.results:
        assert result is not None
        scale = model.derived[result.definition.quantity].unit.factor
        lines = list(budget_lines(result.budget.rows, scale))
        total = math.hypot(*(line.contribution for line in lines))
        assert total * scale == pytest.approx(result.budget.standard_uncertainty, rel=1e-12)
        for line in lines:
            u = line.standard_uncertainty
            assert line.divided / line.divisor == pytest.approx(u, rel=1e-12)
            assert abs(line.sensitivity) * u == pytest.approx(line.contribution, rel=1e-12)
            assert (line.contribution / total) ** 2 == pytest.approx(line.share, rel=1e-12)
