"""The command ``watch`` while nothing happens."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
from bench_class import make
from measure import LAUNCHER, Told, memory_of

BENCHES = 60
MINUTE, SHORT = 60.0, 6.0
"""Seconds of a whole look, and of a quick one."""
PAUSE, IDLE, READ, LONGEST = 6.0, 0.4, 1.5, 20
"""All is read when the processors did less than ``IDLE`` in ``PAUSE`` seconds, and ``READ`` before
that; looked at so many times at most."""


def busy(process: psutil.Process) -> float:
    """Seconds of processors so far, of a process and those that it started, ended ones too."""
    times = [one.cpu_times() for one in (process, *process.children(recursive=True))]
    return sum(one.user + one.system + one.children_user + one.children_system for one in times)


def quiet(folder: Path, quick: bool) -> str:
    with subprocess.Popen(
        [str(LAUNCHER), "watch", str(folder)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as child:
        process = psutil.Process(child.pid)
        for _ in range(LONGEST):
            before = busy(process)
            time.sleep(PAUSE)
            if before > READ and busy(process) - before < IDLE:
                break
        seconds, before = SHORT if quick else MINUTE, busy(process)
        time.sleep(seconds)
        used = (busy(process) - before) * MINUTE / seconds
        memory = memory_of([process, *process.children(recursive=True)])
        assert child.poll() is None, "the command has ended"
        child.terminate()
    return f"{used:9.2f} s of processor a minute, {memory:.0f} MB"


def cases(folder: Path, most: int) -> Iterator[Told]:
    made = folder / "benches"
    make(made, BENCHES)
    yield Told(f"watch, {BENCHES} quiet benches", lambda quick: quiet(made, quick))
