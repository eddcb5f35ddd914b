"""The table of benches: what it says, in which order, and what files may do to it."""

from __future__ import annotations

import io
import os
import re
import unicodedata
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest
from during.watching import Watching
from examples import SIX, WORKBOOKS, filled, layout, typed
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.cli import main
from sheetlab.during import watch as watching
from sheetlab.during.benches import (
    CONFIRM,
    GRACE,
    LATER,
    RETRY,
    SETTLE,
    TRIES,
    Bench,
    Rank,
    Rows,
    cut_middle,
    table,
)
from sheetlab.during.watch import _events, _Watcher
from sheetlab.handling.folders import expand, passed_over, scan
from sheetlab.practical.definition import Assist
from sheetlab.workbook.template import write_template

NOON = datetime(2024, 3, 12, 12, 0)
TIME = NOON.timestamp()


def partly(group: str, **rows: int) -> bytes:
    """A group's workbook with only so many rows of some tables."""
    cells = dict(typed(group))
    for name, kept in rows.items():
        for key in [k for k in cells if k.startswith(f"{name}.")]:
            cells[key] = [v if i < kept else None for i, v in enumerate(cells[key])]
    one = WORKBOOKS[group]
    return write_template(layout(one.practical, Assist.CORRECTED, one.runs), cells)


def blank(group: str) -> bytes:
    one = WORKBOOKS[group]
    cells = {"start.group": [group], "start.setup": [one.group.setup]}
    return write_template(layout(one.practical, Assist.CORRECTED, one.runs), cells)


def save(path: Path, data: bytes, minutes: float = 0.0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    os.utime(path, (TIME + 60 * minutes,) * 2)
    return path


def seen(watcher: _Watcher, now: float) -> dict[str, Bench]:
    watcher.look(now)
    return {one.file: one for one in watcher.board.benches()}


def shown(watcher: _Watcher, width: int = 200) -> list[str]:
    return table(watcher.board.benches(), width, NOON)


def test_what_a_row_says(tmp_path: Path) -> None:
    save(tmp_path / "a.xlsx", filled("Fulmar"), 5)
    save(tmp_path / "b.xlsx", partly("Avocet", readings=0, diameter=0), 6)
    watcher = _Watcher(tmp_path)
    watcher.look(0.0)
    summary, _, head, *rows = shown(watcher)
    assert summary == "2 workbooks: 1 needs someone (!), 1 under way (~)."
    for title in ("saved", "group", "practical", "readings in", "provisional result"):
        assert title in head
    fulmar, finding, avocet = rows
    assert finding.strip().startswith("Readings C13: “loading” in row 5, 3.44 mm")
    assert fulmar.startswith("!  12:05  Fulmar")
    for part in (
        WORKBOOKS["Fulmar"].practical,
        "readings 8/6, diameter 6/5, length 3/1",
        "Y = (109 ± 9) GPa",
    ):
        assert part in fulmar
    assert re.search(r" 1 +Y = ", fulmar)
    assert avocet.startswith("~  12:06  Avocet")
    assert "  length 3/1  " in avocet
    assert "2 missing: Diameter of the experimental wire" in avocet
    assert "±" not in avocet


def test_set_up_and_another_day(tmp_path: Path) -> None:
    save(tmp_path / "a.xlsx", blank("Avocet"), 60 * 24)
    watcher = _Watcher(tmp_path)
    watcher.look(0.0)
    row = shown(watcher)[-1]
    assert row.startswith("  13 Mar  Avocet")
    assert f"  {WORKBOOKS['Avocet'].group.setup}  " in row
    assert row.endswith("nothing typed yet")


def test_order(tmp_path: Path) -> None:
    """Slips and unreadable files first; who is merely not ready yet waits behind them."""
    save(tmp_path / "done.xlsx", filled("Dunlin"), 0)
    save(tmp_path / "blank.xlsx", blank("Avocet"), 1)
    save(tmp_path / "just now.xlsx", partly("Avocet", readings=1), 8)
    save(tmp_path / "long ago.xlsx", partly("Sanderling", timing=4), 2)
    save(tmp_path / "slip.xlsx", filled("Petrel"), 9)
    save(tmp_path / "broken.xlsx", b"nonsense", 4)
    watcher = _Watcher(tmp_path)
    watcher.look(0.0, final=True)
    benches = watcher.board.benches()
    assert [b.file.removesuffix(".xlsx") for b in benches] == [
        "broken", "slip", "long ago", "just now", "done", "blank",
    ]  # fmt: skip
    assert [b.doubts for b in benches] == [1, 2, 0, 0, 0, 0]
    assert benches[2].result.startswith("g = (")
    assert benches[2].readings[0] == Rows("timing", 4, 6)
    assert "cannot be worked out" in benches[3].result


def test_a_row_with_a_gap_is_not_counted(tmp_path: Path) -> None:
    save(tmp_path / "a.xlsx", filled("Petrel"))
    (row,) = seen(_Watcher(tmp_path), 0.0).values()
    assert row.readings[0] == Rows("readings", 7, 6)


def test_masses_typed_beforehand_are_no_readings(tmp_path: Path) -> None:
    cells = dict(typed("Avocet"))
    for key in [k for k in cells if k.startswith("readings.") and k != "readings.mass"]:
        cells[key] = [None] * len(cells[key])
    one = WORKBOOKS["Avocet"]
    data = write_template(layout(one.practical, Assist.CORRECTED, one.runs), cells)
    save(tmp_path / "a.xlsx", data)
    (row,) = seen(_Watcher(tmp_path), 0.0).values()
    assert [rows.table for rows in row.readings] == ["diameter", "length"]


def test_two_files_of_a_group_are_told_apart(tmp_path: Path) -> None:
    for name in ("Avocet", "Avocet (1)"):
        save(tmp_path / f"{name}.xlsx", filled("Avocet"))
    watcher = _Watcher(tmp_path)
    watcher.look(0.0)
    assert "  Avocet (1)  " in "\n".join(shown(watcher))


def test_half_written_file_keeps_its_row(tmp_path: Path) -> None:
    path = save(tmp_path / "a.xlsx", filled("Avocet"), 1)
    watcher = _Watcher(tmp_path)
    (good,) = seen(watcher, 0.0).values()
    data = filled("Fulmar")
    save(path, data[: len(data) // 2], 2)
    assert seen(watcher, 10.0)["a.xlsx"] == good  # left alone for a moment
    assert not watcher.board.waits(10.0)
    half = seen(watcher, 10.0 + SETTLE)["a.xlsx"]
    assert half.saving
    assert (half.group, half.result, half.saved) == (good.group, good.result, good.saved)
    assert "being saved?" in shown(watcher)[-1]
    assert "being saved?" in shown(watcher, 60)[-1]
    assert watcher.board.waits(10.0 + SETTLE + RETRY)
    save(path, data, 3)
    seen(watcher, 12.0)
    after = seen(watcher, 12.0 + SETTLE)["a.xlsx"]
    assert (after.group, after.rank, after.saving) == ("Fulmar", Rank.LOOK, False)


def test_file_that_stays_unreadable_shows_its_finding_and_is_tried_again(tmp_path: Path) -> None:
    data = filled("Avocet")
    path = save(tmp_path / "a.xlsx", data, 1)
    watcher = _Watcher(tmp_path)
    seen(watcher, 0.0)
    save(path, data[:9000], 2)
    now = 10.0
    seen(watcher, now)
    now += SETTLE
    for _ in range(TRIES - 1):
        assert seen(watcher, now)["a.xlsx"].saving
        now += RETRY
    row = seen(watcher, now)["a.xlsx"]
    assert not row.saving
    assert (row.rank, row.group) == (Rank.LOOK, "Avocet")
    assert "cut short" in row.look
    assert not watcher.board.waits(now + LATER - 0.1)
    assert watcher.board.waits(now + LATER)
    # the content is back, and the time of saving tells nothing
    stamp = path.stat()
    path.write_bytes(data)
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    seen(watcher, now + LATER)
    assert seen(watcher, now + LATER + SETTLE)["a.xlsx"].rank is Rank.DONE


def test_new_file_that_cannot_be_read_yet(tmp_path: Path) -> None:
    watcher = _Watcher(tmp_path)
    assert not seen(watcher, 0.0)
    save(tmp_path / "a.xlsx", b"")
    seen(watcher, 1.0)
    row = seen(watcher, 1.0 + SETTLE)["a.xlsx"]
    assert row.saving
    assert row.rank is not Rank.LOOK


def test_foreign_workbook_is_said_at_once(tmp_path: Path) -> None:
    from openpyxl import Workbook

    Workbook().save(tmp_path / "marks.xlsx")
    row = seen(_Watcher(tmp_path), 0.0)["marks.xlsx"]
    assert "was not issued by sheetlab" in row.look
    assert row.rank is Rank.LOOK


def test_replacement_by_rename(tmp_path: Path) -> None:
    folder = tmp_path / "shared"
    path = save(folder / "a.xlsx", filled("Avocet"), 1)
    watcher = _Watcher(folder)
    seen(watcher, 0.0)
    save(tmp_path / "new", filled("Fulmar"), 2).replace(path)
    seen(watcher, 5.0)
    assert seen(watcher, 5.0 + SETTLE)["a.xlsx"].group == "Fulmar"


def test_a_file_is_read_once_more_though_its_stamp_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = save(tmp_path / "a.xlsx", filled("Avocet"))
    watcher = _Watcher(tmp_path)
    monkeypatch.setattr(
        "sheetlab.during.watch.scan", lambda folder: ({"a.xlsx": (int(TIME * 1e9), 1)}, ())
    )
    seen(watcher, 0.0)
    path.write_bytes(filled("Dunlin"))
    assert seen(watcher, CONFIRM - 0.1)["a.xlsx"].group == "Avocet"
    assert seen(watcher, CONFIRM)["a.xlsx"].group == "Dunlin"
    assert not watcher.board.waits(1e9)


def test_vanishing(tmp_path: Path) -> None:
    path = save(tmp_path / "bench 1" / "a.xlsx", filled("Avocet"))
    watcher = _Watcher(tmp_path)
    good = seen(watcher, 0.0)
    path.unlink()
    assert seen(watcher, 10.0)["bench 1/a.xlsx"].saving
    save(path, filled("Avocet"))
    seen(watcher, 11.0)
    assert seen(watcher, 11.0 + SETTLE) == good
    path.unlink()
    path.parent.rmdir()
    seen(watcher, 20.0)
    assert watcher.board.waits(20.0 + GRACE)
    assert not seen(watcher, 20.0 + GRACE)
    assert shown(watcher) == ["No workbook yet."]


def test_share_that_goes_and_comes_back(tmp_path: Path) -> None:
    folder = tmp_path / "share"
    save(folder / "a.xlsx", filled("Avocet"))
    save(folder / "b.xlsx", filled("Dunlin"))
    watcher = _Watcher(folder)
    good = seen(watcher, 0.0)
    folder.rename(tmp_path / "away")
    for now in (10.0, 100.0):
        assert seen(watcher, now) == good
        assert "cannot be reached since" in watcher.lines(120)[1]
        assert not watcher.board.waits(now)
    (tmp_path / "away" / "b.xlsx").write_bytes(filled("Petrel"))
    (tmp_path / "away").rename(folder)
    seen(watcher, 110.0)
    assert {b.group for b in seen(watcher, 110.0 + SETTLE).values()} == {"Avocet", "Petrel"}
    assert "reached" not in "".join(watcher.lines(120))


def test_a_folder_within_that_cannot_be_listed_keeps_its_rows(tmp_path: Path) -> None:
    save(tmp_path / "one" / "a.xlsx", filled("Avocet"))
    save(tmp_path / "two" / "b.xlsx", filled("Dunlin"))
    watcher = _Watcher(tmp_path)
    seen(watcher, 0.0)
    files, _ = scan(tmp_path)
    rest = {k: v for k, v in files.items() if k.startswith("two")}
    for now in (10.0, 20.0, 30.0):
        watcher.board.see(rest, ("one",), now)
        assert len(watcher.board.benches()) == 2
    for now in (40.0, 50.0):
        watcher.board.see(rest, ("on",), now)
    assert [b.group for b in watcher.board.benches()] == ["Dunlin"]


def test_what_is_no_workbook_of_a_bench(tmp_path: Path) -> None:
    for name in (
        "~$a.xlsx", ".~lock.a.xlsx#", ".a-x1.xlsx", "~a.xlsx", "a.xlsx.part", "lu7x.tmp", "a.csv",
        "5D1B2C00", "evaluated/a.xlsx", ".sync/a.xlsx",
    ):  # fmt: skip
        save(tmp_path / name, b"x")
    (tmp_path / "folder.xlsx").mkdir()
    os.mkfifo(tmp_path / "pipe.xlsx")
    (tmp_path / "dead.xlsx").symlink_to(tmp_path / "nowhere")
    (tmp_path / "circle").symlink_to(tmp_path)
    (tmp_path / "loop.xlsx").symlink_to(tmp_path / "loop.xlsx")
    save(tmp_path / "Bench 1" / "A.XLSX", b"x")
    save(tmp_path / "b.xlsm", b"x")
    files, lost = scan(tmp_path)
    assert sorted(files) == ["Bench 1/A.XLSX", "b.xlsm"]
    assert not lost
    # a file that cannot be opened is told where it is evaluated; a pipe would be waited for
    assert list(expand([tmp_path])) == [
        tmp_path / name for name in ("b.xlsm", "dead.xlsx", "loop.xlsx")
    ]  # fmt: skip
    for below in (True, False):
        told = passed_over([tmp_path], below)
        assert told is not None
        assert "1 file of other spreadsheet kinds (a.csv)" in told.found
        assert ("2 folders below (Bench 1, folder.xlsx)" in told.found) is not below
        assert told.found.endswith("what is a pipe or a device, not a file (pipe.xlsx)")
        assert "Copy what comes out" in told.remedy


def test_a_pipe_beside_workbooks_is_named_at_the_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    save(tmp_path / "a.xlsx", filled("Avocet"))
    os.mkfifo(tmp_path / "pipe.xlsx")
    folder, made = str(tmp_path), str(tmp_path / "CLASS.xlsx")
    for command in (["evaluate", folder], ["class", folder, "--out", made]):
        assert main(command) == 0
        last = capsys.readouterr().err.splitlines()[-1]
        assert "a pipe or a device, not a file (pipe.xlsx)" in last


def everything(folder: Path) -> dict[str, object]:
    return {
        str(p.relative_to(folder)): (p.stat().st_mtime_ns, p.is_file() and p.read_bytes())
        for p in (folder, *folder.rglob("*"))
    }


def test_nothing_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for group in SIX:
        save(tmp_path / group / f"{group}.xlsx", filled(group))
    save(tmp_path / "bad.xlsx", b"PK\x03\x04")
    before = everything(tmp_path)
    assert main(["watch", str(tmp_path), "--once"]) == 0
    assert everything(tmp_path) == before
    assert capsys.readouterr().out.startswith(f"{len(SIX) + 1} workbooks: 3 need someone")


def test_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", str(tmp_path), "--once"]) == 0
    assert capsys.readouterr().out == "No workbook yet.\n"
    for option in ("--once", "--poll"):
        assert main(["watch", str(tmp_path / "typo"), option]) == 2
        assert "there is no folder" in capsys.readouterr().err


HOSTILE = "a\x1b[31m\x9b2J\u202e\r\n\x00"


def test_control_characters_are_harmless(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    save(tmp_path / "x\x1b[2J\nb.xlsx", b"nonsense")
    save(tmp_path / "d\x07" / os.fsdecode(b"\xff.xlsx"), b"nonsense")
    assert main(["watch", str(tmp_path), "--once"]) == 0
    out = capsys.readouterr().out
    assert len(out.splitlines()) == 7
    assert out.replace("\n", "").isprintable()
    lines = table([hostile(HOSTILE)], 120, NOON)
    assert len(lines) == 5
    assert all(line.isprintable() for line in lines)


def hostile(text: str) -> Bench:
    return Bench(
        f"{text}.xlsx", NOON, Rank.LOOK, text, text, text, (Rows(text, 1, 2),), 1, text, text
    )


def wide(text: str) -> int:
    return sum(1 + (unicodedata.east_asian_width(char) in "WF") for char in text)


texts = st.text(max_size=80)
rows = st.builds(Rows, texts, st.integers(0, 500), st.integers(0, 500))
benches = st.builds(
    Bench,
    file=texts,
    saved=st.datetimes(),
    rank=st.sampled_from(Rank),
    group=texts,
    setup=texts,
    practical=texts,
    readings=st.lists(rows, max_size=4).map(tuple),
    doubts=st.integers(0, 999),
    look=texts,
    result=texts,
    saving=st.booleans(),
)


@given(st.lists(benches, max_size=6), st.integers(40, 250), st.sampled_from(["", "No. " * 70]))
def test_no_line_is_wider_than_the_terminal(some: list[Bench], width: int, notice: str) -> None:
    lines = table(some, width, NOON, notice)
    assert all(wide(line) <= width for line in lines)
    assert all(line.isprintable() for line in lines)
    findings = sum(bool(one.look.strip() or one.saving) for one in some)
    least = 1 + bool(notice) + (2 + len(some) if some else 0)
    assert least + findings <= len(lines) <= least + 2 * findings


@given(st.lists(benches, min_size=1, max_size=6), st.integers(1, 39), st.integers(1, 12))
def test_small_windows(some: list[Bench], width: int, height: int) -> None:
    lines = table(some, width, NOON, height=height)
    assert all(wide(line) <= width for line in lines)
    assert len(lines) <= height


@given(st.lists(rows, min_size=1, max_size=3).map(tuple), st.integers(60, 200))
def test_numbers_of_readings_are_never_cut(readings: tuple[Rows, ...], width: int) -> None:
    one = Bench("a.xlsx", NOON, Rank.DONE, "G", "", "p", readings, result="r" * 60)
    *_, line = table([one], width, NOON)
    if "readings in" in table([one], width, NOON)[2]:
        first = readings[0]
        assert f" {first.filled}/{first.rows}" in line


def test_narrow_tables_keep_the_finding(tmp_path: Path) -> None:
    save(tmp_path / "a.xlsx", filled("Fulmar"))
    watcher = _Watcher(tmp_path)
    watcher.look(0.0)
    for width in (40, 60, 80, 100, 120, 160):
        row, *finding = shown(watcher, width)[3:]
        assert max(map(len, (row, *finding))) <= width
        assert "Readings C13" in finding[0]
        assert width < 80 or "readings 8/6" in row
        text = " ".join(line.strip() for line in finding)
        assert width < 80 or text == (
            "Readings C13: “loading” in row 5, 3.44 mm, lies 0.50 mm above the line through all "
            "other points"
        )


def test_what_is_missing_and_a_unit_are_not_cut_off() -> None:
    missing = "missing: Micrometer screw of the extensometer, smallest division"
    gap = Bench("a.xlsx", NOON, Rank.UNDER_WAY, "A" * 14, "", "p", result=missing)
    said = Bench("b.xlsx", NOON, Rank.DONE, "B" * 14, "", "p", result="Y = (1.04 ± 0.04) × 10⁵ GPa")
    first, second = table([gap, said], 58, NOON)[3:]
    assert first.startswith("~")
    assert first.endswith("division")
    assert second.endswith("  (1.04 ± 0.04) × 10⁵ GPa")


def test_how_far_a_bench_is_is_told_by_what_it_needs(tmp_path: Path) -> None:
    """Settings of the bubble may be taken or not; three of ten loads are what counts."""
    cells = {**typed("Avocet"), "settings.s.main": [3.0] * 5,
             "settings.s.coincidence": [1.0, 2.0, 1.0, 1.0, 2.0]}  # fmt: skip
    for key in [k for k in cells if k.startswith("readings.")]:
        cells[key] = [v if i < 3 else None for i, v in enumerate(cells[key])]
    one = WORKBOOKS["Avocet"]
    save(tmp_path / "a.xlsx", write_template(layout(one.practical, Assist.CORRECTED, 1), cells))
    (row,) = seen(_Watcher(tmp_path), 0.0).values()
    assert row.readings[0] == Rows("readings", 3, 6)
    assert row.readings[-1].table == "settings"
    for width in (60, 80, 120):
        assert "readings 3/6" in table([row], width, NOON)[3] or width < 80


def test_long_names_that_end_differently_are_told_apart() -> None:
    names = [f"Thursday afternoon, bench {i}" for i in (1, 2, 13)]
    some = [
        Bench(
            f"{i}.xlsx", NOON, Rank.LOOK, name, f"W{i}", "wire-stretching",
            (Rows("Diameter of the wire", 3, 8), Rows("readings", 8, 6)), 2,
            "Readings C13: loading lies above the line through all other points", "Y = 1 GPa",
        )
        for i, name in enumerate(names)
    ]  # fmt: skip
    for width in (60, 80, 120, 160):
        lines = [line for line in table(some, width, NOON)[3:] if line.startswith("!")]
        shown = [line.partition("Thur")[2].partition("  ")[0] for line in lines]
        assert len(set(shown)) == 3
        assert all(line.endswith(name[-2:]) for line, name in zip(shown, names, strict=True))
    assert cut_middle("Thursday bench 13", 9) == "Thur…h 13"


def test_events(tmp_path: Path) -> None:
    """Told at first, and of a save; quiet otherwise; over when the folder is another one."""
    folder = tmp_path / "share"
    folder.mkdir()
    events = _events(folder)
    assert next(events)
    assert not any(next(events) for _ in range(3))
    save(folder / "a.xlsx", b"x")
    assert any(next(events) for _ in range(8))
    folder.rename(tmp_path / "away")
    folder.mkdir()
    assert len(list(zip(events, range(20), strict=False))) < 8


@pytest.mark.slow
def test_a_class_as_it_goes(tmp_path: Path) -> None:
    """One run: saved, replaced, half-written, mended, share gone and back, Ctrl-C."""
    folder = tmp_path / "share"
    save(folder / "bench 1" / "a.xlsx", blank("Avocet"))
    with Watching(folder) as running:
        running.shows("nothing typed yet")
        before = everything(folder)
        save(folder / "bench 2" / "b.xlsx", filled("Dunlin"))
        running.shows("Dunlin", 6)
        mark = len(running.text)
        save(tmp_path / "new", filled("Avocet")).replace(folder / "bench 1" / "a.xlsx")
        running.shows("Y = (108 ± 5) GPa", 6, mark)
        mark = len(running.text)
        save(folder / "bench 1" / "a.xlsx", filled("Fulmar")[:9000])
        running.shows("being saved?", 6, mark)
        save(folder / "bench 1" / "a.xlsx", filled("Fulmar"))
        running.shows("Readings C13", 6, mark)
        mark = len(running.text)
        folder.rename(tmp_path / "away")
        running.shows("The folder cannot be reached since", 6, mark)
        mark = len(running.text)
        save(folder / "c.xlsx", filled("Sanderling"))
        running.shows("Sanderling", 6, mark)
        running.shows("1 workbook: 1 done.", 9, mark)
        after = everything(folder)
        # the new folder is watched as the old one was
        save(folder / "d.xlsx", filled("Turnstone"))
        running.shows("Turnstone", 6, mark)
        assert running.stop() == 0
        assert running.text.endswith("\nStopped watching; nothing in the folder was changed.\n")
        assert "\x1b" not in running.text
        assert "Traceback" not in running.text
        tables = re.split(r"^--- \d\d:\d\d:\d\d ---$", running.text, flags=re.M)[1:]
        assert all(one != two for one, two in pairwise(tables))
    assert set(before) == {".", "bench 1", "bench 1/a.xlsx"}
    assert set(everything(folder)) == {*after, "d.xlsx"}


@pytest.mark.slow
def test_polling(tmp_path: Path) -> None:
    with Watching(tmp_path, "--poll") as running:
        running.shows("No workbook yet.")
        save(tmp_path / "a.xlsx", filled("Dunlin"))
        running.shows("Dunlin", 8)
        assert running.stop() == 0


@pytest.mark.slow
def test_terminal_is_redrawn_in_place(tmp_path: Path) -> None:
    for group in SIX:
        save(tmp_path / f"{group}.xlsx", filled(group))
    with Watching(tmp_path, terminal=(9, 70)) as running:
        running.shows("make the window higher")
        save(tmp_path / "z.xlsx", b"nonsense")
        running.shows("7 workbooks")
        assert running.stop() == 0
        first, *frames = running.text.split("\x1b[H")
    assert first == "\x1b[2J"
    assert len(frames) >= 2
    frames[-1], end = frames[-1].split("\x1b[J", 1)
    assert "Stopped watching" in end
    for frame in frames:
        lines = frame.removesuffix("\x1b[J").split("\x1b[K\r\n")
        assert len(lines) <= 9
        assert all(line.isprintable() and wide(line) < 70 for line in lines)
        assert "Ctrl-C" in lines[0]


def test_a_quiet_folder_costs_no_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    save(tmp_path / "a.xlsx", blank("Avocet"))
    made: list[int] = []

    def counted(*given: object) -> list[str]:
        made.append(1)
        return table(*given)

    monkeypatch.setattr(watching, "table", counted)
    monkeypatch.setattr(watching, "_hints", lambda folder, poll: iter([False] * 400))
    watching.watch(tmp_path, io.StringIO())
    # at the start, and where the minute or the half second after a save is over
    assert len(made) <= 4
