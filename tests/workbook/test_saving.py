"""Saving: whole or not at all, never over somebody else's work, and said when it failed."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from examples import filled
from workbook.tamper import edited

from sheetlab.cli import main
from sheetlab.workbook import evaluate_file as module
from sheetlab.workbook import package
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.package import write_atomically

GOOD = filled("Avocet")
NOBODY = 65534
ROOT = Path(__file__).parents[2]
CHILD = Path(__file__).with_name("saving.py")
ENVIRONMENT = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"}


def mounted(tmp_path: Path, how: str, size: str) -> dict[str, Any]:
    """Run the child on a small disk of its own, which only that process sees."""
    folder = tmp_path / "disk"
    folder.mkdir()
    (tmp_path / "a.xlsx").write_bytes(GOOD)
    script = f'mount -t tmpfs -o size={size} tmpfs "$1" && cp "$2" "$1" && exec "$3" "$4" "$5" "$1"'
    unshare = ["unshare", "-m"] if os.getuid() == 0 else ["unshare", "-rm"]
    if (
        shutil.which("unshare") is None
        or subprocess.run(
            [*unshare, "mount", "-t", "tmpfs", "tmpfs", str(folder)],
            capture_output=True,
            check=False,
        ).returncode
    ):
        pytest.skip("this system lets nobody mount a small disk")
    done = subprocess.run(
        [*unshare, "sh", "-c", script, "sh", folder, tmp_path / "a.xlsx", sys.executable, CHILD,
         how],
        capture_output=True, text=True, check=True, env=ENVIRONMENT,
    )  # fmt: skip
    return json.loads(done.stdout)  # type: ignore[no-any-return]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("how", "words"),
    [("full", "No space left"), ("read-only", "Read-only"), ("vanished", "No such file")],
)
def test_a_disk_that_fails_is_said_and_the_file_is_as_it_was(
    tmp_path: Path, how: str, words: str
) -> None:
    found = mounted(tmp_path, how, "100k")
    assert found["written"] == [False, False]
    code, text = found["findings"][0]
    assert code == "not-written"
    assert words in text
    if how != "vanished":
        assert found["same"]
        assert found["assessed"][0]
        assert set(found["names"]) <= {"a.xlsx", "filler"}


@pytest.mark.slow
def test_a_file_that_may_not_grow_is_said(tmp_path: Path) -> None:
    """A quota: needs no rights, and so runs for every user."""
    (tmp_path / "a.xlsx").write_bytes(GOOD)
    done = subprocess.run(
        [sys.executable, CHILD, "too big", tmp_path],
        capture_output=True, text=True, check=True, env=ENVIRONMENT,
    )  # fmt: skip
    found = json.loads(done.stdout)
    assert found["written"] == [False, False]
    assert "File too large" in found["findings"][0][1]
    assert found["same"]
    assert found["names"] == ["a.xlsx"]


def test_a_folder_without_permission_is_said(tmp_path: Path) -> None:
    # whatever is imported is imported now: somebody may have no right to read it
    (tmp_path / "a.xlsx").write_bytes(GOOD)
    assert evaluate_file(tmp_path / "a.xlsx", tmp_path / "b.xlsx", trials=0).written is not None
    with as_somebody(), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "a.xlsx").write_bytes(GOOD)
        folder.chmod(0o555)
        outcome = evaluate_file(folder / "a.xlsx", folder / "a.xlsx", trials=0)
        assert outcome.findings[0].code == "not-written"
        assert (folder / "a.xlsx").read_bytes() == GOOD
        folder.chmod(0o755)


@contextlib.contextmanager
def as_somebody() -> Iterator[None]:
    """Without the rights of the superuser, whom permissions do not bite."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.mark.slow
@pytest.mark.parametrize(
    "command", [["evaluate", "--in-place", "a.xlsx"], ["class", ".", "--out", "class.xlsx"],
                ["issue", "wire-stretching", "--out", "."],
                ["practice-set", "wire-stretching", "--out", "set", "--count", "1"]],
)  # fmt: skip
def test_no_command_leaves_half_a_file_when_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    command: list[str],
) -> None:  # fmt: skip
    (tmp_path / "a.xlsx").write_bytes(GOOD)
    (tmp_path / "class.xlsx").unlink(missing_ok=True)

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(package.os, "fsync", full)
    monkeypatch.chdir(tmp_path)
    assert main(command) != 0
    said = "".join(capsys.readouterr())
    assert "No space left" in said
    assert [p.name for p in tmp_path.rglob("*") if p.is_file()] == ["a.xlsx"]
    assert (tmp_path / "a.xlsx").read_bytes() == GOOD


def test_in_place_keeps_the_file_as_it_was_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    copy = tmp_path / "a.xlsx.bak"
    path.write_bytes(GOOD)
    for _ in range(2):
        assert evaluate_file(path, path, trials=0).written == path
        assert copy.read_bytes() == GOOD
    # readings are changed, and another program saves it with the results in it
    path.write_bytes(edited(path.read_bytes(), lambda book: type_date(book, "in May")))
    for _ in range(2):
        outcome = evaluate_file(path, path, trials=0)
        assert outcome.written == path
        assert outcome.kept is None
        assert copy.read_bytes() == GOOD
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.xlsx", "a.xlsx.bak"]


def type_date(book: openpyxl.Workbook, text: str) -> None:
    ((sheet, cell),) = book.defined_names["in_start_date"].destinations
    book[sheet][cell.replace("$", "")] = text


def test_in_place_replaces_no_copy_of_other_content(tmp_path: Path) -> None:
    """A file of the user's own, or the first hand-in where a second came under its name."""
    path = tmp_path / "a.xlsx"
    (tmp_path / "a.xlsx.bak").write_bytes(b"my own")
    for name, copy in (("Avocet", "a.xlsx.bak2"), ("Fulmar", "a.xlsx.bak3")):
        path.write_bytes(filled(name))
        outcome = evaluate_file(path, path, trials=0)
        assert outcome.written == path
        assert outcome.kept == tmp_path / copy
        assert outcome.kept.read_bytes() == filled(name)
        assert path.read_bytes() != filled(name)
    assert (tmp_path / "a.xlsx.bak").read_bytes() == b"my own"
    # the same once more needs no other copy
    path.write_bytes(filled("Avocet"))
    assert evaluate_file(path, path, trials=0).kept == tmp_path / "a.xlsx.bak2"
    assert not (tmp_path / "a.xlsx.bak4").exists()


@pytest.mark.parametrize("name", ["Avocet", "Sanderling"])
@pytest.mark.parametrize("again", [False, True])
def test_in_place_gives_the_same_file_to_the_byte(tmp_path: Path, name: str, again: bool) -> None:
    """Also of a workbook that openpyxl saved, and of one that it saved with results in it."""
    path = tmp_path / "a.xlsx"
    path.write_bytes(filled(name))
    if again:
        evaluate_file(path, path, trials=0)
        (tmp_path / "a.xlsx.bak").unlink()
    path.write_bytes(edited(path.read_bytes(), lambda book: type_date(book, "in May")))
    handed_in = path.read_bytes()
    assert evaluate_file(path, path, trials=0).written == path
    first = path.read_bytes()
    for _ in range(3):
        assert evaluate_file(path, path, trials=0).written == path
        assert path.read_bytes() == first
        assert (tmp_path / "a.xlsx.bak").read_bytes() == handed_in


def test_what_somebody_put_into_an_evaluated_copy_is_put_aside_and_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, target = tmp_path / "a.xlsx", tmp_path / "evaluated" / "a.xlsx"
    path.write_bytes(GOOD)
    for _ in range(2):
        assert main(["evaluate", str(path)]) == 0
        assert "kept as" not in capsys.readouterr().out
    mine = edited(target.read_bytes(), lambda book: book.create_sheet("My notes"))
    target.write_bytes(mine)
    assert main(["evaluate", str(path)]) == 0
    assert "what was there before is kept as a.xlsx.bak\n" in capsys.readouterr().out
    assert (target.parent / "a.xlsx.bak").read_bytes() == mine
    assert main(["evaluate", str(path)]) == 0
    assert "kept as" not in capsys.readouterr().out
    target.write_bytes(b"no workbook")
    assert evaluate_file(path, target, trials=0).kept == target.with_name("a.xlsx.bak2")


def test_a_file_that_changed_since_it_was_read_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(GOOD)
    real = module.assess

    def slow(*args: Any, **kwargs: Any) -> Any:
        path.write_bytes(filled("Fulmar"))
        return real(*args, **kwargs)

    monkeypatch.setattr(module, "assess", slow)
    outcome = evaluate_file(path, path, trials=0)
    assert outcome.written is None
    assert "saved by someone else" in outcome.findings[0].found
    assert path.read_bytes() == filled("Fulmar")


def test_permissions_and_owner_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(GOOD)
    path.chmod(0o640)
    if os.getuid() == 0:
        os.chown(path, 65534, 65534)
    before = path.stat()
    assert evaluate_file(path, path, trials=0).written == path
    after = path.stat()
    assert path.read_bytes() != GOOD
    assert (after.st_mode, after.st_uid, after.st_gid) == (
        before.st_mode, before.st_uid, before.st_gid,
    )  # fmt: skip


def test_a_link_is_evaluated_in_place_by_the_name_of_its_file_only(tmp_path: Path) -> None:
    """It was followed once, and a file somewhere else was changed without a word."""
    path, link = tmp_path / "a.xlsx", tmp_path / "link.xlsx"
    path.write_bytes(GOOD)
    link.symlink_to(path)
    outcome = evaluate_file(link, link, trials=0)
    assert outcome.written is None
    assert "link.xlsx, a link to another file" in outcome.findings[0].found
    assert path.read_bytes() == GOOD
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.xlsx", "link.xlsx"]


def test_the_lock_of_the_named_file_counts_for_a_link_too(tmp_path: Path) -> None:
    path, link = tmp_path / "a.xlsx", tmp_path / "link.xlsx"
    path.write_bytes(GOOD)
    link.symlink_to(path)
    (tmp_path / ".~lock.a.xlsx#").write_text(",teacher,pc,,")
    outcome = evaluate_file(link, link, trials=0)
    assert outcome.written is None
    assert "is open" in outcome.findings[0].found


def test_old_litter_is_taken_away_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    old = [".a-abcdefgh.part", ".a-12345678.part"]
    kept = [".a-short.part", ".b-abcdefgh.part", ".a-abcdefgh.part.txt", "a-abcdefgh.part"]
    for name in old + kept:
        (tmp_path / name).write_bytes(b"x")
        os.utime(tmp_path / name, (time.time() - 3600,) * 2)
    (tmp_path / ".a-newnewne.part").write_bytes(b"x")
    write_atomically(path, b"new")
    assert {p.name for p in tmp_path.iterdir()} == {*kept, ".a-newnewne.part", "a.xlsx"}
