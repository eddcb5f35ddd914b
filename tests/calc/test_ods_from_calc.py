"""Workbooks that are filled in Calc and saved as .ods, which many do without noticing."""

from __future__ import annotations

from pathlib import Path

import pytest
from calc.office import Office
from examples import CAREFUL, SHIPPED, layout, typed

from sheetlab.checks.assess import assess
from sheetlab.practical.definition import Assist
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.package import open_package
from sheetlab.workbook.reader import read_workbook
from sheetlab.workbook.template import write_template

pytestmark = pytest.mark.calc


@pytest.mark.parametrize("name", SHIPPED)
def test_filled_in_calc_and_saved_as_ods_is_read_as_the_xlsx(
    office: Office, tmp_path: Path, name: str
) -> None:
    plan = layout(name, Assist.FULL)
    blank = tmp_path / "blank.xlsx"
    blank.write_bytes(write_template(plan))
    fill = {plan.name(key): list(values) for key, values in typed(CAREFUL[name]).items()}
    found = {}
    for ending in ("xlsx", "ods"):
        path = tmp_path / f"filled.{ending}"
        office.recalculate(blank, fill=fill, save=path)
        found[ending] = read_workbook(path)
    assert found["ods"].package.open_document
    assert found["ods"].observations.findings == found["xlsx"].observations.findings == ()
    assert found["ods"].identity == found["xlsx"].identity
    budgets = [
        assess(one.practical, one.observations, 0).evaluation.measurand.budget
        for one in found.values()
    ]
    assert budgets[0] == budgets[1]
    source = tmp_path / "filled.ods"
    before = source.read_bytes()
    written = evaluate_file(source, source).written
    assert written == tmp_path / "filled.ods.xlsx"
    assert source.read_bytes() == before
    # the copy opens in Calc, and its own formulas show the numbers that were worked out
    assert office.formulas(written)
    assert not [cell for cell in office.formulas(written) if cell[3]]


def test_what_people_type_in_calc_is_told_of_an_ods(office: Office, tmp_path: Path) -> None:
    plan = layout("wire-stretching", Assist.CORRECTED)
    blank, path = tmp_path / "blank.xlsx", tmp_path / "odd.ods"
    blank.write_bytes(write_template(plan, typed("Avocet")))

    def cell(key: str, row: int = 0) -> str:
        slot = plan.slots[key]
        return f"{'ABCDEFGHIJKL'[slot.column]}{slot.row + row + 1}"

    column = "readings.mass"
    office.type_in(
        blank,
        {
            "Readings": {
                cell("dead_load"): "'1,2",
                cell(column, 0): "=1/0",
                cell(column, 1): "=1+1",
                cell(column, 2): "2026-05-02",
                cell(column, 3): "=NA()",
            }
        },
        path,
    )
    read = read_workbook(path)
    # the cell's own format wins over the date: the number of a day is told as that
    codes = [f.code for f in assess(read.practical, read.observations, 0).findings]
    for code in ("number-as-text", "formula-for-reading", "date-for-number", "not-a-number"):
        assert code in codes
    assert read.observations.entry("dead_load").value == 1.2
    assert [read.observations.entry(column, row).value for row in range(4)] == [
        None,
        2,
        None,
        None,
    ]
    assert any("2026-05-02" in f.found for f in read.observations.findings)
    assert any("#DIV/0!" in f.found for f in read.observations.findings)


def test_an_ods_saved_with_a_password_is_told(office: Office, tmp_path: Path) -> None:
    source, path = tmp_path / "a.xlsx", tmp_path / "locked.ods"
    source.write_bytes(write_template(layout("wire-stretching", Assist.CORRECTED)))
    office.call("locked", path=str(source), save=str(path), password="bench")
    (finding,) = evaluate_file(path, None).findings
    assert "password" in finding.found
    with pytest.raises(Exception, match="password"):
        read_workbook(path)


def test_sheets_renamed_and_rows_inserted_in_an_ods(office: Office, tmp_path: Path) -> None:
    source, path = tmp_path / "a.xlsx", tmp_path / "moved.ods"
    source.write_bytes(write_template(layout("wire-stretching", Assist.CORRECTED), typed("Avocet")))
    plain = read_workbook(source)
    office.call("rearranged", path=str(source), save=str(path))
    moved = read_workbook(path)
    assert [f.code for f in moved.observations.findings] == ["protection-removed"]
    assert {s.name for s in moved.store.sheets} >= {"It's. mine", "sheetlab"}
    results = [
        assess(r.practical, r.observations, 0).evaluation.measurand.budget.value
        for r in (plain, moved)
    ]
    assert results[0] == results[1]
    assert moved.observations.entry("dead_load").place.sheet == "It's. mine"
    assert open_package(path).open_document
