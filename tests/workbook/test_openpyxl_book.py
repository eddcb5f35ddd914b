"""A workbook that is open in openpyxl gives what its file gives, and stays as it is."""

from __future__ import annotations

import datetime
import io
import math
import warnings
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from examples import WORKBOOKS, filled, practical
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from sheetlab.finding import SheetlabError
from sheetlab.practical.fields import DerivedField, InputField
from sheetlab.workbook.layout import defined_name
from sheetlab.workbook.openpyxlbook import NAME, OpenpyxlBook, open_openpyxl
from sheetlab.workbook.reader import Contents, read_store, read_workbook

GROUPS = sorted(WORKBOOKS)
SECONDS = st.integers(0, 86_399).map(lambda s: datetime.timedelta(seconds=s))
DAYS = st.datetimes(datetime.datetime(1931, 1, 1), datetime.datetime(2060, 1, 1))
NUMBERS = st.one_of(
    # openpyxl writes 16 digits
    st.floats(allow_nan=False, allow_infinity=False).map(lambda x: float(f"{x:.15g}")),
    st.integers(-(10**300), 10**300),
    st.sampled_from([0, 1, 0.31, 46054, 1e-300]),
).filter(lambda number: math.isfinite(number) and (number != 0 or str(number)[0] != "-"))
"""Without infinity, to which the largest numbers are rounded (no cell holds it), and without −0,
which no program keeps and openpyxl reads as 0."""
TEXTS = st.one_of(
    st.sampled_from(
        [
            "0,31",
            "1.2",
            " 3 ",
            "1,234",
            "",
            " ",
            "≈ 5",
            "5 mm",
            "yes",
            "brass",
            "TRUE",
            "'5",
            "=",
            "1\n2",
            "_x000D_",
            "5\u202e1",
            "\ufeff5",
            "１２",
            "#N/A",
            "#REF!",
            "5\u00a0000",
            "x" * 300,
        ]
    ),
    st.text(st.characters(min_codepoint=32, exclude_categories=["Cs", "Cn"]), max_size=12),
)
VALUES = st.one_of(
    NUMBERS,
    TEXTS.filter(lambda text: "_x" not in text[:1] and "\x7f" not in text),
    st.booleans(),
    st.none(),
    DAYS.map(lambda day: day.replace(microsecond=0)),
    DAYS.map(datetime.datetime.date),
    SECONDS.map(lambda gone: (datetime.datetime.min + gone).time()),
    SECONDS,
    st.sampled_from(["=1+1", "=A1", '="5"', "=B7*2"]),
)
FORMATS = st.sampled_from([None, None, "General", "0.00", "yyyy-mm-dd", "[h]:mm", '0 "days"', "d."])
EDITS = st.tuples(st.integers(0), st.integers(0), VALUES, FORMATS)


def cell_of(book: Any, one: InputField | DerivedField, row: int) -> Any:
    """A cell of an input, made only if the workbook has it."""
    sheet, address = next(iter(book.defined_names[defined_name(one)].destinations))
    cells = book[sheet][address]
    return cells[row % len(cells)][0] if isinstance(cells, tuple) else cells


def edit(book: Any, one: InputField | DerivedField, row: int, value: Any, form: str | None) -> None:
    cell = cell_of(book, one, row)
    try:
        cell.value = value
    except openpyxl.utils.exceptions.IllegalCharacterError:
        return
    if form is not None and not isinstance(
        value, str | datetime.timedelta | datetime.time | datetime.datetime
    ):
        # a day before the first of the program, or after the last one, is none in openpyxl
        day = form in ("yyyy-mm-dd", "[h]:mm", "d.")
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not (day and number) or value in (0, 1, 0.31, 46054):
            cell.number_format = form
    if cell.is_date and cell.data_type == "n" and value not in (None, 0, 1, 0.31, 46054):
        # left by an earlier edit
        cell.number_format = "General"


def same(contents: Contents) -> tuple[Any, ...]:
    """What has to be the same, whichever store the cells come from."""
    seen = contents.observations
    return seen.entries, seen.findings, contents.identity


def state(book: Any) -> Any:
    """All of an open workbook that reading could change."""
    return [
        (
            sheet.title,
            [(at, repr(cell.value), cell.style_id) for at, cell in sheet._cells.items()],
            list(sheet.row_dimensions),
            list(sheet.column_dimensions),
        )
        for sheet in book.worksheets
    ], list(book.defined_names)


def saved(book: Any, path: Path) -> Path:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book.save(path)
    return path


def loaded(path: Path, **how: Any) -> Any:
    with warnings.catch_warnings():
        # it says that it drops what it does not know
        warnings.simplefilter("ignore")
        return openpyxl.load_workbook(io.BytesIO(path.read_bytes()), **how)


@settings(phases=[Phase.explicit, Phase.reuse, Phase.generate])  # shrinking takes minutes
@given(
    group=st.sampled_from(GROUPS),
    edits=st.lists(EDITS, max_size=12),
    hidden=st.lists(st.integers(1, 60), max_size=4),
    unprotected=st.booleans(),
    lost=st.lists(st.integers(0), max_size=2),
    gone=st.booleans(),
)
def test_openpyxl_gives_what_the_file_gives(
    tmp_path_factory: pytest.TempPathFactory, group: str, edits: list[Any], hidden: list[int],
    unprotected: bool, lost: list[int], gone: bool,
) -> None:  # fmt: skip
    path = tmp_path_factory.mktemp("book") / NAME
    path.write_bytes(filled(group))
    book = loaded(path)
    one = practical(WORKBOOKS[group].practical, WORKBOOKS[group].runs)
    inputs, derived = list(one.inputs.values()), list(one.derived.values())
    derived = [d for d in derived if defined_name(d) in book.defined_names]
    for which, row, value, form in edits:
        # one in eight goes into a worked-out cell
        some: list[Any] = derived if which % 8 == 7 else inputs
        edit(book, some[which % len(some)], row, value, form)
    for sheet in book.worksheets[:3]:
        for number in hidden:
            sheet.row_dimensions[number].hidden = True
    if unprotected:
        book.worksheets[1].protection.sheet = False
        cell_of(book, derived[0], 0).protection = openpyxl.styles.Protection(locked=False)
    for number in lost:
        book.defined_names.pop(defined_name(inputs[number % len(inputs)]), None)
    if gone:
        book.worksheets[1].sheet_state = "hidden"
    before = state(book)
    open_one = same(read_store(open_openpyxl(book)))
    assert state(book) == before
    of_file = same(read_workbook(saved(book, path)))
    assert open_one == of_file
    assert same(read_store(open_openpyxl(loaded(path)))) == of_file


def test_an_empty_text_is_a_blank_cell(tmp_path: Path) -> None:
    path = tmp_path / NAME
    path.write_bytes(filled("Dunlin"))
    book = loaded(path)
    derived = practical(WORKBOOKS["Dunlin"].practical, WORKBOOKS["Dunlin"].runs).derived
    cell = cell_of(
        book, next(d for d in derived.values() if defined_name(d) in book.defined_names), 0
    )
    cell.value = ""
    assert same(read_store(open_openpyxl(book))) == same(read_workbook(saved(book, path)))


@pytest.mark.parametrize("group", ["Avocet", "Sanderling"])
def test_last_values_are_those_of_the_file(tmp_path: Path, group: str) -> None:
    path = tmp_path / NAME
    path.write_bytes(filled(group))
    of_file = read_workbook(path).observations
    values = read_store(open_openpyxl(loaded(path, data_only=True))).observations
    assert values.entries == of_file.entries
    assert values.findings == of_file.findings
    # a formula that shows an empty text is a blank cell there
    shown, known = (
        {key: [entry.value for entry in entries] for key, entries in one.shown.items()}
        for one in (values, of_file)
    )
    assert shown == known
    assert any(value is not None for column in shown.values() for value in column)
    formulas = read_store(open_openpyxl(loaded(path))).observations
    assert formulas.entries == of_file.entries
    assert formulas.findings == of_file.findings


def test_a_formula_for_a_reading_has_its_last_value_only_if_values_were_loaded(
    tmp_path: Path,
) -> None:
    path = tmp_path / NAME
    path.write_bytes(filled("Avocet"))
    book = loaded(path)
    key = "screw_gauge.least_count"
    one = practical("wire-stretching").inputs.get(key) or next(
        field for field in practical("wire-stretching").inputs.values() if field.kind == "number"
    )
    cell_of(book, one, 0).value = "=1/100"
    seen = read_store(open_openpyxl(book)).observations
    assert seen.entries[one.key][0].value is None
    assert "formula-for-reading" in [f.code for f in seen.findings]


@pytest.mark.parametrize("how", [{"read_only": True}, {}])
def test_a_workbook_of_rows_is_refused_in_words(tmp_path: Path, how: dict[str, bool]) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(filled("Avocet"))
    book = openpyxl.load_workbook(path, **how) if how else openpyxl.Workbook(write_only=True)
    with pytest.raises(SheetlabError, match="give the path itself"):
        open_openpyxl(book)
    book.close()


def test_a_foreign_workbook_is_told(tmp_path: Path) -> None:
    with pytest.raises(SheetlabError, match="not issued by sheetlab"):
        read_store(open_openpyxl(openpyxl.Workbook()))


@pytest.mark.parametrize("number", [14, 30, 45, 58])
def test_a_format_that_is_known_by_its_number_is_that_of_a_date(number: int) -> None:
    book = openpyxl.Workbook()
    book.active["A1"] = 46054
    book.active["A1"].number_format = "0.00"
    book.active["A1"]._style.numFmtId = number
    store: OpenpyxlBook = open_openpyxl(book)
    assert store.cells("Sheet")[0, 0].style in store.date_styles
