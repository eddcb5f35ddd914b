"""A definition tried before class: wrong formulas and silent mistakes are told in a sentence."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from sheetlab.before import starter_text
from sheetlab.before.trial import (
    BENCHES,
    Trial,
    papers_of,
    sentences,
    small_letters,
    try_out,
)
from sheetlab.before.trial_pages import write_report
from sheetlab.cli import main
from sheetlab.messages import said
from sheetlab.practical.definition import Assist
from sheetlab.practical.loader import load
from sheetlab.workbook.layout import lay_out

TEXT = starter_text()
FREE = TEXT.replace(", plausible = [1, 30]", "")


def tried(text: str) -> tuple[Trial, str]:
    trial = try_out(load(text, name="track.toml"))
    return trial, "\n".join(map(said, sentences(trial)))


def test_the_starter_is_sound() -> None:
    trial, told = tried(TEXT)
    assert len(trial.benches) == BENCHES
    # of 40 benches 95 %: fewer than 35 by chance in one of 100 trials (binomial distribution)
    assert trial.covered >= 35
    assert "sign" not in told
    assert "times the truth" not in told
    assert sum(slip.planted for slip in trial.slips) > 10


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"2 / fall.slope"', '"-2 / fall.slope"', "the other sign than the truth of the bench"),
        ('"2 / fall.slope"', '"1 / fall.slope"', "divided by 2"),
        ('"2 / fall.slope"', '"8 / fall.slope"', "is 4 times the truth"),
        ('"a * long / height"', '"pi * a * long / height"', "is π times the truth"),
        ('"a * long / height"', '"1.3 * a * long / height"', "on average 1.3 times"),
    ],
)
def test_a_wrong_formula_is_one_clear_sentence(old: str, new: str, words: str) -> None:
    assert old in FREE
    _, told = tried(FREE.replace(old, new))
    assert words in told


def test_a_sign_slip_shows_both_numbers() -> None:
    _, told = tried(FREE.replace('"2 / fall.slope"', '"-2 / fall.slope"'))
    assert "truth 9.8" in told
    assert "result −9." in told


def test_without_a_bench_the_rest_is_told(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(TEXT.partition("[bench.truths]")[0], encoding="utf-8")
    trial, told = tried(own.read_text(encoding="utf-8"))
    assert "no invented bench" in told
    assert trial.papers
    assert main(["practicals", "check", str(own), "--out", str(tmp_path / "r.xlsx")]) == 0


def test_small_letters_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wide = TEXT.replace("repeats = 3", "repeats = 12").replace(
        "[tables.runs]", "[sheets]\nruns = {}\nresult = {}\n[tables.runs]"
    )
    layout = lay_out(load(wide, name="track.toml"), Assist.FULL)
    (told,) = small_letters(papers_of(layout))
    assert "runs" in told.found.lower()
    (tmp_path / "wide.toml").write_text(wide, encoding="utf-8")
    main(["issue", str(tmp_path / "wide.toml"), "--assist", "full", "--out", str(tmp_path)])
    assert "letters" in capsys.readouterr().err


def test_the_report(tmp_path: Path) -> None:
    trial, _ = tried(TEXT)
    path = tmp_path / "report.xlsx"
    path.write_bytes(write_report(trial))
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["Report", "Benches", "Planted mistakes"]
    rows = [[c.value for c in row] for row in book["Benches"].iter_rows()]
    assert sum(row[-1] == "yes" for row in rows) == trial.covered
    assert book["Planted mistakes"].max_row >= len(trial.slips)
