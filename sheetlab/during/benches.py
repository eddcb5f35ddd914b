"""How the benches of a class get on: a row a workbook, their order, the table as text.

Pure: files are seen, and the clock is read, in ``watch``.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import datetime
from enum import IntEnum

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.checks.assess import Assessment
from sheetlab.checks.completeness import NOT_FILLED
from sheetlab.checks.wording import Words
from sheetlab.finding import Finding, Severity, many
from sheetlab.handling.folders import Stamp
from sheetlab.messages import harmless
from sheetlab.practical.definition import Table
from sheetlab.workbook.evaluate_file import FileOutcome

UNREADABLE = "file-unreadable"
UNFINISHED = frozenset({NOT_FILLED, "reading-missing", "too-few-rows", "series-empty"})
"""Findings that only say that a bench has not got so far yet; in class that is no slip."""

SETTLE = 0.5
"""Seconds to leave a changed file alone: a program may be in the middle of saving it."""
CONFIRM = 3.0
"""Seconds after which a changed file is read once more: clocks of shares can be coarse."""
RETRY = 1.0
TRIES = 5
"""Readings of an unreadable file, ``RETRY`` seconds apart, before its finding is shown."""
LATER = 10.0
"""Seconds between further readings of a file that stays unreadable."""
GRACE = 3.0
"""Seconds for which a file may be gone before its row goes: programs save by replacing."""

BEING_SAVED = "being saved?"
_MOST_TEXT = 300


class Rank(IntEnum):
    """Place in the table."""

    LOOK = 0
    """Something needs a person."""
    UNDER_WAY = 1
    DONE = 2
    """There is a result, and nothing is missing."""
    NOT_BEGUN = 3


class Rows(Struct, frozen=True):
    """How far a table is filled; ``filled`` counts rows with an entry in each column begun."""

    table: str
    filled: int
    rows: int
    """How many are asked for; all that there are, if no number is."""


MARKS = {Rank.LOOK: "!", Rank.UNDER_WAY: "~"}
"""Before the row of a workbook, and explained in the line above the table."""


class Bench(Struct, frozen=True):
    """One workbook as the table shows it."""

    file: str
    """Path below the watched folder, parts separated by “/”."""
    saved: datetime
    rank: Rank
    group: str = ""
    setup: str = ""
    practical: str = ""
    readings: tuple[Rows, ...] = ()
    """Tables that were begun: the last of the practical first, those that may stay empty last."""
    doubts: int = 0
    look: str = ""
    """The gravest finding that needs a person, with its cell."""
    result: str = ""
    """The provisional result, or what is missing."""
    saving: bool = False
    """The file cannot be read just now; the row is the last good one."""


def bench(file: str, saved: datetime, outcome: FileOutcome, last: Bench | None = None) -> Bench:
    """The row of a workbook.

    Parameters
    ----------
    last
        The last good row, from which an unreadable workbook has its names.
    """
    assessment = outcome.assessment
    if assessment is None:
        findings = outcome.findings
        return replace(
            last or Bench(file, saved, Rank.LOOK),
            saved=saved,
            rank=Rank.LOOK,
            doubts=len(findings),
            look=_pointed(findings[0]) if findings else "",
            saving=False,
        )
    tables = [(t, _filled(assessment, t)) for t in reversed(assessment.practical.definition.tables)]
    begun = [(table, rows) for table, rows in tables if rows is not None]
    short = any(rows.filled < table.minimum_rows for table, rows in begun)
    pending = UNFINISHED | ({"result-not-computable"} if short else set())
    codes = {f.code for f in assessment.findings}
    needed = [
        f for f in assessment.findings if f.severity is not Severity.NOTE and f.code not in pending
    ]
    if needed:
        rank = Rank.LOOK
    elif NOT_FILLED in codes:
        rank = Rank.NOT_BEGUN
    else:
        under_way = assessment.status == "failed" or codes & pending
        rank = Rank.UNDER_WAY if under_way else Rank.DONE
    entry = assessment.observations.entry
    return Bench(
        file,
        saved,
        rank,
        entry("start.group").text,
        entry("start.setup").text,
        assessment.practical.definition.id,
        # a stable sort: what may stay empty says nothing of how far a bench is
        tuple(rows for table, rows in sorted(begun, key=lambda t: not t[0].minimum_rows)),
        len(needed),
        _pointed(needed[0]) if needed else "",
        _result(assessment),
    )


def _filled(assessment: Assessment, table: Table) -> Rows | None:
    """Rows of a table in which each column that was begun is filled; None if none was.

    Columns of nominal values (masses as marked) are often typed beforehand, and texts are
    remarks: neither is a reading.
    """
    practical, entry = assessment.practical, assessment.observations.entry
    nominal = {i.id for i in practical.definition.instruments if i.kind == "nominal"}
    rows = range(practical.tables[table.id])
    keys = [
        key
        for key, field_ in practical.inputs.items()
        if field_.table == table.id and field_.kind != "text" and field_.instrument not in nominal
    ]
    filled = [
        [entry(key, row).value is not None or bool(entry(key, row).text) for row in rows]
        for key in keys
    ]
    begun = [column for column in filled if any(column)]
    if not begun:
        return None
    # a finished group is one that has what is asked for, not one that has no empty row left
    wanted = table.minimum_rows or len(rows)
    return Rows(table.id.replace("_", " "), sum(map(all, zip(*begun, strict=True))), wanted)


def _pointed(finding: Finding) -> str:
    where = f"{finding.place.sheet} {finding.place.cell}".strip()
    return f"{where}: {finding.found}" if where else finding.found


def _result(assessment: Assessment) -> str:
    """The statement in its shortest form, or what stands in its way."""
    measurand = assessment.evaluation.measurand
    if measurand is not None and assessment.status != "failed":
        words = Words(assessment.practical, assessment.evaluation.profile)
        symbol, *forms = words.statement_line(measurand).split(" = ")
        return " = ".join((symbol, *forms[-1:]))
    if any(f.code == NOT_FILLED for f in assessment.findings):
        return "nothing typed yet"
    missing = [f.found for f in assessment.findings if f.code == "reading-missing"]
    if missing:
        count = f"{len(missing)} " if len(missing) > 1 else ""
        return f"{count}missing: {missing[0]}"
    stops = (f.found for f in assessment.findings if f.severity is Severity.STOP)
    return next(stops, "no result yet")


class _Kept(Struct):
    stamp: Stamp
    due: float | None
    """When to read the file; None: when it changes."""
    tries: int = 0
    """Readings of the file as it is now."""
    shown: Bench | None = None
    good: Bench | None = None
    gone: float | None = None
    """Since when the file has not been there."""


class Board(Struct):
    """What is known of every workbook. Times are seconds of one steady clock."""

    _kept: dict[str, _Kept] = field(default_factory=dict)

    def see(
        self, files: Mapping[str, Stamp], lost: Collection[str], now: float, settle: float = SETTLE
    ) -> list[str]:
        """Take in which files there are, and say which are to be read now.

        Parameters
        ----------
        files
            Stamps of the workbooks by path below the folder.
        lost
            Folders that could not be looked into (“”: the watched one); their rows stay.
        """
        for file, stamp in files.items():
            kept = self._kept.setdefault(file, _Kept(stamp, now + settle))
            kept.gone = None
            if kept.stamp != stamp:
                if kept.tries:
                    kept.due = now + settle
                kept.stamp, kept.tries = stamp, 0
            if kept.due is None and not kept.tries:
                kept.due = now + settle
        for file in self._kept.keys() - files.keys():
            kept = self._kept[file]
            # if it comes back, it is read again
            kept.due, kept.tries = None, 0
            if any(not one or file.startswith(f"{one}/") for one in lost):
                kept.gone = None
                continue
            kept.gone = now if kept.gone is None else kept.gone
            if now - kept.gone >= GRACE:
                del self._kept[file]
        return [file for file in files if _past(self._kept[file].due, now)]

    def took(
        self, file: str, saved: datetime, outcome: FileOutcome, now: float, final: bool = False
    ) -> None:
        """Take in what a reading of a file came to; ``final``: there will be no other."""
        kept = self._kept[file]
        kept.tries += 1
        unreadable = outcome.assessment is None and any(
            f.code == UNREADABLE for f in outcome.findings
        )
        if unreadable and kept.tries < TRIES and not final:
            waiting = Bench(file, saved, Rank.UNDER_WAY)
            kept.shown, kept.due = replace(kept.good or waiting, saving=True), now + RETRY
            return
        kept.shown = bench(file, saved, outcome, kept.good)
        if outcome.assessment is not None:
            kept.good = kept.shown
        kept.due = now + CONFIRM if kept.tries == 1 else None
        if unreadable:
            kept.due = now + LATER

    def waits(self, now: float) -> bool:
        """Whether the folder has to be looked at although nothing was reported."""
        return any(
            _past(kept.due, now) or (kept.gone is not None and now - kept.gone >= GRACE)
            for kept in self._kept.values()
        )

    def benches(self) -> list[Bench]:
        """Every row that there is, in the order of the table."""
        shown = [
            kept.shown if kept.gone is None else replace(kept.shown, saving=True)
            for kept in self._kept.values()
            if kept.shown is not None
        ]
        # who needs a person first, then who is under way, then the rest; the longest unchanged
        # first; a workbook in which nothing was typed comes last
        return sorted(shown, key=lambda b: (b.rank, b.saved, b.file))


def _past(due: float | None, now: float) -> bool:
    return due is not None and due <= now


def one_line(text: str) -> str:
    """Untrusted text as one harmless line of moderate length."""
    return harmless(" ".join(unicodedata.normalize("NFC", text[:_MOST_TEXT]).split()))


def _wide(text: str) -> int:
    """Columns that a text takes up in a terminal, at most."""
    return sum(2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text)


def cut(text: str, width: int) -> str:
    """A text, shortened to a width if need be."""
    if _wide(text) <= width:
        return text
    kept = ""
    room = width - 1
    for char in text:
        room -= _wide(char)
        if room < 0:
            break
        kept += char
    return f"{kept}…" if width > 0 else ""


def cut_middle(text: str, width: int) -> str:
    """A text, shortened to a width if need be, with as much of its end left as of its beginning."""
    if _wide(text) <= width or width < 3:
        return cut(text, width)
    tail = ""
    for char in reversed(text):
        if _wide(char + tail) > (width - 1) // 2:
            break
        tail = char + tail
    return cut(text, width - _wide(tail)) + tail


class _Column(Struct, frozen=True):
    title: str
    text: Callable[[Bench, int], str]
    """Text for a width."""
    least: int
    most: int = 1000
    right: bool = False
    cut: Callable[[str, int], str] = cut


_GAP = "  "
_SHARE_OF_NAMES = 4
"""Names that are alike take up to this part of a line before other columns give way."""
_INDENT = " " * 10
"""Before a finding that stands below its row."""
_LINES_OF_A_FINDING = 2


def table(
    benches: Sequence[Bench], width: int, now: datetime, notice: str = "", height: int | None = None
) -> list[str]:
    """The table as lines, none wider than ``width`` columns of a terminal.

    Parameters
    ----------
    notice
        A sentence below the summary; empty for none.
    height
        Lines there is room for; None: for all.
    """
    lines = [_summary(benches), *([notice] if notice else [])]
    if benches:
        columns = _fitted(_columns(benches, now), benches, width)
        lines += ["", _line([(c, w, c.title) for c, w in columns])]
        for bench in benches:
            lines.append(_line([(c, w, c.text(bench, w)) for c, w in columns]))
            # below its row: beside the other columns there is no room to read a finding
            saving = BEING_SAVED if bench.saving else ""
            lines += textwrap.wrap(
                one_line("; ".join(filter(None, (saving, bench.look)))),
                max(width, 2 * len(_INDENT)), max_lines=_LINES_OF_A_FINDING, placeholder=" …",
                initial_indent=_INDENT, subsequent_indent=_INDENT,
            )  # fmt: skip
    if height is not None and len(lines) > max(height, 1):
        hidden = len(lines) - max(height, 1) + 1
        lines = [*lines[:-hidden], f"… and {hidden} more; make the window higher to see them"]
    return [cut(line, width).rstrip() for line in lines]


def _summary(benches: Sequence[Bench]) -> str:
    if not benches:
        return "No workbook yet."
    count = Counter(bench.rank for bench in benches)
    look = f"need{'s' if count[Rank.LOOK] == 1 else ''} someone ({MARKS[Rank.LOOK]})"
    said = {
        Rank.LOOK: look,
        Rank.UNDER_WAY: f"under way ({MARKS[Rank.UNDER_WAY]})",
        Rank.DONE: "done",
        Rank.NOT_BEGUN: "not begun",
    }
    parts = [f"{count[rank]} {words}" for rank, words in said.items() if count[rank]]
    return f"{many(len(benches), 'workbook')}: {', '.join(parts)}."


def _columns(benches: Sequence[Bench], now: datetime) -> dict[str, _Column]:
    named = Counter((bench.group, bench.practical) for bench in benches)

    def group(bench: Bench, width: int) -> str:
        # copies of a group's workbook are told apart by their files
        twice = named[bench.group, bench.practical] > 1
        stem = bench.file.rpartition("/")[2].rpartition(".")[0]
        return one_line(stem if twice or not bench.group.strip() else bench.group)

    def result(bench: Bench, width: int) -> str:
        text = one_line(bench.result)
        if "±" not in text:
            # what is missing is named at the end
            return cut_middle(text, width)
        # a statement without its unit says another thing; its symbol says least
        return text if _wide(text) <= width else text.partition(" = ")[2] or text

    def saved(bench: Bench, width: int) -> str:
        today = bench.saved.date() == now.date()
        return f"{bench.saved:%H:%M}" if today else f"{bench.saved.day} {bench.saved:%b}"

    return {
        "mark": _Column("", lambda bench, _: MARKS.get(bench.rank, ""), 1),
        "saved": _Column("saved", saved, 6, right=True),
        # what tells one name from another may be at its end
        "group": _Column("group", group, 8, 20, cut=cut_middle),
        "setup": _Column("set-up", lambda bench, _: one_line(bench.setup), 6, 10),
        "practical": _Column("practical", lambda bench, _: one_line(bench.practical), 9, 16),
        "readings": _Column("readings in", _readings_text, 13, 40),
        "doubts": _Column("doubts", lambda bench, _: str(bench.doubts or ""), 6, right=True),
        "result": _Column("provisional result", result, 24),
    }


def _readings_text(bench: Bench, width: int) -> str:
    """As many tables as there is room for, whole; of the first at least the numbers."""
    if not bench.readings:
        return ""
    parts = [f"{one_line(r.table)} {r.filled}/{r.rows}" for r in bench.readings]
    for count in range(len(parts), 0, -1):
        text = ", ".join(parts[:count])
        if _wide(text) <= width:
            return text
    first = bench.readings[0]
    numbers = f" {first.filled}/{first.rows}"
    return cut(one_line(first.table), width - len(numbers)) + numbers


def _fitted(
    columns: Mapping[str, _Column], benches: Sequence[Bench], width: int
) -> list[tuple[_Column, int]]:
    """Columns that fit side by side, with their widths.

    What does not fit goes in this order: the set-up, the practical, the readings, the number of
    doubts.
    """
    wanted = {}
    for key, column in columns.items():
        widest = max(_wide(column.text(bench, column.most)) for bench in benches)
        if widest or key in ("group", "mark"):
            wanted[key] = min(max(widest, len(column.title)), column.most)
    least = {key: column.least for key, column in columns.items()}
    names = {columns["group"].text(bench, columns["group"].most) for bench in benches}
    most = max(least["group"], min(wanted["group"], width // _SHARE_OF_NAMES))
    # the narrowest column in which shortened names differ as whole ones do
    apart = (w for w in range(least["group"], most) if len(_cut_to(names, w)) == len(names))
    least["group"] = next(apart, most)

    def total(widths: Iterable[int]) -> int:
        return sum(widths) + len(_GAP) * (len(wanted) - 1)

    for key in ("setup", "practical", "readings", "doubts"):
        if total(min(w, least[k]) for k, w in wanted.items()) > width:
            wanted.pop(key, None)
    for key in ("result", "readings", "practical", "group", "setup"):
        if key in wanted:
            excess = max(total(wanted.values()) - width, 0)
            wanted[key] -= min(excess, max(wanted[key] - least[key], 0))
    return [(columns[key], wanted[key]) for key in columns if key in wanted]


def _cut_to(names: Collection[str], width: int) -> set[str]:
    return {cut_middle(name, width) for name in names}


def _line(cells: Sequence[tuple[_Column, int, str]]) -> str:
    parts = []
    for column, width, text in cells:
        shown = column.cut(text, width)
        space = " " * (width - _wide(shown))
        parts.append(space + shown if column.right else shown + space)
    return _GAP.join(parts)
