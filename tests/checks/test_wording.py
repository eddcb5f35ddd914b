"""Sentences about results: numbers by the rules that are taught, and advice to act on."""

from __future__ import annotations

import re

import pytest
from examples import WORKBOOKS, practical, typed
from msgspec.structs import replace

from sheetlab.checks.assess import Assessment, assess
from sheetlab.checks.wording import Words, relative, verdict_lines
from sheetlab.metrology.statement import state
from sheetlab.practical.evaluate import ResultValue
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.profile import GUM


def assessed(group: str) -> Assessment:
    one = WORKBOOKS[group]
    model = practical(one.practical, one.runs)
    return assess(model, as_cells_show(model, typed(group)), trials=2_000)


def result(found: Assessment, i: int = 0) -> ResultValue:
    one = found.evaluation.results[i]
    assert one is not None
    return one


def spoken(found: Assessment) -> list[str]:
    """Every sentence about the results of a workbook."""
    words, said = Words(found.practical, GUM), []
    for one in found.evaluation.results:
        if one is None:
            continue
        said += [
            *(words.statement_line(one), words.uncertainty_line(one), words.budget_line(one)),
            *(words.trials_line(one), words.maximum_error_line(one)),
            *words.dominant_lines(one),
            *words.alternatives_lines(one),
        ]
        if one.accepted is not None:
            said += words.accepted_lines(one, one.accepted)
    for line in found.studies:
        said += [words.scatter_line(line.line), *words.study_lines(line)]
    return said


@pytest.mark.parametrize("group", WORKBOOKS)
def test_no_sentence_has_a_number_that_is_not_taught(group: str) -> None:
    for line in spoken(assessed(group)):
        assert not re.search(r"\de[+-]?\d", line), line
        assert not re.search(r"×10\S* %", line), line
        # a value and its uncertainty end at the same place
        for value, u in re.findall(r"\((\S+) ± (\S+?)\)", line):
            assert len(value.partition(".")[2]) == len(u.partition(".")[2]), line


def test_the_degrees_of_freedom_are_those_of_the_factor() -> None:
    # Student's t for 7 degrees of freedom is 2.36 (JCGM 100:2008, Table G.2)
    found = assessed("Avocet")
    one = result(found)
    budget = replace(one.budget, effective_dof=7.64, coverage_factor=2.364624)
    line = Words(found.practical, GUM).uncertainty_line(replace(one, budget=budget))
    assert "k = 2.36 from Student's t for 7 effective degrees of freedom" in line


@pytest.mark.parametrize("group", ["Avocet", "Greenshank"])
def test_trials_say_no_standard_deviation(group: str) -> None:
    # that of Student's t with few degrees of freedom is far wider than u, or there is none
    found = assessed(group)
    line = Words(found.practical, GUM).trials_line(result(found))
    assert "random trials" in line
    assert "standard deviation" not in line


def absurd(value: float, u: float) -> str:
    """The statement of a Young's modulus of so many pascals."""
    found = assessed("Avocet")
    one = result(found)
    b = replace(one.budget, value=value, expanded_uncertainty=u)
    made = replace(one, budget=b, statement=state(value, u, "Pa"), stated_uncertainty=u)
    return Words(found.practical, GUM).statement_line(made)


def test_a_result_is_stated_with_one_power_of_ten() -> None:
    # the diameter in m where mm belongs, and one load in g of which no result is left
    assert absurd(1.04e17, 4e15) == "Y = (1.04 ± 0.04) × 10¹⁷ Pa"
    assert absurd(2.576e16, 1e19) == "Y = 2.6×10⁷ GPa, far less than ± 1.0×10¹⁰ GPa"
    assert absurd(9e10, 4e10) == "Y = (9 ± 4) × 10¹⁰ Pa = (90 ± 40) GPa"


def test_no_percentage_near_zero() -> None:
    assert relative(1.74, 0.6) == ""
    assert relative(0.03, 9.81) == "0.31 %"
    # the offset of the length, (0 ± 3) mm
    offset = result(assessed("Greenshank"), 1).budget
    assert relative(offset.standard_uncertainty, offset.value) == ""


def test_the_advice_names_what_can_be_done() -> None:
    found = assessed("Avocet")
    one = result(found)
    zero = next(r for r in one.budget.rows if "zero error" in r.source.label)
    first = replace(one.budget, rows=(zero, *one.budget.rows))
    line = Words(found.practical, GUM).dominant_lines(replace(one, budget=first))[-1]
    assert line.endswith("What helps most: more readings of “zero error”.")


@pytest.mark.parametrize(
    ("verdict", "said"),
    [
        ("agrees", "they agree"),
        ("between", "neither confirmed nor contradicted"),
        ("differs", "something is not accounted for"),
        ("open", "says nothing"),
    ],
)
def test_only_what_agrees_is_said_to_agree(verdict: str, said: str) -> None:
    accepted = result(assessed("Avocet")).accepted
    assert accepted is not None
    (line,) = verdict_lines(replace(accepted, verdict=verdict))  # type: ignore[arg-type]
    assert said in line
    assert ("they agree" in line) == (verdict == "agrees")


@pytest.mark.parametrize("group", ["Avocet", "Greenshank"])
def test_students_read_no_private_words(group: str) -> None:
    found = assessed(group)
    rows = [row.source.label for one in found.evaluation.results if one for row in one.budget.rows]
    for text in (*spoken(found), *rows):
        for private in ("from memory", "local anomaly", "bend of the formula"):
            assert private not in text, text
