"""Evaluate mutated workbooks and judge what came of each; ``python tests/fuzz/run.py 10000``."""

from __future__ import annotations

import io
import random
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import openpyxl
from examples import filled
from fuzz.mutate import ALL, PEOPLE, Mutation
from workbook.odf import open_document
from workbook.rich import rich

from sheetlab.practical.definition import Assist
from sheetlab.workbook.evaluate_file import FileOutcome, evaluate_file
from sheetlab.workbook.package import package_of

SLOW = 5.0
"""Seconds of a processor that no file may take."""


@cache
def sources() -> tuple[tuple[str, bytes], ...]:
    """Filled workbooks of several kinds by file name."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.xlsx"
        path.write_bytes(filled("Avocet"))
        evaluate_file(path, path)
        evaluated = path.read_bytes()
    return (
        ("avocet.xlsx", filled("Avocet")),
        ("sanderling.xlsx", filled("Sanderling", Assist.FULL)),
        ("fulmar.xlsx", filled("Fulmar", Assist.READINGS)),
        ("petrel.xlsx", filled("Petrel", Assist.FULL)),
        ("rich.xlsm", rich(filled("Avocet"), macros=True)),
        ("evaluated.xlsx", evaluated),
        ("avocet.ods", open_document(filled("Avocet"))),
        ("sanderling.ods", open_document(filled("Sanderling"))),
    )


@dataclass(frozen=True, slots=True)
class Judged:
    """One mutated file: how it was made, what came of it, and whether that is in order."""

    number: int
    kind: str
    source: str
    fate: str
    detail: str = ""
    seconds: float = 0.0
    data: bytes = b""

    @property
    def bad(self) -> bool:
        return self.fate in ("crash", "hang", "silent", "unreadable output", "source touched")


@cache
def original(name: str, data: bytes) -> FileOutcome:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        return evaluate_file(path, None, trials=0)


def judged(number: int, folder: Path, kinds: Sequence[Mutation] = ALL) -> Judged:
    """Mutate, evaluate and judge; the number alone decides what is done."""
    chance = random.Random(number)
    mutation = kinds[number % len(kinds)]
    name, data = chance.choice(
        [s for s in sources() if mutation not in PEOPLE or not s[0].endswith(".ods")]
    )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            mutated = mutation(data, chance)
    except Exception as error:  # the file library cannot save it: nothing to evaluate
        return Judged(number, mutation.__name__, name, "not made", repr(error))
    path = folder / name
    path.write_bytes(mutated)
    target = folder / "out.xlsx"
    target.unlink(missing_ok=True)
    # of this process: what else the machine does is no fault of the file
    started = time.process_time()

    def verdict(fate: str, detail: str = "") -> Judged:
        seconds = time.process_time() - started
        if seconds > SLOW:
            fate, detail = "hang", f"{seconds:.1f} s"
        bad = Judged(number, mutation.__name__, name, fate).bad
        return Judged(
            number, mutation.__name__, name, fate, detail, seconds, mutated if bad else b""
        )

    try:
        outcome = evaluate_file(path, target, trials=0)
    except BaseException:
        return verdict("crash", traceback.format_exc(limit=-4))
    done = verdict(*fate_of(outcome, original(name, data), mutated, target))
    if path.read_bytes() != mutated:
        return verdict("source touched")
    return done


def fate_of(
    outcome: FileOutcome, first: FileOutcome, mutated: bytes, target: Path
) -> tuple[str, str]:
    inner = [f for f in outcome.findings if "does not understand" in f.found]
    if inner:
        return "contained", inner[0].found
    if outcome.assessment is None:
        return "refused", outcome.findings[0].code
    if outcome.written is None:
        return "not written", outcome.findings[0].found
    problem = unreadable(target.read_bytes())
    if problem:
        return "unreadable output", problem
    told = {f.code for f in outcome.findings} - {f.code for f in first.findings}
    if told:
        return "told", ", ".join(sorted(told))
    if len(outcome.findings) > len(first.findings):
        return "told", "more of the same"
    if value(outcome) == value(first):
        return "same result", ""
    if as_in_the_file(outcome, first, mutated):
        return "another reading", ""
    return "silent", f"{value(first)} -> {value(outcome)}"


def value(outcome: FileOutcome) -> float | None:
    assert outcome.assessment is not None
    measurand = outcome.assessment.evaluation.measurand
    return None if measurand is None else measurand.budget.value


def unreadable(data: bytes) -> str:
    """What is wrong with a file that was written."""
    try:
        package_of(data, Path("out.xlsx"))
    except Exception as error:
        return repr(error)
    return ""


def as_in_the_file(outcome: FileOutcome, first: FileOutcome, mutated: bytes) -> bool:
    """Whether another reader finds the same numbers in the cells that the readings came from.

    The cells have to be those of the original: a name that points elsewhere is no other reading.
    """
    assert outcome.assessment is not None
    assert first.assessment is not None
    new, old = (o.assessment.observations.entries for o in (outcome, first))
    if set(new) != set(old):
        return False
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            book = openpyxl.load_workbook(io.BytesIO(mutated), data_only=True)
        except Exception:
            book = None
    for key in new:
        for a, b in zip(new[key], old[key], strict=False):
            if (a.value, a.text) == (b.value, b.text):
                continue
            if a.place.cell and b.place.cell and a.place.cell != b.place.cell:
                return False
            if book is None or not a.place.cell or a.value is None:
                continue
            found = book[a.place.sheet][a.place.cell].value
            if isinstance(found, int | float) and float(found) != a.value:
                return False
    return True


def run(numbers: Sequence[int]) -> Iterator[Judged]:
    with tempfile.TemporaryDirectory() as folder:
        for number in numbers:
            yield judged(number, Path(folder))


def table(found: Sequence[Judged]) -> str:
    """Counts of fates by kind of mutation."""
    fates = sorted({one.fate for one in found})
    counts = Counter((one.kind, one.fate) for one in found)
    kinds = dict.fromkeys(one.kind for one in found)
    lines = [" | ".join(["kind", *fates])]
    lines += [" | ".join([k, *(str(counts[k, f]) for f in fates)]) for k in sorted(kinds)]
    lines.append(" | ".join(["all", *(str(sum(o.fate == f for o in found)) for f in fates)]))
    lines.append(f"slowest {max(one.seconds for one in found):.2f} s")
    return "\n".join(lines)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    keep = Path(sys.argv[3]) if len(sys.argv) > 3 else None
    found = []
    for one in run(range(first, first + count)):
        found.append(one)
        if one.bad or one.fate in ("contained", "not written"):
            print(one.number, one.kind, one.source, one.fate, one.detail, flush=True)
            if keep is not None and one.data:
                (keep / f"{one.number}-{one.source}").write_bytes(one.data)
    print(table(found))


if __name__ == "__main__":
    main()
