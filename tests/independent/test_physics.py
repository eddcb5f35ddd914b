"""The independent benches against physics that somebody else worked out, and the judge itself."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from independent import pendulum, wire
from independent.filling import _places, fill
from independent.judge import _flags, matches, planted, said
from independent.mistakes import BY_PRACTICAL, Kind
from independent.scales import Moving, gravity, observed, put_readings, zero_error

KINDS = [(practical, name) for practical, kinds in BY_PRACTICAL.items() for name in kinds]


def quiet(story: wire.Wire) -> wire.Wire:
    """The same wire without chance, read so finely that rounding does not count."""
    rows, fine = len(story.loads), 1e-4
    return replace(
        story, gauge=replace(story.gauge, part=fine), screw=replace(story.screw, part=fine),
        noise_up=np.zeros(rows), noise_down=np.zeros(rows), pitch_error=0.0, mass_error=0.0,
        zeros=np.full(3, story.zeros[0]), scale_part=1e-5, way_back=True, top_copied=False,
        across=np.full((5, 2), story.diameter + story.zeros[0]),
        ends=np.array([[5.0, 5.0 + story.length / 10]]), settings=np.zeros(0),
        extra={"g_local": [story.g]},
    )  # fmt: skip


def test_zero_mark_past_the_line():
    """Pitch 0.5 mm, 50 divisions, mark 36 at the line with the zero past it: −0.14 mm.
    Source: worked example at science.blurtit.com/802642."""
    gauge = Moving(0.5, 50)
    assert gauge.read_zero(-0.14) == (36.0, True)
    cells = {"z_coincidence": [36.0], "z_side": [wire.SIDES[1]]}
    assert zero_error(cells, "z", gauge, wire.SIDES) == pytest.approx(-0.14)


@pytest.mark.parametrize("scale", [Moving(0.5, 50), Moving(1, 100), Moving(1, 20, 0.5)])
def test_reading_is_the_nearest_part_of_a_division(scale: Moving):
    rng = np.random.default_rng(1)
    positions = rng.uniform(0, 20, 200)
    cells: dict = {}
    put_readings(cells, "r", scale, positions)
    off = np.abs(observed(cells, "r", scale) - positions)
    assert off.max() <= scale.part * scale.least_count / 2 + 1e-9
    assert all(0 <= k < scale.divisions for k in cells["r_coincidence"])
    assert all(math.isclose(m / scale.main, round(m / scale.main)) for m in cells["r_main"])


def test_gravity_at_30_degrees():
    """Geodetic Reference System 1980, normal gravity at 30°: 9.7932487 m/s² (Moritz)."""
    assert gravity(30, 0) == pytest.approx(9.7932487, abs=1e-6)


def test_extension_of_a_cable():
    """3020 m of steel (210 GPa), 5.6 cm thick, pulled with 3.0e6 N: 18 m.
    OpenStax, College Physics 2e, section 5.3, "The Stretch of a Long Cable"."""
    story = replace(
        wire.draw(np.random.default_rng(1)), modulus=210.0, length=3.02e6, diameter=56.0, g=10.0
    )
    assert story.extension(np.array([3e5]))[0] == pytest.approx(18e3, abs=500)


def test_modulus_from_quiet_readings():
    """d = 0.5 mm, L = 2 m, 0.5 mm/kg, by hand: 4·9.8·2/(π·0.25e-6·0.5e-3) = 199.643e9."""
    story = quiet(wire.draw(np.random.default_rng(2)))
    story = replace(
        story, modulus=199.643, length=2000.0, diameter=0.5, g=9.8,
        across=np.full((5, 2), 0.5 + story.zeros[0]), ends=np.array([[5.0, 205.0]]),
        extra={"g_local": [9.8]},
    )  # fmt: skip
    sums = wire.own_sums(wire.typed(story), story)
    assert sums["s"] == pytest.approx(0.5, rel=1e-5)
    assert sums["Y"] == pytest.approx(199.643, rel=1e-4)


def test_period_and_amplitude():
    """L = 1 m, g = 9.81 m/s²: 2.00606668 s; longer by 1 % of itself at 0.400164 rad.
    Table at physics.gmu.edu/~mrseth/pass6.html (elliptic integral)."""
    story = replace(
        pendulum.draw(np.random.default_rng(1)), g=9.81, bob=0.0, lengths=np.array([1.0]), angle=0.0
    )
    short = story.periods()[0]
    assert short == pytest.approx(2.006066680710647)
    wide = replace(story, angle=math.degrees(0.40016431970246170)).periods()[0]
    assert (wide - short) / wide == pytest.approx(0.01, abs=2e-6)


@pytest.mark.parametrize("practical", list(BY_PRACTICAL))
def test_whole_program_agrees_with_own_sums(practical: str, folder: Path):
    """The readings that are typed are those that the program reads: both come to one result."""
    module = {"wire-stretching": wire, "simple-pendulum": pendulum}[practical]
    for seed in range(5):
        story = module.draw(np.random.default_rng(seed))
        cells = module.typed(story)
        result = said(practical, cells, folder, folder / "bench.xlsx")["measurand"]
        sums = module.own_sums(cells, story)
        own = sums["Y"] * 1e9 if practical == "wire-stretching" else sums["g"]
        assert result["value"] == pytest.approx(own, rel=1e-6)


def test_filled_cells_are_read_by_another_library(folder: Path):
    cells = wire.typed(wire.draw(np.random.default_rng(3)))
    path = folder / "bench.xlsx"
    fill("wire-stretching", cells, folder, path)
    book = openpyxl.load_workbook(path)
    for name, column in cells.items():
        title, cell = book.defined_names[f"in_{name}"].attr_text.replace("$", "").split("!")
        first = book[title.strip("'")][cell.split(":")[0]]
        read = [book[title.strip("'")].cell(first.row + i, first.column).value
                for i in range(len(column))]  # fmt: skip
        assert read == column, name
    assert set(cells) <= set(_places("wire-stretching", folder))


@pytest.mark.parametrize(("practical", "name"), KINDS)
def test_every_mistake_changes_cells_that_exist(practical: str, name: str, folder: Path):
    kind = BY_PRACTICAL[practical][name]
    _, clean, spoiled = planted(practical, kind, np.random.default_rng(4))
    assert spoiled != clean
    assert set(spoiled) <= set(_places(practical, folder))
    assert planted(practical, kind, np.random.default_rng(4))[1:] == (clean, spoiled)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Blank workbooks, issued once."""
    return tmp_path_factory.mktemp("issued")


def finding(code: str, message: str, severity: str = "doubtful") -> dict[str, str]:
    return {"code": code, "message": message, "severity": severity}


def test_judge_looks_at_the_first_name():
    kind = Kind(lambda *_: None, ("slip", "*: load not written"), ("step-uneven",))
    place, right = finding("line-scatters", "points scatter"), finding("slip", "a jump")
    wrong = finding("drift", "with time")
    assert _flags(kind, []) == (False, False, False)
    assert _flags(kind, [place]) == (True, False, False)
    assert _flags(kind, [place, right, wrong]) == (True, True, False)
    assert _flags(kind, [wrong, right]) == (True, False, True)
    assert _flags(kind, [finding("far", "It would fit if g were 10.")]) == (True, False, True)
    assert _flags(kind, [replace_severity(right)]) == (False, False, False)
    assert matches(kind.right, finding("x", "a load not written down"))


def replace_severity(one: dict[str, str]) -> dict[str, str]:
    return one | {"severity": "note"}
