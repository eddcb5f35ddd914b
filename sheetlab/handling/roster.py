"""The list of groups: a CSV file as a spreadsheet program saves it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.handling.tables import read_csv, refused
from sheetlab.practical.register import same_id

COLUMNS = ("group", "setup", "observers")
MAX_GROUPS = 1000
MOST_NAMED = 8
_MAX_NAME = 60


class Group(Struct, frozen=True):
    """A group as the roster names it."""

    name: str
    setup: str = ""
    observers: str = ""


def read_roster(path: Path, tell: Callable[[Finding], None] | None = None) -> tuple[Group, ...]:
    """Groups of a roster: a heading row with “group”, and “setup”, “observers” if wanted.

    Comma, semicolon or tab may separate the columns.

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
    rows = read_csv(path, "roster-refused", "the roster", COLUMNS[:1], COLUMNS[1:], unused)
    if unused and tell is not None:
        tell(_unused(path, unused))
    groups: dict[str, Group] = {}
    seen: set[str] = set()
    for number, values in rows:
        name = values["group"]
        if not name:
            if tell is not None and any(values.values()):
                tell(_no_group(path, number, [text for text in values.values() if text]))
            continue
        # neither two files of one name, nor two groups that count as one
        keys = {file_part(name).casefold(), same_id(name)} - {""}
        if keys & seen:
            raise SheetlabError(
                _refused(path, f"names the group “{name}” twice (row {number})", "each group once")
            )
        seen |= keys
        groups[name] = Group(name, values["setup"], values["observers"])
        if len(groups) > MAX_GROUPS:
            raise SheetlabError(_refused(path, "has too many groups", f"up to {MAX_GROUPS}"))
    if not groups:
        raise SheetlabError(_refused(path, "names no group", "one group a row"))
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


def _no_group(path: Path, number: int, texts: Sequence[str]) -> Finding:
    return Finding(
        "roster-row",
        Severity.DOUBTFUL,
        f"row {number} of the roster names no group ({', '.join(f'“{t[:40]}”' for t in texts)}) "
        "and was passed over",
        "a group in each row",
        "Write the group's name into the row, or delete it.",
        Place(path.name),
    )


def _unused(path: Path, headings: Sequence[str]) -> Finding:
    some = ", ".join(f"“{name[:40]}”" for name in headings[:MOST_NAMED])
    more = len(headings) - MOST_NAMED
    return Finding(
        "roster-columns",
        Severity.NOTE,
        f"these columns of the roster were not used: {some}" + (f" and {more} more" * (more > 0)),
        f"the headings {', '.join(COLUMNS)}; capitals, spaces and hyphens do not matter",
        "If one of them is meant, give it that heading.",
        Place(path.name),
    )


def _refused(path: Path, what: str, expected: str) -> Finding:
    return refused("roster-refused", "the roster", path, what, expected)
