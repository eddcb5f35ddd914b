"""Issued workbooks: locked but for inputs, every input named, validated and with its unit."""

from __future__ import annotations

import io
import re
import zipfile
from functools import cache

import openpyxl
import pytest
from examples import CAREFUL, SHIPPED, filled, layout, typed
from msgspec.structs import replace
from openpyxl.utils import range_boundaries
from python_calamine import CalamineWorkbook

from sheetlab.practical.definition import Assist
from sheetlab.practical.fields import InputField
from sheetlab.practical.profile import GUM
from sheetlab.workbook.layout import IDENTITY, START, Layout
from sheetlab.workbook.template import write_template


def book(name: str, assist: Assist = Assist.CORRECTED, cells=None):
    return blank(name, assist) if cells is None else opened(layout(name, assist), cells)


@cache
def blank(name: str, assist: Assist) -> openpyxl.Workbook:
    """A workbook as it is issued, to be looked at only."""
    return opened(layout(name, assist), None)


def opened(plan: Layout, cells) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(write_template(plan, cells)))


def asked(assist: Assist, cells, key: str) -> list[str]:
    """What is asked beside the cells of a field of a pendulum workbook."""
    plan = layout("simple-pendulum", assist)
    slot = plan.slots[key]
    stream = io.BytesIO(write_template(plan, cells))
    rows = (
        CalamineWorkbook.from_filelike(stream)
        .get_sheet_by_name(slot.sheet)
        .to_python(skip_empty_area=False)
    )
    beside = slot.column + 1
    return [str((row[beside:] or [""])[0]) for row in rows[slot.row : slot.row + slot.rows]]


@cache
def asked_of_careful(assist: Assist, key: str) -> list[str]:
    return asked(assist, typed(CAREFUL["simple-pendulum"]), key)


def named_cells(workbook, name: str):
    (sheet, reference), *rest = workbook.defined_names[name].destinations
    assert not rest
    left, top, right, bottom = range_boundaries(reference.replace("$", ""))
    ws = workbook[sheet]
    return ws, [ws.cell(r, c) for r in range(top, bottom + 1) for c in range(left, right + 1)]


@pytest.mark.parametrize("assist", list(Assist))
@pytest.mark.parametrize("name", SHIPPED)
def test_only_inputs_are_unlocked_and_each_is_validated(name: str, assist: Assist) -> None:
    plan, workbook = layout(name, assist), book(name, assist)
    inputs = set()
    for key, one in plan.practical.inputs.items():
        sheet, cells = named_cells(workbook, plan.name(key))
        assert len(cells) == one.rows
        for cell in cells:
            assert not cell.protection.locked, key
            inputs.add((sheet.title, cell.coordinate))
            rules = [r for r in sheet.data_validations.dataValidation if cell.coordinate in r.sqref]
            assert len(rules) == 1, key
            assert rules[0].promptTitle
            assert rules[0].prompt
            assert rules[0].error
    for sheet in workbook:
        assert sheet.protection.sheet
        assert sheet.protection.password is None
        merged = {c for r in sheet.merged_cells.ranges for row in r.cells for c in [row]}
        for row in sheet.iter_rows():
            for cell in row:
                if (cell.row, cell.column) in merged and (
                    sheet.title,
                    cell.coordinate,
                ) not in inputs:
                    continue
                if not cell.protection.locked:
                    assert (sheet.title, cell.coordinate) in inputs


@pytest.mark.parametrize("name", SHIPPED)
def test_units_stand_in_headings_and_labels(name: str) -> None:
    """Not right of a cell, where a spreadsheet program shows the note of the cell."""
    plan, workbook = layout(name, Assist.FULL), book(name, Assist.FULL)
    for key, slot in plan.slots.items():
        one = plan.practical.field(key)
        if not one.unit.pretty or getattr(one, "kind", "number") != "number":
            continue
        sheet = workbook[slot.sheet]
        label = (slot.row + 1, 1) if one.table is None else (slot.row, slot.column + 1)
        assert sheet.cell(*label).value.endswith(f"/ {one.unit.pretty}")


@pytest.mark.parametrize("name", SHIPPED)
def test_an_own_result_shows_the_digits_that_were_typed(name: str) -> None:
    workbook = book(name, cells={"answer.least_count": [0.01]})
    for key in layout(name, Assist.CORRECTED).practical.inputs:
        if key.startswith("answer."):
            (cell,) = named_cells(workbook, f"in_{key.replace('.', '_')}")[1]
            # with which 0.01 is shown as 0.01 and 108 as 108
            assert cell.number_format == "General"


@pytest.mark.parametrize("name", SHIPPED)
def test_sheets_and_hidden_identity(name: str) -> None:
    workbook = book(name)
    assert workbook.sheetnames[0] == START
    assert workbook.sheetnames[-1] == IDENTITY
    assert workbook[IDENTITY].sheet_state == "veryHidden"
    for sheet in workbook:
        assert sheet.title == IDENTITY or sheet.page_setup.paperSize == 9
        assert sheet.title == IDENTITY or sheet.sheet_properties.pageSetUpPr.fitToPage


def test_assist_levels_show_more_and_more() -> None:
    def worked(assist: Assist) -> set[str]:
        plan = layout("wire-stretching", assist)
        return {k for k in plan.slots if not isinstance(plan.practical.field(k), InputField)}

    little, more, all_ = (worked(a) for a in Assist)
    assert little < more < all_
    assert "screw_gauge.least_count" in little
    assert "readings.mean" in more - little
    assert "Y" in all_ - more


def test_start_sheet_tells_what_to_do_with_cautions_and_local_rules() -> None:
    workbook = book("wire-stretching")
    texts = [str(c.value) for row in workbook[START].iter_rows() for c in row if c.value]
    joined = "\n".join(texts)
    for words in ("eye protection", "person in charge decide", "Person in charge", "Local rules"):
        assert words in joined
    assert "1.  " in joined
    assert "safe to" not in joined.lower()


def test_formulas_carry_their_values() -> None:
    data = filled(CAREFUL["wire-stretching"], Assist.FULL)
    formulas = openpyxl.load_workbook(io.BytesIO(data))
    values = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    count = 0
    for sheet in formulas:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, str) and cell.value.startswith("="):
                    stored = values[sheet.title][cell.coordinate].value
                    count += isinstance(stored, int | float)
    assert count > 60


def test_plain_functions_only() -> None:
    """Functions that both Excel 2010 and Calc have without a prefix; none newer."""
    allowed = "IF COUNT IFERROR AVERAGE ABS SIN ASIN SQRT PI NOT AND OR MAX MIN ISTEXT SLOPE "
    allowed += (
        "TRIM LEN STDEV INTERCEPT COVAR SUMPRODUCT ISNUMBER INDEX INT EXP LN COS TAN ACOS ATAN"
    )
    for name in SHIPPED:
        workbook = book(name, Assist.FULL, cells=typed(CAREFUL[name]))
        for sheet in workbook:
            for row in sheet.iter_rows():
                for cell in row:
                    if cell.data_type == "f":
                        text = re.sub(r'"[^"]*"', "", str(cell.value))
                        assert set(re.findall(r"([A-Z][A-Z.]+)\(", text)) <= set(allowed.split())
                        assert len(str(cell.value)) < 8000


def test_same_inputs_same_bytes() -> None:
    cells = typed("Avocet")
    plan = layout("wire-stretching", Assist.FULL)
    assert write_template(plan, cells) == write_template(plan, cells)


def test_texts_never_become_formulas() -> None:
    hostile = '=HYPERLINK("http://x","y")'
    workbook = book("wire-stretching", cells={"start.group": [hostile], "readings.mass": ["=1+1"]})
    plan = layout("wire-stretching", Assist.CORRECTED)
    for key, text in (("start.group", hostile), ("readings.mass", "=1+1")):
        _, cells = named_cells(workbook, plan.name(key))
        assert cells[0].value == text
        assert cells[0].data_type == "s" or cells[0].value.startswith("=")
    raw = write_template(plan, {"start.group": [hostile]})
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        for part in archive.namelist():
            if part.startswith("xl/worksheets/"):
                assert b"<f>HYPERLINK" not in archive.read(part)


def test_questions_and_hints_are_in_the_decimal_mark_of_the_profile() -> None:
    plan = layout("wire-stretching", Assist.FULL)
    said = {}
    for mark in (".", ","):
        data = write_template(plan, profile=replace(GUM, decimal_mark=mark))
        texts = []
        for sheet in openpyxl.load_workbook(io.BytesIO(data)):
            if sheet.title == IDENTITY:
                continue
            formulas = (str(c.value) for row in sheet for c in row if c.data_type == "f")
            texts += [text for one in formulas for text in re.findall(r'"([A-Z][^"]*[.?])"', one)]
            texts += [rule.error for rule in sheet.data_validations.dataValidation]
        said[mark] = [text for text in texts if re.search(r"\d[.,]\d", text)]
    assert any(text.startswith("Something from 0,3 to 6 m is expected") for text in said[","])
    assert not any(re.search(r"\d\.\d", text) for text in said[","])
    assert [text.replace(",", ".") for text in said[","]] == [
        text.replace(",", ".") for text in said["."]
    ]


@pytest.mark.parametrize("name", SHIPPED)
def test_the_cursor_waits_in_the_first_cell_to_type_in(name: str) -> None:
    workbook = book(name)
    assert workbook.active.title == START
    for sheet in workbook:
        cell = sheet[sheet.sheet_view.selection[0].activeCell]
        if sheet.title != IDENTITY:
            above = (c for row in sheet.iter_rows(max_row=cell.row - 1) for c in row)
            assert not cell.protection.locked
            assert all(c.protection.locked for c in above)


@pytest.mark.parametrize("assist", list(Assist))
def test_a_division_that_is_empty_is_asked_for_once_the_scale_was_read(assist: Assist) -> None:
    key = "stopwatch.least_count"
    cells = {**typed(CAREFUL["simple-pendulum"]), key: [None]}
    assert asked(assist, {}, key) == asked_of_careful(assist, key) == [""]
    assert "This is empty" in asked(assist, cells, key)[0]


@pytest.mark.parametrize("assist", list(Assist))
@pytest.mark.parametrize("change", [10, 5, -5, "29 of 30 swings in all timings"])
def test_a_wrong_length_is_asked_about_at_every_assist_level(assist: Assist, change) -> None:
    cells = {key: list(column) for key, column in typed(CAREFUL["simple-pendulum"]).items()}
    assert not any(asked_of_careful(assist, "timing.t.3"))
    if isinstance(change, str):
        for key in ("timing.t.1", "timing.t.2", "timing.t.3"):
            cells[key][4] = round(cells[key][4] * 29 / 30, 2)
    else:
        cells["timing.thread"][4] += change
    said = asked(assist, cells, "timing.t.3")
    # the row itself, and the one below it
    assert [bool(text) for text in said[3:7]] == [False, True, True, False]
    assert said[4].startswith("The period does not grow with")


@pytest.mark.parametrize(
    ("limit", "said"),
    [(0.0005, ""), (0.001, ""),
     (0.1, "This was issued as 0.0005. Is so large an error right?")],
)  # fmt: skip
def test_a_permissible_error_far_beyond_the_issued_one_is_asked_about_in_the_sheet(
    limit: float, said: str
) -> None:
    key = "metre_scale.limit"
    assert asked(Assist.CORRECTED, {key: [limit]}, key) == [said]
