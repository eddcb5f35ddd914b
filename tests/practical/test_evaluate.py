"""Evaluation against numbers worked out by hand, and against published worked examples."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from examples import WORKBOOKS, practical, typed
from rounding import counted
from uncertainties import ufloat

from sheetlab.metrology import montecarlo
from sheetlab.metrology.line import fit_common_slope
from sheetlab.practical.edits import reading_edits, whole_edits
from sheetlab.practical.evaluate import Numbers, evaluate_practical
from sheetlab.practical.loader import load
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import Observations
from sheetlab.workbook.template import Typed, as_cells_show

UP = [2.13, 2.43, 2.74, 3.03, 3.34, 3.63, 3.94, 4.23]
DOWN = [2.14, 2.45, 2.74, 3.05, 3.34, 3.65, 3.94, 4.23]


def screw(reading: float) -> tuple[float, int]:
    divisions = round(reading * 100)
    return divisions // 50 * 0.5, divisions % 50


def wire(zero: int = 3, shift: float = 0.0, **changes: list[float]) -> dict[str, list[object]]:
    """A synthetic wire: g 9.81, L 2.003 m, z +0.03 mm, d_obs mean 0.485 mm, 0.5 kg steps."""
    cells: dict[str, list[object]] = {
        "screw_gauge.turns": [5],
        "screw_gauge.travel": [2.5],
        "screw_gauge.divisions": [50],
        "extensometer.turns": [4],
        "extensometer.travel": [2],
        "extensometer.divisions": [50],
        "metre_scale.least_count": [0.1],
        "screw_gauge.zero_reading.coincidence": [zero % 50] * 3,
        "screw_gauge.zero_reading.side": [
            "past the line" if zero < 0 else "short of the line or on it"
        ]
        * 3,
        "length.upper": [0.2],
        "length.lower": [200.5],
        "diameter.d.1.main": [0] * 5,
        "diameter.d.1.coincidence": [48, 49, 48, 49, 48],
        "diameter.d.2.main": [0] * 5,
        "diameter.d.2.coincidence": [49, 48, 48, 49, 49],
        "g_local": [9.81],
        "material": ["steel"],
        "readings.mass": [0.5 * i for i in range(8)],
    }
    for name, column in (("up", UP), ("down", DOWN)):
        parts = [screw(r + shift) for r in column]
        cells[f"readings.{name}.1.main"] = [main for main, _ in parts]
        cells[f"readings.{name}.1.coincidence"] = [n for _, n in parts]
    return {**cells, **changes}


def observed(model: Practical, cells: Typed) -> Observations:
    return as_cells_show(model, cells)


def evaluated(cells: Typed, trials: int = 0, name: str = "wire-stretching"):
    model = practical(name)
    return evaluate_practical(model, observed(model, cells), trials=trials)


def value(evaluation, key: str) -> float:
    return next(q.value for q in evaluation.quantities if q.key == key)


def uncertainty(evaluation, key: str) -> float:
    return next(q.standard_uncertainty for q in evaluation.quantities if q.key == key)


def test_synthetic_wire_by_hand() -> None:
    """Computed independently with plain arithmetic (numbers beside each)."""
    found = evaluated(wire(), trials=200_000)
    assert value(found, "d") == pytest.approx(0.4550e-3, rel=1e-12)
    assert value(found, "A") == pytest.approx(1.62597e-7, rel=1e-5)
    line = found.lines["load_line"].fit
    assert line.slope == pytest.approx(0.599167e-3, rel=1e-6)
    assert value(found, "Y") == pytest.approx(201.69e9, rel=3e-5)
    assert value(found, "Y_d") == pytest.approx(201.62e9, rel=3e-5)
    by_hand = 4 * 9.81 * 2.003 / (math.pi * 0.455e-3**2 * line.slope)
    assert value(found, "Y") == pytest.approx(by_hand, rel=1e-12)
    result = found.measurand
    assert result is not None
    # 2 x 0.01/0.455 + 0.01/1.1983 + 0.1/200.3 (least counts as errors)
    assert result.maximum_error is not None
    assert result.maximum_error / result.budget.value == pytest.approx(0.0528, rel=2e-3)
    shares = {
        row.source.label: row.contribution / result.budget.value for row in result.budget.rows
    }
    # three zero readings on one division: 2 x 0.475/1.96 x 0.01/0.455
    assert shares["rounding left in the mean: zero error"] == pytest.approx(0.01065, rel=1e-3)
    # each direction is read on two neighbouring divisions, three and two times (s = 0.5477): they
    # count as 0.45, and the mean is so near the edge between them that nothing is left
    assert "rounding left in the mean: mean diameter" not in shares
    assert shares["permissible error: screw gauge"] == pytest.approx(0.01015, rel=1e-3)
    scatter = 0.00695 * 0.45 / 0.5477
    assert shares["scatter of the repeats: mean diameter"] == pytest.approx(scatter, rel=1e-3)
    assert shares["permissible error: slotted masses"] == pytest.approx(0.00289, rel=2e-3)
    # with s as it is seen, and both roundings in full (0.01269), u would be 4.46 GPa
    less = 2 * 0.01269**2 + 0.00695**2 - 0.01065**2 - scatter**2
    assert result.budget.standard_uncertainty == pytest.approx(
        1e9 * (4.46**2 - less * 201.69**2) ** 0.5, rel=3e-3
    )
    assert str(result.statement) == "(2.02 ± 0.06) × 10¹¹ Pa"
    assert result.trials is not None
    # Student's t with 4 degrees of freedom has twice the variance
    spread = math.hypot(result.budget.standard_uncertainty, scatter * 201.69e9)
    assert result.trials.standard_uncertainty == pytest.approx(spread, rel=0.02)
    assert result.trials.low == pytest.approx(195.1e9, rel=2e-3)
    assert result.trials.high == pytest.approx(208.6e9, rel=2e-3)


def test_combined_uncertainty_is_that_of_an_independent_library() -> None:
    """The uncertainties package, fed with the same components by hand, gives the same u(Y)."""
    found = evaluated(wire())
    line = fit_common_slope(
        [list(zip([0.5 * i for i in range(8)], column, strict=True)) for column in (UP, DOWN)]
    )
    places = [0.455, 0.455, 0.45, 0.46, 0.455]
    spread = math.sqrt(sum((p - 0.455) ** 2 for p in places) / 4 / 5)
    # two neighbouring divisions in each direction, three and two times; zeros on one division
    (deviation, _), (_, rest) = (
        counted([0.48, 0.49, 0.48, 0.49, 0.48], 0.01),
        counted([0.03] * 3, 0.01),
    )
    d = ufloat(0.455, spread * deviation / 0.3**0.5 / 0.01) - ufloat(0, rest)
    d = (d + ufloat(0, 0.004 / 3**0.5)) * 1e-3
    s = ufloat(line.slope, line.u_slope) * (1 + ufloat(0, 0.002 / 3**0.5))
    s = s * (1 + ufloat(0, 0.005 / 3**0.5)) * 1e-3
    length = 200.3 + ufloat(0, 0.05 / 3**0.5) - ufloat(0, 0.05 / 3**0.5)
    length = length * (1 + ufloat(0, 0.0005 / 3**0.5)) / 100 + ufloat(0, 0.001 / 3**0.5)
    g = ufloat(9.81, 0.005 / 3**0.5)
    expected = 4 * g * length / (math.pi * d**2 * s)
    assert found.measurand is not None
    assert found.measurand.budget.value == pytest.approx(expected.nominal_value, rel=1e-9)
    assert found.measurand.budget.standard_uncertainty == pytest.approx(expected.std_dev, rel=1e-6)


@pytest.mark.parametrize(
    ("upper", "lower", "left"),
    [
        # the scale lay still, and both ends stand on one division each: 0.2424 of it, twice
        ([0.2, 0.2, 0.2], [200.5, 200.5, 200.5], 0.2424 * 2**0.5),
        # it was moved: each end was rounded by chance, and the lengths show by how much
        ([0.2, 5.4, 9.9], [200.5, 205.8, 210.2], None),
        # one reading says no more than its division: a half of it, twice (the old sources)
        ([0.2], [200.5], None),
    ],
    ids=["still", "moved", "once"],
)
def test_rounding_is_judged_by_the_columns_that_are_read(
    upper: list[float], lower: list[float], left: float | None
) -> None:
    found = evaluated(wire(**{"length.upper": upper, "length.lower": lower}))
    rows = {row.source.label: row.source for row in found.measurand.budget.rows}
    label = "rounding left in the mean: length"
    if left is None:
        assert label not in rows
    else:
        assert rows[label].standard_uncertainty == pytest.approx(left * 1e-3, rel=1e-3)
    single = [one for one in rows if one.startswith("rounding of a reading: ") and "chuck" in one]
    assert len(single) == (2 if len(upper) == 1 else 0)


def test_a_direction_that_stands_still_keeps_its_rounding_beside_one_that_scatters() -> None:
    cells = wire()
    cells["diameter.d.1.coincidence"] = [48] * 5
    cells["diameter.d.2.coincidence"] = [46, 49, 48, 47, 49]
    found = evaluated(cells)
    rows = {row.source.label: row.source for row in found.measurand.budget.rows}
    left = rows["rounding left in the mean: mean diameter"].standard_uncertainty
    # half of the mean is that direction's: 0.2424 / 2 of 0.01 mm
    assert left == pytest.approx(0.1212e-5, rel=1e-3)


def test_zero_error_of_the_extensometer_cancels_and_of_the_gauge_does_not() -> None:
    plain, shifted = evaluated(wire()), evaluated(wire(shift=0.17))
    assert value(shifted, "Y") == pytest.approx(value(plain, "Y"), rel=1e-9)
    labels = [row.source.label for row in plain.measurand.budget.rows]
    assert "rounding left in the mean: zero error" in labels
    # the mean of five places does not reduce what all places share
    z = uncertainty(plain, "screw_gauge.zero")
    assert uncertainty(plain, "d") > z


@pytest.mark.parametrize(("zero", "diameter"), [(3, 0.455), (0, 0.485), (-3, 0.515)])
def test_sign_rule_of_the_zero_error(zero: int, diameter: float) -> None:
    """Corrected = reading - zero error; short of the line is positive (common practice)."""
    assert value(evaluated(wire(zero=zero)), "d") == pytest.approx(diameter * 1e-3, rel=1e-9)


def test_wire_whose_scale_runs_the_other_way_gives_the_same_modulus() -> None:
    cells = wire()
    for name, column in (("up", UP), ("down", DOWN)):
        parts = [screw(8 - r) for r in column]
        cells[f"readings.{name}.1.main"] = [main for main, _ in parts]
        cells[f"readings.{name}.1.coincidence"] = [n for _, n in parts]
    assert value(evaluated(cells), "Y") == pytest.approx(value(evaluated(wire()), "Y"), rel=1e-9)


def test_missing_readings_reduce_the_data_and_are_never_zero() -> None:
    cells = wire()
    for part in ("main", "coincidence"):
        cells[f"readings.down.1.{part}"] = cells[f"readings.down.1.{part}"][:5]
    found = evaluated(cells)
    line = found.lines["load_line"].fit
    assert len(line.points) == 13
    assert value(found, "Y") == pytest.approx(201.5e9, rel=3e-3)
    cells["diameter.d.2.coincidence"][4] = None
    assert value(evaluated(cells), "d") == pytest.approx(0.4550e-3 - 0.001e-3, abs=2e-7)


@pytest.mark.parametrize(
    ("cells", "g", "half_width"),
    [
        ({"g_local": [9.79]}, 9.79, 0.005),
        ({"g_local": [None], "latitude": [45], "altitude": [0]}, 9.806199203, 0.001),
        ({"g_local": [None]}, 9.80665, 0.027),
    ],
)
def test_g_is_local_or_normal_or_conventional(
    cells: dict[str, list[float]], g: float, half_width: float
) -> None:
    """45 degrees: Geodetic Reference System 1980 (Moritz), value as in tests/reference."""
    found = evaluated(wire(**cells))
    assert value(found, "g") == pytest.approx(g, rel=1e-9)
    assert uncertainty(found, "g") == pytest.approx(half_width / 3**0.5, rel=1e-9)


def test_two_runs_enter_one_line() -> None:
    model = practical("wire-stretching", 2)
    found = evaluate_practical(model, observed(model, typed("Dunlin")), trials=0)
    line = found.lines["load_line"].fit
    assert len(line.points) == 32
    assert line.dof == 32 - 1 - 4


def test_resolution_is_a_floor_for_the_scatter_of_a_line() -> None:
    """Readings exactly on a line still carry their rounding (JCGM 100:2008, F.2.2.1)."""
    cells = wire()
    parts = [screw(2 + 0.3 * i) for i in range(8)]
    for name in ("up", "down"):
        cells[f"readings.{name}.1.main"] = [main for main, _ in parts]
        cells[f"readings.{name}.1.coincidence"] = [n for _, n in parts]
    found = evaluated(cells)
    source = next(r.source for r in found.measurand.budget.rows if r.source.key.endswith("#slope"))
    # sum of (M - mean)^2 is 10.5 kg^2 for one series, two series here
    expected = 0.01e-3 / math.sqrt(12) / math.sqrt(2 * 10.5)
    assert source.standard_uncertainty == pytest.approx(expected, rel=1e-6)


def test_pendulum_intercept_and_slope_are_correlated() -> None:
    found = evaluated(typed("Sanderling"), name="simple-pendulum")
    line = found.lines["period_line"].fit
    assert value(found, "g") == pytest.approx(4 * math.pi**2 / line.slope, rel=1e-12)
    assert value(found, "offset") == pytest.approx(line.intercept / line.slope, rel=1e-9)
    ratio = line.intercept / line.slope
    variance = (
        line.u_intercept**2 + ratio**2 * line.u_slope**2 - 2 * ratio * line.covariance
    ) / line.slope**2
    parts = [r for r in found.results[1].budget.rows if "line" in r.source.key]
    scatter = math.sqrt(sum(r.contribution**2 for r in parts))
    assert scatter == pytest.approx(math.sqrt(variance), rel=1e-6)


def test_monte_carlo_is_reproducible_and_near_the_budget() -> None:
    first, second = (evaluated(wire(), trials=200_000).measurand.trials for _ in range(2))
    assert first == second
    assert first.trials == 200_000


PUBLISHED_WIRE = """
id = "pan-and-pointer"
version = "1"
title = "Wire with a pan and a pointer"
aim = "Young's modulus from a table of pointer readings."
[sheets.all]
title = "All"
[inputs.L]
title = "length"
unit = "m"
sheet = "all"
[inputs.d]
title = "diameter"
unit = "mm"
sheet = "all"
[tables.t]
title = "readings"
sheet = "all"
rows = 9
columns.load = { title = "load", unit = "N" }
columns.pointer = { title = "pointer", unit = "cm" }
[lines.line]
title = "pointer against load"
x = "t.load"
y = ["t.pointer"]
x_title = "load / N"
y_title = "pointer / cm"
[quantities.E]
title = "Young's modulus"
symbol = "E"
unit = "GPa"
formula = "4 * L / (pi * d^2 * line.slope)"
[results.E]
"""


def test_published_table_of_a_loaded_wire() -> None:
    """OpenStax University Physics vol. 1, section 12.4, problem "wire with weight pan".

    The book prints no answer; slope, standard error and E of the five points from 15 N to 55 N
    were worked out with scipy.stats.linregress (tests/reference/wire_problems.json, W10).
    """
    rows = (Path(__file__).parents[1] / "reference" / "wire_load_table.csv").read_text().split()[1:]
    table = [tuple(map(float, row.split(","))) for row in rows][1:6]
    model = load(PUBLISHED_WIRE)
    cells = {
        "L": [2.0],
        "d": [1.0],
        "t.load": [force for force, _ in table],
        "t.pointer": [pointer for _, pointer in table],
    }
    found = evaluate_practical(model, observed(model, cells), trials=0)
    assert found.lines["line"].fit.slope == pytest.approx(3.63e-5, abs=1e-13)
    assert found.lines["line"].fit.u_slope == pytest.approx(1.9148542e-7, abs=1e-13)
    assert value(found, "E") == pytest.approx(70150939000.0, abs=10000.0)
    assert uncertainty(found, "E") == pytest.approx(370052000.0, abs=10000.0)


@pytest.mark.parametrize(
    ("radius_or_diameter", "length", "force", "modulus", "elongation", "tolerance", "source"),
    [
        (0.056, 3020.0, 3.0e6, 210e9, 18.0, 0.5, "OpenStax College Physics 2e, 5.3, long cable"),
        (0.008, 35.0, 65.0 * 9.8, 1.35e9, 0.329, 5e-4, "OpenStax University Physics 1, 12.3, rope"),
        (0.02, 1.0, 1e5, 200e9, 0.00159, 5e-6, "NCERT Physics XI, example 9.1 (from memory)"),
    ],
)
def test_modulus_formula_on_published_examples(
    radius_or_diameter: float,
    length: float,
    force: float,
    modulus: float,
    elongation: float,
    tolerance: float,
    source: str,
) -> None:
    """Two loads, 0 and F, with the published elongation give the published modulus back."""
    model = load(PUBLISHED_WIRE)
    for end in (elongation - tolerance, elongation + tolerance):
        cells = {
            "L": [length],
            "d": [radius_or_diameter * 1e3],
            "t.load": [0.0, force],
            "t.pointer": [0.0, end * 100.0],
        }
        numbers = Numbers(model, observed(model, cells))
        side = numbers.value("E", None) - modulus
        assert (side > 0) == (end < elongation), source


@pytest.mark.parametrize("group", ["Avocet", "Godwit", "Turnstone"])
def test_changed_numbers_are_those_of_changed_readings(group: str) -> None:
    """What is taken over from the numbers before a change is what would be worked out again."""
    model = practical(WORKBOOKS[group].practical)
    observations = observed(model, typed(group))
    numbers = Numbers(model, observations)
    every = (*model.inputs, *model.derived)
    for key in every:
        numbers.cells(key)
    reading = next(line.y[0] for line in model.lines.values())
    edits = [*whole_edits(numbers), *reading_edits(numbers, reading, 1)]
    assert len(edits) > 20
    touched = 0
    for edit in edits[::3]:
        changed = numbers.changed(edit.changes)
        afresh = Numbers(model, observations.changed(edit.changes))
        assert {k: changed.cells(k) for k in every} == {k: afresh.cells(k) for k in every}
        touched += any(changed.cells(k) != numbers.cells(k) for k in model.derived)
    assert touched > 5


def test_as_many_trials_as_the_figures_need() -> None:
    found = evaluated(wire(), trials=montecarlo.TRIALS).measurand
    assert found.trials.stable
    assert montecarlo.TRIALS <= found.trials.trials < montecarlo.MOST_TRIALS
    assert found.trials.trials % montecarlo.TRIALS == 0
    more = evaluate_practical(
        practical("wire-stretching"), observed(practical("wire-stretching"), wire()), trials=400_000
    ).measurand.trials
    for end in ("low", "high"):
        # both are within a tolerance of two standard errors; those of many trials are smaller
        assert getattr(found.trials, end) == pytest.approx(
            getattr(more, end), abs=1.5 * found.trials.tolerance, rel=0.0
        )
