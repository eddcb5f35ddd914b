"""Functions for cells: 200 calls as the office makes them when a sheet is worked out anew."""

from __future__ import annotations

import json
import multiprocessing
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from measure import Case, Task

from sheetlab.live.functions import ROWS

CELLS = 200
ECHO = "import sys\nfor line in sys.stdin:\n    sys.stdout.write(line)\n    sys.stdout.flush()\n"


@cache
def started(*command: str) -> subprocess.Popen[str]:
    """A process that answers line by line, as the office keeps it; it ends with this one."""
    return subprocess.Popen(
        [sys.executable, *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


@cache
def requests() -> tuple[str, ...]:
    """Calls of every function in turn, with the arguments of its first worked line."""
    lines = [
        json.dumps({"do": "call", "name": one.id, "values": _cells(one.examples[0].arguments)})
        for one in ROWS
    ]
    return tuple(lines[i % len(lines)] for i in range(CELLS))


def _cells(arguments: tuple[object, ...]) -> list[object]:
    return [
        [[v] if not isinstance(v, tuple) else list(v) for v in one]
        if isinstance(one, tuple)
        else one
        for one in arguments
    ]


def ask(command: tuple[str, ...], greets: bool) -> None:
    process = started(*command)
    assert process.stdin is not None
    assert process.stdout is not None
    if greets and not hasattr(process, "greeted"):
        process.stdout.readline()
        process.greeted = True  # type: ignore[attr-defined]
    for line in requests():
        process.stdin.write(line + "\n")
        process.stdin.flush()
        answer = process.stdout.readline()
        assert answer, command
    if multiprocessing.parent_process() is not None:
        # memory of children is counted when they have ended
        process.stdin.close()
        process.wait()


def cases(folder: Path, most: int) -> Iterator[Case]:
    work = Task(ask, (("-m", "sheetlab.live.calc.server"), True), children=True)
    floor = Task(ask, (("-c", ECHO), False), children=True)
    yield Case(f"{CELLS} cells, every function", work, floor, "a process that sends the same back")
