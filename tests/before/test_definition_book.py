"""A definition as a workbook: the same as its text, and every wrong cell told with its place."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from sheetlab.before import starter_text
from sheetlab.before.definition_blocks import Block, Key, blocks, put, put_single, rows_of
from sheetlab.before.definition_book import (
    definition_text,
    load_file,
    read_value,
    write_definition,
)
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.practical.definition import Definition
from sheetlab.practical.loader import catalogue, load
from sheetlab.practical.structure import structured
from sheetlab.workbook.sheet import Cell

STARTER = tomllib.loads(starter_text())
SHIPPED = ("simple-pendulum", "wire-stretching")


def written(tmp_path: Path, data: dict[str, Any], name: str = "own.xlsx") -> Path:
    path = tmp_path / name
    path.write_bytes(write_definition(data))
    return path


@pytest.mark.parametrize("name", [*SHIPPED, ""])
def test_a_workbook_says_what_the_text_says(tmp_path: Path, name: str) -> None:
    text = catalogue().text(name) if name else starter_text()
    again, places = definition_text(written(tmp_path, tomllib.loads(text)))
    one, other = (load(t, name="own.toml").definition for t in (text, again))
    assert replace(one, version="") == replace(other, version="")
    assert places["title"].sheet == "Practical"


def texts(key: Key) -> st.SearchStrategy[str]:
    if key.choices:
        return st.sampled_from(key.choices)
    letters = st.characters(categories=("L", "N", "P", "S", "Zs"), exclude_characters="\u00a0")
    plain = st.text(letters, min_size=1, max_size=20).map(lambda t: f"a{t}".strip())
    return plain.filter(lambda t: len(t) > 1)


NUMBERS = st.one_of(
    st.integers(-1000, 1000),
    # a spreadsheet keeps fifteen figures
    st.floats(-1e9, 1e9).map(lambda v: float(f"{v:.15g}")).filter(lambda v: abs(v) > 1e-9),
)


def values(key: Key) -> st.SearchStrategy[Any]:
    if key.kind is bool:
        return st.booleans()
    if key.kind is int:
        return st.integers(0, 999)
    if key.kind in (float, float | str):
        return NUMBERS
    if "tuple[tuple" in str(key.kind):
        return st.dictionaries(NUMBERS, NUMBERS, min_size=1).map(
            lambda pairs: [[float(x), float(y)] for x, y in pairs.items()]
        )
    if "tuple" in str(key.kind):
        return st.lists(texts(key), min_size=1, max_size=3)
    if "Mapping" in str(key.kind):
        return st.dictionaries(st.from_regex(r"[a-z]{1,6}", fullmatch=True), NUMBERS, min_size=1)
    return texts(key)


@st.composite
def definitions(draw: st.DrawFn) -> dict[str, Any]:
    """Data of a definition, of every key that there is; it need not mean anything."""
    data: dict[str, Any] = {"title": "A title"}
    plain = st.from_regex(r"[a-z][a-z_0-9]{0,7}", fullmatch=True).filter(lambda n: n != "none")
    names = st.one_of(plain, st.sampled_from(["name", "key", "of", "title"]))
    owners: dict[str, list[str]] = {}

    def some(block: Block) -> dict[Key, Any]:
        chosen = draw(st.lists(st.sampled_from(block.keys), max_size=6, unique=True))
        both = [k for k in block.keys if any(k.path == c.path for c in chosen) or k.needed]
        return {key: draw(values(key)) for key in both}

    for key, block in blocks().items():
        if block.single:
            for one in draw(st.lists(st.sampled_from(block.keys), max_size=4, unique=True)):
                put_single(data, block, one, draw(values(one)))
            continue
        for name in draw(st.lists(names, max_size=2, unique=True)):
            if block.first == "of":
                kind = "results" if key.startswith("results") else "inputs"
                for owner in owners.get(kind, [])[:1]:
                    put(data, block, owner, some(block))
            elif key.startswith("bench") or "." not in key:
                put(data, block, name, some(block))
                owners.setdefault(key, []).append(name)
            else:
                for owner in owners.get(key.partition(".")[0], [])[:1]:
                    put(data, block, f"{owner}.{name}", some(block))
    return data


@given(definitions())
def test_no_key_is_lost_on_the_way(tmp_path_factory: pytest.TempPathFactory,
                                   data: dict[str, Any]) -> None:  # fmt: skip
    path = written(tmp_path_factory.mktemp("book"), data)
    again, _ = definition_text(path)
    assert rows_of(tomllib.loads(again)) == rows_of(tomllib.loads(tomli_w.dumps(data)))
    before, after = (structured(d, Definition) for d in (data, tomllib.loads(again)))
    assert before[0] == after[0]


def spoiled(tmp_path: Path, changes: dict[tuple[str, str], object]) -> Path:
    path = written(tmp_path, STARTER)
    book = openpyxl.load_workbook(path)
    for (sheet, cell), value in changes.items():
        book[sheet][cell] = value
    book.save(path)
    return path


def cell_of(tmp_path: Path, key: str) -> tuple[str, str]:
    path = written(tmp_path, STARTER, "clean.xlsx")
    _, places = definition_text(path)
    if key in places:
        return places[key].sheet, places[key].cell
    # a cell that is empty: in the row of its thing, below its heading
    thing, _, heading = key.rpartition(".")
    place = places[thing]
    cells = (c for row in openpyxl.load_workbook(path)[place.sheet].iter_rows() for c in row)
    column = next(cell.column_letter for cell in cells if cell.value == heading)
    return place.sheet, f"{column}{place.cell[1:]}"


@pytest.mark.parametrize(
    ("key", "typed", "told"),
    [
        ("instruments.scale.unit", "cmm", "not a unit"),
        ("instruments.scale.kind", "ruler", "there is no kind"),
        ("tables.runs.rows", "eight", "is no number"),
        ("tables.runs.columns.s.instrument", "skale", "no instrument"),
        ("tables.runs.columns.q.formula", "row_mean(tt)^2", "not the name"),
        ("quantities.a.formula", "2 / fall.slop", "did you mean “fall.slope”?"),
        ("lines.fall.x", "ss", "is not a column"),
        ("quantities.g.plausible", None, "one end of “plausible from” is missing"),
        ("inputs.height.required", "perhaps", "neither yes nor no"),
    ],
)
def test_a_wrong_cell_is_told_with_its_place(
    tmp_path: Path, key: str, typed: object, told: str
) -> None:
    where = cell_of(tmp_path, key)
    with pytest.raises(SheetlabError) as caught:
        load_file(spoiled(tmp_path, {where: typed}))
    found = {(f.place.sheet, f.place.cell): f.found for f in caught.value.findings}
    assert any(told in said or told.replace(" from", "") in said for said in found.values()), found
    assert key == "quantities.g.plausible" or where in found


def test_a_formula_of_the_spreadsheet_is_not_taken_for_its_value() -> None:
    key = next(key for key in blocks()["tables"].keys if key.heading == "rows")
    assert read_value(key, Cell("number", 8.0)) == 8
    with pytest.raises(ValueError, match="is a formula of the spreadsheet program"):
        read_value(key, Cell("number", 8.0, formula=True))


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    wrong = {
        cell_of(tmp_path, "tables.runs.rows"): "eight",
        cell_of(tmp_path, "inputs.height.required"): "perhaps",
        ("Readings", "A4"): None,
    }
    with pytest.raises(SheetlabError) as caught:
        load_file(spoiled(tmp_path, {k: v for k, v in wrong.items() if v}))
    assert len(caught.value.findings) == 2


def find(book: openpyxl.Workbook, sheet: str, text: str) -> Any:
    return next(c for row in book[sheet].iter_rows() for c in row if c.value == text)


def rename(book: openpyxl.Workbook) -> None:
    find(book, "Readings", "Columns of tables").value = "Column of tables"


def behead(book: openpyxl.Workbook) -> None:
    book["Readings"].delete_rows(find(book, "Readings", "Tables").row + 1)


def double(book: openpyxl.Workbook) -> None:
    find(book, "Readings", "row label").value = "rows"


def repeat(book: openpyxl.Workbook) -> None:
    find(book, "Practical", "aim").value = "title"


def forget(book: openpyxl.Workbook) -> None:
    find(book, "Practical", "title").value = None


def date(book: openpyxl.Workbook) -> None:
    find(book, "Readings", "rows").offset(1).value = datetime.date(2026, 5, 2)


def truth(book: openpyxl.Workbook) -> None:
    find(book, "Readings", "rows").offset(1).value = True


def reckon(book: openpyxl.Workbook) -> None:
    find(book, "Results", "2 / fall.slope").value = "=2/fall.slope"


def ring(book: openpyxl.Workbook) -> None:
    find(book, "Results", "acceleration of free fall").value = "acceleration\u202e"


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (rename, "did you mean “Columns of tables”?"),
        (behead, "the headings of “Tables” are missing"),
        (double, "“rows” is there twice"),
        (repeat, "“title” is there twice"),
        (forget, "has nothing in the column “key”"),
        (date, "below “rows” is a date"),
        (truth, "below “rows” is a truth value"),
        (reckon, "is a formula of the spreadsheet program"),
        (ring, "holds control codes"),
    ],
)
def test_a_spoiled_sheet_is_told_with_its_cell(tmp_path: Path, spoil: Any, told: str) -> None:
    path = written(tmp_path, STARTER)
    book = openpyxl.load_workbook(path)
    spoil(book)
    book.save(path)
    with pytest.raises(SheetlabError) as caught:
        load_file(path)
    (found,) = [one for one in caught.value.findings if told in one.found]
    assert (found.place.file, bool(found.place.sheet and found.place.cell)) == ("own.xlsx", True)


def test_what_a_teacher_may_do_to_the_sheets(tmp_path: Path) -> None:
    path = written(tmp_path, STARTER)
    book = openpyxl.load_workbook(path)
    book["Results"].title = "What comes of it"
    book.move_sheet("What comes of it", -3)
    book["Readings"].cell(find(book, "Readings", "Tables").row + 2, 20).value = "ask Ann"
    book["Instruments"].cell(40, 9).value = "older ones are in the cupboard"
    find(book, "Readings", "runs.s").value = " runs.s "
    find(book, "Practical", STARTER["method"][0]).value = "Wait; then read."
    find(book, "Readings", "yes").value = "YES"
    find(book, "Practical", STARTER["aim"]).value = "Two lines\nof aim"
    book.create_sheet("My notes")["A1"] = "free fall"
    book.save(path)
    made = load_file(path).definition
    assert made.aim == "Two lines\nof aim"
    assert made.method == ("Wait; then read.", *STARTER["method"][1:])
    before = load(starter_text(), name="own.toml").definition
    rest = {"aim": "", "method": (), "version": ""}
    assert replace(made, **rest) == replace(before, **rest)


def test_that_nothing_is_wanted_can_be_said(tmp_path: Path) -> None:
    runs = {**STARTER["tables"]["runs"], "checks": {}}
    data = {**STARTER, "answers": {}, "tables": {"runs": runs}}
    path = written(tmp_path, data)
    made = load_file(path).definition
    assert (made.answers, made.tables[0].checks) == ((), ())
    assert find(openpyxl.load_workbook(path), "Readings", "runs.none").column == 1


def test_rows_and_headings_may_be_added_and_numbers_typed_as_people_do(tmp_path: Path) -> None:
    path = written(tmp_path, STARTER)
    book = openpyxl.load_workbook(path)
    sheet, cell = cell_of(tmp_path, "instruments.scale.least_count")
    book[sheet][cell] = "0,1"
    instruments = book["Instruments"]
    row = next(r for r in range(1, 40) if instruments.cell(r, 1).value == "watch")
    head = next(r for r in range(1, 40) if instruments.cell(r, 1).value == "name")
    wide = instruments.max_column + 1
    instruments.cell(head, wide).value = "Decimals"
    instruments.cell(row, wide).value = 2
    instruments.insert_rows(row)
    book.save(path)
    scale, watch = load_file(path).definition.instruments
    assert (scale.least_count, watch.decimals) == (0.1, 2)


def test_another_workbook_is_no_definition(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active["A1"] = "x"  # type: ignore[index]
    book.save(tmp_path / "other.xlsx")
    with pytest.raises(SheetlabError, match="none of the blocks of a definition"):
        definition_text(tmp_path / "other.xlsx")


def test_a_file_stands_for_an_id(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = str(tmp_path / "track.xlsx")
    assert main(["practicals", "new", "--out", own]) == 0
    assert main(["issue", own, "--out", str(tmp_path / "issued")]) == 0
    assert (tmp_path / "issued" / "track.xlsx").is_file()
    assert main(["plan", own]) == 0
    out = str(tmp_path / "set")
    assert main(["practice-set", own, "--out", out, "--count", "2"]) == 0
    marked = ["evaluate", f"{out}/to-mark", "--practical", own, "--out", str(tmp_path / "done")]
    assert main(marked) in (0, 1)
    assert list((tmp_path / "done").glob("*.xlsx"))
    groups = tmp_path / "groups.csv"
    groups.write_text("group\nAvocet\nBittern\n", encoding="utf-8")
    rota = ["rota", "--groups", str(groups), "--setups", "1,1", "--weeks", "2"]
    names = f"{own},simple-pendulum"
    assert main([*rota, "--practicals", names, "--out", str(tmp_path / "rota.csv")]) == 0
    assert "track" in (tmp_path / "rota.csv").read_text(encoding="utf-8-sig")
    assert "definition-altered" not in "".join(capsys.readouterr())
    assert main(["practicals", "convert", own, "--out", str(tmp_path / "track.toml")]) == 0
    assert main(["issue", str(tmp_path / "track.toml"), "--out", str(tmp_path / "again")]) == 0
    # nothing is written over
    assert main(["practicals", "new", "--out", own]) == 2


def test_like_another(tmp_path: Path) -> None:
    for ending in (".xlsx", ".toml"):
        own = tmp_path / f"mine{ending}"
        assert main(["practicals", "new", "--like", "simple-pendulum", "--out", str(own)]) == 0
        made, shipped = load_file(own).definition, catalogue().load("simple-pendulum").definition
        assert made.id == "mine"
        assert replace(made, id="", version="") == replace(shipped, id="", version="")
