"""Mistakes that only a line's intercept, or the accepted value, can tell."""

from __future__ import annotations

import math

import numpy as np
import pytest
from planted import Cells, pendulum
from test_findings import assessed, careful, codes

from sheetlab.finding import SheetlabError
from sheetlab.practical.loader import catalogue, load

PENDULUM = "simple-pendulum"


def quiet(seed: int, swing: float = 4.0) -> tuple[Cells, float]:
    """Readings of an invented pendulum with quiet hands, and the diameter of its bob in mm.

    The period at an angle of swing is exact: 2 π √(l/g) over the arithmetic-geometric mean of 1 and
    cos(θ/2) (Landau and Lifshitz, Mechanics, § 11, as an elliptic integral; from memory).
    """
    cells, values = pendulum(np.random.default_rng(seed))
    rng = np.random.default_rng(seed)
    length = np.array(cells["timing.thread"]) / 100 + values["D"] / 2000
    a, b = 1.0, math.cos(math.radians(swing) / 2)
    for _ in range(6):
        a, b = (a + b) / 2, math.sqrt(a * b)
    for k in (1, 2, 3):
        t = values["swings"] * 2 * math.pi * np.sqrt(length / 9.81) / a
        cells[f"timing.t.{k}"] = list(np.rint((t + rng.normal(0, 0.04, len(t))) * 100) / 100)
    return cells, values["D"]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("part", "words"), [(0.5, "to the middle of the bob"),
                                             (1.0, "to the bottom of the bob")])  # fmt: skip
def test_thread_to_another_point_of_the_bob(seed: int, part: float, words: str) -> None:
    cells, bob = quiet(seed)
    assert "not-as-expected" not in codes(assessed(cells, PENDULUM))
    cells["timing.thread"] = [round(v + part * bob / 10, 1) for v in cells["timing.thread"]]
    (finding,) = (f for f in assessed(cells, PENDULUM).findings if f.code == "not-as-expected")
    assert finding.remedy.startswith("It would fit if the thread was measured " + words)


def test_radius_typed_as_the_diameter() -> None:
    cells, bob = quiet(7)
    assert bob > 30
    half = bob / 2
    cells["bob.d.main"] = [math.floor(half)] * 4
    cells["bob.d.coincidence"] = [round((half - math.floor(half)) * 20)] * 4
    cells["caliper.zero_reading.coincidence"] = [0, 0, 0]
    cells["caliper.zero_reading.side"] = ["right of the main zero or on it"] * 3
    (finding,) = (f for f in assessed(cells, PENDULUM).findings if f.code == "not-as-expected")
    assert "the radius of the bob stands where its diameter belongs" in finding.remedy


@pytest.mark.parametrize("angle", [25, 32, 40])
@pytest.mark.parametrize("seed", range(4))
def test_a_hidden_wide_swing_is_named_with_its_angle(seed: int, angle: int) -> None:
    cells, _ = quiet(seed, angle)
    (finding,) = (f for f in assessed(cells, PENDULUM).findings if f.code == "far-from-accepted")
    before, _, after = finding.remedy.partition("if the angle of the swing was about ")
    # one swing in 30 more than counted makes as much of a difference, and is said before it
    assert before.startswith("It would fit ")
    assert float(after.split()[0]) == pytest.approx(angle, abs=4)


@pytest.mark.parametrize(("typed", "counted"), [(30, 20), (20, 21), (25, 24), (10, 50)])
def test_another_number_of_swings_is_named(typed: int, counted: int) -> None:
    cells, _ = quiet(3)
    factor = counted / cells["swings"][0]
    for k in (1, 2, 3):
        cells[f"timing.t.{k}"] = [round(v * factor, 2) for v in cells[f"timing.t.{k}"]]
    cells["swings"] = [typed]
    finding = assessed(cells, PENDULUM).findings[0]
    assert finding.code == "far-from-accepted"
    assert f"It would fit if {counted} swings were counted in each timing" in finding.remedy


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('quantity = "theta", range', 'quantity = "thetta", range', "no single value “thetta”"),
        ("range = [15, 45]", "range = [45, 15]", "empty range"),
        ("range = [15, 45]", "range = [15, 45], factor = 2", "a factor or a range"),
        ("half_width = 1, question", "half_width = -1, question", "no half-width"),
    ],
)
def test_a_slip_that_cannot_be_tried_is_refused(old: str, new: str, words: str) -> None:
    text = catalogue().text(PENDULUM)
    assert old in text
    with pytest.raises(SheetlabError, match=words):
        load(text.replace(old, new))


@pytest.mark.parametrize("seed", range(4))
def test_threads_in_metres_are_not_called_a_matter_of_the_swings(seed: int) -> None:
    """Ten times the swings, or a tenth of the times, would give g as well, but no intercept."""
    cells, _ = quiet(seed)
    cells["timing.thread"] = [round(v / 100, 4) for v in cells["timing.thread"]]
    first = assessed(cells, PENDULUM).findings[0]
    assert first.code == "far-from-accepted"
    assert "It would fit if the numbers under “thread”" in first.remedy
    assert "swings were counted" not in first.remedy
    assert "(in s)" not in first.remedy


def test_an_offset_that_comes_of_a_unit_is_not_explained_by_the_bob() -> None:
    cells = careful("simple-pendulum")
    cells["timing.thread"] = [v and v / 100 for v in cells["timing.thread"]]
    found = assessed(cells, "simple-pendulum")
    assert any("in m, not in cm" in f.message for f in found.findings)
    assert not any("bob, not to its top" in f.message for f in found.findings)
