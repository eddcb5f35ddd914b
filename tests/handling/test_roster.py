"""The roster: as spreadsheet programs save it, and never a way out of the folder."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.before.issue import issue
from sheetlab.cli import main
from sheetlab.finding import Finding, SheetlabError
from sheetlab.handling.roster import Group, file_part, group_key, read_roster
from sheetlab.manual import text_of
from sheetlab.practical.loader import catalogue


def roster(tmp_path: Path, data: bytes) -> tuple[Group, ...]:
    path = tmp_path / "roster.csv"
    path.write_bytes(data)
    return read_roster(path)


@pytest.mark.parametrize(
    "data",
    [
        b"group,setup\nA 1,W1\nB,W2\n",
        b"\xef\xbb\xbfGroup;Set-up\r\nA 1;W1\r\nB;W2\r\n",
        b"setup\tgroup\nW1\tA 1\n\t\nW2\tB\n",
        b"Group,Set up\nA 1,W1\nB,W2\n",
        b" GROUP ,set_up\nA 1,W1\nB,W2\n",
    ],
)
def test_separators_and_headings(tmp_path: Path, data: bytes) -> None:
    assert roster(tmp_path, data) == (Group("A 1", "W1"), Group("B", "W2"))


def test_columns_that_are_not_used_are_told_with_those_that_are(tmp_path: Path) -> None:
    path = tmp_path / "roster.csv"
    path.write_text("Group,student names,bench,,Observers\nA,x,W1,,y\n")
    told: list[Finding] = []
    assert read_roster(path, told.append) == (Group("A", "", "y"),)
    (finding,) = told
    assert finding.found.endswith(": “student names”, “bench”")
    assert "group, setup, observers" in finding.expected
    path.write_text("group\nA\n")
    read_roster(path, told.append)
    assert len(told) == 1


@pytest.mark.parametrize("topic", ["before-class", "first-lesson"])
def test_the_roster_of_the_manual_is_one(tmp_path: Path, topic: str) -> None:
    lines = text_of(topic).split("    group,setup,observers\n")[1].split("\n\n")[0].split("\n")
    text = "\n".join(["group,setup,observers", *(line.strip() for line in lines)])
    groups = roster(tmp_path, text.encode())
    assert groups == (Group("Avocet", "W1", "A. Noor, B. Lind"), Group("Fulmar", "W2"))


@pytest.mark.parametrize("command", ["issue", "class", "rota"])
def test_every_command_tells_of_columns_that_are_not_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    path = tmp_path / "roster.csv"
    path.write_text("group,names\nA,x\nB,y\n")
    more = {
        "issue": ["simple-pendulum", "--out", str(tmp_path / "out"), "--roster", str(path)],
        "class": [str(tmp_path), "--out", str(tmp_path / "C.xlsx"), "--roster", str(path)],
        "rota": ["--groups", str(path), "--setups", "2", "--weeks", "1", "--practicals",
                 "simple-pendulum", "--out", str(tmp_path / "rota.csv")],
    }  # fmt: skip
    main([command, *more[command]])
    assert capsys.readouterr().err.count("were not used: “names”") == 1


def test_old_code_page(tmp_path: Path) -> None:
    assert roster(tmp_path, "group\nMöwe\n".encode("cp1252")) == (Group("Möwe"),)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"name\nA\n", "no column"),
        (b"", "no column"),
        (b"group\n\n", "names no group"),
        (b"group\nA/1\nA_1\n", "twice"),
    ],
)
def test_refused(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(SheetlabError, match=words):
        roster(tmp_path, data)


@given(st.text(max_size=120))
def test_names_make_harmless_file_names(name: str) -> None:
    part = file_part(name)
    assert part
    assert Path(part).name == part
    assert not part.startswith(".")
    assert not set(part) & set('/\\:*?"<>|\n\r\t\0')
    assert len(part) <= 60


def test_hostile_names_stay_in_the_folder(tmp_path: Path) -> None:
    groups = [Group("../../x"), Group('=HYPERLINK("http://x")'), Group("a\\b:c")]
    out = tmp_path / "out"
    made = [i.path for i in issue(catalogue(), "simple-pendulum", out, groups)]
    assert all(path.parent == out for path in made)
    assert sorted(out.iterdir()) == sorted(made)


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    groups = [Group("A")]
    (first,) = issue(catalogue(), "simple-pendulum", tmp_path, groups)
    first.path.write_bytes(b"filled by a student")
    (second,) = issue(catalogue(), "simple-pendulum", tmp_path, groups)
    assert second.finding is not None
    assert first.path.read_bytes() == b"filled by a student"


def test_names_of_groups_are_compared_as_labels_are() -> None:
    assert (
        len(set(map(group_key, ("jack daw", "Jackdaw", "JACK-DAW", "Jack_daw.", "ｊackdaw")))) == 1
    )
    # vowel signs and symbols tell names apart
    assert len(set(map(group_key, ("की", "का", "A", "A+", "B")))) == 5
    assert group_key("–  !") != group_key("-")


@pytest.mark.parametrize("ending", ["xls", "ods"])
def test_a_roster_of_any_spreadsheet_program(tmp_path: Path, ending: str) -> None:
    """Saved by LibreOffice: a title over the headings, numbers as set-up and as group, a date."""
    told: list[Finding] = []
    groups = read_roster(Path(__file__).with_name(f"roster.{ending}"), told.append)
    assert groups == (
        Group("Avocet", "W1", "A. Noor, B. Lind"),
        Group("Fulmar", "2"),
        Group("3", "W3"),
    )
    assert ["“Started”" in finding.found for finding in told] == [True]


@pytest.mark.parametrize("ending", ["xlsx", "csv"])
def test_a_wrong_cell_of_a_roster_is_told_with_its_place(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"roster.{ending}"
    if ending == "xlsx":
        book = openpyxl.Workbook()
        for row in (["group", "setup"], ["Avocet", True], ["Fulmar", "x" * 300]):
            book.active.append(row)
        book.save(path)
    else:
        path.write_text(f"group,setup\nAvocet,W1\nFulmar,{'x' * 300}\n")
    with pytest.raises(SheetlabError) as caught:
        read_roster(path)
    cells = [finding.place.cell for finding in caught.value.findings]
    assert cells == (["B2", "B3"] if ending == "xlsx" else ["B3"])


def test_a_damaged_old_workbook_is_a_finding(tmp_path: Path) -> None:
    data = Path(__file__).with_name("roster.xls").read_bytes()
    # at the second, python-calamine 0.9.1 panics
    for damaged in (data[:1000], data[:4171]):
        with pytest.raises(SheetlabError, match="cut short or damaged"):
            roster(tmp_path, damaged)


def test_a_cell_that_stands_far_out_is_read(tmp_path: Path) -> None:
    """A reader of whole ranges would ask for half a terabyte."""
    book = openpyxl.Workbook()
    for row in (["group", "setup"], ["Avocet", "W1"]):
        book.active.append(row)
    book.active["XFD1048576"] = 1
    book.save(tmp_path / "roster.xlsx")
    assert read_roster(tmp_path / "roster.xlsx") == (Group("Avocet", "W1"),)
