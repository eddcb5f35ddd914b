"""An .ods file is read like an .xlsx, and never written to."""

from __future__ import annotations

from pathlib import Path

import pytest
from examples import CAREFUL, SHIPPED, filled
from hypothesis import given
from hypothesis import strategies as st
from workbook.odf import open_document, packed
from workbook.tamper import part, with_parts

from sheetlab.checks.assess import assess
from sheetlab.finding import SheetlabError
from sheetlab.handling.batch import evaluate_files
from sheetlab.handling.folders import expand, scan
from sheetlab.workbook.evaluate_file import evaluate_file, sibling
from sheetlab.workbook.opening import open_store
from sheetlab.workbook.package import package_of
from sheetlab.workbook.reader import read_workbook
from sheetlab.workbook.store import Cell
from sheetlab.years.adding import workbooks

ODS = open_document(filled("Avocet"))


def content(data: bytes, old: str, new: str, count: int = 1) -> bytes:
    text = part(data, "content.xml").decode()
    assert old in text
    return with_parts(data, {"content.xml": text.replace(old, new, count).encode()})


@pytest.mark.parametrize("name", SHIPPED)
def test_an_ods_gives_the_same_readings_and_the_same_result(tmp_path: Path, name: str) -> None:
    xlsx, ods = tmp_path / "a.xlsx", tmp_path / "b.ods"
    xlsx.write_bytes(filled(CAREFUL[name]))
    ods.write_bytes(open_document(filled(CAREFUL[name])))
    first, second = read_workbook(xlsx), read_workbook(ods)
    assert second.observations.findings == ()
    for key, entries in first.observations.entries.items():
        found = second.observations.entries[key]
        assert [(e.value, e.text, e.place.cell) for e in entries] == [
            (e.value, e.text, e.place.cell) for e in found
        ]
    results = [assess(r.practical, r.observations, 0).evaluation for r in (first, second)]
    assert results[0].measurand.budget == results[1].measurand.budget


@pytest.mark.parametrize("in_place", [False, True])
def test_results_go_beside_it_and_can_be_read_again(tmp_path: Path, in_place: bool) -> None:
    source = tmp_path / "Avocet.ods"
    source.write_bytes(ODS)
    (tmp_path / "Avocet.xlsx").write_bytes(b"the student's own")
    for _ in range(2):
        (outcome,) = evaluate_files([source], None, in_place)
        folder = tmp_path if in_place else tmp_path / "evaluated"
        assert outcome.written == folder / "Avocet.ods.xlsx"
        assert source.read_bytes() == ODS
        assert (tmp_path / "Avocet.xlsx").read_bytes() == b"the student's own"
    again = read_workbook(outcome.written)
    assert again.observations.findings == ()
    first = read_workbook(source).observations.entries
    assert {k: [e.value for e in v] for k, v in again.observations.entries.items()} == {
        k: [e.value for e in v] for k, v in first.items()
    }


def test_an_ods_with_the_name_of_an_xlsx_is_not_replaced(tmp_path: Path) -> None:
    source = tmp_path / "a.xlsx"
    source.write_bytes(ODS)
    outcome = evaluate_file(source, source)
    assert outcome.written == sibling(source) == tmp_path / "a.xlsx.ods.xlsx"
    assert source.read_bytes() == ODS


def test_a_file_that_is_no_evaluated_copy_is_not_replaced(tmp_path: Path) -> None:
    source = tmp_path / "a.ods"
    source.write_bytes(ODS)
    other = tmp_path / "a.ods.xlsx"
    other.write_bytes(filled("Fulmar"))
    outcome = evaluate_file(source, source)
    assert outcome.written is None
    assert "no evaluated copy" in outcome.findings[0].message
    assert other.read_bytes() == filled("Fulmar")


def test_a_default_that_was_taken_out_stays_out_in_the_copy(tmp_path: Path) -> None:
    source = tmp_path / "a.ods"
    source.write_bytes(ODS)
    limit = read_workbook(source).observations.entry("screw_gauge.limit")
    assert limit.value == 0.004
    blank = content(ODS, 'office:value-type="float" office:value="0.004"', "")
    source.write_bytes(blank)
    outcome = evaluate_file(source, tmp_path / "out.xlsx")
    for path in (source, outcome.written):
        assert path is not None
        assert read_workbook(path).observations.entry("screw_gauge.limit").value is None


def test_an_altered_definition_is_still_told_of_the_copy(tmp_path: Path) -> None:
    source = tmp_path / "a.ods"
    source.write_bytes(content(ODS, "4 * g * L / (pi", "8 * g * L / (pi"))
    outcome = evaluate_file(source, tmp_path / "out.xlsx")
    assert outcome.findings[0].code == "definition-altered"
    assert outcome.written is not None
    again = evaluate_file(outcome.written, None)
    assert again.findings[0].code == "definition-altered"


@pytest.mark.parametrize("name", ["a.ods", "b.xlsm", "c.xlsx", "D.ODS"])
def test_every_command_finds_every_kind(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"")
    for other in (f"~${name}", f".~lock.{name}#", f".{name}-abc.part", f"{name}.bak", "a.csv"):
        (tmp_path / other).write_bytes(b"")
    # what an evaluation has written beside it, also if an .ods has another ending
    copy = (
        sibling(tmp_path / name) if name.lower().endswith(".ods") else tmp_path / f"{name}.ods.xlsx"
    )
    copy.write_bytes(b"")
    assert [p.name for p in expand([tmp_path])] == [name]
    assert list(scan(tmp_path)[0]) == [name]
    assert [p.name for p in workbooks([tmp_path], tmp_path / "archive.xlsx")] == [name]


def cells_of(rows: str) -> dict[tuple[int, int], Cell]:
    data = packed("", f'<table:table table:name="A">{rows}</table:table>')
    return dict(open_store(package_of(data, Path("a.ods"))).cells("A"))


def test_repeated_grouped_and_covered_cells_keep_their_places() -> None:
    one = '<table:table-cell office:value-type="float" office:value="1"/>'
    two = one.replace("/>", ' table:number-columns-repeated="2"/>')
    found = cells_of(
        '<table:table-header-rows><table:table-row table:number-rows-repeated="2">'
        '<table:table-cell table:number-columns-repeated="3"/>'
        f"{two}</table:table-row>"
        "</table:table-header-rows><table:table-row-group><table:table-row>"
        f"<table:covered-table-cell/>{one}</table:table-row></table:table-row-group>"
        '<table:table-row table:number-rows-repeated="1048573"><table:table-cell '
        'table:number-columns-repeated="16384"/></table:table-row>'
    )
    assert set(found) == {(0, 3), (0, 4), (1, 3), (1, 4), (2, 1)}


def test_kinds_of_cells_and_text() -> None:
    kind = "office:value-type"
    found = cells_of(
        "<table:table-row>"
        f'<table:table-cell {kind}="string"><text:p>a<text:s text:c="2"/>b<text:tab/>'
        "<text:span>c<text:line-break/>d</text:span></text:p><text:p>e</text:p>"
        "<office:annotation><text:p>a comment</text:p></office:annotation></table:table-cell>"
        f'<table:table-cell {kind}="percentage" office:value="0.5"/>'
        f'<table:table-cell {kind}="date" office:date-value="2026-05-02"/>'
        f'<table:table-cell {kind}="time" office:time-value="PT01H"/>'
        f'<table:table-cell {kind}="boolean" office:boolean-value="true"/>'
        f'<table:table-cell {kind}="float" office:value="NaN"/>'
        '<table:table-cell table:formula="of:=1"/>'
        f'<table:table-cell {kind}="string" office:string-value=""/>'
        "</table:table-row>"
    )
    assert found[0, 0] == Cell("text", "a  b\tc\nd\ne")
    assert found[0, 1] == Cell("number", 0.5)
    assert found[0, 2] == Cell("number", 46144.0, style=1)
    assert (found[0, 3].kind, found[0, 3].style) == ("number", 1)
    assert found[0, 4] == Cell("truth", 1.0)
    assert found[0, 5].value != found[0, 5].value
    assert found[0, 6] == Cell("text", "", True)
    assert (0, 7) not in found


def test_too_many_repeated_cells_are_refused() -> None:
    with pytest.raises(SheetlabError, match="far more cells"):
        cells_of(
            '<table:table-row table:number-rows-repeated="1048576"><table:table-cell '
            'table:number-columns-repeated="16384" office:value-type="float" office:value="1"/>'
            "</table:table-row>"
        )


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (packed("", "", b"application/vnd.oasis.opendocument.text"), "no spreadsheet"),
        (with_parts(ODS, {"content.xml": None}), "main part"),
        (with_parts(ODS, {"content.xml": part(ODS, "content.xml")[:900]}), "damaged inside"),
        (with_parts(ODS, {"content.xml": b"<x/>"}), "no spreadsheet"),
        (packed("", "", **{"META-INF/manifest.xml": b"<encryption-data/>"}), "password"),
        (content(ODS, "sheetlab workbook", "x"), "not issued"),
        (
            with_parts(ODS, {"content.xml": b'<!DOCTYPE x [<!ENTITY a "b">]>' + b"<x/>"}),
            "document type",
        ),
    ],
)
def test_broken_ones_get_one_message(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "a.ods"
    path.write_bytes(data)
    (finding,) = evaluate_file(path, tmp_path / "out.xlsx").findings
    assert words in finding.message
    assert [p.name for p in tmp_path.iterdir()] == ["a.ods"]


RUNS = st.lists(st.tuples(st.integers(1, 5), st.none() | st.integers(-9, 9)), max_size=5)


@given(st.lists(st.tuples(st.integers(1, 4), RUNS), max_size=5))
def test_repeats_of_rows_and_cells_are_what_they_stand_for(
    lines: list[tuple[int, list[tuple[int, int | None]]]],
) -> None:
    """Against writing every cell out."""
    rows, expected, row = [], {}, 0
    for high, runs in lines:
        cells = []
        column = 0
        for wide, value in runs:
            kind = "" if value is None else f'office:value-type="float" office:value="{value}"'
            cells.append(f'<table:table-cell table:number-columns-repeated="{wide}" {kind}/>')
            for i in range(high):
                for k in range(wide):
                    if value is not None:
                        expected[row + i, column + k] = Cell("number", float(value))
            column += wide
        rows.append(
            f'<table:table-row table:number-rows-repeated="{high}">{"".join(cells)}'
            "</table:table-row>"
        )
        row += high
    assert cells_of("".join(rows)) == expected
