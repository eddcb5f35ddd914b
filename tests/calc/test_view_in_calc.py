"""What a sheet looks like in Calc: no heading is cut, and no picture lies over a text."""

from __future__ import annotations

from pathlib import Path

import pytest
from calc.office import Office
from examples import SHIPPED, layout, practical

from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import catalogue
from sheetlab.workbook.layout import START, Grid, Text
from sheetlab.workbook.template import write_template

pytestmark = pytest.mark.calc

FIRST, HEIGHT, NEEDED = range(3)


@pytest.mark.parametrize("runs", [1, 2])
@pytest.mark.parametrize("assist", [Assist.READINGS, Assist.FULL])
@pytest.mark.parametrize("name", SHIPPED)
def test_no_heading_of_a_column_is_cut(
    office: Office, tmp_path: Path, name: str, assist: Assist, runs: int
) -> None:
    plan = layout(name, assist, runs)
    path = tmp_path / "a.xlsx"
    path.write_bytes(write_template(plan))
    seen = office.heights(path)
    for sheet in plan.sheets:
        rows, _ = seen[sheet.title]
        for grid in (block for block in sheet.blocks if isinstance(block, Grid)):
            row = rows[grid.heading_row]
            assert row[HEIGHT] >= row[NEEDED], (sheet.title, grid.heading_row)


@pytest.mark.parametrize("name", SHIPPED)
def test_the_sketch_covers_no_text_however_it_is_saved(
    office: Office, tmp_path: Path, name: str
) -> None:
    plan = layout(name, Assist.CORRECTED)
    paths = [tmp_path / "a.xlsx", tmp_path / "a.ods"]
    sketch = catalogue().paths()[name].with_name(practical(name).definition.sketch)
    paths[0].write_bytes(write_template(plan, sketch=sketch))
    office.recalculate(paths[0], save=paths[1])
    cautions = next(
        block.row
        for block in plan.sheets[0].blocks
        if isinstance(block, Text) and block.style == "caution-heading"
    )
    for path in paths:
        rows, pictures = office.heights(path)[START]
        assert len(pictures) == 1
        ((_, end),) = pictures
        assert end <= rows[cautions][FIRST], path.suffix
