"""Lines and curves that a definition asks for, from its text to the result, against references."""

from __future__ import annotations

import math

import numpy as np
import published
import pytest
from scipy.optimize import curve_fit
from written import column, evaluated, head, quantity, result

from sheetlab.checks.assess import assess
from sheetlab.checks.record import record
from sheetlab.finding import Severity, SheetlabError
from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import call
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import load
from sheetlab.workbook.layout import lay_out
from sheetlab.workbook.results import write_results
from sheetlab.workbook.template import as_cells_show, write_template

HEAD = head("fits", 20)


def line(extra: str = "") -> str:
    return (
        '[lines.fit]\ntitle = "A line"\nx = "t.x"\ny = ["t.y"]\n'
        f'x_title = "x"\ny_title = "y"\n{extra}\n'
    )


LINE = HEAD + column("x") + column("y") + column("ux") + column("uy")


X = [1.0, 2.0, 3.5, 4.0, 5.5, 7.0]
Y = [2.1, 3.9, 7.2, 7.7, 11.4, 13.8]
UY = [0.1, 0.1, 0.3, 0.2, 0.4, 0.2]


def test_weighted_line_is_that_of_numpy() -> None:
    text = LINE + line('u_y = "t.uy"') + quantity("b", "fit.slope") + quantity("a", "fit.intercept")
    found = evaluated(text, {"t.x": X, "t.y": Y, "t.uy": UY})
    # reference: numpy.polyfit with weights; its covariance unscaled, as the u are stated
    (b, a), covariance = np.polyfit(X, Y, 1, w=1 / np.array(UY), cov="unscaled")
    square = np.sum(((np.array(Y) - a - b * np.array(X)) / UY) ** 2)
    assert square > 4.0, "wider than stated; the cells' own function does not widen them either"
    assert result(found, "b") == pytest.approx((b, math.sqrt(covariance[0, 0])), rel=1e-9)
    assert result(found, "a") == pytest.approx((a, math.sqrt(covariance[1, 1])), rel=1e-9)
    assert found.lines["fit"].fit.chi_squared == pytest.approx(square, rel=1e-9)
    rho = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert found.correlations["b", "a"] == pytest.approx(rho, rel=1e-9)
    assert found.lines["fit"].fit.slope == pytest.approx(b, rel=1e-12)
    assert found.lines["fit"].field.kind == "weighted"


def test_stated_uncertainties_that_explain_the_scatter_are_taken_as_they_are() -> None:
    text = LINE + line('u_y = "t.uy"') + quantity("b", "fit.slope")
    wide = [10.0 * u for u in UY]
    found = evaluated(text, {"t.x": X, "t.y": Y, "t.uy": wide})
    covariance = np.polyfit(X, Y, 1, w=1 / np.array(wide), cov="unscaled")[1]
    assert result(found, "b")[1] == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-9)
    (row,) = found.results[0].budget.rows
    assert math.isinf(row.source.dof)


def test_errors_in_both_coordinates_through_a_definition() -> None:
    """Pearson's data with York's weights: published intercept and slope."""
    rows = published.rows("pearson_york.csv")
    wanted = {name: v for name, v, _ in published.expected("line_fit_both_errors.json",
                                                             "pearson_york")}  # fmt: skip
    names = list(rows[0])
    x, wx, y, wy = (
        [float(r[k]) for r in rows]
        for k in (
            next(n for n in names if n.lower() == "x"),
            next(n for n in names if n.lower() in ("wx", "w_x", "weight_x", "omega_x")),
            next(n for n in names if n.lower() == "y"),
            next(n for n in names if n.lower() in ("wy", "w_y", "weight_y", "omega_y")),
        )
    )
    text = LINE + line('u_x = "t.ux"\nu_y = "t.uy"')
    text += quantity("b", "fit.slope") + quantity("a", "fit.intercept")
    cells = {
        "t.x": x, "t.y": y,
        "t.ux": [w**-0.5 for w in wx], "t.uy": [w**-0.5 for w in wy],
    }  # fmt: skip
    found = evaluated(text, cells)
    assert result(found, "a")[0] == pytest.approx(wanted["a"], abs=1e-7)
    assert result(found, "b")[0] == pytest.approx(wanted["b"], abs=1e-8)
    # chi-squared is 1.48 a degree of freedom: that is said, and the stated ones are taken
    assert result(found, "a")[1] == pytest.approx(
        wanted["u_a (a-priori weights, at adjusted points)"], abs=1e-5
    )
    assert result(found, "b")[1] == pytest.approx(
        wanted["u_b (a-priori weights, at adjusted points)"], abs=1e-6
    )
    assert found.lines["fit"].fit.chi_squared == pytest.approx(wanted["S"], rel=1e-6)


# ISO/TS 28037:2010, clause 6: data of both examples seen in a stored copy of the files that support
# the document; printed results from memory (intercept, slope, their u, covariance, chi-squared),
# which numpy confirms
ISO_EXAMPLES = [
    ([3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6, (1.867, 1.757, 0.465, 0.120, -0.050, 1.665)),
    ([3.2, 4.3, 7.6, 8.6, 11.7, 12.8], [0.5, 0.5, 0.5, 1.0, 1.0, 1.0],
     (0.885, 2.057, 0.530, 0.178, -0.082, 4.131)),
]  # fmt: skip


@pytest.mark.parametrize(("y", "u", "printed"), ISO_EXAMPLES, ids=["equal", "unequal"])
def test_weighted_lines_of_a_standard_through_a_definition(
    y: list[float], u: list[float], printed: tuple[float, ...]
) -> None:
    """Chi-squared of the second, 4.131, is above its 4 degrees of freedom: nothing changes there.

    u was 1.6 % wider for that, and k 2.78 in the place of 1.96: U too wide by 44 %.
    """
    text = LINE + line('u_y = "t.uy"') + quantity("b", "fit.slope") + quantity("a", "fit.intercept")
    found = evaluated(text, {"t.x": [1.0, 2.0, 3.0, 4.0, 5.0, 6.0], "t.y": y, "t.uy": u})
    (b, u_b), (a, u_a) = result(found, "b"), result(found, "a")
    covariance = found.correlations["b", "a"] * u_a * u_b
    chi_squared = found.lines["fit"].fit.chi_squared
    assert (a, b, u_a, u_b, covariance, chi_squared) == pytest.approx(printed, abs=0.0005)
    assert found.results[0].budget.expanded_uncertainty == pytest.approx(1.96 * u_b, rel=1e-4)
    cells = (tuple(map(float, range(1, 7))), tuple(y), tuple(u))
    in_cells = dict(call(FUNCTIONS, "WEIGHTED_LINE", list(cells)))
    assert (in_cells["u(intercept)"], in_cells["u(slope)"]) == pytest.approx((u_a, u_b), rel=1e-12)


def test_u_does_not_jump_where_chi_squared_passes_its_degrees_of_freedom() -> None:
    text = LINE + line('u_y = "t.uy"') + quantity("b", "fit.slope")
    (b, a) = np.polyfit(X, Y, 1, w=1 / np.array(UY))
    square = float(np.sum(((np.array(Y) - a - b * np.array(X)) / UY) ** 2))
    for just in (0.999, 1.001):
        # u so that chi-squared is just below, and just above, 4
        u = [just * math.sqrt(square / 4.0) * one for one in UY]
        budget = evaluated(text, {"t.x": X, "t.y": Y, "t.uy": u}).results[0].budget
        assert budget.coverage_factor == pytest.approx(1.96, abs=1e-3)
        assert budget.expanded_uncertainty / just == pytest.approx(
            1.96 * math.sqrt(square / 4.0)
            * math.sqrt(np.polyfit(X, Y, 1, w=1 / np.array(UY), cov="unscaled")[1][0, 0]),
            rel=1e-4,
        )  # fmt: skip


@pytest.mark.parametrize("curve", [False, True])
def test_scatter_that_stated_uncertainties_do_not_explain_is_told(curve: bool) -> None:
    if curve:
        text, cells = DECAY.replace("{extra}", 'u_y = "t.uy"\n'), {"t.x": TIMES, "t.y": decayed()}
        text += quantity("tau", "decay.tau", "s")
        usual, title = 0.2, "Decay"
    else:
        text, cells = LINE + line('u_y = "t.uy"') + quantity("b", "fit.slope"), {"t.x": X, "t.y": Y}
        usual, title = 0.3, "A line"
    model = load(text)
    for factor, told in ((1.0, False), (0.2, True)):
        given = {**cells, "t.uy": [factor * usual] * len(cells["t.x"])}
        found = assess(model, as_cells_show(model, given), trials=0)
        findings = [f for f in found.findings if f.code == "scatter-unexplained"]
        assert bool(findings) is told
        if told:
            assert title in findings[0].message
            assert findings[0].severity is Severity.DOUBTFUL


@pytest.mark.slow
def test_weighted_lines_are_covered_and_seldom_doubted() -> None:
    """2000 lines with known unequal uncertainties: 95 % ± 1.5 %, and false alarms below 1 %."""
    text = LINE + line('u_y = "t.uy"') + quantity("b", "fit.slope")
    model, rng = load(text), np.random.default_rng(4)
    inside = alarms = 0
    for _ in range(2000):
        y = 1.0 + 2.0 * np.array(X) + np.array(UY) * rng.standard_normal(len(X))
        given = {"t.x": X, "t.y": list(y), "t.uy": UY}
        found = assess(model, as_cells_show(model, given), trials=0)
        budget = found.evaluation.results[0].budget
        inside += abs(budget.value - 2.0) <= budget.expanded_uncertainty
        alarms += any(f.code == "scatter-unexplained" for f in found.findings)
    assert inside / 2000 == pytest.approx(0.95, abs=0.015)
    assert alarms / 2000 < 0.01


def test_line_through_the_origin() -> None:
    text = LINE + line("through_origin = true") + quantity("b", "fit.slope")
    found = evaluated(text, {"t.x": X, "t.y": Y})
    x, y = np.array(X), np.array(Y)
    b = float(x @ y / (x @ x))
    u = math.sqrt(float(np.sum((y - b * x) ** 2)) / 5 / float(x @ x))
    assert result(found, "b") == pytest.approx((b, u), rel=1e-12)
    assert found.lines["fit"].fit.intercept == 0.0


def test_a_curve_beside_equal_readings_is_no_share_of_their_scatter() -> None:
    """1/x beside a row of fives: they have no scatter, by which nothing can be divided."""
    text = (
        'title = "Flat"\n[tables.w]\ncolumns.x = {}\ncolumns.y = {}\n'
        '[curves.v]\nx = "x"\ny = "y"\nformula = "k / x"\nparameters.k = { start = 1 }\n'
        '[quantities.q]\nformula = "v.k"\n[results.q]\n'
    )
    model = load(text, name="flat.toml")
    codes = {}
    for y in ([5.0] * 4, [5.0, 5.1, 4.9, 5.0]):
        given = {"w.x": [1.0, 2.0, 3.0, 4.0], "w.y": y}
        found = assess(model, as_cells_show(model, given), trials=0)
        assert found.evaluation.measurand is not None
        # k of least squares through y = k/x: sum(y/x) / sum(1/x^2)
        k = sum(b / a for a, b in zip(given["w.x"], y, strict=True)) / (1 + 1 / 4 + 1 / 9 + 1 / 16)
        assert found.evaluation.measurand.budget.value == pytest.approx(k, rel=1e-6)
        codes[y[1]] = {f.code for f in found.findings}
    assert "curve-beside" not in codes[5.0]
    assert "curve-beside" in codes[5.1]


def test_a_line_through_the_origin_of_no_rows_is_none() -> None:
    text = LINE + line('through_origin = true\nwhere = "x > 1000"') + quantity("b", "fit.slope")
    found = evaluated(text, {"t.x": X, "t.y": Y})
    assert not found.lines
    assert found.measurand is None


TIMES = [20.0 * i for i in range(14)]
DECAY = (
    HEAD + column("x", "min") + column("y", "mm") + column("uy", "mm")
    + '[curves.decay]\ntitle = "Decay"\nx = "t.x"\ny = "t.y"\n'
    'x_title = "t / min"\ny_title = "A / mm"\nformula = "top * exp(-x / tau) + rest"\n{extra}'
    '[curves.decay.parameters.top]\ntitle = "height"\nsymbol = "A"\nunit = "mm"\nstart = 30\n'
    '[curves.decay.parameters.tau]\ntitle = "time constant"\nsymbol = "τ"\nunit = "s"\n'
    "start = 2000\n"
    '[curves.decay.parameters.rest]\ntitle = "rest"\nsymbol = "r"\nunit = "mm"\nstart = 0\n'
)  # fmt: skip


def decayed() -> list[float]:
    rng = np.random.default_rng(5)
    t = np.array(TIMES) * 60.0
    return [float(v) for v in 42.0 * np.exp(-t / 5000.0) + 3.0 + 0.2 * rng.standard_normal(14)]


@pytest.mark.parametrize("stated", [False, True])
def test_any_curve_is_that_of_a_general_fitter(stated: bool) -> None:
    """scipy.optimize.curve_fit, on numbers in SI units."""
    text = DECAY.replace("{extra}", 'u_y = "t.uy"\n' if stated else "")
    text += quantity("half_life", "0.6931471805599453 * decay.tau", "min")
    text += quantity("whole", "decay.top + decay.rest", "mm")
    u = [0.1 + 0.02 * i for i in range(14)]
    found = evaluated(text, {"t.x": TIMES, "t.y": decayed(), "t.uy": u if stated else []})
    t, y = np.array(TIMES) * 60.0, np.array(decayed()) * 1e-3
    wanted, covariance = curve_fit(
        lambda t, a, tau, r: a * np.exp(-t / tau) + r, t, y, (0.03, 2000.0, 0.0),
        sigma=np.array(u) * 1e-3 if stated else None, absolute_sigma=stated,
        xtol=1e-14, ftol=1e-14,
    )  # fmt: skip
    curve = found.curves["decay"]
    assert curve.fit.parameters == pytest.approx(tuple(wanted), rel=1e-6)
    for i, key in enumerate(("top", "tau", "rest")):
        value, spread = result(found, f"decay.{key}")
        assert value == pytest.approx(wanted[i], rel=1e-6)
        assert spread == pytest.approx(math.sqrt(covariance[i, i]), rel=1e-4)
    assert result(found, "half_life")[1] == pytest.approx(
        math.log(2) * math.sqrt(covariance[1, 1]), rel=1e-4
    )
    # the sum of two correlated parameters
    both = covariance[0, 0] + covariance[2, 2] + 2 * covariance[0, 2]
    assert result(found, "whole")[1] == pytest.approx(math.sqrt(both), rel=1e-4)


def test_a_polynomial_is_a_curve_too() -> None:
    text = (
        HEAD + column("x", "s") + column("y", "m")
        + '[curves.fall]\ntitle = "Fall"\nx = "t.x"\ny = "t.y"\nx_title = "t / s"\n'
        'y_title = "h / m"\nformula = "c + b * x + a * x^2"\n'
        '[curves.fall.parameters.a]\ntitle = "a"\nsymbol = "a"\nunit = "m/s^2"\nstart = 1\n'
        '[curves.fall.parameters.b]\ntitle = "b"\nsymbol = "b"\nunit = "m/s"\nstart = 1\n'
        '[curves.fall.parameters.c]\ntitle = "c"\nsymbol = "c"\nunit = "m"\nstart = 1\n'
        + quantity("g", "2 * fall.a", "m/s^2")
    )  # fmt: skip
    x = [0.1 * i for i in range(9)]
    y = [0.3 + 0.2 * t + 4.9 * t * t + 0.004 * (-1) ** i for i, t in enumerate(x)]
    found = evaluated(text, {"t.x": x, "t.y": y})
    fit, covariance = np.polyfit(x, y, 2, cov=True)
    wanted = (2 * fit[0], 2 * math.sqrt(covariance[0, 0]))
    assert result(found, "g") == pytest.approx(wanted, rel=1e-7)


def test_curves_and_stated_lines_reach_workbook_sheets_and_record() -> None:
    text = DECAY.replace("{extra}", "")
    text += quantity("half_life", "0.6931471805599453 * decay.tau", "min")
    model = load(text)
    cells = {"t.x": TIMES, "t.y": decayed()}
    assert write_template(lay_out(model, Assist.FULL), cells)
    found = assess(model, as_cells_show(model, cells), trials=2000)
    made = record(found, "a.xlsx")
    (curve,) = made["curves"]
    assert curve["parameters"]["tau"]["unit"] == "s"
    assert curve["parameters"]["tau"]["value"] == pytest.approx(5000.0, rel=0.05)
    assert curve["degrees_of_freedom"] == 11
    assert len(curve["correlations"]) == 3
    assert write_results(found)
    weighted = load(LINE + line('u_y = "t.uy"') + quantity("b", "fit.slope"))
    found = assess(weighted, as_cells_show(weighted, {"t.x": X, "t.y": Y, "t.uy": UY}), trials=0)
    (study,) = record(found, "a.xlsx")["line_studies"]
    assert study["fitted_by"] == "weighted least squares"
    assert len(study["points"]) == 6
    assert write_results(found)


def test_a_curve_that_does_not_fit_is_missing() -> None:
    text = DECAY.replace("{extra}", "")
    text += quantity("half_life", "0.6931471805599453 * decay.tau", "min")
    found = evaluated(text, {"t.x": [1.0, 2.0], "t.y": [2.0, 1.0]})
    assert found.curves == {}
    assert found.results == (None,)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (LINE + line('u_x = "t.ux"') + quantity("b", "fit.slope"), "u_y"),
        (LINE + line('u_y = "t.none"') + quantity("b", "fit.slope"), "not a column"),
        (LINE + line('u_y = "t.uy"\nthrough_origin = true') + quantity("b", "fit.slope"), "origin"),
        (LINE + line("through_origin = true") + quantity("b", "fit.intercept"), "intercept"),
        (DECAY.replace("{extra}", "").replace("x / tau", "x / top") + quantity("b", "decay.tau"),
         "exp"),
        (DECAY.replace("{extra}", "").replace("+ rest", "") + quantity("b", "decay.nothing"),
         "decay.nothing"),
        (DECAY.replace("{extra}", "").replace("top * exp(-x / tau) + rest", "x") +
         quantity("b", "decay.tau", "s"), "dimension"),
        (DECAY.replace("{extra}", 'u_y = "t.x"\n') + quantity("b", "decay.tau", "s"), "belong"),
    ],
)  # fmt: skip
def test_wrong_fits_are_refused(text: str, told: str) -> None:
    with pytest.raises(SheetlabError, match=told):
        load(text)
