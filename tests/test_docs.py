"""The documents keep up with the code: keys, codes, commands, options."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest

from sheetlab import cli
from sheetlab.formula.functions import FUNCTIONS
from sheetlab.practical import definition
from sheetlab.practical.instruments import KINDS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CODE = {p: p.read_text(encoding="utf-8") for p in (ROOT / "sheetlab").rglob("*.py")}

KEYS = sorted(
    {
        field.name
        for one in vars(definition).values()
        if isinstance(one, type) and is_dataclass(one)
        for field in fields(one)
    }
)


@pytest.mark.parametrize("key", KEYS)
def test_every_key_of_a_definition_is_explained(key: str) -> None:
    assert f"`{key}`" in DEVELOPERS


def codes() -> set[str]:
    found: set[str] = set()
    for text in CODE.values():
        found |= set(
            re.findall(r'(?:Finding|PartCheck|self\.note|self\.finding)\(\s*"([a-z][a-z-]+)"', text)
        )
        found |= set(re.findall(r'^NOT_FILLED = "([a-z-]+)"', text, re.M))
    return found


def test_every_finding_code_is_listed() -> None:
    listed = set(re.findall(r"`([a-z][a-z-]+)`", DEVELOPERS.split("## Finding codes")[1]))
    assert len(codes()) > 20
    assert codes() <= listed


def commands_below(
    parser: argparse.ArgumentParser, name: str
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """Commands, and commands of commands, as they are typed."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for word, command in action.choices.items():
                yield f"{name} {word}".strip(), command
                yield from commands_below(command, f"{name} {word}".strip())


def undocumented(readme: str) -> list[str]:
    """Commands and options that a text does not tell."""
    text = " ".join(readme.split())
    missing = []
    for name, command in commands_below(cli.parser([one.name for one in cli.COMMANDS]), ""):
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


def test_every_command_and_option_is_in_the_readme() -> None:
    assert undocumented(README) == []
    # so it looks into commands of commands
    assert "archive check" in undocumented(README.replace("archive check", "archive"))
    assert "addin excel --python" in undocumented(README.replace("--python", "PYTHON"))


def test_kinds_of_scale_are_named() -> None:
    for kind in KINDS:
        assert f"`{kind}`" in DEVELOPERS
    assert FUNCTIONS


def test_pictures_and_links_exist() -> None:
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / target).exists(), target


def test_top_level_is_as_agreed() -> None:
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "sheetlab", "workbook_templates",
              "tests", "LICENSE"}  # fmt: skip
    assert agreed <= {p.name for p in ROOT.iterdir()}


def test_every_promise_names_tests_that_are_there() -> None:
    section = README.split("## What it promises")[1].split("\n## ")[0]
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
