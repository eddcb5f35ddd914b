"""Marking schemes: what is proposed and why, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from checks.placed import assessed
from classes.groups import PENDULUM, WIRE
from examples import WORKBOOKS, typed
from msgspec.structs import replace

from sheetlab.checks.assess import Assessment
from sheetlab.checks.marks import ProposedMark, Scheme, load_scheme, propose, rounded
from sheetlab.classes.schemes import FOLDER, find_scheme, shipped
from sheetlab.finding import Finding, Place, Severity, SheetlabError, asked
from sheetlab.manual import FOLDER as PAGES


def avocet(**other: list[Any]) -> Assessment:
    """The careful group's workbook with other own results."""
    cells = {f"answer.{key}": value for key, value in other.items()}
    return assessed("Avocet", {**WORKBOOKS["Avocet"].cells, **cells})


def scheme(item: str, step: str = "0.5") -> Scheme:
    head = f'id = "test"\ntitle = "Test"\nstep = {step}\n[[items]]\nid = "one"\ntitle = "One"\n'
    return load_scheme(head + item)


def mark(found: Assessment, item: str, step: str = "0.5") -> ProposedMark:
    (one,) = propose(found, scheme(item, step))
    return one


@pytest.fixture(scope="module")
def clean() -> Assessment:
    return assessed(WIRE)


@pytest.fixture(scope="module")
def petrel() -> Assessment:
    """A coincidence beyond the scale in F14, a main scale without one in D11, a text in B12."""
    return assessed("Petrel")


@pytest.fixture(scope="module")
def fulmar() -> Assessment:
    """An area worked out with a wrong length, carried forward rightly; no slope given."""
    return assessed("Fulmar")


def test_findings_cost_all_or_each(petrel: Assessment, clean: Assessment) -> None:
    codes = '{ codes = ["coincidence-outside-scale", "reading-incomplete"]%s }'
    every = f"marks = 4\nfindings = [{codes % ''}]"
    each = f"marks = 4\nfindings = [{codes % ', each = 1.5'}]"
    assert mark(petrel, every).proposed == 0.0
    assert mark(petrel, each).proposed == 1.0
    assert mark(clean, every).proposed == mark(clean, each).proposed == 4.0
    evidence = mark(petrel, each).evidence
    assert "Readings D11" in evidence
    assert "Readings F14" in evidence
    assert "1.5 each" in evidence
    # never below zero
    assert mark(petrel, each.replace("1.5", "9")).proposed == 0.0


def test_only_some_places_or_severities_cost(petrel: Assessment) -> None:
    def cost(more: str) -> float | None:
        return mark(petrel, f"marks = 5\nfindings = [{{ each = 1, {more} }}]").proposed

    both = 'codes = ["coincidence-outside-scale", "reading-incomplete"]'
    assert cost(both) == 3.0
    assert cost(f'{both}, sheets = ["readings"]') == 3.0
    assert cost(f'{both}, sheets = ["dimensions"]') == 5.0
    assert cost(f'{both}, keys = ["readings.up"]') == 4.0
    assert cost(f'{both}, keys = ["readings"]') == 3.0
    assert cost(f'{both}, keys = ["read"]') == 5.0
    assert cost('severity = "doubtful"') == 3.0
    assert cost('severity = "note"') == 2.0
    assert cost('severity = "stop"') == 5.0


def test_a_finding_is_charged_once(petrel: Assessment) -> None:
    rule = '{ codes = ["coincidence-outside-scale"], each = 1 }'
    found = mark(petrel, f"marks = 4\nfindings = [{rule}, {{ severity = 'doubtful', each = 1 }}]")
    assert found.proposed == 2.0


def told(code: str, cell: str, found: str = "x") -> Finding:
    return asked(code, Severity.DOUBTFUL, found, place=Place("", "Readings", cell))


def test_a_cell_is_charged_once_and_told_in_whole_clauses(clean: Assessment) -> None:
    far = "“time 1” in row 2, 0.0010706 s, lies 38 s below the mean of the other repeats of its row"
    also = "repeats of the other rows scatter by 0.49 s"
    twice = replace(
        clean,
        findings=(
            told("repeat-off", "C10", f"{far}; {also}"),
            told("finer-than-scale", "C10"),
            told("outside-limits", "C11", "word " * 40),
        ),
    )
    by = {one.item.id: one for one in propose(twice, find_scheme("bench-and-sums"))}
    # C10 and C11, once each; how a scale was read is no second time a want of care
    assert by["scales"].proposed == 2.0
    assert by["care"].proposed == by["care"].out_of
    assert by["scales"].evidence.endswith("word word …")
    (one,) = propose(twice, scheme("marks = 4\nfindings = [{ codes = ['repeat-off'], each = 1 }]"))
    assert one.evidence == f"Costs 1 each: Readings C10, {far}."


def test_what_a_whole_column_tells_costs(clean: Assessment) -> None:
    # all lengths wrong by the same amount: a line that passes beside where it should
    thread = asked("not-as-expected", Severity.DOUBTFUL, "offset of the length is −25 mm")
    found = propose(replace(clean, findings=(thread,)), find_scheme("bench-and-sums"))
    care = next(one for one in found if one.item.id == "care")
    assert care.proposed == care.out_of - 1.0
    assert "−25 mm" in care.evidence


def test_own_results_with_an_error_carried_forward(fulmar: Assessment, clean: Assessment) -> None:
    found = mark(fulmar, 'marks = 6\nanswers = ["*"]')
    assert found.proposed == 4.0
    assert "carried forward: “Young's modulus Y” (My result E9)" in found.evidence
    assert "Differs: “area of the cross-section A” (My result E7), look here first" in (
        found.evidence
    )
    assert "Not given" in found.evidence
    assert mark(fulmar, 'marks = 3\nanswers = ["Y"]').proposed == 3.0
    assert mark(fulmar, 'marks = 3\nanswers = ["A"]').proposed == 0.0
    assert mark(clean, 'marks = 6\nanswers = ["*"]').proposed == 6.0
    # of another practical's answers nothing can be said against anyone, nor for them
    assert mark(clean, 'marks = 6\nanswers = ["no such"]').proposed is None


def test_rows_start_cells_and_result(clean: Assessment) -> None:
    rows = 'marks = 4\nrows = ["*"]'
    assert mark(clean, rows).proposed == 4.0
    assert "Readings B9:" in mark(clean, rows).evidence
    short = {**WORKBOOKS["Avocet"].cells}
    for key in [k for k in short if k.startswith("readings.")]:
        short[key] = list(short[key])[:3]
    found = assessed("Avocet", short)
    assert mark(found, 'marks = 4\nrows = ["readings"]').proposed == 2.0
    assert "3 rows; 6 were asked for" in mark(found, 'marks = 4\nrows = ["readings"]').evidence
    start = mark(found, 'marks = 2\nstart = ["group", "setup"]')
    assert start.proposed == 0.0
    assert "Empty: “Group” (Start " in start.evidence
    assert mark(clean, 'marks = 2\nstart = ["group", "date"]').proposed == 1.0
    assert mark(clean, "marks = 2\nresult = true").proposed == 2.0
    blank = assessed("Avocet", {})
    assert mark(blank, "marks = 2\nresult = true").proposed == 0.0


def changed(change: Callable[[dict[str, Any]], None]) -> Assessment:
    """The careful group's workbook with something changed."""

    cells = {key: list(values) for key, values in typed("Avocet").items()}
    change(cells)
    return assessed("Avocet", cells)


def by_item(found: Assessment, name: str = "bench-and-sums") -> dict[str, ProposedMark]:
    return {one.item.id: one for one in propose(found, find_scheme(name))}


def test_one_missing_row_of_six_costs() -> None:
    def five(cells: dict[str, Any]) -> None:
        for key in [k for k in cells if k.startswith("readings.")]:
            cells[key] = cells[key][:5]

    found = changed(five)
    assert by_item(found)["enough"].proposed == 3.5
    assert by_item(found, "quick-ten")["complete"].proposed == 2.0
    # 17 of 18 parts would round to all, with whatever scheme
    assert mark(found, 'marks = 4\nrows = ["*"]').proposed == 3.5
    assert mark(found, 'marks = 4\nrows = ["*"]', "0.01").proposed == 3.78
    assert "3 rows; 1 was asked for" in mark(found, 'marks = 4\nrows = ["*"]').evidence


def test_a_reading_far_off_is_not_praised(clean: Assessment) -> None:
    def hundred_divisions(cells: dict[str, Any]) -> None:
        cells["readings.up.1.main"][7] += 3.0

    found = by_item(changed(hundred_divisions))
    for item in ("scales", "care", "book"):
        assert by_item(clean)[item].praise
        assert by_item(clean)[item].proposed == by_item(clean)[item].out_of
        assert not found[item].praise
        assert found[item].proposed is not None
        # a scale that is read wrongly once costs there, and not for care once more
        assert (found[item].proposed < found[item].out_of) == (item != "care")
    # 30 % to first order: 1 / s bends over a scatter so wide
    assert "expanded uncertainty is 32 % of it; up to 15 % was wanted" in found["book"].evidence
    # what has nothing to do with it is praised still
    assert found["enough"].praise


def test_a_wrong_unit_of_a_whole_column_costs_once() -> None:
    def metres(cells: dict[str, Any]) -> None:
        for key in ("length.upper", "length.lower"):
            cells[key] = [round(value / 100.0, 4) for value in cells[key]]

    def grams(cells: dict[str, Any]) -> None:
        cells["readings.mass"] = [1000.0 * value for value in cells["readings.mass"]]

    for change in (metres, grams):
        found = by_item(changed(change))
        assert found["scales"].proposed == 3.0
        assert not found["scales"].praise
        assert found["book"].proposed == 0.0
        assert not found["care"].praise


@pytest.mark.parametrize(
    ("given", "proposed"),
    [
        *((None, 0.0), (4.0, 2.0), (4.5, 2.0), (4.513, 1.0), (-3.0, 0.0)),
        # not of the size that the readings give, (108 ± 5) GPa
        *((0.001, 0.0), (0.1, 0.0), (60.0, 0.0)),
    ],
)
def test_the_own_uncertainty(given: float | None, proposed: float) -> None:
    found = assessed("Avocet", WORKBOOKS["Avocet"].cells) if given is None else avocet(U=[given])
    one = mark(found, "marks = 2\nstated = true")
    assert one.proposed == proposed
    assert "E10" in one.evidence


def test_an_own_uncertainty_is_a_part_of_the_own_result() -> None:
    # a radius for a diameter: the own result is a quarter, and its uncertainty with it
    def judged(own: float, given: float) -> ProposedMark:
        return mark(avocet(Y=[own], U=[given]), "marks = 2\nstated = true")

    assert judged(27.0, 1.2).proposed == 2.0
    assert judged(27.0, 0.001).proposed == 0.0
    assert judged(108.0, 0.5).proposed == 0.0
    assert judged(27.0, 0.5).proposed == 2.0
    # the size that the readings give is right too, and what they give is no part of a wrong result
    assert judged(10800.0, 4.0).proposed == 2.0
    wrong = judged(10800.0, 0.1)
    assert wrong.proposed == 0.0
    assert (
        wrong.evidence.partition("too small")[2]
        == judged(108.0, 0.1).evidence.partition("too small")[2]
    )


def test_what_the_workbook_never_asked_earns_nothing_and_no_praise(clean: Assessment) -> None:
    asked = clean.practical.definition
    without = replace(asked, answers=tuple(a for a in asked.answers if a.quantity))
    model = replace(clean.practical, definition=without)
    answers = tuple(a for a in clean.answers if a.answer.quantity)
    found = replace(clean, practical=model, answers=answers)
    one = mark(found, 'marks = 2\ngood = "Well stated."\nstated = true')
    assert one.proposed is None
    assert not one.praise
    assert "asks for no uncertainty" in one.evidence
    one = mark(clean, 'marks = 3\ngood = "All there."\nrows = ["no-such-table"]')
    assert one.proposed is None
    assert not one.praise


def test_items_for_the_teacher_alone(clean: Assessment) -> None:
    found = mark(clean, "marks = 2")
    assert found.proposed is None
    assert found.evidence


def test_steps(fulmar: Assessment) -> None:
    assert mark(fulmar, 'marks = 5\nanswers = ["*"]').proposed == 3.5
    assert mark(fulmar, 'marks = 5\nanswers = ["*"]', "1").proposed == 3.0
    assert mark(fulmar, 'marks = 5\nanswers = ["*"]', "0.1").proposed == 3.3
    assert rounded(2.25, 0.5) == 2.5
    assert rounded(0.3, 0.1) == 0.3


@pytest.mark.parametrize("name", shipped())
@pytest.mark.parametrize("model", [WIRE, PENDULUM])
def test_shipped_schemes_suit_every_practical(name: str, model: str) -> None:
    its = find_scheme(name)
    found = assessed(model)
    for one in propose(found, its):
        assert one.proposed is None or one.proposed == one.out_of or one.item.id in (
            "first-sheet", "uncertainty", "own"
        )  # fmt: skip
        assert one.evidence
    assert len({item.id for item in its.items}) == len(its.items)
    assert its.note.startswith("An invented scheme")


def test_codes_of_shipped_schemes_exist() -> None:
    codes = (PAGES / "codes.md").read_text(encoding="utf-8")
    for name in shipped():
        for item in find_scheme(name).items:
            for cost in item.findings:
                for code in cost.codes:
                    assert f"`{code}`" in codes, code


def test_schemes_are_part_of_the_package() -> None:
    assert len(shipped()) == 2
    assert FOLDER.parents[1].name == "sheetlab"
    project = (Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8")
    assert 'packages = ["sheetlab"]' in project


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("marks = 2\nmark = 3", "items[0].mark"),
        ("", "items[0].marks"),
        ("marks = 0", "items[0].marks"),
        ('marks = "2"', "items[0].marks"),
        ("marks = 2\nrows = 3", "items[0].rows"),
        ("marks = 2\nfindings = [{ codes = 3 }]", "items[0].findings[0].codes"),
        ("marks = 2\nfindings = [{ each = 1 }]", "items[0].findings[0]"),
        ('marks = 2\nfindings = [{ severity = "bad" }]', "items[0].findings[0].severity"),
        ('marks = 2\nfindings = [{ severity = "note", each = -1 }]', "items[0].findings[0].each"),
        ('marks = 2\nstart = ["name"]', "items[0].start"),
        ("marks = 2\nuncertainty_within = 15", "items[0].uncertainty_within"),
        ("marks = 2\ngood_unless = [{ each = 1 }]", "items[0].good_unless[0]"),
        ("marks = 2\ngood_unless = [{ codes = 3 }]", "items[0].good_unless[0].codes"),
        ('marks = 2\n[[items]]\nid = "one"\ntitle = "b"\nmarks = 1', "items[1].id"),
        ('marks = 2\n[[items]]\nid = "ONE"\ntitle = "b"\nmarks = 1', "items[1].id"),
        ("marks = 2\n]", "file"),
    ],
)
def test_wrong_keys_are_refused(text: str, key: str) -> None:
    with pytest.raises(SheetlabError) as caught:
        scheme(text)
    codes = {f.code for f in caught.value.findings}
    assert codes == {"scheme-refused"}
    assert any(f"“{key}”" in f.found for f in caught.value.findings), caught.value.findings


def test_other_schemes(tmp_path: Path) -> None:
    path = tmp_path / "ours.toml"
    path.write_text((FOLDER / f"{shipped()[0]}.toml").read_text(encoding="utf-8"))
    assert find_scheme(str(path)) == replace(find_scheme(shipped()[0]))
    for name, code in (("none", "no-such-scheme"), (str(tmp_path / "x.toml"), "scheme-refused")):
        with pytest.raises(SheetlabError) as caught:
            find_scheme(name)
        assert caught.value.findings[0].code == code
