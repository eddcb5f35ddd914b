"""Make the pages of the manual that list keys, codes, functions and options from the code:

    python tests/reference_pages.py

Meanings stand beside the code they explain: docstrings of fields, help of options and functions,
sentences of findings. ``test_docs.py`` says when a page is stale.
"""

from __future__ import annotations

import argparse
import ast
import inspect
import json
import re
import sys
import tomllib
import types
import typing
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from fluent.syntax import parse
from fluent.syntax.ast import Message, Pattern, SelectExpression, TextElement
from msgspec import NODEFAULT, Struct
from msgspec.structs import FieldInfo, fields

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from sheetlab import cli  # noqa: E402
from sheetlab.checks import marks  # noqa: E402
from sheetlab.formula.functions import FUNCTIONS  # noqa: E402
from sheetlab.live.functions import ROWS  # noqa: E402
from sheetlab.live.guide import signature  # noqa: E402
from sheetlab.manual import FOLDER  # noqa: E402
from sheetlab.practical import definition, profile  # noqa: E402
from sheetlab.practical.instruments import KINDS  # noqa: E402
from sheetlab.practical.slips.table import MESSAGES  # noqa: E402

PACKAGE = ROOT / "sheetlab"
MADE = "<!-- made by tests/reference_pages.py: change the code, and run that -->\n"

# --- options of commands


def commands_below(
    parser: argparse.ArgumentParser, name: str = ""
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """Commands, and commands of commands, as they are typed."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for word, command in action.choices.items():
                yield f"{name} {word}".strip(), command
                yield from commands_below(command, f"{name} {word}".strip())


def commands_page() -> str:
    whole = cli.parser([command.name for command in cli.COMMANDS])
    lines = [
        "# Commands and their options",
        "",
        "*Reference 1: every command, with every option.*",
        "",
        MADE,
        "What stands in brackets may be left out. `--help` shows the same for one command.",
    ]
    about = {command.name: command for command in cli.COMMANDS}
    helps = {
        f"{name} {choice.dest}": choice.help
        for name, parser in commands_below(whole)
        for action in parser._actions if isinstance(action, argparse._SubParsersAction)
        for choice in action._choices_actions
    }  # fmt: skip
    for name, parser in commands_below(whole):
        command = about.get(name)
        text = helps.get(name) if command is None else command.help
        lines += ["", f"## sheetlab {name}", "", sentence(text or "")]
        if command is not None:
            lines += ["", *(f"    {example}" for example in command.examples)]
        options = [a for a in parser._actions if described(a)]
        if options:
            lines += ["", *map(_option, options)]
    return "\n".join(lines) + "\n"


def described(action: argparse.Action) -> bool:
    """Whether it is an option or a word of its own, and not the page of help."""
    return not isinstance(action, argparse._HelpAction | argparse._SubParsersAction)


def _option(action: argparse.Action) -> str:
    value = action.metavar or ("|".join(map(str, action.choices)) if action.choices else "")
    if not isinstance(value, str):
        value = " ".join(value)
    if not action.option_strings:
        typed = str(value or action.dest)
        needed = action.nargs not in ("?", "*")
    else:
        typed = ", ".join(action.option_strings)
        typed += f" {value or action.dest.upper()}" if action.nargs != 0 else ""
        needed = action.required
    return f"* `{typed if needed else f'[{typed}]'}`: {sentence(action.help or 'the file')}"


# --- functions for cells


def functions_page() -> str:
    lines = [
        "# Functions for cells",
        "",
        "*Reference 2: every function, its arguments and its answers.*",
        "",
        MADE,
        "Arguments in brackets may be left out. How to use them: `sheetlab manual cells`.",
    ]
    for group in dict.fromkeys(function.group for function in ROWS):
        lines += ["", f"## {group}"]
        for function in ROWS:
            if function.group == group:
                lines += ["", f"### `{signature(function)}`", "", f"**{function.title}.**",
                          function.help, ""]  # fmt: skip
                lines += [f"* `{a.id}`: {a.help}" for a in function.arguments]
    return "\n".join(lines) + "\n"


# --- keys of definitions, profiles and marking schemes

COMMON = {
    "id": "Name in formulas, and in other tables of the file.",
    "title": "What the workbook calls it; missing: its name.",
    "symbol": "Letter that stands for it in printed formulas; of quantities, constants and "
    "parameters from the name if it is missing (`theta` \u03b8, `l_0` l\u2080).",
    "unit": "Unit of its numbers.",
    "note": "Sentence that stands beside it.",
    "sheet": "Sheet that it stands on; missing: as `sheets` says.",
    "decimals": "Decimals shown.",
    "help": "Help in the cell.",
    "uncertainty": "Contributions of type B: see `uncertainty`.",
    "minimum": "Smallest number that can be typed.",
    "maximum": "Largest number that can be typed.",
}
"""Meanings of keys that mean the same wherever they stand."""


@cache
def docs_of(module: ModuleType) -> dict[tuple[str, str], str]:
    """Docstrings of the fields of a module's classes, by class and field."""
    found: dict[tuple[str, str], str] = {}
    for node in ast.parse(inspect.getsource(module)).body:
        if isinstance(node, ast.ClassDef):
            for line, after in zip(node.body, node.body[1:], strict=False):
                if (
                    isinstance(line, ast.AnnAssign)
                    and isinstance(line.target, ast.Name)
                    and isinstance(after, ast.Expr)
                    and isinstance(after.value, ast.Constant)
                ):
                    found[node.name, line.target.id] = " ".join(str(after.value.value).split())
    return found


@dataclass(frozen=True)
class Keys:
    """One table of a file: its places, and the type that mirrors it."""

    places: list[str]
    kind: type
    module: ModuleType


def tables_of(root: type, module: ModuleType) -> list[Keys]:
    """All tables of a kind of file, the top level first."""
    found: dict[type, Keys] = {}

    def walk(kind: type, place: str) -> None:
        if kind in found:
            found[kind].places.append(place)
            return
        found[kind] = Keys([place], kind, module)
        for name, hint in hints_of(kind).items():
            for inner in below(hint):
                by_name = ".NAME" if issubclass(inner, definition.Named) else ""
                walk(inner, f"{place}.{name}{by_name}".strip("."))

    walk(root, "")
    return list(found.values())


def hints_of(kind: type) -> dict[str, Any]:
    return {field.name: field.type for field in keys_of(kind)}


def keys_of(kind: type) -> tuple[FieldInfo, ...]:
    """Keys of a table; its name is none of them."""
    return fields(kind)[1:] if issubclass(kind, definition.Named) else fields(kind)


def below(hint: Any) -> Iterator[type]:
    """Tables that a key holds."""
    if isinstance(hint, type) and issubclass(hint, Struct):
        yield hint
    for inner in typing.get_args(hint):
        yield from below(inner)


def words_for(hint: Any) -> str:
    """What may be written for a type."""
    inner = [a for a in typing.get_args(hint) if a is not type(None)]
    origin = typing.get_origin(hint)
    if origin is typing.Literal:
        return " or ".join(f'"{a}"' if isinstance(a, str) else str(a) for a in inner)
    if origin in (types.UnionType, typing.Union):
        return " or ".join(words_for(a) for a in inner)
    if origin is tuple and inner[-1] is not Ellipsis:
        return "[low, high]"
    if origin is tuple:
        if issubclass(inner[0], definition.Named):
            return "a table for each, by its name"
        named = {str: "texts", float: "numbers"}.get(inner[0], "tables")
        return f"list of {named}"
    if origin is not None and issubclass(origin, Mapping):
        return "numbers by name"
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return " or ".join(f'"{a.value}"' for a in hint)
    plain = {str: "text", float: "number", int: "whole number", bool: "true or false"}
    return plain.get(hint, "table")


def usual(field: FieldInfo) -> str:
    """What holds where a key is missing."""
    if field.required:
        return "needed"
    if field.default is NODEFAULT:
        return "may be missing"
    value = field.default
    if value in (None, "", (), 0.0) and not isinstance(value, bool | int):
        return "may be missing"
    shown = {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)
    return f"usual: {shown}"


def meaning(keys: Keys, name: str) -> str:
    """What a key means; empty if nobody has said it."""
    said = docs_of(keys.module).get((keys.kind.__name__, name)) or COMMON.get(name, "")
    inner = next(below(hints_of(keys.kind)[name]), None)
    return (said or (about(inner) if inner else "")).replace("``", "`")


def examples() -> dict[tuple[str, str], str]:
    """How a shipped definition writes a key, by its type and name; the shortest one."""
    found: dict[tuple[str, str], str] = {}

    def walk(kind: type, table: object) -> None:
        hints = hints_of(kind)
        for name, value in table.items() if isinstance(table, dict) else ():
            for inner in below(hints.get(name)):
                by_name = issubclass(inner, definition.Named) and isinstance(value, dict)
                parts = value.values() if by_name else value if isinstance(value, list) else [value]
                for part in parts:
                    walk(inner, part)
            if name in hints and not isinstance(value, dict) and "{" not in str(value):
                text = json.dumps(value, ensure_ascii=False)
                key = kind.__name__, name
                if len(text) <= LONGEST_EXAMPLE and len(text) < len(found.get(key, " " * 99)):
                    found[key] = text

    for path in sorted((ROOT / "workbook_templates").glob("*.toml")):
        walk(definition.Definition, tomllib.loads(path.read_text(encoding="utf-8")))
    return found


LONGEST_EXAMPLE = 60
EXAMPLES = examples()
KINDS_OF_FILE = (
    ("Keys of a definition", definition.Definition, definition),
    ("Keys of a profile", profile.Profile, profile),
    ("Keys of a marking scheme", marks.Scheme, marks),
)


def keys_page() -> str:
    lines = [
        "# Keys of files of your own",
        "",
        "*Reference 3: every key of definitions, profiles and marking schemes.*",
        "",
        MADE,
        "How to write such files: `sheetlab manual own-practicals`, `conventions`, "
        "`marking-schemes`.",
    ]
    for title, root, module in KINDS_OF_FILE:
        lines += ["", f"## {title}"]
        for keys in tables_of(root, module):
            heading = ", ".join(f"`{place}`" for place in dict.fromkeys(keys.places) if place)
            if keys.kind is definition.Uncertainty:
                heading = "`uncertainty`, wherever it stands"
            lines += ["", f"### {heading or 'Top level'}", "", about(keys.kind), ""]
            hints = hints_of(keys.kind)
            for field in keys_of(keys.kind):
                head = f"* `{field.name}` ({words_for(hints[field.name])}; {usual(field)})"
                said = f"{head}: {meaning(keys, field.name)}".rstrip(": ")
                example = EXAMPLES.get((keys.kind.__name__, field.name))
                lines.append(f"{said} Example: `{field.name} = {example}`" if example else said)
    lines += ["", "## Kinds of scale", "",
              "Names that formulas know of an instrument, as `INSTRUMENT.NAME`:", ""]  # fmt: skip
    for name, scale in KINDS.items():
        named = [*scale.parameters, *scale.derived]
        known = ", ".join(f"`{part.id}` ({part.title})" for part in named)
        parts = ", ".join(part.title for part in scale.parts if part.title)
        lines.append(f"* `{name}`: {known or 'none'}. A reading is {parts or 'one number'}.")
    lines += ["", "## Functions in formulas", ""]
    for kind in dict.fromkeys(map(type, FUNCTIONS.values())):
        names = ", ".join(f"`{n}`" for n, function in FUNCTIONS.items() if type(function) is kind)
        lines.append(f"* {names}: {about(kind).partition('. ')[0].partition(';')[0].rstrip('.')}.")
    return "\n".join(lines) + "\n"


def about(kind: type) -> str:
    """What a table is, from the docstring of its type."""
    return " ".join((kind.__doc__ or "").split()).replace("``", "`")


# --- codes of findings

ROOMS = {
    "Readings and results": ("checks", "slips"),
    "Files and cells of workbooks": (
        "files",
        "reading",
        "results",
        "live",
        "handling",
        "during",
    ),
    "Definitions, profiles, plans and registers": (
        "practical",
        "before",
        "register",
        "plan",
        "practice",
    ),
    "The class": ("classes",),
    "The archive": ("years", "archive"),
}
LAST = "The command line"
SEVERITIES = ("note", "doubtful", "stop")


@dataclass(frozen=True)
class Said:
    """What a finding of a code says; what varies stands as three dots."""

    found: str
    expected: str
    remedy: str
    severities: tuple[str, ...]


def said() -> dict[str, dict[str, list[Said]]]:
    """Sentences of every finding of the catalogue, by part of the program and by code."""
    found: dict[str, dict[str, list[Said]]] = defaultdict(lambda: defaultdict(list))
    grave = severities()
    for path in sorted((PACKAGE / "messages").glob("*.ftl")):
        if path.stem == "causes":
            # what is behind an own result; it is told by own-result-differs
            continue
        title = next((t for t, rooms in ROOMS.items() if path.stem in rooms), LAST)
        for entry in parse(path.read_text(encoding="utf-8")).body:
            if isinstance(entry, Message) and entry.attributes and entry.id.name != "asked":
                words = {one.id.name: pattern_text(one.value) for one in entry.attributes}
                parts = (words.get(part, "") for part in ("found", "expected", "remedy"))
                code, level = entry.id.name.partition("_")[0], grave.get(entry.id.name, ())
                found[title][code].append(Said(*parts, tuple(sorted(level))))
    for kind in KINDS.values():
        for check in (*kind.checks, *kind.zero_checks):
            words = Said("", check.expected, check.question, ("doubtful",))
            found["Readings and results"][check.code].append(words)
    return found


def severities() -> dict[str, set[str]]:
    """How grave the findings of a message are, where the code says so beside its name."""
    found: dict[str, set[str]] = defaultdict(set)
    for message in MESSAGES.values():
        found[message].add("doubtful")
    for path in PACKAGE.rglob("*.py"):
        for message, level in re.findall(
            r'finding\(\s*"([a-z0-9_-]+)",\s*Severity\.([A-Z]+)', path.read_text(encoding="utf-8")
        ):
            found[message].add(level.lower())
    return found


def pattern_text(pattern: Pattern) -> str:
    """A text of the catalogue with three dots for what varies."""
    out = []
    for part in pattern.elements:
        if isinstance(part, TextElement):
            out.append(part.value)
        elif isinstance(part.expression, SelectExpression):
            usual = next(v for v in part.expression.variants if v.default)
            out.append(pattern_text(usual.value))
        else:
            out.append("…")
    return " ".join("".join(out).split())


def of_definitions() -> Iterator[tuple[str, str, str]]:
    """Practical, code and question of every check that a shipped definition makes."""
    for path in sorted((ROOT / "workbook_templates").glob("*.toml")):
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        for table in (data, *data.get("tables", {}).values()):
            for code, check in table.get("checks", {}).items():
                yield data["id"], code, check["question"]


def codes() -> set[str]:
    """Every code of a finding that the program itself makes."""
    return {code for by_code in said().values() for code in by_code}


def codes_page() -> str:
    lines = [
        "# Codes of findings",
        "",
        "*Reference 4: every code, and what is said with it.*",
        "",
        MADE,
        "Three dots stand for what differs from one workbook to the next. `note`: worth knowing;",
        "`doubtful`: a person has to look; `stop`: something needed is missing.",
    ]
    found = said()
    for title in (*ROOMS, LAST):
        if title not in found:
            continue
        lines += ["", f"## {title}", ""]
        for code, all_said in sorted(found[title].items()):
            grave = [s for s in SEVERITIES if any(s in one.severities for one in all_said)]
            how = f" ({', '.join(grave)})" if grave else ""
            lines.append(f"* `{code}`{how}: {_words(all_said)}")
    lines += ["", "## Questions that the practicals ask", ""]
    lines += [f"* `{code}` ({practical}): {question}" for practical, code, question
              in dict.fromkeys(of_definitions())]  # fmt: skip
    return "\n".join(lines) + "\n"


def _words(all_said: list[Said]) -> str:
    """What is said with a code: of several places the one that tells most in fixed words."""
    best = max(
        all_said, key=lambda one: len((one.found + one.expected + one.remedy).replace("…", ""))
    )
    parts = [
        sentence(best.found) if re.search(r"\w{3}", best.found) else "",
        f"Expected: {sentence(best.expected, False)}" if re.search(r"\w", best.expected) else "",
        sentence(best.remedy) if re.search(r"\w{3}", best.remedy) else "",
    ]
    return " ".join(" ".join(parts).split()) or "What was seen stands in the finding."


def sentence(words: str, capital: bool = True) -> str:
    """With a capital and a full stop."""
    words = " ".join(words.split())
    if capital and words:
        words = words[0].upper() + words[1:]
    return words if words.endswith((".", "?", "!", ":", "…")) or not words else f"{words}."


PAGES: dict[str, Callable[[], str]] = {
    "commands": commands_page,
    "functions": functions_page,
    "keys": keys_page,
    "codes": codes_page,
}


def main() -> None:
    for topic, make in PAGES.items():
        path = FOLDER / f"{topic}.md"
        path.write_text(make(), encoding="utf-8")
        print(path)


if __name__ == "__main__":
    main()
