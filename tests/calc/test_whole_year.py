"""One department from the plan to the third year, by the commands of the README and in Calc.

Every file is filled and saved by Calc, as its people would. All readings are invented.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import openpyxl
import pytest
from calc.office import Office
from classes.groups import Marks, row_of, texts
from years import department

from sheetlab.cli import main
from sheetlab.practical.bench import simulate
from sheetlab.workbook.layout import defined_name
from sheetlab.years.database import read
from sheetlab.years.drift import drifts

pytestmark = pytest.mark.calc

FIRST = 2026
SETUPS = {"W1": ("M-1", 0.50), "W2": ("M-1", 0.46), "W3": ("M-2", 0.50), "W4": ("M-2", 0.55)}
"""Screw gauge and wire (mm) of each set-up: two share a screw gauge."""
BIRDS = (
    "Bittern", "Curlew", "Dotterel", "Eider", "Fieldfare", "Gannet", "Hobby", "Knot", "Linnet",
    "Merlin", "Nightjar", "Osprey",
)  # fmt: skip
ZERO = {"M-1": 0.02, "M-2": 0.03}
DRIFT = 0.004
"""By which the zero error of M-2 grows from bench to bench after the first year, mm."""
TWO_DIVISIONS = 0.02
"""Change of a zero error at which evaluation itself speaks up, mm."""


@dataclass(slots=True)
class Department:
    """Folder, Calc, and what is known of the apparatus."""

    folder: Path
    office: Office
    capture: pytest.CaptureFixture[str]
    zeros: list[float] = field(default_factory=list)
    """True zero errors of M-2, hand-in after hand-in."""

    def run(self, *words: str, status: int = 0) -> str:
        code = main([*words])
        out, err = self.capture.readouterr()
        assert code == status, (words, out, err)
        return out + err

    def path(self, name: str) -> str:
        return str(self.folder / name)

    def register(self) -> None:
        self.run("register", "new", "--out", self.path("REGISTER.xlsx"))
        cells: dict[str, dict[str, str]] = {
            "Instruments": _rows(
                (*((m, "screw", "", "mm", "0.5", "50", "", "", "0.004") for m in ZERO),
                 ("X-1", "screw", "", "mm", "0.5", "50"),
                 ("K-1", "nominal", "", "kg"), ("S-1", "direct", "", "cm", "", "", "0.1"))
            ),
            "Zero history": _rows((m, "2026-01-10", str(zero)) for m, zero in ZERO.items()),
            "Wires": _rows(
                (f"R-{s}", "phosphor bronze", "", str(d), "2.2") for s, (_, d) in SETUPS.items()
            ),
        }  # fmt: skip
        file = Path(self.path("REGISTER.xlsx"))
        heads = _heads(file, "Set-ups")
        parts = {"extensometer": "X-1", "masses": "K-1", "metre_scale": "S-1"}
        cells["Set-ups"] = {
            f"{heads[key]}{row}": value
            for row, (setup, (gauge, _)) in enumerate(SETUPS.items(), 5)
            for key, value in {
                "set-up": setup, "wire": f"R-{setup}", "screw_gauge": gauge, **parts
            }.items()
        }  # fmt: skip
        self.office.type_in(file, cells, file)
        assert "0 findings" in self.run("register", "check", str(file))

    def issue(self, year: int) -> Path:
        roster = self.folder / f"roster {year}.csv"
        with roster.open("w", newline="", encoding="utf-8") as file:
            table = csv.writer(file)
            table.writerow(("group", "setup"))
            table.writerows((g, list(SETUPS)[i % len(SETUPS)]) for i, g in enumerate(BIRDS))
        issued = self.folder / f"issued {year}"
        self.run(
            "issue", department.WIRE, "--roster", str(roster),
            "--register", self.path("REGISTER.xlsx"),
            "--date", f"{year}-03-02", "--out", str(issued),
        )  # fmt: skip
        return issued

    def fill(self, year: int, habits: dict[str, list[str]]) -> Path:
        """Each group fills its workbook in Calc and hands it in under a name of its own."""
        self.issue(year)
        target = self.folder / f"handed in {year}"
        target.mkdir()
        for i, group in enumerate(BIRDS):
            self.hand_in(year, i, habits.get(group, []), target / f"final version {i}.xlsx")
        return target

    def hand_in(self, year: int, i: int, habits: list[str], target: Path) -> None:
        path = self.folder / f"issued {year}" / f"{department.WIRE} {BIRDS[i]}.xlsx"
        gauge, diameter = SETUPS[list(SETUPS)[i % len(SETUPS)]]
        zero = ZERO[gauge]
        if gauge == "M-2":
            if year > FIRST:
                zero = self.zeros[-1] + DRIFT
            self.zeros.append(zero)
        its = department.with_zero(round(zero, 4), diameter)
        seed = 1000 * (year - FIRST) + i
        cells = simulate(its, seed, habits).cells
        names = {
            defined_name(its.inputs[key]): list(values)
            for key, values in cells.items()
            if key in its.inputs and key != "register_diameter"
        }
        self.office.recalculate(path, names, save=target)

    def classroom(self, year: int, folder: Path, status: int = 0) -> Path:
        out = self.folder / f"CLASS {year}.xlsx"
        self.run(
            "class", str(folder), "--out", str(out), "--roster",
            str(self.folder / f"roster {year}.csv"), status=status,
        )  # fmt: skip
        return out

    def archive(self, year: int) -> str:
        return self.run(
            "archive", "add", self.path(f"CLASS {year}.xlsx"),
            "--archive", self.path("DEPARTMENT.sqlite"), "--year", str(year),
        )  # fmt: skip

    def drift(self, year: int) -> str:
        return self.run(
            "drift", self.path("DEPARTMENT.sqlite"), "--baseline", "6",
            "--out", self.path(f"DRIFT {year}.xlsx"),
        )  # fmt: skip


def _rows(rows: Iterable[tuple[str, ...]], first: int = 5) -> dict[str, str]:
    return {
        f"{chr(65 + j)}{first + i}": value
        for i, row in enumerate(rows)
        for j, value in enumerate(row)
        if value
    }


def _heads(path: Path, sheet: str, row: int = 4) -> dict[str, str]:
    its = openpyxl.load_workbook(path)[sheet]
    return {str(c.value): c.column_letter for c in its[row] if c.value}


def class_of_the_first_year(its: Department) -> None:
    """A misreading, a mark that the teacher types in Calc, and a second hand-in."""
    folder = its.fill(FIRST, {"Gannet": ["main-step"]})
    book = its.classroom(FIRST, folder)
    assert row_of(book, "Results", "Gannet")["status"] == "doubtful"
    assert [row[0] for row in texts(book, "Results") if row[0] in BIRDS] == list(BIRDS)
    cell = Marks(book).address("Gannet", "care")
    its.office.type_in(book, {"Marks": {cell: "0.25"}}, book)

    gannet = BIRDS.index("Gannet")
    (folder / "second try").mkdir()
    its.hand_in(FIRST, gannet, [], folder / "second try" / "once more.xlsx")
    its.classroom(FIRST, folder)
    assert row_of(book, "Results", "Gannet")["status"] == "ok"
    assert Marks(book).yours("Gannet", "care") == 0.25
    history = " ".join(str(value) for row in texts(book, "History") for value in row)
    assert "once more.xlsx" in history
    assert f"final version {gannet}.xlsx" in history


def signalled(told: str) -> str:
    """Names of the series for which something has to be done."""
    lines = told.splitlines()
    return "\n".join(a for a, b in pairwise(lines) if b.startswith("    - "))


def test_three_years_of_a_department(
    office: Office, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    its = Department(tmp_path, office, capsys)
    its.run(
        "plan", department.WIRE, "--gauge", "SWG 25", "--material", "phosphor bronze, hard",
        "--masses", "0.5x10", "--out", its.path("plan.xlsx"),
    )  # fmt: skip
    its.register()
    class_of_the_first_year(its)
    assert " 12 rows added" in its.archive(FIRST)
    assert " 0 rows added" in its.archive(FIRST)
    assert "zero error" not in signalled(its.drift(FIRST))

    for year in (FIRST + 1, FIRST + 2):
        folder = its.fill(year, {})
        its.classroom(year, folder)
        assert " 12 rows added" in its.archive(year)
    told = signalled(its.drift(FIRST + 2))
    assert "instrument M-2, zero error of screw gauge" in told
    assert "M-1" not in told

    # in time: told before the zero error has moved by two divisions
    late = sum(zero - ZERO["M-2"] <= TWO_DIVISIONS for zero in its.zeros)
    moved = next(d for d in drifts(read(Path(its.path("DEPARTMENT.sqlite"))).rows, 6) if d.alarm)
    assert moved.chart is not None
    assert min(signal.first for signal in moved.signals) <= late

    assert "complete and unaltered" in its.run("archive", "check", its.path("DEPARTMENT.sqlite"))
    its.run("archive", "evidence", its.path("DEPARTMENT.sqlite"), "--out", its.path("evidence"))
