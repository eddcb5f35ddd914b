"""The class workbook in a real Calc: no formula fails, marks typed there are kept, pages fit."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from calc.office import Office
from classes.groups import Marks, fill_class, row_of, texts

from sheetlab.classes.kept import COMMENT, read_kept
from sheetlab.cli import main

pytestmark = pytest.mark.calc


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("class")
    fill_class(made, 6)
    assert main(["class", str(made), "--out", str(made / "CLASS.xlsx")]) == 0
    return made


def test_formulas_come_to_what_was_written(office: Office, folder: Path) -> None:
    import openpyxl

    path = folder / "CLASS.xlsx"
    written = openpyxl.load_workbook(path, data_only=True)
    found = office.formulas(path)
    assert len(found) > 6 * 10
    for sheet, cell, value, error in found:
        assert not error, (sheet, cell)
        assert (written[sheet][cell].value or "") == (value or ""), (sheet, cell)


def test_what_is_typed_in_calc_is_kept_and_counts(office: Office, folder: Path) -> None:
    path = folder / "CLASS.xlsx"
    marks = Marks(path)
    before = float(str(marks.total("Group 3")))
    proposed = float(str(marks.proposed("Group 3", "scales")))
    cells: dict[str, float | str] = {
        marks.address("Group 3", "scales"): proposed - 1.5,
        marks.address("Group 3", COMMENT): "“Grüße”: see me & bring =1+1",
    }
    office.type_cells(path, {"Marks": cells}, path)
    # Calc itself works the total out, on three sheets
    assert Marks(path).total("Group 3") == before - 1.5
    assert row_of(path, "Results", "Group 3")["marks"] == before - 1.5
    assert any("bring =1+1" in str(row[1]) for row in texts(path, "Feedback"))
    history = read_kept(path).history
    assert main(["class", str(folder), "--out", str(path)]) == 0
    again = Marks(path)
    assert again.yours("Group 3", "scales") == proposed - 1.5
    assert again.comment("Group 3") == "“Grüße”: see me & bring =1+1"
    assert again.total("Group 3") == before - 1.5
    assert again.hint("Group 3") == ""
    assert read_kept(path).history == history
    assert len(history) == 6


def test_a_feedback_page_a_group(office: Office, folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "class.pdf"
    office.to_pdf(folder / "CLASS.xlsx", target)
    text = subprocess.run(
        ["pdftotext", "-layout", str(target), "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = [page for page in text.split("\f") if "Feedback" in page]
    assert len(pages) == 6
    for i, page in enumerate(pages, 1):
        assert f"Group: Group {i} " in page
        assert "From your teacher" in page


def test_what_calc_saves_is_not_taken_for_typed(
    office: Office, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = tmp_path / "class"
    fill_class(made, 6)
    path = made / "CLASS.xlsx"
    command = ["class", str(made), "--out", str(path)]
    assert main(command) == 0
    marks = Marks(path)
    # only a mark and a comment: whatever Calc makes of the file, there is nothing to copy
    office.type_cells(path, {"Marks": {marks.address("Group 3", "scales"): 1.5}}, path)
    capsys.readouterr()
    assert main(command) == 0
    assert "held what" not in capsys.readouterr().err
    assert Marks(path).yours("Group 3", "scales") == 1.5
    rows = texts(path, "Feedback")
    box = 1 + next(i for i, row in enumerate(rows, 1) if row[1] == "From your teacher")
    typed = {"Feedback": {f"B{box}": "Typed on the page."}, "Results": {"R5": "ask Ann"}}
    office.type_cells(path, typed, path)
    assert main(command) == 0
    assert "Results R5 “ask Ann”. The file" in capsys.readouterr().err
    assert path.with_name("CLASS.xlsx.bak").exists()
    assert Marks(path).comment("Group 1") == "Typed on the page."
    office.type_cells(path, {"Marks": {marks.address("Group 3", "scales"): 900.0}}, path)
    assert Marks(path).total("Group 3") == "out of range"
