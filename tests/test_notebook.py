"""The functions for notebooks and scripts, and the page of the manual that shows them."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from classes.groups import Marks
from examples import DOUBTFUL, WORKBOOKS, filled, practical

import sheetlab
from sheetlab.classes import demo
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.notebook import Result, Table
from sheetlab.workbook.layout import defined_name

PAGE = Path(sheetlab.__file__).parent / "manual" / "python.md"
HEAVY = (
    "dataclasses",
    "msgspec",
    "typing",
    "numpy",
    "scipy",
    "pandas",
    "openpyxl",
    "lxml",
    "pint",
    "xlwings",
)
FOUR = ("Avocet", "Fulmar", "Sanderling", "Ruff")
"""Groups of the demo, of both practicals."""
EVIL = "<script>alert(1)</script> & $x$"


def write(folder: Path, group: str) -> Path:
    path = folder / f"{group}.xlsx"
    path.write_bytes(filled(group))
    return path


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return sheetlab.evaluate(write(tmp_path_factory.mktemp("one"), "Petrel"))


def loaded_by(code: str) -> list[str]:
    """Heavy modules that are there after some code, in a process without site packages' own."""
    report = f"print(*[m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-S", "-c", f"import sys; sys.path[:0] = {sys.path!r}\n{code}\n{report}"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.splitlines()[-1].split()


def test_importing_loads_nothing() -> None:
    assert loaded_by("import sheetlab; sheetlab.__version__; dir(sheetlab)") == []


def test_evaluating_loads_no_library_of_another_kind(tmp_path: Path) -> None:
    path = write(tmp_path, "Avocet")
    code = f"import sheetlab; r = sheetlab.evaluate({str(path)!r}); print(r); r._repr_html_()"
    assert not {"pandas", "openpyxl", "xlwings"} & set(loaded_by(code))


def test_every_name_is_there_and_documented() -> None:
    assert set(sheetlab.__all__) <= set(dir(sheetlab))
    for name in sheetlab.__all__:
        assert getattr(sheetlab, name).__doc__
    with pytest.raises(AttributeError, match="no attribute 'evaluation'"):
        sheetlab.evaluation  # noqa: B018


def test_a_result_says_first_what_it_is(result: Result) -> None:
    lines = str(result).splitlines()
    assert lines[0] == f"doubtful: {result.statement}"
    assert result.statement.startswith("Y = (1.06 ± 0.08) × 10¹¹ Pa")
    assert "of the variance of Y" in lines[1]
    assert len([line for line in lines if line.startswith("  - ")]) == len(result.findings()) > 1
    # in the unit of the statement: Y = 106 GPa
    assert result.unit == "GPa"
    assert result.value == pytest.approx(106.0, rel=0.01)
    assert result.record()["measurand"]["value"] == pytest.approx(1e9 * (result.value or 0.0))


@pytest.mark.parametrize("group", [*DOUBTFUL[:2], "Sanderling"])
def test_frames_hold_what_was_typed_and_found(tmp_path: Path, group: str) -> None:
    result = sheetlab.evaluate(write(tmp_path, group))
    readings = result.readings()
    for key, values in WORKBOOKS[group].cells.items():
        numbers = [value for value in values if isinstance(value, int | float)]
        if not key.startswith("start.") and len(numbers) == len(values):
            assert readings[readings["key"] == key]["value"].tolist() == numbers
    assert not readings["key"].str.startswith("start.").any()
    budget = result.budget()
    assert budget["share"].sum() == pytest.approx(1.0)
    assert (budget["contribution"] ** 2).sum() ** 0.5 == pytest.approx(result.standard_uncertainty)
    assert result.findings()["code"].tolist() == [f.code for f in result.assessment.findings]


def test_what_a_workbook_says_is_text_in_a_notebook(tmp_path: Path) -> None:
    path = write(tmp_path, "Avocet")
    book = openpyxl.load_workbook(path)
    name = defined_name(practical("wire-stretching").inputs["screw_gauge.turns"])
    sheet, address = next(iter(book.defined_names[name].destinations))
    book[sheet][address] = EVIL
    result = sheetlab.evaluate(book)
    assert EVIL in str(result)
    drawn = result._repr_html_()
    assert "<script" not in drawn
    assert "&lt;script&gt;" in drawn
    assert "mathjax_ignore" in drawn
    assert book[sheet][address].value == EVIL
    table = Table(({EVIL: EVIL + "\u202e"},), (EVIL,))
    assert "<script" not in table._repr_html_()
    assert "\u202e" not in table._repr_html_() + str(table)


@pytest.mark.parametrize("given", [3, None, b"a.xlsx", openpyxl.Workbook().active])
def test_what_is_no_workbook_is_refused(given: Any) -> None:
    with pytest.raises(TypeError, match="takes a path, an openpyxl Workbook or an xlwings Book"):
        sheetlab.evaluate(given)


def test_errors_print_where_and_what(tmp_path: Path) -> None:
    with pytest.raises(SheetlabError) as caught:
        sheetlab.evaluate(openpyxl.Workbook())
    assert str(caught.value).startswith("workbook: this workbook was not issued by sheetlab")
    for read in (sheetlab.evaluate, sheetlab.read_class, sheetlab.read_archive):
        with pytest.raises(SheetlabError, match=r"nothing\.(xlsx|sqlite)"):
            read(tmp_path / "nothing.xlsx")


def test_issue_writes_each_group_once(tmp_path: Path) -> None:
    groups = ["A", "B"]
    first = sheetlab.issue("simple-pendulum", tmp_path / "out", groups, assist="full")
    assert [(row["group"], row["problem"]) for row in first] == [("A", ""), ("B", "")]
    assert all(row["path"].exists() for row in first)
    again = sheetlab.issue("simple-pendulum", tmp_path / "out", groups)
    assert all("there already" in row["problem"] for row in again)
    roster = tmp_path / "roster.csv"
    roster.write_text("group,setup\nC,3\n", encoding="utf-8")
    assert len(sheetlab.issue("simple-pendulum", tmp_path / "out", roster)) == 1
    with pytest.raises(SheetlabError, match="no practical"):
        sheetlab.issue("nothing", tmp_path)


def test_marks_that_were_typed_are_columns(tmp_path: Path) -> None:
    for group in ("Avocet", "Dunlin"):
        write(tmp_path, group)
    out = tmp_path / "class" / "class.xlsx"
    out.parent.mkdir()
    assert main(["class", str(tmp_path), "--out", str(out), "--jobs", "1"]) == 0
    before = sheetlab.read_class(out)
    assert [row["group"] for row in before] == ["Avocet", "Dunlin"]
    assert not [column for column in before.columns if column.startswith("mark ")]
    item = "scales"
    marks = Marks(out)
    marks.type("Dunlin", item, 1.5)
    marks.save()
    frame = sheetlab.read_class(out).frame().set_index("group")
    assert frame.loc["Dunlin", f"mark {item}"] == 1.5
    assert frame[f"mark {item}"].isna().tolist() == [True, False]
    # as the class workbook shows it: 108 ± 5 GPa
    assert frame.loc["Avocet", "value"] == pytest.approx(108.0, rel=0.01)
    assert frame.loc["Avocet", "unit"] == "GPa"


def test_a_long_table_is_cut_where_it_is_shown() -> None:
    table = Table(tuple({"n": i} for i in range(200)), ("n",))
    assert str(table).splitlines()[-1] == "… and 140 more; frame() has all"
    assert table._repr_html_().count("<tr>") == 61
    assert len(table.frame()) == len(table) == 200


def test_the_page_of_the_manual_runs_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    school, workbooks = demo.demo_class()
    few = tuple(one for one in workbooks if one.group.name in FOUR)
    monkeypatch.setattr(demo, "demo_class", lambda: (school, few))
    names: dict[str, Any] = {}
    blocks = re.findall(r"^```(\w+)\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.M | re.S)
    assert {kind for kind, _ in blocks} == {"sh", "python"}
    for kind, text in blocks:
        if kind == "sh":
            for line in text.splitlines():
                command, *words = shlex.split(line)
                assert command == "sheetlab"
                assert main(words) == 0
        else:
            exec(compile(text, str(PAGE), "exec"), names)
    assert len(names["results"]) == len(names["class_"]) == len(few)
    assert names["years"]["code"].nunique() == len(few)
    assert set(sheetlab.__all__) <= set(re.findall(r"\w+", PAGE.read_text(encoding="utf-8")))
    assert "nothing.xlsx" in capsys.readouterr().out
