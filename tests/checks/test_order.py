"""The order of findings: what they do to the result, before how something was typed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from checks.placed import assessed
from examples import layout, typed

from sheetlab.checks.assess import Assessment, assess
from sheetlab.checks.order import EFFECTS, EXPLAIN, FORM, READ, SINGLE
from sheetlab.finding import Finding
from sheetlab.practical.definition import Assist
from sheetlab.workbook.reader import read_workbook
from sheetlab.workbook.template import write_template

Cells = dict[str, list[Any]]


def avocet(change: Callable[[Cells], None]) -> Assessment:
    """The careful group's workbook with something changed."""
    return assessed("Avocet", changed(change))


def changed(change: Callable[[Cells], None]) -> Cells:
    cells: Cells = {key: list(values) for key, values in typed("Avocet").items()}
    change(cells)
    return cells


def metres(cells: Cells) -> None:
    for key in ("length.upper", "length.lower"):
        cells[key] = [round(value / 100.0, 4) for value in cells[key]]


def doubtful(found: Assessment) -> list[Finding]:
    return [f for f in found.findings if f.severity == "doubtful"]


def test_metres_in_a_column_of_centimetres() -> None:
    implausible, far, form = doubtful(avocet(metres))
    assert (implausible.code, far.code) == ("implausible", "far-from-accepted")
    would = "It would fit if the numbers in “Length of the experimental wire” were in m, not in cm"
    assert would in implausible.message
    assert would in far.message
    # six cells and two columns, one slip; and the digit that is one too many is there
    assert form.code == "finer-than-scale"
    assert "“upper chuck” is 0.054 cm in row 1" in form.found
    assert "5 more cells (B13, B14, C12, C13, C14)" in form.found


def test_two_readings_too_fine_are_one_finding() -> None:
    def change(cells: Cells) -> None:
        cells["length.upper"][0] = 5.404
        cells["length.lower"][2] = 243.907

    (form,) = doubtful(avocet(change))
    assert "5.404 cm" in form.found
    assert "in 1 more cell (C14)" in form.found


def test_a_text_that_the_result_does_not_rest_on_comes_last(tmp_path: Path) -> None:
    def read(change: Callable[[Cells], None]) -> list[Finding]:
        path = tmp_path / "a.xlsx"
        path.write_bytes(
            write_template(layout("wire-stretching", Assist.CORRECTED), changed(change))
        )
        found = read_workbook(path)
        return doubtful(assess(found.practical, found.observations, trials=0))

    def change(cells: Cells) -> None:
        cells["dead_load"] = ["25 SWG"]
        cells["readings.up.1.main"][5] += 0.5

    assert [f.code for f in read(change)] == ["point-off-line", "not-a-number"]

    def lost(cells: Cells) -> None:
        cells["readings.mass"][3] = "25 SWG"
        metres(cells)

    codes = [f.code for f in read(lost)]
    assert codes.index("not-a-number") < codes.index("finer-than-scale")


def test_the_reading_that_changes_the_result_more_comes_first() -> None:
    def change(cells: Cells) -> None:
        cells["readings.up.1.main"][1] += 0.5
        cells["readings.up.1.main"][7] += 1.5

    first, second = doubtful(avocet(change))[:2]
    assert first.code == second.code == "point-off-line"
    assert "row 8" in first.found
    assert "row 2" in second.found


def test_a_cause_stands_before_its_effects() -> None:
    def wrong_side(cells: Cells) -> None:
        cells["screw_gauge.zero_reading.coincidence"] = [46.0, 46.0]
        cells["screw_gauge.zero_reading.side"] = ["short of the line or on it"] * 2

    found = doubtful(avocet(wrong_side))
    assert [f.code for f in found][-1:] == ["far-from-accepted"]
    assert {f.code for f in found[:-1]} == {"zero-error-large"}
    # in the unit of the result, not as 1.1e+11 Pa
    assert found[-1].expected == "110 GPa within the uncertainty; books differ by 9.1 %"
    assert "which makes 0.46 mm" in found[0].found
    assert "−0.04 mm would fit if “zero mark is” said “past the line”" in found[0].message

    def grams(cells: Cells) -> None:
        cells["readings.mass"] = [1000.0 * value for value in cells["readings.mass"]]

    found = doubtful(avocet(grams))
    assert [f.code for f in found] == ["outside-limits", "far-from-accepted"]
    assert "It would fit if the numbers under “added load” in “Readings of the extensometer” " in (
        found[-1].message
    )

    def a_step(cells: Cells) -> None:
        cells["readings.up.1.main"][7] += 10.0
        cells["readings.down.1.main"][7] += 10.0

    codes = [f.code for f in doubtful(avocet(a_step))]
    assert codes == ["step-uneven", "result-undetermined", "far-from-accepted"]


def test_codes_have_one_rank_each() -> None:
    groups = (EXPLAIN, EFFECTS, SINGLE, FORM, READ)
    assert sum(map(len, groups)) == len(frozenset().union(*groups))
