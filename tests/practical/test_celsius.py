"""Thermometers in °C: what divides a reading by a division works in the unit that is read."""

from __future__ import annotations

from functools import cache

import pytest

from sheetlab.before.books import books
from sheetlab.checks.assess import assess
from sheetlab.practical.bench import simulate
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.planning import plan
from sheetlab.practical.schedules import Request

WARMING = """
id = "warming"
version = "1"
title = "Expansion of a rod"
aim = "Made up for tests: a thermometer in degrees Celsius and a gauge."
answers = {{}}
[sheets.all]
title = "All"
[instruments]
thermometer = {{ kind = "direct", title = "Thermometer", unit = "degC", sheet = "all" }}
gauge = {{ kind = "direct", title = "Gauge", unit = "mm", sheet = "all" }}
[tables.t]
title = "Readings"
sheet = "all"
rows = 8
columns.temp = {{ title = "temperature", instrument = "thermometer" }}
columns.y = {{ title = "gauge", instrument = "gauge" }}
[quantities]
a = {{ title = "expansion", symbol = "a", unit = "mm/K", formula = "line.slope" }}
[results.a]
[lines.line]
title = "Expansion"
x = "t.temp"
y = "t.y"
x_title = "t"
y_title = "y"
[bench.truths]
a = {{ unit = "mm/K", low = 0.02, high = 0.04 }}
cold = {{ unit = "K", fixed = 293.15 }}
[bench.instruments]
thermometer.parameters.least_count = {least}
gauge.parameters.least_count = 0.01
[bench.readings]
"t.temp" = {{ start = 20.7, step = 7.3, rows = [8, 8] }}
"t.y" = {{ value = "a * (temp - cold)", noise = 0.005 }}
"""


@cache
def warming(least: float) -> Practical:
    return load(WARMING.format(least=least))


@pytest.mark.parametrize("least", [2.0, 1.0, 0.5, 0.2, 0.1])
def test_no_clean_reading_is_asked_about(least: float) -> None:
    model = warming(least)
    found = assess(model, as_cells_show(model, simulate(model, 1).cells), trials=0)
    assert [f.code for f in found.findings] == []


def test_a_reading_finer_than_the_scale_is_asked_about() -> None:
    model = warming(1.0)
    cells = {**simulate(model, 1).cells, "t.temp": [21.0, 28.03, *range(35, 77, 7)]}
    found = assess(model, as_cells_show(model, cells), trials=0)
    assert [f.code for f in found.findings] == ["finer-than-scale"]


@pytest.mark.parametrize("least", [1.0, 0.2])
def test_a_plan_counts_divisions_of_the_scale(least: float) -> None:
    found = plan(warming(least), Request(), books())
    column = next(c for c in found.expected if c.key == "t.temp")
    assert column.values == pytest.approx([20.7 + 7.3 * i for i in range(8)], abs=0.51 * least)
    assert column.divisions is not None
    # 21 °C stands 21 divisions of 1 °C above the zero of the scale, not 294
    assert column.divisions == pytest.approx([v / least for v in column.values])
