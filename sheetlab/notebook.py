"""What people with notebooks and scripts import: a few functions over the rooms below.

Nothing is computed here. A result is a view of an ``Assessment``, a table one of plain rows; both
print, draw themselves in a notebook and become pandas DataFrames. pandas, openpyxl and xlwings
are needed only by who has them in hand.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Iterator, Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct
from msgspec.structs import asdict

from sheetlab.before import issue as issuing
from sheetlab.checks.assess import Assessment
from sheetlab.checks.record import finding_record, record
from sheetlab.checks.wording import Words, headline
from sheetlab.classes.kept import read_kept
from sheetlab.finding import SheetlabError
from sheetlab.handling.roster import Group, read_roster
from sheetlab.messages import harmless
from sheetlab.metrology import montecarlo
from sheetlab.metrology.budget import budget_lines
from sheetlab.practical.definition import Assist
from sheetlab.practical.evaluate import ResultValue
from sheetlab.practical.fields import START_PREFIX
from sheetlab.practical.loader import catalogue, find_profile
from sheetlab.workbook.evaluate_file import FileOutcome, assess_file, assess_read
from sheetlab.workbook.openpyxlbook import NAME, open_openpyxl
from sheetlab.workbook.package import refuse
from sheetlab.workbook.reader import read_store

if TYPE_CHECKING:
    import openpyxl
    import pandas as pd
    import xlwings as xw

Name = str | PathLike[str]
MOST_SHOWN = 60
"""Rows of a table that are printed and drawn; its frame has all."""
LONGEST = 60
"""Letters of a cell that are printed."""
_UNTYPESET = "tex2jax_ignore mathjax_ignore"
"""Classes in which a notebook leaves dollar signs of a workbook alone (MathJax; from memory)."""


# -- results ---------------------------------------------------------------------------------------


class Result(Struct, frozen=True):
    """An evaluated workbook. Numbers are in ``unit``, as the statement writes it."""

    assessment: Assessment
    """Everything that was found: evaluation, own results, findings, status."""
    workbook: str
    """Name of its file; “workbook” for one that is open in openpyxl."""

    @property
    def status(self) -> str:
        """``ok``, ``doubtful`` or ``failed``."""
        return str(self.assessment.status)

    @property
    def statement(self) -> str:
        """The first result as it is stated, with its unit; empty if there is none."""
        return "" if self._measurand is None else self._words.statement_line(self._measurand)

    @property
    def value(self) -> float | None:
        """The first result, in ``unit``; None if there is none."""
        return None if self._measurand is None else self._measurand.budget.value / self._scale

    @property
    def standard_uncertainty(self) -> float | None:
        """Standard uncertainty of the first result, in ``unit``; None if there is none."""
        budget = None if self._measurand is None else self._measurand.budget
        return None if budget is None else budget.standard_uncertainty / self._scale

    @property
    def unit(self) -> str:
        """Unit of the first result and of the contributions in its budget."""
        return "" if self._measurand is None else self._words.result_unit(self._measurand).pretty

    def record(self) -> dict[str, Any]:
        """All numbers as plain data in SI units, as ``sheetlab evaluate --json`` prints them."""
        return record(self.assessment, self.workbook)

    def readings(self) -> pd.DataFrame:
        """What was typed, a row for each filled cell but those about the group.

        Columns: ``key`` (of the input), ``title``, ``row`` (from 1; 0: not in a table), ``value``
        in ``unit`` (NaN: no number), ``unit``, ``text``, ``sheet``, ``cell``.
        """
        return Table(tuple(self._readings()), READINGS).frame()

    def budget(self) -> pd.DataFrame:
        """Uncertainty budget of the first result, the largest source first.

        Columns: ``source``, ``kind`` (evaluation of type A or B), ``distribution``, ``divided``
        (half-width, or standard deviation), ``divisor``, ``standard_uncertainty`` (it and
        ``divided`` in ``unit``), ``unit``, ``dof``, ``sensitivity`` (result's unit over ``unit``),
        ``contribution`` (in the unit of the result), ``share`` (of the variance, 0 to 1).
        """
        result = self._measurand
        rows = () if result is None else budget_lines(result.budget.rows, self._scale)
        return Table(tuple(map(asdict, rows)), BUDGET).frame()

    def findings(self) -> pd.DataFrame:
        """What was found, what matters most first: ``code``, ``severity``, ``sheet``, ``cell``,
        ``message``.
        """
        return self._findings().frame()

    @property
    def _measurand(self) -> ResultValue | None:
        return self.assessment.evaluation.measurand

    @property
    def _words(self) -> Words:
        return Words(self.assessment.practical, self.assessment.evaluation.profile)

    @property
    def _scale(self) -> float:
        """Coherent SI units in one of ``unit``."""
        result = self._measurand
        return 1.0 if result is None else self._words.result_unit(result).factor

    def _readings(self) -> Iterator[dict[str, Any]]:
        inputs = self.assessment.practical.inputs
        for key, entries in self.assessment.observations.entries.items():
            field = inputs[key]
            for number, entry in enumerate(entries, 1):
                if key.startswith(START_PREFIX) or (entry.value is None and not entry.text):
                    continue
                # a choice stands for a number of the definition, which nobody typed
                value = entry.value if field.kind == "number" else None
                cells = (key, field.title, number if field.table else 0, value, field.unit.pretty,
                         entry.text, entry.place.sheet, entry.place.cell)  # fmt: skip
                yield dict(zip(READINGS, cells, strict=True))

    def _findings(self) -> Table:
        return Table(tuple(map(finding_record, self.assessment.findings)), FINDINGS)

    def _lines(self) -> list[str]:
        """What decides the uncertainty, and what the workbook came to."""
        result = self._measurand
        dominant = [] if result is None else self._words.dominant_lines(result)
        return [*dominant, headline(self.assessment)]

    def __str__(self) -> str:
        first = f"{self.status}: {self.statement}" if self.statement else self.status
        findings = [f"  - {finding}" for finding in self.assessment.findings]
        return "\n".join(map(harmless, (first, *self._lines(), *findings)))

    def __repr__(self) -> str:
        return f"<sheetlab result: {self.status}, {harmless(self.statement) or 'no result'}>"

    def _repr_html_(self) -> str:
        statement, *lines = map(_escaped, (self.statement, *self._lines()))
        shown = "".join(f"<p>{line}</p>" for line in lines)
        findings = self._findings()
        return (
            f'<div class="{_UNTYPESET}"><p><b>{statement}</b> '
            f"({self.status}, {_escaped(self.workbook)})</p>{shown}"
            f"{_html(findings.rows, FINDINGS) if findings.rows else ''}</div>"
        )


READINGS = ("key", "title", "row", "value", "unit", "text", "sheet", "cell")
BUDGET = ("source", "kind", "distribution", "divided", "divisor", "standard_uncertainty", "unit",
          "dof", "sensitivity", "contribution", "share")  # fmt: skip
FINDINGS = ("code", "severity", "sheet", "cell", "message")


def evaluate(
    workbook: Name | openpyxl.Workbook | xw.Book,
    *,
    profile: str = "",
    trials: int = montecarlo.TRIALS,
) -> Result:
    """Evaluate a filled workbook. Nothing is written, and what was given is left as it is.

    Parameters
    ----------
    workbook
        Path of an .xlsx, .xlsm or .ods file; or a workbook that is open in openpyxl, or in Excel
        behind xlwings, as it is now. openpyxl knows no value of a formula: a reading that is one
        counts only if the workbook was loaded with ``data_only=True``.
    profile
        How results are stated: ``gum``, ``school-maximum`` or a profile file; empty: as issued.
    trials
        Random trials of the Monte Carlo check; 0 for none.

    Raises
    ------
    SheetlabError
        If it cannot be read, sheetlab did not issue it, or no such profile is there.
    TypeError
        If it is neither a path nor such a workbook.
    """
    how = ("", find_profile(profile) if profile else None, trials)
    # a library that is not installed has given no object
    library = type(workbook).__module__.partition(".")[0]
    outcome: FileOutcome
    if isinstance(workbook, str | PathLike):
        outcome, _ = assess_file(Path(workbook), *how)
    elif library == "openpyxl" and hasattr(workbook, "sheetnames"):
        outcome, _ = assess_read(NAME, lambda: read_store(open_openpyxl(workbook)), *how)
    elif library == "xlwings" and hasattr(workbook, "sheets"):
        from sheetlab.live.excel.program import copied

        with copied(workbook) as copy:
            outcome, _ = assess_file(copy, *how)
    else:
        raise TypeError(
            f"sheetlab.evaluate takes a path, an openpyxl Workbook or an xlwings Book, and was "
            f"given {type(workbook).__module__}.{type(workbook).__qualname__}"
        )
    if outcome.assessment is None:
        raise SheetlabError(*outcome.findings)
    return Result(outcome.assessment, outcome.path.name)


# -- tables ----------------------------------------------------------------------------------------


class Table(Sequence[Mapping[str, Any]]):
    """Rows by column. ``table[0]["group"]`` is a cell; ``frame()`` is all of it in pandas."""

    def __init__(self, rows: tuple[Mapping[str, Any], ...], columns: tuple[str, ...]) -> None:
        self.rows, self.columns = rows, columns

    def frame(self) -> pd.DataFrame:
        """The table as a DataFrame, its columns in the same order."""
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=list(self.columns))

    def __len__(self) -> int:
        return len(self.rows)

    def __getitem__(self, number: Any) -> Any:
        return self.rows[number]

    def __str__(self) -> str:
        rows = [[_text(row.get(c))[:LONGEST] for c in self.columns] for row in self._shown]
        lines = [list(self.columns), *rows]
        widths = [max(map(len, cells)) for cells in zip(*lines, strict=True)]
        printed = ["  ".join(map(str.ljust, line, widths)).rstrip() for line in lines]
        return "\n".join([*printed, self._more] if self._more else printed)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        more = f"<p>{self._more}</p>" if self._more else ""
        return f'<div class="{_UNTYPESET}">{_html(self._shown, self.columns)}{more}</div>'

    @property
    def _shown(self) -> tuple[Mapping[str, Any], ...]:
        return self.rows[:MOST_SHOWN]

    @property
    def _more(self) -> str:
        more = len(self.rows) - MOST_SHOWN
        return f"… and {more} more; frame() has all" if more > 0 else ""


def practicals(*definitions: Name) -> Table:
    """The practicals there are: ``practical`` (its id), ``title``, ``version``.

    Parameters
    ----------
    definitions
        Folders with further definition files.

    Raises
    ------
    SheetlabError
        If one is no folder, or a definition is refused.
    """
    known = catalogue(*map(Path, definitions))
    loaded = {name: known.load(name).definition for name in known.paths()}
    columns = ("practical", "title", "version")
    return _table(((name, one.title, one.version) for name, one in loaded.items()), columns)


def issue(
    practical: str,
    folder: Name,
    groups: Iterable[str] | Path = (),
    *,
    assist: str = "corrected",
    runs: int = 1,
    profile: str = "gum",
    definitions: Iterable[Name] = (),
) -> Table:
    """Write observation workbooks; a file that is there already is left as it is.

    Parameters
    ----------
    practical
        Its id.
    folder
        Where they go; it is made if it is not there.
    groups
        Names of groups, or the path of a roster; none: one blank workbook.
    assist
        What a workbook works out itself: ``readings``, ``corrected`` or ``full``.
    runs
        How often the readings are repeated.
    profile
        How results are stated: ``gum``, ``school-maximum`` or a profile file.
    definitions
        Folders with further definition files.

    Returns
    -------
    Table
        A row for each workbook: ``group``, ``path``, ``problem`` (empty if it was written).

    Raises
    ------
    SheetlabError
        If there is no such practical or profile, the folder cannot be made, or a roster not read.
    ValueError
        If ``assist`` is none of the three.
    """
    named = read_roster(groups) if isinstance(groups, Path) else tuple(map(Group, groups))
    known = catalogue(*map(Path, definitions))
    issued = issuing.issue(
        known, practical, Path(folder), named, Assist(assist), runs, find_profile(profile)
    )
    rows = ((i.group, i.path, "" if i.finding is None else i.finding.message) for i in issued)
    return _table(rows, ("group", "path", "problem"))


def read_class(path: Name) -> Table:
    """The hand-ins that count in a class workbook, and what the teacher typed for them.

    Returns
    -------
    Table
        A row for each: ``group``, ``practical``, ``setup``, ``status``, ``result`` (its
        statement), ``value`` and ``expanded`` (uncertainty) in ``unit``, ``saved``, ``file``,
        ``comment``, and ``mark ITEM`` for each item into whose cell somebody typed. A proposed
        mark that nobody changed is not there.

    Raises
    ------
    SheetlabError
        If there is no such file, or it is no class workbook.
    """
    book = Path(path)
    if not book.exists():
        raise refuse(book, "file-not-there", "check-name")
    kept = read_kept(book)
    items = dict.fromkeys(item for row in kept.rows.values() for item in row.items)
    known = ("group", "practical", "setup", "status", "result", "value", "expanded", "unit",
             "saved", "file")  # fmt: skip
    rows = []
    for past in kept.history:
        if (past.key, past.readings) in kept.counted:
            typed = kept.rows.get(past.key)
            marks: Mapping[str, Any] = {} if typed is None else typed.items
            cells = [getattr(past, name) for name in known]
            rows.append([*cells, typed.comment if typed else "", *map(marks.get, items)])
    return _table(rows, (*known, "comment", *(f"mark {item}" for item in items)))


def read_archive(path: Name) -> Table:
    """The results of the years, one row each, in the order in which they were added.

    Returns
    -------
    Table
        ``year``, ``practical``, ``setup``, ``code`` (empty when it was purged), ``result``,
        ``statement``, ``status``, ``revision``; ``value``, ``u`` (standard uncertainty) and
        ``expanded`` in the coherent SI ``unit``; and the other columns of the archive.

    Raises
    ------
    SheetlabError
        If there is no archive, it is damaged, or somebody else does not let go of it.
    """
    from sheetlab.years.database import read
    from sheetlab.years.ledger import COLUMNS, flat

    return _table(map(flat, read(Path(path)).rows), tuple(COLUMNS))


def _table(rows: Iterable[Sequence[Any]], columns: tuple[str, ...]) -> Table:
    return Table(tuple(dict(zip(columns, row, strict=True)) for row in rows), columns)


def _text(value: Any) -> str:
    """A cell of a table in one harmless line."""
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else harmless(str(value))


def _escaped(text: str) -> str:
    return html.escape(harmless(text))


def _html(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> str:
    def line(cells: Iterable[str], tag: str) -> str:
        inside = "".join(f"<{tag}>{html.escape(cell)}</{tag}>" for cell in cells)
        return f"<tr>{inside}</tr>"

    body = "".join(line((_text(row.get(c)) for c in columns), "td") for row in rows)
    return f"<table><thead>{line(columns, 'th')}</thead><tbody>{body}</tbody></table>"
