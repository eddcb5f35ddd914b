"""Kill commands at each moment of writing in turn; ``python tests/fuzz/moments.py``.

A moment is a call with which a command changes a file of its folder, or a statement that it sends
to its database. A forked child is killed just before the call; a file that is about to be brought
to the disk is cut in half first, as if it had been killed in the middle of writing.
"""

from __future__ import annotations

import contextlib
import datetime
import io
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from classes.groups import Marks, fill_class
from examples import filled

from sheetlab.classes.kept import COMMENT, read_kept
from sheetlab.cli import main as sheetlab
from sheetlab.handling.folders import expand
from sheetlab.workbook.reader import read_workbook
from sheetlab.years import adding
from sheetlab.years.checking import check
from sheetlab.years.codes import codes_of, read_codes
from sheetlab.years.database import read

TODAY = datetime.date.today()
CHANGES = ("os.rename", "os.remove", "os.chmod", "os.link", "os.mkdir", "os.truncate")
STATEMENTS = ("BEGIN", "INSERT", "UPDATE", "DELETE", "COMMIT", "VACUUM")
SEED = 7
ARCHIVE, CLASS = "D.sqlite", "CLASS.xlsx"


@dataclass(frozen=True, slots=True)
class Work:
    """A command, and what has to hold in its folder."""

    name: str
    prepare: Callable[[Path], None]
    run: Callable[[Path], int]
    whenever: Callable[[Path, Path], None]
    """Whatever the moment of the kill: folder as it was, folder now; asserts."""
    after: Callable[[Path], object]
    """What has to be the same after the next undisturbed run as if nobody had been killed."""


# -- in the child ----------------------------------------------------------------------------------


def watched(folder: Path, happened: Callable[[str, int | None], None]) -> None:
    """Tell of every moment from now on; there is no way back."""
    inside = os.path.realpath(folder)

    def ours(path: object) -> bool:
        try:
            return os.path.realpath(os.fspath(path)).startswith(inside)  # type: ignore[call-overload]
        except TypeError:
            return False

    def audit(event: str, values: tuple[Any, ...]) -> None:
        if event in CHANGES and ours(values[0]):
            happened(f"{event} {shown(values[0])}", None)
        elif event == "open" and values[2] & (os.O_WRONLY | os.O_RDWR) and ours(values[0]):
            happened(f"open {shown(values[0])}", None)

    def fsync(fd: int) -> None:
        happened("fsync", fd)
        real_fsync(fd)

    def connect(path: Any, *args: Any, **options: Any) -> sqlite3.Connection:
        connection = real_connect(path, *args, **options)
        if ours(path):
            connection.set_trace_callback(traced)
        return connection

    def traced(statement: str) -> None:
        word = statement.split(None, 1)[0]
        if word in STATEMENTS:
            happened(word, None)

    real_fsync, real_connect = os.fsync, sqlite3.connect
    os.fsync, sqlite3.connect = fsync, connect
    sys.addaudithook(audit)


def shown(path: object) -> str:
    """Name of a file, without the letters that are others each time."""
    name = os.path.basename(os.fsdecode(path))  # type: ignore[arg-type]
    return "temporary file" if name.endswith(".part") else name


def forked(work: Work, folder: Path, stop: int | None, told: Path) -> int:
    """Run a command in a child, which is killed at a moment; its exit status."""
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1]
    status = 70
    try:
        # a file is evaluated in a process of its own, which is to end at the same moment
        os.setpgid(0, 0)
        with told.open("wb", buffering=0) as stream, tempfile.TemporaryFile(buffering=0) as seen:

            def happened(name: str, fd: int | None) -> None:
                os.write(seen.fileno(), b"x")
                if stop is None:
                    os.write(stream.fileno(), f"{name}\n".encode())
                elif os.fstat(seen.fileno()).st_size > stop:
                    if fd is not None:
                        os.ftruncate(fd, os.fstat(fd).st_size // 2)
                    os.killpg(0, signal.SIGKILL)

            watched(folder, happened)
            with (
                contextlib.redirect_stdout(io.StringIO()),
                contextlib.redirect_stderr(io.StringIO()),
            ):
                status = work.run(folder)
    finally:
        os._exit(status)
    return 0


# -- the commands ----------------------------------------------------------------------------------


def whole(folder: Path) -> None:
    """No file that a person or a program takes for a workbook is half written."""
    for path in folder.rglob("*"):
        if path.name.startswith(".") or ".xlsx" not in path.name:
            continue
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None, path
    assert not [path for path in expand([folder]) if path.name.startswith(".")]


def same(before: Path, now: Path, pattern: str) -> None:
    """What the command only reads is as it was."""
    for path in before.glob(pattern):
        assert (now / path.relative_to(before)).read_bytes() == path.read_bytes(), path


def contents(folder: Path, *patterns: str) -> dict[str, bytes]:
    found = (path for pattern in patterns for path in folder.glob(pattern))
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in found
        if not path.name.startswith(".")
    }


def two_files(folder: Path) -> None:
    for group in ("Avocet", "Sanderling"):
        (folder / f"{group}.xlsx").write_bytes(filled(group))


def into_a_folder(folder: Path) -> int:
    return sheetlab(["evaluate", str(folder), "--out", str(folder / "out"), "--jobs", "1"])


def copies(before: Path, now: Path) -> None:
    whole(now)
    same(before, now, "*.xlsx")


def in_place(folder: Path) -> int:
    return sheetlab(["evaluate", str(folder), "--in-place", "--jobs", "1"])


def reachable(before: Path, now: Path) -> None:
    """The original is there to the byte, in its place or as its backup; readings are the same."""
    whole(now)
    for path in before.glob("*.xlsx"):
        data = path.read_bytes()
        places = [now / path.name, now / f"{path.name}.bak"]
        assert data in [place.read_bytes() for place in places if place.exists()], path
        old, new = (read_workbook(one).observations.entries for one in (path, places[0]))
        assert {k: [e.value for e in v] for k, v in old.items()} == {
            k: [e.value for e in v] for k, v in new.items()
        }


def class_with_marks(folder: Path) -> None:
    """A class that was marked; something else was typed too, which makes a backup."""
    fill_class(folder, 3)
    bring_up(folder)
    marks = Marks(folder / CLASS)
    marks.type("Group 1", "scales", 2.5)
    marks.type("Group 2", COMMENT, "Good.")
    marks.book.create_sheet("My notes")["A1"].value = "ask Group 2"
    marks.save()


def bring_up(folder: Path) -> int:
    return sheetlab(["class", str(folder), "--out", str(folder / CLASS), "--jobs", "1"])


def nothing_typed_is_lost(before: Path, now: Path) -> None:
    whole(now)
    same(before, now, "w*.xlsx")
    assert typed(now) == typed(before)
    data = (before / CLASS).read_bytes()
    places = (now / CLASS, now / f"{CLASS}.bak")
    assert data in [place.read_bytes() for place in places if place.exists()]


def typed(folder: Path) -> object:
    return {
        key: (row.items, row.comment)
        for key, row in read_kept(folder / CLASS).rows.items()
        if not row.empty
    }


def archive_begun(folder: Path) -> None:
    fill_class(folder / "before", 2)
    fill_class(folder / "after", 3, seed=300)
    add(folder, "before", "2024", "--keep-until", f"{TODAY + datetime.timedelta(1)}")


def add(folder: Path, which: str = "after", year: str = "2026", *more: str) -> int:
    adding.BATCH = 2  # several commits in one run
    return sheetlab(
        ["archive", "add", str(folder / which), "--archive", str(folder / ARCHIVE), "--year", year,
         "--jobs", "1", *more]
    )  # fmt: skip


def sound(before: Path, now: Path) -> None:
    """The table is whole, its rows are explained, and what was there is still there."""
    for found in now.glob("D *.xlsx"):
        assert zipfile.ZipFile(found).testzip() is None
    old, rows = read(before / ARCHIVE).rows, read(now / ARCHIVE).rows
    assert rows[: len(old)] == old
    assert {row.code for row in rows} <= read_codes(codes_of(now / ARCHIVE)).names.keys()
    found = check(now / ARCHIVE, TODAY)
    assert found.sound, found.findings
    assert not [f for f in found.findings if "cannot be read" in f.found]


def added(folder: Path) -> object:
    found = check(folder / ARCHIVE, TODAY)
    assert found.findings == ()
    names = read_codes(codes_of(folder / ARCHIVE)).names
    rows = read(folder / ARCHIVE).rows
    return sorted((row.source, names[row.code]) for row in rows)


def archive_due(folder: Path) -> None:
    """Codes of one year are due, those of the other are not."""
    archive_begun(folder)
    add(folder)
    with contextlib.closing(sqlite3.connect(folder / ARCHIVE)) as connection:
        # the command takes no day that is past
        connection.execute(
            "UPDATE results SET keep_until = ? WHERE year = 2024",
            (f"{TODAY - datetime.timedelta(1)}",),
        )
        connection.commit()


def purge(folder: Path) -> int:
    return sheetlab(["archive", "purge", str(folder / ARCHIVE)])


def still_there(before: Path, now: Path) -> None:
    """No result goes, and no code that is not due."""
    old, rows = read(before / ARCHIVE).rows, read(now / ARCHIVE).rows
    assert [row.source for row in rows] == [row.source for row in old]
    kept = {row.code for row in old if row.year == 2026}
    assert kept <= {row.code for row in rows}
    assert kept <= read_codes(codes_of(now / ARCHIVE)).names.keys()


def purged(folder: Path) -> object:
    """Codes that were due are in no file any more, not even in the bytes of the database."""
    rows = read(folder / ARCHIVE).rows
    assert {row.code for row in rows if row.year == 2024} == {""}
    return [(row.code, row.source) for row in rows if row.year == 2024]


WORKS = (
    Work("evaluate", two_files, into_a_folder, copies, lambda f: contents(f, "out/*")),
    Work("evaluate --in-place", two_files, in_place, reachable, lambda f: contents(f, "*.xlsx*")),
    Work("class", class_with_marks, bring_up, nothing_typed_is_lost, typed),
    Work("archive add", archive_begun, add, sound, added),
    Work("archive purge", archive_due, purge, still_there, purged),
)  # fmt: skip


# -- the kills -------------------------------------------------------------------------------------


def moments(work: Work, folder: Path) -> tuple[Path, list[str], object]:
    """A folder to begin from, the moments of an undisturbed run, and what it leads to."""
    start, told = folder / "start", folder / "told"
    start.mkdir()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        work.prepare(start)
    usual = shutil.copytree(start, folder / "usual")
    status = forked(work, usual, None, told)
    assert os.waitstatus_to_exitcode(status) == 0, work.name
    return start, told.read_text(encoding="utf-8").splitlines(), work.after(usual)


def kills(work: Work, most: int) -> Iterator[tuple[int, str, str]]:
    """Each moment (some if there are more than so many): number, name, what is wrong, if it is."""
    with tempfile.TemporaryDirectory() as name:
        start, names, usual = moments(work, Path(name))
        some = random.Random(SEED).sample(range(len(names)), min(most, len(names)))
        for number in sorted(some):
            place = Path(name) / "place"
            shutil.rmtree(place, ignore_errors=True)
            shutil.copytree(start, place)
            wrong = ""
            try:
                status = forked(work, place, number, Path(name) / "told")
                assert os.WIFSIGNALED(status), f"it ended by itself: {status}"
                work.whenever(start, place)
                status = forked(work, place, None, Path(name) / "told")
                assert os.waitstatus_to_exitcode(status) == 0, "the next run fails"
                work.whenever(start, place)
                assert work.after(place) == usual, "the next run leads to something else"
            except Exception as error:
                wrong = f"{type(error).__name__}: {error}"
            yield number, names[number], wrong


def main() -> None:
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    for work in WORKS:
        print(work.name)
        for number, name, wrong in kills(work, most):
            print(f"  {number:4} {name:<40} {wrong or 'nothing lost'}", flush=True)


if __name__ == "__main__":
    main()
