"""What a formula may contain: everything else is refused, and the message says which part."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheetlab.formula.functions import NAMES
from sheetlab.formula.tree import (
    MAX_DEPTH,
    MAX_EXPONENT,
    MAX_LENGTH,
    Binary,
    Call,
    Comparison,
    FormulaError,
    Logic,
    Name,
    Negative,
    Node,
    Number,
    names,
    parse,
    rebuild,
    substitute,
    walk,
)

A, B, C = Name("a"), Name("b"), Name("c")


@pytest.mark.parametrize(
    ("text", "node"),
    [
        ("2", Number(2.0)),
        ("1e-3", Number(0.001)),
        ("pi", Number(math.pi)),
        ("wire.length", Name("wire.length")),
        ("-a", Negative(A)),
        ("+a", A),
        ("  a\n", A),
        ("a + b - c", Binary("-", Binary("+", A, B), C)),
        ("a - (b - c)", Binary("-", A, Binary("-", B, C))),
        ("a * b / c", Binary("/", Binary("*", A, B), C)),
        # the caret is the power sign: it binds tighter than the sign and the product
        ("a^2", Binary("^", A, Number(2.0))),
        ("a**2", Binary("^", A, Number(2.0))),
        ("-a^2", Negative(Binary("^", A, Number(2.0)))),
        ("a * b^0.5", Binary("*", A, Binary("^", B, Number(0.5)))),
        ("a^-2", Binary("^", A, Negative(Number(2.0)))),
        ("(a^2)^3", Binary("^", Binary("^", A, Number(2.0)), Number(3.0))),
        ("sqrt(a)", Call("sqrt", (A,))),
        ("slope(a, b, c)", Call("slope", (A, B, C))),
        ("a <= b", Comparison("<=", A, B)),
        ("a < b < c", Logic("and", (Comparison("<", A, B), Comparison("<", B, C)))),
        (
            "not a > b or b >= c",
            Logic("or", (Logic("not", (Comparison(">", A, B),)), Comparison(">=", B, C))),
        ),
    ],
)
def test_parsed(text: str, node: Node) -> None:
    assert parse(text, NAMES) == node


@pytest.mark.parametrize(
    ("text", "part"),
    [
        # functions that are not listed, whatever they are
        ("f(a)", "f"),
        ("open(a)", "open"),
        ("__import__(a)", "__import__"),
        ("eval(a)", "eval"),
        ("math.sin(a)", "math.sin"),
        ("a.__class__()", "a.__class__"),
        ("a.__class__.__mro__(b)", "a.__class__.__mro__"),
        ("pi(a)", "pi"),
        # calls that are not of the form f(a, b)
        ("sin(a=1)", "sin(a=1)"),
        ("sin(*a)", "*a"),
        ("sin(**a)", "sin(**a)"),
        ("sin(a)(b)", "sin(a)"),
        ("sqrt(i for i in a)", "(i for i in a)"),
        # everything that is no number, name or sum
        ("'text'", "'text'"),
        ("f'{a}'", "f'{a}'"),
        ("b'a'", "b'a'"),
        ("None", "None"),
        ("True", "True"),
        ("...", "..."),
        ("1j", "1j"),
        ("[a]", "[a]"),
        ("(a, b)", "(a, b)"),
        ("{a: b}", "{a: b}"),
        ("{a}", "{a}"),
        ("a[0]", "a[0]"),
        ("lambda: a", "lambda: a"),
        ("[i for i in a]", "[i for i in a]"),
        ("{i for i in a}", "{i for i in a}"),
        ("a if b else c", "a if b else c"),
        ("(a := 1)", "a := 1"),
        ("a // b", "a // b"),
        ("a % b", "a % b"),
        ("a @ b", "a @ b"),
        ("a << b", "a << b"),
        ("a & b", "a & b"),
        ("~a", "~a"),
        ("a == b", "a == b"),
        ("a != b", "a != b"),
        ("a in b", "a in b"),
        ("a is b", "a is b"),
        ("a + b[0] * c", "b[0]"),
        ("(1).real", "1"),
        ("sqrt(a).real", "sqrt(a)"),
        # the part is found behind spaces and between letters of several bytes
        (" lambda: 0", "lambda: 0"),
        ("  [éé]", "[éé]"),
        ("\u00a0é + é[2]^2", "é[2]"),
        # no formulas at all
        ("", ""),
        ("a b", "a b"),
        ("a +", "a +"),
        ("a = b", "a = b"),
        ("import os", "import os"),
        ("a; b", "a; b"),
        ("(a", "(a"),
        ("await a", "await a"),
        ("yield", "yield"),
        ("a\0", "a\0"),
        ("\ud800", "\ud800"),
        # numbers and exponents that would hang or overflow
        ("1e999", "1e999"),
        ("9" * 400, "9" * 400),
        ("9**9**9", "9**9"),
        ("9^9^9", "9^9"),
        ("2^13", "13"),
        ("2^-13", "-13"),
        ("2^1e999", "1e999"),
        ("a^b", "b"),
        ("a^(1/2)", "1/2"),
        ("a^True", "True"),
        ("a^'2'", "'2'"),
        ("a^2j", "2j"),
    ],
)
def test_refused(text: str, part: str) -> None:
    with pytest.raises(FormulaError) as caught:
        parse(text, NAMES)
    assert caught.value.part == part
    assert caught.value.text == text
    assert f"“{caught.value.part}”" in str(caught.value)
    assert caught.value.reason in str(caught.value)


def test_an_unknown_function_names_those_that_are_known() -> None:
    with pytest.raises(FormulaError, match="function") as caught:
        parse("sine(a)", NAMES)
    assert caught.value.allowed.split(", ") == sorted(NAMES)


def test_names_with_underscores_are_only_names() -> None:
    # nothing is looked up in Python: whether such a name exists is for the definition to say
    assert parse("a.__class__ + __builtins__", NAMES) == Binary(
        "+", Name("a.__class__"), Name("__builtins__")
    )


@pytest.mark.parametrize("exponent", [MAX_EXPONENT, -MAX_EXPONENT, 0.5])
def test_exponents_up_to_the_limit(exponent: float) -> None:
    assert parse(f"a^{exponent}", NAMES).right in (
        Number(exponent),
        Negative(Number(-exponent)),
    )


def test_length_is_limited() -> None:
    longest = "a".ljust(MAX_LENGTH)
    assert parse(longest, NAMES) == A
    with pytest.raises(FormulaError, match="longer than 1000") as caught:
        parse(longest + " ", NAMES)
    assert caught.value.reason.startswith("longer than")
    # the message must not repeat the whole of it
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize(
    ("opening", "closing"), [("-", ""), ("not ", ""), ("sin(", ")"), ("1+(", ")"), ("(1+", ")*2")]
)
def test_depth_is_limited(opening: str, closing: str) -> None:
    # a pair of brackets with a sum and a product in it is two levels
    deepest = MAX_DEPTH // (2 if closing == ")*2" else 1)
    parse(opening * deepest + "a" + closing * deepest, NAMES)
    with pytest.raises(FormulaError, match="levels deep") as caught:
        parse(opening * (deepest + 1) + "a" + closing * (deepest + 1), NAMES)
    assert caught.value.reason.startswith("more than")


def test_python_s_own_limit_of_brackets_is_refused_alike() -> None:
    with pytest.raises(FormulaError, match="not a formula"):
        parse("(" * 400 + "a" + ")" * 400, NAMES)


@given(st.text(max_size=60))
def test_any_text_is_a_formula_or_refused(text: str) -> None:
    _parse_or_refuse(text)


@given(
    st.lists(
        st.sampled_from(
            [
                *"ab019.,()[]{}+-*/^<>=:;'\"\\ \n#@%~!&|",
                *("**", "sin(", "slope(a,b)", "lambda ", " if ", " else ", " for i in "),
                *(" and ", " or ", "not ", " is ", ".__class__", "pi", "1e9", "^2", "é", "2.5"),
            ]
        ),
        max_size=25,
    ).map("".join)
)
def test_any_text_of_parts_of_formulas_is_a_formula_or_refused(text: str) -> None:
    _parse_or_refuse(text)


def _parse_or_refuse(text: str) -> None:
    try:
        node = parse(text, NAMES)
    except FormulaError:
        return
    for part in walk(node):
        assert isinstance(part, Number | Name | Negative | Binary | Call | Comparison | Logic)
        assert not isinstance(part, Call) or part.function in NAMES


def test_names_once_each_in_reading_order() -> None:
    assert names(parse("b + sqrt(a) * b - slope(x, a) < pi and c > b", NAMES)) == (
        "b",
        "a",
        "x",
        "c",
    )


def test_substitute() -> None:
    node = parse("a * (b + sin(a)) > -a and not c < b", NAMES)
    given_nodes = {"a": parse("x + 1", NAMES), "c": Number(2.0)}
    assert substitute(node, given_nodes) == parse(
        "(x + 1) * (b + sin(x + 1)) > -(x + 1) and not 2 < b", NAMES
    )


def test_rebuild_changes_the_lowest_first() -> None:
    seen: list[Node] = []

    def note(node: Node) -> Node:
        seen.append(node)
        return node

    node = parse("a + b * c", NAMES)
    assert rebuild(node, note) == node
    assert seen == [A, B, C, Binary("*", B, C), node]
