"""Work and floor timed in turn, each with the peak memory of a process that does it once."""

from __future__ import annotations

import gc
import multiprocessing
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

WARM = 2
MEGABYTE = 1024.0


@dataclass(frozen=True)
class Task:
    """A function of a module and its arguments: it can be done in another process too."""

    function: Callable[..., object]
    arguments: tuple[Any, ...] = ()
    children: bool = False
    """Whether processes that it starts do the work: their memory is what counts."""

    def __call__(self) -> object:
        return self.function(*self.arguments)


@dataclass(frozen=True)
class Case:
    """A line of the table: work and the floor it is compared with."""

    name: str
    work: Task
    floor: Task
    what: str
    """What the floor is, in words."""
    rounds: int = 0
    """Fewer rounds than usual, for what takes long; 0: as many as usual."""
    more: Callable[[float, float], str] = field(default=lambda work, floor: "")
    """What else there is to say, from the two times in seconds."""


def once(task: Task) -> float:
    start = time.perf_counter()
    task()
    return time.perf_counter() - start


def _peak(task: Task, channel: Any) -> None:
    task()
    of = resource.RUSAGE_CHILDREN if task.children else resource.RUSAGE_SELF
    channel.send(resource.getrusage(of).ru_maxrss / MEGABYTE)


def peak(task: Task) -> float:
    """Peak memory in MB of a fresh process that does the task once.

    For a task that starts processes: that of the largest of them.
    """
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_peak, args=(task, there))
    process.start()
    there.close()
    try:
        return float(here.recv())
    finally:
        process.join()


def measured(case: Case, rounds: int, quick: bool) -> str:
    """A line of the table; what takes long is done once if it has to be quick."""
    count = 1 if quick and case.rounds else min(rounds, case.rounds or rounds)
    for _ in range(WARM if count > 1 else 0):
        case.work()
        case.floor()
    gc.collect()
    pairs = [(once(case.work), once(case.floor)) for _ in range(count)]
    ours = statistics.median(a for a, _ in pairs)
    theirs = statistics.median(b for _, b in pairs)
    ratio = statistics.median(a / b for a, b in pairs)
    memory, floor_memory = peak(case.work), peak(case.floor)
    more = case.more(ours, theirs)
    return (
        f"{case.name:<38} {shown(ours):>9} {memory:6.0f} MB  {ratio:6.2f} x  "
        f"{case.what} ({shown(theirs)}, {floor_memory:.0f} MB)" + (f"; {more}" if more else "")
    )


def shown(seconds: float) -> str:
    return f"{seconds:.2f} s" if seconds >= 1.0 else f"{1e3 * seconds:.1f} ms"


def python(*arguments: str) -> None:
    """A fresh interpreter, as a user starts it."""
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)


def modules() -> Iterator[str]:
    """Names of the files of benchmarks beside this one."""
    for path in sorted(Path(__file__).parent.glob("bench_*.py")):
        yield path.stem
