"""Whether an archive is complete and unaltered."""

from __future__ import annotations

import datetime
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct

from sheetlab.finding import Finding, Place, Severity, finding
from sheetlab.handling.workers import Call, each
from sheetlab.years.codes import KeyList, codes_of, last_day, read_codes
from sheetlab.years.database import WAIT, head_of, reading, rows_in, stored
from sheetlab.years.ledger import Row, clean, verify
from sheetlab.years.packfiles import lost, typed_in
from sheetlab.years.purging import due_codes
from sheetlab.years.renewing import book_findings


class Checked(Struct, frozen=True):
    """What a check came to."""

    count: int
    head: str
    findings: tuple[Finding, ...]
    """The first broken row stops, and a workbook with rows that the database lacks.

    One that differs otherwise is only doubtful.
    """

    @property
    def sound(self) -> bool:
        """Whether the database is complete and unaltered."""
        return all(f.severity is not Severity.STOP for f in self.findings)


def check(
    archive: Path,
    today: datetime.date,
    expect: str = "",
    wait: float = WAIT,
    codes: Path | None = None,
    thorough: bool = False,
) -> Checked:
    """Whether the table is complete and unaltered, the workbooks fit it, and nothing is overdue.

    Parameters
    ----------
    expect
        A digest that was noted at another time; its row has to be there still.
    codes
        List of codes; None: the usual one beside the archive.
    thorough
        Whether each row of the workbooks is compared too, not only what they note of themselves.

    Raises
    ------
    SheetlabError
        If there is no archive, it is damaged, or someone else does not let go of it.
    """
    findings, place = [], Place(archive.name)
    alone = "SELECT row FROM numbers WHERE row NOT IN (SELECT number FROM results) LIMIT 1"
    noted = "SELECT COUNT(*) FROM results WHERE digest = ?"
    with reading(archive, wait) as connection:
        count, head = head_of(connection)
        broken = verify(stored(connection), count, head, today)
        beside = connection.execute(alone).fetchone()
        if broken is not None:
            findings.append(broken.at(place))
        elif beside is not None:
            findings.append(finding("archive-altered_values", Severity.STOP, place, row=beside[0]))
        elif expect and connection.execute(noted, (expect,)).fetchone() == (0,):
            findings.append(
                finding("archive-altered_digest", Severity.STOP, place, digest=clean(expect))
            )
        findings += book_findings(archive, connection, thorough)
        findings += _overdue(archive, connection, read_codes(codes or codes_of(archive)), today)
    return Checked(count, head, tuple(findings))


def _overdue(
    archive: Path, connection: sqlite3.Connection, keys: KeyList, today: datetime.date
) -> Iterator[Finding]:
    """Codes and names that a purge should have taken away."""
    due = due_codes(connection, today)
    if due:
        yield finding(
            "codes-due", Severity.NOTE, Place(archive.name), count=len(due), archive=archive.name
        )
    held = {code for (code,) in connection.execute("SELECT DISTINCT code FROM results")}
    left = [year for code, (year, _) in keys.names.items() if code not in held]
    last = max((last_day(year).isoformat() for year in left), default="")
    if left and last < today.isoformat():
        yield finding("names-left", Severity.DOUBTFUL, Place(keys.path.name), count=len(left))


def row_of(archive: Path, workbook: Path, wait: float = WAIT) -> tuple[Finding | None, Row | None]:
    """The last row that holds the readings of a workbook; or why the workbook cannot be read.

    Raises
    ------
    SheetlabError
        If there is no archive, it is damaged, or someone else does not let go of it.
    """
    (read,) = each(Call(typed_in, lost), [workbook])
    if isinstance(read, Finding):
        return read, None
    with reading(archive, wait) as connection:
        rows = list(rows_in(connection, archive, "source = ?", read.digest))
    if rows:
        return None, rows[-1]
    place = Place(workbook.name)
    return finding("not-in-archive", Severity.STOP, place, archive=archive.name), None
