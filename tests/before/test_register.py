"""The register as a technician fills it, the workbooks bound to it, and odd files on the way."""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import openpyxl
import pytest
from examples import filled
from workbook.tamper import edited

from sheetlab.before.books import books
from sheetlab.before.issue import Binding, issue
from sheetlab.before.register import INSTRUMENTS, LISTS, SETUPS, WIRES, ZEROS, read_register
from sheetlab.before.register_sheets import SHEET_CHECKS, new_register
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.handling import printing
from sheetlab.handling.roster import Group, read_roster
from sheetlab.practical.loader import catalogue
from sheetlab.practical.register import (
    Register,
    ZeroCheck,
    bind,
    material_choice,
    prefilled,
    setup_as_bound,
)
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.layout import IDENTITY
from sheetlab.workbook.reader import read_workbook

REFERENCE = Path(__file__).parents[1] / "reference"
PARTS = {"screw_gauge": "Screw gauge", "extensometer": "Screw", "masses": "Slotted masses"}
HEAD = 4
TODAY = datetime.date(2026, 9, 7)

INSTRUMENT_ROWS = (
    ("M-07", "screw", "W1", "mm", 0.5, 50, 0.01, "0–25 mm", 0.003, "in its unit", "DIN 863-1",
     datetime.date(2026, 3, 2), 12, "ratchet worn"),
    ("X-1", "Screw", None, "mm", 1, 100, None, None, 0.001, "as a fraction", None, "2025-01-31", 6),
    ("K1", "nominal", None, "kg", None, None, None, None, "0,002", "as a fraction", "M3"),
)  # fmt: skip
ZERO_ROWS = (
    ("m07", datetime.date(2026, 3, 2), 0.03),
    ("M-07", "2025-09-01", 0.01),
    ("M 07", 46000, "0.02"),
)
WIRE_ROWS = (("R-3", "brass", "26 SWG", 0.46, 2.4, 0),)
SETUP_ROWS = (("W1", "R-3", "M-07", "X-1", "K1"),)
FILL: Mapping[str, tuple[tuple[object, ...], ...]] = {
    "Instruments": INSTRUMENT_ROWS, "Zero history": ZERO_ROWS, "Wires": WIRE_ROWS,
    "Set-ups": SETUP_ROWS,
}  # fmt: skip


@cache
def blank() -> bytes:
    return new_register(PARTS)


def fill(book: openpyxl.Workbook) -> None:
    for name, rows in FILL.items():
        for r, row in enumerate(rows):
            for c, value in enumerate(row):
                if value is not None:
                    book[name].cell(HEAD + 1 + r, c + 1).value = value


def written(tmp_path: Path, *changes: Callable[[openpyxl.Workbook], None]) -> Path:
    """A register as another program would write it: headings and contents only."""
    book = openpyxl.Workbook()
    for name, columns in LISTS.items():
        sheet = book.create_sheet(name)
        headings = [column.title for column in columns]
        if columns is SETUPS:
            headings[-1:] = [*PARTS, headings[-1]]
        for i, heading in enumerate(headings):
            sheet.cell(HEAD, i + 1).value = heading
    for change in (fill, *changes):
        change(book)
    path = tmp_path / "register.xlsx"
    book.save(path)
    return path


def of_ours(tmp_path: Path, *changes: Callable[[openpyxl.Workbook], None]) -> Path:
    """The register that sheetlab writes, filled."""

    def change(book: openpyxl.Workbook) -> None:
        for one in (fill, *changes):
            one(book)

    path = tmp_path / "register.xlsx"
    path.write_bytes(edited(blank(), change))
    return path


def opened(path: Path) -> openpyxl.Workbook:
    # read-only: without merged cells, for each of which openpyxl compares all formats
    return openpyxl.load_workbook(io.BytesIO(path.read_bytes()), read_only=True)


def put(sheet: str, cell: str, value: object) -> Callable[[openpyxl.Workbook], None]:
    def change(book: openpyxl.Workbook) -> None:
        book[sheet][cell].value = value

    return change


# -- reading ---------------------------------------------------------------------------------------


def test_an_empty_register_has_nothing_and_nothing_wrong(tmp_path: Path) -> None:
    path = tmp_path / "r.xlsx"
    path.write_bytes(blank())
    assert read_register(path) == (Register(file="r.xlsx"), ())
    assert new_register(PARTS) == blank()


def test_what_was_filled_in_is_read(tmp_path: Path) -> None:
    found, findings = read_register(of_ours(tmp_path))
    assert not findings
    assert found == read_register(written(tmp_path))[0]
    screw = found.instruments["m07"]
    assert (screw.id, screw.kind, screw.setup, screw.unit) == ("M-07", "screw", "W1", "mm")
    assert (screw.step, screw.divisions, screw.least_count, screw.limit) == (0.5, 50, 0.01, 0.003)
    assert (screw.span, screw.standard, screw.relative) == ("0–25 mm", "DIN 863-1", False)
    assert screw.due == datetime.date(2027, 3, 2)
    assert screw.zeros == (
        ZeroCheck(datetime.date(2025, 9, 1), 0.01),
        ZeroCheck(datetime.date(2025, 12, 9), 0.02),
        ZeroCheck(datetime.date(2026, 3, 2), 0.03),
    )
    other = found.instruments["x1"]
    assert (other.kind, other.relative, other.checked) == (
        "screw", True, datetime.date(2025, 1, 31)
    )  # fmt: skip
    assert other.due == datetime.date(2025, 7, 31)
    assert found.instruments["k1"].limit == 0.002
    wire = found.wires["r3"]
    assert (wire.material, wire.gauge, wire.diameter, wire.length, wire.cycles) == (
        "brass", "26 SWG", 0.46, 2.4, 0.0
    )  # fmt: skip
    assert found.setups["w1"].instruments == {
        "screw_gauge": "M-07", "extensometer": "X-1", "masses": "K1"
    }  # fmt: skip
    assert found.setups["w1"].wire == "R-3"


def test_moved_rows_columns_and_sheets_change_nothing(tmp_path: Path) -> None:
    plain, _ = read_register(of_ours(tmp_path))

    def move(book: openpyxl.Workbook) -> None:
        book["Wires"].insert_rows(1, 3)
        book["Wires"].insert_cols(1, 2)
        book.move_sheet("Set-ups", -3)
        book["Set-ups"].insert_cols(2)
        book["Set-ups"].insert_rows(HEAD + 1)

    moved, findings = read_register(of_ours(tmp_path, move))
    assert not findings
    assert moved.wires.keys() == plain.wires.keys()
    assert moved.wires["r3"].diameter == plain.wires["r3"].diameter
    assert moved.setups["w1"].instruments == plain.setups["w1"].instruments


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "expected"),
    [
        ("Instruments", "B5", "screws", "screw, vernier"),
        ("Instruments", "D5", "millimeetre", "a unit"),
        ("Instruments", "E5", -0.5, "greater than 0"),
        ("Instruments", "F5", "fifty", "a number"),
        ("Instruments", "G5", "0.01 mm", "a number"),
        ("Instruments", "G5", 1e300, "a number"),
        ("Instruments", "I5", -0.003, "a number"),
        ("Instruments", "I5", "1,234", "a number"),
        ("Instruments", "J5", "percent", "as a fraction"),
        ("Instruments", "L5", "3/2/26", "2026-09-01"),
        ("Instruments", "L5", 3.0, "2026-09-01"),
        ("Instruments", "M5", True, "a number"),
        ("Instruments", "F5", "=1+1", "a number"),
        ("Instruments", "H5", "x" * 99, "60 letters"),
        ("Zero history", "C5", datetime.date(2026, 3, 2), "a number"),
        ("Zero history", "B5", "yesterday", "2026-09-01"),
        ("Wires", "D5", 0, "greater than 0"),
        ("Wires", "F5", -1, "a number"),
    ],
)
def test_a_wrong_cell_is_told_with_its_place(
    tmp_path: Path, sheet: str, cell: str, value: object, expected: str
) -> None:
    _, findings = read_register(written(tmp_path, put(sheet, cell, value)))
    one = findings[0]
    assert one.code == "register-cell"
    assert (one.place.file, one.place.sheet, one.place.cell) == ("register.xlsx", sheet, cell)
    assert expected in one.expected
    assert one.remedy


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "code", "words"),
    [
        ("Instruments", "G5", 0.005, "register-mismatch", "0.5 ÷ 50 = 0.01"),
        ("Instruments", "C5", "W2", "register-mismatch", "W2"),
        ("Set-ups", "C5", "M-99", "register-mismatch", "M-99"),
        ("Set-ups", "B5", "R-99", "register-mismatch", "R-99"),
        ("Wires", "C5", "26 AWG", "register-mismatch", "0.405 mm"),
        ("Wires", "C5", "thin", "register-mismatch", "thin"),
        ("Wires", "A6", "r 3", "register-cell", "twice"),
        ("Zero history", "A5", "M-1", "register-cell", "M-1"),
        ("Instruments", "D7", None, "register-cell", "no unit"),
        ("Wires", "B6", "steel", "register-cell", "no id"),
        ("Instruments", "D4", "units", "register-cell", "“unit”"),
        ("Instruments", "I5", 4, "register-mismatch", "400 divisions"),
        ("Instruments", "I7", 0.5, "register-mismatch", "50 % of the reading"),
        ("Instruments", "E7", 1, "register-mismatch", "kind nominal"),
        ("Zero history", "C5", 2, "register-mismatch", "zero error of 2026-03-02 is 2 mm"),
        ("Wires", "E5", 250, "register-mismatch", "250 m long"),
    ],
)
def test_cells_that_do_not_fit_each_other(
    tmp_path: Path, sheet: str, cell: str, value: object, code: str, words: str
) -> None:
    _, findings = read_register(written(tmp_path, put(sheet, cell, value)))
    assert any(f.code == code and words in f.found for f in findings), findings


def test_a_wire_hangs_at_one_set_up(tmp_path: Path) -> None:
    second = put("Set-ups", "A6", "W2"), put("Set-ups", "B6", "R-3")
    _, findings = read_register(written(tmp_path, *second))
    assert [f.found for f in findings] == ["the wire R-3 hangs at W1 and at W2"]


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "words", "status"),
    [
        ("Set-ups", "C5", "K1", "K1 is a nominal scale. Expected: a screw scale as screw_gauge", 1),
        ("Wires", "B5", "phosphour bronz", "no practical's list of materials", 0),
        # what issue would leave out with a note is refused here
        ("Instruments", "J6", "in its unit", "without it. Expected: one as a fraction", 1),
        ("Zero history", "B5", datetime.date(2149, 1, 1), "2149-01-01, a day that has not come", 1),
    ],
)
def test_what_the_command_knows_besides_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sheet: str, cell: str, value: object,
    words: str, status: int,
) -> None:  # fmt: skip
    path = written(tmp_path, put(sheet, cell, value))
    assert main(["register", "check", str(path), "--date", "2025-02-01"]) == status
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("material", [one.name for one in books().materials])
def test_materials_of_plans_are_known_to_the_register(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], material: str
) -> None:
    path = written(tmp_path, put("Wires", "B5", material))
    assert main(["register", "check", str(path), "--date", "2025-02-01"]) == 0
    assert "0 findings" in capsys.readouterr().out


def test_a_temper_does_not_hide_the_material(tmp_path: Path) -> None:
    register, _ = read_register(written(tmp_path, put("Wires", "B5", "Brass, hard")))
    wire = catalogue().load("wire-stretching")
    bound, _ = bind(wire, register, "W1", TODAY)
    assert bound is not None
    assert prefilled(wire, bound)["material"] == "brass"
    assert material_choice("silver", ["brass", "steel"]) == ""
    assert material_choice("brassy thing", ["brass", "steel"]) == ""


def test_a_register_is_checked_against_a_rota(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, rota = written(tmp_path), tmp_path / "rota.csv"
    rota.write_text(
        "group,week,setup,practical\nA,1,W1,wire-stretching\nB,1,W7,wire-stretching\n"
        "A,2,P1,no-such-thing\n",
        encoding="utf-8",
    )
    command = ["register", "check", str(path), "--date", "2025-02-01", "--rota", str(rota)]
    assert main(command) == 1
    told = capsys.readouterr().err
    assert "the register has no set-up “W7”" in told
    assert "no-such-thing" in told
    assert "“W1”" not in told
    # the set-up has no rule for lengths, which the practical asks for
    assert "the set-up W1 names no instrument for metre_scale" in told


def test_sheets_and_headings_that_are_gone(tmp_path: Path) -> None:
    def drop(book: openpyxl.Workbook) -> None:
        del book["Wires"]
        book["Zero history"]["A4"].value = "thing"

    _, findings = read_register(written(tmp_path, drop))
    assert {f.place.sheet for f in findings if f.code == "register-cell"} == {
        "Wires", "Zero history"
    }  # fmt: skip


@pytest.mark.parametrize("data", [b"", b"nonsense", None])
def test_files_that_are_no_register(tmp_path: Path, data: bytes | None) -> None:
    path = tmp_path / "r.xlsx"
    path.write_bytes(filled("Avocet") if data is None else data)
    with pytest.raises(SheetlabError) as caught:
        read_register(path)
    # a text is a list of one sheet, and no register either
    assert [f.code for f in caught.value.findings] == ["register-refused"]
    path.write_bytes(b"PK\3\4nonsense")
    for unreadable in (path, tmp_path / "missing.xlsx"):
        with pytest.raises(SheetlabError) as caught:
            read_register(unreadable)
        (finding,) = caught.value.findings
        assert (finding.code, finding.place.file) == ("file-unreadable", unreadable.name)
        assert "register new" in finding.expected


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "new.xlsx"
    assert main(["register", "new", "--out", str(path)]) == 0
    book = opened(path)
    heads = [cell.value for cell in book["Set-ups"][HEAD]]
    assert {"set-up", "wire", "screw_gauge", "caliper", "stopwatch"} <= set(heads)
    for name, columns in LISTS.items():
        if columns is not SETUPS:
            assert [c.value for c in book[name][HEAD]] == [c.title for c in columns]
    assert main(["register", "check", str(path)]) == 0
    assert main(["register", "new", "--out", str(path)]) == 2
    assert main(["register", "new", "--out", str(tmp_path / "no" / "x.xlsx")]) == 2
    wrong = written(tmp_path, put("Instruments", "B5", "screws"))
    capsys.readouterr()
    assert main(["register", "check", str(wrong)]) == 1
    told = capsys.readouterr()
    assert "3 instruments, 1 wire, 1 set-up" in told.out
    assert "Instruments, cell B5" in told.err


def test_a_check_that_was_due_is_a_note_of_the_register_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path)
    assert main(["register", "check", str(path), "--date", "2026-09-07"]) == 0
    told = capsys.readouterr()
    assert told.err.count("X-1 was last checked on 2025-01-31; the next check was due on") == 1
    assert "1 finding" in told.out
    assert main(["register", "check", str(path), "--date", "2025-02-01"]) == 0
    assert "0 findings" in capsys.readouterr().out
    assert main(["register", "check", str(path), "--date", "soon"]) == 2
    told = capsys.readouterr().err
    assert "--date: “soon” is not understood. Expected: a day as 2026-09-01" in told
    # a slip of the year is no day of a register
    assert main(["register", "check", str(path), "--date", "0206-09-01"]) == 2


def test_the_kinds_of_scale_are_explained() -> None:
    kind = next(one for one in LISTS["Instruments"] if one.key == "kind")
    assert all(f"{name}: " in kind.help for name in ("direct", "nominal"))


def test_what_a_check_asks_can_be_seen_and_typed_over(tmp_path: Path) -> None:
    """Beside each worked-out cell of a check sheet stand cells to be filled, in their look."""
    assert main(["register", "new", "--out", str(tmp_path / "R.xlsx")]) == 0
    book = openpyxl.load_workbook(tmp_path / "R.xlsx")
    checks = [sheet for sheet in book if sheet.title.startswith("Check ")]
    assert len(checks) == 4
    for sheet in checks:
        look = next(  # that of the first thing it asks
            c.fill.fgColor.rgb for row in sheet["A3:I6"] for c in row if not c.protection.locked
        )
        worked = {c.row for row in sheet for c in row if str(c.value).startswith("=IF(")}
        assert worked
        for number in worked:
            free = [c for c in sheet[number] if c.fill.fgColor.rgb == look]
            assert free, (sheet.title, number)
            assert not any(c.protection.locked for c in free)


def test_check_sheets_hold_the_published_table_and_no_broken_formula() -> None:
    book = openpyxl.load_workbook(io.BytesIO(blank()), read_only=True)
    assert set(SHEET_CHECKS) <= set(book.sheetnames)
    sheet = book["Check masses"]
    with (REFERENCE / "oiml_r111_mpe.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["provenance"] == "fetched"]
    shown = {
        row[0].value: [cell.value for cell in row[1:5]]
        for row in sheet.iter_rows(min_row=20)
        if isinstance(row[0].value, int | float)
    }
    assert len(rows) == 12
    for row in rows:
        limits = [float(row[f"{c}_mpe_mg"]) for c in ("F2", "M1", "M2", "M3")]
        assert shown[float(row["nominal_g"])] == limits
    texts = [str(c.value) for name in SHEET_CHECKS for r in book[name].iter_rows() for c in r]
    assert any("OIML R 111-1" in text for text in texts)
    assert sum("not checked against the document" in text for text in texts) == 9
    assert not any("from memory" in text for text in texts)


# -- workbooks that are bound ----------------------------------------------------------------------


def bound_workbook(tmp_path: Path, *changes: Callable[[openpyxl.Workbook], None]) -> Path:
    register, _ = read_register(written(tmp_path, *changes))
    (one,) = issue(
        catalogue(), "wire-stretching", tmp_path / "out", [Group("A", "W1")],
        binding=Binding(register, TODAY),
    )  # fmt: skip
    assert one.finding is None
    return one.path


def test_a_workbook_knows_its_set_up_and_hides_the_least_counts(tmp_path: Path) -> None:
    path = bound_workbook(tmp_path)
    found = read_workbook(path)
    bound = found.identity.bound
    assert bound is not None
    assert (bound.setup, bound.issued) == ("W1", "2026-09-07")
    assert {i.instrument: i.id for i in bound.instruments} == {
        "screw_gauge": "M-07", "extensometer": "X-1", "masses": "K1"
    }  # fmt: skip
    assert [i.least_count for i in bound.instruments] == [0.01, 0.01, None]
    entries = found.observations
    assert entries.entry("screw_gauge.limit").value == 0.003
    assert entries.entry("extensometer.limit").value == 0.001
    assert entries.entry("masses.limit").value == 0.002
    assert entries.entry("metre_scale.limit").value == 0.0005
    assert entries.entry("register_diameter").value == 0.46
    assert entries.entry("material").text == "brass"
    assert entries.entry("screw_gauge.divisions").value is None
    book = opened(path)
    assert book[IDENTITY].sheet_state == "veryHidden"
    shown = [
        cell.value for sheet in book for row in sheet.iter_rows() for cell in row
        if sheet.title != IDENTITY
    ]  # fmt: skip
    assert 50 not in shown
    labelled = [text for text in shown if "labelled" in str(text)]
    assert len(labelled) == 4
    assert any("Material of the wire" in text and "labelled R-3" in text for text in labelled)
    assert labelled[0] == "Screw gauge   (take the one labelled M-07)"


def test_evaluation_of_a_bound_file_compares(tmp_path: Path) -> None:
    path = bound_workbook(tmp_path)
    cells = {
        "in_screw_gauge_turns": 10, "in_screw_gauge_travel": 5, "in_screw_gauge_divisions": 100,
    }  # fmt: skip

    def change(book: openpyxl.Workbook) -> None:
        for name, value in cells.items():
            (where,) = book.defined_names[name].destinations
            book[where[0]][where[1]].value = value

    path.write_bytes(edited(path.read_bytes(), change))
    found = evaluate_file(path, None, trials=0)
    one = next(f for f in found.findings if f.code == "least-count-against-register")
    assert "M-07" in one.found
    assert "100" in one.found
    assert (one.place.file, one.place.sheet) == (path.name, "Instruments")


def test_a_set_up_is_spelt_as_in_the_register(tmp_path: Path) -> None:
    register, _ = read_register(written(tmp_path))
    (one,) = issue(
        catalogue(), "wire-stretching", tmp_path / "out", [Group("A", "w 1")],
        binding=Binding(register, TODAY),
    )  # fmt: skip
    found = read_workbook(one.path)
    assert found.observations.entry("start.setup").text == "W1"
    bound = found.identity.bound
    assert setup_as_bound("w-1", bound) == "W1"
    assert setup_as_bound("w 2", bound) == "w 2"
    assert setup_as_bound("w 2", None) == "w 2"


def test_a_workbook_without_a_register_says_nothing_of_one(tmp_path: Path) -> None:
    (one,) = issue(catalogue(), "wire-stretching", tmp_path, [Group("A", "W1")])
    assert read_workbook(one.path).identity.bound is None
    values = [c.value for r in opened(one.path)[IDENTITY].iter_rows() for c in r]
    assert "bound" not in values


def test_a_changed_binding_is_told_and_the_rest_evaluated(tmp_path: Path) -> None:
    path = bound_workbook(tmp_path)
    data = path.read_bytes()
    bound = read_workbook(path).identity.bound
    assert bound is not None
    good = bound.text()
    # what else is refused is asked in tests/checks/test_bound.py, of the text alone
    for text in (good, good.replace("0.003", "-0.003")):

        def change(book: openpyxl.Workbook, text: str = text) -> None:
            (row,) = [r for r in book[IDENTITY].iter_rows() if r[0].value == "bound"]
            row[1].value = text

        path.write_bytes(edited(data, change))
        found = read_workbook(path)
        assert found.observations.entry("screw_gauge.limit").value == 0.003
        told = [f.code for f in found.observations.findings]
        assert told == ([] if text == good else ["binding-damaged"])
        assert found.identity.bound == (bound if text == good else None)


HOSTILE = '=HYPERLINK("http://x","y")\n[[instruments]]\x07 "\'\\'


def test_hostile_texts_stay_texts(tmp_path: Path) -> None:
    safe = HOSTILE.replace("\x07", "")
    changes = [
        put("Instruments", "A5", "../../x"), put("Set-ups", "C5", "../../x"),
        put("Zero history", "A5", "../../x"), put("Wires", "B5", safe.lstrip("=")),
        put("Instruments", "K5", safe.lstrip("=")),
    ]  # fmt: skip
    path = bound_workbook(tmp_path, *changes)
    assert path.parent == tmp_path / "out"
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    bound = read_workbook(path).identity.bound
    assert bound is not None
    assert bound.instruments[0].id == "../../x"
    assert bound.wire.material == 'HYPERLINK("http://x","y") [[instruments]] "\'\\'
    formulas = [
        cell.value for row in opened(path)[IDENTITY].iter_rows() for cell in row
        if cell.data_type == "f"
    ]  # fmt: skip
    assert not formulas


def test_issue_tells_what_the_register_lacks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path)
    roster = tmp_path / "roster.csv"
    roster.write_text("group,setup\nA,W1\nB,W9\nC,W1\n")
    command = ["issue", "wire-stretching", "--roster", str(roster), "--register", str(path)]
    assert main([*command, "--date", "2026-09-07", "--out", str(tmp_path / "a")]) == 1
    told = capsys.readouterr()
    assert len(told.out.splitlines()) == 3
    assert "no set-up “W9”" in told.err
    # the set-up of A and C names no metre scale: told once
    assert told.err.count("metre_scale") == 1
    assert told.err.count("X-1 was last checked on 2025-01-31") == 1
    assert main([*command, "--date", "7/9/26", "--out", str(tmp_path / "b")]) == 2
    assert main([*command[:-1], str(roster), "--out", str(tmp_path / "b")]) == 2
    assert not (tmp_path / "b").exists()


def test_groups_without_a_set_up_are_named_in_one_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path)
    roster = tmp_path / "roster.csv"
    roster.write_text("group,setup\nA,\nB,W9\nC,\nD,W1\n")
    command = ["issue", "wire-stretching", "--roster", str(roster), "--register", str(path)]
    assert main([*command, "--date", "2025-01-01", "--out", str(tmp_path / "a")]) == 1
    told = capsys.readouterr().err
    assert told.count("no set-up is named (group A, C)") == 1
    assert told.count("no set-up “W9” (group B)") == 1


def test_the_same_register_and_day_write_the_same_bytes(tmp_path: Path) -> None:
    first = bound_workbook(tmp_path).read_bytes()
    (tmp_path / "out" / "wire-stretching A.xlsx").unlink()
    assert bound_workbook(tmp_path).read_bytes() == first


# -- odd rosters and what the system refuses -------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        b"", b"\n\n\n", b"\x00\x01\x02\xff" * 100, b"PK\x03\x04" + b"group\n" * 5, b"group\n",
        b"group\nA\nA\n", b"group\n" + b"".join(b"G%d\n" % i for i in range(10_000)),
        b"group\n" + b"x" * 5000, b"group\n" + b"x" * 200_000 + b"\n", b"\xff\xfe",
        b"a" * 3_000_000, b'group\n"A\n',
    ],
    ids=["empty", "blank", "binary", "zip", "heading", "twice", "10000", "long", "field", "utf16",
         "large", "quote"],
)  # fmt: skip
def test_odd_rosters_are_findings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], data: bytes
) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_bytes(data)
    out = tmp_path / "out"
    status = main(["issue", "simple-pendulum", "--out", str(out), "--roster", str(roster)])
    told = capsys.readouterr()
    if data.startswith(b'group\n"A'):
        assert status == 0
        return
    assert status == 2
    assert "roster" in told.err
    assert "Expected: " in told.err
    assert not out.exists()


def test_a_row_of_a_roster_without_a_group_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("group,setup\nAvocet,W1\n,W2\n,\n")
    out = tmp_path / "out"
    assert main(["issue", "simple-pendulum", "--roster", str(roster), "--out", str(out)]) == 0
    told = capsys.readouterr().err
    assert "row 3 of the roster names no group (“W2”) and was passed over" in told
    assert "row 4" not in told


def test_a_roster_in_another_encoding(tmp_path: Path) -> None:
    path = tmp_path / "roster.csv"
    for encoding in ("utf-16", "cp1252", "utf-8-sig"):
        path.write_bytes("group\tsetup\nMöwe\tW1\n".encode(encoding))
        assert read_roster(path) == (Group("Möwe", "W1"),)
    with pytest.raises(SheetlabError, match="folder, not a file"):
        read_roster(tmp_path)


@pytest.mark.parametrize("kind", ["file", "long", "nul"])
def test_an_output_folder_that_cannot_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    there = tmp_path / "there"
    there.write_text("x")
    out = {"file": there, "long": tmp_path / ("x" * 300), "nul": Path("a\0b")}[kind]
    assert main(["issue", "simple-pendulum", "--out", str(out)]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert there.read_text() == "x"


def test_one_workbook_that_cannot_be_written_does_not_stop_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sheetlab.before import issue as module

    def refuse(path: Path, data: bytes) -> None:
        if "Bad" in path.name:
            raise PermissionError(13, "Permission denied")
        path.write_bytes(data)

    monkeypatch.setattr(module, "write_atomically", refuse)
    # letters of four bytes each: more than a file name holds
    groups = [Group("Bad"), Group("𠀀" * 60), Group("Good")]
    found = list(issue(catalogue(), "simple-pendulum", tmp_path, groups))
    assert [None if f.finding is None else f.finding.code for f in found] == [
        "not-written", "not-written", None
    ]  # fmt: skip
    assert "Permission denied" in found[0].finding.found


def test_definitions_that_are_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    missing = str(tmp_path / "no")
    for command in (["practicals"], ["issue", "simple-pendulum", "--out", str(tmp_path / "o")]):
        assert main([*command, "--definitions", missing]) == 2
        assert "no folder" in capsys.readouterr().err


# -- pages -----------------------------------------------------------------------------------------


def test_without_libreoffice_the_workbooks_are_there_and_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    out = tmp_path / "out"
    assert main(["issue", "simple-pendulum", "--out", str(out), "--print"]) == 1
    assert "LibreOffice (soffice) is not installed" in capsys.readouterr().err
    assert [p.name for p in out.iterdir()] == ["simple-pendulum.xlsx"]


def test_pages_are_never_replaced_and_failures_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = tmp_path / "soffice"
    program.write_text(
        '#!/bin/sh\nfor last; do :; done\nwhile [ "$1" != --outdir ]; do shift; done\n'
        'case "$last" in *none*) exit 1;; esac\necho page > "$2/$(basename "$last" .xlsx).pdf"\n'
    )
    program.chmod(0o755)
    monkeypatch.setattr(printing.shutil, "which", lambda name: str(program))
    books = [tmp_path / f"{name}.xlsx" for name in ("a b", "none")]
    (made,) = printing.print_workbooks(books[:1])
    assert made.finding is None
    assert made.path.read_text() == "page\n"
    made.path.write_text("mine")
    again, none = printing.print_workbooks(books)
    assert {again.finding.code, none.finding.code} == {"not-printed"}
    assert made.path.read_text() == "mine"
    program.write_text("")
    program.chmod(0o644)
    (dead,) = printing.print_workbooks(books[1:])
    assert "cannot be started" in dead.finding.found


def test_headings_are_as_the_reader_knows_them() -> None:
    for columns in (INSTRUMENTS, ZEROS, WIRES):
        headings = [column.title for column in columns]
        assert len(set(headings)) == len(headings)
        assert all(column.help for column in columns)
