"""Processes that add to an archive, killed at random moments or racing; run as a script.

``adding.py kill FOLDER ROUNDS SEED REAL`` or ``adding.py race FOLDER``; FOLDER has the folders
``before`` and ``after`` of filled workbooks. Children are forked, so that a round does not pay for
starting Python. Fails with an assertion; prints what happened as JSON.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from sheetlab.cli import main
from sheetlab.course import archive
from sheetlab.course.archivebook import read_view

TODAY = datetime.date.today()
archive.BATCH = 2  # several commits in one run


def child(work: Callable[[], int], told: Path) -> int:
    """Fork; the child's lines go to a file. Returns its number."""
    pid = os.fork()
    if pid:
        return pid
    status = 70
    try:
        with told.open("a", encoding="utf-8") as stream, contextlib.redirect_stdout(stream):
            status = work()
    finally:
        os._exit(status)
    return 0


def add(folder: Path, target: Path) -> int:
    return main(["archive", "add", str(folder), "--archive", str(target), "--year", "2026"])


def finish(folder: Path, target: Path, told: Path) -> None:
    _, status = os.waitpid(child(lambda: add(folder, target), told), 0)
    assert os.waitstatus_to_exitcode(status) == 0, told.read_text()


def looked_at(target: Path, told: Path) -> int:
    """Check everything that has to hold at any moment; returns the number of rows."""
    found = archive.check(target, TODAY)
    assert found.sound, found.findings
    rows = archive.read(target).rows
    sources = [row.entry.source for row in rows]
    assert len(set(sources)) == len(sources), "a row twice"
    there = {f"row {row.number}, {row.code}" for row in rows}
    for line in told.read_text(encoding="utf-8").splitlines():
        _, _, what = line.partition(": ")
        assert not what.startswith("row ") or what in there, f"lost: {line}"
    codes = archive.read_codes(archive.codes_of(target)).codes
    assert {row.code for row in rows} <= codes
    if target.exists():
        read_view(target)
    return len(rows)


def remembered() -> None:
    """Evaluate every file once only: kills then fall into the writing."""
    real, known = archive.evaluate_file, {}

    def evaluate(path, target, **more):
        if path.name not in known:
            known[path.name] = real(path, target, **more)
        return known[path.name]

    archive.evaluate_file = evaluate
    for path in archive.workbooks([Path(sys.argv[2])], Path("none")):
        evaluate(path, None, trials=0)


def kill(folder: Path, rounds: int, seed: int, real: bool) -> None:
    rng = random.Random(seed)
    if real:
        # what every child would load anew before it does anything
        archive.evaluate_file(next((folder / "before").iterdir()), None, trials=0)
    else:
        remembered()
    base = folder / "base"
    base.mkdir()
    finish(folder / "before", base / "D.xlsx", base / "told")
    count = len(archive.read(base / "D.xlsx").rows)
    files = len(list((folder / "after").iterdir()))
    start = time.perf_counter()
    trial = folder / "trial"
    shutil.copytree(base, trial)
    finish(folder / "after", trial / "D.xlsx", trial / "told")
    usual = time.perf_counter() - start
    killed = 0
    rows_then = []
    for number in range(rounds):
        place = folder / f"round {number}"
        shutil.copytree(base, place)
        target, told = place / "D.xlsx", place / "told"
        pid = child(lambda target=target: add(folder / "after", target), told)
        time.sleep(rng.uniform(0.0, usual))
        os.kill(pid, signal.SIGKILL)
        _, status = os.waitpid(pid, 0)
        killed += os.WIFSIGNALED(status)
        rows_then.append(looked_at(target, told))
        assert rows_then[-1] >= count
        finish(folder / "after", target, told)
        assert looked_at(target, told) == count + files
        left = [p.name for p in place.iterdir() if p.suffix in (".part", ".sqlite-journal")]
        assert not left, left
        assert not archive.check(target, TODAY).findings
        shutil.rmtree(place)
    print(json.dumps({"killed": killed, "rows": rows_then, "from": count, "to": count + files}))


def race(folder: Path) -> None:
    remembered()
    place = folder / "race"
    place.mkdir()
    target = place / "D.xlsx"
    tolds = [place / "told 0", place / "told 1"]
    works = [folder, folder / "after"]
    pids = [child(lambda w=w: add(w, target), t) for w, t in zip(works, tolds, strict=True)]
    for pid in pids:
        _, status = os.waitpid(pid, 0)
        assert os.waitstatus_to_exitcode(status) == 0
    files = len(list((folder / "before").iterdir())) + len(list((folder / "after").iterdir()))
    assert [looked_at(target, told) for told in tolds] == [files, files]
    assert not archive.check(target, TODAY).findings
    told = "".join(t.read_text(encoding="utf-8") for t in tolds)
    print(json.dumps({"rows": files, "told": told.count(": row ")}))


if __name__ == "__main__":
    if sys.argv[1] == "kill":
        kill(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]), sys.argv[5] == "real")
    else:
        race(Path(sys.argv[2]))
