"""Starting and stopping the watch: a source that all timings of the pendulum have in common."""

from __future__ import annotations

import math

import pytest
from examples import CAREFUL, practical, typed

from sheetlab.finding import SheetlabError
from sheetlab.practical.evaluate import Evaluation, evaluate_practical
from sheetlab.practical.loader import catalogue, load
from sheetlab.practical.observations import Typed
from sheetlab.workbook.template import as_cells_show

PENDULUM = "simple-pendulum"
LABEL = "start and stop of the watch, alike in all timings"


def evaluated(cells: Typed) -> Evaluation:
    model = practical(PENDULUM)
    return evaluate_practical(model, as_cells_show(model, cells), trials=0)


def cells(**changes: list[float]) -> dict[str, list[object]]:
    return {key: list(values) for key, values in (typed(CAREFUL[PENDULUM]) | changes).items()}


def test_the_budget_has_a_row_for_it() -> None:
    for result in evaluated(cells(start_stop=[0.1])).results:
        (row,) = (row for row in result.budget.rows if row.source.label == LABEL)
        assert row.source.standard_uncertainty == pytest.approx(0.1 / math.sqrt(3.0))
        assert row.contribution > 0.0


def test_the_sensitivity_is_that_of_all_timings_together() -> None:
    """Every timing longer by 1 ms: what g and the offset do is the sensitivity, 5.1.3."""
    before = evaluated(cells(start_stop=[0.1]))
    longer = cells(start_stop=[0.1])
    for i in (1, 2, 3):
        key = f"timing.t.{i}"
        longer[key] = [v if v is None else v + 0.001 for v in longer[key]]
    after = evaluated(longer)
    for old, new in zip(before.results, after.results, strict=True):
        (row,) = (row for row in old.budget.rows if row.source.label == LABEL)
        slope = (new.budget.value - old.budget.value) / 0.001
        assert row.sensitivity == pytest.approx(slope, rel=2e-3)
    # slope and intercept move together, so that the two results do
    bias, none = before.correlations["g", "offset"], evaluated(cells(start_stop=[0.0]))
    assert bias != pytest.approx(none.correlations["g", "offset"], abs=0.01)


def test_a_light_gate_has_none() -> None:
    found = evaluated(cells(start_stop=[0.0]))
    assert all(row.source.label != LABEL for one in found.results for row in one.budget.rows)
    usual = evaluated(cells(start_stop=[]))
    wider = (
        usual.measurand.budget.standard_uncertainty / found.measurand.budget.standard_uncertainty
    )
    assert 1.0 < wider < 1.5


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ('half_width = "nobody"', "nobody"),
        ('half_width = "swings"', "another unit"),
        ('half_width = "start_stop +"', "formula"),
        ("half_width = true", "a number or a formula"),
    ],
)
def test_half_widths_that_cannot_be_used(written: str, told: str) -> None:
    text = catalogue().text(PENDULUM)
    assert 'half_width = "start_stop"' in text
    with pytest.raises(SheetlabError, match=told):
        load(text.replace('half_width = "start_stop"', written))
