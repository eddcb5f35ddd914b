"""The goals for benches that the program's own inventor of readings knows nothing of."""

from __future__ import annotations

import math
import os

import pytest
from independent.run import counts, in_group, rates, run, table

COUNT = int(os.environ.get("SHEETLAB_INDEPENDENT", "1200"))
"""Workbooks, half of them clean."""
CHANCE = 3.0
"""Standard deviations of the binomial count that a rate may lie beyond its goal."""


def allowed(goal: float, n: int) -> float:
    return CHANCE * math.sqrt(goal * (1 - goal) / max(n, 1))


@pytest.fixture(scope="module")
def verdicts():
    verdicts = run(COUNT)
    print("\n" + "\n".join(table(verdicts)))
    return verdicts


@pytest.mark.slow
def test_clean_benches_are_not_doubted(verdicts):
    alarms = sum(bool(v.alarms) for v in verdicts) / len(verdicts)
    assert alarms <= 0.01 + allowed(0.01, len(verdicts))


@pytest.mark.slow
@pytest.mark.parametrize("practical", ["wire-stretching", "simple-pendulum"])
def test_coverage_of_the_stated_interval(verdicts, practical):
    mine = [v for v in verdicts if v.practical == practical]
    covered = sum(abs(v.deviation) <= 1 for v in mine) / len(mine)
    assert 0.94 - allowed(0.94, len(mine)) <= covered <= 0.96 + allowed(0.96, len(mine))


@pytest.mark.slow
@pytest.mark.parametrize("group", ["material mistakes", "what is missing"])
def test_mistakes_are_seen_and_named(verdicts, group):
    judged = [v for v in in_group(verdicts, group) if counts(v)]
    seen, named, misled = rates(judged)
    n = len(judged)
    assert seen >= 0.95 - allowed(0.95, n)
    assert named >= 0.90 - allowed(0.90, n)
    assert misled <= 0.02 + allowed(0.02, n)


@pytest.mark.slow
def test_own_results_are_judged_right(verdicts):
    judged = [v for v in in_group(verdicts, "own results") if counts(v)]
    _, named, misled = rates(judged)
    assert named >= 0.90 - allowed(0.90, len(judged))
    assert misled <= 0.02 + allowed(0.02, len(judged))
