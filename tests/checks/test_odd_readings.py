"""Whatever is typed, a workbook is assessed: odd readings get findings, and never an error."""

from __future__ import annotations

import contextlib
from typing import Any

import pytest
from examples import CAREFUL, practical, typed
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.checks.assess import Status, assess
from sheetlab.checks.record import record
from sheetlab.checks.wording import Words
from sheetlab.practical.loader import load
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.profile import GUM

ODD = st.sampled_from([None, 0.0, -1.0, 1.0, 5e-324, 1e-6, 999.0, 1e16, "abc", "1,5", ""])
HUGE = st.sampled_from([1e150, -1e150, 1e308, -1e308])


def changed(cells: dict[str, list[Any]], draw: st.DrawFn, odd: st.SearchStrategy[Any]) -> None:
    """One cell, one row or one column typed otherwise, or a column broken off."""
    key = draw(st.sampled_from([key for key, values in cells.items() if values]))
    values = cells[key]
    row, value = draw(st.integers(0, len(values) - 1)), draw(odd)
    match draw(st.sampled_from(["cell", "column", "alike", "short", "row"])):
        case "cell":
            values[row] = value
        case "column":
            cells[key] = [value] * len(values)
        case "alike":
            cells[key] = [values[row]] * len(values)
        case "short":
            cells[key] = [*values[: row + 1], *[None] * (len(values) - row - 1)]
        case "row":
            table = key.partition(".")[0]
            for other, column in cells.items():
                if other.partition(".")[0] == table and row < len(column):
                    column[row] = value


@pytest.mark.parametrize("name", CAREFUL)
@given(draw=st.data())
def test_no_reading_is_too_odd(name: str, draw: st.DataObject) -> None:
    model = practical(name)
    cells = {key: list(values) for key, values in typed(CAREFUL[name]).items()}
    for _ in range(draw.draw(st.integers(1, 8))):
        changed(cells, draw.draw, ODD)
    record(assess(model, as_cells_show(model, cells), trials=0), "a.xlsx")


@given(draw=st.data())
def test_what_is_beyond_arithmetic_is_nothing_else(draw: st.DataObject) -> None:
    model = practical("wire-stretching")
    cells = {key: list(values) for key, values in typed(CAREFUL["wire-stretching"]).items()}
    for _ in range(draw.draw(st.integers(1, 3))):
        changed(cells, draw.draw, HUGE)
    # ``evaluate_file`` makes the finding ``result-not-computable`` of an error of arithmetic
    with contextlib.suppress(ArithmeticError):
        record(assess(model, as_cells_show(model, cells), trials=0), "a.xlsx")


@pytest.mark.parametrize("kept", [(0,), (7,)])
def test_one_reading_on_the_way_back_is_enough_to_go_on(kept: tuple[int, ...]) -> None:
    model = practical("wire-stretching")
    cells = {
        key: [value if not key.startswith("readings.down") or row in kept else None
              for row, value in enumerate(values)]
        for key, values in typed("Avocet").items()
    }  # fmt: skip
    assessment = assess(model, as_cells_show(model, cells), trials=0)
    assert assessment.evaluation.measurand is not None
    (study, *_) = assessment.studies
    assert study.extremes is None
    assert "median of the slopes of all pairs" in [slope.method for slope in study.slopes]


DEFINITION = """
id = "odd"
version = "1"
title = "Functions that are not defined everywhere"
aim = "To take a root."
[sheets.all]
title = "All"
[inputs.x]
title = "x"
sheet = "all"
unit = "1"
uncertainty = [{label = "limit", half_width = 0.1}]
[quantities.y]
title = "y"
symbol = "y"
unit = "1"
sheet = "all"
formula = "FORMULA"
[results.y]
"""


@pytest.mark.parametrize(("formula", "x"), [("sqrt(x)", 0.05), ("ln(x)", 0.05), ("acos(x)", 0.97)])
def test_trials_without_a_number_leave_the_budget(formula: str, x: float) -> None:
    """Half of them are a root of something negative: the file was told to be unreadable."""
    model = load(DEFINITION.replace("FORMULA", formula))
    assessment = assess(model, as_cells_show(model, {"x": [x]}), trials=1000)
    assert assessment.evaluation.measurand is not None
    assert assessment.evaluation.measurand.budget.standard_uncertainty > 0.05
    assert assessment.evaluation.measurand.trials is None
    assert [finding.code for finding in assessment.findings] == ["result-undetermined"]


@pytest.mark.parametrize(("formula", "x"), [("sqrt(x)", 0.0), ("asin(x)", 1.0)])
def test_a_result_without_a_slope_is_not_certain(formula: str, x: float) -> None:
    """It was ok, with an uncertainty of zero."""
    model = load(DEFINITION.replace("FORMULA", formula))
    assessment = assess(model, as_cells_show(model, {"x": [x]}), trials=0)
    assert assessment.status is Status.FAILED
    assert [finding.code for finding in assessment.findings] == ["result-not-computable"]


def test_the_interval_of_trials_is_advised_only_where_there_are_trials() -> None:
    model = load(DEFINITION.replace("FORMULA", "x^2"))
    for trials in (0, 1000):
        found = assess(model, as_cells_show(model, {"x": [0.0]}), trials).evaluation.measurand
        assert found is not None
        line = Words(model, GUM).second_order_line(found)
        assert ("Take the interval of the trials" in line) == bool(trials)
