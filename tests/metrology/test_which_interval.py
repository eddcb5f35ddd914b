"""± U or the interval of the trials: which of them covers 95 %, where they differ?

Experiments are repeated in plain numpy: readings are drawn, budget and trials made from them, and
the truth is looked for in both intervals. `pytest -m slow -n 0 -s` prints the table.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from sheetlab.metrology.budget import Source, budget, coverage_factor
from sheetlab.metrology.montecarlo import Affine, Reason, propagate, validate

EXPERIMENTS = 600
TRIALS = 4000


@dataclass(frozen=True)
class Case:
    """A measurement: how its inputs err, and what is worked out from them."""

    title: str
    inputs: Sequence[tuple[float, float, int]]
    """True value; standard deviation of a reading, or half-width; readings (0: half-width)."""
    formula: Callable[..., Any]
    reason: Reason
    fixed: float = 0.0
    """Coverage factor by agreement; 0: from Student's t."""


def total(*x: Any) -> Any:
    return sum(x)


CASES = [
    Case("two means of 3", [(0, 1, 3)] * 2, total, "few"),
    Case("two means of 5", [(0, 1, 5)] * 2, total, "few"),
    Case("three means of 4", [(0, 1, 4)] * 3, total, "few"),
    Case("means of 5 and 6, and a limit", [(0, 1, 5), (0, 0.8, 6), (0, 0.4, 0)], total, "few"),
    Case("one limit", [(0, 1, 0)], total, "bounded"),
    Case("one limit, and a mean", [(0, 1, 0), (0, 0.2, 5)], total, "bounded"),
    Case("1/x of a limit", [(1, 0.5, 0)], lambda x: 1.0 / x, "bent"),
    Case("1/x of a mean of 20", [(1, 1.2, 20)], lambda x: 1.0 / x, "bent"),
    Case("x² of a mean of 10", [(1, 1.0, 10)], lambda x: x * x, "bent"),
    Case("exp of a mean of 5", [(0, 0.7, 5)], np.exp, "bent"),
    Case("two means of 5, k = 2", [(0, 1, 5)] * 2, total, "few", 2.0),
    Case("one mean of 4, k = 2", [(0, 1, 4)], total, "few", 2.0),
]


@dataclass(frozen=True)
class Outcome:
    reason: Reason
    by_budget: bool
    by_student: bool
    """With the factor of Student's t, whatever was agreed."""
    by_trials: bool


def experiment(case: Case, rng: np.random.Generator, seed: int) -> Outcome:
    sources, estimates = [], []
    for i, (true, size, n) in enumerate(case.inputs):
        if n:
            readings = true + size * rng.standard_normal(n)
            estimates.append(float(readings.mean()))
            u = float(readings.std(ddof=1)) / math.sqrt(n)
            sources.append(Source(f"x{i}", "", "A", "t", u, n - 1))
        else:
            estimates.append(float(true + rng.uniform(-size, size)))
            sources.append(Source(f"x{i}", "", "B", "rectangular", size / math.sqrt(3.0)))
    value, step = float(case.formula(*estimates)), 1e-6
    slopes = [
        (case.formula(*(x + step * (i == k) for k, x in enumerate(estimates))) - value) / step
        for i in range(len(estimates))
    ]
    stated = budget(value, list(zip(sources, map(float, slopes), strict=True)), 0.95, case.fixed)
    (trials,) = propagate(
        [lambda samples: case.formula(*(samples[s.key] for s in sources))],
        {s.key: Affine(x, {s.key: 1.0}) for s, x in zip(sources, estimates, strict=True)},
        sources,
        TRIALS,
        seed,
    )
    truth = float(case.formula(*(true for true, _, _ in case.inputs)))
    return Outcome(
        validate(stated, trials, seed=seed + 1, number=TRIALS).reason,
        abs(value - truth) <= stated.expanded_uncertainty,
        abs(value - truth) <= coverage_factor(stated.effective_dof) * stated.standard_uncertainty,
        trials.low <= truth <= trials.high,
    )


@pytest.mark.slow
def test_what_is_advised_is_what_simulation_shows_to_be_better() -> None:
    rows = []
    for k, case in enumerate(CASES):
        rng = np.random.default_rng((20, k))
        found = [experiment(case, rng, 2 * seed) for seed in range(EXPERIMENTS)]
        differ = [one for one in found if one.reason == case.reason]
        covered = [
            100.0 * float(np.mean([getattr(one, name) for one in differ]))
            for name in ("by_budget", "by_student", "by_trials")
        ]
        rows.append((case, len(differ) / len(found), covered))
        other = sum(one.reason not in ("", case.reason) for one in found)
        assert other <= 0.25 * len(found), case.title
    print(f"\n{'where they differ':30} {'why':8} part    ± U  by t's k  trials  quote")
    for case, part, (by_budget, by_student, by_trials) in rows:
        quote = "trials" if case.reason != "few" else "k from t" if case.fixed else "± U"
        print(
            f"{case.title:30} {case.reason:8} {100 * part:3.0f}%  {by_budget:5.1f}%  "
            f"{by_student:5.1f}%  {by_trials:5.1f}%  {quote}"
        )
    for case, part, (by_budget, by_student, by_trials) in rows:
        assert part > 0.1, case.title
        advised = by_student if case.reason == "few" else by_trials
        # standard error of a coverage here: about 1 %
        for other in (by_budget, by_student, by_trials):
            assert abs(advised - 95.0) <= abs(other - 95.0) + 1.0, case.title
        assert 93.0 <= advised <= 97.5, case.title


def test_one_mean_has_the_same_interval_either_way() -> None:
    """JCGM 101:2008, 6.4.9.2: t with n - 1 degrees of freedom is Student's interval."""
    source = Source("x", "", "A", "t", 1.0, 4)
    stated = budget(0.0, [(source, 1.0)])
    (trials,) = propagate([lambda s: s["y"]], {"y": Affine(0.0, {"x": 1.0})}, [source], 100_000)
    assert validate(stated, trials).reason == ""


def test_few_readings_are_told_from_a_formula_that_bends() -> None:
    """The sum of two t with 4 degrees of freedom is 21 % wider than t with 8 (by simulation)."""
    sources = [Source(key, "", "A", "t", 1.0, 4) for key in "ab"]
    stated = budget(100.0, [(source, 1.0) for source in sources])
    leaves = {s.key: Affine(50.0, {s.key: 1.0}) for s in sources}

    def straight(samples: Any) -> Any:
        return samples["a"] + samples["b"]

    def bent(samples: Any) -> Any:
        total = samples["a"] + samples["b"]
        return total + 0.1 * (total - 100.0) ** 2

    few, bends = (
        validate(stated, propagate([model], leaves, sources, 100_000)[0])
        for model in (straight, bent)
    )
    assert (few.reason, bends.reason) == ("few", "bent")
    assert few.wider == pytest.approx(0.21, abs=0.02)
