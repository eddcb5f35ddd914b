"""The documents keep up with the code, and what they show works."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest
import reference_pages
from examples import filled
from msgspec import Struct
from reference_pages import commands_below

from sheetlab import cli
from sheetlab.before import books
from sheetlab.checks import order
from sheetlab.checks.marks import load_scheme
from sheetlab.formula.functions import FUNCTIONS
from sheetlab.manual import FOLDER, KINDS, pages, text_of
from sheetlab.practical import definition
from sheetlab.practical.instruments import KINDS as SCALES
from sheetlab.practical.loader import catalogue, load_profile

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MANUAL = {path.stem: path.read_text(encoding="utf-8") for path in sorted(FOLDER.glob("*.md"))}
BY_HAND = {topic: text for topic, text in MANUAL.items() if topic not in reference_pages.PAGES}
CODE = {p: p.read_text(encoding="utf-8") for p in (ROOT / "sheetlab").rglob("*.py")}

KEYS = sorted(
    {
        field.name
        for kind in vars(definition).values()
        if isinstance(kind, type) and issubclass(kind, Struct)
        for field in reference_pages.keys_of(kind)
    }
)

# --- pages made from the code


@pytest.mark.parametrize("topic", reference_pages.PAGES)
def test_pages_made_from_the_code_are_up_to_date(topic: str) -> None:
    assert MANUAL[topic] == reference_pages.PAGES[topic](), (
        f"{topic}.md is stale: run tests/reference_pages.py"
    )


@pytest.mark.parametrize("key", KEYS)
def test_every_key_of_a_definition_is_explained(key: str) -> None:
    explained = re.findall(rf"^\* `{key}` \(.+?\): (.+)$", MANUAL["keys"], re.M)
    stated = re.findall(rf"^\* `{key}` \(", MANUAL["keys"], re.M)
    assert stated
    assert len(explained) == len(stated)


def codes() -> set[str]:
    """Codes that the code holds, sought by another way than the page is made by."""
    found: set[str] = set()
    for text in CODE.values():
        called = re.findall(r'(?:\bfinding|PartCheck)\(\s*"([a-z][a-z0-9-]+)', text)
        found |= set(called)
    return found


def test_every_finding_code_is_listed() -> None:
    listed = set(re.findall(r"^\* `([a-z][a-z-]+)`", MANUAL["codes"], re.M))
    assert len(codes()) > 20
    assert codes() <= listed
    assert listed >= order.EXPLAIN | order.EFFECTS | order.SINGLE | order.FORM | order.READ
    questions = {code for _, code, _ in reference_pages.of_definitions()}
    assert questions
    assert questions <= listed


def test_kinds_of_scale_and_functions_of_formulas_are_named() -> None:
    for name in (*SCALES, *FUNCTIONS):
        assert f"`{name}`" in MANUAL["keys"]


# --- commands

PARSER = cli.parser([command.name for command in cli.COMMANDS])


def undocumented(text: str) -> list[str]:
    """Commands and options that a text does not mention."""
    text = " ".join(text.split())
    missing = []
    for name, command in commands_below(PARSER):
        assert command.format_help()
        typed = name if " " in name else f"sheetlab {name}"
        if not re.search(rf"\b{typed}\b", text):
            missing.append(typed)
        missing += [
            f"{name} {option}"
            for action in command._actions
            for option in action.option_strings
            if option not in ("-h", "--help") and not re.search(rf"{option}(?![\w-])", text)
        ]
    return missing


def test_every_command_and_option_is_in_a_page_for_teachers() -> None:
    text = "\n".join([README, *BY_HAND.values()])
    assert undocumented(text) == []
    # so it looks into commands of commands
    assert "archive check" in undocumented(text.replace("archive check", "archive"))
    assert "addin excel --python" in undocumented(text.replace("--python", "PYTHON"))


def lines_typed(text: str) -> list[str]:
    """Command lines that a text shows, without what a shell takes off."""
    typed = re.findall(r"^ {4,}(?:\.venv/bin/)?(sheetlab .+)$", text, re.M)
    inline = re.findall(r"`((?:sheetlab|\.venv/bin/sheetlab) [^`…]+)`", text)
    return [*typed, *(re.sub(r"\s+", " ", line).removeprefix(".venv/bin/") for line in inline)]


LINES = sorted(
    {line for text in (README, DEVELOPERS, *MANUAL.values()) for line in lines_typed(text)}
)


@pytest.mark.parametrize("line", LINES)
def test_every_command_line_shown_can_be_parsed(line: str) -> None:
    words = shlex.split(line.replace("\\", "/"), comments=True)[1:]
    known = {name for name, _ in commands_below(PARSER)}
    if " ".join(words) in known or words[0] == "manual":
        # the name of a command alone, or a page
        assert len(words) < 2 or words[0] != "manual" or words[1] in (*MANUAL, "TOPIC")
        return
    assert cli.parser(words).parse_args(words).run


def test_command_lines_are_looked_for() -> None:
    assert len(LINES) > 40
    with pytest.raises(SystemExit):
        test_every_command_line_shown_can_be_parsed("sheetlab evaluate x --inplace")


# --- the manual as a command


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = cli.main(["manual", *words])
    out, err = capsys.readouterr()
    return status, out, err


@pytest.mark.parametrize("topic", MANUAL)
def test_every_topic_prints(capsys: pytest.CaptureFixture[str], topic: str) -> None:
    status, out, err = shown(capsys, topic)
    assert (status, err) == (0, "")
    assert out.startswith("# ")
    assert out == text_of(topic)
    assert not re.search(r"<!--|^!\[", out, re.M)
    assert len(out) > 300


def test_without_a_topic_all_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = shown(capsys)
    assert status == 0
    listed = re.findall(r"^  (\S+) +\S", out, re.M)
    assert listed == [page.topic for page in pages()]
    assert sorted(listed) == sorted(MANUAL)
    assert re.findall(r"^(?:Tutorial|How-to|Explanation|Reference)$", out, re.M) == list(KINDS)


@pytest.mark.parametrize(
    ("typed", "near"),
    [("befor-class", "before-class"), ("kyes", "keys"), ("functons", "functions")],
)
def test_a_wrong_topic_is_refused_with_the_near_one(
    capsys: pytest.CaptureFixture[str], typed: str, near: str
) -> None:
    status, out, err = shown(capsys, typed)
    assert (status, out) == (2, "")
    assert f"Did you mean “{near}”?" in err
    for topic in MANUAL:
        assert topic in err


def test_a_topic_may_be_typed_freely(capsys: pytest.CaptureFixture[str]) -> None:
    assert shown(capsys, "Before class")[1] == text_of("before-class")
    assert "Did you mean" not in shown(capsys, "quaternions")[2]


def test_a_page_begins_with_its_title_and_kind() -> None:
    places = [(page.kind, page.place) for page in pages() if page.kind in KINDS]
    assert len(set(places)) == len(places)
    for page in pages():
        assert page.title
        assert page.kind in KINDS or page.topic == "python"


# --- what the pages show


def block(topic: str, begins: str) -> str:
    """The indented block of a page that begins so."""
    found = re.search(rf"^    {re.escape(begins)}.*?(?=^\S)", MANUAL[topic], re.M | re.S)
    assert found
    return "\n".join(line[4:] for line in found[0].split("\n"))


def test_the_practical_of_the_manual_is_one(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = block("own-practicals", 'title = "Stiffness of a spring"')
    (tmp_path / "spring-stiffness.toml").write_text(text, encoding="utf-8")
    practical = catalogue(tmp_path).load("spring-stiffness")
    assert practical.definition.results[0].quantity == "k"
    out = tmp_path / "issued"
    words = ["issue", "spring-stiffness", "--definitions", str(tmp_path), "--out", str(out)]
    assert cli.main(words) == 0
    assert "spring-stiffness.xlsx" in capsys.readouterr().out
    assert (out / "spring-stiffness.xlsx").stat().st_size > 5000


def test_profile_scheme_and_material_of_the_manual_are_read(tmp_path: Path) -> None:
    profile = load_profile(block("conventions", 'id = "ours"').partition("sheetlab")[0])
    assert profile.g_values == (9.8, 10.0)
    scheme = load_scheme(block("marking-schemes", 'id = "ours"'))
    assert [item.marks for item in scheme.items] == [3, 2, 1]
    (tmp_path / "ours.csv").write_text(block("before-class", "name,choice"), encoding="utf-8")
    (material,) = books.read_materials(tmp_path / "ours.csv")
    assert material.name == "steel, reel 7"


def test_every_key_of_the_json_object_is_explained(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for group in ("Fulmar", "Sanderling"):
        (tmp_path / f"{group}.xlsx").write_bytes(filled(group))
    assert cli.main(["evaluate", str(tmp_path), "--json"]) == 0

    def keys(value: object) -> set[str]:
        if isinstance(value, list):
            return set().union(*map(keys, value))
        if not isinstance(value, dict):
            return set()
        # the keys of these are names of the practical
        inner = [
            set().union(*map(keys, inside.values()))
            if key in ("quantities", "parameters", "instruments") and isinstance(inside, dict)
            else keys(inside)
            for key, inside in value.items()
        ]
        return set(value).union(*inner)

    for line in capsys.readouterr().out.splitlines():
        if line.startswith("{"):
            record = json.loads(line)
            assert record["practical"]
            assert [key for key in sorted(keys(record)) if f"`{key}`" not in MANUAL["json"]] == []


# --- length, words, links


def words_of(text: str) -> int:
    return len(text.split())


def test_documents_are_short() -> None:
    assert words_of(README) <= 1500
    assert words_of(DEVELOPERS) <= 2000


@pytest.mark.parametrize("topic", BY_HAND)
def test_pages_have_short_paragraphs_under_headings(topic: str) -> None:
    text = BY_HAND[topic]
    assert text.count("\n## ") >= 2 or KINDS[-1] in text
    for paragraph in re.split(r"\n\s*\n|\n(?=\* |\d+\. )", text):
        if not paragraph.startswith("    "):
            assert words_of(paragraph) <= 120, paragraph


@pytest.mark.parametrize("topic", ["README", *BY_HAND])
def test_documents_use_plain_words(topic: str) -> None:
    text = README if topic == "README" else BY_HAND[topic]
    prose = re.sub(r"^ {4,}.*$|`[^`]*`", "", text, flags=re.M)
    assert not re.findall(r"\b(?:habits?|told|shelf|shelves)\b", prose)
    # one row for each instrument, not a row an instrument
    assert not re.findall(r"\bone (?:workbook|row|page) an? \w+", prose)


@pytest.mark.parametrize("path", [ROOT / "README.md", *FOLDER.glob("*.md")], ids=lambda p: p.stem)
def test_pictures_and_links_exist(path: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), target


def test_the_readme_leads_to_every_page() -> None:
    linked = set(re.findall(r"\(sheetlab/manual/([\w-]+)\.md\)", README))
    assert linked == set(MANUAL)


def test_top_level_is_as_agreed() -> None:
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "sheetlab", "workbook_templates",
              "tests", "LICENSE"}  # fmt: skip
    assert agreed <= {p.name for p in ROOT.iterdir()}


@pytest.mark.parametrize("text", [README, MANUAL["mistakes"]], ids=["README", "mistakes"])
def test_rates_stand_beside_the_command_that_measures_them(text: str) -> None:
    command = re.search(r"`python tests/independent/run\.py --count (\d+) --seed \d+`", text)
    assert command
    assert int(command[1]) >= 2000
    parts = [part for part in text.split("\n\n") if command[0] in part]
    assert any("%" in part for part in (*parts, text.split(command[0])[1][:800]))


def test_every_promise_names_tests_that_are_there() -> None:
    section = MANUAL["promises"].split("## Ten promises")[1].split("\n## ")[0]
    promises = re.findall(r"^\d+\. (.*?)(?=^\d+\. |\Z)", section, re.M | re.S)
    assert len(promises) == 10
    there = {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)\(", path.read_text(encoding="utf-8"), re.M)
    }
    for promise in promises:
        named = re.findall(r"`(test_\w+)`", promise)
        assert named, promise
        assert set(named) <= there, promise
