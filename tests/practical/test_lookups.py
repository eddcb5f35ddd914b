"""Values from tables of books, against plain numpy and against values between the points."""

from __future__ import annotations

import numpy as np
import pytest
from written import evaluated, result

from sheetlab.finding import SheetlabError
from sheetlab.practical.loader import load

# viscosity of water, IAPWS R12-08 (2008), mPa s: from memory, recomputed against a library
POINTS = [(10, 1.305900), (15, 1.137568), (20, 1.001596), (25, 0.890022), (30, 0.797219)]
TEXT = f"""
title = "Viscosity from a table"
[inputs]
T = {{ title = "temperature", unit = "degC" }}
[lookups.eta]
of = "T"
argument_unit = "degC"
unit = "mPa*s"
points = {[list(p) for p in POINTS]}
source = "IAPWS R12-08"
uncertainty = [{{ label = "the table", half_width = 0.005, relative = true }}]
[quantities]
twice = {{ unit = "mPa*s", formula = "2 * eta" }}
[results.twice]
"""


@pytest.mark.parametrize("t", [10.0, 12.5, 15.0, 17.3, 20.0, 24.9, 30.0])
def test_straight_between_the_points(t: float) -> None:
    """Value by numpy.interp; uncertainty by hand: table and chord, both rectangular."""
    value, u = result(evaluated(load(TEXT, name="v.toml"), {"T": [t]}), "twice")
    x, y = np.array(POINTS).T
    expected = float(np.interp(t, x, y))
    assert value == pytest.approx(2e-3 * expected, rel=1e-12)
    bends = abs(np.diff(y, 2))
    chord = max(*bends, 2 * bends[0] - bends[1]) / 8
    by_hand = 2e-3 * np.hypot(0.005 * expected, chord) / np.sqrt(3)
    assert u == pytest.approx(by_hand, rel=1e-9)


def test_the_chord_is_what_is_missed_at_most() -> None:
    """At 12.5, 17.5, 22.5, 27.5 °C Andrade-like values of a smooth curve lie within it."""
    x, y = np.array(POINTS).T
    fit = np.polyfit(x, np.log(y), 4)
    for t in (12.5, 17.5, 22.5, 27.5):
        bends = abs(np.diff(y, 2))
        true, chord = np.exp(np.polyval(fit, t)), max(*bends, 2 * bends[0] - bends[1]) / 8
        assert 0.0 < np.interp(t, x, y) - true < chord


def test_outside_the_table_is_asked_about() -> None:
    from sheetlab.checks.assess import assess
    from sheetlab.workbook.template import as_cells_show

    model = load(TEXT, name="v.toml")
    for t, codes in ((22.0, []), (41.0, ["outside-the-table"]), (9.0, ["outside-the-table"])):
        found = assess(model, as_cells_show(model, {"T": [t]}), trials=0)
        assert [f.code for f in found.findings] == codes


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('of = "T"', 'of = "TT"', "there is no single value"),
        ('argument_unit = "degC"', 'argument_unit = "mm"', "does not measure the same"),
        ("[10, 1.3059]", "[16, 1.3059]", "do not rise"),
        ('\nunit = "mPa*s"', '\nunit = "mPaa*s"', "not a unit"),
    ],
)
def test_wrong_tables_are_refused(old: str, new: str, told: str) -> None:
    assert old in TEXT
    with pytest.raises(SheetlabError, match=told):
        load(TEXT.replace(old, new, 1), name="v.toml")
