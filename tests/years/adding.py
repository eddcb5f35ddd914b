"""Processes that add to an archive, killed at random moments or racing; run as a script.

``adding.py FOLDER ROUNDS SEED real`` (or ``remembered``: every file is evaluated once, and the
kills fall into the writing; or ``helped``: helpers evaluate); then two race. FOLDER has the folders
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
from sheetlab.handling import workers
from sheetlab.years import adding
from sheetlab.years.adding import workbooks
from sheetlab.years.checking import check
from sheetlab.years.codes import codes_of, read_codes
from sheetlab.years.database import read

TODAY = datetime.date.today()
adding.BATCH = 2  # several commits in one run


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


def looked_at(target: Path, told: Path, whole: bool = False) -> int:
    """Check everything that has to hold at any moment, and (whole) after an undisturbed run.

    Returns the number of rows.
    """
    found = check(target, TODAY)
    assert found.sound, found.findings
    rows = read(target).rows
    sources = [row.source for row in rows]
    assert len(set(sources)) == len(sources), "a row twice"
    there = {f"row {row.number}, {row.code}" for row in rows}
    for line in told.read_text(encoding="utf-8").splitlines():
        _, _, what = line.partition(": ")
        assert not what.startswith("row ") or what in there, f"lost: {line}"
    codes = read_codes(codes_of(target)).names.keys()
    assert {row.code for row in rows} <= codes
    if whole:
        assert found.findings == ()
    else:
        # an old view, or none yet, but never one that cannot be read
        assert not [f for f in found.findings if "cannot be read" in f.found]
    return len(rows)


def remembered() -> None:
    """Evaluate every file once only: kills then fall into the writing."""
    real, known = adding.assess_file, {}

    def evaluate(path, **more):
        if path.name not in known:
            known[path.name] = real(path, **more)
        return known[path.name]

    adding.assess_file = evaluate
    for path in workbooks([Path(sys.argv[1])], Path("none")):
        evaluate(path, trials=0)


def helped() -> bool:
    return sys.argv[4] == "helped"


def kill(folder: Path, rounds: int, seed: int, real: bool) -> dict[str, object]:
    rng = random.Random(seed)
    if real or helped():
        # what every child would load anew before it does anything
        adding.assess_file(next((folder / "before").iterdir()), trials=0)
    else:
        remembered()
    base = folder / "base"
    base.mkdir()
    finish(folder / "before", base / "D.sqlite", base / "told")
    count = len(read(base / "D.sqlite").rows)
    files = len(list((folder / "after").iterdir()))
    trial = folder / "trial"
    shutil.copytree(base, trial)
    usual = timed(lambda: finish(folder / "after", trial / "D.sqlite", trial / "told"))
    rows_then: list[int] = []
    tries = 0
    while len(rows_then) < rounds:
        tries += 1
        assert tries <= 10 * rounds, "children end before they are killed"
        place = folder / f"round {tries}"
        shutil.copytree(base, place)
        target, told = place / "D.sqlite", place / "told"
        pid = child(lambda target=target: add(folder / "after", target), told)
        time.sleep(rng.uniform(0.0, usual))
        os.kill(pid, signal.SIGKILL)
        _, status = os.waitpid(pid, 0)
        if not os.WIFSIGNALED(status):
            # too late: another process was busy when the usual time was taken
            usual *= 0.9
            shutil.rmtree(place)
            continue
        rows_then.append(looked_at(target, told))
        assert rows_then[-1] >= count
        again = timed(lambda target=target, told=told: finish(folder / "after", target, told))
        if rows_then[-1] == count:
            # all was still to do
            usual = again
        assert looked_at(target, told, whole=True) == count + files
        left = [p.name for p in place.iterdir() if p.suffix in (".part", ".sqlite-journal")]
        assert not left, left
        shutil.rmtree(place)
    return {"rows": rows_then, "from": count, "to": count + files}


def timed(work: Callable[[], None]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def race(folder: Path) -> dict[str, object]:
    place = folder / "race"
    place.mkdir()
    target = place / "D.sqlite"
    tolds = [place / "told 0", place / "told 1"]
    works = [folder / "after", folder / "both"]
    pids = [child(lambda w=w: add(w, target), t) for w, t in zip(works, tolds, strict=True)]
    for pid in pids:
        _, status = os.waitpid(pid, 0)
        assert os.waitstatus_to_exitcode(status) == 0
    files = len(list((folder / "before").iterdir())) + len(list((folder / "after").iterdir()))
    assert [looked_at(target, told, whole=True) for told in tolds] == [files, files]
    told = "".join(t.read_text(encoding="utf-8") for t in tolds)
    return {"rows": files, "told": told.count(": row ")}


if __name__ == "__main__":
    where, rounds, seed, how = sys.argv[1:]
    if helped():
        workers.FEW = dict.fromkeys(workers.FEW, 0)
    raced = race(Path(where)) if how != "remembered" else None
    killed = kill(Path(where), int(rounds), int(seed), how == "real")
    print(json.dumps({**killed, "raced": raced or race(Path(where))}))
