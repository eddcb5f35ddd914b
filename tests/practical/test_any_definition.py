"""Whatever loads can be issued, invented, evaluated and planned: nothing but findings comes"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.before import starter_text
from sheetlab.before.books import books
from sheetlab.before.trial import papers_of
from sheetlab.checks.assess import assess
from sheetlab.finding import SheetlabError
from sheetlab.practical.bench import applicable, simulate
from sheetlab.practical.definition import Assist
from sheetlab.practical.forward import BenchError
from sheetlab.practical.loader import catalogue, load
from sheetlab.practical.planning import plan
from sheetlab.practical.schedules import Request
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.template import as_cells_show, write_template

LENS = (Path(__file__).parent / "definitions" / "thin-lens.toml").read_text(encoding="utf-8")
TEXTS = (starter_text(), LENS, catalogue().text("simple-pendulum"))
WORD = re.compile(r'"[^"\n]*"|(?<![\w."])-?\d+(?:\.\d+)?|\b[A-Za-z_]\w*\b')
"""What can stand in another's place: a text, a number, a name."""


@st.composite
def muddled(draw: st.DrawFn) -> str:
    """A definition of which a few words stand where others stood, or lines are gone."""
    text = draw(st.sampled_from(TEXTS))
    for _ in range(draw(st.integers(1, 3))):
        lines = text.split("\n")
        if draw(st.booleans()):
            del lines[draw(st.integers(0, len(lines) - 1))]
            text = "\n".join(lines)
            continue
        words = list(WORD.finditer(text))
        one, other = (words[draw(st.integers(0, len(words) - 1))] for _ in "ab")
        text = text[: one.start()] + other[0] + text[one.end() :]
    return text


def survives(text: str, planned: bool = False) -> bool:
    """Whether it loads; what does is taken through everything. A plan takes seconds."""
    try:
        model = load(text, name="muddled.toml")
    except SheetlabError:
        return False
    for assist in Assist:
        layout = lay_out(model, assist)
        papers_of(layout)
    write_template(layout)
    assess(model, as_cells_show(model, {}), trials=0)
    if model.forward is None:
        return True
    for slip in [(), *([slip] for slip in applicable(model)[:3])]:
        try:
            bench = simulate(model, 1, slip)
        except BenchError:
            continue
        assess(model, as_cells_show(model, bench.cells), trials=0)
    if not planned:
        return True
    try:
        plan(model, Request(), books())
    except SheetlabError:
        return True
    return True


@given(muddled())
def test_what_loads_gives_no_traceback(text: str) -> None:
    survives(text)


@pytest.mark.slow
@given(muddled())
def test_what_loads_can_be_planned(text: str) -> None:
    survives(text, planned=True)


@pytest.mark.parametrize("text", TEXTS)
def test_the_sound_ones_go_through_everything(text: str) -> None:
    assert survives(text)
