"""What is said of readings: believable mistakes are named, careful work is left in peace."""

from __future__ import annotations

import math

import numpy as np
import pytest
from examples import CAREFUL, SHIPPED, WORKBOOKS, practical, typed

from sheetlab.checks.assess import Assessment, Status, assess
from sheetlab.checks.record import record
from sheetlab.checks.wording import Words
from sheetlab.finding import Severity, asked
from sheetlab.practical.profile import GUM, Profile
from sheetlab.workbook.template import as_cells_show


def assessed(cells, name: str = "wire-stretching", runs: int = 1, trials: int = 0) -> Assessment:
    model = practical(name, runs)
    return assess(model, as_cells_show(model, cells), trials=trials)


def careful(name: str = "wire-stretching") -> dict[str, list[object]]:
    return {key: list(values) for key, values in typed(CAREFUL[name]).items()}


def codes(assessment: Assessment) -> list[str]:
    return [finding.code for finding in assessment.findings]


@pytest.mark.parametrize("name", SHIPPED)
def test_careful_work_has_no_finding(name: str) -> None:
    found = assessed(careful(name), name)
    assert found.findings == ()
    assert found.status is Status.OK


def test_main_scale_misread_by_one_step_is_named_with_the_value_that_fits() -> None:
    cells = careful()
    cells["readings.up.1.main"][3] += 0.5
    found = assessed(cells)
    assert codes(found) == ["point-off-line"]
    message = found.findings[0].message
    assert "one step (0.5 mm) off" in message
    good = careful()["readings.up.1.main"][3] + 0.01 * careful()["readings.up.1.coincidence"][3]
    assert f"{good:.2f} mm would fit" in message
    assert found.status is Status.DOUBTFUL


def test_a_point_off_by_something_else_is_not_called_a_step() -> None:
    cells = careful()
    cells["readings.down.1.coincidence"][4] -= 15
    (finding,) = assessed(cells).findings
    assert finding.code == "point-off-line"
    assert "one step (" not in finding.message


def test_coincidence_off_the_scale_comes_first_and_alone() -> None:
    cells = careful()
    cells["readings.up.1.coincidence"][2] = 70
    assert codes(assessed(cells)) == ["coincidence-outside-scale"]


@pytest.mark.parametrize(
    ("key", "row", "value", "code"),
    [
        ("readings.up.1.main", 2, 1.7, "main-scale-off-graduation"),
        ("screw_gauge.zero_reading.side", 1, "past the line", "zero-error-large"),
        ("diameter.d.1.coincidence", 1, 20, "diameter-not-round"),
        ("screw_gauge.zero_reading.coincidence", 0, 6, "zero-readings-scatter"),
    ],
)
def test_first_warnings_of_a_demonstrator(key: str, row: int, value: object, code: str) -> None:
    cells = careful()
    cells["screw_gauge.zero_reading.side"] = ["short of the line or on it"] * 4
    cells["screw_gauge.zero_reading.coincidence"] = [2, 2, 2, 2]
    cells[key][row] = value
    assert code in codes(assessed(cells))


def test_slip_while_unloading_is_named() -> None:
    cells = careful()
    column = cells["readings.down.1.coincidence"]
    column[:3] = [n + 8 for n in column[:3]]
    assert "slip" in codes(assessed(cells))


def test_half_a_reading_is_left_out_and_told() -> None:
    cells = careful()
    cells["readings.up.1.coincidence"][4] = None
    (finding,) = assessed(cells).findings
    assert finding.code == "reading-incomplete"
    assert "does not count as zero" in finding.message


def test_too_few_rows() -> None:
    cells = careful()
    for d in (1, 2):
        for part in ("main", "coincidence"):
            cells[f"diameter.d.{d}.{part}"] = cells[f"diameter.d.{d}.{part}"][:4]
    found = assessed(cells)
    assert codes(found) == ["too-few-rows"]
    assert "4 usable rows" in found.findings[0].found


def test_no_outlier_statement_below_six_points() -> None:
    cells = {k: v[:3] if k.startswith("readings.") else v for k, v in careful().items()}
    cells["readings.down.1.main"] = [None] * 3
    cells["readings.down.1.coincidence"] = [None] * 3
    cells["readings.up.1.main"][1] += 0.5
    assert "point-off-line" not in codes(assessed(cells))


def test_wrong_unit_is_implausible() -> None:
    cells = careful()
    cells["length.lower"] = [0.0238, 0.0238, 0.0238]
    assert "implausible" in codes(assessed(cells))


def test_missing_parts_are_gathered_by_instrument() -> None:
    cells = careful()
    cells["screw_gauge.turns"] = [None]
    cells["screw_gauge.divisions"] = [None]
    found = assessed(cells)
    assert found.status is Status.FAILED
    (stop,) = [f for f in found.findings if f.severity is Severity.STOP]
    assert stop.found.startswith("Screw gauge: ")
    assert "whole turns counted" in stop.found
    assert "divisions on the circular scale" in stop.found


def test_blank_workbook_has_one_message() -> None:
    found = assessed({})
    assert found.status is Status.FAILED
    assert codes(found) == ["workbook-not-filled"]


def test_zero_divisions_do_not_crash() -> None:
    cells = careful()
    cells["screw_gauge.divisions"] = [0]
    found = assessed(cells)
    assert found.status is Status.FAILED
    assert any("cannot be worked out" in f.message for f in found.findings)


def test_g_falls_back_with_a_note_and_a_wider_uncertainty() -> None:
    cells = careful()
    cells["latitude"], cells["altitude"] = [None], [None]
    found = assessed(cells)
    assert codes(found) == ["constant-used"]
    assert found.status is Status.OK


def test_own_result_is_compared_with_the_own_readings() -> None:
    found = assessed(typed("Fulmar"))
    told = [f.message for f in found.findings if f.code == "own-result-differs"]
    # the modulus follows from the area that the group had, and is no mistake of its own
    (area,) = told
    assert "area of the cross-section A" in area
    assert "consistent with a diameter taken for a radius in the formula of area" in area
    assert area.endswith("Which length goes into the square: the diameter or the radius?")


def test_wide_swing_is_asked_about() -> None:
    cells = careful("simple-pendulum")
    cells["amplitude"] = [20]
    found = assessed(cells, "simple-pendulum")
    assert codes(found)[0] == "swing-too-wide"
    assert found.status is Status.DOUBTFUL


def test_miscounted_swing_is_asked_about() -> None:
    cells = careful("simple-pendulum")
    period = cells["timing.t.2"][3] / cells["swings"][0]
    cells["timing.t.2"][3] = round(cells["timing.t.2"][3] - period, 2)
    (finding,) = assessed(cells, "simple-pendulum").findings
    assert finding.code == "repeat-off"
    assert "as if 24 were counted in this reading instead of 25" in finding.message


def test_every_message_says_what_was_found_and_what_to_do() -> None:
    for group, one in WORKBOOKS.items():
        for finding in assessed(typed(group), one.practical, one.runs).findings:
            assert finding.found
            assert finding.remedy or finding.severity is Severity.NOTE


@pytest.mark.slow
def test_false_alarms_are_rare() -> None:
    """2000 clean synthetic wires: at most 1 % are called doubtful because of their line."""
    rng = np.random.default_rng(20)
    cells = careful()
    mass = np.arange(8) * 0.4
    alarms = 0
    for _ in range(2000):
        for name in ("up", "down"):
            divisions = np.rint((1.2 + 1.1 * mass + rng.normal(0, 0.006, 8)) * 100)
            cells[f"readings.{name}.1.main"] = list(divisions // 50 * 0.5)
            cells[f"readings.{name}.1.coincidence"] = list(divisions % 50)
        alarms += assessed(cells).status is not Status.OK
    assert alarms <= 20


def test_sentences_of_a_result() -> None:
    found = assessed(careful(), trials=20_000)
    result = found.evaluation.measurand
    model = found.practical
    words = Words(model, GUM)
    assert words.statement_line(result).startswith("Y = (")
    assert words.statement_line(result).endswith("GPa")
    formula, numbers = words.formula_lines(result)
    assert formula == "Y = 4 g L / (π d² s)"
    assert numbers.count("×") >= 3
    first = words.dominant_lines(result)[0]
    assert first.startswith("Mean corrected diameter d makes ")
    lines = words.accepted_lines(result, result.accepted)
    assert (
        "110 GPa (“middle of the range of books: 110 GPa by the alloy data sheet C51000" in lines[0]
    )
    assert "above" in lines[1] or "below" in lines[1]
    assert "trials" in words.trials_line(result)
    assert "Maximum error" in words.maximum_error_line(result)


@pytest.mark.parametrize(
    ("profile", "advice"),
    [
        # five zeros and eight places: ± U covers, see tests/metrology/test_which_interval.py
        (GUM, "sum too wide. In simulated experiments ± U covers what it says; quote ± U."),
        (Profile(coverage_factor=2.0), "quote U with k = 2.45 from Student's t."),
    ],
    ids=["from t", "agreed"],
)
def test_a_sum_of_scatters_is_no_reason_to_quote_the_trials(profile: Profile, advice: str) -> None:
    model = practical("wire-stretching")
    found = assess(model, as_cells_show(model, careful()), 20_000, profile=profile)
    line = Words(found.practical, profile).trials_line(found.evaluation.measurand)
    assert "wider than ± U" in line
    assert line.endswith(advice)


def test_what_would_halve_the_uncertainty_does_halve_it() -> None:
    result = assessed(careful()).evaluation.measurand
    first = result.parts[0]
    line = " ".join(Words(practical("wire-stretching"), GUM).dominant_lines(result))
    factor = float(line.split("has to fall to ")[1].split(" % of")[0]) / 100.0
    rest = sum((p.sensitivity * p.standard_uncertainty) ** 2 for p in result.parts[1:])
    less = (first.sensitivity * first.standard_uncertainty * factor) ** 2 + rest
    assert math.sqrt(less) == pytest.approx(result.budget.standard_uncertainty / 2, rel=0.02)


def test_record_is_complete_and_consistent() -> None:
    found = assessed(careful(), trials=20_000)
    made = record(found, "x.xlsx")
    measurand = made["measurand"]
    assert made["practical"] == "wire-stretching"
    assert made["status"] == "ok"
    assert measurand["unit"] == "Pa"
    assert measurand["expanded_uncertainty"] == pytest.approx(
        measurand["coverage_factor"] * measurand["standard_uncertainty"]
    )
    q = made["quantities"]
    assert q["d"]["unit"] == "m"
    assert q["s"]["unit"] == "kg^-1 m"
    value = 4 * q["g"]["value"] * q["L"]["value"] / (
        math.pi * q["d"]["value"] ** 2 * q["s"]["value"]
    )  # fmt: skip
    assert measurand["value"] == pytest.approx(value, rel=1e-12)
    assert sum(row["share"] for row in made["budget"]) == pytest.approx(1.0)
    assert made["line"]["slope"] == pytest.approx(q["s"]["value"])
    assert made["accepted"]["unit"] == "Pa"
    assert made["maximum_error"] > 0


def test_nothing_is_said_to_fit_the_register_that_lies_farther_from_it() -> None:
    cells = careful()
    cells["register_diameter"] = [0.51]
    cells["diameter.d.1.main"][2] += 0.5
    (finding,) = (f for f in assessed(cells).findings if f.code == "diameter-against-register")
    assert "is 0.5442 mm" in finding.found
    # with the zero error of the other sign it would be 0.584 mm
    assert "would fit" not in finding.message


def test_two_divisions_past_the_line_typed_as_two_are_counted_the_other_way() -> None:
    cells = careful()
    cells["register_diameter"] = [0.5425]
    cells["screw_gauge.zero_reading.coincidence"] = [2, 2, 2, 2]
    cells["screw_gauge.zero_reading.side"] = ["past the line"] * 4
    found = {f.code: f.message for f in assessed(cells).findings}
    # 48 of 50 past the line are two divisions: −0.02 mm
    assert "−0.02 mm would fit if 48 stood at the line" in found["zero-error-large"]
    assert "0.5425 mm would fit: as if 48 stood at the line" in found["diameter-against-register"]


def test_a_condition_on_a_column_tells_the_cell_that_it_asks_about() -> None:
    cells = careful()
    cells["readings.mass"] = [m and m + 1.0 for m in cells["readings.mass"]]
    cells["readings.mass"][0] = 1.0
    (note,) = (f for f in assessed(cells).findings if f.code == "load-not-from-zero")
    assert note.found == "“added load” is 1.00 kg in row 1"


def test_one_load_in_grams_is_named_and_nothing_is_said_of_the_rows_beside_it() -> None:
    cells = careful()
    right = cells["readings.mass"][3]
    cells["readings.mass"][3] = 1000 * right
    found = assessed(cells).findings
    (finding,) = (f for f in found if f.code == "outside-limits")
    assert f"{right:g} kg would fit if it was typed in g" in finding.message
    silent = {"line-bends", "load-not-rising", "point-off-line", "line-scatters"}
    assert not silent & {f.code for f in found}
    assert not any("Without it the slope" in f.message for f in found)


def test_a_sentence_in_brackets_has_one_full_stop() -> None:
    told = asked("x", Severity.NOTE, "it falls", "totals", "Is this the total? (Not one mass.)")
    assert told.message == "it falls. Expected: totals. Is this the total? (Not one mass.)"
    assert asked("x", Severity.NOTE, "it falls (twice)").message == "it falls (twice)."


def test_what_is_too_fine_is_said_once() -> None:
    cells = careful("simple-pendulum")
    cells["timing.t.1"][1] = 0.001070601852
    found = assessed(cells, "simple-pendulum").findings
    message = next(f.message for f in found if f.code == "finer-than-scale")
    assert message.count("a tenth of the smallest division") == 1


def test_a_named_slip_is_not_hidden_by_a_list_of_others() -> None:
    cells = careful()
    # every load in g
    cells["readings.mass"] = [400.0 * i for i in range(8)]
    found = assessed(cells).findings
    far = [f.remedy for f in found if f.remedy.startswith("It would fit if")]
    assert far
    assert not any("Look first" in remedy for remedy in far)
