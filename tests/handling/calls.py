"""Work for helpers in other processes: some of it kills them. They import this module."""

from __future__ import annotations

import os
import signal
import time
from collections import deque
from itertools import repeat
from pathlib import Path

from sheetlab.finding import Finding
from sheetlab.handling.workers import Call

POISON, ONCE = 57, 300
STUCK_AT = (3, 4, 11)


def square(one: int) -> int:
    return one * one


def lost(one: int, why: Finding) -> int:
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


def deadly_lost(one: tuple[int, Path], why: Finding) -> int:
    return -one[0]


def stuck(one: int) -> int:
    """Some hang, in a compiled loop in which no other thread of Python runs, and no signal."""
    if one in STUCK_AT:
        hang()
    return one * one


def hang() -> None:
    deque(repeat(None), maxlen=0)


def stuck_lost(one: int, why: Finding) -> tuple[int, str]:
    return one, why.code


def slow(one: int) -> int:
    time.sleep(0.05)
    return one * one


SQUARE = Call(square, lost)
DEADLY = Call(deadly, deadly_lost)
SLOW = Call(slow, lost)
STUCK: Call[int, object] = Call(stuck, stuck_lost)
