"""Regular expressions of the rooms that see parts of files take time like the length of a text.

They are found in the source, each is fed with the worst texts that its own pieces make, in the ways
in which it is used, and has to go through a megabyte of the worst of them in a second.
"""

from __future__ import annotations

import ast
import importlib
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import sheetlab

ROOT = Path(sheetlab.__file__).parent
ROOMS = ("workbook", "handling", "classes", "during", "years", "checks")
FILES = ("finding.py", "practical/observations.py", "practical/register.py", "before/register.py")
WAYS = {"search", "match", "fullmatch", "split", "findall", "finditer", "sub", "subn"}
SHORT, LONG = 1_000, 1_000_000
LONGEST = 1.0
TREE: Any = importlib.import_module("re._parser")


@dataclass(frozen=True, slots=True)
class Used:
    """A pattern, and how it is used."""

    place: str
    pattern: str
    flags: int
    ways: frozenset[str]


def sources() -> Iterator[Path]:
    for room in ROOMS:
        yield from sorted((ROOT / room).rglob("*.py"))
    yield from (ROOT / name for name in FILES)


def called(node: ast.AST) -> tuple[str, str]:
    """Name and method of ``name.method(…)``."""
    if (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
    ):
        return node.func.value.id, node.func.attr
    return "", ""


def patterns_of(path: Path) -> Iterator[Used]:
    """Patterns of a module: compiled ones by their names, others where they are written."""
    place = str(path.relative_to(ROOT))
    nodes = list(ast.walk(ast.parse(path.read_text("utf-8"))))
    calls = [called(node) for node in nodes]
    module: Any = None
    for node in nodes:
        name, method = called(node)
        if name != "re" or not isinstance(node, ast.Call) or method == "escape":
            continue
        if method != "compile":
            pattern = node.args[0]
            assert isinstance(pattern, ast.Constant), f"{place}:{node.lineno}: not a plain text"
            assert method in WAYS, f"{place}:{node.lineno}: re.{method}"
            yield Used(f"{place}:{node.lineno}", pattern.value, 0, frozenset([method]))
    for node in nodes:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or called(node.value or node) != (
            "re", "compile",
        ):  # fmt: skip
            continue
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        assert isinstance(target, ast.Name), f"{place}:{node.lineno}: compiled without a name"
        module = module or importlib.import_module(
            ".".join(["sheetlab", *path.relative_to(ROOT).with_suffix("").parts])
        )
        made = getattr(module, target.id)
        ways = frozenset(way for name, way in calls if name == target.id) & WAYS
        # one that is handed on may be used in any way
        yield Used(f"{place}:{target.id}", made.pattern, made.flags, ways or frozenset(["search"]))
    compiled = sum(call == ("re", "compile") for call in calls)
    named = sum(
        isinstance(node, ast.Assign | ast.AnnAssign)
        and called(node.value or node) == ("re", "compile")
        for node in nodes
    )
    assert compiled == named, f"{place}: a pattern is compiled where no name holds it"


@cache
def patterns() -> tuple[Used, ...]:
    return tuple(used for path in sources() for used in patterns_of(path))


def pieces(tree: Any) -> Iterator[str]:
    """A sign that each piece of a pattern takes, in their order."""
    for kind, value in tree:
        name = str(kind)
        if name == "LITERAL":
            yield chr(value)
        elif name == "NOT_LITERAL":
            yield "a" if value != ord("a") else "b"
        elif name == "ANY":
            yield "a"
        elif name == "IN":
            yield one_of(value)
        elif name in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
            yield from pieces(value[2])
        elif name == "SUBPATTERN":
            yield from pieces(value[3])
        elif name == "BRANCH":
            yield from pieces(value[1][0])
        elif name in ("ASSERT", "ASSERT_NOT"):
            yield from pieces(value[1])
        elif name == "ATOMIC_GROUP":
            yield from pieces(value)


def one_of(choice: Any) -> str:
    """A sign of a class of signs."""
    negated = str(choice[0][0]) == "NEGATE"
    taken: list[Any] = []
    for kind, value in choice:
        match str(kind):
            case "LITERAL":
                taken.append(chr(value))
            case "RANGE":
                taken.append(chr(value[0]))
            case "CATEGORY":
                taken.append({"DIGIT": "7", "SPACE": " "}.get(str(value)[9:], "a"))
    if not negated:
        return str(taken[0])
    return next(sign for sign in " a1-_.é" if sign not in taken)


def texts(used: Used) -> list[tuple[str, str, str]]:
    """Beginning, what is repeated, and end of texts that a pattern may take long over."""
    signs = list(pieces(TREE.parse(used.pattern, used.flags)))
    whole = "".join(signs)
    most = len(whole) + 1
    cut = [(i, j) for i in range(most) for j in range(i + 1, most)]
    found = [(whole[:i], whole[i:j], "\0") for i, j in cut]
    found += [("", whole[i:j], "\0") for i, j in cut]
    found += [(whole[:i], sign, "\0") for i in range(most) for sign in dict.fromkeys(signs)]
    return list(dict.fromkeys(found))


def seconds(used: Used, way: str, text: tuple[str, str, str], size: int) -> float:
    start, again, end = text
    full = start + again * (size // len(again)) + end
    pattern = re.compile(used.pattern, used.flags)
    given: Any = full.encode("latin-1", "replace") if isinstance(pattern.pattern, bytes) else full
    begun = time.process_time()
    if way in ("sub", "subn"):
        pattern.sub(given[:0], given)
    elif way == "finditer":
        for _ in pattern.finditer(given):
            pass
    else:
        getattr(pattern, way)(given)
    return time.process_time() - begun


def worst(used: Used) -> float:
    """Seconds over a megabyte of the worst text; a part of one if that is too much already."""
    slowest = 0.0
    for way in sorted(used.ways):
        by_time = sorted(((seconds(used, way, text, SHORT), text) for text in texts(used)),
                         reverse=True)[:2]  # fmt: skip
        for _, text in by_time:
            for size in (*(SHORT << k for k in range(10)), LONG):
                slowest = max(slowest, seconds(used, way, text, size))
                if slowest > LONGEST:
                    return slowest
    return slowest


def test_patterns_are_found() -> None:
    assert len(patterns()) > 5


@pytest.mark.parametrize("used", patterns(), ids=lambda used: used.place)
def test_a_pattern_takes_time_like_the_length_of_a_text(used: Used) -> None:
    assert worst(used) <= LONGEST


@pytest.mark.parametrize(
    ("pattern", "way"),
    [
        (r'\[(?!h+\]|m+\]|s+\])[^\]]*\]|"[^"]*"|[\\_*].', "sub"),
        (r"(\w+)=(\w+)", "findall"),
        (r"<(?:\w+:)?row\b[^<>]*\bhidden=[\"'](?:1|true)[\"'][^<>]*>", "finditer"),
        (r"(a+)+b", "fullmatch"),
    ],
)
def test_patterns_that_do_not_are_seen(pattern: str, way: str) -> None:
    """The first three stood here once, and a file of 90 kB held a class for minutes."""
    used = Used("", pattern, 0, frozenset([way]))
    if way == "fullmatch":
        short = [seconds(used, way, ("", "a", "\0"), size) for size in (16, 21)]
        assert short[1] > 8 * short[0]
    else:
        assert worst(used) > LONGEST
