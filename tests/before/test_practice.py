"""Practice sets: filled workbooks with planted mistakes, and a key that tells the truth of them."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from examples import SHIPPED, WORKBOOKS, practical, typed
from examples import practical as shipped

from sheetlab.before.issue import issue
from sheetlab.before.practice import KEY, TO_MARK, PracticeSet, practice_set
from sheetlab.checks.assess import assess
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.handling.roster import Group
from sheetlab.practical.bench import applicable
from sheetlab.practical.loader import catalogue
from sheetlab.practical.observations import as_cells_show
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.layout import START
from sheetlab.workbook.reader import read_workbook

WIRE = "wire-stretching"
COUNT = 4


@pytest.fixture(scope="module", params=SHIPPED)
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("practice")
    return request.param, folder, practice_set(catalogue(), request.param, folder, COUNT, seed=4)


def key_rows(path: Path, sheet: str) -> list[tuple[object, ...]]:
    rows = openpyxl.load_workbook(path)[sheet].iter_rows(values_only=True)
    return [row for row in rows if str(row[0]).endswith(".xlsx")]


def test_what_is_written(written: tuple[str, Path, PracticeSet]) -> None:
    name, folder, made = written
    assert {p.name for p in folder.iterdir()} == {TO_MARK, KEY}
    assert sorted((folder / TO_MARK).iterdir()) == [one.path for one in made.workbooks]
    assert len(made.workbooks) == COUNT
    clean = [one for one in made.workbooks if not one.bench.planted]
    assert len(clean) == COUNT // 4
    planted = [slip.slip for one in made.workbooks for slip in one.bench.planted]
    assert set(planted) <= set(applicable(practical(name)))
    assert len(set(planted)) > len(planted) / 2


@pytest.mark.slow
def test_every_workbook_says_that_it_is_invented_and_can_be_evaluated(
    written: tuple[str, Path, PracticeSet],
) -> None:
    name, _, made = written
    for one in made.workbooks:
        first = openpyxl.load_workbook(one.path).worksheets[0]
        assert first.title == START
        texts = [str(cell.value) for row in first.iter_rows() for cell in row if cell.value]
        assert any("practice workbook" in t and "invented readings" in t for t in texts)
        outcome = evaluate_file(one.path, None, name)
        assert outcome.assessment is not None
        observations = read_workbook(one.path).observations
        for key, values in one.bench.cells.items():
            for row, value in enumerate(values):
                entry = observations.entry(key, row)
                assert (entry.text if isinstance(value, str) else entry.value) == value


def test_the_key_tells_what_was_planted_where(written: tuple[str, Path, PracticeSet]) -> None:
    name, folder, made = written
    rows = key_rows(folder / KEY, "Planted")
    told = [(row[0], row[1] or "", row[6]) for row in rows]
    wanted: list[tuple[object, object, object]] = []
    for one in made.workbooks:
        wanted += [
            (one.path.name, h.slip, float(f"{h.effect:.5g}")) for h in one.bench.planted
        ] or [(one.path.name, "", None)]
    assert told == wanted
    books = {
        name: openpyxl.load_workbook(folder / TO_MARK / name)
        for name in {str(row[0]) for row in rows if row[1]}
    }
    for row in rows:
        if not row[1]:
            continue
        sheet, cell = str(row[5]).split(";")[0].split(",")[0].rsplit(" ", 1)
        value = books[str(row[0])][sheet][cell.split(":")[0]].value
        assert value is not None
        assert not str(value).startswith("=")
    values = key_rows(folder / KEY, "Values")
    assert [row[0] for row in values] == [one.path.name for one in made.workbooks]
    result = practical(name).definition.results[0]
    for row, one in zip(values, made.workbooks, strict=True):
        factor = 1e9 if result.display_unit == "GPa" else 1.0
        assert row[1] == pytest.approx(one.bench.truths[result.quantity] / factor, rel=1e-4)


@pytest.mark.slow
def test_the_key_is_in_none_of_the_workbooks(written: tuple[str, Path, PracticeSet]) -> None:
    _, _, made = written
    for one in made.workbooks:
        texts = {
            str(cell.value)
            for sheet in openpyxl.load_workbook(one.path)
            for row in sheet.iter_rows()
            for cell in row
        }
        for slip in one.bench.planted:
            assert not any(slip.what in text for text in texts)
            assert slip.slip not in texts


@pytest.mark.slow
def test_same_seed_same_bytes(tmp_path: Path) -> None:
    sets = [practice_set(catalogue(), WIRE, tmp_path / n, 3, seed=9) for n in ("a", "b")]
    other = practice_set(catalogue(), WIRE, tmp_path / "c", 3, seed=10)
    for left, right in zip(sets[0].workbooks, sets[1].workbooks, strict=True):
        assert left.path.read_bytes() == right.path.read_bytes()
    assert sets[0].key.read_bytes() == sets[1].key.read_bytes()
    assert sets[0].key.read_bytes() != other.key.read_bytes()


def test_nothing_is_replaced(tmp_path: Path) -> None:
    folder = tmp_path / TO_MARK
    folder.mkdir()
    mine = folder / f"{WIRE} practice 02.xlsx"
    mine.write_bytes(b"mine")
    with pytest.raises(SheetlabError) as caught:
        practice_set(catalogue(), WIRE, tmp_path, 2)
    assert [finding.code for finding in caught.value.findings] == ["file-exists"]
    assert mine.read_bytes() == b"mine"
    assert [p.name for p in tmp_path.rglob("*.xlsx")] == [mine.name]


def test_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    arguments = ["practice-set", WIRE, "--out", str(tmp_path), "--count", "2", "--seed", "3"]
    assert main(arguments) == 0
    out = capsys.readouterr().out.splitlines()
    assert len(out) == 3
    assert KEY in out[-1]
    assert main(arguments) == 2
    assert "nothing was written" in capsys.readouterr().err
    # a folder of workbooks to mark has no key in it that would be taken for one of them
    assert main(["evaluate", str(tmp_path / TO_MARK)]) == 0


@pytest.mark.parametrize("wrong", [("--count", "0"), ("--count", "5000"), ("--seed", "-1")])
def test_sets_that_cannot_be(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, wrong: tuple[str, str]
) -> None:
    assert main(["practice-set", WIRE, "--out", str(tmp_path / "set"), *wrong]) == 2
    err = capsys.readouterr().err
    assert wrong[1] in err
    assert "Expected: " in err
    assert not (tmp_path / "set").exists()


def test_a_practical_without_a_bench(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    text = (
        catalogue()
        .text(WIRE)
        .partition("[bench.truths]")[0]
        .replace(f'id = "{WIRE}"', 'id = "own"')
    )
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    out = tmp_path / "set"
    status = main(["practice-set", "own", "--out", str(out), "--definitions", str(tmp_path)])
    assert status == 2
    assert "does not say how to invent readings" in capsys.readouterr().err
    assert not out.exists()


def test_the_demo_class_shows_the_mistakes_that_it_tells_of() -> None:
    """At least eight different mistakes, each found by its own rule."""
    told = {}
    for group, one in WORKBOOKS.items():
        model = shipped(one.practical, one.runs)
        found = assess(model, as_cells_show(model, typed(group)), trials=0)
        told[group] = {f.code for f in found.findings}
    wanted = {
        "Fulmar": {"point-off-line", "own-result-differs"},
        "Petrel": {"coincidence-outside-scale", "reading-incomplete"},
        "Turnstone": {"row-left-out"},
        "Ruff": {"kink-at-start"},
        "Curlew": {"zero-side-doubtful"},
        "Godwit": {"load-not-recorded"},
        "Plover": {"yield-at-end"},
        "Knot": {"backlash", "own-result-differs"},
        "Redshank": {"far-from-accepted"},
        "Greenshank": {"own-result-differs"},
    }
    for group, codes in wanted.items():
        assert codes <= told[group], group
    assert told["Avocet"] == told["Dunlin"] == told["Sanderling"] == set()


@pytest.mark.parametrize("name", ["01 practice workbook, invented readings", "G" * 60])
def test_a_long_name_in_the_footer_runs_into_nothing(tmp_path: Path, name: str) -> None:
    (made,) = issue(catalogue(), WIRE, tmp_path, [Group(name)])
    footer = openpyxl.load_workbook(made.path)[START].oddFooter
    assert not footer.center.text
    assert footer.right.text.split() == ["&A", "page", "&P", "of", "&N"]
    lines = footer.left.text.strip().split("\n")
    assert lines[-1].endswith(name)
    # 80 letters of 8 points take 13 cm of the 18.4 between the margins
    assert all(len(line.strip()) <= 83 for line in lines)


@pytest.mark.parametrize(
    ("value", "reason"),
    [("-q", "below the zero of its scale"), ("q * sqrt(-q / q)", "gives no number")],
)
def test_a_bench_that_gives_no_readings_is_told(tmp_path: Path, value: str, reason: str) -> None:
    text = (
        'title = "Own"\n[instruments.screw]\nunit = "mm"\nkind = "screw"\nleast_count = 0.01\n'
        '[tables.w]\ncolumns.a = { instrument = "screw" }\n'
        '[quantities.q]\nunit = "mm"\nformula = "mean(w.a)"\n[results.q]\n'
        '[bench]\ntruths.q = { unit = "mm", fixed = 3 }\n'
        f'readings."w.a" = {{ value = "{value}" }}\n'
    )
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SheetlabError, match=reason):
        practice_set(catalogue(tmp_path), "own", tmp_path / "set", 1)
