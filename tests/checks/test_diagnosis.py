"""The student's own results: what follows from what, and which slip gives just this number."""

from __future__ import annotations

import json
import math
import time
from typing import Any

import numpy as np
import planted
import pytest
from examples import practical, typed
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from planted import figures, modulus, right, subject_of
from test_findings import assessed, careful

from sheetlab.checks.answers import answers_that_differ, verdict
from sheetlab.checks.assess import assess
from sheetlab.checks.causes import ZERO_SIDE
from sheetlab.checks.diagnosis import MOST_CAUSES, AnswerDiagnosis, diagnose, half_unit
from sheetlab.checks.record import record
from sheetlab.checks.subject import Subject
from sheetlab.formula import slips
from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import parse
from sheetlab.messages import words
from sheetlab.practical.bench import simulate
from sheetlab.practical.evaluate import Numbers, evaluate_practical
from sheetlab.practical.loader import load
from sheetlab.practical.profile import BUILT_IN, GUM
from sheetlab.practical.slips.table import KINDS
from sheetlab.workbook.template import as_cells_show

WIRE, PENDULUM = "wire-stretching", "simple-pendulum"
CELLS, WIRE_VALUES = planted.wire(np.random.default_rng(7))
SWINGS, PENDULUM_VALUES = planted.pendulum(np.random.default_rng(7))


def told(name: str, **answers: float) -> dict[str, AnswerDiagnosis]:
    """Diagnoses by id for a workbook with these answers."""
    cells = dict(CELLS if name == WIRE else SWINGS)
    cells |= {f"answer.{key}": [value] for key, value in answers.items()}
    return {one.answer.id: one for one in diagnose(subject_of(name, cells))}


def kinds(one: AnswerDiagnosis) -> list[str]:
    return [cause.kind for cause in one.causes]


# -- the table of ratios of the trade ----------------------------------------------------------

V = WIRE_VALUES
RATIOS: list[tuple[str, float, str, str]] = [
    ("diameter as radius", 0.25, "diameter-for-radius", "d"),
    ("radius for diameter", 4.0, "radius-for-diameter", "d"),
    ("π lost", math.pi, "pi-left-out", ""),
    ("π twice", 1.0 / math.pi, "pi-once-more", ""),
    ("kilograms not turned into newtons", 1.0 / 9.8106, "weight", "g"),
    ("g counted twice", 9.8106, "power-more", "g"),
    ("g = 10", 10.0 / 9.8106, "other-convention", "g"),
    ("g in cm/s²", 100.0, "unit", "g"),
    ("d not squared, in metres", V["d"] * 1e-3, "power-lost", "d"),
    ("d not squared, in millimetres", V["d"], "power-lost", "d"),
    ("L in cm", 100.0, "unit", "L"),
    ("L in mm", 1e3, "unit", "L"),
    ("L left out", 1.0 / V["L"], "left-out", "L"),
    ("L on the wrong side", V["L"] ** -2, "wrong-side", "L"),
    ("d in cm", 1e-4, "unit", "d"),
    ("d in mm", 1e-6, "unit", "d"),
    ("GPa for Pa", 1e9, "unit", "Y"),
    ("MPa for GPa", 1e3, "unit", "Y"),
    ("slope inverted", V["s"] ** 2, "slope-inverted", "s"),
    ("extension of one step, total load", V["n"] - 1.0, "per-step", "s"),
    ("total extension, load of one step", 1.0 / (V["n"] - 1.0), "per-step", "s"),
    ("extension of half the table, load of one step", 1.0 / (V["n"] // 2), "per-step", "s"),
    ("loading and unloading added", 0.5, "sum-for-mean", "s"),
    ("strain over stress", (modulus(V) * 1e9) ** -2, "result-inverted", "Y"),
    ("zero left out", (V["d"] / V["observed"]) ** 2, "zero-left-out", "screw_gauge.zero"),
    ("zero with the wrong sign", (V["d"] / (V["observed"] + V["z"])) ** 2, "zero-wrong-sign",
     "screw_gauge.zero"),
    ("d to one figure", (V["d"] / figures(V["d"], 1)) ** 2, "rounded-on-the-way", "d"),
]  # fmt: skip


@pytest.mark.parametrize(("slip", "ratio", "kind", "about"), RATIOS, ids=[r[0] for r in RATIOS])
def test_ratio_table_of_the_trade(slip: str, ratio: float, kind: str, about: str) -> None:
    found = told(WIRE, Y=figures(modulus(V) * ratio, 4))["Y"]
    assert found.agrees is False
    assert found.first
    named = [c for c in found.causes if c.kind == kind and (not about or about in c.about)]
    assert named, f"{slip}: {kinds(found)}"
    assert named[0].factor == pytest.approx(ratio, rel=2e-3)
    assert named[0].distance <= 0.006
    assert not named[0].legitimate


def test_own_values_of_a_careful_student_agree() -> None:
    for name, values in ((WIRE, WIRE_VALUES), (PENDULUM, PENDULUM_VALUES)):
        answers = {key: figures(value, 4) for key, value in right(name, values).items()}
        for key, found in told(name, **answers).items():
            if key in answers:
                assert found.agrees is True, key
                assert found.carried == ()
                assert found.causes == ()
                assert verdict(found) == "agrees with your own readings"


PI2 = 4.0 * math.pi**2
K = PENDULUM_VALUES["k"]


@pytest.mark.parametrize(
    ("answers", "key", "kind"),
    [
        ({"k": 1.0 / K}, "k", "slope-inverted"),
        ({"k": K / 100.0}, "k", "unit"),
        ({"k": PENDULUM_VALUES["not_squared"]}, "k", "power-lost"),
        ({"k": PENDULUM_VALUES["not_divided"]}, "k", "left-out"),
        ({"k": K, "g": PI2 * K}, "g", "slope-inverted"),
        ({"g": PI2 * K}, "g", "slope-inverted"),
        ({"k": K, "g": 4.0 * math.pi / K}, "g", "pi-power-lost"),
        ({"k": K, "g": 2.0 * math.pi / K}, "g", "number-square-lost"),
        ({"k": K, "g": 4.0 / K}, "g", "pi-left-out"),
        ({"k": K, "g": math.pi**2 / K}, "g", "number-left-out"),
        ({"k": K, "g": 100.0 * PI2 / K}, "g", "unit"),
        ({"k": K, "g": -PI2 / K}, "g", "sign"),
        ({"D": PENDULUM_VALUES["D"] / 2.0}, "D", "radius-given"),
    ],
)
def test_another_practical_needs_no_code_of_its_own(
    answers: dict[str, float], key: str, kind: str
) -> None:
    found = told(PENDULUM, **{k: figures(v, 4) for k, v in answers.items()})[key]
    assert kind in kinds(found)


# -- error carried forward ---------------------------------------------------------------------


def test_an_error_is_counted_once() -> None:
    wrong = V["d"] * 1.2
    area = math.pi * wrong**2 / 4
    found = told(WIRE, d=figures(wrong, 4), A=figures(area, 4),
                 Y=figures(modulus(V, d=wrong), 4))  # fmt: skip
    assert found["d"].agrees is False
    assert found["d"].first
    for key in ("A", "Y"):
        assert found[key].agrees is True
        assert "d" in found[key].carried
        assert found[key].expected != pytest.approx(found[key].recomputed, rel=0.1)
        assert verdict(found[key]) == "agrees with what you had before"


def test_an_error_travels_through_a_quantity_that_no_formula_names() -> None:
    # Y is worked out from d in the definition, from the area A by the student
    area = math.pi * V["d"] ** 2
    found = told(WIRE, d=figures(V["d"], 4), A=figures(area, 4), Y=figures(modulus(V) / 4, 4))
    assert kinds(found["A"])[0] == "diameter-for-radius"
    assert found["Y"].agrees is True
    assert found["Y"].carried == ("A",)


@pytest.mark.parametrize("digits", [2, 3])
def test_rounded_values_that_are_carried_on_are_right(digits: int) -> None:
    """Each step goes on with what was told of the step before, as a calculator's screen shows."""
    d, s, length = (figures(V[key], digits) for key in ("d", "s", "L"))
    area = figures(math.pi * d**2 / 4, digits)
    # m/s² · m / (mm² · mm/kg) is 10⁹ Pa
    young = 9.8106 * length / (area * s)
    found = told(WIRE, L=length, d=d, A=area, s=s, Y=figures(young, 4))
    assert [one.agrees for one in found.values() if one.given is not None] == [True] * 5


def test_a_value_of_g_by_convention_is_charged_by_the_profile() -> None:
    cells = {**CELLS, "answer.Y": [figures(modulus(V, g=10.0), 4)]}
    verdicts = {}
    for profile in (GUM, BUILT_IN["school-maximum"]):
        subject = subject_of(WIRE, cells, profile)
        (one,) = (a for a in diagnose(subject) if a.answer.id == "Y")
        verdicts[profile.id] = one, tuple(answers_that_differ(subject))
    one, findings = verdicts["gum"]
    assert kinds(one)[0] == "other-convention"
    assert len(findings) == 1
    assert "g as 10 m/s²: a convention" in findings[0].expected
    one, findings = verdicts["school-maximum"]
    assert kinds(one)[0] == "convention"
    assert one.another_way
    assert findings == ()
    # 9.8 for 9.81 is within the rounding of any sum
    assert told(WIRE, Y=figures(modulus(V, g=9.8), 4))["Y"].agrees is True


def test_a_radius_left_out_of_ratios_gets_its_cause() -> None:
    """g from the mean of 4 π² l/T² with the thread for the length; a slope would not show it."""
    thread = np.array(SWINGS["timing.thread"]) / 100
    total = np.mean([SWINGS[f"timing.t.{k}"] for k in (1, 2, 3)], axis=0)
    period = total / SWINGS["swings"][0] / (1 + math.radians(4) ** 2 / 16)
    g = float(np.mean(4 * math.pi**2 * thread / period**2))
    one = told(PENDULUM, D=figures(PENDULUM_VALUES["D"], 4), g=figures(g, 4))["g"]
    assert one.agrees is False
    causes = [c for c in one.causes if c.kind == "ratio-term-left-out"]
    assert causes
    assert "diameter of the bob D left out of the sum for length l" in causes[0].text


def test_who_does_not_go_on_with_a_wrong_value_is_right_too() -> None:
    found = told(WIRE, d=figures(V["d"] / 10, 4), Y=figures(modulus(V), 4))
    assert kinds(found["d"])[0] == "unit"
    assert found["Y"].agrees is True
    assert found["Y"].carried == ()


def test_later_mistakes_are_told_apart_from_carried_ones() -> None:
    area = math.pi * V["d"] ** 2
    found = told(WIRE, A=figures(area, 4), s=figures(V["s"], 4),
                 Y=figures(modulus(V, g=1.0) / 4, 4))  # fmt: skip
    assert found["A"].first
    assert found["Y"].agrees is False
    assert not found["Y"].first
    assert found["Y"].carried == ("A",)
    assert kinds(found["Y"])[0] == "weight"


def test_a_wrong_least_count_is_carried_through_the_readings() -> None:
    tenth = (V["observed"] - V["z"]) - 0.5 * (V["d"] > 0.5)
    assert tenth > 0.0
    found = told(WIRE, least_count=0.02, d=0.0)
    expected = found["d"].expected
    assert expected is not None
    again = told(WIRE, least_count=0.02, d=figures(expected, 4))
    assert again["least_count"].agrees is False
    assert again["d"].agrees is True
    assert again["d"].carried == ("least_count",)


def test_answers_are_judged_in_the_order_of_their_formulas() -> None:
    subject = subject_of(PENDULUM, {**SWINGS, "answer.k": [1.0], "answer.g": [PI2]})
    found = {one.answer.id: one for one in diagnose(subject)}
    assert found["k"].first
    assert found["g"].agrees is True
    assert [one.answer.id for one in diagnose(subject)] == ["least_count", "D", "k", "g", "U"]


# -- tolerance ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "half"),
    [(0.4937, 5e-5), (0.49, 5e-3), (0.5, 5e-3), (2e11, 5e9), (1.08e11, 5e8), (110.0, 0.5),
     (4.0, 0.05), (12.0, 0.5), (-0.25, 5e-3), (1e-7, 5e-9), (0.0, 0.0), (math.inf, 0.0),
     (123456.0, 0.5)],
)  # fmt: skip
def test_half_a_unit_of_the_last_digit(value: float, half: float) -> None:
    assert half_unit(value) == pytest.approx(half, rel=1e-12)


@given(st.floats(1e-9, 1e12), st.integers(2, 6))
def test_a_rounded_value_is_within_its_half_unit(value: float, digits: int) -> None:
    given_ = figures(value, digits)
    # a whole number below 1000 counts as given to the unit
    assume(given_ >= 1000.0 or value < 10.0**digits)
    assert abs(given_ - value) <= half_unit(given_) * (1 + 1e-9)


def test_rounding_is_no_mistake() -> None:
    y = modulus(V)
    assert told(WIRE, Y=figures(y, 2))["Y"].agrees is True
    assert told(WIRE, Y=figures(y * 1.004, 5))["Y"].agrees is True
    assert told(WIRE, Y=figures(y * 1.03, 5))["Y"].agrees is False


# -- other methods -----------------------------------------------------------------------------


def test_another_legitimate_method_is_named_and_is_no_finding() -> None:
    other = 1.02 * V["s"]
    cells = {
        **CELLS,
        "load_line.triangle.x1": [0.0], "load_line.triangle.y1": [0.0],
        "load_line.triangle.x2": [1.0], "load_line.triangle.y2": [other],
        "answer.s": [figures(other, 4)], "answer.Y": [figures(modulus(V, s=other), 4)],
    }  # fmt: skip
    subject = subject_of(WIRE, cells)
    found = {one.answer.id: one for one in diagnose(subject)}
    assert found["s"].another_way
    assert found["s"].causes[0].legitimate
    assert "gradient triangle" in found["s"].causes[0].text
    assert verdict(found["s"]) == "another way of working it out"
    assert found["Y"].agrees is True
    assert not list(answers_that_differ(subject))


def test_a_slip_on_top_of_another_method_is_still_a_slip() -> None:
    other = 1.03 * V["s"]
    cells = {
        **CELLS,
        "load_line.triangle.x1": [0.0], "load_line.triangle.y1": [0.0],
        "load_line.triangle.x2": [1.0], "load_line.triangle.y2": [other],
        "answer.Y": [figures(modulus(V, s=other) / 4, 4)],
    }  # fmt: skip
    subject = subject_of(WIRE, cells)
    found = {one.answer.id: one for one in diagnose(subject)}["Y"]
    assert "another-method + diameter-for-radius" in kinds(found)
    assert not any(cause.legitimate for cause in found.causes)
    assert [finding.code for finding in answers_that_differ(subject)] == ["own-result-differs"]


def test_rows_that_were_left_out_may_be_used() -> None:
    cells = dict(typed("Turnstone"))
    subject = subject_of(PENDULUM, cells)
    numbers = Numbers(practical(PENDULUM),
                      subject.observations.without(practical(PENDULUM).reasons()))  # fmt: skip
    whole = numbers.shown("k")
    assert whole is not None
    found = diagnose(subject_of(PENDULUM, {**cells, "answer.k": [figures(whole, 4)]}))
    (k,) = [one for one in found if one.answer.id == "k"]
    assert k.another_way
    assert "every-row" in kinds(k)


# -- collisions and bounds ---------------------------------------------------------------------


def test_what_cannot_be_told_apart_is_listed_together() -> None:
    # with two figures, π² on the wrong side, g twice, and ten
    found = told(WIRE, Y=figures(modulus(V) * 9.84, 3))["Y"]
    assert {"pi-wrong-side", "power-more"} <= set(kinds(found))
    # with two figures, g left out and a tenth, 1.9 % apart
    cells, v = next(
        (c, v) for c, v in (planted.wire(np.random.default_rng(s)) for s in range(50))
        if 105.0 < modulus(v) < 140.0
    )  # fmt: skip
    cells["answer.Y"] = [figures(modulus(v) / 9.9, 2)]
    (coarse,) = [one for one in diagnose(subject_of(WIRE, cells)) if one.answer.id == "Y"]
    assert {"weight", "unit"} <= set(kinds(coarse)) or {"weight", "decimal-point"} <= set(
        kinds(coarse)
    )


def test_a_quarter_has_several_meanings() -> None:
    cells, v = next(
        (c, v) for c, v in (planted.wire(np.random.default_rng(s)) for s in range(50))
        if v["n"] // 2 == 4
    )  # fmt: skip
    cells["answer.Y"] = [figures(modulus(v) / 4, 4)]
    (found,) = [one for one in diagnose(subject_of(WIRE, cells)) if one.answer.id == "Y"]
    assert {"diameter-for-radius", "per-step", "number-left-out"} <= set(kinds(found))
    assert kinds(found)[0] == "diameter-for-radius"


def test_a_length_of_two_metres_hides_behind_a_half() -> None:
    cells = dict(CELLS)
    upper = cells["length.upper"]
    cells["length.lower"] = [u + 200.2 for u in upper]
    v = {**V, "L": 2.002}
    cells["answer.Y"] = [figures(modulus(v) / v["L"] ** 2, 3)]
    (found,) = [one for one in diagnose(subject_of(WIRE, cells)) if one.answer.id == "Y"]
    assert {"wrong-side", "diameter-for-radius"} <= set(kinds(found))
    cells["answer.Y"] = [figures(modulus(v) / v["L"], 3)]
    (found,) = [one for one in diagnose(subject_of(WIRE, cells)) if one.answer.id == "Y"]
    assert {"left-out", "sum-for-mean"} <= set(kinds(found))


def test_at_most_two_slips_and_two_only_where_one_does_not_do() -> None:
    found = told(WIRE, Y=figures(modulus(V, g=1.0) / 4, 4))["Y"]
    assert all(cause.count == 2 for cause in found.causes)
    assert "diameter-for-radius + weight" in kinds(found)
    assert all(abs(cause.distance) <= 0.005 for cause in found.causes)
    single = told(WIRE, Y=figures(modulus(V) / 4, 4))["Y"]
    assert all(cause.count == 1 for cause in single.causes)


def test_chance_is_seldom_explained() -> None:
    rng = np.random.default_rng(12)
    explained = [
        bool(told(WIRE, Y=figures(modulus(V) * math.exp(rng.normal(0.0, 2.0)), 4))["Y"].causes)
        for _ in range(30)
    ]
    assert sum(explained) <= 8


@pytest.mark.parametrize(
    "value", [0.0, -1.0, 1e-300, 1e300, -1e15, 1e15, 5e-324, math.inf, -math.inf, math.nan]
)
@pytest.mark.parametrize(("name", "keys"), [(WIRE, "Y"), (WIRE, "d"), (PENDULUM, "k"),
                                            (PENDULUM, "g")])  # fmt: skip
def test_strange_answers(name: str, keys: str, value: float) -> None:
    found = told(name, **{keys: value})
    assert found[keys].agrees is False
    assert len(found[keys].causes) <= MOST_CAUSES


numbers = st.one_of(
    st.none(),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(1e-4, 1e4),
    st.sampled_from([0.5, 0.01, 100.0, 2.4, 1.0, -1.0]),
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(["Avocet", "Fulmar", "Petrel", "Sanderling", "Turnstone"]), st.data())
def test_any_answers_are_judged(group: str, data: st.DataObject) -> None:
    name = planted_practical(group)
    model = practical(name)
    cells: dict[str, Any] = dict(typed(group))
    for answer in model.definition.answers:
        cells[f"answer.{answer.id}"] = [data.draw(numbers)]
    assessment = assess(model, as_cells_show(model, cells), trials=0)
    json.dumps(record(assessment, "x"), allow_nan=False)
    assert sum(one.first for one in assessment.answers) <= 1
    for one in assessment.answers:
        assert len(one.causes) <= MOST_CAUSES
        assert all(cause.count <= 2 for cause in one.causes)
        assert len({cause.text for cause in one.causes}) == len(one.causes)
        if one.agrees:
            assert one.causes == ()
        for cause in one.causes:
            assert cause.text
            assert cause.question.endswith(("?", "."))
            assert "{" not in cause.text + cause.question


def planted_practical(group: str) -> str:
    return PENDULUM if group in ("Sanderling", "Turnstone") else WIRE


names = st.sampled_from(["a", "b", "c", "pi", "2", "0.5", "4", "10"])
formulas = st.recursive(
    names,
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from("+-*/"), inner).map(lambda t: f"({t[0]}{t[1]}{t[2]})"),
        st.tuples(inner, st.sampled_from(["2", "3", "0.5", "-1"])).map(
            lambda t: f"({t[0]}^{t[1]})" if not t[0].startswith("-") else t[0]
        ),
        st.tuples(st.sampled_from(["sqrt", "ln", "log10", "sin", "abs", "exp", "atan"]), inner).map(
            lambda t: f"{t[0]}({t[1]})"
        ),
        inner.map(lambda t: f"(-{t})"),
    ),
    max_leaves=12,
)
DEFINITION = """
id = "made-up"
version = "1"
title = "Made up"
aim = "None."
[sheets.s]
title = "Only"
[inputs]
a = {{ title = "first length", sheet = "s" }}
b = {{ title = "second length", sheet = "s" }}
c = {{ title = "third", sheet = "s" }}
[quantities]
p = {{ title = "part", symbol = "p", unit = "1", formula = "{part}", sheet = "s" }}
q = {{ title = "whole", symbol = "q", unit = "1", formula = "{whole}", sheet = "s" }}
[results.q]
[answers]
p = {{ title = "part", unit = "1", quantity = "p" }}
q = {{ title = "whole", unit = "1", quantity = "q" }}
"""


def invented(part: str, whole: str, **typed_: float) -> Subject:
    model = load(DEFINITION.format(part=part, whole=whole))
    observations = as_cells_show(model, {key.replace("_", "."): [v] for key, v in typed_.items()})
    return Subject(model, observations, Numbers(model, observations),
                   evaluate_practical(model, observations, trials=0))  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(formulas, formulas, st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(1e-3, 1e3))
def test_any_formula_may_be_diagnosed(
    part: str, whole: str, given_: float, other: float, a: float
) -> None:
    whole = whole.replace("a", "p", 1) if whole == "a" else whole
    subject = invented(part, whole, a=a, b=2.0, c=0.3, answer_p=given_, answer_q=other)
    for one in diagnose(subject):
        assert len(one.causes) <= MOST_CAUSES


@given(formulas)
def test_slips_are_formulas(text: str) -> None:
    node = parse(text, NAMES)
    for slip in slips.slips(node, lambda key: (1.0, 0.01), lambda key: 1):
        assert slip.kind in KINDS
        assert slip.node != node


@pytest.mark.parametrize(
    ("formula", "wrong", "kind"),
    [
        ("ln(a) / b", lambda a, b: math.log10(a) / b, "decimal-logarithm"),
        ("log10(a) / b", lambda a, b: math.log(a) / b, "natural-logarithm"),
        ("sin(a / 2) / sin(b)", lambda a, b: math.sin(math.degrees(a / 2)) / math.sin(b),
         "angle-mode"),
        ("sqrt(a / b)", lambda a, b: a / b, "root-left-out"),
        ("a + b", lambda a, b: a - b, "term-sign"),
        ("a + b", lambda a, b: a, "term-left-out"),
        ("a / (b * c)", lambda a, b: a / b * 0.3, "brackets"),
        ("a / b", lambda a, b: b / a, "result-inverted"),
        ("pi * a^2 / b", lambda a, b: a**2 / b, "pi-left-out"),
        ("a^3 * b", lambda a, b: a**2 * b, "power-lost"),
        ("5 * a / b", lambda a, b: a / b / 5, "number-wrong-side"),
    ],
)  # fmt: skip
def test_slips_are_made_from_the_formula(formula: str, wrong: Any, kind: str) -> None:
    a, b = 2.7, 0.83
    subject = invented("a", formula, a=a, b=b, c=0.3, answer_q=figures(wrong(a, b), 5))
    (found,) = [one for one in diagnose(subject) if one.answer.id == "q"]
    assert kind in kinds(found)


# -- words and speed ---------------------------------------------------------------------------


def test_finding_says_what_was_given_what_follows_and_asks() -> None:
    subject = subject_of(WIRE, {**CELLS, "answer.Y": [figures(modulus(V) / 4, 4)]})
    (finding,) = answers_that_differ(subject)
    assert "Young's modulus Y" in finding.found
    assert "consistent with a diameter taken for a radius in the formula of" in finding.expected
    assert "(mean corrected diameter d then counts double)" in finding.expected
    assert "0.25 times" in finding.expected
    assert finding.remedy == "Which length goes into the square: the diameter or the radius?"


def test_a_number_that_was_rounded_is_asked_for_by_itself() -> None:
    cells = {**CELLS, "answer.Y": [figures(modulus(V) * math.pi / 3.0, 4)]}
    (finding,) = answers_that_differ(subject_of(WIRE, cells))
    assert "a rounded value: π as 3" in finding.expected
    assert "With how many figures did you put in π?" in finding.remedy


def test_units_are_asked_for_in_plain_words() -> None:
    subject = subject_of(WIRE, {**CELLS, "answer.Y": [figures(modulus(V) * 100, 4)]})
    (finding,) = answers_that_differ(subject)
    assert finding.remedy.startswith("In which unit did you take “")
    assert finding.remedy.endswith("”, and in which unit is your answer to be?")
    (d,) = answers_that_differ(subject_of(WIRE, {**CELLS, "answer.d": [figures(V["d"] / 10, 4)]}))
    assert "unit is your answer to be" in d.remedy


def test_one_reading_near_the_mean_may_be_a_number_from_a_label() -> None:
    # the highest reading, as a nominal diameter would be: 1 % beside the mean
    rows = len(CELLS["diameter.d.1.main"])
    cells = {**CELLS, "diameter.d.1.main": [0.5] * rows, "diameter.d.2.main": [0.5] * rows,
             "diameter.d.1.coincidence": [2.0] * (rows - 1) + [3.0],
             "diameter.d.2.coincidence": [2.0] * (rows - 1) + [3.0]}  # fmt: skip
    highest = 0.53 - V["z"]
    (finding,) = answers_that_differ(subject_of(WIRE, {**cells, "answer.d": [figures(highest, 4)]}))
    assert "or a value from elsewhere: a label, a table" in finding.expected
    assert finding.remedy.endswith("Or does it come from a label or a table?")
    # far from the mean it is a reading
    cells = {**CELLS, "length.upper": [5.0, 5.0, 25.0], "length.lower": [150.0, 150.0, 150.0]}
    (finding,) = answers_that_differ(subject_of(WIRE, {**cells, "answer.L": [1.25]}))
    assert "only the last or the lowest of the readings" in finding.expected
    assert "elsewhere" not in finding.expected


def test_every_kind_has_words() -> None:
    for name, kind in KINDS.items():
        parts = ("of", "detail", "power", "which", "what", "load")
        made = words(f"because-{name}", (*((part, "") for part in parts), ("elsewhere", 0)))
        assert made["found"] or name in ("unit", "decimal-point"), "all of it is told by the slip"
        assert made["remedy"].endswith(("?", ".")), name
        assert 1 <= kind.frequency <= 9


def test_the_record_holds_the_diagnosis() -> None:
    model = practical(WIRE)
    cells = {**CELLS, "answer.A": [figures(math.pi * V["d"] ** 2, 4)],
             "answer.Y": [figures(modulus(V) / 4, 4)]}  # fmt: skip
    area, y = record(assess(model, as_cells_show(model, cells), trials=0), "x")["own_results"]
    assert area["agrees"] is False
    assert area["causes"][0]["kind"] == "diameter-for-radius"
    assert y["agrees"] is True
    assert y["carried"] == ["area of the cross-section A"]
    assert y["expected"] == pytest.approx(y["given"], rel=0.005)
    assert y["recomputed"] == pytest.approx(4 * y["given"], rel=0.005)


def test_it_is_quick() -> None:
    fine = {key: figures(value, 4) for key, value in right(WIRE, V).items()}
    wrong = {key: value * 1.37 for key, value in fine.items()}
    for answers, most in ((fine, 0.05), (wrong, 0.25)):
        subject = subject_of(WIRE, {**CELLS, **{f"answer.{k}": [v] for k, v in answers.items()}})
        assert subject.studies
        times = []
        for _ in range(3):
            start = time.perf_counter()
            diagnose(subject)
            times.append(time.perf_counter() - start)
        # a few times what it takes, for busy machines
        assert min(times) < most


# -- planted answers ---------------------------------------------------------------------------


def test_planted_causes_are_found() -> None:
    """Other seeds than those that the frequencies were chosen with (0 to 39)."""
    lines, total = planted.table(range(502, 504))
    print("\n".join(lines))
    assert total["planted"] > 75
    assert total["named"] >= 0.98 * total["planted"]
    assert total["first"] >= 0.90 * total["planted"]


@pytest.mark.slow
def test_planted_causes_are_found_in_many_variations() -> None:
    lines, total = planted.table(range(1000, 1300))
    print("\n".join(lines))
    assert total["named"] >= 0.98 * total["planted"]
    assert total["first"] >= 0.90 * total["planted"]


def test_a_doubtful_zero_side_is_told_and_the_own_result_is_right() -> None:
    # as if the sides of the zero mark had been confused: 0.47 mm more or less on every reading
    # (invented by the habit "zero-side"; the own results rest on the right zero)
    bench = simulate(practical(WIRE), 12, ["zero-side"])
    clean = simulate(practical(WIRE), 12)
    subject = subject_of(WIRE, clean.cells)
    diameter = float(f"{subject.numbers.shown('d'):.4g}")
    cells = {**bench.cells, "answer.d": [diameter]}
    found = {one.answer.id: one for one in diagnose(subject_of(WIRE, cells))}["d"]
    assert found.agrees is False
    assert found.causes[0].kind == ZERO_SIDE
    assert found.another_way
    assert found.doubts_zero
    assert not found.first
    assert "other side" in verdict(found)
    assert "radius" not in found.causes[0].question
    # readings that nothing speaks against are believed
    plain = {**clean.cells, "answer.d": [diameter * 1.1]}
    kinds_ = kinds({one.answer.id: one for one in diagnose(subject_of(WIRE, plain))}["d"])
    assert ZERO_SIDE not in kinds_


@pytest.mark.parametrize("right", [True, False])
def test_own_results_are_judged_with_a_named_slip_undone(right: bool) -> None:
    clean = careful()
    value = assessed(clean).evaluation.measurand.budget.value / 1e9
    cells = {**clean, "readings.mass": [1000 * m for m in clean["readings.mass"] if m is not None]}
    cells["answer.Y"] = [round(value * (1.0 if right else 1.2), 1)]
    found = assessed(cells)
    assert any("in g, not in kg" in f.message for f in found.findings)
    (own,) = (a for a in found.answers if a.answer.id == "Y")
    assert (own.agrees, own.undone) == (right, right)


def test_a_modulus_in_pascals_is_not_taken_for_a_length_in_nanometres() -> None:
    cells = careful()
    value = assessed(cells).evaluation.measurand.budget.value
    cells["answer.Y"] = [float(f"{value:.3g}")]
    (own,) = (a for a in assessed(cells).answers if a.answer.id == "Y")
    assert "given in Pa, not in GPa" in own.causes[0].text
    assert " nm" not in own.causes[0].text
    assert own.causes[0].question.startswith("In which unit is your answer to be")


def test_an_area_in_square_metres_is_carried_on_as_the_area_that_it_is() -> None:
    cells = careful()
    found = assessed(cells)
    d = next(q.value for q in found.evaluation.quantities if q.key == "d")
    cells["answer.A"] = [float(f"{math.pi * d**2 / 4:.4g}")]
    cells["answer.Y"] = [float(f"{found.evaluation.measurand.budget.value:.3g}")]
    (own,) = (a for a in assessed(cells).answers if a.answer.id == "Y")
    assert own.expected == pytest.approx(found.evaluation.measurand.budget.value / 1e9, rel=0.01)
    assert "given in Pa, not in GPa" in own.causes[0].text


def test_a_slope_for_a_mean_step_is_not_put_down_to_a_power_of_the_angle() -> None:
    name = "simple-pendulum"
    cells = {key: list(column) for key, column in typed("Sanderling").items()}
    model = subject_of(name, cells)
    lengths = [v for v in model.numbers.column("timing.l") if v is not None]
    step = (lengths[-1] - lengths[0]) / (len(lengths) - 1)
    cells["answer.k"] = [round(model.numbers.shown("k") * step, 4)]
    own = next(a for a in diagnose(subject_of(name, cells)) if a.answer.id == "k")
    assert "the change of a mean step, not divided by" in own.causes[0].text
    assert not any("θ" in cause.text for cause in own.causes)


@pytest.mark.parametrize(
    ("typed_number", "shown"),
    [(0.229, "0.229 mm"), (0.0098, "0.0098 mm"), (1.04e11, "1.04×10¹¹ mm")],
)
def test_an_own_result_is_told_with_its_own_digits(typed_number: float, shown: str) -> None:
    cells = {**CELLS, "answer.d": [typed_number]}
    (finding, *_) = answers_that_differ(subject_of(WIRE, cells))
    assert finding.found.endswith(f" is {shown}")
    # what it is compared with has hardly more digits, and times have no “e+08”
    compared = finding.expected.partition(" mm")[0]
    assert len(compared.partition(".")[2].lstrip("0")) <= 4, compared
    assert "e+" not in finding.expected
