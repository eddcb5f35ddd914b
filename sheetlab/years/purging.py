"""Codes, and the names behind them, taken away when their time is over; the results stay."""

from __future__ import annotations

import datetime
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding
from sheetlab.years.codes import codes_of, read_codes
from sheetlab.years.database import WAIT, expect, locked, rewrite
from sheetlab.years.renewing import changing, renew

DUE = "SELECT code FROM results WHERE code <> '' GROUP BY code HAVING MAX(keep_until) < ?"


class Due(Struct, frozen=True):
    """Codes of a year that are kept to one day."""

    year: int
    until: str
    """ISO date: the codes may go on the day after it."""
    codes: int
    rows: int


class Purged(Struct, frozen=True):
    """What a purge took away."""

    names: int
    rows: int
    waiting: int
    """Rows whose codes are not due."""
    due: tuple[Due, ...]
    """What was, or would be, taken away."""
    later: tuple[Due, ...]
    """What stays."""
    findings: tuple[Finding, ...]
    """Why workbooks of years still show the codes."""


def purge(
    archive: Path,
    today: datetime.date,
    codes: Path | None = None,
    wait: float = WAIT,
    dry: bool = False,
) -> Purged:
    """Take away the codes, and the names behind them, that need not be kept any longer.

    The results stay. A code that stands in several rows goes when the last of them is due.

    Parameters
    ----------
    dry
        Only find what would be taken away.

    Raises
    ------
    SheetlabError
        If there is no archive, it is damaged, it lacks rows that the workbooks beside it hold, or
        someone else does not let go of it.
    """
    expect(archive)
    with changing(archive, wait) as connection:
        keys = read_codes(codes or codes_of(archive))
        due = due_codes(connection, today)
        held = list(_held(connection))
        taken = tuple(one for one in held if one.until < today.isoformat())
        later = tuple(one for one in held if one.until >= today.isoformat())
        gone, waiting = (sum(one.rows for one in some) for some in (taken, later))
        names = keys.forget(due)
        if not dry:
            change = f"UPDATE results SET code = '', salt = '' WHERE code IN ({DUE})"
            connection.execute(change, (today.isoformat(),))
            # the names first: if this is cut short, the codes are there to find them again
            keys.save()
    if dry:
        return Purged(names, gone, waiting, taken, later, ())
    with locked(archive, wait):
        rewrite(archive)
    return Purged(names, gone, waiting, taken, later, tuple(renew(archive, wait)))


def due_codes(connection: sqlite3.Connection, today: datetime.date) -> set[str]:
    """Codes whose last row was to be kept to a day that is past."""
    return {code for (code,) in connection.execute(DUE, (today.isoformat(),))}


def _held(connection: sqlite3.Connection) -> Iterator[Due]:
    """Codes by year and the last day to which one of their rows is kept."""
    codes = (
        "SELECT MIN(year) AS year, MAX(keep_until) AS until, COUNT(*) AS rows FROM results "
        "WHERE code <> '' GROUP BY code"
    )
    query = (
        f"SELECT year, until, COUNT(*), SUM(rows) FROM ({codes}) GROUP BY year, until "
        "ORDER BY year, until"
    )
    for record in connection.execute(query):
        yield Due(*record)
