"""Each function gives what its sources print, and what general-purpose libraries give."""

from __future__ import annotations

import json
import keyword
import math
import re
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import published
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils import FORMULAE
from rounding import counted
from scipy import optimize, stats
from uncertainties import ufloat, umath

from sheetlab.before.books import books
from sheetlab.live import lines, repeated
from sheetlab.live.functions import FUNCTIONS, ROWS
from sheetlab.live.guide import as_rows, signature
from sheetlab.live.library import PART, Example, Function, call
from sheetlab.manual import FOLDER
from sheetlab.practical import standards
from sheetlab.practical.instruments import KINDS, zero_parts_of
from sheetlab.practical.instruments import parts_of as scale_parts

STRD = Path(published.__file__).parent / "reference/nist_strd"
EXAMPLES = [
    pytest.param(one, example, id=f"{one.id}-{k}")
    for one in ROWS
    for k, example in enumerate(one.examples)
]
VBA_WORDS = {
    "and", "as", "boolean", "byref", "byte", "byval", "call", "case", "class", "const",
    "currency", "debug", "dim", "do", "double", "each", "else", "elseif", "end", "enum",
    "erase", "error", "event", "exit", "false", "for", "friend", "function", "get", "global",
    "gosub", "goto", "if", "implements", "in", "input", "integer", "is", "let", "like", "lock",
    "long", "loop", "lset", "me", "mod", "new", "next", "not", "nothing", "null", "on", "open",
    "option", "optional", "or", "paramarray", "preserve", "print", "private", "property",
    "public", "put", "raiseevent", "redim", "rem", "resume", "return", "rset", "seek", "select",
    "set", "single", "static", "step", "stop", "string", "sub", "then", "to", "true", "type",
    "unlock", "until", "variant", "wend", "while", "with", "write", "xor",
}  # fmt: skip


@pytest.mark.parametrize(("one", "example"), EXAMPLES)
def test_an_example_comes_out_to_the_digits_of_its_source(one: Function, example: Example) -> None:
    got, wanted = as_rows(call(FUNCTIONS, one.id, example.arguments)), as_rows(example.expected)
    assert len(got) == len(wanted)
    for found, due, tolerance in zip(got, wanted, example.tolerances(), strict=True):
        assert found[:-1] == due[:-1]
        if isinstance(due[-1], str):
            assert found[-1] == due[-1]
        else:
            assert found[-1] == pytest.approx(due[-1], rel=1e-15, abs=tolerance * (1 + 1e-9))


def test_tolerances_are_half_a_unit_of_the_last_digit() -> None:
    assert Example((), 0.00218, "", 3).tolerances() == pytest.approx((5e-6,))
    assert Example((), -100.14, "", 4).tolerances() == pytest.approx((0.05,))
    block = (("a", 0.23), ("b", "text"), ("c", 0.0))
    assert Example((), block, "", (2, 1, 3)).tolerances() == pytest.approx((0.005, 0.0, 0.005))


@pytest.mark.parametrize("one", ROWS, ids=lambda one: one.id)
def test_a_function_is_described_in_full(one: Function) -> None:
    assert one.examples
    assert all(example.source for example in one.examples)
    assert one.title
    assert one.help.endswith(".")
    # what the window of Excel that explains a function takes
    assert len(one.help) <= 255
    assert all(len(argument.help) <= 255 for argument in one.arguments)
    for argument in one.arguments:
        assert argument.help.endswith(".")
        assert re.fullmatch(r"[a-z][a-z_]*", argument.id)
        assert argument.id not in VBA_WORDS
        assert not keyword.iskeyword(argument.id)
    # what a program lets be left out stands at the end
    given = [argument.optional for argument in one.arguments]
    assert given == sorted(given)
    assert len({argument.id for argument in one.arguments}) == len(one.arguments)


def test_names_are_our_own_and_no_addresses() -> None:
    assert len(FUNCTIONS) == len(ROWS)
    for name in FUNCTIONS:
        assert re.fullmatch(r"[A-Z]+(_[A-Z]+)+", name)
        # no cell is called so: an address has no underscore, and ends with a digit
        assert name not in FORMULAE
        # names that Calc adds for functions that it has twice
        assert not re.search(r"_(ADD|EXCEL2003)$", name)
        assert name.lower() not in VBA_WORDS


def test_the_manual_lists_every_function() -> None:
    text = (FOLDER / "functions.md").read_text(encoding="utf-8")
    listed = re.findall(r"^### `([A-Z_]+\(.*\))`\n\n\*\*(.*)\.\*\*$", text, re.M)
    assert listed == [(signature(one), one.title) for one in ROWS]


def test_importing_the_functions_loads_nothing_heavy() -> None:
    code = (
        "import sys, sheetlab.live.functions\n"
        "print(*[m for m in ('numpy', 'scipy', 'pandas', 'pint', 'uncertainties', 'xlsxwriter', "
        "'lxml', 'cattrs') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


BLOCKS = [
    pytest.param(one, example, id=one.id)
    for one in ROWS
    if one.arguments[-1].id == PART
    for example in one.examples[:1]
]


@pytest.mark.parametrize(("one", "example"), BLOCKS)
def test_every_label_of_a_block_chooses_its_number(one: Function, example: Example) -> None:
    values = list(example.arguments[: len(one.arguments) - 1])
    block = call(FUNCTIONS, one.id, values)
    assert isinstance(block, tuple)
    labels = one.arguments[-1].choices
    if labels:
        assert tuple(label for label, _ in block) == labels
    for label, value in block:
        assert call(FUNCTIONS, one.id, [*values, label]) == value


# -- the data of the examples are those of the published files -------------------------------


def test_data_of_norris_noint_and_numacc_are_the_files() -> None:
    assert [list(lines._NORRIS_X), list(lines._NORRIS_Y)] == published.columns(
        "nist_strd/norris.csv", "x", "y"
    )
    assert [list(c) for c in lines._NOINT] == published.columns("nist_strd/noint1.csv", "x", "y")
    (numacc,) = published.columns("nist_strd/numacc1.csv", "y")
    assert list(repeated._NUMACC) == numacc


def test_certified_digits_are_the_files() -> None:
    cases = json.loads((STRD / "nist_strd_linear.json").read_text(encoding="utf-8"))["cases"]
    for example in FUNCTIONS["STRAIGHT_LINE"].examples[:5]:
        certified = cases[0]["certified"]
        by_part = {
            "s(residuals)": certified["residual_standard_deviation"],
            "intercept": certified["parameters"][0]["estimate"],
            "u(intercept)": certified["parameters"][0]["standard_deviation"],
            "slope": certified["parameters"][1]["estimate"],
            "u(slope)": certified["parameters"][1]["standard_deviation"],
        }
        assert example.expected == float(by_part[str(example.arguments[-1])])
    certified = cases[1]["certified"]
    block = dict(FUNCTIONS["ORIGIN_LINE"].examples[0].expected)  # type: ignore[arg-type]
    assert block["slope"] == float(certified["parameters"][0]["estimate"])
    assert block["u(slope)"] == float(certified["parameters"][0]["standard_deviation"])
    assert block["s(residuals)"] == float(certified["residual_standard_deviation"])


def test_data_of_the_thermometer_and_of_pearson_are_the_files() -> None:
    name = "gum_h3_thermometer.csv"
    assert [list(c) for c in lines._THERMOMETER] == published.columns(name, "t_k_degC", "b_k_degC")
    x, y, w_x, w_y = published.columns("pearson_york.csv", "x", "y", "weight_x", "weight_y")
    assert [list(c) for c in lines._PEARSON] == [x, y]
    assert [u**-2 for u in lines._YORK_X] == pytest.approx(w_x)
    assert [u**-2 for u in lines._YORK_Y] == pytest.approx(w_y)


def test_data_of_results_of_laboratories_are_the_files() -> None:
    kept = [r for r in published.rows("ccqm_k30_lead.csv") if r["included_in_reference"] == "True"]
    assert list(repeated._LEAD[0]) == [float(r["value_mg_kg"]) for r in kept]
    assert list(repeated._LEAD[1]) == [float(r["u_mg_kg"]) for r in kept]
    glucose = [r for r in published.rows("astm_e691_glucose.csv") if r["material"] == "A"]
    flat = [float(r["value"]) for r in glucose]
    assert [v for row in repeated._GLUCOSE for v in row] == flat
    creosote = published.case("outliers_and_interlab.json", "median_and_Qn_creosote")
    assert list(repeated._CREOSOTE) == creosote["data"]


# -- other libraries ----------------------------------------------------------------------------

READING = st.integers(-4000, 4000).map(lambda n: n / 100.0)


@given(st.lists(READING, min_size=2, max_size=20))
def test_mean_agrees_with_scipy(readings: list[float]) -> None:
    block = dict(call(FUNCTIONS, "MEAN_TYPE_A", [readings]))
    assert block["mean"] == pytest.approx(np.mean(readings), abs=1e-12)
    assert block["u(mean)"] == pytest.approx(stats.sem(readings), rel=1e-9, abs=1e-12)


@given(st.lists(st.integers(-2, 2), min_size=2, max_size=12))
def test_mean_with_a_least_count_is_that_of_the_evaluation(divisions: list[int]) -> None:
    readings = [3.0 + 0.01 * k for k in divisions]
    block = dict(call(FUNCTIONS, "MEAN_TYPE_A", [readings, 0.01]))
    deviation, rest = counted(readings, 0.01)
    u = math.hypot(deviation / math.sqrt(len(readings)), rest)
    assert block["u(mean)"] == pytest.approx(u, rel=1e-6)
    assert block["s(reading)"] == pytest.approx(np.std(readings, ddof=1), rel=1e-9, abs=1e-12)
    # a reference to an empty cell is 0 in Calc
    assert call(FUNCTIONS, "MEAN_TYPE_A", [readings, 0.0]) == call(
        FUNCTIONS, "MEAN_TYPE_A", [readings]
    )


@given(st.lists(READING, min_size=4, max_size=15, unique=True), st.data())
def test_lines_agree_with_numpy_and_scipy(x: list[float], data: st.DataObject) -> None:
    y = data.draw(st.lists(READING, min_size=len(x), max_size=len(x)))
    plain = dict(call(FUNCTIONS, "STRAIGHT_LINE", [x, y]))
    (slope, intercept), covariance = np.polyfit(x, y, 1, cov=True)
    size = max(map(abs, [*y, 1.0])) / np.std(x)
    u_slope, u_intercept = np.sqrt(np.diag(covariance))
    wide = size * max(map(abs, x))
    assert plain["slope"] == pytest.approx(slope, rel=1e-8, abs=1e-10 * size)
    assert plain["intercept"] == pytest.approx(intercept, rel=1e-8, abs=1e-10 * wide)
    assert plain["u(slope)"] == pytest.approx(u_slope, rel=1e-6, abs=1e-7 * size)
    assert plain["u(intercept)"] == pytest.approx(u_intercept, rel=1e-6, abs=1e-7 * wide)
    u = data.draw(st.lists(st.floats(0.1, 10.0), min_size=len(x), max_size=len(x)))
    weighted = dict(call(FUNCTIONS, "WEIGHTED_LINE", [x, y, u]))
    (slope, intercept), covariance = np.polyfit(x, y, 1, w=1.0 / np.array(u), cov="unscaled")
    assert weighted["slope"] == pytest.approx(slope, rel=1e-7, abs=1e-9 * size)
    assert weighted["u(slope)"] == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-7)
    assert weighted["u(intercept)"] == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-7)
    r = covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1])
    assert weighted["r(slope, intercept)"] == pytest.approx(r, rel=1e-6, abs=1e-9)
    residuals = (np.array(y) - slope * np.array(x) - intercept) / u
    assert weighted["chi squared"] == pytest.approx(np.sum(residuals**2), rel=1e-7, abs=1e-9)


FORMULAS = {
    "4*m*g*L/(pi*d^2*e)": lambda m, g, L, d, e: 4 * m * g * L / (math.pi * d**2 * e),
    "= m·g ÷ (L − d) + sqrt(e)": lambda m, g, L, d, e: m * g / (L - d) + umath.sqrt(e),
    "ln(m/g)*sin(L)-exp(-d)^2*e": lambda m, g, L, d, e: (
        umath.log(m / g) * umath.sin(L) - umath.exp(-d) ** 2 * e
    ),
    "log10(m)*L/g + d - e": lambda m, g, L, d, e: umath.log10(m) * L / g + d - e,
    "(m - g)*(m + g) - abs(d - L)": lambda m, g, L, d, e: (m - g) * (m + g) - abs(d - L),
}


@given(
    st.sampled_from(sorted(FORMULAS)),
    st.tuples(*[st.tuples(st.floats(0.5, 9.0), st.floats(1e-3, 0.4)) for _ in range(5)]),
)
def test_combination_agrees_with_uncertainties(text: str, numbers: tuple) -> None:
    values, us = zip(*numbers, strict=True)
    if abs(values[2] - values[3]) < 1e-3:
        return
    inputs = [ufloat(v, u) for v, u in numbers]
    with warnings.catch_warnings(action="ignore"):
        # abs() of an uncertain number warns; here it is what is wanted
        expected = FORMULAS[text](*inputs)
    names = ["m", "g", "L", "d", "e"]
    block = dict(call(FUNCTIONS, "COMBINE_FORMULA", [text, names, values, us]))
    assert block["value"] == pytest.approx(expected.nominal_value, rel=1e-12, abs=1e-12)
    assert block["u"] == pytest.approx(expected.std_dev, rel=1e-9)
    parts = expected.error_components()
    for name, one in zip(names, inputs, strict=True):
        share = 100.0 * (parts.get(one, 0.0) / expected.std_dev) ** 2
        assert block[f"% from {name}"] == pytest.approx(share, rel=1e-7, abs=1e-9)
    most = dict(call(FUNCTIONS, "MAXIMUM_ERROR", [text, names, values, us]))
    assert most["maximum error"] == pytest.approx(sum(parts.values()), rel=1e-9)
    assert sum(v for k, v in most.items() if k.startswith("% from")) == pytest.approx(100.0)


@pytest.mark.parametrize("empty", [[None, None], [[None], [None]], [["", ""]], None])
@pytest.mark.parametrize("name", ["COMBINE_FORMULA", "MAXIMUM_ERROR"])
def test_a_range_of_uncertainties_may_be_empty_altogether(name: str, empty: object) -> None:
    """The help of the argument says “empty: exact”, and does not say “but not all of them”."""
    block = dict(call(FUNCTIONS, name, ["m*d", ["m", "d"], [2, 3], empty]))
    assert block["value"] == 6.0
    assert block["u" if name == "COMBINE_FORMULA" else "maximum error"] == 0.0
    assert (block["% from m"], block["% from d"]) == (0.0, 0.0)
    chosen = call(FUNCTIONS, name, ["m*d", ["m", "d"], [2, 3], empty, "value"])
    assert chosen == 6.0


def test_line_with_both_errors_has_the_least_squares() -> None:
    (x, y), ux, uy = map(np.array, lines._PEARSON), np.array(lines._YORK_X), np.array(lines._YORK_Y)

    def chi_squared(line: np.ndarray) -> float:
        return float(np.sum((y - line[0] - line[1] * x) ** 2 / (uy**2 + line[1] ** 2 * ux**2)))

    fine = {"xatol": 1e-10, "fatol": 1e-12, "maxiter": 5000}
    found = optimize.minimize(chi_squared, [5.5, -0.5], method="Nelder-Mead", options=fine)
    arguments = [*lines._PEARSON, lines._YORK_X, lines._YORK_Y]
    block = dict(call(FUNCTIONS, "BOTH_ERRORS_LINE", arguments))
    assert (block["intercept"], block["slope"]) == pytest.approx(found.x, rel=1e-6)
    assert block["chi squared"] == pytest.approx(found.fun, rel=1e-9)


@given(st.integers(1, 200), st.floats(0.0, 0.999), st.floats(0.5, 0.999))
def test_coverage_factor_is_student_of_scipy(dof: int, more: float, probability: float) -> None:
    found = call(FUNCTIONS, "COVERAGE_FACTOR", [dof + more, probability])
    assert found == pytest.approx(stats.t.ppf(0.5 + probability / 2, dof), rel=1e-9)


def test_the_farthest_reading_is_named_by_its_number() -> None:
    block = dict(call(FUNCTIONS, "GRUBBS_TEST", [[2.1, 2.2, None, 9.9, 2.0, 2.1]]))
    # empty cells are passed over and do not count
    assert (block["farthest reading"], block["its number"]) == (9.9, 3.0)


def test_a_part_without_degrees_of_freedom_is_known_well() -> None:
    found = call(FUNCTIONS, "EFFECTIVE_DOF", [[3.0, None, 4.0], [9.0, None, None]])
    assert found == pytest.approx(9.0 * (25.0 / 9.0) ** 2)
    assert found == call(FUNCTIONS, "EFFECTIVE_DOF", [[3.0, 4.0], [9.0, None]])
    told = call(FUNCTIONS, "EFFECTIVE_DOF", [[3.0, 4.0], [None, None, ""]])
    assert told == ("sheetlab: no part has a limited number; call COVERAGE_FACTOR without dof")


def test_one_cell_stands_for_all_parts() -> None:
    for name in ("COMBINE_FORMULA", "MAXIMUM_ERROR"):
        given = ["m*d/h", ["m", "d", "h"], [2.0, 3.0, 4.0]]
        assert call(FUNCTIONS, name, [*given, 0.1]) == call(FUNCTIONS, name, [*given, [0.1] * 3])
        exact = dict(call(FUNCTIONS, name, [*given, [0.1, 0.1, None]]))
        assert exact["% from h"] == 0.0
    one = call(FUNCTIONS, "EFFECTIVE_DOF", [[3.0, 4.0], 9.0])
    assert one == call(FUNCTIONS, "EFFECTIVE_DOF", [[3.0, 4.0], [9.0, 9.0]])


# -- tables and scales --------------------------------------------------------------------------


def test_every_gauge_is_its_own_nearest() -> None:
    for row in published.rows("wire_gauges.csv"):
        for system, column in (("SWG", "swg_mm"), ("AWG", "awg_mm_formula")):
            label = f"{row['gauge']} {system}"
            diameter = float(row[column])
            assert call(FUNCTIONS, "WIRE_DIAMETER", [label]) == pytest.approx(diameter, abs=5e-7)
            block = dict(call(FUNCTIONS, "NEAREST_GAUGE", [diameter, system]))
            assert block["gauge"] == label
            assert block["off by %"] == pytest.approx(0.0, abs=1e-3)


def test_tolerances_of_weights_are_the_table() -> None:
    for row in published.rows("oiml_r111_mpe.csv"):
        if float(row["nominal_g"]) <= max(standards.MASS_LIMITS):
            for weight_class in standards.MASS_CLASSES:
                found = call(FUNCTIONS, "MASS_TOLERANCE", [float(row["nominal_g"]), weight_class])
                assert found == pytest.approx(float(row[f"{weight_class}_mpe_mg"]))


def test_materials_are_those_of_plans() -> None:
    known = books().materials
    assert len(known) > 5
    for one in known:
        block = dict(call(FUNCTIONS, "MATERIAL_DATA", [one.name.upper()]))
        modulus = [block[f"{end} modulus (GPa)"] * 1e9 for end in ("lowest", "highest")]
        assert modulus == pytest.approx(one.modulus)
        breaking = [block[f"{end} breaking stress (MPa)"] * 1e6 for end in ("lowest", "highest")]
        assert breaking == pytest.approx(one.breaking)
        low, high = (block[f"{end} yield stress (MPa)"] for end in ("lowest", "highest"))
        if one.yielding is None:
            assert (low, high) == ("not known", "not known")
        else:
            assert (low * 1e6, high * 1e6) == pytest.approx(one.yielding)
        assert str(block["source"]).startswith(one.source[:200])
    told = call(FUNCTIONS, "MATERIAL_DATA", ["butter"])
    assert str(told).startswith("sheetlab: “butter” is not in the table, which has: ")


def test_gravity_is_the_table() -> None:
    for row in published.rows("normal_gravity.csv"):
        if row["system"] == "GRS80":
            found = call(FUNCTIONS, "NORMAL_GRAVITY", [float(row["latitude_deg"])])
            assert found == pytest.approx(float(row["gamma_m_s2"]), abs=2e-9)
    high = call(FUNCTIONS, "NORMAL_GRAVITY", [45.0, 1000.0])
    low = call(FUNCTIONS, "NORMAL_GRAVITY", [45.0])
    assert low - high == pytest.approx(3.086e-3)


@pytest.mark.parametrize("height", [-500.0, 2500.0, 9000.0])
@pytest.mark.parametrize("latitude", [0.0, 45.0, 90.0])
def test_gravity_holds_as_high_as_it_is_given(latitude: float, height: float) -> None:
    # Heiskanen and Moritz, Physical Geodesy (1967), eq. 2-124, and the ellipsoid of GRS 80: from
    # memory
    a, f, m = 6378137.0, 1.0 / 298.257222101, 0.00344978600308
    ground = call(FUNCTIONS, "NORMAL_GRAVITY", [latitude])
    first = 2.0 * (1.0 + f + m - 2.0 * f * math.sin(math.radians(latitude)) ** 2) * height / a
    exact = ground * (1.0 - first + 3.0 * (height / a) ** 2)
    found = call(FUNCTIONS, "NORMAL_GRAVITY", [latitude, height])
    assert found == pytest.approx(exact, abs=1e-4)


@given(st.sampled_from([(0.5, 50), (1.0, 100), (1.0, 20), (0.5, 25)]), st.integers(0, 4000),
       st.integers(-15, 15))  # fmt: skip
def test_a_reading_and_its_zero_error_come_back(
    scale: tuple[float, int], count: int, zero: int
) -> None:
    graduation, divisions = scale
    step = call(FUNCTIONS, "LEAST_COUNT", [graduation, divisions])
    assert step == graduation / divisions
    kind = KINDS["vernier"]
    names = {"main_division": graduation, "vernier_divisions": divisions, "least_count": step}
    main, coincidence = scale_parts(kind, count * step, names)
    reading = call(FUNCTIONS, "SCALE_READING", [main, coincidence, graduation, divisions])
    assert reading == pytest.approx(count * step)
    if abs(zero) < 0.3 * divisions:
        for one in ("vernier", "screw"):
            its = {**names, "divisions": divisions}
            at, side = zero_parts_of(KINDS[one], zero * step, its)
            error = call(FUNCTIONS, "ZERO_ERROR", [at, side, graduation, divisions])
            assert error == pytest.approx(zero * step)
            found = call(FUNCTIONS, "CORRECTED_READING", [reading, error])
            assert found == pytest.approx((count - zero) * step)


def test_screw_and_vernier_share_the_formulas_of_a_reading() -> None:
    # one function stands for both kinds
    screw, vernier = KINDS["screw"], KINDS["vernier"]
    assert screw.reading == vernier.reading
    assert screw.zero.replace("divisions", "vernier_divisions") == vernier.zero
    assert screw.derived[-1].formula.replace("pitch", "main_division") == (
        vernier.derived[-1].formula.replace("vernier_", "")
    )
