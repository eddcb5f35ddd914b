"""Regularities of a class: said with their probability, and not of careful work."""

from __future__ import annotations

import numpy as np
import pytest
from examples import WORKBOOKS, practical, typed

from sheetlab.checks.assess import assess
from sheetlab.checks.regularity import Traits, equal_by_chance, regularities, traits
from sheetlab.workbook.template import as_cells_show


def assessed(cells, name: str = "wire-stretching", runs: int = 1) -> Traits:
    model = practical(name, runs)
    return traits(assess(model, as_cells_show(model, cells), trials=0))


def demo(group: str) -> dict[str, list[object]]:
    return {key: list(values) for key, values in typed(group).items()}


def test_the_demo_class_is_not_regular() -> None:
    class_ = [
        (group, assessed(demo(group), one.practical, one.runs)) for group, one in WORKBOOKS.items()
    ]
    assert list(regularities(class_)) == []


def test_the_same_readings_in_two_groups() -> None:
    first, second = assessed(demo("Avocet")), assessed(demo("Avocet"))
    notes = list(regularities([("Avocet", first), ("Bittern", second)]))
    assert {note.code for note in notes} == {"same-readings"}
    assert all("Avocet and Bittern" in note.text for note in notes)
    assert any("Readings of the extensometer" in note.text for note in notes)
    assert all("ask for a repeat" in note.text for note in notes)


def test_a_way_back_that_equals_the_way_there() -> None:
    cells = demo("Avocet")
    rng = np.random.default_rng(4)
    for i, shift in enumerate(rng.integers(-2, 3, 8)):
        cells["readings.up.1.coincidence"][i] = max(
            0, min(49, cells["readings.up.1.coincidence"][i] + int(shift))
        )
    for part in ("main", "coincidence"):
        cells[f"readings.down.1.{part}"] = list(cells[f"readings.up.1.{part}"])
    (note,) = regularities([("Avocet", assessed(cells))])
    assert note.code == "ways-equal"
    assert note.probability is not None
    assert note.probability < 0.01


@pytest.mark.parametrize("sigma", [0.1, 0.3, 0.5, 0.75, 1.0, 2.0])
def test_probability_of_equal_readings(sigma: float) -> None:
    # reference: simulation of rounded normal readings
    rng = np.random.default_rng(7)
    place = rng.random(400_000)
    a, b = (np.rint(place + sigma * rng.standard_normal(400_000)) for _ in range(2))
    spread = float(np.hypot(sigma, 1.0 / np.sqrt(12.0)))
    assert equal_by_chance(spread) == pytest.approx(float(np.mean(a == b)), abs=0.004)


def test_digits_that_end_in_zero_or_five() -> None:
    # 99 % limits of a binomial with p = 0.2 (computed by scipy, one-sided)
    class_ = []
    for k in range(8):
        cells = demo("Avocet")
        for way in ("up", "down"):
            column = cells[f"readings.{way}.1.coincidence"]
            cells[f"readings.{way}.1.coincidence"] = [
                min(45, 5 * round((int(n) + k) / 5)) for n in column
            ]
        class_.append((f"G{k}", assessed(cells)))
    codes = [note.code for note in regularities(class_)]
    assert "digits-preferred" in codes
