"""The class: hand-ins found by what is in them, one workbook, and the teacher's cells kept."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
import zipfile
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote

import openpyxl
import pytest
from classes.groups import (
    PENDULUM,
    WIRE,
    Marks,
    assessed,
    fill_class,
    handin,
    row_of,
    table_of,
    texts,
)
from classes.test_comparison import handed_in
from examples import layout, practical
from openpyxl.comments import Comment
from openpyxl.utils import get_column_letter
from workbook.tamper import edited, with_parts

import sheetlab
from sheetlab.checks.wording import Words
from sheetlab.classes import collect
from sheetlab.classes.classbook import TITLES
from sheetlab.classes.classroom import due_time
from sheetlab.classes.comparison import compare
from sheetlab.classes.feedback import SCALE, outcome_lines
from sheetlab.classes.handins import HandIn, natural, row_key
from sheetlab.classes.kept import COMMENT, HIDDEN, IMPRINTS, IMPRINTS_OF, read_kept
from sheetlab.classes.pages import link_target
from sheetlab.classes.results_page import chart_levels, consensus_lines
from sheetlab.cli import main
from sheetlab.handling import workers
from sheetlab.metrology.groups import precision, robust_mean, weighted_mean
from sheetlab.practical.bench import simulate
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import find_profile
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.template import write_template

COUNT = 8
GROUPS = [f"Group {i}" for i in range(1, COUNT + 1)]
HERE = Path(__file__).parents[1]
HEAD_COMMENT = "From your teacher"


def run(folder: Path, *more: str) -> int:
    return main(["class", str(folder), "--out", str(book(folder)), *more])


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many")
    fill_class(folder, COUNT)
    assert run(folder) == 0
    return folder


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("prepared")
    fill_class(folder, 3)
    assert run(folder) == 0
    return folder


@pytest.fixture
def three(tmp_path: Path, prepared: Path) -> Path:
    """Three hand-ins and their class workbook, to be changed."""
    return Path(shutil.copytree(prepared, tmp_path / "three"))


def book(folder: Path) -> Path:
    return folder / "CLASS.xlsx"


def group_of(path: Path) -> str:
    return assessed(path).observations.entry("start.group").text


def open_points(folder: Path) -> list[tuple[object, ...]]:
    return [row for row in texts(book(folder), "Open points")[2:] if row[0]]


# -- what is written -----------------------------------------------------------------------------


def test_the_results_are_those_of_an_evaluation(many: Path) -> None:
    rows = table_of(book(many), "Results", "group")
    assert [row for row in rows if str(row).startswith("Group ")] == GROUPS
    for path in many.glob("w*.xlsx"):
        found = assessed(path)
        row = rows[group_of(path)]
        measurand = found.evaluation.measurand
        assert measurand is not None
        assert measurand.accepted is not None
        assert row["status"] == str(found.status)
        assert row["Y / GPa"] == pytest.approx(measurand.budget.value / 1e9)
        assert row["U / GPa"] == pytest.approx(measurand.budget.expanded_uncertainty / 1e9)
        percent = row["result − accepted, % of accepted"]
        assert percent == pytest.approx(measurand.accepted.percent_difference)
        assert row["E_n"] == pytest.approx(measurand.accepted.e_n)
        assert row["findings"] == len(found.findings)
        assert row["source"] == path.name


def test_the_consensus_is_that_of_the_results(many: Path) -> None:
    table = table_of(book(many), "Results", "group")
    rows = [table[group] for group in GROUPS]
    values = [float(str(row["Y / GPa"])) for row in rows]
    robust = robust_mean(values)
    assert len({row["median"] for row in rows}) == 1
    assert rows[0]["median"] == pytest.approx(robust.value)
    assert rows[0]["median − 2 u"] == pytest.approx(robust.value - 2 * robust.uncertainty)
    said = " ".join(str(row[0]) for row in texts(book(many), "Results") if row[0])
    standard = [_standard(many / str(row["source"])) for row in rows]
    birge = weighted_mean(values, standard).birge_ratio
    assert f"Birge ratio {birge:.2f}" in said
    groups = [[v for v, row in zip(values, rows, strict=True) if row["set-up"] == f"S{k}"]
              for k in range(1, 5)]  # fmt: skip
    found = precision(groups)
    by = table_of(book(many), "Set-ups", "precision (ISO 5725-2)")
    for name, value in (
        ("repeatability: at one set-up", found.repeatability),
        ("between set-ups", found.between),
        ("reproducibility: any set-up", found.reproducibility),
    ):
        assert by[name]["value / GPa"] == pytest.approx(value, abs=1e-9)
    zeta = row_of(book(many), "Set-ups", "Group 1")["zeta score"]
    u = (standard[0] ** 2 + robust.uncertainty**2) ** 0.5
    assert zeta == pytest.approx((values[0] - robust.value) / u)


def _results(*pairs: tuple[float, float]) -> list[HandIn]:
    return [handed_in(f"G{i}", "", value, standard) for i, (value, standard) in enumerate(pairs, 1)]


def test_a_weighted_mean_of_results_that_disagree_is_small_print() -> None:
    # invented: the fourth states a hundredth of the uncertainty of the others, and is wrong
    found = compare(_results((110.0, 3.0), (112.0, 3.0), (108.0, 3.0), (37.2, 0.03)))
    assert found is not None
    consensus, meaning, small = consensus_lines(found)
    assert consensus[0].startswith("Consensus")
    assert "do not agree within their stated uncertainties" in meaning[0]
    assert "Weighted mean: " not in meaning[0]
    assert small[1] == "note"
    assert "Y = (37.22 ± 0.03) GPa" in small[0]
    assert "Group G4 alone has 100 % of its weight" in small[0]
    assert all(level.label != "weighted mean" for level in chart_levels(found))
    agree = compare(_results((110.0, 3.0), (112.0, 3.0), (108.0, 3.0), (109.0, 2.0)))
    assert agree is not None
    assert [style for _, style in consensus_lines(agree)] == ["plain", "plain"]
    assert any(level.label == "weighted mean" for level in chart_levels(agree))


def test_a_small_class_with_one_far_off_has_its_middle_among_the_others() -> None:
    # invented: a class of four, of which one took a radius for a diameter
    found = compare(_results((108.4, 3.0), (106.6, 3.0), (49.7, 3.0), (108.4, 3.0)))
    assert found is not None
    assert consensus_lines(found)[0][0].startswith("Consensus (median")
    outcome = found.compared[0].handin.outcome
    assert outcome is not None
    said = outcome_lines(found.compared[0].handin, found)
    assert any("The middle of 4 groups is" in line and "107.5" in line for line in said)
    assert [c.class_.partition(" ")[0] for c in found.compared] == ["fits", "fits", "look", "fits"]


@pytest.mark.parametrize(
    ("way", "head", "sign"),
    [
        ("result-accepted", "result − accepted, % of accepted", 1),
        ("accepted-result", "accepted − result, % of accepted", -1),
        ("size", "difference to accepted (no sign), %", 0),
    ],
)
def test_differences_are_those_of_the_profile(
    three: Path, tmp_path: Path, way: str, head: str, sign: int
) -> None:
    before = table_of(book(three), "Results", "group")
    ours = tmp_path / "ours.toml"
    ours.write_text(f'id = "ours"\ndifference = "{way}"\n')
    assert run(three, "--profile", str(ours)) == 0
    rows = table_of(book(three), "Results", "group")
    for group in GROUPS[:3]:
        was = float(str(before[group]["result − accepted, % of accepted"]))
        assert rows[group][head] == pytest.approx(was * sign if sign else abs(was))
    # the same number as in the group's own evaluation
    path = next(three.glob("w*.xlsx"))
    found = evaluate_file(path, None, trials=0, profile=find_profile(str(ours))).assessment
    assert found is not None
    result = found.evaluation.measurand
    assert result is not None
    assert result.accepted is not None
    said = Words(found.practical, found.evaluation.profile).accepted_lines(result, result.accepted)
    rule = head.partition(",")[0]
    assert (f"100 × ({rule})" in said[1]) == bool(sign)


def _standard(path: Path) -> float:
    measurand = assessed(path).evaluation.measurand
    assert measurand is not None
    return measurand.budget.standard_uncertainty / 1e9


def test_sheets_charts_and_pages(many: Path) -> None:
    made = openpyxl.load_workbook(book(many))
    assert [s.title for s in made.worksheets if s.sheet_state == "visible"] == list(TITLES)
    assert len(made["Results"]._charts) == 1
    assert len(made["Budget"]._charts) == 1
    assert len(made["Feedback"].row_breaks.brk) == COUNT - 1
    plot = made["Results"]._charts[0]
    with_bars = [one for one in plot.series if one.errBars is not None]
    assert len(with_bars) == 1
    # the same numbers as those of the table
    head = next(row for row in texts(book(many), "Results") if row[0] == "group")
    expanded = get_column_letter(head.index("U / GPa") + 1)
    assert f"${expanded}$" in with_bars[0].errBars.plus.numRef.f
    assert_pages_fit(book(many))


def test_a_result_that_is_not_there_is_a_gap_in_the_plot(three: Path) -> None:
    half = {k: v for k, v in simulate(practical(WIRE), 8, []).cells.items() if "diameter" not in k}
    data = write_template(layout(WIRE, Assist.CORRECTED), {"start.group": ["Group 4"], **half})
    (three / "half.xlsx").write_bytes(data)
    assert run(three) == 1
    rows = list(openpyxl.load_workbook(book(three))["Results"].iter_rows())
    head = [cell.value for cell in next(row for row in rows if row[0].value == "group")]
    row = next(row for row in rows if row[0].value == "Group 4")
    for title in ("Y / GPa", "U / GPa"):
        # a text, even an empty one, is a zero in a plot
        cell = row[head.index(title)]
        assert (cell.data_type, cell.value) == ("n", None)


def test_texts_stand_in_the_table_of_the_workbook(many: Path) -> None:
    with zipfile.ZipFile(book(many)) as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
        assert len(sheets) == len(TITLES) + 1
        assert not [name for name in sheets if b"inlineStr" in archive.read(name)]
        assert b"Results of a class" in archive.read("xl/sharedStrings.xml")


def assert_pages_fit(path: Path) -> None:
    sheet = openpyxl.load_workbook(path)["Feedback"]
    breaks = [0, *(b.id for b in sheet.row_breaks.brk), sheet.max_row]
    for first, last in pairwise(breaks):
        rows = range(first + 1, last + 1)
        points = sum(sheet.row_dimensions[row].height or 15 for row in rows)
        assert points * SCALE / 100 < 842 - 1.1 * 72


@pytest.mark.slow
def test_a_page_of_feedback_stays_one_page(three: Path, tmp_path: Path) -> None:
    long = "a long name " * 12
    bench = simulate(practical(WIRE), 31, ["main-step", "diameter-for-radius"])
    cells: dict[str, list[float | str | None]] = {k: list(v) for k, v in bench.cells.items()}
    for i, key in enumerate(k for k in cells if k.startswith("answer.")):
        cells[key] = [1.2345 * 10 ** (i % 5)]
    cells["readings.up.1.coincidence"] = [77.0 + i for i in range(10)]
    cells["readings.down.1.main"] = ["what?", *list(cells["readings.down.1.main"])[1:]]
    start = {f"start.{k}": [long] for k in ("group", "setup", "observers", "date")}
    data = write_template(layout(WIRE, Assist.CORRECTED), {**cells, **start})
    (three / "long.xlsx").write_bytes(data)
    items = "".join(
        f'[[items]]\nid = "i{i}"\ntitle = "An item {i} of a long name"\nmarks = 2\n'
        f'good = "{"Well done. " * 20}"\nstart = ["group"]\n'
        for i in range(40)
    )
    scheme = tmp_path / "ours.toml"
    scheme.write_text(f'id = "ours"\ntitle = "Ours"\n{items}')
    assert run(three, "--scheme", str(scheme)) == 0
    marks = Marks(book(three))
    marks.type(long.strip(), COMMENT, "Look at this again. " * 90)
    marks.save()
    assert run(three, "--scheme", str(scheme)) == 0
    assert_pages_fit(book(three))


def test_evidence_and_feedback_speak_of_the_planted_mistakes(many: Path) -> None:
    evidence = [r for r in texts(book(many), "Evidence") if r[0] == "Group 2"]
    scales = next(r for r in evidence if r[2] == "Scales read properly")
    assert float(str(scales[3])) < float(str(scales[4]))
    assert "Readings " in str(scales[5])
    sums = next(r for r in texts(book(many), "Evidence")
                if r[0] == "Group 5" and r[2] == "Own results follow")  # fmt: skip
    assert "look here first" in str(sums[5])
    feedback = texts(book(many), "Feedback")
    page = next(i for i, row in enumerate(feedback) if "Group: Group 5 " in str(row[1]))
    own = [row for row in feedback[page : page + 40] if "differs" in str(row[3])]
    assert own
    assert str(own[0][4]).endswith("?")


def test_every_link_leads_to_a_file_of_the_folder(many: Path) -> None:
    made = openpyxl.load_workbook(book(many))
    links = [
        cell.hyperlink for row in made["Results"].iter_rows() for cell in row if cell.hyperlink
    ]
    assert len(links) == COUNT
    for link in links:
        target = unquote(str(link.target)).replace("\\", "/")
        assert (many / target).is_file()


def test_the_same_again_gives_the_same_file(three: Path) -> None:
    before = book(three).read_bytes()
    assert run(three) == 0
    assert book(three).read_bytes() == before


def test_two_practicals_have_a_block_each(three: Path) -> None:
    fill_class(three / "other bench", 3, PENDULUM, seed=300)
    assert run(three, "--scheme", "quick-ten") == 0
    results = texts(book(three), "Results")
    heads = [row for row in results if row[0] == "group"]
    assert [("g / m/s²" in head, "Y / GPa" in head) for head in heads] == [
        (True, False), (False, True),
    ]  # fmt: skip
    marks = Marks(book(three))
    assert marks.row("Group 1", 0) != marks.row("Group 1", 1)
    assert len(openpyxl.load_workbook(book(three))["Results"]._charts) == 2
    assert sum("Group: " in str(row[1]) for row in texts(book(three), "Feedback")) == 6


@pytest.mark.slow
@pytest.mark.usefixtures("helpers")
def test_helpers_give_the_same_as_one_process(three: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "FEW", dict.fromkeys(workers.FEW, 1))
    before = book(three).read_bytes()
    assert run(three, "--jobs", "2") == 0
    assert book(three).read_bytes() == before


# -- what the teacher types ----------------------------------------------------------------------


def test_what_the_teacher_types_is_kept_and_counts(three: Path) -> None:
    marks = Marks(book(three))
    before = float(str(marks.total("Group 2")))
    proposed = float(str(marks.proposed("Group 2", "scales")))
    marks.type("Group 2", "scales", proposed + 0.25)
    marks.type("Group 2", COMMENT, "Well argued.\nSee me about the zero.")
    marks.type("Group 3", "care", "1,5")
    marks.save()
    (three / "new.xlsx").write_bytes(handin("Another", "S1", 55))
    assert run(three) == 0
    again = Marks(book(three))
    assert again.row("Another")
    assert again.yours("Group 2", "scales") == proposed + 0.25
    assert again.comment("Group 2") == "Well argued.\nSee me about the zero."
    assert again.yours("Group 3", "care") == 1.5
    assert again.total("Group 2") == before + 0.25
    assert again.hint("Group 2") == ""
    assert row_of(book(three), "Results", "Group 2")["marks"] == before + 0.25
    feedback = texts(book(three), "Feedback")
    assert any("Well argued." in str(row[1]) for row in feedback)


def test_rows_may_be_sorted_and_columns_inserted(three: Path) -> None:
    marks = Marks(book(three))
    for i in (1, 2, 3):
        marks.type(f"Group {i}", "scales", 0.5 * i)
        marks.type(f"Group {i}", COMMENT, f"to {i}")
    first, last = marks.row("Group 1"), marks.row("Group 3")
    for column in range(1, marks.sheet.max_column + 1):
        a, b = marks.sheet.cell(first, column), marks.sheet.cell(last, column)
        a.value, b.value = b.value, a.value
    marks.sheet.title = "my marks"
    marks.sheet.insert_cols(6)
    marks.book["History"].delete_rows(1, 20)
    marks.save()
    assert run(three) == 0
    again = Marks(book(three))
    for i in (1, 2, 3):
        assert again.yours(f"Group {i}", "scales") == 0.5 * i
        assert again.comment(f"Group {i}") == f"to {i}"
    assert len(read_kept(book(three)).history) == 3


def test_a_vanished_file_and_a_dropped_item_lose_no_marks(three: Path) -> None:
    marks = Marks(book(three))
    marks.type("Group 1", "scales", 2.5)
    marks.type("Group 1", COMMENT, "remember")
    marks.type("Group 2", "scales", 1.5)
    marks.save()
    (path,) = [p for p in three.glob("w*") if group_of(p) == "Group 1"]
    data = path.read_bytes()
    path.unlink()
    # twice: what has no place must survive more than one run
    for _ in range(2):
        assert run(three, "--scheme", "quick-ten") == 0
    kept = [row for row in texts(book(three), "Marks") if row[5] in ("scales", COMMENT)]
    assert {(row[5], row[6]) for row in kept} == {
        ("scales", 2.5), (COMMENT, "remember"), ("scales", 1.5)
    }  # fmt: skip
    path.write_bytes(data)
    assert run(three) == 0
    again = Marks(book(three))
    assert again.yours("Group 1", "scales") == 2.5
    assert again.comment("Group 1") == "remember"
    assert again.yours("Group 2", "scales") == 1.5


def test_a_copy_of_the_sheet_does_not_count(three: Path) -> None:
    marks = Marks(book(three))
    copied = marks.book.copy_worksheet(marks.sheet)
    copied.title = "A copy"
    marks.book.move_sheet(copied, -9)
    marks.book["Marks"].cell(marks.row("Group 1"), marks.column("care")).value = 2
    marks.save()
    assert run(three) == 0
    assert Marks(book(three)).yours("Group 1", "care") == 2


@pytest.mark.slow
def test_a_dropped_item_does_not_hide_a_resubmission(three: Path) -> None:
    marks = Marks(book(three))
    marks.type("Group 1", "scales", 2.5)
    marks.type("Group 1", COMMENT, "fine")
    marks.save()
    assert run(three, "--scheme", "quick-ten") == 0
    (three / "again.xlsx").write_bytes(handin("Group 1", "S2", 778))
    for _ in range(2):
        assert run(three, "--scheme", "quick-ten") == 0
        assert "Handed in again" in Marks(book(three)).hint("Group 1")
    (earlier,) = open_points(three)
    assert earlier[0] == "earlier"
    assert "two groups of one name" in str(earlier[4])


def test_a_resubmission_keeps_the_history_and_asks_to_look_again(three: Path) -> None:
    marks = Marks(book(three))
    marks.type("Group 1", "scales", 2.5)
    marks.save()
    (path,) = [p for p in three.glob("w*") if group_of(p) == "Group 1"]
    first = row_of(book(three), "Results", "Group 1")["Y / GPa"]
    # saved over the old file, as students do
    path.write_bytes(handin("group  1", "S1", 777))
    for _ in range(2):
        assert run(three) == 0
        again = Marks(book(three))
        assert again.yours("group 1", "scales") == 2.5
        assert "Handed in again" in again.hint("group 1")
    history = [row for row in texts(book(three), "History") if "roup 1" in str(row[0])]
    assert len(history) == 2
    assert [row[8] for row in history if row[0] == "group 1"] == ["yes"]
    assert [row[8] for row in history if row[0] == "Group 1"] == [None]
    kept = read_kept(book(three)).history
    assert pytest.approx(first) in [p.value for p in kept]
    again.type("group 1", "care", 1.0)
    again.save()
    assert run(three) == 0
    assert Marks(book(three)).hint("group 1") == ""


def test_nobody_has_the_same_readings_as_themselves(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cells = {"start.group": ["Group 1"], "start.observers": ["A, B"]}
    bench = simulate(practical(WIRE), 101, shared_errors=True)
    (three / "again.xlsx").write_bytes(
        write_template(layout(WIRE, Assist.CORRECTED), {**bench.cells, **cells})
    )
    run(three)
    assert "have the same" not in capsys.readouterr().out
    (three / "again.xlsx").write_bytes(handin("Group 7", "S1", 101))
    run(three)
    assert "Group 7 and Group 1 have the same" in capsys.readouterr().out


def test_the_workbook_of_another_class_is_left_alone(
    three: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = book(three)
    other = tmp_path / "next year"
    fill_class(other, 3, seed=900)
    before = out.read_bytes()
    capsys.readouterr()
    assert main(["class", str(other), "--out", str(out)]) == 2
    assert "marks are those of another class" in capsys.readouterr().err
    assert out.read_bytes() == before
    # the same class, moved
    moved = three.rename(tmp_path / "moved")
    assert main(["class", str(moved), "--out", str(book(moved))]) == 0


def test_names_with_joiners_are_found(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    names = ("\u06af\u0631\u0648\u0647\u200c\u0627\u0644\u0641", "\u0915\u094d\u200d\u0937")
    for i, name in enumerate(names):
        (folder / f"{i}.xlsx").write_bytes(handin(name, "S1", 300 + i))
    roster = tmp_path / "roster.csv"
    roster.write_text("group\n" + "\n".join(names) + "\n", encoding="utf-8")
    assert run(folder, "--roster", str(roster)) == 0
    assert open_points(folder) == [] or not any(row[1] in names for row in open_points(folder))


def test_a_mark_that_is_no_number_is_told(three: Path, capsys: pytest.CaptureFixture[str]) -> None:
    marks = Marks(book(three))
    marks.type("Group 1", "scales", "two")
    marks.save()
    capsys.readouterr()
    assert run(three) == 0
    assert "Marks of Group 1" in (said := capsys.readouterr().out)
    assert "“two” is no number" in said


def test_a_mark_out_of_range_is_told_and_not_added_up(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for wrong in (900.0, -3.0):
        marks = Marks(book(three))
        marks.type("Group 1", "scales", wrong)
        marks.save()
        capsys.readouterr()
        assert run(three) == 0
        marks = Marks(book(three))
        said = capsys.readouterr().out
        assert f"Marks {marks.address('Group 1', 'scales')}: the mark of Group 1" in said
        assert f"is {wrong:g}; expected 0 to " in said
        assert marks.yours("Group 1", "scales") == wrong
        assert marks.total("Group 1") == "out of range"
        assert row_of(book(three), "Results", "Group 1")["marks"] == "out of range"
        page = texts(book(three), "Feedback")
        assert any(row[1] == "total" and row[2] == "out of range" for row in page)
        assert not any(row[2] in (900, -3) for row in page)


def test_who_handed_in_nothing_has_a_row_for_marks(three: Path, tmp_path: Path) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("group,setup\nGroup 1,S1\nGroup 2,S2\nGroup 3,S3\nHeron,S4\n")
    assert run(three, "--roster", str(roster)) == 0
    marks = Marks(book(three))
    assert marks.proposed("Heron", "scales") == "–"
    assert "Nothing handed in" in marks.hint("Heron")
    marks.type("Heron", "scales", 0.0)
    marks.type("Heron", COMMENT, "Where is it?")
    marks.save()
    assert run(three, "--roster", str(roster)) == 0
    marks = Marks(book(three))
    assert (marks.yours("Heron", "scales"), marks.comment("Heron")) == (0, "Where is it?")
    (three / "late.xlsx").write_bytes(handin("heron", "S4", 140))
    for _ in range(2):
        assert run(three, "--roster", str(roster)) == 0
        marks = Marks(book(three))
        assert (marks.yours("heron", "scales"), marks.comment("heron")) == (0, "Where is it?")
        assert marks.hint("heron").startswith("Handed in after you marked")


def test_groups_are_compared_as_labels_are(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "a.xlsx").write_bytes(handin("jack daw", "S1", 300))
    (folder / "b.xlsx").write_bytes(handin("Kestrell", "S1", 301))
    (folder / "wire-stretching Merlin.xlsx").write_bytes(handin("The three", "S1", 302))
    roster = tmp_path / "roster.csv"
    roster.write_text("group\nJackdaw\nKestrel\nMerlin\nWren\n")
    assert run(folder, "--roster", str(roster)) == 0
    points = {(row[0], row[1]): str(row[4]) for row in open_points(folder)}
    assert set(points) == {
        ("missing", "Kestrel"), ("missing", "Merlin"), ("missing", "Wren"),
        ("not on the roster", "Kestrell"), ("not on the roster", "The three"),
    }  # fmt: skip
    assert "is this “Kestrell” in “b.xlsx”?" in points["missing", "Kestrel"]
    assert "is this “Kestrel”, who is missing?" in points["not on the roster", "Kestrell"]
    assert "is this “The three”" in points["missing", "Merlin"]
    assert "is this “Merlin”" in points["not on the roster", "The three"]
    assert "is this" not in points["missing", "Wren"]
    assert row_key(WIRE, "Group 1.1") != row_key(WIRE, "Group 11")
    assert row_key(WIRE, "A+") != row_key(WIRE, "A")


def test_the_box_is_as_high_as_the_comment_needs(three: Path) -> None:
    marks = Marks(book(three))
    marks.type("Group 1", COMMENT, "Look at this again. " * 75)
    marks.type("Group 2", COMMENT, "Look at this again. " * 195)
    marks.save()
    assert run(three) == 0
    assert_pages_fit(book(three))
    sheet = openpyxl.load_workbook(book(three))["Feedback"]
    boxes = [r + 1 for r in range(1, sheet.max_row) if sheet.cell(r, 2).value == HEAD_COMMENT]
    heights = [sheet.row_dimensions[row].height or 0.0 for row in boxes]
    # 1500 letters in lines of about 120
    assert heights[0] >= 12.5 * 13.5
    said = [str(row[1]) for row in texts(book(three), "Feedback")]
    assert sum("longer than this page" in text for text in said) == 1


def test_a_workbook_that_cannot_tell_what_was_typed_is_kept_in_any_case(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old = book(three)
    workbook = openpyxl.load_workbook(old)
    for row in workbook[HIDDEN].iter_rows(min_col=IMPRINTS_OF + 1, max_col=IMPRINTS + 1):
        for cell in row:
            cell.value = None
    workbook.create_sheet("My notes")["A1"].value = "ask Group 2"
    workbook.save(old)
    before = old.read_bytes()
    assert run(three) == 0
    assert (
        "CLASS.xlsx held what the new one does not: the sheet “Results”; "
        in capsys.readouterr().err
    )
    assert old.with_name("CLASS.xlsx.bak").read_bytes() == before
    # the new one can tell
    assert run(three) == 0
    assert not old.with_name("CLASS.xlsx.bak2").exists()


def test_what_is_not_carried_over_is_kept_beside_it_and_named(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old = book(three)
    # nothing but marks and comments, typed where they last: no copy
    marks = Marks(old)
    marks.type("Group 1", "scales", 2.5)
    marks.type("Group 1", COMMENT, "Good.")
    marks.save()
    assert run(three) == 0
    assert not old.with_name("CLASS.xlsx.bak").exists()
    marks = Marks(old)
    made = marks.book
    made.create_sheet("My notes")["B2"] = "see the head"
    made["Marks"].insert_cols(8)
    made["Marks"].cell(marks.row("Group 2"), 8).value = 1
    made["Marks"].cell(marks.row("Group 2"), 7).comment = Comment("why?", "me")
    made["Results"]["R3"] = "ask Ann"
    made["Results"]["A4"] = 17
    marks.save()
    before = old.read_bytes()
    capsys.readouterr()
    assert run(three) == 0
    said = capsys.readouterr().err
    assert old.with_name("CLASS.xlsx.bak").read_bytes() == before
    place = f"H{marks.row('Group 2')}"
    for what in ("the sheet “My notes”", "Results R3 “ask Ann”", "Results A4 “17”",
                 f"Marks {place} “1”", f"a note at Marks G{marks.row('Group 2')}"):  # fmt: skip
        assert what in said
    again = Marks(old)
    assert again.yours("Group 1", "scales") == 2.5
    # a later copy does not replace an earlier one
    again.book["Results"]["R3"] = "ask again"
    again.save()
    assert run(three) == 0
    assert old.with_name("CLASS.xlsx.bak").read_bytes() == before
    assert old.with_name("CLASS.xlsx.bak2").exists()


def test_a_comment_typed_into_its_box_on_the_page_is_kept(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = Marks(book(three))
    marks.type("Group 2", COMMENT, "On the sheet.")
    sheet = marks.book["Feedback"]
    boxes = [r + 1 for r in range(1, sheet.max_row) if sheet.cell(r, 2).value == HEAD_COMMENT]
    for row, text in zip(boxes, ("In the box.", "Also here.", None), strict=True):
        if text:
            sheet.cell(row, 2).value = text
    marks.save()
    for _ in range(2):
        assert run(three) == 0
        marks = Marks(book(three))
        assert marks.comment("Group 1") == "In the box."
        assert str(marks.comment("Group 2")).split("\n") == ["On the sheet.", "Also here."]
        assert marks.comment("Group 3") in (None, "")
        assert marks.hint("Group 1") == ""
        assert any(row[1] == "In the box." for row in texts(book(three), "Feedback"))
    assert not book(three).with_name("CLASS.xlsx.bak").exists()


def test_other_materials_are_not_compared_with_each_other(three: Path) -> None:
    def material(name: str) -> bytes:
        cells = {**simulate(practical(WIRE), 60).cells, "material": [name]}
        cells["start.group"] = [f"Of {name}"]
        return write_template(layout(WIRE, Assist.CORRECTED), cells)

    (three / "x.xlsx").write_bytes(material("steel"))
    assert run(three) == 0
    titles = [str(r[0]) for r in texts(book(three), "Results") if "wire by stretching" in str(r[0])]
    assert any(title.endswith(": steel") for title in titles)
    assert any(title.endswith(": phosphor bronze") for title in titles)
    said = " ".join(str(row[0]) for row in texts(book(three), "Results"))
    assert "of 3 results" in said
    # whoever does not say measured what all others did
    (three / "x.xlsx").write_bytes(material(""))
    assert run(three) == 0
    said = " ".join(str(row[0]) for row in texts(book(three), "Results"))
    assert "of 4 results" in said


@pytest.mark.parametrize("damage", ["cut", "no hidden sheet", "no marks", "no keys", "other"])
def test_an_old_workbook_that_cannot_be_read_is_left_alone(
    three: Path, damage: str, capsys: pytest.CaptureFixture[str]
) -> None:
    def change(made: openpyxl.Workbook) -> None:
        if damage == "no hidden sheet":
            del made["sheetlab class"]
        elif damage == "no marks":
            del made["Marks"]
        else:
            for row in range(2, made["Marks"].max_row + 1):
                made["Marks"].cell(row, 1).value = None

    data = book(three).read_bytes()
    if damage == "cut":
        data = data[: len(data) // 2]
    elif damage == "other":
        data = handin("Group 1", "S1", 101)
    else:
        data = edited(data, change)
    book(three).write_bytes(data)
    assert run(three) == 2
    assert "nothing was written" in capsys.readouterr().err
    assert book(three).read_bytes() == data


def test_an_open_workbook_is_left_alone(three: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = book(three).read_bytes()
    (three / ".~lock.CLASS.xlsx#").touch()
    (three / "new.xlsx").write_bytes(handin("Another", "S1", 55))
    assert run(three) == 2
    told = capsys.readouterr().err
    assert "is open" in told
    assert "run “sheetlab class” again" in told
    assert told.count("CLASS.xlsx") == 1
    assert book(three).read_bytes() == before


def test_a_workbook_saved_meanwhile_is_left_alone(
    three: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from sheetlab.classes import classroom

    def slow(data: classroom.ClassData) -> tuple[bytes, tuple[str, ...]]:
        book(three).write_bytes(b"typed meanwhile")
        return b"", ()

    monkeypatch.setattr(classroom, "write_class", slow)
    assert run(three) == 2
    assert "saved by someone else" in capsys.readouterr().err
    assert book(three).read_bytes() == b"typed meanwhile"


def test_what_a_killed_run_left_is_cleared_away(three: Path) -> None:
    old, new = three / ".CLASS-abcdefgh.part", three / ".CLASS-ijklmnop.part"
    for path in (old, new):
        path.touch()
    os.utime(old, (1e9, 1e9))
    assert run(three) == 0
    assert not old.exists()
    assert new.exists()


# -- which files count ---------------------------------------------------------------------------


def test_copies_blanks_strangers_and_missing_groups(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "in"
    first, second, third = fill_class(folder, 3)
    assert main(["evaluate", str(first)]) == 0
    assert (folder / "evaluated" / first.name).exists()
    # an evaluated copy under another name, in another folder, saved later
    assert main(["evaluate", str(second), "--out", str(folder / "copies")]) in (0, 1)
    copy = (folder / "copies" / second.name).rename(folder / "copies" / "mine.xlsx")
    os.utime(second, (1e9, 1e9))
    (folder / "blank.xlsx").write_bytes(
        write_template(layout(WIRE, Assist.CORRECTED), {"start.group": ["Group 4"]})
    )
    (folder / "broken.xlsx").write_bytes(third.read_bytes()[:3000])
    openpyxl.Workbook().save(folder / "timetable.xlsx")
    roster = tmp_path / "roster.csv"
    roster.write_text("group,setup\ngroup 1,S1\nGroup 2,S2\nGroup 4,S4\nGroup 9,S1\n")
    capsys.readouterr()
    assert run(folder, "--roster", str(roster)) == 1
    told = {(row[0], row[1]): str(row[4]) for row in open_points(folder)}
    assert told["missing", "Group 4"] == "only a blank workbook was handed in"
    assert told["missing", "Group 9"] == "nothing handed in"
    points = {(row[0], row[1] or None, row[3] or None) for row in open_points(folder)}
    assert points == {
        ("missing", "Group 4", None),
        ("missing", "Group 9", None),
        ("copy", "Group 2", second.name),
        ("blank", "Group 4", "blank.xlsx"),
        ("not on the roster", "Group 3", third.name),
        ("unreadable", None, "broken.xlsx"),
        ("foreign", None, "timetable.xlsx"),
    }
    assert row_of(book(folder), "Results", "Group 2")["source"] == f"copies/{copy.name}"
    assert len(read_kept(book(folder)).history) == 3
    out = capsys.readouterr().out
    assert "missing: Group 9" in out
    assert "unreadable: broken.xlsx" in out


CORE = (
    '<?xml version="1.0"?><cp:coreProperties xmlns:cp="http://schemas.openxmlformats.org/'
    'package/2006/metadata/core-properties" xmlns:dcterms="http://purl.org/dc/terms/">'
    "<dcterms:modified>{}</dcterms:modified></cp:coreProperties>"
)


def test_late_by_the_time_in_the_workbook_or_of_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "in"
    first, second, third = fill_class(folder, 3)
    parts = {"docProps/core.xml": CORE.format("2026-03-14T12:00:00Z").encode()}
    first.write_bytes(with_parts(first.read_bytes(), parts))
    parts = {"docProps/core.xml": b"<no"}
    third.write_bytes(with_parts(third.read_bytes(), parts))
    early = datetime(2026, 3, 13, 23, 30).timestamp()
    for path in (first, second, third):
        os.utime(path, (early, early))
    assert run(folder, "--due", "2026-03-13") == 0
    late = [(row[1], row[4]) for row in open_points(folder)]
    assert [row[0] for row in late] == [group_of(first)]
    assert "time of the workbook" in str(late[0][1])
    # within the minute in which it was due, only seconds tell why it is late
    assert ":00:00, due 2026-03-13 23:59:59" in str(late[0][1])
    assert row_of(book(folder), "Results", group_of(first))["status"] == "ok, late"
    assert run(folder, "--due", "2026-03-13T23:00") == 0
    assert len(open_points(folder)) == 3
    capsys.readouterr()
    for text in ("soon", "2026-03-13 at four", "0206-03-13", "2026-03-13T25:00"):
        assert run(folder, "--due", text) == 2
    assert "is no date" in capsys.readouterr().err


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="needs tzset")
@pytest.mark.parametrize(
    ("program", "hour"), [("Microsoft Excel", 21), ("LibreOffice/7.4.7.2$Linux", 12), (None, 21)]
)
def test_saved_at_in_local_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str | None, hour: int
) -> None:
    monkeypatch.setenv("TZ", "JST-9")
    time.tzset()
    try:
        app = None if program is None else (
            f'<Properties xmlns="{collect.PROPERTIES}"><Application>{program}</Application>'
            "</Properties>"
        ).encode()  # fmt: skip
        core = CORE.format("2026-03-14T12:00:00Z").encode()
        path = tmp_path / "one.xlsx"
        parts = {"docProps/core.xml": core, "docProps/app.xml": app}
        path.write_bytes(with_parts(handin("Group 1", "S1", 101), parts))
        assert collect.saved_at(path) == (datetime(2026, 3, 14, hour), "workbook")
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_date_lasts_until_its_end() -> None:
    assert due_time("2026-03-13") > datetime(2026, 3, 13, 23, 59, 59)
    assert due_time("2026-03-13T16:00") == datetime(2026, 3, 13, 16)


def test_names_of_groups() -> None:
    assert row_key(WIRE, " Group  ９ ") == row_key(WIRE, "group 9")
    assert row_key(WIRE, "Group 9") != row_key(PENDULUM, "Group 9")
    assert row_key(WIRE, "", "a.xlsx") != row_key(WIRE, "", "b.xlsx")
    names = ["Group 10", "group 9", "Group 1b", "Group 1"]
    assert sorted(names, key=natural) == ["Group 1", "Group 1b", "group 9", "Group 10"]


@pytest.mark.parametrize("missing", ["folder", "files", "name"])
def test_nothing_to_do(tmp_path: Path, missing: str, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "in"
    if missing != "folder":
        folder.mkdir()
    out = folder / ("CLASS.txt" if missing == "name" else "CLASS.xlsx")
    assert main(["class", str(folder), "--out", str(out)]) == 2
    assert capsys.readouterr().err
    assert not out.exists()


# -- injection -----------------------------------------------------------------------------------

NASTY = ('=HYPERLINK("http://x")', "../../x", "@SUM(1)", "\x1b[31mred\x07", "_x0041_ &A", "")


@pytest.mark.slow
def test_nasty_names_do_no_harm(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "in & #1"
    folder.mkdir()
    files = ["a.xlsx", "=cmd|x.xlsx", "b%20 c#d.xlsx", "http:x.xlsx", "e\x1b[2Jf.xlsx", "ü ñ.xlsx"]
    for i, (name, file) in enumerate(zip(NASTY, files, strict=True)):
        (folder / file).write_bytes(handin(name, name, 400 + i))
    outside = tmp_path / "outside.xlsx"
    outside.write_bytes(handin("Link", "S1", 450))
    (folder / "link.xlsx").symlink_to(outside)
    assert run(folder) in (0, 1)
    said = "".join(capsys.readouterr())
    assert "\x1b" not in said
    assert "\x07" not in said
    made = openpyxl.load_workbook(book(folder))
    assert [s.title for s in made.worksheets][:-1] == list(TITLES)
    for sheet in made.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    assert str(cell.value).startswith(
                        ("=INDEX(Marks!", "=IF(OR(N(", "=MATCH(", "=IF(ISNUMBER(INDEX(Marks!")
                    )
                    assert "HYPERLINK" not in str(cell.value)
                if cell.hyperlink:
                    target = unquote(str(cell.hyperlink.target)).replace("\\", "/")
                    assert (folder / target).is_file()
                    assert (folder / target).resolve().parent == folder.resolve()
    links = [c for row in made["Results"].iter_rows() for c in row if c.hyperlink]
    assert len(links) == len(files)
    groups = [str(row[4].value) for row in made["Marks"].iter_rows()
              if str(row[0].value).startswith("k")]  # fmt: skip
    assert '=HYPERLINK("http://x")' in groups
    assert "../../x" in groups
    assert {p.name for p in tmp_path.iterdir()} == {folder.name, outside.name}
    marks = Marks(book(folder))
    marks.type("../../x", "scales", 1.25)
    marks.save()
    assert run(folder) in (0, 1)
    assert Marks(book(folder)).yours("../../x", "scales") == 1.25


def test_links_stay_in_the_folder(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    inside, out = tmp_path / "in", tmp_path / "out" / "CLASS.xlsx"
    for path in (inside / "a b.xlsx", tmp_path / "b.xlsx"):
        path.touch()
    assert link_target(inside, "a b.xlsx", out) == "../in/a%20b.xlsx"
    assert link_target(inside, "../b.xlsx", out) == ""
    assert link_target(inside, str(tmp_path / "b.xlsx"), out) == ""
    assert link_target(inside, ".", out) == ""


# -- killed at any moment ------------------------------------------------------------------------

KILLER = """
import os, random, signal, sys, time
from pathlib import Path
from sheetlab.classes.pages import link_target
from sheetlab.classes.results_page import chart_levels, consensus_lines
from sheetlab.cli import main
from sheetlab.classes.kept import read_kept

folder, out, rounds, seed = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
arguments = ["class", str(folder), "--out", str(out), "--jobs", "1"]
sys.stdout = open(os.devnull, "w")
main(arguments)
start = time.monotonic()
main(arguments)
once = time.monotonic() - start
rng = random.Random(seed)
wanted = {k: (r.items, r.comment) for k, r in read_kept(out).rows.items()}
killed = 0
for _ in range(rounds):
    child = os.fork()
    if child == 0:
        while True:
            main(arguments)
    time.sleep(rng.uniform(0.0, 1.2 * once))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    killed += os.WIFSIGNALED(status)
    found = {k: (r.items, r.comment) for k, r in read_kept(out).rows.items()}
    assert found == wanted, "marks lost"
    assert len(read_kept(out).history) == 2, "history lost"
print(killed, file=sys.stderr)
"""


def killed(folder: Path, rounds: int) -> None:
    """Run the command again and again, and kill it at moments by chance."""
    fill_class(folder, 2)
    assert run(folder) == 0
    marks = Marks(book(folder))
    marks.type("Group 1", "scales", 3.25)
    marks.type("Group 2", COMMENT, "kept whatever happens")
    marks.save()
    arguments = [str(folder), str(book(folder)), str(rounds), str(random.randrange(10**6))]
    environment = {**os.environ, "PYTHONPATH": str(Path(sheetlab.__file__).parents[1])}
    done = subprocess.run(
        [sys.executable, "-c", KILLER, *arguments],
        capture_output=True, text=True, env=environment, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert int(done.stderr.split()[-1]) == rounds
    openpyxl.load_workbook(book(folder))
    again = Marks(book(folder))
    assert again.yours("Group 1", "scales") == 3.25
    assert again.comment("Group 2") == "kept whatever happens"
    # what a killed run leaves is hidden, is no hand-in, and is cleared away later
    assert {p.name for p in folder.iterdir() if not p.name.startswith(".")} == {
        book(folder).name, *(p.name for p in folder.glob("w*"))
    }  # fmt: skip


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs fork")
def test_killed_at_any_moment(tmp_path: Path) -> None:
    killed(tmp_path / "in", 12)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs fork")
def test_killed_fifty_times(tmp_path: Path) -> None:
    killed(tmp_path / "in", 50)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("ps") is None, reason="needs ps")
def test_helpers_end_with_a_killed_parent(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    fill_class(folder, 60)
    code = (
        "from sheetlab.cli import main; from sheetlab.handling import workers; "
        "workers.FEW = dict.fromkeys(workers.FEW, 1); "
        f"main(['class', {str(folder)!r}, '--out', {str(book(folder))!r}, '--jobs', '2'])"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(sheetlab.__file__).parents[1])}
    child = subprocess.Popen([sys.executable, "-c", code], env=environment)

    def helpers() -> list[str]:
        listing = subprocess.run(
            ["ps", "-eo", "pid,ppid"], capture_output=True, text=True, check=True
        ).stdout
        rows = [line.split() for line in listing.splitlines()]
        return [pid for pid, parent in rows if parent == str(child.pid)]

    found: list[str] = []
    while child.poll() is None and len(found) < 2:
        time.sleep(0.02)
        found = helpers()
    assert found
    child.kill()
    child.wait()
    for _ in range(100):
        time.sleep(0.1)
        if not any(Path(f"/proc/{pid}").exists() for pid in found):
            return
    pytest.fail("helpers still run")


# -- rows and keys that were pulled apart --------------------------------------------------------


def _swap_shown(marks: Marks, a: str, b: str, first: int = 5) -> None:
    sheet = marks.sheet
    i, j = marks.row(a), marks.row(b)
    for column in range(first, sheet.max_column + 1):
        one, other = sheet.cell(i, column), sheet.cell(j, column)
        one.value, other.value = other.value, one.value


def test_marks_follow_the_names_when_only_what_is_shown_was_sorted(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = Marks(book(three))
    marks.type("Group 1", COMMENT, "for one")
    marks.type("Group 3", COMMENT, "for three")
    at = f"E{marks.row('Group 1')}"
    _swap_shown(marks, "Group 1", "Group 3")
    marks.save()
    capsys.readouterr()
    run(three)
    found = Marks(book(three))
    assert (found.comment("Group 1"), found.comment("Group 3")) == ("for one", "for three")
    told = capsys.readouterr().err
    assert "another group" in told
    assert at in told
    assert (three / "CLASS.xlsx.bak").exists()


def test_marks_of_a_name_that_fits_nobody_stay_and_the_file_is_kept(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = Marks(book(three))
    marks.type("Group 1", COMMENT, "for one")
    marks.sheet.cell(marks.row("Group 1"), 5).value = "Group 2"
    marks.save()
    before = book(three).read_bytes()
    capsys.readouterr()
    run(three)
    assert Marks(book(three)).comment("Group 1") == "for one"
    assert "another group" in capsys.readouterr().err
    assert (three / "CLASS.xlsx.bak").read_bytes() == before


@pytest.mark.parametrize("what", ["key", "twice", "items"])
def test_marks_that_are_not_found_again_are_kept_beside_and_named(
    three: Path, what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = Marks(book(three))
    item = "scales"
    marks.type("Group 1", item, 1.0)
    marks.type("Group 2", item, 1.0)
    marks.save()
    run(three)
    for copy in three.glob("*.bak*"):
        copy.unlink()
    marks = Marks(book(three))
    sheet, row = marks.sheet, marks.row("Group 1")
    at = marks.address("Group 1", item)
    if what == "key":
        sheet.cell(row, 1).value = None
    elif what == "twice":
        row = sheet.max_row + 3
        at = f"{at.rstrip('0123456789')}{row}"
        for column in range(1, sheet.max_column + 1):
            sheet.cell(row, column).value = sheet.cell(marks.row("Group 1"), column).value
    else:
        items = next(r[0].row for r in sheet.iter_rows() if r[0].value == "#items")
        for column in range(1, sheet.max_column + 1):
            sheet.cell(items, column).value = None
    marks.save()
    before = book(three).read_bytes()
    capsys.readouterr()
    run(three)
    told = capsys.readouterr().err
    assert (three / "CLASS.xlsx.bak").read_bytes() == before
    assert ("Marks " if what == "items" else f"Marks {at} ") in told


def test_a_file_name_makes_no_line_of_its_own(
    three: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        (three / "broken\nFulmar: ok, 1.xlsx").write_bytes(b"PK")
    except OSError:
        pytest.skip("no such names on this system")
    run(three)
    said = capsys.readouterr()
    assert not any(line.startswith("Fulmar") for line in (said.out + said.err).splitlines())
    assert "Fulmar" in said.out
