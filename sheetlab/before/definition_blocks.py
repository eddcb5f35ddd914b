"""A definition as rows: what stands in which block of its workbook, made from the frozen types.

A block is a list of one kind of thing; its columns are the keys of the type. Rows and the data of a
TOML file are the same said in two ways: ``rows_of`` turns data into rows, ``put`` rows into data.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from functools import cache
from types import NoneType
from typing import Any, Literal, get_args, get_origin

from msgspec import Struct
from msgspec.structs import FieldInfo, fields

from sheetlab.manual import FOLDER
from sheetlab.practical.definition import Definition, Named
from sheetlab.practical.instruments import KINDS

Data = dict[str, Any]
NAME, OF, KEY, VALUE = "name", "of", "key", "value"
NONE = "none"
"""Stands for a list that is there and empty: nothing of the kind is wanted."""
SHEETS: Mapping[str, Sequence[str]] = {
    "Practical": ("", "sheets"),
    "Instruments": ("instruments",),
    "Readings": ("inputs", "tables", "tables.columns", "tables.checks", "uncertainty"),
    "Results": (
        "constants", "lookups", "lines", "curves", "curves.parameters", "quantities", "results",
        "results.accepted", "results.slips", "checks", "answers", "stress",
    ),
    "Invented readings": (
        "bench.truths", "bench.instruments", "bench.inputs", "bench.readings",
    ),
}  # fmt: skip
"""Blocks of each sheet, by the keys of the definition; the empty one holds its single keys."""
TITLES: Mapping[str, str] = {
    "": "The practical", "sheets": "Sheets", "instruments": "Instruments",
    "inputs": "Single cells", "tables": "Tables", "tables.columns": "Columns of tables",
    "tables.checks": "Questions in tables", "uncertainty": "Uncertainties",
    "constants": "Constants", "lookups": "Looked-up values",
    "lines": "Lines", "curves": "Curves", "curves.parameters": "Parameters of curves",
    "quantities": "Quantities", "results": "Results", "results.accepted": "Accepted values",
    "results.slips": "Mistakes to try", "checks": "Questions about single values",
    "answers": "Own results of students", "stress": "Stress of what is loaded",
    "bench.truths": "True values", "bench.instruments": "Instruments of the bench",
    "bench.inputs": "What is typed into single cells", "bench.readings": "Readings of the bench",
}  # fmt: skip
USUAL: Mapping[str, Sequence[str]] = {
    "sheets": ("title", "note", "landscape"),
    "instruments": ("kind", "title", "least count", "zero rows", "limit half width"),
    "inputs": ("title", "unit", "minimum", "maximum", "decimals", "help"),
    "tables": ("title", "rows", "minimum rows", "row label", "note"),
    "tables.columns": ("title", "symbol", "unit", "instrument", "repeats", "formula"),
    "tables.checks": ("at", "expected", "live only"),
    "uncertainty": ("relative", "note"),
    "constants": ("title", "symbol", "unit"),
    "lookups": ("title", "unit", "argument unit"),
    "lines": ("title", "through origin"),
    "curves": ("title",),
    "curves.parameters": ("title", "symbol", "unit", "decimals"),
    "quantities": ("title", "symbol", "unit", "plausible from", "plausible to"),
    "results": ("display unit", "alternatives", "far question"),
    "results.accepted": ("value", "unit", "tolerance"),
    "results.slips": ("factor", "range from", "range to"),
    "checks": ("at", "expected"),
    "answers": ("title", "unit", "quantity"),
    "bench.truths": ("low", "high", "step", "fixed", "formula"),
    "bench.instruments": ("parameters", "zero from", "zero to", "zero noise"),
    "bench.readings": ("value", "start", "step", "noise"),
}
"""Headings of keys that are not needed, though nothing stands below them."""


class Key(Struct, frozen=True):
    """A column of a block: one key, or one end of a range."""

    path: tuple[str, ...]
    kind: Any
    end: int | None = None
    """Of a range: 0 for the lowest value, 1 for the highest."""
    needed: bool = False

    @property
    def heading(self) -> str:
        """What stands above it."""
        end = () if self.end is None else (("from", "to")[self.end],)
        return " ".join((*self.path, *end)).replace("_", " ")

    @property
    def choices(self) -> tuple[str, ...]:
        """What can stand below it, if that is a list."""
        if self.kind is bool:
            return ("yes", "no")
        if get_origin(self.kind) is Literal:
            # an empty text is an empty cell
            return tuple(filter(None, map(str, get_args(self.kind))))
        if isinstance(self.kind, type) and issubclass(self.kind, StrEnum):
            return tuple(self.kind)
        return tuple(KINDS) if self.path == (KEY_OF_SCALE,) else ()


KEY_OF_SCALE = "kind"
UNCERTAIN = (["inputs"], ["tables", "columns"], ["constants"], ["lookups"], ["quantities"])
"""Things that may have uncertainties of type B."""


class Block(Struct, frozen=True):
    """A list of one kind of thing."""

    key: str
    kind: type[Struct]
    keys: tuple[Key, ...]

    @property
    def title(self) -> str:
        """Stands above it."""
        return TITLES[self.key]

    @property
    def named(self) -> bool:
        """Whether its things have names; else the first column says whose they are."""
        return issubclass(self.kind, Named)

    @property
    def single(self) -> bool:
        """Whether it is one thing, a row for each key."""
        return self.key in ("", "stress")

    @property
    def first(self) -> str:
        """Heading of the first column."""
        return KEY if self.single else NAME if self.named else OF

    def column(self, heading: str) -> Key | None:
        """The key that a heading names."""
        same = " ".join(heading.replace("_", " ").casefold().split())
        return next((key for key in self.keys if key.heading.casefold() == same), None)


def _bare(kind: Any) -> Any:
    """A type without None."""
    inner = [one for one in get_args(kind) if one is not NoneType]
    return inner[0] if get_origin(kind) not in (tuple, Literal) and len(inner) == 1 else kind


def _keys(kind: type[Struct], path: tuple[str, ...] = ()) -> Iterator[Key]:
    known: Sequence[FieldInfo] = fields(kind)
    for field in known[1:] if issubclass(kind, Named) else known:
        inner, at = _bare(field.type), (*path, field.name)
        arguments = get_args(inner)
        if isinstance(inner, type) and issubclass(inner, Struct):
            if not path and field.name not in ("bench", "stress"):
                yield from _keys(inner, at)
        elif get_origin(inner) is tuple and arguments[-1] is not Ellipsis:
            yield from (Key(at, arguments[0], end) for end in (0, 1))
        elif not (get_origin(inner) is tuple and issubclass(arguments[0], Struct)):
            yield Key(at, inner, needed=field.required and not path)


@cache
def blocks() -> dict[str, Block]:
    """All blocks by the key of the definition that they hold."""
    made = {}
    for name in (key for sheet in SHEETS.values() for key in sheet):
        kind: Any = Definition
        for part in filter(None, name.split(".")) if name != "uncertainty" else ("inputs", name):
            kind = _bare({field.name: field.type for field in fields(kind)}[part])
            kind = get_args(kind)[0] if get_origin(kind) is tuple else kind
        made[name] = Block(name, kind, tuple(_keys(kind)))
    return made


# -- data -> rows ----------------------------------------------------------------------------------

Row = tuple[str, dict[Key, Any]]
"""Its first cell, and the others."""


def rows_of(data: Data) -> dict[str, list[Row]]:
    """The data of a file as rows of each block."""
    out: dict[str, list[Row]] = {key: [] for key in blocks()}
    for key, block in blocks().items():
        if block.single:
            whole = data.get(key, {}) if key else data
            out[key] = [
                (one.heading, {one: item})
                for one in block.keys
                if (value := _at(whole, one)) is not None
                for item in ([[text] for text in value] if isinstance(value, list) else [value])
            ]
        elif block.named:
            out[key] = [
                (name, _cells(block, thing)) for name, thing in _things(data, key.split("."))
            ]
    for owner, uncertain in _uncertain(data):
        out["uncertainty"] += [(owner, _cells(blocks()["uncertainty"], u)) for u in uncertain]
    for name, result in _things(data, ["results"]):
        for part in ("accepted", "slips"):
            block = blocks()[f"results.{part}"]
            listed = result.get(part, ()) if isinstance(result, dict) else ()
            out[block.key] += [(name, _cells(block, item)) for item in listed]
    return out


def _things(data: Data, path: Sequence[str]) -> Iterator[tuple[str, Any]]:
    """Named things at a path, with the names of those around them before a dot."""
    here = data.get(path[0])
    if path[0] == "bench":
        yield from _things(here, path[1:]) if isinstance(here, dict) else ()
        return
    if here == {}:
        yield NONE, {}
    for name, thing in here.items() if isinstance(here, dict) else ():
        if len(path) == 1:
            yield name, thing
        elif isinstance(thing, dict):
            yield from ((f"{name}.{inner}", item) for inner, item in _things(thing, path[1:]))


def _cells(block: Block, thing: Any) -> dict[Key, Any]:
    if not isinstance(thing, dict):  # a table of one needed key, written as its value
        needed = next(key for key in block.keys if key.needed)
        return {needed: thing}
    return {key: value for key in block.keys if (value := _at(thing, key)) is not None}


def _at(thing: Any, key: Key) -> Any:
    for part in key.path:
        if not isinstance(thing, dict):
            # a permissible error, written as its half-width
            return thing if key.path[-1] == "half_width" else None
        thing = thing.get(part)
    return thing if key.end is None or thing is None else thing[key.end]


def _uncertain(data: Data) -> Iterator[tuple[str, Sequence[Data]]]:
    """Things with uncertainties of type B, by the name that formulas use."""
    for path in UNCERTAIN:
        for name, thing in _things(data, path):
            if isinstance(thing, dict) and thing.get("uncertainty"):
                yield name, thing["uncertainty"]


# -- rows -> data ----------------------------------------------------------------------------------


def put(data: Data, block: Block, first: str, cells: Mapping[Key, Any]) -> str:
    """Put a row into the data of a file; returns the key at which it now is.

    Raises
    ------
    ValueError
        If its first cell names nothing, or something that is there already.
    """
    if block.key in ("uncertainty", "results.accepted", "results.slips"):
        return _put_listed(data, block, first, cells)
    path = _path(block, first)
    *outer, name = path
    if len(path) == LEVELS and not (name and outer[1] in data.get(outer[0], {})):
        raise ValueError(f"no name of {TITLES[outer[0]].lower()} and, after a dot, its own")
    here = data
    for part in outer:
        here = here.setdefault(part, {})
    if name == NONE and not cells:
        return block.key
    if name in here:
        raise ValueError("a name that is there twice")
    thing: Data = {}
    here[name] = thing
    for key, value in cells.items():
        _set(thing, key, value)
    return ".".join(path)


LEVELS = 4
"""Of the path of a thing that belongs to another: table, its name, columns, name."""


def _path(block: Block, first: str) -> tuple[str, ...]:
    """Keys that lead to a thing, as refusals call it; ``first``: its name in the first column."""
    parts = block.key.split(".")
    if len(parts) == 1 or parts[0] == "bench":
        return (*parts, first)
    owner, _, name = first.partition(".")
    return (parts[0], owner, parts[1], name)


def _put_listed(data: Data, block: Block, first: str, cells: Mapping[Key, Any]) -> str:
    item: Data = {}
    for key, value in cells.items():
        _set(item, key, value)
    if block.key == "uncertainty":
        for path in UNCERTAIN:
            found = next((thing for name, thing in _things(data, path) if name == first), None)
            if found is not None:
                found.setdefault("uncertainty", []).append(item)
                kind = blocks()[".".join(path)]
                return (
                    f"{'.'.join(_path(kind, first))}.uncertainty[{len(found['uncertainty']) - 1}]"
                )
        raise ValueError("no name of a single cell, a column, a constant or a quantity")
    result = data.get("results", {}).get(first)
    if result is None:
        raise ValueError("no name of a result")
    part = block.key.partition(".")[2]
    result.setdefault(part, []).append(item)
    return f"results.{first}.{part}[{len(result[part]) - 1}]"


def put_single(data: Data, block: Block, key: Key, value: Any) -> str:
    """Put the value of a key into a block that is one thing; lists grow by a row at a time."""
    here = data.setdefault(block.key, {}) if block.key else data
    if get_origin(key.kind) is tuple and isinstance(value, list):
        before = here.get(key.path[0], [])
        value = [*before, *value]
    _set(here, key, value)
    return ".".join(filter(None, (block.key, *key.path)))


def _set(thing: Data, key: Key, value: Any) -> None:
    *outer, last = key.path
    for part in outer:
        thing = thing.setdefault(part, {})
    if key.end is None:
        thing[last] = value
    else:
        ends = thing.setdefault(last, [None, None])
        ends[key.end] = value


# -- cells -----------------------------------------------------------------------------------------


def shown(key: Key, value: Any) -> str | float:
    """What a cell shows for a value of a key."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return "; ".join(f"{name} = {number:.15g}" for name, number in value.items())
    if isinstance(value, list) and value and isinstance(value[0], list):
        return "; ".join(f"{x:.15g} = {y:.15g}" for x, y in value)
    if isinstance(value, list):
        plain = all(re.fullmatch(r"[^;\[\s](?:[^;]*[^;\s])?", item) for item in value)
        return "; ".join(value) if plain and value else json.dumps(value, ensure_ascii=False)
    return float(value) if isinstance(value, int | float) else str(value)


@cache
def meanings() -> dict[tuple[str, str], str]:
    """What each key means, by the heading of its table in the manual and its own name."""
    found: dict[tuple[str, str], str] = {}
    tables: list[str] = []
    for line in (FOLDER / "keys.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("##"):
            tables = re.findall(r"`([^`]*)`", line) or [""]
        elif match := re.match(r"\* `(\w+)` \(.*?\): (.*)", line):
            for table in tables:
                found.setdefault((table.replace(".NAME", ""), match[1]), match[2])
    return found


def meaning(block: Block, key: Key) -> str:
    """What a column of a block is for."""
    table = ".".join(filter(None, (block.key, *key.path[:-1])))
    said = meanings().get((table, key.path[-1]), "")
    return re.sub(r"`", "", said)
