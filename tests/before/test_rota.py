"""The rota: fair ones where there are any, a reason where not, and clashes of a typed one."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sheetlab.before.rota import Sitting, make_rota, read_rota, rota_text, sittings_of
from sheetlab.cli import main
from sheetlab.finding import SheetlabError
from sheetlab.handling.roster import Group
from sheetlab.workbook.reader import read_workbook


def assert_fair(rota, groups, setups, weeks, practicals) -> None:
    assert Counter((s.group, s.practical) for s in rota) == {
        (g, p): 1 for g in groups for p in practicals
    }
    assert max(Counter((s.week, s.setup) for s in rota).values()) == 1
    assert max(Counter((s.week, s.group) for s in rota).values()) == 1
    assert {s.week for s in rota} <= set(range(1, weeks + 1))
    assert {s.setup for s in rota} <= {str(i + 1) for i in range(sum(setups))}
    if len(setups) == len(practicals) > 1:
        of = dict.fromkeys({(s.setup, s.practical) for s in rota})
        assert len(of) == len({setup for setup, _ in of})
        for name, number in zip(practicals, setups, strict=True):
            assert len([1 for _, p in of if p == name]) <= number


@settings(max_examples=50, deadline=None)
@given(st.data())
def test_every_group_every_practical_and_no_clash(data: st.DataObject) -> None:
    groups = [f"G{i}" for i in range(data.draw(st.integers(1, 40)))]
    practicals = [f"p{i}" for i in range(data.draw(st.integers(1, 6)))]
    weeks = data.draw(st.integers(1, 12))
    own = data.draw(st.booleans())
    setups = data.draw(
        st.lists(st.integers(1, 12), min_size=len(practicals), max_size=len(practicals))
        if own else st.lists(st.integers(1, 30), min_size=1, max_size=1)
    )  # fmt: skip
    places = (
        all(len(groups) <= n * weeks for n in setups)
        if len(setups) == len(practicals) > 1
        else len(groups) * len(practicals) <= setups[0] * weeks
    )
    if places and len(practicals) <= weeks:
        assert_fair(make_rota(groups, setups, weeks, practicals), groups, setups, weeks, practicals)
    else:
        with pytest.raises(SheetlabError) as caught:
            make_rota(groups, setups, weeks, practicals)
        (finding,) = caught.value.findings
        assert finding.code == "no-such-rota"
        assert finding.expected


def test_the_advice_of_a_refusal_is_enough() -> None:
    groups, practicals = [f"G{i}" for i in range(17)], ["a", "b", "c"]
    with pytest.raises(SheetlabError, match="13 set-ups, or 9 weeks"):
        make_rota(groups, [6], 4, practicals)
    for setups, weeks in (([13], 4), ([6], 9)):
        assert_fair(make_rota(groups, setups, weeks, practicals), groups, setups, weeks, practicals)
    with pytest.raises(SheetlabError, match=r"“b”.*5 set-ups of it, or 9 weeks"):
        make_rota(groups, [6, 2, 9], 4, practicals)
    make_rota(groups, [6, 5, 9], 4, practicals)
    make_rota(groups, [6, 2, 9], 9, practicals)


def test_a_full_house_needs_every_place() -> None:
    groups, practicals = [f"G{i}" for i in range(24)], ["a", "b", "c", "d"]
    assert_fair(make_rota(groups, [6] * 4, 4, practicals), groups, [6] * 4, 4, practicals)
    assert_fair(make_rota(groups, [24], 4, practicals), groups, [24], 4, practicals)


@pytest.mark.parametrize(
    "arguments",
    [
        ([], [1], 1, ["a"]), (["G"], [0], 1, ["a"]), (["G"], [1], 0, ["a"]),
        (["G"], [1], 9, ["a", "a"]), (["G"], [1], 9, [""]), (["G"], [1, 2, 3], 9, ["a", "b"]),
        (["G"], [1], 10**9, ["a"]),
    ],
)  # fmt: skip
def test_numbers_that_make_no_rota(arguments) -> None:
    with pytest.raises(SheetlabError):
        make_rota(*arguments)


# -- files -----------------------------------------------------------------------------------------

NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1)


@settings(max_examples=30, deadline=None)
@given(st.lists(NAMES, min_size=1, max_size=5, unique=True))
def test_no_name_becomes_a_formula_and_all_come_back(tmp_path_factory, names) -> None:
    rota = tuple(Sitting(name, i + 1, "1", "a") for i, name in enumerate(names))
    text = rota_text(rota)
    for line in text.splitlines()[1:]:
        assert line.lstrip('"')[0] not in "=+-@"
    path = tmp_path_factory.mktemp("rota") / "r.csv"
    path.write_text(text, encoding="utf-8-sig")
    assert [s.group for s in read_rota(path)] == names


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("A,1,W1,p\nB,1,w 1,p\n", ["W1", "week 1", "“A”, “B”"]),
        ("A,1,W1,p\na,1,W2,p\n", ["“A”", "W1, W2", "week 1"]),
        ("A,one,W1,p\n", ["“one”", "rota.csv: cell B2"]),
        ("A,1,W1,p\nB,1,,p\n", ["no setup in row 3", "rota.csv: cell A3"]),
        ("A,9999999999999999999999,W1,p\n", ["rota.csv: cell B2"]),
        ("", ["no sitting"]),
    ],
)
def test_a_typed_rota_that_clashes(tmp_path: Path, rows: str, words: list[str]) -> None:
    path = tmp_path / "rota.csv"
    path.write_text("Group;Week;Set-up;Practical\n".replace(";", ",") + rows)
    with pytest.raises(SheetlabError) as caught:
        read_rota(path)
    (finding,) = caught.value.findings
    assert finding.code == "rota-refused"
    assert all(word in str(finding) for word in words)


def test_rota_and_roster_that_do_not_agree() -> None:
    rota = (Sitting("a", 1, "W1", "p"), Sitting("B", 2, "W1", "p"), Sitting("X", 1, "W2", "p"))
    groups = [Group("A", "old", "xy"), Group("B"), Group("C")]
    found, findings = sittings_of(rota, groups, 1, "p", "rota.csv")
    assert found == [("p", Group("A", "W1", "xy"))]
    assert [f.code for f in findings] == ["rota-misses"] * 2
    assert "“C” is nowhere" in findings[0].found
    assert "“X”" in findings[1].found
    assert sittings_of(rota, (), 2, "", "rota.csv") == ([("p", Group("B", "W1"))], [])
    found, findings = sittings_of(rota, (), 3, "", "rota.csv")
    assert not found
    assert "week 3 is empty" in findings[0].found


def test_from_the_roster_to_the_workbooks_of_a_week(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    roster, rota = tmp_path / "roster.csv", tmp_path / "rota.csv"
    roster.write_text("group\n=1+1\nSouth\n")
    make = ["rota", "--groups", str(roster), "--weeks", "2", "--out", str(rota)]
    practicals = ["--practicals", "simple-pendulum,wire-stretching"]
    assert main([*make, *practicals, "--setups", "0"]) == 2
    assert main([*make, *practicals, "--setups", "1,x"]) == 2
    assert not rota.exists()
    assert main([*make, *practicals, "--setups", "1,1"]) == 0
    assert main([*make, *practicals, "--setups", "1,1"]) == 2
    week = ["issue", "--roster", str(roster), "--rota", str(rota), "--week"]
    orders = []
    for number in ("1", "2"):
        assert main([*week, number, "--out", str(tmp_path / number)]) == 0
        made = [read_workbook(p) for p in sorted((tmp_path / number).iterdir())]
        assert [f.identity.practical for f in made] == ["simple-pendulum", "wire-stretching"]
        assert [f.observations.entry("start.setup").text for f in made] == ["1", "2"]
        orders.append([f.observations.entry("start.group").text for f in made])
    assert sorted(orders) == [["=1+1", "South"], ["South", "=1+1"]]
    assert main([*week, "3", "--out", str(tmp_path / "3")]) == 2
    rota.write_text("group,week,setup,practical\nSouth,1,1,no-such\n=1+1,1,2,simple-pendulum\n")
    capsys.readouterr()
    assert main([*week, "1", "--out", str(tmp_path / "4")]) == 1
    assert "no-such" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("setups", "practicals", "words"),
    [
        ("four", "wire-stretching", "“four” is no number of set-ups"),
        ("4", "wire-stretching,foo", "there is no practical “foo”"),
        ("1", "wire-stretching,simple-pendulum", "2 practicals to do, one a week, in 1 week."),
    ],
)
def test_what_the_command_refuses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], setups: str, practicals: str, words: str
) -> None:
    roster, out = tmp_path / "g.csv", tmp_path / "rota.csv"
    roster.write_text("group\nAvocet\n")
    options = ["--groups", str(roster), "--setups", setups, "--weeks", "1", "--out", str(out)]
    assert main(["rota", *options, "--practicals", practicals]) == 2
    assert words in capsys.readouterr().err
    assert not out.exists()
