"""The catalogue of messages and the code agree, and nothing that is quoted can break a sentence."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from examples import practical
from fluent.syntax import parse
from fluent.syntax.ast import BaseNode, Junk, Message, TextElement, VariableReference
from fluent.syntax.visitor import Visitor
from hypothesis import given
from hypothesis import strategies as st

import sheetlab
from sheetlab.finding import Place, Severity, finding
from sheetlab.messages import Sentences, catalogue, phrase, said, words
from sheetlab.metrology.statement import Decimals, significant
from sheetlab.practical.files import shipped_folder
from sheetlab.practical.slips.table import KINDS

PACKAGE = Path(sheetlab.__file__).parent


@cache
def nodes() -> tuple[tuple[str, ast.AST], ...]:
    """All of the code, each piece with its file."""
    return tuple(
        (path.relative_to(PACKAGE).as_posix(), node)
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call | ast.Constant)
    )


class Variables(Visitor):
    """Names of the values that a part of the catalogue asks for."""

    def __init__(self) -> None:
        self.names: set[str] = set()

    def visit_VariableReference(self, node: VariableReference) -> None:
        self.names.add(node.id.name)


def asked(node: BaseNode) -> set[str]:
    visitor = Variables()
    visitor.visit(node)
    return visitor.names


def calls() -> Iterator[tuple[str, ast.Call, str]]:
    """File, call and message of each finding and phrase that names its message."""
    for file, node in nodes():
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in ("finding", "phrase")
            and isinstance(node.args[0], ast.Constant)
        ):
            yield file, node, str(node.args[0].value)


def test_the_code_gives_what_each_message_asks_for() -> None:
    asked_for = {name: asked(parse(source)) for name, source in catalogue().items()}
    wrong = []
    for file, call, message in calls():
        given_ = {keyword.arg for keyword in call.keywords}
        if message not in asked_for:
            wrong.append(f"{file}:{call.lineno}: no message {message}")
        elif None not in given_ and given_ != asked_for[message]:
            wrong.append(
                f"{file}:{call.lineno}: {message} asks for {asked_for[message]}, has {given_}"
            )
    assert not wrong


def test_every_message_is_used() -> None:
    constants = {
        node.value
        for _, node in nodes()
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    own = {f"because-{kind}" for kind in KINDS}
    assert not catalogue().keys() - constants - own


def test_messages_are_whole() -> None:
    assert catalogue()
    for name, source in catalogue().items():
        (message,) = parse(source).body
        assert not isinstance(message, Junk), f"{name}: {message.annotations[0].message}"
        assert isinstance(message, Message), name
        parts = [one.id.name for one in message.attributes]
        assert bool(message.value) != bool(parts), name
        in_order = [part for part in ("found", "expected", "remedy") if part in parts]
        assert parts == in_order, name


ONE_PRACTICAL = {
    "chuck", "bubble", "reel", "hanger", "bob", "thread", "swing", "pendulum", "extensometer",
    "spring", "beam", "sphere", "capillary",
}  # fmt: skip
"""Words of one practical; with them those that the practicals here have for themselves."""
OF_WIRES = {
    "the register has a sheet of wires": ("register-", "other-set-up", "check-"),
    "gauge numbers and drawn materials are those of wires": ("plan-gauge", "gauge-", "material-"),
}
"""Messages that speak of wires by right, by how their names begin."""
BOOKS = {
    "practical/register.py", "practical/standards.py", "before/register.py",
    "before/register_sheets.py", "before/books.py",
}  # fmt: skip
"""Code of that register, and of what books know of wires."""


def nouns() -> frozenset[str]:
    own = [practical(path.stem).definition.words for path in shipped_folder().glob("*.toml")]
    assert own
    said_ = {word for one in own for word in (one.body, one.kinks, one.range)}
    return frozenset((ONE_PRACTICAL | {word.removesuffix("s") for word in said_}) - {"", "body"})


def of_one_practical(text: str) -> list[str]:
    return [word for word in nouns() if re.search(rf"\b{word}s?\b", text, re.IGNORECASE)]


def test_no_rule_speaks_of_one_practical() -> None:
    assert of_one_practical("did the Wire slip") == ["wire"]
    assert not of_one_practical("wireless")
    by_right = tuple(start for starts in OF_WIRES.values() for start in starts)
    wrong = [
        (name, words_)
        for name, source in catalogue().items()
        if not name.startswith(by_right) and (words_ := of_one_practical(texts_of(source)))
    ]
    for file, text in sentences_of_code():
        if file not in BOOKS and (words_ := of_one_practical(text)):
            wrong.append((file, words_))
    assert not wrong


def texts_of(source: str) -> str:
    """What a message says itself, without the names of its values and variants."""

    class Texts(Visitor):
        def __init__(self) -> None:
            self.parts: list[str] = []

        def visit_TextElement(self, node: TextElement) -> None:
            self.parts.append(node.value)

    visitor = Texts()
    visitor.visit(parse(source))
    return " ".join(visitor.parts)


def sentences_of_code() -> Iterator[tuple[str, str]]:
    """Texts of more than one word in rules and pages, with their files; docstrings are not."""
    for room in ("checks", "before", "classes", "practical"):
        for path in (PACKAGE / room).rglob("*.py"):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            notes = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
            for node in ast.walk(tree):
                text = node.value if isinstance(node, ast.Constant) else ""
                if isinstance(text, str) and " " in text and id(node) not in notes:
                    yield path.relative_to(PACKAGE).as_posix(), text


@given(text=st.text(max_size=20))
def test_what_is_quoted_stays_as_it_is(text: str) -> None:
    shown = finding(
        "wrong-ending", Severity.STOP, name=text, ending=".xlsx", example="a.xlsx"
    ).found
    assert shown.isprintable()
    if text.isprintable():
        assert shown == f"the name “{text}” does not end in .xlsx".strip()


def test_numbers_of_ours_have_the_mark_of_the_profile_and_typed_ones_do_not() -> None:
    values = (
        ("ending", "1.5"),
        ("name", significant(0.25)),
        ("example", ("b.1", Decimals("2.5 mm"))),
    )
    said_ = words("wrong-ending", tuple(sorted(values)), ",")
    assert said_["found"] == "the name “0,2500” does not end in 1.5"
    assert said_["expected"] == "a name such as b.1, 2,5 mm"


def test_a_number_is_written_before_it_is_said() -> None:
    with pytest.raises(TypeError, match="to be written by metrology/statement"):
        _ = finding("file-exists", Severity.STOP, name=0.25).found


def test_lists_are_cut_and_phrases_follow_each_other() -> None:
    names = tuple(f"a{i}" for i in range(14))
    assert said(phrase("likewise-files", text="x", count=1200, names=names)) == (
        "x; likewise 1200 more: a0, a1, a2, a3, a4, a5, a6, a7, a8, a9, a10, a11 and 2 more"
    )
    both = Sentences(("One.", phrase("likewise-cells", text="Two", count=1, names="A1")))
    told = finding("file-exists", Severity.STOP, Place("f.xlsx"), both, name="f.xlsx")
    assert told.remedy.endswith("away. One. Two; and likewise in 1 more cell (A1)")
    assert told.code == "file-exists"
