"""Parse a formula against a white-list into a small tree of frozen nodes.

The text of a formula comes from a definition file and is never run: Python's own parser reads
it (parse only), and every construct that is not listed here is refused with its position.
"""

from __future__ import annotations

import ast
import math
import re
import sys
from collections.abc import Callable, Iterator, Mapping

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.units import NUMBER, Dimension

MAX_LENGTH = 1000
MAX_DEPTH = 100
MAX_EXPONENT = 12


class FormulaError(ValueError):
    """A formula that is refused: the text, the offending part, the reason, what is allowed."""

    def __init__(self, text: str, part: str, reason: str, allowed: str = "") -> None:
        where = f"“{part}” in the formula “{text}”" if part != text else f"the formula “{text}”"
        super().__init__(f"{where}: {reason}")
        self.text, self.part, self.reason, self.allowed = text, part, reason, allowed


class Number(Struct, frozen=True):
    """A plain number; a bare π is one too. What the program adds itself may have a dimension."""

    value: float
    dimension: Dimension = NUMBER


class Name(Struct, frozen=True):
    """A quantity, or a column when a function asks for one."""

    key: str


class Negative(Struct, frozen=True):
    """A part with its sign changed."""

    inner: Node


class Binary(Struct, frozen=True):
    """``op`` is one of ``+ - * / ^``."""

    op: str
    left: Node
    right: Node


class Call(Struct, frozen=True):
    """A function of the table with its arguments."""

    function: str
    arguments: tuple[Node, ...]


class Comparison(Struct, frozen=True):
    """``op`` is one of ``< <= > >=``."""

    op: str
    left: Node
    right: Node


class Logic(Struct, frozen=True):
    """``op`` is ``and``, ``or`` or ``not`` (which has one part)."""

    op: str
    parts: tuple[Node, ...]


class Fitted(Struct, frozen=True):
    """A parameter of a curve that is fitted to columns."""

    curve: str
    columns: tuple[Name, ...]
    """Abscissa, standard uncertainties of the ordinates if they are stated, ordinate."""
    body: Node
    """The curve, in ``x`` and its parameters, which are names of its own, and in ``others``."""
    parameters: tuple[str, ...]
    start: tuple[float, ...]
    """Values to begin with, in coherent SI units."""
    parameter: int
    dimension: Dimension
    """Of the parameter."""
    others: tuple[Name, ...] = ()
    """Single values of the definition that stand in the body."""


class Spread(Struct, frozen=True):
    """Standard uncertainty of a column from what is independent from row to row."""

    body: Node
    """The column, in its readings."""
    readings: tuple[tuple[tuple[Name, ...], Node], ...]
    """Columns of repeats of each reading, and the standard uncertainty of one by its scale."""
    rows: int
    dimension: Dimension


Node = Number | Name | Negative | Binary | Call | Comparison | Logic | Fitted | Spread

_BINARY: dict[type[ast.operator], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.Div: "/",
    ast.Pow: "^",
}
_COMPARE: dict[type[ast.cmpop], str] = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">="}
TWO_MEANINGS = {"log": ("write ln or log10", "write ln or log10")}
"""Names that programs use for different functions: what to write instead, and what is allowed."""
ALLOWED = "numbers, names, + - * / ^, brackets, < <= > >=, and/or/not, and the listed functions"


def parse(text: str, functions: frozenset[str]) -> Node:
    """The tree of a formula.

    Parameters
    ----------
    text
        The formula; ``^`` is the power sign.
    functions
        Names of the functions that may be called.

    Raises
    ------
    FormulaError
        If the text is not a formula, or uses anything that is not listed.
    """
    if len(text) > MAX_LENGTH:
        start = text[:40] + "…"
        raise FormulaError(start, start, f"longer than {MAX_LENGTH} characters")
    source = _IF.sub("if_(", text.replace("^", "**")).strip()
    try:
        body = ast.parse(source, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
        raise FormulaError(text, text, _why_none(text), ALLOWED) from error
    return _Builder(text, source, functions).build(body, 0)


_IF = re.compile(r"\bif\s*\(")
"""A word that Python keeps for itself."""
_COMMA = re.compile(r"\d,\d")
_NO_SIGN = re.compile(r"(?<![\w.])[\d.]+(?:[^\W\d]|\s*\()|\)\s*[\w(]")


def _why_none(text: str) -> str:
    if _COMMA.search(text):
        return "write decimals with a point, not a comma"
    missing = _NO_SIGN.search(text)
    if missing:
        return f"a * is missing in “{missing[0]}”"
    return "is not a formula"


class _Builder(Struct, frozen=True):
    text: str
    source: str
    """The text as Python's parser saw it, which its positions belong to."""
    functions: frozenset[str]

    def build(self, node: ast.expr, depth: int) -> Node:
        if depth > MAX_DEPTH:
            raise FormulaError(self.text, self.text, f"more than {MAX_DEPTH} levels deep")
        deeper = depth + 1
        match node:
            case ast.Constant(value=int() | float() as value) if not isinstance(value, bool):
                if not abs(value) <= sys.float_info.max:
                    raise FormulaError(self.text, self.text, "holds a number too large to use")
                return Number(float(value))
            case ast.Name(id="pi"):
                return Number(math.pi)
            case ast.Name() | ast.Attribute():
                return Name(self._key(node))
            case ast.UnaryOp(op=ast.USub(), operand=inner):
                return Negative(self.build(inner, deeper))
            case ast.UnaryOp(op=ast.UAdd(), operand=inner):
                return self.build(inner, deeper)
            case ast.UnaryOp(op=ast.Not(), operand=inner):
                return Logic("not", (self.build(inner, deeper),))
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
                sign = _BINARY[type(op)]
                if sign == "^":
                    self._exponent(right)
                return Binary(sign, self.build(left, deeper), self.build(right, deeper))
            case ast.BoolOp(op=bool_op, values=values):
                word = "and" if isinstance(bool_op, ast.And) else "or"
                return Logic(word, tuple(self.build(value, deeper) for value in values))
            case ast.Compare(left=left, ops=ops, comparators=rights) if all(
                type(op) in _COMPARE for op in ops
            ):
                sides = [self.build(side, deeper) for side in (left, *rights)]
                pairs: tuple[Node, ...] = tuple(
                    Comparison(_COMPARE[type(op)], sides[i], sides[i + 1])
                    for i, op in enumerate(ops)
                )
                return pairs[0] if len(pairs) == 1 else Logic("and", pairs)
            case ast.Call(func=func, args=args, keywords=[]):
                name = self._key(func)
                name = "if" if name == "if_" else name
                if name not in self.functions:
                    usual = "is not a function that is known", ", ".join(sorted(self.functions))
                    raise FormulaError(self.text, name, *TWO_MEANINGS.get(name, usual))
                return Call(name, tuple(self.build(arg, deeper) for arg in args))
            case ast.Tuple() if _COMMA.search(self.text):
                raise FormulaError(self.text, self.text, _why_none(self.text), ALLOWED)
        raise FormulaError(self.text, self._part(node), "is not allowed here", ALLOWED)

    def _part(self, node: ast.expr) -> str:
        part = ast.get_source_segment(self.source, node) or type(node).__name__
        return part if "**" in self.text else part.replace("**", "^")

    def _key(self, node: ast.expr) -> str:
        match node:
            case ast.Name(id=name):
                return name
            case ast.Attribute(value=value, attr=attr):
                return f"{self._key(value)}.{attr}"
        raise FormulaError(self.text, self._part(node), "is not a name", ALLOWED)

    def _exponent(self, node: ast.expr) -> None:
        # a plain small number: an exponent that is a reading has no dimension to check, and a
        # huge one is a way to hang the program
        try:
            value = ast.literal_eval(node)
        except (ValueError, TypeError, RecursionError):
            value = None
        if not isinstance(value, int | float) or abs(value) > MAX_EXPONENT:
            raise FormulaError(
                self.text,
                self._part(node),
                f"an exponent must be a plain number from −{MAX_EXPONENT} to {MAX_EXPONENT} "
                "(for a root, sqrt or ^0.5)",
                f"a number between {-MAX_EXPONENT} and {MAX_EXPONENT}",
            )


def children(node: Node) -> tuple[Node, ...]:
    """The direct parts of a node, left to right."""
    match node:
        case Negative(inner):
            return (inner,)
        case Binary(_, left, right) | Comparison(_, left, right):
            return (left, right)
        case Call(_, parts) | Logic(_, parts):
            return parts
        case Fitted(columns=columns, others=others):
            return (*columns, *others)
        case Spread(body, readings):
            return (body, *(part for columns, u in readings for part in (*columns, u)))
    return ()


def walk(node: Node) -> Iterator[Node]:
    """A node and everything below it."""
    yield node
    for child in children(node):
        yield from walk(child)


def names(node: Node) -> tuple[str, ...]:
    """The names a formula uses, each once, in reading order."""
    return tuple(dict.fromkeys(part.key for part in walk(node) if isinstance(part, Name)))


def rebuild(node: Node, change: Callable[[Node], Node]) -> Node:
    """The tree with ``change`` applied to every node, the lowest first."""
    match node:
        case Negative(inner):
            return change(Negative(rebuild(inner, change)))
        case Binary(_, left, right) | Comparison(_, left, right):
            return change(replace(node, left=rebuild(left, change), right=rebuild(right, change)))
        case Call(_, parts):
            return change(replace(node, arguments=tuple(rebuild(p, change) for p in parts)))
        case Logic(_, parts):
            return change(replace(node, parts=tuple(rebuild(p, change) for p in parts)))
        case Spread(body):
            return change(replace(node, body=rebuild(body, change)))
    return change(node)


def substitute(node: Node, nodes: Mapping[str, Node]) -> Node:
    """The tree with names replaced by other trees; names that are not listed stay."""
    return rebuild(node, lambda n: nodes.get(n.key, n) if isinstance(n, Name) else n)
