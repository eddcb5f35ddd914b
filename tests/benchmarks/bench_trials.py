"""Propagation of distributions: a million trials, and as many as a result asks for."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from examples import CAREFUL, practical, typed
from measure import Case, Task

from sheetlab.metrology.budget import Budget
from sheetlab.metrology.montecarlo import MOST_TRIALS, TRIALS, Affine, Propagated, propagate
from sheetlab.practical.evaluate import evaluate_practical
from sheetlab.workbook.template import as_cells_show

MILLION = 1_000_000
BLOCK = 10_000


@cache
def budget_of(name: str) -> Budget:
    model = practical(name)
    found = evaluate_practical(model, as_cells_show(model, typed(CAREFUL[name])), trials=0)
    assert found.measurand is not None
    return found.measurand.budget


def ours(name: str, trials: int, most: int = 0) -> Propagated:
    found = budget_of(name)
    sensitivities = {row.source.key: row.sensitivity for row in found.rows}
    leaves = {"q": Affine(found.value, sensitivities)}
    sources = [row.source for row in found.rows]
    return propagate([lambda q: q["q"]], leaves, sources, trials, most=most)[0]


def bare(name: str, trials: int) -> Any:
    """Normal deviates for every source, scaled and added up: no shapes, no intervals."""
    found, generator = budget_of(name), np.random.default_rng(1)
    total = np.full(trials, found.value)
    for row in found.rows:
        spread = row.sensitivity * row.source.standard_uncertainty
        # in blocks, as anyone would who has seen the memory
        for start in range(0, trials, BLOCK):
            block = total[start : start + BLOCK]
            block += spread * generator.standard_normal(len(block))
    return total


def cases(folder: Path, most: int) -> Iterator[Case]:
    for name in CAREFUL:
        count = len(budget_of(name).rows)
        yield Case(
            f"a million, {count} sources",
            Task(ours, (name, MILLION)),
            Task(bare, (name, MILLION)),
            "as many bare normals from numpy, added up",
            rounds=9,
        )
    for name in CAREFUL:
        needed = ours(name, TRIALS, MOST_TRIALS).trials
        yield Case(
            f"as an evaluation asks, {name}",
            Task(ours, (name, TRIALS, MOST_TRIALS)),
            Task(bare, (name, needed)),
            f"{needed:,} of the same",
        )
