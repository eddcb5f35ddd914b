"""The add-in in a real Calc: functions in cells, the menu, and what happens without sheetlab."""

from __future__ import annotations

import os
import re
import signal
import statistics
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
import xlsxwriter
from calc.office import Book, Office, available, profile_with
from examples import SHIPPED, filled, layout

from sheetlab.checks.wording import headline
from sheetlab.live.calc.extension import INTERFACE, extension, methods
from sheetlab.live.calc.typelibrary import type_library
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.guide import guide
from sheetlab.live.inplace import prepare
from sheetlab.live.library import Example, Function, call
from sheetlab.practical.definition import Assist
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.graft import TITLES
from sheetlab.workbook.template import write_template

pytestmark = pytest.mark.calc

DOUBTFUL, CAREFUL, NO_CELL = "Fulmar", "Sanderling", "Redshank"
"""A group with a misread scale, one of another practical without mistakes, and one whose result is
off for a reason that no cell shows."""


@pytest.fixture(scope="module")
def calc() -> Iterator[Office]:
    """A Calc with the add-in."""
    if not available():
        pytest.fail("these tests need LibreOffice Calc and python3-uno (see DEVELOPERS.md)")
    with profile_with(extension()) as profile, Office(profile) as running:
        yield running


# -- the type library ----------------------------------------------------------------------------


def test_the_type_library_is_what_the_tool_of_libreoffice_writes(tmp_path: Path) -> None:
    home = Path("/usr/lib/libreoffice")
    tool = home / "sdk/bin/unoidl-write"
    if not tool.exists():
        pytest.fail("this test needs Debian's libreoffice-dev (see DEVELOPERS.md)")
    *modules, interface = INTERFACE.split(".")
    block = "sequence< sequence< any > >"
    listed = "\n".join(
        f"{block if one.block else 'any'} {name}("
        f"{', '.join(f'[in] any {argument}' for argument in one.arguments)});"
        for name, one in methods().items()
    )
    text = f"interface {interface} {{\n{listed}\n}};"
    for module in reversed(modules):
        text = f"module {module} {{\n{text}\n}};"
    (tmp_path / "functions.idl").write_text(text, encoding="ascii")
    types = home / "program/types.rdb", home / "program/types/offapi.rdb"
    subprocess.run(
        [tool, *types, tmp_path / "functions.idl", tmp_path / "functions.rdb"],
        env={"LD_LIBRARY_PATH": str(home / "program")},
        check=True,
    )
    theirs = (tmp_path / "functions.rdb").read_bytes()
    maker = re.search(rb"\*\* Created by (.*?) \*\*", theirs)
    assert maker is not None
    assert type_library(INTERFACE, methods(), maker[1].decode("ascii")) == theirs


# -- functions in cells --------------------------------------------------------------------------


def column(values: Any) -> list[list[Any]]:
    """What is typed for one argument, as rows."""
    if not isinstance(values, tuple):
        return [[values]]
    return [list(v) if isinstance(v, tuple) else [v] for v in values]


def letter(k: int) -> str:
    return chr(ord("A") + k)


def in_cells(book: Book, one: Function, example: Example, row: int) -> tuple[Any, int]:
    """The answer of a function to an example laid out in cells; the next free row."""
    at, given, deepest = 0, [], 1
    for values in example.arguments:
        if values is None:
            given.append("")
            continue
        rows = column(values)
        width, height = len(rows[0]), len(rows)
        area = f"{letter(at)}{row}:{letter(at + width - 1)}{row + height - 1}"
        book.put("", area, rows)
        given.append(area if height * width > 1 else f"{letter(at)}{row}")
        at, deepest = at + width, max(deepest, height)
    while given and not given[-1]:
        given.pop()
    formula = f"={one.id}({';'.join(given)})"
    expected = call(FUNCTIONS, one.id, example.arguments)
    if isinstance(expected, tuple):
        area = f"{letter(at)}{row}:{letter(at + len(expected[0]) - 1)}{row + len(expected) - 1}"
        shown: Any = book.array("", area, formula)
        deepest = max(deepest, len(expected))
    else:
        shown = book.enter("", {f"{letter(at)}{row}": formula})[f"{letter(at)}{row}"]
    return shown, row + deepest + 1


def test_every_function_gives_in_cells_what_python_gives(calc: Office) -> None:
    compared = set()
    with calc.book() as book:
        row = 1
        for one in FUNCTIONS.values():
            for example in one.examples:
                shown, row = in_cells(book, one, example, row)
                expected = call(FUNCTIONS, one.id, example.arguments)
                if isinstance(expected, tuple):
                    expected = [list(line) for line in expected]
                assert shown == expected, f"{one.id}{example.arguments}"
                compared.add(one.id)
    assert compared == set(FUNCTIONS)


def test_a_wrong_call_says_in_the_cell_what_is_wrong(calc: Office) -> None:
    with calc.book() as book:
        book.put("", "A1:A4", [[1.0], ["2,5"], [None], ["much"]])
        shown = book.enter(
            "",
            {
                "C1": "=LEAST_COUNT(0.5)",
                "C2": "=MEAN_TYPE_A(A1:A4)",
                "C3": '=MEAN_TYPE_A(A1:A3;;"mean")',
                "C4": "=MEAN_TYPE_A(A1:A3;B9;B9)",  # B9 is empty: as if it were left out
                "C5": "=LEAST_COUNT(A1:A3;50)",
                "C6": "=2*LEAST_COUNT(A1;50)",
            },
        )
        errors = book.enter("", {"D1": "=LEAST_COUNT(1/0;50)", "D2": "=MEAN_TYPE_A(D1:D1)"})
    assert shown["C1"].startswith("sheetlab: divisions is empty")
    assert "“much”" in shown["C2"]
    assert shown["C3"] == 1.75
    assert shown["C4"] == "mean"
    assert shown["C5"].startswith("sheetlab: graduation has to be one cell")
    assert shown["C6"] == 0.04
    assert errors["D1"] == {"error": 532}
    assert isinstance(errors["D2"], dict)


def test_long_ranges_may_have_an_empty_end(calc: Office) -> None:
    with calc.book() as book:
        book.put("", "A1:B4", [[1.0, 2.0], [2.0, 4.0], [3.0, None], [4.0, 8.0]])
        book.enter("", {"A5": "5"})  # its partner is missing
        shown = book.enter("", {"D1": '=STRAIGHT_LINE(A1:A20000;B1:B20000;"slope")'})
    assert shown["D1"] == pytest.approx(2.0)


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_a_saved_workbook_calculates_again(calc: Office, tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"own.{kind}"
    with calc.book() as book:
        book.put("", "A1:A3", [[2.12], [2.13], [2.11]])
        book.enter("", {"B1": "=LEAST_COUNT(0.5;50)", "B2": '=MEAN_TYPE_A(A1:A3;;"mean")'})
        book.array("", "C1:D4", "=MEAN_TYPE_A(A1:A3)")
        first = book.shown("", "B1:D4")
        book.save(path)
    with calc.book(path) as book:
        book.enter("", {"A1": "3.12"})
        again = book.shown("", "B1:D4")
    assert again[0][0] == first[0][0] == 0.01
    assert again[1][0] == again[0][2] == pytest.approx(first[1][0] + 1 / 3)


def test_the_guide_agrees_line_by_line_as_soon_as_it_is_open(calc: Office, tmp_path: Path) -> None:
    path = tmp_path / "guide.xlsx"
    path.write_bytes(guide())
    with calc.book(path) as book:
        formulas = book.shown("Functions", "A2:A2")[0][0]
        book.recalculate(1)
        recalculated = book.shown("Functions", "A2:A2")[0][0]
    agreeing, total = map(int, re.findall(r"\d+", recalculated)[:2])
    assert formulas == recalculated
    assert agreeing == total > len(FUNCTIONS)


def test_formulas_from_excel_work_on_protected_sheets_and_in_arrays(
    calc: Office, tmp_path: Path
) -> None:
    path = tmp_path / "excel.xlsx"
    with xlsxwriter.Workbook(path) as made:
        sheet = made.add_worksheet("own")
        sheet.write_column(0, 0, [2.12, 2.13, 2.11])
        sheet.write_formula("B1", "=LEAST_COUNT(0.5,50)", value=99)
        sheet.write_formula("B2", "=ROUND(10*Least_Count(0.5,50)+SUM(A1:A3),2)", value=99)
        sheet.write_formula("B3", "=SUM(A1:A3)", value=6.36)
        for row, before in enumerate(("[1]!", r"'C:\start\sheetlab.xlam'!", "_xll."), 4):
            sheet.write_formula(row - 1, 1, f"=2*{before}LEAST_COUNT(0.5,50)", value=99)
        sheet.write_array_formula("C1:D5", "{=MEAN_TYPE_A(A1:A3)}")
        sheet.protect("", {"format_cells": True})
    with calc.book(path) as book:
        shown = book.shown("own", "B1:D5")
        from_add_in = book.shown("own", "B4:B6")
        assert book.protected() == [True]
        assert book.steps() == []
    assert [row[0] for row in shown[:3]] == [0.01, 6.46, 6.36]
    assert from_add_in == [[0.02]] * 3
    expected = call(FUNCTIONS, "MEAN_TYPE_A", [[2.12, 2.13, 2.11]])
    assert [row[1:] for row in shown] == [list(row) for row in expected]


@contextmanager
def server() -> Iterator[tuple[str, list[str]]]:
    """An address on this machine, and what was asked there."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"1")

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as listening:
        threading.Thread(target=listening.serve_forever, daemon=True).start()
        try:
            yield f"http://127.0.0.1:{listening.server_port}", asked
        finally:
            listening.shutdown()


@pytest.mark.parametrize(
    ("formula", "left"),
    [
        ('=LEAST_COUNT(1,2)&_xlfn.WEBSERVICE("{address}/cell"&A9)', 7),
        ("=LEAST_COUNT(1,2)&far", 7),
        ("=LEAST_COUNT(1,A3)", 0.5),
        # Calc works such a formula out itself, and does not know our function there
        ('=LEAST_COUNT(1,INDIRECT("A3"))', None),
    ],
)
def test_a_formula_that_asks_an_address_stays_dead(
    calc: Office, tmp_path: Path, formula: str, left: float | None
) -> None:
    """Calc asks nothing when it loads a workbook, and neither do we make it ask."""
    path = tmp_path / "asks.xlsx"
    with server() as (address, asked):
        with xlsxwriter.Workbook(path) as made:
            sheet = made.add_worksheet("own")
            if "far" in formula:
                made.define_name("far", f'=_xlfn.WEBSERVICE("{address}/name")')
            if "A3" in formula:
                sheet.write_formula("A3", f'=_xlfn.WEBSERVICE("{address}/there")', value=2)
            sheet.write_formula("A1", formula.format(address=address), value=7)
        with calc.book(path, hidden=False) as book:
            # no command of ours wakes it up either
            for command in ("check", "evaluate", "clear"):
                book.command(command)
            shown = book.shown("own", "A1:A1")
        time.sleep(0.5)
    assert asked == []
    # 7: as it was stored
    assert shown == [[left]]


def test_formulas_that_only_calculate_are_entered_again_and_the_others_are_told(
    calc: Office, tmp_path: Path
) -> None:
    path = tmp_path / "mixed.xlsx"
    with xlsxwriter.Workbook(path) as made:
        sheet = made.add_worksheet("own")
        made.define_name("near", "=own!$B$1")
        made.define_name("far", "=INDIRECT(own!$B$2)")
        sheet.write_number("B1", 2)
        for row, formula in enumerate(
            (
                "=LEAST_COUNT(1,near)&LEAST_COUNT(0.5,50)",
                "=IF(SUM(own!$B$1:$B$1)>0,LEAST_COUNT(0.5,50),1/0)",
                '=LEAST_COUNT(1,INDIRECT("B1"))',
                "=LEAST_COUNT(1,2)&far",
                "=LEAST_COUNT(1,2)&NOW()",
            )
        ):
            sheet.write_formula(row, 0, formula, value=7)
    with calc.book(path, hidden=False) as book:
        shown = [row[0] for row in book.shown("own", "A1:A5")]
        assert book.bar("sheetlab left formulas")
    assert shown[:2] == ["0.50.01", 0.01]
    # 7 as it was stored, or no value: not what it would come to
    assert all(value in (7, None, "") for value in shown[2:]), shown


def test_200_functions_recalculate_within_two_seconds(calc: Office) -> None:
    with calc.book() as book:
        book.put("", "A1:C200", [[0.5 * k, float(k % 50), 0.01 * k] for k in range(200)])
        book.enter("", {f"D{k}": f"=SCALE_READING(A{k};B{k};0.5;50)" for k in range(1, 101)})
        book.enter("", {f"D{k}": f'=MEAN_TYPE_A(A1:A{k};;"u(mean)")' for k in range(101, 201)})
        times = book.recalculate(5)
        shown = book.shown("", "D1:D200")
    assert all(isinstance(row[0], float) for row in shown)
    print(f"200 function cells: {statistics.median(times):.3f} s")
    assert statistics.median(times) < 2.0


def servers(above: int) -> list[int]:
    """Processes of sheetlab below a process."""
    parents, commands = {}, {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                stat = (folder / "stat").read_text(encoding="utf-8", errors="replace")
                commands[int(folder.name)] = (folder / "cmdline").read_bytes()
            except OSError:  # it has ended meanwhile
                continue
            parents[int(folder.name)] = int(stat.rpartition(")")[2].split()[1])
    found = []
    for process, command in commands.items():
        one = process
        while one in parents and one != above:
            one = parents[one]
        if one == above and b"sheetlab.live.calc.server" in command:
            found.append(process)
    return found


def test_a_killed_process_is_started_again(calc: Office) -> None:
    with calc.book() as book:
        assert book.enter("", {"A1": "=LEAST_COUNT(0.5;50)"}) == {"A1": 0.01}
        (server,) = servers(calc.process)
        os.kill(server, signal.SIGKILL)
        assert book.enter("", {"A2": "=LEAST_COUNT(0.5;25)"}) == {"A2": 0.02}
        (other,) = servers(calc.process)
        assert other != server


def test_without_the_environment_cell_and_menu_say_what_to_do(tmp_path: Path) -> None:
    gone = tmp_path / "gone" / "bin" / "python"
    with profile_with(extension(gone)) as profile, Office(profile) as running:
        with running.book() as book:
            shown = book.enter("", {"A1": "=LEAST_COUNT(0.5;50)"})["A1"]
            done, text = book.command("evaluate")
        assert not done
        for said in (shown, text):
            assert str(gone) in said
            assert "sheetlab addin calc" in said
            assert "Extension Manager" in said


def test_the_process_ends_with_the_office() -> None:
    with profile_with(extension()) as profile:
        with Office(profile) as running, running.book() as book:
            assert book.enter("", {"A1": "=LEAST_COUNT(0.5;50)"}) == {"A1": 0.01}
            (server,) = servers(running.process)
        for _ in range(100):
            if not Path(f"/proc/{server}").exists():
                break
            time.sleep(0.1)
        assert not Path(f"/proc/{server}").exists()


# -- the menu ------------------------------------------------------------------------------------


def contents(path: Path) -> dict[str, dict[str, tuple[Any, str]]]:
    """Values and number formats of every cell that holds something."""
    book = openpyxl.load_workbook(path, data_only=True)
    out = {
        sheet.title: {
            cell.coordinate: (cell.value, cell.number_format)
            for row in sheet.iter_rows()
            for cell in row
            if cell.value is not None
        }
        for sheet in book.worksheets
    }
    book.close()
    return out


def plain(charts: list[list[Any]]) -> list[list[Any]]:
    """Charts in which commas of legends are commas again."""
    look_alike = str.maketrans({"\u201a": ",", "\u037e": ";"})
    return [
        [title, [[role, cells, label.translate(look_alike)] for role, cells, label in series]]
        for title, series in charts
    ]


def pages(calc: Office, path: Path) -> list[np.ndarray]:
    """A workbook as it is printed: grey pictures."""
    calc.to_pdf(path, path.with_suffix(".pdf"))
    base = path.with_suffix("")
    command = ["pdftoppm", "-gray", "-r", "36", path.with_suffix(".pdf"), base]
    subprocess.run(command, check=True)
    out = []
    for file in sorted(path.parent.glob(f"{base.name}-*.pgm")):
        kind, width, height, _, grey = file.read_bytes().split(maxsplit=4)
        assert kind == b"P5"
        out.append(np.frombuffer(grey, np.uint8).reshape(int(height), int(width)).astype(int))
    return out


def assert_same_pictures(calc: Office, path: Path, other: Path) -> None:
    """The same pages, but for a shift of the footer by less than a pixel."""
    ours, theirs = pages(calc, path), pages(calc, other)
    assert len(ours) == len(theirs) > 6
    for number, (one, two) in enumerate(zip(ours, theirs, strict=True), 1):
        assert one.shape == two.shape
        different = float((abs(one - two) > 48).mean())
        assert different < 0.002, f"page {number}: {100 * different:.2f} % of it differs"


@pytest.mark.parametrize("group", [DOUBTFUL, CAREFUL])
def test_evaluation_in_place_equals_evaluation_of_the_file(
    calc: Office, tmp_path: Path, group: str
) -> None:
    path, by_file = tmp_path / "filled.xlsx", tmp_path / "evaluated.xlsx"
    path.write_bytes(filled(group))
    evaluate_file(path, by_file)
    with calc.book(by_file) as book:
        wanted = book.sheets(), book.charts()
        book.save(tmp_path / "by-file.xlsx")
        book.command("evaluate")  # takes the place of what the file brought
        assert book.sheets() == wanted[0]
    with calc.book(path) as book:
        done, text = book.command("evaluate")
        assert done, text
        found = book.sheets(), book.charts()
        book.save(tmp_path / "in-place.xlsx")
    assert found[0] == wanted[0]
    assert sum(len(series) for _, series in wanted[1]) > 3
    assert plain(found[1]) == plain(wanted[1])
    theirs, ours = contents(tmp_path / "by-file.xlsx"), contents(tmp_path / "in-place.xlsx")
    without_formulas = set(TITLES) - {"Budget"}
    for title in without_formulas:
        assert ours[title] == theirs[title], title
    for title in set(wanted[0]) - without_formulas:  # Calc has worked these out, anew or not
        assert set(ours[title]) == set(theirs[title])
        for cell, (value, shown_as) in theirs[title].items():
            same = pytest.approx(value, rel=1e-9, abs=1e-9) if isinstance(value, float) else value
            assert ours[title][cell] == (same, shown_as), f"{title} {cell}"
    if group == DOUBTFUL:
        assert_same_pictures(calc, tmp_path / "in-place.xlsx", tmp_path / "by-file.xlsx")
    # the next evaluation of the file finds the sheets
    again = tmp_path / "again.xlsx"
    evaluate_file(tmp_path / "in-place.xlsx", again)
    assert list(contents(again)) == wanted[0]


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_nothing_that_ends_the_office_is_left_to_undo(
    calc: Office, tmp_path: Path, kind: str
) -> None:
    path, saved = tmp_path / "filled.xlsx", tmp_path / f"marked.{kind}"
    path.write_bytes(filled(DOUBTFUL))
    with calc.book(path) as book:
        protected = book.protected()
        assert all(protected[1:5])
        for command in ("evaluate", "evaluate", "check"):
            book.command(command)
            assert book.steps() == []
        assert book.protected()[: len(protected)] == protected
        book.save(saved)
    with calc.book(saved) as book:
        book.command("clear")
        assert (book.coloured(), book.comments(), book.steps()) == ([], [], [])
        # the list works again
        book.comment("Readings", "A40", "mine")
        book.command("check")
        assert book.steps() == []
        assert book.coloured()


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_marks_stand_at_doubtful_cells_and_go_again(
    calc: Office, tmp_path: Path, kind: str
) -> None:
    path, saved = tmp_path / "filled.xlsx", tmp_path / f"marked.{kind}"
    path.write_bytes(filled(DOUBTFUL))
    wanted = {(d.sheet, d.cell) for d in prepare(path).doubts}
    assert wanted
    with calc.book(path) as book:
        assert book.command("check")[0]
        book.save(saved)
    with calc.book(saved) as book:  # as it came back from another day
        assert {(sheet, area) for sheet, area, _ in book.coloured()} == wanted
        comments = {(sheet, cell): said for sheet, cell, said in book.comments()}
        assert set(comments) == wanted
        assert all(said.startswith("sheetlab: ") for said in comments.values())
        assert book.command("evaluate")[0]
        assert set(TITLES) <= set(book.sheets())
        book.command("clear")
        assert (book.coloured(), book.comments()) == ([], [])
        assert not set(TITLES) & set(book.sheets())
        book.save(tmp_path / "cleared.xlsx")
    # what was typed is what it was
    assert prepare(tmp_path / "cleared.xlsx").doubts == prepare(path).doubts


def test_comments_formats_and_sheets_of_others_stay(calc: Office, tmp_path: Path) -> None:
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled(DOUBTFUL))
    (doubt,) = prepare(path).doubts
    with calc.book(path) as book:
        book.comment(doubt.sheet, doubt.cell, "read twice!")
        book.add_sheet("Evaluation")
        book.enter("Evaluation", {"A1": "mine"})
        assert book.command("check")[0]
        assert book.comments() == [[doubt.sheet, doubt.cell, "read twice!"]]
        assert [one[:2] for one in book.coloured()] == [[doubt.sheet, doubt.cell]]
        assert book.command("evaluate")[0]
        assert "Evaluation (2)" in book.sheets()
        assert book.command("clear")[0]
        assert book.comments() == [[doubt.sheet, doubt.cell, "read twice!"]]
        assert book.shown("Evaluation", "A1:A1") == [["mine"]]
        assert "Evaluation (2)" not in book.sheets()


def test_a_workbook_that_is_not_ours_is_told_so(calc: Office) -> None:
    with calc.book() as book:
        before = book.sheets()
        for command in ("evaluate", "check"):
            done, text = book.command(command)
            assert not done
            assert "sheetlab issue" in text
        assert book.command("clear") == (True, "There are no result sheets and no marks.")
        assert (book.sheets(), book.steps()) == (before, [])


def test_only_result_sheets_lose_their_grid(calc: Office, tmp_path: Path) -> None:
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled(CAREFUL))
    # without a window Calc keeps nothing about what its windows show
    with calc.book(path, hidden=False) as book:
        book.add_sheet("own")
        book.save(tmp_path / "before.xlsx")
        assert book.command("evaluate")[0]
        book.save(tmp_path / "after.xlsx")
    before, after = (
        {s.title: s.sheet_view.showGridLines for s in openpyxl.load_workbook(file).worksheets}
        for file in (tmp_path / "before.xlsx", tmp_path / "after.xlsx")
    )
    assert before["own"]
    assert after == {**before, **dict.fromkeys(TITLES, False)}


def test_a_password_is_respected(calc: Office, tmp_path: Path) -> None:
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled(DOUBTFUL))
    with calc.book(path) as book:
        (doubt,) = prepare(path).doubts
        book.protect_sheet(doubt.sheet, "secret")
        done, text = book.command("check")
        assert done
        assert f"{doubt.sheet}, {doubt.cell}" in text
        assert book.protected()[book.sheets().index(doubt.sheet)]
        # Calc lets a comment be written on a cell that may be typed into, and no colour be set
        assert book.coloured() == []
        assert ("Not marked" in text) == (book.comments() == [])
        assert book.command("clear")[0]
        assert book.comments() == []


def test_clearing_tells_what_is_gone(calc: Office, tmp_path: Path) -> None:
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled(DOUBTFUL))
    with calc.book(path) as book:
        assert book.command("check")[0]
        assert len(book.coloured()) == 1
        assert book.command("clear") == (True, "Taken away: 0 result sheets, 1 mark.")
        assert book.coloured() == []


def test_protected_structure_is_told(calc: Office, tmp_path: Path) -> None:
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled(DOUBTFUL))
    with calc.book(path) as book:
        before = book.sheets()
        book.protect_structure()
        for command, what in (
            ("evaluate", "no sheets can come in"),
            ("check", "colours of marks"),
            ("clear", "no sheets can be taken away"),
        ):
            done, text = book.command(command)
            assert not done
            assert "Protect Spreadsheet Structure" in text
            assert what in text
        assert book.sheets() == before


def test_a_workbook_without_readings_says_what_is_missing(calc: Office, tmp_path: Path) -> None:
    path = tmp_path / "blank.xlsx"
    path.write_bytes(write_template(layout(SHIPPED[0], Assist.CORRECTED)))
    with calc.book(path) as book:
        done, text = book.command("evaluate")
        assert done
        assert "No result could be formed" in text
        assert "looks wrong" not in text
        assert "Findings" in book.sheets()
        done, text = book.command("check")
        assert (done, text) == (True, "There are no readings in this workbook yet.")


@pytest.mark.parametrize("group", [DOUBTFUL, CAREFUL, NO_CELL])
def test_the_box_says_what_the_sheet_says(calc: Office, tmp_path: Path, group: str) -> None:
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled(group))
    before = set(Path(tempfile.gettempdir()).glob("sheetlab-*/*/copy.xlsx"))
    prepared = prepare(path)
    with calc.book(path) as book:
        done, text = book.command("evaluate")
        assert done
        assert headline(prepared.assessment) in text
        done, text = book.command("check")
        assert done
        for message in prepared.elsewhere:
            assert message in text
        assert ("No reading looks wrong." in text) == (group == CAREFUL)
    assert bool(prepared.elsewhere) == (group == NO_CELL)
    # no copy of what students typed stays behind; those of other tests go with their commands
    copies = set(Path(tempfile.gettempdir()).glob("sheetlab-*/*/copy.xlsx")) - before
    end = time.monotonic() + 30.0
    while any(copy.exists() for copy in copies) and time.monotonic() < end:
        time.sleep(0.1)
    assert not [copy for copy in copies if copy.exists()]
