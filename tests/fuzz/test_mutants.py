"""Part of the long runs of this folder, on every full run; SHEETLAB_MUTANTS and _KILLS for more."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest
from fuzz import moments
from fuzz.kills import kills
from fuzz.run import fate_of, original, run, sources, table
from msgspec.structs import replace

from sheetlab.workbook import evaluate_file as module
from sheetlab.workbook.evaluate_file import evaluate_file
from sheetlab.workbook.reader import Filled

pytestmark = pytest.mark.slow

MUTANTS = int(os.environ.get("SHEETLAB_MUTANTS", "270"))
KILLS = int(os.environ.get("SHEETLAB_KILLS", "40"))
FIRST = 100_000
"""Not those of the long run: new files, the same ones each time."""


def test_mutated_workbooks_do_no_harm() -> None:
    """No crash, no hang, no wrong number without a finding, no source touched."""
    found = list(run(range(FIRST, FIRST + MUTANTS)))
    print(table(found))
    bad = [(one.number, one.kind, one.source, one.fate, one.detail) for one in found if one.bad]
    assert not bad
    fates = Counter(one.fate for one in found)
    assert len(sources()) == 8
    # the mutations do something: they are not all the same file
    assert fates["refused"] > MUTANTS / 10
    assert fates["told"] > MUTANTS / 10
    assert fates["contained"] <= MUTANTS / 50


def test_the_judge_sees_a_silent_wrong_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader that is one division off gives a wrong number that no finding tells."""
    name, data = sources()[0]
    first = original(name, data)
    assert first.assessment is not None
    length = next(
        key
        for key, found in first.assessment.observations.entries.items()
        if key.startswith("length.") and found[0].value is not None
    )
    real = module.read_workbook

    def slightly_wrong(path: Path) -> Filled:
        found = real(path)
        value = found.observations.entry(length).value
        assert value is not None
        wrong = found.observations.changed({(length, None): value + 0.1})
        return replace(found, observations=wrong)

    path, target = tmp_path / name, tmp_path / "out.xlsx"
    path.write_bytes(data)
    assert fate_of(evaluate_file(path, target, trials=0), first, data, target)[0] == "same result"
    monkeypatch.setattr(module, "read_workbook", slightly_wrong)
    assert fate_of(evaluate_file(path, target, trials=0), first, data, target)[0] == "silent"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills are sent to forked programs")
def test_kills_while_saving_leave_whole_files() -> None:
    counts, wrong = kills(KILLS)
    print(dict(counts))
    assert not wrong
    assert counts["killed"] == KILLS


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills are sent to forked programs")
@pytest.mark.parametrize("work", moments.WORKS, ids=lambda work: work.name)
def test_a_kill_at_a_moment_of_writing_loses_nothing(work: moments.Work) -> None:
    """Temporary file, fsync, rename, statements of the database, list of codes, workbook."""
    found = list(moments.kills(work, max(1, KILLS // len(moments.WORKS))))
    assert found
    assert [(number, name, wrong) for number, name, wrong in found if wrong] == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills are sent to forked programs")
def test_the_judge_of_kills_sees_a_file_that_is_gone_for_a_moment(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real = Path.replace

    def in_two_steps(self: Path, target: Path) -> Path:
        Path(target).unlink(missing_ok=True)
        return real(self, target)

    monkeypatch.setattr(Path, "replace", in_two_steps)
    (work,) = (work for work in moments.WORKS if work.name == "evaluate --in-place")
    wrong = {name for _, name, wrong in moments.kills(work, 1000) if wrong}
    assert wrong == {"os.rename temporary file"}
