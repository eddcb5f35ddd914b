"""An open workbook is evaluated under the same guard as a file."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from examples import SHIPPED, filled, layout
from workbook.odf import open_document

from sheetlab.finding import Place, Severity, SheetlabError, asked
from sheetlab.handling import workers
from sheetlab.live.excel import commands
from sheetlab.live.inplace import NO_READINGS, doubts, own_titles, prepare
from sheetlab.practical.definition import Assist
from sheetlab.workbook import evaluate_file as module
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.template import write_template

DOUBTFUL = "Fulmar"


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    path = tmp_path / "copy.xlsx"
    path.write_bytes(filled(DOUBTFUL))
    return path


def test_an_open_workbook_that_never_ends_is_given_up(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if workers.METHOD != "fork":
        pytest.skip("other processes know nothing of what is replaced in this one")
    # an end of its own, so that this test fails and not hangs
    monkeypatch.setattr(module, "assess", lambda *args, **kwargs: time.sleep(30))
    monkeypatch.setattr(workers, "LONGEST", 0.2)
    with pytest.raises(SheetlabError) as told:
        prepare(copy)
    assert [f.code for f in told.value.findings] == ["took-too-long"]


def test_an_unforeseen_error_is_told_as_that_of_a_file(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*args: object, **kwargs: object) -> None:
        raise RuntimeError

    monkeypatch.setattr(module, "assess", fails)
    with pytest.raises(SheetlabError) as told:
        prepare(copy)
    assert told.value.findings == evaluate_file(copy, None).findings
    assert [f.code for f in told.value.findings] == ["file-unreadable"]


def test_an_open_ods_is_refused_before_result_sheets_pile_up(copy: Path, tmp_path: Path) -> None:
    evaluated = tmp_path / "evaluated.xlsx"
    assert evaluate_file(copy, evaluated).written
    assert len(own_titles(evaluated)) == 6
    ods = tmp_path / "copy.ods"
    ods.write_bytes(open_document(evaluated.read_bytes()))
    assert evaluate_file(ods, None).assessment is not None
    for ask in (prepare, own_titles):
        with pytest.raises(SheetlabError) as told:
            ask(ods)
        (finding,) = told.value.findings
        assert (finding.code, finding.severity) == ("saved-as-ods", Severity.STOP)
        assert "Save As" in finding.remedy


def test_a_note_is_no_doubt_to_mark() -> None:
    place = Place("", "Readings", "D11")
    found = [asked("code", severity, "found", place=place) for severity in Severity]
    assert [d.severity for d in doubts(tuple(found))] == [Severity.DOUBTFUL, Severity.STOP]


def test_what_no_cell_stands_for_is_told(tmp_path: Path) -> None:
    path = tmp_path / "filled.xlsx"
    path.write_bytes(filled("Redshank"))  # 6.4 % low, and no cell shows why
    (message,) = prepare(path).elsewhere
    said = commands._said_of_marks(commands.Marked(0, (message,)))
    assert said == f"No cell is marked.\n\n{message}"
    path.write_bytes(write_template(layout(SHIPPED[0], Assist.CORRECTED)))
    assert prepare(path).elsewhere == (NO_READINGS,)
