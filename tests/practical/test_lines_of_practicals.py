"""Lines and curves as practicals need them, against numpy and scipy on the same readings.

All readings are invented.
"""

from __future__ import annotations

import io
import math
import zipfile
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from openpyxl import load_workbook
from scipy.optimize import curve_fit, least_squares
from written import column, evaluated, head, quantity, result

from sheetlab.checks.assess import assess
from sheetlab.finding import Severity, SheetlabError
from sheetlab.practical.loader import load
from sheetlab.workbook.results import write_results
from sheetlab.workbook.template import as_cells_show

PENDULUM = """
title = "Compound pendulum"
[inputs.mass]
unit = "kg"
[tables.swings]
rows = 12
columns.h = { title = "distance from the centre", unit = "cm" }
columns.T = { title = "period", unit = "s" }
columns.a = { title = "h^2", unit = "m^2", formula = "h^2" }
columns.b = { title = "T^2 h", unit = "s^2*m", formula = "T^2 * abs(h)" }
[lines.right]
x = "a"
y = "b"
where = "h > 0"
[lines.left]
x = "a"
y = "b"
where = "h < 0"
[quantities.g]
unit = "m/s^2"
formula = "8 * pi^2 / (right.slope + left.slope)"
[results.g]
"""
H = [-40.0, -35.0, -30.0, -25.0, -20.0, -15.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0]


def periods() -> list[float]:
    """Of a bar with a radius of gyration of 29 cm, the right side slightly off; invented."""
    rng = np.random.default_rng(8)
    h = np.abs(np.array(H)) * 1e-2
    T = 2 * math.pi * np.sqrt((0.29**2 + h**2) / (9.81 * h)) + 0.002 * rng.standard_normal(12)
    return [round(float(v), 3) for v in T]


def test_two_branches_of_a_table_are_two_lines() -> None:
    found = evaluated(PENDULUM, {"swings.h": H, "swings.T": periods()})
    h, T = np.array(H) * 1e-2, np.array(periods())
    slopes = {}
    for name, chosen in (("right", h > 0), ("left", h < 0)):
        x, y = h[chosen] ** 2, T[chosen] ** 2 * np.abs(h[chosen])
        slopes[name], covariance = np.polyfit(x, y, 1, cov=True)
        fit = found.lines[name].fit
        assert (fit.slope, fit.intercept) == pytest.approx(tuple(slopes[name]), rel=1e-9)
        assert fit.u_slope == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    g = 8 * math.pi**2 / (slopes["right"][0] + slopes["left"][0])
    assert result(found, "g")[0] == pytest.approx(g, rel=1e-12)


def test_conditions_of_a_line_are_checked() -> None:
    for wrong, told in (("h", "condition"), ("height > 0", "height"), ("h > 0, h", "2 arguments")):
        with pytest.raises(SheetlabError, match=told) as refused:
            load(PENDULUM.replace("h > 0", wrong), name="mine.toml")
        (only,) = refused.value.findings
        assert "lines.right.where" in only.message
        assert only.place.line == PENDULUM.splitlines().index('where = "h > 0"') + 1


WIRES = """
title = "Resistivity"
[tables.wires]
rows = 4
columns.wire = { title = "wire" }
columns.d = { title = "diameter", unit = "mm" }
columns.w = { title = "1/A", unit = "1/mm^2", formula = "4 / (pi * d^2)" }
columns.r = { title = "R/l", unit = "ohm/m", formula = "group_slope(wire, readings.wire, readings.l, readings.R)" }
[tables.readings]
rows = 20
columns.wire = { title = "wire" }
columns.l = { title = "length", unit = "cm" }
columns.R = { title = "resistance", unit = "ohm" }
[lines.all]
x = "wires.w"
y = "wires.r"
[quantities.rho]
unit = "ohm*m"
formula = "all.slope"
[results.rho]
"""  # noqa: E501  # a line of a definition
DIAMETERS = [0.2, 0.28, 0.4, 0.56]
LENGTHS = [20.0, 40.0, 60.0, 80.0, 100.0]


def resistances() -> list[float]:
    """Of wires of 4.9e-7 ohm m, invented."""
    rng = np.random.default_rng(3)
    found = []
    for d in DIAMETERS:
        area = math.pi * (d * 1e-3) ** 2 / 4
        found += [
            0.05 + 4.9e-7 * length * 1e-2 / area + 0.01 * rng.standard_normal()
            for length in LENGTHS
        ]
    return [round(float(v), 3) for v in found]


def wires() -> Mapping[str, Sequence[Any]]:
    return {
        "wires.wire": [1.0, 2.0, 3.0, 4.0], "wires.d": DIAMETERS,
        "readings.wire": [float(k) for k in (1, 2, 3, 4) for _ in LENGTHS],
        "readings.l": LENGTHS * 4, "readings.R": resistances(),
    }  # fmt: skip


def of_wires() -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """1/A, R/l and its standard uncertainty for each wire, by numpy."""
    x = np.array([4 / (math.pi * (d * 1e-3) ** 2) for d in DIAMETERS])
    R = np.array(resistances()).reshape(4, 5)
    fits = [np.polyfit(np.array(LENGTHS) * 1e-2, row, 1, cov=True) for row in R]
    return (
        x,
        np.array([b[0] for b, _ in fits]),
        np.array([math.sqrt(c[0, 0]) for _, c in fits]),
    )


def test_a_line_of_slopes() -> None:
    found = evaluated(WIRES, wires())
    x, y, u = of_wires()
    assert found.values["wires.r"] == pytest.approx(list(y), rel=1e-12)
    (b, _), covariance = np.polyfit(x, y, 1, cov=True)
    # no smaller than what the scatter of the slopes themselves makes of it
    least = math.sqrt(np.mean(u**2) / np.sum((x - x.mean()) ** 2))
    u_b = max(math.sqrt(covariance[0, 0]), least)
    assert result(found, "rho") == pytest.approx((b, u_b), rel=1e-9)


def test_a_line_of_slopes_weighted_with_their_uncertainties() -> None:
    text = WIRES.replace('y = "wires.r"', 'y = "wires.r"\nweights = "readings"')
    found = evaluated(text, wires())
    x, y, u = of_wires()
    (b, _), covariance = np.polyfit(x, y, 1, w=1 / u, cov="unscaled")
    assert result(found, "rho") == pytest.approx((b, math.sqrt(covariance[0, 0])), rel=1e-9)


LENS = """
title = "Thin lens"
[instruments.rule]
unit = "cm"
title = "Scale of the bench"
least_count = 0.1
limit = 0.05
[inputs.lens]
title = "position of the lens"
unit = "cm"
[tables.positions]
rows = 8
columns.object = { instrument = "rule", title = "object" }
columns.image = { instrument = "rule", title = "image", repeats = 3 }
columns.u = { title = "object distance", unit = "cm", formula = "lens - object" }
columns.v = { title = "image distance", unit = "cm", formula = "row_mean(image) - lens" }
columns.p = { title = "1/u", unit = "1/m", formula = "1 / u" }
columns.q = { title = "1/v", unit = "1/m", formula = "1 / v" }
[lines.conjugate]
x = "p"
y = "q"
weights = "readings"
[quantities.f]
unit = "cm"
formula = "1 / conjugate.intercept"
[results.f]
"""


def lens() -> dict[str, list[float]]:
    """Readings with a lens of 15 cm at 80 cm, invented."""
    rng = np.random.default_rng(11)
    u = np.array([20.0, 23.0, 27.0, 32.0, 38.0, 45.0, 55.0, 70.0])
    v = 1 / (1 / 15 - 1 / u)
    cells = {"positions.object": [round(80.0 - a, 2) for a in u], "lens": [80.0]}
    for k in (1, 2, 3):
        image = 80 + v + 0.2 * rng.standard_normal(8)
        cells[f"positions.image.{k}"] = [round(float(a), 2) for a in image]
    return cells


def test_weights_from_readings_are_those_of_instruments_and_repeats() -> None:
    cells: dict[str, Sequence[Any]] = {**lens(), "rule.least_count": [0.1]}
    found = evaluated(LENS, cells)
    image = np.array([cells[f"positions.image.{k}"] for k in (1, 2, 3)])
    u = 80 - np.array(cells["positions.object"])
    v = image.mean(axis=0) - 80
    # one reading on the rule, and three repeats whose deviation is pooled over the rows
    u_u = 0.1 / math.sqrt(12)
    u_v = math.sqrt(image.var(axis=0, ddof=1).mean() / 3)
    p, q, u_p, u_q = 100 / u, 100 / v, 100 * u_u / u**2, 100 * u_v / v**2
    fit = found.lines["conjugate"].fit
    values = [found.values[f"conjugate.{k}"] for k in ("u_x", "u_y")]
    assert values[0] == pytest.approx(list(u_p), rel=1e-5)
    assert values[1] == pytest.approx(list(u_q), rel=1e-5)
    # a line with errors in both coordinates by a general minimiser
    out = least_squares(
        lambda b: (q - b[0] - b[1] * p) / np.hypot(u_q, b[1] * u_p), (7.0, -1.0), xtol=1e-14
    )
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(out.x), rel=1e-5)
    spread = np.sqrt(np.diag(np.linalg.inv(out.jac.T @ out.jac)))
    assert (fit.u_intercept, fit.u_slope) == pytest.approx(tuple(spread), rel=0.05)


def test_what_all_rows_share_is_in_the_budget_and_not_in_the_weights() -> None:
    def budget(limit: float) -> tuple[Any, float]:
        cells: dict[str, Sequence[Any]] = {
            **lens(), "rule.least_count": [0.1], "rule.limit": [limit],
        }  # fmt: skip
        found = evaluated(LENS, cells)
        return found.values["conjugate.u_y"], result(found, "f")[1]

    (weights, u), (others, wider) = budget(0.0), budget(0.5)
    assert others == weights
    assert wider > u


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('weights = "readings"', 'weights = "readings"\nu_y = "q"', "beside"),
        ('formula = "1 / v"', 'formula = "1 / v + 0 / u"', "both x and y"),
        ('y = "q"', 'y = "z"', "no instrument"),
        ('formula = "1 / v"', 'formula = "1 / v + 0 / previous(v)"', "two rows"),
    ],
)
def test_weights_that_readings_cannot_give_are_refused(old: str, new: str, told: str) -> None:
    text = LENS.replace("[lines.con", 'columns.z = { unit = "1/m" }\n[lines.con')
    with pytest.raises(SheetlabError, match=told):
        load(text.replace(old, new))


CAPACITOR = """
title = "Discharge of a capacitor"
[inputs.R]
title = "resistance"
unit = "kohm"
uncertainty = [ { label = "resistor", half_width = 1 } ]
[tables.t]
rows = 12
columns.t = { title = "time", unit = "s" }
columns.U = { title = "voltage", unit = "V" }
[constants.rest]
value = 0.02
unit = "V"
source = "invented"
[curves.discharge]
x = "t"
y = "U"
y_axis = "log"
formula = "rest + U0 * exp(-x / (R * C))"
parameters.U0 = { unit = "V", start = 8 }
parameters.C = { unit = "uF", start = 300 }
[quantities.C]
unit = "uF"
formula = "discharge.C"
[results.C]
"""
T = [10.0 * k for k in range(12)]


def discharged() -> list[float]:
    """100 kΩ and 470 μF from 9 V, invented."""
    rng = np.random.default_rng(2)
    U = 0.02 + 9 * np.exp(-np.array(T) / 47.0) + 0.02 * rng.standard_normal(12)
    return [round(float(v), 2) for v in U]


def test_a_curve_takes_inputs_and_constants_with_their_uncertainty() -> None:
    cells: dict[str, Sequence[Any]] = {"R": [100.0], "t.t": T, "t.U": discharged()}
    found = evaluated(CAPACITOR, cells)
    (u0, c), covariance = curve_fit(
        lambda t, a, c: 0.02 + a * np.exp(-t / (1e5 * c)), T, discharged(), (8.0, 3e-4), xtol=1e-14
    )
    fit = found.curves["discharge"].fit
    assert fit.parameters == pytest.approx((u0, c), rel=1e-6)
    # C goes with 1/R: the half-width of the resistor beside the scatter
    u = math.hypot(math.sqrt(covariance[1, 1]), c * 1.0 / 100.0 / math.sqrt(3))
    assert result(found, "C") == pytest.approx((c, u), rel=1e-4)


def test_a_curve_without_its_input_is_missing() -> None:
    found = evaluated(CAPACITOR, {"t.t": T, "t.U": discharged()})
    assert found.curves == {}


def test_a_curve_that_is_not_found_is_told_with_what_to_do() -> None:
    model = load(CAPACITOR.replace("start = 300", "start = -1"))
    cells: dict[str, Sequence[Any]] = {"R": [100.0], "t.t": T, "t.U": discharged()}
    found = assess(model, as_cells_show(model, cells), trials=0)
    (told,) = [f for f in found.findings if f.code.startswith("curve-")]
    assert told.severity is Severity.DOUBTFUL
    assert "start" in told.remedy
    good = load(CAPACITOR)
    found = assess(good, as_cells_show(good, cells), trials=0)
    assert not [f for f in found.findings if f.code.startswith("curve-")]
    assert write_results(found)


def test_a_curve_beside_its_points_is_told() -> None:
    """An oscillation whose search ends in another period than that of the readings."""
    text = head("swing", 24) + column("x", "s") + column("y", "m")
    text += (
        '[curves.swing]\nx = "t.x"\ny = "t.y"\nformula = "A * sin(w * x)"\n'
        'parameters.A = { unit = "m", start = 1 }\n'
        'parameters.w = { unit = "1/s", start = START }\n'
    )
    text += quantity("w", "swing.w", "1/s")
    x = [0.5 * k for k in range(24)]
    cells = {"t.x": x, "t.y": [2.0 * math.sin(3.0 * t) for t in x]}
    for start, codes in ((1.0, ["curve-beside"]), (2.9, [])):
        model = load(text.replace("START", str(start)))
        found = assess(model, as_cells_show(model, cells), trials=0)
        assert [f.code for f in found.findings if f.code.startswith("curve-")] == codes
    assert result(found.evaluation, "w")[0] == pytest.approx(3.0, rel=1e-9)


def test_what_a_logarithmic_axis_cannot_show_is_said() -> None:
    cells: dict[str, Sequence[Any]] = {"R": [100.0], "t.t": T, "t.U": [*discharged()[:-1], -0.01]}
    model = load(CAPACITOR)
    written = write_results(assess(model, as_cells_show(model, cells), trials=0))
    with zipfile.ZipFile(io.BytesIO(written)) as book:
        texts = book.read("xl/sharedStrings.xml").decode()
    assert "Not on a logarithmic axis, as not positive: row 12." in texts


def test_functions_of_groups_need_columns_of_one_table() -> None:
    text = head("groups", 4) + column("x") + column("y")
    text += quantity("b", "group_slope(1, t.x, t.y, t.y)")
    assert load(text)
    with pytest.raises(SheetlabError, match="takes 4 arguments"):
        load(text.replace("group_slope(1, ", "group_slope("))


@pytest.mark.slow
def test_lines_with_weights_from_readings_are_covered() -> None:
    """600 benches with a lens of 15 cm: the interval holds the truth in 95 % of them, ± 3 %."""
    rng, model, inside = np.random.default_rng(21), load(LENS), 0
    u = np.array([20.0, 23.0, 27.0, 32.0, 38.0, 45.0, 55.0, 70.0])
    for _ in range(600):
        object_ = 80.0 - u
        cells: dict[str, Sequence[Any]] = {
            "lens": [80.0], "rule.least_count": [0.1], "rule.limit": [0.0],
            "positions.object": list(np.round(object_ + rng.uniform(-0.05, 0.05, 8), 1)),
        }  # fmt: skip
        image = 80.0 + 1 / (1 / 15 - 1 / (80.0 - object_))
        for k in (1, 2, 3):
            read = image + 0.2 * rng.standard_normal(8)
            cells[f"positions.image.{k}"] = list(np.round(read, 1))
        budget = evaluated(model, cells).results[0].budget
        inside += abs(budget.value - 0.15) <= budget.expanded_uncertainty
    assert inside / 600 == pytest.approx(0.95, abs=0.03)


def test_error_bars_are_the_uncertainties_of_each_point() -> None:
    model, cells = load(LENS), {**lens(), "rule.least_count": [0.1]}
    found = assess(model, as_cells_show(model, cells), trials=0)
    book = load_workbook(io.BytesIO(write_results(found)), data_only=True)
    rows = [[cell.value for cell in row] for row in book["Working"].iter_rows()]
    (top,) = (k for k, row in enumerate(rows) if "s of a reading" in row)
    u, s = (rows[top].index(title) for title in ("u of x", "s of a reading"))
    shown = [(row[u], row[s]) for row in rows[top + 1 : top + 9]]
    values = [found.evaluation.values[f"conjugate.{key}"] for key in ("u_x", "u_y")]
    assert shown == [pytest.approx(pair) for pair in zip(*values, strict=True)]
