"""The register filled by the real spreadsheet, its check sheets, and pages printed by it."""

from __future__ import annotations

import datetime
import math
import subprocess
from pathlib import Path

import pytest
from calc.office import Office

from sheetlab.before.issue import Binding, issue
from sheetlab.before.register import read_register
from sheetlab.before.register_sheets import new_register
from sheetlab.cli import main
from sheetlab.handling.roster import Group
from sheetlab.practical.loader import catalogue
from sheetlab.practical.register import ZeroCheck
from sheetlab.workbook.reader import read_workbook

pytestmark = pytest.mark.calc

LISTS = {
    "Instruments": {
        "A5": "M-07", "B5": "screw", "C5": "W1", "D5": "mm", "E5": "0.5", "F5": "50",
        "I5": "0.003", "J5": "in its unit", "L5": "2026-03-02", "M5": "12",
        "A6": "B", "B6": "screw", "D6": "screws",
        "A7": "L-1", "B7": "nominal", "C7": "W1", "D7": "mm", "I7": "0.02", "J7": "in its unit",
        "L7": "2025-01-31", "M7": "12",
    },
    "Zero history": {
        "A5": "M-07", "B5": "2025-09-01", "C5": "0.01", "A6": "M-07", "B6": "2026-03-02",
        "C6": "-0.02",
    },
    "Wires": {"A5": "R-3", "B5": "brass", "C5": "26 SWG", "D5": "0.46", "E5": "2.4"},
    "Set-ups": {"A5": "W1", "B5": "R-3", "C5": "M-07"},
}  # fmt: skip
CHECKS = {
    "Check micrometer": {
        "C7": "0.004", "B11": "0.01", "C11": "0.02", "D11": "0.01",
        "A16": "5.1", "C16": "5.115", "D16": "5.116", "E16": "5.117",
        "A17": "10.3", "C17": "10.32",
    },
    "Check masses": {
        "B9": "100", "C9": "M1", "E9": "100.004", "B10": "500", "C10": "M3", "E10": "499.7",
        "B11": "150", "C11": "M1", "B12": "5000", "C12": "F2", "E12": "5000.08",
    },
    "Check scale": {"B9": "10", "C9": "60", "D9": "100", "E9": "600.5"},
    "Check level": {
        "C7": "0.02",
        "A11": "1", "B11": "1.50", "C11": "1.51", "D11": "1.49", "E11": "1.50", "F11": "1.50",
        "A12": "2", "B12": "2.00", "C12": "2.03", "D12": "1.99", "E12": "2.02", "F12": "1.98",
        # the range is within, the scatter is not
        "B13": "3.00", "C13": "3.03", "D13": "3.00", "E13": "3.03", "F13": "3.03",
        "B14": "1.50", "C14": "1.51", "D14": "1.49", "E14": "1.50",
        "B15": "1.50", "C15": "1.51", "D15": "1.49", "E15": "1.50", "F15": "same",
        "B21": "1.44", "C21": "1.46", "D21": "1.56", "E21": "1.54", "F21": "50",
        "B22": "1.44", "D22": "1.56", "F22": "0", "B23": "1.44", "F23": "fifty",
    },
}  # fmt: skip


def test_a_register_filled_by_calc_is_read(office: Office, tmp_path: Path) -> None:
    path, saved = tmp_path / "new.xlsx", tmp_path / "filled.xlsx"
    path.write_bytes(new_register({"screw_gauge": "Screw gauge"}))
    office.type_in(path, {**LISTS, **CHECKS}, saved)
    found, findings = read_register(saved)
    assert next((f.place.sheet, f.place.cell) for f in findings) == ("Instruments", "D6")
    level = found.instruments["l1"]
    assert (level.kind, level.limit, level.due) == ("nominal", 0.02, datetime.date(2026, 1, 31))
    screw = found.instruments["m07"]
    assert (screw.step, screw.divisions, screw.limit, screw.months) == (0.5, 50.0, 0.003, 12.0)
    assert screw.checked == datetime.date(2026, 3, 2)
    assert screw.zeros == (
        ZeroCheck(datetime.date(2025, 9, 1), 0.01), ZeroCheck(datetime.date(2026, 3, 2), -0.02)
    )  # fmt: skip
    assert found.wires["r3"].diameter == 0.46
    assert found.setups["w1"].instruments == {"screw_gauge": "M-07"}

    shown = {(sheet, cell): value for sheet, cell, value, error in office.formulas(saved)}
    errors = [row for row in office.formulas(saved) if row[3]]
    assert not errors
    mass = {cell: value for (sheet, cell), value in shown.items() if sheet == "Check masses"}
    assert [mass[f"D{i}"] for i in range(9, 14)] == [5.0, 250.0, "not in table", 80.0, ""]
    assert [mass[f"H{i}"] for i in range(9, 14)] == ["yes", "no", "", "yes", ""]
    assert mass["F10"] == pytest.approx(-300.0)
    assert mass["G10"] == pytest.approx(-0.0006)
    screws = {cell: value for (sheet, cell), value in shown.items() if sheet == "Check micrometer"}
    assert screws["G11"] == pytest.approx(0.04 / 3)
    assert screws["G16"] == pytest.approx(0.016 - 0.04 / 3, abs=1e-9)
    assert (screws["I16"], screws["I17"], screws["I18"]) == ("yes", "no", "")
    scale = {cell: value for (sheet, cell), value in shown.items() if sheet == "Check scale"}
    assert (scale["F9"], scale["G9"]) == (500.0, 500.5)
    assert scale["H9"] == pytest.approx(-0.5)
    assert scale["I9"] == pytest.approx(500 / 500.5 - 1)
    assert scale["H10"] == ""
    bubble = {cell: value for (sheet, cell), value in shown.items() if sheet == "Check level"}
    # by hand: deviations 0, 0.01, -0.01, 0, 0 mm give s = sqrt(2e-4 / 4) mm
    assert bubble["H11"] == pytest.approx(math.sqrt(2e-4 / 4))
    assert [bubble[f"G{i}"] for i in (11, 12)] == pytest.approx([0.02, 0.05])
    assert bubble["H13"] == pytest.approx(0.03 * math.sqrt(0.3))
    assert [bubble[f"I{i}"] for i in range(11, 17)] == ["yes", "no", "no", "", "", ""]
    # an arm of 50 mm that is raised by 0.05 mm: 1 mm/m, in seconds of arc by 1 rad = 206 264.8″
    assert (bubble["G21"], bubble["H21"]) == (pytest.approx(0.05), pytest.approx(1.0))
    assert bubble["I21"] == pytest.approx(206.2648, abs=1e-3)
    assert (bubble["G22"], bubble["H22"], bubble["I22"]) == (pytest.approx(0.06), "", "")
    assert (bubble["G23"], bubble["H23"], bubble["I23"]) == ("", "", "")


def test_a_binding_survives_calc(office: Office, tmp_path: Path) -> None:
    path, saved = tmp_path / "new.xlsx", tmp_path / "filled.xlsx"
    path.write_bytes(new_register({"screw_gauge": "Screw gauge"}))
    office.type_in(path, LISTS, saved)
    binding = Binding(read_register(saved)[0], datetime.date(2026, 9, 7))
    (one,) = issue(
        catalogue(), "wire-stretching", tmp_path / "out", [Group("A", "W1")], binding=binding
    )
    before = read_workbook(one.path).identity.bound
    assert before is not None
    again = tmp_path / "again.xlsx"
    office.recalculate(one.path, {"in_screw_gauge_divisions": [100]}, again)
    assert read_workbook(again).identity.bound == before


def test_blank_pages(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("group\nMöwe 1\nB\n")
    out = tmp_path / "out"
    command = ["issue", "simple-pendulum", "--out", str(out), "--roster", str(roster), "--pdf"]
    assert main(command) == 0
    pages = sorted(out.glob("*.pdf"))
    assert [p.stem for p in pages] == ["simple-pendulum B", "simple-pendulum Möwe 1"]
    assert len(capsys.readouterr().out.splitlines()) == 4
    told = subprocess.run(["pdfinfo", pages[0]], capture_output=True, text=True, check=True).stdout
    assert "A4" in told
    text = subprocess.run(["pdftotext", pages[1], "-"], capture_output=True, text=True, check=True)
    assert "Möwe 1" in text.stdout
    assert "sheetlab workbook" not in text.stdout
