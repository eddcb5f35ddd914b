"""The list of groups: a CSV file as a spreadsheet program saves it."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from sheetlab.finding import Finding, Place, Severity, SheetlabError

COLUMNS = ("group", "setup", "observers")
MAX_GROUPS = 1000
_MAX_NAME = 60


@dataclass(frozen=True, slots=True)
class Group:
    """A group as the roster names it."""

    name: str
    setup: str = ""
    observers: str = ""


def read_roster(path: Path) -> tuple[Group, ...]:
    """Groups of a roster: a heading row with “group”, and “setup”, “observers” if wanted.

    Comma, semicolon or tab may separate the columns.

    Raises
    ------
    SheetlabError
        If the file cannot be read, has no column “group”, or names a group twice.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        text = path.read_text(encoding="cp1252", errors="replace")
    except OSError as error:
        raise SheetlabError(
            _refused(path, f"cannot be read: {error.strerror}", "a CSV file")
        ) from error
    first = text.splitlines()[0] if text.strip() else ""
    separator = max(",;\t", key=first.count)
    rows = list(csv.reader(io.StringIO(text), delimiter=separator))
    head = [name.strip().lower().replace("-", "") for name in rows[0]] if rows else []
    if "group" not in head:
        raise SheetlabError(
            _refused(path, "has no column “group” in its first row", ", ".join(COLUMNS))
        )
    groups: dict[str, Group] = {}
    for number, row in enumerate(rows[1:], 2):
        values = {name: value.strip() for name, value in zip(head, row, strict=False)}
        name = values.get("group", "")
        if not name:
            continue
        key = file_part(name).casefold()
        if key in groups:
            raise SheetlabError(
                _refused(path, f"names the group “{name}” twice (row {number})", "each group once")
            )
        groups[key] = Group(name, values.get("setup", ""), values.get("observers", ""))
        if len(groups) > MAX_GROUPS:
            raise SheetlabError(_refused(path, "has too many groups", f"up to {MAX_GROUPS}"))
    if not groups:
        raise SheetlabError(_refused(path, "names no group", "one group a row"))
    return tuple(groups.values())


def file_part(name: str) -> str:
    """A group's name as part of a file name: letters, digits, space, - and _ only."""
    plain = unicodedata.normalize("NFC", name)
    safe = re.sub(r"[^\w -]+", "_", plain).strip(" _.")
    return safe[:_MAX_NAME].strip() or "group"


def _refused(path: Path, what: str, expected: str) -> Finding:
    return Finding(
        "roster-refused",
        Severity.STOP,
        f"the roster {what}",
        expected,
        "Correct the roster and try again; nothing was issued.",
        Place(path.name),
    )
