"""Invented years of one department: virtual benches that share their apparatus."""

from __future__ import annotations

import hashlib
import re
import sqlite3
import zipfile
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from examples import layout, practical
from msgspec import Struct
from msgspec.structs import replace
from workbook.tamper import with_parts

from sheetlab.checks.assess import Assessment, assess
from sheetlab.handling.workers import Call
from sheetlab.practical.bench import Cells, simulate
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.register import Bound
from sheetlab.workbook.template import write_template
from sheetlab.years.adding import _Job
from sheetlab.years.database import begin, insert, rows_in
from sheetlab.years.ledger import Row
from sheetlab.years.yearbook import open_year

WIRE = "wire-stretching"
DIAMETER = 0.5
"""Of the one wire, mm; the length and the place are the same too."""
FIXED = {
    "Y": 110, "d": DIAMETER, "L": 2.2, "latitude": 50, "altitude": 100, "dead_load": 1, "load": 0.5,
}  # fmt: skip


class Bench(Struct, frozen=True):
    """What one invented group typed."""

    group: str
    setup: str
    cells: Cells


@cache
def with_zero(zero: float, diameter: float = DIAMETER) -> Practical:
    """The practical at one set-up: its wire, and a screw gauge of a given zero error (both mm)."""
    text = practical(WIRE).source_text
    for name, value in {**FIXED, "d": diameter}.items():
        text, count = re.subn(
            rf'(?m)^({name} = \{{ unit = "[^"]*"), low = [^}}]*\}}',
            rf"\1, fixed = {value} }}",
            text,
        )
        assert count == 1
    text, count = re.subn(r"zero = \[0\.02, 0\.06\]", f"zero = [{zero:.5f}, {zero:.5f}]", text)
    assert count == 1
    return load(text, 1, WIRE)


@cache
def bench(seed: int, group: str, setup: str = "1", zero: float = 0.03) -> Bench:
    """A careful group with a screw gauge of a given zero error (mm)."""
    cells = simulate(with_zero(round(zero, 4)), seed).cells
    return Bench(group, setup, cells)


def year(seed: int, zeros: Sequence[float], setup: str = "1") -> Iterator[Bench]:
    """A bench a zero error."""
    for i, zero in enumerate(zeros):
        yield bench(seed + i, f"Group {i + 1}", setup, zero)


def typed(one: Bench) -> Cells:
    """Everything in the cells of a bench."""
    return {"start.group": [one.group], "start.setup": [one.setup], **one.cells}


def assessed(one: Bench) -> Assessment:
    """A bench evaluated without a file."""
    its = practical(WIRE)
    return assess(its, as_cells_show(its, typed(one)), trials=0)


def saved(path: Path, at: str) -> Path:
    """A workbook as a spreadsheet program has saved it at a time (UTC, as 2026-03-14T12:00:00Z)."""
    with zipfile.ZipFile(path) as file:
        core = file.read("docProps/core.xml").decode()
    core, count = re.subn(r"(<dcterms:modified[^>]*>)[^<]*", rf"\g<1>{at}", core)
    assert count == 1
    path.write_bytes(with_parts(path.read_bytes(), {"docProps/core.xml": core.encode()}))
    return path


def shown(path: Path) -> list[Row]:
    """Rows of the workbook of a year."""
    connection = table()
    with open_year(path) as book:
        insert(connection, book.records, book.numbers)
    return list(rows_in(connection, path))


def table() -> sqlite3.Connection:
    """An archive that is never on a disk."""
    connection = sqlite3.connect(":memory:")
    begin(connection)
    return connection


_made: dict[str, bytes] = {}
"""Workbooks by what is typed in them: many tests hand in the same ones."""


def write(one: Bench, folder: Path, name: str = "", bound: Bound | None = None) -> Path:
    """The workbook that a bench hands in."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name or one.group}.xlsx"
    key = repr((typed(one), bound))
    if key not in _made:
        # the least help: what a workbook works out itself is not read
        _made[key] = write_template(layout(WIRE, Assist.READINGS), typed(one), bound=bound)
    path.write_bytes(_made[key])
    return path


_known: dict[object, Any] = {}


def remembering(each: Callable[..., Iterator[Any]]) -> Callable[..., Iterator[Any]]:
    """``workers.each`` that reads a workbook once in a run, however many archives take it in."""

    def each_once(call: Call[Any, Any], todo: Sequence[Any], *_: object) -> Iterator[Any]:
        keys = [_key(call, thing) for thing in todo]
        new = {key: thing for key, thing in zip(keys, todo, strict=True) if key not in _known}
        _known.update(zip(new, each(call, list(new.values())), strict=True))
        for key, thing in zip(keys, todo, strict=True):
            # what was read names the file as it was given
            yield replace(_known[key], path=thing.path) if isinstance(thing, _Job) else _known[key]

    return each_once


def _key(call: Call[Any, Any], thing: Any) -> object:
    path, *others = (thing.place, thing.year, thing.source) if isinstance(thing, _Job) else (thing,)
    return call, path.name, hashlib.sha256(path.read_bytes()).digest(), *others
