"""The buttons of Excel, pressed in a real spreadsheet: Calc behind xlwings' object model."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import xlwings as xw
from calc.office import Office, available, profile_with
from calc.xlwings_engine import SERVER, NameMembers, SheetMembers, app_over

import sheetlab
from sheetlab.classes.demo import demo_class, fill
from sheetlab.finding import SheetlabError
from sheetlab.live.calc.extension import extension
from sheetlab.live.excel import commands, vba
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.inplace import COLOURS, NOTE, RULES
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import catalogue
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.graft import TITLES

pytestmark = pytest.mark.calc

DOUBTFUL = "Petrel"
OTHER_PRACTICAL = "Turnstone"
COLOUR = 0x3366CC


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[xw.App]:
    if not available():
        pytest.fail("these tests need LibreOffice Calc and python3-uno (see DEVELOPERS.md)")
    with Office(tmp_path_factory.mktemp("profile"), SERVER) as office:
        yield app_over(office)


def hand_in(group: str, path: Path) -> Path:
    """The workbook that a group of the demo class hands in."""
    (one,) = [one for one in demo_class()[1] if one.group.name == group]
    fill(catalogue(), one, path, Assist.CORRECTED)
    return path


@pytest.fixture
def opened(app: xw.App, tmp_path: Path) -> Iterator[Any]:
    """Opens workbooks, and closes whatever is open in the end."""

    def open_book(path: Path) -> xw.Book:
        return app.books.open(str(path))

    app.impl.said.clear()
    yield open_book
    for book in list(app.books):
        book.close()


@pytest.fixture
def book(opened: Any, tmp_path: Path) -> xw.Book:
    return opened(hand_in(DOUBTFUL, tmp_path / "one.xlsx"))  # type: ignore[no-any-return]


def contents(book: xw.Book, titles: Any) -> dict[str, Any]:
    """Every value of some sheets."""
    return {title: book.sheets[title].used_range.options(ndim=2).value for title in titles}


def inside(book: xw.Book, titles: Any) -> dict[str, Any]:
    """What stands in every cell of some sheets, formulas as formulas."""
    return {title: book.impl.do("typed", sheet=title) for title in titles}


def charts(book: xw.Book) -> list[Any]:
    return book.impl.do("charts")  # type: ignore[no-any-return]


def names(book: xw.Book) -> list[str]:
    return [name.name for name in book.names if name.name.startswith("sheetlab_result_")]


def titles(book: xw.Book) -> list[str]:
    return [sheet.name for sheet in book.sheets]


def look(book: xw.Book, sheet: str, cell: str) -> Any:
    return book.impl.do("look", sheet=sheet, address=cell)


def marks(book: xw.Book) -> dict[tuple[str, str], Any]:
    """Where marks are, with the text of the note there."""
    found = {}
    for sheet in book.sheets:
        notes = {n.location.address: n.text for n in sheet.notes}
        for _, area, formula, colour in sheet.impl.do("rules"):
            (severity,) = (s for s, rule in RULES.items() if formula == f"={rule}")
            assert colour == COLOURS[severity]
            cell = area.rpartition(".")[2].replace("$", "")
            found[(sheet.name, cell)] = notes.get(sheet.range(cell).address)
    return found


@pytest.mark.parametrize("group", [DOUBTFUL, OTHER_PRACTICAL])
def test_in_place_is_as_a_file(opened: Any, tmp_path: Path, group: str) -> None:
    filled = hand_in(group, tmp_path / "open.xlsx")
    done = evaluate_file(filled, tmp_path / "file.xlsx")
    assert done.written is not None
    assert done.assessment is not None
    book = opened(filled)
    inputs = titles(book)
    typed = inside(book, inputs)
    prepared = commands.evaluate_book(book)
    assert prepared.assessment.findings == done.assessment.findings
    by_file = opened(done.written)
    assert titles(book) == titles(by_file) == [*inputs, *TITLES]
    assert contents(book, TITLES) == contents(by_file, TITLES)
    drawn = charts(book)
    assert drawn == charts(by_file)
    assert {sheet for sheet, *_ in drawn} >= {"Budget", "Graphs"}
    assert ["Graphs", ['values-y: "loading"']] in [one[:2] for one in drawn] or group != DOUBTFUL
    assert all("$Working." in one for s, _, ranges, _ in drawn if s == "Graphs" for one in ranges)
    assert inside(book, inputs) == typed
    assert names(book) == [f"sheetlab_result_{k}" for k in range(1, len(TITLES) + 1)]
    assert {(book.impl.number, name) for name in names(book)} <= NameMembers.hidden
    # the open workbook keeps its name, no other one is left open, and the program is as it was
    assert Path(book.fullname) == filled
    assert len(book.app.books) == 2
    assert (book.app.screen_updating, book.app.display_alerts, book.app.enable_events) == (
        True,
    ) * 3


def test_evaluating_again_replaces_and_follows_what_was_typed(
    book: xw.Book, opened: Any, tmp_path: Path
) -> None:
    first = commands.evaluate_book(book)
    before = contents(book, TITLES)
    commands.evaluate_book(book)
    assert contents(book, TITLES) == before
    assert len(names(book)) == len(TITLES)
    cell = first.doubts[1]
    assert book.sheets[cell.sheet][cell.cell].value == 92.0
    book.sheets[cell.sheet][cell.cell].value = 42.0
    again = commands.evaluate_book(book)
    assert cell not in again.doubts
    assert contents(book, TITLES) != before
    assert titles(book)[-len(TITLES) :] == list(TITLES)
    # what the program saves is evaluated as a file, in the place of the same sheets
    saved = tmp_path / "saved.xlsx"
    book.save(str(saved))
    now = contents(book, TITLES)
    book.close()
    with zipfile.ZipFile(saved) as archive:
        drawn = [name for name in archive.namelist() if name.startswith("xl/charts/chart")]
        text = b"".join(archive.read(name) for name in drawn).decode()
    ranges = re.findall(r"<c:f>(.*?)</c:f>", text)
    assert len(drawn) == 3
    assert "loading" in text
    assert len(ranges) > 5
    assert not [one for one in ranges if "[" in one or "#REF" in one]  # no other workbook
    done = evaluate_file(saved, tmp_path / "file.xlsx")
    assert done.written is not None
    by_file = opened(done.written)
    assert contents(by_file, TITLES) == now
    assert len(titles(by_file)) == len(set(titles(by_file)))
    assert "Evaluation (2)" not in titles(by_file)
    # and the other way round: sheets of a file are replaced by those of the program
    commands.evaluate_book(by_file)
    assert contents(by_file, TITLES) == now
    assert "Evaluation (2)" not in titles(by_file)


def test_marks_leave_formats_and_notes_of_others_alone(
    book: xw.Book, opened: Any, tmp_path: Path
) -> None:
    places = [("Readings", "D11"), ("Readings", "F14")]
    free = ("Readings", "A1")
    sheet = book.sheets["Readings"]
    kept = "F14", "my own remark"
    with commands.program.unprotected(sheet):
        book.impl.do("set_look", sheet="Readings", address="F14", colour=COLOUR)
        sheet[kept[0]].add_note(kept[1])
        sheet["B2"].add_note("sheet and lab")
    looks = {place: look(book, *place) for place in (*places, free)}
    marked = commands.mark_book(book)
    assert marked == commands.Marked(2)
    found = marks(book)
    assert set(found) == set(places)
    assert found[places[0]].startswith(NOTE + "“loading coincidence” is empty")
    assert found[places[1]] == kept[1]
    assert looks == {place: look(book, *place) for place in looks}
    assert looks[places[1]][0] == COLOUR
    # marking again gives the same, not more
    assert commands.mark_book(book) == marked
    assert marks(book) == found
    assert all(s.api.ProtectContents for s in book.sheets)
    told = SheetMembers.kept[(book.impl.number, "Readings")]
    assert told["AllowFormattingColumns"] is True
    assert told["AllowFormattingCells"] is False
    assert told["DrawingObjects"] is True
    # saved and opened again: what is ours is still known
    book.save(str(tmp_path / "marked.xlsx"))
    book.close()
    book = opened(tmp_path / "marked.xlsx")
    assert marks(book) == found
    assert look(book, *places[1])[0] == COLOUR
    assert commands.clear_book(book) == commands.Marked(0)
    assert marks(book) == {}
    texts = sorted(note.text for note in book.sheets["Readings"].notes)
    assert texts == [kept[1], "sheet and lab"]
    assert look(book, *places[1])[0] == COLOUR


def test_a_note_of_ours_that_someone_has_written_into_stays(book: xw.Book) -> None:
    commands.mark_book(book)
    sheet, cell = book.sheets["Readings"], "D11"
    with commands.program.unprotected(sheet):
        (note,) = (one for one in sheet.notes if one.location.address == sheet[cell].address)
        said = f"{note.text}\nAsked the group, it was 12. T."
        note.delete()
        sheet[cell].add_note(said)
    commands.mark_book(book)
    assert set(marks(book)) == {("Readings", "D11"), ("Readings", "F14")}
    assert marks(book)[("Readings", cell)] == said
    commands.clear_book(book)
    assert marks(book) == {}
    assert [note.text for note in sheet.notes] == [said]


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_calc_and_excel_clear_marks_of_each_other(
    opened: Any, book: xw.Book, tmp_path: Path, kind: str
) -> None:
    places = [["Readings", "D11"], ["Readings", "F14"]]
    commands.mark_book(book)
    ours = marks(book)
    path = tmp_path / f"by-excel.{kind}"
    book.save(str(path))
    book.close()
    with (
        profile_with(extension()) as profile,
        Office(profile) as office,
        office.book(path) as in_calc,
    ):
        assert [one[:2] for one in in_calc.coloured()] == places
        assert in_calc.command("clear") == (True, "Taken away: 0 result sheets, 2 marks.")
        assert (in_calc.coloured(), in_calc.comments()) == ([], [])
        assert in_calc.command("check")[0]
        assert [one[:2] for one in in_calc.coloured()] == places
        in_calc.save(tmp_path / "by-calc.xlsx")
    by_calc = opened(tmp_path / "by-calc.xlsx")
    assert marks(by_calc) == ours
    assert commands.mark_book(by_calc) == commands.Marked(2)
    assert marks(by_calc) == ours
    commands.clear_book(by_calc)
    assert marks(by_calc) == {}
    assert [note.text for sheet in by_calc.sheets for note in sheet.notes] == []


def test_an_open_ods_is_refused_and_stays_as_it_is(
    opened: Any, book: xw.Book, tmp_path: Path
) -> None:
    commands.evaluate_book(book)
    book.save(str(tmp_path / "saved.ods"))
    book.close()
    ods = opened(tmp_path / "saved.ods")
    before = titles(ods)
    ods.set_mock_caller()
    for button in (commands.evaluate, commands.mark, commands.clear):
        button()
    assert len(ods.app.impl.said) == 3
    assert all("is an .ods file" in said for said in ods.app.impl.said)
    assert titles(ods) == before


def test_marks_follow_when_the_workbook_is_evaluated_again(book: xw.Book) -> None:
    commands.evaluate_book(book)
    assert marks(book) == {}  # nobody asked for marks
    commands.mark_book(book)
    assert len(marks(book)) == 2
    book.sheets["Readings"]["F14"].value = 42.0
    commands.evaluate_book(book)
    assert set(marks(book)) == {("Readings", "D11")}


def test_clearing_leaves_the_workbook_as_it_was(book: xw.Book) -> None:
    before = titles(book)
    typed = inside(book, before)
    named = [name.name for name in book.names]
    commands.evaluate_book(book)
    commands.mark_book(book)
    commands.clear_book(book)
    assert titles(book) == before
    assert inside(book, before) == typed
    assert [name.name for name in book.names] == named
    assert charts(book) == []
    assert all(sheet.api.ProtectContents for sheet in book.sheets)
    commands.clear_book(book)
    assert titles(book) == before


def test_a_students_own_sheet_stays(book: xw.Book) -> None:
    book.impl.do("add_sheet", sheet="Evaluation")
    book.sheets["Evaluation"]["A1"].value = "mine"
    commands.evaluate_book(book)
    assert book.sheets["Evaluation"]["A1"].value == "mine"
    assert titles(book)[-6:] == ["Evaluation (2)", *TITLES[1:]]
    commands.clear_book(book)
    assert titles(book)[-1] == "Evaluation"


def test_the_buttons_show_or_say_what_came_out(book: xw.Book, opened: Any, tmp_path: Path) -> None:
    said = book.app.impl.said
    book.set_mock_caller()
    commands.mark()
    assert said == ["2 doubtful cells are marked."]
    commands.evaluate()
    assert book.sheets.active.name == "Evaluation"
    commands.clear()
    assert len(said) == 1
    book.sheets["Readings"]["F14"].value = 42.0
    commands.mark()
    assert said[1:] == ["One doubtful cell is marked."]


def test_a_foreign_workbook_is_refused_in_a_sentence(app: xw.App, opened: Any) -> None:
    foreign = app.books.add()
    foreign.set_mock_caller()
    for button in (commands.evaluate, commands.mark):
        button()
    assert len(app.impl.said) == 2
    assert all("issued by sheetlab" in said for said in app.impl.said)
    assert len(foreign.sheets) == 1
    assert app.screen_updating is True
    commands.clear()  # nothing of ours is there
    assert len(app.impl.said) == 2


def test_a_locked_workbook_and_a_locked_sheet_are_told(book: xw.Book) -> None:
    book.impl.do("unprotect", sheet="Readings", password="")
    book.impl.do("protect", sheet="Readings", password="the teacher's")
    book.set_mock_caller()
    commands.mark()
    (said,) = book.app.impl.said
    assert said.startswith("No doubtful cell")
    assert "“Readings” is protected with a password" in said
    assert marks(book) == {}
    assert book.sheets["Readings"].api.ProtectContents
    book.impl.locked = True
    commands.evaluate()
    assert "does not let sheets be added" in book.app.impl.said[1]
    assert "Evaluation" not in titles(book)


def test_if_taking_in_fails_nothing_is_left_open_and_it_is_said(
    book: xw.Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any) -> None:
        raise RuntimeError("Excel is busy")

    monkeypatch.setattr(commands.program, "take_sheets", fails)
    book.set_mock_caller()
    commands.evaluate()
    assert book.app.impl.said == [
        "RuntimeError: Excel is busy\n\nPlease report it with the workbook."
    ]
    assert len(book.app.books) == 1
    assert book.app.screen_updating is True


def test_protection_comes_back_when_marking_fails(book: xw.Book) -> None:
    sheet = book.sheets["Readings"]

    def fails() -> None:
        with commands.program.unprotected(sheet):
            assert not sheet.api.ProtectContents
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    assert sheet.api.ProtectContents
    book.impl.do("unprotect", sheet="Readings", password="")
    book.impl.do("protect", sheet="Readings", password="x")
    with pytest.raises(SheetlabError, match="password"):
        fails()
    assert sheet.api.ProtectContents


def test_the_macros_compile_and_refuse_what_would_choose_what_is_run(
    app: xw.App, tmp_path: Path
) -> None:
    """Calc's Basic reads VBA: the module that Excel imports is sound for it."""
    folder = Path(xw.__file__).parent
    theirs = (folder / "xlwings_custom_addin.bas").read_text("utf-8", "replace")
    (looks,) = re.findall(r"^Function SheetExists\(.*?^End Function", theirs, re.M | re.S)
    head, _, text = vba.module_text(FUNCTIONS.values(), "0").replace("\r", "").partition("\n")
    assert head == 'Attribute VB_Name = "sheetlab_live"'  # no line of the program itself
    probe = "\nFunction Compiled()\n    Compiled = 42\nEnd Function\n"

    def run(text: str, function: str, arguments: Any = (), sheets: Any = (), name: str = "") -> Any:
        return app.impl.office.call(
            "run_basic",
            modules={"sheetlab_live": text + probe, "xlwings": looks},
            sheets=sheets,
            function=f"sheetlab_live.{function}",
            arguments=arguments,
            path=str(tmp_path / name) if name else "",
        )

    assert run(text, "Compiled") == 42
    assert run(text.replace("Exit Sub", "Exit Subway", 1), "Compiled") is None
    foreign = run(text, "LEAST_COUNT", [0.5, 50], [f"{vba.PROJECT}.conf"])
    assert foreign == "sheetlab: this workbook has a sheet myaddin.conf, delete it first"
    assert run(text, "LEAST_COUNT", [0.5, 50], ["conf"]) != foreign
    program = run(text, "LEAST_COUNT", [0.5, 50], ["Data", "x.PY"])
    assert str(program).startswith("sheetlab: rename the sheet x.PY, which xlwings takes for")
    refused = "sheetlab: the name of the workbook or its folder has ^ or %; rename it"
    for name in ("x^&calc .ods", "100 %PATH%.ods"):
        assert run(text, "LEAST_COUNT", [0.5, 50], name=name) == refused
    assert run(text, "LEAST_COUNT", [0.5, 50], name="salt & pepper.ods") != refused


def test_a_script_evaluates_the_book_as_it_is_now(opened: Any, tmp_path: Path) -> None:
    path = hand_in(DOUBTFUL, tmp_path / "one.xlsx")
    of_file = sheetlab.evaluate(path)
    book = opened(path)
    before = inside(book, titles(book))
    assert sheetlab.evaluate(book).record() == of_file.record()
    # typed into the open workbook, and not saved
    cell = of_file.readings().query("key == 'screw_gauge.turns'").iloc[0]
    book.sheets[cell["sheet"]].range(cell["cell"]).value = 2 * cell["value"]
    after = sheetlab.evaluate(book)
    assert after.workbook == "one.xlsx"
    assert after.value != of_file.value
    assert sheetlab.evaluate(path).record() == of_file.record()
    changed = inside(book, titles(book))
    assert titles(book) == list(before)
    differ = [
        (sheet, r, c)
        for sheet, rows in before.items()
        for r, row in enumerate(rows)
        for c, value in enumerate(row)
        if changed[sheet][r][c] != value
    ]
    assert len(differ) == 1
