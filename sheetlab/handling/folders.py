"""Which workbooks lie in a folder and below it: one answer for all who ask."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from sheetlab.handling.batch import DEFAULT_FOLDER, workbooks_among

DEEPEST = 8
"""Levels of folders below the first one; a link in a circle ends there."""
Stamp = tuple[int, ...]
"""What changes when a file is saved: times and size."""


def scan(folder: Path) -> tuple[dict[str, Stamp], tuple[str, ...]]:
    """Workbooks in a folder and below it, and the folders that could not be looked into.

    Left out are lock files, hidden and temporary ones by their names, and folders of evaluated
    copies. Paths are those below the folder with “/”; the first number of a stamp is the time of
    the last change in ns.
    """
    files: dict[str, Stamp] = {}
    lost: list[str] = []
    waiting = [("", 0)]
    while waiting:
        below, depth = waiting.pop()
        try:
            with os.scandir(folder / below) as listing:
                entries = sorted(listing, key=lambda entry: entry.name)
        except OSError as error:
            if not below or not isinstance(error, FileNotFoundError):
                lost.append(below)
            continue
        known = workbooks_among(entry.name for entry in entries)
        for entry in entries:
            name = f"{below}/{entry.name}" if below else entry.name
            if entry.name.startswith((".", "~")):
                continue
            with contextlib.suppress(OSError):  # gone since it was listed
                if entry.is_dir(follow_symlinks=False):
                    if depth < DEEPEST and entry.name != DEFAULT_FOLDER:
                        waiting.append((name, depth + 1))
                elif entry.name in known:
                    # asked of the file: a listing may hold an old state while the file is open
                    found = os.stat(entry.path)
                    if stat.S_ISREG(found.st_mode):
                        files[name] = (found.st_mtime_ns, found.st_size, found.st_ctime_ns)
    return files, tuple(lost)
