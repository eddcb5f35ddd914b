"""Rows that a person leaves out with a reason: out of every number, and both answers shown."""

from __future__ import annotations

import pytest
from examples import CAREFUL, practical, typed

from sheetlab.checks.assess import Status, assess
from sheetlab.checks.record import record
from sheetlab.checks.wording import Words
from sheetlab.finding import Severity
from sheetlab.practical.evaluate import evaluate_practical
from sheetlab.practical.loader import catalogue, load
from sheetlab.workbook.template import as_cells_show

WIRE = "wire-stretching"
REASON = "the bench was knocked"


def cells(rows: dict[int, str] | None = None, spoil: int | None = None) -> dict[str, list[object]]:
    found = {key: list(values) for key, values in typed(CAREFUL[WIRE]).items()}
    if spoil is not None:
        found["readings.up.1.main"][spoil] += 0.5
    if rows:
        found["readings.left_out"] = [rows.get(i) for i in range(max(rows) + 1)]
    return found


def evaluated(given: dict[str, list[object]]):
    model = practical(WIRE)
    return evaluate_practical(model, as_cells_show(model, given), trials=0)


def test_a_row_left_out_is_as_if_it_had_not_been_read() -> None:
    without = cells()
    for key in ("readings.mass", *(f"readings.{w}.1.{p}" for w in ("up", "down")
                                   for p in ("main", "coincidence"))):  # fmt: skip
        without[key][3] = None
    left_out, blank = evaluated(cells({3: REASON})), evaluated(without)
    assert left_out.measurand.budget.value == blank.measurand.budget.value
    assert left_out.measurand.budget.standard_uncertainty == pytest.approx(
        blank.measurand.budget.standard_uncertainty, rel=1e-12
    )
    assert len(left_out.lines["load_line"].fit.points) == 14


def test_both_answers_are_there() -> None:
    model = practical(WIRE)
    given = cells({3: REASON}, spoil=3)
    spoilt = evaluated(cells(spoil=3)).measurand
    found = assess(model, as_cells_show(model, given), trials=0)
    assert found.status is Status.OK, "the only wrong reading is out, by a person's will"
    whole = found.evaluation.with_every_row[0]
    assert whole.budget.value == spoilt.budget.value
    assert whole.budget.value != found.evaluation.measurand.budget.value
    (note,) = found.findings
    assert (note.code, note.severity) == ("row-left-out", Severity.NOTE)
    assert REASON in note.message
    text = " ".join(Words(model, found.evaluation.profile).left_out_lines(found))
    assert REASON in text
    assert "row 4" in text
    assert str(whole.statement) in text
    made = record(found, "a.xlsx")
    assert made["left_out"] == [{"table": "readings", "row": 4, "reason": REASON}]
    assert made["with_every_row"][0]["value"] == whole.budget.value
    assert made["measurand"]["value"] == found.evaluation.measurand.budget.value


def test_many_rows_left_out_are_doubtful() -> None:
    model = practical(WIRE)
    given = cells({0: "kinked", 2: "knocked", 5: "slipped"})
    found = assess(model, as_cells_show(model, given), trials=0)
    left = [f for f in found.findings if f.code == "row-left-out"]
    assert [f.severity for f in left] == [Severity.DOUBTFUL] * 3


def test_a_reason_beside_an_empty_row_or_of_spaces_says_nothing() -> None:
    found = evaluated(cells({1: "no", 2: "   ", 9: REASON}))
    assert found.left_out == ()
    assert found.with_every_row == ()
    assert found.measurand.budget.value == evaluated(cells()).measurand.budget.value


def test_a_diameter_can_be_left_out_too() -> None:
    given = cells()
    given["diameter.left_out"] = [None, "the wire is flattened here"]
    found = evaluated(given)
    places = found.values["diameter.place"]
    assert places[1] is None
    mean = sum(p for p in places if p is not None) / sum(p is not None for p in places)
    assert found.values["d"] == pytest.approx(mean, rel=1e-12)


def test_a_mean_of_typed_cells_may_not_ignore_reasons() -> None:
    text = catalogue().text("simple-pendulum")
    text = text.replace('title = "Diameter of the bob"\n', 'title = "Bob"\nleave_out = true\n')
    model = load(text)  # its caliper readings are worked out, so they can be left empty
    assert "bob.left_out" in model.inputs
    text = text.replace('instrument = "caliper"', 'instrument = "metre_scale"')
    with pytest.raises(Exception, match=r"bob\.d.*left out"):
        load(text)
