"""The functions as xlwings hands them to Excel: decorators, conversions, VBA, names."""

from __future__ import annotations

import datetime
import io
import math
import re
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
from openpyxl.utils import FORMULAE

from sheetlab.live.cells import used_rows
from sheetlab.live.excel import vba
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import SAYS, Block, Function, Value, call

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


@pytest.mark.slow
def test_of_whole_columns_the_empty_cells_are_only_counted(excel: SimpleNamespace) -> None:
    empty = ((None,),) * 300_000
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


# -- VBA -----------------------------------------------------------------------------------------


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


def test_the_module_is_a_file_that_the_editor_can_read() -> None:
    text = vba.module_text(FUNCTIONS.values(), "1.2")
    assert text.isascii()
    assert text.startswith('Attribute VB_Name = "sheetlab_live"\r\n')
    assert text.count("\n") == text.count("\r\n")
    lines = text.split("\r\n")
    assert max(map(len, lines)) < 1000  # the editor takes 1023
    for kind in ("Function", "Sub"):
        starts = [line for line in lines if line.removeprefix("Private ").startswith(f"{kind} ")]
        assert len(starts) == lines.count(f"End {kind}") > 0
    continued = 0
    for line in lines:
        continued = continued + 1 if line.endswith(" _") else 0
        assert continued < 24
    for one in FUNCTIONS.values():
        assert f'SheetlabTell "{one.id}"' in text
    for macro, command in vba.COMMANDS:
        assert f"Sub {macro}(control As IRibbonControl)" in text
        assert f"commands.{command}()" in text


def test_the_help_in_the_module_is_that_of_the_functions() -> None:
    text = vba.module_text(FUNCTIONS.values(), "0").replace(" _\r\n", "")
    told = [line for line in text.splitlines() if line.strip().startswith('SheetlabTell "')]
    assert len(told) == len(FUNCTIONS)
    for line, one in zip(told, FUNCTIONS.values(), strict=True):
        wanted = [one.id, vba.about(one), *(vba.short(a.help) for a in one.arguments)]
        assert spoken(line.strip().removeprefix("SheetlabTell ")) == wanted


def spoken(line: str) -> list[str]:
    """The texts that a line of VBA stands for: literals and ``ChrW`` joined by ``&``."""
    out: list[str] = []
    joined, k = False, 0
    while k < len(line):
        if line[k] == '"':
            piece, k = "", k + 1
            while line[k] != '"' or line[k : k + 2] == '""':
                k += line[k] == '"'
                piece, k = piece + line[k], k + 1
        elif line.startswith("ChrW(", k):
            end = line.index(")", k)
            piece, k = chr(int(line[k + 5 : end])), end
        else:
            joined = joined or line[k] == "&"
            k += 1
            continue
        if joined:
            out[-1] += piece
        else:
            out.append(piece)
        joined, k = False, k + 1
    return out


@pytest.mark.parametrize("text", ["", "plain", 'say "yes"', "Ω × √3 – ½", '"', "a\nb", "𝛼"])
def test_any_text_can_be_said_in_vba(text: str) -> None:
    (said,) = spoken(vba.expression(text))
    assert said.encode("utf-16-le", "surrogatepass") == text.encode("utf-16-le")


def test_long_help_ends_with_a_sentence() -> None:
    long = "First sentence. " + "x" * 235 + ". Last."
    assert vba.short(long) == "First sentence. " + "x" * 235 + "."
    assert vba.short("word " * 100).endswith("word…")
    assert len(vba.short("word " * 100)) <= vba.MOST_HELP


# -- names ---------------------------------------------------------------------------------------


NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,254}")
CELL = re.compile(r"[A-Z]{1,3}[0-9]+|R[0-9]*C[0-9]*|R|C", re.IGNORECASE)
WORDS = """
addressof alias and any append array as attribute base binary boolean byref byte byval call
case cbool cbyte ccur cdate cdbl cdec cint circle class clng clnglng clngptr close compare
const csng cstr currency cvar cverr database date debug decimal declare defbool defbyte
defcur defdate defdbl defdec defint deflng deflnglng deflngptr defobj defsng defstr defvar
dim do doevents double each else elseif empty end endif enum eqv erase error event exit
explicit false fix for friend function get global go gosub goto if imp implements in input
inputb instr instrb int integer is lbound len lenb let lib like line lock long longlong
longptr loop lset me mid midb mod module name new next not nothing null object on open option
optional or output paramarray preserve print private property pset public put raiseevent
random read redim rem reset resume return rset scale seek select set sgn shared single spc
static step stop string sub tab text then time to true type typeof ubound unknown unlock
until variant wend while width with withevents write xor
""".split()  # noqa: SIM905
"""Words that VBA keeps for itself, and a few that it only minds in some places."""


def name_problem(name: str) -> str:
    """Why a function or argument cannot be called so in VBA and in a cell; empty if it can."""
    if not NAME.fullmatch(name):
        return "begins with a letter and holds letters, digits and underscores"
    if name.lower() in WORDS:
        return "is a word of the language"
    return "looks like the address of a cell" if CELL.fullmatch(name) else ""


def test_names_are_names_in_vba_and_in_cells() -> None:
    for one in FUNCTIONS.values():
        assert name_problem(one.id) == "", one.id
        assert one.id not in FORMULAE
        names = [a.id for a in one.arguments]
        for name in names:
            assert name_problem(name) in ("", "looks like the address of a cell"), name
            assert name.lower() not in ("caller", one.id.lower())
        assert len({name.lower() for name in names}) == len(names)
    own = ["SheetlabForeign", "SheetlabTell", "SheetlabDescribe", "Auto_Open", vba.MODULE_NAME]
    own += [macro for macro, _ in vba.COMMANDS]
    everything = [name.lower() for name in (*FUNCTIONS, *own)]
    assert len(set(everything)) == len(everything)


@pytest.mark.parametrize("name", ["LAB1", "XFD10", "R1C1", "Next", "type", "1st", "a-b", "_x", ""])
def test_wrong_names_are_seen(name: str) -> None:
    assert name_problem(name)


@pytest.mark.slow
def test_without_excel_the_module_still_imports() -> None:
    code = (
        "import sheetlab.live.excel.functions as f\n"
        "print(f.LEAST_COUNT(0.5, 50), hasattr(f.LEAST_COUNT, '__xlfunc__'))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    if sys.platform != "win32":
        assert done.stdout.strip() == "0.01 False"
