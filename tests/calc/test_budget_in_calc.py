"""The sheet Budget in a real Calc: its formulas come to what was evaluated, and go on working."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from calc.office import Office
from examples import filled

from sheetlab.workbook.evaluate_file import evaluate_file

pytestmark = pytest.mark.calc


@pytest.fixture(scope="module")
def evaluated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("budget")
    path = folder / "one.xlsx"
    path.write_bytes(filled("Fulmar"))
    evaluate_file(path, folder / "out.xlsx", trials=0)
    return folder / "out.xlsx"


def test_rows_hold_as_calc_works_them_out(office: Office, evaluated: Path, tmp_path: Path) -> None:
    found = [one for one in office.formulas(evaluated) if one[0] == "Budget"]
    written = openpyxl.load_workbook(evaluated, data_only=True)["Budget"]
    assert len(found) > 20
    for _, cell, value, error in found:
        assert not error, cell
        assert value == pytest.approx(written[cell].value, rel=1e-12), cell
    shares = [value for _, cell, value, _ in found if cell.startswith("K")]
    assert sum(shares) == pytest.approx(1.0, rel=1e-9)
    # half of the largest source, typed in Calc
    first = min(int(cell[1:]) for _, cell, _, _ in found)
    half = written[f"D{first}"].value / 2.0
    office.type_cells(evaluated, {"Budget": {f"D{first}": half}}, tmp_path / "typed.xlsx")
    changed = openpyxl.load_workbook(tmp_path / "typed.xlsx", data_only=True)["Budget"]
    for column in "FJ":
        before = written[f"{column}{first}"].value
        assert changed[f"{column}{first}"].value == pytest.approx(before / 2.0, rel=1e-9)
    assert changed[f"K{first}"].value < written[f"K{first}"].value
