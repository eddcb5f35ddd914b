"""The roster: as spreadsheet programs save it, and never a way out of the folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.before.issue import issue
from sheetlab.finding import SheetlabError
from sheetlab.handling.roster import Group, file_part, read_roster
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
    ],
)
def test_separators_and_headings(tmp_path: Path, data: bytes) -> None:
    assert roster(tmp_path, data) == (Group("A 1", "W1"), Group("B", "W2"))


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
