"""The functions as xlwings hands them to Excel: decorators, conversions, and its own VBA."""

from __future__ import annotations

import datetime
import io
import math
import subprocess
import sys
import time
from collections.abc import Iterator
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from live.windows import (
    DIVISION_BY_ZERO,
    MISSING,
    SPILL,
    PlayedRange,
    played,
    xlwings_of_windows,
)

from sheetlab.live.cells import used_rows
from sheetlab.live.excel import vba
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import SAYS, Block, Function, Value, call

pytestmark = pytest.mark.slow

EXAMPLES = [(one, example) for one in FUNCTIONS.values() for example in one.examples]


@pytest.fixture(scope="module")
def excel() -> Iterator[SimpleNamespace]:
    with xlwings_of_windows() as found:
        yield found


def answer(excel: SimpleNamespace, name: str, *arguments: Any) -> Any:
    """What Excel gets for a call from a cell, through xlwings' whole chain."""
    given = tuple(played(one) for one in arguments)
    return excel.udfs.call_udf(vba.FUNCTIONS_MODULE, name, given, None, PlayedRange(((None,),)))


def rows(value: Value | Block) -> list[list[Any]]:
    return [list(row) for row in value] if isinstance(value, tuple) else [[value]]


@pytest.mark.parametrize("one", FUNCTIONS.values(), ids=lambda one: one.id)
def test_xlwings_knows_name_arguments_and_help(excel: SimpleNamespace, one: Function) -> None:
    told = getattr(excel.functions, one.id).__xlfunc__
    assert told["name"] == one.id
    assert told["category"] == "sheetlab"
    assert not told["sub"]
    assert not told["volatile"]
    assert told["ret"]["doc"].startswith(one.title)
    assert [a["name"] for a in told["args"]] == [a.id for a in one.arguments]
    for argument, its in zip(told["args"], one.arguments, strict=True):
        assert argument["options"] == {"convert": "raw"}
        assert argument["doc"] == vba.short(its.help)
        assert ("optional" in argument) == its.optional
    texts = [told["ret"]["doc"], *(a["doc"] for a in told["args"])]
    assert all(0 < len(text) <= vba.MOST_HELP for text in texts)


@pytest.mark.parametrize(
    ("one", "example"), EXAMPLES, ids=[f"{f.id}-{k}" for k, (f, _) in enumerate(EXAMPLES)]
)
def test_a_call_from_excel_equals_a_call(
    excel: SimpleNamespace, one: Function, example: Any
) -> None:
    expected = rows(call(FUNCTIONS, one.id, example.arguments))
    assert not str(expected[0][0]).startswith(SAYS)
    assert answer(excel, one.id, *example.arguments) == expected


def test_single_cells_and_ranges_of_one_cell_are_the_same(excel: SimpleNamespace) -> None:
    assert answer(excel, "LEAST_COUNT", 0.5, 50.0) == [[0.01]]
    assert answer(excel, "LEAST_COUNT", ((0.5,),), ((50.0,),)) == [[0.01]]


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ((1.0, DIVISION_BY_ZERO, 3.0), "the error #DIV/0!"),
        ((1.0, SPILL, 3.0), "the error #SPILL!"),
        ((1.0, SPILL + 3, 3.0), "the error #ERROR!"),
        ((1.0, "wet", 3.0), "wet"),
        ((1.0, True, 3.0), "TRUE"),
        ((1.0, datetime.datetime(2026, 9, 1), 3.0), "date"),
        ((None, None), "empty"),
    ],
)
def test_what_is_no_number_is_named_in_the_cell(
    excel: SimpleNamespace, cells: tuple[Any, ...], says: str
) -> None:
    ((told,),) = answer(excel, "MEAN_TYPE_A", cells)
    assert told.startswith(SAYS)
    assert says.lower() in told.lower()


def test_empty_cells_money_and_decimal_commas_count_as_in_python(excel: SimpleNamespace) -> None:
    got = answer(excel, "MEAN_TYPE_A", (1.25, None, Decimal("1.2700"), "1,29", ""))
    assert got == rows(call(FUNCTIONS, "MEAN_TYPE_A", [[1.25, 1.27, 1.29]]))
    assert math.isclose(got[0][1], 1.27)


def test_of_whole_columns_the_empty_cells_are_only_counted(excel: SimpleNamespace) -> None:
    empty = ((None,),) * 100_000
    columns = [tuple((k * step,) for k in (1.0, 2.0, 3.0)) + empty for step in (1.0, 2.0)]
    given = [PlayedRange(column) for column in columns]

    def ask() -> Any:
        return excel.udfs.call_udf(
            vba.FUNCTIONS_MODULE, "STRAIGHT_LINE", (*given, "slope"), None, PlayedRange(((None,),))
        )

    assert ask() == [[pytest.approx(2.0)]]
    floors, times = [], []
    for _ in range(3):
        start = time.perf_counter()
        assert [used_rows(column) for column in columns] == [3, 3]
        floors.append(time.perf_counter() - start)
        start = time.perf_counter()
        ask()
        times.append(time.perf_counter() - start)
    assert min(times) < 4 * min(floors)


def test_a_row_counts_like_a_column(excel: SimpleNamespace) -> None:
    assert answer(excel, "MEAN_TYPE_A", ((1.0, 2.0, 4.0),)) == answer(
        excel, "MEAN_TYPE_A", (1.0, 2.0, 4.0)
    )


def test_arguments_left_out_in_the_middle_and_at_the_end(excel: SimpleNamespace) -> None:
    assert played(None) == MISSING
    assert answer(excel, "STATED_RESULT", 12.34, 0.5, None, 1.0) == answer(
        excel, "STATED_RESULT", 12.34, 0.5, None, 1.0, None
    )


def procedures(text: str) -> dict[str, list[str]]:
    """Functions of a VBA module, each as its lines without indentation."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in (line.strip() for line in text.splitlines()):
        if line.startswith("Function "):
            name = line.removeprefix("Function ").partition("(")[0]
            found[name] = []
        if name and line:
            found[name].append(line)
        if line == "End Function":
            name = ""
    return found


def test_the_module_is_what_xlwings_would_write_and_one_guard(excel: SimpleNamespace) -> None:
    theirs = io.StringIO()
    excel.udfs.generate_vba_wrapper(
        vba.FUNCTIONS_MODULE, excel.functions, theirs, SimpleNamespace(Name="sheetlab.xlam")
    )
    ours = procedures(vba.module_text(FUNCTIONS.values(), "0"))
    wanted = procedures(theirs.getvalue())
    assert set(wanted) == set(FUNCTIONS)
    for name, lines in wanted.items():
        head, guard, *rest = ours[name]
        assert guard == vba.GUARD.format(name=name)
        assert [head, *rest] == lines


def test_without_excel_the_module_still_imports() -> None:
    code = (
        "import sheetlab.live.excel.functions as f\n"
        "print(f.LEAST_COUNT(0.5, 50), hasattr(f.LEAST_COUNT, '__xlfunc__'))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    if sys.platform != "win32":
        assert done.stdout.strip() == "0.01 False"
