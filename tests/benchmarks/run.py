"""Times as ratios to named floors, measured in turn in the same run.

    python tests/benchmarks/run.py [--quick]

A floor is work that anyone would have to do, done by a general-purpose library. Ratios are what
counts: absolute times depend on the machine. Nothing is asserted here; see README.md beside this.
"""

from __future__ import annotations

import gc
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))


def once(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare(name: str, work: Callable[[], object], floor: Callable[[], object], what: str,
            rounds: int) -> None:  # fmt: skip
    """Warm both up, then time them in turn; print medians and the median ratio."""
    for _ in range(2):
        work()
        floor()
    gc.collect()
    pairs = [(once(work), once(floor)) for _ in range(rounds)]
    ours = statistics.median(a for a, _ in pairs) * 1e3
    theirs = statistics.median(b for _, b in pairs) * 1e3
    ratio = statistics.median(a / b for a, b in pairs)
    print(f"{name:<44} {ours:8.1f} ms  {ratio:6.2f} x  {what} ({theirs:.1f} ms)")


def python(code: str) -> Callable[[], object]:
    return lambda: subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


def main(quick: bool) -> None:
    import numpy as np
    import openpyxl
    from examples import WORKBOOKS, practical, typed

    from sheetlab.course.demo import fill
    from sheetlab.metrology.montecarlo import Affine, propagate
    from sheetlab.practical.definition import Assist
    from sheetlab.practical.evaluate import evaluate_practical
    from sheetlab.practical.loader import catalogue
    from sheetlab.workbook.evaluate_file import evaluate_file
    from sheetlab.workbook.template import as_cells_show

    rounds = 3 if quick else 25
    print(f"median of {rounds} rounds; ratio to the floor named at the right\n")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for group in ("Avocet", "Sanderling"):
            source = folder / f"{group}.xlsx"
            fill(catalogue(), WORKBOOKS[group], source, Assist.CORRECTED)

            def load_and_save(source: Path = source) -> None:
                openpyxl.load_workbook(source).save(folder / "floor.xlsx")

            def evaluate(source: Path = source) -> None:
                evaluate_file(source, folder / "ours.xlsx")

            compare(
                f"evaluate one workbook, warm ({group})",
                evaluate,
                load_and_save,
                "openpyxl load + save of the same file",
                rounds,
            )
    model = practical("wire-stretching")
    observed = as_cells_show(model, typed("Avocet"))
    found = evaluate_practical(model, observed, trials=0).measurand
    assert found is not None
    sources = [row.source for row in found.budget.rows]
    leaves = {"q": Affine(found.budget.value, {r.source.key: r.sensitivity
                                               for r in found.budget.rows})}  # fmt: skip
    generator = np.random.default_rng(1)

    def bare() -> None:
        total = found.budget.value
        for row in found.budget.rows:
            spread = row.sensitivity * row.source.standard_uncertainty
            total = total + spread * generator.standard_normal(200_000)

    compare(
        f"200 000 trials, {len(sources)} sources",
        lambda: propagate([lambda q: q["q"]], leaves, sources),
        bare,
        "the same number of bare numpy normals",
        rounds,
    )
    compare(
        "sheetlab --help, cold",
        python("from sheetlab.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass"),
        python("import argparse"),
        "python with argparse",
        rounds,
    )


if __name__ == "__main__":
    main("--quick" in sys.argv)
