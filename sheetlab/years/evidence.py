"""An evidence pack: what was done in which year, by which definition, and what proves it."""

from __future__ import annotations

import datetime
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from statistics import median

from msgspec import Struct

from sheetlab.finding import (
    Finding,
    Place,
    Severity,
    SheetlabError,
    file_exists,
    finding,
    many,
    not_written,
)
from sheetlab.messages import phrase, said
from sheetlab.workbook.book import Book
from sheetlab.workbook.package import write_atomically
from sheetlab.workbook.page import Column, new_page
from sheetlab.workbook.style import Styles
from sheetlab.workbook.template import EPOCH
from sheetlab.years.checking import Checked, check
from sheetlab.years.codes import codes_of, read_codes
from sheetlab.years.database import Table, read
from sheetlab.years.ledger import Row, latest
from sheetlab.years.packfiles import (
    DEFINITIONS,
    SAMPLES,
    SUMS,
    Filed,
    definition_files,
    look,
    sample_files,
    sums,
)

BOOK, TEXT = "evidence.xlsx", "evidence.txt"
TITLE = "Evidence of practical work"

CRITERIA = (
    ("readings that give a result", "result"),
    ("zero error of an instrument read", "zero"),
    ("results worked out by the group itself", "own:answers"),
    ("uncertainty stated by the group itself", "own:uncertainty"),
    ("gradient triangle or slope given by the group itself", "own:graph"),
    ("result compared with an accepted value (by the program)", "comparison"),
)
"""What a result can be evidence of."""


GRAVITY = {"ok": 0, "doubtful": 1, "failed": 2}
STEP, LARGEST = math.log(1.1), 1000

Rows = Sequence[tuple[str | int, ...]]


class Pack(Struct, frozen=True):
    """What was written."""

    book: Path
    text: Path
    checked: Checked
    files: tuple[Filed, ...]
    """Sample workbooks and definitions, and those that are not at hand."""


def evidence(
    archive: Path,
    folder: Path,
    today: datetime.date,
    sources: Sequence[Path] = (),
    codes: Path | None = None,
    names: bool = False,
) -> Pack:
    """Write the pack into a folder; files that are there are never replaced.

    Parameters
    ----------
    sources
        Folders of hand-ins, in which and below which the sample workbooks are looked for.
    codes
        List of codes; None: the usual one beside the archive.
    names
        Whether groups are named in the pack, where the list of codes knows them.

    Raises
    ------
    SheetlabError
        If the archive cannot be read, or a file is there already; then nothing is written.
    """
    book, text = folder / BOOK, folder / TEXT
    made = (book, text, *(folder / name for name in (SUMS, SAMPLES, DEFINITIONS)))
    wrong = [file_exists(path) for path in made if path.exists()]
    wrong += [_no_folder(path) for path in sources if not path.is_dir()]
    if wrong:
        raise SheetlabError(*wrong)
    checked, table = check(archive, today), read(archive)
    keys = read_codes(codes or codes_of(archive))
    named = {code: name for code, (_, name) in keys.names.items()} if names else {}
    by_number = {row.number: row for row in table.rows}
    chosen = samples(table.rows)
    rows = {f"{year} {id_} {which}": by_number[int(n)] for year, id_, which, *_, n in chosen}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        seen = look(sources, list(rows.values()), keys) if sources else None
        filed = dict(sample_files(folder, rows, seen, named))
        files = (*filed.values(), *definition_files(folder, latest(table.rows), seen))
        parts: dict[str, Rows] = {
            "Schedule": schedule(table.rows),
            "Archive check": [(line,) for line in check_lines(table, checked, today)],
            "Criteria": criteria(table.rows),
            "Samples": [
                (*sample[:3], _named(sample[3], named), *sample[4:], file.file or file.why_not)
                for sample, file in zip(chosen, filed.values(), strict=True)
            ],
            "Files": [(f.what, f.file or f.why_not, f.sha256 or "–", f.digest) for f in files],
        }
        write_atomically(book, _book(archive.name, parts))
        write_atomically(text, _text(archive.name, parts).encode("utf-8"))
        write_atomically(folder / SUMS, sums(files).encode("utf-8"))
    except OSError as error:
        raise SheetlabError(not_written(folder, error)) from error
    return Pack(book, text, checked, files)


# -- what the rows say ---------------------------------------------------------------------------


def schedule(rows: Sequence[Row]) -> list[tuple[str | int, ...]]:
    """Year, practical, definition version and digest, results, groups, ok, doubtful, failed."""
    groups: dict[tuple[int, str, str, str], list[Row]] = {}
    for row in sorted(latest(rows), key=lambda r: (r.year, r.practical, r.number)):
        key = (row.year, row.practical, row.version, row.definition[:12])
        groups.setdefault(key, []).append(row)
    return [
        (*key, len(members), len({row.code or row.seal for row in members}),
         *(sum(r.status == s for r in members) for s in ("ok", "doubtful", "failed")))
        for key, members in groups.items()
    ]  # fmt: skip


def criteria(rows: Sequence[Row]) -> list[tuple[str, ...]]:
    """Practical, then for each criterion how many of its workbooks are evidence of it."""
    found = []
    first = [row for row in latest(rows) if row.numbers or row.value is not None]
    for practical in sorted({row.practical for row in first}):
        members = [row for row in first if row.practical == practical]
        # the numbers of a workbook stand beside its first result
        books = {row.book: row for row in reversed(members)}
        counts = [sum(_shows(row, kind) for row in books.values()) for _, kind in CRITERIA]
        cells = (f"{count} of {len(books)}" if count else "–" for count in counts)
        found.append((practical, *cells))
    return found


def _shows(row: Row, kind: str) -> bool:
    if kind == "result":
        return row.value is not None
    kind, _, id_ = kind.partition(":")
    return any(n.kind == kind and id_ in ("", n.id) for n in row.numbers)


def samples(rows: Sequence[Row]) -> list[tuple[str | int, ...]]:
    """Year, practical, which sample, code, findings, status, result as stated, row.

    Best, middle and weakest workbook of each practical and year, ranked by status,
    distance from the accepted value or the usual one, and findings;
    an earlier row goes before a later one.
    """
    groups: dict[tuple[int, str], dict[tuple[str, str], list[Row]]] = {}
    for row in sorted(latest(rows), key=lambda r: (r.year, r.practical, r.number)):
        if row.code:
            books = groups.setdefault((row.year, row.practical), {})
            books.setdefault(row.book, []).append(row)
    found: list[tuple[str | int, ...]] = []
    for (year, practical), by_book in groups.items():
        usual = _usual(row for book in by_book.values() for row in book)
        # the first row of a workbook stands for it
        ranked = [book[0] for book in sorted(by_book.values(), key=lambda b: _rank(b, usual))]
        last = len(ranked) - 1
        places = {0: "best", last // 2: "middle", last: "weakest"}
        if last < 2:
            places = {0: "best", last: "weakest"} if last else {0: "only"}
        for place, name in sorted(places.items()):
            row = ranked[place]
            found.append(
                (year, practical, name, row.code, row.findings, row.status,
                 row.statement or "no result", row.number)
            )  # fmt: skip
    return found


def _usual(rows: Iterable[Row]) -> dict[str, float]:
    """Median of each result, where there are three of it or more."""
    values: dict[str, list[float]] = {}
    for row in rows:
        if row.value is not None:
            values.setdefault(row.result, []).append(row.value)
    return {key: median(found) for key, found in values.items() if len(found) > 2}


def _rank(book: Sequence[Row], usual: Mapping[str, float]) -> tuple[int, int, int, float]:
    """The greater, the weaker is a workbook, of which these are the rows."""
    accepted = {n.id: n.value for row in book for n in row.numbers if n.kind == "comparison"}
    off = 0.0
    for row in book:
        if row.value is None:
            off = math.inf
        elif row.result in accepted:
            off = max(off, _distance(1.0 + accepted[row.result]))
        elif usual.get(row.result):
            off = max(off, _distance(row.value / usual[row.result]))
    status = max(GRAVITY.get(row.status, 2) for row in book)
    # a result is not weaker for what chance does to it
    steps = LARGEST if off > LARGEST * STEP else int(off / STEP)
    return status, steps, book[0].findings, off


def _distance(ratio: float) -> float:
    """How far a ratio is from 1: a factor of 1000 is as far as one of 1/1000."""
    return abs(math.log(ratio)) if ratio > 0.0 else math.inf


def check_lines(table: Table, checked: Checked, today: datetime.date) -> list[str]:
    """What the check of the archive came to, in sentences."""
    revised = sum(row.replaces > 0 for row in table.rows)
    purged = sum(not row.code for row in table.rows)
    noted = {"count": checked.count, "digest": checked.head, "day": today.isoformat()}
    return [
        said(phrase("evidence-checked", **noted)),
        said(phrase("evidence-sound" if checked.sound else "evidence-broken")),
        *(finding.message for finding in checked.findings),
        said(phrase("evidence-revised", revised=revised, purged=purged)),
    ]


def _named(code: str | int, names: Mapping[str, str]) -> str:
    """A code, and the group behind it if it is to be named."""
    return f"{code} ({names[str(code)]})" if code in names else str(code)


# -- the files -----------------------------------------------------------------------------------

# of each sheet: the phrase about it, headings with widths
SHEETS: Mapping[str, tuple[str, tuple[tuple[str, int], ...]]] = {
    "Schedule": ("evidence-schedule", (
        ("year", 8), ("practical", 24), ("definition version", 12),
        ("digest of the definition (begins)", 22), ("results", 10), ("groups", 10), ("ok", 10),
        ("doubtful", 10), ("failed", 10),
    )),
    "Archive check": ("evidence-check", (("result of the check", 118),)),
    "Criteria": ("evidence-criteria", (
        ("practical", 24), *((title, 16) for title, _ in CRITERIA),
    )),
    "Samples": ("evidence-samples", (
        ("year", 8), ("practical", 18), ("sample", 10), ("code", 14), ("findings", 10),
        ("status", 11), ("result as stated", 36), ("row", 7), ("file", 40),
    )),
    "Files": ("evidence-files", (
        ("what", 38), ("file", 50), ("SHA-256 of the file", 40), ("digest in the archive", 40),
    )),
}  # fmt: skip


def _book(archive: str, parts: Mapping[str, Rows]) -> bytes:
    buffer = io.BytesIO()
    book = Book(buffer)
    book.set_properties({"title": TITLE, "created": EPOCH})
    styles = Styles(book)
    for name, (note, heads) in SHEETS.items():
        columns = [Column(head, head, width, format="cell") for head, width in heads]
        page = new_page(book.add_worksheet(name), styles, columns, (TITLE, ""), merged=False)
        page.line(name, "title")
        page.line(said(phrase(note, archive=archive, sums=SUMS)), "note")
        page.gap(0)
        page.table(columns, parts[name]).freeze()
    book.close()
    return buffer.getvalue()


def _text(archive: str, parts: Mapping[str, Rows]) -> str:
    lines = [TITLE, f"from {archive}", "", "Archive check", ""]
    lines += [f"  {line}" for (line,) in parts["Archive check"]]
    lines += ["", "Schedule", ""]
    for year, practical, version, digest, results, groups, *states in parts["Schedule"]:
        ok, doubtful, failed = states
        lines.append(
            f"  {year}  {practical}, definition version {version} ({digest}): "
            f"{many(results, 'result')} of {many(groups, 'group')}; "
            f"{ok} ok, {doubtful} doubtful, {failed} failed"
        )
    lines += ["", "Criteria", ""]
    for practical, *cells in parts["Criteria"]:
        lines.append(f"  {practical}")
        lines += [f"    {t}: {c}" for (t, _), c in zip(CRITERIA, cells, strict=True)]
    lines += ["", "Samples", ""]
    for year, practical, which, code, findings, status, stated, row, file in parts["Samples"]:
        lines.append(
            f"  {year}  {practical}, {which}: {code} (row {row}), {many(findings, 'finding')}, "
            f"{status}, {stated}; {file}"
        )
    lines += ["", "Files", "", f"  {said(phrase('evidence-files', sums=SUMS))}", ""]
    for what, file, digest, archived in parts["Files"]:
        lines += [f"  {what}: {file}", f"    SHA-256 {digest}", f"    in the archive {archived}"]
    return "\n".join(lines) + "\n"


def _no_folder(path: Path) -> Finding:
    return finding("no-such-folder_sources", Severity.STOP, Place(path.name), folder=str(path))
