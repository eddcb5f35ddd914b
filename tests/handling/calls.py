"""Work for helpers in other processes: some of it kills them. They import this module."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from sheetlab.handling.workers import Call

POISON, ONCE = 57, 300


def square(one: int) -> int:
    return one * one


def lost(one: int) -> int:
    return -one


def deadly(one: tuple[int, Path]) -> int:
    """Every process that takes the one number dies; at the other only the first."""
    number, flag = one
    if number == POISON:
        os.kill(os.getpid(), signal.SIGKILL)
    if number == ONCE and not flag.exists():
        flag.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.001)
    return number * number


def deadly_lost(one: tuple[int, Path]) -> int:
    return -one[0]


def slow(one: int) -> int:
    time.sleep(0.05)
    return one * one


SQUARE = Call(square, lost)
DEADLY = Call(deadly, deadly_lost)
SLOW = Call(slow, lost)
