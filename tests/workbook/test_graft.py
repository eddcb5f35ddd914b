"""Results are added; what was in the file stays, to the byte."""

from __future__ import annotations

import io
import re
import struct
import zipfile
from pathlib import Path

import openpyxl
import pytest
from examples import WORKBOOKS, filled
from lxml import etree

from sheetlab.workbook.book import Book
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.graft import TITLES, graft, own_sheets
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import open_package

EDITED = {"[Content_Types].xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml"}

FIRST_SHEET, SELECTED = "xl/worksheets/sheet1.xml", re.compile(rb' tabSelected="(1|true)"')
"""The sheet that is open in a workbook as it is issued."""


def parts(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def changed(before: dict[str, bytes], after: dict[str, bytes]) -> set[str]:
    """Parts that are not what they were; the sheet that was open is selected no more."""
    unselected = {**before, FIRST_SHEET: SELECTED.sub(b"", before[FIRST_SHEET])}
    return {name for name in before if after[name] != unselected[name]}


def evaluated(tmp_path: Path, data: bytes, name: str = "a.xlsx") -> tuple[Path, Path]:
    source, target = tmp_path / name, tmp_path / f"out-{name}"
    source.write_bytes(data)
    assert evaluate_file(source, target, trials=0).written == target
    return source, target


@pytest.mark.parametrize("group", sorted(WORKBOOKS))
def test_every_other_part_is_byte_identical(tmp_path: Path, group: str) -> None:
    source, target = evaluated(tmp_path, filled(group))
    before, after = parts(source), parts(target)
    assert set(before) <= set(after)
    assert changed(before, after) <= EDITED


@pytest.mark.parametrize("group", ["Fulmar", "Turnstone"])
def test_evaluating_twice_gives_the_same_file(tmp_path: Path, group: str) -> None:
    source, target = evaluated(tmp_path, filled(group))
    first = target.read_bytes()
    assert evaluate_file(source, target, trials=0).written == target
    assert target.read_bytes() == first
    assert evaluate_file(target, target, trials=0).written == target
    assert target.read_bytes() == first


def opens_at(path: Path) -> tuple[str, list[str]]:
    """The sheet at which a workbook opens, and those that are selected."""
    book = openpyxl.load_workbook(path)
    return book.active.title, [one.title for one in book if one.sheet_view.tabSelected]


def test_an_evaluated_workbook_opens_at_its_results(tmp_path: Path) -> None:
    source, target = evaluated(tmp_path, filled("Avocet"))
    assert opens_at(source) == ("Start", ["Start"])
    # sheets that are selected together would be typed into together
    assert opens_at(target) == ("Evaluation", ["Evaluation"])
    book = openpyxl.load_workbook(target)
    book.active = 1
    for sheet in book:
        sheet.sheet_view.tabSelected = sheet.title == "Instruments"
    book.save(target)
    assert evaluate_file(target, target, trials=0).written == target
    assert opens_at(target) == ("Evaluation", ["Evaluation"])


def test_a_word_in_a_cell_is_not_the_word_of_a_view(tmp_path: Path) -> None:
    data = parts_of(filled("Avocet"))
    text = b' tabSelected="1"'
    for name in [name for name in data if name.startswith("xl/worksheets/")]:
        head, cells, rest = data[name].partition(b"<sheetData")
        head = head.replace(b"<sheetViews>", b"<!-- --><sheetViews>")
        data[name] = head + cells + rest.replace(b"<row ", b"<!--" + text + b"--><row ", 1)
    source, target = tmp_path / "a.xlsx", tmp_path / "out.xlsx"
    with zipfile.ZipFile(source, "w") as archive:
        for name, part in data.items():
            archive.writestr(name, part)
    assert evaluate_file(source, target, trials=0).written == target
    assert parts(target)[FIRST_SHEET] == SELECTED.sub(b"", data[FIRST_SHEET], 1)
    assert text in parts(target)[FIRST_SHEET]


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
    assert evaluate_file(source, target, trials=0).written == target
    after = openpyxl.load_workbook(target)
    assert after["Evaluation"]["A1"].value == "my own notes"
    assert "Evaluation (2)" in after.sheetnames
    assert evaluate_file(target, target, trials=0).written == target
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


def test_charts_keep_their_axes_and_leave_gaps(tmp_path: Path) -> None:
    """What only Excel would show: an axis that is not explicitly kept disappears there."""
    _, target = evaluated(tmp_path, filled("Avocet"))
    charts = [d for n, d in parts(target).items() if n.startswith("xl/charts/")]
    assert len(charts) == 3
    for chart in charts:
        assert b'<c:delete val="1"/>' not in chart
        # left unsaid, a blank cell is a zero (ISO/IEC 29500-1, 21.2.2.42)
        assert b'<c:dispBlanksAs val="gap"/>' in chart
        assert chart.count(b"<c:valAx>") + chart.count(b"<c:catAx>") == 2


def test_untouched_parts_are_copied_as_they_lie_there(tmp_path: Path) -> None:
    # packed by another program at another level: packing them again would change the bytes
    source = tmp_path / "a.xlsx"
    with zipfile.ZipFile(source, "w") as archive:
        for name, data in parts_of(filled("Avocet")).items():
            packed = zipfile.ZIP_STORED if name.endswith(".rels") else zipfile.ZIP_DEFLATED
            archive.writestr(name, data, packed, 9)
    target = tmp_path / "out.xlsx"
    assert evaluate_file(source, target, trials=0).written == target
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target) as new:
        assert new.testzip() is None
        for entry in old.infolist():
            if entry.filename not in EDITED | {FIRST_SHEET}:
                copied = new.getinfo(entry.filename)
                assert copied.compress_type == entry.compress_type
                assert packed_bytes(target, copied) == packed_bytes(source, entry)


def parts_of(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed_bytes(path: Path, entry: zipfile.ZipInfo) -> bytes:
    raw = path.read_bytes()
    lengths = struct.unpack_from("<26xHH", raw, entry.header_offset)
    start = entry.header_offset + 30 + sum(lengths)
    return raw[start : start + entry.compress_size]


def test_texts_of_the_results_arrive_as_they_were_written(tmp_path: Path) -> None:
    """Spaces, signs of XML and several lines."""
    texts = [" a  b ", "<&> \"'", "one\ntwo", "\x07bell", "_x000A_", "e = 1", "Ω µ", "<r>x</r>"]

    stream = io.BytesIO()
    with Book(stream) as book:
        sheet = book.add_worksheet("Evaluation")
        for row, text in enumerate(texts):
            sheet.write_string(row, 0, text)
        sheet.write_number(len(texts), 0, 0.1)
    source, target = tmp_path / "a.xlsx", tmp_path / "out.xlsx"
    source.write_bytes(filled("Avocet"))
    target.write_bytes(graft(open_package(source), stream.getvalue(), ()))
    cells = open_store(open_package(target)).cells("Evaluation")
    # every workbook of ours has a space after what XlsxWriter would take for its own markup
    texts[-1] += " "
    assert [cells[row, 0].value for row in range(len(texts) + 1)] == [*texts, 0.1]


def test_the_name_of_the_best_line_lies_in_a_cell(tmp_path: Path) -> None:
    """A name that is a text alone becomes “Column I” in an .ods."""
    path, out = tmp_path / "one.xlsx", tmp_path / "out.xlsx"
    path.write_bytes(filled("Avocet"))
    assert evaluate_file(path, out, trials=0).written == out
    charts = [text.decode() for name, text in parts(out).items() if "charts/sheetlab" in name]
    named = [cell for text in charts for cell in re.findall(r"<c:tx><c:strRef><c:f>(.*?)<", text)]
    assert len(named) == 1
    sheet, cell = named[0].replace("$", "").split("!")
    assert str(openpyxl.load_workbook(out)[sheet][cell].value).startswith("best line, slope (")
