"""Wrong answers planted in invented workbooks: each worked out here by hand, not by the program.

`python tests/checks/planted.py FIRST COUNT` prints the table for seeds of one's own.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from examples import practical

from sheetlab.checks.diagnosis import AnswerDiagnosis, diagnose
from sheetlab.checks.subject import Subject
from sheetlab.practical.evaluate import Numbers, evaluate_practical
from sheetlab.practical.instruments import SCREW_SIDES, VERNIER_SIDES
from sheetlab.practical.profile import GUM, Profile
from sheetlab.workbook.template import as_cells_show

Cells = dict[str, list[Any]]
Values = dict[str, float]


def subject_of(name: str, cells: Cells, profile: Profile = GUM) -> Subject:
    model = practical(name)
    observations = as_cells_show(model, cells)
    numbers = Numbers(model, observations)
    evaluation = evaluate_practical(model, observations, numbers, trials=0, profile=profile)
    return Subject(model, observations, numbers, evaluation)


def figures(value: float, digits: int) -> float:
    """A number as a student writes it."""
    return float(f"{value:.{digits}g}")


def common_slope(x: np.ndarray, *ys: np.ndarray) -> float:
    dx = x - x.mean()
    return float(sum((dx * y).sum() for y in ys) / (len(ys) * (dx**2).sum()))


def screw(key: str, values: np.ndarray) -> Cells:
    steps = np.rint(np.asarray(values) * 100)
    return {
        f"{key}.main": [float(m) * 0.5 for m in steps // 50],
        f"{key}.coincidence": [float(n) for n in steps % 50],
    }


def wire(rng: np.random.Generator) -> tuple[Cells, Values]:
    """Readings of an invented wire, and what a careful student gets from them."""
    rows = int(rng.integers(6, 10))
    diameter, length = rng.uniform(0.35, 0.75), rng.uniform(1.2, 2.9)
    modulus = rng.uniform(60e9, 210e9)
    per_kg = 1e3 * 9.81 * length / (math.pi * (diameter * 1e-3) ** 2 / 4 * modulus)
    step = float(rng.choice([0.25, 0.4, 0.5, 1.0]))
    mass = np.arange(rows) * step
    zero = float(rng.choice([-0.05, -0.04, -0.03, -0.02, 0.02, 0.03, 0.04, 0.05]))
    upper = rng.uniform(2, 9)
    z = np.rint((zero + rng.normal(0, 0.003, 4)) * 100) / 100
    d1, d2 = (np.rint((diameter + zero + rng.normal(0, 0.004, 6)) * 100) / 100 for _ in "ab")
    u = np.rint((upper + rng.normal(0, 0.03, 3)) * 10) / 10
    lo = np.rint((upper + 100 * length + rng.normal(0, 0.05, 3)) * 10) / 10
    up, down = (
        np.rint((1.2 + per_kg * mass + rng.normal(0, 0.007, rows)) * 100) / 100 for _ in "ab"
    )
    cells: Cells = {
        "screw_gauge.turns": [10], "screw_gauge.travel": [5], "screw_gauge.divisions": [50],
        "extensometer.turns": [8], "extensometer.travel": [4], "extensometer.divisions": [50],
        "metre_scale.least_count": [0.1], "latitude": [50.0], "altitude": [100.0],
        "material": ["brass"],
        "screw_gauge.zero_reading.coincidence": [float(round(v * 100) % 50) for v in z],
        "screw_gauge.zero_reading.side": [SCREW_SIDES[int(v < 0)] for v in z],
        "length.upper": list(u), "length.lower": list(lo), "readings.mass": list(mass),
    }  # fmt: skip
    for key, v in (("diameter.d.1", d1), ("diameter.d.2", d2), ("readings.up.1", up),
                   ("readings.down.1", down)):  # fmt: skip
        cells |= screw(key, v)
    observed = float((d1 + d2).mean() / 2)
    half = rows // 2
    mean = (up + down) / 2
    halves = (mean[-half:].mean() - mean[-2 * half : -half or None][:half].mean()) / (half * step)
    values = {
        "L": float((lo - u).mean()) / 100,
        "observed": observed,
        "z": float(z.mean()),
        "d": observed - float(z.mean()),
        "s": common_slope(mass, up, down),
        "loading": common_slope(mass, up),
        "halves": float(halves),
        "n": float(rows),
        "g": 9.8100,
    }
    return cells, values


def modulus(v: Values, **changed: float) -> float:
    """Young's modulus in GPa, from L in m, d in mm, s in mm/kg."""
    v = {**v, **changed}
    area = math.pi * (v["d"] * 1e-3) ** 2 / 4
    return v["g"] * v["L"] / (area * v["s"] * 1e-3) / 1e9


def pendulum(rng: np.random.Generator) -> tuple[Cells, Values]:
    rows, swings = int(rng.integers(6, 10)), int(rng.choice([15, 20, 25, 30, 40]))
    bob, zero = rng.uniform(15, 40), float(rng.choice([-0.1, 0.05, 0.1]))
    thread = np.rint(np.linspace(25, rng.uniform(80, 130), rows) * 10) / 10
    length = thread / 100 + bob / 2000
    t = [
        np.rint((swings * 2 * math.pi * np.sqrt(length / 9.81) + rng.normal(0, 0.06, rows)) * 100)
        / 100
        for _ in range(3)
    ]
    d = np.rint((bob + zero + rng.normal(0, 0.03, 4)) * 20) / 20
    z = np.rint(np.full(3, zero) * 20) / 20
    cells: Cells = {
        "caliper.main_division": [1], "caliper.vernier_divisions": [20],
        "metre_scale.least_count": [0.1], "stopwatch.least_count": [0.01],
        "caliper.zero_reading.coincidence": [float(round(v * 20) % 20) for v in z],
        "caliper.zero_reading.side": [VERNIER_SIDES[int(v < 0)] for v in z],
        "latitude": [50.0], "altitude": [100.0], "swings": [swings], "amplitude": [4],
        "bob.d.main": list(np.floor(d + 1e-9)),
        "bob.d.coincidence": [float(round((v - math.floor(v + 1e-9)) * 20)) for v in d],
        "timing.thread": list(thread),
    }  # fmt: skip
    for i, column in enumerate(t):
        cells[f"timing.t.{i + 1}"] = list(column)
    total = sum(t) / 3
    D = float(d.mean() - z.mean())
    x = thread / 100 + D / 2000
    values = {
        "D": D, "z": float(z.mean()), "swings": float(swings), "n": float(rows),
        "k": common_slope(x, (total / swings) ** 2),
        "not_squared": common_slope(x, total / swings),
        "not_divided": common_slope(x, total**2),
    }  # fmt: skip
    return cells, values


@dataclass(frozen=True)
class Planted:
    """A wrong answer. The others are given rightly, or not at all if ``alone``."""

    practical: str
    title: str
    answer: str
    wrong: Callable[[Values], float]
    kinds: tuple[str, ...]
    """Kinds of the true cause, as the program may call it."""
    alone: bool = False
    legitimate: bool = False


def _Y(title: str, wrong: Callable[[Values], float], *kinds: str, legit: bool = False) -> Planted:
    return Planted("wire-stretching", title, "Y", wrong, kinds, True, legit)


PLANTED = (
    _Y("diameter as radius", lambda v: modulus(v) / 4, "diameter-for-radius"),
    _Y("radius for diameter", lambda v: modulus(v) * 4, "radius-for-diameter"),
    _Y("π lost", lambda v: modulus(v) * math.pi, "pi-left-out"),
    _Y("kg not newton", lambda v: modulus(v, g=1.0), "weight"),
    _Y("d not squared, metres", lambda v: modulus(v) * v["d"] * 1e-3, "power-lost"),
    _Y("d not squared, millimetres", lambda v: modulus(v) * v["d"], "power-lost"),
    _Y("L in cm", lambda v: modulus(v) * 100, "unit"),
    _Y("L in mm", lambda v: modulus(v) * 1000, "unit"),
    _Y("d in mm", lambda v: modulus(v) * 1e-6, "unit"),
    _Y("GPa for Pa", lambda v: modulus(v) * 1e9, "unit"),
    _Y("slope inverted", lambda v: modulus(v) * v["s"] ** 2, "slope-inverted"),
    _Y("one step, total load", lambda v: modulus(v) * (v["n"] - 1), "per-step"),
    _Y("all steps, load of one", lambda v: modulus(v) / (v["n"] - 1), "per-step"),
    _Y("half the table, load of one", lambda v: modulus(v) / (v["n"] // 2), "per-step"),
    _Y("zero left out", lambda v: modulus(v, d=v["observed"]), "zero-left-out"),
    _Y("zero of wrong sign", lambda v: modulus(v, d=v["observed"] + v["z"]), "zero-wrong-sign"),
    _Y("g = 10", lambda v: modulus(v, g=10.0), "other-convention"),
    _Y("up and down added", lambda v: modulus(v) / 2, "sum-for-mean"),
    _Y("brackets", lambda v: modulus(v) * ((v["d"] / 1e3) ** 2 * v["s"] / 1e3) ** 2, "brackets"),
    _Y("d to one figure", lambda v: modulus(v, d=figures(v["d"], 1)), "rounded-on-the-way"),
    _Y("differences", lambda v: modulus(v, s=v["halves"]), "another-method", legit=True),
    _Y("loading alone", lambda v: modulus(v, s=v["loading"]), "another-method", legit=True),
    _Y("radius slip and kg", lambda v: modulus(v, g=1.0) / 4, "diameter-for-radius + weight"),
    _Y("zero left out and kg", lambda v: modulus(v, g=1.0, d=v["observed"]),
       "weight + zero-left-out"),
    Planted("wire-stretching", "zero left out", "d", lambda v: v["observed"], ("zero-left-out",)),
    Planted("wire-stretching", "zero of wrong sign", "d", lambda v: v["observed"] + v["z"],
            ("zero-wrong-sign",)),
    Planted("wire-stretching", "d in cm", "d", lambda v: v["d"] / 10, ("unit",)),
    Planted("wire-stretching", "π d²", "A", lambda v: math.pi * v["d"] ** 2,
            ("diameter-for-radius",)),
    Planted("wire-stretching", "d²/4", "A", lambda v: v["d"] ** 2 / 4, ("pi-left-out",)),
    Planted("wire-stretching", "π d/4", "A", lambda v: math.pi * v["d"] / 4, ("power-lost",)),
    Planted("wire-stretching", "A in m²", "A", lambda v: math.pi * v["d"] ** 2 / 4e6, ("unit",)),
    Planted("wire-stretching", "slope inverted", "s", lambda v: 1 / v["s"], ("slope-inverted",)),
    Planted("wire-stretching", "slope in cm/kg", "s", lambda v: v["s"] / 10, ("unit",)),
    Planted("wire-stretching", "one step, all loads", "s", lambda v: v["s"] / (v["n"] - 1),
            ("per-step",)),
    Planted("wire-stretching", "up and down added", "s", lambda v: 2 * v["s"], ("sum-for-mean",)),
    Planted("wire-stretching", "kg not newton", "Y", lambda v: modulus(v, g=1.0), ("weight",)),
    Planted("wire-stretching", "diameter as radius", "Y", lambda v: modulus(v) / 4,
            ("diameter-for-radius",)),
    Planted("wire-stretching", "L in cm", "L", lambda v: 100 * v["L"], ("unit",)),
    Planted("simple-pendulum", "slope inverted", "k", lambda v: 1 / v["k"], ("slope-inverted",)),
    Planted("simple-pendulum", "l in cm", "k", lambda v: v["k"] / 100, ("unit",)),
    Planted("simple-pendulum", "T not squared", "k", lambda v: v["not_squared"], ("power-lost",)),
    Planted("simple-pendulum", "not divided by n", "k", lambda v: v["not_divided"],
            ("left-out",)),
    Planted("simple-pendulum", "radius for diameter", "D", lambda v: v["D"] / 2,
            ("radius-given",)),
    Planted("simple-pendulum", "4π/k", "g", lambda v: 4 * math.pi / v["k"], ("pi-power-lost",)),
    Planted("simple-pendulum", "2π/k", "g", lambda v: 2 * math.pi / v["k"],
            ("number-square-lost", "number-left-out + pi-power-lost")),
    Planted("simple-pendulum", "π²/k", "g", lambda v: math.pi**2 / v["k"], ("number-left-out",)),
    Planted("simple-pendulum", "4/k", "g", lambda v: 4 / v["k"], ("pi-left-out",)),
    Planted("simple-pendulum", "slope inverted", "g", lambda v: 4 * math.pi**2 * v["k"],
            ("slope-inverted",)),
    Planted("simple-pendulum", "cm/s²", "g", lambda v: 400 * math.pi**2 / v["k"], ("unit",)),
    Planted("simple-pendulum", "g, slope inverted", "g", lambda v: 4 * math.pi**2 * v["k"],
            ("slope-inverted",), True),
)  # fmt: skip


def right(name: str, v: Values) -> Values:
    """What a careful student answers."""
    if name == "simple-pendulum":
        return {"D": v["D"], "k": v["k"], "g": 4 * math.pi**2 / v["k"]}
    area = math.pi * v["d"] ** 2 / 4
    return {"L": v["L"], "d": v["d"], "A": area, "s": v["s"], "Y": modulus(v)}


def made(one: Planted, seed: int) -> tuple[Cells, float]:
    """Cells with the wrong answer in them, and how far off it is: wrong over right."""
    rng = np.random.default_rng(seed)
    cells, v = (pendulum if one.practical == "simple-pendulum" else wire)(rng)
    digits = int(rng.choice([3, 4]))
    answers = right(one.practical, v)
    wrong = one.wrong(v)
    kept = {} if one.alone else {k: figures(a, 4) for k, a in answers.items()}
    if not one.alone:
        # what follows is worked out from it, or not given
        later = {"d": ("A", "Y"), "A": ("Y",), "s": ("Y",), "L": ("Y",), "k": ("g",), "D": ()}
        for key in later.get(one.answer, ()):
            kept.pop(key)
    kept[one.answer] = figures(wrong, digits)
    for key, value in kept.items():
        cells[f"answer.{key}"] = [value]
    return cells, wrong / answers[one.answer]


LEAST = 0.012
"""|ln| of a ratio below which a slip is within the tolerance and cannot be seen."""


def judged(one: Planted, seed: int) -> AnswerDiagnosis | None:
    """The diagnosis of a planted answer; None if the slip makes no difference this time."""
    cells, ratio = made(one, seed)
    if abs(math.log(ratio)) < LEAST:
        return None
    for found in diagnose(subject_of(one.practical, cells)):
        if found.answer.id == one.answer:
            return found
    raise AssertionError("the answer was lost")


def scores(seeds: range) -> Iterator[tuple[Planted, Counter[str]]]:
    """How often the true cause is named, and first, for each planted answer."""
    for i, one in enumerate(PLANTED):
        count: Counter[str] = Counter()
        for seed in seeds:
            found = judged(one, 1000 * seed + i)
            if found is None:
                continue
            kinds = [" + ".join(sorted(c.kind.split(" + "))) for c in found.causes]
            count["planted"] += 1
            count["named"] += any(kind in one.kinds for kind in kinds)
            count["first"] += bool(kinds) and kinds[0] in one.kinds
            count["causes"] += len(kinds)
            count["agrees"] += bool(found.agrees)
        yield one, count


def table(seeds: range) -> tuple[list[str], Counter[str]]:
    """Lines of the table, and the totals."""
    lines, total = [], Counter[str]()
    lines.append(f"{'answer':7} {'slip':32} planted  named  first  causes")
    for one, count in scores(seeds):
        total += count
        n = max(count["planted"], 1)
        lines.append(
            f"{one.answer + (' alone' if one.alone else ''):7} {one.title:32} "
            f"{count['planted']:7d} {count['named'] / n:6.1%} {count['first'] / n:6.1%} "
            f"{count['causes'] / n:6.1f}"
            + (f"  agrees {count['agrees']}" if count["agrees"] else "")
        )
    n = total["planted"]
    lines.append(
        f"{'all':40} {n:7d} {total['named'] / n:6.1%} {total['first'] / n:6.1%} "
        f"{total['causes'] / n:6.1f}"
    )
    return lines, total


if __name__ == "__main__":
    print("\n".join(table(range(int(sys.argv[1]), int(sys.argv[1]) + int(sys.argv[2])))[0]))
