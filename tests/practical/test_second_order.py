"""Results whose first order is nothing, or not enough: the second order and the trials decide."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sheetlab.checks.assess import assess
from sheetlab.checks.record import record
from sheetlab.checks.wording import Words
from sheetlab.finding import Severity
from sheetlab.practical.evaluate import evaluate_practical
from sheetlab.practical.loader import load
from sheetlab.practical.profile import GUM
from sheetlab.workbook.results import write_results
from sheetlab.workbook.template import as_cells_show

U = 0.005
LOSS = (
    'id = "loss"\nversion = "1"\ntitle = "Loss"\naim = "To square."\n'
    '[sheets.all]\ntitle = "All"\n'
    + "".join(
        f'[inputs.{key}]\ntitle = "part {key}"\nsheet = "all"\ndecimals = 4\n'
        f'uncertainty = [{{ label = "u({key})", half_width = {U}, distribution = "normal" }}]\n'
        for key in ("X1", "X2")
    )
    + '[quantities.Y]\ntitle = "loss"\nsymbol = "Y"\nunit = "1"\nsheet = "all"\n'
    'formula = "X1^2 + X2^2"\ndecimals = 6\n[results.Y]\n'
)  # fmt: skip
"""JCGM 101:2008, 9.4, the comparison loss of a power meter, without correlation."""

# y, u and half-width of the budget in 1e-6, then y, u and the ends of the shortest interval of the
# trials in 1e-6: JCGM 101:2008, 9.4.2, table for r = 0, with higher-order terms and by its Monte
# Carlo method, from memory; the functions below recompute every one
PRINTED = [
    (0.000, (0, 50, 98), (50, 50, 0, 150)),
    (0.010, (100, 112, 219), (150, 112, 0, 367)),
    (0.050, (2500, 502, 985), (2551, 502, 1590, 3543)),
]


def exact(x1: float) -> tuple[float, float]:
    """Mean and standard deviation of Y: non-central chi-squared with two degrees of freedom."""
    return x1**2 + 2 * U**2, math.sqrt(4 * U**2 * x1**2 + 4 * U**4)


@pytest.mark.parametrize(("x1", "budget", "trials"), PRINTED)
def test_comparison_loss(x1: float, budget: tuple[float, ...], trials: tuple[float, ...]) -> None:
    model = load(LOSS)
    found = evaluate_practical(model, as_cells_show(model, {"X1": [x1], "X2": [0.0]}),
                               trials=200_000).results[0]  # fmt: skip
    mean, deviation = exact(x1)
    assert found.second_order.second == pytest.approx(deviation, rel=1e-9)
    if x1 < 0.05:
        # 0.5 % more at x1 = 0.050 is no reason to leave the first order
        y, u, half = (1e-6 * one for one in budget)
        assert found.budget.value == pytest.approx(y, abs=1e-12)
        assert found.budget.standard_uncertainty == pytest.approx(u, abs=0.5e-6)
        assert found.budget.standard_uncertainty == pytest.approx(deviation, rel=1e-9)
        assert found.budget.expanded_uncertainty == pytest.approx(half, abs=1e-6)
    else:
        assert found.budget.standard_uncertainty == pytest.approx(500e-6, abs=0.5e-6)
    y, u, low, high = (1e-6 * one for one in trials)
    # four standard errors of 200 000 trials, and half a printed unit
    assert found.trials.mean == pytest.approx(mean, abs=4 * deviation / math.sqrt(200_000))
    assert found.trials.mean == pytest.approx(y, abs=0.5e-6 + 0.01 * u)
    assert found.trials.standard_uncertainty == pytest.approx(u, rel=0.015)
    assert found.trials.shortest == pytest.approx((low, high), abs=0.5e-6 + 0.06 * u)


def test_a_result_at_its_lowest_value_is_no_certain_one() -> None:
    """It was stated as 0 with u = 0, without trials and without a word."""
    model = load(LOSS)
    found = assess(model, as_cells_show(model, {"X1": [0.0], "X2": [0.0]}), trials=10_000)
    (one,) = found.evaluation.results
    assert str(one.statement) == "(0.0 ± 1.0) × 10⁻⁴", "98 of the last digit but one"
    (note,) = (f for f in found.findings if f.code == "at-an-extreme")
    assert note.severity is Severity.NOTE
    assert "loss" in note.message
    (row,) = one.budget.rows
    assert row.contribution == pytest.approx(2 * U**2, rel=1e-9)
    assert "second order" in row.source.label
    words = Words(model, GUM)
    assert "highest or lowest value" in words.second_order_line(one)
    assert "trials" in words.trials_line(one)
    assert words.dominant_lines(one) == [f"Largest single source: {row.source.label} (100.0 %)."]
    assert record(found, "a.xlsx")["measurand"]["standard_uncertainty"] > 0.0
    assert write_results(found)


@pytest.mark.parametrize("x1", [0.0, 1e-9, 1e-6, 1e-4])
def test_near_the_lowest_value_nothing_jumps(x1: float) -> None:
    """Without trials too: what is stated does not depend on how many are made."""
    model = load(LOSS)
    cells = as_cells_show(model, {"X1": [x1], "X2": [0.0]})
    found = evaluate_practical(model, cells, trials=0).results[0]
    assert found.budget.standard_uncertainty == pytest.approx(exact(x1)[1], rel=1e-6)
    with_trials = evaluate_practical(model, cells, trials=1000).results[0]
    assert with_trials.budget == found.budget


def test_what_is_certain_is_stated_without_uncertainty() -> None:
    model = load(LOSS.replace("X1^2 + X2^2", "0 * X1 + 0 * X2 + 3"))
    found = evaluate_practical(model, as_cells_show(model, {"X1": [1.0], "X2": [2.0]})).results[0]
    assert found.budget.standard_uncertainty == 0.0
    assert found.statement is None
    assert found.trials is None


def test_coverage_at_the_lowest_value() -> None:
    """True values X1 = X2 = 0, so Y = 0: of 500 experiments 94 % or more cover it."""
    model, rng = load(LOSS), np.random.default_rng(3)
    inside, count = 0, 500
    for x1, x2 in U * rng.standard_normal((count, 2)):
        cells = as_cells_show(model, {"X1": [float(x1)], "X2": [float(x2)]})
        found = evaluate_practical(model, cells, trials=0).results[0].budget
        inside += found.value <= found.expanded_uncertainty
    assert inside / count >= 0.94
