"""What the buttons ask of Excel: the calls that xlwings' own Windows code makes to its objects.

Excel is played by objects that note every call, so this shows what is asked, not that Excel does
it; the names are those of Microsoft's reference.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any
from unittest.mock import MagicMock, call

import pytest
from live.windows import xlwings_of_windows

from sheetlab.finding import Severity, SheetlabError
from sheetlab.live.excel import commands, program
from sheetlab.live.inplace import RULES, TAIL, Doubt

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def excel() -> Iterator[SimpleNamespace]:
    with xlwings_of_windows() as found:
        yield found


def cell(**members: Any) -> MagicMock:
    """A single cell without notes."""
    one = MagicMock(name="cell", **members)
    one.Rows.Count = one.Columns.Count = 1
    one.Comment = one.CommentThreaded = None
    return one


def sheet(name: str, protected: bool = False) -> MagicMock:
    one = MagicMock(name=name)
    one.Name = name
    one.ProtectContents = one.ProtectDrawingObjects = one.ProtectScenarios = protected
    one.ProtectionMode = False
    one.Protection = SimpleNamespace(**dict.fromkeys(program._ALLOWED, False))
    one.Protection.AllowFormattingColumns = True
    one.Comments = []
    one.Cells.FormatConditions.__iter__.side_effect = lambda: iter([])

    def lift(password: str) -> None:
        one.ProtectContents = False

    one.Unprotect.side_effect = lift
    return one


def workbook(excel: SimpleNamespace, *sheets: MagicMock) -> Any:
    import xlwings as xw

    com = MagicMock(name="workbook")
    com.Name = "one.xlsx"
    com.Worksheets.Count = len(sheets)
    com.Worksheets.side_effect = lambda key: (
        sheets[key - 1] if isinstance(key, int) else next(s for s in sheets if s.Name == key)
    )
    com.Worksheets.__iter__.side_effect = lambda: iter(sheets)
    com.Application.Hwnd = 1
    return xw.Book(impl=excel.windows.Book(xl=com))


def test_a_copy_is_saved_under_another_name(excel: SimpleNamespace) -> None:
    book = workbook(excel, sheet("Start"))
    with program.copied(book) as copy:
        assert book.api.mock_calls == [call.SaveCopyAs(str(copy))]
    assert copy.name == "one.xlsx"


def test_sheets_are_copied_in_one_call_behind_the_last(excel: SimpleNamespace) -> None:
    last = sheet("My result")
    book = workbook(excel, sheet("Start"), last)
    source = workbook(excel, sheet("Evaluation"), sheet("Graphs"))
    program.take_sheets(book, source)
    assert source.api.Worksheets.Copy.mock_calls == [call(After=last)]


def test_names_are_added_and_hidden(excel: SimpleNamespace) -> None:
    book = workbook(excel, sheet("Start"))
    program.set_hidden_name(book, "sheetlab_result_1", "='Evaluation'!$A$1")
    assert book.api.Names.Add.mock_calls[0] == call("sheetlab_result_1", "='Evaluation'!$A$1")
    assert book.api.Names.Add.return_value.Visible is False


def test_a_mark_is_a_rule_and_a_note_on_an_unprotected_sheet(excel: SimpleNamespace) -> None:
    readings = sheet("Readings", protected=True)
    place = cell()
    readings.Range.side_effect = lambda *address: place
    book = workbook(excel, sheet("Start"), readings)
    doubts = [
        Doubt("Readings", "D11", Severity.DOUBTFUL, "Look again."),
        Doubt("Readings", "D11", Severity.STOP, "It is empty."),
    ]
    assert commands._mark(book, doubts) == commands.Marked(1)
    assert readings.Range.call_args_list[0].args[0] == "D11"
    add = place.FormatConditions.Add.mock_calls[0]
    assert add.kwargs["Formula1"] == f"={RULES[Severity.STOP]}"
    assert add.kwargs["Type"] == excel.windows.constants.FormatConditionType.xlExpression
    rule = place.FormatConditions.Add.return_value
    assert rule.Interior.Color == 0xA0A6F4  # blue, green, red: the gravest of two
    assert place.AddComment.mock_calls == [call(f"sheetlab: Look again.\n\nIt is empty.{TAIL}")]
    # the cell's own format is not asked for, let alone set
    assert "Interior" not in place._mock_children
    names = [name for name, *_ in readings.method_calls if name in ("Unprotect", "Protect")]
    assert names == ["Unprotect", "Protect"]
    told = readings.Protect.call_args.kwargs
    assert told["Contents"] is told["DrawingObjects"] is told["Scenarios"] is True
    assert told["UserInterfaceOnly"] is False
    assert told["AllowFormattingColumns"] is True
    assert told["AllowFormattingCells"] is False
    assert "Password" not in told


def test_an_unprotected_sheet_stays_so(excel: SimpleNamespace) -> None:
    plain = sheet("Notes")
    book = workbook(excel, plain)
    with program.unprotected(book.sheets[0]):
        pass
    assert plain.method_calls == []


def test_a_password_is_a_finding(excel: SimpleNamespace) -> None:
    locked = sheet("Readings", protected=True)
    locked.Unprotect.side_effect = excel.windows.pywintypes.com_error
    book = workbook(excel, locked)

    def lift() -> None:
        with program.unprotected(book.sheets[0]):
            raise AssertionError

    with pytest.raises(SheetlabError, match="password"):
        lift()
    assert locked.Protect.mock_calls == []
