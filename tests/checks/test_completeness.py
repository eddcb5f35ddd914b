"""What is missing is told, also where the result can do without it."""

from __future__ import annotations

import pytest
from test_findings import assessed, careful, codes

from sheetlab.checks.assess import Status
from sheetlab.finding import Severity

PENDULUM = "simple-pendulum"


def notes(cells, name: str = "wire-stretching") -> list[tuple[str, str]]:
    found = assessed(cells, name)
    assert found.status is Status.OK
    assert all(one.severity is Severity.NOTE for one in found.findings)
    return [(one.code, one.found) for one in found.findings]


@pytest.mark.parametrize(("end", "title"), [("upper", "upper"), ("lower", "lower")])
def test_one_end_of_a_length_is_blank(end: str, title: str) -> None:
    cells = careful()
    cells[f"length.{end}"][1] = None
    (note,) = notes(cells)
    assert note[0] == "row-incomplete"
    assert title in note[1]
    assert "is empty in row 2 of “Length of the experimental wire”" in note[1]


def test_a_load_without_readings() -> None:
    cells = careful()
    for key in cells:
        if key.startswith(("readings.up", "readings.down")):
            cells[key][3] = None
    ((code, text),) = notes(cells)
    assert code == "row-incomplete"
    assert "are empty in row 4 of" in text
    assert "but “added load” is there" in text


def test_a_pass_that_a_line_misses_is_told_once() -> None:
    cells = careful()
    for key in cells:
        if key.startswith("readings.down"):
            cells[key][3] = None
    assert codes(assessed(cells)) == ["pass-missing"]


def test_one_direction_of_the_diameters_only() -> None:
    cells = careful()
    for key in cells:
        if key.startswith("diameter.d.2"):
            cells[key] = [None] * len(cells[key])
    ((code, text),) = notes(cells)
    assert code == "series-empty"
    assert text.endswith("has no reading")


def test_a_third_timing_of_one_row_or_of_all() -> None:
    cells = careful(PENDULUM)
    cells["timing.t.3"][5] = None
    ((code, text),) = notes(cells, PENDULUM)
    assert code == "row-incomplete"
    assert "“time 3” is empty in row 6" in text
    cells["timing.t.3"] = [None] * 8
    ((code, text),) = notes(cells, PENDULUM)
    assert (code, text) == ("series-empty", "“time 3” has no reading")


def test_a_row_that_is_left_out_may_have_gaps() -> None:
    cells = careful(PENDULUM)
    cells["timing.t.3"][5] = None
    cells["timing.left_out"] = [None] * 5 + ["the watch stopped"]
    assert "row-incomplete" not in codes(assessed(cells, PENDULUM))


def test_one_division_without_tenths() -> None:
    cells = careful()
    for key in ("readings.up.1.coincidence", "readings.down.1.coincidence"):
        cells[key] = [v + 0.4 for v in cells[key]]
    assert notes(cells) == []
    cells["readings.up.1.coincidence"][2] -= 0.4
    ((code, text),) = notes(cells)
    assert code == "digits-left-out"
    assert "in row 3; all 7 other readings have tenths" in text
    # two of them may be chance
    cells["readings.up.1.coincidence"][5] -= 0.4
    assert notes(cells) == []


@pytest.mark.parametrize(
    ("name", "key", "title"),
    [(PENDULUM, "stopwatch.least_count", "Stopwatch"),
     (PENDULUM, "metre_scale.least_count", "Metre"),
     ("wire-stretching", "metre_scale.least_count", "Metre scale")],
)  # fmt: skip
def test_a_scale_that_was_read_and_whose_division_is_empty(name: str, key: str, title: str) -> None:
    cells = careful(name)
    cells[key] = [None]
    ((code, text),) = notes(cells, name)
    assert code == "scale-unknown"
    assert text.startswith(title)
    assert "“smallest division” is empty, but readings were taken" in text


@pytest.mark.parametrize(("limit", "asked"), [(0.1, True), (0.001, False)])
def test_a_permissible_error_far_beyond_the_issued_one_is_asked_about(
    limit: float, asked: bool
) -> None:
    # issued as 0.0005 of the value
    cells = careful(PENDULUM)
    cells["metre_scale.limit"] = [limit]
    found = assessed(cells, PENDULUM)
    assert ("limit-doubtful" in codes(found)) is asked
    assert any("0.1, 200 times the 0.0005" in f.message for f in found.findings) is asked
