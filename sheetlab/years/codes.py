"""The list of codes: the only place that knows which group is behind a code; it can be deleted."""

from __future__ import annotations

import csv
import datetime
import io
import os
import tempfile
from pathlib import Path

from msgspec import Struct, field

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.roster import group_key
from sheetlab.handling.tables import guarded, unguarded
from sheetlab.workbook.package import write_atomically
from sheetlab.years.database import tidy
from sheetlab.years.ledger import clean

KEY_COLUMNS = ("code", "year", "group")


def codes_of(archive: Path) -> Path:
    """The usual list of codes of an archive."""
    return archive.with_name(f"{archive.stem} codes.csv")


def last_day(year: int) -> datetime.date:
    """The day to which codes are kept if nothing else is said: the end of the following year."""
    return datetime.date(year + 1, 12, 31)


class KeyList(Struct):
    """Which group is behind a code."""

    path: Path
    groups: dict[tuple[int, str], str] = field(default_factory=dict)
    """Code by year and ``group_key``."""
    names: dict[str, tuple[int, str]] = field(default_factory=dict)
    """Year and name by code: all codes that the list explains."""
    changed: bool = False

    def find(self, year: int, group: str) -> str:
        """The code of a group; empty if it has none."""
        return self.groups.get((year, group_key(clean(group))), "")

    def keep(self, year: int, group: str, code: str) -> None:
        """Note the code of a group; of two given by an earlier sheetlab the first is its own."""
        self.groups.setdefault((year, group_key(clean(group))), code)
        self.names[code] = (year, clean(group))
        self.changed = True

    def forget(self, codes: set[str]) -> int:
        """Take the names behind codes away; returns how many there were."""
        before = len(self.names)
        self.groups = {key: code for key, code in self.groups.items() if code not in codes}
        self.names = {code: its for code, its in self.names.items() if code not in codes}
        self.changed = len(self.names) < before
        return before - len(self.names)

    def try_folder(self) -> None:
        """Refuse a list that could not be saved where it is to lie, before anything is begun."""
        try:
            with tempfile.TemporaryFile(dir=Path(os.path.realpath(self.path)).parent):
                pass
        except OSError as error:
            raise SheetlabError(not_saved(self.path, error)) from error

    def save(self) -> None:
        """Write the list if it has changed."""
        if not self.changed:
            return
        buffer = io.StringIO(newline="")
        writer = csv.writer(buffer)
        writer.writerow(KEY_COLUMNS)
        for code, (year, group) in self.names.items():
            writer.writerow([code, year, guarded(group)])
        tidy(self.path)
        write_atomically(self.path, buffer.getvalue().encode("utf-8-sig"))
        self.changed = False


def read_codes(path: Path) -> KeyList:
    """The list of codes in a file; an empty one if there is no file.

    Raises
    ------
    SheetlabError
        If the file is something else, or cannot be read.
    """
    found = KeyList(path)
    if path.suffix.lower() != ".csv":
        raise SheetlabError(key_list_refused(path, "its name does not end in .csv"))
    if not path.exists():
        return found
    try:
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
        if tuple(rows[0]) != KEY_COLUMNS:
            raise ValueError(f"its first row is not {', '.join(KEY_COLUMNS)}")
        for code, year, group in filter(None, rows[1:]):
            name = unguarded(group)
            found.keep(int(year), name, clean(code))
    except (OSError, ValueError, IndexError, csv.Error) as error:
        raise SheetlabError(key_list_refused(path, str(error))) from error
    found.changed = False
    return found


def key_list_refused(path: Path, why: str) -> Finding:
    """Why a file is no list of codes."""
    return finding(
        "key-list-refused", Severity.STOP, Place(path.name), name=path.name, why=clean(why),
        columns=KEY_COLUMNS,
    )  # fmt: skip


def not_saved(path: Path, error: OSError) -> Finding:
    """That a list of codes cannot be written."""
    return key_list_refused(path, f"it cannot be written: {error.strerror or error}")
