"""The commands, as a user types them."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest
from examples import DOUBTFUL, SHIPPED, WORKBOOKS, filled
from workbook.tamper import edited

from sheetlab import __version__
from sheetlab.before.practice import practice_set
from sheetlab.classes import demo
from sheetlab.cli import COMMANDS, main, parser
from sheetlab.commands import lesson
from sheetlab.practical.loader import catalogue
from sheetlab.workbook.layout import IDENTITY

ROOT = Path(__file__).parents[1]


FOUR = ("Avocet", "Fulmar", "Sanderling", "Ruff")
"""Of both practicals one without and one with mistakes."""


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    status = main([str(a) for a in arguments])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


def test_practicals(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "practicals")
    assert status == 0
    assert [line.split()[0] for line in out.splitlines()] == list(SHIPPED)


def test_issue_one_blank_and_one_for_each_group(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, out, _ = run(capsys, "issue", "wire-stretching", "--out", tmp_path / "a")
    assert status == 0
    assert out.split("/")[-1].strip() == "wire-stretching.xlsx"
    roster = tmp_path / "roster.csv"
    roster.write_text("group,setup\nNorth,W1\nSouth,W2\n")
    status, out, _ = run(
        capsys, "issue", "wire-stretching", "--out", tmp_path / "b", "--roster", roster,
        "--assist", "full", "--runs", 2,
    )  # fmt: skip
    assert status == 0
    assert len(out.splitlines()) == 2
    status, _, err = run(
        capsys, "issue", "wire-stretching", "--out", tmp_path / "b", "--roster", roster
    )
    assert status == 2
    assert "left as it is" in err


@pytest.mark.parametrize(
    "arguments",
    [
        ("issue", "no-such", "--out", "x"),
        ("issue", "wire-stretching", "--out", "x", "--roster", "missing.csv"),
    ],
)
def test_issue_refuses(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    status, out, err = run(capsys, *[str(tmp_path / a) if a == "x" else a for a in arguments])
    assert status == 2
    assert not out
    assert "Expected: " in err


def folder_of(tmp_path: Path, **files: bytes) -> Path:
    folder = tmp_path / "filled"
    folder.mkdir()
    for name, data in files.items():
        (folder / f"{name}.xlsx").write_bytes(data)
    return folder


KEYS = {
    "practical", "workbook", "status", "measurand", "maximum_error", "quantities", "line",
    "budget", "accepted", "findings",
}  # fmt: skip
MEASURAND_KEYS = {
    "symbol", "value", "unit", "standard_uncertainty", "effective_degrees_of_freedom",
    "coverage_factor", "expanded_uncertainty", "coverage_probability", "statement",
}  # fmt: skip


def test_json_has_one_object_a_workbook(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = folder_of(tmp_path, **{group: filled(group) for group in FOUR})
    status, out, err = run(capsys, "evaluate", folder, "--json")
    assert status == 0
    assert not err
    records = [json.loads(line) for line in out.splitlines()]
    assert len(records) == len(FOUR)
    for made in records:
        assert set(made) >= KEYS
        assert set(made["measurand"]) >= MEASURAND_KEYS
        assert {"slope", "intercept", "u_slope", "u_intercept", "residual_standard_deviation"} <= (
            set(made["line"])
        )
        assert {"value", "unit", "source", "percent_difference"} <= set(made["accepted"])
        for finding in made["findings"]:
            assert set(finding) == {"code", "severity", "sheet", "cell", "message"}
        for quantity in made["quantities"].values():
            assert {"value", "unit", "standard_uncertainty"} <= set(quantity)
    status_of = {Path(made["workbook"]).stem: made["status"] for made in records}
    assert status_of == {group: "doubtful" if group in DOUBTFUL else "ok" for group in FOUR}
    assert sorted((folder / "evaluated").iterdir())


def test_exit_statuses(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = folder_of(tmp_path, good=filled("Avocet"), bad=b"nonsense")
    assert run(capsys, "evaluate", folder / "good.xlsx")[0] == 0
    status, out, _ = run(capsys, "evaluate", folder)
    assert status == 1
    assert "bad.xlsx: failed" in out
    assert run(capsys, "evaluate", folder / "bad.xlsx")[0] == 2
    empty = tmp_path / "empty"
    empty.mkdir()
    status, _, err = run(capsys, "evaluate", empty)
    assert status == 2
    assert "no workbook" in err


def test_in_place(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = folder_of(tmp_path, good=filled("Avocet"))
    path = folder / "good.xlsx"
    assert run(capsys, "evaluate", path, "--in-place")[0] == 0
    first = path.read_bytes()
    assert first != filled("Avocet")
    assert run(capsys, "evaluate", path, "--in-place")[0] == 0
    assert path.read_bytes() == first


def test_control_codes_never_reach_the_terminal(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = tmp_path / "f"
    folder.mkdir()
    path = folder / "a\x1b[31m.xlsx"
    path.write_bytes(b"nonsense")
    _, out, err = run(capsys, "evaluate", path)
    assert "\x1b" not in out + err


@pytest.mark.parametrize(
    "groups", [FOUR, pytest.param(tuple(WORKBOOKS), marks=pytest.mark.slow)], ids=["four", "all"]
)
def test_demo(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    groups: tuple[str, ...],
) -> None:  # fmt: skip
    target = tmp_path / "demo"
    school, _ = demo.demo_class()
    workbooks = tuple(WORKBOOKS[group] for group in groups)
    monkeypatch.setattr(demo, "demo_class", lambda: (school, workbooks))
    status, out, err = run(capsys, "demo", target)
    assert status == 0
    assert not err
    assert "invented" in out
    lines = [line.split() for line in out.splitlines()]
    status_of = {line[0]: line[2] for line in lines if line and line[0] in WORKBOOKS}
    assert status_of == {group: "doubtful" if group in DOUBTFUL else "ok" for group in groups}
    for folder in target.iterdir():
        assert len(list(folder.glob("*.xlsx"))) == len(groups)
    assert run(capsys, "demo", target)[0] == 2


def test_own_definitions_folder(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("id = 3\n")
    status, out, err = run(capsys, "practicals", "--definitions", tmp_path)
    assert status == 1
    assert len(out.splitlines()) == len(SHIPPED)
    assert "broken.toml" in err


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('id = "a"\nversion = "1"\n', "title"),
        ('id = "a"\ntitle = ["A",\n["B"]]\nversion = "1"\n', "title"),
        ('id = "a"\ntitle = "A"\nversion = 1\n[sheets.a]\n', "version"),
        ('id = "a"\ntitle = """A\n[B]\n', "TOML"),
        ("id = \x01", "TOML"),
    ],
)
def test_the_list_names_files_without_title_or_version(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str, words: str
) -> None:
    (tmp_path / "own.toml").write_text(text)
    status, out, err = run(capsys, "practicals", "--definitions", tmp_path)
    assert status == 1
    assert len(out.splitlines()) == len(SHIPPED)
    assert "own.toml" in err
    assert words in err


def test_the_list_takes_a_title_over_several_lines(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A line that begins with a bracket need not begin a table."""
    text = 'id = "own"\nmethod = [\n"a"\n]\ntitle = """A\n[B]"""\nversion = "7"\n[bench.truths]\n'
    (tmp_path / "own.toml").write_text(text)
    status, out, _ = run(capsys, "practicals", "--definitions", tmp_path)
    assert status == 0
    assert "[B] (version 7)" in out


def test_the_version_is_told_before_anything_is_loaded() -> None:
    code = (
        "import sys; sys.argv = ['sheetlab', '--version']\n"
        "from sheetlab.__main__ import main\n"
        "status = main()\n"
        "print(status, *[m for m in ('argparse', 'sheetlab.cli', 'pathlib') if m in sys.modules])"
    )
    run = [sys.executable, "-S", "-c", code]
    done = subprocess.run(run, capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout == f"sheetlab {__version__}\n0\n"


def test_the_module_is_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "sheetlab", "evaluate"],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert done.returncode == 2
    with pytest.raises(SystemExit) as ended:
        main(["evaluate"])
    assert ended.value.code == 2
    # the same words, apart from the name of what was called
    assert done.stderr.split("error:")[1] == capsys.readouterr().err.split("error:")[1]


def test_every_command_can_be_asked_for_help(capsys: pytest.CaptureFixture[str]) -> None:
    """Parsers of commands are made late: each is there, with its options, when asked."""
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = capsys.readouterr().out
    for words, option in (
        ("evaluate", "--in-place"),
        ("archive add", "--year"),
        ("class", "--due"),
    ):
        assert words.split()[0] in listed
        with pytest.raises(SystemExit) as ended:
            main([*words.split(), "--help"])
        assert ended.value.code == 0
        assert option in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("archive", "add", "x.xlsx", "--archive", "A.sqlite", "--year", "26"), "four digits"),
        (
            ("archive", "add", "x.xlsx", "--archive", "A.sqlite", "--year", "2026",
             "--keep-until", "31.12.2027"),
            "a day as 2026-09-01",
        ),
        (("drift", "A.sqlite", "--baseline", "six"), "a whole number, 5 or more"),
        (("drift", "A.sqlite", "--baseline-years", "old"), "2024-2025"),
        (("issue", "simple-pendulum", "--out", "x", "--runs", "9"), "from 1 to 4"),
        (("issue", "simple-pendulum", "--out", "x", "--week", "two"), "a whole number"),
        (("plan", "simple-pendulum", "--limit", "a third"), "0.33"),
        (("plan", "simple-pendulum", "--drop", "5 cm"), "2.5"),
        (("rota", "--groups", "g", "--setups", "2", "--weeks", "1.5", "--practicals", "a",
          "--out", "x"), "a whole number"),
        (("practice-set", "simple-pendulum", "--out", "x", "--count", "many"), "a whole number"),
        (("practice-set", "simple-pendulum", "--out", "x", "--seed", "-1"), "a whole number"),
        (("class", "x", "--out", "C.xlsx", "--jobs", "all"), "a whole number"),
    ],
)  # fmt: skip
def test_an_option_that_cannot_be_read_is_said_in_our_own_words(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], words: str
) -> None:
    status, _, err = run(capsys, *arguments)
    assert status == 2
    text = arguments[-1] if "--practicals" not in arguments else "1.5"
    assert f"“{text}” is not understood" in err
    assert words in err
    assert "invalid" not in err
    assert "usage" not in err


def test_numbers_of_options_may_have_a_decimal_comma(tmp_path: Path) -> None:
    out = tmp_path / "plan.xlsx"
    made = ("plan", "wire-stretching", "--drop", "2,5", "--limit", "0,3", "--out", str(out))
    assert main(made) == 0
    assert out.exists()


def test_what_is_there_already_is_one_finding_with_the_names(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    roster = tmp_path / "roster.csv"
    roster.write_text("group\n" + "".join(f"G{i}\n" for i in range(14)))
    issue = ("issue", "simple-pendulum", "--out", tmp_path / "a", "--roster", roster)
    practice = ("practice-set", "simple-pendulum", "--out", tmp_path / "b", "--count", 3)
    for command, names in ((issue, "G1.xlsx, "), (practice, "practice 02.xlsx, ")):
        assert run(capsys, *command)[0] == 0
        status, _, err = run(capsys, *command)
        assert status == 2
        assert len(err.splitlines()) == 1
        assert "there already" in err
        assert names in err
    _, _, err = run(capsys, *issue)
    assert "G0.xlsx: this file" in err
    assert "likewise 13 more: " in err
    assert "and 1 more" in err
    roster.write_text("group\nG0\n")
    _, _, err = run(capsys, *issue)
    assert err.count("G0") == 1


@pytest.mark.parametrize(
    ("command", "ending"),
    [
        (("addin", "guide"), ".xlsx"),
        (("addin", "calc"), ".oxt"),
        (("register", "new"), ".xlsx"),
        (("plan", "simple-pendulum"), ".xlsx"),
        (("class", "."), ".xlsx"),
        (
            ("rota", "--groups", "x", "--setups", "1", "--weeks", "1", "--practicals", "a"),
            ".csv",
        ),
    ],
)
@pytest.mark.parametrize("name", ["mine", "mine.txt"])
def test_a_name_with_another_ending_is_refused_for_that(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: tuple[str, ...], ending: str,
    name: str,
) -> None:  # fmt: skip
    out = tmp_path / name
    status, _, err = run(capsys, *command, "--out", out)
    assert status == 2
    assert f"“{name}” does not end in {ending}. Expected: a name such as mine{ending}." in err
    assert "Close" not in err
    assert not out.exists()


def test_what_was_not_looked_at_is_told_once(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = folder_of(tmp_path, a=filled("Avocet"))
    for name in ("b.xls", "c.CSV", "d.fods", "e.ots", "f.xlsb", "g.xls", "~h.xls", "i.pdf"):
        (folder / name).touch()
    (folder / "j.numbers").mkdir()
    (folder / "evaluated").mkdir()
    (folder / "out").mkdir()
    (folder / "late").mkdir()
    (folder / "late" / "k.xls").touch()
    status, _, err = run(capsys, "evaluate", folder, "--out", folder / "out")
    assert status == 0
    assert len(err.splitlines()) == 1
    assert "7 files of other spreadsheet kinds (b.xls, c.CSV, d.fods, e.ots, f.xlsb, …)" in err
    assert "1 folder below (late)" in err
    assert "Save such files as .xlsx or .ods" in err
    _, _, err = run(capsys, "evaluate", folder, folder / "late", "--out", folder / "out")
    assert "below" not in err
    assert "8 files" in err
    roster = folder / "roster.csv"
    roster.write_text("group\nA\n")
    out = folder / "CLASS.xlsx"
    _, _, err = run(capsys, "class", folder, "--out", out, "--roster", roster, "--jobs", 1)
    assert err.count("8 files of other spreadsheet kinds") == 1
    assert "roster.csv" not in err
    assert "below" not in err
    (folder / "a.xlsx").unlink()
    out.unlink()
    for path in (folder / "out").iterdir():
        path.unlink()
    for command in (("evaluate", folder), ("class", folder, "--out", out)):
        status, _, err = run(capsys, *command)
        assert status == 2
        assert "spreadsheet kinds (b.xls" in err
        assert "there is no workbook" in err


def test_nothing_is_made_for_a_failed_evaluation(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = folder_of(tmp_path, bad=b"no workbook")
    assert run(capsys, "evaluate", folder, "--out", tmp_path / "out" / "below")[0] == 2
    assert not (tmp_path / "out").exists()
    assert run(capsys, "evaluate", folder)[0] == 2
    assert not (folder / "evaluated").exists()
    (folder / "good.xlsx").write_bytes(filled("Avocet"))
    assert run(capsys, "evaluate", folder, "--out", tmp_path / "out" / "below")[0] == 1
    assert (tmp_path / "out" / "below" / "good.xlsx").exists()
    # a file stands where the folder should be
    status, out, _ = run(capsys, "evaluate", folder, "--out", folder / "bad.xlsx")
    assert status == 2
    assert "could not be written" in " ".join(out.split())


def test_a_practical_that_there_is_not_is_told_with_those_there_are(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = folder_of(tmp_path, a=filled("Avocet"))
    status, _, err = run(capsys, "evaluate", folder, "--practical", "pendulum")
    assert status == 2
    assert "there is no practical “pendulum”. Expected: " in err
    assert all(name in err for name in SHIPPED)
    other = next(name for name in SHIPPED if name != "wire-stretching")
    assert "there is no practical" not in run(
        capsys, "evaluate", folder, "--practical", other
    )[2]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        ("evalute x", "“evaluate” instead of “evalute”"),
        ("archive ad x", "“add” instead of “ad”"),
        ("evaluate x --outt y", "“--out” instead of “--outt”"),
        ("archive add x.xlsx --archive D.sqlite --yeer 2026", "“--year” instead of “--yeer”"),
        ("class x --ouut=C.xlsx", "“--out” instead of “--ouut”"),
    ],
)
def test_the_word_that_was_meant_is_proposed(
    capsys: pytest.CaptureFixture[str], words: str, meant: str
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words.split())
    assert ended.value.code == 2
    err = capsys.readouterr().err
    assert f"Did you mean {meant}?" in err
    command = words.split(maxsplit=1)[0]
    assert command == "evalute" or f"usage: sheetlab {command}" in err


def test_help_pages_show_limits_and_examples(capsys: pytest.CaptureFixture[str]) -> None:
    for command in COMMANDS:
        with pytest.raises(SystemExit):
            main([command.name, "--help"])
        page = capsys.readouterr().out
        assert 1 <= len(command.examples) <= 2
        for example in command.examples:
            assert example in page
            # what is shown can be parsed
            words = shlex.split(example)[1:]
            assert parser(words).parse_args(words).run
        for option in ("--runs", "--count", "--baseline", "--weeks"):
            _, there, text = page.partition(f"\n  {option} N ")
            limits = re.match(r"[^()]*\((from \d+ to|\d+ or more)", " ".join(text.split()))
            assert limits or not there


def test_many_workbooks_are_told_in_a_few_lines(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lesson, "FEW", len(FOUR))
    folder = folder_of(tmp_path, **{name: filled(name) for name in FOUR}, bad=b"nonsense")
    status, out, _ = run(capsys, "evaluate", folder, "--out", tmp_path / "out")
    assert status == 1
    assert "5 workbooks: 2 ok, 2 doubtful, 1 failed\n" in out
    assert "bad.xlsx: failed\n" in out
    assert "doubtful: Fulmar.xlsx, Ruff.xlsx; their sheets Findings say why" in out
    assert f"written: {tmp_path / 'out'}" in out
    assert "    written: " not in out
    _, out, _ = run(capsys, "evaluate", folder, "--out", tmp_path / "two", "--verbose")
    assert sum(line.startswith("    written: ") for line in out.splitlines()) == len(FOUR)
    assert "bad.xlsx: failed" in out


def test_a_file_is_called_what_was_asked_for(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    _, _, err = run(capsys, "register", "check", tmp_path / "missing.xlsx")
    assert "a workbook made with “sheetlab register new”" in err
    assert "issued" not in err
    folder = folder_of(tmp_path, a=filled("Avocet"))
    book = tmp_path / "CLASS.xlsx"
    assert run(capsys, "class", folder, "--out", book)[0] == 0
    for command in (("drift", book), ("archive", "check", book)):
        status, _, err = run(capsys, *command)
        assert status == 2
        assert "end in .sqlite, and CLASS.xlsx does not" in err
        assert "archive add CLASS.xlsx" in err
        assert "database" not in err


def test_a_practice_set_tells_how_far_it_is(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    practice_set(
        catalogue(), "simple-pendulum", tmp_path, 3, 1, lambda done, of: told.append((done, of))
    )
    assert told == [(1, 3), (2, 3), (3, 3)]


def test_json_and_status_agree_where_results_cannot_be_written(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = folder_of(tmp_path, a=filled("Avocet"))
    stands = tmp_path / "out"
    stands.write_text("a file stands where the folder should be")
    status, out, _ = run(capsys, "evaluate", folder, "--out", stands, "--json")
    assert status == 2
    record = json.loads(out)
    assert record["status"] == "failed"
    assert record["measurand"]["value"] > 0
    _, out, _ = run(capsys, "evaluate", folder, "--out", stands)
    assert out.startswith("a.xlsx: failed, Y = ")


def test_runs_of_the_hidden_sheet_that_are_no_number(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for value in ("inf", "nan", "1e400"):

        def spoil(book: openpyxl.Workbook, value: str = value) -> None:
            for row in book[IDENTITY].iter_rows(max_row=10):
                if row[0].value == "runs":
                    row[1].value = value

        path = tmp_path / "a.xlsx"
        path.write_bytes(edited(filled("Avocet"), spoil))
        status, out, _ = run(capsys, "evaluate", path)
        assert status == 2
        assert "the hidden sheet that tells which practical this is" in " ".join(out.split())
