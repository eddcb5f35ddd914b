"""Work and floor timed in turn, each with the peak memory of the processes that do it once."""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
import resource
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

WARM = 2
KILOBYTES = 1024.0
EVERY = 0.02
"""Seconds between two looks at the memory of all processes."""
LAUNCHER = Path(sys.executable).with_name("sheetlab")
"""Of the environment into which ``run.py`` installed it."""


@dataclass(frozen=True)
class Task:
    """A function of a module and its arguments: it can be done in another process too."""

    function: Callable[..., object]
    arguments: tuple[Any, ...] = ()
    children: bool = False
    """Whether processes that it starts do the work: their memory, added up, is what counts."""

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


@dataclass(frozen=True)
class Told:
    """A line of the table that compares nothing."""

    name: str
    tell: Callable[[bool], str]
    """What there is to say; whether it has to be quick."""


def once(task: Task) -> tuple[float, float]:
    """Seconds by the clock, and of processors, with those of processes that have ended."""
    start, before = time.perf_counter(), _busy()
    task()
    return time.perf_counter() - start, _busy() - before


def _busy() -> float:
    """Seconds of processors so far; ``os.times`` counts in hundredths of a second."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def memory_of(processes: list[psutil.Process]) -> float:
    """Memory of processes in MB; what they share is counted once, where the system tells."""
    total = 0.0
    for process in processes:
        with contextlib.suppress(psutil.Error):
            told = process.memory_full_info()
            total += getattr(told, "pss", told.rss) / KILOBYTES**2
    return total


def _peak(task: Task, channel: Any) -> None:
    if not task.children:
        task()
        channel.send(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / KILOBYTES)
        return
    itself, most, done = psutil.Process(), [0.0], threading.Event()

    def look() -> None:
        while not done.wait(EVERY):
            most[0] = max(most[0], memory_of(itself.children(recursive=True)))

    looking = threading.Thread(target=look)
    looking.start()
    task()
    done.set()
    looking.join()
    # of one process the system knows the peak, also between two looks
    largest = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / KILOBYTES
    channel.send(max(most[0], largest))


def peak(task: Task) -> float:
    """Peak memory in MB of a fresh process that does the task once.

    For a task that starts processes: that of all of them together.
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


def measured(case: Case | Told, rounds: int, quick: bool) -> str:
    """A line of the table; what takes long is done once if it has to be quick."""
    if isinstance(case, Told):
        return f"{case.name:<38} {case.tell(quick)}"
    count = 1 if quick and case.rounds else min(rounds, case.rounds or rounds)
    for _ in range(WARM if count > 1 else 0):
        case.work()
        case.floor()
    gc.collect()
    pairs = [(once(case.work), once(case.floor)) for _ in range(count)]
    ours, busy, theirs, floor_busy = (
        statistics.median(times) for times in zip(*(w + f for w, f in pairs), strict=True)
    )
    ratio, busy_ratio = (statistics.median(w[i] / f[i] for w, f in pairs) for i in (0, 1))
    memory = peak(case.work)
    floor_memory = "" if quick else f", {peak(case.floor):.0f} MB"
    more = case.more(ours, theirs)
    return (
        f"{case.name:<38} {shown(ours):>9} {shown(busy):>9} {memory:6.0f} MB  {ratio:6.2f} x "
        f"{busy_ratio:6.2f} x  "
        f"{case.what} ({shown(theirs)}, {shown(floor_busy)}{floor_memory})"
        + (f"; {more}" if more else "")
    )


def shown(seconds: float) -> str:
    return f"{seconds:.2f} s" if seconds >= 1.0 else f"{1e3 * seconds:.1f} ms"


def python(*arguments: str) -> None:
    """A fresh interpreter, as a user starts it."""
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)


def sheetlab(*arguments: str) -> None:
    """The installed command; it may find something (exit code 1)."""
    done = subprocess.run([str(LAUNCHER), *arguments], check=False, capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stderr[-2000:]


def modules() -> Iterator[str]:
    """Names of the files of benchmarks beside this one."""
    for path in sorted(Path(__file__).parent.glob("bench_*.py")):
        yield path.stem
