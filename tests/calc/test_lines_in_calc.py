"""Lines over chosen rows in the cells of Calc, and curves on logarithmic axes as it draws them."""

from __future__ import annotations

import subprocess
import zipfile
from pathlib import Path

import pytest
from calc.office import Office
from calc.test_templates import assert_same, worked_out
from practical import test_lines_of_practicals as practicals

from sheetlab.checks.assess import assess
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import load
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.results import write_results
from sheetlab.workbook.template import as_cells_show, write_template

pytestmark = pytest.mark.calc

FILLED = {
    "pendulum": (
        practicals.PENDULUM,
        {"swings.h": practicals.H, "swings.T": practicals.periods()},
    ),
    "wires": (practicals.WIRES, practicals.wires()),
    "lens": (practicals.LENS, {**practicals.lens(), "rule.least_count": [0.1]}),
}


@pytest.mark.parametrize("name", FILLED)
def test_cells_show_the_python_numbers(office: Office, tmp_path: Path, name: str) -> None:
    text, cells = FILLED[name]
    model = load(text)
    layout = lay_out(model, Assist.FULL)
    path = tmp_path / "book.xlsx"
    path.write_bytes(write_template(layout, cells))
    expected = worked_out(layout, cells)
    found = office.recalculate(path)
    assert assert_same(found, expected) >= 4
    if name == "pendulum":
        # the slopes of both branches, each over the cells of its own rows
        (g,) = found[layout.name("g")]
        assert g == pytest.approx(expected[layout.name("g")][0], rel=1e-9)


def test_a_curve_is_drawn_on_a_logarithmic_axis(office: Office, tmp_path: Path) -> None:
    model = load(practicals.CAPACITOR)
    cells = {"R": [100.0], "t.t": practicals.T, "t.U": practicals.discharged()}
    path = tmp_path / "results.xlsx"
    path.write_bytes(write_results(assess(model, as_cells_show(model, cells), trials=0)))
    with zipfile.ZipFile(path) as book:
        charts = [book.read(name).decode() for name in book.namelist() if "charts/chart" in name]
    (curve,) = (text for text in charts if "best curve" in text)
    assert '<c:logBase val="10"/>' in curve
    pdf = tmp_path / "results.pdf"
    office.to_pdf(path, pdf)
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    graphs = text[text.rindex("Graphs\n") :]
    # powers of ten beside the axis of voltages, and the residuals below
    assert [label for label in ("10", "1", "0.1") if f"\n{label}" in graphs.replace(" ", "")]
    assert "best curve" in graphs
    assert "(reading − curve) / V" in graphs
