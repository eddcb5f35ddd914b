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
from sheetlab.finding import SheetlabError, harmless
from sheetlab.handling.roster import Group, read_roster
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
        measurand = self._measurand
        return "" if measurand is None else self._words.statement_line(measurand)

    @property
    def value(self) -> float | None:
        """The first result, in ``unit``; None if there is none."""
        measurand = self._measurand
        return None if measurand is None else measurand.budget.value / self._scale

    @property
    def standard_uncertainty(self) -> float | None:
        """Standard uncertainty of the first result, in ``unit``; None if there is none."""
        measurand = self._measurand
        return None if measurand is None else measurand.budget.standard_uncertainty / self._scale

    @property
    def unit(self) -> str:
        """Unit of the first result and of the contributions in its budget."""
        measurand = self._measurand
        return "" if measurand is None else self._words.result_unit(measurand).pretty

    def record(self) -> dict[str, Any]:
        """All numbers as plain data in SI units, as ``sheetlab evaluate --json`` prints them."""
        return record(self.assessment, self.workbook)

    def readings(self) -> pd.DataFrame:
        """What was typed, a row for each filled cell but those about the group.

        Columns: ``key`` (of the input), ``title``, ``row`` (from 1; 0: not in a table), ``value``
        in ``unit`` (NaN: no number), ``unit``, ``text``, ``sheet``, ``cell``.
        """
        return _frame(self._readings(), READINGS)

    def budget(self) -> pd.DataFrame:
        """Uncertainty budget of the first result, the largest source first.

        Columns: ``source``, ``kind`` (evaluation of type A or B), ``distribution``, ``divided``
        (half-width, or standard deviation), ``divisor``, ``standard_uncertainty`` (it and
        ``divided`` in ``unit``), ``unit``, ``dof``, ``sensitivity`` (result's unit over ``unit``),
        ``contribution`` (in the unit of the result), ``share`` (of the variance, 0 to 1).
        """
        return _frame(self._budget(), BUDGET)

    def findings(self) -> pd.DataFrame:
        """What was found, what matters most first: ``code``, ``severity``, ``sheet``, ``cell``,
        ``message``.
        """
        return _frame(map(finding_record, self.assessment.findings), FINDINGS)

    @property
    def _measurand(self) -> ResultValue | None:
        return self.assessment.evaluation.measurand

    @property
    def _words(self) -> Words:
        return Words(self.assessment.practical, self.assessment.evaluation.profile)

    @property
    def _scale(self) -> float:
        """Coherent SI units in one of ``unit``."""
        measurand = self._measurand
        return 1.0 if measurand is None else self._words.result_unit(measurand).factor

    def _readings(self) -> Iterator[dict[str, Any]]:
        inputs = self.assessment.practical.inputs
        for key, entries in self.assessment.observations.entries.items():
            one = inputs[key]
            for number, entry in enumerate(entries, 1):
                if key.startswith(START_PREFIX) or (entry.value is None and not entry.text):
                    continue
                # a choice stands for a number of the definition, which nobody typed
                value = entry.value if one.kind == "number" else None
                cells = (key, one.title, number if one.table else 0, value, one.unit.pretty,
                         entry.text, entry.place.sheet, entry.place.cell)  # fmt: skip
                yield dict(zip(READINGS, cells, strict=True))

    def _budget(self) -> Iterator[dict[str, Any]]:
        if self._measurand is not None:
            yield from map(asdict, budget_lines(self._measurand.budget.rows, self._scale))

    def _lines(self) -> list[str]:
        """What decides the uncertainty, and what the workbook came to."""
        measurand = self._measurand
        dominant = [] if measurand is None else self._words.dominant_lines(measurand)
        return [*dominant, headline(self.assessment)]

    def __str__(self) -> str:
        first = f"{self.status}: {self.statement}" if self.statement else self.status
        findings = [f"  - {finding}" for finding in self.assessment.findings]
        return "\n".join(harmless(line) for line in (first, *self._lines(), *findings))

    def __repr__(self) -> str:
        return f"<sheetlab result: {self.status}, {harmless(self.statement) or 'no result'}>"

    def _repr_html_(self) -> str:
        shown = "".join(f"<p>{html.escape(harmless(line))}</p>" for line in self._lines())
        rows = list(map(finding_record, self.assessment.findings))
        return (
            f'<div class="{_UNTYPESET}"><p><b>{html.escape(harmless(self.statement))}</b> '
            f"({self.status}, {html.escape(harmless(self.workbook))})</p>{shown}"
            f"{_html(rows, FINDINGS) if rows else ''}</div>"
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
        return _frame(self.rows, self.columns)

    def __len__(self) -> int:
        return len(self.rows)

    def __getitem__(self, number: Any) -> Any:
        return self.rows[number]

    def __str__(self) -> str:
        lines = [list(self.columns)]
        lines += [[_text(row.get(c))[:LONGEST] for c in self.columns] for row in self._shown]
        widths = [max(map(len, cells)) for cells in zip(*lines, strict=True)]
        printed = ["  ".join(map(str.ljust, line, widths)).rstrip() for line in lines]
        return "\n".join(printed + self._more)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        more = "".join(f"<p>{line}</p>" for line in self._more)
        return f'<div class="{_UNTYPESET}">{_html(self._shown, self.columns)}{more}</div>'

    @property
    def _shown(self) -> tuple[Mapping[str, Any], ...]:
        return self.rows[:MOST_SHOWN]

    @property
    def _more(self) -> list[str]:
        more = len(self.rows) - MOST_SHOWN
        return [f"… and {more} more; frame() has all"] if more > 0 else []


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
        raise refuse(book, "is not there", remedy="Check the name.")
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


def _frame(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(columns))


def _text(value: Any) -> str:
    """A cell of a table in one harmless line."""
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else harmless(str(value))


def _html(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> str:
    head = "".join(f"<th>{html.escape(column)}</th>" for column in columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(_text(row.get(c)))}</td>" for c in columns) + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
