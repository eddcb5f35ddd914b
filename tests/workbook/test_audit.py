"""Every kind of workbook that we write, seen by a port of the Open XML SDK's checks.

A kind is a function into a folder; every ``.xlsx`` and ``.xlsm`` file that is then there is looked
at.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from before import test_register as register
from examples import CAREFUL, DOUBTFUL, SHIPPED, WORKBOOKS, filled, layout
from openpyxl.worksheet.worksheet import Worksheet
from workbook.audit import findings
from workbook.rich import decorated, rich, with_names_and_views
from workbook.tamper import edited, with_parts
from years import department

from sheetlab.cli import main
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import find_profile
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.template import write_template

HOSTILE = (
    "<r><t>a</b></r>", "a & b < c > d", "_x0041_", "=1+1", "  a  ", "😀 é", 'x"y', "http://example.org",
)  # fmt: skip
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore:Sparkline Group extension"),
    pytest.mark.filterwarnings("ignore:Unknown extension"),
]


def run(*words: object) -> None:
    assert main([str(word) for word in words]) in (0, 1), words


# -- what we write from nothing --------------------------------------------------------------------


def issued(folder: Path) -> None:
    for name in SHIPPED:
        for assist in Assist:
            for runs in (1, 3):
                data = write_template(layout(name, assist, runs))
                (folder / f"{name} {assist.value} {runs}.xlsx").write_bytes(data)


def filled_in(folder: Path) -> None:
    for group in WORKBOOKS:
        (folder / f"{group}.xlsx").write_bytes(filled(group))


def plans(folder: Path) -> None:
    for name in SHIPPED:
        run("plan", name, "--out", folder / f"{name}.xlsx")


def registers(folder: Path) -> None:
    run("register", "new", "--out", folder / "REGISTER.xlsx")
    register.bound_workbook(folder)
    # filled by the tests' own file library
    (folder / "register.xlsx").unlink()


def guide(folder: Path) -> None:
    run("addin", "guide", "--out", folder / "functions.xlsx")


def practice(folder: Path) -> None:
    for name in SHIPPED:
        run("practice-set", name, "--out", folder / name, "--count", 2)


def classes(folder: Path) -> None:
    """A class of both practicals with a blank workbook among them, and brought up to date."""
    source = folder / "in"
    source.mkdir()
    filled_in(source)
    (source / "blank.xlsx").write_bytes(write_template(layout(SHIPPED[0], Assist.FULL)))
    for _ in range(2):
        run("class", source, "--out", folder / "CLASS.xlsx")


def hostile_class(folder: Path) -> None:
    """Names and set-ups that look like markup, formulas and links."""
    source = folder / "in"
    for i, text in enumerate(HOSTILE):
        one = department.bench(900 + i, text, text)
        department.write(one, source, f"{i}")
    run("class", source, "--out", folder / "CLASS.xlsx")


def archives(folder: Path) -> None:
    """The years' workbook, its charts and the pack for an inspector."""
    for i, one in enumerate(department.year(700, (0.03,) * 6)):
        department.write(one, folder / "in", f"{i}")
    archive = folder / "D.sqlite"
    run("archive", "add", folder / "in", "--archive", archive, "--year", 2025)
    department.write(department.bench(800, "Other"), folder / "again")
    run("archive", "add", folder / "again", "--archive", archive, "--year", 2026)
    run("archive", "export", archive)
    run("drift", archive, "--out", folder / "DRIFT.xlsx", "--baseline", 5)
    run("archive", "evidence", archive, "--out", folder / "pack", "--sources", folder / "in")


def definitions(folder: Path) -> None:
    """Definition workbooks, their reports, and what is issued from one."""
    for name in ("", *SHIPPED):
        own = folder / f"{name or 'track'}.xlsx"
        run("practicals", "new", *(("--like", name) if name else ()), "--out", own)
        run("practicals", "check", own, "--out", folder / f"{name or 'track'} report.xlsx")
    run("issue", folder / "track.xlsx", "--assist", "full", "--out", folder / "issued")


WRITTEN: tuple[Callable[[Path], None], ...] = (
    issued, filled_in, plans, registers, guide, practice, classes, hostile_class, archives,
    definitions,
)  # fmt: skip


@pytest.mark.parametrize("write", WRITTEN, ids=lambda write: write.__name__)
def test_what_we_write_brings_no_finding(write: Callable[[Path], None], tmp_path: Path) -> None:
    write(tmp_path)
    paths = sorted(p for p in tmp_path.rglob("*.xls[xm]") if p.is_file())
    assert paths
    found = {str(p.relative_to(tmp_path)): findings(p) for p in paths}
    assert {name: told for name, told in found.items() if told} == {}


# -- what we add to a file of somebody else --------------------------------------------------------


def photo_and_comment(data: bytes) -> bytes:
    return edited(data, decorated)


def strange_parts(data: bytes) -> bytes:
    return rich(data)


def strange_parts_and_macros(data: bytes) -> bytes:
    return rich(data, macros=True)


def saved_by_a_library(data: bytes) -> bytes:
    return edited(data, lambda workbook: None)


def names_and_views(data: bytes) -> bytes:
    return edited(data, with_names_and_views)


def sheets_of_ones_own(data: bytes) -> bytes:
    def change(workbook: openpyxl.Workbook) -> None:
        workbook.create_sheet("Evaluation of mine", 0)["A1"] = "=1/3"
        workbook.create_sheet("<r>&amp;")["A1"] = "<t>&amp;</t>"
        hidden = workbook.create_sheet("hidden")
        hidden.sheet_state = "veryHidden"

    return edited(data, change)


def a_table_and_a_filter(data: bytes) -> bytes:
    def change(workbook: openpyxl.Workbook) -> None:
        sheet: Worksheet = workbook.create_sheet("Table")
        for row in (("a", "b"), (1, 2), (3, 4)):
            sheet.append(row)
        table = openpyxl.worksheet.table.Table(displayName="Mine", ref="A1:B3")
        sheet.add_table(table)
        workbook["Readings"].auto_filter.ref = "S1:T9"

    return edited(data, change)


def many_formats(data: bytes) -> bytes:
    def change(workbook: openpyxl.Workbook) -> None:
        sheet = workbook.create_sheet("Colours")
        for i in range(200):
            cell = sheet.cell(i + 1, 1, i)
            cell.number_format = f'0.0"{i}"'
            cell.font = openpyxl.styles.Font(size=6 + i % 30, color=f"{i:06X}")
            cell.fill = openpyxl.styles.PatternFill("solid", fgColor=f"{i:06X}")

    return edited(data, change)


def a_thumbnail(data: bytes) -> bytes:
    return with_parts(data, {"docProps/thumbnail.wmf": b"\1\0\t\0" * 40})


DECORATED: tuple[Callable[[bytes], bytes], ...] = (
    photo_and_comment, strange_parts, strange_parts_and_macros, saved_by_a_library,
    names_and_views, sheets_of_ones_own, a_table_and_a_filter, many_formats, a_thumbnail,
)  # fmt: skip


@pytest.mark.parametrize("group", sorted(WORKBOOKS))
def test_an_evaluated_workbook_brings_no_finding(group: str, tmp_path: Path) -> None:
    source, target = tmp_path / "a.xlsx", tmp_path / "out.xlsx"
    source.write_bytes(filled(group))
    assert evaluate_file(source, target, trials=0).written == target
    assert findings(target) == set()


@pytest.mark.parametrize("group", [CAREFUL["wire-stretching"], DOUBTFUL[0]])
@pytest.mark.parametrize("decorate", DECORATED, ids=lambda one: one.__name__)
def test_what_we_add_brings_no_finding_that_was_not_there(
    decorate: Callable[[bytes], bytes], group: str, tmp_path: Path
) -> None:
    ending = "xlsm" if decorate is strange_parts_and_macros else "xlsx"
    source, target = tmp_path / f"a.{ending}", tmp_path / f"out.{ending}"
    source.write_bytes(decorate(filled(group)))
    before = findings(source)
    assert evaluate_file(source, target, trials=0).written == target
    assert findings(target) <= before
    # in place, and once more over what is there
    for profile in ("gum", "school-maximum"):
        shown = find_profile(profile)
        assert evaluate_file(source, source, profile=shown, trials=0).written == source
        assert findings(source) <= before
