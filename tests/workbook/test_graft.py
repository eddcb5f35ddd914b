"""Results are added; what was in the file stays, to the byte."""

from __future__ import annotations

import zipfile
from pathlib import Path

import openpyxl
import pytest
from examples import WORKBOOKS, filled
from lxml import etree

from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.graft import TITLES, own_sheets
from sheetlab.workbook.package import open_package

EDITED = {"[Content_Types].xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml"}


def parts(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def evaluated(tmp_path: Path, data: bytes, name: str = "a.xlsx") -> tuple[Path, Path]:
    source, target = tmp_path / name, tmp_path / f"out-{name}"
    source.write_bytes(data)
    outcome = evaluate_file(source, target)
    assert outcome.written == target
    return source, target


@pytest.mark.parametrize("group", sorted(WORKBOOKS))
def test_every_other_part_is_byte_identical(tmp_path: Path, group: str) -> None:
    source, target = evaluated(tmp_path, filled(group))
    before, after = parts(source), parts(target)
    assert set(before) <= set(after)
    for name in set(before) - EDITED:
        assert after[name] == before[name], name


@pytest.mark.parametrize("group", ["Fulmar", "Turnstone"])
def test_evaluating_twice_gives_the_same_file(tmp_path: Path, group: str) -> None:
    source, target = evaluated(tmp_path, filled(group))
    first = target.read_bytes()
    assert evaluate_file(source, target).written == target
    assert target.read_bytes() == first
    assert evaluate_file(target, target).written == target
    assert target.read_bytes() == first


def test_new_sheets_come_last_and_open_elsewhere(tmp_path: Path) -> None:
    source, target = evaluated(tmp_path, filled("Avocet"))
    before, after = openpyxl.load_workbook(source), openpyxl.load_workbook(target)
    assert after.sheetnames == before.sheetnames + list(TITLES)
    assert len(after["Graphs"]._charts) == 2
    assert len(after["Budget"]._charts) == 1
    for name in before.sheetnames:
        old = [[c.value for c in row] for row in before[name].iter_rows()]
        new = [[c.value for c in row] for row in after[name].iter_rows()]
        assert new == old
    assert own_sheets(open_package(target)) == TITLES


def test_input_cells_keep_their_looks(tmp_path: Path) -> None:
    source, target = evaluated(tmp_path, filled("Avocet"))
    before, after = openpyxl.load_workbook(source), openpyxl.load_workbook(target)
    for name in before.sheetnames:
        for row in before[name].iter_rows():
            for cell in row:
                other = after[name][cell.coordinate]
                assert other.fill.fgColor.rgb == cell.fill.fgColor.rgb
                assert other.fill.patternType == cell.fill.patternType
                assert other.number_format == cell.number_format
                assert other.protection.locked == cell.protection.locked


def test_a_students_own_sheet_named_like_ours_is_left_alone(tmp_path: Path) -> None:
    source = tmp_path / "a.xlsx"
    source.write_bytes(filled("Avocet"))
    workbook = openpyxl.load_workbook(source)
    workbook.create_sheet("Evaluation")["A1"] = "my own notes"
    workbook.save(source)
    target = tmp_path / "out.xlsx"
    assert evaluate_file(source, target).written == target
    after = openpyxl.load_workbook(target)
    assert after["Evaluation"]["A1"].value == "my own notes"
    assert "Evaluation (2)" in after.sheetnames
    assert evaluate_file(target, target).written == target
    again = openpyxl.load_workbook(target)
    assert again.sheetnames == after.sheetnames


def test_formats_of_the_results_are_valid(tmp_path: Path) -> None:
    """Every format number that a cell uses exists, and the counts are true."""
    _, target = evaluated(tmp_path, filled("Petrel"))
    found = parts(target)
    main = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    styles = etree.fromstring(found["xl/styles.xml"])
    sizes = {}
    for name in ("fonts", "fills", "borders", "cellXfs"):
        element = styles.find(main + name)
        assert int(element.get("count")) == len(element)
        sizes[name] = len(element)
    for xf in styles.find(main + "cellXfs"):
        assert int(xf.get("fontId")) < sizes["fonts"]
        assert int(xf.get("fillId")) < sizes["fills"]
        assert int(xf.get("borderId")) < sizes["borders"]
    for name, data in found.items():
        if name.startswith("xl/worksheets/sheet"):
            for cell in etree.fromstring(data).iter(main + "c"):
                assert int(cell.get("s", "0")) < sizes["cellXfs"]
    relations = etree.fromstring(found["xl/_rels/workbook.xml.rels"])
    for relation in relations:
        target_part = relation.get("Target")
        part = target_part.lstrip("/") if target_part.startswith("/") else f"xl/{target_part}"
        assert part in found


def test_axes_of_charts_are_not_deleted(tmp_path: Path) -> None:
    """What only Excel would show: an axis that is not explicitly kept disappears there."""
    _, target = evaluated(tmp_path, filled("Avocet"))
    charts = [d for n, d in parts(target).items() if n.startswith("xl/charts/")]
    assert len(charts) == 3
    for chart in charts:
        assert b'<c:delete val="1"/>' not in chart
        assert chart.count(b"<c:valAx>") + chart.count(b"<c:catAx>") == 2
