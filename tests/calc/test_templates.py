"""Every shipped workbook, recalculated by the real spreadsheet, against the Python numbers."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from calc.office import Office
from examples import CAREFUL, SHIPPED, WORKBOOKS, filled, layout, practical, typed

from sheetlab.checks.assess import assess
from sheetlab.handling.batch import evaluate_files
from sheetlab.practical.definition import Assist
from sheetlab.practical.evaluate import Numbers
from sheetlab.practical.fields import DerivedField
from sheetlab.practical.loader import catalogue, load
from sheetlab.workbook.graft import TITLES
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import open_package
from sheetlab.workbook.reader import read_workbook
from sheetlab.workbook.template import as_cells_show, write_template

pytestmark = pytest.mark.calc

RELATIVE = 1e-9


def shown_numbers(name: str, assist: Assist, cells, runs: int = 1):
    """Expected content of every worked-out cell of a shipped practical by defined name."""
    return worked_out(layout(name, assist, runs), cells)


def worked_out(plan, cells):
    """Expected content of every worked-out cell of a layout by defined name."""
    model = plan.practical
    numbers = Numbers(model, as_cells_show(model, cells))
    return {
        plan.name(key): [
            numbers.shown(key, row if model.field(key).table else None) for row in range(slot.rows)
        ]
        for key, slot in plan.slots.items()
        if isinstance(model.field(key), DerivedField)
    }


def assert_same(found, expected) -> int:
    compared = 0
    for name, values in expected.items():
        for row, (cell, value) in enumerate(zip(found[name], values, strict=True)):
            if cell == "on evaluation":
                continue
            if value is None:
                assert cell == "", f"{name}[{row}] shows {cell!r}, nothing was expected"
                continue
            assert isinstance(cell, float), f"{name}[{row}] shows {cell!r}, expected {value}"
            assert cell == pytest.approx(value, rel=RELATIVE, abs=1e-11), f"{name}[{row}]"
            compared += 1
    return compared


@pytest.mark.parametrize("assist", list(Assist))
@pytest.mark.parametrize("name", SHIPPED)
def test_cells_filled_by_name_show_the_python_numbers(
    office: Office, tmp_path: Path, name: str, assist: Assist
) -> None:
    group = CAREFUL[name]
    cells = typed(group)
    path = tmp_path / "blank.xlsx"
    path.write_bytes(write_template(layout(name, assist)))
    plan = layout(name, assist)
    fill = {plan.name(key): list(values) for key, values in cells.items()}
    found = office.recalculate(path, fill=fill)
    compared = assert_same(found, shown_numbers(name, assist, cells))
    assert compared >= {"readings": 1, "corrected": 20, "full": 25}[assist]


@pytest.mark.parametrize("group", sorted(WORKBOOKS))
def test_half_filled_and_mistaken_workbooks_agree_too(
    office: Office, tmp_path: Path, group: str
) -> None:
    one = WORKBOOKS[group]
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled(group, Assist.FULL))
    found = office.recalculate(path)
    expected = shown_numbers(one.practical, Assist.FULL, typed(group), one.runs)
    assert assert_same(found, expected) > 25


@pytest.mark.parametrize("rows", [0, 1, 2, 3, 5])
@pytest.mark.parametrize("name", SHIPPED)
def test_few_rows_agree(office: Office, tmp_path: Path, name: str, rows: int) -> None:
    cells = {k: list(v)[:rows] or [None] for k, v in typed(CAREFUL[name]).items()}
    path = tmp_path / "few.xlsx"
    path.write_bytes(write_template(layout(name, Assist.FULL), cells))
    assert_same(office.recalculate(path), shown_numbers(name, Assist.FULL, cells))


@pytest.mark.parametrize("assist", list(Assist))
@pytest.mark.parametrize("name", SHIPPED)
def test_rows_left_out_agree(office: Office, tmp_path: Path, name: str, assist: Assist) -> None:
    plan = layout(name, assist)
    reasons = {key: [None, "knocked", None, 3.0, "  "] for key in plan.practical.reasons()}
    assert reasons
    cells = {**typed(CAREFUL[name]), **reasons}
    path = tmp_path / "blank.xlsx"
    path.write_bytes(write_template(plan))
    fill = {plan.name(key): list(values) for key, values in cells.items()}
    assert_same(office.recalculate(path, fill=fill), shown_numbers(name, assist, cells))


@pytest.mark.parametrize("assist", list(Assist))
@pytest.mark.parametrize("name", SHIPPED)
def test_stored_values_are_those_that_calc_works_out(
    office: Office, tmp_path: Path, name: str, assist: Assist
) -> None:
    for group, one in WORKBOOKS.items():
        if one.practical != name:
            continue
        path = tmp_path / f"{group}.xlsx"
        path.write_bytes(filled(group, assist))
        store = open_store(open_package(path))
        compared = 0
        for sheet, address, value, error in office.formulas(path):
            assert error == 0, f"{sheet} {address} shows error {error}"
            letters = address.rstrip("0123456789")
            column = 0
            for letter in letters:
                column = column * 26 + ord(letter) - 64
            stored = store.cells(sheet).get((int(address[len(letters) :]) - 1, column - 1))
            kept = "" if stored is None else stored.value
            if isinstance(value, float):
                assert kept == pytest.approx(value, rel=RELATIVE, abs=1e-11), f"{sheet} {address}"
            else:
                assert kept == value, f"{sheet} {address}"
            compared += 1
        assert compared >= 20


def test_demonstrators_questions_appear_in_the_sheet(office: Office, tmp_path: Path) -> None:
    path = tmp_path / "fulmar.xlsx"
    path.write_bytes(filled("Fulmar", Assist.READINGS))
    texts = [v for _, _, v, _ in office.formulas(path) if isinstance(v, str)]
    assert any("went backwards" in text for text in texts)
    assert any("more than six divisions" in text for text in texts)
    path.write_bytes(filled("Petrel", Assist.READINGS))
    texts = [v for _, _, v, _ in office.formulas(path) if isinstance(v, str)]
    assert any("Is there such a division" in text for text in texts)
    assert any("A text stands where a number belongs" in text for text in texts)


def test_off_graduation_and_wrong_side_are_asked_about(office: Office, tmp_path: Path) -> None:
    cells = {k: list(v) for k, v in typed("Avocet").items()}
    cells["readings.up.1.main"][2] = 2.3
    cells["screw_gauge.zero_reading.coincidence"][0] = 3
    cells["screw_gauge.zero_reading.side"][0] = "past the line"
    path = tmp_path / "wrong.xlsx"
    path.write_bytes(write_template(layout("wire-stretching", Assist.READINGS), cells))
    texts = [v for _, _, v, _ in office.formulas(path) if isinstance(v, str) and v]
    assert any("whole steps of the pitch" in text for text in texts)
    assert any("zero error comes out very large" in text for text in texts)


def test_a_wrong_unit_and_a_decimal_comma_are_asked_about(office: Office, tmp_path: Path) -> None:
    cells = {k: list(v) for k, v in typed("Avocet").items()}
    cells["readings.mass"] = [1000.0 * value for value in cells["readings.mass"]]
    for key in ("length.upper", "length.lower"):
        cells[key] = [value / 100.0 for value in cells[key]]
    cells["readings.up.1.main"][5] = "3,0"
    path = tmp_path / "wrong.xlsx"
    path.write_bytes(write_template(layout("wire-stretching", Assist.FULL), cells))
    found = [(s, v) for s, _, v, _ in office.formulas(path) if isinstance(v, str) and v]
    kilograms = ("Readings", "Something from 0 to 50 kg is expected. Is this in kg?")
    # all rows but the first, which is 0, and the one with the text
    assert found.count(kilograms) == len(cells["readings.mass"]) - 2
    texts = [text for _, text in found]
    length = "0.3 to 6 m is expected. Are all readings in the unit of their heading?"
    assert f"Something from {length}" in texts
    assert any("with the decimal sign of this program" in text for text in texts)
    path.write_bytes(filled("Avocet", Assist.FULL))
    assert not any("is expected" in str(v) for _, _, v, _ in office.formulas(path))


UNITS = "Are all readings in the unit of their heading?"


def questions(office: Office, path: Path) -> dict[tuple[str, int], str]:
    """What is asked by sheet and row (from 1), after Calc and the file were found to agree."""
    stored = openpyxl.load_workbook(path, data_only=True)
    found = {}
    for sheet, address, value, _ in office.formulas(path):
        kept = stored[sheet][address].value
        assert (kept or "") == (value or "") or kept == pytest.approx(value), f"{sheet} {address}"
        if isinstance(value, str) and value:
            found[sheet, int(address.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ"))] = value
    return found


@pytest.mark.parametrize("assist", list(Assist))
def test_what_cannot_be_such_a_wire_or_bob_is_asked_about_at_every_level(
    office: Office, tmp_path: Path, assist: Assist
) -> None:
    cells = {k: list(v) for k, v in typed("Avocet").items()}
    # 2.3 where centimetres are asked for; a wire of 50 mm; and one with a text instead
    cells["length.upper"][1], cells["length.lower"][1] = 0.0, 2.3
    cells["diameter.d.1.main"][2] = cells["diameter.d.2.main"][2] = 50.0
    cells["diameter.d.1.main"][3] = "thin"
    cells["length.lower"][2] = None
    path = tmp_path / "wire.xlsx"
    plan = layout("wire-stretching", assist)
    path.write_bytes(write_template(plan, cells))
    found = questions(office, path)

    def row(key: str, number: int) -> tuple[str, int]:
        slot = plan.slots[key]
        return slot.sheet, slot.row + number

    length = f"Length: from 30 to 600 cm is expected. {UNITS}"
    assert found[row("length.upper", 2)] == length
    thick = f"Mean diameter: from 0.05 to 3 mm is expected. {UNITS}"
    assert found[row("diameter.d.1.main", 3)] == thick
    assert "A text stands" in found[row("diameter.d.1.main", 4)]
    at_rows = [text for (sheet, _), text in found.items() if sheet == "Dimensions"]
    assert (at_rows.count(length), at_rows.count(thick)) == (1, 1)
    # the same of a reading that has no repeats, and of nothing where there is nothing to ask
    cells = {k: list(v) for k, v in typed("Sanderling").items()}
    plan = layout("simple-pendulum", assist)
    path.write_bytes(write_template(plan, cells))
    assert not [text for text in questions(office, path).values() if UNITS in text]
    cells["bob.d.main"][1] = 2.0
    path.write_bytes(write_template(plan, cells))
    found = questions(office, path)
    assert UNITS in found[row("bob.d.main", 2)]
    assert sum(UNITS in text for text in found.values()) == 1


def test_what_comes_of_single_cells_is_asked_about_beside_the_last(
    office: Office, tmp_path: Path
) -> None:
    text = (
        catalogue().text("wire-stretching")
        + """
[quantities.hill]
title = "height above the town"
symbol = "H"
unit = "km"
formula = "altitude * (1 + 0 * sin(latitude))"
sheet = "result"
plausible = [0, 3]
"""
    )
    cells = {k: list(v) for k, v in typed("Avocet").items()}
    cells["altitude"] = [4000.0]
    path = tmp_path / "hill.xlsx"
    asked = f"Height above the town: from 0 to 3 km is expected. {UNITS}"
    for assist in Assist:
        plan = lay_out(load(text), assist)
        path.write_bytes(write_template(plan, cells))
        found = questions(office, path)
        slot = plan.slots["altitude"]
        beside = found.get((slot.sheet, slot.row + 1))
        # where the quantity stands on a sheet, it is asked about there
        assert beside == (None if assist is Assist.FULL else asked)
        assert any("0 to 3 km is expected" in text for text in found.values())


@pytest.mark.parametrize("group", sorted(WORKBOOKS))
def test_a_workbook_saved_by_calc_evaluates_the_same(
    office: Office, tmp_path: Path, group: str
) -> None:
    original, saved = tmp_path / "a.xlsx", tmp_path / "b.xlsx"
    original.write_bytes(filled(group))
    office.recalculate(original, save=saved)
    results = []
    for path in (original, saved):
        read = read_workbook(path)
        results.append(assess(read.practical, read.observations, trials=2000))
    first, second = results
    assert second.status == first.status
    assert [f.code for f in second.findings] == [f.code for f in first.findings]
    assert first.evaluation.measurand is not None
    assert second.evaluation.measurand is not None
    assert second.evaluation.measurand.budget == first.evaluation.measurand.budget


def test_evaluated_files_open_in_calc_and_are_found_again_after_it_saved_them(
    office: Office, tmp_path: Path
) -> None:
    source = tmp_path / "in" / "Fulmar.xlsx"
    source.parent.mkdir()
    source.write_bytes(filled("Fulmar"))
    (outcome,) = evaluate_files([source], tmp_path / "out", in_place=False)
    assert outcome.written is not None
    resaved = tmp_path / "resaved.xlsx"
    office.recalculate(outcome.written, save=resaved)
    (again,) = evaluate_files([resaved], None, in_place=True)
    assert again.written == resaved
    sheets = [sheet.name for sheet in open_store(open_package(resaved)).sheets]
    assert [name for name in sheets if name in TITLES] == list(TITLES)
    assert len(sheets) == len(set(sheets))
    office.recalculate(resaved)


def test_pages_print(office: Office, tmp_path: Path) -> None:
    """Each sheet of a blank workbook is one A4 page; the evaluation is one page too."""
    for name in SHIPPED:
        path, pdf = tmp_path / f"{name}.xlsx", tmp_path / f"{name}.pdf"
        path.write_bytes(write_template(layout(name, Assist.CORRECTED)))
        office.to_pdf(path, pdf)
        sheets = len(practical(name).definition.sheets) + 1
        assert pages(pdf) == sheets


def pages(pdf: Path) -> int:
    out = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True).stdout
    return int(next(line.split()[1] for line in out.splitlines() if line.startswith("Pages")))


def test_the_shipped_practicals_are_the_ones_tested() -> None:
    assert set(CAREFUL) == set(SHIPPED), "add a careful group for the new practical"
    assert sys.version_info >= (3, 11)
