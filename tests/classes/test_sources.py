"""A class workbook added to the archive: what counts in it, and nothing that it leads astray to."""

from __future__ import annotations

import datetime
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from classes.groups import Marks, fill_class, handin
from workbook.odf import open_document
from workbook.tamper import edited

from sheetlab.classes.kept import COMMENT, HIDDEN, HISTORY_ROW
from sheetlab.classes.sources import _below
from sheetlab.cli import main
from sheetlab.finding import Severity
from sheetlab.years.adding import Added, add
from sheetlab.years.checking import check
from sheetlab.years.database import read

TODAY = datetime.date(2026, 11, 25)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A class workbook beside the folder of three hand-ins; one group handed in twice."""
    folder = tmp_path_factory.mktemp("class")
    fill_class(folder / "in" / "deep", 3)
    again = folder / "in" / "again.xlsx"
    again.write_bytes(handin("Group 2", "S2", 900))
    later = datetime.datetime(2030, 1, 1).timestamp()
    os.utime(again, (later, later))
    assert main(["class", str(folder / "in"), "--out", str(folder / "CLASS.xlsx")]) == 0
    return folder


@pytest.fixture
def class_(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return tmp_path / "CLASS.xlsx"


def added(book: Path, target: Path, **more: object) -> list[Added]:
    return list(add([book], target, 2026, TODAY, **more))  # type: ignore[arg-type]


def codes(found: list[Added]) -> list[str]:
    return [one.finding.code if one.finding else f"{len(one.rows)} row" for one in found]


def changed(book: Path, change: Callable[[dict[str, object]], None], **cells: str) -> None:
    """Someone works on the hidden sheet."""

    def work(opened: openpyxl.Workbook) -> None:
        sheet = opened[HIDDEN]
        for row in sheet.iter_rows(min_row=HISTORY_ROW + 1):
            if row[0].value is None:
                # below the history stands what was written where
                continue
            data = json.loads(row[0].value)
            change(data)
            row[0].value = json.dumps(data)
        for place, text in cells.items():
            sheet[place].value = text

    book.write_bytes(edited(book.read_bytes(), work))


def test_what_counts_is_added_and_once(class_: Path, tmp_path: Path) -> None:
    target = tmp_path / "D.sqlite"
    found = added(class_, target)
    assert codes(found) == ["1 row"] * 3
    names = {one.path.name for one in found}
    assert "again.xlsx" in names
    assert check(target, TODAY).findings == ()
    assert codes(added(class_, target)) == ["0 row"] * 3
    # the folder holds one more, which does not count in the class
    assert sum(len(one.rows) for one in add([tmp_path / "in"], target, 2026, TODAY)) == 1
    # both named: each file once
    other = tmp_path / "E.sqlite"
    both = list(add([tmp_path / "in" / "again.xlsx", class_], other, 2026, TODAY))
    assert codes(both) == ["1 row"] * 3


def test_marks_and_comments_stay_out(class_: Path, tmp_path: Path) -> None:
    marks = Marks(class_)
    marks.type("Group 1", COMMENT, "Wryneck")
    marks.type("Group 1", "scales", 1.234567)
    marks.save()
    target = tmp_path / "D.sqlite"
    assert codes(added(class_, target)) == ["1 row"] * 3
    rows = repr(read(target).rows)
    assert "Wryneck" not in rows
    assert "1.234567" not in rows


def test_sources_that_have_gone_or_changed_are_told(class_: Path, tmp_path: Path) -> None:
    paths = sorted((tmp_path / "in" / "deep").iterdir())
    gone = [path for path in paths if path.read_bytes() == handin("Group 1", "S1", 101)]
    gone[0].unlink()
    (other,) = [
        p for p in paths if p not in gone and p.read_bytes() == handin("Group 3", "S3", 103)
    ]
    other.write_bytes(handin("Group 3", "S3", 777))
    target = tmp_path / "D.sqlite"
    found = added(class_, target)
    assert sorted(codes(found)) == ["1 row", "source-changed", "source-gone"]
    assert all(f.finding is None or f.finding.severity is Severity.STOP for f in found)
    assert main(["archive", "add", str(class_), "--archive", str(target), "--year", "2026"]) == 1
    other.write_bytes(handin("Somebody", "S3", 103))
    assert "source-changed" in codes(added(class_, target))


def test_a_workbook_that_was_only_saved_again_is_the_same(class_: Path, tmp_path: Path) -> None:
    path = tmp_path / "in" / "again.xlsx"
    path.write_bytes(edited(path.read_bytes(), lambda book: None))
    assert codes(added(class_, tmp_path / "D.sqlite")) == ["1 row"] * 3


def test_a_class_workbook_away_from_its_folder_needs_it_named(class_: Path, tmp_path: Path) -> None:
    away = tmp_path / "away" / "CLASS.xlsx"
    away.parent.mkdir()
    shutil.copy(class_, away)
    assert codes(added(away, tmp_path / "D.sqlite")) == ["source-refused"]
    named = added(away, tmp_path / "D.sqlite", folder=tmp_path / "in")
    assert codes(named) == ["1 row"] * 3
    inside = tmp_path / "in" / "CLASS.xlsx"
    assert main(["class", str(tmp_path / "in"), "--out", str(inside)]) == 0
    assert codes(added(inside, tmp_path / "E.sqlite")) == ["1 row"] * 3


def test_no_path_leads_out_of_the_folder(class_: Path, tmp_path: Path) -> None:
    secret = tmp_path / "elsewhere" / "secret.xlsx"
    secret.parent.mkdir()
    secret.write_bytes((tmp_path / "in" / "again.xlsx").read_bytes())
    shutil.copy(secret, tmp_path / "secret.xlsx")
    folder = tmp_path / "in"
    shutil.copy(secret, folder / "a.txt")
    (folder / "link.xlsx").symlink_to(secret)
    (folder / "away").symlink_to(secret.parent)
    for name in ("../secret.xlsx", "deep/../../secret.xlsx", str(secret), "link.xlsx",
                 "away/secret.xlsx", "..\\secret.xlsx", "C:\\secret.xlsx", "C:secret.xlsx",
                 "deep/x\0.xlsx", "../in/again.xlsx", "a.txt", "", "/", "x" * 5000 + ".xlsx/" * 900,
                 ):  # fmt: skip
        assert _below(folder, name) is None or not _below(folder, name).exists(), name

    def lead(data: dict[str, object]) -> None:
        if data["file"] == "again.xlsx":
            data["file"] = "../secret.xlsx"

    changed(class_, lead)
    found = added(class_, tmp_path / "D.sqlite")
    assert sorted(codes(found)) == ["1 row", "1 row", "source-refused"]


def test_a_folder_outside_is_not_believed(class_: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (home / "away").symlink_to(tmp_path / "in")
    for said in ("..", "/", "../..", "away", "in/../..", "C:\\", str(tmp_path)):
        assert _below(home, said, folder=True) is None, said
    shutil.copy(class_, home / "CLASS.xlsx")
    for said in ("../in", "nowhere"):
        changed(home / "CLASS.xlsx", lambda data: None, A3=said)
        assert codes(added(home / "CLASS.xlsx", tmp_path / "D.sqlite")) == ["source-refused"]
    assert not list(tmp_path.glob("D.sqlite*"))


def test_a_class_workbook_of_before_is_told(class_: Path, tmp_path: Path) -> None:
    def forget(opened: openpyxl.Workbook) -> None:
        for row in opened[HIDDEN].iter_rows(min_row=HISTORY_ROW + 1):
            row[1].value = None

    class_.write_bytes(edited(class_.read_bytes(), forget))
    (one,) = added(class_, tmp_path / "D.sqlite")
    assert one.finding is not None
    assert "earlier sheetlab" in one.finding.found


def test_paths_below_a_folder(tmp_path: Path) -> None:
    assert _below(tmp_path, "a/b.xlsx") == tmp_path / "a" / "b.xlsx"
    assert _below(tmp_path, "a/b.XLSX") == tmp_path / "a" / "b.XLSX"
    assert _below(tmp_path, ".", folder=True) == tmp_path
    assert _below(tmp_path, "") is None
    assert _below(tmp_path, "~/b.xlsx") == tmp_path / "~" / "b.xlsx"


def test_a_class_workbook_saved_as_ods_is_told(class_: Path, tmp_path: Path) -> None:
    book = class_.with_suffix(".ods")
    book.write_bytes(open_document(class_.read_bytes()))
    (one,) = added(book, tmp_path / "D.sqlite")
    assert one.finding is not None
    assert one.finding.code == "source-refused"
    assert "workbook of a class, saved as .ods" in one.finding.message
    assert "save this one as .xlsx" in one.finding.message
    assert not (tmp_path / "D.sqlite").exists()
    # any other .ods file is told of as ever
    book.write_bytes(b"PK\x03\x04nothing")
    assert codes(added(book, tmp_path / "D.sqlite")) == ["file-unreadable"]
