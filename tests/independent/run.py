"""The three rates over independent benches: mistakes seen, named first, misleading; false alarms
and coverage on clean benches.

    python tests/independent/run.py [--count 2000] [--practical ID] [--kind WORDS] [--out FILE]
                                    [--jobs 2] [--seed 1] [--show]

Each bench is two workbooks: clean, and with one mistake on the same chance events.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent)]
# for the command that issues the blank workbooks
os.environ["PYTHONPATH"] = os.pathsep.join([str(TESTS.parent), os.environ.get("PYTHONPATH", "")])

from independent.filling import issued  # noqa: E402
from independent.judge import ONE_WAY, Verdict, judge  # noqa: E402
from independent.mistakes import BY_PRACTICAL, Kind  # noqa: E402

MATERIAL = 0.5
"""A mistake counts if it moves the result by this part of its expanded uncertainty."""
TOLD = {
    "material mistakes": ("material", "always"), "what is missing": ("missing",),
    "own results": ("own", "convention", "right"),
}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description="three rates over independent benches")
    parser.add_argument("--count", type=int, default=2000, help="workbooks (usual: 2000)")
    parser.add_argument("--practical", default="", help="only this one")
    parser.add_argument("--kind", default="", help="only mistakes with this in their name")
    parser.add_argument("--out", type=Path, help="file for the table as well")
    parser.add_argument("--jobs", type=int, default=2, help="processes (usual: 2)")
    parser.add_argument("--seed", type=int, default=1, help="first seed (usual: 1)")
    parser.add_argument("--show", action="store_true", help="what was said of each mistake as well")
    options = parser.parse_args()
    verdicts = run(options.count, options.jobs, options.practical, options.kind, options.seed)
    text = "\n".join(table(verdicts))
    print(text)
    if options.show:
        print("\n".join(shown(verdicts)))
    if options.out:
        options.out.write_text(text + "\n", encoding="utf-8")


def run(
    count: int, jobs: int = 2, practical: str = "", words: str = "", seed: int = 1
) -> list[Verdict]:
    """Judge ``count`` workbooks, every kind of mistake in turn."""
    kinds = [
        (name, kind)
        for name, kinds in BY_PRACTICAL.items() if practical in name
        for kind in kinds if words in kind
    ]  # fmt: skip
    benches = [(*kinds[i % len(kinds)], seed + i // len(kinds)) for i in range(count // 2)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for one in {practical for practical, _, _ in benches}:
            issued(one, folder)
        if jobs == 1:
            return [judge(*bench, folder) for bench in benches]
        with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:
            return list(pool.map(judge, *zip(*benches, strict=True), [folder] * len(benches),
                                 chunksize=8))  # fmt: skip


def kind_of(verdict: Verdict) -> Kind:
    """The row of the table of mistakes."""
    return BY_PRACTICAL[verdict.practical][verdict.kind.removesuffix(ONE_WAY)]


def counts(verdict: Verdict) -> bool:
    """Whether its mistake is one that has to be seen: material, on a bench without an alarm."""
    material = kind_of(verdict).told != "material" or verdict.moved >= MATERIAL
    return material and not verdict.alarms


def rates(verdicts: Sequence[Verdict]) -> tuple[float, float, float]:
    """Seen, named first, misled: fractions of the mistakes that count."""
    n = max(1, len(verdicts))
    return (
        sum(v.seen for v in verdicts) / n,
        sum(v.named for v in verdicts) / n,
        sum(v.misled for v in verdicts) / n,
    )


def table(verdicts: Sequence[Verdict]) -> Iterator[str]:
    """The three rates as text."""
    for practical in BY_PRACTICAL:
        mine = [v for v in verdicts if v.practical == practical]
        if mine:
            yield from _of(practical, mine)
    yield ""
    for group in TOLD:
        yield _row(f"all: {group}", in_group(verdicts, group))


def in_group(verdicts: Sequence[Verdict], group: str) -> list[Verdict]:
    """Those of a group of mistakes."""
    return [v for v in verdicts if kind_of(v).told in TOLD[group]]


def _of(practical: str, mine: Sequence[Verdict]) -> Iterator[str]:
    yield f"{practical}: {2 * len(mine)} workbooks"
    doubtful = [v for v in mine if v.alarms]
    results = [v for v in mine if not math.isnan(v.deviation)]
    inside = sum(abs(v.deviation) <= 1 for v in mine)
    rms = (sum(v.relative**2 for v in results) / len(results)) ** 0.5
    yield (
        f"  clean: {len(doubtful)} of {len(mine)} doubtful ({len(doubtful) / len(mine):.1%}); "
        f"95 % interval holds the truth in {inside / len(mine):.1%}; u / rms error {1 / rms:.2f}"
    )
    for code, n in Counter(code for v in mine for code in set(v.alarms)).most_common():
        yield f"    {code}: {n}"
    yield f"  {'mistake':44} planted count  seen named misled"
    for kind in dict.fromkeys(sorted(v.kind for v in mine)):
        yield _row(kind, [v for v in mine if v.kind == kind])


def _row(label: str, verdicts: Sequence[Verdict]) -> str:
    judged = [v for v in verdicts if counts(v)]
    head = f"  {label:44} {len(verdicts):7d} {len(judged):5d}"
    if not judged:
        return head
    seen, named, misled = rates(judged)
    return f"{head} {seen:5.0%} {named:5.0%} {misled:6.0%}"


def shown(verdicts: Sequence[Verdict]) -> Iterator[str]:
    """What was said of each mistake that counts."""
    for v in verdicts:
        if counts(v):
            said = {v.named: "named", v.misled: "misled", not v.seen: "silent"}
            what = said.get(True, "seen")
            yield f"\n{v.kind}, seed {v.seed}: {what}, moved {v.moved:.2f} U"
            yield from (f"    {line}" for line in v.said[:4])


if __name__ == "__main__":
    main()
