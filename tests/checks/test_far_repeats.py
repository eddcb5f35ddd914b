"""One repeat of a row that is wrong, seen by the scatter of all rows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from test_findings import assessed, careful, codes

from sheetlab.metrology.rowrepeats import FALSE_ALARM, farthest

PENDULUM = "simple-pendulum"


def rows(rng: np.random.Generator, count: int, sigma: float, off: float = 0.0):
    """Rows of three repeats in divisions; the first repeat is off by so many deviations."""
    repeats = rng.normal(50.0, sigma, (count, 3))
    repeats[0, 0] += off * sigma
    return {i: {str(k): float(v) for k, v in enumerate(np.rint(row))}
            for i, row in enumerate(repeats)}  # fmt: skip


def test_one_of_three_timings_is_told_with_its_cell() -> None:
    cells = careful(PENDULUM)
    scatter = math.sqrt(np.mean([np.var([cells[f"timing.t.{k}"][i] for k in (1, 2, 3)], ddof=1)
                                 for i in range(8)]))  # fmt: skip
    cells["timing.t.2"][4] = round(cells["timing.t.2"][4] + 10 * scatter, 2)
    found = assessed(cells, PENDULUM)
    assert "repeat-off" in codes(found)
    (finding,) = (f for f in found.findings if f.code == "repeat-off")
    assert "“time 2” in row 5" in finding.found
    assert "above the mean of the other repeats" in finding.found


@pytest.mark.parametrize(("count", "off", "least"), [(8, 7.5, 0.6), (6, 7.5, 0.5), (6, 10.0, 0.85)])
def test_power_is_as_stated(count: int, off: float, least: float) -> None:
    rng = np.random.default_rng(12)
    found = [farthest(rows(rng, count, 5.0, off), 1.0) for _ in range(200)]
    seen = sum(far is not None and (far.row, far.key) == (0, "0") for far in found)
    assert seen >= least * 200


@pytest.mark.parametrize("sigma", [0.2, 0.5, 5.0])
@pytest.mark.parametrize("count", [3, 8])
def test_false_alarms_are_as_stated(count: int, sigma: float) -> None:
    rng = np.random.default_rng(13)
    alarms = sum(farthest(rows(rng, count, sigma), 1.0) is not None for _ in range(500))
    # 0.1 % of such tests would have more than this
    assert alarms <= 500 * FALSE_ALARM + 4.5


def test_two_wrong_repeats_are_both_told() -> None:
    rng = np.random.default_rng(14)
    table = rows(rng, 8, 3.0)
    table[2]["1"] += 90.0
    table[5]["0"] -= 60.0
    first = farthest(table, 1.0)
    assert first is not None
    assert (first.row, first.key) == (2, "1")
    del table[2]
    second = farthest(table, 1.0)
    assert second is not None
    assert (second.row, second.key) == (5, "0")


def test_two_rows_do_not_know_their_scatter() -> None:
    assert (
        farthest({0: {"a": 1.0, "b": 9.0, "c": 1.0}, 1: {"a": 1.0, "b": 1.0, "c": 1.0}}, 0.1)
        is None
    )


@pytest.mark.parametrize("divisions", [10, 20, 50])
@pytest.mark.parametrize("zero", [-0.4, -0.3, 0.3, 0.4])
def test_a_caliper_may_be_off_by_several_divisions(divisions: int, zero: float) -> None:
    sides = ("right of the main zero or on it", "left of the main zero")
    cells = careful(PENDULUM)
    cells["caliper.vernier_divisions"] = [divisions]
    cells["bob.d.coincidence"] = [v * divisions // 20 for v in cells["bob.d.coincidence"]]
    coincidence = round(zero * divisions) % divisions
    cells["caliper.zero_reading.coincidence"] = [coincidence] * 3
    cells["caliper.zero_reading.side"] = [sides[zero < 0]] * 3
    assert "zero-error-large" not in codes(assessed(cells, PENDULUM))
    cells["caliper.zero_reading.side"] = [sides[zero > 0]] * 3
    assert "zero-error-large" in codes(assessed(cells, PENDULUM))


@pytest.mark.parametrize("row", range(8))
@pytest.mark.parametrize("more", [-1, 1])
def test_a_swing_too_many_in_one_row_is_told_wherever_the_row_stands(row: int, more: int) -> None:
    """At the ends of a line a point pulls the line to itself: its repeats know their scatter."""
    cells = careful(PENDULUM)
    factor = 1 + more / cells["swings"][0]
    for k in (1, 2, 3):
        cells[f"timing.t.{k}"][row] = round(cells[f"timing.t.{k}"][row] * factor, 2)
    first = next(f for f in assessed(cells, PENDULUM).findings if f.code == "point-off-line")
    assert f"in row {row + 1}" in first.found
    assert f"as if {cells['swings'][0] + more:g} were counted in this row" in first.remedy


def test_a_row_that_is_left_out_is_not_told_again() -> None:
    cells = careful(PENDULUM)
    cells["timing.t.2"][4] += 5.0
    assert "repeat-off" in codes(assessed(cells, PENDULUM))
    cells["timing.left_out"] = [None] * 4 + ["we lost count"]
    assert "repeat-off" not in codes(assessed(cells, PENDULUM))


# invented readings: threads in cm, three timings of 30 swings in s
CLEAN = (
    (24.3, 30.50, 30.49, 30.46), (40.5, 38.88, 38.90, 38.89), (55.1, 45.14, 45.24, 45.25),
    (69.0, 50.48, 50.56, 50.45), (84.4, 55.70, 55.81, 55.79), (99.4, 60.41, 60.34, 60.37),
    (115.9, 65.23, 65.12, 65.23),
)  # fmt: skip


@pytest.mark.parametrize("division", [None, 0.01])
def test_no_scatter_is_finer_than_the_decimals_that_were_typed(division: float | None) -> None:
    cells = careful(PENDULUM)
    names = ("timing.thread", "timing.t.1", "timing.t.2", "timing.t.3")
    cells |= {
        key: list(column) for key, column in zip(names, zip(*CLEAN, strict=True), strict=True)
    }
    cells |= {"stopwatch.least_count": [division], "metre_scale.least_count": [division and 0.1]}
    assert "point-off-line" not in codes(assessed(cells, PENDULUM))


@pytest.mark.parametrize(("by", "words"), [(10, "too long"), (-10, "too short")])
def test_a_length_read_ten_centimetres_off_is_named_with_its_cell(by: float, words: str) -> None:
    cells = careful("simple-pendulum")
    right = cells["timing.thread"][4]
    cells["timing.thread"][4] += by
    found = assessed(cells, "simple-pendulum")
    (finding,) = (f for f in found.findings if f.code == "point-off-line")
    assert f"“thread” {right:.2f} cm would fit: as if “thread” was read 10 cm {words}" in (
        finding.message
    )


# invented readings; the fifth thread is 3 cm too long
LONG_THREAD = (
    (24.6, 30.60, 30.54, 30.58), (39.7, 38.61, 38.60, 38.65), (55.8, 45.45, 45.39, 45.45),
    (69.3, 50.66, 50.58, 50.52), (87.6, 55.88, 55.80, 55.92), (100.5, 60.74, 60.72, 60.72),
    (115.4, 65.04, 65.13, 65.07),
)  # fmt: skip


def test_no_swapped_digits_in_one_timing_where_all_three_agree() -> None:
    # 58.58 for 55.88 would make the mean fit, far from the other two
    cells = careful(PENDULUM)
    names = ("timing.thread", "timing.t.1", "timing.t.2", "timing.t.3")
    columns = zip(*LONG_THREAD, strict=True)
    cells |= {key: list(column) for key, column in zip(names, columns, strict=True)}
    (finding,) = (f for f in assessed(cells, PENDULUM).findings if f.code == "point-off-line")
    assert "row 5" in finding.found
    assert "swapped" not in finding.message
