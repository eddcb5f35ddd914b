"""A definition tried before students see it: invented benches through everything, mistakes planted.

The benches are the definition's own: where its bench repeats a mistake of its formulas, none shows.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from statistics import median

from msgspec import Struct

from sheetlab.checks.assess import Assessment, assess
from sheetlab.finding import Finding, Severity, finding
from sheetlab.messages import Phrase, phrase
from sheetlab.metrology.agreement import Verdict
from sheetlab.metrology.statement import Decimals, percentage, significant
from sheetlab.practical.bench import Bench, applicable, simulate
from sheetlab.practical.definition import Assist
from sheetlab.practical.forward import BenchError
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.slips.table import PLANTED
from sheetlab.workbook.layout import Layout, SheetLayout, lay_out

BENCHES, PLANTINGS = 40, 4
SMALLEST_LETTERS = 7.0
"""Points below which print is hard to read on paper: common practice, no source."""
BODY = 10.0
"""Points of most letters of a sheet."""
ACROSS = {False: 523.0, True: 770.0}
"""Points between the margins of an upright and a lying A4 page."""
FACTORS = (("2", 2.0), ("4", 4.0), ("π", math.pi), ("1000", 1e3), ("100", 100.0), ("10", 10.0),
           ("10⁶", 1e6), ("60", 60.0), ("180/π", 180.0 / math.pi))  # fmt: skip
CLOSE = 0.02
"""Relative distance within which a ratio is one of these factors."""
MATERIAL = 1.0
"""Change of a result, in its expanded uncertainty, from which a mistake matters."""


class Paper(Struct, frozen=True):
    """A blank sheet on paper."""

    title: str
    lies: bool
    letters: float
    """Height of most letters, in points."""


class BenchTrial(Struct, frozen=True):
    """A careful bench: truth and result of the measurand in SI units, and what was asked."""

    truth: float
    value: float
    expanded: float
    codes: tuple[str, ...]
    accepted: Verdict | None


class SlipTrial(Struct, frozen=True):
    """A mistake planted in some benches."""

    slip: str
    planted: int
    seen: int
    matters: int
    """Benches whose result it changed by more than its uncertainty."""
    silent: int
    """Benches whose result it changed by more than its uncertainty, and nothing was asked."""

    @property
    def what(self) -> str:
        """What goes wrong."""
        return PLANTED[self.slip].what


class Trial(Struct, frozen=True):
    """All that came of it."""

    practical: Practical
    papers: tuple[Paper, ...]
    benches: tuple[BenchTrial, ...]
    slips: tuple[SlipTrial, ...]
    sample: Assessment | None
    """Of the first bench."""

    @property
    def covered(self) -> int:
        """Benches whose interval holds the truth."""
        return sum(abs(b.value - b.truth) <= b.expanded for b in self.benches)

    @property
    def asked(self) -> Counter[str]:
        """Careful benches that were asked something, by code."""
        return Counter(code for bench in self.benches for code in bench.codes)


def try_out(practical: Practical, progress: Callable[[int, int], None] | None = None) -> Trial:
    """Try a practical on benches of its own.

    Parameters
    ----------
    progress
        Told how many of all benches are done.
    """
    papers = papers_of(lay_out(practical, Assist.FULL))
    if practical.forward is None:
        return Trial(practical, papers, (), (), None)
    slips = applicable(practical)
    whole, done = BENCHES + len(slips), 0
    benches = []
    clean: list[Assessment | None] = []
    for seed in range(BENCHES):
        bench, assessment = _assessed(practical, seed, ())
        clean.append(assessment)
        benches += [trial] if (trial := _bench_trial(bench, assessment)) else []
        done += 1
        if progress:
            progress(done, whole)
    planted = []
    for slip in slips:
        planted.append(_planted(practical, slip, clean[:PLANTINGS]))
        done += 1
        if progress:
            progress(done, whole)
    sample = next(filter(None, clean), None)
    return Trial(practical, papers, tuple(benches), tuple(planted), sample)


def _assessed(
    practical: Practical, seed: int, slips: Sequence[str]
) -> tuple[Bench | None, Assessment | None]:
    try:
        bench = simulate(practical, seed, slips, shared_errors=True)
    except BenchError:
        return None, None
    return bench, assess(practical, as_cells_show(practical, bench.cells), trials=0)


def _bench_trial(bench: Bench | None, assessment: Assessment | None) -> BenchTrial | None:
    if bench is None or assessment is None or assessment.evaluation.measurand is None:
        return None
    result = assessment.evaluation.measurand
    return BenchTrial(
        bench.truths[result.definition.quantity],
        result.budget.value,
        result.budget.expanded_uncertainty,
        _codes(assessment),
        None if result.accepted is None else result.accepted.verdict,
    )


def _codes(assessment: Assessment) -> tuple[str, ...]:
    told = [f.code for f in assessment.findings if f.severity is not Severity.NOTE]
    return tuple(dict.fromkeys(told))


def _planted(practical: Practical, slip: str, without: Sequence[Assessment | None]) -> SlipTrial:
    """A slip in the first benches; ``without``: these benches as they are without it."""
    planted = seen = matters = silent = 0
    for seed, clean in enumerate(without):
        _, dirty = _assessed(practical, seed, [slip])
        if clean is None or dirty is None:
            continue
        planted += 1
        before, after = clean.evaluation.measurand, dirty.evaluation.measurand
        before_it, with_it = ({f.code for f in one.findings} for one in (clean, dirty))
        told = bool(with_it - before_it)
        seen += told
        if before is None or after is None:
            continue
        moved = abs(after.budget.value - before.budget.value)
        ends = (before.budget.expanded_uncertainty, after.budget.expanded_uncertainty)
        if moved > MATERIAL * min(ends):
            matters += 1
            silent += not told
    return SlipTrial(slip, planted, seen, matters, silent)


def papers_of(layout: Layout) -> tuple[Paper, ...]:
    """The sheets of a layout on paper."""
    return tuple(map(_paper, layout.sheets))


def _paper(sheet: SheetLayout) -> Paper:
    """How a sheet comes out on A4, as wide as the page (a digit is 7 pixels of 3/4 point)."""
    wide = sheet.columns * (sheet.column_width * 7.0 + 5.0) * 0.75
    return Paper(sheet.title, sheet.landscape, BODY * min(1.0, ACROSS[sheet.landscape] / wide))


def small_letters(papers: Iterable[Paper]) -> list[Finding]:
    """Sheets whose letters are hard to read on paper."""
    small = [paper for paper in papers if round(paper.letters, 1) < SMALLEST_LETTERS]
    least = Decimals(f"{SMALLEST_LETTERS:g}")
    return [
        finding(
            "letters-small", Severity.NOTE, sheet=paper.title, lies=str(paper.lies), least=least,
            points=Decimals(f"{paper.letters:.1f}"),
        )
        for paper in small
    ]  # fmt: skip


def truth_against_result(trial: Trial) -> Phrase | None:
    """What is wrong with the formula as a whole, if the benches show it; None if nothing is."""
    pairs = [(b.truth, b.value) for b in trial.benches if b.truth and b.value]
    if not pairs:
        return None
    ratio = median(value / truth for truth, value in pairs)
    off = median(abs(b.value - b.truth) / (b.expanded or math.inf) for b in trial.benches)
    truth, value = (_shown(trial, number) for number in pairs[0])
    if ratio < 0.0:
        return phrase("trial-other-sign", truth=truth, value=value)
    if off <= 1.0:
        return None
    for name, factor in FACTORS:
        if abs(ratio / factor - 1.0) < CLOSE:
            return phrase("trial-times", factor=name, truth=truth, value=value)
        if abs(ratio * factor - 1.0) < CLOSE:
            return phrase("trial-divided", factor=name, truth=truth, value=value)
    return phrase("trial-off", truth=truth, value=value, ratio=Decimals(f"{ratio:.3g}"))


def _shown(trial: Trial, value: float) -> Decimals:
    key = trial.practical.definition.results[0].quantity
    unit = trial.practical.derived[key].unit
    return Decimals(f"{significant(unit.from_si(value), 4)} {unit.pretty}".strip())


def sentences(trial: Trial) -> list[Phrase]:
    """What a teacher has to know first."""
    if not trial.benches:
        return [phrase("trial-no-bench")]
    count = len(trial.benches)
    out = [wrong] if (wrong := truth_against_result(trial)) else []
    out.append(phrase("trial-covered", covered=trial.covered, count=count))
    asked = sum(bool(bench.codes) for bench in trial.benches)
    codes = ", ".join(f"{code} ({times})" for code, times in trial.asked.most_common())
    out.append(phrase("trial-asked", asked=asked, count=count, codes=codes))
    silent = [slip.what for slip in trial.slips if slip.silent]
    planted, matters, quiet = (
        sum(getattr(slip, key) for slip in trial.slips) for key in ("planted", "matters", "silent")
    )
    out.append(phrase("trial-planted", seen=matters - quiet, matters=matters, planted=planted))
    out += [phrase("trial-silent", what=what) for what in silent]
    far = sum(bench.accepted == "differs" for bench in trial.benches)
    compared = sum(bench.accepted is not None for bench in trial.benches)
    if compared:
        out.append(phrase("trial-accepted", near=compared - far, count=compared))
    relative = median(abs(b.expanded / b.value) for b in trial.benches if b.value)
    return [*out, phrase("trial-uncertainty", share=percentage(relative))]
