"""A reading that is missing is no point of a chart, whoever saved the workbook before or after."""

from __future__ import annotations

import re
import subprocess
import zipfile
from pathlib import Path

import openpyxl
import pytest
from calc.office import Office
from calc.printed import pages
from classes.groups import WIRE, fill_class
from examples import layout, typed
from years.test_drift import three_years

from sheetlab.cli import main
from sheetlab.practical.definition import Assist
from sheetlab.workbook.style import SERIES
from sheetlab.workbook.template import write_template
from sheetlab.years.drift import drifts
from sheetlab.years.driftbook import write_drift

pytestmark = pytest.mark.calc

GAP = b'<c:dispBlanksAs val="gap"/>'
READ = 7
"""Loads of Avocet's eight at which the screw was read while loading; one is left out below."""


@pytest.fixture
def one_missing(office: Office, tmp_path: Path) -> dict[str, Path]:
    """A workbook without one reading of loading: as issued, and as Calc saves it."""
    cells = {key: list(values) for key, values in typed("Avocet").items()}
    for key, values in cells.items():
        if key.startswith("readings.up."):
            values[3] = None
    issued = tmp_path / "issued.xlsx"
    issued.write_bytes(write_template(layout(WIRE, Assist.CORRECTED), cells))
    paths = {"issued": issued}
    for ending in ("xlsx", "ods"):
        paths[ending] = tmp_path / f"calc-{ending}.{ending}"
        office.recalculate(issued, save=paths[ending])
    return paths


def charts(path: Path) -> list[bytes]:
    with zipfile.ZipFile(path) as file:
        return [file.read(n) for n in file.namelist() if re.search(r"charts/[^/]*chart\d+\.xml", n)]


def filled_marks(pdf: Path, sheets: list[str], sheet: str, colour: str) -> int:
    """Filled shapes of a colour on the page of a sheet: round marks of points and of legends."""
    number = 1 + [page.sheet for page in pages(pdf, sheets)].index(sheet)
    drawn = subprocess.run(
        ["pdftocairo", "-svg", "-f", str(number), "-l", str(number), str(pdf), "-"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    wanted = tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))
    fills = re.findall(r"fill-rule:evenodd;fill:rgb\(([\d.]+)%,([\d.]+)%,([\d.]+)%\)", drawn)
    return sum(tuple(round(float(part) * 2.55) for part in fill) == wanted for fill in fills)


@pytest.mark.parametrize("saved_before", ["issued", "xlsx", "ods"])
@pytest.mark.parametrize("saved_after", ["", "xlsx", "ods"])
def test_a_missing_reading_is_no_point(
    office: Office,
    tmp_path: Path,
    one_missing: dict[str, Path],
    saved_before: str,
    saved_after: str,
) -> None:
    out = tmp_path / "out"
    assert main(["evaluate", str(one_missing[saved_before]), "--out", str(out)]) == 0
    (path,) = out.glob("*.xlsx")
    assert all(GAP in chart for chart in charts(path))
    if saved_after:
        again = tmp_path / f"again.{saved_after}"
        office.recalculate(path, save=again)
        path = again
    if path.suffix == ".xlsx":
        assert len(charts(path)) == 3
        assert all(GAP in chart for chart in charts(path))
    office.to_pdf(path, pdf := tmp_path / "printed.pdf")
    sheets = openpyxl.load_workbook(next(out.iterdir()), read_only=True).sheetnames
    # of the line and of its residuals: a mark for each reading, and one in the legend; the one at
    # the corner of the axes is cut to the plot, and no shape of its own
    assert filled_marks(pdf, sheets, "Graphs", SERIES[0]) == 2 * (READ + 1) - 1


def test_charts_of_a_class_and_of_the_years_leave_gaps(office: Office, tmp_path: Path) -> None:
    fill_class(tmp_path / "in", 3)
    cells = {key: its for key, its in typed("Avocet").items() if not key.startswith("diameter.")}
    unfinished = write_template(layout(WIRE, Assist.CORRECTED), cells)
    (tmp_path / "in" / "unfinished.xlsx").write_bytes(unfinished)
    made = tmp_path / "CLASS.xlsx", tmp_path / "DRIFT.xlsx"
    main(["class", str(tmp_path / "in"), "--out", str(made[0])])
    write_drift(drifts(three_years(1, 0.02)), Path("D.xlsx"), "", made[1])
    for path in made:
        found = charts(path)
        assert found
        assert all(GAP in chart for chart in found), path.name
        # and once Calc has read it twice
        for again in (path.with_suffix(".1.xlsx"), path.with_suffix(".2.xlsx")):
            office.recalculate(path, save=again)
            assert len(charts(again)) == len(found)
            assert all(GAP in chart for chart in charts(again)), path.name
            path = again
