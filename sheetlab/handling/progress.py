"""How far a long run has got, on a terminal or in a log; standard error is left for it."""

from __future__ import annotations

import time
from typing import TextIO

from msgspec import Struct

ON_TERMINAL, IN_LOG = 0.2, 60.0
"""Seconds between two lines."""
WARM = 5.0
"""Seconds before a forecast means anything."""


class Meter(Struct):
    """Tells how many of how many workbooks are done, and how long the rest takes.

    On a terminal one line that changes; elsewhere a line a minute: a short run says nothing, and
    nothing is said of a single workbook.
    """

    out: TextIO
    what: str = "evaluated"
    """What is done with a workbook."""
    begun: float = 0.0
    told: float = 0.0
    open: bool = False
    """Whether the line on the terminal is not ended yet."""

    def __post_init__(self) -> None:
        self.begun = self.told = time.monotonic()

    def __call__(self, done: int, of: int) -> None:
        """Take note, and say so now and then."""
        if of == 1:
            return
        now = time.monotonic()
        terminal = self.out.isatty()
        last = done == of
        if now - self.told < (ON_TERMINAL if terminal else IN_LOG) and not (last and terminal):
            return
        self.told = now
        text = f"{done} of {of} workbooks {self.what}"
        spent = now - self.begun
        if not last and done and spent > WARM:
            text += f", about {duration(spent / done * (of - done))} left"
        if terminal:
            # the rest of a longer line is wiped
            print(f"\r{text}\x1b[K", end="\n" if last else "", file=self.out, flush=True)
            self.open = not last
        else:
            print(text, file=self.out, flush=True)

    def end(self) -> None:
        """Wipe a line that is not ended, so that what is said next has one of its own."""
        if self.open:
            print("\r\x1b[K", end="", file=self.out, flush=True)
            self.open = False


def duration(seconds: float) -> str:
    """A time as people say it: ``40 s``, ``12 min``, ``3 h 20 min``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"
