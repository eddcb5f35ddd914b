"""Inputs that bring an uncertainty along: a result of another practical, a maker's value."""

from __future__ import annotations

import math

import pytest
from written import evaluated, result

from sheetlab.finding import SheetlabError
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import load
from sheetlab.workbook.layout import lay_out

TEXT = """
title = "Density of a block"
[inputs]
m = { title = "mass", unit = "g", asks_uncertainty = true }
V = { title = "volume", symbol = "V", unit = "cm^3", asks_uncertainty = true, uncertainty = [{ label = "walls", half_width = 0.3 }] }
[quantities]
rho = { title = "density", unit = "g/cm^3", formula = "m / V", decimals = 4 }
[results.rho]
"""  # noqa: E501


@pytest.mark.parametrize(("u_m", "u_v"), [(0.4, 0.2), (None, 0.2), (0.4, None), (None, None)])
def test_it_enters_the_budget(u_m: float | None, u_v: float | None) -> None:
    """u²/ρ² = (u(m)/m)² + (u(V)/V)² + (a/√3/V)² by hand (JCGM 100:2008, 5.1.6)."""
    cells = {"m": [135.2], "V": [50.1], "m.u": [u_m], "V.u": [u_v]}
    value, u = result(evaluated(load(TEXT, name="block.toml"), cells), "rho")
    parts = [(u_m or 0.0) / 135.2, (u_v or 0.0) / 50.1, 0.3 / math.sqrt(3.0) / 50.1]
    assert value == pytest.approx(1000.0 * 135.2 / 50.1, rel=1e-12)
    assert u / value == pytest.approx(math.hypot(*parts), rel=1e-9)


def test_its_cell_stands_below_the_value() -> None:
    model = load(TEXT, name="block.toml")
    slots = lay_out(model, Assist.CORRECTED).slots
    assert slots["m.u"].row == slots["m"].row + 1
    assert model.inputs["V.u"].title == "standard uncertainty of V"


def test_a_text_has_none() -> None:
    text = TEXT.replace('unit = "g", asks', 'kind = "text", asks')
    with pytest.raises(SheetlabError, match="asks_uncertainty"):
        load(text, name="block.toml")
