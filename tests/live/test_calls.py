"""Whatever a spreadsheet program hands over, a call answers with something a cell can show."""

from __future__ import annotations

import datetime
import math
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import SAYS, Argument, Function, call

READINGS = (2.12, 2.37, 2.61, 2.86, 3.12, 3.36, 3.62, 3.87)


def showable(answer: object) -> bool:
    def cell(value: object) -> bool:
        return isinstance(value, str) or (type(value) is float and math.isfinite(value))

    if isinstance(answer, tuple):
        rows = [isinstance(row, tuple) and all(map(cell, row)) for row in answer]
        return bool(rows) and all(rows) and len({len(row) for row in answer}) == 1 and answer[0]
    return cell(answer)


ODD = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.just(10**400)
    | st.floats()
    | st.text(max_size=30)
    | st.binary(max_size=4)
    | st.dates()
    | st.builds(object)
    | st.sampled_from(
        ["", " ", "#N/A", "Err:504", "0,53", "1,234", "1.2×10^-3", "x", "inf",
         datetime.timedelta(1), np.float64(2.5), np.int64(3), np.bool_(True),
         np.array([1.0, 2.0]), np.zeros((2, 0)),
         {"a": 1}, complex(1, 2)]
    )
)  # fmt: skip
ANYTHING = st.recursive(
    ODD, lambda inner: st.lists(inner, max_size=5) | st.lists(inner, max_size=5).map(tuple)
)


@given(st.sampled_from([*FUNCTIONS, "NO_SUCH", "", "mean_type_a"]), st.lists(ANYTHING, max_size=6))
def test_anything_is_answered(name: str, values: list[object]) -> None:
    answer = call(FUNCTIONS, name, values)
    assert showable(answer)


NUMBERS = (
    st.floats(-1e3, 1e3)
    | st.integers(-50, 50).map(float)
    | st.sampled_from([0.0, 1.0, 2.0, 0.5, 50.0, 1e-60, -1e-60, 1e60, -1e60, 1e30, 1e-30, 1e300])
)
CELLS = NUMBERS | st.sampled_from([None, None, "0,5", "2.5"])
COLUMNS = st.lists(CELLS, min_size=1, max_size=12) | st.builds(
    lambda a, b, n: [a + b * k for k in range(n)], NUMBERS, NUMBERS, st.integers(1, 12)
)
WORDS = {
    "formula": ["a*b", "a/b", "sqrt(a)-b", "a^2+b", "ln(a)", "log(a)", "asin(a/b)", "exp(a)",
                "a < b", "a^", "c", "1/0", "tan(a)", "a", "3", "abs(a-b)"],
    "side": ["short", "past", "left", "right of the main zero or on it", "up"],
    "gauge": ["26 SWG", "awg 30", "99 SWG", "26"],
    "material": ["steel, structural", "Brass  hard", "butter"],
    "unit": ["mm", "m/s²"],
}  # fmt: skip


def given_for(one: Argument) -> st.SearchStrategy[Any]:
    if one.id == "names":
        return st.sampled_from([["a", "b"], ["a"], ["a", "a"], ["a", 3], ["pi", "b"], ["b", "a"]])
    if one.kind == "number":
        return NUMBERS | st.none() if one.optional else NUMBERS
    if one.kind == "text":
        words = [*one.choices, *WORDS.get(one.id, []), "value"]
        return st.sampled_from([*words, None] if one.optional else words)
    if one.kind == "table":
        return st.lists(st.lists(CELLS, min_size=1, max_size=4), min_size=1, max_size=10) | COLUMNS
    return COLUMNS


@st.composite
def likely_calls(draw: Any) -> tuple[Function, list[object]]:
    one = draw(st.sampled_from(list(FUNCTIONS.values())))
    return one, [draw(given_for(argument)) for argument in one.arguments]


@given(likely_calls())
def test_likely_calls_are_answered_without_an_error_of_ours(case: Any) -> None:
    one, values = case
    answer = call(FUNCTIONS, one.id, values)
    assert showable(answer)
    # the last boundary is there for what nobody thought of
    assert "please report" not in str(answer)


@pytest.mark.parametrize("one", FUNCTIONS.values(), ids=lambda one: one.id)
def test_a_call_without_anything_says_what_is_missing(one: Function) -> None:
    answer = call(FUNCTIONS, one.id, [])
    needed = [argument for argument in one.arguments if not argument.optional]
    if needed:
        assert answer == f"{SAYS}{needed[0].id} is empty: {needed[0].help}"
    else:
        assert isinstance(answer, float)


@pytest.mark.parametrize("one", FUNCTIONS.values(), ids=lambda one: one.id)
def test_too_many_arguments_are_told(one: Function) -> None:
    answer = call(FUNCTIONS, one.id, [1.0] * (len(one.arguments) + 1))
    assert answer == (
        f"{SAYS}{one.id} takes {len(one.arguments)} arguments, not {len(one.arguments) + 1}"
    )


def test_there_is_no_other_function() -> None:
    assert call(FUNCTIONS, "SUM", [1.0]) == f"{SAYS}there is no function SUM"
    assert call(FUNCTIONS, "least_count", [0.5, 50.0]) == 0.01


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("abc", "graduation holds “abc”; a number is expected"),
        (True, "graduation is TRUE; a number is expected"),
        ("#DIV/0!", "graduation holds the error #DIV/0!; a number is expected"),
        ("Err:502", "graduation holds the error Err:502; a number is expected"),
        (datetime.date(2026, 3, 1), "graduation holds a date or time; a number is expected"),
        (datetime.datetime(2026, 3, 1, 9), "graduation holds a date or time; a number is expected"),
        ("1,234", "graduation holds “1,234”: thousands or decimals? Type it as a number"),
        (float("nan"), "graduation is nan, beyond what can be calculated with"),
        (np.float64("inf"), "graduation is inf, beyond what can be calculated with"),
        (1e61, "graduation is 1e+61, beyond what can be calculated with"),
        ("1e-200", "graduation is 1e-200, beyond what can be calculated with"),
        ([0.5, 0.5], "graduation has to be one cell, not 2"),
        ("x" * 99, f"graduation holds “{'x' * 19}…”; a number is expected"),
        (-1.0, "graduation is -1; it has to be greater than 0"),
        (0.0, "graduation is 0; it has to be greater than 0"),
        ("y" * 20, f"graduation holds “{'y' * 20}”; a number is expected"),
    ],
)
def test_a_wrong_cell_is_named(value: object, says: str) -> None:
    assert call(FUNCTIONS, "LEAST_COUNT", [value, 50.0]) == SAYS + says


@pytest.mark.parametrize("value", ["0,5", " 0.5 ", "５e-1", 0.5, np.float64(0.5), [[0.5]], [0.5]])
def test_one_number_however_it_is_typed(value: object) -> None:
    assert call(FUNCTIONS, "LEAST_COUNT", [value, 50]) == 0.01


@pytest.mark.parametrize(
    "shape",
    [
        list(READINGS),
        [[r] for r in READINGS],
        [list(READINGS)],
        (READINGS[:4], READINGS[4:]),
        np.array(READINGS),
        [None, *READINGS, "", "  "],
        [str(r).replace(".", ",") for r in READINGS],
    ],
)
def test_a_range_in_any_shape(shape: object) -> None:
    answer = call(FUNCTIONS, "MEAN_TYPE_A", [shape, None, "mean"])
    assert answer == pytest.approx(np.mean(READINGS), rel=1e-15)


def test_a_text_in_a_range_is_named_by_its_cell() -> None:
    answer = call(FUNCTIONS, "MEAN_TYPE_A", [[2.1, None, "n/a", 2.2]])
    assert answer == f"{SAYS}cell 3 of readings holds “n/a”; a number is expected"


def test_pairs_lacking_a_cell_are_passed_over_and_counted() -> None:
    x = [0.0, 1.0, 2.0, None, 4.0, 5.0, None]
    y = [1.0, 3.0, None, 7.0, 9.0, 11.0, None]
    block = dict(call(FUNCTIONS, "STRAIGHT_LINE", [x, y]))
    assert (block["slope"], block["intercept"]) == pytest.approx((2.0, 1.0))
    assert (block["points"], block["passed over"]) == (4.0, 2.0)


def test_ranges_of_different_size_are_refused_unless_the_rest_is_empty() -> None:
    x, y = [0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 5.0]
    assert call(FUNCTIONS, "STRAIGHT_LINE", [x, y]) == f"{SAYS}x has 4 cells, y has 3"
    block = dict(call(FUNCTIONS, "STRAIGHT_LINE", [[*x[:3], None], y]))
    assert (block["points"], block["passed over"]) == (3.0, 0.0)


@pytest.mark.parametrize("empty", [None, ""])
def test_whole_columns_are_their_used_rows(empty: str | None) -> None:
    x = [(float(k),) for k in range(6)] + [(empty,)] * 5000
    y = [(v[0] * 2.0 + 1.0,) if v[0] not in (None, "", 3.0) else (empty,) for v in x]
    block = dict(call(FUNCTIONS, "STRAIGHT_LINE", [tuple(x), tuple(y)]))
    assert (block["slope"], block["points"], block["passed over"]) == (2.0, 5.0, 1.0)
    assert call(FUNCTIONS, "MEAN_TYPE_A", [tuple(x), None, "readings"]) == 6.0
    told = call(FUNCTIONS, "STRAIGHT_LINE", [tuple(x), tuple(y[:4])])
    assert told == f"{SAYS}x has 6 cells, y has 4"


def test_one_cell_of_uncertainty_stands_for_all() -> None:
    x, y = [0.0, 1.0, 2.0, 3.0, None], [1.0, 3.1, 5.0, 6.9, None]
    one = call(FUNCTIONS, "WEIGHTED_LINE", [x, y, 0.1])
    assert one == call(FUNCTIONS, "WEIGHTED_LINE", [x, y, [0.1] * 4])
    assert dict(one)["passed over"] == 0.0


@pytest.mark.parametrize(
    ("name", "values", "says"),
    [
        ("STRAIGHT_LINE", [[1, 2], [1, 2]], "3 points or more are needed; there are 2"),
        ("STRAIGHT_LINE", [[1, 2, None], [1, 2, 3]],
         "3 points or more are needed; there are 2, and 1 with a cell missing"),
        ("STRAIGHT_LINE", [[1, 1, 1], [1, 2, 3]], "all points have the same abscissa"),
        ("STRAIGHT_LINE", [[1, 2, 3], [1, 2, 3], "gradient"],
         "part is one of slope, intercept, u(slope), u(intercept), s(residuals), "
         "degrees of freedom, r(slope, intercept), points, passed over; “gradient” is not"),
        ("WEIGHTED_LINE", [[1, 2, 3], [1, 2, 3], [1, 0, 1]],
         "each point needs a positive standard uncertainty"),
        ("MEAN_TYPE_A", [2.5], "one reading has no scatter; two or more are needed"),
        ("MEAN_TYPE_A", [[2.5, 2.6], -0.01], "the least count is -0.01; it cannot be negative"),
        ("MEAN_TYPE_A", [[2.5, 2.6], None, 3.0], "part has to be a text: Leave out for all, or "
         "choose one: mean, u(mean), s(reading), degrees of freedom, readings."),
        ("WEIGHTED_LINE", [[1, 2], [1, 2], 0.1], "3 points or more are needed; there are 2"),
        ("BOTH_ERRORS_LINE", [[1, 2], [1, 2], 1, 1], "3 points or more are needed; there are 2"),
        ("ORIGIN_LINE", [[1], [1]], "2 points or more are needed; there are 1"),
        ("HALF_AND_HALF", [[1, 2, 3], [1, 2, 3]], "4 points or more are needed; there are 3"),
        ("LINE_VALUE_AT", [[1, 2], [1, 2], 3], "3 points or more are needed; there are 2"),
        ("GROUP_PRECISION", [[[1, 2], [3, "b"]]], "row 2, cell 2 of groups holds “b”; a number is "
         "expected"),
        ("WEIGHTED_MEAN", [[1, 2], [0.1, 0]], "an uncertainty is 0; it has to be greater than 0"),
        ("LEAST_COUNT", [1, 2.5], "divisions is 2.5; it has to be a whole number"),
        ("ZERO_ERROR", [30, "short", 0.5, 50], "zero mark: The zero error comes out very large. Is "
         "it the number that stands at the line (47 of 50 for three divisions past), and the right "
         "side?"),
        ("NEAREST_GAUGE", [457, "SWG", "gauge"],
         "457 mm is near no gauge of the table; the last one on this side is 10 SWG, 3.2512 mm. "
         "Is the diameter in mm?"),
        ("NORMAL_GRAVITY", [0, 1e9], "height is 1e+09 m; the formula holds from -500 to 9000 m"),
        ("BOTH_ERRORS_LINE", [[1, 2, 3, 4], [1, 2, 3, 4.1], 1e15, 1e30],
         "no line was found: u_x is far larger than x spreads"),
        ("BOTH_ERRORS_LINE", [[1, 2, 3, 4], [1, 2, 3, 4.1], 1e15, 1e15],
         "no line was found: u_x is far larger than x spreads"),
        ("HALF_AND_HALF", [[1, 3, 2, 4], [1, 3, 2, 4]],
         "x has to rise or fall throughout: put the rows in its order"),
        ("EFFECTIVE_DOF", [[1, 2], [3, 0]], "cell 2 of dof is 0; more than 0 is due"),
        ("EFFECTIVE_DOF", [[1, 2], [3, 4, 5]], "dof has 3 cells, contributions has 2"),
        ("EFFECTIVE_DOF", [[1, 2, 3], [3, 4]], "contributions has 3 cells, dof has 2"),
        ("COMBINE_FORMULA", ["m*d*h", ["m", "d", "h"], [1, 2, 3], [0.1, 0.2]],
         "names has 3 cells, uncertainties has 2"),
        ("MAXIMUM_ERROR", ["m*d", ["m", "d"], [1, 2], [0.1, 0.2, 0.3]],
         "maximum_errors has 3 cells, names has 2"),
        ("COMBINE_FORMULA", ["m*d", ["m", "d"], [1, 2, 3], 0.1],
         "values has 3 cells, names has 2"),
        ("TYPE_B_UNCERTAINTY", [-0.1], "half_width is -0.1; it cannot be less than 0"),
        ("ZETA_SCORE", [1, -0.1, 2], "u is -0.1; it cannot be less than 0"),
        ("STATED_RESULT", [1e20, 1e-20],
         "the uncertainty is too small beside the value to be stated with it"),
        ("GRUBBS_TEST", [[1, 2, 3], 5], "significance is 5; usual is 0.05, allowed up to 0.5"),
        ("SCALE_READING", [5.5, 52, 0.5, 50],
         "coincidence 52: Is there such a division on the scale? Look at it again."),
        ("SCALE_READING", [5.3, 12, 0.5, 50], "main 5.3: Is the main scale marked there? It shows "
         "whole steps of one main-scale division only."),
        ("ZERO_ERROR", [3, "up", 0.5, 50], "side is short or past (screw), right or left "
         "(vernier)"),
        ("COMBINE_FORMULA", ["a*b", ["a", "c"], [1, 2], [0.1, 0.1]],
         "b stands in the formula, and not among the names"),
        ("COMBINE_FORMULA", ["a*b", ["a", "b"], [1, None], [0.1, 0.1]], "b has no value"),
        ("COMBINE_FORMULA", ["a*b", ["a", "b"], [1, 2], [0.1, -0.1]],
         "b has -0.1 in uncertainties; it cannot be less than 0"),
        ("COMBINE_FORMULA", ["a*b", ["a", "a"], [1, 2], [0.1, 0.1]], "the name a is there twice"),
        ("COMBINE_FORMULA", ["a", ["a", "b c"], [1, 2], [0.1, 0.1]],
         "“b c” is no name: letters, digits and _, a letter first"),
        ("COMBINE_FORMULA", ["a/b", ["a", "b"], [1, 0], [0.1, 0.1]],
         "the formula gives no number at these values"),
        ("COMBINE_FORMULA", ["sqrt(a)", ["a"], [0], [0.1]],
         "the formula has no finite slope in a at these values"),
        *(
            ("COMBINE_FORMULA", [text, ["m", "d", "h"], [1, 2, 3], 0.1], told)
            for text, told in (
                ("m*0,5", "the formula “m*0,5”: write decimals with a point, not a comma"),
                ("2m*d*h", "the formula “2m*d*h”: a * is missing in “2m”"),
                ("2*(m+d)h", "the formula “2*(m+d)h”: a * is missing in “)h”"),
                ("m^1000", "“1000” in the formula “m^1000”: an exponent must be a plain number "
                 "from −12 to 12 (for a root, sqrt or ^0.5)"),
                ("m^(1/2)", "“1/2” in the formula “m^(1/2)”: an exponent must be a plain number "
                 "from −12 to 12 (for a root, sqrt or ^0.5)"),
                ("m·d^h^2", "“h^2” in the formula “m·d^h^2”: an exponent must be a plain number "
                 "from −12 to 12 (for a root, sqrt or ^0.5)"),
                ("m*1e999", "the formula “m*1e999”: holds a number too large to use"),
            )
        ),
        ("COMBINE_FORMULA", ["a*b", ["a", None, "b"], [1, None, 2], [0.1, None, 0.1]],
         "cell 2 of names is empty: leave no gap between names"),
        ("BOTH_ERRORS_LINE", [[1, 2, 3], [1, 2, 3.1], 0.0, 0.1],
         "an uncertainty of x is not greater than 0; where x is exact use WEIGHTED_LINE"),
        ("COMBINE_FORMULA", ["2*log(a)", ["a"], [2], [0.1]],
         "“log” in the formula “2*log(a)”: write ln or log10"),
        ("COMBINE_FORMULA", ["__import__('os')", ["a"], [0], [0.1]],
         "“__import__” in the formula “__import__('os')”: is not a function that is known"),
        ("STATED_RESULT", [1.0, 0.0], "uncertainty is 0; it has to be greater than 0"),
        ("STATED_RESULT", [1.0, 0.1, "mm", 3], "digits is 3; 1 or 2, or empty for the usual rule"),
        ("COVERAGE_FACTOR", [0.5], "dof is 0.5; 1 is the least"),
        ("COVERAGE_FACTOR", [5, 95], "probability is 95; it lies between 0 and 1, such as 0.95"),
        ("EN_SCORE", [1, 0, 2], "E_n needs an uncertainty"),
        ("PERCENT_DIFFERENCE", [1, 0], "no percentage of an accepted value of zero"),
        ("WIRE_DIAMETER", ["9 SWG"], "“9 SWG” is no gauge from 10 to 40; write it as 26 SWG or "
         "AWG 26"),
        ("NEAREST_GAUGE", [0.0, "SWG"], "a diameter is greater than 0"),
        ("NEAREST_GAUGE", [0.5, "IEC"], "system is one of SWG, AWG; “IEC” is not"),
        ("MASS_TOLERANCE", [300, "M1"], "the table has no weight of 300 g; it has 1, 2 and 5 g "
         "and their tens, hundreds and thousands up to 5 kg"),
        ("NORMAL_GRAVITY", [91], "latitude is 91; it lies between −90 and 90 degrees"),
    ],
)  # fmt: skip
def test_a_wrong_call_says_what_is_wrong(name: str, values: list[object], says: str) -> None:
    assert call(FUNCTIONS, name, values) == SAYS + says


@pytest.mark.parametrize("label", ["u(slope)", "u slope", "U(SLOPE)", " u_slope "])
def test_a_part_is_named_without_fuss(label: str) -> None:
    values = [[1, 2, 3, 4], [1, 2.1, 2.9, 4]]
    block = dict(call(FUNCTIONS, "STRAIGHT_LINE", values))
    assert call(FUNCTIONS, "STRAIGHT_LINE", [*values, label]) == block["u(slope)"]


def test_a_missing_library_is_a_broken_installation(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "uncertainties", None)
    told = call(FUNCTIONS, "COMBINE_FORMULA", ["a", ["a"], [1], [0.1]])
    assert str(told).startswith(f"{SAYS}the installation is broken (uncertainties is missing)")
