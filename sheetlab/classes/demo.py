"""The demo: an invented class whose workbooks are issued, filled and evaluated."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct

from sheetlab.before.issue import issue, start_cells
from sheetlab.handling.batch import evaluate_files
from sheetlab.handling.roster import Group, file_part
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import Catalogue
from sheetlab.workbook.evaluate_file import FileOutcome
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.template import Typed, write_template

DATA = Path(__file__).with_name("demo_class.toml")
ISSUED, FILLED, EVALUATED = "1 issued", "2 filled", "3 evaluated"


class DemoWorkbook(Struct, frozen=True):
    """What one invented group typed."""

    practical: str
    group: Group
    runs: int
    cells: Typed


def demo_class() -> tuple[str, tuple[DemoWorkbook, ...]]:
    """Name of the invented school, and what its groups typed."""
    data = tomllib.loads(DATA.read_text(encoding="utf-8"))
    workbooks = tuple(
        DemoWorkbook(
            row["practical"],
            Group(row["group"], row["setup"]),
            row.get("runs", 1),
            {key: [None if v == "" else v for v in values] for key, values in row["cells"].items()},
        )
        for row in data["workbooks"]
    )
    return data["school"], workbooks


def fill(catalogue: Catalogue, workbook: DemoWorkbook, path: Path, assist: Assist) -> None:
    """Write the workbook that a group hands in."""
    practical = catalogue.load(workbook.practical, workbook.runs)
    typed = {**start_cells(workbook.group), **workbook.cells}
    data = write_template(lay_out(practical, assist), typed, catalogue.sketch(practical))
    write_atomically(path, data)


def run_demo(catalogue: Catalogue, folder: Path) -> Iterator[tuple[DemoWorkbook, FileOutcome]]:
    """Issue, fill and evaluate the workbooks of the demo class below a folder."""
    _, workbooks = demo_class()
    assist = Assist.CORRECTED
    for name in (ISSUED, FILLED, EVALUATED):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for workbook in workbooks:
        practical, runs = workbook.practical, workbook.runs
        (issued,) = issue(catalogue, practical, folder / ISSUED, [workbook.group], assist, runs)
        fill(catalogue, workbook, folder / FILLED / issued.path.name, assist)
    paths = [folder / FILLED / f"{w.practical} {file_part(w.group.name)}.xlsx" for w in workbooks]
    outcomes = evaluate_files(paths, folder / EVALUATED, in_place=False)
    yield from zip(workbooks, outcomes, strict=True)
