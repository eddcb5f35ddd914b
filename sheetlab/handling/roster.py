"""The list of groups."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, SheetlabError
from sheetlab.handling.tables import ListColumn, Row, read_first, refused
from sheetlab.practical.register import same_id

COLUMNS = (
    ListColumn("group", letters=200),
    ListColumn("setup", letters=200, optional=True),
    ListColumn("observers", letters=200, optional=True),
)
ROSTER = ("roster-refused", "the roster")
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
    rows = read_first(path, COLUMNS, *ROSTER, unused.append)
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
            what = f"names the group “{name}” twice (row {row.line})"
            raise SheetlabError(refused(*ROSTER, what, "each group once", row.place))
        seen |= keys
        groups[name] = Group(name, row.text("setup"), row.text("observers"))
    if tell is not None:
        for note in notes:
            tell(note)
    if not 1 <= len(groups) <= MAX_GROUPS:
        what, expected = "names no group", "one group a row"
        if groups:
            what, expected = "has too many groups", f"up to {MAX_GROUPS}"
        raise SheetlabError(refused(*ROSTER, what, expected, Place(path.name)))
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
    return Finding(
        "roster-row",
        Severity.DOUBTFUL,
        f"row {row.line} of the roster names no group ({texts}) and was passed over",
        "a group in each row",
        "Write the group's name into the row, or delete it.",
        row.place,
    )


def _unused(path: Path, headings: Sequence[str]) -> Finding:
    some = ", ".join(f"“{name[:40]}”" for name in headings[:MOST_NAMED])
    more = len(headings) - MOST_NAMED
    return Finding(
        "roster-columns",
        Severity.NOTE,
        f"these columns of the roster were not used: {some}" + (f" and {more} more" * (more > 0)),
        f"the headings {', '.join(column.title for column in COLUMNS)}; capitals, spaces and "
        "hyphens do not matter",
        "If one of them is meant, give it that heading.",
        Place(path.name),
    )
