"""The archive: what is added once stays, what is altered is found, what is killed loses nothing."""

from __future__ import annotations

import csv
import datetime
import hashlib
import io
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from examples import filled
from msgspec.structs import replace
from workbook.tamper import edited
from years import department

from sheetlab.before.practice import practice_set
from sheetlab.cli import main
from sheetlab.finding import Severity, SheetlabError
from sheetlab.handling import workers
from sheetlab.handling.tables import guarded, unguarded
from sheetlab.practical.loader import catalogue
from sheetlab.practical.register import Bound, BoundInstrument, BoundWire, setup_that_counts
from sheetlab.workbook.evaluate_file import assess_file, evaluate_file
from sheetlab.years import adding, database, entries, packfiles, renewing
from sheetlab.years.adding import Added, add, workbooks
from sheetlab.years.checking import check, row_of
from sheetlab.years.codes import codes_of, last_day, read_codes
from sheetlab.years.database import append, held_of, locked, opened, read
from sheetlab.years.entries import entries_of, source_digest
from sheetlab.years.evidence import CRITERIA, evidence, samples
from sheetlab.years.exchange import export, import_books
from sheetlab.years.ledger import (
    COLUMNS,
    FIRST,
    Number,
    Row,
    cells_of,
    digest_of,
    latest,
    verify,
)
from sheetlab.years.purging import purge
from sheetlab.years.renewing import renew
from sheetlab.years.yearbook import (
    ABOUT,
    RESULTS,
    VALUES,
    Noted,
    book_of,
    noted_in,
    year_bytes,
)

TODAY = datetime.date(2026, 11, 25)
LATER = datetime.date(2029, 1, 1)
ADDING = Path(__file__).with_name("adding.py")


def run_adding(*arguments: object) -> dict[str, object]:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    done = subprocess.run(
        [sys.executable, ADDING, *map(str, arguments)],
        env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)


@pytest.fixture(autouse=True, scope="module")
def each_workbook_is_read_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for module in (adding, packfiles):
            patch.setattr(module, "each", department.remembering(module.each))
        yield


def member(i: int) -> department.Bench:
    """A group of the class."""
    return department.bench(i, f"Group {i + 1}", str(i % 2 + 1))


@pytest.fixture(scope="module")
def class_(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six filled workbooks in two folders."""
    folder = tmp_path_factory.mktemp("class")
    for i in range(6):
        department.write(member(i), folder / ("before" if i < 3 else "after"))
    return folder


@pytest.fixture(scope="module")
def made(class_: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of the six; copy it before you change it."""
    target = tmp_path_factory.mktemp("archive") / "DEPARTMENT.sqlite"
    added = list(add([class_], target, 2026, TODAY))
    assert [len(one.rows) for one in added] == [1] * 6
    return target


@pytest.fixture
def copy(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made.parent, tmp_path / "copy")
    return tmp_path / "copy" / made.name


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    """Five rows that were never on a disk."""
    table = department.table()
    return [
        append(table, entries_of(its, 2026)[0], f"CODE{i}", "2026-11-25", "2027-12-31")
        for i in range(5)
        for its in [department.assessed(department.bench(i, f"G{i}"))]
    ]  # fmt: skip


def corrected(one: department.Bench) -> department.Bench:
    """A bench with other readings of the length."""
    lower = [v + 0.1 for v in one.cells["length.lower"]]
    return replace(one, cells={**one.cells, "length.lower": lower})


def adding_to(archive: Path, what: Path) -> list[str]:
    """The words of the command that adds to the year 2026."""
    return ["archive", "add", str(what), "--archive", str(archive), "--year", "2026"]


def put_into(archive: Path, folder: Path, *benches: department.Bench, **more: Any) -> list[Added]:
    """What becomes of the workbooks of some benches that are added."""
    for i, one in enumerate(benches):
        department.write(one, folder, str(i))
    return list(add([folder], archive, 2026, TODAY, **more))


def test_a_practice_set_is_refused_by_what_is_in_it(made: Path, tmp_path: Path) -> None:
    """Also saved by another program under another name of the group, and evaluated."""
    practice = practice_set(catalogue(), department.WIRE, tmp_path / "set", 2, seed=3)

    def rename(book: openpyxl.Workbook) -> None:
        ((sheet, cell),) = book.defined_names["in_start_group"].destinations
        book[sheet][cell.replace("$", "")].value = "Redstart"

    plain = edited(practice.workbooks[0].path.read_bytes(), rename)
    hidden = tmp_path / "in" / "Redstart.xlsx"
    hidden.parent.mkdir()
    hidden.write_bytes(plain)
    back = tmp_path / "in" / "evaluated"
    evaluate_file(hidden, back / "x.xlsx", department.WIRE)
    target = tmp_path / "copy" / made.name
    shutil.copytree(made.parent, target.parent)
    added = list(add([hidden, back / "x.xlsx"], target, 2026, TODAY))
    assert [one.finding and one.finding.code for one in added] == ["readings-invented"] * 2
    assert read(target).rows == read(made).rows


# -- rows -----------------------------------------------------------------------------------------


def test_a_row_holds_what_was_evaluated(made: Path) -> None:
    row = read(made).rows[0]
    one = department.bench(3, "Group 4", "2")  # “after” comes before “before”
    its = department.assessed(one)
    budget = its.evaluation.measurand.budget
    e = row
    assert (e.year, e.practical, e.setup, e.status) == (2026, department.WIRE, "2", str(its.status))
    for kept, value in ((e.value, budget.value), (e.u, budget.standard_uncertainty),
                        (e.expanded, budget.expanded_uncertainty), (e.k, budget.coverage_factor),
                        (e.dof, budget.effective_dof)):  # fmt: skip
        assert kept == pytest.approx(value, rel=1e-11)
    numbers = {(n.kind, n.id): n for n in e.numbers}
    assert numbers["zero", "screw_gauge"].value == pytest.approx(0.03e-3, abs=0.005e-3)
    assert numbers["zero", "screw_gauge"].shown == "mm"
    assert numbers["division", "screw_gauge"].value == pytest.approx(1e-5)
    assert numbers["quantity", "d"].value == pytest.approx(department.DIAMETER * 1e-3, rel=0.02)
    line = its.evaluation.lines["load_line"].fit
    assert numbers["scatter", "load_line"].value == pytest.approx(line.residual_deviation)
    assert abs(numbers["comparison", "Y"].value) < 0.1
    assert numbers["own", "answers"].value == 1.0
    assert e.definition == its.practical.digest
    assert e.statement.startswith("Y = (")


def test_no_name_is_kept_but_in_the_list_of_codes(class_: Path, tmp_path: Path) -> None:
    one = department.bench(1, "Zebrafinch", "7")
    cells = {**one.cells, "start.observers": ["Wryneck"], "start.person": ["Nightjar"]}
    department.write(replace(one, cells=cells), tmp_path / "in", "anything")
    target = tmp_path / "D.sqlite"
    list(add([tmp_path / "in"], target, 2026, TODAY, tmp_path / "keys.csv"))
    kept = target.read_bytes() + repr(department.shown(book_of(target, 2026))).encode()
    for name in (b"Zebrafinch", b"Wryneck", b"Nightjar"):
        assert name not in kept
    keys = (tmp_path / "keys.csv").read_text(encoding="utf-8-sig")
    assert "Zebrafinch" in keys
    assert "Wryneck" not in keys
    assert read(target).rows[0].code in keys


def test_adding_twice_adds_nothing(class_: Path, copy: Path) -> None:
    before = copy.read_bytes()
    view = book_of(copy, 2026).read_bytes()
    again = list(add([class_], copy, 2026, TODAY))
    assert [(one.rows, one.finding) for one in again] == [((), None)] * 6
    assert copy.read_bytes() == before
    assert book_of(copy, 2026).read_bytes() == view


def test_a_file_that_was_saved_again_is_the_same_source(class_: Path, copy: Path) -> None:
    path = next((class_ / "after").iterdir())
    other = copy.parent / "renamed.xlsx"

    def as_text(book: openpyxl.Workbook) -> None:
        """A number typed as text is the same reading."""
        sheet = book["Dimensions"]
        cell = next(c for r in sheet.iter_rows() for c in r if c.value == department.DIAMETER or
                    (isinstance(c.value, float) and not c.protection.locked))  # fmt: skip
        cell.value = str(cell.value).replace(".", ",")

    other.write_bytes(edited(path.read_bytes(), as_text))
    assert other.read_bytes() != path.read_bytes()
    (one,) = add([other], copy, 2026, TODAY)
    assert one == Added(other)


def test_a_changed_reading_is_a_revision_and_never_an_overwrite(
    class_: Path, copy: Path, tmp_path: Path
) -> None:
    before = read(copy).rows
    one = department.bench(3, "Group 4", "2")
    path = department.write(corrected(one), tmp_path / "again")
    (added,) = add([path], copy, 2026, TODAY)
    after = read(copy).rows
    assert after[:-1] == before
    (row,) = added.rows
    assert (row.revision, row.replaces, row.code) == (2, before[0].number, before[0].code)
    assert [r.number for r in latest(after)] == [2, 3, 4, 5, 6, 7]
    # both files in one folder: adding again and again comes to rest
    old = department.write(one, tmp_path / "again", "old")
    assert [x.rows for x in add([path, old], copy, 2026, TODAY)] == [(), ()]
    assert check(copy, TODAY).findings == ()


def test_spellings_of_a_group_are_one_group(copy: Path, tmp_path: Path) -> None:
    names = ("jack daw", "Jackdaw", "JACK-DAW ")
    put_into(copy, tmp_path / "in", *(department.bench(60 + i, n) for i, n in enumerate(names)))
    rows = read(copy).rows[-3:]
    assert len({row.code for row in rows}) == 1
    assert [(row.revision, row.replaces) for row in rows] == [(1, 0), (2, 7), (3, 8)]


def test_two_codes_that_a_group_was_once_given_both_stay_explained(tmp_path: Path) -> None:
    path = tmp_path / "codes.csv"
    path.write_text("code,year,group\nAAA,2026,jack daw\nBBB,2026,Jackdaw\n")
    keys = read_codes(path)
    assert keys.find(2026, "Jack Daw") == "AAA"
    keys.keep(2026, "Wren", "CCC")
    keys.save()
    assert list(read_codes(path).names) == ["AAA", "BBB", "CCC"]
    assert read_codes(path).forget({"AAA", "BBB"}) == 2


def test_the_same_readings_of_another_year_are_refused(class_: Path, copy: Path) -> None:
    refused = list(add([class_], copy, 2027, TODAY))
    assert {one.finding.code for one in refused if one.finding} == {"other-year"}
    assert len(read(copy).rows) == 6


def test_without_the_list_of_codes_nothing_comes_twice(class_: Path, copy: Path) -> None:
    codes_of(copy).unlink()
    assert all(not one.rows for one in add([class_], copy, 2026, TODAY, new_codes=True))
    assert len(read(copy).rows) == 6


def test_without_the_list_of_codes_nothing_is_added_unless_a_new_one_is_asked_for(
    class_: Path, copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keys, kept = codes_of(copy), tmp_path / "locked away.csv"
    keys.rename(kept)
    one = department.bench(3, "Group 4", "2")
    path = department.write(corrected(one), tmp_path / "again")
    command = adding_to(copy, path)
    before = copy.read_bytes()
    assert main(command) == 2
    said = capsys.readouterr().err
    assert "DEPARTMENT codes.csv is not there; nothing was added" in said
    assert "--new-codes" in said
    # nor is the list of another archive one
    keys.write_text("code,year,group\nAAAA,2026,Group 4\n")
    assert main(command) == 2
    assert "holds none of them" in capsys.readouterr().err
    assert copy.read_bytes() == before
    keys.unlink()
    assert main([*command, "--codes", str(kept)]) == 0
    said = capsys.readouterr().out
    assert "a revision of row 1" in said
    # a new list, once begun, is the archive's
    other = department.write(department.bench(50, "New"), tmp_path / "new")
    assert main([*command[:2], str(other), *command[3:], "--new-codes"]) == 0
    other = department.write(department.bench(51, "Newer"), tmp_path / "new")
    assert main([*command[:2], str(other), *command[3:]]) == 0


def test_what_cannot_be_evaluated_is_told_and_the_others_are_added(
    class_: Path, tmp_path: Path
) -> None:
    (tmp_path / "broken.xlsx").write_bytes(b"PK\x03\x04nothing")
    department.write(department.Bench("Blank", "1", {}), tmp_path, "blank")
    files = [tmp_path, class_ / "after"]
    added = list(add(files, tmp_path / "D.sqlite", 2026, TODAY))
    assert [one.finding.code if one.finding else len(one.rows) for one in added] == [
        "workbook-not-filled", "file-unreadable", 1, 1, 1,
    ]  # fmt: skip


def test_where_nothing_can_be_taken_no_archive_is_begun(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    department.write(department.Bench("Blank", "1", {}), folder, "blank")
    (folder / "broken.xlsx").write_bytes(b"PK\x03\x04nothing")
    (tmp_path / "new").mkdir()
    target = tmp_path / "new" / "D.sqlite"
    added = list(add([folder], target, 2026, TODAY))
    assert [one.finding.code if one.finding else "" for one in added] == [
        "workbook-not-filled", "file-unreadable",
    ]  # fmt: skip
    (tmp_path / "keys.csv").write_text("not mine\n")
    with pytest.raises(SheetlabError, match="list of codes"):
        list(add([folder], target, 2026, TODAY, tmp_path / "keys.csv"))
    assert list(target.parent.iterdir()) == []
    # a list that cannot be saved: its folder is missing, or a file, or where its link leads
    department.write(department.bench(3, "Group 4", "2"), folder, "good")
    (tmp_path / "file").write_text("")
    (tmp_path / "link.csv").symlink_to(tmp_path / "gone" / "keys.csv")
    for codes in (tmp_path / "gone" / "keys.csv", tmp_path / "file" / "k.csv",
                  tmp_path / "link.csv"):  # fmt: skip
        with pytest.raises(SheetlabError, match="it cannot be written"):
            list(add([folder], target, 2026, TODAY, codes))
        assert list(target.parent.iterdir()) == []
    assert [len(one.rows) for one in add([folder], target, 2026, TODAY)] == [0, 0, 1]


def test_a_database_that_was_begun_in_vain_is_taken_away(tmp_path: Path) -> None:
    path = tmp_path / "D.sqlite"

    def fails() -> None:
        with opened(path) as connection:
            connection.execute("UPDATE head SET count = 7")
            raise OSError("no room")

    with pytest.raises(OSError, match="no room"):
        fails()
    assert list(tmp_path.iterdir()) == []
    with opened(path):
        pass
    before = path.read_bytes()
    with pytest.raises(OSError, match="no room"):
        fails()
    # one that was there stays as it was
    assert path.read_bytes() == before


def test_rows_of_one_workbook_say_of_which_result_they_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(filled("Sanderling"))
    add = adding_to(tmp_path / "D.sqlite", path)
    assert main(add) == 0
    first, second, _ = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"a\.xlsx: row 1, \w+ \(acceleration of free fall\)", first)
    assert re.fullmatch(r"a\.xlsx: row 2, \w+ \(offset of the length .*\)", second)


def test_the_sentence_for_one_row(
    class_: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = department.bench(3, "Group 4", "2")
    path = department.write(one, tmp_path / "in")
    add = adding_to(tmp_path / "D.sqlite", path)
    assert main(add) == 0
    assert "D.sqlite: 1 row added (0 of them revisions), one for each" in capsys.readouterr().out
    department.write(corrected(one), tmp_path / "in")
    assert main(add) == 0
    assert "1 row added (1 of them a revision)" in capsys.readouterr().out
    assert main(add) == 0
    said = (
        "0 rows added (0 of them revisions), one for each result of a workbook; "
        "1 workbook was there already, 0 were not taken"
    )
    assert said in capsys.readouterr().out


@pytest.mark.parametrize("action", ["add", "check"])
def test_an_archive_by_another_name_is_refused_before_anything_is_read(
    class_: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], action: str
) -> None:
    target = str(tmp_path / "DEPARTMENT")
    more = [str(class_), "--year", "2026", "--archive", target] if action == "add" else [target]
    assert main(["archive", action, *more]) == 2
    said = capsys.readouterr().err
    assert "the name of an archive has to end in .sqlite" in said
    assert "Write DEPARTMENT.sqlite" in said
    assert list(tmp_path.iterdir()) == []


def test_source_digest_depends_on_readings_alone() -> None:
    one = department.bench(1, "A", "1")
    base = department.assessed(one)
    other = department.assessed(replace(one, group="B", setup="9"))
    assert source_digest(base.practical, base.observations) == source_digest(
        other.practical, other.observations
    )
    cells = {**one.cells, "readings.mass": [*one.cells["readings.mass"][:-1], 99.0]}
    moved = department.assessed(replace(one, cells=cells))
    assert source_digest(moved.practical, moved.observations) != source_digest(
        base.practical, base.observations
    )


def two_hand_ins(folder: Path) -> tuple[Path, Path]:
    """A first hand-in and the corrected one of a group, each saved by a spreadsheet program."""
    one = department.bench(3, "Group 4", "2")
    first = department.write(one, folder, "first")
    second = department.write(corrected(one), folder, "corrected")
    return (
        department.saved(first, "2026-03-14T12:00:00Z"),
        department.saved(second, "2026-03-20T12:00:00Z"),
    )


def test_an_older_hand_in_never_replaces_a_newer_one_unless_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = two_hand_ins(tmp_path / "in")
    target = tmp_path / "D.sqlite"
    command = adding_to(target, second)
    assert main(command) == 0
    # an evaluated copy was saved when its original was
    assert main(["evaluate", str(first)]) == 0
    command[2] = str(first.parent / "evaluated")
    capsys.readouterr()
    assert main(command) == 2
    said = capsys.readouterr()
    assert "older than what row 1 holds" in said.err
    assert "saved 2026-03-14" in said.err
    assert "saved 2026-03-20" in said.err
    assert "1 was not taken" in said.out
    assert len(read(target).rows) == 1
    assert main([*command, "--older"]) == 0
    assert [row.number for row in latest(read(target).rows)] == [2]
    assert main([*command, "--older"]) == 0
    assert "0 rows added" in capsys.readouterr().out
    # and back: the newer one is there, and replaced
    command[2] = str(second)
    assert main(command) == 0
    assert len(read(target).rows) == 2
    assert main([*command, "--older"]) == 0
    assert [row.number for row in latest(read(target).rows)] == [3]
    assert check(target, TODAY).findings == ()


def test_when_a_workbook_was_saved_is_known_of_each_of_its_results(rows: list[Row]) -> None:
    """It stands beside the first; readings that came since bring a time of their own, or none."""
    table = department.table()
    noted = Number("saved", "workbook", "", 1e9, None, "s", "s")
    both = [replace(rows[0], numbers=(noted,)), replace(rows[0], result="g", numbers=())]
    for entry in both:
        append(table, entry, "CODE", "2026-11-25", "2027-12-31")
    found = [held_of(table, entry, "CODE") for entry in both]
    assert [(held.number, held.revision, held.saved) for held in found] == [
        (1, 1, 1e9),
        (2, 1, 1e9),
    ]
    later = replace(both[1], source="f" * 64)
    assert append(table, later, "CODE", "2026-11-25", "2027-12-31").replaces == 2
    held = held_of(table, later, "CODE")
    assert (held.number, held.revision, held.saved) == (3, 2, None)
    assert held_of(table, later, "OTHER") is None
    assert held_of(table, later, "") is None


@pytest.mark.parametrize("names", ["first corrected", "corrected first"])
def test_hand_ins_of_one_group_in_any_order(tmp_path: Path, names: str) -> None:
    files = dict(zip(("first", "corrected"), two_hand_ins(tmp_path / "in"), strict=True))
    wanted = {name: assess_file(path, trials=0)[0].assessment for name, path in files.items()}
    target = tmp_path / "D.sqlite"
    for name in names.split():
        list(add([files[name]], target, 2026, TODAY))
    (row,) = latest(read(target).rows)
    its = wanted["corrected"]
    assert its is not None
    assert row.source == source_digest(its.practical, its.observations)


def test_where_a_time_is_not_known_the_order_of_adding_counts_and_is_said(
    class_: Path, copy: Path, tmp_path: Path
) -> None:
    _, second = two_hand_ins(tmp_path / "in")
    (one,) = add([second], copy, 2026, TODAY)
    (row,) = one.rows
    assert row.replaces == 1
    (note,) = one.notes
    assert "replaces row 1, because it was added later" in note.message
    assert "when that of row 1 was saved is not known" in note.message
    # the time of a row is known to the next who adds
    cells = {**department.bench(3, "Group 4", "2").cells, "readings.mass": [1.0]}
    third = department.write(department.Bench("Group 4", "2", cells), tmp_path / "in", "third")
    department.saved(third, "2026-03-19T12:00:00Z")
    (one,) = add([third], copy, 2026, TODAY)
    assert one.finding is not None
    assert one.finding.code == "older-source"


def test_an_archive_that_knows_no_times_and_findings_is_read_as_before(
    class_: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as then:
        then.setattr(entries, "_circumstances", lambda *_: iter(()))
        then.setattr(adding, "each", workers.each)
        list(add([class_ / "before"], tmp_path / "D.sqlite", 2026, TODAY))
    assert not any(n.kind == "saved" for r in read(tmp_path / "D.sqlite").rows for n in r.numbers)
    list(add([class_ / "after"], tmp_path / "D.sqlite", 2026, TODAY))
    assert check(tmp_path / "D.sqlite", TODAY).findings == ()


def test_a_row_counts_for_the_set_up_whose_instruments_and_wire_it_has(
    class_: Path, copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bound = Bound("W2", "2026-01-01", (BoundInstrument("screw_gauge", "M-2"),), BoundWire("PB-2"))
    one = department.bench(9, "Rook", "W3")
    path = department.write(one, tmp_path / "in", bound=bound)
    command = adding_to(copy, path)
    assert main(command) == 0
    said = capsys.readouterr()
    assert "row 7" in said.out
    assert "names the set-up “W3”, but the workbook was issued for “W2”; row 7" in said.err
    e = read(copy).rows[-1]
    assert e.setup == "W2"
    assert json.loads(e.instruments) == {"screw_gauge": "M-2", "(wire)": "PB-2"}
    # other letters are no other set-up
    other = department.write(department.bench(10, "Wren", "w 2"), tmp_path / "in", bound=bound)
    assert [a.notes for a in add([other], copy, 2026, TODAY)] == [()]


# -- the chain ------------------------------------------------------------------------------------


Faulty = Callable[..., str]


@pytest.fixture
def faulty(rows: list[Row]) -> Faulty:
    """What a check says of changed rows; the end of the table was noted when it was whole."""

    def said(changed: Sequence[Row], today: datetime.date = TODAY) -> str:
        found = verify(map(cells_of, changed), len(rows), rows[-1].digest, today)
        return "" if found is None else found.found

    return said


def test_an_untouched_table_passes(rows: list[Row], faulty: Faulty) -> None:
    assert faulty(rows) == ""
    assert rows[0].previous == FIRST


def renumbered(rows: Sequence[Row]) -> list[Row]:
    return [replace(row, number=i) for i, row in enumerate(rows, 1)]


@pytest.mark.parametrize("at", range(5))
def test_a_row_taken_out_is_found(rows: list[Row], faulty: Faulty, at: int) -> None:
    rest = rows[:at] + rows[at + 1 :]
    said = "last rows are missing" if at == 4 else f"where row {at + 1} belongs"
    assert said in faulty(rest)
    assert said in faulty(renumbered(rest))


@pytest.mark.parametrize("at", range(4))
def test_rows_in_another_order_are_found(rows: list[Row], faulty: Faulty, at: int) -> None:
    moved = [*rows[:at], rows[at + 1], rows[at], *rows[at + 2 :]]
    for changed in (moved, renumbered(moved)):
        assert f"where row {at + 1} belongs" in faulty(changed)


@pytest.mark.parametrize("at", range(6))
def test_a_row_put_in_is_found(rows: list[Row], faulty: Faulty, at: int) -> None:
    extra = replace(rows[at % 5], number=at + 1, previous=rows[at - 1].digest if at else FIRST)
    extra = replace(extra, digest=digest_of(cells_of(extra)))
    later = [replace(row, number=row.number + 1) for row in rows[at:]]
    # at the end only the number of rows tells
    said = "last rows are missing: 5 were written, 6" if at == 5 else f"where row {at + 2} belongs"
    assert said in faulty([*rows[:at], extra, *later])


_OTHER: dict[type, Callable[[object], object]] = {
    int: lambda v: v + 1, float: lambda v: v * (1 + 1e-9), str: lambda v: v + "x",
    type(None): lambda _: 1.0, tuple: lambda v: v[:-1],
}  # fmt: skip


@pytest.mark.parametrize("name", sorted({*COLUMNS, "numbers"} - {"number", "previous"}))
def test_any_altered_part_of_a_row_is_found(rows: list[Row], faulty: Faulty, name: str) -> None:
    value = getattr(rows[2], name)
    altered = replace(rows[2], **{name: _OTHER[type(value)](value)})
    assert "row 3 was altered" in faulty([*rows[:2], altered, *rows[3:]])


def test_an_altered_number_beside_a_row_is_found(rows: list[Row], faulty: Faulty) -> None:
    numbers = rows[1].numbers
    for i, one in enumerate(numbers):
        other = (*numbers[:i], replace(one, value=one.value + 1e-9), *numbers[i + 1 :])
        altered = replace(rows[1], numbers=other)
        assert "row 2 was altered" in faulty([rows[0], altered, *rows[2:]])


def test_a_row_that_is_rehashed_breaks_the_next_one(rows: list[Row], faulty: Faulty) -> None:
    altered = replace(rows[1], value=1.0)
    altered = replace(altered, digest=digest_of(cells_of(altered)))
    assert "where row 3 belongs" in faulty([rows[0], altered, *rows[2:]])


def test_a_code_may_be_missing_only_when_it_is_due(rows: list[Row], faulty: Faulty) -> None:
    without = [*rows[:3], replace(rows[3], code="", salt=""), rows[4]]
    assert "row 4 has lost its code" in faulty(without, datetime.date(2027, 12, 31))
    assert faulty(without, datetime.date(2028, 1, 1)) == ""


# -- altering the files ---------------------------------------------------------------------------


def tampered(target: Path, *statements: str) -> list[str]:
    """What the check finds after someone worked on the database."""
    connection = sqlite3.connect(target)
    for table in ("results", "numbers"):
        for what in ("rows", "cells"):
            connection.execute(f"DROP TRIGGER keep_{table}_{what}")
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()
    return [f.found for f in check(target, TODAY).findings if f.severity is Severity.STOP]


@pytest.mark.parametrize(
    ("statements", "found"),
    [
        (["UPDATE results SET value = value * 1.001 WHERE number = 4"], "row 4 was altered"),
        (["UPDATE numbers SET value = 0 WHERE row = 2 AND position = 0"], "row 2 was altered"),
        (["DELETE FROM results WHERE number = 3", "DELETE FROM numbers WHERE row = 3"],
         "where row 3 belongs"),
        (["DELETE FROM results WHERE number = 6", "DELETE FROM numbers WHERE row = 6"],
         "the last rows are missing"),
        (["UPDATE results SET number = -1 WHERE number = 2",
          "UPDATE results SET number = 2 WHERE number = 5",
          "UPDATE results SET number = 5 WHERE number = -1"], "where row 2 belongs"),
        (["UPDATE results SET code = '', salt = '' WHERE number = 5"], "row 5 has lost its code"),
        (["INSERT INTO numbers VALUES (99, 0, 'zero', 'x', 'x', 1.0, NULL, 'm', 'mm')"],
         "numbers beside a row 99, which is not there"),
    ],
)  # fmt: skip
def test_work_on_the_database_is_found(copy: Path, statements: list[str], found: str) -> None:
    said, *more = tampered(copy, *statements)
    assert found in said
    # and the workbook that still has what was taken out is not to be written over
    gone = any(statement.startswith("DELETE") for statement in statements)
    assert ["holds 6 rows" in one for one in more] == [True] * gone


def test_the_database_itself_refuses_to_change_rows(copy: Path) -> None:
    connection = sqlite3.connect(copy)
    for statement in ("DELETE FROM results", "UPDATE results SET value = 1",
                      "DELETE FROM numbers", "UPDATE numbers SET value = 1"):  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
            connection.execute(statement)
    # and what no column is for
    for column, value in (("findings", "'many'"), ("u", "'0.1 m'"), ("unit", "x'00'")):
        with pytest.raises(sqlite3.IntegrityError, match="typeof"):
            connection.execute(f"UPDATE results SET {column} = {value}")
    connection.close()


def test_nothing_is_built_on_a_table_that_was_cut_off(copy: Path, tmp_path: Path) -> None:
    tampered(copy, "DELETE FROM results WHERE number = 6", "DELETE FROM numbers WHERE row = 6")
    book_of(copy, 2026).unlink()
    with pytest.raises(SheetlabError, match="nothing was added"):
        put_into(copy, tmp_path / "in", department.bench(50, "New"))


def emptied(target: Path) -> None:
    target.write_bytes(b"")


def begun_anew(target: Path) -> None:
    target.unlink()
    with opened(target):
        pass


def cut_with_its_head(target: Path) -> None:
    digest = read(target).rows[3].digest
    tampered(
        target, "DELETE FROM results WHERE number > 4", "DELETE FROM numbers WHERE row > 4",
        f"UPDATE head SET count = 4, digest = '{digest}'",
    )  # fmt: skip


def test_a_workbook_that_has_lost_its_note_is_counted(copy: Path, tmp_path: Path) -> None:
    book_of(copy, 2026).write_bytes(
        edited(book_of(copy, 2026).read_bytes(), lambda book: book.remove(book[ABOUT]))
    )
    emptied(copy)
    before = book_of(copy, 2026).read_bytes()
    with pytest.raises(SheetlabError, match="holds 6 rows"):
        put_into(copy, tmp_path / "in", department.bench(50, "New"))
    assert book_of(copy, 2026).read_bytes() == before
    assert copy.read_bytes() == b""


@pytest.mark.parametrize("lose", [emptied, begun_anew, cut_with_its_head])
def test_a_database_with_fewer_rows_than_its_workbook_never_costs_the_workbook(
    copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], lose: Callable[[Path], None]
) -> None:
    before = read(copy)
    lose(copy)
    there = {path: path.read_bytes() for path in copy.parent.iterdir()}
    path = department.write(department.bench(50, "New"), tmp_path / "in")
    for what in (
        ["add", str(path), "--archive", str(copy), "--year", "2026"],
        ["add", str(path), "--archive", str(copy), "--year", "2026", "--new-codes"],
        ["purge", str(copy)],
    ):
        assert main(["archive", *what]) == 2
        assert "holds 6 rows" in capsys.readouterr().err
        assert {path: path.read_bytes() for path in copy.parent.iterdir()} == there
    for action in ("check", "export"):
        assert main(["archive", action, str(copy)]) == 2
        said = capsys.readouterr()
        assert "archive import" in said.err
        assert "archive export" not in said.err
        assert "unaltered" not in said.out
        assert {path: path.read_bytes() for path in copy.parent.iterdir()} == there
    # what is advised brings everything back
    copy.unlink()
    assert main(["archive", "import", str(copy)]) == 0
    assert read(copy) == before
    assert check(copy, TODAY).findings == ()


def test_a_database_that_is_emptied_while_workbooks_are_evaluated_takes_nothing(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = book_of(copy, 2026).read_bytes()
    path = department.write(department.bench(55, "Newest"), tmp_path / "in")

    def meanwhile(*arguments: object, **more: object) -> object:
        emptied(copy)
        return assess_file(*arguments, **more)

    monkeypatch.setattr(adding, "assess_file", meanwhile)
    with pytest.raises(SheetlabError, match="holds 6 rows"):
        list(add([path], copy, 2026, TODAY))
    assert book_of(copy, 2026).read_bytes() == before
    assert copy.read_bytes() == b""


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_a_database_that_is_open_elsewhere_is_busy_and_not_damaged(
    copy: Path, monkeypatch: pytest.MonkeyPatch, mode: str
) -> None:
    monkeypatch.setattr(database, "WAIT", 0.05)
    other = sqlite3.connect(copy, isolation_level=None)
    other.execute(f"PRAGMA journal_mode = {mode}")
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(SheetlabError) as refused:
        read(copy)
    other.close()
    (found,) = refused.value.findings
    assert found.code == "archive-busy"
    assert "backup there" not in found.message
    assert "leave the file where it is" in found.message
    assert len(read(copy).rows) == 6


def test_a_full_disk_is_told_as_that_and_nothing_is_lost(copy: Path) -> None:
    before = read(copy)

    def fill() -> None:
        with opened(copy) as connection:
            # the same result code as of a disk without room (SQLITE_FULL)
            connection.execute("PRAGMA max_page_count = 1")
            for _ in range(1000):
                connection.execute("INSERT INTO head VALUES (?, 0, '')", ("x" * 5000,))

    with pytest.raises(SheetlabError) as refused:
        fill()
    (found,) = refused.value.findings
    assert found.code == "not-written"
    assert "is full" in found.message
    assert "backup there" not in found.message
    assert read(copy) == before


def test_a_digest_that_was_noted_proves_the_rows_up_to_it(copy: Path, tmp_path: Path) -> None:
    noted = check(copy, TODAY).head
    put_into(copy, tmp_path / "in", department.bench(50, "New"))
    assert check(copy, TODAY, noted).sound
    assert not check(copy, TODAY, noted[::-1]).sound


def test_an_altered_view_is_told_with_its_row(copy: Path) -> None:
    def alter(book: openpyxl.Workbook) -> None:
        sheet = book[RESULTS]
        column = next(c.column for c in sheet[4] if c.value == "value")
        sheet.cell(4 + 3, column).value *= 1.01

    book_of(copy, 2026).write_bytes(edited(book_of(copy, 2026).read_bytes(), alter))
    # only what it notes of itself is looked at, unless every row is asked for
    assert check(copy, TODAY).findings == ()
    found = check(copy, TODAY, thorough=True)
    assert found.sound
    assert "row 3" in found.findings[0].found
    assert main(["archive", "check", str(copy), "--thorough"]) == 1
    assert renew(copy, every=True) == []
    assert check(copy, TODAY, thorough=True).findings == ()


def test_a_year_with_more_rows_than_a_sheet_can_hold_is_told(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(renewing, "MOST_ROWS", 40)
    before = book_of(copy, 2026).read_bytes()
    (finding,) = renew(copy, every=True)
    assert "a sheet cannot hold so many rows" in finding.found
    assert book_of(copy, 2026).read_bytes() == before


def test_a_view_that_was_sorted_is_the_same_view(copy: Path) -> None:
    def turn(book: openpyxl.Workbook) -> None:
        for name in (RESULTS, VALUES):
            rows = [[c.value for c in row] for row in book[name].iter_rows(min_row=5)]
            for i, row in enumerate(reversed(rows)):
                for j, value in enumerate(row):
                    book[name].cell(5 + i, j + 1).value = value

    book_of(copy, 2026).write_bytes(edited(book_of(copy, 2026).read_bytes(), turn))
    assert check(copy, TODAY, thorough=True).findings == ()


def test_a_row_twice_in_the_view_is_told(copy: Path) -> None:
    def twice(book: openpyxl.Workbook) -> None:
        for row in list(book[RESULTS].iter_rows(min_row=5, max_row=5)):
            book[RESULTS].append([c.value for c in row])

    book_of(copy, 2026).write_bytes(edited(book_of(copy, 2026).read_bytes(), twice))
    (finding,) = check(copy, TODAY, thorough=True).findings
    assert finding.code == "view-behind"


def test_whoever_adds_while_a_workbook_is_written_waits_and_loses_nothing(
    class_: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "D.sqlite"
    list(add([class_ / "before"], target, 2026, TODAY))
    real = renewing.year_bytes

    def meanwhile(*arguments: object) -> bytes:
        monkeypatch.setattr(renewing, "year_bytes", real)
        with pytest.raises(SheetlabError) as refused:
            list(add([class_ / "after"], target, 2026, TODAY, wait=0.05))
        assert refused.value.findings[0].code == "archive-busy"
        return real(*arguments)

    monkeypatch.setattr(renewing, "year_bytes", meanwhile)
    assert renew(target, every=True) == []
    list(add([class_ / "after"], target, 2026, TODAY))
    assert len(department.shown(book_of(target, 2026))) == 6
    assert check(target, TODAY, thorough=True).findings == ()


def test_a_damaged_database_is_one_message(copy: Path) -> None:
    copy.write_bytes(b"no database at all, but long enough to look like one" * 50)
    with pytest.raises(SheetlabError) as refused:
        read(copy)
    assert refused.value.findings[0].code == "archive-unreadable"


# -- view, import, export -------------------------------------------------------------------------


def test_the_database_comes_back_from_the_workbook(copy: Path) -> None:
    before = read(copy)
    copy.unlink()
    with pytest.raises(SheetlabError, match="archive import"):
        list(add([], copy, 2026, TODAY))
    # as another program saves it
    book_of(copy, 2026).write_bytes(edited(book_of(copy, 2026).read_bytes(), lambda book: None))
    import_books(copy, TODAY)
    assert read(copy) == before
    assert check(copy, TODAY).findings == ()
    with pytest.raises(SheetlabError, match="nothing was imported"):
        import_books(copy, TODAY)


def test_a_view_is_the_same_bytes_for_the_same_rows(rows: list[Row]) -> None:
    cells = list(map(cells_of, rows))
    noted = Noted(5, 5, 5, rows[-1].digest)
    made = [year_bytes(2026, cells, noted, [2026], [department.WIRE]) for _ in range(2)]
    assert made[0] == made[1]


@pytest.mark.parametrize("lock", ["~$DEPARTMENT 2026.xlsx", ".~lock.DEPARTMENT 2026.xlsx#"])
def test_a_view_that_is_open_is_left_alone(copy: Path, tmp_path: Path, lock: str) -> None:
    before = book_of(copy, 2026).read_bytes()
    (copy.parent / lock).touch()
    path = department.write(department.bench(50, "New"), tmp_path / "in")
    first, second = add([path], copy, 2026, TODAY)
    assert len(first.rows) == 1
    assert second.finding is not None
    assert "safe in the database" in second.finding.message
    assert book_of(copy, 2026).read_bytes() == before
    assert len(read(copy).rows) == 7
    (copy.parent / lock).unlink()
    list(add([path], copy, 2026, TODAY))
    assert len(department.shown(book_of(copy, 2026))) == 7


def test_an_archive_in_use_is_waited_for_and_then_told(copy: Path) -> None:
    with locked(copy), pytest.raises(SheetlabError) as refused:
        read(copy, wait=0.05)
    assert refused.value.findings[0].code == "archive-busy"


def test_names_that_would_overwrite_each_other_are_refused(copy: Path) -> None:
    before = copy.read_bytes()
    with pytest.raises(SheetlabError, match=r"has to end in \.sqlite"):
        renew(book_of(copy, 2026))
    with pytest.raises(SheetlabError, match="csv"):
        list(add([copy.parent / "x.xlsx"], copy, 2026, TODAY, copy))
    with pytest.raises(SheetlabError, match=r"does not end in \.csv"):
        export(copy, copy.parent / "all.xlsx")
    assert copy.read_bytes() == before


@pytest.mark.parametrize("content", [b"my own notes", None])
def test_a_file_of_the_name_of_a_year_that_is_none_is_left_alone(
    class_: Path, tmp_path: Path, content: bytes | None
) -> None:
    target = tmp_path / "D.sqlite"
    mine = book_of(target, 2026)
    mine.write_bytes(content or next((class_ / "after").iterdir()).read_bytes())
    before = mine.read_bytes()
    *_, last = add([class_ / "after"], target, 2026, TODAY)
    assert last.finding is not None
    assert "D 2026.xlsx is no workbook of a year" in last.finding.found
    assert mine.read_bytes() == before
    assert len(read(target).rows) == 3


def test_export_to_csv(copy: Path, tmp_path: Path) -> None:
    assert export(copy, tmp_path / "all.csv") == 6
    with (tmp_path / "all.csv").open(encoding="utf-8-sig", newline="") as stream:
        records = list(csv.DictReader(stream))
    for record, row in zip(records, read(copy).rows, strict=True):
        assert float(record["value"]) == row.value
        assert record["code"] == row.code
        assert float(record["zero:screw_gauge"]) > 0
    with pytest.raises(SheetlabError, match="there already"):
        export(copy, tmp_path / "all.csv")


def test_texts_that_look_like_formulas_go_out_guarded_and_come_back(
    copy: Path, tmp_path: Path
) -> None:
    one = department.bench(9, '=HYPERLINK("x")', '\'=1, "A"\n-2')
    list(add([department.write(one, tmp_path / "in", "x")], copy, 2026, TODAY))
    before = read(copy)
    assert main(["archive", "export", str(copy), "--out", str(tmp_path / "all.csv")]) == 0
    with (tmp_path / "all.csv").open(encoding="utf-8-sig", newline="") as stream:
        assert not any(cell.startswith("=") for record in csv.reader(stream) for cell in record)
    copy.unlink()
    assert main(["archive", "import", str(copy)]) == 0
    assert read(copy) == before
    assert check(copy, TODAY, thorough=True).findings == ()


def removed(sheet: str, row: int) -> Callable[[openpyxl.Workbook], None]:
    return lambda book: book[sheet].delete_rows(row)


def repeated(book: openpyxl.Workbook) -> None:
    book[RESULTS].append([cell.value for cell in book[RESULTS][5]])


def typed(sheet: str, column: str, value: object) -> Callable[[openpyxl.Workbook], None]:
    """Something else in a column of the first row."""

    def work(book: openpyxl.Workbook) -> None:
        place = next(cell.column for cell in book[sheet][4] if cell.value == column)
        book[sheet].cell(5, place).value = value

    return work


@pytest.mark.parametrize(
    ("work", "said"),
    [
        (typed(RESULTS, "value", 1e11), "row 1 was altered"),
        (removed(RESULTS, 7), "cannot be imported"),  # its numbers are there still
        (removed(VALUES, 7), "row 1 was altered"),
        (repeated, "cannot be imported"),
        (typed(RESULTS, "value", "many"), "cannot be imported"),
        (typed(RESULTS, "findings", 1.5), "cannot be imported"),
        (typed(RESULTS, "findings", 1e300), "cannot be imported"),
        (typed(VALUES, "row", 99), "cannot be imported"),
        (removed(RESULTS, 4), "no workbook of a year"),
        (lambda book: book.remove(book[ABOUT]), "no workbook of a year"),
    ],
)
def test_an_altered_workbook_is_not_imported(
    copy: Path, work: Callable[[openpyxl.Workbook], None], said: str
) -> None:
    copy.unlink()
    book = book_of(copy, 2026)
    book.write_bytes(edited(book.read_bytes(), work))
    with pytest.raises(SheetlabError, match=said):
        import_books(copy, TODAY)
    assert not copy.exists()


@pytest.fixture(scope="module")
def made_apart(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of three years, of which the first has rows before and after the others."""
    folder = tmp_path_factory.mktemp("apart")
    target = folder / "D.sqlite"
    for i, year in enumerate((2024, 2025, 2026, 2024)):
        path = department.write(member(i), folder / str(i))
        until = datetime.date(2027 if year == 2025 else 2030, 1, 1)
        list(add([path], target, year, TODAY, keep_until=until))
    return folder


@pytest.fixture
def apart(made_apart: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made_apart, tmp_path / "apart") / "D.sqlite"


def test_only_what_has_changed_is_written_anew(apart: Path, tmp_path: Path) -> None:
    target = apart
    books = [book_of(target, year) for year in (2024, 2025, 2026)]
    assert [noted.rows for noted in map(noted_in, books) if noted] == [2, 1, 1]

    def changed(work: Callable[[], object]) -> list[bool]:
        for book in books:
            os.utime(book, (1, 1))
        work()
        return [book.stat().st_mtime > 1 for book in books]

    path = department.write(department.bench(50, "New"), tmp_path / "new")
    assert changed(lambda: list(add([path], target, 2025, TODAY))) == [False, True, False]
    assert changed(lambda: list(add([path], target, 2025, TODAY))) == [False] * 3
    # of a purge the years whose codes are due: here only those of 2025 are
    codes = {row.code for row in read(target).rows if row.year == 2026}
    day = datetime.date(2027, 6, 1)
    assert changed(lambda: purge(target, day)) == [False, True, False]
    assert changed(lambda: purge(target, LATER.replace(year=2031))) == [True, False, True]
    for book in books:
        assert not any(row.code for row in department.shown(book))
        assert not any(code.encode() in book.read_bytes() for code in codes)
    # what was killed before its workbook was written comes with the next that is added
    books[1].unlink()
    assert check(target, TODAY).findings != ()
    list(add([], target, 2026, TODAY))
    assert check(target, LATER.replace(year=2031), thorough=True).findings == ()


def test_the_database_comes_back_from_the_workbooks_of_all_years(
    apart: Path, tmp_path: Path
) -> None:
    target = apart
    before = read(target)
    target.unlink()
    away = tmp_path / "away.xlsx"
    book_of(target, 2025).rename(away)
    with pytest.raises(SheetlabError, match=r"D 2025\.xlsx is missing"):
        import_books(target, TODAY)
    assert not target.exists()
    away.rename(book_of(target, 2025))
    assert import_books(target, TODAY) == (4, before.head)
    assert read(target) == before
    assert check(target, TODAY, thorough=True).findings == ()


def test_a_workbook_of_another_archive_is_told(copy: Path, class_: Path, tmp_path: Path) -> None:
    """Rows that this database does not hold, though it holds as many."""
    other = tmp_path / "other" / copy.name
    other.parent.mkdir()
    list(add([class_], other, 2026, TODAY))
    theirs = book_of(other, 2026).read_bytes()
    book_of(copy, 2026).write_bytes(theirs)
    found = check(copy, TODAY)
    assert [finding.code for finding in found.findings] == ["database-behind"]
    with pytest.raises(SheetlabError, match="ends with another row 6"):
        put_into(copy, tmp_path / "in", department.bench(50, "New"))
    assert book_of(copy, 2026).read_bytes() == theirs


# -- codes that go --------------------------------------------------------------------------------


def test_purge_waits_for_the_day_and_then_takes_codes_and_names(copy: Path) -> None:
    keys = codes_of(copy)
    last = last_day(2026)
    early = purge(copy, last)
    assert (early.names, early.rows, early.waiting) == (0, 0, 6)
    assert "Group 1" in keys.read_text(encoding="utf-8-sig")
    values = [replace(row, code="", salt="") for row in read(copy).rows]
    codes = {row.code for row in read(copy).rows}
    done = purge(copy, last + datetime.timedelta(days=1))
    assert (done.names, done.rows, done.waiting) == (6, 6, 0)
    assert "Group" not in keys.read_text(encoding="utf-8-sig")
    table = read(copy)
    assert list(table.rows) == values
    shown = repr(department.shown(book_of(copy, 2026))).encode()
    for place in (copy, book_of(copy, 2026)):
        content = place.read_bytes() + shown
        assert not any(code.encode() in content for code in codes), place
    assert check(copy, LATER).findings == ()


def test_a_later_day_that_was_asked_for_holds_the_code(class_: Path, tmp_path: Path) -> None:
    target = tmp_path / "D.sqlite"
    until = datetime.date(2030, 6, 30)
    list(add([class_ / "after"], target, 2026, TODAY, keep_until=until))
    assert purge(target, until).rows == 0
    assert purge(target, until + datetime.timedelta(days=1)).rows == 3


def test_codes_are_not_kept_to_a_day_that_is_past(
    class_: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for day in (TODAY, TODAY - datetime.timedelta(days=300)):
        with pytest.raises(SheetlabError, match="is not after today"):
            list(add([class_], tmp_path / "D.sqlite", 2026, TODAY, keep_until=day))
    command = ["archive", "add", str(class_), "--archive", str(tmp_path / "D.sqlite")]
    assert main([*command, "--year", "2026", "--keep-until", "2001-01-01"]) == 2
    assert "--keep-until: 2001-01-01 is not after today" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    # of a class of long ago the usual day is past too
    *_, last = add([class_], tmp_path / "D.sqlite", 2024, TODAY)
    assert last.finding is not None
    assert "the codes of 2024 are kept to 2025-12-31, which is past" in last.finding.message


def test_purge_names_what_it_takes_and_what_stays_to_which_day(
    class_: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "D.sqlite"
    list(add([class_ / "before"], target, 2020, TODAY))
    list(add([class_ / "after"], target, 2026, TODAY, keep_until=datetime.date(2999, 1, 31)))
    before = (target.read_bytes(), codes_of(target).read_bytes())
    for words, what in ((["--dry-run"], "would go"), ([], "are gone")):
        assert (target.read_bytes(), codes_of(target).read_bytes()) == before
        assert main(["archive", "purge", str(target), *words]) == 0
        assert capsys.readouterr().out.splitlines()[:2] == [
            f"2020: 3 codes of 3 rows, kept to 2021-12-31: {what}",
            "2026: 3 codes of 3 rows, kept to 2999-01-31: stay",
        ]
    assert [bool(row.code) for row in read(target).rows] == [False] * 3 + [True] * 3


def test_what_was_purged_does_not_come_twice(class_: Path, copy: Path) -> None:
    purge(copy, LATER)
    assert all(not one.rows for one in add([class_], copy, 2026, LATER))


def test_purged_codes_are_in_no_byte_however_sqlite_was_compiled(
    class_: Path, tmp_path: Path
) -> None:
    """Rows of an earlier program, whose SQLite left what it deleted in the file."""
    target = tmp_path / "D.sqlite"
    list(add([class_], target, 2020, TODAY))
    database = target
    with sqlite3.connect(database) as connection:
        connection.execute("PRAGMA secure_delete = OFF")
        codes = {code for (code,) in connection.execute("SELECT code FROM results")}
        salts = {salt for (salt,) in connection.execute("SELECT salt FROM results")}
        connection.execute("UPDATE results SET code = '', salt = '' WHERE number <= 3")
    connection.close()
    assert any(text.encode() in database.read_bytes() for text in codes | salts)
    purge(target, LATER)
    assert not any(text.encode() in database.read_bytes() for text in codes | salts)
    with opened(database) as connection:
        assert connection.execute("PRAGMA secure_delete").fetchone() == (1,)


def test_check_tells_what_a_purge_should_have_taken(class_: Path, tmp_path: Path) -> None:
    target = tmp_path / "D.sqlite"
    list(add([class_], target, 2020, TODAY))
    names = codes_of(target).read_bytes()
    due = check(target, TODAY).findings
    assert [finding.code for finding in due] == ["codes-due"]
    assert "6 codes" in due[0].found
    purge(target, TODAY)
    assert check(target, TODAY).findings == ()
    # a list that came back from a backup
    codes_of(target).write_bytes(names)
    (left,) = check(target, TODAY).findings
    assert (left.code, left.severity) == ("names-left", Severity.DOUBTFUL)
    assert "6 names" in left.found


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("W1", "W1"), ("W 12", "W 12"), ("bench 3", "bench 3"), ("Set-up B", "Set-up B"),
        ("7", "7"), ("3a", "3a"), ("Anna Lind", ""), ("Anna", ""), ("W1 (Anna)", ""), ("Jo", ""),
        ("", ""),
    ],
)  # fmt: skip
def test_only_a_label_is_kept_as_the_set_up(typed: str, kept: str) -> None:
    assert setup_that_counts(typed, None) == kept
    assert setup_that_counts(typed, Bound("Anna's bench", "2026-01-01")) == "Anna's bench"


def test_no_name_that_was_typed_anywhere_gets_into_archive_or_samples(tmp_path: Path) -> None:
    cells = department.bench(7, "Rook").cells
    cells = {
        **cells,
        "readings.left_out": [None, "Anna Lind bumped the bench"],
        "answer.Y": ["Anna Lind says 110"],
        "altitude": ["ask Anna Lind"],
    }
    path = department.write(department.Bench("Rook", "Anna Lind", cells), tmp_path / "in")
    target = tmp_path / "D.sqlite"
    (added,) = list(add([path], target, 2026, TODAY))
    assert [note.code for note in added.notes] == ["setup-not-kept"]
    pack = evidence(target, tmp_path / "pack", TODAY, [tmp_path / "in"])
    (sample,) = (one for one in pack.files if one.file.startswith("samples"))
    files = [target, book_of(target, 2026), *(p for p in (tmp_path / "pack").rglob("*.*"))]
    for file in files:
        data = file.read_bytes()
        parts = [data]
        if file.suffix == ".xlsx":
            with zipfile.ZipFile(file) as archive:
                parts = [archive.read(name) for name in archive.namelist()]
        assert not any(b"Anna" in part for part in parts), file
    # and the sample still proves itself
    _, row = row_of(target, tmp_path / "pack" / sample.file)
    assert row is not None
    outcome, _ = assess_file(tmp_path / "pack" / sample.file, trials=0)
    assert "row-left-out" in {finding.code for finding in outcome.findings}


# -- hostile texts --------------------------------------------------------------------------------

HOSTILE = [
    '=HYPERLINK("http://example.org","x")', "../../x", "\x07\x1b[31mred", "@SUM(A1)", "-2", "'=1",
    "_x0041_", "a\u202eb", "x" * 5000, '"; DROP TABLE results; --', "<b>&amp;</b>",
]  # fmt: skip


@pytest.mark.slow
def test_hostile_names_do_no_harm(tmp_path: Path) -> None:
    target = tmp_path / "deep" / "er" / "D.sqlite"
    target.parent.mkdir(parents=True)
    folder = tmp_path / "in"
    folder.mkdir()
    for i, text in enumerate(HOSTILE):
        one = department.bench(i, text, text)
        department.write(one, folder, f"{i:02}")
    outside = {p for p in tmp_path.rglob("*") if target.parent not in p.parents}
    added = list(add([folder], target, 2026, TODAY))
    assert [len(one.rows) for one in added] == [1] * len(HOSTILE)
    assert {p for p in tmp_path.rglob("*") if target.parent not in p.parents} == outside
    assert {p.name for p in target.parent.iterdir()} <= {
        "D.sqlite", "D 2026.xlsx", "D.lock", "D codes.csv",
    }  # fmt: skip
    assert check(target, TODAY).findings == ()
    again = list(add([folder], target, 2026, TODAY))
    assert all(not one.rows for one in again)
    book = openpyxl.load_workbook(book_of(target, 2026))
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f"
                assert cell.hyperlink is None
    text = codes_of(target).read_text(encoding="utf-8-sig")
    for row in list(csv.reader(io.StringIO(text))):
        assert all(not cell.startswith(("=", "+", "-", "@")) for cell in row)
        assert all(char.isprintable() for cell in row for char in cell)
    assert main(["drift", str(target), "--out", str(tmp_path / "drift.xlsx")]) == 0
    assert main(["archive", "evidence", str(target), "--out", str(tmp_path / "pack")]) == 0
    assert main(["archive", "export", str(target), "--out", str(tmp_path / "all.csv")]) == 0
    for name in ("drift.xlsx", "pack/evidence.xlsx"):
        book = openpyxl.load_workbook(tmp_path / name)
        assert all(c.data_type != "f" for s in book for row in s.iter_rows() for c in row)


def test_only_hand_ins_of_a_folder_are_added(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    one = department.bench(3, "Group 4", "2")
    department.write(one, folder, "final version 10")
    path = department.write(department.bench(4, "Group 5", "2"), folder, "final version 9")
    assert main(["evaluate", str(path)]) == 0
    assert main(["class", str(folder), "--out", str(folder / "CLASS.xlsx")]) == 0
    (folder / ".Trash").mkdir()
    (folder / ".Trash" / "old.xlsx").write_bytes(path.read_bytes())
    (folder / "loop.xlsx").symlink_to(folder / "loop.xlsx")
    found = [p.name for p in workbooks([folder], folder / "D.sqlite")]
    # in the order of their numbers
    assert found == ["final version 9.xlsx", "final version 10.xlsx"]
    copies = [p.name for p in workbooks([folder / "evaluated"], folder / "D.sqlite")]
    assert copies == ["final version 9.xlsx"]


@pytest.mark.parametrize("text", HOSTILE)
def test_guarded_texts_come_back(text: str) -> None:
    assert unguarded(guarded(text)) == text


# -- evidence -------------------------------------------------------------------------------------


def test_evidence_pack(copy: Path, tmp_path: Path) -> None:
    pack = evidence(copy, tmp_path / "pack", TODAY)
    text = pack.text.read_text(encoding="utf-8")
    assert f"{department.WIRE}, definition version" in text
    assert "6 results of 6 groups" in text
    assert "complete and unaltered" in text
    # invented groups state no uncertainty of their own, but give their slope
    assert text.count("6 of 6") == len(CRITERIA) - 1
    assert "uncertainty stated by the group itself: –" in text
    assert re.search(r"best: \w{8} \(row \d\)", text)
    names = openpyxl.load_workbook(pack.book).sheetnames
    assert names == ["Schedule", "Archive check", "Criteria", "Samples", "Files"]
    # a folder of hand-ins was not named, and the definition is shipped
    assert [(one.file != "", "--sources" in one.why_not) for one in pack.files] == [
        (False, True), (False, True), (False, True), (True, False),
    ]  # fmt: skip
    with pytest.raises(SheetlabError, match="there already"):
        evidence(copy, tmp_path / "pack", TODAY)


@pytest.mark.slow
def test_each_sample_of_the_pack_leads_to_a_file_with_its_readings(
    class_: Path, copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack = tmp_path / "pack"
    command = ["archive", "evidence", str(copy), "--out", str(pack), "--sources", str(class_)]
    assert main(command) == 0
    told = capsys.readouterr().out
    rows = {row.number: row for row in read(copy).rows}
    book = openpyxl.load_workbook(pack / "evidence.xlsx")
    heads, *lines = [[c.value for c in row] for row in book["Samples"].iter_rows(min_row=4)]
    assert len(lines) == 3
    listed = {
        cells[1]: cells for cells in ([c.value for c in r] for r in book["Files"].iter_rows())
    }
    for line in lines:
        its = dict(zip(heads, line, strict=True))
        path, row = pack / its["file"], rows[its["row"]]
        assert str(path) in told
        assert its["code"] == row.code
        assert row.code in path.name
        # the file and what the archive holds, by both digests
        _, _, sha, digest = listed[its["file"]]
        assert sha == hashlib.sha256(path.read_bytes()).hexdigest()
        assert digest == row.source
        found = assess_file(path, trials=0)[0].assessment
        assert found is not None
        assert source_digest(found.practical, found.observations) == row.source
        (entry,) = entries_of(found, 2026)
        assert entry.statement == its["result as stated"]
        assert "Evaluation" in openpyxl.load_workbook(path).sheetnames
        assert main(["archive", "check", str(copy), "--workbook", str(path)]) == 0
        assert f"those of row {row.number} (2026" in capsys.readouterr().out
    (definition,) = (pack / "definitions").iterdir()
    assert hashlib.sha256(definition.read_bytes()).hexdigest() == rows[1].definition
    sums = dict(
        reversed(line.split("  ")) for line in (pack / "sha256sums.txt").read_text().splitlines()
    )
    assert len(sums) == 4
    for name, sha in sums.items():
        assert hashlib.sha256((pack / name).read_bytes()).hexdigest() == sha
    for path in pack.rglob("*"):
        assert b"Group" not in path.name.encode()
        if path.suffix == ".xlsx":
            texts = [
                c.value for s in openpyxl.load_workbook(path) for r in s.iter_rows() for c in r
            ]
            assert not [t for t in texts if re.search(r"Group \d", str(t))]
    assert main(command) == 2
    assert main([*command[:-1], str(tmp_path / "none")]) == 2


def test_names_come_into_the_pack_only_when_asked_for_and_known(tmp_path: Path) -> None:
    target = tmp_path / "D.sqlite"
    department.write(department.bench(3, "Group 4", "2"), tmp_path / "in")
    list(add([tmp_path / "in"], target, 2026, TODAY))
    named = evidence(target, tmp_path / "named", TODAY, [tmp_path / "in"], names=True)
    assert re.search(r"only: \w{8} \(Group 4\)", named.text.read_text(encoding="utf-8"))
    (path,) = (tmp_path / "named" / one.file for one in named.files if "row" in one.file)
    assert assess_file(path, trials=0)[0].assessment.observations.entry("start.group").text == (
        "Group 4"
    )
    for more in ({}, {"names": True}):
        unnamed = evidence(target, tmp_path / f"unnamed {len(more)}", TODAY, **more)
        text = unnamed.text.read_text(encoding="utf-8").partition("Files")[0]
        assert ("Group 4" in text) == bool(more)
    codes_of(target).unlink()
    without = evidence(target, tmp_path / "without", TODAY, names=True)
    assert "Group " not in without.text.read_text(encoding="utf-8").partition("Files")[0]


def test_a_sample_that_was_changed_or_has_gone_is_told(
    class_: Path, copy: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "in"
    samples_of = {s[7] for s in samples(read(copy).rows)}
    benches = {1: 3, 2: 4, 3: 5, 4: 0, 5: 1, 6: 2}
    changed, gone, *_ = sorted(samples_of)
    one = department.bench(benches[changed], f"group{benches[changed] + 1}", "9")
    path = department.write(corrected(one), folder)
    pack = evidence(copy, tmp_path / "pack", TODAY, [folder])
    why = {one.digest: one.why_not for one in pack.files}
    rows = {row.number: row.source for row in read(copy).rows}
    assert "holds other readings" in why[rows[changed]]
    assert "no workbook with these readings" in why[rows[gone]]
    assert not (tmp_path / "pack" / "samples").exists()
    assert main(["archive", "check", str(copy), "--workbook", str(path)]) == 2


def test_what_the_program_did_is_no_evidence_of_the_group(tmp_path: Path) -> None:
    one = department.bench(1, "Group 1")
    corners = {"x1": 0.0, "y1": 0.0, "x2": 3.0, "y2": 3.2}
    triangle = {f"load_line.triangle.{key}": [value] for key, value in corners.items()}
    one = replace(one, cells={**one.cells, **triangle, "answer.U": [0.4]})
    emptied = {k: v for k, v in one.cells.items() if not k.startswith("answer.")}
    without = {k: v for k, v in emptied.items() if ".triangle" not in k}
    slope = {**without, "answer.s": one.cells["answer.s"]}
    uncertain = {**without, "answer.U": one.cells["answer.U"]}
    assert len(without) < len(emptied) < len(one.cells)

    def own(cells: dict[str, list[object]]) -> set[str]:
        numbers = entries_of(department.assessed(replace(one, cells=cells)), 2026)[0].numbers
        return {n.id for n in numbers if n.kind == "own"}

    assert own(one.cells) == {"answers", "uncertainty", "graph"}
    assert own(emptied) == {"graph"}
    assert own(slope) == {"answers", "graph"}
    assert own(uncertain) == {"uncertainty"}
    assert own(without) == set()
    path = department.write(replace(one, cells=without), tmp_path / "in")
    list(add([path], tmp_path / "D.sqlite", 2026, TODAY))
    text = evidence(tmp_path / "D.sqlite", tmp_path / "pack", TODAY).text.read_text(
        encoding="utf-8"
    )
    for title, kind in CRITERIA:
        assert f"{title}: {'–' if kind.startswith('own') else '1 of 1'}\n" in text
    assert "1 result of 1 group;" in text


def ranked(rows: list[Row], *changes: dict[str, object]) -> dict[str, str]:
    """Sample and code of rows of which each is changed in its way; ``off``: ratio to accepted."""
    made = []
    for row, change in zip(rows, changes, strict=False):
        change = dict(change)
        off = change.pop("off", 1.0)
        numbers = tuple(
            replace(n, value=off - 1.0) if n.kind == "comparison" else n for n in row.numbers
        )
        made.append(replace(row, numbers=numbers, **change))
    return {sample[2]: sample[3] for sample in samples(made)}


def test_a_result_far_off_is_weaker_than_many_notes(rows: list[Row]) -> None:
    many = {"status": "ok", "findings": 9}
    thousand = {"status": "doubtful", "findings": 1}
    for off in (1000.0, 0.001):
        found = ranked(rows, {**thousand, "off": off}, many, {"status": "doubtful", "findings": 5})
        assert found == {"best": "CODE1", "middle": "CODE2", "weakest": "CODE0"}
    # what chance does to a result makes it no weaker, and then the findings count
    near = {"status": "ok", "findings": 0, "off": 1.03}
    assert ranked(rows, {**many, "off": 1.0}, near)["best"] == "CODE1"
    none = {"status": "failed", "findings": 1, "value": None}
    assert ranked(rows, none, {**thousand, "off": 1e9}, many)["weakest"] == "CODE0"


def test_without_an_accepted_value_the_median_of_the_year_is_that(rows: list[Row]) -> None:
    bare = {"status": "ok", "numbers": ()}
    values = [{**bare, "value": v} for v in (1e11, 1.1e8, 1.02e11, 0.99e11)]
    bared = [replace(row, **one) for row, one in zip(rows, values, strict=False)]
    assert {s[2]: s[3] for s in samples(bared)}["weakest"] == "CODE1"


def test_a_workbook_of_many_results_is_one_sample(rows: list[Row]) -> None:
    second = replace(rows[0], number=9, result="other", numbers=())
    assert [(s[2], s[3]) for s in samples([rows[0], second])] == [("only", "CODE0")]


def test_evidence_says_that_an_archive_was_altered(copy: Path, tmp_path: Path) -> None:
    tampered(copy, "UPDATE results SET value = 1 WHERE number = 4")
    text = evidence(copy, tmp_path / "pack", TODAY).text.read_text(encoding="utf-8")
    assert "did not pass" in text
    assert "row 4 was altered" in text


# -- the command ----------------------------------------------------------------------------------


def test_the_command(class_: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target, keys = tmp_path / "D.sqlite", tmp_path / "keys.csv"
    add = adding_to(target, class_)
    assert main([*add, "--codes", str(keys), "--keep-until", "2031-01-31"]) == 0
    assert "6 rows added" in capsys.readouterr().out
    assert keys.exists()
    assert main(["archive", "check", str(target)]) == 0
    digest = capsys.readouterr().out.split()[-1]
    assert main(["archive", "check", str(target), "--expect", digest]) == 0
    assert main(["archive", "check", str(target), "--expect", "0123"]) == 2
    assert main(["archive", "purge", str(target), "--codes", str(keys)]) == 0
    assert "6 rows not due yet" in capsys.readouterr().out
    assert main(["archive", "export", str(target)]) == 0
    assert main(["archive", "import", str(target)]) == 2
    assert main(["archive", "check", str(tmp_path / "none.xlsx")]) == 2
    assert main(["archive", "check", str(tmp_path / "none.sqlite")]) == 2
    assert "no archive" in capsys.readouterr().err
    assert main(["archive", "add", str(tmp_path / "none.xlsx"), "--archive", str(target),
                 "--year", "2026"]) == 2  # fmt: skip
    assert ABOUT in openpyxl.load_workbook(book_of(target, 2026)).sheetnames


# -- killed and racing ----------------------------------------------------------------------------


def killed_and_raced(class_: Path, folder: Path, rounds: int, how: str) -> dict[str, object]:
    for name in ("before", "after"):
        shutil.copytree(class_ / name, folder / name)
        shutil.copytree(class_ / name, folder / "both", dirs_exist_ok=True)
    found = run_adding(folder, rounds, 5, how)
    assert len(found["rows"]) == rounds
    # every row was told of by one of the two, and by one only
    assert found["raced"] == {"rows": 6, "told": 6}
    return found


@pytest.mark.slow
def test_killed_at_a_dozen_moments_and_two_at_once(class_: Path, tmp_path: Path) -> None:
    killed_and_raced(class_, tmp_path, 12, "remembered")


@pytest.mark.slow
def test_killed_while_helpers_evaluate(class_: Path, tmp_path: Path) -> None:
    killed_and_raced(class_, tmp_path, 3, "helped")


@pytest.mark.slow
@pytest.mark.parametrize(("how", "rounds"), [("remembered", 50), ("real", 10)])
def test_killed_at_very_many_moments(class_: Path, tmp_path: Path, how: str, rounds: int) -> None:
    found = killed_and_raced(class_, tmp_path, rounds, how)
    # before the first step, between two, after the last
    steps = {found["from"], found["from"] + 2, found["to"]}
    assert set(found["rows"]) == steps if how == "remembered" else set(found["rows"]) <= steps
