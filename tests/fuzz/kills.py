"""Kill programs that save, at any moment; ``python tests/fuzz/kills.py 1000``."""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from examples import filled

from sheetlab.before.issue import issue
from sheetlab.handling.batch import evaluate_files
from sheetlab.handling.folders import expand, scan
from sheetlab.practical.loader import catalogue, find_profile
from sheetlab.workbook import evaluate_file as module
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.reader import read_workbook

LONGEST = 0.12
"""Seconds after which a program is killed at the latest: several rounds of reading and saving."""


@contextlib.contextmanager
def remembered() -> Iterator[None]:
    """Work out each result and its sheets once: what is killed is reading and saving."""
    assess, write = module.assess, module.write_results
    known: dict[str, Any] = {}
    written: dict[str, bytes] = {}

    def assessed(*args: Any, profile: Any, **kwargs: Any) -> Any:
        if profile.id not in known:
            known[profile.id] = assess(*args[:2], 0, profile=profile, **kwargs)
        return known[profile.id]

    def sheets(assessment: Any, titles: Any) -> bytes:
        key = assessment.evaluation.profile.id
        if key not in written:
            written[key] = write(assessment, titles)
        return written[key]

    module.assess, module.write_results = assessed, sheets
    try:
        yield
    finally:
        module.assess, module.write_results = assess, write


def save(folder: Path, k: int) -> None:
    """Evaluate in place and into a folder, and issue."""
    source = folder / "a.xlsx"
    # stated in another way each time, so that there is something to save each time
    profile = find_profile(("gum", "school-maximum")[k % 2])
    assert evaluate_file(source, source, profile=profile, trials=0).written
    (other,) = evaluate_files([source], folder / "out", False, "", profile)
    assert other.written
    if k % 5 == 0:
        shutil.rmtree(folder / f"issued{k % 3}", ignore_errors=True)
        list(issue(catalogue(), "simple-pendulum", folder / f"issued{k % 3}"))


def hammer(folder: Path) -> None:
    """Only save, so that nearly every kill falls into it."""
    texts = [path.read_bytes() for path in (folder / "a.xlsx", folder / "a.xlsx.bak")]
    for k in itertools.count():
        write_atomically(folder / "a.xlsx", texts[k % 2])


def evaluate(folder: Path) -> None:
    for k in itertools.count():
        save(folder, k)


def look(folder: Path, values: object) -> list[str]:
    """What is wrong in a folder in which somebody was killed while saving."""
    wrong = []
    for path in folder.rglob("*"):
        if path.is_dir() or (path.name.startswith(".") and path.name.endswith(".part")):
            continue
        try:
            with zipfile.ZipFile(path) as archive:
                broken = archive.testzip()
            read = read_workbook(path)
        except Exception as error:
            wrong.append(f"{path.name}: {error!r}")
            continue
        if broken:
            wrong.append(f"{path.name}: {broken}")
        if "issued" not in path.parent.name and typed(read) != values:
            wrong.append(f"{path.name}: other readings")
    found = {p.name for p in expand([folder])} | set(scan(folder)[0])
    if not all(name.endswith(".xlsx") and not name.startswith(".") for name in found):
        wrong.append(f"litter is taken for workbooks: {found}")
    return wrong


def typed(read: Any) -> object:
    return {k: [e.value for e in v] for k, v in read.observations.entries.items()}


def kill_one(folder: Path, work: Callable[[Path], None], seconds: float) -> None:
    """Start a program that saves, and kill it after a while; POSIX only."""
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            work(folder)
        os._exit(1)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the program ended by itself"


def kills(count: int, seed: int = 7) -> tuple[Counter[str], list[str]]:
    """Counts of what each kill left behind, and everything that is wrong."""
    chance = random.Random(seed)
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "a.xlsx").write_bytes(filled("Avocet"))
        values = typed(read_workbook(folder / "a.xlsx"))
        with remembered():
            for k in range(2):
                save(folder, k)
            litter: set[Path] = set()
            for k in range(count):
                kill_one(folder, (evaluate, hammer)[k % 2], chance.uniform(0.0, LONGEST))
                now = set(folder.rglob(".*.part"))
                counts["killed"] += 1
                counts["killed while writing"] += bool(now - litter)
                litter = now
                wrong += [f"kill {k}: {text}" for text in look(folder, values)]
        # the next ordinary run finds nothing that is in its way
        assert evaluate_file(folder / "a.xlsx", folder / "a.xlsx", trials=0).written
    return counts, wrong


def main() -> None:
    counts, wrong = kills(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
    print(dict(counts), f"{len(wrong)} wrong", *wrong[:20], sep="\n")


if __name__ == "__main__":
    main()
