"""Slips in own sums of small practicals: each number is worked out here with numpy alone.

All readings are invented.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from planted import figures
from written import column, head, quantity

from sheetlab.checks.diagnosis import AnswerDiagnosis, diagnose
from sheetlab.checks.subject import Subject
from sheetlab.formula.functions import NAMES
from sheetlab.formula.slips import product, slips
from sheetlab.formula.tree import parse
from sheetlab.practical.evaluate import Numbers, evaluate_practical
from sheetlab.practical.loader import load
from sheetlab.workbook.template import as_cells_show

Cells = Mapping[str, Sequence[Any]]


def line(x: str, y: str, extra: str = "") -> str:
    return (
        f'[lines.fit]\ntitle = "line"\nx = "t.{x}"\ny = ["t.{y}"]\n'
        f'x_title = "x"\ny_title = "y"\n{extra}\n'
    )


def typed(key: str, unit: str) -> str:
    return f'[inputs.{key}]\ntitle = "{key}"\nsheet = "all"\nunit = "{unit}"\n'


def asked(**units: str) -> str:
    return "".join(
        f'[answers.{key}]\ntitle = "{key}"\nunit = "{unit}"\nquantity = "{key}"\n'
        for key, unit in units.items()
    )


def told(parts: Sequence[str], cells: Cells, **given: float) -> dict[str, AnswerDiagnosis]:
    """Diagnoses by answer of what a student gives, with four figures."""
    model = load(head("small", 8) + "".join(parts))
    own = {f"answer.{key}": [figures(value, 4)] for key, value in given.items()}
    seen = as_cells_show(model, {**cells, **own})
    numbers = Numbers(model, seen)
    subject = Subject(model, seen, numbers, evaluate_practical(model, seen, numbers, trials=0))
    return {one.answer.id: one for one in diagnose(subject)}


def first(found: AnswerDiagnosis) -> tuple[str, str]:
    """Kind and words of the likeliest cause."""
    assert found.agrees is False
    return found.causes[0].kind, found.causes[0].text


# -- a capacitor that discharges: k from ln U against t, half-life ln 2 / k ----------------------

T = np.arange(8) * 10.0
U = np.round(9.0 * np.exp(-T / 47.0) + np.random.default_rng(3).normal(0.0, 0.01, 8), 2)
DISCHARGE = {"t.t": list(T), "t.U": list(U), "one": [1.0]}
K = float(-np.polyfit(T, np.log(U), 1)[0])


def capacitor(stated: str = "", extra: str = "") -> list[str]:
    return [
        column("t", "s"), column("U", "V"), stated, column("lnU", "1", "ln(U / one)"),
        typed("one", "V"), line("t", "lnU", extra),
        quantity("k", "-fit.slope", "1/s"), quantity("T_half", "ln(2) / k", "s"),
        asked(k="1/s", T_half="s"),
    ]  # fmt: skip


def test_a_decimal_logarithm_in_a_column() -> None:
    decimal = float(-np.polyfit(T, np.log10(U), 1)[0])
    assert first(told(capacitor(), DISCHARGE, k=decimal)["k"])[0] == "decimal-logarithm"
    half = math.log(2.0) / decimal
    assert first(told(capacitor(), DISCHARGE, T_half=half)["T_half"])[0] == "decimal-logarithm"


def test_a_column_behind_a_line_with_weights() -> None:
    stated = capacitor(column("u", "1", "0.01 * one / U"), 'u_y = "t.u"')
    decimal = float(-np.polyfit(T, np.log10(U), 1, w=U)[0])
    assert first(told(stated, DISCHARGE, k=decimal)["k"])[0] == "decimal-logarithm"


@pytest.mark.parametrize("with_k", [True, False])
def test_one_over_k_for_the_half_life(with_k: bool) -> None:
    given = {"k": K} if with_k else {}
    kind, words = first(told(capacitor(), DISCHARGE, T_half=1.0 / K, **given)["T_half"])
    assert kind == "number-left-out"
    assert "the number ln(2) left out" in words
    kind, words = first(told(capacitor(), DISCHARGE, T_half=1.0 / K / math.log(2.0))["T_half"])
    assert kind == "number-wrong-side"
    assert "ln(2) on the wrong side" in words


def test_per_minute_for_per_second() -> None:
    kind, words = first(told(capacitor(), DISCHARGE, k=60.0 * K)["k"])
    assert kind == "unit"
    assert words.startswith("a factor 60: the answer given in 1/min, not in 1/s")
    found = told(capacitor(), DISCHARGE, k=K, T_half=math.log(2.0) / K / 60.0)["T_half"]
    assert first(found)[1].startswith("a factor 1/60: the answer given in min, not in s")


# -- flow through a capillary, timed in minutes: volume each second against pressure -------------

PRESSURE = np.linspace(1.0, 8.0, 8)
MINUTES = np.round(12.0 / PRESSURE, 2)
CONDUCTANCE = float(np.polyfit(PRESSURE, 50.0 / (60.0 * MINUTES), 1)[0])


def test_a_time_in_minutes_in_a_column() -> None:
    flow = [
        column("p", "kPa"), column("minutes", "min"), column("V", "cm^3"),
        column("q", "cm^3/s", "V / minutes"), line("p", "q"),
        quantity("C", "fit.slope", "m^3/s/Pa"), asked(C="cm^3/s/kPa"),
    ]  # fmt: skip
    cells = {"t.p": list(PRESSURE), "t.minutes": list(MINUTES), "t.V": [50.0] * 8}
    assert told(flow, cells, C=CONDUCTANCE)["C"].agrees
    found = told(flow, cells, C=60.0 * CONDUCTANCE)["C"]
    assert "unit-not-converted" in [cause.kind for cause in found.causes]


# -- a sphere that falls in a liquid: speed against the square of its radius ---------------------

D = np.round(2.0 * np.linspace(1.0, 4.5, 8), 2)
SPEED = np.round(0.02 * (D / 2.0) ** 2, 4)
TIMES_R2 = float(np.polyfit((D / 2e3) ** 2, SPEED, 1)[0])
ONE, TWO = column("d", "mm"), column("d", "mm") + "repeats = 2\n"


@pytest.mark.parametrize(
    ("parts", "diameters"),
    [
        ((ONE, column("r", "mm", "d / 2"), column("r2", "mm^2", "r^2")), ["d"]),
        ((ONE, column("r2", "mm^2", "(d / 2)^2")), ["d"]),
        ((TWO, column("r2", "mm^2", "(row_mean(d) / 2)^2")), ["d.1", "d.2"]),
        ((TWO, column("r", "mm", "row_mean(d) / 2"), column("r2", "mm^2", "r * r")),
         ["d.1", "d.2"]),
    ],
    ids=["two columns", "one column", "a mean", "a mean, squared as a product"],
)  # fmt: skip
def test_a_diameter_for_a_radius_in_a_column(parts: Sequence[str], diameters: list[str]) -> None:
    sphere = [
        *parts, column("v", "m/s"), line("r2", "v"), quantity("m", "fit.slope", "1/m/s"),
        quantity("eta", "2 / 9 / m", "m*s"), asked(m="1/m/s", eta="m*s"),
    ]  # fmt: skip
    cells = {"t.v": list(SPEED), **{f"t.{key}": list(D) for key in diameters}}
    assert told(sphere, cells, m=TIMES_R2)["m"].agrees
    for answer in ({"m": TIMES_R2 / 4.0}, {"eta": 2.0 / 9.0 / TIMES_R2 * 4.0}):
        (key,) = answer
        kind, words = first(told(sphere, cells, **answer)[key])
        assert kind == "diameter-for-radius"
        assert "a diameter taken for a radius" in words


# -- a pendulum with a wide swing: T² against the length -----------------------------------------

LENGTH, ANGLE = np.linspace(0.3, 1.0, 8), math.radians(40.0)
PERIOD = np.round(2.0 * np.pi * np.sqrt(LENGTH / 9.81) * (1.0 + ANGLE**2 / 16.0), 3)
SWING = {"t.L": list(LENGTH), "t.T": list(PERIOD), "theta": [40.0]}
UNCORRECTED = float(np.polyfit(LENGTH, PERIOD**2, 1)[0])


@pytest.mark.parametrize(
    "formula",
    [
        "(T / (1 + theta^2 / 16))^2",
        "T^2 / (1 + theta^2 / 16 + 11 / 3072 * theta^4)^2",
        "T^2 / (theta^2 / 16 + 1)^2",
        "T^2 * (1 - theta^2 / 8)",
        "T^2 * cos(theta)^0.25",
    ],
)
def test_a_correction_left_out_of_a_column(formula: str) -> None:
    pendulum = [
        column("L", "m"), column("T", "s"), typed("theta", "degree"), column("T2", "s^2", formula),
        line("L", "T2"), quantity("k", "fit.slope", "s^2/m"),
        quantity("g", "4 * pi^2 / k", "m/s^2"), asked(k="s^2/m", g="m/s^2"),
    ]  # fmt: skip
    for answer in ({"k": UNCORRECTED}, {"g": 4.0 * math.pi**2 / UNCORRECTED}):
        (key,) = answer
        kind, words = first(told(pendulum, SWING, **answer)[key])
        assert kind == "correction-left-out"
        assert words == "the correction for theta left out of the formula of T2"


def test_what_is_far_from_one_is_no_correction() -> None:
    # a plane of 7°: g = 2 s / (t² sin θ)
    s, t = np.array([0.1, 0.3, 0.5, 0.8]), np.array([0.41, 0.71, 0.91, 1.16])
    slope = float(np.polyfit(t**2, s, 1)[0])
    plane = [
        column("s", "m"), column("t", "s"), column("t2", "s^2", "t^2"), typed("theta", "degree"),
        line("t2", "s"), quantity("g", "2 * fit.slope / sin(theta)", "m/s^2"), asked(g="m/s^2"),
    ]  # fmt: skip
    found = told(plane, {"t.s": list(s), "t.t": list(t), "theta": [7.0]}, g=2.0 * slope)["g"]
    assert first(found) == ("left-out", "theta left out of the formula of g")
    sums = [typed("u", "cm"), typed("v", "cm"), quantity("n", "1 + v / u"), asked(n="1"),
            column("x", "1")]  # fmt: skip
    kind, words = first(told(sums, {"u": [20.0], "v": [60.0]}, n=1.0)["n"])
    assert "correction" not in kind + words


def test_g_is_a_weight_only_where_there_is_a_mass() -> None:
    """v² = 2 g h of a ball that falls, and the force m g on a spring."""
    fall = [typed("h", "m"), typed("g", "m/s^2"), quantity("w", "2 * g * h", "m^2/s^2"),
            asked(w="m^2/s^2"), column("x", "1")]  # fmt: skip
    found = told(fall, {"h": [0.73], "g": [9.81]}, w=2.0 * 0.73)["w"]
    assert first(found)[0] == "left-out"
    force = [typed("m", "kg"), typed("g", "m/s^2"), quantity("F", "m * g", "N"), asked(F="N"),
             column("x", "1")]  # fmt: skip
    assert first(told(force, {"m": [0.73], "g": [9.81]}, F=0.73)["F"])[0] == "weight"


def test_a_function_of_numbers_is_a_number_in_a_product() -> None:
    found = product(parse("ln(2) / k^2", NAMES), lambda _: None)
    assert found is not None
    assert found.number == pytest.approx(math.log(2.0))
    assert found.powers == {"k": -2.0}
    kinds = {one.kind for one in slips(parse("ln(2) / k", NAMES), lambda _: (1.0,), lambda _: 1)}
    assert "decimal-logarithm" in kinds
