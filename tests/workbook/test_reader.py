"""What people type, and what programs make of it, is understood or reported, never guessed."""

from __future__ import annotations

import datetime
import io
import os
import re
from itertools import cycle, product
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from examples import CAREFUL, SHIPPED, WORKBOOKS, filled, layout, practical, typed
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl.utils import column_index_from_string, get_column_letter
from workbook.tamper import edited, part, with_parts

from sheetlab.checks.assess import Status, assess
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import definition_digest
from sheetlab.workbook import identity, store
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.layout import IDENTITY, defined_name
from sheetlab.workbook.reader import Filled, read_workbook
from sheetlab.workbook.template import write_template


def read(tmp_path: Path, data: bytes) -> Filled:
    path = tmp_path / "group.xlsx"
    path.write_bytes(data)
    return read_workbook(path)


def cell(workbook: openpyxl.Workbook, key: str, row: int = 0) -> Any:
    name = defined_name(practical("wire-stretching").field(key))
    ((sheet, reference),) = workbook.defined_names[name].destinations
    first = reference.replace("$", "").split(":")[0]
    return workbook[sheet][first].offset(row=row)


def changed(key: str, value: Any, row: int = 0, number_format: str | None = None) -> bytes:
    def change(workbook: openpyxl.Workbook) -> None:
        target = cell(workbook, key, row)
        target.value = value
        if isinstance(value, str) and not value.startswith("="):
            target.data_type = "s"
        if number_format:
            target.number_format = number_format

    return edited(filled("Avocet"), change)


@pytest.mark.parametrize(
    ("group", "assist"),
    sorted(  # every group in one way, and one of each practical in all ways
        {*zip(WORKBOOKS, cycle(Assist)), *product(CAREFUL.values(), Assist)}
    ),
)
def test_what_was_typed_comes_back(tmp_path: Path, group: str, assist: Assist) -> None:
    found = read(tmp_path, filled(group, assist))
    assert found.identity.practical == WORKBOOKS[group].practical
    for key, values in typed(group).items():
        one = found.practical.inputs[key]
        for row, value in enumerate(values):
            entry = found.observations.entry(key, row if one.table else None)
            if isinstance(value, str) and one.kind == "number":
                assert entry.value == float(value.replace(",", "."))
            elif isinstance(value, str):
                assert entry.text == value
            else:
                assert entry.value == value
            assert entry.place.cell
            assert entry.place.sheet


@pytest.mark.parametrize(
    ("value", "understood", "code"),
    [
        ("0,8", 0.8, "number-as-text"),
        (" 0.80 ", 0.8, "number-as-text"),
        ("０．８", 0.8, "number-as-text"),
        ("0.8 kg", 0.8, "number-as-text"),
        ("8×10^-1", 0.8, "number-as-text"),
        ("1,234", 1.234, "number-as-text"),
        ("1,234.5", None, "not-a-number"),
        ("about 1", None, "not-a-number"),
        ("😀", None, "not-a-number"),
        ("\u202e8.0", None, "not-a-number"),
        (True, None, "not-a-number"),
        ("#DIV/0!", None, "not-a-number"),
        (1e300, None, "not-a-number"),
        (2e-20, None, "not-a-number"),
        (1e6, 1e6, "outside-limits"),
        (-3, -3, "outside-limits"),
    ],
)
def test_typed_things(tmp_path: Path, value: Any, understood: float | None, code: str) -> None:
    filled = read(tmp_path, changed("dead_load", value))
    assert filled.observations.entry("dead_load").value == understood
    found = assess(filled.practical, filled.observations, trials=0)
    (finding,) = [f for f in found.findings if f.code == code]
    assert finding.place.sheet == "Readings"
    assert finding.place.cell == "E3"
    assert finding.place.file == "group.xlsx"
    assert finding.expected
    assert finding.remedy


def test_an_error_cell_is_an_error_and_not_a_blank(tmp_path: Path) -> None:
    def change(workbook: openpyxl.Workbook) -> None:
        target = cell(workbook, "dead_load")
        target.value = "#N/A"
        target.data_type = "e"

    found = read(tmp_path, edited(filled("Avocet"), change)).observations
    assert found.entry("dead_load").value is None
    assert any("the error #N/A" in f.found for f in found.findings)


def test_a_date_for_a_number_is_reported(tmp_path: Path) -> None:
    found = read(tmp_path, changed("dead_load", datetime.date(2026, 5, 2))).observations
    assert found.entry("dead_load").value is None
    assert [f.code for f in found.findings] == ["date-for-number"]
    plain = read(tmp_path, changed("dead_load", 0.9, number_format="0.00 [$kg]")).observations
    assert plain.entry("dead_load").value == 0.9


@pytest.mark.parametrize(
    ("serial", "told"),
    # 46054 days after 1899-12-30 is 2026-02-01, 31048 is 1985-01-01 (checked with the calendar)
    [(46054, "Was 1.2 or 2.26 typed"), (31048, "Was 1.1 or 1.85 typed"), (46060, "Was 7.2 typed")],
)
@pytest.mark.parametrize("where", ["readings.mass", "length.upper", "dead_load"])
def test_a_date_in_a_cell_of_numbers_is_told(
    tmp_path: Path, where: str, serial: int, told: str
) -> None:
    def change(workbook: openpyxl.Workbook) -> None:
        cell(workbook, where).value = serial

    found = read(tmp_path, edited(filled("Avocet"), change)).observations
    assert found.entry(where, 0).value is None
    (finding,) = found.findings
    assert finding.code == "date-for-number"
    assert f"is {serial}, the number that a spreadsheet program has for the day" in finding.found
    assert told in finding.remedy


def test_large_numbers_that_no_date_gives_stay(tmp_path: Path) -> None:
    def change(workbook: openpyxl.Workbook) -> None:
        first = cell(workbook, "readings.mass")
        for i in range(6):
            first.offset(i, 0).value = 30010.0 + 500 * i

    found = read(tmp_path, edited(filled("Avocet"), change)).observations
    assert found.entry("readings.mass", 1).value == 30510.0


def test_a_formula_for_a_reading(tmp_path: Path) -> None:
    found = read(tmp_path, changed("dead_load", "=0.4+0.4")).observations
    assert [f.code for f in found.findings] == ["formula-for-reading"]
    assert "never calculated" in found.findings[0].found
    assert found.entry("dead_load").value is None


def test_a_choice_in_other_letters_and_one_that_is_none(tmp_path: Path) -> None:
    assert read(tmp_path, changed("material", " BRASS ")).observations.entry("material").text == (
        "brass"
    )
    found = read(tmp_path, changed("material", "unobtainium")).observations
    assert [f.code for f in found.findings] == ["not-a-choice"]


def test_overwritten_formulas_are_told_and_not_used(tmp_path: Path) -> None:
    def change(workbook: openpyxl.Workbook) -> None:
        ((sheet, reference),) = workbook.defined_names["calc_readings_mean"].destinations
        workbook[sheet][reference.replace("$", "").split(":")[0]].value = 99.0

    plain = read(tmp_path, filled("Avocet"))
    spoiled = read(tmp_path, edited(filled("Avocet"), change))
    assert [f.code for f in spoiled.observations.findings] == ["formula-overwritten"]
    results = [
        assess(r.practical, r.observations, trials=0).evaluation.measurand for r in (plain, spoiled)
    ]
    assert results[0].budget == results[1].budget


def test_stored_values_of_formulas_do_not_matter(tmp_path: Path) -> None:
    """openpyxl drops every stored value; the result is the same."""
    plain = read(tmp_path, filled("Avocet"))
    stripped = read(tmp_path, edited(filled("Avocet"), lambda workbook: None))
    first, second = (assess(r.practical, r.observations, trials=0) for r in (plain, stripped))
    assert first.evaluation.measurand.budget == second.evaluation.measurand.budget
    assert second.status is Status.OK


def test_sheets_may_be_renamed_and_moved(tmp_path: Path) -> None:
    data = filled("Avocet").replace(b"", b"")

    def change(workbook: openpyxl.Workbook) -> None:
        workbook.move_sheet("Readings", offset=-2)

    moved = read(tmp_path, edited(data, change))
    assert assess(moved.practical, moved.observations, trials=0).status is Status.OK


def test_a_lost_name_is_told(tmp_path: Path) -> None:
    def change(workbook: openpyxl.Workbook) -> None:
        del workbook.defined_names["in_readings_up_1_main"]

    found = read(tmp_path, edited(filled("Avocet"), change)).observations
    assert [f.code for f in found.findings] == ["cells-lost"]
    assert "in_readings_up_1_main" in found.findings[0].found


def test_rows_added_to_a_table_are_read(tmp_path: Path) -> None:
    """Names that grew by two rows, as they do when rows are inserted inside a table."""

    def change(workbook: openpyxl.Workbook) -> None:
        for name, value in list(workbook.defined_names.items()):
            if "_readings_" in name and "$18" in value.attr_text:
                value.attr_text = value.attr_text.replace("$18", "$20")
        sheet = workbook["Readings"]
        for column, value in (("B", 3.2), ("C", 4.5), ("D", 40), ("E", 4.5), ("F", 41)):
            sheet[f"{column}19"] = value

    found = read(tmp_path, edited(filled("Avocet"), change))
    assert found.practical.tables["readings"] == 12
    assert found.observations.entry("readings.mass", 10).value == 3.2


def test_an_altered_definition_is_used_but_told(tmp_path: Path) -> None:
    def change(workbook: openpyxl.Workbook) -> None:
        for row in workbook[IDENTITY].iter_rows():
            for one in row:
                if isinstance(one.value, str):
                    one.value = one.value.replace("4 * g * L / (pi", "8 * g * L / (pi")

    found = read(tmp_path, edited(filled("Avocet"), change))
    assert [f.code for f in found.observations.findings] == ["definition-altered"]


def test_an_old_workbook_is_evaluated_by_its_own_definition(tmp_path: Path) -> None:
    from sheetlab.practical.loader import catalogue, load
    from sheetlab.workbook.layout import lay_out

    text = catalogue().text("wire-stretching").replace('version = "6"', 'version = "0"')
    text = text.replace("half_width = 0.004,", "half_width = 0.008,")
    old = load(text)
    data = write_template(lay_out(old, Assist.CORRECTED), WORKBOOKS["Avocet"].cells)
    found = read(tmp_path, data)
    assert found.practical.definition.version == "0"
    assert found.observations.findings == ()
    assert found.practical.inputs["screw_gauge.limit"].default == 0.008


TYPED_THINGS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**18), 10**18),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(
        st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters="\ufffe\uffff"),
        max_size=40,
    ),
)


@settings(  # each example is a whole evaluation: a part of them
    max_examples=settings.default.max_examples // 3,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(data=st.data())
def test_anything_may_be_typed_anywhere(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """No crash, and no number without a finding where a text was not a number."""
    name = data.draw(st.sampled_from(SHIPPED))
    plan = layout(name, Assist.CORRECTED)
    cells = {key: list(values) for key, values in typed(CAREFUL[name]).items()}
    for _ in range(data.draw(st.integers(1, 6))):
        key = data.draw(st.sampled_from(sorted(cells)))
        row = data.draw(st.integers(0, len(cells[key]) - 1))
        value = data.draw(TYPED_THINGS)
        cells[key][row] = float(value) if isinstance(value, int | bool) else value
    folder = tmp_path_factory.mktemp("any")
    source = folder / "a.xlsx"
    source.write_bytes(write_template(plan, cells))
    outcome = evaluate_file(source, folder / "b.xlsx")
    assert outcome.assessment is not None
    assert outcome.written is not None
    openpyxl.load_workbook(io.BytesIO(outcome.written.read_bytes()))


# -- what another hand can do to the hidden sheet, and odd but allowed files -----------------------


def redefined(group: str, old: str, new: str) -> bytes:
    """A workbook whose definition was changed, with the digest beside it made anew."""

    def change(book: openpyxl.Workbook) -> None:
        sheet = book[IDENTITY]
        first = identity.DEFINITION_ROW + 1
        cells = [sheet.cell(row, 1) for row in range(first, sheet.max_row + 1)]
        text = "\n".join(str(cell.value or "") for cell in cells) + "\n"
        assert old in text
        digest = definition_digest(text.replace(old, new))
        for cell in cells:
            cell.value = str(cell.value or "").replace(old, new)
        for row in range(1, first):
            if sheet.cell(row, 1).value == "digest":
                sheet.cell(row, 2).value = digest

    return edited(filled(group), change)


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ("4 * pi^2 / k", "4.28 * pi^2 / k", "definition-altered"),
        ('version = "', 'version = "99', "definition-newer"),
        ('version = "', 'version = "x', "definition-newer"),
    ],
)
def test_a_definition_that_goes_as_a_shipped_one_and_is_not(
    tmp_path: Path, old: str, new: str, code: str
) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(redefined("Redshank", old, new))
    outcome = evaluate_file(path, None, trials=0)
    assert outcome.assessment is not None
    assert [f.code for f in outcome.findings if f.code.startswith("definition")] == [code]
    assert str(outcome.assessment.status) != "ok"


def test_cells_and_rows_that_do_not_say_where_they_are(tmp_path: Path) -> None:
    """ISO/IEC 29500-1, 18.3.1.4 and 18.3.1.73: both may leave it out, and follow in order then."""
    data = filled("Avocet")
    names = [f"xl/worksheets/sheet{i}.xml" for i in range(1, 7)]

    def bare(text: bytes) -> bytes:
        # every cell up to the last of a row stands there, so that the order tells the place
        rows = []
        for row in re.findall(rb"<row [^>]*/>|<row .*?</row>", text):
            number = int(re.search(rb' r="([0-9]+)"', row)[1])
            cells = {
                letter: cell
                for cell, letter in re.findall(
                    rb'((?=<c r="([A-Z]+))(?:<c [^>]*/>|<c .*?</c>))', row
                )
            }
            wanted = [
                get_column_letter(i + 1).encode()
                for i in range(
                    max((column_index_from_string(letter.decode()) for letter in cells), default=0)
                )
            ]
            inner = b"".join(
                re.sub(rb' r="[A-Z]+[0-9]+"', b"", cells.get(letter, b"<c/>"), count=1)
                for letter in wanted
            )
            rows.append((number, b"<row>" + inner + b"</row>"))
        there = dict(rows)
        body = b"".join(there.get(i, b"<row/>") for i in range(1, max(there, default=0) + 1))
        return re.sub(
            rb"<sheetData>.*</sheetData>",
            lambda _: b"<sheetData>" + body + b"</sheetData>",
            text,
            flags=re.DOTALL,
        )

    changed = with_parts(data, {name: bare(part(data, name)) for name in names})
    assert b' r="A1"' not in part(changed, names[0]).partition(b"</sheetData>")[0]
    one, other = tmp_path / "a.xlsx", tmp_path / "b.xlsx"
    one.write_bytes(data)
    other.write_bytes(changed)
    first, second = (read_workbook(path) for path in (one, other))
    for sheet in first.store.sheets:
        assert first.store.cells(sheet.name) == second.store.cells(sheet.name)


@pytest.mark.parametrize(
    ("code", "date"),
    [
        ("0.00;[Red]-0.00", False), ("0;[Red]\\-0", False), ("[Yellow]0", False),
        ("[$USD] 0.00", False), ("0\\d", False), ("0_d", False), ('0 "days"', False),
        ("[>100]0;0.0", False), ("General", False), ("dd.mm.yyyy", True), ("[$-407]d. mmm", True),
        ("[h]:mm", True), ("mm:ss", True), ("[Red]yyyy-mm-dd", True),
    ],
)  # fmt: skip
def test_formats_that_make_a_number_a_date(code: str, date: bool) -> None:
    assert store.is_date(code) is date


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_or_a_device_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.xlsx")
    (tmp_path / "zero.xlsx").symlink_to("/dev/zero")
    for name in ("pipe.xlsx", "zero.xlsx"):
        (finding,) = evaluate_file(tmp_path / name, None).findings
        assert "is a pipe, a device or a folder" in finding.found


def test_a_link_does_not_choose_what_results_replace(tmp_path: Path) -> None:
    source, precious = tmp_path / "a.xlsx", tmp_path / "teacher.xlsx"
    source.write_bytes(filled("Avocet"))
    precious.write_bytes(b"marks")
    for link in (tmp_path / "out" / "a.xlsx", tmp_path / "a.xlsx.bak"):
        link.parent.mkdir(exist_ok=True)
        link.symlink_to(precious)
    outcome = evaluate_file(source, tmp_path / "out" / "a.xlsx", trials=0)
    assert outcome.written is None
    assert "a.xlsx, a link to another file" in outcome.findings[0].found
    # the copy of the file as it was takes a name that is free
    outcome = evaluate_file(source, source, trials=0)
    assert outcome.written == source
    assert outcome.kept == tmp_path / "a.xlsx.bak2"
    assert outcome.kept.read_bytes() == filled("Avocet")
    assert precious.read_bytes() == b"marks"


def test_a_folder_that_is_a_link_does_not_choose_where_results_go(tmp_path: Path) -> None:
    source, elsewhere = tmp_path / "a.xlsx", tmp_path / "elsewhere"
    source.write_bytes(filled("Avocet"))
    elsewhere.mkdir()
    (elsewhere / "a.xlsx").write_bytes(filled("Fulmar"))
    (tmp_path / "evaluated").symlink_to(elsewhere)
    for path in (source, tmp_path / "evaluated" / "a.xlsx"):
        outcome = evaluate_file(path, tmp_path / "evaluated" / "a.xlsx", trials=0)
        assert outcome.written is None
        assert "evaluated, a link to another folder" in outcome.findings[0].found
        assert "name that folder itself" in outcome.findings[0].remedy
    assert (elsewhere / "a.xlsx").read_bytes() == filled("Fulmar")
    assert len(list(elsewhere.iterdir())) == 1


@pytest.mark.parametrize(
    ("serial", "typed_as", "meant"),
    # a day has 86 400 s: “0:38.5” becomes 38.5/86400 of it, “1:32” 92 minutes of it
    [(38.5 / 86400, "0:38.5", "38.5"), (92.5 / 86400, "1:32.5", "92.5"), (92 / 1440, "1:32", "92")],
)
def test_a_time_of_day_in_a_column_of_times_is_told(
    tmp_path: Path, serial: float, typed_as: str, meant: str
) -> None:
    cells = {key: list(column) for key, column in typed(CAREFUL["simple-pendulum"]).items()}
    cells["timing.t.1"][2] = serial
    data = write_template(layout("simple-pendulum", Assist.CORRECTED), cells)
    found = read(tmp_path, data).observations
    (finding,) = found.findings
    assert finding.code == "time-for-number"
    assert f"time of day {typed_as}" in finding.found
    assert f"Type it in s: {meant};" in finding.remedy
    assert found.entry("timing.t.1", 2).value is None
