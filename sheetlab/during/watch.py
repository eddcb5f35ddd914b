"""Watch the folder in which the benches save: files, clock and terminal. Nothing is written there.

What a row says and in which order rows stand is worked out in ``benches``.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TextIO

from msgspec import Struct, field

from sheetlab.during.benches import SETTLE, Board, cut, one_line, table
from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.folders import scan
from sheetlab.handling.workers import Call, each
from sheetlab.workbook.evaluate_file import FileOutcome, evaluate_file

TICK = 0.25
POLL = 2.0
"""Seconds between looks where no events come."""
RESCAN = 60.0
"""Seconds between looks whatever events come: shares do not tell of every change."""
AFTER = 3.0
"""Seconds from an event to one more look: a share may tell of a change before it shows it."""


def show_once(folder: Path, out: TextIO) -> None:
    """Print the table as things stand.

    Raises
    ------
    SheetlabError
        If there is no such folder.
    """
    _refuse_missing(folder)
    watcher = _Watcher(folder)
    watcher.look(time.monotonic(), final=True)
    for line in watcher.lines(_size().columns):
        print(line, file=out)


def watch(folder: Path, out: TextIO, poll: bool = False) -> None:
    """Show the table, and show it anew whenever it changes, until Ctrl-C.

    Parameters
    ----------
    poll
        Look every ``POLL`` seconds instead of waiting for events.

    Raises
    ------
    SheetlabError
        If there is no such folder to begin with. One that vanishes later is waited for.
    """
    _refuse_missing(folder)
    watcher, screen = _Watcher(folder), _Screen(folder, out)
    with contextlib.suppress(KeyboardInterrupt):
        watcher.look(time.monotonic())
        screen.show(watcher)
        shown = _state(watcher)
        due = time.monotonic() + RESCAN
        for told in _hints(folder, poll):
            now = time.monotonic()
            if told or now >= due:
                due = now + (AFTER if told else RESCAN)
                watcher.look(now)
            elif watcher.board.waits(now):
                watcher.look(now)
            # the table is made only where it can be another one: most of the time nobody saves
            if (state := _state(watcher)) != shown:
                shown = state
                screen.show(watcher)
    print("\nStopped watching; nothing in the folder was changed.", file=out, flush=True)


class _Watcher(Struct):
    folder: Path
    board: Board = field(default_factory=Board)
    lost: tuple[str, ...] = ()
    lost_at: datetime | None = None
    looks: int = 0

    def look(self, now: float, final: bool = False) -> None:
        """See which files there are, and read those that are due.

        Parameters
        ----------
        now
            Seconds of a steady clock.
        final
            There will be no other look: what cannot be read is said at once.
        """
        files, self.lost = scan(self.folder)
        self.lost_at = (self.lost_at or datetime.now()) if self.lost else None
        # at the start the files are as old as they look, and nobody waits for them to settle
        settle = SETTLE if self.looks else 0.0
        self.looks += 1
        due = list(self.board.see(files, self.lost, now, settle))
        outcomes = each(Call(_outcome, _lost), [self.folder / file for file in due])
        for file, outcome in zip(due, outcomes, strict=True):
            self.board.took(file, _clock(files[file][0]), outcome, now, final)

    def lines(self, width: int, height: int | None = None) -> list[str]:
        """The table as things stand."""
        notice = ""
        if self.lost and self.lost_at is not None:
            which = f"“{one_line(self.lost[0])}”" if self.lost[0] else "The folder"
            notice = f"{which} cannot be reached since {self.lost_at:%H:%M}; its rows are old."
        return table(self.board.benches(), width, datetime.now(), notice, height)


def _outcome(path: Path) -> FileOutcome:
    return evaluate_file(path, None, trials=0)


def _lost(path: Path, why: Finding) -> FileOutcome:
    return FileOutcome(path, None, (why.at(Place(path.name)),), None)


class _Screen(Struct):
    """Draws in place on a terminal; elsewhere prints each change below the last."""

    folder: Path
    out: TextIO
    shown: list[str] = field(default_factory=list)

    def show(self, watcher: _Watcher) -> None:
        size = _size()
        if not self.out.isatty():
            lines = watcher.lines(size.columns)
            if lines != self.shown:
                print(f"--- {datetime.now():%H:%M:%S} ---", *lines, sep="\n", file=self.out)
                self.out.flush()
            self.shown = lines
            return
        # the last column and the last line stay free: some terminals would scroll
        head = f"{datetime.now():%H:%M}, Ctrl-C ends; {one_line(str(self.folder))}"
        width = max(size.columns - 1, 1)
        lines = [cut(head, width), *watcher.lines(width, size.lines - 2)]
        if lines == self.shown:
            return
        if not self.shown:
            if os.name == "nt":
                os.system("")  # makes an old console understand the codes below
            self.out.write("\x1b[2J")
        self.out.write("\x1b[H" + "".join(f"{line}\x1b[K\n" for line in lines) + "\x1b[J")
        self.out.flush()
        self.shown = lines


def _hints(folder: Path, poll: bool) -> Iterator[bool]:
    """Several times a second: whether it is time to look at the folder."""
    while True:
        if not poll:
            # a folder that is not there, a share without events, a limit of the system
            with contextlib.suppress(OSError, RuntimeError):
                yield from _events(folder)
        ends = time.monotonic() + POLL
        while time.monotonic() < ends:
            time.sleep(TICK)
            yield False
        yield True


def _events(folder: Path) -> Iterator[bool]:
    """Whether the system told of a change; ends when the folder is no longer the same one."""
    from watchfiles import watch as changes

    watched = _identity(folder)
    told = True  # whatever happened before the watch began
    for found in changes(
        folder,
        watch_filter=None,
        debounce=500,
        rust_timeout=int(1000 * TICK),
        yield_on_timeout=True,
    ):
        yield told or bool(found)
        told = False
        if _identity(folder) != watched:
            return


def _identity(folder: Path) -> tuple[int, int]:
    found = folder.stat()
    return found.st_dev, found.st_ino


def _state(watcher: _Watcher) -> tuple[int, str, os.terminal_size]:
    """What the table on the screen depends on."""
    return watcher.looks, f"{datetime.now():%d %H:%M}", _size()


def _clock(ns: int) -> datetime:
    try:
        return datetime.fromtimestamp(ns / 1e9)
    except (OverflowError, OSError, ValueError):  # a share's nonsense
        return datetime(1970, 1, 1)


def _size() -> os.terminal_size:
    return shutil.get_terminal_size()


def _refuse_missing(folder: Path) -> None:
    if not folder.is_dir():
        raise SheetlabError(finding("no-files_watched", Severity.STOP, folder=str(folder)))
