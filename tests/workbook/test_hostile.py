"""What accidents and ill will put into a file: read, told or refused, and always soon."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from examples import WORKBOOKS, filled, layout, practical
from workbook.odf import open_document
from workbook.tamper import edited, part, with_parts

from sheetlab.checks.assess import Status
from sheetlab.handling.batch import evaluate_files
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import load
from sheetlab.workbook.evaluate_file import FileOutcome, evaluate_file
from sheetlab.workbook.layout import IDENTITY, defined_name, lay_out
from sheetlab.workbook.package import MAX_XML
from sheetlab.workbook.store import address
from sheetlab.workbook.template import write_template

GOOD = filled("Avocet")
READINGS = "xl/worksheets/sheet4.xml"


def outcome_of(tmp_path: Path, data: bytes, name: str = "a.xlsx") -> FileOutcome:
    path = tmp_path / name
    path.write_bytes(data)
    started = time.perf_counter()
    found = evaluate_file(path, tmp_path / "out.xlsx", trials=0)
    assert time.perf_counter() - started < 30
    assert path.read_bytes() == data
    return found


def value(outcome: FileOutcome) -> float:
    assert outcome.assessment is not None
    return outcome.assessment.evaluation.measurand.budget.value


def codes(outcome: FileOutcome) -> set[str]:
    return {finding.code for finding in outcome.findings}


def changed(change: Callable[[openpyxl.Workbook], None], data: bytes = GOOD) -> bytes:
    return edited(data, change)


def spot(book: openpyxl.Workbook, key: str, row: int = 0) -> Any:
    name = defined_name(practical("wire-stretching").field(key))
    ((sheet, area),) = book.defined_names[name].destinations
    return book[sheet][area.replace("$", "").split(":")[0]].offset(row=row)


PLAIN = {"value": 0.0}


@pytest.fixture(scope="module", autouse=True)
def plain(tmp_path_factory: pytest.TempPathFactory) -> None:
    PLAIN["value"] = value(outcome_of(tmp_path_factory.mktemp("plain"), GOOD))


# -- archives ----------------------------------------------------------------------------------


def test_a_bomb_that_lies_about_its_size(tmp_path: Path) -> None:
    bomb = bytearray(with_parts(GOOD, {"xl/media/x.bin": b"\0" * 30_000_000}))
    for head in (b"PK\x01\x02", b"PK\x03\x04"):
        at = bomb.rfind(head, 0, bomb.rfind(b"xl/media/x.bin"))
        at = bomb.rfind(b"xl/media/x.bin") - 46 if head == b"PK\x01\x02" else at
        if head == b"PK\x01\x02":
            assert bomb[at : at + 4] == head
            bomb[at + 24 : at + 28] = struct.pack("<I", 1000)
    (finding,) = outcome_of(tmp_path, bytes(bomb)).findings
    assert finding.code == "file-unreadable"


@pytest.mark.slow
def test_many_parts_and_deep_names(tmp_path: Path) -> None:
    many = with_parts(GOOD, {f"xl/media/{i}.bin": b"" for i in range(3001)})
    assert "too many parts" in outcome_of(tmp_path, many).findings[0].message
    odd = with_parts(GOOD, {"../../evil.txt": b"x", "/etc/evil": b"x", "C:\\evil": b"x"})
    assert outcome_of(tmp_path, odd).written is not None
    assert {p.name for p in tmp_path.rglob("*")} == {"a.xlsx", "out.xlsx"}
    assert not (tmp_path.parent / "evil.txt").exists()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ("group;load\n1;2\n".encode("utf-16"), "no workbook"),
        (b"\xef\xbb\xbfgroup,load\n1,2\n", "no workbook"),
        (b"<html><body><table><tr><td>1</td></tr></table>", "web page"),
        (b'<?xml version="1.0"?><office:document/>', "no workbook"),
        (b"\x09\x08\x10\x00\x00\x06\x05\x00" + b"\0" * 100, "no workbook"),
        (b"%PDF-1.7\n", "no workbook"),
        (b"PK\x05\x06" + b"\0" * 18, "no workbook"),
        (GOOD[:40], "cut short"),
        (GOOD[:-30], "cut short"),
        (GOOD + GOOD, ""),
    ],
)
def test_other_files_with_the_ending_of_a_workbook(tmp_path: Path, data: bytes, words: str) -> None:
    outcome = outcome_of(tmp_path, data)
    if words:
        assert words in outcome.findings[0].message
        assert outcome.written is None
    else:
        # two archives in one file: the last one counts, for every reader
        assert value(outcome) == PLAIN["value"]


# -- sizes ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_formats_down_to_the_last_row_are_passed_over(tmp_path: Path) -> None:
    text = part(GOOD, READINGS)
    rows = b"".join(
        b'<row r="%d" s="3" customFormat="1" ht="15"><c r="A%d" s="3"/></row>' % (n, n)
        for n in range(40, 200_000)
    )
    huge = text.replace(b"</sheetData>", rows + b"</sheetData>")
    assert len(huge) > MAX_XML
    outcome = outcome_of(tmp_path, with_parts(GOOD, {READINGS: huge}))
    assert value(outcome) == PLAIN["value"]
    assert outcome.assessment is not None
    assert outcome.assessment.status is Status.OK
    with zipfile.ZipFile(tmp_path / "out.xlsx") as made:
        assert made.read(READINGS) == huge


@pytest.mark.slow
def test_more_filled_cells_than_a_practical_needs_are_refused(tmp_path: Path) -> None:
    cells = b"".join(b'<row r="%d"><c r="A%d"><v>1</v></c></row>' % (n, n)
                     for n in range(40, 300_000))  # fmt: skip
    huge = part(GOOD, READINGS).replace(b"</sheetData>", cells + b"</sheetData>")
    (finding,) = outcome_of(tmp_path, with_parts(GOOD, {READINGS: huge})).findings
    assert "far more cells" in finding.message


@pytest.mark.slow
def test_a_stray_cell_at_the_very_end_and_300_columns(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book["Readings"]["XFD1048576"] = 1
        for column in range(30, 330):
            for row in range(1, 40):
                book["Readings"].cell(row, column, column * row)

    assert value(outcome_of(tmp_path, changed(change))) == PLAIN["value"]


@pytest.mark.slow
@pytest.mark.parametrize("tag", [b"<row", b"<c", b"<row hidden=", b"sheetProtection"])
def test_no_pattern_takes_longer_than_the_size_allows(tmp_path: Path, tag: bytes) -> None:
    """Comments may hold anything: what looks for tags must not go over it again and again."""
    long = b"<!--" + (tag + b" ") * 1_500_000 + b"-->"
    huge = part(GOOD, READINGS).replace(b"<sheetData>", long + b"<sheetData>")
    started = time.perf_counter()
    outcome_of(tmp_path, with_parts(GOOD, {READINGS: huge}))
    assert time.perf_counter() - started < 10


def test_deep_and_wide_elements(tmp_path: Path) -> None:
    deep = b"<x>" * 3000 + b"</x>" * 3000
    text = part(GOOD, READINGS).replace(b"<sheetData>", deep + b"<sheetData>")
    # what is no cell is passed over, whatever its depth: there is no tree that it could break
    assert value(outcome_of(tmp_path, with_parts(GOOD, {READINGS: text}))) == PLAIN["value"]
    workbook = part(GOOD, "xl/workbook.xml").replace(
        b"<sheets>", deep[: -len("<sheetData>")] + b"<sheets>"
    )
    found = outcome_of(tmp_path, with_parts(GOOD, {"xl/workbook.xml": workbook}))
    assert "damaged inside" in found.findings[0].message


# -- time -----------------------------------------------------------------------------------------


def hostile(quantities: int, results: int) -> str:
    """A definition as large as it may be."""
    lines = [
        'id = "heavy"\nversion = "1"\ntitle = "heavy"\naim = "a"\nmethod = ["m"]',
        '[sheets.s]\ntitle = "S"',
        '[instruments.scale]\nkind = "direct"\ntitle = "Scale"\nunit = "cm"\nsheet = "s"',
        'decimals = 2\nlimit = { half_width = 0.0005, relative = true, note = "n" }',
        '[tables.t]\ntitle = "T"\nsheet = "s"\nrows = 200\nminimum_rows = 3',
    ]
    lines += [f'[tables.t.columns.c{i}]\ntitle = "c{i}"\ninstrument = "scale"' for i in range(4)]
    total = " + ".join(["mean(t.c0)"] * 20)
    lines += [
        f'[quantities.q{i}]\ntitle = "q{i}"\nsymbol = "q{i}"\nunit = "m"\nsheet = "s"\n'
        f'formula = "({total}) / 20 + 0 * mean(t.c{i % 4})"\n'
        f'uncertainty = [{{ label = "x{i}", half_width = 0.001 }}]'
        for i in range(quantities)
    ]
    lines += [f"[results.q{i}]" for i in range(results)]
    return "\n".join(lines)


@pytest.mark.slow
def test_a_definition_as_large_as_it_may_be_is_evaluated_in_time(tmp_path: Path) -> None:
    heavy = load(hostile(120, 10))
    cells = {
        key: [round(10 + 0.1 * i, 1) for i in range(one.rows)]
        for key, one in heavy.inputs.items()
        if one.kind == "number" and key.startswith("t.")
    }
    cells["scale.least_count"] = [0.1]
    data = write_template(lay_out(heavy, Assist.READINGS), cells)
    path = tmp_path / "a.xlsx"
    path.write_bytes(data)
    started = time.perf_counter()
    outcome = evaluate_file(path, tmp_path / "out.xlsx")
    assert time.perf_counter() - started < 25
    assert outcome.assessment is not None
    with pytest.raises(Exception, match="31 results"):
        load(hostile(40, 31))


def test_a_definition_without_cautions_is_evaluated(tmp_path: Path) -> None:
    """Its first sheet has no cells for a person and rules; those were called lost once."""
    plain = load(hostile(1, 1))
    cells = {"t.c0": [10.0, 11.0, 12.0], "scale.least_count": [0.1]}
    data = write_template(lay_out(plain, Assist.CORRECTED), cells)
    outcome = outcome_of(tmp_path, data)
    assert outcome.assessment is not None
    assert "cells-lost" not in codes(outcome)
    assert value(outcome) == pytest.approx(0.11)


# -- cells ----------------------------------------------------------------------------------------


def test_hidden_rows_count_and_are_told(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        row = spot(book, "readings.mass", 2).row
        book["Readings"].row_dimensions[row].hidden = True

    outcome = outcome_of(tmp_path, changed(change))
    assert value(outcome) == PLAIN["value"]
    (finding,) = outcome.findings
    assert finding.code == "hidden-readings"
    assert finding.place.sheet == "Readings"


@pytest.mark.parametrize("state", ["hidden", "veryHidden"])
def test_a_hidden_sheet_is_read_and_told(tmp_path: Path, state: str) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book["Readings"].sheet_state = state

    outcome = outcome_of(tmp_path, changed(change))
    assert value(outcome) == PLAIN["value"]
    assert codes(outcome) == {"hidden-readings"}


def test_hidden_rows_of_an_ods_are_told(tmp_path: Path) -> None:
    ods = open_document(GOOD)
    text = part(ods, "content.xml").replace(
        b"<table:table-row>", b'<table:table-row table:visibility="collapse">'
    )
    outcome = outcome_of(tmp_path, with_parts(ods, {"content.xml": text}), "a.ods")
    assert value(outcome) == PLAIN["value"]
    assert "hidden-readings" in codes(outcome)


def test_merged_readings_are_missing_and_told(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        first = spot(book, "readings.mass", 1)
        book["Readings"].merge_cells(
            start_row=first.row, end_row=first.row + 2,
            start_column=first.column, end_column=first.column,
        )  # fmt: skip

    assert "reading-incomplete" in codes(outcome_of(tmp_path, changed(change)))


def test_unlocked_cells_and_lost_protection_are_told(tmp_path: Path) -> None:
    def unlocked(book: openpyxl.Workbook) -> None:
        ((sheet, area),) = book.defined_names["calc_readings_mean"].destinations
        cell = book[sheet][area.replace("$", "").split(":")[0]]
        cell.protection = openpyxl.styles.Protection(locked=False)

    def unprotected(book: openpyxl.Workbook) -> None:
        book["Readings"].protection.sheet = False

    for change in (unlocked, unprotected):
        outcome = outcome_of(tmp_path, changed(change))
        assert codes(outcome) == {"protection-removed"}
        assert value(outcome) == PLAIN["value"]


def test_a_changed_formula_is_told_by_what_it_shows(tmp_path: Path) -> None:
    text = part(GOOD, READINGS)
    found = re.search(rb"<c r=\"[A-Z]+\d+\" s=\"\d+\"><f>[^<]*</f><v>([\d.]+)</v></c>", text)
    assert found is not None
    spoiled = text[: found.start(1)] + b"77.7" + text[found.end(1) :]
    outcome = outcome_of(tmp_path, with_parts(GOOD, {READINGS: spoiled}))
    assert codes(outcome) == {"formula-altered"}
    assert "77.7 instead of" in outcome.findings[0].found
    assert value(outcome) == PLAIN["value"]


def test_a_reading_from_another_file_is_told(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        spot(book, "dead_load").value = "='[1]Sheet1'!B2"

    assert "formula-for-reading" in codes(outcome_of(tmp_path, changed(change)))


@pytest.mark.parametrize(
    "stored", ["9223372036854775808", "1e400", "-1e400", "NaN", "INF", "1e-320", "1_0", "٣", "0x1F"]
)
def test_numbers_that_no_instrument_shows(tmp_path: Path, stored: str) -> None:
    """As they stand in the file, whatever a file library would make of them."""
    slot = layout("wire-stretching", Assist.CORRECTED).slots["readings.mass"]
    cell = address(slot.row + 1, slot.column)
    text = part(GOOD, READINGS).decode()
    pattern = rf'(<c r="{cell}"[^>]*>)<v>[^<]*</v>'
    assert re.search(pattern, text)
    new = re.sub(pattern, rf"\g<1><v>{stored}</v>", text)
    outcome = outcome_of(tmp_path, with_parts(GOOD, {READINGS: new.encode()}))
    assert codes(outcome) & {"not-a-number", "outside-limits", "number-as-text"}
    assert outcome.written is not None


NAMES = ["😀 👩\u200d🔬", "قبل \u202e7", "קבוצה", "=1+1", "A" * 500, "\u200b", "a\nb", "&[Path]&G"]


@pytest.mark.parametrize(
    "name", [NAMES[0], *(pytest.param(name, marks=pytest.mark.slow) for name in NAMES[1:])]
)
def test_emoji_right_to_left_and_long_names(tmp_path: Path, name: str) -> None:
    def change(book: openpyxl.Workbook) -> None:
        spot(book, "start.group").value = name
        spot(book, "start.group").data_type = "s"

    outcome = outcome_of(tmp_path, changed(change))
    assert value(outcome) == PLAIN["value"]
    made = openpyxl.load_workbook(tmp_path / "out.xlsx")
    formulas = [
        (sheet.title, cell.value)
        for sheet in made.worksheets[-6:]
        for row in sheet.iter_rows()
        for cell in row
        if cell.data_type == "f"
    ]
    # a budget works u, contribution and share out of its own row, and nothing else is a formula
    own = re.compile(r"=(D\d+/E\d+|ABS\(I\d+\)\*F\d+|J\d+\^2/SUMSQ\(J\$\d+:J\$\d+\))")
    assert all(title == "Budget" and own.fullmatch(text) for title, text in formulas)
    footer = made["Evaluation"].oddFooter
    assert "&[Path]" not in str(footer.left.text).replace("&&", "")


# -- sheets ---------------------------------------------------------------------------------------


def test_renamed_reordered_and_duplicated_sheets(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book.copy_worksheet(book["Readings"])
        book.move_sheet("Readings", -3)

    assert value(outcome_of(tmp_path, changed(change))) == PLAIN["value"]
    text = part(GOOD, "xl/workbook.xml").decode()
    renamed = text.replace('name="Readings"', 'name="Messung &amp; Co. 😀"')
    renamed = renamed.replace(">'Readings'!", ">'Messung &amp; Co. 😀'!")
    outcome = outcome_of(tmp_path, with_parts(GOOD, {"xl/workbook.xml": renamed.encode()}))
    assert value(outcome) == PLAIN["value"]


@pytest.mark.slow
def test_a_deleted_sheet_is_named(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book.remove(book["Readings"])

    outcome = outcome_of(tmp_path, changed(change))
    assert "cells-lost" in codes(outcome)
    assert any("“Readings” is not there" in f.found for f in outcome.findings)


@pytest.mark.slow
def test_all_names_deleted(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        for name in list(book.defined_names):
            del book.defined_names[name]

    assert {"cells-lost"} <= codes(outcome_of(tmp_path, changed(change))) | {"workbook-not-filled"}


def test_two_names_that_point_at_one_cell_are_told(tmp_path: Path) -> None:
    """Found by mutation: the altitude was read from the cell of the latitude, in silence."""
    text = part(GOOD, "xl/workbook.xml").decode()
    places = dict(re.findall(r'name="(in_\w+)"[^>]*>([^<]*)<', text))
    here, there = places["in_altitude"], places["in_latitude"]
    moved = text.replace(f">{here}<", f">{there}<")
    assert moved != text
    outcome = outcome_of(tmp_path, with_parts(GOOD, {"xl/workbook.xml": moved.encode()}))
    assert "names-doubled" in codes(outcome)


@pytest.mark.slow
@pytest.mark.parametrize("version", ["0", "99"])
def test_a_workbook_of_another_version_goes_by_its_own_definition(
    tmp_path: Path, version: str
) -> None:
    from sheetlab.practical.loader import catalogue

    text = re.sub(r'^version = "\d+"', f'version = "{version}"',
                  catalogue().text("wire-stretching"), flags=re.M)  # fmt: skip
    other = load(text)
    data = write_template(lay_out(other, Assist.CORRECTED), WORKBOOKS["Avocet"].cells)
    outcome = outcome_of(tmp_path, data)
    assert outcome.assessment is not None
    assert outcome.assessment.practical.definition.version == version


def test_a_definition_with_keys_of_a_newer_sheetlab_is_refused_with_the_key(tmp_path: Path) -> None:
    def change(book: openpyxl.Workbook) -> None:
        for row in book[IDENTITY].iter_rows():
            for cell in row:
                if isinstance(cell.value, str) and 'version = "' in cell.value:
                    cell.value = cell.value.replace('version = "', 'tempo = 3\nversion = "', 1)

    outcome = outcome_of(tmp_path, changed(change))
    assert outcome.assessment is None
    assert "tempo" in outcome.findings[0].message


@pytest.mark.slow
def test_everything_at_once_does_not_stop_a_class(tmp_path: Path) -> None:
    kinds = [b"", b"x", GOOD[:2000], GOOD, filled("Fulmar"), open_document(filled("Petrel"))]
    paths = []
    for i, data in enumerate(kinds):
        paths.append(tmp_path / f"{i}{'.ods' if i == 5 else '.xlsx'}")
        paths[-1].write_bytes(data)
    done = list(evaluate_files(paths, tmp_path / "out", in_place=False))
    assert [one.written is not None for one in done] == [False, False, False, True, True, True]
    assert layout("wire-stretching", Assist.CORRECTED)


MEMORY = """
import sys
from pathlib import Path
from sheetlab.workbook.evaluate_file import evaluate_file
path = Path(sys.argv[1])
outcome = evaluate_file(path, path.with_name("out.xlsx"), trials=0)
print([f.code for f in outcome.findings])
# its own peak: what getrusage says begins with that of the process that started it
status = Path("/proc/self/status").read_text().split("VmHWM:")[1]
print(int(status.split()[0]) // 1024)
"""


@pytest.mark.slow
def test_sheets_just_below_the_limit_take_limited_memory(tmp_path: Path) -> None:
    """Every input sheet is full of cells that are not ours."""
    changes: dict[str, bytes | None] = {}
    for number in range(1, 6):
        name = f"xl/worksheets/sheet{number}.xml"
        text = part(GOOD, name)
        rows = b"".join(
            b'<row r="%d"><c r="A%d"><v>1</v></c><c r="B%d"><v>1</v></c></row>' % (n, n, n)
            for n in range(1000, 1000 + (MAX_XML - len(text)) // 80)
        )
        changes[name] = text.replace(b"</sheetData>", rows + b"</sheetData>")
    path = tmp_path / "a.xlsx"
    path.write_bytes(with_parts(GOOD, changes))
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, path], capture_output=True, text=True, check=True
    )
    codes_found, megabytes = done.stdout.splitlines()
    # 150 kB are refused as they come, and were read into trees of 900 MB once
    assert codes_found == "['file-unreadable']"
    assert int(megabytes) < 300
