"""Virtual benches with planted mistakes: how many are seen, how many are named, false alarms.

    pytest -m slow -n 0 -s tests/checks/test_recall.py        # prints the table

The rules were tuned on seeds below 5 000; what is reported here begins at 20 000. A mistake matters
if it moves the result by more than its standard uncertainty, or a reading by a whole step of the
main scale.
"""

from __future__ import annotations

import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import pytest
from examples import practical
from scipy.stats import binomtest

from sheetlab.checks.assess import assess
from sheetlab.finding import Severity
from sheetlab.practical.bench import BenchError, applicable, simulate
from sheetlab.workbook.template import as_cells_show

FIRST = 20_000
COUNT = int(os.environ.get("SHEETLAB_BENCHES", "2000"))
PARTS = 4
WIRE, PENDULUM = "wire-stretching", "simple-pendulum"

NAMES: dict[str, tuple[str, ...]] = {
    # habit: texts of which one stands in the code or the words of a finding that names it
    "main-step": ("one step (",),
    "half-step": ("half a step",),
    "repeat-step": ("one step (",),
    "block-shifted": ("block-shifted",),
    "digits-swapped": ("swapped",),
    "ten-divisions": ("ten off",),
    "scale-backwards": ("counted backwards",),
    "wrong-divisions": ("divisions-doubtful", "coincidence-outside-scale", "divisions, not"),
    "zero-forgotten": ("zero readings taken",),
    "zero-side": ("zero-error-large", "right side"),
    "zero-sign": ("zero-side-doubtful",),
    "slip": ("slip",),
    "kink-at-start": ("kink",),
    "yield-at-end": ("yield-at-end",),
    "backlash": ("backlash",),
    "permanent-set": ("permanent set",),
    "friction": ("friction",),
    "drift": ("drift",),
    "load-not-recorded": ("load-not-recorded",),
    "unit-slip": ("unit of the heading", "wrong unit", ", not in "),
    "count-off": ("swings were counted in each timing",),
}
VISIBLE = tuple(h for h in NAMES if h not in ("scale-backwards", "wrong-divisions"))
"""A scale counted backwards or with the wrong number of divisions leaves a line straight where
readings advance by nearly whole turns, and a diameter within the register's 3 %."""
MATTER = ("repeat-step", "unit-slip", "count-off")
"""Of the pendulum: the others change the diameter of the bob, which the slope does not know."""
WHOLE_STEPS = ("main-step", "repeat-step", "block-shifted")


@dataclass
class Tally:
    """What was seen of one kind of mistake."""

    benches: int = 0
    matter: int = 0
    seen: int = 0
    named: int = 0
    seen_at_all: int = 0
    first: Counter[str] | None = None


def tally(task: tuple[str, str, int, int]) -> Tally:
    name, habit, first, count = task
    model = practical(name)
    found = Tally(first=Counter())
    for seed in range(first, first + count):
        try:
            bench = simulate(model, seed, [habit] if habit else ())
        except BenchError:
            continue
        assessed = assess(model, as_cells_show(model, bench.cells), trials=0)
        doubtful = [f for f in assessed.findings if f.severity is not Severity.NOTE]
        found.benches += 1
        found.seen_at_all += bool(doubtful)
        assert found.first is not None
        found.first[doubtful[0].code if doubtful else "nothing"] += 1
        if not habit or not _matters(habit, bench.planted[0].effect, assessed):
            continue
        found.matter += 1
        found.seen += bool(doubtful)
        text = " ".join(f"{f.code} {f.message}" for f in doubtful).lower()
        found.named += any(word in text for word in NAMES.get(habit, ()))
    return found


def _matters(habit: str, effect: float, assessed) -> bool:
    if habit in WHOLE_STEPS:
        return True
    result = assessed.evaluation.measurand
    if result is None or effect == 0.0:
        return True
    return abs(effect - 1.0) * abs(result.budget.value) > result.budget.standard_uncertainty


def table(tasks: list[tuple[str, str]]) -> dict[tuple[str, str], Tally]:
    share = -(-COUNT // PARTS)
    jobs = [(*t, FIRST + k * share, share) for t in tasks for k in range(PARTS)]
    out: dict[tuple[str, str], Tally] = {}
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for job, part in zip(jobs, pool.map(tally, jobs), strict=True):
            whole = out.setdefault(job[:2], Tally(first=Counter()))
            whole.benches += part.benches
            whole.matter += part.matter
            whole.seen += part.seen
            whole.named += part.named
            whole.seen_at_all += part.seen_at_all
            assert whole.first is not None
            whole.first.update(part.first or {})
    return out


@pytest.fixture(scope="module")
def tallies() -> dict[tuple[str, str], Tally]:
    tasks = [(name, "") for name in (WIRE, PENDULUM)]
    for name in (WIRE, PENDULUM):
        habits = applicable(practical(name))
        tasks += [(name, h) for h in habits if h in NAMES and (name == WIRE or h in MATTER)]
    found = table(tasks)
    print(f"\n{'practical':<16} {'mistake':<16} {'benches':>7} {'matter':>6} {'seen':>7} "
          f"{'named':>7}  first findings")  # fmt: skip
    for (name, habit), t in found.items():
        seen, named = (
            f"{100 * n / t.matter:.1f} %" if t.matter else "–" for n in (t.seen, t.named)
        )
        most = ", ".join(f"{code} {n}" for code, n in (t.first or Counter()).most_common(4))
        print(f"{name:<16} {habit or '(clean)':<16} {t.benches:>7} {t.matter:>6} {seen:>7} "
              f"{named:>7}  {most}")  # fmt: skip
    return found


CHANCE = 1e-3
"""A share is refused if benches that just keep it would give so bad a count with this probability:
a part of the benches (`SHEETLAB_BENCHES`) must not fail by its size alone."""


def falls_short(count: int, of: int, share: float) -> bool:
    return bool(of) and binomtest(count, of, share, alternative="less").pvalue < CHANCE


@pytest.mark.slow
class TestRecall:
    def test_clean_benches_have_at_most_one_false_warning_in_a_hundred(self, tallies) -> None:
        for name in (WIRE, PENDULUM):
            clean = tallies[name, ""]
            assert clean.benches >= COUNT
            quiet = clean.benches - clean.seen_at_all
            assert not falls_short(quiet, clean.benches, 0.99), clean

    def test_mistakes_that_matter_are_seen(self, tallies) -> None:
        for (_, habit), t in tallies.items():
            if habit in VISIBLE:
                assert not falls_short(t.seen, t.matter, 0.95), (habit, t)

    def test_mistakes_that_are_seen_are_named(self, tallies) -> None:
        for (_, habit), t in tallies.items():
            if habit in VISIBLE:
                assert not falls_short(t.named, t.matter, 0.90), (habit, t)

    def test_scales_in_doubt_are_mostly_seen(self, tallies) -> None:
        for habit in ("scale-backwards", "wrong-divisions"):
            t = tallies[WIRE, habit]
            assert not falls_short(t.seen, t.matter, 0.75), t
