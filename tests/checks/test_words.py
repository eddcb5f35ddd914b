"""Findings speak of the things of their own practical, or of none. All readings are invented."""

from __future__ import annotations

import numpy as np
import pytest
from written import column, head, quantity

from sheetlab.checks.assess import assess
from sheetlab.finding import Finding
from sheetlab.practical.loader import load
from sheetlab.workbook.template import as_cells_show

RULE = """
[instruments.rule]
kind = "direct"
title = "Rule"
unit = "mm"
sheet = "all"
decimals = 1
[tables.t.columns.up]
title = "way there"
instrument = "rule"
[tables.t.columns.down]
title = "way back"
instrument = "rule"
"""
LINE = """
[lines.fit]
title = "line"
x = "t.x"
y = ["t.up", "t.down"]
x_title = "x"
y_title = "y"
back = ["t.down"]
usual_scatter = 0.5
"""
WORDS = """
[words]
load = "mass"
loads = "masses"
kinks = "tangles"
range = "limit of proportionality"
size = "coil"
"""
X = np.arange(8.0)
RNG = np.random.default_rng(5)
UP, DOWN = (100.0 + 12.0 * X + np.round(RNG.normal(0.0, 0.3, 8)) * 0.5 for _ in "ab")
BENT = np.where(X > 5.0, 9.0 * (X - 5.0), 0.0)


def found(words: str, up: np.ndarray, down: np.ndarray, code: str) -> Finding:
    text = head("pulled", 8) + column("x", "N") + RULE + LINE
    model = load(text + quantity("k", "fit.slope", "mm/N") + words)
    cells = {"t.x": list(X), "t.up": list(up), "t.down": list(down), "rule.least_count": [1.0]}
    findings = assess(model, as_cells_show(model, cells), trials=0).findings
    (one,) = (finding for finding in findings if finding.code == code)
    return one


@pytest.mark.parametrize(
    ("words", "expected", "remedy"),
    [
        ("", "equal steps for equal steps of “x” up to the last row",
         "Was the range too much, or did something slip at the last step? Do not go further, and "
         "evaluate only the straight part."),
        (WORDS, "equal steps for equal masses up to the last row",
         "Was it loaded beyond its limit of proportionality, or did something slip at the last "
         "step? Do not load it further; measure its coil again, and evaluate only the straight "
         "part."),
    ],
)  # fmt: skip
def test_the_end_of_a_line(words: str, expected: str, remedy: str) -> None:
    one = found(words, UP + BENT, DOWN + BENT[-1], "yield-at-end")
    assert one.expected == expected
    assert one.remedy.startswith(remedy)


@pytest.mark.parametrize(
    ("words", "expected", "remedy"),
    [
        ("", "equal steps for equal steps of “x” from the first row on",
         "Was there slack that the first steps pulled out, or did something slip?"),
        (WORDS, "equal steps for equal masses from the first row on",
         "Were there tangles, or slack, that the first steps pulled out, or did something slip?"),
    ],
)  # fmt: skip
def test_the_beginning_of_a_line(words: str, expected: str, remedy: str) -> None:
    late = np.where(X < 1.0, -8.0, 0.0)
    one = found(words, UP + late, DOWN, "kink-at-start")
    assert one.expected == expected
    assert one.remedy.startswith(remedy)


@pytest.mark.parametrize(
    ("words", "load_"), [("", "“x”"), (WORDS, "mass")], ids=["neutral", "its own"]
)
def test_both_ways(words: str, load_: str) -> None:
    one = found(words, UP, DOWN + np.where(X < 7.0, 9.0, 0.0), "backlash")
    assert f"higher at every {load_}, but for the reading at the turning point" in one.found
    assert one.expected == f"the same reading at the same {load_} on both ways"
    assert one.remedy.startswith("Was it reached from the other side (backlash)? Come to it")
    assert "although it is reached the right way" in one.remedy
