"""Whatever is in a student's file is in the evaluated copy, to the byte."""

from __future__ import annotations

import re
from pathlib import Path

import openpyxl
import pytest
from examples import filled, layout
from lxml import etree
from workbook.rich import EXTRA, decorated, part_names, rich, with_names_and_views
from workbook.tamper import edited, part, with_parts
from workbook.test_graft import EDITED, changed, evaluated, parts

from sheetlab.practical.definition import Assist
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.graft import TITLES
from sheetlab.workbook.template import write_template

RICH = rich(filled("Avocet"))


def same_but_for_the_lists(source: Path, target: Path) -> dict[str, bytes]:
    before, after = parts(source), parts(target)
    assert set(before) <= set(after)
    assert changed(before, after) <= EDITED
    return after


def test_photos_text_boxes_comments_charts_macros_and_the_rest_survive(tmp_path: Path) -> None:
    source, target = evaluated(tmp_path, RICH)
    after = same_but_for_the_lists(source, target)
    for name, data in EXTRA.items():
        assert after[name] == data
    assert any(b"the micrometer slipped here" in data for data in after.values())
    assert b"sparklineGroup" in after["xl/worksheets/sheet4.xml"]
    assert b"greaterThan" in after["xl/worksheets/sheet4.xml"]
    assert any(name.startswith("xl/media/image") for name in after)
    assert any(b"wire 3, re-hung" in d for n, d in after.items() if "comment" in n)
    assert b"a student" in after["docProps/core.xml"]


def test_what_the_lists_held_is_still_in_them(tmp_path: Path) -> None:
    """The four parts that change only grow: every element that was there is there, in order."""
    source, target = evaluated(tmp_path, RICH)
    before, after = parts(source), parts(target)
    # but for the sheet that is open
    book = "xl/workbook.xml"
    after[book] = re.sub(rb' activeTab="\d+"', b"", after[book])
    before[book] = re.sub(rb' activeTab="\d+"', b"", before[book])
    for name in EDITED:
        old, new = (
            [etree.tostring(e, method="c14n") for e in etree.fromstring(x[name]).iter()
             if not len(e)]
            for x in (before, after)
        )  # fmt: skip
        left = iter(new)
        assert all(element in left for element in old), name


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:Sparkline Group extension")
def test_what_a_file_library_would_lose_is_named_here(tmp_path: Path) -> None:
    """The reason for grafting: the same file through load and save loses parts of it."""
    lost = edited(RICH, lambda workbook: None)
    path = tmp_path / "lost.xlsx"
    path.write_bytes(lost)
    names = set(parts(path))
    gone = {"xl/threadedComments/threadedComment1.xml", "xl/persons/person.xml"}
    assert not gone & names
    assert not any(b"the micrometer slipped here" in data for data in parts(path).values())


@pytest.mark.filterwarnings("ignore:Sparkline Group extension")
@pytest.mark.parametrize("in_place", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_a_workbook_with_macros_keeps_them(tmp_path: Path, in_place: bool) -> None:
    source = tmp_path / "group.xlsm"
    source.write_bytes(rich(filled("Avocet"), macros=True))
    before = parts(source)
    target = source if in_place else tmp_path / "out.xlsm"
    outcome = evaluate_file(source, target, trials=0)
    assert outcome.written == target
    after = parts(target)
    assert changed(before, after) <= EDITED
    assert b"macroEnabled" in after["[Content_Types].xml"]
    book = openpyxl.load_workbook(target)
    assert book.sheetnames[-len(TITLES) :] == list(TITLES)
    assert after["xl/vbaProject.bin"] == EXTRA["xl/vbaProject.bin"]


@pytest.mark.slow
def test_a_workbook_saved_by_another_library_survives_too(tmp_path: Path) -> None:
    source, target = evaluated(tmp_path, edited(filled("Fulmar"), decorated))
    same_but_for_the_lists(source, target)


def test_a_workbook_without_formats_gets_some(tmp_path: Path) -> None:
    """A styles part may be missing (ISO/IEC 29500-1, 12.3.20: optional)."""
    data = filled("Avocet")
    sheets = {n: part(data, n) for n in part_names(data) if n.startswith("xl/worksheets/sheet")}
    bare = with_parts(
        data,
        {
            **{n: re.sub(rb' (s|style)="\d+"', b"", text) for n, text in sheets.items()},
            "xl/styles.xml": None,
            "xl/_rels/workbook.xml.rels": b"".join(
                piece
                for piece in part(data, "xl/_rels/workbook.xml.rels")
                .replace(b"<Relationship ", b"\n<Relationship ")
                .splitlines(keepends=True)
                if b"/styles" not in piece or b"</Relationships>" in piece
            ),
            "[Content_Types].xml": part(data, "[Content_Types].xml").replace(
                b'<Override PartName="/xl/styles.xml" ContentType="application/vnd.openxmlformats-'
                b'officedocument.spreadsheetml.styles+xml"/>',
                b"",
            ),
        },
    )
    source, target = evaluated(tmp_path, bare)
    same_but_for_the_lists(source, target)
    book = openpyxl.load_workbook(target)
    assert book["Evaluation"]["A1"].font.b
    first = target.read_bytes()
    assert evaluate_file(target, target, trials=0).written == target
    assert target.read_bytes() == first


@pytest.mark.slow
def test_names_and_views_of_the_students_own_stay(tmp_path: Path) -> None:
    source, target = evaluated(tmp_path, edited(filled("Avocet"), with_names_and_views))
    same_but_for_the_lists(source, target)
    book = openpyxl.load_workbook(target)
    assert book.defined_names["mine"].attr_text == "Readings!$B$9"
    # wherever it was left, it opens at the results
    assert book.active.title == "Evaluation"
    assert book["Readings"].freeze_panes == "B9"


@pytest.mark.slow
def test_an_issued_workbook_that_was_never_opened_is_told_and_kept(tmp_path: Path) -> None:
    source, target = tmp_path / "a.xlsx", tmp_path / "b.xlsx"
    source.write_bytes(write_template(layout("wire-stretching", Assist.FULL)))
    evaluate_file(source, target)
    same_but_for_the_lists(source, target)


def test_a_signed_workbook_is_only_copied(tmp_path: Path) -> None:
    source = tmp_path / "a.xlsx"
    data = with_parts(filled("Avocet"), {"_xmlsignatures/sig1.xml": b"<Signature/>"})
    source.write_bytes(data)
    outcome = evaluate_file(source, source, trials=0)
    assert outcome.written is None
    assert "is signed" in outcome.findings[0].found
    assert source.read_bytes() == data
    assert evaluate_file(source, tmp_path / "b.xlsx", trials=0).written is not None
    assert source.read_bytes() == data
