"""The list of groups."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError, finding
from sheetlab.handling.tables import ListColumn, Row, read_first
from sheetlab.practical.register import same_id

COLUMNS = (
    ListColumn("group", letters=200),
    ListColumn("setup", letters=200, optional=True),
    ListColumn("observers", letters=200, optional=True),
)
MAX_GROUPS = 1000
_MAX_NAME = 60


class Group(Struct, frozen=True):
    """A group as the roster names it."""

    name: str
    setup: str = ""
    observers: str = ""


def read_roster(path: Path, tell: Callable[[Finding], None] | None = None) -> tuple[Group, ...]:
    """Groups of a roster: a heading row with “group”, and “setup”, “observers” if wanted.

    Parameters
    ----------
    tell
        Takes notes on columns that were not used, and rows that name no group.

    Raises
    ------
    SheetlabError
        If the file cannot be read, has no column “group”, or names a group twice.
    """
    unused: list[str] = []
    rows = read_first(path, COLUMNS, "roster-refused", unused.append)
    notes = [_unused(path, unused)] if unused else []
    groups: dict[str, Group] = {}
    seen: set[str] = set()
    for row in rows:
        name = row.text("group")
        if not name:
            notes.append(_no_group(row))
            continue
        # neither two files of one name, nor two groups that count as one
        keys = {file_part(name).casefold(), same_id(name)} - {""}
        if keys & seen:
            raise _refused("roster-refused_twice", row.place, group=name, row=row.line)
        seen |= keys
        groups[name] = Group(name, row.text("setup"), row.text("observers"))
    if tell is not None:
        for note in notes:
            tell(note)
    if not groups:
        raise _refused("roster-refused_none", Place(path.name))
    if len(groups) > MAX_GROUPS:
        raise _refused("roster-refused_many", Place(path.name), most=MAX_GROUPS)
    return tuple(groups.values())


def group_key(name: str) -> str:
    """A group's name as it is compared: as labels are, or as it stands if only signs are in it."""
    return same_id(name) or former_group_key(name)


def former_group_key(name: str) -> str:
    """A group's name as it was compared before spaces and signs were ignored."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def file_part(name: str) -> str:
    """A group's name as part of a file name: letters, digits, space, - and _ only."""
    plain = unicodedata.normalize("NFC", name)
    safe = re.sub(r"[^\w -]+", "_", plain).strip(" _.")
    return safe[:_MAX_NAME].strip() or "group"


def _no_group(row: Row) -> Finding:
    texts = ", ".join(f"“{str(value)[:40]}”" for value in row.values.values())
    return finding("roster-row", Severity.DOUBTFUL, row.place, row=row.line, texts=texts)


def _unused(path: Path, names: Sequence[str]) -> Finding:
    unused = tuple(f"“{name[:40]}”" for name in names)
    headings = ", ".join(column.title for column in COLUMNS)
    place = Place(path.name)
    return finding("roster-columns", Severity.NOTE, place, unused=unused, headings=headings)


def _refused(message: str, place: Place, **values: Any) -> SheetlabError:
    return SheetlabError(finding(message, Severity.STOP, place, **values))
