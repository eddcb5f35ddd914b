"""A column of readings is checked: planted mistakes are named, clean columns are let alone."""

from __future__ import annotations

import os
import re

import numpy as np
import pytest

from sheetlab.live.functions import FUNCTIONS
from sheetlab.live.library import SAYS, call

LOADS = [0.5 * k for k in range(1, 11)]
CLEAN = [2.12, 2.37, 2.61, 2.86, 3.12, 3.36, 3.62, 3.87, 4.11, 4.37]


def changed(**changes: float) -> list[float]:
    rows = list(CLEAN)
    for name, value in changes.items():
        rows[int(name[1:]) - 1] = value
    return rows


def told(readings: object, *others: object) -> str:
    answer = call(FUNCTIONS, "CHECK_READINGS", [readings, *others])
    assert isinstance(answer, str)
    return answer


@pytest.mark.parametrize("at", [None, LOADS, [2.0 * v for v in LOADS]])
def test_a_clean_column_is_let_alone(at: object) -> None:
    assert told(CLEAN, at, 0.5, 0.01) == "nothing stands out in 10 readings"


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (changed(r4=2.36), "reading 4: 0.50 below the line of the others: one main-scale step; "
                           "2.86 would fit"),
        (changed(r4=3.11), "reading 4: 0.25 above the line of the others: half a main-scale step; "
                           "2.86 would fit"),
        (changed(r7=4.62), "reading 7: 1.00 above the line of the others: two main-scale steps; "
                           "3.62 would fit"),
        (changed(r6=3.63), "reading 6: 0.26 above the line of the others: half a main-scale step; "
                           "3.38 would fit"),
        (changed(r8=3.78), "reading 8: 0.09 below the line of the others: two digits swapped? "
                           "3.87 would fit"),
        (CLEAN[:5] + [v + 0.5 for v in CLEAN[5:]],
         "reading 6: from here on 0.50 above where those before lead: one main-scale step"),
        (CLEAN[:6] + [v - 0.12 for v in CLEAN[6:]],
         "reading 7: from here on 0.12 below where those before lead"),
    ],
)  # fmt: skip
def test_a_planted_mistake_is_named(readings: list[float], says: str) -> None:
    # the last digit may follow the scatter of the others
    found = told(readings, LOADS, 0.5, 0.01)
    number = r"\d\.\d\d"
    assert re.sub(number, "N", found) == re.sub(number, "N", says)
    sizes = [[float(n) for n in re.findall(number, text)] for text in (found, says)]
    assert sizes[0] == pytest.approx(sizes[1], abs=0.021)


def test_slack_and_bends_are_seen() -> None:
    x = np.arange(12.0)
    line = 2.0 + 0.25 * x + np.tile([0.004, -0.004, 0.0], 4)
    slack = line.copy()
    slack[:2] -= (0.2, 0.1)
    assert re.match(
        r"reading 1: 0\.\d\d below the line of the others, and the next one half of it: slack\?",
        told(np.round(slack, 2), x),
    )
    assert "reading 1: 0.20 above" in told(np.round(2.0 * line - slack, 2), x).replace(
        "0.19", "0.20"
    )
    assert "the readings bend upwards" in told(np.round(line + 0.01 * x**2, 2), x)
    assert "the readings bend downwards" in told(np.round(line - 0.01 * x**2, 2), x)
    late = line.copy()
    late[9:] += (0.05, 0.2, 0.45)
    assert "from here on the readings leave the line, at last by" in told(np.round(late, 2), x)


def test_cells_without_a_reading_are_named_and_the_rest_is_checked() -> None:
    readings: list[object] = [*changed(r4=2.36), None, None]
    readings[1] = "2,37"
    readings[6] = "?"
    at = [*LOADS, None, None]
    found = told(readings, at, 0.5, 0.01)
    assert "reading 7: this cell holds “?”; a number is expected" in found
    assert "reading 4: 0.51 below" in found
    at[7] = None
    assert "reading 8: nothing stands beside it in the cells of “at”" in told(readings, at)


def test_a_reading_finer_than_the_scale_is_named() -> None:
    assert told(changed(r3=2.6137), LOADS, None, 0.01) == (
        "reading 3: finer than a tenth of the least count"
    )


def test_few_readings_are_not_compared() -> None:
    assert told(CLEAN[:5]) == "5 readings are too few to compare; 6 are needed"
    assert told(CLEAN[:3], None, 0.5) == "3 readings are too few to compare; 6 are needed"


@pytest.mark.parametrize("count", [4, 5])
@pytest.mark.parametrize("row", range(4))
@pytest.mark.parametrize(
    ("step", "words"), [(0.5, "one main-scale step"), (-1.0, "two main-scale steps")]
)
def test_of_few_readings_only_a_misread_step_is_seen(
    count: int, row: int, step: float, words: str
) -> None:
    few = "; 4 readings: only steps of the main scale can be seen".replace("4", str(count))
    assert told(CLEAN[:count], None, 0.5) == few[2:]
    readings = CLEAN[:count]
    readings[row] = round(readings[row] + step, 2)
    side = "above" if step > 0 else "below"
    assert told(readings, None, 0.5) == (
        f"reading {row + 1}: about {abs(step):.2f} {side} the line of the others: {words}; "
        f"{CLEAN[row]:.2f} would fit{few}"
    )


def test_of_few_readings_that_scatter_nothing_is_said() -> None:
    rng = np.random.default_rng(5)
    for _ in range(300):
        readings = 2.0 + 0.25 * np.arange(5) + rng.normal(0.0, 0.05, 5)
        assert "reading " not in told(np.round(readings, 2), None, 0.5).split("readings")[0]


def test_many_doubts_are_counted() -> None:
    assert told([*CLEAN, *"abcdefg"]).endswith("“c”; a number is expected; and 4 more")


def test_of_few_readings_the_first_cell_says_so() -> None:
    column = call(FUNCTIONS, "CHECK_EACH_READING", [CLEAN[:3]])
    assert column == (("3 readings are too few to compare; 6 are needed",), ("",), ("",))
    assert call(FUNCTIONS, "CHECK_EACH_READING", [CLEAN]) == (("",),) * 10


def test_each_reading_has_its_cell() -> None:
    column = call(FUNCTIONS, "CHECK_EACH_READING", [[[r] for r in changed(r4=2.36)], None, 0.5])
    row = call(FUNCTIONS, "CHECK_EACH_READING", [[changed(r4=2.36)], None, 0.5])
    assert isinstance(column, tuple)
    assert isinstance(row, tuple)
    assert [len(r) for r in column] == [1] * 10
    assert row == (tuple(r[0] for r in column),)
    assert [bool(r[0]) for r in column] == [False, False, False, True] + [False] * 6
    assert f"reading 4: {column[3][0]}" == told(changed(r4=2.36), None, 0.5)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ([CLEAN, [1.0] * 10], "all of “at” are alike; for repeats see GRUBBS_TEST"),
        ([CLEAN, LOADS[:8]], "readings has 10 cells, at has 8"),
        ([CLEAN, None, -0.5], "graduation is -0.5; it has to be greater than 0"),
        ([[1.0] * 501], "501 readings; 500 are the most for one column"),
        ([CLEAN, ["a"] * 10], "cell 1 of at holds “a”; a number is expected"),
        ([CLEAN, [*LOADS[:9], True]], "cell 10 of at is TRUE; a number is expected"),
    ],
)
def test_a_wrong_call_says_what_is_wrong(values: list[object], says: str) -> None:
    assert told(*values) == SAYS + says


def test_of_whole_numbers_the_last_digit_is_that_of_units() -> None:
    assert told([100, 200, 300, 400, 530, 600, 700, 800]) == (
        "reading 5: 30 above the line of the others"
    )


def test_numbers_out_of_formulas_are_no_alarm() -> None:
    # 0.1 * 3 is 0.30000000000000004
    assert told([0.1 * k for k in range(12)]) == "nothing stands out in 12 readings"


@pytest.mark.slow
def test_false_alarms_are_as_rare_as_is_said() -> None:
    benches = int(os.environ.get("SHEETLAB_BENCHES", "4000"))
    rng = np.random.default_rng(20)
    alarms = 0
    for _ in range(benches):
        n = int(rng.integers(6, 14))
        readings = 2.0 + 0.25 * np.arange(n) + rng.normal(0.0, 0.02, n)
        alarms += "nothing" not in told(np.round(readings, 2), None, 0.5, 0.01)
    # 1 in 500, and what chance adds to that (four standard deviations)
    assert alarms <= benches / 500 + 4.0 * (benches / 500) ** 0.5
