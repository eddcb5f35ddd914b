"""Filled workbooks for tests: the invented class of the demo, and the shipped practicals."""

from __future__ import annotations

from functools import cache

from sheetlab.classes.demo import DemoWorkbook, demo_class
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import catalogue
from sheetlab.practical.model import Practical
from sheetlab.workbook.layout import Layout, lay_out
from sheetlab.workbook.template import Typed, write_template

SHIPPED = tuple(catalogue().paths())
WORKBOOKS: dict[str, DemoWorkbook] = {one.group.name: one for one in demo_class()[1]}
DOUBTFUL = ("Fulmar", "Petrel", "Ruff", "Curlew", "Godwit", "Plover", "Knot", "Redshank")
"""Groups whose readings need a look."""
SIX = tuple(WORKBOOKS)[:6]
CAREFUL = {"wire-stretching": "Avocet", "simple-pendulum": "Sanderling"}
"""A group without mistakes for each practical."""


def practical(name: str, runs: int = 1) -> Practical:
    return catalogue().load(name, runs)


@cache
def layout(name: str, assist: Assist, runs: int = 1) -> Layout:
    return lay_out(practical(name, runs), assist)


def typed(group: str) -> Typed:
    """Every cell of a group's workbook, those included that are issued with a value in them."""
    one = WORKBOOKS[group]
    issued = {
        key: [its.default]
        for key, its in practical(one.practical, one.runs).inputs.items()
        if its.default is not None
    }
    return {"start.group": [group], **issued, **one.cells}


@cache
def filled(group: str, assist: Assist = Assist.CORRECTED) -> bytes:
    one = WORKBOOKS[group]
    return write_template(layout(one.practical, assist, one.runs), typed(group))
