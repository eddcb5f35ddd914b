"""Workbooks that are read once, and assessed with other contents in their cells."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from classes.groups import handin
from examples import SHIPPED, WORKBOOKS, filled, practical
from msgspec.structs import replace

from sheetlab.checks.assess import Assessment, assess
from sheetlab.practical.observations import Observations, Typed, as_cells_show
from sheetlab.workbook.evaluate_file import assess_file


@cache
def read(group: str) -> Observations:
    """What the reader makes of a group's workbook: every cell with its place."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "one.xlsx"
        path.write_bytes(handin("A", "S1", 101, group) if group in SHIPPED else filled(group))
        outcome, _ = assess_file(path, trials=0)
    assert outcome.assessment is not None
    return outcome.assessment.observations


def assessed(group: str, cells: Typed | None = None) -> Assessment:
    """A group's workbook, or one with other contents in its cells."""
    name = group if group in SHIPPED else WORKBOOKS[group].practical
    model, observations = practical(name), read(group)
    if cells is not None:
        shown = as_cells_show(model, cells)
        entries = {
            key: [replace(shown.entry(key, i), place=one.place) for i, one in enumerate(column)]
            for key, column in observations.entries.items()
        }
        observations = replace(observations, entries=entries)
    return assess(model, observations, trials=0)
